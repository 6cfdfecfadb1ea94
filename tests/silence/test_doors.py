"""One gate for every input: pipes, devices and files without end are refused, wherever they are named."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from diffbench import input_files
from diffbench.errors import DocumentError


@pytest.fixture(params=["pipe", "device"])
def endless(request, tmp_path: Path) -> Path:
    """A pipe that nobody writes to, or a device that never ends, under a name of our own."""
    path = tmp_path / "endless.toml"
    if request.param == "pipe":
        os.mkfifo(path)
    else:
        path.symlink_to("/dev/zero")
    return path


@pytest.mark.parametrize(
    "words",
    [
        ("fit", "{}"),
        ("show", "{}"),
        ("conformity", "{}.json"),
        ("compare", "{}.json", "{}.json"),
        ("lookup", "{}", "--torque", "100", "--speed", "4", "--temperature", "60"),
        ("export", "{}", "--to", "csv"),
        ("split", "{}", "--torque", "100", "--speed", "4", "--temperature", "60"),
        ("rebuild", "{}", "--preload", "60 N.m"),
        ("repeatability", "{}"),
        ("advise", "{}", "--target", "80 N.m"),
        ("inspect", "{}"),
        ("history", "add", "{}", "--store", "{}.sqlite"),
        ("history", "import", "{}", "--store", "{}.sqlite"),
        ("history", "list", "--store", "{}"),
    ],
    ids=lambda words: " ".join(words[:2]),
)
def test_what_never_ends_is_refused(run, endless: Path, words) -> None:
    """At once, with status 2 and its name."""
    beside = endless.with_name("endless.toml.json")
    beside.symlink_to(endless)
    result = run(*(word.replace("{}", str(endless)) for word in words))
    assert result.exit_code == 2, result.output
    assert str(endless) in result.stderr


@pytest.mark.parametrize("key", ["rig", "build", "file"])
def test_a_paper_that_never_ends_is_refused(run, endless: Path, visits: Path, key: str) -> None:
    """Named by a run sheet."""
    sheet = visits / "run-refit-1.toml"
    lines = sheet.read_text(encoding="utf-8").splitlines()
    changed = [f'{key} = "{endless}"' if line.startswith(f"{key} =") else line for line in lines]
    assert changed != lines
    sheet.write_text("\n".join(changed) + "\n", encoding="utf-8")
    result = run("fit", sheet)
    assert result.exit_code == 2
    assert str(endless) in result.stderr


def test_a_car_that_never_ends_is_refused(run, endless: Path, demo) -> None:
    """The map is read, the car is not."""
    result = run("corner", demo.folder / "map.json", "--car", endless)
    assert result.exit_code == 2
    assert str(endless) in result.stderr


@pytest.mark.parametrize("command", ["watch", "fit-all"])
def test_a_folder_that_is_none_is_refused(run, endless: Path, tmp_path: Path, command: str) -> None:
    """A watch would wait for it to become one."""
    result = run(command, endless, "--out", tmp_path / "out")
    assert result.exit_code == 2


def test_a_file_larger_than_its_kind_is_refused(tmp_path: Path) -> None:
    """Before it is all in memory."""
    path = tmp_path / "large.toml"
    with path.open("wb") as file:
        file.truncate(input_files.PAPER + 1)
    with pytest.raises(DocumentError, match="more than 4 MiB"):
        input_files.content_of(path, most=input_files.PAPER)


def test_a_file_as_large_as_its_kind_may_be_is_read_whole(tmp_path: Path) -> None:
    """To the last byte, in pieces; a byte more is refused. The largest of each kind [MiB]."""
    path = tmp_path / "whole"
    content = bytes(range(256)) * (1 << 13)  # 2 MiB
    path.write_bytes(content)
    assert input_files.content_of(path, most=1 << 21) == content
    with pytest.raises(DocumentError, match=r"whole: the file has more than 1 MiB, and none of its kind is"):
        input_files.content_of(path, most=(1 << 21) - 1)
    assert [input_files.PAPER, input_files.RESULT, input_files.EXPORT] == [4 << 20, 256 << 20, 4096 << 20]
    with pytest.raises(IsADirectoryError) as caught:
        input_files.content_of(tmp_path, most=1)
    assert (caught.value.errno, caught.value.filename) == (21, str(tmp_path))


def test_what_no_result_holds_is_found_by_its_key() -> None:
    """Infinite numbers and halves of characters, in names too, at any depth; whole numbers of any size and
    texts of any script are held."""
    content = {"a": [1.0, float("-inf"), {"b": "\ud800x"}], "\udfff": 3, "c": (10**400, "Prüf ²", True, None)}
    assert list(input_files.unfit_values(content, "map")) == [
        ("map.a.1", "a number is infinite, or none"),
        ("map.a.2.b", "a text holds half a character, which no encoding has"),
        ("map", "a text holds half a character, which no encoding has"),
    ]
    assert [key for key, _ in input_files.unfit_values([float("nan")])] == ["0"]
    assert list(input_files.unfit_values("\ue000\ud7ff")) == []


@pytest.mark.parametrize("command", ["fit", "show", "inspect"])
def test_a_name_that_no_file_can_have_is_refused(run, command: str) -> None:
    """A zero byte."""
    result = run(command, "a\0b")
    assert result.exit_code == 2
    assert "\0" not in result.stderr
