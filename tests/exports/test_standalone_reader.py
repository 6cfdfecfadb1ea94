"""The reader that goes with a map, asked in this process: by hand, and against the map's own answers."""

from __future__ import annotations

import copy
import hashlib
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from diffbench.exports import standalone_reader
from diffbench.exports.standalone_reader import LockingMap as Reader
from diffbench.exports.standalone_reader import MapError, embedded, load, loads, main
from diffbench.results import AXES, BRANCHES, LockingMap, MapDocument

TORQUES, SPEEDS, HEATS = [-200.0, 0.0, 300.0], [2.0, 6.0], [40.0, 80.0]


def plane(torque: float, speed: float, heat: float) -> float:
    """Linear along each axis on either flank, crosswise as well."""
    ramp = torque * (0.5 if torque >= 0.0 else -0.25)
    return 100.0 + ramp * (1.0 + 0.02 * speed) - 2.0 * speed - 0.1 * heat + 0.01 * speed * heat


def axes_of(*axes: list[float]) -> dict[str, list[float]]:
    """Axes by their names, in lists of their own."""
    return {name: list(axis) for name, axis in zip(AXES, axes, strict=True)}


def content(**changed: Any) -> dict[str, Any]:
    """A map of those nodes: limits 5 below and 8 above, unloading 20 more, tested to 60 °C."""

    def table(more: float) -> list[list[list[float]]]:
        return [[[plane(t, s, h) + more for h in HEATS] for s in SPEEDS] for t in TORQUES]

    def branch(more: float, tested: bool = True) -> dict[str, Any]:
        flags = [[[tested and t <= 0.0 for _ in HEATS] for _ in SPEEDS] for t in TORQUES]
        return {
            "locking_torque_Nm": table(more),
            "low_Nm": table(more - 5.0),
            "high_Nm": table(more + 8.0),
            "tested": flags,
        }

    held = {
        "format": "diffbench-map/1",
        "unit": "Q17",
        "build": "Q17-a",
        "law": "additive",
        "axes": axes_of(TORQUES, SPEEDS, HEATS),
        "branches": {"loading": branch(0.0), "unloading": branch(20.0), "mean": branch(10.0)},
        "beyond": {
            "rule": "as stated",
            "half_width_share_of_change": 0.1,
            "half_width_per_Nm": {name: [0.03, 0.05] for name in BRANCHES},
            "half_width_share_per_rad_s": [0.02, 0.04],
            "half_width_share_per_K": [0.001, 0.003],
        },
    }
    return held | changed


def test_reads_straight_lines_between_nodes_and_the_nodes_themselves() -> None:
    held = Reader(content())
    assert (held.unit, held.build, held.rule) == ("Q17", "Q17-a", "as stated")
    for place in (
        (-50.0, 3.0, 50.0), (150.0, 5.0, 70.0), (-200.0, 2.0, 40.0), (300.0, 6.0, 80.0), (0.0, 4.5, 80.0),
    ):  # fmt: skip
        for name, more in (("loading", 0.0), ("unloading", 20.0), ("mean", 10.0), ("either", 10.0)):
            assert held.locking_torque(*place, name) == pytest.approx(plane(*place) + more, rel=1e-13)
        assert held.interval(*place, "loading") == pytest.approx((plane(*place) - 5.0, plane(*place) + 8.0))
        # which branch is not known: from the loading one's lower limit to the unloading one's upper
        assert held.interval(*place) == pytest.approx((plane(*place) - 5.0, plane(*place) + 28.0))
        assert held.locking_torque(place[0], -place[1], place[2]) == held.locking_torque(*place)
        assert not held.is_beyond(*place)


def test_tested_is_what_lies_between_tested_nodes_alone() -> None:
    """To zero torque on all branches; one branch alone where the other was not tested."""
    held = Reader(content())
    assert held.is_tested(-50.0, -3.0, 50.0)
    assert held.is_tested(0.0, 6.0, 80.0)
    assert not held.is_tested(0.5, 3.0, 50.0)
    for place in (
        (-201.0, 3.0, 50.0), (-50.0, 1.9, 50.0), (-50.0, -6.1, 50.0), (-50.0, 3.0, 39.0), (-50.0, 3.0, 81.0),
    ):  # fmt: skip
        assert held.is_beyond(*place)
        assert not held.is_tested(*place)
    one = content()
    flags = one["branches"]["unloading"]["tested"]
    flags[0][0][0] = False
    held = Reader(one)
    assert [held.is_tested(-50.0, 3.0, 50.0, name) for name in BRANCHES] == [True, False, True, False]


