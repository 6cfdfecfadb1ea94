"""Signs and sides, judged by what no differential can do: friction never drives.

While the outputs slip, the slower one gets more torque, so −sgn(Δω)(T_L − T_R) is never negative. Swapped
outputs or a reversed sign break that, and each breaks it in its own way.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.bench import torques
from diffbench.conditioning.cells import Cells
from diffbench.conditioning.transducers import TorqueChain
from diffbench.documents import Rig
from diffbench.errors import RecordingError

Array = NDArray[np.float64]

# A clean run has next to no cell below zero; a swap or a reversed sign puts a third or more of them there.
PASSIVE_SHARE = 0.9
# An open unit shows noise and zero errors only: where so few cells stand clear of them, nothing can be said
# of signs.
LEAST_CLEAR = 0.05


def passive_share(direction: Array, difference: Array, noise: float) -> float:
    """Share of cells whose locking torque is not negative, noise allowed for (weight by size, so that
    near-zero cells decide nothing); 1 where hardly any cell stands clear of the noise."""
    locking = -direction * difference
    size = np.clip(np.abs(locking) - 3.0 * noise, 0.0, None)
    if float(np.mean(size > 0.0)) < LEAST_CLEAR:
        return 1.0
    return float(size[locking > 0].sum()) / float(size.sum())


def check_signs(rig: Rig, made: Mapping[str, TorqueChain], cells: Cells, *, noise: float, file: str) -> None:
    """Refuse a run whose torques and speeds cannot belong together, naming what would make them fit.

    Raises ``RecordingError`` when more than a tenth of the torque difference drives instead of holding back.
    Every single change of sign, and the swap of left and right, is tried; those that make the run passive are
    named. Never mended silently: a swap of the torques and a reversal of both cannot be told apart, and give
    other maps.
    """
    _, difference = torques(rig, made, cells.readings, cells.rates, cells.speeds, cells.accelerations)
    noise = float(
        np.hypot(noise, sum((rig.channel[name].u_zero or 0.0) * chain.ratio for name, chain in made.items()))
    )
    share = passive_share(cells.direction, difference, noise)
    if share >= PASSIVE_SHARE:
        return
    cures: list[str] = []
    for name in made:
        changed = {**cells.readings, name: -cells.readings[name]}
        _, other = torques(rig, made, changed, cells.rates, cells.speeds, cells.accelerations)
        if passive_share(cells.direction, other, noise) >= PASSIVE_SHARE:
            cures.append(
                f"the sign of {name} is reversed (set sign = {-rig.channel[name].sign:g} in [channel.{name}])"
            )
    if passive_share(-cells.direction, difference, noise) >= PASSIVE_SHARE:
        speeds = (
            "left_speed and right_speed" if "left_speed" in rig.channel else "the sign of speed_difference"
        )
        if rig.arrangement == "both-outputs":
            cures.append(
                "left and right are swapped (exchange the columns of left_torque and right_torque, or "
                f"of {speeds}, "
                "whichever is wired wrong)"
            )
        else:
            cures.append(
                f"left and right are swapped (exchange {speeds}, or name the measured output the other side)"
            )
    likely = (
        "; or ".join(cures) if cures else "no single swap or sign explains it: check which column is which"
    )
    raise RecordingError.single(
        f"{100 * (1 - share):.0f} % of the torque difference drives instead of holding back: while the "
        "outputs slip, the "
        f"slower one must get more torque",
        file=file,
        key="channel",
        mend=likely,
    )
