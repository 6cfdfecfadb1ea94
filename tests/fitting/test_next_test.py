"""Predicted falls of uncertainty, held against what further runs really brought."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from diffbench import Characterisation
from diffbench.doubts import Source
from diffbench.fitting import fit
from diffbench.results import NextTest

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


def run_with(result: Characterisation, words: str) -> NextTest:
    (found,) = [test for test in result.next_tests if words in test.run]
    return found


def beside(u: float | None, result: Characterisation, name: str) -> float:
    """A standard uncertainty without what the law leaves out: a plan keeps that as it is today, as it does
    not know what it will be then."""
    assert u is not None
    return float(np.sqrt(u**2 - result.parameters[name].budget.get(Source.LEFT_OUT, 0.0) ** 2))


def falls(test: NextTest) -> dict[str, float]:
    """Predicted standard uncertainty over today's, by quantity."""
    return {gain.quantity: gain.u_then / gain.u_now for gain in test.gains}


@pytest.fixture(scope="module")
def bias_only(tmp_path_factory: pytest.TempPathFactory) -> Characterisation:
    """The demo's visit without its speed sweep."""
    source = FIXTURES / "demo"
    text = (source / "rebuilt" / "run.toml").read_text(encoding="utf-8")
    head = text.split("[[run]]")[0].replace('"../', f'"{source.as_posix()}/')
    runs = "".join(
        f'[[run]]\nfile = "{(source / "rebuilt" / f"{kind}.csv").as_posix()}"\nkind = "{kind}"\n'
        for kind in ("tare", "bias-sweep")
    )
    path = tmp_path_factory.mktemp("bias-only") / "run.toml"
    path.write_text(head + runs, encoding="utf-8")
    return fit(path)


def test_a_speed_sweep_brings_what_was_predicted(
    bias_only: Characterisation, rebuilt: Characterisation
) -> None:
    """The demo's own speed sweep, other in its levels than the planned one: the predicted uncertainty of
    viscous drag and Stribeck speed within a third of the real one, what the law leaves out beside."""
    test = run_with(bias_only, "speed sweep")
    then = {gain.quantity: gain.u_then for gain in test.gains}
    for name in ("viscous_coefficient", "stribeck_speed"):
        planned, now = (beside(u, bias_only, name) for u in (then[name], bias_only.parameters[name].u))
        assert planned < 0.8 * now
        assert planned == pytest.approx(beside(rebuilt.parameters[name].u, rebuilt, name), rel=0.35), name


def test_a_refit_brings_what_was_predicted(short: Characterisation, refits: Characterisation) -> None:
    """One more refit halves the variance that the rig's scatter of refits makes: a factor 0.71; four refits
    fitted together had half."""
    name = "preload_torque"
    then = {gain.quantity: gain.u_then for gain in run_with(short, "take the unit out").gains}[name]
    alone = beside(short.parameters[name].u, short, name)
    assert beside(then, short, name) / alone == pytest.approx(np.sqrt(0.5), abs=0.03)
    together, alone = (one.parameters[name].budget[Source.REPEATABILITY] for one in (refits, short))
    assert together / alone == pytest.approx(0.5, abs=0.06)


def test_what_no_bench_can_tell_is_asked_of_the_press(rebuilt: Characterisation) -> None:
    """60 N on 1950 N is most of the friction coefficient's doubt; 1 % from a press would leave a half."""
    found = falls(run_with(rebuilt, "press"))
    item = rebuilt.parameters["friction_coefficient"]
    assert item.u is not None
    force = item.budget["spring force (build sheet)"]
    left = np.sqrt(item.u**2 - force**2 + (force * 19.5 / 60.0) ** 2)
    assert found["friction_coefficient"] == pytest.approx(left / item.u, rel=0.02)
    assert "preload_torque" not in found


def test_a_flank_that_was_not_swept_comes_first(drive_only: Characterisation) -> None:
    """Without coast torque its bias is not determined: the run that would tell it is the first one named."""
    assert drive_only.parameters["ramp_bias_coast_loading"].status == "not-determined"
    first = drive_only.next_tests[0]
    assert "coast" in first.run
    assert falls(first)["ramp_bias_coast_loading"] < 0.1


def test_hand_readings_ask_for_no_sweep(hand: Characterisation) -> None:
    """A bench that only turns an output can't sweep."""
    assert hand.next_tests
    assert not [test.run for test in hand.next_tests if "sweep" in test.run]
