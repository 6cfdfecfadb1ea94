"""A state in words: what a unit is, why, and the one thing to do next, for a mechanic.

Sentences of at most twelve words, each with its number; what can hurt stands in the same breath as what to
do. All of them are messages of a catalogue, so that a card speaks other languages.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from diffbench.definitions import parts_of
from diffbench.report.document import Sentence, Tone
from diffbench.report.messages import Say, english
from diffbench.report.rounding import number_text, place_of, typeset, with_unit
from diffbench.report.wording import LABELS, printable
from diffbench.results.discrepancy import NORMAL_95
from diffbench.results.state import FAILS, NextStep, Reason, State

#: Digits of a number on a card.
DIGITS = 3
MILLIMETRES = 1e3

WORDS = {
    "good": "Good",
    "good-with-doubt": "Good, with doubt",
    "watch": "Watch",
    "worn": "Worn",
    "out-of-limits": "Out of limits",
    "cannot-be-told": "Cannot be told",
    "records-contradict": "Records contradict",
}
PARTS = {
    "spring": "the spring",
    "friction": "the friction plates",
    "ramps": "the ramps",
    "gears": "the gears",
    "oil": "the oil",
}
NAMES = {
    "preload_torque": "Preload torque",
    "ramp_bias_drive": "Ramp bias, drive",
    "ramp_bias_drive_loading": "Ramp bias, drive",
    "ramp_bias_drive_unloading": "Ramp bias, drive, torque falling",
    "ramp_bias_coast": "Ramp bias, coast",
    "ramp_bias_coast_loading": "Ramp bias, coast",
    "ramp_bias_coast_unloading": "Ramp bias, coast, torque falling",
    "friction_coefficient": "Friction coefficient",
    "friction": "Friction",
    "spring_force": "Spring force",
    "face_wear": "Wear of a face",
    "preload_loss": "Loss of preload",
    "locking_effect_drive": "Locking effect, drive",
    "locking_effect_coast": "Locking effect, coast",
}
#: What of a build sheet can be contradicted.
STATED = {
    "friction_coefficient by spring force, and by nominal ramp angles": "friction by spring and by ramps",
    "effective ramp angle, drive": "ramp angle in drive",
    "effective ramp angle, coast": "ramp angle in coast",
    "preload law": "preload law",
    "springs cannot carry the force": "springs against spring force",
}
#: By kind of reason and, where there are two, the side of the limit that decides.
REASONS: Mapping[str, tuple[str, ...]] = {
    "within-limits": ("{name}: {value}. That is inside its limits.",),
    "beyond-limit lower": ("{name}: {value}. The lowest allowed is {limit}.",),
    "beyond-limit upper": ("{name}: {value}. The highest allowed is {limit}.",),
    "worn-beyond-limit lower": ("{name}: {value}. The lowest allowed is {limit}.", "It is worn."),
    "worn-beyond-limit upper": ("{name}: {value}. The highest allowed is {limit}.", "It is worn."),
    "limit-not-proven lower": ("{name}: {value}. The lowest allowed is {limit}.", "Too close to be sure."),
    "limit-not-proven upper": ("{name}: {value}. The highest allowed is {limit}.", "Too close to be sure."),
    "limit-close lower": ("{name}: {value}. The lowest allowed is {limit}.", "That is close."),
    "limit-close upper": ("{name}: {value}. The highest allowed is {limit}.", "That is close."),
    "limit-ahead lower": (
        "After the next event, perhaps: {name} {value}.",
        "The lowest allowed is {limit}.",
    ),
    "limit-ahead upper": (
        "After the next event, perhaps: {name} {value}.",
        "The highest allowed is {limit}.",
    ),
    "law-contradicted": ("The bench decides against the preload law that the sheet states.",),
    "not-determined": ("{name}: this test cannot tell it.",),
    "no-limits": ("The build sheet states no limits.",),
    "test-flawed": ("The test has a flaw: {finding}.",),
    "refits-unknown": ("How well the bench repeats is not known.",),
    "sheet-contradicted": ("The build sheet is contradicted: {finding}.",),
    "read-with-care": ("Something in the test speaks against these numbers: its page lists it.",),
    "visits-disagree": ("{name}: the visits of {dates} disagree.",),
    "earlier-visits-disagree": ("{name}: earlier visits disagree, {dates}.",),
    "jump": ("{name} jumped by {value} between {dates}.",),
    "changed": ("{name} has changed by {value}.",),
}
STEPS: Mapping[str, tuple[str, ...]] = {
    "nothing": ("Nothing to do.",),
    "fit-shim": ("Fit a shim of {shim}.", "It should give {preload} of preload torque."),
    "no-shim-reaches": ("No other shim in stock reaches: change springs or plates.",),
    "state-shim-and-springs": ("Write shim and disc springs into the build sheet.",),
    # where only some of it lacks, and where nothing does
    "state-shim-and-springs some": ("Write into the build sheet: {keys}.",),
    "state-shim-and-springs none": ("No shim that is known brings it there: look for another cause.",),
    "renew-plates": ("Renew the friction plates.",),
    "inspect": ("Take the unit apart and look at {part}.",),
    "measure-again": ("Refit the unit to the bench and test again.", "Visits needed: {visits}."),
    "measure-more": ("Test what is missing: the page lists it under Numbers.",),
    "average-visits": (
        "Refit, test again, and average the visits.",
        "That narrows it, but may not settle it.",
    ),
    "narrow-doubt": (
        "More visits would not settle it: first narrow its largest doubt.",
        "The page names it.",
    ),
    "mend-test": ("Mend what is wrong with the test, then repeat it.",),
    "measure-repeatability": ("Refit and test this unit several times, unchanged.",),
    "state-limits": ("Write the limits into the build sheet.",),
    "check-sheet": ("Check the build sheet, then the parts: one is not as stated.",),
    "check-sheet law": ("Check the preload law in the build sheet, and fit again.",),
    "check-records": ("Check unit and date of these records.",),
}
CAUTIONS = {
    "stored-force": "Springs are under load: open it only with the holding tool.",
    "heat": "Oil and plates burn: let them cool.",
    "speed": "Shafts turn: guards closed, hands off.",
    "torque": "Torque can break shafts.",
}
#: What every caution ends with.
DEFER = "Maker's limits and local rules come first."
MOST_REASONS = 2
#: Reasons that are told only where they decide.
LESS = ("within-limits", "changed")
#: Reasons that speak against the numbers, and not against the unit.
DOUBTS = ("sheet-contradicted", "read-with-care")


@dataclass(frozen=True)
class Judged:
    """A state in sentences: its word, why, what to do next, and what can hurt on the way."""

    state: str
    word: str
    reasons: tuple[str, ...]
    step: tuple[str, ...]
    caution: tuple[str, ...]


def judged(state: State, say: Say = english) -> Judged:
    """A state in words; of many reasons the one that decides and the next."""
    first, *others = state.reasons
    told = [first, *(one for one in others if one.kind not in LESS)][:MOST_REASONS]
    # where it is the test alone that is doubted, what it says is told all the same, and else the doubt is
    if first.kind in DOUBTS:
        told = [*(one for one in others if one.kind == "within-limits"), first][-MOST_REASONS:]
    else:
        told += [one for one in others if one.kind in DOUBTS and one not in told]
    reasons = [text for reason in told for text in reason_text(reason, say)]
    return Judged(
        state.state,
        say(WORDS[state.state]),
        tuple(dict.fromkeys(reasons)),
        tuple(step_text(state.next_step, say)),
        tuple(caution_text(state.next_step, say)),
    )


def tone_of(state: State) -> Tone:
    """How a state is set off."""
    return "outside" if state.state in FAILS else "within" if state.state == "good" else "not proven"


def state_sentences(state: State) -> tuple[Sentence, Sentence]:
    """A state as every command prints it: its word set off, why, and the next step below."""
    found = judged(state)
    reasons = " ".join(found.reasons).replace("\u2212", "-")
    return Sentence(reasons, first=f"{found.word.upper()}  ", tone=tone_of(state)), next_sentence(found)


def next_sentence(found: Judged, *, first: str = "NEXT  ", named: bool = False) -> Sentence:
    """The one thing to do next, with what can hurt in the same line; ``named``: after the state's word."""
    text = f"{found.word}. {' '.join(found.step)}" if named else " ".join(found.step)
    if found.caution:
        text += f" Caution: {' '.join(found.caution)}"
    return Sentence(text.replace("\u2212", "-"), first=first)


