"""The result in the terminal: what a person reads at a glance, then what it rests on."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from diffbench.report.conformity_text import limits_block
from diffbench.report.layout import GAP, INDENT, columns_of, item, stacked, table, wrapped
from diffbench.report.rounding import NOT_DETERMINED, number_text, with_unit
from diffbench.report.verdict import (
    Outcome,
    check_text,
    coverage_text,
    disagrees,
    law_text,
    unit_line,
    verdict,
)
from diffbench.report.wording import (
    Shown,
    grouped_findings,
    humanised,
    key_names,
    label,
    printable,
    seen_in,
    shared_names,
    split_name,
)
from diffbench.results.characterisation import Characterisation
from diffbench.results.conformity import conformity

__all__ = ["fit_text", "needs_text", "next_steps_text", "next_tests_text", "summary"]

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
RUNS_THAT_HELP = "Which run would help most: standard uncertainty now, to what is predicted"
GAINS_SHOWN = 4

Paint = Callable[[str, str], str]


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
    width = max(width, NARROWEST)

    def paint(text: str, style: str) -> str:
        return f"\x1b[{style}m{text}\x1b[0m" if colour else text

    blocks = [
        _head(characterisation, width, paint),
        _key_numbers(characterisation, width, paint),
        _limits(characterisation, width, paint),
        _more_numbers(characterisation, width, paint),
        _ground(characterisation, width, paint),
        _undetermined(characterisation, width, paint),
        _findings(characterisation, width, paint),
        _list("Counts as exact", characterisation.assumed_exact, characterisation, width, paint),
        _list("What to do next", next_steps_text(characterisation), characterisation, width, paint),
        _list(RUNS_THAT_HELP, next_tests_text(characterisation), characterisation, width, paint),
        _fit(characterisation, width),
    ]
    if verbose:
        from diffbench.report.text_behind import behind

        blocks += behind(characterisation, width, lambda text: _heading(text, width, paint))
    return "\n\n".join("\n".join(block) for block in blocks if block)


def _head(characterisation: Characterisation, width: int, paint: Paint) -> list[str]:
    date = f"tested {printable(characterisation.date, limit=20)}"
    unit = unit_line(characterisation)
    room = width - columns_of(unit) - columns_of(date)
    lines = [f"{unit}{' ' * room}{date}"] if room >= 2 else [*wrapped(unit, width), date]
    found = verdict(characterisation)
    word = found.words.upper()
    first = True
    for sentence in found.sentences:
        start = f"{word}  " if first else " " * (len(word) + 2)
        lines += wrapped(sentence, width, first=start)
        first = False
    lines += wrapped(found.trust, width, first=" " * (len(word) + 2))
    return [
        paint(line, _HEADING)
        if i == 0
        else line.replace(word, paint(word, _OUTCOME_STYLES[found.outcome]), 1)
        if line.startswith(word)
        else line
        for i, line in enumerate(lines)
    ]


def _heading(text: str, width: int, paint: Paint) -> list[str]:
    return [paint(line, _HEADING) for line in wrapped(text, width)]


def _key_numbers(characterisation: Characterisation, width: int, paint: Paint) -> list[str]:
    keys, _ = key_names(characterisation)
    reference = characterisation.reference
    heading = (
        f"Key numbers, at {reference['temperature_degC']:g} °C plate temperature and "
        f"{reference['speed_difference_rad_s']:g} rad/s speed difference"
    )
    return [
        *_heading(heading, width, paint),
        *_key_table([(n, seen_in(characterisation, n)) for n in keys], width),
    ]


def _limits(characterisation: Characterisation, width: int, paint: Paint) -> list[str]:
    heading, *rows = limits_block(conformity(characterisation), width=width) or [""]
    return [*_heading(heading, width, paint), *rows] if rows else []


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
            of_stem.setdefault(split_name(name)[0], set()).add(quantity.source)
    sources: dict[str, list[str]] = {}
    for name, quantity in named:
        if not quantity.determined:
            continue
        stem = split_name(name)[0]
        words = label(stem) if split_name(name)[1] and len(of_stem[stem]) == 1 else quantity.label
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


def _more_numbers(characterisation: Characterisation, width: int, paint: Paint) -> list[str]:
    _, others = key_names(characterisation)
    seen = [seen_in(characterisation, name) for name in others]
    known = [quantity for quantity in seen if quantity.determined]
    if not known:
        return []
    numbers = _by_point([quantity.full for quantity in known])
    rows = [(q.label, number, _short(q.doubt)) for q, number in zip(known, numbers, strict=True)]
    return [
        *_heading("Friction, oil and heat behind them, ± one standard uncertainty", width, paint),
        *table(rows, width),
    ]


def _by_point(texts: list[str]) -> list[str]:
    """Texts that begin with a number, moved right so that their decimal points stand in one column."""
    before = [len(text.partition(" ")[0].partition(".")[0]) for text in texts]
    return [" " * (max(before) - size) + text for size, text in zip(before, texts, strict=True)]


def _short(source: str) -> str:
    """A source of doubt for a narrow column."""
    return source.replace("(build sheet)", "(sheet)")


def _ground(characterisation: Characterisation, width: int, paint: Paint) -> list[str]:
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
    return [*_heading("What it rests on", width, paint), *table(shown_once, width)]


def _undetermined(characterisation: Characterisation, width: int, paint: Paint) -> list[str]:
    lines: list[str] = []
    for needs, names in needs_text(characterisation):
        lines += item(f"{'; '.join(names)}: needs {needs}", width)
    return [*_heading("Not determined, and what would determine it", width, paint), *lines] if lines else []


def _findings(characterisation: Characterisation, width: int, paint: Paint) -> list[str]:
    lines: list[str] = []
    for finding in grouped_findings(characterisation):
        text = f"{finding.name} ({finding.where}): {finding.evidence} {finding.effect} {finding.mend}"
        lines += item(
            f"{finding.severity}: {humanised(printable(text), characterisation.parameters)}",
            width,
            mark="-" if finding.severity == "note" else "!",
        )
    return [*_heading("Findings in the data", width, paint), *lines] if lines else []


def needs_text(characterisation: Characterisation) -> list[tuple[str, list[str]]]:
    """What would determine what is not determined: each need once, with the quantities that wait for it."""
    waiting: dict[str, list[str]] = {}
    repeated = shared_names(characterisation)
    for name, parameter in characterisation.parameters.items():
        if parameter.value is None and name not in repeated:
            needs = humanised(printable(parameter.needs or "more data"), characterisation.parameters)
            waiting.setdefault(needs, []).append(seen_in(characterisation, name).label)
    return list(waiting.items())


def next_steps_text(characterisation: Characterisation) -> list[str]:
    """Next steps, without those that the list of undetermined quantities already says."""
    said = {f"{name}: needs {p.needs}" for name, p in characterisation.parameters.items() if p.value is None}
    return [step for step in characterisation.next_steps if step not in said]


def next_tests_text(characterisation: Characterisation) -> list[str]:
    """Runs that would help, each with the standard uncertainties that it would bring down most, now and
    then."""
    lines = []
    for test in characterisation.next_tests:
        gains = sorted(test.gains, key=lambda gain: gain.u_then / gain.u_now)[:GAINS_SHOWN]
        parts = []
        for gain in gains:
            now, then = (number_text(u, u) for u in (gain.u_now, gain.u_then))
            parts.append(f"{label(gain.quantity)} {now} to {with_unit(then, gain.unit)}")
        more = len(test.gains) - len(gains)
        also = f"; and {more} more" if more else ""
        lines.append(f"{test.run}: {'; '.join(parts)}{also}")
    return lines


def _list(
    heading: str, texts: Iterable[str], characterisation: Characterisation, width: int, paint: Paint
) -> list[str]:
    lines = [
        line
        for text in texts
        for line in item(humanised(printable(text), characterisation.parameters), width)
    ]
    return [*_heading(heading, width, paint), *lines] if lines else []


def fit_text(characterisation: Characterisation) -> str:
    """How the fit went, in one sentence."""
    diagnostics = characterisation.diagnostics
    return (
        f"{'converged' if diagnostics.converged else 'not converged'}; starts "
        f"{'agree' if diagnostics.starts_agree else 'disagree'}; residual "
        f"{number_text(diagnostics.residual_rms_Nm, 0.1)} N·m rms, "
        f"{'like noise' if diagnostics.residuals_clean else 'with structure'}; {diagnostics.cells} cells "
        f"from {diagnostics.samples_used} of {diagnostics.samples} samples, worth "
        f"{diagnostics.effective_samples:.0f} independent ones; "
        f"noise by {printable(diagnostics.noise_method)}"
    )


def _fit(characterisation: Characterisation, width: int) -> list[str]:
    return wrapped(fit_text(characterisation), width, first="Fit: ")
