"""What a fit begins with: unknowns by name, from sheet, bench and law, with what is known of each before."""

from __future__ import annotations

import math
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from diffbench.conditioning.bench import ErrorSource
from diffbench.documents import Build
from diffbench.fitting import FitData, Form, Setup
from diffbench.fitting.unknowns import Unknown
from diffbench.physics.friction import Stribeck
from diffbench.physics.preload import Additive, GreaterOf, PreloadLaw
from diffbench.quantities import Quantity

Data = Callable[..., FitData]


def unknowns(build: Build, data: FitData, law: PreloadLaw | None = None) -> dict[str, Unknown]:
    """Of one build under a law, by name."""
    names = Setup.of([build], data).model(Form(law or Additive(), Stribeck(1.0))).names
    return {unknown.name: unknown for unknown in names.unknowns}


def stating(build: Build, part: str, **stated: Any) -> Build:
    """A build sheet with other statements in one of its parts."""
    return build.model_copy(update={part: getattr(build, part).model_copy(update=stated)})


def test_a_preload_is_looked_for_from_what_locks_at_little_torque(data_of: Data, demo_build: Build) -> None:
    """The median of the fifth with the least input torque: here of 70, 74 and 90; never from nothing."""
    torque = np.array([0.0, -3.0, 5.0, *np.linspace(100.0, 400.0, 9), -150.0, -160.0])
    locking = np.array([70.0, 90.0, 74.0, *[300.0] * 11])
    data = data_of(cells=14, input_torque=torque, difference=locking)
    found = unknowns(demo_build, data)["preload_torque"]
    assert (found.start, found.low, found.linear) == (74.0, 0.0, True)
    none = data_of(cells=14, input_torque=torque, difference=0.5)
    assert unknowns(demo_build, none)["preload_torque"].start == 1.0
    assert not unknowns(demo_build, data, GreaterOf())["preload_torque"].linear


def test_ramps_begin_somewhere_where_a_history_begins_under_torque(data_of: Data, demo_build: Build) -> None:
    """From three hundredths of the largest torque on, either way: of 400 N·m from 12. Nothing between loading
    and unloading is likelier than anything else: mean and spread of a rectangle."""
    data = data_of(
        cells=8, input_torque=np.linspace(-200.0, 400.0, 8), run=np.repeat([0, 1, 2, 3], 2),
        segment_torque=np.array([11.8, 12.2, -12.2, 0.0]),
    )  # fmt: skip
    largest = np.percentile(np.abs(data.input_torque), 99)
    assert largest == pytest.approx(400.0, abs=10.0)
    starts = {name: one for name, one in unknowns(demo_build, data).items() if name.startswith("ramp_start")}
    assert set(starts) == {"ramp_start[1]", "ramp_start[2]"}
    one = starts["ramp_start[1]"]
    assert (one.low, one.high, one.start, one.prior) == (0.0, 1.0, 0.5, 0.5)
    assert one.prior_u == pytest.approx(1.0 / math.sqrt(12.0), abs=0.005)
    assert one.label == "state of the ramps at the start"
    excess = [name for name in unknowns(demo_build, data) if name.startswith("plate_excess")]
    assert excess == [f"plate_excess[{run}]" for run in range(4)]
    assert unknowns(demo_build, data)["plate_excess[2]"].label == "plate temperature at the start of run 2"


@pytest.mark.parametrize(("law", "searched"), [(Additive(), False), (GreaterOf(), True)])
def test_gear_friction_as_the_sheet_states_it(
    data_of: Data, demo_build: Build, law: PreloadLaw, searched: bool
) -> None:
    """Passed on where the ramps hide it, searched where a closed contact leaves the gears alone; exact where
    no doubt is stated, and none where nothing is."""
    data = data_of(cells=5, input_torque=np.linspace(0.0, 300.0, 5))
    told = unknowns(demo_build, data, law)["gear_friction"]
    assert (told.start, told.prior, told.prior_u, told.knowledge) == (0.02, 0.02, 0.008, "stated")
    assert (told.considered, told.fixed, told.source) == (
        not searched,
        not searched,
        "gear friction (build sheet)",
    )
    exact = stating(demo_build, "limits", gear_friction=Quantity(0.03))
    bare = stating(demo_build, "limits", gear_friction=None)
    for build, value in ((exact, 0.03), (bare, 0.0)):
        one = unknowns(build, data, law)["gear_friction"]
        assert (one.start, one.low, one.high, one.considered) == (value, value, value, False)


def test_a_joint_fraction_that_is_stated_is_fixed(data_of: Data, demo_build: Build) -> None:
    data = data_of(cells=5, input_torque=np.linspace(0.0, 300.0, 5))
    free = unknowns(demo_build, data, GreaterOf())["joint_fraction"]
    assert (free.low, free.fixed, free.knowledge) == (0.0, False, "weak")
    build = stating(demo_build, "preload", joint_fraction=Quantity(0.12))
    one = unknowns(build, data, GreaterOf())["joint_fraction"]
    assert (one.start, one.low, one.high) == (0.12, 0.12, 0.12)
    assert "joint_fraction" not in unknowns(build, data)


