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


@pytest.mark.usefixtures("many_read_apart")
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
