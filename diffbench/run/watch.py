"""A folder that a bench writes into: run sheets, the recordings that they name, a fit when one is whole.

It polls and never gives up: notices of the operating system do not cross network drives, which is where
loggers write. A file counts as complete by being quiet and readable, not by its name; a part of a visit is
fitted as a visit of its own. A page that loads itself again is against WCAG 2.2.1, so only a running watch
makes one.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from diffbench.documents import Rig, Run, RunSheet, load_rig, load_run_sheet, load_visit
from diffbench.errors import DiffbenchError
from diffbench.fitting import fit
from diffbench.input_files import PAPER, content_of
from diffbench.last_resort import last_words
from diffbench.readers import read_parts
from diffbench.report.files import without_refresh, write_results
from diffbench.report.wording import key_names, seen_in
from diffbench.results.characterisation import Characterisation, FindingRecord
from diffbench.results.predict import make_map

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
    """A recording that is followed; it counts as complete when it has been unchanged for ``settle`` [s]."""

    def __init__(self, path: Path, run: Run, *, settle: float) -> None:
        self.path = path
        self.run = run
        self.state: State = "missing"
        self.stamp: Stamp | None = None
        self._settle = settle
        self._since: float  # both with the first stamp
        self._read_at: int
        self._told = ""

    def look(self, rig: Rig, now: float) -> str | None:
        """Look at the file once, by a clock that only rises [s]; return what is new about it, in words, or
        None.
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


Kind = Literal["paper", "recording", "fitting", "fitted", "fault"]
Progress = Callable[[str], None]


@dataclass(frozen=True)
class Event:
    """Something that happened: its kind, the file that it is about, and what there is to say."""

    kind: Kind
    file: str
    text: str


class Watch:
    """A folder that is watched.

    Parameters
    ----------
    folder : Path
        Where run sheets and recordings appear.
    out : Path
        Folder of the results; each of several run sheets gets a folder of its own in it.
    sheets : callable
        Gives the run sheets of a folder.
    settle : float
        How long a recording must be unchanged to count as complete [s].
    refresh : int
        After how many seconds a browser loads the page again while the watch goes on.
    progress : callable
        Is told how a fit goes on.
    """

    def __init__(
        self,
        folder: Path,
        out: Path,
        *,
        sheets: Callable[[Path], list[Path]],
        settle: float,
        refresh: int,
        progress: Progress,
    ) -> None:
        self._folder, self._out = folder, out
        self._sheets = sheets
        self._settle = settle
        self._refresh = refresh
        self._progress = progress
        self._visits: dict[Path, _Visit] = {}
        self.pages: list[Path] = []
        self._empty_told = False
        self._told = ""

    def look(self, now: float) -> Iterator[Event]:
        """Look at everything once, and fit what has become complete.

        Parameters
        ----------
        now : float
            A clock that only rises [s].

        Returns
        -------
        What is new, in order, as it happens. Faults are events too: a watch does not end by them.
        """
        try:
            found = self._sheets(self._folder)
        except DiffbenchError as error:  # a network drive that comes and goes
            if (text := str(error)) != self._told:
                self._told = text
                yield Event("fault", str(self._folder), f"{text} (waiting for it)")
            return
        self._told = ""
        if not found and not self._empty_told:
            self._empty_told = True
            yield Event("paper", str(self._folder), "no run sheet yet; waiting for one")
        for path in found:
            visit = self._visits.setdefault(path, _Visit(path, settle=self._settle))
            yield from visit.look(now)
            chosen = visit.due()
            if chosen:
                count = f"{len(chosen)} of {len(visit.followed)} recordings"
                yield Event("fitting", str(path), f"fitting {count}")
                yield from self._fit(visit, chosen, count, out=self._out_of(path, alone=len(found) == 1))

    def _out_of(self, path: Path, *, alone: bool) -> Path:
        return self._out if alone else self._out / path.stem

    def _fit(self, visit: _Visit, chosen: list[Followed], count: str, *, out: Path) -> Iterator[Event]:
        """Fit the complete recordings of a visit and write the result."""
        try:
            result = visit.fitted(chosen, self._progress)
            page = write_results(out, result, make_map(result), refresh=self._refresh)[-1]
        except DiffbenchError as error:
            yield from (Event("fault", str(visit.path), str(fault)) for fault in error.faults)
            return
        except Exception as error:  # noqa: BLE001  whatever it is, the bench runs on, and so does the watch
            yield Event("fault", str(visit.path), last_words(error)[0])
            return
        if page not in self.pages:
            self.pages.append(page)
        yield Event("fitted", str(page), f"{count}: {_first_number(result)}")

    def close(self) -> None:
        """Leave pages that no longer load themselves again."""
        for page in self.pages:
            # where somebody has taken it away or changed it, it is theirs
            with contextlib.suppress(DiffbenchError, OSError):
                without_refresh(page, self._refresh)


