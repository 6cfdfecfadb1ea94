"""Where nodes come to stand: errors against scipy at the places that are named, and whole axes of a law by
hand whose curvature along each axis is its own."""

from __future__ import annotations

from itertools import combinations, pairwise

import numpy as np
import pytest
from scipy.interpolate import RegularGridInterpolator

from diffbench.results import map_grid
from diffbench.results.map_grid import (
    AxisPlan,
    choose_grid,
    fewest_nodes,
    interpolation_error,
    value_error,
)

AXES = (np.array([-90.0, 0.0, 40.0, 160.0]), np.array([0.5, 2.0, 7.0]), np.array([30.0, 55.0, 95.0]))
Array = np.ndarray


def law(torque: Array, speed: Array, heat: Array) -> list[tuple[Array, Array, Array]]:
    """Two branches; their limits bend otherwise than their values, and are wider on the one side."""
    found = []
    for branch in (1.0, 1.3):
        value = branch * (0.31 * np.abs(torque) + 3e-4 * torque**2) + 21.0 * np.exp(-0.4 * speed)
        value = value + 2e-4 * (heat - 50.0) ** 2 + 0.0 * torque
        half = 1.5 + 6e-5 * torque**2 + 0.03 * (speed - 3.0) ** 2 + 0.0 * heat
        found.append((value, value - branch * half, value + 0.7 * half))
    return found


def values(torque: Array, speed: Array, heat: Array) -> list[tuple[Array, Array]]:
    """The same, parting beyond 100 N·m and above 80 degrees, where nothing was tested."""
    parted = 0.02 * np.maximum(torque - 100.0, 0.0) + 0.01 * np.maximum(heat - 80.0, 0.0) + 0.0 * speed
    return [(value, parted) for value, _, _ in law(torque, speed, heat)]


def local(value: Array, parted: Array) -> Array:
    """What errors count by: the value; where nothing was tested ten times that, or a hundred times what
    limits part by."""
    return np.where(parted > 0.0, np.maximum(10.0 * value, 100.0 * parted), value)


def places(axes: tuple[Array, ...], lattice: list[Array]) -> tuple[Array, ...]:
    """A lattice, and eight hundred drawn places of one stated seed."""
    rng = np.random.default_rng(20260414)
    drawn = [rng.uniform(axis[0], axis[-1], 800) for axis in axes]
    whole = [part.ravel() for part in np.meshgrid(*lattice, indexing="ij")]
    return tuple(np.concatenate(both) for both in zip(whole, drawn, strict=True))


def apart(axes: tuple[Array, ...], nodes: Array, at: tuple[Array, ...], true: Array) -> Array:
    """What linear interpolation misses, by scipy."""
    return np.abs(RegularGridInterpolator(axes, nodes)(np.stack(at, axis=-1)) - true)


def errors(axes: tuple[Array, ...], of: int) -> tuple[float, float]:
    """Of values and of limits, of one branch."""
    fine = [np.sort([*axis, *(0.5 * (a + b) for a, b in pairwise(axis))]) for axis in axes]
    meshed = np.meshgrid(*axes, indexing="ij")
    at = places(axes, fine)
    value, parted = values(*at)[of]
    scale = np.maximum(local(value, parted), 1e-3 * value.max())
    of_values = np.max(apart(axes, law(*meshed)[of][0], at, value) / scale)
    at = places(axes, [np.array([0.5 * (a + b) for a, b in pairwise(axis)]) for axis in axes])
    value, low, high = law(*at)[of]
    scale = np.maximum(local(value, values(*at)[of][1]), np.maximum(high - value, value - low))
    limits = [
        np.max(apart(axes, law(*meshed)[of][which], at, (value, low, high)[which]) / scale)
        for which in (1, 2)
    ]
    return float(of_values), float(max(limits))


def test_errors_are_those_at_the_named_places() -> None:
    """Of values in the middle of every cell, face and edge; of limits in the middle of every cell, over half
    their interval where that is more; both also at drawn places."""
    found = [errors(AXES, of) for of in (0, 1)]
    of_values, of_limits = max(f[0] for f in found), max(f[1] for f in found)
    assert value_error(AXES, values) == pytest.approx(of_values, rel=1e-9)
    assert interpolation_error(AXES, law, values) == pytest.approx(
        (of_values, max(of_values, of_limits)), rel=1e-9
    )


