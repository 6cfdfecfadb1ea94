/* FMI 2.0, model exchange and co-simulation: the interface of the standard (Functional Mock-up Interface for Model Exchange
 * and Co-Simulation 2.0, sections 2.1, 2.2, 3.2 and 4.2) around unit.h. Declarations are those of the standard's
 * own headers, type platform "default"; they stand here so that this needs no other file. */
#include <stdlib.h>
#include <string.h>

#include "unit.h"

typedef void *fmi2Component;
typedef void *fmi2ComponentEnvironment;
typedef void *fmi2FMUstate;
typedef unsigned int fmi2ValueReference;
typedef double fmi2Real;
typedef int fmi2Integer;
typedef int fmi2Boolean;
typedef char fmi2Char;
typedef const fmi2Char *fmi2String;
typedef char fmi2Byte;
typedef enum
{
    fmi2OK,
    fmi2Warning,
    fmi2Discard,
    fmi2Error,
    fmi2Fatal,
    fmi2Pending
} fmi2Status;
typedef enum
{
    fmi2ModelExchange,
    fmi2CoSimulation
} fmi2Type;
typedef enum
{
    fmi2DoStepStatus,
    fmi2PendingStatus,
    fmi2LastSuccessfulTime,
    fmi2Terminated
} fmi2StatusKind;
typedef struct
{
    void (*logger)(fmi2ComponentEnvironment environment, fmi2String name, fmi2Status status, fmi2String category,
                   fmi2String message, ...);
    void *(*allocateMemory)(size_t count, size_t size);
    void (*freeMemory)(void *memory);
    void (*stepFinished)(fmi2ComponentEnvironment environment, fmi2Status status);
    fmi2ComponentEnvironment componentEnvironment;
} fmi2CallbackFunctions;
typedef struct
{
    fmi2Boolean newDiscreteStatesNeeded;
    fmi2Boolean terminateSimulation;
    fmi2Boolean nominalsOfContinuousStatesChanged;
    fmi2Boolean valuesOfContinuousStatesChanged;
    fmi2Boolean nextEventTimeDefined;
    fmi2Real nextEventTime;
} fmi2EventInfo;

#if defined(_WIN32)
#define EXPORTED __declspec(dllexport)
#elif defined(__GNUC__)
#define EXPORTED __attribute__((visibility("default")))
#else
#define EXPORTED
#endif
/* Where several units are linked into one program, each has its functions under a name of its own. */
#if defined(FMI2_FUNCTION_PREFIX)
#define PASTED_(a, b) a##b
#define PASTED(a, b) PASTED_(a, b)
#define API(name) PASTED(FMI2_FUNCTION_PREFIX, name)
#else
#define API(name) name
#endif

typedef struct
{
    unit_values values;
    const fmi2CallbackFunctions *callbacks;
    double last_time;
    char name[64];
} instance;

static void *take(const fmi2CallbackFunctions *callbacks, size_t size)
{
    return ((callbacks != NULL) && (callbacks->allocateMemory != NULL)) ? callbacks->allocateMemory(1U, size)
                                                                       : calloc(1U, size);
}

static void give_back(const fmi2CallbackFunctions *callbacks, void *memory)
{
    if ((callbacks != NULL) && (callbacks->freeMemory != NULL))
    {
        callbacks->freeMemory(memory);
    }
    else
    {
        free(memory);
    }
}

static fmi2Status told(const fmi2CallbackFunctions *callbacks, const char *name, fmi2Status status, const char *message)
{
    if ((callbacks != NULL) && (callbacks->logger != NULL))
    {
        callbacks->logger(callbacks->componentEnvironment, name, status,
                          (status == fmi2Warning) ? "logStatusWarning" : "logStatusError", "%s", message);
    }
    return status;
}

static fmi2Status refused(void *c, const char *message)
{
    const instance *unit = (const instance *)c;
    return told(unit->callbacks, unit->name, fmi2Error, message);
}

