/* What is wired to which pin of the ATmega328P; docs/wiring.md draws it. Board pin in brackets.
 *
 *   PD0 (D0)  serial in                     PB0 (D8)   direction of press and outfeed
 *   PD1 (D1)  serial out                    PB1 (D9)   driver enable, low = enabled
 *   PD2 (D2)  output wheel, track A         PB2 (D10)  shift register: load, low = load
 *   PD3 (D3)  output wheel, track B         PB3 (D11)  shear
 *   PD4 (D4)  step, infeed                  PB4 (D12)  shift register: data
 *   PD5 (D5)  step, press                   PB5 (D13)  shift register: clock
 *   PD6 (D6)  step, outfeed                 PC0..2 (A0..A2)  sensors of zones 1 to 3
 *   PD7 (D7)  direction, infeed             PC3..5 (A3..A5)  heaters of zones 1 to 3, high = on
 *
 * A set direction pin is backwards. Press and outfeed share one: they always turn the same way, and
 * where a motor turns wrong one pair of its windings is swapped.
 *
 * Who may write a port: PORTB and PORTC by the main loop; PORTD by the pulse interrupt, and by the main
 * loop in single instructions that no interrupt can split (sbi, cbi). */
#ifndef PLYLANE_PINS_H
#define PLYLANE_PINS_H

#define WHEEL_SHIFT 2u          /* PD2 is A and INT0, PD3 is B and INT1 */
#define STEP_SHIFT 4u           /* PD4..PD6, a bit a drive */
#define STEP_PINS 0x70u         /* port D */
#define DIRECTION_INFEED_PIN 7u /* port D */

#define DIRECTION_PRESS_PIN 0u /* port B, all of these */
#define ENABLE_PIN 1u
#define LOAD_PIN 2u
#define SHEAR_PIN 3u
#define DATA_PIN 4u
#define CLOCK_PIN 5u

#define SENSOR_CHANNEL_FIRST 0u /* converter channels 0..2 */
#define SENSOR_PINS 0x07u       /* port C */
#define HEATER_SHIFT 3u         /* PC3..PC5, a bit a zone */
#define HEATER_PINS 0x38u       /* port C */

/* The shift registers, in the order the bits come out: lane wheels 1 to 8, stop contact, permit, spares.
 * Contacts close to the supply and read high. */
#define CHAIN_BITS 16u
#define CHAIN_LANES 0x00FFu
#define CHAIN_STOP_CLOSED 0x0100u
#define CHAIN_PERMIT 0x0200u
#define CHAIN_SPARE 0xFC00u /* tied to ground */

#endif
