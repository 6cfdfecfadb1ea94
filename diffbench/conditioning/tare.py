"""A tare run: what the transducers read with the unit out or open, which is zero error and drag together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.samples import Samples


@dataclass(frozen=True)
class Tare:
    """Mean reading by torque channel [N·m] and its standard uncertainty: noise and what changed between tare
    runs."""

    mean: Mapping[str, float]
    u: Mapping[str, float]
    runs: int


TareRun = Mapping[str, NDArray[np.float64]]  # means of parts of one tare run by channel [N·m]


def tare(runs: Sequence[TareRun], channels: Sequence[str]) -> Tare | None:
    """Tare from all tare runs of a visit (see `tare_run`), or None without one.

    Noise: standard deviation of the means of ten equal parts, over √10, so that slow ripple counts. Several
    runs (before and after): their half-range over √3 is added, a drift of which only the ends are known (GUM
    4.3.7, rectangular).
    """
    if not runs:
        return None
    mean: dict[str, float] = {}
    u: dict[str, float] = {}
    for name in channels:
        parts = [run[name] for run in runs if name in run]
        if not parts:
            continue
        means = [float(part.mean()) for part in parts]
        noises = [float(part.std(ddof=1) / np.sqrt(part.size)) for part in parts]
        half_range = 0.5 * (max(means) - min(means)) if len(means) > 1 else 0.0
        mean[name] = float(np.mean(means))
        u[name] = float(
            np.hypot(np.sqrt(np.mean(np.square(noises)) / len(noises)), half_range / np.sqrt(3.0))
        )
    return Tare(mean, u, len(runs))


def tare_run(samples: Samples, channels: Sequence[str]) -> TareRun:
    """What is kept of a tare run: the means of ten equal parts by channel; one that holds next to nothing is
    left out."""
    found = {name: part_means(samples, name) for name in channels}
    return {name: means for name, means in found.items() if means is not None}


def joined_tare(parts: Sequence[TareRun]) -> TareRun:
    """One tare run of the parts of a long recording."""
    names = dict.fromkeys(name for part in parts for name in part)
    return {name: np.concatenate([part[name] for part in parts if name in part]) for name in names}


def part_means(samples: Samples, channel: str) -> NDArray[np.float64] | None:
    """Means of ten equal parts of a tare run [N·m], or None where it holds next to nothing.

    Taken from the middle 90 %: a bench may still be starting or stopping at the ends.
    """
    values = samples.torques[channel]
    values = values[np.isfinite(values)]
    if values.size < 20:
        return None
    cut = values.size // 20
    return np.array([part.mean() for part in np.array_split(values[cut : values.size - cut], 10)])
