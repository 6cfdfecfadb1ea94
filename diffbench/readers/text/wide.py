"""A text of very many columns, made narrow before it is parsed: a logger that writes everything makes lines
of thousands of cells, of which a rig asks for ten.

Of each line the wanted cells are kept, found by the places of the delimiters. A line that has another count
of cells, quotes or comments is looked at by itself, so that a fault in it is told as in any other text.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from diffbench.readers.asked import WIDE, Asked
from diffbench.readers.text.blocks import Block
from diffbench.readers.text.cells import split_cells
from diffbench.readers.text.layout import Layout, has_comment, is_comment

_MUCH = 4  # times more columns than are kept


def narrowed(layout: Layout, asked: Asked | None) -> tuple[Layout, tuple[int, ...]]:
    """The layout of the columns that are asked for, and their places; the layout itself, and no place, where
    there is little to leave out.

    The first column and the last one stay, by which a line that breaks off is known.
    """
    count = len(layout.names)
    if asked is None or count < WIDE or layout.marks.delimiter == " ":
        return layout, ()
    kept = sorted({0, *(i for i, name in enumerate(layout.names) if asked(name)), count - 1})
    if _MUCH * len(kept) > count:
        return layout, ()
    some = replace(
        layout,
        names=tuple(layout.names[i] for i in kept),
        units=tuple(layout.units[i] for i in kept),
        numeric=tuple(layout.numeric[i] for i in kept),
        cells=len(kept),
        marks=replace(layout.marks, cells=len(kept)),
        of=layout.cells,
    )
    return some, tuple(kept)


def narrow(block: Block, kept: Sequence[int], layout: Layout) -> Block:
    """A block with the wanted cells of each line; ``layout`` is the narrow one."""
    data = block.data
    mark = layout.marks.delimiter.encode()
    made = None
    if len(mark) == 1 and b'"' not in data and not has_comment(data):
        made = _by_place(data.replace(b"\r\n", b"\n"), kept, mark, layout.of or 0)
    if made is None:
        lines = data.split(b"\n")
        last = max((i for i, line in enumerate(lines) if line.strip()), default=-1) if block.last else -1
        made = b"\n".join(_one(line, kept, layout, cut=i == last) for i, line in enumerate(lines))
    return replace(block, data=made)


def _by_place(data: bytes, kept: Sequence[int], mark: bytes, cells: int) -> bytes | None:
    """The wanted cells, where every line has its count of them; else None."""
    ended = data.endswith(b"\n")
    characters = np.frombuffer(data if ended else data + b"\n", dtype=np.uint8)
    ends = np.flatnonzero((characters == mark[0]) | (characters == 0x0A))
    if len(ends) % cells or np.any(characters[ends[cells - 1 :: cells]] != 0x0A):
        return None
    if np.count_nonzero(characters == 0x0A) != len(ends) // cells:
        return None
    table = ends.reshape(-1, cells)
    starts = np.concatenate([[-1], ends[:-1]]).reshape(-1, cells) + 1
    pairs = zip(starts[:, list(kept)].tolist(), table[:, list(kept)].tolist(), strict=True)
    lines = [mark.join([data[a:b] for a, b in zip(*pair, strict=True)]) for pair in pairs]
    return b"\n".join(lines) + (b"\n" if ended else b"")


def _one(line: bytes, kept: Sequence[int], layout: Layout, *, cut: bool) -> bytes:
    text = line.decode().removesuffix("\r")
    if not text.strip() or is_comment(text):
        return line
    mark = layout.marks.delimiter
    cells = split_cells(text, mark)
    if len(cells) != layout.of and not (cut and len(cells) < (layout.of or 0)):
        return line  # whole: its count of cells is wrong, and is told
    some = [cells[i] for i in kept if i < len(cells)]
    quoted = ['"' + cell.replace('"', '""') + '"' if '"' in text else cell for cell in some]
    return mark.join(quoted).encode()
