"""What a thicker preload shim is worth: preload torque per shim thickness, between builds fitted together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

from diffbench.documents import Build
from diffbench.doubts import Source
from diffbench.fitting.estimates import Estimate


def shim_rates(
    found: Mapping[str, Estimate], builds: Sequence[Build], labels: Sequence[str]
) -> dict[str, Estimate]:
    """Preload torque per shim thickness between neighbours of the shim ladder, by name.

    ``found`` holds the estimates of one fitted form, ``builds`` and ``labels`` each distinct build and the
    suffix of its quantities. Builds without a stated shim, and a second one of the same thickness, give no
    rate. What both preloads have in common, such as the gain of the flange, is in their gradients and cancels
    as far as it does; the doubt of both thicknesses is the sheets'.
    """
    ladder: dict[float, tuple[Build, str]] = {}
    for build, label in zip(builds, labels, strict=True):
        shim = build.preload.shim
        if shim is not None and f"preload_torque{label}" in found:
            ladder.setdefault(shim.value, (build, label))
    steps = sorted(ladder)
    rates: dict[str, Estimate] = {}
    for thin, thick in pairwise(steps):
        (below, below_label), (above, above_label) = ladder[thin], ladder[thick]
        low, high = found[f"preload_torque{below_label}"], found[f"preload_torque{above_label}"]
        width = 1e3 * (thick - thin)
        rate = (high.value - low.value) / width
        doubts = [1e3 * (b.preload.shim.u or 0.0) for b in (below, above) if b.preload.shim is not None]
        doubt = abs(rate) / width * sum(u**2 for u in doubts) ** 0.5
        rates[f"preload_per_shim[{1e3 * thin:g} to {1e3 * thick:g} mm]"] = Estimate.of(
            "preload_per_shim",
            rate,
            (high.gradient - low.gradient) / width,
            words={"thin": 1e3 * thin, "thick": 1e3 * thick},
            sheet={Source.SHIM: doubt} if doubt else {},
        )
    return rates
