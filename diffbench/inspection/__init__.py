"""What is in an unknown file, and drafts of the papers that describe it."""

from diffbench.inspection.drafts import draft_build, draft_rig, draft_run
from diffbench.inspection.inspect import Inspection, inspect_file, inspection_text

__all__ = ["Inspection", "draft_build", "draft_rig", "draft_run", "inspect_file", "inspection_text"]
