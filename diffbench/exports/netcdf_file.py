"""The map as NetCDF-4 by the CF conventions, for xarray and what else reads these.

Format: NetCDF-4; CF-1.8: section 2.6 (attributes of the file), 3.1 (units by UDUNITS), 3.4 (ancillary
variables), 3.5 (flags), 5 (coordinate variables). CF has no standard names for parts of a driveline: names
are long ones.
"""

from __future__ import annotations

import json
from typing import Any

import numpy as np

from diffbench._version import __version__
from diffbench.errors import OutputError
from diffbench.exports.facts import facts, facts_json
from diffbench.exports.hdf5_times import without_times
from diffbench.results.fitted_law import FittedLaw
from diffbench.results.locking_map import AXES, BRANCHES, LockingMap

__all__ = ["export_netcdf"]

_AXIS_WORDS = {
    "input_torque_Nm": ("input_torque", "N m", "input torque at the case, positive in drive"),
    "speed_difference_rad_s": (
        "speed_difference",
        "rad s-1",
        "magnitude of the speed difference of the outputs",
    ),
    "temperature_degC": ("temperature", "degree_Celsius", "temperature of plates and oil"),
}


def export_netcdf(locking_map: LockingMap, name: str) -> dict[str, bytes]:
    """The map as one file, ``name``.nc.

    Coordinates ``input_torque``, ``speed_difference`` and ``temperature``; variables
    ``BRANCH_locking_torque``, ``BRANCH_low``, ``BRANCH_high`` and ``BRANCH_tested`` (flags 0 and 1), BRANCH
    one of loading, unloading, mean and either; ``law_value`` and ``law_covariance`` where the map carries its
    law. What the map says beside its numbers, the rule beyond its axes
    too, is in attributes of the file.

    Raises
    ------
    OutputError
        The library that writes NetCDF is not installed.
    """
    try:
        import netCDF4
    except ImportError as error:
        raise OutputError.single(
            "NetCDF needs the library netCDF4, which is not installed",
            mend="pip install 'diffbench[netcdf]'",
        ) from error
    # in memory, and not as a context: what closing gives is the file
    file = netCDF4.Dataset(f"{name}.nc", "w", format="NETCDF4", memory=1024)
    _fill(file, locking_map)
    return {f"{name}.nc": without_times(bytes(file.close()))}


def _fill(file: Any, locking_map: LockingMap) -> None:
    said = facts(locking_map)
    file.setncatts(
        {
            "Conventions": "CF-1.8",
            "title": f"Locking torque of differential {said['unit']}, build {said['build']}",
            "source": f"diffbench {__version__}, from bench recordings",
            "history": f"exported from a map with SHA-256 {said['sha256']}",
            "comment": " ".join([*said["notes"], "Linear between nodes.", said["beyond"]["rule"]]),
            "beyond": json.dumps(said["beyond"]),
            "law": said["law"],
            "provenance": json.dumps(said["provenance"], ensure_ascii=False),
            "about": facts_json(locking_map),
        }
    )
    dimensions = []
    for axis, values in zip(AXES, locking_map.axes, strict=True):
        short, unit, words = _AXIS_WORDS[axis]
        file.createDimension(short, values.size)
        # a coordinate has no missing values, and so no fill value
        variable = file.createVariable(short, "f8", (short,), fill_value=False)
        variable.setncatts({"units": unit, "long_name": words})
        variable[:] = values
        dimensions.append(short)
    for branch in BRANCHES:
        parts = {
            "locking_torque": (locking_map.values[branch], f"locking torque, {branch}"),
            "low": (locking_map.low[branch], f"locking torque, {branch}, lower 95 % limit"),
            "high": (locking_map.high[branch], f"locking torque, {branch}, upper 95 % limit"),
        }
        for quantity, (table, words) in parts.items():
            variable = file.createVariable(f"{branch}_{quantity}", "f8", dimensions, fill_value=False)
            variable.setncatts({"units": "N m", "long_name": words})
            variable[:] = table
        file[f"{branch}_locking_torque"].ancillary_variables = f"{branch}_low {branch}_high {branch}_tested"
        flags = file.createVariable(f"{branch}_tested", "i1", dimensions, fill_value=False)
        flags.setncatts(
            {
                "long_name": f"whether the bench tested this node, {branch}",
                "flag_values": np.array([0, 1], dtype=np.int8),
                "flag_meanings": "extrapolated tested",
            }
        )
        flags[:] = locking_map.tested[branch].astype(np.int8)
    if (law := locking_map.document.fitted_law) is not None:
        _fill_law(file, law)


def _fill_law(file: Any, law: FittedLaw) -> None:
    """Values and covariance of the law, each in the units of its parameters."""
    n = len(law.names)
    file.createDimension("law_parameter", n)
    file.createDimension("law_parameter_of_covariance", n)
    said = {name: part for name, part in law.model_dump().items() if isinstance(part, str | float)}
    for name, words, of, table in (
        ("law_value", "value of each parameter of the fitted law", ("law_parameter",), law.values),
        (
            "law_covariance",
            "covariance of the parameters of the fitted law",
            ("law_parameter", "law_parameter_of_covariance"),
            law.covariance,
        ),
    ):
        variable = file.createVariable(name, "f8", of, fill_value=False)
        # each number in the unit of its own parameter: to CF they are pure numbers
        variable.setncatts({"units": "1", "long_name": words, "parameters": " ".join(law.names)})
        variable[:] = np.array(table)
    file["law_value"].setncatts({"parameter_units": "; ".join(law.units), **said})
