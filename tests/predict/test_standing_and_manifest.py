"""Sets of files by hand: what a manifest names, what is refused, and when a result stands."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from diffbench._version import __version__
from diffbench.errors import DocumentError, OutputError
from diffbench.results import digest, stands, stands_near
from diffbench.results.manifest import (
    NAME,
    Manifest,
    check_whole,
    content_digest,
    document,
    document_schema,
    folder_names,
    forget,
    holds,
    manifest_of,
    missing,
    read_whole,
    refuse_over_results,
    with_manifest,
)

AGAIN = "make the result again with diffbench fit"


def put(folder: Path, contents: dict[str, bytes]) -> None:
    for name, content in contents.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content)


@pytest.fixture
def whole(tmp_path: Path) -> Path:
    """A set of two files, one of them in a folder of a build."""
    folder = tmp_path / "out"
    put(folder, with_manifest({"map.json": b"1\n2\n", "A/map.json": b"3"}, result="r" * 64))
    return folder


def test_a_manifest_is_a_file_of_its_set(whole: Path) -> None:
    said = json.loads((whole / NAME).read_text(encoding="utf-8"))
    files = {
        "map.json": hashlib.sha256(b"1\n2\n").hexdigest(),
        "A/map.json": hashlib.sha256(b"3").hexdigest(),
    }
    assert {key: part for key, part in said.items() if key != "sha256"} == {
        "format": "diffbench-manifest/1", "result": "r" * 64, "files": files,
    }  # fmt: skip
    assert said["sha256"] == content_digest(said)
    assert (whole / NAME).read_bytes().endswith(b'"\n}\n')
    assert (whole / NAME).read_text(encoding="utf-8").startswith('{\n "format"')
    assert manifest_of(whole) == check_whole(whole) == Manifest("r" * 64, files)
    assert forget(whole) == [NAME, "map.json", "A/map.json"]
    named = with_manifest({"é.txt": b""}, result="r", name="other.json")
    assert list(named) == ["other.json", "é.txt"]
    assert "é.txt".encode() in named["other.json"]
    # signs other than ASCII are escaped in what is hashed, and what is no number in JSON is still told apart
    plain = b'{"a":"\\u00e9","b":NaN}'
    assert content_digest({"b": float("nan"), "a": "é", "sha256": "x"}) == hashlib.sha256(plain).hexdigest()


def test_where_there_is_none(tmp_path: Path) -> None:
    assert manifest_of(tmp_path) is check_whole(tmp_path) is None
    assert forget(tmp_path) == []
    assert not holds(tmp_path, "map.json")


def test_what_was_edited_is_told_file_by_file(whole: Path) -> None:
    (whole / "map.json").write_bytes(b"4")
    (whole / "A/map.json").write_bytes(b"5")
    with pytest.raises(DocumentError) as caught:
        check_whole(whole)
    assert [fault.place.file for fault in caught.value.faults] == [
        str(whole / "map.json"), str(whole / "A/map.json"),
    ]  # fmt: skip
    written, found = (hashlib.sha256(text).hexdigest()[:12] for text in (b"1\n2\n", b"4"))
    assert caught.value.faults[0].what == (
        f"is not the file that was written with the rest of its result ({NAME}: written {written}…, found "
        f"{found}…): it was edited or damaged, or is of another fit"
    )
    assert caught.value.faults[0].mend == (
        f"{AGAIN}; where the change was meant, keep the file in a folder of its own"
    )
    (whole / "map.json").write_bytes(b"1\r\n2\r\n")
    assert read_whole(whole / "map.json") == b"1\r\n2\r\n"
    (whole / "A/map.json").unlink()
    manifest = check_whole(whole)
    assert manifest is not None
    assert missing(whole, manifest) == ["A/map.json"]
    assert holds(whole, "map.json")
    assert not holds(whole, "A")


@pytest.mark.parametrize(
    "change",
    [
        lambda said: {**said, "format": "diffbench-manifest/2"},
        lambda said: {**said, "result": "s" * 64},
        lambda said: {key: part for key, part in said.items() if key != "files"},
        lambda said: {**said, "files": ["map.json"]},
    ],
)
def test_a_manifest_that_says_something_else_is_damaged(
    change: Callable[[dict[str, Any]], dict[str, Any]], whole: Path
) -> None:
    said = change(json.loads((whole / NAME).read_text(encoding="utf-8")))
    for signed in (said, {**said, "sha256": content_digest(said)}):
        if signed.get("result") == "s" * 64 and signed is not said:
            continue  # who signs anew has made another one
        (whole / NAME).write_text(json.dumps(signed), encoding="utf-8")
        with pytest.raises(DocumentError, match="is damaged, was edited, or is of a newer version") as caught:
            manifest_of(whole)
        assert caught.value.faults[0].place.file == str(whole / NAME)
        assert caught.value.faults[0].mend == (
            f"{AGAIN}; or move this file away, and the others are read without it"
        )
        assert forget(whole) == [NAME]


@pytest.mark.parametrize(
    ("name", "within"),
    [
        ("a", True), ("a/b.json", True), ("a..b", True), ("", False), ("a//b", False), ("./a", False),
        ("a/..", False), ("a\\b", False), ("c:a", False), ("a\0", False),
    ],
)  # fmt: skip
def test_names_lead_nowhere_else(name: str, within: bool, tmp_path: Path) -> None:
    (tmp_path / NAME).write_bytes(with_manifest({name: b""}, result="r")[NAME])
    if within:
        assert manifest_of(tmp_path) is not None
    else:
        with pytest.raises(DocumentError, match="damaged"):
            manifest_of(tmp_path)


def test_nothing_is_written_over_a_result(whole: Path, tmp_path: Path) -> None:
    """By its own name, from the folder above, by another way to it; what it does not name is free."""
    (tmp_path / "link").symlink_to(whole, target_is_directory=True)
    os.link(whole / "map.json", whole / "hard.json")
    own = [
        whole / "map.json",
        whole / NAME,
        whole / "A/map.json",
        tmp_path / "link/map.json",
        whole / "hard.json",
    ]
    for place in own:
        with pytest.raises(OutputError) as caught:
            refuse_over_results([tmp_path / "x.json", place, whole / "free.json"])
        (fault,) = caught.value.faults
        assert fault.place.file == str(place)
        assert fault.what == "is a file of the result in this folder, which would be written over"
        assert fault.mend == "name another file with --out"
    with pytest.raises(OutputError) as caught:
        refuse_over_results(own)
    assert len(caught.value.faults) == 5
    refuse_over_results([whole / "free.json", whole / "A/free.json", tmp_path / "free.json"])
    (whole / "map.json").unlink()
    with pytest.raises(OutputError):
        refuse_over_results([whole / "map.json"])


def test_a_folder_names_its_document(whole: Path, tmp_path: Path) -> None:
    assert document(whole, "map.json") == whole / "map.json"
    assert document(whole / "A/map.json", "other.json") == whole / "A/map.json"
    (whole / "A/map.json").write_bytes(b"5")
    with pytest.raises(DocumentError, match="of another fit"):
        document(whole, "map.json")


def test_documents_of_two_fits_are_told_without_a_manifest(tmp_path: Path) -> None:
    def put_both(one: Any, other: Any) -> None:
        (tmp_path / "characterisation.json").write_text(json.dumps(one), encoding="utf-8")
        (tmp_path / "map.json").write_text(json.dumps(other), encoding="utf-8")

    put_both({"sha256": "a"}, {"characterisation_sha256": "b"})
    with pytest.raises(DocumentError, match="is not the map of the characterisation beside it") as caught:
        document(tmp_path, "map.json")
    assert caught.value.faults[0].place.file == str(tmp_path / "map.json")
    assert caught.value.faults[0].mend == f"{AGAIN}, or name the one that is wanted by its own file"
    for one, other in (
        ({"sha256": "a"}, {"characterisation_sha256": "a"}), ({}, {"characterisation_sha256": "b"}),
        ({"sha256": "a"}, {}), ([], {"characterisation_sha256": "b"}),
    ):  # fmt: skip
        put_both(one, other)
        assert document(tmp_path, "map.json") == tmp_path / "map.json"


def test_a_manifest_is_described() -> None:
    described = document_schema()
    digest_of = {"type": "string", "pattern": "^[0-9a-f]{64}$"}
    assert described["properties"]["files"]["additionalProperties"] == digest_of
    assert described["properties"]["sha256"] == {
        **digest_of,
        "description": "of the content of this document",
    }
    assert described["required"] == ["format", "result", "files", "sha256"]
    assert described["additionalProperties"] is False


def test_folders_of_builds() -> None:
    """As far as every file system can bear a name, and no two alike; a number from two on."""
    made = folder_names(
        ["Map.JSON", "map.json", "x" * 90, "é" * 41, "e\u0301", "É", ". .", "com0", "lpt9.txt", "com10"]
    )
    assert made == [
        "Map.JSON-2", "map.json-3", "x" * 80, "é" * 40, "é", "É-2", "_", "_com0", "_lpt9.txt", "com10",
    ]  # fmt: skip


@pytest.fixture
def stood(tmp_path: Path) -> Path:
    """A run sheet with a recording, a rig in the folder above, and a result beside the sheet."""
    home = tmp_path / "job"
    put(tmp_path, {"job/run.toml": b"run", "job/tare.csv": b"t", "rig.toml": b"rig"})
    write_result(home / "out", home / "run.toml", home)
    return home


def write_result(folder: Path, sheet: Path, home: Path, **changes: Any) -> None:
    """As a fit from the folder of the sheet's folder writes it."""
    names = {
        "job/run.toml": home / "run.toml",
        "job/tare.csv": home / "tare.csv",
        "rig.toml": home.parent / "rig.toml",
    }
    provenance = {
        "version": __version__, "inputs": {name: digest(path) for name, path in names.items()},
        "visits": ["job/run.toml"], **changes,
    }  # fmt: skip
    content = json.dumps({"provenance": provenance}).encode()
    put(folder, with_manifest({"characterisation.json": content, "map.json": b"m"}, result="r"))


