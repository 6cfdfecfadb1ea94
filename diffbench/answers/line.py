"""A straight line through few records: scatter, intervals, and the way to a limit.

Scatter is pooled of the stated repeatability, which counts as eight degrees of freedom (known to 25 %, JCGM
100:2008, G.4.2), and of the residuals; an F test at 1 % drops the stated one. So two records can have a
slope. What all records share cancels between them, and is added where the line meets a limit.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "STATED_FREEDOM",
    "Axis",
    "Crossing",
    "Jump",
    "Line",
    "axis_over",
    "crossing",
    "find_jump",
    "fit_line",
    "place_ahead",
    "pooled",
    "records_needed",
]

Array = NDArray[np.float64]

#: Degrees of freedom of a stated repeatability: it is taken as known to 25 % (JCGM 100:2008, G.4.2, whose
#: example gives these eight).
STATED_FREEDOM = 8.0
#: Below that chance the observed scatter speaks against the stated one, which then is not used.
_AGAINST = 0.01
_ONE_SIDED = 0.95
_TWO_SIDED = 0.975
_POWER = 0.9
MOST_RECORDS = 200
#: Chance that a jump is told of a series that has none.
_JUMP = 0.01
#: A limit farther off than that many times the distance so far is not looked for.
_FARTHEST = 1000.0


Axis = Literal["distance", "events", "visits"]


def axis_over(visits: Sequence[tuple[float | None, int | None]]) -> Axis:
    """What visits can be counted over, by distance [m] and events of each: distance where all have it and it
    differs, else events, else their own number."""
    for axis, known in (
        ("distance", [distance for distance, _ in visits]),
        ("events", [events for _, events in visits]),
    ):
        if None not in known and (len(visits) == 1 or len(set(known)) > 1):
            return "distance" if axis == "distance" else "events"
    return "visits"


def place_ahead(x: ArrayLike, *, one_by_one: bool, stretches: int | None = None) -> float | None:
    """Where the next record is expected: one further where they are counted ``one_by_one``, else as far on as
    the mean of the ``stretches`` so far, one from place to place unless it is said.

    >>> place_ahead([0.0, 0.0, 600.0, 1100.0], one_by_one=False)
    1650.0
    """
    places = np.unique(x)
    if places.size < 2:
        return None
    stretch = 1.0 if one_by_one else float(places[-1] - places[0]) / (stretches or places.size - 1)
    return float(places[-1]) + stretch


def events_between(first: int | None, last: int | None) -> int | None:
    """How many events lie between two visits, by the events that each counts; None where that tells nothing.

    >>> events_between(0, 6), events_between(None, 6), events_between(6, 6)
    (6, None, None)
    """
    return None if first is None or last is None or last <= first else last - first


@dataclass(frozen=True)
class Line:
    """``y = level + slope (x − centre)`` with scatter ``sigma`` of ``freedom`` degrees of freedom.

    ``observed`` and ``stated`` are the standard deviations that the scatter was made of, None where there is
    none.
    """

    count: int
    centre: float
    spread: float
    level: float
    slope: float
    sigma: float
    freedom: float
    observed: float | None
    stated: float | None

    @property
    def u_slope(self) -> float:
        """Standard uncertainty of the slope."""
        return self.sigma / math.sqrt(self.spread)

    @property
    def u_intercept(self) -> float:
        """Standard uncertainty of the line at x = 0."""
        return float(self.u_at(0.0))

    @property
    def factor(self) -> float:
        """Student's factor of a two-sided interval of 95 %."""
        return _student(_TWO_SIDED, self.freedom)

    @property
    def one_sided(self) -> float:
        """Student's factor of a one-sided bound of 95 %."""
        return _student(_ONE_SIDED, self.freedom)

    def at(self, x: ArrayLike) -> Array:
        """The line."""
        return np.asarray(self.level + self.slope * (np.asarray(x, dtype=float) - self.centre))

    def u_at(self, x: ArrayLike, *, shared: float = 0.0) -> Array:
        """Standard uncertainty of the line; ``shared`` is what all records have in common."""
        away = np.asarray(x, dtype=float) - self.centre
        return np.asarray(np.sqrt(self.sigma**2 * (1.0 / self.count + away**2 / self.spread) + shared**2))

    def interval(self, x: float, *, shared: float = 0.0) -> tuple[float, float]:
        """95 % interval of the unit itself at ``x``."""
        value, reach = float(self.at(x)), self.factor * float(self.u_at(x, shared=shared))
        return value - reach, value + reach

    def chance_above(self, limit: float, x: float, *, shared: float = 0.0) -> float:
        """Chance that the unit itself stands above a limit at ``x``."""
        from scipy.special import stdtr

        u = float(self.u_at(x, shared=shared))
        return float(stdtr(self.freedom, (float(self.at(x)) - limit) / u))

    def next_record(self, x: ArrayLike) -> tuple[Array, Array]:
        """Prediction interval: where one more record lies with 95 %.

        References
        ----------
        NIST/SEMATECH e-Handbook of Statistical Methods, 4.5.1.2; N. R. Draper, H. Smith, Applied Regression
        Analysis, section 3.1 (from memory).
        """
        reach = self.factor * np.hypot(self.sigma, self.u_at(x))
        return self.at(x) - reach, self.at(x) + reach


