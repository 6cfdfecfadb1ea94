"""Doubt: intervals of the quantities with what they are made of, and which quantities go together."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diffbench.definitions import parts_of
from diffbench.doubts import Source, is_weak, statement_of
from diffbench.report.document import WIDE, Figure, numbers
from diffbench.report.rounding import number_text, typeset
from diffbench.report.style import (
    AREA,
    CELLS,
    CURVE,
    DIRECTION_COLOURS,
    GRID,
    INK,
    MIDDLE,
    PAPER,
    RULE,
    SOURCE_COLOURS,
    THIN,
    TICK_SIZE,
    TOP,
    dress,
    legend_above,
)
from diffbench.report.wording import Shown, key_names, label, seen_in, shared_names
from diffbench.results.characterisation import Characterisation, Parameter

if TYPE_CHECKING:
    from matplotlib.axes import Axes


Array = NDArray[np.float64]

PER_CENT = 100.0
THICK = 0.36
#: Squares of the correlation matrix at full correlation, as a share of their place.
FULL = 0.86
SMALLEST = 0.05
MOST_CORRELATED = 24
#: An interval longer than that many times the middle one is cut off.
MOST_REACH = 4.0
WIDTH = 4.5
ROW = 0.44  # inch: a row of a figure of rows
FRAME = 1.25  # inch: legend and axis
CELL = 0.19  # inch: a place of the correlation matrix
FEWEST_PAIRS = 2
MOST_ROWS = 15  # of one figure: more would not fit a sheet


@dataclass(frozen=True)
class Doubt:
    """A quantity's doubt: its label and rounded value, 95 % limits about the value [%], and share of the
    variance by kind of source, in the order of `SOURCE_COLOURS`."""

    name: str
    label: str
    value: str
    low: float
    high: float
    shares: tuple[float, ...]


def source_kind(source: str) -> str:
    """Kind of a source of doubt: one of those in `SOURCE_COLOURS`.

    >>> source_kind("weak: plate heat"), source_kind("gear friction (build sheet)"), source_kind("tare")
    ('plausible range or form', 'build sheet', 'transducers')
    """
    if source == "noise":
        return "noise"
    if source == Source.REPEATABILITY:
        return "refitting to the bench"
    if is_weak(source) or source in (Source.FORM, Source.LEFT_OUT):
        return "plausible range or form"
    return "build sheet" if statement_of(source) or source == "build sheet" else "transducers"


def interval_names(characterisation: Characterisation) -> tuple[list[str], list[str]]:
    """Names of the key numbers, and of all others, whose interval can be shown as a share of their value."""

    def can(name: str) -> bool:
        item = characterisation.parameters[name]
        return bool(item.value and item.u and item.low is not None and item.high is not None and item.budget)

    keys, others = key_names(characterisation)
    return [name for name in keys if can(name)], [name for name in others if can(name)]


def doubts(characterisation: Characterisation, names: Sequence[str]) -> list[Doubt]:
    """Interval and shares of each of these quantities, which have value, uncertainty, interval and budget."""
    return [
        _doubt(seen_in(characterisation, name), name, characterisation.parameters[name]) for name in names
    ]


def _doubt(seen: Shown, name: str, item: Parameter) -> Doubt:
    if not item.value or not item.u or item.low is None or item.high is None:
        msg = f"{name} has no interval"
        raise ValueError(msg)
    size = abs(item.value)
    squares = dict.fromkeys(SOURCE_COLOURS, 0.0)
    for source, part in item.budget.items():
        squares[source_kind(source)] += part**2
    total = sum(squares.values()) or 1.0
    return Doubt(
        name,
        seen.label,
        seen.full,
        PER_CENT * (item.low - item.value) / size,
        PER_CENT * (item.high - item.value) / size,
        tuple(square / total for square in squares.values()),
    )


def intervals(characterisation: Characterisation, axes: Axes, *, names: Sequence[str] | None = None) -> Axes:
    """95 % interval of each quantity about its value, and what it comes from: those in ``names`` from the
    top, the key numbers by default. A line reaches from the lower to the upper limit; the bar from the value
    to the upper limit is parted by share of the variance."""
    shown_here = doubts(characterisation, interval_names(characterisation)[0] if names is None else names)
    rows = np.arange(len(shown_here))
    for kind, (source, colour) in enumerate(SOURCE_COLOURS.items()):
        width = np.array([d.high * d.shares[kind] for d in shown_here])
        before = np.array([d.high * sum(d.shares[:kind]) for d in shown_here])
        if (width > 0).any():
            axes.barh(
                rows, width, left=before, height=THICK, color=colour, edgecolor=INK, linewidth=0.6,
                label=source, zorder=AREA,
            )  # fmt: skip
    low, high = ([getattr(d, end) for d in shown_here] for end in ("low", "high"))
    axes.hlines(rows, low, high, color=INK, linewidth=MIDDLE, zorder=CURVE)
    for ends in (low, high):
        axes.vlines(ends, rows - THICK / 2, rows + THICK / 2, color=INK, linewidth=MIDDLE, zorder=CURVE)
    _clip(axes, shown_here)
    axes.vlines(0.0, -0.35, len(shown_here) - 0.55, color=INK, linewidth=THIN, zorder=CELLS)
    for row, doubt in enumerate(shown_here):
        for text, at, side in ((doubt.label, 0.0, "left"), (doubt.value, 1.0, "right")):
            axes.annotate(
                typeset(text),
                (at, row - 0.43),
                xycoords=("axes fraction", "data"),
                ha=side,
                va="center",
                color=INK,
                size=TICK_SIZE,
                bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.8},
                zorder=TOP,
            )
    axes.set_yticks([])
    axes.set_ylim(len(shown_here) - 0.55, -0.95)
    dress(axes, across="95 % interval about the value [% of the value]", upward="")
    axes.spines["left"].set_visible(False)
    axes.tick_params(axis="y", length=0)
    axes.grid(visible=False, axis="y")
    return legend_above(axes, columns=2)


def _clip(axes: Axes, found: Sequence[Doubt]) -> None:
    """Limits that leave the short bars readable: one much longer than the others ends in an arrow, with its
    size."""
    halves = np.array([max(-d.low, d.high) for d in found])
    reach = min(float(halves.max()), MOST_REACH * float(np.median(halves))) * 1.08 if halves.size else 1.0
    axes.set_xlim(-reach, reach)
    for row, doubt in enumerate(found):
        if halves[row] > reach:
            axes.annotate(
                f"to {doubt.high:.0f} % ▸",
                (1.0, row),
                xycoords=("axes fraction", "data"),
                xytext=(-4, 0),
                textcoords="offset points",
                ha="right",
                va="center",
                color=INK,
                size=TICK_SIZE,
                bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 1.5},
                zorder=TOP,
            )


def correlated(characterisation: Characterisation) -> tuple[list[str], Array]:
    """Labels of the quantities whose correlation is shown, and their matrix.

    What all builds share stands once; of more than `MOST_CORRELATED` those are kept that go closest with
    another.
    """
    listed = characterisation.correlation.names
    matrix = np.array(characterisation.correlation.matrix, dtype=np.float64).reshape(len(listed), len(listed))
    repeated = shared_names(characterisation)
    kept = [i for i, name in enumerate(listed) if name not in repeated]
    if len(kept) > MOST_CORRELATED:
        apart = np.abs(matrix[np.ix_(kept, kept)]) - np.eye(len(kept))
        closest = np.argsort(-apart.max(axis=1), kind="stable")[:MOST_CORRELATED]
        kept = [kept[i] for i in sorted(closest)]
    shared = set(repeated.values())
    labels = [label(parts_of(listed[i])[0] if listed[i] in shared else listed[i]) for i in kept]
    return labels, matrix[np.ix_(kept, kept)]


def correlation(characterisation: Characterisation, axes: Axes) -> Axes:
    """Which quantities go together: the correlation matrix as squares. Filled ones rise together, open ones
    against each other; the area is the size of the correlation."""
    names, matrix = correlated(characterisation)
    count = len(names)
    from matplotlib.collections import LineCollection, PolyCollection

    rules: list[list[tuple[float, float]]] = []
    squares: dict[bool, list[list[tuple[float, float]]]] = {True: [], False: []}
    for row in range(count):
        rules += [[(-0.5, row), (row - 0.5, row)], [(row, row + 0.5), (row, count - 0.5)]]
        for column in range(row):
            size = float(matrix[row, column])
            half = 0.5 * FULL * float(np.sqrt(min(abs(size), 1.0)))
            if half > SMALLEST:
                left, right, top, foot = column - half, column + half, row - half, row + half
                squares[size > 0].append([(left, top), (right, top), (right, foot), (left, foot)])
        axes.annotate(
            str(row + 1), (row, row), ha="center", va="center", color=INK, size=TICK_SIZE, zorder=CURVE
        )
    axes.add_collection(LineCollection(rules, colors=[GRID], linewidths=0.8, zorder=RULE))
    for positive, drawn in squares.items():
        axes.add_collection(
            PolyCollection(
                drawn,
                facecolors=[DIRECTION_COLOURS[1] if positive else PAPER],
                edgecolors=[DIRECTION_COLOURS[1 if positive else -1]],
                linewidths=0.6 if positive else 1.4,
                zorder=AREA,
            )
        )
    for positive, text in ((True, "rise together"), (False, "one rises, one falls")):
        axes.plot(
            [], [], linestyle="none", marker="s", markersize=9, label=text,
            markerfacecolor=DIRECTION_COLOURS[1] if positive else PAPER,
            markeredgecolor=DIRECTION_COLOURS[1 if positive else -1],
            markeredgewidth=0.6 if positive else 1.5,
        )  # fmt: skip
    axes.set_xlim(-0.6, count - 0.4)
    axes.set_ylim(count - 0.4, -0.6)
    dress(axes, across="quantity by its number [1]", upward="")
    axes.set_yticks(range(count), [f"{typeset(name)}  {i + 1}" for i, name in enumerate(names)])
    axes.set_xticks(range(count), [str(i + 1) for i in range(count)])
    axes.grid(visible=False)
    for spine in axes.spines.values():
        spine.set_visible(False)
    axes.tick_params(length=0, labelsize=TICK_SIZE)
    return legend_above(axes)


def interval_figures(characterisation: Characterisation) -> Iterator[Figure]:
    """Intervals of the key numbers and of all others with what they come from."""
    keys, others = interval_names(characterisation)
    for kind, title, names in (
        ("key", "Intervals of the key numbers", keys),
        ("other", "Intervals of all others", others),
    ):
        pieces = -(-len(names) // MOST_ROWS)
        for i in range(pieces):
            part = names[i * len(names) // pieces : (i + 1) * len(names) // pieces]
            name = f"intervals-{kind}" + (f"-{i + 1}" if i else "")
            count = f", {i + 1} of {pieces}" if pieces > 1 else ""
            yield _interval_figure(characterisation, name, title + count, part)


def _interval_figure(
    characterisation: Characterisation, name: str, title: str, names: Sequence[str]
) -> Figure:
    found = doubts(characterisation, names)
    rows = [
        (
            typeset(d.label),
            d.value,
            f"{number_text(d.low, 0.1)} to {number_text(d.high, 0.1)}",
            *(f"{100.0 * share:.0f}" for share in d.shares),
        )
        for d in found
    ]
    widest = max(found, key=lambda d: d.high - d.low)
    head = (
        "Quantity", "Value ± standard uncertainty [unit beside it]", "95 % interval about it [%]",
        *(f"{kind[:1].upper()}{kind[1:]} [% of variance]" for kind in SOURCE_COLOURS),
    )  # fmt: skip
    return Figure(
        paint=lambda axes: intervals(characterisation, axes, names=names),
        name=name,
        title=title,
        size=(WIDTH, FRAME + ROW * len(found)),
        shows=(
            f"95 % intervals of {len(found)} quantities about their values, parted by source of "
            f"doubt; the widest is {widest.label}, {rows[found.index(widest)][2]} %."
        ),
        caption="Lines are the intervals. A bar starts at the value: its parts are shares of the variance.",
        table=numbers(title, head, rows, texts=(0,)),
    )


def correlation_figure(characterisation: Characterisation) -> Figure | None:
    """Which quantities go together; None where there are not two."""
    names, matrix = correlated(characterisation)
    if len(names) < FEWEST_PAIRS:
        return None
    last = len(names) - 1
    rows = [
        (
            f"{i + 1} {typeset(name)}",
            *(number_text(float(matrix[i, j]), 0.01) if j < i else "" for j in range(last)),
        )
        for i, name in enumerate(names)
    ]
    pairs = [(abs(float(matrix[i, j])), i, j) for i in range(len(names)) for j in range(i)]
    size, i, j = max(pairs)
    return Figure(
        paint=lambda axes: correlation(characterisation, axes),
        name="correlation",
        title="Which quantities go together",
        size=(max(2.5 + CELL * len(names), WIDE[0]), max(0.9 + CELL * len(names), 2.4)),
        shows=(
            f"Correlation of {len(names)} quantities; the closest are {names[i]} and "
            f"{names[j]}, {number_text(size, 0.01)} in size."
        ),
        caption=(
            "The larger a square, the closer two go together: what the data hardly tell apart. An error in "
            "one comes with an error in the other. Intervals of results that use both take that into account."
        ),
        table=numbers(
            "Correlation [1]", ("Quantity", *(f"With {k + 1} [1]" for k in range(last))), rows, texts=(0,)
        ),
    )
