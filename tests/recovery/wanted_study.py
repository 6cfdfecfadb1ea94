"""Does the preload that is wanted, applied forward, land on its target within its interval?

Run by hand: ``python tests/recovery/wanted_study.py --cars 300``. Random cars as their team describes them,
random units as a bench measured them, random targets: what is true of car and unit is off by draws of what
is stated. The wanted preload is applied to the true unit in the true car, and the result held against the
interval that was given for it. What is refused must be out of reach indeed: no preload looked at gives it,
and the nearest that is named is the nearest.

The exit status is 1 where a 95 % interval holds the landing less often than chance allows, or a target was
refused wrongly.
"""

from __future__ import annotations

import argparse
import dataclasses
import re
import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from scipy.stats import binom

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "fixtures"))

from benchsim.scenario import Q17  # the path above comes first
from benchsim.unit import Unit  # same

from diffbench import results  # same
from diffbench.answers import corner_entry, preload_ladder, target_of, wanted_preload  # same
from diffbench.documents import Car  # same
from diffbench.errors import FitError  # same
from diffbench.results import Characterisation, make_map  # same

REFERENCE = {"temperature_degC": 60.0, "speed_difference_rad_s": 4.0}
U_PRELOAD = 0.02
KINDS = ("kept", "turn-in: kept", "turn-in: yaw moment")


def measured(unit: Unit, *, u: dict[str, float] | None = None, known: bool = True) -> Characterisation:
    """A characterisation without error of a simulated unit: its own numbers, named as the fit does.

    ``u`` holds standard uncertainties of unknowns, independent of each other; without ``known`` neither
    spring force nor angles are determined.
    """
    derived = unit.derived(REFERENCE["speed_difference_rad_s"])
    # the simulator's temperature coefficient is of friction at the reference temperature, as the fit's
    unknowns = {
        "preload_torque": derived["preload_torque_Nm"],
        "ramp_bias_drive_loading": derived["ramp_bias_drive_loading"],
        "ramp_bias_coast_loading": derived["ramp_bias_coast_loading"],
        "unloading_ratio_drive": derived["ramp_bias_drive_unloading"] / derived["ramp_bias_drive_loading"],
        "unloading_ratio_coast": derived["ramp_bias_coast_unloading"] / derived["ramp_bias_coast_loading"],
        "gear_friction": unit.gear_friction,
        "viscous": unit.viscous,
        "viscous_exponent": -unit.viscous_temperature_coefficient,
        "static_excess": unit.friction_static / unit.friction_kinetic - 1.0,
        "stribeck_speed": unit.stribeck_speed,
        "temperature_coefficient": unit.friction_temperature_coefficient,
    }
    if unit.law == "greater-of":
        unknowns["joint_fraction"] = unit.joint_fraction
    logarithms = [name == "stribeck_speed" for name in unknowns]
    spread = {
        **dict.fromkeys(unknowns, 0.0),
        **{name: each for name, each in (u or {}).items() if name in unknowns},
    }
    form = results.FormState(
        law="greater-of" if unit.law == "greater-of" else "additive",
        stribeck_exponent=unit.stribeck_exponent,
        weight=1.0,
        names=list(unknowns),
        logarithms=logarithms,
        values=[
            float(np.log(value)) if logarithm else value
            for value, logarithm in zip(unknowns.values(), logarithms, strict=True)
        ],
        covariance=np.diag(np.square(list(spread.values()))).tolist(),
        shares={},
    )
    quantities = {"preload_torque": (unknowns["preload_torque"], "N·m")}
    if known:
        quantities |= {
            "spring_force": (unit.spring_force, "N"),
            "effective_ramp_angle_drive": (unit.drive_angle_deg, "deg"),
            "effective_ramp_angle_coast": (unit.coast_angle_deg, "deg"),
            "ramp_friction_angle_drive": (unit.ramp_friction_angle_deg, "deg"),
            "ramp_friction_angle_coast": (unit.ramp_friction_angle_deg, "deg"),
        }
    # only what a map is made of: the rest of a characterisation plays no part here
    return Characterisation.model_construct(
        findings=[],
        unit=unit.name,
        build=f"{unit.name}-a",
        date="2026-04-14",
        builds=[
            results.BuildFacts.model_construct(
                unit=unit.name,
                build=f"{unit.name}-a",
                faces=unit.faces,
                effective_radius_m=unit.effective_radius,
                pin_radius_m=unit.pin_radius,
                drive_angle_deg=unit.drive_angle_deg,
                coast_angle_deg=unit.coast_angle_deg,
                distance_m=None,
            )
        ],
        reference=REFERENCE,
        law=results.LawVerdict(chosen=form.law, status="measured", information={}, reason=""),
        parameters={
            name: results.Parameter(
                value=value,
                u=(u or {}).get(name, 0.0),
                low=value,
                high=value,
                unit=of,
                status="measured",
                meaning="",
            )
            for name, (value, of) in quantities.items()
        },
        tested=results.Tested(
            outline=[(-300.0, 0.5), (700.0, 0.5), (700.0, 10.0), (-300.0, 10.0)],
            temperature_degC=(50.0, 75.0),
            drive_unloading_Nm=520.0,
            coast_unloading_Nm=220.0,
            drive_ramp_seen=True,
            coast_ramp_seen=True,
        ),
        forms=[form],
        map_axes={},
        provenance=results.Provenance(version="", made="", inputs={}, visits=[]),
    )


