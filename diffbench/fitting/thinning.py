"""Some of the cells for the search, all of them for the answer: a search only has to find the valley."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from diffbench.fitting.model import LockingModel, Sharing

Index = NDArray[np.int64]

#: Cells that a search looks at; an hour's sweep has ten thousand.
ENOUGH_CELLS = 2000


def thinned(model: LockingModel, enough: int) -> tuple[LockingModel, Index]:
    """The same model on every k-th cell of each run, ``enough`` to twice as many in all, and which cells
    these are.

    Histories of torque and heat stay whole, so that each cell computes what it computes among all others. An
    even k is made odd: stretches of a sweep often have an even count of cells, and their ends should all be
    seen at times.
    """
    data, sharing = model.data, model.sharing
    every = data.difference.size // enough
    if every < 2:
        return model, np.arange(data.difference.size, dtype=np.int64)
    every -= every % 2 == 0 and every > 2
    kept = np.concatenate([np.flatnonzero(data.run == run)[::every] for run in range(len(data.run_names))])
    near = np.clip(np.searchsorted(kept, data.turn_near), 0, kept.size - 1).astype(np.int64)
    some = replace(
        data,
        difference=data.difference[kept],
        input_torque=data.input_torque[kept],
        direction=data.direction[kept],
        speed_difference=data.speed_difference[kept],
        oil=data.oil[kept],
        plate=data.plate[kept],
        count=data.count[kept],
        width=data.width[kept],
        time=data.time[kept],
        run=data.run[kept],
        visit=data.visit[kept],
        stretch=data.stretch[kept],
        noise=data.noise[kept],
        effect_input=data.effect_input[:, kept],
        effect_difference=data.effect_difference[:, kept],
        noise_share=data.noise_share[:, kept],
        locking_slope=data.locking_slope[kept],
        places=data.places[kept],
        turn_near=near,
        turn_before=data.turn_before[kept],
        cell_heat=data.cell_heat[kept],
        friction_state=data.friction_state[kept],
    )
    shared: Sharing = replace(
        sharing,
        preload_of_cell=sharing.preload_of_cell[kept],
        drive_of_cell=sharing.drive_of_cell[kept],
        coast_of_cell=sharing.coast_of_cell[kept],
    )
    made = LockingModel(
        some, model.names, model.form, shared, model.reference, temperature_u=model.temperature_u
    )
    return made, kept
