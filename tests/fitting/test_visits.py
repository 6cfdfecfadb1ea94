"""Which recordings of a visit are read, by which rig each is conditioned, and which are refused."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from diffbench.errors import Fault, FitError, Place, RecordingError
from diffbench.fitting import visits as room


class Part:
    """Some samples of a recording."""

    def __init__(self, samples: int, digest: str = "d") -> None:
        self.samples, self.source = samples, SimpleNamespace(sha256=digest)

    def __len__(self) -> int:
        return self.samples


def run_of(file: str, kind: str = "bias-sweep", rig: str = "a") -> Any:
    return SimpleNamespace(file=file, kind=kind, rig=rig)


def visit_of(*runs: Any, sheet: str = "run.toml", one_output: bool = False) -> Any:
    """Runs on rigs by their letters, each with its file."""
    rigs = {
        letter: SimpleNamespace(letter=letter, turns_one_output=one_output)
        for letter in {r.rig for r in runs}
    }
    return SimpleNamespace(
        run_sheet=SimpleNamespace(run=runs), run_sheet_path=Path(sheet), recordings={}, build="build",
        digests={"rig-a.toml": "digest of a"},
        recording_path=lambda run: Path("data") / run.file,
        rig_path_of=lambda run: Path(f"rig-{run.rig}.toml"),
        rig_of=lambda run: rigs[run.rig],
    )  # fmt: skip


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """What was asked of the conditioning, with recordings of one part; names of which hands read, and faults
    by the rig's letter, are to be filled in."""
    told: dict[str, Any] = {"conditioned": [], "hand": [], "flanks": [], "by hand": (), "fault": {}}

    def condition(rig: Any, recordings: Any, *, rig_key: str, visit_key: str) -> Any:
        kinds = [(kind, len(p if isinstance(p, Part) else list(p))) for kind, p in recordings]
        told["conditioned"].append((rig.letter, kinds, rig_key, visit_key))
        if rig.letter in told["fault"]:
            raise RecordingError([told["fault"][rig.letter]])
        return SimpleNamespace(runs=("conditioned", rig.letter))

    def hand_readings(rig: Any, readings: Any, *, rig_key: str, visit_key: str) -> Any:
        told["hand"].append((rig.letter, len(readings), rig_key, visit_key))
        return SimpleNamespace(runs=("by hand", rig.letter))

    def whole(path: Path, rig: Any, *, kind: str) -> Part:
        part = Part(9, f"whole {path.name}")
        part.name = path.name  # type: ignore[attr-defined]
        if path.name in told["fault"]:
            raise RecordingError([told["fault"][path.name]])
        return part

    monkeypatch.setattr(room, "condition", condition)
    monkeypatch.setattr(room, "hand_readings", hand_readings)
    monkeypatch.setattr(
        room,
        "read_parts",
        lambda path, rig, *, kind: [Part(5, path.name), Part(3, path.name), Part(2, path.name)],
    )
    monkeypatch.setattr(room, "read_recording", whole)
    monkeypatch.setattr(room, "is_slow_drive", lambda rig, part: part.name not in told["by hand"])
    monkeypatch.setattr(
        room, "check_flanks", lambda build, rig, runs: told["flanks"].append((build, rig.letter, runs))
    )
    return told


def test_runs_are_conditioned_rig_by_rig(bench: dict[str, Any]) -> None:
    """In the order of the sheet, each rig by its digest or else its path; readings of a wrench stand behind
    the sweeps of their rig, and a slow drive is a sweep. What is read is told, by its samples."""
    bench["by hand"] = ("wrench.csv",)
    said: list[str] = []
    made, digests = room.condition_visit(
        visit_of(
            run_of("one.csv"), run_of("other.csv", rig="b"), run_of("tare.csv", "tare"),
            run_of("wrench.csv", "turning-torque", "b"), run_of("drive.csv", "turning-torque", "b"),
        ),
        said.append,
    )  # fmt: skip
    assert bench["conditioned"] == [
        ("a", [("bias-sweep", 3), ("tare", 3)], "digest of a", "run.toml"),
        ("b", [("bias-sweep", 3), ("turning-torque", 9)], "rig-b.toml", "run.toml"),
    ]
    assert bench["hand"] == [("b", 9, "rig-b.toml", "run.toml")]
    assert [one.runs for one in made] == [("conditioned", "a"), ("conditioned", "b"), ("by hand", "b")]
    assert bench["flanks"] == [
        ("build", "a", ("conditioned", "a")), ("build", "b", ("conditioned", "b")),
    ]  # fmt: skip
    assert digests == {
        "data/one.csv": "one.csv", "data/other.csv": "other.csv", "data/tare.csv": "tare.csv",
        "data/wrench.csv": "whole wrench.csv", "data/drive.csv": "whole drive.csv",
    }  # fmt: skip
    assert said == [
        "reading wrench.csv", "reading drive.csv",
        "reading one.csv", "reading one.csv, from sample 6", "reading one.csv, from sample 9",
        "reading tare.csv", "reading tare.csv, from sample 6", "reading tare.csv, from sample 9",
        "reading other.csv", "reading other.csv, from sample 6", "reading other.csv, from sample 9",
    ]  # fmt: skip


def test_readings_of_a_wrench_need_no_sweep(bench: dict[str, Any]) -> None:
    """Nor a check of flanks; beside a tare run alone nothing is conditioned."""
    bench["by hand"] = ("wrench.csv",)
    made, _ = room.condition_visit(
        visit_of(run_of("wrench.csv", "turning-torque"), run_of("tare.csv", "tare")), lambda _: None
    )
    assert [one.runs for one in made] == [("by hand", "a")]
    assert (bench["conditioned"], bench["flanks"]) == ([], [])
    room.condition_visit(visit_of(run_of("one.csv"), one_output=True), lambda _: None)
    assert (len(bench["conditioned"]), bench["flanks"]) == (1, [])


