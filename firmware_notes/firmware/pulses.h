/* Sparks and crank marks become events. */
#ifndef PULSES_H
#define PULSES_H

/* After ticks_start(). */
void pulses_start(void);

#endif
