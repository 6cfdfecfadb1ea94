"""A trend in the terminal: for each quantity the verdict first, then what it stands on."""

from __future__ import annotations

from diffbench.report.layout import wrapped
from diffbench.report.rounding import chance_text, number_text, with_unit
from diffbench.report.wording import label, printable
from diffbench.trend import Axis, Course, Trend

__all__ = ["along_text", "charts_text", "limit_text", "trend_text", "verdict_text"]

_PLACES = 3  # significant digits of a distance: nobody's odometer is better known ahead of time


def along_text(x: float, axis: Axis) -> str:
    """A place on the axis in words.

    Examples
    --------
    >>> along_text(1_862_345.0, "distance"), along_text(3.0, "events"), along_text(2.4, "visits")
    ('1860 km', '3 events', 'visit 2.4')
    """
    if axis == "distance":
        kilometres = x / 1000.0
        return f"{float(f'{kilometres:.{_PLACES}g}'):g} km" if kilometres < 1e6 else f"{kilometres:.2e} km"
    number = f"{float(f'{x:.{_PLACES}g}'):g}"
    return f"visit {number}" if axis == "visits" else f"{number} event{'' if number == '1' else 's'}"


def verdict_text(course: Course) -> str:
    """The verdict on a quantity, one sentence."""
    count = len(course.series.points)
    records = f"{count} record{'' if count == 1 else 's'}"
    if course.change is None:
        head = f"cannot be told from {records}"
    else:
        middle, low, high = (100.0 * share for share in course.change)
        numbers = f"{middle:+.1f} % (95 %: {low:+.1f} to {high:+.1f} %)"
        last = along_text(course.series.points[-1].x, course.series.axis)
        word = {"open": "cannot be told yet", "jumped": f"{'fell' if middle < 0 else 'rose'} at once"}.get(
            course.state, course.state
        )
        head = f"{word}, {numbers} to {last} by {records}"
    return f"{head}: {course.reason}"


def newest_text(course: Course) -> str | None:
    """How the unit stood when it was last seen, against its limits."""
    found = course.newest
    if found is None:
        return None
    point, unit, axis = found.point, course.series.unit, course.series.axis
    value = with_unit(number_text(point.value, point.u), unit)
    if point.low is not None and point.high is not None:
        value += f" (95 %: {number_text(point.low, point.u)} to {number_text(point.high, point.u)})"
    low, high = (None if end is None else number_text(end) for end in (found.lower_limit, found.upper_limit))
    limits = with_unit(
        f"{low} to {high}" if None not in (low, high) else f"at least {low}" if low else f"at most {high}",
        unit,
    )
    said = {
        "conforming": f"within {limits}",
        "not conforming": f"OUT OF LIMITS, proven to be {'below' if found.below else 'above'} {limits}",
        "not proven": f"not proven either way against {limits}",
    }[found.outcome]
    where = along_text(point.x, axis)
    return f"newest record by itself, {point.record} ({where}, {point.date}): {value}: {said}"


def needed_text(course: Course) -> str | None:
    """What would tell, where the records do not."""
    if course.state != "open":
        return None
    if course.needed is None:
        return "more than 200 further records like these would be needed: refit more alike, or average refits"
    where = "spaced as those so far" if course.line is not None else "each farther on"
    return f"needs {course.needed} more record{'' if course.needed == 1 else 's'}, {where}"


def charts_text(course: Course) -> str | None:
    """What the control charts say."""
    charts = course.charts
    if charts is None:
        return None
    watched = course.series.points[charts.baseline :]
    said = []
    for name, place in (("moving average", charts.average_signal), ("sums", charts.sum_signal)):
        if place is None:
            said.append(f"{name} within limits")
        else:
            point = watched[place]
            where = along_text(point.x, course.series.axis)
            said.append(f"{name} beyond from record {point.record} on ({where}, {point.date})")
    return f"control charts against the first {_records(charts.baseline)}: " + "; ".join(said)


def limit_text(course: Course) -> str | None:
    """The way to the lower limit."""
    found = course.crossing
    if found is None:
        return None
    axis = course.series.axis
    limit = with_unit(number_text(found.limit), course.series.unit)
    if course.newest is not None and course.newest.below:
        return f"lower limit {limit}: REACHED, by the newest record itself"
    if course.reached:
        return f"lower limit {limit}: REACHED, with 95 % confidence"
    if found.open_at_start:
        early = "may have been reached already (it cannot be excluded with 95 % confidence)"
    elif found.not_before is None:
        early = "no way to it shows"
    else:
        early = f"not reached before {along_text(found.not_before, axis)} with 95 % confidence"
    parts = [early]
    if found.expected is not None:
        parts.append(f"the line meets it at {along_text(found.expected, axis)}")
    if found.reached_by is not None:
        parts.append(f"reached by {along_text(found.reached_by, axis)} with 95 % confidence")
    elif found.expected is not None:
        parts.append("by when at the latest cannot be told")
    return f"lower limit {limit}: " + "; ".join(parts)


def lasting_text(course: Course) -> str | None:
    """Whether the lower limit lasts one more event."""
    found = course.lasting
    if found is None:
        return None
    until = along_text(found.until, course.series.axis)
    stretch = "event" if course.series.axis == "events" else "event, of a stretch like those so far"
    return (
        f"will it last the next {stretch}, to {until}? {found.answer.upper()}: the limit is held with a "
        f"chance of {chance_text(found.chance)}, if it goes on in a straight line"
    )


def trend_text(trend: Trend, *, width: int = 100) -> str:
    """A trend as text.

    Parameters
    ----------
    trend : Trend
        What was found.
    width : int
        Columns of a line.

    Returns
    -------
    The text.
    """
    place = trend.builds.index(trend.build)
    others = "first build known" if place == 0 else f"after {_records(place, 'build')} before it"
    head = f"Unit {printable(trend.unit, limit=60)}, build {printable(trend.build, limit=60)} ({others}), "
    lines = [f"{head}over {trend.axis} since it was assembled"]
    for course in trend.courses:
        lines += ["", *wrapped(f"{label(course.series.quantity)}: {verdict_text(course)}", width, rest="  ")]
        told = (newest_text, needed_text, next_text, limit_text, lasting_text, charts_text)
        for text in (tell(course) for tell in told):
            if text is not None:
                lines += wrapped(text, width, first="  - ")
    if trend.notes:
        lines += ["", *(line for note in trend.notes for line in wrapped(note, width, first="Note: "))]
    return "\n".join(lines)


def next_text(course: Course) -> str | None:
    """Where the next record should lie, and by what scatter."""
    line = course.line
    if line is None:
        return None
    ahead = course.ahead
    if ahead is None:
        return None
    low, high = (float(end) for end in line.next_record(ahead))
    made = []
    if line.stated is not None:
        made.append(f"{number_text(line.stated, line.stated)} stated")
    if line.observed is not None:
        made.append(f"{number_text(line.observed, line.sigma)} observed")
    scatter = with_unit(number_text(line.sigma, line.sigma), course.series.unit)
    within = (
        f"{number_text(low, line.sigma)} to {with_unit(number_text(high, line.sigma), course.series.unit)}"
    )
    where = along_text(ahead, course.series.axis)
    return f"next record, at {where}: 95 % within {within}; scatter of records {scatter} ({', '.join(made)})"


def _records(count: int, what: str = "record") -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"
