"""From a log to the share kept: radii zeroed on straights, entries cut by stated rules, the signed difference
against the turn, corner by corner, with what the sensors leave in doubt.

The rules: the log is averaged over 0.05 s; a straight has less than 0.5 m/s² of lateral acceleration for half
a second; a corner more than 1 m/s² to one side, and 3 m/s² somewhere; its apex is where the path bends most
(both over 0.25 s); its first throttle is where drive is taken up for 0.2 s after engine braking; the entry
goes from the corner's beginning to whichever comes first. An entry with a wheel that locks or spins, 20 % off
the car's speed or the other wheel's for 0.1 s, is left out: no linear tyre does that. The rules are
common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from diffbench.answers.log_laps import Laps
from diffbench.documents.car import Car
from diffbench.errors import DocumentError

Array = NDArray[np.float64]
Stretch: TypeAlias = "slice[int, int, None]"

BIN = 0.05  # s
SMOOTH = 5  # bins
SLOWEST = 5.0  # m/s
STRAIGHT, STRAIGHT_BINS = 0.5, 10  # m/s², and half a second
CORNER, PEAK = 1.0, 3.0  # m/s²
SHORTEST = 6  # bins of an entry
TAKEN_UP = 4  # bins
FEWEST_STRAIGHTS = 3
SLIDES, SLIDES_BINS = 0.2, 2
UNEVEN = 0.05  # of the wheel speed on straights, off what is usual: a wheel that locks
REVERSED = -0.3  # correlation of drive with what it does to the speed


@dataclass(frozen=True)
class Samples:
    """A log in SI, all (n,): time [s], wheel speeds [rad/s], speed [m/s], yaw rate [rad/s] to the left;
    torque at the case and of each brake [N·m], temperature [°C]; ``coasts`` where no drive is on, None where
    nothing says it; ``notes`` of their reading; ``laps``, where they begin. ``brake_pressures`` (n, 2) are of
    the left and the right brake [Pa], where there are both; ``brakes_told`` is whether anything says the
    brakes' torque. ``u_yaw`` is the relative standard uncertainty of the yaw rate's gain, ``u_speed`` of the
    speed's, ``u_wheel`` of a wheel speed's, common to both, ``u_torque`` and ``u_brake`` of the torques',
    ``u_temperature`` that of the temperature [K]. Without ``wheels`` it is a course as it is to be driven,
    and the wheel speeds are the car's."""

    time: Array
    left: Array
    right: Array
    speed: Array
    yaw_rate: Array
    input_torque: Array | None
    brake_torque: Array
    temperature: Array
    coasts: NDArray[np.bool_] | None
    u_yaw: float = 0.0
    u_wheel: float = 0.0
    u_speed: float = 0.0
    wheels: bool = True
    notes: tuple[str, ...] = ()
    laps: Laps = ()
    brake_pressures: Array | None = None
    brakes_told: bool = False
    u_brake: float = 0.0
    u_torque: float = 0.0
    u_temperature: float = 0.0


@dataclass(frozen=True)
class Corner:
    """One entry: from and to when [s], which bins, and the sense of the turn (1 to the left)."""

    start: float
    end: float
    bins: Stretch
    sense: int
    ends_by: str


@dataclass(frozen=True)
class Entries:
    """The entries of a log, on bins: averaged ``samples`` with the yaw rate zeroed, ``straights``,
    ``corners``; ``ratio`` (right less left over their mean, on straights) and ``yaw_zero`` [rad/s], each with
    its standard uncertainty; ``wheel_noise`` [rad/s] and ``yaw_noise`` of a sum of bins over the root of
    their number; ``sliding``, when entries begin that were left out [s]."""

    samples: Samples
    straights: tuple[Stretch, ...]
    corners: tuple[Corner, ...]
    ratio: float
    ratio_u: float
    yaw_zero: float
    yaw_zero_u: float
    wheel_noise: float
    yaw_noise: float
    sliding: tuple[float, ...] = ()


