"""Corner entry with measured and predicted units: wheel-speed difference kept, yaw moment, tyre forces, phase
by phase and rung by rung."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, TypeVar

from diffbench.answers.operating_point import Interval
from diffbench.documents.car import Car, Phase
from diffbench.documents.fields import Doubtful, Table
from diffbench.errors import DocumentError
from diffbench.physics.corner_balance import (
    AxleBalance,
    Turn,
    axle_balance,
    mean_share_kept,
    yaw_moment_to_the_left,
)
from diffbench.physics.wheel_loads import GRAVITY, axle_load, lateral_transfer, stiffness_under_load
from diffbench.results.discrepancy import NORMAL_95
from diffbench.results.locking_map import Branch, LockingMap

AxleState = Literal["locked", "slipping", "not proven"]
Lookup = Callable[[float], float]
T = TypeVar("T", bound=Table)


@dataclass(frozen=True)
class Doubt:
    """What one doubtful key of the car moves, at its 95 % limits: the share kept [-] and the yaw moment
    [N·m]."""

    source: str
    share_kept: float
    yaw_moment: float


@dataclass(frozen=True)
class PhaseResult:
    """One phase with one unit. Limits are those of map and car together (95 %): a key of the car that states
    no uncertainty counts as exact.

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
        Against the turn [N·m]; negative, into it, where the inner wheel is the faster one.
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
    share_kept_by_map, share_kept_by_car : Interval or None
        The share kept with the doubt of one of them alone.
    doubts : tuple of Doubt
        Key by key of the car.
    """

    phase: str
    entry: bool
    branch: Branch | Literal["followed"]
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
    share_kept_by_map: Interval | None = None
    share_kept_by_car: Interval | None = None
    doubts: tuple[Doubt, ...] = ()


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
    mean_share_kept_by_map, mean_share_kept_by_car : Interval or None
        The mean share with the doubt of one of them alone.
    """

    name: str
    unit: str
    build: str
    predicted: str | None
    phases: tuple[PhaseResult, ...]
    mean_share_kept: Interval
    mean_difference_kept: Interval
    mean_share_kept_by_map: Interval | None = None
    mean_share_kept_by_car: Interval | None = None

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
    follow: bool = False,
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
    follow : bool
        Whether the ramps' hysteresis is followed from phase to phase instead, from loading on.
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
    the map at its own speed difference; limits by all of the map at its lower, and at its upper limit, and by
    each doubtful key of the car at its own, summed in squares (JCGM 100, independent parts). Beyond the axes
    of a map, its own rule. Camber is ignored.

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
        rungs=tuple(_rung(name, unit, car, chosen, branch, file, follow=follow) for name, unit in units),
    )


@dataclass(frozen=True)
class _Held:
    """What a unit can hold across in one phase, over speed difference, by the map and its limits."""

    value: Lookup
    low: Lookup
    high: Lookup
    branch: Branch | Literal["followed"]


def _held(unit: LockingMap, phases: Sequence[Phase], branch: Branch, *, follow: bool) -> list[_Held]:
    """For each phase; followed, a ramp's thrust stays between loading and unloading as a play operator, from
    loading in the first phase on and wherever the flank changes."""
    found: list[_Held] = []
    before: tuple[Phase, _Held] | None = None
    for phase in phases:
        if not follow or phase.branch is not None:
            made = _of_branch(unit, phase, phase.branch or branch)
        else:
            loading, unloading = (_of_branch(unit, phase, which) for which in ("loading", "unloading"))
            made = loading
            if before is not None and (before[0].input_torque < 0.0) == (phase.input_torque < 0.0):
                made = _played(before[1], loading, unloading)
            made = _Held(made.value, made.low, made.high, "followed")
        before = (phase, made)
        found.append(made)
    return found


def _of_branch(unit: LockingMap, phase: Phase, branch: Branch) -> _Held:
    torque, heat = float(phase.input_torque), float(phase.temperature)
    return _Held(
        lambda difference: float(unit.locking_torque(torque, difference, heat, branch)),
        lambda difference: float(unit.interval(torque, difference, heat, branch)[0]),
        lambda difference: float(unit.interval(torque, difference, heat, branch)[1]),
        branch,
    )


