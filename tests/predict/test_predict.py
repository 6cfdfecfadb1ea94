"""From a characterisation to a map: values, limits, tested region, axes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from diffbench.errors import FitError
from diffbench.physics.steady import UnitQuantities, steady_locking_torque
from diffbench.results import BRANCHES, Characterisation, FormState, LockingMap, MapDocument, make_map

SIDES_ALIKE = 0.05**2 * np.exp(-0.5 * 1.2**2)  # covariance of both branches at one place

Region = Callable[..., Any]
Forms = Callable[..., FormState]
Results = Callable[..., Characterisation]


def at(locking_map: LockingMap, *place: float, branch: Any = "loading") -> tuple[float, float, float]:
    """Value and limits."""
    return (locking_map.locking_torque(*place, branch=branch), *locking_map.interval(*place, branch=branch))


@pytest.mark.parametrize("exponent", [1.0, 2.0])
def test_older_results_name_their_friction_law_by_the_exponent(exponent: float, form_of: Forms) -> None:
    """And a newer one is read by the name: the same law, which compares as equal."""
    older = form_of().model_copy(update={"stribeck_exponent": exponent})
    newer = older.model_copy(update={"friction_law": f"stribeck-{exponent:g}"})
    assert older.friction is newer.friction
    assert older.friction.exponent == exponent


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"friction_law": "cubic"}, "the friction law 'cubic' is not known"),
        ({"stribeck_exponent": None}, "neither friction_law nor stribeck_exponent"),
    ],
)
def test_a_result_with_a_law_that_is_not_known_is_refused(
    changed: dict[str, object], said: str, form_of: Forms
) -> None:
    with pytest.raises(ValidationError, match=said):
        FormState.model_validate(form_of().model_dump() | changed)


class TestValues:
    def test_by_hand_at_the_reference_condition(self, characterised: Results) -> None:
        """P + K T + k_gear T + c Δω at 60 °C and 4 rad/s, where friction is its own reference; at round
        nodes."""
        found = make_map(characterised(), axes={"speed_difference_rad_s": (1.5, 10.0)})
        torque = float(found.axes[0][np.argmin(np.abs(found.axes[0] - 400.0))])
        loading = 80.0 + 0.52 * torque + 0.25 * 4.0
        unloading = 80.0 + (0.5 * 1.4 + 0.02) * torque + 0.25 * 4.0
        # 60 °C and 4 rad/s are nodes or lie between two: friction over speed is curved, a node apart at most
        assert found.locking_torque(torque, 4.0, 60.0, branch="loading") == pytest.approx(loading, rel=1e-3)
        assert found.locking_torque(torque, 4.0, 60.0, branch="unloading") == pytest.approx(
            unloading, rel=1e-3
        )

    def test_the_mean_is_the_mean_of_both(self, characterised: Results) -> None:
        found = make_map(characterised())
        both = 0.5 * (found.values["loading"] + found.values["unloading"])
        np.testing.assert_allclose(found.values["mean"], both, rtol=1e-12)

    def test_unloading_never_locks_less(self, characterised: Results) -> None:
        found = make_map(characterised())
        assert (found.values["unloading"] >= found.values["loading"]).all()

    def test_no_node_is_negative(self, characterised: Results, form_of: Forms) -> None:
        """However doubtful: a locking torque below zero can't be, and so can't its lower limit."""
        doubtful = form_of(preload_torque=2.0, u={"preload_torque": 50.0})
        found = make_map(characterised(doubtful))
        for branch in BRANCHES:
            assert (found.values[branch] >= 0.0).all()
            assert (found.low[branch] >= 0.0).all()

    def test_more_preload_locks_more_everywhere(self, characterised: Results, form_of: Forms) -> None:
        more = make_map(characterised(form_of(preload_torque=95.0)))
        less = make_map(characterised(form_of(preload_torque=80.0)))
        for branch in BRANCHES:
            places = np.meshgrid(*less.axes, indexing="ij")
            assert (more.locking_torque(*places, branch=branch) > less.values[branch]).all()

    def test_greater_of_stays_flat_until_its_contact_opens(
        self, characterised: Results, form_of: Forms
    ) -> None:
        """P = 80, K = 0.5, no joint fraction: level to 160 N·m but for the gears, and a node at the
        corner."""
        form = form_of("greater-of", joint_fraction=0.0, gear_friction=0.0, viscous=0.0)
        found = make_map(characterised(form))
        assert 160.0 in found.axes[0]
        reference = found.locking_torque(0.0, 4.0, 60.0, branch="loading")
        assert found.locking_torque(160.0, 4.0, 60.0, branch="loading") == pytest.approx(reference)
        assert found.locking_torque(320.0, 4.0, 60.0, branch="loading") == pytest.approx(
            2 * reference, rel=1e-9
        )


class TestLimits:
    def test_hold_the_value_between_them(self, characterised: Results, form_of: Forms) -> None:
        form = form_of(u={"preload_torque": 1.5, "ramp_bias_drive_loading": 0.01, "stribeck_speed": 0.2})
        found = make_map(characterised(form))
        for branch in BRANCHES:
            assert (found.low[branch] < found.values[branch]).all()
            assert (found.values[branch] < found.high[branch]).all()

    def test_are_those_of_the_joint_distribution(self, characterised: Results, form_of: Forms) -> None:
        """u² = (m σ_P)² + (m T σ_K)² for two independent unknowns, plus twice their covariance when they
        have one."""
        form = form_of(u={"preload_torque": 1.5, "ramp_bias_drive_loading": 0.004})
        apart = make_map(characterised(form))
        torque = apart.axes[0][-2]  # a node: between nodes the limits are straight, which these are not
        value, low, high = at(apart, torque, 4.0, 60.0)
        assert torque > 300.0
        assert (high - low) / 2 == pytest.approx(1.959964 * np.hypot(1.5, torque * 0.004), rel=2e-3)
        assert (high + low) / 2 == pytest.approx(value)
        covariance = np.array(form.covariance)
        covariance[0, 1] = covariance[1, 0] = -0.8 * 1.5 * 0.004
        tied = make_map(characterised(form.model_copy(update={"covariance": covariance.tolist()})))
        assert torque in tied.axes[0]
        _, low, high = at(tied, torque, 4.0, 60.0)
        both = 1.5**2 + (0.004 * torque) ** 2 - 2 * 0.8 * 1.5 * 0.004 * torque
        assert (high - low) / 2 == pytest.approx(1.959964 * np.sqrt(both), rel=2e-3)

    def test_an_exact_characterisation_has_none(self, characterised: Results) -> None:
        """Where it was tested; beyond, limits part by what nobody knows."""
        found = make_map(characterised())
        tested = found.tested["mean"]
        np.testing.assert_allclose(found.low["mean"][tested], found.high["mean"][tested])
        assert (found.low["mean"] < found.high["mean"])[~tested].all()

    def test_either_branch_holds_both(self, characterised: Results, form_of: Forms) -> None:
        """At 400 N·m, 60 °C and 4 rad/s: 80 + 0.52 T + 1 loading, 80 + 0.72 T + 1 unloading, each with the
        half-width of its own preload (2 N·m of u)."""
        found = make_map(characterised(form_of(u={"preload_torque": 2.0})), axes={})
        low, high = found.interval(400.0, 4.0, 60.0)
        assert low == pytest.approx(81.0 + 0.52 * 400.0 - 1.959964 * 2.0, rel=1e-3)
        assert high == pytest.approx(81.0 + 0.72 * 400.0 + 1.959964 * 2.0, rel=1e-3)
        assert found.locking_torque(400.0, 4.0, 60.0) == pytest.approx(81.0 + 0.62 * 400.0, rel=1e-3)

    def test_the_spread_of_the_forms_counts(self, characterised: Results, form_of: Forms) -> None:
        """Two forms, 80 and 90 N·m at zero torque, weights 0.8 and 0.2: the best one's value, √0.2 · 10 of
        u."""
        forms = (form_of(weight=0.8), form_of(weight=0.2, preload_torque=90.0))
        found = make_map(characterised(*forms))
        value, low, high = at(found, 0.0, 4.0, 60.0)
        assert value == pytest.approx(make_map(characterised(forms[0])).locking_torque(0.0, 4.0, 60.0))
        assert (high - low) / 2 == pytest.approx(1.959964 * np.sqrt(0.2) * 10.0, rel=2e-3)

    def test_a_corner_of_the_law_hides_no_doubt(self, characterised: Results, form_of: Forms) -> None:
        """Right at the opening of a greater-of contact one side is flat in the bias, the other isn't: the
        limits take the one that isn't."""
        form = form_of("greater-of", joint_fraction=0.0, u={"ramp_bias_drive_loading": 0.02})
        _, low, high = at(make_map(characterised(form)), 160.0, 4.0, 60.0)
        assert (high - low) / 2 == pytest.approx(1.959964 * 160.0 * 0.02, rel=0.01)


