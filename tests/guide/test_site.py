"""The guide in a browser: whole, linked, searchable, without a request, on a phone and a desk."""

from __future__ import annotations

import html
import importlib.util
import json
import os
import re
import shutil
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner

from diffbench.cli import main
from diffbench.errors import OutputError
from diffbench.guide import FOLDER, TOPICS, page, write_site

if TYPE_CHECKING:
    from playwright.sync_api import Browser

CHROMIUM = next((p for p in map(shutil.which, ("chromium", "chromium-browser", "google-chrome")) if p), None)
driven = pytest.mark.skipif(
    (CHROMIUM is None or importlib.util.find_spec("playwright") is None) and "CI" not in os.environ,
    reason="no Chromium or Playwright on this machine: a driven browser is tried where both are, and in CI",
)
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """All pages, as the command writes them."""
    folder = tmp_path_factory.mktemp("guide") / "pages"
    done = CliRunner().invoke(main, ["guide", "--html", str(folder), "--json"])
    assert done.exit_code == 0
    told = json.loads(done.stdout)
    assert {Path(path) for path in told["written"]} == set(folder.iterdir())
    assert told["start"] == str(folder / "index.html")
    return folder


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Debian's Chromium, driven by Playwright."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        assert CHROMIUM is not None, "CI has no Chromium"
        started = driver.chromium.launch(
            executable_path=CHROMIUM,
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
        )
        yield started
        started.close()


def test_everything_that_a_page_names_is_beside_it(site: Path) -> None:
    """Pages, places in them and pictures; nothing from a network but links that a reader may follow."""
    texts = {path.name: path.read_text(encoding="utf-8") for path in site.glob("*.html")}
    assert set(texts) == {"index.html", *(f"{topic}.html" for topic in TOPICS)}
    names = {name: re.findall(r'\sid="([^"]+)"', text) for name, text in texts.items()}
    for name, text in texts.items():
        assert len(names[name]) == len(set(names[name])), "a name stands twice"
        for target in re.findall(r'\shref="([^"]+)"', text):
            if target.startswith("https:"):
                continue
            file, _, place = target.partition("#")
            assert (site / (file or name)).exists(), target
            assert not place or place in names[file or name], target
        for source in re.findall(r'\ssrc="([^"]+)"', text):
            assert (site / source).exists(), source
        assert "<!--" not in text
    shown = {source for text in texts.values() for source in re.findall(r'src="([^"]+\.png)"', text)}
    assert shown == {path.name for path in (FOLDER / "pictures").glob("*.png")}


def test_the_search_leads_to_places_that_are_there(site: Path) -> None:
    """Every entry of the index."""
    index = (site / "search.js").read_text(encoding="utf-8").partition("\n")[0]
    entries = json.loads(index.removeprefix("const SECTIONS = ").rstrip(";"))
    assert len(entries) > 300
    for entry in entries:
        file, _, place = entry["at"].partition("#")
        assert f'id="{place}"' in (site / file).read_text(encoding="utf-8")


