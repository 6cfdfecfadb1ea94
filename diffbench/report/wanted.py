"""The preload that is wanted, told and drawn: today's unit, the wanted one, the shim and the doubt first;
then what entry and first throttle pay for each other."""

from __future__ import annotations

from typing import TYPE_CHECKING

from diffbench.answers.operating_point import Interval
from diffbench.answers.wanted import Met, Wanted
from diffbench.report.document import WIDE, Document, Figure, Section, Sentence, bare, numbers
from diffbench.report.rounding import number_text
from diffbench.report.style import INK, MUTED, dress
from diffbench.report.trackside import interval_cell
from diffbench.report.wording import printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure as Drawing

PER_CENT = 100.0


def wanted_document(wanted: Wanted, *, figures: bool = False) -> Document:
    """Which preload, which shim, how sure; what it gives beside today's unit; with ``figures`` for a page."""
    head = f"Wanted preload, {printable(wanted.car)}; unit {printable(wanted.unit)}"
    head += f", build {printable(wanted.build)}"
    place = f"{interval_cell(wanted.preload, whole=True)} N·m, {number_text(wanted.as_built)} N·m as built"
    answer = (Sentence(head), Sentence(place, first="Preload torque: "), Sentence(_shim(wanted)))
    first = Section("", answer)
    rows = [_row(met) for met in wanted.targets]
    table = bare(rows, head=("", "wanted", "at that preload", "as built"))
    sections = [first, Section("What it gives", (table,))]
    if figures:
        sections.append(Section("Entry against first throttle", (_figure(wanted),)))
    foot = (
        f"Looked at: {number_text(wanted.reach[0])} to {number_text(wanted.reach[1])} N·m, by the fitted "
        "law, not measured. In brackets 95 % of map and car. Indicative: steady state, linear tyres, no "
        "camber. Shims are changed with the springs unloaded, by qualified people, within the maker's limits."
    )
    return Document("Wanted preload", (*sections, Section("", (Sentence(foot),))))


def _shim(wanted: Wanted) -> str:
    if wanted.shim is None:
        return f"Shim: none advised: {wanted.why_no_shim}"
    taken = wanted.shim.advised
    given = Interval(taken.preload_torque_Nm, taken.low_Nm, taken.high_Nm)
    said = f"Shim: {1e3 * taken.shim_m:.2f} mm gives {interval_cell(given, whole=True)} N·m"
    if taken.chance is not None:
        said += f"; chance to land within the workshop's limits {PER_CENT * taken.chance:.0f} %"
    return f"{said}. {' '.join(f'{note[:1].upper()}{note[1:]}.' for note in wanted.shim.notes)}".strip()


def _row(met: Met) -> tuple[str, str, str, str]:
    times, unit = (PER_CENT, "%") if "kept" in met.target else (1.0, "N·m")
    cells = (f"{interval_cell(each, times=times)} {unit}" for each in (met.at_wanted, met.as_built))
    at, built = cells
    return printable(met.target), f"{number_text(times * met.wanted)} {unit}", at, built


def trade_off(wanted: Wanted, axes: Axes) -> Axes:
    """Mean share kept over the entry against the yaw moment of the last phase, preload by preload: what the
    entry gains, the throttle pays."""
    kept, moment, torques = _points(wanted)
    axes.plot(kept, moment, color=MUTED, linewidth=1.0, zorder=2)
    axes.plot(kept, moment, linestyle="none", marker="o", color=INK, markerfacecolor="white", zorder=3)
    for i in range(0, len(torques), max(len(torques) // 6, 1)):
        axes.annotate(
            f"{torques[i]:.0f} N·m", (kept[i], moment[i]), xytext=(6, 4), textcoords="offset points", size=9
        )
    return dress(
        axes, across="kept over the entry [%]", upward=f"yaw moment, {_last(wanted)}, against the turn [N·m]"
    )


def _points(wanted: Wanted) -> tuple[list[float], list[float], list[float]]:
    rows = [
        (PER_CENT * rung.mean_share_kept.value, rung.phases[-1].yaw_moment.value, torque)
        for rung, torque in zip(wanted.course.rungs, wanted.ladder, strict=True)
        if rung.mean_share_kept.value is not None and rung.phases[-1].yaw_moment.value is not None
    ]
    return [row[0] for row in rows], [row[1] for row in rows], [row[2] for row in rows]


def _last(wanted: Wanted) -> str:
    return printable(wanted.course.rungs[0].phases[-1].phase)


def _figure(wanted: Wanted) -> Figure:
    rows = [
        (f"{torque:.1f}", f"{kept:.1f}", f"{moment:.0f}")
        for kept, moment, torque in zip(*_points(wanted), strict=True)
    ]
    return Figure(
        "entry-against-throttle",
        "Entry against first throttle",
        lambda axes: trade_off(wanted, axes),
        WIDE,
        "For each preload the share kept over the entry, and the yaw moment of the last phase.",
        numbers("Entry against throttle", ("preload [N·m]", "kept [%]", "yaw moment [N·m]"), rows),
    )


def trade_off_picture(wanted: Wanted) -> Drawing:
    """`trade_off` as a drawing of its own."""
    import matplotlib as mpl
    from matplotlib.figure import Figure as Drawn

    with mpl.rc_context():
        mpl.rcdefaults()
        drawn = Drawn(figsize=(7.0, 5.0), layout="constrained", facecolor="white")
        trade_off(wanted, drawn.subplots())
    return drawn