@pytest.mark.parametrize(
    ("place", "inside", "change", "by_torque", "share"),
    [
        # 100 N·m further along the drive flank: half a newton metre each and 0.02 * 0.5 * 3 by speed
        ((400.0, 3.0, 50.0), (300.0, 3.0, 50.0), 100.0 * (0.5 + 0.01 * 3.0), 0.05 * 100.0, 0.0),
        ((-300.0, 3.0, 50.0), (-200.0, 3.0, 50.0), 100.0 * (0.25 + 0.005 * 3.0), 0.03 * 100.0, 0.0),
        # held along the others, limits part by the share for each rad/s and K
        ((150.0, 1.5, 50.0), (150.0, 2.0, 50.0), 0.0, 0.0, 0.5 * 0.02),
        ((150.0, 9.0, 50.0), (150.0, 6.0, 50.0), 0.0, 0.0, 3.0 * 0.04),
        ((150.0, 3.0, 30.0), (150.0, 3.0, 40.0), 0.0, 0.0, 10.0 * 0.001),
        ((150.0, 3.0, 100.0), (150.0, 3.0, 80.0), 0.0, 0.0, 20.0 * 0.003),
        ((150.0, -9.0, 100.0), (150.0, 6.0, 80.0), 0.0, 0.0, 3.0 * 0.04 + 20.0 * 0.003),
        # far out a tenth of the change is more than what was said for each newton metre
        ((600.0, 6.0, 80.0), (300.0, 6.0, 80.0), 300.0 * (0.5 + 0.01 * 6.0), 0.1 * 300.0 * 0.56, 0.0),
        ((500.0, 8.0, 90.0), (300.0, 6.0, 80.0), 200.0 * 0.56, 0.1 * 200.0 * 0.56,
         2.0 * 0.04 + 10.0 * 0.003),
    ],
)  # fmt: skip
def test_beyond_the_axes_goes_by_the_map_s_own_rule(
    place: tuple[float, float, float],
    inside: tuple[float, float, float],
    change: float,
    by_torque: float,
    share: float,
) -> None:
    held = Reader(content())
    for name, more in (("loading", 0.0), ("unloading", 20.0)):
        there = plane(*inside) + more + change
        wider = max(by_torque, 0.1 * change) + share * there
        assert held.locking_torque(*place, name) == pytest.approx(there, rel=1e-12)
        assert held.interval(*place, name) == pytest.approx((there - 5.0 - wider, there + 8.0 + wider))


def test_no_locking_torque_falls_below_nothing() -> None:
    """On a flank that falls outwards by half a newton metre each, 120 N·m at its end; limits 5 and 8 apart:
    at 400 N·m further out it would be 80 less than nothing. It has come down by 120."""
    falling = content(axes=axes_of([-100.0, 100.0], [2.0], [40.0]))
    for name, one in falling["branches"].items():
        one.update(
            {"locking_torque_Nm": [[[220.0]], [[120.0]]], "low_Nm": [[[215.0]], [[115.0]]],
             "high_Nm": [[[228.0]], [[128.0]]], "tested": [[[True]], [[name != "mean"]]]}
        )  # fmt: skip
    held = Reader(falling)
    assert held.locking_torque(500.0, 2.0, 40.0, "loading") == 0.0
    wider = max(0.05 * 400.0, 0.1 * 120.0)
    assert held.interval(500.0, 2.0, 40.0, "loading") == (0.0, 8.0 + wider)
    # an axis without a node on the other flank holds it there
    drive = content(axes=axes_of([50.0, 150.0], [2.0], [40.0]), branches=falling["branches"])
    held = Reader(drive)
    assert held.locking_torque(-100.0, 2.0, 40.0, "loading") == 220.0
    assert held.interval(-100.0, 2.0, 40.0, "loading") == pytest.approx((215.0 - 4.5, 228.0 + 4.5))
    assert held.locking_torque(160.0, 2.0, 40.0, "loading") == pytest.approx(110.0)


