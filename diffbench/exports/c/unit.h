/* What the simulation unit of both versions of FMI is made of: its variables, one step of them, their rates. */
#ifndef UNIT_H
#define UNIT_H

#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include "@NAME@.h"
#include "@NAME@_law.h"

#define TOKEN "@TOKEN@"
#define N_STATES 3U
#define N_INDICATORS 2U

/* Value references, the same in both versions: numbers first, then branch, then booleans. */
@REFERENCES@
#define SOFT_WORDS "the stick is softer than a half shaft at this step: step faster, state a larger output_inertia, or exchange the model"

#define NO_DERIVATIVE "derivatives are those of outputs, rates and indicators by inputs and states, while the model is exchanged"
#define NO_EVENTS "co-simulation has no events here"
#define THREE_STATES "there are three states and two event indicators"

typedef enum
{
    INSTANTIATED,
    INITIALIZING,
    STEPPING,
    EVENTS,
    CONTINUOUS,
    ENDED
} unit_phase;

/* Everything that a copy of its state must hold; no pointer. */
typedef struct
{
    double numbers[N_NUMBERS];
    int32_t branch;
    int32_t locked;
    int32_t exchanged; /* 1: the model is exchanged, 0: the unit steps itself */
    int32_t way;       /* while the model is exchanged: sticks, slips forward, slips backward */
    int32_t warned;
    unit_phase phase;
    @PREFIX@_state state;
    @PREFIX@_limit limit;
} unit_values;

static void unit_reset(unit_values *unit)
{
    const int32_t exchanged = unit->exchanged;
    @PREFIX@_setup fitted;
    (void)memset(unit, 0, sizeof(*unit));
    @PREFIX@_as_fitted(&fitted);
    @PREFIX@_begin(&unit->state, @OIL@);
    unit->exchanged = exchanged;
    unit->branch = fitted.branch;
    unit->locked = 1;
    unit->numbers[V_OIL_TEMPERATURE] = @OIL@;
    unit->numbers[V_PLATE_TEMPERATURE] = @OIL@;
    unit->numbers[V_OUTPUT_INERTIA] = fitted.output_inertia;
    unit->numbers[V_HALF_SHAFT_STIFFNESS] = fitted.half_shaft_stiffness;
    unit->numbers[V_FRICTION_DELAY] = fitted.friction_delay;
    unit->numbers[V_INNER_INERTIA] = fitted.inner_inertia;
    unit->numbers[V_HALF_SHAFT_DAMPING] = fitted.half_shaft_damping;
    unit->numbers[V_PRELOAD_TORQUE] = fitted.preload_torque;
    unit->numbers[V_FRICTION_SCALE] = fitted.friction_scale;
    unit->numbers[V_DRIVE_BIAS_SCALE] = fitted.drive_scale;
    unit->numbers[V_COAST_BIAS_SCALE] = fitted.coast_scale;
    unit->numbers[V_HEAT_CAPACITY] = fitted.heat_capacity;
    unit->numbers[V_HEAT_CONDUCTANCE] = fitted.heat_conductance;
}

static @PREFIX@_setup unit_setup(const unit_values *unit)
{
    @PREFIX@_setup setup;
    setup.preload_torque = unit->numbers[V_PRELOAD_TORQUE];
    setup.friction_scale = unit->numbers[V_FRICTION_SCALE];
    setup.drive_scale = unit->numbers[V_DRIVE_BIAS_SCALE];
    setup.coast_scale = unit->numbers[V_COAST_BIAS_SCALE];
    setup.heat_capacity = unit->numbers[V_HEAT_CAPACITY];
    setup.heat_conductance = unit->numbers[V_HEAT_CONDUCTANCE];
    setup.output_inertia = unit->numbers[V_OUTPUT_INERTIA];
    setup.half_shaft_stiffness = unit->numbers[V_HALF_SHAFT_STIFFNESS];
    setup.friction_delay = unit->numbers[V_FRICTION_DELAY];
    setup.inner_inertia = unit->numbers[V_INNER_INERTIA];
    setup.half_shaft_damping = unit->numbers[V_HALF_SHAFT_DAMPING];
    setup.branch = unit->branch;
    return setup;
}

static @PREFIX@_drive unit_drive(const unit_values *unit)
{
    @PREFIX@_drive drive;
    drive.input_torque = unit->numbers[V_INPUT_TORQUE];
    drive.speed_difference = unit->numbers[V_LEFT_SPEED] - unit->numbers[V_RIGHT_SPEED];
    drive.oil_temperature = unit->numbers[V_OIL_TEMPERATURE];
    return drive;
}

