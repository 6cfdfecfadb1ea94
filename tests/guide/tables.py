"""The reference tables of the guide, made from what they describe.

``python tests/guide/tables.py`` writes them into the pages, between ``<!-- table: NAME -->`` and
``<!-- end -->``.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Literal, get_args, get_origin

import click
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from diffbench.cli import COMMANDS, EXIT_STATUSES
from diffbench.cli import main as program
from diffbench.definitions import DEFINITIONS
from diffbench.documents import CHANNELS, Build, Car, Channel, FileSettings, Phase, Rig, Run, RunSheet
from diffbench.documents.build import DiscSpring, Limits, MapAxes, Oil, Packs, Preload, Ramps, Reference
from diffbench.documents.car import Axle, Body, Tyre
from diffbench.documents.log import COUNTED, LOG_CHANNELS, LogChannel, LogRun, LogSheet
from diffbench.documents.rig import Allowance, Repeatability
from diffbench.guide import FOLDER, TOPICS
from diffbench.quantities import Quantity, conversion
from diffbench.unit_spellings import REFUSED, TABLE

PAPERS: dict[str, type[BaseModel]] = {
    "rig": Rig,
    "[channel.NAME]": Channel,
    "[file]": FileSettings,
    "[repeatability]": Repeatability,
    "[allowance]": Allowance,
    "build sheet": Build,
    "[packs]": Packs,
    "[ramps]": Ramps,
    "[preload]": Preload,
    "[preload.disc_spring]": DiscSpring,
    "[oil]": Oil,
    "[reference]": Reference,
    "[limits]": Limits,
    "[map]": MapAxes,
    "run sheet": RunSheet,
    "[[run]]": Run,
    "car": Car,
    "[axle]": Axle,
    "[tyre]": Tyre,
    "[body]": Body,
    "[[phase]]": Phase,
    "log sheet": LogSheet,
    "[channel.NAME] of a log": LogChannel,
    "[[run]] of a log": LogRun,
}
#: The channel's heading, and outputs of the rig, say them.
NOT_WRITTEN = {("Channel", "name"), ("Channel", "reaction"), ("LogChannel", "name")}
PLAIN = {
    "1": "",
    "N.m": "N·m",
    "m/s^2": "m/s²",
    "kg.m^2": "kg·m²",
    "mm^2/s": "mm²/s",
    "J/(kg.K)": "J/(kg·K)",
    "um": "µm",
    "degC": "°C",
}
FEW_UNITS = 4  # of a channel; the page on units has all
LONGEST_SPELLING = 7  # longer ones are written out or in the plural


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Markdown of a table; a bar within a cell has a backslash."""
    lines = [head, ["---"] * len(head), *([cell.replace("|", "\\|") for cell in row] for row in rows)]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


