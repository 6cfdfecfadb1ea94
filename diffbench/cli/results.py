"""``diffbench show``, ``conformity``, ``compare``, ``repeatability``, ``advise``: what results say."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, cast

import click

from diffbench.cli.options import (
    PATH,
    afresh_option,
    faces_of,
    faces_options,
    json_option,
    language_option,
    pair,
    picture_option,
    put_faces,
    quantity,
    result_of,
    results_of,
    stock_option,
    tell_written,
)
from diffbench.cli.terminal import print_text, tell

if TYPE_CHECKING:
    from diffbench.answers.comparison import Comparison
    from diffbench.answers.joint import Member
    from diffbench.answers.shims import Way
    from diffbench.answers.state import Stock
    from diffbench.results.characterisation import Characterisation

MANIFEST = "comparison-manifest.json"


@click.command(epilog="Example: diffbench show demo-result/characterisation.json")
@click.argument("characterisation", type=PATH)
@json_option("Print the document as JSON, checked.")
@click.option("--verbose", is_flag=True, help="All that lies behind the summary, too.")
@faces_options(
    "html",
    "pdf",
    "xlsx",
    out="Folder for what --to names; card.html if it names nothing.",
    text="The card as html or pdf (one sheet of A4), the result as xlsx; may be repeated.",
)
@click.option("--before", type=PATH, metavar="RESULT", help="An earlier result, to stand beside on the card.")
@click.option(
    "--events", type=click.IntRange(min=1), help="Events between both; one unless it is said. With --before."
)
@language_option()
def show(
    characterisation: Path,
    as_json: bool,
    verbose: bool,
    out: Path | None,
    formats: tuple[str, ...],
    before: Path | None,
    events: int | None,
    language: str,
) -> None:
    """Show a characterisation again, as fit printed it, or write its card for the workshop.

    CHARACTERISATION is its file, or the folder of a result.
    """
    from diffbench.results.characterisation import load_characterisation

    result = load_characterisation(characterisation)
    earlier = None if before is None else load_characterisation(before)
    if out is None and (before is not None or language != "en"):
        raise click.UsageError("--before and --language are of a card: name its folder with --out.")
    if events is not None and before is None:
        raise click.UsageError("--events lie between two results: name the earlier one with --before.")
    written: list[Path] = []
    if out is not None:
        from diffbench.report.files import card_files
        from diffbench.whole_files import write_whole

        contents = card_files(result, formats or ("html",), before=earlier, events=events, language=language)
        written = write_whole(out, contents)
    if as_json:
        click.echo(result.to_json(), nl=False)
        return
    from diffbench.report.result import summary

    tell(summary(result, verbose=verbose), styled=True)
    tell_written(written)


@click.command(epilog="Example: diffbench conformity demo-result")
@click.argument("result", type=PATH)
@stock_option()
@afresh_option()
@json_option()
def conformity(result: Path, stock: Stock | None, afresh: bool, as_json: bool) -> None:
    """Whether a build conforms to the limits of its sheet (ISO 14253-1), with guard bands.

    RESULT is a characterisation, a folder of results, or a run sheet, which is fitted first unless its
    result stands nearby. Exit status: 0
    done; 1 done, and a limit is proven to be broken; 2 a file or an option is wrong.
    """
    from diffbench.answers.conformity import conformity as judged

    found = judged(result_of(result, quiet=as_json, afresh=afresh), stock=stock)
    if as_json:
        click.echo(found.to_json(), nl=False)
    else:
        from diffbench.report.result import conformity_document

        tell(conformity_document(found))
    if found.state is not None and found.state.failed:
        raise SystemExit(1)


@click.command(
    epilog="Example: diffbench compare fixtures/demo/rebuilt/run.toml fixtures/demo/worn/run.toml --out worn"
)
@click.argument("before", type=PATH)
@click.argument("after", type=PATH)
@click.option(
    "--also-before",
    type=PATH,
    multiple=True,
    metavar="RESULT",
    help="One more visit of the earlier state, refitted in between; may be given several times.",
)
@click.option("--also-after", type=PATH, multiple=True, metavar="RESULT", help="The same of the later state.")
@click.option("--build-before", metavar="BUILD", help="Which build, where BEFORE is a fit of several.")
@click.option("--build-after", metavar="BUILD", help="Which build, where AFTER is a fit of several.")
@click.option(
    "--same-bench",
    is_flag=True,
    help="The same flanges with the same calibration, though the rig file was edited in between.",
)
@click.option(
    "--largest-loss",
    type=float,
    metavar="PERCENT",
    help="Loss of preload torque that counts as worn where the sheet states no limits; 10 if not given.",
)
@click.option(
    "--events",
    type=click.IntRange(min=1),
    default=1,
    show_default=True,
    help="Events between BEFORE and AFTER, to say whether the limits last one more.",
)
@stock_option()
@faces_options(out="Folder for comparison.json, difference.csv, and what --to names.")
@picture_option("Draw what changed into this file: .png, .svg or .pdf.")
@afresh_option()
@json_option("Print the comparison as JSON, alone.")
def compare(
    before: Path,
    after: Path,
    also_before: tuple[Path, ...],
    also_after: tuple[Path, ...],
    build_before: str | None,
    build_after: str | None,
    same_bench: bool,
    largest_loss: float | None,
    events: int,
    stock: Stock | None,
    out: Path | None,
    formats: tuple[str, ...],
    picture: Path | None,
    afresh: bool,
    as_json: bool,
) -> None:
    """What changed between two states of a unit, what wore, and whether that is within limits.

    BEFORE and AFTER are characterisations, folders of results, or run sheets, which are fitted first; their
    dates say which is which. The state by all of them comes first, then what changed between both. Exit
    status: 0 done; 1 done, and the unit is worn or a limit is proven to be broken; 2 a file or an option is
    wrong.
    """
    from diffbench.answers.comparison import compare as against
    from diffbench.answers.joint import member
    from diffbench.answers.wear import LARGEST_LOSS

    if largest_loss is not None and not 0.0 < largest_loss < 100.0:
        raise click.BadParameter("a share between 0 and 100 per cent is wanted", param_hint="--largest-loss")
    bench = "one" if same_bench else None

    def side(paths: tuple[Path, ...], build: str | None, option: str) -> list[Member]:
        found = []
        for path in paths:
            result = result_of(path, quiet=as_json, afresh=afresh)
            _refuse_unnamed(result, build, path, option)
            found.append(member(result, build=build, folder=_folder(path), bench=bench))
        return found

    sides = (
        side((before, *also_before), build_before, "--build-before"),
        side((after, *also_after), build_after, "--build-after"),
    )
    loss = LARGEST_LOSS if largest_loss is None else largest_loss / 100.0
    result = against(*sides, largest_loss=loss, events=events, stock=stock)
    if result.swapped:
        sides = sides[1], sides[0]
    written: list[Path] = []
    reference = sides[0][0].characterisation.reference
    if picture is not None or "html" in formats:
        from diffbench.results.predict import make_map

        maps = make_map(sides[0][0].characterisation), make_map(sides[1][0].characterisation)
    if out is not None:
        from diffbench.report.comparison import comparison_document, comparison_figures

        drawn = comparison_figures(result, *maps, reference=reference) if "html" in formats else ()
        faces = faces_of(comparison_document(result, drawn), result.content(), "comparison", formats)
        written = _write(out, result, faces)
    if picture is not None:
        from diffbench.report.comparison import comparison_figure
        from diffbench.report.drawing import put_picture

        put_picture(comparison_figure(result, *maps, reference=reference), picture)
    if as_json:
        click.echo(result.to_json(), nl=False)
    else:
        from diffbench.report.comparison import comparison_document

        tell(comparison_document(result))
        tell_written(written)
        if picture is not None:
            print_text(f"\nDrawn: {picture}")
    if result.failed:
        raise SystemExit(1)


def _folder(path: Path) -> Path:
    return path if path.is_dir() else path.parent


def _write(out: Path, result: Comparison, faces: dict[str, bytes]) -> list[Path]:
    """All files, as one, and where they are; the manifest last."""
    from diffbench.answers.differences import difference_csv
    from diffbench.results.manifest import with_manifest
    from diffbench.whole_files import write_whole

    table = "" if result.difference_map is None else difference_csv(result.difference_map)
    document = result.to_json().encode("utf-8")
    contents = {**faces, "difference.csv": table.encode("utf-8"), "comparison.json": document}
    digest = hashlib.sha256(contents["comparison.json"]).hexdigest()
    write_whole(out, with_manifest(contents, result=digest, name=MANIFEST))
    return [out / name for name in ("comparison.json", "difference.csv", *faces, MANIFEST)]


@click.command(epilog="Example: diffbench repeatability fixtures/repeats")
@click.argument("results", nargs=-1, required=True, type=PATH, metavar="RESULT...")
@faces_options()
@afresh_option()
@json_option()
def repeatability(
    results: tuple[Path, ...], out: Path | None, formats: tuple[str, ...], afresh: bool, as_json: bool
) -> None:
    """Repeatability of a bench (ISO 5725-2) from visits between which the unit was refitted.

    RESULTS are run sheets, a folder of them, or characterisations of visits that were fitted each by itself.
    Prints standard deviation and limit of each quantity, Cochran's and Grubbs' tests for outlying repeats,
    and the table for the rig file.
    """
    from diffbench.answers.repeatability import repeatability as repeated

    found = results_of(results, quiet=as_json, afresh=afresh)
    result = repeated([one for _, one in found], names=[str(path) for path, _ in found])
    from diffbench.report.repeatability import repeatability_document

    document = repeatability_document(result)
    written = put_faces(document, result.content(), "repeatability", out, formats)
    if as_json:
        click.echo(result.to_json(), nl=False)
        return
    tell(document)
    tell_written(written)


@click.command(epilog="Example: diffbench advise fixtures/shims --target '80 N.m' --step '0.05 mm'")
@click.argument("results", nargs=-1, required=True, type=PATH, metavar="RESULT...")
@click.option("--target", required=True, metavar="TORQUE", help="Preload torque wanted, e.g. '80 N.m'.")
@click.option(
    "--limits",
    callback=pair("torque", "N.m"),
    metavar="LOW:HIGH",
    help="Limits that it shall land within; those of the build sheet if not given.",
)
@click.option(
    "--step",
    metavar="LENGTH",
    help="Steps in which shims are in stock; if not given, the shims of the build sheet, else 0.05 mm.",
)
@stock_option()
@click.option(
    "--by",
    "way",
    type=click.Choice(["ladder", "curve", "both"]),
    help="Measured builds alone, the disc-spring curve through one, or through all. By default the last "
    "where the sheet states the springs.",
)
@faces_options()
@afresh_option()
@json_option("Print the advice as JSON, alone.")
def advise(
    results: tuple[Path, ...],
    target: str,
    limits: tuple[float, float] | None,
    step: str | None,
    stock: Stock | None,
    way: str | None,
    out: Path | None,
    formats: tuple[str, ...],
    afresh: bool,
    as_json: bool,
) -> None:
    """Which shim in stock gives a preload torque, with interval and chance to land within limits.

    RESULTS are builds of one unit with different shims, as characterisations, folders of results or run
    sheets; one is enough where its sheet states disc springs and spring force. A target beyond what was
    tested is answered with the extrapolation and its doubt, or refused.
    """
    from diffbench.answers.joint import member
    from diffbench.answers.shims import advise as advised

    wanted = quantity(target, "torque", "N.m", "--target")
    width_of_step = None if step is None else quantity(step, "length", "mm", "--step")
    if not (wanted > 0.0 and (width_of_step is None or width_of_step > 0.0)):
        raise click.BadParameter("a positive one is wanted", param_hint="--target, --step")
    members = [
        member(one, build=facts.build, folder=_folder(path))
        for path, one in results_of(results, quiet=as_json, afresh=afresh)
        for facts in one.builds
    ]
    result = advised(
        members,
        target=wanted,
        limits=limits,
        step=width_of_step,
        stock=() if stock is None else stock.shims,
        way=cast("Way | None", way),
    )
    from diffbench.report.shims import shim_document

    document = shim_document(result)
    written = put_faces(document, result.content(), "shim", out, formats)
    if as_json:
        click.echo(result.to_json(), nl=False)
        return
    tell(document)
    tell_written(written)


def _refuse_unnamed(result: Characterisation, build: str | None, path: Path, option: str) -> None:
    """Say with which option a build is named, where it is none of the result's or none is said of several."""
    from diffbench.errors import FitError

    try:
        result.facts_of(build)
    except FitError as error:
        raise FitError(
            [
                replace(fault, mend=f"{fault.mend} with {option}").located(file=str(path))
                for fault in error.faults
            ]
        ) from error
