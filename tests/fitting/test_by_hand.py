"""Readings by hand through the whole fit: where they are quoted and judged, and what comes next."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

import numpy as np
import pytest
from edited import edited

import diffbench
from diffbench.answers import judge
from diffbench.report import summary, text_of
from diffbench.results import Characterisation, Parameter, make_map, map_on

FREE, HELD = "other output held, case free", "case held, other output free"
READINGS = Path(__file__).resolve().parents[2] / "fixtures" / "hand-readings"


def visit(folder: Path, limits: str = "", readings: str | None = None) -> Characterisation:
    """The fixture fitted with further lines among the limits, or with other readings."""
    place = folder / "visit"
    shutil.copytree(READINGS, place)
    sheet = place / "unit-q17.toml"
    sheet.write_text(edited(sheet.read_text(), "[limits]", f"[limits]\n{limits}"))
    if readings is not None:
        (place / "readings.csv").write_text(readings)
    return diffbench.fit(place / "run.toml")


def sizes(item: Parameter) -> tuple[float, float]:
    """Value and standard uncertainty."""
    assert item.value is not None
    assert item.u is not None
    return item.value, item.u


def inside(value: float, item: Parameter) -> bool:
    assert item.low is not None
    assert item.high is not None
    return item.low < value < item.high


def test_limits_are_judged_as_read_and_the_reference_is_carried(hand: Characterisation) -> None:
    """Taken at 21 °C: by the simulator's truth the unit has 81.65·(1 + 0.0012·39) = 85.47 N·m there. A check
    by wrench is judged as it was read (common practice, no source)."""
    (limit,) = hand.limits
    assert (limit.verdict, limit.judged) == ("within", "preload_torque_as_read")
    read, carried = hand.parameters["preload_torque_as_read"], hand.parameters["preload_torque"]
    assert (read.status, carried.status) == ("measured", "carried")
    assert inside(81.651 * (1 + 0.0012 * 39), read)
    assert read.at_temperature_degC == pytest.approx(21.0)
    assert carried.at_temperature_degC is None
    assert inside(81.847, carried)
    assert sizes(carried)[1] > 3.0 * sizes(read)[1]


def test_limits_are_judged_where_the_sheet_means_them(tmp_path: Path) -> None:
    """At 60 °C and 4 rad/s the doubt of friction over temperature comes in: not proven."""
    found = visit(tmp_path, 'temperature = "60 degC"\nspeed_difference = "4 rad/s"')
    (limit,) = found.limits
    assert (limit.verdict, limit.judged) == ("not proven", "preload_torque_at_limit")
    item, carried = found.parameters["preload_torque_at_limit"], found.parameters["preload_torque"]
    assert item.status == "carried"
    assert sizes(item) == pytest.approx(sizes(carried), rel=1e-6)


def test_a_slip_of_the_pen_does_not_move_the_result(tmp_path: Path, hand: Characterisation) -> None:
    """One reading with its decimal point moved is named, stays, and the preload keeps its place."""
    lines = (READINGS / "readings.csv").read_text().splitlines()
    first = lines[1].rsplit(",", 2)
    lines[1] = f"{first[0]},{10.0 * float(first[1]):.1f},{first[2]}"
    found = visit(tmp_path, readings="\n".join(lines) + "\n")
    assert [f.name for f in found.findings] == ["doubtful reading"]
    assert found.diagnostics.samples_used == len(lines) - 1
    before, now = (sizes(r.parameters["preload_torque_as_read"]) for r in (hand, found))
    assert abs(now[0] - before[0]) < 0.3 * before[1]


def test_arrangements_that_contradict_each_other_are_told(tmp_path: Path) -> None:
    """Held readings of another oil than the free ones: under one law both cannot be."""
    made = []
    for line in (READINGS / "readings.csv").read_text().splitlines():
        said, number, oil = line.rsplit(",", 2)
        off = 1.3 if said.startswith('"case held') and ",forward,running" in said else 1.0
        made.append(line if off == 1.0 else f"{said},{off * float(number):.1f},{oil}")
    found = visit(tmp_path, readings="\n".join(made) + "\n")
    assert "readings contradict each other" in [f.name for f in found.findings]


def test_the_map_reaches_as_far_as_readings_tell_and_none_of_it_is_tested(hand: Characterisation) -> None:
    """Over the torque that went through the case, up to the reference condition: by the fixture's truth
    m (P + K T) + k_gear T + c 4 rad/s there, with m = 1, the gears' 0.017 and c = 0.2 N·m·s/rad."""
    carried = make_map(hand)
    low, high = hand.map_axes["input_torque_Nm"] or (0.0, 0.0)
    assert low == pytest.approx(-160.0, abs=10.0)
    assert high == pytest.approx(279.0, abs=10.0)
    for torque, bias in ((-150.0, 0.295201), (-50.0, 0.295201), (100.0, 0.514284), (270.0, 0.514284)):
        true = 81.847 + (bias + 0.017) * abs(torque) + 0.8
        below, above = carried.interval(torque, 4.0, 60.0, branch="loading")
        assert below < true < above
        assert above - below < 0.4 * true
    assert not any(np.any(branch.tested) for branch in carried.document.branches.values())