def test_plates_by_their_mass(data_of: Data, demo_build: Build) -> None:
    """1.95 kg of steel of 460 to 500 J/(kg K), its doubt with that of the mass; they settle in 20 s and in no
    less than half a second nor more than two thousand. Without a mass some 1000 J/K, by a factor of two."""
    data = data_of(cells=5)
    found = unknowns(demo_build, data)
    capacity, conductance = found["heat_capacity"], found["heat_conductance"]
    assert 1.95 * 450.0 < math.exp(capacity.prior) < 1.95 * 510.0
    assert (capacity.knowledge, capacity.logarithm, capacity.start) == ("stated", True, capacity.prior)
    assert (capacity.low, capacity.high) == pytest.approx((capacity.prior - 3.0, capacity.prior + 3.0))
    assert conductance.prior == pytest.approx(capacity.prior - math.log(20.0))
    assert (conductance.low, conductance.high) == pytest.approx(
        (capacity.prior - math.log(2000.0), capacity.prior - math.log(0.5))
    )
    assert (conductance.knowledge, conductance.prior_u, conductance.logarithm) == ("weak", 1.0, True)
    weighed = stating(demo_build, "packs", plate_mass=Quantity(2.0, 0.1), specific_heat=Quantity(480.0, 24.0))
    one = unknowns(weighed, data)["heat_capacity"]
    assert one.prior == pytest.approx(math.log(960.0))
    assert one.prior_u == pytest.approx(math.hypot(0.05, 0.05))
    # a specific heat without a doubt counts as known to one per cent
    plain = stating(demo_build, "packs", plate_mass=Quantity(2.0), specific_heat=Quantity(480.0))
    assert unknowns(plain, data)["heat_capacity"].prior_u == pytest.approx(0.01)
    guessed = unknowns(stating(demo_build, "packs", plate_mass=None), data)["heat_capacity"]
    assert (math.exp(guessed.prior), guessed.knowledge) == (pytest.approx(1000.0), "weak")
    assert math.exp(guessed.prior_u) == pytest.approx(2.0, abs=0.05)
    assert guessed.source == "weak: plate heat"


def test_oil_by_its_two_viscosities(data_of: Data, demo_build: Build) -> None:
    """Of 110 and 15 mm²/s it falls by some 3.4 % a kelvin at 60 °C: ASTM D341's straight line between
    log log (ν + 0.7) at 313.15 and 373.15 K, its slope by differences; else by what is typical."""
    data = data_of(cells=5)
    found = unknowns(demo_build, data)["viscous_exponent"]

    def line(kelvin: float) -> float:
        one, other = (math.log(math.log(v + 0.7)) for v in (110.0, 15.0))
        share = math.log(kelvin / 313.15) / math.log(373.15 / 313.15)
        return math.exp(math.exp(one + (other - one) * share)) - 0.7

    slope = -(math.log(line(333.25)) - math.log(line(333.05))) / 0.2
    assert found.prior == pytest.approx(slope, rel=0.01)
    assert found.start == found.prior
    assert (found.prior_u, found.knowledge) == (0.02, "weak")
    for missing in ("viscosity_40", "viscosity_100"):
        assert unknowns(stating(demo_build, "oil", **{missing: None}), data)["viscous_exponent"].prior == 0.03


def test_constants_of_the_bench_in_their_own_doubts(data_of: Data, demo_build: Build) -> None:
    """Searched, but for those that are only considered, and the reading of a temperature; within eight of
    their standard uncertainties."""
    sources = (
        ErrorSource("g", "gain of left_torque", "transducer gain", 0.002),
        ErrorSource("c", "cross-talk", "cross-talk of the flanges", 0.001, considered=True),
    )
    blank = np.zeros((2, 4))
    given = {"sources": sources, "effect_input": blank, "effect_difference": blank, "noise_share": blank}
    found = unknowns(demo_build, data_of(cells=4, **given))
    gain, cross = found["error:g"], found["error:c"]
    assert (gain.prior, gain.prior_u, gain.low, gain.high, gain.knowledge) == (0.0, 1.0, -8.0, 8.0, "stated")
    assert (gain.linear, gain.considered, gain.source, gain.label) == (
        True, False, "transducer gain", "gain of left_torque"
    )  # fmt: skip
    assert (cross.linear, cross.considered) == (False, True)
    assert "error:temperature" not in found
    for allowed, words in ((False, "temperature reading"), (True, "place of the oil sensor, allowed for")):
        data = data_of(cells=4, temperature_u=1.5, temperature_allowed=allowed)
        told = unknowns(demo_build, data)["error:temperature"]
        assert (told.considered, told.source, told.label) == (True, words, words)


