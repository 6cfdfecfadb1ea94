"""``diffbench inspect``, ``rigs``, ``draft``, ``schema``: help with what is written before a fit."""

from __future__ import annotations

import itertools
import os
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

import click

from diffbench.cli.options import PATH, json_option
from diffbench.cli.terminal import at_a_terminal, print_json, print_text, tell, width

if TYPE_CHECKING:
    from diffbench.documents import FileSettings

_KEYS = (
    *("decimal", "delimiter", "encoding", "group", "sample_rate", "sheet"),
    *("skip_rows", "thousands", "units_row"),
)


@click.command(epilog="Example: diffbench inspect log.csv --draft-rig my-cell.toml")
@click.argument("file", type=PATH)
@click.option("--rig", "rig_path", type=PATH, help="Hold the file against this rig.")
@click.option(
    "--file", "stated", metavar="KEY=VALUE", multiple=True,
    help="A key of a rig's [file], as sheet=Sweep or decimal=,; may be given several times.",
)  # fmt: skip
@click.option(
    "--draft-rig", "draft", type=PATH,
    help="Write a commented rig to correct; the file must not exist.",
)  # fmt: skip
@json_option()
def inspect(
    file: Path, rig_path: Path | None, stated: tuple[str, ...], draft: Path | None, as_json: bool
) -> None:
    """Show what is in a recording: columns, units, clock, gaps, ranges, what each might be and why.

    With --rig the file is also read as that rig says, and what does not fit is told as fit would tell it.
    """
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

        write_file(draft, draft_rig(found, name=draft.stem).encode(), replace=False)
    if as_json:
        written = None if draft is None else str(draft)
        print_json({**found.as_json(), "draft_rig": written})
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


@click.command(epilog="Example: diffbench rigs --copy twin-output-cell --to my-rig.toml")
@click.option("--copy", "name", help="Name of a rig to copy.")
@click.option(
    "--to",
    "target",
    type=PATH,
    help="File to write the copy to; it must not exist. Without it the rig is printed.",
)
@json_option()
def rigs(name: str | None, target: Path | None, as_json: bool) -> None:
    """List the described rigs that come with diffbench and what each is for, or copy one to start from."""
    from diffbench.errors import OutputError

    found = _described()
    if name is None:
        if target is not None:
            raise click.UsageError("--to needs the rig to copy: --copy NAME.")
        if as_json:
            print_json(sorted(found))
        else:
            from diffbench.report.document import Document, Section, bare

            rows = [(name, _purpose(text)) for name, text in sorted(found.items())]
            tell(Document("Rigs", (Section("", (bare(rows, head=("rig", "what it is for")),)),)))
        return
    if name not in found:
        raise OutputError.single(
            f"there is no rig '{name}'", key="--copy", mend=f"name one of {', '.join(sorted(found))}"
        )
    if target is not None:
        from diffbench.whole_files import write_file

        write_file(target, found[name].encode(), replace=False)
    if as_json:
        written = None if target is None else str(target)
        print_json({"rig": name, "written": written, "toml": found[name]})
    elif target is None:
        click.echo(found[name], nl=False)
    else:
        print_text(f"Written: {target}")


def _purpose(text: str) -> str:
    """What a rig is for: the sentence that its file begins with."""
    lines = itertools.takewhile(lambda line: line.startswith("#"), text.splitlines())
    said = " ".join(line.lstrip("# ") for line in lines).partition("fill in: ")[2]
    return f"{said[:1].upper()}{said[1:].partition('. ')[0].rstrip('.')}."


def _described() -> dict[str, str]:
    """Rigs by name: from the installed package, or from the source tree beside it."""
    inside = resources.files("diffbench") / "rigs"
    folder = Path(str(inside)) if inside.is_dir() else Path(__file__).resolve().parents[2] / "rigs"
    return {path.stem: path.read_text(encoding="utf-8") for path in sorted(folder.glob("*.toml"))}


