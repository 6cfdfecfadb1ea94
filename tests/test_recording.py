"""What the modules beside the rooms hold: a recording and its last line, faces in a notebook, late names."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

import diffbench
from diffbench.errors import DocumentError
from diffbench.notebook import FACES, ShowsItself
from diffbench.plain_text import escaped, leading, per_cent, spreadsheet_text, whole_texts
from diffbench.recording import LastLine, Recording, Source
from diffbench.schemas import schema


def recording(times: list[float], *, rows: int, labels: tuple[str, ...] = ()) -> Recording:
    """One of a torque and a label."""
    source = Source(Path("tare.csv"), "0" * 64, 120, "delimited text")
    torque = {"left_torque": np.arange(float(len(times)))}
    return Recording(np.array(times), torque, {"reading": labels}, source, (), np.arange(rows))


def test_a_recording_is_as_long_as_its_times() -> None:
    """From the first sample to the last, wherever it begins; one without samples lasts no time."""
    found = recording([2.0, 2.5, 7.25], rows=3, labels=("a", "b", "c"))
    assert (len(found), found.duration) == (3, 5.25)
    assert (len(recording([], rows=0)), recording([], rows=0).duration) == (0, 0.0)
    with pytest.raises(ValueError, match=r"^time has 2 samples, but rows has 3, reading has 1$"):
        recording([0.0, 1.0], rows=3, labels=("a",))


def test_a_last_line_says_whether_it_counts() -> None:
    assert str(LastLine(7, kept=True)).startswith("Line 7, the last, has no line end: its last cell may be")
    assert str(LastLine(8, kept=False)) == "Line 8, the last, breaks off in the middle and is left out."


def test_a_face_is_drawn_by_who_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """By the name of the class; without one there is no face, and a notebook shows the text."""

    class Invented(ShowsItself):
        pass

    assert Invented()._repr_html_() is None
    monkeypatch.setitem(FACES, "Invented", "html:escape")
    monkeypatch.setattr("html.escape", lambda _: "<p>face</p>")
    assert Invented()._repr_html_() == "<p>face</p>"


def test_names_come_late_and_wrong_ones_not_at_all() -> None:
    assert dir(diffbench) == sorted(diffbench.__all__)
    assert diffbench.fit.__module__.startswith("diffbench.fitting")
    with pytest.raises(AttributeError, match=r"^module 'diffbench' has no attribute 'fitt'$"):
        diffbench.fitt  # noqa: B018


def test_a_kind_of_document_that_there_is_not_is_told_with_the_nearest() -> None:
    with pytest.raises(DocumentError, match=r"^'rgi' is no kind of document\. Mend: write rig\.$"):
        schema("rgi")
    with pytest.raises(
        DocumentError, match=r"write one of rig, build, run, car, log, characterisation, map, "
    ):
        schema("?")
    for name in ("rig", "state", "lap"):
        assert schema(name)["$schema"].endswith("2020-12/schema")


def test_texts_that_leave_the_program_are_plain() -> None:
    """Controls, turned writing and lines of Unicode written out, blanks for the ends of lines; halves of
    characters in names and values, at any depth, and nothing else touched."""
    assert escaped("a\tb\nc\rd\x00e\u2028f\u2029g\u200eh\ue000é") == (
        "a b c d\\x00e\\u2028f\\u2029g\\u200eh\\ue000é"
    )
    numbers = [1.5, "\udcff"]
    assert whole_texts(numbers) is numbers
    assert whole_texts(["\udcffé", ("x", {"\udc80": "ü"})]) == ["\\udcffé", ("x", {"\\udc80": "ü"})]
    assert whole_texts({"n": 3, "empty": [], "deep": [{"a": ("\ud800",)}]}) == {
        "n": 3, "empty": [], "deep": [{"a": ("\\ud800",)}]
    }  # fmt: skip
    assert [spreadsheet_text(text) for text in ("-5 %", "\tx", "5-")] == ["'-5 %", "'\tx", "5-"]


@pytest.mark.parametrize(
    ("value", "digits", "sign", "text"),
    [
        (0.000123456, 3, False, "0.000123"),
        (0.00001200001, 3, True, "+0.000012"),
        (-0.000052, 1, False, "-0.00005"),
        (1234.5, 2, True, "+1234"),
        (-99_500.0, 2, False, "-99500"),
        (1230.0, 3, False, "1230"),
        (12.34, 3, True, "+12.3"),
        (7.0, 1, False, "7"),
    ],
)
def test_a_number_by_its_leading_digits(value: float, digits: int, sign: bool, text: str) -> None:
    """Never with an exponent, and all digits before the point."""
    assert leading(value, digits, sign=sign) == text
    assert per_cent(value / 100.0, digits, sign=sign) == text


def test_two_digits_without_a_sign_unless_it_is_said() -> None:
    assert (leading(1.25), per_cent(0.0125), leading(0.0000123)) == ("1.2", "1.2", "0.000012")
    assert re.fullmatch(r"\d+\.\d+(\.\w+)*", diffbench.__version__)
