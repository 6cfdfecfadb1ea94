"""``diffbench schema NAME``: print the JSON Schema of a kind of document."""

from __future__ import annotations

import json

import click

from diffbench.cli.options import json_option


@click.command(epilog="Example: diffbench schema build > build.schema.json")
@click.argument("name", metavar="NAME")
@json_option("The same: a schema is JSON in any case.")
def schema(name: str, as_json: bool) -> None:
    """Print the JSON Schema (draft 2020-12) of NAME on standard output.

    NAME is rig, build, run or car, by which editors check and complete TOML files; or what diffbench writes:
    characterisation, map, manifest, conformity, comparison, repeatability or shim-advice.
    """
    from diffbench.documents.schemas import schema as schema_of

    del as_json  # every command takes it
    click.echo(json.dumps(schema_of(name), indent=2, ensure_ascii=False))
