"""Each format's own ways: units, groups with their own clocks, sheets, archives, and what is refused."""

from __future__ import annotations

import csv
import gzip
import io
import struct
import sys
import zipfile
from pathlib import Path

import asammdf
import h5py
import nptdms
import numpy as np
import openpyxl
import pyarrow as pa
import pytest
from pyarrow import feather, parquet
from writers import FORMATS, book, write_hdf5, write_mdf, write_workbook

from diffbench.documents import FileSettings, load_rig
from diffbench.errors import ReadingError
from diffbench.readers import READERS, libraries, read_parts, read_raw, read_recording, workbook
from diffbench.readers.child import groups_by_child

PLAIN = FileSettings()
T = [0.0, 0.1, 0.2, 0.3, 0.4]
M = [1.0, 2.0, 4.0, 8.0, 16.0]


def refused(path: Path, **settings: str) -> str:
    """What a file is refused with: one fault, on one line."""
    with pytest.raises(ReadingError) as caught:
        read_raw(path, FileSettings(**settings))
    assert len(caught.value.faults) == 1
    assert caught.value.faults[0].place.file == str(path)
    return str(caught.value.faults[0])


def column(path: Path, name: str, **settings: str) -> np.ndarray:
    """The values of one column."""
    table, _ = read_raw(path, FileSettings(**settings))
    return next(column.values for column in table.columns if column.name == name)


@pytest.fixture(scope="module")
def demo_sweep(repository: Path) -> tuple[Path, dict[str, list[float]]]:
    """A recording of the demo: its text, and its numbers by the standard library."""
    path = repository / "fixtures" / "demo" / "rebuilt" / "tare.csv"
    with path.open(encoding="utf-8", newline="") as file:
        names, *rows = csv.reader(file)
    return path, {name: [float(row[i]) for row in rows] for i, name in enumerate(names)}


@pytest.mark.usefixtures("many_read_apart")
@pytest.mark.parametrize("form", FORMATS, ids=lambda form: form.name)
def test_the_demo_in_every_format_is_the_same_recording(form, demo_sweep, repository, tmp_path):
    """The fit sees nothing but the recording: equal recordings, equal results. 1e-9 is what is promised."""
    original, columns = demo_sweep
    path = tmp_path / "exported"
    form.write(path, columns)
    rig = load_rig(repository / "fixtures" / "demo" / "twin-flange-cell.toml")
    expected = read_recording(original, rig, kind="tare")
    found = read_recording(path, rig, kind="tare")
    np.testing.assert_allclose(found.time, expected.time, rtol=1e-9, atol=1e-12)
    assert set(found.channels) == set(expected.channels)
    for name, values in expected.channels.items():
        np.testing.assert_allclose(found.channels[name], values, rtol=1e-9, atol=1e-12)


def mdf_of_two(path: Path) -> None:
    """A fast group, and a slow one that ends earlier: oil = 48 + 10 t."""
    slow = np.array([0.0, 0.15, 0.3])
    measurement = asammdf.MDF(version="4.10")
    fast = [asammdf.Signal(np.array(M), np.array(T), name="Torque LH", unit="Nm")]
    measurement.append(fast, acq_name="Fast")
    measurement.append(
        [
            asammdf.Signal(48.0 + 10.0 * slow, slow, name="Oil", unit="°C"),
            asammdf.Signal(slow, slow, name="Torque LH", unit="Nm"),
        ],
        acq_name="Slow",
    )
    saved = measurement.save(path.with_suffix(".mf4"), overwrite=True)
    measurement.close()
    Path(saved).rename(path)


@pytest.mark.usefixtures("read_here")
def test_mdf_groups_come_onto_one_clock_with_their_units(tmp_path):
    path = tmp_path / "log"
    mdf_of_two(path)
    table, _ = read_raw(path, PLAIN)
    found = {column.name: column for column in table.columns}
    assert list(found) == ["time", "Fast/Torque LH", "Oil", "Slow/Torque LH"]
    assert (found["Oil"].unit, found["Fast/Torque LH"].unit, found["time"].unit) == ("°C", "Nm", "s")
    np.testing.assert_array_equal(found["Fast/Torque LH"].values, M)
    # A straight line is its own interpolation; the slow group ends at 0.3 s. 1e-14: rounding of degrees.
    np.testing.assert_allclose(found["Oil"].values, [48.0, 49.0, 50.0, 51.0, np.nan], rtol=1e-14)
    assert "'Slow' has its own clock of 3 samples" in table.notes[0]
    assert column(path, "Oil", group="slow").tolist() == [48.0, 49.5, 51.0]
    assert "there is no group 'Fst'" in refused(path, group="Fst")


