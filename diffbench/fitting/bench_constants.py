"""The constants of the bench as the sweeps see them: what they were pulled by, alone and together."""

from __future__ import annotations

from collections.abc import Container, Sequence
from itertools import count

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.bench import ErrorSource
from diffbench.conditioning.findings import Finding
from diffbench.conditioning.run import ConditionedVisit
from diffbench.documents.rig import Allowance
from diffbench.fitting.candidate import Candidate
from diffbench.fitting.covariance import Covariance

Array = NDArray[np.float64]

PULLED = 3.0  # standard uncertainties of a stated constant
# Axes of several constants are many: one in two thousand is beyond this by chance, were all as stated.
TOGETHER = 3.5
# Below this share of a constant's variance the sweeps tell next to nothing of it.
LEAST_TOLD = 0.3


def bench_errors(
    best: Candidate, covariance: Covariance, conditioned: Sequence[ConditionedVisit]
) -> dict[str, dict[str, float]]:
    """What each constant was pulled by, in its stated standard uncertainties, by its name in words."""
    errors: dict[str, dict[str, float]] = {}
    for source in best.model.data.sources:
        i = best.names.position[f"error:{source.key}"]
        errors[_apart(source, conditioned, errors)] = {
            "standard_uncertainties": float(best.x[i]),
            "u": float(np.sqrt(covariance.total[i, i])),
            "stated_u": source.u,
        }
    return errors


def _apart(source: ErrorSource, conditioned: Sequence[ConditionedVisit], taken: Container[str]) -> str:
    """A bench error in words: one name in several visits is several errors, told apart by rig and
    recording."""
    visit = next(visit for visit in conditioned if source.key in visit.sources)
    near = f"{visit.rig.name}, {visit.runs[0].name}" if visit.runs else visit.rig.name
    for words in (source.label, f"{source.label} ({visit.rig.name})", f"{source.label} ({near})"):
        if words not in taken:
            return words
    return next(words for number in count(2) if (words := f"{source.label} ({near}, {number})") not in taken)


def allowance_of(conditioned: Sequence[ConditionedVisit]) -> Allowance:
    """What counts where no rig states it: of several rigs the most."""
    every = [visit.rig.allowance for visit in conditioned]
    return Allowance(
        **{name: max((getattr(one, name) for one in every), default=0.0) for name in Allowance.model_fields}
    )


def constants_pulled(candidate: Candidate) -> list[Finding]:
    """Constants that the sweeps pull by more than ``PULLED`` of their standard uncertainties; a zero that
    moved since its tare run by no more than the rig states of it is told only."""
    found: list[Finding] = []
    for source in candidate.model.data.sources:
        pull = float(candidate.x[candidate.names.position[f"error:{source.key}"]])
        if abs(pull) > PULLED:
            found.append(
                Finding(
                    "bench constant not as stated",
                    "caveat" if abs(pull) * source.u > source.allowed else "note",
                    source.label,
                    f"The sweeps ask for an error of {pull:+.1f} standard uncertainties (u = "
                    f"{source.u:.3g}).",
                    "The stated uncertainty is too small, or something else is wrong with that channel.",
                    "Check the calibration, the units and the wiring of that channel.",
                )
            )
    return found


def constants_together(candidate: Candidate) -> list[Finding]:
    """Bench constants of one kind that the sweeps contradict together, see `contradicted`; none where one of
    them is told by itself."""
    names, sources = candidate.names, candidate.model.data.sources
    active = np.array([not unknown.fixed for unknown in names.unknowns])
    columns = candidate.sensitivities()[:, active]
    normal = columns.T @ columns / candidate.noise.inflation + np.diag(names.precision[active])
    scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
    inverse = np.linalg.pinv(normal / np.outer(scale, scale), rcond=1e-12, hermitian=True)
    covariance = inverse / np.outer(scale, scale)
    place = np.cumsum(active) - 1
    kinds: dict[str, list[int]] = {}
    for number, source in enumerate(sources):
        if not source.considered:
            kinds.setdefault(source.group, []).append(number)
    found: list[Finding] = []
    for group, members in kinds.items():
        at = [names.position[f"error:{sources[number].key}"] for number in members]
        pulls = candidate.x[at]
        sizes = np.abs(pulls) * [sources[number].u for number in members]
        within = np.all(sizes <= [sources[number].allowed for number in members])
        if within or np.abs(pulls).max() > PULLED:
            continue
        for size, meant in contradicted(pulls, covariance[np.ix_(place[at], place[at])]):
            found.append(
                Finding(
                    "bench constant not as stated",
                    "caveat",
                    " and ".join(sources[members[number]].label for number in meant),
                    f"Of the {group} the sweeps tell how these differ, and that is {size:.1f} of its "
                    "standard uncertainties off what is stated.",
                    "A stated uncertainty is too small, or something else is wrong with one of them; what "
                    "all have in common may be off by as much, and does not show.",
                    "Check calibration, units and wiring of these channels.",
                )
            )
    return found


def contradicted(pulls: Array, covariance: Array) -> list[tuple[float, list[int]]]:
    """By how many standard uncertainties several constants together are not as stated, and which.

    Sweeps tell how two gains, zeros or lags differ, not each of them: shared between both, a difference
    pulls each by a part of itself. With what is known beforehand as unit normals, the estimates scatter by
    ``I − C`` (least squares with prior knowledge; C their ``covariance`` (k, k), ``pulls`` (k,) the
    estimates). Along its principal axes, where the sweeps tell something, each is a unit normal, too.

    >>> size, which = contradicted(np.array([2.6, -2.6]), np.array([[0.5, 0.5], [0.5, 0.5]]))[0]
    >>> round(size, 2), which
    (3.68, [0, 1])
    """
    found: list[tuple[float, list[int]]] = []
    shares, axes = np.linalg.eigh(np.eye(pulls.size) - covariance)
    for share, axis in zip(shares, axes.T, strict=True):
        size = abs(float(axis @ pulls)) / float(np.sqrt(max(share, LEAST_TOLD)))
        meant = np.flatnonzero(np.abs(axis) > 0.3)
        if share >= LEAST_TOLD and size > TOGETHER and meant.size > 1:
            found.append((size, meant.tolist()))
    return found
