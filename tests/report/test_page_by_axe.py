"""The page of each kind in a browser that is driven: offline, without errors, without requests, accessible in
light and dark, and its numbers those of the document."""

from __future__ import annotations

import importlib.util
import os
import shutil
from collections.abc import Callable, Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from diffbench.report.rounding import number_text, typeset
from diffbench.report.wording import key_names, printable, shown
from diffbench.results import Characterisation

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

CHROMIUM = next((p for p in map(shutil.which, ("chromium", "chromium-browser", "google-chrome")) if p), None)
pytestmark = pytest.mark.skipif(
    (CHROMIUM is None or importlib.util.find_spec("playwright") is None) and "CI" not in os.environ,
    reason="no Chromium or Playwright on this machine: a driven browser is tried where both are, and in CI",
)
COLOURED = ("complete", "doubtful")
#: Nothing on these is of another style: see `test_contrast_is_tried_on_every_style`.
ALIKE = ("hostile", "two_builds")
CONTRAST = "color-contrast"
#: The axe-core rules to hold: WCAG 2.0 to 2.2, A and AA, and what its authors call best practice.
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


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


@pytest.fixture(scope="module")
def axe() -> str:
    """The text of axe-core, which comes with its Python package."""
    spec = importlib.util.find_spec("axe_playwright_python")
    assert spec is not None
    assert spec.submodule_search_locations
    return (Path(spec.submodule_search_locations[0]) / "axe.min.js").read_text(encoding="utf-8")


class Opened:
    """A page that was opened from a file, offline, and what it did meanwhile."""

    def __init__(self, browser: Browser, file: Path, **options: object) -> None:
        self.context = browser.new_context(offline=True, **options)  # type: ignore[arg-type]
        self.page: Page = self.context.new_page()
        self.said: list[str] = []
        self.asked: list[str] = []
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.goto(file.as_uri())


@pytest.fixture
def opened(browser: Browser, pages: Callable[[str], str], tmp_path: Path) -> Iterator[Callable[..., Opened]]:
    """Open the page of a kind."""
    made: list[Opened] = []

    def _open(kind: str, **options: object) -> Opened:
        file = tmp_path / f"{kind}.html"
        file.write_text(pages(kind), encoding="utf-8")
        made.append(Opened(browser, file, **options))
        return made[-1]

    yield _open
    for one in made:
        one.context.close()


@pytest.mark.parametrize("kind", [*COLOURED, *ALIKE])
def test_page_opens_offline_and_is_accessible(opened: Callable[..., Opened], axe: str, kind: str) -> None:
    """No word on the console, no request but for the file itself (drawings carry theirs), no violation of
    axe-core's rules; contrast in the light scheme and in the dark one."""
    found = opened(kind, bypass_csp=True, color_scheme="light")
    assert [url for url in found.asked if not url.startswith("data:")] == [found.page.url]
    assert found.said == []
    found.page.evaluate(axe)
    unfold(found.page)
    if kind in ALIKE:  # contrast takes most of axe-core's time
        assert violations(found.page, {"runOnly": TAGS, "rules": {CONTRAST: {"enabled": False}}}) == []
        return
    assert violations(found.page, {"runOnly": TAGS}) == []
    found.page.emulate_media(color_scheme="dark")
    assert violations(found.page, {"runOnly": {"type": "rule", "values": [CONTRAST]}}) == []


def unfold(page: Page) -> None:
    """Open what is folded behind the card; the tables behind figures stay closed."""
    page.evaluate("document.querySelectorAll('details.fold').forEach(d => { d.open = true; })")


class Styles(HTMLParser):
    """All that decides a colour: of each element its own name, class and style, and those around it."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: set[tuple[str, ...]] = set()
        self._around: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_startendtag(tag, attrs)
        if tag not in ("meta", "br", "img", "hr"):
            self._around.append(self._named(tag, attrs))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.add((*dict.fromkeys(self._around), self._named(tag, attrs)))

    def handle_endtag(self, tag: str) -> None:
        self._around.pop()

    @staticmethod
    def _named(tag: str, attrs: list[tuple[str, str | None]]) -> str:
        kept = [f"{name}={value}" for name, value in attrs if name in ("class", "style", "fill", "stroke")]
        return " ".join([tag, *kept])


def test_contrast_is_tried_on_every_style(pages: Callable[[str], str]) -> None:
    """What is on the pages whose contrast is not looked at stands on the others in the same colours."""
    tried = set().union(*(Styles(pages(kind)).found for kind in COLOURED))
    assert len(tried) > 100
    for kind in ALIKE:
        assert Styles(pages(kind)).found - tried == set()


def violations(page: Page, options: dict[str, object]) -> list[str]:
    """What axe-core finds: rule, and the first elements that break it."""
    found: list[str] = page.evaluate(
        """async (options) => (await axe.run(document, {...options, resultTypes: ['violations']}))
        .violations.map(v => v.id + ': ' + v.nodes.slice(0, 3).map(n => n.html.slice(0, 99)).join(' | '))""",
        options,
    )
    return found


def test_axe_notices_what_is_wrong(browser: Browser, axe: str) -> None:
    """A drawing without a name and grey on grey: the test above would pass on a tool that sees nothing."""
    page = browser.new_page()
    page.set_content(
        '<html lang="en"><title>x</title><main><h1>x</h1><svg role="img" width="9" height="9"></svg>'
        '<p style="color:#999;background:#aaa">grey</p></main>'
    )
    page.evaluate(axe)
    found = {text.partition(":")[0] for text in violations(page, {"runOnly": TAGS})}
    assert {"svg-img-alt", "color-contrast"} <= found
    page.close()


def test_the_page_runs_no_script_and_needs_none(opened: Callable[..., Opened]) -> None:
    """With scripts switched off everything is there; hostile names did nothing while they were on."""
    found = opened("hostile", java_script_enabled=False)
    assert found.page.locator("svg.plot").count() >= 12
    assert found.page.locator("h1").inner_text().startswith("Unit")
    found = opened("hostile")
    assert found.page.locator("script").count() == 0
    assert "<script>alert('x')</script>" in found.page.locator("main").inner_text()


def test_every_number_is_the_document_s(opened: Callable[..., Opened], complete: Characterisation) -> None:
    """Read as a person reads it: value with uncertainty and interval of every quantity, and limits."""
    result = complete
    page = opened("complete").page
    unfold(page)
    text = " ".join(page.locator("body").inner_text().split())
    for name in [*key_names(result)[0], *key_names(result)[1]]:
        seen = shown(name, result.parameters[name])
        assert " ".join(typeset(printable(seen.full)).split()) in text
        assert typeset(seen.interval) in text
    for limit in result.limits:
        assert f"{number_text(limit.low)} to {number_text(limit.high)}" in text


def test_numbers_behind_a_figure_open_without_a_script(opened: Callable[..., Opened]) -> None:
    """A table behind every figure, closed until it is asked for, reached by keyboard; as what is folded."""
    page = opened("complete", java_script_enabled=False).page
    figures = page.locator(".fold figure")
    assert figures.count() == page.locator("figure details").count() >= 20
    first = page.locator("#evidence figure details").first
    assert not first.is_visible()
    page.locator("details.fold:has(#evidence) > summary").press("Enter")
    assert not first.locator("table").is_visible()
    first.locator("summary").press("Enter")
    assert first.locator("table").is_visible()


@pytest.mark.parametrize("width", [360, 1600])
def test_an_open_table_does_not_widen_the_page(opened: Callable[..., Opened], width: int) -> None:
    """All tables open: they scroll within themselves."""
    page = opened("complete", viewport={"width": width, "height": 900}).page
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
