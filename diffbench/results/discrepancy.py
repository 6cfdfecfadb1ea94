"""What a law leaves out, as a result holds it: how far the measured locking torque is likely to be from the
law at any place, and the doubt of that."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from diffbench.results.document import Frozen

Array = NDArray[np.float64]

BRANCH_APART = 1.2  # distance between loading and unloading in lengths: correlated by half
SLOWEST = 0.02  # rad/s: the logarithm goes no lower
NORMAL_95, NORMAL_90 = 1.959964, 1.644854


class DiscrepancyState(Frozen):
    """What a form's law leaves out, smooth over torque, branch, speed and temperature, as a share of the
    locking torque.

    ``size`` its relative standard deviation where nothing was tested; ``lengths`` over input torque as a
    share of ``largest_Nm``, over ln speed difference, and over temperature [K]; ``once`` what counts for any
    bench fitted once. ``centres`` (q, 4) as `places` has them, with weights of ``mean`` (q,) and
    ``covariance`` (q, q); ``response`` (p, q) of the form's unknowns to the same. ``since`` how far the unit
    stands from its mean over the visit when it leaves the bench, and ``since_response`` (p,) what that did to
    the unknowns.
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

    def of_unknowns(self, rows: Sequence[int]) -> DiscrepancyState:
        """For some of the form's unknowns, by their rows."""
        return self.model_copy(
            update={
                "response": [self.response[i] for i in rows],
                "since_response": [self.since_response[i] for i in rows],
            }
        )


def places(torque: Array, unloading: float | Array, speed: Array, heat: Array, largest: float) -> Array:
    """Coordinates (…, 4) in which a discrepancy is smooth: torque over the largest, branch, ln speed [rad/s],
    temperature [°C]."""
    parts = (torque / largest, unloading, np.log(np.maximum(np.abs(speed), SLOWEST)), heat)
    return np.stack(np.broadcast_arrays(*parts), axis=-1)


def kernel(one: Array, other: Array, size: float, lengths: tuple[float, float, float]) -> Array:
    """Covariance (…, m) of the relative discrepancy at places (…, 4) and (m, 4)."""
    scale = np.array([lengths[0], 1.0 / BRANCH_APART, *lengths[1:]])
    a, b = one / scale, other / scale
    square = np.sum(a**2, axis=-1)[..., None] + np.sum(b**2, axis=-1) - 2.0 * a @ b.T
    return np.asarray(size**2 * np.exp(-0.5 * np.maximum(square, 0.0)))


def left_out(
    state: DiscrepancyState, value: Array, gradient: Array, place: tuple[Array, Array, Array], branch: str
) -> tuple[Array, Array]:
    """Variance [N²·m²] and expected size [N·m] of what the measured locking torque is apart from the law.

    Where cells were, their residual says it; the further away, the more it is as unknown as before. The
    unknowns follow what the law leaves out (``gradient`` (…, p) of the locking torque): what they took up is
    no doubt of the map. Source: Kennedy & O'Hagan, J. R. Stat. Soc. B 63 (2001), section 4.
    """
    torque, speed, heat = place
    centres = np.array(state.centres)
    sides = {"loading": (0.0,), "unloading": (1.0,)}.get(branch, (0.0, 1.0))
    near = np.mean(
        [
            kernel(places(torque, side, speed, heat, state.largest_Nm), centres, state.size, state.lengths)
            for side in sides
        ],
        axis=0,
    )
    inner = np.linalg.pinv(kernel(centres, centres, state.size, state.lengths), rcond=1e-10, hermitian=True)
    known = np.sum((near @ inner) * near, axis=-1)
    rest = np.maximum(state.size**2 - known, 0.0) + state.once**2
    weights = value[..., None] * near - gradient @ np.array(state.response)
    doubt = np.maximum(np.sum((weights @ np.array(state.covariance)) * weights, axis=-1), 0.0)
    drifted = value * state.since - gradient @ np.array(state.since_response)
    return doubt + value**2 * rest, np.abs(weights @ np.array(state.mean) + drifted)


def half_width(u: Array, away: Array) -> Array:
    """Half-width of an interval about a value that holds 95 % of a normal distribution whose centre is known
    to lie ``away`` from it.

    From 1.960 u where it does not, to 1.645 u and the distance: within 0.02 u of P(|N(away, u)| < h) = 0.95.

    >>> half_width(np.array([1.0, 1.0]), np.array([0.0, 3.0])).round(3).tolist()
    [1.96, 4.645]
    """
    ratio = away / np.maximum(u, 1e-300)
    return np.asarray(away + u * (NORMAL_90 + (NORMAL_95 - NORMAL_90) * np.exp(-3.5 * ratio)))
