"""Files that belong together: all or none, whatever ends the program, and every reader can tell."""

from __future__ import annotations

import errno
import json
import os
import re
import shutil
import signal
import stat
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from diffbench import whole_files
from diffbench.errors import DocumentError, OutputError
from diffbench.results.manifest import NAME, check_whole, forget, manifest_of, read_whole, with_manifest
from diffbench.whole_files import in_force, made_and_held, recover, write_file, write_whole

HERE = Path(__file__).parent
posix = pytest.mark.skipif(sys.platform == "win32", reason="kills and forks as POSIX has them")


@pytest.fixture
def quick(tmp_path: Path) -> Iterator[Path]:
    """A folder in memory where there is one: what a kill leaves is the same, and flushing takes no time."""
    memory = Path("/dev/shm")
    if not os.access(memory, os.W_OK):
        yield tmp_path
        return
    folder = memory / f"diffbench-test-{os.getpid()}"
    folder.mkdir()
    yield folder
    shutil.rmtree(folder)


def files(mark: str, *names: str) -> dict[str, bytes]:
    """A set of stand-in files with a mark in each."""
    names = names or ("characterisation.json", "map.json", "A/map.json", "report.html")
    return with_manifest({name: f"{mark} {name}\n".encode() for name in names}, result=mark)


def put(folder: Path, contents: dict[str, bytes]) -> None:
    write_whole(folder, contents, gone=forget)


def everything(folder: Path) -> dict[str, bytes]:
    """All files in a folder and below, hidden ones too."""
    found = (path for path in folder.rglob("*") if path.is_file())
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in found}


@posix
def test_a_kill_at_any_call_leaves_old_or_new(quick: Path) -> None:
    """Readers and other people's programs see one set at each of them; the next start leaves no rubbish."""
    ran = subprocess.run(
        [sys.executable, HERE / "every_kill.py", quick], capture_output=True, encoding="utf-8", check=False
    )
    assert ran.returncode == 0, ran.stderr
    counts = json.loads(ran.stdout)
    # opening, writing and closing seven files, and moving four: fewer kills were none of every call
    assert min(counts.values()) > 40
    assert counts["over another"] > 200


@posix
def test_two_writers_and_a_reader_never_meet_a_mixture(quick: Path) -> None:
    """Three hundred sets from each of two programs into one folder, read all the while."""
    code = f"""
import sys
sys.path.insert(0, {str(HERE)!r})
from every_kill import generation, put
from pathlib import Path
for i in range(300):
    put(Path(sys.argv[1]), generation(f"{{sys.argv[2]}}-{{i}}"))
"""
    put(quick / "out", files("first"))
    writers = [
        subprocess.Popen([sys.executable, "-c", code, quick / "out", mark], stderr=subprocess.PIPE)
        for mark in ("a", "b")
    ]
    marks = set[str]()
    while any(writer.poll() is None for writer in writers):
        # two moments, so two sets perhaps: each file is of one that was in force in between
        manifest = check_whole(quick / "out")
        assert manifest is not None
        marks.add(manifest.result)
    assert [writer.communicate()[1] for writer in writers] == [b"", b""]
    assert [writer.returncode for writer in writers] == [0, 0]
    assert len(marks) > 10
    left = everything(quick / "out")
    last = manifest_of(quick / "out")
    assert last is not None
    assert last.result in {"a-299", "b-299"}
    assert {content.split()[0].decode() for name, content in left.items() if name != NAME} == {last.result}
    assert set(left) == {NAME, *last.files}


def test_what_the_new_one_has_not_goes_with_the_old(tmp_path: Path) -> None:
    """A page of an earlier result beside later numbers is a lie; what is not of a result stays."""
    put(tmp_path, files("old", "map.json", "B/map.json", "report.pdf", "report.html"))
    (tmp_path / "notes.txt").write_text("mine")
    put(tmp_path, files("new", "map.json", "C/map.json"))
    assert sorted(everything(tmp_path)) == ["C/map.json", "map.json", "notes.txt", NAME]
    assert not (tmp_path / "B").exists()


