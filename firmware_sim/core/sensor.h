/* From converter reading to temperature. */
#ifndef PLYLANE_SENSOR_H
#define PLYLANE_SENSOR_H

#include <stdint.h>

#include "registers.h"

enum sensor_fault { SENSOR_GOOD, SENSOR_OPEN, SENSOR_SHORTED };

/* Ohms from a divider reading (0..65535 of full scale, sensor between the channel and ground). */
float sensor_ohm(uint16_t converter, float divider_ohm);
/* IEC 60751, Callendar-Van Dusen, -50..250 degC. */
float sensor_pt1000_degC(float ohm);
/* 1/T = a + b ln r + c (ln r)^2 + d (ln r)^3 with r = R/R25. */
float sensor_ntc_degC(float ohm, const struct zone_settings_regs *set);
/* Natural logarithm from integer steps and a short series, the same to the bit on every target. */
float sensor_ln(float x);
/* Cheap look at a single reading: at one of the rails? enum sensor_fault. */
uint8_t sensor_rail(uint16_t converter, const struct zone_settings_regs *set);
/* Reading to degC including the offset; sets *fault and returns NAN where the sensor cannot be read. */
float sensor_degC(uint16_t converter, const struct zone_settings_regs *set, uint8_t *fault);

#endif
