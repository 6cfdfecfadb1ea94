"""Named departures from the law: what the first-order coefficient of each term would be, and whether cycles
agree on it.

A score test (Rao 1948) asks only for the fitted law: the term's column is projected off the unknowns, what is
left is held against the residual. A term is seen where both the noise, which owes nothing to the fit
(`diffbench.fitting.discrepancy`), and the scatter of its cycles rule out chance; all together give a false
alarm for one bench in two hundred (`threshold`). Terms that explain a bench about as well stand beside each
other with weights. Time and temperature are told apart only by coming back.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.findings import Finding
from diffbench.documents.rig import Allowance
from diffbench.fitting.candidate import Candidate
from diffbench.fitting.covariance import Covariance
from diffbench.fitting.discrepancy import (
    EXPECTED_LENGTHS,
    LEAST,
    NOTHING_STATED,
    Bins,
    Discrepancy,
    Posterior,
    binned,
    doubting,
    least_of,
)
from diffbench.fitting.model import PACKS_APART
from diffbench.physics.preload import softened
from diffbench.plain_text import per_cent

Array = NDArray[np.float64]

FALSE_ALARM = 0.005  # of all terms together; as much is left to what has no name (`DECISIVE`)
MATTERS = 0.005  # of the locking torque: SAE J3011's accuracy of such a rig's torque
POWER = 0.9  # a departure that is told of as one that would have shown shows nine times in ten
LEAST_WEIGHT = 0.05  # of a reading that is worth a word
LEAST_GRAVE = 0.2  # weight of what would matter, from which on it is more than a note
ALIKE = 0.9  # correlation of two terms' columns above which one visit can't tell them apart
COURSE = 0.1  # a term's course is known to a tenth: evidence within that tells no two terms apart
FEWEST_CYCLES = 6
LAST = 0.1  # of the visit: its end
MOST_HELD = 6  # terms in the limits
DRAWS = 20_000  # of the largest of correlated statistics
SETTLES = 0.5  # of the statistic that called packs apart: packs that differ leave a fifth, worn ramps all
LEAST_LEFT = 1e-4  # of a column beside the law's unknowns, below which the law holds it already


@dataclass(frozen=True)
class Sight:
    """What terms are made of, means over ``bins`` (b,): ``preload`` and ``ramp`` [N·m], what each would lock
    alone at the friction of the place; ``follows``, what the locking torque follows the latter by; ``size``,
    the input torque's size as a share of the largest, ``largest`` [N·m]."""

    bins: Bins
    preload: Array
    ramp: Array
    follows: Array
    size: Array
    largest: float

    @property
    def share(self) -> Array:
        """Input torque over the largest, signed (b,)."""
        return self.bins.place[:, 0]

    @property
    def heat(self) -> Array:
        """Plate temperature (b,) [°C]."""
        return self.bins.place[:, 3]

    @property
    def full(self) -> float:
        """The largest locking torque [N·m]."""
        return float(self.bins.locking.max())

    @property
    def opened(self) -> Array:
        """The ramp part over the preload (b,): 1 where a joint opens."""
        return np.asarray(self.ramp / np.maximum(self.preload, 1e-9))

    def turning(self, apart: Array) -> Array:
        """What packs do whose torques are ``apart`` (b,) [N·m]: they load the ramps by it, more with slip one
        way and less with slip the other, and the locking torque follows."""
        bias = self.follows * self.ramp / (np.maximum(self.size, 0.01) * self.largest)
        return np.asarray(self.bins.direction * np.sign(self.share) * bias * apart)


def sight(candidate: Candidate, bins: Bins, largest: float) -> Sight:
    """What a fitted form makes of its cells in bins."""
    model, x = candidate.model, candidate.x
    inside = bins.of_cell >= 0
    place, at = bins.of_cell[inside], np.flatnonzero(candidate.used)[inside]
    count = np.bincount(place)
    # a cell about zero torque has a size though its mean is nothing
    size = np.abs(model.thrust(x).input_torque + model.data.places).mean(axis=0) / largest
    preload, ramp, follows, size = (
        np.asarray(np.bincount(place, values[at]) / count) for values in (*model.parts(x), size)
    )
    return Sight(bins, preload, ramp, follows, size, largest)


