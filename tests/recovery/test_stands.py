"""Every kind of stand, from its files to the truth.

The unit is simulated by `fixtures/benchsim`, which shares no code with the fit. What each stand reads of it
is worked out here from its mechanics: power through a gear pair, force at an arm, equilibrium of the shafts.
Gains, zeros and arms are off by about one of the standard uncertainties that the rigs state, so that every
result must hold the truth within its 95 % interval; the seeds are fixed.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from benchsim.dynamics import Response, simulate
from benchsim.papers import Sheet, build_text
from benchsim.protocol import alternating, bias_sweep
from benchsim.scenario import Q17, V09
from benchsim.stated import Stated
from numpy.typing import NDArray

import diffbench
from diffbench.errors import FitError, RecordingError

Array = NDArray[np.float64]
NM_PER_LBFFT = 1.3558179483314004  # exact: 0.3048 m · 0.45359237 kg · 9.80665 m/s²
RPM = 30.0 / np.pi
RATE = 25.0  # Hz
SHEET = Sheet(
    build="Q17-stands",
    drive_angle=Stated(42.0, 0.3, 42.0),
    coast_angle=Stated(57.0, 0.3, 57.0),
    plate_mass=Stated(1.95, 0.1, 1.95),
    gear_friction=Stated(0.017, 0.004, 0.017),
    specific_heat=Stated(480.0, 10.0, 480.0),
    law="additive",
)
SWEEP = bias_sweep(
    alternating([2.0, 6.0]), coast_torque=-250.0, drive_torque=500.0, cycle_time=24.0, oil=(55.0, 66.0)
)


@pytest.fixture(scope="module")
def at_unit() -> dict[str, Array]:
    """What happens at the unit: torques [N·m], speeds [rad/s], oil [°C] at the logger's rate."""
    return sampled(next(iter(simulate([(Q17, SWEEP)]))))


def sampled(response: Response) -> dict[str, Array]:
    step = float(response.time[1] - response.time[0])
    some = slice(None, None, round(1.0 / (RATE * step)))
    return {
        "time": np.round(response.time[some], 6),
        "input_torque": response.input_torque[some],
        "left_torque": response.left_torque[some],
        "right_torque": response.right_torque[some],
        "left_speed": response.left_speed[some],
        "right_speed": response.right_speed[some],
        "case_speed": 0.5 * (response.left_speed + response.right_speed)[some],
        "oil": response.oil_temperature[some],
    }


@dataclass(frozen=True)
class StandFile:
    """Columns of a file by heading, the rig that describes them, and how its numbers are written."""

    columns: Mapping[str, Array | list[str]]
    rig: str
    delimiter: str = ","
    decimal: str = "."


def written(folder: Path, stand: StandFile, *, kind: str = "bias-sweep") -> Path:
    """The visit of one sweep on that stand; its run sheet."""
    folder.mkdir(parents=True, exist_ok=True)
    texts = [
        values
        if isinstance(values, list)
        else [f"{value:.4f}".replace(".", stand.decimal) for value in values]
        for values in stand.columns.values()
    ]
    lines = [stand.delimiter.join(stand.columns), *map(stand.delimiter.join, zip(*texts, strict=True))]
    (folder / "sweep.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (folder / "rig.toml").write_text(
        f'format = "diffbench-rig/1"\nname = "Stand (invented)"\n{stand.rig}', encoding="utf-8"
    )
    (folder / "build.toml").write_text(build_text(Q17, SHEET), encoding="utf-8")
    run = folder / "run.toml"
    run.write_text(
        'format = "diffbench-run/1"\nrig = "rig.toml"\nbuild = "build.toml"\ndate = 2026-04-14\n'
        f'[[run]]\nfile = "sweep.csv"\nkind = "{kind}"\n',
        encoding="utf-8",
    )
    return run


