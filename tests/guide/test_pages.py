"""The pages: whole, up to date with what they describe, and readable in a terminal."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import get_args

import documents
import pytest
import tables
from click.testing import CliRunner

from diffbench.cli import main
from diffbench.conditioning import Reason
from diffbench.definitions import DEFINITIONS
from diffbench.documents import CHANNELS, load_build, load_car, load_rig, load_run_sheet
from diffbench.documents.arrangements import LABEL_WORDS, ArrangementName
from diffbench.documents.visit import RunKind
from diffbench.guide import FOLDER, TOPICS, anchor, as_text, page
from diffbench.readers import read_recording
from diffbench.schemas import SCHEMAS, schema

MOST = {"README": 12_000, "DEVELOPERS": 14_000}  # bytes


@pytest.mark.parametrize("topic", TOPICS)
def test_tables_are_those_of_today(topic: str) -> None:
    """``python tests/guide/tables.py`` writes them anew."""
    text = documents.text(topic)
    assert tables.filled(text) == text


def test_every_table_stands_on_a_page() -> None:
    """Every key, unit, finding, quantity, command and exit status is somewhere."""
    assert tables.marked() == {*tables.MADE, *(f"keys of {name}" for name in tables.PAPERS)}


@pytest.mark.parametrize("kind", ["rig", "build", "run", "car"])
def test_the_tables_have_every_key_that_the_schema_has(kind: str) -> None:
    """The schema is made from the same models by other code."""
    document = schema(kind)
    written = set(re.findall(r"^\| `\[*(?:preload\.)?(\w+)", documents.text("papers"), re.MULTILINE))
    for table in (document, *document["$defs"].values()):
        assert set(table.get("properties", {})) <= written


def test_a_log_sheet_can_be_written_from_the_page() -> None:
    """Every channel that the schema allows has a row there, with its own meaning and a unit."""
    _, _, told = documents.text("papers").partition("## The log sheet")
    rows = dict(re.findall(r"^\| `(\w+)` \| (.+?) \|$", told, re.MULTILINE))
    names = schema("log")["properties"]["channel"]["propertyNames"]["enum"]
    assert {"yaw_rate", "left_brake_pressure"} < set(names) <= set(rows)
    assert rows["lateral_acceleration"] == "of the car, positive to the left | `m/s^2`, `g`"


def test_every_key_has_its_words_in_the_schema_too() -> None:
    """An editor that completes a paper says what a key is."""
    for kind in ("rig", "build", "run", "car"):
        document = schema(kind)
        for table in (document, *(v for k, v in document["$defs"].items() if k != "NumberAndUnit")):
            for key, rule in table.get("properties", {}).items():
                assert rule.get("description"), f"{kind}: {key}"
    channels = schema("rig")["properties"]["channel"]["properties"]
    assert {name: rule["description"] for name, rule in channels.items()} == {
        name: kind.meaning for name, kind in CHANNELS.items()
    }


def test_the_help_names_every_schema() -> None:
    """It loads none of them, and so can't ask."""
    told = CliRunner().invoke(main, ["schema", "--help"]).stdout
    assert set(SCHEMAS) <= set(re.findall(r"[a-z-]+", told))


def test_every_word_of_a_paper_is_on_the_page() -> None:
    """Channels of words say which; arrangements and kinds of run have a row each."""
    rows = set(re.findall(r'^\| `"([a-z-]+)"` \|', documents.text("papers"), re.MULTILINE))
    assert rows == {*get_args(ArrangementName), *get_args(RunKind)}
    for name in (word for words in LABEL_WORDS.values() for word in words):
        assert f"`{name}`" in documents.text("papers")


def test_quantities_are_those_of_a_result(demo) -> None:
    """What characterisation.json calls a number, the table defines, in the same unit; so does its schema."""
    for name, parameter in demo.characterisation.parameters.items():
        assert DEFINITIONS[name].unit == parameter.unit, name
        assert DEFINITIONS[name].in_result
    described = schema("characterisation")["properties"]["parameters"]["properties"]
    assert set(described) == {name for name, one in DEFINITIONS.items() if one.in_result}


def test_reasons_for_samples_left_out_are_on_the_page() -> None:
    """Those that sweeps have: the others belong to states that no version reports any more."""
    for reason in (
        "missing reading",
        "outside the channel's range",
        "spike",
        "speed missing",
        "clipped or stuck",
    ):
        assert reason in {one.words for one in Reason}
        assert f"| {reason} |" in documents.text("recordings")


