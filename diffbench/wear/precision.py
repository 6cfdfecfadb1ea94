"""Precision of repeated results: repeatability, its limit, and reproducibility (ISO 5725-2)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

# Of the difference of two results, 95 %: 1.96 √2, rounded as the standard does.
LIMIT_FACTOR = 2.8


@dataclass(frozen=True)
class Precision:
    """Precision of a quantity.

    Attributes
    ----------
    mean : float
        Mean over all results, in the quantity's unit.
    repeatability : float
        Repeatability standard deviation s_r.
    low, high : float
        95 % interval of s_r.
    limit : float
        Repeatability limit r = 2.8 s_r, which the difference of two results exceeds once in twenty times.
    reproducibility : float or None
        Standard deviation s_R with the scatter between groups; None for one group.
    degrees : int
        Degrees of freedom of s_r.
    """

    mean: float
    repeatability: float
    low: float
    high: float
    limit: float
    reproducibility: float | None
    degrees: int


def precision(groups: Sequence[Sequence[float]]) -> Precision:
    """Repeatability within groups and reproducibility over groups.

    s_r² = Σ (n_i − 1) s_i²/Σ (n_i − 1); s_L² = (s_d² − s_r²)/n̄ (0 where negative); s_R² = s_L² + s_r²;
    r = 2.8 s_r

    Parameters
    ----------
    groups : sequence of sequences of float
        Results of each group (a unit, a build): repeats under the same conditions, in any numbers.

    Returns
    -------
    The precision.

    Raises
    ------
    ValueError
        No group has two results.

    Notes
    -----
    Validity: repeats are independent; the interval of s_r is that of a normal scatter (chi-squared).

    Examples
    --------
    >>> found = precision([[10.0, 10.2, 9.8]])
    >>> print(f"{found.mean:.1f} {found.repeatability:.1f} {found.limit:.2f} {found.degrees}")
    10.0 0.2 0.56 2

    References
    ----------
    ISO 5725-2:1994, 7.4.5 (basic method); ISO 5725-6:1994, 4.1 (limit).
    """
    from scipy.special import chdtri

    arrays = [np.asarray(group, dtype=np.float64) for group in groups if len(group) > 0]
    counts = np.array([a.size for a in arrays])
    degrees = int((counts - 1).sum()) if arrays else 0
    if degrees < 1:
        raise ValueError("repeatability needs two results of one group or more")
    within = sum(float(((a - a.mean()) ** 2).sum()) for a in arrays) / degrees
    mean = float(np.concatenate(arrays).mean())
    reproducibility = None
    if len(arrays) > 1:
        p, total = len(arrays), float(counts.sum())
        means = np.array([a.mean() for a in arrays])
        between = float((counts * (means - mean) ** 2).sum()) / (p - 1)
        size = (total - float((counts**2).sum()) / total) / (p - 1)
        reproducibility = float(np.sqrt(max((between - within) / size, 0.0) + within))
    s = float(np.sqrt(within))
    low = s * float(np.sqrt(degrees / chdtri(degrees, 0.025)))
    high = s * float(np.sqrt(degrees / chdtri(degrees, 0.975)))
    return Precision(mean, s, low, high, LIMIT_FACTOR * s, reproducibility, degrees)
