"""What a comparison says of two states whose numbers are known: verdict, reasons, readings and cautions."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from scipy.stats import norm

from diffbench.answers import Comparison, Member, check_state, compare, member
from diffbench.errors import FitError
from diffbench.physics.disc_spring import DiscSpring, DiscStack, stack_deflection
from diffbench.results import Characterisation

Recorded = Callable[..., Characterisation]
NO_VISITS = (
    "not proven either way: the limit on preload_torque; no number of visits would settle it if the value "
    "stays where it is"
)
HELD = {"preload_torque": (50.0, 110.0)}
SPRINGS = {
    "outer_diameter_m": 0.095, "inner_diameter_m": 0.072, "thickness_m": 0.0016, "cone_height_m": 0.0014,
    "parallel": 3, "series": 2,
}  # fmt: skip
MASKED = (
    "an ageing oil raises boundary friction and can mask wear of the plates: a friction that has not come "
    "down proves no unworn surface; fresh oil before the test would tell"
)
FIT_ALONE = "ramps, friction shape and oil are held against the fit alone: no rig states their refits"


def both(recorded: Recorded, first: dict[str, Any], last: dict[str, Any], **options: Any) -> Comparison:
    """A visit in March and one a month and 600 km on."""
    before = recorded(date="2026-03-01", **first)
    after = recorded(date="2026-04-01", **{"distance_km": 600.0, **last})
    return compare(before, after, details=False, **options)


@pytest.mark.parametrize(
    ("last", "verdict", "reasons"),
    [
        (
            {"preload": 70.0, "limits": HELD},
            "changed within limits",
            ["preload_torque changed", "spring_force changed", "every limit is proven to be held"],
        ),
        (
            {"preload": 66.0, "limits": {"preload_torque": (70.0, 90.0)}},
            "worn",
            [
                "preload_torque changed",
                "spring_force changed",
                "the limit on preload_torque is proven to be broken",
            ],
        ),
        (
            {"preload": 96.0, "limits": {"preload_torque": (70.0, 90.0), "ramp_bias_drive": (0.2, 0.4)}},
            "changed beyond limits",
            [
                "preload_torque changed",
                "spring_force changed",
                "the limit on preload_torque, ramp_bias_drive is proven to be broken",
            ],
        ),
        (
            {"preload": 70.0, "limits": {"preload_torque": (69.9, 90.0)}},
            "not proven",
            [
                "preload_torque changed",
                "spring_force changed",
                NO_VISITS,
            ],
        ),
        (
            {"preload": 70.0, "unknown": ("ramp_bias_drive_loading",),
             "limits": {**HELD, "ramp_bias_drive": (0.4, 0.6)}},
            "not proven",
            [
                "preload_torque changed",
                "spring_force changed",
                "not proven either way: the limit on ramp_bias_drive, which is not determined",
            ],
        ),
        (
            {"drive": 0.4, "coast": 0.24, "unknown": ("preload_torque",)},
            "not proven",
            ["friction changed", "not proven either way: the limit on any quantity: the sheet states none"],
        ),
        (
            {"unknown": ("preload_torque", "ramp_bias_drive_loading", "ramp_bias_coast_loading")},
            "not proven",
            ["neither preload torque nor a ramp bias is determined in both states"],
        ),
    ],
)  # fmt: skip
def test_a_verdict_and_its_reasons(
    recorded: Recorded, last: dict[str, Any], verdict: str, reasons: list[str]
) -> None:
    """From 80 N·m; preload known to 1.5 %, biases to 1 % by what a refit moves."""
    found = both(recorded, {}, last)
    assert (found.verdict, found.reasons) == (verdict, reasons)
    assert found.failed is (verdict in {"worn", "changed beyond limits"})


def test_what_has_not_changed_may_be_broken_as_before(recorded: Recorded) -> None:
    """With what so few visits leave unseen: 1.5 % of refits and 0.2 % of noise in each, once in a hundred by
    4.5 %, shown in 95 of 100."""
    found = both(recorded, {}, {"preload": 80.2, "limits": {"preload_torque": (90.0, 110.0)}})
    reach = norm.ppf(1.0 - 0.93 * 0.048) + norm.ppf(0.95)
    loss = 1.0 - math.exp(-reach * math.sqrt(2.0) * math.hypot(0.015, 0.002))
    assert found.detectable_loss == pytest.approx(loss, rel=1e-3)
    assert found.verdict == "unchanged"
    assert found.reasons == [
        "no change of preload torque, friction or spring force exceeds what refits explain",
        f"a loss of preload below {100.0 * loss:.1f} % may stay unseen by so few visits",
        "broken as before: the limit on preload_torque",
    ]
    assert found.failed  # a limit that is broken fails, changed or not
    assert found.visits_for_5_percent == math.ceil(
        2.0 * 0.015**2 / ((-math.log(0.95) / reach) ** 2 - 2.0 * 0.002**2)
    )
    blind = both(recorded, {}, {"unknown": ("preload_torque",)})
    assert (blind.detectable_loss, blind.visits_for_5_percent) == (None, None)
    assert blind.reasons == [
        "no change of preload torque, friction or spring force exceeds what refits explain"
    ]


def test_visits_that_settle_a_limit_are_of_one_state_or_of_both(recorded: Recorded) -> None:
    """A limit 2 % below 70 N·m asks of the later state ⌈(1.5 %)²/((2/3.6 %)² − (0.2 %)²)⌉; one on the loss of
    both. One visit is one."""
    reach = norm.ppf(0.975) + norm.ppf(0.95)

    def settling(count: int, unit: str) -> str:
        return (
            f"not proven either way: the limit on preload_torque; {count} {unit} of the later state in all, "
            "refitted in between, would settle it if the value stays where it is"
        )

    found = both(recorded, {}, {"preload": 70.0, "limits": {"preload_torque": (0.98 * 70.0, 90.0)}})
    count = math.ceil(0.015**2 / ((0.02 / reach) ** 2 - 0.002**2))
    assert (count, found.visits_to_settle) == (9, {"preload_torque": count})
    assert found.reasons[-1] == settling(count, "visits")
    # a fit whose own interval is far wider on one side than its doubt
    before, after = recorded(), recorded(70.0, date="2026-04-01", limits={"preload_torque": (66.0, 90.0)})
    wide = after.parameters["preload_torque"].model_copy(update={"low": 63.0})
    after = after.model_copy(update={"parameters": {**after.parameters, "preload_torque": wide}})
    found = compare(before, after, details=False)
    assert found.visits_to_settle == {"preload_torque": 1}
    assert found.reasons[-1] == settling(1, "visit")
    found = both(recorded, {}, {"preload": 70.0}, largest_loss=0.14)
    count = math.ceil(2.0 * 0.015**2 / ((0.015 / 0.875 / reach) ** 2 - 2.0 * 0.002**2))
    assert found.visits_to_settle == {"preload_loss": count}
    assert found.reasons[-1] == (
        f"not proven either way: the limit on preload_loss; {count} visits of each state in all, refitted in "
        "between, would settle it if the value stays where it is"
    )


def test_what_a_change_means(recorded: Recorded) -> None:
    """Spring, friction, ramps and oil, in sentences; of wear where the springs are stated."""
    stated = {"facts": {"disc_spring": SPRINGS, "shim_m": 0.2e-3}}
    found = both(recorded, {"limits": HELD, **stated}, {"preload": 68.0, "limits": HELD, **stated})
    assert found.wear is not None
    let_out, through, masked = found.readings
    assert (let_out, masked) == (
        "the preload spring is let out: plates have worn, or springs have set",
        MASKED,
    )
    assert through == (
        f"through the disc-spring curve that is {1e6 * found.wear.height_loss_m:.0f} µm of height, or "
        f"{1e6 * found.wear.face_wear_m:.0f} µm for each of 4 faces of a pack on the mean, if the springs "
        "themselves have not set"
    )
    found = both(recorded, stated, {"preload": 90.0, **stated})
    assert found.readings == ["the preload spring is pressed further", MASKED]
    found = both(recorded, {}, {"preload": 68.0, "drive": 0.425, "coast": 0.255})
    assert found.readings == ["friction came down: all terms with it, preload and both ramps"]
    found = both(recorded, {}, {"preload": 92.0, "drive": 0.575, "coast": 0.345})
    assert found.readings == [
        "friction went up: run in, or an oil that has aged, which raises boundary friction", MASKED
    ]  # fmt: skip
    unknown = ("ramp_bias_drive_loading", "ramp_bias_coast_loading")
    assert both(recorded, {}, {"preload": 68.0, "unknown": unknown}).readings == []
    found = both(recorded, {}, {"form": {"unloading_ratio_drive": 1.4}})
    ramps = "unloading against loading changed in drive: look at the ramps and their lubrication"
    assert found.readings == [MASKED, ramps]
    found = both(recorded, {}, {"form": {"unloading_ratio_drive": 1.4, "unloading_ratio_coast": 1.3}})
    assert found.readings[-1] == (
        "unloading against loading changed in drive and coast: look at the ramps and their lubrication"
    )


@pytest.mark.parametrize(("viscous", "way"), [(0.05, "more"), (0.03, "less")])
def test_what_a_change_of_the_oil_means(recorded: Recorded, viscous: float, way: str) -> None:
    """Its film by what it drags; friction over speed or temperature by surface or oil."""
    also = {"viscous_coefficient": 0.04, "friction_temperature_coefficient": -0.001}
    drags = f"the oil film drags {way}: oil of another viscosity, or other clearances"
    surface = "the shape of friction over speed or temperature changed: friction surface or oil"
    found = both(recorded, {"also": also}, {"also": also, "form": {"viscous": viscous}})
    assert found.readings == [drags, MASKED]
    found = both(recorded, {"also": also}, {"also": also, "form": {"temperature_coefficient": -0.002}})
    assert found.readings == [surface, MASKED]
    excess = {"static_friction_excess": 0.1}
    found = both(
        recorded,
        {"also": excess, "form": {"static_excess": 0.1}},
        {"also": excess, "form": {"static_excess": 0.2}},
    )
    assert found.readings == [surface, MASKED]


def test_what_goes_with_a_comparison(recorded: Recorded) -> None:
    """Two builds; flanks that part by more than once in a hundred times; a fit that did not converge; other
    forms of the model."""
    assert both(recorded, {}, {}).caveats == [FIT_ALONE]
    found = both(recorded, {"build": "Q17-b"}, {"build": "Q17-a"})
    assert found.caveats == [
        "two builds (Q17-a, Q17-b): a change may be what was assembled, not wear", FIT_ALONE
    ]  # fmt: skip
    # each flank's own, by refits of 1 % that move each by itself: 2.576 standard uncertainties apart
    u = math.sqrt(2.0 * 2.0 * (0.01**2 + 1.25 * 0.002**2))
    parted = (
        "drive and coast bias changed by different amounts: that is ramps, not friction, and 'friction' is "
        "the mean of both"
    )
    for share, told in ((0.98, []), (1.02, [parted])):
        for sign in (1.0, -1.0):
            drive = 0.50 * math.exp(sign * share * 2.575829 * u)
            assert both(recorded, {}, {"drive": drive}).caveats == [*told, FIT_ALONE]
    one, two = recorded(date="2026-03-01"), recorded(date="2026-04-01", distance_km=600.0)
    lost = two.model_copy(update={"diagnostics": two.diagnostics.model_copy(update={"converged": False})})
    found = compare(one, lost, details=False)
    assert found.caveats == [FIT_ALONE, "the fit of 2026-04-01 did not converge"]
    silent = recorded(date="2026-04-01", distance_km=600.0, refits=None)
    assert compare(one, silent, details=False).caveats == []


def test_results_by_other_forms_of_the_model(recorded: Recorded) -> None:
    """By a form that both have, though it is not the best of one; by none in common."""
    one, two = recorded(date="2026-03-01"), recorded(date="2026-04-01", distance_km=600.0)
    (form,) = two.forms
    other = form.model_copy(update={"stribeck_exponent": 2.0, "weight": 0.7})
    mixed = two.model_copy(update={"forms": [other, form.model_copy(update={"weight": 0.3})]})
    best, fit_alone = compare(one, mixed, details=False).caveats
    assert fit_alone == FIT_ALONE
    assert best == (
        "the two states are fitted best by different forms of the model; the changes are by one form for "
        "both, so that they are not to the last digit what lies between the numbers before and after"
    )
    apart = two.model_copy(update={"forms": [other]})
    laws, _ = compare(one, apart, details=False).caveats
    assert laws == (
        "the two states were fitted by different laws: part of the difference is the law's, not the unit's; "
        "state the law in the build sheet"
    )


def at(recorded: Recorded, date: str, kilometres: float | None, build: str = "Q17-a") -> Member:
    """A visit by its place alone."""
    return member(recorded(date=date, distance_km=kilometres, build=build))


def test_the_order_of_two_states_by_their_dates(recorded: Recorded) -> None:
    """Turned round where the first named is the later, within a day by the distance of one build; of two
    builds within a day nobody knows."""

    def told(first: Member, last: Member) -> tuple[bool, list[str]]:
        found = compare(first, last, details=False)
        return found.swapped, [one for one in found.caveats if "visits" in one or "later" in one]

    swapped = "the later state was named first: before and after stand by their dates here"
    less = "the later state has run less than the earlier one: check dates and distances of the sheets"
    march, april = at(recorded, "2026-03-01", 0.0), at(recorded, "2026-04-01", 600.0)
    assert told(march, april) == (False, [])
    assert told(april, march) == (True, [swapped])
    day = at(recorded, "2026-03-01", 600.0)
    assert told(march, day) == (False, [])
    assert told(day, march) == (True, [swapped])
    assert told(at(recorded, "2026-03-01", 600.0, "Q17-b"), march) == (False, [])
    assert told(day, at(recorded, "2026-04-01", 500.0)) == (False, [less])
    assert told(day, at(recorded, "2026-04-01", None)) == (False, [])
    # of one day, a distance that nobody states is none: not beyond one of some centimetres
    assert told(at(recorded, "2026-03-01", None), at(recorded, "2026-03-01", 5e-5)) == (False, [])
    assert told(day, at(recorded, "2026-04-01", 500.0, "Q17-b")) == (False, [])
    found = compare([march, replace(at(recorded, "2026-05-01", 0.0), visit="later")], april, details=False)
    assert (found.swapped, found.before.dates) == (False, ["2026-03-01", "2026-05-01"])
    assert found.caveats[0] == (
        "visits of both states overlap in time (2026-04-01 is before 2026-05-01): check their dates"
    )


def test_visits_of_one_state_that_are_of_two(recorded: Recorded) -> None:
    """By build, by distance, named twice, or farther apart than refits explain: with each place and number.
    Preload by more than √2 · 1.51 % times what once in three thousand says."""
    march = at(recorded, "2026-03-01", None)
    with pytest.raises(FitError) as refused:
        check_state([march, at(recorded, "2026-03-02", 12.5)])
    assert "Q17-a at an unknown distance in run.toml, Q17-a at 12.5 km in run.toml. Mend: compare" in str(
        refused.value
    )
    with pytest.raises(FitError, match=r"a visit is named twice: .* Mend: name each visit once"):
        check_state([march, march])
    check_state([march])
    limit = norm.isf(0.001 / 3.0 / 2.0) * math.sqrt(2.0) * math.hypot(0.015, 0.002)

    def refit(preload: float) -> Member:
        return replace(member(recorded(preload, date="2026-03-02", distance_km=None)), visit="another")

    check_state([march, refit(80.0 * math.exp(0.99 * limit))])
    far = 80.0 * math.exp(1.01 * limit)
    with pytest.raises(FitError) as refused:
        check_state([march, refit(far)])
    assert (
        "the visits of one state contradict each other, and their mean would be neither's: preload torque is "
        f"80 N·m in run.toml, {far:.4g} N·m in run.toml"
    ) in str(refused.value)
    # two quantities at once, each told; one that is not determined is not asked of
    low = replace(member(recorded(60.0, 0.4, date="2026-03-02", distance_km=None)), visit="another")
    with pytest.raises(FitError) as refused:
        check_state([march, low])
    assert [fault.what.rpartition(": ")[2] for fault in refused.value.faults] == [
        "preload torque is 80 N·m in run.toml, 60 N·m in run.toml",
        "ramp bias, drive, loading is 0.5 in run.toml, 0.4 in run.toml",
    ]
    names = ("preload_torque", "ramp_bias_drive_loading", "ramp_bias_coast_loading")
    lost = recorded(60.0, 0.4, date="2026-03-02", distance_km=None, unknown=names)
    check_state([march, replace(member(lost), visit="another")])


def test_a_state_lists_its_visits(recorded: Recorded) -> None:
    """Dates in order, files of all; the next event is asked of one build after some distance."""
    one, two, last = (
        recorded(date=date, distance_km=way, limits=HELD, recording=date)
        for date, way in (("2026-03-02", 0.0), ("2026-03-01", 0.0), ("2026-04-01", 600.0))
    )
    found = compare([one, two], last, details=False, events=2)
    assert (found.before.unit, found.before.build, found.before.distance_m) == ("Q17", "Q17-a", 0.0)
    assert found.before.dates == ["2026-03-01", "2026-03-02"]
    assert found.before.inputs == {**one.provenance.inputs, **two.provenance.inputs}
    assert found.reference == {"temperature_degC": 60.0, "speed_difference_rad_s": 4.0}
    assert (found.conditions, found.difference_map, found.state) == ([], None, None)
    assert found.next_event is not None
    assert (found.next_event.events_between, found.next_event.distance_m) == (2, 300e3)
    same = recorded(date="2026-04-01", limits=HELD)
    assert compare(one, same, details=False).next_event is None
    unsaid = recorded(date="2026-04-01", distance_km=None, limits=HELD)
    ahead = compare(one, unsaid, details=False).next_event
    assert ahead is not None
    assert (ahead.events_between, ahead.distance_m) == (1, None)


def test_what_two_states_have_in_common(recorded: Recorded) -> None:
    """Recordings, rig file and gears: each by its own key, of all visits of both."""
    cancels = "the same recordings: noise, zero and refit are one in both and cancel"
    one_rig = (
        "the same rig file, to the byte: gains, lags, inertias and temperature reading of its channels count "
        "as one error in both, which cancels as far as both results feel it alike"
    )
    two_rigs = "not the same rig file: errors of the transducers count as independent"
    one_unit = "one unit with equal statements on its gears: gear friction counts as one error in both"
    two_units = "another unit or other statements on its gears: gear friction counts as independent"
    march, april = at(recorded, "2026-03-01", 0.0), at(recorded, "2026-04-01", 600.0)

    def told(before: Member | list[Member], after: Member) -> list[str]:
        return compare(before, after, details=False).common

    assert told(march, april) == [one_rig, one_unit]
    assert told(march, march) == [cancels, one_rig, one_unit]
    assert told(march, replace(april, bench="another")) == [two_rigs, one_unit]
    assert told(march, replace(april, unit_key="another")) == [one_rig, two_units]
    other = replace(march, bench="another", visit="another")
    assert told([march, other], april) == [two_rigs, one_unit]


KNOWN = {"facts": {"disc_spring": SPRINGS, "shim_m": 0.2e-3, "face_wear_limit_m": 60e-6}}


@pytest.mark.parametrize(
    ("first", "last", "needs"),
    [
        ({"facts": {}}, {}, "[preload.disc_spring] in the build sheet of the state before"),
        ({"force": None}, {}, "the spring force before, from a press, or from the nominal ramp angles"),
        ({}, {"unknown": ("preload_torque",)}, "a change of spring force that both results determine"),
        ({"force": 90e3}, {}, "a spring force that the disc springs of the sheet can carry ("),
    ],
)
def test_what_wear_of_a_face_needs(
    recorded: Recorded, first: dict[str, Any], last: dict[str, Any], needs: str
) -> None:
    """A change of force, the springs of the state before, their force there, and springs that carry it."""
    found = both(recorded, {**KNOWN, **first}, {"preload": 70.0, **KNOWN, **last})
    assert found.wear is None
    assert found.not_determined["face_wear"].startswith(needs)
    assert "face_wear" not in both(recorded, KNOWN, {"preload": 70.0, **KNOWN}).not_determined


def test_wear_of_a_face_by_hand(recorded: Recorded) -> None:
    """Height that the springs lost by the formula of the discs, a shim that is thicker by 30 µm, over four
    faces; the doubt of the force of 30 N, of its change, and of the thickness of the discs."""
    springs = {**SPRINGS, "u_m": {"thickness": 4e-6}}
    first = {"facts": {**KNOWN["facts"], "disc_spring": springs}}
    last = {"preload": 70.0, "facts": {**KNOWN["facts"], "shim_m": 0.23e-3}}
    found = both(recorded, first, last)
    assert found.wear is not None
    change = found.changes["spring_force"]
    ratio = 70.0 / 80.0

    def lost(force: float = 1970.0, ratio: float = ratio, thickness: float = 0.0016) -> float:
        stack = DiscStack(DiscSpring(0.095, 0.072, thickness, 0.0014), parallel=3, series=2)
        return float(stack_deflection(stack, force) - stack_deflection(stack, ratio * force))

    u_force = 30.0
    parts = {
        "spring force": 0.5 * abs(lost(1970.0 + u_force) - lost(1970.0 - u_force)),
        "change of spring force": 0.5 * abs(lost(ratio=ratio + change.u) - lost(ratio=ratio - change.u)),
        "thickness of the disc": 0.5 * abs(lost(thickness=0.0016 + 4e-6) - lost(thickness=0.0016 - 4e-6)),
    }
    u = math.hypot(*parts.values())
    wear = found.wear
    assert (wear.height_loss_m, wear.height_loss_u_m) == pytest.approx((lost(), u))
    assert (wear.shim_change_m, wear.faces) == (pytest.approx(30e-6), 4)
    face = (lost() + 30e-6) / 4.0
    assert (wear.face_wear_m, wear.face_wear_u_m) == pytest.approx((face, u / 4.0))
    assert (wear.face_wear_low_m, wear.face_wear_high_m) == pytest.approx(
        (face - 1.959964 * u / 4.0, face + 1.959964 * u / 4.0)
    )
    assert wear.budget == pytest.approx({name: part / 4.0 for name, part in parts.items()})
    (check,) = [one for one in found.limits if one.quantity == "face_wear"]
    assert (check.value, check.low, check.high, check.unit) == (pytest.approx(face), None, 60e-6, "m")
    # without a shim on either side nothing is taken off for it
    bare = {"preload": 70.0, "facts": {"disc_spring": SPRINGS}}
    assert both(recorded, first, bare).wear.shim_change_m == 0.0  # type: ignore[union-attr]


def test_the_next_event_by_hand(recorded: Recorded) -> None:
    """Three events from 80 to 71 N·m: another 3 N·m in the next; refits of both states by 4/3 and 1/3. Of a
    face a third more; of a loss what is left of the first state's preload."""
    limits = {"limits": {"preload_torque": (66.0, 90.0), "ramp_bias_drive": (0.40, 0.60)}}
    found = both(recorded, {**KNOWN, **limits}, {"preload": 71.0, **KNOWN, **limits}, events=3).next_event
    assert found is not None
    preload, bias, face = found.limits
    u = math.hypot(0.015, 0.002) * math.hypot(4.0 / 3.0 * 71.0, 80.0 / 3.0)
    assert (preload.value, preload.u) == pytest.approx((68.0, u), rel=1e-6)
    assert (preload.quantity, preload.unit, preload.low, preload.high) == (
        "preload_torque",
        "N·m",
        66.0,
        None,
    )
    assert preload.chance == pytest.approx(norm.cdf(2.0 / u), rel=1e-6)
    assert (bias.quantity, bias.value, bias.low) == ("ramp_bias_drive", pytest.approx(0.5), 0.40)
    wear = both(recorded, KNOWN, {"preload": 71.0, **KNOWN}).wear
    assert wear is not None
    assert (face.value, face.u, face.high) == (
        pytest.approx(4.0 / 3.0 * wear.face_wear_m), pytest.approx(4.0 / 3.0 * wear.face_wear_u_m), 60e-6
    )  # fmt: skip
    assert (found.events_between, found.distance_m) == (3, 200e3)
    assert (preload.chance > 0.9, found.answer) == (True, "not proven")  # by less than 95 %
    # a loss of 9/80 now and 12/80 then, where a fifth may be lost
    loss = both(recorded, {}, {"preload": 71.0}, events=3, largest_loss=0.2).next_event
    assert loss is not None
    (one,) = loss.limits
    assert (one.quantity, one.value, one.high, one.low) == ("preload_loss", pytest.approx(0.15), 0.2, None)
    u = math.hypot(0.015, 0.002) * math.hypot(4.0 / 3.0 * 71.0, (1.0 / 3.0 + 0.8) * 80.0) / 80.0
    assert (one.u, one.chance) == pytest.approx((u, norm.cdf(0.05 / u)), rel=1e-6)
    # a limit that is broken now does not last, wherever the line leads
    back = both(recorded, {"preload": 60.0}, {"preload": 66.0, "limits": {"preload_torque": (70.0, 90.0)}})
    assert back.next_event is not None
    assert back.next_event.answer == "no"
    # nor is anything said where there is no limit that wear can break
    upper = {"preload": 71.0, "limits": {"preload_torque": (60.0, 90.0)}, "unknown": ("preload_torque",)}
    assert both(recorded, {}, upper).next_event is None


def test_a_limit_of_several_visits_is_that_of_their_mean(recorded: Recorded) -> None:
    """Two at 71.2 and 72.0 N·m hold 70 together by a factor of √2; one of which a number is not determined
    tells nothing of it."""
    limits = {"limits": {"preload_torque": (70.0, 90.0)}, "distance_km": 600.0}
    pair = [recorded(value, date="2026-04-01", recording=str(value), **limits) for value in (71.2, 72.0)]
    found = compare(recorded(), pair, details=False)
    (check,) = found.limits
    u = 0.5 * math.hypot(0.015, 0.002) * math.hypot(71.2, 72.0)
    assert check.value == pytest.approx(71.6)
    assert (check.guard_low, check.guard_high) == pytest.approx((1.959964 * u, 1.959964 * u), rel=1e-6)
    lost = recorded(72.0, date="2026-04-01", recording="x", unknown=("preload_torque",), **limits)
    (check,) = compare(recorded(), [pair[0], lost], details=False).limits
    assert (check.value, check.outcome) == (None, "not proven")
