"""A recording as samples of the bench's own quantities, each kept or left out for a counted reason; which of
them slip, which hold still, and which have only just begun to slip.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum
from typing import Self

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.smoothing import local_mean, rate_of_change, spikes, usual_step, white_noise
from diffbench.documents import Rig
from diffbench.errors import RecordingError
from diffbench.recording import Recording

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]


# The friction surfaces give way elastically before they slide. Plates in oil are through that after a few
# hundredths of a radian; three tenths of relative rotation is well past it (common practice, no source).
SETTLING_ANGLE = 0.3  # rad
# A first-order lag is down to 1 % of a step after five time constants (exp(-5) = 0.7 %).
SETTLING_LAGS = 5.0
# Slower than this, a bench's drives do not turn steadily (common practice, no source).
LEAST_SLIP = 0.05  # rad/s
SMOOTHED = 0.1  # s


@dataclass(frozen=True)
class Motion:
    """The speed difference smoothed [rad/s], its sign where the outputs slip (0 where they hold), and what
    has settled."""

    speed_difference: Array
    direction: NDArray[np.int8]
    settled: Flags

    @property
    def slips(self) -> Flags:
        """Where the outputs slip."""
        return np.asarray(self.direction != 0)


def least_slip(speed_difference: Array, width: int) -> float:
    """What counts as slip of speed differences (n,) averaged over ``width`` samples [rad/s]."""
    return max(LEAST_SLIP, 4.0 * white_noise(speed_difference) / float(np.sqrt(width)))


def slip(time: Array, speed_difference: Array, *, lag: float = 0.0, ahead: float = 0.0) -> Motion:
    """Tell slipping from holding.

    Parameters: ``time`` (n,) [s]; ``speed_difference`` (n,) [rad/s], NaN = missing; ``lag`` the slowest
    transducer's first-order time constant [s]; ``ahead`` how far rates of change look ahead [s]. Slip counts
    as such where the smoothed speed difference stands clear of its own noise (4 standard deviations) and of
    ``LEAST_SLIP``; it has settled once the plates have turned ``SETTLING_ANGLE`` against each other in this
    direction and the lag has died away, and until the next change of direction comes in sight. While they
    hold, the torque difference is a bound on the locking torque, not a sample of it.
    """
    step = usual_step(time) if time.size > 1 else 1.0
    width = max(1, round(SMOOTHED / step))
    smooth = local_mean(speed_difference, width)
    threshold = least_slip(speed_difference, width)
    known = np.isfinite(smooth)
    size = np.abs(smooth)
    size[~known] = 0.0
    slips = size > threshold
    direction = np.zeros(time.size, dtype=np.int8)
    direction[slips] = 1
    direction[slips & (smooth < 0.0)] = -1

    # what passed since the direction last changed, by sums that restart at each change
    change = np.flatnonzero(direction[1:] != direction[:-1]) + 1
    starts = np.concatenate([[0], change])
    lengths = np.diff(np.append(starts, time.size))
    turned = np.cumsum(size * np.diff(time, prepend=time[:1]))
    angle = turned - np.repeat(turned[starts], lengths)
    since = time - np.repeat(time[starts], lengths)
    settled = (direction != 0) & (angle >= SETTLING_ANGLE) & (since >= SETTLING_LAGS * lag)
    if ahead > 0.0:
        ends = np.append(time[change], np.inf)
        settled &= np.repeat(ends, lengths) - time > ahead
    return Motion(smooth, direction, settled)


Codes = NDArray[np.int8]


class Reason(IntEnum):
    """Why a sample is left out, with its words; of several, the first one that holds is counted."""

    words: str

    def __new__(cls, code: int, words: str) -> Self:
        made = int.__new__(cls, code)
        made._value_, made.words = code, words
        return made

    KEPT = 0, "kept"
    MISSING = 1, "missing reading"
    OUT_OF_RANGE = 2, "outside the channel's range"
    SPIKE = 3, "spike"
    NO_SPEED = 4, "speed missing"
    HOLDING = 5, "outputs hold still (a bound, not a sample)"
    UNSETTLED = 6, "slip not yet settled"
    HELD = 7, "clipped or stuck"


LEFT_OUT = tuple(reason for reason in Reason if reason != Reason.KEPT)

TORQUES = ("left_torque", "right_torque", "input_torque", "turning_torque")
SPEEDS = ("left_speed", "right_speed", "case_speed", "input_speed", "speed_difference")
TEMPERATURES = ("oil_temperature", "plate_temperature")

# No oil and no plate is colder or hotter: such a reading is an open or shorted sensor's, or in another unit
# (common practice, no source).
READABLE = (-60.0, 350.0)  # °C
BESIDE = 2  # samples on either side of one, which a logger's filter has mixed with it


def readable(values: Array) -> Array:
    """Temperatures (n,) [°C], NaN where no oil and no plate has them, and just beside.

    >>> readable(np.array([60.0, 60.0, 60.0, 205.0, 1372.0])).tolist()
    [60.0, 60.0, nan, nan, nan]
    """
    odd = (values < READABLE[0]) | (values > READABLE[1])
    if not odd.any():
        return values
    near = np.convolve(odd, np.ones(2 * BESIDE + 1), mode="same") > 0.5
    return np.where(near[: values.size] if values.size > 2 * BESIDE else odd, np.nan, values)


# A rate of change is that of averages over this time. A longer one smears the corners of a course, where
# the rate jumps, over their neighbours: at zero torque and at a turn, always the same way, which is a bias.
RATE_SPAN = 0.05  # s


@dataclass(frozen=True)
class Samples:
    """One recording: values after stated sign, gain and zero; shaft speeds and accelerations; what is kept
    and why not.

    ``time`` (n,) [s]; ``torques`` by channel (n,) [N·m], NaN where left out, and ``rates`` of change of those
    that the arrangement needs [N·m/s], gaps bridged; ``speeds`` and ``accelerations`` by shaft (left, right,
    case) [rad/s, rad/s²], the latter only where a torque is corrected for inertia;
    ``oil`` and ``plate`` (n,) [°C] smoothed, or None;
    ``motion``; ``reason`` (n,) members of ``Reason``; ``spike_counts`` by channel.
    """

    time: Array
    step: float
    torques: Mapping[str, Array]
    rates: Mapping[str, Array]
    speeds: Mapping[str, Array]
    accelerations: Mapping[str, Array]
    oil: Array | None
    plate: Array | None
    motion: Motion
    reason: Codes
    spike_counts: Mapping[str, int]

    @property
    def kept(self) -> Flags:
        """Which samples are used (n,)."""
        return np.asarray(self.reason == Reason.KEPT)

    def count(self, reason: Reason) -> int:
        """How many samples are left out for a reason."""
        return int((self.reason == reason).sum())


def take(
    recording: Recording,
    rig: Rig,
    *,
    torque_channels: tuple[str, ...],
    unusable: Mapping[str, Flags] | None = None,
) -> Samples:
    """Samples of a recording, with reasons for those left out so far.

    ``torque_channels`` are the ones that the arrangement needs; a sample without one of them is left out.
    ``unusable`` (n,) by channel: readings that a check found to stand still.
    Raises ``RecordingError`` where nothing is left to work with.
    """
    time = recording.time
    n = time.size
    where = str(recording.source.path)
    if n < 50:
        raise RecordingError.single(
            f"only {n} samples",
            file=where,
            mend="record at least one whole sweep, at 20 samples a second or more",
        )
    step = usual_step(time)
    values, reason, spike_counts = _usable(recording, rig, torque_channels, unusable or {})
    speeds, difference = _shafts(values, where)
    if "turning_torque" in torque_channels:
        assert rig.sits.turned is not None
        speeds["turned"] = rig.sits.turned * difference
    lag = max((rig.channel[name].lag.value for name in torque_channels), default=0.0)
    inertias = [rig.channel[name].inertia for name in torque_channels]
    inert = any(inertia.value or inertia.u for inertia in inertias)
    ahead = 0.5 * _rate_span(lag) + step if lag or inert else 0.0
    motion = slip(time, difference, lag=lag, ahead=ahead)
    _mark(reason, ~np.isfinite(motion.speed_difference), Reason.NO_SPEED)
    _mark(reason, ~motion.slips, Reason.HOLDING)
    _mark(reason, ~motion.settled, Reason.UNSETTLED)
    smooth_speeds = {name: local_mean(value, max(1, round(0.1 / step))) for name, value in speeds.items()}
    return Samples(
        time=time,
        step=step,
        torques={name: values[name] for name in TORQUES if name in values},
        rates={
            name: rate_of_change(time, values[name], round(_rate_span(rig.channel[name].lag.value) / step))
            for name in torque_channels
            if name in values
        },
        speeds=smooth_speeds,
        accelerations={
            name: rate_of_change(time, value, round(RATE_SPAN / step))
            for name, value in (speeds if inert else {}).items()
        },
        oil=_smooth_temperature(time, values, rig, "oil_temperature"),
        plate=_smooth_temperature(time, values, rig, "plate_temperature"),
        motion=motion,
        reason=reason,
        spike_counts=spike_counts,
    )


def _usable(
    recording: Recording, rig: Rig, needed: tuple[str, ...], unusable: Mapping[str, Flags]
) -> tuple[dict[str, Array], Codes, dict[str, int]]:
    """Each channel's values as the rig has them, NaN where they are none; why a sample lacks one that is
    ``needed``; and how many spikes each channel has."""
    reason = np.zeros(recording.time.size, dtype=np.int8)
    values: dict[str, Array] = {}
    spike_counts: dict[str, int] = {}

    def leave_out(name: str, where: Flags, code: Reason) -> None:
        if where.any():
            values[name] = np.where(where, np.nan, values[name])
        if name in needed:
            _mark(reason, where, code)

    for name in (*TORQUES, *SPEEDS, *TEMPERATURES):
        if name not in recording.channels:
            continue
        channel = rig.channel[name]
        value = channel.corrected(recording.channels[name])
        if name in TEMPERATURES:
            value = readable(value)
        values[name] = value
        if name in needed:
            _mark(reason, ~np.isfinite(value), Reason.MISSING)
        if name in unusable:
            leave_out(name, unusable[name], Reason.HELD)
        if channel.range is not None:
            low, high = channel.range
            leave_out(name, (values[name] < low) | (values[name] > high), Reason.OUT_OF_RANGE)
        if name in TORQUES or name in SPEEDS:
            spiked = spikes(values[name])
            spike_counts[name] = int(spiked.sum())
            leave_out(name, spiked, Reason.SPIKE)
        if name in SPEEDS:
            values[name] = channel.at_unit(values[name])
    return values, reason, spike_counts


def _rate_span(lag: float) -> float:
    """Time over which a torque with that lag is averaged for its rate [s]: a lagged signal has nothing
    quicker than its lag, so that it keeps its shape, and the lag's correction, lag times rate, adds no more
    than half of the noise of a sample."""
    return max(RATE_SPAN, 2.0 * lag)


def _mark(reason: Codes, where: Flags, code: Reason) -> None:
    if where.any():
        reason[where & (reason == Reason.KEPT)] = code


def _shafts(values: Mapping[str, Array], where: str) -> tuple[dict[str, Array], Array]:
    """Speeds of the shafts that the channels give, and the speed difference (left less right)."""
    speeds: dict[str, Array] = {}
    if "case_speed" not in values and "input_speed" in values:
        values = {**values, "case_speed": values["input_speed"]}
    if "left_speed" in values and "right_speed" in values:
        left, right = values["left_speed"], values["right_speed"]
        return {"left": left, "right": right, "case": 0.5 * (left + right)}, left - right
    if "case_speed" in values and ("left_speed" in values or "right_speed" in values):
        case = values["case_speed"]
        if "left_speed" in values:
            left = values["left_speed"]
            right = 2 * case - left
        else:
            right = values["right_speed"]
            left = 2 * case - right
        return {"left": left, "right": right, "case": case}, left - right
    if "speed_difference" in values:
        difference = values["speed_difference"]
        if "case_speed" in values:
            case = values["case_speed"]
            speeds = {"left": case + 0.5 * difference, "right": case - 0.5 * difference, "case": case}
        return speeds, difference
    raise RecordingError.single(
        "the speed difference of the outputs is not recorded",
        file=where,
        mend="name left_speed and right_speed, one of them and case_speed or input_speed, or "
        "speed_difference, in the rig's [channel] tables",
    )


def _smooth_temperature(time: Array, channels: Mapping[str, Array], rig: Rig, name: str) -> Array | None:
    """Oil has no fast changes: averaged over 3 s, more where the reading is noisy; gaps bridged for the heat
    balance. A lag that the rig states is taken off."""
    values = channels.get(name)
    if values is None or not np.isfinite(values).any():
        return None
    step = usual_step(time)
    span = 3.0 if white_noise(values) < 0.1 else 10.0
    smooth = local_mean(values, max(1, round(span / step)))
    # beyond the last reading, averages are of fewer and fewer: one alone is none to go on with
    good = np.isfinite(values)
    smooth = smooth if good.all() else np.interp(time, time[good], smooth[good])
    lag = rig.channel[name].lag.value
    if lag == 0.0:
        return smooth
    # the rate over the lag itself: a lagged reading has nothing quicker
    rate = local_mean(np.gradient(smooth, time), max(1, round(max(lag, span) / step)))
    return np.asarray(smooth + lag * rate)
