"""Hand readings: one output turned by a wrench, and what each reading says of the locking torque.

Forty numbers, not forty thousand: how much a reading scatters is stated, or pooled over all repeats as a
share of the reading (the hand and the angle of rest act in proportion). Nothing is dropped for being apart: a
reading far off its repeats is named as doubtful and counts as little as it is off.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.bench import Effect, ErrorSource, exact_gain
from diffbench.conditioning.cells import STRETCHES_A_CYCLE, Cells, Heat
from diffbench.conditioning.checks.held import LEAST_LEVEL
from diffbench.conditioning.checks.unread import impossible, seen
from diffbench.conditioning.course import History
from diffbench.conditioning.findings import Finding, breaks_off, refusals
from diffbench.conditioning.run import ByHand, ConditionedRun, ConditionedVisit, Friction
from diffbench.conditioning.samples import READABLE
from diffbench.documents import Channel, Rig
from diffbench.documents.arrangements import ARRANGEMENTS, Shares
from diffbench.doubts import Source
from diffbench.errors import Fault, Place, RecordingError
from diffbench.plain_text import per_cent
from diffbench.recording import Recording

Array = NDArray[np.float64]
Kind = tuple[str, str, str]  # arrangement, direction, and kind of a reading


# What a hand does where nobody says it (common practice, no source): speed at which an output is turned, the
# scatter of one reading where nothing repeats, and how warm the unit is.
TURNING_SPEEDS = (0.05, 1.0)  # rad/s
SCATTER = 0.03
SCATTER_FREEDOM = 4.0  # that scatter itself is known to a third
SCALE_DIGITS = 1e-5  # of the largest reading: digits that a conversion of units leaves
TEMPERATURES = (5.0, 35.0)  # °C, of a unit on the bench: about room temperature, cold or lately driven
WIDE = 0.08  # scatter of repeats that no steady hand has: twice the widest (common practice, no source)
ALIKE = 1e-9  # scatter of repeats that are the same number
UNLIKELY = 1e-3  # chance of repeats to scatter so much more than is stated
FEWEST_REPEATS = 3  # degrees of freedom, from which on repeats say it themselves
DOUBTFUL = 1e-3  # chance of a clean file to have a reading called doubtful
MOST_DOUBTFUL = 0.1  # of the readings: more are no accidents


def hand_readings(rig: Rig, recording: Recording, *, rig_key: str, visit_key: str) -> ConditionedVisit:
    """Each reading as one observation of the locking torque.

    By the equilibrium of its arrangement; what turning forward loads, turning backward loads on the other
    flank. Breakaway reads static friction, running that of the slow turn. Raises ``RecordingError`` where
    arrangement, direction or kind of a reading are not told: none is guessed.
    """
    file = str(recording.source.path)
    channel = rig.channel["turning_torque"]
    torque, beyond = _turning_torque(recording, channel)
    _check_sizes(torque, file)
    n = torque.size
    kinds = _kinds_of(recording, rig, n)
    oil, temperature_u, odd = _temperature(recording, rig, n)
    good = np.isfinite(torque)
    _check_level(torque[good], file)
    speed, turning_u, stated = _turning_speed(recording, rig)
    groups: dict[Kind, list[int]] = {}
    for i in np.flatnonzero(good):
        groups.setdefault(kinds[i], []).append(int(i))
    step = step_of(recording.channels["turning_torque"][good]) if channel.resolution is None else None
    scatter = scatter_of(
        torque,
        list(groups.values()),
        stated=channel.u_reading,
        step=channel.gain * (channel.resolution or step or 0.0),
    )
    sources = _sources(channel, rig_key=rig_key, visit_key=visit_key)
    left_out = {
        "outside the channel's range": int(beyond.sum()),
        "missing reading": int((~good & ~beyond).sum()),
    }
    dropped = {reason: count for reason, count in left_out.items() if count}
    runs = tuple(
        _run_of(
            f"{file} ({place})",
            key,
            torque[rows],
            oil[rows],
            speed[rows],
            scatter.sigma[rows],
            sources,
            {} if number else dropped,
        )
        for number, (place, key, rows) in enumerate(_kept_apart(groups, scatter))
    )
    unread = [] if temperature_u is None else [_no_temperature(file)]
    temperature = rig.channel.get("plate_temperature") or rig.channel.get("oil_temperature")
    if temperature is not None and temperature_u is None:
        temperature_u = temperature.u_zero
    notes = [] if channel.u_gain else [exact_gain("turning_torque")]
    return ConditionedVisit(
        runs,
        {s.key: s for s in sources.values()},
        temperature_u,
        tuple(notes),
        rig,
        findings=(
            *breaks_off(recording),
            *odd,
            *unread,
            *_findings(scatter, torque, groups, channel, file),
        ),
        by_hand=ByHand(scatter.relative, scatter.freedom, scatter.told, turning_u, stated, not unread),
    )


def _kinds_of(recording: Recording, rig: Rig, n: int) -> list[Kind]:
    """What each of ``n`` readings is said to be."""
    arrangement = _labels(recording, rig, "arrangement", rig.arrangement if rig.turns_one_output else None, n)
    kind = _labels(recording, rig, "reading", None, n)
    # which flank bears matters where the reading loads the ramps itself
    loads = any(_shares(name).input_torque for name in arrangement)
    direction = _labels(recording, rig, "direction", None if loads else "forward", n)
    return list(zip(arrangement, direction, kind, strict=True))


@dataclass(frozen=True)
class Scatter:
    """How readings scatter: ``relative`` standard deviation with its degrees of ``freedom``, how it is known;
    ``sigma`` (n,) [N·m] of each reading, and which are ``doubtful``, each with the mean of its repeats;
    ``repeats`` are the degrees of freedom of what was repeated, and ``shown`` what that alone says."""

    relative: float
    freedom: float
    told: str
    sigma: Array
    doubtful: Mapping[int, float]
    repeats: float
    shown: float


def scatter_of(torque: Array, groups: list[list[int]], *, stated: float | None, step: float) -> Scatter:
    """Scatter of readings (n,) [N·m], stated or pooled over ``groups`` of repeats, as a share of the reading.

    ``s² = Σ (r/r̄ − 1)² / Σ (n_g − 1)`` over the groups. Rounding to a ``step`` of the scale is ``step/√12``;
    repeats hold it already, a stated scatter does not. It is the same in repeats that scatter by σ far less
    than a step: by the share ``exp(−4π²σ²/step²)`` of it, the first term of the rounding error's mean. A
    reading is doubtful where the externally studentised distance from its repeats has a chance below
    `DOUBTFUL` in the whole file: it counts as little as it is off.

    Source: JCGM 100:2008, H.5.2.2 (pooled variance) and F.2.2.1 (resolution); Cook & Weisberg, Residuals and
    Influence in Regression (1982), section 2.2.2.

    >>> torque = np.array([50.0, 51.0, 49.0, 101.0, 99.0])
    >>> made = scatter_of(torque, [[0, 1, 2], [3, 4]], stated=None, step=0.0)
    >>> round(made.relative, 4), made.freedom
    (0.0183, 3.0)
    """
    doubtful: dict[int, float] = {}
    count = sum(len(rows) for rows in groups)
    while True:
        kept = [[i for i in rows if i not in doubtful] for rows in groups]
        means = [float(np.mean(torque[rows])) if rows else math.nan for rows in kept]
        freedom = float(sum(len(rows) - 1 for rows in kept if rows))
        off = {i: torque[i] / mean - 1.0 for rows, mean in zip(kept, means, strict=True) for i in rows}
        square = float(sum(value**2 for value in off.values()))
        worst = _worst(torque, kept, off, square, freedom, stated, count, step)
        if worst is None or len(doubtful) + 1 > max(MOST_DOUBTFUL * count, 1.0):
            break
        index, mean = worst
        doubtful[index] = float(mean * torque[index])
    rounding = step / math.sqrt(12.0)
    shown = math.sqrt(square / freedom) if freedom else 0.0
    smallest = min((mean for mean in means if mean > 0.0), default=1.0)
    alike = stated is None and freedom >= FEWEST_REPEATS and shown < ALIKE and step == 0.0
    relative, own, told = _known(square, freedom, stated, rounding / smallest, alike=alike)
    sigma = np.full(torque.size, math.nan)
    for rows, mean in zip(groups, means, strict=True):
        size = relative * (mean if math.isfinite(mean) else float(np.mean(torque[rows])))
        # repeats that scatter by less than a step are all rounded alike, which no repeat averages out
        hand = size**2 if stated is not None else max(size**2 - rounding**2, 0.0)
        same = math.exp(-4.0 * math.pi**2 * hand / step**2) if step > 0.0 else 0.0
        sigma[rows] = math.sqrt(hand + rounding**2 * (1.0 + (len(rows) - 1) * same))
        if alike:  # all of them are worth one
            sigma[rows] = np.fmax(sigma[rows], size * math.sqrt(len(rows)))
    for i, mean in doubtful.items():
        sigma[i] = max(abs(torque[i] - mean), float(sigma[i]))
    # no reading is better than a thousandth
    return Scatter(relative, own, told, np.fmax(sigma, 1e-3 * torque), doubtful, freedom, shown)


def _known(
    square: float, freedom: float, stated: float | None, rounding: float, *, alike: bool
) -> tuple[float, float, str]:
    """Relative scatter of a reading, its degrees of freedom and how it is known, from the sum of squares of
    repeats; ``rounding`` is that of the smallest mean, as a share."""
    usual = f"{100 * SCATTER:g} % of the reading"
    if stated is not None and not _beyond(square, freedom, stated, rounding):
        return stated, math.inf, "stated for one reading in the rig"
    if alike:
        told = f"{usual} for repeats together, as they are all alike (common practice, no source)"
        return SCATTER, SCATTER_FREEDOM, told
    if freedom >= FEWEST_REPEATS:
        told = f"pooled over all repeats, {freedom:g} degrees of freedom"
        return math.sqrt(square / freedom), freedom, told
    # what few repeats show counts beside what hands do
    first = SCATTER if stated is None else stated
    both = math.sqrt((SCATTER_FREEDOM * first**2 + square) / (SCATTER_FREEDOM + freedom))
    if both > first:
        return both, SCATTER_FREEDOM + freedom, f"{per_cent(both)} % of the reading, as few repeats show"
    return SCATTER, SCATTER_FREEDOM, f"{usual}, as too little repeats (common practice, no source)"


def _beyond(square: float, freedom: float, stated: float, rounding: float) -> bool:
    """Whether repeats scatter more than is stated, by more than chance. χ² by Wilson & Hilferty, Proceedings
    of the National Academy of Sciences 17 (1931), from memory; 3 % high at one degree of freedom."""
    if freedom == 0:
        return False
    part, normal = 2.0 / (9.0 * freedom), NormalDist().inv_cdf(1.0 - UNLIKELY)
    return square / (stated**2 + rounding**2) > freedom * (1.0 - part + normal * math.sqrt(part)) ** 3


def _worst(
    torque: Array,
    kept: list[list[int]],
    off: Mapping[int, float],
    square: float,
    freedom: float,
    stated: float | None,
    count: int,
    step: float,
) -> tuple[int, float] | None:
    """The reading that is farthest off its repeats for its chance, where that is too small, with the mean of
    the others over it. Two steps of the scale are never far."""
    found: tuple[float, int, float] | None = None
    for rows in kept:
        n = len(rows)
        if n < 3:
            continue  # of two that differ, nobody knows which
        for i in rows:
            share = 1.0 - 1.0 / n
            apart = off[i] ** 2 / share
            if abs(off[i]) * torque[i] / (1.0 + off[i]) <= 2.0 * step:
                continue
            if stated is not None:
                distance = math.sqrt(apart) / stated / _limit(count)
            elif freedom < 2 * FEWEST_REPEATS or square <= apart:
                continue
            else:
                rest = (square - apart) / (freedom - 1.0)
                distance = math.sqrt(apart / rest) / _limit(count, freedom - 1.0)
            others = (n - (1.0 + off[i])) / (n - 1) / (1.0 + off[i])
            if distance > 1.0 and (found is None or distance > found[0]):
                found = distance, i, others
    return None if found is None else found[1:]


def _limit(count: int, freedom: float = math.inf) -> float:
    """Student's t beyond which one of so many readings lies by a chance of `DOUBTFUL` in all. By Wallace's
    approximation, Annals of Mathematical Statistics 30 (1959), from memory; within 6 % from five degrees of
    freedom, within 1 % from twelve."""
    normal = -NormalDist().inv_cdf(DOUBTFUL / (2 * count))
    if math.isinf(freedom):
        return normal
    return math.sqrt(freedom * math.expm1((normal * (8 * freedom + 3) / (8 * freedom + 1)) ** 2 / freedom))


def step_of(readings: Array) -> float:
    """The step of the scale that readings show, which begins at nothing: the largest that all are multiples
    of (Euclid's algorithm); 0 for a scale too fine to show one, and for a single reading over and over.

    Repeats on a coarse scale are all alike, and only what differs between them and others tells the step.

    >>> round(step_of(np.array([11.0, 11.0, 26.0, 30.0])), 6), step_of(np.array([11.0, 11.0]))
    (1.0, 0.0)
    """
    sizes = np.unique(np.abs(readings))
    sizes = sizes[sizes > 0.0].tolist()
    if len(sizes) < 2:
        return 0.0
    nothing, step = SCALE_DIGITS * max(sizes), sizes[0]
    for size in sizes[1:]:
        rest = size
        while rest > nothing:
            over = step % rest
            step, rest = rest, min(over, abs(rest - over))
    return float(step) if step > 10.0 * nothing else 0.0


def _kept_apart(groups: Mapping[Kind, list[int]], scatter: Scatter) -> Iterator[tuple[str, Kind, list[int]]]:
    """Place, kind and rows of what is a run of its own: readings of one kind, and each doubtful one."""
    for key, rows in groups.items():
        if clean := [i for i in rows if i not in scatter.doubtful]:
            yield ", ".join(key), key, clean
        for i in rows:
            if i in scatter.doubtful:
                yield ", ".join((*key, f"reading {i + 1}, doubtful")), key, [i]


def _doubtful_findings(scatter: Scatter, torque: Array, file: str) -> list[Finding]:
    return [
        Finding(
            "doubtful reading",
            "caveat",
            f"{file}, reading {i + 1}",
            f"It is {torque[i]:.4g} N·m, its repeats are {mean:.4g} N·m and scatter by "
            f"{per_cent(scatter.relative)} %.",
            "It counts as little as it is off.",
            "Look at the note of that reading; take it again.",
        )
        for i, mean in scatter.doubtful.items()
    ]


def _findings(
    scatter: Scatter, torque: Array, groups: Mapping[Kind, list[int]], channel: Channel, file: str
) -> list[Finding]:
    """What is told of the readings: each doubtful one, and repeats that are none, all alike, or far apart."""
    stated, doubtful = channel.u_reading, _doubtful_findings(scatter, torque, file)
    again = "Take each kind five times, each from rest, and write every one down as it was read."
    if scatter.repeats == 0:
        return [
            *doubtful,
            Finding(
                "readings not repeated",
                "caveat",
                file,
                "No kind of reading was taken twice.",
                "A slip of the pen or of the hand would not show; how much a reading scatters is "
                + ("as stated." if stated is not None else "as is common."),
                again,
            ),
        ]
    if scatter.shown < ALIKE:
        if channel.resolution is not None or stated is not None or scatter.repeats < FEWEST_REPEATS:
            return doubtful
        return [
            *doubtful,
            Finding(
                "repeats all alike",
                "caveat",
                file,
                f"{scatter.repeats:g} repeats differ from none of their kind in any digit.",
                f"They are worth one reading a kind, to {100 * SCATTER:g} % (common practice, no source)."
                if scatter.relative
                else "They are worth what the step of the scale leaves, which all readings together show.",
                f"State resolution in [channel.turning_torque] if the scale is so coarse. {again}",
            ),
        ]
    if scatter.shown <= WIDE and (stated is None or scatter.relative == stated):
        return doubtful
    kept = {key: [i for i in rows if i not in scatter.doubtful] for key, rows in groups.items()}
    key = max((key for key in kept if kept[key]), key=lambda key: float(np.ptp(np.log(torque[kept[key]]))))
    low, high = float(torque[kept[key]].min()), float(torque[kept[key]].max())
    beside = "" if stated is None else f", and {per_cent(stated, 3)} % is stated"
    return [
        *doubtful,
        Finding(
            "repeats far apart",
            "caveat",
            f"{file} ({', '.join(key)})",
            f"Repeats scatter by {per_cent(scatter.shown, 3)} % of the reading{beside}: from {low:.4g} to "
            f"{high:.4g} N·m here.",
            "Every interval holds that scatter.",
            f"Look for a decimal point, a unit or a kind that was mistaken. {again}",
        ),
    ]


def _turning_speed(recording: Recording, rig: Rig) -> tuple[Array, float, bool]:
    """Speed of the turned output (n,) [rad/s] while it runs, standard uncertainty of its logarithm, and
    whether somebody states it: line by line, in the rig as a range, or by what hands do."""
    n = recording.channels["turning_torque"].size
    low, high = rig.turning_speed or TURNING_SPEEDS
    middle, doubt = math.sqrt(low * high), math.log(high / low) / math.sqrt(12.0)
    if "turning_speed" in recording.channels:
        told = np.abs(rig.channel["turning_speed"].corrected(recording.channels["turning_speed"]))
        good = np.isfinite(told) & (told > 0)
        if good.any():
            return np.where(good, told, float(np.exp(np.mean(np.log(told[good]))))), 0.0, True
    return np.full(n, middle), doubt, rig.turning_speed is not None


def is_slow_drive(rig: Rig, recording: Recording) -> bool:
    """Whether a turning torque was recorded sample by sample while a drive turned the output, and is no list
    of readings: its speed is on record, and no word for each line."""
    return rig.turns_one_output and not recording.labels and "speed_difference" in recording.channels


def _turning_torque(recording: Recording, channel: Channel) -> tuple[Array, NDArray[np.bool_]]:
    """Size of the readings at the unit (n,) [N·m], NaN = not to be had, and which are beyond the range."""
    signed = channel.corrected(recording.channels["turning_torque"])
    low, high = (-np.inf, np.inf) if channel.range is None else channel.range
    beyond = (signed < low) | (signed > high)
    # what the bearing of the turned shaft takes, the unit does not
    return np.where(beyond, np.nan, np.abs(signed) - channel.drag.value), beyond


def _check_sizes(torque: Array, file: str) -> None:
    """Raises ``RecordingError`` for readings of nothing: what turns takes torque."""
    faults = [
        Fault(
            f"{torque[i]:.4g} N·m at the unit is no reading: what turns takes torque",
            Place(file, key=f"reading {i + 1}"),
            "leave it empty where nothing was read, and check zero and drag in [channel.turning_torque]",
        )
        for i in np.flatnonzero(torque <= 0.0)
    ]
    if faults and len(faults) < np.isfinite(torque).sum():
        raise RecordingError(faults)


def _check_level(known: Array, file: str) -> None:
    """Raises ``RecordingError`` where no reading is one of a unit that turns."""
    if known.size == 0:
        raise RecordingError.single(
            "no reading holds a number within the channel's range",
            file=file,
            mend="check the torque column, and range in [channel.turning_torque]",
        )
    if float(np.max(np.abs(known))) < LEAST_LEVEL:
        raise RecordingError.single(
            f"no reading is more than {LEAST_LEVEL:g} N·m: no unit that turns reads so little",
            file=file,
            mend="check the torque column and its unit, and gain and drag in [channel.turning_torque]",
        )


def _sources(channel: Channel, *, rig_key: str, visit_key: str) -> dict[str, ErrorSource]:
    """What is doubtful about the wrench, by constant."""
    stated = (
        ("gain", rig_key, Source.TRANSDUCER_GAIN, channel.u_gain),
        ("zero", visit_key, Source.TRANSDUCER_ZERO, channel.u_zero),
        ("drag", rig_key, Source.DRAG, channel.drag.u),
    )
    return {
        name: ErrorSource(f"{key}:turning_torque.{name}", f"{name} of turning_torque", group, u)
        for name, key, group, u in stated
        if u
    }


def _run_of(
    name: str,
    key: Kind,
    reading: Array,
    oil: Array,
    speed: Array,
    sigma: Array,
    sources: Mapping[str, ErrorSource],
    dropped: Mapping[str, int],
) -> ConditionedRun:
    """Readings (c,) [N·m] of one arrangement, direction and kind as a run of their own, taken at a ``speed``
    of the turned output (c,) [rad/s]; ``sigma`` (c,) [N·m] of each."""
    arrangement, direction, kind = key
    n = reading.size
    ones, number = np.ones(n), np.arange(n)
    shares = _shares(arrangement)
    flank = shares.input_torque if direction == "forward" else 0.0 - shares.input_torque
    gives = -shares.difference
    changes = {"gain": reading, "zero": ones, "drag": -ones}
    effects = {}
    for constant, source in sources.items():
        change = source.u * changes[constant]
        share = source.u if constant == "gain" else 0.0
        effects[source.key] = Effect(flank * change, gives * change, share)
    turned = ARRANGEMENTS[arrangement].turned or 1.0
    friction = Friction.STATIC if kind == "breakaway" else Friction.KINETIC
    return ConditionedRun(
        name=name,
        kind="turning-torque",
        cells=Cells(
            time=number.astype(np.float64),
            count=ones,
            width=ones,
            direction=-ones,
            speed_difference=0.0 * ones if friction is Friction.STATIC else speed / turned,
            oil=oil,
            plate=None,
            readings={"turning_torque": reading},
            rates={},
            speeds={},
            accelerations={},
            stretch=STRETCHES_A_CYCLE * number,
            segment=np.zeros(n, dtype=np.int64),
        ),
        input_torque=flank * reading,
        difference=gives * reading,
        effects=effects,
        input_slope=0.0 * ones,
        locking_slope=0.0 * ones,
        # every reading comes from rest: the ramps stand on their loading branch
        history=History(flank * reading, np.ones(n, dtype=bool), number, number),
        heat=Heat(number.astype(np.float64), 0.0 * ones, 0.0 * ones),
        dropped=dropped,
        samples=int(n + sum(dropped.values())),
        noise=abs(gives) * float(sigma[0]),
        friction_state=np.full(n, friction, dtype=np.int64),
        history_known=True,
    )


def _shares(arrangement: str) -> Shares:
    return ARRANGEMENTS[arrangement].equilibrium(("turning_torque",))["turning_torque"]


def _labels(recording: Recording, rig: Rig, name: str, default: str | None, n: int) -> tuple[str, ...]:
    if name in recording.labels:
        return recording.labels[name]
    if default is None:
        raise RecordingError(
            Fault(
                f"nothing says the {name} of the readings",
                Place(str(recording.source.path), key=f"channel.{name}"),
                f"name the column in [channel.{name}] of the rig '{rig.name}': it is never guessed"
                + (
                    "; a slow drive's recording, sample by sample, needs [channel.speed_difference] instead"
                    if name == "reading"
                    else ""
                ),
            )
        )
    return (default,) * n


def _temperature(recording: Recording, rig: Rig, n: int) -> tuple[Array, float | None, list[Finding]]:
    """Temperature of the readings (n,) [°C]; with a standard uncertainty [K] where none was read: as warm as
    units on the bench are, for nobody turns one by hand at the reference temperature unawares; and what no
    unit is as warm as. Raises ``RecordingError`` where most readings are such."""
    file = str(recording.source.path)
    channels = seen(recording, rig)
    told = [found for name, one in channels.items() for found in impossible(one, name=name, file=file)]
    if faults := refusals(told, file=file):
        raise RecordingError(faults)
    for name in ("plate_temperature", "oil_temperature"):
        if name in recording.channels:
            values = rig.channel[name].corrected(recording.channels[name])
            good = np.isfinite(values) & (values >= READABLE[0]) & (values <= READABLE[1])
            if good.any():
                return np.where(good, values, float(np.mean(values[good]))), None, told
    low, high = TEMPERATURES
    return np.full(n, 0.5 * (low + high)), (high - low) / math.sqrt(12.0), told


def _no_temperature(file: str) -> Finding:
    low, high = TEMPERATURES
    return Finding(
        "temperature not read",
        "caveat",
        file,
        f"No reading has a temperature: the unit is taken to be {low:g} to {high:g} °C warm "
        "(common practice, no source).",
        "What is carried to another temperature has the doubt of that range.",
        "Write the temperature of the unit beside each reading.",
    )
