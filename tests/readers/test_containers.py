"""Files that hold a recording in another dress: arrays, archives, workbooks, HDF5; read to the last cell."""

from __future__ import annotations

import bz2
import datetime as dt
import gzip
import lzma
import zipfile
from collections.abc import Sequence
from pathlib import Path

import h5py
import nptdms
import numpy as np
import pytest
import zstandard
from writers import book

from diffbench.documents import FileSettings
from diffbench.errors import ReadingError
from diffbench.readers import READERS, Asked, RawTable, hdf5, read_raw, reader_for, workbook

NAN = float("nan")
TEXT = b"t [s],M [Nm]\n0,1.5\n0.1,2.5\n"


def table_of(path: Path, **settings: object) -> RawTable:
    """All columns."""
    return read_raw(path, FileSettings.model_validate(settings))[0]


def cells(table: RawTable) -> dict[str, list[float] | list[str]]:
    """All values by the names of columns."""
    return {column.name: column.values.tolist() for column in table.columns}


def fault_of(path: Path, **settings: object) -> tuple[str, str | None, str]:
    """Words, column and mend of what a file is refused for."""
    with pytest.raises(ReadingError) as caught:
        table_of(path, **settings)
    (fault,) = caught.value.faults
    assert fault.place.file == str(path)
    return fault.what, fault.place.column, fault.mend


# Arrays


def test_fields_of_an_array_are_numbers_truth_and_words(tmp_path: Path) -> None:
    path = tmp_path / "log"
    kinds = [("t", "f8"), ("M", "i2"), ("on", "?"), ("case", "U4"), ("side", "S5")]
    array = np.array([(0.0, 3, True, "held", b"left"), (0.5, 5, False, "free", b"right")], dtype=kinds)
    with path.open("wb") as file:
        np.save(file, array)
    table = table_of(path)
    assert cells(table) == {
        "t": [0.0, 0.5],
        "M": [3.0, 5.0],
        "on": [1.0, 0.0],
        "case": ["held", "free"],
        "side": ["left", "right"],
    }
    assert (table.rows.tolist(), table.details) == ([1, 2], {"array": str(array.dtype)})


@pytest.mark.parametrize(
    ("array", "what", "column"),
    [
        (np.ones(3), "the array is of shape (3,) without named fields", None),
        (np.ones((2, 2), dtype=[("t", "f8")]), "the array is of shape (2, 2) without named fields", None),
        (np.ones(2, dtype=[("t", "f8"), ("M", "f8", (2,))]),
         "the field is of type float64, shape (2, 2)", "M"),
        (np.ones(2, dtype=[("t", "f8"), ("z", "c16")]), "the field is of type complex128, shape (2,)", "z"),
        (np.array([("a", ["b", "c"])], dtype=[("t", "U1"), ("w", "U1", (2,))]),
         "the field is of type <U1, shape (1, 2)", "w"),
    ],
)  # fmt: skip
def test_an_array_without_named_channels_is_refused(
    array: np.ndarray, what: str, column: str | None, tmp_path: Path
) -> None:
    path = tmp_path / "log"
    with path.open("wb") as file:
        np.save(file, array)
    mend = (
        "save a one-dimensional structured array, one named field a channel"
        if column is None
        else "save one number or one text for each sample"
    )
    assert fault_of(path) == (what, column, mend)


# Compressed texts


