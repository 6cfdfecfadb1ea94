"""The same cells fitted a second time, by a general library and equations of this file alone.

The second fit shares nothing of the first but the cells and their weights: the law is written down once more,
plates are as warm as they truly were, the ramps stand as the stand's course has it, no prior holds anything,
and ODRPACK searches (Boggs, Donaldson, Byrd & Schnabel 1989; package ``odrpack``, ordinary least squares).
Both see the same noise, so they must agree far more closely than either agrees with the truth.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from benchsim.bench import Bench, logged_run, write_bench
from benchsim.dynamics import Response, simulate
from benchsim.exact_benches import REFERENCE_SPEED, TIME_STEP, exact_bench
from numpy.typing import NDArray

from diffbench import Characterisation, fit
from diffbench.documents import load_visit
from diffbench.fitting import condition_visit

Array = NDArray[np.float64]
NOISE = 1.0  # N·m of a sample, as a good flange has

#: Of the second fit, in order, with where its search begins.
START = {
    "preload_torque": 70.0,
    "ramp_bias_drive_loading": 0.5,
    "ramp_bias_drive_unloading": 0.7,
    "ramp_bias_coast_loading": 0.25,
    "ramp_bias_coast_unloading": 0.4,
    "static_friction_excess": 0.15,
    "stribeck_speed": 0.05,
    "friction_temperature_coefficient": 0.0,
    "viscous_coefficient": 1.0,
    "viscous_temperature_coefficient": 0.02,
}


@dataclass(frozen=True)
class Cells:
    """What was read where the outputs slip (c,), with its standard deviation, and how the unit stood at
    `WITHIN` places of each cell's time (c, w)."""

    locking: Array
    sigma: Array
    torque: Array
    slip: Array
    oil: Array
    plate: Array
    falls: NDArray[np.bool_]


WITHIN = (np.arange(9) - 4.0) / 9.0


def cells_of(bench: Bench, sheet: Path, result: Characterisation, responses: list[Response]) -> Cells:
    """What the first fit fitted, means over a fraction of a second; the course within is the simulator's."""
    evidence = result.evidence
    assert evidence is not None
    (visit,), _ = condition_visit(load_visit(sheet), lambda text: None)
    width = np.concatenate([run.cells.width for run in visit.runs])
    np.testing.assert_array_equal(np.concatenate([run.cells.time for run in visit.runs]), evidence.time)
    course: list[list[Array]] = []
    for r, ((_, protocol), response) in enumerate(zip(bench.runs, responses, strict=True)):
        here = (evidence.run == r) & evidence.used
        at = evidence.time[here, None] + width[here, None] * WITHIN
        before, after = (np.abs(protocol.input_torque.at(at + by)) for by in (-0.005, 0.005))
        course.append(
            [
                protocol.input_torque.at(at),
                np.abs(protocol.speed_difference.at(at)),
                protocol.oil_temperature.at(at),
                np.interp(at, response.time, response.plate_temperature),
                after < before,
            ]
        )
    read = (part[evidence.used] for part in (evidence.locking, evidence.sigma))
    return Cells(*read, *(np.concatenate(part) for part in zip(*course, strict=True)))


def second_fit(bench: Bench, held: Cells, *, opens: bool) -> dict[str, float]:
    """Values by ODRPACK; ``opens`` where the ramp thrust must first overcome the spring."""
    odrpack = pytest.importorskip("odrpack", reason="the second fit is by odrpack: install the extra test")
    unit = bench.unit
    radius, drive = unit.effective_radius / 2.0, held.torque >= 0.0
    peak = np.where(drive, held.torque.max(), -held.torque.min())
    load = np.abs(held.torque)
    reference = unit.reference_temperature

    def model(_x: Array, beta: Array) -> Array:
        preload, dl, du, cl, cu, excess, speed, heat, film, thin = beta[:10]
        rising, falling = np.where(drive, dl, cl) * load, np.where(drive, du, cu) * load
        ramp = np.where(held.falls, np.minimum(np.where(drive, dl, cl) * peak, falling), rising)
        bears = np.maximum(preload + beta[10] * ramp, ramp) if opens else preload + ramp
        fall = np.exp(-((held.slip * radius / speed) ** unit.stribeck_exponent))
        there = np.exp(-((REFERENCE_SPEED * radius / speed) ** unit.stribeck_exponent))
        friction = (1.0 + excess * fall) / (1.0 + excess * there) * (1.0 + heat * (held.plate - reference))
        oil = film * np.exp(-thin * (held.oil - reference)) * held.slip
        return np.asarray((friction * bears + unit.gear_friction * load + oil).mean(axis=1))

    start = np.array([*START.values(), *([0.05] if opens else [])])
    found = odrpack.odr_fit(
        model,
        np.arange(held.locking.size, dtype=float),
        held.locking,
        start,
        weight_y=held.sigma**-2,
        task="OLS",
        maxit=200,
    )
    assert found.success, found.stopreason
    return dict(zip([*START, *(["joint_fraction"] if opens else [])], found.beta.tolist(), strict=True))


Both = tuple[dict[str, float], Characterisation, dict[str, float]]


@pytest.fixture(scope="module", params=["additive", "greater-of"])
def both(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Both:
    """The second fit, the first, and the truth."""
    plain = exact_bench(request.param)
    torques = {name: replace(flange, noise=NOISE) for name, flange in plain.stand.torques.items()}
    bench = replace(plain, seed=23, stand=replace(plain.stand, torques=torques))
    responses = list(simulate([(bench.unit, run) for _, run in bench.runs], TIME_STEP))
    recordings = {stem: logged_run(bench, r, responses[r]) for r, (stem, _) in enumerate(bench.runs)}
    sheet = write_bench(bench, recordings, tmp_path_factory.mktemp(request.param))
    first = fit(sheet)
    second = second_fit(bench, cells_of(bench, sheet, first, responses), opens=request.param == "greater-of")
    return second, first, bench.unit.quantities(REFERENCE_SPEED)


def test_both_fits_agree(both: Both) -> None:
    """Torques and biases to 0.1 %, curves and the joint to 1 %: measured at 0.04 and 0.75 %, which is at most
    a quarter and at most half of ``u``. What is left is how the second fit takes means over a cell."""
    second, first, _ = both
    apart = {}
    for name, value in second.items():
        close = 1e-3 if name.startswith(("preload", "ramp_bias")) else 1e-2
        apart[name] = (first.value(name) / value - 1.0) / close
    assert {name: round(share, 3) for name, share in apart.items() if abs(share) > 1.0} == {}


def test_both_find_the_truth(both: Both) -> None:
    """The second without any doubt of its own: to what the first claims, four times over."""
    second, first, truth = both
    for name, value in second.items():
        item = first.parameters[name]
        assert item.value is not None
        assert item.u
        for found in (item.value, value):
            assert abs(found - truth[name]) < 4.0 * item.u + 1e-3 * abs(truth[name]), name
