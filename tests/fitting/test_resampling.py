"""A thousand replicates against the covariance that a fit reports."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from diffbench.documents import load_visit
from diffbench.fitting import Candidate, Form, Setup, condition_visit, first_look, fit_form, gather
from diffbench.physics.friction import Stribeck
from diffbench.physics.preload import Additive

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))

from recordings import Unit, write_visit
from resampling import clusters_of, replicates


@pytest.fixture(scope="module")
def fitted(tmp_path_factory: pytest.TempPathFactory) -> Candidate:
    """A hundred short cycles of the benchmark's unit, which nothing of the package computed."""
    sheet = write_visit(
        tmp_path_factory.mktemp("cycles"), rows=32_000, rate=40.0, unit=Unit(cycle=8.0), plain=True
    )
    visit = load_visit(sheet)
    conditioned, _ = condition_visit(visit, lambda _: None)
    model = Setup.of([visit.build], gather(conditioned)).model(Form(Additive(), Stribeck(1.0)))
    return fit_form(model, start=first_look(model))


def test_replicates_scatter_as_the_covariance_says(fitted: Candidate) -> None:
    """Two ways to one number. A standard deviation from 1000 replicates is known to 2.2 %, one from a hundred
    cycles to 7 % (both are drawn from the same cycles, so that the second error is mostly shared): 15 %."""
    made = replicates(fitted, seed=1)
    covariance = fitted.covariance()
    u = np.sqrt(np.diag(covariance.total))
    assert made.method == "whole cycles"
    assert made.clusters == 100
    assert made.x.shape == (1000, len(fitted.names))
    names = ("preload_torque", "ramp_bias_drive_loading", "ramp_bias_coast_loading", "unloading_ratio_drive")
    for name in (*names, "unloading_ratio_coast", "viscous", "static_excess", "gear_friction"):
        at = fitted.names.position[name]
        assert made.u[at] == pytest.approx(u[at], rel=0.15), name
        assert abs(made.x[:, at].mean() - fitted.x[at]) < 0.2 * u[at], name


def test_the_seed_makes_the_replicates(fitted: Candidate) -> None:
    """The same seed, the same numbers, however many are drawn at once; another seed, others."""
    one, again, other = (replicates(fitted, seed=s, count=20).x for s in (3, 3, 4))
    np.testing.assert_array_equal(one, again)
    assert not np.array_equal(one, other)


def test_few_cycles_are_cut_into_blocks(fitted: Candidate) -> None:
    """Below forty cycles, neighbours go together as far as the noise remembers, and every cell goes once."""
    data = fitted.model.data
    fitted.model.data = replace(data, stretch=data.stretch // 10)
    try:
        cluster, method = clusters_of(fitted)
    finally:
        fitted.model.data = data
    assert method.startswith("blocks of ")
    length = int(method.split()[2])
    sizes = np.bincount(cluster)
    assert sizes.sum() == fitted.used.sum()
    assert set(sizes[:-1].tolist()) == {length}
