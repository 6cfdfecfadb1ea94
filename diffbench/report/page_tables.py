"""Tables of the page: rows of texts, rounded, with headings; the template sets them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from diffbench.report.conformity_text import limits_text
from diffbench.report.rounding import number_text, with_unit
from diffbench.report.verdict import check_text, disagrees
from diffbench.report.wording import (
    humanised,
    key_names,
    label,
    printable,
    seen_in,
    share_text,
    shared_names,
    source_text,
)
from diffbench.results.characterisation import Characterisation
from diffbench.results.conformity import conformity, limited_name
from diffbench.results.map_limits import friction_law_of

__all__ = [
    "Table",
    "adequacy_table",
    "bench_error_table",
    "budget_table",
    "correlation_table",
    "dropped_table",
    "form_table",
    "input_table",
    "key_table",
    "limit_table",
    "other_table",
    "sheet_table",
    "typeset",
]

# An axis of a matrix that shows less than that is no news.
WORTH_SHOWING = 0.7
MOST_PAIRS = 12
#: Of the bench's constants, by the first word of their names; gains, ratios and efficiencies have none.
UNITS = {
    "gain": "",
    "zero": "N·m",
    "tare": "N·m",
    "drag": "N·m",
    "drift": "N·m",
    "hysteresis": "N·m",
    "lag": "s",
    "inertia": "kg·m²",
    "ratio": "",
    "efficiency": "",
}

_MINUS = re.compile(r"(?<![\w.,\])])-(?=[\d∞])")


@dataclass(frozen=True)
class Table:
    """A table: what it shows, headings, rows whose first cell names the row, and which columns hold numbers.

    ``literal``: the rows bear names of files, which stay as they are.
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[int, ...] = ()
    literal: bool = False


def typeset(text: str) -> str:
    """A number as it is printed: with a minus sign in place of a hyphen.

    Examples
    --------
    >>> typeset("-301 to 704"), typeset("1.2e-7"), typeset("Q17-2026")
    ('\u2212301 to 704', '1.2e-7', 'Q17-2026')
    """
    return _MINUS.sub("\u2212", text)


def _table(
    caption: str,
    head: Sequence[str],
    rows: Sequence[Sequence[str]],
    numbers: Sequence[int] = (),
    *,
    literal: bool = False,
) -> Table:
    """A table whose numbers are typeset and whose texts can neither steer nor flood the page."""
    safe = [[printable(cell) for cell in row] for row in rows]
    set_rows = tuple(tuple(typeset(c) if i in numbers else c for i, c in enumerate(row)) for row in safe)
    return Table(caption, tuple(head), set_rows, tuple(numbers), literal)


def key_table(characterisation: Characterisation) -> Table:
    """Key numbers: value with standard uncertainty, 95 % interval, largest source of doubt."""
    return _quantities(characterisation, key_names(characterisation)[0], "Key numbers")


def other_table(characterisation: Characterisation) -> Table:
    """All other quantities, as the key numbers."""
    return _quantities(characterisation, key_names(characterisation)[1], "Friction, oil and heat behind them")


def _quantities(characterisation: Characterisation, names: Sequence[str], caption: str) -> Table:
    rows = []
    for name in names:
        parameter = characterisation.parameters[name]
        seen = seen_in(characterisation, name)
        needs = f"needs {humanised(parameter.needs or 'more data', characterisation.parameters)}"
        rows.append(
            (
                typeset(seen.label),
                seen.full,
                seen.interval or "none",
                seen.doubt if seen.determined else needs,
            )
        )
    head = ("Quantity", "Value ± standard uncertainty", "95 % interval", "Largest doubt, share of variance")
    return _table(caption, head, rows, (1, 2))


def limit_table(characterisation: Characterisation) -> Table | None:
    """Limits of the build sheet and what was found."""
    rows = []
    checks = conformity(characterisation).limits
    for limit, check in zip(characterisation.limits, checks, strict=True):
        key = limited_name(characterisation, limit.quantity)
        found = seen_in(characterisation, key) if key in characterisation.parameters else None
        low, high = number_text(limit.low), with_unit(number_text(limit.high), limit.unit)
        value, interval = (
            ("not determined", "none") if found is None else (found.full, found.interval or "none")
        )
        zone, guard, outcome = limits_text(check)[3:]
        rows.append((label(limit.quantity), f"{low} to {high}", value, interval, zone, guard, outcome))
    head = (
        "Quantity",
        "Limits",
        "Value ± standard uncertainty",
        "95 % interval",
        "Zone of acceptance",
        "Guard band",
        "Outcome (ISO 14253-1)",
    )
    return _table("Limits of the build sheet", head, rows, (1, 2, 3, 4, 5)) if rows else None


def budget_table(characterisation: Characterisation) -> Table:
    """Every quantity's budget: which part of its standard uncertainty comes from where."""
    rows = []
    repeated = shared_names(characterisation)
    for name, parameter in characterisation.parameters.items():
        if parameter.value is None or not parameter.u or name in repeated:
            continue
        for source, size in sorted(parameter.budget.items(), key=lambda item: -item[1]):
            share = (size / parameter.u) ** 2
            if share < 1e-4:
                continue
            part = with_unit(number_text(size, size), parameter.unit)
            rows.append(
                (
                    seen_in(characterisation, name).label,
                    source_text(source),
                    part,
                    share_text(size, parameter.u),
                )
            )
    head = ("Quantity", "Source of doubt", "Part of the standard uncertainty", "Share of variance")
    return _table("Uncertainty budget of every quantity", head, rows, (2, 3))