@dataclass(frozen=True)
class Departure:
    """One term: ``name`` in words, ``column`` its course over the bins (b,) [N·m] for a size of one, ``said``
    what a size means (a format of per cents), ``tells`` the run that settles it. ``warms``: a visit that only
    warms up does not tell it from others of these; ``matters``: the share of the locking torque that is more
    than a note; ``of_unit`` what of it is the unit's own that leaves the bench: its course over the place,
    what it has come to by the end of the visit, or nothing. ``enters``: names of the unknowns by which it
    may enter the fit; ``instead``: names of unknowns that would take it up, at the price of the others."""

    name: str
    column: Callable[[Sight], Array]
    said: str
    tells: str
    warms: bool = False
    matters: float = MATTERS
    of_unit: Literal["course", "end", "nothing"] = "course"
    enters: Sequence[str] = ()
    instead: Sequence[str] = ()

    def left_over(self, seen: Sight) -> Array:
        """What of a size of one is the unit's own, as a share of the locking torque (b,)."""
        share = self.column(seen) / seen.bins.locking
        if self.of_unit == "end":
            last = seen.bins.time > seen.bins.time.max() - LAST
            return np.full(share.size, float(share[last].mean()))
        return np.asarray(share if self.of_unit == "course" else 0.0 * share)


def _friction(course: Callable[[Sight], Array]) -> Callable[[Sight], Array]:
    """A term of friction: relative to the locking torque."""
    return lambda seen: np.asarray(course(seen) * seen.bins.locking)


def _torque(course: Callable[[Sight], Array]) -> Callable[[Sight], Array]:
    """A term of torque: relative to the largest locking torque."""
    return lambda seen: np.asarray(course(seen) * seen.full)


def _running_in(share: float) -> Callable[[Sight], Array]:
    def course(seen: Sight) -> Array:
        whole = -np.expm1(-1.0 / share)
        return np.asarray(-np.expm1(-seen.bins.time / share) / whole)

    return _friction(course)


def _bent(seen: Sight) -> Array:
    """A parabola of 1 from the middle of the temperatures to an end."""
    heat = seen.heat
    middle, half = 0.5 * (heat.max() + heat.min()), 0.5 * max(float(np.ptp(heat)), 1e-9)
    return np.asarray(((heat - middle) / half) ** 2)


def _glazed(seen: Sight) -> Array:
    """Changed for good once the plates passed the middle of their temperatures."""
    limit = 0.5 * (float(seen.heat.min()) + float(seen.heat.max()))
    passed = seen.bins.time >= float(seen.bins.time[seen.heat >= limit].min())
    return np.where(passed, 1.0, 0.0)


def _log_speed(seen: Sight) -> Array:
    speed = seen.bins.place[:, 2]
    return np.asarray(np.maximum(speed - np.median(speed), 0.0) / max(float(np.ptp(speed)), 1e-9))


def _pressure(seen: Sight) -> Array:
    load = np.log(seen.bins.locking)
    return np.asarray((load - load.min()) / max(float(np.ptp(load)), 1e-9))


def _heated(seen: Sight) -> Array:
    """Plates that are cooler or hotter where sliding is fast, as heat goes."""
    power = seen.bins.locking * np.exp(seen.bins.place[:, 2])
    return np.asarray(power / power.max())


def _late(seen: Sight) -> Array:
    """What a temperature read too late makes: the rate of the temperature over time."""
    order = np.argsort(seen.bins.time)
    heat, time = seen.heat[order], seen.bins.time[order]
    smooth = np.polynomial.Polynomial.fit(time, heat, 4).deriv()(time)
    rate = np.zeros(time.size)
    rate[order] = smooth - smooth.mean()
    return rate / max(float(np.abs(rate).max()), 1e-9)


