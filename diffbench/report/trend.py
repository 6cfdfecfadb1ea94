"""A trend: for each quantity the verdict first, then what it stands on; and its picture."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from diffbench.report.document import WIDE, Document, Section, Sentence, Table, bare, item, numbers
from diffbench.report.document import Figure as PageFigure
from diffbench.report.judgement import measured_text, state_sentences
from diffbench.report.rounding import chance_text, interval_text, number_text, with_unit
from diffbench.report.style import (
    DIRECTION_COLOURS,
    INK,
    MIDDLE,
    MUTED,
    PAPER,
    THIN,
    TINT,
    TOP,
    draw_marks,
    dress,
    legend_above,
    level_line,
)
from diffbench.report.wording import humanised, label, printable
from diffbench.trend import Axis, Course, Trend
from diffbench.trend.courses import FRICTION

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


MOST_COLUMNS = 2  # of numbers with their intervals, on 80 columns of a terminal
_PLACES = 3  # significant digits of a distance: nobody's odometer is better known ahead of time
RECORD, AVERAGE = DIRECTION_COLOURS[1], DIRECTION_COLOURS[-1]
ACROSS: dict[Axis, str] = {
    "distance": "distance since assembly [km]",
    "events": "events since assembly [1]",
    "visits": "visit since assembly [1]",
}


def along_text(x: float, axis: Axis) -> str:
    """A place on the axis in words.

    >>> along_text(1_862_345.0, "distance"), along_text(3.0, "events"), along_text(2.4, "visits")
    ('1860 km', '3 events', 'visit 3')
    """
    if axis == "distance":
        kilometres = x / 1000.0
        return f"{float(f'{kilometres:.{_PLACES}g}'):g} km" if kilometres < 1e6 else f"{kilometres:.2e} km"
    number = f"{math.ceil(round(x, 6))}"  # there is no half visit or event: the next whole one
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


def trend_document(trend: Trend) -> Document:
    """Where a unit goes: each quantity by its verdict, then what that stands on."""
    place = trend.builds.index(trend.build)
    others = "first build known" if place == 0 else f"after {_records(place, 'build')} before it"
    head = f"Unit {printable(trend.unit, limit=60)}, build {printable(trend.build, limit=60)} ({others}), "
    over = Sentence(f"{head}over {trend.axis} since it was assembled")
    sections = [Section("", (over, *state_sentences(trend.state)))]
    sections.append(Section("What was measured", (_measured(trend),)))
    sections.append(Section("", tuple(_figures(trend))))
    told = (newest_text, needed_text, next_text, limit_text, lasting_text, charts_text)
    for course in trend.courses:
        first = Sentence(f"{label(course.series.quantity)}: {verdict_text(course)}", rest="  ")
        texts = (tell(course) for tell in told)
        sections.append(Section("", (first, *(item(text) for text in texts if text is not None))))
    sections.append(
        Section("", tuple(Sentence(humanised(printable(note), ()), first="Note: ") for note in trend.notes))
    )
    return Document(f"Trend of unit {printable(trend.unit, limit=60)}", tuple(sections))


def _figures(trend: Trend) -> Iterator[PageFigure]:
    """Each quantity that has records, for a page; a terminal leaves them out."""
    for found in trend.courses:
        points, quantity = found.series.points, found.series.quantity
        if not points:
            continue
        words = label(quantity)
        yield PageFigure(
            name=f"trend-{quantity.replace('_', '-')}",
            title=f"{words[:1].upper()}{words[1:]} since it was assembled",
            paint=lambda axes, one=found: course(one, axes),  # type: ignore[misc]
            size=WIDE,
            shows=f"{words} of {_records(len(points))}: {verdict_text(found)}.",
            table=numbers(
                words,
                (
                    f"{ACROSS[found.series.axis][:1].upper()}{ACROSS[found.series.axis][1:]}",
                    f"Value [{found.series.unit}]",
                    f"95 % interval [{found.series.unit}]",
                ),
                [
                    (
                        number_text(point.x * _scale(found.series.axis)),
                        number_text(point.value, point.u),
                        interval_text(point.low, point.high, point.u),
                    )
                    for point in points
                ],
            ),
        )


def _measured(trend: Trend) -> Table:
    """Each record of the build with what is followed first: two quantities, at three digits. A friction is
    the record's own, with its own interval, whatever it is followed by."""
    shown = trend.courses[:MOST_COLUMNS]
    rows: dict[tuple[float, str, int], dict[int, str]] = {}
    for i, course in enumerate(shown):
        for point in course.series.points:
            key = point.x, point.date, point.record
            rows.setdefault(key, {})[i] = measured_text(point.value, point.low, point.high)
    for i, course in enumerate(shown):
        for key, texts in rows.items():
            found = trend.own[key[2]].get(FRICTION) if course.series.quantity == FRICTION else None
            if found is not None:
                texts[i] = measured_text(found.value, found.low, found.high)
    units = [with_unit(label(one.series.quantity) + ",", one.series.unit).removesuffix(",") for one in shown]
    head = ("record", "date", trend.axis, *(f"{unit} (95 %)" for unit in units))
    cells = [
        (str(record), date, along_text(x, trend.axis), *(texts.get(i, "") for i in range(len(shown))))
        for (x, date, record), texts in sorted(rows.items())
    ]
    return bare(cells, head=head, flush=(0, 2))


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


