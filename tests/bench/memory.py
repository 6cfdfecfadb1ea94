"""Largest memory of reading and conditioning, against the length of a recording, for every format that
loggers write long ones in.

Run by hand: ``python tests/bench/memory.py --rows 3000000 12000000``. A recording of 8 columns, of which the
rig wants 7, is written in each format by the format's own library, and goes the way that a fit's recordings
go, part by part to cells, in a process of its own. Printed are the largest memories of that process and of
the child that some formats are read in, and what a further row costs.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parents[1] / "fixtures")]

from edited import edited  # noqa: E402

FORMATS = ("text", "parquet", "hdf5", "tdms", "mdf")
PIECE = 250_000  # rows that a logger writes at once

# Each is given to a small interpreter: a process inherits the largest memory of the one that starts it.
WRITE = """
import sys
sys.path[:0] = [{here!r}]
from memory import write
write({name!r}, {path!r}, {rows})
"""
READ = """
import resource, sys
from pathlib import Path
from diffbench.conditioning.pipeline import condition
from diffbench.documents import load_rig
from diffbench.readers import read_parts
rig = load_rig(Path({rig!r}))
parts = read_parts(Path({path!r}), rig, kind="bias-sweep")
visit = condition(rig, [("bias-sweep", parts)], rig_key="R", visit_key="V")
used = (resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
print(visit.runs[0].samples, *(kilobytes / 1024 for kilobytes in used))
"""


def columns(first: int, last: int) -> dict[str, object]:
    """Some rows of an invented sweep, by column."""
    import numpy as np
    from recordings import HEADER

    time = np.arange(first, last) / 1000.0
    rng = np.random.default_rng(first)
    torque = 300.0 * np.sin(0.3 * time) + rng.normal(0.0, 2.0, time.size)
    slip = np.where(time % 40.0 < 20.0, 20.0, -20.0)
    values = (time, 0.5 * torque - 2.0 * slip, 0.5 * torque + 2.0 * slip, 570.0 + slip, 570.0 - slip,
              570.0 + 0.0 * slip, 60.0 + 0.001 * time, 21.0 + 0.0 * time)  # fmt: skip
    return {name: np.round(column, 4) for name, column in zip(HEADER.split(","), values, strict=True)}


def write(name: str, path: str, rows: int) -> None:
    """Write a recording piece by piece, as a logger does, or whole where the library can't."""
    pieces = [(first, min(first + PIECE, rows)) for first in range(0, rows, PIECE)]
    WRITERS[name](path, pieces)


def _text(path: str, pieces: Sequence[tuple[int, int]]) -> None:
    import pyarrow as pa
    from pyarrow import csv

    for first, last in pieces:
        with Path(path).open("ab") as file:
            options = csv.WriteOptions(include_header=first == 0)
            csv.write_csv(pa.table(columns(first, last)), file, options)


def _parquet(path: str, pieces: Sequence[tuple[int, int]]) -> None:
    import pyarrow as pa
    from pyarrow import parquet

    with parquet.ParquetWriter(path, pa.table(columns(0, 1)).schema) as writer:
        for first, last in pieces:
            writer.write_table(pa.table(columns(first, last)))


def _hdf5(path: str, pieces: Sequence[tuple[int, int]]) -> None:
    import h5py

    with h5py.File(path, "w", track_order=True) as file:
        group = file.create_group("Sweep", track_order=True)
        for first, last in pieces:
            for title, values in columns(first, last).items():
                name = title.replace("/", "\u2215")
                if name not in group:
                    group.create_dataset(name, shape=(0,), maxshape=(None,), chunks=(PIECE,), dtype="f8")
                group[name].resize((last,))
                group[name][first:last] = values


def _tdms(path: str, pieces: Sequence[tuple[int, int]]) -> None:
    import nptdms

    with nptdms.TdmsWriter(path) as writer:
        for first, last in pieces:
            writer.write_segment(
                [nptdms.ChannelObject("Sweep", name, values) for name, values in columns(first, last).items()]
            )


def _mdf(path: str, pieces: Sequence[tuple[int, int]]) -> None:
    import asammdf

    (clock, time), *channels = columns(0, pieces[-1][1]).items()
    measurement = asammdf.MDF(version="4.10")
    signals = [asammdf.Signal(values, time, name=title) for title, values in channels]
    measurement.append(signals, acq_name="Sweep")
    measurement.groups[0].channels[0].name = clock
    saved = measurement.save(Path(path + ".mf4"), overwrite=True)
    measurement.close()
    Path(saved).rename(path)


WRITERS: dict[str, Callable[[str, Sequence[tuple[int, int]]], None]] = {
    "text": _text,
    "parquet": _parquet,
    "hdf5": _hdf5,
    "tdms": _tdms,
    "mdf": _mdf,
}


def measured(name: str, rows: int, folder: Path) -> tuple[float, float, float]:
    """Size of the file, and largest memory of the process that reads it and of its child [MB]."""
    from recordings import RIG

    path, rig = folder / f"{name}.dat", folder / "rig.toml"
    text = edited(RIG, "[1/min]", "[1\u2215min]") if name == "hdf5" else RIG
    rig.write_text(text, encoding="utf-8")
    run = [sys.executable, "-c"]
    subprocess.run([*run, WRITE.format(here=str(HERE), name=name, path=str(path), rows=rows)], check=True)
    size = path.stat().st_size / 1e6
    read = READ.format(path=str(path), rig=str(rig))
    done = subprocess.run([*run, read], stdout=subprocess.PIPE, encoding="utf-8", check=False)
    path.unlink()
    if done.returncode:
        return size, float("nan"), float("nan")
    count, own, child = done.stdout.split()
    if int(count) != rows:
        raise SystemExit(f"{name}: {count} rows read of {rows}")
    return size, float(own), float(child)


def main() -> None:
    """Measure the formats that are asked for."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--rows", type=int, nargs=2, default=(3_000_000, 12_000_000))
    parser.add_argument("--formats", nargs="+", choices=FORMATS, default=FORMATS)
    given = parser.parse_args()
    few, many = given.rows
    head = ("format", f"{many:,} rows in a file", f"{few:,} rows", f"{many:,} rows", "in the child",
            "a further row", "in the child")  # fmt: skip
    print(f"| {' | '.join(head)} |\n{'|---' * len(head)}|", flush=True)
    with tempfile.TemporaryDirectory() as folder:
        for name in given.formats:
            (_, own, child), (size, later, grown) = (measured(name, n, Path(folder)) for n in (few, many))
            sides = ((own, later), (child, grown))
            slopes = [1024 * 1024 * (after - before) / (many - few) for before, after in sides]
            cells = [f"{megabytes:.0f} MB" for megabytes in (size, own, later, grown)]
            cells += [f"{slope:.0f} B" for slope in slopes]
            print(f"| {name} | {' | '.join(cells)} |", flush=True)


if __name__ == "__main__":
    main()
