/* A plate-type limited-slip differential by its fitted law: friction between both outputs, ramps with play,
 * plates that heat up.
 *
 * @ABOUT@
 *
 * C99 (ISO/IEC 9899:1999), no dependency but <stdint.h>, no allocation, no recursion, no global state; written
 * with MISRA C:2012 in mind. Functions may be called from several threads, each with objects of its own.
 * Compile without -ffast-math. IEEE 754 doubles give the same bits on every machine: exp is its own.
 *
 * Units: N.m, rad/s, rad, degC, s, J, W, kg.m^2. Torque is positive in drive, speed positive forward. The speed
 * difference is left less right; the friction torque F is what the right output gets more than the left, so
 * that the outputs get (T_in - F)/2 and (T_in + F)/2, and F times speed difference over two is the power lost.
 *
 *   T = m(v, plates) [P + K w] + gear |T_in| + c(oil) |w_L - w_R|     the locking torque (greater-of: as fitted)
 *   w: the ramps' play, between |T_in| and ratio |T_in|, moved by the limit that it meets
 *   F = max(-T, min(k z + d dz/dt, T)): a spring k and a damper d in series with the plates, z their twist
 *   C d(plates)/dt = power lost - h (plates - oil)
 */
#ifndef @GUARD@_LAW_H
#define @GUARD@_LAW_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* Where the ramps stand: between both branches, on one of them, either (as between), or as they were left. */
#define @GUARD@_BETWEEN ((int32_t)0)
#define @GUARD@_RISING ((int32_t)1)
#define @GUARD@_FALLING ((int32_t)2)
#define @GUARD@_ANY ((int32_t)3)
#define @GUARD@_FOLLOWED ((int32_t)4)

#define @GUARD@_ABSOLUTE_ZERO (-273.15) /* degC */
/* The stick over a half shaft, in stiffness, while time is continuous. */
#define @GUARD@_STIFF 20.0

/* What can be set; `@PREFIX@_as_fitted` fills it in. */
typedef struct
{
    double preload_torque;       /* N.m, @PRELOAD@ as fitted */
    double friction_scale;       /* of the plates, 1 as fitted */
    double drive_scale;          /* of the ramp bias in drive, 1 as fitted */
    double coast_scale;          /* in coast */
    double heat_capacity;        /* J/K; 0: plates as the oil */
    double heat_conductance;     /* W/K */
    double output_inertia;       /* kg.m^2 that turns with one output: for steps (see there) */
    double half_shaft_stiffness; /* N.m/rad of one: the stick is to be stiffer */
    double friction_delay;       /* steps until friction acts: 0 in a host that steps in turn, 1 side by side */
    double inner_inertia;        /* kg.m^2 between one half shaft and the plates; 0: no half shafts inside (see step) */
    double half_shaft_damping;   /* N.m.s/rad of one that is inside */
    int32_t branch;              /* of the ramps; FOLLOWED as fitted */
} @PREFIX@_setup;

/* What it remembers; all zero but the plates at the start (`@PREFIX@_begin`). */
typedef struct
{
    double twist;             /* rad, z */
    double plate_temperature; /* degC */
    double ramp_torque;       /* N.m, w with the sign of its flank */
    double energy_in;         /* J taken from both outputs by friction: never negative */
    double energy_dissipated; /* J, never falls; the rest is stored in the spring */
    double longest_step;      /* s, of the 64 to 128 steps before */
    double longest_now;       /* s, of those since then */
    double softened;          /* 1, halved whenever the stick chatters */
    double stiffness;         /* N.m/rad, k of the last step */
    double torque_early;      /* N.m, input torque some time ago, at least the longest step */
    double since_early;       /* s; 0: none yet */
    double torque_late;       /* N.m, one after that */
    double since_late;        /* s */
    double inner_speed;       /* rad/s at the plates, behind half shafts that are inside */
    int32_t counted;          /* steps since then */
    int32_t turned;           /* -1, 0, 1: the last way of the speed difference */
    int32_t steps;            /* since it turned round */
    int32_t turns;            /* in quick succession */
} @PREFIX@_state;

/* What drives it. */
typedef struct
{
    double input_torque;
    double speed_difference;
    double oil_temperature;
} @PREFIX@_drive;

/* The locking torque at a place, and its slopes. */
typedef struct
{
    double torque;     /* N.m, never negative */
    double per_torque; /* by input torque */
    double per_speed;  /* by the magnitude of the speed difference */
    double per_plate;  /* by plate temperature */
    double per_oil;    /* by oil temperature */
    double unloading;  /* 0 the ramps as while loading, 1 as while unloading */
} @PREFIX@_limit;

