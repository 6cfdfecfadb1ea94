"""Whether the last line of a text was written to its end.

A logger that is switched off, or a copy that is broken off, leaves a line without an end; a number that is
cut short reads as another number. Where all other lines have an end and the last one has none, its last cell
is held against those above it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Literal

from diffbench.readers.cells import is_missing

Ending = Literal["whole", "doubtful", "broken"]

_LEAST_ABOVE = 8  # cells, from which on what all of them have is no chance
_EXPONENT = re.compile(r"[eEdD]")


def ending(last: str, above: Sequence[str], decimal: str, *, numeric: bool) -> Ending:
    """Tell whether the last cell of a line without an end is whole.

    Parameters
    ----------
    last : str
        The cell.
    above : sequence of str
        The cells of the lines above it, in the same column.
    decimal : str
        Decimal mark.
    numeric : bool
        Whether the column holds numbers.

    Returns
    -------
    ``"whole"`` where all cells above are written with as many digits, and so is this; ``"broken"`` where
    there are enough of them and it has fewer than any; else ``"doubtful"``: nothing tells.

    Examples
    --------
    >>> ending("566.25", ["565.75", "1200.00"], ".", numeric=True)
    'whole'
    >>> ending("566.2", ["565.75", "1200.00"] * 4, ".", numeric=True)
    'broken'
    >>> above = ["565", "1200"] * 4
    >>> ending("56", above, ".", numeric=True), ending("120", above, ".", numeric=True)
    ('broken', 'doubtful')
    >>> ending("56", ["565"], ".", numeric=True)
    'doubtful'
    """
    if not numeric:
        return "whole" if last in above else "doubtful"
    if is_missing(last):
        return "whole" if any(is_missing(cell) for cell in above) else "broken"
    own = _shape(last, decimal)
    shapes = {_shape(cell, decimal) for cell in above if not is_missing(cell)}
    if not shapes or shapes == {own}:
        return "whole"
    least = [min(shape[i] for shape in shapes) for i in range(3)]
    fewer = any(mine < least[i] for i, mine in enumerate(own))
    return "broken" if fewer and len(above) >= _LEAST_ABOVE else "doubtful"


def _shape(cell: str, decimal: str) -> tuple[int, int, int]:
    """Return how many digits of the exponent and decimals a number is written with, and how long it is where
    it has neither."""
    mantissa, *exponent = _EXPONENT.split(cell.strip().strip('"'), maxsplit=1)
    powers = len(exponent[0].lstrip("+-")) if exponent else -1
    _, mark, decimals = mantissa.rpartition(decimal)
    return powers, len(decimals) if mark else -1, 0 if exponent or mark else len(mantissa)
