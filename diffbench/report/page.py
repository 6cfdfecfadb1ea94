"""Results and answers as HTML: the page of a result, one self-contained file (verdict and key numbers, then
evidence, then doubt, then provenance); any document as a page; and what a notebook shows."""

from __future__ import annotations

import itertools
import re
from functools import partial
from itertools import groupby
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from diffbench._version import __version__
from diffbench.answers.state import judge
from diffbench.report.card import card_of
from diffbench.report.document import Block, Document, Figure, Section, Sentence, Table
from diffbench.report.doubt import correlation_figure, interval_figures, interval_names, intervals
from diffbench.report.drawing import draw
from diffbench.report.friction import friction_page_figures
from diffbench.report.glossary import glossary_figure, glossary_table
from diffbench.report.locking_torque import evidence_figures, residual_figures, sweep_figure
from diffbench.report.map_contours import contours, map_page_figures, speeds_to_draw, torques_to_draw
from diffbench.report.result import (
    RUNS_THAT_HELP,
    adequacy_table,
    bench_error_table,
    budget_summary,
    budget_table,
    coverage_text,
    dropped_table,
    fit_text,
    form_table,
    input_table,
    key_table,
    law_text,
    limit_table,
    needs_text,
    next_tests_text,
    other_table,
    sheet_table,
    unit_line,
    verdict,
)
from diffbench.report.rounding import RULE, typeset
from diffbench.report.shims import ladder_figure
from diffbench.report.style import GRID, INK, MUTED
from diffbench.report.wording import grouped_findings, printable, said
from diffbench.results.characterisation import Characterisation, further_steps
from diffbench.results.locking_map import LockingMap
from diffbench.results.state import State

if TYPE_CHECKING:
    from jinja2 import Environment


#: Names are shown in full up to here: more is an accident, and no table survives it.
LONGEST_NAME = 200
#: Of a notebook's figures [inch].
ROW, FRAME, WIDTH = 0.44, 1.25, 6.0
CONTOURS = (6.0, 4.2)
#: Drawings of one notebook must not share ids, whatever is shown how often.
_COUNT = itertools.count(1)
#: The space between a number and its unit, which no line breaks.
_UNIT = re.compile(r"(?<=\d) (?=[^\W\d_]+·m|%|mm|µm|km|°|rad)")
_BOX = (
    f"--ink:{INK};--muted:{MUTED};--rule:{GRID};--paper:#fdfcf9;background:#fdfcf9;color:{INK};"
    "max-width:46rem;padding:.75rem 1rem;font-family:sans-serif"
)


def refresh_line(seconds: int) -> str:
    """The line of a page that has a browser load it again after some seconds."""
    return f'<meta http-equiv="refresh" content="{seconds}">\n'


def result_page(
    characterisation: Characterisation,
    locking_map: LockingMap,
    *,
    state: State | None = None,
    refresh: int | None = None,
) -> str:
    """The result as one HTML page that needs no network and no script: the card, and all else folded.

    Parameters
    ----------
    characterisation : Characterisation
        The result, with the cells behind it for the figures of measurement.
    locking_map : LockingMap
        Its map, of one build.
    state : State or None
        How the unit stands; by this result alone unless it is given.
    refresh : int or None
        After how many seconds a browser loads the page again; never by default.

    Returns
    -------
    The page as text, the same for the same result. All texts of the result are escaped; names of units and
    files are shown, never executed.

    Notes
    -----
    Follows the reader's light or dark scheme, prints on A4 and Letter, reads from 360 px width on.
    """
    if state is None:
        state = judge([characterisation], build=locking_map.document.build)
    card = card_of(characterisation, locking_map, state)
    return page_of(
        "report",
        refresh=refresh,
        the_card=card,
        **_result(characterisation, locking_map, state),
        **_evidence(characterisation, locking_map),
        **_doubt(characterisation, locking_map),
        **_provenance(characterisation),
        terms=glossary_table(),
        sketch=glossary_figure(),
    )


