"""Bench and track by one number: the share kept over the entries of a log, the same from map and car at the
same samples, whether the car shows what the bench says, and which preload the log asks for.

Every doubt is one source that moves measured and predicted numbers together; what runs have in common (tyres,
track, gyroscope) is estimated by all of them, so that several preloads on one day tell the tyres' stiffness.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from diffbench.answers.corner import shifted_cars
from diffbench.answers.log_brakes import brakes_apart
from diffbench.answers.log_corners import (
    BIN,
    Corner,
    Entries,
    Samples,
    difference_of,
    entries_of,
    kept_over,
    smooth,
)
from diffbench.answers.log_laps import lap_at
from diffbench.answers.log_torque import torque_elsewhere
from diffbench.answers.operating_point import Interval
from diffbench.documents.car import Car
from diffbench.documents.fields import Doubtful
from diffbench.physics.corner_course import Asked, asked_of_axle, difference_left, played
from diffbench.physics.plate_heat import excess_temperature, friction_heat
from diffbench.physics.wheel_loads import axle_load, lateral_transfer, stiffness_under_load
from diffbench.quantities import Quantity
from diffbench.results.discrepancy import NORMAL_95
from diffbench.results.locking_map import LockingMap

Array = NDArray[np.float64]
Agreement = Literal[
    "the car shows what the bench says",
    "more locking",
    "less locking",
    "stated preload and log contradict",
    "cannot be told",
    "no bench",
    "no log",
]

CHI2_95 = 3.8415  # chi-squared with one degree of freedom
GRID = 241
STIFFNESS = "tyre.slip_stiffness"
RELINEARISED = 2
APART_U = 3.0  # stated standard uncertainties of the tyres' stiffness; more by chance once in 370
LEAST_STIFFNESS = 0.1  # of the stated one; less is not told by a line about a third of it
LIFT = 0.05  # of a wheel's load at rest: below, it counts as lifted
MORE_THAN_FREE = 1.25
TOLD = 10.0  # N·m
SOME_BRAKING = 100.0  # N·m
OIL = "temperature of the oil"
SHOWN: Agreement = "the car shows what the bench says"
APART = (
    "yet with the tyres as all runs put them the log asks for another preload than the bench says, by the "
    "doubts of both: check preload, result and file of every run"
)
AGAINST_THE_TURN = (
    "the wheels differ against the turn, by the log: check the signs of yaw rate, steering or acceleration, "
    "and whether left and right wheel are exchanged"
)
SELDOM = 0.02  # of the entries' time beyond the map: nothing to speak of


@dataclass(frozen=True)
class Bench:
    """What a bench says of the unit as it ran: map, preload torque [N·m] with its standard uncertainty, maps
    at other preloads around it, and heat capacity [J/K] and conductance [W/K] of the plates."""

    unit: LockingMap
    preload: Quantity
    rungs: tuple[tuple[float, LockingMap], ...] = ()
    plates: tuple[float, float] | None = None


@dataclass(frozen=True)
class CornerKept:
    """One entry: from and to [s], in which lap, which way, what ends it; share kept from the log and from the
    bench, and mean speed difference [rad/s]."""

    start: float
    end: float
    lap: int | None
    turn: Literal["left", "right"]
    ends_by: str
    share_kept: Interval
    predicted: Interval
    mean_speed_difference: Interval


@dataclass(frozen=True)
class LapKept:
    """The entries of one lap: its number, when it begins [s], how many there are, and as `CornerKept`."""

    lap: int
    start: float
    entries: int
    share_kept: Interval
    predicted: Interval
    mean_speed_difference: Interval


@dataclass(frozen=True)
class LapResult:
    """One log.

    Attributes
    ----------
    name : str
        Of the run.
    share_kept : Interval
        Over all its entries, from wheel speeds and path alone.
    mean_speed_difference : Interval
        Kept, mean over the entries [rad/s].
    predicted : Interval
        The share at the same samples, by map and car; None without a bench.
    open_share : float or None
        What an open unit would keep there.
    agreement : str
        What both say of each other.
    reason : str
        Why.
    bench_preload : Interval
        Preload torque by the bench [N·m].
    equivalent_preload : Interval
        The preload torque with which the prediction is the log's number [N·m]; a limit is None where none of
        the preloads looked at comes to it.
    why_no_closer : str
        Why that preload is not told to 10 N·m, where it is not.
    corners : tuple of CornerKept
        Entry by entry.
    by_lap : tuple of LapKept
        Lap by lap, where laps can be told apart.
    unit, build : str or None
        Whose, by the bench.
    radius_ratio : Interval
        Right wheel's speed less the left one's on straights, over their mean.
    sources : mapping of str to float
        What each doubt moves the difference of both shares by, one standard uncertainty.
    findings : tuple of str
        What the log cannot tell, and what was seen.
    course : mapping of str to list of float
        The lap as it was driven, on bins of 0.05 s: time [s], difference, free and predicted [rad/s], plate
        temperature [°C].
    """

    name: str
    share_kept: Interval
    mean_speed_difference: Interval
    predicted: Interval
    open_share: float | None
    agreement: Agreement
    reason: str
    bench_preload: Interval
    equivalent_preload: Interval
    why_no_closer: str
    corners: tuple[CornerKept, ...]
    by_lap: tuple[LapKept, ...]
    unit: str | None
    build: str | None
    radius_ratio: Interval
    sources: Mapping[str, float]
    findings: tuple[str, ...]
    course: Mapping[str, list[float]]


@dataclass(frozen=True)
class Day:
    """Runs of one car, and what they tell together of its tyres: slip stiffness over the stated one [-], and
    what speaks against it."""

    car: str
    laps: tuple[LapResult, ...]
    stiffness_ratio: Interval
    findings: tuple[str, ...] = ()


def laps_of(
    car: Car, runs: Sequence[tuple[str, Samples, Bench | None]], *, files: Sequence[str] | None = None
) -> Day:
    """Hold logs against what the bench says of the units that ran.

    Parameters
    ----------
    car : Car
        Axle, tyres and body, each key with its doubt.
    runs : sequence of (str, Samples, Bench or None)
        Name, log, and bench of each; runs without a bench give the number alone.
    files : sequence of str or None
        Their files, for messages.

    Returns
    -------
    The day.

    Raises
    ------
    DocumentError
        A log has no entry, or too few straights.

    Notes
    -----
    Validity: quasi-steady, tyres linear; entries under engine braking. Sources are linearised about the
    stated car and taken as independent (JCGM 100); limits of the equivalent preload are where
    chi-squared rises by 3.84. Hysteresis of the ramps is followed through the lap.

    References
    ----------
    Common practice, no source; least squares with known covariance as in any text on regression.
    """
    entries = [
        entries_of(samples, file=files[i] if files else None) for i, (_, samples, _) in enumerate(runs)
    ]
    stated = _runs_with(car, runs, entries)
    joint = _Joint([run for run in stated if run.is_comparable])
    told = joint
    for _ in range(RELINEARISED):  # the tyres' stiffness is far from linear: about where the logs put it
        z = told.stiffness_score()
        if z is None:
            break
        moved, z = _moved(car.tyre.slip_stiffness, z)
        tyre = car.tyre.model_copy(update={"slip_stiffness": moved})
        about = _runs_with(car.model_copy(update={"tyre": tyre}), runs, entries)
        told = _Joint([run for run in about if run.is_comparable], score=z)
    places = [i for i, run in enumerate(stated) if run.is_comparable]
    laps = tuple(
        _told(run, joint, told, places.index(i) if i in places else None) for i, run in enumerate(stated)
    )
    ratio = told.stiffness(car)
    return Day(car.name, laps, ratio, _tyres_apart(car, ratio))


def _runs_with(
    car: Car, runs: Sequence[tuple[str, Samples, Bench | None]], entries: Sequence[Entries]
) -> list[_Run]:
    return [_Run(name, each, bench, car) for (name, _, bench), each in zip(runs, entries, strict=True)]


def _tyres_apart(car: Car, ratio: Interval) -> tuple[str, ...]:
    """What to say where the logs put the tyres' stiffness many of its stated uncertainties away."""
    share = (getattr(car.tyre.slip_stiffness, "u", None) or 0.0) / float(car.tyre.slip_stiffness)
    if ratio.value is None or abs(ratio.value - 1.0) <= APART_U * share:
        return ()
    text = (
        "stated tyres and logs contradict: slip_stiffness of the car would be off by "
        f"{abs(ratio.value - 1.0) / share:.1f} of its u, so that rather another unit or preload ran than is "
        "stated: check result, preload and file of every run, then slip_stiffness and its u"
    )
    return (text,)


