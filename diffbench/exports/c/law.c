/* A plate-type limited-slip differential by its fitted law: see the header. */
#include "@NAME@_law.h"

/* As fitted, written by diffbench @VERSION@. */
@FITTED@
#define RELAXED 0.001  /* s, d over k while time is continuous */
#define STIFFNESS 0.18 /* share of inertia over step squared */
#define DAMPING 0.5    /* share of inertia over step */
#define WINDOW 64       /* steps */
#define FELT 0.02      /* share of the locking torque */
#define SOFTEST 0.0009 /* share of the stick that chatter leaves at least */
#define PART 0.1       /* of a radian of the half shafts' swing, a part of a step */
#define PARTS 256      /* of a step at most */
#define EVENTS 64      /* of stick and slip in one step, at most */

static double larger(double one, double other)
{
    return (one > other) ? one : other;
}

static double magnitude(double value)
{
    return (value < 0.0) ? -value : value;
}

static double held(double value, double limit)
{
    return (value > limit) ? limit : ((value < -limit) ? -limit : value);
}

static int32_t is_finite(double value)
{
    return ((value - value) == 0.0) ? 1 : 0;
}

/* Whether oil and plates can be as cold as that. */
static int32_t is_possible_heat(const @PREFIX@_setup *setup, double plates, double oil)
{
    return ((oil >= @GUARD@_ABSOLUTE_ZERO) && ((setup->heat_capacity <= 0.0) || (plates >= @GUARD@_ABSOLUTE_ZERO))) ? 1 : 0;
}

/* The exponential, within two units of the last place, to 1e300 and from 1e-300: the same on every machine. */
static double exp_of(double x)
{
    /* one over a factorial, from the thirteenth down */
    static const double term[14] = {1.6059043836821613e-10, 2.08767569878681e-09, 2.505210838544172e-08,
                                    2.755731922398589e-07, 2.7557319223985893e-06, 2.48015873015873e-05,
                                    0.0001984126984126984, 0.001388888888888889, 0.008333333333333333,
                                    0.041666666666666664, 0.16666666666666666, 0.5, 1.0, 1.0};
    double within = held(x, 690.0);
    double twos;
    double sum = term[0];
    double power = 1.0;
    int32_t n;
    int32_t i;

    n = (int32_t)((within * 1.4426950408889634) + ((within < 0.0) ? -0.5 : 0.5));
    within = (within - ((double)n * 0.693147180369123816490)) - ((double)n * 1.90821492927058770002e-10);
    for (i = 1; i < 14; i++)
    {
        sum = (sum * within) + term[i];
    }
    twos = (n < 0) ? 0.5 : 2.0;
    for (i = (n < 0) ? -n : n; i > 0; i /= 2)
    {
        power = ((i % 2) == 1) ? (power * twos) : power;
        twos *= twos;
    }
    return sum * power;
}

void @PREFIX@_as_fitted(@PREFIX@_setup *setup)
{
    setup->preload_torque = PRELOAD;
    setup->friction_scale = 1.0;
    setup->drive_scale = 1.0;
    setup->coast_scale = 1.0;
    setup->heat_capacity = HEAT_CAPACITY;
    setup->heat_conductance = HEAT_CONDUCTANCE;
    setup->output_inertia = 1.0;
    setup->half_shaft_stiffness = 15000.0;
    setup->friction_delay = 0.0;
    setup->inner_inertia = 0.0;
    setup->half_shaft_damping = 0.0;
    setup->branch = @GUARD@_FOLLOWED;
}

void @PREFIX@_begin(@PREFIX@_state *state, double plate_temperature)
{
    static const @PREFIX@_state empty = {0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.0,
                                          0.0, 0.0, 0.0, 0.0, 0.0, 0,   0,   0,   0};
    *state = empty;
    state->plate_temperature = plate_temperature;
}

static int32_t is_not_negative(double value)
{
    return ((is_finite(value) == 1) && (value >= 0.0)) ? 1 : 0;
}