def test_an_mdf_of_version_3_is_refused(tmp_path):
    path = tmp_path / "log"
    path.write_bytes(b"MDF     3.30    " + bytes(200))
    assert "MDF of version 3.30, and version 4 is read here" in refused(path)


def test_an_mdf_that_was_never_finished_is_refused(tmp_path):
    path = tmp_path / "log"
    path.write_bytes(b"UnFinMF 4.10    " + bytes(200))
    assert "never finished" in refused(path)


def test_a_ring_of_mdf_blocks_is_refused_before_the_library_follows_it(tmp_path):
    path = tmp_path / "log"
    write_mdf(path, {"t": T, "M": M})
    content = bytearray(path.read_bytes())
    # The header block stands at byte 64; its first link, behind 24 bytes, leads to the first data group,
    # whose own first link is the next one (ASAM MDF 4.1, HD and DG blocks).
    (group,) = struct.unpack_from("<Q", content, 64 + 24)
    assert content[group : group + 4] == b"##DG"
    struct.pack_into("<Q", content, group + 24, group)
    path.write_bytes(content)
    assert f"the block at byte {group} is linked to twice" in refused(path)


def test_tdms_waveforms_make_a_clock(tmp_path):
    path = tmp_path / "log"
    start = np.datetime64("2026-04-14T13:05:07")
    fast = {"wf_increment": 0.1, "wf_start_offset": 0.0, "wf_start_time": start, "unit_string": "Nm"}
    slow = {
        "wf_increment": 0.2,
        "wf_start_offset": 0.0,
        "wf_start_time": start + np.timedelta64(100, "ms"),
        "unit_string": "degC",
    }
    with nptdms.TdmsWriter(str(path)) as writer:
        writer.write_segment(
            [
                nptdms.ChannelObject("Fast", "Torque", np.array(M), properties=fast),
                nptdms.ChannelObject("Fast", "Case", ["held"] * 5),
                nptdms.ChannelObject("Slow", "Oil", np.array([48.0, 50.0]), properties=slow),
            ]
        )
    table, _ = read_raw(path, PLAIN)
    assert [c.name for c in table.columns] == ["time", "Torque", "Case", "Oil"]
    assert [c.unit for c in table.columns] == ["s", "Nm", None, "degC"]
    # The slow group begins 0.1 s later: 48 at 0.1 s, 50 at 0.3 s. 1e-12: rounding of its times.
    np.testing.assert_allclose(table.columns[3].values, [np.nan, 48.0, 49.0, 50.0, np.nan], rtol=1e-12)
    np.testing.assert_allclose(table.columns[0].values, T, rtol=1e-15)


def test_groups_without_a_clock_are_never_mixed(tmp_path):
    path = tmp_path / "log"
    with nptdms.TdmsWriter(str(path)) as writer:
        writer.write_segment(
            [nptdms.ChannelObject("A", "M", np.array(M)), nptdms.ChannelObject("B", "Oil", np.array([48.0]))]
        )
    assert "no clock to bring them together" in refused(path)
    assert column(path, "M", group="A").tolist() == M


@pytest.mark.usefixtures("read_here")
def test_hdf5_units_fill_values_and_packing(tmp_path):
    path = tmp_path / "log"
    with h5py.File(path, "w", track_order=True) as file:
        file.create_dataset("time", data=T).attrs["units"] = "s"
        torque = file.create_dataset("torque", data=np.array([1, 2, -999, 8, 16], dtype=np.int16))
        torque.attrs["units"] = "N m"
        torque.attrs["_FillValue"] = np.int16(-999)
        torque.attrs["scale_factor"] = 0.5
        torque.attrs["add_offset"] = 10.0
        file.create_dataset("picture", data=np.zeros((2, 2)))
        file["elsewhere"] = h5py.ExternalLink("/etc/passwd", "/")
        file["itself"] = h5py.SoftLink("/")
    table, _ = read_raw(path, PLAIN)
    assert [(c.name, c.unit) for c in table.columns] == [("time", "s"), ("torque", "N m")]
    # packed * 0.5 + 10, by hand
    np.testing.assert_array_equal(table.columns[1].values, [10.5, 11.0, np.nan, 14.0, 18.0])
    assert table.notes == ("Dataset 'picture' is left out: it has 2 dimensions, a channel has one.",)


