"""A correction before it is one: what shall change, held against what stands."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, fields
from typing import Any

from diffbench.errors import Fault, HistoryError, Place
from diffbench.history.entries import BuildFact, Facts

__all__ = ["Changes", "changes_of"]


@dataclass(frozen=True)
class Changes:
    """What shall be otherwise; None leaves a fact as it is.

    ``build`` names the build that ``distance_m`` [m], ``events`` and ``new_build`` are about; it need not be
    said of a record of a single build.
    """

    unit: str | None = None
    date: str | None = None
    note: str | None = None
    withdrawn: bool | None = None
    build: str | None = None
    new_build: str | None = None
    distance_m: float | None = None
    events: int | None = None


def changes_of(wanted: Changes, facts: Facts) -> dict[str, Any]:
    """What a correction has to say for facts to become as wanted.

    Parameters
    ----------
    wanted : Changes
        What shall change.
    facts : Facts
        How they stand.

    Returns
    -------
    Changed facts alone, by key.

    Raises
    ------
    HistoryError : with every fault: nothing changes, no such build, a value that cannot be.

    Examples
    --------
    >>> facts = Facts("Q17", "2026-04-14", (BuildFact("A", "A", 0.0),))
    >>> changes_of(Changes(date="2026-04-15", distance_m=5000.0), facts)
    {'date': '2026-04-15', 'builds': {'A': {'distance_m': 5000.0}}}
    """
    faults = list(_faults(wanted))
    changes: dict[str, Any] = {
        key: getattr(wanted, key)
        for key in ("unit", "date", "note", "withdrawn")
        if getattr(wanted, key) not in {None, getattr(facts, key)}
    }
    of_build = {
        "build": wanted.new_build,
        "distance_m": wanted.distance_m,
        "events": wanted.events,
    }
    if wanted.build is not None or any(value is not None for value in of_build.values()):
        fact = _build(wanted.build, facts, faults)
        if fact is not None:
            changed = {
                key: value for key, value in of_build.items() if value not in {None, getattr(fact, key)}
            }
            if "build" in changed and changed["build"] in {other.build for other in facts.builds}:
                faults.append(_fault(f"the record has a build {changed['build']} already", "build"))
            if changed:
                changes["builds"] = {fact.measured_as: changed}
    if not faults and not changes:
        what = "nothing would change" if wanted != Changes() else "nothing is said to change"
        faults.append(
            Fault(what, Place(None), "say what is otherwise than it stands, see diffbench history show")
        )
    if faults:
        raise HistoryError(faults)
    return changes


def _build(name: str | None, facts: Facts, faults: list[Fault]) -> BuildFact | None:
    names = ", ".join(fact.build for fact in facts.builds)
    if name is None:
        if len(facts.builds) == 1:
            return facts.builds[0]
        faults.append(_fault(f"the record holds several builds ({names})", "build", "say which one"))
        return None
    try:
        return facts.build(name)
    except KeyError:
        faults.append(_fault(f"the record holds no build '{name}'", "build", f"name one of {names}"))
        return None


def _faults(wanted: Changes) -> list[Fault]:
    faults = []
    for field in fields(wanted):
        value = getattr(wanted, field.name)
        if isinstance(value, str) and field.name != "note" and not value.strip():
            faults.append(_fault("is empty", field.name, "say what it is"))
    if wanted.date is not None and wanted.date.strip():
        try:
            dt.date.fromisoformat(wanted.date)
        except ValueError:
            faults.append(_fault(f"'{wanted.date}' is no date", "date", "write it as 2026-04-14"))
    for name in ("distance_m", "events"):
        value = getattr(wanted, name)
        if value is not None and not 0 <= value < float("inf"):
            faults.append(_fault(f"{value} cannot be", name.removesuffix("_m"), "write zero or more"))
    return faults


def _fault(what: str, key: str, mend: str = "name another") -> Fault:
    return Fault(what, Place(None, key=key), mend)
