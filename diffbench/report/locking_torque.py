"""Locking torque over input torque: what was measured, what was fitted, what it is made of, what is left.

A subject is told whole: its numbers; how they are drawn, by a function that takes data and an Axes and
returns the Axes, for the page and for a notebook; and the figure of the page, with caption and table behind.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diffbench.physics.steady import UnitQuantities, friction_factor, viscous_coefficient
from diffbench.report.document import HALF, WIDE, Figure, Table, numbers
from diffbench.report.map_contours import BRANCHES, torques_to_draw
from diffbench.report.rounding import number_text, typeset
from diffbench.report.style import (
    ABOVE,
    BESIDE,
    CELLS,
    CURVE,
    DIRECTION_COLOURS,
    DIRECTION_LABELS,
    DIRECTION_MARKS,
    GROUND,
    INK,
    MIDDLE,
    MUTED,
    PAPER,
    PART_COLOURS,
    RULE,
    STRONG,
    THIN,
    TOP,
    draw_band,
    dress,
    legend_above,
    level_line,
)
from diffbench.results.characterisation import Characterisation, Evidence, FormState
from diffbench.results.discrepancy import NORMAL_95
from diffbench.results.locking_map import Branch, LockingMap
from diffbench.results.map_limits import best_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes


Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

RESIDUAL_AXES = {
    "input_torque": "input torque [N·m]",
    "speed_difference": "speed difference [rad/s]",
    "plate": "plate temperature [°C]",
    "time": "time in the run [s]",
}
INPUT_TORQUE = "input torque [N·m], coast negative, drive positive"
LOCKING_TORQUE = "locking torque [N·m]"
#: More points than that are drawn as a picture within the drawing: smaller, and quicker to show.
DENSE = 300
#: An input torque that moves by less [N·m] over a run was held.
HELD = 2.0
BRANCH_LINES = {"loading": "-", "unloading": "--"}


@dataclass(frozen=True, eq=False)
class BranchCurve:
    """One branch of a map over input torque [N·m] at one place: value and 95 % limits [N·m], tested or not;
    all (n,)."""

    input_torque: Array
    value: Array
    low: Array
    high: Array
    tested: Mask


@dataclass(frozen=True, eq=False)
class CarriedCells:
    """Measured cells at one speed difference and temperature: locking torque [N·m] over input torque [N·m],
    all (c,)."""

    input_torque: Array
    locking: Array
    direction: Array
    loading: Mask


@dataclass(frozen=True, eq=False)
class Parts:
    """What the locking torque is made of, over input torque: each part and the total [N·m], all (n,)."""

    input_torque: Array
    preload: Array
    ramps: Array
    gears: Array
    oil_film: Array

    @property
    def total(self) -> Array:
        """Sum of the parts [N·m], never negative."""
        total: Array = np.maximum(self.preload + self.ramps + self.gears + self.oil_film, 0.0)
        return total


@dataclass(frozen=True, eq=False)
class ResidualBins:
    """Residual in bins along one axis: centre, number of cells, mean and root mean square [N·m], all (b,)."""

    centre: Array
    count: NDArray[np.int64]
    mean: Array
    rms: Array


def branch_curve(
    locking_map: LockingMap, branch: Branch, *, speed_difference: float, temperature: float
) -> BranchCurve:
    """One branch over the input torques of the map that are drawn, at one speed difference [rad/s] and
    temperature [°C]."""
    torque = locking_map.axes[0][torques_to_draw(locking_map)]
    speed, heat = np.full(torque.shape, speed_difference), np.full(torque.shape, temperature)
    low, high = locking_map.interval(torque, speed, heat, branch)
    return BranchCurve(
        input_torque=torque,
        value=locking_map.locking_torque(torque, speed, heat, branch),
        low=low,
        high=high,
        tested=np.atleast_1d(locking_map.is_tested(torque, speed, heat, branch)),
    )


def sweep_cells(evidence: Evidence) -> Mask:
    """Which cells (c,) are of sweeps: readings at standstill by hand belong to no sliding speed."""
    turning = np.array([kind == "turning-torque" for kind in evidence.run_kinds], dtype=bool)
    return ~turning[evidence.run] if turning.size else np.ones(evidence.run.shape, dtype=bool)


def carried_cells(
    characterisation: Characterisation,
    locking_map: LockingMap,
    *,
    speed_difference: float,
    temperature: float,
) -> CarriedCells | None:
    """Measured cells of the sweeps that the fit used, carried to one speed difference [rad/s] and temperature
    [°C] by the fitted friction shape; None where they are not at hand, or are of several builds.

    T' = m(v', Theta') [T − k |T_in| − c(Theta_oil) |Delta omega|] / m(v, Theta) + k |T_in| + c(Theta')
    |Delta omega'|

    Only friction over speed and temperature, gear friction and the oil film are taken from the model.
    Preload, ramps and hysteresis stay as measured, whatever the preload law: each cell keeps its own
    residual.
    """
    evidence = characterisation.evidence
    if evidence is None or len(characterisation.builds) != 1:
        return None
    unit = _unit(characterisation, locking_map)
    kept = evidence.used & sweep_cells(evidence)
    torque, speed = np.abs(evidence.input_torque[kept]), evidence.speed_difference[kept]
    oil = np.where(np.isfinite(evidence.oil[kept]), evidence.oil[kept], unit.reference_temperature)
    apart = unit.gear_friction * torque + viscous_coefficient(unit, oil) * speed
    load = (evidence.locking[kept] - apart) / friction_factor(unit, speed, evidence.plate[kept])
    there = (np.full(speed.shape, speed_difference), np.full(speed.shape, temperature))
    apart_there = unit.gear_friction * torque + viscous_coefficient(unit, there[1]) * there[0]
    locking = load * friction_factor(unit, *there) + apart_there
    return CarriedCells(
        evidence.input_torque[kept], locking, evidence.direction[kept], evidence.loading[kept]
    )


def parts_over_torque(
    characterisation: Characterisation,
    locking_map: LockingMap,
    *,
    speed_difference: float,
    temperature: float,
) -> Parts:
    """What the locking torque while loading is made of by the best form, over the input torques of the map
    that are drawn, at one speed difference [rad/s] and temperature [°C].

    Under the greater-of law the ramps' part is the whole thrust of the ramps, and the preload's part is what
    is left of the clamping, P − (1 − Phi) K |T_in|, until the contact has opened: as the load on a preloaded
    joint is shared.
    """
    unit = _unit(characterisation, locking_map)
    torque = locking_map.axes[0][torques_to_draw(locking_map)]
    thrust = np.maximum(np.where(torque >= 0, unit.drive_bias, unit.coast_bias) * np.abs(torque), 0.0)
    preload = unit.preload_law.load(unit.preload_torque, thrust, unit.preload_values) - thrust
    factor = friction_factor(unit, np.array(speed_difference), np.array(temperature))
    ones = np.ones(torque.shape)
    return Parts(
        input_torque=torque,
        preload=factor * preload,
        ramps=factor * thrust,
        gears=unit.gear_friction * np.abs(torque),
        oil_film=ones * viscous_coefficient(unit, np.array(temperature)) * abs(speed_difference),
    )


def residual_bins(evidence: Evidence, axis: str, *, bins: int = 12) -> ResidualBins:
    """Residual, measured less model, of the cells that the fit used, in bins of like many along one axis (see
    `RESIDUAL_AXES`); cells without a number there are left out."""
    at = np.asarray(getattr(evidence, axis), dtype=np.float64)
    kept = evidence.used & np.isfinite(at)
    at, residual = at[kept], (evidence.locking - evidence.model)[kept]
    if at.size == 0:
        none = np.zeros(0)
        return ResidualBins(none, np.zeros(0, dtype=np.int64), none, none)
    edges = np.unique(np.quantile(at, np.linspace(0.0, 1.0, bins + 1)[1:-1]))
    place = np.searchsorted(edges, at)
    _, place = np.unique(place, return_inverse=True)
    count = np.bincount(place)
    return ResidualBins(
        centre=np.bincount(place, at) / count,
        count=count.astype(np.int64),
        mean=np.bincount(place, residual) / count,
        rms=np.sqrt(np.bincount(place, residual**2) / count),
    )


def best_form(characterisation: Characterisation) -> FormState:
    """The form of the model that fits best."""
    return characterisation.forms[0]


def _unit(characterisation: Characterisation, locking_map: LockingMap) -> UnitQuantities:
    """The unit of the map's build by the best form."""
    builds = [facts.build for facts in characterisation.builds]
    name = locking_map.document.build
    return best_unit(characterisation, characterisation.builds[builds.index(name) if name in builds else 0])


