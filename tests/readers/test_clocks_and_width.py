"""Clocks that people and counters keep, and texts of thousands of columns; values worked out by hand.

Sources: leap seconds are labelled 23:59:60 (ITU-R TF.460-6); twelve-hour clocks have 12 AM at midnight and
12 PM at noon (common practice); summer time ends by setting the clock back one hour (Directive 2000/84/EC).
Counters of n bits begin again after 2^n: arithmetic.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from writers import write_feather, write_hdf5, write_mdf, write_parquet, write_tdms

from diffbench.documents import Rig
from diffbench.errors import ReadingError
from diffbench.readers import Asked, read_parts, read_raw, read_recording
from diffbench.recording import Recording

RigOf = Callable[..., Rig]
Read = Callable[..., Recording]


@pytest.fixture
def read(tmp_path: Path, rig_of: RigOf, sweep: Mapping[str, str]) -> Read:
    """Read a sweep whose clock column holds these texts."""

    def reader(times: list[str], **clock: Any) -> Recording:
        path = tmp_path / "log.csv"
        lines = [",".join(sweep.values()), *(f"{text},1,2,300,290" for text in times)]
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        rig = rig_of({**sweep, "time": {"column": "Time [s]" if not clock else sweep["time"], **clock}})
        return read_recording(path, rig, kind="bias-sweep")

    return reader


@pytest.mark.parametrize(
    ("times", "seconds"),
    [
        (["23:59:59.0", "23:59:60.0", "00:00:00.0"], [0.0, 1.0, 2.0]),
        (["2016-12-31T23:59:59.5Z", "2016-12-31T23:59:60.5Z", "2017-01-01T00:00:00.5Z"], [0.0, 1.0, 2.0]),
        (["11:59:59 AM", "12:00:00 PM", "12:00:01 PM"], [0.0, 1.0, 2.0]),
        (["11:59:59 p.m.", "12:00:00 a.m.", "12:00:01 a.m."], [0.0, 1.0, 2.0]),
        (["02:59:59.75", "02:00:00.00", "02:00:00.25"], [0.0, 0.25, 0.5]),
        (["25.10.2026 02:59:59,75", "25.10.2026 02:00:00,00", "25.10.2026 02:00:00,25"], [0.0, 0.25, 0.5]),
        (["11/1/2026 1:59:59 AM", "11/1/2026 1:00:00 AM", "11/1/2026 1:00:01 AM"], [0.0, 1.0, 2.0]),
        (["2026-10-25T02:59:59.5+02:00", "2026-10-25T02:00:00.0+01:00"], [0.0, 0.5]),
        (["31.12.2026 23:59:59", "01.01.2027 00:00:00"], [0.0, 1.0]),
        (["12/31/2026 11:59:59 PM", "1/1/2027 12:00:00 AM"], [0.0, 1.0]),
        (["31/12/2026 23:59:59", "01/01/2027 00:00:00"], [0.0, 1.0]),
    ],
)
def test_clock_times(times: list[str], seconds: list[float], tmp_path: Path, rig_of: RigOf) -> None:
    path = tmp_path / "log.csv"
    lines = ["Time;M L [Nm];M R [Nm];n L [rpm];n R [rpm]", *(f"{text};1,5;2;300;290" for text in times)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    columns = {
        "time": "Time", "left_torque": "M L [Nm]", "right_torque": "M R [Nm]",
        "left_speed": "n L [rpm]", "right_speed": "n R [rpm]",
    }  # fmt: skip
    recording = read_recording(path, rig_of(columns), kind="bias-sweep")
    assert recording.time.tolist() == pytest.approx(seconds, abs=1e-9)


@pytest.mark.parametrize("times", [["24:00:00", "24:00:01"], ["13:00:00 PM", "13:00:01 PM"]])
def test_no_such_time(times: list[str], read: Read) -> None:
    with pytest.raises(ReadingError, match="is no time"):
        read(times)


def test_an_hour_back_elsewhere_is_a_fault(read: Read) -> None:
    """Not to the start of an hour, or not by an hour: two recordings in one file, no end of summer time."""
    with pytest.raises(ReadingError, match="the time goes back by 3599 s"):
        read(["02:30:00", "01:30:01", "01:30:02"])
    with pytest.raises(ReadingError, match="the time goes back by 1801 s"):
        read(["02:30:00", "02:30:01", "02:00:00", "02:00:01"])


@pytest.mark.parametrize(
    ("counts", "clock", "seconds"),
    [
        ([65_530, 65_535, 4, 9], {"tick": "1 ms"}, [0.0, 0.005, 0.010, 0.015]),
        ([4_294_967_290, 4, 14], {"unit": "ms"}, [0.0, 0.010, 0.020]),
        ([9_990, 0, 10], {"tick": "0.1 ms"}, [0.0, 0.001, 0.002]),
        ([0, 500, 0, 500, 0], {"tick": "1 ms", "rolls_over": 1000}, [0.0, 0.5, 1.0, 1.5, 2.0]),
        ([86_399.5, 0.0, 0.5], {"unit": "s"}, [0.0, 0.5, 1.0]),
    ],
)
def test_counters(
    counts: list[float], clock: dict[str, Any], seconds: list[float], tmp_path: Path, rig_of: RigOf
) -> None:
    path = tmp_path / "log.csv"
    lines = ["n;M L [Nm];M R [Nm];n L [rpm];n R [rpm]", *(f"{count:.10g};1;2;300;290" for count in counts)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    columns = {
        "time": {"column": "n", **clock}, "left_torque": "M L [Nm]", "right_torque": "M R [Nm]",
        "left_speed": "n L [rpm]", "right_speed": "n R [rpm]",
    }  # fmt: skip
    recording = read_recording(path, rig_of(columns), kind="bias-sweep")
    assert recording.time.tolist() == pytest.approx(seconds, abs=1e-9)
    assert any("begins again" in note for note in recording.notes)


def test_a_count_that_starts_at_nothing_may_be_two_recordings(read: Read) -> None:
    """65,536 samples twice in one file look like a counter: only the rig can say so."""
    with pytest.raises(ReadingError, match="rolls_over = 65536"):
        read([str(n) for n in (0, 32768, 65535, 0, 32768)], tick="1 us")


WIDE = 5000


def wide_text(rows: int, *, broken: int | None = None, cut: bool = False) -> str:
    """A logger that writes everything; a line with a cell too many, or a last line that breaks off."""
    names = [f"CAN.signal {i} [V]" for i in range(WIDE - 5)]
    names[700:700] = ["Torque LH [Nm]", "Torque RH [Nm]", "Speed LH [1/min]", "Speed RH [1/min]"]
    lines = [",".join(["Time [s]", *names])]
    other = ["0.125"] * (WIDE - 5)
    for i in range(rows):
        cells = [f"{0.01 * i:.2f}", *other]
        cells[701:701] = [f"{i}.5", f"-{i}", "300", "290"]
        if i == broken:
            cells.insert(900, "7")
        lines.append(",".join(cells))
    text = "\n".join(lines)
    return text[:-20_000] if cut else text + "\n"


def test_thousands_of_columns_are_read_by_those_asked_for(
    tmp_path: Path, rig_of: RigOf, sweep: Mapping[str, str]
) -> None:
    """Numbers are right; only what is asked for is kept."""
    path = tmp_path / "wide.csv"
    path.write_text(wide_text(100), encoding="utf-8")
    (recording,) = read_parts(path, rig_of(sweep), kind="bias-sweep")
    assert recording.channels["left_torque"].tolist() == [i + 0.5 for i in range(100)]
    assert recording.channels["right_torque"].tolist() == [-float(i) for i in range(100)]
    assert np.allclose(recording.channels["left_speed"], 300.0 * np.pi / 30.0)
    assert set(recording.channels) == set(sweep) - {"time"}


def test_faults_of_a_wide_text_are_told_as_of_any_other(
    tmp_path: Path, rig_of: RigOf, sweep: Mapping[str, str]
) -> None:
    path = tmp_path / "wide.csv"
    path.write_text(wide_text(40, broken=30), encoding="utf-8")
    with pytest.raises(ReadingError) as caught:
        read_recording(path, rig_of(sweep), kind="bias-sweep")
    (fault,) = caught.value.faults
    assert fault.place.line == 32
    assert "5001 cells where the table has 5000" in fault.what
    path.write_text(wide_text(40), encoding="utf-8")
    with pytest.raises(ReadingError, match=r"perhaps 'CAN\.signal 12 \[V\]'.* and 49\d\d more"):
        read_recording(path, rig_of({**sweep, "left_torque": "CAN.signal 12x [Nm]"}), kind="bias-sweep")
    path.write_text(wide_text(40, cut=True), encoding="utf-8")
    recording = read_recording(path, rig_of(sweep), kind="bias-sweep")
    assert len(recording) == 39
    assert recording.last_line is not None
    assert not recording.last_line.kept


@pytest.mark.parametrize("write", [write_parquet, write_feather, write_hdf5, write_mdf, write_tdms])
def test_binary_files_of_thousands_of_columns_are_read_by_those_asked_for(
    write: Callable[[Path, Mapping[str, list[float]]], None],
    tmp_path: Path,
    rig_of: RigOf,
    sweep: Mapping[str, str],
) -> None:
    """A logger that writes everything, in each format that can; MDF of 5,000 channels took the library more
    than its 10 s and was called damaged. Only what is asked for is read; the others are known by name."""
    rows = 20
    columns = {"Time [s]": [0.01 * i for i in range(rows)]}  # first, where the format has a clock apart
    columns |= {f"CAN.signal {i} [V]": [0.125] * rows for i in range(WIDE - 5)}
    columns["Torque LH [Nm]"] = [i + 0.5 for i in range(rows)]
    columns["Torque RH [Nm]"] = [-float(i) for i in range(rows)]
    columns |= {name: [300.0] * rows for name in ("Speed LH [rpm]", "Speed RH [rpm]")}
    path = tmp_path / "wide"
    write(path, columns)
    rig = rig_of(
        {**sweep, "time": "Time [s]", "left_speed": "Speed LH [rpm]", "right_speed": "Speed RH [rpm]"}
    )
    recording = read_recording(path, rig, kind="bias-sweep")
    assert recording.channels["left_torque"].tolist() == [i + 0.5 for i in range(rows)]
    assert recording.channels["right_torque"].tolist() == [-float(i) for i in range(rows)]
    table, _ = read_raw(path, rig.file, asked=Asked.by(rig))
    assert len(table.columns) < 10
    assert len(table.left_out) == WIDE - 5
    with pytest.raises(ReadingError, match=r"perhaps '?CAN.signal 12"):
        read_recording(path, rig_of({**sweep, "left_torque": "CAN.signal 12x [Nm]"}), kind="bias-sweep")


@pytest.mark.parametrize(
    ("late", "told"),
    [
        (
            3600.0,
            "0 % of that in common. Both last equally long, so one clock may be 3600 s off, whole hours",
        ),
        (0.6, "40 % of that in common. Both last equally long, so one clock may be 0.6 s off."),
        (0.0, None),
    ],
)
def test_loggers_whose_clocks_differ_are_told(
    late: float, told: str | None, tmp_path: Path, rig_of: RigOf, sweep: Mapping[str, str]
) -> None:
    """Two groups of one file, the same second long; the second logger's clock is an hour or a moment off."""
    import h5py

    path = tmp_path / "two"
    time = 0.01 * np.arange(101)
    with h5py.File(path, "w") as file:
        for group, side, own in (("A", "LH", time), ("B", "RH", time[::2] + late)):
            file.create_dataset(f"{group}/time", data=own).attrs["units"] = "s"
            file.create_dataset(f"{group}/Torque {side}", data=np.cos(own)).attrs["units"] = "N.m"
            file.create_dataset(f"{group}/Speed {side}", data=300.0 + own).attrs["units"] = "rpm"
    table, _ = read_raw(path, rig_of(sweep).file)
    if told is None:
        assert table.clocks_apart == ()
        return
    (said,) = table.clocks_apart
    assert told in said
    assert said in table.notes


