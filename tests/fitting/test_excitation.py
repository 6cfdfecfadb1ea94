"""What the recordings did not do is said, in words that tell what to add."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any, ClassVar

import numpy as np
import pytest

from diffbench.conditioning import Friction
from diffbench.conditioning.bench import ErrorSource
from diffbench.documents import Build
from diffbench.fitting import Candidate, FitData, Form, Setup, excitation_findings
from diffbench.fitting import tested_region as region_of
from diffbench.fitting.bench_constants import _apart, contradicted
from diffbench.fitting.tested import may_be_closed
from diffbench.physics.friction import Stribeck
from diffbench.physics.preload import Additive, GreaterOf
from diffbench.results import characterisation

CELLS = 400
SEEN = characterisation.Tested(
    outline=[(-300.0, 1.5), (600.0, 1.5), (600.0, 10.0), (-300.0, 10.0)],
    temperature_degC=(45.0, 75.0),
    drive_unloading_Nm=400.0,
    coast_unloading_Nm=200.0,
    drive_ramp_seen=True,
    coast_ramp_seen=True,
)


def up_and_down(low: float, high: float, count: int) -> np.ndarray:
    """A sweep from one end to the other and back."""
    return np.concatenate([np.linspace(low, high, count // 2), np.linspace(high, low, count - count // 2)])


@pytest.fixture
def found(
    data_of: Callable[..., FitData], candidate_of: Callable[..., Candidate], demo_build: Build
) -> Callable[..., dict[str, str]]:
    """Return a function that gives the findings, by name, of cells that do all that a bench should, but for
    what is changed."""

    def look(
        *,
        greater_of: bool = False,
        tested: characterisation.Tested = SEEN,
        rejected: int = 0,
        pull: float = 0.0,
        **changed: Any,
    ) -> dict[str, str]:
        cells = {
            "input_torque": np.tile(up_and_down(-300.0, 600.0, CELLS // 4), 4),
            "speed_difference": np.repeat([1.5, 4.0, 10.0, 4.0], CELLS // 4),
            "direction": np.tile([1.0, -1.0], CELLS // 2),
            "oil": np.linspace(45.0, 75.0, CELLS),
            "sources": (ErrorSource("g", "gain of left_torque", "transducer gain", 0.0015),),
            "effect_input": np.zeros((1, CELLS)),
            "effect_difference": np.zeros((1, CELLS)),
            "noise_share": np.zeros((1, CELLS)),
        }
        data = data_of(cells=CELLS, **{**cells, **changed})
        form = Form(GreaterOf() if greater_of else Additive(), Stribeck(1.0))
        model = Setup.of([demo_build], data).model(form)
        x = model.names.start.copy()
        x[model.names.position["error:g"]] = pull
        candidate = candidate_of(model, np.zeros(CELLS), x=x, used=np.arange(CELLS) >= rejected)
        return {
            f.name: f"{f.severity}: {f.where}: {f.evidence} {f.effect} {f.mend}"
            for f in excitation_findings(candidate, tested)
        }

    return look


def test_a_complete_test_has_no_findings(found: Callable[..., dict[str, str]]) -> None:
    assert found() == {}


@pytest.mark.parametrize(("flank", "torque"), [("coast", (0.0, 600.0)), ("drive", (-300.0, 0.0))])
def test_a_flank_that_was_not_loaded(
    flank: str, torque: tuple[float, float], found: Callable[..., dict[str, str]]
) -> None:
    said = found(input_torque=np.linspace(*torque, CELLS))[f"no {flank} samples"]
    assert f"The {flank} ramp bias is not determined." in said
    assert f"Add a bias sweep under {flank} torque." in said


@pytest.mark.parametrize("lowest", [500.0, 470.0])
def test_a_torque_that_only_wanders_shows_no_unloading(
    lowest: float, found: Callable[..., dict[str, str]]
) -> None:
    """As where one output is braked: slip turns round, torque jumps, and then lies near the unit's own. Four
    fifths of 600 are 480; what falls while nothing slips, or while the other flank bears, is not seen."""
    drive = up_and_down(590.0, 600.0, CELLS // 4)
    drive[60:70] = lowest
    torque = np.concatenate([drive, np.full(CELLS // 4, -300.0)] * 2)
    said = found(input_torque=torque)["no unloading"]
    flanks = "drive and coast" if lowest > 480.0 else "coast"
    assert f"Under {flanks} torque it never fell below 80 % of its peak under slip." in said
    assert "the unloading bias is not determined" in said


def test_one_speed_level_though_reversals_run_through_all_speeds(
    found: Callable[..., dict[str, str]],
) -> None:
    """Three per cent of the samples on the way from one direction to the other are no level."""
    speed = np.full(CELLS, 4.0)
    speed[:12] = np.linspace(0.1, 3.9, 12)
    assert "All slip is at 4 rad/s." in found(speed_difference=speed)["one speed level only"]


def test_a_second_level_counts_though_it_is_short(found: Callable[..., dict[str, str]]) -> None:
    """One cycle in ten at another speed is a second level."""
    speed = np.full(CELLS, 4.0)
    speed[: CELLS // 10] = 1.5
    assert found(speed_difference=speed) == {}


@pytest.mark.parametrize(("direction", "side"), [(1.0, "faster"), (-1.0, "slower")])
def test_one_slip_direction(direction: float, side: str, found: Callable[..., dict[str, str]]) -> None:
    said = found(direction=np.full(CELLS, direction))["one slip direction only"]
    assert f"The left output is always the {side} one." in said
    assert "Sweep with both outputs faster in turn." in said


def test_ramps_that_never_overcame_the_preload(found: Callable[..., dict[str, str]]) -> None:
    """Said under the greater-of law alone: additive ramps show from the first newton metre on."""
    unseen = SEEN.model_copy(update={"coast_ramp_seen": False})
    said = found(greater_of=True, tested=unseen)["coast ramps never overcame the preload"]
    assert "nothing beyond the swept torque counts as tested" in said
    assert found(tested=unseen) == {}


@pytest.mark.parametrize(("rejected", "severity"), [(3, "note"), (40, "caveat")])
def test_cells_apart_from_the_fit_are_counted(
    rejected: int, severity: str, found: Callable[..., dict[str, str]]
) -> None:
    """Ten samples a cell; above one in a hundred it is a caveat."""
    said = found(rejected=rejected)["cells apart from the fit"]
    assert said.startswith(severity)
    assert f"{10 * rejected} samples" in said


@pytest.mark.parametrize("pull", [-4.2, 3.5])
def test_a_bench_constant_that_is_not_as_stated(pull: float, found: Callable[..., dict[str, str]]) -> None:
    said = found(pull=pull)["bench constant not as stated"]
    assert "gain of left_torque" in said
    assert f"{pull:+.1f} standard uncertainties (u = 0.0015)" in said


def test_a_pull_that_chance_makes_is_not_told(found: Callable[..., dict[str, str]]) -> None:
    assert found(pull=2.5) == {}


@pytest.mark.parametrize(("pull", "told"), [(2.3, False), (2.6, True)])
def test_a_difference_counts_where_neither_gain_alone_does(pull: float, told: bool) -> None:
    """Two gains of which the sweeps tell the difference exactly and the sum not at all: a difference of d
    pulls each by d/√2 of what it is in its own standard uncertainty (closed form)."""
    covariance = np.array([[0.5, 0.5], [0.5, 0.5]])
    found = contradicted(np.array([pull, -pull]), covariance)
    assert bool(found) is told
    if told:
        assert found[0][0] == pytest.approx(pull * np.sqrt(2.0))
        assert found[0][1] == [0, 1]
    assert contradicted(np.array([pull, pull]), covariance) == []  # what both have in common never shows


def test_bench_errors_of_one_name_are_told_apart_in_words() -> None:
    """By rig and recording, and never by the program's own keys."""
    labels: dict[str, None] = {}
    for visit, (name, key) in enumerate((("Cell A", "6b53:x"), ("Cell B", "77aa:x"), ("Cell B", "90ff:x"))):
        source = ErrorSource(key, "gain of left_torque", "transducer gain", 0.001)
        run = SimpleNamespace(name=f"sweep-{visit}.csv")
        conditioned: Any = SimpleNamespace(rig=SimpleNamespace(name=name), runs=(run,), sources={key: source})
        labels[_apart(source, [conditioned], labels)] = None
    assert list(labels) == [
        "gain of left_torque",
        "gain of left_torque (Cell B)",
        "gain of left_torque (Cell B, sweep-2.csv)",
    ]


