"""Where a map has its nodes: as few as keep a lookup near the law, and show what was tested.

Nodes are chosen, not set. Along each axis the fewest that keep an error are found greedily; how the error is
shared out among the axes is tried, the whole is measured, and the widest sum that holds wins. A grid of round
steps, with a fifth more nodes, missed the law by more than twice as much and lost a fifth of the tested
region. Interpolation adds half a thousandth: a good bench knows the law to a thousandth, two thousandths
spoilt the limits there, and it costs less than twice the nodes. Where the law has a corner there is a node.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise, product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from diffbench.results.grid_lookup import Grid

__all__ = [
    "ALLOWED",
    "ALLOWED_UNTESTED",
    "AxisPlan",
    "ChosenGrid",
    "Limited",
    "choose_grid",
    "fewest_nodes",
    "interpolation_error",
]

Array = NDArray[np.float64]
Limited = tuple[Array, Array, Array]
"""Locking torque and its lower and upper limit, of one shape [N·m]."""
Law = Callable[[Array, Array, Array], Sequence[Limited]]
"""Places (n,) in; for each branch locking torque and limits, all (n,) [N·m]."""
Values = Callable[[Array, Array, Array], Sequence[tuple[Array, Array]]]
"""Places (n,) in; for each branch locking torque, and what its limits part by because nothing was tested
there, both (n,) [N·m]."""
Region = Callable[[Array, Array, Array], Sequence[NDArray[np.bool_]]]
"""Places (n,) in; for each branch whether they were tested."""

#: What interpolation may add, as a share of the local locking torque: so little that the limits, which are
#: those of the law, hold between nodes as well. A good bench knows the law to a thousandth.
ALLOWED = 0.0005
#: Where nothing was tested, the error may be that share of so many times the local torque, and of so many
#: times what the limits part by there: 0.5 % and a twentieth. No node is spent on digits that nobody knows.
UNTESTED, UNTESTED_PARTED = 10.0, 100.0
#: The local torque counts as at least this share of the largest one: a share of nothing has no meaning.
LEAST = 1e-3
#: What of the tested region may be lost because a cell counts as tested only when all its nodes were.
MAY_BE_LOST = 0.06
#: What interpolation may add to a map of which no node was tested.
ALLOWED_UNTESTED = UNTESTED * ALLOWED
MANY = 150  # candidates of an axis
MOST_REFINEMENTS = 24
MOST_IDLE = 12
#: A map is a file that people open: where corners move with speed and temperature, as of packs that differ,
#: no number of nodes keeps to the law by half a thousandth. Nodes that show what was tested come on top.
MOST_NODES = 40_000
#: The error is measured at places, and may be a little larger between them.
MARGIN = 0.97
#: Sums of the errors along the axes that are tried, over `ALLOWED`: seldom do they all meet in one place.
_WIDTHS = tuple(2.5 * 0.9**step for step in range(23))
Box = tuple[tuple[float, float], tuple[float, float], tuple[float, float]]
"""Lowest and highest tested torque, speed difference and temperature."""
_Axes = tuple[Array, Array, Array]
_Nodes = tuple[NDArray[np.intp], ...]
"""Of torque and of speed difference, which candidates are nodes; each rising."""


@dataclass(frozen=True)
class AxisPlan:
    """Round places where an axis may have a node, and those where it must.

    Attributes
    ----------
    candidates : ndarray (n,)
        Rising; the ends are the axis's own.
    required : ndarray (m,)
        Ends, corners of the law, ends of the tested region; each is a candidate.
    """

    candidates: Array
    required: Array

    def __post_init__(self) -> None:
        merged = np.union1d(self.candidates, self.required)
        object.__setattr__(self, "candidates", merged)
        object.__setattr__(self, "required", np.union1d(self.required, merged[[0, -1]]))


@dataclass(frozen=True)
class ChosenGrid:
    """Axes, and what they do not show.

    Attributes
    ----------
    axes : tuple of three arrays
        Torque [N·m], speed difference [rad/s], temperature [°C].
    lost : float
        Share of the tested torques and speeds that the nodes do not show.
    """

    axes: _Axes
    lost: float


def choose_grid(
    plans: tuple[AxisPlan, AxisPlan, AxisPlan],
    law: Law,
    values: Values,
    region: Region,
    box: Box,
    allowed: float = ALLOWED,
) -> ChosenGrid:
    """The axes with the fewest nodes between which linear interpolation adds no more than is ``allowed``.

    The error along three axes is at most the sum of those along each (linear interpolation has norm one: de
    Boor, A Practical Guide to Splines, chapter 17; from memory). For a row of allowed errors the nodes along
    each axis are the fewest that keep it (`fewest_nodes`); of all ways to share a sum out, the one with the
    smallest table wins. Because that sum is a bound, the whole error of the values, which cost little beside
    those of the whole ``law``, is then measured, and the widest sum that holds is taken. Last, nodes are
    added one by one where they show most of the tested ``region``, inside its ``box``. Between two candidates
    the law is as good as straight; where it jumps, or its corners move, no grid of `MOST_NODES` keeps the
    error: `interpolation_error` says what it then is.
    """
    ladders = [
        _ladder(plan, *_profile(plans, which, law, values), allowed) for which, plan in enumerate(plans)
    ]

    errors = _over_all([np.array([error for error, _ in ladder]) for ladder in ladders], np.add)
    sizes = _over_all([np.array([nodes.size for _, nodes in ladder]) for ladder in ladders], np.multiply)

    def best_of(width: float) -> _Axes:
        """The smallest table whose errors along the axes sum up to no more than that."""
        fewest = np.where(errors <= width * allowed, sizes, np.inf).argmin()
        one, two, three = (
            ladder[rung][1]
            for ladder, rung in zip(ladders, np.unravel_index(fewest, errors.shape), strict=True)
        )
        return one, two, three

    good, bad = len(_WIDTHS) - 1, -1
    while good > 0 and np.prod([axis.size for axis in best_of(_WIDTHS[good])]) > MOST_NODES:
        good -= 1
    while good - bad > 1:
        middle = (good + bad) // 2
        if value_error(best_of(_WIDTHS[middle]), values) <= MARGIN * allowed:
            good = middle
        else:
            bad = middle
    return ChosenGrid(*_show_tested(best_of(_WIDTHS[good]), plans, region, box))


def _over_all(rows: Sequence[NDArray[Any]], together: np.ufunc) -> NDArray[Any]:
    """Sum or product of one number from each of three rows, in every way: a table (k, l, m)."""
    one, two, three = rows
    return np.asarray(together.outer(together.outer(one, two), three))


def _ladder(plan: AxisPlan, values: Array, scale: Array, allowed: float) -> list[tuple[float, Array]]:
    """Fewest nodes along one axis for a row of allowed errors; of equal ones the smallest error."""
    rungs: dict[int, tuple[float, Array]] = {}
    for error in (allowed * _WIDTHS[0] * 0.75**step for step in range(14)):
        nodes = fewest_nodes(plan, values, scale, error)
        rungs[nodes.size] = (error, nodes)
    return list(rungs.values())


def fewest_nodes(plan: AxisPlan, values: Array, scale: Array, allowed: float) -> Array:
    """The fewest candidates, the required ones among them, between which a chord keeps to the curves.

    From each node the next one is the furthest that keeps the error: where parts of a good segment are good
    as well, no other choice needs fewer.

    Parameters
    ----------
    plan : AxisPlan
        Candidates (n,) and required nodes.
    values, scale : ndarray (n, k)
        k curves at the candidates, and what their errors are measured by.
    allowed : float
        Largest error over its scale.

    Returns
    -------
    Nodes, rising.

    Examples
    --------
    A parabola of curvature 2: a chord of length h misses it by h²/4, so 0.04 allows steps of 0.4.

    >>> x = np.linspace(0.0, 2.0, 201)
    >>> fewest_nodes(AxisPlan(x, np.array([0.0, 2.0])), (x**2)[:, None], np.ones((201, 1)), 0.0401).tolist()
    [0.0, 0.4, 0.8, 1.2, 1.6, 2.0]
    """
    x = plan.candidates
    stops = np.searchsorted(x, plan.required).tolist()
    nodes = [0]
    for stop in stops[1:]:
        while nodes[-1] < stop:
            start = nodes[-1]
            good, bad = start + 1, stop
            if good < stop and _keeps(x, values, scale, start, stop, allowed):
                good = stop
            while bad - good > 1:
                middle = (good + bad) // 2
                if _keeps(x, values, scale, start, middle, allowed):
                    good = middle
                else:
                    bad = middle
            nodes.append(good)
    return np.asarray(x[nodes])


def _keeps(x: Array, values: Array, scale: Array, start: int, end: int, allowed: float) -> bool:
    """Whether the chord between two candidates, with others between them, keeps the error."""

    def within(first: int, last: int, step: int) -> bool:
        inner = slice(first, last, step)
        share = ((x[inner] - x[start]) / (x[end] - x[start]))[:, None]
        apart = values[start] + share * (values[end] - values[start]) - values[inner]
        return bool((np.abs(apart, out=apart) <= allowed * scale[inner]).all())

    # a chord misses a smooth curve most near its middle: of many candidates a few tell, and the middle one
    # mostly says of itself that it is too long
    inner = range(start + 1, end, max((end - start) // 12, 1))
    middle = inner[len(inner) // 2]
    return within(middle, middle + 1, 1) and within(inner.start, inner.stop, inner.step)


def _profile(plans: Sequence[AxisPlan], which: int, law: Law, values: Values) -> tuple[Array, Array]:
    """Values along one axis at a few places of the other two, limits at fewer; and the local torque.

    Limits cost twenty times what values do, and are smooth: of `MANY` candidates every second one tells them.
    """
    own = plans[which]
    place, along = _lines(own.candidates, [_probes(plan) for plan in plans], which)
    columns, scales = [], []
    for value, parted in values(*place):
        columns.append(along(value))
        scales.append(along(_local(value, parted)))
    coarse = np.union1d(own.candidates[:: 2 if own.candidates.size > MANY else 1], own.required)
    place, along = _lines(coarse, [_middles(plan) for plan in plans], which)
    for (value, low, high), (_, parted) in zip(law(*place), values(*place), strict=True):
        half = np.maximum(high - value, value - low)
        if half.any():
            # a limit matters by the width that it bounds, where that is more than the torque itself
            local = np.maximum(_local(value, parted), half)
            columns += [_between(own.candidates, coarse, along(limit)) for limit in (low, high)]
            scales += [_between(own.candidates, coarse, along(local))] * 2
    scale = np.hstack(scales)
    return np.hstack(columns), np.maximum(scale, LEAST * scale.max())


def _lines(axis: Array, probes: list[Array], which: int) -> tuple[list[Array], Callable[[Array], Array]]:
    """Places (n,) on lines along one axis through ``probes`` of the other two, and the way from numbers there
    to a column for each line."""
    at = [*probes[:which], axis, *probes[which + 1 :]]
    meshed = np.meshgrid(*at, indexing="ij")

    def along(table: Array) -> Array:
        return np.moveaxis(table.reshape(meshed[0].shape), which, 0).reshape(axis.size, -1)

    return [part.ravel() for part in meshed], along


def _between(x: Array, coarse: Array, table: Array) -> Array:
    """Columns (m, k) at places (m,) read between at places (n,)."""
    below = np.clip(np.searchsorted(coarse, x, side="right") - 1, 0, max(coarse.size - 2, 0))
    after = np.minimum(below + 1, coarse.size - 1)
    width = np.where(after > below, coarse[after] - coarse[below], 1.0)
    share = ((x - coarse[below]) / width)[:, None]
    return np.asarray(table[below] + share * (table[after] - table[below]))


def _few(plan: AxisPlan) -> tuple[Array, Array]:
    """Up to five of the required nodes of an axis, the ends among them, and the middles between them."""
    at = plan.required
    if at.size > 5:
        at = at[np.unique(np.linspace(0, at.size - 1, 5).round().astype(int))]
    return at, 0.5 * (at[1:] + at[:-1])


def _probes(plan: AxisPlan) -> Array:
    """A handful of places along an axis, where values are looked at."""
    at, middles = _few(plan)
    return np.unique(np.concatenate([at, middles, at[:1] + 0.1 * (at[-1:] - at[:1])]))


def _middles(plan: AxisPlan) -> Array:
    """Fewer of them, for limits: these are widest at the ends of an axis, and narrow between."""
    at, middles = _few(plan)
    return np.unique(np.concatenate([at[:1], middles, at[-1:]]))


def interpolation_error(axes: _Axes, law: Law, values: Values) -> tuple[float, float]:
    """What interpolation adds to values and to limits, at most, as shares of the local torque; to limits, of
    half their interval where that is more; where nothing was tested, of what `UNTESTED` says.

    Values are measured in the middle of every cell, face and edge, limits in the middle of every cell, both
    also at places drawn by a fixed seed. Limits go with their value: they count as off by no less.

    Parameters
    ----------
    axes : three arrays
        Torque [N·m], speed difference [rad/s], temperature [°C].
    law, values : callable
        What the map is of, with its limits and without.

    Returns
    -------
    Of the locking torque, and of its limits.
    """
    middles = [0.5 * (axis[1:] + axis[:-1]) if axis.size > 1 else axis for axis in axes]
    place = _places(axes, middles)
    grid = Grid(axes)
    worst = 0.0
    rows = zip(
        _at_places(law, axes, middles), law(*_meshed(axes)), _at_places(values, axes, middles), strict=True
    )
    for (value, *limits), (_, *limits_at_nodes), (_, parted) in rows:
        half = np.maximum(limits[1] - value, value - limits[0])
        scale = np.maximum(np.maximum(_local(value, parted), LEAST * np.max(value)), half)
        for table, true in zip(limits_at_nodes, limits, strict=True):
            found = grid.many([grid.table(table)], *place)[0]
            worst = max(worst, float(np.max(np.abs(found - true) / scale)))
    of_values = value_error(axes, values)
    return of_values, max(worst, of_values)


def _local(value: Array, parted: Array) -> Array:
    """The local torque that errors are measured by (see `UNTESTED`)."""
    untested = np.maximum(UNTESTED * value, UNTESTED_PARTED * parted)
    return np.where(parted > 0.0, untested, value)


def value_error(axes: _Axes, values: Values) -> float:
    """What interpolation adds to the locking torque, at most, as a share of the local one."""
    fine = [np.unique(np.concatenate([axis, 0.5 * (axis[1:] + axis[:-1])])) for axis in axes]
    place = _places(axes, fine)
    grid = Grid(axes)
    worst = 0.0
    for (true, parted), (at_nodes, _) in zip(
        _at_places(values, axes, fine), values(*_meshed(axes)), strict=True
    ):
        found = grid.many([grid.table(at_nodes)], *place)[0]
        scale = np.maximum(_local(true, parted), LEAST * np.max(true))
        worst = max(worst, float(np.max(np.abs(found - true) / scale)))
    return worst


def _drawn(axes: _Axes) -> list[Array]:
    """Places between the ends of the axes."""
    rng = np.random.default_rng(20260414)
    return [rng.uniform(axis[0], axis[-1], 800) for axis in axes]


def _meshed(lattice: Sequence[Array]) -> list[Array]:
    """A lattice as three that broadcast, so that what two of them say is asked for once."""
    return list(np.meshgrid(*lattice, indexing="ij", sparse=True))


def _places(axes: _Axes, lattice: Sequence[Array]) -> list[Array]:
    """A lattice (n,) and places drawn between the ends of the axes."""
    whole = [part.ravel() for part in np.broadcast_arrays(*_meshed(lattice))]
    return [np.concatenate(parts) for parts in zip(whole, _drawn(axes), strict=True)]


def _at_places(of: Law | Values, axes: _Axes, lattice: Sequence[Array]) -> list[tuple[Array, ...]]:
    """What a law says at `_places`."""
    return [
        tuple(np.concatenate([one.ravel(), other]) for one, other in zip(*both, strict=True))
        for both in zip(of(*_meshed(lattice)), of(*_drawn(axes)), strict=True)
    ]


def _show_tested(axes: _Axes, plans: Sequence[AxisPlan], region: Region, box: Box) -> tuple[_Axes, float]:
    """Add nodes of torque and speed, each where it shows most, until little of the tested region is lost.

    Tested temperatures are a range whose ends are nodes already: one temperature stands for all.
    """
    rng = np.random.default_rng(20260415)
    drawn = [rng.uniform(low, high, 3000) for low, high in box]
    anywhere = np.any(region(drawn[0], drawn[1], drawn[2]), axis=0)
    if not anywhere.any():
        return axes, 0.0
    places = drawn[0][:800], drawn[1][:800]
    shown = _Shown((plans[0].candidates, plans[1].candidates), places, np.median(drawn[2][anywhere]), region)

    pair: _Nodes = tuple(np.searchsorted(plans[which].candidates, axes[which]) for which in (0, 1))
    now, total = shown.lost(pair)
    best, idle = (now, pair), 0
    for _ in range(MOST_REFINEMENTS):
        if now <= MAY_BE_LOST or idle == MOST_IDLE:
            break
        tries: list[tuple[float, float, _Nodes]] = []
        for which, nodes in enumerate(pair):
            for low, high in pairwise(nodes.tolist()):
                if high - low < 2:
                    continue
                longer = np.union1d(nodes, (low + high) // 2)
                tried = (longer, pair[1]) if which == 0 else (pair[0], longer)
                # a node more along a short axis makes the table longer than one along a long axis;
                # where no single one shows more, the widest gap is parted
                gain = (total - shown.lost(tried)[1]) * nodes.size
                tries.append((gain, (high - low) / plans[which].candidates.size, tried))
        if not tries:
            break
        pair = max(tries, key=lambda tried: tried[:2])[2]
        now, total = shown.lost(pair)
        best, idle = ((now, pair), 0) if now < best[0] else (best, idle + 1)
    # nodes that showed nothing in the end go again
    torques, speeds = (plan.candidates[nodes] for plan, nodes in zip(plans, best[1], strict=False))
    return (torques, speeds, axes[2]), best[0]


class _Shown:
    """How much of a tested region a table shows, whose nodes are some of the candidates of both axes.

    A place counts as shown where all nodes around it were tested. Whether a candidate was is asked for once,
    however many tables it is tried in.
    """

    def __init__(
        self, candidates: tuple[Array, Array], places: tuple[Array, Array], heat: float, region: Region
    ) -> None:
        self._candidates, self._heat, self._region = candidates, heat, region
        self._truly = np.stack(region(*places, np.full(places[0].size, heat)))
        # the last candidate at or before each place
        self._before = [
            np.searchsorted(axis, at, side="right") - 1 for axis, at in zip(candidates, places, strict=True)
        ]
        self._known = np.zeros(candidates[0].size, dtype=bool)
        self._tested = np.zeros((len(self._truly), *(axis.size for axis in candidates)), dtype=bool)

    def lost(self, nodes: _Nodes) -> tuple[float, float]:
        """The largest share over the branches, and the sum of the shares."""
        self._look_at(nodes[0])
        around = []
        for own, before in zip(nodes, self._before, strict=True):
            lower = np.searchsorted(own, before, side="right") - 1
            around.append((own[lower], own[np.minimum(lower + 1, own.size - 1)]))
        seen = self._truly.copy()
        for torque, speed in product(*around):
            seen &= self._tested[:, torque, speed]
        shares = 1.0 - seen.sum(axis=1) / np.maximum(self._truly.sum(axis=1), 1)
        return float(shares.max()), float(shares.sum())

    def _look_at(self, torques: NDArray[np.intp]) -> None:
        torque, speed = self._candidates
        for row in torques[~self._known[torques]].tolist():
            at = np.full(speed.size, torque[row]), speed, np.full(speed.size, self._heat)
            self._tested[:, row] = self._region(*at)
            self._known[row] = True
