"""Every command that the README and the guide show is run, in order, in a folder as they have it."""

from __future__ import annotations

import json
import os
import shlex
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import click
import documents
import pytest
import tables
from forked import Forked

#: Where a limit is broken, as the page says.
STATUS = {
    "diffbench compare demo-result fixtures/demo/worn/run.toml --out worn --picture worn.svg": 1,
    "diffbench fit fixtures/demo/worn/run.toml --out worn-result": 1,
}
LOG = """Prüfstand 3;exportiert 02.05.2026
Zeit [s];M_links [Nm];M_rechts [Nm];n_links [1/min];n_rechts [1/min];T_Öl [°C];Bemerkung
0,00;-149,85;-151,20;580,86;566,49;48,19;1
0,01;-178,45;-126,40;579,65;565,28;48,09;1
0,02;-205,40;-101,20;578,11;564,90;48,11;1
"""
LOG_RIG = """format = "diffbench-rig/1"
name = "Prüfstand 3"
arrangement = "both-outputs"
channel.time = { column = "Zeit [s]" }
channel.left_torque = { column = "M_links [Nm]" }
channel.right_torque = { column = "M_rechts [Nm]" }
channel.left_speed = { column = "n_links [1/min]" }
channel.right_speed = { column = "n_rechts [1/min]" }
channel.oil_temperature = { column = "T_Öl [°C]" }
"""
SCRIPT = ".venv/bin/python "


@pytest.fixture
def place(tmp_path: Path, repository: Path, demo) -> Path:
    """A folder with what the documents take as given: the demo, its result, a log, a visit, a year."""
    (tmp_path / "fixtures").symlink_to(repository / "fixtures")
    shutil.copytree(demo.folder, tmp_path / "demo-result")
    (tmp_path / "log.csv").write_text(LOG, encoding="utf-8")
    for name in ("tare.csv", "bias-sweep.csv", "speed-sweep.csv"):
        (tmp_path / name).symlink_to(repository / "fixtures" / "demo" / "rebuilt" / name)
    return tmp_path


@pytest.fixture
def call(
    place: Path, program: Path, demo, forked_program: Callable[..., subprocess.CompletedProcess[str]]
) -> Callable[[str], subprocess.CompletedProcess[str]]:
    """Run one command there, with a history of its own. The demo was fitted by that very command: its result
    is there."""

    def run(command: str) -> subprocess.CompletedProcess[str]:
        words = shlex.split(command)
        if words[1:] == shlex.split("fit fixtures/demo/rebuilt/run.toml --out demo-result"):
            return subprocess.CompletedProcess(words, demo.status, demo.printed, demo.told)
        environment = {**os.environ, "PYTHONUTF8": "1", "DIFFBENCH_HISTORY": str(place / "history.sqlite")}
        if words[0] in ("diffbench", ".venv/bin/diffbench"):
            words[0] = str(program)
            if words[1] != "fit-all":  # which starts processes of its own
                return forked_program(words, cwd=place, env=environment)
        else:
            words[0] = sys.executable
        return subprocess.run(
            words, cwd=place, env=environment, capture_output=True, encoding="utf-8", check=False
        )

    return run


def correct(place: Path) -> None:
    """What a person does with the drafts: here, the papers of the README."""
    for name, mark in (("my-cell", "rig"), ("q17", "build"), ("my-visit", "run")):
        (place / f"{name}.toml").write_text(
            documents.block("README", f"example {mark}: readme"), encoding="utf-8"
        )


def season(place: Path, run: Callable[[str], subprocess.CompletedProcess[str]]) -> None:
    """Three more visits, filed: a trend needs some."""
    document = json.loads((place / "demo-result" / "characterisation.json").read_text(encoding="utf-8"))
    for number, preload in enumerate((80.1, 78.2, 77.0), start=1):
        document["parameters"]["preload_torque"] |= {
            "value": preload,
            "low": preload - 2,
            "high": preload + 2,
        }
        document["date"] = f"2026-0{4 + number}-14"
        document.pop("sha256", None)  # else it would be refused: it is not what was fitted
        for build in document["builds"]:
            build["distance_m"] = 600e3 * number
        file = place / f"visit-{number}.json"
        file.write_text(json.dumps(document), encoding="utf-8")
        done = run(f"diffbench history add {file.name}")
        assert done.returncode == 0, done.stderr