def page_of(template: str, *, refresh: int | None = None, **told: Any) -> str:
    """A page from its template and what it is told."""
    from markupsafe import Markup

    made = _templates()
    assert made.loader is not None
    # with the drawings the only texts that are not escaped: they come from this package
    style = Markup(made.loader.get_source(made, "report.css")[0])
    line = Markup("") if refresh is None else Markup(refresh_line(refresh))
    told = {"version": __version__, **told}
    return made.get_template(f"{template}.html.j2").render(style=style, refresh=line, **told)


def document_page(document: Document) -> str:
    """Any document as a page of its own."""
    return page_of("document", title=document.title, document=document)


def html_of(document: Document) -> str:
    """Any document as a piece of HTML, on the page's own light paper whatever is around it. All its texts are
    escaped.

    Examples
    --------
    >>> from diffbench.report.document import items
    >>> "<li>a gap</li>" in html_of(Document("Example", (items("found", ["a gap"]),)))
    True
    """
    from markupsafe import Markup

    parts: Any = _templates().get_template("parts.html.j2").module
    # of our own making: it goes into the tags of a table
    left = Markup(' style="text-align:left"')
    return f'<div style="{_BOX}">{parts.sections(document, left)}</div>'


def characterisation_html(characterisation: Characterisation) -> str:
    """A characterisation as a notebook shows it: a table of key numbers and a figure of their intervals, as
    HTML in which every text of the result is escaped."""
    found = verdict(characterisation)
    lines = [unit_line(characterisation), f"{found.words}: {'; '.join(found.sentences)}."]
    if found.cautions:
        lines.append(found.trust)
    keys, _ = interval_names(characterisation)
    figure = Figure(
        name=f"notebook-{next(_COUNT)}",
        title="",
        paint=lambda axes: intervals(characterisation, axes, names=keys),
        size=(WIDTH, FRAME + ROW * len(keys)),
        shows=f"95 % intervals of {len(keys)} key numbers",
    )
    return _box(lines, key_table(characterisation), [figure] if keys else [])


