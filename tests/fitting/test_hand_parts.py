"""What readings by hand determine, how forms are weighed, and when they contradict each other: by numbers."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.stats import chi2, f

from diffbench.conditioning import Friction
from diffbench.fitting import hand
from diffbench.fitting.hand import Determined
from diffbench.fitting.parameters import Combined
from diffbench.fitting.unknowns import Names, Unknown

KINETIC, STATIC = int(Friction.KINETIC), int(Friction.STATIC)


def test_unknowns_as_readings_by_hand_need_them() -> None:
    """Cold oil drags by a range of its own; a speed of the friction law has a part of its range; a bias may
    come out below zero; all others stay."""
    found = hand._for_hands(Unknown("viscous", 0.2, knowledge="weak", prior=0.2, prior_u=1.0), 1.6)
    assert (found.prior, found.prior_u, found.start) == (0.2, 0.3, 0.2)
    speed = Unknown("stribeck_speed", -3.0, logarithm=True, knowledge="weak", prior=-4.0, prior_u=1.5)
    for part in (-0.8, 1.6):
        found = hand._for_hands(speed, part)
        assert (found.start, found.prior, found.prior_u) == pytest.approx(
            (-4.0 + 1.5 * part, -4.0 + 1.5 * part, 0.9)
        )
        assert found.logarithm
    bias = Unknown("ramp_bias_drive[a]", 0.3, low=0.0, high=3.0)
    assert (hand._for_hands(bias, 0.8).low, hand._for_hands(bias, 0.8).high) == (-1.0, 3.0)
    other = Unknown("preload", 80.0, low=0.0)
    assert hand._for_hands(other, 0.8) is other
    names = (
        "preload",
        "heat_capacity",
        "plate_excess[2]",
        "unloading_ratio_drive",
        "ramp_start[0]",
        "viscous",
    )
    idle = hand._idle(Names(tuple(Unknown(name, 0.0) for name in names)))
    assert idle.tolist() == [False, True, True, True, True, False]


def test_the_parts_of_a_range_are_as_wide_as_it_is() -> None:
    """As likely as chosen, their middles scatter with what each lacks in width: 1 - 0.6², nearly."""
    parts, left = np.array(hand.PARTS), 1.0 - hand.PART_WIDTH**2
    weights = np.exp(-0.5 * parts**2 / left)
    variance = weights @ parts**2 / weights.sum()
    assert variance + hand.PART_WIDTH**2 == pytest.approx(1.0, abs=0.06)


def form(cost: float, part: float, preload: float, jacobian: Any = ((1.0,),)) -> Any:
    """A form that was fitted: one unknown of which something is known, unless there are more."""
    rows = np.array(jacobian)
    unknowns = [SimpleNamespace(fixed=False) for _ in range(rows.shape[1])]
    names = SimpleNamespace(unknowns=unknowns, precision=np.full(len(unknowns), 3.0))
    solution = SimpleNamespace(cost=cost, jacobian=rows, x=np.full(len(unknowns), 2.0))
    return SimpleNamespace(names=names, solution=solution, part=part, first_preload=preload)


def test_the_evidence_of_a_form() -> None:
    """Laplace's: the cost and half of the logarithm of the information's determinant, without what is fixed;
    of what nothing is known, by its logarithm, so that its own size counts: here 2."""
    rows = np.array([[1.0, 0.2, 9.0], [0.5, -1.0, 9.0], [2.0, 0.3, 9.0]])
    one = form(7.5, 0.0, 80.0, rows)
    one.names.unknowns[2].fixed = True
    information = rows[:, :2].T @ rows[:, :2] + 3.0 * np.eye(2)
    assert hand._evidence(one) == pytest.approx(-7.5 - 0.5 * math.log(np.linalg.det(information)))
    one.names.precision = np.array([3.0, 0.0, 0.0])
    scaled = rows[:, :2] * [1.0, 2.0]
    information = scaled.T @ scaled + np.diag([3.0, 0.0])
    assert hand._evidence(one) == pytest.approx(-7.5 - 0.5 * math.log(np.linalg.det(information)))


def test_forms_are_weighed_and_the_middle_one_comes_first() -> None:
    """exp(-cost - part²/2/0.64); below a hundredth none counts; the first is the one by whose preload half of
    the weight is reached, the others by their weight."""
    given = [form(10.0, 0.0, 84.0), form(9.7, 0.8, 80.0), form(11.0, -0.8, 76.0), form(16.0, 0.0, 90.0)]
    scores = np.array([-10.0, -9.7 - 0.5, -11.0 - 0.5, -16.0])
    weights = np.exp(scores[:3]) / np.exp(scores[:3]).sum()
    below = np.cumsum(weights[[2, 1, 0]])
    assert below[0] < 0.5 < below[1]
    found = hand._weighed(given)
    assert [one.first_preload for one, _ in found] == [80.0, 84.0, 76.0]
    assert [weight for _, weight in found] == pytest.approx(weights[[1, 0, 2]].tolist())
    # a hundredth of all: by the ones that count
    for cost, count in ((10.0 + math.log(98.0), 2), (10.0 + math.log(100.0), 1)):
        assert len(hand._weighed([form(10.0, 0.0, 80.0), form(cost, 0.0, 81.0)])) == count


def candidate_of(unknowns: list[Unknown], x: list[float], **parts: Any) -> Any:
    names = Names(tuple(unknowns))
    return SimpleNamespace(names=names, x=np.array(x), **parts)


def test_what_readings_determine_by_their_information(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two readings of a + b and one of c, each known to 0.5: nothing tells a from b; with what is stated, and
    with the plausible range of what carries, it is told."""
    slopes = np.array([[1.0, 1.0, 0.0, 0.0], [1.0, 1.0, 0.0, 0.0], [0.0, 0.0, 2.0, 0.0]])
    monkeypatch.setattr(hand, "_slopes_of_one_condition", lambda _: slopes)
    noise = SimpleNamespace(sigma=np.full(3, 0.5))

    def of(first: Unknown, *, carried: bool = False) -> Determined:
        unknowns = [first, Unknown("b", 0.0), Unknown("c", 0.0, logarithm=True), Unknown("d", 1.0, 1.0, 1.0)]
        return Determined.of(candidate_of(unknowns, [3.0, 4.0, -2.0, 1.0], noise=noise), carried=carried)

    free = Unknown("a", 0.0)
    found = of(free)
    assert found.u(np.array([1.0, 1.0, 0.0, 0.0])) == pytest.approx(0.5 / math.sqrt(2.0))
    assert found.u(np.array([0.0, 0.0, 1.0, 0.0])) == pytest.approx(0.25)
    assert found.u(np.array([2.0, 2.0, -1.0, 0.0])) == pytest.approx(math.hypot(1.0 / math.sqrt(2.0), 0.25))
    for alone in (0, 1):
        assert found.u(np.eye(4)[alone]) is None
    # of what is fixed, nothing is asked
    assert found.u(np.array([0.0, 0.0, 0.0, 1.0])) == 0.0
    assert found.u(np.array([1.0, 1.0, 0.0, 7.0])) == pytest.approx(0.5 / math.sqrt(2.0))
    # a million parts of what nothing tells are rounding
    for share, told in ((0.9e-3, True), (1.2e-3, False)):
        skew = np.array([(1.0 + share) / 3.0, (1.0 - share) / 4.0, 0.0, 0.0])
        even = Determined(np.array([[math.sqrt(0.5), math.sqrt(0.5), 0.0, 0.0]]), np.array([2.0]), found.size)
        assert (even.u(skew) is not None) is told
    stated = Unknown("a", 0.0, knowledge="stated", prior_u=0.2)
    assert of(stated).u(np.eye(4)[0]) == pytest.approx(0.2)
    assert of(stated).u(np.eye(4)[1]) == pytest.approx(math.hypot(0.2, 0.5 / math.sqrt(2.0)))
    weak = Unknown("a", 0.0, knowledge="weak", prior_u=0.2)
    assert of(weak).u(np.eye(4)[0]) is None
    carries = Unknown("temperature_coefficient", 0.0, knowledge="weak", prior_u=0.2)
    assert of(carries).u(np.eye(4)[0]) is None
    assert of(carries, carried=True).u(np.eye(4)[0]) == pytest.approx(0.2)
    corrects = Unknown("viscous", 0.0, knowledge="weak", prior_u=0.2)
    assert of(corrects).u(np.eye(4)[0]) == pytest.approx(0.2)


