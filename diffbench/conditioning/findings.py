"""What was noticed about a recording or a fit: a name, how grave, the evidence, what it does, and what to
do. The guide's page of checks lists every name, and a test holds it against the code."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from diffbench.errors import Fault, Place
from diffbench.recording import Recording

Severity = Literal["note", "caveat", "stop"]
GRAVITY: tuple[Severity, ...] = ("stop", "caveat", "note")


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


def clocks_apart(recording: Recording) -> list[Finding]:
    """What is to be told of groups of one file whose clocks have little in common."""
    return [
        Finding(
            "clocks apart",
            "caveat",
            str(recording.source.path),
            told,
            "Where one group has no sample there is none of the other: those are left out, nothing is filled "
            "in. Where one clock is off, what is left belongs to different moments.",
            "Set both loggers' clocks alike, or correct one; or export all channels from one logger.",
        )
        for told in recording.clocks_apart
    ]


def told_once(parts: Sequence[Sequence[Finding]]) -> list[Finding]:
    """Findings of all parts; what several have is told as of the one where it is gravest, and of how many."""
    if len(parts) == 1:
        return list(parts[0])
    found: dict[tuple[str, str], Finding] = {}
    count: Counter[tuple[str, str]] = Counter()
    for part in parts:
        for finding in part:
            key = finding.name, finding.where
            count[key] += 1
            known = found.get(key)
            if known is None or GRAVITY.index(finding.severity) < GRAVITY.index(known.severity):
                found[key] = finding
    return [
        replace(
            finding,
            evidence=f"{finding.evidence} (The recording was looked at in {len(parts)} parts; that is of one "
            f"of the {count[key]} that show it.)",
        )
        for key, finding in found.items()
    ]


def refusals(findings: Sequence[Finding], *, file: str | None) -> list[Fault]:
    """The findings that stop the fit, as faults of a file."""
    return [
        Fault(f"{finding.name}: {finding.evidence} {finding.effect}".rstrip("."), Place(file), finding.mend)
        for finding in findings
        if finding.severity == "stop"
    ]
