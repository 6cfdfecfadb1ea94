"""Courses through the rungs of a ladder, and how refits scatter: against least squares and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import chi2, norm, t

from diffbench.answers.shims import Scatter, SpringCourse, _measured_course, _scatter_of, _spring_course
from diffbench.physics.disc_spring import DiscSpring, DiscStack, stack_load

STACK = DiscStack(DiscSpring(0.095, 0.072, 0.0016, 0.0014), parallel=3, series=2)
SHIMS = np.array([0.0, 0.1e-3, 0.25e-3, 0.3e-3])
OWN = np.diag([1.1, 0.9, 1.3, 1.0]) ** 2 + 0.6**2  # each its own doubt, and one that all share


@pytest.mark.parametrize("bent", [0.0, 2.0, 9.0])
@pytest.mark.parametrize("count", [2, 3, 4])
def test_a_course_is_least_squares_with_a_slope_that_hardly_changes(count: int, bent: float) -> None:
    """A row more for the curvature, nil within ± half of the slope over a millimetre; a misfit beyond chance
    widens it all. By lstsq on what Cholesky's factor makes alike."""
    x, cov = SHIMS[:count], OWN[:count, :count]
    y = 60.0 + 8e4 * x + bent * np.array([0.0, 1.0, -1.0, 0.5])[:count]
    far = x - x.mean()
    root = np.linalg.cholesky(np.linalg.inv(cov)).T
    slope = np.linalg.lstsq(root @ np.stack([np.ones(count), far], axis=1), root @ y, rcond=None)[0][1]
    expected = abs(slope) * 0.5 / (2.0 * 0.5e-3)
    rows = np.vstack([root @ np.stack([np.ones(count), far, far**2], axis=1), [0.0, 0.0, 1.0 / expected]])
    right = np.append(root @ y, 0.0)
    found = np.linalg.lstsq(rows * [1.0, 1e4, 1e8], right, rcond=None)[0] * [1.0, 1e4, 1e8]
    rest = right - rows @ found
    misfit = float(rest @ rest) / (count - 2) if count > 2 else 0.0
    spread = np.linalg.inv(rows.T @ rows) * max(misfit, 1.0)
    course = _measured_course(x, y, cov)
    assert course.misfit == pytest.approx(misfit, rel=1e-6, abs=1e-12)
    for shim in (-0.1e-3, 0.12e-3, 0.5e-3):
        basis = np.array([1.0, shim - x.mean(), (shim - x.mean()) ** 2])
        value, u = course.at(shim)
        assert value == pytest.approx(basis @ found, rel=1e-7)
        assert u == pytest.approx(math.sqrt(basis @ spread @ basis), rel=1e-5)
    assert (misfit > 1.0) is (bent > 1.0 and count > 2)


def test_a_flat_course_stays_flat() -> None:
    """Rungs that are alike: nothing bends, and far out only the slope's doubt counts."""
    course = _measured_course([0.0, 0.2e-3], [70.0, 70.0], np.eye(2) * 0.8**2)
    value, u = course.at(1.1e-3)
    assert value == pytest.approx(70.0)
    assert u == pytest.approx(
        math.hypot(0.8 / math.sqrt(2.0), 1e-3 * 0.8 * math.sqrt(2.0) / 0.2e-3), rel=1e-4
    )
    with pytest.raises(ValueError, match="two different shims or more"):
        _measured_course([0.1e-3, 0.1e-3], [70.0, 71.0], np.eye(2))


def true(squeeze: float, shims: np.ndarray, scale: float = 0.012) -> np.ndarray:
    """Preload torques of the springs with each shim."""
    return scale * np.asarray(stack_load(STACK, squeeze + shims))


