"""Delimited text: bytes, cells, layout, table, and the reader that puts them together."""
