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
from diffbench.report.glossary import card_glossary, glossary_figure, glossary_table
from diffbench.report.history import distance_text
from diffbench.report.judgement import judged, three_digits
from diffbench.report.messages import say_in
from diffbench.report.page import page_of
from diffbench.report.rounding import interval_text, number_text, with_uncertainty
from diffbench.report.style import INK, MUTED, PAPER, STATE_COLOURS, TICK_SIZE, dress, legend_above
from diffbench.report.wording import label, printable
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
    for life in lives:
        before: tuple[Characterisation, LockingMap] | None = None
        newest: Card | None = None
        for one in life.seen:
            made = curve_map(one.result, one.visit.fact.measured_as)
            newest = card_of(
                one.result, made, one.state, before=before, language=language, say=say_in(language)
            )
            terms, sketch = card_glossary(newest.say)
            pages[one.card] = page_of(
                "card_page", title=f"{newest.unit}, {newest.date}", the_card=newest, language=language,
                up=(life.page, newest.unit), terms=terms, sketch=sketch,
            )  # fmt: skip
            before = one.result.of_build(one.visit.fact.measured_as), made
        assert newest is not None
        pages[life.page] = page_of(
            "unit",
            title=f"Unit {printable(life.unit, limit=60)}",
            the_card=newest,
            figures=list(life_figures(life)),
            visits=visit_table(life),
            cards=[(one.card, _place(one)) for one in life.seen],
            changes=change_table(life),
            terms=glossary_table(),
            sketch=glossary_figure(),
        )
    pages["index.html"] = page_of("units", title="Units", rows=[_row(life) for life in lives])
    return {name: text.encode("utf-8", "backslashreplace") for name, text in pages.items()}


def life_figures(life: Life) -> Iterator[Figure]:
    """Each quantity that was seen twice over the dates of the visits."""
    for quantity in FOLLOWED:
        points = [point for one in life.seen if (point := _point(one, quantity)) is not None]
        if not points:
            continue
        words = label(quantity)
        unit = next(
            item.unit
            for one in life.seen
            if (item := one.result.where_judged(quantity, _build(one))) is not None
        )
        rows = [
            (
                point.day.isoformat(),
                number_text(point.value, (point.high - point.low) / 3.92),
                interval_text(point.low, point.high, (point.high - point.low) / 3.92),
                "" if point.limits is None else interval_text(*point.limits),
            )
            for point in points
        ]
        name = quantity.replace("_", "-")
        yield Figure(
            name=f"life-{name}",
            title=f"{words[:1].upper()}{words[1:]} over the life of the unit",
            paint=lambda axes, q=quantity, u=unit: time_line(life, axes, quantity=q, unit=u),  # type: ignore[misc]
            size=(4.5, 2.7),
            shows=f"{words} of {len(points)} visits, from {rows[0][1]} to {rows[-1][1]} {unit}.".replace(
                " 1.", "."
            ),
            table=numbers(
                f"{words} by visit",
                ("Date", f"Value [{unit}]", f"95 % interval [{unit}]", f"Limits [{unit}]"),
                rows,
                texts=(0,),
            ),
        )


def time_line(life: Life, axes: Axes, *, quantity: str, unit: str) -> Axes:
    """One quantity over the dates of the visits, with 95 % limits and the limits of the build sheet; a line
    stands where the unit was rebuilt, and each visit bears its kilometres."""
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    points = [(one, point) for one in life.seen if (point := _point(one, quantity)) is not None]
    days = np.array([_days(point.day) for _, point in points])
    values = np.array([[point.value, point.low, point.high] for _, point in points])
    axes.errorbar(
        days, values[:, 0], yerr=np.stack([values[:, 0] - values[:, 1], values[:, 2] - values[:, 0]]),
        fmt="o", color=STATE_COLOURS["before"], markersize=7.0, markeredgecolor=PAPER, elinewidth=1.8,
        capsize=4.0, label="measured, 95 % interval", zorder=4,
    )  # fmt: skip
    told = [distance_text(one.visit.fact.distance_m) for one, _ in points]
    for words, here in groupby(range(len(points)), key=told.__getitem__):
        # visits in a row at one distance bear it once
        these = list(here)
        axes.annotate(
            words, (float(days[these].mean()), float(values[these, 2].max())), xytext=(0, 4),
            textcoords="offset points", ha="center", color=MUTED, size=TICK_SIZE,
            bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.6}, zorder=3.5,
        )  # fmt: skip
    _draw_limits(axes, [point for _, point in points], days)
    _draw_rebuilds(axes, life)
    span = max(float(np.ptp(axes.dataLim.intervalx)), 30.0)
    middle = float(np.mean(axes.dataLim.intervalx))
    axes.set_xlim(middle - 0.6 * span, middle + 0.6 * span)
    axes.margins(y=0.18)
    locator = AutoDateLocator(minticks=2, maxticks=5)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    years = sorted({point.day.year for _, point in points})
    dress(
        axes,
        across=f"date, {' to '.join(map(str, dict.fromkeys((years[0], years[-1]))))}",
        upward=f"{label(quantity)}{'' if unit == '1' else f' [{unit}]'}",
    )
    days_text = ConciseDateFormatter(locator, show_offset=False)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_formatter(days_text)
    return legend_above(axes)


