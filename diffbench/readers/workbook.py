"""Reader of Excel workbooks: one sheet, laid out as a text recording would be."""

from __future__ import annotations

import datetime as dt
import difflib
import math
import re
import zipfile
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diffbench.errors import ReadingError
from diffbench.readers.child import text_by_child
from diffbench.readers.compressed import is_workbook
from diffbench.readers.libraries import damaged, guarded, library, require
from diffbench.readers.protocol import RawTable, Reader
from diffbench.readers.text.reader import TextReader, read_copy

if TYPE_CHECKING:
    from diffbench.documents import FileSettings

LIMIT = 1 << 28  # bytes that all parts unpack to at most: a sheet of a million rows and five columns
MOST_CELLS = 15_000_000  # rows times columns of one sheet: the library keeps empty cells, too
_PIECE = 1 << 20
_OVERLAP = 256  # bytes of the piece before, so that nothing is cut in two
_PLACE = re.compile(rb"""\br\s*=\s*["']([A-Z]{0,3})([0-9]{1,7})["']""")
_NOT_COMPUTED = re.compile(rb"</(?:\w+:)?f>\s*(?:<(?:\w+:)?v\s*/>|<(?:\w+:)?v>\s*</|</(?:\w+:)?c>)")
_ERROR = re.compile(rb"""<(?:\w+:)?c\b[^>]*\bt\s*=\s*["']e["']""")


def look_through(path: Path) -> tuple[str, ...]:
    """Refuse a workbook that would not fit into memory, and return notes on formulas that nobody computed,
    and on cells that hold an error.

    Raises `ReadingError` when the archive is damaged, unpacks to more than `LIMIT`, is no Excel workbook of
    this kind, or has a sheet of more than `MOST_CELLS`.
    """
    formulas, errors = guarded(path, "workbook", lambda: _counted(path))
    notes = []
    if formulas:
        notes.append(
            f"{formulas} cells of the workbook hold formulas that nobody computed: they count as missing. "
            "Open and save it in a spreadsheet program."
        )
    if errors:
        notes.append(f"{errors} cells of the workbook hold an error, as #DIV/0!: they count as missing.")
    return tuple(notes)


def _counted(path: Path) -> tuple[int, int]:
    """Return how many formulas without value and how many errors the sheets hold."""
    formulas, errors = 0, 0
    left = LIMIT
    with zipfile.ZipFile(path) as archive:
        parts = archive.infolist()
        if not any(part.filename == "xl/workbook.xml" for part in parts):
            raise ReadingError.single(
                "the file is an office document, but no workbook of the kinds .xlsx, .xlsm and .xls",
                file=str(path),
                mend="save it as .xlsx, or as text",
            )
        for part in parts:
            is_sheet = part.filename.startswith("xl/worksheets/")
            rows, width = 0, 0
            tail = b""
            with archive.open(part) as file:
                while piece := file.read(_PIECE):
                    left -= len(piece)
                    if left < 0:
                        raise _too_large(path, f"it unpacks to more than {LIMIT >> 20} MiB")
                    if not is_sheet:
                        continue
                    text = tail + piece
                    for letters, number in _PLACE.findall(text):
                        rows = max(rows, int(number))
                        width = max(width, _column(letters))
                    tail = _rest(text)
                    whole = text.removesuffix(tail)  # a cell that the next piece closes counts there
                    formulas += len(_NOT_COMPUTED.findall(whole))
                    errors += len(_ERROR.findall(whole))
            if rows * width > MOST_CELLS:
                raise _too_large(path, f"a sheet reaches over {rows:,} rows and {width:,} columns")
    return formulas, errors


def _rest(text: bytes) -> bytes:
    """Return the end of a piece that the next one needs: from the last cell that is not closed."""
    start = text.rfind(b"<c", max(0, len(text) - _OVERLAP))
    closed = text.rfind(b"</c>", max(0, len(text) - _OVERLAP))
    return text[start:] if start > closed else b""


