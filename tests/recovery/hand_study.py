"""Random workshops with a wrench, against the truth: ``python tests/recovery/hand_study.py --count 100``.

Units, plans and wrenches are drawn by the simulator below, which shares nothing with the program: it writes
the files that a workshop would, and the program reads them. The table says how often the 95 % intervals hold
the truth, what was called measured though the plan cannot tell it, and whether readings were dropped.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from diffbench.results import Parameter

REFERENCE = (60.0, 4.0)  # °C, rad/s
FREE, HELD = "wheel held", "case held"


@dataclass(frozen=True)
class Workshop:
    """One unit, how it was read, and what its papers say."""

    seed: int
    law: str
    joint: float
    faces: int
    radii: tuple[float, float]
    pin: float
    friction: float  # kinetic, at 60 °C
    excess: float
    stribeck: float  # m/s
    exponent: float
    by_heat: float  # 1/K
    angles: tuple[float, float]  # deg, drive and coast
    wedge: float  # deg, friction of the ramps
    force: float
    gear: float
    film: float  # N·m·s/rad at 60 °C
    plan: tuple[str, str, str]  # arrangements, directions, kinds
    says: tuple[bool, ...]  # law, angles, spring force
    repeats: int
    heat: float
    speed: float
    wrench: tuple[float, float, float, float]  # u of gain and zero, scatter, step
    tells_speed: int  # not at all, a range, a column

    @property
    def radius(self) -> float:
        return sum(self.radii) / 2.0

    def mu(self, speed_difference: float, heat: float) -> float:
        """Friction coefficient at a speed difference [rad/s] and a temperature [°C]."""
        sliding = 0.5 * speed_difference * self.radius
        rise = self.excess * math.exp(-((sliding / self.stribeck) ** self.exponent))
        return self.friction * (1.0 + rise) * (1.0 + self.by_heat * (heat - 60.0))

    def preload(self, mu: float) -> float:
        return 2.0 * mu * self.faces * self.radius * self.force

    def bias(self, mu: float, flank: int) -> float:
        total = math.radians(self.angles[flank] + self.wedge)
        return mu * self.faces * self.radius / (math.tan(total) * self.pin)

    def locking(self, torque: float, flank: int, speed: float, heat: float) -> float:
        """Locking torque at an input torque on a flank (0 drive, 1 coast)."""
        mu = self.mu(speed, heat)
        preload, ramp = self.preload(mu), self.bias(mu, flank) * torque
        load = preload + ramp if self.law == "additive" else max(preload + self.joint * ramp, ramp)
        return load + self.gear * torque + self.film * math.exp(-0.03 * (heat - 60.0)) * speed

    def reading(self, case: str, flank: int, kind: str, speed: float, heat: float) -> float:
        """What an ideal wrench reads [N·m]: with the case held its own torque loads the ramps."""
        turned = 0.0 if kind == "breakaway" else speed * (1.0 if case == FREE else 2.0)
        if case == FREE:
            return self.locking(0.0, flank, turned, heat) / 2.0
        low, high = 0.0, 1e5
        for _ in range(80):
            middle = 0.5 * (low + high)
            low, high = (
                (middle, high) if self.locking(middle, flank, turned, heat) > middle else (low, middle)
            )
        return low


def drawn(seed: int) -> Workshop:
    """A workshop; units that would lock under a wrench are drawn again."""
    rng = np.random.default_rng([seed, 20])
    while True:
        inner = float(rng.uniform(0.03, 0.045))
        one = Workshop(
            seed=seed,
            law=str(rng.choice(["additive", "additive", "greater-of"])),
            joint=float(rng.uniform(0.0, 0.15)),
            faces=int(rng.integers(3, 7)),
            radii=(inner, inner + float(rng.uniform(0.01, 0.02))),
            pin=float(rng.uniform(0.032, 0.042)),
            friction=float(rng.uniform(0.08, 0.13)),
            excess=float(rng.uniform(0.03, 0.3)),
            stribeck=float(np.exp(rng.uniform(np.log(0.01), np.log(0.06)))),
            exponent=float(rng.choice([1.0, 2.0])),
            by_heat=float(rng.normal(-0.0008, 0.001)),
            angles=(float(rng.uniform(35, 60)), float(rng.uniform(45, 75))),
            wedge=float(rng.uniform(2.5, 6.0)),
            force=float(rng.uniform(600, 3500)),
            gear=float(max(rng.normal(0.02, 0.008), 0.0)),
            film=float(rng.uniform(0.05, 0.4)),
            plan=(
                str(rng.choice(["free", "held", "both", "both"])),
                str(rng.choice(["forward", "backward", "both", "both"])),
                str(rng.choice(["running", "breakaway", "both", "both"])),
            ),
            says=tuple(bool(b) for b in rng.random(3) < 0.5),
            repeats=int(rng.integers(3, 9)),
            heat=float(rng.uniform(10, 80)),
            speed=float(np.exp(rng.uniform(np.log(0.05), 0.0))),
            wrench=(
                float(rng.uniform(0.005, 0.03)),
                float(rng.uniform(0.1, 0.5)),
                float(rng.uniform(0.005, 0.04)),
                float(rng.choice([0.1, 0.5, 0.678, 1.0])),
            ),
            tells_speed=int(rng.integers(0, 3)),
        )
        cold = one.mu(0.0, one.heat)
        if max(one.bias(cold, 0), one.bias(cold, 1)) + one.gear < 0.8:
            return one


def write(one: Workshop, folder: Path) -> float:
    """The files of a workshop; returns the mean temperature that it wrote down [°C]."""
    rng = np.random.default_rng([one.seed, 21])
    u_gain, u_zero, scatter, step = one.wrench
    gain, zero, thermometer = 1.0 + u_gain * rng.normal(), u_zero * rng.normal(), rng.normal()
    arrangements = {"free": [FREE], "held": [HELD], "both": [FREE, HELD]}[one.plan[0]]
    ways = ["forward", "backward"] if one.plan[1] == "both" else [one.plan[1]]
    kinds = ["breakaway", "running"] if one.plan[2] == "both" else [one.plan[2]]
    lines, written = ["Setup;Turned;Kind;Wrench [N.m];Oil [degC];Speed [rad/s]"], []
    for case in arrangements:
        for way in ways:
            for kind in kinds:
                for _ in range(one.repeats):
                    heat = one.heat + float(rng.uniform(-0.5, 0.5))
                    speed = one.speed * float(np.exp(0.1 * rng.normal()))
                    ideal = one.reading(case, 1 if way == "forward" else 0, kind, speed, heat)
                    seen = (ideal * (1.0 + scatter * rng.normal()) - zero) / gain
                    seen = round(max(seen, 0.0) / step) * step
                    written.append(heat - thermometer)
                    lines.append(f"{case};{way};{kind};{seen:.4f};{heat - thermometer:.1f};{speed:.4f}")
    (folder / "readings.csv").write_text("\n".join(lines) + "\n")
    range_told = f'turning_speed = ["{one.speed / 1.6:.4f} rad/s", "{one.speed * 1.6:.4f} rad/s"]'
    column = '[channel.turning_speed]\ncolumn = "Speed [rad/s]"'
    (folder / "rig.toml").write_text(
        f"""format = "diffbench-rig/1"
