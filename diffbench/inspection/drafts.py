"""Drafts of the papers.

That of a rig, from one of its files, has everything that was found out and everything that must be decided;
those of build sheet and run sheet every key with a word on it, and what must be there left empty.
"""

from __future__ import annotations

import datetime as dt
import json
import re
from collections.abc import Mapping, Sequence

from diffbench.documents.arrangements import ARRANGEMENTS, CHANNELS, OUTPUTS, TURNED, Arrangement
from diffbench.inspection.channel_guesses import Guess
from diffbench.inspection.inspect import ColumnSummary, Inspection
from diffbench.inspection.vocabulary import DIRECTIONS, READINGS, case_is, meaning
from diffbench.quantities import knows, spellings

_TORQUE_LINES = (
    "# sign = -1               # where the column counts the other way",
    "# u_gain = 0.0015         # standard uncertainty of the gain, by the calibration; else exact",
    '# u_zero = "0.8 N.m"      # how well the zero holds after warming up; else exact',
    '# lag = "10 ms"           # of the amplifier\'s filter, first order',
    '# inertia = "0.05 kg.m^2" # of what turns between transducer and unit',
)


def quoted(text: str) -> str:
    """A text as TOML writes it, with its quotes, control characters escaped.

    >>> print(quoted('3" bolt'))
    "3\\" bolt"
    """
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


REPEATABILITY = (
    "",
    "# How far one refit of the same unit to the bench moves the numbers, one standard deviation:",
    "# [repeatability]",
    "# preload_torque = 0.015",
    "# ramp_bias = 0.01",
)


def draft_rig(
    inspection: Inspection,
    *,
    name: str = "",
    units: Mapping[str, str] | None = None,
    arms: Mapping[str, str] | None = None,
    arrangement: str = "",
) -> str:
    """A rig to correct, in TOML with comments.

    Parameters
    ----------
    inspection : Inspection
        What was found in one of the rig's files.
    name : str
        Of the bench; that of the file where it is left out.
    units, arms : mapping, optional
        Unit and lever arm of a channel, where somebody who knows has said them.
    arrangement : str
        How the unit sat in the bench, where somebody has said it.

    Returns
    -------
    The text. What the file does not tell is an empty text, which the program refuses until it is filled in.
    """
    pairs = list(zip(inspection.columns, inspection.guesses, strict=True))
    sure: dict[str, tuple[ColumnSummary, Guess]] = {}
    for summary, guess in pairs:
        # The first of several that might be it, so that the draft can be tried; the comment says so.
        if guess.channel is not None:
            sure.setdefault(guess.channel, (summary, guess))
    kind = ARRANGEMENTS.get(arrangement) or next((k for k in ARRANGEMENTS.values() if k.seen(sure)), None)
    by_hand = kind is not None and kind.turned is not None
    given = "" if kind is None else kind.name
    why = "nothing in the file tells it: see below" if kind is None else kind.why
    why = "as you said" if arrangement else why
    lines = [
        f"# A draft, made from {inspection.source.path.name}.",
        "# Read every line, and correct what is not true for your bench.",
        '# Lines with an empty text ("") must be filled in. `diffbench schema rig` lists every key.',
        'format = "diffbench-rig/1"',
        f"name = {quoted(name or inspection.source.path.stem)}  # of the bench",
        f"arrangement = {quoted(given)}  # {why}",
        f"# The others: {', '.join(name for name in ARRANGEMENTS if name != given)}.",
        *_file_lines(inspection),
    ]
    for channel in CHANNELS:
        if channel not in sure:
            continue
        summary, guess = sure[channel]
        described = _channel_lines(
            channel, summary, guess, (units or {}).get(channel, ""), (arms or {}).get(channel, "")
        )
        needed = kind is None or channel in kind.equilibrium(sure)
        # with the speed of one output alone, that of the input tells the other
        needed |= channel == "input_speed" and not (
            {"left_speed", "right_speed"} <= set(sure) or {"speed_difference", "case_speed"} & set(sure)
        )
        if not needed and any(line.startswith('ratio = ""') for line in described):
            # a check that somebody has to fill in first keeps nobody from the fit
            described = ["# A check, once its ratio is known:", *(f"# {line}" for line in described)]
        lines += ["", *described]
    lines += _missing_lines(kind, set(sure))
    left = [
        (summary, guess)
        for summary, guess in pairs
        if sure.get(guess.channel or "", (None,))[0] is not summary
    ]
    if left:
        lines += ["", "# Columns that are not used above:"]
        lines += [f"#   {_seen(summary)}: {_reasons(guess)}" for summary, guess in left]
    lines += [] if by_hand else REPEATABILITY
    return "\n".join(_plain(line) for line in lines) + "\n"


