"""Propagation of distributions by Monte Carlo, with as many draws as the result needs (JCGM 101).

First-order propagation is right where a quantity is as good as linear over the doubt of what it follows from.
Where it isn't, distributions are carried through the relation itself: drawn, put through it, and read off by
their quantiles.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from diffbench.fitting.covariance import Covariance
from diffbench.fitting.unknowns import Names

Array = NDArray[np.float64]
Draw = Callable[[np.random.Generator, int], Array]

BATCH = 10_000  # draws at once: JCGM 101, 7.9.4 b
MOST = 1_000_000  # draws in all: by then an end point stands to some three thousandths of u


@dataclass(frozen=True)
class Propagated:
    """What came out, for each of the quantities (m,).

    ``mean``, ``u`` mean and standard deviation of the draws; ``low``, ``high`` ends of the interval;
    ``draws`` in all; ``settled`` whether each of the four stands to the digits that were asked for.
    """

    mean: Array
    u: Array
    low: Array
    high: Array
    draws: int
    settled: bool


def seed_of(measured: Iterable[Array]) -> int:
    """Seed from what was measured, an array for each run: the same numbers, in any order of the runs, give
    the same draws.

    >>> one, other = np.array([1.0, 2.0]), np.array([3.0])
    >>> seed_of([one, other]) == seed_of([other, one]) != seed_of([one])
    True
    """
    digests = sorted(hashlib.sha256(values.tobytes()).hexdigest() for values in measured)
    return int(hashlib.sha256("\n".join(digests).encode()).hexdigest()[:16], 16)


def tolerance(u: Array, digits: int) -> Array:
    """Numerical tolerance: half a unit of the last of the significant ``digits`` of ``u`` (m,).

    ``u = c · 10^l`` with an integer ``c`` of so many digits; ``δ = ½ · 10^l``. Zero for a zero ``u``. Source:
    JCGM 101:2008, 7.9.2, whose example is 0.000 35 to two digits:

    >>> print(f"{tolerance(np.array([0.00035]), 2)[0]:.6f}")
    0.000005
    """
    size = np.abs(u)
    exponent = np.floor(np.log10(np.where(size > 0, size, 1.0)))
    # rounding to so many digits can reach the next power of ten: 0.0996 is 0.10 to two
    exponent += np.round(size / 10.0 ** (exponent - digits + 1)) >= 10.0**digits
    return np.where(size > 0, 0.5 * 10.0 ** (exponent - digits + 1), 0.0)


def interval_of(draws: Array, probability: float, *, shortest: bool = False) -> tuple[Array, Array]:
    """Coverage interval of draws (n, m): by equal tails, or the shortest one (JCGM 101:2008, 7.7).

    >>> low, high = interval_of(np.arange(1.0, 101.0)[:, None], 0.9)
    >>> float(low[0]), float(high[0])
    (5.0, 95.0)
    """
    count = draws.shape[0]
    ordered = np.sort(draws, axis=0)
    inside = min(int(probability * count + 0.5), count - 1)
    if shortest:
        width = ordered[inside:] - ordered[: count - inside]
        start = np.argmin(width, axis=0)
    else:
        start = np.full(draws.shape[1], max((count - inside + 1) // 2 - 1, 0))
    column = np.arange(draws.shape[1])
    return ordered[start, column], ordered[start + inside, column]


def propagate(
    draw: Draw,
    *,
    seed: int,
    probability: float = 0.95,
    digits: int = 2,
    shortest: bool = False,
    most: int = MOST,
) -> Propagated:
    """Draw until mean, standard uncertainty and both ends of the interval are stable to ``digits`` of u.

    ``draw(rng, n)`` gives n draws of the quantities (n, m). Batches of at least 10 000 and of 100/(1 −
    probability) draws are made until, for each of the four results, twice the standard deviation of its mean
    over the batches is below the numerical tolerance of u, or ``most`` draws are made. Returns the results of
    all draws together. Source: JCGM 101:2008, 7.9.4, applied to every quantity.

    >>> def product(rng, n):
    ...     return (rng.normal(2.0, 0.1, n) * rng.normal(3.0, 0.1, n))[:, None]
    >>> found = propagate(product, seed=1)
    >>> print(f"{found.mean[0]:.2f} {found.u[0]:.2f} {found.settled}")
    6.00 0.36 True
    """
    rng = np.random.default_rng(seed)
    size = max(BATCH, int(np.ceil(100.0 / (1.0 - probability))))
    made: list[Array] = []
    results: list[Array] = []  # of each batch: (4, m)
    while True:
        batch = draw(rng, size)
        made.append(batch)
        results.append(
            np.stack(
                [
                    batch.mean(axis=0),
                    batch.std(axis=0, ddof=1),
                    *interval_of(batch, probability, shortest=shortest),
                ]
            )
        )
        count = len(results)
        if count == 1:
            continue
        every = np.concatenate(made)
        u = every.std(axis=0, ddof=1)
        spread = np.std(np.stack(results), axis=0, ddof=1) / np.sqrt(count)
        settled = bool(np.all(2.0 * spread <= tolerance(u, digits)))
        if settled or every.shape[0] + size > most:
            low, high = interval_of(every, probability, shortest=shortest)
            return Propagated(every.mean(axis=0), u, low, high, every.shape[0], settled)


Made = TypeVar("Made")


class JointDraws:
    """``count`` draws of a fit's unknowns, and of the build sheet's errors as quantities ask for them.

    What the samples' noise makes follows Student's t at the noise's degrees of freedom (JCGM 101:2008,
    6.4.9.2), what is stated a normal distribution (6.4.7). Errors are drawn once for each name, so that
    quantities that share one move together. With ``mirrored``, the second half of the draws is the first one
    reflected in the centre: what a quantity does not reflect is its curvature.
    """

    def __init__(
        self,
        names: Names,
        centre: Array,
        covariance: Covariance,
        freedom: float,
        rng: np.random.Generator,
        count: int,
        *,
        mirrored: bool = False,
    ) -> None:
        self.names, self.count = names, count
        self._rng, self._mirrored = rng, mirrored
        self._standard: dict[str, Array] = {}
        self._made: dict[str, object] = {}
        values, vectors = np.linalg.eigh(covariance.noise)
        noise = vectors * np.sqrt(np.maximum(values, 0.0))
        half = count // 2 if mirrored else count
        wider = np.sqrt(freedom / rng.chisquare(freedom, half)) if np.isfinite(freedom) else np.ones(half)
        wider = np.concatenate([wider, wider]) if mirrored else wider
        apart = (self._normal(noise.shape[1]) @ noise.T) * wider[:, None]
        for columns in covariance.shares.values():
            apart += self._normal(columns.shape[1]) @ columns.T
        low = np.array([unknown.low for unknown in names.unknowns])
        high = np.array([unknown.high for unknown in names.unknowns])
        #: unknowns as the fit searches them (count, p)
        self.x = np.where(low < high, np.clip(centre + apart, low, high), centre)

    def _normal(self, columns: int) -> Array:
        if not self._mirrored:
            return self._rng.normal(size=(self.count, columns))
        half = self._rng.normal(size=(self.count // 2, columns))
        return np.concatenate([half, -half])

    def value(self, name: str) -> Array:
        """One unknown in its own unit (count,)."""
        i = self.names.position[name]
        return np.exp(self.x[:, i]) if self.names.unknowns[i].logarithm else self.x[:, i]

    def standard(self, name: str) -> Array:
        """Error of one statement in standard uncertainties (count,): the same whenever it is asked for."""
        if name not in self._standard:
            self._standard[name] = self._normal(1)[:, 0]
        return self._standard[name]

    def once(self, name: str, make: Callable[[], Made]) -> Made:
        """What several quantities need of these draws, made once."""
        if name not in self._made:
            self._made[name] = make()
        return cast("Made", self._made[name])
