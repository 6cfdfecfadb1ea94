"""Where the axes of a map may have nodes, and what its document says beside them; the law's limits by hand
at a few nodes that are given."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any, ClassVar

import numpy as np
import pytest

from diffbench.doubts import Source
from diffbench.physics.preload import PRELOAD_LAWS
from diffbench.physics.steady import UnitQuantities, steady_locking_torque
from diffbench.results import AXES, Characterisation, FormState, LockingMap, map_on
from diffbench.results import predict as rules
from diffbench.results.locking_map import MapInterpolation

Region = Callable[..., Any]
Forms = Callable[..., FormState]
Results = Callable[..., Characterisation]
Hand = Callable[[str], UnitQuantities]
NODES = (np.array([-150.0, 0.0, 100.0, 300.0]), np.array([2.0, 7.0]), np.array([50.0, 65.0]))
ODD = {
    "outline": [(-210.0, 1.7), (530.0, 2.3), (530.0, 8.1), (-210.0, 9.4)],
    "temperature_degC": (47.3, 71.6),
    "drive_unloading_Nm": 390.0,
    "coast_unloading_Nm": 160.0,
}


class TestPlans:
    def test_ends_and_marks(self, characterised: Results, form_of: Forms, region_of: Region) -> None:
        """Torque five times the larger end, to two digits upwards (2650: 2700); the ends of what was tested,
        zero, where unloading stops to count, and where the law opens, 80/0.9 over each slope; speed from rest
        to twice the fastest (18.8: 19), the ends of both torques' speeds, 2.1 % outside but within the range;
        temperature by 20 K and on to whole ones; the reference is a node."""
        result = characterised(form_of("greater-of"), tested=region_of(**ODD))
        torque, speed, heat = rules._plans(result, None)
        opening = 80.0 / (1.0 - 0.1)
        corners = [opening / 0.5, opening / (0.5 * 1.4), -opening / 0.3, -opening / (0.3 * 1.3)]
        marks = [-2700.0, -210.0, -160.0, 0.0, 390.0, 530.0, 2700.0, *corners]
        np.testing.assert_allclose(torque.required, sorted(marks), rtol=1e-9)
        marks = [0.0, 1.7, 2.3 * (1.0 - 0.021), 4.0, 8.1 * 1.021, 9.4, 19.0]
        np.testing.assert_allclose(speed.required, sorted(marks), rtol=1e-9)
        np.testing.assert_allclose(heat.required, [27.0, 47.3, 60.0, 71.6, 92.0], rtol=1e-9)
        assert rules.map_ends(result) == [(-2700.0, 2700.0), (0.0, 19.0), (27.0, 92.0)]
        coast = [(-610.0, 1.7), (530.0, 2.3), (530.0, 8.1), (-610.0, 9.4)]
        other = characterised(tested=region_of(**{**ODD, "outline": coast}))
        assert rules.map_ends(other)[0] == (-3100.0, 3100.0)

    def test_candidates(self, characterised: Results, region_of: Region) -> None:
        """Four hundred or so where it was tested, of torque 740/400, so 2 N·m, of temperature 24.3/400, so a
        tenth; a hundred or so all over, 5400/100, so 100 N·m, and 65/100, so a kelvin; speeds by a twentieth
        of each decade's first digit from a ten-thousandth of the fastest on."""
        torque, speed, heat = rules._plans(characterised(tested=region_of(**ODD)), None)
        wanted = {*range(-210, 531, 2), *range(-2700, 2701, 100), *torque.required.tolist()}
        np.testing.assert_allclose(torque.candidates, sorted(wanted))
        wanted = {*(n / 10.0 for n in range(473, 717)), *range(27, 93), *heat.required.tolist()}
        np.testing.assert_allclose(heat.candidates, sorted(wanted))
        digits = {round(10.0**decade * n / 20.0, 9) for decade in range(-4, 3) for n in range(20, 200)}
        wanted = {x for x in digits if 0.00189 < x < 19.0} | set(speed.required.tolist())
        np.testing.assert_allclose(speed.candidates, sorted(wanted))

    def test_where_nothing_was_tested(self, characterised: Results, region_of: Region) -> None:
        """No further than it is asked for, and a tenth as fine."""
        still = region_of(
            outline=[], temperature_degC=(60.0, 60.0), drive_unloading_Nm=0.0, coast_unloading_Nm=0.0
        )
        result = characterised(tested=still)
        assert rules.map_ends(result) == [(0.0, 0.0), (0.0, 0.0), (59.0, 61.0)]
        asked = {"input_torque_Nm": (-300.0, 600.0), "speed_difference_rad_s": (0.0, 10.0)}
        torque, speed, heat = rules._plans(result, asked)
        np.testing.assert_allclose(torque.candidates, range(-300, 601, 25))
        digits = {round(10.0**decade * n / 2.0, 9) for decade in range(-4, 2) for n in range(2, 20)}
        np.testing.assert_allclose(
            speed.candidates, sorted({x for x in digits if 0.00101 < x < 10.0} | {0.0, 10.0})
        )
        np.testing.assert_allclose(heat.candidates, 59.0 + 0.05 * np.arange(41))

    def test_what_is_asked_for(self, characterised: Results) -> None:
        """Less than was tested is not heard; marks beyond the ends are none; None asks for nothing."""
        asked = {"input_torque_Nm": (-50.0, 700.0), "temperature_degC": None}
        ends = rules.map_ends(characterised(), axes=asked)
        assert ends == [(-300.0, 700.0), (0.0, 20.0), (28.0, 96.0)]
        sheet = {**dict.fromkeys(AXES), "input_torque_Nm": (-900.0, 800.0), "temperature_degC": (10.0, 99.0)}
        result = characterised(map_axes=sheet)
        assert rules.map_ends(result, axes=asked) == [(-300.0, 700.0), (0.0, 20.0), (10.0, 99.0)]
        assert rules.map_ends(result) == [(-900.0, 800.0), (0.0, 20.0), (10.0, 99.0)]
        # quoted at 60 °C and 4 rad/s, which a map that does not reach there has no node at
        cold = {"temperature_degC": 40.0, "speed_difference_rad_s": 4.0}
        _, speed, heat = rules._plans(characterised(reference=cold), None)
        assert 4.0 in speed.required
        assert 40.0 not in heat.required

    @pytest.mark.parametrize(
        ("step", "rounded"),
        [(1.0, 1.0), (1.001, 1.0), (1.002, 2.0), (2.001, 2.0), (2.003, 2.5), (2.6, 5.0),
         (5.1, 10.0), (0.0312, 0.05)],
    )  # fmt: skip
    def test_a_round_step(self, step: float, rounded: float) -> None:
        """The next one of 1, 2, 2.5 and 5, but for a thousandth."""
        assert rules._round_step(step) == pytest.approx(rounded)

    @pytest.mark.parametrize(
        ("reach", "rounded"),
        [(0.0, 0.0), (-1.0, 0.0), (2705.0, 2800.0), (3000.0, 3000.0), (0.1 + 0.2, 0.3), (0.0421, 0.043)],
    )
    def test_two_digits_upwards(self, reach: float, rounded: float) -> None:
        assert rules._rounded_up(reach) == pytest.approx(rounded, rel=1e-12)

    def test_speeds_of_both_ends_of_torque(self) -> None:
        """Points within half a per cent of the range of an end (900 N·m: 4.32) belong to it; 2.1 %
        outside."""
        outline = np.array(
            [[-300.0, 1.5], [-295.7, 9.0], [-295.6, 9.5], [600.0, 2.0], [595.7, 8.0], [595.6, 8.5]]
        )
        expected = [1.5 * 0.979, 2.0 * 0.979, 8.0 * 1.021, 9.0 * 1.021]
        np.testing.assert_allclose(rules._corner_speeds(outline), expected, rtol=1e-12)

    def test_corners_of_a_flank_that_slopes(self, characterised: Results, form_of: Forms) -> None:
        """None of an additive law, nor of a flank without ramps."""
        assert rules.law_corners(characterised()) == set()
        one = characterised(form_of("greater-of", ramp_bias_coast_loading=0.0, joint_fraction=0.0))
        assert sorted(rules.law_corners(one)) == pytest.approx([80.0 / 0.7, 160.0])


