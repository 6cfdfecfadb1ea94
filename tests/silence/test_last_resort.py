"""Nothing ends with a traceback, or with the status of a broken limit, that is none."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest


@pytest.fixture
def raising(run, monkeypatch: pytest.MonkeyPatch, tmp_path: Path):
    """End a command by an exception."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))

    def of(error: BaseException):
        def raise_it(*_: object) -> None:
            raise error

        monkeypatch.setattr("diffbench.results.characterisation.load_characterisation", raise_it)
        return run("show", "x.json")

    return of


def test_what_nobody_foresaw_ends_with_three(raising, tmp_path: Path) -> None:
    """One line, which names a file that has what a report needs."""
    result = raising(ZeroDivisionError("a \x1b]0;title\x07 of a cell" + 500 * "x"))
    assert result.exit_code == 3
    assert result.stdout == ""
    (line,) = result.stderr.splitlines()
    assert "\x1b" not in line
    (path,) = re.findall(rf"{re.escape(str(tmp_path))}\S+\.txt", line)
    told = Path(path).read_text(encoding="utf-8")
    assert "ZeroDivisionError" in told
    assert "in raise_it" in told
    assert re.search(r"diffbench \d+\.\d+", told)
    assert "Python 3" in told
    # an error's own words may quote what was read: two hundred characters of them
    words = "a \x1b]0;title\x07 of a cell"
    assert f"{words}{(200 - len(words)) * 'x'}\n" in told
    assert f"cell{(200 - len(words)) * 'x'})" in line
    assert Path(path).stat().st_mode & 0o077 == 0  # nobody else's


