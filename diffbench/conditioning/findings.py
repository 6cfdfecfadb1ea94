"""What was noticed about a recording or a fit: a name, how grave, the evidence, what it does, and what to
do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Severity = Literal["note", "caveat", "stop"]


@dataclass(frozen=True)
class Finding:
    """One finding. ``severity`` decides what happens: a note is only told, a caveat goes with the result, a
    stop ends the fit."""

    name: str
    severity: Severity
    where: str
    evidence: str
    effect: str
    mend: str

    def __str__(self) -> str:
        return (
            f"{self.severity}: {self.name} ({self.where}): {self.evidence} {self.effect} {self.mend}".strip()
        )
