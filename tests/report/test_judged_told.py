"""A state in its sentences, word for word: why, what to do, and what can hurt."""

from __future__ import annotations

from typing import Any

import pytest

from diffbench.report.judgement import (
    judged,
    measured_text,
    name_text,
    next_sentence,
    state_sentences,
    tone_of,
)
from diffbench.results.state import NextStep, Reason, ShimStep, State

#: A standard uncertainty of 1 N·m.
KNOWN: dict[str, Any] = {
    "quantity": "preload_torque", "unit": "N·m", "value": 65.8905, "low": 63.93, "high": 67.85, "limit": 70.0,
}  # fmt: skip
SHIM = ShimStep(
    shim_m=4e-4, shim_now_m=2e-4, preload_torque_Nm=80.0663, low_Nm=74.2, high_Nm=85.95, chance=0.9,
    extrapolated=False,
)  # fmt: skip
LOW, HIGH = "The lowest allowed is 70.0 N·m.", "The highest allowed is 70.0 N·m."


def state(*reasons: Reason, step: NextStep | None = None, name: Any = "watch", **fields: Any) -> State:
    made: dict[str, Any] = {
        "unit": "K04", "build": "K04-1", "date": "2026-05-20", "state": name, "failed": False,
        "reasons": list(reasons) or [reason("no-limits")], "next_step": step or NextStep(kind="nothing"),
        "limits": [], "visits": [], "rule": "by hand",
    }  # fmt: skip
    return State(**{**made, **fields})


def reason(kind: Any, **fields: Any) -> Reason:
    return Reason(**{"kind": kind, **KNOWN, **fields})


@pytest.mark.parametrize(
    ("one", "said"),
    [
        (reason("within-limits"), ["Preload torque: 65.9 N·m. That is inside its limits."]),
        (reason("beyond-limit", side="lower"), [f"Preload torque: 65.9 N·m. {LOW}"]),
        (reason("beyond-limit", side="upper"), [f"Preload torque: 65.9 N·m. {HIGH}"]),
        (
            reason("worn-beyond-limit", side="lower", part="spring"),
            [f"Preload torque: 65.9 N·m. {LOW}", "It is worn.", "That points at the spring."],
        ),
        (reason("worn-beyond-limit", side="upper"), [f"Preload torque: 65.9 N·m. {HIGH}", "It is worn."]),
        (
            reason("limit-not-proven", side="lower"),
            [f"Preload torque: 65.9 N·m. {LOW}", "Too close to be sure."],
        ),
        (reason("limit-close", side="upper"), [f"Preload torque: 65.9 N·m. {HIGH}", "That is close."]),
        (
            reason("limit-ahead", side="lower"),
            ["After the next event, perhaps: Preload torque 65.9 N·m.", LOW],
        ),
        # two digits are known of it: of 10 N·m of standard uncertainty none behind the point
        (
            reason("limit-ahead", side="upper", low=46.3, high=85.5),
            ["After the next event, perhaps: Preload torque 66 N·m.", HIGH],
        ),
        (reason("not-determined", value=None), ["Preload torque: this test cannot tell it."]),
        (reason("no-limits", quantity=None), ["The build sheet states no limits."]),
        (reason("test-flawed", name="one_slip"), ["The test has a flaw: one slip."]),
        (reason("refits-unknown"), ["How well the bench repeats is not known."]),
        (
            reason("read-with-care"),
            ["Something in the test speaks against these numbers: its page lists it."],
        ),
        (
            reason("visits-disagree", dates=["2026-01-10", "2026-02-09", "2026-04-14"]),
            ["Preload torque: the visits of 2026-01-10, 2026-02-09 and 2026-04-14 disagree."],
        ),
        (
            reason("earlier-visits-disagree", dates=["2026-01-10"]),
            ["Preload torque: earlier visits disagree, 2026-01-10."],
        ),
        (
            reason("jump", value=-12.3, low=None, dates=["2026-01-10", "2026-02-09"], part="friction"),
            [
                "Preload torque jumped by \u221212.3 N·m between 2026-01-10 and 2026-02-09.",
                "That points at the friction plates.",
            ],
        ),
        (
            reason("changed", quantity="friction", unit="1", value=-0.0512, low=-0.06, high=-0.042),
            ["Friction has changed by \u22125.12 %."],
        ),
        (
            reason("changed", quantity="face_wear", unit="m", value=22.84e-6, low=None),
            ["Wear of a face has changed by 22.8 µm."],
        ),
        (
            reason("within-limits", quantity="preload_loss", unit="1", value=0.0512, high=None),
            ["Loss of preload: 5.12 %. That is inside its limits."],
        ),
        (
            reason(
                "beyond-limit", quantity="ramp_bias_drive_loading", unit="1", value=0.486, low=None,
                side="lower", limit=0.52,
            ),
            ["Ramp bias, drive: 0.486. The lowest allowed is 0.520."],
        ),
    ],
)  # fmt: skip
def test_each_reason_is_told_with_its_numbers(one: Reason, said: list[str]) -> None:
    """To three digits, or as many as are known; lengths in micrometres, shares in per cent."""
    assert judged(state(one)).reasons == tuple(said)