def clock_of(read: Read, times: list[str], **clock: Any) -> Recording | None:
    """What becomes of a clock: a recording whose time rises from nothing, or a refusal."""
    try:
        found = read(times, **clock)
    except ReadingError:
        return None
    assert found.time[0] == 0.0
    assert (np.diff(found.time) > 0.0).all()
    return found


@pytest.mark.parametrize("clock", [{}, {"unit": "s"}, {"unit": "ms"}, {"tick": "1 us"}])
def test_steps_are_a_bench_s_or_none(
    clock: dict[str, str], tmp_path: Path, rig_of: RigOf, sweep: Mapping[str, str]
) -> None:
    """Without a unit from some step on, with one from another on; refused beyond, on both sides."""
    path, known = tmp_path / "log.csv", []
    rig = rig_of({**sweep, "time": {"column": "n", **clock}})
    for step in np.geomspace(1e-8, 1e11, 58):
        lines = [f"{5.0 + i * step:.12g},1,2,300,290" for i in range(5)]
        path.write_text(
            "\n".join([",".join(["n", *list(sweep.values())[1:]]), *lines]) + "\n", encoding="utf-8"
        )
        try:
            known.append(len(read_recording(path, rig, kind="bias-sweep")) == 5)
        except ReadingError:
            known.append(False)
    first, last = known.index(True), len(known) - known[::-1].index(True)
    assert all(known[first:last])
    assert not known[0]
    assert not known[-1]