def test_an_edited_file_is_told_with_the_others_named(tmp_path: Path) -> None:
    """By who reads it and by who reads its folder; line ends of another system are no edit."""
    put(tmp_path, files("one"))
    (tmp_path / "map.json").write_bytes(b"one map.json\r\n")
    assert check_whole(tmp_path) is not None
    (tmp_path / "map.json").write_bytes(b"two map.json\n")
    with pytest.raises(DocumentError, match=r"map\.json: is not the file .* edited .* another fit"):
        read_whole(tmp_path / "map.json")
    with pytest.raises(DocumentError, match="fit"):
        check_whole(tmp_path)
    assert read_whole(tmp_path / "report.html") == b"one report.html\n"
    shutil.copy(tmp_path / "map.json", tmp_path.with_name("mailed.json"))
    assert read_whole(tmp_path.with_name("mailed.json")) == b"two map.json\n"


def test_a_file_of_another_build_s_folder_is_held_against_the_manifest_above(tmp_path: Path) -> None:
    """A result of several builds is one unit, its folders included."""
    put(tmp_path, files("one"))
    assert read_whole(tmp_path / "A" / "map.json") == b"one A/map.json\n"
    (tmp_path / "A" / "map.json").write_text("other")
    with pytest.raises(DocumentError, match="of another fit"):
        read_whole(tmp_path / "A" / "map.json")


@pytest.mark.parametrize("change", ["{", "[]", '{"format": "diffbench-manifest/2"}'])
def test_a_manifest_that_is_none_is_told(tmp_path: Path, change: str) -> None:
    """With a mend; and a new result replaces it."""
    put(tmp_path, files("one"))
    (tmp_path / NAME).write_text(change)
    with pytest.raises(DocumentError, match=f"{NAME}: is damaged, was edited"):
        read_whole(tmp_path / "map.json")
    put(tmp_path, files("two"))
    assert check_whole(tmp_path) is not None


@pytest.mark.parametrize("name", ["../other.txt", "/etc/passwd", "a/../../b", "C:\\x", ""])
def test_a_manifest_leads_nowhere_else(tmp_path: Path, name: str) -> None:
    """A name that leaves the folder is none that diffbench wrote, though its hash be right."""
    (tmp_path / "out").mkdir()
    (tmp_path / "other.txt").write_text("mine")
    (tmp_path / "out" / NAME).write_bytes(with_manifest({name: b"x"}, result="x")[NAME])
    with pytest.raises(DocumentError, match="damaged"):
        manifest_of(tmp_path / "out")
    put(tmp_path / "out", files("new"))
    assert (tmp_path / "other.txt").read_text() == "mine"


def test_results_of_older_versions_are_read(tmp_path: Path) -> None:
    """They have no manifest, and nothing is held against it."""
    (tmp_path / "map.json").write_text("older")
    assert read_whole(tmp_path / "map.json") == b"older"
    assert check_whole(tmp_path) is None


@pytest.mark.parametrize("name", ["with space", "Prüf ²", "a'b\"c", "%s{}$HOME*?[x]", "..."])
def test_odd_names_of_folders(tmp_path: Path, name: str) -> None:
    """A set goes where it is told to, and is read again; an unfinished one is found there, too."""
    folder = tmp_path / name / name
    put(folder, files("one"))
    unfinished(folder, files("two"))
    assert read_whole(folder / "map.json") == b"two map.json\n"
    assert check_whole(folder) is not None
    assert set(everything(tmp_path)) == {f"{name}/{name}/{each}" for each in files("two")}


def unfinished(folder: Path, contents: dict[str, bytes]) -> None:
    """A set in force of which nothing has been moved yet, as a kill leaves it."""
    plan = {"files": list(contents), "gone": forget(folder), "replace": True}
    ready = whole_files._ready(folder, contents, plan)
    ready.replace(ready.with_name(ready.name.replace("ready", "set")))


@posix
def test_a_folder_that_may_not_be_written_is_read_all_the_same() -> None:
    """An unfinished set on a disk that is only read: readers see the new one where it lies."""
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        put(folder, files("old"))
        unfinished(folder, files("new"))
        code = f"""
import fcntl, os
from pathlib import Path
from diffbench.results.manifest import check_whole, read_whole
if os.getuid() == 0:
    os.setuid(65534)  # rights do not bind the superuser
folder = Path({made!r})
print(read_whole(folder / "map.json").decode(), read_whole(folder / "A" / "map.json").decode())
print(check_whole(folder).result)
"""
        folder.chmod(0o555)
        command = [sys.executable, "-c", code]
        ran = subprocess.run(command, capture_output=True, encoding="utf-8", check=False)
        folder.chmod(0o755)
        assert ran.returncode == 0, ran.stderr
        assert ran.stdout.split() == ["new", "map.json", "new", "A/map.json", "new"]
        assert in_force(folder)
        recover(folder)
        assert everything(folder) == files("new")


