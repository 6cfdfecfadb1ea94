"""A draft of a rig from one of its files: everything that was found out, everything that must be decided."""

from __future__ import annotations

import json

from diffbench.documents.arrangements import ARRANGEMENTS, Arrangement
from diffbench.documents.channels import CHANNEL_DIMENSIONS, CHANNEL_NAMES, LABEL_WORDS
from diffbench.errors import QuantityError
from diffbench.inspection.facts import ColumnFacts
from diffbench.inspection.guesses import Guess
from diffbench.inspection.inspect import Inspection
from diffbench.quantities import conversion, spellings

_ABOUT = {
    "time": "clock of the samples",
    "input_torque": "torque at the case, or at the pinion; positive in drive, negative in coast",
    "left_torque": "torque that the unit delivers to the left output; positive in drive",
    "right_torque": "torque that the unit delivers to the right output; positive in drive",
    "left_speed": "speed of the left output; positive forward",
    "right_speed": "speed of the right output; positive forward",
    "case_speed": "speed of the case",
    "input_speed": "speed at the pinion, or at the case",
    "speed_difference": "left less right",
    "oil_temperature": "oil that the plates run in",
    "plate_temperature": "plates, where somebody measures there",
    "turning_torque": "reading of the wrench, without sign",
    "arrangement": "how the unit was held, line by line",
    "direction": "which way it was turned",
    "reading": "breakaway or running",
}
_TORQUE_LINES = (
    "# sign = -1               # where the column counts the other way",
    "# u_gain = 0.0015         # standard uncertainty of the gain, by the calibration; else exact",
    '# u_zero = "0.8 N.m"      # how well the zero holds after warming up; else exact',
    '# lag = "10 ms"           # of the amplifier\'s filter, first order',
    '# inertia = "0.05 kg.m^2" # of what turns between transducer and unit',
)


def quoted(text: str) -> str:
    """Return a text as TOML writes it.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    With its quotes, control characters escaped.

    Examples
    --------
    >>> print(quoted('3" bolt'))
    "3\\" bolt"
    """
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def draft_rig(inspection: Inspection, *, name: str = "") -> str:
    """Return a rig to correct, in TOML with comments.

    Parameters
    ----------
    inspection : Inspection
        What was found in one of the rig's files.
    name : str
        Of the bench.

    Returns
    -------
    The text. What the file does not tell is an empty text, which the program refuses until it is filled in.
    """
    pairs = list(zip(inspection.columns, inspection.guesses, strict=True))
    sure: dict[str, tuple[ColumnFacts, Guess]] = {}
    for facts, guess in pairs:
        # The first of several that might be it, so that the draft can be tried; the comment says so.
        if guess.channel is not None:
            sure.setdefault(guess.channel, (facts, guess))
    arrangement = next((kind for kind in ARRANGEMENTS.values() if kind.seen(sure)), None)
    by_hand = arrangement is not None and arrangement.turned is not None
    given = "" if arrangement is None else arrangement.name
    why = "nothing in the file tells it: see below" if arrangement is None else arrangement.why
    lines = [
        f"# A draft, made from {inspection.source.path.name}.",
        "# Read every line, and correct what is not true for your bench.",
        '# Lines with an empty text ("") must be filled in. `diffbench schema rig` lists every key.',
        'format = "diffbench-rig/1"',
        f"name = {quoted(name)}  # of the bench",
        f"arrangement = {quoted(given)}  # {why}",
        f"# The others: {', '.join(ARRANGEMENTS)}.",
        *_file_lines(inspection),
    ]
    for channel in CHANNEL_NAMES:
        if channel not in sure:
            continue
        facts, guess = sure[channel]
        lines += ["", *_channel_lines(channel, facts, guess)]
    lines += _missing_lines(arrangement, set(sure))
    left = [
        (facts, guess) for facts, guess in pairs if sure.get(guess.channel or "", (None,))[0] is not facts
    ]
    if left:
        lines += ["", "# Columns that are not used above:"]
        lines += [f"#   {_seen(facts)}: {_reasons(guess)}" for facts, guess in left]
    if not by_hand:
        lines += [
            "",
            "# How far one refit of the same unit to the bench moves the numbers, one standard deviation:",
            "# [repeatability]",
            "# preload_torque = 0.015",
            "# ramp_bias = 0.01",
        ]
    return "\n".join(_plain(line) for line in lines) + "\n"