def _first_number(result: Characterisation) -> str:
    """The number that is asked for first."""
    names = key_names(result)[0]
    if not names:
        return "nothing is determined yet"
    seen = seen_in(result, names[0])
    return f"{seen.label} {seen.full if seen.determined else 'not determined'}"


class _Visit:
    """A run sheet and its recordings, as far as they are there."""

    def __init__(self, path: Path, *, settle: float) -> None:
        self.path = path
        self.followed: list[Followed] = []
        self._settle = settle
        self._sheet: RunSheet | None = None
        self._text = b""
        self._told = ""
        self._fitted: dict[str, Stamp | None] = {}

    def look(self, now: float) -> list[Event]:
        """Read the papers anew and look at every recording."""
        events: list[Event] = []
        try:
            self._read()
            assert self._sheet is not None
            rigs = {run.file: self._rig(run.rig or self._sheet.rig) for run in self._sheet.run}
        except DiffbenchError as error:
            text = "; ".join(str(fault) for fault in error.faults)
            if text != self._told:
                self._told = text
                events.append(Event("fault", str(self.path), f"{text} (waiting for it to be mended)"))
            return events
        except Exception as error:  # noqa: BLE001  not even such papers end the watch
            if repr(error) != self._told:  # a report once, not at every look
                self._told = repr(error)
                events.append(Event("fault", str(self.path), last_words(error)[0]))
            return events
        if self._told:
            self._told = ""
            events.append(Event("paper", str(self.path), "is in order now"))
        for one in self.followed:
            said = one.look(rigs[one.run.file], now)
            if said is not None:
                kind: Kind = "fault" if one.state == "faulty" else "recording"
                events.append(Event(kind, str(one.path), said))
        return events

    def _read(self) -> None:
        """The run sheet, where it has changed; recordings that it goes on to name are followed further."""
        try:
            text = content_of(self.path, most=PAPER)
        except (DiffbenchError, OSError):
            text = b""  # gone between two looks, or no file at all: the reader says so
        if self._sheet is not None and text == self._text:
            return
        sheet = load_run_sheet(self.path)
        before = {(one.run.file, one.run.kind): one for one in self.followed}
        self.followed = [
            before.get((run.file, run.kind))
            or Followed(self.path.parent / run.file, run, settle=self._settle)
            for run in sheet.run
        ]
        self._sheet, self._text = sheet, text

    def _rig(self, name: str) -> Rig:
        return load_rig(self.path.parent / name)

    def due(self) -> list[Followed]:
        """The complete recordings, where they are others than at the last fit and more than tare runs; empty
        where there is nothing to do."""
        complete = [one for one in self.followed if one.state == "complete"]
        now = {one.run.file: one.stamp for one in complete}
        if now == self._fitted or all(one.run.kind == "tare" for one in complete):
            return []
        # tried once: a fault does not go away by trying again, only by another recording
        self._fitted = now
        return complete

    def fitted(self, chosen: Sequence[Followed], progress: Progress) -> Characterisation:
        """The fit of the complete recordings."""
        result = fit(load_visit(self.path, only={one.run.file for one in chosen}), progress=progress)
        if len(chosen) == len(self.followed):
            return result
        waiting = [one.run.file for one in self.followed if one not in chosen]
        so_far = FindingRecord(
            name="visit not complete",
            severity="caveat",
            where=self.path.name,
            evidence=f"{len(chosen)} of {len(self.followed)} recordings are complete; without "
            f"{', '.join(waiting)}.",
            effect="What only these can tell is missing.",
            mend="Wait for them, or look at why they do not come.",
        )
        told = result.model_copy(update={"findings": [so_far, *result.findings]})
        return told if result.evidence is None else told.with_evidence(result.evidence)
