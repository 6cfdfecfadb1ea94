"""The card: one step, few words, three digits, whole within a screen; and what it says follows the state."""

from __future__ import annotations

import ast
import functools
import gettext
import importlib.util
import io
import itertools
import json
import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any, get_args

import pytest
from click.testing import CliRunner
from matplotlib.figure import Figure
from matplotlib.text import Text

from diffbench.cli import main
from diffbench.history import open_history
from diffbench.report import (
    Card,
    Document,
    Section,
    Table,
    card_files,
    card_glossary,
    card_of,
    curve_map,
    judged,
    limit_marks,
    say_in,
    workbook_of,
)
from diffbench.report.judgement import CAUTIONS, PARTS, REASONS, STEPS, WORDS, three_digits
from diffbench.report.locking_torque import branch_curve
from diffbench.report.unit import CHANGES, change_table, life_figures, life_of, time_line, visit_table
from diffbench.results import Characterisation, NextStep, Reason, ShimStep, State
from diffbench.results.state import STATE_OF, Caution, NextKind, Part, ReasonKind, StateName
from diffbench.trend import visits_of

CHROMIUM = next((p for p in map(shutil.which, ("chromium", "chromium-browser", "google-chrome")) if p), None)
PDFTOTEXT = shutil.which("pdftotext")
REPORT = Path(str(files("diffbench.report")))
LANGUAGES = ("de", "fr", "it", "es", "ja")
MOST_WORDS = 12
SHIM = ShimStep(
    shim_m=4e-4, shim_now_m=2e-4, preload_torque_Nm=80.0663, low_Nm=76.6, high_Nm=83.5, chance=0.99,
    extrapolated=True,
)  # fmt: skip


def state(
    reason: Reason | None = None, step: NextStep | None = None, name: StateName = "out-of-limits"
) -> State:
    """A state made by hand."""
    reason = reason or Reason(
        kind="beyond-limit", quantity="preload_torque", unit="N·m", value=65.8905, low=63.927, high=67.854,
        limit=70.0, side="lower",
    )  # fmt: skip
    step = step or NextStep(kind="fit-shim", shim=SHIM, cautions=["stored-force", "heat"])
    return State(
        unit="K04", build="K04-1", date="2026-05-20", state=name, failed=name == "out-of-limits",
        reasons=[reason], next_step=step, limits=[], visits=[], rule="by hand",
    )  # fmt: skip


def every_reason() -> Iterator[Reason]:
    """Each kind on both sides, with long names and numbers."""
    for kind in get_args(ReasonKind):
        for side in ("lower", "upper"):
            yield Reason(
                kind=kind, quantity="ramp_bias_drive_loading", unit="1", value=0.48612, low=0.468, high=0.504,
                limit=0.52, side=side, part="friction", dates=["2026-04-14", "2026-09-29"], name="one slip",
            )  # fmt: skip


def every_step() -> Iterator[NextStep]:
    """Each kind with every caution."""
    for kind in get_args(NextKind):
        yield NextStep(
            kind=kind, part="ramps", shim=SHIM if kind == "fit-shim" else None, visits=3,
            cautions=list(get_args(Caution)), tested_torque_Nm=(-300.0, 700.0), tested_speed_rad_s=11.8,
        )  # fmt: skip


def test_every_kind_has_words() -> None:
    """Of states, reasons, steps, cautions and parts; and none is left over."""
    assert set(WORDS) == set(get_args(StateName)) == set(STATE_OF.values())
    assert {key.partition(" ")[0] for key in REASONS} == set(get_args(ReasonKind))
    assert {key.partition(" ")[0] for key in STEPS} == set(get_args(NextKind))
    assert set(CAUTIONS) == set(get_args(Caution))
    assert set(PARTS) == set(get_args(Part))


def sentences(language: str) -> list[str]:
    """All that a card can say, one sentence each."""
    say = say_in(language)
    said = [text for reason in every_reason() for text in judged(state(reason), say).reasons]
    for step in every_step():
        words = judged(state(step=step), say)
        said += [*words.step, *words.caution]
    return [part for text in said for part in re.split(r"(?<=[.!?。]) +", text)]


@pytest.mark.parametrize("language", ["en", *(one for one in LANGUAGES if one != "ja")])
def test_sentences_are_short(language: str) -> None:
    """Twelve words at most, and nothing is left to fill in."""
    for sentence in sentences(language):
        # a French colon stands by itself, and is no word
        assert len(re.findall(r"\S*\w\S*", sentence)) <= MOST_WORDS, sentence
        assert "{" not in sentence


