"""Figures of the page about doubt and about several builds: intervals with their budget, correlation, the
ladder of shims; each with the table behind it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from diffbench.definitions import parts_of
from diffbench.report import doubt_figures, state_figures
from diffbench.report.drawing import draw
from diffbench.report.page_figures import WIDE, PageFigure, numbers
from diffbench.report.page_tables import typeset
from diffbench.report.rounding import interval_text, number_text, with_uncertainty
from diffbench.report.style import SOURCE_COLOURS
from diffbench.report.wording import printable
from diffbench.results.characterisation import Characterisation

__all__ = ["doubt_page_figures", "ladder_figure"]

WIDTH = 4.5
ROW = 0.44  # inch: a row of a figure of rows
FRAME = 1.25  # inch: legend and axis
CELL = 0.175  # inch: a place of the correlation matrix
FEWEST_PAIRS = 2
MOST_ROWS = 15  # of one figure: more would not fit a sheet
MILLIMETRES = 1e3


def doubt_page_figures(characterisation: Characterisation) -> Iterator[PageFigure]:
    """Intervals of the key numbers and of all others with what they come from, and the correlation."""
    keys, others = doubt_figures.interval_names(characterisation)
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
    if len(doubt_figures.correlated(characterisation)[0]) >= FEWEST_PAIRS:
        yield _correlation_figure(characterisation)


def _interval_figure(
    characterisation: Characterisation, name: str, title: str, names: Sequence[str]
) -> PageFigure:
    found = doubt_figures.doubts(characterisation, names)
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
        "Quantity", "Value ± standard uncertainty", "95 % interval about it [%]",
        *(f"{kind[:1].upper()}{kind[1:]} [% of variance]" for kind in SOURCE_COLOURS),
    )  # fmt: skip
    return PageFigure(
        name,
        title,
        draw(
            lambda axes: doubt_figures.intervals(characterisation, axes, names=names),
            size=(WIDTH, FRAME + ROW * len(found)),
            prefix=name,
            title=(
                f"95 % intervals of {len(found)} quantities about their values, parted by source of "
                f"doubt; the widest is {widest.label}, {rows[found.index(widest)][2]} %."
            ),
        ),
        "A bar reaches from the lower to the upper limit; its parts are shares of the variance.",
        numbers(title, head, rows, texts=(0,)),
    )


def _correlation_figure(characterisation: Characterisation) -> PageFigure:
    names, matrix = doubt_figures.correlated(characterisation)
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
    return PageFigure(
        "correlation",
        "Which quantities go together",
        draw(
            lambda axes: doubt_figures.correlation(characterisation, axes),
            size=(max(2.5 + CELL * len(names), WIDE[0]), max(0.9 + CELL * len(names), 2.4)),
            prefix="correlation",
            title=(
                f"Correlation of {len(names)} quantities; the closest are {names[i]} and "
                f"{names[j]}, {number_text(size, 0.01)} in size."
            ),
        ),
        "The larger a square, the closer two go together: what the data hardly tell apart. An error in one "
        "comes with an error in the other. Intervals of "
        "results that use both take that into account.",
        numbers("Correlation [1]", ("Quantity", *(str(k + 1) for k in range(last))), rows, texts=(0,)),
    )


def ladder_figure(characterisation: Characterisation) -> PageFigure | None:
    """Preload torque over shims; None where there are not two builds with different shims."""
    rungs = state_figures.shim_rungs(characterisation)
    if len({facts.shim_m for facts, _ in rungs}) < FEWEST_PAIRS:
        return None
    limits = {
        (limit.low, limit.high)
        for limit in characterisation.limits
        if parts_of(limit.quantity)[0] == "preload_torque"
    }
    one = limits.pop() if len(limits) == 1 else None
    rows = [
        (
            f"{MILLIMETRES * (facts.shim_m or 0.0):.4g}",
            printable(facts.build, limit=60),
            with_uncertainty(item.value, item.u, item.unit),
            interval_text(item.low, item.high, item.u),
        )
        for facts, item in rungs
    ]
    return PageFigure(
        "shim-ladder",
        "Preload torque over shims",
        draw(
            lambda axes: state_figures.shim_ladder(characterisation, axes, limits=one),
            size=WIDE,
            prefix="shim-ladder",
            title=(
                f"Preload torque over shims: {rows[0][2]} at {rows[0][0]} mm to {rows[-1][2]} at "
                f"{rows[-1][0]} mm."
            ),
        ),
        "Each step bears what a millimetre of shim adds. The command diffbench advise says which shim gives "
        "a target.",
        numbers(
            "Preload torque over shims",
            ("Shim [mm]", "Build", "Preload torque ± standard uncertainty", "95 % interval [N·m]"),
            rows,
            texts=(1,),
        ),
    )
