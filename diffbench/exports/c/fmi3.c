/* FMI 3.0, model exchange and co-simulation: the interface of the standard (Functional Mock-up Interface Specification 3.0,
 * sections 2.2, 2.3, 3 and 4) around unit.h. Declarations are those of the standard's own headers; they stand
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

static fmi3Status told(fmi3InstanceEnvironment environment, fmi3LogMessageCallback logger, fmi3Status status,
                       const char *message)
{
    if (logger != NULL)
    {
        logger(environment, status, (status == fmi3Warning) ? "logStatusWarning" : "logStatusError", message);
    }
    return status;
}

static fmi3Status refused(void *c, const char *message)
{
    const instance *unit = (const instance *)c;
    return told(unit->environment, unit->logger, fmi3Error, message);
}

static fmi3Status ended(void *c, const char *fault)
{
    return (fault == NULL) ? fmi3OK : refused(c, fault);
}

static instance *made(fmi3String token, int32_t exchanged, fmi3InstanceEnvironment environment,
                      fmi3LogMessageCallback logger)
{
    instance *unit = NULL;
    if ((token == NULL) || (strcmp(token, TOKEN) != 0))
    {
        (void)told(environment, logger, fmi3Error,
                   "the token is not that of this unit: description and binary do not belong together");
    }
    else
    {
        unit = (instance *)calloc(1U, sizeof(instance));
    }
    if (unit != NULL)
    {
        unit->values.exchanged = exchanged;
        unit_reset(&unit->values);
        unit->environment = environment;
        unit->logger = logger;
    }
    return unit;
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
    (void)name;
    (void)resources;
    (void)visible;
    (void)logging;
    (void)early_return; /* allowed, and not made use of */
    (void)required;
    (void)update;
    if (n_required > 0U)
    {
        (void)told(environment, logger, fmi3Error, "the unit has no intermediate variables");
        return NULL;
    }
    if (event_mode)
    {
        (void)told(environment, logger, fmi3Error, NO_EVENTS);
        return NULL;
    }
    return made(token, 0, environment, logger);
}

EXPORTED fmi3Instance API(fmi3InstantiateModelExchange)(fmi3String name, fmi3String token, fmi3String resources,
                                                        fmi3Boolean visible, fmi3Boolean logging,
                                                        fmi3InstanceEnvironment environment,
                                                        fmi3LogMessageCallback logger)
{
    (void)name;
    (void)resources;
    (void)visible;
    (void)logging;
    return made(token, 1, environment, logger);
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
    (void)told(environment, logger, fmi3Error, "this unit is for model exchange and co-simulation");
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
    if (unit->values.phase != INITIALIZING)
    {
        return refused(unit, "initialization has not begun");
    }
    return ended(unit, unit_begin(&unit->values));
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
    unit_refresh(&unit->values);
    for (i = 0U; i < count; i++)
    {
        if ((n_values != count) || (unit_get_number(&unit->values, vr[i], &values[i]) == 0))
        {
            return refused(unit, "there is no variable of 64-bit floats of that reference");
        }
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
        const char *fault = (n_values != count) ? "as many values are needed as variables"
                                                : unit_set_number(&unit->values, vr[i], values[i]);
        if (fault != NULL)
        {
            return refused(unit, fault);
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
            return refused(unit, "branch can be set before the initialization ends, to 0 mean, 1 loading, 2 unloading, 3 either or 4 followed");
        }
    }
    return fmi3OK;
}

