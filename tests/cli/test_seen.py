"""What a terminal is shown, step by step, and what a watch prints: by a clock and events of our own."""

from __future__ import annotations

import gc
import io
import json
import os
import re
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any, ClassVar

import pytest
from click.testing import Result

from diffbench.cli.fit_all import _file, _first, _read, _row, _table, _tell_faults
from diffbench.cli.terminal import Progress, at_a_terminal, colour, print_json, print_text, width
from diffbench.run import Fleet, Outcome

Run = Callable[..., Result]


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Callable[[float], None]:
    """A clock that goes on when it is told to [s]."""
    now = [100.0]
    monkeypatch.setattr(time, "monotonic", lambda: now[0])

    def on(seconds: float) -> None:
        now[0] += seconds

    return on


def test_progress_writes_one_line_over_the_other(
    clock: Callable[[float], None], capsys: pytest.CaptureFixture[str]
) -> None:
    """On standard error, with the seconds since it began, no longer than a line; the last one goes."""
    with Progress(enabled=True) as say:
        clock(1.25)
        say("reading\x1b[2J")
        clock(10.0)
        say("fit")
        say(120 * "x")
    first, second = "  1.2 s  reading\\x1b[2J", " 11.2 s  fit"
    long = f" 11.2 s  {90 * 'x'}"
    assert len(long) == 99
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err == f"\r{first}\r{second.ljust(len(first))}\r{long}\r{99 * ' '}\r"
    with Progress(enabled=True) as say:
        say("one")
        say.clear()
        say.clear()
    assert capsys.readouterr().err == f"\r  0.0 s  one\r{12 * ' '}\r"


def test_progress_in_full_or_not_at_all(
    clock: Callable[[float], None], capsys: pytest.CaptureFixture[str]
) -> None:
    """Verbose, each step stays on a line; silent where nobody looks."""
    with Progress(enabled=True, verbose=True) as say:
        clock(2.5)
        say("fit")
    assert capsys.readouterr().err == "   2.50 s  fit\n"
    with Progress(enabled=False) as say:
        say("fit")
        say.clear()
    assert capsys.readouterr() == ("", "")


@pytest.mark.parametrize(
    ("out", "into", "bare", "seen"),
    [
        (True, True, None, (True, True, 80)),
        (True, False, None, (False, True, 80)),
        (False, True, None, (False, False, 100)),
        (True, True, "1", (True, False, 80)),
        (True, True, "", (True, True, 80)),
    ],
)
def test_what_a_terminal_can_show(
    monkeypatch: pytest.MonkeyPatch, out: bool, into: bool, bare: str | None, seen: tuple[bool, bool, int]
) -> None:
    """Whether somebody can be asked, whether there may be colour (no-color.org), and how wide a line is: as
    the terminal has it, a hundred columns at most and where nothing cuts lines."""
    monkeypatch.setattr(sys, "stdout", io.StringIO())
    monkeypatch.setattr(sys.stdout, "isatty", lambda: out)
    monkeypatch.setattr(sys.stdin, "isatty", lambda: into)
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.delenv("NO_COLOR", raising=False)
    if bare is not None:
        monkeypatch.setenv("NO_COLOR", bare)
    assert (at_a_terminal(), colour(), width()) == seen
    monkeypatch.setenv("COLUMNS", "101")
    assert width() == 100


def test_lines_go_out_as_they_are(capsys: pytest.CaptureFixture[str]) -> None:
    """Plain and on standard output unless it is said; JSON in any script, on one line or indented."""
    print_text("a\x1b[1m\nb")
    assert capsys.readouterr() == ("a\\x1b[1m\nb\n", "")
    print_text("a", err=True)
    assert capsys.readouterr() == ("", "a\n")
    print_json({"é": [1]})
    print_json({"é": [1]}, indent=1)
    assert capsys.readouterr().out == '{"é": [1]}\n{\n "é": [\n  1\n ]\n}\n'
    with pytest.raises(ValueError, match="JSON"):
        print_json(float("nan"))