int32_t @PREFIX@_is_possible(const @PREFIX@_setup *setup)
{
    return ((is_not_negative(setup->preload_torque) == 1) && (is_not_negative(setup->friction_scale) == 1) &&
            (is_not_negative(setup->drive_scale) == 1) && (is_not_negative(setup->coast_scale) == 1) &&
            (is_not_negative(setup->heat_capacity) == 1) && (is_not_negative(setup->heat_conductance) == 1) &&
            (is_not_negative(setup->output_inertia) == 1) && (setup->output_inertia > 0.0) &&
            (is_not_negative(setup->half_shaft_stiffness) == 1) && (setup->half_shaft_stiffness > 0.0) &&
            (is_not_negative(setup->friction_delay) == 1) && (setup->friction_delay <= 1.0) &&
            (is_not_negative(setup->inner_inertia) == 1) && (is_not_negative(setup->half_shaft_damping) == 1) &&
            (setup->branch >= @GUARD@_BETWEEN) && (setup->branch <= @GUARD@_FOLLOWED))
               ? 1
               : 0;
}

/* But for the digits that a host's page of parameters drops. */
static int32_t is_same(double value, double fitted)
{
    return (magnitude(value - fitted) <= (1e-6 * magnitude(fitted))) ? 1 : 0;
}

int32_t @PREFIX@_is_as_fitted(const @PREFIX@_setup *setup)
{
    return ((is_same(setup->preload_torque, PRELOAD) == 1) && (is_same(setup->friction_scale, 1.0) == 1) &&
            (is_same(setup->drive_scale, 1.0) == 1) && (is_same(setup->coast_scale, 1.0) == 1) &&
            (is_same(setup->heat_capacity, HEAT_CAPACITY) == 1) &&
            (is_same(setup->heat_conductance, HEAT_CONDUCTANCE) == 1))
               ? 1
               : 0;
}

double @PREFIX@_ramps(const @PREFIX@_setup *setup, double carried, double input_torque)
{
    const double flank = (input_torque < 0.0) ? -1.0 : 1.0;
    const double least = magnitude(input_torque);
    const double most = least * ((input_torque < 0.0) ? COAST_RATIO : DRIVE_RATIO);
    double stands = flank * carried;

    if ((setup->branch == @GUARD@_RISING) || (stands < least))
    {
        stands = least;
    }
    if ((setup->branch == @GUARD@_FALLING) || (stands > most))
    {
        stands = most;
    }
    return flank * stands;
}

/* What presses the plates, as torque, and its slope by the ramps' part. */
static double load_of(double preload, double ramp, double *per_ramp)
{
    double load = preload + (CLOSED_SHARE * ramp);
    *per_ramp = CLOSED_SHARE;
    if (ramp > load)
    {
        load = ramp;
        *per_ramp = 1.0;
    }
    return load;
}

