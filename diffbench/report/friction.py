"""Friction, torque bias and heat: cell by cell and as fitted, drawn, and as figures of the page."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from diffbench.physics.friction import sliding_speed
from diffbench.physics.plate_heat import friction_heat
from diffbench.physics.steady import UnitQuantities, friction_factor, viscous_coefficient
from diffbench.report.document import HALF, Figure, Table, numbers
from diffbench.report.locking_torque import (
    DENSE,
    BranchCurve,
    best_form,
    branch_cells,
    branch_table,
    carried_cells,
    draw_branches,
    draw_cells,
    over_torque,
    place_of_reference,
    sweep_cells,
)
from diffbench.report.map_contours import BRANCHES, torques_to_draw
from diffbench.report.rounding import number_text
from diffbench.report.style import (
    AREA,
    CELLS,
    CURVE,
    DIRECTION_COLOURS,
    GRID,
    GROUND,
    INK,
    MUTED,
    PAPER,
    RULE,
    STRONG,
    TICK_SIZE,
    TOP,
    draw_band,
    draw_marks,
    dress,
    in_ratios,
    legend_above,
)
from diffbench.results.characterisation import Characterisation, Evidence, FormState
from diffbench.results.discrepancy import NORMAL_95
from diffbench.results.locking_map import Branch, LockingMap
from diffbench.results.map_limits import unit_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes


Array = NDArray[np.float64]
Over = Literal["sliding_speed", "plate"]

NODES = 61
BIAS_NODES = 201
#: A cell with less clamping torque than this share of the largest tells little of friction.
LEAST_LOAD = 0.1
ACROSS: dict[Over, str] = {
    "sliding_speed": "sliding speed of the plates [m/s]",
    "plate": "plate temperature [°C]",
}
IN_TIME = "time, runs one after another [s]"
#: Room between two runs, as a share of all their time.
PAUSE = 0.03
#: The axis of the torque bias ends at that many times its middle: towards no input torque it has no bound.
MOST_BIAS = 3.0
NO_RATIO = (1.0, 10.0)  # that axis, where the unit locks more than comes in wherever it was tested
STEP = 1e-3  # of a standard uncertainty: a whole one may lead out of what a law can be
ROWS = 13
_NAMES: dict[Over, tuple[str, str]] = {
    "sliding_speed": ("sliding speed", "Sliding speed [m/s]"),
    "plate": ("plate temperature", "Plate temperature [°C]"),
}


@dataclass(frozen=True, eq=False)
class FrictionCurve:
    """Friction as fitted, 1 at the reference condition, with 95 % limits, over ``at`` (sliding speed [m/s] or
    plate temperature [°C]); all (n,)."""

    at: Array
    value: Array
    low: Array
    high: Array


@dataclass(frozen=True, eq=False)
class FrictionCells:
    """Friction of measured cells, 1 at the reference condition, each carried along the other axis to the
    reference by the fitted law; all (c,)."""

    at: Array
    value: Array
    direction: Array


def bias_curve(
    locking_map: LockingMap, branch: Branch, *, speed_difference: float, temperature: float
) -> BranchCurve:
    """Torque bias ratio of one branch at one speed difference [rad/s] and temperature [°C], at more places
    than the map has nodes: the ratio bends where the map is straight. NaN where locking torque reaches the
    input torque.

    TBR = (1 + LE)/(1 − LE), LE = T_lock/|T_in| (SAE J2817)
    """
    ends = locking_map.axes[0][torques_to_draw(locking_map)]
    torque = np.unique(np.append(np.linspace(float(ends[0]), float(ends[-1]), BIAS_NODES), ends))
    speed, heat = np.full(torque.shape, speed_difference), np.full(torque.shape, temperature)
    low, high = locking_map.interval(torque, speed, heat, branch)

    def ratio(locking: Array) -> Array:
        effect = np.full(torque.shape, np.inf)
        np.divide(locking, np.abs(torque), out=effect, where=torque != 0.0)
        made = np.full(torque.shape, np.nan)
        np.divide(1.0 + effect, 1.0 - effect, out=made, where=effect < 1.0)
        return made

    return BranchCurve(
        torque,
        ratio(locking_map.locking_torque(torque, speed, heat, branch)),
        ratio(low),
        ratio(high),
        np.atleast_1d(locking_map.is_tested(torque, speed, heat, branch)),
    )


def _bias_curves(locking_map: LockingMap, speed: float, heat: float) -> dict[Branch, BranchCurve]:
    return {
        branch: bias_curve(locking_map, branch, speed_difference=speed, temperature=heat)
        for branch in BRANCHES
    }


def friction_scale(characterisation: Characterisation) -> tuple[float, float] | None:
    """Friction coefficient at the reference condition and its standard uncertainty; None where it is not
    determined."""
    known = characterisation.parameters.get("friction_coefficient")
    if known is None or known.value is None or known.u is None:
        return None
    return known.value, known.u


def reference_place(characterisation: Characterisation, over: Over) -> float:
    """Where the curve is 1: sliding speed [m/s] or temperature [°C] of the reference condition."""
    reference = characterisation.reference
    if over == "plate":
        return reference["temperature_degC"]
    return float(
        sliding_speed(reference["speed_difference_rad_s"], characterisation.builds[0].effective_radius_m)
    )


def friction_curve(characterisation: Characterisation, over: Over) -> FrictionCurve:
    """Friction over sliding speed or plate temperature as fitted and tested, the other of both held at the
    reference condition, with 95 % limits of the shape alone: what scales all friction alike is not in them.

    m = m_v(v) m_Theta(Theta)

    Limits by the law of propagation of uncertainty over the covariance of each form, forms by their weights.
    """
    at = _places(characterisation, over)
    best: Array | None = None
    variance = np.zeros(at.shape)
    for form in characterisation.forms:
        x, covariance = np.array(form.values), np.array(form.covariance)
        value = _along(_unit(characterisation, form, x), over, at)
        best = value if best is None else best
        gradient = np.zeros((at.size, x.size))
        for i, u in enumerate(np.sqrt(np.maximum(np.diag(covariance), 0.0))):
            if u > 0.0:
                step = np.zeros(x.size)
                step[i] = STEP * u
                ahead, behind = (
                    _along(_unit(characterisation, form, x + side * step), over, at) for side in (1.0, -1.0)
                )
                gradient[:, i] = (ahead - behind) / (2.0 * step[i])
        own = np.sum((gradient @ covariance) * gradient, axis=1)
        variance += form.weight * (np.maximum(own, 0.0) + (value - best) ** 2)
    assert best is not None
    reach = NORMAL_95 * np.sqrt(variance)
    return FrictionCurve(at, best, np.maximum(best - reach, 0.0), best + reach)


def friction_cells(characterisation: Characterisation, over: Over) -> FrictionCells | None:
    """Friction of the sweeps' cells that the fit used and that bear a load, 1 at the reference condition;
    None where they are not at hand, or are of builds with different radii.

    m = (T − k |T_in| − c |Delta omega|) / w, with w the clamping torque of the fitted law at that cell:
    preload and ramps where they stand. Along the other axis each is carried to the reference condition.
    """
    evidence = characterisation.evidence
    radii = {facts.effective_radius_m for facts in characterisation.builds}
    if evidence is None or len(radii) > 1:
        return None
    kept = evidence.used & sweep_cells(evidence)
    if not kept.any():
        return None
    form = best_form(characterisation)
    unit = _unit(characterisation, form, np.array(form.values))
    speed, plate = evidence.speed_difference[kept], evidence.plate[kept]
    oil = np.where(np.isfinite(evidence.oil[kept]), evidence.oil[kept], unit.reference_temperature)
    apart = unit.gear_friction * np.abs(evidence.input_torque[kept]) + viscous_coefficient(unit, oil) * speed
    clamping = (evidence.model[kept] - apart) / friction_factor(unit, speed, plate)
    loaded = clamping > LEAST_LOAD * float(np.max(clamping))
    factor = ((evidence.locking[kept] - apart)[loaded]) / clamping[loaded]
    sliding = np.asarray(sliding_speed(speed, unit.effective_radius))[loaded]
    if over == "plate":
        at, other = plate[loaded], _along(unit, "sliding_speed", sliding)
    else:
        at, other = sliding, _along(unit, "plate", plate[loaded])
    return FrictionCells(at, factor / other, evidence.direction[kept][loaded])


def _places(characterisation: Characterisation, over: Over) -> Array:
    """Where the curve is drawn: over what was tested, and the reference condition."""
    tested = characterisation.tested
    home = reference_place(characterisation, over)
    if over == "plate":
        low, high = tested.temperature_degC
        return np.unique(np.append(np.linspace(min(low, home), max(high, home), NODES), home))
    speeds = [speed for _, speed in tested.outline]
    ends = [home, *np.asarray(sliding_speed(speeds, characterisation.builds[0].effective_radius_m)).tolist()]
    above = [end for end in ends if end > 0.0]
    low, high = min(above), max(above)
    return np.unique(np.append(np.geomspace(low, high, NODES), home))


def _unit(characterisation: Characterisation, form: FormState, x: Array) -> UnitQuantities:
    """The first build's unit: friction over speed and temperature is one for all builds."""
    return unit_of(form, x, characterisation.builds[0], reference=characterisation.reference)


