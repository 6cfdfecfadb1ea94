"""The page on paper."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from diffbench.errors import OutputError
from diffbench.report import BROWSERS, browser, printed

CHROMIUM = next((p for p in map(shutil.which, BROWSERS) if p), None)


def script(folder: Path, text: str) -> str:
    """A program that stands for a browser."""
    path = folder / "browser"
    path.write_text(f"#!/bin/sh\n{text}\n", encoding="utf-8")
    path.chmod(0o755)
    return str(path)


@pytest.mark.skipif(
    CHROMIUM is None and "CI" not in os.environ,
    reason="no Chromium on this machine: printing is tried where there is one, and always in CI",
)
@pytest.mark.parametrize(("paper", "box"), [("A4", b"0 0 594.9"), ("letter", b"0 0 612 792")])
def test_a_page_becomes_a_pdf(paper: str, box: bytes) -> None:
    """A PDF from head to foot, on the paper that was asked for (points of ISO 216 and of ANSI/ASME Y14.1)."""
    page = "<!doctype html><title>x</title><style>p { color: black }</style><p>N·m"
    made = printed(page.encode(), paper=paper)
    assert b"/MediaBox [" + box in made
    assert made.startswith(b"%PDF-1.")
    assert made.rstrip().endswith(b"%%EOF")
    assert len(made) > 2000


def test_without_a_browser_it_says_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    """And names the way without one."""
    monkeypatch.delenv("DIFFBENCH_BROWSER", raising=False)
    monkeypatch.setattr("diffbench.report.files.BROWSERS", ("no-such-browser",))
    with pytest.raises(OutputError) as caught:
        browser()
    assert "none was found" in str(caught.value)
    assert "or open the page and print it" in str(caught.value)


def test_a_named_browser_is_taken(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Before all others; one that is not there is refused."""
    path = script(tmp_path, "exit 0")
    monkeypatch.setenv("DIFFBENCH_BROWSER", path)
    assert browser() == path
    monkeypatch.setenv("DIFFBENCH_BROWSER", str(tmp_path / "none"))
    with pytest.raises(OutputError, match="is no program that can be run"):
        browser()


@pytest.mark.parametrize("text", ["echo 'cannot open display' >&2; exit 3", "exit 0"])
def test_a_browser_that_does_not_print_is_told(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, text: str
) -> None:
    """By its own last words, or without any: no empty file is passed off as a print."""
    monkeypatch.setenv("DIFFBENCH_BROWSER", script(tmp_path, text))
    with pytest.raises(OutputError, match=r"did not print \((cannot open display|without a word)\)"):
        printed(b"<p>x")
