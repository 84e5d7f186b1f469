/* What flash is short of and how to spare it.
 *
 * FLASH: constants that live there; the AVR reads them with its own instruction, others as any memory.
 * IN_PLACE: small functions so often run that they must not cost a call.
 * ONE_COPY: functions that the AVR's compiler would write out at every call and that are smaller called; which
 * ones was found by trying each. */
#ifndef PLYLANE_FLASH_H
#define PLYLANE_FLASH_H

#include <stdint.h>
#include <string.h>

#ifdef __AVR__
#include <avr/pgmspace.h>
#define FLASH PROGMEM
#define ONE_COPY __attribute__((noinline))
#define IN_PLACE inline __attribute__((always_inline))
#define flash_copy(to, from, size) memcpy_P((to), (from), (size))
#define flash_u8(from) pgm_read_byte(from)
#define flash_u16(from) pgm_read_word(from)
#else
#define FLASH
#define ONE_COPY
#define IN_PLACE inline
#define flash_copy(to, from, size) memcpy((to), (from), (size))
#define flash_u8(from) (*(const uint8_t *)(from))
#define flash_u16(from) (*(const uint16_t *)(from))
#endif

#endif
