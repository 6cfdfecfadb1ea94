"""What the texts of options mean, value by value, and what they look like when nobody gives them."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner

from diffbench.answers import Stock
from diffbench.cli.corner import _pair, _point, _rungs
from diffbench.cli.options import (
    afresh_option,
    branch_option,
    faces_of,
    faces_options,
    json_option,
    language_option,
    pair,
    picture_option,
    put_faces,
    quantity,
    quiet_option,
    result_of,
    results_of,
    stock_option,
    store_option,
    tell_written,
)
from diffbench.errors import DocumentError
from diffbench.results import Characterisation

Given = dict[str, Any]


def given(*dressed: Callable[[Any], Any], words: tuple[str, ...] = ()) -> Given | str:
    """What a command gets from options, or what is said where they do not go."""
    seen: Given = {}

    def body(**values: Any) -> None:
        seen.update(values)

    for dress in reversed(dressed):
        body = dress(body)
    ran = CliRunner().invoke(click.command()(body), list(words))
    return seen if ran.exit_code == 0 else " ".join(ran.stderr.split())


PLAIN = (
    json_option(),
    quiet_option(),
    afresh_option(),
    store_option(),
    picture_option("p"),
    language_option(),
    stock_option(),
    faces_options(),
    branch_option(),
)


def test_what_is_not_asked_for_is_off() -> None:
    assert given(*PLAIN) == {
        "as_json": False, "quiet": False, "afresh": False, "store": None, "picture": None, "language": "en",
        "stock": None, "out": None, "formats": (), "branch": "either",
    }  # fmt: skip


def test_what_is_asked_for(tmp_path: Path) -> None:
    """Flags take no value; lengths in millimetres unless it is said; several faces."""
    words = (
        "--json", "--quiet", "--afresh", "--store", "s", "--picture", "a.png", "--language", "de", "--stock",
        "0, 0.25, 0.1 cm", "--out", str(tmp_path), "--to", "xlsx", "--to", "html", "--branch", "mean",
    )  # fmt: skip
    found = given(*PLAIN, words=words)
    assert found == {
        "as_json": True, "quiet": True, "afresh": True, "store": "s", "picture": Path("a.png"),
        "language": "de", "stock": Stock(shims=(0.0, 0.25e-3, 1e-3)), "out": tmp_path,
        "formats": ("xlsx", "html"), "branch": "mean",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--stock=0.1,-0.2",), "a shim is no thinner than nothing"),
        (("--stock", "0.1 kg"), "a length is wanted"),
        (("--to", "html"), "--to html needs a folder: name one with --out"),
        (("--to", "json", "--out", "x"), "'json' is not one of 'html', 'xlsx'"),
        (("--branch", "followed"), "'followed' is not one of"),
    ],
)
def test_what_does_not_go(words: tuple[str, ...], said: str) -> None:
    found = given(*PLAIN, words=words)
    assert isinstance(found, str)
    assert said in found


def test_faces_of_a_command_with_a_folder_of_its_own(tmp_path: Path) -> None:
    """No ``--out`` is added; without formats of its own the choice is that of every answer."""
    own = click.option("--out", is_eager=True)
    assert given(own, faces_options("json", out=None), words=("--to", "json", "--out", "x")) == {
        "out": "x",
        "formats": ("json",),
    }
    assert given(faces_options(out=None)) == {"formats": ()}


def test_ranges_by_both_ends() -> None:
    ranged = click.option("--range", "found", callback=pair("torque", "N.m"))
    for text, found in (("-20:1 kN.m", (-20.0, 1000.0)), ("5:5", (5.0, 5.0)), ("1e1 : 20", (10.0, 20.0))):
        assert given(ranged, words=(f"--range={text}",)) == {"found": pytest.approx(found)}
    assert given(ranged) == {"found": None}
    for text, said in (
        ("5", "'5' is no range: write LOW:HIGH"),
        ("6:5", "'6:5' falls: write the lower value first"),
    ):
        told = given(ranged, words=("--range", text))
        assert said in told


def test_quantities_by_the_unit_that_is_meant() -> None:
    assert quantity("2", "angle", "deg", "--x") == pytest.approx(math.radians(2.0))
    assert quantity(" 2 rad ", "angle", "deg", "--x") == 2.0
    with pytest.raises(click.BadParameter) as caught:
        quantity("2 kg", "angle", "deg", "--x")
    assert caught.value.param_hint == "--x"


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("70", [70.0]),
        ("0.05 kN.m", [50.0]),
        ("10:10:5", [10.0]),
        ("10:22:4", [10.0, 14.0, 18.0, 22.0]),
        ("10:21.9:4", [10.0, 14.0, 18.0]),
        ("0:1:0.1", [0.1 * i for i in range(11)]),  # the end counts, whatever a tenth is in a double
        ("1:40:1", [float(i) for i in range(1, 41)]),
    ],
)
def test_ladders_of_preloads(text: str, found: list[float]) -> None:
    """One, or from low to high by a step; forty at most."""
    assert _rungs(text) == pytest.approx(found)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("0:40:1", "'0:40:1' has 41 rungs, 40 at most can be told apart"),
        ("5:4:1", "is no ladder: write LOW:HIGH:STEP, rising"),
        ("5:9:0", "is no ladder"),
        ("5:9:1:1", "is no ladder"),
    ],
)
def test_what_is_no_ladder(text: str, said: str) -> None:
    with pytest.raises(click.BadParameter, match=said):
        _rungs(text)


def test_pairs_of_rings() -> None:
    """Degrees unless it is said, one unit behind both for both."""
    for text, (drive, coast) in (
        ("45/30", (45.0, 30.0)),
        ("45 / 30 deg", (45.0, 30.0)),
        ("45 deg/0.5 rad", (45.0, math.degrees(0.5))),
        ("0.7/0.5 rad", (math.degrees(0.7), math.degrees(0.5))),
    ):
        assert _pair(text) == pytest.approx((math.radians(drive), math.radians(coast)))
    for text in ("45", "45/", "/30"):
        with pytest.raises(click.BadParameter, match=f"'{text}' is no pair: write DRIVE/COAST"):
            _pair(text)


def test_one_point_by_options() -> None:
    """In the units that are meant where none is given; None where no option is."""
    nothing = dict.fromkeys(("speed", "radius", "engine_braking", "drive_torque", "temperature"))
    assert _point(nothing) is None
    told = {**nothing, "speed": "72 km/h", "radius": "60", "drive_torque": "200", "temperature": "85"}
    (phase,) = _point(told) or [None]
    assert phase is not None
    assert (phase.name, phase.speed, phase.radius) == ("this point", pytest.approx(20.0), 60.0)
    assert (phase.input_torque, phase.temperature, phase.is_entry) == (200.0, 85.0, False)


def test_faces_are_written_together_or_not_at_all(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A page unless something else is named; nothing without a folder."""
    from diffbench.report import Document

    document = Document("Title", sections=())
    assert put_faces(document, {}, "x", None, ("html",)) == []
    assert put_faces(document, {}, "x", tmp_path / "a", ()) == [tmp_path / "a" / "x.html"]
    assert sorted(faces_of(document, {"a": 1}, "x", ("html", "xlsx"))) == ["x.html", "x.xlsx"]
    assert [*faces_of(document, {"a": 1}, "x", ("xlsx",))] == ["x.xlsx"]
    tell_written([])
    assert capsys.readouterr().out == ""
    tell_written([Path("a"), Path("b")])
    assert capsys.readouterr().out == "\nWritten: a, b\n"