/* Torques from friction and input; for changes of both as well. */
static void unit_share_out(double numbers[], double input_torque, double friction)
{
    numbers[V_FRICTION_TORQUE] = friction;
    numbers[V_LEFT_FRICTION_TORQUE] = -0.5 * friction;
    numbers[V_RIGHT_FRICTION_TORQUE] = 0.5 * friction;
    numbers[V_LEFT_TORQUE] = 0.5 * (input_torque - friction);
    numbers[V_RIGHT_TORQUE] = 0.5 * (input_torque + friction);
}

static void unit_keep(unit_values *unit, const @PREFIX@_given *given)
{
    const @PREFIX@_setup setup = unit_setup(unit);
    double *numbers = unit->numbers;
    unit->limit = given->limit;
    unit->locked = given->locked;
    unit_share_out(numbers, numbers[V_INPUT_TORQUE], given->friction_torque);
    numbers[V_LOCKING_TORQUE] = given->limit.torque;
    numbers[V_HEAT_FLOW] = given->heat_flow;
    numbers[V_TWIST] = unit->state.twist;
    numbers[V_PLATE_TEMPERATURE] = unit->state.plate_temperature;
    numbers[V_ENERGY_DISSIPATED] = unit->state.energy_dissipated;
    numbers[V_TWIST_RATE] = given->twist_rate;
    numbers[V_PLATE_RATE] = given->plate_rate;
    numbers[V_POWER_DISSIPATED] = given->heat_flow;
    numbers[V_FORWARD_MARGIN] = given->margin[0];
    numbers[V_BACKWARD_MARGIN] = given->margin[1];
    numbers[V_RAMP_TORQUE] = unit->state.ramp_torque;
    numbers[V_STICK_STIFFNESS] = unit->state.stiffness;
    numbers[V_ENERGY_STORED] = @PREFIX@_stored(&setup, &unit->state);
    numbers[V_SLIP_SPEED] = (setup.inner_inertia > 0.0) ? unit->state.inner_speed
                                                       : (numbers[V_LEFT_SPEED] - numbers[V_RIGHT_SPEED]);
    numbers[V_ENERGY_IN] = unit->state.energy_in;
}

static int32_t unit_is_soft(const unit_values *unit)
{
    return ((unit->numbers[V_STICK_STIFFNESS] > 0.0) &&
            (unit->numbers[V_STICK_STIFFNESS] < unit->numbers[V_HALF_SHAFT_STIFFNESS]))
               ? 1
               : 0;
}

/* Rates and outputs at states and inputs as they are. */
static void unit_evaluate(unit_values *unit)
{
    const @PREFIX@_setup setup = unit_setup(unit);
    const @PREFIX@_drive drive = unit_drive(unit);
    @PREFIX@_given given;
    const double carried = unit->state.ramp_torque;
    @PREFIX@_rates(&setup, &unit->state, unit->way, &drive, &given);
    if (unit->phase != CONTINUOUS)
    {
        unit->way = @PREFIX@_way(&given);
        @PREFIX@_rates(&setup, &unit->state, unit->way, &drive, &given);
    }
    unit->state.stiffness = (unit->exchanged == 1) ? (@GUARD@_STIFF * setup.half_shaft_stiffness) : 0.0;
    unit_keep(unit, &given);
    unit->numbers[V_RAMP_TORQUE] = @PREFIX@_ramps(&setup, carried, drive.input_torque);
    unit->numbers[V_ENERGY_IN] = unit->state.energy_dissipated + unit->numbers[V_ENERGY_STORED];
}

/* While outputs follow inputs at once. */
static void unit_refresh(unit_values *unit)
{
    if (unit->phase == INITIALIZING)
    {
        unit->state.plate_temperature = unit->numbers[V_OIL_TEMPERATURE] + unit->numbers[V_PLATE_START_EXCESS];
    }
    if ((unit->phase == INITIALIZING) || (unit->phase == EVENTS) || (unit->phase == CONTINUOUS))
    {
        unit_evaluate(unit);
    }
}

static int32_t is_number(double value)
{
    return ((value - value) == 0.0) ? 1 : 0;
}

