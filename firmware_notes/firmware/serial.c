#include "serial.h"

#include <avr/interrupt.h>
#include <util/atomic.h>

#include "board.h"

static uint8_t ring[TX_RING];
static volatile uint16_t head; /* written by the main loop */
static volatile uint16_t tail; /* written by the handler */

ISR(USART_UDRE_vect)
{
	uint16_t at = tail;

	UDR0 = ring[at];
	at = (at + 1) & (TX_RING - 1);
	tail = at;
	if (at == head)
		UCSR0B &= ~_BV(UDRIE0);
}

void serial_start(void)
{
	UCSR0A = _BV(U2X0);
	UCSR0B = _BV(TXEN0);
	UCSR0C = _BV(UCSZ01) | _BV(UCSZ00); /* 8N1 */
	UBRR0 = BAUD_DIVISOR;
}

uint16_t serial_room(void)
{
	uint16_t waiting;

	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		waiting = (head - tail) & (TX_RING - 1);
	}
	return TX_RING - 1 - waiting;
}

void serial_poke(uint16_t offset, uint8_t byte)
{
	ring[(head + offset) & (TX_RING - 1)] = byte;
}

void serial_commit(uint16_t length)
{
	/* In one piece: if the handler emptied the ring between the two lines, the second would
	 * switch on a handler with nothing to send. */
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		head = (head + length) & (TX_RING - 1);
		UCSR0B |= _BV(UDRIE0);
	}
}
