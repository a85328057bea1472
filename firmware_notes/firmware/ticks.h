/*
 * One clock for everything: Timer 1 counts 0.5 us and an overflow word makes 32 bits of it.
 *
 * The counter wraps every 2^32 * 0.5 us = 2147 s; the host unwraps it.
 */
#ifndef TICKS_H
#define TICKS_H

#include <stdint.h>

#include "board.h"

extern volatile uint16_t tick_high;

void ticks_start(void);

/*
 * Extend a 16-bit count, taken moments ago, to 32 bits. Only with interrupts off.
 *
 * The timer may have overflowed while the overflow handler could not run yet. Then its flag is
 * still up, and a SMALL count was taken after the overflow, so it belongs to the next upper
 * half; a large count was taken before it. "Small" is below half: a handler may be late by up
 * to 16 ms before that goes wrong; the longest wait here is some 10 us.
 */
static inline __attribute__((always_inline)) uint32_t ticks_extend(uint16_t low)
{
	union {
		struct {
			uint16_t low, high;
		};
		uint32_t tick;
	} t = {.low = low, .high = tick_high}; /* a shift of 16 would cost a microsecond */

	if ((TIFR1 & _BV(TOV1)) && low < 0x8000)
		t.high++;
	return t.tick;
}

/* Only with interrupts off. */
static inline __attribute__((always_inline)) uint32_t ticks_now(void)
{
	uint16_t low = TCNT1;

	return ticks_extend(low);
}

#endif
