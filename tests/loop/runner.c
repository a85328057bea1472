/*
 * Runs the firmware in an emulated ATmega328P with its serial line on a pseudo-terminal.
 *
 *     runner FIRMWARE.elf STIMULUS [--paced] [--lossy]
 *
 * Enters: the firmware, and a stimulus file (written by harness.py) with times of pin edges,
 * voltages on the two analog inputs, resets and faults of the line. Leaves: on the
 * pseudo-terminal, the bytes of the chip; on stdout, lines for the harness:
 *
 *     PTY <path>            open this, then send one byte: emulation starts with it (or with a
 *                           line on the runner's stdin, for a program that never sends)
 *     ZERO <ns>             Timer 1 was started, tick 0 is here; once per boot
 *     END <bytes> <lost> <asleep>
 *                           emulation is over: bytes handed to the terminal, bytes thrown
 *                           away, and the share of time, in permille, that the chip slept
 *
 * after which the runner waits for the end of its stdin, since closing the terminal would throw
 * away what the reader has not read. The library talks on stderr.
 *
 * There is no flow control on the line. When the terminal is full the emulated time stands
 * still until the reader has caught up, so nothing is lost and two runs are equal; --lossy
 * throws the bytes away instead, as a late host would. --paced runs no faster than real time.
 *
 * A test program: it links with libsimavr (GPL, version 3 or later), is built when the tests
 * run, and is no part of the installed package.
 */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <poll.h>
#include <pty.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include <simavr/avr_adc.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <simavr/sim_time.h>

#define CLOCK_HZ 16000000u
#define SUPPLY_MV 5000
/* The sample-and-hold closes 1.5 converter clocks after the start: 12 us at 125 kHz
 * (ATmega328P datasheet, section on analog to digital conversion timing). */
#define APERTURE_NS 12000
#define TCCR1B_ADDRESS 0x81

enum what { SET_PIN, RESET, INSERT_BYTE, FLIP_BYTE, POKE };

struct action {
	int64_t ns;
	uint8_t what, port, bit, value;
	uint8_t unused[4];
};

struct header {
	char magic[8];
	int64_t end_ns, grid_ns, n_analog, n_actions;
};

static struct header header;
static uint16_t (*analog_mv)[2];
static struct action *actions;
static int64_t next_action;

static avr_t *avr;
static int64_t boot_ns; /* emulated time at which the chip's cycle counter was last 0 */
static bool reset_due;
static bool lossy, paced;
static bool in_frame; /* the last byte was not a delimiter */
static struct timespec started;

static int master;
static uint8_t out[256];
static size_t out_length;
static uint8_t flip_next;
static uint64_t bytes_out, bytes_lost;
static avr_cycle_count_t asleep;

static void die(const char *what)
{
	fprintf(stderr, "runner: %s: %s\n", what, strerror(errno));
	exit(1);
}

static int64_t now_ns(void)
{
	return boot_ns + (int64_t)(avr->cycle * 1000 / (CLOCK_HZ / 1000000));
}

/* ---- the line ---------------------------------------------------------------------------- */

static void wait_for_real_time(void)
{
	int64_t due = now_ns();
	struct timespec until = {
		.tv_sec = started.tv_sec + (started.tv_nsec + due) / 1000000000,
		.tv_nsec = (started.tv_nsec + due) % 1000000000,
	};
	clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &until, NULL);
}

static void flush_out(void)
{
	size_t sent = 0;

	if (paced)
		wait_for_real_time();
	while (sent < out_length) {
		ssize_t n = write(master, out + sent, out_length - sent);

		if (n > 0) {
			sent += n;
		} else if (n < 0 && errno != EAGAIN && errno != EINTR) {
			die("write to the terminal");
		} else if (lossy) {
			bytes_lost += out_length - sent;
			break;
		} else {
			/* With nobody there poll returns at once: POLLHUP. */
			struct pollfd p = {.fd = master, .events = POLLOUT};
			poll(&p, 1, 1000);
			if (p.revents & POLLHUP)
				usleep(2000);
		}
	}
	bytes_out += sent;
	out_length = 0;
}