@pytest.mark.parametrize("power", [40, -40])
def test_limits_count_for_themselves(power: int) -> None:
    """A law that is straight, with limits that are not: low and high in turn; and a thousandth of the largest
    value is the least that an error is divided by."""

    def straight(torque: Array, speed: Array, heat: Array) -> list[tuple[Array, Array, Array]]:
        value = 5.0 + 0.0 * (torque + speed + heat)
        bend = 1.0 + 0.3 * np.sin(torque / power) * np.cos(speed) + 0.01 * np.sin(heat)
        return [(value, value - (bend if power > 0 else 1.0), value + (1.0 if power > 0 else bend))]

    at = places(AXES, [np.array([0.5 * (a + b) for a, b in pairwise(axis)]) for axis in AXES])
    which = 1 if power > 0 else 2
    true = straight(*at)[0][which]
    off = apart(AXES, straight(*np.meshgrid(*AXES, indexing="ij"))[0][which], at, true)
    found = interpolation_error(AXES, straight, lambda *p: [(one[0], 0.0 * one[0]) for one in straight(*p)])
    assert found == pytest.approx((0.0, np.max(off) / 5.0), rel=1e-9, abs=1e-15)

    def low(torque: Array, speed: Array, heat: Array) -> list[tuple[Array, Array]]:
        value = np.exp(-((torque - 7.0) ** 2) / 20.0) + 0.0 * (speed + heat)
        return [(value, 0.0 * value)]

    fine = [np.sort([*axis, *(0.5 * (a + b) for a, b in pairwise(axis))]) for axis in AXES]
    at = places(AXES, fine)
    true = low(*at)[0][0]
    off = apart(AXES, low(*np.meshgrid(*AXES, indexing="ij"))[0][0], at, true)
    assert value_error(AXES, low) == pytest.approx(np.max(off / np.maximum(true, 1e-3 * true.max())))


def test_where_nothing_was_tested_errors_count_by_more() -> None:
    """By ten times the value, or by a hundred times what limits part by: the larger of both; for values and
    for limits."""
    for part, most in ((0.02, 10.0), (0.5, 50.0)):

        def parting(
            torque: Array, speed: Array, heat: Array, part: float = part
        ) -> list[tuple[Array, Array]]:
            return [(one[0], part * one[0]) for one in law(torque, speed, heat)[:1]]

        def narrow(torque: Array, speed: Array, heat: Array) -> list[tuple[Array, Array, Array]]:
            (value, _, high), *_ = law(torque, speed, heat)
            return [(value, value - 0.1, value + 1e-3 * (high - value))]

        fine = [np.sort([*axis, *(0.5 * (a + b) for a, b in pairwise(axis))]) for axis in AXES]
        at, meshed = places(AXES, fine), np.meshgrid(*AXES, indexing="ij")
        value = law(*at)[0][0]
        scale = np.maximum(most * value, 1e-3 * value.max())
        of_values = float(np.max(apart(AXES, law(*meshed)[0][0], at, value) / scale))
        assert value_error(AXES, parting) == pytest.approx(of_values, rel=1e-9)
        assert interpolation_error(AXES, narrow, parting)[0] == pytest.approx(of_values, rel=1e-9)

        def bent(torque: Array, speed: Array, heat: Array) -> list[tuple[Array, Array, Array]]:
            value = 5.0 + 0.0 * (torque + speed + heat)
            return [(value, value - 0.2 - 0.01 * np.sin(torque), value + 0.2)]

        def flat(torque: Array, speed: Array, heat: Array, part: float = part) -> list[tuple[Array, Array]]:
            return [(one[0], part * one[0]) for one in bent(torque, speed, heat)]

        at = places(AXES, [np.array([0.5 * (a + b) for a, b in pairwise(axis)]) for axis in AXES])
        off = apart(AXES, bent(*meshed)[0][1], at, bent(*at)[0][1])
        assert interpolation_error(AXES, bent, flat) == pytest.approx(
            (0.0, np.max(off) / (most * 5.0)), rel=1e-9, abs=1e-15
        )


