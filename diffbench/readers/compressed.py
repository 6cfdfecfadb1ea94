"""Reader of compressed text: gzip, xz, Zstandard, and a ZIP archive that holds one file.

Every one of them must prove its end: what is cut off is refused, and not read as if it were all.
"""

from __future__ import annotations

import gzip
import lzma
import tempfile
import zipfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diffbench.errors import ReadingError
from diffbench.readers.child import text_by_child
from diffbench.readers.libraries import damaged, guarded, library, require
from diffbench.readers.protocol import RawTable, Reader
from diffbench.readers.text.blocks import looks_binary
from diffbench.readers.text.reader import TextReader, read_copy

if TYPE_CHECKING:
    from diffbench.documents import FileSettings

LIMIT = 1 << 30  # bytes of text that are unpacked at most: two hours of ten channels at 1 kHz
_KINDS = {
    b"\x1f\x8b": "gzip",
    b"\xfd7zXZ\x00": "xz",
    b"\x28\xb5\x2f\xfd": "Zstandard",
    b"PK\x03\x04": "ZIP",
    b"PK\x05\x06": "ZIP",  # an archive without members
}
_PIECE = 1 << 18  # bytes unpacked at once
_FEW = 1 << 10  # bytes of Zstandard unpacked at once: they may hold 32 MB
_HEAD = 1 << 12  # bytes that must look like text before more is unpacked
_MEMORY = 1 << 28  # bytes that an unpacker may take for what it looks back on
_WORKBOOK_PARTS = (b"[Content_Types].xml", b"_rels/", b"docProps/", b"xl/", b"mimetypeapplication/vnd.")


def is_workbook(head: bytes) -> bool:
    """Whether a ZIP archive is an office document, by the name of its first member.

    >>> is_workbook(b"PK\\x03\\x04" + bytes(26) + b"[Content_Types].xml")
    True
    """
    return head.startswith(b"PK\x03\x04") and head.startswith(_WORKBOOK_PARTS, 30)


class CompressedTextReader(Reader):
    """Compressed text.

    Parameters
    ----------
    limit : bytes of text that are unpacked at most.
    """

    name = "compressed text"

    def __init__(self, *, limit: int = LIMIT) -> None:
        self._limit = limit

    def recognises(self, head: bytes) -> bool:
        """Tell whether it begins with the mark of gzip, xz, Zstandard or ZIP, and is no workbook."""
        return head.startswith(tuple(_KINDS)) and not is_workbook(head)

    def read_tables(
        self, path: Path, settings: FileSettings, *, rows: int | None = None
    ) -> Iterator[RawTable]:
        """Unpack a file, and read the text in it; lines are those of the text."""
        with path.open("rb") as file:
            head = file.read(8)
        kind = next((kind for mark, kind in _KINDS.items() if head.startswith(mark)), None)
        if kind is None:
            raise damaged(path, self.name, "it begins with no mark of a compressed file")
        with self._unpacked(path, kind) as copy:
            for table in read_copy(TextReader(asked=self.asked), copy, path, settings, rows=rows):
                yield replace(table, details={"compression": kind, **table.details})

    @contextmanager
    def _unpacked(self, path: Path, kind: str) -> Iterator[Path]:
        if kind == "Zstandard":
            require("zstandard", extra="zstd", path=path)
            with text_by_child(path, kind, __name__, {"limit": str(self._limit)}) as (copy, _):
                yield copy
            return
        pieces = {"gzip": _gzip, "xz": _xz, "ZIP": _zip}[kind](path)
        with tempfile.TemporaryDirectory(prefix="diffbench-") as folder:
            copy = Path(folder) / "text"
            guarded(path, kind, lambda: unpack(pieces, copy, path, self._limit), lzma.LZMAError)
            yield copy


