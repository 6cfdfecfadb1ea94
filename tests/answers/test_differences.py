"""Two states of a unit that is told by ten numbers: every change, its doubt and its test, by hand."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pytest
from benchsim.unit import Unit
from scipy.stats import norm

from diffbench import results
from diffbench.answers import Member
from diffbench.answers.differences import (
    Differences,
    conditions_at_corner_entry,
    difference_csv,
    difference_map,
    differences_between,
)
from diffbench.answers.joint import Paired, paired
from diffbench.results import Characterisation, Parameter

NORMAL = 1.959964
#: What each visit found, and to which standard uncertainty. Friction does not depend on speed or temperature.
STILL = {
    "gear_friction": 0.0,
    "viscous": 0.0,
    "viscous_exponent": 0.0,
    "static_excess": 0.0,
    "temperature_coefficient": 0.0,
}
BEFORE = {
    "preload_torque": (80.0, 0.9),
    "ramp_bias_drive_loading": (0.50, 0.006),
    "ramp_bias_coast_loading": (0.30, 0.005),
    "unloading_ratio_drive": (1.30, 0.02),
    "unloading_ratio_coast": (1.20, 0.03),
}
AFTER = {
    "preload_torque": (66.0, 0.7),
    "ramp_bias_drive_loading": (0.47, 0.008),
    "ramp_bias_coast_loading": (0.288, 0.004),
    "unloading_ratio_drive": (1.36, 0.025),
    "unloading_ratio_coast": (1.21, 0.02),
}
BIASES = {f"ramp_bias_{flank}_{way}" for flank in ("drive", "coast") for way in ("loading", "unloading")}
MAIN = {"preload_torque", *BIASES}
OUTLINE = [(-300.0, 0.5), (700.0, 0.5), (700.0, 10.0), (-300.0, 10.0)]

Visit = Callable[..., Member]


@pytest.fixture(scope="module")
def visit(measure: Callable[..., Characterisation], true_unit: Unit) -> Visit:
    """A visit that found those numbers, determines those quantities and tested that much."""
    template = measure(true_unit)
    (form,) = template.forms

    def made(
        key: str,
        found: Mapping[str, tuple[float, float]],
        *,
        known: set[str] = MAIN,
        own: Mapping[str, float] | None = None,
        still: Mapping[str, float] | None = None,
        outline: list[tuple[float, float]] | None = None,
        heat: tuple[float, float] = (50.0, 75.0),
    ) -> Member:
        stated = {**STILL, **(still or {})}
        values = [
            found[name][0] if name in found else stated.get(name, value)
            for name, value in zip(form.names, form.values, strict=True)
        ]
        deviations = [found[name][1] if name in found else 0.0 for name in form.names]
        told = {
            name: Parameter(
                value=(own or {}).get(name, found[name][0] if name in found else 1.0),
                u=None, low=None, high=None, unit="1", status="measured", meaning="",
            )
            for name in known
        }  # fmt: skip
        update: dict[str, Any] = {
            "forms": [
                form.model_copy(
                    update={"values": values, "covariance": np.diag(np.square(deviations)).tolist()}
                )
            ],
            "parameters": told,
            "tested": results.Tested(
                outline=OUTLINE if outline is None else outline, temperature_degC=heat,
                drive_unloading_Nm=520.0, coast_unloading_Nm=220.0, drive_ramp_seen=True,
                coast_ramp_seen=True,
            ),
        }  # fmt: skip
        return Member(template.model_copy(update=update), "bench", "unit", key, None)

    return made


def both(before: Member, after: Member) -> Paired:
    return paired([before, after], before=1)


def log_change(name: str) -> tuple[float, float]:
    """Of a number's logarithm, and its doubt."""
    (start, u), (end, v) = BEFORE[name], AFTER[name]
    return math.log(end / start), math.hypot(u / start, v / end)


def level_change(flank: str, *, mean: bool = True) -> tuple[float, float]:
    """Of a flank's bias: of the geometric mean of loading and unloading where both are known."""
    (loading, u), (ratio, v) = (
        log_change(name) for name in (f"ramp_bias_{flank}_loading", f"unloading_ratio_{flank}")
    )
    return (loading + 0.5 * ratio, math.hypot(u, 0.5 * v)) if mean else (loading, u)


def numbers(found: Any) -> tuple[float, ...]:
    return found.change, found.u, found.low, found.high, found.tested_low, found.tested_high


