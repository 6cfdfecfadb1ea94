"""Signs and sides, judged by what no differential can do: friction never drives.

While the outputs slip, the slower one gets more torque, so −sgn(Δω)(T_L − T_R) is never negative. Swapped
outputs or a reversed sign break that, and each breaks it in its own way.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from diffbench.conditioning.bench import at_cells
from diffbench.conditioning.cells import Cells
from diffbench.conditioning.other_arrangement import other_arrangements
from diffbench.conditioning.passivity import PASSIVE_SHARE, impossible_climb, passive_share
from diffbench.conditioning.transducers import TorqueChain
from diffbench.conditioning.wiring import WiringError, explanations
from diffbench.documents import Rig


def check_signs(rig: Rig, made: Mapping[str, TorqueChain], cells: Cells, *, noise: float, file: str) -> None:
    """Refuse a run whose torques and speeds cannot belong together, naming what would make them fit.

    Raises ``WiringError`` when more than a tenth of the torque difference drives instead of holding back,
    when part of the input torque is in it whatever way the outputs slip, or when a one-sided run climbs as
    none can. Every wiring that would explain the readings is named. Never mended silently: a swap of the
    torques and a reversal of both cannot be told apart by them, and give other maps.
    """
    whole, difference = at_cells(rig, made, cells)
    even, others = other_arrangements(rig, cells, whole, difference)
    noise = float(
        np.hypot(noise, sum((rig.channel[name].u_zero or 0.0) * chain.ratio for name, chain in made.items()))
    )
    share = passive_share(cells.direction, difference, noise)
    slope = impossible_climb(cells.direction, whole, -cells.direction * difference, noise)
    if share < PASSIVE_SHARE:
        what = (
            f"{100 * (1 - share):.0f} % of the torque difference drives instead of holding back: while the "
            "outputs slip, the slower one must get more torque"
        )
    elif others:
        what = (
            f"{100 * even:.0f} % of the input torque is in the torque difference whatever way the outputs "
            f"slip: the arrangement {rig.arrangement!r} can't be true"
        )
    elif slope is not None:
        what = f"the locking torque climbs by {slope:.3g} of the input torque: no unit that slips can do so"
    else:
        return
    found = explanations(rig, made, cells, noise=noise)
    key = "arrangement" if others and share >= PASSIVE_SHARE else "channel"
    raise WiringError(rig, what, found, file=file, key=key, others=others)
