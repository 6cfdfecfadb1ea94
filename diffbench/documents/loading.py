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
from typing import Any, Generic, TypeVar

from pydantic import ValidationError

from diffbench.documents.build import Build
from diffbench.documents.car import Car, Phase
from diffbench.documents.faults import faults_of, key_lines, line_of
from diffbench.documents.fields import Table
from diffbench.documents.rig import FileSettings, Rig
from diffbench.documents.run_sheet import RunSheet
from diffbench.errors import DocumentError
from diffbench.input_files import PAPER, content_of

Document = TypeVar("Document", bound=Table)

VERSIONS: dict[str, tuple[str, int]] = {
    "diffbench-rig": ("rig", 1),
    "diffbench-build": ("build sheet", 1),
    "diffbench-run": ("run sheet", 1),
    "diffbench-car": ("car", 1),
}
_FORMATS: dict[type[Table], str] = {
    Rig: "diffbench-rig",
    Build: "diffbench-build",
    RunSheet: "diffbench-run",
    Car: "diffbench-car",
}
_BYTE_ORDER_MARKS = {b"\xff\xfe": "UTF-16", b"\xfe\xff": "UTF-16"}


def load_rig(path: str | Path) -> Rig:
    """Return a rig from its TOML file.

    Parameters
    ----------
    path : str or Path
        The file.

    Returns
    -------
    The rig, in SI.

    Raises
    ------
    DocumentError : with every fault of the file.
    """
    return read_document(path, Rig).document


def load_build(path: str | Path) -> Build:
    """Return a build sheet from its TOML file.

    Parameters
    ----------
    path : str or Path
        The file.

    Returns
    -------
    The build sheet, in SI.

    Raises
    ------
    DocumentError : with every fault of the file.
    """
    return read_document(path, Build).document


def load_run_sheet(path: str | Path) -> RunSheet:
    """Return a run sheet from its TOML file; the files that it names are not looked at.

    Parameters
    ----------
    path : str or Path
        The file.

    Returns
    -------
    The run sheet.

    Raises
    ------
    DocumentError : with every fault of the file.
    """
    return read_document(path, RunSheet).document


def load_car(path: str | Path) -> Car:
    """Return a car from its TOML file.

    Parameters
    ----------
    path : str or Path
        The file.

    Returns
    -------
    The car, in SI.

    Raises
    ------
    DocumentError : with every fault of the file.
    """
    return read_document(path, Car).document


def phase_of(values: Mapping[str, object], *, source: str) -> Phase:
    """Return one phase of a corner entry from values that stand in no file.

    Parameters
    ----------
    values : mapping
        By the keys of a phase.
    source : str
        Where they come from, for messages.

    Returns
    -------
    The phase, in SI.

    Raises
    ------
    DocumentError : with every fault.

    Examples
    --------
    >>> point = {"name": "apex", "speed": "72 km/h", "radius": 40, "engine_braking": 90, "temperature": 80}
    >>> phase_of(point, source="options").input_torque
    -90.0
    """
    return document_of(values, Phase, source=source)


