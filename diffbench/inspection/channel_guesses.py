"""Which channel a column might be, and why: by its unit, by the words of its name, last by its values.

Only what a name says decides sides and places; numbers only tell that a column repeats what others say. So a
guess is for a draft that somebody reads.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from diffbench.documents.arrangements import TURNED
from diffbench.inspection import vocabulary as v
from diffbench.quantities import DIMENSIONS, conversion, knows
from diffbench.readers.columns import folded, split_joined_unit, split_unit
from diffbench.readers.protocol import RawColumn
from diffbench.readers.text.cells import is_time

_KINDS = ("torque", "angular_speed", "temperature", "time")
_NAMES = {"torque": "torque", "angular_speed": "speed", "temperature": "temperature", "time": "time"}


_LETTERS = {"m": "torque", "n": "angular_speed", "t": "time", "w": "angular_speed"}
# What a name must say, the channel that it then is, and what that is called; the first that fits.
_PLACES = {
    "temperature": ((v.PLATE, "plate_temperature", "plate"), (v.OIL, "oil_temperature", "oil")),
    "torque": (
        (v.WRENCH, "turning_torque", "wrench"),
        (v.LEFT, "left_torque", "left"),
        (v.RIGHT, "right_torque", "right"),
        (v.INPUT, "input_torque", "input"),
    ),
    "angular_speed": (
        (v.DIFFERENCE, "speed_difference", "difference"),
        (v.LEFT, "left_speed", "left"),
        (v.RIGHT, "right_speed", "right"),
        (v.PINION, "input_speed", "pinion"),
        (v.INPUT, "case_speed", "input"),
    ),
}
_LABELS = {
    "direction": v.all_of(v.DIRECTIONS),
    "reading": v.all_of(v.READINGS),
    "arrangement": v.HOLDING | frozenset(TURNED),
}


@dataclass(frozen=True)
class Guess:
    """What a column might be: the ``channel`` (None where nothing in the program is like it) and ``others``;
    the ``dimension`` that its numbers seem to have; the ``reasons``, each a few words. Where name and unit
    leave a doubt it is not ``sure``, and for somebody to decide. ``ratio``: turns of the pinion per turn of
    the case, as speeds tell it."""

    channel: str | None
    dimension: str | None
    sure: bool
    reasons: tuple[str, ...]
    others: tuple[str, ...] = ()
    ratio: float | None = None


def unit_of(column: RawColumn) -> str | None:
    """The unit that a file states for a column, wherever it does, as it stands there; None without.

    >>> unit_of(RawColumn("Torque LH, lbf.ft", None, np.zeros(2)))
    'lbf.ft'
    """
    if column.unit is not None:
        return column.unit
    bracketed = split_unit(column.name)[1]
    if bracketed is not None:
        return bracketed
    joined = (split_joined_unit(column.name, dimension)[1] for dimension in _KINDS)
    return next((unit for unit in joined if unit is not None), None)


def words_of(name: str) -> tuple[str, ...]:
    """The words of a column's name in small letters, its unit left out.

    >>> words_of("TorqueLH_filtered [Nm]"), words_of("R/H speed (rpm)")
    (('torque', 'lh', 'filtered'), ('rh', 'speed'))
    """
    bare, bracketed = split_unit(name)
    if bracketed is None:
        for dimension in _KINDS:
            bare = split_joined_unit(bare, dimension)[0]
    elif not any(knows(bracketed, dimension) for dimension in DIMENSIONS):
        bare = f"{bare} {bracketed}"  # words in brackets: "Torque (left)"
    bare = re.sub(r"\b([LlRr])[/.]([HhSs])\b", r"\1\2", bare)
    bare = re.sub(r"(?<=[a-zäöüéèàß])(?=[A-ZÄÖÜÉÈÀ])", " ", bare)
    found = re.findall(r"[^\W\d_]+", folded(bare))
    return tuple(part for word in found for part in v.parted(v.bare(word)))


def guesses(columns: Sequence[RawColumn]) -> tuple[Guess, ...]:
    """A guess for each column of a file, in their order; a channel is sure for one column only.

    >>> found = guesses([RawColumn("M_links [Nm]", None, np.array([1.0, -2.0]))])
    >>> found[0].channel, found[0].sure, found[0].reasons
    ('left_torque', True, ('its unit Nm is one of torque', "'links' in its name says left"))
    """
    found = [_guess(column) for column in columns]
    if any(guess.channel in ("reading", "direction") and guess.sure for guess in found):
        found = [_of_a_wrench(guess) for guess in found]
    if any(guess.channel == "time" and guess.sure for guess in found):
        found = [_beside_a_clock(guess) for guess in found]
    found = _before_gears(told_by_numbers(columns, paired(columns, found)))
    for channel in {guess.channel for guess in found if guess.channel is not None}:
        rivals = [i for i, guess in enumerate(found) if guess.channel == channel]
        if len(rivals) > 1:
            for i in rivals:
                names = ", ".join(f"'{columns[j].name}'" for j in rivals if j != i)
                reasons = (*found[i].reasons, f"but so might {names} be")
                found[i] = replace(found[i], sure=False, reasons=reasons)
    return tuple(found)


_SIDES = ({"g", "s", "i", "l", "1", "a"}, {"d", "r", "2", "b"})


def paired(columns: Sequence[RawColumn], found: Sequence[Guess]) -> list[Guess]:
    """The guesses, with two columns of one kind whose names differ in one mark alone (1 and 2, A and B, G and
    D) taken for left and right. That is not sure, but which side is called left changes no number, as long as
    torques and speeds are named alike.

    >>> columns = [RawColumn(f"Torque {n} [Nm]", None, np.zeros(2)) for n in (1, 2)]
    >>> [guess.channel for guess in guesses(columns)]
    ['left_torque', 'right_torque']
    """
    made = list(found)
    for dimension, name in (("torque", "torque"), ("angular_speed", "speed")):
        if any(guess.channel in (f"left_{name}", f"right_{name}") for guess in found):
            continue
        loose = [i for i, g in enumerate(found) if g.channel is None and g.dimension == dimension]
        marked = {i: re.findall(r"[a-z]+|\d+", v.bare(split_unit(columns[i].name)[0])) for i in loose}
        for i in loose:
            for j in loose:
                apart = [(a, b) for a, b in zip(marked[i], marked[j], strict=False) if a != b]
                alike = len(marked[i]) == len(marked[j]) and len(apart) == 1
                if alike and apart[0][0] in _SIDES[0] and apart[0][1] in _SIDES[1]:
                    for k, side, mark in ((i, "left", apart[0][0]), (j, "right", apart[0][1])):
                        why = (*found[k].reasons[:-1], f"'{mark}' in its name is taken for {side}")
                        made[k] = replace(found[k], channel=f"{side}_{name}", reasons=why, others=())
    return made


def _in_si(column: RawColumn, dimension: str) -> np.ndarray | None:
    if column.is_text:
        return None
    values = column.values.astype(np.float64)
    unit = unit_of(column)
    if unit is None or not knows(unit, dimension):
        return values
    return values * conversion(unit, dimension).scale


_ALIKE = 0.02  # share of its own spread that a check may miss what it checks by


def _times(values: np.ndarray, of: np.ndarray) -> float | None:
    """How many times one column is another, where it is so throughout; None else."""
    good = np.isfinite(values) & np.isfinite(of)
    if np.count_nonzero(good) < 20:
        return None
    y, x = values[good] - values[good].mean(), of[good] - of[good].mean()
    if float(x @ x) == 0.0:
        return None
    slope = float(x @ y / (x @ x))
    missed = y - slope * x
    return slope if float(missed @ missed) < _ALIKE * float(y @ y) else None


def told_by_numbers(columns: Sequence[RawColumn], found: Sequence[Guess]) -> list[Guess]:
    """The guesses, with columns that only repeat what others say taken for the checks that they are: a torque
    that is the sum of both outputs', a speed that is their mean, or a multiple of it before a final drive.

    >>> left, right = np.linspace(0.0, 100.0, 50), np.linspace(5.0, 8.0, 50) ** 2
    >>> columns = [RawColumn(n, "Nm", x) for n, x in (("M L", left), ("M R", right), ("Md 7", left + right))]
    >>> guesses(columns)[2].channel
    'input_torque'
    """
    made = list(found)
    for dimension, name in (("torque", "torque"), ("angular_speed", "speed")):
        sides = {g.channel: i for i, g in enumerate(found) if g.channel in (f"left_{name}", f"right_{name}")}
        read = {channel: _in_si(columns[i], dimension) for channel, i in sides.items()}
        left, right = read.get(f"left_{name}"), read.get(f"right_{name}")
        if left is None or right is None:
            continue
        for i, guess in enumerate(found):
            values = (
                None if guess.dimension != dimension or i in sides.values() else _in_si(columns[i], dimension)
            )
            if values is not None:
                check = _check(guess, values, left, right, dimension)
                made[i] = guess if check is None else check
    return made


def _check(
    guess: Guess, values: np.ndarray, left: np.ndarray, right: np.ndarray, dimension: str
) -> Guess | None:
    if guess.channel not in (None, "input_torque", "case_speed", "input_speed"):
        return None
    if dimension == "torque":
        times = _times(values, left + right)
        if times is None or guess.channel is not None or times <= 0.0:
            return None
        at = "at the pinion, or in another unit" if abs(times - 1.0) > 0.1 else "at the case"
        said = f"its numbers are {times:.3g} times the sum of both outputs: a check, {at}"
        return replace(
            guess, channel="input_torque", sure=False, others=(), reasons=(*guess.reasons[:1], said)
        )
    mean = 0.5 * (left + right)
    steady = float(np.nanmedian(np.abs(mean)))
    times = (
        float(np.nanmedian(values / np.where(np.abs(mean) > 0.2 * steady, mean, np.nan))) if steady else 0.0
    )
    if times > 0.5 and float(np.nanmedian(np.abs(values - times * mean))) < _ALIKE * times * steady:
        said = f"its numbers are {times:.4g} times the mean of both outputs: a check"
        at_case = abs(times - 1.0) < _ALIKE
        before_gears = guess.channel == "case_speed" and not at_case
        channel = None if before_gears else guess.channel
        channel = channel or ("case_speed" if at_case else "input_speed")
        ratio = None if at_case else float(f"{times:.4g}")
        return replace(
            guess, channel=channel, sure=guess.sure and guess.channel == channel, others=(), ratio=ratio,
            reasons=(*guess.reasons[:1], said),
        )  # fmt: skip
    apart = _times(values, left - right)
    if guess.channel is None and apart is not None and abs(apart - 1.0) < _ALIKE:
        said = "its numbers are left less right: a check"
        return replace(
            guess, channel="speed_difference", sure=False, others=(), reasons=(*guess.reasons[:1], said)
        )
    return None


def _before_gears(found: Sequence[Guess]) -> list[Guess]:
    """The guesses, with an input torque told by its name alone taken to where the input's speed is read, if
    that turns faster than the case: a chain or a final drive stands between. Both outputs' torques tell by
    their sum."""
    ratio = next((g.ratio for g in found if g.channel == "input_speed" and g.ratio is not None), None)
    if ratio is None or {"left_torque", "right_torque"} <= {g.channel for g in found}:
        return list(found)
    said = f"the input's speed is {ratio:g} times the case's: at the pinion, if it is read there as well"
    return [
        replace(g, sure=False, ratio=ratio, reasons=(*g.reasons, said)) if g.channel == "input_torque" else g
        for g in found
    ]


def _of_a_wrench(guess: Guess) -> Guess:
    """A guess where the lines of a file are hand readings."""
    if guess.channel is not None or guess.dimension != "torque":
        return guess
    reasons = (*guess.reasons[:-1], "the lines are hand readings, by their words")
    return Guess("turning_torque", "torque", True, reasons)


def _beside_a_clock(guess: Guess) -> Guess:
    """A guess where another column is a clock by name or unit: one that only rises counts the lines."""
    if guess.channel != "time" or guess.sure:
        return guess
    return Guess(None, None, False, (guess.reasons[0], "but another column is the clock"))


def _guess(column: RawColumn) -> Guess:
    words = words_of(column.name)
    if column.is_text:
        return _guess_words(column, words)
    dimension, sure, reasons = _dimension(column, words)
    guess = Guess(None, dimension, sure and dimension in _KINDS, reasons)
    if dimension == "time":
        return replace(guess, channel="time")
    if dimension == "mass" and set(words) & v.CELL:
        guess = replace(guess, dimension="torque", sure=False)
        said = 'a load cell that shows what weighs as much, perhaps: a force at an arm, unit = "kgf" or "lbf"'
        reasons = (*reasons, said)
        dimension = "torque"
    if dimension == "frequency":
        guess = replace(guess, dimension="angular_speed", sure=False)
        said = 'pulses of a toothed wheel, perhaps: unit = "rev/s", and gain = one over its teeth'
        reasons = (*reasons, said)
        dimension = "angular_speed"
    if dimension == "force":
        # load cells at the arms of brakes; whoever reads the draft says how long they are
        guess = replace(guess, dimension="torque", sure=False)
        reasons = (*reasons, "a force at an arm, perhaps")
        dimension = "torque"
    if dimension == "speed":
        guess = replace(guess, dimension="angular_speed", sure=False)
        reasons = (*reasons[:1], "that of a wheel on a roller, perhaps")
        dimension = "angular_speed"
    for known, channel, place in _PLACES.get(dimension or "", ()):
        word = next((word for word in words if word in known), None)
        # "right of left" says neither.
        if word is None or (place in ("left", "right") and v.LEFT & set(words) and v.RIGHT & set(words)):
            continue
        said = f"its name says {place}" if word == place else f"'{word}' in its name says {place}"
        if channel == "input_torque" and word in v.PINION:
            said += ', at the pinion: at = "pinion" with its ratio'
        return replace(guess, channel=channel, reasons=(*reasons, said))
    return _without_place(guess)


def _without_place(guess: Guess) -> Guess:
    """A guess of a column whose name does not say where it was measured."""
    if guess.dimension == "temperature":
        reasons = (*guess.reasons, "nothing says of what")
        return Guess("oil_temperature", guess.dimension, False, reasons, ("plate_temperature",))
    others = {
        "torque": ("left_torque", "right_torque", "input_torque"),
        "angular_speed": ("left_speed", "right_speed", "case_speed", "input_speed"),
    }.get(guess.dimension or "", ())
    reasons = (*guess.reasons, "nothing in its name says where") if others else guess.reasons
    return Guess(None, guess.dimension, False, reasons, others)


def _dimension(column: RawColumn, words: Sequence[str]) -> tuple[str | None, bool, tuple[str, ...]]:
    """What a column's numbers are, whether that is sure, and why."""
    unit = unit_of(column)
    by_name = next((d for d in _KINDS if any(word in v.DIMENSIONS[d] for word in words)), None)
    of_unit = [] if unit is None else [d for d in (*_KINDS, *DIMENSIONS) if knows(unit, d)]
    if by_name is None and words and words[0] in _LETTERS:
        by_letter = _LETTERS[words[0]]  # T is a time, a temperature, a torque: it says nothing against a unit
        by_name = by_letter if not of_unit or by_letter in of_unit else None
    if unit is not None:
        if by_name in of_unit:
            of_unit = [by_name]
        if of_unit:
            dimension = of_unit[0]
            named = _NAMES.get(dimension, dimension.replace("_", " "))
            reasons = (f"its unit {unit} is one of {named}",)
            if by_name is not None and by_name != dimension:
                return dimension, False, (*reasons, f"but its name speaks of {_NAMES[by_name]}")
            return dimension, True, reasons
    if by_name is not None:
        missing = "the file says no unit" if unit is None else f"its unit '{unit}' is not known"
        return by_name, by_name == "time", (f"its name speaks of {_NAMES[by_name]}", missing)
    if unit is not None:
        return None, False, (f"its unit {unit} is none of a channel here",)
    values = column.values.astype(np.float64)
    if len(values) > 2 and bool(np.isfinite(values).all()) and bool((np.diff(values) > 0.0).all()):
        return "time", False, ("it rises from line to line, as a clock does", "neither name nor unit says so")
    return None, False, ("neither name nor unit says what it is",)


def _guess_words(column: RawColumn, words: Sequence[str]) -> Guess:
    texts = [str(value).strip() for value in column.values[:1000]]
    if any(is_time(text) for text in texts[:5]):
        return Guess("time", "time", True, ("it holds clock times or dates",))
    said = {v.bare(word) for text in texts for word in re.findall(r"[\w-]+", text)}
    for channel, known in _LABELS.items():
        hits = sorted(said & known)
        if hits or channel in words:
            why = f"it holds the words {', '.join(hits)}" if hits else f"its name says {channel}"
            return Guess(channel, None, bool(hits), (why,))
    return Guess(None, None, False, ("it holds words that no channel has",))