static fmi2Status ended(void *c, const char *fault)
{
    return (fault == NULL) ? fmi2OK : refused(c, fault);
}

EXPORTED const char *API(fmi2GetTypesPlatform)(void)
{
    return "default";
}

EXPORTED const char *API(fmi2GetVersion)(void)
{
    return "2.0";
}

EXPORTED fmi2Status API(fmi2SetDebugLogging)(fmi2Component c, fmi2Boolean on, size_t count,
                                             const fmi2String categories[])
{
    (void)c;
    (void)on;
    (void)count;
    (void)categories;
    return fmi2OK; /* errors are always told, and nothing else is */
}

EXPORTED fmi2Component API(fmi2Instantiate)(fmi2String name, fmi2Type type, fmi2String guid, fmi2String resources,
                                            const fmi2CallbackFunctions *callbacks, fmi2Boolean visible,
                                            fmi2Boolean logging)
{
    instance *unit = NULL;
    (void)resources;
    (void)visible;
    (void)logging;
    if ((guid == NULL) || (strcmp(guid, TOKEN) != 0))
    {
        (void)told(callbacks, name, fmi2Error, "the guid is not that of this unit: description and binary do not belong together");
    }
    else
    {
        unit = (instance *)take(callbacks, sizeof(instance));
    }
    if (unit != NULL)
    {
        unit->values.exchanged = (type == fmi2ModelExchange) ? 1 : 0;
        unit_reset(&unit->values);
        unit->callbacks = callbacks;
        unit->last_time = 0.0;
        unit->name[0] = '\0';
        if (name != NULL)
        {
            (void)strncat(unit->name, name, sizeof(unit->name) - 1U);
        }
    }
    return unit;
}

EXPORTED void API(fmi2FreeInstance)(fmi2Component c)
{
    if (c != NULL)
    {
        give_back(((instance *)c)->callbacks, c);
    }
}

EXPORTED fmi2Status API(fmi2SetupExperiment)(fmi2Component c, fmi2Boolean tolerance_defined, fmi2Real tolerance,
                                             fmi2Real start, fmi2Boolean stop_defined, fmi2Real stop)
{
    instance *unit = (instance *)c;
    (void)tolerance_defined;
    (void)tolerance;
    (void)stop_defined;
    (void)stop;
    unit->last_time = start;
    unit->values.numbers[V_TIME] = start;
    return fmi2OK;
}

EXPORTED fmi2Status API(fmi2EnterInitializationMode)(fmi2Component c)
{
    instance *unit = (instance *)c;
    if (unit->values.phase != INSTANTIATED)
    {
        return refused(unit, "initialization is past: reset before it begins anew");
    }
    unit->values.phase = INITIALIZING;
    return fmi2OK;
}

EXPORTED fmi2Status API(fmi2ExitInitializationMode)(fmi2Component c)
{
    instance *unit = (instance *)c;
    if (unit->values.phase != INITIALIZING)
    {
        return refused(unit, "initialization has not begun");
    }
    return ended(unit, unit_begin(&unit->values));
}

EXPORTED fmi2Status API(fmi2Terminate)(fmi2Component c)
{
    ((instance *)c)->values.phase = ENDED;
    return fmi2OK;
}

EXPORTED fmi2Status API(fmi2Reset)(fmi2Component c)
{
    unit_reset(&((instance *)c)->values);
    return fmi2OK;
}

EXPORTED fmi2Status API(fmi2GetReal)(fmi2Component c, const fmi2ValueReference vr[], size_t count, fmi2Real value[])
{
    instance *unit = (instance *)c;
    size_t i;
    unit_refresh(&unit->values);
    for (i = 0U; i < count; i++)
    {
        if (unit_get_number(&unit->values, vr[i], &value[i]) == 0)
        {
            return refused(unit, "there is no real variable of that reference");
        }
    }
    return fmi2OK;
}

