"""What is known of the unknowns as a matrix that grows with every run, and the variances that follow."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from diffbench.fitting.unknowns import Unknown

Array = NDArray[np.float64]
Index = NDArray[np.int64]


@dataclass(frozen=True)
class Information:
    """Information (p, p) on the unknowns from runs, and what is known beforehand: precision (p,), with the
    standard uncertainty of those that are considered only (0 for the others)."""

    information: Array
    precision: Array
    considered: Array

    def widened(self, more: Sequence[Unknown]) -> Information:
        """The same with further unknowns behind, of which no run tells yet."""
        size, extra = self.precision.size, len(more)
        information = np.zeros((size + extra, size + extra))
        information[:size, :size] = self.information
        return Information(
            information,
            np.concatenate([self.precision, [unknown.precision for unknown in more]]),
            np.concatenate([self.considered, np.zeros(extra)]),
        )

    def plus(self, rows: Array, at: Index) -> Information:
        """With the information of a run: ``rows`` (n, k) its sensitivities in units of the noise of an
        independent cell, ``at`` (k,) the unknowns that they belong to."""
        information = self.information.copy()
        np.add.at(information, np.ix_(at, at), rows.T @ rows)
        return replace(self, information=information)

    def knowing(self, factors: Mapping[int, float]) -> Information:
        """With what is known beforehand of some unknowns more precise by a factor on 1/u²."""
        precision = self.precision.copy()
        for i, factor in factors.items():
            precision[i] *= factor
        return replace(self, precision=precision)

    def variances(self, gradients: Array) -> Array:
        """Variance of each quantity, by its gradient (q, p) with respect to the unknowns."""
        free = np.flatnonzero((self.considered == 0) & (np.diag(self.information) + self.precision > 0))
        normal = self.information[np.ix_(free, free)] + np.diag(self.precision[free])
        scale = np.sqrt(np.diag(normal))
        inverse = np.linalg.pinv(normal / np.outer(scale, scale), rcond=1e-12, hermitian=True)
        inverse /= np.outer(scale, scale)
        g = gradients[:, free]
        found = np.einsum("qi,ij,qj->q", g, inverse, g)
        for i in np.flatnonzero(self.considered > 0):
            shift = gradients[:, i] - g @ (inverse @ self.information[free, i])
            found = found + (shift * self.considered[i]) ** 2
        return np.asarray(found)