def test_lines_of_a_clock_that_fails_are_counted(read: Read) -> None:
    """One to nine lines that go back, stand still or are missing: the first by number, the rest as one."""
    for count in range(1, 10):
        even = [f"{0.25 * i:.2f}" for i in range(40)]
        for spoil in (
            lambda i: f"{0.25 * i - 3.0:.2f}",
            lambda i: f"{0.25 * i - 0.25:.2f}",
            lambda i: "",
            lambda i: "x",
        ):
            spoiled = [
                spoil(i) if i % 4 == 1 and 4 < i < 4 * count + 4 else text for i, text in enumerate(even)
            ]
            assert clock_of(read, spoiled) is None


def test_counters_begin_again_after_what_they_may(read: Read) -> None:
    """Powers of two and of ten and a day, by a usual step or several, stated or not."""
    for size in (256, 1000, 4096, 65_536, 86_400, 100_000, 999, 70_000):
        for last in (1, 2, 5, 9, 11, 15):
            counts = [
                size - 7 * last,
                size - 6 * last + 1,
                size - 5 * last,
                size - 4 * last,
                size - last,
                last,
                3 * last,
            ]
            for keys in ({}, {"rolls_over": size}, {"rolls_over": size - 3}):
                clock_of(read, [str(n) for n in counts], tick="0.1 ms", **keys)
    assert clock_of(read, ["65530", "65535", "4", "9"], tick="1 ms") is not None
    assert clock_of(read, ["65530", "65535", "4", "9"], tick="1 ms", rolls_over=65_530) is None