EXPORTED fmi2Status API(fmi2GetInteger)(fmi2Component c, const fmi2ValueReference vr[], size_t count,
                                        fmi2Integer value[])
{
    instance *unit = (instance *)c;
    size_t i;
    for (i = 0U; i < count; i++)
    {
        if (vr[i] != V_BRANCH)
        {
            return refused(unit, "there is no integer variable of that reference");
        }
        value[i] = (fmi2Integer)unit->values.branch;
    }
    return fmi2OK;
}

EXPORTED fmi2Status API(fmi2GetBoolean)(fmi2Component c, const fmi2ValueReference vr[], size_t count,
                                        fmi2Boolean value[])
{
    instance *unit = (instance *)c;
    size_t i;
    unit_refresh(&unit->values);
    for (i = 0U; i < count; i++)
    {
        if (unit_get_boolean(&unit->values, vr[i], &value[i]) == 0)
        {
            return refused(unit, "there is no boolean variable of that reference");
        }
    }
    return fmi2OK;
}

EXPORTED fmi2Status API(fmi2GetString)(fmi2Component c, const fmi2ValueReference vr[], size_t count,
                                       fmi2String value[])
{
    (void)vr;
    (void)value;
    return (count == 0U) ? fmi2OK : refused(c, "there are no string variables");
}

EXPORTED fmi2Status API(fmi2SetReal)(fmi2Component c, const fmi2ValueReference vr[], size_t count,
                                     const fmi2Real value[])
{
    instance *unit = (instance *)c;
    size_t i;
    for (i = 0U; i < count; i++)
    {
        const char *fault = unit_set_number(&unit->values, vr[i], value[i]);
        if (fault != NULL)
        {
            return refused(unit, fault);
        }
    }
    return fmi2OK;
}

EXPORTED fmi2Status API(fmi2SetInteger)(fmi2Component c, const fmi2ValueReference vr[], size_t count,
                                        const fmi2Integer value[])
{
    instance *unit = (instance *)c;
    size_t i;
    for (i = 0U; i < count; i++)
    {
        if (unit_set_branch(&unit->values, vr[i], (int32_t)value[i]) == 0)
        {
            return refused(unit, "branch can be set before the initialization ends, to 0 mean, 1 loading, 2 unloading, 3 either or 4 followed");
        }
    }
    return fmi2OK;
}

EXPORTED fmi2Status API(fmi2SetBoolean)(fmi2Component c, const fmi2ValueReference vr[], size_t count,
                                        const fmi2Boolean value[])
{
    (void)vr;
    (void)value;
    return (count == 0U) ? fmi2OK : refused(c, "no boolean variable can be set");
}

EXPORTED fmi2Status API(fmi2SetString)(fmi2Component c, const fmi2ValueReference vr[], size_t count,
                                       const fmi2String value[])
{
    (void)vr;
    (void)value;
    return (count == 0U) ? fmi2OK : refused(c, "there are no string variables");
}

EXPORTED fmi2Status API(fmi2GetFMUstate)(fmi2Component c, fmi2FMUstate *state)
{
    instance *unit = (instance *)c;
    if (*state == NULL)
    {
        *state = take(unit->callbacks, sizeof(unit_values));
    }
    if (*state == NULL)
    {
        return refused(unit, "there is no memory for a copy of the state");
    }
    (void)memcpy(*state, &unit->values, sizeof(unit_values));
    return fmi2OK;
}

EXPORTED fmi2Status API(fmi2SetFMUstate)(fmi2Component c, fmi2FMUstate state)
{
    (void)memcpy(&((instance *)c)->values, state, sizeof(unit_values));
    return fmi2OK;
}

EXPORTED fmi2Status API(fmi2FreeFMUstate)(fmi2Component c, fmi2FMUstate *state)
{
    if ((state != NULL) && (*state != NULL))
    {
        give_back(((instance *)c)->callbacks, *state);
        *state = NULL;
    }
    return fmi2OK;
}