def test_what_is_no_number_gives_none_and_is_nowhere_tested() -> None:
    held = Reader(content())
    for bad in (math.nan, math.inf, -math.inf):
        for at in range(3):
            place = [-50.0, 3.0, 50.0]
            place[at] = bad
            assert math.isnan(held.locking_torque(*place))
            assert not held.is_tested(*place)
    for ask in (held.locking_torque, held.interval, held.is_tested, held.is_beyond):
        ask(1.0, 4.0, -273.15)
        with pytest.raises(MapError) as caught:
            ask(1.0, 4.0, -273.16)
        assert str(caught.value) == (
            "temperature: -273.16 degC is below absolute zero. Mend: give degrees Celsius; "
            "check the unit and the sign."
        )


def drawn(seed: int) -> dict[str, Any]:
    """A map of one to four nodes an axis, of both flanks or one, some nodes at nothing: as of before, with
    neither rule nor the branch of both."""
    rng = np.random.default_rng(seed)
    sizes = [int(n) for n in rng.integers(1, 5, 3)]
    low = (-300.0, 10.0, -900.0, 0.0)[seed % 4]
    axes = [
        np.sort(rng.uniform(low, low + 700.0, sizes[0])),
        np.sort(rng.uniform(0.0, 9.0, sizes[1])),
        np.sort(rng.uniform(20.0, 120.0, sizes[2])),
    ]
    if seed % 3 == 0:
        axes[1][0] = 0.0
    branches = {}
    for name in BRANCHES[:3]:
        value = rng.uniform(0.0, 300.0, sizes) * (rng.uniform(size=sizes) < 0.9)
        branches[name] = {
            "locking_torque_Nm": value.tolist(),
            "low_Nm": (value * rng.uniform(0.5, 0.99, sizes)).tolist(),
            "high_Nm": (value * rng.uniform(1.01, 1.5, sizes)).tolist(),
            "tested": (rng.uniform(size=sizes) < 0.8).tolist(),
        }
    return {
        "format": "diffbench-map/1",
        "unit": "Q17",
        "build": "Q17-a",
        "law": ("additive", "greater-of")[seed % 2],
        "confidence": 0.95,
        "axes": {name: axis.tolist() for name, axis in zip(AXES, axes, strict=True)},
        "branches": branches,
        "notes": [],
        "provenance": {},
    }


@pytest.mark.parametrize("seed", range(40))
def test_a_file_of_before_gets_the_rule_and_answers_that_the_library_gives_it(seed: int) -> None:
    """Shapes of one to four nodes, flanks missing, corners beyond: two programs that were written apart."""
    document = drawn(seed)
    held, reader = LockingMap(MapDocument.model_validate(document)), Reader(copy.deepcopy(document))
    rule = held.beyond.model_dump(mode="json")
    assert reader.rule == rule["rule"]
    assert reader.beyond.keys() <= rule.keys()
    for key, value in reader.beyond.items():
        if key != "rule":
            wanted = rule[key]
            if isinstance(value, dict):
                assert {name: pytest.approx(ends, rel=1e-12) for name, ends in value.items()} == wanted
            else:
                assert value == pytest.approx(wanted, rel=1e-12)
    rng = np.random.default_rng(100 + seed)
    ends = [(axis[0] - 50.0, axis[-1] + 50.0) for axis in held.axes[:1]]
    ends += [(-12.0, 12.0), (0.0, 150.0)]
    for place in np.stack([rng.uniform(*pair, 12) for pair in ends], axis=-1).tolist():
        for branch in BRANCHES:
            told = held.read(*place, branch=branch)
            found = (
                reader.locking_torque(*place, branch), *reader.interval(*place, branch),
                reader.is_tested(*place, branch), reader.is_beyond(*place),
            )  # fmt: skip
            wanted = (told.locking_torque, told.low, told.high, told.tested, told.beyond)
            assert found == pytest.approx(wanted)


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda one: one.update(format="diffbench-map/2"),
         "the format is 'diffbench-map/2': this reader knows diffbench-map/1"),
        (lambda one: one.pop("format"), "the format is None: this reader knows diffbench-map/1"),
        (lambda one: one["branches"].pop("mean"), "the map is not whole: 'mean'"),
        (lambda one: one["branches"]["mean"].pop("low_Nm"), "the map is not whole: 'low_Nm'"),
        (lambda one: one["axes"].pop("temperature_degC"), "the map is not whole: 'temperature_degC'"),
        (lambda one: one["branches"]["mean"]["low_Nm"].pop(),
         "low_Nm of mean has another shape than the axes"),
        (lambda one: one["branches"]["loading"]["tested"][2].pop(),
         "tested of loading has another shape than the axes"),
        (lambda one: one["branches"]["loading"]["high_Nm"][2][1].append(1.0),
         "high_Nm of loading has another shape than the axes"),
        (lambda one: one["branches"]["mean"]["low_Nm"][1][1].__setitem__(0, math.nan),
         "an axis does not rise, or a node holds no number"),
        (lambda one: one["axes"]["temperature_degC"].__setitem__(1, 40.0),
         "an axis does not rise, or a node holds no number"),
        (lambda one: one["axes"]["input_torque_Nm"].__setitem__(2, math.inf),
         "an axis does not rise, or a node holds no number"),
        (lambda one: one.update(sha256="0" * 64),
         "the content does not match its hash: the map was edited or damaged"),
    ],
)  # fmt: skip
def test_a_map_that_is_none_is_refused_in_words(spoil: Any, said: str) -> None:
    one = content()
    spoil(one)
    with pytest.raises(MapError) as caught:
        Reader(one)
    assert str(caught.value) == said


