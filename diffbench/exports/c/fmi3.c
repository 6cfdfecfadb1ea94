/* FMI 3.0 for co-simulation: the interface of the standard (Functional Mock-up Interface Specification 3.0,
 * sections 2.2, 2.3 and 4) around unit.h. Declarations are those of the standard's own headers; they stand
 * here so that this needs no other file. */
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#include "unit.h"

typedef void *fmi3Instance;
typedef void *fmi3InstanceEnvironment;
typedef void *fmi3FMUState;
typedef uint32_t fmi3ValueReference;
typedef float fmi3Float32;
typedef double fmi3Float64;
typedef int8_t fmi3Int8;
typedef uint8_t fmi3UInt8;
typedef int16_t fmi3Int16;
typedef uint16_t fmi3UInt16;
typedef int32_t fmi3Int32;
typedef uint32_t fmi3UInt32;
typedef int64_t fmi3Int64;
typedef uint64_t fmi3UInt64;
typedef bool fmi3Boolean;
typedef char fmi3Char;
typedef const fmi3Char *fmi3String;
typedef uint8_t fmi3Byte;
typedef const fmi3Byte *fmi3Binary;
typedef bool fmi3Clock;
typedef enum
{
    fmi3OK,
    fmi3Warning,
    fmi3Discard,
    fmi3Error,
    fmi3Fatal
} fmi3Status;
typedef enum
{
    fmi3Independent,
    fmi3Constant,
    fmi3Fixed,
    fmi3Tunable,
    fmi3Discrete,
    fmi3Dependent
} fmi3DependencyKind;
typedef enum
{
    fmi3IntervalNotYetKnown,
    fmi3IntervalUnchanged,
    fmi3IntervalChanged
} fmi3IntervalQualifier;
typedef void (*fmi3LogMessageCallback)(fmi3InstanceEnvironment environment, fmi3Status status, fmi3String category,
                                       fmi3String message);
typedef void (*fmi3ClockUpdateCallback)(fmi3InstanceEnvironment environment);
typedef void (*fmi3IntermediateUpdateCallback)(fmi3InstanceEnvironment environment, fmi3Float64 time,
                                               fmi3Boolean set_requested, fmi3Boolean get_allowed,
                                               fmi3Boolean step_finished, fmi3Boolean can_return_early,
                                               fmi3Boolean *return_requested, fmi3Float64 *return_time);
typedef void (*fmi3LockPreemptionCallback)(void);
typedef void (*fmi3UnlockPreemptionCallback)(void);

#if defined(_WIN32)
#define EXPORTED __declspec(dllexport)
#elif defined(__GNUC__)
#define EXPORTED __attribute__((visibility("default")))
#else
#define EXPORTED
#endif
/* Where several units are linked into one program, each has its functions under a name of its own. */
#if defined(FMI3_FUNCTION_PREFIX)
#define PASTED_(a, b) a##b
#define PASTED(a, b) PASTED_(a, b)
#define API(name) PASTED(FMI3_FUNCTION_PREFIX, name)
#else
#define API(name) name
#endif

typedef struct
{
    unit_values values;
    fmi3InstanceEnvironment environment;
    fmi3LogMessageCallback logger;
} instance;

static fmi3Status told(fmi3InstanceEnvironment environment, fmi3LogMessageCallback logger, const char *message)
{
    if (logger != NULL)
    {
        logger(environment, fmi3Error, "logStatusError", message);
    }
    return fmi3Error;
}

static fmi3Status refused(void *c, const char *message)
{
    const instance *unit = (const instance *)c;
    return told(unit->environment, unit->logger, message);
}

EXPORTED const char *API(fmi3GetVersion)(void)
{
    return "3.0";
}

EXPORTED fmi3Status API(fmi3SetDebugLogging)(fmi3Instance c, fmi3Boolean on, size_t count,
                                             const fmi3String categories[])
{
    (void)c;
    (void)on;
    (void)count;
    (void)categories;
    return fmi3OK; /* errors are always told, and nothing else is */
}