EXPORTED fmi2Status API(fmi2SerializedFMUstateSize)(fmi2Component c, fmi2FMUstate state, size_t *size)
{
    (void)c;
    (void)state;
    *size = sizeof(unit_values);
    return fmi2OK;
}

EXPORTED fmi2Status API(fmi2SerializeFMUstate)(fmi2Component c, fmi2FMUstate state, fmi2Byte bytes[], size_t size)
{
    if (size < sizeof(unit_values))
    {
        return refused((instance *)c, "the place for the state is too small");
    }
    (void)memcpy(bytes, state, sizeof(unit_values));
    return fmi2OK;
}

EXPORTED fmi2Status API(fmi2DeSerializeFMUstate)(fmi2Component c, const fmi2Byte bytes[], size_t size,
                                                 fmi2FMUstate *state)
{
    instance *unit = (instance *)c;
    if (size != sizeof(unit_values))
    {
        return refused(unit, "these bytes are no state of this unit");
    }
    if (*state == NULL)
    {
        *state = take(unit->callbacks, sizeof(unit_values));
    }
    if (*state == NULL)
    {
        return refused(unit, "there is no memory for a copy of the state");
    }
    (void)memcpy(*state, bytes, sizeof(unit_values));
    return fmi2OK;
}

EXPORTED fmi2Status API(fmi2GetDirectionalDerivative)(fmi2Component c, const fmi2ValueReference unknown[],
                                                      size_t n_unknown, const fmi2ValueReference known[],
                                                      size_t n_known, const fmi2Real seed[], fmi2Real change[])
{
    instance *unit = (instance *)c;
    unit_refresh(&unit->values);
    return (unit_along(&unit->values, unknown, n_unknown, known, n_known, seed, change) == 1)
               ? fmi2OK
               : refused(c, NO_DERIVATIVE);
}

EXPORTED fmi2Status API(fmi2SetRealInputDerivatives)(fmi2Component c, const fmi2ValueReference vr[], size_t count,
                                                     const fmi2Integer order[], const fmi2Real value[])
{
    (void)vr;
    (void)count;
    (void)order;
    (void)value;
    return refused((instance *)c, "the unit takes no derivatives of inputs");
}

EXPORTED fmi2Status API(fmi2GetRealOutputDerivatives)(fmi2Component c, const fmi2ValueReference vr[], size_t count,
                                                      const fmi2Integer order[], fmi2Real value[])
{
    (void)vr;
    (void)count;
    (void)order;
    (void)value;
    return refused((instance *)c, "the unit gives no derivatives");
}

EXPORTED fmi2Status API(fmi2DoStep)(fmi2Component c, fmi2Real time, fmi2Real step, fmi2Boolean no_return)
{
    instance *unit = (instance *)c;
    const char *fault = unit_step(&unit->values, time, step);
    (void)no_return;
    unit->last_time = unit->values.numbers[V_TIME];
    if ((fault == NULL) && (unit_warns(&unit->values) == 1))
    {
        /* told, not returned: there are hosts that end at any status but OK */
        (void)told(unit->callbacks, unit->name, fmi2Warning, SOFT_WORDS);
    }
    return ended(unit, fault);
}

EXPORTED fmi2Status API(fmi2CancelStep)(fmi2Component c)
{
    return refused((instance *)c, "no step is ever pending");
}

EXPORTED fmi2Status API(fmi2GetStatus)(fmi2Component c, const fmi2StatusKind kind, fmi2Status *value)
{
    (void)kind;
    (void)value;
    (void)c;
    return fmi2Discard; /* no step is ever pending */
}

EXPORTED fmi2Status API(fmi2GetRealStatus)(fmi2Component c, const fmi2StatusKind kind, fmi2Real *value)
{
    fmi2Status status = fmi2Discard;
    if (kind == fmi2LastSuccessfulTime)
    {
        *value = ((instance *)c)->last_time;
        status = fmi2OK;
    }
    return status;
}