@click.command(
    epilog="Example: diffbench draft run my-visit.toml --rig my-cell.toml --build q17.toml "
    "--recording sweep.csv"
)
@click.argument("kind", metavar="[build|run]", type=click.Choice(["build", "run"]), required=False)
@click.argument("path", type=PATH, required=False)
@click.option("--rig", type=PATH, help="For a run sheet: the rig that it shall name.")
@click.option("--build", type=PATH, help="For a run sheet: the build sheet.")
@click.option(
    "--recording", "recordings", type=PATH, multiple=True,
    help="For a run sheet: a recording; may be given several times.",
)  # fmt: skip
@click.option("--faces", type=click.IntRange(min=1), help="For a build sheet: friction faces in one pack.")
@click.option("--inner-radius", default="", help="For a build sheet: of a friction face, as '38 mm'.")
@click.option("--outer-radius", default="", help="For a build sheet: of a friction face, as '54.5 mm'.")
@json_option()
def draft(
    kind: str | None,
    path: Path | None,
    rig: Path | None,
    build: Path | None,
    recordings: tuple[Path, ...],
    faces: int | None,
    inner_radius: str,
    outer_radius: str,
    as_json: bool,
) -> None:
    """Write a commented build sheet or run sheet to fill in; PATH must not exist.

    What must be there and is not known is left empty, and is refused until it is filled in. Of a recording
    the kind of run is proposed by what is in it. (A rig is drafted from one of its recordings: diffbench
    inspect FILE --draft-rig PATH.) Without arguments, at a terminal, it asks for what all three papers need.
    """
    from diffbench.inspection import draft_build, draft_run
    from diffbench.whole_files import write_file

    if kind is None and not (rig or build or recordings or as_json) and at_a_terminal():
        from diffbench.cli.interview import interview, told

        print_text(told(interview()))
        return
    if kind is None or path is None:
        missing = "KIND, build or run," if kind is None else "PATH, the file to write,"
        raise click.UsageError(f"{missing} is missing. At a terminal, diffbench draft alone asks for all.")
    if kind == "build":
        if rig is not None or build is not None or recordings:
            raise click.UsageError("A build sheet names no rig, build sheet or recordings.")
        text = draft_build(
            unit=path.stem,
            build=f"{path.stem}-1",
            faces=faces,
            inner_radius=inner_radius,
            outer_radius=outer_radius,
        )
    else:
        if faces is not None or inner_radius or outer_radius:
            raise click.UsageError("Faces and radii belong to a build sheet: diffbench draft build PATH.")
        text = draft_run(
            rig=_from(path, rig),
            build=_from(path, build),
            recordings=[_from(path, one) for one in recordings],
            kinds={_from(path, one): _kind_in(one, rig) for one in recordings},
        )
    write_file(path, text.encode(), replace=False)
    if as_json:
        print_json({"written": str(path), "toml": text})
    else:
        print_text(f'Written: {path}. Fill in the empty texts (""), then read it once from top to bottom.')


def _kind_in(recording: Path, rig: Path | None) -> str:
    """Kind of run by what is in a recording; empty where it, or the rig, cannot be read: a fit tells why."""
    from diffbench.documents import load_rig
    from diffbench.errors import DiffbenchError, DocumentError
    from diffbench.inspection import inspect_file

    try:
        described = None if rig is None else load_rig(rig)
    except DocumentError:
        described = None  # a draft, perhaps, that has to be filled in
    try:
        return inspect_file(recording, rig=described).kind
    except DiffbenchError:
        return ""


def _from(sheet: Path, named: Path | None) -> str:
    """A path as the sheet has to name it: relative to the sheet's own folder."""
    return "" if named is None else Path(os.path.relpath(named, sheet.parent)).as_posix()


@click.command(epilog="Example: diffbench schema build > build.schema.json")
@click.argument("name", metavar="NAME")
@json_option("The same: a schema is JSON in any case.")
def schema(name: str, as_json: bool) -> None:
    """Print the JSON Schema (draft 2020-12) of NAME on standard output.

    NAME is rig, build, run, car or log, by which editors check and complete TOML files; or what diffbench
    writes: characterisation, map, manifest, conformity, state, comparison, repeatability, shim-advice
    or lap.
    """
    from diffbench.schemas import schema as schema_of

    del as_json  # every command takes it
    print_json(schema_of(name), indent=2)
