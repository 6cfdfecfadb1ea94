"""A recording read in parts is the recording read whole: in every format, wherever it is cut."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import diffbench.readers.on_demand as on_demand_module
from diffbench.errors import ReadingError
from diffbench.readers import TextReader, read_parts, read_recording
from diffbench.readers.on_demand import (
    LateColumn,
    LateGroup,
    OnDemand,
    Stored,
    alike,
    even_parts,
    in_pieces,
    rises,
    store,
    store_texts,
)
from diffbench.readers.protocol import RawColumn, RawTable

ROWS = 47
STEP = 0.01


def sweep_columns(sweep, **changed):
    """Columns of an invented sweep with a gap in the time, missing cells and words beside the numbers."""
    rng = np.random.default_rng(7)
    time = STEP * np.arange(ROWS) + np.where(np.arange(ROWS) > 30, 0.5, 0.0)
    values = {"time": time, **{name: rng.normal(50.0, 9.0, ROWS) for name in sweep if name != "time"}}
    values["left_torque"][[3, 24]] = np.nan
    found = {sweep[name]: values[name].tolist() for name in sweep}
    return {**found, "Case, as set": ["held", "free"] * (ROWS // 2) + ["held"], **changed}


def joined(parts):
    """Time, channels and rows of all parts."""
    return (
        np.concatenate([part.time for part in parts]),
        {name: np.concatenate([part.channels[name] for part in parts]) for name in parts[0].channels},
        np.concatenate([part.rows for part in parts]),
    )


@pytest.mark.usefixtures("read_here")
def test_parts_of_every_format_are_the_whole(file_format, tmp_path, rig_of, sweep):
    """Bit for bit, and their times go on; workbooks alone are read whole, as they are small."""
    path = tmp_path / "recording.dat"
    file_format.write(path, sweep_columns(sweep))
    rig = rig_of(sweep)
    whole = read_recording(path, rig, kind="bias-sweep")
    parts = list(read_parts(path, rig, kind="bias-sweep", rows=10))
    assert len(parts) == (1 if file_format.name.startswith("xls") else 5)
    assert min(len(part) for part in parts) >= 3
    time, channels, rows = joined(parts)
    np.testing.assert_allclose(time, whole.time, rtol=0.0, atol=1e-15 * ROWS)
    np.testing.assert_array_equal(rows, whole.rows)
    for name, values in whole.channels.items():
        np.testing.assert_array_equal(channels[name], values)
    assert all(part.source.sha256 == whole.source.sha256 for part in parts)
    assert {note for part in parts for note in part.notes} == set(whole.notes)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
@given(rows=st.integers(4, 60), block=st.integers(400, 4000), at_once=st.integers(1, 4000))
def test_text_may_be_cut_anywhere(rows, block, at_once, tmp_path, rig_of, sweep, monkeypatch):
    """Whatever the parts, the blocks that are read and those that are parsed together."""
    from diffbench.readers import registry

    path, rig = tmp_path / "sweep.csv", rig_of(sweep)
    if not path.exists():
        lines = [",".join(sweep.values())]
        lines += [f"{STEP * i:.2f},{i},{'' if i % 9 == 4 else -i},570.5,{560 + i}" for i in range(ROWS)]
        lines[20:20] = ["# the operator's note"]
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    whole = read_recording(path, rig, kind="bias-sweep")
    monkeypatch.setattr(registry, "READERS", (TextReader(block_size=block, at_once=at_once),))
    parts = list(read_parts(path, rig, kind="bias-sweep", rows=rows))
    monkeypatch.undo()
    time, channels, lines_read = joined(parts)
    np.testing.assert_allclose(time, whole.time, rtol=0.0, atol=1e-14)
    np.testing.assert_array_equal(lines_read, whole.rows)
    for name, values in whole.channels.items():
        np.testing.assert_array_equal(channels[name], values)
    assert {note for part in parts for note in part.notes} == set(whole.notes)
    assert all(rows // 4 <= len(part) <= rows + rows // 4 for part in parts)


@pytest.mark.parametrize(
    "stamp",
    [
        lambda i: (
            f"{(23 * 3600 + 59 * 60 + 59 + STEP * i) % 86400 // 3600:02.0f}:"
            f"{(59 * 60 + 59 + STEP * i) % 3600 // 60:02.0f}:{(59 + STEP * i) % 60:05.2f}"
        ),
        lambda i: f"2026-04-14T13:{(5 + i // 6000):02d}:{(STEP * i) % 60:05.2f}",
    ],
    ids=["clock over midnight", "ISO 8601"],
)
def test_clock_times_go_on_from_part_to_part(stamp, tmp_path, rig_of, sweep):
    rows = 400
    lines = [",".join(sweep.values()), *(f"{stamp(i)},{i},1,2,3" for i in range(rows))]
    path = tmp_path / "sweep.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    time, _, _ = joined(list(read_parts(path, rig_of(sweep), kind="tare", rows=30)))
    np.testing.assert_allclose(time, STEP * np.arange(rows), atol=1e-9)


def test_a_stated_sample_rate_goes_on(tmp_path, rig_of, sweep):
    channels = {name: column for name, column in sweep.items() if name != "time"}
    path = tmp_path / "sweep.csv"
    path.write_text(
        "\n".join([",".join(channels.values()), *(f"{i},1,2,3" for i in range(100))]), encoding="utf-8"
    )
    rig = rig_of(channels, file={"sample_rate": "50 Hz"})
    time, _, _ = joined(list(read_parts(path, rig, kind="tare", rows=20)))
    np.testing.assert_allclose(time, np.arange(100) / 50.0, atol=1e-12)


def refusal(path, rig, rows=20):
    with pytest.raises(ReadingError) as caught:
        list(read_parts(path, rig, kind="tare", rows=rows))
    return [(fault.place.line, fault.what) for fault in caught.value.faults]


def test_faults_of_later_parts_have_their_own_lines(tmp_path, rig_of, sweep):
    """Every faulty line of the file is told, and a time that goes back where two parts meet."""
    rows = [f"{STEP * i:.2f},{i},1,2,3" for i in range(100)]
    head, path, rig = ",".join(sweep.values()), tmp_path / "sweep.csv", rig_of(sweep)
    short = [*rows[:50], "0.5,1", *rows[51:90], "0.9,1,2", *rows[91:]]
    path.write_text("\n".join([head, *short]), encoding="utf-8")
    assert [line for line, _ in refusal(path, rig)] == [52, 92]
    words = [*rows[:70], "0.70,closed,1,2,3", *rows[71:]]
    path.write_text("\n".join([head, *words]), encoding="utf-8")
    assert refusal(path, rig) == [(72, "'closed' is no number, and left_torque holds numbers")]
    back = [*rows[:20], *(f"{STEP * (i - 5):.2f},{i},1,2,3" for i in range(20, 100))]
    path.write_text("\n".join([head, *back]), encoding="utf-8")
    ((line, what),) = refusal(path, rig)
    assert line == 22
    assert what.startswith("the time goes back by 0.04 s")


def test_a_channel_may_be_empty_for_a_part_but_not_throughout(tmp_path, rig_of, sweep):
    def write(name, empty):
        path = tmp_path / name
        lines = [f"{STEP * i:.2f},{'' if empty(i) else i},1,2,3" for i in range(100)]
        path.write_text("\n".join([",".join(sweep.values()), *lines]), encoding="utf-8")
        return path

    rig = rig_of(sweep)
    for name, empty in (("first", lambda i: i < 25), ("last", lambda i: i > 60)):
        _, channels, _ = joined(list(read_parts(write(name, empty), rig, kind="tare", rows=20)))
        assert int(np.isnan(channels["left_torque"]).sum()) == sum(map(empty, range(100)))
    assert refusal(write("all", lambda _: True), rig) == [(None, "left_torque has no number in any line")]


@given(total=st.integers(1, 10_000), rows=st.integers(1, 3000))
def test_even_parts_cover_all_rows_and_none_is_small(total, rows):
    parts = even_parts(total, rows)
    assert parts[0][0] == 0
    assert parts[-1][1] == total
    assert all(one[1] == other[0] for one, other in pairwise(parts))
    sizes = [last - first for first, last in parts]
    assert max(sizes) <= max(rows + rows // 4, 1)
    assert len(parts) == 1 or min(sizes) >= rows // 2


@pytest.mark.parametrize("block", [1, 2, 3, 100])
def test_numbers_on_demand_are_judged_over_the_edges_of_blocks(block, tmp_path, monkeypatch):
    monkeypatch.setattr(on_demand_module, "AT_ONCE", block)
    rising = np.array([0.0, 0.5, 2.0, 3.0, 7.0, 7.5])
    kept = store(in_pieces(rising), tmp_path / "kept")
    assert isinstance(kept, Stored)
    np.testing.assert_array_equal(np.fromfile(tmp_path / "kept", dtype="<f8"), rising)
    np.testing.assert_array_equal(kept[1:4], rising[1:4])
    np.testing.assert_array_equal(kept.times(2.0)[:], 2.0 * rising)
    assert alike(kept, rising)
    assert not alike(kept, rising[:-1])
    for place in range(1, 6):
        still = rising.copy()
        still[place] = still[place - 1]
        assert rises(kept)
        assert not rises(still)
        assert not alike(kept, still)
        still[place] = np.nan
        assert not rises(OnDemand(6, lambda first, last, values=still: values[first:last]))


def test_channels_with_clocks_of_their_own_are_read_whole(tmp_path, rig_of, sweep):
    """Two groups of one HDF5 file: the slow one is read at the times of the fast one, which takes both."""
    import h5py

    channels = {**sweep, "oil_temperature": "Oil [degC]"}
    with h5py.File(tmp_path / "log.h5", "w", track_order=True) as file:
        for name, column in sweep.items():
            values = STEP * np.arange(100) if name == "time" else np.arange(100.0)
            file[f"fast/{column.replace('/', chr(0x2215))}"] = values
        file["slow/t"] = 0.1 * np.arange(11)
        file["slow/t"].attrs["units"] = "s"
        file["slow/Oil [degC]"] = 60.0 + np.arange(11)
    rig = rig_of({name: column.replace("/", chr(0x2215)) for name, column in channels.items()})
    (part,) = read_parts(tmp_path / "log.h5", rig, kind="tare", rows=20)
    np.testing.assert_allclose(part.channels["oil_temperature"], 60.0 + 0.1 * np.arange(100), atol=1e-9)


def test_a_small_file_that_says_it_is_vast_is_refused_before_anything_is_written(tmp_path, rig_of, sweep):
    """A dataset of 400 million values that was never filled takes some kilobytes; read in parts, it would
    fill gigabytes of the temporary folder."""
    import h5py

    path = tmp_path / "vast.h5"
    with h5py.File(path, "w") as file:
        file.create_dataset("Torque LH [Nm]", shape=(400_000_000,), dtype="f8", chunks=(1 << 20,))
    assert path.stat().st_size < 100_000
    ((line, what),) = refusal(path, rig_of(sweep))
    assert line is None
    assert what.startswith("the table has 400,000,000 values, and at most 50,000,000 are read")


@pytest.mark.usefixtures("read_here")
def test_a_channel_without_any_number_is_refused_with_the_last_part(file_format, tmp_path, rig_of, sweep):
    """Until then another part might have some: in every format."""
    path = tmp_path / "recording.dat"
    columns = sweep_columns(sweep)
    file_format.write(path, {**columns, sweep["left_torque"]: [float("nan")] * ROWS})
    found = []
    with pytest.raises(ReadingError, match="left_torque has no number in any line"):
        found.extend(read_parts(path, rig_of(sweep), kind="bias-sweep", rows=10))
    assert len(found) == (0 if file_format.name.startswith("xls") else 4)


@pytest.mark.parametrize(
    ("total", "rows", "parts"),
    [
        (10, 8, [(0, 10)]),
        (11, 8, [(0, 6), (6, 11)]),  # beyond five quarters of eight; halves are rounded to even numbers
        (16, 8, [(0, 8), (8, 16)]),
        (17, 8, [(0, 6), (6, 11), (11, 17)]),
        (5, 4, [(0, 5)]),
        (6, 4, [(0, 3), (3, 6)]),
        (9, 7, [(0, 4), (4, 9)]),  # a quarter of seven is one row, whole
        (8, 7, [(0, 8)]),
        (1, 1, [(0, 1)]),
        (3, 1, [(0, 1), (1, 2), (2, 3)]),
        (0, 5, [(0, 0)]),
        (7, None, [(0, 7)]),
    ],
)
def test_parts_are_even_and_none_is_longer_than_five_quarters(total, rows, parts):
    assert even_parts(total, rows) == parts


def test_texts_on_demand_are_those_that_were_stored(tmp_path):
    """Letters of one, two and three bytes, and empty ones; any slice of them."""
    words = ["held", "", "frei é", "€", "", "x"]
    pieces = [np.array(words[:2], dtype=object), np.array(words[2:], dtype=object)]
    kept = store_texts(pieces, tmp_path / "kept")
    assert len(kept) == 6
    assert (tmp_path / "kept").read_bytes() == "".join(words).encode()
    for first in range(7):
        for last in range(7):
            assert kept[first:last].tolist() == words[first:last]
    assert store_texts([], tmp_path / "none")[:].tolist() == []


def test_a_late_group_gives_its_rows_with_its_clock(tmp_path):
    """The clock may be a channel of its own, a name that the file has no channel of, or none."""
    words = store_texts([np.array(["a", "b", "c", "d"], dtype=object)], tmp_path / "words")
    numbers = store([np.array([3.0, 5.0, 6.0, 4.0])], tmp_path / "numbers")
    time = np.array([0.0, 0.5, 1.0, 2.0])
    case = LateColumn("Case", None, words)
    torque = LateColumn("M", "N.m", numbers)
    clock = LateColumn("t", "s", OnDemand(4, lambda first, last: time[first:last]))
    assert (case.is_text, torque.is_text) == (True, False)
    own = LateGroup("A", (case, torque, clock), time, clock)
    named = LateGroup("A", (case, torque), time, "time")
    none = LateGroup("A", (case, torque), None)
    for group, table, channels in (
        (own, ["Case", "M", "t"], ["Case", "M"]),
        (named, ["time", "Case", "M"], ["Case", "M"]),
        (none, ["Case", "M"], ["Case", "M"]),
    ):
        assert len(group) == 4
        part = group.part(1, 3)
        assert (part.name, len(part)) == ("A", 2)
        assert [column.name for column in part.table] == table
        assert [column.name for column in part.channels] == channels
        found = {column.name: column.values.tolist() for column in part.table}
        assert (found["Case"], found["M"]) == (["b", "c"], [5.0, 6.0])
        assert found.get("t", found.get("time")) == (None if group is none else [0.5, 1.0])
        assert {column.name: column.unit for column in part.table}["M"] == "N.m"
    assert OnDemand(4, lambda first, last: time[first:last]).times(4.0)[1:4].tolist() == [2.0, 4.0, 8.0]


def test_a_row_stands_before_those_of_the_next_part():
    """Its odd cells are none of theirs; texts as well as numbers."""
    table = RawTable(
        (
            RawColumn("M", "N.m", np.array([3.0, np.nan]), {1: "x"}, 1),
            RawColumn("Case", None, np.array(["a", "b"], dtype=object)),
        ),
        np.array([7, 8]),
    )
    row = table.last_row()
    assert (row.rows.tolist(), row.columns[1].values.tolist()) == ([8], ["b"])
    before = RawTable(
        (RawColumn("M", "N.m", np.array([9.0])), RawColumn("Case", None, np.array(["c"], dtype=object))),
        np.array([6]),
    )
    longer = table.behind(before)
    assert longer.rows.tolist() == [6, 7, 8]
    assert longer.columns[0].values.tolist()[:2] == [9.0, 3.0]
    assert (longer.columns[0].odd, longer.columns[0].odd_count) == ({2: "x"}, 1)
    assert longer.columns[1].values.tolist() == ["c", "a", "b"]
    assert [column.name for column in table.only({"Case"}).columns] == ["Case"]
    assert table.columns[1].part(1, 2).values.tolist() == ["b"]


@pytest.mark.parametrize("rows", [20, 40])
def test_no_part_keeps_much_more_in_memory_than_its_own_numbers(rows, tmp_path, rig_of, sweep):
    """A hundred rows are parsed at once; each part has no more than twice its own behind it, whether a
    channel is as the file has it (torques) or was converted (speeds)."""
    path = tmp_path / "sweep.csv"
    lines = [f"{STEP * i:.2f},{i}.5,{2 * i},300,290" for i in range(100)]
    path.write_text("\n".join([",".join(sweep.values()), *lines]) + "\n", encoding="utf-8")
    parts = list(read_parts(path, rig_of(sweep), kind="tare", rows=rows))
    assert len(parts) > 1
    for part in parts[:-1]:
        for values in part.channels.values():
            assert values.base is None or values.base.nbytes <= 2 * values.nbytes
