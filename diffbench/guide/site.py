"""The guide for a browser: a folder of pages that link each other and can be searched, without any network.

Markdown is rendered by markdown-it-py: CommonMark with tables, small, pure Python, and its tree serves the
terminal as well. A whole documentation system would bring a theme, its own markup and some fifty megabytes.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diffbench.errors import OutputError
from diffbench.guide.pages import FOLDER, Page, every

if TYPE_CHECKING:
    from markdown_it.token import Token

__all__ = ["anchor", "write_site"]

_MARK = '<meta name="generator" content="diffbench guide">'


def anchor(heading: str) -> str:
    """Return the name by which a link leads to a heading, as forges make it.

    Parameters
    ----------
    heading : str
        Its text.

    Returns
    -------
    Lower case, hyphens for blanks, no punctuation.

    Examples
    --------
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

    from diffbench import __version__
    from diffbench.whole_files import write_whole

    start = directory / "index.html"
    if start.is_file() and _MARK not in start.read_text(encoding="utf-8", errors="replace"):
        raise OutputError.single(
            "is there already and is no page of this guide", file=str(start), mend="name another folder"
        )
    pages = every()
    loader = FileSystemLoader(FOLDER / "site")
    environment = Environment(autoescape=True, loader=loader, undefined=StrictUndefined, trim_blocks=True)
    template = environment.get_template("page.html.j2")
    shared = {"pages": pages, "version": __version__, "css": _asset("site.css"), "mark": _MARK}
    contents: dict[str, bytes] = {}
    index: list[dict[str, str]] = []
    for number, page in enumerate(pages):
        body, headings = _rendered(page)
        index += _sections(page)
        neighbours = {
            "before": pages[number - 1] if number else None,
            "after": pages[number + 1] if number + 1 < len(pages) else None,
        }
        text = template.render(page=page, body=body, headings=headings, **neighbours, **shared)
        contents[f"{page.topic}.html"] = text.encode()
    contents |= {path.name: path.read_bytes() for path in sorted((FOLDER / "pictures").glob("*.png"))}
    search = f"const SECTIONS = {json.dumps(index, ensure_ascii=False)};\n{_asset('search.js')}"
    contents["search.js"] = search.encode()
    home = template.render(page=None, body="", headings=[], before=None, after=None, **shared)
    contents["index.html"] = home.encode()
    return write_whole(directory, contents)


def _asset(name: str) -> str:
    return (FOLDER / "site" / name).read_text(encoding="utf-8")


def _parsed(page: Page) -> tuple[Any, list[Token]]:
    from markdown_it import MarkdownIt

    parser = MarkdownIt("commonmark").enable("table")
    return parser, parser.parse(page.text)


def _rendered(page: Page) -> tuple[str, list[tuple[str, str]]]:
    """HTML of a page, and anchor and text of its headings of the second level."""
    parser, tokens = _parsed(page)
    headings: list[tuple[str, str]] = []
    kept: list[Token] = []
    for token, following in zip(tokens, [*tokens[1:], None], strict=True):
        if token.type == "html_block":
            continue  # marks of examples and tables
        if token.type == "heading_open" and following is not None:
            words = _plain(following)
            token.attrSet("id", anchor(words))
            if token.tag == "h2":
                headings.append((anchor(words), words))
        for child in token.children or []:
            if child.type == "link_open":
                target = str(child.attrs["href"])
                child.attrSet("href", re.sub(r"^(\w+)\.md(?=#|$)", r"\1.html", target))
            elif child.type == "image":
                child.attrSet("src", str(child.attrs["src"]).removeprefix("pictures/"))
        kept.append(token)
    html = parser.renderer.render(kept, parser.options, {})
    # A wide table moves by itself, not the page; by the keyboard, too.
    html = html.replace("<table>", '<div class="wide" tabindex="0"><table>').replace(
        "</table>", "</table></div>"
    )
    return html.replace("<pre>", '<pre tabindex="0">'), headings


def _sections(page: Page) -> list[dict[str, str]]:
    """What the search looks through: each heading with the text below it."""
    _, tokens = _parsed(page)
    found: list[dict[str, str]] = []
    for before, token in zip([None, *tokens[:-1]], tokens, strict=True):
        if token.type == "inline" and before is not None and before.type == "heading_open":
            words = _plain(token)
            found.append(
                {"at": f"{page.topic}.html#{anchor(words)}", "page": page.title, "head": words, "text": ""}
            )
        elif token.type in {"inline", "fence"} and found:
            found[-1]["text"] += " " + (_plain(token) if token.type == "inline" else token.content)
    return [{key: " ".join(text.split()) for key, text in section.items()} for section in found]


def _plain(token: Token) -> str:
    """The words of a line, without its marks."""
    children = token.children or []
    return "".join(" " if child.type == "softbreak" else child.content for child in children)
