"""Draws from the joint distribution of a fit and of what the build sheet says beside it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from diffbench.fitting.covariance import Covariance
from diffbench.fitting.unknowns import Names

Array = NDArray[np.float64]
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
