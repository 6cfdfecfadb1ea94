"""A folder that is watched: files that appear, grow, are held, come late or stay broken."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import time
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from diffbench import Characterisation
from diffbench.documents import Visit, run_sheets_in
from diffbench.errors import FitError, ReadingError
from diffbench.run import Watch, watch

SAMPLES = 1500  # fifteen seconds of the demo's sweep: read in no time


class Bench:
    """A bench of ours: a folder, a clock that we set, and fits that are only noted down."""

    def __init__(self, path: Path, out: Path, demo: Path) -> None:
        self.folder, self.out, self._demo = path, out, demo
        self.clock = 0.0
        self.fits: list[list[str]] = []
        self.watch = Watch(path, out, sheets=run_sheets_in, settle=5.0, refresh=7, progress=lambda _: None)

    def lines(self, name: str) -> list[bytes]:
        """Lines of a recording of the demo."""
        return (self._demo / "rebuilt" / name).read_bytes().splitlines(keepends=True)

    def papers(self, *runs: tuple[str, str]) -> None:
        """Rig, build sheet and a run sheet for these files and kinds."""
        for name in ("twin-flange-cell.toml", "unit-q17-rebuilt.toml"):
            shutil.copy(self._demo / name, self.folder / name)
        sheet = (
            'format = "diffbench-run/1"\nrig = "twin-flange-cell.toml"\n'
            'build = "unit-q17-rebuilt.toml"\ndate = 2026-04-14\n'
        )
        for file, kind in runs:
            sheet += f'\n[[run]]\nfile = "{file}"\nkind = "{kind}"\n'
        (self.folder / "run.toml").write_text(sheet, encoding="utf-8")

    def look(self, after: float = 1.0) -> list[tuple[str, str]]:
        """Look again after some seconds: kinds and texts of what is new."""
        self.clock += after
        return [(event.kind, event.text) for event in self.watch.look(self.clock)]


@pytest.fixture
def bench(
    tmp_path: Path, repository: Path, monkeypatch: pytest.MonkeyPatch, made_by_hand: Characterisation
) -> Bench:
    """A bench whose fits return a result made by hand."""
    (tmp_path / "visit").mkdir()
    made = Bench(tmp_path / "visit", tmp_path / "out", repository / "fixtures" / "demo")

    def noted(visit: Visit, *, progress: object) -> Characterisation:
        made.fits.append([run.file for run in visit.run_sheet.run])
        return made_by_hand

    def written(directory: Path, *_: object, refresh: int) -> list[Path]:
        directory.mkdir(parents=True, exist_ok=True)
        page = directory / "report.html"
        page.write_text(f'<meta http-equiv="refresh" content="{refresh}">\n<p>page</p>\n')
        return [directory / "characterisation.json", directory / "map.json", page]

    monkeypatch.setattr(watch, "fit", noted)
    monkeypatch.setattr(watch, "make_map", lambda _: None)
    monkeypatch.setattr(watch, "write_results", written)
    return made


def test_a_recording_is_followed_until_it_is_complete(bench: Bench) -> None:
    """New, grown with half a line at its end, quiet, fitted once; and again when it has grown once more."""
    bench.papers(("bias-sweep.csv", "bias-sweep"))
    assert bench.look() == []  # nothing has come yet
    lines, file = bench.lines("bias-sweep.csv"), bench.folder / "bias-sweep.csv"
    file.write_bytes(b"".join(lines[:301]))
    assert bench.look() == [("recording", "300 samples over 3 s so far")]
    with file.open("ab") as stream:
        stream.write(b"".join(lines[301:901]) + lines[901][:7])
    ((kind, text),) = bench.look()
    assert kind == "recording"
    assert text == "is still being written" or text.endswith("so far")
    assert bench.look(4.0) == []  # not yet quiet for long enough
    file.write_bytes(b"".join(lines[:901]))
    bench.look()
    assert bench.look(6.0) == [
        ("recording", "complete: 900 samples over 9 s"),
        ("fitting", "fitting 1 of 1 recordings"),
        ("fitted", "1 of 1 recordings: preload torque 83.2 ± 1.3 N·m"),
    ]
    assert bench.look(60.0) == []  # once
    file.write_bytes(b"".join(lines[:1201]))
    bench.look()
    assert ("recording", "complete: 1200 samples over 12 s") in bench.look(6.0)
    assert bench.fits == [["bias-sweep.csv"]] * 2


def test_a_growing_file_is_read_again_when_that_is_worth_it(bench: Bench) -> None:
    """Grown by a quarter it is not, by a byte more it is; nor is one that changed and is as long as before,
    but one that is a byte shorter. Quiet for as long as it takes, and no less, it is complete."""
    bench.papers(("bias-sweep.csv", "bias-sweep"))
    lines, file = b"".join(bench.lines("bias-sweep.csv")), bench.folder / "bias-sweep.csv"
    size = 4 * (len(b"".join(bench.lines("bias-sweep.csv")[:301])) // 4)

    def look(content: bytes) -> list[str]:
        before = file.stat().st_mtime_ns if file.exists() else 0
        file.write_bytes(content)
        os.utime(file, ns=(0, before + 1_000_000_000))
        return [text for _, text in bench.look()]

    ((first,),) = [look(lines[:size])]
    assert first.endswith("samples over 3 s so far")
    assert look(lines[: 5 * size // 4]) == []
    ((second,),) = [look(lines[: 5 * size // 4 + 1])]
    assert second.endswith("samples over 4 s so far")
    assert look(b"x" * (5 * size // 4 + 1)) == []
    assert look(b"x" * (5 * size // 4)) == ["is still being written"]
    assert look(lines[: 5 * size // 4 - 1]) == [second]
    assert bench.look(4.9) == []
    assert bench.look(0.1)[0][1].startswith("complete: ")


def test_samples_of_all_parts_and_the_last_time_are_told(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three parts, the last one without samples: two and three of them, to 8 s by the last one."""
    bench.papers(("bias-sweep.csv", "bias-sweep"))
    (bench.folder / "bias-sweep.csv").write_bytes(b"1")
    parts = [np.array(times) for times in ([0.0, 1.0], [2.0, 5.0, 8.0], [])]
    monkeypatch.setattr(watch, "read_parts", lambda *_, **__: (SimpleNamespace(time=part) for part in parts))
    assert bench.look() == [("recording", "5 samples over 8 s so far")]


