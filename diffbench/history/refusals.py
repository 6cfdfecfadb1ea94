"""What a database refuses, as one error with place and mend."""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Iterator

from diffbench.errors import HistoryError
from diffbench.history.location import Location

__all__ = ["needs_extra", "no_address", "read_only", "told"]

_FULL = ("the disk is full, and nothing was written", "make room on that disk, and repeat the command")
_READ_ONLY = (
    "can only be read, and nothing was written",
    "give yourself the right to write the file and its folder, or name another history",
)
#: Bytes that SQLite wants beside a file, for the index of its write-ahead log (sqlite.org/walformat.html).
_NO_ROOM = 32 << 10
#: SQLite's result codes by the beginning of their names (sqlite.org/rescode.html), the longest first.
_SQLITE = {
    "SQLITE_FULL": _FULL,
    "SQLITE_IOERR_WRITE": ("the disk refuses to be written", _FULL[1]),
    "SQLITE_IOERR": ("the disk fails", "check the disk; diffbench history verify tells what is sound"),
    "SQLITE_READONLY": _READ_ONLY,
    "SQLITE_PERM": _READ_ONLY,
    "SQLITE_CANTOPEN": (
        "cannot be opened",
        "check the path, and that its folder exists and can be written to",
    ),
    "SQLITE_NOTADB": ("is no history: no SQLite file", "name a history, or a file that does not exist yet"),
    "SQLITE_CORRUPT": (
        "is damaged",
        "diffbench history verify names what is; import an export into a new history",
    ),
    "SQLITE_BUSY": (
        "somebody else has been writing for more than a minute",
        "repeat the command; if it stays so, look for a program that hangs",
    ),
}
#: PostgreSQL's codes (its documentation, appendix A).
_POSTGRESQL = {
    "53100": (
        "the server's disk is full, and nothing was written",
        "make room there, and repeat the command",
    ),
    "25006": (
        "the server takes no changes, and nothing was written",
        "ask who runs it, or name another history",
    ),
    "42501": ("you have no right to do that there", "ask who runs the server for the right to write"),
    "28P01": ("the server refuses user or password", "check the address"),
    "28000": ("the server refuses this user", "check the address"),
    "3D000": ("there is no such database", "check the address, or have it made"),
}


def needs_extra(error: ImportError, location: Location) -> HistoryError:
    """The error for a library that is not installed."""
    extra = "history" if location.url is None else "postgresql"
    return HistoryError.single(
        f"a history needs {error.name or 'a library'}, which is not installed",
        mend=f"pip install 'diffbench[{extra}]'",
    )


def read_only(location: Location) -> HistoryError:
    """The error for a file, or a folder, that may not be written to."""
    return HistoryError.single(_READ_ONLY[0], file=location.label, mend=_READ_ONLY[1])


def no_address(error: Exception, location: Location) -> HistoryError:
    """The error for an address that cannot be read."""
    return HistoryError.single(
        f"is no address of a database ({error})",
        file=location.label,
        mend="write the path of a file, or postgresql://user@host/database",
    )


@contextlib.contextmanager
def told(location: Location) -> Iterator[None]:
    """Turn what the database or the disk refuses into one `HistoryError`.

    Parameters
    ----------
    location : Location
        Where the history is.

    Raises
    ------
    HistoryError : naming the place, what is wrong and how to mend it.
    """
    from sqlalchemy.exc import DBAPIError, SQLAlchemyError

    try:
        yield
    except DBAPIError as error:
        what, mend = _FULL if _full(error.orig, location) else _reading(error.orig)
        raise HistoryError.single(what, file=location.label, mend=mend) from error
    except SQLAlchemyError as error:
        raise no_address(error, location) from error
    except ImportError as error:
        raise needs_extra(error, location) from error


def _full(error: BaseException | None, location: Location) -> bool:
    """Whether an error of the disk is one of room: SQLite calls only some of them so."""
    name = str(getattr(error, "sqlite_errorname", "") or "")
    if location.path is None or not name.startswith("SQLITE_IOERR"):
        return False
    try:
        return shutil.disk_usage(location.path.parent).free < _NO_ROOM
    except OSError:
        return False


def _reading(error: BaseException | None) -> tuple[str, str]:
    name = str(getattr(error, "sqlite_errorname", "") or "")
    for beginning in sorted(_SQLITE, key=len, reverse=True):
        if name.startswith(beginning):
            return _SQLITE[beginning]
    state = str(getattr(error, "sqlstate", "") or "")
    if state in _POSTGRESQL:
        return _POSTGRESQL[state]
    if not name and (not state or state.startswith("08")):
        return (
            f"the database cannot be reached ({_short(error)})",
            "check the address, and that the server runs",
        )
    return f"the database refuses ({_short(error)})", "check the address and what is kept there"


def _short(error: BaseException | None) -> str:
    lines = str(error).strip().splitlines()
    return lines[0] if lines else "it gives no reason"
