"""Faults of rig, build sheet, run sheet and recordings are told in one round."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from edited import edited

import diffbench
from diffbench.errors import DiffbenchError


@pytest.fixture
def stand(repository: Path, tmp_path: Path) -> Path:
    """The pinion stand of the fixtures, to be spoilt."""
    folder = tmp_path / "stand"
    shutil.copytree(repository / "fixtures" / "pinion-stand", folder)
    return folder


def spoil(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(edited(text, old, new, 1), encoding="utf-8")


def told(run_sheet: Path) -> set[str]:
    """Which files the faults of one attempt are in."""
    with pytest.raises(DiffbenchError) as caught:
        diffbench.fit(run_sheet)
    return {Path(fault.place.file or "").name for fault in caught.value.faults}


def test_all_papers_and_all_recordings_at_once(stand: Path) -> None:
    """A word in one recording, a missing radius, an unknown kind: three files, one round."""
    spoil(stand / "unit-v09.toml", "inner_radius", "inner_radios")
    sweep = (stand / "bias-sweep.csv").read_bytes().split(b"\r\n")
    sweep[100] = sweep[100].replace(b";", b";soon", 1)
    (stand / "bias-sweep.csv").write_bytes(b"\r\n".join(sweep))
    assert told(stand / "run.toml") == {"unit-v09.toml", "bias-sweep.csv"}
    spoil(stand / "run.toml", 'kind = "speed-sweep"', 'kind = "speedy"')
    assert told(stand / "run.toml") == {"unit-v09.toml", "bias-sweep.csv", "run.toml"}
    spoil(stand / "pinion-cell.toml", "ratio", "ration")  # the rig's own faults hide what it would read
    assert told(stand / "run.toml") == {"unit-v09.toml", "run.toml", "pinion-cell.toml"}


def test_a_swap_is_told_beside_a_faulty_sheet(stand: Path) -> None:
    """What only the numbers show, too."""
    spoil(stand / "unit-v09.toml", "inner_radius", "inner_radios")
    rig = (stand / "pinion-cell.toml").read_text(encoding="utf-8")
    first, second = "L/H speed (rpm)", "R/H speed (rpm)"
    rig = edited(edited(rig, first, "@"), second, first).replace("@", second)
    (stand / "pinion-cell.toml").write_text(rig, encoding="utf-8")
    assert told(stand / "run.toml") == {"unit-v09.toml", "bias-sweep.csv"}


def test_two_run_sheets_of_one_fit(stand: Path) -> None:
    """Each is read, and each is told of."""
    other = stand.with_name("other")
    shutil.copytree(stand, other)
    spoil(stand / "unit-v09.toml", "inner_radius", "inner_radios")
    spoil(other / "pinion-cell.toml", "ratio", "ration")
    with pytest.raises(DiffbenchError) as caught:
        diffbench.fit([stand / "run.toml", other / "run.toml"])
    assert {str(fault.place.file) for fault in caught.value.faults} == {
        str(stand / "unit-v09.toml"),
        str(other / "pinion-cell.toml"),
    }
