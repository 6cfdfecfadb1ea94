"""Readings held against what no differential can do, against the arrangement, and against the sheet's ramps.

Friction never drives: while the outputs slip, the slower one gets more torque, so −sgn(Δω)(T_L − T_R) is
never negative; nor does locking torque climb faster than the input torque. Part of the input torque in the
torque difference, whatever way the outputs slip, tells of another arrangement.

Exchanged output torques that are also both counted backwards (columns exchanged under one `sign = -1`, say)
leave the torque difference as it was and reverse the input torque: no friction drives then, and yet drive is
taken for coast. Only the ramps of the build sheet tell; there was no false alarm in 246 clean benches.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.cells import Cells
from diffbench.conditioning.run import ConditionedRun
from diffbench.documents import Build, Rig
from diffbench.documents.arrangements import OUTPUTS
from diffbench.errors import RecordingError

Array = NDArray[np.float64]


# A clean run has next to no cell below zero; a swap or a reversed sign puts a third or more of them there.
PASSIVE_SHARE = 0.9
# An open unit shows noise and zero errors only: where so few cells stand clear of them, nothing can be said
# of signs.
LEAST_CLEAR = 0.05
# An input torque that stays below this share of the locking torque, or within so many of its noise, is held
# at nothing: what locking torque does beside it (with speed, or heat) is no climb.
SWEPT, CLEAR = 0.15, 6.0


def passive_share(direction: Array, difference: Array, noise: float) -> float:
    """Share of cells whose locking torque is not negative, noise allowed for (weight by size, so that
    near-zero cells decide nothing); 1 where hardly any cell stands clear of the noise."""
    locking = -direction * difference
    size = np.clip(np.abs(locking) - 3.0 * noise, 0.0, None)
    if float(np.mean(size > 0.0)) < LEAST_CLEAR:
        return 1.0
    return float(size[locking > 0].sum()) / float(size.sum())


def holds_back(direction: Array, difference: Array, noise: float) -> bool:
    """Whether friction holds back, but for noise."""
    return passive_share(direction, difference, noise) >= PASSIVE_SHARE


def climb(input_torque: Array, locking: Array) -> tuple[float, float]:
    """Slope of the locking torque over the magnitude of the input torque in the upper half of the torques,
    and where that line starts at no input torque, as a share of the largest locking torque; (0, 0) where the
    torque hardly moves.

    >>> torque = np.linspace(0.0, 600.0, 200)
    >>> slope, start = climb(torque, 80.0 + 0.5 * torque)
    >>> (round(slope, 3), round(start, 3))
    (0.5, 0.211)
    """
    magnitude = np.abs(input_torque)
    upper = magnitude > 0.5 * float(magnitude.max(initial=0.0))
    if np.count_nonzero(upper) < 20 or float(np.ptp(magnitude[upper])) < 0.2 * float(magnitude.max()):
        return 0.0, 0.0
    slope, start = np.polyfit(magnitude[upper], locking[upper], 1)
    return float(slope), float(start) / max(float(np.abs(locking).max()), 1e-12)


def impossible_climb(direction: Array, input_torque: Array, locking: Array, noise: float) -> float | None:
    """Slope of the first flank that climbs as no unit that slips can, or None.

    Slip one way round only lets a reversed torque, or two that changed places, pass for passive: input torque
    and torque difference change places, and the slope is the true one's inverse, from a start below zero. No
    preload is negative, and a slope above 1.25 would be a unit that never slips. Each flank is looked at,
    where the input torque was swept at all.
    """
    ahead = float(np.mean(direction > 0))
    most = float(np.abs(input_torque).max(initial=0.0))
    if 0.1 < ahead < 0.9 or most < max(SWEPT * float(np.abs(locking).max(initial=0.0)), CLEAR * noise):
        return None
    for side in (input_torque > 0.0, input_torque < 0.0):
        torque = input_torque[side]
        if np.abs(torque).max(initial=0.0) < 0.25 * most:
            continue
        slope, start = climb(torque, locking[side])
        if slope > 1.25 or (slope > 1.0 and start < -0.1):
            return slope
    return None


# Gains are off by hundredths; a column that is another torque puts a third or more of the input torque there.
EVEN = 0.2
LEAST_ONE_WAY = 0.15
SHARP, SHARE = 0.02, 0.05  # standard uncertainty as of independent cells: absolute, or of the part itself


def even_part(direction: Array, speed: Array, input_torque: Array, difference: Array) -> float | None:
    """How much of the input torque is in the torque difference whatever way the outputs slip.

    ``a`` of ``T_L − T_R = a T_in + b − sgn(Δω)(c + d |T_in| + e |Δω| + f ln|Δω|)`` by least squares: none,
    but for what the transducers' gains are off, since locking torque changes sign with the slip. None where
    slip is nearly all one way, or torque and slip do not change independently enough to tell. All (c,).

    >>> s, t = np.tile([1.0, -1.0], 50), np.linspace(-300.0, 300.0, 100)
    >>> print(f"{abs(even_part(s, 4.0 + 0.0 * t, t, -s * (80.0 + 0.5 * np.abs(t)))):.3f}")
    0.000
    """
    ahead = float(np.mean(direction > 0))
    if min(ahead, 1.0 - ahead) < LEAST_ONE_WAY:
        return None
    fast = np.abs(speed)
    odd = np.stack([np.ones_like(fast), np.abs(input_torque), fast, np.log(np.maximum(fast, 1e-3))], axis=1)
    columns = np.column_stack([input_torque, np.ones_like(fast), direction[:, None] * odd])
    found = np.linalg.lstsq(columns, difference, rcond=None)[0]
    residual = difference - columns @ found
    variance = float(residual @ residual) / max(residual.size - columns.shape[1], 1)
    spread = np.linalg.pinv(columns.T @ columns)[0, 0] * variance
    return float(found[0]) if spread < max(SHARP, SHARE * abs(found[0])) ** 2 else None


def other_arrangements(
    rig: Rig, cells: Cells, input_torque: Array, difference: Array
) -> tuple[float, list[str]]:
    """The even part under the rig's arrangement, and in words what the columns would be where another one has
    next to none of it. ``input_torque`` and ``difference`` (c,) as the rig's arrangement has them.

    Nothing where the even part is small, or where slip one way only leaves it open.
    """
    even = even_part(cells.direction, cells.speed_difference, input_torque, difference)
    if even is None or abs(even) < EVEN:
        return 0.0, []
    readings = cells.readings
    tried: list[tuple[Array, Array, str]] = []
    if rig.arrangement == "both-outputs":
        left, right = readings["left_torque"], readings["right_torque"]
        for whole, one, sign, name in (
            (right, left, 1.0, "right_torque"),
            (left, right, -1.0, "left_torque"),
        ):
            text = (
                f"the column of {name} holds the input torque (name it input_torque and write arrangement = "
            )
            tried.append((whole, sign * (2.0 * one - whole), text + '"input-and-one-output")'))
    elif rig.arrangement == "input-and-one-output":
        left_read = "left_torque" in readings
        read, other = ("left_torque", "right_torque") if left_read else ("right_torque", "left_torque")
        apart = readings[read] - readings["input_torque"]
        text = f"the column of input_torque holds the other output's torque (name it {other} and write "
        tried.append(
            (
                readings[read] + readings["input_torque"],
                apart if left_read else -apart,
                text + 'arrangement = "both-outputs")',
            )
        )
    cures = []
    for whole, apart, text in tried:
        left_over = even_part(cells.direction, cells.speed_difference, whole, apart)
        # friction never drives
        holds_back = float(np.mean(cells.direction * apart < 0.0)) > 0.5
        if left_over is not None and abs(left_over) < 0.5 * EVEN and holds_back:
            cures.append(text)
    return abs(even), cures


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
