"""Covariance of the unknowns: noise from whole cycles as clusters or by HAC, and each stated or weak
knowledge by name.

With forty whole cycles or more the scores are summed by cycle (Liang and Zeger 1986), else Newey and West
(1987) over neighbouring cells, never across two runs. The result is not allowed below three quarters of the
variance of independent noise as correlated as the residual on the whole: where few cells carry an unknown,
observed scores can be small by chance. With a floor of one, the larger of two estimates made intervals some 6
% too wide (benches of seeds 0 to 599, held against 600 to 899); half or none makes them as much too narrow.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from diffbench.fitting.unknowns import Names

Array = NDArray[np.float64]
Index = NDArray[np.int64]

FEWEST_CLUSTERS = 40  # below, the cluster estimate is itself too uncertain (common practice, no source)
# The larger of two estimates of one variance is too large on average: over 600 simulated benches, intervals
# of nominal 68 % held the truth in 73 % with a floor of one.
LEAST_MEAT = 0.75


def cluster_meat(scores: Array, cluster: Index) -> Array:
    """``Σ_g s_g s_gᵀ`` over clusters, ``s_g`` the sum of the scores (n, p) in cluster ``g`` (Liang & Zeger
    1986).

    With the small-sample factor G/(G−1). Scores of one cluster may be correlated in any way; of two, not at
    all.
    """
    groups, place = np.unique(cluster, return_inverse=True)
    sums = np.zeros((groups.size, scores.shape[1]))
    np.add.at(sums, place, scores)
    count = groups.size
    return np.asarray(sums.T @ sums * (count / max(count - 1, 1)))


def hac_meat(scores: Array, lags: int, run: Index | None = None) -> Array:
    """Newey-West (1987) sum with Bartlett weights ``1 − k/(lags + 1)`` over scores (n, p) in time order.

    Products across the boundary of two runs are left out. Source: Newey & West, Econometrica 55 (1987),
    equation 5.
    """
    run = np.zeros(scores.shape[0], dtype=np.int64) if run is None else run
    total = scores.T @ scores
    for lag in range(1, lags + 1):
        together = (run[lag:] == run[:-lag])[:, None]
        cross = (scores[lag:] * together).T @ scores[:-lag]
        total = total + (1.0 - lag / (lags + 1.0)) * (cross + cross.T)
    return np.asarray(total)


def inverse_of(normal: Array) -> Array:
    """Inverse of a normal matrix (p, p), its unknowns brought to one size first: zero where nothing tells."""
    scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
    size = np.outer(scale, scale)
    return np.asarray(np.linalg.pinv(normal / size, rcond=1e-12, hermitian=True) / size)


@dataclass(frozen=True)
class Covariance:
    """Covariance (p, p) of the unknowns and what it is made of.

    ``noise`` (p, p) from the samples; ``shares`` by source: (p, k) columns whose outer product is that
    source's part, and ``origins``, the unknown that each of the columns is of; ``method`` in words.
    """

    total: Array
    noise: Array
    shares: Mapping[str, Array]
    method: str
    origins: Mapping[str, Sequence[str]] = field(default_factory=dict)

    def budget(self, gradient: Array) -> dict[str, float]:
        """Standard uncertainty of ``gradientᵀ x`` by source [unit of the quantity]; the squares add up to the
        total's."""
        parts = {"noise": float(np.sqrt(max(float(gradient @ self.noise @ gradient), 0.0)))}
        for source, columns in self.shares.items():
            parts[source] = float(np.linalg.norm(gradient @ columns))
        return parts


