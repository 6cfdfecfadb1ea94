"""Tare runs of one visit against each other: zeros that drifted."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from diffbench.conditioning.bench import TareRun
from diffbench.conditioning.findings import Finding
from diffbench.documents import Rig

# Ten parts of each run tell its noise, roughly: five of their standard uncertainties, not three.
SIGNIFICANT = 5.0
# A change within what the rig states of the zero is allowed for; where it states nothing, a thousandth of the
# largest torque does not matter.
LEAST = 0.001


def zero_drift(
    rig: Rig, runs: Sequence[TareRun], channels: Sequence[str], *, between: float, largest: float
) -> list[Finding]:
    """The zero of each channel from the first tare run to the last.

    Parameters: ``between`` [s] of recording from the start of the first to the end of the last;
    ``largest`` [N·m] input torque of the visit.
    """
    found: list[Finding] = []
    for name in channels:
        kept = [run[name] for run in runs if name in run]
        if len(kept) < 2:
            continue
        means = [float(part.mean()) for part in kept]
        u = float(np.sqrt(sum(part.var(ddof=1) / part.size for part in (kept[0], kept[-1]))))
        change = means[-1] - means[0]
        if abs(change) <= SIGNIFICANT * u:
            continue
        grave = abs(change) > max(rig.channel[name].u_zero or 0.0, LEAST * largest)
        rate = f", {3600.0 * change / between:+.2g} N·m an hour" if between > 0.0 else ""
        found.append(
            Finding(
                "zero drift",
                "caveat" if grave else "note",
                name,
                f"From the first tare run to the last the zero moves by {change:+.2g} ± {u:.1g} N·m{rate}.",
                "The tare is their mean, and half of the change counts as an uncertainty.",
                "Let the amplifiers warm up, and keep tare runs before and after.",
            )
        )
    return found