def test_every_way_to_write_a_moment(read: Read) -> None:
    """Dates in every order, zones of every form, halves of the day, hours that come again, days that do not
    exist."""
    kept = 0
    for date in (
        "2026-03-04 ",
        "2026/03/04T",
        "4.3.2026 ",
        "3/4/2026 ",
        "13/4/2026 ",
        "4/13/2026 ",
        "31.2.2026 ",
        "",
    ):
        for zone in ("", "Z", "-05:30", "+01", " AM", " p.m."):
            for hours in (
                ("0:59", "1:00"),
                ("11:59", "12:00"),
                ("12:59", "13:00"),
                ("23:58", "23:59"),
                ("24:00", "24:01"),
            ):
                found = clock_of(read, [f"{date}{hour}:30.5{zone}" for hour in hours])
                kept += found is not None
                if found is not None:
                    assert found.time.tolist() in ([0.0, 60.0], [0.0, 3660.0 - 3600.0])
    assert kept > 40
    for back in (3599.0, 3598.0, 3590.0, 3580.0, 3000.0, 3600.5):
        stamps = [7198.0, 7199.0, 7199.0 - back + 1.0, 7200.0 - back + 1.0]
        clock_of(read, [f"{int(s // 3600):02d}:{int(s % 3600 // 60):02d}:{s % 60:05.2f}" for s in stamps])


@pytest.mark.usefixtures("read_here")
def test_loggers_that_have_more_or_less_in_common(
    tmp_path: Path, rig_of: RigOf, sweep: Mapping[str, str]
) -> None:
    """From all of their times to none, of one length or another, with rows missing on the way: told from some
    share on, and straight lines nowhere over a gap."""
    import h5py

    time = 0.01 * np.arange(101)
    told = []
    for late in (0.0, 0.05, 0.06, 0.09, 0.11, 1.1, 7204.0, 7206.0):
        for longer in (1.0, 1.2):
            own = np.delete(time, slice(40, 46))[::2] * longer + late
            path = tmp_path / f"{late}-{longer}"
            with h5py.File(path, "w") as file:
                for group, side, at in (("A", "LH", time), ("B", "RH", own)):
                    file.create_dataset(f"{group}/time", data=at).attrs["units"] = "s"
                    file.create_dataset(f"{group}/Torque {side}", data=3.0 * at).attrs["units"] = "N.m"
            table, _ = read_raw(path, rig_of(sweep).file)
            told.append(bool(table.clocks_apart))
            values = next(column.values for column in table.columns if column.name == "Torque RH")
            there = np.isfinite(values)
            np.testing.assert_allclose(values[there], 3.0 * time[there], atol=1e-9)
    assert not told[0]
    assert told[-1]


