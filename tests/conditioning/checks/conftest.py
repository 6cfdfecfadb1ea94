"""Recordings of the independent simulator, as its loggers would round them, and faults planted in them."""

from __future__ import annotations

import pickle
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from benchsim.bench import Bench
from benchsim.files import UNITS, from_si
from benchsim.papers import rig_text
from benchsim.random_benches import random_bench, simulate_many
from benchsim.scenario import demo_rebuilt, pinion_visit
from numpy.typing import NDArray

from diffbench.conditioning import ConditionedVisit, Finding, condition
from diffbench.documents import Rig, load_rig
from diffbench.recording import Recording, Source

sys.path.insert(0, str(Path(__file__).parents[2] / "recovery"))  # the study of planted faults is a command

from faults import PLANTS, Plant, as_it_happened, with_faults

Array = NDArray[np.float64]
Change = Callable[[Array, Recording], Array]
#: What a clean bench is told: that a logger of 100 Hz is none of SAE J3011's. Some loggers lose samples.
INFORMATION = {"short of SAE J3011"}
LOSSES = {"spikes", "missing stretches", "missing readings"}
RANDOM = tuple(range(3000, 3006))


@dataclass(frozen=True)
class Visit:
    """A rig and its recordings with their kinds; ``lossy`` where the logger loses samples."""

    rig: Rig
    recordings: tuple[tuple[str, Recording], ...]
    lossy: bool

    def changed(self, kinds: Sequence[str] = ("bias-sweep",), **changes: Change) -> Visit:
        """The visit with channels of some runs changed."""
        made = [
            (
                kind,
                replace(
                    recording,
                    channels={
                        name: changes[name](values, recording) if name in changes else values
                        for name, values in recording.channels.items()
                    },
                )
                if kind in kinds
                else recording,
            )
            for kind, recording in self.recordings
        ]
        return replace(self, recordings=tuple(made))

    def short(self) -> Visit:
        """The first four cycles of the bias sweep, alone."""
        (sweep,) = (recording for kind, recording in self.recordings if kind == "bias-sweep")
        return replace(self, recordings=(("bias-sweep", cut_at(sweep, sweep.time < 80.0)),))

    def condition(self) -> ConditionedVisit:
        return condition(self.rig, self.recordings, rig_key="R", visit_key="V")

    def findings(self) -> dict[str, Finding]:
        """What is found, by name, apart from information and lost samples."""
        left_out = INFORMATION | (LOSSES if self.lossy else set())
        return {f.name: f for f in self.condition().findings if f.name not in left_out}


def cut_at(recording: Recording, kept: NDArray[np.bool_]) -> Recording:
    """Some rows of a recording."""
    channels = {name: values[kept] for name, values in recording.channels.items()}
    return replace(recording, time=recording.time[kept], channels=channels, rows=recording.rows[kept])


def visit_of(bench: Bench, logged: Mapping[str, Mapping[str, Array]], folder: Path) -> Visit:
    """What a reader would make of a bench's files, each channel rounded as its file is."""
    text = rig_text(
        bench.stand,
        bench.columns,
        bench.dialect,
        repeatability=bench.repeatability,
        torque_range=bench.torque_range,
    )
    (folder / "rig.toml").write_text(text, encoding="utf-8")
    recordings = []
    for stem, protocol in bench.runs:
        time = logged[stem]["time"]
        channels = {}
        for column in bench.columns:
            if column.channel != "time":
                scale, offset = UNITS[column.unit]
                shown = np.round(from_si(logged[stem][column.channel], column.unit), column.decimals)
                channels[column.channel] = (shown + offset) * scale
        source = Source(Path(f"{stem}.csv"), "0" * 64, 1, "test")
        recording = Recording(time - time[0], channels, {}, source, (), np.arange(time.size) + 2)
        recordings.append((protocol.kind, recording))
    faults = bench.stand.faults
    lossy = faults.spikes_per_minute + faults.gaps_per_minute + faults.row_gaps_per_minute > 0.0
    return Visit(load_rig(folder / "rig.toml"), tuple(recordings), lossy)


Visits = dict[str, Visit]


@pytest.fixture(scope="session")
def benches(once: Callable[[str, Callable[[Path], None]], Path]) -> Visits:
    """Both committed benches and six random ones, clean, and both with each planted fault (`pinion: gain
    mismatch`), simulated once for all processes."""

    def make(folder: Path) -> None:
        named: dict[str, Bench] = {f"random {seed}": random_bench(seed) for seed in RANDOM}
        faults: dict[str, list[tuple[Plant, str]]] = {
            "both": [(plant, "left_torque") for plant in PLANTS],
            "pinion": [(plant, "right_torque") for plant in PLANTS if not plant.after_tare],
        }
        for name, clean in (("both", demo_rebuilt()), ("pinion", pinion_visit())):
            names = [name, *(f"{name}: {plant.finding}" for plant, _ in faults[name])]
            named |= dict(zip(names, with_faults(clean, faults[name]), strict=True))
        recorded = dict(zip(named, simulate_many(list(named.values())), strict=True))
        for name, planted in faults.items():
            group = [other for other in named if other.partition(":")[0] == name]
            made = as_it_happened([named[n] for n in group], [recorded[n] for n in group], planted)
            recorded |= {n: recordings for n, (_, recordings) in zip(group, made, strict=True)}
        visits = {name: visit_of(bench, recorded[name], folder) for name, bench in named.items()}
        (folder / "visits").write_bytes(pickle.dumps(visits))

    made: Visits = pickle.loads((once("faults", make) / "visits").read_bytes())  # noqa: S301  written above
    return made


@pytest.fixture(scope="session")
def visits(benches: Visits) -> Visits:
    """The clean ones."""
    return {name: visit for name, visit in benches.items() if ":" not in name}


@pytest.fixture(scope="session")
def both(visits: dict[str, Visit]) -> Visit:
    """Both outputs measured, tare run, twelve cycles at three speeds, a speed sweep."""
    return visits["both"]


@pytest.fixture(scope="session")
def pinion(visits: dict[str, Visit]) -> Visit:
    """Torque at the pinion and at the right output; the logger loses samples."""
    return visits["pinion"]
