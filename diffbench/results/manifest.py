"""What belongs together: the manifest of a set of files, and reading by it.

A manifest names every file of a set with its SHA-256. It is a file of the set itself, so what is in force is
always one manifest, and a file is read as that one has it, or not at all.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import re
import time
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from diffbench.errors import DocumentError, Fault, OutputError, Place
from diffbench.input_files import RESULT, content_of
from diffbench.whole_files import in_force, recover

__all__ = [
    "NAME",
    "Manifest",
    "check_whole",
    "content_digest",
    "document",
    "document_schema",
    "folder_names",
    "forget",
    "holds",
    "manifest_of",
    "missing",
    "read_whole",
    "refuse_over_results",
    "with_manifest",
]

FORMAT = "diffbench-manifest/1"
NAME = "result-manifest.json"
_PATIENCE = 5.0  # s for a set to come to its places while it is read
_AGAIN = "make the result again with diffbench fit"


def content_digest(content: Mapping[str, Any]) -> str:
    """SHA-256 of what a document says, whatever spaces and order it is written in.

    Parameters
    ----------
    content : mapping
        The document as plain values; its own ``sha256`` is left out.

    Returns
    -------
    64 hexadecimal digits.

    Examples
    --------
    >>> content_digest({"b": 1.0, "a": [2.5]}) == content_digest({"a": [2.5], "b": 1.0, "sha256": "x"})
    True

    Source: FIPS 180-4, over UTF-8 JSON (RFC 8259) with sorted keys and no spaces, other than ASCII escaped,
    floats by the shortest text that reads back the same.
    """
    kept = {key: part for key, part in content.items() if key != "sha256"}
    text = json.dumps(kept, sort_keys=True, separators=(",", ":"), allow_nan=True)
    return hashlib.sha256(text.encode("ascii")).hexdigest()


@dataclass(frozen=True)
class Manifest:
    """``files``: SHA-256 by name, ``/`` between folders. ``result``: the hash of the main document's content,
    which the other documents of the set bear too."""

    result: str
    files: Mapping[str, str]


def with_manifest(contents: Mapping[str, bytes], *, result: str, name: str = NAME) -> dict[str, bytes]:
    """The files of a set with their manifest, which stands first."""
    files = {each: hashlib.sha256(content).hexdigest() for each, content in contents.items()}
    said: dict[str, Any] = {"format": FORMAT, "result": result, "files": files}
    said["sha256"] = content_digest(said)
    return {name: (json.dumps(said, ensure_ascii=False, indent=1) + "\n").encode("utf-8"), **contents}


def manifest_of(directory: Path) -> Manifest | None:
    """The manifest in force in a folder; None where there is none, as in results of older versions.

    Raises ``DocumentError`` where it is damaged or was edited.
    """
    return _parsed(_seen(directory)[1], directory / NAME)


def read_whole(path: Path) -> bytes:
    """Bytes of a file, as the set has it that is in force: old or new, while one gives way to the other.

    Parameters
    ----------
    path : Path
        The file. It is held against the manifest in its folder, or in the one above, that names it; a file
        that none names is read as it is.

    Raises
    ------
    DocumentError
        It is not what the manifest says: edited, or of another fit.
    OSError
        It cannot be read.
    """
    with contextlib.suppress(OSError, OutputError):
        recover(path.parent)
    until = time.monotonic() + _PATIENCE
    while True:
        home, name, seen = _home(path)
        manifest = _parsed(seen[1], home / NAME)
        expected = None if manifest is None else manifest.files.get(name)
        found = [content for folder in (*seen[0], home) if (content := _bytes(folder / name)) is not None]
        for content in found:
            if _same(content, expected) if expected else _seen(home) == seen:
                return content
        if (not seen[0] and _seen(home) == seen) or time.monotonic() > until:
            break
        time.sleep(0.005)
    content = content_of(path, most=RESULT)  # where it cannot be read, this says why
    if expected is None:
        return content
    told = f"written {expected[:12]}…, found {hashlib.sha256(content).hexdigest()[:12]}…"
    raise DocumentError.single(
        f"is not the file that was written with the rest of its result ({NAME}: {told}): it was edited or "
        "damaged, or is of another fit",
        file=str(path),
        mend=f"{_AGAIN}; where the change was meant, keep the file in a folder of its own",
    )


def _bytes(path: Path) -> bytes | None:
    try:
        return content_of(path, most=RESULT)
    except (OSError, DocumentError):
        return None


def _same(content: bytes, expected: str) -> bool:
    """Whether these are the bytes of a hash; line ends as another system writes them do no harm."""
    unix = content.replace(b"\r\n", b"\n")
    return any(hashlib.sha256(each).hexdigest() == expected for each in (content, unix))


def document(path: Path, name: str) -> Path:
    """The file of a document that is named by itself, or by the folder of its result, which then is held
    against its manifest as a whole (`check_whole`)."""
    if not path.is_dir():
        return path
    if check_whole(path) is None:
        _refuse_two_fits(path)
    return path / name


def _refuse_two_fits(directory: Path) -> None:
    """Without a manifest, documents of one fit are known by the hash that they name."""
    said = []
    for name, key in (("characterisation.json", "sha256"), ("map.json", "characterisation_sha256")):
        try:
            said.append(json.loads(content_of(directory / name, most=RESULT)).get(key))
        except (OSError, ValueError, AttributeError, DocumentError):
            return  # not there, or none: who reads it says so
    if None not in said and said[0] != said[1]:
        raise DocumentError.single(
            "is not the map of the characterisation beside it: they are of two fits, or one was edited",
            file=str(directory / "map.json"),
            mend=f"{_AGAIN}, or name the one that is wanted by its own file",
        )


def check_whole(directory: Path) -> Manifest | None:
    """Hold all files of a folder's manifest against it.

    Returns
    -------
    The manifest; None where there is none.

    Raises
    ------
    DocumentError
        With every file that was edited or is of another fit. One that is missing is no fault of those that
        are there: who needs it will say so.
    """
    with contextlib.suppress(OSError, OutputError):
        recover(directory)
    while True:
        before = _seen(directory)
        manifest = _parsed(before[1], directory / NAME)
        faults: list[Fault] = []
        for name in () if manifest is None else manifest.files:
            try:
                read_whole(directory / name)
            except FileNotFoundError:
                continue
            except DocumentError as error:
                faults += error.faults
        if _seen(directory)[1] == before[1]:
            break
    if faults:
        raise DocumentError(faults)
    return manifest


def refuse_over_results(paths: Sequence[Path]) -> None:
    """Refuse places where a file of a result stands. Raises ``OutputError`` that names each."""
    faults = []
    for path in paths:
        name = path.resolve()
        home, within, seen = _home(name)
        manifest = _parsed(seen[1], home / NAME)
        if manifest is None:
            continue
        own = any(
            within == each or (name.exists() and (home / each).exists() and name.samefile(home / each))
            for each in (NAME, *manifest.files)
        )
        if own:
            told = "is a file of the result in this folder, which would be written over"
            faults.append(Fault(told, Place(str(path)), "name another file with --out"))
    if faults:
        raise OutputError(faults)


def holds(directory: Path, name: str) -> bool:
    """Whether a file is in a folder, in its place or on the way there."""
    return any((folder / name).is_file() for folder in (*in_force(directory), directory))


def missing(directory: Path, manifest: Manifest) -> list[str]:
    """Files of a manifest that are not there."""
    return [name for name in manifest.files if not holds(directory, name)]


_Seen = tuple[tuple[Path, ...], bytes | None]


def _seen(directory: Path) -> _Seen:
    """Folder of a set that is on its way to its places, and the manifest in force, seen at one moment."""
    while True:
        sets = tuple(in_force(directory))
        content: bytes | None = None
        for place in (*(folder / NAME for folder in sets), directory / NAME):
            with contextlib.suppress(FileNotFoundError, NotADirectoryError):
                content = content_of(place, most=RESULT)
                break
        if tuple(in_force(directory)) == sets:
            return sets, content


def _home(path: Path) -> tuple[Path, str, _Seen]:
    """Folder whose manifest names a file, the file's name in it, and what was seen there."""
    nearest = _seen(path.parent)
    above = path.parent.parent
    if nearest[1] is None and not nearest[0] and above != path.parent:
        seen = _seen(above)
        name = f"{path.parent.name}/{path.name}"
        manifest = _parsed(seen[1], above / NAME)
        if manifest is not None and name in manifest.files:
            return above, name, seen
    return path.parent, path.name, nearest