EXPORTED fmi3Instance API(fmi3InstantiateCoSimulation)(
    fmi3String name, fmi3String token, fmi3String resources, fmi3Boolean visible, fmi3Boolean logging,
    fmi3Boolean event_mode, fmi3Boolean early_return, const fmi3ValueReference required[], size_t n_required,
    fmi3InstanceEnvironment environment, fmi3LogMessageCallback logger, fmi3IntermediateUpdateCallback update)
{
    instance *unit = NULL;
    (void)name;
    (void)resources;
    (void)visible;
    (void)logging;
    (void)event_mode;
    (void)early_return;
    (void)required;
    (void)update;
    if (n_required > 0U)
    {
        (void)told(environment, logger, "the unit has no intermediate variables");
    }
    else if ((token == NULL) || (strcmp(token, TOKEN) != 0))
    {
        (void)told(environment, logger,
                   "the token is not that of this unit: description and binary do not belong together");
    }
    else
    {
        unit = (instance *)calloc(1U, sizeof(instance));
    }
    if (unit != NULL)
    {
        unit_reset(&unit->values);
        unit->environment = environment;
        unit->logger = logger;
    }
    return unit;
}

EXPORTED fmi3Instance API(fmi3InstantiateModelExchange)(fmi3String name, fmi3String token, fmi3String resources,
                                                        fmi3Boolean visible, fmi3Boolean logging,
                                                        fmi3InstanceEnvironment environment,
                                                        fmi3LogMessageCallback logger)
{
    (void)name;
    (void)token;
    (void)resources;
    (void)visible;
    (void)logging;
    (void)told(environment, logger, "this unit is for co-simulation alone");
    return NULL;
}

EXPORTED fmi3Instance API(fmi3InstantiateScheduledExecution)(
    fmi3String name, fmi3String token, fmi3String resources, fmi3Boolean visible, fmi3Boolean logging,
    fmi3InstanceEnvironment environment, fmi3LogMessageCallback logger, fmi3ClockUpdateCallback update,
    fmi3LockPreemptionCallback lock, fmi3UnlockPreemptionCallback unlock)
{
    (void)name;
    (void)token;
    (void)resources;
    (void)visible;
    (void)logging;
    (void)update;
    (void)lock;
    (void)unlock;
    (void)told(environment, logger, "this unit is for co-simulation alone");
    return NULL;
}

EXPORTED void API(fmi3FreeInstance)(fmi3Instance c)
{
    free(c);
}

EXPORTED fmi3Status API(fmi3EnterInitializationMode)(fmi3Instance c, fmi3Boolean tolerance_defined,
                                                     fmi3Float64 tolerance, fmi3Float64 start,
                                                     fmi3Boolean stop_defined, fmi3Float64 stop)
{
    instance *unit = (instance *)c;
    (void)tolerance_defined;
    (void)tolerance;
    (void)stop_defined;
    (void)stop;
    if (unit->values.phase != INSTANTIATED)
    {
        return refused(unit, "initialization is past: reset before it begins anew");
    }
    unit->values.numbers[V_TIME] = start;
    unit->values.phase = INITIALIZING;
    return fmi3OK;
}

EXPORTED fmi3Status API(fmi3ExitInitializationMode)(fmi3Instance c)
{
    instance *unit = (instance *)c;
    int32_t status;
    if (unit->values.phase != INITIALIZING)
    {
        return refused(unit, "initialization has not begun");
    }
    status = unit_start(&unit->values);
    if (status != @GUARD@_DONE)
    {
        return refused(unit, unit_words(status));
    }
    unit->values.phase = STEPPING;
    return fmi3OK;
}

EXPORTED fmi3Status API(fmi3Terminate)(fmi3Instance c)
{
    ((instance *)c)->values.phase = ENDED;
    return fmi3OK;
}

EXPORTED fmi3Status API(fmi3Reset)(fmi3Instance c)
{
    unit_reset(&((instance *)c)->values);
    return fmi3OK;
}

EXPORTED fmi3Status API(fmi3GetFloat64)(fmi3Instance c, const fmi3ValueReference vr[], size_t count,
                                        fmi3Float64 values[], size_t n_values)
{
    instance *unit = (instance *)c;
    size_t i;
    if ((n_values != count) || (unit_is_readable(&unit->values) == 0))
    {
        return refused(unit, "outputs cannot be had from these inputs");
    }
    for (i = 0U; i < count; i++)
    {
        if (vr[i] >= N_NUMBERS)
        {
            return refused(unit, "there is no variable of 64-bit floats of that reference");
        }
        values[i] = unit->values.numbers[vr[i]];
    }
    return fmi3OK;
}

