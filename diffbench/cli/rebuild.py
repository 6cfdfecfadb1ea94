"""``diffbench rebuild``: the map that a unit would have with another preload, plate count or ramp."""

from __future__ import annotations

import json
from pathlib import Path

import click

from diffbench.cli.options import json_option
from diffbench.cli.terminal import print_text


@click.command(
    epilog="Example: diffbench rebuild demo-result/characterisation.json --preload '60 Nm' "
    "--to softer-map.json",
)
@click.argument("characterisation", type=click.Path(path_type=Path))
@click.option("--preload", help="Preload torque of the rebuilt unit, e.g. '60 Nm'.")
@click.option("--spring-force", help="Instead: axial force of its preload stack as installed, e.g. '1700 N'.")
@click.option("--faces", type=int, help="Friction faces in one pack.")
@click.option(
    "--drive-ramp",
    help="Ramp angle of the drive flank from the plane of rotation, e.g. '45 deg'; 90 deg: none.",
)
@click.option("--coast-ramp", help="The same of the coast flank.")
@click.option("--build", help="Which build, where several were fitted together.")
@click.option(
    "--to",
    "target",
    type=click.Path(path_type=Path),
    help="File to write the map to, as map.json; it must not exist.",
)
@json_option("Print the numbers as JSON, alone.")
def rebuild(
    characterisation: Path,
    preload: str | None,
    spring_force: str | None,
    faces: int | None,
    drive_ramp: str | None,
    coast_ramp: str | None,
    build: str | None,
    target: Path | None,
    as_json: bool,
) -> None:
    """What a unit would do rebuilt: another preload, plate count or ramp, predicted by the fitted law.

    A prediction, not a measurement: no node of such a map counts as tested. Bare numbers are in N·m, N and
    degrees.
    """
    from diffbench.answers.rebuild import Rebuild, compared, predicted_map
    from diffbench.cli.options import quantity
    from diffbench.report.trackside import rebuild_text
    from diffbench.results.characterisation import load_characterisation
    from diffbench.results.predict import map_on

    def read(text: str | None, dimension: str, bare_unit: str, option: str) -> float | None:
        return None if text is None else quantity(text, dimension, bare_unit, option)

    change = Rebuild(
        preload_torque=read(preload, "torque", "N.m", "--preload"),
        spring_force=read(spring_force, "force", "N", "--spring-force"),
        faces=faces,
        drive_angle=read(drive_ramp, "angle", "deg", "--drive-ramp"),
        coast_angle=read(coast_ramp, "angle", "deg", "--coast-ramp"),
    )
    result = load_characterisation(characterisation)
    made = predicted_map(result, change, build=build)
    if target is not None:
        from diffbench.whole_files import write_file

        write_file(target, made.to_json().encode(), replace=False)
    rows = compared(result, map_on(result, made.axes, build=build), made)
    if as_json:
        from diffbench.answers.operating_point import with_units

        written = None if target is None else str(target)
        document = {"predicted": made.document.predicted, "written": written, "points": with_units(rows)}
        click.echo(json.dumps(document, ensure_ascii=False, allow_nan=False))
        return
    print_text(rebuild_text(made, rows, result.reference))
    if target is not None:
        print_text(f"Written: {target}")
