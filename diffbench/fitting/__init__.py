"""The fit: from conditioned recordings to a characterisation, and the steps on the way there."""

from typing import TYPE_CHECKING

from diffbench.first_use import names_on_first_use

__all__ = [
    "PACKS_APART",
    "Candidate",
    "Choice",
    "Estimate",
    "FitData",
    "Form",
    "Information",
    "LockingModel",
    "Setup",
    "condition_visit",
    "excitation_findings",
    "first_look",
    "fit",
    "fit_form",
    "gather",
    "in_the_light_of",
    "tested_region",
    "thinned",
    "with_packs_apart",
]

if TYPE_CHECKING:
    from diffbench.fitting.candidate import Candidate, first_look, fit_form, in_the_light_of, thinned
    from diffbench.fitting.characterise import fit
    from diffbench.fitting.choose import Choice, with_packs_apart
    from diffbench.fitting.data import FitData, gather
    from diffbench.fitting.estimates import Estimate
    from diffbench.fitting.model import PACKS_APART, Form, LockingModel
    from diffbench.fitting.next_test import Information
    from diffbench.fitting.setup import Setup
    from diffbench.fitting.tested import excitation_findings, tested_region
    from diffbench.fitting.visits import condition_visit

__getattr__, __dir__ = names_on_first_use(
    __name__,
    {
        "candidate": ("Candidate", "first_look", "fit_form", "in_the_light_of", "thinned"),
        "characterise": ("fit",),
        "choose": ("Choice", "with_packs_apart"),
        "data": ("FitData", "gather"),
        "estimates": ("Estimate",),
        "model": ("PACKS_APART", "Form", "LockingModel"),
        "next_test": ("Information",),
        "setup": ("Setup",),
        "tested": ("excitation_findings", "tested_region"),
        "visits": ("condition_visit",),
    },
)
