"""Results as files: whole or not at all, into one folder and nowhere else."""

from __future__ import annotations

import csv
import errno
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from diffbench.characterisation import Characterisation, load_characterisation
from diffbench.errors import OutputError
from diffbench.locking_map import BRANCHES, LockingMap, load_map
from diffbench.report import files
from diffbench.report.files import NAMES, map_csv, write_results


@pytest.fixture(autouse=True)
def quick_page(monkeypatch: pytest.MonkeyPatch) -> None:
    """The page has tests of its own: here its text does."""
    monkeypatch.setattr("diffbench.report.page.page", lambda *both, **options: "<!DOCTYPE html>\n")


def everything(folder: Path) -> dict[str, bytes | None]:
    """All that is in a folder, hidden ones too; folders as None."""
    return {
        str(path.relative_to(folder)): path.read_bytes() if path.is_file() else None
        for path in sorted(folder.rglob("*"))
    }


def test_four_files_and_nothing_else(
    complete: Characterisation, complete_map: LockingMap, tmp_path: Path
) -> None:
    """Paths come back in order, folders are made, and what is read again is what was written."""
    out = tmp_path / "new" / "result"
    written = write_results(out, complete, complete_map)
    assert written == [out / name for name in NAMES]
    expected = ["new", "new/result", *(f"new/result/{name}" for name in NAMES)]
    assert sorted(everything(tmp_path)) == sorted(expected)
    assert load_characterisation(written[0]).model_dump() == complete.model_dump()
    assert load_map(written[1]).document == complete_map.document
    assert written[3].read_text(encoding="utf-8").startswith("<!DOCTYPE html>")


def test_csv_is_the_map(complete_map: LockingMap) -> None:
    """Header by the contract, one node a line, the numbers those of map.json in full."""
    rows = list(csv.DictReader(map_csv(complete_map).splitlines()))
    document = json.loads(complete_map.to_json())
    axes = document["axes"]
    assert list(rows[0]) == [
        "input_torque_Nm", "speed_difference_rad_s", "temperature_degC",
        *(f"{b}_{c}" for b in BRANCHES for c in ("locking_torque_Nm", "low_Nm", "high_Nm", "tested")),
        *(f"{b}_{c}" for b in BRANCHES for c in ("beyond_per_Nm", "beyond_half_width_per_Nm")),
        *("beyond_half_width_share_per_rad_s", "beyond_half_width_share_per_K"),
    ]  # fmt: skip
    sizes = [len(axes[name]) for name in ("input_torque_Nm", "speed_difference_rad_s", "temperature_degC")]
    assert len(rows) == sizes[0] * sizes[1] * sizes[2]
    for number, row in enumerate(rows):
        k, j, i = number % sizes[2], number // sizes[2] % sizes[1], number // sizes[2] // sizes[1]
        assert float(row["input_torque_Nm"]) == axes["input_torque_Nm"][i]
        assert float(row["speed_difference_rad_s"]) == axes["speed_difference_rad_s"][j]
        assert float(row["temperature_degC"]) == axes["temperature_degC"][k]
        for branch in BRANCHES:
            table = document["branches"][branch]
            assert float(row[f"{branch}_locking_torque_Nm"]) == table["locking_torque_Nm"][i][j][k]
            assert float(row[f"{branch}_low_Nm"]) == table["low_Nm"][i][j][k]
            assert float(row[f"{branch}_high_Nm"]) == table["high_Nm"][i][j][k]
            assert row[f"{branch}_tested"] == ("true" if table["tested"][i][j][k] else "false")


def test_an_earlier_result_is_replaced(
    complete: Characterisation, complete_map: LockingMap, tmp_path: Path
) -> None:
    """Old files of a result go, what else is in the folder stays."""
    for name in (*NAMES, "notes.txt"):
        (tmp_path / name).write_text("old", encoding="utf-8")
    write_results(tmp_path, complete, complete_map)
    assert (tmp_path / "notes.txt").read_text(encoding="utf-8") == "old"
    assert sorted(everything(tmp_path)) == sorted([*NAMES, "notes.txt"])
    assert "old" not in {(tmp_path / name).read_text(encoding="utf-8") for name in NAMES}


