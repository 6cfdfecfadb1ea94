"""Speeds that contradict each other, or no bench: units, signs, resolution; and shafts that leave their
course for a moment, as of an encoder that drops out or counts double.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.checks.held import resolution
from diffbench.conditioning.findings import Finding
from diffbench.conditioning.samples import LEAST_SLIP, SMOOTHED, SPEEDS, least_slip
from diffbench.conditioning.smoothing import ENOUGH, local_mean, running_median, white_noise
from diffbench.documents import Rig
from diffbench.recording import Recording

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]


# A shaft with flanges and brakes on it does not lose half of its speed and regain it within half a second.
SHARE = 0.5
LONGEST = 0.5  # s
BLOCK = 0.1  # s, whose medians make the course
# Slower than this a shaft may well stop and turn back.
TURNING = 5.0  # rad/s
GRAVE = 0.01


def dropouts(values: Array, step: float, *, name: str, file: str) -> tuple[Flags, list[Finding]]:
    """Samples that are apart from the course of a turning shaft by half of its speed, for half a second at
    most, and what is told of them.

    Parameters: ``values`` (n,) [rad/s], NaN = missing; ``step`` [s] between samples.

    >>> speed = np.full(1000, 60.0)
    >>> speed[300:307] = 0.0
    >>> apart, found = dropouts(speed, 0.02, name="left_speed", file="a.csv")
    >>> int(apart.sum()), [finding.name for finding in found]
    (7, ['speed drops out'])
    """
    size = max(1, round(BLOCK / step))
    whole = values.size // size
    low, high = float(np.fmin.reduce(values)), float(np.fmax.reduce(values))
    least, most = sorted((abs(low), abs(high)))
    # a dozen of blocks tell a course; speeds of one sign and nearly one size need none
    if whole < 12 or (low * high > 0.0 and most < (1.0 + SHARE) * least):
        return np.zeros(values.size, dtype=bool), []
    blocks = values[: whole * size].reshape(whole, size)
    # the middle one of each block, missing ones last; without any, the course is that of its neighbours
    middle = np.partition(blocks, (size - 1) // 2, axis=1)[:, (size - 1) // 2]
    reach = max(1, round(LONGEST / (size * step)))
    course = running_median(middle, 2 * reach + 1)
    course = np.repeat(course, size)
    course = np.concatenate([course, np.full(values.size - course.size, course[-1])])
    with np.errstate(over="ignore"):
        apart = (np.abs(values - course) > SHARE * np.abs(course)) & (np.abs(course) > TURNING)
    apart[: reach * size] = apart[-reach * size :] = False  # what comes before or after is not known
    count = int(apart.sum())
    if count == 0:
        return apart, []
    places = int(np.count_nonzero(np.diff(apart.astype(np.int8), prepend=0) == 1))
    return apart, [
        Finding(
            "speed drops out",
            "caveat" if count > GRAVE * values.size else "note",
            f"{name}, {file}",
            f"{count} samples in {places} places are apart from the shaft's speed by more than half of it, "
            "and it is back within half a second.",
            "They are left out: slip would have another size and direction there.",
            "Look at the encoder's plug and gap, and at the limits of its counter.",
        )
    ]


# A slower quarter of the sweep that slips at less than twice what counts as slip is left out in part.
SLOWER, CLEAR = 25.0, 2.0


def noisy(difference: Array, step: float, *, file: str) -> list[Finding]:
    """Speed noise that hides slow slip: what is not clear of it counts as holding, and is left out.

    Parameters: ``difference`` (n,) [rad/s], speed difference as sampled, ``step`` [s] apart.

    >>> slip = 2.0 + np.random.default_rng(0).normal(0.0, 2.1, 10_000)
    >>> [finding.severity for finding in noisy(slip, 0.01, file="a.csv")], noisy(slip, 1e-4, file="a.csv")
    (['caveat'], [])
    """
    level = np.abs(local_mean(difference, max(1, round(1.0 / step))))
    level = level[level > LEAST_SLIP]  # NaN is not
    least = least_slip(difference, max(1, round(SMOOTHED / step)))
    if level.size == 0 or least <= LEAST_SLIP:
        return []
    slow = float(np.percentile(level, SLOWER))
    if CLEAR * least <= slow:
        return []
    return [
        Finding(
            "noisy speeds",
            "caveat",
            f"speed difference, {file}",
            f"From sample to sample it scatters by {white_noise(difference):.2g} rad/s. Averaged over "
            f"{SMOOTHED:g} s it counts as slip from {least:.2g} rad/s on; a quarter of the sweep slips at "
            f"{slow:.2g} rad/s or less.",
            "Slower slip is left out as holding: friction at low speed is told badly or not at all, and so "
            "is the preload's.",
            "Look at encoders, shielding and filters of the speed channels (0.1 s is enough), log faster, or "
            "slip faster.",
        )
    ]


#: What a speed is off by when its unit is taken for another one.
SPEED_FACTORS: Mapping[str, float] = {
    "rpm taken as rad/s": 30.0 / np.pi,
    "rad/s taken as rpm": np.pi / 30.0,
    "deg/s taken as rad/s": 180.0 / np.pi,
    "rad/s taken as deg/s": np.pi / 180.0,
    "deg/s taken as rpm": 6.0,
    "rpm taken as deg/s": 1.0 / 6.0,
    "revolutions per second taken as rad/s": 0.5 / np.pi,
    "rad/s taken as revolutions per second": 2.0 * np.pi,
}
# Shafts of a driveline: 300 rad/s is a car at over 300 km/h on a wheel of 0.3 m.
FASTEST_SHAFT = 300.0  # rad/s
# Plates that slide at 60 rad/s of speed difference carry kilowatts: no sweep is run there (common practice,
# no source).
FASTEST_SLIP = 60.0  # rad/s
# Two measurements of one speed agree to a hundredth or something is wrong with one.
AGREE = 0.01
MANY = 50  # readings: fewer may well be alike
# How near to a factor counts as that factor: slip and rounding move the ratio by less.
NEAR = 0.03


def speeds(recording: Recording, rig: Rig, *, slow_slip: float | None = None) -> list[Finding]:
    """All findings about the speeds of one recording.

    ``slow_slip`` [rad/s] is the speed difference at which the slowest tenth of the samples slip, where that
    is known.
    """
    file = str(recording.source.path)
    known = _known(recording, rig)
    # medians and slopes of a long recording: of readings spread evenly over it
    some = {name: values[:: max(1, values.size // ENOUGH)] for name, values in known.items()}
    found = [*_balance(some, file), *_sides(some, file), *_range(some, file)]
    for name in ("left_speed", "right_speed", "speed_difference"):
        if name in known and slow_slip:
            found += _coarse(known[name], slow_slip, name, file)
    return found


def frozen_speeds(recording: Recording, rig: Rig) -> list[Finding]:
    """Speeds that stand still to the last digit, or at nothing, while another one turns and changes.

    A shaft that is held does so, too: so it is told, and does not stop the fit.
    """
    known = {name: v for name, v in _known(recording, rig).items() if np.isfinite(v).sum() >= MANY}
    usual = {name: float(np.nanmedian(np.abs(values))) for name, values in known.items()}
    moves = {name: float(np.nanmax(values) - np.nanmin(values)) > 0.0 for name, values in known.items()}
    found: list[Finding] = []
    for name in ("left_speed", "right_speed", "case_speed", "speed_difference"):
        if name not in known:
            continue
        fast = max((other for other in known if other != name), key=usual.__getitem__, default=None)
        if fast is None or not moves[fast]:
            continue
        stands = not moves[name] and name != "case_speed"
        nothing = name != "speed_difference" and usual[name] < 0.5 and usual[fast] > 20.0
        if stands or nothing:
            found.append(
                Finding(
                    "dead channel",
                    "caveat",
                    f"{name}, {recording.source.path}",
                    f"{name} reads {float(np.nanmedian(known[name])):.4g} rad/s from start to end, while "
                    f"{fast} turns at {usual[fast]:.4g} rad/s and changes.",
                    "Speed difference, sliding speed and plate heat are wrong, unless that shaft was held.",
                    "Check sensor, cable and column of that speed; nothing, if the shaft was held.",
                )
            )
    return found


def speed_difference(recording: Recording, rig: Rig) -> Array | None:
    """Speed difference of the outputs as sampled (n,) [rad/s], left less right; None where two channels that
    say it are not there."""
    known = _known(recording, rig)
    if "left_speed" in known and "right_speed" in known:
        return known["left_speed"] - known["right_speed"]
    case = known.get("case_speed", known.get("input_speed"))
    if case is not None and "left_speed" in known:
        return 2.0 * (known["left_speed"] - case)
    if case is not None and "right_speed" in known:
        return 2.0 * (case - known["right_speed"])
    return known.get("speed_difference")


def _known(recording: Recording, rig: Rig) -> dict[str, Array]:
    """Speeds by the rig's sign, gain, zero and ratio, of the unit's own shafts [rad/s]."""
    return {
        name: channel.at_unit(channel.corrected(recording.channels[name]))
        for name, channel in rig.channel.items()
        if name in recording.channels and name in SPEEDS
    }


def factor_name(ratio: float, factors: Mapping[str, float], near: float = NEAR) -> str | None:
    """Which known factor a ratio is, or None.

    >>> factor_name(9.6, SPEED_FACTORS)
    'rpm taken as rad/s'
    """
    for name, factor in factors.items():
        if ratio > 0.0 and abs(np.log(ratio / factor)) < near:
            return name
    return None


def _slope(measured: Array, computed: Array) -> float | None:
    """Ratio of two measurements of one speed, by least squares; None where too little turns."""
    good = np.isfinite(measured) & np.isfinite(computed)
    if good.sum() < 20 or float(np.max(np.abs(computed[good]))) < 0.5:
        return None
    x, y = computed[good], measured[good]
    return float(x @ y / (x @ x))


def _balance(known: Mapping[str, Array], file: str) -> list[Finding]:
    """Case, pinion and speed difference against the outputs, where both are recorded."""
    pairs: list[tuple[str, Array, str]] = []
    both = "left_speed" in known and "right_speed" in known
    case = 0.5 * (known["left_speed"] + known["right_speed"]) if both else known.get("case_speed")
    if both and "case_speed" in known and case is not None:
        pairs.append(("case_speed", case, "half the sum of the outputs' speeds"))
    if both and "speed_difference" in known:
        pairs.append(
            ("speed_difference", known["left_speed"] - known["right_speed"], "left less right speed")
        )
    if "input_speed" in known and case is not None:
        pairs.append(("input_speed", case, "what the other speeds say"))
    found: list[Finding] = []
    for name, computed, words in pairs:
        ratio_found = _slope(known[name], computed)
        if ratio_found is None or abs(ratio_found - 1.0) <= AGREE:
            continue
        unit = factor_name(abs(ratio_found), SPEED_FACTORS)
        reversed_sign = ratio_found < 0.0
        found.append(
            Finding(
                "speeds contradict each other",
                "stop" if unit or reversed_sign or abs(np.log(abs(ratio_found))) > 0.1 else "caveat",
                f"{name}, {file}",
                f"{name} is {ratio_found:.4g} times {words}"
                + (f": {unit}." if unit else ", the sign reversed." if reversed_sign else "."),
                "Speed difference and sliding speed hang on which of them is right.",
                f"Check unit, sign and ratio of {name}, and that no column is named as another.",
            )
        )
    return found


def _sides(known: Mapping[str, Array], file: str) -> list[Finding]:
    """Outputs that turn against each other, or one at another's unit."""
    if "left_speed" not in known or "right_speed" not in known:
        return []
    left, right = known["left_speed"], known["right_speed"]
    good = np.isfinite(left) & np.isfinite(right)
    if good.sum() < 20:
        return []
    a, b = float(np.median(np.abs(left[good]))), float(np.median(np.abs(right[good])))
    against = float(np.mean(left[good] * right[good] < 0.0))
    # a case that is held lets the outputs creep against each other; at running speed no bench does
    if against > 0.9 and min(a, b) > 20.0:
        return [
            Finding(
                "outputs turn against each other",
                "stop",
                file,
                f"left_speed is {float(np.median(left[good])):+.4g} rad/s, right_speed "
                f"{float(np.median(right[good])):+.4g} rad/s.",
                f"The speed difference would be {a + b:.4g} rad/s.",
                "One of them counts the other way: set its sign = -1 in the rig.",
            )
        ]
    if b == 0.0 or a == 0.0:
        return []
    unit = factor_name(a / b, SPEED_FACTORS)
    other = factor_name(b / a, SPEED_FACTORS)
    steady = abs(float(np.median(np.abs(left[good]) / np.maximum(np.abs(right[good]), 1e-9))) * b / a - 1.0)
    slip = float(np.median(np.abs(left[good] - right[good])))
    if (unit is None and other is None) or steady > NEAR or max(a, b) < 20.0:
        return []
    return [
        Finding(
            "unit off by a known factor",
            "stop" if slip > FASTEST_SLIP else "caveat",
            f"left_speed and right_speed, {file}",
            f"Left is {a:.4g} rad/s and right {b:.4g} rad/s: on one side {unit or other}, on the other not.",
            f"The speed difference would be {slip:.4g} rad/s.",
            "State the unit of both columns in the rig.",
        )
    ]