def _played(before: _Held, loading: _Held, unloading: _Held) -> _Held:
    def between(part: Literal["value", "low", "high"]) -> Lookup:
        last, least, most = (getattr(held, part) for held in (before, loading, unloading))
        return lambda difference: max(min(last(difference), most(difference)), least(difference))

    return _Held(between("value"), between("low"), between("high"), "followed")


def _rung(
    name: str,
    unit: LockingMap,
    car: Car,
    phases: Sequence[Phase],
    branch: Branch,
    file: str | None,
    *,
    follow: bool,
) -> Rung:
    held = _held(unit, phases, branch, follow=follow)
    nodes = unit.axes[1].tolist()

    def solved(part: str, car: Car = car, phases: Sequence[Phase] = phases) -> list[AxleBalance]:
        return [
            _balance(getattr(each, part), car, phase, nodes, file)
            for each, phase in zip(held, phases, strict=True)
        ]

    best, least, most = (solved(part) for part in ("value", "low", "high"))
    moved = {
        source: [solved("value", *shifted) for shifted in pair]
        for source, pair in _shifted(car, phases).items()
    }
    results = tuple(
        _phase(
            unit,
            phase,
            held[i],
            (best[i], least[i], most[i]),
            {source: (down[i], up[i]) for source, (down, up) in moved.items()},
        )
        for i, phase in enumerate(phases)
    )
    share, kept, by_map, by_car = _means(phases, best, (least, most), moved)
    return Rung(
        name=name,
        unit=unit.document.unit,
        build=unit.document.build,
        predicted=unit.document.predicted,
        phases=results,
        mean_share_kept=share,
        mean_difference_kept=kept,
        mean_share_kept_by_map=by_map,
        mean_share_kept_by_car=by_car,
    )


def _means(
    phases: Sequence[Phase],
    best: Sequence[AxleBalance],
    limits: tuple[Sequence[AxleBalance], Sequence[AxleBalance]],
    moved: Mapping[str, Sequence[Sequence[AxleBalance]]],
) -> tuple[Interval, Interval, Interval, Interval]:
    """Mean share and mean difference kept over the entry; the share by the map, and by the car, alone."""
    times = [phase.duration or 1.0 for phase in phases if phase.is_entry]
    if not times:
        nothing = Interval(None, None, None)
        return nothing, nothing, nothing, nothing

    def of(balances: Sequence[AxleBalance]) -> tuple[float, float]:
        entry = [each for each, phase in zip(balances, phases, strict=True) if phase.is_entry]
        kept = [each.speed_difference for each in entry]
        share = mean_share_kept(kept, [each.free_difference for each in entry], times)
        return share, sum(abs(w) * t for w, t in zip(kept, times, strict=True)) / sum(times)

    found: list[Interval] = []
    alone: list[Interval] = []
    for i in (0, 1):
        value, by_map = of(best)[i], [of(each)[i] for each in limits]
        pairs = [(of(down)[i], of(up)[i]) for down, up in moved.values()]
        found.append(_joined(value, by_map, pairs))
        alone += [_joined(value, by_map, ()), _joined(value, (value, value), pairs)]
    return found[0], found[1], alone[0], alone[1]


def _joined(value: float, by_map: Sequence[float], by_car: Sequence[tuple[float, float]]) -> Interval:
    """95 % limits of map and car together: what each moves to either side, summed in squares; no side is
    left that no part of it leaves, such as a locked axle's."""
    sides = []
    for sign in (-1.0, 1.0):
        parts = [max(sign * (limit - value) for limit in (*by_map, value))]
        parts += [max(sign * (limit - value) for limit in (*pair, value)) for pair in by_car]
        sides.append(math.sqrt(sum(part**2 for part in parts)) if len(parts) > 1 else parts[0])
    low, high = value - sides[0], value + sides[1]
    floor = min(value, *by_map, *(limit for pair in by_car for limit in pair))
    return Interval(value, max(low, 0.0) if floor >= 0.0 else low, high)


