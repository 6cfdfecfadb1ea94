"""A document as a workbook, for people who live in spreadsheets: its words on one sheet, a sheet for each
table, and every number in full on the last one."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from diffbench.errors import OutputError
from diffbench.report.document import Block, Document, Figure, Literally, Sentence, Table

if TYPE_CHECKING:
    from openpyxl import Workbook


#: What a spreadsheet allows: characters of a sheet's name, of a cell, and rows of numbers in full.
LONGEST_NAME = 31
LONGEST_CELL = 32_000
MOST_ROWS = 100_000
WIDEST = 60
_FORBIDDEN = re.compile(r"[\[\]:*?/\\]")
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?(?:e-?\d+)?")

Cell = str | float | int | bool | None


def workbook_of(document: Document, full: Mapping[str, Any]) -> bytes:
    """A document as the bytes of a workbook (Office Open XML).

    Parameters
    ----------
    document : Document
        Words and tables; a cell that is a plain number is one.
    full : mapping
        What the document was made of, as plain values: path and value go on the last sheet, numbers in full,
        as far as a sheet reaches.

    Returns
    -------
    The bytes. No text is taken for a formula.

    Raises
    ------
    OutputError
        The library that writes workbooks is not there.
    """
    try:
        from openpyxl import Workbook
    except ImportError as error:
        raise OutputError.single(
            "a workbook needs openpyxl, which is not installed", mend="pip install 'diffbench[workbook]'"
        ) from error
    made = Workbook()
    words = made.active
    assert words is not None
    words.title = "words"
    _fill(words, [(document.title,), *((line,) for line in _words(document))])
    for table in _tables(document):
        head = [table.head] if any(table.head) else []
        rows = [[_cell(cell) for cell in row] for row in table.rows]
        _fill(made.create_sheet(_name(made, table.caption)), [*head, *rows], bold=len(head))
    rows = [[path, value] for path, value in _flat(full, "")][:MOST_ROWS]
    _fill(made.create_sheet(_name(made, "in full")), [("path", "value"), *rows], bold=1)
    buffer = io.BytesIO()
    made.save(buffer)
    return buffer.getvalue()


def _words(document: Document) -> Iterator[str]:
    for section in document.sections:
        if section.blocks and section.heading:
            yield section.heading
        for block in section.blocks:
            if isinstance(block, Sentence):
                yield " ".join(filter(None, (block.first.strip(), block.text, block.aside)))
            elif isinstance(block, Literally):
                yield from block.text.splitlines()


def _tables(document: Document) -> Iterator[Table]:
    for section in document.sections:
        for block in section.blocks:
            found = _table_of(block)
            if found is not None and found.rows:
                yield (
                    found
                    if found.caption
                    else Table(section.heading or document.title, found.head, found.rows)
                )


def _table_of(block: Block) -> Table | None:
    if isinstance(block, Figure):
        return block.table
    return block if isinstance(block, Table) else None


def _flat(value: Any, path: str) -> Iterator[tuple[str, Cell]]:
    """Every value of plain values, by its path.

    >>> list(_flat({"a": [1, {"b": None}]}, ""))
    [('a.0', 1), ('a.1.b', None)]
    """
    if isinstance(value, Mapping):
        for key, part in value.items():
            yield from _flat(part, f"{path}.{key}" if path else str(key))
    elif isinstance(value, Sequence) and not isinstance(value, str):
        for i, part in enumerate(value):
            yield from _flat(part, f"{path}.{i}")
    else:
        yield path, value


def _cell(text: str) -> Cell:
    """A number where a cell is one and nothing else.

    >>> _cell("\u22123.20"), _cell("81.7 N·m"), _cell("2026-04-14")
    (-3.2, '81.7 N·m', '2026-04-14')
    """
    plain = text.replace("\u2212", "-")
    return float(plain) if _NUMBER.fullmatch(plain) else text


def _name(made: Workbook, caption: str) -> str:
    """A name that no other sheet has."""
    name = _CONTROL.sub("", _FORBIDDEN.sub(" ", caption)).strip("' ")[:LONGEST_NAME] or "table"
    taken, count = {title.lower() for title in made.sheetnames}, 2
    tried = name
    while tried.lower() in taken:
        tried = f"{name[: LONGEST_NAME - 4]} {count}"
        count += 1
    return tried


def _fill(sheet: Any, rows: Sequence[Sequence[Cell]], *, bold: int = 0) -> None:
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    widths: dict[int, int] = {}
    for i, row in enumerate(rows, 1):
        for j, value in enumerate(row, 1):
            cell = sheet.cell(i, j)
            if isinstance(value, str):
                cell.value = _CONTROL.sub("", value)[:LONGEST_CELL]
                # a text that begins like a formula stays a text
                cell.data_type = "s"
            else:
                cell.value = value
            if i <= bold:
                cell.font = Font(bold=True)
            widths[j] = min(max(widths.get(j, 0), len(str(value))), WIDEST)
    for j, wide in widths.items():
        sheet.column_dimensions[get_column_letter(j)].width = wide + 2
    if bold:
        sheet.freeze_panes = "A2"
