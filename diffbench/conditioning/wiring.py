"""Signs, sides, arrangement and flanks: readings that cannot be, and every wiring that would explain them.

Friction never drives: while the outputs slip, the slower one gets more torque, so −sgn(Δω)(T_L − T_R) is
never negative; nor does locking torque climb faster than the input torque. Part of the input torque in the
torque difference, whatever way the outputs slip, tells of another arrangement. Of every sign and swap that
would explain the readings, so that friction holds back again, two may give other maps: with both torques
reversed, and with left and right swapped, friction holds back, but what is drive in one is coast in the
other. So nothing is mended silently, and all that remain are named, ranked by whatever else was recorded and
by the build sheet.

Exchanged output torques that are also both counted backwards (columns exchanged under one `sign = -1`, say)
leave the torque difference as it was and reverse the input torque: no friction drives then, and yet drive is
taken for coast. Only the ramps of the build sheet tell; there was no false alarm in 246 clean benches.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning import bench
from diffbench.conditioning.bench import TorqueChain
from diffbench.conditioning.cells import Cells
from diffbench.conditioning.findings import Finding
from diffbench.conditioning.run import ConditionedRun
from diffbench.documents import Build, Rig
from diffbench.documents.arrangements import OUTPUTS
from diffbench.errors import Fault, Place, RecordingError
from diffbench.plain_text import per_cent

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
    signs = [f"sign = {-rig.channel[name].sign:g} in [channel.{name}]" for name in rig.equilibrium]
    which = "both signs" if len(signs) > 1 else "the sign"
    return f"reverse {which} and exchange the speeds: {', '.join(signs)}"


# Two measurements of one torque go together, or against each other, like this at least (as a cosine).
TOGETHER = 0.9
# Engines drive harder than they brake.
FURTHER = 1.2
#: Mistakes at once that are looked for.
MOST_MISTAKES = 3


@dataclass(frozen=True)
class Wiring:
    """One explanation: torques that count the other way (``reversed``), torque columns that are exchanged,
    slip of the other sign (``turned``); with what it makes of the readings, and what speaks for and against.

    ``backwards``: slip turns because both shafts count backwards, and not because they are exchanged.
    ``flanks`` are what the locking torque then does in drive and coast; ``drives``: whether the input torque
    goes further in drive (1), further in coast (-1), or neither (0).
    """

    reversed: tuple[str, ...] = ()
    exchanged: bool = False
    turned: bool = False
    backwards: bool = False
    flanks: Flanks | None = None
    drives: int = 0
    supports: tuple[str, ...] = ()
    refutes: tuple[str, ...] = ()

    @property
    def mistakes(self) -> int:
        """All torques reversed is one convention, not two mistakes."""
        return int(bool(self.reversed)) + int(self.exchanged) + int(self.turned)

    @property
    def rank(self) -> tuple[int, int, int]:
        """Smaller is likelier."""
        weight = len(self.refutes) - len(self.supports)
        return weight, -self.drives, self.mistakes - int(self.backwards)


def wirings(names: Sequence[str]) -> Iterator[Wiring]:
    """All of them, apart from that of the rig. Exchanging both torques and slip names the sides anew and
    changes nothing else."""
    flips = [tuple(some) for n in range(len(names) + 1) for some in combinations(names, n)]
    for flip in flips:
        for exchanged in (False, True) if len(names) == 2 else (False,):
            for turned in (False, True):
                if exchanged and turned and "input_torque" not in names:
                    continue
                wiring = Wiring(flip, exchanged, turned)
                if 1 <= wiring.mistakes <= MOST_MISTAKES:
                    yield wiring


def rewired(
    rig: Rig, chains: Mapping[str, TorqueChain], cells: Cells, wiring: Wiring
) -> tuple[Array, Array, Array]:
    """Input torque, torque difference (c,) [N·m] and direction of slip (c,) as they would be."""
    sides = {"left": "right", "right": "left"} if wiring.turned else {}
    pairs = dict(zip(chains, reversed(list(chains)), strict=True)) if wiring.exchanged else {}

    def torque(values: Mapping[str, Array]) -> dict[str, Array]:
        named = {name: values[pairs.get(name, name)] for name in chains}
        return {name: -value if name in wiring.reversed else value for name, value in named.items()}

    def shaft(values: Mapping[str, Array]) -> dict[str, Array]:
        return {name: values.get(sides.get(name, name), value) for name, value in values.items()}

    input_torque, difference = bench.torques(
        rig,
        chains,
        torque(cells.readings),
        torque(cells.rates),
        shaft(cells.speeds),
        shaft(cells.accelerations),
    )
    return input_torque, difference, -cells.direction if wiring.turned else cells.direction


def explanations(
    rig: Rig, chains: Mapping[str, TorqueChain], cells: Cells, *, noise: float
) -> tuple[Wiring, ...]:
    """The wirings of the fewest mistakes under which friction holds back, likeliest first; of more mistakes,
    where what else is recorded speaks against all of these."""
    found: list[Wiring] = []
    for mistakes in range(1, MOST_MISTAKES + 1):
        for wiring in wirings(tuple(chains)):
            if wiring.mistakes == mistakes:
                found += _judged(rig, chains, cells, wiring, noise)
        if any(not wiring.refutes for wiring in found):
            break
    return tuple(sorted(found, key=lambda wiring: wiring.rank))


def _judged(
    rig: Rig, chains: Mapping[str, TorqueChain], cells: Cells, wiring: Wiring, noise: float
) -> list[Wiring]:
    torque, difference, direction = rewired(rig, chains, cells, wiring)
    locking = -direction * difference
    if not holds_back(direction, difference, noise) or impossible_climb(direction, torque, locking, noise):
        return []
    speed = np.abs(cells.speed_difference) * direction
    even = even_part(direction, speed, torque, difference)
    if even is not None and abs(even) > EVEN:
        return []
    rising = torque * np.gradient(torque, cells.time) > 0.0 if torque.size > 2 else torque > np.inf
    flanks = Flanks.of(torque, locking, rising)
    ahead, back = flanks.reach
    drives = int(ahead > FURTHER * back) - int(back > FURTHER * ahead)
    supports, refutes = _recorded_besides(rig, chains, cells, wiring, torque)
    judged = replace(wiring, flanks=flanks, drives=drives, supports=supports, refutes=refutes)
    both = {"left_speed", "right_speed"} <= set(rig.channel)
    if wiring.turned and both and float(np.median(cells.speeds["case"])) < 0.0:
        return [replace(judged, backwards=True), judged]
    return [judged]


def _recorded_besides(
    rig: Rig, chains: Mapping[str, TorqueChain], cells: Cells, wiring: Wiring, torque: Array
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What columns that the arrangement does not need say for a wiring, and against it."""
    supports: list[str] = []
    refutes: list[str] = []
    if "input_torque" in cells.readings and "input_torque" not in chains:
        chain = bench.chain_of(rig, "input_torque", None)
        still = np.zeros_like(torque)
        speed = cells.speeds.get("case", np.ones_like(torque)) * chain.ratio
        other = chain.at_unit(cells.readings["input_torque"], still, speed, still)
        cosine = float(torque @ other) / max(float(np.linalg.norm(torque) * np.linalg.norm(other)), 1e-12)
        if cosine > TOGETHER:
            supports.append("the recorded input torque agrees")
        else:
            refutes.append("the recorded input torque speaks against it")
    if wiring.turned and {"left_speed", "right_speed", "speed_difference"} <= set(rig.channel):
        refutes.append("the recorded speed difference speaks against it")
    return tuple(supports), tuple(refutes)