def test_a_plan_holds_what_it_must() -> None:
    """Marks are candidates, and the ends are marks."""
    plan = AxisPlan(np.array([1.0, 2.0, 4.0]), np.array([3.0, 5.5]))
    assert plan.candidates.tolist() == [1.0, 2.0, 3.0, 4.0, 5.5]
    assert plan.required.tolist() == [1.0, 3.0, 5.5]


PLANS = (
    AxisPlan(np.arange(-100.0, 301.0, 2.0), np.array([-100.0, 0.0, 200.0, 300.0])),
    AxisPlan(np.arange(0.0, 10.01, 0.25), np.array([0.0, 1.0, 8.0, 10.0])),
    AxisPlan(np.arange(20.0, 101.0, 4.0), np.array([20.0, 40.0, 80.0, 100.0])),
)
BOX = ((-100.0, 200.0), (1.0, 8.0), (40.0, 80.0))


def region(torque: Array, speed: Array, heat: Array) -> list[Array]:
    """A slanted one, and a narrower."""
    inside = (torque >= -100.0) & (torque <= 200.0) & (speed >= 1.0) & (speed + torque / 40.0 <= 9.0)
    inside = inside & (speed <= 8.0) & (heat >= 40.0) & (heat <= 80.0)
    return [inside, inside & (torque <= 150.0)]


def curved(torque: Array, speed: Array, heat: Array) -> list[tuple[Array, Array, Array]]:
    found = []
    for branch in (1.0, 1.2):
        value = branch * (60.0 + 0.2 * np.abs(torque)) * (1.0 + 0.15 * np.exp(-speed / 2.5))
        value = value * (1.0 - 1e-3 * (heat - 60.0) + 2e-6 * (heat - 60.0) ** 2)
        half = 0.5 + 3e-4 * np.abs(torque) ** 1.5 + 0.01 * (speed - 4.0) ** 2 + 1e-4 * (heat - 60.0) ** 2
        found.append((value, value - half, value + half))
    return found


def known(torque: Array, speed: Array, heat: Array) -> list[tuple[Array, Array]]:
    parted = 0.05 * (np.maximum(torque - 200.0, 0.0) + np.maximum(speed - 8.0, 0.0)) + 0.0 * heat
    return [(one[0], parted) for one in curved(torque, speed, heat)]


def test_axes_of_a_law_by_hand() -> None:
    """Chosen once and looked through: marks are nodes, speed is close where friction is steep and the region
    is slanted, torque is close where limits bend, temperatures are as good as straight."""
    grid = choose_grid(PLANS, curved, known, region, BOX, 0.002)
    assert [axis.tolist() for axis in grid.axes] == [
        [-100.0, 0.0, 24.0, 50.0, 100.0, 150.0, 200.0, 300.0],
        [0.0, 0.5, 1.0, 1.75, 2.5, 3.25, 3.75, 4.0, 4.25, 4.75, 5.0, 5.25, 5.5,
         6.25, 7.25, 7.5, 7.75, 8.0, 10.0],
        [20.0, 40.0, 80.0, 100.0],
    ]  # fmt: skip
    assert grid.lost == pytest.approx(0.05933429811866864, rel=1e-12)
    assert value_error(grid.axes, known) <= 0.97 * 0.002


def nowhere(torque: Array, speed: Array, heat: Array) -> list[Array]:
    return [torque + speed + heat > 1e9] * 2


@pytest.mark.parametrize(
    ("allowed", "sizes"),
    [(0.02, (4, 5, 4)), (0.008, (4, 6, 4)), (0.004, (4, 7, 4)), (0.001, (5, 11, 5)), (0.0005, (7, 22, 5))],
)
def test_the_less_is_allowed_the_more_nodes(allowed: float, sizes: tuple[int, ...]) -> None:
    """As they came out; what is allowed is kept to at its places. Where nothing was tested none shows it,
    and a region that has no end is shown by any."""
    grid = choose_grid(PLANS, curved, known, nowhere, BOX, allowed)
    assert tuple(axis.size for axis in grid.axes) == sizes
    assert value_error(grid.axes, known) <= 0.97 * allowed
    assert grid.lost == 0.0
    whole = choose_grid(PLANS, curved, known, lambda *p: [~one for one in nowhere(*p)], BOX, allowed)
    assert [axis.tolist() for axis in whole.axes] == [axis.tolist() for axis in grid.axes]


