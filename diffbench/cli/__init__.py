"""The command line: one module per command, loaded when it is called."""

from __future__ import annotations

from diffbench.cli.group import main

__all__ = ["main"]
