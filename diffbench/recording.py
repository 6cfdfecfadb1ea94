"""One recording in SI: named channels over time, the file they came from, and what was noted on reading.

It says what was read, conditioning what it means: readings in SI without gain, zero and sign, with the line
in the file of every sample. So a reader needs no rig, and every correction is written once.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray


class Columns(Protocol):
    """Values by column name: a mapping of arrays, or a data frame."""

    def items(self) -> Iterable[tuple[Any, Any]]:
        """Names and values."""
        ...


_COARSE = 1e-3  # of a step: less is the scatter of a clock, and no rounding


def even_step(usual: float, steps: NDArray[np.float64]) -> float:
    """Step of a clock [s] with the ``usual`` one and these ``steps`` (n,) in a row: the usual one, or where a
    clock is written so coarsely that its steps are of two lengths, their mean.

    >>> sixty = np.diff(np.round(np.arange(600) / 60.0, 2))  # samples a second, in hundredths of one
    >>> round(even_step(0.02, sixty), 4), even_step(0.1, np.array([0.1, 0.1, 0.3]))
    (0.0167, 0.1)
    """
    near = steps[(steps > 0.4 * usual) & (steps < 1.6 * usual)]
    mean = float(near.mean()) if near.size else usual
    return mean if abs(mean - usual) > _COARSE * usual else usual


@dataclass(frozen=True)
class Source:
    """Which bytes a recording was read from.

    Parameters
    ----------
    path : the file, as it was named.
    sha256 : digest of the file's bytes, 64 hexadecimal digits.
    size : length of the file [bytes].
    format : name of the reader that read it, for example ``"delimited text"``.
    details : what was found out about the file's layout (delimiter, encoding, unit of each channel, ...).

    Examples
    --------
    >>> Source(Path("tare.csv"), "0" * 64, 120, "delimited text", {"delimiter": ";"}).details["delimiter"]
    ';'
    """

    path: Path
    sha256: str
    size: int
    format: str
    details: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "details", dict(self.details))


@dataclass(frozen=True)
class LastLine:
    """The last line of a text that was not written to its end, or may not have been.

    Parameters
    ----------
    number : its number, counted from 1.
    kept : whether its sample is among the others; False where it is seen to break off.
    """

    number: int
    kept: bool

    def __str__(self) -> str:
        if self.kept:
            return f"Line {self.number}, the last, has no line end: its last cell may be cut short."
        return f"Line {self.number}, the last, breaks off in the middle and is left out."


@dataclass(frozen=True, eq=False)
class Recording:
    """The samples of one file, in SI, as the transducers read them.

    Gain, zero, sign and everything else that the rig says of a transducer is *not* applied here: that is
    conditioning. A missing value is NaN and stays one.

    Parameters
    ----------
    time : shape (n,) [s], from 0, rising; gaps are left as they are. Hand readings without a clock have
        their running number here, from 0, and a note that says so.
    channels : channel name to values, each of shape (n,), in SI (N.m, rad/s, degC).
    labels : channel name to n texts, for the channels that hold words (arrangement, direction, reading).
    source : the file.
    notes : what a user should know about the reading, each one sentence.
    rows : shape (n,), the line in the file that each sample stands on, counted from 1 (the record number
        in formats without lines).
    last_line : the last line of a text, where it may not have been written to its end.
    clocks_apart : where groups of the file have little of their times in common, one sentence for each.

    Raises
    ------
    ValueError
        When the lengths differ. That is a mistake in the calling program, not in a user's file.

    Examples
    --------
    >>> recording = Recording(
    ...     time=np.array([0.0, 0.01]),
    ...     channels={"left_torque": np.array([12.0, np.nan])},
    ...     labels={},
    ...     source=Source(Path("tare.csv"), "0" * 64, 120, "delimited text"),
    ...     notes=(),
    ...     rows=np.array([2, 3]),
    ... )
    >>> len(recording), recording.duration
    (2, 0.01)
    """

    time: NDArray[np.float64]
    channels: Mapping[str, NDArray[np.float64]]
    labels: Mapping[str, tuple[str, ...]]
    source: Source
    notes: tuple[str, ...]
    rows: NDArray[np.int64]
    last_line: LastLine | None = None
    clocks_apart: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        n = len(self.time)
        lengths = {"rows": len(self.rows)}
        lengths |= {name: len(values) for name, values in self.channels.items()}
        lengths |= {name: len(texts) for name, texts in self.labels.items()}
        wrong = [f"{name} has {length}" for name, length in lengths.items() if length != n]
        if wrong:
            msg = f"time has {n} samples, but {', '.join(wrong)}"
            raise ValueError(msg)
        # Copies, so that a caller's later change of its own dict changes no recording; plain dicts, because
        # recordings travel between processes and a mapping proxy cannot be pickled.
        object.__setattr__(self, "channels", dict(self.channels))
        object.__setattr__(self, "labels", dict(self.labels))

    def __len__(self) -> int:
        return len(self.time)

    @property
    def duration(self) -> float:
        """Time from the first sample to the last [s]."""
        return float(self.time[-1] - self.time[0]) if len(self.time) else 0.0
