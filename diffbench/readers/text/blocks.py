"""The bytes of a text file as blocks of whole lines in UTF-8, whatever the encoding, in bounded memory.

Encoding: byte-order mark, else strict UTF-8, else cp1252, and the rig's word over all. Statistics of letters
fail on files that are nearly all digits.
"""

from __future__ import annotations

import codecs
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from diffbench.errors import ReadingError

BLOCK_SIZE = 1 << 20  # bytes read at once: small enough to stay in the processor's cache
FALLBACK = "cp1252"  # what Windows loggers in western Europe and America write
_BOMS = (  # the longer mark first: UTF-32's begins with UTF-16's
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_WIDE = {"utf-16": "utf-16-le", "utf-32": "utf-32-le"}
_LINE_END, _BLANK = 0x0A, 0x20
_CONTROLS = bytes({*range(0x20)} - {*b"\t\n\v\f\r\x1a\x1b"})


@dataclass(frozen=True)
class Block:
    """Whole lines of a file.

    Parameters
    ----------
    first_line : line number of the first line, counted from 1.
    data : the lines in UTF-8, ended by ``\\n`` or ``\\r\\n`` (the file's last line perhaps not).
    encoding : what the bytes were taken for.
    last : whether the file ends with this block.
    line_ends : how many line ends the data has.
    plain : whether it is known to be ASCII without controls but ``\n``.
    """

    first_line: int
    data: bytes
    encoding: str
    last: bool
    line_ends: int
    plain: bool = False


def byte_order_mark(head: bytes) -> tuple[str | None, int]:
    """The encoding that a byte-order mark tells, and the length of the mark; (None, 0) without.

    >>> byte_order_mark(b"\\xef\\xbb\\xbfTime [s]"), byte_order_mark(b"Time [s]")
    (('utf-8', 3), (None, 0))
    """
    for mark, encoding in _BOMS:
        if head.startswith(mark):
            return encoding, len(mark)
    return None, 0


def wide_encoding(head: bytes) -> str | None:
    """The encoding of text in two bytes a character without mark: bench files are mostly ASCII, so every
    other byte is zero.

    >>> wide_encoding("Time;1,5".encode("utf-16-be"))
    'utf-16-be'
    """
    even, odd = head[0:4096:2], head[1:4096:2]
    if len(odd) < 2:
        return None
    zero_even, zero_odd = even.count(0) / len(even), odd.count(0) / len(odd)
    if zero_odd > 0.8 and zero_even < 0.05:
        return "utf-16-le"
    if zero_even > 0.8 and zero_odd < 0.05:
        return "utf-16-be"
    return None


def looks_binary(head: bytes) -> bool:
    """Whether bytes are no text in any encoding that is read here: zero bytes, or many control characters.

    >>> looks_binary(b"PK\\x03\\x04\\x00\\x00"), looks_binary(b"t;M\\r\\n0,1;2,5\\r\\n")
    (True, False)
    """
    if byte_order_mark(head)[0] is not None or wide_encoding(head) is not None:
        return False
    controls = len(head) - len(head.translate(None, _CONTROLS))
    # A few zero bytes in otherwise clean text are a damaged text file: the line is named when it is read.
    return controls > 0.02 * len(head)


class TextBlocks:
    """Reads a text file block by block.

    Encoding: the rig's word, else a byte-order mark, else strict UTF-8, else Windows code page 1252.

    Parameters
    ----------
    path : the file.
    encoding : as the rig states, or None.
    block_size : bytes read at once.

    Raises
    ------
    ReadingError : for bytes that are no text in the encoding (line named), zero bytes, a line longer than a
        block, and a byte-order mark that contradicts the rig.
    """

    def __init__(self, path: Path, encoding: str | None, *, block_size: int = BLOCK_SIZE) -> None:
        self._path = path
        self._stated = encoding
        self._block_size = block_size
        self._encoding: str | None = None  # None while all bytes so far are ASCII
        self._line = 1

    def __iter__(self) -> Iterator[Block]:
        rest = b""
        for raw, last in self._pieces():
            data = rest + raw if rest else raw
            if not last:
                # Carriage returns alone end lines in some files; one at the very end may be half of \r\n.
                end = data.rfind(b"\n") + 1 or data.rfind(b"\r", 0, len(data) - 1) + 1
                if not end:
                    if len(data) >= self._block_size:
                        raise self._error(
                            f"the line is longer than {self._block_size} bytes",
                            self._line,
                            "check that this is a text recording with one sample a line",
                        )
                    rest = data
                    continue
                data, rest = data[:end], data[end:]
            if data or last:
                block = self._block(data, last=last)
                yield block
                self._line += block.line_ends

    def _pieces(self) -> Iterator[tuple[bytes, bool]]:
        """Yield the file's bytes, those of wide encodings already in UTF-8, and whether they are the last."""
        with self._path.open("rb") as file:
            raw = file.read(self._block_size)
            self._encoding, mark = self._settle(raw)
            raw = raw[mark:]
            decoder = None
            if self._encoding is not None and not extends_ascii(self._encoding):
                decoder = codecs.getincrementaldecoder(self._encoding)("strict")
            while True:
                following = file.read(self._block_size)
                if decoder is not None:
                    try:
                        # Never "final": half a character at the end is a recording cut off in the writing.
                        raw = decoder.decode(raw).encode()
                    except UnicodeDecodeError as error:
                        raise self._undecodable(error, self._encoding or "") from None
                yield raw, not following
                if not following:
                    return
                raw = following

    def _settle(self, head: bytes) -> tuple[str | None, int]:
        """Return the encoding, as far as the first bytes settle it, and the length of a byte-order mark."""
        marked, length = byte_order_mark(head)
        if self._stated is None:
            return marked or wide_encoding(head), length
        try:
            stated = codecs.lookup(self._stated).name.removesuffix("-sig")
            extends_ascii(stated)
        except (LookupError, UnicodeError):
            raise self._error(
                f"the rig states the encoding '{self._stated}', which is none of text",
                None,
                'write for example encoding = "cp1252" in the rig\'s [file]',
            ) from None
        if marked is not None and marked not in (stated, f"{stated}-le", f"{stated}-be"):
            raise self._error(
                f"the rig states the encoding '{self._stated}', but the file has the mark of {marked}",
                1,
                "remove encoding from the rig's [file]: a file with a mark needs none",
            )
        return marked or _WIDE.get(stated, stated), length

    def _block(self, data: bytes, *, last: bool) -> Block:
        """Return lines in UTF-8, with line ends that are no lone carriage returns."""
        # one look for all controls: where there are none but line ends, none is looked for by itself
        characters = np.frombuffer(data, dtype=np.uint8)
        line_ends = int(np.count_nonzero(characters == _LINE_END))  # five times as fast as bytes.count
        if int(np.count_nonzero(characters < _BLANK)) == line_ends and data.isascii():
            return Block(self._line, data, self._encoding or "ascii", last, line_ends, plain=True)
        if b"\0" in data:
            line = self._line + data.count(b"\n", 0, data.index(b"\0"))
            raise self._error("the line holds zero bytes", line, "cut the damaged part out, or record again")
        if not data.isascii() and (self._encoding is None or extends_ascii(self._encoding)):
            data = self._in_utf8(data, last=last)
        if b"\r" in data and data.count(b"\r") != data.count(b"\r\n"):
            # The parser of pandas loses a missing value that follows a carriage return in some places.
            data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        line_ends = int(np.count_nonzero(np.frombuffer(data, dtype=np.uint8) == _LINE_END))
        return Block(self._line, data, self._encoding or "ascii", last, line_ends)

    def _in_utf8(self, data: bytes, *, last: bool) -> bytes:
        candidates = (self._encoding,) if self._encoding is not None else ("utf-8", FALLBACK)
        for encoding in candidates:
            try:
                text = data.decode(encoding)
            except UnicodeDecodeError as error:
                if last and error.reason == "unexpected end of data":
                    # The file was cut off inside a character: the last line is judged without it.
                    self._encoding = encoding
                    return data[: error.start].decode(encoding).encode()
                if encoding == candidates[-1]:
                    raise self._undecodable(error, encoding) from None
            else:
                self._encoding = encoding
                return data if encoding == "utf-8" else text.encode()
        raise AssertionError  # the last candidate returned or raised

    def _undecodable(self, error: UnicodeDecodeError, encoding: str) -> ReadingError:
        before = error.object[: error.start].decode(encoding, "replace")
        return self._error(
            f"byte 0x{error.object[error.start]:02X} is no text in the encoding {encoding}",
            self._line + before.count("\n"),
            "state encoding in the rig's [file], or repair the line",
        )

    def _error(self, what: str, line: int | None, mend: str) -> ReadingError:
        return ReadingError.single(what, file=str(self._path), line=line, mend=mend)


def extends_ascii(encoding: str) -> bool:
    """Whether ASCII bytes, line ends among them, mean themselves in an encoding.

    >>> extends_ascii("cp1252"), extends_ascii("utf-16-le")
    (True, False)
    """
    sample = bytes(range(0x20, 0x7F)) + b"\r\n"
    return sample.decode(encoding, "replace") == sample.decode("ascii")
