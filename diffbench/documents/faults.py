"""How a document says what is wrong, where, and how to mend it: from what its models find to faults.

Pydantic's own messages never reach a user. A look at the whole (channels that an arrangement needs, two
columns of one name) is a wrap validator, since pydantic checks a model as a whole only when all its fields
are right, and all faults shall be told at once. On which line a key stands is found here, too: the TOML
parser of the standard library does not say.
"""

from __future__ import annotations

import difflib
import json
import re
import typing
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails, InitErrorDetails, PydanticCustomError

from diffbench.errors import Fault, Place

if TYPE_CHECKING:
    from diffbench.documents.fields import Table

Location = tuple[str | int, ...]
Refusal = tuple[Location, str, str]  # where, what is wrong, how to mend it
Validated = TypeVar("Validated")

REFUSAL = "diffbench"  # type of the pydantic errors that carry their own mend


def refusal(what: str, mend: str) -> PydanticCustomError:
    """An error with its own mend, for a validator to raise; loading turns it into a fault with its place.

    >>> print(refusal("'faces' is 0", "count the friction faces of one pack"))
    'faces' is 0
    """
    return PydanticCustomError(REFUSAL, "{what}", {"what": what, "mend": mend})


def refusals(title: str, found: list[Refusal]) -> ValidationError:
    """One error for several refusals at places relative to the validator's own; ``title`` names the model.

    >>> refusals("Rig", [(("channel",), "'left_torque' is missing", "describe it")]).error_count()
    1
    """
    details = [
        InitErrorDetails(type=refusal(what, mend), loc=location, input=None) for location, what, mend in found
    ]
    return ValidationError.from_exception_data(title, details)


def each_file_once(files: Sequence[str]) -> None:
    """Refuse recordings that are named twice."""
    twice = sorted({file for file in files if files.count(file) > 1})
    if twice:
        raise refusal(
            f"{' and '.join(twice)} stands here more than once, and would be counted as often",
            "name every recording once",
        )


def gathered(title: str, handler: Callable[[Any], Validated], data: Any, found: list[Refusal]) -> Validated:
    """The validated model, or one error with the faults of its fields and those ``found`` in a look at the
    whole.

    Pydantic checks a model as a whole only when all its fields are right; a user wants all faults at once.
    ``handler`` is pydantic's own validation, handed to a wrap validator.
    """
    if not found:
        return handler(data)
    details = refusals(title, found).errors()
    try:
        handler(data)
    except ValidationError as error:
        details = error.errors() + details
    raise ValidationError.from_exception_data(
        title,
        [
            InitErrorDetails(
                type=PydanticCustomError(
                    detail["type"], "{message}", {**detail.get("ctx", {}), "message": detail["msg"]}
                ),
                loc=detail["loc"],
                input=detail["input"],
            )
            for detail in details
        ],
    )


_HEADING = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(
    r"""\s*((?:[A-Za-z0-9_\-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_\-]+|"[^"]*"|'[^']*'))*)\s*=(.*)"""
)
_PART = re.compile(r"""[A-Za-z0-9_\-]+|"[^"]*"|'[^']*'""")
_STRINGS_AND_COMMENTS = re.compile(r"""\"(?:\\.|[^"\\])*\"|'[^']*'|\#.*""")


def key_lines(text: str) -> dict[Location, int]:
    """Line from 1 of every table heading and of every key at the start of a line, by location (keys, and
    positions in arrays of tables). Keys inside an inline table stand on the line of the key that holds it.

    >>> key_lines('unit = "D07"\\n[packs]\\nfaces = 5\\n')[("packs", "faces")]
    3
    """
    lines: dict[Location, int] = {}
    table: Location = ()
    counts: dict[Location, int] = {}
    depth = 0  # of brackets that an array or an inline table has left open
    quotes = ""  # of a text that runs over several lines
    for number, line in enumerate(text.splitlines(), start=1):
        if quotes:
            quotes = "" if quotes in line else quotes
            continue
        rest = line
        if depth == 0:
            heading = _HEADING.fullmatch(line)
            if heading is not None:
                table = _location(heading.group(2), counts)
                if heading.group(1) == "[[":
                    counts[table] = counts.get(table, -1) + 1
                    table = (*table, counts[table])
                lines.setdefault(table, number)
                continue
            key = _KEY.match(line)
            if key is None:
                continue
            lines.setdefault((*table, *_parts(key.group(1))), number)
            rest = key.group(2)
        for mark in ('"""', "'''"):
            if rest.count(mark) % 2:
                quotes = mark
        bare = _STRINGS_AND_COMMENTS.sub("", rest)
        depth += sum(bare.count(mark) for mark in "[{") - sum(bare.count(mark) for mark in "]}")
    return lines


