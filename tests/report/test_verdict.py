"""The one thing to read: limits and trust."""

from __future__ import annotations

import pytest

from diffbench.report import summary, text_of, verdict
from diffbench.results import Characterisation, LimitVerdict, SheetCheck


def limit(verdict_of_one: str) -> LimitVerdict:
    return LimitVerdict(quantity="preload_torque", low=75.0, high=95.0, unit="N·m", verdict=verdict_of_one)


@pytest.mark.parametrize(
    ("limits", "words"),
    [
        ([], "No limits stated"),
        (["within"], "Within limits"),
        (["within", "not proven"], "Limits not proven"),
        (["not proven", "outside", "within"], "Out of limits"),
    ],
)
def test_the_worst_limit_decides(complete: Characterisation, limits: list[str], words: str) -> None:
    """One limit outside makes the whole outside; one not proven leaves it not proven."""
    result = complete.model_copy(update={"limits": [limit(v) for v in limits]})
    assert verdict(result).words == words


def test_each_limit_is_a_sentence_with_its_numbers(doubtful: Characterisation) -> None:
    """Outside says on which side, not proven says why, not determined leaves it open."""
    below, straddles, unknown = verdict(doubtful).sentences
    # 83.2137 ± 1.96 · 1.2964
    assert below == "preload torque 83.2 N·m (95 %: 80.7 to 85.8) is below 90 to 110 N·m"
    assert "lies inside 0.44 to 0.46, but its interval reaches beyond it: neither is proven" in straddles
    assert unknown == "ramp bias, coast is not determined: whether it holds 0.25 to 0.35 is open"


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


def test_checks_disagree_beyond_two_standard_uncertainties(complete: Characterisation) -> None:
    """At the 95 % level; a distance that is no number counts as disagreement."""

    def said(distance: float) -> str:
        return told(complete.model_copy(update={"sheet_checks": [check(distance)]}))

    assert "; agree, 1.9 standard uncertainties apart" in said(-1.9)
    assert "disagree, 2.1 standard uncertainties apart" in said(-2.1)
    assert "disagree, nan standard uncertainties apart" in said(float("nan"))
    # 1 degree at 2.5 standard uncertainties: u = 0.40 degrees, so two decimals
    assert "drive: bench 44.00, sheet 45.00 deg; disagree, 2.5 standard uncertainties apart" in said(-2.5)
