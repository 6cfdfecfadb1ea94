"""The file of a locking-torque map: what stands in it, how it is read, and what is wrong with one."""

from __future__ import annotations

import json
from itertools import islice, pairwise
from pathlib import Path
from typing import Any, Literal

import numpy as np
from pydantic import ValidationError

from diffbench.errors import DocumentError, Fault, Place
from diffbench.input_files import RESULT, unfit_values
from diffbench.input_files import content_of as bytes_of
from diffbench.results.document import Frozen
from diffbench.results.manifest import content_digest, document, read_whole

__all__ = [
    "AXES",
    "BRANCHES",
    "EITHER",
    "FORMAT",
    "RULE",
    "Beyond",
    "Branch",
    "Ends",
    "MapAxes",
    "MapBranch",
    "MapDocument",
    "MapInterpolation",
    "content_of",
    "document_schema",
    "read_document",
]

Branch = Literal["loading", "unloading", "mean", "either"]
Ends = tuple[float, float]

FORMAT = "diffbench-map/1"
AXES = ("input_torque_Nm", "speed_difference_rad_s", "temperature_degC")
BRANCHES: tuple[Branch, ...] = ("loading", "unloading", "mean", "either")
#: Which branch is not known: the value of the mean, limits that hold both real branches with theirs. A file
#: of before has none: it follows from the others.
EITHER: Branch = "either"
RULE = (
    "Beyond the axes: along input torque the value goes on in the straight line of the last two nodes, never "
    "below zero (an axis without a node on a flank holds it there); along speed difference and temperature "
    "it is held. Both limits move with it and part: by the larger of half_width_per_Nm x distance and "
    "half_width_share_of_change x |change of the value|, plus the value x (half_width_share_per_rad_s x "
    "distance + half_width_share_per_K x distance); the lower one never falls below zero. Of two numbers the "
    "first is for the low end of an axis, the second for the high end."
)


class MapAxes(Frozen):
    """The axes, each a rising list; the speed difference is its magnitude."""

    input_torque_Nm: tuple[float, ...]  # the file contract's key
    speed_difference_rad_s: tuple[float, ...]
    temperature_degC: tuple[float, ...]  # the file contract's key


class MapBranch(Frozen):
    """One branch: nested lists [torque][speed][temperature].

    ``by_the_law_Nm`` the law alone, where ``locking_torque_Nm`` is as measured (`MapDocument.shows`).
    """

    locking_torque_Nm: tuple[tuple[tuple[float, ...], ...], ...]  # the file contract's key
    low_Nm: tuple[tuple[tuple[float, ...], ...], ...]  # the file contract's key
    high_Nm: tuple[tuple[tuple[float, ...], ...], ...]  # the file contract's key
    tested: tuple[tuple[tuple[bool, ...], ...], ...]
    by_the_law_Nm: tuple[tuple[tuple[float, ...], ...], ...] | None = None  # unit as in the other keys


class MapInterpolation(Frozen):
    """What the nodes leave out: the most that a lookup between them was found to add, as a share of the local
    locking torque (where nothing was tested, of ten times that, or a hundred times what the limits part by
    there), when the map was held against its law; and the share of the tested region that is shown as not
    tested, because a cell counts only when all its nodes do."""

    allowed: float
    locking_torque: float
    limits: float
    tested_not_shown: float


class Beyond(Frozen):
    """The rule beyond the axes, in words and numbers; of two numbers the first is for the low end.

    Attributes
    ----------
    input_torque, speed_difference, temperature : str
        Whether the value goes on straight or is held there.
    rule : str
        `RULE`.
    half_width_share_of_change : float
        Of the value's change along torque [-].
    half_width_per_Nm : dict
        By branch, of the distance along torque [N·m/(N·m)].
    half_width_share_per_rad_s, half_width_share_per_K : tuple of float
        Of the value, by distance [s/rad, 1/K].
    """

    input_torque: Literal["linear"] = "linear"
    speed_difference: Literal["held"] = "held"
    temperature: Literal["held"] = "held"
    rule: str = RULE
    half_width_share_of_change: float
    half_width_per_Nm: dict[str, Ends]
    half_width_share_per_rad_s: Ends
    half_width_share_per_K: Ends


