"""Many recordings: every run sheet of a folder, on one machine or on many."""

from diffbench.fleet.folder import Fleet, run_sheets
from diffbench.fleet.job import Outcome
from diffbench.fleet.run import fit_fleet

__all__ = ["Fleet", "Outcome", "fit_fleet", "run_sheets"]
