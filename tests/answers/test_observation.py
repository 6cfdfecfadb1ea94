"""What a judgement takes of a record, field by field; means of visits, and what is followed, by hand."""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "history"))

from invented_results import parameter, result

from diffbench.answers import Limit, observations
from diffbench.answers.observation import Estimate, alike, followed, mean_of

NORMAL = 1.959964


def estimate(value: float, **changes: Any) -> Estimate:
    """One with doubts of all kinds."""
    plain: dict[str, Any] = {
        "u": 1.3, "low": value - 2.5, "high": value + 2.6, "unit": "N·m", "u_visit": 1.2, "u_shared": 0.5,
        "u_bench": 0.4, "refits": True,
    }  # fmt: skip
    return Estimate(value=value, **{**plain, **changes})


def record(**changes: Any) -> dict[str, Any]:
    """Two builds in one record, with limits and findings."""
    budget = {"bench repeatability": 1.2, "noise": 0.3, "tare": 0.4, "transducer gain": 0.8, "lag": 0.6}
    found = result(
        "Q17", "a", date="2026-03-05", distance_km=3.0, other_builds=("b",),
        parameters={
            "preload_torque[a]": parameter(81.0, budget, "N·m"),
            "preload_torque[b]": parameter(60.0, {"noise": 0.5}, "N·m"),
            "preload_torque_as_read": parameter(83.0, {"noise": 0.5, "bench repeatability": 0.7}, "N·m"),
            "friction_coefficient": parameter(0.11, {"what the law leaves out": 0.0072, "noise": 0.007}),
            "ramp_bias_drive_loading": {**parameter(0.5, {"noise": 0.01}), "value": None},
        },
        limits={
            "preload_torque[a]": (70.0, 90.0),
            "preload_torque[b]": (50.0, 55.0),
            "ramp_bias_drive": (0.4, 0.6),
        },
    )  # fmt: skip
    found["builds"][0] |= {"shim_m": 0.2e-3, "date": "2026-03-04"}
    found["limits"][0]["judged"] = "preload_torque_as_read"
    found["parameters"]["preload_torque[a]"]["status"] = "carried"
    found["parameters"]["preload_torque_as_read"] |= {
        "at_temperature_degC": 24.0,
        "at_speed_difference_rad_s": 0.17,
    }
    found["tested"]["outline"] = [[-120.0, 3.0], [40.0, -5.0], [300.0, 2.0]]
    rest = {"where": "", "evidence": "", "effect": "", "mend": ""}
    told = {"one": "caveat", "two": "stop", "three": "note", "friction implausible": "caveat"}
    found["findings"] = [{"name": name, "severity": told[name], **rest} for name in (*told, "one")]
    found["provenance"]["inputs"] = {
        "run.toml": "0", "rig.toml": "1", "build.toml": "2", "b.csv": "4", "a.csv": "3"
    }  # fmt: skip
    return {**found, **changes}


