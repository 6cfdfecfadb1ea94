"""What a law of the model says of itself: the unknowns that it brings into a fit, and the words for them.

A preload law is a class in `diffbench.physics.preload`, a friction law one in `diffbench.physics.friction`,
each in its list. A fit searches what they bring, results and reports name it, and nothing else knows it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

Values = Sequence[float]
"""Values of a law's unknowns, in their order and own units."""


@dataclass(frozen=True)
class LawUnknown:
    """One unknown that a law brings.

    Attributes
    ----------
    name : str
        Among the unknowns of a fit.
    start, low, high : float
        Where the search begins, and its bounds.
    prior, prior_u : float
        What physics makes plausible: mean and standard uncertainty, wide.
    source : str
        What a budget calls that.
    reported : str
        The quantity in a result.
    label : str
        What a report calls it.
    unit, meaning, needs : str
        Of the quantity; what determines it.
    scale : float
        The size against which an uncertainty counts as large, in that unit.
    logarithm : bool
        Searched as its natural logarithm: start, bounds and prior are logarithms then.
    ends : bool
        Its bounds are where it ends by nature: no warning is due there.
    starts : tuple of float
        Other starts, in its own unit, where the search may find another minimum.
    reach : callable or None
        The most by which a value of it moves the locking torque, as a logarithm, by which visits are held
        against each other; None where they are not.
    """

    name: str
    start: float
    low: float
    high: float
    prior: float
    prior_u: float
    source: str
    reported: str
    label: str
    unit: str
    meaning: str
    needs: str
    scale: float
    logarithm: bool = False
    ends: bool = False
    starts: tuple[float, ...] = ()
    reach: Callable[[float], float] | None = None