def test_words_before_the_fold_are_plain() -> None:
    """No word of statistics, none of the program's own."""
    said = " ".join([*sentences("en"), *WORDS.values()])
    for word in ("HAC", "BIC", "counts as exact", "let out", "variance", "residual", "_"):
        assert word not in said


def test_out_of_limits_leads_to_the_shim_with_its_caution() -> None:
    """The numbers by hand: 65.8905 and 80.0663 to three digits, the shim in millimetres."""
    found = judged(state())
    assert found.word == "Out of limits"
    assert found.reasons == ("Preload torque: 65.9 N·m. The lowest allowed is 70.0 N·m.",)
    assert found.step[:2] == ("Fit a shim of 0.40 mm.", "It should give 80.1 N·m of preload torque.")
    assert "Springs are under load" in found.caution[0]
    assert found.caution[-1] == "Maker's limits and local rules come first."


def test_what_touches_torque_or_speed_says_how_far_was_tested() -> None:
    """And whose limits come first."""
    step = NextStep(
        kind="measure-again", visits=2, cautions=["torque", "speed"], tested_torque_Nm=(-300.0, 700.0),
        tested_speed_rad_s=11.8,
    )  # fmt: skip
    said = " ".join(judged(state(step=step, name="cannot-be-told")).caution)
    assert "Tested from \u2212300 to 700 N·m only. Tested up to 11.8 rad/s only." in said
    assert said.endswith("Maker's limits and local rules come first.")


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [(9.996, None, "10.0"), (99.96, None, "100"), (0.09996, None, "0.100"), (-3.14159, None, "\u22123.14"),
     (81.64, 14.0, "82"), (12345.6, None, "12346")],
)  # fmt: skip
def test_three_digits(value: float, u: float | None, text: str) -> None:
    """Rounding that carries keeps three digits; doubt takes some away; none before the point is lost."""
    assert three_digits(value, u) == text


@pytest.fixture(scope="module")
def card(complete: Characterisation) -> Card:
    """The card of a result made by hand."""
    build = complete.builds[0].build
    return card_of(complete, curve_map(complete, build), state())


def test_numbers_are_the_result_s(card: Card, complete: Characterisation) -> None:
    """Four of them, each to half a digit of the third place."""
    stems = (
        "preload_torque",
        "ramp_bias_drive_loading",
        "ramp_bias_coast_loading",
        "locking_effect_drive",
    )
    assert len(card.numbers) == len(stems)
    for number, stem in zip(card.numbers, stems, strict=True):
        value = complete.parameters[stem].value
        assert value is not None
        factor = 100.0 if stem.startswith("locking_effect") else 1.0
        assert float(number.value.split()[0]) == pytest.approx(factor * value, rel=5e-3)
        assert len(re.sub(r"\D", "", number.value).lstrip("0")) == 3
    assert card.digest == complete.digest


def test_limits_lie_on_the_curve_where_they_act(complete: Characterisation) -> None:
    """Additive law at the reference condition: T = P + K |T_in| + gears + film. So a limit of the preload
    moves the curve at no input torque by limit less value, one of the ramp bias by that times the torque
    (analytic)."""
    build = complete.builds[0].build
    limit = complete.limits[0]
    ramp = limit.model_copy(update={"quantity": "ramp_bias_drive", "low": 0.4, "high": 0.5, "unit": "1"})
    both = complete.model_copy(update={"limits": [limit, ramp]})
    curve = branch_curve(curve_map(complete, build), "loading", speed_difference=4.0, temperature=60.0)
    preload, drive = limit_marks(both, build, curve)
    assert preload.at == 0.0
    assert preload.high - preload.low == pytest.approx(limit.high - limit.low)
    here = curve.value[list(curve.input_torque).index(0.0)]
    assert preload.low - here == pytest.approx(limit.low - complete.value("preload_torque"))
    assert drive.at == curve.input_torque.max()
    assert drive.high - drive.low == pytest.approx(0.1 * drive.at)
    off = 0.5 - complete.value("ramp_bias_drive_loading")
    assert drive.high - curve.value[-1] == pytest.approx(off * drive.at)


def test_the_sheet_is_one_page_of_a4_and_always_the_same(complete: Characterisation) -> None:
    """A4 is 210 × 297 mm (ISO 216): 595 × 842 points."""
    made = card_files(complete, ("pdf",))["card.pdf"]
    assert made.count(b"/Type /Page ") == 1
    box = re.search(rb"/MediaBox \[ ?0 0 ([\d.]+) ([\d.]+) ?\]", made)
    assert box is not None
    assert [float(side) for side in box.groups()] == pytest.approx([595.3, 841.9], abs=1.0)
    assert card_files(complete, ("pdf",))["card.pdf"] == made


