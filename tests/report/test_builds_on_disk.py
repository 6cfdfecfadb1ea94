"""Builds that were fitted together, as files: a set for each beside what they share."""

from __future__ import annotations

from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from diffbench.report import NAMES, files
from diffbench.results import load_characterisation, load_map, map_on
from diffbench.results.manifest import NAME as MANIFEST
from diffbench.results.manifest import check_whole


@pytest.fixture(autouse=True)
def quick_pages(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pages and their prints have tests of their own."""
    monkeypatch.setattr("diffbench.report.page.result_page", lambda *both, **options: "<!DOCTYPE html>\n")
    monkeypatch.setattr(files, "printed", lambda page, *, paper: paper.encode() + page)


def test_every_build_has_a_set_beside_what_they_share(synthetic: ModuleType, tmp_path: Path) -> None:
    """In the folder that its facts name, else in one of its own name; no map is of both. One manifest is over
    all, and what an earlier result had goes."""
    joint = synthetic.two_builds()
    first, second = (facts.build for facts in joint.builds)
    builds = [joint.builds[0].model_copy(update={"folder": "spring"}), joint.builds[1]]
    joint = joint.model_copy(update={"builds": builds})
    nodes = tuple(np.array(axis) for axis in ([-300.0, 0.0, 700.0], [1.0, 4.0], [60.0]))
    maps = {build: map_on(joint.of_build(build), nodes) for build in (first, second)}
    written = files.write_builds(tmp_path, joint, maps)
    assert written == {
        first: [tmp_path / "spring" / name for name in NAMES],
        second: [tmp_path / second / name for name in NAMES],
        "": [tmp_path / "characterisation.json", tmp_path / "report.html"],
    }
    there = {str(path.relative_to(tmp_path)) for path in tmp_path.rglob("*") if path.is_file()}
    named = {str(path.relative_to(tmp_path)) for paths in written.values() for path in paths}
    assert there == {MANIFEST, *named}
    manifest = check_whole(tmp_path)
    assert manifest is not None
    assert (set(manifest.files), manifest.result) == (named, joint.digest)
    assert load_characterisation(tmp_path / "characterisation.json").build == joint.build
    for build, folder in ((first, "spring"), (second, second)):
        assert load_characterisation(tmp_path / folder / "characterisation.json").build == build
        assert load_map(tmp_path / folder / "map.json").document.build == build
    printed = files.write_builds(tmp_path, joint, maps, paper="letter")
    assert [path.name for path in printed[""]] == ["report.pdf", "characterisation.json", "report.html"]
    assert [path.name for path in printed[first]] == ["report.pdf", *NAMES]
    assert (tmp_path / "spring" / "report.pdf").read_bytes() == b"letter<!DOCTYPE html>\n"
    files.write_builds(tmp_path, joint, maps)
    assert {str(path.relative_to(tmp_path)) for path in tmp_path.rglob("*") if path.is_file()} == there
