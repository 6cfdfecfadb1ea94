"""A text of very many columns: what is asked for of it is what the whole of it says, faults and notes too."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from diffbench.documents import FileSettings
from diffbench.errors import ReadingError
from diffbench.readers import Asked, RawTable, TextReader

WIDTH = 64  # columns, from which on some are left out
NAMES = [f"c{i} [V]" for i in range(WIDTH)]
ASKED = Asked.of([("c7", "voltage"), ("c20", "voltage"), ("C21", None)])
KEPT = ["c0 [V]", "c7 [V]", "c20 [V]", "c21 [V]", "c63 [V]"]  # the ends tell where a line breaks off


def line(i: int, *, width: int = WIDTH, **cells: str) -> str:
    """A row; cells by their place: ``c7="x"``."""
    made = [f"{i}.{n:03}" for n in range(width)]
    for name, text in cells.items():
        made[int(name.removeprefix("c"))] = text
    return ";".join(made)


HEAD = ";".join(NAMES)
REGULAR = [line(i) for i in range(12)]

Read = Callable[..., "tuple[RawTable | None, list[str]]"]


@pytest.fixture
def read(tmp_path: Path) -> Read:
    """Read a text by the columns that are asked for, or whole: its table, or its faults in words."""

    def reader(content: str, *, asked: Asked | None, block_size: int) -> tuple[RawTable | None, list[str]]:
        path = tmp_path / "log.csv"
        path.write_bytes(content.encode())
        settings = FileSettings(delimiter=";", decimal=".")
        try:
            (table,) = TextReader(block_size=block_size, asked=asked).read_tables(path, settings)
        except ReadingError as error:
            return None, [str(fault) for fault in error.faults]
        return table, []

    return reader


@pytest.mark.parametrize("block_size", [1000, 1 << 20])
@pytest.mark.parametrize(
    "lines",
    [
        REGULAR,
        [*REGULAR[:5], "# gear in", "", *REGULAR[5:]],
        [*REGULAR[:5], line(5, c7="", c20=" nan ", c21="x"), *REGULAR[6:]],
        [*REGULAR[:5], line(5, c7='"5.25"', c30='"a;b"', c20='"x ""y"""'), *REGULAR[6:]],
        [*REGULAR[:5], line(5, width=WIDTH + 1), *REGULAR[6:]],
        [*REGULAR[:5], line(5, width=WIDTH - 1), *REGULAR[6:]],
        [*REGULAR[:5], line(5, width=30), line(6, width=30), *REGULAR[6:]],
        [*REGULAR[:5], line(5, width=2 * WIDTH), *REGULAR[6:]],
        [*REGULAR[:5], "1;2", *REGULAR[6:]],
        [*REGULAR, line(12, width=30)],
        [*REGULAR, line(12, c63="12.0")],
        [*REGULAR, line(12, c63="12.0634")],
        [*REGULAR, "# end"],
        [*REGULAR, ";" * (WIDTH - 1)],
    ],
    ids=[
        "regular", "comments", "missing and odd", "quotes", "a cell too many", "a cell too few",
        "two lines of thirty", "two lines in one", "two cells", "a line that breaks off",
        "a last cell that is cut", "a last cell that is longer", "a comment at the end", "nothing at the end",
    ],
)  # fmt: skip
@pytest.mark.parametrize("end", ["\n", "\r\n"], ids=["LF", "CRLF"])
@pytest.mark.parametrize("ended", [True, False], ids=["ended", "open"])
def test_the_columns_asked_for_are_those_of_the_whole(
    read: Read, lines: list[str], block_size: int, end: str, ended: bool
) -> None:
    content = end.join([HEAD, *lines]) + end * ended
    some, faults = read(content, asked=ASKED, block_size=block_size)
    whole, all_faults = read(content, asked=None, block_size=block_size)
    assert faults == all_faults
    if some is None or whole is None:
        assert some is None
        assert whole is None
        return
    assert [column.name for column in some.columns] == KEPT
    assert len(some.left_out) == WIDTH - len(KEPT)
    assert set(some.left_out) == set(NAMES) - set(KEPT)
    assert (some.rows.tolist(), some.notes, some.last_line) == (
        whole.rows.tolist(),
        whole.notes,
        whole.last_line,
    )
    of_whole = {column.name: column for column in whole.columns}
    for column in some.columns:
        expected = of_whole[column.name]
        assert (column.unit, column.odd, column.odd_count) == (
            expected.unit,
            expected.odd,
            expected.odd_count,
        )
        np.testing.assert_array_equal(column.values, expected.values)


def test_rows_of_a_wide_text_are_those_that_stand_in_it(read: Read) -> None:
    """Row i has i and thousandths of its column's number in it."""
    table, _ = read("\n".join([HEAD, *REGULAR]) + "\n", asked=ASKED, block_size=1000)
    assert table is not None
    expected = [[i + n / 1000.0 for i in range(12)] for n in (0, 7, 20, 21, 63)]
    np.testing.assert_allclose([column.values for column in table.columns], expected, rtol=1e-15)
    assert table.rows.tolist() == list(range(2, 14))


@pytest.mark.parametrize(
    ("width", "asked", "left"),
    [(63, 3, 0), (64, 3, 59), (64, 14, 48), (64, 15, 0), (80, 18, 60), (80, 19, 0)],
)
def test_columns_are_left_out_of_sixty_four_and_more_where_most_of_them_can_be(
    tmp_path: Path, width: int, asked: int, left: int
) -> None:
    """With both ends no more than a quarter is kept."""
    path = tmp_path / "log.csv"
    rows = [";".join(f"{i}.{n}" for n in range(width)) for i in range(3)]
    path.write_text("\n".join([";".join(f"c{n} [V]" for n in range(width)), *rows]) + "\n", encoding="utf-8")
    reader = TextReader(asked=Asked.of([(f"c{n}", None) for n in range(1, asked + 1)]))
    (table,) = reader.read_tables(path, FileSettings(delimiter=";", decimal="."))
    assert (len(table.left_out), len(table.columns)) == (left, width - left)
    assert [column.values[2] for column in table.columns[:3]] == [2.0, 2.1, 2.2]


def test_a_table_parted_by_blanks_is_read_whole(tmp_path: Path) -> None:
    path = tmp_path / "log.txt"
    rows = ["  ".join(f"{i}.{n}" for n in range(WIDTH)) for i in range(3)]
    path.write_text("\n".join(["  ".join(f"c{n}" for n in range(WIDTH)), *rows]) + "\n", encoding="utf-8")
    (table,) = TextReader(asked=ASKED).read_tables(path, FileSettings())
    assert (len(table.columns), table.left_out) == (WIDTH, ())