Told = Callable[..., tuple[list[float], tuple[str, ...]] | list[tuple[int | None, str]]]


@pytest.fixture
def told(tmp_path: Path, rig_of: RigOf) -> Told:
    """What a clock without unit in its name gives: seconds and notes, or the faults, by line and words. By
    hand readings of a wrench stand beside it, else a sweep."""

    def reader(
        times: list[str], *, by_hand: bool = False, **clock: Any
    ) -> tuple[list[float], tuple[str, ...]] | list[tuple[int | None, str]]:
        path = tmp_path / "log.csv"
        names = ["W [N.m]"] if by_hand else ["M L [Nm]", "M R [Nm]", "n L [rpm]", "n R [rpm]"]
        cells = ["41"] if by_hand else ["1", "2", "300", "290"]
        lines = ["\t".join(["n", *names]), *("\t".join([text, *cells]) for text in times)]
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        channels = ["turning_torque"] if by_hand else [f"{s}_{w}" for w in ("torque", "speed") for s in SIDES]
        rig = rig_of(
            {"time": {"column": "n", **clock}, **dict(zip(channels, names, strict=True))},
            arrangement="output-turned-case-free" if by_hand else "both-outputs",
            file={"delimiter": "\t", "decimal": "."},
        )
        try:
            found = read_recording(path, rig, kind="turning-torque" if by_hand else "bias-sweep")
        except ReadingError as error:
            return [(fault.place.line, fault.what) for fault in error.faults]
        return found.time.tolist(), found.notes

    return reader


SIDES = ("left", "right")
SECONDS = ("The time has no unit and is taken as seconds.",)


def back(seconds: str, line: int, more: str = "") -> list[tuple[int | None, str]]:
    """The one fault of a time that goes back."""
    return [(line, f"the time goes back by {seconds} s{more}")]


@pytest.mark.parametrize(
    ("times", "clock", "expected"),
    [
        (["5", "5.5", "6"], {}, ([0.0, 0.5, 1.0], SECONDS)),  # twice a second is the slowest bench's
        (["0", "1e-5", "2e-5"], {}, ([0.0, 1e-5, 2e-5], SECONDS)),  # 100,000 times a second the fastest
        (["5", "5.25"], {}, ([0.0, 0.25], SECONDS)),
        (["5", "5.25", "5.75"], {"unit": "s"}, ([0.0, 0.25, 0.5 + 0.25], ())),
        (["5", "7", "13"], {"tick": "1 ms"}, ([0.0, 0.002, 0.008], ())),
        (["0", "1", "2"], {"unit": "h"}, ([0.0, 3600.0, 7200.0], ())),  # an hour from sample to sample
        (["3", "4", "5"], {"unit": "us"}, ([0.0, 1e-6, 2e-6], ())),
    ],
)
def test_numbers_of_a_clock_are_seconds_as_far_as_a_bench_s_steps_go(
    times: list[str], clock: dict[str, str], expected: tuple[list[float], tuple[str, ...]], told: Told
) -> None:
    seconds, notes = told(times, **clock)
    assert seconds == pytest.approx(expected[0], rel=1e-12, abs=0.0)
    assert notes == expected[1]


@pytest.mark.parametrize(
    ("times", "clock", "what"),
    [
        (
            ["0", "0.52", "1.04"],
            {},
            "the time has no unit, and its step of 0.52 would be no bench's if it were",
        ),
        (["0", "0.6"], {}, "the time has no unit, and its step of 0.6 would be no bench's if it were"),
        (
            ["0", "9e-6", "18e-6"],
            {},
            "the time has no unit, and its step of 9e-06 would be no bench's if it were",
        ),
        (["0", "1.1", "2.2"], {"unit": "h"}, "the time goes on by 3960 s from sample to sample, which is no"),
        (["0", "4000"], {"unit": "s"}, "the time goes on by 4000 s from sample to sample, which is no"),
        (["0", "1", "5001", "10001", "15001"], {"unit": "s"}, "the time goes on by 5000 s from sample to"),
        (["0", "5000", "10000", "10001"], {"unit": "s"}, "the time goes on by 5000 s from sample to"),
        (
            ["0", "5e-8", "1e-7"],
            {"unit": "s"},
            "the time goes on by 5e-08 s from sample to sample, which is no",
        ),
    ],
)
def test_steps_of_no_bench_are_refused_by_their_size(
    times: list[str], clock: dict[str, str], what: str, told: Told
) -> None:
    ((line, said),) = told(times, **clock)
    assert line is None
    assert said.startswith(what)


