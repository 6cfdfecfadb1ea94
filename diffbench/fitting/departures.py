"""Named departures from the law: what the first-order coefficient of each term would be, and whether cycles
agree on it.

A score test (Rao 1948) asks only for the fitted law: the term's column is projected off the unknowns, what is
left is held against the residual, and the scatter of its cycles tells its doubt. Noise owes nothing to the
fit (`diffbench.fitting.discrepancy`). All together give a false alarm for one bench in a hundred (Holm 1979).
Time and temperature are told apart only by coming back.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.findings import Finding
from diffbench.fitting.candidate import Candidate
from diffbench.fitting.discrepancy import LEAST, Bins, Discrepancy, Posterior

Array = NDArray[np.float64]

FALSE_ALARM = 0.01
MATTERS = 0.005  # of the locking torque: SAE J3011's accuracy of such a rig's torque
RIVAL = 4.0  # of t²: terms that explain a bench as well as that are told beside each other
ALIKE = 0.9  # correlation of two terms' columns above which one visit can't tell them apart
FEWEST_CYCLES = 6


@dataclass(frozen=True)
class Departure:
    """One term: ``name`` in words, ``column`` its relative course over the bins (b,) for a size of one,
    ``said`` what a size means (a format of per cents), ``tells`` the run that settles it.
    ``warms``: a visit that only warms up does not tell it from others of these; ``matters``: the size that is
    more than a note."""

    name: str
    column: Callable[[Bins], Array]
    said: str
    tells: str
    warms: bool = False
    matters: float = MATTERS


def _ramp_share(bins: Bins) -> Array:
    return np.abs(bins.place[:, 0])


def _running_in(share: float) -> Callable[[Bins], Array]:
    def course(bins: Bins) -> Array:
        whole = -np.expm1(-1.0 / share)
        return np.asarray(np.expm1(-bins.time / share) / whole)

    return course


def _bent(values: Array) -> Array:
    """A parabola of 1 from its middle to an end."""
    middle, half = 0.5 * (values.max() + values.min()), 0.5 * max(float(np.ptp(values)), 1e-9)
    return np.asarray(((values - middle) / half) ** 2)


def _heat(bins: Bins) -> Array:
    return np.asarray(bins.place[:, 3])


def _glazed(bins: Bins) -> Array:
    """Lost for good once the plates passed the middle of their temperatures."""
    heat = _heat(bins)
    limit = 0.5 * (float(heat.min()) + float(heat.max()))
    passed = bins.time >= float(bins.time[heat >= limit].min())
    return np.where(passed, -1.0, 0.0)


def _log_speed(bins: Bins) -> Array:
    speed = bins.place[:, 2]
    return np.asarray(np.maximum(speed - np.median(speed), 0.0) / max(float(np.ptp(speed)), 1e-9))


def _pressure(bins: Bins) -> Array:
    load = np.log(bins.locking)
    return np.asarray(-(load - load.min()) / max(float(np.ptp(load)), 1e-9))


def _heated(bins: Bins) -> Array:
    """Plates that are cooler or hotter where sliding is fast, as heat goes."""
    power = bins.locking * np.exp(bins.place[:, 2])
    return np.asarray(power / power.max())


def _late(bins: Bins) -> Array:
    """What a temperature read too late makes: the rate of the temperature over time."""
    order = np.argsort(bins.time)
    heat, time = _heat(bins)[order], bins.time[order]
    smooth = np.polynomial.Polynomial.fit(time, heat, 4).deriv()(time)
    rate = np.zeros(time.size)
    rate[order] = smooth - smooth.mean()
    return rate / max(float(np.abs(rate).max()), 1e-9)


def _of_thrust(course: Callable[[Array], Array], sign: float = 0.0) -> Callable[[Bins], Array]:
    """A term in newton metres over the share of the largest torque, on one flank or both."""

    def column(bins: Bins) -> Array:
        share = bins.place[:, 0]
        here = np.ones(share.size) if sign == 0.0 else (sign * share > 0.0)
        return np.asarray(course(np.abs(share)) * here * float(bins.locking.max()) / bins.locking)

    return column


def _odd(course: Callable[[Bins], Array]) -> Callable[[Bins], Array]:
    def column(bins: Bins) -> Array:
        return np.asarray(bins.direction * course(bins) * float(bins.locking.max()) / bins.locking)

    return column


def _dead(share: Array) -> Array:
    return -np.minimum(share, 0.1) / 0.1


def _curved(share: Array) -> Array:
    return np.asarray(4.0 * share * (1.0 - share))


AGAIN = "Run the first sweep again at the end of the visit: what has come back is temperature, the rest time."
#: The terms that are asked for, each with its size as a share of the locking torque.
DEPARTURES = (
    Departure(
        "running in",
        _running_in(0.3),
        "friction changed by {} over the visit, most at first",
        AGAIN,
        warms=True,
    ),
    Departure(
        "running in over friction work",
        _running_in(2.0),
        "friction changed by {} over the visit",
        AGAIN,
        warms=True,
    ),
    Departure(
        "glazing", _glazed, "friction changed by {} for good when the plates became hot", AGAIN, warms=True
    ),
    Departure(
        "curved temperature",
        lambda bins: _bent(_heat(bins)),
        "friction bends by {} from the middle of the plate temperatures to an end",
        "Add sweeps at three temperatures of the oil, the middle one twice.",
        warms=True,
    ),
    Departure(
        "rise with log speed",
        _log_speed,
        "friction at high speed is off by {} of what the law of speed gives",
        "Add a speed sweep at one torque and one temperature.",
    ),
    Departure(
        "friction by pressure",
        _pressure,
        "friction changes by {} from the lowest to the highest load",
        "Sweep to twice the torque, or with another preload.",
    ),
    Departure(
        "dead zone",
        _of_thrust(_dead),
        "small input torques are off by {} of the largest locking torque",
        "Add a slow sweep about zero input torque.",
    ),
    Departure(
        "curved drive ramp",
        _of_thrust(_curved, 1.0),
        "the drive ramp bends by {} of the largest locking torque",
        "Look at the ramps, and sweep each flank to two peaks.",
    ),
    Departure(
        "curved coast ramp",
        _of_thrust(_curved, -1.0),
        "the coast ramp bends by {} of the largest locking torque",
        "Look at the ramps, and sweep each flank to two peaks.",
    ),
    Departure(
        "packs apart",
        _odd(lambda bins: bins.locking / float(bins.locking.max())),
        "both slip directions differ by twice {}",
        "Exchange left and right on the bench: what turns with the unit is the packs, what stays the bench.",
    ),
    Departure(
        "cross-talk of the flanges",
        _odd(_ramp_share),
        "what turns sign with slip grows with the input torque to {} of the largest locking torque",
        "Load each flange alone and read the other.",
    ),
    Departure(
        "drift of a flange",
        _odd(lambda bins: bins.time - 0.5),
        "the flanges drifted apart by {} of the largest locking torque over the visit",
        "Tare before and after.",
        # slip both ways takes it off; whether it is beyond what the rig states is asked before the fit
        matters=np.inf,
    ),
    Departure(
        "temperature read late",
        _late,
        "friction follows the temperature late, by {} where it changes fastest",
        "Hold the oil at one temperature for a sweep, or measure at the plates.",
    ),
    Departure(
        "conductance by speed",
        _heated,
        "friction at high power is off by {}",
        "Sweep once fast and once slow at one temperature of the oil, or measure at the plates.",
    ),
)


@dataclass(frozen=True)
class Score:
    """One term as the bench has it: ``size`` and ``u`` of the locking torque, ``t`` by the cycles' scatter,
    ``column`` (b,) what is left of it beside the law, in units of noise."""

    departure: Departure
    size: float
    u: float
    t: float
    chance: float
    column: Array


def scores(candidate: Candidate, left: Discrepancy) -> list[Score]:
    """First-order size of each term given the fitted unknowns, the surest first."""
    from scipy.special import stdtr

    bins = left.bins
    cycles = np.unique(bins.cycle, return_inverse=True)[1].ravel()
    count = int(cycles.max()) + 1
    if count < FEWEST_CYCLES:
        return []
    # what any bench shows that was fitted once is no departure
    quiet = Posterior(bins, candidate, replace(left.sizes, law=LEAST, drift=0.0))
    found = []
    for one in DEPARTURES:
        column = one.column(bins) * bins.locking
        own, beside = quiet.beside(column), quiet.without(column)
        inside = float(column @ beside)
        if inside <= 1e-4 * float(column @ np.linalg.solve(quiet.noise, column)):
            continue  # the law holds it already
        size = float(column @ quiet.explained) / inside
        # the larger of what the noise and what the cycles say
        parts = np.bincount(cycles, own * (quiet.explained - size * beside), minlength=count)
        u = float(np.sqrt(max(1.0 / inside, float(parts @ parts) / inside**2)))
        chance = 2.0 * float(stdtr(count - 1, -abs(size / u)))
        # seen in units of noise, to tell which terms are alike
        found.append(Score(one, size, u, size / u, chance, quiet.root_of(column)))
    return sorted(found, key=lambda score: -abs(score.t))


def alarmed(found: list[Score]) -> list[Score]:
    """Those that no chance explains, all terms together (Holm 1979)."""
    made: list[Score] = []
    for rank, score in enumerate(sorted(found, key=lambda score: score.chance)):
        if score.chance > FALSE_ALARM / (len(found) - rank):
            break
        made.append(score)
    return made


def detectable(found: list[Score]) -> float | None:
    """The size, as a share of the locking torque, that every test would have shown nine times in ten; None
    where nothing was tested."""
    if not found:
        return None
    from scipy.special import ndtri

    needed = -float(ndtri(FALSE_ALARM / len(found) / 2.0) + ndtri(0.1))
    return needed * float(np.median([score.u for score in found]))


def departure_findings(candidate: Candidate, left: Discrepancy | None) -> tuple[list[Finding], float | None]:
    """What the bench does that the law does not, by name; and the size that the tests would have shown."""
    if left is None:
        return [], None
    found = scores(candidate, left)
    sure = alarmed(found)
    if not sure:
        return [], detectable(found)
    first = sure[0]
    warmed = _only_warms(left.bins)
    rivals = [
        other
        for other in found
        if other is not first
        and (
            other.t**2 > first.t**2 - RIVAL
            or (abs(other.t) > 0.5 * abs(first.t) and _alike(first, other, warmed))
        )
    ]
    effect = (
        "One visit does not tell it from "
        + "; nor from ".join(f"{o.departure.name} ({_sized(o)})" for o in rivals[:3])
        + ": they are confounded."
        if rivals
        else "The law that is fitted has no such term; the limits of the map are wider where it misses."
    )
    return [
        Finding(
            "unit departs from the law",
            "caveat" if abs(first.size) > first.departure.matters else "note",
            first.departure.name,
            f"Cycles agree on something that the law does not hold; of the known departures this fits best: "
            f"{_sized(first)}. That is no proof of the cause.",
            effect,
            first.departure.tells,
        )
    ], detectable(found)


def _sized(score: Score) -> str:
    return score.departure.said.format(f"{100 * score.size:+.2g} ± {100 * score.u:.1g} %")


def _only_warms(bins: Bins) -> bool:
    """Whether time and plate temperature go together all along the visit."""
    ranks = [np.argsort(np.argsort(values)) for values in (bins.time, bins.place[:, 3])]
    return abs(float(np.corrcoef(ranks[0], ranks[1])[0, 1])) > ALIKE


def _alike(one: Score, other: Score, warmed: bool) -> bool:
    """Whether one visit cannot tell two terms apart."""
    if warmed and one.departure.warms and other.departure.warms:
        return True
    size = float(np.linalg.norm(one.column) * np.linalg.norm(other.column))
    return abs(float(one.column @ other.column)) > ALIKE * size
