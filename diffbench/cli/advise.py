"""``diffbench advise``: which shim gives a target preload."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, cast

import click

from diffbench.cli.options import json_option, pair, quantity
from diffbench.cli.terminal import print_text

if TYPE_CHECKING:
    from diffbench.answers.shims import Way


@click.command(epilog="Example: diffbench advise fixtures/shims --target '80 N.m' --step '0.05 mm'")
@click.argument("results", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="RESULT...")
@click.option("--target", required=True, metavar="TORQUE", help="Preload torque wanted, e.g. '80 N.m'.")
@click.option(
    "--limits",
    callback=pair("torque", "N.m"),
    metavar="LOW:HIGH",
    help="Limits that it shall land within; those of the build sheet if not given.",
)
@click.option(
    "--step",
    default="0.05 mm",
    show_default=True,
    metavar="LENGTH",
    help="Steps in which shims are in stock.",
)
@click.option(
    "--by",
    "way",
    type=click.Choice(["ladder", "curve", "both"]),
    help="Measured builds alone, the disc-spring curve through one, or through all. By default the last "
    "where the sheet states the springs.",
)
@json_option("Print the advice as JSON, alone.")
def advise(
    results: tuple[Path, ...],
    target: str,
    limits: tuple[float, float] | None,
    step: str,
    way: str | None,
    as_json: bool,
) -> None:
    """Which shim in stock gives a preload torque, with interval and chance to land within limits.

    RESULTS are builds of one unit with different shims, as characterisations, folders of results or run
    sheets; one is enough where its sheet states disc springs and spring force. A target beyond what was
    tested is answered with the extrapolation and its doubt, or refused.
    """
    from diffbench.answers.joint import member
    from diffbench.answers.shims import advise as advised
    from diffbench.cli.options import results_of

    wanted = quantity(target, "torque", "N.m", "--target")
    width_of_step = quantity(step, "length", "mm", "--step")
    if not (wanted > 0.0 and width_of_step > 0.0):
        raise click.BadParameter("a positive one is wanted", param_hint="--target, --step")
    members = [
        member(one, build=facts.build, folder=path if path.is_dir() else path.parent)
        for path, one in results_of(results, quiet=as_json)
        for facts in one.builds
    ]
    result = advised(members, target=wanted, limits=limits, step=width_of_step, way=cast("Way | None", way))
    if as_json:
        click.echo(result.to_json(), nl=False)
        return
    from diffbench.cli.terminal import width
    from diffbench.report.shims import shim_summary

    print_text(shim_summary(result, width=width()))
