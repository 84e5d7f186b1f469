/* The pulse interrupt: timer 1 at PULSE_HZ; every sixteenth makes a millisecond.
 *
 * A step pin falls when an interrupt begins and rises when the new mask is known. So a pulse is high for nearly
 * a period, and even at a pulse a period low for as long as the mask takes to find, some 100 cycles. The main
 * loop sets directions in the same locked piece in which it hands over the steps, so a direction also stands
 * for that long before its first step rises.
 *
 * Timer 0 runs freely beside and bears witness: if an interrupt comes much later than one period after
 * the last, or is not done when the next is due, head_overrun is told. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "board.h"
#include "pins.h"

#define PERIOD_CYCLES (CLOCK_HZ / PULSE_HZ)
#define WITNESS_CYCLES 64u                                              /* a count of timer 0 */
#define LATE_COUNTS ((uint8_t)(PERIOD_CYCLES * 3u / 2u / WITNESS_CYCLES)) /* a period and a half */
#define TICKS_DUE_MAX 255u

static volatile uint8_t ticks_due; /* irq; main loop under lock */
static uint8_t periods;            /* irq */
static uint8_t last_witness;       /* irq */

static void count_period(void)
{
    if (++periods == PULSES_PER_TICK) {
        periods = 0;
        if (ticks_due != TICKS_DUE_MAX)
            ticks_due++;
    }
}

ISR(TIMER1_COMPA_vect)
{
    PORTD &= (uint8_t)~STEP_PINS;
    uint8_t witness = TCNT0;
    uint8_t since = (uint8_t)(witness - last_witness);
    last_witness = witness;
    uint8_t step = (uint8_t)(head_pulse(&head) << STEP_SHIFT);
    PORTD |= step;
    ALIVE |= 1u << ALIVE_PULSE;
    count_period();
    if (since > LATE_COUNTS || (TIFR1 & (1u << OCF1A)))
        head_overrun(&head);
}

void pulse_start(void)
{
    TCCR0B = 1u << CS01 | 1u << CS00; /* clock / 64 */
    OCR1A = PERIOD_CYCLES - 1u;
    TCCR1A = 0;
    TCCR1B = 1u << WGM12 | 1u << CS10; /* clear on compare, clock / 1 */
    TIMSK1 = 1u << OCIE1A;
    last_witness = TCNT0;
}

uint8_t pulse_ticks_due(void)
{
    return ticks_due;
}

void pulse_tick_done(void)
{
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        ticks_due--;
    }
}
