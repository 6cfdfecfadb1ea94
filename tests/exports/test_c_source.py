"""The C export: compiled strictly and with sanitizers, and held against Python to the last bit."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from edited import edited

from diffbench.exports import export_map
from diffbench.results import Branch, LockingMap

# In the order of the numbers that the header gives to the branches.
ORDER: tuple[Branch, ...] = ("mean", "loading", "unloading", "either")
HOST = r"""
#include <stdio.h>
#include "q17.h"

/* Reads places, prints what the map says of them, as hexadecimal floats. */
int main(void)
{
    int branch;
    double torque, speed, heat;
    while (scanf("%d %la %la %la", &branch, &torque, &speed, &heat) == 4)
    {
        q17_reading found;
        const int32_t status = q17_read((int32_t)branch, torque, speed, heat, &found);
        const double alone = q17_locking_torque((int32_t)branch, torque, speed, heat);
        printf("%d %a %a %a %d %d %a\n", (int)status, found.locking_torque, found.low, found.high,
               (int)found.tested, (int)found.beyond, alone);
    }
    return 0;
}
"""


@pytest.fixture(scope="module")
def folder(awkward: LockingMap, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Header and source, and the host beside them."""
    folder = tmp_path_factory.mktemp("c")
    written = export_map(awkward, "c", folder / "q17.h")
    assert [path.name for path in written] == ["q17.h", "q17.c"]
    (folder / "host.c").write_text(HOST, encoding="utf-8")
    return folder


def ask(host: Path, lines: list[str]) -> list[list[str]]:
    """What the host prints for lines of places."""
    ran = subprocess.run([host], input="\n".join(lines), capture_output=True, encoding="utf-8", check=False)
    assert ran.returncode == 0, ran.stderr
    return [line.split() for line in ran.stdout.splitlines()]


@pytest.mark.parametrize("options", [[], ["-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"]])
def test_answers_as_the_map_does(
    options: list[str],
    folder: Path,
    awkward: LockingMap,
    places: np.ndarray,
    compiled: Callable[..., Path],
) -> None:
    """To the last bit, within, on nodes and edges, beyond; plain, and watched for every wrong access."""
    host = compiled(folder, f"host{len(options)}", ["host.c", "q17.c"], *options)
    lines = [" ".join([str(b), *(value.hex() for value in p)]) for b in range(4) for p in places.tolist()]
    found = ask(host, lines)
    expected = []
    for branch in ORDER:
        for place in places.tolist():
            told = awkward.read(*place, branch=branch)
            expected.append([0, told.locking_torque, told.low, told.high, told.tested, told.beyond])
    assert len(found) == len(expected)
    for (status, value, low, high, tested, beyond, alone), wanted in zip(found, expected, strict=True):
        numbers = [float.fromhex(text) for text in (value, low, high)]
        assert [int(status), *numbers, int(tested), int(beyond)] == wanted
        assert float.fromhex(alone) == numbers[0]


def test_answers_by_the_rule_of_the_map(
    ruled: LockingMap, places: np.ndarray, tmp_path: Path, compiled: Callable[..., Path]
) -> None:
    """Its own numbers beyond the axes, not those that its tables would give."""
    export_map(ruled, "c", tmp_path / "q17.h")
    (tmp_path / "host.c").write_text(HOST, encoding="utf-8")
    host = compiled(tmp_path, "host", ["host.c", "q17.c"])
    found = ask(host, [" ".join(["3", *(value.hex() for value in p)]) for p in places.tolist()])
    assert any(line[5] == "1" for line in found)
    for line, place in zip(found, places.tolist(), strict=True):
        told = ruled.read(*place)
        assert [float.fromhex(text) for text in line[1:4]] == [told.locking_torque, told.low, told.high]


def test_says_what_is_no_place(folder: Path, compiled: Callable[..., Path]) -> None:
    """No number, an unknown branch, below absolute zero: a status, and numbers that are none."""
    host = compiled(folder, "host_bad", ["host.c", "q17.c"])
    lines = ["0 nan 4 60", "1 100 nan 60", "2 100 4 nan", "4 100 4 60", "-1 100 4 60", "0 inf 4 60"]
    lines += ["0 100 4 -273.16", "0 100 4 -1e300", "3 100 4 -inf"]
    found = ask(host, lines)
    # infinite is no place
    assert [line[0] for line in found] == ["1", "1", "1", "2", "2", "1", "3", "3", "1"]
    for line in found:
        assert all("nan" in text for text in (*line[1:4], line[6]))
        assert line[4:6] == ["0", "1"]
    assert ask(host, ["0 100 4 -273.15"])[0][0] == "0"


