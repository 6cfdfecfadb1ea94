"""Two states of a unit, in a terminal and as pictures: both maps, what changed, corner entry, the difference
as a map."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, TypeGuard

import numpy as np
from numpy.typing import NDArray

from diffbench.answers.comparison import Comparison
from diffbench.answers.differences import Change, DifferenceMap
from diffbench.answers.wear import HeldLimit
from diffbench.report.document import (
    WIDE,
    Block,
    Document,
    Section,
    Sentence,
    Table,
    bare,
    item,
    items,
    numbers,
)
from diffbench.report.document import Figure as PageFigure
from diffbench.report.judgement import state_sentences
from diffbench.report.locking_torque import LOCKING_TORQUE, branch_cells, branch_curve, over_torque
from diffbench.report.map_contours import (
    WASH,
    dress_map,
    frame_map,
    hatch_untested,
    line_colours,
    round_levels,
)
from diffbench.report.result import limits_table
from diffbench.report.rounding import chance_text, interval_text, number_text, with_unit
from diffbench.report.style import (
    BESIDE,
    CURVE,
    DARK_LABEL,
    INK,
    MUTED,
    PAPER,
    STATE_COLOURS,
    STRONG,
    TEXT_SIZE,
    THIN,
    TICK_SIZE,
    draw_band,
    draw_marks,
    dress,
    gain_scale,
    legend_above,
    level_line,
    scale,
)
from diffbench.report.wording import humanised, label, printable, source_text
from diffbench.results.locking_map import Branch, LockingMap

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


PER_CENT = 100.0
#: What the reasons of a comparison speak of, besides the quantities of a result.
NAMED_IN_REASONS = ("face_wear", "preload_loss", "ramp_bias_drive", "ramp_bias_coast")
STATE_LINES = {"before": "-", "after": (0, (5, 2))}
STATE_MARKS = {"before": "o", "after": "s"}
BOTH_BRANCHES: tuple[Branch, ...] = ("loading", "unloading")
Array = NDArray[np.float64]
MOST_LEVELS = 9
MOST_ROWS = 12
#: Dots over what is not significant, as dense as to be seen on every shade.
NOT_SIGNIFICANT = "..."
MICROMETRES = 1e6
#: What the intervals beside the changes are.
TESTED = (
    "each interval is that of its test: all questions share 5 % of false alarms, and most of that goes to a "
    "loss of preload, whose end is the nearer one; the 95 % intervals of each alone are in the document"
)
TESTED_ALIKE = "each interval is that of its test: all of these questions share 5 % of false alarms"


def before_after(
    before: LockingMap,
    after: LockingMap,
    axes: Axes,
    *,
    speed_difference: float,
    temperature: float,
    names: tuple[str, str] = ("before", "after"),
) -> Axes:
    """Locking torque over input torque of two states, while the torque rises, with 95 % bands, at one speed
    difference [rad/s] and temperature [°C]; thin where a map is an extrapolation. ``names`` are what the
    states are called."""
    for which, locking_map, name in zip(STATE_COLOURS, (before, after), names, strict=True):
        curve = branch_curve(
            locking_map, "loading", speed_difference=speed_difference, temperature=temperature
        )
        colour, line = STATE_COLOURS[which], STATE_LINES[which]
        strong = np.where(curve.tested, curve.value, np.nan)
        axes.plot(
            curve.input_torque, strong, linestyle=line, color=colour, linewidth=STRONG, zorder=CURVE,
            label=name,
        )  # fmt: skip
        axes.plot(
            curve.input_torque, curve.value, linestyle=line, color=colour, linewidth=THIN, zorder=BESIDE
        )
        band = f"95 % band, {name}"
        draw_band(axes, curve.input_torque, curve.low, curve.high, colour=colour, label=band)
    axes.set_ylim(bottom=0.0)
    return over_torque(axes, LOCKING_TORQUE)


def change_rows(comparison: Comparison) -> list[tuple[str, Change]]:
    """The changes that are relative, in the order of the comparison."""
    return [(name, change) for name, change in comparison.changes.items() if change.relative]


def changes(comparison: Comparison, axes: Axes) -> Axes:
    """What changed between two states: relative change of each quantity with the interval of its test. Filled
    marks have changed, open ones are as before within their doubt."""
    rows = change_rows(comparison)
    for row, (_, change) in enumerate(rows):
        value, low, high = (PER_CENT * number for number in (change.change, *_tested_ends(change)))
        draw_marks(
            axes, [value], [row], low=[value - low], high=[high - value], along="x",
            marker=STATE_MARKS["after"], colour=INK, face=INK if change.significant else PAPER,
        )  # fmt: skip
        axes.annotate(
            "changed" if change.significant else "as before",
            (1.0, row),
            xycoords=("axes fraction", "data"),
            xytext=(6, 0),
            textcoords="offset points",
            va="center",
            color=INK if change.significant else MUTED,
            size=TICK_SIZE,
        )
    level_line(axes, 0.0, along="y")
    axes.set_yticks(range(len(rows)), [label(name) for name, _ in rows])
    axes.set_ylim(len(rows) - 0.4, -0.6)
    dress(axes, across="change and its interval [% of before]", upward="")
    axes.spines["left"].set_visible(False)
    axes.tick_params(axis="y", length=0)
    axes.grid(visible=False, axis="y")
    return axes


def corner_change(comparison: Comparison, axes: Axes) -> Axes:
    """Locking torque at corner entry, before and after, over engine braking; the bars on the later state are
    the 95 % interval of the change."""
    torque = np.array([c.input_torque_Nm for c in comparison.conditions])
    for which, values in (
        ("before", [c.before_Nm for c in comparison.conditions]),
        ("after", [c.after_Nm for c in comparison.conditions]),
    ):
        axes.plot(
            torque, values, linestyle=STATE_LINES[which], marker=STATE_MARKS[which], markersize=7.0,
            color=STATE_COLOURS[which], linewidth=STRONG, markeredgecolor=PAPER, zorder=CURVE, label=which,
        )  # fmt: skip
    before = np.array([c.before_Nm for c in comparison.conditions])
    axes.vlines(
        torque,
        before + np.array([c.low_Nm for c in comparison.conditions]),
        before + np.array([c.high_Nm for c in comparison.conditions]),
        color=STATE_COLOURS["after"], linewidth=STRONG, zorder=BESIDE, label="95 % interval of the change",
    )  # fmt: skip
    axes.set_ylim(bottom=0.0)
    dress(axes, across="input torque, engine braking [N·m]", upward=LOCKING_TORQUE)
    return legend_above(axes)


def comparison_figure(
    comparison: Comparison, before: LockingMap, after: LockingMap, *, reference: Mapping[str, float]
) -> Figure:
    """The whole picture of a comparison: both maps at the ``reference`` condition of the earlier state, what
    changed, corner entry and the map of the difference, loading and unloading, where they were worked out."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    temperature = reference["temperature_degC"]
    apart = comparison.difference_map if drawable(comparison.difference_map) else None
    count = 3 if comparison.conditions else 2
    with mpl.rc_context():
        mpl.rcdefaults()  # settings of the surroundings do not reach the picture
        rows = 1 if apart is None else 2
        figure = Figure(figsize=(5.4 * count, 4.8 * rows), layout="constrained", facecolor="white")
        parts = figure.subfigures(rows, 1, squeeze=False)[:, 0]
        panels = parts[0].subplots(1, count)
        before_after(
            before,
            after,
            panels[0],
            speed_difference=reference["speed_difference_rad_s"],
            temperature=temperature,
        )
        changes(comparison, panels[1])
        if comparison.conditions:
            corner_change(comparison, panels[2])
        if apart is not None:
            layer = reference_layer(apart, temperature)
            heat = apart.temperature_degC[layer]
            for panel, branch in zip(parts[1].subplots(1, 2), BOTH_BRANCHES, strict=True):
                difference(apart, panel, branch=branch, temperature=layer)
                title = f"change of locking torque [N·m], {branch}, {heat:.3g} °C"
                panel.set_title(title, loc="left", color=INK, size=TEXT_SIZE, pad=26.0)
    return figure


