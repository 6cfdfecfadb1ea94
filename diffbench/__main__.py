"""``python -m diffbench``: the command, where no script of that name is on the path."""

from __future__ import annotations

from diffbench.cli import main

if __name__ == "__main__":
    main(prog_name="diffbench")
