/* Constants that live in flash: the AVR reads them with its own instruction, others as any memory. */
#ifndef PLYLANE_FLASH_H
#define PLYLANE_FLASH_H

#include <stdint.h>
#include <string.h>

#ifdef __AVR__
#include <avr/pgmspace.h>
#define FLASH PROGMEM
#define flash_copy(to, from, size) memcpy_P((to), (from), (size))
#else
#define FLASH
#define flash_copy(to, from, size) memcpy((to), (from), (size))
#endif

#endif
