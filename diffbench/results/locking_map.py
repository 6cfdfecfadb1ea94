"""The locking-torque map: lookup, limits, tested region, and its file."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from types import MappingProxyType
from typing import Any, ClassVar, Generic, Literal, TypeAlias, TypeVar, overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

from diffbench.errors import DocumentError, QuantityError
from diffbench.input_files import RESULT
from diffbench.input_files import content_of as bytes_of
from diffbench.notebook import ShowsItself
from diffbench.physics.preload import PRELOAD_LAWS
from diffbench.quantities import ABSOLUTE_ZERO
from diffbench.results.beyond_axes import Beyond, Ends, beyond_of, continued, inner_nodes
from diffbench.results.document import ByName, Document, Frozen, Named
from diffbench.results.fitted_law import FittedLaw
from diffbench.results.grid_lookup import Grid, Table

__all__ = [
    "AXES",
    "BRANCHES",
    "FORMAT",
    "Branch",
    "LockingMap",
    "MapAxes",
    "MapBranch",
    "MapDocument",
    "MapInterpolation",
    "Reading",
    "Shows",
    "either_of",
    "load_map",
]

Array = NDArray[np.float64]
Branch = Literal["loading", "unloading", "mean", "either"]
Shows = Literal["as measured", "as measured, carried over", "by the law"]

FORMAT: Literal["diffbench-map/1"] = "diffbench-map/1"
AXES = ("input_torque_Nm", "speed_difference_rad_s", "temperature_degC")
BRANCHES: tuple[Branch, ...] = ("loading", "unloading", "mean", "either")
#: Which branch is not known: the value of the mean, limits that hold both real branches with theirs. A file
#: of before has none: it follows from the others.
EITHER: Branch = "either"
_SIDES: tuple[Branch, Branch] = ("loading", "unloading")


class MapAxes(Frozen):
    """The axes, each a rising list; the speed difference is its magnitude."""

    input_torque_Nm: tuple[float, ...]  # the file contract's key
    speed_difference_rad_s: tuple[float, ...]
    temperature_degC: tuple[float, ...]  # the file contract's key


class MapBranch(Frozen):
    """One branch: nested lists [torque][speed][temperature].

    ``by_the_law_Nm`` the law alone, where ``locking_torque_Nm`` is as measured (`MapDocument.shows`).
    """

    locking_torque_Nm: tuple[tuple[tuple[float, ...], ...], ...]  # the file contract's key
    low_Nm: tuple[tuple[tuple[float, ...], ...], ...]  # the file contract's key
    high_Nm: tuple[tuple[tuple[float, ...], ...], ...]  # the file contract's key
    tested: tuple[tuple[tuple[bool, ...], ...], ...]
    by_the_law_Nm: tuple[tuple[tuple[float, ...], ...], ...] | None = None  # unit as in the other keys


class MapInterpolation(Frozen):
    """What the nodes leave out: the most that a lookup between them was found to add, as a share of the local
    locking torque (where nothing was tested, of ten times that, or a hundred times what the limits part by
    there), when the map was held against its law; and the share of the tested region that is shown as not
    tested, because a cell counts only when all its nodes do."""

    allowed: float
    locking_torque: float
    limits: float
    tested_not_shown: float


class MapDocument(Document):
    """``map.json``: locking torque in steady state, plates and oil at one temperature.

    ``sha256`` is of the content (`content_digest`); a file without it, made by hand, is taken as it is.
    ``characterisation_sha256`` is that of the characterisation that the map was made of. ``shows`` says what
    ``locking_torque_Nm`` is: the law as the cells correct it (carried over, where the unit is a changed one),
    or the law alone, as in a file of before.
    """

    file_name: ClassVar[str] = "map.json"
    made_by: ClassVar[str] = "diffbench fit"
    indent: ClassVar[int | None] = None
    tables: ClassVar[frozenset[str]] = frozenset({"axes", "branches"})

    format: Literal["diffbench-map/1"]
    unit: str
    build: str
    law: str
    confidence: float
    axes: MapAxes
    branches: ByName[MapBranch]
    notes: tuple[str, ...]
    provenance: dict[str, Any]
    interpolation: MapInterpolation | None = None
    beyond: Beyond | None = None  # a file of before has none: it is made from the tables
    fitted_law: FittedLaw | None = None  # a file of before, or made by hand, has none
    sha256: str | None = None
    characterisation_sha256: str | None = None
    shows: Shows | None = None
    predicted: str | None = None  # what was changed, where no bench has measured this unit

    def content(self) -> dict[str, Any]:
        """The document as plain values, without its hash and without what it does not say."""
        content = super().content()
        for branch in content["branches"].values():
            if branch["by_the_law_Nm"] is None:
                del branch["by_the_law_Nm"]
        return {key: part for key, part in content.items() if part is not None}

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Key and fault of what a well-formed map cannot say; where its shape is none, of that alone."""
        wrong = list(self._shape_faults())
        return iter(wrong) if wrong else self._content_faults()

    def _shape_faults(self) -> Iterator[tuple[str, str]]:
        sizes = []
        for name in AXES:
            axis = getattr(self.axes, name)
            sizes.append(len(axis))
            if not axis or any(b <= a for a, b in pairwise(axis)) or not np.isfinite(axis).all():
                yield f"axes.{name}", "the axis is not a rising list of numbers"
        for branch in BRANCHES:
            if branch not in self.branches:
                if branch != EITHER:  # a file of before has none: it follows from the others
                    yield f"branches.{branch}", "the branch is missing"
                continue
            for table in MapBranch.model_fields:
                key, nested = f"branches.{branch}.{table}", getattr(self.branches[branch], table)
                if nested is None:
                    continue  # the branch shows the law
                try:
                    values = np.array(nested, dtype=np.float64)
                except ValueError:
                    yield key, "the rows are of different lengths"
                    continue
                if list(values.shape) != sizes:
                    yield key, f"the shape {values.shape} is not that of the axes {tuple(sizes)}"
                elif not np.isfinite(values).all():
                    yield key, "a node holds no number"

    def _content_faults(self) -> Iterator[tuple[str, str]]:
        if not 0.0 < self.confidence < 1.0:
            yield "confidence", "no confidence lies outside 0 to 1"
        if self.axes.speed_difference_rad_s[0] < 0.0:
            key = "axes.speed_difference_rad_s"
            yield key, "a speed difference is its magnitude, and this one is negative"
        for branch in (name for name in BRANCHES if name in self.branches):
            held = self.branches[branch]
            low, value, high = map(np.array, (held.low_Nm, held.locking_torque_Nm, held.high_Nm))
            if (low < 0.0).any():
                yield f"branches.{branch}.low_Nm", "a locking torque is never negative, and this one is"
            if (low > value).any() or (value > high).any():
                yield f"branches.{branch}.locking_torque_Nm", "a node is not within its own limits"

    @classmethod
    def _not_there(cls, file: Path, error: OSError) -> DocumentError:
        if not (folders := _of_builds(file.parent)):
            return super()._not_there(file, error)
        return DocumentError.single(
            "is not there: of several builds fitted together, each has a map in a folder of its own",
            file=str(file),
            mend=f"name one of {', '.join(folders)}",
        )


