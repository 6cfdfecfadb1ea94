"""Results and what follows from one by itself: the characterisation, its map, and its conformity."""

from typing import TYPE_CHECKING

from diffbench.first_use import names_on_first_use

__all__ = [
    "AXES",
    "BRANCHES",
    "RULE",
    "Adequacy",
    "Branch",
    "BuildFacts",
    "Characterisation",
    "Correlation",
    "Diagnostics",
    "Evidence",
    "FindingRecord",
    "FittedLaw",
    "FormState",
    "Gain",
    "LawVerdict",
    "LimitCheck",
    "LimitVerdict",
    "LockingMap",
    "MapDocument",
    "NextStep",
    "NextTest",
    "Parameter",
    "Provenance",
    "Reason",
    "SheetCheck",
    "ShimStep",
    "SpringFacts",
    "State",
    "Tested",
    "UnknownNameError",
    "digest",
    "load_characterisation",
    "load_map",
    "make_map",
    "map_on",
    "stands",
    "stands_near",
]

if TYPE_CHECKING:
    from diffbench.results.beyond_axes import RULE
    from diffbench.results.characterisation import (
        Adequacy,
        BuildFacts,
        Characterisation,
        Correlation,
        Diagnostics,
        Evidence,
        FindingRecord,
        FormState,
        Gain,
        LawVerdict,
        LimitVerdict,
        NextTest,
        Parameter,
        Provenance,
        SheetCheck,
        SpringFacts,
        Tested,
        load_characterisation,
    )
    from diffbench.results.conformity import LimitCheck
    from diffbench.results.document import UnknownNameError
    from diffbench.results.fitted_law import FittedLaw
    from diffbench.results.locking_map import AXES, BRANCHES, Branch, LockingMap, MapDocument, load_map
    from diffbench.results.predict import make_map, map_on
    from diffbench.results.standing import digest, stands, stands_near
    from diffbench.results.state import NextStep, Reason, ShimStep, State

__getattr__, __dir__ = names_on_first_use(
    __name__,
    {
        "beyond_axes": ("RULE",),
        "characterisation": (
            "Adequacy",
            "BuildFacts",
            "Characterisation",
            "Correlation",
            "Diagnostics",
            "Evidence",
            "FindingRecord",
            "FormState",
            "Gain",
            "LawVerdict",
            "LimitVerdict",
            "NextTest",
            "Parameter",
            "Provenance",
            "SheetCheck",
            "SpringFacts",
            "Tested",
            "load_characterisation",
        ),
        "conformity": ("LimitCheck",),
        "document": ("UnknownNameError",),
        "fitted_law": ("FittedLaw",),
        "locking_map": (
            "AXES",
            "BRANCHES",
            "Branch",
            "LockingMap",
            "MapDocument",
            "load_map",
        ),
        "predict": (
            "make_map",
            "map_on",
        ),
        "standing": ("digest", "stands", "stands_near"),
        "state": (
            "NextStep",
            "Reason",
            "ShimStep",
            "State",
        ),
    },
)
