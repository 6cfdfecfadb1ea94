"""Work through a fleet: results are written as they come, and a fault costs its own run sheet only.

One process writes: workers hand back bytes, so that a full disk, a lock and what is done are one process's
affair, and workers elsewhere need no right to write. A pool that breaks does not say who broke it: what it
had in hand is fitted again one by one. Local processes and dask meet in the interface of
``concurrent.futures``.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, CancelledError, Executor, Future, wait
from pathlib import Path

from diffbench.errors import FitError
from diffbench.fleet.engines import Engine
from diffbench.fleet.folder import Fleet
from diffbench.fleet.job import Outcome, fitted

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
) -> None:
    """Fit all run sheets of a fleet that are not done yet.

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
            if fleet.is_done(sheet, page=page):
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
