"""The C export: compiled strictly and with sanitizers, and held against Python to the last bit."""

from __future__ import annotations

import ctypes
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from benchsim.driveline import Coupling

from diffbench.exports import export_map
from diffbench.exports.c_source import ORDER, c_identifier
from diffbench.results import LockingMap

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


class Reading(ctypes.Structure):
    """As in the header."""

    _fields_ = [  # ctypes wants it so
        ("locking_torque", ctypes.c_double),
        ("low", ctypes.c_double),
        ("high", ctypes.c_double),
        ("tested", ctypes.c_int32),
        ("beyond", ctypes.c_int32),
    ]


class Differential(ctypes.Structure):
    """As in the header."""

    _fields_ = [
        ("branch", ctypes.c_int32),
        ("output_inertia", ctypes.c_double),
        ("friction_torque", ctypes.c_double),
        ("speed_difference", ctypes.c_double),
    ]


class Outputs(ctypes.Structure):
    """As in the header."""

    _fields_ = [
        ("left_torque", ctypes.c_double),
        ("right_torque", ctypes.c_double),
        ("locked", ctypes.c_int32),
        ("reading", Reading),
    ]


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
    """No number, an unknown branch: a status, and numbers that are none."""
    host = compiled(folder, "host_bad", ["host.c", "q17.c"])
    lines = ["0 nan 4 60", "1 100 nan 60", "2 100 4 nan", "4 100 4 60", "-1 100 4 60", "0 inf 4 60"]
    found = ask(host, lines)
    assert [line[0] for line in found] == ["1", "1", "1", "2", "2", "1"]  # infinite is no place
    for line in found:
        assert all("nan" in text for text in (*line[1:4], line[6]))
        assert line[4:6] == ["0", "1"]


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
    assert c_identifier("17-a map.v2") == "map_17_a_map_v2"
    compiled(tmp_path, "map.o", ["17-a map.v2.c"], "-c")
    assert "map_17_a_map_v2_read" in (tmp_path / "17-a map.v2.h").read_text(encoding="utf-8")


class TestBetweenTwoOutputs:
    """The differential of the C source, in hosts of this test's own."""

    @pytest.fixture
    def library(self, folder: Path, compiled: Callable[..., Path]) -> ctypes.CDLL:
        library = ctypes.CDLL(str(compiled(folder, "libq17.so", ["q17.c"], "-shared", "-fPIC")))
        number, whole = ctypes.c_double, ctypes.c_int32
        library.q17_start.argtypes = [ctypes.c_void_p, whole, number, number, number, number]
        library.q17_step.argtypes = [
            *(ctypes.c_void_p, number, number, number, number, number),
            ctypes.c_void_p,
        ]
        return library

    def test_python_and_c_step_alike(self, library: ctypes.CDLL, awkward: LockingMap) -> None:
        """Against the same form written anew in Python, over random histories: to the last bit."""
        rng = np.random.default_rng(3)
        for index, branch in enumerate(ORDER):
            differential, outputs = Differential(), Outputs()
            assert library.q17_start(ctypes.byref(differential), index, 0.7, 2.0, 50.0, 60.0) == 0
            mirror = Coupling(awkward, branch, 0.7, 2.0, 50.0, 60.0)
            left = right = 2.0
            for _ in range(400):
                left, right = left + rng.normal(0.0, 0.3), right + rng.normal(0.0, 0.3)
                args = (0.002, rng.uniform(-300, 400), left, right, rng.uniform(30, 100))
                assert library.q17_step(ctypes.byref(differential), *args, ctypes.byref(outputs)) == 0
                wanted = mirror.step(*args)
                assert (outputs.left_torque, outputs.right_torque, bool(outputs.locked)) == wanted
                assert outputs.reading.locking_torque == awkward.locking_torque(
                    args[1], left - right, args[4], branch=branch
                )

    @pytest.mark.parametrize(
        "args",
        [
            (0.0, 1.0, 1.0, 1.0, 60.0),
            (-0.001, 1.0, 1.0, 1.0, 60.0),
            (float("nan"), 1.0, 1.0, 1.0, 60.0),
            (0.001, float("nan"), 1.0, 1.0, 60.0),
            (0.001, 1.0, float("inf"), 1.0, 60.0),
            (0.001, 1.0, 1.0, 1.0, float("nan")),
        ],
    )
    def test_a_step_that_cannot_be_changes_nothing(self, args: Any, library: ctypes.CDLL) -> None:
        differential, outputs = Differential(), Outputs()
        assert library.q17_start(ctypes.byref(differential), 0, 1.0, 2.0, 50.0, 60.0) == 0
        before = bytes(differential)
        assert library.q17_step(ctypes.byref(differential), *args, ctypes.byref(outputs)) != 0
        assert bytes(differential) == before

    @pytest.mark.parametrize("start", [(0, 0.0), (0, -1.0), (0, float("nan")), (4, 1.0), (-1, 1.0)])
    def test_an_inertia_or_branch_that_cannot_be(
        self, start: tuple[int, float], library: ctypes.CDLL
    ) -> None:
        assert library.q17_start(ctypes.byref(Differential()), *start, 2.0, 50.0, 60.0) == 2