def map_html(locking_map: LockingMap) -> str:
    """A map as a notebook shows it: a table of what it covers, and its contours where it has more than one
    torque and speed; HTML in which every text of the map is escaped."""
    document = locking_map.document
    heat = locking_map.axes[2]
    middle = int(heat.size // 2)
    unit, build = (printable(text, limit=LONGEST_NAME) for text in (document.unit, document.build))
    names = ("Input torque [N·m]", "Speed difference [rad/s]", "Temperature [°C]")
    rows = tuple(
        (name, typeset(f"{float(axis[0]):.4g} to {float(axis[-1]):.4g}"), str(axis.size))
        for name, axis in zip(names, locking_map.axes, strict=True)
    )
    tested = 100.0 * float(locking_map.tested["loading"].mean())
    place = f"{heat[middle]:.0f} °C, loading"
    figure = Figure(
        name=f"notebook-{next(_COUNT)}",
        title="",
        paint=lambda axes: contours(locking_map, axes, branch="loading", temperature=middle),
        size=CONTOURS,
        shows=f"Locking torque over input torque and speed difference at {place}",
    )
    text = (
        f"{document.law.capitalize()} preload law; {tested:.0f} % of the nodes are tested while loading; "
        f"locking torque in N·m at {place}, hatched where it is an extrapolation."
    )
    drawn = torques_to_draw(locking_map).size > 1 and speeds_to_draw(locking_map).size > 1
    return _box(
        [f"Locking-torque map of unit {unit}, build {build}", text],
        Table("What it covers", ("Axis", "Range", "Nodes"), rows, (1, 2)),
        [figure] if drawn else [],
    )


def _box(lines: list[str], table: Table, figures: list[Figure]) -> str:
    title, *others = lines
    blocks: tuple[Block, ...] = (Sentence(title, tone="title"), *map(Sentence, others), table, *figures)
    return html_of(Document(title, (Section("", blocks),)))


def _templates() -> Environment:
    """The templates of HTML; what they are given is escaped."""
    import jinja2
    from markupsafe import Markup

    made = jinja2.Environment(
        loader=jinja2.PackageLoader("diffbench.report", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.globals.update(typeset=typeset, upfirst=_upfirst)
    made.filters["drawing"] = lambda figure: Markup(
        draw(figure.paint, size=figure.size, prefix=figure.name, title=figure.shows)
    )
    made.filters["glued"] = lambda text: _UNIT.sub("\u00a0", text)
    made.filters["kinds"] = lambda blocks: [(kind, list(found)) for kind, found in groupby(blocks, key=_kind)]
    return made


def _kind(block: Block) -> str:
    return "items" if isinstance(block, Sentence) and block.mark else type(block).__name__


def _result(characterisation: Characterisation, locking_map: LockingMap, state: State) -> dict[str, Any]:
    reference = characterisation.reference
    words = partial(said, characterisation)
    return {
        "unit": printable(characterisation.unit, limit=LONGEST_NAME),
        "build": printable(characterisation.build, limit=LONGEST_NAME),
        "map_build": printable(locking_map.document.build, limit=LONGEST_NAME),
        "several_builds": len(characterisation.builds) > 1,
        "folders": [
            (printable(facts.build, limit=LONGEST_NAME), quote(f"{facts.folder}/report.html"))
            for facts in characterisation.builds
            if facts.folder
        ],
        "date": printable(characterisation.date, limit=40),
        "verdict": verdict(characterisation, state),
        "reference": (
            f"{reference['temperature_degC']:g} °C plate temperature and "
            f"{reference['speed_difference_rad_s']:g} rad/s"
        ),
        "keys": key_table(characterisation),
        "limits": limit_table(characterisation),
        "law": words(law_text(characterisation)),
        "tested": coverage_text(characterisation),
        "undetermined": [("; ".join(waiting), needs) for needs, waiting in needs_text(characterisation)],
        "steps": [words(step) for step in further_steps(characterisation)],
        "tests_heading": RUNS_THAT_HELP,
        "tests": [words(test) for test in next_tests_text(characterisation)],
    }


def _evidence(characterisation: Characterisation, locking_map: LockingMap) -> dict[str, Any]:
    return {
        "ladder": ladder_figure(characterisation),
        "sweep": sweep_figure(characterisation, locking_map),
        "figures": list(evidence_figures(characterisation, locking_map)),
        "residuals": list(residual_figures(characterisation.evidence)),
        "frictions": list(friction_page_figures(characterisation, locking_map)),
        "maps": list(map_page_figures(characterisation, locking_map)),
        "others": other_table(characterisation),
    }


def _doubt(characterisation: Characterisation, locking_map: LockingMap) -> dict[str, Any]:
    words = partial(said, characterisation)
    return {
        "fit": fit_text(characterisation),
        "doubts": list(interval_figures(characterisation)),
        "together": correlation_figure(characterisation),
        "budget_summary": budget_summary(characterisation),
        "budget": budget_table(characterisation),
        "findings": [
            {
                "severity": finding.severity,
                "name": words(finding.name),
                "where": words(finding.where),
                "text": words(f"{finding.evidence} {finding.effect} {finding.mend}"),
            }
            for finding in grouped_findings(characterisation)
        ],
        "sheet": sheet_table(characterisation),
        "adequacy": adequacy_table(characterisation),
        "bench_errors": bench_error_table(characterisation),
        "assumed": [words(text) for text in characterisation.assumed_exact],
        "dropped": dropped_table(characterisation),
        "forms": form_table(characterisation),
        "notes": [words(note) for note in locking_map.document.notes],
    }


def _provenance(characterisation: Characterisation) -> dict[str, Any]:
    provenance = characterisation.provenance
    return {
        "inputs": input_table(characterisation),
        "visits": [printable(visit) for visit in provenance.visits],
        "version": printable(provenance.version, limit=40),
        "made": printable(provenance.made, limit=40),
        "digest": characterisation.digest,
        "rule": RULE,
    }


def _upfirst(text: str) -> str:
    """A sentence begins with a capital, unless it begins with a key of a file."""
    return text if "_" in text.partition(" ")[0] else text[:1].upper() + text[1:]
