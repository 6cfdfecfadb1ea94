"""How a text is laid out: encodings by their bytes, cells by their marks, header and table by their lines."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from diffbench.errors import ReadingError
from diffbench.readers import RawTable
from diffbench.readers.text.blocks import looks_binary, wide_encoding
from diffbench.readers.text.cells import Marks, is_number, split_cells, ungrouped
from diffbench.readers.text.layout import cleanly_quoted, has_comment, head_lines

ReadText = Callable[..., RawTable]
NAN = float("nan")


# Bytes


@pytest.mark.parametrize(("first", "second"), [("utf-16-le", "utf-16-be"), ("utf-16-be", "utf-16-le")])
def test_text_in_two_bytes_is_known_by_its_zeros_alone(first: str, second: str) -> None:
    """Of twenty characters more than four in five have a zero on one side, and fewer than one in twenty on
    the other: 17 and none are enough, 16 are not, nor is one on the other side."""

    def head(zeros: int, other: int) -> bytes:
        pairs = [(b"\0" if i < other else b"x", b"\0" if i < zeros else b"y") for i in range(20)]
        return b"".join(a + b if first == "utf-16-le" else b + a for a, b in pairs)

    assert wide_encoding(head(17, 0)) == first
    assert wide_encoding(head(16, 0)) is None
    assert wide_encoding(head(20, 1)) is None
    assert wide_encoding(head(0, 17)) == second
    assert wide_encoding("ab".encode(first)) == first
    assert wide_encoding("a".encode(first) + b"x") is None


def test_more_than_two_control_characters_in_a_hundred_are_no_text() -> None:
    """Line ends, tabs, form feeds, a closing mark of old systems and the escape of a terminal are none."""
    text = b"0.5;1.5 x\n" * 100
    for count, binary in ((20, False), (21, True)):
        assert looks_binary(b"\x01" * count + text[: 1000 - count]) is binary
    assert looks_binary(b"\t\n\v\f\r\x1a\x1b") is False
    assert looks_binary(b"\xef\xbb\xbf" + b"\x01" * 9) is False
    assert looks_binary("Time;1,5".encode("utf-16-be")) is False


@pytest.mark.parametrize(
    ("content", "encoding", "line", "what"),
    [
        (b"\nt;M\n0;1,5\n1;\0\n", None, 4, "the line holds zero bytes"),
        ("t;M\n0;1,5\n".encode("utf-16"), "utf-8", 1,
         "the rig states the encoding 'utf-8', but the file has the mark of utf-16-le"),
        ("t;M\n0;é\n1;5\n".encode("cp1252"), "ascii", 2, "byte 0xE9 is no text in the encoding ascii"),
    ],
)  # fmt: skip
def test_bytes_that_are_no_text_are_told_with_their_line(
    read_text: ReadText, content: bytes, encoding: str | None, line: int, what: str
) -> None:
    with pytest.raises(ReadingError) as caught:
        read_text(content, encoding=encoding)
    assert [(fault.place.line, fault.what) for fault in caught.value.faults] == [(line, what)]


@pytest.mark.parametrize(
    ("content", "stated", "found"),
    [
        ("t;M\n0;1,5\n".encode("utf-8-sig"), "utf-8", "utf-8"),
        ("t;M\n0;1,5\n".encode("utf-16"), "utf-16", "utf-16-le"),
        ("t;M\n0;1,5\n".encode("utf-16-le"), "utf-16", "utf-16-le"),
        ("t;M\n0;1,5\n".encode("utf-16-be"), "utf-16-be", "utf-16-be"),
        ("t;M\n0;1,5\n".encode("utf-16-be"), None, "utf-16-be"),
        (b"t;M\n0;1,5\n", "cp1250", "cp1250"),
        (b"t;M\n0;1,5\n", None, "ascii"),
        ("t;M [°]\n0;1,5\n".encode(), None, "utf-8"),
    ],
)
def test_the_encoding_is_the_rig_s_or_that_of_the_mark(
    read_text: ReadText, content: bytes, stated: str | None, found: str
) -> None:
    table = read_text(content, encoding=stated)
    assert table.details["encoding"] == found
    assert [column.values.tolist() for column in table.columns] == [[0.0], [1.5]]


# Cells


@pytest.mark.parametrize(
    ("line", "delimiter", "cells"),
    [
        ('"a"\t\t"b"', "\t", ["a", "", "b"]),
        (' "a" \t;"b";c ', ";", ["a", "b", "c"]),
        ('";1', ";", ['"', "1"]),
        ('"";1', ";", ["", "1"]),
        ('"";1', "|", ['"";1']),
        ('x"y";"a;""b"""', ";", ['x"y"', 'a;"b"']),
        (' a "b c"\t"" ', " ", ["a", "b c", ""]),
    ],
)
def test_cells_are_parted_outside_quotes(line: str, delimiter: str, cells: list[str]) -> None:
    assert split_cells(line, delimiter) == cells


