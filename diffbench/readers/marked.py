"""Formats whose files begin with a mark of their own."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar


class MarkedReader:
    """What readers of such formats share. See `diffbench.readers.protocol.Reader`.

    A subclass has its `name`, its `marks` (any of which a file may begin with), and `read_table`.
    """

    name: ClassVar[str]
    marks: ClassVar[tuple[bytes, ...]]

    def recognises(self, head: bytes, path: Path) -> bool:  # noqa: ARG002  the bytes alone tell
        """Tell whether a file is of this format, by its mark.

        Parameters
        ----------
        head : bytes
            The first bytes of the file.
        path : Path
            The file.

        Returns
        -------
        True when it begins with one of the marks.

        Examples
        --------
        >>> class Shouting(MarkedReader):
        ...     marks = (b"HEY ",)
        >>> Shouting().recognises(b"HEY 1.0", Path("sweep.dat"))
        True
        """
        return head.startswith(self.marks)
