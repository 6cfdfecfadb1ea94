"""One recording of a run sheet, followed from when it appears until it is complete."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from diffbench.documents import Rig, Run
from diffbench.errors import DiffbenchError
from diffbench.last_resort import last_words
from diffbench.readers import read_parts

__all__ = ["Followed", "Stamp", "State", "stamp_of"]

State = Literal["missing", "locked", "growing", "complete", "faulty"]

#: A growing file is read again when it has grown by that much: reading costs as much as it is long.
WORTH_READING = 1.25


@dataclass(frozen=True)
class Stamp:
    """Size [byte] and time of the last change [ns] of a file."""

    size: int
    changed: int


def stamp_of(path: Path) -> Stamp | None:
    """Stamp of a file; None where there is none, or it may not be looked at now."""
    try:
        found = path.stat()
    except (OSError, ValueError):  # ValueError: a name that no file can have
        return None
    return Stamp(found.st_size, found.st_mtime_ns)


class Followed:
    """A recording that is followed.

    Parameters
    ----------
    path : Path
        The file.
    run : Run
        What the run sheet says of it.
    settle : float
        How long a file must be unchanged to count as complete [s].
    """

    def __init__(self, path: Path, run: Run, *, settle: float) -> None:
        self.path = path
        self.run = run
        self.state: State = "missing"
        self.stamp: Stamp | None = None
        self._settle = settle
        self._since = 0.0
        self._read_at = 0
        self._told = ""

    def look(self, rig: Rig, now: float) -> str | None:
        """Look at the file once.

        Parameters
        ----------
        rig : Rig
            The bench that it is recorded on.
        now : float
            A clock that only rises [s].

        Returns
        -------
        What is new about it, in words; None where nothing is.
        """
        stamp = stamp_of(self.path)
        if stamp is None:
            before, self.state, self.stamp = self.state, "missing", None
            return None if before == "missing" else self._say("is gone, or cannot be looked at; waiting")
        if stamp != self.stamp:
            first = self.stamp is None
            self.stamp, self._since, self.state = stamp, now, "growing"
            if first or stamp.size < self._read_at or stamp.size > WORTH_READING * self._read_at:
                return self._say(self._inspect(rig, final=False))
            return None
        if self.state in {"growing", "locked"} and now - self._since >= self._settle:
            return self._say(self._inspect(rig, final=True))
        return None

    def _inspect(self, rig: Rig, *, final: bool) -> str:
        """Read the file; with ``final`` it is complete or faulty afterwards, unless another program holds
        it."""
        assert self.stamp is not None
        self._read_at = self.stamp.size
        try:
            samples, seconds = 0, 0.0
            for part in read_parts(self.path, rig, kind=self.run.kind):
                samples += part.time.size
                seconds = float(part.time[-1]) if part.time.size else seconds  # hand readings may go back
        except Exception as error:  # noqa: BLE001  whatever it is, the others are followed on
            return self._unread(error, final=final)
        if stamp_of(self.path) != self.stamp:
            return "is still being written"
        if not final:
            return f"{samples} samples over {seconds:.0f} s so far"
        self.state = "complete"
        return f"complete: {samples} samples over {seconds:.0f} s"

    def _unread(self, error: Exception, *, final: bool) -> str:
        """What it means that the file could not be read."""
        system = error if isinstance(error, OSError) else error.__cause__
        if isinstance(system, PermissionError):
            self.state = "locked"
            return f"is held by another program ({system.strerror}); waiting"
        if isinstance(error, OSError):
            # a network drive that comes and goes, a file replaced while it is read
            return f"cannot be read now ({error.strerror}); waiting"
        if not final:
            return "is still being written"
        self.state = "faulty"
        if not isinstance(error, DiffbenchError):
            return last_words(error)[0]
        more = len(error.faults) - 1
        return f"{error.faults[0]}" + (f" (and {more} more)" if more else "")

    def _say(self, text: str) -> str | None:
        """A text once, not at every look."""
        if text == self._told:
            return None
        self._told = text
        return text
