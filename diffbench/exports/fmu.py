"""The differential as a unit for co-simulation: FMI 2.0 and 3.0, C inside, a binary where a compiler is.

Format: Functional Mock-up Interface for Model Exchange and Co-Simulation 2.0 (sections 2.2, 2.3 and 4.3) and
3.0 (sections 2.4, 2.5 and 4.4). The C code stands in ``c/`` beside this module; it embeds no interpreter and
includes nothing but the C library.

Co-simulation sees speeds and gives torques, so a held output is known from the past alone: a spring and a
damper that follow from step and inertia. Gains of 0.3 and 0.15 of inertia over step give the fastest decay of
all that are stable in a host that steps units one after the other and in one that steps them side by side
(roots of z² − 1.655 z + 0.7 and z³ − 2 z² + 1.345 z − 0.3), up to twice the true inertia. A smooth law of the
speed alone creeps when held, a stiff one chatters at 100 Hz. Model exchange is left out: it would need events
between stick and slip, and the C source serves a model without lag.
"""

from __future__ import annotations

import io
import os
import platform
import shlex
import shutil
import sys
import tempfile
import uuid
import zipfile
from pathlib import Path

from diffbench._version import __version__
from diffbench.children import run
from diffbench.errors import OutputError
from diffbench.exports.c_source import c_identifier, c_sources, fill_template
from diffbench.exports.fmu_description import (
    build_description,
    description_2,
    description_3,
    documentation,
)
from diffbench.results.locking_map import LockingMap

__all__ = ["export_fmi2", "export_fmi3", "find_compiler"]

_OPTIONS = ("-std=c99", "-O2", "-ffp-contract=off", "-fPIC", "-shared", "-fvisibility=hidden")
_ENDING = {"linux": "so", "darwin": "dylib", "win32": "dll"}
_WORD_SIZE = "64" if sys.maxsize > 2**32 else "32"


def export_fmi2(locking_map: LockingMap, name: str) -> dict[str, bytes]:
    """The map as one file, ``name``.fmu, by FMI 2.0.

    Parameters
    ----------
    locking_map : LockingMap
        The map.
    name : str
        Of the file; what C does not allow in an identifier becomes an underscore in the model's identifier.

    Returns
    -------
    Name of the file, and its bytes. Without a C compiler on this machine the unit holds its source alone.

    Raises
    ------
    OutputError
        The compiler refuses the source.
    """
    identifier = c_identifier(name)
    token = "{" + _token(locking_map, identifier, "2.0") + "}"
    sources = _sources(locking_map, identifier, token, "fmi2.c")
    system = {"linux": "linux", "darwin": "darwin", "win32": "win"}.get(sys.platform)
    files = {
        "modelDescription.xml": description_2(locking_map, identifier, token, _c_files(sources)),
        "documentation/index.html": documentation(locking_map, identifier),
        "resources/map.json": locking_map.to_json(),
    }
    return _packed(name, identifier, files, sources, None if system is None else f"{system}{_WORD_SIZE}")


def export_fmi3(locking_map: LockingMap, name: str) -> dict[str, bytes]:
    """The map as one file, ``name``.fmu, by FMI 3.0 (see `export_fmi2`)."""
    identifier = c_identifier(name)
    token = _token(locking_map, identifier, "3.0")
    sources = _sources(locking_map, identifier, token, "fmi3.c")
    machine = {"amd64": "x86_64", "x86_64": "x86_64", "arm64": "aarch64", "aarch64": "aarch64"}.get(
        platform.machine().lower()
    )
    system = {"linux": "linux", "darwin": "darwin", "win32": "windows"}.get(sys.platform)
    files = {
        "modelDescription.xml": description_3(locking_map, identifier, token),
        "sources/buildDescription.xml": build_description(identifier, _c_files(sources)),
        "documentation/index.html": documentation(locking_map, identifier),
        "resources/map.json": locking_map.to_json(),
    }
    folder = None if machine is None or system is None else f"{machine}-{system}"
    return _packed(name, identifier, files, sources, folder)


def find_compiler() -> list[str] | None:
    """The C compiler of this machine: what ``CC`` says, else cc, gcc or clang; None where there is none."""
    told = shlex.split(os.environ.get("CC", ""))
    if told:
        return told if shutil.which(told[0]) else None
    found = next((name for name in ("cc", "gcc", "clang") if shutil.which(name)), None)
    return None if found is None else [found]


def _token(locking_map: LockingMap, identifier: str, version: str) -> str:
    """Names this unit: the same map, program and name give the same one."""
    said = f"diffbench {__version__} FMI {version} {identifier} {locking_map.digest}"
    return str(uuid.uuid5(uuid.NAMESPACE_OID, said))


def _sources(locking_map: LockingMap, identifier: str, token: str, interface: str) -> dict[str, str]:
    sources = {f"{identifier}{suffix}": text for suffix, text in c_sources(locking_map, identifier).items()}
    filled = {
        "NAME": identifier,
        "PREFIX": identifier,
        "GUARD": identifier.upper(),
        "TOKEN": token,
        "OIL": repr(float(locking_map.axes[2][locking_map.axes[2].size // 2])),
    }
    for name in ("unit.h", interface):
        sources[name] = fill_template(name, filled)
    return sources


def _c_files(sources: dict[str, str]) -> list[str]:
    return [name for name in sources if name.endswith(".c")]


def _packed(
    name: str, identifier: str, files: dict[str, str], sources: dict[str, str], folder: str | None
) -> dict[str, bytes]:
    contents = {path: text.encode("utf-8") for path, text in files.items()}
    contents |= {f"sources/{path}": text.encode("utf-8") for path, text in sources.items()}
    compiler = find_compiler()
    if folder is not None and compiler is not None:
        library = f"{identifier}.{_ENDING[sys.platform]}"
        contents[f"binaries/{folder}/{library}"] = _compiled(compiler, sources, library)
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for path, content in contents.items():
            # a fixed date: the same map gives the same file
            entry = zipfile.ZipInfo(path, date_time=(1980, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = (0o755 if path.startswith("binaries/") else 0o644) << 16
            archive.writestr(entry, content)
    return {f"{name}.fmu": buffer.getvalue()}


def _compiled(compiler: list[str], sources: dict[str, str], library: str) -> bytes:
    with tempfile.TemporaryDirectory(prefix="diffbench-") as folder:
        for path, text in sources.items():
            (Path(folder) / path).write_text(text, encoding="utf-8")
        command = [*compiler, *_OPTIONS, "-o", library, *_c_files(sources)]
        ran = run(command, cwd=folder)
        if ran.returncode != 0:
            said = (ran.stderr.decode("utf-8", "replace").strip().splitlines() or ["it says nothing"])[0]
            raise OutputError.single(
                f"the C compiler '{shlex.join(compiler)}' refuses the unit's source ({said})",
                mend="name another compiler in the environment variable CC; CC=none: source alone",
            )
        return (Path(folder) / library).read_bytes()
