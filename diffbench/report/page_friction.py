"""Figures of the page about friction, torque bias and heat, each with the table behind it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from diffbench.physics.plate_heat import friction_heat
from diffbench.report import friction_figures as figures
from diffbench.report.curves import sweep_cells
from diffbench.report.drawing import draw
from diffbench.report.figures import BRANCHES, place_of_reference
from diffbench.report.friction_curves import (
    Over,
    bias_curve,
    friction_cells,
    friction_curve,
    friction_scale,
    reference_place,
)
from diffbench.report.map_window import torques_to_draw
from diffbench.report.page_figures import HALF, PageFigure, numbers
from diffbench.report.rounding import number_text
from diffbench.results.characterisation import Characterisation, Evidence
from diffbench.results.locking_map import LockingMap

__all__ = ["friction_page_figures"]

ROWS = 13
NORMAL_95 = 1.959964
_NAMES: dict[Over, tuple[str, str]] = {
    "sliding_speed": ("sliding speed", "Sliding speed [m/s]"),
    "plate": ("plate temperature", "Plate temperature [°C]"),
}


def friction_page_figures(
    characterisation: Characterisation, locking_map: LockingMap
) -> Iterator[PageFigure]:
    """Torque bias, friction over sliding speed and over plate temperature, temperatures and plate heat."""
    if torques_to_draw(locking_map).size > 1:
        yield _bias_figure(characterisation, locking_map)
    for over in _NAMES:
        curve = friction_curve(characterisation, over)
        if curve.at.size > 1 and characterisation.tested.outline:
            yield _friction_figure(characterisation, over)
    evidence = characterisation.evidence
    if evidence is not None and sweep_cells(evidence).any():
        yield _temperature_figure(evidence)
        yield _heat_figure(evidence)


def _bias_figure(characterisation: Characterisation, locking_map: LockingMap) -> PageFigure:
    speed, heat = place_of_reference(characterisation, None, None)
    place = f"{heat:g} °C and {speed:g} rad/s"
    rows, peak = [], ""
    torque = locking_map.axes[0][torques_to_draw(locking_map)]
    curves = [
        bias_curve(locking_map, branch, speed_difference=speed, temperature=heat) for branch in BRANCHES
    ]
    for at in torque.tolist():
        row = [f"{at:.0f}"]
        for curve in curves:
            i = int(np.argmin(np.abs(curve.input_torque - at)))
            low, value, high = (float(part[i]) for part in (curve.low, curve.value, curve.high))
            if not np.isfinite(value):
                row += ["none", "none", "no meaning"]
                continue
            u = (high - low) / (2 * NORMAL_95) if np.isfinite(high - low) else None
            limits = f"{number_text(low, u)} to {number_text(high, u)}" if u is not None else "none"
            row += [number_text(value, u), limits, "tested" if curve.tested[i] else "extrapolated"]
        rows.append(tuple(row))
        if row[1] != "none":
            peak = f"{row[1]} at {row[0]} N·m"
    head = (
        "Input torque [N·m]", "Loading [1]", "Loading, 95 % limits", "Loading",
        "Unloading [1]", "Unloading, 95 % limits", "Unloading",
    )  # fmt: skip
    return PageFigure(
        "torque-bias",
        f"Torque bias ratio, at {place}",
        draw(
            lambda axes: figures.torque_bias(characterisation, locking_map, axes),
            size=HALF,
            prefix="torque-bias",
            title=f"Torque bias ratio over input torque at {place}, loading: {peak or 'nowhere below 1'}.",
        ),
        "Higher over lower output torque (SAE J2817). Towards no input torque the ratio has no bound: there "
        "the unit locks whatever comes in, and the locking torque itself is what counts.",
        numbers("Torque bias ratio over input torque", head, rows, texts=(3, 6)),
    )


def _friction_figure(characterisation: Characterisation, over: Over) -> PageFigure:
    words, head = _NAMES[over]
    scale = friction_scale(characterisation)
    times = 1.0 if scale is None else scale[0]
    curve, cells = friction_curve(characterisation, over), friction_cells(characterisation, over)
    chosen = np.unique(np.linspace(0, curve.at.size - 1, ROWS).round().astype(int))
    rows = []
    for i in chosen:
        u = times * float(curve.high[i] - curve.low[i]) / (2 * NORMAL_95)
        u = max(u, 1e-5)
        value, low, high = (times * float(part[i]) for part in (curve.value, curve.low, curve.high))
        rows.append(
            (
                number_text(float(curve.at[i])),
                number_text(value, u),
                f"{number_text(low, u)} to {number_text(high, u)}",
            )
        )
    count = 0 if cells is None else cells.at.size
    unit = "m/s" if over == "sliding_speed" else "°C"
    ends = f"{rows[0][1]} at {rows[0][0]} {unit} to {rows[-1][1]} at {rows[-1][0]} {unit}"
    other = "plate temperature" if over == "sliding_speed" else "sliding speed"
    caption = f"Each cell carried to the reference {other} by the fitted law. "
    home = f"{number_text(reference_place(characterisation, over))} {unit}"
    if scale is None:
        caption += f"1 is the friction at the reference condition, {home}: its size is not determined."
    else:
        caption += (
            f"The band is that of the course; what scales all friction alike is the bar at the reference "
            f"condition, {home}."
        )
    return PageFigure(
        f"friction-{over.replace('_', '-')}",
        f"Friction over {words}",
        draw(
            lambda axes: figures.friction(characterisation, axes, over=over),
            size=HALF,
            prefix=f"friction-{over.replace('_', '-')}",
            title=f"Friction over {words}: from {ends}. {count} measured cells.",
        ),
        caption,
        numbers(
            f"Friction over {words}",
            (
                head,
                "Friction, reference = 1" if scale is None else "Friction coefficient",
                "95 % of the course",
            ),
            rows,
        ),
    )


def _temperature_figure(evidence: Evidence) -> PageFigure:
    rows = []
    for number, _, length in figures.run_starts(evidence):
        here = evidence.run == number
        oil, plate = evidence.oil[here], evidence.plate[here]
        known = oil[np.isfinite(oil)]
        rows.append(
            (
                f"{number + 1}, {evidence.run_kinds[number]}",
                f"{length:.0f}",
                f"{known.min():.1f} to {known.max():.1f}" if known.size else "not measured",
                f"{plate.min():.1f} to {plate.max():.1f}",
                f"{np.nanmax(plate - oil):.1f}" if known.size else "not known",
            )
        )
    head = ("Run", "Duration [s]", "Oil [°C]", "Plates [°C]", "Plates over oil, most [K]")
    hottest = max(float(evidence.plate[evidence.run == n].max()) for n, _, _ in figures.run_starts(evidence))
    return PageFigure(
        "temperatures",
        "Temperature of oil and plates",
        draw(
            lambda axes: figures.temperatures(evidence, axes),
            size=HALF,
            prefix="temperatures",
            title=f"Temperatures of oil and plates over time; the plates reach {hottest:.0f} °C.",
        ),
        "Friction follows the plates, which run hotter than the oil where they work hard.",
        numbers("Temperatures by run", head, rows, texts=(0,)),
    )


def _heat_figure(evidence: Evidence) -> PageFigure:
    rows, most = [], 0.0
    for number, _, length in figures.run_starts(evidence):
        here = evidence.run == number
        heat = np.asarray(friction_heat(evidence.locking[here], evidence.speed_difference[here])) / 1e3
        most = max(most, float(heat.max()))
        rows.append(
            (
                f"{number + 1}, {evidence.run_kinds[number]}",
                f"{length:.0f}",
                f"{heat.mean():.2f}",
                f"{heat.max():.2f}",
            )
        )
    return PageFigure(
        "plate-heat",
        "Heat made in the plates",
        draw(
            lambda axes: figures.plate_heat(evidence, axes),
            size=HALF,
            prefix="plate-heat",
            title=f"Heat made by the plates of both packs over time, up to {most:.1f} kW.",
        ),
        "Half the locking torque times the speed difference, from the measured torque.",
        numbers(
            "Plate heat by run",
            ("Run", "Duration [s]", "Mean over its cells [kW]", "Most [kW]"),
            rows,
            texts=(0,),
        ),
    )
