"""What a history has to bear: several writers at once, and kills at any moment. Run by hand, or by the tests.

``python tests/history/pressure.py kills --count 200`` makes histories in a folder that goes again, kills the
writer at random moments, and after each kill looks whether what it had reported as filed is there and
everything verifies. ``python tests/history/pressure.py writers --processes 8 --records 200 [--store URL]``
lets processes file at once.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import random
import shutil
import signal
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from invented_results import result, write

from diffbench.errors import HistoryError
from diffbench.history import Changes, open_history, read_export

OLDER = Path(__file__).with_name("older_form.sql")
#: Seconds within which a kill comes: after a report of a filed record (some way into the correction, the
#: export, or the next record), or after the start (the making of the store, or its way to the newest form).
LONGEST = 0.04
FIRST = 0.15


#: Most records of one transaction of a writer, of which each has one to as many, at random.
AT_ONCE = 5


def file_records(store: str, writer: int, count: int, folder: Path) -> None:
    """File records, a few in each transaction."""
    history, chance = open_history(store), random.Random(writer)
    number = 0
    while number < count:
        more = min(chance.randint(1, AT_ONCE), count - number)
        paths = [
            write(folder / f"{writer}-{i}.json", result(f"W{writer}", recording=f"{writer} {number + i}"))
            for i in range(more)
        ]
        history.add(paths, by=f"writer {writer}")
        number += more


def writers(store: str, processes: int, records: int, folder: Path) -> tuple[int, list[str]]:
    """Let processes file at once.

    Returns the number of records in the end, and all damage.
    """
    children = [_forked(lambda i=i: file_records(store, i, records, folder)) for i in range(processes)]
    failed = [f"writer {i} failed" for i, child in enumerate(children) if os.waitpid(child, 0)[1] != 0]
    history = open_history(store)
    return len(history.contents().records), [*failed, *map(str, history.verify().damage)]


def _forked(job: Callable[[], object]) -> int:
    """A process of its own that does one job, everything imported already; status 0 when it is done."""
    child = os.fork()
    if child:
        return child
    status = 1
    try:
        job()
        status = 0
    finally:
        os._exit(status)


def _work(store: Path, folder: Path, report: int) -> None:
    """File, correct and export until the kill; say what was done once it is done."""
    history = open_history(str(store))
    for number in range(10_000):
        path = write(folder / "paper.json", result("K1", recording=f"{folder} {number}"))
        added = history.add([path], by="victim")[0]
        os.write(report, f"{added.record.document}\n".encode())
        history.correct(added.record.number, Changes(events=number + 1), reason="a test", by="victim")
        if number % 3 == 0:
            history.export(folder / f"{number}.jsonl")


def _killed(store: Path, folder: Path, reports: int, delay: float) -> list[str]:
    """Hashes that a writer had reported when it was killed: some time after a number of reports."""
    reading, report = os.pipe()
    child = _forked(lambda: _work(store, folder, report))
    os.close(report)
    with os.fdopen(reading, encoding="ascii") as pipe:
        told = [pipe.readline() for _ in range(reports)]
        time.sleep(delay)
        os.kill(child, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
        told += pipe.read().splitlines()
    if not os.WIFSIGNALED(status):
        msg = "the writer ended before it was killed"
        raise RuntimeError(msg)
    return [line.strip() for line in told]


def older_store(path: Path) -> None:
    """A store as the first revision left it, from its SQL."""
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.executescript(OLDER.read_text(encoding="utf-8"))


def kills(count: int, folder: Path, seed: int) -> Iterator[tuple[int, list[str]]]:
    """Kill a writer again and again: in turn on a store that is not there yet, on an older one that is being
    brought to the newest form, and twice on one that grows.

    Yields the number of records that were reported, and what was found wrong.
    """
    chance = random.Random(seed)
    grown: set[str] = set()
    for number in range(count):
        turn = folder / str(number)
        turn.mkdir()
        store = turn / "history.sqlite" if number % 4 < 2 else folder / "grown.sqlite"
        if number % 4 == 1:
            older_store(store)
        reports = chance.choice((0, 0, 1, 2, 4))
        told = _killed(store, turn, reports, chance.uniform(0.0, LONGEST if reports else FIRST))
        expected = set(told)
        if number % 4 >= 2:
            grown |= expected
            expected = grown
        yield len(told), list(_faults(store, expected, turn))
        shutil.rmtree(turn)


def _faults(store: Path, expected: set[str], turn: Path) -> Iterator[str]:
    history = open_history(str(store))
    try:
        there = {record.document for record in history.contents().records}
        yield from map(str, history.verify().damage)
    except HistoryError as error:
        # killed before anything was made: then nothing may have been reported
        if expected or "no history yet" not in str(error):
            yield str(error)
        return
    if expected - there:
        yield f"{len(expected - there)} records that were reported as filed are lost"
    for export in turn.glob("*.jsonl"):
        read_export(export)


def main() -> None:
    """The command."""
    parser = argparse.ArgumentParser(description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    kill = commands.add_parser("kills")
    kill.add_argument("--count", type=int, default=200)
    kill.add_argument("--seed", type=int, default=1)
    at_once = commands.add_parser("writers")
    at_once.add_argument("--processes", type=int, default=8)
    at_once.add_argument("--records", type=int, default=200)
    at_once.add_argument(
        "--store", help="address of an empty store; a file that goes again unless it is said"
    )
    options = parser.parse_args()
    with (
        tempfile.TemporaryDirectory() as made
    ):  # what a history imports late is imported before any clock runs
        open_history(f"{made}/history.sqlite").add([write(Path(made) / "paper.json", result())])
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        if options.command == "writers":
            began = time.monotonic()
            store = options.store or str(folder / "history.sqlite")
            found, wrong = writers(store, options.processes, options.records, folder)
            print(f"{found} records after {time.monotonic() - began:.0f} s, {len(wrong)} faults")
            wrong += [] if found == options.processes * options.records else ["records are lost"]
        else:
            outcomes = list(kills(options.count, folder, options.seed))
            wrong = [fault for _, faults in outcomes for fault in faults]
            early = sum(told == 0 for told, _ in outcomes)
            print(f"{len(outcomes)} kills, {early} before anything was filed, {len(wrong)} faults")
    print("\n".join(wrong))
    sys.exit(1 if wrong else 0)


if __name__ == "__main__":
    main()
