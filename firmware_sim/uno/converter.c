/* The converter: ten bits against AVcc, oversampled. Every BATCH_MS a batch of sixteen samples is taken of
 * each channel in turn, 48 conversions of 104 us; a reading is the sum of the last four batches, 64 samples,
 * so that 65536 would be the whole reference. The data sheet's ideal converter steps from code n to n + 1 at
 * n + 1/2, so a sum of codes needs no half step added to be the share of the reference.
 *
 * With 15 ADC clocks of slack a channel settles long before it is sampled: the divider is at most a few
 * kiloohm (docs/wiring.md). */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "board.h"
#include "pins.h"

#define BATCHES 4u
#define BATCH_SAMPLES 16u
#define REFERENCE_AVCC (1u << REFS0)
#define CLOCK_BY_128 (1u << ADPS2 | 1u << ADPS1 | 1u << ADPS0) /* 125 kHz */

static uint16_t batch[ZONES][BATCHES]; /* irq; main loop under lock */
static uint8_t at;                     /* irq: the batch that is being taken */
static uint8_t channel;                /* irq */
static uint8_t samples;                /* irq: of each channel, taken in this batch */
static uint16_t sum[ZONES];            /* irq */

static void start_conversion(void)
{
    ADMUX = (uint8_t)(REFERENCE_AVCC | (SENSOR_CHANNEL_FIRST + channel));
    ADCSRA = 1u << ADEN | 1u << ADSC | 1u << ADIE | CLOCK_BY_128;
}

static void end_batch(void)
{
    for (uint8_t i = 0; i < ZONES; i++) {
        batch[i][at] = sum[i];
        sum[i] = 0;
    }
    at = (uint8_t)((at + 1u) % BATCHES);
    samples = 0;
    ALIVE |= 1u << ALIVE_CONVERTER;
}

ISR(ADC_vect)
{
    sum[channel] = (uint16_t)(sum[channel] + ADC);
    if (++channel == ZONES) {
        channel = 0;
        if (++samples == BATCH_SAMPLES) {
            end_batch();
            return;
        }
    }
    start_conversion();
}

/* While a conversion runs the last batch is not done: then leave it alone. */
void converter_batch(void)
{
    if ((ADCSRA & (1u << ADSC)) == 0)
        start_conversion();
}

uint16_t converter_read(uint8_t zone)
{
    uint16_t reading = 0;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        for (uint8_t i = 0; i < BATCHES; i++)
            reading = (uint16_t)(reading + batch[zone][i]);
    }
    return reading;
}

/* With interrupts still off: a first sample stands in for all batches, so that no reading is half empty. */
void converter_start(void)
{
    DIDR0 = SENSOR_PINS; /* no digital input on these */
    for (channel = 0; channel < ZONES; channel++) {
        start_conversion();
        loop_until_bit_is_clear(ADCSRA, ADSC);
        for (uint8_t i = 0; i < BATCHES; i++)
            batch[channel][i] = (uint16_t)(ADC * BATCH_SAMPLES);
    }
    channel = 0;
    ADCSRA |= 1u << ADIF; /* taken already */
}
