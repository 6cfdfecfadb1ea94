"""The page on paper: PDF by a browser that is on the machine.

A browser is what the page is made for, and what its print is tested with; a second layout engine as a Python
library would lay it out otherwise and need libraries of the system all the same.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

from diffbench.children import run
from diffbench.errors import OutputError

__all__ = ["browser", "printed"]

#: Names of Chromium and of browsers built on it, as distributions install them.
NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "msedge")
#: Names one that is elsewhere.
VARIABLE = "DIFFBENCH_BROWSER"
MEND = (
    "install Chromium (Debian: apt-get install chromium), name a browser built on it in the environment "
    f"variable {VARIABLE}, or open the page and print it"
)
PATIENCE = 180  # s


def browser() -> str:
    """The browser that prints.

    Returns
    -------
    Its path.

    Raises
    ------
    OutputError
        There is none.
    """
    named = os.environ.get(VARIABLE)
    if named:
        found = shutil.which(named)
        if found is None:
            raise OutputError.single("is no program that can be run", file=named, mend=MEND)
        return found
    path = next((path for path in map(shutil.which, NAMES) if path), None)
    if path is None:
        raise OutputError.single("a PDF is printed by a browser, and none was found", mend=MEND)
    return path


def printed(page: bytes, *, paper: str = "A4") -> bytes:
    """A page as PDF.

    Parameters
    ----------
    page : bytes
        The HTML file.
    paper : str
        Size of a sheet, as CSS names it: "A4" or "letter".

    Returns
    -------
    The PDF file.

    Raises
    ------
    OutputError
        There is no browser, or it did not print.
    """
    program = browser()
    with tempfile.TemporaryDirectory(prefix="diffbench-print-") as folder:
        source, target = Path(folder) / "report.html", Path(folder) / "report.pdf"
        sheet = f"@page {{ size: {paper}; }}</style>".encode()
        source.write_bytes(page.replace(b"</style>", sheet, 1))
        command = [
            program,
            "--headless",
            "--disable-gpu",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            f"--user-data-dir={folder}/profile",
            "--no-pdf-header-footer",
            f"--print-to-pdf={target}",
            source.as_uri(),
        ]
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            # its own fence does not work for root; the page runs no script and asks for nothing
            command.insert(1, "--no-sandbox")
        try:
            done = run(command, timeout=PATIENCE)
        except (OSError, subprocess.TimeoutExpired) as error:
            raise OutputError.single(
                f"the browser did not print ({error})", file=program, mend=MEND
            ) from error
        if done.returncode != 0 or not target.is_file():
            last = done.stderr.decode("utf-8", "replace").strip().splitlines()[-1:] or ["without a word"]
            raise OutputError.single(f"the browser did not print ({last[0]})", file=program, mend=MEND)
        return target.read_bytes()