static void emit(uint8_t byte)
{
	out[out_length++] = byte;
	in_frame = byte != 0;
	if (byte == 0 || out_length == sizeof out)
		flush_out();
}

static void on_serial(struct avr_irq_t *irq, uint32_t value, void *param)
{
	(void)irq, (void)param;
	emit((uint8_t)value ^ flip_next);
	flip_next = 0;
}

static void open_terminal(void)
{
	struct termios settings;
	int slave;
	char path[128];

	if (openpty(&master, &slave, path, NULL, NULL) < 0)
		die("openpty");
	tcgetattr(slave, &settings);
	cfmakeraw(&settings);
	tcsetattr(slave, TCSANOW, &settings);
	close(slave);
	fcntl(master, F_SETFL, O_NONBLOCK);
	printf("PTY %s\n", path);
	fflush(stdout);
}

/* Opening a port throws away what came before, so nothing may come before. */
static void wait_for_start(void)
{
	for (;;) {
		struct pollfd p[2] = {{.fd = master, .events = POLLIN},
				      {.fd = 0, .events = POLLIN}};
		uint8_t byte;

		poll(p, 2, -1);
		if ((p[0].revents & POLLIN) && read(master, &byte, 1) == 1)
			return;
		if (p[1].revents) {
			if (read(0, &byte, 1) == 1)
				return;
			exit(1); /* the harness is gone */
		}
		if (p[0].revents & POLLHUP) /* nobody has opened it yet: poll does not wait */
			usleep(1000);
	}
}

/* ---- the pins ---------------------------------------------------------------------------- */

static void set_pin(uint8_t port, uint8_t bit, uint8_t level)
{
	avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(port), bit), level);
}

/* Write a register from outside, as the firmware would: to slow its line down for a while. */
static void poke(uint8_t address, uint8_t value)
{
	int io = AVR_DATA_TO_IO(address);

	if (avr->io[io].w.c)
		avr->io[io].w.c(avr, address, value, avr->io[io].w.param);
	else
		avr->data[address] = value;
}

static avr_cycle_count_t cycle_of(int64_t ns)
{
	return (ns - boot_ns) * (CLOCK_HZ / 1000000) / 1000;
}

static avr_cycle_count_t on_action(avr_t *chip, avr_cycle_count_t when, void *param)
{
	(void)when, (void)param;
	if (reset_due)
		return chip->cycle + 1;
	for (; next_action < header.n_actions; next_action++) {
		const struct action *a = &actions[next_action];

		if (cycle_of(a->ns) > chip->cycle)
			return cycle_of(a->ns);
		switch (a->what) {
		case SET_PIN: set_pin(a->port, a->bit, a->value); break;
		case RESET: reset_due = true; break;
		case INSERT_BYTE: emit(a->value); break;
		case FLIP_BYTE: flip_next = a->value; break;
		case POKE: poke(a->port, a->value); break;
		}
		if (reset_due) { /* by the main loop, not from within a timer of the chip; at once */
			next_action++;
			return chip->cycle + 1;
		}
	}
	return 0;
}

static void schedule_actions(void)
{
	if (next_action < header.n_actions) {
		int64_t ns = actions[next_action].ns, now = now_ns();

		avr_cycle_timer_register(avr, ns > now ? cycle_of(ns) - avr->cycle : 1,
					 on_action, NULL);
	}
}

/* The library samples when the result is read, 0.1 ms late; set the input at the start of the
 * conversion to what it will be when silicon's sample-and-hold closes. */
static void on_conversion(struct avr_irq_t *irq, uint32_t value, void *param)
{
	union {
		uint32_t v;
		avr_adc_mux_t mux;
	} e = {.v = value};
	int64_t k = (now_ns() + APERTURE_NS) / header.grid_ns;

	(void)irq, (void)param;
	if (k >= header.n_analog)
		k = header.n_analog - 1;
	if (e.mux.src < 2)
		avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, e.mux.src),
			      analog_mv[k][e.mux.src]);
}