static const char *unit_fault(const unit_values *unit)
{
    const @PREFIX@_setup setup = unit_setup(unit);
    const char *fault = NULL;
    uint32_t i;
    if (@PREFIX@_is_possible(&setup) == 0)
    {
        fault = "inertia and stiffness must be positive, all others not negative, friction_delay 0 to 1, branch 0 to 4";
    }
    if ((unit->exchanged == 1) && (setup.inner_inertia > 0.0))
    {
        fault = "inner_inertia is for co-simulation: a host that exchanges the model holds the half shafts itself";
    }
    for (i = V_INPUT_TORQUE; i <= V_OIL_TEMPERATURE; i++)
    {
        if (is_number(unit->numbers[i]) == 0)
        {
            fault = "an input holds no number";
        }
    }
    if (is_number(unit->numbers[V_PLATE_START_EXCESS]) == 0)
    {
        fault = "plate_start_excess holds no number";
    }
    if ((unit->numbers[V_OIL_TEMPERATURE] + unit->numbers[V_PLATE_START_EXCESS]) < @GUARD@_ABSOLUTE_ZERO)
    {
        fault = "plate_start_excess takes the plates below absolute zero: give the difference to the oil in kelvins";
    }
    return fault;
}

/* What ends the initialization; what is wrong with it, or NULL. */
static const char *unit_begin(unit_values *unit)
{
    const char *fault = unit_fault(unit);
    if (fault == NULL)
    {
        unit_refresh(unit);
        unit->phase = (unit->exchanged == 1) ? EVENTS : STEPPING;
        unit->way = 0;
        unit_refresh(unit);
    }
    return fault;
}

/* What is wrong with a step, or NULL. */
static const char *unit_step(unit_values *unit, double time, double step)
{
    const @PREFIX@_setup setup = unit_setup(unit);
    const @PREFIX@_drive drive = unit_drive(unit);
    @PREFIX@_given given;
    const char *fault = "a step needs a unit that is initialized and not ended";
    if (unit->phase == STEPPING)
    {
        fault = "a step must be positive, and every input a number";
        if (@PREFIX@_step(&setup, &unit->state, step, &drive, &given) == 1)
        {
            unit_keep(unit, &given);
            unit->numbers[V_TIME] = time + step;
            fault = NULL;
        }
    }
    return fault;
}

/* Once: that the stick is softer than what it is to hold. */
static int32_t unit_warns(unit_values *unit)
{
    const int32_t warns = ((unit->warned == 0) && (unit_is_soft(unit) == 1)) ? 1 : 0;
    unit->warned = (warns == 1) ? 1 : unit->warned;
    return warns;
}

/* Whether the way of slip is no longer what the states say; the ramps stay where the completed step left them. */
static int32_t unit_complete(unit_values *unit)
{
    const @PREFIX@_setup setup = unit_setup(unit);
    @PREFIX@_given given;
    unit_refresh(unit);
    unit->state.ramp_torque = @PREFIX@_ramps(&setup, unit->state.ramp_torque, unit->numbers[V_INPUT_TORQUE]);
    given.margin[0] = unit->numbers[V_FORWARD_MARGIN];
    given.margin[1] = unit->numbers[V_BACKWARD_MARGIN];
    return (@PREFIX@_way(&given) != unit->way) ? 1 : 0;
}

static void unit_nominals(double nominals[])
{
    nominals[0] = 0.001;
    nominals[1] = 100.0;
    nominals[2] = 1000.0;
}

static void unit_set_states(unit_values *unit, const double states[])
{
    unit->state.twist = states[0];
    unit->state.plate_temperature = states[1];
    unit->state.energy_dissipated = states[2];
}

/* What the map says now at some temperature, its limits as shares of its torque by the law. */
static @PREFIX@_reading unit_reading_at(const unit_values *unit, double temperature)
{
    const @PREFIX@_drive drive = unit_drive(unit);
    const int32_t follows = (unit->branch == @GUARD@_FOLLOWED) ? 1 : 0;
    @PREFIX@_setup setup;
    @PREFIX@_drive place = drive;
    @PREFIX@_limit fitted;
    @PREFIX@_reading one;
    @PREFIX@_as_fitted(&setup);
    setup.branch = unit->branch;
    place.oil_temperature = temperature;
    /* of a map that shows the law, its own torque is that, straight between its nodes as its limits are */
    fitted = @PREFIX@_locking(&setup, unit->state.ramp_torque, temperature, &place);
    (void)@PREFIX@_read((follows == 1) ? @GUARD@_LOADING : unit->branch, drive.input_torque, drive.speed_difference,
                        temperature, &one);
    if ((follows == 1) && (unit->limit.unloading > 0.0))
    {
        @PREFIX@_reading other;
        const double share = unit->limit.unloading;
        (void)@PREFIX@_read(@GUARD@_UNLOADING, drive.input_torque, drive.speed_difference, temperature, &other);
        one.locking_torque += share * (other.locking_torque - one.locking_torque);
        one.low += share * (other.low - one.low);
        one.high += share * (other.high - one.high);
        one.tested = ((one.tested == 1) && (other.tested == 1)) ? 1 : 0;
    }
    if (@MEASURED@ == 0)
    {
        fitted.torque = one.locking_torque;
    }
    if (fitted.torque > 0.0)
    {
        one.low *= unit->limit.torque / fitted.torque;
        one.high *= unit->limit.torque / fitted.torque;
    }
    return one;
}