def _moved(value: float, z: float) -> tuple[Doubtful, float]:
    """A doubtful number moved by so many of its standard uncertainties, and by how many it was: no further
    than to a third, nor to where its lower 95 % limit is nothing."""
    u = getattr(value, "u", None) or 0.0
    least = min(float(value), max(float(value) / 3.0, 1.05 * NORMAL_95 * u))
    moved = max(float(value) + z * u, least)
    return Doubtful(moved, u), (moved - float(value)) / u if u else z


class _Run:
    """One log and its bench: shares by sense of the turn, from the log and predicted, for any car."""

    def __init__(
        self,
        name: str,
        entries: Entries,
        bench: Bench | None,
        car: Car,
        parts: Sequence[str] = ("value", "low", "high"),
    ) -> None:
        self.name, self.entries, self.bench, self.car = name, entries, bench, car
        by_sense = [tuple(c for c in entries.corners if c.sense == sense) for sense in (1, -1)]
        self.groups: list[tuple[Corner, ...]] = [group for group in by_sense if group]
        self.free = np.array([kept_over(self.zeroed(), entries, group, car).free for group in self.groups])
        self.lifted = 0
        self.temperature = entries.samples.temperature
        self.holds: dict[str, Array] = {}
        if bench is not None and entries.samples.input_torque is not None:
            self._heat()
            self.holds = {part: self._held(bench.unit, part) for part in parts}

    @property
    def is_comparable(self) -> bool:
        """Whether there is a bench, and wheel speeds to hold it against: those of other runs, too."""
        return self.bench is not None and self.entries.samples.wheels and not self.against_the_turn

    @cached_property
    def against_the_turn(self) -> bool:
        """Whether the wheels differ against the turn over the entries, beyond doubt: no unit does that."""
        common, own = self.of_log()
        high = _by_log(self, self.free / self.free.sum(), {**common, **own}, None)[0].high
        return high is not None and high < 0.0

    def zeroed(self, extra: float = 0.0) -> Array:
        """The log's difference, right less left [rad/s], with ``extra`` left of the radii's ratio."""
        return difference_of(self.entries, self.entries.ratio - extra)

    def measured(self, car: Car, difference: Array | None = None, *, yaw: float = 0.0) -> Array:
        """Shares by sense; ``yaw`` [rad/s] is taken off the yaw rate."""
        difference = self.zeroed() if difference is None else difference
        shares = [kept_over(difference, self.entries, group, car) for group in self.groups]
        per = BIN * car.axle.track / car.axle.rolling_radius
        return np.array(
            [
                kept.difference
                / (kept.free - yaw * per * sum(c.sense * (c.bins.stop - c.bins.start) for c in group))
                for kept, group in zip(shares, self.groups, strict=True)
            ]
        )

    def gap(self, car: Car, holds: Array | None = None, *, speed: float = 1.0, yaw: float = 1.0) -> Array:
        """Measured less predicted shares by sense. What a car with wheels apart shows on straights is not an
        error of the sensors, and is put back."""
        asked = self.asked(car, speed=speed, yaw=yaw)
        holds = self.holds["value"] if holds is None else holds
        left = self._left(car, asked, holds)
        return self.measured(car, self.zeroed(self.shown(left))) / yaw - self.shares(left, asked)

    def shown(self, difference: Array) -> float:
        """What a predicted difference shows on straights, as `Entries.ratio`."""
        wheel = self.entries.samples.left
        if not self.entries.straights:
            return 0.0
        return float(np.concatenate([difference[p] / wheel[p] for p in self.entries.straights]).mean())

    def predicted(self, car: Car, holds: Array) -> tuple[Array, Array, Asked]:
        """Predicted shares by sense, the difference behind them, and what was asked."""
        asked = self.asked(car)
        left = self._left(car, asked, holds)
        return self.shares(left, asked), left, asked

    def _left(self, car: Car, asked: Asked, holds: Array) -> Array:
        """Difference that a unit leaves [rad/s], less what spins both wheels up against each other."""
        left, _ = difference_left(asked.opened, asked.give, self.nodes, holds)
        if not car.axle.wheel_inertia:
            return left
        spun = car.axle.wheel_inertia * np.gradient(smooth(left), self.entries.samples.time)
        return difference_left(asked.opened - asked.give * spun, asked.give, self.nodes, holds)[0]

    def shares(self, difference: Array, asked: Asked) -> Array:
        """Shares by sense of a predicted difference."""
        return np.array(
            [
                sum(c.sense * difference[c.bins].sum() for c in group)
                / sum(c.sense * asked.free[c.bins].sum() for c in group)
                for group in self.groups
            ]
        )

    @property
    def nodes(self) -> Array:
        assert self.bench is not None  # asked for with a bench alone
        return self.bench.unit.axes[1]

    def asked(self, car: Car, *, speed: float = 1.0, yaw: float = 1.0) -> Asked:
        """What the lap asks of the axle, right less left."""
        samples = self.entries.samples
        assert samples.input_torque is not None  # a bench without it is not asked
        radius, half = car.axle.rolling_radius, 0.5 * car.axle.radius_difference
        turning = samples.yaw_rate * yaw
        left, right = self._stiffnesses(car, turning)
        return asked_of_axle(
            speed=speed * samples.speed,
            yaw_rate=turning,
            track=car.axle.track,
            outer_radius=radius * (1.0 - half),
            inner_radius=radius * (1.0 + half),
            outer_stiffness=right,
            inner_stiffness=left,
            wheel_torque=0.5 * samples.input_torque
            - samples.brake_torque
            - car.axle.wheel_inertia * np.gradient(smooth(samples.speed), samples.time) / radius,
        )

    def _stiffnesses(self, car: Car, turning: Array) -> tuple[Array, Array]:
        samples, body, tyre = self.entries.samples, car.body, car.tyre
        alike = np.full(samples.time.size, float(tyre.slip_stiffness))
        if body is None or tyre.load_exponent is None:
            return alike, alike
        air = (samples.speed / body.air_speed) ** 2 if body.air_speed else np.zeros(samples.time.size)
        along = np.gradient(smooth(samples.speed), samples.time)
        rest = float(axle_load(body.mass, body.weight_share))
        whole = axle_load(
            body.mass,
            body.weight_share,
            height=body.height,
            wheelbase=body.wheelbase,
            longitudinal=along,
            drag=body.drag * air,
            lift=body.lift * air,
            rear=body.driven == "rear",
        )
        across = lateral_transfer(
            body.mass, smooth(samples.speed * turning), body.height, car.axle.track, body.roll_share
        )
        loads = [0.5 * whole - across, 0.5 * whole + across]
        least = LIFT * 0.5 * rest
        self.lifted = int(sum((load[c.bins] < least).sum() for c in self.entries.corners for load in loads))
        left, right = (
            stiffness_under_load(
                tyre.slip_stiffness, np.maximum(load, least), tyre.load or 0.5 * rest, tyre.load_exponent
            )
            for load in loads
        )
        return left, right

    def _held(self, unit: LockingMap, part: str) -> Array:
        """What a unit holds at its nodes through the lap, its ramps followed, (bins, nodes) [N·m]."""
        samples = self.entries.samples
        assert samples.input_torque is not None
        at = samples.input_torque[:, None], self.nodes[None, :], self.temperature[:, None]
        branches = []
        for branch in ("loading", "unloading"):
            if part == "value":
                branches.append(unit.locking_torque(*at, branch))
            else:
                branches.append(unit.interval(*at, branch)[0 if part == "low" else 1])
        return played(branches[0], branches[1], samples.input_torque)

    def _heat(self) -> None:
        """Plates hotter than the oil by what the entries and exits of the lap put into them."""
        assert self.bench is not None
        if self.bench.plates is None:
            return
        capacity, conductance = self.bench.plates
        asked = self.asked(self.car)
        left, carried = difference_left(
            asked.opened, asked.give, self.nodes, self._held(self.bench.unit, "value")
        )
        heat = friction_heat(np.abs(carried), left)
        excess = excess_temperature(self.entries.samples.time, heat, conductance, capacity)
        self.temperature = self.entries.samples.temperature + excess

    def of_log(self) -> tuple[dict[str, Array], dict[str, Array]]:
        """What one standard uncertainty of each source moves the measured shares by: those of all runs, and
        its own."""
        entries, plain = self.entries, self.measured(self.car)
        common = {
            name: (self.measured(up) - self.measured(down)) / (2.0 * NORMAL_95)
            for name, (down, up) in shifted_cars(self.car).items()
            if name in {"axle.track", "axle.rolling_radius"}
        }
        common["gain of the path channel"] = -plain * entries.samples.u_yaw
        common["gain of the wheel speeds"] = plain * entries.samples.u_wheel
        own = {
            "zero of the radii": self.measured(self.car, self.zeroed(entries.ratio_u)) - plain,
            "zero of the yaw rate": self.measured(self.car, yaw=entries.yaw_zero_u) - plain,
        }
        bins = np.array([sum(c.bins.stop - c.bins.start for c in group) for group in self.groups])
        turned = plain * entries.yaw_noise * self.car.axle.track / self.car.axle.rolling_radius
        noise = BIN * np.sqrt(bins) / self.free * np.hypot(entries.wheel_noise, turned)
        for i, column in enumerate(np.diag(noise)):
            own[f"noise of {'left' if self.groups[i][0].sense > 0 else 'right'} turns"] = column
        return common, own

    def sources(self) -> tuple[dict[str, Array], dict[str, Array]]:
        """As `of_log`, of the gap between measured and predicted shares."""
        common, own = self.of_log()
        for name, (down, up) in shifted_cars(self.car).items():
            common[name] = (self.gap(up) - self.gap(down)) / (2.0 * NORMAL_95)
        u = self.entries.samples.u_yaw
        common["gain of the path channel"] = np.asarray(
            (self.gap(self.car, yaw=1.0 + u) - self.gap(self.car, yaw=1.0 - u)) / 2.0
        )
        fast = self.entries.samples.u_speed
        common["gain of the speed"] = np.asarray(
            (self.gap(self.car, speed=1.0 + fast) - self.gap(self.car, speed=1.0 - fast)) / 2.0
        )
        common["map"] = self._by_map()
        for name, pair in self.logged_otherwise(1.0).items():
            less, more = (run.gap(self.car) for run in pair)
            (own if name == OIL else common)[name] = np.asarray((more - less) / 2.0)
        return common, own

    def logged_otherwise(self, times: float) -> dict[str, tuple[_Run, _Run]]:
        """The run with what loads the unit and heats it less, and more, by so many standard uncertainties."""
        samples = self.entries.samples
        assert samples.input_torque is not None  # without it nothing is predicted
        found = {}
        for name, key, u, gain in (
            ("torque at the case", "input_torque", samples.u_torque, samples.input_torque),
            ("torque of the brakes", "brake_torque", samples.u_brake, samples.brake_torque),
            (OIL, "temperature", samples.u_temperature, np.ones(samples.time.size)),
        ):
            if u:
                down, up = (
                    self.of_samples(
                        replace(samples, **{key: getattr(samples, key) + sign * times * u * gain})
                    )
                    for sign in (-1.0, 1.0)
                )
                found[name] = (down, up)
        return found

    def of_samples(self, samples: Samples) -> _Run:
        """The same run with other samples."""
        entries = replace(self.entries, samples=samples)
        return _Run(self.name, entries, self.bench, self.car, ("value",))

    def _by_map(self) -> Array:
        """The map's part without that of its preload, which is the question."""
        low, high = (self.gap(self.car, self.holds[part]) for part in ("low", "high"))
        whole = (high - low) / (2.0 * NORMAL_95)
        preload = self.slope() * (self.bench.preload.u or 0.0) if self.bench is not None else 0.0
        return np.asarray(np.sign(whole) * np.sqrt(np.maximum(whole**2 - preload**2, 0.0)))

    @cached_property
    def ladder(self) -> tuple[Array, Array]:
        """Preload torques [N·m] (k,), and the gap at each (k, senses)."""
        assert self.bench is not None
        rungs = sorted(
            [(self.bench.preload.value, self.bench.unit), *self.bench.rungs], key=lambda rung: rung[0]
        )
        gaps = [self.gap(self.car, self._held(unit, "value")) for _, unit in rungs]
        return np.array([torque for torque, _ in rungs]), np.array(gaps)

    def slope(self) -> Array:
        """By how much a newton metre of preload moves the gap, at the bench's preload."""
        assert self.bench is not None
        torques = self.ladder[0]
        if torques.size < 2:
            return np.zeros(len(self.groups))
        value, step = self.bench.preload.value, 0.05 * float(np.ptp(torques))
        ends = np.clip([value - step, value + step], torques[0], torques[-1])
        down, up = self.gap_at(ends)
        return np.asarray((up - down) / (ends[1] - ends[0]))

    def gap_at(self, preload: Array) -> Array:
        """The gap at preload torques (g,): (g, senses)."""
        torques, gaps = self.ladder
        return np.stack([np.interp(preload, torques, column) for column in gaps.T], axis=1)


