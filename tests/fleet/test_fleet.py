"""Many run sheets: nothing lost and nothing twice, whatever happens on the way."""

from __future__ import annotations

import json
import logging
import resource
import sys
from collections.abc import Callable
from concurrent.futures import CancelledError, Future, ThreadPoolExecutor
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from diffbench.errors import FitError, OutputError
from diffbench.run import Engine, Fleet, Outcome, cluster, fit_fleet, processes, run_sheets

sys.path.insert(0, str(Path(__file__).parent))

import invented_jobs

Told = list[tuple[str, bool, bool]]


@pytest.fixture
def fleet_of(tmp_path: Path) -> Callable[..., Fleet]:
    """A folder of run sheets that say what is given for each, some in a folder below."""

    def made(*contents: str) -> Fleet:
        source = tmp_path / "visits"
        for i, content in enumerate(contents):
            path = source / ("later" if i % 2 else "") / f"v{i}.toml"
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(f'format = "diffbench-run/1"\nnote = "{content}"\n')
        return Fleet(source, tmp_path / "out", run_sheets(source))

    return made


def run(
    fleet: Fleet,
    monkeypatch: pytest.MonkeyPatch,
    job: str = "quick",
    *,
    jobs: int = 2,
    page: bool = False,
) -> Told:
    """What was told of each run sheet: its name, whether it is new, whether it has faults."""
    monkeypatch.setattr("diffbench.run.fleet.fitted", getattr(invented_jobs, job))
    told: Told = []

    def tell(outcome: Outcome, new: bool) -> None:
        told.append((Path(outcome.sheet).stem, new, bool(outcome.faults)))

    fit_fleet(fleet, processes(jobs), jobs=jobs, page=page, told=tell)
    return sorted(told)


def test_run_sheets_are_found_by_what_they_say(fleet_of: Callable[..., Fleet], tmp_path: Path) -> None:
    """Other papers are none; one that is no TOML but means to be a run sheet is found, so that it is told."""
    fleet = fleet_of("", "")
    (fleet.source / "rig.toml").write_text('format = "diffbench-rig/1"\n')
    (fleet.source / "torn.toml").write_text('format = "diffbench-run/1"\n[[run')
    assert [path.name for path in run_sheets(fleet.source)] == ["v1.toml", "torn.toml", "v0.toml"]
    (tmp_path / "empty").mkdir()
    with pytest.raises(FitError, match="no run sheet"):
        run_sheets(tmp_path / "empty")