def watch(place: Path, program: Path, command: str, repository: Path) -> None:
    """A watch never ends by itself: once its first result stands it is interrupted, as the page says; it is
    deaf to that if it begins in the background of a shell, as these tests may."""
    shutil.copytree(repository / "fixtures" / "hand-readings", place / "visits" / "today")
    words = [str(program), *shlex.split(command)[1:], "--every", "0.1", "--settle", "0.2"]
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    with subprocess.Popen(words, cwd=place, stdout=subprocess.PIPE, encoding="utf-8") as process:
        signal.signal(signal.SIGINT, before)
        too_long = threading.Timer(120, process.kill)
        too_long.start()
        assert process.stdout is not None
        lines = []
        for line in process.stdout:
            lines.append(line)
            if "today/report.html:" in line:
                process.send_signal(signal.SIGINT)
        process.wait()
        too_long.cancel()
    printed = "".join(lines)
    assert process.returncode == 0
    assert "fitting 1 of 1 recordings" in printed
    assert printed.rstrip().endswith("Ended. The last result stands in today/report.html.")


@pytest.mark.parametrize("name", documents.DOCUMENTS)
def test_every_command_runs(
    name: str,
    place: Path,
    program: Path,
    repository: Path,
    call: Callable[[str], subprocess.CompletedProcess[str]],
    ten_readings: Callable[[Path], Path],
) -> None:
    """In order, to its exit status, without a traceback. Of a study only its options are tried."""
    for command in documents.commands(name):
        if command.startswith(SCRIPT):
            continue  # see below
        if " watch " in command:
            watch(place, program, command, repository)
            continue
        if " fit my-visit.toml" in command:
            correct(place)
        elif "--rig my-cell.toml" in command and "inspect" in command:
            (place / "my-cell.toml").write_text(LOG_RIG, encoding="utf-8")
        elif " trend " in command:
            season(place, call)
        elif " fit-all " in command:
            ten_readings(place / "visits" / "2026")
        done = call(command)
        assert done.returncode == STATUS.get(command, 0), f"{command}\n{done.stdout}\n{done.stderr}"
        assert "Traceback" not in done.stderr


STUDIES = sorted(
    {line for name in documents.DOCUMENTS for line in documents.commands(name) if line.startswith(SCRIPT)}
)


@pytest.fixture(scope="module")
def forked_scripts() -> Iterator[Forked]:
    """Scripts in a fork of a process that has loaded what most of them begin with."""
    with Forked(
        None, ["pandas", "scipy.optimize", "scipy.stats", "lmfit", "diffbench.fitting.characterise"]
    ) as forked:
        yield forked


@pytest.mark.parametrize("command", STUDIES)
def test_studies_have_the_options_that_are_shown(
    repository: Path, forked_scripts: Forked, command: str
) -> None:
    """They take minutes to hours: here they say which options they know."""
    _, script, *options = shlex.split(command)
    done = forked_scripts.run([script, "--help"], cwd=repository)
    assert done.returncode == 0, done.stderr.decode()
    for option in options:
        assert not option.startswith("--") or option in done.stdout.decode()


def test_commands_within_the_text_exist() -> None:
    """Every `diffbench NAME --option` in code within a line is one that the program has."""
    known = dict(tables.every_command())
    for name in documents.DOCUMENTS:
        for words in documents.inline_commands(name):
            path = " ".join(words[:2]) if " ".join(words[:2]) in known else words[0]
            assert path in known, f"{name}: diffbench {' '.join(words)}"
            options = {
                o
                for p in known[path].params
                if isinstance(p, click.Option)
                for o in (*p.opts, *p.secondary_opts)
            }
            for word in words[1:]:
                assert not word.startswith("--") or word.strip("[]") in {*options, "--help"}, (
                    f"{name}: {words}"
                )