@pytest.mark.usefixtures("read_here")
def test_an_hdf5_table_of_named_fields(tmp_path):
    path = tmp_path / "log"
    with h5py.File(path, "w") as file:
        table = np.array(list(zip(T, M, strict=True)), dtype=[("t", float), ("M", float)])
        file.create_dataset("run", data=table).attrs["units"] = ["s", "N.m"]
    found, _ = read_raw(path, PLAIN)
    assert [(c.name, c.unit, c.values.tolist()) for c in found.columns] == [("t", "s", T), ("M", "N.m", M)]


@pytest.mark.usefixtures("read_here")
def test_numbers_in_other_files_are_not_opened(tmp_path):
    path = tmp_path / "log"
    (tmp_path / "outside").write_bytes(np.arange(5.0).tobytes())
    with h5py.File(path, "w") as file:
        file.create_dataset("M", shape=(5,), dtype=float, external=[(str(tmp_path / "outside"), 0, 40)])
    assert "keeps its numbers in other files" in refused(path)


def test_a_library_that_breaks_down_takes_only_its_own_process_along(tmp_path, monkeypatch):
    path = tmp_path / "log"
    write_hdf5(path, {"t": T, "M": M})
    with (
        pytest.raises(ReadingError, match=r"breaks down over it \(status 1\)"),
        groups_by_child(path, "HDF5", "diffbench.readers.no_such_module"),
    ):
        pass


@pytest.mark.usefixtures("read_here")
def test_units_in_the_metadata_of_parquet_and_feather(tmp_path):
    fields = [pa.field("t", pa.timestamp("ms")), pa.field("M", pa.float32(), metadata={"unit": "lbf.ft"})]
    moments = [1_000, 1_100, 1_250]
    table = pa.table([moments, [1.5, None, 2.5]], schema=pa.schema(fields))
    for write in (parquet.write_table, lambda data, file: feather.write_feather(data, str(file))):
        write(table, tmp_path / "log")
        found, _ = read_raw(tmp_path / "log", PLAIN)
        assert [(c.name, c.unit) for c in found.columns] == [("t", "s"), ("M", "lbf.ft")]
        assert found.columns[0].values.tolist() == [0.0, 0.1, 0.25]
        np.testing.assert_array_equal(found.columns[1].values, [1.5, np.nan, 2.5])


SHEET: list[list[object]] = [
    ["Cell 2"],
    [],
    ["t", "M"],
    ["s", "Nm"],
    [0, 1.5],
    [0.1, None],
    [0.2, "n/a"],
    [0.3, 2],
]


@pytest.mark.usefixtures("read_here")
def test_a_sheet_with_title_units_and_missing_cells(tmp_path):
    path = tmp_path / "log.xlsx"
    book(path, Info=[["Bench", "Cell 2"], ["Filter Hz", 100]], Sweep=SHEET)
    table, source = read_raw(path, PLAIN)
    assert source.details["sheet"] == "Sweep"
    assert [(c.name, c.unit) for c in table.columns] == [("t", "s"), ("M", "Nm")]
    np.testing.assert_array_equal(table.columns[1].values, [1.5, np.nan, np.nan, 2.0])
    assert table.rows.tolist() == [5, 6, 7, 8]  # as the spreadsheet program numbers them


@pytest.mark.usefixtures("read_here")
def test_which_sheet_is_never_guessed(tmp_path):
    path = tmp_path / "log.xlsx"
    book(path, Up=SHEET, Down=SHEET)
    assert "2 sheets hold numbers, of 'Up', 'Down'" in refused(path)
    assert column(path, "M", sheet="Down")[0] == 1.5
    assert "there is no sheet 'Dwn', which the rig states. Mend: write 'Down'" in refused(path, sheet="Dwn")


@pytest.mark.usefixtures("read_here")
def test_formulas_that_nobody_computed_and_errors_are_told(tmp_path):
    path = tmp_path / "log.xlsx"
    book(path, Sweep=[["t", "M"], [0, 1.5], [0.1, "=1+1"], [0.2, "#DIV/0!"], [0.3, 2]])
    table, _ = read_raw(path, PLAIN)
    assert len(table.notes) == 2
    assert table.notes[0].startswith("1 cells of the workbook hold formulas that nobody computed")
    assert table.notes[1].startswith("1 cells of the workbook hold an error")
    np.testing.assert_array_equal(table.columns[1].values, [1.5, np.nan, np.nan, 2.0])


def test_a_sheet_that_reaches_to_the_last_cell_is_refused_before_it_fills_the_memory(tmp_path):
    path = tmp_path / "log.xlsx"
    made = openpyxl.Workbook()
    made.active["A1"] = 1
    made.active["XFD1048576"] = 1
    made.save(path)
    assert "reaches over 1,048,576 rows and 16,384 columns" in refused(path)