def of_ratio(step: float, u: float, down: float, up: float) -> Any:
    """A change of a ratio by that of its logarithm; levels of the test's ends as chances beyond them."""
    ends = [-NORMAL * u, NORMAL * u, -norm.isf(down) * u, norm.isf(up) * u]
    return pytest.approx(
        (math.exp(step) - 1.0, math.exp(step) * u, *(math.exp(step + end) - 1.0 for end in ends)),
        rel=2e-4,
        abs=2e-6,  # slopes are taken over one standard uncertainty
    )


@pytest.mark.parametrize("judged", [True, False])
def test_preload_friction_and_spring_by_hand(visit: Visit, judged: bool) -> None:
    """Friction by both flanks, weighed by their doubts; the spring by what is left of the preload. The loss
    of preload is asked at 93 % of 4.8 %, then the spring, which falls, at a third of 4.8 %; friction at the
    half that is left of it, within which it stays, as the gain does."""
    own = {"friction_coefficient": 0.113, "spring_force": 1970.0}
    later = {"friction_coefficient": 0.109, "spring_force": 1970.0}
    pair = both(
        visit("v1", BEFORE, known={*MAIN, *own}, own=own), visit("v2", AFTER, known={*MAIN, *own}, own=later)
    )
    found = differences_between(pair, judged=judged)
    preload, u_preload = log_change("preload_torque")
    (drive, u_drive), (coast, u_coast) = level_change("drive"), level_change("coast")
    weights = np.array([1.0 / (u_drive**2 + 1e-6), 1.0 / (u_coast**2 + 1e-6)])
    weights /= weights.sum()
    friction, u_friction = float(weights @ [drive, coast]), math.hypot(*(weights * [u_drive, u_coast]))
    spring, u_spring = preload - friction, math.hypot(u_preload, u_friction)
    assert numbers(found.changes["preload_torque"]) == of_ratio(preload, u_preload, 0.024, 0.93 * 0.048)
    assert numbers(found.changes["spring_force"]) == of_ratio(spring, u_spring, 0.008, 0.008)
    assert numbers(found.changes["friction"]) == of_ratio(friction, u_friction, 0.012, 0.012)
    chances = {
        "preload_torque": norm.sf(-preload / u_preload),
        "friction": 2.0 * norm.sf(abs(friction) / u_friction),
        "spring_force": 2.0 * norm.sf(abs(spring) / u_spring),
    }
    for name, chance in chances.items():
        told = found.changes[name]
        assert told.chance == pytest.approx(chance, rel=0.02)
        assert told.significant is (name != "friction")
        assert told.relative
        assert told.against == ("repeatability" if judged else "fit")
        assert told.budget == pytest.approx({"noise": told.u})
    assert 0.024 < chances["friction"] < 0.048
    # both states' own numbers; of what rests on a sheet, what the change alone makes of the first
    changes = [found.changes[name] for name in ("preload_torque", "friction", "spring_force")]
    assert [one.unit for one in changes] == ["N·m", "1", "N"]
    assert [(one.before, one.after) for one in changes] == [
        (pytest.approx(80.0), pytest.approx(66.0)),
        (pytest.approx(0.113), None),
        (pytest.approx(1970.0), None),
    ]
    assert changes[0].carried is None
    assert changes[1].carried == pytest.approx(0.113 * math.exp(friction))
    assert changes[2].carried == pytest.approx(1970.0 * math.exp(spring))
    assert changes[1].meaning == "friction of the plates, by the ramp bias in drive and coast"
    assert found.spring == pytest.approx((spring, u_spring), rel=2e-4)
    assert found.flanks_apart == pytest.approx((drive - coast) / math.hypot(u_drive, u_coast), rel=2e-4)


def test_a_gain_is_asked_as_one_of_the_lesser_questions(visit: Visit) -> None:
    """Turned round: the preload rises as proven as it fell, by the question of least weight."""
    found = differences_between(both(visit("v1", AFTER), visit("v2", BEFORE)), judged=True).changes
    step, u = log_change("preload_torque")
    told = found["preload_torque"]
    assert told.significant
    assert told.chance == pytest.approx(norm.sf(-step / u), rel=0.02)
    assert told.change == pytest.approx(math.exp(-step) - 1.0)
    # spring and gain have fallen; the loss, which stays, is asked with what they leave: 0.93 of 0.93 + 0.07/3
    assert told.tested_high == pytest.approx(
        math.exp(-step + norm.isf(0.048 * 0.93 / (0.93 + 0.07 / 3.0)) * u) - 1.0, rel=2e-4
    )