def _dead(seen: Sight) -> Array:
    return -seen.follows * np.minimum(seen.size, 0.04) / 0.04


def _curved(sign: float) -> Callable[[Sight], Array]:
    return _torque(lambda seen: 4.0 * seen.size * (1.0 - seen.size) * (sign * seen.share > 0.0))


def _softly(seen: Sight) -> Array:
    """What a joint locks more that opens bit by bit."""
    return np.asarray(softened(seen.preload, seen.ramp))


def _between(seen: Sight) -> Array:
    """What of both the law that was not fitted would lock less, or more."""
    return -np.minimum(seen.preload, seen.ramp)


def _lagging(seen: Sight) -> Array:
    """A spring whose force is higher on the way back and, once half of it has been added, lower on the way
    up."""
    rising = 1.0 - 4.0 * np.minimum(seen.opened, 0.5)
    going = np.where(seen.bins.place[:, 1] > 0.5, 1.0, rising)
    return np.asarray(going * seen.preload * (seen.follows > 0.99))


def _worn(side: float) -> Callable[[Sight], Array]:
    """What the ramps of one pack do, left above, that press more where the torque is small: half of it is in
    the mean of both, half turns with the slip as of any packs that differ."""

    def course(seen: Sight) -> Array:
        half = 0.5 * (1.0 - seen.size) * seen.ramp
        return np.asarray(seen.follows * half + side * seen.turning(half))

    return course


def _ramp_friction(seen: Sight) -> Array:
    return np.asarray(np.where(seen.bins.place[:, 1] > 0.5, 1.0, -1.0) * seen.follows * seen.ramp * seen.size)


