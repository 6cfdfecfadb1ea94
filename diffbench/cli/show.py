"""``diffbench show``: a characterisation again, in the terminal."""

from __future__ import annotations

from pathlib import Path

import click

from diffbench.cli.options import json_option
from diffbench.cli.terminal import print_text


@click.command(epilog="Example: diffbench show demo-result/characterisation.json")
@click.argument("characterisation", type=click.Path(path_type=Path))
@json_option("Print the document as JSON, checked.")
@click.option("--verbose", is_flag=True, help="All that lies behind the summary, too.")
def show(characterisation: Path, as_json: bool, verbose: bool) -> None:
    """Show a characterisation again, as fit printed it."""
    from diffbench.results.characterisation import load_characterisation

    result = load_characterisation(characterisation)
    if as_json:
        click.echo(result.to_json(), nl=False)
        return
    from diffbench.cli.terminal import colour, width
    from diffbench.report.summary import summary

    print_text(summary(result, colour=colour(), width=width(), verbose=verbose), styled=True)