def test_a_workbook_that_unpacks_to_too_much_is_refused(tmp_path, monkeypatch):
    path = tmp_path / "log.xlsx"
    write_workbook(path, {"t": T, "M": M})
    monkeypatch.setattr(workbook, "LIMIT", 2000)
    assert "it unpacks to more than" in refused(path)


def test_an_office_document_that_is_no_workbook_is_called_so(tmp_path):
    path = tmp_path / "log.xlsx"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("[Content_Types].xml", "<Types/>")
        archive.writestr("word/document.xml", "<w/>")
    assert "office document, but no workbook" in refused(path)


TEXT = b"t [s],M [Nm]\n0,1.5\n0.1,2.5\n"


def test_a_text_beyond_the_limit_is_not_unpacked(tmp_path):
    path = tmp_path / "log.csv.gz"
    path.write_bytes(gzip.compress(TEXT + b"0.2,1\n" * 500_000))
    reader = next(reader for reader in READERS if reader.name == "compressed text")
    with pytest.raises(ReadingError, match="unpacks to more than 1 MiB"):
        next(type(reader)(limit=1 << 20).read_tables(path, PLAIN))


def test_archives_in_archives_and_bombs_of_zeros_are_refused_at_their_first_bytes(tmp_path):
    path = tmp_path / "log.gz"
    for inside in (gzip.compress(TEXT), bytes(1 << 24)):
        path.write_bytes(gzip.compress(inside))
        assert "what is compressed in it is no text" in refused(path)


def test_an_archive_must_hold_one_file(tmp_path):
    path = tmp_path / "log.zip"
    for names in ((), ("a.csv", "b.csv")):
        with zipfile.ZipFile(path, "w") as archive:
            for name in names:
                archive.writestr(name, TEXT)
        said = refused(path)
        assert ("the archive holds 2 files: 'a.csv', 'b.csv'" in said) if names else ("is empty" in said)


def test_a_member_that_climbs_out_of_its_folder_is_read_and_never_written(tmp_path):
    path = tmp_path / "in" / "log.zip"
    path.parent.mkdir()
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as archive:
        archive.writestr("../../climbed.csv", TEXT)
    path.write_bytes(file.getvalue())
    assert column(path, "M [Nm]").tolist() == [1.5, 2.5]
    assert not list(tmp_path.parent.rglob("climbed.csv"))


def test_faults_in_a_compressed_text_name_its_line_and_the_file_that_was_named(tmp_path):
    path = tmp_path / "log.csv.gz"
    path.write_bytes(gzip.compress(TEXT + b"0.2,2,3,4\n0.3,1\n"))
    assert refused(path).startswith(f"{path}, line 4: 4 cells where the table has 2")


@pytest.mark.parametrize(
    ("kind", "module", "package"),
    [
        ("xlsx", "python_calamine", "python-calamine"),
        ("parquet", "pyarrow", "pyarrow"),
        ("feather", "pyarrow", "pyarrow"),
        ("mdf", "asammdf", "asammdf"),
        ("tdms", "nptdms", "npTDMS"),
        ("hdf5", "h5py", "h5py"),
        ("zstd", "zstandard", "zstandard"),
    ],
)
def test_a_missing_library_is_told_with_the_command_that_installs_it(
    kind, module, package, tmp_path, monkeypatch
):
    path = tmp_path / "log"
    next(form for form in FORMATS if form.name == kind).write(path, {"t": T, "M": M})
    monkeypatch.setitem(sys.modules, module, None)
    said = refused(path)
    # Names of packages are written in small letters by some tools that build them.
    wanted = f"reading it needs {module}, which is not installed. Mend: run: pip install '{package}>="
    assert wanted.casefold() in said.casefold()


def test_a_table_larger_than_memory_allows_is_refused(tmp_path, monkeypatch):
    path = tmp_path / "log"
    parquet.write_table(pa.table({"t": T, "M": M}), path)
    monkeypatch.setattr(libraries, "MOST_VALUES", 9)
    assert "the table has 10 values, and at most 9 are read" in refused(path)


def test_links_that_lead_to_themselves_and_folders_are_refused(tmp_path):
    loop = tmp_path / "loop.csv"
    loop.symlink_to(loop)
    assert "Too many levels of symbolic links" in refused(loop)
    assert "no file that can be read" in refused(tmp_path)


