"""The play operator: what the ramp thrust does between loading and unloading.

In units of torque, w is the torque that would give the present thrust while loading, so that the ramp part of
the locking torque is K_loading · w on the way up, on the way down and in between. Where the torque T of the
flank moves, w stays between T and rho T, and moves only where one of the two takes it along. On a stretch on
which the torque only rises or only falls the value that is carried into it decides alone, so that the history
is run over its turning points, and all else follows from those.

Samples run through it would ratchet up on noise; turns do not. Where a history begins the ramps stand
anywhere between their limits: one unknown for each.
"""

import numpy as np

from diffbench.physics.arguments import Floats


def at_turns(lower: Floats, upper: Floats, start: float = 0.0) -> Floats:
    """Thrust torque at the turning points of a history, each from the one before: generalised play, or
    backlash hysteresis.

    w[i] = max(lower[i], min(w[i−1], upper[i]))

    Parameters
    ----------
    lower, upper : ndarray
        Limits of the thrust torque at each turning point [N·m], T and rho T with T the flank's share of the
        input torque, max(torque, 0), and rho = cot(beta − phi)/cot(beta + phi) [-], at least 1; shape (n,).
        Where both are alike, a history begins.
    start : float
        Thrust torque before the first one [N·m].

    Returns
    -------
    Thrust torque w [N·m], shape (n,).

    Notes
    -----
    Validity: rate-independent; the ramp slides as soon as a limit is reached. A self-locking ramp (infinite
    ratio) is outside the operator. Give every sample as a turning point, and it is the operator itself.

    Examples
    --------
    >>> torque = np.array([0.0, 100.0, 80.0, 50.0, 60.0, 90.0])
    >>> at_turns(torque, 1.5 * torque).tolist()
    [0.0, 100.0, 100.0, 75.0, 75.0, 90.0]

    References
    ----------
    Generalised play with the two lines T and rho T: Krasnosel'skii & Pokrovskii, Systems with Hysteresis
    (1989), section 2; Visintin, Differential Models of Hysteresis (1994), chapter III.
    """
    # a few dozen turns: a plain loop is quicker than anything vectorised
    value, walked = start, []
    for low, high in zip(lower.tolist(), upper.tolist(), strict=True):
        # comparisons take a third of the time of min and max, which is most of this loop
        if value > high:  # noqa: PLR1730
            value = high
        if value < low:  # noqa: PLR1730
            value = low
        walked.append(value)
    return np.array(walked, dtype=np.float64)


def between_turns(torque: Floats, ratio: Floats, carried: Floats) -> Floats:
    """Thrust torque on stretches on which the torque only rises or only falls.

    w = max(T, min(w_0, rho T)), with T = max(torque, 0)

    Parameters
    ----------
    torque : ndarray
        Torque of the flank [N·m], positive where this flank is loaded: the input torque for the drive flank,
        its negative for the coast flank.
    ratio : ndarray
        Unloading ratio rho [-], at least 1 and finite.
    carried : ndarray
        Thrust torque w_0 at the turning point before [N·m]. All broadcast.

    Returns
    -------
    Thrust torque w [N·m], from T to rho T.

    Examples
    --------
    >>> between_turns(np.array([80.0, 50.0]), np.array(1.5), np.array(100.0)).tolist()
    [100.0, 75.0]

    References
    ----------
    As `at_turns`.
    """
    loading = np.maximum(torque, 0.0)
    thrust = loading * ratio
    np.minimum(carried, thrust, out=thrust)
    np.maximum(loading, thrust, out=thrust)
    return thrust
