"""The group of commands: loads only the one that is called, answers a typo with the nearest name, and turns
errors into exit status 2.
"""

from __future__ import annotations

import difflib
import gc
import importlib
import io
import os
import sys
from typing import Any

import click

from diffbench.errors import DiffbenchError
from diffbench.one_thread import before_loading
from diffbench.plain_text import escaped


class SuggestingGroup(click.Group):
    """As click's own, with a hint where a command is not known."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        names = self.list_commands(ctx)
        if args and args[0] not in names and not args[0].startswith("-"):
            near = difflib.get_close_matches(args[0], names, n=1)
            hint = f" Did you mean '{near[0]}'?" if near else f" The commands are {', '.join(names)}."
            raise click.UsageError(f"There is no command '{args[0]}'.{hint}", ctx)
        return super().resolve_command(ctx, args)


#: Objects made before young ones are looked through, and how often older ones are.
COLLECTIONS = (100_000, 20, 50)
#: Command, module that holds it under the same name, and its line in the help: so that help loads no module.
COMMANDS = {
    "fit": ("diffbench.cli.fit", "Characterise a unit: run sheets in; numbers, map and page out."),
    "watch": ("diffbench.cli.watch", "Look at recordings and fit them while the bench runs."),
    "fit-all": ("diffbench.cli.fit_all", "Characterise every run sheet of a folder, on many processors."),
    "inspect": ("diffbench.cli.papers", "What is in a recording, and a draft of the rig for it."),
    "draft": ("diffbench.cli.papers", "Write a build sheet or a run sheet to fill in."),
    "schema": ("diffbench.cli.papers", "Print the JSON Schema of a document."),
    "show": ("diffbench.cli.results", "Show a characterisation again."),
    "history": (
        "diffbench.cli.history",
        "Keep characterisations of units and builds, and what was corrected.",
    ),
    "lookup": ("diffbench.cli.maps", "Look up a map at one place."),
    "export": ("diffbench.cli.maps", "Write a map in the file type of another tool."),
    "corner": ("diffbench.cli.corner", "Corner entry: what a unit or a ladder of preloads does."),
    "lap": ("diffbench.cli.lap", "Whether the car shows on a log what the bench says of its unit."),
    "split": ("diffbench.cli.maps", "How a unit splits its torque, and whether it slips."),
    "rebuild": ("diffbench.cli.maps", "What a unit would do with another preload, plates or ramps."),
    "conformity": ("diffbench.cli.results", "A build against the limits of its sheet, with guard bands."),
    "compare": (
        "diffbench.cli.results",
        "Two states of a unit: what changed, what wore, is it within limits.",
    ),
    "repeatability": ("diffbench.cli.results", "What refitting a unit to the bench moves, from repeats."),
    "advise": ("diffbench.cli.results", "Which shim gives a target preload."),
    "trend": ("diffbench.cli.trend", "Follow a unit between rebuilds: charts, line, distance to a limit."),
    "guide": ("diffbench.cli.guide", "Read the guide: a topic here, or all of it in a browser."),
    "rigs": ("diffbench.cli.papers", "List the described rigs that come with diffbench, or copy one."),
}
INTERRUPTED = 130  # what shells report of a program that Ctrl-C ended: 1 is taken by the verdict
#: What each exit status means, for the guide.
EXIT_STATUSES = {
    0: "done",
    1: "done, and a limit is proven to be broken: its whole 95 % interval is outside. For `trend`, a lower "
    "limit reached with 95 % confidence, or the newest record proven beyond a limit; for `compare`, also "
    "worn. Or a history is damaged (`history verify`, `history export`)",
    2: "the command, a paper or a recording is wrong. Standard error names file, place and mend; nothing is "
    "written",
    3: "an error that nobody foresaw: a mistake in diffbench. Standard error names a file to send",
    INTERRUPTED: "interrupted by Ctrl-C; a result is left whole or not at all. A `watch` ends so with 0, and "
    "its result stays",
}


class _Commands(SuggestingGroup):
    """Commands from the table."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        del ctx
        return sorted(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        del ctx
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(COMMANDS[cmd_name][0])
        command: click.Command = getattr(module, cmd_name.replace("-", "_"))
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        del ctx
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in sorted(COMMANDS.items())])

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        if any("\0" in word for word in args):
            raise click.UsageError("A zero byte is part of no name.", ctx)
        return super().parse_args(ctx, args)

    def invoke(self, ctx: click.Context) -> Any:
        try:
            result = super().invoke(ctx)
            # A pipe whose reader has gone shows only when what was printed is handed over.
            sys.stdout.flush()
        except DiffbenchError as error:
            for fault in error.faults:
                _tell(str(fault))
            ctx.exit(error.exit_status)
        except KeyboardInterrupt:
            click.echo("\ndiffbench: stopped; a result is left whole or not at all.", err=True)
            ctx.exit(INTERRUPTED)
        except BrokenPipeError:
            # The reader has seen enough and there is nobody to tell; Python's own last flush goes nowhere.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            ctx.exit(0)
        except (click.ClickException, click.exceptions.Exit, click.Abort):
            raise
        except Exception as error:  # noqa: BLE001  the last resort: whatever it is, it ends in one line
            from diffbench.last_resort import last_words

            line, status = last_words(error)
            _tell(line)
            ctx.exit(status)
        return result


def _tell(text: str) -> None:
    click.echo(f"diffbench: {escaped(text)}", err=True)


def _any_name_prints() -> None:
    """Names of files need not be Unicode, nor a terminal have all of it: what it has not is written out."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def _few_collections() -> None:
    """Rubbish in rings is looked for a hundred times less often: hardly any is made, and looking through all
    that libraries and drawings hold takes a tenth of a fit's time."""
    gc.set_threshold(*COLLECTIONS)


def _version(ctx: click.Context, param: click.Parameter, value: bool) -> None:
    del param
    if value:
        from diffbench._version import __version__

        click.echo(f"diffbench {__version__}")
        ctx.exit()


@click.group(
    cls=_Commands,
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog="Example: diffbench fit run.toml --out result",
)
@click.option(
    "--version", is_flag=True, is_eager=True, expose_value=False, callback=_version, help="Show the version."
)
def main() -> None:
    """What a plate-type limited-slip differential really does, from bench recordings.

    Work at a bench can hurt: rotating parts, hot oil, stored spring force. The maker's limits, local rules
    and qualified people come before anything that this program says.
    """
    _any_name_prints()
    before_loading()
    _few_collections()
