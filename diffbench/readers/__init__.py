"""Recordings from files: one module per format, one protocol, one explicit list."""

from typing import TYPE_CHECKING

from diffbench.first_use import names_on_first_use

__all__ = [
    "READERS",
    "Asked",
    "RawTable",
    "Reader",
    "TextReader",
    "read_parts",
    "read_raw",
    "read_recording",
    "reader_for",
    "recording_from",
]

if TYPE_CHECKING:
    from diffbench.readers.asked import Asked
    from diffbench.readers.protocol import RawTable, Reader
    from diffbench.readers.registry import (
        READERS,
        read_parts,
        read_raw,
        read_recording,
        reader_for,
        recording_from,
    )
    from diffbench.readers.text.reader import TextReader

__getattr__, __dir__ = names_on_first_use(
    __name__,
    {
        "asked": ("Asked",),
        "protocol": ("RawTable", "Reader"),
        "registry": ("READERS", "read_parts", "read_raw", "read_recording", "reader_for", "recording_from"),
        "text.reader": ("TextReader",),
    },
)
