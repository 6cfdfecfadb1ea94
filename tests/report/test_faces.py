"""One document, set by every face."""

from __future__ import annotations

import re
from types import ModuleType

from diffbench.report import (
    Document,
    Figure,
    Literally,
    Section,
    Sentence,
    Table,
    html_of,
    item,
    summary,
    text_of,
)  # fmt: skip
from diffbench.results import Characterisation

EVERY = Document(
    "Every kind of block",
    (
        Section(
            "what was found",
            (
                Sentence("Unit <b>K04</b>", aside="tested today", tone="title"),
                Sentence("all limits are held", first="WITHIN  ", tone="within"),
                item("a first gap"),
                item("a second one", mark="!"),
                Table("Numbers", ("quantity", "value"), (("preload torque", "\u22121.5"),), numbers=(1,)),
                Figure("line", "A line", lambda axes: axes.plot([0, 1]), (3.0, 2.0), "a line that rises"),
                Literally("[map]\nspeed = 1\n"),
            ),
        ),
        Section("nothing", ()),
    ),
)


def test_a_terminal_sets_all_but_the_figure() -> None:
    """Letter by letter, with hyphens for minus signs, which every code page has."""
    assert text_of(EVERY, 40) == (
        "what was found\n"
        "Unit <b>K04</b>             tested today\n"
        "WITHIN  all limits are held\n"
        "  - a first gap\n"
        "  ! a second one\n"
        "  quantity        value\n"
        "  preload torque  -1.5\n"
        "[map]\n"
        "speed = 1"
    )
    assert "\x1b[1;34mWITHIN\x1b[0m  all" in text_of(EVERY, 40, colour=True)


def test_html_sets_all_and_escapes_it() -> None:
    """Lists as lists, tables as tables, the figure drawn with words for those who do not see it."""
    html = html_of(EVERY)
    assert "<h3>What was found</h3>" in html
    assert "<strong>Unit &lt;b&gt;K04&lt;/b&gt;</strong> tested today" in html
    assert "<strong>WITHIN</strong> all limits are held" in html
    assert re.search(r"<ul>\s*<li>a first gap</li>\s*<li>a second one</li>\s*</ul>", html)
    assert "\u22121.5</td>" in html
    assert 'aria-label="a line that rises"' in html
    assert "<pre>[map]\nspeed = 1\n</pre>" in html
    assert "nothing" not in html.lower()


def test_what_a_terminal_says_of_a_result_stands_in_html_too(
    complete: Characterisation, synthetic: ModuleType
) -> None:
    """An answer needs no second text for a second face; names of files cannot break out of it."""
    html = html_of(summary(complete, verbose=True))
    for said in ("<strong>GOOD", "83.2 N·m", "86 % bench repeatability", "Files that went in"):
        assert said in html
    assert "<script" not in html_of(summary(synthetic.hostile(), verbose=True))
