"""Which channel a column might be, and why: by its unit, by the words of its name, last by its values.

Only what a name says decides sides and places; numbers never do. So a guess is for a draft that somebody
reads.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from diffbench.documents.arrangements import TURNED
from diffbench.errors import QuantityError
from diffbench.quantities import DIMENSIONS, conversion
from diffbench.readers.columns import folded, split_joined_unit, split_unit
from diffbench.readers.protocol import RawColumn

_KINDS = ("torque", "angular_speed", "temperature", "time")
_NAMES = {"torque": "torque", "angular_speed": "speed", "temperature": "temperature", "time": "time"}


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


# Words of column names, in the languages that loggers speak.
_DIMENSION_WORDS = {
    "torque": _words("torque torques trq tq moment drehmoment couple coppia par md mom wrench"),
    "angular_speed": _words("speed speeds spd rpm drehzahl omega vitesse revs rev rotation velocity regime"),
    "temperature": _words("temp temperature temperatur sump oil oel öl huile olio theta"),
    "time": _words("time zeit temps tiempo clock timestamp elapsed"),
}
_LETTERS = {"m": "torque", "n": "angular_speed", "t": "time", "w": "angular_speed"}
_LEFT = _words("left lh l lhs links li gauche sinistra")
_RIGHT = _words("right rh r rhs rechts re droite droit destra")
_PINION = _words("pinion prop propshaft ritzel pignon cardan")
_INPUT = _PINION | _words("input case carrier in ein eingang korb cage drive antrieb entrée")
_DIFFERENCE = _words("difference diff delta slip schlupf")
_WRENCH = _words("wrench turning breakaway schlüssel")
_PLATE = _words("plate plates disc discs clutch lamelle lamellen pack friction")
_OIL = _words("oil sump öl oel huile olio")
# What a name must say, the channel that it then is, and what that is called; the first that fits.
_PLACES = {
    "temperature": ((_PLATE, "plate_temperature", "plate"), (_OIL, "oil_temperature", "oil")),
    "torque": (
        (_WRENCH, "turning_torque", "wrench"),
        (_LEFT, "left_torque", "left"),
        (_RIGHT, "right_torque", "right"),
        (_INPUT, "input_torque", "input"),
    ),
    "angular_speed": (
        (_DIFFERENCE, "speed_difference", "difference"),
        (_LEFT, "left_speed", "left"),
        (_RIGHT, "right_speed", "right"),
        (_PINION, "input_speed", "pinion"),
        (_INPUT, "case_speed", "input"),
    ),
}
_LABELS = {
    "direction": _words("forward forwards backward backwards reverse"),
    "reading": _words("breakaway running static sliding"),
    "arrangement": frozenset({"held", "vice", "free", *TURNED}),
}


@dataclass(frozen=True)
class Guess:
    """What a column might be: the ``channel`` (None where nothing in the program is like it) and ``others``;
    the ``dimension`` that its numbers seem to have; the ``reasons``, each a few words. Where name and unit
    leave a doubt it is not ``sure``, and for somebody to decide."""

    channel: str | None
    dimension: str | None
    sure: bool
    reasons: tuple[str, ...]
    others: tuple[str, ...] = ()


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
    elif not any(_is(bracketed, dimension) for dimension in DIMENSIONS):
        bare = f"{bare} {bracketed}"  # words in brackets: "Torque (left)"
    bare = re.sub(r"\b([LlRr])[/.]([HhSs])\b", r"\1\2", bare)
    bare = re.sub(r"(?<=[a-zäöü])(?=[A-ZÄÖÜ])", " ", bare)
    return tuple(re.findall(r"[^\W\d_]+", folded(bare)))


def guesses(columns: Sequence[RawColumn]) -> tuple[Guess, ...]:
    """A guess for each column of a file, in their order; a channel is sure for one column only.

    >>> found = guesses([RawColumn("M_links [Nm]", None, np.array([1.0, -2.0]))])
    >>> found[0].channel, found[0].sure, found[0].reasons
    ('left_torque', True, ('its unit Nm is one of torque', "'links' in its name says left"))
    """
    found = [_guess(column) for column in columns]
    if any(guess.channel in ("reading", "direction") and guess.sure for guess in found):
        found = [_of_a_wrench(guess) for guess in found]
    for channel in {guess.channel for guess in found if guess.channel is not None}:
        rivals = [i for i, guess in enumerate(found) if guess.channel == channel]
        if len(rivals) > 1:
            for i in rivals:
                names = ", ".join(f"'{columns[j].name}'" for j in rivals if j != i)
                reasons = (*found[i].reasons, f"but so might {names} be")
                found[i] = replace(found[i], sure=False, reasons=reasons)
    return tuple(found)


def _of_a_wrench(guess: Guess) -> Guess:
    """A guess where the lines of a file are hand readings."""
    if guess.channel is not None or guess.dimension != "torque":
        return guess
    reasons = (*guess.reasons[:-1], "the lines are hand readings, by their words")
    return Guess("turning_torque", "torque", True, reasons)


def _guess(column: RawColumn) -> Guess:
    words = words_of(column.name)
    if column.is_text:
        return _guess_words(column, words)
    dimension, sure, reasons = _dimension(column, words)
    guess = Guess(None, dimension, sure and dimension in _KINDS, reasons)
    if dimension == "time":
        return replace(guess, channel="time")
    for known, channel, place in _PLACES.get(dimension or "", ()):
        word = next((word for word in words if word in known), None)
        # "right of left" says neither.
        if word is None or (place in ("left", "right") and _LEFT & set(words) and _RIGHT & set(words)):
            continue
        said = f"its name says {place}" if word == place else f"'{word}' in its name says {place}"
        if channel == "input_torque" and word in _PINION:
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
    by_name = next((d for d in _KINDS if any(word in _DIMENSION_WORDS[d] for word in words)), None)
    if by_name is None and words and words[0] in _LETTERS:
        by_name = _LETTERS[words[0]]
    if unit is not None:
        of_unit = [d for d in (*_KINDS, *DIMENSIONS) if _is(unit, d)]
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
    if any(re.match(r"\d{4}-\d\d-\d\d|\d{1,2}:\d\d", text) for text in texts[:5]):
        return Guess("time", "time", True, ("it holds clock times or dates",))
    said = {word for text in texts for word in re.findall(r"[\w-]+", text.casefold())}
    for channel, known in _LABELS.items():
        hits = sorted(said & known)
        if hits or channel in words:
            why = f"it holds the words {', '.join(hits)}" if hits else f"its name says {channel}"
            return Guess(channel, None, bool(hits), (why,))
    return Guess(None, None, False, ("it holds words that no channel has",))


def _is(unit: str, dimension: str) -> bool:
    try:
        conversion(unit, dimension)
    except QuantityError:
        return False
    return True