EXPORTED fmi3Status API(fmi3SetFloat64)(fmi3Instance c, const fmi3ValueReference vr[], size_t count,
                                        const fmi3Float64 values[], size_t n_values)
{
    instance *unit = (instance *)c;
    size_t i;
    for (i = 0U; i < count; i++)
    {
        if ((n_values != count) || (unit_set_number(&unit->values, vr[i], values[i]) == 0))
        {
            return refused(unit, "inputs can be set, and output_inertia before the first step");
        }
    }
    return fmi3OK;
}

EXPORTED fmi3Status API(fmi3GetInt32)(fmi3Instance c, const fmi3ValueReference vr[], size_t count,
                                      fmi3Int32 values[], size_t n_values)
{
    instance *unit = (instance *)c;
    size_t i;
    for (i = 0U; i < count; i++)
    {
        if ((n_values != count) || (vr[i] != V_BRANCH))
        {
            return refused(unit, "there is no variable of 32-bit integers of that reference");
        }
        values[i] = unit->values.branch;
    }
    return fmi3OK;
}

EXPORTED fmi3Status API(fmi3SetInt32)(fmi3Instance c, const fmi3ValueReference vr[], size_t count,
                                      const fmi3Int32 values[], size_t n_values)
{
    instance *unit = (instance *)c;
    size_t i;
    for (i = 0U; i < count; i++)
    {
        if ((n_values != count) || (unit_set_branch(&unit->values, vr[i], values[i]) == 0))
        {
            return refused(unit, "branch can be set before the first step, to 0 mean, 1 loading, 2 unloading or 3 either");
        }
    }
    return fmi3OK;
}

EXPORTED fmi3Status API(fmi3GetBoolean)(fmi3Instance c, const fmi3ValueReference vr[], size_t count,
                                        fmi3Boolean values[], size_t n_values)
{
    instance *unit = (instance *)c;
    size_t i;
    if ((n_values != count) || (unit_is_readable(&unit->values) == 0))
    {
        return refused(unit, "outputs cannot be had from these inputs");
    }
    for (i = 0U; i < count; i++)
    {
        if (unit_is_boolean(vr[i]) == 0)
        {
            return refused(unit, "there is no boolean variable of that reference");
        }
        values[i] = unit_boolean(&unit->values, vr[i]) == 1;
    }
    return fmi3OK;
}