def test_header_is_one_for_cpp_too(folder: Path, compiled: Callable[..., Path]) -> None:
    """Guarded against being included twice; every function has its name in front; no allocation."""
    text = (folder / "q17.h").read_text(encoding="utf-8") + (folder / "q17.c").read_text(encoding="utf-8")
    assert 'extern "C"' in text
    for word in ("malloc", "calloc", "free(", "<math.h>", "<stdlib.h>", "goto"):
        assert word not in text
    assert text.isascii()
    (folder / "twice.c").write_text('#include "q17.h"\n#include "q17.h"\n', encoding="utf-8")
    compiled(folder, "twice.o", ["twice.c"], "-c")


def test_names_that_c_does_not_know(
    awkward: LockingMap, tmp_path: Path, compiled: Callable[..., Path]
) -> None:
    """A file may be called anything: functions are called what C allows."""
    export_map(awkward, "c", tmp_path / "17-a map.v2.c")
    compiled(tmp_path, "map.o", ["17-a map.v2.c"], "-c")
    assert "map_17_a_map_v2_read" in (tmp_path / "17-a map.v2.h").read_text(encoding="utf-8")


def test_single_precision(
    awkward: LockingMap, places: np.ndarray, tmp_path: Path, compiled: Callable[..., Path]
) -> None:
    """For small controllers: no double is left in it, it says how large its tables are, and it answers as the
    map to some ten units of the last place of a float."""
    export_map(awkward, "c", tmp_path / "q17", precision="single")
    code = (tmp_path / "q17.c").read_text(encoding="utf-8") + (tmp_path / "q17.h").read_text(encoding="utf-8")
    assert "double" not in code.replace("1e300", "")
    nodes = 5 * 3 * 4
    assert f"tables take {4 * nodes * (3 * 4 + 1) + 4 * (5 + 3 + 4)} bytes" in code
    (tmp_path / "host.c").write_text(edited(HOST, "speed, heat, &", "(float)speed, (float)heat, &"), "utf-8")
    host = compiled(tmp_path, "host", ["host.c", "q17.c"], "-Wno-conversion", "-Wno-double-promotion")
    found = ask(host, [" ".join(["1", *(value.hex() for value in p)]) for p in places.tolist()])
    for line, place in zip(found, places.tolist(), strict=True):
        told = awkward.read(*place, branch="loading")
        numbers = [float.fromhex(text) for text in line[1:4]]
        np.testing.assert_allclose(numbers, [told.locking_torque, told.low, told.high], rtol=3e-6, atol=1e-3)


def test_numbers_are_doubles_of_c_and_their_room_is_told(awkward: LockingMap, tmp_path: Path) -> None:
    """Sixty nodes on four branches, three doubles and a flag each, and the axes; numbers have a point."""
    export_map(awkward, "c", tmp_path / "q17")
    code = "".join((tmp_path / f"q17{end}").read_text(encoding="utf-8") for end in (".c", ".h"))
    assert f"tables take {4 * 60 * (3 * 8 + 1) + 8 * (5 + 3 + 4)} bytes" in code
    assert "torque_axis[N_TORQUE] = {-310.25, -100.1, 0.0, 47.3, 402.7};" in code
    assert "static const int32_t inner_node[2] = {1, 3};" in code
    (line,) = [line for line in code.splitlines() if "heat_axis[N_HEAT] = " in line]
    assert line.endswith("{40.1, 59.9, 77.7, 93.3};")
    flags = code.partition("tested_table[4][N_TORQUE][N_SPEED][N_HEAT] = ")[2].partition(";")[0]
    assert flags.count("1U") + flags.count("0U") == 4 * 60
    assert flags.count("1U") == sum(int(awkward.tested[branch].sum()) for branch in ORDER)
