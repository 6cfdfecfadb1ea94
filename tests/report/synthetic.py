"""Results made by hand, for tests of what people read: no fit needed, every number known.

Invented: they exist only here.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from diffbench.physics.friction import FRICTION_LAWS
from diffbench.physics.preload import PRELOAD_LAWS
from diffbench.physics.steady import UnitQuantities, steady_locking_torque
from diffbench.results import (
    Adequacy,
    BuildFacts,
    Characterisation,
    Correlation,
    Diagnostics,
    Evidence,
    FindingRecord,
    FormState,
    LawVerdict,
    LimitVerdict,
    Parameter,
    Provenance,
    SheetCheck,
    Tested,
)

RADIUS = 0.045
REFERENCE = {"temperature_degC": 60.0, "speed_difference_rad_s": 4.0}
NAMES = (
    "preload_torque",
    "ramp_bias_drive_loading",
    "ramp_bias_coast_loading",
    "unloading_ratio_drive",
    "unloading_ratio_coast",
    "gear_friction",
    "viscous",
    "viscous_exponent",
    "static_excess",
    "stribeck_speed",
    "temperature_coefficient",
)
VALUES = (83.2, 0.45, 0.30, 1.32, 1.38, 0.02, 0.30, 0.03, 0.12, 0.03, -0.0015)
SPREAD = (1.3, 0.006, 0.004, 0.008, 0.012, 0.004, 0.02, 0.004, 0.01, 0.003, 0.00008)
LOGARITHMS = tuple(name == "stribeck_speed" for name in NAMES)


def unit(law: str = "additive", joint_fraction: float = 0.0) -> UnitQuantities:
    """The unit behind the synthetic results."""
    v = dict(zip(NAMES, VALUES, strict=True))
    return UnitQuantities(
        preload_law=PRELOAD_LAWS[law],
        preload_values=(joint_fraction,) if law == "greater-of" else (),
        preload_torque=v["preload_torque"],
        drive_bias=v["ramp_bias_drive_loading"],
        coast_bias=v["ramp_bias_coast_loading"],
        drive_ratio=v["unloading_ratio_drive"],
        coast_ratio=v["unloading_ratio_coast"],
        gear_friction=v["gear_friction"],
        viscous=v["viscous"],
        viscous_exponent=v["viscous_exponent"],
        friction_law=FRICTION_LAWS["stribeck-1"],
        friction_values=(v["static_excess"], v["stribeck_speed"]),
        temperature_coefficient=v["temperature_coefficient"],
        effective_radius=RADIUS,
        reference_temperature=60.0,
        reference_speed_difference=4.0,
    )


def form(law: str = "additive", joint_fraction: float = 0.0) -> FormState:
    """The fitted form of the unit."""
    names, values, spread, logs = list(NAMES), list(VALUES), list(SPREAD), list(LOGARITHMS)
    for i, log in enumerate(logs):
        if log:
            spread[i] /= values[i]
            values[i] = float(np.log(values[i]))
    if law == "greater-of":
        names.append("joint_fraction")
        values.append(joint_fraction)
        spread.append(0.02)
        logs.append(False)
    return FormState(
        law=law,
        stribeck_exponent=1.0,
        weight=1.0,
        names=names,
        logarithms=logs,
        values=values,
        covariance=np.diag(np.square(spread)).tolist(),
        shares={},
    )


def measured(value: float, u: float, unit: str, meaning: str, **budget: float) -> Parameter:
    """A measured quantity with a budget, normal limits."""
    parts = {name.replace("_", " ").replace("weak ", "weak: "): size for name, size in budget.items()} or {
        "noise": u
    }
    return Parameter(
        value=value,
        u=u,
        low=value - 1.96 * u,
        high=value + 1.96 * u,
        unit=unit,
        status="measured",
        meaning=meaning,
        budget=parts,
    )


def open_quantity(unit: str, meaning: str, needs: str) -> Parameter:
    """A quantity that is not determined."""
    return Parameter(
        value=None,
        u=None,
        low=None,
        high=None,
        unit=unit,
        status="not-determined",
        meaning=meaning,
        needs=needs,
    )


def parameters() -> dict[str, Parameter]:
    """All quantities, every one determined."""
    at = "at the reference condition"
    effect = "locking torque over input torque (SAE J2817) at {} N·m input torque, loading, " + at
    return {
        "preload_torque": measured(
            83.2137, 1.2964, "N·m", at, bench_repeatability=1.2, noise=0.4, transducer_gain=0.28
        ),
        "ramp_bias_drive_loading": measured(
            0.45012, 0.0061, "1", at, bench_repeatability=0.0045, noise=0.0041
        ),
        "ramp_bias_drive_unloading": measured(
            0.59407, 0.0088, "1", at, bench_repeatability=0.006, noise=0.0064
        ),
        "ramp_bias_coast_loading": measured(0.30022, 0.0042, "1", at, noise=0.0042),
        "ramp_bias_coast_unloading": measured(0.41431, 0.0069, "1", at, noise=0.0069),
        "gear_friction": Parameter(
            value=0.02,
            u=0.004,
            low=0.01216,
            high=0.02784,
            unit="1",
            status="stated",
            meaning="share of the input torque",
            budget={"gear friction (build sheet)": 0.004},
        ),
        "viscous_coefficient": measured(0.302, 0.021, "N·m·s/rad", "oil film"),
        "friction_slope": measured(-0.0981, 0.0093, "s/m", "relative change of friction per sliding speed"),
        "friction_temperature_coefficient": measured(-0.0015, 0.00008, "1/K", "relative change of friction"),
        "locking_effect_drive": measured(0.6123, 0.0071, "1", effect.format("700.2"), noise=0.0071),
        "torque_bias_ratio_drive": measured(4.158, 0.094, "1", effect.format("700.2"), noise=0.094),
        "locking_effect_coast": measured(0.5981, 0.0069, "1", effect.format("-299.7"), noise=0.0069),
        "friction_coefficient": measured(
            0.1104, 0.0038, "1", at, spring_force=0.0035, weak_like_friction_on_both_flanks=0.0014
        ),
        "effective_ramp_angle_drive": measured(44.9, 1.1, "deg", at, spring_force=1.1),
        "effective_ramp_angle_coast": measured(59.6, 1.0, "deg", at, spring_force=1.0),
        "spring_force": Parameter(
            value=1850.0,
            u=60.0,
            low=1732.4,
            high=1967.6,
            unit="N",
            status="stated",
            meaning="by the build sheet",
            budget={"build sheet": 60.0},
        ),
    }


def evidence(law: str = "additive", joint_fraction: float = 0.0, *, seed: int = 20260314) -> Evidence:
    """Cells of two sweeps and of two readings by hand, with noise of 0.6 N·m."""
    rng = np.random.default_rng(seed)
    pieces: list[tuple[np.ndarray, ...]] = []
    for number, speed in enumerate((1.5, 10.0)):
        for direction in (1.0, -1.0):
            rise, fall = np.linspace(-300.0, 700.0, 60), np.linspace(500.0, -300.0, 45)
            torque = np.concatenate([rise, fall])
            # away from zero is loading: on the coast flank while the torque falls
            loading = np.concatenate([rise >= 0.0, fall < 0.0])
            pieces.append(
                (
                    np.full(torque.size, number),
                    torque,
                    np.full(torque.size, speed),
                    np.full(torque.size, direction),
                    loading,
                )
            )
    run = np.concatenate([p[0] for p in pieces]).astype(np.int64)
    torque, speed, direction = (np.concatenate([p[i] for p in pieces]).astype(float) for i in (1, 2, 3))
    loading = np.concatenate([p[4] for p in pieces]).astype(bool)
    plate = 55.0 + 25.0 * rng.random(torque.size)
    oil = plate - 4.0
    thing = unit(law, joint_fraction)
    branch = [
        np.asarray(steady_locking_torque(thing, torque, speed, plate, name))
        for name in ("loading", "unloading")
    ]
    # plates and oil apart: the oil film follows the oil
    film = (
        thing.viscous
        * speed
        * (np.exp(-thing.viscous_exponent * (oil - 60.0)) - np.exp(-thing.viscous_exponent * (plate - 60.0)))
    )
    model = np.where(loading, branch[0], branch[1]) + film
    sigma = np.full(torque.size, 0.6)
    locking = model + 0.6 * rng.standard_normal(torque.size)
    used = np.arange(torque.size) != 7
    locking[7] += 40.0
    hand = 2
    return Evidence(
        run=np.concatenate([run, np.full(hand, 2)]),
        run_names=("bias-1.csv", "bias-2.csv", "hand.csv"),
        run_kinds=("bias-sweep", "speed-sweep", "turning-torque"),
        time=np.concatenate([np.arange(torque.size) * 0.5, np.arange(hand) * 1.0]),
        input_torque=np.concatenate([torque, np.zeros(hand)]),
        speed_difference=np.concatenate([speed, np.full(hand, 0.5)]),
        direction=np.concatenate([direction, [1.0, -1.0]]),
        oil=np.concatenate([oil, np.full(hand, np.nan)]),
        plate=np.concatenate([plate, np.full(hand, 22.0)]),
        loading=np.concatenate([loading, np.ones(hand, dtype=bool)]),
        locking=np.concatenate([locking, [84.0, 85.1]]),
        model=np.concatenate([model, [84.4, 84.4]]),
        sigma=np.concatenate([sigma, np.full(hand, 1.0)]),
        used=np.concatenate([used, np.ones(hand, dtype=bool)]),
    )


def complete(form_law: str = "additive", joint_fraction: float = 0.0, **changes: Any) -> Characterisation:
    """A result without a blemish, by a preload law; ``changes`` replace its fields."""
    law = form_law
    # fmt: off
    fields: dict[str, Any] = {
        "unit": "K04",
        "build": "K04-spring",
        "builds": [
            BuildFacts(
                unit="K04", build="K04-spring", distance_m=0.0, faces=5, effective_radius_m=RADIUS,
                pin_radius_m=0.0385, drive_angle_deg=45.0, coast_angle_deg=60.0,
            )
        ],
        "date": "2026-03-14",
        "reference": REFERENCE,
        "law": LawVerdict(
            chosen=law, status="measured",
            information={law: 0.0, "greater-of" if law == "additive" else "additive": 214.0},
            reason=f"the {law} law explains the sweeps better, by 214 in BIC (above 10 is decisive)",
        ),
        "parameters": parameters(),
        "correlation": Correlation(
            names=["preload_torque", "friction_slope"], matrix=[[1.0, -0.82], [-0.82, 1.0]],
        ),
        "sheet_checks": [
            SheetCheck(
                quantity="effective ramp angle, drive", from_bench=44.9, from_sheet=45.0, unit="deg",
                standard_uncertainties=-0.09, readings="other ramps are fitted",
            )
        ],
        "limits": [
            LimitVerdict(quantity="preload_torque", low=75.0, high=95.0, unit="N·m", verdict="within")
        ],
        "tested": Tested(
            outline=[(-300.0, 0.4), (700.0, 1.5), (700.0, 10.0), (-300.0, 10.0)],
            temperature_degC=(48.0, 82.0), drive_unloading_Nm=530.0, coast_unloading_Nm=217.0,
            drive_ramp_seen=True, coast_ramp_seen=True,
        ),
        "diagnostics": Diagnostics(
            converged=True, starts_agree=True, at_bound=[], residuals_clean=True, misfit_factor=1.0,
            detectable=0.004,
            residual_rms_Nm=0.6021, cells=421, samples=20500, samples_used=19876, effective_samples=212.4,
            dropped={"bias-1.csv": {"spike": 3, "outputs hold still (a bound, not a sample)": 621}},
            noise_method="HAC (Newey-West, 11 cells), as there are only 8 cycles",
            adequacy=[
                Adequacy(
                    axis="input torque", ratio=0.91, bins=20,
                    worst="around -120 N·m: +0.21 standard deviations of a cell",
                )
            ],
            bench_errors={"gain of left_torque": {"standard_uncertainties": 0, "u": 1, "stated_u": 0.002}},
        ),
        "findings": [],
        "assumed_exact": ["the plate radii have no stated uncertainty: they count as exact"],
        "next_steps": [
            "preload_torque (u = 1.6 %, 86 % of its variance is bench repeatability): average several refits"
        ],
        "forms": [form(law, joint_fraction)],
        "map_axes": {
            "input_torque_Nm": None, "speed_difference_rad_s": (0.2, 14.0), "temperature_degC": (40.0, 100.0),
        },
        "provenance": Provenance(
            version="0.1.0", made="2026-03-15T09:30:00+00:00",
            inputs={"run.toml": "ab" * 32, "bias-1.csv": "cd" * 32}, visits=["run.toml"],
        ),
    }
    # fmt: on
    fields.update(changes)
    return Characterisation(**fields).with_evidence(evidence(law, joint_fraction))


def at_one_temperature(result: Characterisation, **tested: Any) -> Characterisation:
    """The same, tested at 60 °C alone: a map of one temperature, drawn sooner than one of three."""
    region = result.tested.model_copy(update={"temperature_degC": (60.0, 60.0), **tested})
    return result.model_copy(update={"tested": region, "map_axes": dict.fromkeys(result.map_axes)})


def doubtful() -> Characterisation:
    """A result with everything that can be wrong: out of limits, undecided, not determined, on a bound, with
    findings."""
    known = parameters()
    known["ramp_bias_coast_loading"] = open_quantity(
        "1", "coast ramps", "slip under coast torque, rising until the ramps clearly overcome the preload"
    )
    del known["ramp_bias_coast_unloading"], known["locking_effect_coast"], known["spring_force"]
    known["friction_coefficient"] = open_quantity(
        "1", "friction", "the spring force at installed height, from a press"
    )
    known["effective_ramp_angle_drive"] = open_quantity(
        "deg", "ramps", "the spring force at installed height"
    )
    base = complete()
    return complete(
        parameters=known,
        law=LawVerdict(
            chosen="additive",
            status="undecided",
            information={"additive": 0.0, "greater-of": 3.1},
            reason="the sweeps do not tell the laws apart (BIC differs by 3.1, 10 is needed)",
        ),
        limits=[
            LimitVerdict(quantity="preload_torque", low=90.0, high=110.0, unit="N·m", verdict="outside"),
            LimitVerdict(quantity="ramp_bias_drive", low=0.44, high=0.46, unit="1", verdict="not proven"),
            LimitVerdict(quantity="ramp_bias_coast", low=0.25, high=0.35, unit="1", verdict="not proven"),
        ],
        sheet_checks=[
            SheetCheck(
                quantity="friction_coefficient by spring force, and by nominal ramp angles",
                from_bench=0.1104,
                from_sheet=0.1252,
                unit="1",
                standard_uncertainties=-3.4,
                readings="the spring force or a ramp angle is not as the sheet says",
            )
        ],
        diagnostics=base.diagnostics.model_copy(
            update={
                "converged": False,
                "starts_agree": False,
                "at_bound": ["joint_fraction"],
                "residuals_clean": False,
                "misfit_factor": 4.0,
            }
        ),
        findings=[
            FindingRecord(
                name="one slip direction only",
                severity="caveat",
                where="all sweeps",
                evidence="The left output is always faster.",
                effect="Stated uncertainties count in full.",
                mend="Sweep with both outputs faster in turn.",
            ),
            FindingRecord(
                name="spikes",
                severity="note",
                where="bias-1.csv",
                evidence="3 samples.",
                effect="They are left out.",
                mend="",
            ),
        ],
        next_steps=[
            "the sweeps do not tell the laws apart (BIC differs by 3.1, 10 is needed)",
            "friction_coefficient: needs the spring force at installed height, from a press",
            "add a bias sweep under coast torque",
        ],
    )


def two_builds() -> Characterisation:
    """Two builds of one unit, fitted together: preload apart, ramps shared."""
    base = complete()
    first = base.builds[0]
    known = dict(parameters())
    preload = known.pop("preload_torque")
    known["preload_torque[K04-spring]"] = preload
    known["preload_torque[K04-shim]"] = measured(97.41, 1.42, "N·m", "at the reference condition", noise=1.42)
    shape = base.forms[0]
    names = ["preload_torque[K04-spring]", *shape.names[1:], "preload_torque[K04-shim]"]
    covariance = np.diag([*np.diag(np.array(shape.covariance)), 2.0]).tolist()
    return complete(
        build="K04-spring, K04-shim",
        builds=[first, first.model_copy(update={"build": "K04-shim"})],
        parameters=known,
        forms=[
            shape.model_copy(
                update={
                    "names": names,
                    "logarithms": [*shape.logarithms, False],
                    "values": [*shape.values, 97.41],
                    "covariance": covariance,
                }
            )
        ],
    )


HOSTILE = "<script>alert('x')</script>\"&'\u202egnp.\x1b[31m$\\frac$ " + "\u5dee\u52d5" + "A" * 10_000


def hostile() -> Characterisation:
    """A result whose every free text is an attack."""
    base = complete()
    known = parameters()
    known[f"preload_torque[{HOSTILE}]"] = known["preload_torque"]
    known["friction_coefficient"] = open_quantity("1", HOSTILE, HOSTILE)
    known["viscous_coefficient"] = measured(0.3, 0.02, "N·m·s/rad", HOSTILE).model_copy(
        update={"budget": {HOSTILE: 0.02}}
    )
    return complete(
        unit=HOSTILE,
        build=HOSTILE,
        date=HOSTILE,
        parameters=known,
        builds=[base.builds[0].model_copy(update={"build": HOSTILE, "unit": HOSTILE})],
        law=base.law.model_copy(update={"reason": HOSTILE}),
        sheet_checks=[
            base.sheet_checks[0].model_copy(
                update={"quantity": HOSTILE, "readings": HOSTILE, "standard_uncertainties": 9.0}
            )
        ],
        findings=[
            FindingRecord(
                name=HOSTILE, severity="caveat", where=HOSTILE, evidence=HOSTILE, effect=HOSTILE, mend=HOSTILE
            )
        ],
        assumed_exact=[HOSTILE],
        next_steps=[HOSTILE],
        diagnostics=base.diagnostics.model_copy(
            update={
                "dropped": {HOSTILE: {HOSTILE: 1}},
                "noise_method": HOSTILE,
                "at_bound": [HOSTILE],
                "bench_errors": {HOSTILE: {"standard_uncertainties": 0.1, "u": 0.5, "stated_u": 0.001}},
                "adequacy": [Adequacy(axis=HOSTILE, ratio=1.0, bins=3, worst=HOSTILE)],
            }
        ),
        provenance=Provenance(version=HOSTILE, made=HOSTILE, inputs={HOSTILE: HOSTILE}, visits=[HOSTILE]),
    )
