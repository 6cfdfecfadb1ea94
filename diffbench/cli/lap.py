"""``diffbench lap``: bench and track by one number, from logs of the car."""

from __future__ import annotations

import json
from pathlib import Path

import click

from diffbench.cli.options import PATH, faces_of, faces_options, json_option, picture_option, tell_written
from diffbench.cli.terminal import print_json, print_text, tell


@click.command(epilog="Example: diffbench lap log.toml --bench demo-result --out lap --to html")
@click.argument("sheet", type=PATH)
@click.option("--bench", type=PATH, metavar="RESULT", help="Of every run for which SHEET names no result.")
@picture_option("Draw log and bench, run by run, into this file: .png, .svg or .pdf.")
@faces_options("html", "xlsx", "json")
@json_option()
def lap(
    sheet: Path,
    bench: Path | None,
    picture: Path | None,
    out: Path | None,
    formats: tuple[str, ...],
    as_json: bool,
) -> None:
    """Share of the wheel-speed difference kept over the entries of a log, and what the bench says of it.

    SHEET is a log sheet: car, channels, runs, each with the result of its unit. Several runs with different
    preloads tell the tyres' stiffness, too. Indicative: quasi-steady, linear tyres.
    """
    from diffbench._version import __version__
    from diffbench.answers.lap import laps_of
    from diffbench.answers.log_files import read_day
    from diffbench.answers.operating_point import with_units
    from diffbench.report.lap import lap_document, lap_picture

    read = read_day(sheet, bench=bench)
    day = laps_of(read.car, read.runs, files=read.files)
    plain = {
        "format": "diffbench-lap/1",
        **with_units(day),
        "inputs": dict(zip(read.files, read.digests, strict=True)),
        "version": __version__,
    }
    if picture is not None:
        from diffbench.report.drawing import put_picture

        put_picture(lap_picture(day), picture)
    written: list[Path] = []
    if out is not None:
        from diffbench.whole_files import write_whole

        contents = faces_of(lap_document(day, figures=True), plain, "lap", formats or ("html",))
        if "json" in formats:
            contents["lap.json"] = (json.dumps(plain, indent=1, ensure_ascii=False) + "\n").encode()
        written = write_whole(out, contents)
    if as_json:
        print_json(plain)
        return
    tell(lap_document(day))
    tell_written(written)
    if picture is not None:
        print_text(f"Written: {picture}")