def test_a_clock_that_stands_still_is_told_so_whether_its_unit_is_known_or_not(told: Told) -> None:
    """A median step of nothing is no step of another unit."""
    for clock in ({}, {"unit": "s"}):
        said = told(["5", "5", "5", "6"], **clock)
        assert said == [(3, "the time is that of the line before (so too in line 4)")]


@pytest.mark.parametrize(
    ("lines", "more"),
    [
        ((4,), ""),
        ((4, 6), " (so too in line 6)"),
        ((4, 6, 9), " (so too in line 6, 9)"),
        ((4, 6, 9, 11), " (so too in line 6, 9, 11)"),
        ((4, 6, 9, 11, 14), " (so too in line 6, 9, 11 and 1 more)"),
        ((4, 6, 9, 11, 14, 16), " (so too in line 6, 9, 11 and 2 more)"),
    ],
)
def test_faulty_lines_of_a_clock_are_named_up_to_four_and_counted(
    lines: tuple[int, ...], more: str, told: Told
) -> None:
    """Line n holds second n, and line 1 the names; what is spoilt repeats the line before, or is a quarter of
    a second before it, or is no number, or is not there."""

    def spoilt(spoil: Callable[[int], str]) -> list[str]:
        return [spoil(n) if n in lines else f"{n}" for n in range(2, 20)]

    still = told(spoilt(lambda n: f"{n - 1}"), unit="s")
    assert still == [(4, f"the time is that of the line before{more}")]
    assert told(spoilt(lambda n: f"{n - 1.25}"), unit="s") == back("0.25", 4, more)
    count = f" and {len(lines) - 1} more" if len(lines) > 1 else ""
    assert told(spoilt(lambda n: "x"), unit="s") == [(4, f"'x' is no time{count}")]
    assert told(spoilt(lambda n: ""), unit="s") == [(4, f"the time is missing{count}")]
    assert told(spoilt(lambda n: "1e30"), unit="s") == [(4, f"'1e+30' is no time{count}")]
    assert told(spoilt(lambda n: "-1e30"), unit="s") == [(4, f"'-1e+30' is no time{count}")]


def test_one_line_of_two_that_goes_back_or_stands_still_is_enough(told: Told) -> None:
    assert told(["5", "4"], unit="s") == back("1", 3)
    assert told(["5", "5"], unit="s") == [(3, "the time is that of the line before")]
    assert told(["5", "6", "6", "4"], unit="s") == [
        *back("2", 5),
        (4, "the time is that of the line before"),
    ]


AGAIN = "The clock is a counter that begins again after {}."


@pytest.mark.parametrize(
    ("counts", "clock", "seconds", "note"),
    [
        # every size in which counters count, by two steps before and one behind its end
        *(
            ([size - 14, size - 7, 0, 7], {"tick": "1 s"}, [0, 7, 14, 21], f"{size:g}, once")
            for size in sorted([*(2**n for n in (8, 10, 12, 14, 15, 16, 20, 24, 31, 32)), 86_400])
        ),
        *(
            ([10**n - 4, 10**n - 2, 0, 2], {"tick": "1 s"}, [0, 2, 4, 6], f"{10.0**n:g}, once")
            for n in range(2, 10)
        ),
        # a day, at twenty samples a second: its steps are small, and steps all the same
        ([86_399.9, 86_399.95, 0.0, 0.05], {"unit": "s"}, [0.0, 0.05, 0.1, 0.15], "86400, once"),
        # up to three usual steps of ten are lost where it begins again
        ([970, 980, 990, 20, 30], {"tick": "1 s"}, [0, 10, 20, 50, 60], "1000, once"),
        # half a usual step beyond the size is still within it
        ([984, 994, 1004, 14, 24], {"tick": "1 s"}, [0, 10, 20, 30, 40], "1000, once"),
        ([500, 600, 1000, 300, 0, 700], {"tick": "1 s", "rolls_over": 1024},
         [0, 100, 500, 824, 1548, 2248], "1024, 2 times"),
        ([20, 990, 5], {"tick": "1 s", "rolls_over": 999}, [0, 970, 984], "999, once"),
    ],
)  # fmt: skip
def test_a_counter_goes_on_where_it_begins_again(
    counts: list[float], clock: dict[str, Any], seconds: list[float], note: str, told: Told
) -> None:
    found, notes = told([f"{count:.12g}" for count in counts], **clock)
    assert found == pytest.approx(seconds, abs=1e-9)
    assert notes == (AGAIN.format(note),)


