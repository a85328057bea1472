/*
 * The spark on the No. 1 lead is stamped by the input capture of Timer 1: hardware copies the
 * counter at the edge, so a handler that comes late changes nothing. Mark and coil lead are
 * stamped by their handlers, which read the counter first thing; they come up to some 9 us
 * late when another handler is running (0.05 degrees at 850 rpm).
 *
 * A second edge before the handler has run overwrites the first without a trace. The pickup
 * circuit must keep edges at least 20 us apart (see wiring.md).
 */
#include "pulses.h"

#include <avr/interrupt.h>

#include "board.h"
#include "events.h"
#include "ticks.h"

ISR(TIMER1_CAPT_vect)
{
	uint32_t tick = ticks_extend(ICR1);

#if SPARK_DEAD_TICKS
	static uint32_t last_tick;
	static uint8_t any;

	if (any && tick - last_tick < SPARK_DEAD_TICKS)
		return;
	last_tick = tick;
	any = 1;
#endif
	event_put(EVENT_SPARK, tick, 0);
}

ISR(INT0_vect)
{
	event_put(EVENT_MARK, ticks_now(), 0);
}

ISR(INT1_vect)
{
	event_put(EVENT_COIL, ticks_now(), 0);
}

void pulses_start(void)
{
	/* Spark: falling edge (ICES1 = 0). The noise canceller wants four equal samples: it
	 * keeps out spikes below 0.25 us and delays every edge by the same 0.25 us. */
	TCCR1B |= _BV(ICNC1);
	TIFR1 = _BV(ICF1); /* forget an edge that changing the settings may have made */
	TIMSK1 |= _BV(ICIE1);

	/* Mark and coil lead: falling edges. */
	EICRA = _BV(ISC01) | _BV(ISC11);
	EIFR = _BV(INTF0) | _BV(INTF1);
	EIMSK = _BV(INT0) | _BV(INT1);
}
