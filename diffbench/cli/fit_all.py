"""``diffbench fit-all``: every run sheet of a folder."""

from __future__ import annotations

import csv
import io
import json
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from diffbench.cli.group import INTERRUPTED
from diffbench.cli.options import (
    PATH,
    afresh_option,
    faces_of,
    faces_options,
    json_option,
    quiet_option,
    store_option,
)
from diffbench.cli.terminal import Progress, print_json, print_text
from diffbench.plain_text import spreadsheet_text

if TYPE_CHECKING:
    from diffbench.run.fleet import Fleet, Outcome

_SHOWN = (
    "preload_torque",
    "ramp_bias_drive_loading",
    "ramp_bias_coast_loading",
    "friction_coefficient",
    "preload_torque_as_read",
)
_ELSEWHERE = 16  # workers of a scheduler, for how much is handed over at once
_AT_ONCE = 100  # results filed in one step
_TOLD = 20  # faults shown; all of them stand beside the results


@click.command(epilog="Example: diffbench fit-all visits/2026 --out results/2026 --jobs 4")
@click.argument("folder", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option(
    "--out",
    type=PATH,
    required=True,
    is_eager=True,
    help="Folder for the results, a folder in it for each run sheet; made if it is not there.",
)
@click.option("--jobs", type=click.IntRange(min=1), default=1, help="Processes that fit side by side; 1.")
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="Fit on the workers of a dask scheduler, e.g. tcp://bench-server:8786; they must see the recordings "
    "under the same paths. Name one that you trust only: it may run any code here, as you.",
)
@click.option("--page", is_flag=True, help="Write report.html too, which takes longer than the fit.")
@click.option("--file", "filed", is_flag=True, help="File the results in the history when all are fitted.")
@afresh_option("Fit all run sheets, those whose result stands in --out too.")
@store_option("The history, if it is not your own: see diffbench history --help.")
@json_option("Print what became of each run sheet as JSON, alone.")
@faces_options(out=None, text="Write the overview as that, too; may be repeated.")
@quiet_option()
def fit_all(
    folder: Path,
    out: Path,
    jobs: int,
    scheduler: str | None,
    page: bool,
    filed: bool,
    afresh: bool,
    store: str | None,
    as_json: bool,
    formats: tuple[str, ...],
    quiet: bool,
) -> None:
    """Characterise every run sheet in FOLDER and below, each by itself.

    A fault costs its own run sheet only: its folder holds faults.txt, beside an earlier result or in place of
    one. Given again, the command goes on where it was broken off: what was fitted by this version from the
    same papers and recordings is not fitted again. --out also gets overview.csv, one line for each run sheet.
    Exit status: 0 done; 1 done, and a limit of a build sheet is proven to be broken; 2 a run sheet could not
    be fitted.
    """
    from diffbench.report.fleet import fleet_document
    from diffbench.results.state import FAILS
    from diffbench.run import Fleet, cluster, fit_fleet, processes, run_sheets
    from diffbench.whole_files import write_whole

    if not folder.is_dir():
        raise click.BadParameter(f"'{folder}' is no folder.", param_hint="FOLDER")
    source = folder.resolve()
    fleet = Fleet(source, out.resolve(), run_sheets(source))
    engine, at_once = (processes(jobs), jobs) if scheduler is None else (cluster(scheduler), _ELSEWHERE)
    rows: list[dict[str, Any]] = []
    begun, new, broken = time.monotonic(), 0, 0
    with Progress(enabled=not quiet and sys.stderr.isatty()) as say:

        def told(outcome: Outcome, is_new: bool) -> None:
            nonlocal new, broken
            new, broken = new + is_new, broken + bool(outcome.faults)
            rows.append(_row(fleet, outcome))
            left = len(fleet.sheets) - len(rows)
            rest = f", {left * (time.monotonic() - begun) / new:.0f} s to go" if new and left else ""
            say(f"{len(rows)} of {len(fleet.sheets)}, {broken} with faults{rest}")

        say(f"{len(fleet.sheets)} run sheets")
        try:
            fit_fleet(fleet, engine, jobs=at_once, page=page, told=told, afresh=afresh)
        except KeyboardInterrupt:
            say.clear()
            print_text("\ndiffbench: stopped; what is fitted stands, the same command goes on.", err=True)
            raise SystemExit(INTERRUPTED) from None
        rows.sort(key=lambda row: str(row["run_sheet"]))
        faces = faces_of(fleet_document(rows), {"run sheets": rows}, "overview", formats) if formats else {}
        write_whole(fleet.out, {**faces, "overview.csv": _table(rows)})
        if filed:
            say("history")
            _file([fleet.out / row["folder"] for row in rows if row["status"] == "fitted"], store)
    if as_json:
        print_json(rows, indent=2)
    _tell_faults([fault for row in rows for fault in row["faults"]])
    outside = sum(row["state"] in FAILS for row in rows)
    if not quiet and not as_json:
        print_text(
            f"{len(rows)} run sheets: {new - broken} fitted, {len(rows) - new} done before, "
            f"{broken} with faults; {outside} beyond a limit of their sheet.\nWritten: {out}"
        )
    if broken or outside:
        raise SystemExit(2 if broken else 1)


