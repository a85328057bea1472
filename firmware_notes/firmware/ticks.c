#include "ticks.h"

#include <avr/interrupt.h>

volatile uint16_t tick_high = TICK_HIGH_AT_BOOT;

ISR(TIMER1_OVF_vect)
{
	tick_high++;
}

void ticks_start(void)
{
	TCCR1A = 0;
	TIMSK1 = _BV(TOIE1);
	TCCR1B = _BV(CS11); /* F_CPU / 8; the edge for the capture is set in pulses.c */
}