CHANGES = 0.1  # of visits that show a lasting change of friction (common practice, no source)
AGAIN = "Run the first sweep again at the end of the visit: what has come back is temperature, the rest time."
RAMPS = "Look at the ramps, and sweep each flank to two peaks."
EXCHANGE = "Exchange left and right on the bench: what turns with the unit is the packs, what stays is not."
ZERO = "Add a slow sweep about zero input torque."
OPENING = "Add a slow sweep about the torque at which the ramps overcome the preload, on both flanks."
#: The terms that are asked for, each with its size as a share of the locking torque.
DEPARTURES = (
    Departure(
        "running in",
        _running_in(0.3),
        "friction changed by {} over the visit, most at first",
        AGAIN,
        warms=True,
        of_unit="end",
    ),
    Departure(
        "running in over friction work",
        _running_in(2.0),
        "friction changed by {} over the visit",
        AGAIN,
        warms=True,
        of_unit="end",
    ),
    Departure(
        "glazing",
        _friction(_glazed),
        "friction changed by {} for good when the plates became hot",
        AGAIN,
        warms=True,
        of_unit="end",
    ),
    Departure(
        "curved temperature",
        _friction(_bent),
        "friction bends by {} from the middle of the plate temperatures to an end",
        "Add sweeps at three temperatures of the oil, the middle one twice.",
        warms=True,
    ),
    Departure(
        "rise with log speed",
        _friction(_log_speed),
        "friction at high speed is off by {} of what the law of speed gives",
        "Add a speed sweep at one torque and one temperature.",
    ),
    Departure(
        "friction by pressure",
        _friction(_pressure),
        "friction changes by {} from the lowest to the highest load",
        "Sweep to twice the torque, or with another preload.",
    ),
    Departure(
        "dead zone",
        _torque(_dead),
        "small input torques lock {} of the largest locking torque less than the ramps beyond say",
        ZERO,
    ),
    Departure(
        "smooth joint",
        _softly,
        "preload and ramps together lock more about the opening, by {} of a joint that opens bit by bit",
        OPENING,
    ),
    Departure(
        "between both preload laws",
        _between,
        "{} of the smaller of preload and ramp part is not there",
        OPENING,
    ),
    Departure(
        "spring hysteresis",
        _lagging,
        "the spring presses {} more on the way back, and less on the way up",
        "Sweep slowly to a small and to a large torque.",
    ),
    Departure(
        "ramp friction by load",
        _ramp_friction,
        "the way back locks {} of the ramp part more, the way up less, as the load grows",
        RAMPS,
    ),
    Departure(
        "curved drive ramp", _curved(1.0), "the drive ramp bends by {} of the largest locking torque", RAMPS
    ),
    Departure(
        "curved coast ramp", _curved(-1.0), "the coast ramp bends by {} of the largest locking torque", RAMPS
    ),
    Departure(
        "packs apart in friction",
        lambda seen: seen.turning(seen.bins.locking),
        "the friction of the packs is {} either side of the mean of both",
        EXCHANGE,
        of_unit="nothing",
        enters=PACKS_APART,
    ),
    Departure(
        "packs apart in spring",
        lambda seen: seen.turning(seen.preload),
        "the springs of the packs are {} either side of the mean of both",
        EXCHANGE,
        of_unit="nothing",
        enters=PACKS_APART,
    ),
    *(
        Departure(
            f"worn {name} ramps",
            _worn(side),
            f"the ramps of the {name} pack press {{}} more at small torques than at the largest",
            EXCHANGE,
            instead=PACKS_APART,
        )
        for name, side in (("left", 1.0), ("right", -1.0))
    ),
    Departure(
        "friction by slip direction",
        _friction(lambda seen: seen.bins.direction),
        "both slip directions differ by twice {}",
        EXCHANGE,
        of_unit="nothing",
    ),
    Departure(
        "cross-talk of one flange",
        _torque(lambda seen: seen.bins.direction * seen.share),
        "what turns sign with slip and input torque grows to {} of the largest locking torque",
        "Load each flange alone and read the other.",
        of_unit="nothing",
    ),
    Departure(
        "drift of a flange",
        _torque(lambda seen: seen.bins.direction * (seen.bins.time - 0.5)),
        "the flanges drifted apart by {} of the largest locking torque over the visit",
        "Tare before and after.",
        # slip both ways takes it off; whether it is beyond what the rig states is asked before the fit
        matters=np.inf,
        of_unit="nothing",
    ),
    Departure(
        "temperature read late",
        _friction(_late),
        "friction follows the temperature late, by {} where it changes fastest",
        "Hold the oil at one temperature for a sweep, or measure at the plates.",
        of_unit="nothing",
    ),
    Departure(
        "conductance by speed",
        _friction(_heated),
        "friction at high power is off by {}",
        "Sweep once fast and once slow at one temperature of the oil, or measure at the plates.",
        of_unit="nothing",
    ),
)


@dataclass(frozen=True)
class Score:
    """One term as the bench has it: ``size`` and its ``u``, ``t`` by the noise, ``chance`` by noise and
    cycles, whichever is more; ``reach`` the largest share of the locking torque that a size of one is;
    ``column`` (b,) what is left of it beside the law, in units of noise."""

    departure: Departure
    size: float
    u: float
    t: float
    chance: float
    reach: float
    column: Array

    @property
    def share(self) -> float:
        """The largest share of the locking torque that it is anywhere."""
        return abs(self.size) * self.reach

    @property
    def words(self) -> str:
        return self.departure.said.format(f"{100 * self.size:+.2g} ± {per_cent(self.u, 1)} %")