def _tell_faults(faults: list[str]) -> None:
    for fault in faults[:_TOLD]:
        print_text(f"diffbench: {fault}", err=True)
    if len(faults) > _TOLD:
        print_text(f"diffbench: {len(faults) - _TOLD} more faults: see faults.txt in the folders", err=True)


def _row(fleet: Fleet, outcome: Outcome) -> dict[str, Any]:
    """What the overview says of one run sheet, read from its result as it stands on the disk."""
    sheet = Path(outcome.sheet)
    row: dict[str, Any] = {
        "run_sheet": sheet.relative_to(fleet.source).as_posix(),
        "folder": fleet.folder(sheet).relative_to(fleet.out).as_posix(),
        "status": "faults" if outcome.faults else "fitted",
        "faults": list(outcome.faults),
        "unit": None,
        "build": None,
        "date": None,
        "limits": None,
    }
    row.update({f"{name}{ending}": None for name in _SHOWN for ending in ("", "_u")})
    row["state"] = None
    if outcome.faults:
        return row
    from diffbench.answers.state import gravest, judge_builds
    from diffbench.results.manifest import read_whole

    found = json.loads(read_whole(fleet.folder(sheet) / "characterisation.json"))
    row.update({key: found[key] for key in ("unit", "build", "date")})
    verdicts = {limit["verdict"] for limit in found["limits"]}
    row["limits"] = next((v for v in ("outside", "not proven", "within") if v in verdicts), None)
    row["state"] = gravest(judge_builds([found])).state
    for name in _SHOWN:
        item = found["parameters"].get(name, {})
        row[name], row[f"{name}_u"] = item.get("value"), item.get("u")
    return row


def _first(row: dict[str, Any]) -> tuple[int, str]:
    """Order of an overview: what failed first, then what is beyond a limit, then the rest by name."""
    from diffbench.results.state import FAILS

    return 0 if row["faults"] else 1 if row.get("state") in FAILS else 2, str(row["run_sheet"])


def _read(row: dict[str, Any]) -> dict[str, Any]:
    """A row with the digits that its uncertainties leave; texts that no spreadsheet takes for formulas."""
    from diffbench.report.rounding import number_text

    made = {key: spreadsheet_text(cell) if isinstance(cell, str) else cell for key, cell in row.items()}
    for name in _SHOWN:
        value, u = row.get(name), row.get(f"{name}_u")
        if value is not None:
            made[name], made[f"{name}_u"] = number_text(value, u), None if u is None else number_text(u, u)
    return made


def _table(rows: list[dict[str, Any]]) -> bytes:
    text = io.StringIO()
    # where a column stood before, it stands still
    names = [*(key for key in rows[0] if key not in {"faults", "state"}), "state"]
    writer = csv.DictWriter(text, fieldnames=names, extrasaction="ignore")
    writer.writeheader()
    writer.writerows(map(_read, sorted(rows, key=_first)))
    return text.getvalue().encode("utf-8", "backslashreplace")


def _file(folders: list[Path], store: str | None) -> None:
    """File results; those that are there already are not filed again."""
    from diffbench.history import open_history

    history = open_history(store)
    for first in range(0, len(folders), _AT_ONCE):
        history.add(folders[first : first + _AT_ONCE])
