"""Where a unit goes between rebuilds: control charts, a line with its intervals, the way to a limit."""

from diffbench.trend.charts import cusum, ewma
from diffbench.trend.courses import Course, Trend, trend_of
from diffbench.trend.series import Axis, Series

__all__ = ["Axis", "Course", "Series", "Trend", "cusum", "ewma", "trend_of"]