def test_a_number_is_grouped_by_threes_and_by_no_decimal_mark() -> None:
    assert is_number("1,234,567", ".", ",") is True
    assert is_number("1,234,567", ",", ",.") is False
    assert is_number("12,34", ".", ",") is False
    assert is_number("1'234.5", ".", "',") is True
    assert is_number("word", ".", ",") is False


@pytest.mark.parametrize(
    ("data", "delimiter", "decimal", "thousands", "plain"),
    [
        (b'"1,234.5",2,345\n"12,345"\n', ",", ".", ",", b'"1234.5",2,345\n"12345"\n'),
        (b"1.234;x1.234;1.234,5\n-12.345.678;a 1.234 b\n", ";", ",", ".",
         b"1234;x1.234;1234,5\n-12345678;a 1234 b\n"),
        (b"1 234;5", ";", ",", None, b"1 234;5"),
        ("1\u00a0234,5;7\n".encode(), ";", ",", "\u00a0", b"1234,5;7\n"),
    ],
)  # fmt: skip
def test_thousands_marks_are_taken_out_of_numbers_alone(
    data: bytes, delimiter: str, decimal: str, thousands: str | None, plain: bytes
) -> None:
    assert ungrouped(data, Marks(delimiter, decimal, True, thousands, 3)) == plain


@pytest.mark.parametrize(
    ("content", "settings", "details"),
    [
        # where all else is equal, a semicolon and a point
        ("t;M\n0;1\n1;2\n", {}, {"delimiter": ";", "decimal": "."}),
        ("M\n12\n13\n", {}, {"delimiter": ";", "decimal": "."}),
        ("t\tM\n0\t1,5\n1\t2\n", {}, {"delimiter": "tab", "decimal": ","}),
        ("t M\n0 1\n1 2\n", {}, {"delimiter": "blanks", "decimal": "."}),
        # a point between commas needs no leading zero to be a decimal mark
        ("t,n\n0,1.234\n1,5.678\n", {}, {"delimiter": ",", "decimal": "."}),
        ("t;n\n0,5;1.234.567\n1,5;2.345.678\n", {}, {"delimiter": ";", "decimal": ",", "thousands": "."}),
        ("t;n\n0,5;1.234\n1,5;9\n", {}, {"delimiter": ";", "decimal": ",", "thousands": "."}),
        ("t;n\n0,5;1 234\n1,5;5 678\n", {}, {"delimiter": ";", "decimal": ",", "thousands": " "}),
        ("t;n\n0;1.234\n1;9\n", {"thousands": "."}, {"delimiter": ";", "decimal": ",", "thousands": "."}),
        ("t;n\n0;1,234\n1;9\n", {"decimal": ","}, {"delimiter": ";", "decimal": ","}),
    ],
)
def test_what_was_found_out_of_the_marks_is_told(
    read_text: ReadText, content: str, settings: dict[str, str], details: dict[str, str]
) -> None:
    lines = {"encoding": "ascii", "first line": "2", "header line": "1"}
    assert read_text(content, **settings).details == {**lines, **details}


@pytest.mark.parametrize(
    ("content", "cell", "line", "mark"),
    [
        ("t;n\n0,5;1.234\n1,5;2.345\n", "1.234", 2, "."),
        ("t;n\n0;1.234\n1;5.678\n", "1.234", 2, "."),
        ("t;n\n0;1,234\n1;5,678\n", "1,234", 2, ","),
    ],
)
def test_a_mark_that_may_be_either_is_asked_for(
    read_text: ReadText, content: str, cell: str, line: int, mark: str
) -> None:
    with pytest.raises(ReadingError) as caught:
        read_text(content)
    (fault,) = caught.value.faults
    assert (fault.place.line, fault.what) == (
        line,
        f"'{mark}' in '{cell}' can be a decimal mark or stand between thousands, and nothing tells which",
    )
    assert fault.mend == f'state it in the rig\'s [file]: decimal = "{mark}" or thousands = "{mark}"'


