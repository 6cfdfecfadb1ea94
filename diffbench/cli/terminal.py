"""What the terminal can show; and progress, on standard error."""

from __future__ import annotations

import json
import os
import re
import shutil
import sys
import time
from types import TracebackType
from typing import TYPE_CHECKING, Self

import click

from diffbench.plain_text import escaped

if TYPE_CHECKING:
    from diffbench.report.document import Document

_OUR_STYLES = re.compile(r"(\x1b\[[0-9;]*m)")
WIDEST = 100  # columns of a summary: more are hard to read


def at_a_terminal() -> bool:
    """Whether a person sits there, who can be asked."""
    return sys.stdin.isatty() and sys.stdout.isatty()


def colour() -> bool:
    """Whether styles may be printed: only to a terminal, and never against NO_COLOR (no-color.org)."""
    return sys.stdout.isatty() and not os.environ.get("NO_COLOR")


def width() -> int:
    """Columns of a summary: the terminal's as far as they are of use; the most of use in a file, where
    nothing cuts lines."""
    return min(shutil.get_terminal_size((WIDEST, 24)).columns, WIDEST) if sys.stdout.isatty() else WIDEST


def print_text(text: str, *, err: bool = False, styled: bool = False) -> None:
    """Print lines for people, on standard error if ``err``: what came from files steers nothing. Styles of
    ours (SGR, ECMA-48) stay where the text is ``styled``, and nothing else."""
    parts = _OUR_STYLES.split(text) if styled else [text]
    safe = [
        part if styled and i % 2 else "\n".join(escaped(line) for line in part.split("\n"))
        for i, part in enumerate(parts)
    ]
    click.echo("".join(safe), err=err)


def tell(document: Document, *, styled: bool = False) -> None:
    """Print a document for people; ``styled`` where the terminal shows styles."""
    from diffbench.report.terminal import text_of

    print_text(text_of(document, width(), colour=styled and colour()), styled=styled)


def print_json(found: object, *, indent: int | None = None) -> None:
    """Print what JSON can hold, alone on standard output."""
    click.echo(json.dumps(found, ensure_ascii=False, allow_nan=False, indent=indent))


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
