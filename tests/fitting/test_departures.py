"""Named departures: each is found at its size, none in noise; what one visit cannot tell apart is said."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import norm
from scipy.stats import t as student

from diffbench import Characterisation
from diffbench.documents.rig import Allowance
from diffbench.fitting import Candidate, FitData
from diffbench.fitting.departures import DEPARTURES, departure_findings, in_limits, threshold
from diffbench.fitting.discrepancy import discrepancy
from diffbench.results.discrepancy import left_out as discrepancy_at

Array = NDArray[np.float64]
#: A departure as its own text has it, written anew from the cells: size times the locking torque, 100 N·m.
PLANTED: dict[str, Callable[[FitData], Array]] = {
    "running in": lambda d: -3.0 * -np.expm1(-d.time / (0.3 * d.time.max())),
    "curved temperature": lambda d: 3.0 * ((d.oil - 60.0) / 15.0) ** 2,
    # 8 N·m of locking torque within 20 N·m: one cell in twenty
    "dead zone": lambda d: -8.0 * np.minimum(np.abs(d.input_torque) / 20.0, 1.0),
    "curved drive ramp": lambda d: (
        12.0 * np.maximum(d.input_torque, 0.0) / 500.0 * (1.0 - np.maximum(d.input_torque, 0.0) / 500.0)
    ),
    "packs apart in friction": lambda d: 3.0 * d.direction * np.sign(d.input_torque),
    "friction by slip direction": lambda d: 3.0 * d.direction,
    "cross-talk of one flange": lambda d: 3.0 * d.direction * d.input_torque / 500.0,
    "drift of a flange": lambda d: 3.0 * d.direction * (d.time / d.time.max() - 0.5),
}


@pytest.mark.parametrize("name", PLANTED)
def test_a_departure_is_found_and_named(name: str, cycles_of: Callable[..., Candidate]) -> None:
    made = cycles_of(PLANTED[name])
    left = discrepancy(made)
    assert left is not None
    # these cycles only warm up
    findings, terms = departure_findings(made, left, Allowance(running_in=0.0))
    assert name in {score.departure.name for score in terms.alarmed}
    assert [finding.name for finding in findings] == ["unit departs from the law"]
    assert name in findings[0].where


def test_a_joint_that_opens_bit_by_bit_is_seen(cycles_of: Callable[..., Candidate]) -> None:
    """By what is over about the torque of the opening, and told beside the dead zone and the other law at
    most."""

    def with_preload(made: Candidate) -> Candidate:
        x = made.x.copy()
        x[made.names.position["preload_torque"]] = 70.0
        return replace(made, solution=replace(made.solution, x=x))

    first = with_preload(cycles_of())
    preload, ramp, _ = first.model.parts(first.x)
    over = 0.3 * (np.hypot(preload, ramp) - np.maximum(preload, ramp))
    made = with_preload(cycles_of(lambda _: over))
    findings, _ = departure_findings(made, discrepancy(made))
    assert "smooth joint" in findings[0].where or "between both preload laws" in findings[0].where


def test_noise_alone_alarms_nobody(cycles_of: Callable[..., Candidate]) -> None:
    """At one in a hundred for all together, five benches are silent."""
    for seed in range(2, 7):
        made = cycles_of(seed=seed)
        assert departure_findings(made, discrepancy(made))[0] == []


def test_the_threshold_is_that_of_the_largest_of_correlated_normals() -> None:
    """Independent tests: 1 − (1 − α)^(1/k) (Šidák 1967, from memory); tests that are one and the same: α.
    Between them what lies between, and as often as it says."""
    assert threshold(np.eye(14), 0.01) == pytest.approx(1.0 - 0.99 ** (1.0 / 14.0), rel=0.15)
    assert threshold(np.ones((9, 5)), 0.01) == pytest.approx(0.01, rel=0.15)
    rng = np.random.default_rng(3)
    columns = rng.normal(size=(60, 14)) + 2.0 * rng.normal(size=(60, 1))
    limit = threshold(columns, 0.01)
    assert threshold(np.eye(14), 0.01) < limit < 0.01
    units = columns / np.linalg.norm(columns, axis=0)
    largest = np.abs(rng.normal(size=(40_000, 60)) @ units).max(axis=1)
    assert float(np.mean(2.0 * norm.sf(largest) < limit)) == pytest.approx(0.01, abs=0.002)


def test_what_would_not_have_shown_is_told_by_name(cycles_of: Callable[..., Candidate]) -> None:
    """It grows with the noise."""
    quiet, loud = (
        departure_findings(made, discrepancy(made))[1] for made in (cycles_of(), cycles_of(noise=4.0))
    )
    small, large = (
        float(np.median([size for size in terms.unseen.values() if size is not None]))
        for terms in (quiet, loud)
    )
    assert 0.0 < 1.5 * small < large
    # no more than chance by the noise alone, nor by the scatter of sixteen cycles
    assert quiet.freedom == 15
    scattered = 0
    for one in quiet.scores:
        by_noise = 2.0 * norm.sf(abs(one.t))
        by_cycles = 2.0 * student.sf(abs(one.size) / one.u, 15)
        if one.u > 1.001 * abs(one.size / one.t):
            assert one.chance == pytest.approx(max(by_noise, by_cycles))
            scattered += 1
        assert one.chance >= by_noise * (1.0 - 1e-9)
    assert scattered > 0


def test_a_departure_of_that_size_shows(cycles_of: Callable[..., Candidate]) -> None:
    """By its own words nine times in ten: of ten benches at one and a half times that size, nine."""
    made = cycles_of(seed=40)
    size = departure_findings(made, discrepancy(made))[1].unseen["curved temperature"]
    assert size is not None
    shown = 0
    for seed in range(40, 50):
        bent = cycles_of(lambda d: 150.0 * size * ((d.oil - 60.0) / 15.0) ** 2, seed=seed)
        shown += bool(departure_findings(bent, discrepancy(bent))[0])
    assert shown >= 9


def test_time_and_temperature_are_said_to_be_confounded(cycles_of: Callable[..., Candidate]) -> None:
    """The oil only warms, so that a curve over temperature is one over time: both are told with their numbers
    and weights, and the run that settles it."""
    made = cycles_of(lambda d: -4.0 * -np.expm1(-d.time / (0.5 * d.time.max())))
    finding = departure_findings(made, discrepancy(made))[0][0]
    assert "confounded" in finding.effect
    assert " or " in finding.where
    assert finding.where.count(" %)") > 1
    assert finding.effect.count("±") >= 1
    assert "first sweep again" in finding.mend


def test_what_a_visit_that_warms_up_cannot_rule_out_is_told_and_in_the_limits(
    cycles_of: Callable[..., Candidate],
) -> None:
    """A loss of friction too small for an alarm, some three of its standard uncertainties: as a note with
    both readings, and the limits hold it; noise alone is no caution."""

    def lost(d: FitData) -> Array:
        return np.asarray(-0.75 * -np.expm1(-d.time / (0.3 * d.time.max())))

    told = []
    for seed in range(60, 64):
        made = cycles_of(lost, noise=9.0, seed=seed)
        left = discrepancy(made)
        findings, terms = departure_findings(made, left)
        if not terms.alarmed and findings:
            told.append(findings[0])
            held = in_limits(made, left, terms)
            assert held is not None
            assert left is not None
            assert len(held.state.mean) == len(left.state.mean) + 1
        plain = cycles_of(noise=9.0, seed=seed)
        assert all(f.severity == "note" for f in departure_findings(plain, discrepancy(plain))[0])
    assert told
    assert all(finding.name == "time not told from temperature" for finding in told)
    assert all("-" in finding.evidence and "first sweep again" in finding.mend for finding in told)


def test_a_change_that_passes_for_temperature_is_in_the_limits_whole(
    cycles_of: Callable[..., Candidate],
) -> None:
    """The visit only warms, and nothing speaks for or against a change: what its course leaves of the usual
    3 % is in the limits (mean and variance of a normal with a normal prior: Bayes' rule), the more the
    noisier, and nothing where the rig says that it is run in."""
    held, known = [], 1.0 / Allowance().running_in ** 2
    for noise in (1.0, 9.0, 30.0):
        made = cycles_of(noise=noise, seed=61)
        terms = departure_findings(made, discrepancy(made))[1]
        assert terms.lasting is not None
        score, _, size = terms.lasting
        heard = 1.0 / score.u**2
        left = 1.0 / (heard + known)
        assert size == pytest.approx(np.hypot(left * heard * score.size, np.sqrt(left)))
        held.append(size)
        off = departure_findings(made, discrepancy(made), Allowance(running_in=0.0))[1]
        assert off.lasting is None
    assert np.all(np.diff(held) > 0.0)


def test_the_larger_the_miss_the_louder_it_is_said(cycles_of: Callable[..., Candidate]) -> None:
    """Running in by 1, 2, 4 and 6 %: the evidence, the size and the limits grow, since no yardstick is taken
    from the residual that holds the misfit, and what is taken off is known to a tenth."""
    heard, sizes, widths = [], [], []
    for lost in (0.01, 0.02, 0.04, 0.06):
        made = cycles_of(lambda d, lost=lost: -100.0 * lost * -np.expm1(-d.time / (0.3 * d.time.max())))
        left = discrepancy(made)
        findings, terms = departure_findings(made, left)
        assert [finding.severity for finding in findings] == ["caveat"]
        score = next(score for score in terms.scores if score.departure.name == "running in")
        held = in_limits(made, left, terms)
        assert held is not None
        place = (np.array([300.0]), np.array([4.0]), np.array([48.0]))
        flat = np.zeros((1, len(made.names)))
        variance = discrepancy_at(held.state, np.array([100.0]), flat, place, "loading")
        heard.append(abs(score.t))
        sizes.append(-score.size)
        widths.append(float(np.sqrt(variance[0])))
    for course in (heard, sizes, widths[1:]):
        assert np.all(np.diff(course) > 0.0), course
    # the smallest is not yet taken off, and is in the limits whole
    assert min(widths) >= 0.2
    # one's own scatter is in both: within a tenth of what was planted
    np.testing.assert_allclose(sizes, [0.01, 0.02, 0.04, 0.06], rtol=0.1)


def test_what_is_lost_is_said_to_be_lost(cycles_of: Callable[..., Candidate]) -> None:
    made = cycles_of(PLANTED["running in"])
    terms = departure_findings(made, discrepancy(made))[1]
    words = {score.departure.name: score.words for score in terms.scores}
    assert words["running in"].startswith("friction changed by -")
    assert words["glazing"].startswith("friction changed by -")


def test_weights_of_readings_add_up_and_a_clear_case_has_one(cycles_of: Callable[..., Candidate]) -> None:
    """A dead zone is unlike all others; slip one way and torque one way tell packs from a flange's reading
    only where the locking torque is no line over the input torque."""
    made = cycles_of(PLANTED["dead zone"])
    terms = departure_findings(made, discrepancy(made))[1]
    assert [one.departure.name for one, _ in terms.readings()] == ["dead zone"]
    made = cycles_of(PLANTED["running in"])
    weights = [weight for _, weight in departure_findings(made, discrepancy(made))[1].readings()]
    assert sum(weights) <= 1.0 + 1e-9
    assert weights[0] == max(weights)


def test_every_term_has_words_of_its_own() -> None:
    names = [departure.name for departure in DEPARTURES]
    assert len(names) == len(set(names)) == 22
    assert all("{}" in departure.said and departure.tells for departure in DEPARTURES)


def test_what_no_sweep_shows_is_in_the_intervals_where_the_rig_states_it(
    short: Characterisation, short_visit: Any
) -> None:
    """Flanges that read 0.2 % of each other shrink the difference by that and grow the input torque by that:
    preload off by 0.2 %, a bias by 0.4 %; added as root of squares, and nothing else is changed."""
    stated = short_visit.fit("reads-the-other", None, ("arrangement =", "cross_talk = 0.002\narrangement ="))
    for name, share in (("preload_torque", 0.002), ("ramp_bias_drive_loading", 0.004)):
        one, other = short.parameters[name], stated.parameters[name]
        assert one.value is not None
        assert one.u is not None
        assert other.value == pytest.approx(one.value, rel=1e-4)
        part = other.budget["cross-talk of the flanges"]
        assert part == pytest.approx(share * one.value, rel=0.25)
        # the half of it counts unasked
        assert other.u == pytest.approx(np.sqrt(one.u**2 + 0.75 * part**2), rel=0.02)