@dataclass(frozen=True)
class Asked:
    """All terms of a bench, the surest first, and the names of those ``hidden`` in the law's own unknowns;
    ``limit`` the chance below which one is an alarm, ``freedom`` of the cycles' scatter, ``rest`` the mean
    square of what no single term explains, in units of noise; ``warms`` whether time and plate temperature
    went together, ``usual`` the lasting change that then counts."""

    scores: Sequence[Score] = ()
    hidden: Sequence[str] = ()
    limit: float = FALSE_ALARM
    freedom: int = 1
    rest: float = 1.0
    warms: bool = False
    usual: float = 0.0

    @property
    def alarmed(self) -> list[Score]:
        """Those that no chance explains, all terms together, and larger than any law may be off by."""
        return [score for score in self.scores if score.chance < self.limit and score.share > LEAST]

    @property
    def unseen(self) -> dict[str, float | None]:
        """What each term's test would have shown nine times in ten, as a share of the locking torque, by
        name; None where it would have shown nothing at all."""
        from scipy.special import ndtri, stdtrit

        needed = -float(stdtrit(self.freedom, 0.5 * self.limit) + ndtri(1.0 - POWER))
        told = [score for score in self.scores if np.isfinite(score.departure.matters)]
        sizes: dict[str, float | None] = {s.departure.name: needed * s.u * s.reach for s in told}
        return {**sizes, **dict.fromkeys(self.hidden)}

    def readings(self) -> list[tuple[Score, float]]:
        """Terms that explain the bench about as well as the likeliest, each with its weight, and that one
        first.

        Weights by likelihood, the evidence divided by what no term explains and by what is not known of the
        terms' own course (quasi-likelihood: Burnham & Anderson, Model Selection, 2002, section 2.5).
        """
        first = max(self.alarmed, key=lambda score: abs(score.t))
        doubt = max(self.rest, 1.0) + (COURSE * first.t) ** 2
        weights = [np.exp(-0.5 * max(first.t**2 - one.t**2, 0.0) / doubt) for one in self.scores]
        kept = [
            (one, float(weight / sum(weights)))
            for one, weight in zip(self.scores, weights, strict=True)
            if one is first
            or weight / sum(weights) > LEAST_WEIGHT
            or (abs(one.t) > 0.5 * abs(first.t) and self.of_time(first, one))
        ]
        return sorted(kept, key=lambda pair: pair[0] is not first)

    @property
    def lasting(self) -> tuple[Score, float, float] | None:
        """On a visit that only warms up and alarms no lasting change: the one that is the most to be
        reckoned with, how likely it is, and the size that the limits hold.

        How likely by the evidence of two models (Kass and Raftery 1995): a change of no size, or a normal one
        of ``usual``. Its size is what such a bench leaves of the usual one: weighed by how likely, limits
        would hold no bench that did change.
        """
        told = any(score.departure.of_unit == "end" for score in self.alarmed)
        if self.usual == 0.0 or not self.warms or told:
            return None
        found = []
        for score in self.scores:
            if score.departure.of_unit != "end":
                continue
            share = self.usual**2 / (self.usual**2 + score.u**2)
            evidence = np.sqrt(1.0 - share) * np.exp(0.5 * share * (score.size / score.u) ** 2)
            likely = float(CHANGES * evidence / (1.0 - CHANGES + CHANGES * evidence))
            size = float(np.sqrt(share * (share * score.size**2 + score.u**2)))
            if size * score.reach > LEAST:
                found.append((score, likely, size))
        return max(found, key=lambda each: each[2] * each[0].reach, default=None)

    def sizes(self) -> list[tuple[Score, float]]:
        """What of the terms the limits are to hold, each with its size by the root of its weight: the surest
        and its other readings; then the surest of what that leaves, as long as no chance explains it."""
        from scipy.special import ndtri

        names = [score.departure.name for score in self.scores]
        columns = np.stack([score.column for score in self.scores], axis=1)
        # statistics of columns of size one: what is in two of them is taken off with the first
        t, length = np.array([score.t for score in self.scores]), np.linalg.norm(columns, axis=0)
        units, found = columns / length, list[tuple[Score, float]]()
        least = -float(ndtri(0.5 * self.limit)) * np.sqrt(max(self.rest, 1.0))
        able = np.array([score.chance < self.limit for score in self.scores])
        for first, weight in self.readings():
            found.append((first, float(np.sqrt(weight)) * first.size))
        while found and len(found) < MOST_HELD:
            last = names.index(found[-1 if len(found) > len(self.readings()) else 0][0].departure.name)
            along = units[:, last] @ units
            t, units = t - along * t[last], units - np.outer(units[:, last], along)
            kept = np.linalg.norm(units, axis=0)
            able = able & (kept > np.sqrt(1.0 - ALIKE**2))
            units, t = units / np.maximum(kept, 1e-9), t / np.maximum(kept, 1e-9)
            length = length * kept
            rank = np.where(able, np.abs(t), 0.0)
            at = int(np.argmax(rank))
            if rank[at] < least:
                break
            found.append((self.scores[at], float(t[at] / length[at])))
        return found

    def of_time(self, one: Score, other: Score) -> bool:
        """Whether two terms go with time or temperature on a visit that only warms up."""
        return self.warms and one.departure.warms and other.departure.warms

    def alike(self, one: Score, other: Score) -> bool:
        """Whether one visit cannot tell two terms apart."""
        size = float(np.linalg.norm(one.column) * np.linalg.norm(other.column))
        return self.of_time(one, other) or abs(float(one.column @ other.column)) > ALIKE * size


