"""The decision rule: a limit against value and uncertainty (ISO 14253-1), and the chance to hold it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

from diffbench.results.discrepancy import NORMAL_95
from diffbench.results.document import Frozen

#: Parameters that the limits of a build sheet hold, by the name of the limit.
LIMITED = {
    "preload_torque": "preload_torque",
    "ramp_bias_drive": "ramp_bias_drive_loading",
    "ramp_bias_coast": "ramp_bias_coast_loading",
}
Outcome = Literal["conforming", "not conforming", "not proven"]
Answer = Literal["yes", "no", "not proven"]
#: A chance that counts as a yes; as a no where it is that of the contrary.
SURE = 0.95


class LimitCheck(Frozen):
    """One limit against value and 95 % interval, with its guard bands.

    ``guard_low`` and ``guard_high`` are the parts of the interval below and above the value: so much inside
    each limit lies the zone of acceptance, ``accept_low`` to ``accept_high``, in which a value proves
    conformity; so much outside, ``reject_below`` and ``reject_above``, begins the proof of the contrary. A
    limit that is None does not exist. Where the guard bands fill the whole specification, no value could be
    accepted: ``accept_low`` then exceeds ``accept_high``, and ``provable`` is False.
    """

    quantity: str
    unit: str
    low: float | None
    high: float | None
    value: float | None
    guard_low: float | None
    guard_high: float | None
    accept_low: float | None
    accept_high: float | None
    reject_below: float | None
    reject_above: float | None
    provable: bool
    outcome: Outcome


RULE = (
    "ISO 14253-1: conforming where the whole 95 % interval lies within the limits, not conforming where the "
    "whole interval lies beyond one, else not proven; the guard band is the interval's half on the side of "
    "the limit"
)


def decided(interval: tuple[float, float] | None, low: float | None, high: float | None) -> Outcome:
    """Outcome by the decision rule of ISO 14253-1, see `check_limit`; not proven without an interval.

    Examples
    --------
    >>> [decided(interval, 70.0, 90.0) for interval in ((79.3, 84.1), (65.0, 69.9), (86.3, 91.1))]
    ['conforming', 'not conforming', 'not proven']
    """
    if interval is None:
        return "not proven"
    least, most = (-math.inf if low is None else low), (math.inf if high is None else high)
    if interval[1] < least or interval[0] > most:
        return "not conforming"
    return "conforming" if least <= interval[0] and interval[1] <= most else "not proven"


def chance_within(
    value: float, interval: tuple[float, float], low: float | None, high: float | None
) -> float:
    """Conformance probability: the chance that the quantity itself lies within its limits.

    p = Φ((high − y)/u) − Φ((low − y)/u), with u of either side from that half of the 95 % interval; a limit
    that is None does not exist.

    Examples
    --------
    >>> print(f"{chance_within(81.7, (79.3, 84.1), 80.0, 90.0):.3f}")
    0.917

    References
    ----------
    JCGM 106:2012, 7.2 to 7.4, for a normal distribution.
    """

    if interval[0] == interval[1]:
        return float(decided(interval, low, high) == "conforming")

    def below(limit: float, end: float) -> float:
        u = max(abs(end - value), 1e-12 * abs(value)) / NORMAL_95
        return 0.5 * math.erfc((value - limit) / (u * math.sqrt(2.0)))

    most = 1.0 if high is None else below(high, interval[1])
    return most - (0.0 if low is None else below(low, interval[0]))


def answered(chance: float) -> Answer:
    """Whether a thing holds, by its chance: yes and no where `SURE`.

    Examples
    --------
    >>> answered(0.97), answered(0.03), answered(0.5)
    ('yes', 'no', 'not proven')
    """
    return "yes" if chance >= SURE else "no" if chance <= 1.0 - SURE else "not proven"


def check_limit(
    quantity: str,
    *,
    value: float | None,
    interval: tuple[float, float] | None,
    low: float | None,
    high: float | None,
    unit: str = "1",
) -> LimitCheck:
    """One limit by the decision rule of ISO 14253-1, the interval being that of 95 %.

    y − U_low ≥ low and y + U_high ≤ high: conforming. y + U_high < low or y − U_low > high: not conforming.
    Else not proven.

    Parameters
    ----------
    quantity : str
        Its name.
    value : float or None
        Value y; None where it is not determined.
    interval : pair of float or None
        95 % interval, y − U_low to y + U_high.
    low, high : float or None
        Limits, either may be missing.
    unit : str
        Unit of all of them.

    Returns
    -------
    The outcome with guard bands.

    Raises
    ------
    ValueError
        The interval does not hold the value, or there is no limit at all.

    Examples
    --------
    >>> check_limit("preload_torque", value=81.7, interval=(79.3, 84.1), low=70.0, high=90.0).outcome
    'conforming'
    >>> found = check_limit("preload_torque", value=88.7, interval=(86.3, 91.1), low=70.0, high=90.0)
    >>> found.outcome, round(found.accept_low, 1), round(found.accept_high, 1)
    ('not proven', 72.4, 87.6)

    References
    ----------
    ISO 14253-1, decision rules for proving conformity and nonconformity with specifications, with guard
    bands of the expanded uncertainty; here the half widths of the 95 % interval, which are stricter than
    guard bands for a conformance probability of 95 % on one side (1.65 standard uncertainties).
    """
    if low is None and high is None:
        raise ValueError("a limit has a lower end, an upper end or both")
    below: float | None = None
    above: float | None = None
    if value is None or interval is None:
        value = interval = None
    else:
        below, above = value - interval[0], interval[1] - value
        if below < 0.0 or above < 0.0:
            raise ValueError("the interval must hold the value")
    accept_low, accept_high = _moved(low, below), _moved(high, above, -1.0)
    held = accept_low is None or accept_high is None or accept_low <= accept_high
    return LimitCheck(
        quantity=quantity,
        unit=unit,
        low=low,
        high=high,
        value=value,
        guard_low=below,
        guard_high=above,
        accept_low=accept_low,
        accept_high=accept_high,
        reject_below=_moved(low, above, -1.0),
        reject_above=_moved(high, below),
        provable=value is not None and held,
        outcome=decided(interval, low, high),
    )


def _moved(limit: float | None, guard: float | None, way: float = 1.0) -> float | None:
    return None if limit is None or guard is None else limit + way * guard


def worst(outcomes: Sequence[Outcome]) -> Outcome | None:
    """Outcome over several limits: one broken breaks the whole, one open leaves it open; None for none.

    Examples
    --------
    >>> worst(["conforming", "not proven"]), worst([])
    ('not proven', None)
    """
    order: tuple[Outcome, ...] = ("not conforming", "not proven", "conforming")
    return next((outcome for outcome in order if outcome in outcomes), None)
