"""What lies behind the summary, for a terminal: every budget, the checks of the model, bench errors, closest
correlations."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import groupby

from diffbench.report import page_tables
from diffbench.report.layout import INDENT, headed
from diffbench.report.layout import table as rows_of
from diffbench.report.page_tables import Table
from diffbench.results.characterisation import Characterisation

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
        page_tables.adequacy_table(characterisation),
        page_tables.bench_error_table(characterisation),
        page_tables.correlation_table(characterisation),
        page_tables.form_table(characterisation),
        page_tables.dropped_table(characterisation),
        _short_digests(page_tables.input_table(characterisation)),
    )
    return [
        _budgets(page_tables.budget_table(characterisation), width, heading),
    ] + [
        [*heading(table.caption), *headed(table.head, _once(table), width)]
        for table in tables
        if table is not None
    ]


def _budgets(budgets: Table, width: int, heading: Callable[[str], list[str]]) -> list[str]:
    """Each quantity with its sources below it: side by side they would not fit."""
    lines = heading(f"{budgets.caption}: part of u, share of u²")
    for name, rows in groupby(_plain(budgets), key=lambda row: row[0]):
        parts = [row[1:] for row in rows]
        lines += [f"{' ' * INDENT}{name}", *rows_of(parts, width, indent=2 * INDENT)]
    return lines


def _short_digests(table: Table) -> Table:
    """Digests as far as they are compared by eye; in full in the document."""
    return replace(table, rows=tuple((name, f"{digest[:DIGITS]}...") for name, digest in table.rows))


def _once(table: Table) -> list[list[str]]:
    """Rows whose first cell stands once for all that follow of the same."""
    rows = []
    before = None
    for row in _plain(table):
        rows.append(["" if row[0] == before else row[0], *row[1:]])
        before = row[0]
    return rows


def _plain(table: Table) -> list[list[str]]:
    """Rows with hyphens for minus signs, which every code page has."""
    return [[cell.replace("\u2212", "-") for cell in row] for row in table.rows]
