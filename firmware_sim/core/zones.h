/* Heater zones: sensor, loop, time-proportioned output. */
#ifndef PLYLANE_ZONES_H
#define PLYLANE_ZONES_H

#include <stdbool.h>
#include <stdint.h>

#include "pid.h"
#include "registers.h"
#include "sensor.h"

#define LOOP_MS 100u  /* period of every zone's loop */
#define SLOT_MS 5u    /* between two readings of a zone; a wanted mode or setpoint is in force within it */
#define DOUBT_FULL 16u /* doubt that makes a fault */

struct zone_state {
    float pv_degC;       /* NAN while the sensor cannot be read */
    float sp_degC;       /* in force */
    float op_percent;    /* in force */
    uint32_t sum;        /* of the good readings since the last loop */
    uint16_t converter;  /* mean reading of the last loop, or the faulty reading; share of full scale */
    int16_t sp_wire;     /* setpoint in force as on the wire */
    uint8_t mode;        /* in force, enum zone_mode */
    uint8_t fault;       /* enum sensor_fault */
    uint8_t readings;    /* in sum */
    uint8_t doubt;       /* up 2 with every reading at a rail, down 1 with every other */
    uint16_t rest;       /* of on_ms: ten-thousandths of a millisecond still owed */
    uint16_t window_ms;  /* time into the window of the time-proportioned output */
    uint16_t on_ms;      /* share of this window that the switch is on */
    uint16_t in_band_ms; /* how long PV has been within the band, 0 outside it, saturating */
    struct pid pid;
};

struct zones {
    struct zone_state zone[ZONES];
    bool enabled;    /* the machine state lets the heaters work */
    bool standby;    /* lower setpoints, manual off */
    uint8_t tick;    /* in the slot, 0..SLOT_MS-1 */
    uint8_t slot;    /* in the period, 0..LOOP_MS/SLOT_MS-1 */
    uint8_t switches; /* heater mask last given to the port */
};

#define NO_READING INT16_C(-30000) /* on the wire in place of a PV */
/* As on the wire: rounded hundredths of what fits it, as every PV and output does; NO_READING for NAN. */
int16_t in_hundredths(float value);

struct head;
void zones_init(struct head *head);
void zones_tick(struct head *head); /* 1 kHz */
void zones_enable(struct head *head, bool enabled);
/* Lower setpoints, and no output in manual: nobody watches, or strip stands in the guide. */
void zones_standby(struct head *head, bool standby);
/* Every wanted mode to off: heat is asked for anew after a stop. */
void zones_forget(struct head *head);
/* Some fitted zone is wanted in automatic. */
bool zones_wanted(const struct head *head);
/* That zone has been in its band for so long, or is not wanted in automatic. */
bool zone_settled(const struct head *head, uint8_t zone, uint16_t ms);
/* All of them have, and there is one. */
bool zones_settled(const struct head *head, uint16_t ms);

#endif
