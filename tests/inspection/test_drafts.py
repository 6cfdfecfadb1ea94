"""From an unknown file to a first result by the drafts alone, and what an unfilled draft is refused with."""

from __future__ import annotations

import datetime as dt
import re
import shutil
import tomllib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from click.testing import CliRunner, Result
from edited import edited
from pyarrow import parquet

from diffbench.cli import main
from diffbench.documents import FileSettings, load_build, load_rig, load_run_sheet, load_visit
from diffbench.errors import DocumentError
from diffbench.inspection import draft_build, draft_rig, draft_run, inspect_file
from diffbench.readers import read_recording
from diffbench.schemas import schema

DRAFTS = Path(__file__).parent / "drafts"


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Result]:
    """Run the program in a folder of its own."""
    monkeypatch.chdir(tmp_path)

    def command(*arguments: str) -> Result:
        return CliRunner().invoke(main, list(arguments))

    return command


def filled(path: Path, **changes: str) -> None:
    """Fill in a draft as a user does: the empty text of each key, in order of the file."""
    text = path.read_text(encoding="utf-8")
    for key, value in changes.items():
        assert f'\n{key} = ""' in text
        text = edited(text, f'\n{key} = ""', f"\n{key} = {value}", 1)
    path.write_text(text, encoding="utf-8")


def test_a_newcomer_gets_from_an_unknown_file_to_papers_that_a_fit_takes(run, repository, tmp_path) -> None:
    """Wrench readings, since their fit is the quickest; nothing is typed but what the drafts ask for."""
    shutil.copy(repository / "fixtures" / "hand-readings" / "readings.csv", tmp_path / "unknown.csv")
    assert run("inspect", "unknown.csv", "--draft-rig", "rig.toml").exit_code == 0
    assert run("draft", "build", "build.toml").exit_code == 0
    made = run(
        "draft", "run", "run.toml", "--rig", "rig.toml", "--build", "build.toml", "--recording", "unknown.csv"
    )
    assert made.exit_code == 0

    refused = run("fit", "run.toml", "--out", "result")
    assert refused.exit_code == 2
    told = [line.split(": ")[2] for line in refused.stderr.splitlines() if line.startswith("diffbench: ")]
    assert told == ["unit", "packs.faces", "packs.inner_radius", "packs.outer_radius"]
    assert 'write for example inner_radius = "38 mm"' in refused.stderr
    filled(tmp_path / "build.toml", unit='"Q17"', faces="4", inner_radius='"38 mm"', outer_radius='"54.5 mm"')
    # What a fit begins with; the fit itself of these very readings is tried in tests/fitting.
    visit = load_visit("run.toml")
    (run_,) = visit.run_sheet.run
    found = read_recording(visit.recording_path(run_), visit.rig_of(run_), kind=run_.kind)
    own = load_rig(repository / "fixtures" / "hand-readings" / "torque-wrench.toml")
    expected = read_recording(tmp_path / "unknown.csv", own, kind="turning-torque")
    assert found.labels == expected.labels
    assert found.channels.keys() == expected.channels.keys()
    for name, values in expected.channels.items():
        assert (found.channels[name] == values).all()


def test_the_draft_for_the_demo_reads_it_as_its_own_rig_does(repository, tmp_path) -> None:
    """Nothing is left to fill in: the bench is called as its file."""
    demo = repository / "fixtures" / "demo"
    recording = demo / "rebuilt" / "tare.csv"
    path = tmp_path / "rig.toml"
    path.write_text(draft_rig(inspect_file(recording)), encoding="utf-8")
    drafted, own = load_rig(path), load_rig(demo / "twin-flange-cell.toml")
    assert drafted.arrangement == own.arrangement
    found = read_recording(recording, drafted, kind="tare")
    expected = read_recording(recording, own, kind="tare")
    assert found.channels.keys() == expected.channels.keys()
    for name, values in expected.channels.items():
        assert (found.channels[name] == values).all()