def line_of(location: Location, lines: dict[Location, int]) -> int | None:
    """Line of a key, or of the nearest table around it that has one; None for a key that is missing at the
    top of the document."""
    for length in range(len(location), 0, -1):
        if location[:length] in lines:
            return lines[location[:length]]
        # A table may have no heading of its own: its first key is where a reader finds it.
        inside = [line for at, line in lines.items() if at[:length] == location[:length]]
        if inside:
            return min(inside)
    return None


def _parts(text: str) -> tuple[str, ...]:
    return tuple(part.strip("\"'") for part in _PART.findall(text))


def _location(text: str, counts: dict[Location, int]) -> Location:
    """The location of a heading; inside an array of tables it is in the latest one."""
    location: Location = ()
    for part in _parts(text):
        location = (*location, counts[location], part) if location in counts else (*location, part)
    return location


_WANTED = {
    "string_type": ("a text is wanted", "write it in quotes"),
    "string_too_short": ("the text is empty", "write it, or leave the key out"),
    "int_type": ("a whole number is wanted", "write it without quotes and decimal point"),
    "bool_type": ("true or false is wanted", "write true or false, without quotes"),
    "dict_type": ("a table is wanted", "write a table with keys of its own"),
    "model_type": ("a table is wanted", "write a table with keys of its own"),
    "model_attributes_type": ("a table is wanted", "write a table with keys of its own"),
    "tuple_type": ("a list of tables is wanted", "write a heading in double brackets for each, [[run]]"),
    "too_short": (
        "no recording is named",
        'write for each recording a heading [[run]], and below it file = "sweep.csv", kind = "bias-sweep"',
    ),
}


def faults_of(error: ValidationError, model: type[Table], file: str, text: str) -> list[Fault]:
    """Every fault that the validation of a document has found, in the order of the file: ``text`` tells the
    lines, ``file`` is its name in messages."""
    lines = key_lines(text)
    faults = []
    details = error.errors(include_url=False)
    misspelt = {
        (*detail["loc"][:-1], near)
        for detail in details
        if detail["type"] == "extra_forbidden" and (near := _nearest(detail["loc"], model))
    }
    for detail in details:
        location = detail["loc"]
        if detail["type"] == "missing" and location in misspelt:
            continue  # its misspelling is a fault already
        if detail["type"] == "too_short" and any(
            len(d["loc"]) > len(location) and d["loc"][: len(location)] == location for d in details
        ):
            continue  # what is in the list is faulty, and is told
        what, mend = _words(detail, model)
        faults.append(Fault(what, Place(file, line_of(location, lines), key=dotted(location)), mend))
    return sorted(faults, key=lambda fault: fault.place.line or 0)


def dotted(location: Location) -> str:
    """A location as a user reads it, positions counted from 1.

    >>> dotted(("run", 2, "kind"))
    'run[3].kind'
    """
    text = ""
    for part in location:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            text += f".{part}" if text else part
    return text


def _words(detail: ErrorDetails, model: type[Table]) -> tuple[str, str]:
    """What is wrong and the mend of one pydantic error."""
    kind, location, context = detail["type"], detail["loc"], detail.get("ctx", {})
    key = str(location[-1]) if location else "the document"
    words = (detail["msg"], "see the schema of this document")
    if kind == REFUSAL:
        words = (context["what"], context["mend"])
    elif kind == "extra_forbidden":
        words = _unknown(key, location, model)
    elif kind == "missing":
        words = _missing(key, location, model)
    elif kind == "literal_error":
        words = _no_choice(str(detail["input"]), context["expected"])
    elif kind == "greater_than_equal":
        words = (f"{detail['input']} is below {context['ge']}", f"write {context['ge']} or more")
    elif kind in _WANTED:
        what, mend = _WANTED[kind]
        words = (f"{what}, here is {_written(detail['input'])}" if kind != "too_short" else what, mend)
        if kind == "too_short" and key != "run":
            words = (f"{key} is an empty list", "name what belongs there, or leave the key out")
    if detail["input"] == "" and kind != "extra_forbidden":
        words = _empty(key, location, model, words)
    return words


def _written(value: object) -> str:
    """What stands there, as a user wrote it; of a list or a table only that it is one."""
    if isinstance(value, list | tuple):
        return "a list"
    if isinstance(value, Mapping):
        return "a table"
    return f"'{value}'" if isinstance(value, str) else str(value)


_UNITS = {"torque": "N.m", "speed": "rpm", "temperature": "degC", "time": "s"}


