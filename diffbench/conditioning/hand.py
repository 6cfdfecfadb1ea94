"""Hand readings: one output turned by a wrench, and what each reading says of the locking torque."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.bench import Effect, ErrorSource, exact_gain
from diffbench.conditioning.cells import STRETCHES_A_CYCLE, Cells, Heat
from diffbench.conditioning.checks.held import LEAST_LEVEL
from diffbench.conditioning.course import History
from diffbench.conditioning.findings import breaks_off
from diffbench.conditioning.run import ConditionedRun, ConditionedVisit, Friction
from diffbench.documents import Channel, Rig
from diffbench.documents.arrangements import ARRANGEMENTS, Shares
from diffbench.doubts import Source
from diffbench.errors import Fault, Place, RecordingError
from diffbench.recording import Recording

Array = NDArray[np.float64]


def hand_readings(rig: Rig, recording: Recording, *, rig_key: str, visit_key: str) -> ConditionedVisit:
    """Each reading as one observation of the locking torque.

    By the equilibrium of its arrangement; what turning forward loads, turning backward loads on the other
    flank. Breakaway reads static friction, running kinetic. Groups of one
    arrangement, direction and kind keep their own scatter. Raises ``RecordingError`` where arrangement,
    direction or kind of a reading are not told: none is guessed.
    """
    file = str(recording.source.path)
    channel = rig.channel["turning_torque"]
    torque, beyond = _turning_torque(recording, channel)
    n = torque.size
    arrangement = _labels(recording, rig, "arrangement", rig.arrangement if rig.turns_one_output else None, n)
    kind = _labels(recording, rig, "reading", None, n)
    # which flank bears matters where the reading loads the ramps itself
    loads = any(_shares(name).input_torque for name in arrangement)
    direction = _labels(recording, rig, "direction", None if loads else "forward", n)
    oil = _temperature(recording, rig)
    good = np.isfinite(torque)
    _check_level(torque[good], file)
    groups: dict[tuple[str, str, str], list[int]] = {}
    for i in np.flatnonzero(good):
        groups.setdefault((arrangement[i], direction[i], kind[i]), []).append(int(i))
    sources = _sources(channel, rig_key=rig_key, visit_key=visit_key)
    left_out = {
        "outside the channel's range": int(beyond.sum()),
        "missing reading": int((~good & ~beyond).sum()),
    }
    dropped = {reason: count for reason, count in left_out.items() if count}
    runs = tuple(
        _run_of(
            key,
            torque[rows],
            None if oil is None else oil[rows],
            sources,
            file,
            dropped if number == 0 else {},
        )
        for number, (key, rows) in enumerate(groups.items())
    )
    temperature = rig.channel.get("plate_temperature") or rig.channel.get("oil_temperature")
    notes = [] if channel.u_gain else [exact_gain("turning_torque")]
    return ConditionedVisit(
        runs,
        {s.key: s for s in sources.values()},
        None if temperature is None else temperature.u_zero,
        tuple(notes),
        rig,
        findings=tuple(breaks_off(recording)),
    )


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
    key: tuple[str, str, str],
    reading: Array,
    oil: Array | None,
    sources: Mapping[str, ErrorSource],
    file: str,
    dropped: Mapping[str, int],
) -> ConditionedRun:
    """Readings (c,) [N·m] of one arrangement, direction and kind as a run of their own."""
    arrangement, direction, kind = key
    n = reading.size
    ones, number = np.ones(n), np.arange(n)
    shares = _shares(arrangement)
    flank = shares.input_torque if direction == "forward" else 0.0 - shares.input_torque
    gives = -shares.difference
    changes = {"gain": reading, "zero": ones, "drag": -ones}
    effects = {}
    for name, source in sources.items():
        change = source.u * changes[name]
        effects[source.key] = Effect(flank * change, gives * change, source.u if name == "gain" else 0.0)
    scatter = float(np.std(reading, ddof=1)) if n > 1 else 0.02 * float(reading[0])
    friction = Friction.STATIC if kind == "breakaway" else Friction.KINETIC
    return ConditionedRun(
        name=f"{file} ({arrangement}, {direction}, {kind})",
        kind="turning-torque",
        cells=Cells(
            time=number.astype(np.float64),
            count=ones,
            width=ones,
            direction=-ones,
            speed_difference=0.0 * ones,
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
        noise=gives * max(scatter, 1e-3 * float(np.mean(reading))),
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


def _temperature(recording: Recording, rig: Rig) -> Array | None:
    for name in ("plate_temperature", "oil_temperature"):
        if name in recording.channels:
            values = rig.channel[name].corrected(recording.channels[name])
            good = np.isfinite(values)
            if good.any():
                return np.where(good, values, float(np.mean(values[good])))
    return None
