"""``diffbench trend``: where a unit goes between rebuilds."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from diffbench.cli.options import (
    faces_options,
    json_option,
    picture_option,
    put_faces,
    quantity,
    stock_option,
    store_option,
    tell_written,
)
from diffbench.cli.terminal import print_json, print_text, tell

if TYPE_CHECKING:
    from diffbench.answers.state import Stock
    from diffbench.trend import Axis


@click.command(epilog="Example: diffbench trend Q17 --limit 'preload_torque=70 N.m' --picture q17.svg")
@click.argument("unit")
@click.option("--build", help="Another build than the last one.")
@click.option(
    "--over",
    type=click.Choice(["distance", "events", "visits"]),
    help="What to count over; distance where it is known, else events, else visits.",
)
@click.option("--quantity", "quantities", multiple=True, help="A parameter to follow; may be repeated.")
@click.option(
    "--limit",
    "limits",
    multiple=True,
    metavar="NAME=LOWEST",
    help="Lower limit of a parameter instead of the build sheet's, e.g. 'preload_torque=70 N.m'.",
)
@click.option(
    "--baseline",
    type=click.IntRange(min=1),
    help="How many of the first records the control charts compare with; those at the first distance.",
)
@stock_option()
@picture_option("Write a picture: .svg, .png or .pdf.")
@faces_options()
@store_option()
@json_option()
def trend(
    unit: str,
    build: str | None,
    over: Axis | None,
    quantities: tuple[str, ...],
    limits: tuple[str, ...],
    baseline: int | None,
    stock: Stock | None,
    picture: Path | None,
    out: Path | None,
    formats: tuple[str, ...],
    store: str | None,
    as_json: bool,
) -> None:
    """Follow preload, ramp bias and friction of a unit since its last rebuild.

    The newest record by itself first; then control charts, a straight line with where the next record lies,
    and the distance at which the lower limit is reached with 95 % confidence; how many more records are
    needed where it cannot be told. The exit status is 1 where the unit is proven to be worn or beyond a
    limit.
    """
    from diffbench.history import open_history
    from diffbench.trend import trend_of

    found = trend_of(
        open_history(store),
        unit,
        build=build,
        axis=over,
        quantities=quantities,
        limits=dict(_limit(text) for text in limits),
        baseline=baseline,
        stock=stock,
    )
    if picture is not None:
        from diffbench.report.drawing import put_picture
        from diffbench.report.trend import trend_figure

        put_picture(trend_figure(found), picture)
    from diffbench.report.trend import trend_document
    from diffbench.trend import document_of

    full = document_of(found)
    written = put_faces(trend_document(found), full, "trend", out, formats)
    if as_json:
        print_json(full, indent=1)
    else:
        tell(trend_document(found))
        tell_written(written)
        if picture is not None:
            print_text(f"Written: {picture}")
    if found.failed:
        raise SystemExit(1)


def _limit(text: str) -> tuple[str, float]:
    """A quantity and its lower limit in SI."""

    name, equals, value = text.partition("=")
    if not equals:
        raise click.BadParameter(f"'{text}' is no limit: write NAME=LOWEST", param_hint="--limit")
    if name.strip() == "preload_torque":
        return name.strip(), quantity(value, "torque", "N.m", "--limit")
    return name.strip(), quantity(value, "dimensionless", "1", "--limit")