class _Joint:
    """All runs with a bench together: gaps, one after the other, and what moves them. ``score`` is by how
    many of its stated uncertainties the tyres' stiffness has been moved already."""

    def __init__(self, runs: Sequence[_Run], *, score: float = 0.0) -> None:
        self.runs, self.score = runs, score
        self.told = [run.sources() if run.holds else ({}, {}) for run in runs]
        sizes = [len(run.groups) if run.holds else 0 for run in runs]
        ends = np.cumsum([0, *sizes])
        self.parts = [slice(a, b) for a, b in pairwise(ends.tolist())]
        self.size = int(ends[-1])
        self.gap = np.concatenate(
            [np.zeros(0), *(run.gap(run.car) if run.holds else np.zeros(0) for run in runs)]
        )
        self.common: dict[str, Array] = {}
        self.own: list[Array] = []
        self.preloads: list[Array] = []
        for run, part, (common, own) in zip(runs, self.parts, self.told, strict=True):
            for name, moved in common.items():
                self.common.setdefault(name, np.zeros(self.size))[part] = moved
            self.own += [self._placed(part, moved) for moved in own.values()]
            assert run.bench is not None
            if run.holds:
                self.preloads.append(self._placed(part, run.slope() * (run.bench.preload.u or 0.0)))
            else:
                self.preloads.append(np.zeros(self.size))
        self.pull = score * self.common.get(STIFFNESS, np.zeros(self.size))
        self.gap = self.gap - self.pull

    def _placed(self, part: slice, moved: Array) -> Array:
        column = np.zeros(self.size)
        column[part] = moved
        return column

    def covariance(self, *, without: int | None = None) -> Array:
        """Of all gaps; without the bench's word on one run's preload."""
        columns = [*self.common.values(), *self.own]
        columns += [column for i, column in enumerate(self.preloads) if i != without]
        return sum((np.outer(c, c) for c in columns), np.eye(self.size) * 1e-12)

    def equivalent(self, i: int) -> Interval:
        """The preload torque that a run asks for, given all others [N·m]."""
        run, part = self.runs[i], self.parts[i]
        assert run.bench is not None
        if not run.bench.rungs:
            return Interval(None, None, None)
        torques = run.ladder[0]
        grid = np.linspace(torques[0], torques[-1], GRID)
        gaps = np.repeat(self.gap[None, :], GRID, axis=0)
        gaps[:, part] = run.gap_at(grid) - self.pull[part]
        weight = np.linalg.inv(self.covariance(without=i))
        chi = np.einsum("gi,ij,gj->g", gaps, weight, gaps)
        best = int(chi.argmin())
        inside = np.flatnonzero(chi <= chi[best] + CHI2_95)
        low = (
            None
            if inside[0] == 0 and torques[0] > 0.0
            else _crossing(grid, chi, int(inside[0]), -1, chi[best])
        )
        high = None if inside[-1] == GRID - 1 else _crossing(grid, chi, int(inside[-1]), 1, chi[best])
        if best in {0, GRID - 1}:
            return Interval(None, low, high)
        around = slice(best - 1, best + 2)
        a, b, _ = np.polyfit(grid[around] - grid[best], chi[around], 2)
        return Interval(float(grid[best] - b / (2.0 * a)), low, high)  # a > 0: it is the first least

    def preload_doubts(self, i: int) -> dict[str, float]:
        """What each source moves the preload by that a run asks for, against each other."""
        run, part = self.runs[i], self.parts[i]
        slope = self._placed(part, run.slope())
        weight = np.linalg.solve(self.covariance(without=i), slope)
        own = {name: self._placed(part, moved) for name, moved in self.told[i][1].items()}
        return {name: abs(float(weight @ column)) for name, column in {**self.common, **own}.items()}

    def stiffness_score(self) -> float | None:
        """By how many of its stated uncertainties the tyres' stiffness is off, as all runs tell it."""
        column = self.common.get(STIFFNESS)
        if column is None:
            return None
        return -float(column @ np.linalg.solve(self.covariance(), self.gap))

    def stiffness(self, car: Car) -> Interval:
        """Slip stiffness over the stated one, as all runs tell it."""
        score, u = self.stiffness_score(), getattr(car.tyre.slip_stiffness, "u", None)
        if score is None or not u:
            return Interval(None, None, None)
        column = self.common[STIFFNESS]
        left = 1.0 - float(column @ np.linalg.solve(self.covariance(), column))
        share = u / float(car.tyre.slip_stiffness)
        told = _around(1.0 + share * score, share * math.sqrt(max(left, 0.0)))
        # below what was looked at, the line says nothing: a tyre of no stiffness is none
        return told if (told.low or 0.0) > LEAST_STIFFNESS else Interval(None, None, None)


