"""What a fit searches for: names, starting values, bounds, and what is known beforehand.

Errors of the bench are unknowns, keyed by what they belong to: a gain to the rig, a zero or a tare to the
visit; one key is one error in all runs. They do not shrink with the number of samples unless the sweeps tell
them. A gain also scales the noise of its readings: residuals are weighed at the readings' own size, or the
fit would prefer small gains. Where visits share a preload or a bias, each may stand apart by the rig's
repeatability as one more unknown, or their scatter would bend friction over temperature and time.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from diffbench.physics.laws import LawUnknown

Array = NDArray[np.float64]

#: ``stated``: a person or a certificate said so, with an uncertainty. ``weak``: only what physics makes
#: plausible; it keeps the algebra regular where the data are silent, and a quantity that leans on it is
#: reported as not determined.
Knowledge = Literal["none", "stated", "weak"]


@dataclass(frozen=True)
class Unknown:
    """One unknown of the fit.

    ``linear`` ones enter the model as factors and are eliminated from the search; ``logarithm`` ones are
    searched as the natural logarithm of a positive quantity. ``prior`` and ``prior_u`` are mean and standard
    uncertainty of what is known beforehand, on the searched scale; ``source`` names it in the budget. A
    ``considered`` one is not searched: it stays at its prior, and what its uncertainty does to all others is
    added to theirs. That is for errors that only a misfit of the model could pull (Schmidt 1966, consider
    states). ``label``: what a reader is told in place of a name that is a key of the program.
    """

    name: str
    start: float
    low: float = -np.inf
    high: float = np.inf
    linear: bool = False
    logarithm: bool = False
    knowledge: Knowledge = "none"
    prior: float = 0.0
    prior_u: float = np.inf
    source: str = ""
    considered: bool = False
    label: str = ""

    @property
    def fixed(self) -> bool:
        """Whether the search leaves it alone."""
        return self.considered or self.low >= self.high

    @property
    def precision(self) -> float:
        """1/u² of what is known beforehand; 0 for nothing."""
        return 0.0 if self.knowledge == "none" else 1.0 / self.prior_u**2


class Names:
    """Positions of the unknowns in the vector of the fit."""

    def __init__(self, unknowns: tuple[Unknown, ...]) -> None:
        self.unknowns = unknowns
        self.position = {unknown.name: i for i, unknown in enumerate(unknowns)}
        if len(self.position) != len(unknowns):
            msg = "two unknowns of one name"
            raise ValueError(msg)

    def __len__(self) -> int:
        return len(self.unknowns)

    def __contains__(self, name: str) -> bool:
        return name in self.position

    def value(self, x: Array, name: str) -> float:
        """Value of one unknown in its own unit."""
        i = self.position[name]
        return float(np.exp(x[i])) if self.unknowns[i].logarithm else float(x[i])

    def values(self, x: Array, unknowns: Iterable[LawUnknown]) -> tuple[float, ...]:
        """Values of the unknowns that a law brings, in their own units."""
        return tuple(self.value(x, unknown.name) for unknown in unknowns)

    @cached_property
    def start(self) -> Array:
        return _fixed(unknown.start for unknown in self.unknowns)

    @cached_property
    def low(self) -> Array:
        return _fixed(u.prior if u.considered else u.low for u in self.unknowns)

    @cached_property
    def high(self) -> Array:
        return _fixed(u.prior if u.considered else u.high for u in self.unknowns)

    @cached_property
    def precision(self) -> Array:
        return _fixed(unknown.precision for unknown in self.unknowns)

    @cached_property
    def prior(self) -> Array:
        return _fixed(unknown.prior for unknown in self.unknowns)


def _fixed(values: Iterable[float]) -> Array:
    """An array that nobody writes to: it is handed out again and again."""
    made = np.array(list(values), dtype=np.float64)
    made.flags.writeable = False
    return made
