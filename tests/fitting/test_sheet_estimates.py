"""Friction, ramp angles and spring force of a unit that is known exactly, by what its sheet states; and what
is said where sheet and bench disagree."""

from __future__ import annotations

import math
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from diffbench.documents import Build
from diffbench.fitting import Candidate, FitData, Form, Setup
from diffbench.fitting.sheet_estimates import (
    Split,
    _beside,
    _drawn_product,
    _drawn_statement,
    _side_by_side,
    implausible_friction,
    overloaded_springs,
    split,
)
from diffbench.physics.friction import Stribeck
from diffbench.physics.preload import Additive
from diffbench.quantities import Quantity
from diffbench.results import Parameter

FACES, RADIUS, PIN = 4, 0.04625, 0.039
FRICTION, FORCE = 0.11, 1900.0
DRIVE, COAST = math.radians(43.0), math.radians(56.5)
RAMP = math.radians(3.2)  # friction angle of the ramps, alike on both flanks
PRELOAD = 2.0 * FRICTION * FACES * RADIUS * FORCE


def bias(angle: float) -> float:
    """K = μ n R_e cot(angle)/r_p."""
    return FRICTION * FACES * RADIUS / (math.tan(angle) * PIN)


TRUE = {
    "preload_torque": PRELOAD,
    "ramp_bias_drive_loading": bias(DRIVE + RAMP),
    "ramp_bias_coast_loading": bias(COAST + RAMP),
    "unloading_ratio_drive": math.tan(DRIVE + RAMP) / math.tan(DRIVE - RAMP),
    "unloading_ratio_coast": math.tan(COAST + RAMP) / math.tan(COAST - RAMP),
}
U = {"preload_torque": 0.8, "ramp_bias_drive_loading": 0.004, "ramp_bias_coast_loading": 0.003,
     "unloading_ratio_drive": 0.012, "unloading_ratio_coast": 0.015}  # fmt: skip
ALL = {
    f"ramp_bias_{flank}_{way}": True for flank in ("drive", "coast") for way in ("loading", "unloading")
} | {"preload_torque": True}
LOADING = {name: not name.endswith("unloading") for name in ALL}

Parted = Callable[..., Split]


def sheet(
    build: Build,
    *,
    force: tuple[float, float | None] | None = (FORCE, 57.0),
    drive: tuple[float, float | None] | None = (DRIVE, None),
    coast: tuple[float, float | None] | None = (COAST, None),
    pin: tuple[float, float | None] | None = (PIN, None),
) -> Build:
    """The demo's build sheet with other statements."""

    def told(stated: tuple[float, float | None] | None) -> Quantity | None:
        return None if stated is None else Quantity(*stated)

    ramps = {"drive_angle": told(drive), "coast_angle": told(coast), "pin_radius": told(pin)}
    return build.model_copy(
        update={
            "preload": build.preload.model_copy(update={"spring_force": told(force)}),
            "ramps": build.ramps.model_copy(update=ramps),
        }
    )


@pytest.fixture(scope="module")
def parted(
    data_of: Callable[..., FitData], candidate_of: Callable[..., Candidate], demo_build: Build
) -> Parted:
    """What a sheet makes of the products of that unit, each known by itself."""
    data = data_of(cells=20, input_torque=np.linspace(-200.0, 400.0, 20))
    model = Setup.of([demo_build], data).model(Form(Additive(), Stribeck(1.0)))
    x, u = model.names.start.copy(), np.zeros(len(model.names))
    for name, value in TRUE.items():
        (i,) = (i for own, i in model.names.position.items() if own.partition("[")[0] == name)
        x[i], u[i] = value, U[name]
    candidate = candidate_of(model, np.zeros(20), x=x)
    covariance: Any = SimpleNamespace(total=np.diag(u**2))

    def made(*, reliable: dict[str, bool] | None = None, **stated: Any) -> Split:
        build = sheet(demo_build, **stated)
        return split(candidate, covariance, [build], [""], ALL if reliable is None else reliable, [0])

    made.u = u  # type: ignore[attr-defined]
    return made


def doubt(parted: Any, found: Split, name: str) -> float:
    """Standard uncertainty of an estimate by the fit's own doubt."""
    return float(math.sqrt(np.sum((found.estimates[name].gradient * parted.u) ** 2)))


