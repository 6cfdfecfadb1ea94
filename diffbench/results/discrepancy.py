"""What a law leaves out, as a result holds it: how far the measured locking torque is likely to be from the
law at any place, and the doubt of that."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from diffbench.results.document import Frozen

Array = NDArray[np.float64]

BRANCH_APART = 1.2  # distance between loading and unloading in lengths: correlated by half
SLOWEST = 0.02  # rad/s: the logarithm goes no lower
NEAR_ZERO = 0.5  # power of the torque: play and joints bend the law where the torque is small
ROUNDED = 0.004  # of the largest torque: nearer to zero it is straight, as lines between nodes are
NORMAL_95, NORMAL_90 = 1.959964, 1.644854


class DiscrepancyState(Frozen):
    """What a form's law leaves out, smooth over torque, branch, speed and temperature, as a share of the
    locking torque.

    ``size`` its relative standard deviation where nothing was tested; ``lengths`` over input torque as a
    share of ``largest_Nm`` (to ``torque_power``), over ln speed difference, and over temperature [K];
    ``once`` the doubt of all places in common; ``floor`` what no place's doubt is below, of a bench fitted
    once. ``centres`` (q, 4) as `places` has them, with weights of ``mean`` and ``covariance``; ``response``
    (p, …) of the form's unknowns to the same. Behind those of the centres come columns of what turned its
    sign with slip: doubt of the unknowns alone. ``since`` how far the unit stands from its mean over the
    visit when it leaves the bench, and ``since_response`` (p,) what that, and what turned its sign, did to
    the unknowns. ``joint`` by how much of a joint
    that opens bit by bit (`diffbench.physics.preload.softened`) preload and ramps together may lock more.
    ``corrects`` whether the mean is part of the map; where it is not, it counts as doubt.
    """

    largest_Nm: float
    lengths: tuple[float, float, float]
    size: float
    once: float
    since: float
    since_response: list[float]
    centres: list[list[float]]
    mean: list[float]
    covariance: list[list[float]]
    response: list[list[float]]
    corrects: bool = False
    torque_power: float = 1.0  # of a result of before
    floor: float = 0.0
    joint: float = 0.0

    def of_unknowns(self, rows: Sequence[int]) -> DiscrepancyState:
        """For some of the form's unknowns, by their rows."""
        return self.model_copy(
            update={
                "response": [self.response[i] for i in rows],
                "since_response": [self.since_response[i] for i in rows],
            }
        )


def places(torque: Array, unloading: float | Array, speed: Array, heat: Array, largest: float) -> Array:
    """Coordinates (…, 4) of a discrepancy: torque over the largest, branch, ln speed [rad/s], temperature
    [°C]."""
    parts = (torque / largest, unloading, np.log(np.maximum(np.abs(speed), SLOWEST)), heat)
    return np.stack(np.broadcast_arrays(*parts), axis=-1)


def kernel(
    one: Array, other: Array, size: float, lengths: tuple[float, float, float], power: float = NEAR_ZERO
) -> Array:
    """Covariance (…, m) of the relative discrepancy at places (…, 4) and (m, 4); distance in torque is that
    of its ``power``, sign kept."""
    a, b = (_scaled(place, lengths, power) for place in (one, other))
    found: Array = np.sum(a**2, axis=-1)[..., None] + np.sum(b**2, axis=-1) - 2.0 * a @ b.T
    # in place: a map asks for it at ten thousands of places
    np.maximum(found, 0.0, out=found)
    found *= -0.5
    np.exp(found, out=found)
    found *= size**2
    return found


def _scaled(place: Array, lengths: tuple[float, float, float], power: float) -> Array:
    """Places in lengths."""
    share = place[..., 0]
    warped = np.sign(share) * ((np.abs(share) + ROUNDED) ** power - ROUNDED**power)
    apart = np.stack([warped, *np.moveaxis(place[..., 1:], -1, 0)], axis=-1)
    return np.asarray(apart / np.array([lengths[0], 1.0 / BRANCH_APART, *lengths[1:]]))


def left_out(
    state: DiscrepancyState, value: Array, gradient: Array, place: tuple[Array, Array, Array], branch: str
) -> Array:
    """Variance [N²·m²] of what the measured locking torque is apart from the law, about `expected_apart`.

    Where cells were, their residual says it; the further away, the more it is as unknown as before. The
    unknowns follow what the law leaves out (``gradient`` (…, p) of the locking torque): what they took up is
    no doubt of the map. Source: Kennedy & O'Hagan, J. R. Stat. Soc. B 63 (2001), section 4.
    """
    near = _near(state, place, branch)
    centres = np.array(state.centres)
    inner = kernel(centres, centres, state.size, state.lengths, state.torque_power)
    known = np.sum(
        (near[..., : len(centres)] @ np.linalg.pinv(inner, rcond=1e-10, hermitian=True))
        * near[..., : len(centres)],
        axis=-1,
    )
    rest = np.maximum(state.size**2 - known, 0.0) + state.once**2
    response = np.array(state.response).reshape(gradient.shape[-1], near.shape[-1])  # none may move the unit
    weights = value[..., None] * near - gradient @ response
    doubt = np.maximum(np.sum((weights @ np.array(state.covariance)) * weights, axis=-1), 0.0)
    if not state.corrects:
        # what the law is expected to miss, and the map does not show, is doubt
        drifted = value * state.since - gradient @ np.array(state.since_response)
        doubt = doubt + (weights @ np.array(state.mean) + drifted) ** 2
    return np.asarray(np.maximum(doubt + value**2 * rest, (state.floor * value) ** 2))


def expected_apart(
    state: DiscrepancyState,
    value: Array,
    moved: Callable[[Array], Array],
    place: tuple[Array, Array, Array],
    branch: str,
) -> Array:
    """By how much the measured locking torque is expected to be apart from the law [N·m]: the mean of the
    discrepancy given the cells, less what the fitted unknowns took up of it.

    ``value`` [N·m] of the law; ``moved`` the change of it [N·m] for a small step (p,) of the unknowns.
    Nothing where the cells do not correct the law.
    """
    if not state.corrects:
        return np.zeros(value.shape)
    mean = np.array(state.mean)
    near = _near(state, place, branch)
    taken_up = np.array(state.response) @ mean + np.array(state.since_response)
    return np.asarray(value * (near @ mean + state.since) - moved(taken_up))


def _near(state: DiscrepancyState, place: tuple[Array, Array, Array], branch: str) -> Array:
    """Covariance (…, q) of the relative discrepancy at a place with the centres; with the rest it is zero."""
    torque, speed, heat = np.broadcast_arrays(*place)
    if state.size == 0.0:
        return np.zeros((*torque.shape, len(state.mean)))
    centres, own = np.array(state.centres), (state.size, state.lengths, state.torque_power)
    sides = {"loading": (0.0,), "unloading": (1.0,)}.get(branch, (0.0, 1.0))
    near = np.zeros((*torque.shape, len(state.mean)))
    for side in sides:
        near[..., : len(centres)] += kernel(
            places(torque, side, speed, heat, state.largest_Nm), centres, *own
        ) / len(sides)
    return near
