"""The first fit against the second, which is told the same and shares nothing else (`second_fit`).

Both see the same noise, so they must agree far more closely than either agrees with the truth.
"""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from benchsim.bench import logged_run, write_bench
from benchsim.dynamics import simulate
from benchsim.exact_benches import REFERENCE_SPEED, TIME_STEP, exact_bench

from diffbench import Characterisation, fit

sys.path.insert(0, str(Path(__file__).parent))

from second_fit import Second, SecondFit

NOISE = 1.0  # N·m of a sample, as a good flange has
Both = tuple[Second, Characterisation, dict[str, float]]


@pytest.fixture(scope="module", params=["additive", "greater-of"])
def both(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Both:
    """The second fit, the first, and the truth."""
    pytest.importorskip("odrpack", reason="the second fit is by odrpack: install the extra test")
    plain = exact_bench(request.param)
    torques = {name: replace(flange, noise=NOISE) for name, flange in plain.stand.torques.items()}
    bench = replace(plain, seed=23, stand=replace(plain.stand, torques=torques))
    responses = list(simulate([(bench.unit, run) for _, run in bench.runs], TIME_STEP))
    recordings = {stem: logged_run(bench, r, responses[r]) for r, (stem, _) in enumerate(bench.runs)}
    sheet = write_bench(bench, recordings, tmp_path_factory.mktemp(request.param))
    first = fit(sheet)
    second = SecondFit.of(sheet, first, bench.unit, REFERENCE_SPEED).fitted()
    return second, first, bench.unit.quantities(REFERENCE_SPEED)


def test_both_fits_agree(both: Both) -> None:
    """To a twentieth of the standard uncertainty, every one (measured: 0.007)."""
    second, first, _ = both
    assert len(second.values) == 12 + (first.law.chosen == "greater-of")
    apart = {}
    for name, value in second.values.items():
        u = first.parameters[name].u
        assert u
        apart[name] = (first.value(name) - value) / u
    assert {name: round(share, 3) for name, share in apart.items() if abs(share) > 0.05} == {}


def test_both_are_as_much_in_doubt(both: Both) -> None:
    """Noise and knowledge beforehand to a tenth (measured: 4 %), what the rig allows for to 3 % (1.3 %). What
    the law leaves out is a third part of the first's doubt, of which the second fit knows nothing."""
    second, first, _ = both
    for name in second.values:
        budget = first.parameters[name].budget
        rig = [size for source, size in budget.items() if source.startswith("hysteresis")]
        others = [
            size for source, size in budget.items() if not source.startswith(("hysteresis", "what the"))
        ]
        assert math.hypot(*rig) == pytest.approx(second.by_rig[name], rel=0.03), name
        assert math.hypot(*others) == pytest.approx(second.by_noise[name], rel=0.1), name


def test_both_find_the_truth(both: Both) -> None:
    """The second as well as the first: to what the first claims, twice over."""
    second, first, truth = both
    for name, value in second.values.items():
        item = first.parameters[name]
        assert item.value is not None
        assert item.u
        for found in (item.value, value):
            assert abs(found - truth[name]) < 2.0 * item.u + 1e-3 * abs(truth[name]), name
