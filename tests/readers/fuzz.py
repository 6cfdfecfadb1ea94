"""Thousands of damaged and hostile files: each is read, or refused in words, within time and memory.

Run ``python tests/readers/fuzz.py --count 20000 --seed 1``. Good files of every format and the papers in TOML
are cut, flipped, overwritten, spliced, wrongly encoded and filled with what no bench writes. Each is given to
the program's own way in: `read_parts`, all that comes between it and a fit, and `inspect_file` for
recordings, `load_rig` and its kin for papers, `load_characterisation` and `load_map` for results; and to the
command line, which must end with status 0, 1 or 2 (``--processes 20``: every twentieth as a process of its
own). Every other recording is read some hundred samples at a time, as very long ones are. A failure is
anything but a result or a `DiffbenchError`: another exception, a dead process, more than 10 s of processor
time, or more than 1 GB; and a result without its findings, which is a recording that gives another preload or
ramp bias than the undamaged one and of which nothing is told. Every input can be made again from its seed and
number alone. What fails is kept in ``--keep``, the corpus of all that ever broke, which a test reads each
time.
"""

from __future__ import annotations

import argparse
import gzip
import io
import json
import lzma
import os
import random
import re
import resource
import select
import signal
import subprocess
import sys
import tempfile
import time
import zipfile
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

import numpy as np
from click.testing import CliRunner
from numpy.typing import NDArray

from diffbench.cli import main as cli
from diffbench.conditioning import ConditionedVisit, condition
from diffbench.documents import Rig, load_build, load_rig, load_run_sheet
from diffbench.errors import DiffbenchError
from diffbench.fitting import fit
from diffbench.inspection import inspect_file
from diffbench.readers import read_parts
from diffbench.recording import Recording
from diffbench.results import load_characterisation, load_map, make_map

sys.path.insert(0, str(Path(__file__).parent))

from writers import FORMATS

REPOSITORY = Path(__file__).parents[2]
CORPUS = Path(__file__).parent / "corpus"
SECONDS, MEMORY = 10.0, 1 << 30  # what one input may take
# How often each kind of input comes, in a thousand. Those read in a process apart take seconds each, and what
# their libraries do there cannot reach this program: fewer of them.
WEIGHTS = {
    "text": 380, "toml": 270, "npy": 70, "tdms": 80, "gzip": 30, "xz": 30, "zip": 30, "result": 80,
    "xlsx": 8, "parquet": 6, "feather": 6, "zstd": 6, "hdf5": 2, "mdf": 2,
}  # fmt: skip
APART = ("xlsx", "parquet", "feather", "zstd", "hdf5", "mdf")
ENDS = (0, 1, 2)  # 3 is for what nobody foresaw
SAMPLES = 200
FEW, MANY = 500, 1_000_000  # samples of a part
# N.m, and share of the input torque: four times what noise moves them from one recording to the next.
APART_BY = np.array([1.0, 0.004, 0.008])
Array = NDArray[np.float64]
SWEEP = {
    "time": "Time [s]",
    "left_torque": "Torque LH [Nm]",
    "right_torque": "Torque RH [Nm]",
    "left_speed": "Speed LH [1/min]",
    "right_speed": "Speed RH [1/min]",
    "oil_temperature": "Oil [°C]",
}
_TOKENS = (
    "NaN", "inf", "-Infinity", "1e308", "-1e308", "1e999", "1.797e308", "9" * 400, "0x1F", "1_000", "1,5",
    "=1+1",
    "=HYPERLINK(1)", "#DIV/0!", "''", '"', '""', '"open', "\0", "\x1b[2J", "\u202e", "\ufeff", "\u2212", "é",
    "\ud83d\ude00".encode("utf-16", "surrogatepass").decode("utf-16"), "-", "+", ".", ",", ";", "\t", "\r",
    "x" * 5000, "2026-02-30T25:61:00", "13:05:07", "%s%n", "{}", "../../etc/passwd", "nan(1)",
)  # fmt: skip
_TOML = (
    "x = " + "9" * 5000, "x = " + "[" * 2000, "x = " + "{a=" * 800, '"\\u0000" = 1', "[channel.\"\\u001b\"]",
    "[" + "a." * 3000 + "b]", "faces = 1e400", "faces = nan", "date = 9999-12-31", "x = '''", "[[run]]" * 50,
    "name = \"\"", "format = 3", "unit = \"N.m\"", "lag = \"1e999 s\"", "zero = \"nan N.m\"",
    "file = \"../../../../etc/passwd\"",
)  # fmt: skip

