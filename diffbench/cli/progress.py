"""One line of progress on standard error, overwritten in place."""

from __future__ import annotations

import time
from types import TracebackType
from typing import Self

import click


class Progress:
    """A context manager that is called with a line of text now and then; silent unless ``enabled``."""

    def __init__(self, *, enabled: bool) -> None:
        self._enabled = enabled
        self._width = 0
        self._begun = time.monotonic()

    def __enter__(self) -> Self:
        return self

    def __call__(self, text: str) -> None:
        if not self._enabled:
            return
        line = f"{time.monotonic() - self._begun:5.1f} s  {text}"[:99]
        click.echo("\r" + line.ljust(self._width), nl=False, err=True)
        self._width = len(line)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._enabled and self._width:
            click.echo("\r" + " " * self._width + "\r", nl=False, err=True)
