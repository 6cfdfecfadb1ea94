"""What quantities are called, and text made safe to print."""

from __future__ import annotations

import unicodedata
from types import ModuleType

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diffbench.report.wording import (
    KEY_QUANTITIES,
    LABELS,
    grouped_findings,
    humanised,
    key_names,
    label,
    printable,
    seen_in,
    shared_names,
    shown,
)
from diffbench.results import Characterisation, FindingRecord


def test_every_key_quantity_has_a_name() -> None:
    """No key number is shown by its key."""
    assert set(KEY_QUANTITIES) <= set(LABELS)
    assert not any("_" in words for words in LABELS.values())


def test_key_numbers_come_in_reading_order_builds_side_by_side(synthetic: ModuleType) -> None:
    """Each quantity of all builds, then the next; everything else stays in the order of the fit."""
    result = synthetic.two_builds()
    keys, others = key_names(result)
    assert keys[:3] == [
        "preload_torque[K04-spring]", "preload_torque[K04-shim]", "ramp_bias_drive_loading",
    ]  # fmt: skip
    assert sorted([*keys, *others]) == sorted(result.parameters)
    assert label(keys[1]) == "preload torque (K04-shim)"


def test_what_builds_share_is_said_once(synthetic: ModuleType) -> None:
    """Ramps of one design stand in every build of the document; they are shown once, without a build."""
    base = synthetic.two_builds()
    known = dict(base.parameters)
    ramp = known.pop("ramp_bias_drive_loading")
    known["ramp_bias_drive_loading[K04-spring]"] = known["ramp_bias_drive_loading[K04-shim]"] = ramp
    result = base.model_copy(update={"parameters": known})
    assert shared_names(result) == {
        "ramp_bias_drive_loading[K04-shim]": "ramp_bias_drive_loading[K04-spring]"
    }
    keys, others = key_names(result)
    assert "ramp_bias_drive_loading[K04-shim]" not in [*keys, *others]
    assert seen_in(result, "ramp_bias_drive_loading[K04-spring]").label == "ramp bias, drive, loading"
    assert seen_in(result, "preload_torque[K04-shim]").label == "preload torque (K04-shim)"
    # another value: two quantities again
    known["ramp_bias_drive_loading[K04-shim]"] = ramp.model_copy(update={"value": 0.5})
    assert shared_names(base.model_copy(update={"parameters": known})) == {}


def test_findings_that_say_the_same_are_one(complete: Characterisation) -> None:
    """One entry with all places; a finding that asks for something else stays apart."""
    one = FindingRecord(
        name="spikes", severity="note", where="a.csv", evidence="2 samples.", effect="Left out.", mend="Look."
    )
    other = one.model_copy(update={"where": "b.csv", "evidence": "3 samples."})
    apart = one.model_copy(update={"mend": "Look elsewhere."})
    found = grouped_findings(complete.model_copy(update={"findings": [one, apart, other, one]}))
    assert [(f.where, f.evidence) for f in found] == [
        ("a.csv; b.csv", "2 samples. 3 samples."),
        ("a.csv", "2 samples."),
    ]


def test_locking_effect_is_in_per_cent_at_its_torque(complete: Characterisation) -> None:
    """The trade gives the locking effect in per cent, and it belongs to an input torque."""
    seen = shown("locking_effect_coast", complete.parameters["locking_effect_coast"])
    # 0.5981 ± 0.0069, limits ± 1.96 u: analytic
    assert seen.full == "59.81 ± 0.69 %"
    assert seen.interval == "58.46 to 61.16"
    assert seen.label == "locking effect, coast, at -300 N·m"


def test_largest_doubt_is_named_with_its_share(complete: Characterisation) -> None:
    """Share of the variance: (1.2/1.2964)² = 85.7 %; what is only plausible says so."""
    assert shown("preload_torque", complete.parameters["preload_torque"]).doubt == "86 % bench repeatability"
    weak = complete.parameters["preload_torque"].model_copy(update={"budget": {"weak: plate heat": 1.2964}})
    assert shown("preload_torque", weak).source == "plausible range of plate heat"


def test_stated_quantities_say_so(complete: Characterisation) -> None:
    """A number from the build sheet is not passed off as measured."""
    assert shown("spring_force", complete.parameters["spring_force"]).doubt == "stated by the build sheet"
    bare = complete.parameters["spring_force"].model_copy(update={"budget": {}, "u": 0.0})
    assert shown("spring_force", bare).doubt == "stated without uncertainty"


def test_names_in_sentences_become_words() -> None:
    """Whole names only: what belongs to a longer name or to a key of a file stays."""
    assert humanised("gear_friction is not stated", []) == "gear-mesh friction is not stated"
    assert (
        humanised("limits.gear_friction and my_gear_friction", [])
        == "limits.gear_friction and my_gear_friction"
    )
    assert humanised("preload_torque[B2] grows", ["preload_torque[B2]"]) == "preload torque (B2) grows"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("\x1b[31mred", "\\x1b[31mred"),
        ("\u202egnp.exe", "\\u202egnp.exe"),
        ("a\u2066b\u200fc\u200bd", "a\\u2066b\\u200fc\\u200bd"),
        ("two\nlines\tand\rmore", "two lines and more"),
        ("\udc80", "\\udc80"),
        ("fiancé 差動 Ω", "fiancé 差動 Ω"),
    ],
)
def test_steering_characters_are_written_out(text: str, expected: str) -> None:
    """A name can neither colour a terminal nor turn the direction of a line."""
    assert printable(text) == expected


@given(st.text())
def test_nothing_that_steers_is_left(text: str) -> None:
    """No control, format, surrogate or private character comes through, and limits hold before writing
    out."""
    seen = printable(text)
    assert not any(unicodedata.category(c).startswith("C") for c in seen)
    assert len(printable("x" * 100, limit=10)) == 10


