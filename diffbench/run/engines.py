"""Who does the work: processes of this machine, or an engine that runs on many."""

from __future__ import annotations

import gc
import logging
import multiprocessing
import signal
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from typing import Any

from diffbench.children import end_with_parent
from diffbench.errors import FitError

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
            max_workers=jobs, mp_context=fresh, initializer=_begin, initargs=(gc.get_threshold(),)
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
