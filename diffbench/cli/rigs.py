"""``diffbench rigs``: the described rigs that come with the package."""

from __future__ import annotations

import json
from importlib import resources
from pathlib import Path

import click

from diffbench.cli.options import json_option
from diffbench.cli.terminal import print_text


@click.command(epilog="Example: diffbench rigs --copy twin-output-cell --to my-rig.toml")
@click.option("--copy", "name", help="Name of a rig to copy.")
@click.option(
    "--to",
    "target",
    type=click.Path(path_type=Path),
    help="File to write the copy to; it must not exist. Without it the rig is printed.",
)
@json_option()
def rigs(name: str | None, target: Path | None, as_json: bool) -> None:
    """List the described rigs that come with diffbench, or copy one to start from."""
    from diffbench.errors import OutputError

    found = _described()
    if name is None:
        if target is not None:
            raise click.UsageError("--to needs the rig to copy: --copy NAME.")
        click.echo(json.dumps(sorted(found)) if as_json else "\n".join(sorted(found)))
        return
    if name not in found:
        raise OutputError.single(
            f"there is no rig '{name}'", key="--copy", mend=f"name one of {', '.join(sorted(found))}"
        )
    if target is not None:
        from diffbench.whole_files import write_file

        write_file(target, found[name].encode(), replace=False)
    if as_json:
        written = None if target is None else str(target)
        click.echo(json.dumps({"rig": name, "written": written, "toml": found[name]}, ensure_ascii=False))
    elif target is None:
        click.echo(found[name], nl=False)
    else:
        print_text(f"Written: {target}")


def _described() -> dict[str, str]:
    """Rigs by name: from the installed package, or from the source tree beside it."""
    inside = resources.files("diffbench") / "rigs"
    folder = Path(str(inside)) if inside.is_dir() else Path(__file__).resolve().parents[2] / "rigs"
    return {path.stem: path.read_text(encoding="utf-8") for path in sorted(folder.glob("*.toml"))}