# Speeds and torques by two loggers: most of a run still holds back, and all of it once a clock is shifted.
MOSTLY = 0.6
SHIFTED = 0.97
FARTHEST = 0.25  # of the run


def clock_offset(time: Array, direction: Array, difference: Array, noise: float) -> float | None:
    """By how many seconds the clock of the speeds is ahead of that of the torques, where such a shift makes
    all of a run hold back; None where none does, or too little of it holds back as it is. All (c,).

    >>> time = np.arange(0.0, 120.0, 0.5)
    >>> slip = lambda at: np.where(np.sin(at / 7.0) > 0.0, 1.0, -1.0)
    >>> clock_offset(time, slip(time - 4.0), -80.0 * slip(time), 1.0)
    4.0
    """
    if passive_share(direction, difference, noise) < MOSTLY:
        return None
    order = np.argsort(time, kind="stable")
    time, direction, difference = time[order], direction[order], difference[order]
    step, length = float(np.median(np.diff(time))), float(time[-1] - time[0])
    if not 0.0 < step < FARTHEST * length:
        return None
    shifts = step * np.arange(1, int(FARTHEST * length / step) + 1)
    shifts = np.concatenate([-shifts, shifts])
    shares = np.zeros_like(shifts)
    for i, shift in enumerate(shifts.tolist()):
        place = np.minimum(np.searchsorted(time, time + shift), time.size - 1)
        there = np.abs(time[place] - time - shift) < 2.0 * step
        if np.count_nonzero(there) > time.size / 2:
            shares[i] = passive_share(direction[place[there]], difference[there], noise)
    best = shares >= max(float(shares.max()) - 0.002, SHIFTED)
    # where slip turns again and again, the nearest of several is meant
    nearest = shifts[best][np.argmin(np.abs(shifts[best]))] if best.any() else None
    if nearest is None:
        return None
    around = best & (np.abs(shifts - nearest) <= 5.0 * step)
    return float(np.mean(shifts[around]))


