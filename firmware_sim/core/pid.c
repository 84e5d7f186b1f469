/* PID in parallel form: proportional on the error, derivative on the measurement, integral in percent.
 *
 * Limits. What changes slowly, the integral plus the feed-forward, is kept within the output limits, so
 * the integral lives in op_min - forward .. op_max - forward: a feed-forward that is too strong can be
 * taken back, and none lets the loop wind up. Two exceptions to a plain clamp at the lower end: a loop
 * that takes over from manual far below its setpoint starts with an integral below the range (the
 * proportional part alone may exceed it), and a feed-forward that falls away leaves one there. It then
 * may only rise; pulling it up at once would be the bump. At the upper end the clamp is always hard: a
 * block above its setpoint must not go on heating for the sake of a smooth change of mode. */
#include "pid.h"

#include <math.h>

#include "flash.h"

ONE_COPY void pid_reset(struct pid *pid)
{
    pid->integral = 0.0f;
    pid->slope = 0.0f;
    pid->last_pv = NAN;
}

/* The upper limit wins where the limits are crossed. */
static ONE_COPY float within(float value, float low, float high)
{
    if (value < low) {
        value = low;
    }
    return value > high ? high : value;
}

static float lower_of(float a, float b)
{
    return a < b ? a : b;
}

void pid_take_over(struct pid *pid, const struct pid_gains *gains, float sp, float pv, float forward, float dt_s,
                   float op)
{
    float error = sp - pv;
    float wanted = within(op, gains->op_min, gains->op_max) - forward - gains->kp * error;
    pid->integral = wanted - gains->ki * error * dt_s; /* the next step adds that again */
    pid->slope = 0.0f;
    pid->last_pv = pv;
}

static void filter_slope(struct pid *pid, const struct pid_gains *gains, float pv, float dt_s)
{
    float raw = (pv - pid->last_pv) / dt_s;
    if (gains->filter_s > 0.0f) {
        pid->slope += (raw - pid->slope) * dt_s / (gains->filter_s + dt_s);
    } else {
        pid->slope = raw;
    }
    pid->last_pv = pv;
}

float pid_step(struct pid *pid, const struct pid_gains *gains, float sp, float pv, float forward, float dt_s)
{
    float error = sp - pv;
    float low = gains->op_min - forward;
    float high = gains->op_max - forward;
    if (isnan(pid->last_pv)) {
        pid->last_pv = pv;
        pid->integral = within(pid->integral, low, high);
    }
    filter_slope(pid, gains, pv, dt_s);
    float floor = lower_of(low, pid->integral);
    pid->integral = within(pid->integral + gains->ki * error * dt_s, floor, high);
    float output = gains->kp * error + pid->integral - gains->kd * pid->slope + forward;
    return within(output, gains->op_min, gains->op_max);
}