def _plain(line: str) -> str:
    """A line without what would end a comment or hide in it."""
    return "".join(letter if letter.isprintable() else " " for letter in line)


def _file_lines(inspection: Inspection) -> list[str]:
    """What was stated of the file, which the rig must go on stating."""
    stated = inspection.settings.model_dump(exclude_none=True)
    if not stated:
        return ["# [file] is not needed: how the file is written was found out."]
    lines = ["", "[file]  # as stated on the command line"]
    for key, value in stated.items():
        shown = (
            f'"{value:g} Hz"' if key == "sample_rate" else quoted(value) if isinstance(value, str) else value
        )
        lines.append(f"{key} = {str(shown).lower() if isinstance(value, bool) else shown}")
    return lines


def _channel_lines(
    channel: str, summary: ColumnSummary, guess: Guess, unit: str = "", arm: str = ""
) -> list[str]:
    doubt = "" if guess.sure else "CHECK: "
    others = f"; or is it {' or '.join(guess.others)}?" if guess.others else ""
    lines = [
        f"[channel.{channel}]  # {CHANNELS[channel].briefly}",
        f"column = {quoted(summary.name)}  # {doubt}{_reasons(guess)}{others}",
        f"# seen: {_seen(summary)}",
    ]
    dimension, known = CHANNELS[channel].dimension, CHANNELS[channel].words
    if dimension is None:
        lines.append(f"[channel.{channel}.values]  # what each text of the file means")
        lines += [
            f"{quoted(word)} = {quoted(_meant(channel, word, known))}  # one of {', '.join(known)}"
            for word in summary.words
        ]
        return lines
    lines += _unit_lines(dimension, summary, unit, arm)
    if dimension == "torque":
        if "at the pinion" in " ".join(guess.reasons):
            lines += ['at = "pinion"', _ratio_line(guess)]
            lines += ["# efficiency = { value = 0.965, u = 0.01 }"]
        elif channel in OUTPUTS:
            lines += ["# arm, at, ratio: for a force at an arm, or a gear behind the output"]
        lines += _TORQUE_LINES if channel != "turning_torque" else _TORQUE_LINES[1:3]
    elif dimension == "angular_speed":
        if channel == "input_speed" and (guess.ratio is not None or "pinion" in " ".join(guess.reasons)):
            lines += ['at = "pinion"', _ratio_line(guess)]
        lines.append(_TORQUE_LINES[0])
    elif dimension == "temperature":
        lines.append('# u_zero = "0.5 K"         # standard uncertainty of the reading')
    return lines


def _unit_lines(dimension: str, summary: ColumnSummary, unit: str, arm: str) -> list[str]:
    """What the unit of a column leaves to be said."""
    if unit or _has_unit(summary, dimension) or (dimension == "time" and summary.kind == "words"):
        return [f"unit = {quoted(unit)}  # as you said"] if unit else []
    if dimension == "torque" and _has_unit(summary, "force"):
        return [f"arm = {quoted(arm)}  # it is a force: how long is its lever arm? For example: 0.5 m"]
    if dimension == "torque" and _has_unit(summary, "mass"):
        shown = "lbf" if (summary.unit or "").lower().startswith(("lb", "pound")) else "kgf"
        return [
            f"unit = {quoted(shown)}  # the force that weighs as much; local gravity: in the gain",
            f"arm = {quoted(arm)}  # how long is its lever arm? For example: 0.5 m",
        ]
    if dimension == "angular_speed" and _has_unit(summary, "frequency"):
        return [
            'unit = "rev/s"  # once the gain makes turns of the pulses',
            'gain = ""  # one over the teeth of its wheel: 0.0166667 for 60',
        ]
    if dimension == "angular_speed" and _has_unit(summary, "speed"):
        return ['rolling_radius = ""  # a road speed: what is the radius of the wheel? For example: 305 mm']
    some = ", ".join(spellings(dimension)[:4])
    said = "the file does not say it" if summary.unit is None else f"'{summary.unit}' is not known"
    return [f'unit = ""  # {said}. For example: {some}']


def _ratio_line(guess: Guess) -> str:
    said = "turns of the pinion per turn of the case; for example 3.73"
    return f"ratio = {guess.ratio:g}  # CHECK: {said}" if guess.ratio is not None else f'ratio = ""  # {said}'


