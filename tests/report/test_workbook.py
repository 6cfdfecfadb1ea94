"""A workbook sheet by sheet and cell by cell, as a spreadsheet opens it."""

from __future__ import annotations

import io
from typing import Any

import pytest

from diffbench.report import Document, Figure, Literally, Section, Sentence, Table, workbook_of

openpyxl = pytest.importorskip("openpyxl", reason="workbooks are an extra")
LONG = "Locking torque at sixty degrees and four radians"  # 48 characters


def opened(document: Document, full: dict[str, Any] | None = None) -> Any:
    return openpyxl.load_workbook(io.BytesIO(workbook_of(document, full or {})))


def cells(sheet: Any) -> list[list[Any]]:
    return [[cell.value for cell in row] for row in sheet.iter_rows()]


def document(*blocks: Any, heading: str = "") -> Document:
    return Document("Card", (Section(heading, tuple(blocks)),))


def test_words_stand_on_the_first_sheet_line_by_line() -> None:
    """The title, headings of what is not empty, sentences with what is before and beside them, and what
    stands as it is."""
    made = Document(
        "Card",
        (
            Section(
                "Why",
                (Sentence("it is worn.", first="  WORN  ", aside="page 1"), Literally("[map]\nx = 1")),
            ),
            Section("Empty", ()),
            Section("", (Sentence("The end."), Table("Two", ("a", "b"), (("x", "1"),)))),
        ),
    )  # fmt: skip
    words = opened(made)["words"]
    assert [row[0] for row in cells(words)] == [
        "Card", "Why", "WORN it is worn. page 1", "[map]", "x = 1", "The end.",
    ]  # fmt: skip
    assert words.freeze_panes is None
    assert not words["A1"].font.bold
    # as wide as the longest line, and two
    assert words.column_dimensions["A"].width == len("WORN it is worn. page 1") + 2


def test_every_table_has_a_sheet_with_its_head_set_off() -> None:
    """Those of figures, too; a table without rows has none, one without a head no bold row."""
    drawn = Figure(
        name="f", title="F", paint=lambda axes: axes, size=(1.0, 1.0), shows="s",
        table=Table("Drawn", ("x [1]", "y [1]"), (("1", "−2.5"), ("3e-4", "4.5.6"))),
    )  # fmt: skip
    bare = Figure(name="g", title="G", paint=lambda axes: axes, size=(1.0, 1.0), shows="s")
    book = opened(
        document(
            drawn, bare, Table("None", ("a",), ()), Table("", ("p", "q"), (("x" * 80, "5"),)),
            Table("Plain", (), (("a", "7"),)), heading="Numbers",
        )
    )  # fmt: skip
    assert book.sheetnames == ["words", "Drawn", "Numbers", "Plain", "in full"]
    assert cells(book["Drawn"]) == [["x [1]", "y [1]"], [1.0, -2.5], [3e-4, "4.5.6"]]
    assert [cell.font.bold for cell in book["Drawn"]["A"]] == [True, False, False]
    assert book["Drawn"].freeze_panes == "A2"
    assert book["Drawn"].column_dimensions["B"].width == 7.0
    assert [book["Numbers"].column_dimensions[name].width for name in "AB"] == [62.0, 5.0]
    assert cells(book["Plain"]) == [["a", 7.0]]
    assert (book["Plain"]["A1"].font.bold, book["Plain"].freeze_panes) == (False, None)
    # a table that bears no name in a section without one has the document's
    assert opened(document(Table("", ("p",), (("x",),)))).sheetnames == ["words", "Card", "in full"]


def test_sheets_have_names_that_a_spreadsheet_allows() -> None:
    """Of 31 characters at most, none twice whatever the case, without what is forbidden in them."""
    rows = (("x",),)
    captions = [
        "Torque",
        "torque",
        "TORQUE",
        LONG,
        LONG,
        "a/b: [c]?",
        "'quoted' ",
        "[]",
        "in full",
        "one\x01two",
    ]
    names = opened(document(*(Table(caption, ("a",), rows) for caption in captions))).sheetnames
    assert names == [
        "words", "Torque", "torque 2", "TORQUE 3", LONG[:31], f"{LONG[:27]} 2", "a b   c", "quoted", "table",
        "in full", "onetwo", "in full 2",
    ]  # fmt: skip


def test_everything_stands_in_full_on_the_last_sheet() -> None:
    """Path and value; texts stay texts, and are cut where a cell ends."""
    full = {"a": {"b": [1.0 / 3.0, None, True]}, "t": "=1", "n": 7, "long": "x" * 32_001, "e": "a\x02b"}
    sheet = opened(document(), full)["in full"]
    assert cells(sheet) == [
        ["path", "value"], ["a.b.0", 1.0 / 3.0], ["a.b.1", None], ["a.b.2", True], ["t", "=1"], ["n", 7],
        ["long", "x" * 32_000], ["e", "ab"],
    ]  # fmt: skip
    assert (sheet["A1"].font.bold, sheet["B1"].font.bold, sheet["A2"].font.bold) == (True, True, False)
    assert sheet.freeze_panes == "A2"
    assert sheet["B5"].data_type == "s"