def test_what_the_file_does_not_say_is_left_to_fill_in(tmp_path) -> None:
    """A unit that is not there, a side that no name says, a final drive: each is asked for."""
    path = tmp_path / "log.csv"
    path.write_text(
        "t,Prop torque,Torque [Nm],n_L [rpm],n_R [rpm]\n0,1.5,2,3,4\n0.1,1.5,2,3,4\n", encoding="utf-8"
    )
    text = draft_rig(inspect_file(path), name="Stand")
    table = tomllib.loads(text)
    assert table["arrangement"] == ""
    assert table["channel"]["input_torque"] == {
        "column": "Prop torque",
        "unit": "",
        "at": "pinion",
        "ratio": "",
    }
    assert set(table["channel"]) == {"time", "input_torque", "left_speed", "right_speed"}
    assert "#   Torque [Nm]: 2 to 2: its unit Nm is one of torque; nothing in its name says where" in text
    (tmp_path / "rig.toml").write_text(text, encoding="utf-8")
    with pytest.raises(DocumentError) as caught:
        load_rig(tmp_path / "rig.toml")
    keys = {fault.place.key for fault in caught.value.faults}
    assert {"arrangement", "channel.input_torque.unit", "channel.input_torque.ratio"} <= keys


def test_every_gap_of_a_file_has_its_line(tmp_path) -> None:
    """A clock, an oil temperature, a unit, a gear, a pulse wheel: asked for where the file lacks it, and
    nowhere else; what refits move is asked of benches that drive the unit, not of hand readings."""
    path = tmp_path / "log.csv"
    path.write_text(
        "Stamp,Prop torque,Torque LH [xy],Torque RH [Nm],n_L [rpm],n_R [Hz]\n1,1.5,2,3,4,9\n2,1.5,2,3,4,8\n",
        encoding="utf-8",
    )
    bare = draft_rig(inspect_file(path))
    asked = {
        "time": "# No column is named like time:",
        "rate": '# sample_rate = "100 Hz"',
        "oil": "# No column is named like oil_temperature:",
        "no unit": '# unit = ""  # the file does not say it.',
        "a strange unit": "unit = \"\"  # 'xy' is not known.",
        "a check": "# A check, once its ratio is known:\n# [channel.input_torque]",
        "pulses": 'gain = ""  # one over the teeth of its wheel',
        "left over": "#   Stamp: 1 to 2: neither name nor unit says what it is",
        "refits": "# [repeatability]",
    }
    assert [name for name, line in asked.items() if line not in bare] == []
    assert "like left_speed" not in bare
    path.write_text(
        "t [s],T oil [degC],Torque LH [Nm],Torque RH [Nm],n_L [rpm]\n0,60,2,3,4\n0.1,61,2,3,4\n",
        encoding="utf-8",
    )
    full = draft_rig(inspect_file(path))
    assert [name for name, line in asked.items() if line in full] == ["refits"]
    assert "like right_speed" in full
    assert "like left_speed" not in full
    path.write_text("turned,arrangement,torque_Nm\nforward,case free,42\nbackward,case free,41\n")
    by_hand = draft_rig(inspect_file(path))
    assert 'arrangement = "output-turned-case-free"' in by_hand
    assert [name for name, line in asked.items() if line in by_hand] == ["oil"]
    assert "_speed" not in by_hand
    path.write_text(
        "t [s],T oil [degC],Torque LH [Nm],Torque RH [Nm],Speed difference [rpm]\n0,60,2,3,4\n0.1,61,2,3,4\n"
    )
    assert not re.search("like (left|right)_speed", draft_rig(inspect_file(path)))


@pytest.mark.parametrize(
    ("speeds", "check"),
    [
        ("n_L [rpm],n_R [rpm]", True),
        ("Speed difference [rpm],n_L [rpm]", True),
        ("n_L [rpm],Pressure [bar]", False),
    ],
)
def test_the_inputs_speed_is_a_check_where_the_others_tell_all(speeds: str, check: bool, tmp_path) -> None:
    """With one output alone it tells the other, and its ratio has to be filled in."""
    path = tmp_path / "log.csv"
    heading = f"t [s],Torque LH [Nm],Torque RH [Nm],{speeds},Prop speed [rpm]"
    path.write_text(f"{heading}\n0,2,3,40,50,7\n0.1,2,3,41,53,9\n", encoding="utf-8")
    drafted = draft_rig(inspect_file(path))
    asked = "# A check, once its ratio is known:\n# [channel.input_speed]"
    assert (asked in drafted, "\n[channel.input_speed]" in drafted) == (check, not check)


