"""How a validator of a document says what is wrong, where, and how to mend it.

Pydantic's own messages never reach a user. A look at the whole (channels that an arrangement needs, two
columns of one name) is a wrap validator, since pydantic checks a model as a whole only when all its fields
are right, and all faults shall be told at once.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from pydantic import ValidationError
from pydantic_core import InitErrorDetails, PydanticCustomError

Location = tuple[str | int, ...]
Refusal = tuple[Location, str, str]  # where, what is wrong, how to mend it
Validated = TypeVar("Validated")

REFUSAL = "diffbench"  # type of the pydantic errors that carry their own mend


def refusal(what: str, mend: str) -> PydanticCustomError:
    """Return an error for a validator to raise, with its own mend.

    Parameters
    ----------
    what : str
        What is wrong.
    mend : str
        What to do about it.

    Returns
    -------
    The error; the loader turns it into a fault with file, key and line.

    Examples
    --------
    >>> print(refusal("'faces' is 0", "count the friction faces of one pack"))
    'faces' is 0
    """
    return PydanticCustomError(REFUSAL, "{what}", {"what": what, "mend": mend})


def refusals(title: str, found: list[Refusal]) -> ValidationError:
    """Return one error for several refusals at keys of their own.

    Parameters
    ----------
    title : str
        Name of the model.
    found : list of (location, what, mend)
        Location relative to the validator's own place.

    Returns
    -------
    The error, for a validator to raise.

    Examples
    --------
    >>> refusals("Rig", [(("channel",), "'left_torque' is missing", "describe it")]).error_count()
    1
    """
    details = [
        InitErrorDetails(type=refusal(what, mend), loc=location, input=None) for location, what, mend in found
    ]
    return ValidationError.from_exception_data(title, details)


def gathered(title: str, handler: Callable[[Any], Validated], data: Any, found: list[Refusal]) -> Validated:
    """Return the validated model, or raise the faults of its fields and those found in a look at the whole.

    Pydantic checks a model as a whole only when all its fields are right; a user wants all faults at once.

    Parameters
    ----------
    title : str
        Name of the model.
    handler : callable
        Pydantic's own validation, handed to a wrap validator.
    data : object
        What is validated.
    found : list of Refusal
        What the look at the whole has found.

    Returns
    -------
    What the handler returns.

    Raises
    ------
    ValidationError : with all of them.
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
