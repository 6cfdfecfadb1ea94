"""Hard files that nobody described beforehand: what is found in each, by hand-made truth."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from diffbench.documents import FileSettings
from diffbench.errors import ReadingError
from diffbench.inspection import inspect_file, inspection_text

HERE = Path(__file__).parent / "drafts"
STATED_NOTHING = FileSettings()


@dataclass(frozen=True)
class Hard:
    """A file, and what an inspection must find: channel by column, samples, rate [Hz], gaps."""

    name: str
    content: bytes
    channels: tuple[str | None, ...]
    samples: int
    rate: float | None
    gaps: int = 0
    settings: FileSettings = STATED_NOTHING


def rows(pattern: str, count: int, *, start: int = 0) -> str:
    """Lines of one pattern, numbered."""
    return "".join(pattern.format(i=start + i, t=0.02 * (start + i)) for i in range(count))


HARD = (
    Hard(
        "german logger: semicolons, decimal commas, code page, preamble, row of units",
        (
            "Prüfstand 3;exportiert 02.05.2026\n\nZeit;M_links;M_rechts;n_links;n_rechts;Öltemp\n"
            "s;Nm;Nm;1/min;1/min;°C\n"
            + rows("{i},02;-1,5;2,5;500,1;499,9;48,0\n", 20)
        ).encode("cp1252"),
        ("time", "left_torque", "right_torque", "left_speed", "right_speed", "oil_temperature"),
        20,
        1.0,
    ),
    Hard(
        "milliseconds, a gap of a second, underscores for brackets",
        (
            "time_ms,trq_l_Nm,trq_r_Nm\n"
            + rows("{i}0,1.5,2.5\n", 10, start=1)
            + rows("{i}0,1.5,2.5\n", 10, start=111)
        ).encode(),
        ("time", "left_torque", "right_torque"),
        20,
        100.0,
        1,
    ),
    Hard(
        "UTF-16 with tabs and clock times over midnight",
        (
            "When\tTorque LH [lbf.ft]\tSpeed\n"
            "23:59:59.0\t1.5\t2.5\n23:59:59.5\t1.25\t2.25\n00:00:00.0\t2.5\t3.5\n"
        ).encode("utf-16"),
        ("time", "left_torque", None),
        3,
        2.0,
    ),
    Hard(
        "no header at all",
        rows("{t:.2f} 1.5 2.5\n", 12).encode(),
        ("time", None, None),
        12,
        50.0,
    ),
    Hard(
        "no clock: a stated rate",
        ("Torque left (Nm);Torque right (Nm)\n" + rows("{i}.5;1.5\n", 12)).encode(),
        ("left_torque", "right_torque"),
        12,
        200.0,
        settings=FileSettings(sample_rate="200 Hz"),
    ),
    Hard(
        "words among the numbers, missing cells, overload marks",
        b"t [s],Torque LH [Nm],Note\n0.0,1.5,ok\n0.1,ERR,\n0.2,,bad\n0.3,1e38,ok\n",
        ("time", "left_torque", None),
        4,
        10.0,
    ),
)  # fmt: skip


@pytest.mark.parametrize("hard", HARD, ids=lambda hard: hard.name)
def test_hard_files_are_understood(hard: Hard, tmp_path: Path) -> None:
    """Channel by column, sample count, rate and gaps; and the text and JSON of it can be made."""
    path = tmp_path / "log.dat"
    path.write_bytes(hard.content)
    found = inspect_file(path, settings=hard.settings)
    assert tuple(guess.channel for guess in found.guesses) == hard.channels
    assert found.samples == hard.samples
    assert found.clock is not None
    assert found.clock.rate == pytest.approx(hard.rate, rel=1e-9)  # rounding of decimal fractions
    assert found.clock.gaps == hard.gaps
    shown = inspection_text(found)
    assert all(line.isprintable() for line in shown.split("\n"))
    plain = json.loads(json.dumps(found.as_json(), allow_nan=False))
    assert (plain["samples"], plain["clock"]["gaps"]) == (hard.samples, hard.gaps)


def test_odd_missing_and_overload_cells_are_counted(tmp_path: Path) -> None:
    """Of four cells one is a word, one is empty and one is an overload mark."""
    path = tmp_path / "log.dat"
    path.write_bytes(HARD[-1].content)
    summary = inspect_file(path).columns[1]
    assert (summary.samples, summary.missing, summary.odd, summary.odd_example) == (4, 3, 1, "ERR")
    assert (summary.low, summary.high, summary.resolution) == (1.5, 1.5, None)


@pytest.mark.parametrize(
    ("time", "jitter", "not_rising"),
    [
        # steps of 0.9, 1.1, 0.9, 1.1 about a median of 1.0: a standard deviation of a tenth of a step
        ((0.0, 0.9, 2.0, 2.9), 0.1, 0),
        ((0.0, 1.0, 1.0, 0.5), None, 2),
    ],
)
def test_range_step_and_clock_are_those_of_the_numbers(
    time: tuple[float, ...], jitter: float | None, not_rising: int, tmp_path: Path
) -> None:
    """Torques in counts of 0.25, by hand."""
    torques = (-1.0, 0.25, 0.5, 3.0, 3.0)
    lines = [f"{t},{m}" for t, m in zip((*time, 4.0), torques, strict=True)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["Time [s],Torque LH [Nm]", *lines]), encoding="utf-8")
    found = inspect_file(path)
    summary = found.columns[1]
    assert (summary.low, summary.high, summary.resolution) == (-1.0, 3.0, 0.25)
    assert found.clock is not None
    assert found.clock.not_rising == not_rising
    assert jitter is None or found.clock.jitter == pytest.approx(jitter, rel=1e-9)


@pytest.mark.parametrize("name", ["odd", "wrench"])
def test_an_inspection_is_told_whole(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every column of it: gaps, a step that rounding made, cells that are no numbers, words by how often they
    come, names and units that are too long."""
    monkeypatch.chdir(HERE)
    shown = inspection_text(inspect_file(f"{name}.csv"))
    assert f"{shown}\n" == (HERE / f"{name}.txt").read_text(encoding="utf-8")


