"""``diffbench compare``: two states of a unit against each other."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING

import click

from diffbench.cli.options import json_option
from diffbench.cli.terminal import print_text

if TYPE_CHECKING:
    from diffbench.answers.comparison import Comparison

MANIFEST = "comparison-manifest.json"
PATH = click.Path(path_type=Path)


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
@click.option("--out", type=PATH, help="Folder for comparison.json and difference.csv.")
@click.option("--picture", type=PATH, help="Draw what changed into this file: .png, .svg or .pdf.")
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
    out: Path | None,
    picture: Path | None,
    as_json: bool,
) -> None:
    """What changed between two states of a unit, what wore, and whether that is within limits.

    BEFORE and AFTER are characterisations, folders of results, or run sheets, which are fitted first. Exit
    status: 0 done; 1 done, and the unit is worn or a limit is proven to be broken; 2 a file or an option is
    wrong.
    """
    from diffbench.answers.comparison import LARGEST_LOSS
    from diffbench.answers.comparison import compare as against
    from diffbench.answers.joint import member
    from diffbench.cli.options import result_of

    if largest_loss is not None and not 0.0 < largest_loss < 100.0:
        raise click.BadParameter("a share between 0 and 100 per cent is wanted", param_hint="--largest-loss")
    if picture is not None:
        from diffbench.report.drawing import check_suffix

        check_suffix(picture)  # before the work, not after it
    sides = []
    for first, others, build in ((before, also_before, build_before), (after, also_after, build_after)):
        sides.append(
            [
                member(
                    result_of(path, quiet=as_json),
                    build=build,
                    folder=path if path.is_dir() else path.parent,
                    bench="one" if same_bench else None,
                )
                for path in (first, *others)
            ]
        )
    result = against(
        sides[0],
        sides[1],
        largest_loss=LARGEST_LOSS if largest_loss is None else largest_loss / 100.0,
        events=events,
    )
    if out is not None:
        _write(out, result)
    if picture is not None:
        from diffbench.report.comparison import comparison_figure
        from diffbench.report.drawing import put_picture
        from diffbench.results.predict import make_map

        one, other = (make_map(side[0].characterisation) for side in sides)
        reference = sides[0][0].characterisation.reference
        put_picture(comparison_figure(result, one, other, reference=reference), picture)
    if as_json:
        click.echo(result.to_json(), nl=False)
    else:
        from diffbench.cli.terminal import width
        from diffbench.report.comparison import comparison_summary

        print_text(comparison_summary(result, width=width()))
        if out is not None:
            print_text(f"\nWritten: {out / 'comparison.json'}, {out / 'difference.csv'}")
        if picture is not None:
            print_text(f"\nDrawn: {picture}")
    if result.failed:
        raise SystemExit(1)


def _write(out: Path, result: Comparison) -> None:
    """Both files, as one."""
    from diffbench.answers.differences import difference_csv
    from diffbench.results.manifest import with_manifest
    from diffbench.whole_files import write_whole

    table = "" if result.difference_map is None else difference_csv(result.difference_map)
    contents = {"difference.csv": table.encode("utf-8"), "comparison.json": result.to_json().encode("utf-8")}
    digest = hashlib.sha256(contents["comparison.json"]).hexdigest()
    write_whole(out, with_manifest(contents, result=digest, name=MANIFEST))
