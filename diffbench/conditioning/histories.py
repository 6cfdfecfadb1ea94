"""What the ramps went through: starts and turns of the input torque, from the course of a sweep."""

from __future__ import annotations

import numpy as np

from diffbench.conditioning.cells import Cells, Sweep
from diffbench.conditioning.run import History


def history_of(made: Cells, course: Sweep) -> History:
    """Starts and turns of the input torque, and the one that each cell comes after."""
    starts = np.concatenate([[0], np.flatnonzero(np.diff(course.segment)) + 1])
    time = np.array([course.time[i] for i in starts] + [p.time for p in course.turns])
    torque = np.array([_start_value(course, int(i)) for i in starts] + [p.value for p in course.turns])
    begins = np.concatenate([np.ones(starts.size, dtype=bool), np.zeros(len(course.turns), dtype=bool)])
    order = np.argsort(time, kind="stable")
    time, torque, begins = time[order], torque[order], begins[order]
    near = np.clip(np.searchsorted(made.time, time), 0, made.time.size - 1)
    before = np.clip(np.searchsorted(time, made.time, side="right") - 1, 0, time.size - 1)
    return History(torque, begins, near.astype(np.int64), before.astype(np.int64))


def _start_value(course: Sweep, at: int, reach: int = 12) -> float:
    """Input torque where a history begins, by a line through its first averages: noise is no history.

    It begins half an average before the middle of the first one."""
    later = [p.time for p in course.turns if p.time > course.time[at]]
    end = min(later) if later else np.inf
    first = slice(at, at + reach)
    inside = (course.segment[first] == course.segment[at]) & (course.time[first] < end)
    time, torque = course.time[first][inside], course.torque[first][inside]
    if time.size < 3:
        return float(course.torque[at])
    return float(np.polyval(np.polyfit(time - time[0], torque, 1), -0.5 * (time[1] - time[0])))