static void on_timer1_control(struct avr_irq_t *irq, uint32_t value, void *param)
{
	static uint32_t clock_bits;

	(void)irq, (void)param;
	if ((value & 7) && !clock_bits)
		printf("ZERO %" PRId64 "\n", now_ns());
	clock_bits = value & 7;
}

/* ---- the chip ---------------------------------------------------------------------------- */

static void load_stimulus(const char *path)
{
	FILE *f = fopen(path, "rb");

	if (!f || fread(&header, sizeof header, 1, f) != 1 || memcmp(header.magic, "STIMULUS", 8))
		die(path);
	analog_mv = calloc(header.n_analog, sizeof *analog_mv);
	actions = calloc(header.n_actions + 1, sizeof *actions);
	if (fread(analog_mv, sizeof *analog_mv, header.n_analog, f) != (size_t)header.n_analog ||
	    fread(actions, sizeof *actions, header.n_actions, f) != (size_t)header.n_actions)
		die(path);
	fclose(f);
}

static void library_says(avr_t *chip, const int level, const char *format, va_list args)
{
	(void)chip;
	if (level <= LOG_WARNING)
		vfprintf(stderr, format, args);
}

/* Instead of the library's own, which sleeps in real time. */
static void no_sleep(avr_t *chip, avr_cycle_count_t how_long)
{
	(void)chip;
	asleep += how_long;
}

static void make_chip(const char *path)
{
	static elf_firmware_t firmware;
	uint32_t flags = 0;

	avr_global_logger_set(library_says);
	if (elf_read_firmware(path, &firmware))
		die(path);
	avr = avr_make_mcu_by_name("atmega328p");
	if (!avr)
		die("no such chip in the library");
	avr_init(avr);
	firmware.frequency = CLOCK_HZ;
	avr_load_firmware(avr, &firmware);
	avr->frequency = CLOCK_HZ;
	avr->vcc = avr->avcc = avr->aref = SUPPLY_MV;
	avr->sleep = no_sleep;
	avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
	avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT),
				on_serial, NULL);
	avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_OUT_TRIGGER),
				on_conversion, NULL);
	avr_irq_register_notify(avr_iomem_getirq(avr, TCCR1B_ADDRESS, "tccr1b", AVR_IOMEM_IRQ_ALL),
				on_timer1_control, NULL);
}

static void reset_chip(void)
{
	int64_t now = now_ns();

	reset_due = false;
	avr_reset(avr);
	on_timer1_control(NULL, 0, NULL);
	boot_ns = now - (int64_t)(avr->cycle * 1000 / (CLOCK_HZ / 1000000));
	schedule_actions();
}

int main(int argc, char **argv)
{
	uint8_t byte;

	for (int i = 3; i < argc; i++) {
		paced |= !strcmp(argv[i], "--paced");
		lossy |= !strcmp(argv[i], "--lossy");
	}
	if (argc < 3) {
		fprintf(stderr, "usage: runner FIRMWARE.elf STIMULUS [--paced] [--lossy]\n");
		return 2;
	}
	load_stimulus(argv[2]);
	make_chip(argv[1]);
	open_terminal();
	wait_for_start();
	clock_gettime(CLOCK_MONOTONIC, &started);
	schedule_actions();
	/* Not to the nanosecond, but to the end of the frame that is on the line. */
	while (now_ns() < header.end_ns || (in_frame && now_ns() < header.end_ns + 100000000)) {
		int state = avr_run(avr);

		if (reset_due)
			reset_chip();
		if (state == cpu_Done || state == cpu_Crashed) {
			fprintf(stderr, "runner: the firmware stopped, state %d\n", state);
			return 1;
		}
	}
	flush_out();
	printf("END %" PRIu64 " %" PRIu64 " %" PRId64 "\n", bytes_out, bytes_lost,
	       (int64_t)asleep * 1000 * 1000 / (CLOCK_HZ / 1000000) / header.end_ns);
	fflush(stdout);
	while (read(0, &byte, 1) > 0)
		;
	return 0;
}
