"""Options and arguments that commands share: switches, ranges with units (``-400 Nm:900 Nm``), and results
(characterisations, folders of results, or run sheets to fit first).
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from diffbench.cli.terminal import Progress, print_text

if TYPE_CHECKING:
    from diffbench.answers.state import Stock
    from diffbench.errors import Fault
    from diffbench.report.document import Document as ReportDocument
    from diffbench.results.characterisation import Characterisation

F = TypeVar("F", bound=Callable[..., Any])
PATH = click.Path(path_type=Path)


def json_option(text: str = "Print the result as JSON, alone.") -> Callable[[F], F]:
    """``--json``, given to the command as ``as_json``; with ``text`` as its help."""
    return click.option("--json", "as_json", is_flag=True, help=text)


def quiet_option(text: str = "No progress, no summary.") -> Callable[[F], F]:
    """``--quiet``, with ``text`` as its help."""
    return click.option("--quiet", is_flag=True, help=text)


def afresh_option(text: str = "Fit run sheets whose result stands nearby, too.") -> Callable[[F], F]:
    """``--afresh``, to fit again what need not be; with ``text`` as its help."""
    return click.option("--afresh", is_flag=True, help=text)


def tell_standing(folder: Path, sheet: Path | None = None) -> None:
    """Say that no fit was made, on standard error: what was asked for stands alone on the other."""
    of = "" if sheet is None else f" of {sheet}"
    print_text(
        f"The result{of} stands in {folder}: same papers, recordings and version. --afresh fits again.",
        err=True,
    )


def store_option(
    text: str = "The history: path of a file, or postgresql://user@host/database.",
) -> Callable[[F], F]:
    """``--store``, which history a command is about; with ``text`` as its help."""
    return click.option("--store", help=text)


def picture_option(text: str) -> Callable[[F], F]:
    """``--picture``, the file to draw into, with ``text`` as its help; refused before the work, not after."""

    def checked(ctx: click.Context, param: click.Parameter, path: Path | None) -> Path | None:
        del ctx, param
        if path is not None:
            from diffbench.report.drawing import check_suffix

            check_suffix(path)
        return path

    return click.option("--picture", type=PATH, callback=checked, help=text)


#: Tags of `diffbench.report.messages.LANGUAGES`, here so that help loads nothing.
LANGUAGES = ("en", "de", "fr", "it", "es", "ja")


def language_option() -> Callable[[F], F]:
    """``--language`` of a card."""
    text = "Language of cards, and of the pages of a history."
    return click.option(
        "--language", type=click.Choice(LANGUAGES), default="en", show_default=True, help=text
    )


def stock_option() -> Callable[[F], F]:
    """``--stock``, the shims that the workshop has, given to the command as a `Stock`, or None."""

    def read(ctx: click.Context, param: click.Parameter, text: str | None) -> Stock | None:
        del ctx
        if text is None:
            return None
        from diffbench.answers.state import Stock

        shims = tuple(quantity(part, "length", "mm", "--stock") for part in text.split(","))
        if any(shim < 0.0 for shim in shims):
            raise click.BadParameter("a shim is no thinner than nothing", param=param)
        return Stock(shims=shims)

    text = (
        "Shims that there are, as '0.1 mm, 0.25 mm', to choose from; those of the build sheet if not given."
    )
    return click.option("--stock", callback=read, metavar="LENGTHS", help=text)


#: What an answer is written as.
FORMATS = ("html", "xlsx")


def faces_options(
    *formats: str,
    out: str | None = "Folder for what --to names; html if it names nothing.",
    text: str = "Write the answer as that, into the folder of --out; may be repeated.",
) -> Callable[[F], F]:
    """``--out``, the folder of what is written, and ``--to``, as what; given as ``out`` and ``formats``, with
    their helps. ``out`` is None where the command must have a folder, as an option of its own."""

    def checked(ctx: click.Context, param: click.Parameter, chosen: tuple[str, ...]) -> tuple[str, ...]:
        del param
        # before the work, not after it
        if chosen and ctx.params.get("out") is None:
            raise click.UsageError(f"--to {chosen[0]} needs a folder: name one with --out.")
        return chosen

    def dressed(command: F) -> F:
        choice = click.Choice(formats or FORMATS)
        made = click.option("--to", "formats", type=choice, multiple=True, callback=checked, help=text)(
            command
        )
        return made if out is None else click.option("--out", type=PATH, is_eager=True, help=out)(made)

    return dressed


def put_faces(
    document: ReportDocument, full: dict[str, Any], name: str, out: Path | None, formats: Sequence[str]
) -> list[Path]:
    """Write an answer into a folder as a page, a workbook or both: all or none; nothing without a folder."""
    if out is None:
        return []
    from diffbench.whole_files import write_whole

    return write_whole(out, faces_of(document, full, name, formats or ("html",)))


def faces_of(
    document: ReportDocument, full: dict[str, Any], name: str, formats: Sequence[str]
) -> dict[str, bytes]:
    """The files of an answer by name."""
    contents: dict[str, bytes] = {}
    if "html" in formats:
        from diffbench.report.page import document_page

        contents[f"{name}.html"] = document_page(document).encode("utf-8", "backslashreplace")
    if "xlsx" in formats:
        from diffbench.report.workbook import workbook_of

        contents[f"{name}.xlsx"] = workbook_of(document, full)
    return contents


def tell_written(paths: Sequence[Path]) -> None:
    """Say which files were written, if any."""
    if paths:
        print_text(f"\nWritten: {', '.join(map(str, paths))}")


def branch_option(
    text: str = "While the input torque rises, after it has come down, the mean of both, or either: not "
    "known which, limits around both.",
) -> Callable[[F], F]:
    """``--branch`` of a map, with ``text`` as its help."""
    branches = click.Choice(["loading", "unloading", "mean", "either"])
    return click.option("--branch", type=branches, default="either", show_default=True, help=text)


def pair(
    dimension: str, bare_unit: str
) -> Callable[[click.Context, click.Parameter, str | None], tuple[float, float] | None]:
    """A click callback that reads ``LOW:HIGH`` into SI; a bare number is in ``bare_unit``."""

    def read(ctx: click.Context, param: click.Parameter, text: str | None) -> tuple[float, float] | None:
        del ctx
        if text is None:
            return None
        from diffbench.errors import DiffbenchError
        from diffbench.quantities import parse_quantity

        low, colon, high = text.partition(":")
        if not colon:
            raise click.BadParameter(f"'{text}' is no range: write LOW:HIGH", param=param)
        try:
            values = tuple(_number(part, dimension, bare_unit, parse_quantity) for part in (low, high))
        except DiffbenchError as error:
            raise click.BadParameter(str(error), param=param) from error
        if values[0] > values[1]:
            raise click.BadParameter(f"'{text}' falls: write the lower value first", param=param)
        return values[0], values[1]

    return read


def _number(
    text: str, dimension: str, bare_unit: str, parse: Callable[[str | float, str, str], float]
) -> float:
    try:
        bare = float(text)
    except ValueError:
        return parse(text.strip(), dimension, bare_unit)
    return parse(bare, dimension, bare_unit)


def quantity(text: str, dimension: str, bare_unit: str, option: str) -> float:
    """One quantity of an option in SI; raises ``click.BadParameter`` naming the option."""
    from diffbench.errors import DiffbenchError
    from diffbench.quantities import parse_quantity

    try:
        return _number(text, dimension, bare_unit, parse_quantity)
    except DiffbenchError as error:
        raise click.BadParameter(str(error), param_hint=option) from error


def result_of(path: Path, *, quiet: bool = False, afresh: bool = False) -> Characterisation:
    """A characterisation from its file or from the folder of a result; or of a run sheet: that which stands
    nearby, unless ``afresh``, else fitted, which says how it goes unless ``quiet``. Raises ``DiffbenchError``
    where the file cannot serve."""
    from diffbench.results.characterisation import load_characterisation

    if path.suffix.lower() == ".toml":
        from diffbench.results.standing import stands_near

        folder = None if afresh else stands_near(path)
        if folder is not None:
            tell_standing(folder, path)
            return load_characterisation(folder)
        from diffbench.fitting import fit

        with Progress(enabled=not quiet and sys.stderr.isatty()) as say:
            return fit([path], progress=say)
    return load_characterisation(path)


def results_of(
    paths: Sequence[Path], *, quiet: bool = False, afresh: bool = False
) -> list[tuple[Path, Characterisation]]:
    """Results of several paths, each with the path that it is from; a folder without a characterisation
    gives its run sheets, in the order of their names.

    Raises
    ------
    DiffbenchError
        A file cannot serve. Every fault of every run sheet is told before any is fitted: a result from fewer
        visits than were named would be another one.
    """
    from diffbench.documents import load_visit, run_sheets_in
    from diffbench.errors import DiffbenchError, DocumentError
    from diffbench.results.manifest import holds

    listed: list[Path] = []
    for path in paths:
        if path.is_dir() and not holds(path, "characterisation.json"):
            found = run_sheets_in(path)
            if not found:
                said = "holds neither a characterisation.json nor a run sheet"
                mend = "name run sheets, or folders of results"
                raise DocumentError.single(said, file=str(path), mend=mend)
            listed += found
        else:
            listed.append(path)
    faults: dict[Fault, None] = {}
    for path in listed:
        if path.suffix.lower() == ".toml":
            try:
                load_visit(path)
            except DiffbenchError as error:
                faults |= dict.fromkeys(error.faults)
    if faults:
        raise DocumentError(list(faults))
    return [(path, result_of(path, quiet=quiet, afresh=afresh)) for path in listed]
