"""Simulation-based calibration: is what a result claims neither too narrow nor too wide?

Where truths and errors are drawn from what is stated, the truth is one more draw from the distribution that
a result claims of it: its rank there is uniform (Talts, Betancourt, Simpson, Vehtari & Gelman, arXiv
1804.06788, 2018, from memory). Ranks at both ends tell of claims too narrow, in the middle of claims too
wide, to one side of bias. Of the width, the normal scores of the ranks tell most: the sum of their squares is
chi-square.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.optimize import brentq
from scipy.stats import chi2, norm, t

BINS = 10
FEWEST_FREEDOM, MOST_FREEDOM = 2.5, 1e4
TOO_NARROW, TOO_WIDE, RIGHT = "too narrow", "too wide", "not told from right"


@lru_cache(maxsize=4096)
def freedom_of(ratio: float) -> float:
    """Degrees of freedom of Student's t whose 95 % interval is as many scales to either side."""
    ends = [float(t.ppf(0.975, freedom)) for freedom in (FEWEST_FREEDOM, MOST_FREEDOM)]
    if ratio >= ends[0]:
        return FEWEST_FREEDOM
    if ratio <= ends[1]:
        return MOST_FREEDOM
    return float(brentq(lambda freedom: t.ppf(0.975, freedom) - ratio, FEWEST_FREEDOM, MOST_FREEDOM))


def score(true: float, value: float, u: float, low: float, high: float) -> float:
    """Where the truth stands in the claimed distribution, as a normal score: Student's t by interval and
    standard uncertainty, each side as wide as its end says.

    >>> round(score(12.0, 10.0, 1.0, 8.04, 11.96), 2)
    2.0
    >>> score(10.0, 10.0, 1.0, 7.0, 12.0)
    0.0
    """
    freedom = freedom_of(round(0.5 * (high - low) / u, 3))
    side = high - value if true >= value else value - low
    if side <= 0.0:
        return 0.0 if true == value else float(np.copysign(8.0, true - value))
    # by the nearer tail, which keeps its digits
    tail = t.sf(abs(true - value) / side * t.ppf(0.975, freedom), freedom)
    return float(np.copysign(norm.isf(max(tail, 1e-15)), true - value)) + 0.0


@dataclass(frozen=True)
class Calibration:
    """What the scores of one quantity, one of each bench, say of its claims.

    ``ranks`` counts in `BINS` bins and ``chance`` that a right law has them as uneven; ``spread`` rms of the
    scores, 1 where the claims are right and below where they are wide, with the range (``least``, ``most``)
    that a right law leaves in all but ``rare`` of cases; ``shift`` mean of the scores in its own standard
    deviations.
    """

    count: int
    ranks: tuple[int, ...]
    chance: float
    spread: float
    least: float
    most: float
    shift: float

    @property
    def verdict(self) -> str:
        """Of the width."""
        if self.spread < self.least:
            return TOO_WIDE
        return TOO_NARROW if self.spread > self.most else RIGHT


def calibration(scores: Sequence[float], rare: float = 0.05) -> Calibration:
    """Of the scores of independent benches."""
    found = np.asarray(scores, dtype=float)
    ranks = np.bincount(np.minimum((norm.cdf(found) * BINS).astype(int), BINS - 1), minlength=BINS)
    expected = found.size / BINS
    uneven = float(np.sum((ranks - expected) ** 2) / expected)
    ends = np.sqrt(chi2.ppf([rare / 2.0, 1.0 - rare / 2.0], found.size) / found.size)
    return Calibration(
        found.size,
        tuple(int(count) for count in ranks),
        float(chi2.sf(uneven, BINS - 1)),
        float(np.sqrt(np.mean(found**2))),
        float(ends[0]),
        float(ends[1]),
        float(found.mean() * np.sqrt(found.size)),
    )


def table(by_name: dict[str, list[float]]) -> str:
    """One line for each quantity, as the guide shows them."""
    lines = [
        "| quantity | benches | spread | a right law | verdict | ranks by tenths | chance |",
        "|---|---|---|---|---|---|---|",
    ]
    for name, scores in by_name.items():
        if not scores:
            continue
        one = calibration(scores)
        right, ranks = f"{one.least:.2f} to {one.most:.2f}", " ".join(str(count) for count in one.ranks)
        cells = name.replace("_", " "), one.count, f"{one.spread:.2f}", right, one.verdict, ranks
        lines.append("| " + " | ".join(str(cell) for cell in cells) + f" | {one.chance:.2f} |")
    return "\n".join(lines)