@pytest.mark.parametrize(
    ("counts", "clock", "faults"),
    [
        # begins at no more than a step, so that it may be two recordings
        (["50", "100", "150", "200", "250", "44"], {"tick": "1 s"}, back("206", 7)),
        (["20", "70", "120", "170", "220", "14"], {"tick": "1 s"}, back("206", 7)),
        # no counter counts below nothing
        (["100", "150", "200", "250", "-1", "49"], {"tick": "1 s"}, back("251", 6)),
        # 31 counts behind the end of a thousand, where ten are usual and thirty may be lost
        (["970", "980", "990", "21", "31"], {"tick": "1 s"}, back("969", 5)),
        # beyond a thousand by half a step; 1024 would be 34 behind its end
        (["985", "995", "1005", "15", "25"], {"tick": "1 s"}, back("990", 5)),
        (["980", "990", "1000", "1010", "20", "30"], {"tick": "1 s"}, back("990", 6)),
        # with a stated size the same count again is no step forward
        (["980", "990", "1000", "0", "10"], {"tick": "1 s", "rolls_over": 1000}, back("1000", 5)),
        # nothing tells a usual step
        (["86399.9", "0"], {"unit": "s"}, back("86399.9", 3)),
        (["65535", "65535", "0"], {"tick": "1 s"},
         [*back("65535", 4), (3, "the time is that of the line before")]),
        # two lines of one count are no beginning again
        (["65530", "65535", "65535", "4", "9"], {"tick": "1 s"},
         [(4, "the time is that of the line before")]),
        (["65530", "65535", "65535", "65535", "65535", "4", "9"], {"tick": "1 s"},
         [(4, "the time is that of the line before (so too in line 5, 6)")]),
    ],
)  # fmt: skip
def test_counts_that_may_be_two_recordings_are_left_and_refused(
    counts: list[str], clock: dict[str, Any], faults: list[tuple[int | None, str]], told: Told
) -> None:
    assert told(counts, **clock) == faults


def test_readings_by_hand_may_share_a_minute_and_be_hours_apart(told: Told) -> None:
    assert told(["08:00", "08:00", "13:30"], by_hand=True) == ([0.0, 0.0, 19_800.0], ())
    assert told(["7.5"], by_hand=True) == ([0.0], SECONDS)
    assert told(["2026-10-25 07:30"], by_hand=True) == ([0.0], ())
    assert told(["08:00", "07:00", "07:00"], by_hand=True) == back("3600", 3)
    # summer time ends between readings of which two and two share their minute; ten minutes are usual
    seconds, notes = told(
        ["02:40:00", "02:50:00", "02:00:00", "02:00:00", "02:00:00.05", "02:10:00"], by_hand=True
    )
    assert seconds == pytest.approx([0.0, 600.0, 1200.0, 1200.0, 1200.05, 1800.0], abs=1e-9)
    assert notes == ("The clock repeats an hour from line 4 on, as where summer time ends: it goes on.",)
    # of minutes that repeat, the steps between others are the usual ones
    assert told(["02:59", "02:59", "02:59", "02:00", "02:01"], by_hand=True)[0] == [0, 0, 0, 60, 120]


@pytest.mark.parametrize(
    ("times", "seconds"),
    [
        (["02:59:59.90", "02:59:59.95", "02:00:00.00", "02:00:00.05"], [0.0, 0.05, 0.1, 0.15]),
        # up to ten usual steps are lost, and it is up to ten into the hour
        (["02:59:49", "02:59:50", "02:00:00", "02:00:01"], [0, 1, 11, 12]),
        (["02:59:38", "02:59:40", "02:00:00", "02:00:02"], [0, 2, 22, 24]),
        (["02:59:58", "03:00:00", "02:00:20", "02:00:22"], [0, 2, 22, 24]),
    ],
)
def test_an_hour_that_comes_again_goes_on(times: list[str], seconds: list[float], told: Told) -> None:
    found, (note,) = told(times)
    assert found == pytest.approx(seconds, abs=1e-9)
    assert note == "The clock repeats an hour from line 4 on, as where summer time ends: it goes on."


