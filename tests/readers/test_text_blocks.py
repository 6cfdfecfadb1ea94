"""Bytes to lines: encodings, line ends, and files cut at the worst places."""

from __future__ import annotations

import pytest

from diffbench.errors import ReadingError
from diffbench.readers.text.blocks import TextBlocks

TEXT = "t;T [°C]\n0;1,5\n1;é€\n2;3\n"


def lines_of(path, encoding=None, block_size=1 << 20):
    """Return every line with its number, as the blocks give them."""
    found = []
    for block in TextBlocks(path, encoding, block_size=block_size):
        assert block.line_ends == block.data.count(b"\n")
        found += [(block.first_line + i, line) for i, line in enumerate(block.data.decode().splitlines())]
    return found


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "cp1252"]
)
@pytest.mark.parametrize("block_size", [11, 12, 13, 17, 24, 32, 40, 1 << 20])
def test_every_encoding_is_found_out_whatever_the_blocks(tmp_path, encoding, block_size):
    path = tmp_path / "log"
    path.write_bytes(TEXT.encode(encoding))
    if encoding.startswith("utf-16") or encoding == "utf-32":
        block_size *= 4
    assert lines_of(path, None, block_size) == list(enumerate(TEXT.splitlines(), 1))


@pytest.mark.parametrize(
    ("end", "block_size"), [("\r", 10), ("\r\n", 10), ("\r\n", 11), ("\r\n", 12), ("\r", 400)]
)
def test_every_line_end_counts_once(tmp_path, end, block_size):
    path = tmp_path / "log"
    path.write_bytes(end.join(["t;M", "0;1", "", "1;2", "2;3", ""]).encode())
    assert lines_of(path, None, block_size) == [(1, "t;M"), (2, "0;1"), (3, ""), (4, "1;2"), (5, "2;3")]


def test_ascii_for_long_then_a_code_page_is_the_code_page(tmp_path):
    path = tmp_path / "log"
    path.write_bytes(b"0;1\n" * 100 + "1;°\n".encode("cp1252"))
    assert lines_of(path, None, 64)[-1] == (101, "1;°")


def test_utf_8_for_long_then_another_encoding_is_refused_with_its_line(tmp_path):
    path = tmp_path / "log"
    path.write_bytes("0;°\n".encode() * 100 + "1;°\n".encode("cp1252"))
    with pytest.raises(ReadingError) as caught:
        lines_of(path, None, 64)
    assert caught.value.faults[0].place.line == 101


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_half_a_character_at_the_end_is_a_recording_cut_off(tmp_path, encoding):
    path = tmp_path / "log"
    path.write_bytes("0;1\n1;°C €".encode(encoding)[:-1])
    assert lines_of(path)[-1] == (2, "1;°C ")


def test_half_a_pair_of_utf_16_in_the_middle_is_refused(tmp_path):
    path = tmp_path / "log"
    path.write_bytes("0;1\n1;".encode("utf-16") + b"\x00\xd8" + "2\n".encode("utf-16-le"))
    with pytest.raises(ReadingError, match="is no text in the encoding utf-16-le") as caught:
        lines_of(path)
    assert caught.value.faults[0].place.line == 2


@pytest.mark.parametrize("encoding", ["no-such", "rot13"])
def test_an_encoding_that_is_none_of_text_is_refused(tmp_path, encoding):
    path = tmp_path / "log"
    path.write_bytes(b"0;1\n")
    with pytest.raises(ReadingError, match="which is none of text"):
        lines_of(path, encoding)


def test_a_line_longer_than_a_block_is_refused(tmp_path):
    path = tmp_path / "log"
    path.write_bytes(b"0;1\n" + b"9" * 500 + b"\n")
    with pytest.raises(ReadingError, match="longer than 64 bytes") as caught:
        lines_of(path, None, 64)
    assert caught.value.faults[0].place.line == 2
