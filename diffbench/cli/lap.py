"""``diffbench lap``: bench and track by one number, from logs of the car."""

from __future__ import annotations

import json
from pathlib import Path

import click

from diffbench.cli.options import PATH, json_option, picture_option
from diffbench.cli.terminal import print_json, print_text, tell


@click.command(epilog="Example: diffbench lap log.toml --page lap.html")
@click.argument("sheet", type=PATH)
@click.option("--page", type=PATH, help="Write one self-contained page into this file.")
@click.option("--to", type=PATH, help="Write the result as JSON into this file.")
@picture_option("Draw log and bench, run by run, into this file: .png, .svg or .pdf.")
@json_option()
def lap(sheet: Path, page: Path | None, to: Path | None, picture: Path | None, as_json: bool) -> None:
    """Share of the wheel-speed difference kept over the entries of a log, and what the bench says of it.

    SHEET is a log sheet: car, channels, runs, each with the result of its unit. Several runs with different
    preloads tell the tyres' stiffness, too. Indicative: quasi-steady, linear tyres.
    """
    from diffbench._version import __version__
    from diffbench.answers.lap import laps_of
    from diffbench.answers.log_files import read_day
    from diffbench.answers.operating_point import with_units

    read = read_day(sheet)
    day = laps_of(read.car, read.runs, files=read.files)
    plain = {
        "format": "diffbench-lap/1",
        **with_units(day),
        "inputs": dict(zip(read.files, read.digests, strict=True)),
        "version": __version__,
    }
    if to is not None:
        from diffbench.whole_files import write_file

        text = json.dumps(plain, indent=1, ensure_ascii=False) + "\n"
        write_file(to, text.encode(), replace=False)
    if picture is not None:
        from diffbench.report.drawing import put_picture
        from diffbench.report.lap import lap_picture

        put_picture(lap_picture(day), picture)
    if page is not None:
        from diffbench.report.lap import lap_document
        from diffbench.report.page import page_of
        from diffbench.whole_files import write_file

        write_file(page, page_of(lap_document(day, figures=True)).encode(), replace=False)
    if as_json:
        print_json(plain)
        return
    from diffbench.report.lap import lap_document

    tell(lap_document(day))
    for path in (page, to, picture):
        if path is not None:
            print_text(f"Written: {path}")