def _told(run: _Run, joint: _Joint, best: _Joint, place: int | None) -> LapResult:
    """One run's result."""
    nothing = Interval(None, None, None)
    weights = run.free / run.free.sum()
    common, own = run.of_log()
    told = bool(run.holds) and place is not None
    predicted = equivalent = nothing
    open_share, left = None, None
    predictions = _Predictions.of(run) if run.holds else None
    if predictions is not None:
        predicted, left = predictions.over(run.entries.corners), predictions.left
        open_share = float(weights @ run.shares(predictions.asked.opened, predictions.asked))
    sources = {**common, **own}
    share, u = _by_log(run, weights, sources, left if told else None)
    agreement: Agreement = "no bench"
    reason = "no result of the bench is named for this run"
    if run.bench is not None and not run.holds:
        agreement, reason = "cannot be told", "nothing says the torque at the case"
    elif run.bench is not None and not told:
        agreement, reason = "no log", "no wheel speeds: what map and car say of this course"
    if told:
        assert place is not None
        assert left is not None
        assert open_share is not None  # told says all three
        agreement, reason = _verdict(joint, place, weights, open_share - (predicted.value or 0.0))
        reason += _outside(run, left)[0]
        equivalent = best.equivalent(place)
        agreement, reason = _with_preload(agreement, reason, equivalent, run)
        sources = {**joint.told[place][0], **joint.told[place][1]}
    reason += _loads_in_doubt(run)
    if run.bench is not None and run.entries.samples.wheels and run.against_the_turn:
        # no unit turns the wheels against the turn: nothing may be read from such speeds
        agreement, reason = "cannot be told", AGAINST_THE_TURN
    preload = run.bench.preload if run.bench is not None else None
    whose = run.bench.unit.document if run.bench is not None else None
    if not run.entries.samples.wheels:
        share = nothing
    mean = kept_over(run.zeroed(), run.entries, run.entries.corners, run.car).mean_difference
    scale = 0.0 if share.value in {None, 0.0} else u / abs(share.value or 1.0)
    return LapResult(
        name=run.name,
        share_kept=share,
        mean_speed_difference=nothing if share.value is None else _around(mean, abs(mean) * scale),
        predicted=predicted,
        open_share=open_share,
        agreement=agreement,
        reason=reason,
        bench_preload=nothing if preload is None else _around(preload.value, preload.u or 0.0),
        equivalent_preload=equivalent,
        why_no_closer="" if place is None else _why_no_closer(equivalent, best, place),
        corners=_by_corner(run, predictions),
        by_lap=_by_lap(run, predictions),
        unit=None if whose is None else whose.unit,
        build=None if whose is None else whose.build,
        radius_ratio=_around(run.entries.ratio, run.entries.ratio_u),
        sources={name: float(abs(weights @ moved)) for name, moved in sources.items()},
        findings=_findings(run, joint, place, told=told) + (() if left is None else _outside(run, left)[1]),
        course=_course(run, left),
    )


