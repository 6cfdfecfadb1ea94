"""What was cut off is refused, or told by a finding: every compression and format, at every cut."""

from __future__ import annotations

import gc
import importlib
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from diffbench.documents import FileSettings
from diffbench.errors import ReadingError
from diffbench.readers import compressed, read_raw, reader_for, workbook
from diffbench.readers.child import Folder
from diffbench.readers.mdf import check_chains

sys.path.insert(0, str(Path(__file__).parents[1] / "readers"))

from writers import FORMATS

COLUMNS = {
    "Time [s]": [round(0.01 * i, 2) for i in range(40)],
    "Torque LH [Nm]": [round(1.5 * i + 0.25 * (i % 3), 2) for i in range(40)],
    "Torque RH [Nm]": [round(2.5 * i + 0.125, 3) for i in range(40)],
}
CUTS = 150  # of each format, where it has more bytes: reading takes a hundredth of a second
BY_THE_LIBRARY = {"parquet": "arrow", "feather": "arrow", "mdf": "mdf", "hdf5": "hdf5"}


def _read(kind: str, path: Path, folder: Path) -> object:
    """Read a file as its reader does; what is done in a process apart, in this one: it costs a start each."""
    name = reader_for(path.read_bytes(), path).name
    if name == "delimited text":  # too short for its own mark
        return read_raw(path, FileSettings())
    if kind == "mdf":
        check_chains(path)
    if kind in BY_THE_LIBRARY:
        module: Any = importlib.import_module(f"diffbench.readers.{BY_THE_LIBRARY[kind]}")
        return module.read_groups(path, Folder(folder))
    if kind == "zstd":
        return compressed.write_text(path, folder / "text", {"limit": "1000000"})
    if kind == "xlsx":
        workbook.look_through(path)
        return workbook.write_text(path, folder / "text", {"sheet": None, "decimal": "."})
    return read_raw(path, FileSettings())


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # libraries over cut files
@pytest.mark.parametrize(
    "form", [form for form in FORMATS if form.name != "text"], ids=lambda form: form.name
)
def test_a_file_that_is_cut_off_is_refused(form, tmp_path: Path, monkeypatch) -> None:
    """At every byte; the whole file is read."""
    path, folder = tmp_path / "whole", tmp_path / "folder"
    folder.mkdir()
    form.write(path, COLUMNS)
    data = path.read_bytes()
    _read(form.name, path, folder)
    every = form.name in ("gzip", "xz", "zstd", "zip")
    cuts = range(1, len(data)) if every else sorted({*np.linspace(1, len(data) - 1, CUTS).astype(int)})
    path = tmp_path / "cut"
    # what the library of MDF leaves half-built over a cut file complains when it is torn down
    monkeypatch.setattr("asammdf.blocks.mdf_v4.MDF4.__del__", lambda measurement: None)
    for cut in map(int, cuts):
        path.write_bytes(data[:cut])
        with pytest.raises(ReadingError):
            pytest.fail(f"cut after {cut} bytes it gives {_read(form.name, path, folder)}")
    gc.collect()


def test_a_cut_zstandard_file_is_refused_from_its_process(tmp_path: Path) -> None:
    """The same by the whole way in, once."""
    form = next(form for form in FORMATS if form.name == "zstd")
    path = tmp_path / "cut.zst"
    form.write(path, COLUMNS)
    path.write_bytes(path.read_bytes()[:-3])
    with pytest.raises(ReadingError, match="it ends before the end of what is compressed"):
        form.read(path)


def _text(decimals: str) -> bytes:
    rows = [f"{i / 100:.2f},{100 + 1.37 * i:{decimals}},{7.25 + 1.13 * i:{decimals}}" for i in range(40)]
    return ("t,M,N\n" + "\n".join(rows) + "\n").encode()


@pytest.mark.parametrize("decimals", [".3f", ".4e", ".5g"])
@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
def test_a_text_that_is_cut_off_is_told(decimals: str, end: bytes, tmp_path: Path) -> None:
    """At every cut within its last two lines: a number is as in the whole file, or something is told."""
    data = _text(decimals).replace(b"\n", end)
    path = tmp_path / "log.csv"
    path.write_bytes(data)
    whole, _ = read_raw(path, FileSettings())
    assert whole.last_line is None
    begin = data.rstrip().rfind(b"\n", 0, data.rstrip().rfind(b"\n")) + 1
    for cut in range(begin + 1, len(data)):
        path.write_bytes(data[:cut])
        table, _ = read_raw(path, FileSettings())
        told = table.last_line is not None
        for column, full in zip(table.columns, whole.columns, strict=True):
            same = np.array_equal(column.values, full.values[: len(table.rows)])
            assert same or (told and table.last_line.kept), f"cut at {cut}: {data[begin:cut]!r}"
        complete = data[:cut].rstrip().count(b"\n") == len(table.rows)
        assert complete or told, f"cut at {cut}: {data[begin:cut]!r}"


def test_a_text_whose_last_line_is_whole_but_for_its_end_is_whole(tmp_path: Path) -> None:
    """As some programs write it: as many digits as all others."""
    path = tmp_path / "log.csv"
    path.write_bytes(_text(".3f").rstrip())
    table, _ = read_raw(path, FileSettings())
    assert len(table.rows) == 40
    assert table.last_line is None


def test_the_verdict_names_a_recording_that_breaks_off(run, visits: Path) -> None:
    """The line is left out, and the finding stands in the result."""
    path = visits / "refit-1.csv"
    path.write_bytes(path.read_bytes()[:-4])
    result = run("fit", visits / "run-refit-1.toml")
    assert result.exit_code in (0, 1)
    assert "recording breaks off" in result.stdout.split("\n\n")[0]


def test_frames_of_zstandard_may_follow_each_other(tmp_path: Path) -> None:
    """RFC 8878, 3: concatenated frames are one text; what is none at their end is refused."""
    form = next(form for form in FORMATS if form.name == "zstd")
    path = tmp_path / "two.zst"
    form.write(path, COLUMNS)
    one = path.read_bytes()
    path.write_bytes(one + b"\x50\x2a\x4d\x18\x04\0\0\0abcd" + one)  # a skippable frame between
    compressed.write_text(path, tmp_path / "text", {"limit": "1000000"})
    once = (tmp_path / "text").read_bytes()
    assert once == once[: len(once) // 2] * 2
    path.write_bytes(one + b"junk")
    with pytest.raises(ReadingError):
        compressed.write_text(path, tmp_path / "text", {"limit": "1000000"})