def test_no_unknown_of_the_bench_is_without_words(data_of: Callable[..., FitData], demo_build: Build) -> None:
    """What may end on a bound is told by its label: no key of the program reaches a reader."""
    effects = {name: np.zeros((1, CELLS)) for name in ("effect_input", "effect_difference", "noise_share")}
    sources = (ErrorSource("6b53:left_torque.gain", "gain of left_torque", "transducer gain", 0.0015),)
    data = data_of(cells=CELLS, sources=sources, **effects)
    names = Setup.of([demo_build], data).model(Form(Additive(), Stribeck(1.0))).names
    for unknown in names.unknowns:
        if ":" in unknown.name or "[" in unknown.name:
            assert unknown.label, unknown.name
            assert "6b53" not in unknown.label


@pytest.mark.parametrize(("allowed", "severity"), [(0.0, "caveat"), (0.4, "caveat"), (0.6, "note")])
def test_a_zero_that_moved_within_what_the_rig_states_is_told_only(
    allowed: float, severity: str, found: Callable[..., dict[str, str]]
) -> None:
    """Half a newton metre since the tare run, which says a tenth."""
    tare = ErrorSource("g", "tare of left_torque", "tare", 0.1, allowed=allowed)
    assert found(pull=5.0, sources=(tare,))["bench constant not as stated"].startswith(severity)