@pytest.mark.parametrize(
    ("alone", "uncarried", "budget", "status"),
    [
        (1.0, 1.0, {"noise": 1.0}, "measured"),
        (None, 1.0, {"noise": 1.0}, "not-determined"),
        (39.9, 39.9, {"noise": 1.0}, "measured"),  # half of the value
        (40.1, 1.0, {"noise": 1.0}, "not-determined"),
        (1.0, None, {"noise": 1.0}, "carried"),
        (1.0, 40.1, {"noise": 1.0}, "carried"),
        # a fifth of the variance by plausible ranges, or by what forms differ by
        (1.0, 1.0, {"noise": 1.0, "weak: plate heat": 0.49}, "measured"),
        (1.0, 1.0, {"noise": 1.0, "weak: plate heat": 0.51}, "carried"),
        (1.0, 1.0, {"noise": 1.0, "form of the model": 0.51}, "carried"),
        (1.0, 1.0, {"noise": 1.0, "weak: plate heat": 0.37, "weak: oil": 0.35}, "carried"),
        # no reading tells of it: a thousandth of its doubt is by their scatter
        (1.0, 1.0, {"noise": 0.9e-3, "spring force (build sheet)": 1.0}, "stated"),
        (1.0, 1.0, {"noise": 1.1e-3, "spring force (build sheet)": 1.0}, "measured"),
        (1.0, None, {"spring force (build sheet)": 1.0}, "not-determined"),
    ],
)
def test_the_standing_of_a_quantity(
    monkeypatch: pytest.MonkeyPatch,
    alone: float | None,
    uncarried: float | None,
    budget: dict[str, float],
    status: str,
) -> None:
    """Of 80 N·m: by its doubt with and without what carries, and by where that comes from."""
    told = {True: alone, False: uncarried}
    monkeypatch.setattr(hand, "_slope", lambda *_: np.zeros(1))
    monkeypatch.setattr(
        hand, "_determined", lambda _, *, carried: SimpleNamespace(u=lambda __: told[carried])
    )
    u = math.sqrt(sum(part**2 for part in budget.values()))
    estimate: Any = SimpleNamespace(scale=9.0)
    combined = Combined(-80.0, u, budget, math.inf, estimate)
    candidate: Any = SimpleNamespace()
    assert hand.standing_of(combined, [candidate] * 2, [estimate] * 2) == status
    assert hand.standing_of(combined, [candidate] * 2, [estimate, None]) == "not-determined"
    wide = Combined(-80.0, 40.1, {"noise": 40.1}, math.inf, estimate)
    assert hand.standing_of(wide, [candidate], [estimate]) == "not-determined"
    # of nearly nothing, by its scale
    small = Combined(1.0, 0.5, budget, math.inf, estimate)
    for doubt, known in ((4.4, True), (4.6, False)):
        told[True] = doubt
        standing = hand.standing_of(small, [candidate], [estimate])
        assert (standing != "not-determined") is known or (uncarried is None and "noise" not in budget)


