"""What the parent of a reader in a process apart makes of its end, and what passes between them."""

from __future__ import annotations

import errno
import json
import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from pyarrow import feather, parquet

from diffbench.documents import FileSettings
from diffbench.errors import ReadingError
from diffbench.readers import Asked, RawTable, child, read_raw
from diffbench.readers.child import Folder, groups_by_child, text_by_child
from diffbench.readers.on_demand import LateColumn, OnDemand, Stored
from diffbench.readers.protocol import RawColumn

NAN = float("nan")
End = Callable[[list[str], dict[str, Any]], subprocess.CompletedProcess[bytes]]


def ended(path: Path, end: End, monkeypatch: pytest.MonkeyPatch) -> tuple[str, str]:
    """What a file is refused with, where its child ends so: words and mend."""
    monkeypatch.setattr(child, "run", lambda command, **options: end(command, options))
    with pytest.raises(ReadingError) as caught, groups_by_child(path, "HDF5", "some.module"):
        pass
    (fault,) = caught.value.faults
    assert fault.place.file == str(path)
    return fault.what, fault.mend


@pytest.fixture
def large(tmp_path: Path) -> Path:
    """A file of twelve million bytes, none of which takes room."""
    path = tmp_path / "log"
    with path.open("wb") as file:
        file.truncate(12_000_000)
    return path


