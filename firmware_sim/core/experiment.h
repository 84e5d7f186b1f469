/* Experiments: a zone's output is moved on purpose, so that its answer shows what the zone is like.
 * Each has a ceiling and a time limit, and gives the zone back to its mode when it ends. */
#ifndef PLYLANE_EXPERIMENT_H
#define PLYLANE_EXPERIMENT_H

#include <stdbool.h>
#include <stdint.h>

struct experiment {
    uint8_t end;          /* enum experiment_end */
    uint8_t zone;
    bool high;            /* relay: which level is on */
    uint32_t began_ms;    /* head->ms at its start */
    uint16_t elapsed_s;
    uint16_t switches;
    uint16_t op;          /* output it asks for now, hundredths of a percent */
};

struct head;
/* May one start now? REFUSAL_NONE or why not. */
uint8_t experiment_allowed(const struct head *head);
void experiment_written(struct head *head); /* run was written */
void experiment_tick(struct head *head);    /* 1 kHz: ends it when it must end */
bool experiment_runs(const struct head *head, uint8_t zone);
/* Output for this loop of the zone under experiment, hundredths of a percent. */
uint16_t experiment_output(struct head *head, float pv_degC);

#endif
