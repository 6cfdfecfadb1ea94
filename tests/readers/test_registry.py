"""Which reader takes a file, and what happens to a file that changes under its hands."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from diffbench.errors import ReadingError
from diffbench.readers import TextReader, read_parts, read_recording, reader_for, registry


@pytest.mark.parametrize(
    ("head", "looks"),
    [
        (b"%PDF-1.7\n" + bytes(range(256)), "a PDF"),
        (b"\x89PNG\r\n\x1a\n" + bytes(50), "an image"),
        (b"BZh91AY&SY" + bytes(50), "bzip2-compressed"),
        (bytes(50), "nothing but zeros at its start"),
        (bytes(range(1, 256)), "binary"),
    ],
)
def test_a_file_of_no_listed_format_is_called_what_it_looks_like(head, looks):
    with pytest.raises(ReadingError) as caught:
        reader_for(head, Path("log.csv"))
    assert caught.value.faults[0].what == f"the file is {looks}, which is not read here"
    assert "delimited text" in caught.value.faults[0].mend


def test_a_file_that_grows_while_it_is_read_is_refused(tmp_path, rig_of, sweep, monkeypatch):
    path = tmp_path / "sweep.csv"
    path.write_text(",".join(sweep.values()) + "\n0,1,2,3,4\n0.1,1,2,3,4\n", encoding="utf-8")

    class Slow(TextReader):
        def read_tables(self, path, settings, *, rows=None):
            yield from super().read_tables(path, settings, rows=rows)
            with path.open("a", encoding="utf-8") as file:
                file.write("0.2,1,2,3,4\n")

    monkeypatch.setattr(registry, "READERS", (Slow(),))
    with pytest.raises(ReadingError, match="written to while it was read"):
        read_recording(path, rig_of(sweep), kind="tare")
    with pytest.raises(ReadingError, match="written to while it was read"):
        list(read_parts(path, rig_of(sweep), kind="tare"))


def test_importing_the_readers_imports_no_pandas():
    code = "import sys, diffbench.readers; print('pandas' in sys.modules, 'scipy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "False"]
