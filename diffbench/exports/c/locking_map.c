/* Locking torque of a plate-type limited-slip differential: see the header. */
#include "@NAME@.h"

/* Axes and tables [branch][torque][speed][temperature], written by diffbench @VERSION@. */
@DATA@
/* A bracket of one axis: the lower node, the next one, and the share of the way to it. */
typedef struct
{
    int32_t lower;
    int32_t upper;
    @REAL@ share;
} bracket;

static bracket find(const @REAL@ axis[], int32_t size, @REAL@ value)
{
    bracket found = {0, 0, 0.0@F@};
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
static @REAL@ between(@REAL@ from, @REAL@ to, @REAL@ share)
{
    return from + (share * (to - from));
}

static @REAL@ along_temperature(const @REAL@ table[N_TORQUE][N_SPEED][N_HEAT], int32_t torque, int32_t speed,
                                const bracket *heat)
{
    return between(table[torque][speed][heat->lower], table[torque][speed][heat->upper], heat->share);
}

static @REAL@ blend(const @REAL@ table[N_TORQUE][N_SPEED][N_HEAT], const bracket *torque, const bracket *speed,
                    const bracket *heat)
{
    const @REAL@ low = between(along_temperature(table, torque->lower, speed->lower, heat),
                               along_temperature(table, torque->lower, speed->upper, heat), speed->share);
    const @REAL@ high = between(along_temperature(table, torque->upper, speed->lower, heat),
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
        const int32_t counts = ((up_torque == 0) || (torque->share > 0.0@F@)) && ((up_speed == 0) || (speed->share > 0.0@F@)) &&
                               ((up_heat == 0) || (heat->share > 0.0@F@));
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

static @REAL@ larger(@REAL@ one, @REAL@ other)
{
    return (one > other) ? one : other;
}

/* Neither infinite nor no number. */
static int32_t is_finite(@REAL@ value)
{
    return ((value - value) == 0.0@F@) ? 1 : 0;
}

static @REAL@ magnitude(@REAL@ value)
{
    return (value < 0.0@F@) ? -value : value;
}

static int32_t is_within(const @REAL@ axis[], int32_t size, @REAL@ value)
{
    return ((value >= axis[0]) && (value <= axis[size - 1])) ? 1 : 0;
}

/* From what the ends of the axes say to what the map says beyond them: straight on along torque, held along
 * speed and temperature, the limits parting by the distance. */
static void go_on(int32_t branch, @REAL@ input_torque, @REAL@ size, @REAL@ temperature, const bracket *speed,
                  const bracket *heat, @PREFIX@_reading *reading)
{
    const int32_t side = (input_torque < torque_axis[0]) ? 0 : 1;
    const int32_t end = (side == 0) ? 0 : (N_TORQUE - 1);
    const int32_t inner = inner_node[side];
    const @REAL@ share = ((per_speed[0] * larger(speed_axis[0] - size, 0.0@F@)) +
                          (per_speed[1] * larger(size - speed_axis[N_SPEED - 1], 0.0@F@))) +
                         ((per_heat[0] * larger(heat_axis[0] - temperature, 0.0@F@)) +
                          (per_heat[1] * larger(temperature - heat_axis[N_HEAT - 1], 0.0@F@)));
    @REAL@ change = 0.0@F@;
    @REAL@ by_torque = 0.0@F@;
    @REAL@ there;
    @REAL@ moved;
    @REAL@ wider;

    if (is_within(torque_axis, N_TORQUE, input_torque) == 0)
    {
        const @REAL@ distance = input_torque - torque_axis[end];
        if (inner != end)
        {
            const bracket before = {inner, inner, 0.0@F@};
            change = distance * ((reading->locking_torque - blend(value_table[branch], &before, speed, heat)) /
                                 (torque_axis[end] - torque_axis[inner]));
        }
        by_torque = per_torque[branch][side] * magnitude(distance);
    }
    there = larger(reading->locking_torque + change, 0.0@F@);
    moved = there - reading->locking_torque;
    wider = larger(by_torque, OF_CHANGE * magnitude(moved)) + (share * there);
    reading->locking_torque = there;
    reading->low = larger((reading->low + moved) - wider, 0.0@F@);
    reading->high = (reading->high + moved) + wider;
}

int32_t @PREFIX@_read(int32_t branch, @REAL@ input_torque, @REAL@ speed_difference, @REAL@ temperature,
                      @PREFIX@_reading *reading)
{
    const @REAL@ size = magnitude(speed_difference);
    int32_t status = @GUARD@_DONE;

    if ((branch < @GUARD@_MEAN) || (branch > @GUARD@_EITHER))
    {
        status = @GUARD@_OUT_OF_RANGE;
    }
    else if ((is_finite(input_torque) == 0) || (is_finite(size) == 0) || (is_finite(temperature) == 0))
    {
        status = @GUARD@_NOT_A_NUMBER;
    }
    else if (temperature < -273.15@F@)
    {
        status = @GUARD@_BELOW_ABSOLUTE_ZERO;
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
        const @REAL@ infinite = (@REAL@)(1e300 * 1e300);
        reading->locking_torque = infinite - infinite;
        reading->low = reading->locking_torque;
        reading->high = reading->locking_torque;
        reading->tested = 0;
        reading->beyond = 1;
    }
    return status;
}

@REAL@ @PREFIX@_locking_torque(int32_t branch, @REAL@ input_torque, @REAL@ speed_difference,
                               @REAL@ temperature)
{
    @PREFIX@_reading reading;
    (void)@PREFIX@_read(branch, input_torque, speed_difference, temperature, &reading);
    return reading.locking_torque;
}
