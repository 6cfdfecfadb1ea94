"""What the terminal can show."""

from __future__ import annotations

import os
import shutil
import sys

WIDEST = 100  # columns of a summary: more are hard to read


def colour() -> bool:
    """Whether styles may be printed: only to a terminal, and never against NO_COLOR (no-color.org).

    Returns
    -------
    True where they may.
    """
    return sys.stdout.isatty() and not os.environ.get("NO_COLOR")


def width() -> int:
    """Columns of a summary.

    Returns
    -------
    The terminal's as far as they are of use; the most of use in a file, where nothing cuts lines.
    """
    return min(shutil.get_terminal_size((WIDEST, 24)).columns, WIDEST) if sys.stdout.isatty() else WIDEST
