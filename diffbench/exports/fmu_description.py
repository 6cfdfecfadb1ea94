"""What a unit for co-simulation says of itself: its description by FMI 2.0 and 3.0, and its page to read."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape as escape_html
from xml.sax.saxutils import escape, quoteattr

from diffbench._version import __version__
from diffbench.results.locking_map import LockingMap

__all__ = ["VARIABLES", "Variable", "build_description", "description_2", "description_3", "documentation"]

STEP = "0.001"


@dataclass(frozen=True)
class Variable:
    """A variable of the unit, with the reference that its C source knows it by."""

    name: str
    reference: int
    causality: str
    kind: str
    unit: str | None
    start: str | None
    words: str


VARIABLES = (
    Variable("input_torque", 1, "input", "Float64", "N.m", "0", "torque at the case, positive in drive"),
    Variable("left_speed", 2, "input", "Float64", "rad/s", "0", "speed of the left output"),
    Variable("right_speed", 3, "input", "Float64", "rad/s", "0", "speed of the right output"),
    Variable("oil_temperature", 4, "input", "Float64", "degC", "OIL", "temperature of plates and oil"),
    Variable("left_torque", 5, "output", "Float64", "N.m", None, "torque to the left output"),
    Variable("right_torque", 6, "output", "Float64", "N.m", None, "torque to the right output"),
    Variable(
        "locking_torque", 7, "output", "Float64", "N.m", None, "largest left-right difference it can carry"
    ),
    Variable("locking_torque_low", 8, "output", "Float64", "N.m", None, "lower 95 % limit of that"),
    Variable("locking_torque_high", 9, "output", "Float64", "N.m", None, "upper 95 % limit of that"),
    Variable("locked", 12, "output", "Boolean", None, None, "holds the outputs together"),
    Variable("inside_tested", 13, "output", "Boolean", None, None, "inside what the bench tested"),
    Variable("beyond_axes", 14, "output", "Boolean", None, None, "outside the axes of the map"),
    Variable(
        "output_inertia",
        10,
        "parameter",
        "Float64",
        "kg.m2",
        "1",
        "inertia that turns with one output, at most twice the true one; harmonic mean if they differ",
    ),
    Variable(
        "branch",
        11,
        "parameter",
        "Int32",
        None,
        "3",
        "ramps: 0 mean, 1 loading, 2 unloading, 3 either: not known which, limits around both",
    ),
)
_UNITS = {
    "N.m": 'kg="1" m="2" s="-2"',
    "rad/s": 's="-1" rad="1"',
    "degC": 'K="1" offset="273.15"',
    "kg.m2": 'kg="1" m="2"',
    "s": 's="1"',
}
_ABLE = 'canHandleVariableCommunicationStepSize="true"'
_TIME = (
    '    <Float64 name="time" valueReference="0" causality="independent" variability="continuous" unit="s"'
    ' description="time"/>'
)


def description_2(locking_map: LockingMap, identifier: str, token: str, c_files: list[str]) -> str:
    """``modelDescription.xml`` by FMI 2.0, section 2.2."""
    kinds = {"Float64": "Real", "Int32": "Integer", "Boolean": "Boolean"}
    lines = [
        *_head(locking_map, "2.0", f"guid={quoteattr(token)}"),
        f'  <CoSimulation modelIdentifier="{identifier}" {_ABLE}',
        '    canGetAndSetFMUstate="true" canSerializeFMUstate="true">',
        "    <SourceFiles>",
        *(f'      <File name="{name}"/>' for name in c_files),
        "    </SourceFiles>",
        "  </CoSimulation>",
        *_middle(),
        "  <ModelVariables>",
    ]
    lines += [
        f'    <ScalarVariable name="{v.name}" valueReference="{v.reference}"{_manner(v)}'
        f" description={quoteattr(v.words)}>"
        f"<{kinds[v.kind]}{_unit_and_start(v, locking_map)}/></ScalarVariable>"
        for v in VARIABLES
    ]
    outputs = [i for i, variable in enumerate(VARIABLES, 1) if variable.causality == "output"]
    lines += [
        "  </ModelVariables>",
        "  <ModelStructure>",
        "    <Outputs>",
        *(f'      <Unknown index="{i}" dependencies=""/>' for i in outputs),
        "    </Outputs>",
        "    <InitialUnknowns>",
        *(f'      <Unknown index="{i}"/>' for i in outputs),
        "    </InitialUnknowns>",
        "  </ModelStructure>",
        "</fmiModelDescription>",
    ]
    return "\n".join(lines) + "\n"


def description_3(locking_map: LockingMap, identifier: str, token: str) -> str:
    """``modelDescription.xml`` by FMI 3.0, section 2.4."""
    lines = [
        *_head(locking_map, "3.0", f"instantiationToken={quoteattr(token)}"),
        f'  <CoSimulation modelIdentifier="{identifier}" {_ABLE}',
        '    canGetAndSetFMUState="true" canSerializeFMUState="true"/>',
        *_middle(),
        "  <ModelVariables>",
        _TIME,
    ]
    lines += [
        f'    <{v.kind} name="{v.name}" valueReference="{v.reference}"{_manner(v)}'
        f"{_unit_and_start(v, locking_map)} description={quoteattr(v.words)}/>"
        for v in VARIABLES
    ]
    outputs = [variable.reference for variable in VARIABLES if variable.causality == "output"]
    lines += [
        "  </ModelVariables>",
        "  <ModelStructure>",
        *(f'    <Output valueReference="{reference}" dependencies=""/>' for reference in outputs),
        *(f'    <InitialUnknown valueReference="{reference}"/>' for reference in outputs),
        "  </ModelStructure>",
        "</fmiModelDescription>",
    ]
    return "\n".join(lines) + "\n"


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
        for v in VARIABLES
    )
    notes = "\n".join(f"<li>{escape_html(note)}</li>" for note in document.notes)
    about = f"unit {document.unit}, build {document.build}, preload law {document.law}"
    predicted = (
        f"<p>Predicted, not measured: {escape_html(document.predicted)}</p>" if document.predicted else ""
    )
    return f"""<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><title>{escape_html(identifier)}</title></head><body>