_VALUES = ("1e999", "-1e308", "NaN", "-1", "0", '"\\ud800"', '"\\u001b]0;x"', "null", "[]", "{}")


@cache
def columns() -> dict[str, list[float]]:
    """A short sweep, with numbers that any format has."""
    t = np.arange(SAMPLES) * 0.05
    torque = 300.0 * np.sin(0.6 * t)
    slip = np.where(t % 4 < 2, 2.0, -2.0)
    values = (
        t, 0.5 * torque - 40.0 * np.sign(slip), 0.5 * torque + 40.0 * np.sign(slip), 570.0 + 10.0 * slip,
        570.0 - 10.0 * slip, 48.0 + 0.05 * t,
    )  # fmt: skip
    return {
        name: [round(float(x), 4) for x in column]
        for name, column in zip(SWEEP.values(), values, strict=True)
    }


@cache
def long_columns() -> dict[str, list[float]]:
    """Four cycles of a bench that has nothing to be told of: preload 80 N.m, biases 0.5 and 0.3, slip both
    ways round."""
    t = np.arange(2000) * 0.02
    rng = np.random.default_rng(1)
    torque = -300.0 + 900.0 * (1.0 - np.abs(2.0 * (t / 10.0 % 1.0) - 1.0))
    knots = np.ravel([[10.0 * i + 0.2, 10.0 * i + 9.8] for i in range(4)])
    slip = np.interp(t, knots, np.repeat([4.0, -4.0, 4.0, -4.0], 2))
    locking = np.sign(slip) * (80.0 + np.where(torque > 0.0, 0.5, 0.3) * np.abs(torque))
    noise = rng.normal(0.0, 1.0, (2, t.size))
    values = (
        t, 0.5 * (torque - locking) + noise[0], 0.5 * (torque + locking) + noise[1],
        573.0 + 4.775 * slip + 0.2 * rng.normal(size=t.size),
        573.0 - 4.775 * slip + 0.2 * rng.normal(size=t.size), 60.0 + 0.2 * rng.normal(size=t.size),
    )  # fmt: skip
    return {
        name: [round(float(x), 2) for x in column]
        for name, column in zip(SWEEP.values(), values, strict=True)
    }


@cache
def rig() -> Rig:
    """The bench of that sweep."""
    return Rig.model_validate(
        {
            "format": "diffbench-rig/1",
            "name": "Cell",
            "arrangement": "both-outputs",
            "channel": {name: {"column": column} for name, column in SWEEP.items()},
        }
    )


@cache
def good(kind: str) -> tuple[bytes, ...]:
    """Good files of one kind."""
    if kind == "toml":
        papers = (
            "fixtures/demo/*.toml",
            "fixtures/demo/rebuilt/run.toml",
            "rigs/*.toml",
            "fixtures/hand*/*.toml",
        )
        found = [path for pattern in papers for path in sorted(REPOSITORY.glob(pattern))]
        return tuple(path.read_bytes() for path in found if path.name != "truth.toml")
    if kind == "result":
        result = fit(REPOSITORY / "fixtures" / "demo" / "rebuilt" / "run.toml")
        return result.to_json().encode(), make_map(result).to_json().encode()
    form = next(form for form in FORMATS if form.name == kind)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "good"
        made = []
        for whole in (columns(), long_columns()):
            form.write(path, whole)
            made.append(path.read_bytes())
            path.unlink()
        return tuple(made)