def _meant(channel: str, word: str, known: Sequence[str]) -> str:
    """What a word of the file means, where a language that is known here says it."""
    if word in known:
        return word
    if channel == "arrangement":
        return {"held": TURNED[1], "free": TURNED[0]}.get(case_is(word), "")
    return meaning(word, DIRECTIONS if channel == "direction" else READINGS)


def _has_unit(summary: ColumnSummary, dimension: str) -> bool:
    return summary.unit is not None and knows(summary.unit, dimension)


def _missing_lines(arrangement: Arrangement | None, channels: set[str]) -> list[str]:
    """Blocks for what the arrangement needs and the file does not show."""
    needs = ("left_torque", "right_torque", "input_torque") if arrangement is None else arrangement.needs
    driven = arrangement is None or arrangement.turned is None
    wanted = [name for name in needs if name not in channels]
    if "speed_difference" not in channels and driven:
        wanted += [name for name in ("left_speed", "right_speed") if name not in channels]
    if "time" not in channels and driven:
        wanted.append("time")
    if "oil_temperature" not in channels:
        wanted.append("oil_temperature")
    lines: list[str] = []
    for name in wanted:
        lines += ["", f"# No column is named like {name}: {CHANNELS[name].briefly}."]
        lines += [f"# [channel.{name}]", '# column = ""']
        if name == "time":
            lines += ["# Or, for a file without a clock:", "# [file]", '# sample_rate = "100 Hz"']
    return lines


def _seen(summary: ColumnSummary) -> str:
    if summary.kind == "words":
        return f"{summary.name}: " + ", ".join(summary.words[:6])
    if summary.low is None:
        return f"{summary.name}: no number"
    return f"{summary.name}: {summary.low:g} to {summary.high:g}"


def _reasons(guess: Guess) -> str:
    return "; ".join(guess.reasons)


_BUILD = """\
# A draft of a build sheet: what was assembled. Lines with an empty text ("") must be filled in; the others
# say more if you take away their mark. Not stated means not known: nothing is ever filled in for you.
# A number with a unit is a text: "38 mm". With its standard uncertainty: { value = "42 deg", u = "0.3 deg" }.
format = "diffbench-build/1"
unit = {unit}  # serial of the differential
build = {build}  # name of this build, for example its serial and the day
# distance = "0 km"           # run since this build
# gear_friction = { value = 0.02, u = 0.008 }  # mesh friction of the bevel gears, share of the input torque
# note = ""                   # anything

[packs]
faces = {faces}  # a bare number: friction faces in ONE pack, as in faces = 4; both packs are alike
inner_radius = {inner_radius}  # of a friction face, half its inner diameter, for example "38 mm"
outer_radius = {outer_radius}  # half its outer diameter, for example "54.5 mm"
# contact = "uniform-wear"    # or "uniform-pressure": how plates bear
# plate_mass = "1.95 kg"      # steel plates of both packs, for their heat
# specific_heat = "475 J/(kg.K)"

[ramps]
# pin_radius = "39 mm"        # where the cross pin bears on the ramps
# drive_angle = { value = "42 deg", u = "0.3 deg" }  # of the drive flank, by the drawing
# coast_angle = { value = "57 deg", u = "0.3 deg" }
# angle_from = "plane"        # of rotation: 90 deg gives no thrust; or "axis"
# rings_in_stock = [["30 deg", "57 deg"]]  # drive and coast of other pairs that the workshop has

[preload]
# law = "undecided"           # "additive", "greater-of", or let the bench decide
# spring_force = { value = "1950 N", u = "60 N" }    # axial, at the installed height
# joint_fraction = 0.05       # greater-of only
# shim = "0.2 mm"
# shims_in_stock = ["0.1 mm", "0.25 mm"]  # those that the workshop has, to choose from

# [preload.disc_spring]       # dimensions by EN 16983
# outer_diameter = "95 mm"
# inner_diameter = "76 mm"
# thickness = "1.5 mm"
# cone_height = "1.6 mm"      # free height less thickness
# parallel = 1
# series = 2

# [oil]
# name = ""
# viscosity_40 = "110 mm^2/s" # both or neither
# viscosity_100 = "15 mm^2/s"

# [reference]                 # where one number is quoted
# temperature = "60 degC"
# speed_difference = "4 rad/s"

# [limits]                    # what you hold the build to
# preload_torque = ["70 N.m", "90 N.m"]
# ramp_bias_drive = [0.45, 0.55]
# ramp_bias_coast = [0.25, 0.35]
# locking_torque_sense = "difference"  # whole left-right difference; or "one-pack"
# face_wear = "60 um"

# [map]                       # how far the map shall reach beyond what was tested
# input_torque = ["-400 N.m", "900 N.m"]
# speed_difference = ["0 rpm", "150 rpm"]
# temperature = ["20 degC", "110 degC"]
"""

