"""Whole results of invented recordings, field by field, as they came out once: nothing moves unseen.

That they are right is for other tests to say; here it is asked whether a change moves any number, limit,
verdict or word. After a change that is meant: ``DIFFBENCH_KEEP=1 pytest tests/fitting/test_whole_results.py``
writes them anew into ``whole_results``, where the difference is to be read.
"""

from __future__ import annotations

import csv
import json
import os
import re
import shutil
from collections.abc import Callable, Collection
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from edited import edited

import diffbench
from diffbench import Characterisation

HELD = Path(__file__).with_name("whole_results")
NAMES = ("short", "drive_only", "hand", "pinion", "shims", "refits", "worn")
READINGS = Path(__file__).resolve().parents[2] / "fixtures" / "hand-readings"
Rows = list[dict[str, str]]


def _only(**wanted: str) -> Callable[[Rows], Rows]:
    return lambda rows: [row for row in rows if all(word in row[key] for key, word in wanted.items())]


def _times(factor: float, **wanted: str) -> Callable[[Rows], Rows]:
    def made(rows: Rows) -> Rows:
        some = _only(**wanted)(rows)
        return [
            row | {"torque_Nm": f"{factor * float(row['torque_Nm']):.1f}"} if row in some else row
            for row in rows
        ]

    return made


#: What of the readings by hand is there, or off; the law that the sheet states; and what else it says.
BY_HAND: dict[str, tuple[Callable[[Rows], Rows], str, tuple[str, str]]] = {
    "running": (_only(reading="running"), "undecided", ("[limits]", "[limits]")),
    "breakaway": (_only(reading="breakaway"), "additive", ("[limits]", "[limits]")),
    "free": (_only(arrangement="case free"), "greater-of", ("[limits]", "[limits]")),
    "held": (_only(arrangement="case held"), "undecided", ("[limits]", "[limits]")),
    "forward": (_only(direction="forward"), "additive", ('u = "60 N"', 'u = "9 N"')),
    "slight": (_times(0.75, arrangement="case held"), "undecided", ("0.008", "0.002")),
    "off": (_times(1.05, arrangement="case held", direction="forward"), "additive", ("60 degC", "24 degC")),
    "exchanged": (_times(0.2, arrangement="case held"), "additive", ("[limits]", "[limits]")),
}
CLOSE = 2e-4  # other machines' linear algebra ends a search so near
FOLDER = re.compile(r"(?<!\S)(/[^\s/]+)+/")
NUMBER = re.compile(r"(?<![\w.])[-+]?\d[\d,]*(?:\.\d+)?(?:e[-+]?\d+)?")
LEFT_OUT = ("forms", "correlation", "provenance", "builds", "format", "map_axes", "sha256")


def kept(result: Characterisation) -> dict[str, Any]:
    """What a reader is told, and of each form how much it counts and how far it is doubted."""
    content = {key: part for key, part in result.content().items() if key not in LEFT_OUT}
    dropped = content["diagnostics"]["dropped"]
    content["diagnostics"]["dropped"] = {Path(name).name: counts for name, counts in dropped.items()}
    content["forms"] = [
        {
            "law": form.law,
            "friction_law": form.friction_law,
            "weight": form.weight,
            "values": dict(zip(form.names, form.values, strict=True)),
            "us": dict(zip(form.names, np.sqrt(np.diag(form.covariance)).tolist(), strict=True)),
        }
        for form in result.forms
    ]
    content["size_of_correlations"] = float(np.linalg.norm(result.correlation.matrix))
    return content


def rounded(part: Any) -> Any:
    """To seven digits, for a short file; without the folder that somebody's files lay in."""
    if isinstance(part, dict):
        return {FOLDER.sub("", key): rounded(value) for key, value in part.items()}
    if isinstance(part, list | tuple):
        return [rounded(value) for value in part]
    if isinstance(part, str):
        return FOLDER.sub("", part)
    return float(f"{part:.7g}") if isinstance(part, float) else part


