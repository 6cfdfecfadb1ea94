"""How visits are held against each other: values, errors in common and words, by numbers."""

from __future__ import annotations

import math
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.stats import chi2

from diffbench.errors import FitError
from diffbench.fitting import pooling
from diffbench.fitting.pooling import refits_apart
from diffbench.fitting.unknowns import Names, Unknown


def rig(name: str = "Cell", *, preload: float | None = 0.015, bias: float | None = 0.01) -> Any:
    repeatability = SimpleNamespace(preload_torque=preload, ramp_bias=bias)
    return SimpleNamespace(name=name, repeatability=repeatability, model_dump=lambda: {"name": name})


def visit(sheet: str, build: str = "a") -> Any:
    return SimpleNamespace(run_sheet_path=Path(sheet), build=SimpleNamespace(build=build, unit="Q17"))


def alone(sheet: str, *, build: str = "a", rigs: tuple[Any, ...] = (), **parts: Any) -> Any:
    """A visit that was fitted by itself: two unknowns, the first of which is asked for."""
    names = Names((Unknown("ask", 0.0), Unknown("other", 0.0)))
    x = np.array([parts.pop("value", 4.0), 2.0])
    candidate = SimpleNamespace(names=names, x=x)
    others = [SimpleNamespace(names=names, x=np.array([one, 2.0])) for one in parts.pop("others", ())]
    weights = parts.pop("weights", (1.0,))
    shares = parts.pop("shares", {})
    covariance = SimpleNamespace(
        total=np.diag([0.04, 0.01]), noise=np.diag([parts.pop("noise", 0.03) ** 2, 0.01]),
        shares={source: np.array([[size, 0.0], [0.0, 0.1]]) for source, (_, size) in shares.items()},
        origins={source: (name, "unused") for source, (name, _) in shares.items()},
    )  # fmt: skip
    told = [SimpleNamespace(rig=one) for one in (rigs or (rig(),))]
    choice = SimpleNamespace(best=candidate, candidates=(candidate, *others), weights=weights)
    own = visit(sheet, build)
    return SimpleNamespace(
        visit=own, parts=told, choice=choice, covariances=[covariance],
        bench=" ".join(one.rig.name for one in told),
    )  # fmt: skip


def question(part: str = "preload", unit: str = "N·m") -> Any:
    def size(candidate: Any, x: Any) -> float:
        return 20.0 * float(x[0])

    return SimpleNamespace(
        words="preload torque", unit=unit, part=part, size=size, quantity=lambda _, x: float(x[0]),
        key=lambda build: build.build,
    )  # fmt: skip


def test_what_a_visit_by_itself_says() -> None:
    """Its value; errors in common by their name, that of a temperature by its bench; what is its own with
    noise and what other forms say."""
    own = alone(
        "run.toml", others=(4.2,), weights=(0.7, 0.3),
        shares={
            "transducer gain": ("error:6b:left.gain", 0.02),
            "temperature reading": ("error:temperature", 0.05),
            "what the law leaves out": ("left out", 0.04), "plate heat": ("plate_excess[0]", 0.06),
        },
    )  # fmt: skip
    answer = pooling._answer(question(), own)
    assert answer is not None
    who, value, columns, variance = answer
    assert (who, value) == (own, 4.0)
    of_visit = [name for name in ("left out", "plate_excess[0]") if name.startswith(pooling.OF_A_VISIT)]
    size = {"left out": 0.04, "plate_excess[0]": 0.06}
    kept = {"error:6b:left.gain": 0.02, ("error:temperature", "Cell"): 0.05}
    kept |= {name: size[name] for name in size if name not in of_visit}
    assert {key: columns[key] for key in kept} == pytest.approx(kept)
    assert columns.get("unused", 0.0) == 0.0
    own_part = 0.03**2 + sum(size[name] ** 2 for name in of_visit) + 0.3 * 0.2**2
    assert variance == pytest.approx(own_part)
    # of the shape of friction no rig states a refit: the one of the biases counts; unstated, a usual one
    for part, refit in (("ramps", 0.0), ("shape", 0.01)):
        told = pooling._answer(question(part), alone("run.toml"))
        assert told is not None
        assert told[3] == pytest.approx(0.03**2 + refit**2)
    blind = pooling._answer(question(), alone("run.toml", rigs=(rig(preload=None),)))
    assert blind is not None
    assert blind[3] == pytest.approx(0.03**2 + pooling.UNSTATED**2)