def course(course: Course, axes: Axes) -> Axes:
    """One quantity: records with 95 % of what is new at every visit, the line with where the next record
    lies, the moving average with its limits, the lower limit and the way to it; earlier builds in grey."""
    scale = _scale(course.series.axis)
    x = np.array([point.x for point in course.series.points]) * scale
    y = np.array([point.value for point in course.series.points])
    for i, series in enumerate(course.earlier):
        axes.plot(
            [point.x * scale for point in series.points],
            [point.value for point in series.points],
            "-s",
            color=MUTED,
            alpha=0.55,
            linewidth=0.8,
            markersize=3.5,
            label="earlier builds" if i == 0 else None,
        )
    _line(course, axes, scale)
    _average(course, axes, x)
    half = np.array([1.96 * (point.u_visit or 0.0) for point in course.series.points])
    draw_marks(axes, x, y, low=half, high=half, colour=RECORD, zorder=TOP, label="record")
    if course.crossing is not None:
        axes.axhline(
            course.crossing.limit, color=INK, linewidth=THIN, linestyle=(0, (1, 1.5)), label="lower limit"
        )
        _way(course, axes, scale)
    unit = course.series.unit
    upward = f"{label(course.series.quantity)}{'' if unit == '1' else f' [{unit}]'}"
    dress(axes, across=ACROSS[course.series.axis], upward=upward)
    return legend_above(axes, columns=3)


def sums(course: Course, axes: Axes) -> Axes:
    """The cumulative sums of a quantity, upward above zero and downward below, with their decision limits."""
    charts = course.charts
    assert charts is not None
    points = course.series.points[charts.baseline :]
    x = [point.x * _scale(course.series.axis) for point in points]
    axes.plot(x, charts.up, "-^", color=RECORD, linewidth=MIDDLE, markersize=4.5, label="upward sum")
    axes.plot(x, -charts.down, "-v", color=AVERAGE, linewidth=MIDDLE, markersize=4.5, label="downward sum")
    for side in (-1.0, 1.0):
        axes.axhline(
            side * charts.decision,
            color=INK,
            linewidth=THIN,
            linestyle="--",
            label="decision limit" if side > 0 else None,
        )
    level_line(axes, 0.0, along="x")
    dress(axes, across=ACROSS[course.series.axis], upward="sums [standard deviations]")
    return legend_above(axes, columns=2)


def trend_figure(trend: Trend) -> Figure:
    """The whole picture: a row for each quantity, the sums beside it."""
    from matplotlib.figure import Figure

    rows = len(trend.courses)
    figure = Figure(figsize=(11.0, 0.6 + 3.4 * rows), layout="constrained", facecolor=PAPER)
    figure.suptitle(
        f"unit {printable(trend.unit, limit=40)}, build {printable(trend.build, limit=40)}",
        x=0.01,
        ha="left",
        color=INK,
        size=12,
        parse_math=False,
    )
    grid = figure.subplots(rows, 2, squeeze=False, width_ratios=[1.7, 1.0])
    for found, (left, right) in zip(trend.courses, grid, strict=True):
        course(found, left)
        if found.charts is not None:
            sums(found, right)
            right.set_xlim(left.get_xlim())
        else:
            right.set_axis_off()
            right.text(0.5, 0.5, "too few records for control charts", ha="center", color=MUTED)
    return figure


def _scale(axis: Axis) -> float:
    return 1e-3 if axis == "distance" else 1.0


def _line(course: Course, axes: Axes, scale: float) -> None:
    line = course.line
    if line is None:
        return
    places = [point.x for point in course.series.points]
    ahead = places[-1] + 0.35 * (places[-1] - places[0])
    far = course.crossing.expected if course.crossing is not None else None
    if far is not None and far < places[-1] + 2.0 * (places[-1] - places[0]):
        ahead = max(ahead, far + 0.1 * (places[-1] - places[0]))
    # after a jump a new line begins
    x = np.linspace(places[0 if course.jump is None else course.jump.at], ahead, 120)
    low, high = line.next_record(x)
    axes.fill_between(x * scale, low, high, color=RECORD, alpha=TINT, linewidth=0, label="next record, 95 %")
    known = x <= places[-1]
    axes.plot(x[known] * scale, line.at(x[known]), color=INK, linewidth=MIDDLE, label="line")
    axes.plot(x[~known] * scale, line.at(x[~known]), color=INK, linewidth=MIDDLE, linestyle="--")


def _average(course: Course, axes: Axes, x: np.ndarray) -> None:
    charts = course.charts
    if charts is None:
        return
    watched = x[charts.baseline :]
    axes.plot(
        watched, charts.average, "-D", color=AVERAGE, linewidth=MIDDLE, markersize=3.5, label="moving average"
    )
    axes.plot(
        watched,
        charts.low,
        color=AVERAGE,
        marker="_",
        markersize=7,
        linewidth=THIN,
        linestyle=":",
        label="its control limits",
    )
    axes.plot(watched, charts.high, color=AVERAGE, marker="_", markersize=7, linewidth=THIN, linestyle=":")


def _way(course: Course, axes: Axes, scale: float) -> None:
    """The interval within which the limit is met, on the limit itself."""
    found = course.crossing
    assert found is not None
    right = axes.get_xlim()[1]
    if found.not_before is None or found.not_before * scale > right:
        return
    end = right if found.reached_by is None else min(found.reached_by * scale, right)
    axes.plot(
        [found.not_before * scale, end],
        [found.limit, found.limit],
        color=INK,
        linewidth=4.5,
        solid_capstyle="butt",
        alpha=0.75,
        label="limit met within",
    )
    axes.set_xlim(right=right)
