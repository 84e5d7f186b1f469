/* What the AVR has its own way for, and what it is short of.
 *
 * FLASH: constants that live there; the AVR reads them with its own instruction, others as any memory.
 * IN_PLACE: small functions so often run that they must not cost a call.
 * ONE_COPY: functions that the AVR's compiler would write out at every call and that are smaller called; which
 * ones was found by trying each.
 * port_lock, port_unlock: port.lock and port.unlock, which on the AVR are too short to be called through a pointer. */
#ifndef PLYLANE_FLASH_H
#define PLYLANE_FLASH_H

#include <stdint.h>
#include <string.h>

#include "port.h"

#ifdef __AVR__
#include <avr/io.h>
#include <avr/pgmspace.h>
#define FLASH PROGMEM
#define ONE_COPY __attribute__((noinline))
#define IN_PLACE inline __attribute__((always_inline))
#define flash_copy(to, from, size) memcpy_P((to), (from), (size))
#define flash_u8(from) pgm_read_byte(from)
#define flash_u16(from) pgm_read_word(from)

static inline uint8_t port_lock(const struct port *port)
{
    (void)port;
    uint8_t before = SREG;
    __asm__ volatile("cli" ::: "memory");
    return before;
}

static inline void port_unlock(const struct port *port, uint8_t before)
{
    (void)port;
    __asm__ volatile("" ::: "memory");
    SREG = before;
}
#else
#define FLASH
#define ONE_COPY
#define IN_PLACE inline
#define flash_copy(to, from, size) memcpy((to), (from), (size))
#define flash_u8(from) (*(const uint8_t *)(from))
#define flash_u16(from) (*(const uint16_t *)(from))
#define port_lock(port) ((port)->lock((port)->context))
#define port_unlock(port, before) ((port)->unlock((port)->context, (before)))
#endif

#endif
