"""The page of a unit: its card, its life on one time line, what was changed when, and a card of each visit;
and an index of all units with their states. Static files that link to each other."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING

import numpy as np

from diffbench.answers.state import Stock, judge
from diffbench.history.journal import sha256
from diffbench.report.card import Card, card_of, curve_map
from diffbench.report.document import Figure, Table, numbers
from diffbench.report.glossary import card_glossary
from diffbench.report.history import distance_text
from diffbench.report.judgement import judged, name_text, three_digits
from diffbench.report.messages import Say, english, say_in
from diffbench.report.page import page_of
from diffbench.report.rounding import number_text, with_uncertainty, with_unit
from diffbench.report.style import (
    AREA,
    BESIDE,
    CELLS,
    INK,
    MIDDLE,
    MUTED,
    PAPER,
    STATE_COLOURS,
    STRONG,
    TICK_SIZE,
    draw_marks,
    dress,
    legend_above,
)
from diffbench.report.wording import printable
from diffbench.results.characterisation import BuildFacts, Characterisation
from diffbench.results.locking_map import LockingMap
from diffbench.results.state import State
from diffbench.trend.courses import Visit

if TYPE_CHECKING:
    from matplotlib.axes import Axes


#: What is followed on the time line: preload, then friction and both ramps.
FOLLOWED = (
    "preload_torque",
    "friction_coefficient",
    "ramp_bias_drive_loading",
    "ramp_bias_coast_loading",
)
MILLIMETRES = 1e3
#: A time line longer than this [d] counts in months.
MONTHS = 90.0
#: Share of an axis that a text at a visit takes.
ROOM = 0.2
#: What of a build can be changed, with factor, unit and words.
CHANGES = (
    ("shim_m", MILLIMETRES, "mm", "shim"),
    ("faces", 1.0, "", "friction faces of a pack"),
    ("drive_angle_deg", 1.0, "deg", "ramp angle, drive"),
    ("coast_angle_deg", 1.0, "deg", "ramp angle, coast"),
    ("effective_radius_m", MILLIMETRES, "mm", "effective radius"),
)


@dataclass(frozen=True, eq=False)
class Seen:
    """One build at one visit: what a history says of it, its result, and how the unit stood by all records up
    to then. ``card`` is the name of its page."""

    visit: Visit
    result: Characterisation
    state: State
    card: str

    @property
    def facts(self) -> BuildFacts:
        """What its build sheet says."""
        return self.result.facts_of(self.visit.fact.measured_as)


@dataclass(frozen=True, eq=False)
class Life:
    """All visits of a unit in order."""

    unit: str
    page: str
    seen: tuple[Seen, ...]

    @property
    def newest(self) -> Seen:
        """The last visit."""
        return self.seen[-1]


@dataclass(frozen=True)
class Point:
    """A quantity at a visit: its day, value and 95 % limits, and the limits of the sheet then."""

    day: dt.date
    value: float
    low: float
    high: float
    limits: tuple[float, float] | None


def life_of(unit: str, visits: Sequence[Visit], *, stock: Stock | None = None) -> Life:
    """The life of a unit from its visits in a history, in their order; ``stock`` is that of the workshop."""
    name = f"unit-{_slug(unit)}"
    results: dict[int, Characterisation] = {}
    seen = []
    for i, visit in enumerate(visits):
        number = visit.record.number
        if number not in results:
            # what it says of its own hash was held against it when it was filed
            content = {**visit.document, "sha256": None}
            results[number] = Characterisation.model_validate(content)
        state = judge(
            [one for earlier in visits[: i + 1] for one in earlier.observations()],
            build=visit.fact.build,
            stock=stock,
        )
        card = f"{name}-record-{number}-{_slug(visit.fact.build)}.html"
        seen.append(Seen(visit, results[number], state, card))
    return Life(unit, f"{name}.html", tuple(seen))


def unit_pages(lives: Sequence[Life], *, language: str = "en") -> dict[str, bytes]:
    """All pages by name: one of each unit, one card of each visit, and ``index.html`` over all units, which
    is the last."""
    pages: dict[str, str] = {}
    say = say_in(language)
    terms, sketch = card_glossary(say)
    for life in lives:
        before: tuple[Characterisation, LockingMap] | None = None
        newest: Card | None = None
        for one in life.seen:
            made = curve_map(one.result, one.visit.fact.measured_as)
            newest = card_of(one.result, made, one.state, before=before, language=language, say=say)
            pages[one.card] = page_of(
                "card_page", title=f"{newest.unit}, {newest.date}", the_card=newest, language=language,
                up=(life.page, newest.unit), terms=terms, sketch=sketch,
            )  # fmt: skip
            before = one.result.of_build(one.visit.fact.measured_as), made
        assert newest is not None
        pages[life.page] = page_of(
            "unit",
            title=f"{say('Unit')} {printable(life.unit, limit=60)}",
            the_card=newest,
            language=language,
            figures=list(life_figures(life, say)),
            visits=visit_table(life, say),
            cards=[(one.card, _place(one, say)) for one in life.seen],
            changes=change_table(life, say),
            terms=terms,
            sketch=sketch,
        )
    rows = [_row(life, say) for life in lives]
    pages["index.html"] = page_of("units", title=say("Units"), rows=rows, language=language, say=say)
    return {name: text.encode("utf-8", "backslashreplace") for name, text in pages.items()}


def life_figures(life: Life, say: Say = english) -> Iterator[Figure]:
    """Each quantity that was seen over the dates of the visits, in a language."""
    for quantity in FOLLOWED:
        points = [point for one in life.seen if (point := _point(one, quantity)) is not None]
        if not points:
            continue
        words = name_text(quantity, say)
        unit = next(
            item.unit
            for one in life.seen
            if (item := one.result.where_judged(quantity, _build(one))) is not None
        )
        rows = [
            (
                point.day.isoformat(),
                say.number(number_text(point.value, u := (point.high - point.low) / 3.92)),
                _range(point.low, point.high, u, say),
                "" if point.limits is None else _range(*point.limits, None, say),
            )
            for point in points
        ]
        interval = say("95 % interval")
        words_of = (say("Value"), f"{interval[:1].upper()}{interval[1:]}", say("Limits"))
        limited = any(row[-1] for row in rows)
        head = (say("Date"), *(f"{one} [{unit}]" for one in words_of))[: 4 if limited else 3]
        shows = say("{name}, visits: {count}; first {first}, last {last}.").format(
            name=words, count=len(points), first=rows[0][1], last=with_unit(rows[-1][1], unit)
        )
        yield Figure(
            name=f"life-{quantity.replace('_', '-')}",
            title=say("{name} over the life of the unit").format(name=words),
            paint=lambda axes, q=quantity, u=unit: time_line(life, axes, quantity=q, unit=u, say=say),  # type: ignore[misc]
            size=(4.5, 2.7),
            shows=shows,
            table=numbers(words, head, [row[: len(head)] for row in rows], texts=(0,)),
        )


def _range(low: float, high: float, u: float | None, say: Say) -> str:
    """Two ends, with the words and the decimal sign of a language."""
    ends = (say.number(number_text(end, u)) for end in (low, high))
    return say("{low} to {high}").format(**dict(zip(("low", "high"), ends, strict=True)))


def time_line(life: Life, axes: Axes, *, quantity: str, unit: str, say: Say = english) -> Axes:
    """One quantity over the dates of the visits, with 95 % limits and the limits of the build sheet; a line
    stands where the unit was rebuilt, and each visit bears its kilometres."""
    from matplotlib.dates import AutoDateLocator, DateFormatter

    points = [(one, point) for one in life.seen if (point := _point(one, quantity)) is not None]
    days = np.array([_days(point.day) for _, point in points])
    values = np.array([[point.value, point.low, point.high] for _, point in points])
    draw_marks(
        axes, days, values[:, 0], low=values[:, 0] - values[:, 1], high=values[:, 2] - values[:, 0],
        colour=STATE_COLOURS["before"], edge=PAPER, label=say("measured, 95 % interval"),
    )  # fmt: skip
    told = [say.number(distance_text(one.visit.fact.distance_m)) for one, _ in points]
    _write_distances(axes, told, days, values, [point.limits for _, point in points])
    _draw_limits(axes, [point for _, point in points], days, say("limits"))
    _draw_rebuilds(axes, life, say("rebuilt"))
    span = max(float(np.ptp(axes.dataLim.intervalx)), 30.0)
    middle = float(np.mean(axes.dataLim.intervalx))
    axes.set_xlim(middle - 0.6 * span, middle + 0.6 * span)
    axes.margins(y=0.18)
    locator = AutoDateLocator(minticks=2, maxticks=5)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    years = sorted({point.day.year for _, point in points})
    years_text = " – ".join(map(str, dict.fromkeys((years[0], years[-1]))))
    dress(
        axes,
        across=f"{say('date')}, {years_text}",
        upward=f"{name_text(quantity, say)}{'' if unit == '1' else f' [{unit}]'}",
    )
    # in figures, as every language reads them (ISO 8601)
    axes.xaxis.set_major_formatter(DateFormatter("%Y-%m" if span > MONTHS else "%m-%d"))  # type: ignore[no-untyped-call]
    if say.comma:
        _write_commas(axes, say)
    return legend_above(axes)


def _write_distances(
    axes: Axes,
    told: Sequence[str],
    days: np.ndarray,
    values: np.ndarray,
    limits: Sequence[tuple[float, float] | None],
) -> None:
    """Kilometres at each visit, once where visits in a row have one distance: away from a neighbour that is
    near, and below the interval where a limit runs above it."""
    ends = np.array([end for pair in limits if pair is not None for end in pair])
    high, wide = float(np.ptp([*values.ravel(), *ends])), max(float(np.ptp(days)), 30.0)
    groups = [list(here) for _, here in groupby(range(len(told)), key=told.__getitem__)]
    places = [float(days[these].mean()) for these in groups]
    for number, (these, at) in enumerate(zip(groups, places, strict=True)):
        top, bottom = float(values[these, 2].max()), float(values[these, 1].min())
        below = bool(np.any((ends >= top) & (ends <= top + ROOM * high)))
        before = number > 0 and at - places[number - 1] < ROOM * wide
        after = number + 1 < len(places) and places[number + 1] - at < ROOM * wide
        axes.annotate(
            told[these[0]], (at, bottom if below else top), xytext=(0, -4 if below else 4),
            textcoords="offset points", ha="right" if after else "left" if before else "center",
            va="top" if below else "bottom", color=MUTED, size=TICK_SIZE,
            bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.6}, zorder=BESIDE,
        )  # fmt: skip


def _write_commas(axes: Axes, say: Say) -> None:
    """The decimal sign of the language on the axis of the quantity."""
    from matplotlib.ticker import ScalarFormatter

    class Comma(ScalarFormatter):
        def __call__(self, value: float, place: int | None = None) -> str:
            return say.number(super().__call__(value, place))

    axes.yaxis.set_major_formatter(Comma())


def _draw_limits(axes: Axes, points: Sequence[Point], days: np.ndarray, words: str) -> None:
    """The sheet's limits as lines from visit to visit, in steps."""
    held = [(day, point.limits) for day, point in zip(days, points, strict=True) if point.limits is not None]
    if not held:
        return
    reach = max(float(np.ptp(days)) * 0.05, 3.0)
    across = [held[0][0] - reach, *(day for day, _ in held), held[-1][0] + reach]
    for end, name in ((0, words), (1, "")):
        levels = [limits[end] for _, limits in held]
        axes.step(
            across, [levels[0], *levels, levels[-1]], where="post", color=STATE_COLOURS["after"],
            linewidth=STRONG, label=name or "_", zorder=AREA,
        )  # fmt: skip


