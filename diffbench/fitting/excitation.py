"""What the recordings did not do, and what that leaves open."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.findings import Finding
from diffbench.conditioning.run import ConditionedVisit
from diffbench.fitting.bench_constants import constants_pulled
from diffbench.fitting.candidate import Candidate
from diffbench.fitting.data import FitData
from diffbench.results.characterisation import Tested


def excitation_findings(
    candidate: Candidate, tested: Tested, visits: Sequence[ConditionedVisit]
) -> list[Finding]:
    """Findings about slip directions, flanks, speed levels, temperatures, rejected cells and bench constants
    that cannot be as stated."""
    del visits
    data = candidate.model.data
    found: list[Finding] = []
    if data.sliding.any():
        found += [*_flanks_swept(data), *_speed_levels(data), *_slip_directions(data)]
        found += _temperature(data, candidate.model.reference.temperature)
        if not candidate.form.preload.linear:
            found += _ramps_seen(tested)
    return [*found, *_cells_apart(data, candidate.used), *constants_pulled(candidate)]


def _flanks_swept(data: FitData) -> list[Finding]:
    torque = data.input_torque[data.sliding]
    scale = float(np.max(np.abs(data.input_torque)))
    low, high = float(torque.min()), float(torque.max())
    return [
        Finding(
            f"no {flank} samples",
            "caveat",
            "all sweeps",
            f"The input torque stays at {low:.4g} to {high:.4g} N·m.",
            f"The {flank} ramp bias is not determined.",
            f"Add a bias sweep under {flank} torque.",
        )
        for flank, reach in (("drive", high), ("coast", -low))
        if reach < 0.05 * scale
    ]


def _speed_levels(data: FitData) -> list[Finding]:
    speed, count = data.speed_difference[data.sliding], data.count[data.sliding]
    # a reversal runs through all speeds within a moment: a level is where the unit is slipped for long
    order = np.argsort(speed)
    passed = np.cumsum(count[order]) / float(count.sum())
    slow, fast = speed[order][np.searchsorted(passed, [0.05, 0.95])]
    if float(fast) >= 1.25 * float(slow):
        return []
    return [
        Finding(
            "one speed level only",
            "caveat",
            "all sweeps",
            f"All slip is at {float(np.median(speed)):.3g} rad/s.",
            "Friction over speed and viscous drag are not determined; other speed differences are "
            "extrapolated.",
            "Add a speed sweep, or sweeps at two more speed levels.",
        )
    ]


def _slip_directions(data: FitData) -> list[Finding]:
    # a speed sweep that goes both ways at one torque tells nothing of gains: bias sweeps count
    swept = data.sliding & data.of_kind("bias-sweep")
    directions = np.unique(data.direction[swept if swept.any() else data.sliding])
    if directions.size > 1:
        return []
    return [
        Finding(
            "one slip direction only",
            "caveat",
            "bias sweeps" if swept.any() else "all sweeps",
            "The left output is always the " + ("faster one." if directions[0] > 0 else "slower one."),
            "A zero or gain difference of the transducers cannot be told from locking torque: the stated "
            "uncertainties count in full.",
            "Sweep with both outputs faster in turn.",
        )
    ]


def _temperature(data: FitData, reference: float) -> list[Finding]:
    if np.isfinite(data.oil[data.sliding]).any():
        return []
    return [
        Finding(
            "no temperature",
            "caveat",
            "all sweeps",
            "No temperature channel is recorded.",
            f"Everything counts as taken at {reference:g} °C; the effect of temperature is not determined.",
            "Record the oil temperature, or better that of the plates.",
        )
    ]


def _ramps_seen(tested: Tested) -> list[Finding]:
    return [
        Finding(
            f"{flank} ramps never overcame the preload",
            "caveat",
            "all sweeps",
            "The locking torque does not clearly leave the preload level on that flank.",
            f"The {flank} ramp bias is hardly or not determined, and nothing beyond the swept torque counts "
            "as tested.",
            f"Sweep to a higher {flank} torque.",
        )
        for flank, seen in (("drive", tested.drive_ramp_seen), ("coast", tested.coast_ramp_seen))
        if not seen
    ]


def _cells_apart(data: FitData, used: NDArray[np.bool_]) -> list[Finding]:
    rejected = int(data.count[~used].sum())
    if not rejected:
        return []
    share = rejected / float(data.count.sum())
    return [
        Finding(
            "cells apart from the fit",
            "caveat" if share > 0.01 else "note",
            "all sweeps",
            f"{rejected} samples ({100 * share:.2g} %) lie more than eight standard deviations off.",
            "They are left out.",
            "Look at them in the residual picture.",
        )
    ]