def _column(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = 26 * number + letter - ord("A") + 1
    return number


def _too_large(path: Path, what: str) -> ReadingError:
    return ReadingError.single(
        what,
        file=str(path),
        mend="delete what is not part of the recording, or save the sheet as text",
    )


_OLD = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"  # compound file: .xls, and encrypted workbooks
_LEAST_ROWS = 2  # rows with two numbers or more that make a sheet a recording


class WorkbookReader(Reader):
    """Excel workbooks (``.xlsx``, ``.xlsm``, ``.xls``)."""

    name = "workbook"

    def recognises(self, head: bytes) -> bool:
        """Tell whether its first member is one of a workbook's, or its mark the older format's."""
        return head.startswith(_OLD) or is_workbook(head)

    def read_tables(
        self, path: Path, settings: FileSettings, *, rows: int | None = None
    ) -> Iterator[RawTable]:
        """Read one sheet, whole: the one that the rig's `sheet` names, else the only one with a recording.

        `skip_rows`, `units_row` and `decimal` (of numbers that are texts) hold as for text; rows are the
        sheet's own.
        """
        require("python_calamine", extra="excel", path=path)
        with path.open("rb") as file:
            zipped = file.read(4) == b"PK\x03\x04"
        notes = look_through(path) if zipped else ()
        decimal = settings.decimal or "."
        with text_by_child(path, self.name, __name__, {"sheet": settings.sheet, "decimal": decimal}) as made:
            copy, says = made
            # Tabs and points are ours, whatever the rig says of its text files.
            own = {"delimiter": "\t", "encoding": "utf-8", "decimal": decimal}
            (table,) = read_copy(TextReader(), copy, path, settings.model_copy(update=own))
        yield RawTable(
            table.columns,
            table.rows,
            {"sheet": says["sheet"]},
            (*notes, *table.notes),
            table.header_line,
            unnamed=table.unnamed,
        )


def write_text(path: Path, copy: Path, stated: Mapping[str, str | None]) -> dict[str, str]:
    """Write one sheet as text, in this process, one row a line, tabs between; return the ``sheet`` that it
    was.

    ``stated`` has ``sheet``, a name or nothing, and ``decimal``, the mark that numbers get. Raises
    `ReadingError` when the workbook is damaged or has no such sheet.
    """
    calamine = library("python_calamine", extra="excel", path=path)

    def write() -> dict[str, str]:
        with calamine.load_workbook(str(path)) as book:
            sheets = {
                meta.name: book.get_sheet_by_name(meta.name)
                for meta in book.sheets_metadata
                if meta.typ == calamine.SheetTypeEnum.WorkSheet
            }
            name = _chosen(sheets, stated["sheet"], path)
            with copy.open("w", encoding="utf-8", newline="\n") as file:
                for row in _rows(sheets[name]):
                    file.write(_line(row, stated["decimal"] or ".") + "\n")
        return {"sheet": name}

    try:
        return guarded(path, WorkbookReader.name, write, calamine.CalamineError)
    except BaseException as error:
        # The library's own language has an exception that is none of Python's tree.
        if type(error).__name__ == "PanicException":
            raise damaged(path, WorkbookReader.name, str(error)[:200]) from None
        raise


def _rows(sheet: Any) -> Iterable[list[Any]]:
    """Return the rows of a sheet from its first one on, empty ones among them."""
    rows: list[list[Any]] = sheet.to_python(skip_empty_area=False)
    return rows


def _chosen(sheets: dict[str, Any], stated: str | None, path: Path) -> str:
    """Return the name of the sheet to read."""
    names = ", ".join(f"'{name}'" for name in sheets)
    if stated is not None:
        if stated in sheets:
            return stated
        near = difflib.get_close_matches(stated, sheets, n=1)
        offer = f"'{near[0]}'" if near else f"one of {names}"
        raise ReadingError.single(
            f"there is no sheet '{stated}', which the rig states",
            file=str(path),
            key="file.sheet",
            mend=f"write {offer} in the rig's [file]",
        )
    if len(sheets) == 1:
        return next(iter(sheets))
    full = [name for name, sheet in sheets.items() if _holds_numbers(sheet)]
    if len(full) == 1:
        return full[0]
    what = f"{len(full)} sheets hold numbers" if full else "no sheet holds rows of numbers"
    raise ReadingError.single(
        f"{what}, of {names}" if names else "the workbook has no sheets",
        file=str(path),
        mend=f'state which one to read in the rig\'s [file]: sheet = "{(full or [*sheets, "Sheet1"])[0]}"',
    )


def _holds_numbers(sheet: Any) -> bool:
    rows = 0
    for row in _rows(sheet):
        rows += sum(isinstance(cell, float | int) for cell in row) >= 2
        if rows >= _LEAST_ROWS:
            return True
    return False


def _line(row: list[Any], decimal: str) -> str:
    cells = [_cell(value, decimal) for value in row]
    told = [cell for cell in cells if cell]
    if len(told) <= 1 and not any(isinstance(value, float | int) for value in row):
        return "".join(told)  # a title: as text it would have no cells behind it
    return "\t".join(cells)


def _cell(value: Any, decimal: str) -> str:
    """Return one cell as text."""
    if isinstance(value, str):
        text = " ".join(value.split())
        return '"' + text.replace('"', '""') + '"' if '"' in text else text
    if isinstance(value, bool):
        return str(int(value))
    if isinstance(value, float | int):
        text = repr(float(value)) if math.isfinite(value) else ""
        return text.removesuffix(".0").replace(".", decimal)
    if isinstance(value, dt.datetime | dt.time):
        return value.isoformat()
    if isinstance(value, dt.timedelta):
        return repr(value.total_seconds()).replace(".", decimal)
    return str(value)
