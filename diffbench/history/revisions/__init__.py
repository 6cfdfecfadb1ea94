"""Steps from one form of the tables to the next, run by alembic in the order of their numbers."""

from diffbench.history.revisions.steps import VERSION_TABLE, newest, revision, upgrade

__all__ = ["VERSION_TABLE", "newest", "revision", "upgrade"]