def test_by_the_spring_force(parted: Parted) -> None:
    """Friction is P/(2 n R_e F), whatever the ramps; their angles, loading and unloading, follow from it. The
    force's 3 % is in friction whole, in an angle by its slope."""
    found = parted(drive=None, coast=None, force=(FORCE, 57.0))
    assert set(found.undetermined) == set()
    assert found.checks == ()
    friction = found.estimates["friction_coefficient"]
    assert friction.value == pytest.approx(FRICTION)
    assert friction.meaning.endswith(", from the spring force")
    # both flanks' like friction angles say a little of it, too
    assert friction.sheet["spring force (build sheet)"] == pytest.approx(0.03 * FRICTION, rel=0.02)
    assert doubt(parted, found, "friction_coefficient") == pytest.approx(FRICTION * 0.8 / PRELOAD, rel=0.02)
    plain = parted(drive=None, coast=None, force=(FORCE, 57.0), reliable=LOADING)
    own = plain.estimates["friction_coefficient"]
    assert own.sheet["spring force (build sheet)"] == pytest.approx(0.03 * FRICTION)
    assert doubt(parted, plain, "friction_coefficient") == pytest.approx(FRICTION * 0.8 / PRELOAD)
    for flank, angle in (("drive", DRIVE), ("coast", COAST)):
        assert found.estimates[f"effective_ramp_angle_{flank}"].value == pytest.approx(
            math.degrees(angle), abs=1e-3
        )
        assert found.estimates[f"ramp_friction_angle_{flank}"].value == pytest.approx(3.2, abs=1e-3)
        loading = found.estimates[f"effective_ramp_angle_{flank}_loading"]
        assert loading.value == pytest.approx(math.degrees(angle + RAMP))
        assert loading.unit == "deg"
        slope = math.degrees(
            0.5 * math.sin(2.0 * (angle + RAMP))
        )  # of the angle over the logarithm of its cot
        assert loading.sheet["spring force (build sheet)"] == pytest.approx(0.03 * slope, rel=0.02)
        alone = slope * math.hypot(
            0.8 / PRELOAD, U[f"ramp_bias_{flank}_loading"] / TRUE[f"ramp_bias_{flank}_loading"]
        )
        assert doubt(parted, found, f"effective_ramp_angle_{flank}_loading") == pytest.approx(alone, rel=0.02)
        assert loading.sheet["radii (build sheet)"] == 0.0
    assert "spring_force" not in found.estimates


def test_radii_are_in_what_rests_on_them(parted: Parted) -> None:
    """2 % of the pin radius: in the loading angle by its slope, in friction not at all."""
    found = parted(drive=None, coast=None, force=(FORCE, None), pin=(PIN, 0.02 * PIN))
    assert found.estimates["friction_coefficient"].sheet["radii (build sheet)"] < 1e-4 * FRICTION
    slope = math.degrees(0.5 * math.sin(2.0 * (DRIVE + RAMP)))
    for name in ("effective_ramp_angle_drive_loading", "effective_ramp_angle_drive"):
        assert found.estimates[name].sheet["radii (build sheet)"] == pytest.approx(0.02 * slope, rel=0.02), (
            name
        )
    assert found.estimates["friction_coefficient"].sheet.get("spring force (build sheet)", 0.0) == 0.0


def test_by_the_nominal_ramp_angles(parted: Parted) -> None:
    """Loading times unloading bias tell the friction at a stated angle; the spring force follows."""
    found = parted(force=None, drive=(DRIVE, math.radians(0.4)), coast=(COAST, math.radians(0.4)))
    assert found.undetermined.keys() == {
        "effective_ramp_angle_drive_loading", "effective_ramp_angle_coast_loading"
    }  # fmt: skip
    for name, value in (("friction_coefficient", FRICTION), ("spring_force", FORCE)):
        one = found.estimates[name]
        assert one.value == pytest.approx(value, rel=1e-4)
        assert one.meaning.endswith(", from the nominal ramp angles")
        assert one.sheet["ramp angle (build sheet)"] > 0.002 * value
    # the angles are measured by the likeness of both flanks alone, which leaves them free
    assert found.estimates["effective_ramp_angle_drive"].meaning.endswith(
        "from loading and unloading of both flanks"
    )
    (check,) = found.checks
    assert check.quantity == "friction_coefficient by the drive angle, and by the coast angle"
    assert (check.from_bench, check.from_sheet) == pytest.approx((FRICTION, FRICTION), rel=1e-4)
    assert check.standard_uncertainties == pytest.approx(0.0, abs=0.01)
    assert check.readings.startswith("if they disagree: one of both angles is not as the sheet says, or was")


