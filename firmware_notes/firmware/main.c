/*
 * Reference firmware: times sparks and crank marks, samples manifold pressure and body angle,
 * and sends them as the frames of protocol.md. One direction only; the host sends nothing.
 *
 * Handlers stamp and queue (pulses.c, sampling.c); this loop wakes every millisecond, packs
 * frames while there is room on the line, and sleeps. What finds no room waits in its queue;
 * what overflows a queue is counted, and the counts are sent: delivered + lost = made.
 */
#include <stdbool.h>
#include <stddef.h>

#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <util/atomic.h>

#include "board.h"
#include "events.h"
#include "frames.h"
#include "pulses.h"
#include "sampling.h"
#include "serial.h"
#include "ticks.h"

#define PROTOCOL_VERSION 1
#define ADC_BITS 10

static uint16_t EEMEM boot_count;
static uint16_t boot;
static uint16_t frames_lost; /* hello and dropped frames that found no room for a second */
static bool status_due = true;
static bool flush_due;

static const char name[] = DEVICE_NAME;

#define NAME_LENGTH (sizeof name - 1)
#define HELLO_LENGTH (1 + 2 + 2 + 1 + NAME_LENGTH)
#define DROPPED_LENGTH (3 * 2)
#define PRESSURE_LENGTH (4 + 2 + 2 * SAMPLES_PER_BLOCK)
#define EVENT_LENGTH (1 + 4 + 2)

_Static_assert(NAME_LENGTH <= 24, "the protocol allows 24 characters");
_Static_assert(2 + PRESSURE_LENGTH <= 250, "payload limit of the protocol");
_Static_assert(2 + EVENTS_PER_FRAME * EVENT_LENGTH <= 250, "payload limit of the protocol");

/* Memory remembers the number of the last boot through a reset and without power, so that the
 * host can tell a new boot from a gap. A cell lasts 100 000 writes (datasheet). */
static uint16_t next_boot(void)
{
	uint16_t n = eeprom_read_word(&boot_count) + 1;

	eeprom_update_word(&boot_count, n);
	eeprom_busy_wait();
	return n;
}

/* Press: event at once. Then deaf until released for BUTTON_RELEASE_MS, since it bounces. */
static void poll_button(void)
{
	static uint8_t deaf_ms;

	if (PIND & _BV(PD4)) {
		if (deaf_ms)
			deaf_ms--;
		return;
	}
	if (!deaf_ms) {
		ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
			event_put(EVENT_MARKER, ticks_now(), 0);
		}
	}
	deaf_ms = BUTTON_RELEASE_MS;
}

/* Once for every millisecond, also for those that passed while a long frame was packed. */
static void keep_time(void)
{
	static uint8_t flush_ms;
	static uint16_t second_ms;
	uint8_t passed;

	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		passed = ms_unseen;
		ms_unseen = 0;
	}
	for (; passed; passed--) {
		poll_button();
		body_to_events();
		if (++flush_ms == SAMPLES_PER_BLOCK) {
			flush_ms = 0;
			flush_due = true;
		}
		if (++second_ms == 1000) {
			second_ms = 0;
			if (status_due)
				frames_lost += 2;
			status_due = true;
		}
	}
}

static void send_hello(void)
{
	frame_begin(FRAME_HELLO);
	put_u8(PROTOCOL_VERSION);
	put_u16(boot);
	put_u16(TICK_NS);
	put_u8(ADC_BITS);
	for (uint8_t i = 0; i < NAME_LENGTH; i++)
		put_u8(name[i]);
	frame_end();
}

static void send_dropped(void)
{
	frame_begin(FRAME_DROPPED);
	put_u16(events_lost());
	put_u16(samples_lost());
	put_u16(frames_lost);
	frame_end();
}

/* At boot and once a second. If the line stays full for a whole second, keep_time() gives up
 * that second's two frames and counts them. */
static bool send_status(void)
{
	if (!status_due || !frame_fits(HELLO_LENGTH + FRAME_OVERHEAD + DROPPED_LENGTH))
		return false;
	status_due = false;
	send_hello();
	send_dropped();
	return true;
}

static bool send_pressure(void)
{
	const struct block *block = block_peek();

	if (!block || !frame_fits(PRESSURE_LENGTH))
		return false;
	frame_begin(FRAME_PRESSURE);
	put_u32(block->first_tick);
	put_u16(TICKS_PER_MS);
	for (uint8_t i = 0; i < SAMPLES_PER_BLOCK; i++)
		put_u16(block->counts[i]);
	frame_end();
	block_done();
	return true;
}

/* Every 20 ms, or as soon as many wait. */
static bool send_events(void)
{
	uint8_t n = events_waiting();

	if (n < (flush_due ? 1 : EVENTS_FLUSH))
		return false;
	if (n > EVENTS_PER_FRAME)
		n = EVENTS_PER_FRAME;
	if (!frame_fits(n * EVENT_LENGTH))
		return false;
	flush_due = false;
	frame_begin(FRAME_EVENTS);
	for (uint8_t i = 0; i < n; i++) {
		struct event event = event_take();

		put_u8(event.kind);
		put_u32(event.tick);
		put_u16(event.value);
	}
	frame_end();
	return true;
}

/* Sleep until a handler has run, unless a millisecond has struck since the loop looked.
 * Interrupts are off from the question to the sleep, and the instruction after sei is always
 * executed before any handler, so a wake can not slip in between and be lost. */
static void idle(void)
{
	cli();
	if (!ms_unseen) {
		sleep_enable();
		sei();
		sleep_cpu();
		sleep_disable();
	}
	sei();
}

int main(void)
{
	MCUSR = 0; /* some boot loaders leave the watchdog running, and it would bite */
	wdt_disable();

	PORTB = _BV(PB0);                       /* pull-up: spark */
	PORTD = _BV(PD2) | _BV(PD3) | _BV(PD4); /* pull-ups: mark, coil lead, button */
	set_sleep_mode(SLEEP_MODE_IDLE);        /* timers, converter and line run on */

	boot = next_boot();
	serial_start();
	frame_delimiter();
	ticks_start();
	pulses_start();
	sampling_start();
	sei();

	for (;;) {
		keep_time();
		while (send_status() || send_pressure() || send_events())
			;
		idle();
	}
}