def test_an_inspection_as_plain_data_is_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(HERE)
    found = inspect_file("odd.csv").as_json()
    (*_, words, _, count) = found.pop("columns")
    jitter = found["clock"].pop("jitter")  # twelve steps of 0.5 s, one of 0.4 s and one of 0.6 s
    assert jitter == pytest.approx((0.02 / 14) ** 0.5 / 0.5, rel=1e-12)
    content = (HERE / "odd.csv").read_bytes()
    layout = {"encoding": "ascii", "delimiter": ",", "decimal": ".", "first line": "2", "header line": "1"}
    clock = {"column": "Zeit [s]", "duration": 13.0, "rate": 2.0, "gaps": 2, "longest_gap": 4.0}
    assert found == {
        "file": "odd.csv",
        "format": "delimited text",
        "sha256": hashlib.sha256(content).hexdigest(),
        "size": len(content),
        "layout": layout,
        "samples": 18,
        "kind": "",
        "clock": {**clock, "gap_line": 10, "not_rising": 1},
        "notes": [],
    }
    nothing = {"channel": None, "dimension": None, "sure": False, "others": (), "ratio": None}
    assert count == {
        "name": "Count",
        "unit": None,
        "kind": "numbers",
        "samples": 18,
        "missing": 15,
        "odd": 1,
        "odd_example": "?",
        "low": 0.0,
        "high": 1.0,
        "resolution": 1.0,  # 1e-12 of the largest is rounding
        "words": (),
        "guess": {**nothing, "reasons": ("neither name nor unit says what it is",)},
    }
    often = ("ok", "bad", *(f"w{number:02}" for number in range(10)))
    assert words == {
        "name": "Note",
        "unit": None,
        "kind": "words",
        "samples": 18,
        "missing": 1,
        "odd": 0,
        "odd_example": None,
        "low": None,
        "high": None,
        "resolution": None,
        "words": often,
        "guess": {**nothing, "reasons": ("it holds words that no channel has",)},
    }


