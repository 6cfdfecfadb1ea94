"""How results show themselves in a notebook: by what draws them, which lies above them.

The package itself, above all, says what that is; results know no more than that there may be one.
"""

from __future__ import annotations

from importlib import import_module

__all__ = ["FACES", "ShowsItself"]

#: Module and function that gives the HTML of each class, by the name of the class.
FACES: dict[str, str] = {}


class ShowsItself:
    """What a notebook shows as its face in `FACES`, and as its text where it has none."""

    def _repr_html_(self) -> str | None:
        module, _, name = FACES.get(type(self).__name__, "").partition(":")
        if not module:
            return None
        html: str = getattr(import_module(module), name)(self)
        return html