/* Limits of the locking torque now, the wider of both at the plates' and at the oil's temperature. Tested is where
 * both temperatures were, of the unit as it was fitted. */
static @PREFIX@_reading unit_reading(const unit_values *unit)
{
    const @PREFIX@_setup setup = unit_setup(unit);
    const @PREFIX@_reading oil = unit_reading_at(unit, unit->numbers[V_OIL_TEMPERATURE]);
    @PREFIX@_reading one = unit_reading_at(unit, unit->numbers[V_PLATE_TEMPERATURE]);
    one.low = (oil.low < one.low) ? oil.low : one.low;
    one.high = (oil.high > one.high) ? oil.high : one.high;
    one.beyond = ((one.beyond == 1) || (oil.beyond == 1)) ? 1 : 0;
    one.tested = ((one.tested == 1) && (oil.tested == 1) && (@PREFIX@_is_as_fitted(&setup) == 1)) ? 1 : 0;
    return one;
}

/* Returns 0 where there is no such number. */
static int32_t unit_get_number(unit_values *unit, uint32_t reference, double *value)
{
    if (reference < N_NUMBERS)
    {
        *value = unit->numbers[reference];
    }
    if ((reference == V_LOCKING_TORQUE_LOW) || (reference == V_LOCKING_TORQUE_HIGH))
    {
        const @PREFIX@_reading reading = unit_reading(unit);
        *value = (reference == V_LOCKING_TORQUE_LOW) ? reading.low : reading.high;
    }
    return (reference < N_NUMBERS) ? 1 : 0;
}

/* Returns 0 where there is no such boolean. */
static int32_t unit_get_boolean(unit_values *unit, uint32_t reference, int32_t *value)
{
    const @PREFIX@_reading reading = unit_reading(unit);
    int32_t known = 1;
    switch (reference)
    {
        case V_LOCKED:
            *value = unit->locked;
            break;
        case V_INSIDE_TESTED:
            *value = reading.tested;
            break;
        case V_BEYOND_AXES:
            *value = reading.beyond;
            break;
        case V_STICK_IS_SOFT:
            *value = unit_is_soft(unit);
            break;
        default:
            known = 0;
            break;
    }
    return known;
}

/* Why it may not be set, or not now; NULL where it is. */
static const char *unit_set_number(unit_values *unit, uint32_t reference, double value)
{
    const int32_t before = ((unit->phase == INSTANTIATED) || (unit->phase == INITIALIZING)) ? 1 : 0;
    const int32_t is_input = ((reference >= V_INPUT_TORQUE) && (reference <= V_OIL_TEMPERATURE)) ? 1 : 0;
    const int32_t is_parameter = ((reference >= V_OUTPUT_INERTIA) && (reference < N_NUMBERS)) ? 1 : 0;
    const int32_t allowed = ((is_input == 1) || ((is_parameter == 1) && (before == 1))) ? 1 : 0;
    const char *fault = NULL;
    if (allowed == 0)
    {
        fault = "inputs can be set, and parameters before the initialization ends";
    }
    else if ((reference == V_OIL_TEMPERATURE) && (value < @GUARD@_ABSOLUTE_ZERO))
    {
        fault = "oil_temperature is below absolute zero: give degrees Celsius; check the unit and the sign";
    }
    else
    {
        unit->numbers[reference] = value;
    }
    return fault;
}

static int32_t unit_set_branch(unit_values *unit, uint32_t reference, int32_t value)
{
    const int32_t before = ((unit->phase == INSTANTIATED) || (unit->phase == INITIALIZING)) ? 1 : 0;
    const int32_t allowed = ((reference == V_BRANCH) && (before == 1) && (value >= @GUARD@_BETWEEN) &&
                             (value <= @GUARD@_FOLLOWED))
                                ? 1
                                : 0;
    if (allowed == 1)
    {
        unit->branch = value;
    }
    return allowed;
}

