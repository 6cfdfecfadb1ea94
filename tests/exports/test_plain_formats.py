"""Each plain format read back by means that are not ours: to the last bit, and a changed node shows."""

from __future__ import annotations

import ast
import csv
import json
import re
import struct
import subprocess
import sys
import time
import zlib
from pathlib import Path
from typing import Any

import h5py
import jsonschema
import numpy as np
import pytest
import xarray

from diffbench import load_map
from diffbench.errors import OutputError, QuantityError
from diffbench.exports import FORMATS, export_map
from diffbench.exports.hdf5_times import without_times
from diffbench.results import AXES, BRANCHES, RULE, LockingMap, MapDocument
from diffbench.schemas import schema

QUANTITIES = ("locking_torque_Nm", "low_Nm", "high_Nm", "tested")


def tables(held: LockingMap, branch: Any) -> dict[str, np.ndarray]:
    """The map's own tables by the names of the file."""
    return dict(
        zip(
            QUANTITIES,
            (held.values[branch], held.low[branch], held.high[branch], held.tested[branch]),
            strict=True,
        )
    )


@pytest.mark.parametrize("to", FORMATS)
def test_the_same_map_gives_the_same_bytes(
    to: str, additive: LockingMap, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No hour, no path, no order by chance: a file can be compared with what it was made of again. Binaries
    are compared where the command is tried."""
    monkeypatch.setenv("CC", "none-such-compiler")
    first = export_map(additive, to, tmp_path / "one" / "q17")
    if to == "netcdf":
        time.sleep(1.1)  # HDF5 counts whole seconds
    second = export_map(additive, to, tmp_path / "other" / "q17")
    assert [path.read_bytes() for path in first] == [path.read_bytes() for path in second]


def test_netcdf_says_no_hour(awkward: LockingMap, tmp_path: Path) -> None:
    """And HDF5's own library, which refuses a header whose checksum is wrong, opens it. Damage is not taken
    for a time."""
    (path,) = export_map(awkward, "netcdf", tmp_path / "q17.nc")
    with h5py.File(path) as file:
        assert len(file) == 3 + 4 * len(BRANCHES)
    data = path.read_bytes()
    assert without_times(data) == data
    with pytest.raises(ValueError, match="superblock"):
        without_times(b"CDF\x01" + data[4:])
    with pytest.raises(ValueError, match="root group"):
        without_times(data[:48] + b"OHDX" + data[52:])


@pytest.mark.parametrize("to", FORMATS)
def test_a_changed_node_changes_the_file(
    to: str, additive: LockingMap, perturbed: LockingMap, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CC", "none-such-compiler")
    one = export_map(additive, to, tmp_path / "one" / "q17")
    other = export_map(perturbed, to, tmp_path / "other" / "q17")
    assert [path.read_bytes() for path in one] != [path.read_bytes() for path in other]


def test_csv(awkward: LockingMap, tmp_path: Path) -> None:
    (path,) = export_map(awkward, "csv", tmp_path / "q17.csv")
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == awkward.values["mean"].size
    for name, axis in zip(AXES, awkward.axes, strict=True):
        assert sorted({float(row[name]) for row in rows}) == axis.tolist()
    for branch in BRANCHES:
        for quantity, table in tables(awkward, branch).items():
            column = [row[f"{branch}_{quantity}"] for row in rows]
            expected = table.ravel().tolist()
            if quantity == "tested":
                assert column == ["true" if tested else "false" for tested in expected]
            else:
                assert [float(text) for text in column] == expected


def by_rule(held: LockingMap, rule: dict[str, Any], torque: float, branch: Any) -> list[float]:
    """Value and limits beyond a torque end at the first speed and temperature, from a copy's own numbers."""
    side, end, inner = (0, 0, 1) if torque < 0.0 else (1, -1, -2)
    axis, value = held.axes[0], held.values[branch][:, 0, 0]
    distance = torque - axis[end]
    change = distance * (value[end] - value[inner]) / (axis[end] - axis[inner])
    there = max(value[end] + change, 0.0)
    moved = there - value[end]
    wider = max(
        rule["half_width_per_Nm"][branch][side] * abs(distance),
        rule["half_width_share_of_change"] * abs(moved),
    )
    low, high = held.low[branch][end, 0, 0], held.high[branch][end, 0, 0]
    return [there, max(low + moved - wider, 0.0), high + moved + wider]


@pytest.mark.parametrize("to", ["mat", "netcdf", "json"])
def test_the_rule_beyond_the_axes_is_in_the_file(to: str, ruled: LockingMap, tmp_path: Path) -> None:
    """In numbers, with which another tool gets what the map itself says."""
    from scipy.io import loadmat

    (path,) = export_map(ruled, to, tmp_path / "q17")
    if to == "mat":
        rule = loadmat(path, simplify_cells=True)["locking_map"]["beyond"]
    elif to == "netcdf":
        with xarray.open_dataset(path) as found:
            rule = json.loads(found.attrs["beyond"])
            assert rule["rule"] in found.attrs["comment"]
    else:
        rule = json.loads(path.read_text(encoding="utf-8"))["beyond"]
    assert (rule["input_torque"], rule["speed_difference"], rule["temperature"]) == ("linear", "held", "held")
    speed, heat = (float(axis[0]) for axis in ruled.axes[1:])
    for branch in BRANCHES:
        for torque in (-900.0, 900.0):
            read = ruled.read(torque, speed, heat, branch)
            told = [read.locking_torque, read.low, read.high]
            assert by_rule(ruled, rule, torque, branch) == pytest.approx(told, rel=1e-12)


def test_csv_says_the_rule_at_the_ends(ruled: LockingMap, tmp_path: Path) -> None:
    """Growth for each N·m, rad/s and kelvin at the nodes of an end, empty at all others."""
    (path,) = export_map(ruled, "csv", tmp_path / "q17.csv")
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    sizes = tuple(axis.size for axis in ruled.axes)
    for number, row in enumerate(rows):
        i, j, k = (int(index) for index in np.unravel_index(number, sizes))
        place = [float(axis[index]) for axis, index in zip(ruled.axes, (i, j, k), strict=True)]
        for branch in BRANCHES:
            cells = [row[f"{branch}_beyond_per_Nm"], row[f"{branch}_beyond_half_width_per_Nm"]]
            if 0 < i < sizes[0] - 1:
                assert cells == ["", ""]
                continue
            here = ruled.read(*place, branch)
            out = ruled.read(place[0] + (-2.0 if i == 0 else 2.0), place[1], place[2], branch)
            slope, grows = (float(text) for text in cells)
            assert out.locking_torque == pytest.approx(here.locking_torque + 2.0 * slope, rel=1e-9)
            assert out.high == pytest.approx(here.high + 2.0 * (slope + grows), rel=1e-9)
        share = row["beyond_half_width_share_per_K"]
        assert (share == "") == (0 < k < sizes[2] - 1)
        if share:
            here, out = ruled.read(*place), ruled.read(*place[:2], place[2] + (-2.0 if k == 0 else 2.0))
            assert out.high == pytest.approx(here.high + 2.0 * float(share) * here.locking_torque, rel=1e-9)
        assert (row["beyond_half_width_share_per_rad_s"] == "") == (0 < j < sizes[1] - 1)


def test_json(awkward: LockingMap, tmp_path: Path) -> None:
    """The contract: valid by the published schema, and the same map again."""
    (path,) = export_map(awkward, "json", tmp_path / "q17")
    content = json.loads(path.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(schema("map")).validate(content)
    assert load_map(path).document == awkward.document
    assert re.fullmatch("[0-9a-f]{64}", content["sha256"])


def mat_elements(data: bytes) -> list[tuple[int, bytes]]:
    """Tagged elements of a MAT-file of level 5, by the format's own description: type and bytes of each,
    small elements and padding to eight bytes included."""
    found, at = [], 0
    while at < len(data):
        kind, size = struct.unpack_from("<II", data, at)
        if kind >> 16:  # a small element: size and type share a word
            found.append((kind & 0xFFFF, data[at + 4 : at + 4 + (kind >> 16)]))
            at += 8
        else:
            found.append((kind, data[at + 8 : at + 8 + size]))
            at += 8 + size + (0 if kind == 15 else -size % 8)
    return found


def mat_array(element: tuple[int, bytes]) -> Any:
    """One array: numbers, text, or a struct as a dict."""
    kind, data = element
    if kind == 15:  # compressed
        ((kind, data),) = mat_elements(zlib.decompress(data))
    assert kind == 14
    flags, dimensions, _, *rest = mat_elements(data)
    sort = struct.unpack("<II", flags[1])[0]
    shape = struct.unpack(f"<{len(dimensions[1]) // 4}i", dimensions[1])
    if sort & 0xFF == 2:  # a struct: length of names, names, then the fields
        (length,) = struct.unpack("<i", rest[0][1])
        raw = rest[1][1]
        names = [raw[i : i + length].split(b"\0")[0].decode("ascii") for i in range(0, len(raw), length)]
        return dict(zip(names, (mat_array(part) for part in rest[2:]), strict=True))
    code = {1: "i1", 2: "u1", 3: "<i2", 4: "<u2", 5: "<i4", 6: "<u4", 9: "<f8", 16: "S1"}[rest[0][0]]
    values = np.frombuffer(rest[0][1], dtype=code)
    if sort & 0xFF == 4:
        return (
            b"".join(values.astype("S1").tolist()).decode("ascii") if code == "S1" else bytes(values).decode()
        )
    values = values.reshape(shape, order="F")
    return values.astype(bool) if sort & 0x200 else values


def test_mat(awkward: LockingMap, tmp_path: Path) -> None:
    """By a reader of this test's own, from the format's description; and by SciPy's."""
    from scipy.io import loadmat

    (path,) = export_map(awkward, "mat", tmp_path / "q17")
    data = path.read_bytes()
    assert data.startswith(b"MATLAB 5.0 MAT-file, locking-torque map")
    assert data[124:128] == b"\x00\x01IM"
    (element,) = mat_elements(data[128:])
    held = mat_array(element)
    for name, axis in zip(AXES, awkward.axes, strict=True):
        assert held[name].shape == (axis.size, 1)
        np.testing.assert_array_equal(held[name][:, 0], axis)
    other = loadmat(path, simplify_cells=True)["locking_map"]
    for branch in BRANCHES:
        for quantity, table in tables(awkward, branch).items():
            np.testing.assert_array_equal(held[branch][quantity], table)
            np.testing.assert_array_equal(other[branch][quantity], table)
        assert held[branch]["tested"].dtype == bool
    assert held["units"]["locking_torque_Nm"] == "N.m"
    assert held["sha256"] == awkward.digest
    about = json.loads(held["about"])
    assert about["provenance"] == awkward.document.provenance
    assert about["notes"] == list(awkward.document.notes)


def modelica_tables(text: str) -> dict[str, np.ndarray]:
    """Tables of a text file, by the library's documentation of its format."""
    lines = text.split("\n")
    assert lines[0] == "#1"
    words = " ".join(line.partition("#")[0] for line in lines[1:]).split()
    found, at = {}, 0
    while at < len(words):
        assert words[at] in {"double", "float"}
        head = re.fullmatch(r"([A-Za-z_]\w*)\((\d+),(\d+)\)", words[at + 1])
        assert head, words[at + 1]
        rows, columns = int(head[2]), int(head[3])
        numbers = [float(word) for word in words[at + 2 : at + 2 + rows * columns]]
        found[head[1]] = np.array(numbers).reshape(rows, columns)
        at += 2 + rows * columns
    return found


def test_modelica(awkward: LockingMap, tmp_path: Path) -> None:
    """Every table in its place, first column torque, first row speed; one for each temperature."""
    (path,) = export_map(awkward, "modelica", tmp_path / "q17")
    text = path.read_bytes().decode("ascii")
    assert max(len(line) for line in text.split("\n") if line.startswith("double")) < 60
    found = modelica_tables(text)
    torque, speed, heat = awkward.axes
    np.testing.assert_array_equal(found["axes_K_degC"], np.stack([np.arange(1.0, 5.0), heat], axis=-1))
    rule = awkward.beyond
    np.testing.assert_array_equal(
        found["beyond_half_width_per_Nm"][1:, 1:], [rule.half_width_per_Nm[branch] for branch in BRANCHES]
    )
    np.testing.assert_array_equal(
        found["beyond_half_width_share_per_K"][1:, 1:], [rule.half_width_share_per_K]
    )
    np.testing.assert_array_equal(
        found["beyond_half_width_share_per_rad_s"][1:, 1:], [rule.half_width_share_per_rad_s]
    )
    assert found["beyond_half_width_share_of_change"][1, 1] == rule.half_width_share_of_change
    # first rows and columns count from one, and nothing stands in the corner
    for name, rows, columns in (
        ("half_width_per_Nm", 4, 2), ("half_width_share_per_K", 1, 2), ("half_width_share_of_change", 1, 1),
    ):  # fmt: skip
        table = found[f"beyond_{name}"]
        assert table[:, 0].tolist() == [float(i) for i in range(rows + 1)]
        assert table[0].tolist() == [float(i) for i in range(columns + 1)]
    assert "LastTwoPoints" in text
    assert len(found) == 1 + 4 + 4 * len(BRANCHES) * heat.size
    for branch in BRANCHES:
        for quantity, table in tables(awkward, branch).items():
            for k in range(heat.size):
                framed = found[f"{branch}_{quantity.removesuffix('_Nm')}_{k + 1}"]
                assert framed[0, 0] == 0.0
                np.testing.assert_array_equal(framed[1:, 0], torque)
                np.testing.assert_array_equal(framed[0, 1:], speed)
                np.testing.assert_array_equal(framed[1:, 1:], table[:, :, k])


def test_netcdf(awkward: LockingMap, tmp_path: Path) -> None:
    """By xarray, coordinates and units and all."""
    (path,) = export_map(awkward, "netcdf", tmp_path / "q17")
    with xarray.open_dataset(path) as found:
        assert dict(found.sizes) == {"input_torque": 5, "speed_difference": 3, "temperature": 4}
        for name, axis in zip(found.sizes, awkward.axes, strict=True):
            np.testing.assert_array_equal(found[name], axis)
            assert "_FillValue" not in found[name].encoding
        for branch in BRANCHES:
            for quantity, table in tables(awkward, branch).items():
                variable = found[f"{branch}_{quantity.removesuffix('_Nm')}"]
                assert variable.dims == ("input_torque", "speed_difference", "temperature")
                np.testing.assert_array_equal(variable, table)
        assert found["mean_locking_torque"].units == "N m"
        assert json.loads(found.attrs["about"])["sha256"] == awkward.digest
        # between nodes, xarray's own interpolation: the rounding of a blend of eight numbers
        place = {"input_torque": 120.0, "speed_difference": 6.0, "temperature": 66.0}
        between = float(found["loading_locking_torque"].interp(place))
        assert between == pytest.approx(awkward.locking_torque(*place.values(), branch="loading"), rel=1e-13)


def test_netcdf_keeps_the_cf_conventions(awkward: LockingMap, tmp_path: Path) -> None:
    """The conventions' checker has nothing to say, in a process of its own."""
    (path,) = export_map(awkward, "netcdf", tmp_path / "q17")
    program = Path(sys.executable).with_name("compliance-checker")
    ran = subprocess.run(
        [program, "--test=cf:1.8", "--criteria=strict", path],
        capture_output=True,
        encoding="utf-8",
        check=False,
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert "All tests passed!" in ran.stdout


def test_netcdf_without_its_library(
    awkward: LockingMap, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Said with the command that installs it, and nothing is written."""
    monkeypatch.setitem(sys.modules, "netCDF4", None)
    with pytest.raises(OutputError, match="netCDF4") as caught:
        export_map(awkward, "netcdf", tmp_path / "new" / "q17.nc")
    assert "diffbench[netcdf]" in caught.value.faults[0].mend
    assert list(tmp_path.iterdir()) == []


@pytest.fixture(scope="module")
def reader(awkward: LockingMap, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The exported Python file."""
    (path,) = export_map(awkward, "python", tmp_path_factory.mktemp("reader") / "q17_map.py")
    return path


class TestPythonReader:
    """Run by an interpreter that sees no installed package, in another folder."""

    def run(self, reader: Path, code: str) -> str:
        setup = (
            f"import sys; sys.path.insert(0, {str(reader.parent)!r}); import json, math, {reader.stem} as r\n"
        )
        ran = subprocess.run(
            [sys.executable, "-I", "-S", "-c", setup + code],
            capture_output=True,
            encoding="utf-8",
            check=True,
        )
        return ran.stdout

    def test_answers_as_the_map_does(self, reader: Path, awkward: LockingMap, places: np.ndarray) -> None:
        """To the last bit: the same operations in the same order."""
        code = (
            f"held = r.embedded()\nplaces = json.loads({json.dumps(places.tolist())!r})\n"
            "print(json.dumps([[b, held.locking_torque(*p, b), *held.interval(*p, b), held.is_tested(*p, b)]"
            " for b in r.BRANCHES for p in places]))"
        )
        found = json.loads(self.run(reader, code))
        expected: list[list[Any]] = []
        for branch in BRANCHES:
            for place in places.tolist():
                told = awkward.read(*place, branch=branch)
                expected.append([branch, told.locking_torque, told.low, told.high, told.tested])
        assert found == expected

    def test_answers_alike_from_files_of_now_and_before(
        self, reader: Path, ruled: LockingMap, places: np.ndarray, tmp_path: Path
    ) -> None:
        """With the rule in the file; and without rule and branch, which the reader then makes of the tables
        as the library does, also where a flank is not in the map or the law may have a corner beyond."""
        before = ruled.document.model_dump(mode="json")
        del before["branches"]["either"]
        for branch in before["branches"].values():
            del branch["by_the_law_Nm"]
        before["beyond"] = before["interpolation"] = before["sha256"] = before["predicted"] = None
        drive = json.loads(json.dumps(before))
        drive["law"] = "greater-of"
        drive["axes"]["input_torque_Nm"] = drive["axes"]["input_torque_Nm"][2:]
        for branch in drive["branches"].values():
            branch.update({name: table[2:] for name, table in branch.items()})
        maps = [ruled, *(LockingMap(MapDocument.model_validate(each)) for each in (before, drive))]
        for number, held in enumerate(maps):
            path = tmp_path / f"map{number}.json"
            path.write_text(held.to_json(), encoding="utf-8")
            assert load_map(path).document == held.document
            code = (
                f"held = r.load({str(path)!r})\nplaces = json.loads({json.dumps(places.tolist())!r})\n"
                "print(json.dumps([[held.locking_torque(*p), *held.interval(*p), held.is_tested(*p),"
                " held.is_beyond(*p)] for p in places]))"
            )
            told = [held.read(*place) for place in places.tolist()]
            assert json.loads(self.run(reader, code)) == [
                [each.locking_torque, each.low, each.high, each.tested, each.beyond] for each in told
            ]

    def test_says_the_same_rule(self, reader: Path) -> None:
        assert self.run(reader, "print(r.RULE)").strip() == RULE

    def test_reads_other_maps(self, reader: Path, perturbed: LockingMap, tmp_path: Path) -> None:
        other = tmp_path / "map.json"
        other.write_text(perturbed.to_json(), encoding="utf-8")
        place = [axis[i] for axis, i in zip(perturbed.axes, (1, 2, 2), strict=True)]
        printed = self.run(
            reader,
            f"print(repr(r.load({str(other)!r}).locking_torque(*{place!r}, 'loading')))".replace(
                "np.float64", ""
            ),
        )
        assert float(printed) == perturbed.values["loading"][1, 2, 2]

    @pytest.mark.parametrize(
        ("change", "said"),
        [
            ("content['format'] = 'diffbench-map/2'", "this reader knows diffbench-map/1"),
            ("content['unit'] = 'Q18'", "does not match its hash"),
            ("content['branches']['mean']['low_Nm'][0][0][0] += 1", "does not match its hash"),
            ("content['branches']['mean']['low_Nm'][0][0][0] = math.nan", "holds no number"),
            ("content['branches']['mean']['low_Nm'].pop()", "another shape"),
            ("content['axes']['temperature_degC'][1] = 0.0", "does not rise"),
            ("del content['branches']['loading']", "not whole"),
        ],
    )
    def test_refuses_what_it_should(self, reader: Path, change: str, said: str) -> None:
        code = (
            f"content = json.loads(r.EMBEDDED)\n{change}\n"
            "try:\n    r.LockingMap(content)\nexcept r.MapError as error:\n    print(error)"
        )
        assert said in self.run(reader, code)

    def test_is_written_for_old_interpreters(self, reader: Path) -> None:
        """The grammar of Python 3.8, and nothing imported but what every Python has."""
        tree = ast.parse(reader.read_text(encoding="utf-8"), feature_version=(3, 8))
        named = [node for node in ast.walk(tree) if isinstance(node, ast.Import | ast.ImportFrom)]
        modules = {node.module if isinstance(node, ast.ImportFrom) else node.names[0].name for node in named}
        assert modules == {"__future__", "bisect", "hashlib", "json", "math", "sys", "typing"}

    def test_refuses_text_that_is_cut_off(self, reader: Path) -> None:
        code = "try:\n    r.loads(r.EMBEDDED[:999])\nexcept r.MapError as error:\n    print(error)"
        assert "cut off" in self.run(reader, code)

    def test_no_number_stays_none(self, reader: Path) -> None:
        code = "m = r.embedded(); print(m.locking_torque(math.nan, 4, 60), m.is_tested(math.nan, 4, 60))"
        assert self.run(reader, code) == "nan False\n"

    def test_below_absolute_zero_is_refused(self, reader: Path) -> None:
        """By each question; what is infinite is no place, and gives no number."""
        code = (
            "m = r.embedded(); ask = m.locking_torque\n"
            "print(ask(1, 4, -math.inf), ask(1, 4, -273.15) >= 0)\n"
            "for ask in (m.locking_torque, m.interval, m.is_tested, m.is_beyond):\n"
            "    try:\n        print(ask(1, 4, -273.16))\n"
            "    except r.MapError as error:\n        print('below absolute zero' in str(error))"
        )
        assert self.run(reader, code) == "nan True\n" + 4 * "True\n"

    def test_from_a_shell(self, reader: Path, awkward: LockingMap) -> None:
        ran = subprocess.run(
            [sys.executable, "-I", "-S", reader, "100", "4", "60", "loading"],
            capture_output=True,
            encoding="utf-8",
            check=True,
        )
        assert ran.stdout.startswith(
            f"{awkward.locking_torque(100.0, 4.0, 60.0, branch='loading'):.6g} N.m, "
        )
        cold = [sys.executable, "-I", "-S", reader, "100", "4", "-300"]
        ran = subprocess.run(cold, capture_output=True, encoding="utf-8", check=False)
        with pytest.raises(QuantityError) as refused:
            awkward.locking_torque(100.0, 4.0, -300.0)
        assert (ran.returncode, ran.stderr) == (2, f"{refused.value}\n")
        wrong = subprocess.run([sys.executable, "-I", "-S", reader, "much"], capture_output=True, check=False)
        assert wrong.returncode == 2
        assert b"usage" in wrong.stderr


def at_one_speed(torques: list[float], tables: dict[str, list[list[list[float]]]]) -> LockingMap:
    """A map over torque alone, every branch with the same tables."""
    return LockingMap(
        MapDocument.model_validate(
            {
                "format": "diffbench-map/1", "unit": "Q17", "build": "a", "law": "additive",
                "confidence": 0.95, "axes": {AXES[0]: torques, AXES[1]: [4.0], AXES[2]: [60.0]},
                "branches": dict.fromkeys(("loading", "unloading", "mean"), tables),
                "beyond": {
                    "half_width_share_of_change": 0.12,
                    "half_width_per_Nm": {branch: [0.03, 0.05] for branch in BRANCHES},
                    "half_width_share_per_rad_s": [0.3, 0.02], "half_width_share_per_K": [0.004, 0.0055],
                },
                "notes": [], "provenance": {},
            }
        )
    )  # fmt: skip


def test_a_map_of_one_node_is_one_line_of_text(tmp_path: Path) -> None:
    """At both ends of each axis at once: nothing goes on along torque, of two shares the larger counts."""
    tables = {"locking_torque_Nm": [[[90.0]]], "low_Nm": [[[81.0]]], "high_Nm": [[[104.0]]],
              "tested": [[[True]]]}  # fmt: skip
    held = at_one_speed([150.0], tables)
    (path,) = export_map(held, "csv", tmp_path / "one")
    with path.open(encoding="utf-8", newline="") as file:
        (row,) = csv.DictReader(file)
    assert [row[axis] for axis in AXES] == ["150.0", "4.0", "60.0"]
    for branch in BRANCHES:
        assert [row[f"{branch}_{name}"] for name in QUANTITIES] == ["90.0", "81.0", "104.0", "true"]
        assert row[f"{branch}_beyond_per_Nm"] == "0.0"
        assert row[f"{branch}_beyond_half_width_per_Nm"] == "0.03"
    assert row["beyond_half_width_share_per_rad_s"] == "0.3"
    assert row["beyond_half_width_share_per_K"] == "0.0055"


def test_text_at_the_ends_says_what_a_large_change_adds(tmp_path: Path) -> None:
    """Outwards by half a newton metre each, of which 0.12 is more than the 0.03 that is stated; inwards on
    the other flank by a tenth, of which it is less."""
    tables = {"locking_torque_Nm": [[[60.0]], [[50.0]], [[200.0]]], "low_Nm": [[[55.0]], [[45.0]], [[190.0]]],
              "high_Nm": [[[65.0]], [[55.0]], [[210.0]]], "tested": [[[True]]] * 3}  # fmt: skip
    held = at_one_speed([-100.0, 0.0, 300.0], tables)
    (path,) = export_map(held, "csv", tmp_path / "three")
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    cells = [[row["mean_beyond_per_Nm"], row["mean_beyond_half_width_per_Nm"]] for row in rows]
    assert cells[1] == ["", ""]
    assert [float(text) for text in cells[0]] == pytest.approx([0.1, 0.03])
    assert [float(text) for text in cells[2]] == pytest.approx([0.5, 0.06])


def test_netcdf_has_nothing_missing_and_says_what_its_flags_mean(
    additive: LockingMap, tmp_path: Path
) -> None:
    """No fill value on any variable (CF 1.8, 2.5.1: a coordinate has none); 0 is extrapolated, 1 tested."""
    (path,) = export_map(additive, "netcdf", tmp_path / "q17")
    with h5py.File(path) as file:
        assert {"law_value", "law_covariance", "temperature"} <= set(file)
        for name, variable in file.items():
            assert "_FillValue" not in variable.attrs, name
        for branch in BRANCHES:
            flags = file[f"{branch}_tested"]
            assert flags.attrs["flag_values"].tolist() == [0, 1]
            assert flags.attrs["flag_meanings"].decode() == "extrapolated tested"
            np.testing.assert_array_equal(flags[:], additive.tested[branch].astype(int))


def test_a_mat_file_begins_as_the_format_says(awkward: LockingMap, tmp_path: Path) -> None:
    """116 bytes of text, then what any file of scipy has up to its first element: no subsystem, the version,
    the order of bytes."""
    import io

    from scipy.io import savemat

    (path,) = export_map(awkward, "mat", tmp_path / "q17")
    buffer = io.BytesIO()
    savemat(buffer, {"x": 3.0}, format="5")
    content = path.read_bytes()
    assert (
        content[:116]
        .decode("ascii")
        .startswith("MATLAB 5.0 MAT-file, locking-torque map, written by diffbench")
    )
    assert content[116:128] == buffer.getvalue()[116:128]