def test_a_broken_recording_costs_itself(
    fleet_of: Callable[..., Fleet], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its folder holds the faults; mended, it alone is fitted, and the faults go."""
    fleet = fleet_of("", "broken", "", "")
    assert run(fleet, monkeypatch) == [
        ("v0", True, False), ("v1", True, True), ("v2", True, False), ("v3", True, False)
    ]  # fmt: skip
    faults = fleet.out / "later" / "v1" / "faults.txt"
    assert "How to mend it" in faults.read_text()
    (fleet.source / "later" / "v1.toml").write_text('format = "diffbench-run/1"\n')
    again = run(fleet, monkeypatch)
    assert [name for name, new, _ in again if new] == ["v1"]
    assert not faults.exists()
    assert (faults.parent / "characterisation.json").exists()


def test_a_changed_input_is_fitted_again(
    fleet_of: Callable[..., Fleet], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Done means done with these bytes, by this version, with the page where one is wanted."""
    fleet = fleet_of("", "", "")
    run(fleet, monkeypatch)
    assert fleet.is_done(fleet.sheets[0], page=False)
    assert not fleet.is_done(fleet.sheets[0], page=True)
    fleet.sheets[0].write_text('format = "diffbench-run/1"\nnote = "other"\n')
    result = fleet.folder(fleet.sheets[1]) / "characterisation.json"
    document = json.loads(result.read_bytes())
    result.write_text(json.dumps({**document, "provenance": {**document["provenance"], "version": "0.0"}}))
    (fleet.folder(fleet.sheets[2]) / "characterisation.json").write_bytes(b"{")
    assert sum(new for _, new, _ in run(fleet, monkeypatch)) == 3


def test_done_is_whole(fleet_of: Callable[..., Fleet], monkeypatch: pytest.MonkeyPatch) -> None:
    """One that lacks a file, has one of another fit, was edited, or has no manifest is fitted again."""
    fleet = fleet_of("", "", "", "", "")
    run(fleet, monkeypatch)
    folders = [fleet.folder(sheet) for sheet in fleet.sheets]
    (folders[0] / "map.json").unlink()
    (folders[1] / "map.json").write_bytes(b"1" * 200_000)
    document = json.loads((folders[2] / "characterisation.json").read_bytes())
    (folders[2] / "characterisation.json").write_text(json.dumps({**document, "unit": "other"}))
    (folders[3] / "result-manifest.json").unlink()
    again = run(fleet, monkeypatch)
    assert [name for name, new, _ in again if not new] == [fleet.sheets[4].stem]


def test_a_stale_page_goes(fleet_of: Callable[..., Fleet], monkeypatch: pytest.MonkeyPatch) -> None:
    """Written with pages, changed, written without: no page of the earlier numbers stays beside the later."""
    fleet = fleet_of("", "")
    run(fleet, monkeypatch, page=True)
    pages = sorted(fleet.out.rglob("report.html"))
    assert len(pages) == 2
    fleet.sheets[0].write_text('format = "diffbench-run/1"\nnote = "other"\n')
    run(fleet, monkeypatch)
    kept = sorted(fleet.out.rglob("report.html"))
    assert kept == [fleet.folder(fleet.sheets[1]) / "report.html"]


def test_faults_leave_an_earlier_result_and_say_so(
    fleet_of: Callable[..., Fleet], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A recording that cannot be read any more takes no numbers away; it is told that they are earlier."""
    fleet = fleet_of("")
    run(fleet, monkeypatch)
    folder = fleet.folder(fleet.sheets[0])
    before = (folder / "characterisation.json").read_bytes()
    fleet.sheets[0].write_text('format = "diffbench-run/1"\nnote = "broken"\n')
    run(fleet, monkeypatch)
    assert (folder / "characterisation.json").read_bytes() == before
    assert "is an earlier one" in (folder / "faults.txt").read_text()


def test_what_a_killed_run_was_ended_in_is_brought_to_its_end(
    fleet_of: Callable[..., Fleet], monkeypatch: pytest.MonkeyPatch
) -> None:
    """In force but not in its places: put there, and not fitted again; not in force: swept away."""
    fleet = fleet_of("", "")
    run(fleet, monkeypatch)
    for sheet, name in zip(fleet.sheets, (".diffbench-set-0", ".diffbench-ready-0"), strict=True):
        folder = fleet.folder(sheet)
        names = [path.name for path in folder.iterdir()]
        (folder / name / "new").mkdir(parents=True)
        (folder / name / "old").mkdir()
        for each in names if "set" in name else ():
            (folder / each).replace(folder / name / "new" / each)
        plan = {"files": names, "gone": [], "replace": True}
        (folder / name / "plan.json").write_text(json.dumps(plan))
    assert not any(new for _, new, _ in run(fleet, monkeypatch))
    for sheet in fleet.sheets:
        found = sorted(path.name for path in fleet.folder(sheet).iterdir())
        assert found == ["characterisation.json", "map.json", "result-manifest.json"]


def test_killed_workers_lose_nothing(fleet_of: Callable[..., Fleet], monkeypatch: pytest.MonkeyPatch) -> None:
    """One that dies once is fitted again; one that always dies is told; all others stand."""
    # far apart: where the deadly one's end takes the other with it, that one dies for its first time alone
    fleet = fleet_of("once", "", "", "", "", "", "deadly")
    told = run(fleet, monkeypatch, "deadly")
    assert [name for name, _, _ in told] == [f"v{i}" for i in range(7)]
    assert [name for name, _, faults in told if faults] == ["v6"]
    assert "ended from outside" in next(fleet.out.rglob("v6/faults.txt")).read_text()


def test_a_run_broken_off_goes_on(fleet_of: Callable[..., Fleet], monkeypatch: pytest.MonkeyPatch) -> None:
    """What was told is on the disk, and is not fitted twice."""
    fleet = fleet_of("", "", "", "", "")
    monkeypatch.setattr("diffbench.run.fleet.fitted", invented_jobs.quick)
    seen: list[str] = []

    def broken_off(outcome: Outcome, new: bool) -> None:
        seen.append(Path(outcome.sheet).stem)
        if len(seen) == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        fit_fleet(fleet, processes(1), jobs=1, page=False, told=broken_off)
    again = run(fleet, monkeypatch)
    assert sorted(name for name, new, _ in again if not new) == sorted(seen)
    assert [name for name, _, _ in again] == [f"v{i}" for i in range(5)]


def test_two_runs_into_one_folder_are_refused(
    fleet_of: Callable[..., Fleet], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second one is told, and changes nothing; after the first one all is free again."""
    fleet = fleet_of("", "")
    with fleet.alone():
        with pytest.raises(OutputError, match="another run is writing"):
            run(fleet, monkeypatch)
        assert sorted(path.name for path in fleet.out.iterdir()) == [".fit-all.lock"]
    assert len(run(fleet, monkeypatch)) == 2


def test_a_full_disk_is_told_and_what_stands_is_whole(
    fleet_of: Callable[..., Fleet], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A limit on the size of a file stands in for the disk: no half result, and room made, it goes on."""
    fleet = fleet_of("", "", "")
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, hard))
    try:
        with pytest.raises(OutputError, match="cannot be written"):
            run(fleet, monkeypatch)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert not fleet.out.exists()
    assert all(new and not faults for _, new, faults in run(fleet, monkeypatch))


def test_workers_of_another_engine_give_the_same_files(
    fleet_of: Callable[..., Fleet], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A scheduler with a worker in this process; files are those of the processes here, byte for byte."""
    distributed = pytest.importorskip("distributed", reason="the extra cluster is not installed")
    fleet = fleet_of("", "broken", "")
    run(fleet, monkeypatch)
    other = Fleet(fleet.source, tmp_path / "elsewhere", fleet.sheets)
    told: list[Outcome] = []
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None
    ) as local:
        engine = cluster(local.scheduler_address)
        fit_fleet(other, engine, jobs=2, page=False, told=lambda outcome, new: told.append(outcome))
    assert len(told) == 3
    for path in (path for path in fleet.out.rglob("*.*") if path.is_file()):
        assert (other.out / path.relative_to(fleet.out)).read_bytes() == path.read_bytes()


@pytest.mark.parametrize("gone", [CancelledError, OSError])
def test_a_scheduler_that_goes_in_the_middle_is_told_and_the_rest_goes_on(
    fleet_of: Callable[..., Fleet], monkeypatch: pytest.MonkeyPatch, gone: type[Exception]
) -> None:
    """dask cancels what is on its way, or its connection breaks: what came back stands, and is not fitted
    again."""
    fleet = fleet_of("", "", "", "", "")

    class Going(ThreadPoolExecutor):
        def submit(self, *given: Any, **named: Any) -> Future[Any]:
            if given[1] == str(fleet.sheets[3]):
                lost: Future[Any] = Future()
                lost.set_exception(gone("the scheduler is gone"))
                return lost
            return super().submit(*given, **named)

    monkeypatch.setattr("diffbench.run.fleet.fitted", invented_jobs.quick)
    told: list[str] = []
    with pytest.raises(FitError, match="start scheduler and workers again"):
        fit_fleet(
            fleet,
            Engine(lambda: Going(max_workers=1)),
            jobs=1,
            page=False,
            told=lambda outcome, new: told.append(Path(outcome.sheet).stem),
        )
    assert 0 < len(told) <= 4
    again = run(fleet, monkeypatch)
    assert sorted(name for name, new, _ in again if not new) == sorted(told)
    assert [name for name, _, _ in again] == [f"v{i}" for i in range(5)]


def test_few_are_handed_over_at_once(fleet_of: Callable[..., Fleet], monkeypatch: pytest.MonkeyPatch) -> None:
    """Two for each of two workers, so that none waits and few results are held; one that the engine gives up
    is told and costs itself."""
    fleet = fleet_of(*[""] * 7)
    ahead: list[int] = []

    class LostError(Exception):
        pass

    class Waiting(ThreadPoolExecutor):
        def submit(self, *given: Any, **named: Any) -> Future[Any]:
            made: Future[Any] = Future()
            sheet = given[1]
            if sheet == str(fleet.sheets[5]):
                made.set_exception(LostError())
            else:
                made.set_result(invented_jobs.quick(sheet, page=False))
            return made

    def wait(running: dict[Future[Any], Path], **_: Any) -> tuple[list[Future[Any]], None]:
        ahead.append(len(running))
        return [next(iter(running))], None

    monkeypatch.setattr("diffbench.run.fleet.wait", wait)
    told: list[Outcome] = []
    engine = Engine(lambda: Waiting(max_workers=1), (LostError,))
    fit_fleet(fleet, engine, jobs=2, page=False, told=lambda outcome, new: told.append(outcome))
    assert ahead == [4, 4, 4, 4, 3, 2, 1]
    assert [one.sheet for one in told] == [str(sheet) for sheet in fleet.sheets]
    (lost,) = [one for one in told if one.faults]
    assert lost.faults[0].startswith(f"{fleet.sheets[5]}: the process that fitted it was ended from outside")


def test_workers_of_this_machine(monkeypatch: pytest.MonkeyPatch) -> None:
    """As many as are asked for, on Windows no more than it can wait for; whatever ends a run, what waits is
    not begun, and what runs comes to its end."""
    asked: list[dict[str, Any]] = []

    class Noted(ThreadPoolExecutor):
        def __init__(self, *, max_workers: int, **_: Any) -> None:
            asked.append({"max_workers": max_workers})
            super().__init__(1)

        def shutdown(self, **options: Any) -> None:
            asked[-1] |= options

    monkeypatch.setattr("diffbench.run.fleet.ProcessPoolExecutor", Noted)
    for system in ("linux", "win32"):
        monkeypatch.setattr(sys, "platform", system)
        for jobs in (61, 62):
            with pytest.raises(KeyboardInterrupt), processes(jobs).workers():
                raise KeyboardInterrupt
    ends = {"wait": True, "cancel_futures": True}
    assert asked == [{"max_workers": count, **ends} for count in (61, 62, 61, 61)]


def test_a_scheduler_is_asked_for_and_left(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ten seconds to answer, five to say goodbye; no other client is disturbed, every sheet is fitted anew
    however alike, and its library says nothing of its own."""
    seen: list[object] = []

    class Client:
        def __init__(self, address: str, **options: object) -> None:
            seen.append((address, options))

        def get_executor(self, **options: object) -> str:
            seen.append(options)
            return "workers"

        def close(self, **options: object) -> None:
            seen.append(options)

    class KilledError(Exception):
        pass

    library = SimpleNamespace(Client=Client, scheduler=SimpleNamespace(KilledWorker=KilledError))
    monkeypatch.setitem(sys.modules, "distributed", library)
    logger = logging.getLogger("distributed.invented")
    engine = cluster("tcp://127.0.0.1:8786")
    assert logger.level == logging.CRITICAL + 1
    assert engine.killed == (KilledError,)
    with engine.workers() as workers:
        assert workers == "workers"
        assert seen[1:] == [{"pure": False}]
    options = {"timeout": 10.0, "set_as_default": False}
    assert seen == [("tcp://127.0.0.1:8786", options), {"pure": False}, {"timeout": 5}]


def test_no_scheduler_is_told(fleet_of: Callable[..., Fleet], monkeypatch: pytest.MonkeyPatch) -> None:
    """With the address and what to do, after a while."""
    pytest.importorskip("distributed", reason="the extra cluster is not installed")
    monkeypatch.setattr("diffbench.run.fleet.PATIENCE", 0.5)
    fleet = fleet_of("")
    with pytest.raises(FitError, match=r"no scheduler at 'tcp://127\.0\.0\.1:9'.*dask scheduler"):
        fit_fleet(fleet, cluster("tcp://127.0.0.1:9"), jobs=1, page=False, told=lambda outcome, new: None)


def test_a_missing_extra_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """With the command that installs it."""
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(FitError, match=r"pip install 'diffbench\[cluster\]'"):
        cluster("tcp://127.0.0.1:8786")