class MapDocument(Frozen):
    """``map.json``: locking torque in steady state, plates and oil at one temperature.

    ``sha256`` is of the content (`content_digest`); a file without it, made by hand, is taken as it is.
    ``characterisation_sha256`` is that of the characterisation that the map was made of. ``shows`` says what
    ``locking_torque_Nm`` is: the law as the cells correct it (carried over, where the unit is a changed one),
    or the law alone, as in a file of before.
    """

    format: Literal["diffbench-map/1"]
    unit: str
    build: str
    law: str
    confidence: float
    axes: MapAxes
    branches: dict[str, MapBranch]
    notes: tuple[str, ...]
    provenance: dict[str, Any]
    interpolation: MapInterpolation | None = None
    beyond: Beyond | None = None  # a file of before has none: it is made from the tables
    sha256: str | None = None
    characterisation_sha256: str | None = None
    shows: Literal["as measured", "as measured, carried over", "by the law"] | None = None
    predicted: str | None = None  # what was changed, where no bench has measured this unit


def content_of(document: MapDocument) -> dict[str, Any]:
    """A document as plain values, without its hash and without what it does not say."""
    content = document.model_dump(mode="json")
    for branch in content["branches"].values():
        if branch["by_the_law_Nm"] is None:
            del branch["by_the_law_Nm"]
    return {key: part for key, part in content.items() if part is not None and key != "sha256"}


def _of_builds(folder: Path) -> list[str]:
    """The folders of the builds, where a folder holds the result of several that were fitted together."""
    try:
        content = json.loads(bytes_of(folder / "characterisation.json", most=RESULT))
        names = [str(build["folder"]) for build in content["builds"] if build.get("folder")]
    except (DocumentError, OSError, ValueError, KeyError, TypeError, AttributeError):
        return []  # it is no such result; what is wrong with the map is told as it is
    return [str(folder / name) for name in names]


def read_document(path: str | Path) -> MapDocument:
    """Read ``map.json``, or that of the folder of a result. Raises ``DocumentError`` naming file, key and
    mend where it is not one, or is not as it was written."""
    file = document(Path(path), "map.json")
    again = "make it again with diffbench fit"
    try:
        text = read_whole(file).decode("utf-8")
    except OSError as error:
        if folders := _of_builds(file.parent):
            raise DocumentError.single(
                "is not there: of several builds fitted together, each has a map in a folder of its own",
                file=str(file),
                mend=f"name one of {', '.join(folders)}",
            ) from error
        raise DocumentError.single(
            f"cannot be read ({error.strerror})", file=str(file), mend="check the path"
        ) from error
    except UnicodeDecodeError as error:
        raise DocumentError.single("is not UTF-8 text", file=str(file), mend=again) from error
    try:
        content = json.loads(text)
    except json.JSONDecodeError as error:
        what = f"Invalid JSON: the file is cut off or damaged ({error.msg})"
        raise DocumentError.single(what, file=str(file), line=error.lineno, mend=again) from error
    except RecursionError as error:
        raise DocumentError.single("Invalid JSON: nested without end", file=str(file), mend=again) from error
    newer = f"{again}; a file of a newer version needs a newer diffbench"
    told = content.get("format") if isinstance(content, dict) else None
    if isinstance(told, str) and told.startswith("diffbench-map/") and told != FORMAT:
        raise DocumentError.single(
            f"'{told}' is another version of the format: this diffbench reads {FORMAT}",
            file=str(file),
            key="format",
            mend=newer,
        )
    try:
        held = MapDocument.model_validate(content)
    except ValidationError as error:
        raise DocumentError(
            [
                Fault(
                    item["msg"],
                    Place(str(file), key=".".join(str(part) for part in item["loc"]) or None),
                    newer,
                )
                for item in error.errors()[:20]
            ]
        ) from error
    faults = _shape_faults(held, str(file)) or _content_faults(held, str(file))
    if held.sha256 is not None and not faults:
        found = content_digest(content_of(held))
        if found != held.sha256:
            faults.append(
                Fault(
                    f"the content does not match its hash (written {held.sha256[:12]}…, "
                    f"found {found[:12]}…): the file was edited or damaged",
                    Place(str(file), key="sha256"),
                    f"{again}, or take the hash out if the change was meant",
                )
            )
    if faults:
        raise DocumentError(faults)
    # what was read is what it says it is: from here on the hash follows from the content
    return held.model_copy(update={"sha256": None})


