"""Which of several changes count: the chance of any false alarm is held at one level for all of them.

Preload, friction and spring force are tested together by weighted Holm (1979), 93 % of the weight on the loss
of preload, the question that wear asks. With repeatability of 1.5 % no test of the preload of one visit
against another can show a loss of 5 % in 95 of 100 cases (the ratio of loss to doubt is 2.4, and 3.3 would be
needed).
"""

from __future__ import annotations

import math
from collections.abc import Mapping

# The chance of a false alarm among all questions of one comparison: promised as at most 5 per cent.
LEVEL = 0.048


def one_sided(z: float) -> float:
    """Chance that a standard normal deviate exceeds ``z``.

    Examples
    --------
    >>> print(f"{one_sided(1.644854):.4f}")
    0.0500
    """
    return 0.5 * math.erfc(z / math.sqrt(2.0))


def two_sided(z: float) -> float:
    """Chance that a standard normal deviate lies further from zero than ``z``.

    Examples
    --------
    >>> print(f"{two_sided(-1.959964):.4f}")
    0.0500
    """
    return math.erfc(abs(z) / math.sqrt(2.0))


def weighted_holm(
    chances: Mapping[str, float], weights: Mapping[str, float], *, level: float = LEVEL
) -> dict[str, bool]:
    """Which of several hypotheses fall, the chance that any true one does being at most ``level``.

    In the order of p/w: reject while p ≤ level · w/Σw, the sum over what is not rejected yet.

    Parameters
    ----------
    chances : mapping of str to float
        p of each hypothesis of no change.
    weights : mapping of str to float
        w, positive: how much of the level each is worth. Questions asked first get most.
    level : float
        The level.

    Returns
    -------
    Whether each is rejected.

    Raises
    ------
    ValueError
        A weight is not positive.

    Examples
    --------
    >>> weighted_holm({"a": 0.01, "b": 0.04, "c": 0.03, "d": 0.005}, dict.fromkeys("abcd", 1.0), level=0.05)
    {'a': True, 'b': False, 'c': False, 'd': True}

    References
    ----------
    Holm, Scandinavian Journal of Statistics 6, 1979, sections 3 (equal weights) and 4 (weights).
    """
    if any(not weights[name] > 0.0 for name in chances):
        raise ValueError("weights must be positive")
    left = sorted(chances, key=lambda name: chances[name] / weights[name])
    fallen = dict.fromkeys(chances, False)
    while left and chances[left[0]] <= level * weights[left[0]] / sum(weights[name] for name in left):
        fallen[left.pop(0)] = True
    return fallen
