"""The result as files: numbers, map and page, whole or not at all; the page on paper, too.

A PDF is printed by a browser that is on the machine: it is what the page is made for, and what its print is
tested with; a second layout engine as a Python library would lay it out otherwise and need libraries of the
system all the same.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

from diffbench.children import run
from diffbench.errors import FitError, OutputError
from diffbench.exports.csv_table import map_csv
from diffbench.results.characterisation import Characterisation
from diffbench.results.locking_map import LockingMap
from diffbench.results.manifest import NAME, check_whole, forget, read_whole, with_manifest
from diffbench.whole_files import write_whole

#: The files of a result; the page last, which thus is never missing while one result gives way to another.
PDF = "report.pdf"
NAMES = ("characterisation.json", "map.json", "map.csv", "report.html")
#: What stands where a result would, until there is one: written by a run over many run sheets.
FAULTS = "faults.txt"
#: Names of Chromium and of browsers built on it, as distributions install them.
BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "msedge")
#: Names one that is elsewhere.
VARIABLE = "DIFFBENCH_BROWSER"
MEND = (
    "install Chromium (Debian: apt-get install chromium), name a browser built on it in the environment "
    f"variable {VARIABLE}, or open the page and print it"
)
PATIENCE = 180  # s


def write_results(
    directory: Path,
    characterisation: Characterisation,
    locking_map: LockingMap,
    *,
    refresh: int | None = None,
    paper: str | None = None,
    page: bool = True,
) -> list[Path]:
    """Write a result into a folder, and nowhere else.

    Parameters
    ----------
    directory : Path
        The folder, made if it is not there.
    characterisation : Characterisation
        The result.
    locking_map : LockingMap
        Its map.
    refresh : int or None
        After how many seconds a browser loads the page again, while more is to come.
    paper : str or None
        "A4" or "letter": the page is printed on that as ``report.pdf``, too.
    page : bool
        Whether there is a page.

    Returns
    -------
    Paths of ``characterisation.json``, ``map.json``, ``map.csv``, ``report.html``, and ``report.pdf`` where
    it was asked for, all named in the manifest that is written with them.

    Raises
    ------
    OutputError
        Something cannot be written, or the page not printed. Then nothing of this result is left, and an
        earlier one stands as it stood.
    """
    contents = _of_one(characterisation, locking_map, refresh=refresh, paper=paper, page=page)
    contents = with_manifest(contents, result=characterisation.digest)
    return [path for path in put_results(directory, contents) if path.name != NAME]


def write_builds(
    directory: Path,
    joint: Characterisation,
    maps: Mapping[str, LockingMap],
    *,
    paper: str | None = None,
    page: bool = True,
) -> dict[str, list[Path]]:
    """Write the result of several builds that were fitted together: a set for each, beside what they share,
    and one manifest over all.

    Parameters
    ----------
    directory : Path
        The folder, made if it is not there.
    joint : Characterisation
        The result; its builds name the folder of each.
    maps : mapping
        The map of each build, by its name.
    paper : str or None
        "A4" or "letter": every page is printed on that, too.
    page : bool
        Whether there are pages.

    Returns
    -------
    Paths of each set by the build's name, and of what they share by "": characterisation.json and a page that
    holds the builds side by side. A map is of one build, so that none stands there; one of an earlier result
    goes.

    Raises
    ------
    OutputError
        Something cannot be written. Then nothing of this result is left, and an earlier one stands as it
        stood.
    """
    folders = {facts.build: f"{facts.folder or facts.build}/" for facts in joint.builds}
    sets = {
        build: _of_one(joint.of_build(build), maps[build], paper=paper, page=page, folder=folder)
        for build, folder in folders.items()
    }
    shared = _of_one(joint, maps[joint.builds[0].build], paper=paper, page=page)
    sets[""] = {name: content for name, content in shared.items() if not name.startswith("map.")}
    together = {name: content for one in sets.values() for name, content in one.items()}
    put_results(directory, with_manifest(together, result=joint.digest))
    return {build: [directory / name for name in one] for build, one in sets.items()}


def _of_one(
    characterisation: Characterisation,
    locking_map: LockingMap,
    *,
    refresh: int | None = None,
    paper: str | None = None,
    page: bool = True,
    folder: str = "",
) -> dict[str, bytes]:
    """The files of one result by their names, printed page included, below a folder."""
    contents = documents(characterisation, locking_map, page=page, refresh=refresh)
    if page and paper is not None:
        contents = {PDF: printed(contents["report.html"], paper=paper), **contents}
    return {f"{folder}{name}": content for name, content in contents.items()}


def documents(
    characterisation: Characterisation, locking_map: LockingMap, *, page: bool, refresh: int | None = None
) -> dict[str, bytes]:
    """The files of a result by name, without their manifest; parameters as of `write_results`, ``page`` says
    whether the page is one of them."""
    texts = {
        "characterisation.json": characterisation.to_json(),
        "map.json": locking_map.to_json(),
        "map.csv": map_csv(locking_map),
    }
    if page:
        from diffbench.report.page import result_page

        texts["report.html"] = result_page(characterisation, locking_map, refresh=refresh)
    # a path that is no Unicode is written with escapes: valid in JSON and readable in HTML
    return {name: text.encode("utf-8", "backslashreplace") for name, text in texts.items()}


def card_files(
    result: Characterisation,
    formats: Sequence[str],
    *,
    before: Characterisation | None = None,
    events: int | None = None,
    language: str = "en",
) -> dict[str, bytes]:
    """The card of a result by the names of its files, "html", "pdf" or both; "xlsx" is the whole result as a
    workbook. ``before`` is an earlier result, ``events`` how many lie between. Raises ``OutputError`` where
    one cannot be made, and ``FitError`` where ``before`` is of another unit, or of a later day."""
    from diffbench.answers.comparison import turned_round
    from diffbench.answers.joint import member
    from diffbench.answers.state import judge, newest_build
    from diffbench.report.card import card_of, card_pdf, curve_map
    from diffbench.report.glossary import card_glossary
    from diffbench.report.messages import say_in
    from diffbench.report.page import page_of

    build, earlier = newest_build([result]), None
    state = judge([result] if before is None else [before, result], build=build, events=events)
    if before is not None:
        last = newest_build([before])
        first = before.of_build(last)
        if turned_round([member(first)], [member(result, build=build)]):
            raise FitError.single(
                f"the result before, of {first.date}, is later than that of {state.date}",
                mend="name the later result first, and the earlier one as before",
            )
        earlier = first, curve_map(before, last)
    card = card_of(
        result, curve_map(result, build), state, before=earlier, language=language, say=say_in(language)
    )
    contents = {}
    if "html" in formats:
        title, (terms, sketch) = f"{card.unit}, {card.date}", card_glossary(card.say)
        page = page_of(
            "card_page", title=title, the_card=card, language=language, up=None, terms=terms,
            sketch=sketch,
        )  # fmt: skip
        contents["card.html"] = page.encode("utf-8", "backslashreplace")
    if "pdf" in formats:
        contents["card.pdf"] = card_pdf(card)
    if "xlsx" in formats:
        from diffbench.report.result import summary
        from diffbench.report.workbook import workbook_of

        contents["result.xlsx"] = workbook_of(summary(result, verbose=True), result.content())
    return contents


def put_results(directory: Path, contents: Mapping[str, bytes]) -> list[Path]:
    """Write the files of a result, manifest included, in the place of an earlier one: what that had and this
    one has not goes. Raises ``OutputError`` as `write_results` does."""
    return write_whole(directory, contents, gone=lambda folder: (*NAMES, PDF, FAULTS, *forget(folder)))


def without_refresh(page: Path, seconds: int) -> None:
    """Leave a page that no longer loads itself again, with its result. Raises ``DiffbenchError`` or
    ``OSError`` where the result is not whole any more, or cannot be written."""
    from diffbench.report.page import refresh_line

    directory, line = page.parent, refresh_line(seconds).encode()
    manifest = check_whole(directory)
    names = [page.name] if manifest is None else list(manifest.files)
    contents = {name: read_whole(directory / name) for name in names}
    if line not in contents[page.name]:
        return
    contents[page.name] = contents[page.name].replace(line, b"", 1)
    if manifest is None:
        write_whole(directory, contents)
    else:
        put_results(directory, with_manifest(contents, result=manifest.result))


def browser() -> str:
    """Path of the browser that prints. Raises ``OutputError`` where there is none."""
    named = os.environ.get(VARIABLE)
    if named:
        found = shutil.which(named)
        if found is None:
            raise OutputError.single("is no program that can be run", file=named, mend=MEND)
        return found
    path = next((path for path in map(shutil.which, BROWSERS) if path), None)
    if path is None:
        raise OutputError.single("a PDF is printed by a browser, and none was found", mend=MEND)
    return path


def printed(page: bytes, *, paper: str = "A4") -> bytes:
    """A page, as the bytes of its HTML file, as PDF on "A4" or "letter" (as CSS names it). Raises
    ``OutputError`` where there is no browser, or it did not print."""
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
