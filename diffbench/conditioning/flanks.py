"""Drive and coast held against the build sheet: which flank's ramps lock more.

Exchanged output torques that are also both counted backwards (columns exchanged under one `sign = -1`, say)
leave the torque difference as it was and reverse the input torque: no friction drives then, and yet drive is
taken for coast. Only the ramps of the build sheet tell; there was no false
alarm in 246 clean benches.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.run import ConditionedRun
from diffbench.documents import Build
from diffbench.errors import RecordingError

Array = NDArray[np.float64]

# Ramps whose thrusts differ by less than a fifth are too much alike to tell by.
LEAST_APART = 0.2
# A flank whose ramps never overcame a greater-of preload climbs by gears and joint fraction alone.
LEAST_CLIMB = 0.08
LEAST_CELLS = 30


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


def check_flanks(build: Build, runs: Sequence[ConditionedRun]) -> None:
    """Refuse sweeps whose drive flank locks as the sheet's coast ramps would, and the other way round.

    A ramp at an angle β from the plane of rotation thrusts by cot β. The ratio of both flanks' slopes must be
    nearer, by far, to that of the exchanged angles than to that of the sheet's. Without both angles, or with
    ramps much alike, nothing can be said. Raises ``RecordingError``.
    """
    angles = build.ramps.drive_angle, build.ramps.coast_angle
    if angles[0] is None or angles[1] is None:
        return
    thrusts = [1.0 / np.tan(angle.value) for angle in angles if angle is not None]
    if min(thrusts) <= 0.0:
        return
    stated = float(np.log(thrusts[0] / thrusts[1]))
    drive, coast = flank_climbs(runs)
    if drive is None or coast is None or abs(stated) < LEAST_APART or min(drive, coast) < LEAST_CLIMB:
        return
    share = float(np.log(drive / coast)) / stated  # 1 as the sheet says, -1 exchanged
    if not -2.0 < share < -0.5:
        return
    shown = [f"{np.degrees(angle.value):.4g} deg" for angle in angles if angle is not None]
    raise RecordingError.single(
        f"drive and coast are exchanged: locking torque climbs by {drive:.3g} of the input torque in drive "
        f"and by {coast:.3g} in coast, and the build sheet's ramps ({shown[0]} drive, {shown[1]} coast, from "
        "the plane of rotation) would do it the other way round",
        file=runs[0].name,
        key="channel",
        mend="if the outputs are wired so, exchange the columns of both torques and reverse both signs; if "
        "the ring sits the other way round, exchange drive_angle and coast_angle in the build sheet; if the "
        'angles are from the axis, write angle_from = "axis" there, or take it out if they are not',
    )
