"""The history of units, builds and characterisations, in SQLite or PostgreSQL: added to, never changed."""

from diffbench.history.connection import locate
from diffbench.history.entries import BuildFact, Changes, Correction, Facts, Record
from diffbench.history.rows import Damage
from diffbench.history.store import Added, Contents, Filing, History, Merged, Verified, open_history

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