class TestTestedRegion:
    def test_ends_where_the_sweeps_ended(self, characterised: Results) -> None:
        """Swept −300 to 600 N·m, 1.5 to 10 rad/s, 48 to 76 °C: inside tested, beyond not."""
        wide = {
            "input_torque_Nm": (-500.0, 900.0),
            "speed_difference_rad_s": (0.5, 20.0),
            "temperature_degC": (20.0, 110.0),
        }
        found = make_map(characterised(), axes=wide)
        for place in ((-300.0, 4.0, 60.0), (600.0, 4.0, 60.0), (100.0, 1.5, 60.0), (100.0, 10.0, 60.0)):
            assert found.is_tested(*place, branch="loading"), place
        for place in (
            (-330.0, 4.0, 60.0),
            (640.0, 4.0, 60.0),
            (100.0, 1.2, 60.0),
            (100.0, 11.0, 60.0),
            (100.0, 4.0, 44.0),
            (100.0, 4.0, 80.0),
        ):
            assert not found.is_tested(*place, branch="loading"), place

    def test_the_unloading_branch_reaches_less_far(self, characterised: Results) -> None:
        """Coming down from 600 N·m it shows below 430; up there the thrust still stands at its peak value."""
        found = make_map(characterised())
        assert found.is_tested(400.0, 4.0, 60.0, branch="unloading")
        assert not found.is_tested(500.0, 4.0, 60.0, branch="unloading")
        assert found.is_tested(500.0, 4.0, 60.0, branch="loading")
        assert found.is_tested(-200.0, 4.0, 60.0, branch="unloading")
        assert not found.is_tested(-280.0, 4.0, 60.0, branch="unloading")
        # the mean needs both
        np.testing.assert_array_equal(
            found.tested["mean"], found.tested["unloading"] & found.tested["loading"]
        )

    def test_a_slanted_outline_is_followed(self, characterised: Results, region_of: Region) -> None:
        """The fast level was swept to 300 N·m only: at 600 N·m and 10 rad/s nothing was seen."""
        slanted = region_of(outline=[(-300.0, 1.5), (600.0, 1.5), (300.0, 10.0), (-300.0, 10.0)])
        found = make_map(characterised(tested=slanted))
        assert found.is_tested(550.0, 1.52, 60.0, branch="loading")
        assert not found.is_tested(550.0, 9.0, 60.0, branch="loading")

    def test_a_flank_that_never_opened_is_said(self, characterised: Results, region_of: Region) -> None:
        unseen = make_map(characterised(tested=region_of(coast_ramp_seen=False)))
        assert any("the coast ramps were not seen at work" in note for note in unseen.document.notes)
        assert not any("ramps were not seen" in note for note in make_map(characterised()).document.notes)

    def test_nothing_swept_is_nothing_tested(self, characterised: Results, region_of: Region) -> None:
        """Hand readings: a map by the law, no node of it tested."""
        still = region_of(
            outline=[], temperature_degC=(60.0, 60.0), drive_unloading_Nm=0.0, coast_unloading_Nm=0.0
        )
        wide = {"input_torque_Nm": (-300.0, 600.0), "speed_difference_rad_s": (1.0, 10.0)}
        found = make_map(characterised(tested=still), axes=wide)
        assert found.document.interpolation is not None
        assert found.document.interpolation.allowed == 0.005
        assert found.axes[0][0] == -300.0
        assert not any(tested.any() for tested in found.tested.values())

    def test_one_speed_level_is_a_line(self, characterised: Results, region_of: Region) -> None:
        line = region_of(outline=[(-300.0, 4.0), (600.0, 4.0)])
        found = make_map(characterised(tested=line), axes={"speed_difference_rad_s": (1.0, 8.0)})
        at_level = found.tested["loading"].any(axis=(0, 2))
        shown = found.axes[1][at_level]
        assert 4.0 in shown
        # speeds as set wobble by 3 %: so much beside the level counts as tested
        assert (np.abs(shown / 4.0 - 1.0) <= 0.03).all()


