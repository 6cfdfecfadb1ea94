"""The guide for a browser: a folder of pages that link each other and can be searched, without any network.

Markdown is rendered by markdown-it-py: CommonMark with tables, small, pure Python, and its tree serves the
terminal as well. A whole documentation system would bring a theme, its own markup and some fifty megabytes.
"""

from __future__ import annotations

import json
import re
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from diffbench.errors import OutputError
from diffbench.guide.pages import FOLDER, Page, every

if TYPE_CHECKING:
    from markdown_it.token import Token


_MARK = '<meta name="generator" content="diffbench guide">'


def anchor(heading: str) -> str:
    """The name by which a link leads to a heading, as forges make it: lower case, hyphens for blanks, no
    punctuation.

    >>> anchor("How sure, and why")
    'how-sure-and-why'
    """
    return re.sub(r"[^\w\- ]", "", heading).strip().lower().replace(" ", "-")


def write_site(directory: Path) -> list[Path]:
    """Write all pages, their pictures and the index of the search into a folder.

    Parameters
    ----------
    directory : Path
        The folder, made if it is not there. An earlier guide in it is replaced.

    Returns
    -------
    Paths of what was written; ``index.html`` is the one to open.

    Raises
    ------
    OutputError
        Something cannot be written, or the folder holds an ``index.html`` that is not a guide's.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    from diffbench._version import __version__
    from diffbench.whole_files import write_whole

    start = directory / "index.html"
    if start.is_file() and _MARK not in start.read_text(encoding="utf-8", errors="replace"):
        raise OutputError.single(
            "is there already and is no page of this guide", file=str(start), mend="name another folder"
        )
    pages = every()
    loader = FileSystemLoader(FOLDER / "frame")
    environment = Environment(autoescape=True, loader=loader, undefined=StrictUndefined)
    template = environment.get_template("page.html.j2")
    shared = {"pages": pages, "version": __version__, "css": _asset("site.css"), "mark": _MARK}
    contents: dict[str, bytes] = {}
    index: list[dict[str, str]] = []
    for number, page in enumerate(pages):
        rendered = _rendered(page)
        index += [asdict(section) for section in rendered.sections]
        text = template.render(
            page=page,
            body=rendered.html,
            headings=rendered.headings,
            before=pages[number - 1] if number else None,
            after=pages[number + 1] if number + 1 < len(pages) else None,
            **shared,
        )
        contents[f"{page.topic}.html"] = text.encode()
    contents |= {path.name: path.read_bytes() for path in sorted((FOLDER / "pictures").glob("*.png"))}
    search = f"const SECTIONS = {json.dumps(index, ensure_ascii=False)};\n{_asset('search.js')}"
    contents["search.js"] = search.encode()
    home = template.render(page=None, body="", headings=[], before=None, after=None, **shared)
    contents["index.html"] = home.encode()
    return write_whole(directory, contents)


def _asset(name: str) -> str:
    return (FOLDER / "frame" / name).read_text(encoding="utf-8")


@dataclass
class _Section:
    """What the search finds: a heading with the text below it, or a row of a table by its first cell."""

    at: str
    page: str
    head: str
    text: str


@dataclass
class _Rendered:
    """HTML of a page, anchor and words of its headings of the second level, and what the search finds."""

    html: str
    headings: list[tuple[str, str]]
    sections: list[_Section]


def _rendered(page: Page) -> _Rendered:
    from markdown_it import MarkdownIt

    parser = MarkdownIt("commonmark").enable("table")
    tokens = [token for token in parser.parse(page.text) if token.type != "html_block"]  # marks of examples
    headings: list[tuple[str, str]] = []
    sections: list[_Section] = []
    taken: set[str] = set()
    for before, token in zip([None, *tokens[:-1]], tokens, strict=True):
        if token.type == "inline":
            _relinked(token)
        if token.type == "inline" and before is not None and before.type == "heading_open":
            words = _plain(token)
            name = _free(anchor(words), taken)
            before.attrSet("id", name)
            sections.append(_Section(f"{page.topic}.html#{name}", page.title, words, ""))
            if before.tag == "h2":
                headings.append((name, words))
        elif token.type in {"inline", "fence"} and sections and not _is_cell(before):
            sections[-1].text += " " + (_plain(token) if token.type == "inline" else token.content)
    sections += _rows(page, tokens, taken)
    for section in sections:
        section.text = " ".join(section.text.split())
    html: str = parser.renderer.render(tokens, parser.options, {})
    # What is wider than the page moves by itself; by the keyboard, too.
    return _Rendered(html.replace("<pre>", '<pre tabindex="0">'), headings, sections)


def _rows(page: Page, tokens: list[Token], taken: set[str]) -> list[_Section]:
    """What the rows of tables say of their first cells; each cell gets its heading, for a narrow page."""
    found: list[_Section] = []
    heads: list[str] = []
    column = 0
    for token, following in zip(tokens, [*tokens[1:], None], strict=True):
        if token.type == "thead_open":
            heads = []
        elif token.type == "tr_open":
            column, row = 0, token
        elif token.type == "th_open" and following is not None:
            heads.append(_plain(following))
        elif token.type == "td_open" and following is not None:
            words = _plain(following)
            token.attrSet("data-head", heads[column])
            if not words:
                token.attrSet("class", "empty")
            if column == 0 and words:
                name = _free(anchor(words) or "row", taken)
                row.attrSet("id", name)
                found.append(_Section(f"{page.topic}.html#{name}", f"{page.title}, {heads[0]}", words, ""))
            elif words:
                found[-1].text += f" {heads[column]}: {words};" if heads[column] != "what" else f" {words};"
            column += 1
    return found


def _is_cell(before: Token | None) -> bool:
    return before is not None and before.type in {"th_open", "td_open"}


def _free(name: str, taken: set[str]) -> str:
    """A name that no other place of the page has: what stands there twice is counted."""
    count = 2
    one = name
    while one in taken:
        one, count = f"{name}-{count}", count + 1
    taken.add(one)
    return one


def _relinked(token: Token) -> None:
    """Lead links and pictures to the files beside the page."""
    for child in token.children or []:
        if child.type == "link_open":
            target = str(child.attrs["href"])
            child.attrSet("href", re.sub(r"^(\w+)\.md(?=#|$)", r"\1.html", target))
        elif child.type == "image":
            child.attrSet("src", str(child.attrs["src"]).removeprefix("pictures/"))


def _plain(token: Token) -> str:
    """The words of a line, without its marks."""
    children = token.children or []
    return "".join(" " if child.type == "softbreak" else child.content for child in children)
