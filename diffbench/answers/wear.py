"""What a change comes to: height lost, wear of a face, limits after it, and whether they hold one event more.

Refits of both states are in the doubt of what comes next; over 2,000 drawn pairs the preload after it lay
within its interval in 95 %.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from diffbench.answers.differences import Differences, one_sided
from diffbench.answers.joint import Joint, Member, Paired, widest
from diffbench.answers.observation import Estimate, alike, judged_elsewhere, mean_of
from diffbench.definitions import parts_of
from diffbench.physics.disc_spring import DiscStack, stack_deflection
from diffbench.results.characterisation import LimitVerdict
from diffbench.results.conformity import LIMITED, Answer, LimitCheck, answered, check_limit
from diffbench.results.discrepancy import NORMAL_90, NORMAL_95
from diffbench.results.document import Frozen


class Wear(Frozen):
    """Height lost at the preload spring and mean wear of a friction face, both in m, with 95 % intervals."""

    height_loss_m: float
    height_loss_u_m: float
    face_wear_m: float
    face_wear_u_m: float
    face_wear_low_m: float
    face_wear_high_m: float
    faces: int
    shim_change_m: float
    budget: dict[str, float]


@dataclass(frozen=True)
class HeightLoss:
    """Height lost at the spring stack [m], its standard uncertainty, and the budget of that by source."""

    value: float
    u: float
    budget: dict[str, float]


def height_loss(
    stack: DiscStack,
    *,
    force: float,
    force_u: float,
    ratio: float,
    ratio_u: float,
    dimensions_u: dict[str, float] | None = None,
) -> HeightLoss:
    """Height that the stack has been let out by, from its force before and the ratio after/before.

    Δs = s(F) − s(ρ F), with s the deflection of the stack at a load (EN 16984)

    Parameters
    ----------
    stack : DiscStack
        The stack.
    force, force_u : float
        Force before F [N] and its standard uncertainty.
    ratio, ratio_u : float
        Force after over before ρ [-] and its standard uncertainty.
    dimensions_u : dict of str to float or None
        Standard uncertainties of the disc's dimensions [m] by name.

    Returns
    -------
    The loss, negative for a stack that is pressed further.

    Raises
    ------
    ValueError
        A force is more than the stack can carry.

    Notes
    -----
    Validity: as `disc_spring.load`; the stack works on one branch of its curve, without friction. Slopes
    are taken over one standard uncertainty to each side.

    Examples
    --------
    >>> from diffbench.physics.disc_spring import DiscSpring
    >>> pair = DiscStack(DiscSpring(0.095, 0.072, 0.0016, 0.0014), parallel=3, series=2)
    >>> found = height_loss(pair, force=1970.3, force_u=60.0, ratio=0.85, ratio_u=0.0)
    >>> print(f"{1e6 * found.value:.0f} {1e6 * found.u:.0f}")
    163 7

    References
    ----------
    EN 16984; propagation by JCGM 100:2008, 5.1.2.
    """

    def loss(stack: DiscStack, force: float, ratio: float) -> float:
        return float(stack_deflection(stack, force) - stack_deflection(stack, ratio * force))

    parts = {
        "spring force": 0.5 * abs(loss(stack, force + force_u, ratio) - loss(stack, force - force_u, ratio)),
        "change of spring force": 0.5
        * abs(loss(stack, force, ratio + ratio_u) - loss(stack, force, ratio - ratio_u)),
    }
    for name, u in (dimensions_u or {}).items():
        sides = [
            loss(
                replace(stack, spring=replace(stack.spring, **{name: getattr(stack.spring, name) + step})),
                force,
                ratio,
            )
            for step in (u, -u)
        ]
        parts[f"{name.replace('_', ' ')} of the disc"] = 0.5 * abs(sides[0] - sides[1])
    budget = {source: part for source, part in sorted(parts.items(), key=lambda p: -p[1]) if part > 0.0}
    return HeightLoss(loss(stack, force, ratio), sum(p**2 for p in parts.values()) ** 0.5, budget)


# Where the sheet holds the preload to no limit, so much of it may be lost before the unit counts as worn
# (common practice, no source).
LARGEST_LOSS = 0.10
POWER_95 = NORMAL_90  # a thing shows with a chance of 95 % when it lies that far beyond its threshold
MOST_VISITS = 50


def wear_between(found: Differences, pair: Paired) -> tuple[Wear | None, str | None]:
    """Loss of height and wear of a face; or what they need."""
    earlier, later = pair.earlier, pair.later
    springs = next((m.springs for m in earlier if m.springs is not None), None)
    faces = earlier[0].facts.faces
    if found.spring is None:
        return None, "a change of spring force that both results determine"
    if springs is None:
        return None, "[preload.disc_spring] in the build sheet of the state before"
    force = next((p for m in earlier if (p := m.determined("spring_force")) is not None), None)
    if force is None or force.value is None:
        return None, "the spring force before, from a press, or from the nominal ramp angles"
    ratio = float(np.exp(found.spring[0]))
    try:
        lost = height_loss(
            springs.stack,
            force=force.value,
            force_u=force.u or 0.0,
            ratio=ratio,
            ratio_u=ratio * found.spring[1],
            dimensions_u=springs.u_m,
        )
    except ValueError as error:
        return None, f"a spring force that the disc springs of the sheet can carry ({error})"
    shims = earlier[0].shim, later[0].shim
    thicker = 0.0 if shims[0] is None or shims[1] is None else shims[1] - shims[0]
    face, u = (lost.value + thicker) / faces, lost.u / faces
    wear = Wear(
        height_loss_m=lost.value,
        height_loss_u_m=lost.u,
        face_wear_m=face,
        face_wear_u_m=u,
        face_wear_low_m=face - NORMAL_95 * u,
        face_wear_high_m=face + NORMAL_95 * u,
        faces=faces,
        shim_change_m=thicker,
        budget={source: part / faces for source, part in lost.budget.items()},
    )
    return wear, None


@dataclass(frozen=True)
class Judged:
    """A limit with its outcome, and the variance behind its value that one visit's refit makes in each state
    (`of_a_refit`, so that n visits leave an nth of it) beside all other variance."""

    check: LimitCheck
    of_a_refit: float = 0.0
    other: float = 0.0

    @property
    def visits(self) -> int | None:
        """Visits of each state, in all, that settle the limit with a chance of 95 % if the value stays where
        it is now; None where 50 do not."""
        check = self.check
        if check.value is None:
            return None
        ends = [end for end in (check.low, check.high) if end is not None]
        distance = min(abs(check.value - end) for end in ends)
        return visits_for(distance / (NORMAL_95 + POWER_95), of_a_refit=self.of_a_refit, other=self.other)


def visits_for(u: float, *, of_a_refit: float, other: float) -> int | None:
    """Visits of each state that bring a standard uncertainty down to ``u``.

    n ≥ v_r/(u² − v_o)

    Parameters
    ----------
    u : float
        Standard uncertainty wanted, in the unit of the quantity.
    of_a_refit : float
        Variance v_r that refits leave where each state is visited once.
    other : float
        Variance v_o that no further visit takes away.

    Returns
    -------
    The number, one or more; None where more than `MOST_VISITS` would be needed.

    Examples
    --------
    >>> visits_for(1.0, of_a_refit=3.6, other=0.1), visits_for(1.0, of_a_refit=3.6, other=1.0)
    (4, None)
    """
    left = u**2 - other
    if left <= 0.0:
        return None
    number = max(math.ceil(of_a_refit / left), 1)
    return number if number <= MOST_VISITS else None


def _limited(pair: Paired, factors: Sequence[float]) -> Joint:
    """The quantities of `LIMITED`, in its order."""
    return widest(
        pair, factors, lambda unit: np.array([unit.preload_torque, unit.drive_bias, unit.coast_bias])
    )


def at_limits(side: Sequence[Member], parameter: str) -> Estimate | None:
    """What a state's limit on a quantity is about where that is not at the reference condition: of several
    visits the mean."""
    found = [each for who in side if (each := judged_elsewhere(who).get(parameter)) is not None]
    if len(found) < len(side):
        return None
    return found[0] if len(found) == 1 else mean_of(found)


def _of_the_sheet(
    later: Sequence[Member], joint: Joint, i: int, limit: LimitVerdict, names: tuple[str, str]
) -> Judged:
    """A limit of the sheet, by its name and its parameter's: where it is meant, which may be elsewhere than
    at the reference condition that the ``joint`` quantities (its ``i``-th) are at."""
    name, parameter = names
    value: float | None = None
    interval: tuple[float, float] | None = None
    own = [m.determined(parameter) for m in later]
    elsewhere = at_limits(later, parameter)
    of_a_refit = joint.refits(i)
    other = float(joint.covariance[i, i]) - of_a_refit
    if elsewhere is not None:
        value, interval = elsewhere.value, elsewhere.interval
        of_a_refit, other = elsewhere.u_visit**2, elsewhere.u_shared**2
    elif None not in own:
        value, u = float(joint.value[i]), float(joint.u[i])
        interval = (value - NORMAL_95 * u, value + NORMAL_95 * u)
        one = own[0]
        if len(later) == 1 and one is not None and one.low is not None and one.high is not None:
            value, interval = one.value, (one.low, one.high)
    check = check_limit(name, value=value, interval=interval, low=limit.low, high=limit.high, unit=limit.unit)
    return Judged(check, len(later) * of_a_refit, other)


def judged_limits(pair: Paired, found: Differences, wear: Wear | None, largest_loss: float) -> list[Judged]:
    """Limits of the sheet after: torques and biases of that state, face wear, and the loss of preload where
    nothing is stated about it."""
    later, before, after = pair.later, len(pair.earlier), len(pair.later)
    stated = {parts_of(limit.quantity)[0]: limit for limit in later[0].characterisation.limits}
    judged = []
    joint = _limited(pair, pair.means(0.0, 1.0))
    for i, (name, parameter) in enumerate(LIMITED.items()):
        limit = stated.get(name)
        if limit is None:
            continue
        judged.append(_of_the_sheet(later, joint, i, limit, (name, parameter)))
    both = 1.0 / (1.0 / before + 1.0 / after)  # refits of both states: as many times as one visit each has
    most = next((m.face_wear_limit for m in later if m.face_wear_limit is not None), None)
    if most is not None:
        interval = None if wear is None else (wear.face_wear_low_m, wear.face_wear_high_m)
        check = check_limit(
            "face_wear",
            value=None if wear is None else wear.face_wear_m,
            interval=interval,
            low=None,
            high=most,
            unit="m",
        )
        refits, other = _of_face_wear(wear, found)
        judged.append(Judged(check, 2.0 * both * refits, other))
    change = found.changes.get("preload_torque")
    if "preload_torque" not in stated and change is not None:
        check = check_limit(
            "preload_loss",
            value=-change.change,
            interval=(-change.high, -change.low),
            low=None,
            high=largest_loss,
        )
        scale = (1.0 + change.change) ** 2  # of a ratio, where the covariance is of its logarithm
        refits = scale * found.preload.refits(0)
        other = scale * float(found.preload.covariance[0, 0]) - refits
        judged.append(Judged(check, 2.0 * both * refits, other))
    return judged


def _of_face_wear(wear: Wear | None, found: Differences) -> tuple[float, float]:
    """Variance of the wear of a face that refits make, and all other."""
    if wear is None:
        return 0.0, 0.0
    total = float(found.preload.covariance[2, 2])
    of_change = wear.budget.get("change of spring force", 0.0) ** 2
    refits = of_change * (found.preload.refits(2) / total if total > 0.0 else 0.0)
    return refits, wear.face_wear_u_m**2 - refits


class HeldLimit(Frozen):
    """A limit after one more event: where the quantity will be, its standard uncertainty, and the chance that
    the limit, ``low`` or ``high``, is held then."""

    quantity: str
    unit: str
    low: float | None
    high: float | None
    value: float
    u: float
    chance: float


class NextEvent(Frozen):
    """Whether every limit that wear can break is held through one more event, if wear goes on in a straight
    line as it did over the ``events_between`` both states, ``distance_m`` each: yes and no with a chance of
    95 % and more."""

    answer: Answer
    events_between: int
    distance_m: float | None
    limits: list[HeldLimit]


def next_event(
    pair: Paired,
    found: Differences,
    wear: Wear | None,
    limits: Sequence[Judged],
    *,
    events: int,
    distance: float | None,
) -> NextEvent | None:
    """Whether the limits that wear can break are held through one more event; None where there is no such
    limit. ``distance`` [m] lies between both states.

    x_next = x_after + (x_after − x_before)/N: wear is taken to go on as it did over the N ``events`` between
    both states, from one stretch alone. What a refit moves either state by is in the doubt.
    """
    step = 1.0 / events
    joint = _limited(pair, pair.means(-step, 1.0 + step))
    held = []
    for judged in limits:
        check = judged.check
        if check.value is None:
            continue
        parameter = LIMITED.get(check.quantity, "")
        after = at_limits(pair.later, parameter)
        if after is not None:
            # a number that was read goes on by what was read: not at all where that was at another condition
            before = at_limits(pair.earlier, parameter)
            if before is not None and alike((before, after)):
                value = after.value + step * (after.value - before.value)
                u = math.hypot((1.0 + step) * after.u_visit, step * before.u_visit, after.u_shared)
                held.append(_held(check.quantity, check.unit, value, u, low=check.low))
        elif parameter:
            i = list(LIMITED).index(check.quantity)
            held.append(
                _held(check.quantity, check.unit, float(joint.value[i]), float(joint.u[i]), low=check.low)
            )
        elif check.quantity == "preload_loss" and check.high is not None:
            kept = 1.0 - check.high
            factors = pair.means(-(step + kept), 1.0 + step)
            spare = widest(pair, factors, lambda unit: np.array([unit.preload_torque]))
            start = found.changes["preload_torque"].before
            if start:
                margin, u = float(spare.value[0]) / start, float(spare.u[0]) / start
                held.append(_held(check.quantity, check.unit, check.high - margin, u, high=check.high))
        elif wear is not None:  # of a face: no other limit is left
            more = 1.0 + step
            held.append(
                _held(
                    check.quantity,
                    check.unit,
                    more * wear.face_wear_m,
                    more * wear.face_wear_u_m,
                    high=check.high,
                )
            )
    if not held:
        return None
    # a limit that is broken now is not held through the next event, wherever a line would lead
    broken = any(judged.check.outcome == "not conforming" for judged in limits)
    least = 0.0 if broken else min(limit.chance for limit in held)
    return NextEvent(
        answer=answered(least),
        events_between=events,
        distance_m=None if distance is None or distance <= 0.0 else distance / events,
        limits=held,
    )


def _held(
    quantity: str, unit: str, value: float, u: float, *, low: float | None = None, high: float | None = None
) -> HeldLimit:
    """A limit at one end, and the chance that it is held."""
    spare = value - low if low is not None else (high or 0.0) - value
    chance = one_sided(-spare / u) if u > 0.0 else float(spare >= 0.0)
    return HeldLimit(quantity=quantity, unit=unit, low=low, high=high, value=value, u=u, chance=chance)
