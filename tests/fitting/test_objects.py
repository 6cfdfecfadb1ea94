"""A visit made of objects: papers and recordings that stand in no file give what their files give."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from threadpoolctl import threadpool_info, threadpool_limits

from diffbench import (
    Build,
    Characterisation,
    DiffbenchError,
    Recording,
    Rig,
    Visit,
    fit,
    load_build,
    load_characterisation,
    load_rig,
)
from diffbench.documents import load_visit
from diffbench.one_thread import VARIABLES
from diffbench.readers import read_recording

DEMO = Path(__file__).resolve().parents[2] / "fixtures" / "demo"


def numbers(result: Characterisation) -> dict[str, tuple[float | None, float | None]]:
    """Values and their uncertainties."""
    return {name: (found.value, found.u) for name, found in result.parameters.items()}


@pytest.fixture(scope="module")
def by_hand(
    ten_readings: Callable[[Path], Path], tmp_path_factory: pytest.TempPathFactory
) -> tuple[Visit, Characterisation, pd.DataFrame]:
    """Wrench readings: their papers, their fit from files, and their columns."""
    sheet = ten_readings(tmp_path_factory.mktemp("readings") / "visit")
    visit = load_visit(sheet)
    (run,) = visit.run_sheet.run
    return visit, fit(sheet), pd.read_csv(visit.recording_path(run))


def given_as(form: str, frame: pd.DataFrame, visit: Visit) -> Any:
    """The readings as a user may have them."""
    (run,) = visit.run_sheet.run
    return {
        "frame": frame,
        "arrays": {name: frame[name].to_numpy() for name in frame},
        "lists": {name: frame[name].tolist() for name in frame},
        "objects": frame.astype(object),
        "recording": read_recording(visit.recording_path(run), visit.rig, kind=run.kind),
        "path": visit.recording_path(run),
    }[form]


@pytest.mark.parametrize("form", ["frame", "arrays", "lists", "objects", "recording", "path"])
def test_readings_in_memory_give_what_their_file_gives(by_hand, form: str) -> None:
    """Words and numbers, to the last digit; and nothing of what was given is changed."""
    visit, expected, frame = by_hand
    given = given_as(form, frame.copy(), visit)
    (run,) = visit.run_sheet.run
    result = fit(Visit.of(visit.rig, visit.build, [(run.kind, given)], date=visit.run_sheet.date))
    assert numbers(result) == numbers(expected)
    if form == "frame":
        pd.testing.assert_frame_equal(given, frame)
    assert result.provenance.visits == [f"{visit.build.build}, {visit.run_sheet.date}"]


def test_a_sweep_in_frames_gives_what_its_files_give(demo) -> None:
    """A whole visit to a bench with transducers, with a tare run; against the fit of the same files."""
    rig, build = load_rig(DEMO / "twin-flange-cell.toml"), load_build(DEMO / "unit-q17-rebuilt.toml")
    runs = [
        (kind, pd.read_csv(DEMO / "rebuilt" / f"{kind}.csv"))
        for kind in ("tare", "bias-sweep", "speed-sweep")
    ]
    result = fit(Visit.of(rig, build, runs, date="2026-04-14"))
    assert numbers(result) == numbers(load_characterisation(demo.folder))


def faults_of(error: pytest.ExceptionInfo[DiffbenchError]) -> str:
    """All faults, in one text."""
    return "\n".join(str(fault) for fault in error.value.faults)


def test_what_is_wrong_is_told_by_run_and_column(by_hand) -> None:
    """As of files: kinds and paths when the visit is made, columns when it is fitted."""
    visit, _, frame = by_hand
    (run,) = visit.run_sheet.run
    day = visit.run_sheet.date
    with pytest.raises(DiffbenchError) as caught:
        Visit.of(visit.rig, visit.build, [("bias-sweep", frame), (run.kind, "nowhere.csv")], date=day)
    assert "run[1].kind" in faults_of(caught)
    assert "needs the torques of both" in faults_of(caught)
    assert "does not exist" in faults_of(caught)
    papers = (
        visit.run_sheet_path.parent / visit.run_sheet.rig,
        visit.run_sheet_path.parent / visit.run_sheet.build,
    )
    assert Visit.of(*papers, [(run.kind, frame)], date=day).rig == visit.rig, "by path"
    with pytest.raises(DiffbenchError, match="no known value"):
        Visit.of(visit.rig, visit.build, [("sweep", frame)], date=day)
    with pytest.raises(DiffbenchError, match="no day"):
        Visit.of(visit.rig, visit.build, [(run.kind, frame)], date="yesterday")
    first = frame.columns[-1]
    with pytest.raises(DiffbenchError, match=f"no column '{first}'"):
        fit(Visit.of(visit.rig, visit.build, [(run.kind, frame.drop(columns=first))], date=day))
    shorter = {name: frame[name].to_numpy()[: 5 + (name == first)] for name in frame}
    with pytest.raises(DiffbenchError, match="different lengths"):
        fit(Visit.of(visit.rig, visit.build, [(run.kind, shorter)], date=day, name="Tuesday"))
    flat = {name: frame[name].to_numpy() for name in frame} | {first: np.zeros((len(frame), 2))}
    with pytest.raises(DiffbenchError, match=f"(?s)Tuesday, run 1.*{first}.*one number or one text"):
        fit(Visit.of(visit.rig, visit.build, [(run.kind, flat)], date=day, name="Tuesday"))


def test_papers_may_be_mappings(by_hand) -> None:
    """With the keys of their TOML, and its faults."""
    import tomllib

    visit, _, frame = by_hand
    rig = tomllib.loads(visit.rig_path.read_text(encoding="utf-8"))
    build = tomllib.loads(visit.build_path.read_text(encoding="utf-8"))
    (run,) = visit.run_sheet.run
    made = Visit.of(rig, build, [(run.kind, frame)], date="2026-04-14")
    assert isinstance(made.rig, Rig)
    assert isinstance(made.build, Build)
    assert made.rig == visit.rig
    del build["packs"]["faces"]
    with pytest.raises(DiffbenchError, match="faces"):
        Visit.of(rig, build, [(run.kind, frame)], date="2026-04-14")


def test_no_recording_counts_twice(by_hand) -> None:
    """Neither under two names of visits, nor visits under one name; a missing value is missing."""
    visit, _, frame = by_hand
    (run,) = visit.run_sheet.run

    def named(name: str) -> Visit:
        return Visit.of(visit.rig, visit.build, [(run.kind, frame)], date="2026-04-14", name=name)

    with pytest.raises(DiffbenchError, match="would be counted twice"):
        fit([named("a"), named("b")])
    with pytest.raises(DiffbenchError, match="a name of its own"):
        fit([named("a"), named("a")])


@pytest.mark.parametrize("missing", [np.nan, None, pd.NA])
def test_missing_numbers_are_missing(missing: object) -> None:
    """However Python writes them; in SI, by the rig's units."""
    from diffbench.readers import recording_from

    rig = load_rig(DEMO / "twin-flange-cell.toml")
    frame = pd.read_csv(DEMO / "rebuilt" / "tare.csv").head(9).astype(object)
    column = rig.channel["left_torque"].column
    frame.loc[4, column] = missing
    read: Recording = recording_from(frame, rig, kind="tare", name="tare")
    assert np.flatnonzero(np.isnan(read.channels["left_torque"])).tolist() == [4]