def holds_truth(result: diffbench.Characterisation, names: tuple[str, ...]) -> None:
    """Each number is measured, and its 95 % interval holds the truth and is no wider than a fifth of it."""
    truth = Q17.derived(4.0)
    for name in names:
        found = result.parameters[name]
        true = truth["preload_torque_Nm" if name == "preload_torque" else name]
        assert found.status == "measured", name
        assert found.low <= true <= found.high, (name, found.low, true, found.high)
        assert found.high - found.low < 0.2 * true, (name, found.low, found.high)


ALL = (
    "preload_torque",
    "ramp_bias_drive_loading",
    "ramp_bias_coast_loading",
    "ramp_bias_drive_unloading",
)


def noise(seed: int, size: float, n: int) -> Array:
    return size * np.random.default_rng(seed).standard_normal(n)


def speeds(at: Mapping[str, Array]) -> dict[str, Array]:
    return {"n L [rpm]": RPM * at["left_speed"], "n R [rpm]": RPM * at["right_speed"]}


CLOCK = '[channel.time]\ncolumn = "t [s]"\n'
OIL = '[channel.oil_temperature]\ncolumn = "Oil [degC]"\nu_zero = "0.3 K"\n'
SPEEDS = '[channel.left_speed]\ncolumn = "n L [rpm]"\n[channel.right_speed]\ncolumn = "n R [rpm]"\n'


def force_at_an_arm(at: Mapping[str, Array]) -> StandFile:
    """Load cells at the arms of two brakes, in kilonewtons and in pounds; each arm off by one u."""
    left = at["left_torque"] / 0.4004 + noise(1, 3.0, len(at["time"]))
    right = at["right_torque"] / 0.2996 + noise(2, 3.0, len(at["time"]))
    return StandFile(
        {
            "t [s]": at["time"],
            "F L [kN]": (left + 1.5) / 1e3,
            "F R [lbf]": (right - 2.0) / 4.4482216152605,
            **speeds(at),
            "Oil [degC]": at["oil"],
        },
        'arrangement = "both-outputs"\n'
        '[channel.left_torque]\ncolumn = "F L [kN]"\narm = { value = "400 mm", u = "0.4 mm" }\n'
        'u_gain = 0.001\nu_zero = "2 N"\n'
        '[channel.right_torque]\ncolumn = "F R [lbf]"\narm = { value = "0.3 m", u = "0.4 mm" }\n'
        'u_gain = 0.001\nu_zero = "0.6 N.m"\n' + CLOCK + SPEEDS + OIL,
    )


def reaction_torques(at: Mapping[str, Array]) -> StandFile:
    """Brakes that log what acts on the unit: both negative in drive; a case speed beside one output's."""
    return StandFile(
        {
            "t [s]": at["time"],
            "M L [Nm]": -at["left_torque"] * 1.001 + noise(3, 1.0, len(at["time"])),
            "M R [Nm]": -at["right_torque"] + noise(4, 1.0, len(at["time"])),
            "n L [rpm]": RPM * at["left_speed"],
            "n cage [rpm]": RPM * at["case_speed"],
            "Oil [degC]": at["oil"],
        },
        'arrangement = "both-outputs"\noutputs = "reaction"\n'
        '[channel.left_torque]\ncolumn = "M L [Nm]"\nu_gain = 0.0015\nu_zero = "0.5 N.m"\n'
        '[channel.right_torque]\ncolumn = "M R [Nm]"\nu_gain = 0.0015\nu_zero = "0.5 N.m"\n'
        '[channel.left_speed]\ncolumn = "n L [rpm]"\n[channel.case_speed]\ncolumn = "n cage [rpm]"\n'
        + CLOCK
        + OIL,
    )