def test_results_by_files_and_folders(
    tmp_path: Path, made_by_hand: Characterisation, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A characterisation from its file or folder; a run sheet is fitted, silently where it is asked or nobody
    looks; of a folder with neither it is told."""
    (tmp_path / "b").mkdir()
    for path in (tmp_path / "a.json", tmp_path / "b" / "characterisation.json"):
        path.write_text(made_by_hand.to_json(), encoding="utf-8")
    found = results_of([tmp_path / "b", tmp_path / "a.json"])
    assert [path for path, _ in found] == [tmp_path / "b", tmp_path / "a.json"]
    assert {one.unit for _, one in found} == {made_by_hand.unit}
    (tmp_path / "none").mkdir()
    with pytest.raises(DocumentError, match=r"none: holds neither a characterisation\.json nor a run sheet"):
        results_of([tmp_path / "none"])
    asked: list[bool] = []

    def fit(paths: list[Path], *, progress: Any) -> Characterisation:
        del paths
        asked.append(progress._enabled)
        return made_by_hand

    monkeypatch.setattr("diffbench.fitting.fit", fit)
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)
    sheet = tmp_path / "Run.TOML"
    assert result_of(sheet) is made_by_hand
    assert result_of(sheet, quiet=True, afresh=True) is made_by_hand
    assert asked == [True, False]