class TestAxes:
    def test_cover_the_tested_region(self, characterised: Results) -> None:
        found = make_map(characterised())
        for axis, (low, high) in zip(found.axes, ((-300.0, 600.0), (1.5, 10.0), (48.0, 76.0)), strict=True):
            assert axis[0] <= low
            assert axis[-1] >= high
            assert (np.diff(axis) > 0).all()

    def test_no_node_is_tested_outside_the_ranges_of_the_fit(
        self, characterised: Results, region_of: Region
    ) -> None:
        """On each branch tested nodes end where the figures of the fit do, however odd those are, and a place
        beside them is not tested."""
        odd = region_of(
            outline=[(-300.463, 1.515), (699.62, 1.515), (699.62, 11.775), (-300.463, 11.775)],
            temperature_degC=(47.929, 92.701), drive_unloading_Nm=527.431, coast_unloading_Nm=219.902,
        )  # fmt: skip
        found = make_map(characterised(tested=odd))
        for branch, torques in (("loading", (-300.463, 699.62)), ("unloading", (-219.902, 527.431))):
            for which, ends in enumerate((torques, (1.515, 11.775), (47.929, 92.701))):
                others = tuple({0, 1, 2} - {which})
                nodes = found.axes[which][found.tested[branch].any(axis=others)]
                assert (nodes[0], nodes[-1]) == ends
        for place in ((700.0, 4.0, 60.0), (100.0, 1.5, 60.0), (100.0, 11.8, 60.0), (100.0, 4.0, 92.8)):
            assert not found.is_tested(*place, branch="loading"), place

    def test_reach_further_than_the_bench_by_a_stated_rule(
        self, characterised: Results, region_of: Region
    ) -> None:
        """Five times the largest torque (600 N·m) on both flanks, stand-still to twice the fastest (10
        rad/s), 20 K beyond either end; nodes beyond are not tested."""
        found = make_map(characterised())
        torque, speed, heat = found.axes
        assert (torque[0], torque[-1]) == (-3000.0, 3000.0)
        assert (speed[0], speed[-1]) == (0.0, 20.0)
        assert (heat[0], heat[-1]) == (28.0, 96.0)
        for branch in BRANCHES:
            tested = found.tested[branch]
            assert not tested[[0, -1]].any()
            assert not tested[:, [0, -1]].any()
            assert not tested[:, :, [0, -1]].any()
        one = region_of(outline=[(0.0, 1.5), (400.0, 1.5), (400.0, 10.0), (0.0, 10.0)])
        drive = make_map(characterised(tested=one))
        assert (drive.axes[0][0], drive.axes[0][-1]) == (-2000.0, 2000.0)

    @pytest.mark.parametrize(
        ("name", "asked", "which"),
        [
            ("input_torque_Nm", (-800.0, 1200.0), 0),
            ("speed_difference_rad_s", (0.2, 35.0), 1),
            ("temperature_degC", (10.0, 130.0), 2),
        ],
    )
    def test_reach_what_is_asked_for(
        self, name: str, asked: tuple[float, float], which: int, characterised: Results
    ) -> None:
        """By the caller or by the build sheet."""
        by_caller = make_map(characterised(), axes={name: asked})
        limits = {**characterised().map_axes, name: asked}
        by_sheet = make_map(characterised(map_axes=limits))
        for found in (by_caller, by_sheet):
            assert (found.axes[which][0], found.axes[which][-1]) == asked

    def test_asking_for_less_keeps_the_tested_region(self, characterised: Results) -> None:
        found = make_map(characterised(), axes={"input_torque_Nm": (-50.0, 100.0)})
        assert found.axes[0][0] <= -300.0
        assert found.axes[0][-1] >= 600.0

    def test_the_caller_comes_before_the_sheet(self, characterised: Results) -> None:
        sheet = {**characterised().map_axes, "input_torque_Nm": (-900.0, 900.0)}
        found = make_map(characterised(map_axes=sheet), axes={"input_torque_Nm": (-700.0, 700.0)})
        assert (found.axes[0][0], found.axes[0][-1]) == (-700.0, 700.0)
        kept = make_map(characterised(map_axes=sheet), axes={"input_torque_Nm": None})
        assert (kept.axes[0][0], kept.axes[0][-1]) == (-900.0, 900.0)

    def test_nodes_stand_at_round_places(self, characterised: Results) -> None:
        """Beside the ends of what was tested and the marks of the law: of torque and temperature on a round
        step, within what was tested a four-hundredth of that or the next above (900 N·m: 2.5; 28 K: 0.1);
        of speed on a twentieth of a decade's first digit."""
        torque, speed, heat = make_map(characterised(), axes={"speed_difference_rad_s": (0.0, 200.0)}).axes
        for axis, step, marks in (
            (torque, 2.5, (-300.0, -230.0, 0.0, 430.0, 600.0)),
            (heat, 0.1, (48.0, 76.0, 60.0)),
        ):
            inner = np.setdiff1d(axis, marks) / step
            np.testing.assert_allclose(inner, np.round(inner), atol=1e-6)
        inner = np.setdiff1d(speed, (0.0, 1.5, 4.0, 10.0, 200.0))
        inner = inner / 10.0 ** np.floor(np.log10(inner) + 1e-9) / 0.05
        assert inner.size > 5
        np.testing.assert_allclose(inner, np.round(inner), atol=1e-6)

    def test_hold_zero_torque(self, characterised: Results, region_of: Region) -> None:
        """Where flanks meet; also when only one of them was swept."""
        drive = region_of(outline=[(50.0, 1.5), (600.0, 1.5), (600.0, 10.0), (50.0, 10.0)])
        for found in (make_map(characterised()), make_map(characterised(tested=drive))):
            assert 0.0 in found.axes[0]

    def test_stay_small_enough_for_a_table(self, characterised: Results) -> None:
        wide = {
            "input_torque_Nm": (-1000.0, 1000.0),
            "speed_difference_rad_s": (0.05, 60.0),
            "temperature_degC": (-20.0, 140.0),
        }
        found = make_map(characterised(), axes=wide)
        assert all(2 <= axis.size <= 60 for axis in found.axes)

    @pytest.mark.parametrize("law", ["additive", "greater-of"])
    def test_interpolation_adds_less_than_a_good_bench_can_tell(
        self,
        law: str,
        characterised: Results,
        form_of: Forms,
        law_by_hand: Callable[[str], UnitQuantities],
    ) -> None:
        """Over what was tested, at places of this test's own: the map against the law itself, and what the
        file says of it against what is found; over the rest of the axes, what was asked for included, against
        what the limits part by there."""
        asked = {"speed_difference_rad_s": (0.1, 30.0), "temperature_degC": (20.0, 120.0)}
        form = form_of(law)
        result = characterised(form)
        unit = law_by_hand(form.law)
        rng = np.random.default_rng(1)
        for found in (make_map(result), make_map(result, axes=asked)):
            box = ((-300.0, 600.0), (1.5, 10.0), (48.0, 76.0))
            place = [rng.uniform(low, high, 20_000) for low, high in box]
            anywhere = [rng.uniform(axis[0], axis[-1], 20_000) for axis in found.axes]
            worst = 0.0
            for branch in ("loading", "unloading", "mean"):
                true = steady_locking_torque(unit, *place, branch)
                error = found.locking_torque(*place, branch=branch) / true - 1.0
                worst = max(worst, float(np.max(np.abs(error))))
                # where nothing was tested: a twentieth of what limits part by, or half a per cent
                true = steady_locking_torque(unit, *anywhere, branch)
                read = found.read(*anywhere, branch)
                allowed = np.maximum(0.055 * (read.high - read.locking_torque), 0.005 * true)
                assert (np.abs(read.locking_torque - true) <= allowed).all()
            told = found.document.interpolation
            assert told is not None
            assert told.allowed == 0.0005
            assert worst <= told.allowed
            assert (
                worst <= 1.03 * told.locking_torque
            )  # it was measured at other places, beyond the tested too
            assert told.locking_torque <= told.allowed

    @pytest.mark.parametrize("law", ["additive", "greater-of"])
    def test_what_interpolation_adds_to_limits_is_told(
        self, law: str, characterised: Results, form_of: Forms
    ) -> None:
        """At a map's nodes its limits are the law's own, so the nodes of a map over other axes tell how far a
        lookup between this one's is off: within what the file says, and not by orders less."""
        result = characterised(form_of(law))
        found = make_map(result)
        told = found.document.interpolation
        assert told is not None
        wide = {"speed_difference_rad_s": (0.0, 61.0), "temperature_degC": (3.0, 137.0)}
        other = make_map(result, axes=wide)
        place = [part.ravel() for part in np.meshgrid(*other.axes, indexing="ij")]
        inside = np.logical_and.reduce(
            [(p >= axis[0]) & (p <= axis[-1]) for p, axis in zip(place, found.axes, strict=True)]
        )
        place = [part[inside] for part in place]
        worst = 0.0
        for branch in ("loading", "unloading"):
            read, true = found.read(*place, branch), other.read(*place, branch)
            tested = read.tested & true.tested
            assert tested.sum() > 50
            value = true.locking_torque
            scale = np.maximum(value, np.maximum(true.high - value, value - true.low))
            for limit in ("low", "high"):
                error = np.abs(getattr(read, limit) - getattr(true, limit)) / scale
                worst = max(worst, float(np.max(error[tested])))
        assert 0.02 * told.limits < worst <= 1.05 * told.limits
        assert told.limits <= told.allowed  # nodes are chosen for the limits, too

    def test_nodes_are_few(self, characterised: Results) -> None:
        """An additive law is straight in torque on each flank: nodes there are the ends, of what was tested
        and of the axis, zero, and where the unloading branch stops to count as tested."""
        found = make_map(characterised())
        assert found.axes[0].size == 7
        assert found.values["mean"].size < 1000

    def test_without_a_node_the_error_would_be_larger(
        self, characterised: Results, form_of: Forms, law_by_hand: Callable[[str], UnitQuantities]
    ) -> None:
        """No inner node of speed that is not required can be left out: it keeps its part of what is allowed,
        which the axes share."""
        form = form_of()
        result = characterised(form)
        found = make_map(result)
        unit = law_by_hand(form.law)
        speeds = found.axes[1]
        for left_out in range(1, speeds.size - 1):
            if speeds[left_out] == 4.0:
                continue
            fewer = np.delete(speeds, left_out)
            fine = np.linspace(speeds[0], speeds[-1], 2000)
            true = steady_locking_torque(unit, 0.0, fine, 60.0, "loading")
            chord = np.interp(fine, fewer, steady_locking_torque(unit, 0.0, fewer, 60.0, "loading"))
            assert np.max(np.abs(chord / true - 1.0)) > 0.0005 / 2.0

    def test_little_of_the_tested_region_is_lost(self, characterised: Results, region_of: Region) -> None:
        """A cell counts when all its nodes do: nodes are added until a slanted region is shown, too."""
        slanted = region_of(outline=[(-300.0, 1.5), (600.0, 1.5), (300.0, 10.0), (-300.0, 10.0)])
        found = make_map(characterised(tested=slanted))
        rng = np.random.default_rng(2)
        box = ((-300.0, 600.0), (1.5, 10.0), (48.0, 76.0))
        place = [rng.uniform(low, high, 20_000) for low, high in box]
        told = found.document.interpolation
        assert told is not None
        assert 0.0 < told.tested_not_shown <= 0.06
        lost = []
        for branch in ("loading", "unloading"):
            inside = slanted.covers(*place, branch)
            shown = found.is_tested(*place, branch=branch)
            assert not (shown & ~inside).any()
            lost.append(1.0 - np.count_nonzero(shown) / np.count_nonzero(inside))
        assert max(lost) == pytest.approx(told.tested_not_shown, abs=0.02)