def test_a_file_that_grows_while_it_is_read_is_still_being_written(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever was read of it."""
    bench.papers(("bias-sweep.csv", "bias-sweep"))
    file = bench.folder / "bias-sweep.csv"
    file.write_bytes(b"1")

    def growing(*_: object, **__: object) -> list[SimpleNamespace]:
        file.write_bytes(b"12")
        return [SimpleNamespace(time=np.array([0.0, 1.0]))]

    monkeypatch.setattr(watch, "read_parts", growing)
    assert bench.look() == [("recording", "is still being written")]


def test_of_several_faults_the_first_is_told_and_how_many_more_there_are(bench: Bench) -> None:
    """Three of its columns renamed."""
    bench.papers(("bias-sweep.csv", "bias-sweep"))
    head, *rest = bench.lines("bias-sweep.csv")[:301]
    for name in (b"Torque LH", b"Torque RH", b"Speed LH"):
        assert name in head
        head = head.replace(name, b"other_" + name[::-1])
    (bench.folder / "bias-sweep.csv").write_bytes(b"".join([head, *rest]))
    bench.look()
    assert re.search(r"\. \(and 2 more\)$", bench.look(6.0)[0][1])


def test_what_the_system_does_not_give_is_waited_for(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """A drive that comes and goes, by the system's own words; and a folder of which it says so, once."""
    bench.papers(("bias-sweep.csv", "bias-sweep"))
    (bench.folder / "bias-sweep.csv").write_bytes(b"1")

    def refuse(*_: object, **__: object) -> None:
        raise OSError(5, "Input/output error")

    with monkeypatch.context() as broken:
        broken.setattr(watch, "read_parts", refuse)
        assert bench.look() == [("recording", "cannot be read now (Input/output error); waiting")]
    sheets = [FitError.single("is no folder", mend="mount it")] * 2

    def seen(folder: Path) -> list[Path]:
        if sheets:
            raise sheets.pop()
        return run_sheets_in(folder)

    monkeypatch.setattr(bench.watch, "_sheets", seen)
    assert bench.look() == [("fault", "is no folder. Mend: mount it. (waiting for it)")]
    assert bench.look() == []
    assert bench.look(6.0)[0][0] == "fault"  # of the recording, which is none


def test_recordings_that_a_changed_run_sheet_names_are_followed_further(bench: Bench) -> None:
    """Only what is new is told; and where a second run sheet has come, each has a folder of its own."""
    bench.papers(("bias-sweep.csv", "bias-sweep"))
    for name in ("bias-sweep.csv", "speed-sweep.csv"):
        (bench.folder / name).write_bytes(b"".join(bench.lines(name)[:301]))
    assert bench.look() == [("recording", "300 samples over 3 s so far")]
    bench.papers(("bias-sweep.csv", "bias-sweep"), ("speed-sweep.csv", "speed-sweep"))
    assert bench.look() == [("recording", "300 samples over 3 s so far")]
    shutil.copy(bench.folder / "run.toml", bench.folder / "other.toml")
    bench.look()
    bench.look(6.0)
    assert bench.watch.pages == [bench.out / name / "report.html" for name in ("other", "run")]
    assert bench.fits == [["bias-sweep.csv", "speed-sweep.csv"]] * 2


def test_a_fit_that_tells_nothing_says_so(bench: Bench, made_by_hand: Characterisation) -> None:
    """Without any quantity, and with the first one open; a fit of all that there is, is left as it is."""
    none = made_by_hand.model_copy(update={"parameters": type(made_by_hand.parameters)({})})
    assert watch._first_number(none) == "nothing is determined yet"
    item = made_by_hand.parameters["preload_torque"].model_copy(
        update={"status": "not determined", "value": None, "u": None, "low": None, "high": None}
    )
    parameters = type(made_by_hand.parameters)({**made_by_hand.parameters, "preload_torque": item})
    opened = made_by_hand.model_copy(update={"parameters": parameters})
    assert watch._first_number(opened) == "preload torque not determined"
    bench.papers(("bias-sweep.csv", "bias-sweep"))
    (bench.folder / "bias-sweep.csv").write_bytes(b"".join(bench.lines("bias-sweep.csv")[:301]))
    bench.look()
    visit = bench.watch._visits[bench.folder / "run.toml"]
    assert visit.fitted(visit.followed, lambda _: None) is made_by_hand


def test_what_is_complete_is_fitted_before_the_rest_has_come(bench: Bench) -> None:
    """A tare run alone is no reason to fit; a sweep is; the result says what it is without."""
    bench.papers(("tare.csv", "tare"), ("bias-sweep.csv", "bias-sweep"), ("speed-sweep.csv", "speed-sweep"))
    (bench.folder / "tare.csv").write_bytes(b"".join(bench.lines("tare.csv")[:SAMPLES]))
    bench.look()
    assert [kind for kind, _ in bench.look(6.0)] == ["recording"]
    assert bench.fits == []
    (bench.folder / "bias-sweep.csv").write_bytes(b"".join(bench.lines("bias-sweep.csv")[:SAMPLES]))
    bench.look()
    assert ("fitting", "fitting 2 of 3 recordings") in bench.look(6.0)
    assert bench.fits == [["tare.csv", "bias-sweep.csv"]]


def test_a_partial_result_says_so(bench: Bench, made_by_hand: Characterisation) -> None:
    """As a caveat, which the verdict passes on."""
    bench.papers(("bias-sweep.csv", "bias-sweep"), ("speed-sweep.csv", "speed-sweep"))
    (bench.folder / "bias-sweep.csv").write_bytes(b"".join(bench.lines("bias-sweep.csv")[:SAMPLES]))
    bench.look()
    bench.look(6.0)
    visit = bench.watch._visits[bench.folder / "run.toml"]
    result = visit.fitted([visit.followed[0]], lambda _: None)
    assert (result.findings[0].name, result.findings[0].severity) == ("visit not complete", "caveat")
    assert "without speed-sweep.csv" in result.findings[0].evidence
    assert result.evidence is made_by_hand.evidence


def test_a_locked_file_is_waited_for(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """Held by the logger: said once, then read when it lets go; as the readers tell it, and as the system
    does."""
    bench.papers(("bias-sweep.csv", "bias-sweep"))
    (bench.folder / "bias-sweep.csv").write_bytes(b"".join(bench.lines("bias-sweep.csv")[:SAMPLES]))
    held = PermissionError(13, "Permission denied")
    told = ReadingError.single("cannot be read", file="x", mend="wait")
    told.__cause__ = held
    real = watch.read_parts
    refusals = iter([held, told, None])

    def sometimes(*arguments: object, **options: object) -> object:
        refusal = next(refusals, None)
        if refusal is not None:
            raise refusal
        return real(*arguments, **options)  # type: ignore[arg-type]

    monkeypatch.setattr(watch, "read_parts", sometimes)
    assert bench.look() == [("recording", "is held by another program (Permission denied); waiting")]
    assert bench.look(6.0) == []
    assert ("recording", "complete: 1499 samples over 15 s") in bench.look()
    assert bench.fits == [["bias-sweep.csv"]]


def test_a_file_that_stays_broken_is_a_fault_and_the_watch_goes_on(bench: Bench) -> None:
    """Named with its place, once; the other recording is fitted all the same, and this one when mended."""
    bench.papers(("bias-sweep.csv", "bias-sweep"), ("speed-sweep.csv", "speed-sweep"))
    broken = bench.folder / "speed-sweep.csv"
    broken.write_bytes(b"time,nothing\n1,2\n")
    (bench.folder / "bias-sweep.csv").write_bytes(b"".join(bench.lines("bias-sweep.csv")[:SAMPLES]))
    assert ("recording", "is still being written") in bench.look()
    found = bench.look(6.0)
    assert [kind for kind, _ in found] == ["recording", "fault", "fitting", "fitted"]
    assert "speed-sweep.csv" in found[1][1]
    assert "Mend:" in found[1][1]
    assert bench.look(60.0) == []
    broken.write_bytes(b"".join(bench.lines("speed-sweep.csv")[:SAMPLES]))
    bench.look()
    bench.look(6.0)
    assert bench.fits == [["bias-sweep.csv"], ["bias-sweep.csv", "speed-sweep.csv"]]


def test_half_written_papers_are_waited_for(bench: Bench) -> None:
    """No run sheet, then one whose rig is not there yet, then all in order."""
    assert bench.look() == [("paper", "no run sheet yet; waiting for one")]
    assert bench.look() == []
    bench.papers(("bias-sweep.csv", "bias-sweep"))
    rig = bench.folder / "twin-flange-cell.toml"
    text = rig.read_text(encoding="utf-8")
    rig.write_text(text[:100], encoding="utf-8")
    ((kind, said),) = bench.look()
    assert kind == "fault"
    assert "waiting for it to be mended" in said
    assert bench.look() == []
    rig.write_text(text, encoding="utf-8")
    assert bench.look() == [("paper", "is in order now")]


def test_a_fit_that_fails_is_a_fault_and_not_tried_again(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Only another recording changes it."""
    bench.papers(("bias-sweep.csv", "bias-sweep"))
    (bench.folder / "bias-sweep.csv").write_bytes(b"".join(bench.lines("bias-sweep.csv")[:SAMPLES]))

    def refuse(*_: object, **__: object) -> None:
        raise FitError.single("no slip", mend="sweep on")

    monkeypatch.setattr(watch, "fit", refuse)
    bench.look()
    assert bench.look(6.0)[-1] == ("fault", "no slip. Mend: sweep on.")
    assert bench.look(60.0) == []


@pytest.mark.parametrize(
    "error",
    [ZeroDivisionError("division"), AssertionError(), RecursionError("too deep"), MemoryError()],
    ids=repr,
)
@pytest.mark.parametrize("where", ["fit", "make_map", "write_results"])
def test_what_nobody_foresaw_in_a_fit_does_not_end_the_watch(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, error: Exception, where: str
) -> None:
    """One line, with a file to send; the next recording is fitted again."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    bench.papers(("bias-sweep.csv", "bias-sweep"))
    file, lines = bench.folder / "bias-sweep.csv", bench.lines("bias-sweep.csv")
    file.write_bytes(b"".join(lines[:901]))

    def break_down(*_: object, **__: object) -> None:
        raise error

    with monkeypatch.context() as broken:
        broken.setattr(watch, where, break_down)
        bench.look()
        kind, text = bench.look(6.0)[-1]
        assert kind == "fault"
        reports = list(tmp_path.glob("diffbench-error-*.txt"))
        if isinstance(error, MemoryError):
            assert "memory of this machine" in text
            assert reports == []
        else:
            (report,) = reports
            assert str(report) in text
            assert "break_down" in report.read_text(encoding="utf-8")
        assert bench.look(60.0) == []
    file.write_bytes(b"".join(lines[:1201]))
    bench.look()
    assert bench.look(6.0)[-1][0] == "fitted"


def test_what_nobody_foresaw_in_reading_does_not_end_the_watch(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Neither a recording nor a paper that the program is wrong about: told once each, with one file each."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    bench.papers(("bias-sweep.csv", "bias-sweep"))

    def break_down(*_: object, **__: object) -> None:
        raise IndexError

    with monkeypatch.context() as broken:
        broken.setattr(watch, "load_rig", break_down)
        ((kind, said),) = bench.look()
        assert kind == "fault"
        assert "nobody foresaw (IndexError: )" in said
        assert bench.look() == []
    assert bench.look() == [("paper", "is in order now")]
    monkeypatch.setattr(watch, "read_parts", break_down)
    (bench.folder / "bias-sweep.csv").write_bytes(b"".join(bench.lines("bias-sweep.csv")[:301]))
    assert bench.look() == [("recording", "is still being written")]
    ((kind, said),) = bench.look(6.0)
    assert kind == "fault"
    assert "nobody foresaw (IndexError: )" in said
    assert bench.look(60.0) == []
    assert len(list(tmp_path.glob("diffbench-error-*.txt"))) == 2


def test_a_recording_that_goes_is_missed(bench: Bench) -> None:
    """Moved away by somebody: said, and followed again when it is back."""
    bench.papers(("bias-sweep.csv", "bias-sweep"))
    file = bench.folder / "bias-sweep.csv"
    file.write_bytes(b"".join(bench.lines("bias-sweep.csv")[:301]))
    bench.look()
    file.unlink()
    assert bench.look() == [("recording", "is gone, or cannot be looked at; waiting")]


def test_the_page_calms_down_at_the_end(bench: Bench) -> None:
    """It loads itself again as long as the watch goes on, and no longer."""
    bench.papers(("bias-sweep.csv", "bias-sweep"))
    (bench.folder / "bias-sweep.csv").write_bytes(b"".join(bench.lines("bias-sweep.csv")[:SAMPLES]))
    bench.look()
    bench.look(6.0)
    page = bench.out / "report.html"
    assert 'http-equiv="refresh" content="7"' in page.read_text()
    bench.watch.close()
    assert page.read_text() == "<p>page</p>\n"
    assert sorted(path.name for path in bench.out.iterdir()) == ["report.html"]


@pytest.mark.parametrize("end", [signal.SIGINT, signal.SIGTERM])
def test_the_command_ends_cleanly(program: Path, tmp_path: Path, end: signal.Signals) -> None:
    """Ctrl-C, or a polite request, ends the real command within seconds: status 0, no traceback, no files."""
    (tmp_path / "visit").mkdir()
    # a shell without job control makes what it starts in the background deaf to Ctrl-C: these tests, perhaps
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    process = subprocess.Popen(
        [program, "watch", tmp_path / "visit", "--out", tmp_path / "out", "--every", "0.1"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        encoding="utf-8",
        env={**os.environ, "PYTHONUTF8": "1"},
    )
    signal.signal(signal.SIGINT, before)
    assert process.stdout is not None
    assert "no run sheet yet" in process.stdout.readline()
    time.sleep(0.2)
    process.send_signal(end)
    printed, told = process.communicate(timeout=60)
    assert process.returncode == 0, told
    assert printed.strip() == "Ended. Nothing was fitted."
    assert told == ""
    assert not (tmp_path / "out").exists()