def pinion_speed_and_one_output(at: Mapping[str, Array]) -> StandFile:
    """Torque and speed at the pinion of a 3.73 final drive, torque and speed at the right output alone."""
    ratio, efficiency = 3.73, 0.965
    drives = at["input_torque"] * at["case_speed"] >= 0.0
    whole = at["input_torque"]
    pinion = np.where(drives, whole / (ratio * efficiency), whole * efficiency / ratio)
    return StandFile(
        {
            "t [s]": at["time"],
            "M pinion [lbf.ft]": (pinion + noise(5, 0.3, len(whole))) / NM_PER_LBFFT,
            "n pinion [rpm]": RPM * ratio * at["case_speed"],
            "M R [Nm]": at["right_torque"] + 0.3 + noise(6, 1.0, len(whole)),
            "n R [rpm]": RPM * at["right_speed"],
            "Oil [degC]": at["oil"],
        },
        'arrangement = "input-and-one-output"\n'
        '[channel.input_torque]\ncolumn = "M pinion [lbf.ft]"\nat = "pinion"\nratio = 3.73\n'
        'efficiency = { value = 0.96, u = 0.006 }\nu_gain = 0.0015\nu_zero = "0.1 N.m"\n'
        '[channel.input_speed]\ncolumn = "n pinion [rpm]"\nat = "pinion"\nratio = 3.73\n'
        '[channel.right_torque]\ncolumn = "M R [Nm]"\nu_gain = 0.0015\nu_zero = "0.4 N.m"\n'
        '[channel.right_speed]\ncolumn = "n R [rpm]"\n' + CLOCK + OIL,
    )


def hub_reductions(at: Mapping[str, Array]) -> StandFile:
    """Torque and speed at the wheels, behind hub gears of 4.2 to 1 that lose 3 % in the way of power."""
    ratio, efficiency = 4.2, 0.97
    columns: dict[str, Array | list[str]] = {"t [s]": at["time"]}
    for seed, side, name in ((7, "L", "left"), (8, "R", "right")):
        torque, speed = at[f"{name}_torque"], at[f"{name}_speed"]
        out = torque * speed >= 0.0
        wheel = np.where(out, torque * ratio * efficiency, torque * ratio / efficiency)
        columns[f"M {side} [Nm]"] = wheel + noise(seed, 4.0, len(torque))
        columns[f"n {side} [rpm]"] = RPM * speed / ratio
    columns["Oil [degC]"] = at["oil"]
    gear = 'at = "wheel"\nratio = 4.2\n'
    loss = 'efficiency = { value = 0.972, u = 0.003 }\nu_gain = 0.001\nu_zero = "2 N.m"\n'
    return StandFile(
        columns,
        'arrangement = "both-outputs"\n'
        f'[channel.left_torque]\ncolumn = "M L [Nm]"\n{gear}{loss}'
        f'[channel.right_torque]\ncolumn = "M R [Nm]"\n{gear}{loss}'
        f'[channel.left_speed]\ncolumn = "n L [rpm]"\n{gear}'
        f'[channel.right_speed]\ncolumn = "n R [rpm]"\n{gear}' + CLOCK + OIL,
    )


def torque_before_a_step_up(at: Mapping[str, Array]) -> StandFile:
    """A hub dyno whose rollers turn faster than the outputs (ratio below one); one output has the gear, the
    other a flange of its own: upstream and downstream on either side."""
    ratio, efficiency = 0.4, 0.98
    torque, speed = at["left_torque"], at["left_speed"]
    roller = np.where(torque * speed >= 0.0, torque * ratio * efficiency, torque * ratio / efficiency)
    return StandFile(
        {
            "t [s]": at["time"],
            "roller [daNm]": (roller + noise(9, 0.4, len(torque))) / 10.0,
            "n roller [rps]": speed / ratio / (2.0 * np.pi),
            "flange [kgf.m]": (at["right_torque"] + noise(10, 1.0, len(torque))) / 9.80665,
            "n R [rad/s]": at["right_speed"],
            "Oil [degC]": at["oil"],
        },
        'arrangement = "both-outputs"\n'
        '[channel.left_torque]\ncolumn = "roller [daNm]"\nat = "wheel"\nratio = 0.4\n'
        'efficiency = { value = 0.98, u = 0.003 }\nu_gain = 0.001\nu_zero = "0.2 N.m"\n'
        '[channel.right_torque]\ncolumn = "flange [kgf.m]"\nu_gain = 0.001\nu_zero = "0.5 N.m"\n'
        '[channel.left_speed]\ncolumn = "n roller [rps]"\nat = "wheel"\nratio = 0.4\n'
        '[channel.right_speed]\ncolumn = "n R [rad/s]"\n' + CLOCK + OIL,
    )


