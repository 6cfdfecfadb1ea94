"""``diffbench guide``: what a user reads, in the terminal or in a browser."""

from __future__ import annotations

from pathlib import Path

import click

from diffbench.cli.options import PATH, json_option
from diffbench.cli.terminal import colour, print_json, print_text, width


@click.command(epilog="Example: diffbench guide papers")
@click.argument("topic", required=False)
@click.option(
    "--html",
    "folder",
    type=PATH,
    help="Write all pages into this folder, linked and searchable, for a browser.",
)
@json_option("Print the topics, the page or what was written as JSON.")
def guide(topic: str | None, folder: Path | None, as_json: bool) -> None:
    """Show the page of the guide on TOPIC; without one, list the topics."""
    from diffbench.guide import pages

    if folder is not None:
        if topic is not None:
            raise click.UsageError("--html writes all pages: leave the topic out.")
        from diffbench.guide.site import write_site

        written = write_site(folder)
        start = folder / "index.html"
        if as_json:
            print_json({"start": str(start), "written": [str(path) for path in written]})
        else:
            print_text(f"Written: {len(written)} files. Open {start} in a browser.")
    elif topic is not None:
        page = pages.page(topic)
        if as_json:
            told = {"topic": page.topic, "title": page.title, "summary": page.summary, "markdown": page.text}
            print_json(told)
            return
        from diffbench.guide.terminal import as_text

        print_text(as_text(page.text, width=width(), colour=colour()), styled=True)
    else:
        every = pages.every()
        if as_json:
            listed = [{"topic": one.topic, "title": one.title, "summary": one.summary} for one in every]
            print_json(listed)
            return
        longest = max(len(one.topic) for one in every)
        print_text("\n".join(f"{one.topic.ljust(longest)}  {one.summary}" for one in every))
        print_text(
            "\nRead one by 'diffbench guide TOPIC', or all in a browser by 'diffbench guide --html DIR'."
        )
