"""Characterisations as files: from what a user names to what a store keeps."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from diffbench.errors import DocumentError
from diffbench.history.journal import BuildFact, Facts, sha256
from diffbench.results.characterisation import load_characterisation
from diffbench.results.manifest import document, read_whole

NAME = "characterisation.json"


@dataclass(frozen=True)
class Paper:
    """A characterisation to be filed: its bytes, their hash, and what it says of itself."""

    content: bytes
    sha256: str
    facts: Facts
    file: str


def take(path: Path) -> Paper:
    """Read a characterisation, or the one in a folder that ``fit`` wrote. Raises ``DocumentError`` where it
    is none.
    """
    file = document(path, NAME)
    characterisation = load_characterisation(file)
    try:
        content = read_whole(file)
        same = json.loads(content).get("unit") == characterisation.unit
    except (OSError, ValueError) as error:
        raise DocumentError.single(
            "changed while it was read", file=str(file), mend="repeat the command"
        ) from error
    if not same:
        raise DocumentError.single("changed while it was read", file=str(file), mend="repeat the command")
    builds = tuple(BuildFact(fact.build, fact.build, fact.distance_m) for fact in characterisation.builds)
    return Paper(
        content, sha256(content), Facts(characterisation.unit, characterisation.date, builds), str(file)
    )


def recordings(document: Mapping[str, Any]) -> tuple[str, ...]:
    """Hashes of the recordings behind a characterisation, sorted: two fits of the same ones share them.

    Papers (rig, build sheet, run sheet) are left out: a second fit is made because one of them was mended.

    Examples
    --------
    >>> recordings({"provenance": {"inputs": {"run.toml": "aa", "sweep.csv": "cc", "tare.csv": "bb"}}})
    ('bb', 'cc')
    """
    inputs: Mapping[str, str] = document.get("provenance", {}).get("inputs", {})
    return tuple(sorted(digest for name, digest in inputs.items() if not name.lower().endswith(".toml")))
