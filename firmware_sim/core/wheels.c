#include "head.h"
void wheels_init(struct head *head) { (void)head; }
void wheels_zero(struct head *head) { (void)head; }
void wheels_edge(struct wheels *wheels, uint8_t pins) { (void)wheels; (void)pins; }
void wheels_tick(struct head *head) { (void)head; }
int32_t wheels_lane_um(const struct head *head, uint8_t lane) { (void)head; (void)lane; return 0; }
