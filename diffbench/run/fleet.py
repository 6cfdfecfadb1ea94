"""Many recordings: every run sheet of a folder, fitted by processes of this machine or an engine that runs on
many; a fault costs its own run sheet.

One process writes: workers hand back bytes, so that a full disk, a lock and what is done are one process's
affair, and workers elsewhere need no right to write. A pool that breaks does not say who broke it: what it
had in hand is fitted again one by one. Local processes and dask meet in the interface of
``concurrent.futures``. Done means: the result stands and its SHA-256 of papers and recordings still hold.
There is no journal that could tear or lie.
"""

from __future__ import annotations

import gc
import logging
import multiprocessing
import signal
import sys
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    CancelledError,
    Executor,
    Future,
    ProcessPoolExecutor,
    wait,
)
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from diffbench.children import end_with_parent
from diffbench.documents import run_sheets_in
from diffbench.errors import FitError
from diffbench.report.files import FAULTS, put_results
from diffbench.results.manifest import holds
from diffbench.results.standing import RESULT, stands
from diffbench.whole_files import made_and_held, recover, write_whole


@dataclass(frozen=True)
class Outcome:
    """What became of a run sheet: ``files`` of the result by name, manifest included, or ``faults`` one line
    each."""

    sheet: str
    files: Mapping[str, bytes]
    faults: tuple[str, ...] = ()


def fitted(sheet: str, page: bool) -> Outcome:
    """Fit one run sheet and make its map, and with ``page`` its report.

    This runs in a worker, perhaps on another machine that sees the recordings under the same path. Faults of
    the papers and recordings come back as texts, so that they cost this run sheet only.
    """
    from diffbench.errors import DiffbenchError
    from diffbench.fitting import fit
    from diffbench.last_resort import last_words
    from diffbench.report.files import documents
    from diffbench.results.manifest import with_manifest
    from diffbench.results.predict import make_map

    try:
        result = fit(sheet)
        files = with_manifest(documents(result, make_map(result), page=page), result=result.digest)
    except DiffbenchError as error:
        return Outcome(sheet, {}, tuple(str(fault) for fault in error.faults))
    except Exception as error:  # noqa: BLE001  thousands of others shall not fall with it
        return Outcome(sheet, {}, (f"{sheet}: {last_words(error)[0]}",))
    return Outcome(sheet, files)


LOCK = ".fit-all.lock"
EARLIER = "The result beside this file is an earlier one, of other papers, recordings or another version."


@dataclass(frozen=True)
class Fleet:
    """``sheets`` found below ``source``, results to come below ``out``, one folder for each."""

    source: Path
    out: Path
    sheets: tuple[Path, ...]

    def folder(self, sheet: Path) -> Path:
        """Where the result of a run sheet goes: its own path below the source, without ``.toml``."""
        return self.out / sheet.relative_to(self.source).with_suffix("")

    def is_done(self, sheet: Path, *, page: bool) -> bool:
        """Whether the result stands whole, unedited and of one fit, made by this version of these very bytes
        of papers and recordings; what an earlier run was ended in is brought to its end first. Raises
        ``OutputError`` where it cannot be."""
        folder = self.folder(sheet)
        recover(folder)
        manifest = stands(folder, [sheet])
        return manifest is not None and page <= ("report.html" in manifest.files)

    def keep(self, outcome: Outcome) -> None:
        """Write a result in the place of an earlier one, or its faults, beside an earlier one, whole. Raises
        ``OutputError`` where it cannot be."""
        folder = self.folder(Path(outcome.sheet))
        if outcome.files:
            put_results(folder, outcome.files)
        else:
            lines = [*outcome.faults, *([EARLIER] if holds(folder, RESULT) else [])]
            write_whole(folder, {FAULTS: ("\n".join(lines) + "\n").encode()})

    def alone(self) -> AbstractContextManager[None]:
        """Hold the folder of results for one run; a second one is refused. The system lets go of the lock
        however a run ends."""
        return made_and_held(self.out, name=LOCK)


def run_sheets(source: Path) -> tuple[Path, ...]:
    """All run sheets in a folder and below it, in the order of their paths (`run_sheets_in`). Raises
    ``FitError`` where there is none."""
    found = tuple(run_sheets_in(source, below=True))
    if not found:
        raise FitError.single(
            "there is no run sheet in this folder or below it",
            file=str(source),
            mend='name a folder that holds run sheets: .toml files with format = "diffbench-run/1"',
        )
    return found


AHEAD = 2  # run sheets handed over for each worker: none waits, and few results are held at once
KILLED = (
    "{sheet}: the process that fitted it was ended from outside, more than once: the machine may have run "
    "out of memory. Fit it by itself, or with fewer --jobs"
)


