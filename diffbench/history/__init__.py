"""The history of units, builds and characterisations, in SQLite or PostgreSQL: added to, never changed."""

from typing import TYPE_CHECKING

from diffbench.first_use import names_on_first_use

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
    "read_export",
    "revisions",
    "tables",
]

if TYPE_CHECKING:
    from diffbench.history import revisions, tables
    from diffbench.history.connection import locate
    from diffbench.history.journal import BuildFact, Changes, Correction, Damage, Facts, Record
    from diffbench.history.store import Added, Contents, Filing, History, Merged, Verified, open_history
    from diffbench.history.transfer import read_export

__getattr__, __dir__ = names_on_first_use(
    __name__,
    {
        "connection": ("locate",),
        "journal": ("BuildFact", "Changes", "Correction", "Damage", "Facts", "Record"),
        "store": ("Added", "Contents", "Filing", "History", "Merged", "Verified", "open_history"),
        "transfer": ("read_export",),
        "revisions": (),
        "tables": (),
    },
)
