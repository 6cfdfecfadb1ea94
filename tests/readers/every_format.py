"""A visit written anew in every format, by that format's own library, and fitted from each.

Run by hand: ``python tests/readers/every_format.py`` takes the demo, ``... RUNSHEET --formats parquet mdf``
any other visit. Printed is the largest relative difference of any number of the characterisation (values,
uncertainties, intervals, budgets) from that of the text it came from; above 1e-9 the exit status is 1.
"""

from __future__ import annotations

import argparse
import csv
import shutil
import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2] / "fixtures"))
sys.path.insert(0, str(Path(__file__).parent))

from edited import edited
from writers import FORMATS, Columns, Format

import diffbench
from diffbench.documents import load_visit
from diffbench.results import Characterisation

AGREES = 1e-9
DEMO = Path(__file__).parents[2] / "fixtures" / "demo" / "rebuilt" / "run.toml"


def columns_of(path: Path, delimiter: str = ",") -> Columns:
    """The columns of a plain text, read by the standard library, as numbers; an empty cell is NaN."""
    with path.open(encoding="utf-8", newline="") as file:
        head, *rows = csv.reader(file, delimiter=delimiter)
    return {
        name: [float(cell) if cell else float("nan") for cell in cells]
        for name, cells in zip(head, zip(*rows, strict=True), strict=True)
    }


def in_format(run_sheet: Path, folder: Path, form: Format) -> Path:
    """The visit with its recordings in a format, under the names that they had; returns its run sheet."""
    visit = load_visit(run_sheet)
    folder.mkdir(parents=True)
    text = run_sheet.read_text(encoding="utf-8")
    for number, paper in enumerate((visit.run_sheet.rig, visit.run_sheet.build)):
        copied = f"{number}-{Path(paper).name}"
        shutil.copy(run_sheet.parent / paper, folder / copied)
        text = edited(text, f'"{paper}"', f'"{copied}"')
    for run in visit.run_sheet.run:
        form.write(folder / run.file, columns_of(visit.recording_path(run)))
    rig = folder / f"0-{Path(visit.run_sheet.rig).name}"
    for name in columns_of(visit.recording_path(visit.run_sheet.run[0])):
        if form.named(name) != name:
            renamed = edited(rig.read_text(encoding="utf-8"), f'"{name}"', f'"{form.named(name)}"')
            rig.write_text(renamed, encoding="utf-8")
    sheet = folder / run_sheet.name
    sheet.write_text(text, encoding="utf-8")
    return sheet


def numbers_of(result: Characterisation) -> dict[str, float]:
    """Every number of the parameters, by name."""
    found: dict[str, float] = {}
    for name, item in result.parameters.items():
        parts = {"value": item.value, "u": item.u, "low": item.low, "high": item.high}
        parts |= {f"budget {source}": share for source, share in item.budget.items()}
        found |= {f"{name} {part}": float(x) for part, x in parts.items() if x is not None}
    return found


def apart(one: Characterisation, other: Characterisation) -> float:
    """Largest relative difference of two characterisations; infinite where they have other numbers."""
    first, second = numbers_of(one), numbers_of(other)
    if first.keys() != second.keys() or one.law != other.law:
        return float("inf")
    scale = np.maximum(np.abs(list(first.values())), np.finfo(float).tiny)
    return float(np.max(np.abs(np.array(list(first.values())) - list(second.values())) / scale))


def main() -> int:
    """Fit the visit from every format."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("run_sheet", nargs="?", type=Path, default=DEMO)
    parser.add_argument("--formats", nargs="+", choices=[form.name for form in FORMATS])
    chosen = parser.parse_args()
    reference = diffbench.fit(chosen.run_sheet)
    worst = 0.0
    with tempfile.TemporaryDirectory() as folder:
        for form in FORMATS:
            if chosen.formats is None or form.name in chosen.formats:
                found = apart(
                    reference, diffbench.fit(in_format(chosen.run_sheet, Path(folder) / form.name, form))
                )
                worst = max(worst, found)
                count = len(numbers_of(reference))
                print(f"{form.name:8} {count} numbers, at most {found:.1e} relative apart", flush=True)
    return int(worst > AGREES)


if __name__ == "__main__":
    sys.exit(main())