def test_force_and_angles_that_agree_are_one_weighted_set(parted: Parted) -> None:
    """Sharper than by either; angles without a doubt are held against the force, and not averaged with it."""
    angles = {"drive": (DRIVE, math.radians(0.4)), "coast": (COAST, math.radians(0.4))}
    both = parted(**angles)
    by_force, by_angles = parted(drive=None, coast=None), parted(force=None, **angles)
    friction = both.estimates["friction_coefficient"]
    assert friction.meaning.endswith(", from the spring force and the nominal ramp angles")

    def u(found: Split) -> float:
        own = doubt(parted, found, "friction_coefficient")
        return math.hypot(own, *found.estimates["friction_coefficient"].sheet.values())

    assert u(both) < min(u(by_force), u(by_angles))
    names = [check.quantity for check in both.checks]
    assert names == [
        "friction_coefficient by spring force, and by nominal ramp angles",
        "effective ramp angle, drive",
        "effective ramp angle, coast",
    ]
    by_force_first, drive, coast = both.checks
    assert (by_force_first.from_bench, by_force_first.from_sheet) == pytest.approx(
        (FRICTION, FRICTION), rel=1e-4
    )
    assert (drive.from_bench, drive.from_sheet, drive.unit) == (
        pytest.approx(43.0, abs=1e-3), pytest.approx(43.0), "deg"
    )  # fmt: skip
    assert coast.from_sheet == pytest.approx(56.5)
    assert drive.readings.startswith("if they disagree: other ramps are fitted, the angle was measured from")
    exact = parted()
    assert exact.estimates["friction_coefficient"].meaning.endswith(", from the spring force")
    assert exact.estimates["effective_ramp_angle_drive"].meaning.endswith(", from the spring force")


def test_a_sheet_that_contradicts_the_bench_is_told_by_how_much(parted: Parted) -> None:
    """A force that is stated a quarter too low: friction by it is a third too high, by many standard
    uncertainties; nothing is averaged."""
    angles = {"drive": (DRIVE, math.radians(0.4)), "coast": (COAST, math.radians(0.4))}
    found = parted(force=(0.75 * FORCE, 20.0), **angles)
    check = found.checks[0]
    assert (check.from_bench, check.from_sheet) == pytest.approx((FRICTION / 0.75, FRICTION), rel=1e-3)
    by_force, by_angles = (
        parted(force=(0.75 * FORCE, 20.0), drive=None, coast=None),
        parted(force=None, **angles),
    )
    one, other = (each.estimates["friction_coefficient"] for each in (by_force, by_angles))
    variance = float(np.sum(((one.gradient - other.gradient) * parted.u) ** 2))  # type: ignore[attr-defined]
    variance += sum(part**2 for each in (one, other) for part in each.sheet.values())
    apart = (FRICTION / 0.75 - FRICTION) / math.sqrt(variance)
    assert check.standard_uncertainties == pytest.approx(apart, rel=0.02)
    assert apart > 2.0
    assert found.estimates["friction_coefficient"].meaning.endswith(", from the spring force")
    assert found.estimates["friction_coefficient"].value == pytest.approx(FRICTION / 0.75, rel=1e-3)


def test_angles_of_both_flanks_that_contradict_each_other_are_both_in_the_doubt(parted: Parted) -> None:
    """A coast angle that is stated from the other side by four degrees: friction by either is told, and the
    doubt that would explain it is in the number."""
    honest = parted(force=None, drive=(DRIVE, math.radians(0.1)), coast=(COAST, math.radians(0.1)))
    found = parted(
        force=None, drive=(DRIVE, math.radians(0.1)), coast=(COAST - math.radians(4.0), math.radians(0.1))
    )
    (check,) = found.checks
    assert check.from_bench == pytest.approx(FRICTION, rel=1e-3)
    assert check.from_sheet < 0.9 * FRICTION
    assert check.standard_uncertainties > 2.0
    wide, narrow = (
        each.estimates["friction_coefficient"].sheet["ramp angle (build sheet)"] for each in (found, honest)
    )
    assert wide > 3.0 * narrow
    # beside a force they are held against each other where they disagree alone
    agree = parted(drive=(DRIVE, math.radians(0.1)), coast=(COAST, math.radians(0.1)))
    assert len(agree.checks) == 3
    apart = parted(drive=(DRIVE, math.radians(0.1)), coast=(COAST - math.radians(4.0), math.radians(0.1)))
    assert len(apart.checks) == 4


