/* Locking torque of a plate-type limited-slip differential, as a table.
 *
 * @ABOUT@
 *
 * C99 (ISO/IEC 9899:1999), no dependency but <stdint.h>, no allocation, no recursion, no global state;
 * written with MISRA C:2012 in mind. Every function may be called from several threads at once, each with
 * an object of its own. Compile without -ffast-math: what is no number must stay none.
 *
 * Units: N.m, rad/s, degC; numbers are @PRECISION@; tables take @BYTES@ bytes. Signs: torque is positive in drive, speed positive forward.
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
#define @GUARD@_BELOW_ABSOLUTE_ZERO ((int32_t)3)

/* The map at one place. */
typedef struct
{
    @REAL@ locking_torque; /* N.m, the whole left-right difference, never negative */
    @REAL@ low;            /* N.m, @CONFIDENCE@ limits */
    @REAL@ high;           /* N.m */
    int32_t tested;        /* 1: all nodes around were inside what the bench tested */
    int32_t beyond;        /* 1: outside the axes, see below */
} @PREFIX@_reading;

/* The map at a place: linear between its nodes along each axis, exact at them. The magnitude of the speed
 * difference counts. @BEYOND@
 * Returns DONE; NOT_A_NUMBER, with numbers that are none, where the place holds one that is none or infinite;
 * OUT_OF_RANGE, likewise, for another branch; BELOW_ABSOLUTE_ZERO, likewise, for such a temperature: give degrees
 * Celsius, check the unit and the sign. */
int32_t @PREFIX@_read(int32_t branch, @REAL@ input_torque, @REAL@ speed_difference, @REAL@ temperature,
                      @PREFIX@_reading *reading);

/* The locking torque alone; no number where read would not return DONE. */
@REAL@ @PREFIX@_locking_torque(int32_t branch, @REAL@ input_torque, @REAL@ speed_difference,
                               @REAL@ temperature);

#ifdef __cplusplus
}
#endif

#endif /* @GUARD@_H */
