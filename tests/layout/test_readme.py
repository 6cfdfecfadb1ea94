"""The README keeps its promises: two commands, papers that load, tables without gaps, examples that run."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import click
import pytest

from diffbench.cli import main
from diffbench.cli.group import COMMANDS
from diffbench.conditioning.samples import REASONS
from diffbench.documents import load_build, load_car, load_rig, load_run_sheet
from diffbench.documents.channels import CHANNEL_NAMES, LABEL_WORDS
from diffbench.documents.schemas import schema
from diffbench.readers import read_recording
from diffbench.report.wording import LABELS


@pytest.fixture(scope="module")
def readme(repository: Path) -> str:
    """Its text."""
    return (repository / "README.md").read_text(encoding="utf-8")


def block(readme: str, mark: str) -> str:
    """The fenced block below a comment, which must be there once."""
    found = re.findall(rf"<!-- {re.escape(mark)} -->\n```\w+\n(.*?)```", readme, re.DOTALL)
    assert len(found) == 1, f"README.md has {len(found)} blocks marked '{mark}'"
    return str(found[0])


def keys(document: Mapping[str, Any]) -> Iterator[str]:
    """Every key that a paper may have, by its schema."""
    for table in (document, *document["$defs"].values()):
        yield from table.get("properties", {})


def test_two_commands(readme: str) -> None:
    """The first installs the package as a wheel and fits the demo; the second sets up and runs the tests."""
    demo, test = block(readme, "demo command"), block(readme, "test command")
    assert "python3 -m venv .venv && .venv/bin/pip install . &&" in demo
    assert demo.endswith(".venv/bin/diffbench fit fixtures/demo/rebuilt/run.toml --out demo-result\n")
    assert test == ".venv/bin/pip install '.[test]' && .venv/bin/pytest\n"
    for command in (demo, test):
        assert " -e " not in command
        assert subprocess.run(["bash", "-n", "-c", command], check=False).returncode == 0


def test_ci_runs_the_readme_s_test_command(readme: str, repository: Path) -> None:
    """Not a copy of it: the command is read from the README."""
    shown = subprocess.run(
        [repository / ".ci" / "run", "--show"], capture_output=True, encoding="utf-8", check=True
    )
    assert shown.stdout == block(readme, "test command")


def test_job_in_one_paragraph(readme: str) -> None:
    """The title, then one paragraph that says what it is for."""
    title, paragraph, _ = readme.split("\n\n", 2)
    assert title == "# diffbench"
    assert paragraph.startswith("diffbench ")
    assert "uncertainty" in paragraph


def test_output_shown_is_what_the_demo_prints(readme: str, demo) -> None:
    """Line by line and in order, numbers aside: they are rounded by their uncertainty and may move in it."""

    def plain(line: str) -> str:
        return " ".join(re.sub(r"-?\d+(\.\d+)?", "#", line).split())

    printed = iter([plain(line) for line in demo.printed.splitlines()])
    for line in block(readme, "demo output").splitlines():
        assert plain(line) in printed, f"the demo does not print, or not here: {line}"


@pytest.mark.parametrize("kind", ["rig", "build", "run", "car"])
def test_every_key_of_the_papers_is_in_a_table(readme: str, kind: str) -> None:
    """Somebody with the README alone can write every paper."""
    rows = [line for line in readme.splitlines() if line.startswith("|")]
    written = {word for row in rows for word in re.findall(r"`\[{0,2}([a-z_0-9.]+?)(?:\.NAME)?\]{0,2}`", row)}
    known = set(keys(schema(kind))) - {
        "packs",
        "ramps",
        "preload",
        "oil",
        "reference",
        "limits",
        "map",
        "disc_spring",
        "axle",
        "tyre",
        "phase",
    }
    assert known <= written
    for table in ("packs", "ramps", "preload", "preload.disc_spring", "oil", "reference", "limits", "map"):
        assert f"| key of `[{table}]` |" in readme


def test_every_channel_and_word_is_in_a_table(readme: str) -> None:
    """The names of channels, and the words that channels of words may hold."""
    for name in (*CHANNEL_NAMES, *(word for words in LABEL_WORDS.values() for word in words)):
        assert f"`{name}`" in readme


def test_every_parameter_is_defined(readme: str, demo) -> None:
    """What characterisation.json calls a number, the README defines."""
    meaning = readme[readme.index("## What the numbers mean") :]
    # Two are names of limits: their parameters end in _loading and _unloading. Wear comes with comparisons.
    names = set(LABELS) - {"ramp_bias_drive", "ramp_bias_coast", "face_wear"}
    assert set(demo.characterisation.parameters) <= names
    for name in names:
        assert f"`{name}`" in meaning


def test_every_command_option_and_status_is_there(readme: str) -> None:
    """Commands, their options, exit statuses and reasons for samples left out."""
    for name in COMMANDS:
        assert f"`diffbench {name}" in readme
        command = main.get_command(click.Context(main), name)
        assert command is not None
        for parameter in command.params:
            for option in parameter.opts:
                assert not option.startswith("--") or option in readme
    for status in ("0", "1", "2", "130"):
        assert f"\n| {status} | " in readme
    # Those that sweeps have: the others belong to states that no version reports any more.
    for reason in ("missing reading", "spike", "speed missing", "slip not yet settled"):
        assert reason in REASONS
        assert f"| {reason} |" in readme


@pytest.mark.parametrize("bench", ["cell", "stand", "wrench"])
def test_example_rigs_read_example_recordings(readme: str, tmp_path: Path, bench: str) -> None:
    """Each rig of the README loads, and takes the recording beside it apart, units and all."""
    rig_path, recording_path = tmp_path / f"{bench}.toml", tmp_path / f"{bench}.csv"
    rig_path.write_text(block(readme, f"example rig: {bench}"), encoding="utf-8")
    recording_path.write_text(block(readme, f"example recording: {bench}"), encoding="utf-8")
    rig = load_rig(rig_path)
    kind = "turning-torque" if bench == "wrench" else "bias-sweep"
    recording = read_recording(recording_path, rig, kind=kind)
    first = {name: float(values[0]) for name, values in recording.channels.items()}
    # Factors by NIST SP 811 (2008), appendix B.8: lbf.ft; degF = 5/9 K; 1/min = 2 pi/60 rad/s.
    foot_pound, fahrenheit, rpm = 1.3558179483314004, 5 / 9, 3.141592653589793 / 30
    expected = {
        "cell": {"left_torque": -149.85, "right_speed": 566.49 * rpm, "oil_temperature": 48.19},
        "stand": {
            "input_torque": -72.679 * foot_pound,
            "right_torque": -138.330 * foot_pound,
            "left_speed": 583.33 * rpm,
            "oil_temperature": (112.16 - 32) * fahrenheit,
        },
        "wrench": {"turning_torque": 37.0 * foot_pound, "oil_temperature": 21.0},
    }[bench]
    assert {name: first[name] for name in expected} == pytest.approx(expected, rel=1e-12)
    if bench == "wrench":
        assert recording.labels["arrangement"][0] == "output-turned-case-free"
        assert recording.labels["arrangement"][2] == "output-turned-case-held"
        assert recording.labels["direction"] == ("forward", "forward", "forward", "backward")
        assert recording.labels["reading"] == ("breakaway", "running", "running", "breakaway")


def test_example_build_and_run_sheet_load(readme: str, tmp_path: Path) -> None:
    """Build sheet, run sheet and car are papers, in SI once they are read."""
    (tmp_path / "q17.toml").write_text(block(readme, "example build"), encoding="utf-8")
    (tmp_path / "my-visit.toml").write_text(block(readme, "example run"), encoding="utf-8")
    build = load_build(tmp_path / "q17.toml")
    assert build.packs.faces == 4
    assert build.effective_radius.value == pytest.approx(0.04625, rel=1e-12)
    (tmp_path / "car.toml").write_text(block(readme, "example car"), encoding="utf-8")
    assert [phase.input_torque for phase in load_car(tmp_path / "car.toml").phase] == [-120.0]
    run_sheet = load_run_sheet(tmp_path / "my-visit.toml")
    assert [run.kind for run in run_sheet.run] == ["tare", "bias-sweep", "speed-sweep"]


def test_python_example_runs(
    readme: str, demo, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The example is run as it stands, on the demo's result."""
    (tmp_path / "demo-result").symlink_to(demo.folder)
    monkeypatch.chdir(tmp_path)
    code = compile(block(readme, "python example"), "README.md", "exec")
    exec(code, {})  # noqa: S102  # our own README
    printed = capsys.readouterr().out
    assert "N·m, 95 % within" in printed
    assert "measured" in printed
    assert "[ True  True  True  True]" in printed