def test_what_is_not_determined(parted: Parted) -> None:
    """Without a preload, without unloading, without a pin radius: what is left, and what the rest needs."""
    found = parted(drive=None, coast=None, reliable=LOADING)
    assert set(found.estimates) == {
        "friction_coefficient", "effective_ramp_angle_drive_loading", "effective_ramp_angle_coast_loading"
    }  # fmt: skip
    unit, told, needs = found.undetermined["effective_ramp_angle_drive"]
    assert (unit, needs) == ("deg", "loading and unloading under drive torque")
    assert told == "angle of the drive ramps from the plane of rotation, as it acts"
    found = parted(drive=None, coast=None, pin=None)
    assert set(found.estimates) == {"friction_coefficient"}
    assert found.undetermined["ramp_friction_angle_drive"][2].startswith(
        "the pin radius in the build sheet, and "
    )
    found = parted(drive=None, coast=None, reliable={**LOADING, "preload_torque": False})
    assert "friction_coefficient" in found.undetermined
    assert found.undetermined["friction_coefficient"][2] == "a preload torque that the runs determine"
    nothing = parted(drive=None, coast=None, reliable={})
    assert nothing.estimates == {}
    assert nothing.checks == ()


BY_FORCE = "the spring force at installed height (from a press, or the disc-spring formula)"
RAMP_FRICTION = "loading and unloading under drive torque, and the spring force or the nominal angle"
PRELOAD_NEEDED = "a preload torque that the runs determine"


@pytest.mark.parametrize(
    ("defined", "stated", "needs"),
    [
        ("friction_coefficient", {}, f"{PRELOAD_NEEDED}, or a sweep that shows loading and unloading"),
        ("friction_coefficient", {"drive": None}, PRELOAD_NEEDED),
        ("friction_coefficient", {"coast": None}, PRELOAD_NEEDED),
        ("effective_ramp_angle_drive", {}, "loading and unloading under drive torque"),
        (
            "effective_ramp_angle_drive",
            {"force": None},
            f"{BY_FORCE}, with loading and unloading under drive torque",
        ),
        ("ramp_friction_angle_drive", {"force": None}, "loading and unloading under drive torque"),
        (
            "ramp_friction_angle_drive",
            {"force": None, "coast": None},
            RAMP_FRICTION,
        ),
        ("ramp_friction_angle_drive", {"coast": None}, "loading and unloading under drive torque"),
        (
            "ramp_friction_angle_drive",
            {"pin": None},
            f"the pin radius in the build sheet, and {RAMP_FRICTION}",
        ),
        (
            "effective_ramp_angle_drive_loading",
            {},
            "a preload torque and a ramp bias that the runs determine",
        ),
        ("effective_ramp_angle_drive_loading", {"force": None}, BY_FORCE),
    ],
)
def test_what_is_needed_beside_the_sheet(
    demo_build: Build, defined: str, stated: dict[str, None], needs: str
) -> None:
    """What the sheet states is not asked for again."""
    assert _beside(defined, [sheet(demo_build, **stated)]) == needs  # type: ignore[arg-type]


def parameter(value: float | None, low: float | None, high: float | None) -> Parameter:
    return Parameter(value=value, u=None, low=low, high=high, unit="N·m", status="measured", meaning="")


