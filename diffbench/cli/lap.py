"""``diffbench lap``: bench and track by one number, from logs of the car."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from diffbench.cli.options import (
    PATH,
    faces_of,
    faces_options,
    json_option,
    picture_option,
    store_option,
    tell_written,
)
from diffbench.cli.terminal import print_json, print_text, tell

if TYPE_CHECKING:
    from diffbench.answers.lap import Day
    from diffbench.answers.log_files import DayRead


@click.command(epilog="Example: diffbench lap log.toml --bench demo-result --out lap --to html")
@click.argument("sheet", type=PATH)
@click.option("--bench", type=PATH, metavar="RESULT", help="Of every run for which SHEET names no result.")
@picture_option("Draw log and bench, run by run, into this file: .png, .svg or .pdf.")
@faces_options("html", "xlsx", "json")
@click.option("--file", "filed", is_flag=True, help="File it in the unit's history, beside the bench's.")
@store_option("The history, if it is not your own: see diffbench history --help.")
@json_option()
def lap(
    sheet: Path,
    bench: Path | None,
    picture: Path | None,
    out: Path | None,
    formats: tuple[str, ...],
    filed: bool,
    store: str | None,
    as_json: bool,
) -> None:
    """Share of the wheel-speed difference kept over the entries of a log, and what the bench says of it.

    SHEET is a log sheet: car, channels, runs, each with the result of its unit. Several runs with different
    preloads tell the tyres' stiffness, too. Indicative: quasi-steady, linear tyres.
    """
    from diffbench.answers.lap import laps_of
    from diffbench.answers.lap_document import lap_content
    from diffbench.answers.log_files import read_day
    from diffbench.report.lap import lap_document, lap_picture

    read = read_day(sheet, bench=bench)
    day = laps_of(read.car, read.runs, files=read.files)
    plain = lap_content(day, read)
    told = _filed(day, read, store) if filed else []
    if picture is not None:
        from diffbench.report.drawing import put_picture

        put_picture(lap_picture(day), picture)
    written: list[Path] = []
    if out is not None:
        from diffbench.whole_files import write_whole

        contents = faces_of(lap_document(day, figures=True), plain, "lap", formats or ("html",))
        if "json" in formats:
            contents["lap.json"] = _text(plain)
        written = write_whole(out, contents)
    if as_json:
        print_json(plain)
        return
    tell(lap_document(day))
    tell_written(written)
    for line in told:
        print_text(line)
    if picture is not None:
        print_text(f"Written: {picture}")


def _text(plain: dict[str, Any]) -> bytes:
    return (json.dumps(plain, indent=1, ensure_ascii=False) + "\n").encode()


def _filed(day: Day, read: DayRead, store: str | None) -> list[str]:
    """File a day, a document for each unit that ran; what became of each."""
    from diffbench.answers.lap_document import lap_content
    from diffbench.history import open_history
    from diffbench.report.history import added_text

    history = open_history(store)
    units = sorted({run.unit for run in day.laps if run.unit is not None})
    documents = [_text(lap_content(day, read, unit=unit)) for unit in units] or [
        _text(lap_content(day, read))
    ]
    lines = [added_text(history.add_lap(content)) for content in documents]
    return [*lines, f"History: {history.label}"]