def unpack(pieces: Iterator[bytes], copy: Path, path: Path, limit: int) -> None:
    """Write what is unpacked to a file. Raises `ReadingError` at the first sign that it is no text, or more
    than ``limit`` bytes.
    """
    size = 0
    with copy.open("wb") as target:
        for piece in pieces:
            if not size and looks_binary(piece[:_HEAD]):
                raise ReadingError.single(
                    "what is compressed in it is no text",
                    file=str(path),
                    mend="unpack it, and name the recording itself",
                )
            size += len(piece)
            if size > limit:
                raise ReadingError.single(
                    f"it unpacks to more than {limit >> 20} MiB, and no more is unpacked here",
                    file=str(path),
                    mend="unpack it and name the text itself, or cut the recording",
                )
            target.write(piece)


def _gzip(path: Path) -> Iterator[bytes]:
    with gzip.open(path) as file:
        while piece := file.read(_PIECE):
            yield piece


def _xz(path: Path) -> Iterator[bytes]:
    with path.open("rb") as file:
        unpacker = lzma.LZMADecompressor(lzma.FORMAT_XZ, memlimit=_MEMORY)
        data = file.read(_PIECE)
        while True:
            if unpacker.eof:
                # Streams may follow each other, with zeros between.
                data = (unpacker.unused_data or file.read(_PIECE)).lstrip(b"\0")
                if not data:
                    return
                unpacker = lzma.LZMADecompressor(lzma.FORMAT_XZ, memlimit=_MEMORY)
            piece = unpacker.decompress(data, max_length=_PIECE)
            data = b""
            if piece:
                yield piece
            if unpacker.needs_input and not unpacker.eof:
                data = file.read(_PIECE)
                if not data:
                    msg = "it ends before the end of what is compressed in it"
                    raise EOFError(msg)


def write_text(path: Path, copy: Path, stated: Mapping[str, str | None]) -> dict[str, str]:
    """Unpack a Zstandard file, in this process; ``stated`` has the ``limit`` in bytes. Raises `ReadingError`
    when it is damaged or cut off, holds no text, or unpacks to more.
    """
    guarded(path, "Zstandard", lambda: unpack(_zstandard(path), copy, path, int(stated["limit"] or LIMIT)))
    return {}


def _zstandard(path: Path) -> Iterator[bytes]:
    zstandard = library("zstandard", extra="zstd", path=path)
    unpacker: Any = None
    with path.open("rb") as file:
        while data := file.read(_FEW):
            while data:
                if unpacker is None:
                    unpacker = zstandard.ZstdDecompressor(max_window_size=_MEMORY >> 1).decompressobj()
                try:
                    piece = unpacker.decompress(data)
                except zstandard.ZstdError as error:
                    raise ValueError(str(error)) from None
                if piece:
                    yield piece
                # Frames may follow each other.
                data = unpacker.unused_data if unpacker.eof else b""
                unpacker = None if unpacker.eof else unpacker
    if unpacker is not None:
        msg = "it ends before the end of what is compressed in it"
        raise EOFError(msg)


def _zip(path: Path) -> Iterator[bytes]:
    with zipfile.ZipFile(path) as archive:
        # What a certain system adds to archives for its own use is no recording.
        members = [
            member
            for member in archive.infolist()
            if not member.is_dir() and not member.filename.startswith("__MACOSX/")
        ]
        if len(members) != 1:
            names = ", ".join(f"'{member.filename}'" for member in members[:5]) + ", ..." * (len(members) > 5)
            raise ReadingError.single(
                f"the archive holds {len(members)} files: {names}" if members else "the archive is empty",
                file=str(path),
                mend="unpack it and name each recording, or pack one file alone",
            )
        member = members[0]
        if member.flag_bits & 1 or member.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise ReadingError.single(
                "the archive is encrypted, or packed in a way that is not read here",
                file=str(path),
                mend="unpack it, and name the recording itself",
            )
        with archive.open(member) as file:
            while piece := file.read(_PIECE):
                yield piece
