"""The pages: Markdown files beside this module, whole as they stand, so that a forge shows them, too.

Their reference tables are written into them by ``tests/guide/tables.py`` from the models, the checks, the
definitions and the commands; a test holds them up to date. So a page opens without any heavy library.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from pathlib import Path

from diffbench.errors import DocumentError

FOLDER = Path(__file__).parent
#: In the order in which they are read.
TOPICS = (
    "start",
    "benches",
    "papers",
    "units",
    "recordings",
    "checks",
    "pages",
    "commands",
    "python",
    "numbers",
    "doubt",
    "validation",
    "map",
    "exports",
    "corner",
    "history",
    "wear",
    "fleet",
    "performance",
    "limits",
    "safety",
)


@dataclass(frozen=True)
class Page:
    """One topic: its title, one line on what it tells, and the whole text as Markdown."""

    topic: str
    title: str
    summary: str
    text: str


def page(topic: str) -> Page:
    """Return the page on a topic.

    Parameters
    ----------
    topic : str
        One of `TOPICS`.

    Returns
    -------
    The page.

    Raises
    ------
    DocumentError : for a topic that is not there; its mend names the nearest.

    Examples
    --------
    >>> page("units").title
    'Units'
    >>> page("unit")
    Traceback (most recent call last):
    diffbench.errors.DocumentError: the guide has no topic 'unit'. Mend: write units.
    """
    if topic not in TOPICS:
        near = difflib.get_close_matches(topic.lower(), TOPICS)
        mend = f"write {near[0]}" if near else "write one of " + ", ".join(TOPICS)
        raise DocumentError.single(f"the guide has no topic '{topic}'", mend=mend)
    text = (FOLDER / f"{topic}.md").read_text(encoding="utf-8")
    title, summary, _ = text.split("\n\n", 2)
    return Page(topic, title.removeprefix("# "), " ".join(summary.split()), text)


def every() -> list[Page]:
    """All pages, in the order of `TOPICS`."""
    return [page(topic) for topic in TOPICS]
