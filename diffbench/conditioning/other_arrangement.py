"""An arrangement that can't be true for the readings: part of the input torque would be in the torque
difference whatever way the outputs slip, and under another arrangement it would not."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.cells import Cells
from diffbench.documents import Rig

Array = NDArray[np.float64]

# Gains are off by hundredths; a column that is another torque puts a third or more of the input torque there.
EVEN = 0.2
LEAST_ONE_WAY = 0.15
SHARP, SHARE = 0.02, 0.05  # standard uncertainty as of independent cells: absolute, or of the part itself


def even_part(direction: Array, speed: Array, input_torque: Array, difference: Array) -> float | None:
    """How much of the input torque is in the torque difference whatever way the outputs slip.

    ``a`` of ``T_L − T_R = a T_in + b − sgn(Δω)(c + d |T_in| + e |Δω| + f ln|Δω|)`` by least squares: none,
    but for what the transducers' gains are off, since locking torque changes sign with the slip. None where
    slip is nearly all one way, or torque and slip do not change independently enough to tell. All (c,).

    >>> s, t = np.tile([1.0, -1.0], 50), np.linspace(-300.0, 300.0, 100)
    >>> print(f"{abs(even_part(s, 4.0 + 0.0 * t, t, -s * (80.0 + 0.5 * np.abs(t)))):.3f}")
    0.000
    """
    ahead = float(np.mean(direction > 0))
    if min(ahead, 1.0 - ahead) < LEAST_ONE_WAY:
        return None
    fast = np.abs(speed)
    odd = np.stack([np.ones_like(fast), np.abs(input_torque), fast, np.log(np.maximum(fast, 1e-3))], axis=1)
    columns = np.column_stack([input_torque, np.ones_like(fast), direction[:, None] * odd])
    found = np.linalg.lstsq(columns, difference, rcond=None)[0]
    residual = difference - columns @ found
    variance = float(residual @ residual) / max(residual.size - columns.shape[1], 1)
    spread = np.linalg.pinv(columns.T @ columns)[0, 0] * variance
    return float(found[0]) if spread < max(SHARP, SHARE * abs(found[0])) ** 2 else None


def other_arrangements(
    rig: Rig, cells: Cells, input_torque: Array, difference: Array
) -> tuple[float, list[str]]:
    """The even part under the rig's arrangement, and in words what the columns would be where another one has
    next to none of it. ``input_torque`` and ``difference`` (c,) as the rig's arrangement has them.

    Nothing where the even part is small, or where slip one way only leaves it open.
    """
    even = even_part(cells.direction, cells.speed_difference, input_torque, difference)
    if even is None or abs(even) < EVEN:
        return 0.0, []
    readings = cells.readings
    tried: list[tuple[Array, Array, str]] = []
    if rig.arrangement == "both-outputs":
        left, right = readings["left_torque"], readings["right_torque"]
        for whole, one, sign, name in (
            (right, left, 1.0, "right_torque"),
            (left, right, -1.0, "left_torque"),
        ):
            text = (
                f"the column of {name} holds the input torque (name it input_torque and write arrangement = "
            )
            tried.append((whole, sign * (2.0 * one - whole), text + '"input-and-one-output")'))
    elif rig.arrangement == "input-and-one-output":
        left_read = "left_torque" in readings
        read, other = ("left_torque", "right_torque") if left_read else ("right_torque", "left_torque")
        apart = readings[read] - readings["input_torque"]
        text = f"the column of input_torque holds the other output's torque (name it {other} and write "
        tried.append(
            (
                readings[read] + readings["input_torque"],
                apart if left_read else -apart,
                text + 'arrangement = "both-outputs")',
            )
        )
    cures = []
    for whole, apart, text in tried:
        left_over = even_part(cells.direction, cells.speed_difference, whole, apart)
        # friction never drives
        holds_back = float(np.mean(cells.direction * apart < 0.0)) > 0.5
        if left_over is not None and abs(left_over) < 0.5 * EVEN and holds_back:
            cures.append(text)
    return abs(even), cures