def _along(unit: UnitQuantities, over: Over, at: Array) -> Array:
    """Friction along one axis, the other at the reference condition."""
    if over == "plate":
        return friction_factor(unit, np.array(unit.reference_speed_difference), at)
    return friction_factor(unit, 2.0 * at / unit.effective_radius, np.array(unit.reference_temperature))


def friction(characterisation: Characterisation, axes: Axes, *, over: Over = "sliding_speed") -> Axes:
    """Friction over sliding speed, or over plate temperature: measured cells (where they are at hand) and the
    fitted law with its 95 % band, all carried to the reference condition along the other axis.

    Friction coefficient where it is determined, else friction relative to the reference condition. The band
    is that of the course; what scales all friction alike (a stated spring force) is the bar at the reference
    condition."""
    scale = friction_scale(characterisation)
    times = 1.0 if scale is None else scale[0]
    cells = friction_cells(characterisation, over)
    if cells is not None:
        draw_cells(axes, cells.at, times * cells.value, cells.direction)
    curve = friction_curve(characterisation, over)
    draw_band(axes, curve.at, times * curve.low, times * curve.high, label="95 % band")
    axes.plot(
        curve.at, times * curve.value, "-", color=INK, linewidth=STRONG, zorder=CURVE, label="fitted law"
    )
    reach = None if scale is None else NORMAL_95 * scale[1]
    side = [reach or 0.0]
    draw_marks(
        axes, [reference_place(characterisation, over)], [times], low=side, high=side, marker="D", colour=INK,
        face=PAPER, zorder=TOP, label="reference" + ("" if reach is None else ", 95 %"),
    )  # fmt: skip
    if over == "sliding_speed":
        in_ratios(axes, "x")
    values = times * np.concatenate([curve.value, [] if cells is None else _middle(cells.value)])
    low, high = float(values.min()), float(values.max())
    low, high = min(low, times - (reach or 0.0)), max(high, times + (reach or 0.0))
    room = max(0.12 * (high - low), 0.02 * times)
    axes.set_ylim(max(low - room, 0.0), high + room)
    dress(
        axes,
        across=ACROSS[over],
        upward="friction, reference = 1 [1]" if scale is None else "friction coefficient [1]",
    )
    return legend_above(axes)