def moved(
    now: Any, then: Any, place: str = "", *, close: float = CLOSE, least: float | None = None
) -> list[str]:
    """Where two differ by more than searches do; of a quantity's parts, by more than a part of its u."""
    told = [f"{place}: {now!r} for {then!r}"]
    if isinstance(now, dict) and isinstance(then, dict):
        if list(now) != list(then):
            return told
        u = now.get("u", now.get("u_now"))
        least = close * abs(u) if isinstance(u, float) else least
        # ends of an interval may be drawn
        ends = least and max(least, 0.05 * least / close)
        parts = ((key, ends if key in ("low", "high") else least) for key in now)
        return [
            one
            for key, size in parts
            for one in moved(now[key], then[key], f"{place}.{key}", close=close, least=size)
        ]
    if isinstance(now, list) and isinstance(then, list) and len(now) == len(then):
        pairs = enumerate(zip(now, then, strict=True))
        return [one for i, (a, b) in pairs for one in moved(a, b, f"{place}.{i}", close=close, least=least)]
    same = now == then
    if isinstance(now, str) and isinstance(then, str) and NUMBER.sub("#", now) == NUMBER.sub("#", then):
        numbers = [[float(n.replace(",", "")) for n in NUMBER.findall(text)] for text in (now, then)]
        same = np.allclose(*numbers, rtol=0.02, atol=1e-12)  # the last digit may turn
    elif type(now) is float and isinstance(then, float | int):
        some = CLOSE if least is not None else 0.1 * close + 0.9 * CLOSE
        same = abs(now - then) <= max(some * abs(then), least or 0.0, 1e-12)
    return [] if same else told


@pytest.mark.parametrize("name", NAMES)
def test_nothing_moved(name: str, request: pytest.FixtureRequest) -> None:
    held_against(name, request.getfixturevalue(name))


@pytest.mark.parametrize("name", BY_HAND)
def test_nothing_moved_of_readings(name: str, tmp_path: Path) -> None:
    change, law, words = BY_HAND[name]
    place = tmp_path / "visit"
    shutil.copytree(READINGS, place)
    sheet = place / "unit-q17.toml"
    text = edited(sheet.read_text(encoding="utf-8"), 'law = "undecided"', f'law = "{law}"')
    sheet.write_text(edited(text, *words), encoding="utf-8")
    with (place / "readings.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    with (place / "readings.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(change(rows))
    # flat directions of each form end a search anywhere along them
    held_against(f"hand-{name}", diffbench.fit(place / "run.toml"), close=2e-2, without=("forms",))


def held_against(
    name: str, result: Characterisation, *, close: float = CLOSE, without: Collection[str] = ()
) -> None:
    now = rounded({key: part for key, part in kept(result).items() if key not in without})
    file = HELD / f"{name}.json"
    if os.environ.get("DIFFBENCH_KEEP"):
        HELD.mkdir(exist_ok=True)
        file.write_text(json.dumps(now, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")
        pytest.fail("written anew: read what changed")
    found = moved(now, json.loads(file.read_text(encoding="utf-8")), name, close=close)
    assert not found, "\n".join(found[:20])


def test_a_move_is_seen() -> None:
    """Of a number by more than a search ends apart, of a word, of a number in words by more than a digit."""
    then = {"a": {"value": 80.0, "u": 1.0, "budget": {"noise": 0.1}}, "b": ["2.31 % of 1,200", None, 3]}
    assert moved(then, then) == []
    near = {"a": {"value": 80.01, "u": 1.0, "budget": {"noise": 0.1001}}, "b": ["2.32 % of 1,200", None, 3]}
    assert moved(near, then) == []
    for far in (
        {"a": {"value": 80.02, "u": 1.0, "budget": {"noise": 0.1}}, "b": then["b"]},
        {"a": {"value": 80.0, "u": 1.0, "budget": {"noise": 0.1003}}, "b": then["b"]},
        {"a": then["a"], "b": ["2.41 % of 1,200", None, 3]},
        {"a": then["a"], "b": ["2.31 % in 1,200", None, 3]},
        {"a": then["a"], "b": ["2.31 % of 1,200", None, 4]},
        {"a": then["a"], "b": ["2.31 % of 1,200", None]},
        {"a": then["a"]},
    ):
        assert len(moved(far, then)) == 1
