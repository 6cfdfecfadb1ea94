"""A trend as JSON, for other programs."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from diffbench.trend.charts import Charts
from diffbench.trend.line import Jump, Line
from diffbench.trend.outlook import Course, Trend

__all__ = ["FORMAT", "document_of"]

FORMAT = "diffbench-trend/1"


def document_of(trend: Trend) -> dict[str, Any]:
    """The trend as plain lists and numbers, distances in metres, quantities in SI.

    Parameters
    ----------
    trend : Trend
        What was found.

    Returns
    -------
    A document for `json.dumps`.
    """
    return {
        "format": FORMAT,
        "unit": trend.unit,
        "build": trend.build,
        "builds": list(trend.builds),
        "over": trend.axis,
        "limit_reached": trend.reached,
        "failed": trend.failed,
        "quantities": {course.series.quantity: _course(course) for course in trend.courses},
        "notes": list(trend.notes),
    }


def _course(course: Course) -> dict[str, Any]:
    return {
        "unit": course.series.unit,
        "newest": None if course.newest is None else asdict(course.newest),
        "state": course.state,
        "reason": course.reason,
        "more_records_needed": course.needed,
        "change": None
        if course.change is None
        else dict(zip(("value", "low", "high"), course.change, strict=True)),
        "jump": None if course.jump is None else _jump(course, course.jump),
        "line": None if course.line is None else _line(course.line),
        "lower_limit": None
        if course.crossing is None
        else {**asdict(course.crossing), "reached": course.reached},
        "next_event": None if course.lasting is None else asdict(course.lasting),
        "u_shared": course.shared,
        "control": None if course.charts is None else _charts(course.charts),
        "records": [asdict(point) for point in course.series.points],
        "earlier_builds": {
            series.build: [asdict(point) for point in series.points] for series in course.earlier
        },
    }


def _jump(course: Course, jump: Jump) -> dict[str, Any]:
    before, after = course.series.points[jump.at - 1], course.series.points[jump.at]
    return {
        "between_records": [before.record, after.record],
        "size": jump.size,
        "low": jump.low,
        "high": jump.high,
        "sigma": jump.sigma,
        "degrees_of_freedom": jump.freedom,
    }


def _line(line: Line) -> dict[str, Any]:
    return {
        "at_zero": float(line.at(0.0)),
        "u_at_zero": line.u_intercept,
        "slope": line.slope,
        "u_slope": line.u_slope,
        "sigma": line.sigma,
        "degrees_of_freedom": line.freedom,
        "sigma_observed": line.observed,
        "sigma_stated": line.stated,
    }


def _charts(charts: Charts) -> dict[str, Any]:
    return {
        "target": charts.target,
        "sigma": charts.sigma,
        "baseline_records": charts.baseline,
        "moving_average": charts.average.tolist(),
        "low": charts.low.tolist(),
        "high": charts.high.tolist(),
        "upward_sum": charts.up.tolist(),
        "downward_sum": charts.down.tolist(),
        "decision_limit": charts.decision,
        "moving_average_signal": charts.average_signal,
        "sum_signal": charts.sum_signal,
    }
