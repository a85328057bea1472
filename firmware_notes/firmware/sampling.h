/*
 * The beat of 1 kHz: pressure, and in its shadow the body angle.
 */
#ifndef SAMPLING_H
#define SAMPLING_H

#include <stdint.h>

#include "board.h"

/* Samples exactly TICKS_PER_MS apart, save for the latency of a handler. */
struct block {
	uint32_t first_tick; /* start of the first conversion */
	uint16_t counts[SAMPLES_PER_BLOCK];
};

/* After ticks_start(). */
void sampling_start(void);

/* From the main loop. NULL: no block is complete. */
const struct block *block_peek(void);
void block_done(void);
uint16_t samples_lost(void);

/* From the main loop: queue a body reading if there is a new one. */
void body_to_events(void);

/* Milliseconds that the main loop has not seen yet; the handler counts up and wakes it. */
extern volatile uint8_t ms_unseen;

#endif