def test_springs_through_rungs_that_are_known_well() -> None:
    """Three rungs that fix squeeze and scale: the curve goes through them and on to where it is flat; its
    thickest shim is what the squeeze leaves of the travel."""
    x, squeeze = np.array([0.0, 0.3e-3, 0.6e-3]), 0.9e-3
    course = _spring_course(STACK, x, true(squeeze, x), np.eye(3) * 0.02**2)
    assert course.misfit == pytest.approx(0.0, abs=0.02)
    assert course.longest == pytest.approx(STACK.travel - squeeze, abs=0.05e-3)
    between, u = course.at([0.15e-3, 0.45e-3])
    assert between == pytest.approx(true(squeeze, np.array([0.15e-3, 0.45e-3])), rel=2e-3)
    assert (u < 0.1).all()
    assert (course.at(1.2e-3)[1] > u).all()


@pytest.mark.parametrize("force_u", [0.0, 40.0])
def test_springs_by_one_rung_and_a_stated_force(force_u: float) -> None:
    """The force says the squeeze, by the formula turned round: one in a ten-thousandth of it where it counts
    as exact; the torque then goes with the force. Its own doubt of 2 % stays, and what the force leaves."""
    squeeze, x = 0.9e-3, np.array([0.2e-3])
    force, preload = float(stack_load(STACK, squeeze + 0.2e-3)), 70.0
    course = _spring_course(
        STACK, x, [preload], [[1.4**2]], forces=[force], forces_u=[force_u] if force_u else None
    )
    other = float(stack_load(STACK, squeeze + 0.5e-3)) / force
    value, u = course.at(0.5e-3)
    assert value == pytest.approx(preload * other, rel=3e-3)
    step = 1e-6
    there, here = (
        (math.log(stack_load(STACK, squeeze + at + step)) - math.log(stack_load(STACK, squeeze + at - step)))
        / (2 * step)
        for at in (0.5e-3, 0.2e-3)
    )
    by_force = preload * other * (there - here) * max(force_u, 1e-4 * force) / (force * here)
    assert u == pytest.approx(math.hypot(1.4 * other, by_force), rel=0.03)
    assert course.misfit == 0.0


def test_the_thickest_shim_is_by_the_squeezes_that_are_likely() -> None:
    """Those of more than a thousandth of the likeliest one's weight; torque and doubt by those of all."""
    squeezes = np.array([0.5e-3, 0.6e-3, 0.7e-3])
    course = SpringCourse(
        STACK, squeezes, np.array([1000.0, 1.001, 1.0]), np.full(3, 0.03), np.full(3, 0.001), 0.0
    )
    assert course.longest == pytest.approx(STACK.travel - 0.6e-3)
    weights, scale, own = np.array([0.75, 0.25]), np.array([0.03, 0.05]), np.array([0.001, 0.002])
    course = SpringCourse(STACK, squeezes[:2], weights, scale, own, 0.0)
    force = np.asarray(stack_load(STACK, squeezes[:2] + 0.1e-3))
    value, u = course.at(0.1e-3)
    mean = float(weights @ (scale * force))
    assert value == pytest.approx(mean)
    assert u == pytest.approx(math.sqrt(weights @ ((own * force) ** 2 + (scale * force - mean) ** 2)))
    # beyond the travel the springs are flat and press no more
    assert course.at(9.0)[0] == pytest.approx(weights @ scale * float(stack_load(STACK, STACK.travel)))


