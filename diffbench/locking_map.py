"""The locking-torque map: lookup, limits, tested region, and its file."""

from __future__ import annotations

import hashlib
import importlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import BaseModel, ConfigDict, ValidationError

from diffbench.errors import DocumentError, Fault, Place
from diffbench.grid_lookup import Grid, Table

Array = NDArray[np.float64]
Branch = Literal["loading", "unloading", "mean"]

FORMAT = "diffbench-map/1"
AXES = ("input_torque_Nm", "speed_difference_rad_s", "temperature_degC")
BRANCHES: tuple[Branch, ...] = ("loading", "unloading", "mean")


class MapAxes(BaseModel):
    """The axes, each a rising list; the speed difference is its magnitude."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    input_torque_Nm: tuple[float, ...]  # the file contract's key
    speed_difference_rad_s: tuple[float, ...]
    temperature_degC: tuple[float, ...]  # the file contract's key


class MapBranch(BaseModel):
    """One branch: nested lists [torque][speed][temperature]."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    locking_torque_Nm: tuple[tuple[tuple[float, ...], ...], ...]  # the file contract's key
    low_Nm: tuple[tuple[tuple[float, ...], ...], ...]  # the file contract's key
    high_Nm: tuple[tuple[tuple[float, ...], ...], ...]  # the file contract's key
    tested: tuple[tuple[tuple[bool, ...], ...], ...]


class MapInterpolation(BaseModel):
    """What the nodes leave out: the most that a lookup between them was found to add, as a share of the local
    locking torque, when the map was held against its law; and the share of the tested region that is shown as
    not tested, because a cell counts only when all its nodes do."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    allowed: float
    locking_torque: float
    limits: float
    tested_not_shown: float


class MapDocument(BaseModel):
    """``map.json``: locking torque in steady state, plates and oil at one temperature.

    ``sha256`` is of the content (`content_digest`); a file without it, made by hand, is taken as it is.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")
    format: Literal["diffbench-map/1"]
    unit: str
    build: str
    law: str
    confidence: float
    axes: MapAxes
    branches: dict[str, MapBranch]
    notes: tuple[str, ...]
    provenance: dict[str, Any]
    interpolation: MapInterpolation | None = None
    sha256: str | None = None
    predicted: str | None = None  # what was changed, where no bench has measured this unit


@dataclass(frozen=True)
class Reading:
    """A map at one place or at many: numbers for single places, arrays for many.

    Attributes
    ----------
    locking_torque, low, high : float or ndarray
        Locking torque and its limits [N·m].
    tested : bool or ndarray
        Whether all nodes around the place were inside what the bench tested; False beyond the axes.
    beyond : bool or ndarray
        Whether the place is beyond the axes: there the values at their end are held.
    """

    locking_torque: Any
    low: Any
    high: Any
    tested: Any
    beyond: Any