CALLS = ("replace", "mkdir", "fsync", "write")


@pytest.mark.parametrize("call", CALLS)
def test_a_refusal_at_any_call_leaves_what_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    """A full disk, or a right that is missing: at each call in turn, until the set gets through."""
    put(tmp_path / "out", files("old", "map.json", "report.pdf", "report.html"))
    before = everything(tmp_path)
    told = 0
    for fails in range(1, 100):
        with monkeypatch.context() as patched:
            calls = refusing(patched, call, fails)
            try:
                put(tmp_path / "out", files("new"))
            except OutputError as error:
                told += 1
                (fault,) = error.faults
                assert "make room on that disk" in fault.mend
                assert ".diffbench-" not in str(fault)
                assert everything(tmp_path) == before, (call, fails)
            else:
                assert everything(tmp_path / "out") == files("new")
        if calls() < fails:
            break
        put(tmp_path / "out", files("old", "map.json", "report.pdf", "report.html"))
    assert told >= 3


def refusing(patched: pytest.MonkeyPatch, call: str, fails: int) -> Callable[[], int]:
    """Have one call of the system refuse, at its n-th time; gives how many there were."""
    count = 0

    def at_last(real: Callable[..., object]) -> Callable[..., object]:
        def called(*given: object, **named: object) -> object:
            nonlocal count
            count += 1
            if count == fails:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            return real(*given, **named)

        return called

    if call == "write":
        patched.setattr(Path, "write_bytes", at_last(Path.write_bytes))
    else:
        patched.setattr(os, call, at_last(getattr(os, call)))
    return lambda: count


def test_a_disk_that_stays_full_at_the_last_moment_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Past the point of no return: said so; readers see the new one, and bring it to its end later."""
    put(tmp_path, files("old"))
    real = os.replace

    def full(source: Path, target: Path) -> None:
        if Path(target) == tmp_path / "map.json":
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        real(source, target)

    with monkeypatch.context() as patched:
        patched.setattr(os, "replace", full)
        with pytest.raises(OutputError, match=r"is written, but not all .* diffbench show on this folder"):
            put(tmp_path, files("new"))
        assert read_whole(tmp_path / "map.json") == b"new map.json\n"
    assert check_whole(tmp_path) is not None
    assert everything(tmp_path) == files("new")


def test_a_new_file_never_takes_the_place_of_another(tmp_path: Path) -> None:
    """Though the other come at the last moment, and on a file system without links."""
    place = tmp_path / "draft.toml"
    place.write_text("mine")
    with pytest.raises(OutputError, match="is there already"):
        write_whole(tmp_path, {"draft.toml": b"new"}, replace=False)
    assert everything(tmp_path) == {"draft.toml": b"mine"}


@pytest.mark.parametrize("links", [True, False])
def test_a_file_that_comes_at_the_last_moment_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, links: bool
) -> None:
    """Somebody else's file appears between the look and the move."""
    real = os.link

    def late(source: Path, target: Path) -> None:
        Path(target).write_text("mine")
        if not links:
            raise OSError(errno.EPERM, "no links here")
        real(source, target)

    monkeypatch.setattr(os, "link", late)
    with pytest.raises(OutputError, match=rf"^{re.escape(str(tmp_path))}/draft\.toml: is there already"):
        write_whole(tmp_path, {"draft.toml": b"new"}, replace=False)
    assert everything(tmp_path) == {"draft.toml": b"mine"}


