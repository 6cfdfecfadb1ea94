"""Map arithmetic and corner entry, told and drawn."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from diffbench.answers.corner import CornerEntry, PhaseResult, Rung
from diffbench.answers.operating_point import Interval, SlipVerdict, TorqueSplit
from diffbench.answers.rebuild import Compared
from diffbench.report.document import WIDE, Block, Document, Literally, Section, Sentence, bare, numbers
from diffbench.report.document import Figure as PageFigure
from diffbench.report.rounding import interval_text, number_text
from diffbench.report.style import (
    ABOVE,
    CURVE,
    INK,
    MUTED,
    SCALE_STOPS,
    TICK_SIZE,
    draw_marks,
    dress,
    legend_above,
    level_line,
)
from diffbench.report.wording import printable
from diffbench.results.discrepancy import NORMAL_95
from diffbench.results.locking_map import Branch, LockingMap, Reading

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


PER_CENT = 100.0
#: Half of the room of a phase that its marks take.
REACH = 0.32
MARKS = ("o", "s", "^", "D", "v", "P", "X", "h")
_AXES = (
    ("input_torque", "N.m", "goes on in a straight line"),
    ("speed_difference", "rad/s", "is held"),
    ("temperature", "degC", "is held"),
)


def corner_document(
    result: CornerEntry, measured: LockingMap | None = None, figures: Sequence[PageFigure] = ()
) -> Document:
    """A table for each phase, the mean over the entry, what the numbers rest on, and how the ``measured`` map
    comes to reach what is beyond it; with the ``figures`` of a page."""
    head = f"Corner entry, {printable(result.car)}"
    built = {(rung.unit, rung.build) for rung in result.rungs}
    if len(built) == 1:
        head += "; unit {}, build {}".format(*(printable(name) for name in built.pop()))
    phases = (_phase(result, i) for i in range(len(result.rungs[0].phases)))
    first = Section("", (Sentence(head),))
    last = Section("", (Sentence(_foot(result)), *_whose(result)))
    far = [
        (phase.input_torque, phase.speed_difference.value or 0.0, phase.temperature)
        for phase in result.rungs[0].phases
        if phase.beyond
    ]
    beyond = Section("", _beyond(measured, far))
    drawn = Section("", tuple(figures))
    return Document("Corner entry", (first, drawn, *phases, _mean(result), last, beyond))


def interval_cell(interval: Interval, *, times: float = 1.0, whole: bool = False) -> str:
    """Value and 95 % limits in one cell, ``times`` the unit of the column, to the first digit of their
    standard uncertainty (to two where the first is a one), or ``whole``, to two, where somebody sets a unit
    by it; without limits apart the value alone, without a value what bounds it, or a dash.

    >>> interval_cell(Interval(0.6423, 0.635, 0.6496), times=100.0)
    '64.2 (63.5 to 65.0)'
    >>> interval_cell(Interval(266.98, 237.96, 296.85)), interval_cell(Interval(17.17, 8.67, 189.46))
    ('267 (238 to 297)', '17 (9 to 189)')
    >>> interval_cell(Interval(365.07, 365.07, 365.07)), interval_cell(Interval(None, None, None))
    ('365.1', '-')
    >>> interval_cell(Interval(9.0, 8.0, None))
    '9 (8 or more)'
    >>> interval_cell(Interval(None, None, 8.2)), interval_cell(Interval(83.2, 57.1, 109.4), whole=True)
    ('8.2 or less', '83 (57 to 109)')
    """
    low, high = (None if limit is None else times * limit for limit in (interval.low, interval.high))
    bound = ""
    if low is None or high is None:
        bound = f"{number_text(high)} or less" if high is not None else bound
        bound = f"{number_text(low)} or more" if low is not None else bound
    if interval.value is None:
        return bound or "-"
    value = times * interval.value
    if low is None or high is None:
        return f"{number_text(value)} ({bound})" if bound else number_text(value)
    if high - low <= 1e-9 * abs(value):
        return number_text(value)
    # ten times it: the rule leaves two digits, one is enough to read at a glance; but of one that begins with
    # a one, a single digit would move an end by up to half of it
    u = max(min(value - low, high - value), 0.1 * (high - low)) / NORMAL_95  # of the narrower side
    coarse = u if whole or f"{u:e}".startswith("1") else 10.0 * u
    return f"{number_text(value, coarse)} ({interval_text(low, high, coarse)})"


def _phase(result: CornerEntry, i: int) -> Section:
    first = result.rungs[0].phases[i]
    kind = "engine braking" if first.entry else "drive"
    heading = (
        f"{printable(first.phase)}: {number_text(abs(first.input_torque))} N·m {kind} at the case, "
        f"{number_text(first.temperature)} °C, {first.branch} branch; free rolling "
        f"{number_text(first.free_difference)} rad/s"
    )
    rows = [_row(rung, rung.phases[i]) for rung in result.rungs]
    head = ("", "kept [%]", "yaw moment [N·m]", "outer, inner [N]", "wheels")
    return Section(heading, (bare(rows, head=head),))


def _row(rung: Rung, phase: PhaseResult) -> tuple[str, str, str, str, str]:
    forces = ", ".join(f"{force.value:.0f}" for force in (phase.outer_force, phase.inner_force))
    state: str = phase.state if phase.state != "not proven" else "locked or not: not proven"
    if phase.sliding is not None:
        state += f", {phase.sliding} tyre slides"
    if phase.beyond:
        state += ", BEYOND the map"
    elif not phase.tested and rung.predicted is None:
        state += ", NOT tested"
    kept = interval_cell(phase.share_kept, times=PER_CENT)
    return printable(rung.label), kept, interval_cell(phase.yaw_moment), forces, state


def _mean(result: CornerEntry) -> Section:
    entry = [phase.phase for phase in result.rungs[0].phases if phase.entry]
    if len(entry) < 2:
        return Section()
    weights = "weighted by duration" if result.timed else "each phase counting alike"
    heading = f"Mean over the entry ({', '.join(printable(name) for name in entry)}; {weights})"
    rows = [
        (
            printable(rung.label),
            interval_cell(rung.mean_share_kept, times=PER_CENT),
            interval_cell(rung.mean_difference_kept),
        )
        for rung in result.rungs
    ]
    return Section(heading, (bare(rows, head=("", "kept [%]", "speed difference [rad/s]")),))


def _whose(result: CornerEntry) -> tuple[Sentence, ...]:
    """Which part of the doubt of the first unit's share kept is whose, phase by phase."""
    said = []
    for phase in result.rungs[0].phases:
        if not phase.doubts or phase.share_kept_by_map is None or phase.share_kept_by_car is None:
            continue
        widths = [
            PER_CENT * 0.5 * ((part.high or 0.0) - (part.low or 0.0))
            for part in (phase.share_kept_by_map, phase.share_kept_by_car)
        ]
        most = max(phase.doubts, key=lambda doubt: doubt.share_kept)
        said.append(
            f"{printable(phase.phase)}: ± {number_text(widths[0], 1.0)} of the map, "
            f"± {number_text(widths[1], 1.0)} of the car, most by {printable(most.source)}"
        )
    if not said:
        return ()
    name = printable(result.rungs[0].label)
    return (Sentence(f"Doubt of what {name} keeps, in points: {'; '.join(said)}."),)


