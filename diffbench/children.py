"""Programs that are started on the way: they end with the one that started them, however that ends.

A program that is killed tells nobody. What tells of its end on every system is a pipe that only it holds
open: whoever reads the other end comes to the end of it. The programs started here know nothing of that, so
each has a guard between, this module run as a program: it starts them, and ends them when its own input ends.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path

__all__ = ["end_with_parent", "run"]


def run(
    command: Sequence[str | os.PathLike[str]],
    *,
    cwd: str | Path | None = None,
    env: Mapping[str, str] | None = None,
    timeout: float | None = None,
) -> subprocess.CompletedProcess[bytes]:
    """Run a program to its end, as ``subprocess.run`` does, without input and with what it says captured.

    Parameters
    ----------
    command : sequence
        Program and arguments.
    cwd, env, timeout
        As of ``subprocess.run``.

    Returns
    -------
    Exit status (127 where the program cannot be started, negative where a signal ended it) and output.

    Raises
    ------
    subprocess.TimeoutExpired
        It took longer [s]; it is ended then, and what it started with it where the system has groups.
    """
    guarded = [sys.executable, "-I", "-S", __file__, *command]
    read, write = os.pipe()
    held = [read, write]
    try:
        with subprocess.Popen(
            guarded, stdin=read, stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=cwd, env=env
        ) as guard:
            try:
                said, told = guard.communicate(timeout=timeout)
            except BaseException:
                while held:  # the guard sees the end of its input, and ends what it guards
                    os.close(held.pop())
                raise
    finally:
        while held:
            os.close(held.pop())
    status = guard.returncode
    if sys.platform != "win32" and status > 128:
        status = 128 - status
    return subprocess.CompletedProcess(list(command), status, said, told)


def end_with_parent() -> None:
    """Have this process, which ``multiprocessing`` started, end when the one that started it has."""
    import multiprocessing  # late: a guard needs it not, and is started for every file

    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def wait() -> None:
        parent.join()
        os._exit(1)

    threading.Thread(target=wait, daemon=True, name="end with parent").start()


def _guard(command: list[str]) -> None:
    """Run a program until it ends or the input of this process does."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the one that started all
    try:
        child = subprocess.Popen(command, stdin=subprocess.DEVNULL, start_new_session=True)
    except OSError as error:
        os.write(2, f"{error}\n".encode())
        os._exit(127)

    def watch() -> None:
        while os.read(0, 1):
            pass
        if sys.platform == "win32":
            child.kill()
        else:
            os.killpg(child.pid, signal.SIGKILL)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()
    status = child.wait()
    # not by a plain exit, which would wait for the thread that reads
    os._exit(status if status >= 0 else 128 - status)


if __name__ == "__main__":
    _guard(sys.argv[1:])
