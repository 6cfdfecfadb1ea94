"""The clock of a recording: jitter, missing stretches, lost readings."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.findings import Finding
from diffbench.conditioning.smoothing import usual_step

Array = NDArray[np.float64]

# Steps that scatter by a tenth blur rates and what is worked out from them by as much.
JITTER = 0.1
GRAVE_JITTER = 0.3
# A step of half as much again is a lost row, no jitter.
LOST = 1.5
GRAVE_LOSS = 0.05


def clock(time: Array, *, file: str) -> list[Finding]:
    """Unsteady sampling and lost rows.

    Parameters: ``time`` (n,) [s] rising. A clock that is merely written with few digits is no jitter: its
    steps take two neighbouring values only.

    >>> clock(np.round(np.arange(2000) / 60.0, 3), file="a.csv")
    []
    """
    steps = np.diff(time)
    if steps.size < 50:
        return []
    step = usual_step(time)
    found: list[Finding] = []
    whole = steps[steps < LOST * step]
    scatter = float(np.std(whole)) / step
    if scatter > JITTER and not _rounded(whole):
        found.append(
            Finding(
                "sampling jitter",
                "caveat" if scatter > GRAVE_JITTER else "note",
                file,
                f"The steps between samples scatter by {100 * scatter:.0f} % of {1e3 * step:.4g} ms.",
                "What is worked out from rates of change (lag, inertia) is blurred; averages hold.",
                "Let the logger sample by its own clock rather than by a program's loop.",
            )
        )
    lost = steps > LOST * step
    if lost.any():
        missing = float(np.sum(steps[lost] - step))
        share = missing / float(time[-1] - time[0])
        found.append(
            Finding(
                "missing stretches",
                "caveat" if share > GRAVE_LOSS else "note",
                file,
                f"Samples are missing in {int(lost.sum())} places, {missing:.3g} s in all "
                f"({100 * share:.2g} %), the longest of {float(steps.max()):.3g} s.",
                "Nothing is filled in; where a turn of the sweep could have been missed, the ramps' state is "
                "unknown afterwards.",
                "Look for a logger that cannot keep up, or stops for its disk.",
            )
        )
    return found


def _rounded(steps: Array) -> bool:
    """Whether the steps are those of an even clock, rounded: all within one digit of each other."""
    distinct = np.unique(np.round(steps / np.median(steps), 6))
    gaps = np.diff(distinct)
    return bool(gaps.size == 0 or distinct[-1] - distinct[0] <= 1.01 * float(gaps.min()))


def lost_readings(channels: Mapping[str, Array], *, file: str) -> list[Finding]:
    """Empty cells in channels that are computed with."""
    found: list[Finding] = []
    for name, values in channels.items():
        missing = ~np.isfinite(values)
        share = float(np.mean(missing))
        if share == 0.0:
            continue
        places = int(np.count_nonzero(np.diff(np.concatenate([[0], missing.astype(np.int8)])) == 1))
        found.append(
            Finding(
                "missing readings",
                "caveat" if share > GRAVE_LOSS else "note",
                f"{name}, {file}",
                f"{int(missing.sum())} readings ({100 * share:.2g} %) are missing, in {places} places.",
                "They are left out, nothing is filled in.",
                "Look for a loose plug, or a channel that is logged at a lower rate than the others.",
            )
        )
    return found


def strays(count: int, samples: int, *, file: str) -> list[Finding]:
    """Spikes, as counted when the samples were taken, those apart that stand where the slip reverses: there a
    single sample may well stand between two levels."""
    if count == 0:
        return []
    return [
        Finding(
            "spikes",
            "caveat" if count > 0.01 * samples else "note",
            file,
            f"{count} samples stand apart from their neighbours on both sides.",
            "They are left out.",
            "Look for a loose plug, missing shielding, or a drive switching beside the cable.",
        )
    ]
