"""``diffbench draft`` at a terminal: asked and answered over a pseudo-terminal, as a person would."""

from __future__ import annotations

import os
import pty
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest

from diffbench.documents import load_visit

HEADINGS = "Time [s],Torque 1 [Nm],Torque 2 [Nm],Speed 1,Speed 2 [rpm],Oil [degC],Bolt [Nm]"


def talked(folder: Path, answers: list[tuple[str, str]], *, limit: float = 120.0) -> str:
    """What the program said while each question was answered once it had been asked."""
    owner, terminal = pty.openpty()
    program = subprocess.Popen(
        [sys.executable, "-m", "diffbench", "draft"],
        cwd=folder, stdin=terminal, stdout=terminal, stderr=terminal, close_fds=True,
        env={**os.environ, "COLUMNS": "300", "LANG": "C.UTF-8"},
    )  # fmt: skip
    os.close(terminal)
    said, seen, waiting, end = "", 0, list(answers), time.monotonic() + limit
    while time.monotonic() < end:
        if select.select([owner], [], [], 0.2)[0]:
            try:
                said += os.read(owner, 65_536).decode("utf-8", "replace")
            except OSError:  # the program has closed its side
                break
        elif program.poll() is not None:
            break
        if waiting and waiting[0][0] in said[seen:]:
            seen = said.index(waiting[0][0], seen) + len(waiting[0][0])
            os.write(owner, (waiting.pop(0)[1] + "\n").encode())
    program.wait(timeout=20)
    os.close(owner)
    assert not waiting, (waiting, said)
    assert program.returncode == 0, said
    return said


def test_the_papers_of_a_first_fit_by_question_and_answer(tmp_path: Path) -> None:
    """Enter takes the guesses; an answer that cannot be is asked for again, with a reason."""
    rows = [f"{0.01 * i:.2f},{i},{-i + 50},500,480,60,{i % 7}" for i in range(100)]
    (tmp_path / "a note.txt").write_text("no recording at all\n", encoding="utf-8")  # and is not offered
    (tmp_path / "log.csv").write_text("\n".join([HEADINGS, *rows]) + "\n", encoding="utf-8")
    said = talked(
        tmp_path,
        [
            ("Recording", ""), ("Another recording", ""), ("'Torque 1 [Nm]'", ""), ("'Torque 2 [Nm]'", ""),
            ("'Speed 1'", "left speed"), ("did you mean 'left_speed'", ""), ("Unit of 'Speed 1'", "parsec"),
            ("Unit of 'Speed 1'", "rpm"), ("'Speed 2 [rpm]'", ""), ("'Bolt [Nm]'", ""),
            ("How did the unit sit", ""), ("Name of the bench", "Cellar"), ("Serial", "Q17"),
            ("Name of this build", ""), ("friction faces", "4"), ("inner radius", "38"),
            ("write '38 mm'", "38 mm"), ("outer radius", "30 mm"),
            ("not more than 38 mm", "54.5 mm"),
            ("What was done in log.csv", "bias-sweep"),
            ("Write the rig to", ""), ("Write the build sheet to", ""), ("Write the run sheet to", ""),
        ],
    )  # fmt: skip
    assert "diffbench fit Q17-visit.toml --out result" in said
    visit = load_visit(tmp_path / "Q17-visit.toml")
    assert visit.rig.name == "Cellar"
    assert visit.rig.arrangement == "both-outputs"
    assert {name: channel.column for name, channel in visit.rig.channel.items()} == {
        "time": "Time [s]", "left_torque": "Torque 1 [Nm]", "right_torque": "Torque 2 [Nm]",
        "left_speed": "Speed 1", "right_speed": "Speed 2 [rpm]", "oil_temperature": "Oil [degC]",
    }  # fmt: skip
    assert visit.rig.channel["left_speed"].unit == "rpm"
    assert (visit.build.unit, visit.build.build, visit.build.packs.faces) == ("Q17", "Q17-1", 4)
    assert visit.build.packs.outer_radius.value == pytest.approx(0.0545)
    assert [(run.file, run.kind) for run in visit.run_sheet.run] == [("log.csv", "bias-sweep")]


def test_without_a_terminal_nobody_is_asked(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "diffbench", "draft"],
        cwd=tmp_path, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    assert done.returncode == 2
    assert "KIND, build or run, is missing" in done.stderr
    assert list(tmp_path.iterdir()) == []
