"""A short run of the fuzzing command, over every format and way of damage; the long run is ``fuzz.py``."""

from __future__ import annotations

import pytest
from fuzz import APART, WEIGHTS, fuzz, make

COUNT, SEED = 100, 20_260_414


def test_damaged_and_hostile_files_are_read_or_refused(capsys: pytest.CaptureFixture[str]) -> None:
    """No other exception, no dead process, no input beyond 10 s or 1 GB."""
    outcome = fuzz(COUNT, SEED)
    with capsys.disabled():
        print(f"\n{outcome.count} inputs of seed {SEED}: {len(outcome.failures)} failures")
    assert outcome.failures == []
    assert outcome.count == COUNT
    came = {result.split()[1] for result in outcome.results}
    assert came == {"read", "refused"}


def test_an_input_can_be_made_again_from_its_number() -> None:
    """Bytes and all."""
    assert make(1, 7) == make(1, 7)
    kinds = {make(1, number)[0] for number in range(300)}
    assert kinds >= set(WEIGHTS) - set(APART)  # those are rare
