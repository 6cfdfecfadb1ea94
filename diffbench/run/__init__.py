"""Many recordings at once, and those that a bench is writing now."""

from typing import TYPE_CHECKING

from diffbench.first_use import names_on_first_use

__all__ = [
    "Engine",
    "Fleet",
    "Outcome",
    "Watch",
    "cluster",
    "fit_fleet",
    "fitted",
    "processes",
    "run_sheets",
]

if TYPE_CHECKING:
    from diffbench.run.fleet import (
        Engine,
        Fleet,
        Outcome,
        cluster,
        fit_fleet,
        fitted,
        processes,
        run_sheets,
    )
    from diffbench.run.watch import Watch

__getattr__, __dir__ = names_on_first_use(
    __name__,
    {
        "fleet": (
            "Engine",
            "Fleet",
            "Outcome",
            "cluster",
            "fit_fleet",
            "fitted",
            "processes",
            "run_sheets",
        ),
        "watch": ("Watch",),
    },
)