# Lines


def test_a_quoted_heading_goes_on_over_four_more_lines() -> None:
    def spans(text: str) -> list[tuple[int, int]]:
        return [(line.number, line.end) for line in head_lines(text)]

    assert spans('t;"a\nb\nc\nd\ne"\n0;1') == [(1, 5), (6, 6)]
    assert spans('t;"a\nb\nc\nd\ne\nf"\n0;1') == [(n, n) for n in range(1, 8)]
    assert spans('"t";"Torque\n[Nm]"\n0;1') == [(1, 2), (3, 3)]
    assert spans('"t";"M"\n"0";"1"') == [(1, 1), (2, 2)]
    assert spans('3" bolt\n5" nut\n0;1') == [(1, 1), (2, 2), (3, 3)]  # inches
    assert head_lines('t;"Torque\r\n[Nm]"\r\n0;1')[0].text == 't;"Torque [Nm]"'


def test_comments_and_clean_quotes_are_seen_at_a_glance() -> None:
    noted, other = (b"0;1\n// x", b"%x\n0;1", b"0;1\n!\n"), (b"0/1;2\n3//4;5", b"0;1 # x")
    assert [has_comment(data) for data in noted] == [True] * 3
    assert [has_comment(data) for data in other] == [False] * 2
    clean = (b'"a,b",1', b'1,"a"', b'"a"\r\n"b"\r\n', b'"a","b","c,d"', b"1,2")
    assert [cleanly_quoted(data, ",") for data in clean] == [True] * len(clean)
    spoilt = (b'x"a",1', b'"a"b,1', b'"a","b', b'"a","b",x"c"', b'"a","b","c"x', b'"a",x"b","c"', b'"a";"b"')
    assert [cleanly_quoted(data, ",") for data in spoilt] == [False] * len(spoilt)


@pytest.mark.parametrize(
    ("content", "settings", "names", "units", "columns"),
    [
        # prose of seventy lines, and a table of three
        ("".join(f"setting {i}\n" for i in range(70)) + "t,M\n0,1.5\n1,2\n", {}, ("t", "M"), None,
         ((0, 1), (1.5, 2))),
        # a delimiter at the end of every row of the table, and none at the end of what stands above
        ("Drive;3,42\nt;M\n0;1,5;\n1;2;\n", {}, ("t", "M"), None, ((0, 1), (1.5, 2))),
        # one column, a delimiter at the end of every row
        ("M\n1,5;\n2;\n", {"delimiter": ";"}, ("M",), None, ((1.5, 2),)),
        # one word in a column that is empty else
        ("t;case\n0;held\n1;\n2;\n", {}, ("t", "case"), None, ((0, 1, 2), ("held", "", ""))),
        # a row of units in brackets, one of them empty
        ("t;M;x\n[s];[N·m];[]\n0;1,5;9\n1;2;9\n", {}, ("t", "M", "x"), ("s", "N·m", None),
         ((0, 1), (1.5, 2), (9, 9))),
        # what looks like units is the header where the rig says so, or where nothing stands above
        ("t;M\ns;Nm\n0;1,5\n1;2\n", {"units_row": False}, ("s", "Nm"), (None, None), ((0, 1), (1.5, 2))),
        ("s;Nm\n0;1,5\n1;2\n", {}, ("s", "Nm"), (None, None), ((0, 1), (1.5, 2))),
        ("s;Nm\n0;1,5\n1;2\n", {"units_row": True}, ("column 1", "column 2"), ("s", "Nm"),
         ((0, 1), (1.5, 2))),
        # where the rig says how many lines stand above, names and units are the next two
        ("t;M\nbench;flange\n0;1,5\n1;2\n", {"skip_rows": 0}, ("t", "M"), (None, None), ((0, 1), (1.5, 2))),
        ("t;M\ns;Nm\nbench;flange\n0;1,5\n1;2\n", {"skip_rows": 0}, ("t", "M"), ("s", "Nm"),
         ((0, 1), (1.5, 2))),
        ("t;M\n0;1,5\n1;2\n", {"skip_rows": 0, "units_row": True}, ("t", "M"), (None, None),
         ((0, 1), (1.5, 2))),
        # a line above the table with less than half of its numbers is none of its rows
        ("a;b;c\n7;;\nt;M;N\n0;1,5;9\n1;2;9\n", {}, ("t", "M", "N"), None, ((0, 1), (1.5, 2), (9, 9))),
        # one that has two names where there are five cells, or seven, is no header
        ("gear;in\n0;1,5;9;8;7\n1;2;9;8;7\n", {}, tuple(f"column {i}" for i in range(1, 6)), None,
         ((0, 1), (1.5, 2), (9, 9), (8, 8), (7, 7))),
        ("a;b;c;d;e\n0;1,5;9\n1;2;9\n", {}, ("column 1", "column 2", "column 3"), None,
         ((0, 1), (1.5, 2), (9, 9))),
    ],
)  # fmt: skip
def test_header_and_units_are_found_where_a_person_sees_them(
    read_text: ReadText,
    content: str,
    settings: dict[str, Any],
    names: tuple[str, ...],
    units: tuple[str | None, ...] | None,
    columns: tuple[tuple[float | str, ...], ...],
) -> None:
    table = read_text(content, **settings)
    assert tuple(column.name for column in table.columns) == names
    if units is not None:
        assert tuple(column.unit for column in table.columns) == units
    for column, expected in zip(table.columns, columns, strict=True):
        if isinstance(expected[0], str):
            assert tuple(column.values) == expected
        else:
            np.testing.assert_array_equal(column.values, np.array(expected, dtype=float))