def test_every_field_of_an_observation() -> None:
    """Its own quantities before those of all; visit, bench and the rest of each doubt by root of squares."""
    one, other = observations(record())
    assert (one.unit, one.build, one.measured_as, one.date, one.made) == (
        "Q17", "a", "a", "2026-03-04", "2026-03-02T10:00:00+00:00"
    )  # fmt: skip
    assert (one.distance_m, one.events, one.shim_m, one.pack) == (3000.0, None, 0.2e-3, (4, 0.046))
    assert (one.bench, one.recordings) == ("1", ("3", "4"))
    assert one.flaws == ("two", "friction implausible")
    assert one.cautions == ("one", "friction implausible")
    assert (one.tested_torque_Nm, one.tested_speed_rad_s) == ((-120.0, 300.0), 5.0)
    assert one.limits == {
        "preload_torque": Limit(70.0, 90.0, "N·m"),
        "ramp_bias_drive_loading": Limit(0.4, 0.6, "N·m"),
    }
    assert set(one.estimates) == {"preload_torque", "preload_torque_as_read", "friction_coefficient"}
    preload = one.estimates["preload_torque"]
    u = math.sqrt(1.2**2 + 0.3**2 + 0.4**2 + 0.8**2 + 0.6**2)
    assert (preload.value, preload.unit, preload.refits, preload.carried) == (81.0, "N·m", True, True)
    assert (preload.u, preload.u_visit) == pytest.approx((u, 1.3))
    assert preload.u_shared == pytest.approx(math.sqrt(u**2 - 1.3**2))
    assert preload.u_bench == pytest.approx(1.0)  # gain and lag
    assert preload.interval == pytest.approx((81.0 - 1.96 * u, 81.0 + 1.96 * u))
    assert preload.scatter == preload.u_visit
    assert (preload.heat, preload.speed, preload.law_misses) == (None, None, False)
    friction = one.estimates["friction_coefficient"]
    assert (friction.law_misses, friction.carried, friction.refits) == (True, False, False)
    read = one.at_limits["preload_torque"]
    assert (read.value, read.heat, read.speed) == (83.0, 24.0, 0.17)
    assert list(one.at_limits) == ["preload_torque"]
    assert (one.assembly, one.place) == (
        ("a", 0.2e-3, (4, 0.046)),
        ("a", 0.2e-3, (4, 0.046), 3000.0, None, ""),
    )
    assert (other.build, other.date, other.shim_m) == ("b", "2026-03-05", None)
    assert other.estimates["preload_torque"].value == 60.0
    assert other.limits["preload_torque"] == Limit(50.0, 55.0, "N·m")
    assert other.at_limits == {}
    assert other.record == one.record
    assert len(one.record) == 12


def test_what_a_history_says_otherwise() -> None:
    """Names, date, distance and events of the builds that are asked for; where nobody counts, the day is the
    place. One that did not converge is flawed, and one that tested nothing says so."""
    told = record(provenance={**record()["provenance"], "inputs": {"run.toml": "0"}})
    told["diagnostics"]["converged"] = False
    told["tested"]["outline"] = []
    told["findings"] = []
    (one,) = observations(
        told, record="7", unit="U", date="2026-04-01", builds={"b": ("renamed", None, None)}
    )
    assert (one.record, one.unit, one.build, one.measured_as) == ("7", "U", "renamed", "b")
    assert (one.date, one.distance_m, one.events, one.bench, one.recordings) == (
        "2026-04-01",
        None,
        None,
        "",
        (),
    )
    assert one.place[-3:] == (None, None, "2026-04-01")
    assert one.order == ("2026-04-01", 0.0, 0, one.made, "7")
    assert (one.flaws, one.cautions) == (("not converged",), ())
    assert (one.tested_torque_Nm, one.tested_speed_rad_s) == (None, None)
    (counted,) = observations(told, builds={"b": ("b", 5.0, 3)})
    assert counted.place[-3:] == (5.0, 3, "")
    assert counted.order[1:3] == (5.0, 3)
    assert list(observations(counted)) == [counted]
    (alone,) = observations(told, builds={"b": ("b", None, 3)})
    assert alone.place[-3:] == (None, 3, "")


def test_a_law_misses_where_most_of_a_doubt_is_what_it_leaves_out() -> None:
    for left_out, misses in ((0.99, False), (1.01, True), (0.0, False)):
        told = record()
        told["parameters"]["friction_coefficient"] = parameter(
            0.11, {"what the law leaves out": left_out, "noise": 1.0}
        )
        (one, _) = observations(told)
        assert one.estimates["friction_coefficient"].law_misses is misses


def test_the_mean_of_visits_at_one_place() -> None:
    """What a refit moves shrinks with their number, the largest of the rest stays; a refit that one of them
    does not state shrinks nothing."""
    here = [estimate(80.0, u_visit=1.2, u_shared=0.5), estimate(83.0, u_visit=0.9, u_shared=0.7, unit="x")]
    found = mean_of(here)
    own = math.hypot(1.2, 0.9) / 2.0
    u = math.hypot(own, 0.7)
    assert (found.value, found.u, found.u_visit, found.u_shared) == pytest.approx((81.5, u, own, 0.7))
    assert (found.low, found.high) == pytest.approx((81.5 - NORMAL * u, 81.5 + NORMAL * u))
    assert (found.refits, found.unit) == (True, "x")
    found = mean_of([replace(here[0], refits=False), here[1]])
    assert (found.refits, found.u_visit) == (False, 0.9)
    assert found.u == pytest.approx(math.hypot(0.9, 0.7))