class TestBeyond:
    """What the map says beyond what was tested and beyond its axes, against the law worked out by hand: at
    60 °C and 4 rad/s friction is its own reference, T = P + (K r + k) |T_in| + c Δω."""

    @pytest.mark.parametrize("torque", [-9000.0, -3000.0, -600.0, 900.0, 3000.0, 9000.0])
    @pytest.mark.parametrize("axes", [{}, {"input_torque_Nm": (-305.0, 605.0)}])
    def test_along_torque_it_is_the_law(
        self, torque: float, axes: dict[str, Any], characterised: Results
    ) -> None:
        """Within the axes and beyond: to a part in 10⁵; unloading nodes beyond are as straight."""
        found = make_map(characterised(), axes=axes)
        bias, ratio = (0.5, 1.4) if torque > 0.0 else (0.3, 1.3)
        for branch, slope in (
            ("loading", bias + 0.02),
            ("unloading", bias * ratio + 0.02),
            ("either", bias * 0.5 * (1.0 + ratio) + 0.02),
        ):
            law = 81.0 + slope * abs(torque)
            read = found.read(torque, 4.0, 60.0, branch)
            assert read.locking_torque == pytest.approx(law, rel=1e-5)
            edge = (
                (605.0 if torque > 0.0 else 305.0)
                if branch == "loading"
                else 434.0
                if torque > 0.0
                else 234.0
            )
            least = 0.1 * slope * (abs(torque) - edge)
            assert read.high - law >= 0.999 * least
            assert law - read.low >= min(0.999 * least, law)
            assert not read.tested

    @pytest.mark.parametrize("axes", [{}, {"input_torque_Nm": (-305.0, 605.0)}])
    def test_the_slope_s_own_doubt_is_within(
        self, axes: dict[str, Any], characterised: Results, form_of: Forms
    ) -> None:
        """u² = σ_P² + (T σ_K)² − 2 · 0.8 σ_P σ_K T, preload and bias tied: a slope known to 30 % only, far
        more than the tenth."""
        form = form_of(u={"preload_torque": 20.0, "ramp_bias_drive_loading": 0.15})
        covariance = np.array(form.covariance)
        covariance[0, 1] = covariance[1, 0] = -0.8 * 20.0 * 0.15
        tied = characterised(form.model_copy(update={"covariance": covariance.tolist()}))
        found = make_map(tied, axes=axes)
        for torque in (700.0, 1500.0, 3000.0, 8000.0):
            u = np.sqrt(20.0**2 + (0.15 * torque) ** 2 - 2 * 0.8 * 20.0 * 0.15 * torque)
            read = found.read(torque, 4.0, 60.0, "loading")
            assert read.high - read.locking_torque >= 1.959964 * u * 0.999

    def test_limits_part_from_the_tested_edge_on(self, characterised: Results) -> None:
        """Along each axis alone, of an exact unit: nothing inside, then ever more."""
        found = make_map(characterised())
        for where, inside in (
            ([(t, 4.0, 60.0) for t in (600.0, 900.0, 2000.0, 3000.0, 5000.0)], (400.0, 4.0, 60.0)),
            ([(t, 4.0, 60.0) for t in (-300.0, -700.0, -2000.0, -3000.0, -5000.0)], (-100.0, 4.0, 60.0)),
            ([(50.0, s, 60.0) for s in (1.5, 1.0, 0.5, 0.0)], (50.0, 2.0, 60.0)),
            ([(50.0, s, 60.0) for s in (10.0, 15.0, 20.0, 40.0)], (50.0, 9.0, 60.0)),
            ([(50.0, 4.0, h) for h in (48.0, 35.0, 28.0, 0.0)], (50.0, 4.0, 50.0)),
            ([(50.0, 4.0, h) for h in (76.0, 90.0, 96.0, 150.0)], (50.0, 4.0, 70.0)),
        ):
            reads = [found.read(*place, "loading") for place in (inside, *where)]
            halves = [read.high - read.locking_torque for read in reads]
            assert halves[0] == pytest.approx(0.0, abs=1e-9)
            assert halves[1] == pytest.approx(0.0, abs=0.01)
            assert (np.diff(halves[1:]) > 0.0).all()

    def test_an_asked_speed_above_still_begins_where_it_was_tested(self, characterised: Results) -> None:
        """A tenth of the value at stand-still, and at twice the fastest, by hand from the law at rest: m =
        (1 + s)/(1 + s exp(-v/v_s)), v = Δω R/2."""
        found = make_map(characterised(), axes={"speed_difference_rad_s": (0.0, 20.42)})
        at_rest = found.read(0.0, 0.0, 60.0, "loading")
        reference = 1.0 + 0.15 * np.exp(-0.5 * 4.0 * 0.046 / 0.03)
        assert at_rest.locking_torque == pytest.approx(80.0 * 1.15 / reference, rel=1e-3)
        assert at_rest.high - at_rest.locking_torque == pytest.approx(0.1 * at_rest.locking_torque, rel=0.01)


