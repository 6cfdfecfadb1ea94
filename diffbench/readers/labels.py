"""Channels of words: how a reading was taken, in the rig's words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diffbench.errors import Fault, Place
from diffbench.readers.cells import is_missing
from diffbench.readers.names import folded
from diffbench.readers.protocol import RawColumn

if TYPE_CHECKING:
    from collections.abc import Sequence

    from diffbench.documents import Channel

_SHOWN = 5  # unknown words that are named


def labels_of(
    channel: Channel, column: RawColumn, words: Sequence[str], rows: NDArray[np.int64], file: str
) -> tuple[tuple[str, ...], list[Fault]]:
    """Return the words of a channel, translated by the rig.

    Parameters
    ----------
    channel : Channel
        Its `values` say what the file's words mean; without them the file must use the project's own.
    column : RawColumn
        Texts, or numbers that stand for words.
    words : sequence of str
        The project's own words for this channel.
    rows : array of int, shape (n,)
        Line numbers.
    file : str
        Name for messages.

    Returns
    -------
    n words, and a fault for each unknown text, at the first line that has it.
    """
    known = {**(channel.values or {}), **{word: word for word in words}}
    meaning = {folded(text): word for text, word in known.items()}
    found: list[str] = []
    unknown: dict[str, int] = {}
    for text, line in zip(_texts(column), rows.tolist(), strict=True):
        word = meaning.get(folded(text))
        if word is None:
            unknown.setdefault(text.strip(), line)
        found.append(word or "")
    offered = ", ".join(f"'{text}'" for text in known)
    faults = [
        Fault(
            f"there is no {channel.name}" if is_missing(text) else f"'{text}' is no known {channel.name}",
            Place(file, line=line, column=column.name),
            f'write one of {offered}; or let the rig translate it: values = {{ "{text or "text"}" = '
            f'"{words[0]}" }} under [channel.{channel.name}]',
        )
        for text, line in list(unknown.items())[:_SHOWN]
    ]
    if len(unknown) > _SHOWN:
        what = f"{len(unknown) - _SHOWN} more texts are no known {channel.name}"
        faults.append(Fault(what, Place(file, column=column.name), f"write one of {offered}"))
    return tuple(found), faults


def _texts(column: RawColumn) -> list[str]:
    if column.is_text:
        return [str(text) for text in column.values]
    return [
        column.odd.get(i, "" if np.isnan(value) else f"{value:g}")
        for i, value in enumerate(column.values.astype(np.float64))
    ]