@pytest.mark.parametrize(("count", "step"), [(150, 1), (151, 2)])
def test_limits_of_many_candidates_are_looked_at_at_every_second(count: int, step: int) -> None:
    """From 151 on; values at each, through the middles and a tenth of the way along the other axes."""
    plans = (AxisPlan(np.arange(float(count)), np.array([0.0])), *PLANS[1:])
    asked = {"limits": list[tuple[Array, ...]](), "values": list[tuple[Array, ...]]()}

    def of_limits(*place: Array) -> list[tuple[Array, Array, Array]]:
        asked["limits"].append(place)
        return curved(*place)

    def of_values(*place: Array) -> list[tuple[Array, Array]]:
        asked["values"].append(place)
        return known(*place)

    map_grid._profile(plans, 0, of_limits, of_values)
    (limits,), (first, *_) = asked["limits"], asked["values"]
    assert np.unique(limits[0]).tolist() == sorted({*np.arange(0.0, count, step), count - 1.0})
    assert np.unique(limits[1]).tolist() == [0.0, 0.5, 4.5, 9.0, 10.0]
    assert np.unique(limits[2]).tolist() == [20.0, 30.0, 60.0, 90.0, 100.0]
    assert np.unique(first[0]).tolist() == np.arange(0.0, count).tolist()
    assert np.unique(first[1]).tolist() == [0.0, 0.5, 1.0, 4.5, 8.0, 9.0, 10.0]
    assert np.unique(first[2]).tolist() == [20.0, 28.0, 30.0, 40.0, 60.0, 80.0, 90.0, 100.0]


def test_of_many_marks_five_are_looked_at() -> None:
    """The ends among them, as evenly as they stand in their row."""
    plan = AxisPlan(np.array([0.0]), np.array([0.0, 1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 20.0]))
    at, middles = map_grid._few(plan)
    assert at.tolist() == [0.0, 2.0, 4.0, 6.0, 20.0]
    assert middles.tolist() == [1.0, 3.0, 5.0, 13.0]
    five = AxisPlan(np.array([0.0]), np.array([0.0, 1.0, 2.0, 3.0, 4.0]))
    assert map_grid._few(five)[0].tolist() == [0.0, 1.0, 2.0, 3.0, 4.0]


@pytest.mark.parametrize("allowed", [1e-6, 0.004, 0.012, 0.05, 0.3])
def test_fewest_nodes_by_trying_all(allowed: float) -> None:
    """Against every choice of thirteen candidates: none that keeps the error is shorter; what is chosen does
    keep it, though another curve beside it be straight and measured by a coarser scale."""
    x = np.sort(np.random.default_rng(3).uniform(0.0, 2.0, 13))
    curves = np.stack([x**2, 3.0 * x], axis=1)
    scale = np.stack([0.5 + x, np.full(13, 7.0)], axis=1)
    plan = AxisPlan(x, x[[0, 4, 12]])

    def keeps(nodes: list[int]) -> bool:
        chord = np.stack([np.interp(x, x[nodes], curve[nodes]) for curve in curves.T], axis=1)
        return bool((np.abs(chord - curves) <= allowed * scale).all())

    free = [1, 2, 3, *range(5, 12)]
    choices = [sorted({0, 4, 12, *some}) for n in range(11) for some in combinations(free, n)]
    shortest = next(len(nodes) for nodes in choices if keeps(nodes))
    found = fewest_nodes(plan, curves, scale, allowed)
    assert found.size == shortest
    assert keeps(np.searchsorted(x, found).tolist())


def test_a_chord_is_looked_at_in_its_middle_and_a_dozen_places() -> None:
    """Of thirty-eight candidates between two, every third and that in the middle of these."""
    x = np.arange(40.0)
    seen = []
    for bump in range(1, 39):
        curve = np.zeros((40, 1))
        curve[bump] = 1.0
        if not map_grid._keeps(x, curve, np.ones((40, 1)), 0, 39, 0.5):
            seen.append(bump)
    assert seen == list(range(1, 39, 3))
    curve = np.zeros((40, 1))
    curve[19] = 0.5
    assert map_grid._keeps(x, curve, np.ones((40, 1)), 0, 39, 0.5)