def flipped(rng: random.Random, data: bytes) -> bytes:
    """Bits turned over."""
    changed = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 5, 20))):
        changed[rng.randrange(len(changed))] ^= 1 << rng.randrange(8)
    return bytes(changed)


def overwritten(rng: random.Random, data: bytes) -> bytes:
    """Numbers of a header made extreme."""
    changed = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 4))):
        width = rng.choice((1, 2, 4, 8))
        number = rng.choice(
            (0, 1, 255, 2 ** (8 * width) - 1, 2 ** (8 * width - 1), 1 << rng.randrange(8 * width))
        )
        at = rng.randrange(len(changed))
        changed[at : at + width] = (number % 2 ** (8 * width)).to_bytes(width, rng.choice(("little", "big")))
    return bytes(changed)


def cut(rng: random.Random, data: bytes) -> bytes:
    """The end missing, as of a logger that was switched off."""
    return data[: rng.randrange(len(data))]


def shifted(rng: random.Random, data: bytes) -> bytes:
    """Bytes lost, doubled or put in."""
    at, size = rng.randrange(len(data)), rng.choice((1, 3, 50, 1000))
    piece = rng.choice((b"", data[at : at + size] * 2, rng.randbytes(size), bytes(size)))
    return data[:at] + piece + data[at + size :]


def spliced(rng: random.Random, data: bytes) -> bytes:
    """The beginning of one file, the end of another."""
    other = rng.choice(good(rng.choice(tuple(WEIGHTS))))
    return data[: rng.randrange(len(data))] + other[rng.randrange(len(other)) :]


def words(rng: random.Random, data: bytes) -> bytes:
    """What no bench writes, in cells and lines of a text."""
    text = data.decode("utf-8", "replace")
    for _ in range(rng.choice((1, 1, 3, 10))):
        if text.count("=") > 5 and rng.random() < 0.5:
            lines = text.split("\n")
            lines.insert(rng.randrange(len(lines)), rng.choice(_TOML))
            text = "\n".join(lines)
            continue
        marks = [i for i, letter in enumerate(text) if letter in ",\n="]
        if not marks:
            break
        at = rng.choice(marks)
        end = next((i for i in range(at + 1, len(text)) if text[i] in ",\n"), len(text))
        text = text[: at + 1] + rng.choice(_TOKENS) + text[end:]
    return text.encode("utf-8", "surrogatepass")