def test_links_within_the_readme_lead_somewhere(readme: str, repository: Path) -> None:
    """Anchors are headings, and files are there."""
    headings = re.findall(r"^#+ (.+)$", re.sub(r"```.*?```", "", readme, flags=re.DOTALL), re.MULTILINE)
    anchors = {re.sub(r"[^\w\- ]", "", heading).strip().lower().replace(" ", "-") for heading in headings}
    for target in re.findall(r"\]\(([^)\s]+)\)", readme):
        if target.startswith("#"):
            assert target[1:] in anchors
        elif not target.startswith("https:"):
            assert (repository / target).exists()


def test_top_level_is_as_agreed(repository: Path) -> None:
    """What is committed at the top: no entry that a visitor would have to ask about."""
    top = {path.name for path in repository.iterdir()} - {"demo-result"}
    if (repository / ".git").exists():
        listed = subprocess.run(
            ["git", "-C", repository, "ls-files"], capture_output=True, encoding="utf-8", check=True
        )
        top = {line.split("/", 1)[0] for line in listed.stdout.splitlines()}
    assert {entry for entry in top if not entry.startswith(".")} == {
        "DEVELOPERS.md",
        "README.md",
        "diffbench",
        "fixtures",
        "pyproject.toml",
        "rigs",
        "tests",
    }


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_tables_have_as_many_cells_in_every_row(repository: Path, name: str) -> None:
    """A bar within a cell, even in code, cuts it in two where the page is shown: it has a backslash."""
    text = re.sub(r"```.*?```", "", (repository / name).read_text(encoding="utf-8"), flags=re.DOTALL)
    for table in re.findall(r"(?:^\|.*\n)+", text, re.MULTILINE):
        rows = [len(re.findall(r"(?<!\\)\|", row)) for row in table.splitlines()]
        assert set(rows) == {rows[0]}, table.splitlines()[rows.index(next(r for r in rows if r != rows[0]))]