EXPORTED fmi3Status API(fmi3GetBoolean)(fmi3Instance c, const fmi3ValueReference vr[], size_t count,
                                        fmi3Boolean values[], size_t n_values)
{
    instance *unit = (instance *)c;
    size_t i;
    unit_refresh(&unit->values);
    for (i = 0U; i < count; i++)
    {
        int32_t value = 0;
        if ((n_values != count) || (unit_get_boolean(&unit->values, vr[i], &value) == 0))
        {
            return refused(unit, "there is no boolean variable of that reference");
        }
        values[i] = value == 1;
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
    const char *fault = unit_step(&unit->values, time, step);
    (void)no_return;
    *event = false;
    *terminate = false;
    *early = false;
    *last = (fault == NULL) ? (time + step) : time;
    if ((fault == NULL) && (unit_warns(&unit->values) == 1))
    {
        /* told, not returned: there are hosts that end at any status but OK */
        (void)told(unit->environment, unit->logger, fmi3Warning, SOFT_WORDS);
    }
    return ended(unit, fault);
}

EXPORTED fmi3Status API(fmi3GetDirectionalDerivative)(fmi3Instance c, const fmi3ValueReference unknowns[],
        size_t n_unknowns, const fmi3ValueReference knowns[], size_t n_knowns, const fmi3Float64 seed[],
        size_t n_seed, fmi3Float64 change[], size_t n_change)
{
    instance *unit = (instance *)c;
    unit_refresh(&unit->values);
    return ((n_seed == n_knowns) && (n_change == n_unknowns) &&
            (unit_along(&unit->values, unknowns, n_unknowns, knowns, n_knowns, seed, change) == 1))
               ? fmi3OK
               : refused(c, NO_DERIVATIVE);
}

/* Model exchange. */

EXPORTED fmi3Status API(fmi3EnterEventMode)(fmi3Instance c)
{
    instance *unit = (instance *)c;
    if (unit->values.exchanged == 0)
    {
        return refused(c, NO_EVENTS);
    }
    unit->values.phase = EVENTS;
    return fmi3OK;
}

EXPORTED fmi3Status API(fmi3UpdateDiscreteStates)(fmi3Instance c, fmi3Boolean *update, fmi3Boolean *terminate,
                                                  fmi3Boolean *nominals, fmi3Boolean *values,
                                                  fmi3Boolean *next_defined, fmi3Float64 *next)
{
    unit_refresh(&((instance *)c)->values);
    *update = false;
    *terminate = false;
    *nominals = false;
    *values = false;
    *next_defined = false;
    *next = 0.0;
    return fmi3OK;
}

EXPORTED fmi3Status API(fmi3EnterContinuousTimeMode)(fmi3Instance c)
{
    instance *unit = (instance *)c;
    if (unit->values.exchanged == 0)
    {
        return refused(c, NO_EVENTS);
    }
    unit_refresh(&unit->values);
    unit->values.phase = CONTINUOUS;
    return fmi3OK;
}

EXPORTED fmi3Status API(fmi3CompletedIntegratorStep)(fmi3Instance c, fmi3Boolean no_return, fmi3Boolean *event,
                                                     fmi3Boolean *terminate)
{
    (void)no_return;
    *event = unit_complete(&((instance *)c)->values) == 1;
    *terminate = false;
    return fmi3OK;
}

EXPORTED fmi3Status API(fmi3SetTime)(fmi3Instance c, fmi3Float64 time)
{
    ((instance *)c)->values.numbers[V_TIME] = time;
    return fmi3OK;
}

/* What a model says of its states, one number for each. */
static fmi3Status unit_told(void *c, uint32_t first, size_t size, double values[], size_t count)
{
    instance *unit = (instance *)c;
    size_t i;
    if (count != size)
    {
        return refused(c, THREE_STATES);
    }
    unit_refresh(&unit->values);
    for (i = 0U; i < size; i++)
    {
        values[i] = unit->values.numbers[first + i];
    }
    return fmi3OK;
}

EXPORTED fmi3Status API(fmi3SetContinuousStates)(fmi3Instance c, const fmi3Float64 states[], size_t count)
{
    if (count != N_STATES)
    {
        return refused(c, THREE_STATES);
    }
    unit_set_states(&((instance *)c)->values, states);
    return fmi3OK;
}

EXPORTED fmi3Status API(fmi3GetContinuousStateDerivatives)(fmi3Instance c, fmi3Float64 values[], size_t count)
{
    return unit_told(c, V_TWIST_RATE, N_STATES, values, count);
}

EXPORTED fmi3Status API(fmi3GetEventIndicators)(fmi3Instance c, fmi3Float64 values[], size_t count)
{
    return unit_told(c, V_FORWARD_MARGIN, N_INDICATORS, values, count);
}

EXPORTED fmi3Status API(fmi3GetContinuousStates)(fmi3Instance c, fmi3Float64 values[], size_t count)
{
    return unit_told(c, V_TWIST, N_STATES, values, count);
}

EXPORTED fmi3Status API(fmi3GetNominalsOfContinuousStates)(fmi3Instance c, fmi3Float64 values[], size_t count)
{
    if (count != N_STATES)
    {
        return refused(c, THREE_STATES);
    }
    unit_nominals(values);
    return fmi3OK;
}

EXPORTED fmi3Status API(fmi3GetNumberOfEventIndicators)(fmi3Instance c, size_t *count)
{
    (void)c;
    *count = N_INDICATORS;
    return fmi3OK;
}

EXPORTED fmi3Status API(fmi3GetNumberOfContinuousStates)(fmi3Instance c, size_t *count)
{
    (void)c;
    *count = N_STATES;
    return fmi3OK;
}

EXPORTED fmi3Status API(fmi3EvaluateDiscreteStates)(fmi3Instance c)
{
    unit_refresh(&((instance *)c)->values);
    return fmi3OK;
}

/* What belongs to other kinds of units, or to what this one says that it cannot do. */

#define REFUSED(name, parameters, unused, why)                                                                        \
    EXPORTED fmi3Status API(name) parameters                                                                          \
    {                                                                                                                 \
        unused return refused(c, why);                                                                                \
    }
#define NO_CLOCKS "the unit has no clocks"
REFUSED(fmi3GetAdjointDerivative, (fmi3Instance c, const fmi3ValueReference a[], size_t b, const fmi3ValueReference d[],
        size_t e, const fmi3Float64 f[], size_t g, fmi3Float64 h[], size_t i),
        (void)a; (void)b; (void)d; (void)e; (void)f; (void)g; (void)h; (void)i;, "the unit gives no adjoint derivatives")
REFUSED(fmi3GetOutputDerivatives, (fmi3Instance c, const fmi3ValueReference a[], size_t b, const fmi3Int32 d[],
        fmi3Float64 e[], size_t f), (void)a; (void)b; (void)d; (void)e; (void)f;, "the unit gives no derivatives of outputs by time")
REFUSED(fmi3GetIntervalDecimal, (fmi3Instance c, const fmi3ValueReference a[], size_t b, fmi3Float64 d[],
        fmi3IntervalQualifier e[]), (void)a; (void)b; (void)d; (void)e;, NO_CLOCKS)
REFUSED(fmi3GetIntervalFraction, (fmi3Instance c, const fmi3ValueReference a[], size_t b, fmi3UInt64 d[], fmi3UInt64 e[],
        fmi3IntervalQualifier f[]), (void)a; (void)b; (void)d; (void)e; (void)f;, NO_CLOCKS)
REFUSED(fmi3GetShiftDecimal, (fmi3Instance c, const fmi3ValueReference a[], size_t b, fmi3Float64 d[]),
        (void)a; (void)b; (void)d;, NO_CLOCKS)
REFUSED(fmi3GetShiftFraction, (fmi3Instance c, const fmi3ValueReference a[], size_t b, fmi3UInt64 d[], fmi3UInt64 e[]),
        (void)a; (void)b; (void)d; (void)e;, NO_CLOCKS)
REFUSED(fmi3SetIntervalDecimal, (fmi3Instance c, const fmi3ValueReference a[], size_t b, const fmi3Float64 d[]),
        (void)a; (void)b; (void)d;, NO_CLOCKS)
REFUSED(fmi3SetIntervalFraction, (fmi3Instance c, const fmi3ValueReference a[], size_t b, const fmi3UInt64 d[],
        const fmi3UInt64 e[]), (void)a; (void)b; (void)d; (void)e;, NO_CLOCKS)
REFUSED(fmi3SetShiftDecimal, (fmi3Instance c, const fmi3ValueReference a[], size_t b, const fmi3Float64 d[]),
        (void)a; (void)b; (void)d;, NO_CLOCKS)
REFUSED(fmi3SetShiftFraction, (fmi3Instance c, const fmi3ValueReference a[], size_t b, const fmi3UInt64 d[],
        const fmi3UInt64 e[]), (void)a; (void)b; (void)d; (void)e;, NO_CLOCKS)
REFUSED(fmi3ActivateModelPartition, (fmi3Instance c, fmi3ValueReference a, fmi3Float64 b), (void)a; (void)b;, NO_CLOCKS)
REFUSED(fmi3EnterConfigurationMode, (fmi3Instance c), ;, "the unit has no structural parameters")
REFUSED(fmi3ExitConfigurationMode, (fmi3Instance c), ;, "the unit has no structural parameters")
REFUSED(fmi3EnterStepMode, (fmi3Instance c), ;, NO_EVENTS)
