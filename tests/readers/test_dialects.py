"""Hard layouts of text: what each file says is written beside it, as a person reads it off."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest

NAN = float("nan")


@dataclass(frozen=True)
class Case:
    """A file, and what stands in it."""

    name: str
    content: str | bytes
    names: tuple[str, ...]
    columns: tuple[tuple[float | str, ...], ...]
    first_line: int = 2
    units: tuple[str | None, ...] | None = None
    settings: dict[str, Any] = field(default_factory=dict)


def rows(*lines: str, end: str = "\n") -> str:
    return end.join(lines) + end


CASES = (
    Case("commas", rows("t,M", "0,1.5", "1,-2.5"), ("t", "M"), ((0, 1), (1.5, -2.5))),
    Case("semicolons and decimal commas", rows("t;M", "0;1,5", "1;-2,5"), ("t", "M"), ((0, 1), (1.5, -2.5))),
    Case("tabs", rows("t\tM", "0\t1.5", "1\t-2.5"), ("t", "M"), ((0, 1), (1.5, -2.5))),
    Case("tabs and decimal commas", rows("t\tM", "0,5\t1,5", "1\t2"), ("t", "M"), ((0.5, 1), (1.5, 2))),
    Case("bars", rows("t|M", "0|1.5", "1|-2.5"), ("t", "M"), ((0, 1), (1.5, -2.5))),
    Case(
        "a table drawn with bars at both ends",
        rows("| t | M |", "| 0 | 1.5 |", "| 1 | -2.5 |"),
        ("t", "M"),
        ((0, 1), (1.5, -2.5)),
    ),
    Case(
        "runs of blanks", rows("   t     M", "  0.0   1.5", " 10.0  -2.5"), ("t", "M"), ((0, 10), (1.5, -2.5))
    ),
    Case(
        "blanks, and names that hold blanks",
        rows("Time [s] Torque LH [Nm]", "0.0   1.5", "0.1  -2.5"),
        ("Time [s]", "Torque LH [Nm]"),
        ((0, 0.1), (1.5, -2.5)),
    ),
    Case(
        "blanks, names apart by two",
        rows("Time  Torque LH", "0.0   1.5", "0.1  -2.5"),
        ("Time", "Torque LH"),
        ((0, 0.1), (1.5, -2.5)),
    ),
    Case("blanks and decimal commas", rows("t M", "0,5 1,5", "1,0 2,5"), ("t", "M"), ((0.5, 1), (1.5, 2.5))),
    Case("a comma and a blank", rows("t, M", "0, 1.5", "1, -2.5"), ("t", "M"), ((0, 1), (1.5, -2.5))),
    Case(
        "commas for both, decimals in quotes",
        rows("t,M", '"0,5","1,25"', '"1,5","2,5"'),
        ("t", "M"),
        ((0.5, 1.5), (1.25, 2.5)),
    ),
    Case(
        "one column with decimal commas",
        rows("Torque [Nm]", "12,5", "13,25", "9"),
        ("Torque [Nm]",),
        ((12.5, 13.25, 9),),
    ),
    Case(
        "delimiters in a quoted cell, doubled quotes",
        rows("setup,M", '"held, case free",51.3', '"a ""free"" wheel",52.4'),
        ("setup", "M"),
        (("held, case free", 'a "free" wheel'), (51.3, 52.4)),
    ),
    Case(
        "a delimiter in a quoted name",
        rows('"Torque, left","Torque, right"', "1.5,2.5", "3.5,4.5"),
        ("Torque, left", "Torque, right"),
        ((1.5, 3.5), (2.5, 4.5)),
    ),
    Case(
        "a line end in a quoted name",
        rows('t;"Torque', '[Nm]";n', "0;1,5;2", "1;2,5;3"),
        ("t", "Torque [Nm]", "n"),
        ((0, 1), (1.5, 2.5), (2, 3)),
        first_line=3,
    ),
    Case(
        "thousands points and decimal commas",
        rows("t;n", "0;999,5", "1;1.000,25", "2;12.345.678,5"),
        ("t", "n"),
        ((0, 1, 2), (999.5, 1000.25, 12345678.5)),
    ),
    Case(
        "thousands in every number of a column",
        rows("t;n", "0;1.234,5", "1;2.345,5"),
        ("t", "n"),
        ((0, 1), (1234.5, 2345.5)),
    ),
    Case(
        "thousands commas in quotes",
        rows("t,n", '0.5,"1,234.5"', '1.5,"-12,345"', "2.5,999"),
        ("t", "n"),
        ((0.5, 1.5, 2.5), (1234.5, -12345, 999)),
    ),
    Case(
        "thousands blanks",
        rows("t;n", "0,5;1 234,5", "1,5;999"),
        ("t", "n"),
        ((0.5, 1.5), (1234.5, 999)),
    ),
    Case(
        "thousands apostrophes",
        rows("t;n", "0.5;1'234.5", "1.5;999"),
        ("t", "n"),
        ((0.5, 1.5), (1234.5, 999)),
    ),
    Case(
        "thousands in unbreakable blanks",
        rows("t;n", "0,5;1\u00a0234,5", "1,5;12\u202f345").replace("\u202f", "\u00a0"),
        ("t", "n"),
        ((0.5, 1.5), (1234.5, 12345)),
    ),
    Case(
        "thousands that come late",
        rows("t;n", *(f"{i},5;{i}" for i in range(400)), "400,5;1.234"),
        ("t", "n"),
        (tuple(i + 0.5 for i in range(401)), (*range(400), 1234)),
    ),
    Case(
        "thousands as the rig states them",
        rows("t;n", "0;1.234", "1;5.678"),
        ("t", "n"),
        ((0, 1), (1234, 5678)),
        settings={"thousands": "."},
    ),
    Case(
        "three decimals as the rig states them",
        rows("t;n", "0;1.234", "1;5.678"),
        ("t", "n"),
        ((0, 1), (1.234, 5.678)),
        settings={"decimal": "."},
    ),
    Case(
        "three decimals, told by a leading zero",
        rows("t;n", "0,010;1,234", "0,020;5,678"),
        ("t", "n"),
        ((0.01, 0.02), (1.234, 5.678)),
    ),
    Case(
        "UTF-8 with a mark",
        b"\xef\xbb\xbf" + "t;T [°C]\n0;1,5\n1;2\n".encode(),
        ("t", "T [°C]"),
        ((0, 1), (1.5, 2)),
    ),
    Case(
        "UTF-16, little end first",
        "t;T [°C]\n0;1,5\n1;2\n".encode("utf-16"),
        ("t", "T [°C]"),
        ((0, 1), (1.5, 2)),
    ),
    Case(
        "UTF-16, big end first, no mark",
        "t;T [°C]\n0;1,5\n1;2\n".encode("utf-16-be"),
        ("t", "T [°C]"),
        ((0, 1), (1.5, 2)),
    ),
    Case("code page 1252", "t;T [°C]\n0;1,5\n1;2\n".encode("cp1252"), ("t", "T [°C]"), ((0, 1), (1.5, 2))),
    Case(
        "another code page, as the rig states",
        "t;moment hnací síly\n0;1,5\n1;2\n".encode("cp1250"),
        ("t", "moment hnací síly"),
        ((0, 1), (1.5, 2)),
        settings={"encoding": "cp1250"},
    ),
    Case(
        "UTF-8 that the rig calls a code page",
        "t;T [°C]\n0;1,5\n1;2\n".encode(),
        ("t", "T [Â°C]"),
        ((0, 1), (1.5, 2)),
        settings={"encoding": "cp1252"},
    ),
    Case(
        "line ends of two characters", rows("t,M", "0,1.5", "1,2", end="\r\n"), ("t", "M"), ((0, 1), (1.5, 2))
    ),
    Case("carriage returns alone", rows("t,M", "0,1.5", "1,2", end="\r"), ("t", "M"), ((0, 1), (1.5, 2))),
    Case(
        "carriage returns alone, rows that begin with a missing value",
        rows("n,M", ",1.5", "", ",2", "1,3", end="\r"),
        ("n", "M"),
        ((NAN, NAN, 1), (1.5, 2, 3)),
    ),
    Case(
        "carriage returns among other line ends, a row that begins with a missing value",
        "n,M\n0,1\r,1.5\r\r,2\r\n1,3\n",
        ("n", "M"),
        ((0, NAN, NAN, 1), (1, 1.5, 2, 3)),
    ),
    Case("no line end at the end", "t,M\n0,1.5\n1,2", ("t", "M"), ((0, 1), (1.5, 2))),
    Case(
        "preamble with delimiters, numbers and a decimal comma",
        rows("Stand;cell 2", "Unit;D12", "Drive;3,42", "", "t;M;n", "0,5;1,5;9", "1;2;9"),
        ("t", "M", "n"),
        ((0.5, 1), (1.5, 2), (9, 9)),
        first_line=6,
    ),
    Case(
        "preamble of three hundred lines",
        rows(*(f"setting {i} = {i}.5" for i in range(300)), "t,M", "0,1.5", "1,2"),
        ("t", "M"),
        ((0, 1), (1.5, 2)),
        first_line=302,
    ),
    Case(
        "preamble with a table of its own",
        rows("channel;gain;zero", "LH;1,0;0,2", "RH;1,0;0,1", "t;M;n", "0;1,5;9", "1;2;9"),
        ("t", "M", "n"),
        ((0, 1), (1.5, 2), (9, 9)),
        first_line=5,
    ),
    Case(
        "a row of channel numbers above the names",
        rows("1;2;3", "t;M;n", "0;1,5;9", "1;2;9", "2;2;9"),
        ("t", "M", "n"),
        ((0, 1, 2), (1.5, 2, 2), (9, 9, 9)),
        first_line=3,
    ),
    Case(
        "a row of groups above the names",
        rows("clock;left side;right side", "t;M;n", "s;Nm;rpm", "0;1,5;9", "1;2;9"),
        ("t", "M", "n"),
        ((0, 1), (1.5, 2), (9, 9)),
        first_line=4,
        units=("s", "Nm", "rpm"),
    ),
    Case(
        "names and units where the rig says, descriptions below",
        rows("clock;left side;right side", "t;M;n", "s;Nm;rpm", "bench;flange;encoder", "0;1,5;9", "1;2;9"),
        ("t", "M", "n"),
        ((0, 1), (1.5, 2), (9, 9)),
        first_line=5,
        units=("s", "Nm", "rpm"),
        settings={"skip_rows": 1, "units_row": True},
    ),
    Case(
        "names where the rig says, descriptions below",
        rows("t;M;n", "bench;flange;encoder", "0;1,5;9", "1;2;9"),
        ("t", "M", "n"),
        ((0, 1), (1.5, 2), (9, 9)),
        first_line=3,
        units=(None, None, None),
        settings={"skip_rows": 0},
    ),
    Case(
        "a marker above the names",
        rows("[Data]", "t;M", "0;1,5", "1;2"),
        ("t", "M"),
        ((0, 1), (1.5, 2)),
        first_line=3,
    ),
    Case(
        "comments above, names in the last of them",
        rows("# Cell 2", "# t,M", "0,1.5", "1,2"),
        ("t", "M"),
        ((0, 1), (1.5, 2)),
        first_line=3,
    ),
    Case(
        "comments and blank lines among the rows",
        rows("t,M", "0,1.5", "# gear in", "", "1,2", "", ""),
        ("t", "M"),
        ((0, 1), (1.5, 2)),
    ),
    Case(
        "a row of units",
        rows("t;M;n", "s;Nm;1/min", "0;1,5;9", "1;2;9"),
        ("t", "M", "n"),
        ((0, 1), (1.5, 2), (9, 9)),
        first_line=3,
        units=("s", "Nm", "1/min"),
    ),
    Case(
        "a row of units in brackets, one of them a number, one empty",
        rows("t,M,ratio,note", "[s],[N·m],1,", "0,1.5,2,a", "1,2,2,b"),
        ("t", "M", "ratio", "note"),
        ((0, 1), (1.5, 2), (2, 2), ("a", "b")),
        first_line=3,
        units=("s", "N·m", "1", None),
    ),
    Case(
        "a row of units among blanks, none for the clock",
        rows("clock  M   n", "       Nm  rpm", "13:05:07  1.5  9", "13:05:08  2  9"),
        ("clock", "M", "n"),
        (("13:05:07", "13:05:08"), (1.5, 2), (9, 9)),
        first_line=3,
        units=(None, "Nm", "rpm"),
    ),
    Case(
        "a line drawn between names and rows",
        rows("t;M", "---;---", "0;1,5", "1;2"),
        ("t", "M"),
        ((0, 1), (1.5, 2)),
        first_line=3,
    ),
    Case(
        "units as the rig states them",
        rows("t,M", "sec,Nm(corr)", "0,1.5", "1,2"),
        ("t", "M"),
        ((0, 1), (1.5, 2)),
        first_line=3,
        units=("sec", "Nm(corr)"),
        settings={"units_row": True},
    ),
    Case(
        "a delimiter at the end of every row",
        rows("t;M", "0;1,5;", "1;2;"),
        ("t", "M"),
        ((0, 1), (1.5, 2)),
    ),
    Case(
        "a delimiter at the end of every line, names too",
        rows("t;M;", "0;1,5;", "1;2;"),
        ("t", "M"),
        ((0, 1), (1.5, 2)),
    ),
    Case(
        "a delimiter at the end of the header alone",
        rows("t;M;", "0;1,5", "1;2"),
        ("t", "M"),
        ((0, 1), (1.5, 2)),
    ),
    Case(
        "no header below a line of prose",
        rows("Written by cell 2", "0;1,5", "1;2"),
        ("column 1", "column 2"),
        ((0, 1), (1.5, 2)),
    ),
    Case(
        "rows of nothing but delimiters at the end",
        rows("t;M", "0;1,5", "1;2", ";", ";"),
        ("t", "M"),
        ((0, 1), (1.5, 2)),
    ),
    Case(
        "missing values in many words",
        rows("t,M,n", "0,,NaN", "1,-,n/a", "2,NULL, nan", "3,1.5,---"),
        ("t", "M", "n"),
        ((0, 1, 2, 3), (NAN, NAN, NAN, 1.5), (NAN, NAN, NAN, NAN)),
    ),
    Case(
        "no header",
        rows("0,1.5", "1,2", "2,3"),
        ("column 1", "column 2"),
        ((0, 1, 2), (1.5, 2, 3)),
        first_line=1,
    ),
    Case(
        "exponents, signs, bare points",
        rows("a,b", "+1.5E+03,-.5", "1e-3,5."),
        ("a", "b"),
        ((1500, 0.001), (-0.5, 5)),
    ),
    Case("a typographer's minus", rows("t;M", "0;−1,5", "1;2"), ("t", "M"), ((0, 1), (-1.5, 2))),
    Case(
        "clock times and numbers",
        rows("clock;M", "13:05:07,25;1,5", "13:05:07,26;2"),
        ("clock", "M"),
        (("13:05:07,25", "13:05:07,26"), (1.5, 2)),
    ),
    Case(
        "dates with blanks in a table parted by commas",
        rows("when,M", "2026-04-14 13:05:07.25,1.5", "2026-04-14 13:05:07.26,2"),
        ("when", "M"),
        (("2026-04-14 13:05:07.25", "2026-04-14 13:05:07.26"), (1.5, 2)),
    ),
    Case(
        "lines above the header as the rig states them",
        rows("a;b", "1;2", "3;4", "t;M", "0;1,5", "1;2"),
        ("t", "M"),
        ((0, 1), (1.5, 2)),
        first_line=5,
        settings={"skip_rows": 3},
    ),
    Case(
        "a delimiter that nothing but the rig tells",
        rows("t~M", "0~1.5", "1~2"),
        ("t", "M"),
        ((0, 1), (1.5, 2)),
        settings={"delimiter": "~"},
    ),
    Case(
        "an empty column, and one with a remark",
        rows("t,x,remark", "0,,", "1,,oil warm"),
        ("t", "x", "remark"),
        ((0, 1), (NAN, NAN), ("", "oil warm")),
    ),
)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_a_hard_layout_is_read_as_a_person_reads_it(read_text, case):
    table = read_text(case.content, **case.settings)
    assert tuple(column.name for column in table.columns) == case.names
    for column, expected in zip(table.columns, case.columns, strict=True):
        if isinstance(expected[0], str):
            assert tuple(column.values) == expected
        else:
            # Exact: the parser gives the double nearest to the text, as Python's literals are.
            np.testing.assert_array_equal(column.values, np.array(expected, dtype=float))
    assert table.rows[0] == case.first_line
    if case.units is not None:
        assert tuple(column.unit for column in table.columns) == case.units


@pytest.mark.parametrize("block_size", [7, 16, 33, 64, 256])
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_the_size_of_blocks_changes_nothing(read_text, case, block_size):
    lengths = [
        len(line)
        for line in (case.content.encode() if isinstance(case.content, str) else case.content).split(b"\n")
    ]
    if max(lengths) >= block_size:
        block_size += max(lengths)
    whole, pieces = (
        read_text(case.content, **case.settings),
        read_text(case.content, block_size=block_size, at_once=1 + 50 * (block_size % 5), **case.settings),
    )
    np.testing.assert_array_equal(pieces.rows, whole.rows)
    for a, b in zip(pieces.columns, whole.columns, strict=True):
        assert (a.name, a.unit, a.odd) == (b.name, b.unit, b.odd)
        np.testing.assert_array_equal(a.values, b.values)


def test_lines_are_counted_over_comments_and_blank_lines(read_text):
    table = read_text("t,M\n0,1.5\n# gear in\n\n1,2\n\n2,3\n")
    assert table.rows.tolist() == [2, 5, 7]
    assert "3" in table.notes[0]


def test_words_that_come_late_in_an_empty_column_are_kept_as_odd(read_text):
    table = read_text("t,remark\n" + "".join(f"{i},\n" for i in range(9000)) + "9000,oil warm\n")
    assert table.columns[1].odd == {9000: "oil warm"}
    assert np.isnan(table.columns[1].values).all()


@pytest.mark.parametrize(
    "content",
    [
        "t,M\n0,1.5\n1,\n2,2.5\n",
        "t,M\r\n0,1.5\r\n1,2\r\n",
        "t;T [°C]\n0;1,5\n1;2".encode("cp1252"),
        "t;T [°C]\n0;1,5\n1;2\n".encode("utf-16"),
        't,M\n"0","1.5"\n"1","2"\n',
        "t;n\n0;1.234,5\n1;2.345,5\n",
        "  t   M\n  0 1.5\n  1 2.5\n",
    ],
)
def test_a_regular_file_is_never_searched_line_by_line(read_text, monkeypatch, content):
    from diffbench.readers.text.table import TextBody

    searched = []
    monkeypatch.setattr(
        TextBody, "_kept_lines", lambda self, data, line, *, last: searched.append(line) or []
    )
    assert len(read_text(content).rows) >= 2
    assert searched == []
