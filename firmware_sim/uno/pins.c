/* Plain inputs and outputs: heaters, drives, shear, shift registers, wheel.
 *
 * Every wire is read so that a broken one is the safe answer: contacts close to the supply, resistors pull to
 * ground, so an open wire, an unplugged chain or a dead clock shows a tripped stop and no permit. The
 * spare inputs at the chain's end are tied to ground; if one reads high, data is stuck at the supply
 * and nothing of the chain is believed. That is plausibility, not a safety function. */
#include "pins.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/delay_basic.h>

#include "board.h"

#define PORTB_OUT (1u << DIRECTION_PRESS_PIN | 1u << ENABLE_PIN | 1u << LOAD_PIN | 1u << SHEAR_PIN | 1u << CLOCK_PIN)
#define PORTD_OUT (STEP_PINS | 1u << DIRECTION_INFEED_PIN)
#define WHEEL_PINS (3u << WHEEL_SHIFT)
#define DRIVE_INFEED 0x01u
#define DRIVE_PRESS 0x02u

static void put(volatile uint8_t *port, uint8_t pin, uint8_t on) __attribute__((always_inline));

/* One instruction each where the pin is a constant. */
static inline void put(volatile uint8_t *port, uint8_t pin, uint8_t on)
{
    if (on)
        *port = (uint8_t)(*port | 1u << pin);
    else
        *port = (uint8_t)(*port & ~(1u << pin));
}

void pins_start(void)
{
    PORTB = 1u << ENABLE_PIN | 1u << LOAD_PIN;
    DDRB = PORTB_OUT;
    PORTD = WHEEL_PINS; /* pulled up: wheels have open-collector outputs, or none is fitted */
    DDRD = PORTD_OUT;
    EICRA = 1u << ISC00 | 1u << ISC10; /* any edge */
    EIMSK = 1u << INT0 | 1u << INT1;
}

/* ------------------------------------------------------------------------------------- outputs */

void pins_heaters(uint8_t mask)
{
    put(&PORTC, HEATER_SHIFT, mask & 1u);
    put(&PORTC, HEATER_SHIFT + 1u, mask & 2u);
    put(&PORTC, HEATER_SHIFT + 2u, mask & 4u);
}

void pins_drives(uint8_t enabled, uint8_t backwards)
{
    put(&PORTD, DIRECTION_INFEED_PIN, backwards & DRIVE_INFEED);
    put(&PORTB, DIRECTION_PRESS_PIN, backwards & DRIVE_PRESS);
    put(&PORTB, ENABLE_PIN, !enabled);
}

void pins_shear(uint8_t on)
{
    put(&PORTB, SHEAR_PIN, on);
}

/* ------------------------------------------------------------------------------------- inputs */

static uint16_t shift_in(void)
{
    uint16_t bits = 0;
    PORTB &= (uint8_t)~(1u << LOAD_PIN); /* follows its inputs while low */
    _delay_loop_1(1);
    PORTB |= 1u << LOAD_PIN;
    for (uint8_t i = 0; i < CHAIN_BITS; i++) {
        bits >>= 1;
        if (PINB & (1u << DATA_PIN))
            bits |= 1u << (CHAIN_BITS - 1u);
        PORTB |= 1u << CLOCK_PIN; /* the next bit comes with the rising edge */
        PORTB &= (uint8_t)~(1u << CLOCK_PIN);
    }
    return bits;
}

uint16_t pins_inputs(void)
{
    uint16_t chain = shift_in();
    uint16_t inputs = chain & CHAIN_LANES;
    if (chain & CHAIN_SPARE)
        return (uint16_t)(inputs | INPUT_STOP);
    if (chain & CHAIN_PERMIT)
        inputs |= INPUT_PERMIT;
    if (!(chain & CHAIN_STOP_CLOSED))
        inputs |= INPUT_STOP;
    return inputs;
}

uint8_t pins_wheel(void)
{
    return (uint8_t)(PIND >> WHEEL_SHIFT) & 3u;
}

ISR(INT0_vect)
{
    head_edge(&head, pins_wheel());
}

ISR(INT1_vect, ISR_ALIASOF(INT0_vect));