def test_what_springs_cannot_say() -> None:
    """One rung alone; a shim that is more than the travel; rungs that no squeeze meets."""
    with pytest.raises(ValueError, match="one rung does not say how far the stack is pressed"):
        _spring_course(STACK, [0.2e-3], [70.0], [[1.0]])
    with pytest.raises(ValueError, match="the thickest shim alone is more than the stack's travel"):
        _spring_course(STACK, [0.0, STACK.travel], [70.0, 71.0], np.eye(2))
    with pytest.raises(ValueError, match="no squeeze of this stack meets the rungs"):
        _spring_course(STACK, SHIMS, [90.0, 20.0, 90.0, 20.0], np.eye(4) * 0.01)
    # ten thousand a rung, and one more, is the most
    x = np.array([0.0, 0.3e-3, 0.6e-3])
    y = true(0.9e-3, x) + np.array([0.0, 4.0, 0.0])
    worst = _spring_course(STACK, x, y, np.eye(3)).misfit
    for share, told in ((0.99, True), (1.01, False)):
        small = math.sqrt(worst / (1e4 * 4.0) / share)
        if told:
            assert _spring_course(STACK, x, y, np.eye(3) * small**2).misfit == pytest.approx(
                4e4 * share, rel=1e-6
            )
        else:
            with pytest.raises(ValueError, match="no squeeze"):
                _spring_course(STACK, x, y, np.eye(3) * small**2)


def test_scatter_of_one_assembly_more() -> None:
    """Student's where it is seen alone, the normal's where the rig states it."""
    assert Scatter(0.02, 3.0).reach == pytest.approx(t.ppf(0.975, 3.0))
    assert Scatter(0.02).reach == pytest.approx(1.959964)
    assert Scatter(0.02, 3.0).below(1.2) == pytest.approx(t.cdf(1.2, 3.0))
    assert Scatter(0.02).below(1.2) == pytest.approx(norm.cdf(1.2))


def test_refits_that_scatter_more_than_the_rig_states() -> None:
    """By chi-squared, once in twenty times; then what these show is all that is known. Where the rig explains
    it the larger of both counts, and rungs that miss their course by twice their doubt scatter as widely."""
    shims, stated = np.array([0.1e-3, 0.1e-3, 0.2e-3, 0.2e-3, 0.2e-3, 0.3e-3]), 0.01
    shape = np.array([1.0, -1.0, 1.0, 0.0, -1.0, 0.0])
    limit = math.sqrt(chi2.ppf(0.95, 3) / 4.0) * stated  # squares of the logarithms: 2 and 2 times a² over 3
    for share, explained in ((0.999, True), (1.001, False)):
        apart = share * limit
        preloads = np.array([70.0, 70.0, 80.0, 80.0, 80.0, 95.0]) * np.exp(apart * shape)
        found, notes = _scatter_of(shims, preloads, stated, 1.0)
        seen = math.sqrt(4.0 * apart**2 / 3.0)
        assert found.relative == pytest.approx(max(seen, stated))
        assert math.isinf(found.degrees) is explained
        assert len(notes) == (not explained)
        if not explained:
            assert found.degrees == 3.0
            assert notes[0] == (
                f"assemblies with one shim scatter by {100.0 * seen:.1f} % here, and the rig states 1 %: "
                "intervals and chances are by what these show, with 3 degrees of freedom (Student's t)"
            )
    found, notes = _scatter_of(shims[[0, 1, 5]], np.array([70.0, 70.7, 95.0]), 0.0, 1.0)
    assert found.degrees == 1.0
    assert "and the rig states none: intervals" in notes[0]
    assert "with 1 degree of freedom (Student's t)" in notes[0]
    alone = shims[[0, 2, 5]], np.array([70.0, 80.0, 95.0])
    assert _scatter_of(*alone, 0.01, 4.0) == (Scatter(0.01), [])
    assert _scatter_of(*alone, 0.01, 4.41)[0].relative == pytest.approx(0.021)
    assert _scatter_of(*alone, 0.0, 1.0) == (Scatter(0.0), [])
    # two shims a tenth of a micrometre apart are one, two of two micrometres are not
    near, _ = _scatter_of(np.array([0.1e-3, 0.1001e-3]), np.array([70.0, 70.7]), 0.05, 1.0)
    assert near.relative == 0.05
    for step, seen in ((0.4e-6, True), (2e-6, False)):
        _, notes = _scatter_of(np.array([0.1e-3, 0.1e-3 + step]), np.array([70.0, 75.0]), 0.001, 1.0)
        assert bool(notes) is seen
