"""Rigs and files for the readers, and a writer for each format that the compliance suite runs over."""

from __future__ import annotations

import importlib
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest
from forked import Forked

from diffbench.documents import FileSettings, Rig
from diffbench.readers import RawTable, TextReader, child, read_recording
from diffbench.recording import Recording

sys.path.insert(0, str(Path(__file__).parent))  # tests are no package, and fuzz.py is a command of its own

from writers import FORMATS, Format

SWEEP = {
    "time": "Time [s]",
    "left_torque": "Torque LH [Nm]",
    "right_torque": "Torque RH [Nm]",
    "left_speed": "Speed LH [1/min]",
    "right_speed": "Speed RH [1/min]",
}
HEADER = ",".join(SWEEP.values())


def make_rig(
    channels: Mapping[str, Any], *, arrangement: str = "both-outputs", file: Mapping[str, Any] | None = None
) -> Rig:
    """Return a rig; a channel is its column's name, or a table of its keys."""
    tables = {name: {"column": c} if isinstance(c, str) else dict(c) for name, c in channels.items()}
    return Rig.model_validate(
        {
            "format": "diffbench-rig/1",
            "name": "Cell",
            "arrangement": arrangement,
            "file": dict(file or {}),
            "channel": tables,
        }
    )


@pytest.fixture(scope="session")
def formats() -> tuple[Format, ...]:
    return FORMATS


@pytest.fixture(params=FORMATS, ids=lambda f: f.name)
def file_format(request: pytest.FixtureRequest) -> Format:
    chosen: Format = request.param
    return chosen


@pytest.fixture(scope="session")
def rig_of() -> Callable[..., Rig]:
    return make_rig


@pytest.fixture(scope="session")
def sweep() -> dict[str, str]:
    return dict(SWEEP)


ReadText = Callable[..., RawTable]
ReadSweep = Callable[..., Recording]


@pytest.fixture(scope="session")
def read_text(tmp_path_factory: pytest.TempPathFactory) -> ReadText:
    """Return a function that reads a text, given as str or bytes, with settings of the rig."""
    folder = tmp_path_factory.mktemp("texts")

    def read(
        content: str | bytes, *, block_size: int = 1 << 20, at_once: int = 1 << 22, **settings: Any
    ) -> RawTable:
        path = folder / "log.txt"
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        reader = TextReader(block_size=block_size, at_once=at_once)
        (table,) = reader.read_tables(path, FileSettings.model_validate(settings))
        return table

    return read


@pytest.fixture(scope="session")
def read_sweep(tmp_path_factory: pytest.TempPathFactory) -> ReadSweep:
    """Return a function that reads a text as a run, on the sweep's rig with changes."""
    folder = tmp_path_factory.mktemp("sweeps")

    def read(
        content: str | bytes,
        *,
        kind: str = "bias-sweep",
        channels: Mapping[str, Any] | None = None,
        file: Mapping[str, Any] | None = None,
        arrangement: str = "both-outputs",
    ) -> Recording:
        path = folder / "sweep.csv"
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        rig = make_rig(SWEEP if channels is None else channels, arrangement=arrangement, file=file)
        return read_recording(path, rig, kind=kind)

    return read


@pytest.fixture(scope="session")
def native_libraries() -> Iterator[dict[str, Forked]]:
    """The process apart of readers, with what takes long to load there already, by the reader's module."""
    apart = "diffbench.readers.child"
    modules = [f"diffbench.readers.{name}" for name in ("arrow", "compressed", "hdf5", "workbook")]
    libraries = ["pyarrow.parquet", "pyarrow.ipc", "zstandard", "h5py", "python_calamine"]
    mdf = "diffbench.readers.mdf"
    with (
        Forked(apart, [*libraries, *modules], barred=["pandas"]) as most,
        Forked(apart, ["asammdf", mdf]) as with_pandas,
    ):
        yield {**dict.fromkeys(modules, most), mdf: with_pandas}


@pytest.fixture
def many_read_apart(native_libraries: dict[str, Forked], monkeypatch: pytest.MonkeyPatch) -> None:
    """Files of native libraries are read in a fork of one process: for tests that read dozens of them."""

    def run(command: Sequence[str], **options: Any) -> subprocess.CompletedProcess[bytes]:
        words = command[command.index("diffbench.readers.child") :]
        return native_libraries[words[1]].run(words, **options)

    monkeypatch.setattr("diffbench.readers.child.run", run)


@pytest.fixture
def read_here(monkeypatch: pytest.MonkeyPatch) -> None:
    """Files of native libraries are read in this process, without the limits of one apart: where every line
    of their readers shall be seen to be run by a test."""
    importlib.import_module("pandas")  # which a reader else bars from this process, for all that follow
    monkeypatch.setattr(child, "_limit", lambda _: None)

    def run(command: Sequence[str], **_: Any) -> subprocess.CompletedProcess[bytes]:
        words = command[command.index("diffbench.readers.child") + 1 :]
        return subprocess.CompletedProcess(command, child.main(*words))

    monkeypatch.setattr(child, "run", run)