def several_temperatures(at: Mapping[str, Array]) -> StandFile:
    """Oil in two places, 3 K apart and in two units, one of which fails for a while."""
    low, high = at["oil"] - 1.5, at["oil"] + 1.5
    failed = 0.5 * (low + high) + np.where((at["time"] > 40.0) & (at["time"] < 44.0), np.nan, 1.5)
    return StandFile(
        {
            "t [s]": at["time"],
            "M L [Nm]": at["left_torque"] + noise(11, 1.0, len(low)),
            "M R [Nm]": at["right_torque"] + noise(12, 1.0, len(low)),
            **speeds(at),
            "Oil in [degC]": low,
            "Oil out [degF]": 32.0 + 1.8 * failed,
        },
        'arrangement = "both-outputs"\n'
        '[channel.left_torque]\ncolumn = "M L [Nm]"\nu_gain = 0.001\nu_zero = "0.5 N.m"\n'
        '[channel.right_torque]\ncolumn = "M R [Nm]"\nu_gain = 0.001\nu_zero = "0.5 N.m"\n'
        '[channel.oil_temperature]\ncolumn = "Oil in [degC]"\nalso = ["Oil out [degF]"]\nu_zero = "1.5 K"\n'
        + CLOCK
        + SPEEDS,
    )


def a_counter_for_a_clock(at: Mapping[str, Array]) -> StandFile:
    """A 16-bit counter of 0.25 ms that is somewhere when the recording begins, and rolls over twice."""
    counts = np.round(at["time"] / 0.00025 + 61_000.0) % 65_536
    return StandFile(
        {
            "count": [f"{count:.0f}" for count in counts],
            "M L [Nm]": at["left_torque"] + noise(13, 1.0, len(counts)),
            "M R [Nm]": at["right_torque"] + noise(14, 1.0, len(counts)),
            **speeds(at),
            "Oil [degC]": at["oil"],
        },
        'arrangement = "both-outputs"\n[channel.time]\ncolumn = "count"\ntick = "0.25 ms"\n'
        '[channel.left_torque]\ncolumn = "M L [Nm]"\nu_gain = 0.001\nu_zero = "0.5 N.m"\n'
        '[channel.right_torque]\ncolumn = "M R [Nm]"\nu_gain = 0.001\nu_zero = "0.5 N.m"\n' + SPEEDS + OIL,
        delimiter=";",
        decimal=",",
    )


def the_hour_that_autumn_repeats(at: Mapping[str, Array]) -> StandFile:
    """Dates with AM and PM, month first, begun one minute before summer time ends at 2 AM."""
    start = dt.datetime(2026, 11, 1, 1, 59, 0)  # noqa: DTZ001  local time, as the logger writes it
    texts = []
    for seconds in at["time"]:
        moment = start + dt.timedelta(seconds=float(seconds))
        moment -= dt.timedelta(hours=1) if moment.hour == 2 else dt.timedelta()
        texts.append(f"11/1/2026 {moment:%I:%M:%S}.{moment.microsecond // 10_000:02d} {moment:%p}")
    return StandFile(
        {
            "Stamp": texts,
            "M L [Nm]": at["left_torque"] + noise(15, 1.0, len(texts)),
            "M R [Nm]": at["right_torque"] + noise(16, 1.0, len(texts)),
            **speeds(at),
            "Oil [degC]": at["oil"],
        },
        'arrangement = "both-outputs"\n[channel.time]\ncolumn = "Stamp"\n'
        '[channel.left_torque]\ncolumn = "M L [Nm]"\nu_gain = 0.001\nu_zero = "0.5 N.m"\n'
        '[channel.right_torque]\ncolumn = "M R [Nm]"\nu_gain = 0.001\nu_zero = "0.5 N.m"\n' + SPEEDS + OIL,
        delimiter="\t",
    )


