"""Keys are found on their lines, whatever TOML allows around them."""

from __future__ import annotations

import tomllib

import pytest
from pydantic import BaseModel, ValidationError

from diffbench.documents import Rig
from diffbench.documents.faults import dotted, faults_of, key_lines, line_of

TEXT = """\
# a comment = 1
top = "with ] and # in it"
long = [
  1, # ] not the end
  "x = 2",
]
text = '''
inside = 1
[not.a.table]
'''
[a]
"quoted key" = 1
b.c = 2
inline = { value = 1, u = 2 }

  [ a . deep ]   # a comment
  d = 1
[[run]]
file = "1"
[[run]]
file = "2"
[run.sub]
e = 1
[x.y]
f = 1
g = \"\"\"one line\"\"\"
h = [[1, 2], [{ i = 3 }], [
4], []]
j = 5
"""
WHERE = [
    (("top",), 2),
    (("long",), 3),
    (("text",), 7),
    (("a",), 11),
    (("a", "quoted key"), 12),
    (("a", "b", "c"), 13),
    (("a", "b"), 13),
    (("a", "inline", "u"), 14),
    (("a", "deep"), 16),
    (("a", "deep", "d"), 17),
    (("run",), 18),
    (("run", 0, "file"), 19),
    (("run", 1, "file"), 21),
    (("run", 1, "missing"), 20),
    (("run", 1, "sub", "e"), 23),
    (("x", "missing"), 24),
    (("x", "y", "h"), 27),
    (("x", "y", "j"), 29),
    (("missing",), None),
]


@pytest.mark.parametrize(("location", "line"), WHERE)
def test_a_key_stands_on_its_line(location: tuple[str | int, ...], line: int | None) -> None:
    assert line_of(location, key_lines(TEXT)) == line


def test_every_line_found_is_a_key_of_the_document() -> None:
    parsed = tomllib.loads(TEXT)
    for location in key_lines(TEXT):
        at: object = parsed
        for part in location:
            at = at[part]  # type: ignore[index]
        assert at is not None


def test_positions_are_counted_from_1_for_people() -> None:
    assert dotted(("run", 0, "kind")) == "run[1].kind"
    assert dotted(("channel", "left_torque", "lag", "u")) == "channel.left_torque.lag.u"
    assert dotted(()) == ""


def test_a_key_that_stands_nowhere_is_told_before_the_first_line() -> None:
    text = 'name = 3\nformat = "diffbench-rig/1"\n[channel.left_torque]\ncolumn = "L"\n'
    with pytest.raises(ValidationError) as caught:
        Rig.model_validate(tomllib.loads(text))
    told = [(fault.place.line, fault.place.key) for fault in faults_of(caught.value, Rig, "x.toml", text)]
    assert told == [(None, "arrangement"), (1, "name")]


def test_a_missing_key_that_nothing_describes_is_named_alone() -> None:
    class Bare(BaseModel):
        turns: int

    with pytest.raises(ValidationError) as caught:
        Bare.model_validate({})
    (fault,) = faults_of(caught.value, Bare, "x.toml", "")
    assert fault.what == "'turns' is missing"