def _shifted(
    car: Car, phases: Sequence[Phase]
) -> dict[str, tuple[tuple[Car, list[Phase]], tuple[Car, list[Phase]]]]:
    """Car and phases with each doubtful key at its 95 % limits, by the key."""
    found = {key: ((down, list(phases)), (up, list(phases))) for key, (down, up) in shifted_cars(car).items()}
    for i, phase in enumerate(phases):
        for key, pair in _limits_of(phase).items():
            down, up = ((car, [*phases[:i], each, *phases[i + 1 :]]) for each in pair)
            found[f"{phase.name}: {key}"] = (down, up)
    return found


def shifted_cars(car: Car) -> dict[str, tuple[Car, Car]]:
    """The car with each of its doubtful keys at its lower, and at its upper 95 % limit, by the key."""
    found = {}
    for name in ("axle", "tyre", "body"):
        for key, pair in _limits_of(getattr(car, name)).items():
            down, up = (car.model_copy(update={name: each}) for each in pair)
            found[f"{name}.{key}"] = (down, up)
    return found


def _limits_of(table: T | None) -> dict[str, tuple[T, T]]:
    """A table with each of its doubtful keys at its lower, and at its upper 95 % limit."""
    if table is None:
        return {}
    found = {}
    for key in type(table).model_fields:
        value = getattr(table, key)
        if isinstance(value, Doubtful) and value.u:
            low, high = (
                table.model_copy(update={key: float(value) + sign * NORMAL_95 * value.u})
                for sign in (-1.0, 1.0)
            )
            found[key] = (low, high)
    return found


def _balance(lookup: Lookup, car: Car, phase: Phase, nodes: Sequence[float], file: str | None) -> AxleBalance:
    radius, stiffness = car.axle.rolling_radius, car.tyre.slip_stiffness
    try:
        loads = wheel_loads(car, phase)
        limits = [
            math.inf if limit is None else limit for limit in (phase.outer_tyre_limit, phase.inner_tyre_limit)
        ]
        if loads is not None:
            limits = [
                min(limit, _beside(car, phase, load)) for limit, load in zip(limits, loads, strict=True)
            ]
        return axle_balance(
            lookup,
            speed=phase.speed,
            corner_radius=phase.radius,
            track=car.axle.track,
            rolling_radius=_radii(car, phase) if car.axle.radius_difference else radius,
            slip_stiffness=stiffness if loads is None else _stiffnesses(car, loads),
            input_torque=phase.input_torque,
            brake_torque=phase.brake_torque,
            outer_limit=limits[0],
            inner_limit=limits[1],
            corners=nodes,
            slip_of=car.tyre.slip_of,
        )
    except ValueError as error:
        raise DocumentError.single(
            f"phase '{phase.name}': {error}",
            file=file,
            key="phase",
            mend="check torques, loads and limits of the tyres",
        ) from error


def wheel_loads(car: Car, phase: Phase) -> tuple[float, float] | None:
    """Loads [N] of the outer and the inner driven wheel; None without a body. Raises ``ValueError`` where the
    inner wheel lifts off."""
    body = car.body
    if body is None:
        return None
    air = (phase.speed / body.air_speed) ** 2 if body.air_speed else 0.0
    whole = axle_load(
        body.mass,
        body.weight_share,
        height=body.height,
        wheelbase=body.wheelbase,
        longitudinal=phase.longitudinal_acceleration,
        drag=body.drag * air,
        lift=body.lift * air,
        rear=body.driven == "rear",
    )
    across = lateral_transfer(
        body.mass, phase.speed**2 / phase.radius, body.height, car.axle.track, body.roll_share
    )
    outer, inner = float(whole / 2.0 + across), float(whole / 2.0 - across)
    if inner <= 0.0:
        raise ValueError("the inner wheel lifts off the ground, and this model ends there")
    return outer, inner


def _stiffnesses(car: Car, loads: tuple[float, float]) -> tuple[float, float]:
    """Slip stiffness [N per unit slip] of the outer and the inner tyre."""
    tyre, body = car.tyre, car.body
    assert body is not None  # there are loads
    assert tyre.load_exponent is not None  # the car's own rule
    nominal = tyre.load or float(axle_load(body.mass, body.weight_share)) / 2.0
    outer, inner = (
        float(stiffness_under_load(tyre.slip_stiffness, load, nominal, tyre.load_exponent)) for load in loads
    )
    return outer, inner


