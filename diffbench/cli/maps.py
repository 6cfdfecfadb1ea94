"""``diffbench lookup``, ``split``, ``rebuild``, ``export``: what a map says, rebuilt, and to other tools."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from diffbench.cli.options import PATH, branch_option, json_option, quantity
from diffbench.cli.terminal import print_json, print_text, tell

if TYPE_CHECKING:
    from diffbench.answers.operating_point import SlipVerdict, TorqueSplit
    from diffbench.results.locking_map import Branch, LockingMap

#: Here as well as in the registry, so that help loads nothing; a test holds them together.
NAMES = (
    *("csv", "json", "mat", "modelica-law", "modelica", "netcdf"),
    *("c", "c-law", "python", "fmi2", "fmi3"),
)


@click.command(
    epilog="Example: diffbench lookup demo-result/map.json --torque '-120 Nm' --speed '30 rpm' "
    "--temperature '70 degC'"
)
@click.argument("map_file", metavar="MAP", type=PATH)
@click.option("--torque", required=True, help="Input torque at the case, negative in coast, e.g. '-120 Nm'.")
@click.option("--speed", required=True, help="Speed difference of the outputs, e.g. '30 rpm'.")
@click.option("--temperature", required=True, help="Plates and oil, e.g. '70 degC'.")
@branch_option()
@json_option()
def lookup(map_file: Path, torque: str, speed: str, temperature: str, branch: Branch, as_json: bool) -> None:
    """Look up a map at one place: locking torque, 95 % limits, tested or not, beyond its axes or not.

    Bare numbers are in N·m, rad/s and °C.
    """
    from diffbench.results.locking_map import load_map

    place = (
        quantity(torque, "torque", "N.m", "--torque"),
        quantity(speed, "angular_speed", "rad/s", "--speed"),
        quantity(temperature, "temperature", "degC", "--temperature"),
    )
    found = load_map(map_file)
    read = found.read(*place, branch=branch)
    if as_json:
        print_json(
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
                "predicted": found.document.predicted,
                "by_the_law_Nm": None if read.beyond else found.by_the_law(*place, branch=branch),
            }
        )
        return
    from diffbench.report.trackside import reading_document

    tell(reading_document(found, place, read, branch=branch))


@click.command(
    epilog="Example: diffbench split demo-result/map.json --left '40 Nm' --right '160 Nm' "
    "--temperature '70 degC'"
)
@click.argument("map_file", metavar="MAP", type=PATH)
@click.option("--torque", help="Input torque at the case, negative in coast, e.g. '-120 Nm'; with --speed.")
@click.option(
    "--speed",
    help="Speed difference of the outputs, e.g. '30 rpm'. With --left and --right it may be left out: then "
    "the lowest tested one counts.",
)
@click.option("--left", help="Instead of --torque: torque at the left output, e.g. '40 Nm'; with --right.")
@click.option("--right", help="Torque at the right output.")
@click.option("--temperature", required=True, help="Plates and oil, e.g. '70 degC'.")
@branch_option()
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
    from diffbench.results.locking_map import load_map

    heat = quantity(temperature, "temperature", "degC", "--temperature")
    at = None if speed is None else quantity(speed, "angular_speed", "rad/s", "--speed")
    result: TorqueSplit | SlipVerdict
    found: LockingMap
    if left is not None and right is not None and torque is None:
        outputs = (quantity(left, "torque", "N.m", "--left"), quantity(right, "torque", "N.m", "--right"))
        found = load_map(map_file)
        result = slip_state(found, *outputs, heat, speed_difference=at, branch=branch)
    elif torque is not None and at is not None and left is None and right is None:
        found = load_map(map_file)
        result = torque_split(found, quantity(torque, "torque", "N.m", "--torque"), at, heat, branch=branch)
    else:
        raise click.UsageError("Give either --torque and --speed, or --left and --right.")
    if as_json:
        print_json(with_units(result))
        return
    from diffbench.answers.operating_point import SlipVerdict as Verdict
    from diffbench.report.trackside import slip_document, split_document

    if isinstance(result, Verdict):
        tell(slip_document(result, found, heat))
    else:
        tell(split_document(result, found))


@click.command(
    epilog="Example: diffbench rebuild demo-result/characterisation.json --preload '60 Nm' "
    "--to softer-map.json"
)
@click.argument("characterisation", type=PATH)
@click.option("--preload", help="Preload torque of the rebuilt unit, e.g. '60 Nm'.")
@click.option("--spring-force", help="Instead: axial force of its preload stack as installed, e.g. '1700 N'.")
@click.option("--faces", type=int, help="Friction faces in one pack.")
@click.option(
    "--drive-ramp",
    help="Ramp angle of the drive flank from the plane of rotation, e.g. '45 deg'; 90 deg: none.",
)
@click.option("--coast-ramp", help="The same of the coast flank.")
@click.option("--build", help="Which build, where several were fitted together.")
@click.option("--to", "target", type=PATH, help="File to write the map to, as map.json; it must not exist.")
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
    from diffbench.report.trackside import rebuild_document
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
        print_json({"predicted": made.document.predicted, "written": written, "points": with_units(rows)})
        return
    tell(rebuild_document(made, rows, result.reference))
    if target is not None:
        print_text(f"Written: {target}")


@click.command(epilog="Example: diffbench export demo-result/map.json --to mat --out q17.mat")
@click.argument("map_file", metavar="MAP", type=PATH)
@click.option(
    "--to",
    required=True,
    type=click.Choice(NAMES),
    help="The format; c is the map as header and source, c-law its law likewise, python a reader with "
    "the map in it, fmi2 and fmi3 are simulation units.",
)
@click.option("--out", type=PATH, help="File to write; beside MAP, by its name, where left out.")
@click.option(
    "--nodes",
    metavar="NxNxN",
    callback=lambda _, __, said: _counts(said),
    help="On fewer nodes, of input torque, speed difference and temperature: 9x7x4.",
)
@click.option(
    "--precision",
    type=click.Choice(("double", "single")),
    default="double",
    show_default=True,
    help="Of the numbers in c; single for small controllers.",
)
@json_option("Print what was written as JSON, alone.")
def export(
    map_file: Path,
    to: str,
    out: Path | None,
    nodes: tuple[int, ...] | None,
    precision: Literal["double", "single"],
    as_json: bool,
) -> None:
    """Write MAP in the file type of another tool.

    All is checked before: a map of a newer version, cut off or edited is refused, and nothing is written.
    """
    from diffbench.exports import export_map
    from diffbench.results.locking_map import load_map

    locking_map = load_map(map_file)
    sizes = [axis.size for axis in locking_map.axes]
    map_file = map_file / "map.json" if map_file.is_dir() else map_file
    target = out if out is not None else map_file.with_suffix("")
    written = export_map(locking_map, to, target, nodes=nodes, precision=precision, source=map_file)
    if as_json:
        files = [
            {"file": str(path), "sha256": hashlib.sha256(path.read_bytes()).hexdigest()} for path in written
        ]
        told: dict[str, object] = {"format": to, "map_sha256": locking_map.digest, "files": files}
        if nodes is not None:
            told["nodes"] = [min(pair) for pair in zip(nodes, sizes, strict=True)]
        if to.startswith("fmi"):
            told["binaries"] = _binaries(written[0])
            told["binary"] = bool(told["binaries"])
        print_json(told)
        return
    print_text("Written: " + ", ".join(str(path) for path in written))
    if nodes is not None and any(count > size for count, size in zip(nodes, sizes, strict=True)):
        there = "x".join(map(str, sizes))
        print_text(f"More nodes than the map's {there} were asked for: along such an axis all are kept.")
    if to.startswith("fmi"):
        machines = _binaries(written[0])
        print_text(
            f"It runs on {', '.join(machines)}, and wherever its source is built."
            if machines
            else "There is no C compiler here: the unit holds its source alone, to be built where it runs."
        )
        if machines and not any("win" in name for name in machines):
            print_text(
                "For Windows as well: install Debian's gcc-mingw-w64-x86-64, or "
                "pip install 'diffbench[units]'."
            )


def _binaries(path: Path) -> list[str]:
    """The machines that a simulation unit can be loaded on as it is."""
    import zipfile

    with zipfile.ZipFile(path) as archive:
        return [name.split("/")[1] for name in archive.namelist() if name.startswith("binaries/")]


def _counts(said: str | None) -> tuple[int, ...] | None:
    """How many nodes are asked for along each axis."""
    if said is not None and not re.fullmatch(r"\d{1,5}x\d{1,5}x\d{1,5}", said):
        raise click.BadParameter(f"'{said}' is no three counts of nodes: write 9x7x4")
    return None if said is None else tuple(int(part) for part in said.split("x"))
