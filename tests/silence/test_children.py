"""What is started on the way ends with what started it, though that be killed."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

import diffbench
from diffbench.children import run

PATIENCE = 20.0  # s, on a machine that is busy with other things; what is waited for takes a moment

# A program that never ends and says its process id.
ENDLESS = (
    "import os, pathlib, sys, time\npathlib.Path(sys.argv[1]).write_text(str(os.getpid()))\ntime.sleep(600)"
)


def until(what: Callable[[], bool]) -> bool:
    """Whether something comes about."""
    end = time.monotonic() + PATIENCE
    while time.monotonic() < end:
        if what():
            return True
        time.sleep(0.02)
    return False


def lives(number: int) -> bool:
    """Whether a process is there, and no mere remnant that nobody has asked about."""
    try:
        state = Path(f"/proc/{number}/stat").read_text().rpartition(")")[2].split()[0]
    except FileNotFoundError:
        return False
    return state != "Z"


def numbers(folder: Path, count: int) -> list[int]:
    """Process ids that have been written into a folder, when there are so many."""
    assert until(lambda: len([path for path in folder.glob("*.pid") if path.read_text()]) >= count)
    return [int(path.read_text()) for path in folder.glob("*.pid")]


linux = pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks for processes in /proc")


def test_a_program_gives_status_and_output() -> None:
    """As subprocess.run does: what ended by a signal says so, one that is not there is told."""
    done = run(
        [sys.executable, "-c", "import sys; print('said'); print('told', file=sys.stderr); sys.exit(7)"]
    )
    assert (done.returncode, done.stdout.split(), done.stderr.split()) == (7, [b"said"], [b"told"])
    assert run([sys.executable, "-c", "import os; os.kill(os.getpid(), 9)"]).returncode == -signal.SIGKILL
    statuses = {}
    # by the first of all signals, to which a program in the background of a shell may begin deaf
    hung_up = "signal.signal(signal.SIGHUP, signal.SIG_DFL); os.kill(os.getpid(), signal.SIGHUP)"
    for end in ("sys.exit(128)", "sys.exit(0)", hung_up, "sys.exit(1)"):
        code = f"import os, signal, sys; {end}"
        statuses[end] = run([sys.executable, "-c", code]).returncode
    assert [*statuses.values()] == [128, 0, -signal.SIGHUP, 1]
    missing = run(["/no/such/program"])
    assert missing.returncode == 127
    assert b"No such file" in missing.stderr


def test_every_program_is_started_so() -> None:
    """Nothing else in the package starts a process: one that did would outlive a kill."""
    package = Path(diffbench.__file__).parent
    starts = re.compile(
        r"subprocess\.(run|Popen|call|check_\w+)\(|os\.(system|popen|fork|spawn\w*)\(|\.Process\("
    )
    found = {path.name for path in package.rglob("*.py") if starts.search(path.read_text(encoding="utf-8"))}
    assert found == {"children.py"}
    pools = {path.name for path in package.rglob("*.py") if "ProcessPoolExecutor(" in path.read_text("utf-8")}
    assert pools == {"fleet.py"}  # whose workers are held to it below


@linux
def test_a_program_that_takes_too_long_is_ended(tmp_path: Path) -> None:
    """With all that it has started."""
    second = f"import subprocess, sys\nsubprocess.Popen([sys.executable, '-c', {ENDLESS!r}, sys.argv[2]])\n"
    names = [str(tmp_path / name) for name in ("one.pid", "two.pid")]
    with pytest.raises(subprocess.TimeoutExpired):
        run([sys.executable, "-c", second + ENDLESS, *names], timeout=3.0)
    both = numbers(tmp_path, 2)
    assert until(lambda: not any(lives(number) for number in both))


@linux
@pytest.mark.parametrize("end", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
def test_a_program_ends_with_who_started_it(tmp_path: Path, end: signal.Signals) -> None:
    """Killed, asked to end, interrupted: heard even where these tests run in the background of a shell, whose
    programs begin deaf to Ctrl-C."""
    command = [sys.executable, "-c", ENDLESS, str(tmp_path / "a.pid")]
    hears = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)"
    code = f"{hears}; from diffbench.children import run; run({command!r})"
    with subprocess.Popen([sys.executable, "-c", code], stderr=subprocess.DEVNULL) as parent:
        (child,) = numbers(tmp_path, 1)
        assert lives(child)
        parent.send_signal(end)
    assert until(lambda: not lives(child))


@linux
def test_workers_end_with_the_run_that_is_killed(tmp_path: Path) -> None:
    """Those that work and those that wait, within seconds: nothing of a killed fit-all stays."""
    code = f"""
import sys
sys.path.insert(0, {str(Path(__file__).parent)!r})
import endless
from diffbench.run import processes
if __name__ == "__main__":
    with processes(3).workers() as workers:
        for name in ("a", "b", "c"):
            workers.submit(endless.work, {str(tmp_path)!r} + f"/{{name}}.pid")
        workers.submit(print).result()
"""
    script = tmp_path / "run.py"
    script.write_text(code)
    with subprocess.Popen([sys.executable, script]) as parent:
        workers = numbers(tmp_path, 3)
        assert all(lives(worker) for worker in workers)
        os.kill(parent.pid, signal.SIGKILL)
        parent.wait()
        assert until(lambda: not any(lives(worker) for worker in workers))