def missing(found: Differences) -> dict[str, str]:
    return {
        name: why
        for name, why in found.missing.items()
        if name in ("preload_torque", "friction", "spring_force")
    }


def test_what_is_not_determined_in_both_is_told_with_what_it_needs(visit: Visit) -> None:
    """Without a preload, without a bias, with one flank alone, and without its unloading."""
    of_spring = "preload torque and a ramp bias that both results determine"
    of_friction = "a ramp bias that both results determine: it tells friction from spring force"
    before = visit("v1", BEFORE)
    found = differences_between(both(before, visit("v2", AFTER, known=BIASES)), judged=True)
    assert missing(found) == {
        "preload_torque": "a preload torque that both results determine", "spring_force": of_spring
    }  # fmt: skip
    assert (set(found.changes), found.spring) == (
        {"friction", "unloading_ratio_drive", "unloading_ratio_coast"}, None
    )  # fmt: skip
    # alone, friction has all of the level
    friction = found.changes["friction"]
    assert friction.tested_high == pytest.approx(
        (1.0 + friction.change) * math.exp(norm.isf(0.024) * friction.u / (1.0 + friction.change)) - 1.0
    )
    found = differences_between(both(before, visit("v2", AFTER, known={"preload_torque"})), judged=True)
    assert missing(found) == {"friction": of_friction, "spring_force": of_spring}
    assert (set(found.changes), found.spring, found.flanks_apart) == ({"preload_torque"}, None, None)
    for flank, mean in (("drive", True), ("coast", False)):
        known = {"preload_torque", f"ramp_bias_{flank}_loading"}
        known |= {f"ramp_bias_{flank}_unloading"} if mean else set()
        found = differences_between(both(before, visit("v2", AFTER, known=known)), judged=True)
        step, u = level_change(flank, mean=mean)
        friction = found.changes["friction"]
        assert (friction.change, friction.u) == pytest.approx(
            (math.exp(step) - 1.0, math.exp(step) * u), rel=2e-4
        )
        assert friction.meaning == f"friction of the plates, by the ramp bias in {flank}"
        assert (missing(found), found.flanks_apart) == ({}, None)


def test_ramps_oil_and_the_shape_of_friction_by_hand(visit: Visit) -> None:
    """Ratios as ratios, the others as they are; held against the fit's doubt, each of what is determined by
    as much of 4.8 %. The first that falls leaves the others half of it."""
    names = ("unloading_ratio_drive", "viscous_coefficient", "friction_temperature_coefficient")
    known = {*MAIN, *names[1:]} - {"ramp_bias_coast_unloading"}
    found = {"viscous": (0.05, 0.008), "temperature_coefficient": (-0.0010, 0.0002)}
    later = {"viscous": (0.06, 0.006), "temperature_coefficient": (-0.0022, 0.0001)}
    pair = both(visit("v1", {**BEFORE, **found}, known=known), visit("v2", {**AFTER, **later}, known=known))
    told = differences_between(pair, judged=True)
    assert set(told.changes) - {"preload_torque", "friction", "spring_force"} == set(names)
    step, u = log_change("unloading_ratio_drive")
    ramps, oil, heat = (told.changes[name] for name in names)
    # the temperature coefficient falls by 0.0012, known to √5 parts in ten thousand, and is asked at a third
    assert numbers(heat) == pytest.approx(
        (
            -0.0012, (w := 1e-4 * math.sqrt(5.0)), -0.0012 - NORMAL * w, -0.0012 + NORMAL * w,
            -0.0012 - norm.isf(0.008) * w, -0.0012 + norm.isf(0.008) * w,
        ), rel=1e-6,
    )  # fmt: skip
    assert numbers(oil) == pytest.approx(
        (
            0.01,
            0.01,
            0.01 - 0.01 * NORMAL,
            0.01 + 0.01 * NORMAL,
            *(0.01 * (1.0 + k * norm.isf(0.012)) for k in (-1, 1)),
        ),
        rel=1e-6,
    )
    assert numbers(ramps) == of_ratio(step, u, 0.012, 0.012)
    assert [one.significant for one in (ramps, oil, heat)] == [False, False, True]
    assert [one.relative for one in (ramps, oil, heat)] == [True, False, False]
    assert [one.unit for one in (ramps, oil, heat)] == ["1", "N·m·s/rad", "1/K"]
    assert {one.against for one in (ramps, oil, heat)} == {"fit"}
    assert (ramps.before, ramps.after) == pytest.approx((1.30, 1.36))
    assert (oil.before, oil.after, heat.before, heat.after) == pytest.approx((0.05, 0.06, -0.001, -0.0022))
    assert oil.chance == pytest.approx(2.0 * norm.sf(1.0))
    assert told.missing["unloading_ratio_coast"] == (
        "ramp_bias_coast_loading and ramp_bias_coast_unloading that both results determine"
    )
    assert told.missing["friction_slope"] == "friction_slope that both results determine"


