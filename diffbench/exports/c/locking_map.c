/* Locking torque of a plate-type limited-slip differential: see the header. */
#include "@NAME@.h"

/* Axes and tables [branch][torque][speed][temperature], written by diffbench @VERSION@. */
@DATA@
#define DAMPING 0.3    /* share of inertia over step: what a host that is two steps late still bears */
#define STIFFNESS 0.15 /* share of the damping, per step */

/* A bracket of one axis: the lower node, the next one, and the share of the way to it. */
typedef struct
{
    int32_t lower;
    int32_t upper;
    double share;
} bracket;

static bracket find(const double axis[], int32_t size, double value)
{
    bracket found = {0, 0, 0.0};
    const int32_t last = size - 1;

    if (value >= axis[last])
    {
        found.lower = last;
        found.upper = last;
    }
    else if (value > axis[0])
    {
        int32_t above = last;
        while ((above - found.lower) > 1)
        {
            const int32_t middle = found.lower + ((above - found.lower) / 2);
            if (axis[middle] <= value)
            {
                found.lower = middle;
            }
            else
            {
                above = middle;
            }
        }
        found.upper = above;
        found.share = (value - axis[found.lower]) / (axis[above] - axis[found.lower]);
    }
    else
    {
        /* at the first node or before it: that one holds here */
    }
    return found;
}

/* On the way from one number to another. */
static double between(double from, double to, double share)
{
    return from + (share * (to - from));
}

static double along_temperature(const double table[N_TORQUE][N_SPEED][N_HEAT], int32_t torque, int32_t speed,
                                const bracket *heat)
{
    return between(table[torque][speed][heat->lower], table[torque][speed][heat->upper], heat->share);
}

static double blend(const double table[N_TORQUE][N_SPEED][N_HEAT], const bracket *torque, const bracket *speed,
                    const bracket *heat)
{
    const double low = between(along_temperature(table, torque->lower, speed->lower, heat),
                               along_temperature(table, torque->lower, speed->upper, heat), speed->share);
    const double high = between(along_temperature(table, torque->upper, speed->lower, heat),
                                along_temperature(table, torque->upper, speed->upper, heat), speed->share);
    return between(low, high, torque->share);
}

/* Whether every node with a share in a place was tested. */
static int32_t all_tested(const uint8_t table[N_TORQUE][N_SPEED][N_HEAT], const bracket *torque,
                          const bracket *speed, const bracket *heat)
{
    int32_t tested = 1;
    int32_t corner;

    for (corner = 0; corner < 8; corner++)
    {
        const int32_t up_torque = corner / 4;
        const int32_t up_speed = (corner / 2) % 2;
        const int32_t up_heat = corner % 2;
        const int32_t counts = ((up_torque == 0) || (torque->share > 0.0)) && ((up_speed == 0) || (speed->share > 0.0)) &&
                               ((up_heat == 0) || (heat->share > 0.0));
        const int32_t i = (up_torque == 1) ? torque->upper : torque->lower;
        const int32_t j = (up_speed == 1) ? speed->upper : speed->lower;
        const int32_t k = (up_heat == 1) ? heat->upper : heat->lower;
        if ((counts == 1) && (table[i][j][k] == 0U))
        {
            tested = 0;
        }
    }
    return tested;
}

static double larger(double one, double other)
{
    return (one > other) ? one : other;
}

/* Neither infinite nor no number. */
static int32_t is_finite(double value)
{
    return ((value - value) == 0.0) ? 1 : 0;
}

static double magnitude(double value)
{
    return (value < 0.0) ? -value : value;
}

static double held(double value, double limit)
{
    double within = value;
    if (value > limit)
    {
        within = limit;
    }
    else if (value < -limit)
    {
        within = -limit;
    }
    else
    {
        /* within */
    }
    return within;
}

static int32_t is_within(const double axis[], int32_t size, double value)
{
    return ((value >= axis[0]) && (value <= axis[size - 1])) ? 1 : 0;
}

/* From what the ends of the axes say to what the map says beyond them: straight on along torque, held along
 * speed and temperature, the limits parting by the distance. */
static void go_on(int32_t branch, double input_torque, double size, double temperature, const bracket *speed,
                  const bracket *heat, @PREFIX@_reading *reading)
{
    const int32_t side = (input_torque < torque_axis[0]) ? 0 : 1;
    const int32_t end = (side == 0) ? 0 : (N_TORQUE - 1);
    const int32_t inner = inner_node[side];
    const double share = ((per_speed[0] * larger(speed_axis[0] - size, 0.0)) +
                          (per_speed[1] * larger(size - speed_axis[N_SPEED - 1], 0.0))) +
                         ((per_heat[0] * larger(heat_axis[0] - temperature, 0.0)) +
                          (per_heat[1] * larger(temperature - heat_axis[N_HEAT - 1], 0.0)));
    double change = 0.0;
    double by_torque = 0.0;
    double there;
    double moved;
    double wider;

    if (is_within(torque_axis, N_TORQUE, input_torque) == 0)
    {
        const double distance = input_torque - torque_axis[end];
        if (inner != end)
        {
            const bracket before = {inner, inner, 0.0};
            change = distance * ((reading->locking_torque - blend(value_table[branch], &before, speed, heat)) /
                                 (torque_axis[end] - torque_axis[inner]));
        }
        by_torque = per_torque[branch][side] * magnitude(distance);
    }
    there = larger(reading->locking_torque + change, 0.0);
    moved = there - reading->locking_torque;
    wider = larger(by_torque, OF_CHANGE * magnitude(moved)) + (share * there);
    reading->locking_torque = there;
    reading->low = larger((reading->low + moved) - wider, 0.0);
    reading->high = (reading->high + moved) + wider;
}