def _loads_in_doubt(run: _Run) -> str:
    """A clause for the answer where what loads the unit is not told, or hardly what it is taken for."""
    if not run.holds:
        return ""
    brakes = "" if run.entries.samples.brakes_told else "; nothing says the brakes"
    elsewhere = torque_elsewhere(run.entries, run.car) is not None
    return brakes + ("; the torque is hardly that at the case" if elsewhere else "")


def _by_log(
    run: _Run, weights: Array, sources: Mapping[str, Array], left: Array | None
) -> tuple[Interval, float]:
    """The share by the log and its standard uncertainty; what a predicted difference shows on straights is
    put back, and is in doubt as a whole."""
    value = float(weights @ run.measured(run.car))
    u = math.sqrt(sum(float(weights @ moved) ** 2 for moved in sources.values()))
    shift = 0.0 if left is None else run.shown(left)
    if shift:
        put_back = float(weights @ run.measured(run.car, run.zeroed(shift)))
        value, u = put_back, math.hypot(u, put_back - value)
    return _around(value, u), u


def _why_no_closer(asked: Interval, joint: _Joint, place: int) -> str:
    """Why a preload is not told to `TOLD`; nothing where it is, or where it is not asked for."""
    if asked.low is None and asked.high is None:
        return ""
    if asked.low is None or asked.high is None:
        side = "below" if asked.low is None else "above"
        return f"no limit {side}: there the car would do as the log says within its doubt"
    half = 0.5 * (asked.high - asked.low)
    if half <= TOLD:
        return ""
    doubts = joint.preload_doubts(place)
    why = f"told to ± {half:.1f} N·m, no closer: the largest doubt is {max(doubts, key=doubts.__getitem__)}"
    preloads = {run.bench.preload.value for run in joint.runs if run.bench is not None and run.holds}
    return why + (
        "; a run with another preload on the same day would tell more" if len(preloads) == 1 else ""
    )


