"""``diffbench inspect``: what is in a file, and a draft of the rig that would describe it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from diffbench.cli.options import json_option
from diffbench.cli.terminal import print_text

if TYPE_CHECKING:
    from diffbench.documents import FileSettings

_KEYS = (
    *("decimal", "delimiter", "encoding", "group", "sample_rate", "sheet"),
    *("skip_rows", "thousands", "units_row"),
)


@click.command(epilog="Example: diffbench inspect log.csv --draft-rig my-cell.toml")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--rig", "rig_path", type=click.Path(path_type=Path), help="Hold the file against this rig.")
@click.option(
    "--file", "stated", metavar="KEY=VALUE", multiple=True,
    help="A key of a rig's [file], as sheet=Sweep or decimal=,; may be given several times.",
)  # fmt: skip
@click.option(
    "--draft-rig", "draft", type=click.Path(path_type=Path),
    help="Write a commented rig to correct; the file must not exist.",
)  # fmt: skip
@json_option()
def inspect(
    file: Path, rig_path: Path | None, stated: tuple[str, ...], draft: Path | None, as_json: bool
) -> None:
    """Show what is in a recording: columns, units, clock, gaps, ranges, what each might be and why.

    With --rig the file is also read as that rig says, and what does not fit is told as fit would tell it.
    """
    from diffbench.cli.terminal import width
    from diffbench.documents import load_rig
    from diffbench.inspection import draft_rig, inspect_file, inspection_text

    if rig_path is not None and (stated or draft is not None):
        raise click.UsageError("--rig states everything: leave --file and --draft-rig out with it.")
    rig = None if rig_path is None else load_rig(rig_path)
    settings = _settings(stated) if rig is None else rig.file
    found = inspect_file(file, settings=settings, rig=rig)
    if rig is not None:
        from diffbench.readers import read_parts

        kind = "turning-torque" if rig.turns_one_output else "bias-sweep"
        for part in read_parts(file, rig, kind=kind):
            del part
    if draft is not None:
        from diffbench.whole_files import write_file

        write_file(draft, draft_rig(found).encode(), replace=False)
    if as_json:
        written = None if draft is None else str(draft)
        click.echo(json.dumps({**found.as_json(), "draft_rig": written}, ensure_ascii=False, allow_nan=False))
        return
    print_text(inspection_text(found, width=width()))
    if rig is not None:
        print_text(f"\nThe file is as {rig_path} says.")
    elif draft is not None:
        print_text(f"\nWritten: {draft}. Read it line by line, and correct what is not true for your bench.")
    else:
        print_text("\nA rig to start from: diffbench inspect ... --draft-rig my-rig.toml")


def _settings(stated: tuple[str, ...]) -> FileSettings:
    """Return the keys of [file] that the command line states, checked as a rig's are."""
    import difflib

    from diffbench.documents import FileSettings, document_of

    raw: dict[str, object] = {}
    for text in stated:
        key, equals, value = text.partition("=")
        if not equals or key not in _KEYS:
            near = difflib.get_close_matches(key, _KEYS, n=1)
            hint = f"Did you mean '{near[0]}'?" if near else f"The keys are {', '.join(_KEYS)}."
            raise click.UsageError(f"--file takes KEY=VALUE, not '{text}'. {hint}")
        raw[key] = {"true": True, "false": False}.get(value, int(value) if value.isdecimal() else value)
    return document_of(raw, FileSettings, source="--file")
