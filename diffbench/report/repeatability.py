"""Repeatability: one line a quantity, the tests for outlying repeats, the table to paste."""

from __future__ import annotations

from typing import TYPE_CHECKING

from diffbench.answers.repeatability import Outlying, Repeatability
from diffbench.report.document import (
    WIDE,
    Document,
    Figure,
    Literally,
    Section,
    Sentence,
    bare,
    items,
    numbers,
)
from diffbench.report.rounding import interval_text, number_text, with_unit
from diffbench.report.style import CELLS, CURVE, INK, PAPER, STATE_COLOURS, dress, legend_above, level_line
from diffbench.report.wording import label, printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BAND = STATE_COLOURS["before"]

PER_CENT = 100.0


def repeatability_document(result: Repeatability) -> Document:
    """What a refit moves; the table for the rig file stands alone at the end."""
    groups = ", ".join(printable(group, limit=60) for group in result.groups)
    head = f"Repeatability from {len(result.repeats)} visits of {groups}"
    rows, tests = [], []
    for name, q in result.quantities.items():
        u = q.repeatability
        share = PER_CENT * q.relative
        low, high = (
            share * end / u if u > 0.0 else 0.0 for end in (q.repeatability_low, q.repeatability_high)
        )
        rows.append(
            (
                label(name),
                with_unit(number_text(q.mean, u), q.unit),
                number_text(u, u),
                f"{number_text(share, share)} % ({interval_text(low, high, share)})",
                number_text(q.limit, q.limit),
            )
        )
        tests.append((label(name), *(_test(test) for test in q.tests)))
    quantities = ("", "mean", "s_r", "s_r, relative (95 %)", "limit r = 2.8 s_r")
    unknown = result.not_determined.items()
    sections = (
        Section("", (Sentence(head),)),
        Section("", (bare(rows, head=quantities),)),
        Section("", (_figure(result),) if result.quantities else ()),
        Section("Outlying repeats", (bare(tests, head=("", "Cochran", "Grubbs")),)),
        items("", map(printable, result.findings)),
        items("", (f"{label(name)}: {printable(why)}" for name, why in unknown)),
        Section("", (Sentence("For the rig file:"),)),
        Section("", (Literally(result.paste),)),
    )
    return Document("Repeatability of a bench", sections)


def _figure(result: Repeatability) -> Figure:
    """Every visit, for a page; a terminal leaves it out."""
    wide = max(result.quantities.items(), key=lambda item: item[1].relative)
    return Figure(
        name="repeats",
        title="Each visit against the mean of all",
        paint=lambda axes: deviations(result, axes),
        size=WIDE,
        shows=(
            f"{len(result.repeats)} visits; most scatter has {label(wide[0])} with "
            f"{number_text(PER_CENT * wide[1].relative, PER_CENT * wide[1].relative)} %."
        ),
        table=numbers(
            "Each visit against the mean of all",
            ("Quantity", *(f"Visit {i} [% of the mean]" for i in range(1, len(result.repeats) + 1))),
            [
                (label(name), *(f"{PER_CENT * (value / q.mean - 1.0):+z.2f}" for value in q.values))
                for name, q in result.quantities.items()
            ],
            texts=(0,),
        ),
    )


def deviations(result: Repeatability, axes: Axes) -> Axes:
    """What each visit read of each quantity, in per cent of the mean, over a bar of two standard deviations
    of repeatability to either side."""
    names = list(result.quantities)
    for row, q in enumerate(result.quantities.values()):
        reach = 2.0 * PER_CENT * q.relative
        axes.plot(
            [-reach, reach], [row, row], color=BAND, linewidth=9.0, solid_capstyle="butt", zorder=CELLS,
            label="_" if row else "2 s_r to either side",
        )  # fmt: skip
        off = [PER_CENT * (value / q.mean - 1.0) for value in q.values]
        axes.plot(
            off, [row] * len(off), "o", color=INK, markerfacecolor=PAPER, markersize=6.0,
            markeredgewidth=1.4, zorder=CURVE, label="_" if row else "a visit",
        )  # fmt: skip
    level_line(axes, 0.0, along="y")
    axes.set_yticks(range(len(names)), [label(name) for name in names])
    axes.set_ylim(len(names) - 0.4, -0.6)
    dress(axes, across="off the mean [%]", upward="")
    axes.grid(visible=False, axis="y")
    return legend_above(axes)


def _test(test: Outlying) -> str:
    if test.statistic is None or test.critical_5 is None:
        return f"not tested: {printable(test.reason)}"
    text = f"{test.finding}, {test.statistic:.2f} (5 % at {test.critical_5:.2f})"
    return text if test.which is None else f"{text}: {printable(test.which, limit=60)}"