def sweep(
    characterisation: Characterisation,
    locking_map: LockingMap,
    axes: Axes,
    *,
    speed_difference: float | None = None,
    temperature: float | None = None,
) -> Axes:
    """Locking torque over input torque at a speed difference [rad/s] and temperature [°C], the reference
    condition by default: both branches of the map with their 95 % band, and the measured cells, which are
    carried there by the fitted friction shape (`diffbench.report.locking_torque.carried_cells`)."""
    speed, heat = place_of_reference(characterisation, speed_difference, temperature)
    cells = carried_cells(characterisation, locking_map, speed_difference=speed, temperature=heat)
    if cells is not None:
        draw_cells(axes, cells.input_torque, cells.locking, cells.direction)
    draw_branches(axes, _branches(locking_map, speed, heat))
    _draw_law(axes, locking_map, speed, heat)
    axes.set_ylim(bottom=0.0)
    return over_torque(axes, LOCKING_TORQUE)


def over_torque(axes: Axes, upward: str, *, columns: int = 2) -> Axes:
    """Dress what was drawn over input torque: the line between coast and drive, labels, legend."""
    level_line(axes, 0.0, along="y")
    dress(axes, across=INPUT_TORQUE, upward=upward)
    return legend_above(axes, columns=columns)


def recorded(evidence: Evidence, axes: Axes) -> Axes:
    """Locking torque over input torque as recorded, at each cell's own speed difference and temperature, and
    the model there. Readings by hand are drawn as diamonds, cells that the fit left out as small grey
    dots."""
    sweeps = sweep_cells(evidence)
    kept = evidence.used & sweeps
    draw_cells(axes, evidence.input_torque[kept], evidence.locking[kept], evidence.direction[kept])
    used = evidence.used
    axes.plot(
        evidence.input_torque[used],
        evidence.model[used],
        ".",
        color=INK,
        markersize=1.4 if used.sum() > DENSE else 3.5,
        markeredgewidth=0,
        rasterized=bool(used.sum() > DENSE),
        zorder=TOP,
    )
    axes.plot([], [], ".", color=INK, markersize=5, label="model, same cells")
    hand = evidence.used & ~sweeps
    if hand.any():
        axes.plot(
            evidence.input_torque[hand],
            evidence.locking[hand],
            "D",
            color=INK,
            markerfacecolor="none",
            markersize=7,
            label="readings by hand",
            zorder=ABOVE,
        )
    apart = ~evidence.used
    if apart.any():
        axes.plot(
            evidence.input_torque[apart],
            evidence.locking[apart],
            ".",
            color=MUTED,
            markersize=3,
            label="left out of the fit",
            zorder=RULE,
        )
    return over_torque(axes, LOCKING_TORQUE)


