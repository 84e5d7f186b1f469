/* What the AVR has its own way for, and what it is short of.
 *
 * FLASH: constants that live there; the AVR reads them with its own instruction, others as any memory.
 * IN_PLACE: small functions so often run that they must not cost a call.
 * ONE_COPY: functions that the AVR's compiler would write out at every call and that are smaller called; which
 * ones was found by trying each.
 * NEAR: keeps the compiler from seeing that a pointer is a known address; a field is then reached from the pointer, in
 * two bytes of program in place of four.
 * CRC_WHILE_SENDING: the AVR sends from the buffer by interrupt, a byte in 93 us, and needs 4 us a byte for the CRC: it is in
 * place long before its turn comes, and the answer begins sooner by that.
 * port_NAME: what struct port holds. The board has one port only, so the AVR calls its functions by name, which
 * spares the pointers; the locks are too short to be called at all. */
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
#define NEAR(pointer) __asm__("" : "+b"(pointer))
#define CRC_WHILE_SENDING 1
#define flash_copy(to, from, size) memcpy_P((to), (from), (size))
#define flash_u8(from) pgm_read_byte(from)
#define flash_u16(from) pgm_read_word(from)

/* firmware_sim/uno */
uint16_t converter_read(uint8_t zone);
void pins_heaters(uint8_t mask);
uint16_t pins_inputs(void);
void pins_drives(uint8_t enabled, uint8_t backwards);
void pins_shear(uint8_t on);
uint8_t memory_read(uint16_t at);
uint8_t memory_write(uint16_t at, uint8_t value);
void serial_transmit(const uint8_t *bytes, uint16_t count);
#define port_converter(port, zone) ((void)(port), converter_read(zone))
#define port_heaters(port, mask) ((void)(port), pins_heaters(mask))
#define port_inputs(port) ((void)(port), pins_inputs())
#define port_drives(port, enabled, backwards) ((void)(port), pins_drives((enabled), (uint8_t)(backwards)))
#define port_shear(port, on) ((void)(port), pins_shear(on))
#define port_store_read(port, at) ((void)(port), memory_read(at))
#define port_store_write(port, at, value) ((void)(port), memory_write((at), (value)))
#define port_transmit(port, bytes, count) ((void)(port), serial_transmit((bytes), (count)))
#define port_board(port) ((void)(port), (uint16_t)BOARD_ATMEGA328P)

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
#define NEAR(pointer) ((void)(pointer))
#define CRC_WHILE_SENDING 0
#define flash_copy(to, from, size) memcpy((to), (from), (size))
#define flash_u8(from) (*(const uint8_t *)(from))
#define flash_u16(from) (*(const uint16_t *)(from))
#define port_converter(port, zone) ((port)->converter((port)->context, (zone)))
#define port_heaters(port, mask) ((port)->heaters((port)->context, (mask)))
#define port_inputs(port) ((port)->inputs((port)->context))
#define port_drives(port, enabled, backwards) ((port)->drives((port)->context, (enabled), (backwards)))
#define port_shear(port, on) ((port)->shear((port)->context, (on)))
#define port_store_read(port, at) ((port)->store_read((port)->context, (at)))
#define port_store_write(port, at, value) ((port)->store_write((port)->context, (at), (value)))
#define port_transmit(port, bytes, count) ((port)->transmit((port)->context, (bytes), (count)))
#define port_board(port) ((port)->board)
#define port_lock(port) ((port)->lock((port)->context))
#define port_unlock(port, before) ((port)->unlock((port)->context, (before)))
#endif

#endif
