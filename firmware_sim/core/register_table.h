/* The shape of the generated register table. */
#ifndef PLYLANE_REGISTER_TABLE_H
#define PLYLANE_REGISTER_TABLE_H

#include <stdint.h>

#include "flash.h"
#include "registers.h"

#define TYPE_SIGNED 1u
#define TYPE_WIDE 2u /* 32 bits */
enum reg_type { TYPE_U16, TYPE_I16 = TYPE_SIGNED, TYPE_U32 = TYPE_WIDE, TYPE_I32 = TYPE_WIDE | TYPE_SIGNED };
enum reg_write { WRITE_NEVER, WRITE_STILL, WRITE_ANY };
enum reg_space { SPACE_INPUT, SPACE_HOLDING };
enum reg_home { HOME_INPUT, HOME_LIVE, HOME_SETTINGS };

/* There are more than a hundred of these in flash, hence the shared byte and the limits on the side. */
#define REG_KIND(type, write) ((type) | (write) << 4)
#define KIND_WRITE(kind) ((uint8_t)((kind) >> 4)) /* enum reg_write; the type is tested by its bits */

/* Least, most and preset value of a register. */
enum reg_limit { LIMIT_MIN, LIMIT_MAX, LIMIT_PRESET, LIMITS };

struct reg_block {
    uint16_t address;
    uint16_t offset;   /* of the first instance in its home struct; the others follow without a gap */
    uint8_t words;     /* registers an instance */
    uint8_t instances;
    uint8_t home;      /* enum reg_home: which struct holds it */
    uint8_t first;     /* number of its first register */
};

/* A transition: two states below 32 and a command below 32. */
#define TRANSITION(from, command, to) ((from) << 10 | (command) << 5 | (to))
#define TRANSITION_DONE 31u /* in place of a command: an acting state has finished */

extern const uint16_t transitions[TRANSITION_COUNT];
extern const uint32_t alarms_latched;      /* a bit an alarm */
extern const uint8_t reg_kinds[];          /* REG_KIND of each register; block follows block */
extern const uint8_t reg_limits_at[];      /* row in reg_limits, of each register from ENTRY_FIRST_HOLDING */
extern const uint8_t reg_limits[][LIMITS]; /* in reg_values; of a 32-bit register the low words, next the high ones */
extern const uint16_t reg_values[];        /* two's complement */
extern const struct reg_block reg_blocks[BLOCK_COUNT];
extern const uint8_t alarm_reactions[ALARM_COUNT];

#endif
