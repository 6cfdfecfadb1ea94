"""What is in an unknown file, and drafts of the papers that describe it."""

from diffbench.inspection.drafts import draft_build, draft_run
from diffbench.inspection.inspect import Inspection, inspect_file
from diffbench.inspection.rig_draft import draft_rig

__all__ = ["Inspection", "draft_build", "draft_rig", "draft_run", "inspect_file"]