def test_one_writer_at_a_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A second one waits for a while, then says what is in its way; the lock of a killed one is none."""
    monkeypatch.setattr("diffbench.whole_files.PATIENCE", 0.2)
    with made_and_held(tmp_path), pytest.raises(OutputError, match="another run is writing"):
        put(tmp_path, files("one"))
    holder = (
        "import sys, time; from pathlib import Path; from diffbench.whole_files import made_and_held\n"
        f"with made_and_held(Path({str(tmp_path)!r})):\n    print('held', flush=True)\n    time.sleep(600)\n"
    )
    with subprocess.Popen([sys.executable, "-c", holder], stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"held\n"
        with pytest.raises(OutputError, match="another run is writing"):
            put(tmp_path, files("one"))
        process.send_signal(signal.SIGTERM)
    assert (tmp_path / ".diffbench-lock").exists()
    put(tmp_path, files("one"))
    assert everything(tmp_path) == files("one")


def test_a_reader_waits_while_a_file_is_on_its_way(tmp_path: Path) -> None:
    """Neither in its place nor in the set for a moment, as when a move and a look cross."""
    put(tmp_path, files("old"))
    unfinished(tmp_path, files("new"))
    (folder,) = in_force(tmp_path)
    (tmp_path / "map.json").unlink()
    (folder / "map.json").replace(tmp_path / "elsewhere")
    code = (
        "import sys, time; from pathlib import Path\n"
        "time.sleep(0.5); Path(sys.argv[1]).replace(sys.argv[2])\n"
    )
    with made_and_held(tmp_path):  # somebody is at work, so the reader does not bring it to its end
        mover = subprocess.Popen([sys.executable, "-c", code, tmp_path / "elsewhere", tmp_path / "map.json"])
        begun = time.monotonic()
        assert read_whole(tmp_path / "map.json") == b"new map.json\n"
        assert time.monotonic() - begun > 0.3
        assert mover.wait() == 0


@pytest.fixture
def waits(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """What is slept [s], by a clock that each time goes on by a quarter of a second."""
    slept: list[float] = []
    monkeypatch.setattr(time, "sleep", slept.append)
    monkeypatch.setattr(time, "monotonic", lambda: 100.0 + 0.25 * len(slept))
    return slept


def test_how_long_a_writer_waits_for_another(tmp_path: Path, waits: list[float]) -> None:
    """A minute, looking every hundredth of a second; who only holds a folder, and who reads, not at all."""
    with made_and_held(tmp_path):
        (tmp_path / ".diffbench-ready-0").mkdir()
        with pytest.raises(OutputError, match="another run is writing"), made_and_held(tmp_path):
            pass
        recover(tmp_path)
        assert waits == []
        with pytest.raises(OutputError, match="another run is writing"):
            put(tmp_path, files("one"))
    assert waits == [0.01] * 240
    put(tmp_path, files("one"))
    assert everything(tmp_path) == files("one")


def test_a_system_that_refuses_to_move_for_moments_is_asked_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, waits: list[float]
) -> None:
    """Three times, on Windows alone; another system means it."""
    source, target, refusals = tmp_path / "a", tmp_path / "b", [PermissionError(13, "held")] * 3
    source.write_text("mine")
    real = Path.replace

    def held(path: Path, to: Path) -> Path:
        if refusals:
            raise refusals.pop()
        return real(path, to)

    monkeypatch.setattr(Path, "replace", held)
    with pytest.raises(PermissionError):
        whole_files._move(source, target)
    refusals.append(PermissionError(13, "held"))
    with monkeypatch.context() as windows:
        windows.setattr(sys, "platform", "win32")
        whole_files._move(source, target)
    assert waits == [0.05, 0.2, 0.5]
    assert target.read_text() == "mine"


@posix
def test_what_is_written_is_put_on_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every file and folder of the set, and the folders that they come to; a system that cannot is let be,
    and one that fails is not. The lock may be taken by everybody whom the folder lets in."""
    flushed: list[bool] = []
    modes: list[int] = []

    def noted(handle: int) -> None:
        flushed.append(stat.S_ISDIR(os.fstat(handle).st_mode))
        modes.extend(stat.S_IMODE(path.stat().st_mode) for path in tmp_path.glob("out/.diffbench-lock"))
        raise OSError(errno.EINVAL, "cannot flush this")

    monkeypatch.setattr(os, "fsync", noted)
    umask = os.umask(0)
    try:
        write_whole(tmp_path / "out", {"a/b/c.txt": b"1", "d.txt": b"2"})
    finally:
        os.umask(umask)
    # both files and the plan; the set's folder, two below it; the folder itself, twice, and the one of c.txt
    assert (flushed.count(False), flushed.count(True)) == (3, 6)
    assert set(modes) == {0o666}
    assert sorted(everything(tmp_path / "out")) == ["a/b/c.txt", "d.txt"]


