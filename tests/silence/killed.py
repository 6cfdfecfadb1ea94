"""A program that is killed by the system at its n-th call of it, for every n.

Python tells a profiler of each C function that is called. Those of the modules that speak with the system are
counted, and before the n-th one the process kills itself, so that neither handlers nor ``finally`` run: what
stands then is what a kill from outside, at that moment, leaves.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from types import FrameType

SYSTEM = {"posix", "fcntl", "_io", "io"}
# These change nothing on the disk: a kill before one is a kill before the next that does.
LOOKING = {
    "access", "fspath", "fstat", "get_inheritable", "getcwd", "getpid", "isatty", "listdir", "lstat", "read",
    "readall", "readlink", "scandir", "seek", "stat", "strerror", "tell", "text_encoding", "urandom",
}  # fmt: skip
FAILED = 3


def told(work: Callable[[], object], *, die_before: int) -> None:
    """Do some work, and be killed before the call of this number; 0 is never."""
    count = 0

    def profile(frame: FrameType, event: str, called: object) -> None:
        nonlocal count
        if event != "c_call" or frame.f_code is told.__code__:
            return
        owner = getattr(called, "__self__", None)
        module = getattr(called, "__module__", None) or type(owner).__module__
        name = getattr(called, "__name__", "")
        if module in SYSTEM and name not in LOOKING and not name.startswith("_"):
            count += 1
            if count == die_before:
                os.kill(os.getpid(), signal.SIGKILL)

    sys.setprofile(profile)
    try:
        work()
    finally:
        sys.setprofile(None)


def killed(work: Callable[[], object], *, before: int) -> bool:
    """Do some work in a process of its own that is killed at a call; whether it came so far."""
    child = os.fork()
    if child == 0:
        try:
            told(work, die_before=before)
        except BaseException:  # noqa: BLE001  # whatever it is: nothing of the parent may run here
            os._exit(FAILED)
        os._exit(0)
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        assert os.WTERMSIG(status) == signal.SIGKILL
        return True
    assert os.WEXITSTATUS(status) == 0, f"the work failed with {os.WEXITSTATUS(status)}"
    return False
