"""Read a TOML document from disk into its model, or say everything that is wrong with it; find the run sheets
of a folder.
"""

from __future__ import annotations

import difflib
import hashlib
import os
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, TypeVar, get_args

from pydantic import ValidationError

from diffbench.documents.faults import faults_of, key_lines, line_of
from diffbench.documents.fields import Table
from diffbench.errors import DocumentError
from diffbench.input_files import PAPER, content_of

Document = TypeVar("Document", bound=Table)

PAPERS = {
    "diffbench-rig": "rig",
    "diffbench-build": "build sheet",
    "diffbench-run": "run sheet",
    "diffbench-car": "car",
    "diffbench-log": "log sheet",
}
_BYTE_ORDER_MARKS = {b"\xff\xfe": "UTF-16", b"\xfe\xff": "UTF-16"}


def document_of(values: Mapping[str, object], model: type[Document], *, source: str) -> Document:
    """A document, or a table of one, from values that stand in no file, by the keys of its TOML; in SI.

    Raises ``DocumentError`` with every fault, at ``source``.
    """
    try:
        return model.model_validate(dict(values))
    except ValidationError as error:
        raise DocumentError(faults_of(error, model, source, "")) from error


@dataclass(frozen=True)
class Read(Generic[Document]):
    """A document in SI, the SHA-256 digest of its file (64 hexadecimal digits), and its text."""

    document: Document
    sha256: str
    text: str


def read_document(path: str | Path, model: type[Document]) -> Read[Document]:
    """A document with the digest of its file. Raises ``DocumentError`` with every fault of the file."""
    content = _bytes(Path(path))
    text = _text(content, str(path))
    raw = _parsed(text, str(path))
    _check_format(raw, model, str(path), text)
    try:
        return Read(model.model_validate(raw), hashlib.sha256(content).hexdigest(), text)
    except ValidationError as error:
        raise DocumentError(faults_of(error, model, str(path), text)) from error


def nearest_file(path: Path) -> str | None:
    """Name of the file beside a missing one that looks most like it; None where there is none like it."""
    try:
        # Sorted, so that of two equally near names the same one is offered on every machine.
        entries = [entry.name for entry in sorted(path.parent.iterdir()) if entry.is_file()]
    except (OSError, ValueError):  # no such folder, one that is closed to us, or a name that can't be one
        return None
    names = {name.casefold(): name for name in entries}
    near = difflib.get_close_matches(path.name.casefold(), names)
    return names[near[0]] if near else None


def _bytes(path: Path) -> bytes:
    try:
        return content_of(path, most=PAPER)
    except FileNotFoundError as error:
        near = nearest_file(path)
        mend = f"did you mean '{near}', in the same folder?" if near else "check the path"
        raise DocumentError.single("the file does not exist", file=str(path), mend=mend) from error
    except IsADirectoryError as error:
        raise DocumentError.single(
            "this is a folder, a TOML file is wanted", file=str(path), mend="name the file in it"
        ) from error
    except OSError as error:
        raise DocumentError.single(
            f"the file can't be read ({error.strerror or error})",
            file=str(path),
            mend="check the path and its permissions",
        ) from error


def _text(content: bytes, file: str) -> str:
    for mark, name in _BYTE_ORDER_MARKS.items():
        if content.startswith(mark):
            raise DocumentError.single(
                f"the file is {name}, TOML is UTF-8", file=file, mend="save it as UTF-8"
            )
    try:
        # Editors on Windows put a byte-order mark in front, which TOML does not know.
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise DocumentError.single(
            "the file is not UTF-8", file=file, line=line, mend="save it as UTF-8"
        ) from error


