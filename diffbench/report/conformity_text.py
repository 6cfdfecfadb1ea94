"""Conformity in the terminal: every limit with its guard bands and the outcome."""

from __future__ import annotations

from diffbench.report.layout import headed, stacked, wrapped
from diffbench.report.rounding import NOT_DETERMINED, interval_text, number_text, with_unit
from diffbench.report.wording import label, printable
from diffbench.results.conformity import Conformity, LimitCheck

__all__ = ["conformity_summary", "limit_lines", "limits_block", "limits_text"]

MICROMETRES = 1e6
HEAD = ("", "value (95 %)", "limits", "acceptance", "guard band", "outcome")


def conformity_summary(result: Conformity, *, width: int = 100) -> str:
    """Conformity as text for a terminal.

    Parameters
    ----------
    result : Conformity
        The result.
    width : int
        Columns of a line.

    Returns
    -------
    The text, without a line end at its end.
    """
    head = f"Unit {printable(result.unit, limit=40)}, build {printable(result.build, limit=60)}"
    lines = wrapped(f"{head}, tested {printable(result.date, limit=20)}", width)
    if result.outcome is None:
        lines.append("NO LIMITS STATED by the build sheet: nothing to conform to.")
        return "\n".join(lines)
    lines += [result.outcome.upper(), "", *limit_lines(result.limits, width), ""]
    lines += wrapped(result.rule + ".", width)
    return "\n".join(lines)


def limits_block(result: Conformity, *, width: int = 100) -> list[str]:
    """Limits with guard bands as lines of a longer text, the heading first; none where there are none."""
    if not result.limits:
        return []
    return ["Limits, with guard bands (ISO 14253-1)", *limit_lines(result.limits, width)]


def limit_lines(limits: list[LimitCheck], width: int) -> list[str]:
    """One row a limit: quantity, value with interval, limits, zone of acceptance, guard band, outcome; where
    there is no room for columns, each cell says what it is."""
    rows = [limits_text(limit) for limit in limits]
    lines = headed(HEAD, rows, width)
    if lines[0].endswith(HEAD[-1]):
        return lines
    worded = [
        tuple(
            f"{word} {cell}" if cell and word in HEAD[2:5] else cell
            for word, cell in zip(HEAD, row, strict=True)
        )
        for row in rows
    ]
    return [line for row in worded for line in stacked(row, width)]


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