def residuals(evidence: Evidence, axes: Axes, *, over: str) -> Axes:
    """Residual, measured less model, over "input_torque", "speed_difference", "plate" or "time": cells by
    slip direction, twice their noise, and means of bins, which stay near zero where the model is good."""
    at = np.asarray(getattr(evidence, over), dtype=np.float64)
    kept = evidence.used & np.isfinite(at)
    residual = evidence.locking - evidence.model
    draw_cells(axes, at[kept], residual[kept], evidence.direction[kept])
    if kept.any():
        noise = 2.0 * float(np.median(evidence.sigma[kept]))
        axes.axhspan(-noise, noise, color=INK, alpha=0.10, linewidth=0, zorder=GROUND, label="± 2 σ of noise")
        bins = residual_bins(evidence, over)
        axes.plot(
            bins.centre,
            bins.mean,
            "-s",
            color=INK,
            markersize=4.5,
            linewidth=MIDDLE,
            markeredgecolor=PAPER,
            markeredgewidth=0.7,
            label="means of bins",
            zorder=ABOVE,
        )
        reach = max(float(np.max(np.abs(residual[kept]))) * 1.08, noise * 1.3)
        axes.set_ylim(-reach, reach)
    level_line(axes, 0.0, along="x")
    dress(axes, across=RESIDUAL_AXES[over], upward="measured less model [N·m]")
    return legend_above(axes)