def test_a_child_is_given_time_by_the_size_of_its_file_and_more_by_the_clock(
    large: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Eight seconds to load a library, one for each four million bytes; ten times that in real time."""
    seen: list[tuple[list[str], dict[str, Any]]] = []

    def end(command: list[str], options: dict[str, Any]) -> subprocess.CompletedProcess[bytes]:
        seen.append((command, options))
        return subprocess.CompletedProcess(command, 3)

    assert ended(large, end, monkeypatch)[0].endswith("its library breaks down over it (status 3)")
    ((command, options),) = seen
    assert command[:6] == [sys.executable, "-P", "-m", "diffbench.readers.child", "some.module", str(large)]
    assert command[7:] == ["11", "null", "null"]
    assert not Path(command[6]).exists()  # the folder that it wrote to
    assert options["timeout"] == 110
    assert options["env"]["OMP_NUM_THREADS"] == "1"
    large.write_bytes(b"few")
    seen.clear()
    ended(large, end, monkeypatch)
    assert (seen[0][0][7], seen[0][1]["timeout"]) == ("8", 80)


def late(command: list[str], options: dict[str, Any]) -> subprocess.CompletedProcess[bytes]:
    """Not within its patience."""
    raise subprocess.TimeoutExpired(command, options["timeout"])


def of_status(status: int, told: str | None = None) -> End:
    """With a status, perhaps after it has told something."""

    def end(command: list[str], _: dict[str, Any]) -> subprocess.CompletedProcess[bytes]:
        if told is not None:
            (Path(command[6]) / "told.json").write_text(told, encoding="utf-8")
        return subprocess.CompletedProcess(command, status)

    return end


ANEW = "copy it from the bench again, or export it anew, perhaps as text"


@pytest.mark.parametrize(
    ("end", "said"),
    [
        (late, "its library finds no end"),
        (of_status(-signal.SIGXCPU), "its library finds no end within 11 s"),
        (of_status(-signal.SIGSEGV), f"its library breaks down over it (status {-signal.SIGSEGV})"),
        (of_status(1, "{}"), "its library breaks down over it (status 1)"),
        (of_status(0), "its library breaks down over it (status 0)"),
        (of_status(2), "its library breaks down over it (status 2)"),
    ],
)
def test_a_child_that_ends_otherwise_than_it_should_is_a_damaged_file(
    end: End, said: str, large: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    what, mend = ended(large, end, monkeypatch)
    assert what == f"the file is damaged, or no HDF5 that can be read: {said}"
    assert mend == ANEW


def test_a_child_without_room_and_one_that_refuses_are_told_as_such(
    large: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert ended(large, of_status(4), monkeypatch) == (
        f"what is read of it finds no room in the folder for passing files, {tempfile.gettempdir()}",
        "make room there, or name another folder by the environment's TMPDIR",
    )
    fault = {"what": "wrong", "mend": "mend it", "line": 7, "column": "M", "key": "file.group"}
    monkeypatch.setattr(child, "run", lambda command, **_: refuse(command, {}))
    refuse = of_status(2, json.dumps({"faults": [fault, fault | {"what": "wrong too", "line": None}]}))
    with pytest.raises(ReadingError) as caught, groups_by_child(large, "HDF5", "some.module"):
        pass
    place = [(one.place.file, one.place.line, one.place.column, one.place.key) for one in caught.value.faults]
    assert place == [(str(large), 7, "M", "file.group"), (str(large), None, "M", "file.group")]
    assert [(one.what, one.mend) for one in caught.value.faults] == [
        ("wrong", "mend it"),
        ("wrong too", "mend it"),
    ]


MODULE = """
import errno
from pathlib import Path
import numpy as np
from diffbench.errors import ReadingError
from diffbench.readers.on_demand import LateGroup, OnDemand
from diffbench.readers.protocol import RawColumn

BARRED = ("a_module_that_nobody_has",)


def read_groups(path, folder):
    if path.stat().st_size == 3:
        raise ReadingError.single("three bytes", file=str(path), line=2, column="M", key="k", mend="add one")
    if path.stat().st_size == 4:
        raise OSError(errno.ENOSPC, "full")
    at = np.array([0.0, 0.5, 2.0])
    own = RawColumn("t", "s", at)
    words = RawColumn("Case", None, np.array(["a", "", "é"], dtype=object))
    late = OnDemand(3, lambda first, last: 4.0 * at[first:last])
    groups = [
        LateGroup("own", (words, own), at, own),
        LateGroup("named", (RawColumn("M", "N.m", at + 3.0),), folder.keep(late), "time"),
        LateGroup("none", (words,), None),
    ]
    folder.chosen.takes("left", of=5000)
    return groups, ["a note"]


def write_text(path, copy, stated):
    copy.write_text(f"{path.read_text()} {stated['word']}")
    return {"said": "so"}
"""


@pytest.fixture
def module(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """A reader of our own, whose library is none."""
    (tmp_path / "reader_of_bytes.py").write_text(MODULE, encoding="utf-8")
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.setitem(sys.modules, "a_module_that_nobody_has", None)
    return "reader_of_bytes"


@pytest.mark.usefixtures("read_here")
def test_groups_come_back_as_they_were_read(module: str, tmp_path: Path) -> None:
    """Numbers, words, clocks of their own, by name and none, notes, and what was left out."""
    path = tmp_path / "log"
    path.write_bytes(b"bytes")
    asked = Asked.of([("M", "torque")])
    with groups_by_child(path, "bytes", module, asked) as (groups, notes, left_out):
        assert (notes, left_out) == (["a note"], ("left",))
        assert [(group.name, len(group)) for group in groups] == [("own", 3), ("named", 3), ("none", 3)]
        parts = [group.part(1, 3) for group in groups]
        tables = [
            [(column.name, column.unit, column.values.tolist()) for column in part.table] for part in parts
        ]
        assert tables == [
            [("Case", None, ["", "é"]), ("t", "s", [0.5, 2.0])],
            [("time", "s", [2.0, 8.0]), ("M", "N.m", [3.5, 5.0])],
            [("Case", None, ["", "é"])],
        ]
        assert [[column.name for column in part.channels] for part in parts] == [["Case"], ["M"], ["Case"]]
    with groups_by_child(path, "bytes", module) as (_, _, left_out):
        assert left_out == ()


@pytest.mark.usefixtures("read_here")
def test_a_refusal_and_a_full_disk_come_back_as_what_they_are(module: str, tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_bytes(b"123")
    with pytest.raises(ReadingError) as caught, groups_by_child(path, "bytes", module):
        pass
    (fault,) = caught.value.faults
    assert (fault.what, fault.mend) == ("three bytes", "add one")
    place = fault.place
    assert (place.file, place.line, place.column, place.key) == (str(path), 2, "M", "k")
    path.write_bytes(b"text")
    with text_by_child(path, "bytes", module, {"word": "and more"}) as (copy, said):
        assert copy.read_text(encoding="utf-8") == "text and more"
        assert said == {"said": "so"}


LIMITS = """
import resource
from diffbench.readers.on_demand import LateGroup


def read_groups(path, folder):
    kinds = (resource.RLIMIT_CPU, resource.RLIMIT_DATA, resource.RLIMIT_CORE)
    return [], [str(resource.getrlimit(kind)) for kind in kinds]
"""


def test_a_child_keeps_within_its_limits_of_time_and_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Eight seconds of the processor and one more to end in, a gibibyte, no image of a crash. Large blocks of
    memory, of 64 MiB and of 128, are kept for the next use."""
    (tmp_path / "reader_of_limits.py").write_text(LIMITS, encoding="utf-8")
    root = str(Path(child.__file__).parents[2])
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(tmp_path), root]))
    path = tmp_path / "log"
    path.write_bytes(b"bytes")
    with groups_by_child(path, "bytes", "reader_of_limits") as (groups, notes, _):
        assert (groups, notes) == ([], [str((8, 9)), str((1024**3, 1024**3)), str((0, 0))])
    seen: dict[str, str] = {}

    def end(command: list[str], options: dict[str, Any]) -> subprocess.CompletedProcess[bytes]:
        seen.update(options["env"])
        return subprocess.CompletedProcess(command, 3)

    ended(path, end, monkeypatch)
    assert seen["MALLOC_MMAP_THRESHOLD_"] == str(64 * 1024**2)
    assert seen["MALLOC_TRIM_THRESHOLD_"] == str(128 * 1024**2)
    assert seen["OPENBLAS_NUM_THREADS"] == "1"