def test_of_an_unused_column_of_words_six_are_shown(tmp_path) -> None:
    path = tmp_path / "log.csv"
    lines = [f"{n}.5,2,w{n}" for n in range(8)]
    path.write_text("\n".join(["t [s],Torque LH [Nm],Who", *lines]) + "\n", encoding="utf-8")
    assert "#   Who: w0, w1, w2, w3, w4, w5: " in draft_rig(inspect_file(path))


@pytest.mark.parametrize(
    ("name", "settings", "said"),
    [
        # load cells in kilograms, pulses and a roller, the input before the gears; a clock as words
        (
            "cells",
            {"sample_rate": "50 Hz", "decimal": ",", "delimiter": ";", "skip_rows": 0, "units_row": False},
            {},
        ),
        ("wrench", {}, {}),
        # one output, a gear that the speeds tell, a second column for a channel
        ("drive", {}, {}),
        # next to nothing: every torque is asked for
        ("little", {}, {}),
        # units, an arm and an arrangement that somebody has said
        (
            "said",
            {},
            {
                "name": "Cell 7",
                "units": {"time": "s", "right_torque": "lbf.ft"},
                "arms": {"left_torque": "0.45 m"},
                "arrangement": "one-output-braked",
            },
        ),
    ],
)
def test_a_draft_is_told_whole(name: str, settings: dict, said: dict) -> None:
    """Every line of it: files of three lines, and beside each the rig that a person would draw from it."""
    found = inspect_file(DRAFTS / f"{name}.csv", settings=FileSettings(**settings) if settings else None)
    assert draft_rig(found, **said) == (DRAFTS / f"{name}.toml").read_text(encoding="utf-8")


def test_answers_stand_in_a_build_sheet_in_line_with_the_words_behind_them() -> None:
    text = draft_build(
        unit="build = {build}", build="{faces}", faces=4, inner_radius="38 mm", outer_radius="54.5 mm"
    )
    lines = [
        line for line in text.splitlines() if line.startswith(("unit", "build", "faces", "inner", "outer"))
    ]
    assert lines == [
        'unit = "build = {build}"     # serial of the differential',
        'build = "{faces}"            # name of this build, for example its serial and the day',
        f"faces = 4{'':20}# a bare number: friction faces in ONE pack, as in faces = 4; both packs are alike",
        'inner_radius = "38 mm"       # of a friction face, half its inner diameter, for example "38 mm"',
        'outer_radius = "54.5 mm"     # half its outer diameter, for example "54.5 mm"',
    ]


def test_a_run_sheet_proposes_kinds_by_the_last_part_of_a_path() -> None:
    """A kind by the content goes first; day and year are whose draft it is."""
    paths = ["tare/2026/lock-2.csv", r"bias\day\slip.csv", "a/b/tare", "zero-1.csv", "other.csv", "hand.csv"]
    text = draft_run(rig="my.toml", recordings=paths, kinds={"zero-1.csv": "bias-sweep"})
    assert f"\ndate = {dt.date.today().isoformat()}  # CHECK: of the visit" in text  # noqa: DTZ011
    assert '\nrig = "my.toml"  # path of the rig: the bench\n' in text
    assert '\nbuild = ""  # path of the build sheet: what was assembled, for example "q17.toml"\n' in text
    blocks = text.split("\n[[run]]\n")[1:]
    assert [block.splitlines()[:2] for block in blocks] == [
        ['file = "tare/2026/lock-2.csv"', 'kind = "bias-sweep"  # CHECK: by the file\'s name only'],
        [r'file = "bias\\day\\slip.csv"', 'kind = "speed-sweep"  # CHECK: by the file\'s name only'],
        ['file = "a/b/tare"', 'kind = ""  # one of the kinds above, for example bias-sweep'],
        ['file = "zero-1.csv"', 'kind = "bias-sweep"  # CHECK: by what is in the file'],
        ['file = "other.csv"', 'kind = ""  # one of the kinds above, for example bias-sweep'],
        ['file = "hand.csv"', 'kind = "turning-torque"  # CHECK: by the file\'s name only'],
    ]
    empty = draft_run().split("\n[[run]]\n")[1:]
    (said,) = empty
    assert said == (
        'file = ""  # path of the recording\n'
        'kind = ""  # one of the kinds above, for example bias-sweep\n'
        '# rig = ""  # where this run was not taken on the visit\'s own rig\n'
        '# note = ""\n'
    )


