"""``diffbench draft`` at a terminal, without arguments: the papers of a first fit by question and answer.

Each question has the guess as its answer, where there is one: Enter takes it. Nothing is written before the
last question, and no file that is there is written over.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from diffbench.cli.terminal import print_text

if TYPE_CHECKING:
    from diffbench.inspection import Inspection
    from diffbench.inspection.channel_guesses import Guess

_RECORDINGS = (".csv", ".txt", ".tsv", ".dat", ".asc", ".gz", ".xz", ".zst", ".zip", ".npy", ".xlsx", ".xlsm",
               ".xls", ".parquet", ".feather", ".mf4", ".tdms", ".h5", ".hdf5", ".nc")  # fmt: skip
_NONE = "-"


def interview() -> list[Path]:
    """Ask for what a rig, a build sheet and a run sheet need, write them, and return their paths."""
    from diffbench.documents import load_visit
    from diffbench.inspection import draft_build, draft_rig, draft_run, inspect_file
    from diffbench.whole_files import write_whole

    print_text("Enter takes the answer in brackets; Ctrl-C ends, and nothing is written.\n")
    recordings = _recordings()
    seen = {path: inspect_file(path) for path in recordings}
    telling = next((one for one in seen.values() if one.kind != "tare"), next(iter(seen.values())))
    asked, units, arms = _channels(telling)
    arrangement = _arrangement(asked)
    name = click.prompt("Name of the bench", default="Our bench")
    print_text("\nThe unit (the guide's page on papers has a picture of the pack with these letters).")
    unit = click.prompt("Serial of the differential")
    build = click.prompt("Name of this build", default=f"{unit}-1")
    faces = click.prompt("z, friction faces in one pack", type=click.IntRange(min=1))
    inner = _quantity("r_i, inner radius of a friction face, with its unit, as 38 mm", "length")
    outer = _quantity("r_o, outer radius", "length", beyond=inner)
    kinds = {path: _kind(path, one) for path, one in seen.items()}
    stem = "".join(letter if letter.isalnum() or letter in "-_" else "-" for letter in unit)
    rig_path, build_path, run_path = (
        _free(text, Path(default))
        for text, default in (
            ("Write the rig to", "rig.toml"),
            ("Write the build sheet to", f"{stem}.toml"),
            ("Write the run sheet to", f"{stem}-visit.toml"),
        )
    )

    def beside(path: Path) -> str:
        return Path(os.path.relpath(path, run_path.parent)).as_posix()

    texts = {
        rig_path: draft_rig(asked, name=name, units=units, arms=arms, arrangement=arrangement),
        build_path: draft_build(unit=unit, build=build, faces=faces, inner_radius=inner, outer_radius=outer),
        run_path: draft_run(
            rig=beside(rig_path),
            build=beside(build_path),
            recordings=[beside(path) for path in recordings],
            kinds={beside(path): kind for path, kind in kinds.items()},
        ),
    }
    for path, text in texts.items():
        write_whole(path.parent, {path.name: text.encode()}, replace=False)
    load_visit(run_path)  # what is still wrong is told with its place
    return list(texts)


def _recordings() -> list[Path]:
    """At least one file that is there."""
    files = (path for path in Path().iterdir() if path.suffix.lower() in _RECORDINGS and path.is_file())
    there = sorted(path for path in files if _is_recording(path))
    found: list[Path] = []
    for default in [*map(str, there), ""]:
        text = "Recording" if not found else "Another recording (- for none)"
        named = _asked(text, _there, default or (_NONE if found else ""))
        if named == _NONE:
            break
        found.append(Path(named))
    while not found:
        found.append(Path(_asked("Recording", _there, "")))
    return list(dict.fromkeys(found))


def _is_recording(path: Path) -> bool:
    """Whether a file beside it is worth offering: one with columns."""
    from diffbench.errors import DiffbenchError
    from diffbench.inspection import inspect_file

    try:
        return any(column.kind == "numbers" for column in inspect_file(path).columns)
    except DiffbenchError:
        return False


def _there(text: str) -> str:
    if text != _NONE and not os.path.isfile(text):  # noqa: PTH113  raises on no name
        raise ValueError(f"'{text}' is no file here")
    return text


def _channels(inspection: Inspection) -> tuple[Inspection, dict[str, str], dict[str, str]]:
    """The inspection with every guess decided, and units and arms that the file does not say."""
    from diffbench.documents.arrangements import CHANNELS
    from diffbench.quantities import knows

    units: dict[str, str] = {}
    arms: dict[str, str] = {}
    decided: list[Guess] = []
    taken: set[str] = set()
    print_text(f"\nColumns of {inspection.source.path.name}. Channels: {', '.join(CHANNELS)}; - for none.")
    for summary, guess in zip(inspection.columns, inspection.guesses, strict=True):
        default = guess.channel or _NONE
        default = _NONE if default in taken else default
        reasons = "; ".join(guess.reasons)
        if guess.sure and default != _NONE:
            print_text(f"  '{summary.name}': {default} ({reasons})")
            answer = default
        elif default == _NONE and not guess.others and guess.dimension not in ("torque", "angular_speed"):
            answer = _NONE
        else:
            answer = _asked(f"  '{summary.name}' ({reasons}) is", lambda text: _channel(text, taken), default)
        if answer == _NONE:
            decided.append(replace(guess, channel=None))
            continue
        taken.add(answer)
        dimension = CHANNELS[answer].dimension
        decided.append(replace(guess, channel=answer, dimension=dimension, sure=True, others=()))
        said = summary.unit or ""
        if dimension == "torque" and knows(said, "force"):
            arms[answer] = _quantity(f"  Lever arm of {answer}, with its unit", "length")
        elif dimension and summary.kind == "numbers" and not knows(said, dimension):
            units[answer] = _asked(f"  Unit of '{summary.name}'", _unit_of(dimension), "")
        if "at the pinion" in reasons and guess.ratio is None:
            ratio = click.prompt(
                "  Turns of the pinion per turn of the case", type=click.FloatRange(min=0.01)
            )
            decided[-1] = replace(decided[-1], ratio=ratio)
    return replace(inspection, guesses=tuple(decided)), units, arms


def _channel(text: str, taken: set[str]) -> str:
    from difflib import get_close_matches

    from diffbench.documents.arrangements import CHANNELS

    if text in taken:
        raise ValueError(f"'{text}' is another column already")
    if text != _NONE and text not in CHANNELS:
        near = get_close_matches(text, CHANNELS, n=1)
        raise ValueError(f"'{text}' is no channel" + (f"; did you mean '{near[0]}'?" if near else ""))
    return text


def _unit_of(dimension: str) -> Callable[[str], str]:
    from diffbench.quantities import conversion

    def checked(text: str) -> str:
        conversion(text, dimension)
        return text

    return checked


def _quantity(question: str, dimension: str, *, beyond: str | None = None) -> str:
    """A text with its unit, above zero or ``beyond`` another one."""
    from diffbench.quantities import parse_quantity

    least = 0.0 if beyond is None else parse_quantity(beyond, dimension, "mm")

    def checked(text: str) -> str:
        if text.replace(".", "").isdecimal():
            raise ValueError(f"'{text}' has no unit: write '{text} mm'")
        if parse_quantity(text, dimension, "mm") <= least:
            raise ValueError(f"'{text}' is not more than {beyond or 0}")
        return text

    return _asked(question, checked, "")


def _arrangement(inspection: Inspection) -> str:
    from diffbench.documents.arrangements import ARRANGEMENTS

    names = {guess.channel for guess in inspection.guesses if guess.channel}
    seen = next((name for name, kind in ARRANGEMENTS.items() if kind.seen(names)), None)
    return str(
        click.prompt("How did the unit sit in the bench", type=click.Choice(list(ARRANGEMENTS)), default=seen)
    )


def _kind(path: Path, inspection: Inspection) -> str:
    from diffbench.inspection.drafts import KINDS

    return str(
        click.prompt(
            f"What was done in {path.name}", type=click.Choice(KINDS), default=inspection.kind or None
        )
    )


def _free(question: str, default: Path) -> Path:
    """A path where nothing stands yet."""

    def checked(text: str) -> str:
        if os.path.lexists(text):
            raise ValueError(f"'{text}' is there already")
        return text

    return Path(_asked(question, checked, "" if default.exists() else str(default)))


def _asked(question: str, checked: Callable[[str], str], default: str) -> str:
    """An answer that is right; asked for again until it is."""
    from diffbench.errors import DiffbenchError

    while True:
        answer: str = click.prompt(question, default=default or None, type=str).strip()
        try:
            return checked(answer)
        except DiffbenchError as error:
            print_text(f"  {error.faults[0].what}; {error.faults[0].mend}.")
        except ValueError as error:
            print_text(f"  {error}.")


def told(paths: Sequence[Path]) -> str:
    """What was written, and what comes next."""
    return (
        f"\nWritten: {', '.join(map(str, paths))}.\n"
        "Read them once: what you did not state counts as not known.\n"
        f"Then: diffbench fit {paths[-1]} --out result"
    )
