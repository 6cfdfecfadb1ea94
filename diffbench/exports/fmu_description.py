"""What a simulation unit says of itself: its description by FMI 2.0 and 3.0, and its page to read."""

from __future__ import annotations

from html import escape as escape_html
from xml.sax.saxutils import escape, quoteattr

from diffbench._version import __version__
from diffbench.exports.c_law import law_alone, law_in
from diffbench.exports.fmu_variables import VARIABLES, Variable
from diffbench.results.locking_map import LockingMap

__all__ = ["build_description", "description_2", "description_3", "documentation"]

STEP = "0.001"
_UNITS = {
    "N.m": 'kg="1" m="2" s="-2"',
    "N.m/rad": 'kg="1" m="2" s="-2" rad="-1"',
    "N.m.s/rad": 'kg="1" m="2" s="-1" rad="-1"',
    "rad": 'rad="1"',
    "rad/s": 's="-1" rad="1"',
    "degC": 'K="1" offset="273.15"',
    "K": 'K="1"',
    "K/s": 'K="1" s="-1"',
    "kg.m2": 'kg="1" m="2"',
    "J": 'kg="1" m="2" s="-2"',
    "J/K": 'kg="1" m="2" s="-2" K="-1"',
    "W": 'kg="1" m="2" s="-3"',
    "W/K": 'kg="1" m="2" s="-3" K="-1"',
    "s": 's="1"',
}
_OUTPUTS = [v for v in VARIABLES if v.causality == "output"]
_RATES = [v for v in VARIABLES if v.rate_of]
_INDICATORS = [v for v in VARIABLES if v.name.endswith("_margin")]


def description_2(locking_map: LockingMap, identifier: str, token: str, c_files: list[str]) -> str:
    """``modelDescription.xml`` by FMI 2.0, section 2.2."""
    kinds = {"Float64": "Real", "Int32": "Integer", "Boolean": "Boolean"}
    files = ["    <SourceFiles>", *(f'      <File name="{name}"/>' for name in c_files), "    </SourceFiles>"]
    shown = VARIABLES[1:]  # time is not listed
    index = {variable.name: i for i, variable in enumerate(shown, 1)}
    lines = [
        *_head(
            locking_map, "2.0", f"guid={quoteattr(token)}", f' numberOfEventIndicators="{len(_INDICATORS)}"'
        ),
        f'  <ModelExchange modelIdentifier="{identifier}" canGetAndSetFMUstate="true"',
        '    canSerializeFMUstate="true" providesDirectionalDerivative="true">',
        *files,
        "  </ModelExchange>",
        f'  <CoSimulation modelIdentifier="{identifier}" canHandleVariableCommunicationStepSize="true"',
        '    canGetAndSetFMUstate="true" canSerializeFMUstate="true">',
        *files,
        "  </CoSimulation>",
        *_middle(),
        "  <ModelVariables>",
    ]
    for v in shown:
        rate = f' derivative="{index[v.rate_of]}"' if v.rate_of else ""
        lines += [
            f'    <ScalarVariable name="{v.name}"{_told(v)}><{kinds[v.kind]}{_start(v, locking_map)}{rate}/>',
            *_doubt(v, locking_map, '<Tool name="diffbench">', "</Tool>"),
            "    </ScalarVariable>",
        ]
    unknown = [index[v.name] for v in VARIABLES if _is_calculated(v)]
    lines += [
        "  </ModelVariables>",
        "  <ModelStructure>",
        "    <Outputs>",
        *(f'      <Unknown index="{index[v.name]}"/>' for v in _OUTPUTS),
        "    </Outputs>",
        "    <Derivatives>",
        *(f'      <Unknown index="{index[v.name]}"/>' for v in _RATES),
        "    </Derivatives>",
        "    <InitialUnknowns>",
        *(f'      <Unknown index="{i}"/>' for i in unknown),
        "    </InitialUnknowns>",
        "  </ModelStructure>",
        "</fmiModelDescription>",
    ]
    return "\n".join(lines) + "\n"


