"""What is in an unknown file, and drafts of the papers that describe it."""

from typing import TYPE_CHECKING

from diffbench.first_use import names_on_first_use

__all__ = ["Inspection", "draft_build", "draft_rig", "draft_run", "inspect_file", "inspection_text"]

if TYPE_CHECKING:
    from diffbench.inspection.drafts import draft_build, draft_rig, draft_run
    from diffbench.inspection.inspect import Inspection, inspect_file, inspection_text

__getattr__, __dir__ = names_on_first_use(
    __name__,
    {
        "drafts": ("draft_build", "draft_rig", "draft_run"),
        "inspect": ("Inspection", "inspect_file", "inspection_text"),
    },
)