def three_digits(value: float | None, u: float | None = None, unit: str = "") -> str:
    """A number on a card: three digits, fewer where its standard uncertainty leaves fewer.

    >>> three_digits(81.6716, 1.23, "N·m"), three_digits(0.512, 0.009), three_digits(1950.4, 60.0, "N")
    ('81.7 N·m', '0.512', '1950 N')
    >>> three_digits(8.04, 2.6), three_digits(64.985, 0.54, "%"), three_digits(None)
    ('8.0', '65.0 %', 'not determined')
    """
    if value is None or not math.isfinite(value):
        return number_text(value)
    # one more digit than 9.996 has: it is 10.0
    digits = math.floor(math.log10(abs(float(f"{value:.{DIGITS - 1}e}")))) if value else 0
    place = digits - DIGITS + 1
    finest = place_of(u)
    place = min(place if finest is None else max(place, finest), 0)
    return with_unit(typeset(f"{value:.{-place}f}"), unit)


def measured_text(value: float | None, low: float | None, high: float | None) -> str:
    """A number and its 95 % interval at three digits, both to one place; "" where there is no number.

    >>> measured_text(81.6716, 79.2, 84.09), measured_text(0.1132, 0.10961, 0.1168)
    ('81.7 (79.2 to 84.1)', '0.113 (0.110 to 0.117)')
    >>> measured_text(8.04, 2.9, 13.1), measured_text(1676.0, 1605.0, 1752.0), measured_text(None, None, None)
    ('8.0 (2.9 to 13.1)', '1680 (1600 to 1750)', '')
    """
    if value is None or low is None or high is None:
        return "" if value is None else three_digits(value)
    u = (high - low) / (2.0 * NORMAL_95)
    digits = math.floor(math.log10(abs(float(f"{value:.{DIGITS - 1}e}")))) if value else 0
    coarse = 10.0 ** (digits - DIGITS + 2)  # an uncertainty that leaves three digits of the value
    u = max(u, coarse)
    return f"{number_text(value, u)} ({number_text(low, u)} to {number_text(high, u)})"


