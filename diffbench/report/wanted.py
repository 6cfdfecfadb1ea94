"""The preload that is wanted, told and drawn: today's unit, the wanted one, the shim and the doubt first;
then what entry and first throttle pay for each other."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from diffbench.answers.operating_point import Interval
from diffbench.answers.wanted import Met, Wanted
from diffbench.report.document import WIDE, Document, Figure, Section, Sentence, Table, bare, item, numbers
from diffbench.report.rounding import number_text
from diffbench.report.style import AREA, CELLS, INK, MUTED, THIN, dress
from diffbench.report.trackside import interval_cell
from diffbench.report.wording import printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure as Drawing

PER_CENT = 100.0
MISSED, MISSED_SHARE = 0.1, 0.005  # points or N·m, and of what was wanted: nearer is met


def wanted_document(wanted: Wanted, *, figures: bool = False) -> Document:
    """Which preload, which shim, how sure; what it gives beside today's unit; with ``figures`` for a page."""
    head = f"{printable(wanted.car)}; unit {printable(wanted.unit)}, build {printable(wanted.build)}"
    head = head if figures else f"Wanted preload, {head}"
    answer = (Sentence(head), bare(_rows(wanted), head=("", "preload torque [N·m]", *_asked(wanted))))
    sections = [Section("", (*answer, *_compromise(wanted), *_shim(wanted), *_rings(wanted)))]
    if figures:
        sections.append(Section("Entry against first throttle", (_figure(wanted),)))
    foot = (
        f"Looked at: {number_text(wanted.reach[0])} to {number_text(wanted.reach[1])} N·m, by the fitted "
        "law, not measured. In brackets 95 %: of map and car, and with the shim of where it lands, too. "
        "Indicative: steady state, linear tyres, no camber. Shims are changed with the springs unloaded, by "
        "qualified people, within the maker's limits."
    )
    return Document("Wanted preload", (*sections, Section("", (Sentence(foot),))))


def _compromise(wanted: Wanted) -> tuple[Sentence, ...]:
    """Which of several targets the wanted preload misses."""
    missed = []
    for met in wanted.targets:
        times, unit = _unit(met)
        got = times * (met.at_wanted.value or 0.0)
        if abs(got - times * met.wanted) > max(MISSED, MISSED_SHARE * abs(times * met.wanted)):
            missed.append(f"{printable(met.target)} comes to {number_text(got)} {unit}")
    if not missed:
        return ()
    return (
        Sentence(f"no preload within reach meets all targets: {'; '.join(missed)}.", first="Compromise: "),
    )


def _asked(wanted: Wanted) -> tuple[str, ...]:
    """Each target as it was asked for, with the unit of its column."""
    return tuple(f"{printable(met.target)} [{_unit(met)[1]}]" for met in wanted.targets)


def _rows(wanted: Wanted) -> list[tuple[str, ...]]:
    """Today's unit, the wanted one, and that with the shim to take: preload torque, and what it gives."""
    rows = [
        ("unit as built", number_text(wanted.as_built), *(_cell(met, met.today) for met in wanted.targets)),
        (
            "wanted",
            interval_cell(wanted.preload, whole=True),
            *(_cell(met, met.at_wanted) for met in wanted.targets),
        ),
    ]
    if wanted.shim is not None:
        taken = wanted.shim.advised
        given = Interval(taken.preload_torque_Nm, taken.low_Nm, taken.high_Nm)
        cells = (_cell(met, met.with_shim) for met in wanted.targets)
        rows.append((f"shim {1e3 * taken.shim_m:.2f} mm", interval_cell(given, whole=True), *cells))
    return rows


def _shim(wanted: Wanted) -> tuple[Sentence, ...]:
    if wanted.shim is None:
        return (Sentence(f"none advised: {wanted.why_no_shim}", first="Shim: "),)
    taken = wanted.shim.advised
    said = f"{1e3 * taken.shim_m:.2f} mm"
    if taken.chance is not None:
        said += f"; chance to land within the workshop's limits {PER_CENT * taken.chance:.0f} %"
    return Sentence(f"{said}.", first="Shim: "), *(item(note) for note in wanted.shim.notes)


def _rings(wanted: Wanted) -> tuple[Table | Sentence, ...]:
    """What other rings in stock need for the same, each with its interval; and which do not give it."""
    if not wanted.rings:
        return ()
    shim = "-" if wanted.shim is None else f"{1e3 * wanted.shim.advised.shim_m:.2f} mm"
    kept = (_cell(met, met.at_wanted) for met in wanted.targets)
    moment = interval_cell(wanted.yaw_moment, whole=True)
    rows = [("rings as built", interval_cell(wanted.preload, whole=True), *kept, moment, shim)]
    without = []
    for rings in wanted.rings:
        name = f"{rings.drive_angle_deg:.4g}/{rings.coast_angle_deg:.4g} deg"
        if not rings.feasible:
            without.append(item(f"rings {name}: {printable(rings.why_not)}"))
            continue
        shim = "-" if rings.shim is None else f"{1e3 * rings.shim.advised.shim_m:.2f} mm"
        cells = (_cell(met, met.at_wanted) for met in rings.targets)
        moment = interval_cell(rings.yaw_moment, whole=True)
        rows.append((f"rings {name}", interval_cell(rings.preload, whole=True), *cells, moment, shim))
    drawn = f"yaw moment, {_last(wanted)} [N·m]"
    head = ("", "preload torque [N·m]", *_asked(wanted), drawn, "shim")
    return (bare(rows, head=head), *without)


def _unit(met: Met) -> tuple[float, str]:
    return (PER_CENT, "%") if "kept" in met.target else (1.0, "N·m")


def _cell(met: Met, given: Interval) -> str:
    return interval_cell(given, times=_unit(met)[0])


def trade_off(wanted: Wanted, axes: Axes) -> Axes:
    """Mean share kept over the entry against the yaw moment of the last phase, preload by preload: what the
    entry gains, the throttle pays. Today's unit and the wanted one are marked."""
    kept, moment, torques = _points(wanted)
    axes.plot(kept, moment, color=MUTED, linewidth=THIN, marker="|", markersize=5.0, zorder=CELLS)
    places = [("as built", wanted.as_built, "s", "white")]
    if wanted.preload.value is not None:
        places.append(("wanted", wanted.preload.value, "o", INK))
    told = []
    for name, torque, marker, face in places:
        x, y = (float(np.interp(torque, torques, column)) for column in (kept, moment))
        axes.plot([x], [y], linestyle="none", marker=marker, color=INK, markerfacecolor=face, zorder=AREA)
        told.append((x, y, f"{name}, {torque:.0f} N·m"))
    # above the line to its right, and below it to its left: the course falls
    for (across, up, side), (x, y, text) in zip(
        ((8, 6, "left"), (-8, -14, "right")), sorted(told, key=lambda place: -place[1]), strict=False
    ):
        axes.annotate(text, (x, y), xytext=(across, up), textcoords="offset points", ha=side, size=9)
    for i in (0, -1):
        axes.annotate(
            f"{torques[i]:.0f} N·m", (kept[i], moment[i]), xytext=(6, 4), textcoords="offset points", size=9
        )
    return dress(axes, across="kept over the entry [%]", upward=f"yaw moment, {_last(wanted)} [N·m]")


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
        "For each preload the share kept over the entry, and the yaw moment of the last phase, against the "
        "turn; today's unit and the wanted one are marked.",
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
