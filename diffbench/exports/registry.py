"""The formats that a map is exported to, by name."""

from __future__ import annotations

import difflib
import importlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from diffbench.errors import OutputError
from diffbench.exports.fewer_nodes import on_fewer_nodes
from diffbench.plain_text import whole_texts
from diffbench.results.locking_map import LockingMap
from diffbench.results.manifest import refuse_over_results
from diffbench.whole_files import write_whole

__all__ = ["FORMATS", "Format", "export_map"]


@dataclass(frozen=True)
class Format:
    """One target format.

    Attributes
    ----------
    maker : str
        Module and function, imported when asked for: ``function(locking_map, name) -> {file: bytes}``.
    suffix : str
        Of the file, or of the first of several.
    words : str
        What it is, for lists.
    more : tuple of str
        Other endings that a path of it may have.
    tables : bool
        Whether the map's nodes are in it, and not the law alone.
    """

    maker: str
    suffix: str
    words: str
    more: tuple[str, ...] = ()
    tables: bool = True


FORMATS: dict[str, Format] = {
    "csv": Format("diffbench.exports.csv_table:export_csv", ".csv", "comma-separated text, one node a line"),
    "json": Format("diffbench.exports.json_document:export_json", ".json", "the map's own document, checked"),
    "mat": Format("diffbench.exports.mat_file:export_mat", ".mat", "MAT-file level 5, for Octave and MATLAB"),
    "modelica-law": Format(
        "diffbench.exports.modelica_law:export_modelica_law", ".mo", "Modelica class of the law", tables=False
    ),
    "modelica": Format(
        "diffbench.exports.modelica_tables:export_modelica", ".txt", "table text of the Modelica library"
    ),
    "netcdf": Format("diffbench.exports.netcdf_file:export_netcdf", ".nc", "NetCDF-4 by the CF conventions"),
    "c": Format("diffbench.exports.c_source:export_c", ".h", "C99 header and source", (".c",)),
    "c-law": Format(
        "diffbench.exports.c_law:export_c_law",
        "_law.h",
        "C99 header and source of the law",
        ("_law.c", ".h", ".c"),
        tables=False,
    ),
    "python": Format(
        "diffbench.exports.python_reader:export_python", ".py", "Python reader with the map in it"
    ),
    "fmi2": Format("diffbench.exports.fmu:export_fmi2", ".fmu", "FMI 2.0 unit"),
    "fmi3": Format("diffbench.exports.fmu:export_fmi3", ".fmu", "FMI 3.0 unit"),
}


def export_map(
    locking_map: LockingMap,
    to: str,
    path: str | Path,
    *,
    nodes: Sequence[int] | None = None,
    precision: Literal["double", "single"] = "double",
    source: str | Path | None = None,
) -> list[Path]:
    """Write a map in another format, whole or not at all.

    Parameters
    ----------
    locking_map : LockingMap
        The map.
    to : str
        One of `FORMATS`.
    path : path
        Of the file; its ending may be left out. C is two files of that name, ``.h`` and ``.c``.
    nodes : three int, optional
        Of input torque, speed difference and temperature, where fewer shall do than the map has
        (`on_fewer_nodes`).
    precision : str
        Of the numbers in C: "double", or "single" for small controllers.
    source : path, optional
        The file that the map was read from: never written over. Nor is a file of a result.

    Returns
    -------
    Paths of what was written.

    Raises
    ------
    OutputError
        An argument is no map, path, precision or counts: it is named. The format is not known, a library for
        it is missing, or the file cannot be written; the map carries no law where the format needs it; nodes
        are too few, or the format has none, or one precision alone. The file is the source, or of a result.
    """
    if not isinstance(locking_map, LockingMap):
        raise OutputError.single(
            f"locking_map is {locking_map!r}, and no map", mend="give what diffbench.load_map reads"
        )
    if not isinstance(path, str | Path):
        raise OutputError.single(f"path is {path!r}, and names no file", mend="give a text or a pathlib.Path")
    if not isinstance(to, str) or to not in FORMATS:
        near = difflib.get_close_matches(str(to), FORMATS, n=1)
        known = f"write '{near[0]}'" if near else "write one of " + ", ".join(FORMATS)
        raise OutputError.single(f"'{to}' is no format for a map", mend=known)
    if precision not in ("double", "single"):
        raise OutputError.single(f"precision is {precision!r}", mend="write 'double' or 'single'")
    if precision != "double" and to != "c":
        raise OutputError.single(
            f"'{to}' has numbers of double precision alone", mend="write --to c, or leave the precision out"
        )
    if nodes is not None and not FORMATS[to].tables:
        raise OutputError.single(
            f"'{to}' is the law alone, and has no nodes", mend="leave the nodes out, or write --to c"
        )
    if nodes is not None:
        locking_map = on_fewer_nodes(locking_map, nodes)
    target = Path(path)
    name = _name_of(target, to)
    module, _, function = FORMATS[to].maker.partition(":")
    make: Callable[..., dict[str, bytes]] = getattr(importlib.import_module(module), function)
    options = {"precision": precision} if to == "c" else {}
    contents = make(locking_map, name, **options)
    places = [target.parent / each for each in contents]
    if source is not None and any(_same_file(place, Path(source)) for place in places):
        raise OutputError.single(
            "the file would be written over itself", file=str(source), mend="name another one with --out"
        )
    refuse_over_results(places)
    return write_whole(target.parent, contents)


def _name_of(target: Path, to: str) -> str:
    """Name without the format's own ending: 'unit.v2' is a name with a dot. Raises ``OutputError`` for the
    ending of another format, and for what is no name."""
    own = FORMATS[to]
    ending = next((each for each in (own.suffix, *own.more) if target.name.lower().endswith(each)), "")
    name = target.name[: len(target.name) - len(ending)]
    last = target.suffix.lower()
    other = next((known for known, it in FORMATS.items() if last in (it.suffix, *it.more)), None)
    if not ending and other is not None:
        raise OutputError.single(
            f"{target.suffix} is the ending of '{other}', and '{to}' writes {own.suffix}",
            file=str(target),
            mend=f"leave the ending out, or write --to {other}",
        )
    if not name:
        raise OutputError.single("the path names no file", file=str(target), mend="name a file with --out")
    if whole_texts(name) != name:
        raise OutputError.single(
            "the file's name stands in the file, and is no Unicode",
            file=str(target),
            mend="name another file",
        )
    return name


def _same_file(place: Path, source: Path) -> bool:
    return place.exists() and source.exists() and place.samefile(source)