def test_a_law_s_own_numbers_and_the_slope_of_friction(visit: Visit) -> None:
    """m(v) = 1 + e exp(-(v/v_s)^δ) over its value at the reference, here by differences of it; the speed as a
    ratio."""
    law = {"static_excess": (0.20, 0.01), "stribeck_speed": (math.log(0.02), 0.10)}
    later = {"static_excess": (0.16, 0.02), "stribeck_speed": (math.log(0.03), 0.20)}
    names = ("static_friction_excess", "stribeck_speed", "friction_slope")
    known = {*MAIN, *names}
    one, two = visit("v1", {**BEFORE, **law}, known=known), visit("v2", {**AFTER, **later}, known=known)
    found = differences_between(both(one, two), judged=True).changes
    static, speed, slope = (found[name] for name in names)
    assert (static.before, static.after, static.change, static.u) == pytest.approx(
        (0.20, 0.16, -0.04, math.hypot(0.01, 0.02))
    )
    assert (speed.before, speed.after, speed.change) == pytest.approx((0.02, 0.03, 0.5))
    assert speed.u == pytest.approx(1.5 * math.hypot(0.10, 0.20))
    assert (static.relative, speed.relative, slope.relative) == (False, True, False)
    facts = one.characterisation.builds[0]
    exponent = one.characterisation.forms[0].stribeck_exponent
    assert exponent is not None
    v = 0.5 * 4.0 * facts.effective_radius_m

    def factor(excess: float, at: float, v: float) -> float:
        return 1.0 + excess * math.exp(-((v / at) ** exponent))

    steep = [
        (factor(*told, v + 1e-6) - factor(*told, v - 1e-6)) / 2e-6 / factor(*told, v)
        for told in ((0.20, 0.02), (0.16, 0.03))
    ]
    assert (slope.before, slope.after) == pytest.approx(steep, rel=1e-5)
    assert slope.change == pytest.approx(steep[1] - steep[0], rel=1e-5)


def test_several_visits_of_a_state_count_by_their_mean(visit: Visit) -> None:
    """Of 66 and 62 N·m after 80: the geometric mean, known to half of the root of both squares."""
    last = {**AFTER, "preload_torque": (62.0, 0.5)}
    pair = paired([visit("v1", BEFORE), visit("v2", AFTER), visit("v3", last)], before=1)
    told = differences_between(pair, judged=True).changes["preload_torque"]
    mean = math.sqrt(66.0 * 62.0)
    assert (told.before, told.after) == pytest.approx((80.0, mean))
    assert told.change == pytest.approx(mean / 80.0 - 1.0, rel=1e-6)
    u = math.sqrt((0.9 / 80.0) ** 2 + 0.25 * ((0.7 / 66.0) ** 2 + (0.5 / 62.0) ** 2))
    assert told.u == pytest.approx(mean / 80.0 * u, rel=2e-4)
    silent = visit("v3", last, known=BIASES)
    told = differences_between(
        paired([visit("v1", BEFORE), visit("v2", AFTER), silent], before=1), judged=True
    )
    assert "preload_torque" in told.missing


def locked(found: Mapping[str, tuple[float, float]], torque: float, branch: str) -> float:
    """Preload and ramps add; the mean branch lies in the middle."""
    flank = "drive" if torque > 0.0 else "coast"
    ratio = found[f"unloading_ratio_{flank}"][0]
    times = {"loading": 1.0, "unloading": ratio, "mean": 0.5 + 0.5 * ratio}[branch]
    return found["preload_torque"][0] + found[f"ramp_bias_{flank}_loading"][0] * times * abs(torque)