@pytest.mark.parametrize(
    ("kind", "content"),
    [
        ("gzip", gzip.compress(TEXT[:12]) + gzip.compress(TEXT[12:])),
        ("xz", lzma.compress(TEXT)),
        ("xz", lzma.compress(TEXT[:12]) + lzma.compress(TEXT[12:])),
        ("xz", lzma.compress(TEXT[:12]) + bytes(8) + lzma.compress(TEXT[12:]) + bytes(4)),
        ("Zstandard", zstandard.compress(TEXT[:12]) + zstandard.compress(TEXT[12:])),
    ],
)
def test_streams_that_follow_each_other_are_one_text(kind: str, content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_bytes(content)
    table = table_of(path)
    assert cells(table) == {"t [s]": [0.0, 0.1], "M [Nm]": [1.5, 2.5]}
    assert table.details["compression"] == kind


@pytest.mark.parametrize("compress", [gzip.compress, lzma.compress, zstandard.compress])
def test_what_is_cut_off_is_refused_wherever(compress: object, tmp_path: Path) -> None:
    path = tmp_path / "log"
    rows = b"".join(b"%d,%d.5\n" % (i, i * i) for i in range(5000))
    whole = compress(TEXT + rows)  # type: ignore[operator]
    for cut in (len(whole) - 1, len(whole) // 2):
        path.write_bytes(whole[:cut])
        what, _, mend = fault_of(path)
        assert what.startswith("the file is damaged, or no ")
        assert mend == "copy it from the bench again, or export it anew, perhaps as text"


def test_a_text_of_just_the_limit_is_unpacked(tmp_path: Path) -> None:
    path = tmp_path / "log"
    reader = next(reader for reader in READERS if reader.name == "compressed text")
    for pack in (gzip.compress, lzma.compress, zstandard.compress):
        path.write_bytes(pack(TEXT))
        (table,) = type(reader)(limit=len(TEXT)).read_tables(path, FileSettings())
        assert cells(table)["M [Nm]"] == [1.5, 2.5]
        with pytest.raises(ReadingError, match="it unpacks to more than 0 MiB, and no more is unpacked here"):
            list(type(reader)(limit=len(TEXT) - 1).read_tables(path, FileSettings()))


def archive(path: Path, *names: str, method: int = zipfile.ZIP_DEFLATED) -> Path:
    """An archive of members that all hold the text."""
    with zipfile.ZipFile(path, "w", method) as made:
        for name in names:
            made.writestr(name, b"" if name.endswith("/") else TEXT)
    return path


def test_folders_and_a_system_s_own_members_do_not_count(tmp_path: Path) -> None:
    path = archive(tmp_path / "log", "runs/", "__MACOSX/runs/log.csv", "runs/log.csv")
    assert cells(table_of(path))["M [Nm]"] == [1.5, 2.5]
    assert cells(table_of(archive(path, "log.csv", method=zipfile.ZIP_STORED)))["M [Nm]"] == [1.5, 2.5]


@pytest.mark.parametrize(
    ("names", "what"),
    [
        ([], "the archive is empty"),
        (["runs/"], "the archive is empty"),
        (["a", "b"], "the archive holds 2 files: 'a', 'b'"),
        ([*"abcde"], "the archive holds 5 files: 'a', 'b', 'c', 'd', 'e'"),
        ([*"abcdef"], "the archive holds 6 files: 'a', 'b', 'c', 'd', 'e', ..."),
        ([*"abcdefg"], "the archive holds 7 files: 'a', 'b', 'c', 'd', 'e', ..."),
    ],
)
def test_an_archive_of_more_than_a_file_names_up_to_five(
    names: Sequence[str], what: str, tmp_path: Path
) -> None:
    mend = "unpack it and name each recording, or pack one file alone"
    assert fault_of(archive(tmp_path / "log", *names)) == (what, None, mend)


def test_an_archive_that_is_encrypted_or_packed_otherwise_is_called_so(tmp_path: Path) -> None:
    said = (
        "the archive is encrypted, or packed in a way that is not read here",
        None,
        "unpack it, and name the recording itself",
    )
    path = archive(tmp_path / "log", "log.csv", method=zipfile.ZIP_BZIP2)
    assert fault_of(path) == said
    content = bytearray(archive(path, "log.csv").read_bytes())
    # bit 0 of the flags: of a member 6 bytes behind its mark, of the directory 8 behind its (APPNOTE 4.4.4)
    content[6] |= 1
    content[content.index(b"PK\x01\x02") + 8] |= 1
    path.write_bytes(content)
    assert fault_of(path) == said
    path.write_bytes(bz2.compress(TEXT))
    assert fault_of(path)[0] == "the file is bzip2-compressed, which is not read here"


# Workbooks


SHEET: list[list[object]] = [["t", "M"], [0, 1.5], [0.1, 2.5]]


@pytest.mark.usefixtures("read_here")
def test_cells_of_a_sheet_are_what_they_show(tmp_path: Path) -> None:
    """Numbers, truth, words with quotes and blanks, a moment, a time of day, a span of time; texts that are
    numbers by the rig's decimal mark."""
    moments = [dt.datetime.fromisoformat(f"2026-04-14T13:05:0{i}") for i in (7, 8)]
    times, laps = [at.time() for at in moments], [dt.timedelta(seconds=s) for s in (90.5, 91)]
    rows: list[list[object]] = [
        ["Bench of cell 2"],
        ["when", "at", "lap", "on", "remark", "M", "N"],
        [moments[0], times[0], laps[0], True, 'a "free"\nwheel', 3, "1,5"],
        [moments[1], times[1], laps[1], False, " held ", 5.25, "2,5"],
    ]
    table = table_of(book(tmp_path / "log", Sweep=rows), decimal=",")
    found = cells(table)
    assert [text[:19] for text in found["when"]] == ["2026-04-14T13:05:07", "2026-04-14T13:05:08"]
    assert found["at"] == ["13:05:07", "13:05:08"]
    assert [found["on"], found["M"], found["N"]] == [[1.0, 0.0], [3.0, 5.25], [1.5, 2.5]]
    assert found["remark"] == ['a "free" wheel', "held"]
    assert table.rows.tolist() == [3, 4]


@pytest.mark.usefixtures("read_here")
def test_the_sheet_is_the_stated_one_or_the_only_one_with_two_rows_of_two_numbers(tmp_path: Path) -> None:
    path = tmp_path / "log"
    one_row: list[list[object]] = [["t", "M"], [0, 1.5]]
    one_number: list[list[object]] = [["Filter", 100], ["Rate", 200], ["Gain", 2]]
    table, source = read_raw(book(path, Info=one_number, Row=one_row, Sweep=SHEET), FileSettings())
    assert (cells(table)["M"], source.details) == ([1.5, 2.5], {"sheet": "Sweep"})
    assert cells(table_of(path, sheet="Row"))["M"] == [1.5]
    assert cells(table_of(book(path, Only=one_row)))["M"] == [1.5]

    def said(**settings: object) -> tuple[str, str]:
        what, _, mend = fault_of(path, **settings)
        return what, mend

    book(path, Info=one_number, Row=one_row)
    assert said() == (
        "no sheet holds rows of numbers, of 'Info', 'Row'",
        'state which one to read in the rig\'s [file]: sheet = "Info"',
    )
    book(path, Info=one_number, Up=SHEET, Down=SHEET)
    assert said() == (
        "2 sheets hold numbers, of 'Info', 'Up', 'Down'",
        'state which one to read in the rig\'s [file]: sheet = "Up"',
    )
    assert said(sheet="Upp") == (
        "there is no sheet 'Upp', which the rig states", "write 'Up' in the rig's [file]"
    )  # fmt: skip
    assert said(sheet="xyz")[1] == "write one of 'Info', 'Up', 'Down' in the rig's [file]"


@pytest.mark.usefixtures("read_here")
def test_formulas_and_errors_are_counted_wherever_pieces_of_the_sheet_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three formulas that nobody computed and four errors, in pieces of every size."""
    rows: list[list[object]] = [["t", "M", "N"]]
    formula, error = {3, 7, 8}, {2, 3, 9, 11}
    rows += [[i, "=1+1" if i in formula else 1.5, "#DIV/0!" if i in error else 2.5] for i in range(14)]
    path = book(tmp_path / "log", Sweep=rows)
    for piece in (64, 100, 257, 1 << 20):
        monkeypatch.setattr(workbook, "_PIECE", piece)
        formulas, errors = workbook.look_through(path)
        assert formulas.startswith("3 cells of the workbook hold formulas that nobody computed")
        assert errors.startswith("4 cells of the workbook hold an error")
    assert workbook.look_through(book(path, Sweep=SHEET)) == ()


def test_a_workbook_of_just_the_limits_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Three rows and two columns; all parts as they unpack, by the standard library."""
    path = book(tmp_path / "log", Sweep=SHEET)
    with zipfile.ZipFile(path) as parts:
        size = sum(part.file_size for part in parts.infolist())
    for name, limit, what in (
        ("MOST_CELLS", 6, "a sheet reaches over 3 rows and 2 columns"),
        ("LIMIT", size, "it unpacks to more than 0 MiB"),
    ):
        monkeypatch.setattr(workbook, name, limit)
        assert workbook.look_through(path) == ()
        monkeypatch.setattr(workbook, name, limit - 1)
        with pytest.raises(ReadingError) as caught:
            workbook.look_through(path)
        assert caught.value.faults[0].what == what
        assert caught.value.faults[0].mend == (
            "delete what is not part of the recording, or save the sheet as text"
        )
        monkeypatch.undo()


# HDF5


@pytest.mark.usefixtures("read_here")
def test_datasets_are_columns_of_their_group_and_length(tmp_path: Path) -> None:
    """Units by every name, what is left out, an empty dataset, a link that comes again, a user's block."""
    path = tmp_path / "log"
    with h5py.File(path, "w", track_order=True, userblock_size=512) as file:
        run = file.create_group("run", track_order=True)
        for name, key, values in (
            ("t", "unit", [0.0, 0.5, 1.0]), ("M", "Units", [3.0, 5.0, 6.0]), ("N", "Unit", [1, 2, 4]),
        ):  # fmt: skip
            run.create_dataset(name, data=values).attrs[key] = "s" if name == "t" else "N.m"
        run["on"] = np.array([True, False, True])
        run["case"] = ["held", "free", "held"]
        run["nothing"] = np.empty(0)
        run["z"] = np.ones(3, dtype=complex)
        run["again"] = run
        pairs = np.array([([1.0, 2.0],)], dtype=[("v", "f8", (2,))])
        file["pairs"] = pairs
    table = table_of(path)
    assert [(column.name, column.unit) for column in table.columns] == [
        ("t", "s"), ("M", "N.m"), ("N", "N.m"), ("on", None), ("case", None),
    ]  # fmt: skip
    found = cells(table)
    assert [found["M"], found["N"], found["on"]] == [[3.0, 5.0, 6.0], [1.0, 2.0, 4.0], [1.0, 0.0, 1.0]]
    assert found["case"] == ["held", "free", "held"]
    assert table.notes == ("Dataset 'run/z' is left out: it holds no single numbers or texts.",)


@pytest.mark.usefixtures("read_here")
@pytest.mark.parametrize(
    ("units", "expected"),
    [(["s", "N.m"], ["s", "N.m"]), (["s"], [None, None]), ("s", [None, None]), (None, [None, None])],
)
def test_units_of_fields_are_one_each(
    units: list[str] | str | None, expected: list[str | None], tmp_path: Path
) -> None:
    path = tmp_path / "log"
    with h5py.File(path, "w") as file:
        fields = np.array([(0.0, 3.0), (0.5, 5.0)], dtype=[("t", "f8"), ("M", "f8")])
        file["run"] = fields
        if units is not None:
            file["run"].attrs["units"] = units
    table = table_of(path)
    assert [column.unit for column in table.columns] == expected
    assert cells(table) == {"t": [0.0, 0.5], "M": [3.0, 5.0]}


@pytest.mark.usefixtures("read_here")
def test_a_packing_is_undone_and_every_fill_value_is_missing(tmp_path: Path) -> None:
    """packed * 0.25 - 3, by hand; truth values are packed by nobody."""
    path = tmp_path / "log"
    with h5py.File(path, "w", track_order=True) as file:
        file["M"] = np.array([4, -99, 8, -98, 16], dtype=np.int16)
        file["M"].attrs.update({"missing_value": [-99, -98], "scale_factor": [0.25], "add_offset": -3.0})
        file["on"] = np.array([True, False, True, True, False])
        file["on"].attrs.update({"scale_factor": 0.25, "_FillValue": True})
    found = cells(table_of(path))
    assert found["M"] == pytest.approx([-2.0, NAN, -1.0, NAN, 1.0], nan_ok=True)
    assert found["on"] == [1.0, 0.0, 1.0, 1.0, 0.0]


@pytest.mark.parametrize("size", [0, 512, 1024, 2048, 4096, 8192, 16384, 32768])
def test_hdf5_is_known_behind_a_user_s_block_of_any_size(size: int, tmp_path: Path) -> None:
    """Where the mark may stand by the format's specification, II.A."""
    path = tmp_path / "log"
    with h5py.File(path, "w", userblock_size=size) as file:
        file["M"] = [3.0, 5.0]
    head = path.read_bytes()[: 1 << 16]
    assert head[size : size + 4] == b"\x89HDF"
    assert reader_for(head, path).name == "HDF5"


@pytest.mark.parametrize(("of", "left"), [(63, 0), (64, 58)])
def test_of_sixty_four_channels_and_more_those_asked_for_and_clocks_are_read(
    of: int, left: int, tmp_path: Path
) -> None:
    """By their name, with their unit or without, or behind their group; and what may be a clock by name or
    unit, in brackets or behind a comma."""
    path = tmp_path / "log"
    read = ["torque lh", "Oil [degC]", "M", "time", "t1 [ms]", "Elapsed, s"]
    names = [*read, *(f"CAN.signal {i} [V]" for i in range(of - len(read)))]
    with nptdms.TdmsWriter(str(path)) as writer:
        writer.write_segment(
            [nptdms.ChannelObject("Run", name, np.array([3.0, 5.0]) + i) for i, name in enumerate(names)]
        )
    asked = Asked.of([("Torque LH [Nm]", "torque"), ("oil", "temperature"), ("Run/M", "torque")])
    table, _ = read_raw(path, FileSettings(), asked=asked)
    assert len(table.left_out) == left
    assert [column.name for column in table.columns] == (read if left else names)
    assert set(table.left_out) == set(names) - set(read if left else names)
    same = Asked.from_content(asked.content())
    assert [same(name) for name in ("TORQUE LH", "Oil", "Run/M")] == [True] * 3
    assert [same(name) for name in ("M", "other", "Oil level")] == [False] * 3


@pytest.mark.usefixtures("read_here")
def test_an_hdf5_of_too_many_datasets_or_of_numbers_elsewhere_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three where three are allowed; a dataset that is put together of others, in this file or another."""
    path = tmp_path / "log"
    monkeypatch.setattr(hdf5, "_MOST_DATASETS", 3)
    for count in (3, 4):
        with h5py.File(path, "w") as file:
            for i in range(count):
                file[f"M{i}"] = [3.0, 5.0]
        if count == 3:
            assert len(table_of(path).columns) == 3
    assert fault_of(path) == (
        "the file holds more than 3 datasets", None, "export the recording alone"
    )  # fmt: skip
    with h5py.File(path, "w") as file:
        file["M"] = np.array([3.0, 5.0])
        layout = h5py.VirtualLayout(shape=(2,), dtype="f8")
        layout[:] = h5py.VirtualSource(file["M"])
        file.create_virtual_dataset("again", layout)
    what, _, mend = fault_of(path)
    assert what == "the dataset 'again' keeps its numbers in other files, which are not opened"
    assert mend == "copy it into one file of its own"
    monkeypatch.setattr(hdf5, "_MOST_DATASETS", 4)
    with h5py.File(path, "w") as file:
        file["empty"] = h5py.Empty("f8")
        file["one"] = 3.0
        file["deep/er/M"] = [3.0, 5.0]
        file["deep/N"] = [7.0, 9.0]
    table = table_of(path, group="deep/er")
    assert cells(table) == {"M": [3.0, 5.0], "N": [7.0, 9.0]}  # without clocks, and of one length
    assert {note.partition(":")[0] for note in table.notes} >= {
        "Dataset 'empty' is left out",
        "Dataset 'one' is left out",
    }