def rollers_in_road_speed(at: Mapping[str, Array]) -> StandFile:
    """Wheels of 305 and 304 mm on rollers that log road speeds, one in km/h and one in miles an hour."""
    n = len(at["time"])
    return StandFile(
        {
            "t [s]": at["time"],
            "M L [Nm]": at["left_torque"] + noise(17, 1.0, n),
            "M R [Nm]": at["right_torque"] + noise(18, 1.0, n),
            "v L [km/h]": 3.6 * 0.305 * at["left_speed"],
            "v R [mph]": 0.304 * at["right_speed"] / 0.44704,
            "Oil [degC]": at["oil"],
        },
        'arrangement = "both-outputs"\n'
        '[channel.left_torque]\ncolumn = "M L [Nm]"\nu_gain = 0.001\nu_zero = "0.5 N.m"\n'
        '[channel.right_torque]\ncolumn = "M R [Nm]"\nu_gain = 0.001\nu_zero = "0.5 N.m"\n'
        '[channel.left_speed]\ncolumn = "v L [km/h]"\nrolling_radius = "305 mm"\n'
        '[channel.right_speed]\ncolumn = "v R [mph]"\nrolling_radius = "304 mm"\n' + CLOCK + OIL,
    )


Maker = Callable[[Mapping[str, Array]], StandFile]
STANDS: tuple[Maker, ...] = (
    force_at_an_arm,
    reaction_torques,
    pinion_speed_and_one_output,
    hub_reductions,
    torque_before_a_step_up,
    several_temperatures,
    a_counter_for_a_clock,
    the_hour_that_autumn_repeats,
    rollers_in_road_speed,
)


@pytest.mark.parametrize("stand", STANDS, ids=lambda stand: stand.__name__)
def test_the_truth_is_within_the_limits(stand: Maker, at_unit: dict[str, Array], tmp_path: Path) -> None:
    result = diffbench.fit([written(tmp_path, stand(at_unit))])
    holds_truth(result, ALL)


def one_output_braked(flank: str, seed: int) -> dict[str, Array]:
    """The right output braked, the left one free, the case driven at speed differences from 9 to 1 rad/s.

    With no torque at the free output, ``T_in = T_R = T_lock(T_in)``, a straight line in the thrust of the
    ramps: solved step by step, the thrust staying where it is between loading and unloading (play), the
    plates heated by their slip and cooled by oil at 60 °C.
    """
    n = 3000
    time = np.arange(n) / RATE
    sign = 1.0 if flank == "drive" else -1.0
    # torque rises first, and loads the ramps
    difference = 5.0 + 4.0 * np.cos(2.0 * np.pi * time / 40.0)
    cold = Q17.torque_per_force * Q17.friction_over_speed(difference)
    drag = Q17.viscous * difference
    torque, thrust, plates = np.empty(n), 0.0, 60.0
    slopes = [Q17.thrust_per_torque(flank, branch) for branch in ("loading", "unloading")]
    for i in range(n):
        scale = float(cold[i] * Q17.temperature_factor(plates))
        alone = scale * Q17.spring_force + drag[i]
        rest = 1.0 - Q17.gear_friction
        held = (alone + scale * thrust) / rest
        if slopes[0] * held > thrust:
            thrust = slopes[0] * alone / (rest - scale * slopes[0])
        elif slopes[1] * held < thrust:
            thrust = slopes[1] * alone / (rest - scale * slopes[1])
        torque[i] = (alone + scale * thrust) / rest
        heat = 0.5 * torque[i] * difference[i] - Q17.heat_conductance * (plates - 60.0)
        plates += heat / Q17.heat_capacity / RATE
    # in drive the free output runs ahead; in coast, as friction holds it back, it lags
    case = np.full(n, 20.0)
    left = case + sign * 0.5 * difference
    return {
        "time": time,
        "right_torque": sign * torque + noise(seed, 1.0, n),
        "left_speed": left,
        "right_speed": 2.0 * case - left,
        "oil": np.full(n, 60.0),
    }


