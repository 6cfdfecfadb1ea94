"""``diffbench export``: a map in the file type of another tool."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import click

from diffbench.cli.options import json_option
from diffbench.cli.terminal import print_text

#: Here as well as in the registry, so that help loads nothing; a test holds them together.
NAMES = ("csv", "json", "mat", "modelica", "netcdf", "c", "c-law", "python", "fmi2", "fmi3")


@click.command(epilog="Example: diffbench export demo-result/map.json --to mat --out q17.mat")
@click.argument("map_file", metavar="MAP", type=click.Path(path_type=Path))
@click.option(
    "--to",
    required=True,
    type=click.Choice(NAMES),
    help="The format; c is a header and a source, python a reader with the map in it, fmi2 and fmi3 are "
    "units for co-simulation.",
)
@click.option(
    "--out", type=click.Path(path_type=Path), help="File to write; beside MAP, by its name, where left out."
)
@json_option("Print what was written as JSON, alone.")
def export(map_file: Path, to: str, out: Path | None, as_json: bool) -> None:
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
    written = export_map(locking_map, to, target)
    if as_json:
        files = [
            {"file": str(path), "sha256": hashlib.sha256(path.read_bytes()).hexdigest()} for path in written
        ]
        told: dict[str, object] = {"format": to, "map_sha256": locking_map.digest, "files": files}
        if to.startswith("fmi"):
            told["binary"] = _holds_binary(written[0])
        click.echo(json.dumps(told))
        return
    print_text("Written: " + ", ".join(str(path) for path in written))
    if to.startswith("fmi") and not _holds_binary(written[0]):
        print_text("There is no C compiler here: the unit holds its source alone, to be built where it runs.")


def _holds_binary(path: Path) -> bool:
    """Whether a unit for co-simulation can be loaded as it is."""
    import zipfile

    with zipfile.ZipFile(path) as archive:
        return any(name.startswith("binaries/") for name in archive.namelist())
