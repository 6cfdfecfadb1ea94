"""How noisy the cells are, how much of that repeats from cell to cell, and what it does to an estimate.

The effective number of cells (initial positive sequence, Geyer 1992) weighs data against what is known
beforehand, and counts in the information criterion. No cell claims to be better than a thousandth of the
torque difference.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.smoothing import MAD_TO_SIGMA
from diffbench.fitting.data import FitData

Array = NDArray[np.float64]
Index = NDArray[np.int64]


MODEL_FLOOR = 1e-3


@dataclass(frozen=True)
class CellNoise:
    """``sigma`` (c,) standard deviation of a cell's torque difference [N·m]; ``inflation`` by which
    correlated noise raises the variance of an estimate over that of independent cells; ``effective`` number
    of independent cells; ``freedom`` degrees of freedom of sigma, where it is known beforehand."""

    sigma: Array
    inflation: float
    effective: float
    freedom: float | None = None


def first_guess(data: FitData) -> CellNoise:
    """Before any fit: sample noise averaged over the cell, and at least 0.1 % of the torque difference."""
    sigma = np.sqrt(data.noise**2 / data.count + (1e-3 * np.median(np.abs(data.difference))) ** 2)
    return CellNoise(np.maximum(sigma, 1e-6), 1.0, float(sigma.size))


def from_residual(data: FitData, residual: Array, *, unknowns: int) -> CellNoise:
    """From the residual (c,) [N·m] of a fit, run by run, robustly.

    Within a run, cells differ in size: the variance is ``a + b/count`` with ``b`` the sample noise and ``a``
    what does not average out (ripple, model). Correlation from cell to cell is summed until it is lost in its
    own noise (initial positive sequence).
    """
    sigma = np.empty(residual.size)
    share = residual.size / max(residual.size - unknowns, 1)
    weighted_inflation = 0.0
    for run in range(len(data.run_names)):
        here = data.run == run
        r = residual[here]
        if r.size == 0:
            continue
        if data.run_kinds[run] == "turning-torque" and data.read_by_hand[here].all():
            # what a hand scatters is stated or in its repeats: no fit and no sweep says it better
            sigma[here] = data.noise[here]
            weighted_inflation += r.size
            continue
        spread = MAD_TO_SIGMA * float(np.median(np.abs(r - np.median(r))))
        # no model of plates is better than a thousandth: a quieter recording must not claim more
        spread = max(np.sqrt(share) * spread, 1e-9, MODEL_FLOOR * float(np.median(np.abs(data.difference))))
        sample = data.noise[here] ** 2 / data.count[here]
        floor = max(spread**2 - float(np.median(sample)), 0.1 * spread**2)
        sigma[here] = np.sqrt(floor + sample)
        sigma[here] *= spread / float(np.median(sigma[here]))
        weighted_inflation += r.size * correlation_inflation(r / sigma[here])
    inflation = max(weighted_inflation / residual.size, 1.0)
    return CellNoise(sigma, inflation, residual.size / inflation)


def yardstick(noise: CellNoise) -> float:
    """Variance that counts where cells are averaged [N²·m²]."""
    return float(np.median(noise.sigma)) ** 2 * noise.inflation


@dataclass(frozen=True)
class LackOfFit:
    """Sums of squares of pure error and of lack of fit, their degrees of freedom, F and its chance."""

    pure: float
    lack: float
    freedom: tuple[int, int]
    ratio: float
    chance: float


def lack_of_fit(residual: Array, group: Array | Index, *, unknowns: int) -> LackOfFit:
    """Lack of fit against pure error, by what repeats: ``residual`` (n,) of a fit with so many ``unknowns``,
    ``group`` (n,) the same number where everything was set the same.

    The scatter within groups owes nothing to the fit. Raises ``ValueError`` where nothing repeats, or the
    groups do not outnumber the unknowns. Source: NIST/SEMATECH e-Handbook of Statistical Methods, 4.4.4.6.

    >>> residual = np.array([1.0, 1.2, -1.0, -1.2, 0.1, -0.1])
    >>> found = lack_of_fit(residual, np.array([0, 0, 1, 1, 2, 2]), unknowns=1)
    >>> found.freedom, round(found.pure, 3), round(found.lack, 3)
    ((2, 3), 0.06, 4.84)
    """
    from scipy.special import fdtrc

    place = np.unique(group, return_inverse=True)[1].ravel()
    count = np.bincount(place)
    within = residual - (np.bincount(place, residual) / count)[place]
    pure = float(within @ within)
    lack = float(residual @ residual) - pure
    freedom = (count.size - unknowns, residual.size - count.size)
    if min(freedom) < 1:
        raise ValueError("nothing repeats, or there are no more groups than unknowns")
    ratio = (lack / freedom[0]) / (pure / freedom[1]) if pure > 0 else np.inf
    return LackOfFit(pure, lack, freedom, ratio, float(fdtrc(*freedom, ratio)))


def correlation_inflation(residual: Array) -> float:
    """``1 + 2 Σ ρ_k`` over the initial stretch of positive correlation (Geyer 1992, initial positive
    sequence).

    >>> rng = np.random.default_rng(0)
    >>> bool(correlation_inflation(rng.normal(size=5000)) < 1.2)
    True
    """
    r = residual - residual.mean()
    n = r.size
    variance = float(r @ r) / n
    if n < 8 or variance == 0.0:
        return 1.0
    longest = min(n // 4, 400)
    size = 1 << (2 * n - 1).bit_length()
    spectrum = np.abs(np.fft.rfft(r, size)) ** 2
    correlation = np.fft.irfft(spectrum, size)[: longest + 1] / (n * variance)
    total = 1.0
    for lag in range(1, longest, 2):
        pair = correlation[lag] + (correlation[lag + 1] if lag + 1 <= longest else 0.0)
        if pair <= 0:
            break
        total += 2.0 * pair
    return float(max(total, 1.0))
