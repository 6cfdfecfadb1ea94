"""Mismatches of flanges as unknowns of the fit, a line in its floor, clocks and slow slip: by hand."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from diffbench.conditioning import ConditionedRun, condition
from diffbench.conditioning.bench import ErrorSource, chains_of
from diffbench.conditioning.checks.flanges import Extra, _Block, _looked, with_extras
from diffbench.conditioning.checks.hum import hum
from diffbench.conditioning.checks.recording import clock
from diffbench.conditioning.checks.speeds import noisy
from diffbench.documents import Rig
from diffbench.recording import Recording

Array = NDArray[np.float64]


def extra(kind: str, u: float, share: tuple[float, float]) -> Extra:
    return Extra(ErrorSource(f"V:{kind}", kind, "flanges", u), kind, share)


@pytest.fixture
def runs(
    both_outputs: Rig,
    recording_of: Callable[..., Recording],
    ideal: Callable[..., tuple[Array, dict[str, Array]]],
) -> Sequence[ConditionedRun]:
    """Two sweeps of 40 s."""
    time, first = ideal(noise=1.0)
    _, second = ideal(noise=1.0, seed=2)
    recordings: Any = [("bias-sweep", recording_of(time, **made)) for made in (first, second)]
    return condition(both_outputs, recordings, rig_key="R", visit_key="V").runs


def test_a_mismatch_is_an_unknown_of_every_run(both_outputs: Rig, runs: Sequence[ConditionedRun]) -> None:
    """Both outputs add up to the input and differ by the difference. In common or against each other, what is
    off by u moves the one or the other; a drift from the begin of the visit to the end of its last run."""
    chains = chains_of(both_outputs, None)
    assert with_extras(both_outputs, chains, runs, [0.0, 60.0], []) == tuple(runs)
    asked = [
        extra("zero", 4.0, (0.5, -0.5)), extra("gain", 0.02, (1.0, 1.0)), extra("lag", 0.01, (0.5, -0.5)),
        extra("drift", 3.0, (1.0, 1.0)),
    ]  # fmt: skip
    for starts in ([0.0, 60.0], [60.0, 0.0]):
        ends = [start + float(run.cells.time[-1]) for start, run in zip(starts, runs, strict=True)]
        found = with_extras(both_outputs, chains, runs, starts, asked)
        for start, before, after in zip(starts, runs, found, strict=True):
            cells, effects = before.cells, after.effects
            assert set(effects) == {*before.effects, "V:zero", "V:gain", "V:lag", "V:drift"}
            left, right = (cells.readings[f"{side}_torque"] for side in ("left", "right"))
            assert effects["V:zero"].input_torque == pytest.approx(0.0 * left, abs=1e-9)
            assert effects["V:zero"].difference == pytest.approx(0.0 * left + 4.0)
            assert effects["V:gain"].input_torque == pytest.approx(0.02 * (left + right))
            assert effects["V:gain"].difference == pytest.approx(0.02 * (left - right))
            rates = [cells.rates[f"{side}_torque"] for side in ("left", "right")]
            assert effects["V:lag"].difference == pytest.approx(-0.005 * (rates[0] + rates[1]), abs=1e-9)
            course = (start + cells.time) / max(ends) - 0.5
            assert effects["V:drift"].input_torque == pytest.approx(2.0 * 3.0 * course)
            assert effects["V:drift"].difference == pytest.approx(0.0 * course, abs=1e-9)
            assert [effects[f"V:{kind}"].noise_share for kind in ("zero", "lag", "drift")] == [0.0] * 3
            # a gain in common scales the difference and its noise alike
            assert effects["V:gain"].noise_share == pytest.approx(0.02)


def test_the_floor_below_a_line_is_none_of_it() -> None:
    """0.1 N·m at 50 Hz in noise without its quick half, a seventeenth of the line: told within a fiftieth, on
    the mean of forty recordings."""
    time = np.arange(20_000) / 1000.0
    told = []
    for seed in range(40):
        noise = np.random.default_rng(seed).normal(size=time.size + 4)
        values = np.convolve(noise, np.full(5, 0.2), "valid") + 0.1 * np.sin(2.0 * np.pi * 50.0 * time + seed)
        (finding,) = hum(values, 1000.0, [], name="a", file="b", averaged=0.2)
        told.append(float(finding.evidence.split()[2]))
    assert np.mean(told) == pytest.approx(0.1, rel=0.025)


@pytest.mark.parametrize(("dust", "names"), [(2e-7, []), (2e-6, ["sampling jitter"])])
def test_a_rounded_clock_is_even_but_for_the_dust_of_its_numbers(dust: float, names: list[str]) -> None:
    """60 Hz in hundredths of a second, each off by less than a millionth of a step."""
    time = np.round(np.arange(2000) / 60.0, 2)
    time += 0.01 * dust * np.random.default_rng(1).uniform(-1.0, 1.0, time.size)
    assert [one.name for one in clock(time, file="a.csv")] == names


def test_slow_slip_is_told_by_its_mean_over_a_second() -> None:
    """1.2 rad/s that sway by ±6 rad/s once in 101 samples of 10 ms, over which they are averaged; ±0.25 rad/s
    from sample to sample are a noise of 0.61 rad/s, four of which over √10 are 0.77 rad/s."""
    n = np.arange(4040)
    sways = 1.2 + 6.0 * np.sin(2.0 * np.pi * n / 101.0) + 0.25 * (-1.0) ** n
    (told,) = noisy(sways, 0.01, file="a.csv")
    assert told.evidence == (
        "From sample to sample it scatters by 0.61 rad/s. Averaged over 0.1 s it counts as slip from 0.77 "
        "rad/s on; "
        "a quarter of the sweep slips at 1.2 rad/s or less."
    )


def test_what_a_percent_of_efficiency_does_is_held_beside_the_patterns(
    rig_of: Callable[..., Rig], recording_of: Callable[..., Recording],
    ideal: Callable[..., tuple[Array, dict[str, Array]]],
) -> None:  # fmt: skip
    """Behind a pinion the input torque is 3.5 · 0.96 of what it reads while it drives, 3.5/0.96 of it
    while it is driven, as of one loss more; the left output twice over less that input is the difference."""
    time, made = ideal(noise=0.5)
    whole = made["left_torque"] + made["right_torque"]
    made["input_torque"] = whole / np.where(whole >= 0.0, 3.5 * 0.96, 3.5 / 0.96)
    rig = rig_of(
        "input-and-one-output", left_torque={}, left_speed={}, right_speed={},
        input_torque={"at": "pinion", "ratio": 3.5, "efficiency": {"value": 0.96, "u": 0.01}},
    )  # fmt: skip
    kept = {name: values for name, values in made.items() if name in rig.channel}
    (run,) = condition(rig, [("bias-sweep", recording_of(time, **kept))], rig_key="R", visit_key="V").runs
    block = _Block.of(rig, chains_of(rig, None), run, 0.0, 40.0)
    look = _looked(run.cells)
    reads = run.cells.readings["input_torque"][look]
    clear = np.abs(reads) > 5.0
    by = reads * 3.5 * np.where(reads >= 0.0, 1.0, (1.0 / 0.97 - 1.0 / 0.96) / 0.01)
    assert block.efficiency is not None
    assert block.efficiency[0][clear] == pytest.approx(by[clear])
    assert block.efficiency[1][clear] == pytest.approx(-by[clear])
    assert block.difference == pytest.approx(run.difference[look])
    assert block.weight == pytest.approx(np.sqrt(run.cells.count[look]))
    assert block.direction.tolist() == run.cells.direction[look].tolist()
