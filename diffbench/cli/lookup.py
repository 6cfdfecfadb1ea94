"""``diffbench lookup``: a map at one place."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from diffbench.cli.options import json_option
from diffbench.cli.terminal import print_text

if TYPE_CHECKING:
    from diffbench.results.locking_map import Branch


@click.command(
    epilog="Example: diffbench lookup demo-result/map.json --torque '-120 Nm' --speed '30 rpm' "
    "--temperature '70 degC'",
)
@click.argument("map_file", metavar="MAP", type=click.Path(path_type=Path))
@click.option("--torque", required=True, help="Input torque at the case, negative in coast, e.g. '-120 Nm'.")
@click.option("--speed", required=True, help="Speed difference of the outputs, e.g. '30 rpm'.")
@click.option("--temperature", required=True, help="Plates and oil, e.g. '70 degC'.")
@click.option(
    "--branch",
    type=click.Choice(["loading", "unloading", "mean", "either"]),
    default="either",
    show_default=True,
    help="While the input torque rises, after it has come down, the mean of both, or either: not known "
    "which, limits around both.",
)
@json_option()
def lookup(map_file: Path, torque: str, speed: str, temperature: str, branch: Branch, as_json: bool) -> None:
    """Look up a map at one place: locking torque, 95 % limits, tested or not, beyond its axes or not.

    Bare numbers are in N·m, rad/s and °C.
    """
    from diffbench.cli.options import quantity
    from diffbench.results.locking_map import load_map

    place = (
        quantity(torque, "torque", "N.m", "--torque"),
        quantity(speed, "angular_speed", "rad/s", "--speed"),
        quantity(temperature, "temperature", "degC", "--temperature"),
    )
    found = load_map(map_file)
    read = found.read(*place, branch=branch)
    law = None if read.beyond else found.by_the_law(*place, branch=branch)
    if as_json:
        click.echo(
            json.dumps(
                {
                    "input_torque_Nm": place[0],
                    "speed_difference_rad_s": abs(place[1]),
                    "temperature_degC": place[2],
                    "branch": branch,
                    "locking_torque_Nm": read.locking_torque,
                    "low_Nm": read.low,
                    "high_Nm": read.high,
                    "tested": read.tested,
                    "beyond": read.beyond,
                    "shows": found.document.shows,
                    "by_the_law_Nm": law,
                }
            )
        )
        return
    from diffbench.report.trackside import beyond_advice, standing

    print_text(
        f"{read.locking_torque:.4g} N·m locking torque ({branch}), 95 % within {read.low:.4g} to "
        f"{read.high:.4g} N·m, {standing(tested=read.tested, beyond=read.beyond, predicted=None)}"
    )
    if law is not None:
        print_text(f"{found.document.shows}; {law:.4g} N·m by the law alone")
    if read.beyond:
        print_text(beyond_advice(found, [place]))
