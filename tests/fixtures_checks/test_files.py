"""What the simulator writes: dialects, papers, determinism, and its independence of the package it judges."""

from __future__ import annotations

import ast
import doctest
import importlib
import sys
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from benchsim import scenario
from benchsim.bench import Bench, simulate_many, write_bench
from benchsim.files import Column, Dialect, from_si, write_recording
from benchsim.hand import wrench_torque
from benchsim.protocol import alternating, bias_sweep, locked_torque_cycles, speed_sweep
from benchsim.random_benches import random_bench
from benchsim.random_stands import DIALECTS
from benchsim.stated import Stated

FIXTURES = Path(__file__).parents[2] / "fixtures"
MODULES = sorted(FIXTURES.glob("benchsim/*.py"))


@pytest.mark.parametrize("path", [*MODULES, FIXTURES / "make_fixtures.py"], ids=lambda p: p.stem)
def test_imports_numpy_and_the_standard_library_only(path: Path) -> None:
    """The independent truth shares no code with the package: no import of it, nor of any library but numpy,
    and scipy for what integrates."""
    roots = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            roots |= {alias.name.partition(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0
            roots.add((node.module or "").partition(".")[0])
    assert roots <= sys.stdlib_module_names | {"numpy", "scipy", "benchsim"}


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.stem)
def test_examples_in_the_docstrings_run(path: Path) -> None:
    """Every example of the simulator does what it shows."""
    module = "benchsim" if path.stem == "__init__" else f"benchsim.{path.stem}"
    failed, _ = doctest.testmod(importlib.import_module(module))
    assert failed == 0


def small_bench() -> Bench:
    """Return the pinion visit cut down to one cycle each way."""
    sweep = bias_sweep([2.0, -2.0], coast_torque=-380, drive_torque=600, cycle_time=6, oil=(45, 50))
    return replace(scenario.pinion_visit(), runs=(("bias-sweep", sweep),))


def test_same_bytes_twice(tmp_path: Path) -> None:
    """Simulated and written twice, alone and beside another bench, a visit's files are equal byte by byte."""
    bench = small_bench()
    write_bench(bench, simulate_many([bench])[0], tmp_path / "one")
    other = replace(bench, seed=5, unit=scenario.Q17)
    write_bench(bench, simulate_many([other, bench])[1], tmp_path / "two")
    names = sorted(path.name for path in (tmp_path / "one").iterdir())
    assert names == ["bias-sweep.csv", "build.toml", "rig.toml", "run.toml", "truth.csv", "truth.toml"]
    for name in names:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_committed_hand_readings_are_what_the_command_writes(tmp_path: Path) -> None:
    """The committed files are those of today's simulator: the cheapest part is made again and compared."""
    make = importlib.import_module("make_fixtures")
    make.make_hand_readings(tmp_path)
    made = sorted((tmp_path / "hand-readings").iterdir())
    assert len(made) == 5
    for path in made:
        assert path.read_bytes() == (FIXTURES / "hand-readings" / path.name).read_bytes()


def test_committed_papers_are_what_the_scenario_says(tmp_path: Path) -> None:
    """Rig, build sheet and truth of the demo are those that the scenario of today would write."""
    bench = replace(scenario.demo_rebuilt(), runs=())
    write_bench(bench, {}, tmp_path)
    demo = FIXTURES / "demo"
    for made, committed in (
        ("rig.toml", demo / "twin-flange-cell.toml"),
        ("build.toml", demo / "unit-q17-rebuilt.toml"),
        ("truth.toml", demo / "rebuilt" / "truth.toml"),
        ("truth.csv", demo / "rebuilt" / "truth.csv"),
    ):
        assert (tmp_path / made).read_bytes() == committed.read_bytes()


def test_committed_scenario_is_small() -> None:
    """All that is committed under fixtures stays under 12 MB."""
    files = [p for p in FIXTURES.rglob("*") if p.suffix in {".csv", ".toml", ".py"}]
    assert len(files) > 40
    assert sum(p.stat().st_size for p in files) < 12e6


def test_every_paper_says_that_it_is_invented() -> None:
    """Each committed TOML file opens with the remark, and is valid TOML."""
    papers = sorted(FIXTURES.rglob("*.toml"))
    assert len(papers) > 20
    for path in papers:
        text = path.read_text(encoding="utf-8")
        assert text.startswith("# Invented")
        assert tomllib.loads(text)


def test_dialect_is_written_as_described(tmp_path: Path) -> None:
    """Semicolons, decimal commas, a preamble, units in parentheses, a Windows code page and an empty cell."""
    dialect = Dialect(
        delimiter=";",
        decimal=",",
        encoding="cp1252",
        preamble=("Stand 2", ""),
        header="parentheses",
        newline="\r\n",
    )
    columns = (Column("time", "t", "s", 2), Column("oil_temperature", "Sump", "°F", 1))
    logged = {"time": np.array([0.0, 0.01]), "oil_temperature": np.array([60.0, np.nan])}
    write_recording(tmp_path / "log.csv", logged, columns, dialect)
    assert (
        tmp_path / "log.csv"
    ).read_bytes() == b"Stand 2\r\n\r\nt (s);Sump (\xb0F)\r\n0,00;140,0\r\n0,01;\r\n"


@pytest.mark.parametrize(("style", "second"), [("clock", "13:05:07.260"), ("iso", "2026-04-14T13:05:07.260")])
def test_clock_times(tmp_path: Path, style: str, second: str) -> None:
    """Clock and ISO times have no unit in the header and none in the units row."""
    columns = (Column("time", "Time", "s", 2), Column("left_torque", "T", "Nm", 1))
    logged = {"time": np.array([0.0, 0.01]), "left_torque": np.array([1.0, -0.01])}
    write_recording(tmp_path / "log.csv", logged, columns, Dialect(header="row", time=style))
    lines = (tmp_path / "log.csv").read_text(encoding="utf-8").splitlines()
    assert lines[:2] == ["Time,T", ",Nm"]
    assert lines[3] == f"{second},0.0"  # and no negative zero


@pytest.mark.parametrize("dialect", DIALECTS, ids=lambda d: f"{d.header}-{d.time}-{d.encoding}")
def test_every_random_dialect_can_be_taken_apart(tmp_path: Path, dialect: Dialect) -> None:
    """Read back by hand, each dialect of the random benches holds the numbers, to half a printed digit."""
    columns = (Column("time", "t", "s", 2), Column("left_torque", "T", "daN.m", 3))
    rng = np.random.default_rng(11)
    logged = {"time": np.arange(50) / 50.0, "left_torque": rng.normal(0.0, 300.0, 50)}
    write_recording(tmp_path / "log.csv", logged, columns, dialect)
    lines = (tmp_path / "log.csv").read_bytes().decode(dialect.encoding).splitlines()
    above = len(dialect.preamble) + (2 if dialect.header == "row" else 1)
    assert len(lines) == above + 50
    cells = [line.split(dialect.delimiter) for line in lines[above:]]
    assert all(len(row) == 2 for row in cells)
    torque = np.array([float(row[1].replace(dialect.decimal, ".")) for row in cells])
    assert np.abs(10.0 * torque - logged["left_torque"]).max() <= 0.5 * 10.0 * 1e-3 + 1e-9


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        # Exact: 1 lbf.ft = 1.3558179483314004 N.m, 1 kgf.m = 9.80665 N.m, 1 rev/min = pi/30 rad/s.
        (1.3558179483314004, "lbf.ft", 1.0),
        (9.80665, "kgf.m", 1.0),
        (25.0, "daN.m", 2.5),
        (np.pi, "rpm", 30.0),
        (100.0, "degF", 212.0),
        (0.0, "K", 273.15),
    ],
)
def test_units(value: float, unit: str, expected: float) -> None:
    """SI goes out in the unit of the column."""
    assert from_si(np.array([value]), unit)[0] == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    "change", [{"decimal": ","}, {"header": "comma"}, {"header": "above"}, {"time": "sundial"}]
)
def test_ambiguous_dialects_are_refused(change: dict[str, str]) -> None:
    """A dialect that no reader could take apart is a slip of the scenario."""
    with pytest.raises(ValueError, match=r"collides|not known"):
        Dialect(**change)  # type: ignore[arg-type]