def _parsed(content: bytes | None, path: Path) -> Manifest | None:
    if content is None:
        return None
    try:
        said = json.loads(content)
        sound = said["format"] == FORMAT and said["sha256"] == content_digest(said)
        manifest = Manifest(str(said["result"]), {str(k): str(v) for k, v in said["files"].items()})
    except (ValueError, KeyError, TypeError, AttributeError):
        sound = False
    if not sound or not all(_within(name) for name in manifest.files):
        raise DocumentError.single(
            "is damaged, was edited, or is of a newer version",
            file=str(path),
            mend=f"{_AGAIN}; or move this file away, and the others are read without it",
        )
    return manifest


def _within(name: str) -> bool:
    """Whether a name leads nowhere else than into a folder."""
    return not ({"", ".", ".."} & set(name.split("/")) or set(name) & {"\\", ":", "\0"})


def forget(directory: Path) -> list[str]:
    """Names of the manifest in force, and its own; nothing where none can be read, for who replaces it."""
    try:
        manifest = manifest_of(directory)
    except DocumentError:
        return [NAME]
    return [] if manifest is None else [NAME, *manifest.files]


def document_schema() -> dict[str, Any]:
    """JSON Schema of a manifest."""
    digest = {"type": "string", "pattern": "^[0-9a-f]{64}$"}
    keys = {
        "format": {"const": FORMAT},
        "result": {"type": "string", "description": "hash of what the set's main document says"},
        "files": {"type": "object", "description": "SHA-256 by name", "additionalProperties": digest},
        "sha256": {**digest, "description": "of the content of this document"},
    }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": FORMAT,
        "title": FORMAT,
        "description": "the files of a set that was written as one",
        "type": "object",
        "properties": keys,
        "required": list(keys),
        "additionalProperties": False,
    }


