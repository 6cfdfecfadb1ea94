"""Does the residual have structure? What a good model leaves is noise along every axis."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from diffbench.characterisation import Adequacy
from diffbench.fitting.candidate import Candidate

Array = NDArray[np.float64]
Index = NDArray[np.int64]

BINS = 10
# ratio of bin-mean scatter to its expectation under noise: with some ten bins, 2.1 is exceeded once in a
# hundred times
SUSPICIOUS = 2.1


def adequacy(candidate: Candidate) -> list[Adequacy]:
    """Scatter of bin means of the residual over what the noise explains, along every axis.

    Axes: input torque (loading and unloading apart), speed difference, oil temperature, time, cycle, and
    torque by slip direction. ``ratio`` is χ² of the bin means over the number of bins; 1 is what noise makes.
    """
    data, used = candidate.model.data, candidate.used
    standard = candidate.residual / candidate.noise.sigma
    locking_sign = -data.direction
    signed = standard * locking_sign
    loading = loading_of(candidate)
    torque = _quantile_bins(data.input_torque, BINS)
    axes: list[tuple[str, Index, str, Array]] = [
        ("input torque", torque * 2 + loading, "N·m", data.input_torque),
        ("speed difference", _quantile_bins(data.speed_difference, BINS), "rad/s", data.speed_difference),
        ("time", data.run * 100 + _by_run(data.run, data.time), "s", data.time),
        ("cycle", data.run * 10_000 + data.stretch // 2, "of stretch", data.stretch.astype(np.float64) // 2),
        ("slip direction", torque * 2 + (data.direction > 0), "N·m", data.input_torque),
    ]
    if np.isfinite(data.oil).all():
        axes.append(("oil temperature", _quantile_bins(data.oil, BINS), "°C", data.oil))
    return [
        _axis(name, bins[used], signed[used], candidate.noise.inflation, unit, at[used])
        for name, bins, unit, at in axes
    ]


def misfit_factor(found: list[Adequacy]) -> float:
    """By how much the noise variance must grow so that the worst axis is explained: at least one."""
    worst = max((axis.ratio for axis in found), default=1.0)
    return float(worst) if worst > SUSPICIOUS else 1.0


def loading_of(candidate: Candidate) -> NDArray[np.bool_]:
    """Whether the thrust stands on its loading limit at each cell (c,)."""
    thrust = candidate.model.thrust(candidate.x)
    torque = np.abs(thrust.input_torque)
    stands = np.where(thrust.input_torque >= 0, thrust.drive.mean(axis=1), thrust.coast.mean(axis=1))
    return np.asarray(stands <= torque * 1.02 + 1.0)


def _axis(name: str, bins: Index, standard: Array, inflation: float, unit: str, at: Array) -> Adequacy:
    place = np.unique(bins, return_inverse=True)[1]
    count = np.bincount(place).astype(np.float64)
    mean = np.bincount(place, standard) / count
    enough = count >= 4
    if enough.sum() < 2:
        return Adequacy(axis=name, ratio=1.0, bins=int(enough.sum()), worst="")
    chi2 = mean[enough] ** 2 * count[enough] / inflation
    worst = int(np.flatnonzero(enough)[int(np.argmax(chi2))])
    centre = float(np.median(at[place == worst]))
    return Adequacy(
        axis=name,
        ratio=float(chi2.mean()),
        bins=int(enough.sum()),
        worst=f"around {centre:.4g} {unit}: {mean[worst]:+.2f} standard deviations of a cell",
    )


def _quantile_bins(values: Array, bins: int) -> Index:
    edges = np.unique(np.quantile(values, np.linspace(0, 1, bins + 1)[1:-1]))
    return np.searchsorted(edges, values).astype(np.int64)


def _by_run(run: Index, time: Array) -> Index:
    place = np.zeros(run.size, dtype=np.int64)
    for number in np.unique(run):
        here = run == number
        place[here] = _quantile_bins(time[here], BINS)
    return place
