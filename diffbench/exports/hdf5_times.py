"""HDF5 without the hour of its writing, so that the same contents are the same bytes.

The library that writes NetCDF-4 lets no one turn off the times of the root group. They stand in the header of
that group, which a checksum guards.

Source: HDF5 File Format Specification 3.0, II.C (superblock), IV.A.1.b (object header, version 2); the
checksum is `hashlittle` of B. Jenkins, lookup3.c, 2006, with which any reader of HDF5 holds it to be right.
"""

from __future__ import annotations

import struct

__all__ = ["without_times"]

SIGNATURE = b"\x89HDF\r\n\x1a\n"
HEADER = b"OHDR\x02"
TIMES_KEPT, PHASES_KEPT = 0x20, 0x10  # bits of the header's flags
_ALL = 0xFFFFFFFF


def without_times(data: bytes) -> bytes:
    """The same file with the four times of its root group at zero, or as it is where none are kept.

    Raises
    ------
    ValueError
        This is no HDF5 file with a superblock of version 2 or 3 and a root group of version 2.
    """
    if not data.startswith(SIGNATURE) or data[8] not in (2, 3) or data[9] != 8:
        raise ValueError("no HDF5 file with a superblock of version 2 or 3 and offsets of 8 bytes")
    (start,) = struct.unpack_from("<Q", data, 36)
    if data[start : start + 5] != HEADER:
        raise ValueError("the root group has no header of version 2")
    flags = data[start + 5]
    if not flags & TIMES_KEPT:
        return data
    out = bytearray(data)
    times = start + 6
    out[times : times + 16] = bytes(16)
    at = times + 16 + (4 if flags & PHASES_KEPT else 0)
    width = 1 << (flags & 3)
    end = at + width + int.from_bytes(data[at : at + width], "little")
    struct.pack_into("<I", out, end, checksum(bytes(out[start:end])))
    return bytes(out)


def checksum(data: bytes) -> int:
    """Jenkins's lookup3 of some bytes, begun with zero.

    >>> f"{checksum(b''):08x} {checksum(b'Four score and seven years ago'):08x}"
    'deadbeef 17770551'
    """
    a = b = c = (0xDEADBEEF + len(data)) & _ALL
    if not data:
        return c
    blocks = (len(data) - 1) // 12  # the last one, whole or not, ends differently
    words: tuple[int, ...] = struct.unpack(f"<{3 * blocks + 3}I", data.ljust(12 * blocks + 12, b"\0"))
    for i in range(0, 3 * blocks, 3):
        a, b, c = (a + words[i]) & _ALL, (b + words[i + 1]) & _ALL, (c + words[i + 2]) & _ALL
        a = ((a - c) & _ALL) ^ _turned(c, 4)
        c = (c + b) & _ALL
        b = ((b - a) & _ALL) ^ _turned(a, 6)
        a = (a + c) & _ALL
        c = ((c - b) & _ALL) ^ _turned(b, 8)
        b = (b + a) & _ALL
        a = ((a - c) & _ALL) ^ _turned(c, 16)
        c = (c + b) & _ALL
        b = ((b - a) & _ALL) ^ _turned(a, 19)
        a = (a + c) & _ALL
        c = ((c - b) & _ALL) ^ _turned(b, 4)
        b = (b + a) & _ALL
    a, b, c = (a + words[-3]) & _ALL, (b + words[-2]) & _ALL, (c + words[-1]) & _ALL
    c = ((c ^ b) - _turned(b, 14)) & _ALL
    a = ((a ^ c) - _turned(c, 11)) & _ALL
    b = ((b ^ a) - _turned(a, 25)) & _ALL
    c = ((c ^ b) - _turned(b, 16)) & _ALL
    a = ((a ^ c) - _turned(c, 4)) & _ALL
    b = ((b ^ a) - _turned(a, 14)) & _ALL
    return ((c ^ b) - _turned(b, 24)) & _ALL


def _turned(word: int, bits: int) -> int:
    return ((word << bits) | (word >> (32 - bits))) & _ALL