def _around(value: float, u: float) -> Interval:
    return Interval(value, value - NORMAL_95 * u, value + NORMAL_95 * u)


@dataclass(frozen=True)
class _Predictions:
    """What map and car say of a course: the difference [rad/s] and what was asked, and both moved to either
    95 % limit of every doubt."""

    left: Array
    asked: Asked
    moved: tuple[tuple[tuple[Array, Asked], tuple[Array, Asked]], ...]

    @classmethod
    def of(cls, run: _Run) -> _Predictions:
        """Of one run."""

        def told(car: Car, part: str) -> tuple[Array, Asked]:
            return run.predicted(car, run.holds[part])[1:]

        moved = [(told(down, "value"), told(up, "value")) for down, up in shifted_cars(run.car).values()]
        for pair in run.logged_otherwise(NORMAL_95).values():
            down, up = (other.predicted(run.car, other.holds["value"])[1:] for other in pair)
            moved.append((down, up))
        return cls(*told(run.car, "value"), (*moved, (told(run.car, "low"), told(run.car, "high"))))

    def over(self, corners: Sequence[Corner]) -> Interval:
        """The share over entries, with map and car in doubt."""

        def share(left: Array, asked: Asked) -> float:
            kept, free = (
                sum(c.sense * float(part[c.bins].sum()) for c in corners) for part in (left, asked.free)
            )
            return kept / free

        apart = [share(*up) - share(*down) for down, up in self.moved]
        return _around(share(self.left, self.asked), math.hypot(*apart) / (2.0 * NORMAL_95))


