"""Control charts: is a series still what it was when it began?

Textbook limits (3σ, h = 5) are for endless series with known target and scatter; a unit has six records, and
its target is one or two of them. Limits are drawn by simulation, for the length, the baseline and the degrees
of freedom at hand, at one false alarm in a hundred unchanged series.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["ALARM_RATE", "Charts", "charts_of", "cusum", "ewma", "limits_for"]

Array = NDArray[np.float64]

#: Weight of the newest value in the moving average; the handbook: usually between 0.2 and 0.3.
WEIGHT = 0.3
#: Slack of the sums in standard deviations: half of the shift that shall be found, which is one.
SLACK = 0.5
#: Share of unchanged series that a chart may speak against.
ALARM_RATE = 0.01

_PATHS = 40_000
_SEED = 20_260_414


def ewma(values: ArrayLike, *, target: float, weight: float = WEIGHT) -> Array:
    """Exponentially weighted moving average: ``z_i = λ y_i + (1 − λ) z_{i−1}``, ``z_0`` the target.

    Parameters
    ----------
    values : array_like, (n,)
        The series, in any unit.
    target : float
        Where it stood when it was in control, in that unit.
    weight : float
        λ, above 0 and at most 1.

    Returns
    -------
    Array (n,).

    Raises
    ------
    ValueError : for a weight that cannot be.

    Examples
    --------
    >>> ewma([52.0, 47.0, 53.0], target=50.0, weight=0.3).round(2).tolist()
    [50.6, 49.52, 50.56]

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4.
    """
    if not 0.0 < weight <= 1.0:
        msg = f"a weight lies above 0 and is at most 1, not {weight}"
        raise ValueError(msg)
    found, last = [], target
    for value in np.asarray(values, dtype=float):
        last = weight * float(value) + (1.0 - weight) * last
        found.append(last)
    return np.array(found, dtype=float)


def cusum(values: ArrayLike, *, target: float, slack: float) -> tuple[Array, Array]:
    """Cumulative sums, both from 0: ``S⁺_i = max(0, S⁺_{i−1} + y_i − target − k)``,
    ``S⁻_i = max(0, S⁻_{i−1} + target − k − y_i)``.

    Parameters
    ----------
    values : array_like, (n,)
        The series.
    target : float
        Where it stood when it was in control.
    slack : float
        k, in the unit of the values: half of the shift to be found.

    Returns
    -------
    Two arrays (n,): upward and downward sums.

    Examples
    --------
    >>> up, down = cusum([10.0, 11.0, 12.0, 8.0], target=10.0, slack=0.5)
    >>> up.tolist(), down.tolist()
    ([0.0, 0.5, 2.0, 0.0], [0.0, 0.0, 0.0, 1.5])

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3.
    """
    up, down, high, low = [], [], 0.0, 0.0
    for value in np.asarray(values, dtype=float):
        high = max(0.0, high + float(value) - target - slack)
        low = max(0.0, low + target - slack - float(value))
        up.append(high)
        down.append(low)
    return np.array(up), np.array(down)


@dataclass(frozen=True, eq=False)
class Charts:
    """Both charts of one series after its first ``baseline`` records.

    ``average`` (n,) with ``low`` and ``high`` (n,) in the unit of the series; ``up`` and ``down`` (n,) with
    their ``decision`` limit in standard deviations.
    """

    target: float
    sigma: float
    baseline: int
    average: Array
    low: Array
    high: Array
    up: Array
    down: Array
    decision: float
    width: float

    @property
    def average_signal(self) -> int | None:
        """First record (counted from the baseline's end) whose moving average is beyond its limits."""
        return _first((self.average < self.low) | (self.average > self.high))

    @property
    def sum_signal(self) -> int | None:
        """First record whose sums are beyond the decision limit."""
        return _first(np.maximum(self.up, self.down) > self.decision)


def charts_of(values: ArrayLike, *, baseline: int, sigma: float, freedom: float) -> Charts:
    """Charts of a short series against its own beginning.

    The limits are not those of an endless series: they are drawn so wide that in 99 of 100 series of this
    length, of a unit that does not change, nothing is signalled. The doubt of a target taken from few records
    and that of a standard deviation with few degrees of freedom are in them.

    Parameters
    ----------
    values : array_like, (n,)
        The series.
    baseline : int
        How many of the first values make the target; fewer than n.
    sigma : float
        Standard deviation from record to record, in the unit of the values.
    freedom : float
        Its degrees of freedom.

    Returns
    -------
    The charts.

    Examples
    --------
    >>> charts = charts_of([82.0, 81.0, 78.0, 75.0, 72.0], baseline=1, sigma=1.2, freedom=50.0)
    >>> charts.average_signal, charts.sum_signal
    (2, 3)
    """
    series = np.asarray(values, dtype=float)
    target = float(np.mean(series[:baseline]))
    watched = series[baseline:]
    width, decision = limits_for(watched.size, baseline, freedom)
    reach = width * sigma * _spread(watched.size, baseline)
    up, down = cusum((watched - target) / sigma, target=0.0, slack=SLACK)
    return Charts(
        target=target,
        sigma=sigma,
        baseline=baseline,
        average=ewma(watched, target=target),
        low=target - reach,
        high=target + reach,
        up=up,
        down=down,
        decision=decision,
        width=width,
    )


@lru_cache(maxsize=256)
def limits_for(count: int, baseline: int, freedom: float) -> tuple[float, float]:
    """Limits that `ALARM_RATE` of unchanged series of a length exceed, each chart for itself.

    Parameters
    ----------
    count, baseline : int
        Values watched, and values that the target is the mean of.
    freedom : float
        Degrees of freedom of the standard deviation; infinite for a known one.

    Returns
    -------
    Width of the average's limits in its own standard deviations, and decision limit of the sums in those of
    a value; by simulation with a fixed seed.

    Examples
    --------
    >>> width, _ = limits_for(1, 10_000, math.inf)  # one value, all known: the normal distribution's 2.58
    >>> round(width, 1)
    2.6
    """
    chance = np.random.default_rng(_SEED)
    values = chance.standard_normal((count, _PATHS)) - chance.standard_normal(_PATHS) / math.sqrt(baseline)
    if math.isfinite(freedom):
        values /= np.sqrt(chance.chisquare(freedom, _PATHS) / freedom)
    average, up, down = (np.zeros(_PATHS) for _ in range(3))
    farthest, highest = np.zeros(_PATHS), np.zeros(_PATHS)
    for value, spread in zip(values, _spread(count, baseline), strict=True):
        average = WEIGHT * value + (1.0 - WEIGHT) * average
        up = np.maximum(0.0, up + value - SLACK)
        down = np.maximum(0.0, down - value - SLACK)
        farthest = np.maximum(farthest, np.abs(average) / spread)
        highest = np.maximum(highest, np.maximum(up, down))
    return tuple(float(np.quantile(worst, 1.0 - ALARM_RATE)) for worst in (farthest, highest))  # type: ignore[return-value]


def _spread(count: int, baseline: int) -> Array:
    """Standard deviation of the moving average after each value, in that of a value, the target's doubt
    included."""
    kept = (1.0 - WEIGHT) ** np.arange(1, count + 1)
    return np.asarray(np.sqrt(WEIGHT / (2.0 - WEIGHT) * (1.0 - kept**2) + (1.0 - kept) ** 2 / baseline))


def _first(beyond: NDArray[np.bool_]) -> int | None:
    places = np.flatnonzero(beyond)
    return int(places[0]) if places.size else None
