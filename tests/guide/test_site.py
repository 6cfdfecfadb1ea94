"""The guide in a browser: whole, linked, searchable, without a request, on a phone and a desk."""

from __future__ import annotations

import importlib.util
import json
import os
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner

from diffbench.cli import main
from diffbench.errors import OutputError
from diffbench.guide import FOLDER, TOPICS, write_site

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


def test_an_earlier_guide_is_replaced_and_nothing_else_is(tmp_path: Path) -> None:
    """A folder with pages of somebody else is left as it is."""
    write_site(tmp_path / "mine")
    write_site(tmp_path / "mine")
    other = tmp_path / "other"
    other.mkdir()
    (other / "index.html").write_text("<p>mine</p>", encoding="utf-8")
    with pytest.raises(OutputError, match="no page of this guide"):
        write_site(other)
    assert [path.name for path in other.iterdir()] == ["index.html"]
    assert (other / "index.html").read_text(encoding="utf-8") == "<p>mine</p>"


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
