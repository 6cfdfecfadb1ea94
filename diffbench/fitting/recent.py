"""A part of the model that a few of the unknowns move, kept for the last values that these had.

A difference quotient moves one unknown at a time, and most unknowns move only the cheap parts: without this,
thrust and plate heat would be worked out thirty times over for the same arguments.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from diffbench.fitting.unknowns import Names

Array = NDArray[np.float64]
Part = TypeVar("Part")

KEPT = 8  # a search walks on: older arguments do not come back


class Recent(Generic[Part]):
    """``make(x)``, which reads from ``x`` only the unknowns ``reads``.

    What it makes is handed out again and again, so that its arrays must not be written to. The function sees
    not-a-number in place of every unknown that it did not name.
    """

    def __init__(self, names: Names, reads: Sequence[str], make: Callable[[Array], Part]) -> None:
        self._index = np.array([names.position[name] for name in dict.fromkeys(reads)], dtype=np.int64)
        unknown = np.full(len(names), np.nan)

        def made(values: bytes) -> Part:
            x = unknown.copy()
            x[self._index] = np.frombuffer(values)
            return make(x)

        self._made = lru_cache(maxsize=KEPT)(made)

    def __call__(self, x: Array) -> Part:
        """The part for a vector of unknowns (p,)."""
        return self._made(x[self._index].tobytes())
