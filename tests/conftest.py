"""What all tests share: where the repository stands, and the demo, fitted once by the README's command."""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

# Linear algebra on one thread, as the command line has it: read when numpy loads, so before anything else.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import pytest  # noqa: E402  see above

from diffbench import (  # noqa: E402  see above
    Characterisation,
    LockingMap,
    load_characterisation,
    load_map,
)


@dataclass(frozen=True)
class Demo:
    """The demo as a user gets it: the folder of results, and what the terminal showed."""

    run_sheet: Path
    folder: Path
    status: int
    printed: str
    told: str

    @property
    def characterisation(self) -> Characterisation:
        """The numbers, as read from the folder."""
        return load_characterisation(self.folder / "characterisation.json")

    @property
    def locking_map(self) -> LockingMap:
        """The map, as read from the folder."""
        return load_map(self.folder / "map.json")


@pytest.fixture(scope="session")
def repository() -> Path:
    """The folder that holds README.md, tests and fixtures."""
    return Path(__file__).parents[1]


@pytest.fixture(scope="session")
def program() -> Path:
    """The installed command, beside the interpreter that runs these tests."""
    return Path(sys.executable).with_name("diffbench")


@pytest.fixture(scope="session")
def demo(repository: Path, program: Path, tmp_path_factory: pytest.TempPathFactory) -> Demo:
    """The rebuilt unit of the demo, fitted in a process of its own: once, as it takes seconds."""
    run_sheet = repository / "fixtures" / "demo" / "rebuilt" / "run.toml"
    folder = tmp_path_factory.mktemp("demo") / "result"
    ran = subprocess.run(
        [program, "fit", run_sheet, "--out", folder],
        capture_output=True,
        encoding="utf-8",
        env={**os.environ, "PYTHONUTF8": "1"},
        check=False,
    )
    return Demo(run_sheet, folder, ran.returncode, ran.stdout, ran.stderr)


@pytest.fixture(scope="session")
def made_by_hand(repository: Path) -> Characterisation:
    """A result without a blemish that no fit made: that of the tests of the report."""
    path = repository / "tests" / "report" / "synthetic.py"
    spec = importlib.util.spec_from_file_location("made_by_hand", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    result: Characterisation = module.complete()
    return result