@pytest.mark.parametrize(
    ("jitter", "not_rising", "said"),
    [
        (0.0, 0, "no jitter"),
        (9.9e-7, 0, "no jitter"),
        (1e-6, 0, "jitter 0.0001 % of a step"),
        (0.005, 2, "jitter 0.5 % of a step; 2 samples are not later than the one before"),
        (0.005, 1, "jitter 0.5 % of a step; 1 sample is not later than the one before"),
    ],
)
def test_a_clock_is_told_in_words(jitter: float, not_rising: int, said: str, tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("t [s],M [Nm]\n7,1\n7.5,2\n8,4\n", encoding="utf-8")
    found = inspect_file(path)
    assert found.clock is not None
    told = replace(found, clock=replace(found.clock, jitter=jitter, not_rising=not_rising))
    clock = next(line for line in inspection_text(told).splitlines() if line.startswith("clock"))
    assert clock == f"clock    't [s]': 2 samples a second over 1 s, {said}"


def test_reasons_are_wrapped_at_a_hundred_columns(tmp_path: Path) -> None:
    """Those with their indent of four are of 101 letters."""
    path = tmp_path / "log.csv"
    reasons = f"its name speaks of time; its unit '{'x' * 48}' is not known"
    assert len(reasons) == 97
    path.write_text(f"Zeit [{'x' * 48}],M [Nm]\n1,2\n2,4\n", encoding="utf-8")
    lines = inspection_text(inspect_file(path)).splitlines()
    assert f"    {reasons.removesuffix(' known')}" in lines
    assert f"    {reasons}" in inspection_text(inspect_file(path), width=101).splitlines()


def test_parts_of_a_clock_are_put_together_by_their_number(tmp_path: Path) -> None:
    """Twelve steps of 1 ms, six of them each half a millisecond off, one of 5 ms, then steps of 10 ms: the
    usual step is the first part's, and of gaps the longest is told, though it is a short one."""
    steps = [0.001] * 6 + [0.0005, 0.0015] * 3 + [0.001, 0.001, 0.005, 0.001, 0.001, 0.001] + [0.01] * 6
    times = 3.0 + np.cumsum([0.0, *steps])
    path = tmp_path / "log.csv"
    lines = [f"{t:.4f},{n % 5}" for n, t in enumerate(times)]
    path.write_text("\n".join(["t [s],M [Nm]", *lines]) + "\n", encoding="utf-8")
    clock = inspect_file(path, rows=6).clock
    assert clock is not None
    assert clock.rate == pytest.approx(1000.0)
    assert (clock.gaps, clock.gap_line, clock.not_rising) == (1, 17, 0)
    assert clock.longest_gap == pytest.approx(0.005)
    assert clock.duration == pytest.approx(sum(steps))


def test_jitter_of_parts_is_that_of_their_mean_square(tmp_path: Path) -> None:
    """Five steps, six and six of 0.5 s: of variances 0.025, none and 0.0625 s² (by hand), over 0.25 s²."""
    steps = [0.25, 0.5, 0.5, 0.5, 0.75, *[0.5] * 6, *[0.25, 0.75] * 3]
    path = tmp_path / "log.csv"
    lines = [f"{t},{n % 5}" for n, t in enumerate(3.0 + np.cumsum([0.0, *steps]))]
    path.write_text("\n".join(["t [s],M [Nm]", *lines]) + "\n", encoding="utf-8")
    clock = inspect_file(path, rows=6).clock
    assert clock is not None
    assert clock.jitter == pytest.approx(((0.1 + 0.0 + 0.25) / 3.0) ** 0.5, rel=1e-12)
    assert (clock.duration, clock.rate, clock.longest_gap, clock.gap_line) == (8.5, 2.0, None, None)


def test_a_clock_that_is_coarser_than_the_samples_runs_at_its_own_steps(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("t [s],M [Nm]\n" + "".join(f"{5 + n // 3},{n}\n" for n in range(9)), encoding="utf-8")
    clock = inspect_file(path).clock
    assert clock is not None
    assert (clock.rate, clock.duration, clock.not_rising, clock.gaps) == (1.0, 2.0, 6, 0)


@pytest.mark.parametrize(("second", "runs"), [("9e29", True), ("1e30", False), ("", False)])
def test_two_samples_are_a_clock_where_both_are_numbers(second: str, runs: bool, tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(f"t [s],M [Nm]\n0,1\n{second},2\n", encoding="utf-8")
    assert (inspect_file(path).clock is not None) == runs
    path.write_text("t [s],M [Nm]\n0,1\n", encoding="utf-8")
    assert inspect_file(path, settings=FileSettings(sample_rate="5 Hz")).clock is None


def test_a_mark_of_overload_is_no_number(tmp_path: Path) -> None:
    """From 1e30 on, on either side."""
    path = tmp_path / "log.csv"
    path.write_text("M [Nm],N\n9e29,-9e29\n1e30,-1e30\n2,3\n", encoding="utf-8")
    left, right = inspect_file(path).columns
    assert (left.missing, left.low, left.high) == (1, 2.0, 9e29)
    assert (right.missing, right.low, right.high) == (1, -9e29, 3.0)


def test_a_clock_goes_before_what_only_rises(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("x,t [s]\n" + "".join(f"{n},{0.5 * n}\n" for n in range(4)), encoding="utf-8")
    found = inspect_file(path)
    clock = found.clock
    assert clock is not None
    assert (clock.column, clock.rate) == ("t [s]", 2.0)
    counts, time = found.guesses
    assert (time.channel, time.sure, counts.channel, counts.sure) == ("time", True, None, False)
    assert counts.reasons == (
        "it rises from line to line, as a clock does",
        "but another column is the clock",
    )


def test_what_cannot_be_read_is_refused_as_ever(tmp_path: Path) -> None:
    """An inspection is no way round the readers' checks."""
    path = tmp_path / "log.csv"
    path.write_bytes(b"")
    with pytest.raises(ReadingError, match="the file is empty"):
        inspect_file(path)


def test_a_long_recording_is_described_part_by_part(tmp_path):
    """The same summary as of the whole: a gap where two parts meet, missing cells, range and finest step."""
    rng = np.random.default_rng(3)
    time = 0.01 * np.arange(1000) + np.where(np.arange(1000) >= 300, 0.7, 0.0)
    torque = np.round(rng.normal(100.0, 30.0, 1000), 1)
    cells = ["" if i % 97 == 5 else f"{m}" for i, m in enumerate(torque)]
    lines = [
        f"{t:.2f},{m},{'held' if i < 100 else 'free'}"
        for i, (t, m) in enumerate(zip(time, cells, strict=True))
    ]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["Time [s],Torque LH [Nm],Case", *lines]), encoding="utf-8")
    whole = inspect_file(path)
    parted = inspect_file(path, rows=100)
    assert parted.columns[:2] == whole.columns[:2]
    # the most frequent word first, but for those of the first part
    assert (whole.columns[2].words, parted.columns[2].words) == (("free", "held"), ("held", "free"))
    assert parted.guesses[:2] == whole.guesses[:2]
    assert parted.samples == whole.samples == 1000
    for name in ("column", "gaps", "longest_gap", "gap_line", "not_rising"):
        assert getattr(parted.clock, name) == getattr(whole.clock, name)
    assert parted.clock.gap_line == 302
    assert parted.clock.duration == pytest.approx(whole.clock.duration)
    assert parted.clock.rate == pytest.approx(100.0)


@pytest.mark.parametrize(("last", "gaps", "jitter"), [("3.5", 0, 0.8), ("3.625", 1, 0.0)])
def test_a_gap_is_more_than_three_usual_steps(last: str, gaps: int, jitter: float, tmp_path: Path) -> None:
    """Steps of 0.5 s, four, and 1.5 s: √0.16 s is their scatter, 0.8 of the usual one. 1.625 s is a gap."""
    path = tmp_path / "log.csv"
    times = ("0", "0.5", "1", "1.5", "2", last)
    path.write_text("t [s],M [Nm]\n" + "".join(f"{t},{n}.5\n" for n, t in enumerate(times)), encoding="utf-8")
    clock = inspect_file(path).clock
    assert clock is not None
    assert (clock.gaps, clock.rate) == (gaps, 2.0)
    assert clock.jitter == pytest.approx(jitter, abs=1e-12)
    assert clock.duration == float(last)
    assert (clock.longest_gap, clock.gap_line) == ((1.625, 7) if gaps else (None, None))


@pytest.mark.parametrize(
    ("times", "said"),
    [
        ((0, 0.5, 1, 1.5, 2, 4), "; 1 stretch without samples, the longest 2 s before line 7"),
        ((0, 0.5, 1, 5, 5.5, 6, 8), "; 2 stretches without samples, the longest 4 s before line 5"),
    ],
)
def test_gaps_are_told_in_their_number(times: tuple[float, ...], said: str, tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("t [s],M [Nm]\n" + "".join(f"{t},{n}.5\n" for n, t in enumerate(times)), encoding="utf-8")
    assert said in " ".join(inspection_text(inspect_file(path), width=100).split())


def test_the_first_of_two_clocks_that_runs_is_taken(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    lines = [f"0,{n}.5,{n}" for n in range(4)]
    path.write_text("\n".join(["t [s],Zeit [s],M [Nm]", *lines]) + "\n", encoding="utf-8")
    clock = inspect_file(path).clock
    assert clock is not None
    assert (clock.column, clock.rate) == ("Zeit [s]", 1.0)


def test_a_file_without_a_clock_says_so_in_text_and_json(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("M links [Nm]\n1\n3\n2\n", encoding="utf-8")
    found = inspect_file(path)
    assert found.as_json()["clock"] is None
    assert "clock    no column looks like one; state sample_rate" in inspection_text(found)


def test_a_name_too_long_for_its_column_is_cut(tmp_path: Path) -> None:
    """28 letters are shown, of 29 the first 25."""
    path = tmp_path / "log.csv"
    names = ("a" * 28, "b" * 29)
    path.write_text(f"{','.join(names)}\n1,2\n3,4\n", encoding="utf-8")
    shown = inspection_text(inspect_file(path)).splitlines()
    assert any(line.startswith(f"{names[0]} ") for line in shown)
    assert any(line.startswith(f"{'b' * 25}... ") for line in shown)


@pytest.mark.parametrize(("most", "kind"), [(84.0, "bias-sweep"), (87.0, "speed-sweep")])
def test_an_input_torque_is_held_by_what_nine_tenths_of_the_locking_are_below(
    most: float, kind: str, tmp_path: Path
) -> None:
    """It moves by 30 N·m: more than 0.35 of 84 N·m, less than 0.35 of 87 N·m. A twentieth of the samples at
    200 N·m, a start or a knock, changes nothing."""
    path = tmp_path / "log.csv"
    count = np.arange(400)
    whole = 300.0 + np.where(count % 40 < 20, 15.0, -15.0)
    apart = np.where(count < 20, 200.0, most)
    rows_of = zip(0.5 * (whole + apart), 0.5 * (whole - apart), strict=True)
    lines = [f"{n / 100},{left},{right}" for n, (left, right) in enumerate(rows_of)]
    path.write_text("\n".join(["t [s],Torque LH [Nm],Torque RH [Nm]", *lines]) + "\n", encoding="utf-8")
    assert inspect_file(path).kind == kind