def _shape_faults(document: MapDocument, file: str) -> list[Fault]:
    mend = "make the map again with diffbench fit: this one was edited or cut"
    faults: list[Fault] = []
    sizes = []
    for name in AXES:
        axis = getattr(document.axes, name)
        sizes.append(len(axis))
        if not axis or any(b <= a for a, b in pairwise(axis)) or not np.isfinite(axis).all():
            faults.append(
                Fault("the axis is not a rising list of numbers", Place(file, key=f"axes.{name}"), mend)
            )
    for branch in BRANCHES:
        if branch not in document.branches and branch == EITHER:
            continue  # a file of before: it follows from the others
        if branch not in document.branches:
            faults.append(Fault("the branch is missing", Place(file, key=f"branches.{branch}"), mend))
            continue
        for table in ("locking_torque_Nm", "low_Nm", "high_Nm", "tested", "by_the_law_Nm"):
            nested = getattr(document.branches[branch], table)
            if nested is None:
                continue  # the branch shows the law
            place = Place(file, key=f"branches.{branch}.{table}")
            try:
                values = np.array(nested, dtype=np.float64)
            except ValueError:
                faults.append(Fault("the rows are of different lengths", place, mend))
                continue
            if list(values.shape) != sizes:
                faults.append(
                    Fault(f"the shape {values.shape} is not that of the axes {tuple(sizes)}", place, mend)
                )
            elif not np.isfinite(values).all():
                faults.append(Fault("a node holds no number", place, mend))
    return faults


def _content_faults(document: MapDocument, file: str) -> list[Fault]:
    """What the numbers of a well-formed map cannot be."""
    mend = "make the map again with diffbench fit: this one was edited"
    told = document.model_dump(exclude={"axes", "branches"})  # their numbers have been looked at
    faults = [Fault(what, Place(file, key=key), mend) for key, what in islice(unfit_values(told), 20)]
    if not 0.0 < document.confidence < 1.0:
        faults.append(Fault("no confidence lies outside 0 to 1", Place(file, key="confidence"), mend))
    if document.axes.speed_difference_rad_s[0] < 0.0:
        place = Place(file, key="axes.speed_difference_rad_s")
        faults.append(Fault("a speed difference is its magnitude, and this one is negative", place, mend))
    for branch in (name for name in BRANCHES if name in document.branches):
        held = document.branches[branch]
        low, value, high = (
            np.array(nested) for nested in (held.low_Nm, held.locking_torque_Nm, held.high_Nm)
        )
        if (low < 0.0).any():
            place = Place(file, key=f"branches.{branch}.low_Nm")
            faults.append(Fault("a locking torque is never negative, and this one is", place, mend))
        if (low > value).any() or (value > high).any():
            place = Place(file, key=f"branches.{branch}.locking_torque_Nm")
            faults.append(Fault("a node is not within its own limits", place, mend))
    return faults


def document_schema() -> dict[str, Any]:
    """JSON Schema of ``map.json``."""
    schema = MapDocument.model_json_schema()
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["$id"] = FORMAT
    schema["title"] = FORMAT
    return schema
