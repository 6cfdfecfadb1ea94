"""No finding without a recording on which it fires and one on which it stays silent, and none that the guide
does not list."""

from __future__ import annotations

import ast
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from diffbench.conditioning.checks.flanges import WORDS
from diffbench.errors import RecordingError

Array = NDArray[np.float64]
Planted = Callable[[Any], Any]
FLANKS = ("drive", "coast")
#: What a fit says beyond these recordings, and the test that makes it fire; each stays silent beside it.
OF_THE_FIT = {
    "no drive samples": "fitting/test_excitation.py",
    "no coast samples": "fitting/test_excitation.py",
    "one speed level only": "fitting/test_excitation.py",
    "no unloading": "fitting/test_excitation.py",
    "one slip direction only": "fitting/test_excitation.py",
    "no temperature": "fitting/test_properties.py",
    "drive ramps never overcame the preload": "fitting/test_excitation.py",
    "coast ramps never overcame the preload": "fitting/test_excitation.py",
    "cells apart from the fit": "fitting/test_excitation.py",
    "bench constant not as stated": "fitting/test_excitation.py",
    "model misses": "fitting/test_properties.py",
    "unit departs from the law": "fitting/test_departures.py",
    "packs apart": "fitting/test_packs_apart.py",
    "time not told from temperature": "fitting/test_departures.py",
    "plates far hotter than the oil": "conditioning/checks/test_channels.py",
    "visit not complete": "watching/test_watch.py",
    "repeatability not stated": "fitting/test_pooling.py",
    "clocks apart": "conditioning/test_pipeline.py",
    "same samples twice": "conditioning/test_pipeline.py",
    "recording breaks off": "silence/test_ends.py",
    "loaded tare": "conditioning/checks/test_bench_findings.py",
    "doubtful reading": "conditioning/test_hand.py",
    "temperature not read": "conditioning/test_hand.py",
    "readings contradict each other": "fitting/test_by_hand.py",
    "friction implausible": "fitting/test_by_hand.py",
    "springs cannot carry the force": "fitting/test_sheet_estimates.py",
    "readings not repeated": "conditioning/test_hand.py",
    "repeats all alike": "conditioning/test_hand.py",
    "repeats far apart": "conditioning/test_hand.py",
}


def names_of(node: ast.expr) -> Iterator[str]:
    """The names that an expression can give."""
    if isinstance(node, ast.Constant):
        yield str(node.value)
    elif isinstance(node, ast.IfExp):
        yield from names_of(node.body)
        yield from names_of(node.orelse)
    elif isinstance(node, ast.JoinedStr):  # of a flank, so far
        for flank in FLANKS:
            yield "".join(part.value if isinstance(part, ast.Constant) else flank for part in node.values)
    elif isinstance(node, ast.Name):  # that of two channels held against each other
        yield from (words[0] for words in WORDS.values())
    else:
        pytest.fail(f"a finding's name that this test can't read: {ast.unparse(node)}")


@pytest.fixture(scope="module")
def in_code(repository: Path) -> set[str]:
    """Every name of a finding that the package can give."""
    found: set[str] = set()
    for path in (repository / "diffbench").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Name):
                continue
            named = [keyword.value for keyword in node.keywords if keyword.arg == "name"]
            if node.func.id == "Finding":
                found |= set(names_of(node.args[0] if node.args else named[0]))
            elif node.func.id == "FindingRecord" and named:  # else a finding that is passed on
                found |= set(names_of(named[0]))
    return found


def changed(**changes: Callable[[Array, Any], Array]) -> Planted:
    """Channels changed."""
    return lambda visit: visit.changed(**changes)


def of_time(change: Callable[[Array], Array]) -> Planted:
    """Another clock."""
    return lambda visit: replace(
        visit, recordings=tuple((kind, replace(r, time=change(r.time))) for kind, r in visit.recordings)
    )


def of_rows(kept: Callable[[Array], NDArray[Any]]) -> Planted:
    """Some rows only, by their time."""

    def cut(visit: Any) -> Any:
        recordings = []
        for kind, r in visit.recordings:
            rows = kept(r.time)
            channels = {name: values[rows] for name, values in r.channels.items()}
            cut_one = replace(r, time=r.time[rows], channels=channels, rows=r.rows[rows])
            recordings.append((kind, cut_one))
        return replace(visit, recordings=tuple(recordings))

    return cut