def test_a_disk_that_fills_while_it_is_written_to_is_no_fault_of_the_file(tmp_path: Path) -> None:
    """Any other error of the system stays what it is."""

    def spoilt(number: int) -> OnDemand:
        def read(first: int, last: int) -> Any:
            raise OSError(number, os.strerror(number))

        return OnDemand(3, read)

    def texts(late: OnDemand) -> object:
        return Folder(tmp_path).keep_texts(late[at : at + 1] for at in range(3))

    for keep in (Folder(tmp_path).keep, texts):
        with pytest.raises(OSError, match=os.strerror(errno.EIO)):
            keep(spoilt(errno.EIO))
        with pytest.raises(Exception) as caught:  # noqa: PT011
            keep(spoilt(errno.ENOSPC))
        assert not isinstance(caught.value, OSError)


def test_what_is_put_aside_once_is_not_put_aside_again(tmp_path: Path) -> None:
    folder = Folder(tmp_path)
    kept = folder.keep(np.array([3.0, 5.0]))
    assert isinstance(kept, Stored)
    assert folder.keep(kept) is kept
    words = folder.keep_texts([np.array(["a", "bc"], dtype=object)])
    again = folder.keep(np.array([7.0]))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["1.f8", "2", "2.npy", "3.f8"]
    assert (kept[:].tolist(), words[:].tolist(), again[:].tolist()) == ([3.0, 5.0], ["a", "bc"], [7.0])
    assert LateColumn("Case", None, words).part(0, 1).values.tolist() == ["a"]
    assert RawColumn("Case", None, words[:]).is_text


# Parquet and Feather, column by column


def table_of(path: Path) -> RawTable:
    """All columns."""
    return read_raw(path, FileSettings())[0]


