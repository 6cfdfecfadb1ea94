"""Binaries of a simulation unit's source, for every machine that a compiler here makes one for.

Cross compilers are Debian's ``gcc-mingw-w64-x86-64`` and ``gcc-aarch64-linux-gnu``, else the one that comes
as a Python package (the extra ``units``), which makes all of them. What a compiler made is looked at: a file
goes nowhere but where its own header says that it runs.
"""

from __future__ import annotations

import importlib.util
import os
import platform
import shlex
import shutil
import struct
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

from diffbench.children import run
from diffbench.errors import OutputError

__all__ = ["MACHINES", "Machine", "binaries", "compilers"]

_OPTIONS = ("-std=c99", "-O2", "-ffp-contract=off", "-fPIC", "-shared", "-fvisibility=hidden", "-s")


@dataclass(frozen=True)
class Machine:
    """A machine that a unit may run on.

    Attributes
    ----------
    system, processor : str
        As `sys.platform` and `platform.machine` have them, in lower case.
    folder_2, folder_3 : str
        Where its binary lies by FMI 2.0 (section 2.3; the standard names none for aarch64) and 3.0 (2.5).
    ending : str
        Of its binary.
    cross : str
        Prefix of a compiler for it.
    target : str
        What the compiler from the Python package calls it.
    """

    system: str
    processor: str
    folder_2: str
    folder_3: str
    ending: str
    cross: str
    target: str


MACHINES = (
    Machine("linux", "x86_64", "linux64", "x86_64-linux", "so", "x86_64-linux-gnu", "x86_64-linux-gnu.2.17"),
    Machine("win32", "x86_64", "win64", "x86_64-windows", "dll", "x86_64-w64-mingw32", "x86_64-windows-gnu"),
    Machine(
        "linux",
        "aarch64",
        "aarch64-linux",
        "aarch64-linux",
        "so",
        "aarch64-linux-gnu",
        "aarch64-linux-gnu.2.17",
    ),
    Machine("darwin", "x86_64", "darwin64", "x86_64-darwin", "dylib", "x86_64-apple-darwin", "x86_64-macos"),
    Machine(
        "darwin",
        "aarch64",
        "aarch64-darwin",
        "aarch64-darwin",
        "dylib",
        "aarch64-apple-darwin",
        "aarch64-macos",
    ),
)


def binaries(sources: dict[str, str], c_files: list[str]) -> dict[Machine, bytes]:
    """The shared library of a source, by machine.

    Parameters
    ----------
    sources : dict
        Text by name of the file.
    c_files : list of str
        Which of them are compiled.

    Raises
    ------
    OutputError
        A compiler refuses the source, or makes code for another machine than it was asked for.
    """
    return {machine: _made(machine, compiler, sources, c_files) for machine, compiler in compilers().items()}


def compilers() -> dict[Machine, list[str]]:
    """A compiler for each machine that there is one for.

    For this machine it is what ``CC`` says, else cc, gcc or clang; where ``CC`` names none that is there,
    there is none for any machine.
    """
    told = shlex.split(os.environ.get("CC", ""))
    if told and not shutil.which(told[0]):
        return {}
    processor = {"amd64": "x86_64", "arm64": "aarch64"}.get(
        platform.machine().lower(), platform.machine().lower()
    )
    found = {}
    for machine in MACHINES:
        here = (machine.system, machine.processor) == (sys.platform, processor)
        tried = [[f"{machine.cross}-gcc"]]
        if here:
            tried = [told] if told else [["cc"], ["gcc"], ["clang"]]
        if importlib.util.find_spec("ziglang") is not None:
            tried.append([sys.executable, "-m", "ziglang", "cc", "-target", machine.target])
        compiler = next((words for words in tried if shutil.which(words[0])), None)
        if compiler is not None:
            found[machine] = compiler
    return found


def _made(machine: Machine, compiler: list[str], sources: dict[str, str], c_files: list[str]) -> bytes:
    library = f"unit.{machine.ending}"
    # the linker for Windows writes the hour into a file: the same map is to give the same one
    dated = ["-Wl,--no-insert-timestamp"] if compiler[0].endswith("mingw32-gcc") else []
    with tempfile.TemporaryDirectory(prefix="diffbench-") as folder:
        for path, text in sources.items():
            (Path(folder) / path).write_text(text, encoding="utf-8")
        ran = run([*compiler, *_OPTIONS, *dated, "-o", library, *c_files], cwd=folder)
        if ran.returncode != 0:
            said = (ran.stderr.decode("utf-8", "replace").strip().splitlines() or ["it says nothing"])[0]
            raise OutputError.single(
                f"the C compiler '{shlex.join(compiler)}' refuses the unit's source ({said})",
                mend="name another compiler in the environment variable CC; CC=none: source alone",
            )
        content = (Path(folder) / library).read_bytes()
    if (made := _runs_on(content)) != (machine.system, machine.processor):
        raise OutputError.single(
            f"the C compiler '{shlex.join(compiler)}' makes code for {' '.join(made)}, and not for "
            f"{machine.system} {machine.processor}",
            mend="take it out of CC: compilers for other machines are found by themselves",
        )
    return content


def _runs_on(content: bytes) -> tuple[str, str]:
    """System and processor that a library says it is for.

    Source: Tool Interface Standard, ELF 1.2 (e_machine); PE format, COFF header (Machine); Mach-O (cputype).
    """
    processors: dict[int, str]
    if content[:4] == b"\x7fELF":
        processors = {0x3E: "x86_64", 0xB7: "aarch64"}
        return "linux", processors.get(struct.unpack_from("<H", content, 18)[0], "another processor")
    if content[:2] == b"MZ":
        header = struct.unpack_from("<I", content, 0x3C)[0]
        processors = {0x8664: "x86_64", 0xAA64: "aarch64"}
        return "win32", processors.get(struct.unpack_from("<H", content, header + 4)[0], "another processor")
    if content[:4] == b"\xcf\xfa\xed\xfe":
        processors = {0x01000007: "x86_64", 0x0100000C: "aarch64"}
        return "darwin", processors.get(struct.unpack_from("<I", content, 4)[0], "another processor")
    return "an unknown system", "with an unknown processor"
