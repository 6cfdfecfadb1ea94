"""Many run sheets at once: what became of each, failures first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from diffbench.report.document import Document, Section, Sentence, Table
from diffbench.report.judgement import WORDS
from diffbench.report.rounding import with_uncertainty
from diffbench.report.wording import printable
from diffbench.results.state import STATE_OF


def fleet_document(rows: Sequence[Mapping[str, Any]]) -> Document:
    """An overview of run sheets: the faults, then units by state, the gravest first.

    Parameters
    ----------
    rows : sequence of mapping
        Of each run sheet its name, faults, unit, build, date, state and preload torque.

    Returns
    -------
    The document.
    """
    broken = [
        (printable(str(row["run_sheet"]), limit=80), printable(fault))
        for row in rows
        for fault in row["faults"]
    ]
    gravity = list(dict.fromkeys(STATE_OF.values()))
    fitted = sorted(
        (row for row in rows if not row["faults"]),
        key=lambda row: (gravity.index(row["state"]), row["run_sheet"]),
    )
    cells = [
        (
            *(printable(str(row[key]), limit=60) for key in ("run_sheet", "unit", "build", "date")),
            WORDS[row["state"]],
            with_uncertainty(row["preload_torque"], row["preload_torque_u"], "N·m"),
        )
        for row in fitted
    ]
    head = ("Run sheet", "Unit", "Build", "Tested", "State", "Preload torque")
    told = f"{len(rows)} run sheets, {len(rows) - len(fitted)} with faults."
    sections = (
        Section("", (Sentence(told),)),
        Section("Faults", (Table("Faults", ("Run sheet", "Fault"), tuple(broken)),) if broken else ()),
        Section("Units", (Table("Units by state", head, tuple(cells), (5,)),) if cells else ()),
    )
    return Document("Run sheets", sections)
