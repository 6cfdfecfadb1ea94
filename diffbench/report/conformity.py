"""Conformity in a terminal: every limit with its guard bands and the outcome."""

from __future__ import annotations

from collections.abc import Sequence

from diffbench.report.document import Sentence, Table
from diffbench.report.rounding import NOT_DETERMINED, interval_text, number_text, with_unit
from diffbench.report.terminal import Section, text_of
from diffbench.report.wording import label, printable
from diffbench.results.conformity import Conformity, LimitCheck

__all__ = ["conformity_summary", "limits_table", "limits_text"]

MICROMETRES = 1e6
HEAD = ("", "value (95 %)", "limits", "acceptance", "guard band", "outcome")


def conformity_summary(result: Conformity, *, width: int = 100) -> str:
    """Conformity as text for a terminal."""
    head = f"Unit {printable(result.unit, limit=40)}, build {printable(result.build, limit=60)}"
    title = Sentence(f"{head}, tested {printable(result.date, limit=20)}")
    if result.outcome is None:
        none = Sentence("NO LIMITS STATED by the build sheet: nothing to conform to.")
        return text_of([Section("", (title, none))], width)
    sections = [
        Section("", (title, Sentence(result.outcome.upper()))),
        Section("", (limits_table(result.limits),)),
        Section("", (Sentence(f"{result.rule}."),)),
    ]
    return text_of(sections, width)


def limits_table(limits: Sequence[LimitCheck]) -> Table:
    """One row a limit: quantity, value with interval, limits, zone of acceptance, guard band, outcome; where
    there is no room for columns, each cell says what it is."""
    return Table("Limits", HEAD, tuple(limits_text(limit) for limit in limits), named=(2, 3, 4))


def limits_text(limit: LimitCheck) -> tuple[str, ...]:
    """Cells of one limit."""
    factor, unit = (MICROMETRES, "µm") if limit.unit == "m" else (1.0, limit.unit)

    def scaled(number: float | None) -> float | None:
        return None if number is None else factor * number

    name = label(limit.quantity)
    allowed = _range(scaled(limit.low), scaled(limit.high), None, unit)
    if limit.value is None or limit.guard_low is None or limit.guard_high is None:
        return name, NOT_DETERMINED, allowed, "", "", limit.outcome
    value = factor * limit.value
    below, above = factor * limit.guard_low, factor * limit.guard_high
    u = max(below, above) / 2.0
    found = f"{number_text(value, u)} ({interval_text(value - below, value + above, u)})"
    if not limit.provable:
        zone = "none"
    else:
        zone = _range(scaled(limit.accept_low), scaled(limit.accept_high), u, "")
    guard = number_text(max(below, above), u)
    return name, found, allowed, zone, guard, limit.outcome


def _range(low: float | None, high: float | None, u: float | None, unit: str) -> str:
    if low is None:
        return f"up to {with_unit(number_text(high, u), unit)}"
    if high is None:
        return f"from {with_unit(number_text(low, u), unit)}"
    return with_unit(f"{number_text(low, u)} to {number_text(high, u)}", unit)