def test_one_output_braked_beside_a_sweep_without_torque(tmp_path: Path) -> None:
    """The braked output reads ``P/(1 - K)`` of each flank, and a sweep of speed at no torque ``P``: together
    they tell both, on two rigs in one visit."""
    rig = (
        'arrangement = "one-output-braked"\n'
        '[channel.right_torque]\ncolumn = "M R [Nm]"\nu_gain = 0.001\nu_zero = "0.3 N.m"\n'
        + CLOCK + SPEEDS + OIL
    )  # fmt: skip
    for seed, flank in enumerate(("drive", "coast"), start=21):
        at = one_output_braked(flank, seed)
        columns = {"t [s]": at["time"], "M R [Nm]": at["right_torque"], **speeds(at), "Oil [degC]": at["oil"]}
        run = written(tmp_path / flank, StandFile(columns, rig))
    n = 2000
    time = np.arange(n) / RATE
    difference = 9.0 * np.sin(2.0 * np.pi * time / 40.0)
    lock = -np.sign(difference) * Q17.locking_torque(0.0, difference, 60.0, "loading")
    free = StandFile(
        {
            "t [s]": time,
            "M L [Nm]": 0.5 * lock + noise(23, 0.7, n),
            "M R [Nm]": -0.5 * lock + noise(24, 0.7, n),
            "n L [rpm]": RPM * (20.0 + 0.5 * difference),
            "n R [rpm]": RPM * (20.0 - 0.5 * difference),
            "Oil [degC]": np.full(n, 60.0),
        },
        'arrangement = "both-outputs"\n'
        '[channel.left_torque]\ncolumn = "M L [Nm]"\nu_gain = 0.001\nu_zero = "0.3 N.m"\n'
        '[channel.right_torque]\ncolumn = "M R [Nm]"\nu_gain = 0.001\nu_zero = "0.3 N.m"\n'
        + CLOCK + SPEEDS + OIL,
    )  # fmt: skip
    written(tmp_path / "free", free)
    run = tmp_path / "drive" / "run.toml"
    run.write_text(
        run.read_text(encoding="utf-8")
        + '[[run]]\nfile = "../coast/sweep.csv"\nkind = "bias-sweep"\n'
        + '[[run]]\nfile = "../free/sweep.csv"\nkind = "speed-sweep"\nrig = "../free/rig.toml"\n',
        encoding="utf-8",
    )
    result = diffbench.fit([run])
    holds_truth(result, ("preload_torque", "ramp_bias_drive_loading", "ramp_bias_coast_loading"))
    # torque only wanders about its peak: what the ramps do while it comes down is not seen
    assert "no unloading" in {finding.name for finding in result.findings}
    for flank in ("drive", "coast"):
        assert result.parameters[f"ramp_bias_{flank}_unloading"].status == "not-determined"


@pytest.mark.parametrize("flanks", [("drive",), ("drive", "coast")])
def test_an_output_braked_alone_tells_no_preload(flanks: tuple[str, ...], tmp_path: Path) -> None:
    """One torque is both sides of ``T = P + K T``: held against itself it is P = 0, K = 1, of any unit. Two
    flanks are two equations of three unknowns."""
    rig = 'arrangement = "one-output-braked"\n[channel.right_torque]\ncolumn = "M R [Nm]"\n'
    for seed, flank in enumerate(flanks, start=21):
        at = one_output_braked(flank, seed)
        columns = {"t [s]": at["time"], "M R [Nm]": at["right_torque"], **speeds(at), "Oil [degC]": at["oil"]}
        written(tmp_path / flank, StandFile(columns, rig + CLOCK + SPEEDS + OIL))
    run = tmp_path / flanks[0] / "run.toml"
    for other in flanks[1:]:
        more = f'[[run]]\nfile = "../{other}/sweep.csv"\nkind = "bias-sweep"\n'
        run.write_text(run.read_text(encoding="utf-8") + more, encoding="utf-8")
    with pytest.raises(FitError, match="in one, in all runs"):
        diffbench.fit(run)