@PREFIX@_limit @PREFIX@_locking(const @PREFIX@_setup *setup, double carried, double plate_temperature,
                            const @PREFIX@_drive *drive)
{
    @PREFIX@_limit limit = {0.0, 0.0, 0.0, 0.0, 0.0, 0.0};
    const double coast = (drive->input_torque < 0.0) ? 1.0 : 0.0;
    const double flank = 1.0 - (2.0 * coast);
    const double torque = magnitude(drive->input_torque);
    const double speed = magnitude(drive->speed_difference);
    const double ratio = (coast > 0.0) ? COAST_RATIO : DRIVE_RATIO;
    const double bias = (coast > 0.0) ? (COAST_BIAS * setup->coast_scale) : (DRIVE_BIAS * setup->drive_scale);
    const double hot = (setup->heat_capacity > 0.0) ? plate_temperature : drive->oil_temperature;
    const double relative = (0.5 * EFFECTIVE_RADIUS * speed) / STRIBECK_SPEED;
    const double decayed = STATIC_EXCESS * exp_of(-((STRIBECK_EXPONENT > 1.5) ? (relative * relative) : relative));
    const double by_speed = (1.0 + decayed) / AT_REFERENCE;
    const double slope = (((STRIBECK_EXPONENT > 1.5) ? (2.0 * relative) : 1.0) * decayed) / AT_REFERENCE;
    const double by_heat = setup->friction_scale * (1.0 + (TEMPERATURE_COEFFICIENT * (hot - REFERENCE_TEMPERATURE)));
    const double film = VISCOUS * exp_of(-(VISCOUS_EXPONENT * (drive->oil_temperature - REFERENCE_TEMPERATURE)));
    double load;
    double per_ramp;

    if ((setup->branch == @GUARD@_BETWEEN) || (setup->branch == @GUARD@_ANY))
    {
        double per_other;
        const double other = load_of(setup->preload_torque, bias * ratio * torque, &per_other);
        load = 0.5 * (load_of(setup->preload_torque, bias * torque, &per_ramp) + other);
        per_ramp = 0.5 * bias * (per_ramp + (ratio * per_other));
        limit.unloading = 0.5;
    }
    else
    {
        const double stands = magnitude(@PREFIX@_ramps(setup, carried, drive->input_torque));
        const double follows = (stands >= (ratio * torque)) ? ratio : ((stands > torque) ? 0.0 : 1.0);
        load = load_of(setup->preload_torque, bias * stands, &per_ramp);
        per_ramp *= bias * follows;
        if ((ratio > 1.0) && (torque > 0.0))
        {
            limit.unloading = (stands - torque) / ((ratio - 1.0) * torque);
        }
    }
    limit.torque = ((by_speed * by_heat) * load) + (GEAR_FRICTION * torque) + (film * speed);
    if (is_possible_heat(setup, plate_temperature, drive->oil_temperature) == 0)
    {
        const double infinite = 1e300 * 1e300;
        limit.torque = infinite - infinite;
    }
    else if (limit.torque > 0.0)
    {
        limit.per_torque = flank * ((by_speed * by_heat * per_ramp) + GEAR_FRICTION);
        limit.per_speed = film - (slope * by_heat * load * ((0.5 * EFFECTIVE_RADIUS) / STRIBECK_SPEED));
        limit.per_plate = by_speed * load * setup->friction_scale * TEMPERATURE_COEFFICIENT;
        limit.per_oil = -(VISCOUS_EXPONENT * film * speed);
        if (setup->heat_capacity <= 0.0)
        {
            limit.per_oil += limit.per_plate;
            limit.per_plate = 0.0;
        }
    }
    else
    {
        limit.torque = 0.0;
    }
    return limit;
}

/* What chatters is softened: a speed difference that turns round three times, each within six steps, and whose
 * damping alone is felt. */
static void listen(@PREFIX@_state *state, int32_t way)
{
    state->steps = (state->steps < 1000) ? (state->steps + 1) : 1000;
    if ((way != 0) && (way == -state->turned))
    {
        state->turns = (state->steps <= 6) ? (state->turns + 1) : 1;
        state->steps = 0;
    }
    if ((state->turns >= 3) && (state->softened > SOFTEST))
    {
        state->softened *= 0.5;
        state->turns = 0;
    }
    state->turned = (way != 0) ? way : state->turned;
}

/* The longest of the last steps, this one among them: one long step does not leave the stick soft for good. */
static double longest_of(@PREFIX@_state *state, double step)
{
    state->longest_now = larger(state->longest_now, step);
    state->counted += 1;
    if (state->counted >= WINDOW)
    {
        state->longest_step = state->longest_now;
        state->longest_now = step;
        state->counted = 0;
    }
    return larger(state->longest_step, state->longest_now);
}

/* Heat that is even over a step, exactly. */
static double heated(const @PREFIX@_setup *setup, double plates, double oil, double heat_flow, double step)
{
    const double x = (setup->heat_conductance * step) / setup->heat_capacity;
    const double decay = exp_of(-x);
    const double rise = (x > 1e-9) ? ((1.0 - decay) / x) : 1.0;
    return oil + ((plates - oil) * decay) + (((heat_flow * step) / setup->heat_capacity) * rise);
}

/* What drives it in the middle of the time in which friction acts. */
static @PREFIX@_drive foreseen(const @PREFIX@_setup *setup, @PREFIX@_state *state, double step, double longest,
                              const @PREFIX@_drive *drive)
{
    @PREFIX@_drive there = *drive;
    if (state->since_late >= longest)
    {
        state->torque_early = state->torque_late;
        state->since_early = state->since_late;
    }
    if ((state->since_late >= longest) || (state->since_late <= 0.0))
    {
        state->torque_late = drive->input_torque;
        state->since_late = 0.0;
    }
    if (state->since_early >= longest)
    {
        there.input_torque += ((0.5 + setup->friction_delay) * (step / state->since_early)) *
                              (drive->input_torque - state->torque_early);
        if ((there.input_torque * drive->input_torque) <= 0.0)
        {
            there.input_torque = 0.0;
        }
    }
    state->since_late += step;
    state->since_early += (state->since_early > 0.0) ? step : 0.0;
    return there;
}

