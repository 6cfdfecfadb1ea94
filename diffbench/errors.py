"""One tree of errors: each says what is wrong, where, and how to mend it.

One tree carries every fault with its place and mend up to the command line, which alone turns it into a
status.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import ClassVar, Self

from diffbench.plain_text import escaped


@dataclass(frozen=True)
class Place:
    """Where a fault stands; parts that make no sense for it stay None.

    Parameters
    ----------
    file : str or None
        Path as the user would recognise it.
    line : int or None
        Line number, counted from 1.
    column : str or None
        Name of the column of a recording.
    key : str or None
        Dotted key of a document, for example ``channel.left_torque.unit``.

    Examples
    --------
    >>> str(Place("cell.toml", line=12, key="channel.left_torque.unit"))
    'cell.toml, line 12: channel.left_torque.unit'
    >>> str(Place("sweep.csv", column="Torque LH"))
    "sweep.csv: column 'Torque LH'"
    """

    file: str | None
    line: int | None = None
    column: str | None = None
    key: str | None = None

    def __str__(self) -> str:
        line = None if self.line is None else f"line {self.line}"
        head = ", ".join(part for part in (self.file, line) if part)
        column = None if self.column is None else f"column '{self.column}'"
        return ": ".join(part for part in (head, column, self.key) if part)


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong.

    Parameters
    ----------
    what : str
        What is wrong, without a closing full stop.
    place : Place
        Where.
    mend : str
        What to do about it, without a closing full stop.

    Examples
    --------
    >>> print(Fault("the file is empty", Place("sweep.csv"), "record it again"))
    sweep.csv: the file is empty. Mend: record it again.
    """

    what: str
    place: Place
    mend: str

    def __str__(self) -> str:
        place = str(self.place)
        head = f"{place}: " if place else ""
        # One line each that steers no terminal, whatever a cell or a library's message carries.
        text = f"{head}{self.what.rstrip('.')}. Mend: {self.mend.rstrip('.')}"
        text += "" if text.endswith("?") else "."
        return escaped(" ".join(text.split()))

    def located(
        self,
        *,
        file: str | None = None,
        line: int | None = None,
        column: str | None = None,
        key: str | None = None,
    ) -> Fault:
        """Return this fault with the parts of its place filled in that are still unknown.

        Parameters
        ----------
        file, line, column, key : str or int
            Used only where this fault's place has None.

        Returns
        -------
        A new fault.

        Examples
        --------
        >>> print(Fault("'Nmm2' is no known unit", Place(None), "write 'N.mm'").located(file="a.toml"))
        a.toml: 'Nmm2' is no known unit. Mend: write 'N.mm'.
        """
        place = self.place
        return replace(
            self,
            place=Place(
                file=place.file if place.file is not None else file,
                line=place.line if place.line is not None else line,
                column=place.column if place.column is not None else column,
                key=place.key if place.key is not None else key,
            ),
        )


class DiffbenchError(Exception):
    """What the program refuses, with every fault that was found.

    Parameters
    ----------
    faults : Fault or sequence of Fault
        One fault or several, at least one.

    Examples
    --------
    >>> error = DocumentError.single("'faces' is missing", file="d07.toml", key="packs", mend="add it")
    >>> print(error)
    d07.toml: packs: 'faces' is missing. Mend: add it.
    >>> error.exit_status
    2
    """

    exit_status: ClassVar[int] = 2

    def __init__(self, faults: Fault | Sequence[Fault]) -> None:
        self.faults: tuple[Fault, ...] = (faults,) if isinstance(faults, Fault) else tuple(faults)
        if not self.faults:
            msg = "an error needs at least one fault"
            raise ValueError(msg)
        super().__init__(self.faults)

    def __str__(self) -> str:
        return "\n".join(str(fault) for fault in self.faults)

    @classmethod
    def single(
        cls,
        what: str,
        *,
        file: str | None = None,
        line: int | None = None,
        column: str | None = None,
        key: str | None = None,
        mend: str,
    ) -> Self:
        """Return an error of one fault.

        Parameters
        ----------
        what, mend : str
            As in `Fault`.
        file, line, column, key : str or int
            As in `Place`.

        Returns
        -------
        The error, to be raised by the caller.

        Examples
        --------
        >>> ReadingError.single("the file is empty", file="sweep.csv", mend="record it again").faults[0].what
        'the file is empty'
        """
        return cls(Fault(what, Place(file, line, column, key), mend))

    def located(
        self,
        *,
        file: str | None = None,
        line: int | None = None,
        column: str | None = None,
        key: str | None = None,
    ) -> Self:
        """Return the same error with unknown parts of its faults' places filled in.

        Parameters
        ----------
        file, line, column, key : str or int
            As in `Fault.located`.

        Returns
        -------
        A new error of the same class.

        Examples
        --------
        >>> error = QuantityError.single("'Nq' is no known unit", mend="write 'N.m'")
        >>> print(error.located(file="sweep.csv", column="Torque LH"))
        sweep.csv: column 'Torque LH': 'Nq' is no known unit. Mend: write 'N.m'.
        """
        return type(self)(
            [fault.located(file=file, line=line, column=column, key=key) for fault in self.faults]
        )


class QuantityError(DiffbenchError):
    """A number, a unit or a value with its uncertainty that cannot be read."""


class DocumentError(DiffbenchError):
    """A rig, build sheet or run sheet that cannot be used."""


class ReadingError(DiffbenchError):
    """A recording that cannot be read from its file."""


class RecordingError(DiffbenchError):
    """A recording that was read, but whose data cannot serve."""


class FitError(DiffbenchError):
    """Data that no characterisation can be fitted to."""


class OutputError(DiffbenchError):
    """A result that cannot be written."""


class HistoryError(DiffbenchError):
    """A store of results that cannot be read or written, or an entry that it cannot take."""