def _foot(result: CornerEntry) -> str:
    lines = (
        "kept: wheel-speed difference, share of free rolling. yaw moment: against the turn. outer, inner: "
        "longitudinal force of each tyre, forward positive. In brackets 95 % of map and car. Indicative: "
        "steady state, linear tyres, no camber."
    )
    if not any(phase.doubts for rung in result.rungs for phase in rung.phases):
        lines += " The car states no u: it counts as exact."
    if any(rung.predicted is not None for rung in result.rungs):
        lines += " Predicted: by the fitted law, not measured."
    return lines


def kept(result: CornerEntry, axes: Axes) -> Axes:
    """Share of the free wheel-speed difference that each unit keeps, phase by phase, with 95 % limits.
    Measured units are ink and filled, predicted ones coloured and open, darker with each rung; the line at 0
    % is a locked axle, the one at 100 % an open differential."""
    _marks(result, axes, lambda phase: phase.share_kept, 100.0)
    for level, text in ((0.0, "locked"), (100.0, "open")):
        level_line(axes, level, along="x")
        axes.annotate(
            text,
            (1.0, level),
            xycoords=("axes fraction", "data"),
            xytext=(-2, 3),
            textcoords="offset points",
            ha="right",
            color=MUTED,
            size=TICK_SIZE,
        )
    axes.set_ylim(-5.0, 109.0)
    dress(axes, across="phase", upward="kept [% of free rolling]")
    return legend_above(axes, columns=2)


def yaw_moments(result: CornerEntry, axes: Axes) -> Axes:
    """Yaw moment against the turn with each unit, phase by phase, with 95 % limits, marked as `kept`."""
    _marks(result, axes, lambda phase: phase.yaw_moment, 1.0)
    axes.set_ylim(bottom=0.0)
    dress(axes, across="phase", upward="yaw moment [N·m]")
    return legend_above(axes, columns=2)


