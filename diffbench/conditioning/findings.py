"""What was noticed about a recording or a fit: a name, how grave, the evidence, what it does, and what to
do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from diffbench.recording import Recording

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


def breaks_off(recording: Recording) -> list[Finding]:
    """What is to be told of a recording whose last line was not written to its end, or may not have been."""
    last = recording.last_line
    if last is None:
        return []
    return [
        Finding(
            "recording breaks off",
            "caveat",
            str(recording.source.path),
            str(last),
            "What came after it is missing"
            + ("." if not last.kept else ", if anything did; the sample counts as it was read."),
            "Copy the file from the bench again, or record again.",
        )
    ]
