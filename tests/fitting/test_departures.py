"""Named departures: each is found at its size, none in noise; what one visit cannot tell apart is said."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from diffbench.fitting import Candidate, FitData
from diffbench.fitting.departures import DEPARTURES, alarmed, departure_findings, scores
from diffbench.fitting.discrepancy import discrepancy

Array = NDArray[np.float64]
#: A departure as its own text has it, written anew from the cells: size times the locking torque, 100 N·m.
PLANTED: dict[str, Callable[[FitData], Array]] = {
    "running in": lambda d: -3.0 * -np.expm1(-d.time / (0.3 * d.time.max())),
    "curved temperature": lambda d: 3.0 * ((d.oil - 60.0) / 15.0) ** 2,
    "dead zone": lambda d: -3.0 * np.minimum(np.abs(d.input_torque) / 50.0, 1.0),
    "curved drive ramp": lambda d: (
        12.0 * np.maximum(d.input_torque, 0.0) / 500.0 * (1.0 - np.maximum(d.input_torque, 0.0) / 500.0)
    ),
    "packs apart": lambda d: 3.0 * d.direction,
    "drift of a flange": lambda d: 3.0 * d.direction * (d.time / d.time.max() - 0.5),
}


@pytest.mark.parametrize("name", PLANTED)
def test_a_departure_is_found_and_named(name: str, cycles_of: Callable[..., Candidate]) -> None:
    made = cycles_of(PLANTED[name])
    left = discrepancy(made)
    assert left is not None
    sure = {score.departure.name for score in alarmed(scores(made, left))}
    assert name in sure
    findings, _ = departure_findings(made, left)
    assert [finding.name for finding in findings] == ["unit departs from the law"]
    assert name in findings[0].where + findings[0].effect


def test_noise_alone_alarms_nobody(cycles_of: Callable[..., Candidate]) -> None:
    """At one in a hundred for all together, five benches are silent."""
    for seed in range(2, 7):
        made = cycles_of(seed=seed)
        assert departure_findings(made, discrepancy(made))[0] == []


def test_the_size_that_would_have_shown_is_told(cycles_of: Callable[..., Candidate]) -> None:
    """It grows with the noise."""
    quiet, loud = cycles_of(), cycles_of(noise=4.0)
    one, other = (departure_findings(made, discrepancy(made))[1] for made in (quiet, loud))
    assert one is not None
    assert other is not None
    assert 0.0 < 1.5 * one < other


def test_time_and_temperature_are_said_to_be_confounded(cycles_of: Callable[..., Candidate]) -> None:
    """The oil only warms, so that a curve over temperature is one over time, and a run settles it."""
    made = cycles_of(lambda d: -4.0 * -np.expm1(-d.time / (0.5 * d.time.max())))
    finding = departure_findings(made, discrepancy(made))[0][0]
    assert "confounded" in finding.effect
    assert "first sweep again" in finding.mend


def test_every_term_has_words_of_its_own() -> None:
    names = [departure.name for departure in DEPARTURES]
    assert len(names) == len(set(names)) == 14
    assert all("{}" in departure.said and departure.tells for departure in DEPARTURES)