class LockingMap:
    """Locking torque over input torque, speed difference and temperature, immutable.

    ``values``, ``low``, ``high`` by branch: arrays (torque, speed, temperature) [N·m]; ``tested`` booleans.
    Between nodes it is linear along each axis, exact at every node, monotone where the nodes are and never
    negative; outside the axes it holds the value at their end, and ``tested`` is False there. It may be
    pickled, and read by any number of threads at once.
    """

    document: MapDocument
    axes: tuple[Array, Array, Array]
    values: Mapping[Branch, Array]
    low: Mapping[Branch, Array]
    high: Mapping[Branch, Array]
    tested: Mapping[Branch, NDArray[np.bool_]]
    _grid: Grid
    _tables: Mapping[Branch, tuple[Table, Table, Table, Table]]

    def __init__(self, document: MapDocument) -> None:
        axes = tuple(_frozen(np.array(getattr(document.axes, name), dtype=np.float64)) for name in AXES)
        grid = Grid(axes)
        held: dict[str, dict[Branch, NDArray[Any]]] = {name: {} for name in _TABLES}
        for b in BRANCHES:
            for name, (key, kind) in _TABLES.items():
                held[name][b] = _frozen(np.array(getattr(document.branches[b], key), dtype=kind))
        set_once = super().__setattr__
        set_once("document", document)
        set_once("axes", axes)
        for name, by_branch in held.items():
            set_once(name, MappingProxyType(by_branch))
        set_once("_grid", grid)
        set_once("_tables", {b: tuple(grid.table(held[name][b]) for name in _TABLES) for b in BRANCHES})

    def __setattr__(self, name: str, value: object) -> None:
        msg = f"a locking-torque map is immutable: '{name}' cannot be set"
        raise AttributeError(msg)

    def __reduce__(self) -> tuple[type[LockingMap], tuple[MapDocument]]:
        return LockingMap, (self.document,)

    def locking_torque(
        self,
        input_torque: ArrayLike,
        speed_difference: ArrayLike,
        temperature: ArrayLike,
        branch: Branch = "mean",
    ) -> Any:
        """Locking torque [N·m] at ``input_torque`` [N·m], ``speed_difference`` [rad/s] (its magnitude counts)
        and ``temperature`` [°C]; arrays broadcast, single numbers give a float."""
        table = self._tables[branch][0]
        # single numbers first: this is called from within loops
        if (
            isinstance(input_torque, _NUMBER)
            and isinstance(speed_difference, _NUMBER)
            and isinstance(temperature, _NUMBER)
        ):
            return self._grid.one(table, input_torque, abs(speed_difference), temperature)
        return self._look_up((table,), input_torque, speed_difference, temperature)[0]

    def interval(
        self,
        input_torque: ArrayLike,
        speed_difference: ArrayLike,
        temperature: ArrayLike,
        branch: Branch = "mean",
    ) -> tuple[Any, Any]:
        """95 % limits (low, high) [N·m] at a place, as ``locking_torque``."""
        low, high = self._look_up(self._tables[branch][1:3], input_torque, speed_difference, temperature)
        return low, high

    def is_tested(
        self,
        input_torque: ArrayLike,
        speed_difference: ArrayLike,
        temperature: ArrayLike,
        branch: Branch = "mean",
    ) -> Any:
        """Whether all nodes around a place were inside what the bench tested. Outside the axes: False."""
        return self.read(input_torque, speed_difference, temperature, branch).tested

    def read(
        self,
        input_torque: ArrayLike,
        speed_difference: ArrayLike,
        temperature: ArrayLike,
        branch: Branch = "mean",
    ) -> Reading:
        """Everything that the map says of a place, or of many: torque, limits, tested, beyond the axes.

        Examples
        --------
        >>> from diffbench.locking_map import MapDocument
        >>> nodes = {"locking_torque_Nm": [[[80.0]], [[130.0]]], "low_Nm": [[[78.0]], [[126.0]]],
        ...     "high_Nm": [[[82.0]], [[134.0]]], "tested": [[[True]], [[True]]]}
        >>> axes = {"input_torque_Nm": [0.0, 100.0], "speed_difference_rad_s": [4.0],
        ...     "temperature_degC": [60.0]}
        >>> small = LockingMap(MapDocument(format="diffbench-map/1", unit="Q17", build="a", law="additive",
        ...     confidence=0.95, axes=axes, branches=dict.fromkeys(BRANCHES, nodes), notes=[], provenance={}))
        >>> small.read(50.0, -4.0, 60.0)
        Reading(locking_torque=105.0, low=102.0, high=108.0, tested=True, beyond=False)
        >>> small.read(150.0, 4.0, 60.0)
        Reading(locking_torque=130.0, low=126.0, high=134.0, tested=False, beyond=True)
        """
        place = (input_torque, speed_difference, temperature)
        value, low, high, share = self._look_up(self._tables[branch], *place)
        torque, speed, heat = (np.asarray(column, dtype=np.float64) for column in place)
        inside = np.ones(np.shape(value), dtype=bool)
        for column, axis in zip((torque, np.abs(speed), heat), self.axes, strict=True):
            inside &= (column >= axis[0]) & (column <= axis[-1])
        # the share of tested nodes around a place; a place on a node has that one alone
        tested = inside & (np.asarray(share) >= 1.0)
        if np.ndim(value) == 0:
            return Reading(value, low, high, bool(tested), not bool(inside))
        return Reading(value, low, high, tested, ~inside)

    def _look_up(self, tables: Sequence[Table], *place: ArrayLike) -> Sequence[Any]:
        torque, speed, heat = np.broadcast_arrays(*(np.asarray(value, dtype=np.float64) for value in place))
        if torque.ndim == 0:
            one = (float(torque), abs(float(speed)), float(heat))
            return [self._grid.one(table, *one) for table in tables]
        return self._grid.many(tables, torque, np.abs(speed), heat)

    def _repr_html_(self) -> str:
        """As a notebook shows it: what it covers, and its contours."""
        # by its name, as what people see lies above what is shown
        html: str = importlib.import_module("diffbench.report.notebook").map_html(self)
        return html

    @property
    def digest(self) -> str:
        """SHA-256 of the content (`content_digest`), by which copies of a map in other formats are known."""
        return content_digest(_content(self.document))

    def to_json(self) -> str:
        """The document as JSON text, with the hash of its content."""
        content = _content(self.document) | {"sha256": self.digest}
        return json.dumps(content, ensure_ascii=False, allow_nan=False) + "\n"


_NUMBER = (float, int)
# name in the map, key in the file, kind of number
_TABLES: dict[str, tuple[str, type]] = {
    "values": ("locking_torque_Nm", np.float64),
    "low": ("low_Nm", np.float64),
    "high": ("high_Nm", np.float64),
    "tested": ("tested", np.bool_),
}


def _frozen(values: NDArray[Any]) -> NDArray[Any]:
    values.flags.writeable = False
    return values


def _content(document: MapDocument) -> dict[str, Any]:
    """A document as plain values, without its hash and without what it does not say."""
    content = document.model_dump(mode="json")
    return {key: part for key, part in content.items() if part is not None and key != "sha256"}


