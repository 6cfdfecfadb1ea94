"""From recordings to cells at the unit, with what the checks noticed."""

from typing import TYPE_CHECKING

from diffbench.first_use import names_on_first_use

__all__ = [
    "ConditionedRun",
    "ConditionedVisit",
    "Finding",
    "Friction",
    "Reason",
    "WiringError",
    "check_flanks",
    "condition",
    "hand_readings",
    "is_slow_drive",
]

if TYPE_CHECKING:
    from diffbench.conditioning.findings import Finding
    from diffbench.conditioning.hand import hand_readings, is_slow_drive
    from diffbench.conditioning.pipeline import condition
    from diffbench.conditioning.run import ConditionedRun, ConditionedVisit, Friction
    from diffbench.conditioning.samples import Reason
    from diffbench.conditioning.wiring import WiringError, check_flanks

__getattr__, __dir__ = names_on_first_use(
    __name__,
    {
        "findings": ("Finding",),
        "hand": ("hand_readings", "is_slow_drive"),
        "pipeline": ("condition",),
        "run": ("ConditionedRun", "ConditionedVisit", "Friction"),
        "samples": ("Reason",),
        "wiring": ("WiringError", "check_flanks"),
    },
)