def test_of_many_reasons_two_are_told() -> None:
    """The one that decides and the next; what says less only where it decides; a doubt of the test always."""
    close, ahead = reason("limit-close", side="lower"), reason("limit-ahead", side="lower")
    inside, changed = reason("within-limits"), reason("changed")
    refits, care = reason("refits-unknown"), reason("read-with-care")

    def told(*reasons: Reason) -> list[str]:
        return [text.split()[0] for text in judged(state(*reasons)).reasons]

    assert told(ahead, inside, changed, refits, close) == ["After", "The", "How"]
    assert told(inside, changed, refits) == ["Preload", "How"]
    assert told(changed, inside) == ["Preload"]
    assert told(ahead, refits, close, care) == ["After", "The", "How", "Something"]
    assert told(ahead, care, refits) == ["After", "The", "Something"]
    assert told(care, refits, inside, inside) == ["Preload", "Something"]
    assert told(care, refits) == ["Something"]
    # what two say alike is said once
    assert told(close, close) == ["Preload", "That"]


@pytest.mark.parametrize(
    ("step", "said"),
    [
        ({"kind": "nothing"}, ["Nothing to do."]),
        (
            {"kind": "fit-shim", "shim": SHIM},
            ["Fit a shim of 0.40 mm.", "It should give 80.1 N·m of preload torque."],
        ),
        (
            {
                "kind": "fit-shim",
                "shim": SHIM.model_copy(
                    update={"shim_m": 1.25e-4, "extrapolated": True, "low_Nm": 41.0, "high_Nm": 120.0}
                ),
            },
            [
                "Fit a shim of 0.125 mm.", "It should give 80 N·m of preload torque.",
                "No shim like that was tested: measure afterwards.",
            ],
        ),
        ({"kind": "no-shim-reaches"}, ["No other shim in stock reaches: change springs or plates."]),
        (
            {"kind": "state-shim-and-springs", "missing": ["preload.shim", "preload.disc_spring"]},
            ["Write shim and disc springs into the build sheet."],
        ),
        (
            {
                "kind": "state-shim-and-springs",
                "missing": ["preload.disc_spring", "preload.spring_force", "a"],
            },
            ["Write into the build sheet: disc_spring, spring_force and a."],
        ),
        (
            {"kind": "state-shim-and-springs", "missing": ["preload.shim"]},
            ["Write into the build sheet: shim."],
        ),
        (
            {"kind": "state-shim-and-springs"},
            ["No shim that is known brings it there: look for another cause."],
        ),
        ({"kind": "renew-plates"}, ["Renew the friction plates."]),
        ({"kind": "inspect", "part": "gears"}, ["Take the unit apart and look at the gears."]),
        ({"kind": "inspect"}, ["Take the unit apart and look at its parts."]),
        (
            {"kind": "measure-again", "visits": 3},
            ["Refit the unit to the bench and test again.", "Visits needed: 3."],
        ),
        (
            {"kind": "measure-again"},
            ["Refit the unit to the bench and test again.", "Visits needed: several."],
        ),
        ({"kind": "measure-more"}, ["Test what is missing: the page lists it under Numbers."]),
        ({"kind": "mend-test"}, ["Mend what is wrong with the test, then repeat it."]),
        ({"kind": "measure-repeatability"}, ["Refit and test this unit several times, unchanged."]),
        ({"kind": "state-limits"}, ["Write the limits into the build sheet."]),
        ({"kind": "check-records"}, ["Check unit and date of these records."]),
    ],
)  # fmt: skip
def test_each_step_is_told_with_what_it_needs(step: dict[str, Any], said: list[str]) -> None:
    assert judged(state(step=NextStep(**step))).step == tuple(said)


