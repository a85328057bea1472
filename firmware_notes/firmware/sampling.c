/*
 * Timer 0 strikes every millisecond; its handler starts a conversion and reads the tick in the
 * same breath. A conversion begins with the next clock of the converter (125 kHz, so up to
 * 8 us later), its sample-and-hold closes 1.5 clocks (12 us) after that, and the result is
 * there after 13 clocks. So a count tells the voltage of 12 ... 20 us after its tick.
 *
 * The body angle is converted right after a pressure sample, when the converter would idle, so
 * the pressure never waits for it. The multiplexer is changed only after a result was read and
 * is back 0.8 ms before the next pressure sample.
 *
 * Handlers are kept short: while one runs, a crank mark waits.
 */
#include "sampling.h"

#include <stdbool.h>
#include <stddef.h>

#include <avr/interrupt.h>
#include <util/atomic.h>

#include "events.h"
#include "ticks.h"

#define INPUT_PRESSURE _BV(REFS0)           /* reference: supply; input ADC0 */
#define INPUT_BODY (_BV(REFS0) | _BV(MUX0)) /* input ADC1 */
/* F_CPU / 128 = 125 kHz: within the 50 ... 200 kHz that the full 10 bits need. */
#define CONVERTER (_BV(ADEN) | _BV(ADIE) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0))

/* 13 clocks of 125 kHz. A body conversion begins so long after the pressure conversion before it
 * (and some 10 us: nothing for a body that a hand turns). */
#define CONVERSION_TICKS 208

volatile uint8_t ms_unseen;

static struct block blocks[BLOCKS];
static volatile uint8_t filling; /* written by the handler */
static volatile uint8_t oldest;  /* written by the main loop */
static volatile uint16_t lost;

static uint32_t start_tick; /* of the last pressure conversion */
static bool body_running;   /* the running conversion is the body's */

/* The last body reading, for the main loop: queueing it here would make the handler longer. */
static struct {
	uint32_t tick;
	uint16_t counts;
} body;
static volatile bool body_ready;

static inline __attribute__((always_inline)) uint8_t next_block(uint8_t i)
{
	return i == BLOCKS - 1 ? 0 : i + 1;
}

ISR(TIMER0_COMPA_vect)
{
	ADCSRA = CONVERTER | _BV(ADSC);
	start_tick = ticks_now();
	ms_unseen++;
}

/* Into the block that is filling. A block begins only if it can also be handed over when it is
 * complete, and it never bridges a lost sample. */
static inline __attribute__((always_inline)) void keep_sample(uint16_t counts)
{
	static struct block *here = &blocks[0];
	static uint8_t n;
	uint8_t i = n;

	if (i == 0) {
		if (next_block(filling) == oldest) {
			lost++;
			return;
		}
		here->first_tick = start_tick;
	}
	here->counts[i] = counts;
	if (++i == SAMPLES_PER_BLOCK) {
		uint8_t next = next_block(filling);

		i = 0;
		here = &blocks[next];
		filling = next;
	}
	n = i;
}

static inline __attribute__((always_inline)) bool body_is_due(void)
{
#if BODY_EVERY_MS
	static uint8_t ms = BODY_EVERY_MS / 2; /* not with the end of a block: a shorter handler */

	if (++ms == BODY_EVERY_MS) {
		ms = 0;
		return true;
	}
#endif
	return false;
}

ISR(ADC_vect)
{
	uint16_t counts = ADC;

	if (body_running) {
		body_running = false;
		ADMUX = INPUT_PRESSURE;
		body.counts = counts;
		body.tick = start_tick;
		body_ready = true;
		return;
	}
	keep_sample(counts);
	if (body_is_due()) {
		ADMUX = INPUT_BODY;
		ADCSRA = CONVERTER | _BV(ADSC);
		body_running = true;
	}
}

void body_to_events(void)
{
	if (!body_ready)
		return;
	body_ready = false;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		event_put(EVENT_BODY, body.tick + CONVERSION_TICKS, body.counts);
	}
}

void sampling_start(void)
{
	DIDR0 = _BV(ADC0D) | _BV(ADC1D); /* no digital buffers on analog pins */
	ADMUX = INPUT_PRESSURE;
	ADCSRA = CONVERTER;

	OCR0A = 249;                    /* 16 MHz / 64 / 250 = 1 kHz */
	TCCR0A = _BV(WGM01);            /* count to OCR0A and start again */
	TIMSK0 = _BV(OCIE0A);
	TCCR0B = _BV(CS01) | _BV(CS00); /* F_CPU / 64 */
}

const struct block *block_peek(void)
{
	const struct block *complete = oldest == filling ? NULL : &blocks[oldest];

	__asm__ volatile("" ::: "memory"); /* read no sample before the index says it is there */
	return complete;
}

void block_done(void)
{
	__asm__ volatile("" ::: "memory"); /* nor after its place is given away */
	oldest = next_block(oldest);
}

uint16_t samples_lost(void)
{
	uint16_t n;

	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		n = lost;
	}
	return n;
}
