"""Shims: which one gives a preload torque, in the terminal, and preload over shims as a figure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from diffbench.answers.shims import ShimAdvice
from diffbench.answers.state import OPENING
from diffbench.definitions import parts_of
from diffbench.report.document import WIDE, Document, Figure, Section, Sentence, bare, items, numbers
from diffbench.report.judgement import CAUTIONS, DEFER
from diffbench.report.rounding import chance_text, interval_text, number_text, with_uncertainty
from diffbench.report.style import (
    ABOVE,
    AREA,
    CURVE,
    GROUND,
    INK,
    MIDDLE,
    MUTED,
    PAPER,
    STATE_COLOURS,
    STRONG,
    TICK_SIZE,
    TINT,
    draw_marks,
    dress,
    legend_above,
)
from diffbench.report.wording import limit_text, names_by_build, printable
from diffbench.results.characterisation import BuildFacts, Characterisation, Parameter

if TYPE_CHECKING:
    from matplotlib.axes import Axes


MILLIMETRES = 1e3
WAYS = {
    "ladder": "by the measured ladder",
    "curve": "by the disc-spring curve through one build",
    "both": "by the disc-spring curve through all builds",
}


def shim_document(result: ShimAdvice) -> Document:
    """Which shim to take, and what each would give."""
    best = result.advised
    u = best.u_Nm
    text = (
        f"Unit {printable(result.unit, limit=40)}, preload torque of {number_text(result.target_Nm)} N·m, "
        f"{WAYS[result.way]}: take a shim of {MILLIMETRES * best.shim_m:.4g} mm. It will give "
        f"{number_text(best.preload_torque_Nm, u)} N·m, in a new assembly "
        f"{interval_text(best.low_Nm, best.high_Nm, u)} N·m (95 %)"
    )
    if best.chance is not None and result.limits_Nm is not None:
        allowed = limit_text(*result.limits_Nm, "N·m")
        text += f", and lands within {allowed} with a chance of {chance_text(best.chance)}"
    head = ("shim, mm", "preload torque, N·m", "95 % of assemblies", "chance within limits", "")
    rows = []
    for c in result.candidates:
        marks = [w for w, on in (("advised", c == best), ("extrapolated", c.extrapolated)) if on]
        rows.append(
            (
                f"{MILLIMETRES * c.shim_m:.4g}",
                number_text(c.preload_torque_Nm, c.u_Nm),
                interval_text(c.low_Nm, c.high_Nm, c.u_Nm),
                "" if c.chance is None else chance_text(c.chance),
                ", ".join(marks),
            )
        )
    measured = "; ".join(
        f"{MILLIMETRES * r.shim_m:.4g} mm {number_text(r.preload_torque_Nm, r.u_Nm)} ± "
        f"{number_text(r.u_Nm, r.u_Nm)} N·m"
        for r in result.rungs
    )
    exact = f"The target itself lies at {MILLIMETRES * result.exact_shim_m:.3f} mm."
    sections = (
        Section("", (Sentence(f"{text}."),)),
        Section("", (bare(rows, head=head, flush=(0, 1)),)),
        Section("", (_advised_figure(result),)),
        Section("", (Sentence(f"Measured: {measured}. {exact}"),)),
        items("", map(printable, result.notes)),
        Section("", (Sentence(" ".join((*map(CAUTIONS.__getitem__, OPENING), DEFER)), first="Caution: "),)),
    )
    return Document(f"Shim for unit {printable(result.unit, limit=40)}", sections)


def _advised_figure(result: ShimAdvice) -> Figure:
    """Shims in stock for a page; a terminal leaves it out."""
    best = result.advised
    return Figure(
        name="shims-in-stock",
        title="Preload torque of the shims in stock",
        paint=lambda axes: advised_shims(result, axes),
        size=WIDE,
        shows=(
            f"Preload torque over shims; advised is {MILLIMETRES * best.shim_m:.4g} mm with "
            f"{number_text(best.preload_torque_Nm, best.u_Nm)} N·m."
        ),
        table=numbers(
            "Preload torque of the shims in stock",
            ("Shim [mm]", "Preload torque [N·m]", "95 % interval [N·m]"),
            [
                (
                    f"{MILLIMETRES * one.shim_m:.4g}",
                    number_text(one.preload_torque_Nm, one.u_Nm),
                    interval_text(one.low_Nm, one.high_Nm, one.u_Nm),
                )
                for one in result.candidates
            ],
        ),
    )


def advised_shims(result: ShimAdvice, axes: Axes) -> Axes:
    """What each shim in stock would give, with the 95 % interval of a new assembly: the advised one filled,
    those that were measured as squares, target and limits as lines."""
    stock = result.candidates
    x = np.array([MILLIMETRES * c.shim_m for c in stock])
    y = np.array([c.preload_torque_Nm for c in stock])
    reach = np.array([[c.preload_torque_Nm - c.low_Nm, c.high_Nm - c.preload_torque_Nm] for c in stock]).T
    draw_marks(
        axes, x, y, low=reach[0], high=reach[1], colour=STATE_COLOURS["before"], face=PAPER,
        label="in stock, 95 % of assemblies", zorder=AREA,
    )  # fmt: skip
    best = result.advised
    axes.plot(
        [MILLIMETRES * best.shim_m], [best.preload_torque_Nm], "o", color=STATE_COLOURS["before"],
        markersize=9.0, label="advised", zorder=ABOVE,
    )  # fmt: skip
    axes.plot(
        [MILLIMETRES * rung.shim_m for rung in result.rungs],
        [rung.preload_torque_Nm for rung in result.rungs], "s", color=INK, markersize=6.0, label="measured",
        zorder=CURVE,
    )  # fmt: skip
    axes.axhline(result.target_Nm, color=INK, linewidth=MIDDLE, linestyle="--", label="target")
    for i, limit in enumerate(result.limits_Nm or ()):
        axes.axhline(limit, color=STATE_COLOURS["after"], linewidth=STRONG, label="_" if i else "limits")
    dress(axes, across="shim [mm]", upward="preload torque [N·m]")
    return legend_above(axes, columns=3)


def ladder_figure(characterisation: Characterisation) -> Figure | None:
    """Preload torque over shims; None where there are not two builds with different shims."""
    rungs = shim_rungs(characterisation)
    if len({facts.shim_m for facts, _ in rungs}) < 2:
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
            with_uncertainty(item.value, item.u),
            interval_text(item.low, item.high, item.u),
        )
        for facts, item in rungs
    ]
    return Figure(
        paint=lambda axes: shim_ladder(characterisation, axes, limits=one),
        name="shim-ladder",
        title="Preload torque over shims",
        size=WIDE,
        shows=(
            f"Preload torque over shims: {rows[0][2]} N·m at {rows[0][0]} mm to {rows[-1][2]} N·m at "
            f"{rows[-1][0]} mm."
        ),
        caption=(
            "Each step bears what a millimetre of shim adds. The command diffbench advise says which shim "
            "gives a target."
        ),
        table=numbers(
            "Preload torque over shims",
            ("Shim [mm]", "Build", "Preload torque ± standard uncertainty [N·m]", "95 % interval [N·m]"),
            rows,
            texts=(1,),
        ),
    )


def shim_rungs(characterisation: Characterisation) -> list[tuple[BuildFacts, Parameter]]:
    """Builds with a stated shim and a preload torque that is determined, by their shims."""
    found = []
    parameters, names = characterisation.parameters, names_by_build(characterisation)
    for facts in characterisation.builds:
        name = names.get(("preload_torque", facts.build))
        if facts.shim_m is not None and name is not None and parameters[name].value is not None:
            found.append((facts, parameters[name]))
    return sorted(found, key=lambda rung: rung[0].shim_m or 0.0)


def shim_ladder(
    characterisation: Characterisation, axes: Axes, *, limits: tuple[float, float] | None = None
) -> Axes:
    """Preload torque over shim thickness of builds of one unit that were fitted together, each with its 95 %
    interval; ``limits`` of the preload torque [N·m] are drawn as a band."""
    rungs = shim_rungs(characterisation)
    shims = np.array([MILLIMETRES * (facts.shim_m or 0.0) for facts, _ in rungs])
    values, low, high = (
        np.array([getattr(item, key) for _, item in rungs], dtype=np.float64)
        for key in ("value", "low", "high")
    )
    if limits is not None:
        axes.axhspan(
            *limits, color=MUTED, alpha=TINT, linewidth=0, zorder=GROUND, label="limits of the build sheet"
        )
    axes.plot(shims, values, "-", color=INK, linewidth=MIDDLE, zorder=AREA)
    draw_marks(
        axes, shims, values, low=values - low, high=high - values, colour=STATE_COLOURS["before"], edge=PAPER,
        label="measured, 95 % interval",
    )  # fmt: skip
    _name_rates(axes, shims, values)
    axes.set_xticks(np.unique(shims), [f"{shim:.4g}" for shim in np.unique(shims)])
    span = max(float(np.ptp(shims)), 0.1)
    axes.set_xlim(float(shims.min()) - 0.12 * span, float(shims.max()) + 0.12 * span)
    dress(axes, across="shim [mm]", upward="preload torque [N·m]")
    return legend_above(axes)


def _name_rates(axes: Axes, shims: Sequence[float] | np.ndarray, values: np.ndarray) -> None:
    """Each step bears its preload per shim, below the line."""
    for i in range(len(values) - 1):
        step = float(shims[i + 1] - shims[i])
        if step <= 0.0:
            continue
        axes.annotate(
            f"{(values[i + 1] - values[i]) / step:.0f} N·m/mm",
            (0.5 * float(shims[i] + shims[i + 1]), 0.5 * float(values[i] + values[i + 1])),
            xytext=(8, -12),
            textcoords="offset points",
            color=INK,
            size=TICK_SIZE,
            zorder=ABOVE,
        )
