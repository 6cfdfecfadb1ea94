"""The header of a root group, put together by hand, without the hour of its writing."""

from __future__ import annotations

import struct

import pytest

from diffbench.exports.hdf5_times import checksum, without_times

TIMES, PHASES = 0x20, 0x10  # bits of a header's flags: four times kept, two counts of attributes kept
AT = 48  # where a superblock of version 2 ends


def file_of(flags: int, *, version: int = 2, messages: int = 20, hours: bool = True) -> bytes:
    """A superblock, some bytes, and the header of the root group at 60; behind it other bytes. The width of
    the count of its messages' bytes is told by the two lowest flags."""
    superblock = b"\x89HDF\r\n\x1a\n" + bytes([version, 8, 8, 0])
    superblock += struct.pack("<QQQQ", 0, 2**64 - 1, 500, 60) + b"crc4"
    times = bytes(range(1, 17)) if hours else bytes(16)
    head = b"OHDR\x02" + bytes([flags]) + times * bool(flags & TIMES) + b"phas" * bool(flags & PHASES)
    head += messages.to_bytes(1 << (flags & 3), "little") + bytes(i % 251 for i in range(messages))
    return superblock + b"between and " + head + struct.pack("<I", checksum(head)) + b"behind it"


@pytest.mark.parametrize("messages", [20, 200, 300, 70_000])
@pytest.mark.parametrize("phases", [0, PHASES])
@pytest.mark.parametrize("version", [2, 3])
def test_times_are_nothing_and_the_checksum_is_right(messages: int, phases: int, version: int) -> None:
    assert len(file_of(0)[: file_of(0).index(b"between")]) == AT
    for width in range(4):
        if messages >= 1 << (8 << width):
            continue
        flags = TIMES | phases | width
        given = file_of(flags, version=version, messages=messages)
        wanted = file_of(flags, version=version, messages=messages, hours=False)
        assert given != wanted
        assert without_times(given) == wanted
        assert without_times(wanted) == wanted
        kept = file_of(phases | width, version=version, messages=messages)
        assert without_times(kept) == kept


@pytest.mark.parametrize(
    ("at", "byte", "said"),
    [(0, 0x88, "superblock"), (8, 1, "superblock"), (8, 4, "superblock"), (9, 4, "superblock"),
     (9, 9, "superblock"), (60, 0x50, "root group"), (64, 1, "root group")],
)  # fmt: skip
def test_what_is_no_such_file_is_refused(at: int, byte: int, said: str) -> None:
    spoilt = bytearray(file_of(TIMES))
    spoilt[at] = byte
    with pytest.raises(ValueError, match=said):
        without_times(bytes(spoilt))


@pytest.mark.parametrize(
    ("text", "sum_of_it"),
    [
        ("", 0xDEADBEEF),  # the author's own values, lookup3.c, driver5, begun with zero
        ("Four score and seven years ago", 0x17770551),
    ],
)
def test_checksums_that_their_author_published(text: str, sum_of_it: int) -> None:
    assert checksum(text.encode()) == sum_of_it
