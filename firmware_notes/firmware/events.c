#include "events.h"

#include <util/atomic.h>

struct event event_queue[EVENTS];
volatile uint8_t event_head;
volatile uint8_t event_tail;
volatile uint16_t event_lost;

uint8_t events_waiting(void)
{
	return (event_head - event_tail) & (EVENTS - 1);
}

struct event event_take(void)
{
	struct event taken = event_queue[event_tail];

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