def three_phases() -> Car:
    """A car with two phases of entry and one of drive."""
    phase = {"speed": 20.0, "temperature": 60.0}
    return Car.model_validate(
        {
            "format": "diffbench-car/1",
            "name": "Car",
            "axle": {"track": 1.5, "rolling_radius": 310.0},
            "tyre": {"slip_stiffness": 60e3},
            "phase": (
                {"name": "turn-in", "radius": 100.0, "engine_braking": 120.0, "duration": 1.0, **phase},
                {"name": "apex", "radius": 50.0, "engine_braking": 40.0, "duration": 0.5, **phase},
                {"name": "throttle", "radius": 50.0, "drive_torque": 400.0, "turn": "left", **phase},
            ),
        }
    )


def random_car(rng: np.random.Generator) -> tuple[Car, Car]:
    """A car as its team describes it, with doubts, and as it really is."""
    stated = {
        "axle": {
            "track": (rng.uniform(1.3, 1.7), 0.005),
            "rolling_radius": (rng.uniform(270.0, 350.0), 0.01),
        },
        "tyre": {
            "slip_stiffness": (rng.uniform(40e3, 90e3), 0.1),
            "load_exponent": (rng.uniform(0.7, 0.95), 0.05),
        },
        "body": {
            "mass": (rng.uniform(900.0, 1600.0), 0.02),
            "height": (rng.uniform(0.35, 0.6), 0.05),
            "wheelbase": (rng.uniform(2.2, 2.8), 0.0),
            "weight_share": (rng.uniform(0.45, 0.6), 0.0),
            "roll_share": (rng.uniform(0.4, 0.6), 0.05),
        },
    }
    wider = rng.uniform(0.7, 1.5)
    phases = [
        phase.model_copy(update={"radius": phase.radius * wider, "speed": phase.speed * np.sqrt(wider)})
        for phase in three_phases().phase
    ]

    def made(*, true: bool) -> Car:
        tables = {
            name: {
                key: value * (1.0 + u * rng.normal()) if true else {"value": value, "u": u * value}
                for key, (value, u) in table.items()
            }
            for name, table in stated.items()
        }
        content = {"format": "diffbench-car/1", "name": "random", **tables}
        content["phase"] = [phase.model_dump(exclude_none=True) for phase in phases]
        return Car.model_validate(content)

    return made(true=False), made(true=True)


@dataclasses.dataclass
class Tally:
    """Outcomes by kind of target: landed, below, above its interval, refused, wrongly refused."""

    outcomes: Counter[tuple[str, str]] = dataclasses.field(default_factory=Counter)

    def of(self, *outcomes: str, kinds: Sequence[str] = KINDS) -> int:
        """How many ended so."""
        return sum(self.outcomes[kind, outcome] for kind in kinds for outcome in outcomes)

    @property
    def asked(self) -> int:
        """How many preloads were given, and applied forward."""
        return self.of("landed", "below", "above")

    @property
    def wrongly_refused(self) -> int:
        """Refused, though a preload looked at gives it, or another is nearer than the one named."""
        return self.of("wrongly refused")

    @property
    def is_kept(self) -> bool:
        """Whether as many landed as a 95 % interval promises, but for chance at 1 in 200."""
        return bool(self.of("landed") >= binom.ppf(0.005, self.asked, 0.95))

    def table(self) -> str:
        """Kind by kind, and all together."""
        rows = [
            f"{'target':<22}{'given':>7}{'landed':>8}{'below':>7}{'above':>7}{'landed %':>10}{'refused':>9}"
        ]
        for name, kinds in (*((kind, (kind,)) for kind in KINDS), ("all", KINDS)):
            landed, below, above = (self.of(each, kinds=kinds) for each in ("landed", "below", "above"))
            given = landed + below + above
            share = f"{100.0 * landed / given:.1f}" if given else "-"
            refused = self.of("refused", "wrongly refused", kinds=kinds)
            rows.append(f"{name:<22}{given:>7}{landed:>8}{below:>7}{above:>7}{share:>10}{refused:>9}")
        return "\n".join(rows)