_KINDS = (
    (
        "tare",
        r"tare|zero|null|leer|empty",
        "unit out or open, shafts turning: what flanges read of themselves",
    ),
    ("speed-sweep", r"speed|slip|drehzahl|omega", "input torque held, speed difference swept"),
    ("turning-torque", r"hand|wrench|turn|reading|preload", "one output turned by hand, one reading a line"),
    ("bias-sweep", r"bias|lock|torque|sweep", "outputs slip steadily, input torque up and down"),
)


KINDS = tuple(kind for kind, *_ in _KINDS)
"""Kinds of run, in the order of the drafts."""


def draft_build(
    *,
    unit: str = "",
    build: str = "",
    faces: int | None = None,
    inner_radius: str = "",
    outer_radius: str = "",
) -> str:
    """A build sheet to fill in, in TOML with comments.

    Parameters
    ----------
    unit, build : str
        Serial of the differential, name of the build.
    faces : int, optional
        Friction faces in one pack.
    inner_radius, outer_radius : str
        Of a friction face, with their unit.

    Returns
    -------
    The text. What must be there is an empty text, which the program refuses until it is filled in.

    Examples
    --------
    >>> import tomllib
    >>> tomllib.loads(draft_build())["packs"]["faces"]
    ''
    """
    said = {
        "unit": quoted(unit),
        "build": quoted(build),
        "faces": '""' if faces is None else str(faces),
        "inner_radius": quoted(inner_radius),
        "outer_radius": quoted(outer_radius),
    }
    return re.sub(r"(?m)^(\w+) = \{\1\}", lambda key: f"{key[1]} = {said[key[1]]}".ljust(27), _BUILD)


def draft_run(
    *,
    rig: str = "",
    build: str = "",
    recordings: Sequence[str] = (),
    kinds: Mapping[str, str] | None = None,
) -> str:
    """A run sheet to fill in, in TOML with comments.

    Parameters
    ----------
    rig, build : str
        Paths of the papers, relative to the run sheet.
    recordings : sequence of str
        Paths of the recordings; each gets a block.
    kinds : mapping, optional
        Kind of a run by its recording's path, as `run_kind` found it; else it is proposed from the file's
        name only.

    Returns
    -------
    The text. What must be there and is not known is an empty text.

    Examples
    --------
    >>> import tomllib
    >>> [run["kind"] for run in tomllib.loads(draft_run(recordings=["zero-1.csv", "a.csv"]))["run"]]
    ['tare', '']
    """
    lines = [
        '# A draft of a run sheet: one visit to the bench. Lines with an empty text ("") must be filled in.',
        "# Paths are relative to this file.",
        'format = "diffbench-run/1"',
        f"rig = {quoted(rig)}  # path of the rig: the bench" + _such_as(rig, "my-cell.toml"),
        f"build = {quoted(build)}  # path of the build sheet: what was assembled"
        + _such_as(build, "q17.toml"),
        f"date = {dt.date.today().isoformat()}  # CHECK: of the visit; this is the day of the draft",  # noqa: DTZ011
        '# operator = ""',
        '# note = ""',
        "",
        "# One [[run]] for each recording. Kinds:",
        *(f"#   {kind}: {what}" for kind, _, what in _KINDS),
    ]
    for path in recordings or ("",):
        seen = (kinds or {}).get(path, "")
        kind = seen or _kind(path)
        by = "by what is in the file" if seen else "by the file's name only"
        why = f"CHECK: {by}" if kind else "one of the kinds above, for example bias-sweep"
        lines += ["", "[[run]]", f"file = {quoted(path)}" + ("" if path else "  # path of the recording")]
        lines += [f"kind = {quoted(kind)}  # {why}"]
        lines += ['# rig = ""  # where this run was not taken on the visit\'s own rig', '# note = ""']
    return "\n".join(lines) + "\n"


def _such_as(given: str, example: str) -> str:
    return "" if given else f', for example "{example}"'


def _kind(path: str) -> str:
    name = re.split(r"[\\/]", path)[-1].rpartition(".")[0].casefold()
    return next((kind for kind, words, _ in _KINDS if re.search(words, name)), "")
