"""What is kept of a fit beside its numbers: forms, for maps and comparisons, and cells, for pictures."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, cast

import numpy as np

from diffbench.definitions import name_of, parts_of
from diffbench.documents import Build
from diffbench.fitting.adequacy import loading_of
from diffbench.fitting.candidate import Candidate
from diffbench.fitting.covariance import Covariance
from diffbench.results.characterisation import Evidence, FormState
from diffbench.results.discrepancy import DiscrepancyState

if TYPE_CHECKING:
    from diffbench.documents.build import PreloadLawName

__all__ = ["evidence_of", "form_state"]


def form_state(
    candidate: Candidate,
    weight: float,
    covariance: Covariance,
    builds: Sequence[Build],
    left_out: DiscrepancyState | None = None,
) -> FormState:
    """What is kept of a form. What some of the builds share, but not all, is there under each one's name."""
    unknown = candidate.names.unknowns
    kept = {
        u.name: i
        for i, u in enumerate(unknown)
        if not u.name.startswith(("plate_excess", "ramp_start", "relaxation", "error:", "refit:"))
    }
    sharing = candidate.model.sharing
    for build, place in zip(builds, sharing.places, strict=True):
        for names, at in (
            (sharing.drive_biases, place.drive),
            (sharing.coast_biases, place.coast),
            (sharing.drive_ratios, place.drive),
            (sharing.coast_ratios, place.coast),
        ):
            quantity, of_some = parts_of(names[at])
            if of_some:
                kept.setdefault(name_of(quantity, build.build), candidate.names.position[names[at]])
    rows = list(kept.values())
    return FormState(
        law=cast("PreloadLawName", candidate.form.law),
        friction_law=candidate.form.friction.name,
        stribeck_exponent=candidate.form.friction.exponent,
        weight=weight,
        names=list(kept),
        logarithms=[unknown[i].logarithm for i in rows],
        values=[float(candidate.x[i]) for i in rows],
        covariance=covariance.total[np.ix_(rows, rows)].tolist(),
        shares={source: columns[rows].tolist() for source, columns in covariance.shares.items()},
        discrepancy=None if left_out is None else left_out.of_unknowns(rows),
    )


def evidence_of(best: Candidate, builds: Sequence[Build]) -> Evidence:
    """The cells behind a fit, and the build that each run is of."""
    data = best.model.data
    first = np.unique(data.run, return_index=True)[1]
    return Evidence(
        run=data.run,
        run_names=data.run_names,
        run_kinds=data.run_kinds,
        time=data.time,
        input_torque=data.input_torque,
        speed_difference=data.speed_difference,
        direction=data.direction,
        oil=data.oil,
        plate=best.model.plate_temperature(best.x),
        loading=loading_of(best),
        locking=-data.direction * best.model.difference(best.x),
        model=best.model.locking(best.x),
        sigma=best.noise.sigma,
        used=best.used,
        run_builds=tuple(builds[visit].build for visit in data.visit[first].tolist()),
    )
