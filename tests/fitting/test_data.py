"""All runs of all visits side by side, and some of their cells, by hand."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from diffbench.conditioning import ConditionedRun, ConditionedVisit, Friction
from diffbench.conditioning import run as conditioned
from diffbench.conditioning.bench import Effect, ErrorSource
from diffbench.conditioning.course import History
from diffbench.fitting import FitData, gather

ZERO = ErrorSource("v:left_torque.zero", "zero of left_torque", "transducer zero", 0.4)
GAIN = ErrorSource("r:left_torque.gain", "gain of left_torque", "transducer gain", 0.002)
LAG = ErrorSource("r:left_torque.lag", "lag of left_torque", "lag", 0.01)


def run_of(
    torque: list[float],
    *,
    effects: dict[str, Effect] | None = None,
    oil: list[float] | None = None,
    unread: list[bool] | None = None,
    known: bool = False,
    kind: Any = "bias-sweep",
    begins: tuple[bool, ...] = (True, False),
) -> ConditionedRun:
    """Cells at such input torques, one a second, with a history of two entries on a heat grid of 0.5 s."""
    n = len(torque)
    at = np.array(torque)
    cells: Any = SimpleNamespace(
        time=np.arange(n) + 0.25, count=np.full(n, 7.0), width=np.full(n, 0.3),
        direction=np.tile([1.0, -1.0], n)[:n], speed_difference=np.tile([4.0, -2.5], n)[:n],
        oil=None if oil is None else np.array(oil), plate=None, stretch=np.arange(n) // 2,
        oil_unread=None if unread is None else np.array(unread),
    )  # fmt: skip
    heat: Any = SimpleNamespace(
        time=0.5 * np.arange(2 * n + 1), power=np.arange(2.0 * n + 1), oil_rate=np.full(2 * n + 1, 0.01 * n)
    )
    return ConditionedRun(
        name=f"run-{n}.csv", kind=kind, cells=cells, input_torque=at, difference=2.0 * at,
        effects=effects or {}, input_slope=np.full(n, 30.0), locking_slope=np.full(n, 6.0),
        history=History(
            np.array([at[0] - 5.0, at.max()]), np.array(begins), np.array([0, n - 1]), np.arange(n) % 2
        ),
        heat=heat, dropped={}, samples=7 * n, noise=0.1 * n,
        friction_state=np.full(n, int(Friction.SLIDING)), history_known=known,
    )  # fmt: skip


def visit_of(
    *runs: ConditionedRun,
    sources: tuple[ErrorSource, ...] = (),
    u: float | None = None,
    spread: tuple[float | None, float | None] = (None, None),
    placed: bool = False,
    by_hand: Any = None,
) -> ConditionedVisit:
    rig: Any = SimpleNamespace(
        repeatability=SimpleNamespace(preload_torque=spread[0], ramp_bias=spread[1]), places_oil_sensor=placed
    )
    return ConditionedVisit(runs, {one.key: one for one in sources}, u, (), rig, by_hand=by_hand)


def test_runs_stand_side_by_side_in_the_order_of_their_visits() -> None:
    """Two runs of one visit, one of another: numbers of runs and visits, magnitudes of speed, what was not
    read as missing, each cell's torque at three places a third of its width apart, and histories and heat
    grids behind each other."""
    first = run_of([10.0, 20.0, 40.0], oil=[50.0, 51.0, 52.0])
    second = run_of([-30.0, -60.0], known=True, kind="speed-sweep")
    third = run_of([5.0, 9.0], oil=[60.0, 61.0])
    data = gather(
        [visit_of(first, second, u=0.5, spread=(0.015, None)), visit_of(third, u=None, spread=(None, 0.01))]
    )
    assert data.run.tolist() == [0, 0, 0, 1, 1, 2, 2]
    assert data.visit.tolist() == [0, 0, 0, 0, 0, 1, 1]
    assert data.run_names == ("run-3.csv", "run-2.csv", "run-2.csv")
    assert data.run_kinds == ("bias-sweep", "speed-sweep", "bias-sweep")
    assert data.input_torque.tolist() == [10.0, 20.0, 40.0, -30.0, -60.0, 5.0, 9.0]
    assert data.difference.tolist() == [20.0, 40.0, 80.0, -60.0, -120.0, 10.0, 18.0]
    assert data.speed_difference.tolist() == [4.0, 2.5, 4.0, 4.0, 2.5, 4.0, 2.5]
    assert data.locking.tolist() == [-20.0, 40.0, -80.0, 60.0, -120.0, -10.0, 18.0]
    np.testing.assert_array_equal(data.oil, [50.0, 51.0, 52.0, np.nan, np.nan, 60.0, 61.0])
    assert np.isnan(data.plate).all()
    assert data.noise == pytest.approx([0.3] * 3 + [0.2] * 4)
    # 30 N·m/s over 0.3 s
    assert data.places == pytest.approx(np.array([[-3.0], [0.0], [3.0]]) * np.ones(7))
    assert data.refit_spread.tolist() == [[0.015, 0.0], [0.0, 0.01]]
    assert (data.temperature_u, data.temperature_allowed, data.by_hand, data.oil_unread) == (
        0.5,
        False,
        None,
        None,
    )
    assert data.turn_torque.tolist() == [5.0, 40.0, -35.0, -30.0, 0.0, 9.0]
    assert data.turn_begins.tolist() == [True, False] * 3
    assert data.turn_near.tolist() == [0, 2, 3, 4, 5, 6]
    assert data.turn_before.tolist() == [0, 1, 0, 2, 3, 4, 5]
    # known where it starts on its loading branch
    assert data.segment_torque.tolist() == [5.0, 0.0, 0.0]
    assert data.heat_run.tolist() == [0] * 7 + [1] * 5 + [2] * 5
    assert data.heat_time[7:12].tolist() == [0.0, 0.5, 1.0, 1.5, 2.0]
    assert data.heat_power[12:].tolist() == [0.0, 1.0, 2.0, 3.0, 4.0]
    assert set(data.oil_rate[:7]) == {0.03}
    assert data.cell_heat == pytest.approx([0.5, 2.5, 4.5, 7.5, 9.5, 12.5, 14.5])
    assert data.stretch.tolist() == [0, 0, 1, 0, 0, 0, 0]
    assert data.of_kind("speed-sweep").tolist() == [False] * 3 + [True] * 2 + [False] * 2


def test_a_known_history_starts_at_nothing_as_often_as_it_begins() -> None:
    both = run_of([10.0, 20.0], known=True, begins=(True, True))
    assert gather([visit_of(both, run_of([3.0, 4.0], begins=(True, True)))]).segment_torque.tolist() == [
        0.0, 0.0, -2.0, 4.0,
    ]  # fmt: skip


def test_an_error_of_one_key_is_one_in_all_runs() -> None:
    """A gain of the rig shows in both visits, a zero in its own alone; what a run has not moves nothing
    there."""
    effects = {
        ZERO.key: Effect(np.array([0.1, 0.2]), np.array([1.0, 2.0])),
        GAIN.key: Effect(np.array([0.3, 0.4]), np.array([3.0, 4.0]), 0.002),
    }
    other = {GAIN.key: Effect(np.array([0.5, 0.6, 0.7]), np.array([5.0, 6.0, 7.0]), 0.003)}
    data = gather(
        [
            visit_of(run_of([10.0, 20.0], effects=effects), sources=(ZERO, GAIN)),
            visit_of(run_of([1.0, 2.0, 3.0], effects=other), sources=(GAIN, LAG)),
        ]
    )
    assert data.sources == (ZERO, GAIN, LAG)
    assert data.effect_input.tolist() == [
        [0.1, 0.2, 0.0, 0.0, 0.0], [0.3, 0.4, 0.5, 0.6, 0.7], [0.0] * 5,
    ]  # fmt: skip
    assert data.effect_difference.tolist() == [
        [1.0, 2.0, 0.0, 0.0, 0.0], [3.0, 4.0, 5.0, 6.0, 7.0], [0.0] * 5,
    ]  # fmt: skip
    assert data.noise_share.tolist() == [[0.0] * 5, [0.002, 0.002, 0.003, 0.003, 0.003], [0.0] * 5]
    bare = data.without_sources((".zero", ".lag"))
    assert bare.sources == (GAIN,)
    assert bare.effect_input.tolist() == [[0.3, 0.4, 0.5, 0.6, 0.7]]
    assert bare.effect_difference.tolist() == [[3.0, 4.0, 5.0, 6.0, 7.0]]
    assert bare.noise_share.tolist() == [[0.002, 0.002, 0.003, 0.003, 0.003]]


def test_where_the_oil_was_not_read() -> None:
    """Cell by cell; where more than a tenth was not, nowhere."""
    read, not_read = [False] * 10, [True, *[False] * 9]
    temperatures = [50.0 + i for i in range(10)]
    runs = [run_of([1.0] * 10, oil=temperatures, unread=unread) for unread in (None, not_read)]
    data = gather([visit_of(*runs)])
    assert data.oil_unread is not None
    assert data.oil_unread.tolist() == read + not_read
    np.testing.assert_array_equal(data.read_oil, [*temperatures, np.nan, *temperatures[1:]])
    tenth = gather([visit_of(runs[1])])
    assert np.isfinite(tenth.read_oil).tolist() == [False, *[True] * 9]
    more = gather([visit_of(run_of([1.0] * 9, oil=temperatures[:9], unread=not_read[:9]))])
    assert np.isnan(more.read_oil).all()
    assert gather([visit_of(runs[0])]).read_oil.tolist() == temperatures


def test_the_least_certain_of_what_hands_did_counts_for_all() -> None:
    """Its turning speed and scatter; degrees of freedom add up, words are told once, and a temperature that
    one did not read was not read."""
    tellings = [
        conditioned.ByHand(0.02, 3.0, "stated", 0.1, stated=True),
        conditioned.ByHand(0.03, 4.0, "by repeats", 0.6, stated=False, temperature_read=False),
        conditioned.ByHand(0.05, 5.0, "stated", 0.3, stated=True),
    ]
    made = [visit_of(run_of([1.0, 2.0]), u=0.1 * i, by_hand=told) for i, told in enumerate(tellings)]
    data = gather([*made, visit_of(run_of([3.0, 4.0]), placed=True)])
    assert data.by_hand == conditioned.ByHand(
        0.03, 12.0, "stated; by repeats", 0.6, stated=False, temperature_read=False
    )
    assert data.temperature_u == pytest.approx(0.2)
    assert data.temperature_allowed
    (alone,) = (gather(made[:1]).by_hand,)
    assert alone == tellings[0]


def test_some_cells_keep_the_histories_whole(data_of: Callable[..., FitData]) -> None:
    """Each turn is near the first cell that is there at or behind its own; the last one at most."""
    data = data_of(
        cells=8, time=np.arange(8.0), turn_torque=np.array([0.0, 30.0, 10.0, 50.0]),
        turn_begins=np.array([True, False, False, False]), turn_near=np.array([0, 3, 4, 7]),
        turn_before=np.repeat([0, 1, 2, 3], 2), effect_input=np.arange(8.0)[None, :] * 0.1,
        places=np.arange(24.0).reshape(3, 8), sources=(GAIN,),
    )  # fmt: skip
    some = data.only(np.array([1, 4, 5]))
    assert some.time.tolist() == [1.0, 4.0, 5.0]
    assert some.turn_before.tolist() == [0, 2, 2]
    assert some.turn_near.tolist() == [0, 1, 1, 2]
    assert some.turn_torque.tolist() == [0.0, 30.0, 10.0, 50.0]
    assert some.places.tolist() == [[1.0, 4.0, 5.0], [9.0, 12.0, 13.0], [17.0, 20.0, 21.0]]
    assert some.effect_input == pytest.approx(np.array([[0.1, 0.4, 0.5]]))
    assert (some.sources, some.oil_unread, some.heat_time.size) == ((GAIN,), None, data.heat_time.size)


def test_two_stretches_are_a_cycle(data_of: Callable[..., FitData]) -> None:
    """Numbered within a run, and over all runs so that no two share one."""
    data = data_of(
        cells=7, run=np.array([0, 0, 0, 1, 1, 1, 1]), stretch=np.array([0, 1, 2, 0, 1, 4, 5]),
        friction_state=np.array([0, 0, 0, 1, 2, 0, 0]),
    )  # fmt: skip
    assert data.cycle_of_run.tolist() == [0, 0, 1, 0, 0, 2, 2]
    assert data.cycle.tolist() == [0, 0, 1, 3, 3, 5, 5]
    assert data.read_by_hand.tolist() == [False, False, False, True, True, False, False]
    assert data.sliding.tolist() == [True, True, True, False, False, True, True]
