"""The one thing to read: limits and trust."""

from __future__ import annotations

import re
from types import ModuleType

import pytest

from diffbench.answers import judge, judge_builds
from diffbench.report import card_of, result_page, summary, text_of, verdict
from diffbench.results import Characterisation, LimitVerdict, LockingMap, SheetCheck


@pytest.mark.parametrize(
    ("low", "high", "outcome", "word"),
    [
        (75.0, 95.0, "within", "Good"),
        (82.0, 95.0, "not proven", "Cannot be told"),
        (90.0, 110.0, "outside", "Out of limits"),
        (None, None, None, "Cannot be told"),
    ],
)
def test_one_headline(
    complete: Characterisation, complete_map: LockingMap, low: float | None, high: float | None,
    outcome: str | None, word: str,
) -> None:  # fmt: skip
    """The terminal, the card, the page behind it and a notebook head a result by the word of its one state,
    here of 83.2 (80.7 to 85.8) N·m."""
    limits = [
        LimitVerdict(quantity="preload_torque", low=low, high=high, unit="N·m", verdict=outcome)
        for _ in range(outcome is not None)
    ]
    result = complete.model_copy(update={"limits": limits})
    state = judge([result])
    assert state.state == word.lower().replace(" ", "-")
    assert text_of(summary(result), 100).splitlines()[1].startswith(f"{word.upper()}  ")
    page = result_page(result, complete_map)
    assert re.findall(r'class="lead">([^<]*)<', page) == [word]
    assert card_of(result, complete_map, state).judged.word == word
    assert f"{word}: " in result._repr_html_()
    others = {"Good", "Cannot be told", "Out of limits", "Within limits"} - {word}
    assert not any(f"{other.upper()}  " in text_of(summary(result), 100) for other in others)


def test_what_no_limit_tells_is_told(complete: Characterisation) -> None:
    """A state that does not come from the limits has its reason in the headline, before the limits."""
    state = judge([complete])
    reason = state.reason.model_copy(update={"kind": "refits-unknown", "quantity": None})
    doubted = state.model_copy(update={"state": "good-with-doubt", "reasons": [reason, *state.reasons]})
    found = verdict(complete, doubted)
    assert (found.words, found.tone) == ("Good, with doubt", "not proven")
    assert found.sentences[0] == "How well the bench repeats is not known."
    assert len(found.sentences) == 2
    assert len(verdict(complete).sentences) == 1


def test_of_several_builds_the_worst_heads_all(synthetic: ModuleType) -> None:
    """83.2 N·m of one build is within 75 to 95 N·m, 97.4 (94.6 to 100.2) N·m of the other is not proven."""
    both = synthetic.two_builds()
    assert [state.state for state in judge_builds([both])] == ["good", "cannot-be-told"]
    found = verdict(both)
    assert found.words == "Cannot be told"
    assert found.sentences[0].startswith("K04-shim: Preload torque: 97.4 N·m. The highest allowed is 95.0")


def test_each_limit_is_a_sentence_with_its_numbers(doubtful: Characterisation) -> None:
    """Outside says on which side, not proven says why, not determined leaves it open."""
    below, straddles, unknown = verdict(doubtful).sentences
    # 83.2137 ± 1.96 · 1.2964
    assert below == "preload torque 83.2 N·m (95 %: 80.7 to 85.8) is below 90 to 110 N·m"
    assert "lies inside 0.44 to 0.46, but its interval reaches beyond it: neither is proven" in straddles
    assert unknown == "ramp bias, coast is not determined: whether it holds 0.25 to 0.35 is open"


def test_good_with_doubt_says_why_it_is_good(complete: Characterisation) -> None:
    """Of 83.2137 ± 1.2964 N·m: 80.9 N·m is 1.785 standard uncertainties below, a chance of 96 %, and good
    with doubt; 81.2 N·m is 1.553 below, 94 %, and cannot be told. Nothing is both good and
    "neither"."""

    def head(low: float) -> str:
        limit = LimitVerdict(quantity="preload_torque", low=low, high=99.0, unit="N·m", verdict="not proven")
        found = verdict(complete.model_copy(update={"limits": [limit]}))
        return f"{found.words}: {found.sentences[0]}"

    assert head(80.9) == (
        "Good, with doubt: preload torque 83.2 N·m (95 %: 80.7 to 85.8) is inside 80.9 to 99 N·m with a "
        "chance of 96 %: likely, but not proven, as its interval reaches beyond"
    )
    assert head(81.2) == (
        "Cannot be told: preload torque 83.2 N·m (95 %: 80.7 to 85.8) lies inside 81.2 to 99 N·m, but its "
        "interval reaches beyond it: neither is proven"
    )