def test_as_many_values_are_read_as_the_limits_say(tmp_path):
    """Fifty million in a table; of a file that is read in parts four a byte, a thousand million at most."""
    path = tmp_path / "log"
    for size, most in ((3, 50_000_000), (12_500_001, 50_000_004), (400_000_000, 1_000_000_000)):
        with path.open("wb") as file:
            file.truncate(size)
        assert libraries.most_in_parts(path) == most
        libraries.refuse_too_many(most, path, "make it smaller", most=most)
        with pytest.raises(ReadingError) as caught:
            libraries.refuse_too_many(most + 1, path, "make it smaller", most=most)
        assert caught.value.faults[0].what == (
            f"the table has {most + 1:,} values, and at most {most:,} are read"
        )
    said = "the table has 50,000,001 values, and at most 50,000,000 are read"
    libraries.refuse_too_many(50_000_000, path, "make it smaller")
    with pytest.raises(ReadingError, match=said):
        libraries.refuse_too_many(50_000_001, path, "make it smaller")


def test_what_a_library_raises_is_told_in_one_line_of_two_hundred_characters(tmp_path):
    """Its class where it says nothing; an error that is none of a damaged file goes on as it is."""
    path = tmp_path / "log"

    def said(error):
        def read():
            raise error

        with pytest.raises(ReadingError) as caught:
            libraries.guarded(path, "XYZ", read)
        what = caught.value.faults[0].what
        return what.removeprefix("the file is damaged, or no XYZ that can be read: ")

    assert said(ValueError("two\n lines")) == "two lines"
    assert said(KeyError()) == "KeyError"
    assert said(RuntimeError("x" * 300)) == "x" * 200
    with pytest.raises(FileNotFoundError):
        libraries.guarded(path, "XYZ", path.read_bytes)
    assert list(libraries.guarded_each(path, "XYZ", iter([3, 0, 5]))) == [3, 0, 5]


def test_moments_and_words_of_a_library_become_columns():
    """Seconds from the first that is there, or from another; durations as they are; words without zeros at
    their ends; rows of lists are no column."""
    moments = np.array(["NaT", "2026-04-14T13:05:07", "2026-04-14T13:05:09.5"], dtype="datetime64[ms]")
    found = libraries.as_column("When", "-", moments)
    assert found.unit == "s"
    np.testing.assert_array_equal(found.values, [np.nan, 0.0, 2.5])
    since = np.datetime64("2026-04-14T13:05:00")
    np.testing.assert_array_equal(
        libraries.as_column("When", None, moments, since=since).values, [np.nan, 7.0, 9.5]
    )
    assert np.isnan(libraries.as_column("When", None, moments[:1]).values).all()
    lap = libraries.as_column("lap", None, np.array([1500, 90_000], dtype="timedelta64[ms]"))
    assert (lap.unit, lap.values.tolist()) == ("s", [1.5, 90.0])
    words = libraries.as_column("case", " -- ", np.array([b"held\0\0", None, "free", 3], dtype=object))
    assert (words.unit, words.values.tolist()) == (None, ["held", "", "free", "3"])
    assert libraries.as_column("case", b" N.m ", np.array([], dtype=object)).values.tolist() == []
    assert libraries.as_column("M", b" N.m ", np.array([True, False])).unit == "N.m"
    mixed = np.empty(2, dtype=object)
    mixed[:] = ["a", [1, 2]]
    for none in (mixed, np.ones((2, 2)), np.ones(2, dtype=complex)):
        assert libraries.as_column("x", None, none) is None
    own = np.array([3.0, 5.0])
    assert libraries.as_column("M", None, own, own=True).values is own
    assert libraries.as_column("M", None, own).values is not own


@pytest.mark.usefixtures("read_here")
@pytest.mark.parametrize("kind", ["parquet", "feather", "hdf5", "mdf", "tdms"])
def test_what_is_too_much_even_in_parts_is_refused_before_it_is_read(
    kind, tmp_path, monkeypatch, rig_of, sweep
):
    """Five rows of two columns are ten values."""
    path = tmp_path / "log"
    columns = {sweep["time"]: T, sweep["left_torque"]: M}
    next(form for form in FORMATS if form.name == kind).write(path, columns)
    rig = rig_of(sweep)
    for name in ("MOST_VALUES", "MOST_IN_PARTS"):
        monkeypatch.setattr(libraries, name, 9)
    with pytest.raises(ReadingError) as caught:
        list(read_parts(path, rig, kind="tare", rows=2))
    assert [one.what for one in caught.value.faults] == ["the table has 10 values, and at most 9 are read"]
    for name in ("MOST_VALUES", "MOST_IN_PARTS"):
        monkeypatch.setattr(libraries, name, 10)
    with pytest.raises(ReadingError) as caught:
        list(read_parts(path, rig, kind="tare", rows=2))
    assert all("values" not in one.what for one in caught.value.faults)  # but that there is no other channel