def _verdict(joint: _Joint, place: int, weights: Array, room: float) -> tuple[Agreement, str]:
    """What log and bench say of each other; ``room`` is what an open unit would keep more than predicted."""
    part = joint.parts[place]
    gap = float(weights @ joint.gap[part])
    u = math.sqrt(float(weights @ joint.covariance()[part, part] @ weights))
    said = f"log less bench {100.0 * gap:+.1f} points, 95 % of their doubt ± {100.0 * NORMAL_95 * u:.1f}"
    if NORMAL_95 * u >= abs(room):
        return "cannot be told", f"{said}: as much as an open unit would be off ({100.0 * room:.1f})"
    if gap > NORMAL_95 * u:
        return "less locking", said
    if gap < -NORMAL_95 * u:
        return "more locking", said
    return SHOWN, said


def _with_preload(agreement: Agreement, reason: str, asked: Interval, run: _Run) -> tuple[Agreement, str]:
    """The verdict is of the car as stated, the preload asked for of the tyres as the logs put them: more or
    less locking than a preload that is not ruled out cannot be told, and no verdict is firm against a preload
    that is apart from the bench's by the doubts of both."""
    assert run.bench is not None
    preload = run.bench.preload
    if agreement == "cannot be told" or asked == Interval(None, None, None):
        return agreement, reason
    low = -math.inf if asked.low is None else asked.low
    high = math.inf if asked.high is None else asked.high
    if agreement != SHOWN and low <= preload.value <= high:
        return "cannot be told", f"{reason}; yet the preload that the log asks for may be that of the bench"
    doubt = NORMAL_95 * (preload.u or 0.0)
    more, less = low > preload.value + doubt, high < preload.value - doubt
    if (more and agreement != "more locking") or (less and agreement != "less locking"):
        return "stated preload and log contradict", f"{reason}; {APART}"
    return agreement, reason


def _kept(
    run: _Run, corners: Sequence[Corner], predictions: _Predictions | None
) -> tuple[Interval, Interval, Interval]:
    """Of some entries: the share by the log, that by the bench, and the mean difference [rad/s]."""
    entries, car, samples = run.entries, run.car, run.entries.samples
    nothing = Interval(None, None, None)
    predicted = nothing if predictions is None else predictions.over(corners)
    if not samples.wheels:
        return nothing, predicted, nothing
    kept = kept_over(run.zeroed(), entries, tuple(corners), car)
    sizes = [c.bins.stop - c.bins.start for c in corners]
    count, one_way = sum(sizes), sum(c.sense * size for c, size in zip(corners, sizes, strict=True))
    wheel = sum(c.sense * 0.5 * float((samples.left + samples.right)[c.bins].sum()) for c in corners)
    per = BIN / kept.free
    turned = kept.share * per * car.axle.track / car.axle.rolling_radius
    by_wheels = math.hypot(
        per * math.sqrt(count) * entries.wheel_noise,
        per * wheel * entries.ratio_u,
        kept.share * samples.u_wheel,
    )
    by_path = math.hypot(
        turned * math.sqrt(count) * entries.yaw_noise,
        turned * one_way * entries.yaw_zero_u,
        kept.share * samples.u_yaw,
        *(
            kept.share * (getattr(key, "u", 0.0) or 0.0) / key
            for key in (car.axle.track, car.axle.rolling_radius)
        ),
    )
    free = kept.free / (BIN * count)  # rad/s
    return (
        _around(kept.share, math.hypot(by_wheels, by_path)),
        predicted,
        _around(kept.mean_difference, abs(free) * by_wheels),
    )


def _by_corner(run: _Run, predictions: _Predictions | None) -> tuple[CornerKept, ...]:
    return tuple(
        CornerKept(
            corner.start,
            corner.end,
            lap_at(run.entries.samples.laps, corner.start),
            "left" if corner.sense > 0 else "right",
            corner.ends_by,
            *_kept(run, (corner,), predictions),
        )
        for corner in run.entries.corners
    )


def _by_lap(run: _Run, predictions: _Predictions | None) -> tuple[LapKept, ...]:
    laps = run.entries.samples.laps
    found = []
    for number, start in laps:
        corners = [c for c in run.entries.corners if lap_at(laps, c.start) == number]
        if corners:
            found.append(LapKept(number, start, len(corners), *_kept(run, corners, predictions)))
    return tuple(found)


