"""``diffbench corner``: what a unit, or a ladder of preloads, does from braking to the throttle."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from diffbench.cli.options import (
    PATH,
    faces_options,
    json_option,
    picture_option,
    put_faces,
    quantity,
    results_of,
    tell_written,
)
from diffbench.cli.terminal import print_json, print_text, tell

if TYPE_CHECKING:
    from diffbench.answers.wanted import Wanted
    from diffbench.documents import Car, Phase
    from diffbench.results.characterisation import Characterisation
    from diffbench.results.locking_map import Branch, LockingMap

MOST_RUNGS = 40
#: Options of one point: key of a phase, dimension, bare unit.
POINT = {
    "speed": ("speed", "m/s"),
    "radius": ("length", "m"),
    "engine_braking": ("torque", "N.m"),
    "drive_torque": ("torque", "N.m"),
    "brake_torque": ("torque", "N.m"),
    "temperature": ("temperature", "degC"),
}


@click.command(
    epilog="Example: diffbench corner map.json --car car.toml --preload '40 Nm:120 Nm:20 Nm' "
    "--picture corner.png"
)
@click.argument("maps", nargs=-1, required=True, type=PATH, metavar="MAP...")
@click.option("--car", "car_file", required=True, type=PATH, help="Axle, tyres, phases: a TOML file.")
@click.option(
    "--preload",
    "preloads",
    multiple=True,
    metavar="TORQUE or LOW:HIGH:STEP",
    help="Also the unit at other preload torques, predicted by the fitted law, e.g. '40 Nm:120 Nm:20 Nm'. "
    "May be repeated.",
)
@click.option(
    "--characterisation",
    type=PATH,
    help="What --preload predicts from; without it, characterisation.json beside the map.",
)
@click.option(
    "--target",
    "targets",
    multiple=True,
    metavar="WANTED",
    help="Ask for the preload that gives this, and for its shim: 'kept 60 %', 'turn-in: kept 60 %', "
    "'turn-in: yaw moment 300 Nm', 'balance turn-in, apex'. May be repeated, a weight behind a star: "
    "'kept 60 % * 2'.",
)
@click.option(
    "--rings",
    multiple=True,
    metavar="DRIVE/COAST",
    help="With --target: other rings to choose from, beside those that the build sheet has in stock, by "
    "their ramp angles from the plane of rotation, e.g. '30/57 deg'. May be repeated.",
)
@click.option(
    "--builds",
    multiple=True,
    type=PATH,
    metavar="RESULT",
    help="With --target: other builds of the unit, with other shims: what they measured and the stock of "
    "shims in their sheets serve, too. May be repeated.",
)
@click.option("--speed", help="One point instead of the car's phases: speed of the car, e.g. '90 km/h'.")
@click.option("--radius", help="Of that point: radius of the car's path, e.g. '60 m'.")
@click.option("--engine-braking", help="Of that point: engine braking at the case, e.g. '120 Nm'.")
@click.option("--drive-torque", help="Of that point, instead: drive torque at the case, e.g. '200 Nm'.")
@click.option("--brake-torque", help="Of that point: brake torque of each wheel of the axle; 0 if not given.")
@click.option("--temperature", help="Of that point: plates and oil, e.g. '80 degC'.")
@click.option(
    "--branch",
    type=click.Choice(["loading", "unloading", "mean", "either", "followed"]),
    default="either",
    show_default=True,
    help="Of the map, where a phase does not say it; followed: the ramps' hysteresis from phase to phase.",
)
@picture_option("Draw the result into this file: .png, .svg or .pdf.")
@faces_options()
@json_option()
def corner(
    maps: tuple[Path, ...],
    car_file: Path,
    preloads: tuple[str, ...],
    characterisation: Path | None,
    targets: tuple[str, ...],
    rings: tuple[str, ...],
    builds: tuple[Path, ...],
    branch: Branch | Literal["followed"],
    picture: Path | None,
    out: Path | None,
    formats: tuple[str, ...],
    as_json: bool,
    **point: str | None,
) -> None:
    """Corner entry: wheel-speed difference kept, yaw moment and tyre forces, phase by phase.

    Several maps, or one map with a ladder of preloads, are put beside each other. Bare numbers are in m/s, m,
    N·m and °C. Indicative: linear tyres in steady state.
    """
    from diffbench.answers.corner import corner_entry
    from diffbench.answers.operating_point import with_units
    from diffbench.documents import load_car

    car = load_car(car_file)
    phases = _point(point)
    if targets:
        if branch == "followed":
            raise click.UsageError("--target is asked of one branch: leave out --branch followed.")
        if len(maps) > 1 or preloads or phases is not None:
            raise click.UsageError("--target is asked of one map, by the car's phases, without --preload.")
        pairs = [_pair(text) for text in rings]
        wanted = _wanted(maps[0], car, targets, pairs, builds, characterisation, branch, str(car_file))
        _tell_wanted(wanted, picture, out, formats, as_json)
        return
    if rings or builds:
        raise click.UsageError("--rings and --builds serve --target alone: name what is wanted.")
    units = _units(maps, preloads, characterisation)
    result = corner_entry(
        car,
        units,
        phases=phases,
        branch="either" if branch == "followed" else branch,
        follow=branch == "followed",
        file=str(car_file),
    )
    if picture is not None:
        from diffbench.report.drawing import put_picture
        from diffbench.report.trackside import corner_figure

        put_picture(corner_figure(result), picture)
    from diffbench.report.trackside import corner_document, corner_figures

    full = with_units(result)
    drawn = corner_figures(result) if out is not None else ()
    written = put_faces(corner_document(result, units[0][1], drawn), full, "corner", out, formats)
    if as_json:
        print_json(full)
        return
    tell(corner_document(result, units[0][1]))
    tell_written(written)
    if picture is not None:
        print_text(f"Written: {picture}")


def _pair(text: str) -> tuple[float, float]:
    """Drive and coast angle [rad] of a pair of rings; one unit behind both serves both."""
    drive, _, coast = (part.strip() for part in text.partition("/"))
    unit = coast.lstrip("+-.0123456789").strip()
    if drive and coast and not drive.lstrip("+-.0123456789"):
        drive = f"{drive} {unit}"
    if not drive or not coast:
        raise click.BadParameter(f"'{text}' is no pair: write DRIVE/COAST", param_hint="--rings")
    return quantity(drive, "angle", "deg", "--rings"), quantity(coast, "angle", "deg", "--rings")


def _wanted(
    path: Path,
    car: Car,
    targets: tuple[str, ...],
    rings: list[tuple[float, float]],
    builds: tuple[Path, ...],
    characterisation: Path | None,
    branch: Branch,
    file: str,
) -> Wanted:
    from diffbench.answers.joint import member
    from diffbench.answers.wanted import target_of, wanted_preload
    from diffbench.results.locking_map import load_map

    unit = load_map(path)
    result = _fit_of(unit, path, _source(path, characterisation))
    asked = [target_of(text, car) for text in targets]
    others = [
        member(one, build=facts.build, folder=other if other.is_dir() else other.parent)
        for other, one in results_of(builds, quiet=True)
        for facts in one.builds
        if one.digest != result.digest
    ]
    return wanted_preload(car, unit, result, asked, branch=branch, rings=rings, builds=others, file=file)


def _tell_wanted(
    wanted: Wanted, picture: Path | None, out: Path | None, formats: tuple[str, ...], as_json: bool
) -> None:
    """The preload that is wanted, told, drawn into a picture, and written as pages."""
    from diffbench.answers.operating_point import with_units
    from diffbench.report.wanted import trade_off_picture, wanted_document

    if picture is not None:
        from diffbench.report.drawing import put_picture

        put_picture(trade_off_picture(wanted), picture)
    full = with_units(wanted)
    drawn = wanted_document(wanted, figures=out is not None)
    written = put_faces(drawn, full, "wanted-preload", out, formats)
    if as_json:
        print_json(full)
        return
    tell(wanted_document(wanted))
    tell_written(written)
    if picture is not None:
        print_text(f"Written: {picture}")


def _point(point: dict[str, str | None]) -> list[Phase] | None:
    """The one phase that options describe, or None where there is no such option."""
    from diffbench.documents import Phase, document_of

    given = {name: text for name, text in point.items() if text is not None}
    if not given:
        return None
    for needed in ("speed", "radius", "temperature"):
        if needed not in given:
            raise click.UsageError(f"One point needs --{needed}, too.")
    if ("engine_braking" in given) == ("drive_torque" in given):
        raise click.UsageError("One point needs either --engine-braking or --drive-torque.")
    values = {
        name: quantity(text, *POINT[name], f"--{name.replace('_', '-')}") for name, text in given.items()
    }
    return [document_of({"name": "this point", **values}, Phase, source="options")]


def _units(
    maps: tuple[Path, ...], preloads: tuple[str, ...], characterisation: Path | None
) -> list[tuple[str, LockingMap]]:
    """Names and maps: those of the files, or one with its ladder, from low to high."""
    from diffbench.results.locking_map import load_map

    loaded = [load_map(path) for path in maps]
    builds = [found.document.build for found in loaded]
    names = [
        f"{build}" if builds.count(build) == 1 else f"{build}, {path}"
        for build, path in zip(builds, maps, strict=True)
    ]
    units = list(zip(names, loaded, strict=True))
    if not preloads:
        if characterisation is not None:
            raise click.UsageError("--characterisation serves --preload alone: name a preload.")
        return units
    if len(maps) > 1:
        raise click.UsageError("A ladder of preloads belongs to one map: name one.")
    return _ladder(
        loaded[0],
        maps[0],
        _source(maps[0], characterisation),
        [torque for text in preloads for torque in _rungs(text)],
    )


def _source(path: Path, characterisation: Path | None) -> Path:
    """The characterisation that is named, or that beside a map."""
    beside = path if path.is_dir() else path.parent
    return beside / "characterisation.json" if characterisation is None else characterisation


def _fit_of(measured: LockingMap, path: Path, source: Path) -> Characterisation:
    """The characterisation that a map was made of. Refuses one of another fit, and a map that no bench
    measured."""
    from diffbench.errors import DocumentError
    from diffbench.results.characterisation import load_characterisation

    document = measured.document
    if document.predicted is not None:
        raise DocumentError.single(
            f"this map is a prediction itself ({document.predicted}): --preload and --target begin at the "
            "unit as measured",
            file=str(path),
            mend="name the map.json that the fit wrote beside its characterisation.json; a prediction is put "
            "beside it as a map of its own: diffbench corner MAP PREDICTED",
        )
    result = load_characterisation(source)
    of_one_fit = (
        document.provenance == result.provenance.model_dump(mode="json")
        if document.characterisation_sha256 is None  # written by an older version
        else document.characterisation_sha256 == result.digest
    )
    if not of_one_fit:
        raise DocumentError.single(
            f"this is not the characterisation that map {document.build} was made of: their preloads cannot "
            "stand side by side",
            file=str(source),
            mend="name the characterisation.json that the same fit wrote, by --characterisation",
        )
    return result


def _ladder(
    measured: LockingMap, path: Path, source: Path, torques: list[float]
) -> list[tuple[str, LockingMap]]:
    from diffbench.answers.rebuild import preload_ladder, preload_of

    result = _fit_of(measured, path, source)
    here = preload_of(result, build=measured.document.build)
    made = preload_ladder(result, torques, beside=measured)
    rungs = [(here, f"as built, {here:.4g} N·m", measured)]
    rungs += [
        (torque, f"predicted, {torque:.4g} N·m", each) for torque, each in zip(torques, made, strict=True)
    ]
    return [(label, each) for _, label, each in sorted(rungs, key=lambda rung: rung[0])]


def _rungs(text: str) -> list[float]:
    """Preload torques of one option: one, or from low to high by a step."""

    parts = [quantity(part, "torque", "N.m", "--preload") for part in text.split(":")]
    if len(parts) == 1:
        return parts
    if len(parts) != 3 or parts[2] <= 0.0 or parts[1] < parts[0]:
        raise click.BadParameter(
            f"'{text}' is no ladder: write LOW:HIGH:STEP, rising", param_hint="--preload"
        )
    low, high, step = parts
    count = int((high - low) / step * (1.0 + 1e-9)) + 1
    if count > MOST_RUNGS:
        raise click.BadParameter(
            f"'{text}' has {count} rungs, {MOST_RUNGS} at most can be told apart", param_hint="--preload"
        )
    return [low + i * step for i in range(count)]