def test_a_map_carried_from_readings_is_coarse_and_says_what_that_adds(hand: Characterisation) -> None:
    """Limits of 10 % need no nodes for half a thousandth: 0.5 % of the local torque may be added, as wherever
    nothing was tested. Nodes of a second map, at which it is the law itself, tell what is."""
    found = make_map(hand)
    told = found.document.interpolation
    assert told is not None
    assert told.allowed == 0.005
    assert found.values["loading"].size < 1500
    for axis, at in zip(found.axes[1:], (4.0, 60.0), strict=True):
        assert at in axis
    rng = np.random.default_rng(5)
    axes = tuple(np.sort(rng.uniform(axis[0], axis[-1], 12)) for axis in found.axes)
    law = map_on(hand, (axes[0], axes[1], axes[2]))
    place = np.meshgrid(*axes, indexing="ij")
    for branch in ("loading", "unloading"):
        error = found.locking_torque(*place, branch=branch) / law.values[branch] - 1.0
        assert 1e-4 < np.abs(error).max() <= min(told.allowed, 1.03 * told.locking_torque)


def test_what_an_angle_needs_is_not_what_the_sheet_states(hand: Characterisation, tmp_path: Path) -> None:
    """The sheet states the spring force and the pin radius; without either, each is asked for."""
    need = hand.parameters["effective_ramp_angle_drive"].needs
    assert need == "a bench, not a wrench: loading and unloading under drive torque"
    place = tmp_path / "visit"
    shutil.copytree(READINGS, place)
    sheet = place / "unit-q17.toml"
    text = sheet.read_text()
    for key, words in (
        ("spring_force", "the spring force at"),
        ("pin_radius", "the pin radius in the build"),
    ):
        sheet.write_text("".join(line for line in text.splitlines(True) if not line.startswith(key)))
        found = diffbench.fit(place / "run.toml").parameters["effective_ramp_angle_drive"]
        assert found.needs is not None
        assert found.needs.startswith(words)


def beside_a_sweep(folder: Path, held: float) -> Characterisation:
    """The readings and, of the same build, four cycles of the demo's sweep; ``held`` times what was read with
    the case held."""
    shutil.copytree(READINGS, folder / "hand-readings")
    shutil.copytree(READINGS.parent / "demo", folder / "demo", ignore=shutil.ignore_patterns("worn"))
    sweep = folder / "demo" / "rebuilt" / "bias-sweep.csv"
    sweep.write_text("".join(sweep.read_text().splitlines(keepends=True)[:6000]))
    table = folder / "hand-readings" / "readings.csv"
    with table.open(newline="") as lines:
        rows = list(csv.reader(lines))
    at = rows[0].index("torque_Nm")
    for row in rows[1:]:
        if row[0].startswith("case held"):
            row[at] = f"{held * float(row[at]):.2f}"
    with table.open("w", newline="") as lines:
        csv.writer(lines).writerows(rows)
    run = folder / "demo" / "rebuilt" / "run.toml"
    run.write_text(
        'format = "diffbench-run/1"\nrig = "../twin-flange-cell.toml"\nbuild = "../unit-q17-rebuilt.toml"\n'
        'date = 2026-04-14\n[[run]]\nfile = "tare.csv"\nkind = "tare"\n'
        '[[run]]\nfile = "bias-sweep.csv"\nkind = "bias-sweep"\n'
        '[[run]]\nfile = "../../hand-readings/readings.csv"\nkind = "turning-torque"\n'
        'rig = "../../hand-readings/torque-wrench.toml"\n'
    )
    return diffbench.fit(run)


