"""Errors say what, where and how to mend it, on one line each."""

from __future__ import annotations

import pickle

import pytest

from diffbench.errors import (
    DiffbenchError,
    DocumentError,
    Fault,
    FitError,
    OutputError,
    Place,
    QuantityError,
    ReadingError,
    RecordingError,
)


@pytest.mark.parametrize(
    ("place", "text"),
    [
        (Place("a.toml"), "a.toml"),
        (Place("a.toml", line=3), "a.toml, line 3"),
        (Place("a.toml", line=3, key="packs.faces"), "a.toml, line 3: packs.faces"),
        (Place("a.csv", line=3, column="Torque"), "a.csv, line 3: column 'Torque'"),
        (Place(None, key="packs.faces"), "packs.faces"),
        (Place(None), ""),
    ],
)
def test_a_place_names_only_what_is_known(place: Place, text: str) -> None:
    assert str(place) == text


def test_a_fault_is_one_line_whatever_its_parts_hold() -> None:
    fault = Fault("the cell 'a\nb' is no number", Place("a.csv", 7), "write a number.")
    assert str(fault) == "a.csv, line 7: the cell 'a b' is no number. Mend: write a number."


def test_a_question_as_mend_keeps_its_mark() -> None:
    assert str(Fault("missing", Place("a.csv"), "is 'b.csv' meant?")).endswith("Mend: is 'b.csv' meant?")


def test_an_error_lists_each_fault_on_its_line_and_exits_with_2() -> None:
    faults = [Fault(f"fault {number}", Place("a.toml", number), "mend it") for number in (1, 2)]
    error = DocumentError(faults)
    assert str(error).splitlines() == [str(fault) for fault in faults]
    assert error.faults == tuple(faults)
    assert error.exit_status == 2


def test_an_error_without_a_fault_is_a_slip_of_the_program() -> None:
    with pytest.raises(ValueError, match="at least one"):
        DiffbenchError([])


@pytest.mark.parametrize(
    "cls", [DocumentError, FitError, OutputError, QuantityError, ReadingError, RecordingError]
)
def test_every_class_builds_one_fault_and_is_caught_as_the_one_tree(cls: type[DiffbenchError]) -> None:
    error = cls.single("wrong", file="a.csv", line=2, column="T", key="k", mend="mend it")
    assert isinstance(error, DiffbenchError)
    assert type(error) is cls
    assert error.faults == (Fault("wrong", Place("a.csv", 2, "T", "k"), "mend it"),)


def test_locating_fills_what_is_unknown_and_keeps_what_is_known() -> None:
    error = QuantityError([Fault("x", Place(None), "m"), Fault("y", Place("b.csv", key="k"), "m")])
    located = error.located(file="a.csv", line=4, column="T", key="j")
    assert type(located) is QuantityError
    assert [fault.place for fault in located.faults] == [
        Place("a.csv", 4, "T", "j"),
        Place("b.csv", 4, "T", "k"),
    ]


def test_errors_travel_between_processes() -> None:
    error = ReadingError.single("wrong", file="a.csv", mend="mend it")
    again = pickle.loads(pickle.dumps(error))  # noqa: S301  # our own bytes
    assert type(again) is ReadingError
    assert again.faults == error.faults
