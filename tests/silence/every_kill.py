"""Sets of files under a kill at every call of the system: a program of its own, as it forks.

``python every_kill.py FOLDER`` writes, into ``FOLDER``, sets of stand-in files one over another, killed at
each call in turn, and held against what must stand then; it prints how many kills there were. Any broken
promise ends it with a message.
"""

from __future__ import annotations

import itertools
import json
import re
import shutil
import sys
from collections.abc import Mapping
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from killed import killed

from diffbench.results.manifest import NAME, check_whole, forget, manifest_of, read_whole, with_manifest
from diffbench.whole_files import in_force, recover, write_whole

Set = Mapping[str, bytes]
FOREIGN = {"notes.txt": b"mine"}


def generation(mark: str, *names: str) -> dict[str, bytes]:
    """Stand-in files of one result, each with its mark, the page last."""
    names = names or ("characterisation.json", "map.json", "A/map.json", "report.html")
    return with_manifest({name: f"{mark} {name}\n".encode() * 50 for name in names}, result=mark)


def put(folder: Path, contents: Set) -> None:
    """Write a set over the one that is there."""
    write_whole(folder, contents, gone=forget)


def standing(folder: Path) -> dict[str, bytes]:
    """All files of a folder at their places; nothing hidden."""
    found = (path for path in folder.rglob("*") if path.is_file())
    named = {path.relative_to(folder).as_posix(): path.read_bytes() for path in found}
    return {name: content for name, content in named.items() if not name.startswith(".")}


def seen(folder: Path, sets: list[Set | None]) -> Set | None:
    """What readers find: all of one set, of which nothing differs; None is no set at all."""
    manifest = manifest_of(folder)
    found = {} if manifest is None else {name: read_whole(folder / name) for name in manifest.files}
    for contents in sets:
        files = {name: each for name, each in (contents or {}).items() if name != NAME}
        if found == files:
            return contents
    raise AssertionError(f"readers find a mixture: {sorted(found)}")


def of_one_set(folder: Path, sets: list[Set | None]) -> None:
    """What stands at the places is of one set, though not all of it perhaps: for programs of others."""
    plain = {name: content for name, content in standing(folder).items() if name not in FOREIGN}
    assert any(plain.items() <= (contents or {}).items() for contents in sets), "places hold a mixture"


def hold(folder: Path, sets: list[Set | None]) -> None:
    """Check everything that is promised of a folder in which a writer was killed."""
    of_one_set(folder, sets)
    check_whole_of = shutil.copytree(folder, folder.with_name("read"))
    found = seen(check_whole_of, sets)  # readers may bring it to its end: in a copy
    check_whole(check_whole_of)
    if found is not None:
        assert standing(check_whole_of) == {**found, **FOREIGN}, "a reader has not brought it to its end"
    shutil.rmtree(check_whole_of)


def free_of_rubbish(folder: Path, contents: Set | None) -> None:
    """All that is there is one set and what is not ours."""
    everything = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    left = everything - set(contents or {}) - set(FOREIGN) - {".diffbench-lock"}
    assert not left, f"left behind: {sorted(left)}"
    assert standing(folder) == {**(contents or {}), **FOREIGN}
    folders = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_dir()}
    assert folders == {name.rpartition("/")[0] for name in contents or {} if "/" in name}


def shape(folder: Path) -> str:
    """What is where, whatever number a hidden folder has."""
    return re.sub("[0-9a-f]{16}", "", "\n".join(sorted(str(path) for path in folder.rglob("*"))))


def every_kill(base: Path, before: Set | None, after: Set, *, again: bool) -> int:
    """Write ``after`` over ``before``, killed at each call; then recover, itself killed at each call."""
    count, tried = 0, set[str]()
    for first in itertools.count(1):
        folder = base / "result"
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir()
        (folder / "notes.txt").write_bytes(b"mine")
        if before is not None:
            put(folder, before)
        was_killed = killed(lambda folder=folder: put(folder, after), before=first)
        if not was_killed:
            free_of_rubbish(folder, after)
            return count
        count += 1
        sets = [before, after]
        hold(folder, sets)
        started = shutil.copytree(folder, base / "started")
        state = shape(folder)
        twice = again and in_force(folder) and state not in tried
        tried.add(state)
        for second in itertools.count(1) if twice else ():
            copy = base / "again"
            shutil.rmtree(copy, ignore_errors=True)
            shutil.copytree(started, copy)
            if not killed(lambda copy=copy: recover(copy), before=second):
                break
            count += 1
            of_one_set(copy, sets)
            recover(copy)
            free_of_rubbish(copy, seen(copy, sets))
        shutil.rmtree(started)
        recover(folder)
        found = seen(folder, sets)
        free_of_rubbish(folder, found)
        put(folder, generation("third"))
        free_of_rubbish(folder, generation("third"))
    raise AssertionError


def main(base: Path) -> None:
    """All that may come over one another: files that stay, go and come, folders below, nothing before."""
    old = generation("old", "characterisation.json", "map.json", "B/map.json", "report.pdf", "report.html")
    new = generation("new")
    counts = {
        "over nothing": every_kill(base, None, new, again=False),
        "over another": every_kill(base, old, new, again=True),
        "one file": every_kill(base, old, generation("one", "map.json"), again=False),
    }
    print(json.dumps(counts))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