def torque_bias(
    characterisation: Characterisation,
    locking_map: LockingMap,
    axes: Axes,
    *,
    speed_difference: float | None = None,
    temperature: float | None = None,
) -> Axes:
    """Torque bias ratio over input torque at a speed difference [rad/s] and temperature [°C], the reference
    condition by default: measured cells, both branches of the map with their 95 % band.

    TBR = (1 + LE)/(1 − LE), LE = T_lock/|T_in| (SAE J2817). Around no input torque one output alone takes
    more than comes in, and the ratio has no meaning: that stretch is tinted."""
    speed, heat = place_of_reference(characterisation, speed_difference, temperature)
    cells = carried_cells(characterisation, locking_map, speed_difference=speed, temperature=heat)
    if cells is not None:
        with np.errstate(divide="ignore", invalid="ignore"):
            effect = cells.locking / np.abs(cells.input_torque)
            ratio = np.where(effect < 1.0, (1.0 + effect) / (1.0 - effect), np.nan)
        seen = np.isfinite(ratio)
        draw_cells(axes, cells.input_torque[seen], ratio[seen], cells.direction[seen])
    curves = _bias_curves(locking_map, speed, heat)
    draw_branches(axes, curves)
    _bias_limits(axes, curves["loading"])
    return over_torque(axes, "torque bias ratio [1]")