def parts(
    characterisation: Characterisation,
    locking_map: LockingMap,
    axes: Axes,
    *,
    speed_difference: float | None = None,
    temperature: float | None = None,
) -> Axes:
    """What the locking torque is made of, over input torque while loading, at a speed difference [rad/s] and
    temperature [°C], the reference condition by default: preload, ramps, gears, oil film stacked, the total
    with its 95 % band, and the total while unloading, dashed."""
    speed, heat = place_of_reference(characterisation, speed_difference, temperature)
    made = parts_over_torque(characterisation, locking_map, speed_difference=speed, temperature=heat)
    floor = np.zeros(made.input_torque.shape)
    for name, part in _named_parts(made):
        top = floor + part
        axes.fill_between(
            made.input_torque,
            floor,
            top,
            facecolor=PART_COLOURS[name],
            edgecolor=INK,
            linewidth=0.6,
            label=name,
        )
        floor = top
    draw_branches(axes, _branches(locking_map, speed, heat))
    axes.set_ylim(bottom=0.0)
    return over_torque(axes, LOCKING_TORQUE, columns=3)


def place_of_reference(
    characterisation: Characterisation, speed_difference: float | None, temperature: float | None
) -> tuple[float, float]:
    """Speed difference [rad/s] and temperature [°C] that are asked for, else those of the reference
    condition."""
    reference = characterisation.reference
    return (
        reference["speed_difference_rad_s"] if speed_difference is None else speed_difference,
        reference["temperature_degC"] if temperature is None else temperature,
    )


def _named_parts(made: Parts) -> list[tuple[str, Array]]:
    return [
        ("preload", made.preload),
        ("ramps", made.ramps),
        ("gears", made.gears),
        ("oil film", made.oil_film),
    ]


def draw_cells(
    axes: Axes,
    across: Array,
    upward: Array,
    direction: Array,
    *,
    named: bool = True,
    dense: bool | None = None,
) -> None:
    """Measured cells by slip direction, ``named`` in the legend; ``dense`` ones as a picture within the
    drawing."""
    many = across.size > DENSE if dense is None else dense
    for sign in (1, -1):
        here = direction == sign
        if not here.any():
            continue
        mark = DIRECTION_MARKS[sign]
        axes.plot(
            across[here],
            upward[here],
            linestyle="none",
            marker=mark,
            markersize=4.0,
            color=DIRECTION_COLOURS[sign],
            markerfacecolor="none",
            markeredgewidth=0.9,
            alpha=0.75 if many else 1.0,
            rasterized=many,
            label=DIRECTION_LABELS[sign] if named else None,
            zorder=CELLS,
        )


def _branches(
    locking_map: LockingMap, speed_difference: float, temperature: float
) -> dict[Branch, BranchCurve]:
    return {
        branch: branch_curve(locking_map, branch, speed_difference=speed_difference, temperature=temperature)
        for branch in BRANCHES
    }


def _draw_law(axes: Axes, locking_map: LockingMap, speed_difference: float, temperature: float) -> None:
    """Beside a map as measured, both branches by the law."""
    torque = locking_map.axes[0][torques_to_draw(locking_map)]
    for branch in BRANCHES:
        law = locking_map.by_the_law(torque, speed_difference, temperature, branch)
        if law is not None:
            label = "by the law" if branch == "loading" else None
            line = BRANCH_LINES[branch]
            axes.plot(torque, law, line, color=MUTED, linewidth=THIN, zorder=BESIDE, label=label)