def test_a_report_tells_what_was_raised_from_what_and_the_last_calls(
    raising, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both errors, each with its calls; of one that goes on without end forty. What is not installed is left
    out."""

    def deeper(count: int) -> None:
        if count == 0:
            try:
                {}["inner"]
            except KeyError as error:
                raise ValueError("outer") from error
        deeper(count - 1)

    try:
        deeper(60)
    except ValueError as error:
        raised = error
    monkeypatch.setattr("diffbench.last_resort._LIBRARIES", ("numpy", "no-such-library"))
    line = raising(raised).stderr
    assert line.startswith("diffbench: an error that nobody foresaw (ValueError: outer); this is a mistake")
    (path,) = tmp_path.glob("diffbench-error-*.txt")
    assert f"Mend: report it with the file {path}; look through it before you send it." in line
    told = path.read_text(encoding="utf-8")
    (_, outer, inner) = told.split(", raised by:\n")
    assert told.partition(", raised by:")[0].endswith("\nValueError")
    assert outer.count(", line ") == 40
    assert outer.endswith("\nKeyError")
    assert inner.count(", line ") == 1
    assert inner.endswith('{}["inner"]\n')
    assert re.search(r"\nversions diffbench \S+, numpy \S+\n\n", told)


def test_a_report_that_cannot_be_written_is_no_second_error(raising, monkeypatch) -> None:
    """The line comes all the same."""
    monkeypatch.setattr("tempfile.tempdir", "/nonexistent")
    result = raising(KeyError("unit"))
    assert result.exit_code == 3
    (line,) = result.stderr.splitlines()
    assert line.endswith("not in your file. Mend: report it, with the command that you gave.")


@pytest.mark.parametrize(
    ("error", "status", "said"),
    [
        (MemoryError(), 2, "the memory of this machine does not suffice. Mend: close other programs, or cut"),
        (OSError("odd"), 2, "diffbench: the system refuses it (odd). Mend: check the path, what you may do"),
        (OSError(28, "No space left on device", "/x/y"), 2, "/x/y: the system refuses it (No space left"),
        (RecursionError("maximum recursion depth exceeded"), 3, "RecursionError"),
        (KeyboardInterrupt(), 130, "stopped"),
    ],
    ids=lambda value: type(value).__name__,
)
def test_what_the_machine_refuses_has_its_own_status(raising, error, status: int, said: str) -> None:
    """Not a mistake of the program: told as what it is."""
    result = raising(error)
    assert result.exit_code == status
    assert said in result.stderr
    assert "Traceback" not in result.stderr


def _parameter(**changes: object) -> Callable[[dict[str, Any]], object]:
    return lambda document: document["parameters"]["preload_torque"].update(changes)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (_parameter(value=1e6), "parameters.preload_torque: the value is not within its own interval"),
        (_parameter(u=-1.0), "the uncertainty is negative"),
        (_parameter(u=float("inf")), "parameters.preload_torque.u: a number is infinite, or none"),
        (_parameter(value=float("nan")), "a number is infinite, or none"),
    ],
)
@pytest.mark.parametrize("command", ["show", "conformity"])
def test_a_characterisation_that_cannot_be_is_refused(
    run, demo, tmp_path: Path, change, said: str, command: str
) -> None:
    """By key, with status 2."""
    document = json.loads((demo.folder / "characterisation.json").read_text(encoding="utf-8"))
    change(document)
    path = tmp_path / "edited.json"
    path.write_text(json.dumps(document), encoding="utf-8")
    result = run(command, path)
    assert result.exit_code == 2
    assert said in result.stderr


@pytest.mark.parametrize("to", ["csv", "c", "fmi2", "mat", "netcdf", "python", "modelica"])
@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"confidence": float("inf")}, "confidence: a number is infinite"),
        ({"confidence": 95.0}, "no confidence lies outside 0 to 1"),
        ({"unit": "\ud800"}, "unit: a text holds half a character"),
    ],
)
def test_a_map_that_cannot_be_is_not_exported(run, demo, tmp_path: Path, to: str, change, said) -> None:
    """Whatever the format; nothing is written."""
    document = json.loads((demo.folder / "map.json").read_text(encoding="utf-8"))
    document.pop("sha256", None)
    path = tmp_path / "edited.json"
    path.write_text(json.dumps({**document, **change}), encoding="utf-8")
    result = run("export", path, "--to", to, "--out", tmp_path / "out" / "x")
    assert result.exit_code == 2
    assert said in result.stderr
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("step", ["5e-324", "1e-300", "1e-15", "1e9"])
def test_a_time_step_that_no_bench_has_is_refused(run, visits: Path, step: str) -> None:
    """Too short for anything mechanical, or years."""
    path = visits / "refit-1.csv"
    header, *rows = path.read_text(encoding="utf-8").splitlines()[:2000]
    changed = [f"{i * float(step)!r},{row.split(',', 1)[1]}" for i, row in enumerate(rows)]
    path.write_text("\n".join([header, *changed]) + "\n", encoding="utf-8")
    result = run("fit", visits / "run-refit-1.toml")
    assert result.exit_code == 2
    assert "from sample to sample, which is no bench's" in result.stderr


def test_names_that_are_no_unicode_go_in_and_out(visits: Path, tmp_path: Path) -> None:
    """A result of such a file can be read again, and its name is printed with escapes."""
    program = [sys.executable, "-m", "diffbench"]
    folder = os.fsencode(tmp_path) + b"/v\xff"
    visits.rename(os.fsdecode(folder))
    out = os.fsencode(tmp_path) + b"/out\xfe"
    for words in (
        [b"fit", folder + b"/run-refit-1.toml", b"--out", out],
        [b"show", out + b"/characterisation.json", b"--verbose"],
        [b"export", out + b"/map.json", b"--to", b"csv", b"--out", os.fsencode(tmp_path) + b"/x"],
        [b"inspect", folder + b"/refit-1.csv"],
    ):
        done = subprocess.run([*map(os.fsencode, program), *words], capture_output=True, check=False)
        assert done.returncode == 0, done.stderr
        assert b"\xff" not in done.stdout


def test_numbers_and_map_are_kept_where_the_page_cannot_be_drawn(
    run, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, repository: Path
) -> None:
    def broken(*_: object, **__: object) -> str:
        raise ZeroDivisionError("of a figure")

    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    out, sheet = tmp_path / "out", repository / "fixtures" / "hand-readings" / "run.toml"
    assert run("fit", sheet, "--out", out).exit_code == 0
    monkeypatch.setattr("diffbench.report.page.result_page", broken)
    result = run("fit", sheet, "--out", out, "--afresh")
    assert result.exit_code == 3
    # nor does the page of the earlier result stand beside them
    names = ["characterisation.json", "map.csv", "map.json", "result-manifest.json"]
    assert sorted(path.name for path in out.iterdir()) == names
    written, told = result.stderr.splitlines()
    assert written.startswith(f"Written: {out / 'characterisation.json'}, ")
    assert told.startswith("diffbench: an error that nobody foresaw (ZeroDivisionError: of a figure)")
