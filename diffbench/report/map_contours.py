"""The map as filled contours over input torque and speed difference: which part is drawn, the tested region
outlined, extrapolation hatched."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diffbench.report.document import THIRD, Figure, numbers
from diffbench.report.rounding import number_text
from diffbench.report.style import DARK_LABEL, LIGHT_LABEL, TICK_SIZE, dress, in_ratios, scale
from diffbench.results.characterisation import Characterisation
from diffbench.results.locking_map import Branch, LockingMap

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.contour import QuadContourSet


Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
BRANCHES: tuple[Branch, Branch] = ("loading", "unloading")
Shade = tuple[float, float, float, float]

MOST_LEVELS = 12
#: How much white lies over what was not tested.
WASH = 0.5
#: How far beyond the tested torques a node is still drawn, over their span: a map reaches several times as
#: far, and drawn whole it would show what nobody measured.
NEAR = 0.5
ONE_LEVEL = 1.1


def temperatures_to_show(locking_map: LockingMap, reference: float) -> list[int]:
    """Which temperatures of the map to draw: the lowest and the highest that were tested, and the one nearest
    the reference [°C], as one to three rising indices along its axis; where none was, the last alone."""
    near = int(np.argmin(np.abs(locking_map.axes[2] - reference)))
    tested = np.flatnonzero(locking_map.tested["loading"].any(axis=(0, 1)))
    return sorted({near, *tested[[0, -1]].tolist()}) if tested.size else [near]


def contour_levels(locking_map: LockingMap) -> Array:
    """Round levels [N·m] that serve both branches and all temperatures of a map.

    >>> from types import SimpleNamespace
    >>> values = {"loading": np.array([[[80.0]], [[430.0]]]), "unloading": np.array([[[80.0]], [[560.0]]])}
    >>> axes, tested = (np.array([0.0, 700.0]), np.array([4.0])), {"loading": np.ones((2, 1, 1), dtype=bool)}
    >>> contour_levels(SimpleNamespace(values=values, axes=axes, tested=tested)).tolist()
    [50.0, 100.0, 150.0, 200.0, 250.0, 300.0, 350.0, 400.0, 450.0, 500.0, 550.0, 600.0]
    """
    drawn = np.ix_(torques_to_draw(locking_map), speeds_to_draw(locking_map))
    every = np.concatenate([locking_map.values[branch][drawn].ravel() for branch in ("loading", "unloading")])
    return round_levels(float(every.min()), float(every.max()), MOST_LEVELS)


def round_levels(low: float, high: float, most: int) -> Array:
    """Levels at round numbers from below ``low`` to above ``high``, some ``most`` steps.

    >>> round_levels(-27.3, -11.0, 9).tolist()
    [-28.0, -26.0, -24.0, -22.0, -20.0, -18.0, -16.0, -14.0, -12.0, -10.0]
    """
    raw = max(high - low, 1e-3 * max(abs(low), abs(high), 1.0)) / most
    power = 10.0 ** np.floor(np.log10(raw))
    step = power * next((a for a in (1.0, 2.0, 5.0) if a * power >= raw), 10.0)
    first, last = np.floor(low / step), np.ceil(high / step)
    levels: Array = np.arange(first, max(last, first + 1) + 1) * step
    return levels


def contours(
    locking_map: LockingMap, axes: Axes, *, branch: Branch, temperature: int, levels: Array | None = None
) -> Axes:
    """Filled contours of one branch at one temperature of the map.

    Parameters
    ----------
    locking_map : LockingMap
        The map, with at least two input torques and two speed differences to draw.
    axes : matplotlib.axes.Axes
        Where to draw.
    branch : str
        "loading", "unloading", "mean" or "either".
    temperature : int
        Index along the map's temperature axis.
    levels : numpy.ndarray or None
        Rising levels [N·m]; those of `contour_levels` by default, so that several figures can share theirs.

    Returns
    -------
    The axes, over what was tested and what lies near. Lines bear their locking torque [N·m]; what the bench
    did not cover is hatched, its border drawn.

    Raises
    ------
    ValueError
        A single input torque or speed difference is to be drawn.
    """
    across, upward = torques_to_draw(locking_map), speeds_to_draw(locking_map)
    torque, speed = locking_map.axes[0][across], locking_map.axes[1][upward]
    if torque.size < 2 or speed.size < 2:
        msg = "contours need at least two input torques and two speed differences"
        raise ValueError(msg)
    drawn = np.ix_(across, upward)
    values = locking_map.values[branch][:, :, temperature][drawn].T
    levels = contour_levels(locking_map) if levels is None else levels
    colours = scale()
    shades = [colours(0.04 + 0.92 * i / max(len(levels) - 2, 1)) for i in range(len(levels) - 1)]
    axes.contourf(torque, speed, values, levels=levels, colors=shades, extend="neither")
    lines = axes.contour(torque, speed, values, levels=levels, colors=line_colours(shades), linewidths=0.6)
    frame_map(axes, torque, speed)
    tested = locking_map.tested[branch][:, :, temperature][drawn]
    hatch_untested(axes, tested.T, torque, speed)
    _label(axes, lines, values.T, tested, places=(torque, speed), colours=(levels, shades))
    dress_map(axes)
    return axes


def line_colours(shades: Sequence[Shade]) -> list[str]:
    """Of the line at each level: dark or light, whichever has more contrast to the darker of the areas on
    both its sides, 3 to 1 at least on either scale (WCAG 2.2, 1.4.11), whatever the page around it."""
    found = []
    for i in range(len(shades) + 1):
        beside = shades[max(i - 1, 0) : i + 1]
        dark, light = (
            min(_contrast(colour, shade) for shade in beside) for colour in (DARK_LABEL, LIGHT_LABEL)
        )
        found.append(DARK_LABEL if dark >= light else LIGHT_LABEL)
    return found


def _contrast(colour: str, shade: Shade) -> float:
    """Contrast ratio (WCAG 2.2)."""
    from matplotlib.colors import to_rgb

    channels = np.array([to_rgb(colour), shade[:3]])
    linear = np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
    low, high = np.sort(linear @ (0.2126, 0.7152, 0.0722))
    return float((high + 0.05) / (low + 0.05))


def frame_map(axes: Axes, torque: Array, speed: Array) -> None:
    """Axes over exactly these input torques and speed differences, the latter in ratios where they can be."""
    if speed[0] > 0.0:
        in_ratios(axes, "y")
    axes.set_xlim(float(torque[0]), float(torque[-1]))
    axes.set_ylim(float(speed[0]), float(speed[-1]))


def dress_map(axes: Axes) -> None:
    """Labels, and the line between coast and drive."""
    axes.axvline(0.0, color=DARK_LABEL, linewidth=0.7, linestyle=(0, (1, 2)))
    dress(axes, across="input torque [N·m]", upward="speed difference [rad/s]")
    axes.grid(visible=False)


def _label(
    axes: Axes,
    lines: QuadContourSet,
    values: Array,
    tested: Mask,
    *,
    places: tuple[Array, Array],
    colours: tuple[Array, list[Shade]],
) -> None:
    """Each line bears its level, in a row across at two thirds of the speed differences, where there is room.

    ``places`` are input torques and speed differences, ``colours`` levels and the shades between them.
    """
    (torque, speed), (levels, shades) = places, colours
    row = int(speed.size * 2 // 3)
    across = values[:, row]
    span = float(torque[-1] - torque[0])
    labels: dict[bool, list[tuple[float, float]]] = {True: [], False: []}
    for level in levels:
        for i in np.flatnonzero((across[:-1] - level) * (across[1:] - level) < 0.0):
            share = (level - across[i]) / (across[i + 1] - across[i])
            at = float(torque[i] + share * (torque[i + 1] - torque[i]))
            if tested[i, row] != tested[i + 1, row]:
                continue  # the border would run through the number
            taken = [other for found in labels.values() for other, _ in found]
            if min(at - torque[0], torque[-1] - at) > 0.03 * span and all(
                abs(at - other) > 0.06 * span for other in taken
            ):
                labels[bool(tested[i, row])].append((at, float(speed[row])))
    for inside, found in labels.items():
        if found:
            numbers = axes.clabel(
                lines,
                fmt=lambda level: f"{level:g}",
                fontsize=TICK_SIZE,
                colors=_label_colours(levels, shades, washed=not inside),
                manual=found,
                inline=True,
                inline_spacing=2,
            )
            for number in numbers:
                number.set_rotation(_upright(number.get_rotation()))
                number.set_in_layout(False)  # it lies within the axes


def _upright(rotation: float) -> float:
    """The rotation [deg] in which numbers on nearly upright lines all read from below."""
    turned = rotation % 180.0
    return turned - 180.0 if turned > 135.0 else turned


def _label_colours(levels: Array, shades: list[Shade], *, washed: bool) -> list[str]:
    """Dark numbers on light areas and the other way round: a level stands between two shades."""
    found = []
    for i in range(len(levels)):
        around = shades[min(max(i - 1, 0), len(shades) - 1)]
        luminance = float(np.dot(around[:3], (0.2126, 0.7152, 0.0722)))
        if washed:
            luminance += WASH * (1.0 - luminance)
        found.append(DARK_LABEL if luminance > 0.55 else LIGHT_LABEL)
    return found


def hatch_untested(axes: Axes, tested: Mask, torque: Array, speed: Array) -> None:
    """Hatch the meshes with a corner that was not tested, and draw the border between them and the others:
    ``tested`` (s, t) over input torques (t,) and speed differences (s,)."""
    from matplotlib.collections import LineCollection
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    inside = tested[:-1, :-1] & tested[1:, :-1] & tested[:-1, 1:] & tested[1:, 1:]
    if not inside.any():
        # one area, not one a mesh
        inside, torque, speed = inside[:1, :1], torque[[0, -1]], speed[[0, -1]]
    outside = [
        Path(
            [
                (torque[j], speed[i]),
                (torque[j + 1], speed[i]),
                (torque[j + 1], speed[i + 1]),
                (torque[j], speed[i + 1]),
                (torque[j], speed[i]),
            ],
            closed=True,
        )
        for i, j in zip(*np.nonzero(~inside), strict=True)
    ]
    if outside:
        axes.add_patch(
            PathPatch(
                Path.make_compound_path(*outside),
                facecolor=(1.0, 1.0, 1.0, WASH),
                edgecolor=DARK_LABEL,
                linewidth=0,
                hatch="//",
            )
        )
    border = [
        [(torque[j + 1], speed[i]), (torque[j + 1], speed[i + 1])]
        for i, j in zip(*np.nonzero(inside[:, 1:] != inside[:, :-1]), strict=True)
    ] + [
        [(torque[j], speed[i + 1]), (torque[j + 1], speed[i + 1])]
        for i, j in zip(*np.nonzero(inside[1:, :] != inside[:-1, :]), strict=True)
    ]
    if border:
        axes.add_collection(
            LineCollection(border, colors=[DARK_LABEL], linewidths=2.0, capstyle="projecting")
        )


def torques_to_draw(locking_map: LockingMap) -> NDArray[np.intp]:
    """Rising indices of the nodes of input torque to draw: those tested at any speed difference, and those
    near; all where no node is tested, as of a predicted map."""
    return _near(locking_map, 0, NEAR)


def speeds_to_draw(locking_map: LockingMap) -> NDArray[np.intp]:
    """Nodes of speed difference to draw: those tested at any input torque (see `torques_to_draw`); one where
    one level was swept, however that wobbled."""
    drawn = _near(locking_map, 1, 0.0)
    speeds = locking_map.axes[1][drawn]
    return drawn[:1] if 0.0 < speeds[-1] < ONE_LEVEL * speeds[0] else drawn


def _near(locking_map: LockingMap, which: int, share: float) -> NDArray[np.intp]:
    axis = locking_map.axes[which]
    others = tuple(other for other in range(3) if other != which)
    tested: NDArray[np.bool_] = np.any(locking_map.tested["loading"], axis=others)
    if not tested.any():
        return np.arange(axis.size)
    low, high = float(axis[tested][0]), float(axis[tested][-1])
    reach = share * (high - low)
    return np.flatnonzero((axis >= low - reach) & (axis <= high + reach))


def map_page_figures(characterisation: Characterisation, locking_map: LockingMap) -> Iterator[Figure]:
    """The map as filled contours, by temperature and branch; none where a single speed
    difference or torque is drawn."""
    heat = locking_map.axes[2]
    if torques_to_draw(locking_map).size < 2 or speeds_to_draw(locking_map).size < 2:
        return
    levels = contour_levels(locking_map)
    for index in temperatures_to_show(locking_map, characterisation.reference["temperature_degC"]):
        for branch in BRANCHES:
            yield _contour_figure(locking_map, branch, index, float(heat[index]), levels)


def _contour_figure(
    locking_map: LockingMap, branch: Branch, index: int, temperature: float, levels: Array
) -> Figure:
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
    head = ("Input torque [N·m]", *(f"At {number_text(s, 0.1)} rad/s [N·m]" for s in speed.tolist()))
    name = f"map-{branch}-{index}"
    title = f"{branch.capitalize()}, {temperature:.0f} °C"
    return Figure(
        paint=lambda axes: contours(locking_map, axes, branch=branch, temperature=index, levels=levels),
        name=name,
        title=title,
        size=THIRD,
        shows=(
            f"Locking torque over input torque and speed difference, {branch}, at {temperature:.0f} °C: "
            f"{values.min():.0f} to {values.max():.0f} N·m; "
            f"{100 * tested.mean():.0f} % of the nodes are tested."
        ),
        table=numbers(
            f"Locking torque [N·m], {branch}, at {temperature:.0f} °C; extrapolations in brackets", head, rows
        ),
    )