def test_names_of_columns_cannot_break_out_of_a_draft(tmp_path) -> None:
    """Quotes, line ends and control characters of a hostile file stay texts."""
    path = tmp_path / "log"
    parquet.write_table(pa.table({"t [s]": [0.0, 0.1], 'Torque LH "]\n[evil]\nx = 1 [Nm]': [1.0, 2.0]}), path)
    table = tomllib.loads(draft_rig(inspect_file(path), name="a\x7f\nb"))
    assert "evil" not in table
    assert table["name"] == "a\x7f\nb"


@pytest.mark.parametrize("kind", ["build", "run"])
def test_a_draft_says_every_key(kind) -> None:
    """What the schema knows is in the draft, as a line or behind its mark."""
    text = draft_build() if kind == "build" else draft_run()
    keys = {
        key for part in (schema(kind), *schema(kind)["$defs"].values()) for key in part.get("properties", {})
    }
    for key in keys - {"value", "u"}:
        assert f"{key} =" in text or f"[{key}]" in text or f".{key}]" in text, key


def test_drafts_with_all_marks_taken_away_are_sheets_that_load(tmp_path) -> None:
    """The examples behind the marks are right: only the empty texts are in the way."""
    lines = draft_build().splitlines()
    bare = [
        line[2:] if line.startswith("# ") and (" = " in line or line.startswith("# [")) else line
        for line in lines
    ]
    path = tmp_path / "build.toml"
    text = "\n".join(line for line in bare if not line.startswith(("A number", "say more")))
    values = {
        "unit": '"Q"',
        "build": '"Q1"',
        "faces": "4",
        "inner_radius": '"38 mm"',
        "outer_radius": '"54.5 mm"',
        "name": '"oil"',
        "note": '"x"',
    }
    for key, value in values.items():
        text = edited(text, f'\n{key} = ""', f"\n{key} = {value}")
    text = edited(text, 'law = "undecided"', 'law = "greater-of"')  # joint_fraction has no meaning else
    path.write_text(text, encoding="utf-8")
    assert load_build(path).packs.faces == 4
    run_path = tmp_path / "run.toml"
    run_path.write_text(
        draft_run(rig="r.toml", build="b.toml", recordings=["tare.csv", "speed-1.csv"]), encoding="utf-8"
    )
    assert [one.kind for one in load_run_sheet(run_path).run] == ["tare", "speed-sweep"]


@pytest.mark.parametrize(("wander", "kind"), [(12.0, "speed-sweep"), (250.0, "bias-sweep")])
def test_a_sweep_is_known_by_what_moves_more(wander: float, kind: str, run, tmp_path) -> None:
    """A controller that holds 250 N·m within 12 N·m, run up in three seconds, while the speed difference goes
    from 1 to 12 rad/s: its unit locks by 50 N·m only. The name of the file says nothing."""
    time = np.arange(4000) / 100.0
    torque = 250.0 * np.clip(time / 3.0, 0.0, 1.0) + wander * np.sin(2.0 * np.pi * time / 8.0)
    slip = (
        6.5 + 5.5 * np.sin(2.0 * np.pi * time / 40.0) if wander < 100.0 else np.where(time < 20.0, 3.0, 6.0)
    )
    columns = [time, 0.5 * torque - 25.0, 0.5 * torque + 25.0, 30.0 + 0.5 * slip, 30.0 - 0.5 * slip]
    heading = "Time [s],Torque LH [Nm],Torque RH [Nm],Speed LH [rad/s],Speed RH [rad/s]"
    rows = [",".join(f"{value:.3f}" for value in row) for row in zip(*columns, strict=True)]
    (tmp_path / "log.csv").write_text("\n".join([heading, *rows]) + "\n", encoding="utf-8")
    assert run("draft", "run", "visit.toml", "--recording", "log.csv").exit_code == 0
    drafted = tomllib.loads((tmp_path / "visit.toml").read_text(encoding="utf-8"))
    assert [one["kind"] for one in drafted["run"]] == [kind]


