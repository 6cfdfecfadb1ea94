"""Torque bias ratio and locking effect: the two numbers in which the trade and SAE J2817 quote a
differential.

Beware of two senses of 'locking torque'. Here it is the whole left-right torque difference; some mean half of
it, the torque of one pack. And of 60 % locking effect read as 'sixty per cent more torque': it means 80 to
20.
"""

import numpy as np
from numpy.typing import ArrayLike

from diffbench.physics.arguments import Floats, floats, unwrapped


def locking_effect_from_locking_torque(locking_torque: ArrayLike, input_torque: ArrayLike) -> Floats:
    """Locking effect at an input torque.

    LE = T_lock/|T_in|

    Parameters
    ----------
    locking_torque : array_like
        Locking torque, the whole left-right difference [N·m], not negative.
    input_torque : array_like
        Torque at the case [N·m]; broadcast. NaN in either passes through.

    Returns
    -------
    Locking effect [-]; infinite without input torque, NaN when there is no locking torque either.

    Examples
    --------
    >>> locking_effect_from_locking_torque([200.0, 80.0], [400.0, 0.0]).tolist()
    [0.5, inf]

    References
    ----------
    SAE J2817, equation 1, with T_in = T_L + T_R.
    """
    t_lock, t_in = np.broadcast_arrays(floats(locking_torque), np.abs(floats(input_torque)))
    effect = np.where(t_lock > 0.0, np.inf, np.nan)
    np.divide(t_lock, t_in, out=effect, where=t_in != 0.0)
    return unwrapped(effect)


def ratio_from_locking_effect(effect: ArrayLike) -> Floats:
    """Torque bias ratio of a locking effect.

    TBR = (1 + LE)/(1 − LE)

    Parameters
    ----------
    effect : array_like
        Locking effect [-], not negative; NaN passes through.

    Returns
    -------
    Torque bias ratio [-], at least 1; NaN where the locking effect is 1 or more and the ratio has no meaning.

    Raises
    ------
    ValueError
        A locking effect is negative.

    Examples
    --------
    >>> ratio_from_locking_effect([0.0, 0.5, 0.75, 1.0]).tolist()
    [1.0, 3.0, 7.0, nan]

    References
    ----------
    SAE J2817, equation 1, turned round.
    """
    le = floats(effect)
    if np.any(le < 0.0):
        raise ValueError("a locking effect is not negative")
    ratio = np.full(le.shape, np.nan)
    np.divide(1.0 + le, 1.0 - le, out=ratio, where=le < 1.0)
    return unwrapped(ratio)
