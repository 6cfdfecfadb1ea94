"""Libraries that are not written in Python read in a process apart: what ends them ends nothing else."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from diffbench.documents import FileSettings
from diffbench.errors import ReadingError
from diffbench.readers import child, read_raw

sys.path.insert(0, str(Path(__file__).parents[1] / "readers"))

from writers import FORMATS

COLUMNS = {"Time [s]": [0.0, 0.01, 0.02], "Torque LH [Nm]": [1.5, 2.5, 3.5], "Case": ["held", "", "frei ü"]}
NATIVE = {
    "xlsx": "python_calamine", "parquet": "pyarrow", "feather": "pyarrow", "hdf5": "h5py", "mdf": "asammdf",
    "zstd": "zstandard",
}  # fmt: skip


@pytest.fixture
def deadly(tmp_path: Path) -> Path:
    """A workbook with a reference to a cell that no sheet has: its library ends the process over it."""
    whole, path = tmp_path / "whole.xlsx", tmp_path / "deadly.xlsx"
    next(form for form in FORMATS if form.name == "xlsx").write(whole, COLUMNS)
    with zipfile.ZipFile(whole) as source, zipfile.ZipFile(path, "w") as target:
        for part in source.infolist():
            data = source.read(part)
            if part.filename.startswith("xl/worksheets/"):
                assert b'"B3"' in data
                data = data.replace(b'"B3"', b'"ZZZZ99999999"')
            target.writestr(part, data)
    return path


def test_a_workbook_that_ends_its_library_is_refused(deadly: Path) -> None:
    """And this process lives."""
    with pytest.raises(ReadingError, match="the file is damaged, or no workbook"):
        read_raw(deadly, FileSettings())


def test_a_watch_outlives_such_a_workbook(deadly: Path, run) -> None:
    """The command that a watch uses for every recording ends with status 2."""
    assert run("inspect", deadly).exit_code == 2


@pytest.mark.parametrize("name", NATIVE)
def test_no_native_library_is_loaded_here(name: str, tmp_path: Path) -> None:
    """Nor could it end what did not load it."""
    form = next(form for form in FORMATS if form.name == name)
    path = tmp_path / "good"
    form.write(path, {name: values for name, values in COLUMNS.items() if name != "Case"})
    code = (
        "import sys; from pathlib import Path; from diffbench.inspection import inspect_file; "
        "assert inspect_file(Path(sys.argv[1])).samples == 3; print(sys.argv[2] in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(path), NATIVE[name]],
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
    )
    assert done.stdout.strip() == "False"


def test_a_full_disk_is_no_fault_of_the_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is read is put aside on a disk, and that may be full."""

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(child, "store", full)
    path = tmp_path / "good.parquet"
    form = next(form for form in FORMATS if form.name == "parquet")
    form.write(path, COLUMNS)
    monkeypatch.setattr(child, "_limit", lambda seconds: None)
    assert child.main("diffbench.readers.arrow", str(path), str(tmp_path), "9") == child._NO_ROOM

    def ended(*_: object, **__: object) -> subprocess.CompletedProcess[bytes]:
        return subprocess.CompletedProcess([], child._NO_ROOM)

    monkeypatch.setattr(child, "run", ended)
    with pytest.raises(ReadingError, match="finds no room") as caught:
        form.read(path)
    assert "damaged" not in str(caught.value)


def test_texts_come_back_as_they_are(tmp_path: Path) -> None:
    """Empty ones, line ends and other alphabets, whole and in parts."""
    words = ["", "held", "zwei\nZeilen", "ü", "\u2212", "", "frei", ""]
    form = next(form for form in FORMATS if form.name == "parquet")
    form.write(tmp_path / "log", {"Case": words})
    assert form.read(tmp_path / "log").columns[0].values.tolist() == words
    parts = form.reader.read_tables(tmp_path / "log", FileSettings(), rows=3)
    assert [part.columns[0].values.tolist() for part in parts] == [words[:3], words[3:5], words[5:]]


def test_a_child_loads_no_more_than_it_needs(tmp_path: Path) -> None:
    """Papers, tables of pandas and what Arrow can compute take longer to load than a sweep to read."""
    form = next(form for form in FORMATS if form.name == "parquet")
    form.write(tmp_path / "good.parquet", COLUMNS)
    program = (
        "import sys, pathlib; from diffbench.readers import arrow, child; sys.modules['pandas'] = None; "
        "arrow.read_groups(pathlib.Path(sys.argv[1]), child.Folder(pathlib.Path(sys.argv[2]))); "
        "print({'pyarrow.compute', 'pydantic', 'multiprocessing'} & set(sys.modules))"
    )
    ran = subprocess.run(
        [sys.executable, "-c", program, tmp_path / "good.parquet", tmp_path],
        capture_output=True, encoding="utf-8", check=True,
    )  # fmt: skip
    assert ran.stdout.strip() == "set()"


def test_a_lower_limit_of_the_machine_is_no_fault_of_the_file(tmp_path: Path) -> None:
    """A queue of jobs has limits that nobody but the super-user may raise; the child keeps below them."""
    form = next(form for form in FORMATS if form.name == "parquet")
    form.write(tmp_path / "good.parquet", COLUMNS)
    program = (
        "import resource, sys, pathlib; from diffbench.inspection import inspect_file; "
        "resource.setrlimit(resource.RLIMIT_CPU, (6, 6)); "
        "print(inspect_file(pathlib.Path(sys.argv[1])).samples)"
    )
    command = [sys.executable, "-c", program, str(tmp_path / "good.parquet")]
    if os.geteuid() == 0:
        setpriv = shutil.which("setpriv")
        assert setpriv is not None, "root is above limits, and util-linux's setpriv is missing"
        command = [setpriv, "--bounding-set=-all", "--inh-caps=-all", *command]
    ran = subprocess.run(command, capture_output=True, encoding="utf-8", check=False)
    assert (ran.stdout.strip(), ran.stderr) == ("3", "")
