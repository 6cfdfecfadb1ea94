"""Whether a log's torque is that at the unit's case: held against what the car gains in speed by it.

On drive the axle pays for mass times acceleration, and for drag and climbs beside. Torque at the crank or
the gearbox output is less by the ratios behind it, by three to fifteen; less than half no drag explains.
Common practice, no source.
"""

from __future__ import annotations

import numpy as np

from diffbench.answers.log_corners import BIN, Entries, smooth
from diffbench.documents.car import Car

FACTOR = 2.0
ON_DRIVE = 0.5  # of the torque that few bins exceed
FEW = 95.0  # per cent of drive below that
LEAST_DRIVE = 2.0  # s
LEAST_GAIN = 0.5  # m/s² on the mean: below, drag decides


def torque_elsewhere(entries: Entries, car: Car) -> str | None:
    """A finding where torque and gain of speed on drive are apart by more than `FACTOR`; None where they are
    not, or the log or the car cannot tell."""
    samples = entries.samples
    torque = samples.input_torque
    if torque is None or car.body is None or not (torque > 0.0).any():
        return None
    on = torque > ON_DRIVE * np.percentile(torque[torque > 0.0], FEW)
    gains = np.gradient(smooth(samples.speed), samples.time)
    mean, said = float(gains[on].mean()), float(torque[on].mean())
    if BIN * on.sum() < LEAST_DRIVE or mean < LEAST_GAIN:
        return None
    per = float(car.body.mass * car.axle.rolling_radius)  # N·m for each m/s²
    taken = per * mean
    # more than the mean takes may be drag and climbs: only what grows with acceleration counts
    beside = np.stack([gains[on], samples.speed[on] ** 2, np.ones(int(on.sum()))], axis=1)
    slope = float(np.linalg.lstsq(beside, torque[on], rcond=None)[0][0])
    told = (
        f"on drive the car gains {mean:.2g} m/s² on the mean; mass x acceleration x rolling radius is "
        f"{taken:.4g} N·m at the axle, and input_torque says {said:.4g} N·m"
    )
    if FACTOR * said < taken:
        return (
            f"{told}, less by a factor of {taken / said:.2g}: torque at the crank or gearbox output? At the "
            "case it is that times gear and final drive; or another axle drives, too"
        )
    if said > FACTOR * taken and slope > FACTOR * per:
        return f"{told}, more by a factor of {said / taken:.2g}: check its unit and gain, and the car's mass"
    return None
