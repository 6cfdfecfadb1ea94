"""Map arithmetic in the terminal: torque split, slip verdict, a rebuilt unit."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from diffbench.answers.operating_point import SlipVerdict, TorqueSplit
from diffbench.answers.rebuild import Compared
from diffbench.report.corner_text import interval_cell
from diffbench.report.layout import table
from diffbench.report.rounding import number_text
from diffbench.report.wording import printable
from diffbench.results.locking_map import LockingMap

__all__ = ["beyond_advice", "rebuild_text", "slip_text", "split_text", "standing"]

WIDTH = 100


def split_text(split: TorqueSplit) -> str:
    """A torque split as text for a terminal.

    Parameters
    ----------
    split : TorqueSplit
        The split.

    Returns
    -------
    The text, without a line end at its end.
    """
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
    head = (
        f"{number_text(split.input_torque)} N·m at the case, {number_text(split.speed_difference)} rad/s, "
        f"{number_text(split.temperature)} °C, {split.branch} branch; 95 % in brackets; "
        + standing(tested=split.tested, beyond=split.beyond, predicted=split.predicted)
    )
    return "\n".join([head, *table(rows, WIDTH)])


def slip_text(found: SlipVerdict) -> str:
    """A slip verdict as text for a terminal.

    Parameters
    ----------
    found : SlipVerdict
        The verdict.

    Returns
    -------
    The text, without a line end at its end.
    """
    words = {"locked": "LOCKED", "slipping": "SLIPPING", "not proven": "NOT PROVEN, locked or slipping"}
    share = found.share_of_locking_torque
    used = "" if share is None else f" ({100.0 * share:.0f} % of it)"
    return (
        f"{words[found.state]}: {number_text(found.torque_difference)} N·m across, of "
        f"{interval_cell(found.locking_torque)} N·m locking torque{used} at "
        f"{number_text(found.input_torque)} N·m input torque and "
        f"{number_text(found.speed_difference)} rad/s; "
        + standing(tested=found.tested, beyond=found.beyond, predicted=found.predicted)
    )


def rebuild_text(made: LockingMap, rows: Sequence[Compared], reference: Mapping[str, float]) -> str:
    """A rebuilt unit beside the one as built, as text for a terminal.

    Parameters
    ----------
    made : LockingMap
        The predicted map.
    rows : sequence of Compared
        Both at some input torques.
    reference : mapping
        The reference condition, by key.

    Returns
    -------
    The text, without a line end at its end.
    """
    head = (
        f"Unit {printable(made.document.unit)}, build {printable(made.document.build)}, PREDICTED by the "
        f"fitted law, not measured: {printable(made.document.predicted or '')}"
    )
    at = (
        f"Locking torque [N·m], loading, at {reference['temperature_degC']:g} °C and "
        f"{reference['speed_difference_rad_s']:g} rad/s; 95 % in brackets"
    )
    lines = [("input torque [N·m]", "as built", "rebuilt, predicted")]
    lines += [
        (number_text(row.input_torque), interval_cell(row.as_built), interval_cell(row.rebuilt))
        for row in rows
    ]
    return "\n".join([head, at, *table(lines, WIDTH, right=[0])])


def standing(*, tested: bool, beyond: bool, predicted: str | None) -> str:
    """What a value of a map rests on.

    Parameters
    ----------
    tested, beyond : bool
        Whether the bench covered the place; whether it is beyond the axes of the map.
    predicted : str or None
        What was changed, where the map is of no measured unit.

    Returns
    -------
    The text.
    """
    words = "inside what was tested" if tested else "NOT tested: an extrapolation"
    if beyond:
        words = "NOT tested, BEYOND the axes of the map: an extrapolation"
    if predicted is not None:
        words = f"PREDICTED, not measured: {printable(predicted)}" + (f"; {words}" if beyond else "")
    return words


_AXES = (
    ("input_torque", "N.m", "goes on in a straight line"),
    ("speed_difference", "rad/s", "is held"),
    ("temperature", "degC", "is held"),
)


def beyond_advice(locking_map: LockingMap, places: Sequence[tuple[float, float, float]]) -> str:
    """How a map comes to reach places that are beyond its axes.

    Parameters
    ----------
    locking_map : LockingMap
        The map.
    places : sequence of tuple
        Input torque [N·m], speed difference [rad/s], temperature [°C]; at least one beyond an axis.

    Returns
    -------
    The text: what the map does there, and the lines of the build sheet with which a fit reaches there.
    """
    does, asked = [], []
    for (key, unit, words), axis, column in zip(
        _AXES, locking_map.axes, zip(*places, strict=True), strict=True
    ):
        low, high = float(axis[0]), float(axis[-1])
        if low <= min(column) and max(column) <= high:
            continue
        does.append(f"along {key.replace('_', ' ')} ({low:.6g} to {high:.6g} {unit}) the value {words}")
        far = [
            end if reached else _outwards(place)
            for end, place, reached in (
                (low, min(column), low <= min(column)),
                (high, max(column), max(column) <= high),
            )
        ]
        asked.append(f'{key} = ["{far[0]:.6g} {unit}", "{far[1]:.6g} {unit}"]')
    return "\n".join(
        [
            f"Beyond the axes of this map {' and '.join(does)}; the limits part by the distance.",
            "A map that reaches there is fitted with these lines in the build sheet:",
            "  [map]",
            *(f"  {line}" for line in asked),
        ]
    )


def _outwards(value: float) -> float:
    """Away from zero to two digits."""
    if value == 0.0:
        return 0.0
    power = 10.0 ** (math.floor(math.log10(abs(value))) - 1)
    return math.copysign(math.ceil(abs(value) / power - 1e-9) * power, value)
