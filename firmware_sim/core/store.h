/* Settings in two copies. A save overwrites the older copy byte by byte, its check last; whatever byte
 * the power fails at, the other copy is whole. */
#ifndef PLYLANE_STORE_H
#define PLYLANE_STORE_H

#include <stdbool.h>
#include <stdint.h>

#define STORE_BYTES 1024u
#define STORE_COPY_BYTES 512u

struct store {
    uint16_t sequence;  /* of the copy in force, 0 none */
    uint8_t slot;       /* copy in force: 0, 1; 255 none */
    bool saving;
    uint16_t at;        /* next byte to write */
    uint32_t check;     /* CRC-32 so far */
};

struct head;
void store_load(struct head *head); /* at reset; fills head->settings and head->settings_origin */
bool store_unusable(const struct head *head); /* defaults are in force though something was stored */
void store_reload(struct head *head);
void store_save(struct head *head);
void store_tick(struct head *head); /* 1 kHz: at most one byte a tick */
uint32_t store_crc(uint32_t check, uint8_t byte);

#endif