def draw_branches(axes: Axes, curves: Mapping[Branch, BranchCurve]) -> None:
    """Both branches with their 95 % band; thin where they are an extrapolation, nothing where a value has no
    meaning."""
    for branch, curve in curves.items():
        tested = np.where(curve.tested, curve.value, np.nan)
        axes.plot(
            curve.input_torque,
            tested,
            BRANCH_LINES[branch],
            color=INK,
            linewidth=STRONG,
            label=f"map, {branch}",
            zorder=CURVE,
        )
    for branch, curve in curves.items():
        first = branch == "loading"
        axes.plot(
            curve.input_torque,
            curve.value,
            BRANCH_LINES[branch],
            color=INK,
            linewidth=THIN,
            zorder=BESIDE,
            label="map, not tested" if first else None,
        )
        draw_band(axes, curve.input_torque, curve.low, curve.high, label="95 % band" if first else None)


def sweep_figure(characterisation: Characterisation, locking_map: LockingMap) -> Figure | None:
    """The sweep over the fitted map at the reference condition; None where the map has one input torque."""
    if torques_to_draw(locking_map).size < 2:
        return None
    speed, heat = place_of_reference(characterisation, None, None)
    cells = carried_cells(characterisation, locking_map, speed_difference=speed, temperature=heat)
    curves = _branches(locking_map, speed, heat)
    loading = curves["loading"]
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
    return Figure(
        paint=lambda axes: sweep(characterisation, locking_map, axes),
        name="sweep",
        title=f"Locking torque over input torque, at {place}",
        size=WIDE,
        shows=(
            f"Locking torque over input torque at {place}, loading: {typeset(course)}. "
            f"{count} measured cells."
        ),
        caption=caption,
        table=branch_table("Locking torque over input torque", "N·m", curves, loading.input_torque),
    )


def branch_table(caption: str, unit: str, curves: Mapping[Branch, BranchCurve], torque: Array) -> Table:
    """Both branches at input torques [N·m]: value, 95 % limits, and whether that was tested."""
    head = ["Input torque [N·m]"]
    for word in ("Loading", "Unloading"):
        head += [f"{word} [{unit}]", f"{word}, 95 % limits [{unit}]", f"{word}, tested or not"]
    rows = [
        (f"{at:.0f}", *(cell for b in BRANCHES for cell in branch_cells(curves[b], at)))
        for at in torque.tolist()
    ]
    return numbers(caption, tuple(head), rows, texts=(3, 6))


def branch_cells(curve: BranchCurve, torque: float) -> tuple[str, str, str]:
    """Value and limits of a curve at an input torque [N·m], and whether that was tested."""
    i = int(np.argmin(np.abs(curve.input_torque - torque)))
    low, value, high = (float(part[i]) for part in (curve.low, curve.value, curve.high))
    if not np.isfinite(value):
        return "none", "none", "no meaning"
    u = (high - low) / (2 * NORMAL_95) if np.isfinite(high - low) else None
    limits = "none" if u is None else f"{number_text(low, u)} to {number_text(high, u)}"
    return number_text(value, u), limits, "tested" if curve.tested[i] else "extrapolated"


def _why_no_cells(characterisation: Characterisation) -> str:
    if characterisation.evidence is None:
        return "The measured cells are not stored in the document that this page was made from."
    if len(characterisation.builds) > 1:
        return "The cells of several builds are shown as recorded, below."
    return "No sweep under slip was recorded."


def evidence_figures(characterisation: Characterisation, locking_map: LockingMap) -> Iterator[Figure]:
    """What the locking torque is made of, and the cells as recorded."""
    if torques_to_draw(locking_map).size > 1:
        yield _parts_figure(characterisation, locking_map)
    if characterisation.evidence is not None:
        yield _recorded_figure(characterisation.evidence)


def residual_figures(evidence: Evidence | None) -> Iterator[Figure]:
    """Residuals over every axis that moves."""
    if evidence is None:
        return
    for axis, words in RESIDUAL_AXES.items():
        # along an axis that does not move there is nothing to see
        if residual_bins(evidence, axis).centre.size > 1:
            yield _residual_figure(evidence, axis, words)


