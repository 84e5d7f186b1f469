#include "record.h"

#include <string.h>

#define BEFORE_REGISTERS 3u /* address, function, byte count */
#define AROUND_REGISTERS 5u /* these and the CRC */

uint32_t twin_record(struct twin *twin, const struct twin_recording *how, uint8_t *rows, uint32_t count)
{
    const size_t bytes = how->row_bytes;
    for (uint32_t row = 0; row < count; row++) {
        twin_advance(twin, row == 0u ? how->first_ms : how->period_ms);
        if (twin_exchange(twin, how->frame, how->frame_bytes) != bytes + AROUND_REGISTERS) {
            return row;
        }
        memcpy(rows + row * bytes, twin->link.answer + BEFORE_REGISTERS, bytes);
        if (twin->head.events.count != 0u) {
            return row + 1u;
        }
    }
    return count;
}