def _draw_rebuilds(axes: Axes, life: Life, words: str) -> None:
    """A line where another build was seen first."""
    rebuilt = [
        _day(later)
        for earlier, later in zip(life.seen, life.seen[1:], strict=False)
        if earlier.visit.fact.build != later.visit.fact.build
    ]
    for i, day in enumerate(rebuilt):
        axes.axvline(
            _days(day), color=INK, linewidth=MIDDLE, linestyle=(0, (2, 2)), zorder=CELLS,
            label=words if i == 0 else "_",
        )  # fmt: skip


def visit_table(life: Life, say: Say = english) -> Table:
    """Every visit with its numbers and the state by all records up to then."""
    rows = []
    for one in life.seen:
        fact = one.visit.fact
        cells = []
        for quantity in FOLLOWED:
            item = one.result.where_judged(quantity, fact.measured_as)
            cells.append("" if item is None else say.number(with_uncertainty(item.value, item.u, item.unit)))
        rows.append(
            (
                printable(one.visit.date, limit=20),
                printable(fact.build, limit=40),
                say.number(distance_text(fact.distance_m)),
                "" if fact.events is None else str(fact.events),
                *cells,
                judged(one.state, say).word,
            )
        )
    quantities = [name_text(quantity, say) for quantity in FOLLOWED]
    texts = (say("Build"), say("State"))
    head = (say("Date"), texts[0], say("Distance"), say("Events"), *quantities, texts[1])
    kept = [i for i in range(len(head)) if any(row[i] for row in rows)]
    figures = tuple(place for place, i in enumerate(kept) if head[i] not in texts)
    return Table(
        say("Visits"), tuple(head[i] for i in kept), tuple(tuple(row[i] for i in kept) for row in rows),
        figures,
    )  # fmt: skip


