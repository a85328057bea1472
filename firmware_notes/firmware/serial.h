/* Bytes to the host: a ring that an interrupt empties. */
#ifndef SERIAL_H
#define SERIAL_H

#include <stdint.h>

void serial_start(void);

/* Bytes that fit now. */
uint16_t serial_room(void);

/* Write ahead of what is being sent, at `offset` from the first free place; nothing is sent
 * before serial_commit(). The caller keeps within serial_room(). */
void serial_poke(uint16_t offset, uint8_t byte);
void serial_commit(uint16_t length);

#endif