def threshold(columns: Array, alarm: float = FALSE_ALARM) -> float:
    """The chance of a single test that the least of all falls below once in ``1/alarm`` times.

    ``columns`` (b, k) of the terms in units of noise: their statistics are normal with the columns'
    correlation, and the largest of them is drawn. Of terms that are alike, many count as one, which a sum of
    chances (Bonferroni) does not see.

    >>> round(threshold(np.ones((5, 4)), 0.01), 2), round(threshold(np.eye(14), 0.01), 3)
    (0.01, 0.001)
    """
    from scipy.special import ndtr

    units = columns / np.linalg.norm(columns, axis=0)
    values, vectors = np.linalg.eigh(units.T @ units)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    drawn = np.random.default_rng(0).standard_normal((DRAWS, root.shape[1])) @ root.T
    largest = float(np.quantile(np.abs(drawn).max(axis=1), 1.0 - alarm))
    # one test alone has its own limit: draws are there for the rest
    return min(2.0 * float(ndtr(-largest)), alarm)


def asked(candidate: Candidate, left: Discrepancy) -> Asked:
    """First-order size of each term given the fitted unknowns, the surest first."""
    from scipy.linalg import solve_triangular
    from scipy.special import ndtr, stdtr

    bins = binned(candidate, finely=True)
    if bins is None:
        return Asked()
    seen = sight(candidate, bins, left.state.largest_Nm)
    cycles = np.unique(bins.cycle, return_inverse=True)[1].ravel()
    count = int(cycles.max()) + 1
    if count < FEWEST_CYCLES:
        return Asked()
    # what any bench shows that was fitted once is no departure; its course is no choice of this bench
    quiet = Posterior(bins, candidate, replace(least_of(left.sizes), lengths=EXPECTED_LENGTHS))
    columns = np.stack([one.column(seen) for one in DEPARTURES], axis=1)
    rest, beside = quiet.root_of(columns), quiet.without(columns)
    own, whole = quiet.root @ rest, np.sum(solve_triangular(quiet.root, columns, lower=True) ** 2, axis=0)
    found: list[Score] = []
    hidden: list[str] = []
    for i, one in enumerate(DEPARTURES):
        if one.enters and set(one.enters) <= set(candidate.names.position):
            continue  # an unknown of the fit already
        inside = float(columns[:, i] @ beside[:, i])
        if inside <= LEAST_LEFT * float(whole[i]):
            # the law holds it already, or has no place for it
            hidden += [one.name] if whole[i] > 0.0 else []
            continue
        size = float(columns[:, i] @ quiet.explained) / inside
        by_noise = float(np.sqrt(1.0 / inside))
        # what is noise of the rest, each cycle's share in the size; what comes back in all has no scatter
        weight = beside[:, i] / inside
        heard = quiet.noise @ np.stack([quiet.explained - size * beside[:, i], weight], axis=1)
        parts = np.bincount(cycles, weight * heard[:, 0], minlength=count)
        common = max(1.0 / inside - float(weight @ heard[:, 1]), 0.0)
        by_cycles = float(np.sqrt(parts @ parts * count / (count - 1) + common))
        chance = max(
            2.0 * float(ndtr(-abs(size) / by_noise)),
            2.0 * float(stdtr(count - 1, -abs(size) / max(by_cycles, 1e-300))),
        )
        # what the law's unknowns take up of a term does the map no harm, unless it is one of time
        told = columns[:, i] if one.warms else own[:, i]
        reach = float(np.max(np.abs(told) / bins.locking))
        found.append(Score(one, size, max(by_noise, by_cycles), size / by_noise, chance, reach, rest[:, i]))
    if not found:
        return Asked(hidden=hidden)
    found.sort(key=lambda score: (score.chance, -abs(score.t)))
    searched = sum(not unknown.fixed for unknown in candidate.names.unknowns)
    missed = float(quiet.y @ quiet.explained) - max(score.t**2 for score in found)
    return Asked(
        found,
        hidden,
        threshold(np.stack([score.column for score in found], axis=1)),
        count - 1,
        missed / max(bins.apart.size - searched - 1, 1),
        _only_warms(seen),
    )