def with_case_speed(factor: float) -> Planted:
    """A case speed beside the outputs', a given number of times what they say."""
    return with_channel("case_speed", "rad/s", lambda c: factor * 0.5 * (c["left_speed"] + c["right_speed"]))


def with_channel(name: str, unit: str, made: Callable[[Mapping[str, Array]], Array]) -> Planted:
    """A further channel in rig and recordings."""

    def add(visit: Any) -> Any:
        paper = visit.rig.channel["left_speed"].model_copy(update={"column": name, "unit": unit})
        if name == "input_torque":
            paper = visit.rig.channel["left_torque"].model_copy(update={"column": name})
        rig = visit.rig.model_copy(update={"channel": {**visit.rig.channel, name: paper}})
        recordings = [
            (kind, replace(r, channels={**r.channels, name: made(r.channels)}))
            for kind, r in visit.recordings
        ]
        return replace(visit, rig=rig, recordings=tuple(recordings))

    return add


def tipped(values: Array, rows: slice, other: float | Array) -> Array:
    """Values with some put in."""
    out = values.copy()
    out[rows] = other
    return out


def held_outputs(visit: Any) -> Any:
    """Outputs that hold for seven seconds of ten."""

    def stop(values: Array, recording: Any) -> Array:
        mean = 0.5 * (recording.channels["left_speed"] + recording.channels["right_speed"])
        return np.where(recording.time % 10.0 > 3.0, mean, values)

    return visit.changed(left_speed=stop, right_speed=stop)


def sticking(visit: Any) -> Any:
    """A speed difference that swings at 3 Hz by all of its level."""

    def swing(sign: float) -> Callable[[Array, Any], Array]:
        def change(values: Array, recording: Any) -> Array:
            slip = recording.channels["left_speed"] - recording.channels["right_speed"]
            return values + 0.5 * sign * slip * np.sin(2.0 * np.pi * 3.0 * recording.time)

        return change

    return visit.changed(left_speed=swing(1.0), right_speed=swing(-1.0))


def noise_of(deviation: float, seed: int) -> Callable[[Array, Any], Array]:
    """White noise on a channel."""
    return lambda x, r: x + np.random.default_rng(seed).normal(0.0, deviation, x.size)


def exchanged(visit: Any) -> Any:
    """Output torques exchanged, and both counted backwards."""
    return visit.changed(
        left_torque=lambda x, r: -r.channels["right_torque"],
        right_torque=lambda x, r: -r.channels["left_torque"],
    )


