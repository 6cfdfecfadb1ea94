"""Repeatability from repeats: standard deviations, outliers by name, and the table to paste."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pytest
from wear_study import Drawer, State

from diffbench.answers.repeatability import Repeatability, precision, repeatability
from diffbench.errors import FitError
from diffbench.results import Characterisation, FindingRecord

Recorded = Callable[..., Characterisation]


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


def refits(recorded: Recorded, *groups: Sequence[float], build: str = "Q17", **options: Any) -> list[Any]:
    """A group of refits by their preload torques after another; biases follow by half of their change."""
    made = []
    for g, values in enumerate(groups):
        for i, value in enumerate(values):
            off = 1.0 + 0.5 * (value / 80.0 - 1.0)
            made.append(
                recorded(
                    value, 0.5 * off, 0.3 * off, build=f"{build}-{g}", recording=f"{g} {i}",
                    date=f"2026-03-{i + 1:02d}", **options,
                )
            )  # fmt: skip
    return made


def test_a_table_of_two_groups_by_hand(recorded: Recorded) -> None:
    """Three and two refits: relative to the mean of each, pooled over three degrees of freedom; both biases
    by root mean square; what is pasted, and what is said of so few."""
    values = ([79.0, 80.0, 82.5], [60.0, 61.5])
    found = repeatability(refits(recorded, *values))
    squares = sum(float(np.sum((np.array(group) / np.mean(group) - 1.0) ** 2)) for group in values)
    own = math.sqrt(squares / 3.0)
    preload = found.quantities["preload_torque"]
    assert (preload.relative, preload.degrees, preload.unit) == (pytest.approx(own), 3, "N·m")
    assert preload.values == [79.0, 80.0, 82.5, 60.0, 61.5]
    assert preload.mean == pytest.approx(72.6)
    bias = found.quantities["ramp_bias_drive_loading"]
    assert bias.values == pytest.approx([0.25 * (1.0 + value / 80.0) for value in preload.values])
    assert found.rig["ramp_bias"] == pytest.approx(bias.relative)  # both flanks scatter alike
    assert found.groups == ["Q17 Q17-0", "Q17 Q17-1"]
    assert found.repeats == [f"2026-03-0{i} (Q17-{g})" for g, i in ((0, 1), (0, 2), (0, 3), (1, 1), (1, 2))]
    assert found.paste == (
        "[repeatability]              # relative, one standard deviation, from 5 visits in 2 groups "
        "(ISO 5725-2)\n"
        f"preload_torque = {own:.3g}\nramp_bias = {bias.relative:.3g}\n"
    )
    (few,) = found.findings
    assert few == (
        "3 degrees of freedom: such a standard deviation is known within a factor of about two, see its "
        "interval; six visits or more serve better"
    )
    # the spring force alone: preload over the geometric mean of both biases
    ratio = found.quantities["preload_over_ramp_bias"]
    off = [0.5 * (1.0 + value / 80.0) for value in preload.values]
    assert ratio.values == pytest.approx(
        [v / (math.sqrt(0.15) * o) for v, o in zip(preload.values, off, strict=True)]
    )
    grubbs, cochran = preload.tests[1], preload.tests[0]
    assert (grubbs.test, grubbs.finding, grubbs.which) == ("Grubbs", "clean", None)
    assert grubbs.statistic == pytest.approx((82.5 - 80.5) / np.std(values[0], ddof=1))
    assert grubbs.reason == "the result furthest from its group's mean, two-sided"
    variances = [float(np.var(np.array(group) / np.mean(group), ddof=1)) for group in values]
    assert (cochran.test, cochran.which) == ("Cochran", None)
    assert cochran.statistic == pytest.approx(max(variances) / sum(variances))
    # two groups of three and of two: of as many the larger number counts
    assert cochran.reason == "2 groups of 3 repeats, variances relative to the means"


def test_what_cannot_be_tested_for_outliers_and_what_is_one(recorded: Recorded) -> None:
    """A group alone, of one, or of two; a straggler between 5 and 1 %, by name, and an outlier beyond."""

    def of(*groups: Sequence[float]) -> tuple[Any, Any, list[str]]:
        found = repeatability(refits(recorded, *groups))
        cochran, grubbs = found.quantities["preload_torque"].tests
        return cochran, grubbs, [line for line in found.findings if line.startswith("preload_torque:")]

    cochran, grubbs, said = of([80.0, 81.0])
    assert (cochran.finding, cochran.reason) == ("not tested", "one group only")
    assert (grubbs.finding, grubbs.reason, said) == ("not tested", "no group has three results", [])
    assert (cochran.statistic, cochran.critical_5, cochran.critical_1, cochran.which) == (None,) * 4
    cochran, _, _ = of([80.0, 81.0], [60.0])
    assert (cochran.finding, cochran.reason) == ("not tested", "a group has a single result")
    # Grubbs' critical values for four, two-sided, by the standard's table: 1.481 at 5 %, 1.496 at 1 %
    for far, finding, level in ((81.5, "clean", ""), (83.0, "straggler", "5 %"), (99.0, "outlier", "1 %")):
        values = [79.9, 80.0, 80.3, far]
        _, grubbs, said = of(values)
        statistic = (far - np.mean(values)) / np.std(values, ddof=1)
        assert grubbs.statistic == pytest.approx(statistic)
        assert (grubbs.critical_5, grubbs.critical_1) == pytest.approx((1.481, 1.496), abs=5e-4)
        assert (grubbs.finding, grubbs.which) == (finding, None if not level else "2026-03-04 (Q17-0)")
        an = {"straggler": "a straggler", "outlier": "an outlier"}.get(finding)
        told = (
            f"preload_torque: 2026-03-04 (Q17-0) is {an} by Grubbs' test at {level}; look for the cause "
            "before you leave it out"
        )
        assert said == ([told] if an else [])
    cochran, _, said = of([80.0, 80.1], [60.0, 60.05], [70.0, 70.1], [75.0, 95.0])
    assert (cochran.finding, cochran.which) == ("outlier", "Q17 Q17-3")
    (told,) = said
    assert told == (
        "preload_torque: Q17 Q17-3 is an outlier by Cochran's test at 1 %; look for the cause before you "
        "leave it out"
    )


def test_six_visits_say_enough_and_one_bias_is_enough(recorded: Recorded) -> None:
    """From five degrees of freedom on nothing is said of few; of one flank its bias alone is the rig's."""
    six = refits(recorded, [79.0, 80.0, 80.5, 81.0, 82.0, 80.2])
    assert repeatability(six).findings == []
    assert len(repeatability(six[:5]).findings) == 1
    blind = refits(recorded, [79.0, 80.0, 82.0], unknown=("ramp_bias_coast_loading",))
    found = repeatability(blind)
    assert found.rig["ramp_bias"] == found.quantities["ramp_bias_drive_loading"].relative
    drive = found.quantities["ramp_bias_drive_loading"].values
    ratio = found.quantities["preload_over_ramp_bias"].values
    assert ratio == pytest.approx([p / d for p, d in zip((79.0, 80.0, 82.0), drive, strict=True)])
    assert found.paste.startswith(
        "[repeatability]              # relative, one standard deviation, from 3 visits ("
    )
    names = ("ramp_bias_coast_loading", "ramp_bias_drive_loading")
    found = repeatability(refits(recorded, [79.0, 80.0, 82.0], unknown=names))
    assert "preload_over_ramp_bias" not in found.quantities
    assert set(found.rig) == {"preload_torque"}
    found = repeatability(refits(recorded, [79.0, 80.0, 82.0], unknown=("preload_torque",)))
    assert set(found.rig) == {"ramp_bias"}


def test_distances_that_are_not_alike_are_told_one_by_one(recorded: Recorded) -> None:
    """With what nobody states; a recording that is in two results by its name, but for one of a tare."""
    first, last = refits(recorded, [80.0, 81.0])
    unsaid = last.model_copy(update={"builds": [last.builds[0].model_copy(update={"distance_m": None})]})
    with pytest.raises(
        FitError, match=r"distance of Q17 Q17-0 differs: 0 km in 2026-03-01 \(Q17-0\), not stated in"
    ):
        repeatability([first, unsaid])

    def sharing(path: str) -> Any:
        inputs = {**last.provenance.inputs, path: first.provenance.inputs["sweep.csv"]}
        inputs.pop("sweep.csv", None) if path != "sweep.csv" else None
        return last.model_copy(update={"provenance": last.provenance.model_copy(update={"inputs": inputs})})

    with pytest.raises(FitError, match=r"the recording again\.csv is in one and in two: that is no repeat"):
        repeatability([first, sharing("again.csv")], names=["one", "two"])
    assert repeatability([first, sharing("tare.csv")]).rig
    assert repeatability([first, sharing("rig.toml")]).rig
