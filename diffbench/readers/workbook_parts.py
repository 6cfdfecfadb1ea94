"""The parts of a workbook, looked through before its library unpacks them into memory."""

from __future__ import annotations

import re
import zipfile
from pathlib import Path

from diffbench.errors import ReadingError
from diffbench.readers.foreign import guarded

LIMIT = 1 << 28  # bytes that all parts unpack to at most: a sheet of a million rows and five columns
MOST_CELLS = 15_000_000  # rows times columns of one sheet: the library keeps empty cells, too
_PIECE = 1 << 20
_OVERLAP = 256  # bytes of the piece before, so that nothing is cut in two
_PLACE = re.compile(rb"""\br\s*=\s*["']([A-Z]{0,3})([0-9]{1,7})["']""")
_NOT_COMPUTED = re.compile(rb"</(?:\w+:)?f>\s*(?:<(?:\w+:)?v\s*/>|<(?:\w+:)?v>\s*</|</(?:\w+:)?c>)")
_ERROR = re.compile(rb"""<(?:\w+:)?c\b[^>]*\bt\s*=\s*["']e["']""")


def look_through(path: Path) -> tuple[str, ...]:
    """Refuse a workbook that would not fit into memory, and tell which cells have no value.

    Parameters
    ----------
    path : Path
        A workbook in an archive.

    Returns
    -------
    Notes on formulas that nobody computed, and on cells that hold an error.

    Raises
    ------
    ReadingError : when the archive is damaged, unpacks to more than `LIMIT`, is no Excel workbook of this
        kind, or has a sheet of more than `MOST_CELLS`.
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
                    formulas += len(_NOT_COMPUTED.findall(text))
                    errors += len(_ERROR.findall(text))
                    tail = _rest(text)
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
