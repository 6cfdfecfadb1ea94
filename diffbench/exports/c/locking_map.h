/* Locking torque of a plate-type limited-slip differential, and the differential between its outputs.
 *
 * @ABOUT@
 *
 * C99 (ISO/IEC 9899:1999), no dependency but <stdint.h>, no allocation, no recursion, no global state;
 * written with MISRA C:2012 in mind. Every function may be called from several threads at once, each with
 * an object of its own. Compile without -ffast-math: what is no number must stay none.
 *
 * Units: N.m, rad/s, degC, s, kg.m^2. Signs: torque is positive in drive, speed positive forward.
 */
#ifndef @GUARD@_H
#define @GUARD@_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* Branches of the ramps: between both real ones; while the input torque rises; after it came down from a much
 * higher one; and either, where it is not known which: the value between, limits around both. */
#define @GUARD@_MEAN ((int32_t)0)
#define @GUARD@_LOADING ((int32_t)1)
#define @GUARD@_UNLOADING ((int32_t)2)
#define @GUARD@_EITHER ((int32_t)3)

/* What functions return. */
#define @GUARD@_DONE ((int32_t)0)
#define @GUARD@_NOT_A_NUMBER ((int32_t)1)
#define @GUARD@_OUT_OF_RANGE ((int32_t)2)

/* The map at one place. */
typedef struct
{
    double locking_torque; /* N.m, the whole left-right difference, never negative */
    double low;            /* N.m, @CONFIDENCE@ limits */
    double high;           /* N.m */
    int32_t tested;        /* 1: all nodes around were inside what the bench tested */
    int32_t beyond;        /* 1: outside the axes, see below */
} @PREFIX@_reading;

/* The map at a place: linear between its nodes along each axis, exact at them. The magnitude of the speed
 * difference counts. @BEYOND@
 * Returns DONE; NOT_A_NUMBER, with numbers that are none, where the place holds one that is none or infinite;
 * OUT_OF_RANGE, likewise, for another branch. */
int32_t @PREFIX@_read(int32_t branch, double input_torque, double speed_difference, double temperature,
                      @PREFIX@_reading *reading);

/* The locking torque alone; no number where read would not return DONE. */
double @PREFIX@_locking_torque(int32_t branch, double input_torque, double speed_difference,
                               double temperature);

/* The differential between two outputs whose speeds a simulation knows. */
typedef struct
{
    int32_t branch;          /* MEAN, LOADING, UNLOADING or EITHER */
    double output_inertia;   /* kg.m^2 that turns with one output; see step */
    double friction_torque;  /* N.m, from the faster to the slower output: right less left torque */
    double speed_difference; /* rad/s, of the last step */
} @PREFIX@_differential;

/* What it gives to its outputs. */
typedef struct
{
    double left_torque;    /* N.m, left and right add up to the input torque */
    double right_torque;   /* N.m */
    int32_t locked;        /* 1: holds the outputs together, with less than the locking torque */
    @PREFIX@_reading reading;
} @PREFIX@_outputs;

/* Before the first step, and to begin anew. Returns OUT_OF_RANGE where branch or inertia cannot be. */
int32_t @PREFIX@_start(@PREFIX@_differential *differential, int32_t branch, double output_inertia,
                       double speed_difference, double input_torque, double oil_temperature);

/* The torques to apply over the next step of that many seconds, from speeds as they are at its beginning.
 *
 * Stick and slip in one form: the outputs are joined by a spring and a damper in parallel that give way at
 * the locking torque T, F(n) = min(max(F(n-1) + d (w(n) - w(n-1)) + k h w(n), -T), T), w the left less the
 * right speed, h the step, J the output_inertia, d = 0.3 J/h, k h = 0.15 d. While slipping F is T against
 * the slip; as the slip ends F falls ahead of it, and zero is passed by no more than 1.1 times what one step
 * at the locking torque changes; held together, F is what the rest of the driveline asks. Spring and damper
 * give back no more than they took, at most T^2 h^2/(0.18 J): energy is never created. They follow from step
 * and inertia, so that a host in which F acts one step late is stable as well, up to an output_inertia of
 * twice the true one; if left and right differ, take 2/(1/J_left + 1/J_right).
 *
 * Returns DONE; NOT_A_NUMBER or OUT_OF_RANGE (a step that is not positive) and then changes nothing. */
int32_t @PREFIX@_step(@PREFIX@_differential *differential, double step, double input_torque, double left_speed,
                      double right_speed, double oil_temperature, @PREFIX@_outputs *outputs);

/* What it gives now, without a step. */
int32_t @PREFIX@_give(const @PREFIX@_differential *differential, double input_torque, double oil_temperature,
                      @PREFIX@_outputs *outputs);

#ifdef __cplusplus
}
#endif

#endif /* @GUARD@_H */
