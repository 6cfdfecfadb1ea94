"""The workshop's and the track's questions, each answered from results: a module a question."""

from typing import TYPE_CHECKING

from diffbench.first_use import names_on_first_use

__all__ = [
    "AGAINST_THE_BENCH",
    "NEEDS_REPEATABILITY",
    "UNITS",
    "Bench",
    "Candidate",
    "Change",
    "Comparison",
    "Condition",
    "CornerEntry",
    "CornerKept",
    "Day",
    "DayRead",
    "DifferenceBranch",
    "DifferenceMap",
    "Interval",
    "LapKept",
    "LapResult",
    "Limit",
    "Member",
    "Observation",
    "PhaseResult",
    "Rebuild",
    "Rung",
    "Samples",
    "ShimAdvice",
    "Side",
    "SlipVerdict",
    "Stock",
    "Target",
    "TorqueSplit",
    "Wanted",
    "Way",
    "Wear",
    "advise",
    "check_state",
    "compare",
    "compared",
    "corner_entry",
    "difference_csv",
    "entries_of",
    "gravest",
    "judge",
    "judge_builds",
    "laps_of",
    "member",
    "observations",
    "predicted_map",
    "preload_ladder",
    "preload_of",
    "read_day",
    "slip_state",
    "target_of",
    "torque_split",
    "wanted_preload",
    "with_units",
]

if TYPE_CHECKING:
    from diffbench.answers.comparison import NEEDS_REPEATABILITY, Comparison, Side, check_state, compare
    from diffbench.answers.corner import CornerEntry, PhaseResult, Rung, corner_entry
    from diffbench.answers.differences import (
        Change,
        Condition,
        DifferenceBranch,
        DifferenceMap,
        difference_csv,
    )
    from diffbench.answers.joint import Member, member
    from diffbench.answers.lap import Bench, CornerKept, Day, LapKept, LapResult, laps_of
    from diffbench.answers.log_corners import Samples, entries_of
    from diffbench.answers.log_files import DayRead, read_day
    from diffbench.answers.observation import AGAINST_THE_BENCH, Limit, Observation, observations
    from diffbench.answers.operating_point import (
        UNITS,
        Interval,
        SlipVerdict,
        TorqueSplit,
        slip_state,
        torque_split,
        with_units,
    )
    from diffbench.answers.rebuild import Rebuild, compared, predicted_map, preload_ladder, preload_of
    from diffbench.answers.shims import Candidate, ShimAdvice, Way, advise
    from diffbench.answers.state import Stock, gravest, judge, judge_builds
    from diffbench.answers.wanted import Target, Wanted, target_of, wanted_preload
    from diffbench.answers.wear import Wear

__getattr__, __dir__ = names_on_first_use(
    __name__,
    {
        "comparison": (
            "NEEDS_REPEATABILITY",
            "Comparison",
            "Side",
            "check_state",
            "compare",
        ),
        "corner": (
            "CornerEntry",
            "PhaseResult",
            "Rung",
            "corner_entry",
        ),
        "differences": (
            "Change",
            "Condition",
            "DifferenceBranch",
            "DifferenceMap",
            "difference_csv",
        ),
        "joint": (
            "Member",
            "member",
        ),
        "observation": ("AGAINST_THE_BENCH", "Limit", "Observation", "observations"),
        "lap": ("Bench", "CornerKept", "Day", "LapKept", "LapResult", "laps_of"),
        "log_corners": ("Samples", "entries_of"),
        "log_files": ("DayRead", "read_day"),
        "operating_point": (
            "UNITS",
            "Interval",
            "SlipVerdict",
            "TorqueSplit",
            "slip_state",
            "torque_split",
            "with_units",
        ),
        "rebuild": (
            "Rebuild",
            "compared",
            "predicted_map",
            "preload_ladder",
            "preload_of",
        ),
        "shims": (
            "Candidate",
            "ShimAdvice",
            "Way",
            "advise",
        ),
        "state": ("Stock", "gravest", "judge", "judge_builds"),
        "wanted": ("Target", "Wanted", "target_of", "wanted_preload"),
        "wear": ("Wear",),
    },
)
