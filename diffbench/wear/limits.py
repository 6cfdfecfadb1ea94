"""Limits of the sheet after two states were compared, and how many visits settle one that is open."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from diffbench.results.characterisation import Parameter
from diffbench.results.conformity import LimitCheck, check_limit
from diffbench.wear.changes import Found
from diffbench.wear.comparison import Wear
from diffbench.wear.joint import NORMAL_95, Joint, Paired, widest
from diffbench.wear.sharing import REPEATABILITY, Member

POWER_95 = 1.644854  # a thing shows with a chance of 95 % when it lies that far beyond its threshold
MOST_VISITS = 50
#: Limits of a sheet on what a pair of states has, by parameter; the order is that of `held_to`.
LIMITED = {
    "preload_torque": "preload_torque",
    "ramp_bias_drive": "ramp_bias_drive_loading",
    "ramp_bias_coast": "ramp_bias_coast_loading",
}


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


def judged_limits(
    pair: Paired,
    before: int,
    found: Found,
    wear: Wear | None,
    later: Sequence[Member],
    largest_loss: float,
) -> list[Judged]:
    """Limits of the sheet after: torques and biases of that state, face wear, and the loss of preload where
    nothing is stated about it."""
    after = len(later)
    stated = {limit.quantity.partition("[")[0]: limit for limit in later[0].characterisation.limits}
    judged = []
    joint = widest(
        pair,
        [0.0] * before + [1.0 / after] * after,
        lambda unit: np.array([unit.preload_torque, unit.drive_bias, unit.coast_bias]),
    )
    for i, (name, parameter) in enumerate(LIMITED.items()):
        limit = stated.get(name)
        if limit is None:
            continue
        own = [_own(m, parameter) for m in later]
        value: float | None = None
        interval: tuple[float, float] | None = None
        if all(item is not None and item.value is not None for item in own):
            value, u = float(joint.value[i]), float(joint.u[i])
            interval = (value - NORMAL_95 * u, value + NORMAL_95 * u)
            one = own[0]
            if after == 1 and one is not None and one.low is not None and one.high is not None:
                value, interval = one.value, (one.low, one.high)
        check = check_limit(
            name, value=value, interval=interval, low=limit.low, high=limit.high, unit=limit.unit
        )
        refits = _refits(joint, i)
        judged.append(Judged(check, after * refits, float(joint.covariance[i, i]) - refits))
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
        refits = scale * _refits(found.preload, 0)
        other = scale * float(found.preload.covariance[0, 0]) - refits
        judged.append(Judged(check, 2.0 * both * refits, other))
    return judged


def _own(who: Member, parameter: str) -> Parameter | None:
    return who.characterisation.parameters.get(parameter)


def _refits(joint: Joint, i: int) -> float:
    """Variance of one quantity that refits to the bench make."""
    share = joint.shares.get(REPEATABILITY)
    return 0.0 if share is None else float(share[i, i])


def _of_face_wear(wear: Wear | None, found: Found) -> tuple[float, float]:
    """Variance of the wear of a face that refits make, and all other."""
    if wear is None:
        return 0.0, 0.0
    total = float(found.preload.covariance[2, 2])
    of_change = wear.budget.get("change of spring force", 0.0) ** 2
    refits = of_change * (_refits(found.preload, 2) / total if total > 0.0 else 0.0)
    return refits, wear.face_wear_u_m**2 - refits
