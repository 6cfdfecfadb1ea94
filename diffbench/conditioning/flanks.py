"""Drive and coast held against the build sheet: which flank's ramps lock more.

Exchanged output torques that are also both counted backwards (columns exchanged under one `sign = -1`, say)
leave the torque difference as it was and reverse the input torque: no friction drives then, and yet drive is
taken for coast. Only the ramps of the build sheet tell; there was no false
alarm in 246 clean benches.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.run import ConditionedRun
from diffbench.documents import Build, Rig
from diffbench.documents.arrangements import OUTPUTS
from diffbench.errors import RecordingError

Array = NDArray[np.float64]

# Ramps whose thrusts differ by less than a fifth are too much alike to tell by.
LEAST_APART = 0.2
# A flank whose ramps never overcame a greater-of preload climbs by gears and joint fraction alone.
LEAST_CLIMB = 0.08
LEAST_CELLS = 30
# Beyond twice the stated ratio something else is at work, such as a preload that one flank hardly overcame
BEYOND = 2.0
# ... but not where that flank was swept half further than where the other one overcame it.
OVERCOME = 1.5
FLAT = 0.02  # a climb that gears alone make


def climb_while_loading(torque: Array, locking: Array, loading: NDArray[np.bool_]) -> float | None:
    """Slope of the locking torque over the magnitude of the input torque of one flank, in the upper half of
    its torques while they rise; None where too few cells do.

    Parameters: all (c,); ``torque`` and ``locking`` [N·m].

    >>> torque = np.linspace(0.0, 600.0, 200)
    >>> round(climb_while_loading(torque, 80.0 + 0.5 * torque, torque >= 0.0), 3)
    0.5
    """
    magnitude = np.abs(torque)
    if magnitude.size == 0:
        return None
    upper = loading & (magnitude > 0.5 * float(magnitude.max()))
    if np.count_nonzero(upper) < LEAST_CELLS or float(np.ptp(magnitude[upper])) == 0.0:
        return None
    return float(np.polyfit(magnitude[upper], locking[upper], 1)[0])


@dataclass(frozen=True)
class Flanks:
    """What the locking torque does on both flanks: its climb in ``drive`` and ``coast`` over the input torque
    while that rises, how far each was swept (``reach`` [N·m]), and the ``level`` [N·m] at next to no input
    torque."""

    drive: float | None
    coast: float | None
    reach: tuple[float, float]
    level: float

    @classmethod
    def of(cls, torque: Array, locking: Array, rising: NDArray[np.bool_]) -> Flanks:
        """Parameters: all (c,); ``torque`` and ``locking`` [N·m], ``rising`` in magnitude."""
        sides = (torque > 0.0, torque < 0.0)
        drive, coast = (climb_while_loading(torque[side], locking[side], rising[side]) for side in sides)
        ahead, back = (float(np.abs(torque[side]).max(initial=0.0)) for side in sides)
        low = np.abs(torque) <= np.quantile(np.abs(torque), 0.15)
        return cls(drive, coast, (ahead, back), float(np.median(locking[low])))


def flanks_of(runs: Sequence[ConditionedRun]) -> Flanks | None:
    """Both flanks over all bias sweeps; None without one."""
    sweeps = [run for run in runs if run.kind == "bias-sweep"]
    if not sweeps:
        return None
    torque = np.concatenate([run.input_torque for run in sweeps])
    locking = np.concatenate([run.locking for run in sweeps])
    rising = np.concatenate([run.input_torque * run.input_slope for run in sweeps]) > 0.0
    return Flanks.of(torque, locking, rising)


def exchanged_share(build: Build, seen: Flanks | None) -> float | None:
    """What the climbs of both flanks say of the sheet's ramps: 1 as the sheet has them, -1 the other way
    round; None where the sheet, or the sweep, cannot tell.

    A ramp at an angle β from the plane of rotation thrusts by cot β: held against each other are the
    logarithms of both ratios. A flank that hardly climbs may not have overcome a greater-of preload: it tells
    where it was swept well beyond the torque at which the other flank did.
    """
    angles = build.ramps.drive_angle, build.ramps.coast_angle
    if seen is None or seen.drive is None or seen.coast is None or angles[0] is None or angles[1] is None:
        return None
    thrusts = [1.0 / np.tan(angle.value) for angle in angles if angle is not None]
    strong, weak = max(seen.drive, seen.coast), min(seen.drive, seen.coast)
    if min(thrusts) <= 0.0 or strong < 2.0 * LEAST_CLIMB:
        return None
    stated = float(np.log(thrusts[0] / thrusts[1]))
    if abs(stated) < LEAST_APART:
        return None
    share = float(np.log(max(seen.drive, FLAT) / max(seen.coast, FLAT))) / stated
    beyond = seen.reach[0 if seen.drive < seen.coast else 1] > OVERCOME * seen.level / strong
    return share if beyond or (weak > LEAST_CLIMB and abs(share) < BEYOND) else None


def check_flanks(build: Build, rig: Rig, runs: Sequence[ConditionedRun]) -> None:
    """Refuse sweeps whose drive flank locks as the sheet's coast ramps would, and the other way round.

    The ratio of both flanks' slopes must be nearer, by far, to that of the exchanged angles than to that of
    the sheet's. Without both angles, or with ramps much alike, nothing can be said. Raises
    ``RecordingError``.
    """
    seen = flanks_of(runs)
    share = exchanged_share(build, seen)
    if seen is None or share is None or share > -0.5:
        return
    angles = build.ramps.drive_angle, build.ramps.coast_angle
    shown = [f"{np.degrees(angle.value):.4g} deg" for angle in angles if angle is not None]
    outputs = f"the torques are wired so ({_other_way_round(rig)})"
    sheet = (
        "the ring sits the other way round (exchange drive_angle and coast_angle in the build sheet), or the "
        'angles are from the axis (write angle_from = "axis" there, or take it out if they are not)'
    )
    # an input torque that is recorded besides, and agrees with the outputs, settles their signs
    settled = set(rig.equilibrium) == set(OUTPUTS) and "input_torque" in rig.channel
    first, second = (sheet, outputs) if settled else (outputs, sheet)
    raise RecordingError.single(
        f"drive and coast are exchanged: locking torque climbs by {seen.drive:.3g} of the input torque in "
        f"drive and by {seen.coast:.3g} in coast, and the build sheet's ramps ({shown[0]} drive, "
        f"{shown[1]} coast, from the plane of rotation) would do it the other way round",
        file=runs[0].name,
        key="channel",
        mend=f"either {first}; or {second}. "
        + (
            "The recorded input torque agrees with the outputs, so look at the ring first"
            if settled
            else "Load the unit in drive: where the input torque then comes out negative, it is the wiring"
        ),
    )


def _other_way_round(rig: Rig) -> str:
    """The lines that turn the input torque round and leave locking torque as it was."""
    if set(rig.equilibrium) == set(OUTPUTS):
        left, right = rig.channel["left_torque"], rig.channel["right_torque"]
        return (
            "exchange the columns of both torques and reverse both signs: "
            f'column = "{right.column}", sign = {-right.sign:g} in [channel.left_torque], '
            f'column = "{left.column}", sign = {-left.sign:g} in [channel.right_torque]'
        )
    side = "left_torque" if "left_torque" in rig.channel else "right_torque"
    return (
        "reverse both signs and exchange the speeds: "
        f"sign = {-rig.channel['input_torque'].sign:g} in [channel.input_torque], "
        f"sign = {-rig.channel[side].sign:g} in [channel.{side}]"
    )
