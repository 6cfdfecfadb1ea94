"""Structure left in the residual is found on its axis, and widens the intervals."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import f

from diffbench.documents import Build
from diffbench.fitting import Candidate, FitData, Form, Setup
from diffbench.fitting import adequacy as room
from diffbench.fitting.adequacy import (
    REPEATED,
    SUSPICIOUS,
    SUSPICIOUS_REPEATED,
    adequacy,
    misfit_factor,
    without_considered,
)
from diffbench.fitting.solver import jacobian
from diffbench.physics.friction import Stribeck
from diffbench.physics.preload import Additive

Array = NDArray[np.float64]
CELLS = 2000


@pytest.fixture
def fitted(
    data_of: Callable[..., FitData], candidate_of: Callable[..., Candidate], demo_build: Build
) -> Callable[..., Candidate]:
    """Return a function that makes a candidate with a residual of choice over eight cycles of torque."""
    time = np.arange(CELLS) * 0.1
    torque = 700.0 * np.abs((time / 12.5) % 2.0 - 1.0) - 200.0
    data = data_of(
        cells=CELLS,
        time=time,
        input_torque=torque,
        direction=np.where(np.floor(time / 25.0) % 2 == 0, 1.0, -1.0),
        speed_difference=np.repeat([1.5, 4.0, 10.0, 4.0], CELLS // 4),
        oil=np.linspace(45.0, 75.0, CELLS),
        stretch=np.floor(time / 12.5).astype(np.int64),
    )

    def make(
        structure: Callable[[FitData], Array] | None = None, *, inflation: float = 1.0, sigma: float = 1.0
    ) -> Candidate:
        form = Form(Additive(), Stribeck(1.0))
        model = Setup.of([demo_build], data).model(form)
        residual = np.random.default_rng(1).normal(0.0, np.sqrt(inflation), CELLS)
        if structure is not None:
            residual = residual - data.direction * structure(data)
        return candidate_of(model, residual, sigma=sigma, inflation=inflation)

    return make


def test_noise_alone_has_no_structure(fitted: Callable[..., Candidate]) -> None:
    """Mean squares of some ten to forty bin means: about one, and the factor exactly one."""
    found = adequacy(fitted())
    # tenths, each way of slipping for itself; as many as there are speeds and cycles
    assert {axis.axis: axis.bins for axis in found} == {
        "input torque": 10, "speed difference": 3, "time": 10, "cycle": 8, "slip direction": 20,
        "oil temperature": 10, REPEATED: 10,
    }  # fmt: skip
    assert all(0.1 < axis.ratio < SUSPICIOUS for axis in found)
    assert misfit_factor(found) == 1.0


def test_correlated_noise_is_allowed_for(fitted: Callable[..., Candidate]) -> None:
    """Residuals twice as large, counted at a quarter of their number, are what that noise makes."""
    assert misfit_factor(adequacy(fitted(inflation=4.0))) == 1.0


@pytest.mark.parametrize(
    ("axis", "structure", "where"),
    [
        ("input torque", lambda d: 1.0 * (d.input_torque > 400.0), "N·m"),
        ("speed difference", lambda d: 1.0 * (d.speed_difference > 9.0), "around 10 rad/s"),
        ("time", lambda d: np.sin(2 * np.pi * d.time / 40.0), " s: "),
        ("oil temperature", lambda d: 0.06 * (d.oil - 60.0), "°C"),
        ("slip direction", lambda d: 0.6 * d.direction, "N·m"),
        ("cycle", lambda d: np.sin(1.9 * (d.stretch // 2)), "of a run"),
    ],
)
def test_structure_is_found_on_its_axis(
    axis: str, structure: Callable[[FitData], Array], where: str, fitted: Callable[..., Candidate]
) -> None:
    """About one standard deviation of a cell, invisible in any single one."""
    found = adequacy(fitted(structure))
    worst = {item.axis: item for item in found}[axis]
    assert worst.ratio > 2 * SUSPICIOUS
    assert where in worst.worst
    assert misfit_factor(found) >= worst.ratio


def test_a_misfit_so_large_that_it_passes_for_noise_is_found(fitted: Callable[..., Candidate]) -> None:
    """A wrong law leaves twenty times the noise, smooth over torque: the noise estimated from that
    residual, and its correlation, explain it on every axis; but noise is not the same in every cycle."""
    found = adequacy(fitted(lambda d: 20.0 * np.sin(d.input_torque / 120.0), inflation=400.0, sigma=20.0))
    assert all(axis.ratio < SUSPICIOUS for axis in found if axis.axis != REPEATED)
    repeated = {axis.axis: axis for axis in found}[REPEATED]
    assert repeated.ratio > 100.0
    assert "N·m" in repeated.worst
    assert misfit_factor(found) == repeated.ratio


def test_large_noise_that_differs_from_cycle_to_cycle_is_noise(fitted: Callable[..., Candidate]) -> None:
    """As large and as smooth, but with a phase of its own in every cycle."""
    found = adequacy(
        fitted(
            lambda d: 20.0 * np.sin(d.input_torque / 120.0 + 2.4 * (d.stretch // 2)),
            inflation=40.0,
            sigma=20.0,
        )
    )
    assert {axis.axis: axis for axis in found}[REPEATED].ratio < SUSPICIOUS_REPEATED
    assert misfit_factor(found) == 1.0


@pytest.mark.parametrize(("off", "found"), [(1.5, False), (8.0, True)])
def test_a_stated_constant_within_its_doubt_is_no_misfit(
    off: float, found: bool, fitted: Callable[..., Candidate]
) -> None:
    """The demo's gear friction is 0.02 ± 0.008: what 1.5 of these make over 700 N·m, 8 N·m where a cell has
    one, is in every interval; what eight make is not."""
    candidate = fitted(lambda d: off * 0.008 * np.abs(d.input_torque))
    assert float(np.ptp(candidate.residual)) > 8.0
    assert (misfit_factor(adequacy(candidate)) > 1.0) is found


def test_no_more_than_two_uncertainties_are_allowed_for(fitted: Callable[..., Candidate]) -> None:
    """Six off: four are left, in the shape that gear friction has."""
    made = fitted(lambda d: 6.0 * 0.008 * np.abs(d.input_torque))
    torque, direction = made.model.data.input_torque, made.model.data.direction
    left = float(np.polyfit(np.abs(torque), -direction * without_considered(made), 1)[0])
    assert left == pytest.approx(4.0 * 0.008, rel=0.05)


def test_how_large_a_miss_is_is_told(fitted: Callable[..., Candidate]) -> None:
    """One standard deviation of a cell, 1 N·m, where the torque difference is 100 N·m: 1 %."""
    found = adequacy(fitted(lambda d: 1.0 * (d.speed_difference > 9.0)))
    worst = {axis.axis: axis for axis in found}["speed difference"]
    assert worst.share == pytest.approx(0.01, rel=0.3)


def test_the_factor_explains_the_worst_axis(fitted: Callable[..., Candidate]) -> None:
    """Variance times the factor is what the bin means scatter by."""
    found = adequacy(fitted(lambda d: 0.02 * np.abs(d.input_torque)))
    assert misfit_factor(found) == max(axis.ratio for axis in found)
    assert misfit_factor(found) > 10.0


def test_the_searched_unknowns_follow_a_stated_constant(fitted: Callable[..., Candidate]) -> None:
    """Against least squares by numpy of all unknowns and the constant together, each with what is known
    beforehand as a further row."""
    made = fitted(lambda d: 1.5 * 0.008 * np.abs(d.input_torque))
    names, sigma = made.names, made.noise.sigma
    columns = jacobian(lambda x: made.model.residual(x) / sigma, made.x, made.steps)
    # no history here holds the ramps, so their bias would swallow gear friction whole: it is held
    columns[:, [i for i, u in enumerate(names.unknowns) if u.name.startswith(("ramp_bias", "unloading"))]] = (
        0.0
    )
    fixed = np.array([unknown.fixed for unknown in names.unknowns])
    known = np.diag(np.sqrt(names.precision[~fixed]))
    at = next(i for i, unknown in enumerate(names.unknowns) if unknown.name == "gear_friction")
    own = columns[:, [at]] * names.unknowns[at].prior_u
    searched = columns[:, ~fixed]

    def solved(rows: Array, beforehand: Array) -> Array:
        size = rows.shape[1]
        stacked, target = np.vstack([rows, beforehand]), np.zeros(CELLS + beforehand.shape[0])
        target[:CELLS] = -made.residual / sigma
        return np.asarray(np.linalg.lstsq(stacked, target, rcond=None)[0][:size])

    step = solved(searched, known)
    settled = made.residual / sigma + searched @ step
    together = np.hstack([searched, own])
    beforehand = np.block([[known, np.zeros((len(known), 1))], [np.zeros((1, len(known))), np.ones((1, 1))]])
    expected = made.residual / sigma + together @ solved(together, beforehand)
    solution = replace(made.solution, jacobian=np.where(fixed, 0.0, columns))
    found = without_considered(replace(made, solution=solution, residual=settled * sigma))
    moved, off = (float(np.sqrt(np.mean((one - expected) ** 2))) for one in (settled, found))
    assert moved > 0.05
    assert off < 1e-3 * moved


def test_bins_hold_alike_many() -> None:
    """Ten numbers in five bins, and in as many as differ; each run has its own."""
    assert room._quantile_bins(np.arange(10.0), 5).tolist() == [0, 0, 1, 1, 2, 2, 3, 3, 4, 4]
    assert room._quantile_bins(np.array([7.0, 7.0, 7.0, 9.0]), 2).tolist() == [0, 0, 0, 1]
    run = np.repeat([0, 1], 20)
    time = np.concatenate([np.arange(20.0), np.arange(20.0)[::-1] * 3.0])
    place = [i // 2 for i in range(20)]
    assert room._by_run(run, time).tolist() == [*place, *place[::-1]]


def test_the_scatter_of_bin_means_by_hand() -> None:
    """Four cells at +1 and five at −2 of their standard deviation, by an inflation of two: (4·1/2 + 5·4/2)/2;
    a bin of three cells tells nothing, nor do cells in one bin alone."""
    bins = np.repeat([7, 9, 2], [4, 5, 3])
    standard = np.array([0.5, 1.5, 1.0, 1.0, -2.0, -1.0, -3.0, -2.5, -1.5, 30.0, 30.0, 30.0])
    at = np.array([1.0, 2.0, 3.0, 4.0, 310.0, 320.0, 333.3, 340.0, 350.0, 0.0, 0.0, 0.0])
    size = np.array([1.0, 1.0, 1.0, 1.0, 0.01, 0.02, 0.03, 0.04, 0.05, 1.0, 1.0, 1.0])
    found = room._axis("input torque", bins, standard, 2.0, "{:.4g} N·m", at, size)
    assert (found.axis, found.ratio, found.bins) == ("input torque", pytest.approx(6.0), 2)
    assert found.worst == "around 333.3 N·m: -2.00 standard deviations of a cell"
    assert found.share == pytest.approx(2.0 * 0.03)
    alone = room._axis("time", np.zeros(9, dtype=np.int64), np.ones(9), 1.0, "{}", np.ones(9), np.ones(9))
    assert (alone.ratio, alone.bins, alone.worst) == (1.0, 1, "")


def repeated(offsets: list[float], *, cycles: int = 4, level: bool = False) -> Any:
    """Bins about those offsets, whose means in single cycles are 0.1, −0.1, 0.2 and −0.2 off them, of two
    cells each; one more cycle has a single cell, far off."""
    off = [0.0] * 4 if level else [0.1, -0.1, 0.2, -0.2]
    rows = []
    for number, offset in enumerate(offsets):
        for cycle, apart in enumerate(off[:cycles]):
            for side, size in ((-0.3, 0.01), (0.3, 0.03)):
                rows.append((number, cycle, offset + apart + side, 50.0 * number + 10.0 * side, size))
        rows.append((number, 9, 70.0, 50.0 * number, 0.02))
    bins, cycle, standard, torque, size = (np.array(column) for column in zip(*rows, strict=True))
    return room._repeated(bins.astype(int), cycle.astype(int), standard, torque, size)


def test_what_comes_back_in_every_cycle_by_hand() -> None:
    """t² of the mean of four: 4·m²/(0.1/3), over the median of F with 1 and 3 degrees of freedom; of all
    bins the median, 0.35 of six of which two have 0.3 and 0.4."""
    offsets = [0.1, 0.2, 0.3, 0.4, 0.5, -0.9]
    found = repeated(offsets)
    usual = f.ppf(0.5, 1, 3)
    assert found.axis == REPEATED
    assert found.ratio == pytest.approx(120.0 * 0.5 * (0.3**2 + 0.4**2) / usual)
    assert found.bins == 6
    assert found.worst == "around 250 N·m: -0.90 standard deviations of a cell"
    assert found.share == pytest.approx(0.9 * 0.02)
    # fewer than six bins, fewer than four cycles, and cycles that do not differ at all
    assert repeated(offsets[:5]) is None
    assert repeated(offsets, cycles=3) is None
    assert repeated(offsets, level=True) is None


def test_the_thrust_stands_on_its_loading_limit_within_a_little() -> None:
    """Two hundredths and one newton metre above the torque, of the flank that bears, at the mean of a cell's
    places."""
    torque = np.array([200.0, 200.0, -100.0, -100.0, 0.0])
    drive = np.array([[204.0, 205.0, 0.0, 0.0, 0.9], [205.9, 205.1, 0.0, 0.0, 1.0]])
    coast = np.array([[500.0, 500.0, 102.9, 103.0, 9.0], [500.0, 500.0, 102.9, 103.2, 9.0]])
    thrust = SimpleNamespace(input_torque=torque, drive=drive, coast=coast)
    candidate: Any = SimpleNamespace(x=None, model=SimpleNamespace(thrust=lambda _: thrust))
    assert room.loading_of(candidate).tolist() == [True, False, True, False, True]


def test_the_factor_is_that_of_the_worst_axis_beyond_chance() -> None:
    """2.1 for most, ten for what comes back in every cycle, which small faults of a right model reach."""

    def factor(**ratios: float) -> float:
        axes = {"time": "time", "cycle": "cycle", "repeated": REPEATED}
        return misfit_factor(
            [SimpleNamespace(axis=axes[name], ratio=ratio) for name, ratio in ratios.items()]  # type: ignore[misc]
        )

    assert factor(time=2.0, cycle=2.09, repeated=9.9) == 1.0
    assert factor(time=2.2, cycle=2.11, repeated=9.9) == 2.2
    assert factor(time=2.2, cycle=30.0, repeated=10.1) == 30.0
    assert factor(repeated=10.1) == 10.1
    assert misfit_factor([]) == 1.0


def test_a_misfit_does_not_raise_its_own_yardstick(fitted: Callable[..., Candidate]) -> None:
    """Noise that was estimated from a residual with structure, ten times too large, is that beside what is
    explained; never larger."""
    wave = 10.0 * np.sin(np.arange(CELLS) / 40.0)
    candidate = fitted(lambda _: wave, inflation=1.0, sigma=10.0)
    plain = {axis.axis: axis.ratio for axis in adequacy(candidate)}
    beside = candidate.noise_beside(-candidate.model.data.direction * wave)
    told = {axis.axis: axis.ratio for axis in adequacy(candidate, -candidate.model.data.direction * wave)}
    by = 100.0 / (float(np.median(beside.sigma)) ** 2 * beside.inflation)
    assert by > 50.0
    for axis in ("input torque", "time", "cycle"):
        assert told[axis] == pytest.approx(by * plain[axis])
    assert told[REPEATED] == plain[REPEATED]
    more = {axis.axis: axis.ratio for axis in adequacy(candidate, 1e4 * wave)}
    assert more == pytest.approx(plain)
