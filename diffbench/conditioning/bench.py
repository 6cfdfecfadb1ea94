"""Cells of one run brought to the unit: input torque and torque difference, and what each doubtful constant
does to them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.cells import Cells
from diffbench.conditioning.samples import Samples
from diffbench.conditioning.tare import Tare
from diffbench.conditioning.transducers import TorqueChain
from diffbench.documents import Rig
from diffbench.documents.arrangements import noise_share
from diffbench.doubts import CountsAsExact, Source

Array = NDArray[np.float64]

SIDES = {"left_torque": "left", "right_torque": "right", "input_torque": "case", "turning_torque": "turned"}


@dataclass(frozen=True)
class ErrorSource:
    """A constant of the bench that is known with a standard uncertainty ``u`` only (in its own SI unit).

    ``key`` is the same for all runs that share the error; ``group`` names it in the uncertainty budget. A
    ``considered`` one is not searched, as the sweeps cannot tell it: only its uncertainty is passed on.
    ``allowed`` is what the rig states of it where a measurement at one time has replaced that: a zero may
    move by as much after its tare run.
    """

    key: str
    label: str
    group: str
    u: float
    considered: bool = False
    allowed: float = 0.0


@dataclass(frozen=True)
class Effect:
    """What one standard uncertainty of a source does: change of input torque and of torque difference (c,)
    [N·m].

    ``noise_share``: by how much it scales the noise of the torque difference. A gain that shrinks the
    readings shrinks their noise as well; unless that is taken out, the fit prefers small gains for their
    small residuals.
    """

    input_torque: Array
    difference: Array
    noise_share: float = 0.0


def needed_torques(rig: Rig) -> tuple[str, ...]:
    """The torque channels that the arrangement computes with."""
    return tuple(rig.equilibrium)


def refit_spread(rig: Rig) -> tuple[float, float]:
    """Relative standard deviations of preload and ramp bias over refits to this bench, 0 where not stated."""
    return rig.repeatability.preload_torque or 0.0, rig.repeatability.ramp_bias or 0.0


def exact_gain(channel: str) -> CountsAsExact:
    """What is said of a torque channel whose gain has no stated uncertainty."""
    text = f"u_gain of {channel} is not stated: its gain counts as exact"
    return CountsAsExact(text, Source.TRANSDUCER_GAIN, channel)


def chains(rig: Rig, tare: Tare | None) -> dict[str, TorqueChain]:
    """The chain of each torque channel as stated; a tare run replaces stated drag (its reading holds zero and
    drag)."""
    return {name: chain(rig, name, tare) for name in needed_torques(rig)}


def chain(rig: Rig, name: str, tare: Tare | None) -> TorqueChain:
    """The chain of one torque channel, see `chains`."""
    channel = rig.channel[name]
    pinion = name == "input_torque" and channel.at == "pinion"
    tared = tare is not None and name in tare.mean
    return TorqueChain(
        # what drives reads more than the unit gets, what is driven less
        side=1 if name in ("left_torque", "right_torque") else -1,
        lag=channel.lag.value,
        tare=tare.mean[name] if tare is not None and tared else 0.0,
        drag=0.0 if tared else channel.drag.value,
        inertia=channel.inertia.value,
        ratio=channel.ratio.value if pinion else 1.0,
        efficiency=channel.efficiency.value if pinion else 1.0,
    )


def sources(
    rig: Rig, tare: Tare | None, *, rig_key: str, visit_key: str
) -> dict[tuple[str, str], ErrorSource]:
    """What is doubtful about each torque channel, by (channel, constant of the chain).

    A flange keeps its gain error from visit to visit, so that one is keyed by the rig; zero and tare belong
    to the visit. A tare run replaces the stated uncertainty of the zero by its own.
    """
    found: dict[tuple[str, str], ErrorSource] = {}

    def add(channel: str, constant: str, group: str, u: float | None, key: str, allowed: float = 0.0) -> None:
        if u:
            label = f"{constant} of {channel}"
            found[channel, constant] = ErrorSource(
                f"{key}:{channel}.{constant}", label, group, u, allowed=allowed
            )

    for name in needed_torques(rig):
        channel = rig.channel[name]
        add(name, "gain", Source.TRANSDUCER_GAIN, channel.u_gain, rig_key)
        if tare is not None and name in tare.mean:
            add(name, "tare", Source.TARE, tare.u[name], visit_key, channel.u_zero or 0.0)
        else:
            add(name, "zero", Source.TRANSDUCER_ZERO, channel.u_zero, visit_key)
            add(name, "drag", Source.DRAG, channel.drag.u, rig_key)
        add(name, "lag", Source.LAG, channel.lag.u, rig_key)
        add(name, "inertia", Source.INERTIA, channel.inertia.u, rig_key)
        if name == "input_torque" and channel.at == "pinion":
            add(name, "ratio", Source.FINAL_DRIVE, channel.ratio.u, rig_key)
            add(name, "efficiency", Source.FINAL_DRIVE, channel.efficiency.u, rig_key)
    return found


def torques(
    rig: Rig,
    made: Mapping[str, TorqueChain],
    readings: Mapping[str, Array],
    rates: Mapping[str, Array],
    speeds: Mapping[str, Array],
    accelerations: Mapping[str, Array],
) -> tuple[Array, Array]:
    """Input torque at the case and torque difference ``T_L − T_R`` at the unit (n,) [N·m], by the
    arrangement's equilibrium."""
    at_unit: dict[str, Array] = {}
    for name, chain in made.items():
        reading = readings[name]
        ratio = chain.ratio if name == "input_torque" else 1.0
        # with no shaft speed on record the shafts are taken to turn forward, steadily
        speed = speeds[SIDES[name]] * ratio if SIDES[name] in speeds else np.ones_like(reading)
        acceleration = (
            accelerations[SIDES[name]] * ratio if SIDES[name] in accelerations else np.zeros_like(reading)
        )
        at_unit[name] = chain.at_unit(reading, rates[name], speed, acceleration)
    shares = rig.equilibrium
    whole = _sum([(shares[name].input_torque, torque) for name, torque in at_unit.items()])
    return whole, _sum([(shares[name].difference, torque) for name, torque in at_unit.items()])