class TestAFlankThatNeverOpened:
    """Greater-of, P = 80, Phi = 0.1, coast swept to -150 N·m: contact opens where K |T| > 80/0.9 = 88.9, no
    ramp of K < 0.59 was seen, and the fit's own number is worth nothing."""

    @pytest.fixture
    def found(self, characterised: Results, form_of: Forms, region_of: Region) -> LockingMap:
        form = form_of(
            "greater-of",
            gear_friction=0.0,
            viscous=0.0,
            ramp_bias_coast_loading=0.3,
            u={"preload_torque": 1.0, "ramp_bias_coast_loading": 2.0, "unloading_ratio_coast": 0.5},
        )
        region = region_of(
            outline=[(-150.0, 1.5), (600.0, 1.5), (600.0, 10.0), (-150.0, 10.0)],
            coast_unloading_Nm=75.0,
            coast_ramp_seen=False,
        )
        # what was measured there: P + Phi K |T|, to 1 N·m; the fit knows Phi K, not K
        covariance = np.array(form.covariance)
        bias, joint = form.names.index("ramp_bias_coast_loading"), form.names.index("joint_fraction")
        covariance[joint, joint] = (2.0 * 0.1 / 0.3) ** 2
        covariance[bias, joint] = covariance[joint, bias] = -2.0 * 2.0 * 0.1 / 0.3
        return make_map(
            characterised(form.model_copy(update={"covariance": covariance.tolist()}), tested=region)
        )

    def test_is_as_sure_as_it_was_measured(self, found: LockingMap) -> None:
        for torque in (-20.0, -80.0, -145.0):
            read = found.read(torque, 4.0, 60.0, "loading")
            assert read.tested
            assert read.locking_torque == pytest.approx(80.0 + 0.03 * abs(torque), rel=1e-3)
            # Phi stays a share: its other side is cut, so no more than a factor
            assert (
                1.9 <= read.high - read.locking_torque <= 1.959964 * np.hypot(1.0, 0.06 * abs(torque)) + 6.0
            )

    def test_beyond_no_node_is_tested_and_any_ramp_is_within(self, found: LockingMap) -> None:
        """From a contact that never opens to one that opens right behind 150 N·m: K = 80/150 + 0.03."""
        assert not any(found.tested[branch][found.axes[0] < -160.0].any() for branch in BRANCHES)
        for torque in (-200.0, -400.0, -700.0):
            read = found.read(torque, 4.0, 60.0, "loading")
            assert read.low <= 80.0 + 0.03 * abs(torque)
            assert read.high >= (80.0 / 150.0 + 0.03) * abs(torque)
            assert read.high <= 1.3 * (80.0 / 150.0 + 0.03) * abs(torque) + 10.0

    def test_the_other_flank_is_untouched(self, found: LockingMap) -> None:
        read = found.read(400.0, 4.0, 60.0, "loading")
        assert read.tested
        assert read.locking_torque == pytest.approx(200.0, rel=1e-3)


