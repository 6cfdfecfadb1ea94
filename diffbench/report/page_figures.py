"""Figures of the page: drawing, caption, what it shows in words, and the table behind it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from diffbench.report import figures, map_figures
from diffbench.report.curves import (
    RESIDUAL_AXES,
    branch_curve,
    carried_cells,
    parts_over_torque,
    residual_bins,
    sweep_cells,
)
from diffbench.report.drawing import draw
from diffbench.report.figures import BRANCHES
from diffbench.report.map_window import speeds_to_draw, torques_to_draw
from diffbench.report.page_tables import Table, typeset
from diffbench.report.rounding import number_text
from diffbench.results.characterisation import Characterisation, Evidence
from diffbench.results.locking_map import Branch, LockingMap

__all__ = [
    "HALF",
    "WIDE",
    "PageFigure",
    "evidence_figures",
    "map_page_figures",
    "numbers",
    "sweep_figure",
]

WIDE = (5.5, 4.1)
HALF = (4.5, 3.4)
THIRD = (4.5, 3.5)
LIMIT_FACTOR = 2 * 1.959964


@dataclass(frozen=True)
class PageFigure:
    """A figure of the page. ``drawing`` is an SVG element of our own making, everything else plain text."""

    name: str
    title: str
    drawing: str
    caption: str
    table: Table


def sweep_figure(characterisation: Characterisation, locking_map: LockingMap) -> PageFigure | None:
    """The sweep over the fitted map at the reference condition; None where the map has one input torque."""
    if torques_to_draw(locking_map).size < 2:
        return None
    speed, heat = figures.place_of_reference(characterisation, None, None)
    cells = carried_cells(characterisation, locking_map, speed_difference=speed, temperature=heat)
    loading, unloading = (
        branch_curve(locking_map, branch, speed_difference=speed, temperature=heat) for branch in BRANCHES
    )
    place = f"{heat:g} °C and {speed:g} rad/s"
    ends = (0, int(np.argmin(np.abs(loading.input_torque))), loading.input_torque.size - 1)
    course = ", ".join(
        f"{loading.value[i]:.0f} N·m at {loading.input_torque[i]:.0f} N·m" for i in dict.fromkeys(ends)
    )
    count = 0 if cells is None else cells.input_torque.size
    caption = (
        f"Each mark is a short average of the recordings, carried to {place} by the fitted friction over "
        "speed and temperature; preload, ramps and hysteresis are as measured. Where the torque turns, the "
        "ramps hold their thrust: the level stretch between the branches. Thin lines are an extrapolation."
        if count
        else f"The map at {place}. Thin lines are an extrapolation. {_why_no_cells(characterisation)}"
    )
    rows = []
    for i in range(loading.input_torque.size):
        row = [f"{loading.input_torque[i]:.0f}"]
        for curve in (loading, unloading):
            u = float(curve.high[i] - curve.low[i]) / LIMIT_FACTOR
            row += [
                number_text(float(curve.value[i]), u),
                f"{number_text(float(curve.low[i]), u)} to {number_text(float(curve.high[i]), u)}",
                "tested" if curve.tested[i] else "extrapolated",
            ]
        rows.append(tuple(row))
    head = (
        "Input torque [N·m]",
        "Loading [N·m]",
        "Loading, 95 % limits",
        "Loading",
        "Unloading [N·m]",
        "Unloading, 95 % limits",
        "Unloading",
    )
    return PageFigure(
        "sweep",
        f"Locking torque over input torque, at {place}",
        draw(
            lambda axes: figures.sweep(characterisation, locking_map, axes),
            size=WIDE,
            prefix="sweep",
            title=(
                f"Locking torque over input torque at {place}, loading: {typeset(course)}. "
                f"{count} measured cells."
            ),
        ),
        caption,
        numbers("Locking torque over input torque", head, rows, texts=(3, 6)),
    )


def _why_no_cells(characterisation: Characterisation) -> str:
    if characterisation.evidence is None:
        return "The measured cells are not stored in the document that this page was made from."
    if len(characterisation.builds) > 1:
        return "The cells of several builds are shown as recorded, below."
    return "No sweep under slip was recorded."


def evidence_figures(characterisation: Characterisation, locking_map: LockingMap) -> Iterator[PageFigure]:
    """What the locking torque is made of, the cells as recorded, and the residuals."""
    if torques_to_draw(locking_map).size > 1:
        yield _parts_figure(characterisation, locking_map)
    evidence = characterisation.evidence
    if evidence is None:
        return
    yield _recorded_figure(evidence)
    for axis, words in RESIDUAL_AXES.items():
        # along an axis that does not move there is nothing to see
        if residual_bins(evidence, axis).centre.size > 1:
            yield _residual_figure(evidence, axis, words)


def _parts_figure(characterisation: Characterisation, locking_map: LockingMap) -> PageFigure:
    speed, heat = figures.place_of_reference(characterisation, None, None)
    made = parts_over_torque(
        characterisation, locking_map, "loading", speed_difference=speed, temperature=heat
    )
    listed = (made.preload, made.ramps, made.gears, made.oil_film, made.total)
    rows = [
        (f"{torque:.0f}", *(f"{part[i]:.1f}" for part in listed))
        for i, torque in enumerate(made.input_torque.tolist())
    ]
    last = int(np.argmax(made.input_torque))
    words = ", ".join(
        f"{name} {part[last]:.0f} N·m"
        for name, part in zip(("preload", "ramps", "gears", "oil film"), listed, strict=False)
    )
    head = (
        "Input torque [N·m]",
        "Preload [N·m]",
        "Ramps [N·m]",
        "Gears [N·m]",
        "Oil film [N·m]",
        "Total [N·m]",
    )
    return PageFigure(
        "parts",
        "What the locking torque is made of, while loading",
        draw(
            lambda axes: figures.parts(characterisation, locking_map, axes),
            size=HALF,
            prefix="parts",
            title=(
                "Locking torque split into its parts over input torque; "
                f"at {made.input_torque[last]:.0f} N·m: {words}."
            ),
        ),
        f"At {heat:g} °C and {speed:g} rad/s. Preload holds near zero input torque, ramps far from it.",
        numbers("Parts of the locking torque while loading", head, rows),
    )


def _recorded_figure(evidence: Evidence) -> PageFigure:
    rows = []
    for number, kind in enumerate(evidence.run_kinds):
        here = evidence.used & (evidence.run == number)
        if not here.any():
            continue
        edges = np.unique(np.quantile(evidence.input_torque[here], np.linspace(0, 1, 9)))
        place = np.clip(
            np.searchsorted(edges, evidence.input_torque[here], side="right") - 1, 0, max(edges.size - 2, 0)
        )
        for bin_number in np.unique(place):
            chosen = np.flatnonzero(here)[place == bin_number]
            torque = evidence.input_torque[chosen]
            rows.append(
                (
                    f"{number + 1}, {kind}",
                    f"{torque.min():.0f} to {torque.max():.0f}",
                    str(chosen.size),
                    f"{evidence.locking[chosen].mean():.1f}",
                    f"{evidence.model[chosen].mean():.1f}",
                )
            )
    count = int(evidence.used.sum())
    head = ("Run", "Input torque [N·m]", "Cells", "Measured, mean [N·m]", "Model, mean [N·m]")
    by_hand = int((evidence.used & ~sweep_cells(evidence)).sum())
    return PageFigure(
        "recorded",
        "Locking torque as recorded",
        draw(
            lambda axes: figures.recorded(evidence, axes),
            size=HALF,
            prefix="recorded",
            title=(
                f"Locking torque over input torque as recorded, {count} cells, "
                "with the model at the same cells."
            ),
        ),
        "Every cell at its own speed difference and temperature, corrected for what stands between "
        "transducer and unit; the "
        "model at the same place." + (f" {by_hand} readings by hand." if by_hand else ""),
        numbers("Measured and modelled locking torque", head, rows, texts=(0,)),
    )


def _residual_figure(evidence: Evidence, axis: str, words: str) -> PageFigure:
    bins = residual_bins(evidence, axis)
    rows = [
        (number_text(float(centre)), str(int(count)), f"{mean:+.2f}", f"{rms:.2f}")
        for centre, count, mean, rms in zip(bins.centre, bins.count, bins.mean, bins.rms, strict=True)
    ]
    name = words.partition(" [")[0]
    worst = float(np.max(np.abs(bins.mean)))
    return PageFigure(
        f"residual-{axis.replace('_', '-')}",
        f"Residual over {name}",
        draw(
            lambda axes: figures.residuals(evidence, axes, over=axis),
            size=HALF,
            prefix=f"residual-{axis.replace('_', '-')}",
            title=(
                f"Measured less modelled locking torque over {name}; "
                f"the means of the bins stay within {worst:.2f} N·m of zero."
            ),
        ),
        f"Means of bins stay within {worst:.2f} N·m of zero.",
        numbers(
            f"Residual in bins of {name}",
            (f"Centre, {words}", "Cells", "Mean of the residual [N·m]", "Root mean square [N·m]"),
            rows,
        ),
    )


def map_page_figures(characterisation: Characterisation, locking_map: LockingMap) -> Iterator[PageFigure]:
    """The map as filled contours, by temperature and branch; none where a single speed
    difference or torque is drawn."""
    heat = locking_map.axes[2]
    if torques_to_draw(locking_map).size < 2 or speeds_to_draw(locking_map).size < 2:
        return
    levels = map_figures.contour_levels(locking_map)
    for index in map_figures.temperatures_to_show(
        locking_map, characterisation.reference["temperature_degC"]
    ):
        for branch in BRANCHES:
            yield _contour_figure(locking_map, branch, index, float(heat[index]), levels)


def _contour_figure(
    locking_map: LockingMap, branch: Branch, index: int, temperature: float, levels: map_figures.Array
) -> PageFigure:
    across, upward = torques_to_draw(locking_map), speeds_to_draw(locking_map)
    torque, speed, drawn = locking_map.axes[0][across], locking_map.axes[1][upward], np.ix_(across, upward)
    values, tested = (table[branch][:, :, index][drawn] for table in (locking_map.values, locking_map.tested))
    rows = [
        (
            f"{torque[i]:.0f}",
            *(f"{values[i, j]:.1f}" if tested[i, j] else f"({values[i, j]:.1f})" for j in range(speed.size)),
        )
        for i in range(torque.size)
    ]
    head = ("Input torque [N·m]", *(f"{number_text(s, 0.1)} rad/s" for s in speed.tolist()))
    name = f"map-{branch}-{index}"
    title = f"{branch.capitalize()}, {temperature:.0f} °C"
    return PageFigure(
        name,
        title,
        draw(
            lambda axes: map_figures.contours(
                locking_map, axes, branch=branch, temperature=index, levels=levels
            ),
            size=THIRD,
            prefix=name,
            title=(
                f"Locking torque over input torque and speed difference, {branch}, at {temperature:.0f} °C: "
                f"{values.min():.0f} to {values.max():.0f} N·m; "
                f"{100 * tested.mean():.0f} % of the nodes are tested."
            ),
        ),
        "",
        numbers(
            f"Locking torque [N·m], {branch}, at {temperature:.0f} °C; extrapolations in brackets", head, rows
        ),
    )


def numbers(
    caption: str, head: tuple[str, ...], rows: Sequence[tuple[str, ...]], texts: tuple[int, ...] = ()
) -> Table:
    """The table behind a figure: all columns are numbers but ``texts``."""
    numbers = tuple(i for i in range(len(head)) if i not in texts)
    return Table(caption, head, tuple(tuple(typeset(cell) for cell in row) for row in rows), numbers)