def test_a_speed_sweep_both_ways_does_not_make_up_for_a_bias_sweep_one_way(
    found: Callable[..., dict[str, str]],
) -> None:
    """At one torque a gain, a lag or a drift does not show."""
    run = np.repeat([0, 1], CELLS // 2)
    direction = np.where(run == 0, 1.0, np.tile([1.0, -1.0], CELLS // 2))
    kinds = ("bias-sweep", "speed-sweep")
    said = found(run=run, direction=direction, run_kinds=kinds)["one slip direction only"]
    assert said.startswith("caveat: bias sweeps")
    assert "one slip direction only" not in found(run=run, direction=-direction[::-1], run_kinds=kinds)


def test_no_tested_range_holds_what_no_oil_has(
    data_of: Callable[..., FitData], candidate_of: Callable[..., Candidate], demo_build: Build
) -> None:
    """Whoever hands it on: an open thermocouple reads 1372 °C."""
    data = data_of(
        cells=8, input_torque=np.linspace(-300.0, 600.0, 8), oil=np.array([50.0, 70.0] * 3 + [1372.0] * 2)
    )
    model = Setup.of([demo_build], data).model(Form(Additive(), Stribeck(1.0)))
    candidate = candidate_of(model, np.zeros(8), x=model.names.start.copy(), used=np.ones(8, dtype=bool))
    known = {"drive": False, "coast": False}
    tested = region_of(candidate, ratio_known=known, temperature_floor=60.0, visits=None)
    assert 50.0 <= tested.temperature_degC[0] < tested.temperature_degC[1] < 100.0


def test_every_finding_word_for_word(found: Callable[..., dict[str, str]]) -> None:
    """Where, what was seen, what that means and what mends it."""
    said = found(input_torque=np.tile(up_and_down(-3.25, 612.5, CELLS // 4), 4))
    assert said == {
        "no coast samples": "caveat: all sweeps: The input torque stays at -3.25 to 612.5 N·m. The coast "
        "ramp bias is not determined. Add a bias sweep under coast torque."
    }
    assert found(speed_difference=np.linspace(4.1, 4.3, CELLS)) == {
        "one speed level only": "caveat: all sweeps: All slip is at 4.2 rad/s. Friction over speed and "
        "viscous drag are not determined; other speed differences are extrapolated. Add a speed sweep, or "
        "sweeps at two more speed levels."
    }
    assert found(direction=np.ones(CELLS)) == {
        "one slip direction only": "caveat: bias sweeps: The left output is always the faster one. A zero or "
        "gain difference of the transducers cannot be told from locking torque: the stated uncertainties "
        "count in full. Sweep with both outputs faster in turn."
    }
    assert found(direction=-np.ones(CELLS), run_kinds=("speed-sweep",))["one slip direction only"].startswith(
        "caveat: all sweeps: The left output is always the slower one."
    )
    assert found(oil=np.full(CELLS, np.nan)) == {
        "no temperature": "caveat: all sweeps: No run has a reading of a temperature. Everything counts as "
        "taken at 60 °C; the effect of temperature is not determined. Record the oil temperature, or better "
        "that of the plates."
    }
    unseen = SEEN.model_copy(update={"drive_ramp_seen": False})
    assert found(greater_of=True, tested=unseen) == {
        "drive ramps never overcame the preload": "caveat: all sweeps: The locking torque does not clearly "
        "leave the preload level on that flank. The drive ramp bias is hardly or not determined, and nothing "
        "beyond the swept torque counts as tested. Sweep to a higher drive torque."
    }
    assert found(rejected=5) == {
        "cells apart from the fit": "caveat: all sweeps: 50 samples (1.2 %) lie more than eight standard "
        "deviations off. They are left out. Look at them in the residual picture."
    }
    assert found(rejected=4)["cells apart from the fit"].startswith("note: ")


@pytest.mark.parametrize(
    ("least", "name"), [(-30.6, None), (-29.4, "no coast samples"), (30.6, None), (29.4, "no drive samples")]
)
def test_a_flank_counts_from_a_twentieth_on(
    least: float, name: str | None, found: Callable[..., dict[str, str]]
) -> None:
    """Of the largest torque, 600 N·m."""
    ends = sorted((least, 600.0 if least < 0.0 else -600.0))
    assert list(found(input_torque=np.tile(up_and_down(*ends, CELLS // 4), 4))) == ([name] if name else [])


@pytest.mark.parametrize(("faster", "told"), [(5.0, False), (4.98, True)])
def test_a_level_is_another_from_a_quarter_on(
    faster: float, told: bool, found: Callable[..., dict[str, str]]
) -> None:
    speed = np.where(np.arange(CELLS) % 2 == 0, 4.0, faster)
    assert bool(found(speed_difference=speed)) is told


class TestRegion:
    """Of cells at given torques and speeds, ramps of 0.43 and 0.36, unloading 1.3 and 1.5 times as much."""

    @pytest.fixture
    def of(
        self,
        data_of: Callable[..., FitData],
        candidate_of: Callable[..., Candidate],
        demo_build: Build,
    ) -> Callable[..., characterisation.Tested]:
        def made(
            torque: list[float],
            speed: list[float],
            *,
            law: str = "additive",
            known: tuple[bool, bool] = (True, True),
            preload: float = 80.0,
            rejected: tuple[int, ...] = (),
            **changed: Any,
        ) -> characterisation.Tested:
            cells = len(torque)
            given = {"input_torque": np.array(torque), "speed_difference": np.array(speed), **changed}
            data = data_of(cells=cells, **given)
            form = Form(Additive() if law == "additive" else GreaterOf(), Stribeck(1.0))
            model = Setup.of([demo_build], data).model(form)
            own = {
                "preload_torque": preload, "ramp_bias_drive": 0.43, "ramp_bias_coast": 0.36,
                "unloading_ratio_drive": 1.3, "unloading_ratio_coast": 1.5, "joint_fraction": 0.1,
            }  # fmt: skip
            x = model.names.start.copy()
            for name, i in model.names.position.items():
                stem = name.partition("[")[0]
                x[i] = own.get(stem, own.get(stem.removesuffix("_loading"), x[i]))
            used = ~np.isin(np.arange(cells), rejected)
            candidate = candidate_of(model, np.zeros(cells), x=x, used=used)
            ratios = dict(zip(("drive", "coast"), known, strict=True))
            return region_of(candidate, ratio_known=ratios, temperature_floor=61.0, visits=None)

        return made

    TORQUE: ClassVar = [-200.0, 100.0, 500.0, -150.0, 50.0, 400.0]
    SPEED: ClassVar = [2.0, 2.0, 2.0, 9.0, 9.0, 9.0]

    def test_outline_and_limits(self, of: Callable[..., characterisation.Tested]) -> None:
        """Round the cells, each speed to its own ends where these are no hair's breadth from those of all;
        down the unloading branch to the peak over its ratio, or over two where that is not known."""
        found = of(self.TORQUE, self.SPEED, oil=np.array([47.0, 50.0, 53.0, 51.0, 71.0, 60.0]))
        assert found.outline == [(-200.0, 2.0), (500.0, 2.0), (400.0, 9.0), (-150.0, 9.0)]
        assert found.temperature_degC == (47.0, 71.0)
        assert (found.drive_unloading_Nm, found.coast_unloading_Nm) == pytest.approx((500 / 1.3, 200 / 1.5))
        assert (found.drive_ramp_seen, found.coast_ramp_seen) == (True, True)
        other = of(self.TORQUE, self.SPEED, known=(False, False))
        assert (other.drive_unloading_Nm, other.coast_unloading_Nm) == (250.0, 100.0)
        assert other.temperature_degC == (60.0, 60.0)

    def test_ends_of_a_level_within_three_hundredths_are_those_of_all(
        self, of: Callable[..., characterisation.Tested]
    ) -> None:
        """Of 700 N·m: 21. Speeds within a tenth of a level's belong to it."""
        torque = [-200.0, 500.0, -179.5, 480.0, 481.0]
        found = of(torque, [2.0, 2.0, 9.0, 8.11, 8.09])
        assert found.outline == [(-200.0, 2.0), (500.0, 2.0), (500.0, 9.0), (-200.0, 9.0)]
        found = of([-200.0, 500.0, -178.5, 478.0], [2.0, 2.0, 9.0, 8.11])
        assert found.outline == [(-200.0, 2.0), (500.0, 2.0), (478.0, 9.0), (-178.5, 9.0)]
        found = of([-200.0, 500.0, 460.0, -150.0, 300.0], [2.0, 2.0, 2.19, 9.0, 9.0])
        assert found.outline == [(-200.0, 2.0), (500.0, 2.0), (300.0, 9.0), (-150.0, 9.0)]

    def test_what_is_rejected_was_not_reached(self, of: Callable[..., characterisation.Tested]) -> None:
        found = of(
            self.TORQUE, self.SPEED, rejected=(2, 3), oil=np.array([47.0, 50.0, 91.0, 11.0, 71.0, 60.0])
        )
        assert found.outline == [(-200.0, 2.0), (100.0, 2.0), (400.0, 9.0), (50.0, 9.0)]
        assert found.temperature_degC == (47.0, 71.0)

    def test_turns_between_cells_were_reached(self, of: Callable[..., characterisation.Tested]) -> None:
        turns = {"turn_torque": np.array([0.0, 530.0, -215.0]), "turn_begins": np.array([True, False, False]),
                 "turn_near": np.array([0, 2, 0]), "turn_before": np.zeros(6, dtype=np.int64)}  # fmt: skip
        found = of(self.TORQUE, self.SPEED, **turns)
        assert found.outline == [(-215.0, 2.0), (530.0, 2.0), (400.0, 9.0), (-150.0, 9.0)]
        assert found.drive_unloading_Nm == pytest.approx(530.0 / 1.3)

    def test_one_place_and_one_line(self, of: Callable[..., characterisation.Tested]) -> None:
        assert of([300.0], [4.0]).outline in ([(300.0, 4.0)], [(0.0, 4.0), (300.0, 4.0)])
        assert of([-200.0, 100.0, 500.0], [4.0, 4.0, 4.0]).outline == [(-200.0, 4.0), (500.0, 4.0)]
        drive = of([100.0, 500.0], [4.0, 4.0])
        assert (drive.coast_unloading_Nm, drive.coast_ramp_seen) == (0.0, False)
        slight = of([-10.1, 500.0], [4.0, 4.0])
        assert slight.coast_ramp_seen
        assert not of([-9.9, 500.0], [4.0, 4.0]).coast_ramp_seen

    def test_where_nothing_slid(self, of: Callable[..., characterisation.Tested]) -> None:
        read = np.full(6, Friction.KINETIC, dtype=np.int64)
        found = of(self.TORQUE, self.SPEED, friction_state=read)
        assert found == characterisation.Tested(
            outline=[], temperature_degC=(61.0, 61.0), drive_unloading_Nm=0.0, coast_unloading_Nm=0.0,
            drive_ramp_seen=False, coast_ramp_seen=False,
        )  # fmt: skip
        none = of(self.TORQUE, self.SPEED, oil=np.full(6, np.nan))
        assert none.temperature_degC in ((61.0, 61.0), (60.0, 60.0))

    @pytest.mark.parametrize(("preload", "drive", "coast"), [(64.0, True, True), (65.0, True, False)])
    def test_ramps_that_overcame_a_contact(
        self, preload: float, drive: bool, coast: bool, of: Callable[..., characterisation.Tested]
    ) -> None:
        """Thrust 0.36 · 210 on coast, over 1.05 · P/0.9, from P = 64.8 down; 0.43 · 500 on drive."""
        torque = [-210.0, *self.TORQUE[1:]]
        found = of(torque, self.SPEED, law="greater-of", preload=preload)
        assert (found.drive_ramp_seen, found.coast_ramp_seen) == (drive, coast)


@pytest.mark.parametrize(
    ("law", "drive", "coast", "preload", "may"),
    [
        # three tenths of 1.25, the bias of a unit that never slips; thrust of 0.3/0.7 of the preload
        ("additive", 0.374, 0.374, 900.0, True), ("additive", 0.376, 0.1, 900.0, False),
        ("additive", 0.1, 0.376, 900.0, False), ("additive", 0.1, 0.05, 140.1, True),
        ("additive", 0.1, 0.05, 139.9, False), ("additive", 0.05, 0.3, 140.1, True),
        ("additive", 0.05, 0.3, 139.9, False), ("greater-of", 0.1, 0.05, 900.0, False),
    ],
)  # fmt: skip
def test_slight_ramps_may_be_those_of_a_contact_that_never_opened(
    law: str,
    drive: float,
    coast: float,
    preload: float,
    may: bool,
    data_of: Callable[..., FitData],
    candidate_of: Callable[..., Candidate],
    demo_build: Build,
) -> None:
    """At 600 N·m drive and 200 coast."""
    data = data_of(cells=3, input_torque=np.array([-200.0, 0.0, 600.0]))
    model = Setup.of([demo_build], data).model(
        Form(Additive() if law == "additive" else GreaterOf(), Stribeck(1.0))
    )
    x = model.names.start.copy()
    for name, value in (
        ("ramp_bias_drive_loading", drive), ("ramp_bias_coast_loading", coast), ("preload_torque", preload),
    ):  # fmt: skip
        x[model.names.position[name]] = value
    assert may_be_closed(candidate_of(model, np.zeros(3), x=x)) is may