def test_a_law_that_jumps_has_as_many_nodes_as_the_narrowest_sum_asks_for() -> None:
    """No grid keeps it."""

    def jumping(torque: Array, speed: Array, heat: Array) -> list[tuple[Array, Array]]:
        return [
            (one[0] + 9.0 * (torque > 61.0) + 0.3 * (heat > 71.0), one[1])
            for one in known(torque, speed, heat)
        ]

    def limited(torque: Array, speed: Array, heat: Array) -> list[tuple[Array, Array, Array]]:
        jump = 9.0 * (torque > 61.0) + 0.3 * (heat > 71.0)
        return [(a + jump, b + jump, c + jump) for a, b, c in curved(torque, speed, heat)]

    grid = choose_grid(PLANS, limited, jumping, nowhere, BOX, 0.01)
    assert [axis.size for axis in grid.axes] == [7, 11, 6]


def test_limits_alone_are_kept_to_the_widest_sum() -> None:
    """Straight values with limits that bend: what the values miss is nothing, and limits may miss two and a
    half times what is allowed."""

    def limited(torque: Array, speed: Array, heat: Array) -> list[tuple[Array, Array, Array]]:
        return [(100.0 + 0.0 * a, 100.0 + b - a, 100.0 + c - a) for a, b, c in curved(torque, speed, heat)]

    def level(torque: Array, speed: Array, heat: Array) -> list[tuple[Array, Array]]:
        return [(one[0], 0.0 * one[0]) for one in limited(torque, speed, heat)]

    grid = choose_grid(PLANS, limited, level, nowhere, BOX, 0.001)
    assert [axis.size for axis in grid.axes] == [4, 5, 4]


def test_a_region_that_no_table_shows_gets_two_dozen_nodes_at_most() -> None:
    """A narrow slanted band is shown a little better with each; one of single points by none, of which a
    dozen are tried and none is kept."""

    def band(torque: Array, speed: Array, heat: Array) -> list[Array]:
        return [np.abs(torque - 40.0 * speed + 100.0) < 40.0] * 2

    sizes = [axis.size for axis in choose_grid(PLANS, curved, known, nowhere, BOX, 0.02).axes]
    grid = choose_grid(PLANS, curved, known, band, BOX, 0.02)
    assert [axis.size for axis in grid.axes] == [19, 14, 4]
    assert sum(axis.size for axis in grid.axes[:2]) == sum(sizes[:2]) + 24
    assert grid.lost == pytest.approx(0.6113989637305699)

    def points(torque: Array, speed: Array, heat: Array) -> list[Array]:
        return [torque % 2.0 != 0.0] * 2

    tried = []
    real = map_grid._Shown.lost
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(
            map_grid._Shown,
            "lost",
            lambda self, nodes: (tried.append(sum(map(len, nodes))), real(self, nodes))[1],
        )
        grid = choose_grid(PLANS, curved, known, points, BOX, 0.02)
    assert ([axis.size for axis in grid.axes], grid.lost) == (sizes, 1.0)
    assert max(tried) == sum(sizes[:2]) + 12


def test_no_more_nodes_than_a_file_bears(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the error would ask for more, the widest of the sums that keeps to them is taken."""
    fine = choose_grid(PLANS, curved, known, nowhere, BOX, 0.001)
    size = int(np.prod([axis.size for axis in fine.axes]))
    monkeypatch.setattr(map_grid, "MOST_NODES", size - 1)
    coarse = choose_grid(PLANS, curved, known, nowhere, BOX, 0.001)
    assert [axis.size for axis in coarse.axes] == [5, 10, 5]
    monkeypatch.setattr(map_grid, "MOST_NODES", 1)  # then as few as the widest sum asks for
    assert [axis.size for axis in choose_grid(PLANS, curved, known, nowhere, BOX, 0.001).axes] == [5, 10, 5]
    monkeypatch.setattr(map_grid, "MOST_NODES", size)
    same = choose_grid(PLANS, curved, known, nowhere, BOX, 0.001)
    assert [axis.tolist() for axis in same.axes] == [axis.tolist() for axis in fine.axes]