def content_digest(content: Mapping[str, Any]) -> str:
    """SHA-256 of what a map's document says, whatever spaces and order it is written in.

    Parameters
    ----------
    content : mapping
        The document as plain values; its own ``sha256`` is left out.

    Returns
    -------
    64 hexadecimal digits.

    Examples
    --------
    >>> content_digest({"b": 1.0, "a": [2.5]}) == content_digest({"a": [2.5], "b": 1.0, "sha256": "x"})
    True

    Source: FIPS 180-4, over UTF-8 JSON (RFC 8259) with sorted keys and no spaces, other than ASCII escaped,
    floats by the shortest text that reads back the same.
    """
    kept = {key: part for key, part in content.items() if key != "sha256"}
    text = json.dumps(kept, sort_keys=True, separators=(",", ":"), allow_nan=True)
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def _of_builds(folder: Path) -> list[str]:
    """The folders of the builds, where a folder holds the result of several that were fitted together."""
    try:
        content = json.loads((folder / "characterisation.json").read_bytes())
        names = [str(build["folder"]) for build in content["builds"] if build.get("folder")]
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return []  # it is no such result; what is wrong with the map is told as it is
    return [str(folder / name) for name in names]


def load_map(path: str | Path) -> LockingMap:
    """Read ``map.json``. Raises ``DocumentError`` naming file, key and mend where it is not one."""
    file = Path(path)
    if file.is_dir():
        file /= "map.json"
    again = "make it again with diffbench fit"
    try:
        text = file.read_text(encoding="utf-8")
    except OSError as error:
        if folders := _of_builds(file.parent):
            raise DocumentError.single(
                "is not there: of several builds fitted together, each has a map in a folder of its own",
                file=str(file),
                mend=f"name one of {', '.join(folders)}",
            ) from error
        raise DocumentError.single(
            f"cannot be read ({error.strerror})", file=str(file), mend="check the path"
        ) from error
    except UnicodeDecodeError as error:
        raise DocumentError.single("is not UTF-8 text", file=str(file), mend=again) from error
    try:
        content = json.loads(text)
    except json.JSONDecodeError as error:
        what = f"Invalid JSON: the file is cut off or damaged ({error.msg})"
        raise DocumentError.single(what, file=str(file), line=error.lineno, mend=again) from error
    except RecursionError as error:
        raise DocumentError.single("Invalid JSON: nested without end", file=str(file), mend=again) from error
    newer = f"{again}; a file of a newer version needs a newer diffbench"
    told = content.get("format") if isinstance(content, dict) else None
    if isinstance(told, str) and told.startswith("diffbench-map/") and told != FORMAT:
        raise DocumentError.single(
            f"'{told}' is another version of the format: this diffbench reads {FORMAT}",
            file=str(file),
            key="format",
            mend=newer,
        )
    try:
        document = MapDocument.model_validate(content)
    except ValidationError as error:
        raise DocumentError(
            [
                Fault(
                    item["msg"],
                    Place(str(file), key=".".join(str(part) for part in item["loc"]) or None),
                    newer,
                )
                for item in error.errors()[:20]
            ]
        ) from error
    faults = _shape_faults(document, str(file)) or _content_faults(document, str(file))
    if document.sha256 is not None and not faults:
        found = content_digest(_content(document))
        if found != document.sha256:
            faults.append(
                Fault(
                    f"the content does not match its hash (written {document.sha256[:12]}…, "
                    f"found {found[:12]}…): the file was edited or damaged",
                    Place(str(file), key="sha256"),
                    f"{again}, or take the hash out if the change was meant",
                )
            )
    if faults:
        raise DocumentError(faults)
    # what was read is what it says it is: from here on the hash follows from the content
    return LockingMap(document.model_copy(update={"sha256": None}))


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


def _content_faults(document: MapDocument, file: str) -> list[Fault]:
    """What the numbers of a well-formed map cannot be."""
    mend = "make the map again with diffbench fit: this one was edited"
    faults: list[Fault] = []
    if document.axes.speed_difference_rad_s[0] < 0.0:
        place = Place(file, key="axes.speed_difference_rad_s")
        faults.append(Fault("a speed difference is its magnitude, and this one is negative", place, mend))
    for branch in BRANCHES:
        held = document.branches[branch]
        low, value, high = (
            np.array(nested) for nested in (held.low_Nm, held.locking_torque_Nm, held.high_Nm)
        )
        if (low < 0.0).any():
            place = Place(file, key=f"branches.{branch}.low_Nm")
            faults.append(Fault("a locking torque is never negative, and this one is", place, mend))
        if (low > value).any() or (value > high).any():
            place = Place(file, key=f"branches.{branch}.locking_torque_Nm")
            faults.append(Fault("a node is not within its own limits", place, mend))
    return faults


def document_schema() -> dict[str, Any]:
    """JSON Schema of ``map.json``."""
    schema = MapDocument.model_json_schema()
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["$id"] = FORMAT
    schema["title"] = FORMAT
    return schema
