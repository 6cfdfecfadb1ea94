"""What is told of departures, when packs that differ become unknowns, and which terms the limits hold: by
scores that are given."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.stats import norm

from diffbench.conditioning import Finding
from diffbench.documents.rig import Allowance
from diffbench.fitting import departures
from diffbench.fitting.departures import (
    DEPARTURES,
    Asked,
    Score,
    departure_findings,
    loudest,
    may_enter,
    packs_finding,
    settled,
)

AGAIN = "Run the first sweep again at the end of the visit: what has come back is temperature, the rest time."
EXCHANGE = "Exchange left and right on the bench: what turns with the unit is the packs, what stays is not."
NO_TERM = "The law that is fitted has no such term; the limits of the map are wider where it misses."


def score(
    name: str,
    t: float,
    *,
    size: float = 0.02,
    u: float = 0.002,
    chance: float = 1e-6,
    reach: float = 0.9,
    column: Sequence[float] = (1.0, 0.0, 0.0),
) -> Score:
    """One term of a bench."""
    departure = next(one for one in DEPARTURES if one.name == name)
    return Score(departure, size, u, t, chance, reach, np.array(column))


def told(monkeypatch: pytest.MonkeyPatch, scores: Sequence[Score], **options: Any) -> list[Finding]:
    """What a user is told where a bench has these; the plates' coefficient is -0.12 %/K."""
    usual = options.pop("usual", 0.0)
    every = Asked(tuple(scores), **{"limit": 1e-3, "freedom": 6, "rest": 1.0, **options})
    monkeypatch.setattr(departures, "asked", lambda *_: every)
    names = SimpleNamespace(value=lambda x, name: x[name])
    candidate: Any = SimpleNamespace(names=names, x={"temperature_coefficient": -0.0012})
    left: Any = SimpleNamespace()
    found, terms = departure_findings(candidate, left, Allowance(running_in=usual))
    assert terms == replace(every, usual=usual)
    return found


def test_one_departure_is_told_by_name_size_and_run(monkeypatch: pytest.MonkeyPatch) -> None:
    """As more than a note from half a per cent of the locking torque on; of a flange's drift never."""
    (found,) = told(monkeypatch, [score("dead zone", 8.0)])
    assert found == Finding(
        "unit departs from the law",
        "caveat",
        "dead zone",
        "Cycles agree on something that the law does not hold; of the known departures this fits best: small "
        "input torques lock +2 ± 0.2 % of the largest locking torque less than the ramps beyond say. That is "
        "no proof of the cause.",
        NO_TERM,
        "Add a slow sweep about zero input torque.",
    )
    for reach, severity in ((0.249, "note"), (0.251, "caveat")):
        assert told(monkeypatch, [score("dead zone", 8.0, reach=reach)])[0].severity == severity
    assert told(monkeypatch, [score("drift of a flange", 8.0)])[0].severity == "note"
    # by chance, or no larger than any law is off by: nothing
    assert told(monkeypatch, [score("dead zone", 8.0, chance=1.01e-3)]) == []
    for reach, alarms in ((0.0349, 0), (0.0351, 1)):
        assert len(told(monkeypatch, [score("dead zone", 8.0, reach=reach)])) == alarms


def test_departures_that_are_as_likely_are_told_beside_each_other(monkeypatch: pytest.MonkeyPatch) -> None:
    """exp(-(8² - 7.9²)/2/(1 + 0.8²)) of the weight: with its share, what it would mean, and whether one visit
    can tell them apart."""
    other = math.exp(-0.5 * (64.0 - 7.9**2) / 1.64)
    first, last = (f"{100.0 * weight / (1.0 + other):.0f} %" for weight in (1.0, other))
    bent = "friction bends by -2 ± 0.2 % from the middle of the plate temperatures to an end"
    pair = [score("dead zone", 8.0), score("curved temperature", -7.9, size=-0.02, column=(0.0, 1.0, 0.0))]
    (found,) = told(monkeypatch, pair)
    assert found.where == f"dead zone ({first}) or curved temperature ({last})"
    assert found.effect == f"As likely as its weight says: {bent}."
    assert found.mend == (
        "Add a slow sweep about zero input torque. Add sweeps at three temperatures of the oil, the middle "
        "one twice."
    )
    pair[1] = score("curved temperature", -7.9, size=-0.02, column=(-0.91, math.sqrt(1.0 - 0.91**2), 0.0))
    (found,) = told(monkeypatch, pair)
    assert found.effect == (
        "One visit does not tell it from curved temperature: they are confounded. As likely as its weight "
        f"says: {bent}."
    )
    # of five, four are named and three told; two runs at most
    names = ("dead zone", "smooth joint", "curved drive ramp", "curved coast ramp", "spring hysteresis")
    (found,) = told(monkeypatch, [score(name, 8.0) for name in names])
    assert found.where == " or ".join(f"{name} (20 %)" for name in names[:4])
    assert found.effect.startswith(
        "One visit does not tell it from smooth joint and curved drive ramp and curved coast ramp: they are "
        "confounded. As likely as its weight says: preload and ramps together lock more about the opening"
    )
    assert found.effect.count("; or ") == 2
    assert found.mend == (
        "Add a slow sweep about zero input torque. Add a slow sweep about the torque at which the ramps "
        "overcome the preload, on both flanks."
    )