name = "drawn workshop"
arrangement = "output-turned-case-free"
{range_told if one.tells_speed == 1 else ""}
[channel.arrangement]
column = "Setup"
values = {{ "{FREE}" = "output-turned-case-free", "{HELD}" = "output-turned-case-held" }}
[channel.direction]
column = "Turned"
[channel.reading]
column = "Kind"
[channel.turning_torque]
column = "Wrench [N.m]"
u_gain = {u_gain}
u_zero = "{u_zero} N.m"
[channel.oil_temperature]
column = "Oil [degC]"
u_zero = "1 K"
{column if one.tells_speed == 2 else ""}
"""
    )
    angle_u, force_u = 0.3, 0.03
    angles = [a + angle_u * float(rng.normal()) for a in one.angles]
    force = one.force * (1.0 + force_u * float(rng.normal()))
    law, has_angles, has_force = one.says
    ramps = [
        f'{flank}_angle = {{ value = "{a} deg", u = "{angle_u} deg" }}'
        for flank, a in zip(("drive", "coast"), angles, strict=True)
    ]
    (folder / "build.toml").write_text(
        f"""format = "diffbench-build/1"
unit = "W{one.seed}"
build = "W{one.seed}-1"
gear_friction = {{ value = 0.02, u = 0.008 }}
[packs]
faces = {one.faces}
inner_radius = "{1e3 * one.radii[0]} mm"
outer_radius = "{1e3 * one.radii[1]} mm"
[ramps]
pin_radius = "{1e3 * one.pin} mm"
{chr(10).join(ramps) if has_angles else ""}
[preload]
law = "{one.law if law else "undecided"}"
{f'spring_force = {{ value = "{force} N", u = "{force_u * one.force} N" }}' if has_force else ""}
"""
    )
    (folder / "run.toml").write_text(
        'format = "diffbench-run/1"\nrig = "rig.toml"\nbuild = "build.toml"\ndate = 2026-04-14\n'
        '[[run]]\nfile = "readings.csv"\nkind = "turning-torque"\n'
    )
    return float(np.mean(written))


def truth_of(one: Workshop) -> dict[str, float]:
    """Quantities by name, as the unit has them."""
    speed = 0.0 if one.plan[2] == "breakaway" else one.speed * (2.0 if one.plan[0] == "held" else 1.0)
    read, far = one.mu(speed, one.heat), one.mu(REFERENCE[1], REFERENCE[0])
    truth = {
        "preload_torque_as_read": one.preload(read),
        "preload_torque": one.preload(far),
        "friction_coefficient": far,
        "spring_force": one.force,
        "gear_friction": one.gear,
        "static_friction_excess": one.excess,
        "friction_temperature_coefficient": one.by_heat,
    }
    for flank, name in enumerate(("drive", "coast")):
        truth[f"ramp_bias_{name}_as_read"] = one.bias(read, flank)
        truth[f"ramp_bias_{name}_loading"] = one.bias(far, flank)
        truth[f"effective_ramp_angle_{name}"] = one.angles[flank]
        truth[f"ramp_friction_angle_{name}"] = one.wedge
        truth[f"effective_ramp_angle_{name}_loading"] = one.angles[flank] + one.wedge
    return truth


def can_tell(one: Workshop, name: str) -> bool:
    """Whether the plan can tell a quantity of the readings at all, by counting equations."""
    case, way, _ = one.plan
    if name == "joint_fraction":
        return False  # what a closed contact passes on shows times the bias alone
    if name.startswith("preload"):
        # with the case held, preload and bias are two unknowns of one equation
        return case != "held"
    for flank, turned in (("drive", "backward"), ("coast", "forward")):
        if name.startswith(f"ramp_bias_{flank}"):
            # a clamped stack's ramps show only once the contact opens, which would lock the wrench
            return case == "both" and way in (turned, "both") and one.law == "additive"
    return True


def study(count: int, first: int) -> Iterator[tuple[Workshop, dict[str, Parameter], dict[str, int]]]:
    """Workshops with the parameters of each, and how often readings were left out or called doubtful."""
    from diffbench import fit

    for seed in range(first, first + count):
        one = drawn(seed)
        with tempfile.TemporaryDirectory() as name:
            write(one, Path(name))
            found = fit(Path(name) / "run.toml")
        noticed = Counter(f.name for f in found.findings)
        noticed["dropped"] = sum(sum(one.values()) for one in found.diagnostics.dropped.values())
        yield one, dict(found.parameters), dict(noticed)


def main() -> int:
    """Print the table; status 1 where something was measured that cannot be told, or a reading dropped."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=60)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--verbose", action="store_true")
    told = parser.parse_args()
    held: Counter[tuple[str, str]] = Counter()
    asked: Counter[tuple[str, str]] = Counter()
    noticed: Counter[str] = Counter()
    squares: dict[tuple[str, str], float] = {}
    wrong: list[str] = []
    for one, parameters, findings in study(told.count, told.first):
        truth = truth_of(one)
        noticed.update(findings)
        for name, item in parameters.items():
            status = item.status
            if status not in ("measured", "carried"):
                continue
            if not can_tell(one, name):
                wrong.append(f"{one.seed}: {name} {status}, {one.law}, plan {one.plan}, says {one.says}")
            if name not in truth or item.value is None or not item.u or item.low is None or item.high is None:
                asked[status, f"({name})"] += 1
                continue
            inside = item.low <= truth[name] <= item.high
            asked[status, name] += 1
            held[status, name] += inside
            distance = (item.value - truth[name]) / item.u
            squares[status, name] = squares.get((status, name), 0.0) + distance**2
            if told.verbose and not inside:
                print(
                    f"{one.seed}: {name} {status} {item.value:.4g} ({item.low:.4g} to {item.high:.4g}), "
                    f"true {truth[name]:.4g}; {one.law}, {one.plan}, {one.says}",
                    flush=True,
                )
    print(f"{told.count} workshops from seed {told.first}")
    for status in ("measured", "carried"):
        of_status = [key for key in sorted(asked) if key[0] == status and not key[1].startswith("(")]
        for key in of_status:
            print(
                f"  {status:9} {key[1]:38} {held[key]:4} of {asked[key]:4}  "
                f"{100 * held[key] / asked[key]:5.1f} %  rms z {math.sqrt(squares[key] / asked[key]):.2f}"
            )
        total = sum(asked[key] for key in of_status)
        right = sum(held[key] for key in of_status)
        if total:
            print(f"  {status:9} {'all':38} {right:4} of {total:4}  {100 * right / total:5.1f} %")
        print(
            *(
                f"  {status}, no truth here: {n} {asked[s, n]}"
                for s, n in sorted(asked)
                if s == status and n[0] == "("
            ),
            sep="\n",
        )
    print("noticed:", dict(noticed))
    print(f"told though the plan cannot tell it: {len(wrong)}", *wrong, sep="\n  ")
    return 1 if wrong or noticed["dropped"] else 0


if __name__ == "__main__":
    sys.exit(main())