double @PREFIX@_stored(const @PREFIX@_setup *setup, const @PREFIX@_state *state)
{
    return (0.25 * state->stiffness * state->twist * state->twist) +
           (0.25 * setup->inner_inertia * state->inner_speed * state->inner_speed);
}

/* The speed difference at the plates after a time, by the implicit midpoint rule under that friction. */
static double slid(const @PREFIX@_setup *setup, const @PREFIX@_state *state, double damping, double wheels,
                   double friction, double time)
{
    const double grip = (0.5 * state->stiffness * time) + damping;
    const double mass = setup->inner_inertia / time;
    return (((state->inner_speed * (mass - (0.5 * grip))) - friction) - (state->stiffness * state->twist) +
            (grip * wheels)) /
           (mass + (0.5 * grip));
}

/* A part of a step, or less of it up to where stick or slip ends: returns the time it took. */
static double part_of(const @PREFIX@_setup *setup, @PREFIX@_state *state, double damping, double time,
                      int32_t last, const @PREFIX@_drive *there, @PREFIX@_given *given)
{
    const double wheels = there->speed_difference;
    const double asked = (damping * wheels) - (state->stiffness * state->twist);
    const double way = (state->inner_speed != 0.0) ? ((state->inner_speed > 0.0) ? 1.0 : -1.0)
                                                   : ((asked > 0.0) ? 1.0 : -1.0);
    const double kinetic = 0.25 * setup->inner_inertia * state->inner_speed * state->inner_speed;
    @PREFIX@_drive at = *there;
    @PREFIX@_limit limit;
    double took = time;
    double inner = 0.0;
    double middle = 0.0;
    double rate;

    at.speed_difference = 0.0;
    limit = @PREFIX@_locking(setup, state->ramp_torque, state->plate_temperature, &at);
    given->locked = ((state->inner_speed == 0.0) && (magnitude(asked) <= (limit.torque * (1.0 + 1e-12)))) ? 1 : 0;
    if (given->locked == 0)
    {
        at.speed_difference = state->inner_speed;
        limit = @PREFIX@_locking(setup, state->ramp_torque, state->plate_temperature, &at);
        inner = slid(setup, state, damping, wheels, way * limit.torque, time);
        at.speed_difference = 0.5 * (state->inner_speed + inner);
        limit = @PREFIX@_locking(setup, state->ramp_torque, state->plate_temperature, &at);
        inner = slid(setup, state, damping, wheels, way * limit.torque, time);
        if ((way * inner) < 0.0)
        {
            took = larger(1e-6, state->inner_speed / (state->inner_speed - inner)) * time;
            inner = slid(setup, state, damping, wheels, way * limit.torque, took);
            if ((last == 1) || (state->inner_speed == 0.0) || ((way * (state->inner_speed + inner)) < 0.0))
            {
                took = time;
                given->locked = 1;
            }
        }
        middle = 0.5 * (state->inner_speed + inner);
    }
    if (given->locked == 1)
    {
        const double then = asked + (state->stiffness * time * wheels);
        if ((magnitude(then) > limit.torque) && (magnitude(asked) <= (limit.torque * (1.0 + 1e-9))) && (last == 0))
        {
            const double at_limit = ((then > 0.0) ? limit.torque : -limit.torque) - asked;
            took = held(larger(at_limit / (then - asked), 1e-6), 1.0) * time;
        }
        inner = 0.0;
        middle = 0.0;
        given->heat_flow += kinetic;
    }
    else
    {
        given->heat_flow += 0.5 * way * limit.torque * middle * took;
        if (took < time)
        {
            given->heat_flow += 0.25 * setup->inner_inertia * inner * inner;
            inner = 0.0;
        }
    }
    rate = middle - wheels;
    given->friction_torque -= ((state->stiffness * (state->twist + (0.5 * took * rate))) + (damping * rate)) * took;
    state->twist += took * rate;
    state->inner_speed = inner;
    given->limit = limit;
    given->margin[0] = limit.torque - asked;
    given->margin[1] = limit.torque + asked;
    return took;
}