def _parts_figure(characterisation: Characterisation, locking_map: LockingMap) -> Figure:
    speed, heat = place_of_reference(characterisation, None, None)
    made = parts_over_torque(characterisation, locking_map, speed_difference=speed, temperature=heat)
    named = _named_parts(made)
    listed = [*(part for _, part in named), made.total]
    rows = [
        (f"{torque:.0f}", *(f"{part[i]:.1f}" for part in listed))
        for i, torque in enumerate(made.input_torque.tolist())
    ]
    last = int(np.argmax(made.input_torque))
    words = ", ".join(f"{name} {part[last]:.0f} N·m" for name, part in named)
    head = ("Input torque [N·m]", *(f"{name.capitalize()} [N·m]" for name, _ in named), "Total [N·m]")
    return Figure(
        paint=lambda axes: parts(characterisation, locking_map, axes),
        name="parts",
        title="What the locking torque is made of, while loading",
        size=HALF,
        shows=(
            "Locking torque split into its parts over input torque; "
            f"at {made.input_torque[last]:.0f} N·m: {words}."
        ),
        caption=(
            f"At {heat:g} °C and {speed:g} rad/s. Preload holds near zero input torque, ramps far from it."
        ),
        table=numbers("Parts of the locking torque while loading", head, rows),
    )


def _recorded_figure(evidence: Evidence) -> Figure:
    rows = []
    for number, kind in enumerate(evidence.run_kinds):
        here = evidence.used & (evidence.run == number)
        if not here.any():
            continue
        # a torque that was held is one place, not eight of its noise
        parts = 9 if float(np.ptp(evidence.input_torque[here])) > HELD else 2
        edges = np.unique(np.quantile(evidence.input_torque[here], np.linspace(0, 1, parts)))
        place = np.clip(
            np.searchsorted(edges, evidence.input_torque[here], side="right") - 1, 0, max(edges.size - 2, 0)
        )
        for bin_number in np.unique(place):
            chosen = np.flatnonzero(here)[place == bin_number]
            torque = evidence.input_torque[chosen]
            rows.append(
                (
                    f"{number + 1}, {kind}",
                    f"{torque.min():z.0f} to {torque.max():z.0f}",
                    str(chosen.size),
                    f"{evidence.locking[chosen].mean():.1f}",
                    f"{evidence.model[chosen].mean():.1f}",
                )
            )
    count = int(evidence.used.sum())
    head = ("Run", "Input torque [N·m]", "Cells [1]", "Measured, mean [N·m]", "Model, mean [N·m]")
    by_hand = int((evidence.used & ~sweep_cells(evidence)).sum())
    return Figure(
        paint=lambda axes: recorded(evidence, axes),
        name="recorded",
        title="Locking torque as recorded",
        size=HALF,
        shows=(
            f"Locking torque over input torque as recorded, {count} cells, with the model at the same cells."
        ),
        caption=(
            "Every cell at its own speed difference and temperature, corrected for what stands between "
            "transducer and unit; the "
            "model at the same place." + (f" {by_hand} readings by hand." if by_hand else "")
        ),
        table=numbers("Measured and modelled locking torque", head, rows, texts=(0,)),
    )


def _residual_figure(evidence: Evidence, axis: str, words: str) -> Figure:
    bins = residual_bins(evidence, axis)
    rows = [
        (number_text(float(centre)), str(int(count)), f"{mean:+.2f}", f"{rms:.2f}")
        for centre, count, mean, rms in zip(bins.centre, bins.count, bins.mean, bins.rms, strict=True)
    ]
    name = words.partition(" [")[0]
    worst = float(np.max(np.abs(bins.mean)))
    return Figure(
        paint=lambda axes: residuals(evidence, axes, over=axis),
        name=f"residual-{axis.replace('_', '-')}",
        title=f"Residual over {name}",
        size=HALF,
        shows=(
            f"Measured less modelled locking torque over {name}; "
            f"the means of the bins stay within {worst:.2f} N·m of zero."
        ),
        caption=f"Means of bins stay within {worst:.2f} N·m of zero.",
        table=numbers(
            f"Residual in bins of {name}",
            (f"Centre, {words}", "Cells [1]", "Mean of the residual [N·m]", "Root mean square [N·m]"),
            rows,
        ),
    )
