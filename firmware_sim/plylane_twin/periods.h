/* The sixteen pulse periods of a millisecond in which nothing happens on the line, taken at once. */
#ifndef PLYLANE_PERIODS_H
#define PLYLANE_PERIODS_H

#include <stdint.h>

#include "head.h"

/* What `periods` calls (one or more) of head_pulse in a row do, and the pulses they give: added to pulses[drive].
 * A fifth of a feeding twin's time went there. A test holds it to head_pulse. */
void quiet_periods(struct head *head, uint8_t periods, uint8_t *pulses);

#endif