def test_what_cannot_be_removed_any_more_is_no_fault(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A virus scanner holds the empty rest of a set: it is swept away the next time."""
    put(tmp_path, files("old", "a/b/map.json", "map.json"))
    seen: list[bool] = []
    monkeypatch.setattr(shutil, "rmtree", lambda path, ignore_errors=False: seen.append(ignore_errors))
    (tmp_path / ".diffbench-ready-0").mkdir()
    put(tmp_path, files("new", "a/b/map.json", "map.json"))
    with monkeypatch.context() as patched:
        refusing(patched, "write", 1)
        with pytest.raises(OutputError):
            put(tmp_path, files("newer"))
    with monkeypatch.context() as patched:
        refusing(patched, "replace", 1)
        with pytest.raises(OutputError):
            put(tmp_path, files("newer"))
    assert seen == [True] * len(seen)
    assert len(seen) >= 5
    shown = {name: one for name, one in everything(tmp_path).items() if not name.startswith(".diffbench")}
    assert shown == files("new", "a/b/map.json", "map.json")


@pytest.mark.parametrize(
    ("error", "mend"),
    [
        (OSError("odd"), "name another folder for the result"),
        (OSError(errno.EDQUOT, "Quota exceeded"), "make room in your quota, or name a folder elsewhere"),
    ],
)
def test_what_the_system_refuses_is_told_with_place_and_mend(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: OSError, mend: str
) -> None:
    """Of hidden files their folder, else what the system names."""

    def refuse(*_: object) -> None:
        raise error

    with monkeypatch.context() as patched:
        patched.setattr(Path, "write_bytes", refuse)
        with pytest.raises(OutputError) as caught:
            put(tmp_path, files("one"))
    (fault,) = caught.value.faults
    assert (fault.place.file, fault.mend) == (str(tmp_path), mend)
    assert fault.what == f"the result cannot be written ({error.strerror or error})"
    (tmp_path / "file").touch()
    with pytest.raises(OutputError) as caught:
        put(tmp_path / "file" / "below", files("one"))
    (fault,) = caught.value.faults
    assert fault.place.file == str(tmp_path / "file" / "below")
    assert fault.mend == "a part of the path is a file: name another folder"
    with pytest.raises(OutputError, match="file: is a file, a folder is wanted"):
        put(tmp_path / "file", files("one"))
    with pytest.raises(OutputError, match="there is no such folder"):
        write_file(tmp_path / "none" / "x", b"", replace=True)
    write_file(tmp_path / "x", b"1", replace=True)
    assert write_whole(tmp_path, {"x": b"2"}) == [tmp_path / "x"]
    assert (tmp_path / "x").read_bytes() == b"2"


@posix
def test_locks_that_a_file_system_does_not_know_are_done_without(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, waits: list[float]
) -> None:
    """One that somebody has is another matter; so is one whose file goes in the moment it is taken."""
    import fcntl

    def refuse(code: int) -> Callable[..., None]:
        def called(*_: object) -> None:
            raise OSError(code, os.strerror(code))

        return called

    with monkeypatch.context() as patched:
        patched.setattr(fcntl, "flock", refuse(errno.ENOLCK))
        put(tmp_path, files("one"))
        patched.setattr(fcntl, "flock", refuse(errno.EWOULDBLOCK))
        with pytest.raises(OutputError, match="another run"), made_and_held(tmp_path):
            pass
    real, gone = Path.stat, [True]

    def going(path: Path, **options: bool) -> os.stat_result:
        if path.name == ".diffbench-lock" and gone:
            gone.pop()
            path.unlink()
        return real(path, **options)

    monkeypatch.setattr(Path, "stat", going)
    put(tmp_path, files("two"))
    assert waits == [0.01]
    assert everything(tmp_path) == files("two")


def test_a_folder_that_somebody_else_makes_meanwhile_is_as_good(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between the look and the making."""
    real = Path.mkdir

    def late(path: Path, mode: int = 0o777, parents: bool = False, exist_ok: bool = False) -> None:
        if not path.exists():
            real(path)
        real(path, mode, parents, exist_ok)

    monkeypatch.setattr(Path, "mkdir", late)
    put(tmp_path / "a" / "b", files("one"))
    assert everything(tmp_path / "a" / "b") == files("one")