def test_a_rig_that_states_no_refits_scatters_as_usual() -> None:
    """By two per cent of the value, as the guide has it."""
    from diffbench.fitting.pooling import UNSTATED

    assert estimate(80.0, refits=False).scatter == pytest.approx(math.hypot(1.2, UNSTATED * 80.0))
    assert estimate(80.0, low=None).interval is None
    assert estimate(80.0, high=None).interval is None


@pytest.mark.parametrize(
    ("heats", "speeds", "same"),
    [
        ((20.0, 25.0), (None, None), True),
        ((20.0, 25.1), (None, None), False),
        ((20.0, None), (None, None), False),
        ((None, None), (0.2, 0.3), True),
        ((None, None), (2.0, 3.0), True),  # exactly
        ((None, None), (0.2, -0.301), False),
        ((None, None), (None, 0.3), False),
        ((None, None), (0.0, 0.0014), True),  # a thousandth of a radian a second is rest
        ((None, None), (0.0, 0.0016), False),
        ((20.0, 21.0), (0.2, 0.4), False),
        ((None, None), (None, None), True),
    ],
)
def test_readings_at_one_condition(heats: Any, speeds: Any, same: bool) -> None:
    """Within 5 K, and within half as much again of the speed; where all say it or none does."""
    pairs = zip(heats, speeds, strict=True)
    assert alike([estimate(80.0, heat=heat, speed=speed) for heat, speed in pairs]) is same


def seen(*values: tuple[float | None, float | None], limits: bool = True, judged: bool = True) -> list[Any]:
    """Visits with a number at the reference, and one as read."""
    (one, _) = observations(record())
    return [
        replace(
            one,
            limits=one.limits if limits else {},
            estimates={
                **({} if carried is None else {"preload_torque": estimate(carried, carried=True)}),
                **({} if read is None or judged else {"preload_torque_as_read": estimate(read, heat=20.0)}),
            },
            at_limits={} if read is None or not judged else {"preload_torque": estimate(read, heat=20.0)},
        )
        for carried, read in values
    ]  # fmt: skip


def test_what_is_followed() -> None:
    """As judged, or as read, where every visit with a number has that; else at the reference, where the least
    share of carrying is common to all and the rest of it new at its visit."""
    read = followed(seen((80.0, 82.0), (None, None), (79.0, 81.0)), "preload_torque")
    assert ([one.value for one in read.found], read.read, len(read.seen)) == ([82.0, 81.0], True, 2)
    assert read.held_to("preload_torque")
    free = followed(seen((80.0, 82.0), (79.0, 81.0), limits=False, judged=False), "preload_torque")
    assert ([one.value for one in free.found], free.read) == ([82.0, 81.0], True)
    some = seen((80.0, None), (60.0, 81.0))
    some[0] = replace(some[0], estimates={"preload_torque": estimate(80.0, carried=True, u_shared=1.6)})
    some[1] = replace(some[1], estimates={"preload_torque": estimate(60.0, carried=True, u_shared=4.8)})
    found = followed(some, "preload_torque")
    assert ([one.value for one in found.found], found.read) == ([80.0, 60.0], False)
    assert [one.u_shared for one in found.found] == pytest.approx([1.6, 1.2])  # a fiftieth of each
    own = math.sqrt(4.8**2 - 1.2**2)
    assert [one.u_visit for one in found.found] == pytest.approx([1.2, math.hypot(1.2, own)])
    assert not found.held_to("preload_torque")
    some[0] = replace(some[0], estimates={"preload_torque": estimate(80.0, u_shared=1.6)})
    found = followed(some, "preload_torque")
    assert [one.u_shared for one in found.found] == pytest.approx([1.6, 0.0])
    assert found.found[1].u_visit == pytest.approx(math.hypot(1.2, 4.8))
    plain = [replace(one, at_limits={}) for one in some[:1]]
    assert followed(plain, "preload_torque").found[0] == plain[0].estimates["preload_torque"]
    assert followed(plain, "preload_torque").held_to("preload_torque")