def test_where_readings_were_taken_in_words(data_of: Any) -> None:
    """As warm and slow as they ran, said with what nobody read; at breakaway, where none ran. The map reaches
    over the torque through the case, to the reference speed and temperature."""
    data = data_of(
        cells=4, input_torque=np.array([0.0, 0.0, 240.0, -130.0]),
        speed_difference=np.array([0.2, 0.8, 0.5, 0.7]), friction_state=np.full(4, KINETIC),
    )  # fmt: skip
    heat = np.array([20.0, 24.0, 30.0, 32.0])

    def at(data: Any, by_hand: Any = None, visits: Any = (0,)) -> Any:
        object.__setattr__(data, "by_hand", by_hand)
        model = SimpleNamespace(
            data=data, plate_temperature=lambda _: heat,
            reference=SimpleNamespace(temperature=60.0, speed_difference=4.0),
        )  # fmt: skip
        return SimpleNamespace(model=model, x=None)

    told = hand.condition_as_read(at(data), [0])
    assert (told.suffix, told.by_hand, told.words) == ("as_read", True, "at 22 °C and 0.4 rad/s, as read")
    assert (told.temperature, told.speed_difference) == pytest.approx((22.0, 0.4))
    for turning_u, read, words in (
        (0.0, True, "at 22 °C and 0.4 rad/s, as read"),
        (0.3, True, "at 22 °C and about 0.4 rad/s, as read"),
        (0.3, False, "at about 22 °C, which nobody read and about 0.4 rad/s, as read"),
    ):
        by_hand = SimpleNamespace(temperature_read=read, turning_u=turning_u)
        assert hand.condition_as_read(at(data, by_hand), [0]).words == words
    still = data_of(cells=4, friction_state=np.full(4, STATIC))
    told = hand.condition_as_read(at(still), [0])
    assert (told.temperature, told.speed_difference, told.by_hand) == (26.5, 0.0, False)
    assert told.words == "at breakaway, 26.5 °C, as read"
    assert hand.reach_of_readings(at(data)) == {
        "input_torque_Nm": (-130.0, 240.0),
        "speed_difference_rad_s": (0.0, 4.0),
        "temperature_degC": (20.0, 60.0),
    }
    assert set(hand.reach_of_readings(at(still))) == {"speed_difference_rad_s", "temperature_degC"}


