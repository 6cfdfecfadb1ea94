"""Visits to break, and a short way to run the program."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from edited import edited

from diffbench import Characterisation
from diffbench.cli import main

RUN_SHEET = """format = "diffbench-run/1"
rig = "twin-flange-cell.toml"
build = "unit-q17-rebuilt.toml"
date = 2026-04-14

[[run]]
file = "sweep.csv"
kind = "bias-sweep"
"""
SAMPLES = 3000  # half a minute of the demo: enough for everything that is refused before the fit


@dataclass(frozen=True)
class Visit:
    """A copy of the demo's papers with the beginning of its bias sweep, every file open to change."""

    folder: Path

    @property
    def run_sheet(self) -> Path:
        return self.folder / "run.toml"

    @property
    def sweep(self) -> Path:
        return self.folder / "sweep.csv"

    @property
    def rig(self) -> Path:
        return self.folder / "twin-flange-cell.toml"

    @property
    def build(self) -> Path:
        return self.folder / "unit-q17-rebuilt.toml"

    def lines(self) -> list[str]:
        """Lines of the recording, the header first."""
        return self.sweep.read_text(encoding="utf-8").splitlines()

    def write_lines(self, lines: Sequence[str]) -> None:
        """Replace the recording."""
        self.sweep.write_text("\n".join(lines) + "\n", encoding="utf-8")

    def change(self, file: Path, old: str, new: str) -> None:
        """Replace one text of a file, which must be there."""
        text = file.read_text(encoding="utf-8")
        assert old in text
        file.write_text(edited(text, old, new, 1), encoding="utf-8")


@pytest.fixture
def visit(repository: Path, tmp_path: Path) -> Visit:
    """One visit, to be broken."""
    demo = repository / "fixtures" / "demo"
    made = Visit(tmp_path / "visit")
    made.folder.mkdir()
    for name in (made.rig.name, made.build.name):
        shutil.copy(demo / name, made.folder / name)
    with (demo / "rebuilt" / "bias-sweep.csv").open(encoding="utf-8") as file:
        made.write_lines([next(file).rstrip("\n") for _ in range(SAMPLES + 1)])
    made.run_sheet.write_text(RUN_SHEET, encoding="utf-8")
    return made


@pytest.fixture
def hand_visit(ten_readings: Callable[[Path], Path], tmp_path: Path) -> Path:
    """Run sheet of the quickest fit that there is, its papers open to change."""
    return ten_readings(tmp_path / "hand")


@pytest.fixture
def run() -> Callable[..., Result]:
    """Run the program in this process: exit status, standard output and standard error apart."""

    def command(*arguments: str | Path) -> Result:
        return CliRunner().invoke(main, [str(argument) for argument in arguments])

    return command


@pytest.fixture
def refused(run: Callable[..., Result]) -> Callable[..., list[str]]:
    """Run the program, see that it refuses in the way it promises, and return the faults, one a line."""

    def command(*arguments: str | Path) -> list[str]:
        result = run(*arguments)
        assert result.exit_code == 2, result.output
        assert result.stdout == ""
        assert "Traceback" not in result.stderr
        faults = result.stderr.splitlines()
        assert faults
        for fault in faults:
            assert fault.startswith("diffbench: ")
            assert " Mend: " in fault
        return faults

    return command


@pytest.fixture(scope="session")
def synthetic_json(made_by_hand: Characterisation) -> str:
    """A characterisation made by hand as its document."""
    return made_by_hand.to_json()