class TestWhenAFlankCounts:
    """Which flanks count as never seen at work: there the map holds any ramp beyond what was tested."""

    @staticmethod
    def far(*forms: FormState, of: Results) -> tuple[float, float, float]:
        """Value and limits at 2000 N·m, beyond the 600 N·m that were tested."""
        return at(make_map(of(*forms), axes={}), 2000.0, 4.0, 60.0)

    @pytest.mark.parametrize(("share", "closed"), [(0.999, True), (1.001, False)])
    def test_ramps_so_slight_that_a_clamped_stack_may_have_passed_them_on(
        self, share: float, closed: bool, characterised: Results, form_of: Forms
    ) -> None:
        """An additive unit up to 0.3/0.7 of its 80 N·m, as thrust at 600 N·m."""
        bias = share * 80.0 * 0.3 / 0.7 / 600.0
        value, _, high = self.far(
            form_of(ramp_bias_drive_loading=bias, ramp_bias_coast_loading=0.05), of=characterised
        )
        assert (high - value > 150.0) is closed
        assert (high - value < 15.0) is not closed

    @pytest.mark.parametrize(
        ("weight", "times", "closed"),
        [(0.052, 0.7, True), (0.048, 0.7, False), (0.2, 1.04, True), (0.2, 1.06, False)],
    )
    def test_of_a_rival_with_a_weight_whose_contact_did_not_open(
        self, weight: float, times: float, closed: bool, characterised: Results, form_of: Forms
    ) -> None:
        """From a twentieth of the weight on; up to 1.05 of what opens it, 80/(1 - 0.1) N·m."""
        rival = form_of(
            "greater-of",
            weight=weight,
            ramp_bias_drive_loading=times * 80.0 / 0.9 / 600.0,
            ramp_bias_coast_loading=0.5,
        )
        _, low, _ = self.far(form_of(weight=1.0 - weight), rival, of=characterised)
        assert (low < 100.0) is closed
        assert (low > 300.0) is not closed