def change_table(life: Life, say: Say = english) -> Table | None:
    """What was changed from build to build, by the build sheets."""
    rows = []
    for earlier, later in zip(life.seen, life.seen[1:], strict=False):
        if earlier.visit.fact.build == later.visit.fact.build:
            continue
        told = [
            say("{name}: {before}, now {after}").format(
                name=say(words),
                before=_said(before, factor, unit, say),
                after=_said(after, factor, unit, say),
            )
            for key, factor, unit, words in CHANGES
            if (before := getattr(earlier.facts, key)) != (after := getattr(later.facts, key))
        ]
        if earlier.facts.disc_spring != later.facts.disc_spring:
            told.append(say("other disc springs"))
        rows.append(
            (
                printable(later.visit.date, limit=20),
                printable(earlier.visit.fact.build, limit=40),
                printable(later.visit.fact.build, limit=40),
                "; ".join(told) or say("nothing that the build sheets state"),
            )
        )
    head = (say("Seen first"), say("Build before"), say("Build after"), say("Changed"))
    return Table(say("What was changed"), head, tuple(rows)) if rows else None


def _row(life: Life, say: Say) -> dict[str, str]:
    newest = life.newest
    words = judged(newest.state, say)
    item = newest.result.where_judged("preload_torque", _build(newest))
    return {
        "page": life.page,
        "unit": printable(life.unit, limit=60),
        "state": newest.state.state,
        "word": words.word,
        "date": printable(newest.visit.date, limit=20),
        "preload": "" if item is None else say.number(three_digits(item.value, item.u, item.unit)),
        "step": " ".join(words.step),
        "caution": " ".join(words.caution),
    }


