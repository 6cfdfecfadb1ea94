"""A build against its sheet: which number each limit is about, and the outcome over all."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

sys.path.insert(0, str(Path(__file__).parents[1] / "history"))

from invented_results import parameter, result, write

from diffbench.cli import main


def judged(folder: Path, limits: dict[str, tuple[float, float]], **other: str) -> tuple[dict[str, Any], int]:
    """The document of two builds that were fitted together, and the exit status; ``other`` is what a limit is
    judged by."""
    record = result(
        "Q17", "a", other_builds=("b",), limits=limits,
        parameters={
            "friction_coefficient": parameter(0.11, {"noise": 0.002}),
            "preload_torque[a]": parameter(81.0, {"noise": 1.0}, "N·m"),
            "preload_torque[b]": parameter(60.0, {"noise": 1.0}, "N·m"),
            "ramp_bias_drive_loading": parameter(0.5, {"noise": 0.01}),
            "ramp_bias_coast_loading[b]": {**parameter(0.3, {"noise": 0.01}), "value": None, "low": None},
            "preload_torque_as_read": parameter(83.0, {"noise": 0.5}, "N·m"),
        },
    )  # fmt: skip
    for limit in record["limits"]:
        if limit["quantity"] in other:
            limit["judged"] = other[limit["quantity"]]
    ran = CliRunner().invoke(main, ["conformity", str(write(folder / "record.json", record)), "--json"])
    return json.loads(ran.stdout), ran.exit_code


@pytest.mark.parametrize(
    ("limit", "value", "outcome"),
    [
        ("preload_torque[a]", 81.0, "conforming"),
        ("preload_torque[b]", 60.0, "not conforming"),
        ("preload_torque", 81.0, "conforming"),  # of the first build
        ("ramp_bias_drive", 0.5, "not conforming"),
        ("ramp_bias_coast[b]", None, "not proven"),
        ("ramp_bias_coast[a]", None, "not proven"),
        ("friction_coefficient", 0.11, "not conforming"),
    ],
)
def test_a_limit_is_about_the_number_of_its_build(
    tmp_path: Path, limit: str, value: float | None, outcome: str
) -> None:
    """By its name, the loading one of a ramp bias."""
    found, _ = judged(tmp_path, {limit: (70.0, 90.0)})
    (check,) = found["limits"]
    assert (check["quantity"], check["value"], check["outcome"]) == (limit, value, outcome)
    assert (check["low"], check["high"], check["unit"]) == (70.0, 90.0, "N·m")
    assert found["outcome"] == outcome
    assert (found["unit"], found["build"], found["date"]) == ("Q17", "a", "2026-03-01")


def test_a_limit_that_is_meant_elsewhere_and_the_outcome_over_all(tmp_path: Path) -> None:
    """By the number as read; the worst of all outcomes, and none without a limit."""
    limits = {"preload_torque[a]": (82.5, 90.0), "preload_torque[b]": (50.0, 70.0)}
    found, status = judged(tmp_path, limits)
    assert [check["value"] for check in found["limits"]] == [81.0, 60.0]
    assert [check["outcome"] for check in found["limits"]] == ["not proven", "conforming"]
    assert (found["outcome"], status) == ("not proven", 0)
    read = {"preload_torque[a]": "preload_torque_as_read"}
    found, _ = judged(tmp_path, limits, **read)
    assert [check["value"] for check in found["limits"]] == [83.0, 60.0]
    assert (found["limits"][0]["guard_low"], found["limits"][0]["guard_high"]) == pytest.approx((0.98, 0.98))
    found, status = judged(tmp_path, {**limits, "preload_torque[b]": (70.0, 90.0)}, **read)
    assert (found["outcome"], status, found["state"]["state"]) == ("not conforming", 1, "out-of-limits")
    found, status = judged(tmp_path, {})
    assert (found["limits"], found["outcome"], status) == ([], None, 0)