/* Half shafts, and what turns between them and the plates, over a step with the wheels' speeds held. */
static void through_shafts(const @PREFIX@_setup *setup, @PREFIX@_state *state, double step, double damping,
                           const @PREFIX@_drive *there, @PREFIX@_given *given)
{
    const double swing = (step * step * state->stiffness) / setup->inner_inertia;
    const double before = state->twist;
    double remaining = step;
    double part;
    int32_t parts = 1;
    int32_t i;

    while ((parts < PARTS) && (((double)parts * (double)parts * (PART * PART)) < swing))
    {
        parts++;
    }
    part = step / (double)parts;
    given->friction_torque = 0.0;
    given->heat_flow = 0.0;
    for (i = 0; (i < (parts + EVENTS)) && (remaining > 0.0); i++)
    {
        const int32_t last = (i == (parts + (EVENTS - 1))) ? 1 : 0;
        const double time = ((last == 1) || (remaining < (part * (1.0 + 1e-9)))) ? remaining : part;
        remaining -= part_of(setup, state, damping, time, last, there, given);
    }
    given->friction_torque /= step;
    given->heat_flow /= step;
    given->twist_rate = (state->twist - before) / step;
}

int32_t @PREFIX@_step(const @PREFIX@_setup *setup, @PREFIX@_state *state, double step, const @PREFIX@_drive *drive,
                      @PREFIX@_given *given)
{
    const double speed = drive->speed_difference;
    const double inertia = state->softened * setup->output_inertia;
    double longest;
    double stiffness;
    double damping;
    double slope;
    double asked;
    double before;
    double taken;
    double lost;
    @PREFIX@_drive there;
    int32_t done = 0;

    if ((is_finite(step) == 1) && (step > 0.0) && (is_finite(drive->input_torque) == 1) && (is_finite(speed) == 1) &&
        (is_finite(drive->oil_temperature) == 1) &&
        (is_possible_heat(setup, state->plate_temperature, drive->oil_temperature) == 1))
    {
        longest = longest_of(state, step);
        stiffness = (STIFFNESS * inertia) / (longest * longest);
        damping = (DAMPING * inertia) / longest;
        if (setup->inner_inertia > 0.0)
        {
            stiffness = held(setup->half_shaft_stiffness, stiffness);
            damping = held(larger(setup->half_shaft_damping,
                                  (0.5 + (1.7 * setup->friction_delay)) * stiffness * longest), damping);
            if (state->stiffness <= 0.0)
            {
                state->inner_speed = speed;
                state->energy_in += @PREFIX@_stored(setup, state);
            }
        }
        slope = (stiffness * step) + damping;
        state->ramp_torque = @PREFIX@_ramps(setup, state->ramp_torque, drive->input_torque);
        there = foreseen(setup, state, step, longest, drive);
        given->limit = @PREFIX@_locking(setup, state->ramp_torque, state->plate_temperature, &there);
        before = @PREFIX@_stored(setup, state);
        if (stiffness > state->stiffness)
        {
            state->twist *= state->stiffness / stiffness;
        }
        state->stiffness = stiffness;
        if (setup->inner_inertia > 0.0)
        {
            through_shafts(setup, state, step, damping, &there, given);
        }
        else
        {
            asked = (stiffness * state->twist) + (slope * speed);
            given->friction_torque = held(asked, given->limit.torque);
            given->margin[0] = given->limit.torque - asked;
            given->margin[1] = given->limit.torque + asked;
            given->locked = (@PREFIX@_way(given) == 0) ? 1 : 0;
            given->twist_rate =
                (given->locked == 1) ? speed : ((given->friction_torque - (stiffness * state->twist)) / slope);
            state->twist += step * given->twist_rate;
        }
        taken = 0.5 * given->friction_torque * speed * step;
        lost = larger((taken + before) - @PREFIX@_stored(setup, state), 0.0);
        given->heat_flow = (setup->inner_inertia > 0.0) ? given->heat_flow : (lost / step);
        given->plate_rate = 0.0;
        state->energy_in += taken;
        state->energy_dissipated += lost;
        if (setup->heat_capacity > 0.0)
        {
            const double plates = heated(setup, state->plate_temperature, drive->oil_temperature, given->heat_flow, step);
            given->plate_rate = (plates - state->plate_temperature) / step;
            state->plate_temperature = plates;
        }
        else
        {
            state->plate_temperature = drive->oil_temperature;
        }
        listen(state, (magnitude(slope * speed) > (FELT * given->limit.torque)) ? ((speed > 0.0) ? 1 : -1) : 0);
        done = 1;
    }
    return done;
}