def _bias_limits(axes: Axes, loading: BranchCurve) -> None:
    """A scale in ratios from the least of the loading branch to a few times its middle, and the stretch where
    the ratio has no meaning, named."""
    seen = loading.value[np.isfinite(loading.value)]
    in_ratios(axes, "y")
    least, most = (0.8 * float(seen.min()), MOST_BIAS * float(np.median(seen))) if seen.size else NO_RATIO
    axes.set_ylim(least, most)
    nowhere = loading.input_torque[~np.isfinite(loading.value)]
    if nowhere.size > 1:
        axes.axvspan(float(nowhere[0]), float(nowhere[-1]), color=GRID, linewidth=0, zorder=GROUND)
        axes.annotate(
            "locks more\nthan comes in:\nno ratio",
            (0.5 * float(nowhere[0] + nowhere[-1]), 0.5),
            xycoords=("data", "axes fraction"),
            ha="center",
            va="center",
            color=INK,
            size=TICK_SIZE,
            zorder=CELLS,
        )


def temperatures(evidence: Evidence, axes: Axes) -> Axes:
    """Temperatures over time, runs one after another: the oil as measured, the plates as the fitted heat
    balance has them."""
    for number, (at, here) in enumerate(_in_time(evidence)):
        first = number == 0
        axes.plot(
            at, evidence.oil[here], linestyle="none", marker="o", markersize=2.6, markerfacecolor="none",
            markeredgewidth=0.8, color=DIRECTION_COLOURS[1], rasterized=at.size > DENSE, zorder=AREA,
            label="oil, measured" if first else None,
        )  # fmt: skip
        axes.plot(
            at, evidence.plate[here], "-", color=INK, linewidth=1.8, zorder=CURVE,
            label="plates, fitted" if first else None,
        )  # fmt: skip
    _name_runs(evidence, axes)
    dress(axes, across=IN_TIME, upward="temperature [°C]")
    return legend_above(axes)


def plate_heat(evidence: Evidence, axes: Axes) -> Axes:
    """Heat that the plates of both packs make over time, runs one after another, from the measured locking
    torque, by slip direction: q = ½ T_lock |Delta omega|."""
    pieces = _in_time(evidence)
    dense = sum(at.size for at, _ in pieces) > DENSE
    for number, (at, here) in enumerate(pieces):
        heat = friction_heat(evidence.locking[here], evidence.speed_difference[here])
        draw_cells(axes, at, np.asarray(heat) / 1e3, evidence.direction[here], named=number == 0, dense=dense)
    axes.set_ylim(bottom=0.0)
    _name_runs(evidence, axes)
    dress(axes, across=IN_TIME, upward="plate heat [kW]")
    return legend_above(axes)


def run_starts(evidence: Evidence) -> list[tuple[int, float, float]]:
    """Number, start and duration [s] of each sweep on a common time axis, one after another."""
    sweeps = sweep_cells(evidence)
    spans = [
        (int(number), float(np.ptp(evidence.time[sweeps & (evidence.run == number)])))
        for number in np.unique(evidence.run[sweeps])
    ]
    pause = PAUSE * sum(length for _, length in spans)
    found, start = [], 0.0
    for number, length in spans:
        found.append((number, start, length))
        start += length + pause
    return found


def _in_time(evidence: Evidence) -> list[tuple[Array, NDArray[np.int64]]]:
    """Time on the common axis and indices of the cells of each sweep, in order of time."""
    made = []
    for number, start, _ in run_starts(evidence):
        here = np.flatnonzero(evidence.run == number)
        here = here[np.argsort(evidence.time[here], kind="stable")]
        made.append((evidence.time[here] - evidence.time[here].min() + start, here))
    return made