def comparison_figures(
    comparison: Comparison, before: LockingMap, after: LockingMap, *, reference: Mapping[str, float]
) -> tuple[PageFigure, ...]:
    """The pictures of a comparison one by one, each with unit and dates in its title."""
    unit = printable(comparison.before.unit, limit=40)
    dates = " and ".join(
        printable(side.dates[-1], limit=20) for side in (comparison.before, comparison.after)
    )
    speed, heat = reference["speed_difference_rad_s"], reference["temperature_degC"]
    moved = change_rows(comparison)
    made = [
        PageFigure(
            name="before-after",
            title=f"Unit {unit}, {dates}: locking torque at {heat:g} °C and {speed:g} rad/s",
            paint=lambda axes: before_after(before, after, axes, speed_difference=speed, temperature=heat),
            size=WIDE,
            shows=f"Locking torque over input torque of unit {unit}, {dates}.",
            table=_curves_table(before, after, speed, heat),
        )
    ]
    if moved:
        told = "; ".join(f"{label(name)} {PER_CENT * change.change:+.1f} %" for name, change in moved)
        made.append(
            PageFigure(
                name="changes",
                title=f"Unit {unit}, {dates}: what changed",
                paint=lambda axes: changes(comparison, axes),
                size=(WIDE[0], 1.1 + 0.4 * len(moved)),
                shows=f"Relative changes: {told}.",
                table=numbers(
                    "What changed",
                    ("Quantity", "Change [% of before]", "95 % interval [% of before]"),
                    [
                        (
                            label(name),
                            number_text(PER_CENT * one.change, PER_CENT * one.u),
                            interval_text(PER_CENT * one.low, PER_CENT * one.high, PER_CENT * one.u),
                        )
                        for name, one in moved
                    ],
                    texts=(0,),
                ),
            )
        )
    return tuple(made)