def test_no_serial_is_made_up_from_a_file_name(run, tmp_path) -> None:
    """A sheet called worn.toml is of no unit 'worn': the fit would file it under that name for good."""
    assert run("draft", "build", "worn.toml").exit_code == 0
    with pytest.raises(DocumentError, match=r'unit: the text is empty .*write for example unit = "'):
        load_build(tmp_path / "worn.toml")
    assert run("draft", "build", "said.toml", "--unit", "Q17").exit_code == 0
    drafted = tomllib.loads((tmp_path / "said.toml").read_text(encoding="utf-8"))
    assert (drafted["unit"], drafted["build"]) == ("Q17", "said")


@pytest.mark.parametrize("key", ["arm", "drag", "ratio", "unit", "u_gain"])
def test_what_was_left_empty_is_shown_as_it_is_written(key: str, run, tmp_path) -> None:
    """One line with an example, which can be read: no table is asked for where a number with its unit will
    do."""
    lines = 'format = "diffbench-rig/1"\nname = "c"\narrangement = "both-outputs"\n[channel.left_torque]\n'
    (tmp_path / "rig.toml").write_text(f'{lines}column = "L"\n{key} = ""\n', encoding="utf-8")
    with pytest.raises(DocumentError) as caught:
        load_rig(tmp_path / "rig.toml")
    mine = [one for one in caught.value.faults if one.place.key == f"channel.left_torque.{key}"]
    (fault,) = [one for one in mine if "empty" in one.what]
    written = re.search(rf"write for example ({key} = .+?)(?:, or leave|$)", str(fault.mend))
    assert written is not None, fault.mend
    assert tomllib.loads(written[1])


def test_nothing_that_stands_there_is_written_over(run, tmp_path) -> None:
    """An old sheet is somebody's work."""
    (tmp_path / "build.toml").write_text("mine", encoding="utf-8")
    result = run("draft", "build", "build.toml")
    assert result.exit_code == 2
    assert "is there already, and is left as it is" in result.stderr
    assert (tmp_path / "build.toml").read_text(encoding="utf-8") == "mine"


def test_stated_keys_of_the_file_are_checked_and_come_into_the_draft(run, tmp_path) -> None:
    """As a rig's are; a misspelt one is answered with the nearest."""
    (tmp_path / "log.csv").write_text("Torque LH [Nm];x\n1,5;2\n2,5;3\n", encoding="utf-8")
    done = run(
        "inspect", "log.csv", "--file", "sample_rate=50 Hz", "--file", "decimal=,", "--draft-rig", "rig.toml"
    )
    assert done.exit_code == 0, done.stderr
    table = tomllib.loads((tmp_path / "rig.toml").read_text(encoding="utf-8"))
    assert table["file"] == {"sample_rate": "50 Hz", "decimal": ","}
    assert "Did you mean 'sheet'?" in run("inspect", "log.csv", "--file", "sheets=A").stderr
    assert "'::' can't part columns" in run("inspect", "log.csv", "--file", "delimiter=::").stderr


def test_a_file_is_held_against_a_rig(run, repository, tmp_path) -> None:
    """What the rig names is told, and what does not fit is refused as fit would refuse it."""
    demo = repository / "fixtures" / "demo"
    rig = str(demo / "twin-flange-cell.toml")
    done = run("inspect", str(demo / "rebuilt" / "tare.csv"), "--rig", rig)
    assert done.exit_code == 0
    assert "the rig names it for left_torque" in done.stdout
    (tmp_path / "log.csv").write_text("Time [s],Torque LH [Nm]\n0,1\n0.1,2\n", encoding="utf-8")
    wrong = run("inspect", "log.csv", "--rig", rig)
    assert wrong.exit_code == 2
    assert "there is no column 'Torque RH [Nm]'" in wrong.stderr