@dataclass(frozen=True)
class Kept:
    """Sums of a set of entries: the difference against the turn and that of free rolling [rad], the share
    kept, the mean difference [rad/s]."""

    difference: float
    free: float
    share: float
    mean_difference: float


def entries_of(samples: Samples, *, file: str | None = None) -> Entries:
    """Straights and entries of a log, zeroed.

    Parameters
    ----------
    samples : Samples
        The log.
    file : str or None
        Its file, for messages.

    Returns
    -------
    The entries.

    Raises
    ------
    DocumentError
        There are too few straights to zero the radii on, or there is no entry; or torque or throttle are
        reversed.
    """
    binned = _binned(samples)
    _turns(binned, file)
    _not_reversed(binned, file)
    if not binned.wheels:  # a course as it is to be driven: there is nothing to zero
        return Entries(binned, (), _some(binned, file), 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    zero = zero_u = 0.0
    straights: tuple[Stretch, ...] = ()
    for _ in range(2):  # a zero of the gyroscope moves what counts as straight
        level = replace(binned, yaw_rate=binned.yaw_rate - zero)
        straights = _straights(level)
        if len(straights) < FEWEST_STRAIGHTS:
            raise DocumentError.single(
                f"the log has {len(straights)} straights of half a second, {FEWEST_STRAIGHTS} are needed to "
                "zero the wheels' radii on",
                file=file,
                mend="log whole laps, or a stretch driven straight",
            )
        zero, zero_u = _mean_of([binned.yaw_rate[part] for part in straights])
    level = replace(binned, yaw_rate=binned.yaw_rate - zero)
    apart = 2.0 * (level.right - level.left) / (level.right + level.left)
    ratio, ratio_u = _mean_of([apart[part] for part in straights])
    every = _some(level, file)
    corners = tuple(c for c in every if not _slides(level, straights, c))
    if not corners:
        raise DocumentError.single(
            f"a wheel locks or spins in all {len(every)} corner entries: nothing of the unit is told by them",
            file=file,
            mend="drive entries in which the wheels of the axle hold, or check the wheel speeds",
        )
    around = 0.5 * (level.right + level.left)
    return Entries(
        level,
        straights,
        corners,
        ratio,
        ratio_u,
        zero,
        zero_u,
        _noise([(apart[part] - np.mean(apart[part])) * around[part] for part in straights]),
        _noise([level.yaw_rate[part] - np.mean(level.yaw_rate[part]) for part in straights]),
        tuple(c.start for c in every if c not in corners),
    )


def _slides(samples: Samples, straights: tuple[Stretch, ...], corner: Corner) -> bool:
    """Whether a wheel locks or spins in an entry: by the car's speed, what it reads on straights counting as
    rolling, or by the other wheel."""
    rolls = [
        np.concatenate([wheel[p] / samples.speed[p] for p in straights]).mean() for wheel in _wheels(samples)
    ]
    left, right = (
        wheel[corner.bins] / (roll * samples.speed[corner.bins])
        for wheel, roll in zip(_wheels(samples), rolls, strict=True)
    )
    off = (np.abs(right - left) > SLIDES) | (np.minimum(left, right) < 1.0 - SLIDES)
    return int(off.sum()) >= SLIDES_BINS


def _wheels(samples: Samples) -> tuple[Array, Array]:
    return samples.left, samples.right


def _not_reversed(samples: Samples, file: str | None) -> None:
    """Refuse drive that slows the car down."""
    faster = np.gradient(smooth(samples.speed), samples.time)
    drives = None if samples.coasts is None else 1.0 - samples.coasts
    for name, values in (("input_torque", samples.input_torque), ("throttle", drives)):
        if values is None or np.ptp(values) == 0.0 or np.ptp(faster) == 0.0:
            continue
        agree = float(np.corrcoef(values, faster)[0, 1])
        if agree < REVERSED:
            raise DocumentError.single(
                f"{name} says drive where the car slows down, and coast where it gains speed (correlation "
                f"{agree:.2f}): it is reversed",
                file=file,
                mend="write sign = -1 under [channel.input_torque]"
                if name == "input_torque"
                else "export throttle so that 0 is released and 1 is down",
            )


def _turns(samples: Samples, file: str | None) -> None:
    """Refuse a log without a corner before asking it for straights."""
    largest = float(np.abs(smooth(samples.speed * samples.yaw_rate)).max())
    if largest < PEAK:
        raise DocumentError.single(
            f"the log has no corner entry: none with {PEAK:g} m/s² of lateral acceleration, the largest is "
            f"{largest:.2g}",
            file=file,
            mend="check the unit of yaw rate and speed in the log sheet",
        )


def _some(samples: Samples, file: str | None) -> tuple[Corner, ...]:
    corners = _corners(samples)
    if corners:
        return corners
    raise DocumentError.single(
        f"the log has no corner entry: where lateral acceleration comes to {PEAK:g} m/s², drive is on "
        "from the corner's beginning, or it lasts less than 0.3 s",
        file=file,
        mend="check sign and unit of input_torque and throttle in the log sheet",
    )


def difference_of(entries: Entries, ratio: float) -> Array:
    """Speed difference of the wheels, right less left [rad/s], bin by bin, with radii that differ by a ratio
    zeroed."""
    samples = entries.samples
    return samples.right * (1.0 - 0.5 * ratio) - samples.left * (1.0 + 0.5 * ratio)


def kept_over(difference: Array, entries: Entries, corners: tuple[Corner, ...], car: Car) -> Kept:
    """What is kept of free rolling over entries, of a difference right less left [rad/s] on their bins.

    S = Σ s (omega_R − omega_L) / Σ s psi' t/r, with s the sense of each turn: signed, so that noise does not
    add up
    """
    free = entries.samples.yaw_rate * (car.axle.track / car.axle.rolling_radius)
    both = [
        (c.sense * difference[c.bins].sum(), c.sense * free[c.bins].sum(), c.bins.stop - c.bins.start)
        for c in corners
    ]
    kept, asked, count = (float(sum(column)) for column in zip(*both, strict=True))
    return Kept(kept * BIN, asked * BIN, kept / asked, kept / count)


def smooth(values: Array) -> Array:
    """Mean over `SMOOTH` bins around each."""
    window = np.ones(SMOOTH)
    return np.asarray(np.convolve(values, window, "same") / np.convolve(np.ones(values.size), window, "same"))


def _binned(samples: Samples) -> Samples:
    """Means over `BIN`; a bin without a sample, or with one that is missing, is none."""
    place = np.floor((samples.time - samples.time[0]) / BIN + 1e-9).astype(np.int64)
    whole = np.ones(place.size, dtype=bool)
    for values in vars(samples).values():
        if isinstance(values, np.ndarray):
            whole &= np.isfinite(values if values.ndim == 1 else values.sum(axis=1))
    place = np.where(whole, place, 0)
    count = np.bincount(place, weights=whole.astype(np.float64))
    there = count > 0.0

    def mean(values: Array) -> Array:
        total = np.bincount(place, weights=np.where(whole, values, 0.0))
        return np.asarray(total[there] / count[there])

    return Samples(
        time=mean(samples.time),
        left=mean(samples.left),
        right=mean(samples.right),
        speed=mean(samples.speed),
        yaw_rate=mean(samples.yaw_rate),
        input_torque=None if samples.input_torque is None else mean(samples.input_torque),
        brake_torque=mean(samples.brake_torque),
        temperature=mean(samples.temperature),
        brake_pressures=None
        if samples.brake_pressures is None
        else np.stack([mean(column) for column in samples.brake_pressures.T], axis=1),
        coasts=None if samples.coasts is None else mean(samples.coasts.astype(np.float64)) > 0.5,
        u_yaw=samples.u_yaw,
        u_wheel=samples.u_wheel,
        u_speed=samples.u_speed,
        wheels=samples.wheels,
        notes=samples.notes,
        laps=samples.laps,
        brakes_told=samples.brakes_told,
        u_brake=samples.u_brake,
        u_torque=samples.u_torque,
        u_temperature=samples.u_temperature,
    )


def _runs(mask: NDArray[np.bool_], time: Array) -> list[Stretch]:
    """Stretches of a mask that no gap in time breaks."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    found = []
    for first, last in edges.reshape(-1, 2).tolist():
        gaps = (np.flatnonzero(np.diff(time[first:last]) > 2.0 * BIN) + 1 + first).tolist()
        found += [slice(a, b) for a, b in zip([first, *gaps], [*gaps, last], strict=True)]
    return found


def _straights(samples: Samples) -> tuple[Stretch, ...]:
    across = np.abs(smooth(samples.speed * samples.yaw_rate))
    mask = (across < STRAIGHT) & (samples.speed > SLOWEST)
    if mask.any():
        both = np.maximum(samples.left + samples.right, 1e-9)
        apart = 2.0 * (samples.right - samples.left) / both
        mask &= np.abs(apart - np.median(apart[mask])) < UNEVEN
    return tuple(part for part in _runs(mask, samples.time) if part.stop - part.start >= STRAIGHT_BINS)


def _corners(samples: Samples) -> tuple[Corner, ...]:
    across = smooth(samples.speed * samples.yaw_rate)
    bend = np.abs(smooth(samples.yaw_rate / np.maximum(samples.speed, SLOWEST)))
    found = []
    for sense in (1, -1):
        for part in _runs((sense * across > CORNER) & (samples.speed > SLOWEST), samples.time):
            if (sense * across[part]).max() < PEAK:
                continue
            end, why = part.start + int(bend[part].argmax()) + 1, "apex"
            throttle = _first_throttle(samples.coasts, part)
            if throttle is not None and throttle < end:
                end, why = throttle, "first throttle"
            if end - part.start < SHORTEST:
                continue
            bins = slice(part.start, end)
            last = min(end, samples.time.size - 1)
            found.append(Corner(float(samples.time[part.start]), float(samples.time[last]), bins, sense, why))
    return tuple(sorted(found, key=lambda corner: corner.start))


def _first_throttle(coasts: NDArray[np.bool_] | None, part: Stretch) -> int | None:
    """The bin from which on drive is on for `TAKEN_UP` bins; None where it never is, or nothing says it."""
    if coasts is None:
        return None
    drives = ~coasts[part]
    held = np.convolve(drives, np.ones(TAKEN_UP), "valid") >= TAKEN_UP
    return part.start + int(held.argmax()) if held.any() else None


def _mean_of(parts: list[Array]) -> tuple[float, float]:
    """Mean over stretches weighted by their length, and its standard uncertainty by how they scatter."""
    size = np.array([part.size for part in parts], dtype=np.float64)
    means = np.array([part.mean() for part in parts])
    mean = float((size * means).sum() / size.sum())
    spread = float((size**2 * (means - mean) ** 2).sum()) * size.size / (size.size - 1)
    return mean, float(np.sqrt(spread)) / float(size.sum())


def _noise(parts: list[Array]) -> float:
    """Standard deviation of a sum of bins over the root of their number: blocks of five, so that noise which
    goes on from bin to bin counts in full."""
    sums = [
        part[: part.size // SMOOTH * SMOOTH].reshape(-1, SMOOTH).sum(axis=1)
        for part in parts
        if part.size >= SMOOTH
    ]
    freedom = sum(part.size // SMOOTH * SMOOTH / part.size * (part.size - 1) / SMOOTH for part in parts)
    total = sum(float((each**2).sum()) for each in sums)
    return float(np.sqrt(total / SMOOTH / max(freedom, 1.0)))
