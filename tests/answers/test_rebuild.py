"""A rebuilt unit by the fitted law against the simulator, which is told the same and works otherwise."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from benchsim.unit import Unit

from diffbench.answers import Rebuild, compared, predicted_map, preload_ladder, preload_of
from diffbench.answers import rebuild as room
from diffbench.errors import FitError
from diffbench.results import BRANCHES, Characterisation, LockingMap, Parameter, load_map, make_map

Measure = Callable[..., Characterisation]

# A lookup between nodes is promised to add no more than 0.2 % of the value.
BETWEEN_NODES = 0.002
PLACES = np.meshgrid([-300.0, -120.0, 0.0, 90.0, 350.0, 700.0], [1.0, 4.0, 9.5], [52.0, 60.0, 74.0])


def scaled(unit: Unit, factor: float) -> Unit:
    """The same with a softer or stiffer spring."""
    return dataclasses.replace(unit, spring_force=factor * unit.spring_force)


def agrees(made: LockingMap, unit: Unit) -> None:
    """A map and a unit as it really is, over both branches."""
    for branch in ("loading", "unloading"):
        true = unit.locking_torque(*PLACES, branch)
        assert made.locking_torque(*PLACES, branch=branch) == pytest.approx(true, rel=2.0 * BETWEEN_NODES)


@pytest.mark.parametrize(
    ("rebuild", "changed"),
    [
        (Rebuild(spring_force=0.0), {"spring_force": 0.0}),
        (Rebuild(faces=6), {"faces": 6, "viscous": 0.3}),
        (Rebuild(coast_angle=math.radians(45.0)), {"coast_angle_deg": 45.0}),
        (
            Rebuild(spring_force=900.0, faces=3, drive_angle=math.radians(35.0)),
            {"spring_force": 900.0, "faces": 3, "viscous": 0.15, "drive_angle_deg": 35.0},
        ),
    ],
    ids=str,
)
def test_a_rebuilt_unit_is_what_the_simulator_builds(
    true_unit: Unit, measure: Measure, rebuild: Rebuild, changed: dict[str, Any]
) -> None:
    """Springs, plates and ramps, each alone and together; together under both laws."""
    laws = [("additive", 0.0)] + ([("greater-of", 0.1)] if len(changed) > 2 else [])
    for law, fraction in laws:
        unit = dataclasses.replace(true_unit, law=law, joint_fraction=fraction)
        agrees(predicted_map(measure(unit), rebuild), dataclasses.replace(unit, **changed))


def test_a_preload_torque_is_that_of_the_finished_build(true_unit: Unit, measure: Measure) -> None:
    """By its own name, and with other faces too: then the spring is a softer one."""
    stiffer = dataclasses.replace(true_unit, spring_force=1.3 * true_unit.spring_force)
    wanted = stiffer.derived(4.0)["preload_torque_Nm"]
    agrees(predicted_map(measure(true_unit), Rebuild(preload_torque=wanted)), stiffer)
    more = dataclasses.replace(stiffer, faces=8, viscous=0.4, spring_force=stiffer.spring_force / 2.0)
    agrees(predicted_map(measure(true_unit), Rebuild(preload_torque=wanted, faces=8)), more)
    assert preload_of(measure(stiffer)) == pytest.approx(wanted, rel=1e-15)


def test_a_flank_along_the_axis_gives_no_thrust(true_unit: Unit, measure: Measure) -> None:
    """90 degrees from the plane of rotation: spring, gears and oil alone are left under engine braking."""
    made = predicted_map(measure(true_unit), Rebuild(coast_angle=math.pi / 2.0))
    spring = true_unit.locking_torque(0.0, 4.0, 60.0, "loading")
    for branch in ("loading", "unloading"):
        held = made.locking_torque(-200.0, 4.0, 60.0, branch)  # type: ignore[arg-type]
        assert held == pytest.approx(spring + 200.0 * true_unit.gear_friction, rel=BETWEEN_NODES)


def test_a_prediction_is_never_taken_for_a_measurement(
    true_unit: Unit, measure: Measure, tmp_path: Any
) -> None:
    """No node is tested, the words stand in the document, and they survive the file."""
    made = predicted_map(measure(true_unit), Rebuild(preload_torque=60.0, faces=5))
    path = tmp_path / "map.json"
    path.write_text(made.to_json(), encoding="utf-8")
    again = load_map(path)
    for each in (made, again):
        assert each.document.predicted is not None
        assert "5 faces in a pack instead of 4" in each.document.predicted
        assert "preload torque 60 N·m instead of" in each.document.predicted
        assert each.document.notes[0].startswith("PREDICTED by the fitted law, not measured")
        assert not any(table.any() for table in each.tested.values())
    assert again.values["mean"].tolist() == made.values["mean"].tolist()


def test_limits_scale_with_the_preload(true_unit: Unit, measure: Measure) -> None:
    """An uncertain preload stays uncertain by the same share: with everything else exact, analytic.

    At no input torque and 4 rad/s, 60 °C the locking torque is P and oil drag; 1.96 u on either side.
    """
    result = measure(true_unit, u={"preload_torque": 1.5})
    preload = preload_of(result)
    factors = (0.0, 0.5, 1.0, 2.0)
    rungs = preload_ladder(result, [factor * preload for factor in factors], beside=make_map(result))
    for factor, made in zip(factors, rungs, strict=True):
        low, high = made.interval(0.0, 4.0, 60.0)
        assert (high - low) / 2.0 == pytest.approx(1.959964 * 1.5 * factor, rel=1e-3, abs=1e-9)


def test_an_uncertain_spring_or_angle_is_added(true_unit: Unit, measure: Measure) -> None:
    """Against 20 000 draws of what is uncertain, through the simulator's own relations; noise of the draws
    0.5 %, second order of the angles 1.5 %."""
    u = {"spring_force": 60.0, "effective_ramp_angle_drive": 1.0, "ramp_friction_angle_drive": 0.3}
    result = measure(true_unit, u=u)
    low, high = predicted_map(result, Rebuild(spring_force=2500.0)).interval(0.0, 4.0, 60.0)
    preload = preload_of(result)
    expected = preload * 2500.0 / true_unit.spring_force * 60.0 / true_unit.spring_force
    assert (high - low) / (2.0 * 1.959964) == pytest.approx(expected, rel=1e-3)
    random = np.random.default_rng(20261125)
    acts, rubs = 42.0 + random.normal(0.0, 1.0, 20_000), 4.0 + random.normal(0.0, 0.3, 20_000)
    made = predicted_map(result, Rebuild(drive_angle=math.radians(65.0)))
    for branch, way in (("loading", 1.0), ("unloading", -1.0)):
        before, after = (np.tan(np.radians(angle + way * rubs)) for angle in (acts, acts + 23.0))
        bias = true_unit.derived(4.0)[f"ramp_bias_drive_{branch}"]
        low, high = made.interval(500.0, 4.0, 60.0, branch)
        expected = 500.0 * bias * np.std(before / after)
        assert (high - low) / (2.0 * 1.959964) == pytest.approx(expected, rel=0.03), branch


def test_a_ladder_rises_everywhere(true_unit: Unit, measure: Measure) -> None:
    """More preload, never less locking torque, at any place and on any branch; the map as built between."""
    random = np.random.default_rng(20261125)
    anywhere = (random.uniform(-300, 700, 2000), random.uniform(0, 10, 2000), random.uniform(50, 75, 2000))
    for law in ("additive", "greater-of"):
        result = measure(dataclasses.replace(true_unit, law=law))
        built = make_map(result)
        ladder = preload_ladder(result, [0.0, 40.0, 120.0], beside=built)
        agrees(ladder[1], scaled(dataclasses.replace(true_unit, law=law), 40.0 / preload_of(result)))
        for branch in BRANCHES:
            places = [each.locking_torque(*anywhere, branch) for each in (*ladder[:2], built, ladder[2])]
            assert (np.diff(np.stack(places), axis=0) >= -1e-9).all()


def test_both_are_compared_from_coast_to_drive(true_unit: Unit, measure: Measure) -> None:
    result = measure(true_unit)
    built = make_map(result)
    rows = compared(result, built, *preload_ladder(result, [0.0], beside=built))
    assert [row.input_torque for row in rows] == [-300.0, -150.0, 0.0, 350.0, 700.0]
    for row in rows:
        assert row.as_built.value == pytest.approx(
            float(true_unit.locking_torque(row.input_torque, 4.0, 60.0, "loading")), rel=2.0 * BETWEEN_NODES
        )
        assert row.rebuilt.value < row.as_built.value


def test_the_nominal_angle_counts_where_none_that_acts_is_known(true_unit: Unit, measure: Measure) -> None:
    """Friction of the ramps is known by the nominal angles, the angle that acts is not: said in the words."""
    result = measure(true_unit)
    some = {name: one for name, one in result.parameters.items() if not name.startswith("effective_ramp")}
    made = predicted_map(
        result.model_copy(update={"parameters": some}), Rebuild(drive_angle=math.radians(50.0))
    )
    agrees(made, dataclasses.replace(true_unit, drive_angle_deg=50.0))
    assert made.document.predicted == (
        "drive ramp 50 deg instead of 42 deg, nominal angles counting as exact"
    )


@pytest.mark.parametrize(
    ("rebuild", "said"),
    [
        (Rebuild(), "nothing is changed"),
        (Rebuild(preload_torque=-1.0), "a preload torque of -1 N·m"),
        (Rebuild(preload_torque=math.nan), "a preload torque of nan N·m"),
        (Rebuild(spring_force=-1.0), "a spring force of -1 N"),
        (Rebuild(preload_torque=60.0, spring_force=1.0), "both given"),
        (Rebuild(faces=0), "0 friction faces hold nothing"),
        (Rebuild(drive_angle=math.radians(3.0)), "it jams from there down"),
        (Rebuild(coast_angle=math.radians(95.0)), "up to 90 deg"),
    ],
    ids=str,
)
def test_what_is_refused(true_unit: Unit, measure: Measure, rebuild: Rebuild, said: str) -> None:
    with pytest.raises(FitError, match=said):
        predicted_map(measure(true_unit), rebuild)


def test_what_the_fit_does_not_know_is_refused_all_at_once(true_unit: Unit, measure: Measure) -> None:
    """No spring force, no angles, and no such build; nothing is filled in."""
    blind = measure(true_unit, known=False)
    with pytest.raises(FitError) as caught:
        predicted_map(blind, Rebuild(spring_force=2000.0, drive_angle=0.8, coast_angle=0.8))
    assert len(caught.value.faults) == 3  # the friction of the ramps is not known either
    assert "spring force of this unit is not known" in str(caught.value)
    with pytest.raises(FitError, match=r"there is no build 'Q18'\. Mend: name one of Q17-a"):
        predicted_map(blind, Rebuild(faces=5), build="Q18")
    without = dict[str, Parameter]()
    with pytest.raises(FitError, match="preload torque of this unit is not determined"):
        predicted_map(blind.model_copy(update={"parameters": without}), Rebuild(preload_torque=60.0))
    with pytest.raises(FitError, match="preload torque of Q17-a is not determined"):
        preload_of(blind.model_copy(update={"parameters": without}))


def told(name: str, value: float | None, u: float | None = None) -> Parameter:
    status = "measured" if value is not None else "not-determined"
    return Parameter(value=value, u=u, low=None, high=None, unit="", status=status, meaning="")  # type: ignore[arg-type]


def changes(
    rebuild: Rebuild, *, nominal: float | None = 42.0, **known: tuple[float | None, float | None]
) -> Any:
    """What a rebuild of a unit with four faces scales, where so much is known of it."""
    whole: dict[str, tuple[float | None, float | None]] = {
        "preload_torque": (80.0, 1.0), "spring_force": (2000.0, 50.0),
        "effective_ramp_angle_drive": (43.0, 0.5), "ramp_friction_angle_drive": (4.0, 0.2), **known,
    }  # fmt: skip
    parameters = {name: told(name, *each) for name, each in whole.items()}
    result: Any = SimpleNamespace(
        parameter=lambda name, build: parameters.get(name) if build == "Q17-a" else None
    )
    facts: Any = SimpleNamespace(build="Q17-a", faces=4, drive_angle_deg=nominal, coast_angle_deg=57.0)
    return room._changes(result, rebuild, facts)


def test_what_a_rebuild_scales_in_words_and_factors() -> None:
    """Faces scale ramps, oil and preload; a preload torque is that of the finished build; a spring force
    goes with the faces, and brings its own doubt where it has one."""
    lever = {"ramp_bias_drive_loading": 1.5, "ramp_bias_coast_loading": 1.5, "viscous": 1.5}
    faces = changes(Rebuild(faces=6))
    assert faces.factors == {**lever, "preload_torque": 1.5}
    assert (faces.words, faces.doubts, faces.faults) == (["6 faces in a pack instead of 4"], [], [])
    torque = changes(Rebuild(faces=6, preload_torque=100.0))
    assert torque.factors == {**lever, "preload_torque": 1.25}
    assert torque.words[1] == "preload torque 100 N·m instead of 80 N·m"
    spring = changes(Rebuild(faces=6, spring_force=2400.0))
    assert spring.factors["preload_torque"] == pytest.approx(1.5 * 1.2)
    assert spring.doubts == [{"preload_torque": 0.025}]
    assert spring.words[1] == "spring force 2400 N instead of 2000 N"
    assert changes(Rebuild(spring_force=2400.0), spring_force=(2000.0, None)).doubts == [
        {"preload_torque": 0.0}
    ]
    assert changes(Rebuild(preload_torque=0.0)).factors == {"preload_torque": 0.0}
    assert changes(Rebuild(spring_force=0.0)).factors == {"preload_torque": 0.0}
    one = changes(Rebuild(faces=1))
    assert (one.faults, one.factors["viscous"]) == ([], 0.25)


@pytest.mark.parametrize(
    ("rebuild", "known", "said"),
    [
        (
            Rebuild(preload_torque=60.0),
            {"preload_torque": (0.0, 1.0)},
            "torque of this unit is not determined",
        ),
        (
            Rebuild(preload_torque=60.0),
            {"preload_torque": (None, None)},
            "torque of this unit is not determined",
        ),
        (Rebuild(spring_force=60.0), {"spring_force": (0.0, 1.0)}, "spring force of this unit is not known"),
        (Rebuild(spring_force=math.inf), {}, "a spring force of inf N"),
        (Rebuild(preload_torque=math.inf), {}, "a preload torque of inf N·m"),
        (Rebuild(drive_angle=0.8), {"ramp_friction_angle_drive": (None, None)}, "are not both known"),
        # 4 degrees of friction: the angle that acts is one more than the nominal one
        (
            Rebuild(drive_angle=math.radians(2.99)),
            {},
            "a drive ramp of 2.99 deg does not work",
        ),
        (Rebuild(drive_angle=math.radians(90.01)), {}, "a drive ramp of 90.01 deg does not work"),
        (
            Rebuild(drive_angle=0.0),
            {"effective_ramp_angle_drive": (49.0, 0.1)},
            "ramp of 0 deg does not",
        ),
    ],
)
def test_each_fault_of_a_rebuild(rebuild: Rebuild, known: Any, said: str) -> None:
    found = changes(rebuild, **known)
    assert len(found.faults) == 1
    assert said in str(found.faults[0])
    assert "preload_torque" not in found.factors or rebuild.drive_angle is not None


def cot(degrees: float) -> float:
    return 1.0 / math.tan(math.radians(degrees))


def test_another_ramp_is_as_far_off_its_nominal_angle_as_the_old_one() -> None:
    """43 degrees act where 42 are nominal: of 35 then 36, with 4 degrees of friction. An error of the angle
    that acts is in both; without a nominal angle the new one is exact."""
    found = changes(Rebuild(drive_angle=math.radians(35.0)))
    factors = {
        "ramp_bias_drive_loading": cot(40.0) / cot(47.0),
        "unloading_ratio_drive": (cot(32.0) / cot(40.0)) / (cot(39.0) / cot(47.0)),
    }
    assert {name: found.factors[name] for name in factors} == pytest.approx(factors)
    assert found.words == ["drive ramp 35 deg instead of 42 deg"]

    def slopes(way: str, nominal: bool) -> dict[str, float]:
        """Of the logarithm of each factor, by difference quotients of one thousandth of a degree."""

        def logs(off: float) -> list[float]:
            acts, rubs = (43.0 + off, 4.0) if way == "angle" else (43.0, 4.0 + off)
            new = acts - 7.0 if nominal else 35.0
            up, down = cot(new + rubs) / cot(acts + rubs), cot(new - rubs) / cot(acts - rubs)
            return [math.log(up), math.log(down / up)]

        return dict(
            zip(factors, ((a - b) / 2e-3 for a, b in zip(logs(1e-3), logs(-1e-3), strict=True)), strict=True)
        )

    for nominal in (42.0, None):
        found = changes(Rebuild(drive_angle=math.radians(35.0)), nominal=nominal)
        by_angle, by_friction = found.doubts
        is_told = nominal is not None
        assert by_angle == pytest.approx(
            {name: 0.5 * slope for name, slope in slopes("angle", is_told).items()}, rel=1e-5
        )
        assert by_friction == pytest.approx(
            {name: 0.2 * slope for name, slope in slopes("friction", is_told).items()}, rel=1e-5
        )
    assert found.words == ["drive ramp 35 deg"]
    assert found.factors["ramp_bias_drive_loading"] == pytest.approx(cot(39.0) / cot(47.0))
    bare = changes(Rebuild(drive_angle=math.radians(35.0)), effective_ramp_angle_drive=(43.0, None))
    assert set(bare.doubts[0].values()) == {0.0}
    # with 4 degrees of friction 86 do not press the rings apart any more
    steep = changes(Rebuild(drive_angle=math.radians(85.01)))
    assert {name: steep.factors[name] for name in ("ramp_bias_drive_loading",)} == {
        "ramp_bias_drive_loading": 0.0
    }
    assert "unloading_ratio_drive" not in steep.factors
    assert changes(Rebuild(drive_angle=math.radians(84.9))).factors["ramp_bias_drive_loading"] > 0.0


def test_unknowns_are_scaled_as_they_are_kept() -> None:
    """A logarithm by the factor's own, and its doubt as it is; a number with its doubt. A doubt of the
    factors adds: 3 % of 120, and of a logarithm 0.02."""
    form: Any = SimpleNamespace(
        values=[80.0, math.log(0.5), 7.0], logarithms=[False, True, False],
        covariance=[[4.0, 0.1, 0.6], [0.1, 0.09, 0.2], [0.6, 0.2, 1.0]],
        place=lambda name, build: {"preload_torque": 0, "ratio": 1}[name] if build == "Q17-a" else 2,
        model_copy=lambda update: update,
    )  # fmt: skip
    change = room._Change()
    change.scale(1.2, "preload_torque")
    change.scale(1.25, "preload_torque", "ratio")
    change.doubts.append({"preload_torque": 0.03, "ratio": 0.02})
    found: Any = room._changed(form, change, "Q17-a")
    assert found["values"] == pytest.approx([120.0, math.log(0.625), 7.0])
    expected = np.array([[9.0, 0.15, 0.9], [0.15, 0.09, 0.2], [0.9, 0.2, 1.0]])
    column = np.array([0.03 * 120.0, 0.02, 0.0])
    assert np.array(found["covariance"]) == pytest.approx(expected + np.outer(column, column))
    nothing = room._Change()
    nothing.scale(0.0, "ratio")
    with pytest.raises(FitError, match=r"ratio cannot be taken to zero\. Mend: give a value above zero"):
        room._changed(form, nothing, "Q17-a")
