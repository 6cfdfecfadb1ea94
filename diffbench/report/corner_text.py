"""Corner entry in the terminal: phase by phase, one line a unit, and the mean over the entry."""

from __future__ import annotations

from diffbench.answers.corner import CornerEntry, PhaseResult, Rung
from diffbench.answers.operating_point import Interval
from diffbench.report.layout import table, wrapped
from diffbench.report.rounding import interval_text, number_text
from diffbench.report.wording import printable

__all__ = ["corner_summary", "interval_cell"]

NORMAL_95 = 1.959964
PER_CENT = 100.0


def corner_summary(result: CornerEntry, *, width: int = 100) -> str:
    """A corner entry as text for a terminal.

    Parameters
    ----------
    result : CornerEntry
        The result.
    width : int
        Columns of a line.

    Returns
    -------
    The text, without a line end at its end: a table for each phase, then the mean over the entry, then what
    the numbers rest on.
    """
    head = f"Corner entry, {printable(result.car)}"
    built = {(rung.unit, rung.build) for rung in result.rungs}
    if len(built) == 1:
        head += "; unit {}, build {}".format(*(printable(name) for name in built.pop()))
    blocks = [wrapped(head, width)]
    blocks += [_phase(result, i, width) for i in range(len(result.rungs[0].phases))]
    blocks.append(_mean(result, width))
    blocks.append(_foot(result, width))
    return "\n\n".join("\n".join(block) for block in blocks if block)


def interval_cell(interval: Interval, *, times: float = 1.0) -> str:
    """Value and 95 % limits in one cell, to the first digit of their standard uncertainty.

    Parameters
    ----------
    interval : Interval
        What to show; without a value the cell is a dash.
    times : float
        Factor to the unit of the column.

    Returns
    -------
    The text; without limits apart the value alone.

    Examples
    --------
    >>> interval_cell(Interval(0.6423, 0.635, 0.6496), times=100.0)
    '64.2 (63.5 to 65.0)'
    >>> interval_cell(Interval(365.07, 365.07, 365.07)), interval_cell(Interval(None, None, None))
    ('365.1', '-')
    >>> interval_cell(Interval(9.0, 8.0, None))
    '9 (8 or more)'
    """
    if interval.value is None:
        return "-"
    value = times * interval.value
    low, high = (None if limit is None else times * limit for limit in (interval.low, interval.high))
    if low is None:
        return number_text(value)
    if high is None:
        return f"{number_text(value)} ({number_text(low)} or more)"
    # ten times it: the rule leaves two digits, one is enough to read at a glance
    coarse = 10.0 * (high - low) / (2.0 * NORMAL_95)
    if high - low <= 1e-9 * abs(value):
        return number_text(value)
    return f"{number_text(value, coarse)} ({interval_text(low, high, coarse)})"


def _phase(result: CornerEntry, i: int, width: int) -> list[str]:
    first = result.rungs[0].phases[i]
    kind = "engine braking" if first.entry else "drive"
    heading = (
        f"{printable(first.phase)}: {number_text(abs(first.input_torque))} N·m {kind} at the case, "
        f"{number_text(first.temperature)} °C, {first.branch} branch; free rolling "
        f"{number_text(first.free_difference)} rad/s"
    )
    rows = [("", "kept [%]", "yaw moment [N·m]", "outer, inner [N]", "wheels")]
    rows += [_row(rung, rung.phases[i]) for rung in result.rungs]
    return [*wrapped(heading, width), *table(rows, width)]


def _row(rung: Rung, phase: PhaseResult) -> tuple[str, str, str, str, str]:
    forces = ", ".join(f"{force.value:.0f}" for force in (phase.outer_force, phase.inner_force))
    state: str = phase.state if phase.state != "not proven" else "locked or not: not proven"
    if phase.sliding is not None:
        state += f", {phase.sliding} tyre slides"
    if phase.beyond:
        state += ", BEYOND the map"
    elif not phase.tested and rung.predicted is None:
        state += ", NOT tested"
    kept = interval_cell(phase.share_kept, times=PER_CENT)
    return printable(rung.label), kept, interval_cell(phase.yaw_moment), forces, state


def _mean(result: CornerEntry, width: int) -> list[str]:
    entry = [phase.phase for phase in result.rungs[0].phases if phase.entry]
    if len(entry) < 2:
        return []
    weights = "weighted by duration" if result.timed else "each phase counting alike"
    heading = f"Mean over the entry ({', '.join(printable(name) for name in entry)}; {weights})"
    rows = [("", "kept [%]", "speed difference [rad/s]")]
    rows += [
        (
            printable(rung.label),
            interval_cell(rung.mean_share_kept, times=PER_CENT),
            interval_cell(rung.mean_difference_kept),
        )
        for rung in result.rungs
    ]
    return [*wrapped(heading, width), *table(rows, width)]


def _foot(result: CornerEntry, width: int) -> list[str]:
    lines = (
        "kept: wheel-speed difference, share of free rolling. yaw moment: against the turn. outer, inner: "
        "longitudinal force of each tyre, forward positive. In brackets 95 % of the map; the car counts as "
        "exact. Indicative: steady state, linear tyres of one slip stiffness."
    )
    if any(rung.predicted is not None for rung in result.rungs):
        lines += " Predicted: by the fitted law, not measured."
    return wrapped(lines, width)
