/*
 * Pins, rates and sizes: everything a builder of another board would change.
 *
 * ATmega328P at 16 MHz. All pulse inputs are the same: active low, weak pull-up inside the
 * chip, the event is the FALLING edge. So a pin with nothing on it stays quiet, and an
 * opto-coupler, an open-collector comparator or a hall switch needs no further part.
 *
 *   PC0  ADC0   pressure sensor, 0 ... supply, ratiometric (reference = supply)
 *   PC1  ADC1   body angle sensor, the same
 *   PB0  ICP1   spark on the No. 1 lead: time taken by hardware, no latency
 *   PD2  INT0   crank mark
 *   PD3  INT1   spark on the coil lead
 *   PD4         marker button to ground
 *   PD1  TXD    to the host
 */
#ifndef BOARD_H
#define BOARD_H

#include <avr/io.h>

#ifndef F_CPU
#error "F_CPU is not given: build with build.sh"
#endif
#if F_CPU != 16000000UL
#error "the tick of 0.5 us, the 1 kHz and the baud rate all count on 16 MHz"
#endif

#define DEVICE_NAME "bench-328p" /* ASCII, at most 24 characters */

/* Timer 1 counts F_CPU / 8. */
#define TICK_NS 500
#define TICKS_PER_MS 2000

/* 16 MHz / (8 * 500 000) - 1, with the doubled-speed bit: no rounding error at all. */
#ifndef BAUD_DIVISOR
#define BAUD_DIVISOR 3
#endif

/* One body reading every so many milliseconds, at most 255; 0: none. The body is turned by
 * hand: 50 readings a second follow any hand. */
#ifndef BODY_EVERY_MS
#define BODY_EVERY_MS 20
#endif

/* Sparks that follow the last reported one sooner than this are not reported. 0: report every
 * edge and let the host tell ringing from multiple sparks, since it can look at both. Raise it
 * (6000 = 3 ms) only where ringing fills the event queue. */
#ifndef SPARK_DEAD_TICKS
#define SPARK_DEAD_TICKS 0
#endif

/* The button must be released this long before it counts again (mechanical bounce ends within
 * some 10 ms, common practice). */
#define BUTTON_RELEASE_MS 30

/* Upper half of the tick counter at boot. Anything but 0 serves a test of the wrap. */
#ifndef TICK_HIGH_AT_BOOT
#define TICK_HIGH_AT_BOOT 0
#endif

/* Sizes, in 2048 bytes of memory. */
#define SAMPLES_PER_BLOCK 20 /* 20 ms */
#define BLOCKS 4             /* 3 waiting and 1 filling: 60 ms of patience */
#define EVENTS 64            /* power of two; 63 usable */
#define EVENTS_PER_FRAME 30  /* 2 + 30 * 7 = 212 bytes of payload, limit 250 */
#define EVENTS_FLUSH 20      /* send at once when this many wait, else with the pressure */
#define TX_RING 512          /* power of two; 10 ms of line time */

#endif