def test_both_arrangements_and_a_sweep_agree(tmp_path: Path, hand: Characterisation) -> None:
    """By the simulator's truth: preload 81.85 N·m, drive bias 0.514, coast bias 0.295. The sweep brings the
    readings' preload to its own temperature, and they sharpen each other."""
    both = beside_a_sweep(tmp_path, 1.0)
    assert "readings contradict each other" not in {finding.name for finding in both.findings}
    truth = {"preload_torque": 81.847, "ramp_bias_drive_loading": 0.51428, "ramp_bias_coast_loading": 0.2952}
    for name, true in truth.items():
        item = both.parameters[name]
        assert item.status == "measured"
        assert inside(true, item), name
    assert sizes(both.parameters["preload_torque"])[1] < sizes(hand.parameters["preload_torque"])[1]


def test_a_sweep_that_the_readings_contradict_is_told(tmp_path: Path) -> None:
    """A case that its clamp did not hold: all those readings 12 % low."""
    found = {finding.name: finding for finding in beside_a_sweep(tmp_path, 0.88).findings}
    assert found["readings contradict each other"].severity == "caveat"
    assert "sweeps" in found["readings contradict each other"].evidence


def test_next_steps_are_for_a_wrench_with_its_cautions(hand: Characterisation) -> None:
    """No word of sweeps as the way to a better reading; where the case is held, what the wrench would
    read."""
    steps = [step for step in hand.next_steps if "_as_read" in step]
    assert any("wrench calibrated" in step for step in steps)
    assert not any("sweep" in step for step in steps)
    assert any("have the wrench calibrated" in test.run for test in hand.next_tests)


def test_readings_that_would_help_come_with_their_cautions(tmp_path: Path) -> None:
    """With the case free alone the ramps are open: held readings come first, but none beyond the wrench's
    range; what it will read there nobody knows, and no number stands for a plausible bias."""
    lines = (READINGS / "readings.csv").read_text().splitlines()
    free = [line for line in lines if not line.startswith('"case held')]
    found = visit(tmp_path, readings="\n".join(free) + "\n")
    assert found.parameters["ramp_bias_drive_as_read"].status == "not-determined"
    assert "turned backward" in (found.parameters["ramp_bias_drive_as_read"].needs or "")
    assert "mind its range" in (found.parameters["ramp_bias_drive_as_read"].needs or "")
    held = [test for test in found.next_tests if "the case held" in test.run]
    assert held
    for test in found.next_tests:
        assert all(gain.u_then < gain.u_now for gain in test.gains)
        assert ("mind its range" in test.run) == ("the case held" in test.run)
        assert ("suddenly" in test.run) == ("breakaway" in test.run)
        assert ("several times more" in test.run) == ("the case held" in test.run)
    rig = tmp_path / "visit" / "torque-wrench.toml"
    rig.write_text(edited(rig.read_text(), "u_gain = 0.01", 'u_gain = 0.01\nrange = ["0 N.m", "70 N.m"]'))
    short = diffbench.fit(tmp_path / "visit" / "run.toml")
    assert not any("the case held" in test.run for test in short.next_tests)


def test_less_known_of_the_temperature_is_no_narrower(tmp_path: Path, hand: Characterisation) -> None:
    """Readings without a temperature are not taken for ones at the reference condition."""
    blank = "\n".join(
        line if i == 0 else line.rsplit(",", 1)[0] + ","
        for i, line in enumerate((READINGS / "readings.csv").read_text().splitlines())
    )
    found = visit(tmp_path, readings=blank + "\n")
    assert "temperature not read" in [f.name for f in found.findings]
    item = found.parameters["preload_torque"]
    assert sizes(item)[1] > sizes(hand.parameters["preload_torque"])[1]
    assert inside(81.847, item)


def test_breakaway_alone_is_held_against_no_limit_of_a_unit_that_turns(tmp_path: Path) -> None:
    """By the simulator's truth it breaks away above 90 N·m at which it runs below: no verdict of either."""
    lines = (READINGS / "readings.csv").read_text().splitlines()
    alone = "\n".join(line for line in lines if ",running," not in line and "case held" not in line)
    found = visit(tmp_path, readings=alone + "\n")
    (limit,) = found.limits
    assert (limit.verdict, limit.judged) == ("not proven", "preload_torque_at_limit")
    read = found.parameters["preload_torque_as_read"]
    assert read.low is not None
    assert read.low > 90.0
    needs = found.parameters["preload_torque_at_limit"].needs
    assert needs is not None
    assert needs.startswith("running readings")