int32_t @PREFIX@_read(int32_t branch, double input_torque, double speed_difference, double temperature,
                      @PREFIX@_reading *reading)
{
    const double size = magnitude(speed_difference);
    int32_t status = @GUARD@_DONE;

    if ((branch < @GUARD@_MEAN) || (branch > @GUARD@_EITHER))
    {
        status = @GUARD@_OUT_OF_RANGE;
    }
    else if ((is_finite(input_torque) == 0) || (is_finite(size) == 0) || (is_finite(temperature) == 0))
    {
        status = @GUARD@_NOT_A_NUMBER;
    }
    else
    {
        const bracket torque = find(torque_axis, N_TORQUE, input_torque);
        const bracket speed = find(speed_axis, N_SPEED, size);
        const bracket heat = find(heat_axis, N_HEAT, temperature);
        reading->locking_torque = blend(value_table[branch], &torque, &speed, &heat);
        reading->low = blend(low_table[branch], &torque, &speed, &heat);
        reading->high = blend(high_table[branch], &torque, &speed, &heat);
        reading->beyond = ((is_within(torque_axis, N_TORQUE, input_torque) == 1) &&
                           (is_within(speed_axis, N_SPEED, size) == 1) &&
                           (is_within(heat_axis, N_HEAT, temperature) == 1))
                              ? 0
                              : 1;
        if (reading->beyond == 1)
        {
            go_on(branch, input_torque, size, temperature, &speed, &heat, reading);
        }
        reading->tested = ((reading->beyond == 0) && (all_tested(tested_table[branch], &torque, &speed, &heat) == 1))
                              ? 1
                              : 0;
    }
    if (status != @GUARD@_DONE)
    {
        const double infinite = 1e300 * 1e300;
        reading->locking_torque = infinite - infinite;
        reading->low = reading->locking_torque;
        reading->high = reading->locking_torque;
        reading->tested = 0;
        reading->beyond = 1;
    }
    return status;
}

double @PREFIX@_locking_torque(int32_t branch, double input_torque, double speed_difference,
                               double temperature)
{
    @PREFIX@_reading reading;
    (void)@PREFIX@_read(branch, input_torque, speed_difference, temperature, &reading);
    return reading.locking_torque;
}

int32_t @PREFIX@_give(const @PREFIX@_differential *differential, double input_torque, double oil_temperature,
                      @PREFIX@_outputs *outputs)
{
    const int32_t status = @PREFIX@_read(differential->branch, input_torque, differential->speed_difference,
                                         oil_temperature, &outputs->reading);
    const double friction = differential->friction_torque;

    outputs->left_torque = 0.5 * (input_torque - friction);
    outputs->right_torque = 0.5 * (input_torque + friction);
    outputs->locked = (magnitude(friction) < outputs->reading.locking_torque) ? 1 : 0;
    return status;
}

int32_t @PREFIX@_start(@PREFIX@_differential *differential, int32_t branch, double output_inertia,
                       double speed_difference, double input_torque, double oil_temperature)
{
    int32_t status = @GUARD@_OUT_OF_RANGE;

    if ((is_finite(output_inertia) == 1) && (output_inertia > 0.0))
    {
        @PREFIX@_reading reading;
        status = @PREFIX@_read(branch, input_torque, speed_difference, oil_temperature, &reading);
        differential->branch = branch;
        differential->output_inertia = output_inertia;
        differential->speed_difference = speed_difference;
        differential->friction_torque = 0.0;
        if ((status == @GUARD@_DONE) && (speed_difference > 0.0))
        {
            differential->friction_torque = reading.locking_torque;
        }
        if ((status == @GUARD@_DONE) && (speed_difference < 0.0))
        {
            differential->friction_torque = -reading.locking_torque;
        }
    }
    return status;
}

int32_t @PREFIX@_step(@PREFIX@_differential *differential, double step, double input_torque, double left_speed,
                      double right_speed, double oil_temperature, @PREFIX@_outputs *outputs)
{
    const double difference = left_speed - right_speed;
    int32_t status = @GUARD@_DONE;

    if ((is_finite(step) == 0) || (step <= 0.0))
    {
        status = @GUARD@_OUT_OF_RANGE;
    }
    else if ((is_finite(input_torque) == 0) || (is_finite(difference) == 0) || (is_finite(oil_temperature) == 0))
    {
        status = @GUARD@_NOT_A_NUMBER;
    }
    else
    {
        const double damping = (DAMPING * differential->output_inertia) / step;
        const double change = damping * ((difference - differential->speed_difference) + (STIFFNESS * difference));
        const double limit =
            @PREFIX@_locking_torque(differential->branch, input_torque, difference, oil_temperature);
        differential->friction_torque = held(differential->friction_torque + change, limit);
        differential->speed_difference = difference;
        status = @PREFIX@_give(differential, input_torque, oil_temperature, outputs);
    }
    return status;
}