/* Change of a limit along a change of inputs and states, by a difference to both sides: between its nodes the map
 * that limits come from is straight. */
static double unit_limit_along(const unit_values *unit, uint32_t reference, const double moved[])
{
    double sides[2];
    int32_t side;
    for (side = 0; side < 2; side++)
    {
        const double part = (side == 0) ? -1e-4 : 1e-4;
        unit_values other = *unit;
        uint32_t i;
        for (i = V_INPUT_TORQUE; i <= V_OIL_TEMPERATURE; i++)
        {
            other.numbers[i] += part * moved[i];
        }
        other.state.twist += part * moved[V_TWIST];
        other.state.plate_temperature += part * moved[V_PLATE_TEMPERATURE];
        other.phase = CONTINUOUS;
        unit_evaluate(&other);
        (void)unit_get_number(&other, reference, &sides[side]);
    }
    return (sides[1] - sides[0]) / 2e-4;
}

/* Changes of unknowns along a change of inputs and states; returns 0 where there is none. */
static int32_t unit_along(unit_values *unit, const uint32_t unknown[], size_t n_unknown, const uint32_t known[],
                          size_t n_known, const double seed[], double change[])
{
    double moved[N_NUMBERS] = {0.0};
    const @PREFIX@_setup setup = unit_setup(unit);
    const @PREFIX@_drive drive = unit_drive(unit);
    @PREFIX@_drive drive_seed;
    @PREFIX@_given given;
    int32_t possible = ((unit->exchanged == 1) && (unit->phase != INSTANTIATED) && (unit->phase != ENDED)) ? 1 : 0;
    size_t i;
    for (i = 0U; i < n_known; i++)
    {
        const int32_t is_input = ((known[i] >= V_INPUT_TORQUE) && (known[i] <= V_OIL_TEMPERATURE)) ? 1 : 0;
        const int32_t is_state = ((known[i] >= V_TWIST) && (known[i] <= V_ENERGY_DISSIPATED)) ? 1 : 0;
        if ((is_input == 1) || (is_state == 1))
        {
            moved[known[i]] += seed[i];
        }
        else
        {
            possible = 0;
        }
    }
    drive_seed.input_torque = moved[V_INPUT_TORQUE];
    drive_seed.speed_difference = moved[V_LEFT_SPEED] - moved[V_RIGHT_SPEED];
    drive_seed.oil_temperature = moved[V_OIL_TEMPERATURE];
    @PREFIX@_rates_along(&setup, &unit->state, unit->way, &drive, &drive_seed, moved[V_TWIST],
                         moved[V_PLATE_TEMPERATURE], &given);
    unit_share_out(moved, drive_seed.input_torque, given.friction_torque);
    moved[V_LOCKING_TORQUE] = given.limit.torque;
    moved[V_HEAT_FLOW] = given.heat_flow;
    moved[V_POWER_DISSIPATED] = given.heat_flow;
    moved[V_TWIST_RATE] = given.twist_rate;
    moved[V_PLATE_RATE] = given.plate_rate;
    moved[V_FORWARD_MARGIN] = given.margin[0];
    moved[V_BACKWARD_MARGIN] = given.margin[1];
    moved[V_SLIP_SPEED] = drive_seed.speed_difference;
    moved[V_ENERGY_STORED] = 0.5 * unit->state.stiffness * unit->state.twist * moved[V_TWIST];
    moved[V_ENERGY_IN] = moved[V_ENERGY_STORED] + moved[V_ENERGY_DISSIPATED];
    for (i = 0U; i < n_unknown; i++)
    {
        const int32_t has = ((unknown[i] >= V_LEFT_TORQUE) && (unknown[i] < V_OUTPUT_INERTIA) &&
                             (unknown[i] != V_RAMP_TORQUE) && (unknown[i] != V_STICK_STIFFNESS))
                                ? 1
                                : 0;
        if ((unknown[i] == V_LOCKING_TORQUE_LOW) || (unknown[i] == V_LOCKING_TORQUE_HIGH))
        {
            change[i] = unit_limit_along(unit, unknown[i], moved);
        }
        else if (has == 1)
        {
            change[i] = moved[unknown[i]];
        }
        else
        {
            possible = 0;
        }
    }
    return possible;
}

#endif /* UNIT_H */