def test_what_rests_on_what_is_plausible_says_nothing() -> None:
    """More than a fifth of a variance, of a doubt that is not small."""
    share, small = pooling.LEANING_SHARE, pooling.LEANING_U
    for part, told in ((0.98 * share, True), (1.02 * share, False)):
        weak = 0.05 * math.sqrt(part / (1.0 - part))
        own = alone("run.toml", noise=0.05, shares={"weak: plate heat": ("heat", weak)})
        assert (pooling._answer(question(), own) is not None) is (told or math.hypot(0.05, weak) <= small)
    noise = 0.5 * small
    own = alone("run.toml", noise=noise, shares={"weak: plate heat": ("heat", 0.8 * small)})
    assert pooling._answer(question(), own) is not None
    own = alone("run.toml", noise=noise, shares={"weak: plate heat": ("heat", small)})
    assert pooling._answer(question(), own) is None


def test_visits_that_contradict_each_other_are_told_with_their_numbers() -> None:
    """Two values whose difference is known to √2 times each one's own: below the level both are told, the
    largest first, by how much they are apart, and what to do."""
    u = 0.03

    def ask(step: float, *, builds: tuple[str, str] = ("a", "a"), common: float = 0.0, **parts: Any) -> Any:
        shares = {"transducer gain": ("error:6b:left.gain", common)} if common else {}
        owns = [
            alone("first.toml", value=4.0, build=builds[0], shares=shares, **parts),
            alone("last.toml", value=4.0 + step, build=builds[1], shares=shares, **parts),
        ]
        return pooling._ask(question(), owns, 1e-3)

    limit = math.sqrt(2.0 * chi2.isf(1e-3, 1)) * u
    assert ask(0.99 * limit) is None
    chance, fault = ask(1.01 * limit)
    assert chance == pytest.approx(chi2.sf((1.01 * limit) ** 2 / (2.0 * u**2), 1))
    assert fault.what == (
        "the visits contradict each other, and one number for all would be wrong: preload torque is "
        f"{20.0 * (4.0 + 1.01 * limit):.4g} N·m in last.toml, 80 N·m in first.toml, each by itself; that is "
        f"{1.01 * math.sqrt(chi2.isf(1e-3, 1)):.1f} standard uncertainties apart, by the rig's repeatability "
        "(1.5 %) and the doubts of each"
    )
    assert str(fault.place) == "last.toml"
    assert fault.mend == (
        "hold them against each other: diffbench compare first.toml last.toml; if the unit changed in "
        "between, give the later state a build name of its own"
    )
    _, fault = ask(-1.5 * limit, builds=("a", "b"))
    assert "80 N·m in first.toml, " in fault.what
    assert fault.mend.endswith(
        "builds that are fitted together must be of one unit in one state: fit them apart"
    )
    # what both have in common tells nothing of their difference
    assert ask(0.99 * limit, common=5.0) is None
    assert ask(1.01 * limit, common=5.0) is not None
    # of rigs that do not say, a usual refit
    wide = math.sqrt(2.0 * chi2.isf(1e-3, 1)) * math.hypot(0.03, pooling.UNSTATED)
    _, fault = ask(1.01 * wide, rigs=(rig(preload=None),))
    assert (
        f"were a refit to the bench to move {100 * pooling.UNSTATED:g} %, as the rig does not say"
        in fault.what
    )
    # one visit alone contradicts nobody
    assert pooling._ask(question(), [alone("first.toml")], 1e-3) is None


