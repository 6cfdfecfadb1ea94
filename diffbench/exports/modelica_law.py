"""The law as a Modelica class: equations with events between stick and slip, no library needed.

Language: Modelica Language Specification 3.4. The class stands in ``mo/law.mo`` beside this module.
"""

from __future__ import annotations

import re
from pathlib import Path

from diffbench.exports.c_law import constants, law_alone, law_in
from diffbench.exports.c_source import about_lines, c_identifier
from diffbench.results.fitted_law import FittedLaw
from diffbench.results.locking_map import LockingMap

__all__ = ["export_modelica_law"]

CLASS = Path(__file__).with_name("mo") / "law.mo"
#: Modelica 3.4: keywords (section 2.3.3), built-in types, operators and functions (3.7, 4.8), the library.
_RESERVED = re.compile(
    "algorithm|and|annotation|block|break|class|connect|connector|constant|constrainedby|der|discrete|each|"
    "else|elseif|elsewhen|encapsulated|end|enumeration|equation|expandable|extends|external|false|final|flow|"
    "for|function|if|import|impure|in|initial|inner|input|loop|model|not|operator|or|outer|output|package|"
    "parameter|partial|protected|public|pure|record|redeclare|replaceable|return|stream|then|true|type|when|"
    "while|within|Real|Integer|Boolean|String|Clock|ExternalObject|StateSelect|AssertionLevel|Connections|"
    "time|abs|sign|sqrt|div|mod|rem|ceil|floor|integer|sin|cos|tan|asin|acos|atan|atan2|sinh|cosh|tanh|exp|"
    "log|log10|delay|cardinality|homotopy|semiLinear|inStream|actualStream|spatialDistribution|"
    "getInstanceName|terminal|noEvent|smooth|sample|pre|edge|change|reinit|assert|terminate|promote|ndims|"
    "size|scalar|vector|matrix|identity|diagonal|zeros|ones|fill|linspace|min|max|sum|product|transpose|"
    "outerProduct|symmetric|cross|skew|cat|array|previous|hold|subSample|superSample|shiftSample|backSample|"
    "noClock|interval|firstTick|Modelica"
)


def export_modelica_law(locking_map: LockingMap, name: str) -> dict[str, bytes]:
    """The law as one file, ``name``.mo, with one class of that name.

    What Modelica does not allow as the name of a class is mended there. Inputs, outputs, parameters and signs
    are those of the simulation units, where the ramps follow the input torque within ``ramp_time``. Raises
    ``OutputError`` where the map carries no law.
    """
    law = law_in(locking_map)
    held = {key.replace("_", ""): repr(value) for key, value in constants(law).items()}
    filled = held | {
        "ABOUT": about_lines(locking_map, *law_alone(locking_map)).replace("\n * ", "\n  // "),
        "CAPACITY": held["HEATCAPACITY"],
        "CONDUCTANCE": held["HEATCONDUCTANCE"],
        "NAME": _modelica_identifier(name),
        "OIL": repr(law.reference_temperature_degC),
        "CAPACITYU": _u(law, "heat_capacity"),
        "CONDUCTANCEU": _u(law, "heat_conductance"),
        "COASTU": _u(law, "ramp_bias_coast_loading", relative=True),
        "DRIVEU": _u(law, "ramp_bias_drive_loading", relative=True),
        "PRELOADU": _u(law, "preload_torque"),
    }
    text = re.sub(r"@([A-Z]+)@", lambda mark: filled[mark[1]], CLASS.read_text(encoding="utf-8"))
    return {f"{name}.mo": text.encode("utf-8")}


def _modelica_identifier(name: str) -> str:
    """A name that Modelica takes for the class: no word of the language, and none that the class uses."""
    plain = c_identifier(name)
    used = re.findall(r"[A-Za-z]\w*", re.sub(r'"[^"]*"|//.*', "", CLASS.read_text(encoding="utf-8")))
    return f"{plain}_map" if plain in used or _RESERVED.fullmatch(plain) else plain


def _u(law: FittedLaw, name: str, *, relative: bool = False) -> str:
    """The standard uncertainty of a parameter, in words."""
    if name not in law.names or (relative and law.value(name) == 0.0):
        return ""
    u = law.u(name) / (law.value(name) if relative else 1.0)
    return f", standard uncertainty {u:.6g}"