def test_readings_that_differ_by_little_count_as_of_one_condition(data_of: Any) -> None:
    """Within 5 K at their mean, and within four times the speed at the geometric mean, build by build."""

    def model(heat: list[float], speed: list[float]) -> Any:
        data = data_of(
            cells=3, visit=np.array([0, 0, 1]), oil=np.array(heat), speed_difference=np.array(speed),
            friction_state=np.full(3, KINETIC), refit_spread=np.zeros((2, 2)),
        )  # fmt: skip
        places = (SimpleNamespace(preload=0), SimpleNamespace(preload=1))
        made = SimpleNamespace(data=data, sharing=SimpleNamespace(places=places), on=lambda changed: changed)
        return hand._of_one_condition(made)  # type: ignore[arg-type]

    found = model([20.0, 25.0, 40.0], [0.2, 0.8, 3.0])
    assert found.plate.tolist() == found.oil.tolist() == [22.5, 22.5, 40.0]
    assert found.speed_difference == pytest.approx([0.4, 0.4, 3.0])
    found = model([20.0, 25.1, 40.0], [0.2, 0.81, 3.0])
    assert found.plate.tolist() == [20.0, 25.1, 40.0]
    assert found.speed_difference == pytest.approx([0.2, 0.81, 3.0])


def test_the_largest_bias_that_readings_prove(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two standard uncertainties below the value, over flanks and builds; nothing below nothing, nor of what
    is not determined."""
    names = ("drive[a]", "drive[b]", "coast")
    u = {0: 0.05, 1: None, 2: 0.02}
    told = SimpleNamespace(u=lambda gradient: u[int(np.argmax(gradient))])
    monkeypatch.setattr(Determined, "of", classmethod(lambda *_, carried: told if carried else None))
    sharing = SimpleNamespace(drive_biases=names[:2], coast_biases=names[2:])
    candidate = candidate_of(
        [Unknown(name, 0.0) for name in names], [0.45, 0.9, 0.31], model=SimpleNamespace(sharing=sharing)
    )
    assert hand._least_bias(candidate) == pytest.approx(0.35)
    u[0] = 0.1
    assert hand._least_bias(candidate) == pytest.approx(0.27)
    u.update({0: None, 2: 0.2})
    assert hand._least_bias(candidate) == 0.0


@pytest.mark.parametrize(
    ("stated", "least", "status", "laws"),
    [
        ("greater-of", 0.9, "stated", ["greater-of"]),
        ("undecided", 0.301, "measured", ["additive"]),
        ("undecided", 0.299, "undecided", ["additive", "greater-of"]),
    ],
)
def test_which_preload_law_readings_by_hand_leave(
    monkeypatch: pytest.MonkeyPatch, stated: str, least: float, status: str, laws: list[str]
) -> None:
    """As the sheet states; else additive, which a bias above what a closed contact passes on proves. Both
    have as much weight, and twice the difference of their costs is told."""
    costs = {"additive": (12.0, 11.0), "greater-of": (14.5, 13.0)}

    def of_law(_: Any, law: str, __: Any) -> list[Any]:
        return [form(cost, 0.0, 80.0 + i) for i, cost in enumerate(costs[law])]

    monkeypatch.setattr(hand, "_of_law", of_law)
    monkeypatch.setattr(hand, "_least_bias", lambda _: least)
    setup: Any = SimpleNamespace(builds=[SimpleNamespace(preload=SimpleNamespace(law=stated))])
    found = hand.choose_by_hand(setup, progress=lambda _: None)
    assert (found.verdict.status, found.verdict.chosen) == (status, laws[0])
    assert list(found.verdict.information) == laws
    assert list(found.verdict.information.values()) == [0.0, 4.0][: len(laws)]
    assert sum(found.weights) == pytest.approx(1.0)
    own = np.array(found.weights).reshape(len(laws), 2).sum(axis=1)
    assert own == pytest.approx(np.full(len(laws), 1.0 / len(laws)))
    said = {
        "stated": "the build sheet states the greater-of law",
        "measured": "a ramp bias above 0.30 was read with the case held: a clamped stack whose contact is "
        "closed passes on no more than 0.3 of the ramp thrust (common practice, no source)",
        "undecided": "readings by hand do not tell the preload laws apart here: state the law in the build "
        "sheet, or sweep to an input torque at which the ramps clearly overcome the preload",
    }
    assert found.verdict.reason == said[status]


def readings(
    data_of: Any,
    free: float,
    held: float,
    *,
    alike: int = 4,
    law: str = "additive",
    off: float = 0.0,
    **parts: Any,
) -> Any:
    """Readings as locking torques, free and held, of 1 N·m each; residuals of the free ones are ``off``."""
    torque = np.repeat([0.0, held], alike)
    run = np.repeat([0, 1], alike)
    by_hand = SimpleNamespace(freedom=parts.pop("freedom", 12.0), told="")
    data = data_of(
        cells=2 * alike, input_torque=torque, difference=np.repeat([free, held], alike), run=run,
        friction_state=np.full(2 * alike, parts.pop("state", KINETIC)), by_hand=by_hand,
        run_names=("readings.csv (free, running)", "readings.csv (held, running)"),
    )  # fmt: skip
    residual = np.repeat([off, 0.0], alike)
    unknown = Unknown("temperature_coefficient", 0.0, knowledge="weak", prior=0.0, prior_u=0.002)
    own = SimpleNamespace(name="joint_fraction")
    jacobian = np.zeros((2 * alike, 1))
    return SimpleNamespace(
        model=SimpleNamespace(
            data=data, sharing=SimpleNamespace(places=(SimpleNamespace(preload=0),), preloads=("preload",))
        ),
        names=Names((unknown,)), x=np.array([parts.pop("x", 0.0)]), residual=residual,
        noise=SimpleNamespace(sigma=np.ones(2 * alike)), solution=SimpleNamespace(jacobian=jacobian),
        form=SimpleNamespace(law=law, preload=SimpleNamespace(linear=law == "additive", unknowns=(own,))),
    )  # fmt: skip


def test_groups_of_readings_that_contradict_each_other(data_of: Any) -> None:
    """Four readings whose mean is off by so many standard uncertainties, beside four that are met: the square
    over two groups by Fisher's F with the scatter's twelve degrees of freedom. A caveat below one in a
    thousand, below one in a million no number at all."""

    def square(chance: float) -> float:
        return float(2.0 * f.isf(chance, 2, 12))

    for chance, severity in ((1.01e-3, None), (0.99e-3, "caveat"), (1.01e-6, "caveat"), (0.99e-6, "stop")):
        off = -math.sqrt(square(chance) / 4.0)
        found = hand.contradictions(readings(data_of, 80.0, 200.0, off=off))
        if severity is None:
            assert found == []
            continue
        (one,) = found
        assert (one.name, one.severity) == ("readings contradict each other", severity)
        assert one.where == "readings.csv (free, running)"
        rarely = "less than one in a million" if severity == "stop" else f"one in {1.0 / chance:,.0f}"
        assert one.evidence == (
            f"Their mean is {100.0 * abs(off) / 80.0:.3g} % off what the other readings say under the law; "
            f"by scatter alone that has a chance of {rarely}."
        )
        assert one.effect.startswith("No number rests" if severity == "stop" else "Numbers that rest on them")
        assert one.mend.startswith("Check that the words for the arrangements and for breakaway and running")
    assert hand.contradictions(readings(data_of, 80.0, 200.0, state=int(Friction.SLIDING))) == []


@pytest.mark.parametrize(
    ("free", "held", "law", "told"),
    [
        (80.0, 90.0, "additive", ""),
        # as much as 15 % may speed and temperature take: 0.85 · 80 less five times √(0.85² + 1) · 0.5 N·m
        (80.0, 0.85 * 80.0 - 5.0 * math.hypot(0.425, 0.5) + 0.05, "additive", ""),
        (80.0, 0.85 * 80.0 - 5.0 * math.hypot(0.425, 0.5) - 0.05, "additive", "at least twice"),
        # a closed contact passes on 0.3, and the mesh 0.1: 80/0.6, and five times what is in doubt there
        (80.0, (80.0 + 5.0 * math.hypot(0.425, 0.5)) / 0.6 - 0.05, "greater-of", ""),
        (80.0, (80.0 + 5.0 * math.hypot(0.425, 0.5)) / 0.6 + 0.05, "greater-of", "the law may be the fault"),
        (80.0, 400.0, "additive", ""),
    ],
)
def test_readings_that_no_unit_gives(data_of: Any, free: float, held: float, law: str, told: str) -> None:
    """With the case held a wrench reads at least twice as much, under a clamped stack about that."""
    found = hand.contradictions(readings(data_of, free, held, law=law))
    if not told:
        assert found == []
        return
    (one,) = found
    assert (one.severity, one.where) == ("stop", "readings.csv")
    assert told in one.evidence
    assert (
        f"{held:.4g} N·m with the case held (drive), {0.5 * free:.4g} N·m with the case free" in one.evidence
    )
    assert one.effect == "No number rests on them, and no limit is judged."


def test_readings_that_ask_for_what_no_unit_has(data_of: Any) -> None:
    """An unknown as far from its plausible middle as one in a million: of two groups less one preload, one
    degree of freedom."""
    limit = 0.002 * math.sqrt(chi2.isf(1e-6, 1))
    assert hand.contradictions(readings(data_of, 80.0, 200.0, x=0.99 * limit)) == []
    (found,) = hand.contradictions(readings(data_of, 80.0, 200.0, x=-1.01 * limit))
    assert found.evidence == (
        "They go together only with friction, oil or ramps far outside what any unit has: by chance that is "
        "less than one in a million."
    )


def test_slopes_of_readings_are_local_and_of_the_torque_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """Beside locking a reading bends sharply: differences are a thousandth of a search's steps wide. What a
    contact passes on counts at what is plausible at least, or it would not show; the oil's drag counts not at
    all; what moves no reading is not moved."""
    asked: dict[str, Any] = {}

    def told(residual: Any, x: Any, step: Any, low: Any, high: Any) -> str:
        asked.update(x=x.tolist(), step=step.tolist(), low=low, high=high, residual=residual)
        return "slopes"

    monkeypatch.setattr(hand, "jacobian", told)
    monkeypatch.setattr(
        hand, "_of_one_condition", lambda model: SimpleNamespace(residual=f"one {model.name}")
    )
    idle = hand.IDLE[0]
    names = Names(
        tuple(
            Unknown(name, 0.0, low=-9.0, high=9.0) for name in ("preload", "joint", "other", "viscous", idle)
        )
    )
    own = [SimpleNamespace(name="joint", prior=0.1), SimpleNamespace(name="other", prior=0.2)]
    candidate: Any = SimpleNamespace(
        names=names, x=np.array([80.0, 0.02, 0.7, 0.25, 3.0]), steps=np.array([8.0, 2.0, 3.0, 4.0, 5.0]),
        form=SimpleNamespace(preload=SimpleNamespace(unknowns=own)), model=SimpleNamespace(name="condition"),
    )  # fmt: skip
    assert hand._slopes_of_one_condition.__wrapped__(candidate) == "slopes"  # type: ignore[comparison-overlap]
    assert asked["x"] == [80.0, 0.1, 0.7, 0.0, 3.0]
    assert asked["step"] == pytest.approx([8e-3, 2e-3, 3e-3, 4e-3, 0.0])
    assert asked["residual"] == "one condition"
    assert (asked["low"][0], asked["high"][0]) == (-9.0, 9.0)
    assert candidate.x.tolist() == [80.0, 0.02, 0.7, 0.25, 3.0]
    monkeypatch.setattr(hand, "jacobian", lambda f, x, step, *_: np.array([step]))
    of = SimpleNamespace(quantity=lambda x: x.sum(), gradient=np.zeros(5))
    assert hand._slope(candidate, of) == pytest.approx(1e-3 * candidate.steps)  # type: ignore[arg-type]
    assert hand._slope(candidate, SimpleNamespace(quantity=None, gradient="given")) == "given"  # type: ignore[arg-type, comparison-overlap]
