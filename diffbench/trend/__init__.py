"""Where a unit goes between rebuilds: control charts, a line with its intervals, the way to a limit."""

from typing import TYPE_CHECKING

from diffbench.first_use import names_on_first_use

__all__ = [
    "Axis",
    "Course",
    "Point",
    "Series",
    "Trend",
    "course_of",
    "cusum",
    "document_of",
    "ewma",
    "packs_apart",
    "state_by",
    "trend_of",
    "visits_of",
]

if TYPE_CHECKING:
    from diffbench.answers.line import Axis
    from diffbench.trend.charts import cusum, ewma
    from diffbench.trend.courses import (
        Course,
        Point,
        Series,
        Trend,
        course_of,
        document_of,
        packs_apart,
        state_by,
        trend_of,
        visits_of,
    )

__getattr__, __dir__ = names_on_first_use(
    __name__,
    {
        "charts": ("cusum", "ewma"),
        "courses": (
            "Axis",
            "Course",
            "Point",
            "Series",
            "Trend",
            "course_of",
            "document_of",
            "packs_apart",
            "state_by",
            "trend_of",
            "visits_of",
        ),
    },
)