def _parsed(text: str, file: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        message = str(error)
        place = re.search(r"\s*\(at line (\d+), column (\d+)\)", message)
        line = int(place.group(1)) if place else len(text.splitlines())
        what = message[: place.start()] if place else re.sub(r"\s*\(at end of document\)", "", message)
        raise DocumentError.single(
            f"this is no TOML: {what[:1].lower()}{what[1:]}",
            file=file,
            line=line,
            mend=_syntax_mend(what, text, line),
        ) from error
    except (
        ValueError,
        RecursionError,
    ) as error:  # a number of thousands of digits, lists in lists without end
        raise DocumentError.single(
            "this is no TOML of ours: a number is too long or lists are nested too deep",
            file=file,
            mend="write it as the schema has it",
        ) from error


def _syntax_mend(what: str, text: str, line: int) -> str:
    """The mend of the slips that workshops make most."""
    lines = text.splitlines()
    written = lines[line - 1] if line <= len(lines) else ""
    if re.search("overwrite|twice|Duplicate|immutable", what):
        return "the key or table stands twice: leave one of them out"
    if re.search(r"=\s*[-+]?\d+,\d", written):
        return "write numbers with a decimal point"
    if re.search(r"=\s*[-+]?[\d.]+\s*[A-Za-z°%µ]", written):
        return 'write a number with its unit in quotes: "110 mm"'
    if re.search(r"=\s*[A-Za-z]", written):
        return "write texts in quotes"
    if "\\" in written:
        return "write paths with forward slashes"
    return "check this line: key = value, texts in quotes, tables in brackets"


def _check_format(raw: dict[str, Any], model: type[Table], file: str, text: str) -> None:
    """Refuse another kind of document, or a newer version, before its keys are looked at."""
    (own,) = get_args(model.model_fields["format"].annotation)
    wanted, _, version = own.partition("/")
    name = PAPERS[wanted]
    written = raw.get("format")
    add = f'write format = "{own}"'
    if written is None:
        if not raw:
            raise DocumentError.single("the file is empty", file=file, mend=f"{add}, and describe the {name}")
        return  # reported with the other missing keys
    kind, _, number = str(written).partition("/")
    if kind not in PAPERS:
        near = difflib.get_close_matches(kind, PAPERS)
        what = f"'{written}' is no known format{f', {near[0]} is meant, perhaps' if near else ''}"
        mend = add
    elif kind != wanted:
        what, mend = f"this is a {PAPERS[kind]}, a {name} is wanted", f"name the {name} here"
    elif not number.isdecimal() or int(number) < int(version):
        what, mend = f"'{written}' is no known version", add
    elif int(number) > int(version):
        what, mend = f"'{written}' is newer than this program", f"update diffbench, or {add}"
    else:
        return
    line = line_of(("format",), key_lines(text))
    raise DocumentError.single(what, file=file, line=line, key="format", mend=mend)


_RUN_SHEET = "diffbench-run"
_STATED = re.compile(r"""^\s*["']?format["']?\s*=\s*["'](diffbench-[a-z]+)""", re.MULTILINE)


def run_sheets_in(folder: Path, *, below: bool = False) -> list[Path]:
    """The run sheets of a folder, and all that may be one.

    A ``.toml`` file is left out only where it is seen to be something else: another paper, or whole TOML
    that has no runs. One that cannot be opened, decoded or parsed, or is empty, is given back, so that
    whoever loads it tells its faults. Hidden files (``._run.toml``, ``.~lock.run.toml``) are other programs'.

    Parameters
    ----------
    folder : Path
        The folder.
    below : bool
        Whether to look into the folders in it, too.

    Returns
    -------
    Their paths, sorted.

    Raises
    ------
    DocumentError : when the folder, or one in it, cannot be looked into: nobody knows what it holds.
    """
    found: list[Path] = []
    for place, inside, names in os.walk(folder, onerror=_refuse):
        inside[:] = sorted(name for name in inside if not name.startswith(".")) if below else []
        found += [
            Path(place, name)
            for name in names
            if name.lower().endswith(".toml") and not name.startswith(".") and _may_be_one(Path(place, name))
        ]
    return sorted(found)


def _refuse(error: OSError) -> None:
    raise DocumentError.single(
        f"the folder cannot be looked into ({error.strerror or error})",
        file=str(error.filename),
        mend="check its permissions, or move it away",
    ) from error


def _may_be_one(path: Path) -> bool:
    try:
        content = content_of(path, most=PAPER)
    except (DocumentError, OSError):
        return True
    wide = content[:2] in _BYTE_ORDER_MARKS
    text = content.decode("utf-16" if wide else "utf-8", "replace").removeprefix("\ufeff")
    try:
        raw = tomllib.loads(text)
    except (ValueError, RecursionError):
        stated = _STATED.search(text)
        return stated is None or stated.group(1) not in PAPERS or stated.group(1) == _RUN_SHEET
    kind = str(raw.get("format", "")).partition("/")[0]
    return not text.strip() or kind == _RUN_SHEET or (kind not in PAPERS and "run" in raw)
