"""A page in a terminal, letter by letter: wrapped, numbered, in columns. Counted by hand."""

from __future__ import annotations

import pytest

from diffbench.guide import as_text

PAGE = """# A heading that is much too long for one line of it

## Second

### Third

A-word-with-hyphens is here, and-another-with-many-hyphens too, abcdefghijklmnopqrstuvwxyzabcdefghijklmno.

<!-- a comment -->

```text
code  line
  more
```

- one *two*
  three
- a [link](https://example.org) and <https://example.org/a>

1. first, which is long enough to be wrapped to a second line
2. [here](#place), [units](units.md#x), ![a curve](a.svg)
"""
SHOWN = """A heading that is much too long for one
line of it
=======================================

Second
------

Third

A-word-with-hyphens is here,
and-another-with-many-hyphens too,
abcdefghijklmnopqrstuvwxyzabcdefghijklmno.

    code  line
      more

- one two three
- a link <https://example.org> and
  https://example.org/a

1. first, which is long enough to be
   wrapped to a second line
2. here, units (diffbench guide units),
   [Picture: a curve]"""


@pytest.mark.parametrize("width", [10, 40])
def test_a_page_is_wrapped_to_forty_columns_or_more(width: int) -> None:
    """A word too long for its line is left whole, and so are words with hyphens: a key could be one."""
    assert as_text(PAGE, width=width, colour=False) == SHOWN


def test_at_the_width_a_line_is_whole() -> None:
    line = "the line is just as long as the terminal "  # 41 with its blank
    assert as_text(f"{line}x", width=42, colour=False) == f"{line}x"
    assert as_text(f"{line}x", width=41, colour=False) == f"{line.rstrip()}\nx"


def test_headings_are_bold_and_code_is_cyan() -> None:
    """Whole lines: the rule below a heading is not styled (ECMA-48: 1 is bold, 36 cyan, 0 ends both)."""
    text = as_text("## A\n\n```text\nb\n  c\n```\n\n| d |\n|---|\n| e |\n", width=40, colour=True)
    bold, cyan, end = "\x1b[1m", "\x1b[36m", "\x1b[0m"
    assert text == f"{bold}A{end}\n-\n\n{cyan}    b{end}\n{cyan}      c{end}\n\n{bold}d{end}\n-\ne"


def table(*rows: str) -> str:
    """Markdown of a table whose cells are parted by commas."""
    lines = ["|".join(["", *row.split(","), ""]) for row in rows]
    return "\n".join([lines[0], "|---" * len(rows[0].split(",")) + "|", *lines[1:]])


X, Y = "x" * 60, "y" * 60


@pytest.mark.parametrize(
    ("rows", "shown"),
    [
        (  # 25 and 13 and the gap of two: just as wide as the terminal
            ("a,b", f"{X[:25]},{Y[:13]}", "u,"),
            (f"a{'':26}b", f"{'-' * 25}  {'-' * 13}", f"{X[:25]}  {Y[:13]}", "u"),
        ),
        (  # the widest is shortened first, by one at a time; a word of more than 24 is broken
            ("a,b", f"{X[:27]},{Y[:13]}", "u,"),
            (f"a{'':26}b", f"{'-' * 25}  {'-' * 13}", f"{X[:25]}  {Y[:13]}", X[:2], "u"),
        ),
        (  # that gives way first to a word that is not
            ("a,b", f"{X[:25]},{Y[:14]}"),
            (f"a{'':25}b", f"{'-' * 24}  {'-' * 14}", f"{X[:24]}  {Y[:14]}", "x"),
        ),
        (  # of two that could, the wider one; a word with hyphens is whole
            ("a,b", "xx xx xx xx xx,yyyyy yyyyyyy yyyyy-yyyyyy yyyyy"),
            (
                f"a{'':15}b",
                f"{'-' * 14}  {'-' * 24}",
                "xx xx xx xx xx  yyyyy yyyyyyy",
                f"{'':16}yyyyy-yyyyyy yyyyy",
            ),
        ),
        (("a,b",), ("a  b", "-  -")),
        (  # one of 24 is not: the other gives way, though it is the narrower one
            ("a,b", f"{X[:24]},yyyy yyyy yyyyy", "u,v"),
            (f"a{'':25}b", f"{'-' * 24}  {'-' * 14}", f"{X[:24]}  yyyy yyyy", f"{'':26}yyyyy", f"u{'':25}v"),
        ),
        (  # down to eight columns
            ("a,b,c", f"{X[:20]},yy yyy yyy yyy,{Y[:8]}"),
            (
                f"a{'':21}b{'':9}c",
                f"{'-' * 20}  {'-' * 8}  {'-' * 8}",
                f"{X[:20]}  yy yyy    {Y[:8]}",
                f"{'':22}yyy yyy",
            ),
        ),
        (  # and not to seven: row below row; a cell without a heading is shown, one without a text is not
            ("a,b,", f"{X[:21]},yy yyy yyy yyy,{Y[:8]}", f"u,,{Y[:42]}", "v w,b c,"),
            (
                X[:21],
                "  b: yy yyy yyy yyy",
                f"  {Y[:8]}",
                "u",
                f"  {Y[:38]}",
                f"    {Y[:4]}",
                "v w",
                "  b: b c",
            ),
        ),
    ],
)
def test_a_table_has_columns_while_they_fit(rows: tuple[str, ...], shown: tuple[str, ...]) -> None:
    assert as_text(table(*rows), width=40, colour=False) == "\n".join(shown)


def test_stacked_rows_have_a_bold_heading() -> None:
    rows = as_text(table(f"a,{X[:24]}", f"{X[:24]},b"), width=40, colour=True)
    assert rows == f"\x1b[1m{X[:24]}\x1b[0m\n  {X[:24]}: b"
