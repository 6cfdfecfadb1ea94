"""The guide: one page a topic, for the terminal and for a browser."""

from __future__ import annotations

from diffbench.guide.pages import TOPICS, Page, page

__all__ = ["TOPICS", "Page", "page"]
