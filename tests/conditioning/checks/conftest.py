"""Recordings of the independent simulator, as its loggers would round them, and faults planted in them."""

from __future__ import annotations

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

from diffbench.conditioning.findings import Finding
from diffbench.conditioning.pipeline import condition
from diffbench.conditioning.run import ConditionedVisit
from diffbench.documents import Rig, load_rig
from diffbench.recording import Recording, Source

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

    def condition(self) -> ConditionedVisit:
        return condition(self.rig, self.recordings, rig_key="R", visit_key="V")

    def findings(self) -> dict[str, Finding]:
        """What is found, by name, apart from information and lost samples."""
        left_out = INFORMATION | (LOSSES if self.lossy else set())
        return {f.name: f for f in self.condition().findings if f.name not in left_out}


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


@pytest.fixture(scope="session")
def visits(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Visit]:
    """Both committed benches and six random ones, simulated side by side."""
    benches = {"both": demo_rebuilt(), "pinion": pinion_visit()}
    benches |= {f"random {seed}": random_bench(seed) for seed in RANDOM}
    logged = simulate_many(list(benches.values()))
    folder = tmp_path_factory.mktemp("rigs")
    return {
        name: visit_of(bench, recordings, folder)
        for (name, bench), recordings in zip(benches.items(), logged, strict=True)
    }


@pytest.fixture(scope="session")
def both(visits: dict[str, Visit]) -> Visit:
    """Both outputs measured, tare run, twelve cycles at three speeds, a speed sweep."""
    return visits["both"]


@pytest.fixture(scope="session")
def pinion(visits: dict[str, Visit]) -> Visit:
    """Torque at the pinion and at the right output; the logger loses samples."""
    return visits["pinion"]
