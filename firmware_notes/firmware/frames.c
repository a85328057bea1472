/*
 * Bytes are stuffed and summed as they come, straight into the transmit ring: the place of the
 * next COBS code byte is kept open and filled in when the next zero (or the end) is met. A
 * payload with its CRC has at most 252 bytes, so a code byte never reaches 0xFF.
 */
#include "frames.h"

#include <util/crc16.h>

#include "serial.h"

static uint8_t sequence;
static uint16_t crc;
static uint16_t code_at; /* where the open code byte stands */
static uint16_t next;    /* where the next byte goes */

static void stuff(uint8_t byte)
{
	if (byte) {
		serial_poke(next++, byte);
	} else {
		serial_poke(code_at, next - code_at);
		code_at = next++;
	}
}

bool frame_fits(uint8_t body_length)
{
	return serial_room() >= (uint16_t)body_length + FRAME_OVERHEAD;
}

void frame_begin(uint8_t type)
{
	crc = 0xFFFF;
	code_at = 0;
	next = 1;
	put_u8(type);
	put_u8(sequence++);
}

void put_u8(uint8_t byte)
{
	crc = _crc_xmodem_update(crc, byte); /* same polynomial as IBM-3740, other start */
	stuff(byte);
}

void put_u16(uint16_t word)
{
	put_u8(word);
	put_u8(word >> 8);
}

void put_u32(uint32_t word)
{
	put_u16(word);
	put_u16(word >> 16);
}

void frame_end(void)
{
	uint16_t sum = crc;

	stuff(sum >> 8);
	stuff(sum);
	serial_poke(code_at, next - code_at);
	serial_poke(next++, 0);
	serial_commit(next);
}

void frame_delimiter(void)
{
	serial_poke(0, 0);
	serial_commit(1);
}
