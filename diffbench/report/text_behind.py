"""What lies behind the summary, for a terminal: every budget, the checks of the model, bench errors, closest
correlations."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from diffbench.characterisation import Characterisation
from diffbench.report import page_tables
from diffbench.report.layout import headed
from diffbench.report.page_tables import Table

__all__ = ["behind"]

DIGITS = 16


def behind(
    characterisation: Characterisation, width: int, heading: Callable[[str], list[str]]
) -> list[list[str]]:
    """Blocks of lines that follow the summary.

    Parameters
    ----------
    characterisation : Characterisation
        The result.
    width : int
        Columns of a line.
    heading : callable
        Sets a heading off.

    Returns
    -------
    The same tables as on the page, one block each.
    """
    tables = (
        replace(
            page_tables.budget_table(characterisation),
            head=("Quantity", "Source of doubt", "Part of u", "Of u²"),
        ),
        page_tables.adequacy_table(characterisation),
        page_tables.bench_error_table(characterisation),
        page_tables.correlation_table(characterisation),
        page_tables.form_table(characterisation),
        page_tables.dropped_table(characterisation),
        _short_digests(page_tables.input_table(characterisation)),
    )
    return [
        [*heading(table.caption), *headed(table.head, _once(table), width)]
        for table in tables
        if table is not None
    ]


def _short_digests(table: Table) -> Table:
    """Digests as far as they are compared by eye; in full in the document."""
    return replace(table, rows=tuple((name, f"{digest[:DIGITS]}...") for name, digest in table.rows))


def _once(table: Table) -> Sequence[Sequence[str]]:
    """Rows whose first cell stands once for all that follow of the same, with hyphens for minus signs, which
    every code page has."""
    rows = []
    before = None
    for row in table.rows:
        plain = [cell.replace("\u2212", "-") for cell in row]
        rows.append(["" if plain[0] == before else plain[0], *plain[1:]])
        before = plain[0]
    return rows