/* What it gives. */
typedef struct
{
    double friction_torque; /* N.m, F */
    double heat_flow;       /* W lost */
    double twist_rate;      /* rad/s, dz/dt */
    double plate_rate;      /* K/s */
    double margin[2];       /* N.m that slip forward, and backward, is away: events of a continuous host */
    int32_t locked;
    @PREFIX@_limit limit;
} @PREFIX@_given;

void @PREFIX@_as_fitted(@PREFIX@_setup *setup);
void @PREFIX@_begin(@PREFIX@_state *state, double plate_temperature);
/* 1 where all of it can be. */
int32_t @PREFIX@_is_possible(const @PREFIX@_setup *setup);
/* 1 where preload torque, scales and heat are as fitted. The bench tested no other unit: what a map says of tested
 * places counts only then, and only where plates and oil both are in one. */
int32_t @PREFIX@_is_as_fitted(const @PREFIX@_setup *setup);

/* Where the ramps stand, with the sign of the flank, after they stood at `carried` and the input torque went
 * one way to where it is. */
double @PREFIX@_ramps(const @PREFIX@_setup *setup, double carried, double input_torque);

/* Its torque is no number where oil or plates are below absolute zero. */
@PREFIX@_limit @PREFIX@_locking(const @PREFIX@_setup *setup, double carried, double plate_temperature,
                            const @PREFIX@_drive *drive);

/* One step of a host that holds its inputs over it, by backward Euler: the outputs act over that step.
 *
 * The stick has k = 0.18 J/h^2 and d = 0.5 J/h, J the output_inertia, h the longest of the last 64 to 128 steps. k
 * rises at the force that the spring has, and falls at its twist. The locking torque is that of the input torque in
 * the middle of the time in which friction acts (friction_delay), straight on from where it was the longest step ago or
 * a little more, and never past zero. By backward Euler, for any row of steps and inputs, energy taken in is what was
 * dissipated and what the spring holds, and neither is ever negative: it is passive. k and d are stable in a
 * host that steps its parts one after the other and in one that steps them side by side (roots of z^2 - 1.32 z +
 * 0.5 and z^3 - 2 z^2 + 1.68 z - 0.5); where the true inertia is smaller, what chatters (the speed difference turns round three
 * times, each within six steps) is softened by half. Returns 0 and changes nothing where an input is no number,
 * oil or plates are below absolute zero, or the step is not positive, else 1. */
int32_t @PREFIX@_step(const @PREFIX@_setup *setup, @PREFIX@_state *state, double step, const @PREFIX@_drive *drive,
                      @PREFIX@_given *given);

/* Half shafts inside: with an inner_inertia the speeds are the wheels', and the friction torque is what the wheels feel
 * of it through two equal half shafts. Only the difference of both sides is inside; their sum is the host's: its input
 * torque goes to both wheels alike, through a shaft of its own where it has one. k and d are then the half shafts', d
 * at least 0.5 k h, and 2.2 k h where friction acts a step late (with less, the host's step would feed the swing of a
 * wheel); both at most those above, the output_inertia being a wheel's. Solved by the implicit midpoint rule from event
 * to event of a rigid stick. It is passive as well: the energy taken in begins with that of what turns inside, and what
 * is lost but heats no plates is lost in the half shafts. */
/* J that the spring and what turns inside hold. */
double @PREFIX@_stored(const @PREFIX@_setup *setup, const @PREFIX@_state *state);

/* Rates for a host that integrates twist, plate temperature and energy_dissipated (at heat_flow); k is 20
 * half-shaft stiffnesses, d = 0.001 s k. `way`: 0 sticks, 1 slips forward, -1 backward; hold it until a margin
 * changes its sign, then ask `@PREFIX@_way`. Call `@PREFIX@_ramps` after each completed step. */
void @PREFIX@_rates(const @PREFIX@_setup *setup, const @PREFIX@_state *state, int32_t way,
                    const @PREFIX@_drive *drive, @PREFIX@_given *given);
int32_t @PREFIX@_way(const @PREFIX@_given *given);

/* The rates' derivatives along a direction: of drive, twist and plate temperature; `given` is filled with
 * changes. */
void @PREFIX@_rates_along(const @PREFIX@_setup *setup, const @PREFIX@_state *state, int32_t way,
                          const @PREFIX@_drive *drive, const @PREFIX@_drive *drive_seed, double twist_seed,
                          double plate_seed, @PREFIX@_given *change);

#ifdef __cplusplus
}
#endif

#endif /* @GUARD@_LAW_H */
