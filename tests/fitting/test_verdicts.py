"""The verdict on the preload law, by information and by what stood aside, at its borders."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from diffbench.fitting import choose


def closed(share: float, law: str = "greater-of") -> Any:
    """A candidate whose contact passes on a share."""
    own = SimpleNamespace(name=law, unknowns=(), closed_share=lambda values: share, linear=False)
    names = SimpleNamespace(values=lambda x, unknowns: ())
    return SimpleNamespace(form=SimpleNamespace(preload=own, law=law), names=names, x=np.zeros(0))


@pytest.mark.parametrize(
    ("information", "chosen", "status", "reason"),
    [
        (
            {"additive": 0.0, "greater-of": 12.34}, "additive", "measured",
            "the additive law explains the sweeps better, by 12.3 in BIC (above 10 is decisive)",
        ),
        (
            {"additive": 1000.0, "greater-of": 0.0}, "greater-of", "measured",
            "the greater-of law explains the sweeps better, by more than 1000 in BIC (above 10 is decisive)",
        ),
        (
            {"additive": 999.4, "greater-of": 0.0}, "greater-of", "measured",
            "the greater-of law explains the sweeps better, by 999 in BIC (above 10 is decisive)",
        ),
        (
            {"additive": 0.0, "greater-of": 10.0}, "additive", "undecided",
            ("the sweeps do not tell the laws apart (BIC differs by 10, 10 is needed): sweep "
            "to an input torque "
            "at which the ramps clearly overcome the preload, or state the law in the build sheet"),
        ),
        (
            {"additive": 3.26, "greater-of": 0.0}, "greater-of", "undecided",
            ("the sweeps do not tell the laws apart (BIC differs by 3.3, 10 is needed): sweep "
            "to an input torque "
            "at which the ramps clearly overcome the preload, or state the law in the build sheet"),
        ),
    ],
)  # fmt: skip
def test_by_what_sweeps_say(information: dict[str, float], chosen: str, status: str, reason: str) -> None:
    found = choose._verdict("undecided", information, [])
    assert (found.chosen, found.status, found.information) == (chosen, status, information)
    assert found.reason == reason


@pytest.mark.parametrize(
    ("information", "doubt"),
    [
        ({"additive": 10.0, "greater-of": 0.0}, ""),
        (
            {"additive": 12.34, "greater-of": 0.0},
            "; the sweeps speak against it: the greater-of law is ahead by 12.3 in BIC",
        ),
        ({"additive": 0.0, "greater-of": 400.0}, ""),
        ({"additive": 0.0}, ""),
    ],
)
def test_a_stated_law_holds_and_what_speaks_against_it_is_told(
    information: dict[str, float], doubt: str
) -> None:
    found = choose._verdict("additive", information, [(closed(0.2), 1.0)])
    assert (found.chosen, found.status, found.information) == ("additive", "stated", information)
    assert found.reason == f"the build sheet states the additive law{doubt}"


@pytest.mark.parametrize(
    ("share", "behind", "doubtful"),
    [(0.3, 9.9, True), (0.301, 9.9, False), (0.3, 10.0, False), (0.12, -4.0, True)],
)
def test_a_contact_that_never_opened(share: float, behind: float, doubtful: bool) -> None:
    """May be a clamped stack that passes on no more than three tenths, if the sweeps allow it; of several the
    nearest."""
    aside = [(closed(0.5), behind + 1.0), (closed(share), behind)]
    found = choose._verdict("undecided", {"additive": 0.0}, aside)
    needs = (
        f"a greater-of contact would have to pass on {100 * share:.0f} % of the ramp thrust and never open"
    )
    assert (found.chosen, found.status) == ("additive", "undecided" if doubtful else "measured")
    assert found.information == {"additive": 0.0, "greater-of": max(behind, 0.0)}
    more = (
        ": a clamped stack may do that, so sweep to a higher input torque, or state the law in "
        "the build sheet; "
        "the numbers hold for both laws as far as was swept"
    )
    assert found.reason == needs + (more if doubtful else ", which is no clamped stack")
    # another candidate of that law stands: then the sweeps decide
    both = choose._verdict("undecided", {"additive": 0.0, "greater-of": 30.0}, aside)
    assert both.status == "measured"
    assert both.reason.startswith("the additive law explains the sweeps better, by 30 in BIC")


def form(law: str, score: float, *, seen: bool = True) -> Any:
    """A candidate with so much chi-squared, and no unknown that is free."""
    linear = law == "additive"
    unknowns = (SimpleNamespace(fixed=True), SimpleNamespace(fixed=False))
    return SimpleNamespace(
        form=SimpleNamespace(law=law, preload=SimpleNamespace(linear=linear)), seen=seen,
        names=SimpleNamespace(unknowns=unknowns), chi2=lambda noise: score,
    )  # fmt: skip


class TestWeights:
    NOISE: Any = SimpleNamespace(effective=np.e**3)

    @pytest.fixture(autouse=True)
    def ramps(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(choose, "ramp_seen", lambda own, flank: own.seen and flank == "coast")

    def test_information_counts_free_unknowns(self) -> None:
        """By ln n of the effective number; of two at least."""
        assert choose._information(form("additive", 40.0), self.NOISE) == pytest.approx(43.0)
        few: Any = SimpleNamespace(effective=0.5)
        assert choose._information(form("additive", 40.0), few) == pytest.approx(40.0 + np.log(2.0))

    def test_within_a_law_and_without(self) -> None:
        """exp(-difference/2) within the chosen law, over those of a thousandth and more; of both
        where neither
        is decided."""
        forms = [
            form("greater-of", 60.0),
            form("additive", 42.0),
            form("additive", 40.0),
            form("additive", 53.9),
        ]
        found = choose._weighed("undecided", forms, {}, self.NOISE)
        assert found.candidates == (forms[2], forms[1])
        assert found.weights == pytest.approx((1.0 / (1.0 + np.exp(-1.0)), 1.0 / (1.0 + np.e)))
        assert found.verdict.information == {"additive": 0.0, "greater-of": 20.0}
        assert found.best is forms[2]
        near = [form("greater-of", 44.0), form("additive", 40.0)]
        both = choose._weighed("undecided", near, {"other": 80.0}, self.NOISE)
        assert both.candidates == (near[1], near[0])
        assert both.weights == pytest.approx((1.0 / (1.0 + np.exp(-2.0)), 1.0 / (1.0 + np.e**2)))
        assert both.verdict.information == {"other": 80.0, "additive": 0.0, "greater-of": 4.0}

    def test_what_never_opened_stands_aside_unless_it_is_stated(self) -> None:
        forms = [form("greater-of", 30.0, seen=False), form("additive", 40.0)]
        forms[0].form.preload.name, forms[0].form.preload.unknowns = "greater-of", ()
        forms[0].form.preload.closed_share, forms[0].x = (lambda values: 0.2), np.zeros(0)
        forms[0].names.values = lambda x, unknowns: ()
        found = choose._weighed("undecided", forms, {}, self.NOISE)
        assert found.candidates == (forms[1],)
        assert found.verdict.information == {"additive": 0.0, "greater-of": 0.0}
        stated = choose._weighed("greater-of", forms, {}, self.NOISE)
        assert stated.candidates == (forms[0],)
        alone = choose._weighed("undecided", forms[:1], {}, self.NOISE)
        assert (alone.candidates, alone.weights) == ((forms[0],), (1.0,))
