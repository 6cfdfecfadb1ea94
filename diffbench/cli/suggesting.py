"""A group of commands that answers a typo with the nearest name."""

from __future__ import annotations

import difflib

import click


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
