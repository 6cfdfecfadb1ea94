"""The figures, for notebooks and programs: each a function that takes data and an Axes and returns the Axes.

No window is opened and no global state touched: ``matplotlib.pyplot`` is the caller's own affair.
"""

from diffbench.report.comparison import before_after, changes, corner_change, difference
from diffbench.report.doubt import correlation, intervals
from diffbench.report.friction import friction, plate_heat, temperatures, torque_bias
from diffbench.report.locking_torque import parts, recorded, residuals, sweep
from diffbench.report.map_contours import contours
from diffbench.report.shims import shim_ladder
from diffbench.report.trackside import kept, yaw_moments
from diffbench.report.trend import course, sums

__all__ = [
    "before_after",
    "changes",
    "contours",
    "corner_change",
    "correlation",
    "course",
    "difference",
    "friction",
    "intervals",
    "kept",
    "parts",
    "plate_heat",
    "recorded",
    "residuals",
    "shim_ladder",
    "sums",
    "sweep",
    "temperatures",
    "torque_bias",
    "yaw_moments",
]