def _sum(terms: list[tuple[float, Array]]) -> Array:
    """Sum of torques by their shares; one that does not count in it may be missing."""
    counting = [share * torque for share, torque in terms if share]
    return sum(counting[1:], counting[0]) if counting else np.zeros_like(terms[0][1])


def at_samples(rig: Rig, made: Mapping[str, TorqueChain], samples: Samples) -> tuple[Array, Array]:
    """Input torque and torque difference at every sample."""
    return torques(rig, made, samples.torques, samples.rates, samples.speeds, samples.accelerations)


def at_cells(rig: Rig, made: Mapping[str, TorqueChain], cells: Cells) -> tuple[Array, Array]:
    """Input torque and torque difference of every cell."""
    return torques(rig, made, cells.readings, cells.rates, cells.speeds, cells.accelerations)


def effects(
    rig: Rig, made: Mapping[str, TorqueChain], cells: Cells, doubtful: Mapping[tuple[str, str], ErrorSource]
) -> dict[str, Effect]:
    """What one standard uncertainty of each source does to the cells, through the whole chain: half the
    difference of the chain with the constant that much too high and that much too low, the other constants as
    stated."""
    found: dict[str, Effect] = {}
    for (channel, constant), source in doubtful.items():
        upper = {**made, channel: made[channel].with_error(constant, source.u)}
        lower = {**made, channel: made[channel].with_error(constant, -source.u)}
        high, low = at_cells(rig, upper, cells), at_cells(rig, lower, cells)
        share = 0.0
        if constant == "gain" and channel != "input_torque":
            # T_L − T_R holds each output once; where one torque is measured, all of it is in it
            share = source.u * noise_share(rig.equilibrium, channel)
        found[source.key] = Effect(0.5 * (high[0] - low[0]), 0.5 * (high[1] - low[1]), share)
    return found
