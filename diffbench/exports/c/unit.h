/* What the co-simulation unit of both versions of FMI is made of: its variables, and one step of them. */
#ifndef UNIT_H
#define UNIT_H

#include <stddef.h>
#include <stdint.h>

#include "@NAME@.h"

#define TOKEN "@TOKEN@"

/* Value references, the same in both versions. */
#define V_TIME 0U
#define V_INPUT_TORQUE 1U
#define V_LEFT_SPEED 2U
#define V_RIGHT_SPEED 3U
#define V_OIL_TEMPERATURE 4U
#define V_LEFT_TORQUE 5U
#define V_RIGHT_TORQUE 6U
#define V_LOCKING_TORQUE 7U
#define V_LOCKING_TORQUE_LOW 8U
#define V_LOCKING_TORQUE_HIGH 9U
#define V_OUTPUT_INERTIA 10U
#define N_NUMBERS 11U
#define V_BRANCH 11U
#define V_LOCKED 12U
#define V_INSIDE_TESTED 13U
#define V_BEYOND_AXES 14U

typedef enum
{
    INSTANTIATED,
    INITIALIZING,
    STEPPING,
    ENDED
} unit_phase;

/* Everything that a copy of its state must hold; no pointer. */
typedef struct
{
    double numbers[N_NUMBERS];
    int32_t branch;
    int32_t locked;
    int32_t inside_tested;
    int32_t beyond_axes;
    unit_phase phase;
    @PREFIX@_differential differential;
} unit_values;

static void unit_reset(unit_values *unit)
{
    size_t i;
    for (i = 0U; i < N_NUMBERS; i++)
    {
        unit->numbers[i] = 0.0;
    }
    unit->numbers[V_OIL_TEMPERATURE] = @OIL@;
    unit->numbers[V_OUTPUT_INERTIA] = 1.0;
    unit->branch = @GUARD@_EITHER;
    unit->locked = 1;
    unit->inside_tested = 0;
    unit->beyond_axes = 0;
    unit->phase = INSTANTIATED;
    unit->differential.branch = @GUARD@_EITHER;
    unit->differential.output_inertia = 1.0;
    unit->differential.friction_torque = 0.0;
    unit->differential.speed_difference = 0.0;
}

static void unit_keep(unit_values *unit, const @PREFIX@_outputs *outputs)
{
    unit->numbers[V_LEFT_TORQUE] = outputs->left_torque;
    unit->numbers[V_RIGHT_TORQUE] = outputs->right_torque;
    unit->numbers[V_LOCKING_TORQUE] = outputs->reading.locking_torque;
    unit->numbers[V_LOCKING_TORQUE_LOW] = outputs->reading.low;
    unit->numbers[V_LOCKING_TORQUE_HIGH] = outputs->reading.high;
    unit->locked = outputs->locked;
    unit->inside_tested = outputs->reading.tested;
    unit->beyond_axes = outputs->reading.beyond;
}

/* Outputs from inputs as they are before the first step: slipping, or held with no torque between them.
 * Returns what the map returns. */
static int32_t unit_start(unit_values *unit)
{
    const double *in = unit->numbers;
    @PREFIX@_outputs outputs;
    int32_t status = @PREFIX@_start(&unit->differential, unit->branch, in[V_OUTPUT_INERTIA],
                                    in[V_LEFT_SPEED] - in[V_RIGHT_SPEED], in[V_INPUT_TORQUE], in[V_OIL_TEMPERATURE]);
    if (status == @GUARD@_DONE)
    {
        status = @PREFIX@_give(&unit->differential, in[V_INPUT_TORQUE], in[V_OIL_TEMPERATURE], &outputs);
        unit_keep(unit, &outputs);
    }
    return status;
}

static int32_t unit_step(unit_values *unit, double step)
{
    const double *in = unit->numbers;
    @PREFIX@_outputs outputs;
    const int32_t status = @PREFIX@_step(&unit->differential, step, in[V_INPUT_TORQUE], in[V_LEFT_SPEED],
                                         in[V_RIGHT_SPEED], in[V_OIL_TEMPERATURE], &outputs);
    if (status == @GUARD@_DONE)
    {
        unit_keep(unit, &outputs);
    }
    return status;
}

static int32_t unit_is_input(uint32_t reference)
{
    return ((reference >= V_INPUT_TORQUE) && (reference <= V_OIL_TEMPERATURE)) ? 1 : 0;
}

/* Returns 0 where it may not be set, or not now. */
static int32_t unit_set_number(unit_values *unit, uint32_t reference, double value)
{
    int32_t allowed = unit_is_input(reference);
    if ((reference == V_OUTPUT_INERTIA) && (unit->phase != STEPPING) && (unit->phase != ENDED))
    {
        allowed = 1;
    }
    if (allowed == 1)
    {
        unit->numbers[reference] = value;
    }
    return allowed;
}

static int32_t unit_set_branch(unit_values *unit, uint32_t reference, int32_t value)
{
    const int32_t allowed = ((reference == V_BRANCH) && (unit->phase != STEPPING) && (unit->phase != ENDED) &&
                             (value >= @GUARD@_MEAN) && (value <= @GUARD@_EITHER))
                                ? 1
                                : 0;
    if (allowed == 1)
    {
        unit->branch = value;
    }
    return allowed;
}

/* Whether a reference is one of a boolean variable. */
static int32_t unit_is_boolean(uint32_t reference)
{
    return ((reference == V_LOCKED) || (reference == V_INSIDE_TESTED) || (reference == V_BEYOND_AXES)) ? 1 : 0;
}

static int32_t unit_boolean(const unit_values *unit, uint32_t reference)
{
    int32_t value = unit->locked;
    if (reference == V_INSIDE_TESTED)
    {
        value = unit->inside_tested;
    }
    if (reference == V_BEYOND_AXES)
    {
        value = unit->beyond_axes;
    }
    return value;
}

/* While it is being initialized, outputs follow inputs. Returns 0 where they cannot. */
static int32_t unit_is_readable(unit_values *unit)
{
    return ((unit->phase != INITIALIZING) || (unit_start(unit) == @GUARD@_DONE)) ? 1 : 0;
}

static const char *unit_words(int32_t status)
{
    const char *words = "output_inertia and the step must be positive, branch one of 0, 1, 2 and 3";
    if (status == @GUARD@_NOT_A_NUMBER)
    {
        words = "an input holds no number";
    }
    return words;
}

#endif /* UNIT_H */
