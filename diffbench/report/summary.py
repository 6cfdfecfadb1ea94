"""The result in the terminal: what a person reads at a glance, then what it rests on."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from itertools import groupby

from diffbench.definitions import parts_of
from diffbench.report.conformity import limits_table
from diffbench.report.document import Sentence, Table, bare, item
from diffbench.report.result import (
    RUNS_THAT_HELP,
    Outcome,
    adequacy_table,
    bench_error_table,
    budget_table,
    check_text,
    correlation_table,
    coverage_text,
    disagrees,
    dropped_table,
    fit_text,
    form_table,
    input_table,
    law_text,
    needs_text,
    next_steps_text,
    next_tests_text,
    unit_line,
    verdict,
)
from diffbench.report.rounding import NOT_DETERMINED, with_unit
from diffbench.report.terminal import GAP, INDENT, Section, columns_of, stacked, table, text_of, wrapped
from diffbench.report.wording import (
    Shown,
    grouped_findings,
    humanised,
    key_names,
    label,
    printable,
    seen_in,
)
from diffbench.results.characterisation import Characterisation
from diffbench.results.conformity import conformity

__all__ = ["summary"]

NARROWEST = 60
# A column narrower than that says too little in a line.
ROOM_FOR_DOUBT = 24
# Select Graphic Rendition of ECMA-48: blue, magenta and yellow are told apart by all colour-blind
# readers, and the words say it too.
_OUTCOME_STYLES: dict[Outcome, str] = {
    "within": "1;34",
    "outside": "1;35",
    "not proven": "1;33",
    "no limits": "1",
}
_HEADING = "1"

DIGITS = 16


def summary(
    characterisation: Characterisation, *, colour: bool = False, width: int = 100, verbose: bool = False
) -> str:
    """The result as text for a terminal.

    Parameters
    ----------
    characterisation : Characterisation
        The result.
    colour : bool
        Whether headings and verdict are set off by terminal styles; the words are the same without.
    width : int
        Columns of a line, at least 60.
    verbose : bool
        Whether the budget of every quantity, the checks of the model, the bench errors and the closest
        correlations follow.

    Returns
    -------
    The text, without a line end at its end. Verdict and key numbers come first, each with its 95 % interval
    and the largest source of doubt, then limits with their guard bands; then preload law, checks, what is not
    determined, findings, what counts as exact, what to do next, and how the fit went.

    References
    ----------
    Numbers are rounded by JCGM 100:2008, 7.2.6.
    """

    def paint(text: str, style: str = _HEADING) -> str:
        return f"\x1b[{style}m{text}\x1b[0m" if colour else text

    sections = [
        Section("", (lambda columns: _head(characterisation, columns, paint),)),
        _key_numbers(characterisation),
        Section(
            "Limits, with guard bands (ISO 14253-1)", (limits_table(conformity(characterisation).limits),)
        ),
        _more_numbers(characterisation),
        _ground(characterisation),
        _undetermined(characterisation),
        _findings(characterisation),
        _list("Counts as exact", characterisation.assumed_exact, characterisation),
        _list("What to do next", next_steps_text(characterisation), characterisation),
        _list(RUNS_THAT_HELP, next_tests_text(characterisation), characterisation),
        Section("", (Sentence(fit_text(characterisation), first="Fit: "),)),
        *(_behind(characterisation) if verbose else []),
    ]
    return text_of(sections, max(width, NARROWEST), paint=paint)


def _head(characterisation: Characterisation, width: int, paint: Callable[..., str]) -> list[str]:
    """Unit and date at the ends of one line, where both fit; then the verdict, its word set off."""
    date = f"tested {printable(characterisation.date, limit=20)}"
    unit = unit_line(characterisation)
    room = width - columns_of(unit) - columns_of(date)
    title, *more = [f"{unit}{' ' * room}{date}"] if room >= 2 else [*wrapped(unit, width), date]
    found = verdict(characterisation)
    word = found.words.upper()
    beside = " " * (len(word) + 2)
    first, *others = found.sentences
    top, *said = wrapped(first, width, first=f"{word}  ")
    for sentence in (*others, found.trust):
        said += wrapped(sentence, width, first=beside)
    style = _OUTCOME_STYLES[found.outcome]
    return [paint(title), *more, f"{paint(word, style)}{top[len(word) :]}", *said]


def _key_numbers(characterisation: Characterisation) -> Section:
    reference = characterisation.reference
    heading = (
        f"Key numbers, at {reference['temperature_degC']:g} °C plate temperature and "
        f"{reference['speed_difference_rad_s']:g} rad/s speed difference"
    )
    named = [(name, seen_in(characterisation, name)) for name in key_names(characterisation)[0]]
    return Section(heading, (lambda width: _key_table(named, width),))


def _key_table(named: list[tuple[str, Shown]], width: int) -> list[str]:
    """Value, 95 % interval and largest source of doubt of each; in a narrow terminal the sources follow
    below."""
    quantities = [seen for _, seen in named]
    known = [q for q in quantities if q.determined]
    values = iter(_by_point([with_unit(q.value, q.unit) for q in known]))
    intervals = iter(_by_point([q.interval for q in known]))
    rows = [
        (q.label, next(values), next(intervals), _short(q.doubt))
        if q.determined
        else (q.label, NOT_DETERMINED, "", "")
        for q in quantities
    ]
    sizes = [
        max((columns_of(row[i]) for row in rows if i == 0 or row[1] != NOT_DETERMINED), default=0)
        for i in range(3)
    ]
    sizes[2] = max(sizes[2], columns_of("95 % interval"))
    room = width - INDENT - sum(sizes) - 3 * GAP
    if room + GAP < 0:
        return [line for row in rows for line in stacked(row, width)]
    lines = []
    for row in [("", "value", "95 % interval", "largest doubt, share of u²"), *rows]:
        name = " " * INDENT + row[0] + " " * (sizes[0] - columns_of(row[0]) + GAP)
        if row[1] == NOT_DETERMINED:
            lines.append(f"{name}{NOT_DETERMINED}, see below")
            continue
        start = name + (" " * GAP).join(row[i] + " " * (sizes[i] - columns_of(row[i])) for i in (1, 2))
        lines += (
            wrapped(row[3], width, first=start + " " * GAP) if room >= ROOM_FOR_DOUBT else [start.rstrip()]
        )
    if room >= ROOM_FOR_DOUBT:
        return lines
    return [*lines, *_sources(named, width)]


def _sources(named: list[tuple[str, Shown]], width: int) -> list[str]:
    """Largest sources of doubt, each with the quantities that it is the largest of; a quantity of several
    builds once, where one source is the largest for all of them."""
    of_stem: dict[str, set[str]] = {}
    for name, quantity in named:
        if quantity.determined:
            of_stem.setdefault(parts_of(name)[0], set()).add(quantity.source)
    sources: dict[str, list[str]] = {}
    for name, quantity in named:
        if not quantity.determined:
            continue
        stem = parts_of(name)[0]
        words = label(stem) if parts_of(name)[1] and len(of_stem[stem]) == 1 else quantity.label
        listed = sources.setdefault(_short(quantity.source), [])
        if words not in listed:
            listed.append(words)
    return [
        " " * INDENT + "largest source of doubt:",
        *(
            line
            for source, names in sources.items()
            for line in wrapped(
                f"{source}: {'; '.join(names)}", width, first=" " * 2 * INDENT, rest=" " * 3 * INDENT
            )
        ),
    ]


def _more_numbers(characterisation: Characterisation) -> Section:
    seen = [seen_in(characterisation, name) for name in key_names(characterisation)[1]]
    known = [quantity for quantity in seen if quantity.determined]
    numbers = _by_point([quantity.full for quantity in known])
    rows = [(q.label, number, _short(q.doubt)) for q, number in zip(known, numbers, strict=True)]
    return Section("Friction, oil and heat behind them, ± one standard uncertainty", (bare(rows),))


def _by_point(texts: list[str]) -> list[str]:
    """Texts that begin with a number, moved right so that their decimal points stand in one column."""
    before = [len(text.partition(" ")[0].partition(".")[0]) for text in texts]
    return [" " * (max(before) - size) + text for size, text in zip(before, texts, strict=True)]


def _short(source: str) -> str:
    """A source of doubt for a narrow column."""
    return source.replace("(build sheet)", "(sheet)")


def _ground(characterisation: Characterisation) -> Section:
    rows = [("preload law", law_text(characterisation)), ("tested", coverage_text(characterisation))]
    for check in characterisation.sheet_checks:
        numbers, agreement = check_text(check)
        text = f"{humanised(printable(check.quantity), characterisation.parameters)}: {numbers}; {agreement}"
        if disagrees(check):
            text += f"; {humanised(printable(check.readings), characterisation.parameters)}"
        rows.append(("sheet against bench", text))
    shown_once = [
        (first if i == 0 or rows[i - 1][0] != first else "", text) for i, (first, text) in enumerate(rows)
    ]
    return Section("What it rests on", (bare(shown_once),))


def _undetermined(characterisation: Characterisation) -> Section:
    listed = (item(f"{'; '.join(names)}: needs {needs}") for needs, names in needs_text(characterisation))
    return Section("Not determined, and what would determine it", tuple(listed))


def _findings(characterisation: Characterisation) -> Section:
    listed = []
    for finding in grouped_findings(characterisation):
        text = f"{finding.name} ({finding.where}): {finding.evidence} {finding.effect} {finding.mend}"
        words = humanised(printable(text), characterisation.parameters)
        listed.append(item(f"{finding.severity}: {words}", mark="-" if finding.severity == "note" else "!"))
    return Section("Findings in the data", tuple(listed))


def _list(heading: str, texts: Iterable[str], characterisation: Characterisation) -> Section:
    words = (humanised(printable(text), characterisation.parameters) for text in texts)
    return Section(heading, tuple(item(text) for text in words))


def _behind(characterisation: Characterisation) -> list[Section]:
    """What lies behind the summary: every budget, the checks of the model, bench errors, closest
    correlations; the same tables as on the page."""
    tables = (
        adequacy_table(characterisation),
        bench_error_table(characterisation),
        correlation_table(characterisation),
        form_table(characterisation),
        dropped_table(characterisation),
        _short_digests(input_table(characterisation)),
    )
    budgets = budget_table(characterisation)
    return [
        Section(f"{budgets.caption}: part of u, share of u²", (lambda width: _by_quantity(budgets, width),))
    ] + [Section(table.caption, (_plain(table),)) for table in tables if table is not None]


def _by_quantity(budgets: Table, width: int) -> list[str]:
    """Each quantity with its sources below it: side by side they would not fit."""
    lines = []
    for name, rows in groupby(budgets.rows, key=lambda row: row[0]):
        parts = [[_hyphens(cell) for cell in row[1:]] for row in rows]
        lines += [f"{' ' * INDENT}{_hyphens(name)}", *table(parts, width, indent=2 * INDENT)]
    return lines


def _short_digests(table: Table) -> Table:
    """Digests as far as they are compared by eye; in full in the document."""
    return replace(table, rows=tuple((name, f"{digest[:DIGITS]}...") for name, digest in table.rows))


def _plain(table: Table) -> Table:
    """A table of the page for a terminal: a first cell stands once for all rows that follow of the same."""
    firsts = [None, *(row[0] for row in table.rows)]
    rows = [
        ("" if row[0] == before else _hyphens(row[0]), *(_hyphens(cell) for cell in row[1:]))
        for before, row in zip(firsts, table.rows, strict=False)
    ]
    return bare(rows, head=table.head)


def _hyphens(text: str) -> str:
    """With hyphens for minus signs, which every code page has."""
    return text.replace("\u2212", "-")
