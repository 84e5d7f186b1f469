/* Telemetry taken straight from a twin, as a host would poll it through the in-process door. */
#ifndef PLYLANE_RECORD_H
#define PLYLANE_RECORD_H

#include "twin.h"

/* After first_ms, then every period_ms: hand the twin `frame`, a read of registers, and keep the register bytes
 * of the answer, one row of row_bytes after the other. Ends early after a row behind which events wait, and
 * before one whose answer is none of that length (an exception, no power). Returns the rows kept. */
struct twin_recording {
    const uint8_t *frame;
    uint16_t frame_bytes;
    uint16_t row_bytes;
    uint32_t first_ms;
    uint32_t period_ms;
};

uint32_t twin_record(struct twin *twin, const struct twin_recording *how, uint8_t *rows, uint32_t count);

#endif
