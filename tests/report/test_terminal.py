"""Lines of a given width."""

from __future__ import annotations

from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from diffbench.report import Document, Section, Sentence, Table, item, text_of
from diffbench.report.terminal import columns_of, lines_of, table, wrapped

LOOKS: tuple[dict[str, Any], ...] = (
    {},
    {"flush": (1,)},
    {"flush": (1, 2), "named": (2,)},
    {"point": (1,), "firsts": "once"},
    {"point": (1, 2), "firsts": "above", "named": (1, 2)},
)
WORDS = st.text(st.characters(codec="utf-8", exclude_categories=["C", "Z"]), min_size=1, max_size=30)


@given(words=st.lists(WORDS, max_size=20), width=st.integers(12, 120))
def test_wrapping_loses_nothing_and_keeps_the_width(words: list[str], width: int) -> None:
    """Every character comes out once and in order, and no line is wider than asked for."""
    lines = wrapped(" ".join(words), width, first="- ")
    assert all(columns_of(line) <= width for line in lines)
    assert "".join("".join(lines).split()) == "".join(["-", *"".join(words).split()])


def test_number_and_unit_stay_together() -> None:
    """A line does not break between a number and its unit, nor around plus-minus."""
    lines = wrapped("the preload torque is 83.2 ± 1.3 N·m today", 28)
    assert any("83.2 ± 1.3 N·m" in line for line in lines)


def test_long_words_are_broken() -> None:
    """A word longer than a line is broken instead of running out of it."""
    assert wrapped("a" * 25, 12, first="> ") == ["> " + "a" * 10, "  " + "a" * 10, "  " + "a" * 5]


def test_items_hang() -> None:
    """The second line of an entry stands under the first word of its first."""
    first, second = lines_of(item("one two three four five six"), 20)
    assert first.index("one") == len(second) - len(second.lstrip())


def test_tables_align_and_wrap_their_last_column() -> None:
    """Columns begin at one place in every row, and the last one wraps under itself."""
    lines = table([("a", "first of all things that wrap"), ("longer", "x")], 24)
    assert {
        line.index(word)
        for line, word in zip(lines, ("first", "things", "wrap", "x"), strict=False)
        if word in line
    } == {10}
    assert lines[-1] == "  longer  x"


def test_no_rows_no_lines() -> None:
    """An empty table is nothing, not an error."""
    assert table([], 80) == []


def test_an_empty_section_takes_its_heading_along() -> None:
    """A heading over nothing is not printed, and only what is printed is set apart."""
    none = Section("Limits", (Table("Limits", ("", "N·m"), ()),))
    text = text_of(
        Document("", (none, Section("Found", (item("a gap"),)), Section(blocks=(Sentence("End."),)))), 40
    )
    assert text == "Found\n  - a gap\n\nEnd."


def test_headings_go_where_there_is_no_room_for_them() -> None:
    """With room a row of headings; without, the cells that would say nothing alone bear theirs."""
    limits = Table(
        "Limits", ("", "value", "limits"), (("preload torque", "81.7", "70 to 90 N·m"),), named=(2,)
    )
    assert lines_of(limits, 60)[0].split() == ["value", "limits"]
    assert lines_of(limits, 30) == ["  preload torque", "    81.7; limits 70 to 90 N·m"]


def test_headings_stay_where_room_is_short() -> None:
    """One line where it fits, several where the cells are narrower than their headings, and else each cell
    bears its own; on no width is a number left without its heading."""
    head = ("", "preload torque, N·m", "chance within limits", "")
    rows = (("first shim", "81.7", "over 99 %", "advised"), ("other", "77", "40 %", ""))
    block = Table("", head, rows)
    for width, lines in ((72, 1), (44, 3)):
        text = lines_of(block, width)
        assert len(text) == lines + 2
        assert all(columns_of(line) <= width for line in text)
        assert {word for cell in head for word in cell.split()} <= set(" ".join(text[:lines]).split())
    narrow = " ".join(" ".join(lines_of(block, 30)).split())
    assert "preload torque, N·m 81.7; chance within limits over 99 %; advised" in narrow


def test_every_width_sets_tables_and_sentences() -> None:
    """Aligned, wrapped, with headings in rows or in cells, stacked: whatever fits, and no line too wide."""
    head = ("shim", "preload torque, N·m", "chance within limits", "remark")
    rows = (
        ("first shim of 0.25 mm", "81.7", "over 99 %", "advised by the spring's own line"),
        ("差動 other", "-7.25", "40 %", ""),
        ("差動 other", "1077", "", "beyond what was tested ± 1.3 N·m"),
    )
    for width in range(16, 121):
        for looks in LOOKS:
            block = Table("", head, rows, **looks)
            assert all(columns_of(line) <= width for line in lines_of(block, width))
        for aside in ("", "an aside", "86 % bench repeatability"):
            line = Sentence(
                "preload torque 83.2 N·m, 80.7 to 85.8", first="GOOD  ", aside=aside, tone="within"
            )
            lines = lines_of(line, width, colour=True)
            assert "preload" in " ".join(lines)
        assert table(rows, width, right=(1,)) or width < 20