def document_of(values: Mapping[str, object], model: type[Document], *, source: str) -> Document:
    """Return a document from values that stand in no file, by the keys of its TOML.

    Raises
    ------
    DocumentError : with every fault, at ``source``.
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
    """Return a document with the digest of its file.

    Parameters
    ----------
    path : str or Path
        The file.
    model : type
        `Rig`, `Build`, `RunSheet` or `Car`.

    Returns
    -------
    The document in SI, digest and text.

    Raises
    ------
    DocumentError : with every fault of the file.
    """
    content = _bytes(Path(path))
    text = _text(content, str(path))
    raw = _parsed(text, str(path))
    _check_format(raw, model, str(path), text)
    try:
        return Read(model.model_validate(raw), hashlib.sha256(content).hexdigest(), text)
    except ValidationError as error:
        raise DocumentError(faults_of(error, model, str(path), text)) from error


def nearest_file(path: Path) -> str | None:
    """Return the name of the file beside a missing one that looks most like it.

    Parameters
    ----------
    path : Path
        A path that does not exist.

    Returns
    -------
    A name in the same folder; None where the folder has none like it, or is missing itself.
    """
    try:
        # Sorted, so that of two equally near names the same one is offered on every machine.
        entries = [entry.name for entry in sorted(path.parent.iterdir()) if entry.is_file()]
    except (OSError, ValueError):  # no such folder, one that is closed to us, or a name that can't be one
        return None
    names = {name.casefold(): name for name in entries}
    near = difflib.get_close_matches(path.name.casefold(), names, n=1)
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
        line = content.count(b"\n", 0, error.start) + 1
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
    """Return the mend of the slips that workshops make most."""
    lines = text.splitlines()
    written = lines[line - 1] if line <= len(lines) else ""
    if "overwrite" in what or "twice" in what or "already" in what:
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
    wanted = _FORMATS[model]
    name, version = VERSIONS[wanted]
    written = raw.get("format")
    add = f'write format = "{wanted}/{version}"'
    if written is None:
        if not raw:
            raise DocumentError.single("the file is empty", file=file, mend=f"{add}, and describe the {name}")
        return  # reported with the other missing keys
    line = line_of(("format",), key_lines(text))
    kind, _, number = str(written).partition("/")
    if kind not in VERSIONS:
        near = difflib.get_close_matches(kind, VERSIONS, n=1)
        raise DocumentError.single(
            f"'{written}' is no known format{f', {near[0]} is meant, perhaps' if near else ''}",
            file=file,
            line=line,
            key="format",
            mend=add,
        )
    if kind != wanted:
        raise DocumentError.single(
            f"this is a {VERSIONS[kind][0]}, a {name} is wanted",
            file=file,
            line=line,
            key="format",
            mend=f"name the {name} here",
        )
    if not number.isdecimal() or int(number) != version:
        newer = number.isdecimal() and int(number) > version
        raise DocumentError.single(
            f"'{written}' is {'newer than this program' if newer else 'no known version'}",
            file=file,
            line=line,
            key="format",
            mend=f"update diffbench, or {add}" if newer else add,
        )


def stated_settings(raw: Mapping[str, object], where: str) -> FileSettings:
    """Return what is stated of a file.

    Parameters
    ----------
    raw : mapping
        Keys of [file], and their values as TOML would have them.
    where : str
        Where they stand, for messages: an option of the command line.

    Returns
    -------
    The settings.

    Raises
    ------
    DocumentError : with every fault of them.

    Examples
    --------
    >>> stated_settings({"delimiter": "tab"}, "--file").delimiter
    '\\t'
    """
    return document_of(raw, FileSettings, source=where)


_RUN_SHEET = "diffbench-run"
_STATED = re.compile(r"""^\s*["']?format["']?\s*=\s*["'](diffbench-[a-z]+)""", re.MULTILINE)


def run_sheets_in(folder: Path, *, below: bool = False) -> list[Path]:
    """Return the run sheets of a folder, and all that may be one.

    A ``.toml`` file is left out only where it is seen to be something else: another paper, or whole TOML
    that has no runs. One that cannot be opened, decoded or parsed is given back, so that whoever loads it
    tells its faults. Hidden files (``._run.toml``, ``.~lock.run.toml``) are other programs'.

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
    wide = content[:2] in (b"\xff\xfe", b"\xfe\xff")
    text = content.decode("utf-16" if wide else "utf-8", "replace").removeprefix("\ufeff")
    try:
        raw = tomllib.loads(text)
    except (ValueError, RecursionError):
        stated = _STATED.search(text)
        return stated is None or stated.group(1) not in VERSIONS or stated.group(1) == _RUN_SHEET
    kind = str(raw.get("format", "")).partition("/")[0]
    return kind == _RUN_SHEET or (kind not in VERSIONS and "run" in raw)