def _range(known: Mapping[str, Array], file: str) -> list[Finding]:
    """Speeds that no bench of this kind runs at."""
    found: list[Finding] = []
    if "left_speed" in known and "right_speed" in known:
        difference: Array | None = known["left_speed"] - known["right_speed"]
    else:
        difference = known.get("speed_difference")
    looked = {name: (known[name], FASTEST_SHAFT) for name in known if name != "speed_difference"}
    if difference is not None:
        looked["speed difference"] = (difference, FASTEST_SLIP)
    looked.pop("input_speed", None)  # a pinion or a motor may well be faster
    reach = {}
    for name, (values, fastest) in looked.items():
        finite = np.abs(values[np.isfinite(values)])
        reach[name] = (float(np.percentile(finite, 95.0)) if finite.size else 0.0, fastest)
    worst = max(reach, key=lambda name: reach[name][0] / reach[name][1], default=None)
    if worst is not None:
        usual, fastest = reach[worst]
        if usual > fastest:
            found.append(
                Finding(
                    "speed implausible",
                    "caveat",
                    f"{worst}, {file}",
                    f"It reaches {usual:.4g} rad/s; a bench stays below {fastest:g} rad/s. Were it rpm, it "
                    f"would be {usual * np.pi / 30.0:.3g} rad/s.",
                    "Sliding speed, plate heat and viscous drag would be off by the same factor.",
                    'State the unit of the speeds in the rig, for example unit = "rpm".',
                )
            )
    return found


def _coarse(values: Array, slow_slip: float, name: str, file: str) -> list[Finding]:
    step = resolution(values)
    if step <= 0.25 * slow_slip:
        return []
    return [
        Finding(
            "coarse resolution",
            "caveat",
            f"{name}, {file}",
            f"Speeds come in steps of {step:.3g} rad/s, the slowest slip is {slow_slip:.3g} rad/s.",
            "Friction at that speed, and whether the outputs slip at all, is told badly.",
            "Log more digits, or slip faster.",
        )
    ]