def test_how_fast_hands_turned(data_of: Data, demo_build: Build) -> None:
    """An unknown where nobody wrote it down; as stated or as plausible, within three of its logarithm."""

    def of(turning_u: float, *, stated: bool) -> Unknown | None:
        by_hand: Any = SimpleNamespace(turning_u=turning_u, stated=stated)
        return unknowns(demo_build, data_of(cells=4, by_hand=by_hand)).get("turning_speed")

    assert of(0.0, stated=True) is None
    assert unknowns(demo_build, data_of(cells=4)).get("turning_speed") is None
    for stated, knowledge in ((True, "stated"), (False, "weak")):
        one = of(0.7, stated=stated)
        assert one is not None
        assert (one.prior, one.prior_u, one.low, one.high, one.logarithm) == (0.0, 0.7, -3.0, 3.0, True)
        assert one.knowledge == knowledge
        assert one.source.startswith("weak: ") is not stated


def test_where_numbers_are_quoted(data_of: Data, demo_build: Build) -> None:
    """At the sheet's reference; at 4 rad/s where it names no speed."""
    data = data_of(cells=4)
    told = Setup.of([demo_build], data).reference
    assert (told.temperature, told.speed_difference, told.effective_radius) == (60.0, 4.0, 0.04625)
    other = stating(demo_build, "reference", speed_difference=2.5, temperature=72.0)
    told = Setup.of([other, demo_build], data).reference
    assert (told.temperature, told.speed_difference) == (72.0, 2.5)
    bare = stating(demo_build, "reference", speed_difference=None)
    assert Setup.of([bare], data).reference.speed_difference == 4.0


def test_what_builds_share(data_of: Data, demo_build: Build) -> None:
    """Each its preload, two visits of one build one; a bias unless angle, faces, radius or pin are another's:
    the names then say whose."""

    def named(name: str, **changes: Any) -> Build:
        build = demo_build.model_copy(update={"build": name})
        for part, stated in changes.items():
            build = stating(build, part, **stated)
        return build

    data = data_of(cells=4)
    first, again, steep = named("a"), named("b"), named("c", ramps={"drive_angle": Quantity(0.8)})
    shared = Setup.of([first, again, first, steep], data).sharing
    assert shared.preloads == ("preload_torque[a]", "preload_torque[b]", "preload_torque[c]")
    assert [place.preload for place in shared.places] == [0, 1, 0, 2]
    assert shared.drive_biases == ("ramp_bias_drive_loading[a]", "ramp_bias_drive_loading[c]")
    assert shared.drive_ratios == ("unloading_ratio_drive[a]", "unloading_ratio_drive[c]")
    assert [place.drive for place in shared.places] == [0, 0, 0, 1]
    assert (shared.coast_biases, shared.coast_ratios) == (
        ("ramp_bias_coast_loading",),
        ("unloading_ratio_coast",),
    )
    assert [place.coast for place in shared.places] == [0, 0, 0, 0]
    assert [names for _, names in shared.strengths] == [
        shared.preloads,
        shared.drive_biases,
        shared.coast_biases,
    ]
    assert shared.flanks(3) == (
        ("drive", "ramp_bias_drive_loading[c]", "unloading_ratio_drive[c]"),
        ("coast", "ramp_bias_coast_loading", "unloading_ratio_coast"),
    )
    for changes in (
        {"packs": {"faces": 6}}, {"packs": {"outer_radius": Quantity(0.056)}},
        {"ramps": {"pin_radius": Quantity(0.04)}}, {"ramps": {"pin_radius": None}},
        {"ramps": {"drive_angle": None, "coast_angle": None}},
    ):  # fmt: skip
        both = Setup.of([first, named("b", **changes)], data).sharing
        assert (len(both.drive_biases), len(both.coast_biases)) == (2, 2), changes


def test_refits_to_the_bench_by_what_shows_them(data_of: Data, demo_build: Build) -> None:
    """Of visits that share a bias its refits are searched; of preloads of their own they are passed on."""
    data = data_of(
        cells=4, visit=np.array([0, 0, 1, 1]), run=np.array([0, 0, 1, 1]),
        refit_spread=np.array([[0.015, 0.01], [0.02, 0.0]]),
    )  # fmt: skip
    builds = [demo_build.model_copy(update={"build": name}) for name in ("a", "b")]
    names = Setup.of(builds, data).model(Form(Additive(), Stribeck(1.0))).names
    found = {one.name: one for one in names.unknowns if one.name.startswith("refit:")}
    assert {name: one.considered for name, one in found.items()} == {
        "refit:preload[0]": True, "refit:drive[0]": False, "refit:coast[0]": False, "refit:preload[1]": True
    }  # fmt: skip
    one = found["refit:drive[0]"]
    assert (one.label, one.source, one.linear) == (
        "refit to the bench of visit 1",
        "bench repeatability",
        True,
    )
    same = Setup.of([builds[0]] * 2, data).model(Form(GreaterOf(), Stribeck(1.0))).names
    told = {one.name: (one.considered, one.linear) for one in same.unknowns if one.name.startswith("refit:")}
    assert told["refit:preload[1]"] == (False, False)