def fit_fleet(
    fleet: Fleet,
    engine: Engine,
    *,
    jobs: int,
    page: bool,
    told: Callable[[Outcome, bool], None],
    afresh: bool = False,
) -> None:
    """Fit all run sheets of a fleet that are not done yet, or all ``afresh``.

    Parameters: ``engine`` makes the workers; ``jobs`` how many they are; ``told(outcome, new)`` is called for
    every run sheet, those that were done before first. Results and faults are on the disk before they are
    told. Where workers die, those run sheets that they had are fitted again one by one, so that the guilty
    one is found and the others are not lost. Raises ``OutputError`` where a result cannot be written,
    ``FitError`` where the engine is gone; what is done until then stands, and a further call goes on from
    there.
    """
    with fleet.alone():
        waiting = deque[Path]()
        for sheet in fleet.sheets:
            if not afresh and fleet.is_done(sheet, page=page):
                told(Outcome(str(sheet), {}), False)
            else:
                waiting.append(sheet)

        def keep(outcome: Outcome) -> None:
            fleet.keep(outcome)
            told(outcome, True)

        while waiting:
            suspects = _until_broken(engine, waiting, AHEAD * jobs, page, keep)
            for sheet in suspects:
                alone = deque([sheet])
                if _until_broken(engine, alone, 1, page, keep):
                    keep(Outcome(str(sheet), {}, (KILLED.format(sheet=sheet),)))


def _until_broken(
    engine: Engine, waiting: deque[Path], ahead: int, page: bool, keep: Callable[[Outcome], None]
) -> Sequence[Path]:
    """Work through what waits; return what was being worked on when the workers died, if they did."""
    with engine.workers() as workers:
        running: dict[Future[Outcome], Path] = {}
        try:
            while waiting or running:
                while waiting and len(running) < ahead:
                    running[_handed_over(workers, waiting[0], page)] = waiting[0]
                    waiting.popleft()
                done, _ = wait(running, return_when=FIRST_COMPLETED)
                for future in done:
                    keep(_outcome(future, running[future], engine))
                    del running[future]
        except BrokenExecutor:
            return list(running.values())
        except (CancelledError, OSError, RuntimeError) as error:
            raise FitError.single(
                f"the workers are gone ({type(error).__name__}: {error})",
                mend="start scheduler and workers again, and give the same command: it goes on from here",
            ) from error
    return ()


def _outcome(future: Future[Outcome], sheet: Path, engine: Engine) -> Outcome:
    try:
        return future.result()
    except engine.killed:
        return Outcome(str(sheet), {}, (KILLED.format(sheet=sheet),))


def _handed_over(workers: Executor, sheet: Path, page: bool) -> Future[Outcome]:
    return workers.submit(fitted, str(sheet), page)


PATIENCE = 10.0  # s that a scheduler may take to answer


@dataclass(frozen=True)
class Engine:
    """``workers`` makes them, again where those of before have died; ``killed`` are the errors by which the
    engine itself tells that a run sheet has cost several workers their lives."""

    workers: Callable[[], AbstractContextManager[Executor]]
    killed: tuple[type[BaseException], ...] = ()


def processes(jobs: int) -> Engine:
    """So many processes of this machine, each started afresh: what is forked from a program with threads can
    hang."""

    @contextmanager
    def opened() -> Iterator[Executor]:
        fresh = multiprocessing.get_context("spawn")
        pool = ProcessPoolExecutor(
            max_workers=min(jobs, 61) if sys.platform == "win32" else jobs,  # Windows waits for no more
            mp_context=fresh,
            initializer=_begin,
            initargs=(gc.get_threshold(),),
        )
        try:
            yield pool
        finally:
            # what waits is not begun any more, whatever ended the run
            pool.shutdown(wait=True, cancel_futures=True)

    return Engine(opened)


def _begin(collections: tuple[int, int, int]) -> None:
    """A worker is deaf to Ctrl-C, which goes to every process of a terminal: the one that was called ends the
    run, workers finish; where that one is killed, they end with it. It looks for rubbish as often as the one
    that started it."""
    end_with_parent()
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    gc.set_threshold(*collections)


def cluster(address: str) -> Engine:
    """The workers of a dask.distributed scheduler at ``address``, which see the recordings under the same
    paths and have this version of diffbench. Raises ``FitError`` where there is none, or the extra is
    missing."""
    try:
        import distributed
    except ImportError:
        raise FitError.single(
            "a scheduler needs the library distributed, which is not installed",
            mend="pip install 'diffbench[cluster]', or leave --scheduler out",
        ) from None

    library: Any = distributed  # its functions state no types
    # it logs pages of tracebacks where a scheduler goes; one clear line is ours to say
    for name in [name for name in logging.root.manager.loggerDict if name.startswith("distributed")]:
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)

    @contextmanager
    def opened() -> Iterator[Executor]:
        try:
            client = library.Client(address, timeout=PATIENCE, set_as_default=False)
        except (OSError, ValueError) as error:
            raise FitError.single(
                f"there is no scheduler at '{address}' ({error})",
                mend="start one with `dask scheduler` and workers with `dask worker`, or mend --scheduler",
            ) from None
        try:
            yield client.get_executor(pure=False)
        finally:
            client.close(timeout=5)

    return Engine(opened, (library.scheduler.KilledWorker,))
