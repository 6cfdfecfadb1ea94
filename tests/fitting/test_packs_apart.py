"""Packs that differ: found as unknowns of the fit, the numbers those of both; nothing is found where they are
alike, slip went one way, or one ramp has worn."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from benchsim.bench import write_bench
from benchsim.departures import one_departure, simulate_departed
from numpy.typing import NDArray

from diffbench.conditioning.bench import ErrorSource
from diffbench.documents import Build
from diffbench.fitting import (
    PACKS_APART,
    Candidate,
    Choice,
    FitData,
    Form,
    Setup,
    first_look,
    fit,
    fit_form,
    with_packs_apart,
)
from diffbench.fitting.departures import Asked, departure_findings, may_enter, packs_finding, settled
from diffbench.fitting.discrepancy import discrepancy
from diffbench.physics.friction import Stribeck
from diffbench.physics.preload import Additive, GreaterOf
from diffbench.physics.steady import UnitQuantities, steady_locking_torque
from diffbench.results import LawVerdict, make_map

Array = NDArray[np.float64]
PRELOAD, DRIVE, COAST, RATIO = 60.0, 0.45, 0.3, 1.35
GEARS = 0.02  # as the sheet states
Apart = tuple[float, float]


def two_packs(
    data_of: Callable[..., FitData],
    friction: float,
    spring: float,
    *,
    both_ways: bool = True,
    wear: float = 0.0,
    larger: bool = False,
) -> FitData:
    """Sixteen torque cycles of a unit of two packs, one sample after the other: each pack's ramps bear the
    input torque and what the packs differ by, a ring that holds carries on. The left pack's ramps press more
    by ``wear`` where they bear nothing; of preload and ramp part the ``larger`` counts, or both."""
    cells = 1600
    time = np.arange(cells) * 0.2
    torque = 600.0 * np.abs((time / 10.0) % 2.0 - 1.0) - 200.0
    way = np.floor((time - 0.1) / 20.0) % 2 == 0  # slip turns round right after the torque does
    direction = np.where(way, 1.0, -1.0) if both_ways else np.ones(cells)
    locking, held, on_drive, differ = np.zeros(cells), 0.0, True, 0.0
    together: Callable[[float, float], float] = max if larger else float.__add__

    def packs(bias: float, thrust: float) -> tuple[float, float]:
        worn = 1.0 + wear * max(1.0 - thrust / 400.0, 0.0)
        left = together(PRELOAD * (1.0 + spring), bias * worn * thrust)
        right = together(PRELOAD * (1.0 - spring), bias * thrust)
        return 0.5 * (1.0 + friction) * left, 0.5 * (1.0 - friction) * right

    for i, (now, way_now) in enumerate(zip(torque.tolist(), direction.tolist(), strict=True)):
        for _ in range(20):  # until what the packs differ by stands
            on_ramps, before = now + way_now * differ, differ
            load = abs(on_ramps)
            carried = held if (on_ramps > 0.0) == on_drive else 0.0
            thrust = max(load, min(carried, RATIO * load))
            left, right = packs(DRIVE if on_ramps > 0.0 else COAST, thrust)
            differ = left - right
            if differ == before:
                break
        held, on_drive, locking[i] = thrust, on_ramps > 0.0, left + right + GEARS * abs(now)
    noise = np.random.default_rng(5).normal(0.0, 0.5, cells)
    stretch = np.floor(time / 10.0).astype(np.int64)
    turns = np.flatnonzero(np.diff(stretch, prepend=-1))
    return data_of(
        cells=cells,
        time=time,
        difference=-direction * locking + noise,
        input_torque=torque,
        direction=direction,
        speed_difference=np.array([1.5, 4.0])[np.floor(time / 40.0).astype(int) % 2],
        oil=55.0 + 10.0 * np.sin(time / 50.0),
        stretch=stretch,
        noise=np.full(cells, 0.5),
        turn_torque=torque[turns],
        turn_begins=turns == 0,
        turn_near=turns,
        turn_before=stretch,
        segment_torque=np.array([torque[0]]),
    )


def fitted(
    build: Build, data: FitData, *, larger: bool = False
) -> tuple[Candidate, tuple[Choice, Setup] | None]:
    setup, law = Setup.of([build], data), GreaterOf() if larger else Additive()
    model = setup.model(Form(law, Stribeck(1.0)))
    alike = fit_form(model, start=first_look(model))
    verdict = LawVerdict(chosen=law.name, status="measured", information={law.name: 0.0}, reason="")
    return alike, with_packs_apart(Choice((alike,), (1.0,), verdict), setup)


def asked_of(candidate: Candidate) -> Asked:
    return departure_findings(candidate, discrepancy(candidate))[1]


def number(candidate: Candidate, name: str) -> float:
    return candidate.names.value(candidate.x, name)


@pytest.mark.parametrize(("friction", "spring"), [(0.07, 0.0), (-0.05, -0.09), (0.0, 0.1)])
def test_they_enter_the_fit_at_their_size(
    friction: float, spring: float, data_of: Callable[..., FitData], demo_build: Build
) -> None:
    alike, again = fitted(demo_build, two_packs(data_of, friction, spring))
    assert again is not None
    best = again[0].best
    by_preload, by_ramps = (number(best, name) for name in PACKS_APART)
    assert by_preload == pytest.approx(friction + spring, abs=0.008)
    assert by_ramps == pytest.approx(friction, abs=0.008)
    # what both packs lock together: (1 + fs) of the mean, by mechanics
    assert number(best, "preload_torque") == pytest.approx(PRELOAD * (1.0 + friction * spring), rel=0.006)
    assert number(best, "ramp_bias_drive_loading") == pytest.approx(DRIVE, rel=0.004)
    assert number(best, "ramp_bias_coast_loading") == pytest.approx(COAST, rel=0.006)
    assert best.noise.sigma.mean() < 0.8 * alike.noise.sigma.mean()
    (finding,) = packs_finding(best, best.covariance())
    assert (finding.name, finding.severity) == ("packs apart", "note")
    assert packs_finding(alike, alike.covariance()) == []


@pytest.mark.parametrize("larger", [False, True])
@pytest.mark.parametrize(("friction", "spring"), [(0.07, 0.0), (-0.05, -0.09)])
def test_they_are_called_for_and_settle_the_bench(
    friction: float, spring: float, larger: bool, data_of: Callable[..., FitData], demo_build: Build
) -> None:
    alike, again = fitted(demo_build, two_packs(data_of, friction, spring, larger=larger), larger=larger)
    before = asked_of(alike)
    assert may_enter(before)
    assert again is not None
    assert settled(before, asked_of(again[0].best))


@pytest.mark.parametrize("larger", [False, True])
@pytest.mark.parametrize(("wear", "friction"), [(0.15, 0.0), (-0.06, 0.0), (0.15, 0.05)])
def test_worn_ramps_of_one_pack_are_not_taken_for_packs_that_differ(
    wear: float, friction: float, larger: bool, data_of: Callable[..., FitData], demo_build: Build
) -> None:
    """They turn with the slip, too, but not as preload or ramps do all along: taken for such, preload and
    ramps bend to them and the map is the worse for it. Where packs differ and one has worn, neither is."""
    data = two_packs(data_of, friction, 0.0, wear=wear, larger=larger)
    alike, again = fitted(demo_build, data, larger=larger)
    before = asked_of(alike)
    assert "worn left ramps" in {score.departure.name for score in before.alarmed}
    assert not (may_enter(before) and again is not None and settled(before, asked_of(again[0].best)))
    if not friction:
        score = next(score for score in before.scores if score.departure.name == "worn left ramps")
        assert np.sign(score.size) == np.sign(wear)


@pytest.mark.parametrize(("friction", "both_ways"), [(0.0, True), (0.07, False)])
def test_no_evidence_no_unknowns(
    friction: float, both_ways: bool, data_of: Callable[..., FitData], demo_build: Build
) -> None:
    """Of packs that are alike, and with slip one way, where a bias holds what they differ by."""
    again = fitted(demo_build, two_packs(data_of, friction, 0.0, both_ways=both_ways))[1]
    assert again is None


def test_the_steady_law_is_the_mean_of_both_ways() -> None:
    """By hand, of packs whose friction is f either side: L = P + K (T ± f L) with slip one way and the other;
    at no input torque the difference alone loads the ramps."""
    unit = UnitQuantities(
        Additive(), (), PRELOAD, DRIVE, DRIVE, RATIO, RATIO, 0.0, 0.0, 0.0, Stribeck(1.0), (0.0, 0.02), 0.0,
        0.045, 60.0, 4.0, packs_apart=(0.07, 0.07),
    )  # fmt: skip
    part = DRIVE * 0.07
    whole = PRELOAD + DRIVE * 300.0
    expected = 0.5 * (whole / (1.0 - part) + whole / (1.0 + part))
    assert float(steady_locking_torque(unit, 300.0, 4.0, 60.0)) == pytest.approx(expected, rel=1e-9)
    assert float(steady_locking_torque(unit, 0.0, 4.0, 60.0)) == pytest.approx(
        PRELOAD / (1.0 - part), rel=1e-9
    )


def test_flanges_that_were_seen_to_differ_give_way_to_packs(
    data_of: Callable[..., FitData], demo_build: Build
) -> None:
    """Packs that differ look like two gains that do; a gain that its own certificate states stays."""
    data = two_packs(data_of, 0.07, 0.0)
    keys = ("V:gain.mismatch", "R:left_torque.gain")
    sources = tuple(ErrorSource(key, key, "transducer gain", 0.01) for key in keys)
    effect = np.stack([0.01 * data.input_torque, 0.005 * data.input_torque])
    data = replace(
        data, sources=sources, effect_input=0.0 * effect, effect_difference=effect, noise_share=0.0 * effect
    )
    again = fitted(demo_build, data)[1]
    assert again is not None
    assert [source.key for source in again[1].data.sources] == ["R:left_torque.gain"]
    assert number(again[0].best, PACKS_APART[1]) == pytest.approx(0.07, abs=0.01)


def test_from_recordings_to_the_map(tmp_path: Path) -> None:
    """By the simulator of two packs, friction 8 % either side, recordings in files: found, named, what to run
    next worked out though two flanges were seen to differ before, and the map true within its limits, as the
    mean of both ways is."""
    departed = one_departure(51_000, "friction-apart", "strong")
    assert departed is not None
    ((recordings, unit),) = simulate_departed([departed])
    result = fit(write_bench(departed.bench, recordings, tmp_path))
    told = {finding.name for finding in result.findings}
    assert "packs apart" in told
    assert "unit departs from the law" not in told
    assert result.next_tests
    by_ramps = result.parameters[PACKS_APART[1]].value
    assert by_ramps is not None
    assert abs(by_ramps) == pytest.approx(0.08, abs=0.01)
    shown = make_map(result)
    # what a wrench reads at no input torque: more than the mean of the packs, which load their ramps by what
    # they differ, so that even there the branches part
    at, way = result.reference["temperature_degC"], result.reference["speed_difference_rad_s"]
    preload, viscous = (result.parameters[name].value for name in ("preload_torque", "viscous_coefficient"))
    assert preload is not None
    assert viscous is not None
    assert preload + way * viscous == pytest.approx(
        shown.locking_torque(0.0, way, at, branch="loading"), rel=1e-9
    )
    torque, heat = np.meshgrid(departed.bench.truth_torques, departed.bench.truth_temperatures)
    for branch in ("loading", "unloading"):
        place = torque.ravel(), np.full(torque.size, 4.0), heat.ravel()
        tested = shown.is_tested(*place, branch=branch)
        true = unit.locking_torque(*place, branch)[tested]
        low, high = (limit[tested] for limit in shown.interval(*place, branch=branch))
        assert np.mean((low <= true) & (true <= high)) > 0.9
        assert np.max(np.abs(shown.locking_torque(*place, branch=branch)[tested] / true - 1.0)) < 0.02