def test_what_a_rig_says_of_refits() -> None:
    """The largest of a visit's rigs, of preload or biases; nothing where one does not say."""
    own = alone("run.toml", rigs=(rig(), rig("other", preload=0.02, bias=0.004)))
    assert pooling._refit(question(), own) == 0.02
    assert pooling._refit(question("ramps"), own) == 0.01
    assert pooling._refit(question(), alone("run.toml", rigs=(rig(), rig("other", preload=None)))) is None
    assert pooling._yardstick(question(), [own, alone("x.toml"), alone("y.toml")]) == (
        "by the rig's repeatability (1.5 % and 2 %) and the doubts of each"
    )
    owns = [alone("a.toml"), alone("b.toml", rigs=(rig("Z", preload=None), rig("B", preload=0.0)))]
    (found,) = pooling._unstated(owns)
    assert (found.name, found.severity, found.where) == ("repeatability not stated", "caveat", "rig B, Z")
    assert found.evidence == "2 visits are fitted together, and the rig does not say what a refit moves."
    assert pooling._unstated(owns[:1]) == []


def test_visits_that_share_a_quantity() -> None:
    """Two or more each, by what the question asks of their builds."""
    visits = [visit("1", "a"), visit("2", "b"), visit("3", "a"), visit("4", "c"), visit("5", "b")]
    assert pooling._groups(question(), visits) == [[0, 2], [1, 4]]


def test_the_questions_and_what_each_is_measured_by(data_of: Any) -> None:
    """Preload and biases by their logarithms; friction over temperature by what it does over the oil's range,
    drag by its share of the locking torque at the highest speed."""
    names = {
        "preload_torque": 80.0,
        "temperature_coefficient": -0.002,
        "viscous": 0.3,
        "unloading_ratio_drive": 1.3,
    }
    data = data_of(
        cells=4, oil=np.array([50.0, np.nan, 70.0, 62.0]), speed_difference=np.array([1.0, 2.0, 10.0, 4.0]),
        difference=np.array([90.0, 100.0, 130.0, 110.0]),
    )  # fmt: skip

    class Told(dict[str, float]):
        def value(self, _: Any, name: str) -> float:
            return self[name]

    candidate: Any = SimpleNamespace(names=Told(names), model=SimpleNamespace(data=data))
    by_words = {one.words: one for one in pooling._QUESTIONS}
    x = np.zeros(0)
    preload = by_words["preload torque"]
    assert preload.quantity(candidate, x) == pytest.approx(math.log(80.0))
    assert (preload.size(candidate, x), preload.unit, preload.part) == (80.0, "N·m", "preload")
    heat = by_words["friction slope, temperature"]
    assert heat.quantity(candidate, x) == pytest.approx(-0.002 * 20.0)
    drag = by_words["viscous drag coefficient"]
    assert drag.quantity(candidate, x) == pytest.approx(0.3 * 10.0 / 105.0)
    ratio = by_words["unloading over loading ramp bias, drive"]
    assert (ratio.quantity(candidate, x), ratio.part) == (pytest.approx(math.log(1.3)), "shape")
    assert by_words["ramp bias, coast, loading"].part == "ramps"
    object.__setattr__(data, "oil", np.full(4, np.nan))
    assert heat.quantity(candidate, x) == 0.0
    # what a law does not bring is nothing
    other = next(one for words, one in by_words.items() if words == "joint fraction")
    assert other.size(candidate, x) == 0.0
    names_with = Told({**names, "joint_fraction": 0.25})
    candidate.names = names_with
    assert other.quantity(candidate, x) == pytest.approx(-math.log(0.75))


