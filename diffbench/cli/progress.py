"""Progress on standard error: one line overwritten in place, or every step on a line of its own."""

from __future__ import annotations

import time
from types import TracebackType
from typing import Self

import click

from diffbench.plain_text import escaped


class Progress:
    """A context manager that is called with a line of text now and then; silent unless ``enabled``, and with
    every step on a line of its own where it is ``verbose``."""

    def __init__(self, *, enabled: bool, verbose: bool = False) -> None:
        self._enabled = enabled and not verbose
        self._verbose = verbose
        self._width = 0
        self._begun = time.monotonic()

    def __enter__(self) -> Self:
        return self

    def __call__(self, text: str) -> None:
        text = escaped(text)
        if self._verbose:
            click.echo(f"{time.monotonic() - self._begun:7.2f} s  {text}", err=True)
        if not self._enabled:
            return
        line = f"{time.monotonic() - self._begun:5.1f} s  {text}"[:99]
        click.echo("\r" + line.ljust(self._width), nl=False, err=True)
        self._width = len(line)

    def clear(self) -> None:
        """Take the line away, so that something else may be printed."""
        if self._enabled and self._width:
            click.echo("\r" + " " * self._width + "\r", nl=False, err=True)
            self._width = 0

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.clear()
