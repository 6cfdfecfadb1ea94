"""Parts of one recording, conditioned one after the other, put together again as one run.

A long recording is never in memory whole (`diffbench.readers.read_parts`). What is left of a part, its cells,
the course of its torque and its heat, is a few thousandths of it. Turns are looked for anew along the whole
course, so that the ramps' history goes on where two parts meet.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.bench import Effect
from diffbench.conditioning.cells import Cells, Heat, Sweep, course_of
from diffbench.conditioning.findings import Finding
from diffbench.conditioning.histories import history_of
from diffbench.conditioning.run import ConditionedRun
from diffbench.conditioning.turning import turning_points

Array = NDArray[np.float64]
GRAVITY = ("stop", "caveat", "note")


def joined_run(parts: Sequence[ConditionedRun], course: Sweep) -> ConditionedRun:
    """One run of its parts (at least one), in the order of time, and of their joined course; a single part is
    returned as it is."""
    if len(parts) == 1:
        return parts[0]
    cells = _cells([part.cells for part in parts], course)
    weight = np.array([part.samples for part in parts], dtype=np.float64)
    dropped: Counter[str] = Counter()
    for part in parts:
        dropped.update(part.dropped)
    return ConditionedRun(
        name=parts[0].name,
        kind=parts[0].kind,
        cells=cells,
        input_torque=np.concatenate([part.input_torque for part in parts]),
        difference=np.concatenate([part.difference for part in parts]),
        effects={
            key: Effect(
                np.concatenate([part.effects[key].input_torque for part in parts]),
                np.concatenate([part.effects[key].difference for part in parts]),
                effect.noise_share,
            )
            for key, effect in parts[0].effects.items()
        },
        input_slope=np.concatenate([part.input_slope for part in parts]),
        locking_slope=np.concatenate([part.locking_slope for part in parts]),
        history=history_of(cells, course),
        heat=_heat([part.heat for part in parts]),
        dropped=dict(dropped),
        samples=int(weight.sum()),
        noise=float(np.sqrt(np.average([part.noise**2 for part in parts], weights=weight))),
        friction_state=np.concatenate([part.friction_state for part in parts]),
        history_known=False,
    )


def joined_sweep(parts: Sequence[Sweep]) -> Sweep:
    """The course of the input torque over all parts; a single part is returned as it is."""
    if len(parts) == 1:
        return parts[0]
    time, torque = (np.concatenate([getattr(part, name) for part in parts]) for name in ("time", "torque"))
    threshold, step = max(part.threshold for part in parts), max(part.step for part in parts)
    return course_of(
        time,
        torque,
        turns=turning_points(time, torque, threshold=threshold),
        total=float(time[-1] - time[0]),
        threshold=threshold,
        step=step,
    )


def told_once(parts: Sequence[Sequence[Finding]]) -> list[Finding]:
    """Findings of all parts; what several have is told as of the one where it is gravest, and of how many."""
    if len(parts) == 1:
        return list(parts[0])
    found: dict[tuple[str, str], Finding] = {}
    count: Counter[tuple[str, str]] = Counter()
    for part in parts:
        for finding in part:
            key = finding.name, finding.where
            count[key] += 1
            known = found.get(key)
            if known is None or GRAVITY.index(finding.severity) < GRAVITY.index(known.severity):
                found[key] = finding
    return [
        replace(
            finding,
            evidence=f"{finding.evidence} (The recording was looked at in {len(parts)} parts; that is of one "
            f"of the {count[key]} that show it.)",
        )
        for key, finding in found.items()
    ]


def _cells(parts: Sequence[Cells], course: Sweep) -> Cells:
    def all_of(field: Callable[[Cells], Array]) -> Array:
        return np.concatenate([field(part) for part in parts])

    def temperature(field: Callable[[Cells], Array | None]) -> Array | None:
        values = [field(part) for part in parts]
        if all(value is None for value in values):
            return None
        return np.concatenate(
            [
                np.full(part.time.size, np.nan) if value is None else value
                for part, value in zip(parts, values, strict=True)
            ]
        )

    def by_name(
        field: Callable[[Cells], Iterable[str]], get: Callable[[Cells, str], Array]
    ) -> dict[str, Array]:
        names = [name for name in field(parts[0]) if all(name in set(field(part)) for part in parts)]
        return {name: np.concatenate([get(part, name) for part in parts]) for name in names}

    time = all_of(lambda c: c.time)
    at = np.clip(np.searchsorted(course.time, time), 0, course.segment.size - 1)
    segment = course.segment[at]
    stretch = np.searchsorted([turn.time for turn in course.turns], time) + segment
    return Cells(
        time=time,
        count=all_of(lambda c: c.count),
        width=all_of(lambda c: c.width),
        direction=all_of(lambda c: c.direction),
        speed_difference=all_of(lambda c: c.speed_difference),
        oil=temperature(lambda c: c.oil),
        plate=temperature(lambda c: c.plate),
        readings=by_name(lambda c: c.readings, lambda c, name: c.readings[name]),
        rates=by_name(lambda c: c.rates, lambda c, name: c.rates[name]),
        speeds=by_name(lambda c: c.speeds, lambda c, name: c.speeds[name]),
        accelerations=by_name(lambda c: c.accelerations, lambda c, name: c.accelerations[name]),
        stretch=stretch.astype(np.int64),
        segment=segment.astype(np.int64),
    )


def _heat(parts: Sequence[Heat]) -> Heat:
    """Heat on one even clock: parts end within a step, and uneven steps cost much."""
    time = np.concatenate([part.time for part in parts])
    step = float(np.median(np.diff(time))) if time.size > 1 else 1.0
    even = time[0] + step * np.arange(round((time[-1] - time[0]) / step) + 1)
    power, rate = (np.concatenate([getattr(part, name) for part in parts]) for name in ("power", "oil_rate"))
    return Heat(even, np.interp(even, time, power), np.interp(even, time, rate))
