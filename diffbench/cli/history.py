"""``diffbench history``: characterisations of units and builds, kept and corrected with a trace."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from diffbench.cli.group import SuggestingGroup
from diffbench.cli.options import PATH, json_option, language_option, quantity, stock_option, store_option
from diffbench.cli.terminal import print_json, print_text, tell

if TYPE_CHECKING:
    from diffbench.answers.state import Stock
    from diffbench.history import Damage, History

Command = Callable[..., None]


@click.group(cls=SuggestingGroup, epilog="Example: diffbench history add demo-result --events 0")
def history() -> None:
    """Keep characterisations of units and builds, and what was corrected.

    Nothing that was filed is ever changed or taken out. The history is a file in your own data folder unless
    --store or the environment variable DIFFBENCH_HISTORY names another: the path of a file, or
    postgresql://user@host/database for a team (pip install 'diffbench[postgresql]').
    """


def store_and_json(command: Command) -> Command:
    """The options that every one of these commands has."""
    stored = store_option()
    printed = json_option()
    return stored(printed(command))


def opened(store: str | None) -> History:
    """The history that the options name."""
    from diffbench.history import open_history

    return open_history(store)


@history.command(epilog="Example: diffbench history add demo-result --events 0 --note 'after the rebuild'")
@click.argument("characterisations", nargs=-1, required=True, type=PATH)
@click.option("--events", type=click.IntRange(min=0), help="Events run since the build was assembled.")
@click.option("--distance", help="Distance since then, e.g. '1860 km', where the build sheet lacks it.")
@click.option("--note", help="Anything.")
@click.option("--by", help="Who files it; the user of this computer unless it is said.")
@store_and_json
def add(
    characterisations: tuple[Path, ...],
    events: int | None,
    distance: str | None,
    note: str | None,
    by: str | None,
    store: str | None,
    as_json: bool,
) -> None:
    """File characterisations: files characterisation.json, or folders that fit wrote.

    All of them are filed, or none. One that is there already, byte for byte, is not filed again.
    """
    from diffbench.history import Filing

    found = opened(store)
    filing = Filing(events=events, distance_m=_distance(distance), note=note)
    added = found.add(characterisations, filing=filing, by=by)
    if as_json:
        print_json([{"record": _plain(item.record), "new": item.new} for item in added], indent=1)
        return
    from diffbench.report.history import added_text

    print_text("\n".join(added_text(item) for item in added))
    print_text(f"History: {found.label}")


@history.command("list", epilog="Example: diffbench history list --unit Q17")
@click.option("--unit", help="Serial of a unit, for its records alone.")
@stock_option()
@store_and_json
def list_records(unit: str | None, stock: Stock | None, store: str | None, as_json: bool) -> None:
    """List units, builds and records as they stand: what was measured, and the state of each unit by all.

    Preload torque and friction stand with their 95 % intervals at three digits.

    The exit status is 1 where a unit is proven to be worn or beyond a limit.
    """
    found = opened(store)
    contents = found.contents(unit)
    from diffbench.report.history import listing, measured_of
    from diffbench.trend import packs_apart, state_by, visits_of

    units = sorted({record.facts.unit for record in contents.records if not record.facts.withdrawn})
    visits = {name: visits_of(found, name)[0] for name in units}
    states = [state_by(seen, stock=stock) for seen in visits.values() if seen]
    notes = [note for seen in visits.values() for note in packs_apart(seen)]
    measured = measured_of([visit for seen in visits.values() for visit in seen])
    if as_json:
        print_json(
            {
                "records": [_plain(record) for record in contents.records],
                "measured": [
                    {"record": number, "build": build, **{n: _interval(*of) for n, of in numbers.items()}}
                    for (number, build), numbers in measured.items()
                ],
                "laps": [_plain(record) for record in contents.laps],
                "damage": [_plain(damage) for damage in contents.damage],
                "notes": notes,
                "states": {state.unit: state.content() for state in states},
            },
            indent=1,
        )
    else:
        documents = found.documents(contents.laps)
        days = [(one, day) for one in contents.laps if isinstance(day := documents[one.number], dict)]
        tell(listing(contents.records, states, measured, days, notes))
        _tell(contents.damage)
    if any(state.failed for state in states):
        raise SystemExit(1)


@history.command(epilog="Example: diffbench history pages --out workshop-pages")
@click.option("--out", type=PATH, required=True, help="Folder for the pages; made if it is not there.")
@click.option("--unit", help="Serial of a unit, for its pages alone.")
@stock_option()
@language_option()
@store_and_json
def pages(
    out: Path, unit: str | None, stock: Stock | None, language: str, store: str | None, as_json: bool
) -> None:
    """Write a page of each unit, a card of each visit, and an index of all units.

    The pages are files that link to each other: they need no network and no program. The exit status is 1
    where a unit is proven to be worn or beyond a limit.
    """
    from diffbench.report.unit import life_of, unit_pages
    from diffbench.trend import visits_of
    from diffbench.whole_files import write_whole

    found = opened(store)
    contents = found.contents(unit)
    units = sorted({one.facts.unit for one in contents.records if not one.facts.withdrawn})
    lives = [life_of(name, visits, stock=stock) for name in units if (visits := visits_of(found, name)[0])]
    written = write_whole(out, unit_pages(lives, language=language))
    states = {life.unit: life.newest.state for life in lives}
    if as_json:
        print_json(
            {
                "written": [str(path) for path in written],
                "states": {name: state.content() for name, state in states.items()},
            },
            indent=1,
        )
    else:
        print_text(f"Written: {out / 'index.html'}, {len(written) - 1} pages beside it")
        _tell(contents.damage)
    if any(state.failed for state in states.values()):
        raise SystemExit(1)


@history.command(epilog="Example: diffbench history show 1")
@click.argument("record")
@click.option("--document", is_flag=True, help="Print its document instead, byte for byte.")
@store_and_json
def show(record: str, document: bool, store: str | None, as_json: bool) -> None:
    """Show a record with the trace of its corrections.

    RECORD is its number, or the beginning of its document's hash.
    """
    found = opened(store)
    shown = found.record(record)
    if document:
        click.echo(found.document(shown), nl=False)
    elif as_json:
        print_json(_plain(shown), indent=1)
    else:
        from diffbench.report.history import record_document

        tell(record_document(shown))


@history.command(
    epilog="Example: diffbench history correct 1 --distance '1860 km' --reason 'the sheet had miles'"
)
@click.argument("record")
@click.option("--reason", required=True, help="Why.")
@click.option("--unit", help="Serial of the unit.")
@click.option("--date", help="Date of the visit, e.g. 2026-04-14.")
@click.option("--note", help="Anything.")
@click.option("--build", help="Which build distance, events and new name are about, where there are several.")
@click.option("--new-build", help="What the build is called.")
@click.option("--distance", help="Distance since the build was assembled, e.g. '1860 km'.")
@click.option("--events", type=click.IntRange(min=0), help="Events run since then.")
@click.option("--withdraw/--reinstate", "withdrawn", default=None, help="Leave the record out of trends.")
@click.option("--by", help="Who says so; the user of this computer unless it is said.")
@store_and_json
def correct(
    record: str,
    reason: str,
    unit: str | None,
    date: str | None,
    note: str | None,
    build: str | None,
    new_build: str | None,
    distance: str | None,
    events: int | None,
    withdrawn: bool | None,
    by: str | None,
    store: str | None,
    as_json: bool,
) -> None:
    """Say what of a record is otherwise, and why. What stood before stays in its trace.

    RECORD is its number, or the beginning of its document's hash.
    """
    from diffbench.history import Changes

    changes = Changes(unit, date, note, withdrawn, build, new_build, _distance(distance), events)
    corrected = opened(store).correct(record, changes, reason=reason, by=by)
    if as_json:
        print_json(_plain(corrected), indent=1)
        return
    from diffbench.report.history import record_document

    tell(record_document(corrected))


@history.command(epilog="Example: diffbench history export workshop-2026.jsonl")
@click.argument("file", type=PATH)
@store_and_json
def export(file: Path, store: str | None, as_json: bool) -> None:
    """Write everything into one new file of text, one entry a line.

    Damaged entries are named and left out; then the exit status is 1.
    """
    count, damage = opened(store).export(file)
    if as_json:
        print_json(
            {"written": str(file), "entries": count, "damage": [_plain(item) for item in damage]}, indent=1
        )
    else:
        print_text(f"Written: {file}, {count} entries")
        _tell(damage)
    if damage:
        raise SystemExit(1)


@history.command("import", epilog="Example: diffbench history import workshop-2026.jsonl")
@click.argument("file", type=PATH)
@store_and_json
def import_file(file: Path, store: str | None, as_json: bool) -> None:
    """Take over what an export holds: all of it, or nothing. What is there already stays as it is."""
    found = opened(store)
    merged = found.merge(file)
    if as_json:
        print_json(_plain(merged), indent=1)
        return
    print_text(
        f"{merged.records} records and {merged.corrections} corrections are new, "
        f"{merged.known} entries were there"
    )
    for record in merged.differing:
        print_text(f"Record {record.number} was filed with other facts there: it stays as it is here.")
    print_text(f"History: {found.label}")


@history.command(epilog="Example: diffbench history verify")
@store_and_json
def verify(store: str | None, as_json: bool) -> None:
    """Check every hash. Exit status 1 where anything is not as it was written."""
    found = opened(store)
    result = found.verify()
    if as_json:
        print_json(_plain(result), indent=1)
    else:
        print_text(f"{result.entries} entries, {len(result.damage)} damaged; chain {result.chain}")
        _tell(result.damage)
        print_text(f"History: {found.label}")
    if result.damage:
        raise SystemExit(1)


def _distance(text: str | None) -> float | None:
    if text is None:
        return None

    return quantity(text, "distance", "km", "--distance")


def _plain(item: Any) -> dict[str, Any]:
    from dataclasses import asdict

    return asdict(item)


def _interval(value: float, low: float | None, high: float | None) -> dict[str, float | None]:
    return {"value": value, "low": low, "high": high}


def _tell(damage: Sequence[Damage]) -> None:
    for item in damage:
        print_text(f"Damaged: {item}")