def _beside(car: Car, phase: Phase, load: float) -> float:
    """Longitudinal force [N] that a tyre has left beside its share of the cornering: a friction circle."""
    if car.tyre.friction is None:
        return math.inf
    room = car.tyre.friction**2 - (phase.speed**2 / phase.radius / GRAVITY) ** 2
    if room <= 0.0:
        raise ValueError("the tyres slide in this corner at this speed: their friction does not hold the car")
    return load * math.sqrt(room)


def _radii(car: Car, phase: Phase) -> tuple[float, float]:
    """Rolling radii [m] of the outer and the inner wheel; a difference that is only doubted may have either
    sign."""
    half = 0.5 * car.axle.radius_difference
    if phase.turn == "left":
        half = -half
    return float(car.axle.rolling_radius * (1.0 + half)), float(car.axle.rolling_radius * (1.0 - half))


def _phase(
    unit: LockingMap,
    phase: Phase,
    held: _Held,
    of_map: tuple[AxleBalance, AxleBalance, AxleBalance],
    of_car: Mapping[str, tuple[AxleBalance, AxleBalance]],
) -> PhaseResult:
    best, least, most = of_map
    torque, heat = float(phase.input_torque), float(phase.temperature)
    branch: Branch = "either" if held.branch == "followed" else held.branch

    def joined(key: str) -> Interval:
        pairs = [(getattr(down, key), getattr(up, key)) for down, up in of_car.values()]
        return _joined(getattr(best, key), (getattr(least, key), getattr(most, key)), pairs)

    size = abs(best.speed_difference)
    lowest = float(unit.axes[1][0])
    places = [size]
    if best.locked:
        places = [w for w in unit.axes[1].tolist() if w <= max(abs(best.open_difference), lowest)]
    holds = (held.low(size), held.high(size))
    pairs = [(down.locking_torque, up.locking_torque) for down, up in of_car.values()]
    state: AxleState = "not proven"
    if {each.locked for each in (least, most, *(end for pair in of_car.values() for end in pair))} == {
        best.locked
    }:
        state = "locked" if best.locked else "slipping"
    left, right, to_the_left = _by_side(best, phase.turn)
    share, alone = best.share_kept, [(down.share_kept, up.share_kept) for down, up in of_car.values()]
    return PhaseResult(
        phase=phase.name,
        entry=phase.is_entry,
        branch=held.branch,
        input_torque=torque,
        temperature=heat,
        free_difference=best.free_difference,
        speed_difference=joined("speed_difference"),
        share_kept=joined("share_kept"),
        locking_torque=_joined(best.locking_torque, holds, pairs),
        yaw_moment=joined("yaw_moment"),
        outer_force=joined("outer_force"),
        inner_force=joined("inner_force"),
        left_force=left,
        right_force=right,
        yaw_moment_to_the_left=to_the_left,
        state=state,
        sliding=best.sliding,
        tested=any(bool(unit.is_tested(torque, at, heat, branch)) for at in places),
        beyond=all(bool(unit.read(torque, at, heat, branch).beyond) for at in places),
        share_kept_by_map=_joined(share, (least.share_kept, most.share_kept), ()),
        share_kept_by_car=_joined(share, (share, share), alone),
        doubts=tuple(
            Doubt(
                source,
                share_kept=max(abs(down.share_kept - share), abs(up.share_kept - share)),
                yaw_moment=max(abs(end.yaw_moment - best.yaw_moment) for end in (down, up)),
            )
            for source, (down, up) in of_car.items()
        ),
    )


def _by_side(balance: AxleBalance, turn: Turn | None) -> tuple[float | None, float | None, float | None]:
    """Forces left and right, and the yaw moment to the left; nothing where the turn is not stated."""
    if turn is None:
        return None, None, None
    forces = (balance.inner_force, balance.outer_force)
    left, right = forces if turn == "left" else forces[::-1]
    return left, right, yaw_moment_to_the_left(balance.yaw_moment, turn)
