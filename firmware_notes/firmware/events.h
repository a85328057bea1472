/*
 * What happened and when: a queue from the handlers to the main loop.
 *
 * Handlers do not nest, so there is one writer at a time; the main loop is the only reader.
 * Each side writes only its own one-byte index, so no lock is needed.
 */
#ifndef EVENTS_H
#define EVENTS_H

#include <stdint.h>

#include "board.h"

enum event_kind {
	EVENT_SPARK = 1,
	EVENT_COIL = 2,
	EVENT_MARK = 3,
	EVENT_BODY = 4,
	EVENT_MARKER = 5,
};

struct event {
	uint8_t kind;
	uint32_t tick;
	int16_t value;
};

extern struct event event_queue[EVENTS];
extern volatile uint8_t event_head; /* next free place; written by handlers */
extern volatile uint8_t event_tail; /* oldest; written by the main loop */
extern volatile uint16_t event_lost;

/* From handlers, or with interrupts off. A full queue counts the event as lost. Inline, since
 * a call would make each handler save every register, and the others wait for it. */
static inline __attribute__((always_inline)) void event_put(uint8_t kind, uint32_t tick,
							     int16_t value)
{
	uint8_t at = event_head;
	uint8_t next = (at + 1) & (EVENTS - 1);

	if (next == event_tail) {
		event_lost++;
		return;
	}
	event_queue[at].kind = kind;
	event_queue[at].tick = tick;
	event_queue[at].value = value;
	event_head = next;
}

/* From the main loop only. */
uint8_t events_waiting(void);
struct event event_take(void);
uint16_t events_lost(void);

#endif
