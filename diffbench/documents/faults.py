"""From what the models find wrong to faults that a user can mend."""

from __future__ import annotations

import difflib
import re
import typing
from collections.abc import Iterator

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from diffbench.documents.fields import Table
from diffbench.documents.lines import key_lines, line_of
from diffbench.documents.refusals import REFUSAL, Location
from diffbench.errors import Fault, Place

_WANTED = {
    "string_type": ("a text is wanted", "write it in quotes"),
    "string_too_short": ("the text is empty", "write it, or leave the key out"),
    "int_type": ("a whole number is wanted", "write it without quotes and decimal point"),
    "bool_type": ("true or false is wanted", "write true or false, without quotes"),
    "dict_type": ("a table is wanted", "write a table with keys of its own"),
    "model_type": ("a table is wanted", "write a table with keys of its own"),
    "model_attributes_type": ("a table is wanted", "write a table with keys of its own"),
    "tuple_type": ("a list of tables is wanted", "write a heading in double brackets for each, [[run]]"),
    "too_short": ("the list is empty", "name at least one recording under [[run]]"),
}


def faults_of(error: ValidationError, model: type[Table], file: str, text: str) -> list[Fault]:
    """Return every fault that the validation of a document has found, in the order of the file.

    Parameters
    ----------
    error : ValidationError
        From pydantic.
    model : type
        The document's model.
    file : str
        Name of the file for the messages.
    text : str
        The TOML text, to find lines in.

    Returns
    -------
    Faults with file, dotted key, line where one can be found, and mend.
    """
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
        what, mend = _words(detail, model)
        faults.append(Fault(what, Place(file, line_of(location, lines), key=dotted(location)), mend))
    return sorted(faults, key=lambda fault: fault.place.line or 0)


def dotted(location: Location) -> str:
    """Return a location as a user reads it: the third run is ``run[3]``.

    Parameters
    ----------
    location : Location
        Keys, and positions counted from 0.

    Returns
    -------
    The dotted key.

    Examples
    --------
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
    """Return what is wrong and the mend of one pydantic error."""
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
        words = (f"{what}, here is {detail['input']!r}", mend)
    return words


def _no_choice(written: str, expected: str) -> tuple[str, str]:
    """Return the words for a value that is none of those its key may have."""
    choices = re.findall(r"'([^']*)'", expected)
    near = difflib.get_close_matches(written, choices, n=1)
    if near:
        return f"'{written}' is no known value", f"write '{near[0]}'"
    return f"'{written}' is no known value", f"write {expected}"


def _unknown(key: str, location: Location, model: type[Table]) -> tuple[str, str]:
    """Return the words for a key that its table does not know: the nearest one, or where the key belongs."""
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
    far = difflib.get_close_matches(key, [name for _, name in everywhere], n=1, cutoff=0.75)
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
    """Return the keys that the table around a key knows."""
    table = _table_at(model, location[:-1])
    return [] if table is None else _keys(table)


def _nearest(location: Location, model: type[Table]) -> str | None:
    """Return the key of the same table that an unknown one looks most like."""
    return next(iter(difflib.get_close_matches(str(location[-1]), _known(location, model), n=1)), None)


def _missing(key: str, location: Location, model: type[Table]) -> tuple[str, str]:
    """Return the words for a key that must be there, with an example of it."""
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
    if isinstance(example, str):
        return what, f'add it, for example {key} = "{example}"'
    if isinstance(example, int):
        return what, f"add it, for example {key} = {example}"
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
    """Return the model that an annotation holds, whatever container or alternative is around it."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for part in typing.get_args(annotation) if (found := _inner(part)) is not None), None)


def _table_at(model: type[BaseModel], location: Location) -> type[BaseModel] | None:
    """Return the model of the table at a location."""
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
