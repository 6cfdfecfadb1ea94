"""The page: right, whole, readable by everybody, and harmless."""

from __future__ import annotations

import ast
import itertools
import re
from collections import Counter
from collections.abc import Callable
from html.parser import HTMLParser
from importlib.resources import files
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from diffbench.report import Table, result_page, summary
from diffbench.report.map_contours import speeds_to_draw, torques_to_draw
from diffbench.report.rounding import typeset
from diffbench.report.wording import key_names, shown
from diffbench.results import Characterisation, LockingMap, make_map

VOID = {"meta", "link", "br", "img", "hr", "input"}
MOST_BYTES = 1_500_000


class Outline(HTMLParser):
    """Elements of a page in order, with their attributes, and the text within them."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[tuple[tuple[str, ...], str]] = []
        self._open: list[str] = []
        self.feed(text)
        self.close()
        self.left_open = list(self._open)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop() == tag

    def handle_data(self, data: str) -> None:
        if data.strip():
            self.texts.append((tuple(self._open), " ".join(data.split())))

    def text(self, *, outside: str = "svg") -> str:
        """All text but that of drawings and the style sheet."""
        return " ".join(t for where, t in self.texts if outside not in where and "style" not in where)


@pytest.fixture(scope="module")
def made(pages: Callable[[str], str]) -> str:
    """The page of a result without a blemish."""
    return pages("complete")


@pytest.fixture(scope="module")
def outline(made: str) -> Outline:
    """Its elements."""
    return Outline(made)


def test_every_element_is_closed_in_order(outline: Outline) -> None:
    """The parser above fails on a wrong closing tag; nothing is left open."""
    assert outline.left_open == []


def test_ids_are_unique(outline: Outline) -> None:
    """Over the whole page, drawings included, and every reference within the page finds its id."""
    ids = Counter(a["id"] for _, a in outline.elements if a.get("id"))
    assert [name for name, count in ids.items() if count > 1] == []
    for _, attributes in outline.elements:
        for name, value in attributes.items():
            for target in re.findall(r"url\(#([^)]+)\)", value or ""):
                assert target in ids
            if name in {"href", "xlink:href"} and (value or "").startswith("#"):
                assert (value or "")[1:] in ids
            if name == "aria-labelledby":
                assert value in ids


def test_page_stands_alone(outline: Outline, made: str) -> None:
    """No script, no network: every address is within the page or carries its own data, and a policy says
    so."""
    tags = {tag for tag, _ in outline.elements}
    assert not tags & {"script", "link", "iframe", "object", "embed", "img", "base", "form"}
    for _, attributes in outline.elements:
        for name, value in attributes.items():
            assert not name.startswith("on")
            if name in {"href", "xlink:href", "src", "srcset", "action"}:
                assert (value or "").startswith(("#", "data:image/png;base64,"))
    assert "@import" not in made
    policy = next(
        a["content"] for _, a in outline.elements if a.get("http-equiv") == "Content-Security-Policy"
    )
    assert policy is not None
    assert policy.startswith("default-src 'none'")


def test_page_is_small_and_always_the_same(
    complete: Characterisation, complete_map: LockingMap, made: str
) -> None:
    """Below 1.5 MB, and to the letter the same for the same result."""
    assert len(made.encode()) < MOST_BYTES
    assert result_page(complete, complete_map) == made


def test_order_is_verdict_numbers_evidence_doubt_provenance(outline: Outline) -> None:
    """What matters most comes first: the card; all but the caution is folded behind it."""
    text = outline.text()
    marks = [
        "Good Preload torque:",
        "Next: Nothing to do.",
        "Caution at the bench",
        "Good Preload torque 83.2",
        "Key numbers",
        "Coloured marks",
        "Converged; starts",
        "Made by",
        "In the drawing",
    ]
    places = [text.index(mark) for mark in marks]
    assert places == sorted(places)


def test_headings_go_down_step_by_step(outline: Outline) -> None:
    """One heading of the first level, none skipped."""
    levels = [int(tag[1]) for tag, _ in outline.elements if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(levels))


def test_tables_have_captions_and_scoped_headings(outline: Outline) -> None:
    """Every heading cell says whether it heads a row or a column."""
    tags = Counter(tag for tag, _ in outline.elements)
    assert tags["table"] == tags["caption"]
    scopes = [a.get("scope") for tag, a in outline.elements if tag == "th"]
    assert set(scopes) == {"col", "row"}


def tables_of_figures(page: str) -> list[list[str]]:
    """Column headings of the numbers behind each figure."""
    behind = re.findall(r"<figcaption>.*?</figcaption>", page, re.DOTALL)
    heads = [re.findall(r"<thead.*?</thead>", text, re.DOTALL) for text in behind]
    return [re.findall(r"<th [^>]*>([^<]*)</th>", head) for (head,) in filter(None, heads)]


def test_figures_speak_and_have_their_numbers(outline: Outline, made: str) -> None:
    """Every drawing has a label with numbers in it, and a table behind it."""
    labels = [a.get("aria-label") for tag, a in outline.elements if tag == "svg"]
    figures = [a["id"] for tag, a in outline.elements if tag == "figure"]
    assert len(labels) == len(figures) >= 13
    assert all(label and re.search(r"\d", label) for label in labels)
    assert len(set(labels)) == len(labels)
    summaries = [t for where, t in outline.texts if where[-1] == "summary"]
    # the curve of the card is the sweep of the evidence, which has them
    assert summaries.count("Numbers behind this figure") == len(figures) - 1
    for needed in (
        "figure-locking-curve",
        "figure-sweep",
        "figure-parts",
        "figure-recorded",
        "figure-residual-time",
        "figure-torque-bias",
        "figure-friction-sliding-speed",
        "figure-friction-plate",
        "figure-temperatures",
        "figure-plate-heat",
        "figure-intervals-key",
        "figure-correlation",
    ):
        assert needed in figures
    heads = tables_of_figures(made)
    assert len(heads) == len(figures) - 1
    for head in heads:
        assert len(set(head)) == len(head)
        # each bears its unit; a first column may name what a row is of
        assert all("[" in cell or "tested or not" in cell for cell in head[1:]), head
    # a torque that was held at zero is one place, without a sign
    recorded = outline.text()[outline.text().index("Measured and modelled locking torque") :]
    assert "\u22120 to" not in recorded
    # which temperatures a map is shown at is its own affair
    assert sum(str(name).startswith("figure-map-loading-") for name in figures) >= 2


def test_no_figure_of_any_page_lacks_its_numbers() -> None:
    """Every figure that is made has a table, but the curve of a card, which is the sweep of the page, and its
    sketch of words, and what a notebook shows beside the numbers themselves."""
    lacking = set()
    for path in Path(str(files("diffbench.report"))).glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") in {"Figure", "PageFigure"}:
                given = {one.arg for one in node.keywords}
                if "shows" in given and "table" not in given:
                    lacking.add(path.stem)
    assert lacking <= {"card", "glossary", "page"}


def test_language_title_and_viewport(outline: Outline, made: str) -> None:
    """What a browser and a reading aid need to know."""
    assert ("html", {"lang": "en"}) in outline.elements
    assert tuple(tag for tag, _ in outline.elements if tag == "title") == ("title",)
    assert any(a.get("name") == "viewport" for tag, a in outline.elements if tag == "meta")
    assert "prefers-color-scheme: dark" in made
    assert "@media print" in made


def test_every_key_number_is_the_document_s(complete: Characterisation, outline: Outline) -> None:
    """Value, uncertainty and interval on the page are those of the document, rounded by the one rule."""
    text = outline.text()
    for name in [*key_names(complete)[0], *key_names(complete)[1]]:
        seen = shown(name, complete.parameters[name])
        assert typeset(seen.full) in text
        assert typeset(seen.interval) in text


def test_map_table_is_the_map(complete_map: LockingMap, outline: Outline) -> None:
    """The table behind a contour figure gives every node that is drawn, an extrapolation in brackets."""
    text = outline.text()
    index = int(np.flatnonzero(complete_map.axes[2] == 60.0)[0])
    start = text.index("Locking torque [N·m], unloading, at 60 °C")
    upward = speeds_to_draw(complete_map)
    for i in torques_to_draw(complete_map)[[0, 3]]:
        cells = [
            f"{v:.1f}" if tested else f"({v:.1f})"
            for v, tested in zip(
                complete_map.values["unloading"][i, upward, index],
                complete_map.tested["unloading"][i, upward, index],
                strict=True,
            )
        ]
        assert " ".join(cells) in text[start:]


def test_caution_names_the_dangers(outline: Outline) -> None:
    """Rotation, heat, springs, limits; and who comes before this page."""
    text = outline.text()
    start = text.index("Caution at the bench")
    caution = text[start : text.index("Numbers all of them")]
    for word in (
        "rotate",
        "burn",
        "Preload springs are stored force",
        "torque, speed and temperature limits",
    ):
        assert word in caution
    assert "The maker's limits, local rules and qualified people come first." in caution
    said = caution[len("Caution at the bench") : caution.index("come first.")]
    assert all(len(sentence.split()) <= 12 for sentence in said.split(". ")), said


def test_provenance_is_complete(complete: Characterisation, outline: Outline) -> None:
    """Every input with its digest, version, date and the rule of rounding."""
    text = outline.text()
    for name, digest in complete.provenance.inputs.items():
        assert f"{name} {digest}" in text
    assert complete.provenance.version in text
    assert complete.provenance.made in text
    assert "JCGM 100:2008" in text


def test_everything_wrong_is_on_the_page(pages: Callable[[str], str]) -> None:
    """Out of limits, what is open and what it needs, findings, failed checks."""
    text = Outline(pages("doubtful")).text()
    for words in (
        "Out of limits",
        "the search did not converge",
        "needs the spring force at installed height, from a press",
        "Caveat: one slip direction only",
        "Note: spikes",
        "disagree, 3.4 standard uncertainties apart",
        "Undecided (additive fits best so far)",
    ):
        assert words in text


def test_hostile_names_are_shown_never_executed(pages: Callable[[str], str]) -> None:
    """Markup, quotes, direction marks, escapes and 10,000 characters in every free text stay text."""
    text = pages("hostile")
    outline = Outline(text)
    assert "<script" not in text
    assert not any(tag == "script" or any(n.startswith("on") for n in a) for tag, a in outline.elements)
    assert "<script>alert('x')</script>" in outline.text()
    assert "\u202e" not in text
    assert "\x1b" not in text
    assert outline.left_open == []
    assert len(text.encode()) < MOST_BYTES


def test_without_cells_the_page_says_so(synthetic: ModuleType) -> None:
    """A result read from its document has no cells: no figures of measurement, and no pretence."""
    bare = synthetic.at_one_temperature(synthetic.complete())
    bare._evidence = None
    outline = Outline(result_page(bare, make_map(bare)))
    figures = [a["id"] for tag, a in outline.elements if tag == "figure"]
    assert {"figure-sweep", "figure-parts"} <= set(figures)
    assert not any(str(name).startswith(("figure-residual", "figure-recorded")) for name in figures)
    assert "The measured cells are not stored in the document" in outline.text()


def test_one_speed_level_and_readings_by_hand_make_a_page(synthetic: ModuleType) -> None:
    """A map of one speed has no contours; readings by hand alone have no sweep: both are said."""
    evidence = synthetic.evidence()
    evidence.used[:-2] = False
    narrow = synthetic.at_one_temperature(synthetic.complete(), outline=[]).with_evidence(evidence)
    text = Outline(result_page(narrow, make_map(narrow))).text()
    assert "No sweep was recorded: the map is a single input torque" in text
    assert "The map has a single speed difference or input torque: there are no contours to draw." in text
    assert "No sweep under slip: nothing of the map is tested" in text


def test_several_builds_name_the_one_that_is_drawn(pages: Callable[[str], str]) -> None:
    """Curves and map are of one build, by name; numbers are of all."""
    text = Outline(pages("two_builds")).text()
    assert "Map and curves of build K04-shim ." in text
    assert "Preload torque (K04-spring) 83.2 ± 1.3 N·m" in text
    assert "Preload torque (K04-shim) 97.4 ± 1.4 N·m" in text


def rows(result: Characterisation, heading: str) -> tuple[tuple[str, ...], ...]:
    """Of the table under a heading of the whole summary."""
    (found,) = (s.blocks for s in summary(result, verbose=True).sections if s.heading == heading)
    return next(block.rows for block in found if isinstance(block, Table))


def test_what_the_demo_says_of_its_bench_bears_units(demo: Any) -> None:
    """As the rig states them."""
    stated = {row[0]: row[1] for row in rows(demo.characterisation, "Bench errors as the sweeps see them")}
    assert stated["inertia of left torque"] == "0.0040 kg·m²"
    assert stated["lag of left torque"] == "0.0010 s"
    assert stated["gain of left torque"] == "0.0015"


def test_places_and_hopeless_laws_are_said_in_words(demo: Any) -> None:
    """A cycle has a number, no unit; a law that was given up was not searched to the end."""
    (cycle,) = (row for row in rows(demo.characterisation, "Adequacy of the model") if row[0] == "cycle")
    assert re.match(r"around cycle \d+ of a run: ", cycle[3])
    forms = rows(demo.characterisation, "Forms of the model")
    assert forms[-1] == ("greater-of", "0 %", "more than 1000")
