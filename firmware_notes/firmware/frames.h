/*
 * Frames: COBS(payload + CRC-16) + 0x00, see protocol.md.
 *
 * frame_begin(), then put_...() for the body, then frame_end(). Each sender first asks
 * frame_fits(): a frame goes out whole or not at all.
 */
#ifndef FRAMES_H
#define FRAMES_H

#include <stdbool.h>
#include <stdint.h>

enum frame_type {
	FRAME_HELLO = 0x01,
	FRAME_PRESSURE = 0x02,
	FRAME_EVENTS = 0x03,
	FRAME_DROPPED = 0x04,
};

/* Code byte, type, sequence, two of CRC, delimiter. */
#define FRAME_OVERHEAD 6

/* Is there room for a frame with so many bytes of body? */
bool frame_fits(uint8_t body_length);

void frame_begin(uint8_t type);
void put_u8(uint8_t byte);
void put_u16(uint16_t word);
void put_u32(uint32_t word);
void frame_end(void);

/* A delimiter alone ends whatever was cut short before a reset. */
void frame_delimiter(void);

#endif