def event(kind: str, file: str, text: str) -> SimpleNamespace:
    """As a watch tells it."""
    return SimpleNamespace(kind=kind, file=file, text=text)


class Events:
    """In the place of a watch: what happened at the first look; at the third somebody presses Ctrl-C."""

    asked: ClassVar[dict[str, Any]] = {}
    slept: ClassVar[list[float]] = []

    def __init__(self, folder: Path, out: Path, **options: Any) -> None:
        self.looks = 0
        self.closed = False
        self.pages = [Path("out/report.html"), Path("out/b/report.html")]
        Events.asked = {"folder": folder.name, "out": out.name, **options}

    def look(self, now: float) -> list[Any]:
        del now
        self.looks += 1
        if self.looks == 3:
            raise KeyboardInterrupt
        return (
            [
                event("paper", "/v/run.toml", "is in order now"),
                event("recording", "/v/sweep.csv", "complete: 7 samples over 3 s"),
                event("fitting", "/v/run.toml", "fitting 1 of 1 recordings"),
                event("fitted", "/o/report.html", "preload torque 83.2 N·m"),
                event("fault", "/v/run.toml", "/v/run.toml, line 3: wrong"),
            ]
            if self.looks == 1
            else []
        )

    def close(self) -> None:
        self.closed = True