def encoded(rng: random.Random, data: bytes) -> bytes:
    """Another encoding, perhaps behind the wrong mark."""
    text = data.decode("utf-8", "replace")
    name = rng.choice(("utf-16", "utf-16-le", "utf-16-be", "utf-32", "cp1252", "cp037", "shift_jis", "utf-7"))
    mark = rng.choice((b"", b"", b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff"))
    return mark + text.encode(name, "replace")


def wide(rng: random.Random, data: bytes) -> bytes:
    """A line of many cells, or many short lines."""
    count = rng.choice((1000, 1000, 1000, 10_000, 10_000, 100_000, 1_000_000))
    piece = rng.choice((b"1,", b",", b"1;2\n", b'"', b"a\t", b"#"))
    return rng.choice((data, b"")) + piece * count + rng.choice((b"\n", b"", data))


def packed(rng: random.Random, data: bytes) -> bytes:
    """Archives in archives, and archives of very little that unpack to very much."""
    much = rng.choice((bytes(50 << 20), b"0,1\n" * (4 << 20), data * 20))
    if rng.random() < 0.6:
        much = data
    for _ in range(rng.choice((1, 1, 2, 5))):
        way = rng.randrange(3)
        if way == 0:
            much = gzip.compress(much, 1)
        elif way == 1:
            much = lzma.compress(much, preset=0)
        else:
            file = io.BytesIO()
            name = rng.choice(("log.csv", "../../log.csv", "/etc/passwd", "a\x1b[2J", "xl/workbook.xml", ""))
            with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
                for i in range(rng.choice((1, 1, 1, 3, 200))):
                    archive.writestr(f"{i}{name}" if i else name or "x", much if i < 3 else b"x")
            much = file.getvalue()
    return much


BINARY = (flipped, flipped, overwritten, overwritten, cut, shifted, spliced)
TEXT = (words, words, words, flipped, cut, shifted, spliced, encoded, wide, packed)
PAPERS = (words, words, words, flipped, cut, shifted, encoded)


def numbers(rng: random.Random, data: bytes) -> bytes:
    """Numbers and texts of JSON made what no result holds."""
    text = data.decode("utf-8", "replace")
    for _ in range(rng.choice((1, 1, 3))):
        begin = rng.randrange(len(text))
        found = re.search(r"(?<=: )(-?[0-9.e-]+|\"[^\"]*\")|(?<=\n )-?[0-9.e-]+", text[begin:])
        if found:
            told = rng.choice(_VALUES)
            text = text[: begin + found.start()] + told + text[begin + found.end() :]
    return text.encode("utf-8", "surrogatepass")


RESULTS = (numbers, numbers, flipped, cut, shifted, encoded)


def make(seed: int, number: int) -> tuple[str, str, bytes]:
    """Return kind, way and bytes of one input."""
    rng = random.Random(f"{seed}-{number}")
    kind = rng.choices(tuple(WEIGHTS), tuple(WEIGHTS.values()))[0]
    ways: tuple[Callable[[random.Random, bytes], bytes], ...] = {
        "text": TEXT, "toml": PAPERS, "result": RESULTS,
    }.get(kind, BINARY)  # fmt: skip
    way = rng.choice(ways)
    return kind, way.__name__, way(rng, rng.choice(good(kind)))


def conditioned(parts: Sequence[Recording]) -> tuple[ConditionedVisit, set[str]]:
    """All that comes before a fit, and what is told of it: findings, notes, reasons for samples left out."""
    visit = condition(rig(), [("bias-sweep", parts)], rig_key="R", visit_key="V")
    told = {finding.name for finding in visit.findings} | {note for part in parts for note in part.notes}
    return visit, told.union(*(run.dropped for run in visit.runs))


def outcome_of(visit: ConditionedVisit) -> tuple[Array, bool]:
    """Preload [N.m], and drive and coast bias, by least squares over the cells: what a fit would find; and
    whether some cells lie more than eight standard deviations off, which a fit leaves out and tells."""
    torque = np.concatenate([run.input_torque for run in visit.runs])
    locking = np.concatenate([run.locking for run in visit.runs])
    columns_of = [np.ones_like(torque), np.maximum(torque, 0.0), np.maximum(-torque, 0.0)]
    design = np.stack(columns_of, axis=1)
    found = np.asarray(np.linalg.lstsq(design, locking, rcond=None)[0])
    residual = np.abs(locking - design @ found)
    # 1.4826: standard deviation of a normal distribution over its median absolute deviation
    return found, bool(np.any(residual > 8.0 * 1.4826 * np.median(residual)))


@cache
def undamaged() -> tuple[Array, frozenset[str]]:
    """Outcome of the long sweep, and what is told of it as it is."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "good"
        path.write_bytes(good("npy")[1])
        visit, told = conditioned(list(read_parts(path, rig(), kind="bias-sweep")))
    return outcome_of(visit)[0], frozenset(told)


def silent(parts: Sequence[Recording]) -> str | None:
    """What is wrong with a result that nothing is told of; None where something is told, or nothing
    wrong."""
    visit, told = conditioned(parts)
    outcome, usual = undamaged()
    if told - usual:
        return None
    found, left_out = outcome_of(visit)
    apart = found - outcome
    if left_out or np.all(np.abs(apart) <= APART_BY):
        return None
    return f"SILENT: nothing is told of a result that is off by {np.array2string(apart, precision=3)}"


def take(kind: str, path: Path) -> str:
    """Give one input to the program, and return what came of it."""
    try:
        if kind in ("toml", "result"):
            papers: tuple[Callable[[Path], object], ...] = (load_rig, load_build, load_run_sheet)
            for load in papers if kind == "toml" else (load_characterisation, load_map):
                try:
                    load(path)
                except DiffbenchError as error:
                    refusal = error
                else:
                    return "read"
            raise refusal
        rows = FEW if path.stat().st_size % 2 else MANY
        parts = list(read_parts(path, rig(), kind="bias-sweep", rows=rows))
        if kind not in APART:
            inspect_file(path)
        without_a_word = silent(parts)
        if without_a_word is not None:
            return without_a_word
    except DiffbenchError as error:
        for fault in error.faults:
            text = str(fault)
            if not (fault.what and fault.mend and "\n" not in text):
                return f"FAULT without what or mend: {text[:200]}"
        return "refused"
    return "read"


def arguments(number: int, kind: str, path: Path) -> list[str]:
    """A command for one input."""
    commands = {
        "toml": (["fit", "{}"], ["inspect", str(REPOSITORY / "fixtures/demo/tare.csv"), "--rig", "{}"],
                 ["repeatability", "{}"], ["draft", "build", "{}/x"]),
        "result": (["show", "{}"], ["show", "{}", "--verbose"], ["conformity", "{}"], ["compare", "{}", "{}"],
                   ["export", "{}", "--to", "c", "--out", "{}.out/x"],
                   ["lookup", "{}", "--torque", "100", "--speed", "4", "--temperature", "60"]),
    }.get(kind, (["inspect", "{}"], ["inspect", "{}", "--json"]))  # fmt: skip
    return [word.replace("{}", str(path)) for word in commands[number % len(commands)]]


def status(command: Sequence[str], *, process: bool) -> int:
    """What a command ends with, in this process or in one of its own; -1 where a traceback is shown."""
    if process:
        program = [sys.executable, "-m", "diffbench", *command]
        done = subprocess.run(program, capture_output=True, check=False, timeout=120)
        shown = done.stderr
        ended = done.returncode
    else:
        result = CliRunner().invoke(cli, list(command))
        shown, ended = result.stderr.encode(), result.exit_code
    return -1 if b"Traceback" in shown else ended


@dataclass
class Outcome:
    """What came of a run."""

    count: int = 0
    results: Counter[str] = field(default_factory=Counter)
    failures: list[str] = field(default_factory=list)
    slowest: float = 0.0
    memory: int = 0


def work(seed: int, numbers: range, pipe: int, folder: Path, processes: int) -> None:
    """Take inputs one after the other in this process, and tell of each before and after."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
    path = folder / "input.dat"
    for number in numbers:
        kind, way, data = make(seed, number)
        path.write_bytes(data)
        os.write(pipe, json.dumps({"begun": number, "what": f"{kind} {way}"}).encode() + b"\n")
        begun = time.process_time()
        try:
            came = take(kind, path)
            if kind not in APART:
                own = bool(processes) and number % processes == 0
                ended = status(arguments(number, kind, path), process=own)
                came = came if ended in ENDS else f"STATUS {ended} of {arguments(number, kind, path)[0]}"
        except BaseException as error:  # noqa: BLE001  anything that gets out is what this looks for
            came = f"EXCEPTION {type(error).__name__}: {str(error)[:200]}"
        told = {
            "done": number,
            "came": came,
            "seconds": time.process_time() - begun,
            "memory": max(
                resource.getrusage(who).ru_maxrss << 10
                for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
            ),
        }
        os.write(pipe, json.dumps(told).encode() + b"\n")
        if told["memory"] > MEMORY:
            break  # the highest mark of a process never falls: the next input gets a new one


def fuzz(
    count: int,
    seed: int,
    *,
    first: int = 0,
    processes: int = 0,
    tell: Callable[[str], None] = lambda text: None,
) -> Outcome:
    """Return what came of ``count`` inputs; of every ``processes``th the command is a process of its own."""
    good("result")  # once, before processes part
    outcome = Outcome()
    number, end = first, first + count
    while number < end:
        with tempfile.TemporaryDirectory(prefix="fuzz-") as folder:
            source, target = os.pipe()
            child = os.fork()
            if child == 0:
                os.close(source)
                try:
                    work(seed, range(number, end), target, Path(folder), processes)
                finally:
                    os._exit(0)
            os.close(target)
            number = _watch(child, source, number, end, outcome, tell)
            os.close(source)
    return outcome


def _watch(
    child: int, source: int, number: int, end: int, outcome: Outcome, tell: Callable[[str], None]
) -> int:
    """Follow one working process to its end; return the number of the next input."""
    rest, what = b"", ""
    while number < end:
        # In real time, on a machine that others use: the process's own time is judged below.
        ready, _, _ = select.select([source], [], [], 12 * SECONDS)
        piece = os.read(source, 1 << 16) if ready else b""
        if not piece:
            os.kill(child, signal.SIGKILL)
            _, status = os.waitpid(child, 0)
            if what:
                outcome.failures.append(
                    f"{number} ({what}): " + ("hangs" if not ready else f"dies ({status})")
                )
                outcome.count += 1
                number += 1
            return number
        *lines, rest = (rest + piece).split(b"\n")
        for line in lines:
            told = json.loads(line)
            if "begun" in told:
                number, what = told["begun"], told["what"]
                continue
            outcome.count += 1
            outcome.results[f"{what.split()[0]} {told['came'].split()[0]}"] += 1
            outcome.slowest = max(outcome.slowest, told["seconds"])
            outcome.memory = max(outcome.memory, told["memory"])
            if told["came"] not in ("read", "refused"):
                outcome.failures.append(f"{number} ({what}): {told['came']}")
            if told["seconds"] > SECONDS:
                outcome.failures.append(f"{number} ({what}): {told['seconds']:.1f} s")
            if told["memory"] > MEMORY:
                outcome.failures.append(f"{number} ({what}): {told['memory'] >> 20} MB")
            number, what = number + 1, ""
            if outcome.count % 200 == 0:
                tell(f"{outcome.count} inputs, {len(outcome.failures)} failures")
    os.waitpid(child, 0)
    return number


def keep(seed: int, failure: str, folder: Path) -> None:
    """Put an input that failed into the corpus, and a line on what broke: read or refused is expected."""
    number = int(failure.split(maxsplit=1)[0])
    kind, _, data = make(seed, number)
    name = f"find-{seed}-{number}.{kind}"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / name).write_bytes(data)
    entry = {"name": name, "kind": kind, "broke": failure}
    lines = [f"{key} = {json.dumps(value)}" for key, value in entry.items()]
    with (folder / "corpus.toml").open("a", encoding="utf-8") as index:
        index.write("\n".join(["", "[[file]]", *lines, ""]))


def main() -> int:
    """Read the command line, and print what came of the run."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("--count", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, help="number of the first input")
    parser.add_argument("--processes", type=int, default=20, help="every so many commands in its own")
    parser.add_argument("--keep", type=Path, default=CORPUS, help="folder for inputs that failed")
    chosen = parser.parse_args()
    outcome = fuzz(
        chosen.count,
        chosen.seed,
        first=chosen.first,
        processes=chosen.processes,
        tell=lambda text: print(text, flush=True),
    )
    for result, count in sorted(outcome.results.items()):
        print(f"  {result:20} {count}")
    for failure in outcome.failures:
        print(f"FAILED {failure}")
        keep(chosen.seed, failure, chosen.keep)
    print(
        f"{outcome.count} inputs of seed {chosen.seed}: {len(outcome.failures)} failures; slowest "
        f"{outcome.slowest:.1f} s of processor time, at most {outcome.memory >> 20} MB"
    )
    return 1 if outcome.failures else 0


if __name__ == "__main__":
    sys.exit(main())
