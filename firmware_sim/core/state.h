/* The machine states of ISA-TR88.00.02. The transition table is in state.c. */
#ifndef PLYLANE_STATE_H
#define PLYLANE_STATE_H

#include <stdbool.h>
#include <stdint.h>

struct machine {
    uint8_t state;      /* enum state */
    uint32_t entered_ms;
};

struct head;
void state_init(struct head *head);
void state_tick(struct head *head); /* 1 kHz: acting states move on when their work is done */
/* Would that command be taken now? REFUSAL_NONE, or why not. */
uint8_t state_allows(const struct head *head, uint8_t command);
void state_command(struct head *head, uint8_t command);
/* A guard wants the machine to hold, stop or abort (enum reaction). */
void state_react(struct head *head, uint8_t reaction);
bool state_still(const struct head *head);   /* Stopped, Idle, Held, Complete, Aborted */
uint16_t settle_ms(const struct head *head); /* how long zones stay in their band before feeding */
bool state_feeding(const struct head *head); /* Execute */

#endif