def test_arrangements_exchanged_give_no_number_and_no_verdict(tmp_path: Path) -> None:
    """Case free called held and the other way round: no one unit reads so."""
    free, held = "other output held, case free", "case held, other output free"
    text = (READINGS / "readings.csv").read_text()
    assert free in text
    assert held in text
    found = visit(tmp_path, readings=edited(edited(text, free, "*"), held, free).replace("*", held))
    assert ("readings contradict each other", "stop") in [(f.name, f.severity) for f in found.findings]
    assert [limit.verdict for limit in found.limits] == ["not proven"]
    assert found.parameters["preload_torque_as_read"].value is None
    state = judge([found])
    assert (state.state, state.failed) == ("cannot-be-told", False)
    for name in ("preload_torque", "ramp_bias_drive_loading", "friction_coefficient"):
        assert (found.parameters[name].needs or "").startswith("readings that do not contradict each other")


@pytest.mark.parametrize(
    ("readings", "law", "told"),
    [
        ({FREE: 160.0, HELD: 42.0}, "additive", "at least twice"),
        ({FREE: 42.0, HELD: 160.0}, "greater-of", "the law may be the fault"),
        ({FREE: 42.0, f"{FREE}, breakaway": 420.0}, "additive", "outside what any unit has"),
    ],
)
def test_few_readings_that_no_unit_gives_are_no_result(
    readings: dict[str, float], law: str, told: str, tmp_path: Path
) -> None:
    """Fewer kinds than unknowns, so that some unit of the algebra always fits: words exchanged, a law that is
    not so, a decimal point. Held readings are ``P/(1 − K)``, at least ``P``, twice the free ones."""
    lines = ["arrangement,direction,reading,torque_Nm,oil_degC"]
    for words, size in readings.items():
        case, kind = words.removesuffix(", breakaway"), "breakaway" if "breakaway" in words else "running"
        lines += [f'"{case}",backward,{kind},{size * scale:.2f},21' for scale in (0.98, 0.99, 1.01, 1.02)]
    place = tmp_path / "visit"
    shutil.copytree(READINGS, place)
    sheet = place / "unit-q17.toml"
    sheet.write_text(edited(sheet.read_text(), 'law = "undecided"', f'law = "{law}"'))
    (place / "readings.csv").write_text("\n".join(lines) + "\n")
    found = diffbench.fit(place / "run.toml")
    (finding,) = (f for f in found.findings if f.name == "readings contradict each other")
    assert (finding.severity, judge([found]).state) == ("stop", "cannot-be-told")
    assert told in finding.evidence


def test_torques_of_another_unit_are_told_by_friction_and_are_not_good(tmp_path: Path) -> None:
    """Numbers in N·m that the rig calls kgf·m: 9.80665 times too much (NIST SP 811, B.8), within limits that
    are as wrong. The simulator's plates have 0.112 at 60 °C; no plates in oil have 1.1."""
    lines = edited((READINGS / "readings.csv").read_text(), "torque_Nm", "torque").splitlines()
    few = [lines[0], *(line for line in lines if "case free" in line and ",running," in line)]
    place = tmp_path / "visit"
    shutil.copytree(READINGS, place)
    (place / "readings.csv").write_text("\n".join(few) + "\n")
    rig = place / "torque-wrench.toml"
    rig.write_text(edited(edited(rig.read_text(), "torque_Nm", "torque"), 'unit = "N.m"', 'unit = "kgf.m"'))
    sheet = place / "unit-q17.toml"
    sheet.write_text(edited(sheet.read_text(), '["70 N.m", "90 N.m"]', '["700 N.m", "900 N.m"]'))
    found = diffbench.fit(place / "run.toml")
    assert [limit.verdict for limit in found.limits] == ["within"]
    (told,) = (f for f in found.findings if f.name == "friction implausible")
    assert told.severity == "caveat"
    assert "N.m taken as kgf.m (0.1" in told.mend
    assert judge([found]).state == "cannot-be-told"
    assert "friction implausible" in text_of(summary(found), 10_000)
    # with the case free and running alone, what each needs is what would help: no sweep that no wrench makes
    for name, needs in {
        "preload_torque": "a bench that turns as fast",
        "friction_coefficient": "a bench that turns as fast",
        "static_friction_excess": "breakaway readings",
        "friction_temperature_coefficient": "readings of each kind with the unit 20 K",
        "ramp_bias_drive_loading": "readings with the case held, turned backward",
        "effective_ramp_angle_drive_loading": "readings with the case held, turned backward",
    }.items():
        assert (found.parameters[name].needs or "").startswith(needs), name