<h1>Limited-slip differential: {escape_html(about)}</h1>
{predicted}<p>Written by diffbench {__version__} from the map in resources/map.json, SHA-256
{locking_map.digest}. Between its nodes the map is linear. {escape_html(locking_map.beyond.rule)} There
beyond_axes is true and inside_tested is false.</p>
<table><tr><th>variable</th><th>what</th><th>unit</th><th>meaning</th></tr>
{rows}
</table>
<h2>Stick and slip</h2>
<p>The outputs are joined by a spring and a damper in parallel that give way at the locking torque: what acts
against the slip is F = min(max(F' + d (w - w') + k h w, -T), T), T the locking torque, w the left less the
right speed, ' the step before, h the step, d = 0.3 J/h, k h = 0.15 d, J the output_inertia. Left and right
torque add up to the input torque. While slipping F is T; as the slip ends F falls ahead of it, and zero is
passed by no more than 1.1 times what one step at the locking torque changes; held together, F is what the
driveline asks. Spring and damper give back no more than they took, T² h²/(0.18 J) at most.</p>
<h2>Delay</h2>
<p>An output is that of the step's end, from inputs of its beginning: it lags them by one step. In a host
that steps all its units side by side it acts one step later still. Stiffness and damping follow from step
and inertia so that both are stable. Steps of 1 ms and 10 ms were tried; what is passing at the change from
slip to stick is over after some twenty steps.</p>
<h2>What the map says</h2>
<ul>
{notes}
</ul>
</body></html>
"""


def _head(locking_map: LockingMap, version: str, token: str) -> list[str]:
    document = locking_map.document
    name = f"Limited-slip differential {document.unit}, build {document.build}"
    words = f"Locking torque from bench recordings, map with SHA-256 {locking_map.digest}"
    if document.predicted:
        words = f"PREDICTED, not measured ({document.predicted}). {words}"
    return [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<fmiModelDescription fmiVersion="{version}" modelName={quoteattr(name)} {token}',
        f"    description={quoteattr(words)}",
        f'    generationTool="diffbench {escape(__version__)}" variableNamingConvention="flat">',
    ]


def _middle() -> list[str]:
    units = [f'    <Unit name="{name}"><BaseUnit {exponents}/></Unit>' for name, exponents in _UNITS.items()]
    return [
        "  <UnitDefinitions>",
        *units,
        "  </UnitDefinitions>",
        '  <LogCategories><Category name="logStatusError"/></LogCategories>',
        f'  <DefaultExperiment startTime="0" stepSize="{STEP}"/>',
    ]


def _manner(variable: Variable) -> str:
    variability = {"Float64": "continuous", "Int32": "fixed", "Boolean": "discrete"}[variable.kind]
    if variable.causality == "parameter":
        variability = "fixed"
    initial = {"output": ' initial="calculated"', "parameter": ' initial="exact"'}.get(variable.causality, "")
    return f' causality="{variable.causality}" variability="{variability}"{initial}'


def _unit_and_start(variable: Variable, locking_map: LockingMap) -> str:
    unit = "" if variable.unit is None else f' unit="{variable.unit}"'
    start = variable.start
    if start == "OIL":
        heat = locking_map.axes[2]
        start = repr(float(heat[heat.size // 2]))
    return unit + ("" if start is None else f' start="{start}"')