def toml(value: object) -> str:
    """A value as a paper has it."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {toml(part)}" for key, part in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(toml, value)) + "]"
    return f'"{value}"' if isinstance(value, str) else f"{value:g}"


def unit(field: FieldInfo) -> str:
    """Unit of a bare number; ± where a value may state its u."""
    for mark in field.metadata:
        bare = getattr(mark, "bare_unit", None)
        if bare is None and (rule := getattr(mark, "json_schema", None)) is not None:
            bare = re.search(r"in (the channel's unit)", str(rule))
            bare = bare and bare[1]
            measured = "standard uncertainty" in str(rule)
        else:
            measured = type(mark).__name__ == "Measured"
        if bare is not None:
            return f"{PLAIN.get(bare, bare)} ±".strip() if measured else PLAIN.get(bare, bare)
    return ""


def default(field: FieldInfo) -> str:
    """What holds where the key is left out."""
    if field.is_required():
        return "must be there"
    value = field.get_default(call_default_factory=False)
    value = value.value if isinstance(value, Quantity) else value
    if value is None or isinstance(value, tuple):
        return ""
    mark = next((m for m in field.metadata if hasattr(m, "dimension")), None)
    if mark is not None and mark.dimension != "dimensionless":
        value = conversion(mark.bare_unit, mark.dimension).from_si(value)
        return f"{value:g} {PLAIN.get(mark.bare_unit, mark.bare_unit)}"
    return f"`{toml(value)}`"


def choices(field: FieldInfo) -> str:
    """The words that a key may hold, where they are few and fixed."""
    words = [
        word
        for part in (field.annotation, *get_args(field.annotation))
        for word in get_args(part)
        if isinstance(word, str)
    ]
    return "; one of " + ", ".join(f"`{toml(word)}`" for word in words) if len(words) > 1 else ""


def heading(model: type[BaseModel], name: str, field: FieldInfo) -> str:
    """A key as it is written: a table has its brackets."""
    written = field.alias or name
    if (model, name) in {(Rig, "channel"), (LogSheet, "channel")}:
        return "[channel.NAME]"
    inner = [part for part in (field.annotation, *get_args(field.annotation)) if isinstance(part, type)]
    if any(issubclass(part, BaseModel) for part in inner if not get_args(part)):
        prefix = "preload." if written == "disc_spring" else ""
        return (
            f"[[{written}]]"
            if field.annotation not in inner and "tuple" in str(field.annotation)
            else f"[{prefix}{written}]"
        )
    return written


def keys(name: str) -> str:
    """Every key of a paper, or of a table of one."""
    model = PAPERS[name]
    rows = []
    for key, field in model.model_fields.items():
        if (model.__name__, key) in NOT_WRITTEN:
            continue
        assert field.description, f"{model.__name__}.{key} has no description"
        written = heading(model, key, field)
        is_table = written.startswith("[")
        example = "" if is_table or not field.examples else f"`{toml(field.examples[0])}`"
        if field.annotation is dt.date:
            example = example.replace('"', "")
        if not is_table and field.is_required() and get_origin(field.annotation) is Literal:
            example = f"`{toml(get_args(field.annotation)[0])}`"
        what = field.description + (choices(field) if key != "decimal" else "")
        rows.append(
            [
                f"`{written}`",
                what,
                unit(field),
                default(field) if not is_table or field.is_required() else "",
                example,
            ]
        )
    used = [i for i in range(5) if i < 2 or any(row[i] for row in rows)]
    of = f"`{name}`" if name.startswith("[") else f"a {name}" if name != "rig" else "a rig"
    head = [f"key of {of}", "what", "bare number", "default", "example"]
    return table([head[i] for i in used], [[row[i] for i in used] for row in rows])


def channels() -> str:
    """What each channel holds."""
    return table(["channel", "what"], [[f"`{name}`", kind.meaning] for name, kind in CHANNELS.items()])


def log_channels() -> str:
    """What each channel of a log holds, and the first units of it."""
    rows = []
    for name, (dimension, meaning) in LOG_CHANNELS.items():
        spelled = [row[2].split()[0].rstrip("!") for row in TABLE[dimension][:FEW_UNITS]]
        said = "a number" if name in COUNTED else ", ".join(f"`{unit}`" for unit in spelled)
        rows.append([f"`{name}`", meaning, said])
    return table(["channel of a log", "what", "unit, for example"], rows)


def units() -> str:
    """Every unit that is known, with the shorter ones of its spellings."""
    rows: dict[object, tuple[list[str], str]] = {}
    for dimension, known in TABLE.items():
        words = [[word.rstrip("!") for word in row[2].split()] for row in known]
        shown = [
            [word for k, word in enumerate(of) if k == 0 or len(word) <= LONGEST_SPELLING] for of in words
        ]
        text = ", ".join(" = ".join(f"`{word}`" for word in of) for of in shown)
        rows.setdefault(known, ([], text))[0].append(plain_dimension(dimension))
    return table(
        ["quantity", "units, each with its spellings"],
        [[", ".join(names), text] for names, text in rows.values()],
    )


def refused_units() -> str:
    """Spellings that mean something else, or two things."""
    rows: dict[tuple[str, str, str], list[str]] = {}
    for dimension, words in REFUSED.items():
        reasons: dict[tuple[str, str], list[str]] = {}
        for word, reason in words.items():
            reasons.setdefault(reason, []).append(f"`{word}`")
        for (why, mend), spelled in reasons.items():
            rows.setdefault((" ".join(spelled), why, mend.replace("'", "`")), []).append(
                plain_dimension(dimension)
            )
    return table(
        ["for", "is refused", "because it", "instead"],
        [[", ".join(names), *row] for row, names in rows.items()],
    )


def plain_dimension(name: str) -> str:
    """A dimension as people say it."""
    return {"dimensionless": "share"}.get(name, name.replace("_", " "))


def quantities() -> str:
    """Every number of a result."""
    return table(
        ["parameter", "unit", "what it is"],
        [[f"`{name}`", one.unit, one.described] for name, one in DEFINITIONS.items() if one.in_result],
    )


def statuses() -> str:
    """What each exit status means."""
    return table(["exit status", "meaning"], [[str(k), words] for k, words in EXIT_STATUSES.items()])


def overview() -> str:
    """One line for each command."""
    rows = [[f"[`diffbench {name}`](#diffbench-{name})", line] for name, (_, line) in COMMANDS.items()]
    return table(["command", "what it does"], rows)


def commands() -> str:
    """Each command with its arguments and options."""
    parts = []
    for path, command in every_command():
        context = click.Context(command, info_name=path)
        usage = " ".join(command.collect_usage_pieces(context))
        text = "\n\n".join(" ".join(part.split()) for part in (command.help or "").split("\n\n"))
        rows = []
        for option in command.params:
            if isinstance(option, click.Option) and "--json" not in option.opts and not option.hidden:
                spelled = ", ".join((*option.opts, *option.secondary_opts))
                value = "" if option.is_flag else " " + option.make_metavar(context)
                told = " ".join((option.help or "").split())
                if option.show_default:
                    told = f"{told.rstrip('.')}; {option.default} if not given."
                rows.append([f"`{spelled}{value}`", told])
        parts.append(f"### `diffbench {path}`")
        parts.append(f"`diffbench {path} {usage}`: {text}")
        if rows:
            parts.append(table(["option", "what"], rows))
    return "\n\n".join(parts)


def every_command() -> Iterator[tuple[str, click.Command]]:
    """Every command and every command of a group, with its words."""
    for name in COMMANDS:
        command = program.get_command(click.Context(program), name)
        assert command is not None
        yield name, command
        if isinstance(command, click.Group):
            for inner in command.commands:
                one = command.get_command(click.Context(command), inner)
                assert one is not None
                yield f"{name} {inner}", one


MADE: dict[str, Any] = {
    "channels": channels,
    "channels of a log": log_channels,
    "units": units,
    "refused units": refused_units,
    "quantities": quantities,
    "exit statuses": statuses,
    "commands": overview,
    "commands and options": commands,
}
MARKS = re.compile(r"(<!-- table: (.+?) -->\n).*?(<!-- end -->)", re.DOTALL)


def filled(text: str) -> str:
    """A page with every marked table made anew."""

    def made(found: re.Match[str]) -> str:
        name = found[2]
        content = keys(name.removeprefix("keys of ")) if name.startswith("keys of ") else MADE[name]()
        return f"{found[1]}\n{content}\n\n{found[3]}"

    return MARKS.sub(made, text)


def marked() -> set[str]:
    """Names of all tables that the pages hold."""
    texts = ((FOLDER / f"{topic}.md").read_text(encoding="utf-8") for topic in TOPICS)
    return {found[2] for text in texts for found in MARKS.finditer(text)}


def main() -> None:
    """Write all tables."""
    for topic in TOPICS:
        path = FOLDER / f"{topic}.md"
        path.write_text(filled(path.read_text(encoding="utf-8")), encoding="utf-8")


if __name__ == "__main__":
    main()
