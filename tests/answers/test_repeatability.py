"""Repeatability from repeats: standard deviations, outliers by name, and the table to paste."""

from __future__ import annotations

import tomllib
from collections.abc import Callable

import numpy as np
import pytest
from wear_study import Drawer, State

from diffbench.answers.repeatability import Repeatability, precision, repeatability
from diffbench.errors import FitError
from diffbench.results import Characterisation, FindingRecord


def visits(drawer: Drawer, states: list[State], *, build: str | None = None) -> list[Characterisation]:
    """One result a state, each with recordings of its own."""
    errors, made = drawer.errors(), []
    for state in states:
        result = drawer.visit(state, errors, (1950.0, 60.0)).characterisation
        provenance = result.provenance.model_copy(
            update={"inputs": {f"sweep-{drawer.visits}.csv": f"{drawer.visits:064x}"}}
        )
        update: dict[str, object] = {"provenance": provenance}
        if build is not None:
            update |= {"build": build}
        made.append(result.model_copy(update=update))
    return made


@pytest.fixture(scope="module")
def dozens(drawer_of: Callable[[int], Drawer]) -> list[Characterisation]:
    """Thirty refits of one unit."""
    return visits(drawer_of(41), [State()] * 30)


def test_what_the_simulator_scatters_by(dozens: list[Characterisation]) -> None:
    """1.5 % of preload and 1 % of both biases; a standard deviation of thirty lies within a third of the
    truth in 99 of 100 cases, and its interval holds the truth."""
    found = repeatability(dozens)
    assert found.rig["preload_torque"] == pytest.approx(0.015, rel=0.33)
    assert found.rig["ramp_bias"] == pytest.approx(0.010, rel=0.33)
    preload = found.quantities["preload_torque"]
    assert preload.repeatability_low < 0.015 * preload.mean < preload.repeatability_high
    assert preload.limit == pytest.approx(2.8 * preload.repeatability)
    assert {t.test: t.finding for t in preload.tests} == {"Grubbs": "clean", "Cochran": "not tested"}


def test_table_is_ready_for_the_rig(dozens: list[Characterisation]) -> None:
    """TOML, with the keys of a rig."""
    found = repeatability(dozens)
    table = tomllib.loads(found.paste)["repeatability"]
    assert table == pytest.approx(found.rig, rel=5e-3)
    assert set(table) == {"preload_torque", "ramp_bias"}
    assert Repeatability.model_validate_json(found.to_json()) == found


def test_an_outlying_repeat_is_named_and_kept(drawer_of: Callable[[int], Drawer]) -> None:
    """One refit of eight with a spring that sat wrong by a quarter: named, and still in the numbers."""
    results = visits(drawer_of(43), [State()] * 7 + [State(spring=1.25)])
    found = repeatability(results, names=[f"visit {i}" for i in range(8)])
    grubbs = next(t for t in found.quantities["preload_torque"].tests if t.test == "Grubbs")
    assert (grubbs.finding, grubbs.which) == ("outlier", "visit 7")
    assert any("visit 7 is an outlier by Grubbs' test" in text for text in found.findings)
    assert found.rig["preload_torque"] > 0.05


def test_groups_are_pooled_and_compared(drawer_of: Callable[[int], Drawer]) -> None:
    """Builds with other springs: their means differ, which is no repeatability; Cochran compares their
    scatter."""
    drawer = drawer_of(47)
    steady = [
        result
        for i, spring in enumerate((0.8, 1.0, 1.2))
        for result in visits(drawer, [State(spring=spring)] * 5, build=f"build {i}")
    ]
    found = repeatability(steady)
    preload = found.quantities["preload_torque"]
    assert preload.degrees == 12
    assert found.rig["preload_torque"] == pytest.approx(0.015, rel=0.5)
    assert preload.reproducibility is not None
    assert preload.reproducibility > 5.0 * preload.repeatability
    wild = [State(spring=s) for s in (0.8, 1.2, 0.7, 1.3, 1.0)]
    found = repeatability([*steady, *visits(drawer, wild, build="wild")])
    cochran = next(t for t in found.quantities["preload_torque"].tests if t.test == "Cochran")
    assert (cochran.finding, cochran.which) == ("outlier", "Q17 wild")


def test_few_repeats_are_told(drawer_of: Callable[[int], Drawer]) -> None:
    found = repeatability(visits(drawer_of(53), [State()] * 3))
    assert any("2 degrees of freedom" in text for text in found.findings)
    assert found.quantities["preload_torque"].repeatability_high > 3.0 * (
        found.quantities["preload_torque"].repeatability
    )


def test_what_is_no_repeat_is_refused(dozens: list[Characterisation]) -> None:
    with pytest.raises(FitError, match="two visits"):
        repeatability(dozens[:1])
    with pytest.raises(FitError, match="that is no repeat"):
        repeatability([dozens[0], dozens[0]])
    facts = dozens[0].builds * 2
    with pytest.raises(FitError, match="several builds"):
        repeatability([dozens[1], dozens[0].model_copy(update={"builds": facts})])
    pack = [dozens[0].builds[0].model_copy(update={"faces": 3})]
    with pytest.raises(FitError, match="different faces or radii"):
        repeatability([dozens[1], dozens[0].model_copy(update={"builds": pack})])


def test_a_caution_of_a_repeat_goes_with_what_they_scatter_by(dozens: list[Characterisation]) -> None:
    doubt = FindingRecord(
        name="zero drift", severity="caveat", where="", evidence="", effect="", mend="Record a tare run."
    )
    found = repeatability([dozens[0].model_copy(update={"findings": [doubt]}), *dozens[1:6]])
    assert sum("is itself to be read with care: zero drift" in line for line in found.findings) == 1


def test_a_quantity_that_one_visit_does_not_determine_is_left_out(dozens: list[Characterisation]) -> None:
    name = "ramp_bias_coast_unloading"
    blank = {"value": None, "u": None, "low": None, "high": None}
    parameters = {**dozens[0].parameters, name: dozens[0].parameters[name].model_copy(update=blank)}
    found = repeatability([dozens[0].model_copy(update={"parameters": parameters}), *dozens[1:6]])
    assert name not in found.quantities
    assert found.not_determined[name] == "determined in 5 of 6 visits"


def test_an_empty_table_is_refused_with_what_each_visit_lacks(dozens: list[Characterisation]) -> None:
    """No quantity is in every visit: the visits that have each are counted."""
    bare = dozens[1].model_copy(update={"parameters": type(dozens[1].parameters)({})})
    with pytest.raises(FitError, match=r"no quantity is determined in every visit: preload_torque in 1 of 2"):
        repeatability([dozens[0], bare])


def test_precision_of_one_group_is_the_plain_standard_deviation() -> None:
    rng = np.random.default_rng(7)
    x = rng.normal(80.0, 1.2, 9)
    found = precision([x.tolist()])
    assert found.repeatability == pytest.approx(x.std(ddof=1))
    assert found.reproducibility is None
    with pytest.raises(ValueError, match="two results"):
        precision([[1.0], [2.0]])


def test_repeats_at_two_distances_are_none(dozens: list[Characterisation]) -> None:
    """What was driven in between would count as scatter of the bench."""
    driven = dozens[1].builds[0].model_copy(update={"distance_m": 1860e3})
    with pytest.raises(FitError, match=r"distance of Q17 .* differs: 0 km in .*, 1860 km in"):
        repeatability([dozens[0], dozens[1].model_copy(update={"builds": [driven]})])
