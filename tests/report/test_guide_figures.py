"""The demo's figures in README and guide."""

from __future__ import annotations

import re
from pathlib import Path

from PIL import Image

from diffbench.guide import FOLDER

LARGEST = 40_000  # bytes: a page opens at once, and the package stays small


def test_pictures_are_there_small_and_described(repository: Path) -> None:
    """Every picture that is shown says in words what is on it; none is made and not shown on a page."""
    made = set((FOLDER / "pictures").glob("*.png"))
    shown: dict[Path, str] = {}
    for page in FOLDER.glob("*.md"):
        found = re.findall(r"!\[([^\]]*)\]\(([^)]+)\)", page.read_text(encoding="utf-8"))
        shown |= {FOLDER / path: words for words, path in found}
    assert set(shown) == made
    readme = re.findall(r"!\[([^\]]*)\]\(([^)]+)\)", (repository / "README.md").read_text(encoding="utf-8"))
    # the installed package has its own copies
    assert [path for _, path in readme] == ["diffbench/guide/pictures/sweep.png"]
    for path, words in [*shown.items(), *((repository / path, words) for words, path in readme)]:
        assert len(words) > 20
        assert path.stat().st_size < LARGEST
        with Image.open(path) as picture:
            assert picture.width >= 500
