"""A job without an end, in a module that worker processes can import."""

from __future__ import annotations

import os
from pathlib import Path


def work(mark: str) -> None:
    """Says which process it is in, and keeps it busy."""
    Path(mark).write_text(str(os.getpid()))
    while True:
        sum(range(100_000))
