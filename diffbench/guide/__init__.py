"""The guide: one page a topic, for the terminal and for a browser."""

from typing import TYPE_CHECKING

from diffbench.first_use import names_on_first_use

__all__ = ["FOLDER", "TOPICS", "Page", "anchor", "as_text", "every", "page", "write_site"]

if TYPE_CHECKING:
    from diffbench.guide.pages import FOLDER, TOPICS, Page, every, page
    from diffbench.guide.site import anchor, write_site
    from diffbench.guide.terminal import as_text

__getattr__, __dir__ = names_on_first_use(
    __name__,
    {
        "pages": ("FOLDER", "TOPICS", "Page", "every", "page"),
        "site": ("anchor", "write_site"),
        "terminal": ("as_text",),
    },
)