@dataclass(frozen=True)
class Crossing:
    """Where a falling line meets a lower limit: ``not_before`` and ``reached_by`` hold with 95 % confidence
    each, ``expected`` is the line's own; None where there is no such place within a thousand times the way so
    far. ``open_at_start`` is true where the limit may have been reached before the search began."""

    limit: float
    open_at_start: bool
    not_before: float | None
    expected: float | None
    reached_by: float | None


@dataclass(frozen=True)
class Jump:
    """A step between two neighbouring records that no straight line explains.

    ``at`` is the first record after it (counted from 0); ``size`` with its two-sided 95 % interval ``low`` to
    ``high`` in the unit of the series, ``before`` the line just before it; ``sigma`` with its ``freedom`` the
    scatter of records about line and step.
    """

    at: int
    size: float
    low: float
    high: float
    before: float
    sigma: float
    freedom: float


def pooled(observed: float | None, freedom: int, stated: float | None) -> tuple[float, float] | None:
    """One scatter from what was observed and what was stated.

    Both variances are averaged by their degrees of freedom, ``s² = (ν s_obs² + ν₀ s_0²)/(ν + ν₀)``, ν₀ being
    `STATED_FREEDOM`; unless the observed one is larger than chance explains (F test at 1 %): then it stands
    alone.

    Parameters
    ----------
    observed, stated : float or None
        Standard deviations.
    freedom : int
        Degrees of freedom of the observed one.

    Returns
    -------
    Standard deviation and degrees of freedom; None where there is neither.

    Examples
    --------
    >>> pooled(2.0, 8, 1.0)
    (1.5811388300841898, 16.0)
    >>> pooled(9.0, 8, 1.0), pooled(None, 0, 1.0), pooled(None, 0, None)
    ((9.0, 8.0), (1.0, 8.0), None)

    References
    ----------
    JCGM 100:2008, H.3.6 (pooled estimate) and G.4.2.
    """
    from scipy.special import fdtrc

    if observed is None:
        return None if stated is None else (stated, STATED_FREEDOM)
    if stated is None or fdtrc(freedom, STATED_FREEDOM, (observed / stated) ** 2) < _AGAINST:
        return observed, float(freedom)
    total = freedom + STATED_FREEDOM
    return math.sqrt((freedom * observed**2 + STATED_FREEDOM * stated**2) / total), total


def fit_line(x: ArrayLike, y: ArrayLike, *, stated: float | None = None) -> Line | None:
    """A straight line by least squares.

    Parameters
    ----------
    x, y : array_like, (n,)
        Distance, and the quantity.
    stated : float or None
        Standard deviation from record to record as stated.

    Returns
    -------
    The line; None where there is none: all at one place, or two records without a stated scatter.

    Examples
    --------
    >>> line = fit_line([0.0, 1.0, 2.0, 3.0], [1.0, 3.1, 4.9, 7.0])
    >>> round(line.slope, 3), round(line.u_slope, 4), line.freedom
    (1.98, 0.0424, 2.0)
    """
    across, upward = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    count = across.size
    if count < 2 or np.ptp(across) <= 0.0:
        return None
    centre, level = float(np.mean(across)), float(np.mean(upward))
    spread = float(np.sum((across - centre) ** 2))
    slope = float(np.sum((across - centre) * (upward - level))) / spread
    residual = upward - level - slope * (across - centre)
    freedom = count - 2
    observed = math.sqrt(float(residual @ residual) / freedom) if freedom else None
    scatter = pooled(observed, freedom, stated)
    if scatter is None or scatter[0] <= 0.0:
        return None
    return Line(count, centre, spread, level, slope, *scatter, observed, stated)