@pytest.mark.parametrize(
    ("low", "high", "odd"),
    [
        # 2 n R_e F = 703 N·m a unit of friction; its doubt of 3 % is on either side
        (0.300 * 703.0, 0.4 * 703.0, False),
        (0.300 * 703.0 * (1.0 + 1.96 * 0.03) * 1.001, 0.5 * 703.0, True),
        (0.300 * 703.0 * (1.0 + 1.96 * 0.03) * 0.999, 0.5 * 703.0, False),
        (0.01 * 703.0, 0.030 * 703.0 / (1.0 + 1.96 * 0.03) * 0.999, True),
        (0.01 * 703.0, 0.030 * 703.0 / (1.0 + 1.96 * 0.03) * 1.001, False),
    ],
)
def test_friction_that_no_plates_have(demo_build: Build, low: float, high: float, odd: bool) -> None:
    """By preload and force, all through the interval."""
    build = sheet(demo_build, force=(1900.0, 57.0))
    item = parameter(0.5 * (low + high), low, high)
    found = implausible_friction({"preload_torque": item}, [build], [""], set())
    assert len(found) == odd


@pytest.mark.parametrize(
    ("parallel", "force", "heard"),
    [
        # one disc of 95/72/1.6/1.4 mm is flat at 1423 N: 4 E/(1 − ν²) t³ h0/(K1 De²) = 905.49 GPa
        # · 5.7344e-12 m⁴/(0.40437 · 9.025e-3 m²); 1536 is 1423 N and 1.96 times 57 N, and 1 N
        (1, 1900.0, True),
        (1, 1536.0, True),
        (1, 1533.0, False),
        (2, 1900.0, False),
        (1, None, False),
    ],
)
def test_springs_that_cannot_carry_the_stated_force(
    demo_build: Build, parallel: int, force: float | None, heard: bool
) -> None:
    """Told once for all visits with one sheet, with its file and both keys; not where the doubt holds it."""
    build = sheet(demo_build, force=None if force is None else (force, 57.0))
    springs = build.preload.disc_spring
    assert springs is not None
    springs = springs.model_copy(update={"parallel": parallel, "series": 1})
    build = build.model_copy(update={"preload": build.preload.model_copy(update={"disc_spring": springs})})
    found = overloaded_springs([(build, "q17.toml"), (build, "q17.toml")])
    assert len(found) == heard
    for finding in found:
        told = finding.name, finding.severity, finding.where
        assert told == ("springs cannot carry the force", "caveat", "q17.toml")
        assert f"carry 1423 N at most, and the spring force is {force:.0f} N" in finding.evidence
        assert "parallel and series of preload.disc_spring, and preload.spring_force" in finding.mend


def test_what_would_explain_a_friction_that_no_plates_have(demo_build: Build) -> None:
    """The number as read first; units that a rig states and that would bring it among usual ones; without a
    force, by the angles."""
    build = sheet(demo_build, force=(1900.0, 57.0))
    scale = 2.0 * FACES * RADIUS * 1900.0
    read = parameter(1.1 * scale, 1.09 * scale, 1.11 * scale)
    fine = parameter(0.1 * scale, 0.09 * scale, 0.11 * scale)
    (found,) = implausible_friction(
        {"preload_torque_as_read[a]": read, "preload_torque[a]": fine}, [build], ["[a]"], {"kgf.m"}
    )
    assert (found.name, found.severity, found.where) == (
        "friction implausible", "caveat", "build Q17-2026-04-13"
    )  # fmt: skip
    assert found.evidence == (
        "Preload torque, spring force, faces and radii ask for a friction coefficient of 1.1; plates in oil "
        "have 0.03 to 0.3 (common practice, no source)."
    )
    assert found.effect == (
        "At least one of them is wrong, and if it is the torques, all numbers: nothing is held to be good."
    )
    assert found.mend == (
        "Check a wrong unit of torque: N.m taken as kgf.m (0.11); or else the number of faces (of one pack), "
        "the spring force or its unit, the radii, and the arrangement: the words for case free and case held "
        "may be exchanged."
    )
    (found,) = implausible_friction({"preload_torque[a]": read}, [build], ["[a]"], {"N.m"})
    assert "lbf.in taken as N.m (0.12)" in found.mend
    assert "kgf.m" not in found.mend
    (found,) = implausible_friction({"preload_torque[a]": read}, [build], ["[a]"], set())
    assert (
        "lbf.in taken as N.m (0.12) or N.m taken as kgf.m (0.11) or N.m taken as daN.m (0.11)" in found.mend
    )
    odd = parameter(0.45 * scale, 0.44 * scale, 0.46 * scale)
    (found,) = implausible_friction({"preload_torque[a]": odd}, [build], ["[a]"], {"N.m"})
    assert found.mend.startswith(
        "Check the number of faces (of one pack), the spring force or its unit, the radii, the unit of torque"
    )
    bare = sheet(demo_build, force=None)
    angles = parameter(0.5, 0.45, 0.55)
    (found,) = implausible_friction({"friction_coefficient": angles}, [bare], [""], set())
    assert found.evidence.startswith(
        "Ramp biases, ramp angles, faces and radii ask for a friction coefficient of 0.5;"
    )
    assert found.mend.startswith(
        "Check the number of faces (of one pack), the ramp angles (from plane or axis), the pin radius, and"
    )
    # no number, or no interval, says nothing
    for item in (parameter(None, None, None), parameter(0.5, None, 0.55), parameter(0.5, 0.45, None)):
        assert implausible_friction({"friction_coefficient": item}, [bare], [""], set()) == []


