"""The chains of blocks in an MDF 4 file, walked before its library does: a ring of them would never end.

In trials with 800 to 1,500 mutations each, the library of MDF died of a segmentation fault, took 1.3 GB and
printed to standard output; that of HDF5 was not done after 500 s. The others raised Python's exceptions only.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from diffbench.readers.foreign import damaged

_HEADER = struct.Struct("<4sIQQ")  # identifier, reserved, length, count of links (ASAM MDF 4.1, section 5)
_HD_AT = 64
_MOST_BLOCKS = 200_000  # in one chain: a recording has hundreds
# Links of each kind of block: the next of its chain, and the heads of the chains below it.
_CHAINS = {
    b"##HD": (None, (0,)),  # first data group
    b"##DG": (0, (1, 2)),  # first channel group; data, or a list of it
    b"##CG": (0, (1,)),  # first channel
    b"##CN": (0, (1,)),  # composition
    b"##CA": (0, ()),
    b"##DL": (0, ()),
    b"##HL": (None, (0,)),
    b"##LD": (0, ()),
}


def check_chains(path: Path) -> None:
    """Refuse a file whose chains of groups, channels or data lead back to themselves.

    Parameters
    ----------
    path : Path
        An MDF 4 file.

    Raises
    ------
    ReadingError : when a block is met twice in its chain or reaches beyond the end of the file, or the chains
        are longer than any recording's.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        seen: set[int] = set()
        heads = [_HD_AT]
        while heads:
            for address in _chain(path, file, size, heads.pop(), heads):
                if address in seen:
                    said = f"the block at byte {address} is linked to twice"
                    raise damaged(path, "MDF", said)
                seen.add(address)
                if len(seen) > _MOST_BLOCKS:
                    raise damaged(path, "MDF", f"it has more than {_MOST_BLOCKS} groups and channels")


def _chain(path: Path, file: BinaryIO, size: int, address: int, heads: list[int]) -> Iterator[int]:
    """Yield the addresses of a chain's blocks, and gather the heads of the chains below."""
    while address:
        yield address
        if address >= 1 << 62:
            return
        file.seek(address)
        head = file.read(_HEADER.size)
        if len(head) < _HEADER.size:
            return  # beyond the end: the library says so
        kind, _, length, count = _HEADER.unpack(head)
        if address + length > size:
            raise damaged(path, "MDF", f"the block at byte {address} reaches beyond the end of the file")
        if kind not in _CHAINS:
            return
        following, below = _CHAINS[kind]
        links = file.read(8 * min(count, 8))
        addresses = struct.unpack(f"<{len(links) // 8}Q", links[: len(links) // 8 * 8])
        heads.extend(addresses[place] for place in below if place < len(addresses) and addresses[place])
        address = addresses[following] if following is not None and following < len(addresses) else 0