def budget_summary(characterisation: Characterisation) -> Table:
    """The sources that make up nearly all of each key number's variance, in one line each."""
    rows = []
    for name in key_names(characterisation)[0]:
        parameter = characterisation.parameters[name]
        if parameter.value is None:
            continue
        seen = seen_in(characterisation, name)
        ranked = sorted(parameter.budget.items(), key=lambda item: -item[1])
        parts = [
            f"{source_text(source)} {share_text(size, parameter.u)}"
            for source, size in ranked
            if parameter.u and (size / parameter.u) ** 2 >= 0.01
        ]
        rows.append((typeset(seen.label), seen.full, "; ".join(parts) or seen.doubt))
    head = ("Quantity", "Value ± standard uncertainty", "Where the variance comes from")
    return _table("Uncertainty budget of the key numbers", head, rows, (1,))


def adequacy_table(characterisation: Characterisation) -> Table:
    """Whether the residual has a course along any axis."""
    rows = [
        (
            item.axis,
            number_text(item.ratio, 0.1),
            str(item.bins),
            typeset(item.worst) or "too few cells to say",
        )
        for item in characterisation.diagnostics.adequacy
    ]
    head = ("Residual over", "Scatter of bin means, 1 = noise", "Bins", "Largest")
    return _table("Adequacy of the model", head, rows, (1, 2))


def bench_error_table(characterisation: Characterisation) -> Table | None:
    """What the sweeps say about the bench's own constants."""
    rows = [
        (
            name.replace("_", " "),
            " ".join((number_text(item["stated_u"], item["stated_u"]), _unit_of(name))).rstrip(),
            f"{number_text(item['standard_uncertainties'], 0.1)} ± {number_text(item['u'], 0.1)}",
        )
        for name, item in characterisation.diagnostics.bench_errors.items()
    ]
    head = (
        "Constant of the bench",
        "Stated standard uncertainty",
        "Error found, in stated standard uncertainties",
    )
    return _table("Bench errors as the sweeps see them", head, rows, (1, 2)) if rows else None


def _unit_of(constant: str) -> str:
    return UNITS.get(constant.partition(" ")[0], "")


def sheet_table(characterisation: Characterisation) -> Table | None:
    """Build sheet against bench."""
    rows = []
    for check in characterisation.sheet_checks:
        numbers, agreement = check_text(check)
        if disagrees(check):
            agreement += f"; {humanised(check.readings, characterisation.parameters)}"
        rows.append((humanised(check.quantity, characterisation.parameters), typeset(numbers), agreement))
    head = ("Quantity", "Bench and sheet", "Verdict")
    return _table("Build sheet against bench", head, rows, (1,)) if rows else None


def dropped_table(characterisation: Characterisation) -> Table | None:
    """Samples that the fit does not use, by recording and reason."""
    rows = [
        (run, reason, str(count))
        for run, reasons in characterisation.diagnostics.dropped.items()
        for reason, count in reasons.items()
    ]
    head = ("Recording", "Reason", "Samples")
    return _table("Samples not used, and why", head, rows, (2,), literal=True) if rows else None


def correlation_table(characterisation: Characterisation) -> Table | None:
    """The pairs of quantities that the data tell apart least."""
    names, matrix = characterisation.correlation.names, characterisation.correlation.matrix
    pairs = [
        (abs(matrix[i][j]), label(names[i]), label(names[j]), number_text(matrix[i][j], 0.01))
        for i in range(len(names))
        for j in range(i)
    ]
    pairs = sorted((p for p in pairs if p[0] >= WORTH_SHOWING), reverse=True)[:MOST_PAIRS]
    if not pairs:
        return None
    head = ("Quantity", "With", "Correlation")
    return _table("Quantities that go together", head, [pair[1:] for pair in pairs], (2,))


def form_table(characterisation: Characterisation) -> Table:
    """Forms of the model that count, and the evidence for the preload law."""
    rows = [
        (
            f"{form.law}, {friction_law_of(form).words}",
            f"{100 * form.weight:.0f} %",
            _behind(characterisation.law.information.get(form.law)),
        )
        for form in characterisation.forms
    ]
    rows += [
        (law, "0 %", _behind(behind))
        for law, behind in characterisation.law.information.items()
        if all(form.law != law for form in characterisation.forms)
    ]
    head = ("Form of the model", "Weight", "Bayesian information behind the best law")
    return _table("Forms of the model", head, rows, (1, 2))


def _behind(information: float | None) -> str:
    """In the words of the verdict: of a law that is hopeless, which is not searched to the end, digits mean
    nothing."""
    return "more than 1000" if information is not None and information >= 1000.0 else number_text(information)


def input_table(characterisation: Characterisation) -> Table:
    """Every file that went in, by its digest."""
    rows = list(characterisation.provenance.inputs.items())
    return _table("Files that went in", ("File", "SHA-256"), rows, literal=True)