def test_wrench_readings_follow_the_equilibrium() -> None:
    """Case free: half the preload torque. Case held, additive: ``W = P / (1 - K - k_gear)``; greater-of:
    ``W = P``.

    At the reference temperature, with the film's drag of 0.04 N.m at 0.2 rad/s added to P.
    """
    unit = scenario.Q17
    derived = unit.derived()
    preload = derived["preload_torque_Nm"] + 0.2 * unit.viscous
    free, held = "other output held, case free", "case held, other output free"
    assert wrench_torque(unit, free, "forward", "running", 60.0) == pytest.approx(preload / 2.0, rel=1e-9)
    for direction, flank in (("forward", "coast"), ("backward", "drive")):
        share = derived[f"ramp_bias_{flank}_loading"] + unit.gear_friction
        assert wrench_torque(unit, held, direction, "running", 60.0) == pytest.approx(
            preload / (1.0 - share), rel=1e-9
        )
    static = derived["preload_torque_Nm"] * unit.friction_static / unit.friction_kinetic
    assert wrench_torque(unit, free, "backward", "breakaway", 60.0) == pytest.approx(static / 2.0, rel=1e-9)
    plain = replace(scenario.V09, joint_fraction=0.0, gear_friction=0.0, viscous=0.0)
    clamped = plain.derived()["preload_torque_Nm"]
    assert wrench_torque(plain, held, "forward", "running", 60.0) == pytest.approx(clamped, rel=1e-9)


