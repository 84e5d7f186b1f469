/* USART 0, 115200 baud, 8E1, both ways by interrupt. */
#include <avr/interrupt.h>
#include <avr/io.h>

#include "board.h"

#define BAUD 115200UL
#define DIVISOR ((CLOCK_HZ + 4u * BAUD) / (8u * BAUD) - 1u) /* double speed; 16 gives 117647 baud */
#define FAULTS (1u << FE0 | 1u << UPE0)
#define ALWAYS (1u << RXCIE0 | 1u << RXEN0 | 1u << TXEN0)

static const uint8_t *next; /* main loop while nothing is sent, then irq */
static uint16_t left;       /* the same */

/* A character with a parity or framing fault is left out: its frame is one short and falls. */
ISR(USART_RX_vect)
{
    uint8_t faults = UCSR0A & FAULTS; /* before the character, which takes them away */
    uint8_t byte = UDR0;
    if (faults == 0)
        head_receive(&head, byte);
    ALIVE |= 1u << BYTE_CAME;
}

ISR(USART_UDRE_vect)
{
    UDR0 = *next++;
    if (--left == 0) {
        UCSR0A = 1u << U2X0 | 1u << TXC0; /* a stale flag from a gap before this byte */
        UCSR0B = ALWAYS | 1u << TXCIE0;
    }
}

ISR(USART_TX_vect)
{
    UCSR0B = ALWAYS;
    head_sent(&head);
}

void serial_transmit(const uint8_t *bytes, uint16_t count)
{
    next = bytes;
    left = count;
    __asm__ volatile("" ::: "memory"); /* in place before the interrupt is let loose */
    UCSR0B = ALWAYS | 1u << UDRIE0;
}

void serial_start(void)
{
    UCSR0A = 1u << U2X0;
    UCSR0C = 1u << UPM01 | 1u << UCSZ01 | 1u << UCSZ00;
    UBRR0 = DIVISOR; /* last: libsimavr works out its byte times when this is written */
    UCSR0B = ALWAYS;
}
