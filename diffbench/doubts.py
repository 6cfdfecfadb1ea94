"""Sources of doubt: the names under which a budget lists them, what each belongs to, what nobody stated.

Documents and pages have the words; a program asks for the member.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["NOT_STATED", "CountsAsExact", "Source", "is_weak", "statement_of", "without_size"]

NOT_STATED = "no uncertainty stated, counts as exact"
_OF_THE_SHEET = "(build sheet)"
_WEAK = "weak"


class Source(StrEnum):
    """A source of doubt. What is known by its plausible range alone is no member: ``weak: `` and what it
    is."""

    NOISE = "noise"
    TRANSDUCER_GAIN = "transducer gain"
    TRANSDUCER_ZERO = "transducer zero"
    TARE = "tare"
    DRAG = "bearing and seal drag"
    LAG = "lag"
    HYSTERESIS = "hysteresis of the transducers"
    HYSTERESIS_ALLOWED = "hysteresis of the transducers, allowed for"
    CROSS_TALK = "cross-talk of the flanges"
    CROSS_TALK_ALLOWED = "cross-talk of the flanges, allowed for"
    INERTIA = "inertia"
    FINAL_DRIVE = "final drive"
    TEMPERATURE = "temperature reading"
    TEMPERATURE_ALLOWED = "place of the oil sensor, allowed for"
    TURNING_SPEED = "turning speed"
    REPEATABILITY = "bench repeatability"
    FORM = "form of the model"
    LEFT_OUT = "what the law leaves out"
    GEAR_FRICTION = f"gear friction {_OF_THE_SHEET}"
    HEAT_CAPACITY = f"plate heat capacity {_OF_THE_SHEET}"
    SPRING_FORCE = f"spring force {_OF_THE_SHEET}"
    RADII = f"radii {_OF_THE_SHEET}"
    RAMP_ANGLE = f"ramp angle {_OF_THE_SHEET}"
    SHIM = f"shim thickness {_OF_THE_SHEET}"

    # in a budget as it is printed from memory, as in one that was read from a file
    __repr__ = str.__repr__


#: Errors that are one and the same in every result of a bench, and of a unit; all others belong to a visit.
OF_THE_BENCH = frozenset(
    {
        Source.TRANSDUCER_GAIN,
        Source.HYSTERESIS,
        Source.HYSTERESIS_ALLOWED,
        Source.CROSS_TALK,
        Source.CROSS_TALK_ALLOWED,
        Source.LAG,
        Source.INERTIA,
        Source.FINAL_DRIVE,
        Source.DRAG,
        Source.TEMPERATURE,
        Source.TEMPERATURE_ALLOWED,
    }
)
OF_THE_UNIT = frozenset({Source.GEAR_FRICTION, Source.HEAT_CAPACITY})
#: Parts of a budget that are new at every visit and are drawn anew by it.
OF_A_VISIT = (Source.REPEATABILITY, Source.NOISE, Source.TARE)


@dataclass(frozen=True)
class CountsAsExact:
    """What counts as exact because nobody stated an uncertainty, told in a ``text``; with the ``source`` that
    it would be and the channel or part in the budget of all that was measured with it, where it is one."""

    text: str
    source: Source | None = None
    subject: str = ""


def without_size(source: str, subject: str = "") -> str:
    """Name in a budget of a source that has no stated size.

    Examples
    --------
    >>> without_size(Source.TRANSDUCER_GAIN, "left_torque")
    'transducer gain, left_torque: no uncertainty stated, counts as exact'
    """
    return f"{source}, {subject}: {NOT_STATED}" if subject else f"{source}: {NOT_STATED}"


def is_weak(source: str) -> bool:
    """Whether a source is a plausible range alone.

    Examples
    --------
    >>> is_weak("weak: plate heat"), is_weak(Source.NOISE)
    (True, False)
    """
    return source.startswith(_WEAK)


def statement_of(source: str) -> str | None:
    """What the build sheet states, of a source with a size or without; None for a source of another kind.

    Examples
    --------
    >>> statement_of(Source.RADII), statement_of(without_size(Source.RADII)), statement_of("tare")
    ('radii', 'radii', None)
    """
    what, of_the_sheet, _ = source.partition(f" {_OF_THE_SHEET}")
    return what if of_the_sheet else None
