#include "events.h"

#include <util/atomic.h>

struct event event_queue[EVENTS];
volatile uint8_t event_head;
volatile uint8_t event_tail;
volatile uint16_t event_lost;

/* The queue itself is not volatile: keep the compiler from reading an event before the index
 * says it is there, or after the index has given its place away. */
#define KEEP_ORDER() __asm__ volatile("" ::: "memory")

uint8_t events_waiting(void)
{
	uint8_t n = (event_head - event_tail) & (EVENTS - 1);

	KEEP_ORDER();
	return n;
}

struct event event_take(void)
{
	struct event taken = event_queue[event_tail];

	KEEP_ORDER();
	event_tail = (event_tail + 1) & (EVENTS - 1);
	return taken;
}

uint16_t events_lost(void)
{
	uint16_t n;

	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		n = event_lost;
	}
	return n;
}
