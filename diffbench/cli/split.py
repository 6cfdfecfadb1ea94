"""``diffbench split``: how a unit splits its torque at an operating point, or whether it slips."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from diffbench.cli.options import json_option
from diffbench.cli.terminal import print_text

if TYPE_CHECKING:
    from diffbench.answers.operating_point import SlipVerdict, TorqueSplit
    from diffbench.results.locking_map import Branch, LockingMap


@click.command(
    epilog="Example: diffbench split demo-result/map.json --left '40 Nm' --right '160 Nm' "
    "--temperature '70 degC'",
)
@click.argument("map_file", metavar="MAP", type=click.Path(path_type=Path))
@click.option("--torque", help="Input torque at the case, negative in coast, e.g. '-120 Nm'; with --speed.")
@click.option(
    "--speed",
    help="Speed difference of the outputs, e.g. '30 rpm'. With --left and --right it may be left out: then "
    "the lowest tested one counts.",
)
@click.option("--left", help="Instead of --torque: torque at the left output, e.g. '40 Nm'; with --right.")
@click.option("--right", help="Torque at the right output.")
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
def split(
    map_file: Path,
    torque: str | None,
    speed: str | None,
    left: str | None,
    right: str | None,
    temperature: str,
    branch: Branch,
    as_json: bool,
) -> None:
    """How a unit splits its torque at an operating point, or whether it slips.

    With --torque and --speed: locking torque, locking effect and torque bias ratio. With --left and --right:
    locked or slipping. Bare numbers are in N·m, rad/s and °C.
    """
    from diffbench.answers.operating_point import slip_state, torque_split, with_units
    from diffbench.cli.options import quantity
    from diffbench.results.locking_map import load_map

    def read(text: str, dimension: str, bare_unit: str, option: str) -> float:
        return quantity(text, dimension, bare_unit, option)

    heat = read(temperature, "temperature", "degC", "--temperature")
    at = None if speed is None else read(speed, "angular_speed", "rad/s", "--speed")
    result: TorqueSplit | SlipVerdict
    found: LockingMap
    if left is not None and right is not None and torque is None:
        outputs = (read(left, "torque", "N.m", "--left"), read(right, "torque", "N.m", "--right"))
        found = load_map(map_file)
        result = slip_state(found, *outputs, heat, speed_difference=at, branch=branch)
    elif torque is not None and at is not None and left is None and right is None:
        found = load_map(map_file)
        result = torque_split(found, read(torque, "torque", "N.m", "--torque"), at, heat, branch=branch)
    else:
        raise click.UsageError("Give either --torque and --speed, or --left and --right.")
    if as_json:
        click.echo(json.dumps(with_units(result), ensure_ascii=False, allow_nan=False))
        return
    from diffbench.answers.operating_point import SlipVerdict as Verdict
    from diffbench.report.trackside import beyond_advice, slip_text, split_text

    print_text(slip_text(result) if isinstance(result, Verdict) else split_text(result))
    if result.beyond:
        print_text(beyond_advice(found, [(result.input_torque, result.speed_difference, heat)]))