LONG = "paused by the operator of the second shift; gear warmed up; x"  # 61 characters
SKIP = "remove the line, or state with skip_rows in the rig's [file] how many lines stand above the header"
QUOTE = (
    "give every column one name, quoted where it holds a delimiter, or state delimiter and skip_rows in the "
    "rig's [file]"
)


@pytest.mark.parametrize(
    ("content", "line", "what", "mend"),
    [
        ("t;M\n0;1,5\n# c\npaused;x\n1;2\n2;3\n", 4,
         "words stand among the rows of numbers: 'paused;x'", SKIP),
        ("t;M;N;P\n1;2;;\npause;a;b;c\n0;1,5;9;9\n1;2;9;9\n", 3,
         "words stand among the rows of numbers: 'pause;a;b;c'", SKIP),
        ("t;M;case\n1;;held\npause;a;b\n0;1,5;free\n1;2;held\n", 3,
         "words stand among the rows of numbers: 'pause;a;b'", SKIP),
        (f"t;M;N\n0;1,5;9\n{LONG[:-1]}\n1;2;9\n2;3;9\n", 3,
         f"words stand among the rows of numbers: '{LONG[:-1]}'", SKIP),
        (f"t;M;N\n0;1,5;9\n{LONG}\n1;2;9\n2;3;9\n", 3,
         f"words stand among the rows of numbers: '{LONG[:57]}...'", SKIP),
        ("t;M\n0;1,5;9\n1;2;9\n", 1, "the header has 2 names, but line 2 has 3 cells", QUOTE),
        ("Torque Speed\n13:05:07 1.5 9\n13:05:08 2 9\n", 1,
         "the header has 2 names, but line 2 has 3 cells", QUOTE),
        ("t;M\n0;1,5;9;8\n1;2;9;8\n", 1, "the header has 2 names, but line 2 has 4 cells", None),
        ("a;b;c;d;e;f\n0;1,5;9;8\n1;2;9;8\n", 1, "the header has 6 names, but line 2 has 4 cells", None),
    ],
)  # fmt: skip
def test_a_table_that_is_no_whole_is_refused_with_its_line(
    read_text: ReadText, content: str, line: int, what: str, mend: str | None
) -> None:
    assert len(LONG) == 61
    with pytest.raises(ReadingError) as caught:
        read_text(content)
    (fault,) = caught.value.faults
    assert (fault.place.line, fault.what) == (line, what)
    assert mend is None or fault.mend == mend