# What drives in a run of one clock is less: the plates' own give, right after the slip has turned.
TOGETHER_SHARE = 0.985
LEAST_OFFSET = 0.3  # s


def clocks_seconds_apart(cells: Cells, difference: Array, *, noise: float, file: str) -> list[Finding]:
    """Speeds and torques of a run (c,) whose clocks are so far apart that it shows wherever the slip turns,
    and not so far that the run is refused."""
    share = passive_share(cells.direction, difference, noise)
    if share >= TOGETHER_SHARE:
        return []
    offset = clock_offset(cells.time, cells.direction, difference, noise)
    if offset is None or abs(offset) < LEAST_OFFSET:
        return []
    return [
        Finding(
            "clocks apart",
            "caveat",
            file,
            f"{per_cent(1.0 - share)} % of the torque difference drives instead of holding back, and next to "
            f"none if the clock of the speeds is {abs(offset):.2g} s "
            f"{'ahead of' if offset > 0.0 else 'behind'} that of the torques.",
            "Wherever the slip turns, torques and speeds belong to different moments.",
            "Set both loggers' clocks alike, or shift one column of times and join both again.",
        )
    ]


class WiringError(RecordingError):
    """Readings that cannot be, with every wiring that would explain them."""

    def __init__(
        self,
        rig: Rig,
        what: str,
        found: Sequence[Wiring],
        *,
        file: str | None,
        key: str,
        others: Sequence[str],
        offset: float | None = None,
    ) -> None:
        self.rig, self.what, self.found, self.others = rig, what, tuple(found), tuple(others)
        self.file, self.key, self.offset = file, key, offset
        super().__init__(Fault(what, Place(file, key=key), self._mend()))

    def with_sheet(self, build: Build) -> WiringError:
        """The same, ranked by the sheet's ramps as well."""
        found = []
        for wiring in self.found:
            share = exchanged_share(build, wiring.flanks)
            supports, refutes = wiring.supports, wiring.refutes
            if share is not None and share > 0.5:
                supports = (*supports, "the ramps of the build sheet agree")
            elif share is not None and share < -0.5:
                refutes = (*refutes, "the ramps of the build sheet speak against it")
            found.append(replace(wiring, supports=supports, refutes=refutes))
        found.sort(key=lambda wiring: wiring.rank)
        return WiringError(
            self.rig,
            self.what,
            found,
            file=self.file,
            key=self.key,
            others=self.others,
            offset=self.offset,
        )

    def _mend(self) -> str:
        named = [_words(self.rig, wiring) + _besides(wiring, self.found) for wiring in self.found]
        named += self.others
        if self.offset is not None:
            behind = "ahead of" if self.offset > 0.0 else "behind"
            named.insert(
                0,
                f"the clock of the speeds is some {abs(self.offset):.2g} s {behind} that of the torques (two "
                "loggers: shift one column of times by that, and join both again)",
            )
        if not named:
            return (
                "no swap or sign explains it: check which column is which, that both speeds are live, and "
                "that all torques are in the units that the rig says (lbf.ft taken as N.m on one side does "
                "this, too)"
            )
        if len(named) == 1:
            return named[0]
        listed = "; or ".join(f"({number}) {text}" for number, text in enumerate(named, 1))
        remain = [wiring for wiring in self.found if not wiring.refutes] or list(self.found)
        return f"likeliest first: {listed}. {_settled_by(self.rig, remain)}".strip()