def _curves_table(before: LockingMap, after: LockingMap, speed: float, heat: float) -> Table:
    """Both states while the torque rises, where either map has a node at the reference condition."""
    curves = {
        name: branch_curve(one, "loading", speed_difference=speed, temperature=heat)
        for name, one in (("Before", before), ("After", after))
    }
    first = curves["Before"].input_torque
    rows = [
        (f"{at:z.0f}", *(cell for curve in curves.values() for cell in branch_cells(curve, at)[:2]))
        for at in first[:: max(first.size // MOST_ROWS, 1)].tolist()
    ]
    heads = (f"{name}{of} [N·m]" for name in curves for of in ("", ", 95 % limits"))
    return numbers("Locking torque while loading", ("Input torque [N·m]", *heads), rows)


def drawable(found: DifferenceMap | None) -> TypeGuard[DifferenceMap]:
    """Whether a difference reaches over an area, so that it can be drawn as one."""
    return found is not None and min(len(found.input_torque_Nm), len(found.speed_difference_rad_s)) >= 2


def reference_layer(found: DifferenceMap, temperature: float) -> int:
    """Index of the temperature of a difference that lies nearest to one [°C]."""
    return int(np.argmin(np.abs(np.array(found.temperature_degC) - temperature)))


def difference_levels(found: DifferenceMap) -> Array:
    """Round levels [N·m] that serve both branches and all temperatures of a difference."""
    every = np.concatenate([np.ravel(found.branches[b].change_Nm) for b in ("loading", "unloading")])
    return round_levels(float(every.min()), float(every.max()), MOST_LEVELS)


def difference(
    found: DifferenceMap,
    axes: Axes,
    *,
    branch: Branch = "loading",
    temperature: int = 0,
    levels: Array | None = None,
) -> Axes:
    """Filled contours of what changed in locking torque, later less earlier state, of one branch.

    Parameters
    ----------
    found : DifferenceMap
        The difference, with at least two input torques and two speed differences.
    axes : matplotlib.axes.Axes
        Where to draw.
    branch : str
        "loading", "unloading" or "mean".
    temperature : int
        Index along the temperatures of the difference.
    levels : numpy.ndarray or None
        Rising levels [N·m]; those of `difference_levels` by default, for several figures to share.

    Returns
    -------
    The axes. Lines bear the change with its sign, darker is a larger change, blue a loss and brown a gain;
    dots lie where the 95 % interval holds no change, too, hatching where one of the states was not tested.

    Raises
    ------
    ValueError
        The difference has a single input torque or speed difference.
    """
    if not drawable(found):
        msg = "a map of a difference needs at least two input torques and two speed differences"
        raise ValueError(msg)
    torque, speed = np.array(found.input_torque_Nm), np.array(found.speed_difference_rad_s)
    table = found.branches[branch]
    values, low, high = (
        np.array(listed)[:, :, temperature].T for listed in (table.change_Nm, table.low_Nm, table.high_Nm)
    )
    levels = difference_levels(found) if levels is None else levels
    shades = _shades(levels)
    axes.contourf(torque, speed, values, levels=levels, colors=shades)
    lines = axes.contour(
        torque, speed, values, levels=levels, colors=line_colours(shades),
        linewidths=[1.8 if abs(level) < 1e-9 else 0.6 for level in levels],
    )  # fmt: skip
    frame_map(axes, torque, speed)
    beyond = np.maximum(low, -high)  # positive where zero is not in the interval
    doubtful = bool((beyond <= 0.0).any())
    if doubtful:
        lowest = min(float(beyond.min()), -1.0)
        axes.contourf(
            torque,
            speed,
            beyond,
            levels=[lowest, 0.0],
            colors=[(1.0, 1.0, 1.0, WASH)],
            hatches=[NOT_SIGNIFICANT],
        )
    tested = np.array(table.tested)[:, :, temperature].T
    hatch_untested(axes, tested, torque, speed)
    numbers = axes.clabel(
        lines,
        fmt=lambda level: f"{level:+g}" if level else "0",
        fontsize=TICK_SIZE,
        colors=[INK],
        inline=False,
    )
    for number in numbers:
        number.set_bbox({"facecolor": PAPER, "edgecolor": "none", "pad": 1.2, "alpha": 0.85})
        number.set_rotation(0.0)
    dress_map(axes)
    return _key(axes, doubtful=doubtful, untested=not tested.all())


def _shades(levels: Array) -> list[tuple[float, float, float, float]]:
    """Colours between levels: the larger the change, the darker, losses and gains in two tones."""
    losses, gains = scale(), gain_scale()
    middles = 0.5 * (levels[:-1] + levels[1:])
    depth = 0.04 + 0.92 * np.abs(middles) / float(np.abs(middles).max())
    return [(losses if middle < 0.0 else gains)(share) for middle, share in zip(middles, depth, strict=True)]


def _key(axes: Axes, *, doubtful: bool, untested: bool) -> Axes:
    """What dots and hatching mean, where there are any."""
    from matplotlib.patches import Patch

    meant = [(doubtful, NOT_SIGNIFICANT, "no change proven (95 %)"), (untested, "//", "not tested in both")]
    handles = [
        Patch(facecolor=PAPER, edgecolor=DARK_LABEL, linewidth=0.6, hatch=hatch, label=words)
        for there, hatch, words in meant
        if there
    ]
    return legend_above(axes, handles=handles) if handles else axes


def comparison_document(result: Comparison, figures: Sequence[PageFigure] = ()) -> Document:
    """Two states of a unit against each other, with the ``figures`` of a page."""
    unknown = [f"{label(name)}: needs {needs}" for name, needs in result.not_determined.items()]
    sections = (
        _head(result),
        Section("", tuple(figures)),
        _changes(result, main=True),
        _changes(result, main=False),
        _wear(result),
        Section(f"Limits (ISO 14253-1){_read_at(result)}", (limits_table(result.limits),)),
        _next_event(result),
        _conditions(result),
        items("What that says", map(printable, result.readings)),
        items("What both results share", map(printable, result.common)),
        items("Read with care", map(printable, result.caveats)),
        items("Not determined, and what would determine it", map(printable, unknown)),
        _power(result),
    )
    return Document(f"Two states of unit {printable(result.before.unit, limit=40)}", sections)


def _head(result: Comparison) -> Section:
    before, after = result.before, result.after
    unit = printable(before.unit, limit=40)

    def side(dates: list[str], build: str) -> str:
        return (
            f"{', '.join(printable(date, limit=20) for date in dates)} (build {printable(build, limit=60)})"
        )

    text = f"Unit {unit}: {side(before.dates, before.build)} against {side(after.dates, after.build)}"
    reasons = "; ".join(humanised(printable(reason), NAMED_IN_REASONS) for reason in result.reasons)
    if result.state is None:  # of an older version
        return Section("", (Sentence(text), Sentence(reasons, first=f"{result.verdict.upper()}  ")))
    between = Sentence(reasons, first="BETWEEN BOTH  ")
    return Section("", (Sentence(text), *state_sentences(result.state), between))


def _changes(result: Comparison, *, main: bool) -> Section:
    names = ("preload_torque", "friction", "spring_force")
    rows = [_row(name, change) for name, change in result.changes.items() if (name in names) == main]
    if not rows:
        return Section()
    heading = (
        "What changed"
        if main
        else "Ramps, friction surface and oil, held against the doubt of the fits alone"
    )
    place = _at_reference(result)
    blocks: list[Block] = [bare(rows, head=(place, "before", "after", "change", _heading(result), ""))]
    carried = [
        f"{label(name)} {with_unit(number_text(change.carried, change.carried * change.u), change.unit)}"
        for name, change in result.changes.items()
        if main and name in names and change.carried is not None
    ]
    if carried:
        text = f"carried over from before by that change: {', '.join(carried)}"
        blocks.append(
            Sentence(f"{text}; the numbers of each result itself rest on its own sheet", first="  ")
        )
    if _heading(result) != "95 % interval":
        blocks.append(Sentence(TESTED if main else TESTED_ALIKE, first="  "))
    doubts: dict[str, list[str]] = {}
    for name, change in result.changes.items():
        if main and name in names and change.budget:
            doubts.setdefault(source_text(next(iter(change.budget))), []).append(label(name))
    for source, of in doubts.items():
        blocks.append(Sentence(f"largest doubt, {', '.join(of)}: {source}", first="  "))
    return Section(heading, tuple(blocks))


def _tested_ends(change: Change) -> tuple[float, float]:
    """The interval that the word beside it rests on; of older documents the 95 % interval."""
    if change.tested_low is None or change.tested_high is None:
        return change.low, change.high
    return change.tested_low, change.tested_high


def _heading(result: Comparison) -> str:
    tested = all(change.tested_low is not None for change in result.changes.values())
    return "interval" if tested else "95 % interval"


def _at_reference(result: Comparison) -> str:
    """Where the changes are quoted, which need not be where a limit is judged."""
    heat, speed = (result.reference.get(name) for name in ("temperature_degC", "speed_difference_rad_s"))
    return "at the reference" if heat is None or speed is None else f"at {heat:g} °C, {speed:g} rad/s"


def _read_at(result: Comparison) -> str:
    """Which limits are judged elsewhere, in the heading of their table."""
    told = [
        f"{label(name)} as read{'' if heat is None else f' at {heat:.3g} °C'}"
        for name, heat in result.read_at.items()
    ]
    return f"; {', '.join(told)}" if told else ""


def _row(name: str, change: Change) -> tuple[str, ...]:
    low, high = _tested_ends(change)
    if change.relative:
        u = PER_CENT * change.u
        step = f"{number_text(PER_CENT * change.change, u)} %"
        interval = f"{interval_text(PER_CENT * low, PER_CENT * high, u)} %"
        size = abs(change.before or 0.0) * change.u
    else:
        step = number_text(change.change, change.u)
        interval = interval_text(low, high, change.u)
        size = change.u
    before = "" if change.before is None else number_text(change.before, size)
    after = "" if change.after is None else number_text(change.after, size)
    name = label(name) if change.unit == "1" else f"{label(name)}, {change.unit}"
    return name, before, after, step, interval, "changed" if change.significant else "as before"


def _wear(result: Comparison) -> Section:
    found = result.wear
    if found is None:
        return Section()
    face, u = MICROMETRES * found.face_wear_m, MICROMETRES * found.face_wear_u_m
    ends = MICROMETRES * found.face_wear_low_m, MICROMETRES * found.face_wear_high_m
    height, height_u = MICROMETRES * found.height_loss_m, MICROMETRES * found.height_loss_u_m
    # a face does not grow: below zero there is doubt alone, and that is said
    what = "mean wear of a face" if face >= 0.0 else "no wear of a face is seen, by doubt alone"
    text = (
        f"Height lost at the spring {number_text(height, height_u)} µm; {what} {number_text(face, u)} µm "
        f"(95 %: {interval_text(*ends, u)}), over {found.faces} faces of a pack"
    )
    if found.shim_change_m:
        text += f", with {MICROMETRES * found.shim_change_m:+.0f} µm of shim"
    return Section("", (Sentence(text),))


def _next_event(result: Comparison) -> Section:
    found = result.next_event
    if found is None:
        return Section()
    between = found.events_between
    stretch = "stretch like that" if between == 1 else f"event like the {between}"
    way = "" if found.distance_m is None else f" ({found.distance_m / 1000.0:.4g} km)"
    text = f"after one more {stretch} between both states{way}, if wear goes on in a straight line as there:"
    return Section(
        f"Will it last the next event? {found.answer.upper()}",
        (Sentence(text, first="  "), *(item(_held(limit)) for limit in found.limits)),
    )


def _held(limit: HeldLimit) -> str:
    factor, unit = (MICROMETRES, "µm") if limit.unit == "m" else (1.0, limit.unit)
    if limit.quantity == "preload_loss":
        factor, unit = PER_CENT, "%"
    end = limit.low if limit.low is not None else limit.high or 0.0
    u = factor * limit.u
    value = f"{number_text(factor * limit.value, u)} ± {number_text(u, u)}"
    side = "from" if limit.low is not None else "up to"
    return (
        f"{label(limit.quantity)} {with_unit(value, unit)}; the limit, {side} "
        f"{with_unit(number_text(factor * end), unit)}, is held with a chance of {chance_text(limit.chance)}"
    )


def _conditions(result: Comparison) -> Section:
    if not result.conditions:
        return Section()
    one = result.conditions[0]
    heading = (
        f"Locking torque at corner entry, {number_text(one.speed_difference_rad_s, 0.1)} rad/s speed "
        f"difference, {one.temperature_degC:g} °C"
    )
    rows = []
    for c in result.conditions:
        u = max((c.high_Nm - c.low_Nm) / 3.92, 1e-9)
        rows.append(
            (
                f"{number_text(c.input_torque_Nm, 1.0)} N·m",
                number_text(c.before_Nm, u),
                number_text(c.after_Nm, u),
                number_text(c.change_Nm, u),
                interval_text(c.low_Nm, c.high_Nm, u),
                "tested" if c.tested else "extrapolated",
            )
        )
    head = ("engine braking", "before", "after", "change, N·m", "95 % interval", "")
    return Section(heading, (bare(rows, head=head, flush=(1, 2, 3)),))


def _power(result: Comparison) -> Section:
    if result.detectable_loss is None:
        return Section()
    text = (
        f"A loss of preload of {PER_CENT * result.detectable_loss:.1f} % or more would be shown with a "
        "chance of 95 %; false alarms are held at 5 % over all questions. "
    )
    if result.visits_for_5_percent is None:
        text += "No number of refits shows a loss of 5 % with these doubts."
    elif result.visits_for_5_percent > 1:
        visits = result.visits_for_5_percent
        text += f"To show 5 % so surely, test each state {visits} times, refitted in between."
    return Section("", (Sentence(text.strip()),))