def test_the_input_torque_of_a_quantity_is_a_field(complete: Characterisation) -> None:
    """The label takes it from there, whatever the meaning says; only results of earlier versions, which lack
    it, are read by their meaning. A quantity without such a place is written without the field."""
    known = complete.parameters["preload_torque"]
    placed = known.model_copy(update={"at_input_torque_Nm": -703.6, "meaning": "at 12 N·m input torque"})
    assert shown("locking_effect_coast", placed).label == "locking effect, coast, at -704 N·m"
    before = known.model_copy(update={"meaning": "at 1.204e+03 N·m input torque"})
    assert shown("locking_effect_drive", before).label == "locking effect, drive, at 1204 N·m"
    assert placed.model_dump()["at_input_torque_Nm"] == -703.6
    assert "at_input_torque_Nm" not in known.model_dump()


def test_a_quantity_is_read_as_far_as_it_is_known(complete: Characterisation) -> None:
    """Value, unit and interval to the place of the doubt; nothing of what is not determined but its name."""
    known = complete.parameters["preload_torque"]
    seen = shown("preload_torque[B2]", known)
    assert (seen.label, seen.value, seen.unit, seen.full) == (
        "preload torque (B2)", "83.2", "N·m", "83.2 ± 1.3 N·m",
    )  # fmt: skip
    assert (seen.low, seen.high, seen.source, seen.determined) == (
        "80.7",
        "85.8",
        "bench repeatability",
        True,
    )
    assert shown("preload_torque[B2]", known, shared=True).label == "preload torque"
    ratio = shown("ramp_bias_drive_loading", complete.parameters["ramp_bias_drive_loading"])
    assert (ratio.unit, ratio.value) == ("", "0.4501")
    nothing = shown("preload_torque", known.model_copy(update={"value": None}))
    assert (nothing.value, nothing.unit, nothing.full) == ("not determined", "", "not determined")
    assert (nothing.low, nothing.high, nothing.doubt, nothing.source, nothing.determined) == (
        "",
        "",
        "",
        "",
        False,
    )
    open_ended = shown("preload_torque", known.model_copy(update={"low": None}))
    assert (open_ended.low, open_ended.high) == ("", "85.8")
    assert shown("preload_torque", known.model_copy(update={"high": None})).high == ""


def test_a_doubt_says_what_a_number_rests_on(complete: Characterisation) -> None:
    """Carried along, stated with a doubt of its own beside others, or without any."""
    known = complete.parameters["preload_torque"]

    def doubt(**fields: object) -> tuple[str, str]:
        seen = shown("preload_torque", known.model_copy(update=fields))
        return seen.doubt, seen.source

    assert doubt(status="carried") == ("carried: 86 % bench repeatability", "bench repeatability")
    assert doubt(budget={}) == ("no doubt stated", "no doubt stated")
    assert doubt(u=0.0) == ("no doubt stated", "no doubt stated")
    assert doubt(u=None, status="stated") == ("stated without uncertainty", "stated without uncertainty")
    sheet = "stated by the build sheet"
    assert doubt(status="stated", budget={"noise": 1.2964}) == (sheet, sheet)
    assert doubt(status="stated") == ("86 % bench repeatability", "bench repeatability")
    # (0.12/1.2)² is a hundredth, a little less is below it; no share is above all
    assert doubt(u=1.2, budget={"noise": 0.12})[0] == "1 % noise"
    assert doubt(u=1.2, budget={"noise": 0.1199})[0] == "below 1 % noise"
    assert doubt(u=1.2, budget={"noise": 1.5})[0] == "100 % noise"
    assert doubt(u=1.2, budget={"strong: lag": 1.2})[0] == "100 % strong: lag"
    assert doubt(u=1.2, budget={"weak": 1.2})[0] == "100 % weak"
    assert doubt(u=1.2, budget={"x" * 90: 1.2})[1] == "x" * 77 + "..."


def test_names_are_cut_where_they_are_no_names_any_more() -> None:
    """A quantity after 60 characters, a build after 24, a text after 2000."""
    assert label("new_" + "x" * 57) == "new " + "x" * 53 + "..."
    assert label("new_" + "x" * 56) == "new " + "x" * 56
    assert label(f"preload_torque[{'B' * 25}]") == f"preload torque ({'B' * 21}...)"
    assert label(f"preload_torque[{'B' * 24}]") == f"preload torque ({'B' * 24})"
    assert printable("x" * 2000) == "x" * 2000
    assert printable("x" * 2001) == "x" * 1997 + "..."


def test_of_three_builds_all_share_or_none(synthetic: ModuleType) -> None:
    """What two of three have alike stands for itself in each; so does what one has not."""
    base = synthetic.two_builds()
    third = base.builds[1].model_copy(update={"build": "K04-third"})
    ramp = base.parameters["ramp_bias_drive_loading"]
    names = [f"ramp_bias_drive_loading[{build}]" for build in ("K04-spring", "K04-shim", "K04-third")]

    def shared(*values: float | None) -> dict[str, str]:
        known = {
            name: ramp.model_copy(update={"value": value})
            for name, value in zip(names, values, strict=True)
            if value is not None
        }
        return shared_names(base.model_copy(update={"builds": [*base.builds, third], "parameters": known}))

    assert shared(0.45, 0.45, 0.45) == {names[1]: names[0], names[2]: names[0]}
    assert shared(0.45, 0.45, 0.46) == {}
    assert shared(0.45, 0.45, None) == {}
    assert shared(None, 0.45, 0.45) == {}
    assert shared_names(base.model_copy(update={"builds": base.builds[:1]})) == {}