COLUMNS = {
    "t": pa.array([1_000, 1_250, None], pa.timestamp("ms")),
    "lap": pa.array([0, 1_500_000, 2], pa.duration("us")),
    "day": pa.array([20_000, 20_001, None], pa.date32()),
    "at": pa.array([500, 1_500, None], pa.time32("ms")),
    "i": pa.array([3, None, 7], pa.int16()),
    "M": pa.array([1.5, None, 2.5], pa.float32()),
    "on": pa.array([True, None, False]),
    "d": pa.array([None, None, None], pa.decimal128(5, 2)),
    "none": pa.nulls(3),
    "case": pa.array(["held", None, "é"]),
    "long": pa.array(["held", "", None], pa.large_string()),
    "set": pa.array(["a", "b", "a"]).dictionary_encode(),
}
VALUES = {
    "t": [0.0, 0.25, NAN],
    "lap": [0.0, 1.5, 2e-6],
    "day": [0.0, 86_400.0, NAN],
    "at": [0.5, 1.5, NAN],
    "i": [3.0, NAN, 7.0],
    "M": [1.5, NAN, 2.5],
    "on": [1.0, NAN, 0.0],
    "d": [NAN] * 3,
    "none": [NAN] * 3,
    "case": ["held", "", "é"],
    "long": ["held", "", ""],
    "set": ["a", "b", "a"],
}


def put(path: Path, table: pa.Table, form: str) -> None:
    """Write a table as Parquet or as Feather of some batches."""
    if form == "parquet":
        parquet.write_table(table, path)
    else:
        feather.write_feather(table, str(path), chunksize=2)


@pytest.mark.usefixtures("read_here")
@pytest.mark.parametrize("form", ["parquet", "feather"])
def test_every_type_that_a_channel_has_is_read_and_others_are_named(form: str, tmp_path: Path) -> None:
    path = tmp_path / "log"
    told = {"M": {b"units": b"N.m"}, "i": {b"unit": b"N.m"}}
    fields = [pa.field(name, array.type, metadata=told.get(name)) for name, array in COLUMNS.items()]
    table = pa.table([*COLUMNS.values()], schema=pa.schema(fields))
    table = table.append_column("list", pa.array([[1], [2], [3]]))
    put(path, table, form)
    found = table_of(path)
    assert [column.name for column in found.columns] == [*VALUES]
    units = {column.name: column.unit for column in found.columns if column.unit is not None}
    assert units == {"t": "s", "lap": "s", "day": "s", "at": "s", "i": "N.m", "M": "N.m"}
    for column in found.columns:
        wanted = VALUES[column.name]
        if isinstance(wanted[0], str):
            assert column.values.tolist() == wanted
        else:
            np.testing.assert_allclose(column.values, np.array(wanted), rtol=1e-12)
    (note,) = found.notes
    assert note.startswith("Column 'list' is left out: it is of type list<")
    assert found.rows.tolist() == [1, 2, 3]


@pytest.mark.usefixtures("read_here")
@pytest.mark.parametrize("form", ["parquet", "feather"])
def test_names_that_come_twice_and_tables_of_nothing(form: str, tmp_path: Path) -> None:
    path = tmp_path / "log"
    twice = pa.table([pa.array([1.5, 2.5]), pa.array(["a", "b"])], names=["M", "M"])
    if form == "parquet":
        put(path, twice, form)
        assert [column.values.tolist() for column in table_of(path).columns] == [[1.5, 2.5], ["a", "b"]]
    put(path, pa.table({"list": pa.array([[1], [2]])}), form)
    with pytest.raises(ReadingError) as caught:
        table_of(path)
    assert [(one.what, one.mend) for one in caught.value.faults] == [
        (
            "the file holds no columns of numbers or texts",
            "write one column a channel, one row a sample",
        )
    ]


def test_feather_of_the_first_version_is_called_so(tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_bytes(b"FEA1" + bytes(60))
    with pytest.raises(ReadingError) as caught:
        table_of(path)
    assert caught.value.faults[0].what == (
        "the file is of Feather's first version, which libraries have given up"
    )
    assert caught.value.faults[0].mend == "write it as Parquet, or as Feather version 2"
