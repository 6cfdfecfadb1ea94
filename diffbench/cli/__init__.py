"""The command line: commands about one thing in a module, loaded when one is called."""

from __future__ import annotations

from diffbench.cli.group import COMMANDS, EXIT_STATUSES, main

__all__ = ["COMMANDS", "EXIT_STATUSES", "main"]
