"""``diffbench fit``: the main job."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from diffbench.cli.options import PATH, afresh_option, json_option, pair, quiet_option, tell_standing
from diffbench.cli.terminal import Progress, print_text, tell

if TYPE_CHECKING:
    from diffbench.results.characterisation import Characterisation
    from diffbench.results.locking_map import LockingMap

NOTHING_WRITTEN = "Nothing written: name a folder with --out for map, numbers and page."


@click.command(epilog="Example: diffbench fit fixtures/demo/rebuilt/run.toml --out demo-result")
@click.argument("run_sheets", nargs=-1, required=True, type=PATH, metavar="RUNSHEET...")
@click.option("--out", type=PATH, help="Folder for the results; made if it is not there.")
@click.option(
    "--map-torque",
    callback=pair("torque", "N.m"),
    metavar="LOW:HIGH",
    help="How far the map reaches in input torque, e.g. '-400 Nm:900 Nm'.",
)
@click.option(
    "--map-speed",
    callback=pair("angular_speed", "rad/s"),
    metavar="LOW:HIGH",
    help="The same in speed difference, e.g. '0 rpm:150 rpm'.",
)
@click.option(
    "--map-temperature",
    callback=pair("temperature", "degC"),
    metavar="LOW:HIGH",
    help="The same in temperature, e.g. '20 degC:110 degC'.",
)
@afresh_option("Fit again, where the result of these run sheets stands in --out.")
@json_option("Print the characterisation as JSON on standard output, alone.")
@click.option("--pdf", is_flag=True, help="Print the page as report.pdf, too; needs Chromium.")
@click.option(
    "--paper", type=click.Choice(["A4", "letter"]), default="A4", help="Of report.pdf; A4 if not given."
)
@quiet_option()
@click.option(
    "--verbose", is_flag=True, help="Every step with its time, and all that lies behind the summary."
)
def fit(
    run_sheets: tuple[Path, ...],
    out: Path | None,
    map_torque: tuple[float, float] | None,
    map_speed: tuple[float, float] | None,
    map_temperature: tuple[float, float] | None,
    afresh: bool,
    as_json: bool,
    pdf: bool,
    paper: str,
    quiet: bool,
    verbose: bool,
) -> None:
    """Characterise a unit from one run sheet, or from several of one unit, fitted together.

    Writes characterisation.json, map.json, map.csv and report.html into the folder given by --out; of
    several builds, such a set for each in a folder of its build's name, beside what they share. Where that
    result stands there already, of the same papers and recordings, nothing is fitted. Exit status:
    0 done; 1 done, and a limit of the build sheet is proven to be broken; 2 a file or an option is wrong.
    """
    if quiet and verbose:
        raise click.UsageError("--quiet and --verbose exclude each other: leave out one of them.")
    if pdf and out is None:
        raise click.UsageError("--pdf writes report.pdf into the folder of --out: name one.")
    if out is not None:
        _refuse_hopeless(out)
    if pdf:
        from diffbench.report.files import browser

        browser()  # one that is missing is told before the work, not after it
    axes = {
        "input_torque_Nm": map_torque,
        "speed_difference_rad_s": map_speed,
        "temperature_degC": map_temperature,
    }
    told, where = False, ""
    result = None if afresh or pdf or out is None else _standing(out, run_sheets, axes)
    if result is None:
        # a person is told as soon as the numbers are known, long before the page is drawn; a pipe, which may
        # be closed in between, when all is written
        told = not (quiet or as_json) and sys.stdout.isatty()
        with Progress(enabled=not quiet and sys.stderr.isatty(), verbose=verbose) as say:
            result, where = _fitted(
                run_sheets, out, axes, say, tell=partial(_tell, verbose=verbose) if told else None,
                paper=paper if pdf else None,
            )  # fmt: skip
    elif out is not None and not quiet:
        tell_standing(out)
    if as_json:
        click.echo(result.to_json(), nl=False)
    elif not quiet:
        if not told:
            _tell(result, verbose=verbose)
        if where:
            print_text(where)
    from diffbench.answers.state import judge_builds

    if any(state.failed for state in judge_builds([result])):
        raise SystemExit(1)


def _fitted(
    run_sheets: tuple[Path, ...],
    out: Path | None,
    axes: Mapping[str, tuple[float, float] | None],
    say: Progress,
    *,
    tell: Callable[[Characterisation], None] | None,
    paper: str | None,
) -> tuple[Characterisation, str]:
    """Fit, make the maps and write all, with ``tell`` in between; the result, and where it is."""
    from diffbench.errors import DiffbenchError
    from diffbench.fitting import fit as characterise
    from diffbench.results.predict import make_map

    result = characterise(run_sheets, progress=say)
    if tell is not None:
        say.clear()
        tell(result)
    maps = {}
    for facts in result.builds:
        say(f"map of {facts.build}" if len(result.builds) > 1 else "map")
        maps[facts.build] = make_map(result, axes=axes, build=facts.build)
    if out is None:
        return result, NOTHING_WRITTEN
    say("writing")
    try:
        return result, _where(_write(out, result, maps, paper=paper))
    except (DiffbenchError, OSError):
        raise
    except Exception:  # of drawing, which nobody foresaw: what was measured is not lost with it
        say.clear()
        print_text(_where(_write(out, result, maps, paper=paper, page=False)), err=True)
        raise


def _standing(
    out: Path, run_sheets: Sequence[Path], axes: Mapping[str, tuple[float, float] | None]
) -> Characterisation | None:
    """The result that stands in a folder, where a fit would write the same again: of these run sheets, with
    all its files, maps of these ``axes``, and no page that goes on loading itself."""
    from diffbench.results.standing import stands

    manifest = stands(out, run_sheets)
    if manifest is None:
        return None
    from diffbench.errors import DiffbenchError
    from diffbench.report.files import NAMES
    from diffbench.results.characterisation import load_characterisation
    from diffbench.results.locking_map import load_map
    from diffbench.results.manifest import read_whole
    from diffbench.results.predict import map_ends

    try:
        result = load_characterisation(out)
        for facts in result.builds:
            folder = out / (facts.folder or "") if len(result.builds) > 1 else out
            here = {(folder / name).relative_to(out).as_posix() for name in NAMES}
            if not here <= set(manifest.files):
                return None
            ends = [(float(axis[0]), float(axis[-1])) for axis in load_map(folder).axes]
            if ends != map_ends(result, axes=axes, build=facts.build):
                return None
        pages = (read_whole(out / name) for name in manifest.files if name.endswith(".html"))
        return None if any(b'http-equiv="refresh"' in page for page in pages) else result
    except (DiffbenchError, OSError):
        return None


def _write(
    out: Path, result: Characterisation, maps: dict[str, LockingMap], *, paper: str | None, page: bool = True
) -> dict[str, list[Path]]:
    """What was written, by build, with the manifest; of several, a set for each beside what they share."""
    from diffbench.report.files import write_builds, write_results
    from diffbench.results.manifest import NAME

    if len(maps) == 1:
        (only,) = maps.values()
        written = {"": write_results(out, result, only, paper=paper, page=page)}
    else:
        written = write_builds(out, result, maps, paper=paper, page=page)
    written[""].append(out / NAME)
    return written


def _where(written: dict[str, list[Path]]) -> str:
    """Which files are of which build."""
    from diffbench.report.wording import printable

    lines = []
    for build, paths in written.items():
        of = f"build {printable(build, limit=60)}" if build else "all builds together"
        head = "Written" if len(written) == 1 else f"Written, {of}"
        lines.append(f"{head}: {', '.join(str(path) for path in paths)}")
    return "\n".join(lines)


def _tell(result: Characterisation, *, verbose: bool) -> None:
    from diffbench.report.result import summary

    tell(summary(result, verbose=verbose), styled=True)


def _refuse_hopeless(out: Path) -> None:
    """Refuse a folder that can be seen not to become one: before the work, not after it."""
    from diffbench.errors import OutputError

    # Not the methods of Path: they raise on names that are too long to exist.
    nearest = next((str(path) for path in (out, *out.parents) if os.path.lexists(path)), ".")
    if not os.path.isdir(nearest):  # noqa: PTH112  # see above
        raise OutputError.single(
            "is a file, a folder is wanted", file=nearest, mend="name another folder with --out"
        )
    if not os.access(nearest, os.W_OK | os.X_OK):
        raise OutputError.single(
            "may not be written to",
            file=nearest,
            mend="give yourself the right to write there, or name another folder with --out",
        )