def find_jump(x: ArrayLike, y: ArrayLike, *, stated: float | None = None) -> Jump | None:
    """The step that stands out most from a straight line, where one does.

    y = a + b x + c [i ≥ k], each place k of the step in turn; c is held against the scatter about that, which
    a step does not widen. The chance that a series without a step shows one is 1 % over all places.

    Parameters
    ----------
    x, y : array_like, (n,)
        Distance in rising order, and the quantity.
    stated : float or None
        Standard deviation from record to record as stated.

    Returns
    -------
    The step; None where there is none, or where records are too few to tell it: three with a stated scatter,
    five without.

    Examples
    --------
    >>> steps = find_jump([0.0, 1.0, 2.0, 3.0], [82.0, 82.3, 81.8, 66.0], stated=1.2)
    >>> steps.at, round(steps.size, 1)
    (3, -15.8)
    >>> find_jump([0.0, 1.0, 2.0, 3.0], [82.0, 76.5, 71.8, 66.0], stated=1.2) is None
    True

    References
    ----------
    Two-phase regression at each place with the bound of Bonferroni: D. C. Montgomery et al., Introduction to
    Linear Regression Analysis, section on indicator variables (from memory).
    """
    from scipy.special import stdtr

    across, upward = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    count = across.size
    best: tuple[float, Jump] | None = None
    for at in range(1, count):
        columns = [np.ones(count), (np.arange(count) >= at).astype(float)]
        if np.ptp(across) > 0.0:
            columns.append((across - across[at]) / np.ptp(across))
        design = np.column_stack(columns)
        found, _, rank, _ = np.linalg.lstsq(design, upward, rcond=1e-9)
        if rank < design.shape[1]:
            continue  # the line alone does what the step would
        freedom = count - rank
        residual = upward - design @ found
        # one degree of freedom is no measure of a scatter that is to be held against one per mille
        observed = math.sqrt(float(residual @ residual) / freedom) if freedom > 1 else None
        scatter = pooled(observed, freedom, stated)
        if scatter is None or scatter[0] <= 0.0:
            continue
        u = scatter[0] * math.sqrt(np.linalg.inv(design.T @ design)[1, 1])
        chance = 2.0 * float(stdtr(scatter[1], -abs(found[1]) / u)) * (count - 1)
        if chance < _JUMP and (best is None or chance < best[0]):
            size, reach = float(found[1]), _student(_TWO_SIDED, scatter[1]) * u
            best = chance, Jump(at, size, size - reach, size + reach, float(found[0]), *scatter)
    return None if best is None else best[1]


def crossing(line: Line, limit: float, *, start: float, shared: float = 0.0) -> Crossing:
    """Where the unit itself reaches a lower limit, from ``start`` on.

    Bounds of the line, its uncertainty taken together with what all records share, are followed until they
    meet the limit (the inverse of the regression, E. C. Fieller 1954).

    Parameters
    ----------
    line : Line
        Through the records.
    limit : float
        Lowest value allowed.
    start : float
        Where to begin: the last record.
    shared : float
        Standard uncertainty that all records have in common.

    Returns
    -------
    The crossing; ``not_before`` is ``start`` where the limit may have been reached there already.

    Examples
    --------
    >>> line = fit_line([0.0, 1.0, 2.0, 3.0], [80.0, 78.1, 75.9, 74.0])
    >>> found = crossing(line, 70.0, start=3.0)
    >>> [round(x, 2) for x in (found.not_before, found.expected, found.reached_by)]
    [4.75, 4.97, 5.2]
    """
    factor = line.one_sided

    def above(side: float) -> Callable[[float], float]:
        def height(x: float) -> float:
            away = x - line.centre
            u = math.sqrt(line.sigma**2 * (1.0 / line.count + away**2 / line.spread) + shared**2)
            return line.level + line.slope * away + side * factor * u - limit

        return height

    far = start + _FARTHEST * max(math.sqrt(line.spread), abs(start))
    places = (_falls(above(side), start, far) for side in (-1.0, 0.0, 1.0))
    return Crossing(limit, above(-1.0)(start) <= 0.0, *(None if math.isinf(x) else x for x in places))


def _falls(height: Callable[[float], float], start: float, far: float) -> float:
    """First place from ``start`` on where a height that is concave or convex comes to zero; infinite where it
    does not come before ``far``."""
    if height(start) <= 0.0:
        return start
    low, step = start, (far - start) * 1e-6
    while height(low + step) > 0.0:
        low, step = low + step, step * 1.3
        if low > far:
            return math.inf
    high = low + step
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if height(middle) > 0.0 else (low, middle)
    return high


def records_needed(line: Line, x: ArrayLike, fall: float) -> int | None:
    """How many more records, spaced as those so far, would show a fall by a two-sided interval of 95 % in
    nine of ten cases.

    Parameters
    ----------
    line : Line
        Through the records so far.
    x : array_like, (n,)
        Where they stand.
    fall : float
        The fall to be shown, per unit of x, positive.

    Returns
    -------
    The number; None where more than `MOST_RECORDS` would be needed.

    Examples
    --------
    >>> line = fit_line([0.0, 600.0], [82.0, 81.0], stated=1.2)
    >>> records_needed(line, [0.0, 600.0], 1.0 / 600.0)
    4
    """
    from scipy.special import ndtri

    across = np.asarray(x, dtype=float)
    places = np.unique(across)
    gap = float(np.median(np.diff(places)))
    for more in range(1, MOST_RECORDS + 1):
        every = np.append(across, places[-1] + gap * np.arange(1, more + 1))
        u_slope = line.sigma / math.sqrt(float(np.sum((every - every.mean()) ** 2)))
        if fall >= (_student(_TWO_SIDED, line.freedom + more) + float(ndtri(_POWER))) * u_slope:
            return more
    return None


def _student(share: float, freedom: float) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(freedom, share))