def study(count: int, seed: int, *, progress: bool = False) -> Tally:
    """Random cars, units and targets, and how each ended."""
    tally = Tally()
    for i in range(count):
        tally.outcomes[one_car(np.random.default_rng([seed, i]))] += 1
        if progress:
            landed, end = tally.of("landed"), "\n" if i + 1 == count else ""
            print(f"\r{i + 1} of {count} cars: {landed} of {tally.asked} landed", end=end, file=sys.stderr)
    return tally


def one_car(rng: np.random.Generator) -> tuple[str, str]:
    """Kind of target, and how it ended."""
    described, true_car = random_car(rng)
    true = dataclasses.replace(Q17, spring_force=Q17.spring_force * rng.uniform(0.6, 1.4))
    off = 1.0 + U_PRELOAD * rng.normal()
    here = true.derived(REFERENCE["speed_difference_rad_s"])["preload_torque_Nm"] * off
    bench = dataclasses.replace(true, spring_force=true.spring_force * off)
    result, truly = measured(bench, u={"preload_torque": U_PRELOAD * here}), measured(true)
    unit = make_map(result)
    kind = KINDS[rng.integers(len(KINDS))]
    wish = f"{rng.uniform(100.0, 500.0):.2f} Nm" if "moment" in kind else f"{rng.uniform(30.0, 95.0):.2f} %"
    target = target_of(f"{kind} {wish}", described)
    try:
        wanted = wanted_preload(described, unit, result, [target], branch="mean")
    except FitError as error:
        (fault,) = error.faults
        torque, nearest = (float(x) for x in re.findall(r"([\d.]+) (?:N·m|%)", fault.mend)[:2])
        ladder = [torque, *np.linspace(0.1 * here, 2.5 * here, 6).tolist()]
        units = [("", each) for each in preload_ladder(result, ladder, beside=unit)]
        rungs = corner_entry(described, units, branch="mean").rungs
        given = np.array([target.of(rung).value for rung in rungs], dtype=np.float64)
        misses = given - target.value
        size = 1.0 if target.what == "kept" else abs(target.value)
        told = 100.0 * given[0] if target.what == "kept" else given[0]
        right = abs(told - nearest) <= 0.01 * nearest and (misses.min() > 0.0 or misses.max() < 0.0)
        right = right and np.abs(misses).min() >= abs(misses[0]) - 1e-3 * size  # the message has four digits
        return kind, "refused" if right else "wrongly refused"
    assert wanted.preload.value is not None  # one target is met, or refused
    (landing,) = preload_ladder(truly, [wanted.preload.value / off], beside=unit)  # its nodes alone
    found = target.of(corner_entry(true_car, [("", landing)], branch="mean").rungs[0]).value
    interval = wanted.targets[0].at_wanted
    assert found is not None
    assert interval.low is not None
    assert interval.high is not None
    return kind, "below" if found < interval.low else "above" if found > interval.high else "landed"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the study and print it."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n\n")[0])
    parser.add_argument("--cars", type=int, default=300, help="random cars, each with its unit and target")
    parser.add_argument("--seed", type=int, default=1, help="seed of the draws")
    given = parser.parse_args(arguments)
    tally = study(given.cars, given.seed, progress=True)
    print(tally.table())
    least = int(binom.ppf(0.005, tally.asked, 0.95))
    print(f"{least} or more of {tally.asked} expected to land; wrongly refused: {tally.wrongly_refused}")
    return 0 if tally.is_kept and not tally.wrongly_refused else 1


if __name__ == "__main__":
    raise SystemExit(main())
