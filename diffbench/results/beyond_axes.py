"""What a map says beyond its axes: straight on along input torque, held along speed difference and
temperature, and ever less sure.

Along input torque the law is straight on each flank once its ramps bear; along the other two nothing is known
(see `Beyond`). Every copy of a map carries the numbers of its rule, and every reader does the same
arithmetic, so that all agree to the last bit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from diffbench.results.document import Frozen

__all__ = ["KELVIN", "LEAST_SHARE", "RULE", "Beyond", "Ends", "beyond_of", "continued", "inner_nodes"]

Array = NDArray[np.float64]
Ends = tuple[float, float]
RULE = (
    "Beyond the axes: along input torque the value goes on in the straight line of the last two nodes, never "
    "below zero (an axis without a node on a flank holds it there); along speed difference and temperature "
    "it is held. Both limits move with it and part: by the larger of half_width_per_Nm x distance and "
    "half_width_share_of_change x |change of the value|, plus the value x (half_width_share_per_rad_s x "
    "distance + half_width_share_per_K x distance); the lower one never falls below zero. Of two numbers the "
    "first is for the low end of an axis, the second for the high end."
)

#: What half the width grows by at least, as a share of the locking torque: a tenth of what the value changes
#: by along torque; a tenth of the value down to stand-still, for each time the highest speed difference
#: again, and for each `KELVIN`. Pressure and curved ramps, friction over speed and over temperature depart
#: from the law by up to that (common practice, no source).
LEAST_SHARE = 0.1
KELVIN = 30.0


class Beyond(Frozen):
    """The rule beyond the axes, in words and numbers; of two numbers the first is for the low end.

    Attributes
    ----------
    input_torque, speed_difference, temperature : str
        Whether the value goes on straight or is held there.
    rule : str
        `RULE`.
    half_width_share_of_change : float
        Of the value's change along torque [-].
    half_width_per_Nm : dict
        By branch, of the distance along torque [N·m/(N·m)].
    half_width_share_per_rad_s, half_width_share_per_K : tuple of float
        Of the value, by distance [s/rad, 1/K].
    """

    input_torque: Literal["linear"] = "linear"
    speed_difference: Literal["held"] = "held"
    temperature: Literal["held"] = "held"
    rule: str = RULE
    half_width_share_of_change: float
    half_width_per_Nm: dict[str, Ends]
    half_width_share_per_rad_s: Ends
    half_width_share_per_K: Ends


def beyond_of(
    axes: Sequence[Array],
    values: Mapping[Any, Array],
    low: Mapping[Any, Array],
    high: Mapping[Any, Array],
    *,
    corner_unseen: bool,
) -> Beyond:
    """The rule's numbers, from the axes [N·m, rad/s, °C] and the tables of a map by branch [N·m].

    Along torque the half-width is the length of a vector that is straight in torque, so that it grows by no
    more than (half at the end + half at zero torque) over the distance between both (triangle inequality),
    whatever its parts: the slope's own doubt and the rival laws. Held axes take the trend of the map's last
    cell, going on, on top of `LEAST_SHARE`. ``corner_unseen``: the law may have a corner beyond the last node
    (greater-of, a contact that may not have opened by then); then the slope may become that of the other
    flank.
    """
    torque, speed, heat = axes
    per_torque = {}
    for branch, value in values.items():
        half = np.maximum(high[branch] - value, value - low[branch])
        pair = [_per_torque(torque, value, half, at_low=at_low) for at_low in (True, False)]
        if corner_unseen:
            steepest = max(slope for _, slope in pair)
            pair = [(grows + (steepest - slope), slope) for grows, slope in pair]
        per_torque[branch] = (pair[0][0], pair[1][0])
    sides = [values[branch] for branch in ("loading", "unloading")]
    rests = (float(speed[0]), float(speed[-1]))
    trends = [
        (_trend(axis, sides, which, at_low=True), _trend(axis, sides, which, at_low=False))
        for which, axis in ((1, speed), (2, heat))
    ]
    return Beyond(
        half_width_share_of_change=LEAST_SHARE,
        half_width_per_Nm=per_torque,
        half_width_share_per_rad_s=(
            LEAST_SHARE / (rests[0] or 1.0) + trends[0][0],
            LEAST_SHARE / (rests[1] or 1.0) + trends[0][1],
        ),
        half_width_share_per_K=(LEAST_SHARE / KELVIN + trends[1][0], LEAST_SHARE / KELVIN + trends[1][1]),
    )


def _per_torque(torque: Array, value: Array, half: Array, *, at_low: bool) -> Ends:
    """Growth of the half-width, and the largest slope away from zero torque, both at one end [-]."""
    inner = inner_nodes(torque)[0 if at_low else 1]
    end, other = (0, torque.size - 1) if at_low else (torque.size - 1, 0)
    if torque.size < 2:
        # nothing says how it changes; a unit seldom locks more than its input torque
        return 1.0, 0.0
    zero = int(np.argmin(np.abs(torque)))
    zero = other if zero == end else zero
    grows = float(((half[end] + half[zero]) / abs(float(torque[end] - torque[zero]))).max())
    if inner == end:  # the flank is not in the map: what the other one does may come
        far = other - 1 if at_low else other + 1
        slopes = np.abs(value[other : other + 1] - value[far]) / abs(float(torque[other] - torque[far]))
        return grows + float(slopes.max()), 0.0
    slopes = (value[end : end + 1] - value[inner]) / abs(float(torque[end] - torque[inner]))
    return grows, float(slopes.max())


def _trend(axis: Array, sides: Sequence[Array], which: int, *, at_low: bool) -> float:
    """Largest relative change per unit in the last cell of an axis."""
    if axis.size < 2:
        return 0.0
    end, inner = (0, 1) if at_low else (axis.size - 1, axis.size - 2)
    found = 0.0
    for value in sides:
        at_end, before = (np.asarray(value.take(node, axis=which)) for node in (end, inner))
        known = at_end > 0.0
        change = np.abs(at_end - before)[known] / at_end[known]
        found = max(found, float(change.max(initial=0.0)) / abs(float(axis[end] - axis[inner])))
    return found


def inner_nodes(torque: Array) -> tuple[int, int]:
    """The nodes that give the straight lines at the low and the high end of the torque axis.

    An end that is not on its own flank (the axis begins at zero torque or above, or ends at zero or below)
    stands for itself: the law has a corner at zero torque, and the value is held.
    """
    last = torque.size - 1
    return (1 if last > 0 and torque[0] < 0.0 else 0, last - 1 if last > 0 and torque[-1] > 0.0 else last)


def continued(
    value: Array, low: Array, high: Array, *, change: Array, by_torque: Array, share: Array, of_change: float
) -> tuple[Array, Array, Array]:
    """Value and limits beyond the axes from those at their ends, all (n,) [N·m]; where nothing is beyond,
    unchanged to the last bit.

    ``change`` is that of the value, straight on along torque; ``by_torque`` what the half-width grows by
    along torque at least, ``share`` along the other axes as a share of the value [-], ``of_change`` the share
    of the value's change that it grows by at least.
    """
    there = np.maximum(value + change, 0.0)
    moved = there - value
    wider = np.maximum(by_torque, of_change * np.abs(moved)) + share * there
    return there, np.maximum(low + moved - wider, 0.0), high + moved + wider