class Drawn:
    """Four draws of which what is told is as told, and all else where it is."""

    count = 4

    def __init__(self, values: dict[str, list[float]], errors: dict[str, list[float]]) -> None:
        self.values, self.errors = values, errors
        self.made: dict[str, Any] = {}

    def value(self, name: str) -> np.ndarray:
        return np.array(self.values[name] if name in self.values else [TRUE[name.partition("[")[0]]] * 4)

    def standard(self, name: str) -> np.ndarray:
        return np.array(self.errors.get(name, [0.0] * 4))

    def once(self, name: str, make: Callable[[], Any]) -> Any:
        if name not in self.made:
            self.made[name] = make()
        return self.made[name]


def test_friction_and_angles_of_draws_are_their_closed_forms(parted: Parted) -> None:
    """As it is; with another preload; with a force that is two of its 57 N off; with a pin radius off by one
    of its 2 %. Friction is P/(2 n R_e F), and tan(β + φ) = μ n R_e/(K r_p)."""
    found = parted(drive=None, coast=None, force=(FORCE, 57.0), pin=(PIN, 0.02 * PIN), reliable=LOADING)
    draws: Any = Drawn(
        {"preload_torque": [PRELOAD, 0.9 * PRELOAD, PRELOAD, PRELOAD]},
        {"force[0]": [0.0, 0.0, 2.0, 0.0], "pin radius": [0.0, 0.0, 0.0, 1.0]},
    )
    force, preload = np.array([FORCE, FORCE, FORCE + 114.0, FORCE]), draws.value("preload_torque")
    friction = preload / (2.0 * FACES * RADIUS * force)
    one = found.estimates["friction_coefficient"]
    assert one.of_draws is not None
    assert one.of_draws(draws) == pytest.approx(friction, rel=1e-6)
    pin = PIN * np.exp([0.0, 0.0, 0.0, 0.02])
    for flank in ("drive", "coast"):
        angle = found.estimates[f"effective_ramp_angle_{flank}_loading"]
        assert angle.of_draws is not None
        total = np.arctan(friction * FACES * RADIUS / (TRUE[f"ramp_bias_{flank}_loading"] * pin))
        assert angle.of_draws(draws) == pytest.approx(np.degrees(total), rel=1e-6)
        assert angle.of_draws(draws)[0] == pytest.approx(angle.value)


def test_draws_of_what_is_positive_stay_so() -> None:
    """A thousandth of the value at least: 8 and 1900 N."""
    draws: Any = Drawn(
        {"a": [2.0, -1.0, 3.0, 0.5], "b": [4.0, 4.0, 0.001, 8.0]}, {"force": [1.0, -40.0, 0.0, -2.0]}
    )
    product: Any = SimpleNamespace(factors=("a", "b"), value=8.0)
    assert _drawn_product(draws, product) == pytest.approx([8.0, 0.008, 0.008, 4.0])
    statement: Any = SimpleNamespace(part="force", value=1900.0, u=60.0)
    assert _drawn_statement(draws, statement) == pytest.approx([1960.0, 1.9, 1900.0, 1780.0])
    assert _side_by_side([], 3).shape == (3, 0)
    columns = [np.array([1.0, 2.0]), np.array([3.0, 4.0])]
    assert _side_by_side(columns, 2).tolist() == [[1.0, 3.0], [2.0, 4.0]]
