"""Compilers that stand in for real ones: which is asked, with what words, and where goes what it makes."""

from __future__ import annotations

import shutil
import struct
import sys
import zipfile
from pathlib import Path

import pytest

from diffbench.errors import OutputError
from diffbench.exports import export_map
from diffbench.results import LockingMap

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="compilers of shell scripts")


def elf(machine: int) -> bytes:
    """The header of a library for Linux: the processor at byte 18 (ELF 1.2, e_machine)."""
    return b"\x7fELF" + bytes(14) + struct.pack("<H", machine) + bytes(40)


def pe(machine: int) -> bytes:
    """The header of a library for Windows: at 0x3C where the COFF header is, the processor 4 bytes on."""
    header = b"PE\0\0" + struct.pack("<H", machine) + bytes(20)
    return b"MZ" + bytes(58) + struct.pack("<I", 0x90) + bytes(0x50) + header


def mach(kind: int) -> bytes:
    """The header of a library for macOS, its processor behind the mark."""
    return b"\xcf\xfa\xed\xfe" + struct.pack("<I", kind) + bytes(24)


FOR = {
    "linux x86_64": elf(0x3E),
    "linux aarch64": elf(0xB7),
    "win32 x86_64": pe(0x8664),
    "win32 aarch64": pe(0xAA64),
    "darwin x86_64": mach(0x01000007),
    "darwin aarch64": mach(0x0100000C),
    "linux another processor": elf(0x28),
    "win32 another processor": pe(0x014C),
    "darwin another processor": mach(0x12),
    "an unknown system with an unknown processor": b"#!/bin/sh\n" + bytes(80),
}


@pytest.fixture
def tools(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder that is all of the path, with nothing in it but a shell and what copies."""
    folder = tmp_path / "tools"
    folder.mkdir()
    for name in ("sh", "cp", "cat"):
        (folder / name).symlink_to(shutil.which(name) or "")
    monkeypatch.setenv("PATH", str(folder))
    monkeypatch.delenv("CC", raising=False)
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    return folder


def compiler(folder: Path, name: str, made: bytes) -> str:
    """Writes what it makes, whatever the source, and beside it what it was asked."""
    (folder / f"{name}.made").write_bytes(made)
    lines = (
        "#!/bin/sh",
        f'echo "$@" > {folder}/{name}.asked',
        'while [ "$1" != "-o" ]; do shift; done',
        f'cp {folder}/{name}.made "$2"',
    )
    (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
    (folder / name).chmod(0o755)
    return str(folder / name)


CROSS = {
    "x86_64-linux-gnu-gcc": ("linux x86_64", "linux64/q17.so", "x86_64-linux/q17.so"),
    "x86_64-w64-mingw32-gcc": ("win32 x86_64", "win64/q17.dll", "x86_64-windows/q17.dll"),
    "aarch64-linux-gnu-gcc": ("linux aarch64", "aarch64-linux/q17.so", "aarch64-linux/q17.so"),
    "x86_64-apple-darwin-gcc": ("darwin x86_64", "darwin64/q17.dylib", "x86_64-darwin/q17.dylib"),
    "aarch64-apple-darwin-gcc": ("darwin aarch64", "aarch64-darwin/q17.dylib", "aarch64-darwin/q17.dylib"),
}


@pytest.mark.parametrize("to", ["fmi2", "fmi3"])
@pytest.mark.parametrize("own", ["cc", "gcc", "clang"])
def test_each_machine_s_library_lies_where_the_standard_says(
    own: str, to: str, tools: Path, additive: LockingMap, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of this machine that of the first compiler there is; files of a fixed date, libraries executable."""
    monkeypatch.setattr("platform.machine", lambda: "AMD64")
    compiler(tools, own, FOR["linux x86_64"] + b"own")
    for name, (machine, _, _) in CROSS.items():
        if machine != "linux x86_64":
            compiler(tools, name, FOR[machine])
    (path,) = export_map(additive, to, tmp_path / "q17")
    with zipfile.ZipFile(path) as archive:
        held = {entry.filename: entry for entry in archive.infolist()}
        made = {name: archive.read(name) for name in held if name.startswith("binaries/")}
    wanted = {f"binaries/{row[1 if to == 'fmi2' else 2]}": FOR[row[0]] for row in CROSS.values()}
    first = f"binaries/{CROSS['x86_64-linux-gnu-gcc'][1 if to == 'fmi2' else 2]}"
    assert made == wanted | {first: FOR["linux x86_64"] + b"own"}
    for name, entry in held.items():
        assert entry.date_time == (1980, 1, 1, 0, 0, 0)
        assert entry.external_attr >> 16 == (0o755 if name.startswith("binaries/") else 0o644)
        assert entry.compress_type == zipfile.ZIP_DEFLATED
    for name in (own, *CROSS):
        if (tools / f"{name}.asked").exists():
            asked = (tools / f"{name}.asked").read_text(encoding="utf-8").split()
            assert ("-Wl,--no-insert-timestamp" in asked) == (name == "x86_64-w64-mingw32-gcc")
            assert {"-std=c99", "-shared", "-ffp-contract=off"} <= set(asked)
            assert {word for word in asked if word.endswith(".c")} == {"q17.c", "q17_law.c", f"{to}.c"}


def test_on_another_processor_the_compiler_that_is_named_makes_its_own(
    tools: Path, additive: LockingMap, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("platform.machine", lambda: "arm64")
    compiler(tools, "cc", b"never asked")
    monkeypatch.setenv("CC", f"{compiler(tools, 'mine', FOR['linux aarch64'])} -O3")
    compiler(tools, "x86_64-linux-gnu-gcc", FOR["linux x86_64"])
    (path,) = export_map(additive, "fmi3", tmp_path / "q17")
    with zipfile.ZipFile(path) as archive:
        made = {name for name in archive.namelist() if name.startswith("binaries/")}
    assert made == {"binaries/aarch64-linux/q17.so", "binaries/x86_64-linux/q17.so"}
    assert (tools / "mine.asked").read_text(encoding="utf-8").startswith("-O3 -std=c99 ")


@pytest.mark.parametrize("machine", [name for name in FOR if name != "linux x86_64"])
def test_a_library_for_another_machine_goes_nowhere(
    machine: str, tools: Path, additive: LockingMap, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("platform.machine", lambda: "x86_64")
    mine = compiler(tools, "mine", FOR[machine])
    monkeypatch.setenv("CC", mine)
    with pytest.raises(OutputError) as caught:
        export_map(additive, "fmi2", tmp_path / "q17.fmu")
    (fault,) = caught.value.faults
    assert fault.what == f"the C compiler '{mine}' makes code for {machine}, and not for linux x86_64"
    assert fault.mend == "take it out of CC: compilers for other machines are found by themselves"
    assert not (tmp_path / "q17.fmu").exists()


@pytest.mark.parametrize(
    ("says", "told"), [("echo one >&2; echo two >&2", "one"), ("echo out", "it says nothing")]
)
def test_a_compiler_that_refuses_is_told_by_its_first_line(
    says: str, told: str, tools: Path, additive: LockingMap, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("platform.machine", lambda: "x86_64")
    (tools / "cc").write_text(f"#!/bin/sh\n{says}\nexit 3\n", encoding="utf-8")
    (tools / "cc").chmod(0o755)
    with pytest.raises(OutputError) as caught:
        export_map(additive, "fmi2", tmp_path / "q17.fmu")
    (fault,) = caught.value.faults
    assert fault.what == f"the C compiler 'cc' refuses the unit's source ({told})"
    assert fault.mend == "name another compiler in the environment variable CC; CC=none: source alone"