def _name_runs(evidence: Evidence, axes: Axes) -> None:
    """Each run's number and kind at its start, and a line where the next begins."""
    for number, start, _ in run_starts(evidence):
        axes.axvline(start, color=MUTED, linewidth=0.8, linestyle=(0, (1, 2)), zorder=RULE)
        axes.annotate(
            f"run {number + 1}",
            (start, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(3, -2),
            textcoords="offset points",
            va="top",
            color=MUTED,
            size=TICK_SIZE,
        )


def _middle(values: Array) -> Array:
    """Where most values lie: a few outliers do not press a course flat."""
    low, high = np.quantile(values, [0.01, 0.99])
    return np.array([low, high])


def friction_page_figures(characterisation: Characterisation, locking_map: LockingMap) -> Iterator[Figure]:
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


def _bias_figure(characterisation: Characterisation, locking_map: LockingMap) -> Figure:
    speed, heat = place_of_reference(characterisation, None, None)
    place = f"{heat:g} °C and {speed:g} rad/s"
    torque = locking_map.axes[0][torques_to_draw(locking_map)]
    curves = _bias_curves(locking_map, speed, heat)
    loading = [(at, branch_cells(curves["loading"], at)[0]) for at in torque.tolist()]
    known = [f"{value} at {at:.0f} N·m" for at, value in loading if value != "none"]
    most = known[-1] if known else "nowhere below 1"
    return Figure(
        paint=lambda axes: torque_bias(characterisation, locking_map, axes),
        name="torque-bias",
        title=f"Torque bias ratio, at {place}",
        size=HALF,
        shows=f"Torque bias ratio over input torque at {place}, loading: {most}.",
        caption=(
            "Higher over lower output torque (SAE J2817). Towards no input torque the ratio has no bound: "
            "there the unit locks whatever comes in, and the locking torque itself is what counts."
        ),
        table=branch_table("Torque bias ratio over input torque", "1", curves, torque),
    )


def _friction_figure(characterisation: Characterisation, over: Over) -> Figure:
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
    return Figure(
        paint=lambda axes: friction(characterisation, axes, over=over),
        name=f"friction-{over.replace('_', '-')}",
        title=f"Friction over {words}",
        size=HALF,
        shows=f"Friction over {words}: from {ends}. {count} measured cells.",
        caption=caption,
        table=numbers(
            f"Friction over {words}",
            (
                head,
                "Friction, reference = 1 [1]" if scale is None else "Friction coefficient [1]",
                "95 % of the course [1]",
            ),
            rows,
        ),
    )


def _by_run(
    caption: str,
    head: tuple[str, ...],
    evidence: Evidence,
    cells: Callable[[NDArray[np.bool_]], tuple[str, ...]],
) -> Table:
    """A row for each sweep: which it is, how long, and what its cells say."""
    rows = [
        (f"{number + 1}, {evidence.run_kinds[number]}", f"{length:.0f}", *cells(evidence.run == number))
        for number, _, length in run_starts(evidence)
    ]
    return numbers(caption, ("Run", "Duration [s]", *head), rows, texts=(0,))


def _temperature_figure(evidence: Evidence) -> Figure:
    def cells(here: NDArray[np.bool_]) -> tuple[str, ...]:
        oil, plate = evidence.oil[here], evidence.plate[here]
        known = oil[np.isfinite(oil)]
        return (
            f"{known.min():.1f} to {known.max():.1f}" if known.size else "not measured",
            f"{plate.min():.1f} to {plate.max():.1f}",
            f"{np.nanmax(plate - oil):.1f}" if known.size else "not known",
        )

    head = ("Oil [°C]", "Plates [°C]", "Plates over oil, most [K]")
    hottest = float(evidence.plate[sweep_cells(evidence)].max())
    return Figure(
        paint=lambda axes: temperatures(evidence, axes),
        name="temperatures",
        title="Temperature of oil and plates",
        size=HALF,
        shows=f"Temperatures of oil and plates over time; the plates reach {hottest:.0f} °C.",
        caption="Friction follows the plates, which run hotter than the oil where they work hard.",
        table=_by_run("Temperatures by run", head, evidence, cells),
    )


def _heat_figure(evidence: Evidence) -> Figure:
    heat = np.asarray(friction_heat(evidence.locking, evidence.speed_difference)) / 1e3

    def cells(here: NDArray[np.bool_]) -> tuple[str, ...]:
        return f"{heat[here].mean():.2f}", f"{heat[here].max():.2f}"

    most = float(heat[sweep_cells(evidence)].max())
    return Figure(
        paint=lambda axes: plate_heat(evidence, axes),
        name="plate-heat",
        title="Heat made in the plates",
        size=HALF,
        shows=f"Heat made by the plates of both packs over time, up to {most:.1f} kW.",
        caption="Half the locking torque times the speed difference, from the measured torque.",
        table=_by_run("Plate heat by run", ("Mean over its cells [kW]", "Most [kW]"), evidence, cells),
    )