class TestStands:
    def test_papers_and_recordings_as_they_were(self, stood: Path) -> None:
        """Paths are taken from the run sheet on, wherever all of it was moved to."""
        found = stands(stood / "out", [stood / "run.toml"])
        assert found is not None
        assert set(found.files) == {"characterisation.json", "map.json"}
        assert stands_near(stood / "run.toml") == stood / "out"
        moved = stood.parent.rename(stood.parent.with_name("elsewhere")) / "job"
        assert stands(moved / "out", [moved / "run.toml"]) is not None

    def test_from_the_folder_of_the_sheet(self, stood: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """As it was named there, from there; the present folder is looked into, too."""
        inputs = {name: digest(stood / name) for name in ("run.toml", "../rig.toml")}
        write_result(stood / "out", stood / "run.toml", stood, inputs=inputs, visits=["run.toml"])
        monkeypatch.chdir(stood)
        assert stands(Path("out"), [Path("run.toml")]) is not None
        (stood / "out").rename(stood.parent / "here")
        assert stands_near(Path("run.toml")) is None
        monkeypatch.chdir(stood.parent)
        assert stands_near(Path("job/run.toml")) == Path("here")

    def test_what_was_named_in_full_stays_there(self, stood: Path) -> None:
        inputs = {
            "job/run.toml": digest(stood / "run.toml"),
            str(stood / "tare.csv"): digest(stood / "tare.csv"),
        }
        write_result(stood / "out", stood / "run.toml", stood, inputs=inputs)
        assert stands(stood / "out", [stood / "run.toml"]) is not None
        (stood / "tare.csv").write_bytes(b"other")
        assert stands(stood / "out", [stood / "run.toml"]) is None
        # all of it in full: from the first run sheet on
        inputs = {str(stood / name): digest(stood / name) for name in ("run.toml", "tare.csv")}
        write_result(
            stood / "out", stood / "run.toml", stood, inputs=inputs, visits=[str(stood / "run.toml")]
        )
        moved = stood.rename(stood.with_name("moved"))
        assert stands(moved / "out", [moved / "run.toml"]) is not None

    @pytest.mark.parametrize(
        "changes",
        [
            {"version": "0"}, {"visits": []}, {"visits": ["job/run.toml", "job/run.toml"]},
            {"visits": ["job/other.toml"]}, {"visits": ["job/tare.csv"]}, {"inputs": {}}, {"inputs": None},
            {"inputs": {"job/run.toml": "0" * 64}},
        ],
    )  # fmt: skip
    def test_any_doubt_is_a_no(self, changes: dict[str, Any], stood: Path) -> None:
        write_result(stood / "out", stood / "run.toml", stood, **changes)
        assert stands(stood / "out", [stood / "run.toml"]) is None
        assert stands_near(stood / "run.toml") is None

    @pytest.mark.parametrize(
        "gone", ["out/map.json", f"out/{NAME}", "out/characterisation.json", "tare.csv", "../rig.toml"]
    )
    def test_what_is_gone_or_edited_is_a_doubt(self, gone: str, stood: Path) -> None:
        (stood / gone).write_bytes(b"{}")
        assert stands(stood / "out", [stood / "run.toml"]) is None
        (stood / gone).unlink()
        assert stands(stood / "out", [stood / "run.toml"]) is None

    def test_the_first_in_order_of_several(self, stood: Path) -> None:
        """What does not stand is passed over, and a file is no folder."""
        (stood / "a-file").write_bytes(b"")
        for name in ("b-result", "a-result"):
            write_result(stood / name, stood / "run.toml", stood)
        assert stands_near(stood / "run.toml") == stood / "a-result"
        (stood / "a-result/map.json").write_bytes(b"edited")
        assert stands_near(stood / "run.toml") == stood / "b-result"
        assert stands_near(stood / "nowhere/run.toml") is None

    def test_of_a_file_and_of_none(self, stood: Path) -> None:
        assert digest(stood / "run.toml") == hashlib.sha256(b"run").hexdigest()
        assert digest(stood / "none") is digest(stood) is None
