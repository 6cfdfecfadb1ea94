"""A short run of the fuzzing command, over every format and way of damage; the long run is ``fuzz.py``."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from fuzz import APART, CORPUS, WEIGHTS, conditioned, fuzz, good, keep, make, rig, silent, take

from diffbench.documents import load_build, load_rig
from diffbench.errors import DiffbenchError
from diffbench.readers import read_parts, read_recording

COUNT, SEED = 100, 20_260_414


def test_damaged_and_hostile_files_are_read_or_refused(capsys: pytest.CaptureFixture[str]) -> None:
    """No other exception, no dead process, no input beyond 10 s or 1 GB, no result without its findings."""
    outcome = fuzz(COUNT, SEED, processes=25)
    with capsys.disabled():
        print(f"\n{outcome.count} inputs of seed {SEED}: {len(outcome.failures)} failures")
    assert outcome.failures == []
    assert outcome.count == COUNT
    came = {result.split()[1] for result in outcome.results}
    assert came == {"read", "refused"}


def test_an_input_can_be_made_again_from_its_number() -> None:
    """Bytes and all."""
    assert make(1, 7) == make(1, 7)
    kinds = {make(1, number)[0] for number in range(300)}
    assert kinds >= set(WEIGHTS) - set(APART)  # those are rare


def test_a_result_without_its_findings_would_be_noticed(tmp_path: Path) -> None:
    """Both gains off by 4 % alike is what no recording shows by itself: told of nothing, and caught here; the
    same in one of them is told."""
    path = tmp_path / "sweep.npy"
    path.write_bytes(good("npy")[1])
    recording = read_recording(path, rig(), kind="bias-sweep")
    torques = ("left_torque", "right_torque")

    def off(*names: str) -> str | None:
        changed = {name: (1.04 if name in names else 1.0) * x for name, x in recording.channels.items()}
        return silent([replace(recording, channels=changed)])

    assert off() is None
    assert (off(*torques) or "").startswith("SILENT")
    assert off(torques[0]) is None


def told_of(kind: str, path: Path) -> str:
    """All that is said of a file, as it is refused or beside what is read."""
    try:
        if kind == "toml":
            (load_build if b"diffbench-build" in path.read_bytes() else load_rig)(path)
            return ""
        parts = list(read_parts(path, rig(), kind="bias-sweep", rows=1_000_000))
        notes = {note for part in parts for note in part.notes}
        return " ".join(notes | conditioned(parts)[1])
    except DiffbenchError as error:
        return str(error)


def test_what_once_broke_is_whole() -> None:
    """Every file of the corpus: read or refused as its line says, and told in the words that it needs."""
    entries = tomllib.loads((CORPUS / "corpus.toml").read_text("utf-8"))["file"]
    files = {path.name: path for path in CORPUS.iterdir() if path.name != "corpus.toml"}
    assert files.keys() == {entry["name"] for entry in entries}
    assert len(files) >= 18
    assert sum(path.stat().st_size for path in files.values()) < 300_000
    for entry in entries:
        path = files[entry["name"]]
        came = take(entry["kind"], path)
        assert came in ([entry["came"]] if "came" in entry else ["read", "refused"]), (entry, came)
        assert entry.get("told", "") in told_of(entry["kind"], path), (entry, told_of(entry["kind"], path))


def test_a_find_is_kept_with_its_line(tmp_path: Path) -> None:
    """As the fuzzing command does it: the bytes, and what broke."""
    keep(1, '7 (text "cut"): EXCEPTION ValueError: half', tmp_path)
    (entry,) = tomllib.loads((tmp_path / "corpus.toml").read_text("utf-8"))["file"]
    assert (tmp_path / entry["name"]).read_bytes() == make(1, 7)[2]
    assert (entry["kind"], entry["broke"].split()[0]) == (make(1, 7)[0], "7")
