"""The differential as a simulation unit: FMI 2.0 and 3.0, model exchange and co-simulation, binaries inside.

Format: Functional Mock-up Interface for Model Exchange and Co-Simulation 2.0 (sections 2.2, 2.3, 3.2 and 4.3)
and 3.0 (sections 2.4, 2.5, 3 and 4.4). The C code stands in ``c/`` beside this module: ``law`` is the law
with its states, ``unit.h`` the variables, ``fmi2.c`` and ``fmi3.c`` each version's own functions. It embeds
no interpreter and includes nothing but the C library.
"""

from __future__ import annotations

import io
import uuid
import zipfile
from collections.abc import Callable

from diffbench._version import __version__
from diffbench.exports.binaries import Machine, binaries
from diffbench.exports.c_law import as_measured, law_sources
from diffbench.exports.c_source import c_identifier, c_sources, fill_template
from diffbench.exports.fmu_description import (
    build_description,
    description_2,
    description_3,
    documentation,
)
from diffbench.exports.fmu_variables import c_references
from diffbench.results.locking_map import LockingMap

__all__ = ["export_fmi2", "export_fmi3"]

#: Of the sources beside the model's own, and of C's library (ISO/IEC 9899:1999, 7.1.2) where they include it.
_FILES = frozenset({"unit", "fmi2", "fmi3", "math", "stdbool", "stddef", "stdint", "stdlib", "string"})


def export_fmi2(locking_map: LockingMap, name: str) -> dict[str, bytes]:
    """The map as one file, ``name``.fmu, by FMI 2.0.

    Parameters
    ----------
    locking_map : LockingMap
        The map.
    name : str
        Of the file; what C does not allow in an identifier becomes an underscore in the model's identifier.
        What a file beside its own in the sources is called gets an ending.

    Returns
    -------
    Name of the file, and its bytes, with a binary for each machine that a compiler here makes one for
    (`binaries`).

    Raises
    ------
    OutputError
        The map carries no law, or a compiler refuses the source.
    """
    identifier = _identifier(name)
    token = "{" + _token(locking_map, identifier, "2.0") + "}"
    sources = _sources(locking_map, identifier, token, "fmi2.c")
    files = {
        "modelDescription.xml": description_2(locking_map, identifier, token, _c_files(sources)),
        "documentation/index.html": documentation(locking_map, identifier),
        "resources/map.json": locking_map.to_json(),
    }
    return _packed(name, identifier, files, sources, lambda machine: machine.folder_2)


def export_fmi3(locking_map: LockingMap, name: str) -> dict[str, bytes]:
    """The map as one file, ``name``.fmu, by FMI 3.0 (see `export_fmi2`)."""
    identifier = _identifier(name)
    token = _token(locking_map, identifier, "3.0")
    sources = _sources(locking_map, identifier, token, "fmi3.c")
    files = {
        "modelDescription.xml": description_3(locking_map, identifier, token),
        "sources/buildDescription.xml": build_description(identifier, _c_files(sources)),
        "documentation/index.html": documentation(locking_map, identifier),
        "resources/map.json": locking_map.to_json(),
    }
    return _packed(name, identifier, files, sources, lambda machine: machine.folder_3)


def _identifier(name: str) -> str:
    """Of the model, after which its sources are named: none that stands for another file there, or in C's
    library, in any case of its letters."""
    plain = c_identifier(name)
    return f"{plain}_map" if plain.lower() in _FILES else plain


def _token(locking_map: LockingMap, identifier: str, version: str) -> str:
    """Names this unit: the same map, program and name give the same one."""
    said = f"diffbench {__version__} FMI {version} {identifier} {locking_map.digest}"
    return str(uuid.uuid5(uuid.NAMESPACE_OID, said))


def _sources(locking_map: LockingMap, identifier: str, token: str, interface: str) -> dict[str, str]:
    sources = {f"{identifier}{suffix}": text for suffix, text in c_sources(locking_map, identifier).items()}
    law = law_sources(locking_map, identifier)
    sources |= {f"{identifier}_law{suffix}": text for suffix, text in law.items()}
    filled = {
        "NAME": identifier,
        "PREFIX": identifier,
        "GUARD": identifier.upper(),
        "REFERENCES": c_references(),
        "MEASURED": "1" if as_measured(locking_map) else "0",
        "TOKEN": token,
        "OIL": repr(float(locking_map.axes[2][locking_map.axes[2].size // 2])),
    }
    for name in ("unit.h", interface):
        sources[name] = fill_template(name, filled)
    return sources


def _c_files(sources: dict[str, str]) -> list[str]:
    return [name for name in sources if name.endswith(".c")]


def _packed(
    name: str,
    identifier: str,
    files: dict[str, str],
    sources: dict[str, str],
    folder: Callable[[Machine], str],
) -> dict[str, bytes]:
    contents = {path: text.encode("utf-8") for path, text in files.items()}
    contents |= {f"sources/{path}": text.encode("utf-8") for path, text in sources.items()}
    for machine, binary in binaries(sources, _c_files(sources)).items():
        contents[f"binaries/{folder(machine)}/{identifier}.{machine.ending}"] = binary
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for path, content in contents.items():
            # a fixed date: the same map gives the same file
            entry = zipfile.ZipInfo(path, date_time=(1980, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = (0o755 if path.startswith("binaries/") else 0o644) << 16
            archive.writestr(entry, content)
    return {f"{name}.fmu": buffer.getvalue()}