def description_3(locking_map: LockingMap, identifier: str, token: str) -> str:
    """``modelDescription.xml`` by FMI 3.0, section 2.4."""
    lines = [
        *_head(locking_map, "3.0", f"instantiationToken={quoteattr(token)}"),
        f'  <ModelExchange modelIdentifier="{identifier}" canGetAndSetFMUState="true"',
        '    canSerializeFMUState="true" providesDirectionalDerivatives="true"/>',
        f'  <CoSimulation modelIdentifier="{identifier}" canHandleVariableCommunicationStepSize="true"',
        '    canGetAndSetFMUState="true" canSerializeFMUState="true"/>',
        *_middle(),
        "  <ModelVariables>",
    ]
    references = {variable.name: variable.reference for variable in VARIABLES}
    for v in VARIABLES:
        rate = f' derivative="{references[v.rate_of]}"' if v.rate_of else ""
        lines += [
            f'    <{v.kind} name="{v.name}"{_told(v)}{_start(v, locking_map)}{rate}>',
            *_doubt(v, locking_map, '<Annotation type="diffbench">', "</Annotation>"),
            f"    </{v.kind}>",
        ]
    lines += [
        "  </ModelVariables>",
        "  <ModelStructure>",
        *(f'    <Output valueReference="{v.reference}"/>' for v in _OUTPUTS),
        *(f'    <ContinuousStateDerivative valueReference="{v.reference}"/>' for v in _RATES),
        *(f'    <InitialUnknown valueReference="{v.reference}"/>' for v in VARIABLES if _is_calculated(v)),
        *(f'    <EventIndicator valueReference="{v.reference}"/>' for v in _INDICATORS),
        "  </ModelStructure>",
        "</fmiModelDescription>",
    ]
    return "\n".join(lines) + "\n"


def _is_calculated(variable: Variable) -> bool:
    """Whether it must be asked for while the unit is initialized."""
    state = variable.is_state and variable.start is None
    return variable in _RATES or state or (variable in _OUTPUTS and variable.start is None)


def _doubt(variable: Variable, locking_map: LockingMap, begin: str, end: str) -> list[str]:
    """The fitted uncertainty of a parameter, as an annotation."""
    if variable.u is None:
        return []
    u = variable.u(law_in(locking_map))
    said = f'<StandardUncertainty xmlns="urn:diffbench:uncertainty" value="{u!r}"/>'
    return ["      <Annotations>", f"        {begin}{said}{end}", "      </Annotations>"]


def build_description(identifier: str, c_files: list[str]) -> str:
    """``sources/buildDescription.xml`` by FMI 3.0, section 2.5."""
    files = "\n".join(f'      <SourceFile name="{name}"/>' for name in c_files)
    return f"""<?xml version="1.0" encoding="UTF-8"?>
<fmiBuildDescription fmiVersion="3.0">
  <BuildConfiguration modelIdentifier="{identifier}">
    <SourceFileSet language="C99">
{files}
    </SourceFileSet>
  </BuildConfiguration>
</fmiBuildDescription>
"""


