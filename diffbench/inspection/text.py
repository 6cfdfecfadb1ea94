"""An inspection as a person reads it."""

from __future__ import annotations

import textwrap

from diffbench.inspection.facts import ClockFacts, ColumnFacts
from diffbench.inspection.guesses import Guess
from diffbench.inspection.inspect import Inspection

_LONGEST_NAME = 28
_NO_JITTER = 1e-6  # of a step: rounding of a clock's digits


def inspection_text(inspection: Inspection, *, width: int = 100) -> str:
    """Return an inspection as text.

    Parameters
    ----------
    inspection : Inspection
        What was found.
    width : int
        Columns of the terminal.

    Returns
    -------
    Lines; control characters of the file's own texts are shown as blanks.
    """
    layout = ", ".join(f"{key} {value}" for key, value in inspection.source.details.items())
    size = f"{inspection.samples} rows, {len(inspection.columns)} columns"
    heads = f"{'lowest':>10} {'highest':>10} {'step':>9} {'missing':>8}  what it might be"
    lines = [
        f"{inspection.source.path}: {inspection.source.format}, {size}",
        *([f"layout   {layout}"] if layout else []),
        f"clock    {_clock(inspection.clock)}",
        *(f"note     {note}" for note in inspection.notes),
        "",
        f"{'column':{_LONGEST_NAME}} {'unit':9} {heads}",
    ]
    for facts, guess in zip(inspection.columns, inspection.guesses, strict=True):
        lines.append(f"{_numbers(facts)}  {_what(guess)}")
        reasons = "; ".join(guess.reasons)
        if facts.odd:
            reasons += f"; {facts.odd} cells are no numbers, the first is '{facts.odd_example}'"
        lines += textwrap.wrap(reasons, width, initial_indent="    ", subsequent_indent="    ")
    return "\n".join("".join(c if c.isprintable() else " " for c in line).rstrip() for line in lines)


def _clock(clock: ClockFacts | None) -> str:
    if clock is None:
        return "no column looks like one; state sample_rate in the rig's [file] where there is none"
    text = f"'{clock.column}': {clock.rate:.6g} samples a second over {clock.duration:.6g} s, " + (
        "no jitter" if clock.jitter < _NO_JITTER else f"jitter {100.0 * clock.jitter:.2g} % of a step"
    )
    if clock.gaps:
        stretches = "stretch" if clock.gaps == 1 else "stretches"
        text += (
            f"; {clock.gaps} {stretches} without samples, the longest {clock.longest_gap:.4g} s before line "
            f"{clock.gap_line}"
        )
    if clock.not_rising:
        text += f"; {clock.not_rising} samples are not later than the one before"
    return text


def _numbers(facts: ColumnFacts) -> str:
    name = facts.name if len(facts.name) <= _LONGEST_NAME else facts.name[: _LONGEST_NAME - 3] + "..."
    unit = "?" if facts.unit is None else facts.unit[:9]
    if facts.kind == "words":
        shown = ", ".join(facts.words[:3])
        return f"{name:{_LONGEST_NAME}} {'words':9} {shown[:31]:31} {facts.missing:8}"
    low, high, step = (
        "-" if value is None else f"{value:.5g}" for value in (facts.low, facts.high, facts.resolution)
    )
    return f"{name:{_LONGEST_NAME}} {unit:9} {low:>10} {high:>10} {step:>9} {facts.missing:8}"


def _what(guess: Guess) -> str:
    if guess.channel is not None:
        return guess.channel + ("" if guess.sure else "?")
    return " or ".join(guess.others) + "?" if guess.others else "-"
