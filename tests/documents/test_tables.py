"""Unit, default, example and words of every key, by the guide's tables, which a person has read."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

from diffbench.documents import load_build, load_car, load_rig, load_run_sheet
from diffbench.documents.log import load_log
from diffbench.guide import page

sys.path.insert(0, str(Path(__file__).parents[1] / "guide"))

import tables  # the path above comes first


def test_keys_are_those_of_the_page_on_papers(write: Callable[[str], Path], texts: dict[str, str]) -> None:
    """What each stands for is read, and so is what they all say of themselves."""
    for kind, load in (
        ("rig", load_rig),
        ("build", load_build),
        ("run", load_run_sheet),
        ("car", load_car),
        ("log", load_log),
    ):
        assert load(write(texts[kind])).format == f"diffbench-{kind}/1"
    text = page("papers").text
    assert all(f"<!-- table: keys of {name} -->" in text for name in tables.PAPERS)
    assert tables.filled(text) == text
