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

from diffbench.beyond_axes import Beyond, Ends, beyond_of, continued, inner_nodes
from diffbench.errors import DocumentError, Fault, Place
from diffbench.grid_lookup import Grid, Table

Array = NDArray[np.float64]
Branch = Literal["loading", "unloading", "mean", "either"]

FORMAT = "diffbench-map/1"
AXES = ("input_torque_Nm", "speed_difference_rad_s", "temperature_degC")
BRANCHES: tuple[Branch, ...] = ("loading", "unloading", "mean", "either")
#: Which branch is not known: the value of the mean, limits that hold both real branches with theirs.
EITHER: Branch = "either"
_SIDES: tuple[Branch, Branch] = ("loading", "unloading")


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
    locking torque (where nothing was tested, of ten times that, or a hundred times what the limits part by
    there), when the map was held against its law; and the share of the tested region that is shown as not
    tested, because a cell counts only when all its nodes do."""

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
    beyond: Beyond | None = None  # a file of before has none: it is made from the tables
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
        Whether the place is beyond the axes: there `diffbench.beyond_axes` says what the map does.
    """

    locking_torque: Any
    low: Any
    high: Any
    tested: Any
    beyond: Any


class LockingMap:
    """Locking torque over input torque, speed difference and temperature, immutable.

    ``values``, ``low``, ``high`` by branch: arrays (torque, speed, temperature) [N·m]; ``tested`` booleans.
    Branches are ``loading``, ``unloading``, ``mean`` of both, and ``either``, the default: which one is not
    known, so that its interval spans both real ones with their limits.
    Between nodes it is linear along each axis, exact at every node, monotone where the nodes are and never
    negative. Beyond the axes it goes on straight along torque and is held along the others, with limits that
    part by the distance (``beyond``), and ``tested`` is False. A place that is not finite gives no number.
    It may be pickled, and read by any number of threads at once.
    """

    document: MapDocument
    axes: tuple[Array, Array, Array]
    values: Mapping[Branch, Array]
    low: Mapping[Branch, Array]
    high: Mapping[Branch, Array]
    tested: Mapping[Branch, NDArray[np.bool_]]
    beyond: Beyond
    _grid: Grid
    _tables: Mapping[Branch, tuple[Table, Table, Table, Table]]
    _ends: tuple[Ends, Ends, Ends]
    _lines: tuple[tuple[float, float], tuple[float, float]]

    def __init__(self, document: MapDocument) -> None:
        axes = tuple(_frozen(np.array(getattr(document.axes, name), dtype=np.float64)) for name in AXES)
        grid = Grid(axes)
        held: dict[str, dict[Branch, NDArray[Any]]] = {name: {} for name in _TABLES}
        for b in BRANCHES:
            for name, (key, kind) in _TABLES.items():
                if b in document.branches:
                    held[name][b] = _frozen(np.array(getattr(document.branches[b], key), dtype=kind))
        if EITHER not in document.branches:
            for name, table in either_of(held).items():
                held[name][EITHER] = _frozen(table)
        set_once = super().__setattr__
        set_once("document", document)
        set_once("axes", axes)
        for name, by_branch in held.items():
            set_once(name, MappingProxyType(by_branch))
        by_tables = document.beyond or beyond_of(
            axes,
            self.values,
            self.low,
            self.high,
            corner_unseen=document.law != "additive",
        )
        set_once("beyond", by_tables)
        set_once("_grid", grid)
        set_once("_tables", {b: tuple(grid.table(held[name][b]) for name in _TABLES) for b in BRANCHES})
        set_once("_ends", tuple((float(axis[0]), float(axis[-1])) for axis in axes))
        torque = axes[0]
        lines = zip((0, -1), inner_nodes(torque), strict=True)
        set_once("_lines", tuple((float(torque[end]), float(torque[inner])) for end, inner in lines))

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
        branch: Branch = "either",
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
            low, high = self._ends[0]
            if low <= input_torque <= high:
                return self._grid.one(table, input_torque, abs(speed_difference), temperature)
        return self._look_up(branch, 1, input_torque, speed_difference, temperature)[0]

    def interval(
        self,
        input_torque: ArrayLike,
        speed_difference: ArrayLike,
        temperature: ArrayLike,
        branch: Branch = "either",
    ) -> tuple[Any, Any]:
        """95 % limits (low, high) [N·m] at a place, as ``locking_torque``."""
        _, low, high = self._look_up(branch, 3, input_torque, speed_difference, temperature)
        return low, high

    def is_tested(
        self,
        input_torque: ArrayLike,
        speed_difference: ArrayLike,
        temperature: ArrayLike,
        branch: Branch = "either",
    ) -> Any:
        """Whether all nodes around a place were inside what the bench tested. Outside the axes: False."""
        return self.read(input_torque, speed_difference, temperature, branch).tested

    def read(
        self,
        input_torque: ArrayLike,
        speed_difference: ArrayLike,
        temperature: ArrayLike,
        branch: Branch = "either",
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
        Reading(locking_torque=155.0, low=148.0, high=162.0, tested=False, beyond=True)
        """
        place = (input_torque, speed_difference, temperature)
        value, low, high, share = self._look_up(branch, 4, *place)
        torque, speed, heat = (np.asarray(column, dtype=np.float64) for column in place)
        inside = np.ones(np.shape(value), dtype=bool)
        for column, axis in zip((torque, np.abs(speed), heat), self.axes, strict=True):
            inside &= (column >= axis[0]) & (column <= axis[-1])
        # the share of tested nodes around a place; a place on a node has that one alone
        tested = inside & (np.asarray(share) >= 1.0)
        if np.ndim(value) == 0:
            return Reading(value, low, high, bool(tested), not bool(inside))
        return Reading(value, low, high, tested, ~inside)

    def _look_up(self, branch: Branch, count: int, *place: ArrayLike) -> Sequence[Any]:
        """The first ``count`` tables of a branch: value, low, high, share of tested nodes."""
        torque, speed, heat = np.broadcast_arrays(*(np.asarray(value, dtype=np.float64) for value in place))
        speed = np.abs(speed)
        tables = self._tables[branch][:count]
        if torque.ndim == 0:
            one = (float(torque), float(speed), float(heat))
            found: list[Any] = [self._grid.one(table, *one) for table in tables]
            if all(low <= at <= high for at, (low, high) in zip(one, self._ends, strict=True)):
                return found
            several = [np.array([number]) for number in found]
            self._go_on(branch, several, *(np.array([at]) for at in one))
            return [float(column[0]) for column in several]
        answers = self._grid.many(tables, torque, speed, heat)
        outside = np.zeros(torque.shape, dtype=bool)
        for column, (low, high) in zip((torque, speed, heat), self._ends, strict=True):
            outside |= (column < low) | (column > high)
        if outside.any():
            beyond = [answer[outside] for answer in answers]
            self._go_on(branch, beyond, torque[outside], speed[outside], heat[outside])
            for answer, column in zip(answers, beyond, strict=True):
                answer[outside] = column
        return answers

    def _go_on(self, branch: Branch, found: list[Array], torque: Array, speed: Array, heat: Array) -> None:
        """From what the ends of the axes say (m,) to what the map says beyond them, in place."""
        change, per_torque = np.zeros(torque.shape), np.zeros(torque.shape)
        for side, (end, inner) in enumerate(self._lines):
            here = np.isfinite(torque) & ((torque < end) if side == 0 else (torque > end))
            if not here.any():
                continue
            distance = torque[here] - end
            if inner != end:
                before = self._grid.many(
                    [self._tables[branch][0]], np.full(distance.shape, inner), speed[here], heat[here]
                )[0]
                change[here] = distance * ((found[0][here] - before) / (end - inner))
            per_torque[here] = self.beyond.half_width_per_Nm[branch][side] * np.abs(distance)
        share = np.zeros(torque.shape)
        for column, (low, high), (below, above) in (
            (speed, self._ends[1], self.beyond.half_width_share_per_rad_s),
            (heat, self._ends[2], self.beyond.half_width_share_per_K),
        ):
            share += below * np.maximum(low - column, 0.0) + above * np.maximum(column - high, 0.0)
        low_and_high = found[1:3] if len(found) > 2 else [found[0], found[0]]
        made = continued(
            found[0],
            *low_and_high,
            change=change,
            by_torque=per_torque,
            share=share,
            of_change=self.beyond.half_width_share_of_change,
        )
        for column, new in zip(found[:3], made, strict=False):
            column[:] = new

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


def either_of(held: Mapping[str, Mapping[Branch, NDArray[Any]]]) -> dict[str, NDArray[Any]]:
    """The tables of the branch ``either`` from those of the others (``values``, ``low``, ``high``,
    ``tested``): value of the mean, limits around both real branches, tested where both were."""
    low, high, tested = ([held[name][side] for side in _SIDES] for name in ("low", "high", "tested"))
    return {
        "values": held["values"]["mean"],
        "low": np.minimum(*low),
        "high": np.maximum(*high),
        "tested": np.logical_and(*tested),
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
        if branch not in document.branches and branch == EITHER:
            continue  # a file of before: it follows from the others
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
    for branch in (name for name in BRANCHES if name in document.branches):
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