STEADY = [
    "steady state; plates and oil at the same temperature; the speed difference is its magnitude",
    "the unloading branch is where the ramps stand after coming down from a much higher input torque",
    "a node that is not tested is an extrapolation by the fitted law, its limits wider by the distance",
]


def friction_at(speed: float, heat: float) -> float:
    """Over that of 4 rad/s and 60 °C, faces at 46 mm, half the speed difference on either side: Stribeck's
    exponential and a line in temperature."""
    own, reference = (1.0 + 0.15 * np.exp(-0.5 * v * 0.046 / 0.03) for v in (speed, 4.0))
    return float(own / reference * (1.0 - 0.0012 * (heat - 60.0)))


class TestDocument:
    def test_what_it_is_of(self, characterised: Results, form_of: Forms) -> None:
        result = characterised()
        told = MapInterpolation(allowed=0.0005, locking_torque=0.001, limits=0.002, tested_not_shown=0.1)
        document = map_on(result, NODES, interpolation=told).document
        assert (document.unit, document.build, document.law, document.confidence) == (
            "Q17", "Q17-a", "additive", 0.95,
        )  # fmt: skip
        assert document.characterisation_sha256 == result.digest
        assert (document.shows, document.predicted, document.interpolation) == ("by the law", None, told)
        assert list(document.notes) == STEADY
        assert document.provenance == result.provenance.model_dump(mode="json")
        for name, axis in zip(AXES, NODES, strict=True):
            assert getattr(document.axes, name) == tuple(axis.tolist())
        # 1.5 N·m of preload in doubt, half of the width at the ends and at zero: over the distance
        doubtful = map_on(characterised(form_of(u={"preload_torque": 1.5})), NODES).document.beyond
        assert doubtful is not None
        slow = 1.5 * 1.959964 * float(friction_at(2.0, 50.0))
        assert doubtful.half_width_per_Nm["loading"] == pytest.approx(
            (2.0 * slow / 150.0, 2.0 * slow / 300.0)
        )
        assert doubtful.half_width_per_Nm["either"][0] > doubtful.half_width_per_Nm["loading"][0]
        # a law without a corner, and limits that hold a corner already: the slope of the end goes on
        coast, drive = document.beyond.half_width_per_Nm["loading"]
        flat = form_of("greater-of", ramp_bias_coast_loading=0.1)
        level = map_on(characterised(flat), NODES).document.beyond
        assert level is not None
        assert level.half_width_per_Nm["loading"][0] == pytest.approx(coast, abs=1e-9)
        assert drive == pytest.approx(0.0, abs=1e-9)

    def test_a_unit_as_it_would_be(self, characterised: Results) -> None:
        found = map_on(characterised(), NODES, predicted="shim 0.1 mm more")
        assert found.document.characterisation_sha256 is None
        assert not any(table.any() for table in found.tested.values())
        assert map_on(characterised(), NODES).tested["mean"].any()
        assert list(found.document.notes) == [
            "PREDICTED by the fitted law, not measured: shim 0.1 mm more", *STEADY,
        ]  # fmt: skip
        assert rules._shows(corrected=True, predicted=True) == "as measured, carried over"
        assert rules._shows(corrected=True, predicted=False) == "as measured"
        assert rules._shows(corrected=False, predicted=True) == "by the law"

    @pytest.mark.parametrize(("off", "told"), [(0.001, False), (0.00101, True), (0.0123, True)])
    def test_a_coarse_map_says_so(self, off: float, told: bool, characterised: Results) -> None:
        own = MapInterpolation(allowed=0.0005, locking_torque=off, limits=off, tested_not_shown=0.0)
        notes = list(map_on(characterised(), NODES, interpolation=own).document.notes)
        percent = {0.00101: "0.1", 0.0123: "1.2"}.get(off)
        words = f"a lookup between nodes is up to {percent} % off, "
        words += "which the limits do not hold: nodes are too few"
        assert notes == [*STEADY, *([words] if told else [])]

    def test_flanks_that_were_not_seen_and_slight_ramps(
        self, characterised: Results, form_of: Forms, region_of: Region
    ) -> None:
        unseen = characterised(tested=region_of(drive_ramp_seen=False))
        guess = (
            "ramps were not seen at work: beyond the tested torque the map is a guess of that flank, with "
            "limits for any ramp"
        )
        assert list(map_on(unseen, NODES).document.notes) == [*STEADY, f"the drive {guess}"]
        slight = characterised(form_of(ramp_bias_drive_loading=0.05, ramp_bias_coast_loading=0.05))
        assert list(map_on(slight, NODES).document.notes) == [
            *STEADY,
            (
                "the ramps passed on so little that a preload contact of the greater-of law may never have "
                "opened: "
                "beyond the tested torque the limits hold that, too; sweep to a higher input torque, or "
                "state the "
                "law in the build sheet"
            ),
        ]
        stated = slight.model_copy(update={"law": slight.law.model_copy(update={"status": "stated"})})
        assert list(map_on(stated, NODES).document.notes) == STEADY