def _draw_limits(axes: Axes, points: Sequence[Point], days: np.ndarray) -> None:
    """The sheet's limits as lines from visit to visit, in steps."""
    held = [(day, point.limits) for day, point in zip(days, points, strict=True) if point.limits is not None]
    if not held:
        return
    reach = max(float(np.ptp(days)) * 0.05, 3.0)
    across = [held[0][0] - reach, *(day for day, _ in held), held[-1][0] + reach]
    for end, name in ((0, "limits of the build sheet"), (1, "")):
        levels = [limits[end] for _, limits in held]
        axes.step(
            across, [levels[0], *levels, levels[-1]], where="post", color=STATE_COLOURS["after"],
            linewidth=1.8, label=name or "_", zorder=3,
        )  # fmt: skip


def _draw_rebuilds(axes: Axes, life: Life) -> None:
    """A line where another build was seen first."""
    rebuilt = [
        _day(later)
        for earlier, later in zip(life.seen, life.seen[1:], strict=False)
        if earlier.visit.fact.build != later.visit.fact.build
    ]
    for i, day in enumerate(rebuilt):
        axes.axvline(
            _days(day), color=INK, linewidth=1.2, linestyle=(0, (2, 2)), zorder=2,
            label="rebuilt" if i == 0 else "_",
        )  # fmt: skip


def visit_table(life: Life) -> Table:
    """Every visit with its numbers and the state by all records up to then."""
    rows = []
    for one in life.seen:
        fact = one.visit.fact
        cells = []
        for quantity in FOLLOWED:
            item = one.result.where_judged(quantity, fact.measured_as)
            cells.append("" if item is None else with_uncertainty(item.value, item.u, item.unit))
        rows.append(
            (
                printable(one.visit.date, limit=20),
                printable(fact.build, limit=40),
                distance_text(fact.distance_m),
                "" if fact.events is None else str(fact.events),
                *cells,
                judged(one.state).word,
            )
        )
    quantities = ((words := label(q))[:1].upper() + words[1:] for q in FOLLOWED)
    head = ("Date", "Build", "Distance", "Events", *quantities, "State")
    kept = [i for i in range(len(head)) if any(row[i] for row in rows)]
    figures = tuple(place for place, i in enumerate(kept) if head[i] not in ("Build", "State"))
    return Table(
        "Visits", tuple(head[i] for i in kept), tuple(tuple(row[i] for i in kept) for row in rows), figures
    )


def change_table(life: Life) -> Table | None:
    """What was changed from build to build, by the build sheets."""
    rows = []
    for earlier, later in zip(life.seen, life.seen[1:], strict=False):
        if earlier.visit.fact.build == later.visit.fact.build:
            continue
        told = [
            f"{words} {_said(before, factor, unit)} to {_said(after, factor, unit)}"
            for key, factor, unit, words in CHANGES
            if (before := getattr(earlier.facts, key)) != (after := getattr(later.facts, key))
        ]
        if earlier.facts.disc_spring != later.facts.disc_spring:
            told.append("other disc springs")
        rows.append(
            (
                printable(later.visit.date, limit=20),
                printable(earlier.visit.fact.build, limit=40),
                printable(later.visit.fact.build, limit=40),
                "; ".join(told) or "nothing that the build sheets state",
            )
        )
    head = ("Seen first", "From build", "To build", "Changed")
    return Table("What was changed", head, tuple(rows)) if rows else None


def _row(life: Life) -> dict[str, str]:
    newest = life.newest
    words = judged(newest.state)
    item = newest.result.where_judged("preload_torque", _build(newest))
    return {
        "page": life.page,
        "unit": printable(life.unit, limit=60),
        "state": newest.state.state,
        "word": words.word,
        "date": printable(newest.visit.date, limit=20),
        "preload": "" if item is None else three_digits(item.value, item.u, item.unit),
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


def _place(one: Seen) -> str:
    date, build = one.visit.date, one.visit.fact.build
    return f"{printable(date, limit=20)}, build {printable(build, limit=40)}"


def _said(value: float | None, factor: float, unit: str) -> str:
    return "not stated" if value is None else f"{factor * value:.4g} {unit}".strip()


def _slug(name: str) -> str:
    """A name that any file system and any address bears, its own for each name.

    >>> _slug("Q17"), _slug("../é")
    ('Q17', 'x-9cd7743f')
    """
    plain = re.sub(r"[^A-Za-z0-9-]+", "-", name).strip("-")[:60]
    return plain if plain == name else f"{plain or 'x'}-{sha256(name)[:8]}"