class TestBuilds:
    @pytest.fixture
    def two(self, characterised: Results, form_of: Forms) -> Characterisation:
        """Two builds that share all but their preloads."""
        one = characterised().builds[0]
        other = one.model_copy(update={"build": "Q17-b"})
        form = form_of()
        names = ["preload_torque[Q17-a]", "preload_torque[Q17-b]", *form.names[1:]]
        exact = np.zeros((len(names), len(names))).tolist()
        form = form.model_copy(
            update={
                "names": names,
                "logarithms": [False, *form.logarithms],
                "values": [80.0, 100.0, *form.values[1:]],
                "covariance": exact,
            }
        )
        return characterised(form, builds=[one, other], build="Q17-a, Q17-b")

    def test_each_has_its_own_map(self, two: Characterisation) -> None:
        one, other = make_map(two, build="Q17-a"), make_map(two, build="Q17-b")
        assert one.document.build == "Q17-a"
        assert other.document.build == "Q17-b"
        apart = other.locking_torque(0.0, 4.0, 60.0) - one.locking_torque(0.0, 4.0, 60.0)
        assert apart == pytest.approx(20.0, rel=1e-3)

    def test_none_is_taken_for_both_where_none_is_named(self, two: Characterisation) -> None:
        with pytest.raises(FitError, match=r"\(Q17-a, Q17-b\), and it is not said which is meant"):
            make_map(two)

    def test_an_unknown_one_is_refused_with_the_names(self, two: Characterisation) -> None:
        with pytest.raises(FitError, match="there is no build 'Q17-c'") as caught:
            make_map(two, build="Q17-c")
        assert "Q17-a, Q17-b" in caught.value.faults[0].mend