@pytest.mark.parametrize("bad", [None, [], "map", 3])
def test_what_is_no_document_is_refused(bad: Any) -> None:
    with pytest.raises(MapError, match=r"^the format is None: this reader knows diffbench-map/1$"):
        Reader(bad)


def test_an_axis_of_nothing_is_none() -> None:
    empty = content(axes=axes_of([], [2.0], [40.0]))
    for one in empty["branches"].values():
        one.update({table: [] for table in ("locking_torque_Nm", "low_Nm", "high_Nm", "tested")})
    with pytest.raises(MapError, match="an axis does not rise, or a node holds no number"):
        Reader(empty)


def test_the_hash_is_of_the_sorted_content_whose_numbers_are_floats(tmp_path: Path) -> None:
    """By the standard library: whole numbers of axes, tables and rules count as floats, others stay, truth
    values too."""
    one = content()
    one["axes"]["input_torque_Nm"] = [-200, 0, 300]
    one["provenance"] = {"readings": 3}
    as_hashed = json.loads(json.dumps(one))
    as_hashed["axes"]["input_torque_Nm"] = [-200.0, 0.0, 300.0]
    text = json.dumps(as_hashed, sort_keys=True, separators=(",", ":"))
    one["sha256"] = hashlib.sha256(text.encode("ascii")).hexdigest()
    path = tmp_path / "map.json"
    path.write_text(json.dumps(one), encoding="utf-8")
    assert load(str(path)).locking_torque(0.0, 2.0, 40.0, "loading") == pytest.approx(plane(0.0, 2.0, 40.0))
    one["provenance"]["readings"] = 4
    with pytest.raises(MapError, match="does not match its hash"):
        loads(json.dumps(one))
    with pytest.raises(MapError, match=r"^the map is cut off or no JSON \("):
        loads(json.dumps(one)[:50])


def test_from_a_shell_one_line_or_why_not(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(MapError, match=r"^no map came with this file: load one$"):
        embedded()
    assert main(["100", "4", "60"]) == 2
    assert capsys.readouterr().err == "no map came with this file: load one\n"
    monkeypatch.setattr(standalone_reader, "EMBEDDED", json.dumps(content()))
    value, other = plane(-100.0, 3.0, 50.0), plane(100.0, 4.0, 60.0)
    for words, line in (
        (["-100", "3", "50", "loading"], f"{value:.6g} N.m, {value - 5:.6g} to {value + 8:.6g}, tested\n"),
        (["-100", "-3", "50"], f"{value + 10:.6g} N.m, {value - 5:.6g} to {value + 28:.6g}, tested\n"),
        (["100", "4", "60", "mean"],
         f"{other + 10:.6g} N.m, {other + 5:.6g} to {other + 18:.6g}, NOT tested\n"),
    ):  # fmt: skip
        assert main(words) == 0
        told = capsys.readouterr()
        assert (told.out, told.err) == (line, "")
    assert main(["-201", "3", "50"]) == 0
    assert capsys.readouterr().out.endswith(", NOT tested, beyond the axes\n")
    for words, why in (
        (["100", "4"], "not enough values to unpack (expected 3, got 2)"),
        (["much", "4", "60"], "could not convert string to float: 'much'"),
        (["100", "4", "60", "up"], "'up'"),
    ):
        assert main(words) == 2
        told = capsys.readouterr()
        assert told.err == (
            f"usage: TORQUE_Nm SPEED_rad_s TEMPERATURE_degC [loading|unloading|mean|either] ({why})\n"
        )
        assert told.out == ""
