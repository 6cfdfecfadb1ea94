"""The demo's figures in the README."""

from __future__ import annotations

import re
from pathlib import Path

from PIL import Image

LARGEST = 40_000  # bytes: the README opens at once, and the repository stays small


def test_pictures_are_there_small_and_described(repository: Path) -> None:
    """Every picture that the README shows says in words what is on it; none is made and not shown."""
    text = (repository / "README.md").read_text(encoding="utf-8")
    shown = {path: words for words, path in re.findall(r"!\[([^\]]*)\]\(([^)]+)\)", text)}
    made = {f"fixtures/pictures/{p.name}" for p in (repository / "fixtures" / "pictures").glob("*.png")}
    assert set(shown) == made
    for path, words in shown.items():
        assert len(words) > 20
        assert (repository / path).stat().st_size < LARGEST
        with Image.open(repository / path) as picture:
            assert picture.width >= 500
