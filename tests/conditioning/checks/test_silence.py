"""A clean recording has no findings: false alarms teach people to read none."""

from __future__ import annotations

from typing import Any


def test_clean_benches_are_told_nothing_but_the_standard(visits: dict[str, Any]) -> None:
    """Eight benches, both arrangements, errors as their papers state: no caveat, and no note beyond lost
    samples where the logger does lose them."""
    told = {name: visit.findings() for name, visit in visits.items()}
    assert {name: [str(f) for f in found.values()] for name, found in told.items() if found} == {}


def test_every_arrangement_is_among_them(visits: dict[str, Any]) -> None:
    arrangements = {visit.rig.arrangement for visit in visits.values()}
    assert arrangements == {"both-outputs", "input-and-one-output"}
