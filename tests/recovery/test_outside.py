"""The study outside the law's family runs, goes on where it was broken off, and counts as it says.

The whole study is `outside.py`, run by hand; its simulator is checked in tests/fixtures_checks.
"""

from __future__ import annotations

import json
import sys
from dataclasses import asdict, replace
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from outside import MIXED, NOTHING, Job, Outcome, line, planned, study, table

MISSED = Outcome(
    "pressure", "strong", 1, {"pressure": 0.1}, errors=[0.03, -0.01, 0.02], held=[False, True, False],
    half_widths=[0.01, 0.01, 0.01], inside={"preload_torque": False, "ramp_bias_drive_loading": True},
)  # fmt: skip


def test_two_benches_are_run_and_kept(tmp_path: Path) -> None:
    """One as drawn and one with strong gains: all of the table's columns are filled."""
    details = tmp_path / "outside.json"
    jobs = planned("each", 1, 30_000, [NOTHING, "both-gains"], ["strong"])
    outcomes = study(jobs, details=details)
    assert [(o.kind, o.strength, o.stop) for o in outcomes] == [
        (NOTHING, "none", ""),
        ("both-gains", "strong", ""),
    ]
    for outcome in outcomes:
        assert len(outcome.errors) == len(outcome.held) == len(outcome.half_widths) > 10
        assert {"preload_torque", "ramp_bias_drive_loading"} <= set(outcome.inside)
    assert outcomes[1].planted == {"both-gains": 3.0}
    # of the bench as drawn: within a per cent, as the study of the law's own family finds of any
    assert max(map(abs, outcomes[0].errors)) < 0.02
    assert json.loads(details.read_text(encoding="utf-8")) == [asdict(o) for o in outcomes]


def test_what_is_kept_is_not_run_again(tmp_path: Path) -> None:
    """Outcomes are taken from the file, and those of other studies stay in it."""
    details = tmp_path / "outside.json"
    details.write_text(json.dumps([asdict(MISSED), asdict(replace(MISSED, seed=2))]), encoding="utf-8")
    assert study([Job("pressure", "strong", 2)], details=details) == [replace(MISSED, seed=2)]
    assert len(json.loads(details.read_text(encoding="utf-8"))) == 2


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({}, False),
        ({"cautions": ["spikes", "the preload law is undecided"]}, False),
        ({"cautions": ["2 of the key numbers are not determined"]}, False),
        ({"cautions": ["spikes", "the residual has structure"]}, True),
        ({"stop": "the recording drives"}, True),
        ({"cautions": ["one slip direction only"]}, False),
        ({"cautions": ["one slip direction only"], "planted": {"one-way": 1.0}}, True),
    ],
)
def test_silently_wrong_is_limits_that_miss_and_no_word(change: dict[str, object], told: bool) -> None:
    outcome = replace(MISSED, **change)  # type: ignore[arg-type]
    assert outcome.told is told
    assert outcome.silently_wrong is not told
    assert not replace(outcome, held=[True, True, True]).silently_wrong


def test_a_line_holds_medians_and_shares() -> None:
    """Median error 2 % against half a width of 1 %; one of three nodes, no preload, every ramp."""
    words = " ".join(line("pressure", "strong", [MISSED]).split())
    assert words == "pressure strong 1 0 2.00 % 33 % 0 % 100 % 0.5 0 % 100 %"
    whole = table([MISSED, replace(MISSED, kind=NOTHING, strength="none", planted={})])
    assert "silently wrong: pressure strong 1" in whole
    assert whole.splitlines()[1].startswith(NOTHING)


def test_mixed_benches_leave_one_in_five_as_drawn() -> None:
    kinds = [job.kind for job in planned(MIXED, 10, 5, [], ["realistic"])]
    assert kinds == [*[MIXED] * 4, NOTHING] * 2


def test_departures_take_turns_on_seeds_of_their_own() -> None:
    jobs = planned("each", 2, 5, ["pressure", "drift"], ["slight", "strong"])
    assert [(job.kind, job.strength) for job in jobs[:4]] == [
        (name, strength) for name in ("pressure", "drift") for strength in ("slight", "strong")
    ]
    seeds = {name: [job.seed for job in jobs if job.kind == name] for name in ("pressure", "drift")}
    assert seeds["pressure"][0] == seeds["pressure"][1]  # both strengths
    assert not set(seeds["pressure"]) & set(seeds["drift"])