def _point(one: Seen, quantity: str) -> Point | None:
    item = one.result.where_judged(quantity, _build(one))
    if item is None or item.value is None:
        return None
    low, high = (item.value if end is None else end for end in (item.low, item.high))
    return Point(_day(one), item.value, low, high, one.visit.limits(quantity))


def _build(one: Seen) -> str:
    build: str = one.visit.fact.measured_as
    return build


def _day(one: Seen) -> dt.date:
    return dt.date.fromisoformat(one.visit.date[:10])


def _days(day: dt.date) -> float:
    """A day as matplotlib counts them."""
    return float((day - dt.date(1970, 1, 1)).days)


def _place(one: Seen, say: Say) -> str:
    date, build = one.visit.date, one.visit.fact.build
    return f"{printable(date, limit=20)}, {say('Build')} {printable(build, limit=40)}"


def _said(value: float | None, factor: float, unit: str, say: Say) -> str:
    return say("not stated") if value is None else say.number(f"{factor * value:.4g} {unit}".strip())


def _slug(name: str) -> str:
    """A name that any file system and any address bears, its own for each name.

    >>> _slug("Q17"), _slug("../é")
    ('Q17', 'x-9cd7743f')
    """
    plain = re.sub(r"[^A-Za-z0-9-]+", "-", name).strip("-")[:60]
    return plain if plain == name else f"{plain or 'x'}-{sha256(name)[:8]}"