def _besides(wiring: Wiring, found: Sequence[Wiring]) -> str:
    """What speaks for and against a wiring, where there are several."""
    if len(found) == 1:
        return ""
    said = [*wiring.supports, *wiring.refutes]
    if len({other.drives for other in found}) > 1 and wiring.drives:
        said.append(f"the sweep would go further in {'drive' if wiring.drives > 0 else 'coast'}")
    return f" [{', '.join(said)}]" if said else ""


def _settled_by(rig: Rig, remain: Sequence[Wiring]) -> str:
    """What would decide between those that remain."""
    told = []
    # all torques reversed exchanges drive and coast, a swap does not
    if len({bool(wiring.reversed) for wiring in remain}) > 1:
        record = "" if "input_torque" in rig.channel else "record input_torque, or "
        told.append(
            "Drive and coast hang on which it is: load the unit in drive and see whether the torques then "
            f"read positive, or {record}state both ramp angles in the build sheet"
        )
    swaps = [(wiring.exchanged, wiring.turned) for wiring in remain if not wiring.reversed]
    if (True, False) in swaps and (False, True) in swaps and set(rig.equilibrium) == set(OUTPUTS):
        told.append(
            "Which pair is swapped: turn one output by hand, and see whose torque and speed read "
            "(either gives the same numbers)"
        )
    return ". ".join(told)


def _words(rig: Rig, wiring: Wiring) -> str:
    """A wiring in words, with the lines to write into the rig."""
    names = list(bench.needed_torques(rig))
    parts: list[str] = []
    if wiring.exchanged:
        first, second = names
        words = "left and right are swapped" if "input_torque" not in names else "both torques are swapped"
        parts.append(
            f"{words} (exchange the columns of {first} and {second}: {_columns(rig, first, second)})"
        )
    if wiring.turned:
        parts.append(_backwards(rig) if wiring.backwards else _turned(rig))
    if wiring.reversed:
        lines = " and ".join(
            f"sign = {-rig.channel[name].sign:g} in [channel.{name}]" for name in wiring.reversed
        )
        if len(wiring.reversed) == 1:
            parts.append(f"the sign of {wiring.reversed[0]} is reversed (set {lines})")
        else:
            if set(wiring.reversed) == set(OUTPUTS):
                word = "delivered" if rig.outputs == "reaction" else "reaction"
                lines += f', or outputs = "{word}" at the top of the rig'
            parts.append(f"all torques count the other way, as reactions do (set {lines})")
    return ", and ".join(parts)


def _backwards(rig: Rig) -> str:
    lines = " and ".join(
        f"sign = {-rig.channel[name].sign:g} in [channel.{name}]" for name in ("left_speed", "right_speed")
    )
    return f"both speeds count backwards, as their sum does (set {lines})"