def _plain(line: str) -> str:
    """Return a line without what would end a comment or hide in it."""
    return "".join(letter if letter.isprintable() else " " for letter in line)


def _file_lines(inspection: Inspection) -> list[str]:
    """Return what was stated of the file, which the rig must go on stating."""
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


def _channel_lines(channel: str, facts: ColumnFacts, guess: Guess) -> list[str]:
    doubt = "" if guess.sure else "CHECK: "
    others = f"; or is it {' or '.join(guess.others)}?" if guess.others else ""
    lines = [
        f"[channel.{channel}]  # {_ABOUT[channel]}",
        f"column = {quoted(facts.name)}  # {doubt}{_reasons(guess)}{others}",
        f"# seen: {_seen(facts)}",
    ]
    dimension = CHANNEL_DIMENSIONS.get(channel)
    if dimension is None:
        lines.append(f"[channel.{channel}.values]  # what each text of the file means")
        known = ", ".join(LABEL_WORDS[channel])
        lines += [
            f"{quoted(word)} = {quoted(word if word in LABEL_WORDS[channel] else '')}  # {known}"
            for word in facts.words
        ]
        return lines
    if not _has_unit(facts, dimension) and not (dimension == "time" and facts.kind == "words"):
        some = ", ".join(spellings(dimension)[:4])
        said = "the file does not say it" if facts.unit is None else f"'{facts.unit}' is not known"
        lines.append(f'unit = ""  # {said}. For example: {some}')
    if dimension == "torque":
        if "pinion" in " ".join(guess.reasons):
            lines += ['at = "pinion"', 'ratio = ""  # turns of the pinion per turn of the case']
            lines += ["# efficiency = { value = 0.965, u = 0.01 }"]
        lines += _TORQUE_LINES if channel != "turning_torque" else _TORQUE_LINES[1:3]
    elif dimension == "angular_speed":
        lines.append(_TORQUE_LINES[0])
    elif dimension == "temperature":
        lines.append('# u_zero = "0.5 K"         # standard uncertainty of the reading')
    return lines


def _has_unit(facts: ColumnFacts, dimension: str) -> bool:
    try:
        return facts.unit is not None and bool(conversion(facts.unit, dimension).unit)
    except QuantityError:
        return False


def _missing_lines(arrangement: Arrangement | None, channels: set[str]) -> list[str]:
    """Return blocks for what the arrangement needs and the file does not show."""
    needs = ("left_torque", "right_torque", "input_torque") if arrangement is None else arrangement.needs
    driven = arrangement is None or arrangement.turned is None
    wanted = [name for name in needs if name not in channels]
    speeds = {"left_speed", "right_speed"} <= channels or "speed_difference" in channels
    if not speeds and driven:
        wanted += [name for name in ("left_speed", "right_speed") if name not in channels]
    if "time" not in channels and driven:
        wanted.append("time")
    if "oil_temperature" not in channels:
        wanted.append("oil_temperature")
    lines: list[str] = []
    for name in wanted:
        lines += ["", f"# No column is named like {name}: {_ABOUT[name]}."]
        lines += [f"# [channel.{name}]", '# column = ""']
        if name == "time":
            lines += ["# Or, for a file without a clock:", "# [file]", '# sample_rate = "100 Hz"']
    return lines


def _seen(facts: ColumnFacts) -> str:
    if facts.kind == "words":
        return f"{facts.name}: " + ", ".join(facts.words[:6])
    if facts.low is None:
        return f"{facts.name}: no number"
    return f"{facts.name}: {facts.low:g} to {facts.high:g}"


def _reasons(guess: Guess) -> str:
    return "; ".join(guess.reasons)
