"""Public names of a room that are imported when they are first used: a room costs nothing to enter."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping, Sequence
from importlib import import_module
from typing import Any


def names_on_first_use(
    room: str, homes: Mapping[str, Sequence[str]]
) -> tuple[Callable[[str], Any], Callable[[], list[str]]]:
    """``__getattr__`` and ``__dir__`` of a package that shows names from modules which it imports late.

    Parameters
    ----------
    room : str
        Full name of the package, its ``__name__``.
    homes : Mapping of str to sequence of str
        Names by the module that defines them, which is named from the package on; a module that is itself
        shown stands with no names.

    Returns
    -------
    tuple of two callables
        To be bound to ``__getattr__`` and ``__dir__`` of the package.
    """
    modules = {name: f"{room}.{home}" for home, names in homes.items() for name in names or (home,)}

    def __getattr__(name: str) -> Any:  # noqa: N807 - what Python calls it
        if name not in modules:
            msg = f"module '{room}' has no attribute '{name}'"
            raise AttributeError(msg)
        module = import_module(modules[name])
        return module if modules[name] == f"{room}.{name}" else getattr(module, name)

    def __dir__() -> list[str]:  # noqa: N807 - what Python calls it
        return sorted(sys.modules[room].__all__)

    return __getattr__, __dir__
