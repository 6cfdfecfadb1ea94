"""The map as C99: one header and one source, for controllers, simulators and loggers.

Language: ISO/IEC 9899:1999; written with MISRA C:2012 in mind. The code stands in ``c/`` beside this module;
tables are written by the shortest decimal text that reads back the same double (IEEE 754).
"""

from __future__ import annotations

import math
import re
import textwrap
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from diffbench._version import __version__
from diffbench.results.beyond_axes import inner_nodes
from diffbench.results.locking_map import Branch, LockingMap

__all__ = ["about_lines", "c_identifier", "c_sources", "export_c", "fill_template"]

Precision = Literal["double", "single"]
TEMPLATES = Path(__file__).with_name("c")
#: In the order of the numbers that the header gives to the branches.
ORDER: tuple[Branch, ...] = ("mean", "loading", "unloading", "either")
_KEYWORDS = re.compile(
    "auto|break|case|char|const|continue|default|do|double|else|enum|extern|float|for|goto|if|inline|int|long|"
    "register|restrict|return|short|signed|sizeof|static|struct|switch|typedef|union|unsigned|void|volatile|while"
)


def export_c(locking_map: LockingMap, name: str, precision: Precision = "double") -> dict[str, bytes]:
    """The map as ``name``.h and ``name``.c; its functions begin with that name.

    Parameters
    ----------
    locking_map : LockingMap
        The map.
    name : str
        Of the files; what C does not allow in an identifier becomes an underscore in the functions' names.
    precision : str
        "double", or "single" for small controllers: numbers are then the nearest of that kind.

    Returns
    -------
    Names of the files, and their bytes.
    """
    sources = c_sources(locking_map, name, precision)
    return {f"{name}{suffix}": text.encode("utf-8") for suffix, text in sources.items()}


def c_sources(locking_map: LockingMap, name: str, precision: Precision = "double") -> dict[str, str]:
    """Header and source by suffix, ``.h`` and ``.c`` (see `export_c`)."""
    prefix = c_identifier(name)
    single = precision == "single"
    tables, size = _tables(locking_map, "f" if single else "")
    filled = {
        "ABOUT": about_lines(locking_map),
        "BEYOND": "\n * ".join(textwrap.wrap(_plain(locking_map.beyond.rule), 108)),
        "CONFIDENCE": f"{100 * locking_map.document.confidence:g} %",
        "BYTES": f"{size}",
        "DATA": tables,
        "F": "f" if single else "",
        "GUARD": prefix.upper(),
        "NAME": name,
        "PRECISION": f"of {precision} precision",
        "PREFIX": prefix,
        "REAL": "float" if single else "double",
        "VERSION": __version__,
    }
    return {suffix: fill_template(f"locking_map{suffix}", filled) for suffix in (".h", ".c")}


def about_lines(locking_map: LockingMap, *more: str) -> str:
    """What a comment in C says of a map's origin, line by line, and ``more``."""
    document = locking_map.document
    about = [
        f"Unit {document.unit}, build {document.build}, preload law {document.law}.",
        f"Written by diffbench {__version__} from a map with SHA-256 {locking_map.digest}.",
        *([f"PREDICTED, not measured: {document.predicted}."] if document.predicted else []),
        *more,
        *document.notes,
    ]
    return "\n * ".join(_plain(line) for line in about)


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


def _tables(locking_map: LockingMap, f: str) -> tuple[str, int]:
    """Definitions of axes and tables, and how many bytes they take; ``f`` follows a number of single
    precision."""
    sizes = dict(
        zip(("N_TORQUE", "N_SPEED", "N_HEAT"), (axis.size for axis in locking_map.axes), strict=True)
    )
    real, wide = ("float", 4) if f else ("double", 8)
    nodes = 4 * math.prod(sizes.values())
    parts = [f"#define {name} {size}" for name, size in sizes.items()]
    for name, axis in zip(("torque", "speed", "heat"), locking_map.axes, strict=True):
        parts.append(f"static const {real} {name}_axis[N_{name.upper()}] = {_nested(axis, f)};")
    for name, held in (("value", locking_map.values), ("low", locking_map.low), ("high", locking_map.high)):
        table = np.stack([held[branch] for branch in ORDER])
        parts.append(f"static const {real} {name}_table[4][N_TORQUE][N_SPEED][N_HEAT] = {_nested(table, f)};")
    tested = np.stack([locking_map.tested[branch] for branch in ORDER])
    parts.append(f"static const uint8_t tested_table[4][N_TORQUE][N_SPEED][N_HEAT] = {_nested(tested, f)};")
    rule = locking_map.beyond
    low, high = inner_nodes(locking_map.axes[0])
    parts.append(f"static const int32_t inner_node[2] = {{{low}, {high}}};")
    per_torque = _nested(np.array([rule.half_width_per_Nm[branch] for branch in ORDER]), f)
    parts.append(f"static const {real} per_torque[4][2] = {per_torque};")
    for name, ends in (
        ("per_speed", rule.half_width_share_per_rad_s),
        ("per_heat", rule.half_width_share_per_K),
    ):
        parts.append(f"static const {real} {name}[2] = {_nested(np.array(ends), f)};")
    parts.append(f"#define OF_CHANGE {_number(rule.half_width_share_of_change, f)}")
    return "\n".join(parts) + "\n", (3 * wide + 1) * nodes + wide * sum(sizes.values())


def _nested(values: NDArray[np.float64] | NDArray[np.bool_], f: str) -> str:
    if values.ndim > 1:
        inner = (",\n" if values.ndim > 2 else ",\n ").join(_nested(part, f) for part in values)
    else:
        inner = ", ".join(_number(value, f) for value in values.tolist())
    return "{" + inner + "}"


def _number(value: float | bool, f: str) -> str:
    if isinstance(value, bool):
        return "1U" if value else "0U"
    text = str(np.float32(value)) if f else repr(value)
    # a whole number in scientific notation, 1e+16, is a double in C as well
    return (text if any(mark in text for mark in ".e") else f"{text}.0") + f
