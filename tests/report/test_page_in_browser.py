"""The page in a browser: no sideways scroll from 360 to 1600 px, no request but for itself, no cut figure on
paper."""

from __future__ import annotations

import http.server
import os
import re
import shutil
import subprocess
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from edited import edited

CHROMIUM = next((p for p in map(shutil.which, ("chromium", "chromium-browser", "google-chrome")) if p), None)
pytestmark = pytest.mark.skipif(
    CHROMIUM is None and "CI" not in os.environ,
    reason="no Chromium on this machine: layout in a browser is checked where there is one, and always in CI",
)

WIDTHS = (360, 1600)
# Measures the page from outside, in windows of these widths: the page itself may run no script.
FRAMES = """<!doctype html><meta charset="utf-8"><body><pre id="found"></pre><script>
for (const width of WIDTHS) {
  const frame = document.createElement("iframe");
  frame.style = `border:0;width:${width}px;height:900px`;
  frame.onload = () => {
    const inner = frame.contentDocument, root = inner.documentElement, wide = [];
    for (const element of inner.querySelectorAll("body *")) {
      if (element.closest("svg, .scroll, .aside, thead")) continue;
      if (element.getBoundingClientRect().right > width + 0.5) wide.push(element.tagName);
    }
    document.getElementById("found").textContent +=
      `width ${width} scroll ${root.scrollWidth} figures ${inner.querySelectorAll("svg.plot").length} wide [${
      wide.slice(0, 5)}]\\n`;
  };
  frame.src = "NAME.html";
  document.body.append(frame);
}
</script>"""


@pytest.fixture(scope="module")
def site(
    pages: Callable[[str], str], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[str, Path, list[str]]]:
    """Pages of three results on a server of their own, which keeps a list of what it is asked for."""
    folder = tmp_path_factory.mktemp("site")
    for name in ("complete", "doubtful", "hostile"):
        (folder / f"{name}.html").write_text(pages(name), encoding="utf-8")
        frames = edited(FRAMES.replace("NAME", name), "WIDTHS", str(list(WIDTHS)))
        (folder / f"{name}-framed.html").write_text(frames, encoding="utf-8")
    asked: list[str] = []

    class Handler(http.server.SimpleHTTPRequestHandler):
        def __init__(self, *args: object) -> None:
            super().__init__(*args, directory=str(folder))  # type: ignore[arg-type]

        def log_message(self, form: str, *args: object) -> None:
            asked.append(str(args[0]).split(" ")[1])

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.server_address[1]}", folder, asked
    server.shutdown()
    server.server_close()
    thread.join()


def browse(folder: Path, *options: str) -> str:
    assert CHROMIUM is not None, "CI has no Chromium"
    done = subprocess.run(
        [
            CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={folder / 'profile'}",
            "--virtual-time-budget=5000", *options,
        ],
        capture_output=True, text=True, check=True, timeout=120,
    )  # fmt: skip
    return done.stdout


@pytest.mark.parametrize("name", ["complete", "doubtful", "hostile"])
def test_nothing_scrolls_sideways(site: tuple[str, Path, list[str]], name: str) -> None:
    """Whatever is in it, the page is as wide as its window; only tables of many columns scroll within
    themselves."""
    address, folder, asked = site
    asked.clear()
    found = re.findall(
        r"width (\d+) scroll (\d+) figures (\d+) wide \[(.*?)\]",
        browse(folder, "--dump-dom", f"{address}/{name}-framed.html"),
    )
    assert {int(width) for width, *_ in found} == set(WIDTHS)
    for width, scroll, figures, wide in found:
        assert int(scroll) <= int(width)
        assert wide == ""
        assert int(figures) >= 12
    # the page asks for nothing: the server saw the frames, the page, and the browser's own look for an icon
    assert set(asked) - {"/favicon.ico"} == {f"/{name}-framed.html", f"/{name}.html"}


@pytest.mark.skipif(
    shutil.which("pdftotext") is None and "CI" not in os.environ,
    reason="no pdftotext on this machine to look at the print",
)
@pytest.mark.parametrize(("paper", "points"), [("A4", (595, 842)), ("letter", (612, 792))])
def test_print_cuts_no_figure(
    site: tuple[str, Path, list[str]], pages: Callable[[str], str], paper: str, points: tuple[int, int]
) -> None:
    """On A4 and Letter every figure's axis labels stand on the sheet of its title, and no sheet is empty."""
    address, folder, _ = site
    sized = edited(pages("complete"), "</style>", f"@page {{ size: {paper}; }}</style>", 1)
    (folder / f"{paper}.html").write_text(sized, encoding="utf-8")
    pdf = folder / f"{paper}.pdf"
    browse(folder, f"--print-to-pdf={pdf}", "--no-pdf-header-footer", f"{address}/{paper}.html")

    def tell(*command: str) -> str:
        return subprocess.run(command, capture_output=True, text=True, check=True).stdout

    size = re.search(r"Page size:\s+([\d.]+) x ([\d.]+)", tell("pdfinfo", str(pdf)))
    assert size is not None
    assert (round(float(size[1])), round(float(size[2]))) == points
    sheets = tell("pdftotext", "-layout", str(pdf), "-").rstrip("\f").split("\f")
    assert all(sheet.strip() for sheet in sheets)
    for title, axis in (
        ("Locking torque over input torque, at", "input torque [N·m], coast negative, drive positive"),
        ("Residual over plate temperature", "plate temperature [°C]"),
        ("Residual over time in the run", "time in the run [s]"),
    ):
        sheet = next(s for s in sheets if title in s)
        assert axis in sheet
    assert not any("Numbers behind this figure" in sheet for sheet in sheets)