def in_limits(candidate: Candidate, left: Discrepancy | None, terms: Asked) -> Discrepancy | None:
    """What the law leaves out with the doubt of what was alarmed and not resolved, or that the visit can't
    tell from temperature: of each term that the limits hold, what the map would be off by if the bench did
    just that."""
    held = [(score.departure, size) for score, size in terms.sizes()] if terms.alarmed else []
    if terms.lasting is not None:
        score, _, size = terms.lasting
        held.append((score.departure, float(np.copysign(size, score.size))))
    if left is None or not held:
        return left
    seen = sight(candidate, left.bins, left.state.largest_Nm)
    readings = [(size * one.column(seen), size * one.left_over(seen)) for one, size in held]
    # the numbers are those of the unit that leaves the bench, without what its law has no term for
    off = [
        shown - (own * left.bins.locking if one.of_unit == "end" else 0.0)
        for (one, _), (shown, own) in zip(held, readings, strict=True)
    ]
    # narrower than the smooth term: the map's limits hold it where it is
    joint = max((abs(size) for one, size in held if one.column is _softly), default=0.0)
    # a course that is known to a tenth is taken off to a tenth: of the likeliest, the more the larger it is
    course = max(float(np.sqrt(np.mean((COURSE * own) ** 2))) for _, own in readings)
    once = float(np.hypot(left.state.once, course))
    left = replace(left, state=left.state.model_copy(update={"joint": joint, "once": once}))
    return doubting(candidate, left, readings, off)