class Read(HTMLParser):
    """What a page says, read from its HTML: headings with the words below them that stand in no table, rows
    by their first cell, and which page is before and after."""

    def __init__(self, title: str) -> None:
        super().__init__()
        self.title, self.main, self.cell, self.heading = title, False, "", False
        self.sections: list[dict[str, str]] = []
        self.rows: list[dict[str, str]] = []
        self.here: list[str] = []
        self.beside: dict[str, str] = {}
        self.heads: list[str] = []
        self.row: list[tuple[str, str]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {key: value or "" for key, value in attrs}
        if "rel" in given:
            self.beside[given["rel"]] = given["href"]
        self.main = (self.main or tag == "main") and tag != "nav"
        if not self.main:
            return
        if tag in ("h1", "h2", "h3", "h4"):
            self.heading = True
            self.sections.append({"at": given["id"], "page": self.title, "head": "", "text": ""})
        elif tag == "thead":
            self.heads = []
        elif tag == "tr":
            self.row, self.at = [], given.get("id", "")
        elif tag in ("th", "td"):
            self.cell, self.words = tag, ""
            if tag == "td":
                assert given["data-head"] == self.heads[len(self.row)]
            self.empty = given.get("class") == "empty"
        elif tag == "img":
            self.handle_data(given["alt"])

    def handle_endtag(self, tag: str) -> None:
        if tag == "th":
            self.heads.append(self.words)
        elif tag == "td":
            assert self.empty == (not self.words)
            self.row.append((self.heads[len(self.row)], self.words))
        elif tag == "tr" and self.row:
            (name, words), *others = self.row
            if words:
                page = f"{self.title}, {name}"
                self.rows.append({"at": self.at, "page": page, "head": words, "text": ""})
            for head, said in others:
                if said:
                    self.rows[-1]["text"] += f" {said};" if head == "what" else f" {head}: {said};"
        elif tag in ("h1", "h2", "h3", "h4"):
            self.heading = False
            self.here += [self.sections[-1]["at"]] if tag == "h2" else []
        self.cell = "" if tag == self.cell else self.cell
        if self.main and not self.cell and self.sections:
            self.sections[-1]["text"] += " " if tag in ("p", "li", "pre") else ""

    def handle_data(self, data: str) -> None:
        if self.cell:
            self.words += data
        elif self.main and self.sections and self.heading:
            self.sections[-1]["head"] += data
        elif self.main and self.sections:
            self.sections[-1]["text"] += data


def test_the_search_holds_what_the_pages_say(site: Path) -> None:
    """Every heading with what stands below it, every row of a table with its cells, by the HTML alone; each
    page leads to the one before, the one after, and its own headings."""
    index = (site / "search.js").read_text(encoding="utf-8").partition("\n")[0]
    entries = json.loads(index.removeprefix("const SECTIONS = ").rstrip(";"))
    for before, topic, after in zip(["", *TOPICS], TOPICS, [*TOPICS[1:], ""], strict=False):
        text = (site / f"{topic}.html").read_text(encoding="utf-8")
        title = html.unescape(text.partition("<title>")[2].partition(" – diffbench guide")[0])
        read = Read(title)
        read.feed(text)
        found = [{**one, "at": f"{topic}.html#{one['at']}"} for one in (*read.sections, *read.rows)]
        for one in found:
            one["text"] = " ".join(one["text"].split())
        assert [one for one in entries if one["at"].startswith(f"{topic}.html#")] == found
        assert found[0]["head"] == title
        beside = {"prev": before, "next": after}
        assert read.beside == {rel: f"{name}.html" for rel, name in beside.items() if name}
        listed = text.partition('<nav class="here"')[2]
        assert re.findall(r'<li><a href="#([^"]+)"', listed) == read.here
    assert {one["at"].partition(".html#")[0] for one in entries} == set(TOPICS)


def test_an_earlier_guide_is_replaced_and_nothing_else_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Words are no markup in the new one. A folder with pages of somebody else is left as it is."""
    write_site(tmp_path / "mine")
    monkeypatch.setattr("diffbench._version.__version__", "<1> & on")
    write_site(tmp_path / "mine")
    assert "guide &lt;1&gt; &amp; on<" in (tmp_path / "mine" / "index.html").read_text(encoding="utf-8")
    other = tmp_path / "other"
    other.mkdir()
    (other / "index.html").write_text("<p>mine</p>", encoding="utf-8")
    with pytest.raises(OutputError, match="no page of this guide"):
        write_site(other)
    assert [path.name for path in other.iterdir()] == ["index.html"]
    assert (other / "index.html").read_text(encoding="utf-8") == "<p>mine</p>"


def test_headings_of_one_name_are_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """So is a row of a table that bears it; one without letters has a name, too."""
    rows = "| x |\n|---|\n| B |\n| ! |\n| ? |\n"
    one = replace(page("map"), text=f"# A\n\nOn it.\n\n## B\n\n## B\n\n## B\n\n{rows}")
    monkeypatch.setattr("diffbench.guide.site.every", lambda: [one])
    write_site(tmp_path)
    text = (tmp_path / "map.html").read_text(encoding="utf-8").partition("<main")[2]
    assert re.findall(r'<(?:h\d|tr) id="([^"]+)"', text) == ["a", "b", "b-2", "b-3", "b-4", "row", "row-2"]


@driven
@pytest.mark.parametrize("width", [390, 800, 1440])
def test_no_page_is_wider_than_its_window(browser: Browser, site: Path, width: int) -> None:
    """Nor asks anything of a network, nor stumbles."""
    context = browser.new_context(viewport={"width": width, "height": 900})
    page = context.new_page()
    asked: list[str] = []
    errors: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("pageerror", lambda error: errors.append(str(error)))
    for topic in ("index", *TOPICS):
        page.goto((site / f"{topic}.html").as_uri())
        assert page.evaluate("document.documentElement.scrollWidth") <= width, topic
    assert not errors
    assert all(url.startswith("file:") for url in asked)
    context.close()


@driven
def test_a_key_is_found_and_led_to(browser: Browser, site: Path) -> None:
    """By its exact name first; words that stand nowhere are told."""
    page = browser.new_page()
    page.goto((site / "map.html").as_uri())
    page.fill("#guide-find", "u_zero")
    first = page.locator("#guide-found a").first
    assert first.inner_text() == "u_zero"
    page.press("#guide-find", "Enter")
    page.wait_for_url("**/papers.html#u_zero")
    page.fill("#guide-find", "<b>nowhere")
    assert "Nothing" in page.locator("#guide-found").inner_text()
    page.press("#guide-find", "Escape")
    assert not page.locator("#guide-found").is_visible()
    page.close()


@driven
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("topic", ["index", "papers", "wear", "start"])
def test_accessible(browser: Browser, site: Path, topic: str, scheme: Any) -> None:
    """By the rules of axe-core for WCAG 2.2 AA; one page of each kind."""
    spec = importlib.util.find_spec("axe_playwright_python")
    assert spec is not None
    assert spec.submodule_search_locations
    axe = (Path(spec.submodule_search_locations[0]) / "axe.min.js").read_text(encoding="utf-8")
    context = browser.new_context(color_scheme=scheme, viewport={"width": 1280, "height": 900})
    page = context.new_page()
    page.goto((site / f"{topic}.html").as_uri())
    page.evaluate(axe)
    found = page.evaluate("tags => axe.run({runOnly: {type: 'tag', values: tags}})", TAGS)
    assert [(v["id"], v["nodes"][0]["html"]) for v in found["violations"]] == []
    context.close()