def test_a_ladder_of_greater_of_builds(tmp_path: Path) -> None:
    """Two spring forces in one unit whose ramps first unload its stack: each build has a preload of its own,
    all share the ramps. Eight numbers that hang together may well be two standard uncertainties off; none is
    three."""
    sweep = bias_sweep(
        alternating([2.0, 6.0]), coast_torque=-350.0, drive_torque=600.0, cycle_time=24.0, oil=(57.0, 64.0)
    )
    units = [replace(V09, spring_force=force) for force in (1300.0, 2100.0)]
    runs = []
    for number, response in enumerate(simulate([(unit, sweep) for unit in units])):
        at = sampled(response)
        n = len(at["time"])
        columns = {
            "t [s]": at["time"],
            "M L [Nm]": at["left_torque"] + noise(30 + number, 1.0, n),
            "M R [Nm]": at["right_torque"] + noise(40 + number, 1.0, n),
            **speeds(at),
            "Oil [degC]": at["oil"],
        }
        rig = 'arrangement = "both-outputs"\n' + CLOCK + SPEEDS + OIL
        for side, column in (("left", "M L [Nm]"), ("right", "M R [Nm]")):
            rig += f'[channel.{side}_torque]\ncolumn = "{column}"\nu_gain = 0.001\nu_zero = "0.5 N.m"\n'
        runs.append(written(tmp_path / str(number), StandFile(columns, rig)))
        sheet = replace(
            SHEET,
            build=f"V09-{number}",
            drive_angle=Stated(44.0, 0.3, 44.0),
            coast_angle=Stated(52.0, 0.3, 52.0),
            plate_mass=Stated(1.6, 0.1, 1.6),
            gear_friction=Stated(0.024, 0.004, 0.024),
            law="greater-of",
        )
        (tmp_path / str(number) / "build.toml").write_text(build_text(units[number], sheet), encoding="utf-8")
    result = diffbench.fit(runs)
    assert [facts.build for facts in result.builds] == ["V09-0", "V09-1"]
    for unit, facts in zip(units, result.builds, strict=True):
        truth = unit.derived(4.0)
        for name in ALL:
            found = next(
                parameter
                for key, parameter in result.parameters.items()
                if key in (f"{name}[{facts.build}]", name)
            )
            true = truth["preload_torque_Nm" if name == "preload_torque" else name]
            assert found.status == "measured"
            assert found.u is not None
            assert abs(found.value - true) < 3.0 * found.u, (facts.build, name, found.value, true, found.u)


def test_one_torque_of_two_braked_outputs_is_refused(at_unit: dict[str, Array], tmp_path: Path) -> None:
    """Called braked and free, any course of torque would pass for a unit that never slips (K = 1, P = 0)."""
    for ahead in (True, False):
        some = (at_unit["left_speed"] > at_unit["right_speed"]) == ahead
        at = {name: values[some] for name, values in at_unit.items()}
        at["time"] = np.arange(np.count_nonzero(some)) / RATE
        columns = {"t [s]": at["time"], "M L [Nm]": at["left_torque"], **speeds(at), "Oil [degC]": at["oil"]}
        rig = 'arrangement = "one-output-braked"\n[channel.left_torque]\ncolumn = "M L [Nm]"\n'
        run = written(tmp_path / str(ahead), StandFile(columns, rig + CLOCK + SPEEDS + OIL))
        with pytest.raises(RecordingError, match="the braked torque moves from"):
            diffbench.fit(run)