def test_self_locking_unit_defeats_the_wrench() -> None:
    """With a ramp bias above one the case-held arrangement has no solution, and says so."""
    unit = replace(scenario.Q17, friction_static=0.3, friction_kinetic=0.3)
    with pytest.raises(ValueError, match="locks itself"):
        wrench_torque(unit, "case held, other output free", "backward", "running", 60.0)


def test_protocols_reach_what_they_name() -> None:
    """Sweeps reach their torques and levels in both shapes; holds stand still; a locked run never slips."""
    for shape in ("triangle", "sine"):
        run = bias_sweep(
            alternating([2.0, 5.0], rounds=2),
            coast_torque=-200,
            drive_torque=500,
            cycle_time=10,
            oil=(50, 60),
            hold_time=3.0,
            shape=shape,
        )
        assert run.duration == pytest.approx(8 * 13.0)
        assert run.input_torque.extremes == pytest.approx((-200.0, 500.0))
        assert run.speed_difference.extremes == (-5.0, 5.0)
        assert run.speed_difference.at(np.array([12.0]))[0] == 0.0
        assert run.speed_difference.at(np.array([13.0 + 5.0]))[0] == -2.0
    loaded = speed_sweep(amplitude=8.0, period=20.0, cycles=1.5, oil=(60, 60), input_torque=90.0)
    assert loaded.duration == pytest.approx(30.0)
    assert loaded.input_torque.at(np.array([0.0, 1.0, 9.0])).tolist() == [0.0, 45.0, 90.0]
    locked = locked_torque_cycles(coast_torque=-100, drive_torque=300, cycle_time=5, cycles=2, oil=60)
    assert locked.speed_difference.extremes == (0.0, 0.0)


def test_refits_scatter_as_the_cell_states() -> None:
    """Over 400 refits preload torque scatters by 1.5 per cent and ramp bias by 1, within 3 standard errors
    (11 %)."""
    pairs = [scenario.refit(number).unit.derived() for number in range(400)]
    for key, relative in (("preload_torque_Nm", 0.015), ("ramp_bias_drive_loading", 0.01)):
        values = np.array([pair[key] for pair in pairs])
        assert values.std() / values.mean() == pytest.approx(relative, rel=0.11)


def test_random_benches_are_reproducible_and_differ() -> None:
    """A seed names one bench; other seeds give others."""
    assert random_bench(3) == random_bench(3)
    assert random_bench(3).unit != random_bench(4).unit


def test_random_errors_have_the_stated_spread() -> None:
    """True errors over stated uncertainties are standard normal, for gains, zeros, oil offset and spring
    force.

    300 benches: mean within 3/sqrt(n), spread within 3/sqrt(2n) of one.
    """
    benches = [random_bench(seed) for seed in range(300)]

    def gaps(quantities: list[Stated]) -> np.ndarray:
        return np.array([(q.true - q.value) / q.u for q in quantities if q.u > 0.0])

    flanges = [flange for bench in benches for flange in bench.stand.torques.values()]
    for name, z in {
        "gain": gaps([flange.gain for flange in flanges]),
        "zero": gaps([flange.zero for flange in flanges]),
        "lag": gaps([flange.lag for flange in flanges]),
        "inertia": gaps([flange.inertia for flange in flanges]),
        "drag": gaps([flange.drag for flange in flanges if flange.drag_stated]),
        "oil": gaps([bench.stand.oil_zero for bench in benches]),
        "spring": gaps(
            [bench.sheet.spring_force for bench in benches if bench.sheet.spring_force is not None]
        ),
        "gear friction": gaps([bench.sheet.gear_friction for bench in benches]),
        "plate mass": gaps([bench.sheet.plate_mass for bench in benches]),
    }.items():
        assert len(z) > 60, name
        assert abs(z.mean()) < 3.0 / np.sqrt(len(z)), name
        assert abs(z.std() - 1.0) < 3.0 / np.sqrt(2.0 * len(z)), name


def test_random_benches_cover_what_they_promise() -> None:
    """Both laws, both arrangements, two-level and one-way protocols, all dialects and faults turn up in 200
    seeds."""
    benches = [random_bench(seed) for seed in range(200)]
    assert {bench.unit.law for bench in benches} == {"additive", "greater-of"}
    assert {bench.stand.arrangement for bench in benches} == {"both-outputs", "input-and-one-output"}
    assert {flange.at for bench in benches for flange in bench.stand.torques.values()} == {
        "output",
        "case",
        "pinion",
    }
    assert {len(bench.truth_speeds) for bench in benches} == {2, 3, 4}
    assert len({bench.dialect for bench in benches}) == 7
    assert any(bench.stand.faults.spikes_per_minute for bench in benches)
    one_way = [b for b in benches if dict(b.runs)["bias-sweep"].speed_difference.extremes[0] > 0.0]
    assert one_way
    for bench in benches:
        assert 170.0 < dict(bench.runs)["bias-sweep"].duration < 370.0
        assert bench.unit.drive_angle_deg < bench.unit.coast_angle_deg + 2.0
        assert bench.unit.derived()["ramp_bias_drive_unloading"] < 0.95
