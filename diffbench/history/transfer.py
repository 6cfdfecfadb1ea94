"""A history as one file of text: for safe keeping, for another store, for any other program.

JSON Lines: a first line that says how many entries follow and how their chain ends; then one line for each
entry, a record's with its document. Everything carries its hash, so that a line that was changed is named.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from diffbench.errors import DocumentError, Fault, Place
from diffbench.history.journal import OPENING, START, Entry, damage_of, link, sha256
from diffbench.input_files import EXPORT, content_of
from diffbench.whole_files import write_whole

FORMAT = "diffbench-history/1"


@dataclass(frozen=True)
class Arrival:
    """An entry that comes from an export; ``document`` holds the bytes of a record's characterisation."""

    entry: Entry
    document: bytes | None


def write_export(path: Path, entries: Iterable[tuple[Entry, bytes | None]]) -> None:
    """Write sound entries in order, a record's with its document, to a new file: whole or not at all. Raises
    ``OutputError`` where it exists or cannot be written.
    """
    lines, chain = [], START
    for entry, document in entries:
        line: dict[str, Any] = {"kind": entry.kind, "content": entry.content, "digest": entry.digest}
        if document is not None:
            line["document"] = document.decode("utf-8")
        lines.append(json.dumps(line, ensure_ascii=False))
        chain = link(chain, entry.digest)
    head = json.dumps({"format": FORMAT, "entries": len(lines), "chain": chain})
    text = "".join(f"{line}\n" for line in (head, *lines))
    write_whole(path.parent, {path.name: text.encode("utf-8")}, replace=False)


def read_export(path: Path) -> list[Arrival]:
    """Read an export and check all of it. Raises ``DocumentError`` where it is none, or not what was written,
    with every line that is not.
    """
    try:
        lines = content_of(path, most=EXPORT).decode("utf-8").split("\n")
    except OSError as error:
        raise DocumentError.single(
            f"cannot be read ({error.strerror or error})", file=str(path), mend="check the path"
        ) from error
    except UnicodeDecodeError as error:
        raise DocumentError.single("is not UTF-8 text", file=str(path), mend="export it again") from error
    head = _json(lines[0])
    if head.get("format") != FORMAT:
        raise DocumentError.single(
            f"is no export of a history ({FORMAT})",
            file=str(path),
            line=1,
            mend="name a file that diffbench history export wrote",
        )
    faults: list[Fault] = []
    arrivals: list[Arrival] = []
    chain = START
    for number, line in enumerate(lines[1:], start=2):
        if not line and number == len(lines):
            break
        arrival = _arrival(line)
        if isinstance(arrival, str):
            faults.append(Fault(arrival, Place(str(path), line=number), "export it again"))
            continue
        arrivals.append(arrival)
        chain = link(chain, arrival.entry.digest)
    if not faults and (len(arrivals), chain) != (head.get("entries"), head.get("chain")):
        faults.append(
            Fault(
                f"holds {len(arrivals)} entries, its first line speaks of {head.get('entries')}, "
                "or they are not in their order",
                Place(str(path)),
                "export it again: a part is missing or was moved",
            )
        )
    if faults:
        raise DocumentError(faults)
    return arrivals


def _arrival(line: str) -> Arrival | str:
    """An entry of a line, which gets its number where it is filed, or what is wrong with it."""
    found = _json(line)
    content = _json(str(found.get("content")))
    entry = Entry(
        0,
        str(found.get("kind")),
        str(content.get("document")),
        str(found.get("content")),
        str(found.get("digest")),
        "",
    )
    damage = damage_of(entry)
    if damage is not None:
        return damage.what
    document = found.get("document")
    if entry.kind not in OPENING:
        return Arrival(entry, None)
    if not isinstance(document, str) or sha256(document) != entry.document:
        return "its document is not what was filed"
    return Arrival(entry, document.encode("utf-8"))


def _json(line: str) -> dict[str, Any]:
    try:
        found = json.loads(line)
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}
