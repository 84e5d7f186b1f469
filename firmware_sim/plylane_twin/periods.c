#include "periods.h"

#include <stdint.h>

/* link_period, so many times. */
static void pass_silence(struct link *link, uint8_t periods)
{
    uint8_t room = (uint8_t)(UINT8_MAX - link->silence); /* it saturates */
    link->silence = (uint8_t)(link->silence + (periods < room ? periods : room));
    if (link->state == LINK_SKIPPING && link->silence >= SILENCE_PERIODS) {
        link->state = LINK_RECEIVING;
    }
}

/* A step is at most a pulse, so each period passes at most one: the pulses are whole ones in the sum. */
static uint8_t turn(struct drive *drive, int32_t periods)
{
    int64_t phase = drive->phase + (int64_t)drive->step * periods;
    int64_t whole = phase / PHASE_PER_PULSE;
    whole -= phase < whole * PHASE_PER_PULSE; /* rounded down */
    drive->phase = (int32_t)(phase - whole * PHASE_PER_PULSE);
    drive->fresh = (int8_t)(drive->fresh + whole);
    return (uint8_t)(whole < 0 ? -whole : whole);
}

void quiet_periods(struct head *head, uint8_t periods, uint8_t *pulses)
{
    struct feed *feed = &head->feed;
    int32_t left = feed->left + LATE_PERIODS; /* then the drives stand */
    int32_t turning = left < 0 ? 0 : left < periods ? left : periods;
    pass_silence(&head->link, periods);
    feed->left = (int8_t)(feed->left - turning);
    for (uint8_t i = 0; i < DRIVES; i++) {
        if (feed->drive[i].step != 0) {
            pulses[i] = (uint8_t)(pulses[i] + turn(&feed->drive[i], turning));
        }
    }
}