def corner_figure(result: CornerEntry) -> Figure:
    """Both figures of a corner entry side by side."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    # settings of the surroundings do not reach the picture
    with mpl.rc_context():
        mpl.rcdefaults()
        figure = Figure(figsize=(12.0, 5.4), layout="constrained", facecolor="white")
        left, right = figure.subplots(1, 2)
        kept(result, left)
        yaw_moments(result, right)
        right.get_legend().remove()
    return figure


def corner_figures(result: CornerEntry) -> tuple[PageFigure, ...]:
    """Both figures of a corner entry, each by itself, for a page."""
    car, count = printable(result.car, limit=40), len(result.rungs[0].phases)
    return tuple(
        PageFigure(
            name=name,
            title=f"{car}: {words}",
            paint=lambda axes, draw=draw: draw(result, axes),  # type: ignore[misc]
            size=WIDE,
            shows=f"{words} of {len(result.rungs)} units over {count} phases of {car}.",
            table=numbers(
                words.capitalize(),
                ("Unit", *(f"{printable(phase.phase)}, 95 % [{unit}]" for phase in result.rungs[0].phases)),
                [
                    (
                        printable(rung.label),
                        *(interval_cell(getattr(phase, of), times=times) for phase in rung.phases),
                    )
                    for rung in result.rungs
                ],
                texts=(0,),
            ),
        )
        for name, words, draw, of, times, unit in (
            ("kept", "wheel-speed difference kept", kept, "share_kept", PER_CENT, "%"),
            ("yaw-moments", "yaw moment against the turn", yaw_moments, "yaw_moment", 1.0, "N·m"),
        )
    )


def _marks(result: CornerEntry, axes: Axes, of: Callable[[PhaseResult], Interval], times: float) -> None:
    names = [printable(phase.phase) for phase in result.rungs[0].phases]
    middle = np.arange(len(names), dtype=np.float64)
    count = len(result.rungs)
    shifts = np.linspace(-REACH, REACH, count) if count > 1 else np.zeros(1)
    predicted = [i for i, rung in enumerate(result.rungs) if rung.predicted is not None]
    for i, (rung, shift) in enumerate(zip(result.rungs, shifts, strict=True)):
        value, low, high = (
            np.array([times * (getattr(of(phase), limit) or 0.0) for phase in rung.phases])
            for limit in ("value", "low", "high")
        )
        measured = rung.predicted is None
        colour = INK if measured else _colour(predicted.index(i), len(predicted))
        draw_marks(
            axes,
            middle + shift,
            value,
            low=np.maximum(value - low, 0.0),
            high=np.maximum(high - value, 0.0),
            marker=MARKS[i % len(MARKS)],
            colour=colour,
            face=colour if measured else "white",
            zorder=ABOVE if measured else CURVE,
            label=printable(rung.label),
        )
    axes.set_xticks(middle, names)
    axes.set_xlim(-0.5, len(names) - 0.5)


def _colour(rung: int, count: int) -> str:
    """Darker with each rung; the two lightest stops would be lost on white."""
    stops = SCALE_STOPS[2:]
    return stops[round(rung * (len(stops) - 1) / max(count - 1, 1))]


def split_document(split: TorqueSplit, locking_map: LockingMap | None = None) -> Document:
    """How a unit splits its torque at one place."""
    ratio = interval_cell(split.torque_bias_ratio)
    if split.torque_bias_ratio.value is None:
        why = "no input torque" if split.locking_effect.value is None else "locking effect of 100 % or more"
        ratio = f"has no meaning here: {why}"
    effect = "has no meaning here: no input torque"
    if split.locking_effect.value is not None:
        effect = f"{interval_cell(split.locking_effect, times=100.0)} %"
    rows = [
        ("locking torque", f"{interval_cell(split.locking_torque)} N·m"),
        ("locking effect", effect),
        ("torque bias ratio", ratio),
        ("slower, faster output", f"{split.slower_output:.1f}, {split.faster_output:.1f} N·m"),
    ]
    place = (split.input_torque, split.speed_difference, split.temperature)
    beyond = _beyond(locking_map, [place] if split.beyond else [])
    head = (
        f"{number_text(split.input_torque)} N·m at the case, {number_text(split.speed_difference)} rad/s, "
        f"{number_text(split.temperature)} °C, {split.branch} branch; 95 % in brackets; "
        + standing(tested=split.tested, beyond=split.beyond, predicted=split.predicted)
    )
    return Document("Torque split", (Section("", (Sentence(head), bare(rows), *beyond)),))


def slip_document(
    found: SlipVerdict, locking_map: LockingMap | None = None, temperature: float = 0.0
) -> Document:
    """Whether a unit slips at one place, at a temperature [°C]."""
    words = {"locked": "LOCKED", "slipping": "SLIPPING", "not proven": "NOT PROVEN, locked or slipping"}
    share = found.share_of_locking_torque
    used = "" if share is None else f" ({100.0 * share:.0f} % of it)"
    text = (
        f"{words[found.state]}: {number_text(found.torque_difference)} N·m across, of "
        f"{interval_cell(found.locking_torque)} N·m locking torque{used} at "
        f"{number_text(found.input_torque)} N·m input torque and "
        f"{number_text(found.speed_difference)} rad/s; "
        + standing(tested=found.tested, beyond=found.beyond, predicted=found.predicted)
    )
    place = (found.input_torque, found.speed_difference, temperature)
    beyond = _beyond(locking_map, [place] if found.beyond else [])
    return Document("Locked or slipping", (Section("", (Sentence(text), *beyond)),))


def rebuild_document(made: LockingMap, rows: Sequence[Compared], reference: Mapping[str, float]) -> Document:
    """A rebuilt unit beside the one as built."""
    head = (
        f"Unit {printable(made.document.unit)}, build {printable(made.document.build)}, PREDICTED by the "
        f"fitted law, not measured: {printable(made.document.predicted or '')}"
    )
    at = (
        f"Locking torque [N·m], loading, at {reference['temperature_degC']:g} °C and "
        f"{reference['speed_difference_rad_s']:g} rad/s; 95 % in brackets"
    )
    cells = [
        (number_text(row.input_torque), interval_cell(row.as_built), interval_cell(row.rebuilt))
        for row in rows
    ]
    table = bare(cells, head=("input torque [N·m]", "as built", "rebuilt, predicted"), flush=(0,))
    return Document("A rebuilt unit", (Section("", (Sentence(head), Sentence(at), table)),))


def standing(*, tested: bool, beyond: bool, predicted: str | None) -> str:
    """What a value of a map rests on: whether the bench covered the place, whether it is beyond the axes, and
    what was changed, where the map is ``predicted`` of no measured unit."""
    words = "inside what was tested" if tested else "NOT tested: an extrapolation"
    if beyond:
        words = "NOT tested, BEYOND the axes of the map: an extrapolation"
    if predicted is not None:
        words = f"PREDICTED, not measured: {printable(predicted)}" + (f"; {words}" if beyond else "")
    return words


def reading_document(
    locking_map: LockingMap, place: tuple[float, float, float], read: Reading[float, bool], *, branch: Branch
) -> Document:
    """A map at one place: input torque [N·m], speed difference [rad/s], temperature [°C]."""
    predicted = locking_map.document.predicted
    rests = standing(tested=read.tested, beyond=read.beyond, predicted=predicted)
    text = (
        f"{read.locking_torque:.4g} N·m locking torque ({branch}), 95 % within {read.low:.4g} to "
        f"{read.high:.4g} N·m, {rests}"
    )
    law = None if read.beyond else locking_map.by_the_law(*place, branch=branch)
    alone = (
        () if law is None else (Sentence(f"{locking_map.document.shows}; {law:.4g} N·m by the law alone"),)
    )
    torque, speed, heat = place
    beyond = _beyond(locking_map, [(torque, abs(speed), heat)] if read.beyond else [])
    return Document("A map at one place", (Section("", (Sentence(text), *alone, *beyond)),))


def _beyond(
    locking_map: LockingMap | None, places: Sequence[tuple[float, float, float]]
) -> tuple[Block, ...]:
    """What a map does at places [N·m, rad/s, °C] beyond its axes, and the lines of the build sheet with which
    a fit reaches there; nothing without such a place."""
    if locking_map is None or not places:
        return ()
    does, asked = [], []
    for (key, unit, words), axis, column in zip(
        _AXES, locking_map.axes, zip(*places, strict=True), strict=True
    ):
        low, high = float(axis[0]), float(axis[-1])
        if low <= min(column) and max(column) <= high:
            continue
        does.append(f"along {key.replace('_', ' ')} ({low:.6g} to {high:.6g} {unit}) the value {words}")
        far = [
            low if low <= min(column) else _rounded(min(column), math.floor),
            high if max(column) <= high else _rounded(max(column), math.ceil),
        ]
        asked.append(f'{key} = ["{far[0]:.6g} {unit}", "{far[1]:.6g} {unit}"]')
    return (
        Sentence(f"Beyond the axes of this map {' and '.join(does)}; the limits part by the distance."),
        Sentence("A map that reaches there is fitted with these lines in the build sheet:"),
        Literally("\n".join(["  [map]", *(f"  {line}" for line in asked)])),
    )


def _rounded(value: float, way: Callable[[float], int]) -> float:
    """To two digits, down or up."""
    if value == 0.0:
        return 0.0
    power = 10.0 ** (math.floor(math.log10(abs(value))) - 1)
    slack = -1e-9 if way is math.ceil else 1e-9
    return way(value / power + slack) * power
