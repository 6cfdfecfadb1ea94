"""Drive and coast held against the build sheet: which flank's ramps lock more.

Exchanged output torques that are also both counted backwards (columns exchanged under one `sign = -1`, say)
leave the torque difference as it was and reverse the input torque: no friction drives then, and yet drive is
taken for coast. Only the ramps of the build sheet tell.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.run import ConditionedRun
from diffbench.documents import Build, Rig
from diffbench.errors import RecordingError

Array = NDArray[np.float64]

# Ramps whose thrusts differ by less than a fifth are too much alike to tell by.
LEAST_APART = 0.2
# A flank whose ramps never overcame a greater-of preload climbs by gears and joint fraction alone.
LEAST_CLIMB = 0.08
LEAST_CELLS = 30
BEYOND = 2.0


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


def flank_climbs(runs: Sequence[ConditionedRun]) -> tuple[float | None, float | None]:
    """Slopes of the drive and of the coast flank over all bias sweeps."""
    sweeps = [run for run in runs if run.kind == "bias-sweep"]
    if not sweeps:
        return None, None
    torque = np.concatenate([run.input_torque for run in sweeps])
    locking = np.concatenate([run.locking for run in sweeps])
    rising = np.concatenate([run.input_torque * run.input_slope for run in sweeps]) > 0.0
    drive, coast = (
        climb_while_loading(torque[side], locking[side], rising[side])
        for side in (torque > 0.0, torque < 0.0)
    )
    return drive, coast


def exchanged_share(build: Build, drive: float | None, coast: float | None) -> float | None:
    """What the climbs of both flanks say of the sheet's ramps: 1 as the sheet has them, -1 the other way
    round; None where the sheet, or the sweep, cannot tell.

    A ramp at an angle β from the plane of rotation thrusts by cot β: held against each other are the
    logarithms of both ratios. Beyond two either way, something else is at work.
    """
    angles = build.ramps.drive_angle, build.ramps.coast_angle
    if angles[0] is None or angles[1] is None or drive is None or coast is None:
        return None
    thrusts = [1.0 / np.tan(angle.value) for angle in angles if angle is not None]
    if min(thrusts) <= 0.0 or min(drive, coast) < LEAST_CLIMB:
        return None
    stated = float(np.log(thrusts[0] / thrusts[1]))
    if abs(stated) < LEAST_APART:
        return None
    share = float(np.log(drive / coast)) / stated
    return share if abs(share) < BEYOND else None


def check_flanks(build: Build, rig: Rig, runs: Sequence[ConditionedRun]) -> None:
    """Refuse sweeps whose drive flank locks as the sheet's coast ramps would, and the other way round.

    The ratio of both flanks' slopes must be nearer, by far, to that of the exchanged angles than to that of
    the sheet's. Without both angles, or with ramps much alike, nothing can be said. Raises
    ``RecordingError``.
    """
    drive, coast = flank_climbs(runs)
    share = exchanged_share(build, drive, coast)
    if share is None or share > -0.5:
        return
    angles = build.ramps.drive_angle, build.ramps.coast_angle
    shown = [f"{np.degrees(angle.value):.4g} deg" for angle in angles if angle is not None]
    outputs = f"the torques are wired so ({_other_way_round(rig)})"
    sheet = (
        "the ring sits the other way round (exchange drive_angle and coast_angle in the build sheet), or the "
        'angles are from the axis (write angle_from = "axis" there, or take it out if they are not)'
    )
    # an input torque that is recorded besides, and agrees with the outputs, settles their signs
    settled = rig.arrangement == "both-outputs" and "input_torque" in rig.channel
    first, second = (sheet, outputs) if settled else (outputs, sheet)
    raise RecordingError.single(
        f"drive and coast are exchanged: locking torque climbs by {drive:.3g} of the input torque in drive "
        f"and by {coast:.3g} in coast, and the build sheet's ramps ({shown[0]} drive, {shown[1]} coast, from "
        "the plane of rotation) would do it the other way round",
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
    if rig.arrangement == "both-outputs":
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
