"""Tests for outlying repeats: Cochran's on variances, Grubbs' on single values (ISO 5725-2)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

FEWEST_FOR_GRUBBS = 3


def cochran_statistic(variances: Sequence[float]) -> float:
    """Cochran's statistic: the largest variance over the sum of all.

    C = s²_max/Σ s²

    Parameters
    ----------
    variances : sequence of float
        Variances of the groups, of equal numbers of repeats.

    Returns
    -------
    C [-], 0 where all variances are zero.

    Raises
    ------
    ValueError
        There are fewer than two groups, or a variance is negative.

    Examples
    --------
    >>> cochran_statistic([1.0, 2.0, 5.0])
    0.625

    References
    ----------
    ISO 5725-2, Cochran's test.
    """
    values = np.asarray(variances, dtype=np.float64)
    if values.size < 2 or (values < 0.0).any():
        raise ValueError("Cochran's test compares the variances of two groups or more, none negative")
    total = float(values.sum())
    return float(values.max()) / total if total > 0.0 else 0.0


def cochran_critical(groups: int, repeats: int, level: float) -> float:
    """Value that Cochran's statistic exceeds by chance with probability ``level``.

    C_crit = 1/(1 + (p − 1)/F), F the quantile of Fisher's distribution at 1 − level/p for n − 1 and
    (p − 1)(n − 1) degrees of freedom

    Parameters
    ----------
    groups : int
        Groups p, two or more.
    repeats : int
        Repeats n in each, two or more.
    level : float
        For example 0.05 for a straggler, 0.01 for an outlier.

    Returns
    -------
    Critical value [-].

    Examples
    --------
    >>> print(f"{cochran_critical(10, 2, 0.05):.3f}")
    0.602

    References
    ----------
    ISO 5725-2, table of critical values for Cochran's test; the closed form by the bound of Bonferroni.
    """
    from scipy.special import fdtri

    if groups < 2 or repeats < 2:
        raise ValueError("Cochran's test needs two groups of two repeats or more")
    f = float(fdtri(repeats - 1, (groups - 1) * (repeats - 1), 1.0 - level / groups))
    return 1.0 / (1.0 + (groups - 1) / f)


def grubbs_statistic(values: Sequence[float]) -> tuple[float, int]:
    """Grubbs' statistic: the largest distance from the mean in standard deviations.

    G = max |x − mean|/s

    Parameters
    ----------
    values : sequence of float
        Single values, three or more.

    Returns
    -------
    G [-] and the index of the value it is of; 0 where all values are equal.

    Raises
    ------
    ValueError
        There are fewer than three values.

    Examples
    --------
    >>> g, which = grubbs_statistic([10.0, 10.1, 9.9, 12.0])
    >>> print(f"{g:.3f}", which)
    1.495 3

    References
    ----------
    ISO 5725-2, Grubbs' test for one outlying observation.
    """
    x = np.asarray(values, dtype=np.float64)
    if x.size < FEWEST_FOR_GRUBBS:
        raise ValueError("Grubbs' test needs three values or more")
    deviation = np.abs(x - x.mean())
    spread = float(x.std(ddof=1))
    which = int(np.argmax(deviation))
    return (float(deviation[which]) / spread if spread > 0.0 else 0.0), which


def grubbs_critical(count: int, level: float) -> float:
    """Value that Grubbs' statistic, two-sided, exceeds by chance with probability ``level``.

    G_crit = (n − 1)/√n · √(t²/(n − 2 + t²)), t the quantile of Student's distribution at 1 − level/(2 n) for
    n − 2 degrees of freedom

    Parameters
    ----------
    count : int
        Values n, three or more.
    level : float
        For example 0.05 for a straggler, 0.01 for an outlier.

    Returns
    -------
    Critical value [-].

    Examples
    --------
    >>> print(f"{grubbs_critical(10, 0.05):.3f}")
    2.290

    References
    ----------
    ISO 5725-2, table of critical values for Grubbs' test, one outlying observation.
    """
    from scipy.special import stdtrit

    if count < FEWEST_FOR_GRUBBS:
        raise ValueError("Grubbs' test needs three values or more")
    t = float(stdtrit(count - 2, 1.0 - level / (2.0 * count)))
    return (count - 1) / float(np.sqrt(count)) * float(np.sqrt(t**2 / (count - 2 + t**2)))
