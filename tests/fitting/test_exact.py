"""An uncertainty that nobody stated: assumed to be zero, in the budget, aloud."""

from __future__ import annotations

from typing import Any

import pytest

from diffbench import Characterisation
from diffbench.documents.rig import Allowance
from diffbench.doubts import NOT_STATED, CountsAsExact, Source
from diffbench.fitting.parameters import switched_off, with_exact
from diffbench.results import Parameter


@pytest.fixture(scope="module")
def bare(short_visit: Any) -> Characterisation:
    """The short visit with a spring force, and without the uncertainties of force, pin radius, one gain and
    the temperature."""
    result: Characterisation = short_visit.fit(
        "bare", None, ('law = "undecided"', 'law = "undecided"\nspring_force = "1950 N"'), *PLAIN
    )
    return result


PLAIN = (
    ('u_zero = "0.5 K"\n', ""),
    ("arrangement =", "allowance = { oil_sensor = 0, cross_talk = 0 }\narrangement ="),
)


def test_it_is_said_aloud(bare: Characterisation) -> None:
    aloud = "\n".join(bare.assumed_exact)
    assert "the spring force has no stated uncertainty: it counts as exact" in aloud
    assert "u_zero of the temperature channel is not stated: temperatures count as exact" in aloud
    assert "oil_sensor = 0: an oil sensor of no stated u_zero counts as well placed" in aloud
    assert "cross_talk = 0: flanges whose rig states none count as reading no other" in aloud


def test_it_is_in_the_budget_of_what_rests_on_it(bare: Characterisation) -> None:
    """The friction coefficient rests on the force; the preload torque does not."""
    entry = f"spring force (build sheet): {NOT_STATED}"
    assert bare.parameters["friction_coefficient"].budget[entry] == 0.0
    assert entry not in bare.parameters["preload_torque"].budget
    temperature = [s for s in bare.parameters["preload_torque"].budget if s.startswith("temperature reading")]
    assert temperature == [f"temperature reading, the temperature channel: {NOT_STATED}"]
    assert (
        not {Source.CROSS_TALK, Source.CROSS_TALK_ALLOWED} & bare.parameters["preload_torque"].budget.keys()
    )


def test_what_a_rig_does_not_state_counts_by_its_allowance(short_visit: Any) -> None:
    """0.1 % of the other flange, and an oil sensor by its place: each a line of the budget."""
    result = short_visit.fit("silent", None, PLAIN[0])
    budget = result.parameters["preload_torque"].budget
    assert budget[Source.CROSS_TALK_ALLOWED] == pytest.approx(
        0.001 * result.parameters["preload_torque"].value, rel=0.3
    )
    assert budget[Source.TEMPERATURE_ALLOWED] > 0.0
    assert not any("temperatures count as exact" in note for note in result.assumed_exact)


def test_a_stated_force_stands_with_its_size(rebuilt: Characterisation) -> None:
    budget = rebuilt.parameters["friction_coefficient"].budget
    assert budget["spring force (build sheet)"] > 0.0
    assert not any(source.startswith("spring force") and NOT_STATED in source for source in budget)


def test_notes_on_the_bench_reach_every_measured_quantity() -> None:
    """Zero changes no sum of squares; what is not determined has no budget."""
    measured = Parameter(
        value=80.0,
        u=1.0,
        low=78.0,
        high=82.0,
        unit="N·m",
        status="measured",
        meaning="",
        budget={"noise": 1.0},
    )
    missing = Parameter(
        value=None, u=None, low=None, high=None, unit="1", status="not-determined", meaning="", needs="more"
    )
    notes = [
        CountsAsExact("", Source.TRANSDUCER_GAIN, "left_torque"),
        CountsAsExact("", Source.TRANSDUCER_ZERO, "right_torque"),
        CountsAsExact("", Source.FINAL_DRIVE, "the final drive"),
        CountsAsExact("the plate radii have no stated uncertainty: they count as exact"),
    ]
    found = with_exact({"preload_torque": measured, "friction_coefficient": missing}, notes)
    assert found["preload_torque"].budget == {
        "noise": 1.0,
        f"transducer gain, left_torque: {NOT_STATED}": 0.0,
        f"transducer zero, right_torque: {NOT_STATED}": 0.0,
        f"final drive, the final drive: {NOT_STATED}": 0.0,
    }
    assert found["friction_coefficient"] == missing


def test_an_allowance_of_nothing_is_said_aloud() -> None:
    """One that is stated as 0, and no other."""
    assert switched_off(Allowance()) == []
    told = [note.text for note in switched_off(Allowance(fitted_once=0.0, one_way=0.02))]
    assert told == [
        "the rig's allowance fitted_once = 0: what a bench does to a unit fitted once counts as nothing"
    ]
