"""Hand readings: one output turned by a wrench, and what each reading says of the locking torque."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.bench import Effect, ErrorSource, exact_gain
from diffbench.conditioning.cells import Cells, Heat
from diffbench.conditioning.checks.held import LEAST_LEVEL
from diffbench.conditioning.findings import breaks_off
from diffbench.conditioning.run import ConditionedRun, ConditionedVisit, History
from diffbench.conditioning.samples import corrected
from diffbench.documents import Rig
from diffbench.documents.arrangements import ARRANGEMENTS, Shares
from diffbench.doubts import Source
from diffbench.errors import Fault, Place, RecordingError
from diffbench.recording import Recording

Array = NDArray[np.float64]

KINETIC, STATIC = 1, 2


def hand_readings(rig: Rig, recording: Recording, *, rig_key: str, visit_key: str) -> ConditionedVisit:
    """Each reading as one observation of the locking torque.

    By the equilibrium of its arrangement; what turning forward loads, turning backward loads on the other
    flank. Breakaway reads static friction, running kinetic. Groups of one
    arrangement, direction and kind keep their own scatter. Raises ``RecordingError`` where arrangement,
    direction or kind of a reading are not told: none is guessed.
    """
    channel = rig.channel["turning_torque"]
    signed = corrected(
        recording.channels["turning_torque"], sign=channel.sign, gain=channel.gain, zero=channel.zero
    )
    low, high = (-np.inf, np.inf) if channel.range is None else channel.range
    beyond = (signed < low) | (signed > high)
    # what the bearing of the turned shaft takes, the unit does not
    torque = np.where(beyond, np.nan, np.abs(signed) - channel.drag.value)
    n = torque.size
    arrangement = _labels(recording, rig, "arrangement", rig.arrangement if rig.turns_one_output else None, n)
    kind = _labels(recording, rig, "reading", None, n)
    # which flank bears matters where the reading loads the ramps itself
    loads = any(_shares(name).input_torque for name in arrangement)
    direction = _labels(recording, rig, "direction", None if loads else "forward", n)
    oil = _temperature(recording, rig, n)
    good = np.isfinite(torque)
    if not good.any():
        raise RecordingError.single(
            "no reading holds a number within the channel's range",
            file=str(recording.source.path),
            mend="check the torque column, and range in [channel.turning_torque]",
        )
    if float(np.max(np.abs(torque[good]))) < LEAST_LEVEL:
        raise RecordingError.single(
            f"no reading is more than {LEAST_LEVEL:g} N·m: no unit that turns reads so little",
            file=str(recording.source.path),
            mend="check the torque column and its unit, and gain and drag in [channel.turning_torque]",
        )
    groups: dict[tuple[str, str, str], list[int]] = {}
    for i in np.flatnonzero(good):
        groups.setdefault((arrangement[i], direction[i], kind[i]), []).append(int(i))
    sources: dict[str, ErrorSource] = {}
    if channel.u_gain:
        sources["gain"] = ErrorSource(
            f"{rig_key}:turning_torque.gain", "gain of turning_torque", Source.TRANSDUCER_GAIN, channel.u_gain
        )
    if channel.u_zero:
        sources["zero"] = ErrorSource(
            f"{visit_key}:turning_torque.zero",
            "zero of turning_torque",
            Source.TRANSDUCER_ZERO,
            channel.u_zero,
        )
    if channel.drag.u:
        sources["drag"] = ErrorSource(
            f"{rig_key}:turning_torque.drag",
            "drag of turning_torque",
            Source.DRAG,
            channel.drag.u,
        )
    dropped = {
        "outside the channel's range": int(beyond.sum()),
        "missing reading": int((~good & ~beyond).sum()),
    }
    dropped = {reason: count for reason, count in dropped.items() if count}
    runs = tuple(
        _group(
            key,
            np.array(rows),
            torque,
            oil,
            sources,
            str(recording.source.path),
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


def _group(
    key: tuple[str, str, str],
    rows: NDArray[np.int64],
    torque: Array,
    oil: Array | None,
    sources: dict[str, ErrorSource],
    file: str,
    dropped: Mapping[str, int],
) -> ConditionedRun:
    arrangement, direction, kind = key
    reading = torque[rows]
    ones = np.ones(rows.size)
    shares = _shares(arrangement)
    flank = shares.input_torque if direction == "forward" else 0.0 - shares.input_torque
    gives = -shares.difference
    made = Cells(
        time=np.arange(rows.size, dtype=np.float64),
        count=ones,
        width=ones,
        direction=-ones,
        speed_difference=0.0 * ones,
        oil=None if oil is None else oil[rows],
        plate=None,
        readings={"turning_torque": reading},
        rates={},
        speeds={},
        accelerations={},
        stretch=np.arange(rows.size) * 2,
        segment=np.zeros(rows.size, dtype=np.int64),
    )
    effects = {}
    if "gain" in sources:
        change = sources["gain"].u * reading
        effects[sources["gain"].key] = Effect(flank * change, gives * change, sources["gain"].u)
    if "zero" in sources:
        change = sources["zero"].u * ones
        effects[sources["zero"].key] = Effect(flank * change, gives * change)
    if "drag" in sources:
        change = -sources["drag"].u * ones
        effects[sources["drag"].key] = Effect(flank * change, gives * change)
    scatter = float(np.std(reading, ddof=1)) if rows.size > 1 else 0.02 * float(reading[0])
    return ConditionedRun(
        name=f"{file} ({arrangement}, {direction}, {kind})",
        kind="turning-torque",
        cells=made,
        input_torque=flank * reading,
        difference=gives * reading,
        effects=effects,
        input_slope=0.0 * ones,
        locking_slope=0.0 * ones,
        # every reading comes from rest: the ramps stand on their loading branch
        history=History(
            flank * reading, np.ones(rows.size, dtype=bool), np.arange(rows.size), np.arange(rows.size)
        ),
        heat=Heat(
            np.arange(rows.size, dtype=np.float64) if rows.size > 1 else np.array([0.0]),
            0.0 * ones,
            0.0 * ones,
        ),
        dropped=dropped,
        samples=int(rows.size + sum(dropped.values())),
        noise=gives * max(scatter, 1e-3 * float(np.mean(reading))),
        friction_state=np.full(rows.size, STATIC if kind == "breakaway" else KINETIC, dtype=np.int64),
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


def _temperature(recording: Recording, rig: Rig, n: int) -> Array | None:
    for name in ("plate_temperature", "oil_temperature"):
        if name in recording.channels:
            channel = rig.channel[name]
            values = corrected(
                recording.channels[name], sign=channel.sign, gain=channel.gain, zero=channel.zero
            )
            good = np.isfinite(values)
            if good.any():
                return np.where(good, values, float(np.mean(values[good])))
    del n
    return None
