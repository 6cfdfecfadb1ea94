"""What somebody with a wrench is told: by which readings there are, case by case."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from diffbench.conditioning import Friction
from diffbench.definitions import DEFINITIONS
from diffbench.fitting import Estimate, hand
from diffbench.fitting.parameters import Combined
from diffbench.results import Parameter

KINETIC, STATIC = int(Friction.KINETIC), int(Friction.STATIC)


def candidates(readings: list[tuple[float, int]], *laws: str) -> list[Any]:
    """Forms of laws over readings: input torque and state of friction of each."""
    torque, state = (np.array(column) for column in zip(*readings, strict=True))
    data = SimpleNamespace(input_torque=torque.astype(float), friction_state=state)
    return [
        SimpleNamespace(
            model=SimpleNamespace(data=data),
            form=SimpleNamespace(law=law, preload=SimpleNamespace(linear=law == "additive")),
        )
        for law in laws or ("additive",)
    ]


FREE, HELD_DRIVE, HELD_COAST = (0.0, KINETIC), (300.0, KINETIC), (-160.0, KINETIC)
CAUTION = "with the case held a wrench reads several times more: mind its range"
NEARER = (
    "a bench that turns as fast and as warm as the reference; or, in [reference] of the build sheet, a "
    "temperature and a speed_difference nearer to those of the readings"
)
ONLY_BENCH = f"a bench, not a wrench: {DEFINITIONS['ramp_bias_drive_loading'].needs}"


@pytest.mark.parametrize(
    ("name", "readings", "laws", "said"),
    [
        (
            "preload_torque",
            [(0.0, STATIC)],
            ("additive",),
            "running readings, slowly turned, beside those at breakaway",
        ),
        (
            "preload_torque[a]",
            [(0.0, STATIC), HELD_DRIVE],
            ("additive",),
            "running readings with the case free, slowly turned, beside those at breakaway",
        ),
        (
            "preload_torque_as_read",
            [HELD_DRIVE],
            ("additive",),
            "readings with the case free and the other output held, beside those with the case held",
        ),
        (
            "preload_torque",
            [FREE, HELD_DRIVE],
            ("additive", "greater-of"),
            "the preload law in the build sheet",
        ),
        ("preload_torque", [FREE], ("additive", "greater-of"), NEARER),
        (
            "preload_torque_as_read",
            [FREE],
            ("additive", "greater-of"),
            "more readings of each kind and of less scatter, at one temperature and speed",
        ),
        ("locking_effect_drive", [FREE, HELD_DRIVE], ("additive",), NEARER),
        (
            "ramp_bias_drive_loading",
            [HELD_DRIVE],
            ("additive",),
            "readings with the case free and the other output held, beside those with the case held",
        ),
        ("ramp_bias_drive_loading", [FREE, HELD_DRIVE], ("greater-of",), ONLY_BENCH),
        (
            "ramp_bias_drive_loading",
            [FREE, HELD_DRIVE],
            ("additive", "greater-of"),
            "the preload law in the build sheet: under additive, these readings tell it; under "
            "greater-of only a bench: " + DEFINITIONS["ramp_bias_drive_loading"].needs,
        ),
        ("ramp_bias_drive_loading", [FREE, HELD_DRIVE], ("additive",), NEARER),
        (
            "ramp_bias_drive_as_read",
            [FREE, HELD_DRIVE],
            ("additive",),
            f"more readings with the case held, turned backward ({CAUTION})",
        ),
        (
            "ramp_bias_coast_as_read",
            [FREE, HELD_DRIVE],
            ("additive",),
            f"readings with the case held, turned forward ({CAUTION})",
        ),
        (
            "ramp_bias_drive_loading",
            [HELD_COAST],
            ("additive",),
            f"readings with the case held, turned backward, and with the case free beside them ({CAUTION})",
        ),
        (
            "ramp_bias_coast_as_read",
            [FREE, HELD_COAST],
            ("additive",),
            f"more readings with the case held, turned forward ({CAUTION})",
        ),
        (
            "ramp_bias_drive_unloading",
            [FREE, HELD_DRIVE],
            ("additive",),
            "a bench, not a wrench: what a bench needs",
        ),
        ("gear_friction", [FREE], ("additive",), "a value in the build sheet, or a build with other ramps"),
        ("heat_capacity", [FREE], ("additive",), "the plates' mass in the build sheet"),
        ("spring_force", [FREE], ("additive",), "the force from a press in the build sheet"),
        (
            "torque_bias_ratio_drive",
            [FREE],
            ("additive",),
            "a locking effect clearly below 1, or better known: near 1 the ratio has no bound",
        ),
        (
            "static_friction_excess",
            [FREE],
            ("additive",),
            "breakaway readings, from rest, beside the running ones",
        ),
        (
            "static_friction_excess",
            [(0.0, STATIC)],
            ("additive",),
            "running readings, slowly turned, beside those at breakaway",
        ),
        (
            "static_friction_excess",
            [FREE, (0.0, STATIC)],
            ("additive",),
            "a bench, not a wrench: a speed sweep through low speed differences",
        ),
        ("stribeck_speed", [FREE], ("additive",), "a bench, not a wrench: what a bench needs"),
    ],
)
def test_what_a_quantity_needs(
    name: str, readings: list[tuple[float, int]], laws: tuple[str, ...], said: str
) -> None:
    assert hand.needs_by_hand(name, candidates(readings, *laws), "what a bench needs") == said


@pytest.mark.parametrize(
    ("case", "state", "said"),
    [
        (
            "free",
            Friction.KINETIC,
            "10 running readings more with the case free and the other output held, turned either way",
        ),
        (
            "free",
            Friction.STATIC,
            (
                "10 breakaway readings more with the case free and the other output held, turned "
                "either way (breakaway "
                "comes suddenly: pull evenly, with a firm stand)"
            ),
        ),
        (
            "held",
            Friction.KINETIC,
            (
                "10 running readings more with the case held and the other output free, turned "
                "either way (the wrench "
                "reads about 9 N·m there: mind its range, and what holds the case)"
            ),
        ),
        (
            "held",
            Friction.STATIC,
            (
                "10 breakaway readings more with the case held and the other output free, turned "
                "either way (the wrench "
                "reads about 9 N·m there: mind its range, and what holds the case; breakaway comes "
                "suddenly: pull "
                "evenly, with a firm stand)"
            ),
        ),
    ],
)
def test_readings_to_take_come_with_their_cautions(case: str, state: Friction, said: str) -> None:
    assert hand._words(case, "either way", state, "about 9 N·m") == said


@pytest.mark.parametrize(
    ("flank", "reading", "said"),
    [
        (1.0, 559.4, "about 559 N·m"), (1.0, 560.0, "several times more than with the case free"),
        (-1.0, 319.6, "about 320 N·m"), (-1.0, 321.0, "several times more than with the case free"),
        (0.0, 10.0, "several times more than with the case free"),
    ],
)  # fmt: skip
def test_what_the_wrench_will_read_is_told_to_twice_what_it_read(
    flank: float, reading: float, said: str
) -> None:
    """On that flank: 280 N·m at most drive, 160 coast."""
    data = SimpleNamespace(
        difference=np.array([50.0, -280.0, 270.0, 160.0, -155.0]),
        input_torque=np.array([0.0, 280.0, 270.0, -160.0, -155.0]),
    )
    candidate: Any = SimpleNamespace(model=SimpleNamespace(data=data))
    assert hand._foretold(candidate, flank, reading) == said


@pytest.mark.parametrize(
    ("chance", "said"),
    [(9.9e-7, "less than one in a million"), (1e-6, "one in 1,000,000"), (4e-4, "one in 2,500")],
)
def test_how_rare_a_chance_is(chance: float, said: str) -> None:
    assert hand._rarely(chance) == said


def test_a_fall_that_is_worth_readings() -> None:
    """u of 2 and 3 by a gradient of one each: variances fall by 1 and 0.1; below nine tenths is told, by its
    logarithm; what would fall to nothing counts as a thousandth."""

    def item(u: float, *gradient: float) -> Combined:
        return Combined(80.0, u, {}, np.inf, Estimate(80.0, np.array(gradient), "N·m", "", "", 1.0))

    targets = {"a": item(2.0, 1.0, 0.0), "b": item(3.0, 0.0, 1.0)}
    worth, test = hand._offer("more", np.diag([1.0, 0.1]), targets)
    (gain,) = test.gains
    assert (test.run, gain.quantity, gain.unit, gain.u_now) == ("more", "a", "N·m", 2.0)
    assert gain.u_then == pytest.approx(np.sqrt(3.0))
    assert worth == pytest.approx(np.log(2.0 / np.sqrt(3.0)))
    for then, told in ((0.899, True), (0.901, False)):
        _, test = hand._offer("more", np.diag([4.0 * (1.0 - then**2), 0.0]), targets)
        assert bool(test.gains) is told
    worth, test = hand._offer("more", np.diag([5.0, 0.0]), targets)
    assert (test.gains[0].u_then, worth) == pytest.approx((0.0, np.log(1000.0)))


def test_without_numbers_that_contradict_each_other() -> None:
    """What a wrench can tell is as good as not read; what the sheet states, and what only a bench tells,
    stay."""

    def made(status: Any, **changes: Any) -> Parameter:
        known = {"value": 1.0, "u": 0.1, "low": 0.8, "high": 1.2, "unit": "1", "meaning": "m", "needs": None}
        return Parameter(**{**known, "status": status, **changes})

    stated, open_one = made("stated"), made("not-determined", value=None, needs="a bench")
    items = {
        "preload_torque": made("measured", at_input_torque_Nm=None),
        "gear_friction": stated,
        "viscous_coefficient": open_one,
        "ramp_bias_drive_as_read": open_one,
        "heat_capacity": made("carried"),
        "preload_torque_x": stated,
    }
    found = hand.without_contradicted(items)
    again = "readings that do not contradict each other: take both arrangements again"
    assert found["gear_friction"] is found["preload_torque_x"] is stated
    assert found["viscous_coefficient"] is open_one
    for name in ("preload_torque", "ramp_bias_drive_as_read", "heat_capacity"):
        assert (found[name].status, found[name].value, found[name].needs) == ("not-determined", None, again)


@pytest.mark.parametrize(("stated", "share"), [(None, 0.3), ((0.1, 0.02), 0.14)])
def test_what_a_closed_contact_passes_on(stated: tuple[float, float] | None, share: float) -> None:
    """As stated, by two of its standard uncertainties more; else what is plausible."""
    own = SimpleNamespace(name="joint_fraction")
    unknown = SimpleNamespace(
        name="joint_fraction", knowledge="stated" if stated else "weak",
        prior=stated[0] if stated else 0.2, prior_u=stated[1] if stated else 0.1,
    )  # fmt: skip
    other = SimpleNamespace(name="viscous", knowledge="stated", prior=9.0, prior_u=1.0)
    candidate: Any = SimpleNamespace(
        form=SimpleNamespace(preload=SimpleNamespace(unknowns=(own,))),
        names=SimpleNamespace(unknowns=(other, unknown)),
    )
    assert hand._passed_on(candidate) == pytest.approx(share)


def test_the_scatter_of_a_mean() -> None:
    candidate: Any = SimpleNamespace(noise=SimpleNamespace(sigma=np.array([3.0, 4.0, 9.0])))
    assert hand._of_mean(candidate, np.array([True, True, False])) == 2.5


def test_of_one_temperature_and_speed(data_of: Any) -> None:
    """As the running readings with the case free were, else the running ones, else all, at a stand-still;
    speeds by their geometric mean."""
    data = data_of(
        cells=5, input_torque=np.array([0.0, 0.0, 300.0, 300.0, 0.0]),
        speed_difference=np.array([0.2, 0.8, 0.5, 0.7, 0.0]),
        friction_state=np.array([KINETIC, KINETIC, KINETIC, KINETIC, STATIC]),
    )  # fmt: skip
    heat = np.array([20.0, 24.0, 30.0, 32.0, 40.0])
    mine = np.ones(5, dtype=bool)
    found = hand._as_read(data, heat, mine)
    assert found[:2] == pytest.approx((22.0, 0.4))
    assert found[2].tolist() == [True, True, True, True, False]
    held = np.array([False, False, True, True, True])
    assert hand._as_read(data, heat, held)[:2] == pytest.approx((31.0, np.sqrt(0.35)))
    still = np.array([False, False, False, False, True])
    assert hand._as_read(data, heat, still)[:2] == (40.0, 0.0)