def name_text(quantity: str, say: Say = english) -> str:
    """What a quantity is called on a card."""
    stem = parts_of(quantity)[0]
    words = NAMES.get(stem) or LABELS.get(stem) or printable(stem.replace("_", " "), limit=60)
    return say(words[:1].upper() + words[1:])


def reason_text(reason: Reason, say: Say) -> Iterator[str]:
    """One reason in sentences."""
    factor, unit = _scale(reason)

    def number(value: float | None, u: float | None = None) -> str:
        return "" if value is None else say.number(three_digits(factor * value, u, unit))

    found = printable((reason.name or "").replace("_", " "), limit=60)
    if reason.kind == "sheet-contradicted":
        names = (reason.name or "").split("; ")
        finding = _listed([say(STATED.get(name, printable(name, limit=60))) for name in names], say)
    else:
        finding = say(found)
    u = None if reason.low is None or reason.high is None else factor * (reason.high - reason.low)
    fields = {
        "name": "" if reason.quantity is None else name_text(reason.quantity, say),
        "value": number(reason.value, None if u is None else u / (2.0 * NORMAL_95)),
        "limit": number(reason.limit),
        "dates": _listed([printable(date, limit=20) for date in reason.dates], say),
        "finding": finding,
    }
    key = f"{reason.kind} {reason.side}"
    for message in REASONS.get(key) or REASONS[reason.kind]:
        yield say(message).format(**fields)
    if reason.part is not None:
        yield say("That points at {part}.").format(part=say(PARTS[reason.part]))


def _scale(reason: Reason) -> tuple[float, str]:
    """Factor and unit that a reason's numbers are read in."""
    if reason.kind == "changed" and reason.unit == "1":
        return 100.0, "%"
    if reason.unit == "m":
        return 1e6, "µm"
    return (100.0, "%") if reason.quantity == "preload_loss" else (1.0, reason.unit or "")


def step_text(step: NextStep, say: Say) -> Iterator[str]:
    """The one thing to do, in sentences."""
    fields = {
        "shim": "" if step.shim is None else say.number(shim_text(step.shim.shim_m)),
        "preload": "",
        "part": say(PARTS[step.part] if step.part else "its parts"),
        "visits": str(step.visits or say("several")),
    }
    if step.shim is not None:
        u = (step.shim.high_Nm - step.shim.low_Nm) / (2.0 * NORMAL_95)
        fields["preload"] = say.number(three_digits(step.shim.preload_torque_Nm, u, "N·m"))
    messages, lacking = STEPS[step.kind], [key.removeprefix("preload.") for key in step.missing]
    if step.kind == "state-shim-and-springs" and not {"shim", "disc_spring"} <= set(lacking):
        messages = STEPS[f"{step.kind} {'some' if lacking else 'none'}"]
        fields["keys"] = _listed(lacking, say)
    if step.kind == "check-sheet" and lacking == ["law"]:
        messages = STEPS["check-sheet law"]
    for message in messages:
        yield say(message).format(**fields)
    if step.shim is not None and step.shim.extrapolated:
        yield say("No shim like that was tested: measure afterwards.")


def shim_text(shim: float) -> str:
    """A shim [m] as it is sold: hundredths of a millimetre, thousandths where it has them.

    >>> shim_text(0.4e-3), shim_text(0.125e-3), shim_text(0.0)
    ('0.40 mm', '0.125 mm', '0.00 mm')
    """
    return f"{f'{MILLIMETRES * shim:.3f}'.removesuffix('0')} mm"


def caution_text(step: NextStep, say: Say) -> Iterator[str]:
    """What can hurt on the way to it, and how far was tested; nothing where nothing can."""
    for kind in step.cautions:
        yield say(CAUTIONS[kind])
    if step.tested_torque_Nm is not None:
        ends = [typeset(f"{end:.0f}") for end in step.tested_torque_Nm]
        yield say("Tested from {low} to {high} N·m only.").format(low=ends[0], high=ends[1])
    if step.tested_speed_rad_s is not None:
        yield say("Tested up to {speed} rad/s only.").format(
            speed=say.number(f"{step.tested_speed_rad_s:.3g}")
        )
    if step.cautions:
        yield say(DEFER)


def _listed(words: list[str], say: Say) -> str:
    if len(words) < 2:
        return "".join(words)
    return say("{first} and {last}").format(first=", ".join(words[:-1]), last=words[-1])