class TestLimitsByHand:
    U: ClassVar = {
        "preload_torque": 1.5,
        "ramp_bias_drive_loading": 0.02,
        "gear_friction": 0.004,
        "viscous": 0.05,
        "stribeck_speed": 0.3,
    }
    OWN: ClassVar = {
        "preload_torque": "preload_torque",
        "ramp_bias_drive_loading": "drive_bias",
        "gear_friction": "gear_friction",
        "viscous": "viscous",
    }

    def moved(self, unit: UnitQuantities, name: str, step: float) -> UnitQuantities:
        if name == "stribeck_speed":
            excess, speed = unit.friction_values
            return replace(unit, friction_values=(excess, speed * float(np.exp(step))))
        return replace(unit, **{self.OWN[name]: getattr(unit, self.OWN[name]) + step})

    @pytest.mark.parametrize("branch", ["loading", "unloading", "mean"])
    def test_an_additive_unit(
        self, branch: str, characterised: Results, form_of: Forms, region_of: Region, law_by_hand: Hand
    ) -> None:
        """u² by the larger of both differences of each unknown, two of them tied; and what is doubt beyond
        what was tested comes on top."""
        form = form_of(u=self.U)
        covariance = np.array(form.covariance)
        at = {name: form.names.index(name) for name in self.U}
        tie = -0.4 * 1.5 * 0.02
        one, other = at["preload_torque"], at["ramp_bias_drive_loading"]
        covariance[one, other] = covariance[other, one] = tie
        form = form.model_copy(update={"covariance": covariance.tolist()})
        axes = (np.array([-400.0, 0.0, 100.0, 600.0]), np.array([1.0, 11.0]), np.array([40.0, 80.0]))
        found = map_on(characterised(form, tested=region_of(**ODD)), axes)
        torque, speed, heat = np.meshgrid(*axes, indexing="ij")
        unit = law_by_hand("additive")

        def locked(of: UnitQuantities) -> np.ndarray:
            return np.asarray(steady_locking_torque(of, torque, speed, heat, branch))

        value, slopes = locked(unit), {}
        for name, u in self.U.items():
            more, less = locked(self.moved(unit, name, u)) - value, value - locked(self.moved(unit, name, -u))
            slopes[name] = np.where(np.abs(more) >= np.abs(less), more, less)
        variance = sum(slope**2 for slope in slopes.values())
        variance = variance - 2.0 * 0.4 * slopes["preload_torque"] * slopes["ramp_bias_drive_loading"]
        ends = (-210.0, 530.0) if branch == "loading" else (-160.0, 390.0)
        at_edge = steady_locking_torque(unit, np.clip(torque, *ends), speed, heat, branch)
        beyond = np.where(speed == 1.0, 0.7 / 1.7, 1.6 / 9.4) + np.where(heat == 40.0, 7.3, 8.4) / 30.0
        half = 1.959964 * np.sqrt(variance) + 0.1 * (np.abs(value - at_edge) + value * beyond)
        np.testing.assert_allclose(found.values[branch], value, rtol=1e-12)
        np.testing.assert_allclose(found.high[branch], value + half, rtol=1e-9)
        np.testing.assert_allclose(found.low[branch], np.maximum(value - half, 0.0), rtol=1e-9)

    FAR: ClassVar = (np.array([-700.0, -400.0, -150.0, 0.0, 150.0, 400.0, 700.0]), NODES[1], NODES[2])

    @pytest.mark.parametrize("drive", [True, False])
    @pytest.mark.parametrize("reached", [(210.0, 160.0), (60.0, 45.0), (0.0, 0.0)])
    @pytest.mark.parametrize("branch", ["loading", "unloading", "mean"])
    def test_a_flank_that_never_opened(
        self,
        drive: bool,
        reached: tuple[float, float],
        branch: str,
        characterised: Results,
        form_of: Forms,
        region_of: Region,
        law_by_hand: Hand,
    ) -> None:
        """P 80, Phi 0.1, ramps of 0.6 and 1.6: as good as closed to 210 N·m loading, 160 unloading, to less
        than P, or never loaded. The value opens nothing within that; the least is the closed law P + Phi K
        |T|, the most opens right behind what was seen: from P there, by all of its torque where no more than
        P was seen."""
        own, other, sign = ("drive", "coast", 1.0) if drive else ("coast", "drive", -1.0)
        low, high = (-530.0, reached[0]) if drive else (-reached[0], 530.0)
        region = region_of(
            outline=[(low, 1.7), (high, 2.3), (high, 8.1), (low, 9.4)],
            temperature_degC=(47.3, 71.6),
            **{f"{own}_unloading_Nm": reached[1], f"{other}_unloading_Nm": 390.0},
            **{f"{own}_ramp_seen": False},
        )
        ramps = {f"ramp_bias_{own}_loading": 0.6, f"unloading_ratio_{own}": 1.6}
        ramps |= {f"ramp_bias_{other}_loading": 0.5, f"unloading_ratio_{other}": 1.4}
        found = map_on(characterised(form_of("greater-of", **ramps), tested=region), self.FAR)
        units = {f"{own}_bias": 0.6, f"{own}_ratio": 1.6, f"{other}_bias": 0.5, f"{other}_ratio": 1.4}
        raw = replace(law_by_hand("greater-of"), **units)
        kept, opening = raw, 80.0 / 0.9
        if reached[0] > 100.0:
            kept = replace(raw, **{f"{own}_bias": opening / 210.0, f"{own}_ratio": 210.0 / 160.0})
        closed = replace(
            raw, preload_law=PRELOAD_LAWS["additive"], preload_values=(),
            **{f"{own}_bias": 0.06, f"{other}_bias": 0.05},
        )  # fmt: skip
        place = tuple(np.meshgrid(*self.FAR, indexing="ij"))
        value = steady_locking_torque(kept, *place, branch)
        most = []
        for side, bias, seen in (("loading", 0.6, reached[0]), ("unloading", 0.96, reached[1])):
            slope = 0.1 * bias + (80.0 / seen if seen > 80.0 else 1.0)
            steep = {f"{own}_bias": slope, f"{own}_ratio": 1.0, "preload_values": (0.1 * bias / slope,)}
            if branch in (side, "mean"):
                most.append(steady_locking_torque(replace(raw, **steep), *place, side))
        here = sign * place[0] > 0.0
        least = np.where(here, np.minimum(steady_locking_torque(closed, *place, branch), value), value)
        largest = np.where(here, np.maximum(np.mean(most, axis=0), value), value)
        seen = (390.0, reached[1]) if drive else (reached[1], 390.0)
        ends = (low, high) if branch == "loading" else (-seen[0], seen[1])
        at_edge = steady_locking_torque(kept, np.clip(place[0], *ends), *place[1:], branch)
        half = 0.1 * np.abs(value - at_edge)
        np.testing.assert_allclose(found.values[branch], value, rtol=1e-9)
        np.testing.assert_allclose(found.low[branch], np.maximum(least - half, 0.0), rtol=1e-9)
        np.testing.assert_allclose(found.high[branch], largest + half, rtol=1e-9)

    @pytest.mark.parametrize("weight", [0.3, 0.05, 0.0499])
    def test_a_rival_s_value_and_its_flanks(
        self, weight: float, characterised: Results, form_of: Forms, region_of: Region, law_by_hand: Hand
    ) -> None:
        """A best form that is exact, and a clamped stack of P 90 whose ramps of 0.16 and 0.2 did not open it:
        the spread of both by the weight; from a twentieth on also the rival itself, with any ramp."""
        best = form_of(weight=1.0 - weight)
        ramps = {"ramp_bias_drive_loading": 0.16, "ramp_bias_coast_loading": 0.2}
        rival = form_of("greater-of", weight=weight, preload_torque=90.0, **ramps)
        found = map_on(characterised(best, rival, tested=region_of(**ODD)), self.FAR)
        place = tuple(np.meshgrid(*self.FAR, indexing="ij"))
        own = law_by_hand("additive")
        raw = replace(law_by_hand("greater-of"), preload_torque=90.0, drive_bias=0.16, coast_bias=0.2)
        value = steady_locking_torque(own, *place, "loading")
        other = steady_locking_torque(raw, *place, "loading")
        closed = replace(
            raw, preload_law=PRELOAD_LAWS["additive"], preload_values=(), drive_bias=0.016, coast_bias=0.02
        )
        drive, coast = 0.016 + 90.0 / 530.0, 0.02 + 90.0 / 210.0
        opened = np.where(
            place[0] > 0.0,
            steady_locking_torque(
                replace(raw, drive_bias=drive, preload_values=(0.016 / drive,)), *place, "loading"
            ),
            steady_locking_torque(
                replace(raw, coast_bias=coast, preload_values=(0.02 / coast,)), *place, "loading"
            ),
        )
        at_edge = steady_locking_torque(own, np.clip(place[0], -210.0, 530.0), *place[1:], "loading")
        half = 1.959964 * np.sqrt(weight) * np.abs(other - value) + 0.1 * np.abs(value - at_edge)
        low, high = value, value
        if weight >= 0.05:
            least, still = steady_locking_torque(closed, *place, "loading"), place[0] == 0.0
            low = np.minimum(value, np.where(still, other, least))
            high = np.maximum(value, np.where(still, other, opened))
        np.testing.assert_allclose(found.values["loading"], value, rtol=1e-9)
        np.testing.assert_allclose(found.low["loading"], np.maximum(low - half, 0.0), rtol=1e-9)
        np.testing.assert_allclose(found.high["loading"], high + half, rtol=1e-9)

    @pytest.mark.parametrize("times", [0.999, 1.001])
    def test_slight_ramps_of_an_additive_unit(
        self, times: float, characterised: Results, form_of: Forms, region_of: Region
    ) -> None:
        """The larger thrust of both flanks, 530 N·m drive or 210 coast, against 0.3/0.7 of 80: within that
        the contact may open beyond what was tested, and the most is far above the value."""
        for own, other, peak, at in (("drive", "coast", 530.0, 6), ("coast", "drive", 210.0, 0)):
            bias = times * 80.0 * 0.3 / 0.7 / peak
            form = form_of(**{f"ramp_bias_{own}_loading": bias, f"ramp_bias_{other}_loading": 0.01})
            found = map_on(characterised(form, tested=region_of(**ODD)), self.FAR)
            wide = (found.high["loading"] - found.values["loading"])[at].max()
            assert bool(wide > 25.0) is (times < 1.0), own

    def test_an_additive_flank_that_was_not_loaded(
        self, characterised: Results, form_of: Forms, region_of: Region
    ) -> None:
        """Slight ramps on the one that was may open beyond; the other is as doubtful as its bias alone."""
        outline = [(0.0, 1.7), (530.0, 2.3), (530.0, 8.1), (0.0, 9.4)]
        form = form_of(ramp_bias_drive_loading=0.01, ramp_bias_coast_loading=0.3)
        region = region_of(outline=outline, coast_unloading_Nm=0.0)
        found = map_on(characterised(form, tested=region), self.FAR)
        more = found.high["loading"] - found.values["loading"]
        assert (more[6] > 15.0).all()
        moved = found.values["loading"][0] - found.values["loading"][3]
        np.testing.assert_allclose(more[0], 0.1 * moved, rtol=1e-9)

    def test_a_flank_without_ramps_that_never_opened(
        self, characterised: Results, form_of: Forms, region_of: Region
    ) -> None:
        """Nothing divides by a bias of nothing: the value is level, the most opens behind what was seen."""
        form = form_of("greater-of", ramp_bias_coast_loading=0.0, gear_friction=0.0, viscous=0.0)
        found = map_on(characterised(form, tested=region_of(**{**ODD, "coast_ramp_seen": False})), self.FAR)
        level = found.values["loading"][:4, 0, 0]
        np.testing.assert_allclose(level, level[3])
        np.testing.assert_allclose(found.high["loading"][0, 0, 0], level[3] * 700.0 / 210.0, rtol=1e-9)

    def test_what_is_left_out_comes_in_once(self, characterised: Results, form_of: Forms) -> None:
        """Its part of the unknowns' doubt is taken off where its own doubt comes in by the place."""
        from diffbench.results.discrepancy import DiscrepancyState

        plain = form_of(u={"preload_torque": 1.5})
        block = np.zeros((len(plain.names), 1))
        block[0] = 4.0
        state = DiscrepancyState(
            largest_Nm=600.0, lengths=(1.0, 1.0, 30.0), size=0.0, once=0.0, since=0.0,
            since_response=[0.0] * len(plain.names), centres=[[0.0, 0.0, 1.0, 60.0]], mean=[0.0],
            covariance=[[0.0]], response=np.zeros((len(plain.names), 1)).tolist(),
        )  # fmt: skip
        more = np.array(plain.covariance) + block @ block.T
        doubled = plain.model_copy(
            update={"covariance": more.tolist(), "shares": {Source.LEFT_OUT: block.tolist()}}
        )

        def high(form: FormState) -> LockingMap:
            return map_on(characterised(form), NODES)

        # nodes are chosen by the law alone
        assert rules._alone(plain) is plain
        known = plain.model_copy(update={"discrepancy": state})
        assert rules._alone(known) is known
        corrected = state.model_copy(update={"corrects": True})
        alone_too = rules._alone(plain.model_copy(update={"discrepancy": corrected}))
        assert alone_too.discrepancy == state
        beside = high(doubled.model_copy(update={"discrepancy": state}))
        np.testing.assert_allclose(beside.high["mean"], high(plain).high["mean"])
        alone = high(doubled)
        assert (alone.high["mean"] - beside.high["mean"]).min() > 1.0