@pytest.mark.parametrize(
    ("times", "faults"),
    [
        (["02:59:48", "02:59:49", "02:00:00", "02:00:01"], back("3589", 4)),  # eleven steps lost
        (["02:59:37", "02:59:39", "02:00:00", "02:00:02"], back("3579", 4)),
        (["02:59:59", "03:00:01", "02:00:21", "02:00:23"], back("3580", 4)),  # 21 s into the hour
        (["02:59:59", "03:00:00", "02:00:00", "02:00:01"], back("3600", 4)),  # the same moment again
        (["03:01:40", "03:01:41", "02:00:01", "02:00:02"], back("3700", 4)),
        (["02:59:59.75", "02:00:00"], back("3599.75", 3)),  # nothing tells a usual step
        (["2026-10-25T02:59:58Z", "2026-10-25T02:59:59Z", "2026-10-25T02:00:00Z"], back("3599", 4)),
        # summer time does not end twice
        (["02:40", "02:50", "02:00", "02:10", "02:20", "02:30", "02:40", "02:50", "02:00"],
         back("3000", 4, " (so too in line 10)")),
        (["13:00:00", "01:00:00"], back("43200", 3)),  # half a day back is no midnight
    ],
)  # fmt: skip
def test_no_other_hour_comes_again(
    times: list[str], faults: list[tuple[int | None, str]], told: Told
) -> None:
    assert told(times) == faults


@pytest.mark.parametrize(
    ("times", "seconds"),
    [
        # over midnight, eleven hours and a half later: 12½ back on the clock
        (["13:00:00", "00:30:00", "00:45:00", "01:00:00"], [0, 41_400, 42_300, 43_200]),
        (["1:00:00 AM", "1:05:07 AM"], [0, 307]),
        (["11/1/2026 11:59:59 AM", "11/1/2026 12:00:00 PM", "11/1/2026 1:00:00 PM"], [0, 1, 3601]),
        (["11/1/2026 12:59:59 AM", "11/1/2026 1:00:00 AM"], [0, 1]),
        # days apart tell which of two numbers is the day: month in front with AM and PM, or beyond twelve
        (["3/4/2026 11:59:59 PM", "3/5/2026 12:00:00 AM"], [0, 1]),
        (["13/4/2026 11:59:59 AM", "13/4/2026 12:00:00 PM"], [0, 1]),
        (["1/12/2026 23:59:59", "2/12/2026 00:00:00"], [0, 1]),
        (["4/13/2026 10:00:00", "4/13/2026 10:00:01"], [0, 1]),
        (["30/4/2026 23:59:59", "1/5/2026 00:00:00"], [0, 1]),
        # zones: the same moment is 10:00 in one and 04:30 or 01:00 in others
        (["2026-04-14T10:00:00+05:30", "2026-04-14T04:30:01Z", "2026-04-14T01:00:02-0330",
          "2026-04-14T05:30:03+01", "2026-04-14T04:30:04 Z"], [0, 1, 2, 3, 4]),
        # a leap second is one second long, however many samples it has
        (["23:59:59.5", "23:59:60.0", "23:59:60.5", "00:00:00.0"], [0, 0.5, 1, 1.5]),
    ],
)  # fmt: skip
def test_moments_are_as_far_apart_as_the_calendar_says(
    times: list[str], seconds: list[float], told: Told
) -> None:
    found, notes = told(times)
    assert found == pytest.approx(seconds, abs=1e-9)
    assert notes == ()


@pytest.mark.parametrize(
    ("times", "faults"),
    [
        (["10:00:00", "10:00:0x", "24:00:00", ""], [(3, "'10:00:0x' is no time and 2 more")]),
        (["10:00:00", "", "10:00:02"], [(3, "the time is missing")]),
        (["30.2.2026 10:00:00", "2.3.2026 10:00:01"], [(2, "'30.2.2026 10:00:00' is no time")]),
        (["4/13/2026 10:00:00", "x", "4/13/2026 10:00:01"], [(3, "'x' is no time")]),
        (["0:30:00 AM", "0:30:01 AM"], [(2, "'0:30:00 AM' is no time and 1 more")]),
        (["2026-04-14T10:00:00Z", "2026-04-14T10:00:01", "2026-04-14T10:00:02Z"],
         [(3, "some times have a zone and some have none")]),
        (["2026-04-14T10:00:00", "2026-04-14T10:00:01", "2026-04-14T10:00:02Z"],
         [(4, "some times have a zone and some have none")]),
    ],
)  # fmt: skip
def test_a_moment_that_is_none_is_told_with_its_line(
    times: list[str], faults: list[tuple[int | None, str]], told: Told
) -> None:
    assert told(times) == faults