/* Types of which the unit has no variable that could be got or set. */
#define NONE_TO_GET(type)                                                                                            \
    EXPORTED fmi3Status API(fmi3Get##type)(fmi3Instance c, const fmi3ValueReference vr[], size_t count,               \
                                           fmi3##type values[], size_t n_values)                                      \
    {                                                                                                                 \
        (void)vr;                                                                                                     \
        (void)values;                                                                                                 \
        (void)n_values;                                                                                               \
        return (count == 0U) ? fmi3OK : refused(c, "there are no variables of that type");                            \
    }
#define NONE_TO_SET(type)                                                                                            \
    EXPORTED fmi3Status API(fmi3Set##type)(fmi3Instance c, const fmi3ValueReference vr[], size_t count,               \
                                           const fmi3##type values[], size_t n_values)                                \
    {                                                                                                                 \
        (void)vr;                                                                                                     \
        (void)values;                                                                                                 \
        (void)n_values;                                                                                               \
        return (count == 0U) ? fmi3OK : refused(c, "no variable of that type can be set");                            \
    }
NONE_TO_GET(Float32)
NONE_TO_GET(Int8)
NONE_TO_GET(UInt8)
NONE_TO_GET(Int16)
NONE_TO_GET(UInt16)
NONE_TO_GET(UInt32)
NONE_TO_GET(Int64)
NONE_TO_GET(UInt64)
NONE_TO_GET(String)
NONE_TO_SET(Float32)
NONE_TO_SET(Int8)
NONE_TO_SET(UInt8)
NONE_TO_SET(Int16)
NONE_TO_SET(UInt16)
NONE_TO_SET(UInt32)
NONE_TO_SET(Int64)
NONE_TO_SET(UInt64)
NONE_TO_SET(String)
NONE_TO_SET(Boolean)

EXPORTED fmi3Status API(fmi3GetBinary)(fmi3Instance c, const fmi3ValueReference vr[], size_t count, size_t
        sizes[], fmi3Binary values[], size_t n_values)
{
    (void)vr;
    (void)sizes;
    (void)values;
    (void)n_values;
    return (count == 0U) ? fmi3OK : refused(c, "there are no variables of that type");
}

EXPORTED fmi3Status API(fmi3SetBinary)(fmi3Instance c, const fmi3ValueReference vr[], size_t count, const
        size_t sizes[], const fmi3Binary values[], size_t n_values)
{
    (void)vr;
    (void)sizes;
    (void)values;
    (void)n_values;
    return (count == 0U) ? fmi3OK : refused(c, "no variable of that type can be set");
}

EXPORTED fmi3Status API(fmi3GetClock)(fmi3Instance c, const fmi3ValueReference vr[], size_t count, fmi3Clock
        values[])
{
    (void)vr;
    (void)values;
    return (count == 0U) ? fmi3OK : refused(c, "there are no clocks");
}

EXPORTED fmi3Status API(fmi3SetClock)(fmi3Instance c, const fmi3ValueReference vr[], size_t count, const
        fmi3Clock values[])
{
    (void)vr;
    (void)values;
    return (count == 0U) ? fmi3OK : refused(c, "there are no clocks");
}

EXPORTED fmi3Status API(fmi3GetNumberOfVariableDependencies)(fmi3Instance c, fmi3ValueReference vr, size_t
        *count)
{
    (void)vr;
    (void)count;
    return refused(c, "the unit gives no dependencies of single elements");
}

EXPORTED fmi3Status API(fmi3GetVariableDependencies)(fmi3Instance c, fmi3ValueReference dependent, size_t
        elements_of_dependent[], fmi3ValueReference independents[], size_t elements_of_independents[],
        fmi3DependencyKind kinds[], size_t count)
{
    (void)dependent;
    (void)elements_of_dependent;
    (void)independents;
    (void)elements_of_independents;
    (void)kinds;
    (void)count;
    return refused(c, "the unit gives no dependencies of single elements");
}

EXPORTED fmi3Status API(fmi3GetFMUState)(fmi3Instance c, fmi3FMUState *state)
{
    instance *unit = (instance *)c;
    if (*state == NULL)
    {
        *state = calloc(1U, sizeof(unit_values));
    }
    if (*state == NULL)
    {
        return refused(unit, "there is no memory for a copy of the state");
    }
    (void)memcpy(*state, &unit->values, sizeof(unit_values));
    return fmi3OK;
}

EXPORTED fmi3Status API(fmi3SetFMUState)(fmi3Instance c, fmi3FMUState state)
{
    (void)memcpy(&((instance *)c)->values, state, sizeof(unit_values));
    return fmi3OK;
}

EXPORTED fmi3Status API(fmi3FreeFMUState)(fmi3Instance c, fmi3FMUState *state)
{
    (void)c;
    if (state != NULL)
    {
        free(*state);
        *state = NULL;
    }
    return fmi3OK;
}

EXPORTED fmi3Status API(fmi3SerializedFMUStateSize)(fmi3Instance c, fmi3FMUState state, size_t *size)
{
    (void)c;
    (void)state;
    *size = sizeof(unit_values);
    return fmi3OK;
}

EXPORTED fmi3Status API(fmi3SerializeFMUState)(fmi3Instance c, fmi3FMUState state, fmi3Byte bytes[], size_t size)
{
    if (size < sizeof(unit_values))
    {
        return refused(c, "the place for the state is too small");
    }
    (void)memcpy(bytes, state, sizeof(unit_values));
    return fmi3OK;
}

EXPORTED fmi3Status API(fmi3DeserializeFMUState)(fmi3Instance c, const fmi3Byte bytes[], size_t size,
                                                 fmi3FMUState *state)
{
    if (size != sizeof(unit_values))
    {
        return refused(c, "these bytes are no state of this unit");
    }
    if (*state == NULL)
    {
        *state = calloc(1U, sizeof(unit_values));
    }
    if (*state == NULL)
    {
        return refused(c, "there is no memory for a copy of the state");
    }
    (void)memcpy(*state, bytes, sizeof(unit_values));
    return fmi3OK;
}

EXPORTED fmi3Status API(fmi3DoStep)(fmi3Instance c, fmi3Float64 time, fmi3Float64 step, fmi3Boolean no_return,
                                    fmi3Boolean *event, fmi3Boolean *terminate, fmi3Boolean *early,
                                    fmi3Float64 *last)
{
    instance *unit = (instance *)c;
    int32_t status;
    (void)no_return;
    *event = false;
    *terminate = false;
    *early = false;
    *last = time;
    if (unit->values.phase != STEPPING)
    {
        return refused(unit, "a step needs a unit that is initialized and not ended");
    }
    status = unit_step(&unit->values, step);
    if (status != @GUARD@_DONE)
    {
        return refused(unit, unit_words(status));
    }
    unit->values.numbers[V_TIME] = time + step;
    *last = time + step;
    return fmi3OK;
}

/* What belongs to other kinds of units, or to what this one says that it cannot do. */

EXPORTED fmi3Status API(fmi3GetDirectionalDerivative)(fmi3Instance c, const fmi3ValueReference unknowns[],
        size_t n_unknowns, const fmi3ValueReference knowns[], size_t n_knowns, const fmi3Float64 seed[],
        size_t n_seed, fmi3Float64 change[], size_t n_change)
{
    (void)unknowns;
    (void)n_unknowns;
    (void)knowns;
    (void)n_knowns;
    (void)seed;
    (void)n_seed;
    (void)change;
    (void)n_change;
    return refused(c, "the unit gives no derivatives");
}

EXPORTED fmi3Status API(fmi3GetAdjointDerivative)(fmi3Instance c, const fmi3ValueReference unknowns[],
        size_t n_unknowns, const fmi3ValueReference knowns[], size_t n_knowns, const fmi3Float64 seed[],
        size_t n_seed, fmi3Float64 change[], size_t n_change)
{
    (void)unknowns;
    (void)n_unknowns;
    (void)knowns;
    (void)n_knowns;
    (void)seed;
    (void)n_seed;
    (void)change;
    (void)n_change;
    return refused(c, "the unit gives no derivatives");
}

EXPORTED fmi3Status API(fmi3GetOutputDerivatives)(fmi3Instance c, const fmi3ValueReference vr[], size_t
        count, const fmi3Int32 orders[], fmi3Float64 values[], size_t n_values)
{
    (void)vr;
    (void)count;
    (void)orders;
    (void)values;
    (void)n_values;
    return refused(c, "the unit gives no derivatives");
}

EXPORTED fmi3Status API(fmi3GetIntervalDecimal)(fmi3Instance c, const fmi3ValueReference vr[], size_t count,
        fmi3Float64 intervals[], fmi3IntervalQualifier qualifiers[])
{
    (void)vr;
    (void)count;
    (void)intervals;
    (void)qualifiers;
    return refused(c, "the unit has no clocks");
}

EXPORTED fmi3Status API(fmi3GetIntervalFraction)(fmi3Instance c, const fmi3ValueReference vr[], size_t
        count, fmi3UInt64 counters[], fmi3UInt64 resolutions[], fmi3IntervalQualifier qualifiers[])
{
    (void)vr;
    (void)count;
    (void)counters;
    (void)resolutions;
    (void)qualifiers;
    return refused(c, "the unit has no clocks");
}

EXPORTED fmi3Status API(fmi3GetShiftDecimal)(fmi3Instance c, const fmi3ValueReference vr[], size_t count,
        fmi3Float64 shifts[])
{
    (void)vr;
    (void)count;
    (void)shifts;
    return refused(c, "the unit has no clocks");
}

EXPORTED fmi3Status API(fmi3GetShiftFraction)(fmi3Instance c, const fmi3ValueReference vr[], size_t count,
        fmi3UInt64 counters[], fmi3UInt64 resolutions[])
{
    (void)vr;
    (void)count;
    (void)counters;
    (void)resolutions;
    return refused(c, "the unit has no clocks");
}

EXPORTED fmi3Status API(fmi3SetIntervalDecimal)(fmi3Instance c, const fmi3ValueReference vr[], size_t count,
        const fmi3Float64 intervals[])
{
    (void)vr;
    (void)count;
    (void)intervals;
    return refused(c, "the unit has no clocks");
}

EXPORTED fmi3Status API(fmi3SetIntervalFraction)(fmi3Instance c, const fmi3ValueReference vr[], size_t
        count, const fmi3UInt64 counters[], const fmi3UInt64 resolutions[])
{
    (void)vr;
    (void)count;
    (void)counters;
    (void)resolutions;
    return refused(c, "the unit has no clocks");
}

EXPORTED fmi3Status API(fmi3SetShiftDecimal)(fmi3Instance c, const fmi3ValueReference vr[], size_t count,
        const fmi3Float64 shifts[])
{
    (void)vr;
    (void)count;
    (void)shifts;
    return refused(c, "the unit has no clocks");
}

EXPORTED fmi3Status API(fmi3SetShiftFraction)(fmi3Instance c, const fmi3ValueReference vr[], size_t count,
        const fmi3UInt64 counters[], const fmi3UInt64 resolutions[])
{
    (void)vr;
    (void)count;
    (void)counters;
    (void)resolutions;
    return refused(c, "the unit has no clocks");
}

EXPORTED fmi3Status API(fmi3ActivateModelPartition)(fmi3Instance c, fmi3ValueReference clock, fmi3Float64
        time)
{
    (void)clock;
    (void)time;
    return refused(c, "the unit has no clocks");
}

EXPORTED fmi3Status API(fmi3EnterConfigurationMode)(fmi3Instance c)
{
    return refused(c, "this unit is for co-simulation alone, without events");
}

EXPORTED fmi3Status API(fmi3ExitConfigurationMode)(fmi3Instance c)
{
    return refused(c, "this unit is for co-simulation alone, without events");
}

EXPORTED fmi3Status API(fmi3EnterEventMode)(fmi3Instance c)
{
    return refused(c, "this unit is for co-simulation alone, without events");
}

EXPORTED fmi3Status API(fmi3EnterStepMode)(fmi3Instance c)
{
    return refused(c, "this unit is for co-simulation alone, without events");
}

EXPORTED fmi3Status API(fmi3EvaluateDiscreteStates)(fmi3Instance c)
{
    return refused(c, "this unit is for co-simulation alone, without events");
}

EXPORTED fmi3Status API(fmi3EnterContinuousTimeMode)(fmi3Instance c)
{
    return refused(c, "this unit is for co-simulation alone, without events");
}

EXPORTED fmi3Status API(fmi3UpdateDiscreteStates)(fmi3Instance c, fmi3Boolean *update, fmi3Boolean
        *terminate, fmi3Boolean *nominals, fmi3Boolean *values, fmi3Boolean *next_defined, fmi3Float64
        *next)
{
    (void)update;
    (void)terminate;
    (void)nominals;
    (void)values;
    (void)next_defined;
    (void)next;
    return refused(c, "this unit is for co-simulation alone, without events");
}

EXPORTED fmi3Status API(fmi3CompletedIntegratorStep)(fmi3Instance c, fmi3Boolean no_return, fmi3Boolean
        *event, fmi3Boolean *terminate)
{
    (void)no_return;
    (void)event;
    (void)terminate;
    return refused(c, "this unit is for co-simulation alone, without events");
}

EXPORTED fmi3Status API(fmi3SetTime)(fmi3Instance c, fmi3Float64 time)
{
    (void)time;
    return refused(c, "this unit is for co-simulation alone, without events");
}

EXPORTED fmi3Status API(fmi3SetContinuousStates)(fmi3Instance c, const fmi3Float64 states[], size_t count)
{
    (void)states;
    (void)count;
    return refused(c, "this unit is for co-simulation alone, without events");
}

EXPORTED fmi3Status API(fmi3GetContinuousStateDerivatives)(fmi3Instance c, fmi3Float64 values[], size_t
        count)
{
    (void)values;
    (void)count;
    return refused(c, "this unit is for co-simulation alone, without events");
}

EXPORTED fmi3Status API(fmi3GetEventIndicators)(fmi3Instance c, fmi3Float64 values[], size_t count)
{
    (void)values;
    (void)count;
    return refused(c, "this unit is for co-simulation alone, without events");
}

EXPORTED fmi3Status API(fmi3GetContinuousStates)(fmi3Instance c, fmi3Float64 values[], size_t count)
{
    (void)values;
    (void)count;
    return refused(c, "this unit is for co-simulation alone, without events");
}

EXPORTED fmi3Status API(fmi3GetNominalsOfContinuousStates)(fmi3Instance c, fmi3Float64 values[], size_t
        count)
{
    (void)values;
    (void)count;
    return refused(c, "this unit is for co-simulation alone, without events");
}

EXPORTED fmi3Status API(fmi3GetNumberOfEventIndicators)(fmi3Instance c, size_t *count)
{
    (void)count;
    return refused(c, "this unit is for co-simulation alone, without events");
}

EXPORTED fmi3Status API(fmi3GetNumberOfContinuousStates)(fmi3Instance c, size_t *count)
{
    (void)count;
    return refused(c, "this unit is for co-simulation alone, without events");
}