def _of_builds(folder: Path) -> list[str]:
    """The folders of the builds, where a folder holds the result of several that were fitted together."""
    try:
        content = json.loads(bytes_of(folder / "characterisation.json", most=RESULT))
        names = [str(build["folder"]) for build in content["builds"] if build.get("folder")]
    except (DocumentError, OSError, ValueError, KeyError, TypeError, AttributeError):
        return []  # it is no such result; what is wrong with the map is told as it is
    return [str(folder / name) for name in names]


Number = TypeVar("Number")
Flag = TypeVar("Flag")


@dataclass(frozen=True)
class Reading(Generic[Number, Flag]):
    """A map at one place or at many: numbers for single places, arrays for many.

    Attributes
    ----------
    locking_torque, low, high : float or ndarray
        Locking torque and its limits [N·m].
    tested : bool or ndarray
        Whether all nodes around the place were inside what the bench tested; False beyond the axes.
    beyond : bool or ndarray
        Whether the place is beyond the axes: there `diffbench.results.beyond_axes` says what the map does.
    """

    locking_torque: Number
    low: Number
    high: Number
    tested: Flag
    beyond: Flag


One: TypeAlias = Reading[float, bool]
Many: TypeAlias = Reading[Array, NDArray[np.bool_]]


class LockingMap(ShowsItself):
    """Locking torque over input torque, speed difference and temperature, immutable.

    ``values``, ``low``, ``high`` by branch: arrays (torque, speed, temperature) [N·m]; ``tested`` booleans.
    Branches are ``loading``, ``unloading``, ``mean`` of both, and ``either``, the default: which one is not
    known, so that its interval spans both real ones with their limits.
    Between nodes it is linear along each axis, exact at every node, monotone where the nodes are and never
    negative. Beyond the axes it goes on straight along torque and is held along the others, with limits that
    part by the distance (``beyond``), and ``tested`` is False. A place that is not finite gives no number.
    A temperature below absolute zero is a ``QuantityError``.
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
        held: dict[str, Named[NDArray[Any]]] = {name: Named() for name in _TABLES}
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
        law = PRELOAD_LAWS.get(document.law)
        by_tables = document.beyond or beyond_of(
            axes, self.values, self.low, self.high, corner_unseen=law is None or not law.linear
        )
        set_once("beyond", by_tables)
        set_once("_grid", grid)
        tables: dict[str, Any] = {b: tuple(grid.table(held[name][b]) for name in _TABLES) for b in BRANCHES}
        set_once("_tables", Named(tables))
        set_once("_ends", tuple((float(axis[0]), float(axis[-1])) for axis in axes))
        torque = axes[0]
        lines = zip((0, -1), inner_nodes(torque), strict=True)
        set_once("_lines", tuple((float(torque[end]), float(torque[inner])) for end, inner in lines))

    def __setattr__(self, name: str, value: object) -> None:
        msg = f"a locking-torque map is immutable: '{name}' cannot be set"
        raise AttributeError(msg)

    def __repr__(self) -> str:
        nodes = " × ".join(str(axis.size) for axis in self.axes)
        ends = ", ".join(
            f"{name} {low:g} to {high:g}" for name, (low, high) in zip(AXES, self._ends, strict=True)
        )
        said = self.document
        told = "" if said.predicted is None else f", predicted: {said.predicted}"
        return f"LockingMap(unit={said.unit!r}, build={said.build!r}, {nodes} nodes over {ends}{told})"

    def __reduce__(self) -> tuple[type[LockingMap], tuple[MapDocument]]:
        return LockingMap, (self.document,)

    @overload
    def locking_torque(
        self, input_torque: float, speed_difference: float, temperature: float, branch: Branch = ...
    ) -> float: ...

    @overload
    def locking_torque(
        self,
        input_torque: ArrayLike,
        speed_difference: ArrayLike,
        temperature: ArrayLike,
        branch: Branch = ...,
    ) -> Array: ...

    def locking_torque(
        self,
        input_torque: ArrayLike,
        speed_difference: ArrayLike,
        temperature: ArrayLike,
        branch: Branch = "either",
    ) -> float | Array:
        """Locking torque [N·m] at ``input_torque`` [N·m], ``speed_difference`` [rad/s] (its magnitude counts)
        and ``temperature`` [°C]; arrays broadcast, single numbers give a float. Raises ``UnknownNameError``
        for a branch that there is not."""
        table = self._tables[branch][0]
        # single numbers first: this is called from within loops
        if (
            isinstance(input_torque, _NUMBER)
            and isinstance(speed_difference, _NUMBER)
            and isinstance(temperature, _NUMBER)
        ):
            low, high = self._ends[0]
            if low <= input_torque <= high and temperature >= ABSOLUTE_ZERO:
                return self._grid.one(table, input_torque, abs(speed_difference), temperature)
        value: float | Array = self._look_up(branch, 1, input_torque, speed_difference, temperature)[0]
        return value

    def by_the_law(
        self,
        input_torque: ArrayLike,
        speed_difference: ArrayLike,
        temperature: ArrayLike,
        branch: Branch = "either",
    ) -> float | Array | None:
        """Locking torque by the law alone [N·m], where the map shows what was measured; None where it shows
        the law itself. Beyond the axes no number."""
        held = self.document.branches.get(branch)
        if held is None or held.by_the_law_Nm is None:
            return None
        torque, speed, heat = np.broadcast_arrays(
            *(np.asarray(v, dtype=np.float64) for v in (input_torque, np.abs(speed_difference), temperature))
        )
        _refuse_below_absolute_zero(heat)
        place = [np.atleast_1d(part).ravel() for part in (torque, speed, heat)]
        table = self._grid.table(np.array(held.by_the_law_Nm))
        found = self._grid.many([table], *place)[0]
        for part, (low, high) in zip(place, self._ends, strict=True):
            found[(part < low) | (part > high)] = np.nan
        return float(found[0]) if torque.ndim == 0 else found.reshape(torque.shape)

    @overload
    def interval(
        self, input_torque: float, speed_difference: float, temperature: float, branch: Branch = ...
    ) -> tuple[float, float]: ...

    @overload
    def interval(
        self,
        input_torque: ArrayLike,
        speed_difference: ArrayLike,
        temperature: ArrayLike,
        branch: Branch = ...,
    ) -> tuple[Array, Array]: ...

    def interval(
        self,
        input_torque: ArrayLike,
        speed_difference: ArrayLike,
        temperature: ArrayLike,
        branch: Branch = "either",
    ) -> tuple[float, float] | tuple[Array, Array]:
        """95 % limits (low, high) [N·m] at a place, as ``locking_torque``."""
        _, low, high = self._look_up(branch, 3, input_torque, speed_difference, temperature)
        return low, high

    @overload
    def is_tested(
        self, input_torque: float, speed_difference: float, temperature: float, branch: Branch = ...
    ) -> bool: ...

    @overload
    def is_tested(
        self,
        input_torque: ArrayLike,
        speed_difference: ArrayLike,
        temperature: ArrayLike,
        branch: Branch = ...,
    ) -> NDArray[np.bool_]: ...

    def is_tested(
        self,
        input_torque: ArrayLike,
        speed_difference: ArrayLike,
        temperature: ArrayLike,
        branch: Branch = "either",
    ) -> bool | NDArray[np.bool_]:
        """Whether all nodes around a place were inside what the bench tested. Outside the axes: False."""
        return self.read(input_torque, speed_difference, temperature, branch).tested

    @overload
    def read(
        self, input_torque: float, speed_difference: float, temperature: float, branch: Branch = ...
    ) -> One: ...

    @overload
    def read(
        self,
        input_torque: ArrayLike,
        speed_difference: ArrayLike,
        temperature: ArrayLike,
        branch: Branch = ...,
    ) -> Many: ...

    def read(
        self,
        input_torque: ArrayLike,
        speed_difference: ArrayLike,
        temperature: ArrayLike,
        branch: Branch = "either",
    ) -> One | Many:
        """Everything that the map says of a place, or of many: torque, limits, tested, beyond the axes.

        Examples
        --------
        >>> from diffbench.results.locking_map import MapDocument
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
        _refuse_below_absolute_zero(heat)
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
        columns = (torque, speed, heat)[: 1 if count == 1 else 3]  # a value alone changes along torque only
        for column, (low, high) in zip(columns, self._ends, strict=False):
            outside |= (column < low) | (column > high)
        if outside.any():
            beyond = [answer[outside] for answer in answers]
            self._go_on(branch, beyond, torque[outside], speed[outside], heat[outside])
            for answer, column in zip(answers, beyond, strict=True):
                answer[outside] = column
        return answers

    def _go_on(self, branch: Branch, found: list[Array], torque: Array, speed: Array, heat: Array) -> None:
        """From what the ends of the axes say (m,) to what the map says beyond them, in place."""
        change, by_torque = np.zeros(torque.shape), np.zeros(torque.shape)
        for side, (end, inner) in enumerate(self._lines):
            here = np.isfinite(torque) & ((torque < end) if side == 0 else (torque > end))
            if not here.any():
                continue
            distance = torque[here] - end
            if inner != end:
                place = np.full(distance.shape, inner), speed[here], heat[here]
                before = self._grid.many(self._tables[branch][:1], *place)[0]
                change[here] = distance * ((found[0][here] - before) / (end - inner))
            by_torque[here] = self.beyond.half_width_per_Nm[branch][side] * np.abs(distance)
        if len(found) == 1:
            found[0][:] = np.maximum(found[0] + change, 0.0)
            return
        share = np.zeros(torque.shape)
        for column, (low, high), (below, above) in (
            (speed, self._ends[1], self.beyond.half_width_share_per_rad_s),
            (heat, self._ends[2], self.beyond.half_width_share_per_K),
        ):
            share += below * np.maximum(low - column, 0.0) + above * np.maximum(column - high, 0.0)
        found[:3] = continued(
            found[0],
            found[1],
            found[2],
            change=change,
            by_torque=by_torque,
            share=share,
            of_change=self.beyond.half_width_share_of_change,
        )

    @property
    def digest(self) -> str:
        """SHA-256 of the content (`content_digest`), by which copies of a map in other formats are known."""
        return self.document.digest

    def to_json(self) -> str:
        """The document as JSON text, with the hash of its content."""
        return self.document.to_json()


def _refuse_below_absolute_zero(heat: Array) -> None:
    """What is infinite is no place, and gives no number instead."""
    below = heat < ABSOLUTE_ZERO
    if below.any() and (below := below & np.isfinite(heat)).any():
        raise QuantityError.single(
            f"temperature: {float(heat[below].flat[0]):g} degC is below absolute zero",
            mend="give degrees Celsius; check the unit and the sign",
        )


_NUMBER = (float, int)
# name in the map, key in the file, kind of number
_TABLES: dict[str, tuple[str, type]] = {
    "values": ("locking_torque_Nm", np.float64),
    "low": ("low_Nm", np.float64),
    "high": ("high_Nm", np.float64),
    "tested": ("tested", np.bool_),
}


def either_of(held: Mapping[str, Mapping[Any, NDArray[Any]]]) -> dict[str, NDArray[Any]]:
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


def load_map(path: str | Path) -> LockingMap:
    """Read ``map.json``. Raises ``DocumentError`` naming file, key and mend where it is not one."""
    return LockingMap(MapDocument.load(path))
