"""The locking-torque map: lookup, limits, tested region, and its file."""

from __future__ import annotations

import json
import math
from bisect import bisect_right
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal, cast

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import BaseModel, ConfigDict, ValidationError

from diffbench.errors import DocumentError, Fault, Place

Array = NDArray[np.float64]
Branch = Literal["loading", "unloading", "mean"]

FORMAT = "diffbench-map/1"
AXES = ("input_torque_Nm", "speed_difference_rad_s", "temperature_degC")
BRANCHES: tuple[Branch, ...] = ("loading", "unloading", "mean")


class MapAxes(BaseModel):
    """The axes, each a rising list; the speed difference is its magnitude."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    input_torque_Nm: list[float]  # the file contract's key
    speed_difference_rad_s: list[float]
    temperature_degC: list[float]  # the file contract's key


class MapBranch(BaseModel):
    """One branch: nested lists [torque][speed][temperature]."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    locking_torque_Nm: list[list[list[float]]]  # the file contract's key
    low_Nm: list[list[list[float]]]  # the file contract's key
    high_Nm: list[list[list[float]]]  # the file contract's key
    tested: list[list[list[bool]]]


class MapDocument(BaseModel):
    """``map.json``: locking torque in steady state, plates and oil at one temperature."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    format: Literal["diffbench-map/1"]
    unit: str
    build: str
    law: str
    confidence: float
    axes: MapAxes
    branches: dict[str, MapBranch]
    notes: list[str]
    provenance: dict[str, Any]
    predicted: str | None = None  # what was changed, where no bench has measured this unit


class LockingMap:
    """Locking torque over input torque, speed difference and temperature, immutable.

    ``values``, ``low``, ``high`` by branch: arrays (torque, speed, temperature) [N·m]; ``tested`` booleans.
    Between nodes it is linear along each axis; outside the axes it holds the value at their end, and
    ``tested`` is False there.
    """

    def __init__(self, document: MapDocument) -> None:
        self.document = document
        self.axes: tuple[Array, Array, Array] = cast(
            tuple[Array, Array, Array],
            tuple(_frozen(np.array(getattr(document.axes, name))) for name in AXES),
        )
        self._lists = tuple(axis.tolist() for axis in self.axes)
        branches = document.branches
        self.values = {b: _frozen(np.array(branches[b].locking_torque_Nm)) for b in BRANCHES}
        self.low = {b: _frozen(np.array(branches[b].low_Nm)) for b in BRANCHES}
        self.high = {b: _frozen(np.array(branches[b].high_Nm)) for b in BRANCHES}
        self.tested = {b: _frozen(np.array(branches[b].tested, dtype=bool)) for b in BRANCHES}

    def locking_torque(
        self,
        input_torque: ArrayLike,
        speed_difference: ArrayLike,
        temperature: ArrayLike,
        branch: Branch = "mean",
    ) -> Any:
        """Locking torque [N·m] at ``input_torque`` [N·m], ``speed_difference`` [rad/s] (its magnitude counts)
        and ``temperature`` [°C]; arrays broadcast, single numbers give a float."""
        return self._lookup(self.values[branch], input_torque, speed_difference, temperature)

    def interval(
        self,
        input_torque: ArrayLike,
        speed_difference: ArrayLike,
        temperature: ArrayLike,
        branch: Branch = "mean",
    ) -> tuple[Any, Any]:
        """95 % limits (low, high) [N·m] at a place, as ``locking_torque``."""
        place = (input_torque, speed_difference, temperature)
        return self._lookup(self.low[branch], *place), self._lookup(self.high[branch], *place)

    def is_tested(
        self,
        input_torque: ArrayLike,
        speed_difference: ArrayLike,
        temperature: ArrayLike,
        branch: Branch = "mean",
    ) -> Any:
        """Whether all nodes around a place were inside what the bench tested. Outside the axes: False."""
        share = self._lookup(
            self.tested[branch].astype(np.float64), input_torque, speed_difference, temperature
        )
        torque, speed, heat = np.broadcast_arrays(
            np.asarray(input_torque, dtype=np.float64),
            np.abs(np.asarray(speed_difference, dtype=np.float64)),
            np.asarray(temperature, dtype=np.float64),
        )
        inside = np.ones(torque.shape, dtype=bool)
        for value, axis in zip((torque, speed, heat), self.axes, strict=True):
            inside &= (value >= axis[0]) & (value <= axis[-1])
        answer = inside & (np.asarray(share) > 1 - 1e-9)
        return bool(answer) if answer.ndim == 0 else answer

    def _lookup(self, table: Array, *place: ArrayLike) -> Any:
        if all(isinstance(value, float | int) for value in place):
            one = cast(tuple[float, float, float], place)
            return self._one(table, float(one[0]), abs(float(one[1])), float(one[2]))
        torque, speed, heat = np.broadcast_arrays(*(np.asarray(value, dtype=np.float64) for value in place))
        return self._many(table, torque, np.abs(speed), heat)

    def _one(self, table: Array, *place: float) -> float:
        if any(math.isnan(value) for value in place):
            return float("nan")
        index, share = [], []
        for value, axis in zip(place, self._lists, strict=True):
            last = len(axis) - 1
            if last == 0:
                index.append(0)
                share.append(0.0)
                continue
            i = min(max(bisect_right(axis, value) - 1, 0), last - 1)
            index.append(i)
            share.append(min(max((value - axis[i]) / (axis[i + 1] - axis[i]), 0.0), 1.0))
        total = 0.0
        for corner in range(8):
            weight, at = 1.0, []
            for dimension in range(3):
                upper = corner >> dimension & 1
                weight *= share[dimension] if upper else 1.0 - share[dimension]
                at.append(index[dimension] + upper)
            if weight:
                total += weight * float(table[at[0], at[1], at[2]])
        return total

    def _many(self, table: Array, *place: Array) -> Array:
        lower, share = [], []
        for value, axis in zip(place, self.axes, strict=True):
            if axis.size == 1:
                lower.append(np.zeros(value.shape, dtype=np.int64))
                share.append(np.where(np.isnan(value), np.nan, 0.0))
                continue
            i = np.clip(np.searchsorted(axis, value, side="right") - 1, 0, axis.size - 2)
            lower.append(i)
            share.append(np.clip((value - axis[i]) / (axis[i + 1] - axis[i]), 0.0, 1.0))
        total = np.zeros(place[0].shape)
        for corner in range(8):
            weight: Array = np.ones(place[0].shape)
            at = []
            for dimension in range(3):
                upper = corner >> dimension & 1
                weight = weight * (share[dimension] if upper else 1.0 - share[dimension])
                at.append(np.minimum(lower[dimension] + upper, table.shape[dimension] - 1))
            total = total + weight * table[at[0], at[1], at[2]]
        return np.asarray(total)

    def to_json(self) -> str:
        """The document as JSON text."""
        return json.dumps(self.document.model_dump(mode="json"), ensure_ascii=False, allow_nan=False) + "\n"


def _frozen(values: NDArray[Any]) -> NDArray[Any]:
    values.flags.writeable = False
    return values


def load_map(path: str | Path) -> LockingMap:
    """Read ``map.json``. Raises ``DocumentError`` naming file, key and mend where it is not one."""
    file = Path(path)
    try:
        text = file.read_text(encoding="utf-8")
    except OSError as error:
        raise DocumentError.single(
            f"cannot be read ({error.strerror})", file=str(file), mend="check the path"
        ) from error
    except UnicodeDecodeError as error:
        raise DocumentError.single(
            "is not UTF-8 text", file=str(file), mend="make it again with diffbench fit"
        ) from error
    try:
        document = MapDocument.model_validate_json(text)
    except ValidationError as error:
        raise DocumentError(
            [
                Fault(
                    item["msg"],
                    Place(str(file), key=".".join(str(part) for part in item["loc"]) or None),
                    "make it again with diffbench fit; a file of a newer version needs a newer diffbench",
                )
                for item in error.errors()[:20]
            ]
        ) from error
    faults = _shape_faults(document, str(file))
    if faults:
        raise DocumentError(faults)
    return LockingMap(document)


def _shape_faults(document: MapDocument, file: str) -> list[Fault]:
    mend = "make the map again with diffbench fit: this one was edited or cut"
    faults: list[Fault] = []
    sizes = []
    for name in AXES:
        axis = getattr(document.axes, name)
        sizes.append(len(axis))
        if not axis or any(b <= a for a, b in pairwise(axis)) or not np.isfinite(axis).all():
            faults.append(
                Fault("the axis is not a rising list of numbers", Place(file, key=f"axes.{name}"), mend)
            )
    for branch in BRANCHES:
        if branch not in document.branches:
            faults.append(Fault("the branch is missing", Place(file, key=f"branches.{branch}"), mend))
            continue
        for table in ("locking_torque_Nm", "low_Nm", "high_Nm", "tested"):
            nested = getattr(document.branches[branch], table)
            place = Place(file, key=f"branches.{branch}.{table}")
            try:
                values = np.array(nested, dtype=np.float64)
            except ValueError:
                faults.append(Fault("the rows are of different lengths", place, mend))
                continue
            if list(values.shape) != sizes:
                faults.append(
                    Fault(f"the shape {values.shape} is not that of the axes {tuple(sizes)}", place, mend)
                )
            elif not np.isfinite(values).all():
                faults.append(Fault("a node holds no number", place, mend))
    return faults


def document_schema() -> dict[str, Any]:
    """JSON Schema of ``map.json``."""
    schema = MapDocument.model_json_schema()
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["$id"] = FORMAT
    schema["title"] = FORMAT
    return schema
