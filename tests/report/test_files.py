"""Results as files: whole or not at all, into one folder and nowhere else."""

from __future__ import annotations

import csv
import hashlib
import json
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from diffbench.errors import DocumentError, OutputError
from diffbench.exports import map_csv
from diffbench.report import NAMES, refresh_line, without_refresh, write_results
from diffbench.results import (
    BRANCHES,
    Characterisation,
    LockingMap,
    load_characterisation,
    load_map,
    make_map,
)
from diffbench.results.manifest import NAME as MANIFEST
from diffbench.results.manifest import check_whole


@pytest.fixture(autouse=True)
def quick_page(monkeypatch: pytest.MonkeyPatch) -> None:
    """The page has tests of its own: here its text does."""
    monkeypatch.setattr("diffbench.report.page.result_page", lambda *both, **options: "<!DOCTYPE html>\n")


def everything(folder: Path) -> dict[str, bytes | None]:
    """All that is in a folder, hidden ones too; folders as None."""
    return {
        str(path.relative_to(folder)): path.read_bytes() if path.is_file() else None
        for path in sorted(folder.rglob("*"))
    }


def test_four_files_their_manifest_and_nothing_else(
    complete: Characterisation, complete_map: LockingMap, tmp_path: Path
) -> None:
    """Paths come back in order, folders are made, and what is read again is what was written."""
    out = tmp_path / "new" / "result"
    written = write_results(out, complete, complete_map)
    assert written == [out / name for name in NAMES]
    expected = ["new", "new/result", *(f"new/result/{name}" for name in (*NAMES, MANIFEST))]
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
    for name in (*NAMES, "report.pdf", "faults.txt", "notes.txt"):
        (tmp_path / name).write_text("old", encoding="utf-8")
    write_results(tmp_path, complete, complete_map)
    assert (tmp_path / "notes.txt").read_text(encoding="utf-8") == "old"
    assert sorted(everything(tmp_path)) == sorted([*NAMES, MANIFEST, "notes.txt"])
    assert "old" not in {(tmp_path / name).read_text(encoding="utf-8") for name in NAMES}


def test_a_path_that_is_no_unicode_is_no_obstacle(
    complete: Characterisation, complete_map: LockingMap, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file name of an old code page comes in as a lone surrogate: valid UTF-8 goes out."""
    monkeypatch.setattr("diffbench.report.page.result_page", lambda *both, **options: "sweep-\udcb0C.csv")
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


def test_all_of_it_is_of_one_fit(
    complete: Characterisation, complete_map: LockingMap, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Manifest, map and page name the characterisation by its hash; a file of another fit is told."""
    monkeypatch.undo()
    write_results(tmp_path / "one", complete, complete_map)
    content = json.loads((tmp_path / "one" / "characterisation.json").read_bytes())
    manifest = check_whole(tmp_path / "one")
    assert manifest is not None
    assert set(manifest.files) == set(NAMES)
    for name, digest in manifest.files.items():
        assert hashlib.sha256((tmp_path / "one" / name).read_bytes()).hexdigest() == digest
    of_map = json.loads((tmp_path / "one" / "map.json").read_bytes())["characterisation_sha256"]
    page = (tmp_path / "one" / "report.html").read_text(encoding="utf-8")
    (of_page,) = re.findall(r'<meta name="characterisation-sha256" content="(\w+)">', page)
    assert content["sha256"] == of_map == of_page == manifest.result == complete.digest
    other = complete.model_copy(update={"date": "2026-01-01"})
    write_results(tmp_path / "two", other, make_map(other))
    shutil.copy(tmp_path / "two" / "map.json", tmp_path / "one" / "map.json")
    with pytest.raises(DocumentError, match=r"map\.json: .* of another fit"):
        load_map(tmp_path / "one")
    with pytest.raises(DocumentError, match=r"map\.json: .* of another fit"):
        load_characterisation(tmp_path / "one")


def test_a_page_that_calms_down_is_of_the_result_still(
    complete: Characterisation, complete_map: LockingMap, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The watch takes a line out of it at its end: manifest and page change as one."""
    monkeypatch.setattr(
        "diffbench.report.page.result_page", lambda *_, refresh: refresh_line(refresh) + "<p>page"
    )
    page = write_results(tmp_path, complete, complete_map, refresh=7)[-1]
    without_refresh(page, 7)
    assert page.read_text(encoding="utf-8") == "<p>page"
    assert check_whole(tmp_path) is not None
    page.write_text(refresh_line(7) + "mine", encoding="utf-8")
    with pytest.raises(DocumentError, match="edited"):
        without_refresh(page, 7)


def test_an_interrupt_leaves_what_was(
    complete: Characterisation, complete_map: LockingMap, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-C at any move: it goes through, and the folder is as it was; past the last file of an earlier
    result it is the new one."""
    old = dict.fromkeys(NAMES, b"old")
    for fails in range(1, 30):
        count = 0
        shutil.rmtree(tmp_path)
        tmp_path.mkdir()
        for name, content in old.items():
            (tmp_path / name).write_bytes(content)
        with monkeypatch.context() as patched:
            replace = Path.replace

            def interrupt(path: Path, target: Path, fails: int = fails, replace: Any = replace) -> Path:
                nonlocal count
                count += 1
                if count == fails:
                    raise KeyboardInterrupt
                return replace(path, target)

            patched.setattr(Path, "replace", interrupt)
            try:
                write_results(tmp_path, complete, complete_map)
            except KeyboardInterrupt:
                if everything(tmp_path) != old:
                    assert check_whole(tmp_path) is not None
                    assert sorted(everything(tmp_path)) == sorted([*NAMES, MANIFEST])
        if count < fails:
            break
    assert fails > 9  # one into force, three out, five in, one away: all were interrupted


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
from diffbench.results.predict import make_map
from diffbench.report import page, write_results
page.result_page = lambda *both, **options: "<!DOCTYPE html>"
result = s.complete()
sys.dont_write_bytecode = True  # a compiled module cut at 4 kB would break whoever loads it next
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


def test_the_page_is_never_missing() -> None:
    """It is the last of its set, which takes the place of the earlier one in one step: a browser that loads
    it again and again finds one."""
    assert NAMES[-1] == "report.html"
