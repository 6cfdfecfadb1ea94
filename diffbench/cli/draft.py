"""``diffbench draft``: a build sheet or a run sheet to fill in."""

from __future__ import annotations

import json
import os
from pathlib import Path

import click

from diffbench.cli.options import json_option
from diffbench.cli.terminal import print_text


@click.command(
    epilog="Example: diffbench draft run my-visit.toml --rig my-cell.toml --build q17.toml "
    "--recording sweep.csv"
)
@click.argument("kind", metavar="build|run", type=click.Choice(["build", "run"]))
@click.argument("path", type=click.Path(path_type=Path))
@click.option("--rig", type=click.Path(path_type=Path), help="For a run sheet: the rig that it shall name.")
@click.option("--build", type=click.Path(path_type=Path), help="For a run sheet: the build sheet.")
@click.option(
    "--recording", "recordings", type=click.Path(path_type=Path), multiple=True,
    help="For a run sheet: a recording; may be given several times.",
)  # fmt: skip
@json_option()
def draft(
    kind: str, path: Path, rig: Path | None, build: Path | None, recordings: tuple[Path, ...], as_json: bool
) -> None:
    """Write a commented build sheet or run sheet to fill in; PATH must not exist.

    What must be there is left empty, and is refused until it is filled in. (A rig is drafted from one of its
    recordings: diffbench inspect FILE --draft-rig PATH.)
    """
    from diffbench.inspection import draft_build, draft_run
    from diffbench.whole_files import write_file

    if kind == "build":
        if rig is not None or build is not None or recordings:
            raise click.UsageError("A build sheet names no rig, build sheet or recordings.")
        text = draft_build()
    else:
        text = draft_run(
            rig=_from(path, rig),
            build=_from(path, build),
            recordings=[_from(path, one) for one in recordings],
        )
    write_file(path, text.encode(), replace=False)
    if as_json:
        click.echo(json.dumps({"written": str(path), "toml": text}, ensure_ascii=False))
    else:
        print_text(f'Written: {path}. Fill in the empty texts (""), then read it once from top to bottom.')


def _from(sheet: Path, named: Path | None) -> str:
    """A path as the sheet has to name it: relative to the sheet's own folder."""
    return "" if named is None else Path(os.path.relpath(named, sheet.parent)).as_posix()