def test_a_clean_fit_is_trusted(complete: Characterisation) -> None:
    """Nothing against it: one sentence, no cautions."""
    found = verdict(complete)
    assert found.cautions == ()
    assert found.trust == "Nothing in the data or the fit speaks against these numbers."


@pytest.mark.parametrize(
    ("detectable", "said"),
    [
        (0.012, "less than 1 % of the locking torque would not have shown"),
        (None, "law itself was not tested"),
    ],
)
def test_silence_says_what_it_is_worth(
    detectable: float | None, said: str, complete: Characterisation
) -> None:
    """Tests that could not have seen 0.5 % of the locking torque speak for nothing."""
    diagnostics = complete.diagnostics.model_copy(update={"detectable": detectable})
    assert said in verdict(complete.model_copy(update={"diagnostics": diagnostics})).trust


def test_silence_names_what_would_not_have_shown(complete: Characterisation) -> None:
    """What tests would have missed at half a per cent or more, the worst first."""
    unseen = {"glazing": 0.012, "dead zone": 0.004, "packs apart in friction": None, "running in": 0.02}
    diagnostics = complete.diagnostics.model_copy(update={"unseen": unseen, "detectable": 0.02})
    trust = verdict(complete.model_copy(update={"diagnostics": diagnostics})).trust
    assert "packs apart in friction, running in below 2 %, glazing below 1 %" in trust
    assert "dead zone" not in trust


def test_everything_that_is_wrong_is_said(doubtful: Characterisation) -> None:
    """Each separate verdict of the fit that failed is a reason of its own; notes are none."""
    cautions = " | ".join(verdict(doubtful).cautions)
    for reason in (
        "did not converge",
        "different starts",
        "bound of what is plausible: joint fraction",
        "limits are wider where the law misses",
        "preload law is undecided",
        "disagree on friction coefficient by spring force",
        "3 of the key numbers are not determined",
        "one slip direction only",
    ):
        assert reason in cautions
    assert "spikes" not in cautions


def check(distance: float) -> SheetCheck:
    return SheetCheck(
        quantity="effective ramp angle, drive", from_bench=44.0, from_sheet=45.0, unit="deg",
        standard_uncertainties=distance, readings="",
    )  # fmt: skip


def told(result: Characterisation) -> str:
    return " ".join(text_of(summary(result), 100).split())


def test_a_stated_law_that_is_contradicted_is_read_with_care(complete: Characterisation) -> None:
    """214 in BIC for the additive law, which was measured; stated, the greater-of law is contradicted."""
    law = {"chosen": "greater-of", "status": "stated", "information": {"additive": 0.0, "greater-of": 214.0}}
    stated = complete.model_copy(update={"law": complete.law.model_copy(update=law)})
    against = "the sweeps speak against the preload law of the build sheet"
    assert against in verdict(stated).cautions
    assert against not in verdict(complete).cautions


def test_checks_disagree_beyond_two_standard_uncertainties(complete: Characterisation) -> None:
    """At the 95 % level; a distance that is no number counts as disagreement."""

    def said(distance: float) -> str:
        return told(complete.model_copy(update={"sheet_checks": [check(distance)]}))

    assert "; agree, 1.9 standard uncertainties apart" in said(-1.9)
    assert "disagree, 2.1 standard uncertainties apart" in said(-2.1)
    assert "disagree, nan standard uncertainties apart" in said(float("nan"))
    # 1 degree at 2.5 standard uncertainties: u = 0.40 degrees, so two decimals
    assert "drive: bench 44.00, sheet 45.00 deg; disagree, 2.5 standard uncertainties apart" in said(-2.5)
