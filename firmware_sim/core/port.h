/* The only way from the core to hardware. A port fills one of these and keeps it for the head's life. */
#ifndef PLYLANE_PORT_H
#define PLYLANE_PORT_H

#include <stdint.h>

/* bits of port.inputs */
#define INPUT_LANE(k) ((uint16_t)(1u << (k))) /* lane wheel, 0..7 */
#define INPUT_STOP 0x0100u                    /* hard-wired stop is tripped */
#define INPUT_PERMIT 0x0200u                  /* motion system permits feed */

struct port {
    void *context; /* handed back in every call */
    /* Latest reading of a zone's converter channel as a share of the reference: 0..65535 of full scale. */
    uint16_t (*converter)(void *context, uint8_t zone);
    /* Heater switches; a set bit is on. */
    void (*heaters)(void *context, uint8_t mask);
    /* Lane wheels and switch inputs, INPUT_ bits. */
    uint16_t (*inputs)(void *context);
    /* Motor drivers: a bit a drive; direction bit set is backwards (after drive_settings.reversed). */
    void (*drives)(void *context, uint8_t enabled, uint8_t backwards);
    void (*shear)(void *context, uint8_t on);
    /* Settings memory, 1024 bytes. A write is taken (1) or, while the last one is still under way,
     * refused (0) and tried again by the core at its next tick. */
    uint8_t (*store_read)(void *context, uint16_t at);
    uint8_t (*store_write)(void *context, uint16_t at, uint8_t value);
    /* Start sending; the bytes stay put until the port calls head_sent(). */
    void (*transmit)(void *context, const uint8_t *bytes, uint16_t count);
    /* Keep interrupts out for a few instructions. */
    uint8_t (*lock)(void *context);
    void (*unlock)(void *context, uint8_t before);
    uint8_t board; /* enum board */
};

#endif