def test_a_part_of_a_visit_needs_no_other_recordings(tmp_path: Path) -> None:
    """What has not come yet is no fault; what is wrong in what has come is told at its line."""
    for name in ("twin-flange-cell.toml", "unit-q17-rebuilt.toml"):
        (tmp_path / name).write_bytes((DEMO / name).read_bytes())
    (tmp_path / "c.csv").write_bytes((DEMO / "rebuilt" / "tare.csv").read_bytes())
    sheet = tmp_path / "run.toml"
    sheet.write_text(
        'format = "diffbench-run/1"\nrig = "twin-flange-cell.toml"\nbuild = "unit-q17-rebuilt.toml"\n'
        "date = 2026-04-14\n" + "".join(f'[[run]]\nfile = "{name}.csv"\nkind = "tare"\n' for name in "abc")
    )
    assert [run.file for run in load_visit(sheet, only=["c.csv"]).run_sheet.run] == ["c.csv"]
    with pytest.raises(DiffbenchError, match=r"run.toml, line 9: run\[2\].*'b.csv' does not exist"):
        load_visit(sheet, only=["b.csv", "c.csv"])


class _BrokenOffError(Exception):
    """A fit that is not wanted any further."""


def test_a_notebook_fits_on_one_thread_of_linear_algebra(monkeypatch: pytest.MonkeyPatch) -> None:
    """As the command does: its libraries are told meanwhile, and left as they were, also where it ends by an
    error; a user who has said how many has said it. (Seen by a general library's own count.)"""

    def threads() -> set[int]:
        return {one["num_threads"] for one in threadpool_info() if one["user_api"] == "blas"}

    def seen() -> set[int]:
        found: list[set[int]] = []

        def broken_off(_: str) -> None:
            found.append(threads())
            raise _BrokenOffError

        with pytest.raises(_BrokenOffError):
            fit(DEMO / "rebuilt" / "run.toml", progress=broken_off)
        return found[0]

    for name in VARIABLES:
        monkeypatch.delenv(name, raising=False)
    with threadpool_limits(2, user_api="blas"):
        assert threads() == {2}
        assert seen() == {1}
        assert threads() == {2}
        monkeypatch.setenv(VARIABLES[1], "2")
        assert seen() == {2}