_UNSAFE = re.compile(r"[^\w.+=@ -]")
_LONGEST = 80
# Names that no folder can have under Windows, with whatever ending.
_DEVICES = {"con", "prn", "aux", "nul", *(f"{port}{i}" for port in ("com", "lpt") for i in range(10))}
# What stands beside the folders.
_BESIDE = {"characterisation.json", "map.json", "map.csv", "report.html", "report.pdf"}


def folder_names(builds: Sequence[str]) -> list[str]:
    """A folder for each build: its name, as far as every file system can bear it, and no two alike.

    What is no letter, digit or one of ``. _ + = @ -`` becomes a low line, so that no name leads elsewhere;
    where two would then be one, were capitals and accents the same, a number follows.

    Examples
    --------
    >>> folder_names(["D07-2026-03-14", "a/b", "a:b", "../../etc", "NUL", " "])
    ['D07-2026-03-14', 'a_b', 'a_b-2', '_.._etc', '_NUL', '_']
    """
    made: list[str] = []
    taken = set(_BESIDE)
    for build in builds:
        safe = _UNSAFE.sub("_", unicodedata.normalize("NFC", build)).strip(". ")
        # a folder's name is counted in bytes
        safe = safe.encode()[:_LONGEST].decode(errors="ignore").strip(". ") or "_"
        if safe.partition(".")[0].strip().casefold() in _DEVICES:
            safe = f"_{safe}"
        name, number = safe, 1
        while _alike(name) in taken:
            number += 1
            name = f"{safe}-{number}"
        taken.add(_alike(name))
        made.append(name)
    return made


def _alike(name: str) -> str:
    """What two names have in common that one of the usual file systems takes for the same."""
    return unicodedata.normalize("NFKD", name).casefold()