def combine(
    names: Names,
    jacobian: Array,
    residual: Array | None,
    *,
    inflation: float,
    run: Index,
    cycle: Index,
    quieter: float = 1.0,
    left_out: tuple[str, Array] | None = None,
    method: str = "",
) -> Covariance:
    """Covariance at the optimum.

    ``jacobian`` (n, p) and ``residual`` (n,) in units of the cells' standard deviation, None where that is
    known beforehand (``method`` says how); ``inflation`` of
    correlated noise, by which the data count less against what is known beforehand; ``quieter`` ≤ 1 the
    variance of the noise alone over that by which the cells were weighed, which holds what the model misses;
    ``left_out`` the source and the columns (p, k) of what the model misses. ``C = H⁻¹ (S + Λ) H⁻¹`` with
    ``H = JᵀJ/inflation + Λ``, ``Λ`` the precision of the knowledge beforehand, ``S`` the variance of the
    scores as observed. A considered unknown shifts all others by ``−H⁻¹ Jᵀ j/inflation`` times its
    uncertainty.
    """
    precision = names.precision
    active = np.array([not u.fixed for u in names.unknowns])
    j = jacobian[:, active]
    normal = j.T @ j / inflation + np.diag(precision[active])
    inverse = inverse_of(normal)
    plain = j.T @ j / inflation
    if residual is None:
        noise = inverse @ plain @ inverse
    else:
        scores = j * residual[:, None] / inflation
        meat, method = _observed(scores, inflation=inflation, run=run, cycle=cycle)
        # where few cells carry an unknown, the observed scores can be small by chance: never much below
        # independent noise as correlated as the residual on the whole
        noise = inverse @ _not_below(meat, LEAST_MEAT * plain * quieter) @ inverse
    shares: dict[str, Array] = {}
    size = active.sum()
    columns: dict[str, list[Array]] = {}
    origins: dict[str, list[str]] = {}
    for i, (at, unknown) in enumerate((a, names.unknowns[a]) for a in np.flatnonzero(active).tolist()):
        if precision[at] > 0:
            columns.setdefault(unknown.source, []).append(inverse[:, i] * np.sqrt(precision[at]))
            origins.setdefault(unknown.source, []).append(unknown.name)
    considered: dict[str, list[Array]] = {}
    for at, unknown in enumerate(names.unknowns):
        if unknown.considered:
            shift = np.zeros(len(names))
            shift[active] = -inverse @ (j.T @ jacobian[:, at]) / inflation * unknown.prior_u
            shift[at] = unknown.prior_u
            considered.setdefault(unknown.source, []).append(shift)
            origins.setdefault(unknown.source, []).append(unknown.name)
    full = np.zeros((len(names), len(names)))
    full[np.ix_(active, active)] = noise
    total = full.copy()
    for source, parts in columns.items():
        block = np.zeros((len(names), len(parts)))
        block[active] = np.stack(parts, axis=1).reshape(size, len(parts))
        shares[source] = block
        total += block @ block.T
    for source, parts in considered.items():
        block = np.stack(parts, axis=1)
        shares[source] = np.concatenate([shares[source], block], axis=1) if source in shares else block
        total += block @ block.T
    if left_out is not None:
        source, block = left_out
        shares[source], origins[source] = block, [source] * block.shape[1]
        total += block @ block.T
    return Covariance(total, full, shares, method, origins)


def _observed(scores: Array, *, inflation: float, run: Index, cycle: Index) -> tuple[Array, str]:
    """Variance of the scores (n, p) as observed, and how it was taken."""
    clusters = np.unique(cycle).size
    if clusters >= FEWEST_CLUSTERS:
        return cluster_meat(scores, cycle), f"{clusters} whole cycles as clusters"
    lags = int(np.clip(np.ceil(3.0 * inflation), 4, scores.shape[0] // 10 + 1))
    method = f"HAC (Newey-West, {lags} cells), as there are only {clusters} cycles"
    return hac_meat(scores, lags, run), method


def _not_below(meat: Array, floor: Array) -> Array:
    """``meat`` with its eigenvalues, seen in units of ``floor``, raised to one."""
    values, vectors = np.linalg.eigh(floor)
    good = values > values.max(initial=0.0) * 1e-12
    if not good.any():
        return meat
    whiten = vectors[:, good] / np.sqrt(values[good])
    colour = vectors[:, good] * np.sqrt(values[good])
    inner, basis = np.linalg.eigh(whiten.T @ meat @ whiten)
    raised = (basis * np.maximum(inner, 1.0)) @ basis.T
    return np.asarray(colour @ raised @ colour.T)
