"""The table of a text: which lines are rows, what a cell is worth, and where a file that breaks off ends."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from diffbench.documents import FileSettings
from diffbench.errors import ReadingError
from diffbench.readers import RawTable, TextReader
from diffbench.readers.text import table as table_module
from diffbench.readers.text.cells import Marks
from diffbench.readers.text.layout import Layout
from diffbench.readers.text.table import (
    GrowingColumn,
    GrowingRows,
    TextBody,
    ending,
    new_thousands_mark,
    number_in,
    parse_by_cell,
    parse_numbers,
)

ReadText = Callable[..., RawTable]
NAN = float("nan")


def laid_out(
    *numeric: bool,
    delimiter: str = ";",
    decimal: str = ",",
    seen: bool = True,
    thousands: str | None = None,
) -> Layout:
    """A layout of columns that are called a, b, c, ..."""
    count = len(numeric)
    return Layout(
        Marks(delimiter, decimal, seen, thousands, count),
        tuple("abcdef"[:count]),
        (None,) * count,
        numeric,
        1,
        None,
        2,
        count,
    )


def cells_of(table: RawTable) -> dict[str, list[float] | list[str]]:
    """The values of every column by its name."""
    return {column.name: column.values.tolist() for column in table.columns}


def refused(read_text: ReadText, content: str, **settings: object) -> list[tuple[int | None, str, str]]:
    """Line, words and mend of each fault."""
    with pytest.raises(ReadingError) as caught:
        read_text(content, **settings)
    return [(fault.place.line, fault.what, fault.mend) for fault in caught.value.faults]


# Values and line numbers that grow piece by piece


def test_a_column_grows_by_a_quarter_where_no_more_was_expected_and_by_nothing_while_there_is_room() -> None:
    """Eight values; then one more, for which there is room for ten, and with the tenth no new one is made."""
    column = GrowingColumn()
    column.add(np.arange(8.0), expected=1)
    column.add(np.array([8.0]), expected=1)
    room = column.values().base
    assert room is not None
    assert room.size == 10
    column.add(np.array([9.0]), expected=1)
    assert column.values().base is room
    assert column.values().tolist() == [float(i) for i in range(10)]


@pytest.mark.parametrize("pieces", [[["a", "b", "c"]], [["a", "b"], ["c"]], [["a"], ["b"], ["c"]]])
def test_texts_of_any_pieces_are_all_there(pieces: list[list[str]]) -> None:
    column = GrowingColumn()
    for piece in pieces:
        column.add(np.array(piece, dtype=object), expected=3)
    assert column.values().tolist() == ["a", "b", "c"]
    assert column.split(2).tolist() == ["a", "b"]
    assert column.values().tolist() == ["c"]


def test_line_numbers_go_on_over_runs_and_gaps() -> None:
    """Lines 2 to 6 in two blocks, a gap, a block of which some lines were kept, and one more."""
    rows = GrowingRows()
    assert rows.values().tolist() == []
    rows.add(range(2, 5))
    rows.add(range(5, 7))
    assert rows.values().tolist() == [2, 3, 4, 5, 6]
    rows.add(range(9, 11))
    assert rows.values().tolist() == [2, 3, 4, 5, 6, 9, 10]
    rows.add(np.array([12, 14]))
    rows.add(range(15, 17))
    assert (len(rows), rows.values().tolist()) == (11, [2, 3, 4, 5, 6, 9, 10, 12, 14, 15, 16])
    assert rows.split(6).tolist() == [2, 3, 4, 5, 6, 9]
    assert (len(rows), rows.values().tolist()) == (5, [10, 12, 14, 15, 16])


def test_room_is_laid_in_for_the_whole_file_by_its_first_lines(tmp_path: Path) -> None:
    """A thousand lines of eight bytes, names as long as a line. Parsed first are 512 bytes or a little more,
    by blocks of 64: 71 lines, from which 71 + 1.01 * 71 * 7440 / 568 = 1010 are guessed. In parts of 100,
    no more than five quarters of that and one batch."""
    path = tmp_path / "log.csv"
    path.write_text("t11;M22\n" + "".join(f"{i:03};1,5\n" for i in range(1000)), encoding="utf-8")
    (whole,) = TextReader(block_size=64, at_once=512).read_tables(path, FileSettings())
    assert len(whole.rows) == 1000
    rooms = {column.values.base.size for column in whole.columns if column.values.base is not None}
    assert rooms == {1010}
    first, *_, last = TextReader(block_size=64, at_once=512).read_tables(path, FileSettings(), rows=100)
    assert (len(first.rows), last.rows[-1]) == (100, 1001)
    (room,) = {column.values.base.size for column in first.columns if column.values.base is not None}
    assert room == 125 + 71


# Numbers


def test_lines_of_numbers_alone_are_read_at_once_and_no_others() -> None:
    layout = laid_out(True, True)
    found = parse_numbers([b"0;1,5\n1;", b"2,5\n 2; -3,5\n"], layout)
    assert found is not None
    assert [values.tolist() for values in found] == [[0.0, 1.0, 2.0], [1.5, 2.5, -3.5]]
    for other in (b"0;1,5\n1;\n", b"0;1,5\n1;nan\n", b"0;1,5\n1;x\n", b"0;1,5\n1;2;3\n", b"0;1,5\n1\n"):
        assert parse_numbers([other], layout) is None


def test_cells_that_are_no_numbers_are_known_by_their_place() -> None:
    """Texts stay as they are, blanks aside; a missing cell is none, whichever word says so."""
    data = b" held ; 1;1,5; x\nNA;-2;n/a;\nfree;3; y ;-inf\n"
    (words, odd), *numbers = parse_by_cell(data, laid_out(False, True, True, True))
    assert [text.strip() for text in words] == ["held", "NA", "free"]
    assert odd == {}
    assert [(values.tolist(), {i: text.strip() for i, text in odd.items()}) for values, odd in numbers] == [
        ([1.0, -2.0, 3.0], {}),
        (pytest.approx([1.5, NAN, NAN], nan_ok=True), {2: "y"}),
        (pytest.approx([NAN, NAN, -np.inf], nan_ok=True), {0: "x"}),
    ]


@pytest.mark.parametrize(
    ("cell", "decimal", "number"),
    [
        ("inf", ".", np.inf),
        ("-Infinity", ",", -np.inf),
        ("+inf", ".", np.inf),
        ("5,", ",", 5.0),
        ("5,", ".", None),
        ("-1,5e3", ",", -1500.0),
        ("1.5", ",", None),
        ("information", ".", None),
        ("", ".", None),
    ],
)
def test_a_cell_is_a_number_by_the_marks_of_its_text(cell: str, decimal: str, number: float | None) -> None:
    assert number_in(cell, Marks(";", decimal, True, None, 2)) == number


def test_a_thousands_mark_that_comes_late_is_known_where_nothing_speaks_against_it() -> None:
    """The words of the first column resemble a grouped number, its second holds plain ones."""
    columns = (False, True, True)
    data = b"1.234;5;1'234,5\n5.678;6;7\n"
    assert new_thousands_mark(data, laid_out(*columns)) == "'"
    assert new_thousands_mark(data, laid_out(*columns, seen=False)) is None
    assert new_thousands_mark(data, laid_out(*columns, thousands=".")) is None
    assert new_thousands_mark(b"a;5;1 234\nb;6;7\n", laid_out(*columns)) == " "
    assert new_thousands_mark(b"a;5;1,234\nb;6;7\n", laid_out(*columns)) is None
    assert new_thousands_mark(b"a;5;none\nb;6;7\n", laid_out(*columns)) is None
    spaced = laid_out(True, True, delimiter=" ", decimal=".")
    assert new_thousands_mark(b'1 "1 234"\n2 3\n', spaced) is None
    assert new_thousands_mark(b"1 1,234\n2 3\n", spaced) == ","


# The last line


@pytest.mark.parametrize(
    ("last", "above", "numeric", "told"),
    [
        ("held", ["free", "held"], False, "whole"),
        ("he", ["free", "held"], False, "doubtful"),
        ("", ["1.5", ""] * 4, True, "whole"),
        ("", ["1.5", "2.5"] * 4, True, "broken"),
        ("1.5", ["", "-"] * 4, True, "whole"),
        ("1.25", ["1.5", "2.5", ""] * 4, True, "doubtful"),
        ("1.5", ["2.5e3"] * 8, True, "broken"),  # an exponent is missing
        ("1.5e3", ["2.5e-03"] * 8, True, "broken"),
        ("1.5e12", ["2.5e-03"] * 8, True, "whole"),
        ("56", ["565."] * 8, True, "broken"),  # the point is missing
        ("566", ["565", "1200"] * 4, True, "doubtful"),
        ("5", ["565", "566"] * 4, True, "broken"),
        ("12.5", ["1.5", "140.5"] * 4, True, "whole"),  # as many decimals, whatever stands in front
    ],
)
def test_a_last_cell_is_held_against_those_above(
    last: str, above: list[str], numeric: bool, told: str
) -> None:
    assert ending(last, above, ".", numeric=numeric) == told


BROKEN = "Line {}, the last, breaks off in the middle and is left out."
DOUBTFUL = "Line {}, the last, has no line end: its last cell may be cut short."
ABOVE = "".join(f"{i % 8};1{i % 8},500;{i % 8}2,25\n" for i in range(24))
WARM = "9;9,500;9,25\n# warm\n"


@pytest.mark.parametrize("block_size", [183, 193, 1 << 20])  # of which one ends before the last line
@pytest.mark.parametrize("names", ["t;M;N\n", "t;M;N\n" + WARM], ids=["rows", "rows and a comment"])
@pytest.mark.parametrize(
    ("last", "kept", "note"),
    [
        ("8;18,500;82,25", True, None),
        ("8;18,500;82,2", False, BROKEN),
        ("8;18,500;82,255", True, DOUBTFUL),
        ("8;18,500;", False, BROKEN),
        ("8;18,500;8e", False, BROKEN),
        ("8;18,5", False, BROKEN),
        ("8;x", False, BROKEN),
        ("8;18,5\n", False, BROKEN),
        ("# 8;18,5;8", False, None),
        (" ", False, None),
    ],
)
def test_a_file_may_break_off_in_its_last_line_wherever_its_blocks_end(
    read_text: ReadText, last: str, kept: bool, note: str | None, names: str, block_size: int
) -> None:
    """Twenty-four rows above, all with two decimals in the last column and three in the one before."""
    table = read_text(names + ABOVE + last, block_size=block_size)
    count = 24 + (names != "t;M;N\n")
    line = names.count("\n") + 25
    assert len(table.rows) == count + kept
    notes = [one for one in table.notes if not one.startswith("Comment")]
    assert notes == ([] if note is None else [note.format(line)])
    assert (table.last_line is None) == (note is None)
    assert table.last_line is None or (table.last_line.number, table.last_line.kept) == (line, kept)


def test_words_behind_the_table_are_a_footer_and_no_broken_line(read_text: ReadText) -> None:
    for footer, count in (("End of test", 1), ("end;8", 2)):
        said = f"{count} cell{'s' * (count - 1)} where the table has 3: '{footer}'"
        assert refused(read_text, f"t;M;N\n{ABOVE}{footer}\n") == [
            (26, said, "repair the line, or remove it")
        ]


def test_only_what_stands_near_tells_how_the_last_cell_is_written(read_text: ReadText) -> None:
    """Two decimals once, 20 KiB above; three ever since (16 KiB are looked at)."""
    rows = "".join(f"{i:04};1,125\n" for i in range(1900))
    assert 20_000 < len(rows) < 30_000
    assert read_text("t;M\n0000;1,25\n" + rows + "1900;1,125").notes == ()
    assert read_text("t;M\n0000;1,25\n" + rows[-11 * 100 :] + "1900;1,125").notes == (DOUBTFUL.format(103),)


def test_a_single_row_without_end_is_one_row(read_text: ReadText) -> None:
    table = read_text("t;M\n0;1,5")
    assert (table.rows.tolist(), table.notes, table.last_line) == ([2], (), None)


# Which lines are rows


@pytest.mark.parametrize(
    ("content", "columns"),
    [
        # a comment with as many cells as a row, in a column of words and among numbers
        ("case;M\nheld;1,5\n# free;2,5\nheld;3,5\n", {"case": ["held", "held"], "M": [1.5, 3.5]}),
        ("case;M\n/dev;1,5\n# free;2,5\n//x;9\n%y;9\n!z;9\nheld;3,5\n",
         {"case": ["/dev", "held"], "M": [1.5, 3.5]}),
        ("t;M\n0;1,5;\n# x\n1;2;\n", {"t": [0.0, 1.0], "M": [1.5, 2.0]}),
        # blanks before words and missing cells, beside a line that is looked at by itself
        ("t,case,M\n0, held, 1.5\n# x\n1, NA, nan\n2, free, 2\n",
         {"t": [0.0, 1.0, 2.0], "case": ["held", "NA", "free"], "M": [1.5, NAN, 2.0]}),
        # a quote that does not hold the whole cell is a part of it
        ('case;M\n"free" wheel;52,5\nheld;3,5\n', {"case": ['"free" wheel', "held"], "M": [52.5, 3.5]}),
        # the last row holds an odd cell and nothing else; rows of nothing are none
        ("t;M\n0;1,5\n1;2\n2;3\n;error\n", {"t": [0.0, 1.0, 2.0, NAN], "M": [1.5, 2.0, 3.0, NAN]}),
        ("t;M\n0;1,5\n1;2\n;\n;\n;\n", {"t": [0.0, 1.0], "M": [1.5, 2.0]}),
        ("t;M\n0;1,5\n\n1;2\n", {"t": [0.0, 1.0], "M": [1.5, 2.0]}),
    ],
)  # fmt: skip
def test_rows_are_told_from_comments_and_lines_of_nothing(
    read_text: ReadText, content: str, columns: dict[str, list[float] | list[str]]
) -> None:
    found = cells_of(read_text(content))
    assert found.keys() == columns.keys()
    for name, values in columns.items():
        if isinstance(values[0], str):
            assert found[name] == values
        else:
            np.testing.assert_array_equal(found[name], values)


@pytest.mark.parametrize(
    ("count", "note"), [(1, "3"), (5, "3, 4, 5, 6, 7"), (6, "3, 4, 5, 6, 7, ..."), (7, "3, 4, 5, 6, 7, ...")]
)
def test_comment_lines_are_noted_by_number_up_to_five(read_text: ReadText, count: int, note: str) -> None:
    table = read_text("t;M\n0;1,5\n" + "# x\n" * count + "1;2\n")
    assert table.notes == (f"Comment lines among the rows are left out: {note}.",)


REPAIR = "repair the line, or remove it"


@pytest.mark.parametrize(
    ("mark", "cells", "mend"),
    [
        (",", 3, f"{REPAIR}; numbers with decimal commas need quotes, or another delimiter"),
        (",", 1, REPAIR),
        (";", 3, REPAIR),
    ],
)
def test_a_line_of_another_count_of_cells_is_told_with_its_mend(
    read_text: ReadText, mark: str, cells: int, mend: str
) -> None:
    line = mark.join(["7"] * cells)
    said = f"{cells} cell{'s' * (cells > 1)} where the table has 2: '{line}'"
    rows = [f"t{mark}M", f"0{mark}1", f"1{mark}2", line, f"2{mark}3.5", ""]
    assert refused(read_text, "\n".join(rows)) == [(4, said, mend)]


@pytest.mark.parametrize(("length", "shown"), [(60, 60), (61, 57)])
def test_a_line_is_shown_up_to_sixty_characters(read_text: ReadText, length: int, shown: int) -> None:
    line = "0;1;" + "7" * (length - 4)
    ((number, what, _),) = refused(read_text, f"t;M\n0;1,5\n{line}\n1;2\n")
    assert number == 3
    assert what == f"3 cells where the table has 2: '{line[:shown]}{'...' * (length > 60)}'"


def test_a_short_second_line_of_a_block_in_the_middle_is_no_end_of_the_file(read_text: ReadText) -> None:
    """Blocks of two lines; the short one has nothing but numbers."""
    content = "t;M;N\n" + "1;2;3,5\n" * 3 + "1;2\n" + "1;2;3,5\n" * 8
    for block_size in (14, 16, 20, 24):
        assert refused(read_text, content, block_size=block_size) == [
            (5, "2 cells where the table has 3: '1;2'", REPAIR)
        ]


def test_names_of_one_letter_that_come_again_are_the_header(read_text: ReadText) -> None:
    content = "t;M\n" + "1;2,5\n" * 4000 + "t; M\n" + "1;2,5\n" * 4000
    assert refused(read_text, content) == [
        (4002, "the header comes again", "split the file: it holds two recordings")
    ]


# Odd cells


def test_odd_cells_stand_where_they_stood_whatever_blocks_and_parts(tmp_path: Path) -> None:
    """Of twelve rows the fourth, fifth and tenth hold a word; parts of four, and blocks of some lines."""
    path = tmp_path / "log.csv"
    words = {3: "x", 4: "y", 9: "z"}
    rows = [f"{i};{words.get(i, i)};" for i in range(12)]
    path.write_text("\n".join(["t;M;empty", *rows]) + "\n", encoding="utf-8")
    for block_size in (16, 40, 1 << 20):
        reader = TextReader(block_size=block_size)
        (whole,) = reader.read_tables(path, FileSettings())
        assert (whole.columns[1].odd, whole.columns[1].odd_count) == (words, 3)
        parts = list(reader.read_tables(path, FileSettings(), rows=4))
        assert [part.rows.tolist() for part in parts] == [[2, 3, 4, 5], [6, 7, 8, 9], [10, 11, 12, 13]]
        assert [dict(part.columns[1].odd) for part in parts] == [{3: "x"}, {0: "y"}, {1: "z"}]
        assert [part.columns[1].odd_count for part in parts] == [1, 1, 1]
        assert [[column.name for column in part.columns] for part in parts] == [["t", "M", "empty"]] * 3


def test_a_column_without_name_and_value_is_none_in_any_part(tmp_path: Path) -> None:
    path = tmp_path / "log.txt"
    path.write_text("| t | M |\n" + "".join(f"| {i} | {i},5 |\n" for i in range(12)), encoding="utf-8")
    parts = list(TextReader().read_tables(path, FileSettings(), rows=4))
    assert [[column.name for column in part.columns] for part in parts] == [["t", "M"]] * 3


def test_no_more_odd_cells_are_kept_than_the_limit_and_all_are_counted(
    read_text: ReadText, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(table_module, "ODD_LIMIT", 3)
    content = "t;M\n" + "".join(f"{i};{'x' if i % 2 else '1,5'}\n" for i in range(20))
    (_, column) = read_text(content, block_size=24).columns
    assert column.odd == {1: "x", 3: "x", 5: "x"}
    assert column.odd_count == 10


# What is regular takes the quick way


@pytest.mark.parametrize(
    "content",
    [
        "t,M\n0,1.5\n1,2\n",
        "t,M,n\n0,1.5,\n1,2,\n2,2.5,3\n",
        "t;M;case\n0;1,5;held\n1;2;free\n",
        "t;M\n0;1,5;\n1;2;\n",
        "  t   M\n  0 1.5\n  1 2.5\n",
        "M\n1.5\n2.5\n",
        "t;T [°C]\n0;1,5\n1;2",
    ],
)
def test_regular_lines_are_parsed_together(
    read_text: ReadText, monkeypatch: pytest.MonkeyPatch, content: str
) -> None:
    alone = []
    monkeypatch.setattr(TextBody, "_add_alone", lambda self, block: alone.append(block.first_line))
    assert read_text(content).rows.tolist() == list(range(2, content.rstrip("\n").count("\n") + 2))
    assert alone == []


@pytest.mark.parametrize(
    ("count", "rows", "lengths"),
    [
        (10, 8, [10]),  # five quarters of eight
        (11, 8, [8, 3]),
        (21, 8, [8, 8, 5]),
        (5, 4, [5]),
        (6, 4, [4, 2]),
        (8, 7, [8]),
        (9, 7, [7, 2]),
        (3, 2, [2, 1]),
    ],
)
@pytest.mark.parametrize("block_size", [24, 1 << 20])
def test_a_text_is_parted_where_it_is_longer_than_five_quarters(
    count: int, rows: int, lengths: list[int], block_size: int, tmp_path: Path
) -> None:
    """Every part but the last says that more follow; what is noted stands in the last."""
    path = tmp_path / "log.csv"
    path.write_text("t;M\n# warm\n" + "".join(f"{i};{i},5\n" for i in range(count)), encoding="utf-8")
    parts = list(TextReader(block_size=block_size).read_tables(path, FileSettings(), rows=rows))
    assert [len(part.rows) for part in parts] == lengths
    assert np.concatenate([part.rows for part in parts]).tolist() == list(range(3, count + 3))
    assert [part.more for part in parts] == [True] * (len(parts) - 1) + [False]
    values = np.concatenate([part.columns[1].values for part in parts])
    assert values.tolist() == [i + 0.5 for i in range(count)]
    assert {part.header_line for part in parts} == {1}


def test_parts_of_a_text_with_faulty_lines_are_read_for_their_faults_alone(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    lines = [f"{i};{i},5" for i in range(20)]
    lines = ["t;M", *lines[:12], "7", *lines[12:18], "8", *lines[18:], ""]
    path.write_text("\n".join(lines), encoding="utf-8")
    found = []
    with pytest.raises(ReadingError) as caught:
        found.extend(TextReader(block_size=40, at_once=1).read_tables(path, FileSettings(), rows=4))
    assert [fault.place.line for fault in caught.value.faults] == [14, 21]
    assert [len(part.rows) for part in found] == [4] * len(found)
    assert 1 <= len(found) <= 3


@pytest.mark.parametrize("count", [10, 700, 3000])
def test_a_table_is_found_however_long_the_words_above_it_are(read_text: ReadText, count: int) -> None:
    """Up to a hundred kilobytes of them."""
    table = read_text("the bench was warm\n" * count + "t;M\n0;1,5\n1;2\n")
    assert [column.name for column in table.columns] == ["t", "M"]
    assert table.rows.tolist() == [count + 2, count + 3]


def test_a_text_says_how_it_was_read(read_text: ReadText) -> None:
    table = read_text("Bench\nt;M\ns;Nm\n0;1.234,5\n1;2.345,5\n")
    assert table.details == {
        "encoding": "ascii",
        "delimiter": ";",
        "decimal": ",",
        "first line": "4",
        "thousands": ".",
        "header line": "2",
        "units line": "3",
    }
    bare = read_text("0\t1.5\n1\t2\n")
    assert (bare.details["delimiter"], bare.unnamed, bare.header_line) == ("tab", True, None)
    assert "header line" not in bare.details
    for content, what in (
        ("\n \n", "the file is empty"),
        ("Bench\n\nnothing\n", "no row of numbers was found in 2 lines"),
    ):
        assert [said for _, said, _ in refused(read_text, content)] == [what]
