"""Reader of delimited text: whatever delimiter, marks, encoding, preamble and header a bench writes."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diffbench.errors import Place, ReadingError
from diffbench.readers.asked import Asked
from diffbench.readers.protocol import RawColumn, RawTable, Reader
from diffbench.readers.text.blocks import BLOCK_SIZE, Block, TextBlocks, looks_binary
from diffbench.readers.text.layout import HeadLine, Layout, find_layout, head_lines
from diffbench.readers.text.table import AT_ONCE, TextBody
from diffbench.readers.text.wide import narrow, narrowed
from diffbench.recording import LastLine

if TYPE_CHECKING:
    from diffbench.documents import FileSettings

_HEADS = (1 << 14, 1 << 19, 1 << 24)  # bytes of the top searched for a table, until one is found
_LONGEST = 1 << 20  # characters in a line of the top: loggers that write everything have thousands of columns
_MINUS = re.compile(rb"\xe2\x88\x92(?=[\d.,])")  # the typographer's minus before a number


class TextReader(Reader):
    """Delimited text (CSV, TSV and their kin).

    Parameters
    ----------
    block_size : bytes that are held at once, beside the result.
    at_once : bytes of regular lines that are parsed at once.
    asked : which columns are wanted, of a file of very many; None for all.
    """

    name = "delimited text"

    def __init__(
        self, *, block_size: int = BLOCK_SIZE, at_once: int = AT_ONCE, asked: Asked | None = None
    ) -> None:
        self._block_size = block_size
        self._at_once = at_once
        self.asked = asked

    def recognises(self, head: bytes) -> bool:
        """Tell whether it is text in any encoding that can be read."""
        return not looks_binary(head)

    def read_tables(
        self, path: Path, settings: FileSettings, *, rows: int | None = None
    ) -> Iterator[RawTable]:
        """Read a text, every fault with its line; what is to be noted stands in the last table, which has
        between a quarter and five quarters of the rows.
        """
        file = str(path)
        whole = _layout_of(path, settings)
        layout, kept = narrowed(whole, self.asked)
        left_out = tuple(name for i, name in enumerate(whole.names) if kept and i not in kept)
        size = path.stat().st_size
        most = None if rows is None else rows + rows // 4
        body = TextBody(layout, file, size=size, most=most, at_once=self._at_once)
        encoding = "ascii"

        def table(
            columns: tuple[RawColumn, ...],
            lines: NDArray[np.int64],
            notes: tuple[str, ...] = (),
            *,
            more: bool = False,
            last_line: LastLine | None = None,
        ) -> RawTable:
            return RawTable(
                columns,
                lines,
                _details(body.layout, encoding),
                notes,
                header_line=layout.header_line,
                unnamed=layout.header_line is None,
                more=more,
                last_line=last_line,
                left_out=left_out,
            )

        def parts() -> Iterator[RawTable]:
            while rows is not None and len(body) > rows + rows // 4:
                part = body.split(rows)
                # where lines are faulty, the rest is read for its faults alone
                if not body.faults():
                    yield table(*part, more=True)
                del part

        for block in self._table_blocks(path, settings, layout):
            encoding = block.encoding
            if not (block.plain or block.data.isascii()):
                block = replace(block, data=_plain(block.data))  # noqa: PLW2901  the same lines
            body.add(narrow(block, kept, layout) if kept else block)
            yield from parts()
        body.finish()
        yield from parts()
        if faults := body.faults():
            raise ReadingError(faults)
        yield table(*body.columns(), body.notes(), last_line=body.last_line)

    def _table_blocks(self, path: Path, settings: FileSettings, layout: Layout) -> Iterator[Block]:
        """Yield the blocks of the file from the first row of the table on."""
        above = layout.first_line - 1
        for block in TextBlocks(path, settings.encoding, block_size=self._block_size):
            skipped = min(above, block.line_ends)
            above -= skipped
            if not skipped:
                yield block
                continue
            start = 0
            for _ in range(skipped):
                start = block.data.index(b"\n", start) + 1
            if start < len(block.data):
                yield replace(
                    block,
                    first_line=block.first_line + skipped,
                    data=block.data[start:],
                    line_ends=block.line_ends - skipped,
                )


def read_copy(
    reader: TextReader, made: Path, path: Path, settings: FileSettings, *, rows: int | None = None
) -> Iterator[RawTable]:
    """Read a text that was made from another file, ``path``; faults name that one."""
    try:
        yield from reader.read_tables(made, settings, rows=rows)
    except ReadingError as error:
        raise ReadingError(
            [
                replace(fault, place=Place(str(path), fault.place.line, fault.place.column, fault.place.key))
                for fault in error.faults
            ]
        ) from None


def _layout_of(path: Path, settings: FileSettings) -> Layout:
    """Return the layout, from as little of the file's top as shows it."""
    lines: list[HeadLine] = []
    for size in _HEADS:
        try:
            block = next(iter(TextBlocks(path, settings.encoding, block_size=size)))
        except ReadingError:
            # a line that is longer than a short look may be one of very many columns
            if size == _HEADS[-1]:
                raise
            continue
        if not block.data or block.data.isspace():
            break
        lines = head_lines(_plain(block.data).decode())
        for line in lines:
            if len(line.text) > _LONGEST:
                raise ReadingError.single(
                    f"the line is {len(line.text)} characters long, which no recording needs",
                    file=str(path),
                    line=line.number,
                    mend="check that this is a text recording with one sample a line",
                )
        try:
            layout = find_layout(lines, settings, str(path))
        except ReadingError:
            # What a short look cannot tell, a longer one may.
            if block.last or size == _HEADS[-1]:
                raise
            continue
        if layout is not None:
            return layout
        if block.last:
            break
    told = sum(1 for line in lines if line.text.strip())
    if not told:
        raise ReadingError.single(
            "the file is empty", file=str(path), mend="record it again, or name another file"
        )
    # No line of it is shown: a file that is no recording may be anybody's.
    raise ReadingError.single(
        f"no row of numbers was found in {told} lines",
        file=str(path),
        mend="check that the recording was saved with its samples, and that delimiter, decimal and skip_rows "
        "in the rig's [file] are true for it, where they are stated",
    )


def _plain(data: bytes) -> bytes:
    return data if data.isascii() else _MINUS.sub(b"-", data)


def _details(layout: Layout, encoding: str) -> dict[str, str]:
    names = {"\t": "tab", " ": "blanks"}
    details = {
        "encoding": encoding,
        "delimiter": names.get(layout.marks.delimiter, layout.marks.delimiter),
        "decimal": layout.marks.decimal,
        "first line": str(layout.first_line),
    }
    if layout.marks.thousands is not None:
        details["thousands"] = layout.marks.thousands
    if layout.header_line is not None:
        details["header line"] = str(layout.header_line)
    if layout.units_line is not None:
        details["units line"] = str(layout.units_line)
    return details