def _findings(run: _Run, joint: _Joint, place: int | None, *, told: bool) -> tuple[str, ...]:
    """What was seen that speaks against the numbers, and what the log cannot tell."""
    entries = run.entries
    found = list(entries.samples.notes)
    if entries.sliding:
        at = ", ".join(f"{start:.1f} s" for start in entries.sliding[:5])
        found.append(
            f"a wheel locks or spins in {len(entries.sliding)} entries (at {at}): left out, the numbers are "
            f"of the other {len(entries.corners)}"
        )
    difference = run.zeroed()
    over = [
        c for c in entries.corners if kept_over(difference, entries, (c,), run.car).share > MORE_THAN_FREE
    ]
    if over:
        at = ", ".join(f"{c.start:.1f} s" for c in over[:5])
        found.append(
            f"more than free rolling is kept in {len(over)} entries (at {at}): a wheel that lifts or locks, "
            "or a wheel speed that is wrong"
        )
    if run.lifted:
        found.append(f"by its loads the inner wheel lifts for {BIN * run.lifted:.1f} s of the entries")
    quiet = np.concatenate([np.zeros(2), *(np.diff(difference[p], 2) for p in entries.straights)])
    rough = [
        c
        for c in entries.corners
        if np.std(np.diff(difference[c.bins], 2)) > 4.0 * max(float(np.std(quiet)), 1e-6)
    ]
    if rough:
        at = ", ".join(f"{c.start:.1f} s" for c in rough[:5])
        found.append(f"wheel speeds are rough in {len(rough)} entries (at {at}): kerbs, or a wheel that hops")
    if len(run.groups) < 2:
        found.append("all turns are to one side: radii that differ cannot be told from locking")
    elif told and place is not None:
        apart = np.array([1.0, -1.0])
        part = joint.parts[place]
        gap = float(apart @ joint.gap[part])
        if abs(gap) > NORMAL_95 * math.sqrt(float(apart @ joint.covariance()[part, part] @ apart)):
            found.append(
                f"left and right turns disagree by {100.0 * abs(gap):.1f} points more than is in doubt: "
                "brakes that differ, pressures or radii"
            )
    told_of = (torque_elsewhere(entries, run.car), brakes_apart(entries))
    found += [text for text in told_of if text is not None]
    if run.holds and not entries.samples.brakes_told:
        found.append(_brakes_not_told(run))
    if told:
        found.append("both brakes of the axle count as alike: the log cannot tell brakes from locking")
    return tuple(found)


def _brakes_not_told(run: _Run) -> str:
    """What brakes that nothing tells would move the bench's share by."""
    samples = run.entries.samples
    braked = run.of_samples(replace(samples, brake_torque=samples.brake_torque + SOME_BRAKING))
    shares = [each.predicted(run.car, each.holds["value"])[0] for each in (run, braked)]
    weights = run.free / run.free.sum()
    moved = 100.0 * float(weights @ (shares[1] - shares[0]))
    return (
        "nothing says the torque of the brakes: they count as released in the entries; "
        f"{SOME_BRAKING:.0f} N·m at each wheel would move the bench's share by {moved:+.1f} points"
    )


def _outside(run: _Run, left: Array) -> tuple[str, tuple[str, ...]]:
    """What of the entries the bench did not cover: a clause for the answer, and findings."""
    samples, bench = run.entries.samples, run.bench
    assert bench is not None
    assert samples.input_torque is not None  # a prediction needs both
    bins = np.concatenate([np.arange(c.bins.start, c.bins.stop) for c in run.entries.corners])
    places = (samples.input_torque[bins], np.abs(left[bins]), run.temperature[bins])
    findings, named = [], []
    for name, unit, values, axis in zip(
        ("torque at the case", "speed difference", "temperature of the plates"),
        ("N·m", "rad/s", "°C"),
        places,
        bench.unit.axes,
        strict=True,
    ):
        share = float(np.mean((values < axis[0]) | (values > axis[-1])))
        if share > SELDOM:
            named.append(name)
            findings.append(
                f"{name} goes from {values.min():.4g} to {values.max():.4g} {unit} in the entries, the map "
                f"from {axis[0]:.4g} to {axis[-1]:.4g}: {100.0 * share:.0f} % of their time is beyond it, "
                "where the map is carried on with wider limits and nothing was measured"
            )
    return (f"; beyond the map in {', '.join(named)}" if named else ""), tuple(findings)


def _course(run: _Run, left: Array | None) -> dict[str, list[float]]:
    samples, car = run.entries.samples, run.car
    told: dict[str, Array] = {
        "time_s": samples.time,
        "speed_difference_rad_s": run.zeroed(),
        "free_rad_s": samples.yaw_rate * (car.axle.track / car.axle.rolling_radius),
    }
    if left is not None:
        told |= {"predicted_rad_s": left, "plate_temperature_degC": run.temperature}
    return {name: np.round(values, 5).tolist() for name, values in told.items()}


def _crossing(grid: Array, chi: Array, inside: int, step: int, best: float) -> float:
    """Where chi-squared comes to its limit beyond the last place inside."""
    outside = inside + step
    if not 0 <= outside < grid.size:
        return float(grid[inside])
    share = (best + CHI2_95 - chi[inside]) / (chi[outside] - chi[inside])
    return float(grid[inside] + share * (grid[outside] - grid[inside]))
