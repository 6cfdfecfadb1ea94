"""What the recordings did not do, and what that leaves open."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from diffbench.characterisation import Tested
from diffbench.conditioning.findings import Finding
from diffbench.conditioning.run import ConditionedVisit
from diffbench.fitting.candidate import Candidate

Array = NDArray[np.float64]

PULLED = 3.0  # standard uncertainties of a stated constant
# Axes of several constants are many: one in two thousand is beyond this by chance, were all as stated.
TOGETHER = 3.5
# Below this share of a constant's variance the sweeps tell next to nothing of it.
LEAST_TOLD = 0.3


def excitation_findings(
    candidate: Candidate, tested: Tested, visits: Sequence[ConditionedVisit]
) -> list[Finding]:
    """Findings about slip directions, flanks, speed levels, temperatures, rejected cells and bench constants
    that cannot be as stated."""
    data = candidate.model.data
    found: list[Finding] = []
    sweeps = data.friction_state == 0
    if sweeps.any():
        scale = float(np.max(np.abs(data.input_torque)))
        low, high = float(data.input_torque[sweeps].min()), float(data.input_torque[sweeps].max())
        for flank, reach in (("drive", high), ("coast", -low)):
            if reach < 0.05 * scale:
                found.append(
                    Finding(
                        f"no {flank} samples",
                        "caveat",
                        "all sweeps",
                        f"The input torque stays at {low:.4g} to {high:.4g} N·m.",
                        f"The {flank} ramp bias is not determined.",
                        f"Add a bias sweep under {flank} torque.",
                    )
                )
        speed = data.speed_difference[sweeps]
        # a reversal runs through all speeds within a moment: a level is where the unit is slipped for long
        order = np.argsort(speed)
        passed = np.cumsum(data.count[sweeps][order]) / float(data.count[sweeps].sum())
        slow, fast = speed[order][np.searchsorted(passed, [0.05, 0.95])]
        if float(fast) < 1.25 * float(slow):
            found.append(
                Finding(
                    "one speed level only",
                    "caveat",
                    "all sweeps",
                    f"All slip is at {float(np.median(speed)):.3g} rad/s.",
                    "Friction over speed and viscous drag are not determined; other speed differences "
                    "are extrapolated.",
                    "Add a speed sweep, or sweeps at two more speed levels.",
                )
            )
        directions = np.unique(data.direction[sweeps])
        if directions.size == 1:
            found.append(
                Finding(
                    "one slip direction only",
                    "caveat",
                    "all sweeps",
                    "The left output is always the "
                    + ("faster one." if directions[0] > 0 else "slower one."),
                    "A zero or gain difference of the transducers cannot be told from locking torque: "
                    "the stated uncertainties count in full.",
                    "Sweep with both outputs faster in turn.",
                )
            )
        oil = data.oil[sweeps]
        if not np.isfinite(oil).any():
            found.append(
                Finding(
                    "no temperature",
                    "caveat",
                    "all sweeps",
                    "No temperature channel is recorded.",
                    f"Everything counts as taken at {candidate.model.reference.temperature:g} °C; the "
                    "effect of temperature is not determined.",
                    "Record the oil temperature, or better that of the plates.",
                )
            )
    for flank, seen in (("drive", tested.drive_ramp_seen), ("coast", tested.coast_ramp_seen)):
        if candidate.form.greater_of and not seen and sweeps.any():
            found.append(
                Finding(
                    f"{flank} ramps never overcame the preload",
                    "caveat",
                    "all sweeps",
                    "The locking torque does not clearly leave the preload level on that flank.",
                    f"The {flank} ramp bias is hardly or not determined, and nothing beyond the swept "
                    "torque counts as tested.",
                    f"Sweep to a higher {flank} torque.",
                )
            )
    rejected = int(data.count[~candidate.used].sum())
    if rejected:
        share = rejected / float(data.count.sum())
        found.append(
            Finding(
                "cells apart from the fit",
                "caveat" if share > 0.01 else "note",
                "all sweeps",
                f"{rejected} samples ({100 * share:.2g} %) lie more than eight standard deviations off.",
                "They are left out.",
                "Look at them in the residual picture.",
            )
        )
    for source in data.sources:
        pull = float(candidate.x[candidate.names.position[f"error:{source.key}"]])
        if abs(pull) > PULLED:
            found.append(
                Finding(
                    "bench constant not as stated",
                    "caveat",
                    source.label,
                    f"The sweeps ask for an error of {pull:+.1f} standard uncertainties (u = "
                    f"{source.u:.3g}).",
                    "The stated uncertainty is too small, or something else is wrong with that channel.",
                    "Check the calibration, the units and the wiring of that channel.",
                )
            )
    del visits
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
        if np.abs(pulls).max() > PULLED:
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