def test_the_refits_that_a_joint_fit_needs() -> None:
    """Two of one preload, in the rig's standard deviations: their squares by χ² with one degree of freedom
    at a share of the level; the number that each would ask for, with sheet and rig."""
    own = [
        Unknown("preload_torque", 80.0), Unknown("refit:preload[0]", 0.0), Unknown("refit:preload[1]", 0.0),
        Unknown("bias", 0.5), Unknown("refit:drive[0]", 0.0), Unknown("refit:drive[1]", 0.0),
    ]  # fmt: skip
    places = [SimpleNamespace(preload=0, drive=0, coast=0)] * 2
    sharing = SimpleNamespace(
        places=places, strengths=(("preload", ("preload_torque",)), ("drive", ("bias",)), ("coast", ("c",)))
    )
    data = SimpleNamespace(refit_spread=np.array([[0.015, 0.01], [0.02, 0.01]]))

    def best(*moved: float) -> Any:
        x = np.array([80.0, moved[0], moved[1], 0.5, moved[2], moved[3]])
        return SimpleNamespace(
            names=Names(tuple(own)), x=x, model=SimpleNamespace(sharing=sharing, data=data)
        )

    visits = [visit("first.toml"), visit("last.toml")]
    parts: Any = [[SimpleNamespace(rig=rig("A"))], [SimpleNamespace(rig=rig("B"))]]
    level = pooling.OF_THE_REFITS * pooling.LEVEL / 2.0
    limit = math.sqrt(chi2.isf(level, 1) / 2.0)
    refits_apart(best(0.99 * limit, -0.99 * limit, 0.0, 0.0), visits, parts)
    with pytest.raises(FitError) as refused:
        refits_apart(best(1.0 * limit, -1.02 * limit, 0.0, 0.0), visits, parts)
    (fault,) = refused.value.faults
    one, other = 80.0 * (1.0 + 0.015 * limit), 80.0 * (1.0 - 0.02 * 1.02 * limit)
    assert fault.what == (
        "what is fitted together contradicts itself, and one number for all would be wrong: preload torque "
        f"[N·m] would have to be {one:.4g} in first.toml (A), {other:.4g} in last.toml (B), "
        f"{1.02 * limit:.1f} times what the rig says of a refit"
    )
    assert str(fault.place) == "last.toml"
    with pytest.raises(FitError) as refused:
        refits_apart(best(0.0, 0.0, 1.5 * limit, -1.4 * limit), visits, parts)
    (fault,) = refused.value.faults
    assert (
        f"ramp bias, drive, loading would have to be {0.5 * (1.0 + 0.015 * limit):.4g} in first.toml (A)"
    ) in fault.what
    assert str(fault.place) == "first.toml"