def test_faults_of_all_recordings_are_told_at_once(bench: dict[str, Any]) -> None:
    """Of both rigs, and of a wrench's readings, which are read first."""
    bench["fault"] = {
        name: Fault(f"wrong in {name}", Place("here"), "mend it") for name in ("a", "b", "wrench.csv")
    }
    with pytest.raises(RecordingError) as refused:
        room.condition_visit(
            visit_of(
                run_of("one.csv"), run_of("wrench.csv", "turning-torque"), run_of("two.csv", rig="b"),
                run_of("three.csv", rig="c"),
            ),
            lambda _: None,
        )  # fmt: skip
    assert list(refused.value.faults) == [bench["fault"][name] for name in ("wrench.csv", "a", "b")]
    assert [letter for letter, *_ in bench["conditioned"]] == ["a", "b", "c"]


def test_tare_runs_alone_tell_nothing(bench: dict[str, Any]) -> None:
    with pytest.raises(FitError) as refused:
        room.condition_visit(visit_of(run_of("tare.csv", "tare")), lambda _: None)
    assert str(refused.value) == (
        "run.toml: run: only tare runs are named. Mend: add a bias-sweep, a speed-sweep or a "
        "turning-torque run."
    )
    assert bench["conditioned"] == []


def held(*, input_torque: float, difference: float, more: tuple[Any, ...] = (), by_hand: Any = None) -> Any:
    """A visit whose one share of equilibrium is that, and a run by hand that read as much of both."""
    share = SimpleNamespace(input_torque=input_torque, difference=difference)
    shares = {"first": share, **{str(i): one for i, one in enumerate(more)}}
    sits = SimpleNamespace(equilibrium=lambda channel: shares)
    run = SimpleNamespace(
        input_torque=input_torque * np.array([3.0, -4.0]), difference=difference * np.array([3.0, -4.0])
    )
    return SimpleNamespace(by_hand=by_hand, runs=(run,), rig=SimpleNamespace(sits=sits, channel={}))


def test_input_and_locking_torque_in_one_tell_no_preload() -> None:
    """Refused where all runs read both as one, whatever their signs; a single run with the case free tells
    them apart. Of readings by hand alone all may be held: their likelihood knows."""
    visits: Any = [SimpleNamespace(run_sheet_path="run.toml")]
    both, hand = (
        held(input_torque=1.0, difference=-1.0),
        held(input_torque=-1.0, difference=1.0, by_hand="told"),
    )
    for parts in ([[both]], [[both], [hand]], [[hand, both]]):
        with pytest.raises(FitError) as refused:
            room.preload_apart(visits, parts)
    assert str(refused.value) == (
        "run.toml: run: the recorded torque is input torque and locking torque in one, in all runs (one "
        "output braked or turned, the other free): preload and ramps cannot be told apart, whatever moves. "
        'Mend: add a run without input torque (kind "speed-sweep", both outputs measured), or readings of a '
        "wrench with the case free and the other output held."
    )
    room.preload_apart(visits, [[hand], [hand]])
    free = held(input_torque=0.0, difference=2.0)
    room.preload_apart(visits, [[both, free]])
    room.preload_apart(visits, [[both], [held(input_torque=0.5, difference=1.0, by_hand="told")]])
    room.preload_apart(visits, [[held(input_torque=1.0, difference=1.0, more=(free,))]])


def test_a_recording_in_two_places_counts_once() -> None:
    """By its content, under whatever name; a tare run may serve two visits, and what was not read by then is
    not held against anything."""
    one = visit_of(run_of("a.csv"), run_of("t.csv", "tare"), sheet="one.toml")
    other = visit_of(run_of("b.csv"), run_of("t.csv", "tare"), sheet="other.toml")
    room.once_each([one, other], {"data/a.csv": "x", "data/b.csv": "y", "data/t.csv": "z"})
    room.once_each([one, other], {"data/a.csv": "x"})
    with pytest.raises(FitError) as refused:
        room.once_each([one, other], {"data/a.csv": "x", "data/b.csv": "x"})
    assert str(refused.value) == (
        "other.toml: run: data/b.csv holds the same recording as data/a.csv of one.toml, and would be "
        "counted twice. Mend: name every recording once."
    )


def test_faults_without_papers_are_each_told_once(bench: dict[str, Any]) -> None:
    """Sweeps are conditioned rig by rig, rigs alike taken as one; of tare runs alone, and of one output that
    is turned, the recordings are read and no more."""
    a, b = (SimpleNamespace(letter=letter, turns_one_output=False) for letter in "ab")
    turned = SimpleNamespace(letter="c", turns_one_output=True)
    bench["fault"] = {
        "a": Fault("wrong", Place("here"), "mend it"),
        "b": Fault("wrong", Place("here"), "mend it"),
    }
    asked: Any = [
        (Path("1.csv"), a, "bias-sweep"), (Path("2.csv"), b, "bias-sweep"), (Path("3.csv"), a, "tare"),
        (Path("4.csv"), turned, "bias-sweep"),
    ]  # fmt: skip
    assert room.recording_faults(asked) == [Fault("wrong", Place("here"), "mend it")]
    assert bench["conditioned"] == [
        ("a", [("bias-sweep", 3), ("tare", 3)], "", ""), ("b", [("bias-sweep", 3)], "", ""),
    ]  # fmt: skip
    bench["conditioned"].clear()
    assert room.recording_faults([(Path("3.csv"), a, "tare")]) == []  # type: ignore[list-item]
    assert bench["conditioned"] == []