def _turned(rig: Rig) -> str:
    if "left_speed" in rig.channel and "right_speed" in rig.channel:
        lines = _columns(rig, "left_speed", "right_speed")
        mend = f"exchange the columns of left_speed and right_speed: {lines}"
    elif "speed_difference" in rig.channel:
        mend = (
            f"the sign of speed_difference: set sign = {-rig.channel['speed_difference'].sign:g} in "
            "[channel.speed_difference]"
        )
    else:
        own, other = (
            ("left_speed", "right_speed") if "left_speed" in rig.channel else ("right_speed", "left_speed")
        )
        mend = f"name [channel.{own}] {other}"
    one = next((name for name in ("left_torque", "right_torque") if name in rig.channel), None)
    if set(rig.equilibrium) != set(OUTPUTS) and one is not None:
        other = "right_torque" if one == "left_torque" else "left_torque"
        mend += f"; or name the measured output the other side: [channel.{other}] for [channel.{one}]"
    return f"left and right are swapped ({mend})"


def _columns(rig: Rig, first: str, second: str) -> str:
    """The lines that exchange two columns; their signs go with them."""
    lines = []
    for name, other in ((first, second), (second, first)):
        sign = rig.channel[other].sign
        also = f", sign = {sign:g}" if sign != rig.channel[name].sign else ""
        lines.append(f'column = "{rig.channel[other].column}"{also} in [channel.{name}]')
    return ", ".join(lines)


# Beside a free output the braked one carries P/(1 - K): friction and hysteresis move it, hardly to a fifth
# (common practice, no source), and never to nothing while the outputs slip.
LEAST_OF_BRAKED = 0.2


def _check_free_output(rig: Rig, whole: Array, file: str) -> None:
    """Refuse a braked torque that moves as it cannot while the other output is free: any such course would
    fit a unit that never slips."""
    if not rig.sits.one_runs_free:
        return
    for torque in (whole[whole > 0.0], -whole[whole < 0.0]):
        if torque.size < 20:
            continue
        low, high = np.quantile(torque, (0.05, 0.95))
        if low < LEAST_OF_BRAKED * high:
            raise RecordingError.single(
                f"the braked torque moves from {low:.3g} to {high:.3g} N·m while the outputs slip: with the "
                "other output free it is as large as the locking torque, which never is so small",
                file=file,
                key="arrangement",
                mend="if the other output is braked as well, one torque is not enough: measure both outputs "
                '(arrangement = "both-outputs") or the input ("input-and-one-output")',
            )


def check_signs(
    rig: Rig, chains: Mapping[str, TorqueChain], cells: Cells, *, noise: float, file: str
) -> None:
    """Refuse a run whose torques and speeds cannot belong together, naming what would make them fit.

    Raises ``WiringError`` when more than a tenth of the torque difference drives instead of holding back,
    when part of the input torque is in it whatever way the outputs slip, or when a one-sided run climbs as
    none can. Every wiring that would explain the readings is named. Never mended silently: a swap of the
    torques and a reversal of both cannot be told apart by them, and give other maps.
    """
    whole, difference = bench.at_cells(rig, chains, cells)
    _check_free_output(rig, whole, file)
    even, others = other_arrangements(rig, cells, whole, difference)
    noise = float(
        np.hypot(
            noise, sum((rig.channel[name].u_zero or 0.0) * chain.ratio for name, chain in chains.items())
        )
    )
    share = passive_share(cells.direction, difference, noise)
    slope = impossible_climb(cells.direction, whole, -cells.direction * difference, noise)
    if share < PASSIVE_SHARE:
        what = (
            f"{100 * (1 - share):.0f} % of the torque difference drives instead of holding back: while the "
            "outputs slip, the slower one must get more torque"
        )
    elif others:
        what = (
            f"{100 * even:.0f} % of the input torque is in the torque difference whatever way the outputs "
            f"slip: the arrangement {rig.arrangement!r} can't be true"
        )
    elif slope is not None:
        what = f"the locking torque climbs by {slope:.3g} of the input torque: no unit that slips can do so"
    else:
        return
    found = explanations(rig, chains, cells, noise=noise)
    key = "arrangement" if others and share >= PASSIVE_SHARE else "channel"
    offset = clock_offset(cells.time, cells.direction, difference, noise) if share < PASSIVE_SHARE else None
    raise WiringError(rig, what, found, file=file, key=key, others=others, offset=offset)
