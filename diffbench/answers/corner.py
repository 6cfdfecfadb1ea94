"""Corner entry with measured and predicted units: wheel-speed difference kept, yaw moment, tyre forces, phase
by phase and rung by rung."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from diffbench.answers.operating_point import Interval
from diffbench.documents.car import Car, Phase
from diffbench.errors import DocumentError
from diffbench.physics.corner_balance import (
    AxleBalance,
    Turn,
    axle_balance,
    mean_share_kept,
    yaw_moment_to_the_left,
)
from diffbench.results.locking_map import Branch, LockingMap

AxleState = Literal["locked", "slipping", "not proven"]
Lookup = Callable[[float], float]


@dataclass(frozen=True)
class PhaseResult:
    """One phase with one unit. Limits are those of the map (95 %): the car counts as exact.

    Attributes
    ----------
    phase : str
        Its name.
    entry : bool
        Whether it counts in the mean over the entry: under engine braking.
    branch : str
        Of the map.
    input_torque : float
        At the case [N·m], negative under engine braking.
    temperature : float
        Of plates and oil [°C].
    free_difference : float
        Speed difference of wheels that roll freely, outer minus inner [rad/s].
    speed_difference : Interval
        The one that the unit leaves [rad/s].
    share_kept : Interval
        The one over the other [-].
    locking_torque : Interval
        What the unit can hold across there [N·m].
    yaw_moment : Interval
        Against the turn [N·m], never negative.
    outer_force, inner_force : Interval
        Longitudinal forces of the tyres on the car [N], positive forward.
    left_force, right_force, yaw_moment_to_the_left : float or None
        The same by side, where the phase says which way it turns; yaw moment positive to the left (ISO 8855).
    state : {"locked", "slipping", "not proven"}
        Whether both wheels turn alike; not proven where the limits of the map disagree.
    sliding : {"outer", "inner"} or None
        The tyre that is at its limit.
    tested : bool
        Whether the bench covered the place. A locked axle does not slide: it counts where that torque and
        temperature were covered at some speed difference up to free rolling.
    beyond : bool
        Whether the place is beyond the axes of the map.
    """

    phase: str
    entry: bool
    branch: Branch
    input_torque: float
    temperature: float
    free_difference: float
    speed_difference: Interval
    share_kept: Interval
    locking_torque: Interval
    yaw_moment: Interval
    outer_force: Interval
    inner_force: Interval
    left_force: float | None
    right_force: float | None
    yaw_moment_to_the_left: float | None
    state: AxleState
    sliding: Literal["outer", "inner"] | None
    tested: bool
    beyond: bool


@dataclass(frozen=True)
class Rung:
    """All phases with one unit.

    Attributes
    ----------
    name : str
        By which it is told from the others.
    unit, build : str
        What the map is of.
    predicted : str or None
        What was changed, where no bench has measured this unit.
    phases : tuple of PhaseResult
        In the order of the car's list.
    mean_share_kept : Interval
        Over the entry [-], by `diffbench.physics.corner_balance.mean_share_kept`; None without a phase under
        engine braking.
    mean_difference_kept : Interval
        Mean speed difference over the entry [rad/s].
    """

    name: str
    unit: str
    build: str
    predicted: str | None
    phases: tuple[PhaseResult, ...]
    mean_share_kept: Interval
    mean_difference_kept: Interval

    @property
    def label(self) -> str:
        """The name, and that the unit is predicted where the name does not say so."""
        if self.predicted is None or "predicted" in self.name:
            return self.name
        return f"{self.name}, predicted"


@dataclass(frozen=True)
class CornerEntry:
    """A car's corner entry with one unit after the other.

    Attributes
    ----------
    car : str
        Its name.
    timed : bool
        Whether the phases have durations; without, each counts alike in the mean.
    rungs : tuple of Rung
        In the order given.
    """

    car: str
    timed: bool
    rungs: tuple[Rung, ...]


def corner_entry(
    car: Car,
    units: Sequence[tuple[str, LockingMap]],
    *,
    phases: Sequence[Phase] | None = None,
    branch: Branch = "either",
    file: str | None = None,
) -> CornerEntry:
    """What each unit does in every phase of a corner entry.

    Parameters
    ----------
    car : Car
        Axle, tyres and phases.
    units : sequence of (str, LockingMap)
        Names and maps, measured or predicted.
    phases : sequence of Phase or None
        Instead of the car's own.
    branch : {"either", "mean", "loading", "unloading"}
        Of the maps, where a phase does not say it; by default it is not known which.
    file : str or None
        The car's file, for messages.

    Returns
    -------
    The result, a rung for each unit.

    Raises
    ------
    DocumentError
        There is no phase, or a tyre is beyond its limit whatever the unit does.

    Notes
    -----
    Validity: as `diffbench.physics.corner_balance.axle_balance`; each phase in steady state, the torque of
    the map at its own speed difference; limits by all of the map at its lower, and at its upper limit. Beyond
    the axes of a map, its own rule.

    References
    ----------
    Equilibrium of both wheels on linear tyres; common practice, no source.
    """
    chosen = tuple(car.phase if phases is None else phases)
    if not chosen:
        raise DocumentError.single(
            "no phase is described",
            file=file,
            key="phase",
            mend="add a table [[phase]] for each part of the entry, or describe one point by options",
        )
    times = [phase.duration for phase in chosen if phase.is_entry]
    timed = bool(times) and all(time is not None for time in times)
    return CornerEntry(
        car=car.name,
        timed=timed,
        rungs=tuple(_rung(name, unit, car, chosen, branch, file) for name, unit in units),
    )


def _rung(
    name: str, unit: LockingMap, car: Car, phases: Sequence[Phase], branch: Branch, file: str | None
) -> Rung:
    results = tuple(_phase(unit, car, phase, phase.branch or branch, file) for phase in phases)
    entry = [result for result in results if result.entry]
    times = [phase.duration or 1.0 for phase in phases if phase.is_entry]
    free = [result.free_difference for result in entry]
    shares: list[float | None] = [None, None, None]
    means: list[float | None] = [None, None, None]
    if entry:
        for i, limit in enumerate(("value", "low", "high")):
            kept = [float(getattr(result.speed_difference, limit)) for result in entry]
            share = mean_share_kept(kept, free, times)
            shares[i] = None if math.isnan(share) else share
            means[i] = sum(w * t for w, t in zip(kept, times, strict=True)) / sum(times)
    return Rung(
        name=name,
        unit=unit.document.unit,
        build=unit.document.build,
        predicted=unit.document.predicted,
        phases=results,
        mean_share_kept=Interval(*shares),
        mean_difference_kept=Interval(*means),
    )


def _phase(unit: LockingMap, car: Car, phase: Phase, branch: Branch, file: str | None) -> PhaseResult:
    torque, heat = phase.input_torque, phase.temperature

    def balance(lookup: Lookup) -> AxleBalance:
        return axle_balance(
            lookup,
            speed=phase.speed,
            corner_radius=phase.radius,
            track=car.axle.track,
            rolling_radius=car.axle.rolling_radius,
            slip_stiffness=car.tyre.slip_stiffness,
            input_torque=torque,
            brake_torque=phase.brake_torque,
            outer_limit=math.inf if phase.outer_tyre_limit is None else phase.outer_tyre_limit,
            inner_limit=math.inf if phase.inner_tyre_limit is None else phase.inner_tyre_limit,
            corners=unit.axes[1].tolist(),
        )

    try:
        best = balance(lambda difference: float(unit.locking_torque(torque, difference, heat, branch)))
        # the least and the most that the unit may hold across
        least = balance(lambda difference: float(unit.interval(torque, difference, heat, branch)[0]))
        most = balance(lambda difference: float(unit.interval(torque, difference, heat, branch)[1]))
    except ValueError as error:
        raise DocumentError.single(
            f"phase '{phase.name}': {error}",
            file=file,
            key="phase",
            mend="check torques and limits of the tyres",
        ) from error
    lowest = float(unit.axes[1][0])
    places = [best.speed_difference]
    if best.locked:
        places = [w for w in unit.axes[1].tolist() if w <= max(best.free_difference, lowest)]
    limits = unit.interval(torque, best.speed_difference, heat, branch)
    state: AxleState = "not proven"
    if least.locked == most.locked:
        state = "locked" if best.locked else "slipping"
    left, right, to_the_left = _by_side(best, phase.turn)
    return PhaseResult(
        phase=phase.name,
        entry=phase.is_entry,
        branch=branch,
        input_torque=torque,
        temperature=heat,
        free_difference=best.free_difference,
        speed_difference=Interval(best.speed_difference, most.speed_difference, least.speed_difference),
        share_kept=Interval(best.share_kept, most.share_kept, least.share_kept),
        locking_torque=Interval(best.locking_torque, float(limits[0]), float(limits[1])),
        yaw_moment=Interval(best.yaw_moment, least.yaw_moment, most.yaw_moment),
        outer_force=Interval(best.outer_force, most.outer_force, least.outer_force),
        inner_force=Interval(best.inner_force, least.inner_force, most.inner_force),
        left_force=left,
        right_force=right,
        yaw_moment_to_the_left=to_the_left,
        state=state,
        sliding=best.sliding,
        tested=any(bool(unit.is_tested(torque, at, heat, branch)) for at in places),
        beyond=all(bool(unit.read(torque, at, heat, branch).beyond) for at in places),
    )


def _by_side(balance: AxleBalance, turn: Turn | None) -> tuple[float | None, float | None, float | None]:
    """Forces left and right, and the yaw moment to the left; nothing where the turn is not stated."""
    if turn is None:
        return None, None, None
    forces = (balance.inner_force, balance.outer_force)
    left, right = forces if turn == "left" else forces[::-1]
    return left, right, yaw_moment_to_the_left(balance.yaw_moment, turn)
