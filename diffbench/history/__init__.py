"""The history of units, builds and characterisations, in SQLite or PostgreSQL: added to, never changed."""

from diffbench.history.changes import Changes
from diffbench.history.entries import BuildFact, Correction, Facts, Record
from diffbench.history.location import locate
from diffbench.history.store import Added, Contents, Filing, History, Merged, Verified, open_history
from diffbench.history.verification import Damage

__all__ = [
    "Added",
    "BuildFact",
    "Changes",
    "Contents",
    "Correction",
    "Damage",
    "Facts",
    "Filing",
    "History",
    "Merged",
    "Record",
    "Verified",
    "locate",
    "open_history",
]