@pytest.fixture
def watched(run: Run, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Callable[..., list[str]]:
    """Lines that a watch prints of these events, without their times."""
    monkeypatch.setattr("diffbench.run.watch.Watch", Events)
    monkeypatch.setattr("diffbench.cli.watch.time.sleep", Events.slept.append)
    monkeypatch.setattr("diffbench.cli.watch.signal.signal", lambda *_: None)

    def lines(*options: str) -> list[str]:
        Events.slept.clear()
        result = run("watch", tmp_path, "--out", tmp_path / "out", *options)
        assert (result.exit_code, result.stderr) == (0, "")
        return [re.sub(r"^\d\d:\d\d:\d\d  ", "", line) for line in result.stdout.splitlines()]

    return lines


def test_what_a_watch_prints(watched: Callable[..., list[str]]) -> None:
    """Recordings and papers by their names, the rest by their paths; quiet, faults and results alone; as
    JSON, all of it. It looks every two seconds, and its page loads itself again after twice that, five
    seconds at least."""
    told = [
        "/o/report.html: preload torque 83.2 N·m",
        "/v/run.toml, line 3: wrong",
    ]
    assert watched() == [
        "run.toml: is in order now",
        "sweep.csv: complete: 7 samples over 3 s",
        "/v/run.toml: fitting 1 of 1 recordings",
        *told,
        "Ended. The last result stands in out/report.html, out/b/report.html.",
    ]
    assert Events.slept == [2.0, 2.0]
    assert {key: Events.asked[key] for key in ("out", "settle", "refresh")} == {
        "out": "out", "settle": 10.0, "refresh": 5
    }  # fmt: skip
    assert watched("--quiet", "--every", "2.6", "--settle", "3") == told
    assert Events.slept == [2.6, 2.6]
    assert (Events.asked["settle"], Events.asked["refresh"]) == (3.0, 5)
    found = [json.loads(line) for line in watched("--json", "--every", "4")]
    assert [one["kind"] for one in found] == ["paper", "recording", "fitting", "fitted", "fault"]
    assert found[1] == {"kind": "recording", "file": "/v/sweep.csv", "text": "complete: 7 samples over 3 s"}
    assert Events.asked["refresh"] == 8


def test_a_command_looks_for_rubbish_seldom_and_takes_one_thread(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Unless the user says otherwise."""
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("OMP_NUM_THREADS", "3")
    assert run("rigs").exit_code == 0
    assert gc.get_threshold() == (100_000, 20, 50)
    assert [os.environ[f"{name}_NUM_THREADS"] for name in ("OPENBLAS", "OMP", "MKL")] == ["1", "3", "1"]


def rows() -> list[dict[str, Any]]:
    """Of an overview, in the order that it has."""
    plain = {"folder": "f", "status": "fitted", "unit": "Q17", "build": "=a", "date": "2026-01-01"}
    return [
        {"run_sheet": "d", **plain, "status": "faults", "faults": ["x"], "preload_torque": None,
         "preload_torque_u": None, "state": None},
        {"run_sheet": "b", **plain, "faults": [], "preload_torque": 61.234, "preload_torque_u": 1.23,
         "state": "out-of-limits"},
        {"run_sheet": "a", **plain, "faults": [], "preload_torque": 81.234, "preload_torque_u": None,
         "state": "good"},
        {"run_sheet": "c", **plain, "faults": [], "preload_torque": 82.0, "preload_torque_u": 0.5,
         "state": "good"},
    ]  # fmt: skip


def test_an_overview_begins_with_what_failed() -> None:
    """Then what is beyond a limit, then the rest by name; digits as the uncertainty leaves them, and no
    formula for a spreadsheet. Faults stand elsewhere, the state in the last column."""
    given = rows()
    assert sorted([given[2], given[1], given[3], given[0]], key=_first) == given
    assert _table(given[::-1]).decode().splitlines() == [
        "run_sheet,folder,status,unit,build,date,preload_torque,preload_torque_u,state",
        "d,f,faults,Q17,'=a,2026-01-01,,,",
        "b,f,fitted,Q17,'=a,2026-01-01,61.2,1.2,out-of-limits",
        "a,f,fitted,Q17,'=a,2026-01-01,81.23,,good",
        "c,f,fitted,Q17,'=a,2026-01-01,82.00,0.50,good",
    ]
    assert _read(given[1])["preload_torque"] == "61.2"


def test_faults_are_told_twenty_at_most(capsys: pytest.CaptureFixture[str]) -> None:
    """The others stand beside the results; on standard error."""
    _tell_faults([f"{i}.toml: wrong" for i in range(20)])
    told = capsys.readouterr()
    assert (told.out, told.err.splitlines()[0], len(told.err.splitlines())) == (
        "",
        "diffbench: 0.toml: wrong",
        20,
    )
    _tell_faults([f"{i}.toml: wrong" for i in range(22)])
    told = capsys.readouterr()
    assert told.out == ""
    assert len(told.err.splitlines()) == 21
    assert told.err.splitlines()[-1] == "diffbench: 2 more faults: see faults.txt in the folders"


def test_results_are_filed_a_hundred_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """In the history that is named."""
    added: list[int] = []

    class Store:
        def add(self, folders: list[Path]) -> None:
            added.append(len(folders))

    opened: list[str | None] = []
    monkeypatch.setattr("diffbench.history.open_history", lambda store: opened.append(store) or Store())
    _file([Path(str(i)) for i in range(201)], "here")
    assert (added, opened) == ([100, 100, 1], ["here"])


def test_a_row_of_a_run_sheet_with_faults_is_empty(tmp_path: Path) -> None:
    """But for where it is and what is wrong; every column of the others is there."""
    fleet = Fleet(tmp_path / "visits", tmp_path / "out", ())
    row = _row(fleet, Outcome(str(tmp_path / "visits" / "a" / "run.toml"), {}, ("wrong", "too")))
    told = ("run_sheet", "folder", "status", "faults")
    assert [row.pop(name) for name in told] == ["a/run.toml", "a/run", "faults", ["wrong", "too"]]
    assert set(row.values()) == {None}
    assert [*row][:6] == ["unit", "build", "date", "limits", "preload_torque", "preload_torque_u"]
    assert [*row][-3:] == ["preload_torque_as_read", "preload_torque_as_read_u", "state"]
