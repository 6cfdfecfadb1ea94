"""``diffbench export``: a map in the file type of another tool."""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path
from typing import Literal

import click

from diffbench.cli.options import json_option
from diffbench.cli.terminal import print_text

#: Here as well as in the registry, so that help loads nothing; a test holds them together.
NAMES = ("csv", "json", "mat", "modelica-law", "modelica", "netcdf", "c", "c-law", "python", "fmi2", "fmi3")


@click.command(epilog="Example: diffbench export demo-result/map.json --to mat --out q17.mat")
@click.argument("map_file", metavar="MAP", type=click.Path(path_type=Path))
@click.option(
    "--to",
    required=True,
    type=click.Choice(NAMES),
    help="The format; c is the map as header and source, c-law its law likewise, python a reader with "
    "the map in it, fmi2 and fmi3 are simulation units.",
)
@click.option(
    "--out", type=click.Path(path_type=Path), help="File to write; beside MAP, by its name, where left out."
)
@click.option(
    "--nodes",
    metavar="NxNxN",
    callback=lambda _, __, said: _counts(said),
    help="On fewer nodes, of input torque, speed difference and temperature: 9x7x3.",
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
    from diffbench.errors import OutputError
    from diffbench.exports import export_map
    from diffbench.results.locking_map import load_map

    locking_map = load_map(map_file)
    map_file = map_file / "map.json" if map_file.is_dir() else map_file
    target = out if out is not None else map_file.with_suffix("")
    if out is None and to == "json":
        raise OutputError.single(
            "the file would be written over itself", file=str(map_file), mend="name another one with --out"
        )
    written = export_map(locking_map, to, target, nodes=nodes, precision=precision)
    if as_json:
        files = [
            {"file": str(path), "sha256": hashlib.sha256(path.read_bytes()).hexdigest()} for path in written
        ]
        told: dict[str, object] = {"format": to, "map_sha256": locking_map.digest, "files": files}
        if to.startswith("fmi"):
            told["binaries"] = _binaries(written[0])
            told["binary"] = bool(told["binaries"])
        click.echo(json.dumps(told))
        return
    print_text("Written: " + ", ".join(str(path) for path in written))
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
        raise click.BadParameter(f"'{said}' is no three counts of nodes: write 9x7x3")
    return None if said is None else tuple(int(part) for part in said.split("x"))
