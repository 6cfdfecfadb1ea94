"""Colours, completion, quiet and verbose, and suggestions: what a person at a terminal meets."""

from __future__ import annotations

import os
import pty
import re
import select
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import click
import pytest
from click.shell_completion import BashComplete, FishComplete, ShellComplete, ZshComplete
from click.testing import Result

from diffbench.cli import COMMANDS, main


def completed(words: list[str], unfinished: str) -> list[str]:
    """What click's own completion offers."""
    complete = ShellComplete(main, {}, "diffbench", "_DIFFBENCH_COMPLETE")
    return [item.value for item in complete.get_completions(words, unfinished)]


def test_commands_and_options_complete() -> None:
    """By click's own means, for its three shells."""
    assert completed([], "re") == sorted(name for name in COMMANDS if name.startswith("re"))
    assert "--settle" in completed(["watch"], "--s")
    assert {"loading", "unloading"} <= set(completed(["lookup", "m.json", "--branch"], ""))
    for shell in (BashComplete, ZshComplete, FishComplete):
        source = shell(main, {}, "diffbench", "_DIFFBENCH_COMPLETE").source_vars()
        assert source["complete_var"] == "_DIFFBENCH_COMPLETE"


def test_the_shell_s_script_is_printed(program: Path) -> None:
    """As the guide has it."""
    done = subprocess.run(
        [program], env={**os.environ, "_DIFFBENCH_COMPLETE": "zsh_source"}, capture_output=True, text=True,
        check=True,
    )  # fmt: skip
    assert "#compdef diffbench" in done.stdout


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_option_is_explained(name: str) -> None:
    """No option of a command, or of a command of a group, without a word on it."""
    command = main.get_command(click.Context(main), name)
    assert command is not None
    every = [command]
    if isinstance(command, click.Group):
        every = [c for c in (command.get_command(click.Context(command), n) for n in command.commands) if c]
    for one in every:
        for option in one.params:
            if isinstance(option, click.Option) and not option.hidden:
                assert option.help, f"{name} {option.opts}"


@pytest.mark.parametrize(
    ("arguments", "hint"),
    [(["wach"], "watch"), (["fit", "--quite", "x.toml"], "--quiet"), (["show", "--jsn", "x"], "--json")],
)
def test_a_typo_is_answered_with_the_nearest(
    run: Callable[..., Result], arguments: list[str], hint: str
) -> None:
    """Of a command and of an option."""
    result = run(*arguments)
    assert result.exit_code == 2
    # the words are click's, and differ from version to version
    told = next(line for line in result.stderr.splitlines() if line.startswith("Error:"))
    assert hint in told.replace(",", " ").replace("'", " ").replace("?", " ").replace(")", " ").split()


def test_quiet_and_verbose_exclude_each_other(run: Callable[..., Result]) -> None:
    """Said at once."""
    result = run("fit", "x.toml", "--quiet", "--verbose")
    assert result.exit_code == 2
    assert "leave out one of them" in result.stderr


def test_a_pdf_needs_a_folder(run: Callable[..., Result]) -> None:
    """And a browser, before the work."""
    assert "--out: name one" in run("fit", "x.toml", "--pdf").stderr


def shown_in_a_terminal(
    *command: Path | str, seen: Callable[[str], object] = lambda _: None, **environment: str
) -> str:
    """What a command prints where it believes to write to a terminal; ``seen`` is told all of it so far."""
    leader, follower = pty.openpty()
    process = subprocess.Popen(
        command,
        stdout=follower,
        stderr=follower,
        stdin=follower,
        env={"PATH": os.environ["PATH"], "TERM": "xterm", "PYTHONUTF8": "1", **environment},
    )
    os.close(follower)
    pieces = []
    while select.select([leader], [], [], 60)[0]:
        try:
            piece = os.read(leader, 65536)
        except OSError:  # how Linux says that the other end has closed
            break
        if not piece:
            break
        pieces.append(piece)
        seen(b"".join(pieces).decode("utf-8", "replace"))
    os.close(leader)
    assert process.wait(timeout=60) == 0
    return b"".join(pieces).decode("utf-8")


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")
def test_colour_only_for_a_terminal_that_wants_it(
    program: Path, tmp_path: Path, synthetic_json: str, run: Callable[..., Result]
) -> None:
    """Styled in a terminal, plain with NO_COLOR (no-color.org) and in a pipe, the same words all the time."""
    file = tmp_path / "characterisation.json"
    file.write_text(synthetic_json, encoding="utf-8")
    styled = shown_in_a_terminal(program, "show", file)
    plain = shown_in_a_terminal(program, "show", file, NO_COLOR="1")
    assert "\x1b[1;34mGOOD\x1b[0m" in styled
    assert "\x1b" not in plain
    piped = run("show", file).output
    assert "\x1b" not in piped
    assert plain.split() == piped.split()


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")
def test_the_numbers_come_before_the_page_is_drawn(
    program: Path, tmp_path: Path, ten_readings: Callable[[Path], Path], run: Callable[..., Result]
) -> None:
    """In a terminal at once, as somebody waits there; the same words as in a pipe, where all comes at the
    end."""
    sheet, out = ten_readings(tmp_path / "readings"), tmp_path / "out"
    early: list[bool] = []

    def seen(text: str) -> None:
        if "Key numbers" in text and not early:
            early.append(not (out / "report.html").exists())

    shown = shown_in_a_terminal(program, "fit", sheet, "--out", out, seen=seen, NO_COLOR="1")
    assert early == [True]
    assert (out / "report.html").exists()
    piped = run("fit", sheet, "--out", out, "--afresh")
    assert piped.exit_code == 0
    # each step overwrites the one before, and the last one goes: what then stands there
    lines = [line.rpartition("\r")[2] for line in shown.replace("\r\n", "\n").split("\n")]
    assert " ".join(lines).split() == piped.stdout.split()


def test_verbose_shows_what_lies_behind(
    tmp_path: Path, synthetic_json: str, run: Callable[..., Result]
) -> None:
    """The summary first, word for word, then every budget, the checks, and where it all came from."""
    file = tmp_path / "characterisation.json"
    file.write_text(synthetic_json, encoding="utf-8")
    short, long = run("show", file).output, run("show", file, "--verbose").output
    assert "\nLimits, with guard bands" in short
    assert long.startswith(short.rstrip("\n"))
    behind = long[len(short) :]
    assert re.search(r"^    bench repeatability  1\.2 N·m +86 %$", behind, re.MULTILINE)
    for heading in ("Uncertainty budget of every quantity", "Adequacy of the model", "Files that went in"):
        assert heading in behind
    assert max(len(line) for line in behind.splitlines()) <= 100
    assert "abababababababab..." in behind
