#include "head.h"
void feed_init(struct head *head) { (void)head; }
void feed_apply(struct head *head) { (void)head; }
void feed_zero(struct head *head) { (void)head; }
void feed_run(struct head *head) { (void)head; }
void feed_rest(struct head *head) { (void)head; }
void feed_halt(struct head *head) { (void)head; }
void feed_enable(struct head *head, bool enabled) { (void)head; (void)enabled; }
void feed_jog(struct head *head) { (void)head; }
bool feed_at_rest(const struct head *head) { (void)head; return true; }
void feed_tick(struct head *head) { (void)head; }
uint8_t feed_pulse(struct feed *feed) { (void)feed; return 0; }
void feed_path_written(struct head *head) { (void)head; }
void feed_shear_written(struct head *head) { (void)head; }
