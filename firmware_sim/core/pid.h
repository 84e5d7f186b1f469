/* PID with derivative on measurement, clamped integral, limits, bumpless transfer. */
#ifndef PLYLANE_PID_H
#define PLYLANE_PID_H

struct pid_gains {
    float kp;        /* %/degC */
    float ki;        /* %/(degC s) */
    float kd;        /* % s/degC */
    float filter_s;  /* first-order filter on the derivative, 0 none */
    float op_min;    /* % */
    float op_max;    /* % */
};

struct pid {
    float integral; /* % */
    float slope;    /* filtered d(PV)/dt, degC/s */
    float last_pv;  /* NAN before the first step */
};

void pid_reset(struct pid *pid);
/* Make the output of the next step of dt_s equal `op` (limited): call when a loop goes from manual to
 * automatic. Holds unless PV is so far above the setpoint that the integral would pass its upper limit. */
void pid_take_over(struct pid *pid, const struct pid_gains *gains, float sp, float pv, float forward, float dt_s,
                   float op);
/* One step of dt_s; `forward` is added to the output before its limits. */
float pid_step(struct pid *pid, const struct pid_gains *gains, float sp, float pv, float forward, float dt_s);

#endif
