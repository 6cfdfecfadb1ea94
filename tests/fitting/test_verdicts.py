"""The verdict on the preload law, by information and by what stood aside, at its borders."""

from __future__ import annotations

import dataclasses
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


class TestChoosing:
    """Which laws are fitted to the end, in which order, and which are given up."""

    @pytest.fixture
    def fitted(self, monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
        """Costs of first looks, what the light of the leader makes of them, and what they come to, by law;
        what was fitted, and what it was weighed with."""
        told: dict[str, Any] = {"look": {}, "light": {}, "end": {}, "seen": {}, "begun": []}
        noise: Any = SimpleNamespace(effective=np.e**3)

        def candidate(law: str, score: float) -> Any:
            made = form(law, score, seen=told["seen"].get(law, True))
            made.noise, made.solution = noise, SimpleNamespace(cost=score)
            return made

        def of_law(model: Any, begin: Any) -> list[Any]:
            told["begun"].append((begin.form.law, begin.solution.cost))
            return [candidate(begin.form.law, score) for score in told["end"][begin.form.law]]

        def light(look: Any, leader: Any) -> Any:
            told["begun"].append(("by the light of", leader.solution.cost))
            return candidate(look.form.law, told["light"][look.form.law])

        monkeypatch.setattr(choose, "ramp_seen", lambda own, flank: own.seen and flank == "drive")
        monkeypatch.setattr(choose, "first_look", lambda law: candidate(law, told["look"][law]))
        monkeypatch.setattr(choose, "in_the_light_of", light)
        monkeypatch.setattr(choose, "_of_law", of_law)
        monkeypatch.setattr(choose, "_weighed", lambda *given: given)
        return told

    def chosen(self, stated: str = "undecided") -> tuple[Any, list[str]]:
        setup: Any = SimpleNamespace(
            builds=[SimpleNamespace(preload=SimpleNamespace(law=stated))],
            model=lambda form: form.preload.name,
        )
        said: list[str] = []
        return choose.choose(setup, progress=said.append), said

    def test_the_law_that_looks_better_is_fitted_first_and_the_other_in_its_light(
        self, fitted: dict[str, Any]
    ) -> None:
        """Sixty of chi-squared behind the best of the first law, it is given up."""
        fitted["look"] = {"additive": 90.0, "greater-of": 50.0}
        fitted["end"] = {"additive": [43.0, 70.0], "greater-of": [48.0, 40.0]}
        for behind, kept in ((59.9, True), (60.1, False)):
            fitted["begun"].clear()
            fitted["light"] = {"additive": 40.0 + behind}
            (stated, candidates, information, noise), said = self.chosen()
            begun = [("greater-of", 50.0), ("by the light of", 40.0)]
            assert stated == "undecided"
            assert noise.effective == np.e**3
            if kept:
                assert fitted["begun"] == [*begun, ("additive", 40.0 + behind)]
                assert [one.solution.cost for one in candidates] == [48.0, 40.0, 43.0, 70.0]
                assert information == {}
            else:
                assert fitted["begun"] == begun
                assert [one.solution.cost for one in candidates] == [48.0, 40.0]
                assert information == {"additive": pytest.approx(behind)}
        assert said == [
            "searching: additive preload", "searching: greater-of preload",
            "fitting: greater-of preload", "fitting: additive preload",
        ]  # fmt: skip

    def test_a_law_that_is_stated_is_fitted_first(self, fitted: dict[str, Any]) -> None:
        fitted["look"] = {"additive": 90.0, "greater-of": 50.0}
        fitted["end"] = {"additive": [80.0], "greater-of": [40.0]}
        fitted["light"] = {"greater-of": 45.0}
        (stated, *_), _ = self.chosen("additive")
        assert stated == "additive"
        assert fitted["begun"] == [("additive", 90.0), ("by the light of", 80.0), ("greater-of", 45.0)]

    def test_no_law_is_given_up_by_one_whose_contact_never_opened(self, fitted: dict[str, Any]) -> None:
        """It may be the other one with smaller ramps."""
        fitted["look"] = {"additive": 90.0, "greater-of": 50.0}
        fitted["end"] = {"additive": [45.0], "greater-of": [40.0]}
        fitted["seen"] = {"greater-of": False}
        (_, candidates, information, _), _ = self.chosen()
        assert fitted["begun"] == [("greater-of", 50.0), ("additive", 90.0)]
        assert (len(candidates), information) == (2, {})


class TestPacksApart:
    """Packs that may differ become unknowns where sweeps both ways round pay for them."""

    NOISE: Any = SimpleNamespace(effective=np.e**3)

    def asked(
        self,
        monkeypatch: pytest.MonkeyPatch,
        with_packs: dict[int, float],
        *,
        sources: int = 2,
        one_way: bool = False,
    ) -> Any:
        """What comes of 100 of chi-squared without packs, and of so much with them by the errors of the bench
        that are kept."""
        bare = SimpleNamespace(sources=("own",))
        data = SimpleNamespace(
            direction=np.array([1.0, 1.0 if one_way else -1.0]), sources=("own", "seen")[:sources],
            without_sources=lambda ends: bare if ends == choose.AS_SEEN else data,
        )  # fmt: skip

        @dataclasses.dataclass
        class Papers:
            data: Any
            builds: tuple[Any, ...]

        def with_them(candidates: Any, setup: Any) -> Any:
            found = form("additive", with_packs[len(setup.data.sources)])
            found.noise = self.NOISE
            return f"of {len(setup.data.sources)}", [found]

        monkeypatch.setattr(choose, "_with_packs", with_them)
        monkeypatch.setattr(choose, "_weighed", lambda *given: given)
        before: Any = SimpleNamespace(
            best=form("additive", 100.0), candidates=(),
            verdict=SimpleNamespace(information={"additive": 0.0, "greater-of": 33.0}),
        )  # fmt: skip
        stated = SimpleNamespace(preload=SimpleNamespace(law="undecided"))
        return choose.with_packs_apart(before, Papers(data, (stated,)))  # type: ignore[arg-type]

    def test_they_must_pay_for_themselves(self, monkeypatch: pytest.MonkeyPatch) -> None:
        assert self.asked(monkeypatch, {1: 90.1}, sources=1) is None
        ((stated, found, given_up, noise), apart) = self.asked(monkeypatch, {1: 89.9}, sources=1)
        assert (stated, found[0].chi2(noise), given_up, apart) == (
            "undecided",
            89.9,
            {"greater-of": 33.0},
            "of 1",
        )

    def test_one_way_round_they_cannot_be_told(self, monkeypatch: pytest.MonkeyPatch) -> None:
        assert self.asked(monkeypatch, {1: 1.0}, sources=1, one_way=True) is None

    def test_flanges_that_were_seen_to_differ_give_way(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Unless the sweeps cannot do without them, by sixty."""
        assert self.asked(monkeypatch, {2: 20.0, 1: 79.9})[1] == "of 1"
        assert self.asked(monkeypatch, {2: 20.0, 1: 80.1})[1] == "of 2"


def test_packs_are_taken_from_the_fit_so_far_and_once_more(monkeypatch: pytest.MonkeyPatch) -> None:
    """What they differ by is on the ramps, which the fit moves: forms begin where they stood."""

    @dataclasses.dataclass
    class Data:
        apart: str | None = None

    @dataclasses.dataclass
    class Papers:
        data: Data

        def model(self, law: str) -> tuple[str, str | None]:
            return law, self.data.apart

    def fitted(model: tuple[str, str | None], *, start: Any) -> Any:
        law, apart = model
        return SimpleNamespace(
            form=law, x=f"{start.x}+", model=SimpleNamespace(packs=lambda x: f"{law} by {x}"), apart=apart
        )

    monkeypatch.setattr(choose, "fit_form", fitted)
    begin: Any = [
        SimpleNamespace(form=law, x=law[0], model=SimpleNamespace(packs=lambda x: f"begin by {x}"))
        for law in ("additive", "greater-of")
    ]
    apart: Any
    apart, found = choose._with_packs(begin, Papers(Data()))  # type: ignore[arg-type]
    assert [(one.form, one.x, one.apart) for one in found] == [  # type: ignore[attr-defined]
        ("additive", "a++", "additive by a+"), ("greater-of", "g++", "additive by a+"),
    ]  # fmt: skip
    assert apart.data.apart == "additive by a+"


@pytest.mark.parametrize(("further", "starts"), [(1.0, True), (-1.0, False)])
def test_each_friction_law_begins_where_the_simplest_ended(
    monkeypatch: pytest.MonkeyPatch, further: float, starts: bool
) -> None:
    """And is searched from several starts where it explains more than that; rivals of each stay in."""
    noise: Any = SimpleNamespace(effective=np.e**3)
    asked: list[Any] = []

    def fitted(model: Any, *, start: Any, starts: bool = False) -> Any:
        asked.append((model, starts))
        made = form("additive", 40.0 if model == "first" else 40.0 - further)
        made.noise, made.model, made.form.preload.name = noise, model, "additive"
        made.rivals = (f"rival of {model}",)
        return made

    monkeypatch.setattr(choose, "fit_form", fitted)
    monkeypatch.setattr(choose, "Form", lambda preload, friction: friction)
    monkeypatch.setattr(choose, "MORE_FRICTION", ("second", "third"))
    begin: Any = SimpleNamespace(model="first")
    found = choose._of_law(lambda law: law, begin)  # type: ignore[arg-type, return-value]
    again = [("second", False), ("second", True), ("third", False), ("third", True)]
    assert asked == [("first", True), *(again if starts else again[::2])]
    assert found[1::2] == ["rival of first", "rival of second", "rival of third"]  # type: ignore[comparison-overlap]
    assert [one.model for one in found[::2]] == ["first", "second", "third"]