def test_a_path_that_is_no_unicode_is_no_obstacle(
    complete: Characterisation,
    complete_map: LockingMap,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A file name of an old code page comes in as a lone surrogate: valid UTF-8 goes out."""
    monkeypatch.setattr("diffbench.report.page.page", lambda *both, **options: "sweep-\udcb0C.csv")
    odd = complete.model_copy(
        update={
            "provenance": complete.provenance.model_copy(update={"inputs": {"sweep-\udcb0C.csv": "00" * 32}})
        }
    )
    written = write_results(tmp_path, odd, complete_map)
    (name,) = json.loads(written[0].read_bytes())["provenance"]["inputs"]
    assert name.startswith("sweep-")
    assert written[3].read_text(encoding="utf-8") == "sweep-\\udcb0C.csv"


def refused(out: Path, result: Characterisation, locking_map: LockingMap) -> str:
    """The one fault of a refusal, as a line."""
    with pytest.raises(OutputError) as caught:
        write_results(out, result, locking_map)
    assert len(caught.value.faults) == 1
    fault = caught.value.faults[0]
    assert fault.mend
    assert ".diffbench-" not in str(fault)
    return str(fault)


def test_a_file_in_the_place_of_the_folder(
    complete: Characterisation, complete_map: LockingMap, tmp_path: Path
) -> None:
    """Named, and left as it is."""
    out = tmp_path / "result"
    out.write_text("mine", encoding="utf-8")
    assert f"{out}: is a file, a folder is wanted" in refused(out, complete, complete_map)
    assert everything(tmp_path) == {"result": b"mine"}


def test_a_file_above_the_folder(
    complete: Characterisation, complete_map: LockingMap, tmp_path: Path
) -> None:
    """A part of the path is a file: nothing can be made below it."""
    (tmp_path / "file").write_text("mine", encoding="utf-8")
    assert "Mend:" in refused(tmp_path / "file" / "a" / "b", complete, complete_map)
    assert everything(tmp_path) == {"file": b"mine"}


@pytest.mark.skipif(
    not Path("/proc/self").exists(), reason="needs a folder that even the superuser cannot write: /proc"
)
def test_a_folder_that_cannot_be_written(complete: Characterisation, complete_map: LockingMap) -> None:
    """What the system refuses is told with the place, for the superuser too."""
    assert "/proc/diffbench-result" in refused(Path("/proc/diffbench-result"), complete, complete_map)
    assert "/proc/self" in refused(Path("/proc/self"), complete, complete_map)


@pytest.mark.parametrize("name", NAMES)
def test_a_folder_in_the_place_of_a_file(
    complete: Characterisation, complete_map: LockingMap, tmp_path: Path, name: str
) -> None:
    """Seen before anything is moved: the earlier result stands whole."""
    for other in NAMES:
        if other != name:
            (tmp_path / other).write_text("old", encoding="utf-8")
    (tmp_path / name).mkdir()
    before = everything(tmp_path)
    told = refused(tmp_path, complete, complete_map)
    assert f"{tmp_path / name}: a folder stands where a file of the result goes" in told
    assert everything(tmp_path) == before


@pytest.mark.parametrize("fails", [1, 2, 3, 4])
def test_full_disk_while_writing(
    complete: Characterisation,
    complete_map: LockingMap,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    fails: int,
) -> None:
    """The disk is full at any of the files: an earlier result stands, new folders are gone, the mend is
    named."""
    count = 0
    write = Path.write_bytes

    def full(path: Path, data: bytes) -> int:
        nonlocal count
        count += 1
        if count == fails:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(path))
        return write(path, data)

    (tmp_path / "map.csv").write_text("old", encoding="utf-8")
    monkeypatch.setattr(Path, "write_bytes", full)
    told = refused(tmp_path, complete, complete_map)
    assert "No space left on device" in told
    assert "make room on that disk" in told
    count = 0
    refused(tmp_path / "deep" / "er", complete, complete_map)
    assert everything(tmp_path) == {"map.csv": b"old"}


@pytest.mark.parametrize("fails", [1, 2, 3, 4])
def test_a_move_that_fails_puts_everything_back(
    complete: Characterisation,
    complete_map: LockingMap,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    fails: int,
) -> None:
    """Whichever file cannot be put into place, the folder is as it was: old files old, new files none."""
    for name in ("characterisation.json", "map.csv"):
        (tmp_path / name).write_text("old", encoding="utf-8")
    before = everything(tmp_path)
    count = 0
    replace = Path.replace

    def refuse(path: Path, target: Path) -> Path:
        nonlocal count
        if path.parent.name.startswith(".diffbench-") and path.name in NAMES:
            count += 1
            if count == fails:
                raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path), None, str(target))
        return replace(path, target)

    monkeypatch.setattr(Path, "replace", refuse)
    told = refused(tmp_path, complete, complete_map)
    assert str(tmp_path / NAMES[fails - 1]) in told
    assert everything(tmp_path) == before


def test_an_interrupt_leaves_nothing(
    complete: Characterisation, complete_map: LockingMap, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-C between two moves: the interrupt goes through, and the folder is as it was."""
    (tmp_path / "report.html").write_text("old", encoding="utf-8")
    replace = Path.replace

    def interrupt(path: Path, target: Path) -> Path:
        if path.name == "map.csv" and path.parent.name.startswith(".diffbench-"):
            raise KeyboardInterrupt
        return replace(path, target)

    monkeypatch.setattr(Path, "replace", interrupt)
    with pytest.raises(KeyboardInterrupt):
        write_results(tmp_path, complete, complete_map)
    assert everything(tmp_path) == {"report.html": b"old"}


@pytest.mark.skipif(sys.platform == "win32", reason="limits on the size of files are POSIX")
def test_a_limit_of_the_system_is_told(synthetic: object, tmp_path: Path) -> None:
    """A real refusal of the system, not a feigned one: files may not grow beyond 4 kB."""
    helper = Path(__file__).with_name("synthetic.py")
    code = f"""
import importlib.util, resource, sys
from pathlib import Path
spec = importlib.util.spec_from_file_location("s", {str(helper)!r})
s = importlib.util.module_from_spec(spec); spec.loader.exec_module(s)
from diffbench.errors import OutputError
from diffbench.predict import make_map
from diffbench.report import page
from diffbench.report.files import write_results
page.page = lambda *both, **options: "<!DOCTYPE html>"
result = s.complete()
resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))
try:
    write_results(Path(sys.argv[1]), result, make_map(result))
except OutputError as error:
    print(error)
"""
    out = tmp_path / "result"
    done = subprocess.run([sys.executable, "-c", code, str(out)], capture_output=True, text=True, check=True)
    assert "File too large" in done.stdout
    assert "raise the limit on the size of a file" in done.stdout
    assert everything(tmp_path) == {}


def test_page_speaks_last() -> None:
    """The page is put into place after what it speaks of."""
    assert files.NAMES[-1] == "report.html"