def departure_findings(
    candidate: Candidate, left: Discrepancy | None, allowance: Allowance = NOTHING_STATED
) -> tuple[list[Finding], Asked]:
    """What the bench does that the law does not, by name; and all that was asked for. ``allowance`` of the
    rig."""
    every = Asked() if left is None else replace(asked(candidate, left), usual=allowance.running_in)
    if not every.alarmed:
        return _lasting_finding(candidate, every), every
    (first, weight), *others = every.readings()
    likely = first.departure.name if not others else f"{first.departure.name} ({100 * weight:.0f} %)"
    names = [likely, *(f"{one.departure.name} ({100 * w:.0f} %)" for one, w in others[:3])]
    same = [one for one, _ in others if every.alike(first, one)]
    effect = "The law that is fitted has no such term; the limits of the map are wider where it misses."
    if others:
        readings = "; or ".join(one.words for one, _ in others[:3])
        confounded = (
            f"One visit does not tell it from {' and '.join(one.departure.name for one in same[:3])}: "
            "they are confounded. "
            if same
            else ""
        )
        effect = f"{confounded}As likely as its weight says: {readings}."
    runs = list(dict.fromkeys(one.departure.tells for one in (first, *(one for one, _ in others[:3]))))
    grave = sum(w for one, w in ((first, weight), *others) if one.share > one.departure.matters)
    return [
        Finding(
            "unit departs from the law",
            "caveat" if grave > LEAST_GRAVE else "note",
            " or ".join(names),
            f"Cycles agree on something that the law does not hold; of the known departures this fits best: "
            f"{first.words}. That is no proof of the cause.",
            effect,
            " ".join(runs[:2]),
        ),
        *_lasting_finding(candidate, every),
    ], every


def _lasting_finding(candidate: Candidate, terms: Asked) -> list[Finding]:
    """That time and temperature are one on a visit that only warms up, where that matters."""
    if terms.lasting is None or terms.lasting[2] * terms.lasting[0].reach < MATTERS:
        return []
    score, likely, size = terms.lasting
    slope = 100.0 * candidate.names.value(candidate.x, "temperature_coefficient")
    return [
        Finding(
            "time not told from temperature",
            "caveat" if likely > 0.5 else "note",
            "friction over time and plate temperature",
            f"The visit only warms up. Either friction follows the plates by {slope:+.2g} %/K and nothing "
            f"lasts, or {score.words} ({score.departure.name}, {100 * likely:.0f} %), for good, and it "
            "follows them less.",
            f"The limits hold both, {per_cent(size * score.reach)} % of the locking torque apart where that "
            "is most.",
            f"{AGAIN} Of a unit that is known to be run in, state running_in = 0 in the rig's allowance.",
        )
    ]


def loudest(terms: Asked, kind: Literal["enters", "instead"]) -> float:
    """The largest statistic of alarmed terms that may enter the fit, or of those that the same unknowns would
    take up instead; nought of none."""
    return max((abs(score.t) for score in terms.alarmed if getattr(score.departure, kind)), default=0.0)


def may_enter(terms: Asked) -> bool:
    """Whether packs that differ explain the bench, and better than the worn ramps of one pack do."""
    return loudest(terms, "enters") > loudest(terms, "instead")


def settled(before: Asked, after: Asked) -> bool:
    """Whether unknowns that entered resolved what called them: worn ramps, which they bend to and leave the
    louder, do not call half as loud as they did."""
    return loudest(after, "instead") < SETTLES * loudest(before, "enters")


def packs_finding(candidate: Candidate, covariance: Covariance) -> list[Finding]:
    """That both packs differ, where they are unknowns of the fit."""
    if PACKS_APART[0] not in candidate.names:
        return []
    at = [candidate.names.position[name] for name in PACKS_APART]
    sizes, us = candidate.x[at], np.sqrt(np.diag(covariance.total)[at])
    by_preload, by_ramps = (f"{100 * s:+.2g} ± {per_cent(u, 1)} %" for s, u in zip(sizes, us, strict=True))
    return [
        Finding(
            "packs apart",
            "note",
            "left against right pack",
            f"The preload of the left pack locks {by_preload} more than the mean of both, its ramps "
            f"{by_ramps}: alike it is the friction, of the preload alone the springs.",
            "Both are unknowns of the fit; numbers and map are of the mean of both slip directions.",
            EXCHANGE,
        )
    ]


def _only_warms(seen: Sight) -> bool:
    """Whether time and plate temperature go together all along the visit."""
    ranks = [np.argsort(np.argsort(values)) for values in (seen.bins.time, seen.heat)]
    return abs(float(np.corrcoef(ranks[0], ranks[1])[0, 1])) > ALIKE