RPM = 30.0 / np.pi
#: Faults in the first four cycles of the demo as the simulator logged it, each at the size that matters.
ON_THE_DEMO: dict[str, Planted] = {
    "torque balance": with_channel(
        "input_torque", "N.m", lambda c: 1.03 * (c["left_torque"] + c["right_torque"])
    ),
    "unit off by a known factor": changed(left_torque=lambda x, r: x / 1.3558179483),
    "clipped readings": changed(right_torque=lambda x, r: np.minimum(x, np.quantile(x, 0.97))),
    "stuck channel": changed(left_torque=lambda x, r: tipped(x, slice(3500, 3520), float(x[3500]))),
    "dead channel": changed(left_torque=lambda x, r: np.random.default_rng(11).normal(0.0, 1.4, x.size)),
    "coarse resolution": changed(left_torque=lambda x, r: np.round(x / 12.0) * 12.0),
    "spikes": changed(left_torque=lambda x, r: x + np.where(np.arange(x.size) % 1999 == 1000, 200.0, 0.0)),
    "missing readings": changed(left_torque=lambda x, r: tipped(x, slice(2000, 2030), np.nan)),
    "missing stretches": of_rows(lambda t: (t < 33.0) | (t > 34.0)),
    "sampling jitter": of_time(lambda t: t + 0.002 * np.random.default_rng(12).uniform(-1.0, 1.0, t.size)),
    "mains hum": changed(left_torque=lambda x, r: x + 1.5 * np.sin(2.0 * np.pi * 60.01 * r.time)),
    "speeds contradict each other": with_case_speed(1.03),
    "outputs turn against each other": changed(right_speed=lambda x, r: -x),
    "speed drops out": changed(right_speed=lambda x, r: tipped(x, slice(5000, 5014), 0.0)),
    "speed implausible": changed(left_speed=lambda x, r: RPM * x, right_speed=lambda x, r: RPM * x),
    "temperature implausible": changed(oil_temperature=lambda x, r: x + 273.15),
    "sampling rate changes": of_rows(lambda t: (t < 40.0) | (np.arange(t.size) % 5 == 0)),
    "possible clock change": of_time(lambda t: t + 3600.0 * (t > 40.0)),
    "samples repeated": changed(
        **dict.fromkeys(
            ("left_torque", "right_torque", "left_speed", "right_speed", "oil_temperature"),
            lambda x, r: tipped(x, slice(6000, 6500), x[4000:4500]),
        )
    ),
    "open or shorted sensor": changed(oil_temperature=lambda x, r: tipped(x, slice(6000, None), 1372.0)),
    "temperature not recorded": changed(oil_temperature=lambda x, r: tipped(x, slice(6000, None), np.nan)),
    "too little slip": held_outputs,
    "too few cycles": of_rows(lambda t: t < 20.0),
    "sampled too slowly": of_rows(lambda t: np.arange(t.size) % 40 == 0),
    # an hour in a minute: ten milliseconds of lag are then a twentieth of the torque difference
    "sweep too fast": of_time(lambda t: t / 25.0),
    "stick-slip": sticking,
    "noisy speeds": changed(left_speed=noise_of(1.5, 13), right_speed=noise_of(1.5, 14)),
    "coast further than drive": exchanged,
}
BY_SIMULATOR = {
    "gain mismatch", "zero mismatch", "lag mismatch", "zero drift", "transducer hysteresis",
}  # fmt: skip


@pytest.fixture(scope="module")
def short(benches: dict[str, Any]) -> Any:
    """The first four cycles of the demo."""
    return benches["both"].short()


def test_the_demo_is_silent(short: Any) -> None:
    """So that whatever the plants make fire is theirs; channels that only they have do not speak by
    themselves."""
    assert short.findings() == {}
    assert with_case_speed(1.0)(short).findings() == {}
    summed = with_channel("input_torque", "N.m", lambda c: c["left_torque"] + c["right_torque"])
    assert summed(short).findings() == {}


@pytest.mark.parametrize("name", ON_THE_DEMO)
def test_the_planted_fault_is_found_and_named(name: str, short: Any) -> None:
    """By a finding, or by the error of one that stops."""
    try:
        found = set(ON_THE_DEMO[name](short).findings())
    except RecordingError as error:
        found = {fault.what.partition(":")[0] for fault in error.faults}
    assert name in found


def test_what_swings_is_not_called_noise(short: Any) -> None:
    assert "noisy speeds" not in sticking(short).findings()


def test_every_name_in_the_code_has_its_test(in_code: set[str], repository: Path) -> None:
    """And nothing is tested that the code can't say."""
    shown = set(ON_THE_DEMO) | BY_SIMULATOR | set(OF_THE_FIT) | {"short of SAE J3011"}
    assert in_code == shown
    tests = repository / "tests"
    for name in BY_SIMULATOR:
        text = (tests / "conditioning" / "checks" / "test_flanges.py").read_text(encoding="utf-8")
        assert f"both: {name}" in text
    for name, file in OF_THE_FIT.items():
        text = (tests / file).read_text(encoding="utf-8")
        spelled = {name} | {name.replace(flank, other) for flank in FLANKS for other in (*FLANKS, "{flank}")}
        assert any(words in text for words in spelled), name


def test_the_guide_s_table_lists_every_finding(in_code: set[str], repository: Path) -> None:
    """Each once, and no other."""
    page = (repository / "diffbench" / "guide" / "checks.md").read_text(encoding="utf-8")
    firsts = re.findall(r"^\| (`.*?`) \|", page, re.MULTILINE)
    listed = [name for cell in firsts for name in re.findall("`(.+?)`", cell)]
    assert len(listed) == len(set(listed))
    assert set(listed) == in_code
