"""Whether the build sheets of several visits say one thing of what a joint fit takes as one."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from pydantic import BaseModel

from diffbench.documents.visit import Visit
from diffbench.errors import Fault, Place

__all__ = ["one_sheet"]

# What a joint fit takes from the first sheet alone, as all builds share it.
OF_ALL_BUILDS = ("oil", "reference", "preload.law", "preload.joint_fraction")


def one_sheet(visits: Sequence[Visit]) -> list[Fault]:
    """Ask the sheets of visits that are to be fitted together.

    Parameters
    ----------
    visits : sequence of Visit
        Of one unit.

    Returns
    -------
    A fault for each build name that stands for two sheets (a note apart), and for each statement that all
    builds share and of which two are made.
    """
    first = visits[0]
    by_name: dict[str, Visit] = {}
    faults = []
    for visit in visits:
        known = by_name.setdefault(visit.build.build, visit)
        differ = [d for d in _differences(known.build, visit.build) if d[0] != "note"]
        if differ and known is not visit:
            faults.append(_two_sheets(known, visit, differ))
        elif known is visit and visit is not first:
            differ = [d for d in _differences(first.build, visit.build) if d[0].startswith(OF_ALL_BUILDS)]
            gears = [v.build.gear_friction for v in (first, visit)]  # wherever the sheet has it
            if gears[0] != gears[1]:
                here, there = (_said("gear_friction", gear) for gear in gears)
                differ.append(("gear_friction", here, there))
            faults += [_two_statements(first, visit, *d) for d in differ]
    return faults


def _two_sheets(known: Visit, visit: Visit, differ: Sequence[tuple[str, str, str]]) -> Fault:
    said = "; ".join(
        f"{key} is {here} in {known.build_path}, {there} in {visit.build_path}" for key, here, there in differ
    )
    driven = any(key == "distance" for key, *_ in differ)
    return Fault(
        f"two build sheets bear the name {visit.build.build}, and say different things: {said}",
        Place(str(visit.build_path), key=differ[0][0]),
        "give the later state a build name of its own, and hold the two against each other with "
        "'diffbench compare'; or state one distance in both, if nothing was driven in between"
        if driven
        else "name one build sheet in both run sheets, or give each build a name of its own",
    )


def _two_statements(first: Visit, visit: Visit, key: str, here: str, there: str) -> Fault:
    return Fault(
        f"builds that are fitted together share one {key}, and their sheets state two: {here} in "
        f"{first.build_path}, {there} in {visit.build_path}",
        Place(str(visit.build_path), key=key),
        "state the same in both, or fit each build by itself",
    )


def _differences(one: BaseModel, other: BaseModel, within: str = "") -> Iterator[tuple[str, str, str]]:
    """Keys in which two sheets differ, and what each says."""
    for name, field in type(one).model_fields.items():
        here, there = getattr(one, name), getattr(other, name)
        key = f"{within}{field.alias or name}"
        if isinstance(here, BaseModel) and isinstance(there, BaseModel):
            yield from _differences(here, there, f"{key}.")
        elif here != there:
            yield key, _said(key, here), _said(key, there)


def _said(key: str, value: object) -> str:
    if value is None:
        return "not stated"
    if key == "distance" and isinstance(value, float):
        return f"{value / 1000.0:g} km"
    number = getattr(value, "value", value)
    return f"{number:.6g}" if isinstance(number, float) else str(number)
