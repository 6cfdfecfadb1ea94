"""While the bench runs: recordings looked at as they grow, and fitted when they are complete."""

from diffbench.watching.folder import Event, Watch

__all__ = ["Event", "Watch"]