def documentation(locking_map: LockingMap, identifier: str) -> str:
    """The page that comes with a unit."""
    document = locking_map.document
    rows = "\n".join(
        f"<tr><td>{v.name}</td><td>{v.causality}</td><td>{v.unit or ''}</td>"
        f"<td>{escape_html(v.words)}</td></tr>"
        for v in VARIABLES[1:]
    )
    notes = "\n".join(f"<li>{escape_html(note)}</li>" for note in document.notes)
    about = f"unit {document.unit}, build {document.build}, preload law {document.law}"
    predicted = (
        f"<p>Predicted, not measured: {escape_html(document.predicted)}</p>" if document.predicted else ""
    )
    alone = "".join(f" {escape_html(said)}" for said in law_alone(locking_map))
    return f"""<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><title>{escape_html(identifier)}</title></head><body>
<h1>Limited-slip differential: {escape_html(about)}</h1>
{predicted}<p>Written by diffbench {__version__} from the map in resources/map.json, SHA-256
{locking_map.digest}. Between its nodes the map is linear. {escape_html(locking_map.beyond.rule)} There
beyond_axes is true and inside_tested is false.</p>
<table><tr><th>variable</th><th>what</th><th>unit</th><th>meaning</th></tr>
{rows}
</table>
<h2>Law</h2>
<p>resources/map.json holds the law with its parameters and their covariance (fitted_law). The locking torque
here is that law's, at the plates' own temperature and where the ramps stand; its limits are the map's there,
as shares of its torque by the law, the wider ones of plates and oil. With preload torque, scales or heat
other than as fitted they are those of the unit that the bench had, and inside_tested is false.{alone}</p>
<h2>Stick and slip</h2>
<p>A spring and a damper in series with the plates, which slip at the locking torque T: F = k z + d dz/dt
held between -T and T. Exchanged as a model, k is 20 half-shaft stiffnesses, d is 0.001 s k, and slip begins
and ends by state events. In co-simulation the same is stepped by backward Euler with k = 0.18 J/h^2 and d =
0.5 J/h, J the output_inertia and h the longest of the last 64 to 128 steps. For any row of steps energy_in
is energy_dissipated and energy_stored together, and none is ever negative.</p>
<h2>Delay</h2>
<p>Inputs are held over a co-simulation step; friction from inputs at its beginning acts over it in a host
that steps one unit after the other, and over the next one in a host that steps side by side: both are
stable. State which by friction_delay, 0 or 1: the locking torque is foreseen for the middle of that step,
from the input torque now and the longest step ago. Take friction_torque and add an input torque of your own:
it then passes without delay. Where half shafts meet a light inertia, co-simulation holds them only as stiffly
as the step allows (stick_is_soft): take the half shafts inside, or exchange the model.</p>
<h2>Half shafts inside</h2>
<p>With an inner_inertia, two equal half shafts of half_shaft_stiffness and half_shaft_damping are inside and
that inertia is between each and the plates: left_speed and right_speed are then the wheels', friction is what
the wheels feel of it, and output_inertia is a wheel's. Only what is odd in left and right is inside. Half the
input torque goes to each wheel as from an open differential, through a driveline of your own. heat_flow is
that of the plates alone; energy_in begins with what turns inside.</p>
<h2>What the map says</h2>
<ul>
{notes}
</ul>
</body></html>
"""


def _head(locking_map: LockingMap, version: str, token: str, more: str = "") -> list[str]:
    document = locking_map.document
    name = f"Limited-slip differential {document.unit}, build {document.build}"
    words = f"Locking torque from bench recordings, map with SHA-256 {locking_map.digest}"
    words = " ".join([f"{words}.", *said]) if (said := law_alone(locking_map)) else words
    if document.predicted:
        words = f"PREDICTED, not measured ({document.predicted}). {words}"
    return [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<fmiModelDescription fmiVersion="{version}" modelName={quoteattr(name)} {token}',
        f"    description={quoteattr(words)}",
        f'    generationTool="diffbench {escape(__version__)}" variableNamingConvention="structured"{more}>',
    ]


def _middle() -> list[str]:
    units = [f'    <Unit name="{name}"><BaseUnit {exponents}/></Unit>' for name, exponents in _UNITS.items()]
    return [
        "  <UnitDefinitions>",
        *units,
        "  </UnitDefinitions>",
        '  <LogCategories><Category name="logStatusError"/>',
        '    <Category name="logStatusWarning"/></LogCategories>',
        f'  <DefaultExperiment startTime="0" stepSize="{STEP}"/>',
    ]


def _told(variable: Variable) -> str:
    variability = {"Float64": "continuous", "Int32": "fixed", "Boolean": "discrete"}[variable.kind]
    if variable.causality == "parameter":
        variability = "fixed"
    initial = ""
    if variable.causality in {"output", "local"}:
        initial = f' initial="{"calculated" if variable.start is None else "exact"}"'
    if variable.causality == "parameter":
        initial = ' initial="exact"'
    said = f'valueReference="{variable.reference}" causality="{variable.causality}"'
    return f' {said} variability="{variability}"{initial} description={quoteattr(variable.words)}'


def _start(variable: Variable, locking_map: LockingMap) -> str:
    unit = "" if variable.unit is None else f' unit="{variable.unit}"'
    start = variable.start
    if callable(start):
        start = repr(start(law_in(locking_map)))
    if start == "OIL":
        heat = locking_map.axes[2]
        start = repr(float(heat[heat.size // 2]))
    return unit + ("" if start is None else f' start="{start}"')