@pytest.mark.skipif(
    PDFTOTEXT is None and "CI" not in os.environ,
    reason="no pdftotext on this machine: what can be copied is not checked",
)
def test_the_sheet_can_be_searched_and_copied(complete: Characterisation, tmp_path: Path) -> None:
    """Its text is text, signs beyond Latin-1 among it."""
    unit = complete.model_copy(update={"unit": "Ж-04 Šņ"})
    (tmp_path / "card.pdf").write_bytes(card_files(unit, ("pdf",))["card.pdf"])
    done = subprocess.run(
        [str(PDFTOTEXT), "-layout", "-enc", "UTF-8", "card.pdf", "-"], cwd=tmp_path, capture_output=True,
        text=True, check=True, encoding="utf-8",
    )  # fmt: skip
    for said in ("Unit Ж-04 Šņ", "83.2 N·m", "60 °C", unit.digest):
        assert said in done.stdout


def test_japanese_without_a_type_face_is_told(
    complete: Characterisation, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No sheet of hollow boxes; the page, which the reader's browser sets, is made."""
    from matplotlib.font_manager import fontManager

    from diffbench.errors import OutputError

    monkeypatch.setattr(type(fontManager), "get_font_names", lambda _: ["DejaVu Sans"])
    with pytest.raises(OutputError, match="no type face on this machine has Japanese signs"):
        card_files(complete, ("pdf",), language="ja")
    assert "良好" in card_files(complete, ("html",), language="ja")["card.html"].decode()


@functools.cache
def messages() -> set[str]:
    """All texts that are given to a catalogue, read from tables, code and templates."""
    found: set[str] = set()
    for path in REPORT.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            name = getattr(
                getattr(node, "func", None), "id", getattr(getattr(node, "func", None), "attr", "")
            )
            if isinstance(node, ast.Call) and name == "say" and node.args:
                parts = ast.walk(node.args[0])
                found |= {p.value for p in parts if isinstance(p, ast.Constant) and isinstance(p.value, str)}
    for path in (REPORT / "templates").glob("*.j2"):
        found |= set(re.findall(r'say\("([^"]+)"\)', path.read_text(encoding="utf-8")))
    from diffbench.report.judgement import DEFER, NAMES, STATED

    for table in (WORDS, PARTS, NAMES, CAUTIONS, STATED):
        found |= set(table.values())
    terms, _ = card_glossary(say_in("en"))
    found |= {text for word, meaning, *_ in terms.rows for text in (word, meaning)}
    found |= {words for *_, words in CHANGES} | {"not converged"} | stopping()
    for rows in (REASONS, STEPS):
        found |= {text for texts in rows.values() for text in texts}
    return found | {DEFER}


def stopping() -> set[str]:
    """Names of findings that can stop, which a card tells, read from the code that finds them."""
    found: set[str] = set()
    for path in REPORT.parent.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if getattr(getattr(node, "func", None), "id", "") != "Finding" or len(node.args) < 2:
                continue
            name, severity = (
                {p.value for p in ast.walk(part) if isinstance(p, ast.Constant) and isinstance(p.value, str)}
                for part in node.args[:2]
            )
            found |= name if "stop" in severity else set()
    assert len(found) > 5
    return found


def entries(text: str) -> dict[str, str]:
    """Messages of a catalogue's source, its head left out."""
    pairs = re.findall(r'^msgid (".*")\nmsgstr (".*")$', text, re.MULTILINE)
    return {json.loads(one): json.loads(other) for one, other in pairs if one != '""'}


@pytest.mark.parametrize("language", LANGUAGES)
def test_catalogues_are_complete(language: str) -> None:
    """Every message and no other, with the same fields; what is read is what the source says."""
    folder = REPORT / "catalogues"
    source = entries((folder / f"{language}.po").read_text(encoding="utf-8"))
    assert set(source) == messages()
    with (folder / f"{language}.mo").open("rb") as file:
        read = gettext.GNUTranslations(file)
    for message, said in source.items():
        assert said
        assert read.gettext(message) == said
        assert sorted(re.findall(r"{\w+}", said)) == sorted(re.findall(r"{\w+}", message))


@pytest.mark.parametrize("language", ["en", *LANGUAGES])
def test_numbers_and_words_of_a_card_are_of_its_language(complete: Characterisation, language: str) -> None:
    """German, French, Italian and Spanish write a decimal comma, English and Japanese a point, in every
    number that a reader sees; names and hashes stay as they are. The words below are of the language too."""
    page = card_files(complete, ("html",), language=language)["card.html"].decode()
    shown = re.sub(r"<style.*?</style>|<svg.*?</svg>|<code>.*?</code>|<[^>]*>", " ", page, flags=re.DOTALL)
    comma = language in {"de", "fr", "it", "es"}
    assert re.findall(r"\d\.\d" if comma else r"\d,\d", shown) == []
    assert ("83,2" if comma else "83.2") in shown
    said = say_in(language)("Torque that comes in at the case; coast is negative.")
    assert said in shown
    assert (said == "Torque that comes in at the case; coast is negative.") == (language == "en")


@pytest.mark.filterwarnings("ignore:Glyph")  # the type face of the machine: a browser has others
@pytest.mark.parametrize("language", ["de", "ja"])
def test_a_life_is_told_in_its_language(complete: Characterisation, tmp_path: Path, language: str) -> None:
    """Time lines, visits and what was changed: two builds, invented, half a year apart. Japanese has no word
    in Latin letters, German no decimal point."""
    facts = complete.builds[0].model_copy(update={"build": "K04-2", "shim_m": 1.25e-3, "distance_m": 9e5})
    later = complete.model_copy(update={"builds": [facts], "build": "K04-2", "date": "2026-11-02"})
    history = open_history(str(tmp_path / "h.sqlite"))
    for i, one in enumerate((complete, later)):
        (tmp_path / f"{i}.json").write_text(one.to_json(), encoding="utf-8")
        history.add([tmp_path / f"{i}.json"])
    say = say_in(language)
    life = life_of(complete.unit, visits_of(history, complete.unit)[0])
    figures, changes = list(life_figures(life, say)), change_table(life, say)
    assert changes is not None
    heads = [figure.table.head for figure in figures if figure.table]
    # limits have a column where there are limits
    assert [len(head) for head in heads] == [4, *[3] * (len(heads) - 1)]
    drawn = Figure()
    time_line(life, drawn.subplots(), quantity="ramp_bias_drive_loading", unit="1", say=say)
    drawn.draw_without_rendering()
    told = [str(text.get_text()) for text in drawn.findobj(Text)]
    for table in (visit_table(life, say), changes, *(figure.table for figure in figures if figure.table)):
        told += [*table.head, table.caption, *(cell for row in table.rows for cell in row)]
    told += [words for figure in figures for words in (figure.title, figure.shows)]
    words = re.sub(r"K04[\w-]*|\w*N·m\w*|\b(km|mm|deg)\b", "", " ".join(told))
    if language == "ja":
        assert re.findall("[A-Za-z]{2,}", words) == []
    else:
        assert re.findall(r"\d\.\d", words) == []
        assert {"Strecke", "Zustand", "Aufbau nachher"} <= set(told)


def test_a_workbook_holds_numbers_and_no_formula() -> None:
    """Texts that begin like formulas stay texts, numbers are numbers, the last sheet has all in full."""
    openpyxl = pytest.importorskip("openpyxl", reason="workbooks are an extra")
    table = Table("A:B", ("name", "value"), (("=1+1", "\u22123.25"), ("x", "81.7 N·m")))
    made = workbook_of(Document("T", (Section("", (table,)),)), {"a": [1.0 / 3.0], "t": "=HYPERLINK(1)"})
    book = openpyxl.load_workbook(io.BytesIO(made))
    assert book.sheetnames == ["words", "A B", "in full"]
    cells = book["A B"]
    assert (cells["A2"].value, cells["A2"].data_type, cells["B2"].value) == ("=1+1", "s", -3.25)
    full = {row[0].value: (row[1].value, row[1].data_type) for row in book["in full"].iter_rows()}
    assert full["a.0"] == (1.0 / 3.0, "n")
    assert full["t"] == ("=HYPERLINK(1)", "s")


def test_a_format_without_a_folder_is_refused(demo: Any) -> None:
    """For every command that has it."""
    for words in (
        ["show", str(demo.folder), "--to", "pdf"],
        ["repeatability", str(demo.folder), "--to", "xlsx"],
    ):
        ran = CliRunner().invoke(main, words)
        assert ran.exit_code == 2
        assert "--out" in ran.stderr


def test_show_and_history_write_the_same_card(demo: Any, tmp_path: Path) -> None:
    """From a folder and from its file; a history's pages link to each other, and to nothing missing."""
    for name, source in (("a", demo.folder), ("b", demo.folder / "characterisation.json")):
        ran = CliRunner().invoke(main, ["show", str(source), "--out", str(tmp_path / name)])
        assert ran.exit_code == 0, ran.output
    one, other = ((tmp_path / name / "card.html").read_bytes() for name in ("a", "b"))
    assert one == other
    store, site = str(tmp_path / "h.sqlite"), tmp_path / "site"
    assert CliRunner().invoke(main, ["history", "add", str(demo.folder), "--store", store]).exit_code == 0
    ran = CliRunner().invoke(main, ["history", "pages", "--out", str(site), "--store", store])
    assert ran.exit_code == 0, ran.output
    pages = {path.name: path.read_text(encoding="utf-8") for path in site.iterdir()}
    assert len(pages) == 3
    reached, ahead = set(), {"index.html"}
    while ahead:
        page = ahead.pop()
        reached.add(page)
        links = set(re.findall(r'href="([^"#]+)"', pages[page]))
        ahead |= links - reached
    assert reached == set(pages)
    card = re.compile(r'<p class="word">.*?</dl>', re.DOTALL)
    assert {card.findall(text)[0] for name, text in pages.items() if name != "index.html"} == {
        card.findall(one.decode())[0]
    }


@pytest.mark.skipif(
    "CI" not in os.environ and (CHROMIUM is None or importlib.util.find_spec("playwright") is None),
    reason="no browser to look with: always in CI",
)
def test_the_first_screen_has_verdict_step_and_number(demo: Any, tmp_path: Path) -> None:
    """At 390 and 1440 px: all three end within the window; folded the page is below 9,000 px on a telephone,
    and no text of a figure that is shown is smaller than 11 px, folded or not."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        for width, height in ((390, 844), (1440, 900)):
            page = browser.new_page(viewport={"width": width, "height": height})
            page.goto((demo.folder / "report.html").as_uri())
            for part in (".word", ".step", ".leads .large"):
                box = page.locator(part).first.bounding_box()
                assert box is not None
                assert box["y"] + box["height"] <= height
            assert page.evaluate("document.documentElement.scrollHeight") < 9000
            page.evaluate("document.querySelectorAll('details.fold').forEach(d => { d.open = true; })")
            smallest = page.evaluate(
                """() => Math.min(...[...document.querySelectorAll('svg text')].map(text => {
                const drawing = text.ownerSVGElement;
                const scale = drawing.getBoundingClientRect().width / drawing.viewBox.baseVal.width;
                return parseFloat(getComputedStyle(text).fontSize) * scale; }))"""
            )
            assert smallest >= 11.0
        browser.close()


@pytest.mark.skipif(
    "CI" not in os.environ and (CHROMIUM is None or importlib.util.find_spec("playwright") is None),
    reason="no browser to look with: always in CI",
)
def test_what_to_do_is_read_without_scrolling(doubtful: Characterisation, demo: Any, tmp_path: Path) -> None:
    """State, step and number end within the first screen of a telephone, of a desk and on the first sheet
    of A4, and nothing is wider than that: of a card that is out of limits, with its cautions, in the language
    with the longest words, of a unit's page and of the index."""
    from playwright.sync_api import sync_playwright

    card = card_files(doubtful, ("html",), language="de")["card.html"]
    (tmp_path / "card.html").write_bytes(card)
    store = ["--store", str(tmp_path / "h.sqlite")]
    assert CliRunner().invoke(main, ["history", "add", str(demo.folder), *store]).exit_code == 0
    assert CliRunner().invoke(main, ["history", "pages", "--out", str(tmp_path), *store]).exit_code == 0
    on_card = (".word", ".step", ".leads .large")
    on_index = (".state", 'td[data-head="Preload torque"]', 'td[data-head="Next step"]')
    pages = (("card.html", on_card), ("unit-Q17.html", on_card), ("index.html", on_index))
    # 96 px to the inch: A4 is 794 by 1123
    screens = (("screen", 390, 844), ("screen", 1440, 900), ("print", 794, 1123))
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        for (name, parts), (media, width, height) in itertools.product(pages, screens):
            page = browser.new_page(viewport={"width": width, "height": height})
            page.emulate_media(media=media)
            page.goto((tmp_path / name).as_uri())
            for part in parts:
                box = page.locator(part).first.bounding_box()
                assert box is not None
                assert box["y"] + box["height"] <= height, (name, media, width, part)
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            page.close()
        browser.close()
