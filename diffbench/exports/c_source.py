"""The map as C99: one header and one source, for controllers, simulators and loggers.

Language: ISO/IEC 9899:1999; written with MISRA C:2012 in mind. The code stands in ``c/`` beside this module;
tables are written by the shortest decimal text that reads back the same double (IEEE 754).
"""

from __future__ import annotations

import re
import textwrap
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from diffbench._version import __version__
from diffbench.results.beyond_axes import inner_nodes
from diffbench.results.locking_map import Branch, LockingMap

__all__ = ["c_identifier", "c_sources", "export_c", "fill_template"]

TEMPLATES = Path(__file__).with_name("c")
#: In the order of the numbers that the header gives to the branches.
ORDER: tuple[Branch, ...] = ("mean", "loading", "unloading", "either")
_KEYWORDS = re.compile(
    "auto|break|case|char|const|continue|default|do|double|else|enum|extern|float|for|goto|if|inline|int|long|"
    "register|restrict|return|short|signed|sizeof|static|struct|switch|typedef|union|unsigned|void|volatile|while"
)


def export_c(locking_map: LockingMap, name: str) -> dict[str, bytes]:
    """The map as ``name``.h and ``name``.c; its functions begin with that name.

    Parameters
    ----------
    locking_map : LockingMap
        The map.
    name : str
        Of the files; what C does not allow in an identifier becomes an underscore in the functions' names.

    Returns
    -------
    Names of the files, and their bytes.
    """
    return {f"{name}{suffix}": text.encode("utf-8") for suffix, text in c_sources(locking_map, name).items()}


def c_sources(locking_map: LockingMap, name: str) -> dict[str, str]:
    """Header and source by suffix, ``.h`` and ``.c`` (see `export_c`)."""
    document = locking_map.document
    prefix = c_identifier(name)
    about = [
        f"Unit {document.unit}, build {document.build}, preload law {document.law}.",
        f"Written by diffbench {__version__} from a map with SHA-256 {locking_map.digest}.",
        *([f"PREDICTED, not measured: {document.predicted}."] if document.predicted else []),
        *document.notes,
    ]
    filled = {
        "ABOUT": "\n * ".join(_plain(line) for line in about),
        "BEYOND": "\n * ".join(textwrap.wrap(_plain(locking_map.beyond.rule), 108)),
        "CONFIDENCE": f"{100 * document.confidence:g} %",
        "DATA": _tables(locking_map),
        "GUARD": prefix.upper(),
        "NAME": name,
        "PREFIX": prefix,
        "VERSION": __version__,
    }
    return {suffix: fill_template(f"locking_map{suffix}", filled) for suffix in (".h", ".c")}


def c_identifier(name: str) -> str:
    """A name that C takes.

    Examples
    --------
    >>> c_identifier("Q17-a map"), c_identifier("17"), c_identifier("double")
    ('Q17_a_map', 'map_17', 'double_map')
    """
    plain = re.sub(r"[^A-Za-z0-9_]", "_", name)
    if _KEYWORDS.fullmatch(plain):
        return f"{plain}_map"
    return plain if re.match(r"[A-Za-z]", plain) else f"map_{plain.lstrip('_')}"


def fill_template(template: str, filled: dict[str, str]) -> str:
    """A file of ``c/`` with its marks filled in."""
    text = (TEMPLATES / template).read_text(encoding="utf-8")
    return re.sub(r"@([A-Z]+)@", lambda mark: filled[mark[1]], text)


def _plain(text: str) -> str:
    """Text for a comment: ASCII, and nothing that would end the comment or open another."""
    ascii_text = text.replace("·", ".").replace("°", "deg").encode("ascii", "replace").decode("ascii")
    return " ".join(ascii_text.replace("*/", "* /").replace("/*", "/ *").replace("\\", "/").split())


def _tables(locking_map: LockingMap) -> str:
    sizes = dict(
        zip(("N_TORQUE", "N_SPEED", "N_HEAT"), (axis.size for axis in locking_map.axes), strict=True)
    )
    parts = [f"#define {name} {size}" for name, size in sizes.items()]
    for name, axis in zip(("torque", "speed", "heat"), locking_map.axes, strict=True):
        parts.append(f"static const double {name}_axis[N_{name.upper()}] = {_nested(axis)};")
    for name, held in (("value", locking_map.values), ("low", locking_map.low), ("high", locking_map.high)):
        table = np.stack([held[branch] for branch in ORDER])
        parts.append(f"static const double {name}_table[4][N_TORQUE][N_SPEED][N_HEAT] = {_nested(table)};")
    tested = np.stack([locking_map.tested[branch] for branch in ORDER])
    parts.append(f"static const uint8_t tested_table[4][N_TORQUE][N_SPEED][N_HEAT] = {_nested(tested)};")
    rule = locking_map.beyond
    low, high = inner_nodes(locking_map.axes[0])
    parts.append(f"static const int32_t inner_node[2] = {{{low}, {high}}};")
    per_torque = _nested(np.array([rule.half_width_per_Nm[branch] for branch in ORDER]))
    parts.append(f"static const double per_torque[4][2] = {per_torque};")
    for name, ends in (
        ("per_speed", rule.half_width_share_per_rad_s),
        ("per_heat", rule.half_width_share_per_K),
    ):
        parts.append(f"static const double {name}[2] = {_nested(np.array(ends))};")
    parts.append(f"#define OF_CHANGE {_number(rule.half_width_share_of_change)}")
    return "\n".join(parts) + "\n"


def _nested(values: NDArray[np.float64] | NDArray[np.bool_]) -> str:
    if values.ndim > 1:
        inner = (",\n" if values.ndim > 2 else ",\n ").join(_nested(part) for part in values)
    else:
        inner = ", ".join(_number(value) for value in values.tolist())
    return "{" + inner + "}"


def _number(value: float | bool) -> str:
    if isinstance(value, bool):
        return "1U" if value else "0U"
    text = repr(value)
    # a whole number in scientific notation, 1e+16, is a double in C as well
    return text if any(mark in text for mark in ".e") else f"{text}.0"