def test_one_in_a_thousand_is_refused_by_chance_all_questions_together(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """0.45, 0.3 and 0.15 of it for preload, ramps and all else, each among the groups that are asked; what is
    least likely is told first, after what the sheets contradict each other in."""
    asked: list[tuple[str, list[str], float]] = []

    def ask(one: Any, owns: Any, level: float) -> Any:
        asked.append((one.words, [own.name for own in owns], level))
        chance = {"preload": 0.0004, "left": 0.0002}.get(one.words)
        return None if chance is None else (chance, f"fault of {one.words} in {owns[0].name}")

    def about(words: str, part: str, key: str) -> Any:
        return SimpleNamespace(words=words, part=part, key=lambda build: getattr(build, key))

    questions = [
        about("preload", "preload", "build"), about("left", "ramps", "unit"), about("right", "ramps", "unit"),
        about("slope", "shape", "unit"), about("drag", "shape", "none"),
    ]  # fmt: skip
    visits = [visit(f"{i}.toml", build) for i, build in enumerate("abab")]
    for i, one in enumerate(visits):
        one.build.none = i
    owns = [SimpleNamespace(name=name) for name in ("first", "second", "third", "fourth")]
    monkeypatch.setattr(pooling, "_QUESTIONS", questions)
    monkeypatch.setattr(pooling, "_ask", ask)
    monkeypatch.setattr(pooling, "_fitted_alone", lambda *_: owns)
    monkeypatch.setattr(pooling, "_unstated", lambda found: [len(found)])
    monkeypatch.setattr(pooling, "one_sheet", lambda _: ["fault of the sheets"])
    monkeypatch.setattr(pooling, "FitError", ValueError)
    with pytest.raises(ValueError, match="fault of the sheets") as refused:
        pooling.may_share(visits, [[]] * 4, print)
    assert refused.value.args[0] == [
        "fault of the sheets", "fault of left in first", "fault of preload in first",
        "fault of preload in second",
    ]  # fmt: skip
    every = ["first", "second", "third", "fourth"]
    assert [(words, whose) for words, whose, _ in asked] == [
        ("preload", ["first", "third"]), ("preload", ["second", "fourth"]), ("left", every), ("right", every),
        ("slope", every),
    ]  # fmt: skip
    assert [level for *_, level in asked] == pytest.approx([2.25e-4, 2.25e-4, 1.5e-4, 1.5e-4, 1.5e-4])
    monkeypatch.setattr(pooling, "_ask", lambda *_: None)
    monkeypatch.setattr(pooling, "one_sheet", lambda _: [])
    assert pooling.may_share(visits, [[]] * 4, print) == [4]
    monkeypatch.setattr(pooling, "one_sheet", lambda _: ["never asked"])
    assert pooling.may_share(visits[:1], [[]], print) == []


def test_visits_by_themselves_have_one_law(monkeypatch: pytest.MonkeyPatch) -> None:
    """That of the visit which tells it best; the others are fitted once more with that law as if stated."""
    told = {
        "1.toml": ("additive", {"additive": 0.0, "greater-of": 12.0}),
        "2.toml": ("greater-of", {"additive": 40.0, "greater-of": 0.0}),
        "3.toml": ("additive", {}),
    }
    asked: list[Any] = []

    class Told(SimpleNamespace):
        def model_copy(self, *, update: dict[str, Any]) -> Told:
            return Told(**{**vars(self), **update})

    def fitted(one: Any, build: Any, parts: Any, say: Any, which: str) -> Any:
        law = build.preload.law
        asked.append((str(one.run_sheet_path), law, parts, which))
        chosen, information = told[str(one.run_sheet_path)]
        verdict = SimpleNamespace(chosen=chosen if law == "undecided" else law, information=information)
        return SimpleNamespace(visit=one, parts=parts, choice=SimpleNamespace(verdict=verdict))

    monkeypatch.setattr(pooling, "_alone", fitted)
    visits = [visit(name) for name in told]
    for one in visits:
        one.build = Told(preload=Told(law="undecided"))
    parts: Any = ["p1", "p2", "p3"]
    owns = pooling._fitted_alone(visits, parts, print)
    assert [own.choice.verdict.chosen for own in owns] == ["greater-of"] * 3
    assert asked == [
        ("1.toml", "undecided", "p1", "1 of 3"), ("2.toml", "undecided", "p2", "2 of 3"),
        ("3.toml", "undecided", "p3", "3 of 3"),
        ("1.toml", "greater-of", "p1", "1 of 3"), ("3.toml", "greater-of", "p3", "3 of 3"),
    ]  # fmt: skip
    assert visits[0].build.preload.law == "undecided"
    asked.clear()
    told["2.toml"] = ("additive", {"greater-of": 5.0})
    pooling._fitted_alone(visits, parts, print)
    assert len(asked) == 3


def test_a_bench_goes_by_its_rigs() -> None:
    """Whatever their order, and however often each was used."""
    rigs = [SimpleNamespace(model_dump=lambda name=name: {"name": name}) for name in ("B", "A", "B")]
    own = pooling._Own(visit("x"), [SimpleNamespace(rig=one) for one in rigs], None, ())  # type: ignore[arg-type, list-item]
    assert own.bench == "{'name': 'A'} {'name': 'B'}"