def _empty(key: str, location: Location, model: type[Table], words: tuple[str, str]) -> tuple[str, str]:
    """The words for a text that a draft left empty: what it is, and how it is written."""
    table = _table_at(model, location[:-1])
    fields = {} if table is None else {f.alias or n: f for n, f in table.model_fields.items()}
    if key not in fields:
        return "the text is empty", words[1]
    field = fields[key]
    what, mend = _missing(key, location, model)
    if key == "unit" and location[0] == "channel":  # each has units of its own
        own = next((unit for word, unit in _UNITS.items() if word in str(location[-2])), None)
        mend = mend if own is None else f'write for example unit = "{own}"'
    told = what.removeprefix(f"'{key}' is missing").strip()
    mend = mend.replace("add it, for example", "write for example").replace("add ", "write ")
    return f"the text is empty {told}".strip(), mend + (
        "" if field.is_required() else ", or leave the key out"
    )


def _no_choice(written: str, expected: str) -> tuple[str, str]:
    """The words for a value that is none of those its key may have."""
    choices = re.findall(r"'([^']*)'", expected)
    near = difflib.get_close_matches(written, choices)
    if near:
        return f"'{written}' is no known value", f"write '{near[0]}'"
    return f"'{written}' is no known value", f"write {expected}"


def _unknown(key: str, location: Location, model: type[Table]) -> tuple[str, str]:
    """The words for a key that its table does not know: the nearest one, or where the key belongs."""
    what = f"'{key}' is no known key"
    near = _nearest(location, model)
    if near is not None:
        return what, f"write '{near}'"
    homes = [
        f"[{home}]" if home else "the top, above the first table"
        for home, keys in _tables(model)
        if key in keys
    ]
    if homes:
        return f"'{key}' does not belong here", f"move it to {' or '.join(homes)}"
    everywhere = [(home, name) for home, keys in _tables(model) for name in keys]
    far = difflib.get_close_matches(key, [name for _, name in everywhere], cutoff=0.75)
    if far:
        home = next(home for home, name in everywhere if name == far[0])
        return (
            what,
            f"'{far[0]}' in [{home}] is meant, perhaps"
            if home
            else f"'{far[0]}' at the top is meant, perhaps",
        )
    return what, "leave it out, or write one of " + ", ".join(_known(location, model))


def _known(location: Location, model: type[Table]) -> list[str]:
    """The keys that the table around a key knows."""
    table = _table_at(model, location[:-1])
    return [] if table is None else _keys(table)


def _nearest(location: Location, model: type[Table]) -> str | None:
    """The key of the same table that an unknown one looks most like."""
    return next(iter(difflib.get_close_matches(str(location[-1]), _known(location, model))), None)


def _missing(key: str, location: Location, model: type[Table]) -> tuple[str, str]:
    """The words for a key that must be there, with an example of it."""
    table = _table_at(model, location[:-1])
    field = (
        None
        if table is None
        else next((f for n, f in table.model_fields.items() if (f.alias or n) == key), None)
    )
    what = f"'{key}' is missing"
    if field is not None and field.description:
        what += f" ({field.description.partition(';')[0]})"  # what follows it is for the guide
    if field is None:
        return what, "add it"
    example = field.examples[0] if field.examples else None
    if isinstance(example, Mapping):
        example = example.get("value")  # without its uncertainty, which may be left out
    if example is not None and key != "run":
        return what, f"add it, for example {key} = {json.dumps(example, ensure_ascii=False)}"
    words = [word for word in typing.get_args(field.annotation) if isinstance(word, str)]
    if words:
        return what, f"add {key} = " + " or ".join(f'"{word}"' for word in words)
    return what, f"add the table [{key}]" if key != "run" else "add a table [[run]] for each recording"


def _keys(table: type[BaseModel]) -> list[str]:
    # A channel's `name` is its heading, not a key.
    return [
        field.alias or name
        for name, field in table.model_fields.items()
        if name != "name" or "column" not in table.model_fields
    ]


def _inner(annotation: object) -> type[BaseModel] | None:
    """The model that an annotation holds, whatever container or alternative is around it."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for part in typing.get_args(annotation) if (found := _inner(part)) is not None), None)


def _table_at(model: type[BaseModel], location: Location) -> type[BaseModel] | None:
    """The model of the table at a location."""
    table: type[BaseModel] | None = model
    keyed = False  # whether the next part is a name that the user chose, or a position
    for part in location:
        if keyed or isinstance(part, int):
            keyed = False
            continue
        field = None if table is None else table.model_fields.get(part)
        if field is None:
            return None
        table = _inner(field.annotation)
        keyed = typing.get_origin(field.annotation) is dict
    return table


def _tables(model: type[BaseModel], home: str = "") -> Iterator[tuple[str, list[str]]]:
    """Yield every table of a document with its keys."""
    yield home, _keys(model)
    for name, field in model.model_fields.items():
        inner = _inner(field.annotation)
        if inner is not None:
            named = f"{name}.NAME" if typing.get_origin(field.annotation) is dict else name
            yield from _tables(inner, f"{home}.{named}" if home else named)
