"""The map as a MAT-file of level 5, for Octave, MATLAB and what else reads these.

Format: "MAT-File Format" (The MathWorks), level 5; written by scipy. Text in it is ASCII: readers cut other
letters.
"""

from __future__ import annotations

import io
from typing import Any, cast

import numpy as np

from diffbench._version import __version__
from diffbench.exports.facts import UNITS, facts, facts_json
from diffbench.results.locking_map import AXES, BRANCHES, LockingMap

__all__ = ["export_mat"]

_HEADER_TEXT = 116  # bytes of free text at the beginning of the file


def export_mat(locking_map: LockingMap, name: str) -> dict[str, bytes]:
    """The map as one file, ``name``.mat, which holds one struct, ``locking_map``.

    Its fields are the three axes (columns), ``loading``, ``unloading``, ``mean`` and ``either`` (structs of
    the arrays ``locking_torque_Nm``, ``low_Nm``, ``high_Nm`` over torque, speed difference and temperature,
    and the logical array ``tested``), ``beyond`` (the rule beyond the axes: text and numbers), ``fitted_law``
    (where the map carries it: names, units, values and their covariance, and what they refer to), ``units``
    by name, ``format``, ``unit``, ``build``, ``law``, ``sha256``, and ``about``: all that the map says beside
    its numbers, provenance too, as JSON.
    """
    from scipy.io.matlab import savemat

    said = facts(locking_map)
    held: dict[str, Any] = {
        axis: values.reshape(-1, 1) for axis, values in zip(AXES, locking_map.axes, strict=True)
    }
    for branch in BRANCHES:
        held[branch] = {
            "locking_torque_Nm": locking_map.values[branch],
            "low_Nm": locking_map.low[branch],
            "high_Nm": locking_map.high[branch],
            "tested": np.asarray(locking_map.tested[branch], dtype=np.bool_),
        }
    held["beyond"] = locking_map.beyond.model_dump()
    if (law := locking_map.document.fitted_law) is not None:
        held["fitted_law"] = law.model_dump() | {
            "names": np.array(law.names, dtype=object),
            "units": np.array([_ascii(unit) for unit in law.units], dtype=object),
            "values": np.array(law.values).reshape(-1, 1),
            "covariance": np.array(law.covariance),
        }
    held["units"] = dict(UNITS)
    for key in ("format", "unit", "build", "law", "sha256"):
        held[key] = _ascii(str(said[key]))
    held["about"] = facts_json(locking_map)
    buffer = io.BytesIO()
    savemat(cast(Any, buffer), {"locking_map": held}, format="5", long_field_names=True, oned_as="column")
    content = buffer.getvalue()
    # the library writes the hour there: the same map is to give the same file
    text = f"MATLAB 5.0 MAT-file, locking-torque map, written by diffbench {__version__}"
    return {f"{name}.mat": text.ljust(_HEADER_TEXT).encode("ascii") + content[_HEADER_TEXT:]}


def _ascii(text: str) -> str:
    return text.replace("·", ".").encode("ascii", "backslashreplace").decode("ascii")
