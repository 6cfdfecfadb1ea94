"""Shim advice in the terminal: the advised shim, its neighbours in stock, and what it rests on."""

from __future__ import annotations

from diffbench.answers.shims import ShimAdvice
from diffbench.report.layout import headed, item, wrapped
from diffbench.report.rounding import chance_text, interval_text, number_text
from diffbench.report.wording import limit_text, printable

__all__ = ["shim_summary"]

MILLIMETRES = 1e3
WAYS = {
    "ladder": "by the measured ladder",
    "curve": "by the disc-spring curve through one build",
    "both": "by the disc-spring curve through all builds",
}


def shim_summary(result: ShimAdvice, *, width: int = 100) -> str:
    """Shim advice as text for a terminal.

    Parameters
    ----------
    result : ShimAdvice
        The advice.
    width : int
        Columns of a line.

    Returns
    -------
    The text, without a line end at its end.
    """
    best = result.advised
    u = best.u_Nm
    text = (
        f"Unit {printable(result.unit, limit=40)}, preload torque of {number_text(result.target_Nm)} N·m, "
        f"{WAYS[result.way]}: take a shim of {MILLIMETRES * best.shim_m:.4g} mm. It will give "
        f"{number_text(best.preload_torque_Nm, u)} N·m, in a new assembly "
        f"{interval_text(best.low_Nm, best.high_Nm, u)} N·m (95 %)"
    )
    if best.chance is not None and result.limits_Nm is not None:
        allowed = limit_text(*result.limits_Nm, "N·m")
        text += f", and lands within {allowed} with a chance of {chance_text(best.chance)}"
    head = ("shim, mm", "preload torque, N·m", "95 % of assemblies", "chance within limits", "")
    rows = []
    for c in result.candidates:
        marks = [w for w, on in (("advised", c == best), ("extrapolated", c.extrapolated)) if on]
        rows.append(
            (
                f"{MILLIMETRES * c.shim_m:.4g}",
                number_text(c.preload_torque_Nm, c.u_Nm),
                interval_text(c.low_Nm, c.high_Nm, c.u_Nm),
                "" if c.chance is None else chance_text(c.chance),
                ", ".join(marks),
            )
        )
    measured = "; ".join(
        f"{MILLIMETRES * r.shim_m:.4g} mm {number_text(r.preload_torque_Nm, r.u_Nm)} ± "
        f"{number_text(r.u_Nm, r.u_Nm)} N·m"
        for r in result.rungs
    )
    exact = f"The target itself lies at {MILLIMETRES * result.exact_shim_m:.3f} mm."
    blocks = [
        wrapped(text + ".", width),
        headed(head, rows, width, right=(0, 1)),
        wrapped(f"Measured: {measured}. {exact}", width),
        [line for note in result.notes for line in item(printable(note), width)],
    ]
    return "\n\n".join("\n".join(block) for block in blocks if block)