@pytest.mark.parametrize(
    ("where", "bench"),
    [("benches", "cell"), ("benches", "stand"), ("benches", "wrench"), ("README", "readme")],
)
def test_example_rigs_read_example_recordings(tmp_path: Path, where: str, bench: str) -> None:
    """Each rig loads, and takes the recording beside it apart, units and all."""
    rig_path, recording_path = tmp_path / f"{bench}.toml", tmp_path / f"{bench}.csv"
    rig_path.write_text(documents.block(where, f"example rig: {bench}"), encoding="utf-8")
    recording = (
        re.search(r"```text\n(Time .*?)```", documents.text("README"), re.DOTALL)[1]  # type: ignore[index]
        if bench == "readme"
        else documents.block(where, f"example recording: {bench}")
    )
    recording_path.write_text(recording, encoding="utf-8")
    rig = load_rig(rig_path)
    kind = "turning-torque" if bench == "wrench" else "bias-sweep"
    read = read_recording(recording_path, rig, kind=kind)
    first = {name: float(values[0]) for name, values in read.channels.items()}
    # Factors by NIST SP 811 (2008), appendix B.8: lbf.ft; degF = 5/9 K; 1/min = 2 pi/60 rad/s.
    foot_pound, fahrenheit, rpm = 1.3558179483314004, 5 / 9, 3.141592653589793 / 30
    cell = {"left_torque": -149.85, "right_speed": 566.49 * rpm, "oil_temperature": 48.19}
    expected = {
        "cell": cell,
        "readme": cell,
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
        assert read.labels["arrangement"][0] == "output-turned-case-free"
        assert read.labels["arrangement"][2] == "output-turned-case-held"
        assert read.labels["direction"] == ("forward", "forward", "forward", "backward")
        assert read.labels["reading"] == ("breakaway", "running", "running", "breakaway")


@pytest.mark.parametrize(("where", "of"), [("benches", ""), ("README", ": readme")])
def test_example_build_and_run_sheet_load(tmp_path: Path, where: str, of: str) -> None:
    """Build sheet and run sheet are papers, in SI once they are read."""
    (tmp_path / "q17.toml").write_text(documents.block(where, f"example build{of}"), encoding="utf-8")
    (tmp_path / "my-visit.toml").write_text(documents.block(where, f"example run{of}"), encoding="utf-8")
    build = load_build(tmp_path / "q17.toml")
    assert build.packs.faces == 4
    assert build.effective_radius.value == pytest.approx(0.04625, rel=1e-12)
    run_sheet = load_run_sheet(tmp_path / "my-visit.toml")
    assert [run.kind for run in run_sheet.run] == ["tare", "bias-sweep", "speed-sweep"]


def test_example_car_loads(tmp_path: Path) -> None:
    """In SI once it is read."""
    (tmp_path / "car.toml").write_text(documents.block("corner", "example car"), encoding="utf-8")
    assert [phase.input_torque for phase in load_car(tmp_path / "car.toml").phase] == [-120.0]


def test_python_example_runs(
    demo, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The example is run as it stands, on the demo's result."""
    (tmp_path / "demo-result").symlink_to(demo.folder)
    monkeypatch.chdir(tmp_path)
    code = compile(documents.block("python", "python example"), "python.md", "exec")
    exec(code, {})  # noqa: S102  # our own page
    printed = capsys.readouterr().out
    assert "N·m, 95 % within" in printed
    assert "measured" in printed
    assert "[ True  True  True  True]" in printed


@pytest.mark.parametrize("name", [*documents.DOCUMENTS, "DEVELOPERS"])
def test_links_lead_somewhere(repository: Path, name: str) -> None:
    """Anchors are headings of the page that they lead to, and files are there."""
    path = documents.DOCUMENTS.get(name, repository / "DEVELOPERS.md")
    for target in re.findall(r"\]\(([^)\s]+)\)", path.read_text(encoding="utf-8")):
        if target.startswith("https:"):
            continue
        file, _, place = target.partition("#")
        there = path.parent / file if file else path
        assert there.exists(), target
        if place:
            prose = re.sub(r"```.*?```", "", there.read_text(encoding="utf-8"), flags=re.DOTALL)
            assert place in {anchor(words) for words in re.findall(r"^#+ (.+)$", prose, re.MULTILINE)}, target


@pytest.mark.parametrize("name", [*documents.DOCUMENTS, "DEVELOPERS"])
def test_tables_have_as_many_cells_in_every_row(repository: Path, name: str) -> None:
    """A bar within a cell, even in code, cuts it in two where the page is shown: it has a backslash."""
    path = documents.DOCUMENTS.get(name, repository / "DEVELOPERS.md")
    text = re.sub(r"```.*?```", "", path.read_text(encoding="utf-8"), flags=re.DOTALL)
    for table in re.findall(r"(?:^\|.*\n)+", text, re.MULTILINE):
        rows = [len(re.findall(r"(?<!\\)\|", row)) for row in table.splitlines()]
        assert set(rows) == {rows[0]}, table.splitlines()[rows.index(next(r for r in rows if r != rows[0]))]


@pytest.mark.parametrize("name", MOST)
def test_first_documents_stay_short(repository: Path, name: str) -> None:
    """What is longer goes to a page of the guide, or beside the code that it is about."""
    assert len((repository / f"{name}.md").read_bytes()) <= MOST[name]


def test_sentences_are_short() -> None:
    """A mean of 14 words at most, over all that a user reads; tables, headings and code apart."""
    counts: list[int] = []
    for name in documents.DOCUMENTS:
        text = re.sub(r"```.*?```|<!--.*?-->|!\[.*?\]\(.*?\)", "", documents.text(name), flags=re.DOTALL)
        lines = [line for line in text.splitlines() if not line.startswith(("|", "#"))]
        for paragraph in re.split(r"\n\s*\n|\n(?=\s*(?:- |\d+\. ))", "\n".join(lines)):
            words = re.sub(r"\]\(.*?\)", "]", " ".join(paragraph.split()))
            for sentence in re.split(r"(?<=[.!?:])(?:\*\*)?\s+(?=[A-Z0-9`*\[(])", words):
                count = len(re.findall(r"[\w'’°%./-]*\w[\w'’°%./-]*", sentence))
                counts += [count] if count > 1 else []
    assert len(counts) > 400
    assert sum(counts) / len(counts) <= 14.0


def test_a_page_is_a_title_and_one_line() -> None:
    """The list of topics shows both; every file is a topic."""
    assert {path.stem for path in FOLDER.glob("*.md")} == set(TOPICS)
    for topic in TOPICS:
        one = page(topic)
        assert documents.text(topic).startswith(f"# {one.title}\n\n")
        assert one.summary.endswith(".")
        assert 20 < len(one.summary) < 130


@pytest.mark.parametrize("width", [40, 80, 100])
@pytest.mark.parametrize("topic", TOPICS)
def test_a_page_fits_the_terminal(topic: str, width: int) -> None:
    """No line is wider, but for code and what cannot be broken; nothing of a page's words is lost."""
    shown = as_text(documents.text(topic), width=width, colour=False)
    assert "\x1b" not in shown
    for line in shown.splitlines():
        assert (
            len(line) <= width or line.startswith("    ") or len(max(line.split(), key=len)) > width // 2
        ), line
    words = re.findall(
        r"\w{5,12}", re.sub(r"```.*?```|<!--.*?-->", "", documents.text(topic), flags=re.DOTALL)
    )
    whole = re.sub(r"\s+", "", shown)
    links = {
        *TOPICS,
        "pictures",
        *(w for link in re.findall(r"\]\((.*?)\)", documents.text(topic)) for w in re.findall(r"\w+", link)),
    }
    if width == 100:
        assert not {word for word in words if word not in whole} - links


def test_styles_only_where_they_are_wanted() -> None:
    """Headings are bold; the text is the same without."""
    text = documents.text("safety")
    styled = as_text(text, width=80, colour=True)
    assert "\x1b[1m" in styled
    assert re.sub(r"\x1b\[\d*m", "", styled) == as_text(text, width=80, colour=False)


def test_topics_are_listed_shown_and_a_typo_is_answered() -> None:
    """As a person and as a program asks."""
    run = CliRunner().invoke
    listed = run(main, ["guide"])
    assert listed.exit_code == 0
    assert [line.split()[0] for line in listed.stdout.splitlines()[: len(TOPICS)]] == list(TOPICS)
    assert [item["topic"] for item in json.loads(run(main, ["guide", "--json"]).stdout)] == list(TOPICS)
    assert "Turning by wrench." in run(main, ["guide", "safety"]).stdout
    told = json.loads(run(main, ["guide", "safety", "--json"]).stdout)
    assert told["markdown"] == documents.text("safety")
    wrong = run(main, ["guide", "recording"])
    assert wrong.exit_code == 2
    assert "'recording'" in wrong.stderr
    assert "write recordings" in wrong.stderr
    far = run(main, ["guide", "xyzzy"])
    assert far.exit_code == 2
    assert "start, benches" in far.stderr
    assert run(main, ["guide", "safety", "--html", "x"]).exit_code == 2
