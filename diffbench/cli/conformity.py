"""``diffbench conformity``: a build against every limit of its sheet."""

from __future__ import annotations

from pathlib import Path

import click

from diffbench.cli.options import json_option
from diffbench.cli.terminal import print_text


@click.command(epilog="Example: diffbench conformity demo-result")
@click.argument("result", type=click.Path(path_type=Path))
@json_option()
def conformity(result: Path, as_json: bool) -> None:
    """Whether a build conforms to the limits of its sheet (ISO 14253-1), with guard bands.

    RESULT is a characterisation, a folder of results, or a run sheet, which is fitted first. Exit status: 0
    done; 1 done, and a limit is proven to be broken; 2 a file or an option is wrong.
    """
    from diffbench.cli.options import result_of
    from diffbench.results.conformity import conformity as judged

    found = judged(result_of(result, quiet=as_json))
    if as_json:
        click.echo(found.to_json(), nl=False)
    else:
        from diffbench.cli.terminal import width
        from diffbench.report.conformity import conformity_summary

        print_text(conformity_summary(found, width=width()))
    if found.outcome == "not conforming":
        raise SystemExit(1)
