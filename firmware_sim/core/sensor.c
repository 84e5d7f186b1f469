/* From converter reading to temperature. Plain float operations in a fixed order, so that every
 * target gives the same bits (build with -ffp-contract=off where the machine has a fused multiply). */
#include "sensor.h"

#include <math.h>
#include <stdbool.h>
#include <stddef.h>
#include <string.h>

#define FULL_SCALE 65536.0f
#define KELVIN_AT_0_DEGC 273.15f
#define WIRE_DEGC 0.01f
#define NTC_COEFFICIENTS 4u
#define WIRE_PER_K 1.0e11f /* the NTC coefficients travel in units of 1e-11 1/K */

/* A single reading close to either rail (zone_settings.rail_codes, preset half a percent) is a broken or a
 * pinched cable, whatever the sensor: the usual 10 k NTC at the preset divider reads 98.6 % at -40 degC and
 * 1.2 % at 220 degC, a Pt1000 between 14 and 31 %. */
/* What lies between is judged as a temperature: no block of this head is ever colder or hotter than this.
 * For a Pt1000 these are 763.3 and 2120.5 ohm (IEC 60751). A PV with its offset then always fits the wire,
 * which ends at 327.67 degC. */
#define LOWEST_DEGC (-60.0f)
#define HIGHEST_DEGC 300.0f

/* IEC 60751 (Callendar-Van Dusen): R/R0 = 1 + A t + B t^2, and below 0 degC + C (t - 100) t^3. */
#define CVD_A 3.9083e-3f
#define CVD_B (-5.775e-7f)
#define CVD_C (-4.183e-12f)
#define RISE_MAX 1.5f /* 414 degC: far beyond what a block can be, and the search below still ends there */
#define ROUNDS 5u

float sensor_ohm(uint16_t converter, float divider_ohm)
{
    float share = (float)converter;
    return divider_ohm * share / (FULL_SCALE - share);
}

/* t = (R/R0 - 1 - C (t - 100) t^3) / (A + B t), found by putting t in again: each round leaves at most a twentieth of the
 * error (B t / A at 300 degC), so from 0 degC five leave less than what float rounds away. */
float sensor_pt1000_degC(float ohm)
{
    float rise = (ohm - 1000.0f) * 0.001f;
    float degC = 0.0f;
    if (rise > RISE_MAX) {
        rise = RISE_MAX;
    }
    for (uint8_t i = 0; i < ROUNDS; ++i) {
        float quartic = degC < 0.0f ? CVD_C * (degC - 100.0f) * degC * degC * degC : 0.0f;
        degC = (rise - quartic) / (CVD_A + CVD_B * degC);
    }
    return degC;
}

/* x = m 2^e with m within sqrt(1/2)..sqrt(2); ln m = 2 artanh s, s = (m - 1)/(m + 1), |s| < 0.172: the
 * first term left out is below 1e-9. ln 2 comes in two parts, the first short enough that its product
 * with e is exact. x must be a positive normal number. */
float sensor_ln(float x)
{
    uint32_t bits;
    memcpy(&bits, &x, sizeof bits);
    int16_t exponent = (int16_t)((int16_t)(bits >> 23) - 127);
    bits = (bits & 0x7FFFFFUL) | 0x3F800000UL;
    float m;
    memcpy(&m, &bits, sizeof m);
    if (m > 1.41421356f) {
        m *= 0.5f;
        ++exponent;
    }
    float s = (m - 1.0f) / (m + 1.0f);
    float s2 = s * s;
    float tail = s2 * (0.333333333f + s2 * (0.2f + s2 * (0.142857143f + s2 * 0.111111111f)));
    float twice = s + s;
    float e = (float)exponent;
    return e * 0.693359375f + (twice + (twice * tail - e * 2.12194440e-4f));
}

float sensor_ntc_degC(float ohm, const struct zone_settings_regs *set)
{
    const uint8_t *from = (const uint8_t *)set + offsetof(struct zone_settings_regs, ntc_d_per_K);
    float x = sensor_ln(ohm / (float)set->ntc_r25_ohm);
    float inverse = 0.0f;
    for (uint8_t i = 0; i < NTC_COEFFICIENTS; ++i) { /* a + x (b + x (c + x d)), from within */
        int32_t coefficient;
        memcpy(&coefficient, from, sizeof coefficient);
        inverse = (float)coefficient + x * inverse;
        from -= sizeof coefficient;
    }
    return WIRE_PER_K / inverse - KELVIN_AT_0_DEGC;
}

uint8_t sensor_rail(uint16_t converter, const struct zone_settings_regs *set)
{
    uint16_t near = set->rail_codes;
    if ((uint32_t)converter + near > UINT16_MAX) {
        return SENSOR_OPEN;
    }
    return converter < near ? SENSOR_SHORTED : SENSOR_GOOD;
}

/* Resistance falls with temperature in an NTC and rises in platinum. */
static uint8_t beyond(float degC, bool platinum)
{
    bool cold = degC < LOWEST_DEGC;
    if (!cold && degC <= HIGHEST_DEGC) {
        return SENSOR_GOOD;
    }
    return cold == platinum ? SENSOR_SHORTED : SENSOR_OPEN;
}

float sensor_degC(uint16_t converter, const struct zone_settings_regs *set, uint8_t *fault)
{
    bool platinum = set->sensor == SENSOR_KIND_PT1000;
    *fault = sensor_rail(converter, set);
    if (*fault != SENSOR_GOOD) {
        return NAN;
    }
    float ohm = sensor_ohm(converter, (float)set->divider_ohm);
    float degC = platinum ? sensor_pt1000_degC(ohm) : sensor_ntc_degC(ohm, set);
    *fault = beyond(degC, platinum);
    return *fault == SENSOR_GOOD ? degC + WIRE_DEGC * (float)set->sensor_offset_degC : NAN;
}
