/* Settings in the EEPROM. */
#include <avr/io.h>
#include <util/atomic.h>

#include "board.h"

static bool writing(void)
{
    return EECR & (1u << EEPE);
}

/* A byte still being written (3.4 ms) is waited for. */
uint8_t memory_read(uint16_t at)
{
    while (writing())
        ;
    EEAR = at & (STORE_BYTES - 1u);
    EECR |= 1u << EERE;
    return EEDR;
}

/* EEPE must follow EEMPE within four cycles. */
uint8_t memory_write(uint16_t at, uint8_t value)
{
    if (writing())
        return 0;
    EEAR = at & (STORE_BYTES - 1u);
    EEDR = value;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        EECR = 1u << EEMPE; /* erase and write */
        EECR |= 1u << EEPE;
    }
    return 1;
}