int32_t @PREFIX@_way(const @PREFIX@_given *given)
{
    return (given->margin[0] < 0.0) ? 1 : ((given->margin[1] < 0.0) ? -1 : 0);
}

void @PREFIX@_rates(const @PREFIX@_setup *setup, const @PREFIX@_state *state, int32_t way,
                    const @PREFIX@_drive *drive, @PREFIX@_given *given)
{
    const double stiffness = @GUARD@_STIFF * setup->half_shaft_stiffness;
    const double damping = RELAXED * stiffness;
    const double asked = (stiffness * state->twist) + (damping * drive->speed_difference);
    double slip;

    given->limit = @PREFIX@_locking(setup, state->ramp_torque, state->plate_temperature, drive);
    given->margin[0] = given->limit.torque - asked;
    given->margin[1] = given->limit.torque + asked;
    given->locked = (way == 0) ? 1 : 0;
    given->friction_torque = (way == 0) ? asked : ((double)way * given->limit.torque);
    given->twist_rate = (way == 0) ? drive->speed_difference
                                   : ((given->friction_torque - (stiffness * state->twist)) / damping);
    slip = drive->speed_difference - given->twist_rate;
    given->heat_flow = 0.5 * ((given->friction_torque * slip) + (damping * given->twist_rate * given->twist_rate));
    given->plate_rate =
        (setup->heat_capacity > 0.0)
            ? ((given->heat_flow - (setup->heat_conductance * (state->plate_temperature - drive->oil_temperature))) /
               setup->heat_capacity)
            : 0.0;
}

void @PREFIX@_rates_along(const @PREFIX@_setup *setup, const @PREFIX@_state *state, int32_t way,
                          const @PREFIX@_drive *drive, const @PREFIX@_drive *drive_seed, double twist_seed,
                          double plate_seed, @PREFIX@_given *change)
{
    const double stiffness = @GUARD@_STIFF * setup->half_shaft_stiffness;
    const double damping = RELAXED * stiffness;
    const double speed_seed = drive_seed->speed_difference;
    const double backward = (drive->speed_difference < 0.0) ? -1.0 : 1.0;
    const double asked = (stiffness * twist_seed) + (damping * speed_seed);
    @PREFIX@_given at;
    double limit;

    @PREFIX@_rates(setup, state, way, drive, &at);
    *change = at;
    limit = (at.limit.per_torque * drive_seed->input_torque) + (at.limit.per_speed * backward * speed_seed) +
            (at.limit.per_plate * plate_seed) + (at.limit.per_oil * drive_seed->oil_temperature);
    change->limit.torque = limit;
    change->margin[0] = limit - asked;
    change->margin[1] = limit + asked;
    change->friction_torque = (way == 0) ? asked : ((double)way * limit);
    change->twist_rate =
        (way == 0) ? speed_seed : ((change->friction_torque - (stiffness * twist_seed)) / damping);
    change->heat_flow = 0.5 * ((change->friction_torque * (drive->speed_difference - at.twist_rate)) +
                               (at.friction_torque * (speed_seed - change->twist_rate)) +
                               (2.0 * damping * at.twist_rate * change->twist_rate));
    change->plate_rate = (setup->heat_capacity > 0.0)
                             ? ((change->heat_flow -
                                 (setup->heat_conductance * (plate_seed - drive_seed->oil_temperature))) /
                                setup->heat_capacity)
                             : 0.0;
}