def test_locking_torque_where_both_visits_tested_by_hand(visit: Visit) -> None:
    """Input torques, speed differences and temperatures that both cover; less locking by the preload and by
    the bias times the torque, each doubt by its own."""
    other = [(-200.0, 0.8), (500.0, 0.8), (500.0, 6.0), (-200.0, 6.0)]
    pair = both(visit("v1", BEFORE), visit("v2", AFTER, outline=other, heat=(55.0, 90.0)))
    places = conditions_at_corner_entry(pair)
    assert [one.input_torque_Nm for one in places] == pytest.approx([0.0, -50.0, -100.0, -200.0])
    for one in places:
        torque = one.input_torque_Nm
        start, end = (locked(found, torque, "loading") for found in (BEFORE, AFTER))
        assert (one.before_Nm, one.after_Nm, one.change_Nm) == pytest.approx((start, end, end - start))
        u = math.hypot(0.9, 0.7, 0.005 * torque, 0.004 * torque)
        assert (one.low_Nm, one.high_Nm) == pytest.approx(
            (end - start - NORMAL * u, end - start + NORMAL * u)
        )
        assert (one.temperature_degC, one.tested) == (60.0, True)
        assert one.speed_difference_rad_s == pytest.approx(0.8)
    told = difference_map(pair)
    assert told is not None
    assert told.input_torque_Nm == pytest.approx(sorted({*np.linspace(-200.0, 500.0, 21).tolist(), 0.0}))
    assert told.speed_difference_rad_s == pytest.approx(np.geomspace(0.8, 6.0, 11))
    assert told.temperature_degC == [55.0, 60.0, 75.0]
    at = told.input_torque_Nm.index(pytest.approx(360.0))
    u = {
        "loading": math.hypot(0.006, 0.008),
        "unloading": math.hypot(1.30 * 0.006, 0.50 * 0.02, 1.36 * 0.008, 0.47 * 0.025),
        "mean": math.hypot(1.15 * 0.006, 0.25 * 0.02, 1.18 * 0.008, 0.235 * 0.025),
    }
    for branch, table in told.branches.items():
        change = locked(AFTER, 360.0, branch) - locked(BEFORE, 360.0, branch)
        half = NORMAL * math.hypot(0.9, 0.7, 360.0 * u[branch])
        for part, value in (
            (table.change_Nm, change), (table.low_Nm, change - half), (table.high_Nm, change + half)
        ):  # fmt: skip
            assert np.array(part)[at] == pytest.approx(np.full((11, 3), value))
        assert np.array(table.tested)[at].all()
    # unloading was seen from 520 N·m down: below the highest input torque, not at it
    rows = list(csv.DictReader(io.StringIO(difference_csv(told))))
    assert len(rows) == len(told.input_torque_Nm) * 11 * 3
    row = rows[(at * 11 + 4) * 3 + 1]
    assert float(row["speed_difference_rad_s"]) == told.speed_difference_rad_s[4]
    assert (float(row["input_torque_Nm"]), float(row["temperature_degC"])) == (pytest.approx(360.0), 60.0)
    for branch, table in told.branches.items():
        for column, part in (
            ("change_Nm", table.change_Nm), ("low_Nm", table.low_Nm), ("high_Nm", table.high_Nm)
        ):  # fmt: skip
            assert float(row[f"{branch}_{column}"]) == part[at][4][1]
        assert row[f"{branch}_tested"] == "true"


def test_what_only_one_visit_tested_is_told_and_nothing_in_common_is_no_map(visit: Visit) -> None:
    """On drive alone there is no engine braking; the temperature nearest to the reference; a unit that came
    down from 220 N·m in coast alone has not shown more of it."""
    drive = [(20.0, 0.8), (500.0, 0.8), (500.0, 6.0), (20.0, 6.0)]
    first = visit("v1", BEFORE)
    pair = both(first, visit("v2", AFTER, outline=drive, heat=(65.0, 90.0)))
    assert [one.input_torque_Nm for one in conditions_at_corner_entry(pair)] == [0.0]
    told = difference_map(pair)
    assert told is not None
    assert told.input_torque_Nm == pytest.approx(np.linspace(20.0, 500.0, 21))
    assert told.temperature_degC == [65.0, 75.0]
    told = difference_map(both(first, visit("v2", AFTER)))
    assert told is not None
    tested = {
        torque: np.array(told.branches["unloading"].tested)[i].all()
        for i, torque in enumerate(told.input_torque_Nm)
    }
    assert tested == {torque: -220.0 <= torque <= 520.0 for torque in told.input_torque_Nm}
    for outline, heat in (
        ([], (50.0, 75.0)),
        ([(800.0, 0.5), (900.0, 0.5), (900.0, 10.0)], (50.0, 75.0)),
        ([(0.0, 11.0), (90.0, 11.0), (90.0, 12.0)], (50.0, 75.0)),
        (OUTLINE, (76.0, 90.0)),
    ):
        pair = both(first, visit("v2", AFTER, outline=outline, heat=heat))
        assert (difference_map(pair), conditions_at_corner_entry(pair)) == (None, [])
