"""What all tests share: where the repository stands, and the demo, fitted once by the README's command."""

from __future__ import annotations

import fcntl
import gc
import importlib.util
import json
import os
import pickle
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

# Linear algebra on one thread, as the command line has it: read when numpy loads, so before anything else.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
# Hundreds of tests start a process of their own: without compiled modules, each compiles all that it loads.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = (
    False  # so too the tests themselves, whose assertions pytest compiles anew each time
)

import pytest  # noqa: E402  see above
from forked import Forked  # noqa: E402  see above
from hypothesis import settings  # noqa: E402  see above

from diffbench import (  # noqa: E402  see above
    Characterisation,
    LockingMap,
    load_characterisation,
    load_map,
)

# An example may take as long as the machine has to do: a limit in real time fails where others work, too.
settings.register_profile("any-machine", settings(deadline=None))
settings.load_profile("any-machine")

# The longest files, by their path below this folder: begun first, so that all processes end together.
LONG = (
    "recovery/test_study.py",
    "guide/test_commands.py",
    "cli/test_lap.py",
    "contract/test_second_truth.py",
    "fitting/test_by_hand.py",
    "contract/test_moved.py",
    "exports/test_fmu.py",
    "cli/test_states.py",
    "recovery/test_hand_study.py",
    "fleet/test_fleet.py",
    "fitting/test_properties.py",
    "recovery/test_lap_study.py",
    "fitting/test_packs_apart.py",
    "fitting/test_pooling.py",
    "history/test_pressure.py",
    "readers/test_clocks_and_width.py",
    "report/test_page_by_axe.py",
    "fitting/test_fixtures.py",
    "guide/test_site.py",
    "contract/test_numbers.py",
    "answers/test_wanted_preload.py",
    "readers/test_fuzz.py",
    "fitting/test_one_build.py",
    "recovery/test_wear_study.py",
    "recovery/test_outside.py",
)

Once = Callable[[str, Callable[[Path], None]], Path]
Fitted = Callable[[str, Callable[[], Characterisation]], Characterisation]


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Iterator[None]:
    """What is collected stays to the end: seven thousand tests need not be looked through for garbage again
    and again, neither meanwhile nor later."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.freeze()
        gc.enable()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Long files to the front; within a file, and among the others, all stays in order."""
    rank = {Path(__file__).parent / name: i for i, name in enumerate(LONG)}
    items.sort(key=lambda item: rank.get(item.path, len(LONG)))


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
def forked_program() -> Iterator[Callable[..., subprocess.CompletedProcess[str]]]:
    """The command, run to its end as ``subprocess.run`` does, in UTF-8: forked from a process that has loaded
    all that a fit and its page need."""
    libraries = [
        "numpy",
        "scipy.optimize",
        "scipy.stats",
        "pandas",
        "lmfit",
        "sqlalchemy",
        "matplotlib.backends.backend_svg",
    ]
    rooms = [f"diffbench.{name}" for name in ("fitting.characterise", "report.page", "results.predict")]

    with Forked("diffbench", [*libraries, "matplotlib.figure", *rooms]) as forked:

        def run(words: list[str], *, cwd: Path, env: Mapping[str, str]) -> subprocess.CompletedProcess[str]:
            done = forked.run(words, cwd=cwd, env={**env, "PYTHONUTF8": "1"})
            said, told = done.stdout.decode(), done.stderr.decode()
            return subprocess.CompletedProcess(words, done.returncode, said, told)

        yield run


@pytest.fixture(scope="session")
def once(tmp_path_factory: pytest.TempPathFactory) -> Once:
    """A folder that is made once for all processes that share the tests: ``once(name, make)``.

    Whichever process asks first calls ``make(folder)``; one that asks meanwhile waits. Nobody changes it
    later.
    """
    base = tmp_path_factory.getbasetemp()
    shared = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "made-once"
    shared.mkdir(exist_ok=True)

    def made(name: str, make: Callable[[Path], None]) -> Path:
        folder, whole = shared / name, shared / f"{name}.whole"
        with (shared / f"{name}.lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            if not whole.exists():
                shutil.rmtree(folder, ignore_errors=True)
                folder.mkdir()
                make(folder)
                whole.touch()
        return folder

    return made


@pytest.fixture(scope="session")
def fitted(once: Once) -> Fitted:
    """The result of a fit by its name, made once for all processes that share the tests."""

    def made(name: str, make: Callable[[], Characterisation]) -> Characterisation:
        def keep(folder: Path) -> None:
            (folder / "result").write_bytes(pickle.dumps(make()))

        # with its cells, which the document has not
        text = (once(f"fit-{name}", keep) / "result").read_bytes()
        result: Characterisation = pickle.loads(text)  # noqa: S301  written above, by this very session
        return result

    return made


@pytest.fixture(scope="session")
def demo(repository: Path, program: Path, once: Once) -> Demo:
    """The rebuilt unit of the demo, fitted in a process of its own: once, as it takes seconds."""
    run_sheet = repository / "fixtures" / "demo" / "rebuilt" / "run.toml"

    def fit(folder: Path) -> None:
        ran = subprocess.run(
            [program, "fit", run_sheet, "--out", folder / "result"],
            capture_output=True,
            encoding="utf-8",
            env={**os.environ, "PYTHONUTF8": "1"},
            check=False,
        )
        told = [ran.returncode, ran.stdout, ran.stderr]
        (folder / "told.json").write_text(json.dumps(told), encoding="utf-8")

    made = once("demo", fit)
    status, printed, told = json.loads((made / "told.json").read_text(encoding="utf-8"))
    return Demo(run_sheet, made / "result", status, printed, told)


@pytest.fixture(scope="session")
def ten_readings(repository: Path) -> Callable[[Path], Path]:
    """Run sheet of ten wrench readings, those while it turns with the case free, written into a new folder
    with its papers: of all fits the quickest, a second."""

    def write(folder: Path) -> Path:
        shutil.copytree(repository / "fixtures" / "hand-readings", folder)
        readings = folder / "readings.csv"
        header, *lines = readings.read_text(encoding="utf-8").splitlines()
        kept = [line for line in lines if "case free" in line and "running" in line]
        assert len(kept) == 10
        readings.write_text("\n".join([header, *kept]) + "\n", encoding="utf-8")
        return folder / "run.toml"

    return write


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