@pytest.mark.parametrize(("t", "severity"), [(8.0, "caveat"), (7.72, "caveat"), (7.70, "note")])
def test_a_departure_is_grave_by_the_weight_of_what_matters(
    monkeypatch: pytest.MonkeyPatch, t: float, severity: str
) -> None:
    """The likeliest is small; from a fifth of the weight on the other, large one is more than a note."""
    weight = math.exp(-0.5 * (64.0 - t**2) / 1.64)
    assert (weight / (1.0 + weight) > 0.2) is (severity == "caveat")
    pair = [score("dead zone", 8.0, reach=0.1), score("curved drive ramp", t)]
    assert told(monkeypatch, pair)[0].severity == severity


def test_a_change_that_may_be_temperature_is_told_with_both_readings(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a visit that only warms: 1.2 % of friction may be gone for good, or follow the plates; a caveat
    where that is likelier than not, silent where less than half a per cent would matter."""

    def of(size: float, u: float, reach: float = 1.0) -> list[Finding]:
        one = score("running in", size / u, size=size, u=u, chance=0.02, reach=reach)
        return told(monkeypatch, [one], warms=True, usual=0.03)

    size, u = -0.012, 0.006
    share = 0.03**2 / (0.03**2 + u**2)
    evidence = math.sqrt(1.0 - share) * math.exp(0.5 * share * (size / u) ** 2)
    likely = 0.1 * evidence / (0.9 + 0.1 * evidence)
    left = math.sqrt(share * (share * size**2 + u**2))
    (found,) = of(size, u)
    assert found == Finding(
        "time not told from temperature",
        "note",
        "friction over time and plate temperature",
        "The visit only warms up. Either friction follows the plates by -0.12 %/K and nothing lasts, or "
        f"friction changed by -1.2 ± 0.6 % over the visit, most at first (running in, {100 * likely:.0f} %), "
        "for good, and it follows them less.",
        f"The limits hold both, {100.0 * left:.2g} % of the locking torque apart where that is most.",
        f"{AGAIN} Of a unit that is known to be run in, state running_in = 0 in the rig's allowance.",
    )
    assert of(-0.012, 0.003)[0].severity == "caveat"
    for reach, count in ((0.99 * 0.005 / left, 0), (1.01 * 0.005 / left, 1)):
        assert len(of(size, u, reach)) == count


def at(entering: float, instead: float, *, chance: float = 1e-6) -> Asked:
    """Packs that differ, and worn ramps, as loud as that."""
    scores = (
        score("dead zone", 20.0), score("packs apart in friction", -entering, chance=chance),
        score("packs apart in spring", 0.5 * entering), score("worn left ramps", instead),
        score("worn right ramps", -0.3 * instead),
    )  # fmt: skip
    return Asked(scores, limit=1e-3, freedom=6)


def test_packs_become_unknowns_where_they_explain_more_than_worn_ramps() -> None:
    """By the louder of those that are alarmed, whatever else is louder; and stay where worn ramps then do not
    call half as loud."""
    assert (loudest(at(8.0, 6.0), "enters"), loudest(at(8.0, 6.0), "instead")) == (8.0, 6.0)
    assert loudest(at(8.0, 6.0, chance=0.1), "enters") == 4.0
    assert loudest(Asked(), "enters") == loudest(Asked(), "instead") == 0.0
    assert may_enter(at(8.0, 7.9))
    assert not may_enter(at(8.0, 8.0))
    assert not may_enter(Asked())
    assert settled(at(8.0, 7.0), at(1.0, 3.9))
    assert not settled(at(8.0, 7.0), at(1.0, 4.0))


def test_packs_that_differ_are_told_in_numbers() -> None:
    """Where they are unknowns of the fit; by place, whatever else is in it."""
    names = ("viscous", "packs_apart_preload", "packs_apart_ramps")

    class Names(tuple[str, ...]):
        @property
        def position(self) -> dict[str, int]:
            return {name: i for i, name in enumerate(self)}

    candidate: Any = SimpleNamespace(names=Names(names), x=np.array([0.3, 0.031, -0.012]))
    covariance: Any = SimpleNamespace(total=np.diag([0.1, 0.004, 0.002]) ** 2)
    assert packs_finding(candidate, covariance) == [
        Finding(
            "packs apart",
            "note",
            "left against right pack",
            "The preload of the left pack locks +3.1 ± 0.4 % more than the mean of both, its ramps "
            "-1.2 ± 0.2 %: alike it is the friction, of the preload alone the springs.",
            "Both are unknowns of the fit; numbers and map are of the mean of both slip directions.",
            EXCHANGE,
        )
    ]
    plain: Any = SimpleNamespace(names=("viscous",), x=np.array([0.3]))
    assert packs_finding(plain, covariance) == []


@pytest.mark.parametrize(("share", "warms"), [(0.91, True), (-0.91, True), (0.89, False), (-0.89, False)])
def test_terms_that_one_visit_cannot_tell_apart(share: float, warms: bool) -> None:
    """By the correlation of their columns, whatever their size; of time and heat on one that warms."""
    one = score("dead zone", 8.0, column=(3.0, 0.0, 0.0))
    other = score("glazing", 7.0, column=(0.2 * share, 0.2 * math.sqrt(1.0 - share**2), 0.0))
    both = score("curved temperature", 7.0, column=(0.0, 0.0, 1.0))
    assert Asked().alike(one, other) is warms
    for warming in (True, False):
        asked = Asked(warms=warming)
        assert asked.of_time(other, both) is asked.alike(other, both) is warming
        assert not asked.of_time(one, both)
        assert not asked.alike(one, both)


def test_the_limits_hold_the_surest_term_and_what_it_leaves() -> None:
    """A is alarmed with 8 on a column of 3. B goes with it by 0.6: of its 6 it leaves 6 - 0.6 · 8 = 1.2 on
    0.8 of its column, 1.5; C by nothing: its 5 stays, on a column of 2. The noise of the rest, 1.7, asks for
    3.29 √1.7."""
    least = norm.isf(0.5e-3) * math.sqrt(1.7)

    def held(t: float, **c: Any) -> list[tuple[str, float]]:
        scores = (
            score("dead zone", 8.0, size=0.016, column=(3.0, 0.0, 0.0)),
            score("curved drive ramp", 6.0, column=(0.6, 0.8, 0.0)),
            score("smooth joint", t, column=(0.0, 0.0, 2.0), **c),
        )
        asked = Asked(scores, limit=1e-3, freedom=6, rest=1.7)
        ((_, weight),) = asked.readings()
        found = [(one.departure.name, size) for one, size in asked.sizes()]
        assert found[0] == ("dead zone", pytest.approx(0.016 * math.sqrt(weight)))
        return found[1:]

    assert held(5.0) == [("smooth joint", pytest.approx(2.5))]
    assert held(-5.0) == [("smooth joint", pytest.approx(-2.5))]
    assert len(held(1.01 * least)) == 1
    assert held(0.99 * least) == []
    assert held(5.0, chance=1e-3) == []
    # B alone would be sure enough; what A leaves of a column that is alike by more than 0.9 says nothing
    for share, count in ((0.89, 2), (0.91, 1)):
        scores = (
            score("dead zone", 9.0, column=(1.0, 0.0, 0.0)),
            score("curved drive ramp", 0.0, column=(share, math.sqrt(1.0 - share**2), 0.0)),
        )
        assert len(Asked(scores, limit=1e-3, freedom=6).sizes()) == count
    # six at most
    names = [one.name for one in DEPARTURES][:8]
    many = tuple(
        score(name, 9.0 - 0.9 * i, column=np.eye(8)[i].tolist()) for i, name in enumerate(reversed(names))
    )
    assert len(Asked(many, limit=1e-3, freedom=6, rest=0.1).sizes()) == 6


@pytest.mark.parametrize(("bent", "warms"), [(0, True), (3, True), (4, True), (5, False)])
def test_whether_a_visit_only_warms(bent: int, warms: bool) -> None:
    """By the correlation of ranks of time and temperature, up or down: twelve bins of which the last few come
    back: Spearman's 0.972 of three that do, 0.930 of four, 0.860 of five."""
    time = np.linspace(0.0, 1.0, 12)
    heat = np.exp(3.0 * time)
    heat[12 - bent :] = heat[12 - bent :][::-1] if bent else heat[12 - bent :]
    for sign in (1.0, -1.0):
        bins = SimpleNamespace(time=time)
        seen: Any = SimpleNamespace(bins=bins, heat=sign * heat)
        ranks = 1.0 - 6.0 * np.sum((np.argsort(np.argsort(heat)) - np.arange(12.0)) ** 2) / (12 * 143)
        assert bool(abs(ranks) > 0.9) is warms
        assert departures._only_warms(seen) is warms


@dataclasses.dataclass
class Left:
    """What a law leaves out, as far as limits are made of it."""

    state: Any
    bins: Any


def test_limits_hold_what_the_map_would_be_off_by_under_each_term(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each with its size and its sign: what cells would show, and what of it is the unit's own. Numbers are
    those of the unit that leaves the bench, so that what lasts of a term is no error of theirs. A joint that
    opens bit by bit is as wide as it was found; a course that is known to a tenth is doubt of all places."""
    asked: dict[str, Any] = {}

    def softly(seen: Any) -> Any:
        return np.array([3.0, 4.0])

    def doubting(candidate: Any, left: Any, readings: Any, off: Any) -> str:
        asked.update(candidate=candidate, state=left.state, readings=readings, off=off)
        return "in the limits"

    def term(column: Any, own: tuple[float, float], of_unit: str, size: float = 1.0) -> Any:
        departure = SimpleNamespace(column=column, left_over=lambda seen: np.array(own), of_unit=of_unit)
        return SimpleNamespace(departure=departure, size=size)

    monkeypatch.setattr(departures, "_softly", softly)
    monkeypatch.setattr(departures, "doubting", doubting)
    monkeypatch.setattr(departures, "sight", lambda candidate, bins, largest: (candidate, bins, largest))
    ended = term(lambda seen: np.array([1.0, 2.0]), (0.01, 0.02), "end")
    joint = term(softly, (0.0, 0.0), "all")
    lasting = term(lambda seen: np.array([5.0, 6.0]), (0.03, 0.01), "end", size=-0.7)
    state = SimpleNamespace(once=0.004, largest_Nm=400.0, model_copy=lambda update: update)
    left: Any = Left(state, SimpleNamespace(locking=np.array([50.0, 60.0])))
    terms: Any = SimpleNamespace(
        alarmed=[ended], sizes=lambda: [(ended, 2.0), (joint, -0.5)], lasting=(lasting, 0.3, 0.25)
    )
    assert departures.in_limits("form", left, terms) == "in the limits"  # type: ignore[arg-type, comparison-overlap]
    shown, own = zip(*asked["readings"], strict=True)
    assert [one.tolist() for one in shown] == [[2.0, 4.0], [-1.5, -2.0], [-1.25, -1.5]]
    assert np.array(own) == pytest.approx(np.array([[0.02, 0.04], [0.0, 0.0], [-0.0075, -0.0025]]))
    assert [one.tolist() for one in asked["off"]] == [
        pytest.approx([2.0 - 1.0, 4.0 - 2.4]), [-1.5, -2.0],
        pytest.approx([-1.25 + 0.0075 * 50.0, -1.5 + 0.0025 * 60.0]),
    ]  # fmt: skip
    course = departures.COURSE * math.sqrt((0.02**2 + 0.04**2) / 2.0)
    assert asked["state"] == {"joint": 0.5, "once": pytest.approx(math.hypot(0.004, course))}
    # what is not alarmed is not held, but for what may last; and nothing where there is none
    quiet: Any = SimpleNamespace(alarmed=[], sizes=lambda: [(ended, 2.0)], lasting=(lasting, 0.3, 0.25))
    departures.in_limits("form", left, quiet)  # type: ignore[arg-type]
    assert (len(asked["readings"]), asked["state"]["joint"]) == (1, 0.0)
    assert departures.in_limits("form", None, terms) is None  # type: ignore[arg-type]
    none: Any = SimpleNamespace(alarmed=[], sizes=lambda: [(ended, 2.0)], lasting=None)
    assert departures.in_limits("form", left, none) is left  # type: ignore[arg-type]