def test_what_can_hurt_is_told_with_how_far_was_tested() -> None:
    """Each caution once, ends of torque and speed, and whose limits come first; nothing where nothing can."""
    every = NextStep(
        kind="nothing", cautions=["stored-force", "heat", "speed", "torque"],
        tested_torque_Nm=(-300.4, 700.6), tested_speed_rad_s=11.84,
    )  # fmt: skip
    assert judged(state(step=every)).caution == (
        "Springs are under load: open it only with the holding tool.",
        "Oil and plates burn: let them cool.",
        "Shafts turn: guards closed, hands off.",
        "Torque can break shafts.",
        "Tested from \u2212300 to 701 N·m only.",
        "Tested up to 11.8 rad/s only.",
        "Maker's limits and local rules come first.",
    )
    assert judged(state()).caution == ()


def test_a_state_is_printed_with_its_word_set_off() -> None:
    """Why in a line, what to do in the next, with what can hurt; a minus that every terminal has."""
    step = NextStep(kind="measure-again", visits=2, cautions=["torque"], tested_torque_Nm=(-300.0, 700.0))
    jumped = reason("jump", value=-12.3, low=None, dates=["2026-01-10", "2026-02-09"])
    made = state(jumped, reason("refits-unknown"), step=step)
    why, then = state_sentences(made)
    assert (why.first, why.tone) == ("WATCH  ", "not proven")
    assert why.text == (
        "Preload torque jumped by -12.3 N·m between 2026-01-10 and 2026-02-09. How well the bench repeats is "
        "not known."
    )
    do = (
        "Refit the unit to the bench and test again. Visits needed: 2. Caution: Torque can break shafts. "
        "Tested from -300 to 700 N·m only. Maker's limits and local rules come first."
    )
    assert (then.first, then.text) == ("NEXT  ", do)
    named = next_sentence(judged(made), first="", named=True)
    assert (named.first, named.text) == ("", f"Watch. {do}")
    assert next_sentence(judged(state())).text == "Nothing to do."
    tones = [
        tone_of(state(name=name)) for name in ("good", "good-with-doubt", "watch", "worn", "out-of-limits")
    ]
    assert tones == ["within", "not proven", "not proven", "outside", "outside"]


def test_names_on_a_card_are_short_and_begin_large() -> None:
    """Of a build its quantity alone; of what has no name on a card the one of the page."""
    assert name_text("ramp_bias_coast_unloading[K04-1]") == "Ramp bias, coast, torque falling"
    assert name_text("gear_friction") == "Gear-mesh friction"
    assert name_text("some_new_one") == "Some new one"


def test_a_number_and_its_interval_are_at_three_digits() -> None:
    """Both to one place, that of the third digit or of the uncertainty where that leaves fewer; zero has a
    first digit before the point."""
    assert measured_text(0.0, -1.0, 1.0) == "0.00 (-1.00 to 1.00)"
    assert measured_text(9.996, 9.99, 10.002) == "10.0 (10.0 to 10.0)"
    assert measured_text(83.2, None, 85.0) == "83.2"
    assert measured_text(83.2, 80.0, None) == "83.2"
    assert measured_text(None, 1.0, 2.0) == ""
    assert measured_text(83.24, 83.1, 83.38) == "83.2 (83.1 to 83.4)"
    assert measured_text(83.24, 43.0, 123.4) == "83 (43 to 123)"
