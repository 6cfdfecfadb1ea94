"""What the recordings covered, what they did not, and what that leaves open."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.findings import Finding
from diffbench.conditioning.samples import readable
from diffbench.fitting.bench_constants import constants_pulled
from diffbench.fitting.candidate import Candidate
from diffbench.fitting.data import FitData
from diffbench.plain_text import per_cent
from diffbench.results.characterisation import Tested
from diffbench.results.map_limits import PASSED_ON

Array = NDArray[np.float64]

# Beyond the flank's own ratio, how far the unloading branch may lie off where no ratio is known:
# cot(β−φ)/cot(β+φ) stays below two for ramps of 30 to 70 degrees and friction angles up to six (from the
# wedge formula).
LARGEST_RATIO = 2.0
# Thrust over what opens the preload contact, above which a flank of a greater-of unit counts as seen at work.
OPENED = 1.05
# Share of its peak below which a torque has come down, and in how many cells. By the wedge formula ramps of
# 30 to 70 degrees with friction angles of 2 to 6 follow from 0.87 to 0.51 of the peak on: of a torque that
# stays above, most show nothing, and what the others show is not told from scatter about the peak.
FALLEN, FEWEST_FALLEN = 0.8, 3
SMALL = 0.03  # of the largest torque: below, nothing tells what a flank bears
SLIPS = 1.25  # ramp bias: with more a unit never slips


def tested_region(
    candidate: Candidate,
    *,
    ratio_known: dict[str, bool],
    temperature_floor: float,
    visits: Sequence[int] | None,
) -> Tested:
    """Convex outline of the kept cells over input torque and speed difference, temperatures, and unloading
    limits.

    The unloading branch of a flank shows only below the peak torque divided by the unloading ratio; above,
    the thrust still stands at its peak value. Under the greater-of law a flank whose thrust never overcame
    the preload tells nothing about its ramp: ``*_ramp_seen`` is False, and the map counts nothing beyond as
    tested. Of several builds, ``visits`` are those of one: what another was tested at is no test of it.
    """
    data, x, model = candidate.model.data, candidate.x, candidate.model
    mine = _cells(candidate, visits)
    sweeps = candidate.used & data.sliding & mine
    plate = model.plate_temperature(x)
    if not sweeps.any():
        return Tested(
            outline=[],
            temperature_degC=(temperature_floor, temperature_floor),
            drive_unloading_Nm=0.0,
            coast_unloading_Nm=0.0,
            drive_ramp_seen=False,
            coast_ramp_seen=False,
        )
    torque, speed = data.input_torque[sweeps], data.speed_difference[sweeps]
    # the turns between the cells were reached too
    turns = data.turn_torque[mine[data.turn_near]]
    low, high = min(float(torque.min()), float(turns.min())), max(float(torque.max()), float(turns.max()))
    at_low, at_high = speed[np.argmin(torque)], speed[np.argmax(torque)]
    points = np.concatenate([np.stack([torque, speed], axis=1), [[low, at_low], [high, at_high]]])
    points = np.concatenate([points, _level_corners(torque, speed, low, high)])
    temperatures = readable(np.concatenate([data.oil[sweeps], plate[sweeps]]))
    temperatures = temperatures[np.isfinite(temperatures)]
    if not temperatures.size:
        temperatures = np.array([temperature_floor])
    limits: dict[str, float] = {}
    seen: dict[str, bool] = {}
    for flank, peak, ratios in (
        ("drive", high, _own(candidate, visits, "drive", model.sharing.drive_ratios)),
        ("coast", -low, _own(candidate, visits, "coast", model.sharing.coast_ratios)),
    ):
        ratio = (
            max(candidate.names.value(x, name) for name in ratios) if ratio_known[flank] else LARGEST_RATIO
        )
        limits[flank] = max(peak, 0.0) / ratio
        seen[flank] = ramp_seen(candidate, flank, visits)
    return Tested(
        outline=[(float(a), float(b)) for a, b in _hull(points)],
        temperature_degC=(float(np.min(temperatures)), float(np.max(temperatures))),
        drive_unloading_Nm=limits["drive"],
        coast_unloading_Nm=limits["coast"],
        drive_ramp_seen=seen["drive"],
        coast_ramp_seen=seen["coast"],
    )


def came_down(data: FitData, flank: str) -> bool:
    """Whether a torque was seen to come down far from its peak while a flank bore it and the plates slid: a
    flank bears anew after each moment at which it bears nothing, and in each run."""
    bears = np.where(data.sliding, data.input_torque if flank == "drive" else -data.input_torque, 0.0)
    least = SMALL * max(float(np.max(bears, initial=0.0)), 1e-9)
    anew = np.flatnonzero((bears[1:] <= 0.0) | (np.diff(data.run) != 0)) + 1
    fallen = sum(
        int(np.count_nonzero((part > least) & (part < FALLEN * np.maximum.accumulate(part))))
        for part in np.split(bears, anew)
    )
    return fallen >= FEWEST_FALLEN


def ramp_seen(candidate: Candidate, flank: str, visits: Sequence[int] | None = None) -> bool:
    """Whether a flank's ramps were seen at work, in the visits of one build or in all.

    Additive: wherever it was loaded at all. Greater-of: only where the loading thrust clearly overcame the
    preload; below that, the plates feel at most the joint fraction of it.
    """
    names, model, data = candidate.names, candidate.model, candidate.model.data
    mine = _cells(candidate, visits)
    torque = data.input_torque if flank == "drive" else -data.input_torque
    peak = float(torque[mine].max())
    if peak <= 0.02 * float(np.max(np.abs(data.input_torque))):
        return False
    law = model.form.preload
    if law.linear:
        return True
    # with the case held, a hand reading is locking and input torque in one: it would open any contact
    swept = data.sliding & mine
    peak = float(torque[swept].max()) if swept.any() else 0.0
    biases = model.sharing.drive_biases if flank == "drive" else model.sharing.coast_biases
    bias = max(names.value(candidate.x, name) for name in _own(candidate, visits, flank, biases))
    preloads = _own(candidate, visits, "preload", model.sharing.preloads)
    preload = min(names.value(candidate.x, name) for name in preloads)
    opening = law.opening(preload, names.values(candidate.x, law.unknowns))
    return opening is None or bool(bias * peak > OPENED * opening)


def may_be_closed(candidate: Candidate) -> bool:
    """Whether all that an additive law found of ramps may be what a contact passes on that never opened.

    Their thrust, at the largest torques, is no more than such a contact bears, and no bias is more than
    passes: of a unit that slips the ramps' own is below `SLIPS`.
    """
    names, sharing, torque = candidate.names, candidate.model.sharing, candidate.model.data.input_torque
    if not candidate.form.preload.linear:
        return False
    preload = min(names.value(candidate.x, name) for name in sharing.preloads)
    for biases, peak in (
        (sharing.drive_biases, float(torque.max())),
        (sharing.coast_biases, -float(torque.min())),
    ):
        bias = max(names.value(candidate.x, name) for name in biases)
        if bias > PASSED_ON * SLIPS or bias * peak > PASSED_ON / (1.0 - PASSED_ON) * preload:
            return False
    return True


def _cells(candidate: Candidate, visits: Sequence[int] | None) -> NDArray[np.bool_]:
    """The cells of some visits (c,), or all."""
    visit = candidate.model.data.visit
    return np.ones(visit.size, dtype=bool) if visits is None else np.isin(visit, visits)


def _own(
    candidate: Candidate, visits: Sequence[int] | None, part: str, names: Sequence[str]
) -> Sequence[str]:
    """Of the unknowns of a part, those of some visits."""
    if visits is None:
        return names
    return [names[place] for place in {getattr(candidate.model.sharing.places[v], part) for v in visits}]


def _level_corners(torque: Array, speed: Array, low: float, high: float) -> Array:
    """Each speed level was swept to its own extremes, between the averaged cells."""
    corners = []
    for level in (float(speed.min()), float(speed.max())):
        here = np.abs(speed - level) <= 0.1 * max(level, 1e-9)
        width = 0.03 * (high - low)
        first, last = float(torque[here].min()), float(torque[here].max())
        corners.append([low if first - low < width else first, level])
        corners.append([high if high - last < width else last, level])
    return np.array(corners)


def _hull(points: Array) -> Array:
    """Convex hull of points (n, 2), counter-clockwise (Andrew 1979, monotone chain)."""
    ordered = points[np.lexsort((points[:, 1], points[:, 0]))].tolist()

    def half(sequence: list[list[float]]) -> list[list[float]]:
        chain: list[list[float]] = []
        for p in sequence:
            while len(chain) >= 2 and _turn(chain[-2], chain[-1], p) <= 0:
                chain.pop()
            chain.append(p)
        return chain[:-1]

    hull = half(ordered) + half(ordered[::-1])
    return np.array(hull if hull else ordered[:1])


def _turn(a: list[float], b: list[float], c: list[float]) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def excitation_findings(candidate: Candidate, tested: Tested) -> list[Finding]:
    """Findings about slip directions, flanks, speed levels, temperatures, rejected cells and bench constants
    that cannot be as stated."""
    data = candidate.model.data
    found: list[Finding] = []
    if data.sliding.any():
        found += [*_flanks_swept(data), *_falls(data), *_speed_levels(data), *_slip_directions(data)]
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


def _falls(data: FitData) -> list[Finding]:
    bears = data.input_torque[data.sliding]
    scale = float(np.max(np.abs(data.input_torque)))
    still = [
        flank
        for flank, reach in (("drive", float(bears.max())), ("coast", -float(bears.min())))
        if reach >= 0.05 * scale and not came_down(data, flank)
    ]
    if not still:
        return []
    return [
        Finding(
            "no unloading",
            "caveat",
            "all sweeps",
            f"Under {' and '.join(still)} torque it never fell below {per_cent(FALLEN)} % of its peak under "
            "slip.",
            "Whether the ramps gave way is not seen: the unloading bias is not determined, and preload and "
            "ramp bias may be off by more than their intervals where torque only wandered.",
            "Sweep the input torque up to its peak and down again while the unit slips.",
        )
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
            "No run has a reading of a temperature.",
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
            f"{rejected} samples ({per_cent(share)} %) lie more than eight standard deviations off.",
            "They are left out.",
            "Look at them in the residual picture.",
        )
    ]
