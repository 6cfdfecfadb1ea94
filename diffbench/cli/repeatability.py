"""``diffbench repeatability``: what a refit to the bench moves."""

from __future__ import annotations

from pathlib import Path

import click

from diffbench.cli.options import json_option
from diffbench.cli.terminal import print_text


@click.command(epilog="Example: diffbench repeatability fixtures/repeats")
@click.argument("results", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="RUNSHEET...")
@json_option()
def repeatability(results: tuple[Path, ...], as_json: bool) -> None:
    """Repeatability of a bench (ISO 5725-2) from visits between which the unit was refitted.

    Names run sheets, a folder of them, or characterisations of visits that were fitted each by itself. Prints
    standard deviation and limit of each quantity, Cochran's and Grubbs' tests for outlying repeats, and the
    table for the rig file.
    """
    from diffbench.answers.repeatability import repeatability as repeated
    from diffbench.cli.options import results_of

    found = results_of(results, quiet=as_json)
    result = repeated([one for _, one in found], names=[str(path) for path, _ in found])
    if as_json:
        click.echo(result.to_json(), nl=False)
        return
    from diffbench.cli.terminal import width
    from diffbench.report.repeatability import repeatability_summary

    print_text(repeatability_summary(result, width=width()))
