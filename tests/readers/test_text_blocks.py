"""Bytes to lines: encodings, line ends, and files cut at the worst places."""

from __future__ import annotations

import pytest

from diffbench.errors import ReadingError

TEXT = "t;W °\n0;°\n1;é€\n2;b\n"


def rows_of(table):
    """Line number and cells of every row."""
    return list(zip(table.rows.tolist(), *(column.values.tolist() for column in table.columns), strict=True))


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "cp1252"]
)
@pytest.mark.parametrize("block_size", [11, 12, 13, 17, 24, 32, 40, 1 << 20])
def test_every_encoding_is_found_out_whatever_the_blocks(read_text, encoding, block_size):
    if encoding.startswith("utf-16") or encoding == "utf-32":
        block_size *= 4
    table = read_text(TEXT.encode(encoding), block_size=block_size)
    assert [column.name for column in table.columns] == ["t", "W °"]
    assert rows_of(table) == [(2, 0.0, "°"), (3, 1.0, "é€"), (4, 2.0, "b")]


@pytest.mark.parametrize(
    ("end", "block_size"), [("\r", 10), ("\r\n", 10), ("\r\n", 11), ("\r\n", 12), ("\r", 400)]
)
def test_every_line_end_counts_once(read_text, end, block_size):
    table = read_text(end.join(["t;M", "0;1", "", "1;2", "2;3", ""]), block_size=block_size)
    assert rows_of(table) == [(2, 0.0, 1.0), (4, 1.0, 2.0), (5, 2.0, 3.0)]


def test_ascii_for_long_then_a_code_page_is_the_code_page(read_text):
    table = read_text(b"t;W\n" + b"0;a\n" * 100 + "1;°\n".encode("cp1252"), block_size=64)
    assert rows_of(table)[-1] == (102, 1.0, "°")
    assert table.details["encoding"] == "cp1252"


def test_utf_8_for_long_then_another_encoding_is_refused_with_its_line(read_text):
    with pytest.raises(ReadingError) as caught:
        read_text(b"t;W\n" + "0;°\n".encode() * 100 + "1;°\n".encode("cp1252"), block_size=64)
    assert caught.value.faults[0].place.line == 102


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_half_a_character_at_the_end_is_a_recording_cut_off(read_text, encoding):
    table = read_text("t;W\n0;a\n1;°C €".encode(encoding)[:-1])
    assert rows_of(table) == [(2, 0.0, "a"), (3, 1.0, "°C ")]
    assert table.last_line is not None


def test_half_a_pair_of_utf_16_in_the_middle_is_refused(read_text):
    content = "t;W\n0;1\n1;".encode("utf-16") + b"\x00\xd8" + "2\n".encode("utf-16-le")
    with pytest.raises(ReadingError, match="is no text in the encoding utf-16-le") as caught:
        read_text(content)
    assert caught.value.faults[0].place.line == 3


def test_an_encoding_that_is_none_of_text_is_refused(read_text):
    """Names of hosts are coded so (RFC 3490), whole ones; papers refuse what is no encoding at all."""
    with pytest.raises(ReadingError, match="which is none of text"):
        read_text(b"t;M\n0;1\n", encoding="idna")


def test_a_line_longer_than_a_block_is_refused(read_text):
    with pytest.raises(ReadingError, match="longer than 64 bytes") as caught:
        read_text(b"t;M\n0;1\n" + b"9" * 500 + b"\n", block_size=64)
    assert caught.value.faults[0].place.line == 3
