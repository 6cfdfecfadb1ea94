"""Does the residual have structure? What a good model leaves is noise along every axis.

Bin means of the residual along every axis are compared with what noise explains; where the worst axis
scatters more, the model misses. Structure that considered errors make
within their doubt is no misfit: an hour's sweep shows an error of 0.4 of gear friction's uncertainty where
the ramps hold what they had at a turn.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from diffbench.fitting.candidate import Candidate
from diffbench.fitting.noise import yardstick
from diffbench.results.characterisation import Adequacy

Array = NDArray[np.float64]
Index = NDArray[np.int64]

BINS = 10
ALLOWED = 2.0  # standard uncertainties that a stated constant may well be off
# ratio of bin-mean scatter to its expectation under noise: with some ten bins, 2.1 is exceeded once in a
# hundred times
SUSPICIOUS = 2.1
# What comes back in every cycle: small faults of a right model reach some 5 (0.1 % of the torque against a
# scatter of less), a wrong law hundreds.
REPEATED = "input torque, the same in every cycle"
SUSPICIOUS_REPEATED = 10.0
FEWEST_CYCLES = 4
FEWEST_BINS = 6


def adequacy(candidate: Candidate, explained: Array | None = None) -> list[Adequacy]:
    """Scatter of bin means of the residual over what the noise explains, along every axis.

    Axes: input torque (loading and unloading apart), speed difference, oil temperature, time, cycle, and
    torque by slip direction. ``ratio`` is χ² of the bin means over the number of bins; 1 is what noise makes.
    The noise is that beside what the law misses, ``explained`` (n,) [N·m] of the used cells: a misfit does
    not raise its own yardstick. Input torque is judged once more by what repeats from cycle to cycle. What a
    considered constant makes within its stated doubt is no fault of the model: see `without_considered`.
    """
    data, used = candidate.model.data, candidate.used
    standard = np.zeros(data.difference.size)
    standard[used] = without_considered(candidate)
    locking_sign = -data.direction
    signed = standard * locking_sign
    loading = loading_of(candidate)
    torque = _quantile_bins(data.input_torque, BINS)
    cycle = (data.cycle_of_run + 1).astype(np.float64)
    axes: list[tuple[str, Index, str, Array]] = [
        ("input torque", torque * 2 + loading, "{:.4g} N·m", data.input_torque),
        (
            "speed difference",
            _quantile_bins(data.speed_difference, BINS),
            "{:.4g} rad/s",
            data.speed_difference,
        ),
        ("time", data.run * 100 + _by_run(data.run, data.time), "{:.4g} s", data.time),
        ("cycle", data.cycle, "cycle {:.0f} of a run", cycle),
        ("slip direction", torque * 2 + (data.direction > 0), "{:.4g} N·m", data.input_torque),
    ]
    if np.isfinite(data.oil).all():
        axes.append(("oil temperature", _quantile_bins(data.oil, BINS), "{:.4g} °C", data.oil))
    noise = candidate.noise if explained is None else candidate.noise_beside(explained)
    inflation = candidate.noise.inflation * min(yardstick(noise) / yardstick(candidate.noise), 1.0)
    size = candidate.noise.sigma / np.maximum(np.abs(data.difference), candidate.noise.sigma)
    found = [
        _axis(name, bins[used], signed[used], inflation, words, at[used], size[used])
        for name, bins, words, at in axes
    ]
    sweeps = used & data.sliding
    again = _repeated(
        (torque * 2 + loading)[sweeps],
        data.cycle[sweeps],
        signed[sweeps],
        data.input_torque[sweeps],
        size[sweeps],
    )
    return found if again is None else [*found, again]


def without_considered(candidate: Candidate) -> Array:
    """Residual of the used cells (n,), in units of a cell's standard deviation, as it would be with the
    considered constants where the cells would have them, at most ``ALLOWED`` of their stated uncertainties
    off.

    Gear friction is stated and never searched, but where the ramps hold what they had at a turn the torque
    follows the gears alone: over a long sweep an error well within its doubt, which all intervals hold
    already, would pass for a model that misses. The searched unknowns follow, to first order.
    """
    unknowns = candidate.names.unknowns
    considered = [i for i, unknown in enumerate(unknowns) if unknown.considered]
    standard = np.asarray((candidate.residual / candidate.noise.sigma)[candidate.used])
    if not considered:
        return standard
    columns = candidate.sensitivities()
    searched = [i for i, unknown in enumerate(unknowns) if not unknown.fixed]
    own = columns[:, considered] * np.array([unknowns[i].prior_u for i in considered])
    others, precision = columns[:, searched], candidate.names.precision[searched]
    inflation = candidate.noise.inflation
    normal = others.T @ others / inflation + np.diag(precision)
    scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
    follow = np.linalg.pinv(normal / np.outer(scale, scale), rcond=1e-12, hermitian=True)
    moved = own - (others / scale) @ (follow @ ((others / scale).T @ own / inflation))
    wanted = np.linalg.solve(
        own.T @ moved / inflation + np.eye(len(considered)), -own.T @ standard / inflation
    )
    return np.asarray(standard + moved @ np.clip(wanted, -ALLOWED, ALLOWED))


def misfit_factor(found: list[Adequacy]) -> float:
    """By how much bin means scatter more than noise explains on the worst axis: one where chance may."""
    return max(
        (
            axis.ratio
            for axis in found
            if axis.ratio > (SUSPICIOUS_REPEATED if axis.axis == REPEATED else SUSPICIOUS)
        ),
        default=1.0,
    )


def loading_of(candidate: Candidate) -> NDArray[np.bool_]:
    """Whether the thrust stands on its loading limit at each cell (c,)."""
    thrust = candidate.model.thrust(candidate.x)
    torque = np.abs(thrust.input_torque)
    stands = np.where(thrust.input_torque >= 0, thrust.drive.mean(axis=0), thrust.coast.mean(axis=0))
    return np.asarray(stands <= torque * 1.02 + 1.0)


def _repeated(bins: Index, cycle: Index, standard: Array, torque: Array, size: Array) -> Adequacy | None:
    """What comes back at the same torque in every cycle is no noise, however large it is.

    A wrong law makes a residual so large and smooth that it passes for correlated noise by its own size. So
    the means of a bin in the single cycles are held against each other: t² of their mean over its median
    under noise (F with 1 and n − 1 degrees of freedom), and of all bins the median. None with too few
    cycles.
    """
    from scipy.special import fdtri

    ratios, offsets, places, shares = [], [], [], []
    for number in np.unique(bins):
        here = bins == number
        place = np.unique(cycle[here], return_inverse=True)[1]
        count = np.bincount(place)
        means = (np.bincount(place, standard[here]) / count)[count >= 2]
        if means.size < FEWEST_CYCLES or np.ptp(means) == 0.0:
            continue
        t2 = means.size * float(means.mean()) ** 2 / float(means.var(ddof=1))
        ratios.append(t2 / float(fdtri(1, means.size - 1, 0.5)))
        offsets.append(float(means.mean()))
        places.append(float(np.median(torque[here])))
        shares.append(abs(offsets[-1]) * float(np.median(size[here])))
    if len(ratios) < FEWEST_BINS:
        return None
    worst = int(np.argmax(ratios))
    return Adequacy(
        axis=REPEATED,
        ratio=float(np.median(ratios)),
        bins=len(ratios),
        worst=f"around {places[worst]:.4g} N·m: {offsets[worst]:+.2f} standard deviations of a cell",
        share=shares[worst],
    )


def _axis(
    name: str, bins: Index, standard: Array, inflation: float, words: str, at: Array, size: Array
) -> Adequacy:
    place = np.unique(bins, return_inverse=True)[1]
    count = np.bincount(place).astype(np.float64)
    mean = np.bincount(place, standard) / count
    enough = count >= 4
    if enough.sum() < 2:
        return Adequacy(axis=name, ratio=1.0, bins=int(enough.sum()), worst="")
    chi2 = mean[enough] ** 2 * count[enough] / inflation
    worst = int(np.flatnonzero(enough)[int(np.argmax(chi2))])
    here = place == worst
    centre = float(np.median(at[here]))
    return Adequacy(
        axis=name,
        ratio=float(chi2.mean()),
        bins=int(enough.sum()),
        worst=f"around {words.format(centre)}: {mean[worst]:+.2f} standard deviations of a cell",
        share=abs(float(mean[worst])) * float(np.median(size[here])),
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
