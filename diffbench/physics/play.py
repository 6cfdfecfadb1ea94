"""The play operator: what the ramp thrust does between loading and unloading.

In units of torque, w is the torque that would give the present thrust while loading, so that the ramp part of
the locking torque is K_loading · w on the way up, on the way down and in between.

It is walked over turning points and evaluated in closed form in between: between two turns the torque only
rises or only falls, whatever its noise, and samples run through it would ratchet up on noise. Where a history
begins the ramps stand anywhere between their limits: one unknown for each.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from diffbench.physics.arguments import Floats, floats, within
from diffbench.physics.recurrences import clamp_recurrence


@dataclass(frozen=True)
class Stretches:
    """Where a torque history turns: found once, used for every ratio and for both flanks.

    Attributes
    ----------
    ends : ndarray of int
        Index of the last sample of each monotone stretch, shape (m,), rising, the last one n − 1.
    lengths : ndarray of int
        Number of samples of each stretch, shape (m,), summing to n.
    """

    ends: NDArray[np.intp]
    lengths: NDArray[np.intp]

    @property
    def size(self) -> int:
        """Number of samples of the history."""
        return int(self.ends[-1]) + 1


def monotone_stretches(torque: ArrayLike) -> Stretches:
    """Cut a torque history into stretches on which it only rises or only falls.

    A pause belongs to the stretch that follows it. The stretches of a signed torque serve both flanks, since
    what is monotone stays so when the other sign is cut off.

    Parameters
    ----------
    torque : array_like
        Input torque [N·m], shape (n,), n at least 1, without NaN.

    Returns
    -------
    The stretches.

    Raises
    ------
    ValueError
        The history is empty, has another shape or holds something that is not a number.

    Examples
    --------
    >>> monotone_stretches([0.0, 1.0, 2.0, 2.0, 1.0, 3.0]).ends.tolist()
    [2, 4, 5]

    References
    ----------
    Elementary.
    """
    history = _history(torque)
    steps = np.diff(history)
    moving = np.flatnonzero(steps)
    rising = steps[moving] > 0.0
    # The sample on which the old direction ends is one after the last step in that direction.
    turns = moving[np.flatnonzero(rising[1:] != rising[:-1])] + 1
    ends = np.append(turns, history.size - 1)
    return Stretches(ends=ends, lengths=np.diff(ends, prepend=-1))


def play(
    torque: ArrayLike, ratio: float, start: float | None = None, stretches: Stretches | None = None
) -> Floats:
    """Thrust torque of one flank over a torque history: generalised play, or backlash hysteresis.

    w[i] = max(T[i], min(w[i−1], rho T[i])), with T the flank's share of the torque, max(torque, 0)

    Give the input torque for the drive flank and its negative for the coast flank. On a monotone stretch the
    carried value w_0 alone decides, w = max(T, min(w_0, rho T)), so only the turning points are run one after
    the other, and these by `recurrences.clamp_recurrence`. The result is exactly that of a loop over samples.

    Parameters
    ----------
    torque : array_like
        Torque of the flank [N·m], shape (n,), positive where this flank is loaded, without NaN.
    ratio : float
        Unloading ratio rho = cot(beta − phi)/cot(beta + phi) [-], at least 1 and finite.
    start : float or None
        Thrust torque w before the first sample [N·m], not negative; by default the history is taken to start
        on the loading branch.
    stretches : Stretches or None
        `monotone_stretches` of this torque, or of its negative, where it is known already.

    Returns
    -------
    Thrust torque w [N·m], shape (n,), from T to rho T.

    Raises
    ------
    ValueError
        The history, the ratio or the start is not as above, or the stretches are of another history's length.

    Notes
    -----
    Validity: rate-independent; the ramp slides as soon as a limit is reached. A self-locking ramp (infinite
    ratio) is outside the operator.

    Examples
    --------
    >>> play([0.0, 100.0, 80.0, 50.0, 60.0, 90.0], 1.5).tolist()
    [0.0, 100.0, 100.0, 75.0, 75.0, 90.0]

    References
    ----------
    Generalised play with the two lines T and rho T: Krasnosel'skii & Pokrovskii, Systems with Hysteresis
    (1989), section 2; Visintin, Differential Models of Hysteresis (1994), chapter III.
    """
    history = _history(torque)
    rho = float(within("unloading ratio", ratio, 1.0, np.finfo(np.float64).max))
    if stretches is None:
        stretches = monotone_stretches(history)
    elif stretches.size != history.size:
        raise ValueError(f"the stretches are of {stretches.size} samples, the torque has {history.size}")
    loading = np.maximum(history, 0.0)
    unloading = rho * loading
    if start is None:
        first = float(loading[0])
    else:
        first = float(within("start", start, 0.0, np.finfo(np.float64).max))
        first = max(float(loading[0]), min(first, float(unloading[0])))
    at_ends = clamp_recurrence(loading[stretches.ends], unloading[stretches.ends], first)
    carried = np.repeat(np.append(first, at_ends[:-1]), stretches.lengths)
    thrust_torque: Floats = np.maximum(loading, np.minimum(carried, unloading))
    return thrust_torque


def _history(torque: ArrayLike) -> Floats:
    history = floats(torque)
    if history.ndim != 1 or history.size == 0:
        raise ValueError(f"a torque history is one row of at least one sample, not {history.shape}")
    if not np.all(np.isfinite(history)):
        bad = int(np.flatnonzero(~np.isfinite(history))[0])
        raise ValueError(f"torque is not a number at sample {bad}: what follows it cannot be known")
    return history
