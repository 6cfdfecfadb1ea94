"""A day's logs beside the bench, told and drawn: the answer, then run by run, entry by entry, doubts."""

from __future__ import annotations

from typing import TYPE_CHECKING

from diffbench.answers.lap import CornerKept, Day, LapKept, LapResult
from diffbench.answers.operating_point import Interval
from diffbench.report.document import WIDE, Document, Figure, Section, Sentence, bare, item, numbers
from diffbench.report.rounding import number_text
from diffbench.report.style import INK, SCALE_STOPS, draw_marks, dress, legend_above, level_line
from diffbench.report.trackside import interval_cell
from diffbench.report.wording import printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure as Drawing

PER_CENT = 100.0
MOST_SOURCES = 5
MOST_NAMES, FEW = 30, 8  # below an axis; so many stand upright
_CELLS = ("kept, log [%]", "bench [%]", "difference [rad/s]")


def lap_document(day: Day, *, figures: bool = False) -> Document:
    """Whether the car shows what the bench says, which preload each log asks for, entries, and doubts;
    with ``figures`` for a page."""
    first = Section(
        "",
        (
            Sentence(printable(day.car) if figures else f"Log and bench, {printable(day.car)}"),
            *(_answer(lap) for lap in day.laps),
            *_tyres(day),
        ),
    )
    sections = [first, _runs(day)]
    if figures:
        sections.append(Section(f"Bench and car, {_over(day)[0]} by {_over(day)[0]}", (_figure(day),)))
    sections += [_laps(lap) for lap in day.laps]
    sections += [_entries(lap) for lap in day.laps]
    sections += [_doubts(lap) for lap in day.laps]
    foot = (
        "kept: wheel-speed difference over the entries, share of free rolling; radii zeroed on straights, "
        "difference signed against the turn. 95 % in brackets. Indicative: quasi-steady, linear tyres, no "
        "camber, both brakes alike."
    )
    return Document("Log and bench", (*sections, Section("", (Sentence(foot),))))


def _answer(lap: LapResult) -> Sentence:
    text = f"{lap.agreement.upper()} ({lap.reason})"
    asked = lap.equivalent_preload
    if any(each is not None for each in vars(asked).values()):
        text += f"; preload torque {interval_cell(lap.bench_preload, whole=True)} N·m by the bench, "
        text += f"{interval_cell(asked, whole=True)} N·m asked for by the log"
        text += f" ({lap.why_no_closer})" if lap.why_no_closer else ""
    elif lap.agreement not in {"no bench", "no log", "cannot be told"}:
        text += "; the preload that the log asks for is not determined: beyond those looked at"
    return Sentence(f"{text}.", first=f"{printable(lap.name)}: ")


def _tyres(day: Day) -> tuple[Sentence, ...]:
    if day.stiffness_ratio.value is None:
        return ()
    cell = interval_cell(day.stiffness_ratio, times=PER_CENT)
    taken = "taking the bench's units, at the preloads stated, as those in the car"
    return (
        Sentence(f"The logs put the tyres' slip stiffness at {cell} % of the stated one, {taken}."),
        *(item(text) for text in day.findings),
    )


def _runs(day: Day) -> Section:
    rows = [
        (
            printable(lap.name),
            interval_cell(lap.share_kept, times=PER_CENT),
            interval_cell(lap.predicted, times=PER_CENT),
            "-" if lap.open_share is None else number_text(PER_CENT * lap.open_share),
            interval_cell(lap.mean_speed_difference),
            interval_cell(lap.equivalent_preload, whole=True),
        )
        for lap in day.laps
    ]
    head = (
        "",
        "kept, log [%]",
        "bench [%]",
        "open unit [%]",
        "difference [rad/s]",
        "preload asked for [N·m]",
    )
    return Section("Over all entries of a log", (bare(rows, head=head),))


def _laps(lap: LapResult) -> Section:
    if not lap.by_lap:
        return Section()
    rows = [(str(each.lap), f"{each.start:.2f}", str(each.entries), *_cells(each)) for each in lap.by_lap]
    head = ("lap", "from [s]", "entries", *_CELLS)
    return Section(f"Laps of {printable(lap.name)}", (bare(rows, head=head),))


def _entries(lap: LapResult) -> Section:
    told = any(corner.lap is not None for corner in lap.corners)
    rows = [
        (
            *(("-" if corner.lap is None else str(corner.lap),) if told else ()),
            f"{corner.start:.2f}",
            corner.turn,
            corner.ends_by,
            *_cells(corner),
        )
        for corner in lap.corners
    ]
    head = (*(("lap",) if told else ()), "from [s]", "turn", "ends by", *_CELLS)
    return Section(f"Entries of {printable(lap.name)}", (bare(rows, head=head),))


def _cells(each: CornerKept | LapKept) -> tuple[str, str, str]:
    return (
        interval_cell(each.share_kept, times=PER_CENT),
        interval_cell(each.predicted, times=PER_CENT, whole=True),
        interval_cell(each.mean_speed_difference),
    )


