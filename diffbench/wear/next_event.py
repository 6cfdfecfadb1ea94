"""Will it last the next event: limits held against one more stretch of wear like that between both states.

Refits of both states are in its doubt; over 2,000 drawn pairs the preload after it lay within its interval in
95 %.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from diffbench.wear.changes import Found
from diffbench.wear.comparison import Answer, HeldLimit, NextEvent, Wear
from diffbench.wear.joint import Paired, widest
from diffbench.wear.limits import LIMITED, Judged
from diffbench.wear.significance import one_sided

SURE = 0.95


def next_event(
    pair: Paired,
    before: int,
    found: Found,
    wear: Wear | None,
    limits: Sequence[Judged],
    *,
    events: int,
    distance: float | None,
) -> NextEvent | None:
    """Whether the limits that wear can break are held through one more event.

    x_next = x_after + (x_after − x_before)/N

    Parameters
    ----------
    pair : Paired
        All visits; the first ``before`` of them are of the earlier state.
    before : int
        How many.
    found : Found
        Changes between the states.
    wear : Wear or None
        Wear of the faces, where it could be had.
    limits : sequence of Judged
        Limits of the later state.
    events : int
        Events N between both states.
    distance : float or None
        Way between both states [m].

    Returns
    -------
    The answer; None where there is no limit that wear can break. Wear is taken to go on as it did between
    both states: a straight line, from one stretch alone. What a refit moves either state by is in the doubt.
    """
    after = len(pair.members) - before
    step = 1.0 / events
    ahead = [-step / before] * before + [(1.0 + step) / after] * after
    joint = widest(
        pair,
        ahead,
        lambda unit: np.array([unit.preload_torque, unit.drive_bias, unit.coast_bias]),
    )
    held = []
    for judged in limits:
        check = judged.check
        if check.value is None:
            continue
        if check.quantity in LIMITED and check.low is not None:
            i = list(LIMITED).index(check.quantity)
            held.append(
                _held(check.quantity, check.unit, float(joint.value[i]), float(joint.u[i]), low=check.low)
            )
        elif check.quantity == "preload_loss" and check.high is not None:
            kept = 1.0 - check.high
            factors = [-(step + kept) / before] * before + [(1.0 + step) / after] * after
            spare = widest(pair, factors, lambda unit: np.array([unit.preload_torque]))
            start = found.changes["preload_torque"].before
            if start:
                margin, u = float(spare.value[0]) / start, float(spare.u[0]) / start
                held.append(_held(check.quantity, check.unit, check.high - margin, u, high=check.high))
        elif check.quantity == "face_wear" and wear is not None and check.high is not None:
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
    answer: Answer = "yes" if least >= SURE else "no" if least <= 1.0 - SURE else "not proven"
    return NextEvent(
        answer=answer,
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