def test_the_document_says_what_it_is(characterised: Results) -> None:
    document = make_map(characterised()).document
    assert (document.format, document.unit, document.build) == ("diffbench-map/1", "Q17", "Q17-a")
    assert document.confidence == 0.95
    assert document.provenance["made"] == "2026-04-14"
    assert any("extrapolation" in note for note in document.notes)


def test_a_map_shows_what_was_measured_beside_the_law(characterised: Results, form_of: Forms) -> None:
    """Locking torque 3 % above the law all over, of which the preload torque took up nothing: the map is 3 %
    higher, the law stands beside it, and the file comes back whole. Where that does not correct the law, it
    is doubt of as much."""
    from diffbench.exports import map_csv
    from diffbench.results import map_on
    from diffbench.results.discrepancy import DiscrepancyState

    form = form_of()
    state = DiscrepancyState(
        largest_Nm=400.0,
        lengths=(50.0, 50.0, 5000.0),
        size=0.05,
        once=0.001,
        since=0.0,
        since_response=[0.0] * len(form.names),
        centres=[[0.0, 0.0, 1.0, 60.0], [0.0, 1.0, 1.0, 60.0]],
        mean=(np.linalg.solve([[0.05**2, SIDES_ALIKE], [SIDES_ALIKE, 0.05**2]], [0.03, 0.03])).tolist(),
        covariance=np.zeros((2, 2)).tolist(),
        response=np.zeros((len(form.names), 2)).tolist(),
        corrects=True,
        torque_power=0.5,
    )
    axes = (np.array([0.0, 100.0, 300.0]), np.array([2.0, 4.0]), np.array([50.0, 60.0]))

    def made(corrects: bool) -> LockingMap:
        own = state.model_copy(update={"corrects": corrects})
        return map_on(characterised(form.model_copy(update={"discrepancy": own})), axes)

    shown, alone = made(corrects=True), made(corrects=False)
    assert (shown.document.shows, alone.document.shows) == ("as measured", "by the law")
    np.testing.assert_allclose(shown.values["loading"], 1.03 * alone.values["loading"], rtol=2e-3)
    np.testing.assert_array_equal(shown.document.branches["loading"].by_the_law_Nm, alone.values["loading"])
    assert shown.by_the_law(50.0, 3.0, 55.0, "loading") == pytest.approx(
        alone.locking_torque(50.0, 3.0, 55.0, "loading")
    )
    assert alone.by_the_law(50.0, 3.0, 55.0) is None
    half = (alone.high["loading"] - alone.low["loading"]) / 2.0
    assert (half > 1.95 * 0.029 * alone.values["loading"]).all()
    assert MapDocument.model_validate_json(shown.to_json()).branches == shown.document.branches
    assert map_csv(shown).splitlines()[0].endswith("either_by_the_law_Nm")
    assert "by_the_law" not in map_csv(alone)


@pytest.mark.parametrize("joint", [0.0, 0.08])
def test_limits_hold_an_alarmed_smooth_joint_where_it_acts(
    joint: float, characterised: Results, form_of: Forms
) -> None:
    """By hand, of a joint of k = 4 whose size was told as eight hundredths: where the ramps just overcome the
    preload, 80 N·m at 160 N·m on slopes of 0.5, (2^(1/4) - 1) P of it, twenty times less at three times the
    torque, nothing where no ramp bears; with nothing else in doubt, that alone is in the limits."""
    from diffbench.results import map_on
    from diffbench.results.discrepancy import DiscrepancyState

    form = form_of("greater-of", joint_fraction=0.0)
    state = DiscrepancyState(
        largest_Nm=600.0,
        lengths=(1.0, 1.0, 30.0),
        size=1e-9,
        once=0.0,
        since=0.0,
        since_response=[0.0] * len(form.names),
        centres=[[0.0, 0.0, 1.0, 60.0]],
        mean=[0.0],
        covariance=[[0.0]],
        response=np.zeros((len(form.names), 1)).tolist(),
        joint=joint,
    )
    axes = (np.array([0.0, 160.0, 480.0]), np.array([2.0, 4.0]), np.array([50.0, 60.0]))
    found = map_on(characterised(form.model_copy(update={"discrepancy": state})), axes)
    half = ((found.high["loading"] - found.low["loading"]) / 2.0)[:, 1, 1]
    more = np.array([0.0, 2.0**0.25 - 1.0, (1.0 + 3.0**4) ** 0.25 - 3.0]) * 80.0
    np.testing.assert_allclose(half, 1.96 * joint * more, rtol=2e-3, atol=1e-4)
