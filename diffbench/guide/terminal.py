"""A page for the terminal: wrapped to its width, tables in columns."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from markdown_it.tree import SyntaxTreeNode


_GAP = 2
_NARROWEST = 8  # columns of a table that are narrower than this break words
Style = Callable[[str, str], str]


def as_text(markdown: str, *, width: int, colour: bool) -> str:
    """Return a page as plain text.

    Parameters
    ----------
    markdown : str
        The page: CommonMark with tables.
    width : int
        Columns of the terminal.
    colour : bool
        Whether headings and code are styled (ECMA-48).

    Returns
    -------
    The text, without a line break at its end.

    Examples
    --------
    >>> print(as_text("# Map\\n\\nOne *number*, see [units](units.md).", width=40, colour=False))
    Map
    ===
    <BLANKLINE>
    One number, see units (diffbench guide units).
    """
    from markdown_it import MarkdownIt
    from markdown_it.tree import SyntaxTreeNode

    def style(text: str, code: str) -> str:
        return f"\x1b[{code}m{text}\x1b[0m" if colour else text

    tree = SyntaxTreeNode(MarkdownIt("commonmark").enable("table").parse(markdown))
    return "\n\n".join(_blocks(tree.children, max(width, 40), style))


def _blocks(nodes: Iterable[SyntaxTreeNode], width: int, style: Style) -> list[str]:
    """The blocks that print anything."""
    texts = (_block(node, width, style) for node in nodes)
    return [text for text in texts if text]


def _block(node: SyntaxTreeNode, width: int, style: Style) -> str:
    """Text of a block; none of a comment, which marks an example or a table."""
    text = ""
    if node.type == "heading":
        text = textwrap.fill(_inline(node), width)
        rule = {"h1": "=", "h2": "-"}.get(node.tag)
        rule = f"\n{rule * max(map(len, text.splitlines()))}" if rule else ""
        text = style(text, "1") + rule
    elif node.type == "paragraph":
        text = textwrap.fill(_inline(node), width, break_long_words=False, break_on_hyphens=False)
    elif node.type == "fence":
        text = "\n".join(style(f"    {line}", "36") for line in node.content.rstrip("\n").splitlines())
    elif node.type in {"bullet_list", "ordered_list"}:
        text = "\n".join(_item(item, mark, width, style) for item, mark in _marked(node))
    elif node.type == "table":
        rows = [[_inline(cell) for cell in row.children] for part in node.children for row in part.children]
        text = _table(rows, width, style)
    return text


def _marked(node: SyntaxTreeNode) -> list[tuple[SyntaxTreeNode, str]]:
    ordered = node.type == "ordered_list"
    return [(item, f"{number}. " if ordered else "- ") for number, item in enumerate(node.children, 1)]


def _item(item: SyntaxTreeNode, mark: str, width: int, style: Style) -> str:
    inner = "\n".join(_blocks(item.children, width - len(mark), style))
    return mark + textwrap.indent(inner, " " * len(mark))[len(mark) :]


def _inline(node: SyntaxTreeNode) -> str:
    """Text of a node on one line: a link to a page says how to come there."""
    if node.type in {"text", "code_inline"}:
        return node.content
    if node.type in {"softbreak", "hardbreak"}:
        return " "
    if node.type == "image":
        return f"[Picture: {node.content}]"
    text = "".join(_inline(child) for child in node.children)
    if node.type == "link":
        target = str(node.attrs["href"])
        topic = re.fullmatch(r"(\w+)\.md(#.*)?", target)
        if topic:
            return f"{text} (diffbench guide {topic[1]})"
        return text if target.startswith("#") or target == text else f"{text} <{target}>"
    return text


def _table(rows: Sequence[Sequence[str]], width: int, style: Style) -> str:
    """Columns as wide as they need, the widest ones shortened until all fit; stacked where none can."""
    count = len(rows[0])
    widths = [max(len(row[i]) for row in rows) for i in range(count)]
    longest = [max(len(word) for row in rows for word in row[i].split(" ")) for i in range(count)]
    room = width - _GAP * (count - 1)
    while sum(widths) > room:
        spare = [have - max(_NARROWEST, min(need, 24)) for have, need in zip(widths, longest, strict=True)]
        if max(spare) <= 0:
            return _stacked(rows, width, style)
        widths[max(range(count), key=lambda i: (spare[i] > 0) * widths[i])] -= 1
    lines: list[str] = []
    for number, row in enumerate(rows):
        cells = [
            textwrap.wrap(cell, have, break_on_hyphens=False) or [""]
            for cell, have in zip(row, widths, strict=True)
        ]
        for k in range(max(map(len, cells))):
            parts = [
                (cell[k] if k < len(cell) else "").ljust(have)
                for cell, have in zip(cells, widths, strict=True)
            ]
            line = (" " * _GAP).join(parts).rstrip()
            lines.append(style(line, "1") if number == 0 else line)
        if number == 0:
            lines.append((" " * _GAP).join("-" * have for have in widths))
    return "\n".join(lines)


def _stacked(rows: Sequence[Sequence[str]], width: int, style: Style) -> str:
    """Row below row, each cell with its heading: for a terminal too narrow for the columns."""
    head, *body = rows
    blocks = []
    for row in body:
        lines = [style(textwrap.fill(row[0], width), "1")]
        for name, cell in zip(head[1:], row[1:], strict=True):
            if cell:
                text = f"{name}: {cell}" if name else cell
                lines.append(textwrap.fill(text, width, initial_indent="  ", subsequent_indent="    "))
        blocks.append("\n".join(lines))
    return "\n".join(blocks)
