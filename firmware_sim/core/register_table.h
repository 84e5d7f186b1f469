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

/* There are a hundred of these in flash, hence the shared byte and the limits on the side. */
#define REG_KIND(type, write) ((type) | (write) << 4)
#define KIND_WRITE(kind) ((uint8_t)((kind) >> 4)) /* enum reg_write; the type is tested by its bits */

struct reg_entry {
    uint8_t word;   /* offset in the block, in registers */
    uint8_t kind;   /* REG_KIND */
    uint8_t offset; /* offset in the block's struct, in bytes */
    uint8_t limits; /* row in reg_limits; of holding registers only */
};

/* Least, most and preset value of a register, in two's complement; of a 32-bit register the low words, and
 * in the next row the high words. */
enum reg_limit { LIMIT_MIN, LIMIT_MAX, LIMIT_PRESET, LIMITS };

struct reg_block {
    uint16_t address;
    uint8_t words; /* registers an instance */
    uint8_t instances;
    uint8_t space;    /* enum reg_space */
    uint8_t home;     /* enum reg_home: which struct holds it */
    uint8_t first;    /* index of its first entry */
    uint8_t entries;  /* entries an instance */
    uint16_t offset;  /* of the first instance in its home struct */
    uint16_t size;    /* bytes an instance */
};

#define TRANSITION_DONE 255u /* in place of a command: an acting state has finished */

struct transition {
    uint8_t from;    /* enum state */
    uint8_t command; /* enum command or TRANSITION_DONE */
    uint8_t to;      /* enum state */
};

extern const struct transition transitions[TRANSITION_COUNT];
extern const uint32_t alarms_latched; /* a bit an alarm */
extern const struct reg_entry reg_entries[];
extern const uint16_t reg_limits[][LIMITS];
extern const struct reg_block reg_blocks[BLOCK_COUNT];
extern const uint8_t alarm_reactions[ALARM_COUNT];

#endif