def _doubts(lap: LapResult) -> Section:
    largest = sorted(lap.sources.items(), key=lambda pair: -pair[1])[:MOST_SOURCES]
    words = ", ".join(f"{printable(name)} {PER_CENT * moved:.1f}" for name, moved in largest if moved > 0.0)
    if lap.share_kept.value is None:
        return Section("", tuple(item(text) for text in lap.findings))
    blocks = [
        Sentence(f"One standard uncertainty moves the share by, in points: {words}."),
        Sentence(f"On straights the right wheel reads {_apart(lap.radius_ratio)} the left one; zeroed."),
    ]
    return Section(f"Doubts of {printable(lap.name)}", (*blocks, *(item(text) for text in lap.findings)))


def _apart(ratio: Interval) -> str:
    """How much faster or slower than; as fast as, where nothing is told apart."""
    if ratio.value is None or ratio.low is None or ratio.high is None:
        return "-"
    if ratio.low <= 0.0 <= ratio.high:
        return f"as fast to {number_text(PER_CENT * max(-ratio.low, ratio.high))} % as"
    if ratio.value > 0.0:
        return f"{interval_cell(ratio, times=PER_CENT)} % faster than"
    return f"{interval_cell(Interval(-ratio.value, -ratio.high, -ratio.low), times=PER_CENT)} % slower than"


def _over(day: Day) -> tuple[str, list[tuple[str, Interval, Interval]]]:
    """What the picture goes over, and of each its name and the share by log and bench: laps, where a run has
    several, else runs."""
    if not any(len(run.by_lap) > 1 for run in day.laps):
        return "run", [(printable(run.name), run.share_kept, run.predicted) for run in day.laps]
    rows = []
    for run in day.laps:
        name = f"{printable(run.name)}, " if len(day.laps) > 1 else ""
        rows += [(f"{name}{each.lap}", each.share_kept, each.predicted) for each in run.by_lap] or [
            (printable(run.name), run.share_kept, run.predicted)
        ]
    return "lap", rows


def _figure(day: Day) -> Figure:
    across, told = _over(day)
    rows = [
        (
            name,
            *(
                "-" if each is None else f"{PER_CENT * each:.1f}"
                for part in (log, bench)
                for each in (part.value, part.low, part.high)
            ),
        )
        for name, log, bench in told
    ]
    head = (
        across,
        *(
            f"{of}{end} [%]"
            for of in ("log", "bench")
            for end in ("", ", lower 95 % limit", ", upper 95 % limit")
        ),
    )
    return Figure(
        "log-and-bench",
        "Share kept by log and bench",
        lambda axes: log_and_bench(day, axes),
        WIDE,
        f"For each {across} the share of the free wheel-speed difference that is kept: by the log, and by "
        "the bench at the same samples, with 95 % limits.",
        numbers("Share kept", head, rows, texts=(0,)),
    )


def log_and_bench(day: Day, axes: Axes) -> Axes:
    """Share of the free wheel-speed difference kept over the entries, lap by lap, or run by run where laps
    are not told apart: by the log, and by map and car at the same samples, with 95 % limits."""
    across, told = _over(day)
    for part, label, shift, marker, colour in (
        (1, "log", -0.12, "o", INK),
        (2, "bench and car", 0.12, "s", SCALE_STOPS[len(SCALE_STOPS) // 2]),
    ):
        parts = [(i, row[part]) for i, row in enumerate(told)]
        shown = [
            (i, *(PER_CENT * value for value in (each.value, each.low, each.high) if value is not None))
            for i, each in parts
            if isinstance(each, Interval) and None not in vars(each).values()
        ]
        draw_marks(
            axes,
            [i + shift for i, *_ in shown],
            [value for _, value, _, _ in shown],
            low=[value - low for _, value, low, _ in shown],
            high=[high - value for _, value, _, high in shown],
            marker=marker,
            colour=colour,
            face=colour if label == "log" else "white",
            label=label,
        )
    level_line(axes, 100.0, along="x")
    step = -(-len(told) // MOST_NAMES)
    places = range(0, len(told), step)
    axes.set_xticks(list(places), [told[i][0] for i in places])
    axes.tick_params(axis="x", labelrotation=90.0 if len(told) > FEW else 0.0)
    axes.set_xlim(-0.6, len(told) - 0.4)
    dress(axes, across=across, upward="kept [% of free rolling]")
    return legend_above(axes, columns=2)


def lap_picture(day: Day) -> Drawing:
    """`log_and_bench` as a drawing of its own."""
    import matplotlib as mpl
    from matplotlib.figure import Figure as Drawn

    with mpl.rc_context():
        mpl.rcdefaults()
        drawn = Drawn(figsize=(7.0, 5.0), layout="constrained", facecolor="white")
        log_and_bench(day, drawn.subplots())
    return drawn