EXPORTED fmi2Status API(fmi2GetIntegerStatus)(fmi2Component c, const fmi2StatusKind kind, fmi2Integer *value)
{
    (void)c;
    (void)kind;
    (void)value;
    return fmi2Discard;
}

EXPORTED fmi2Status API(fmi2GetBooleanStatus)(fmi2Component c, const fmi2StatusKind kind, fmi2Boolean *value)
{
    fmi2Status status = fmi2Discard;
    if (kind == fmi2Terminated)
    {
        *value = (((instance *)c)->values.phase == ENDED) ? 1 : 0;
        status = fmi2OK;
    }
    return status;
}

EXPORTED fmi2Status API(fmi2GetStringStatus)(fmi2Component c, const fmi2StatusKind kind, fmi2String *value)
{
    (void)c;
    (void)kind;
    (void)value;
    return fmi2Discard;
}

/* Model exchange. */

EXPORTED fmi2Status API(fmi2EnterEventMode)(fmi2Component c)
{
    instance *unit = (instance *)c;
    if (unit->values.exchanged == 0)
    {
        return refused(c, NO_EVENTS);
    }
    unit->values.phase = EVENTS;
    return fmi2OK;
}

EXPORTED fmi2Status API(fmi2NewDiscreteStates)(fmi2Component c, fmi2EventInfo *info)
{
    unit_refresh(&((instance *)c)->values);
    (void)memset(info, 0, sizeof(*info));
    return fmi2OK;
}

EXPORTED fmi2Status API(fmi2EnterContinuousTimeMode)(fmi2Component c)
{
    instance *unit = (instance *)c;
    if (unit->values.exchanged == 0)
    {
        return refused(c, NO_EVENTS);
    }
    unit_refresh(&unit->values);
    unit->values.phase = CONTINUOUS;
    return fmi2OK;
}

EXPORTED fmi2Status API(fmi2CompletedIntegratorStep)(fmi2Component c, fmi2Boolean no_return, fmi2Boolean *event,
                                                     fmi2Boolean *terminate)
{
    (void)no_return;
    *event = (fmi2Boolean)unit_complete(&((instance *)c)->values);
    *terminate = 0;
    return fmi2OK;
}

EXPORTED fmi2Status API(fmi2SetTime)(fmi2Component c, fmi2Real time)
{
    ((instance *)c)->values.numbers[V_TIME] = time;
    return fmi2OK;
}

/* What a model says of its states, one number for each. */
static fmi2Status unit_told(void *c, uint32_t first, size_t size, double values[], size_t count)
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
    return fmi2OK;
}

EXPORTED fmi2Status API(fmi2SetContinuousStates)(fmi2Component c, const fmi2Real states[], size_t count)
{
    if (count != N_STATES)
    {
        return refused(c, THREE_STATES);
    }
    unit_set_states(&((instance *)c)->values, states);
    return fmi2OK;
}

EXPORTED fmi2Status API(fmi2GetDerivatives)(fmi2Component c, fmi2Real rates[], size_t count)
{
    return unit_told(c, V_TWIST_RATE, N_STATES, rates, count);
}

EXPORTED fmi2Status API(fmi2GetEventIndicators)(fmi2Component c, fmi2Real indicators[], size_t count)
{
    return unit_told(c, V_FORWARD_MARGIN, N_INDICATORS, indicators, count);
}

EXPORTED fmi2Status API(fmi2GetContinuousStates)(fmi2Component c, fmi2Real states[], size_t count)
{
    return unit_told(c, V_TWIST, N_STATES, states, count);
}

EXPORTED fmi2Status API(fmi2GetNominalsOfContinuousStates)(fmi2Component c, fmi2Real nominals[], size_t count)
{
    if (count != N_STATES)
    {
        return refused(c, THREE_STATES);
    }
    unit_nominals(nominals);
    return fmi2OK;
}
