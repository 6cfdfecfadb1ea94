"""Torque bias ratio and locking effect: the two numbers in which the trade and SAE J2817 quote a
differential.

Beware of two senses of 'locking torque'. Here it is the whole left-right torque difference; some mean half of
it, the torque of one pack. And of 60 % locking effect read as 'sixty per cent more torque': it means 80 to
20.
"""

import numpy as np
from numpy.typing import ArrayLike

from diffbench.physics.arguments import Floats, floats, not_negative, unwrapped


def torque_bias_ratio(higher: ArrayLike, lower: ArrayLike) -> Floats:
    """Torque bias ratio from the torques of the two outputs while they slip.

    TBR = T_high/T_low

    Parameters
    ----------
    higher : array_like
        Torque at the slower output [N·m], of one sign with `lower` and at least as large.
    lower : array_like
        Torque at the faster output [N·m]; broadcast.

    Returns
    -------
    Torque bias ratio [-], at least 1; NaN where the faster output gets nothing or is driven backward (a
    locking effect of 1 or more), where the ratio has no meaning.

    Raises
    ------
    ValueError
        A `higher` torque is smaller in magnitude than its `lower`.

    Examples
    --------
    >>> torque_bias_ratio([300.0, 300.0], [100.0, -20.0]).tolist()
    [3.0, nan]

    References
    ----------
    SAE J2817, definition of the torque bias ratio.
    """
    high, low = np.broadcast_arrays(floats(higher), floats(lower))
    if np.any(np.abs(high) < np.abs(low)):
        raise ValueError("the higher torque must not be smaller than the lower one: they are swapped")
    ratio = np.full(high.shape, np.nan)
    np.divide(high, low, out=ratio, where=high * low > 0.0)
    return unwrapped(ratio)


def locking_effect(left: ArrayLike, right: ArrayLike) -> Floats:
    """Locking effect from the torques of the two outputs while they slip.

    LE = |T_L − T_R| / |T_L + T_R|

    Parameters
    ----------
    left : array_like
        Torque at the left output [N·m]; NaN passes through.
    right : array_like
        Torque at the right output [N·m]; broadcast.

    Returns
    -------
    Locking effect [-] (times 100: per cent); above 1 where one output is driven backward; infinite without
    input torque, NaN without any torque at all.

    Examples
    --------
    >>> print(f"{locking_effect(300.0, 100.0):.2f}")
    0.50

    References
    ----------
    SAE J2817, equation 1.
    """
    t_l, t_r = floats(left), floats(right)
    return locking_effect_from_locking_torque(np.abs(t_l - t_r), t_l + t_r)


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


def locking_effect_from_ratio(ratio: ArrayLike) -> Floats:
    """Locking effect of a torque bias ratio.

    LE = (TBR − 1)/(TBR + 1)

    Parameters
    ----------
    ratio : array_like
        Torque bias ratio [-], at least 1; NaN passes through.

    Returns
    -------
    Locking effect [-], 0 to below 1.

    Raises
    ------
    ValueError
        A ratio is below 1.

    Examples
    --------
    >>> (100.0 * locking_effect_from_ratio([1.0, 2.0, 3.0, 5.0])).round(1).tolist()
    [0.0, 33.3, 50.0, 66.7]

    References
    ----------
    SAE J2817, equation 1.
    """
    tbr = floats(ratio)
    if np.any(tbr < 1.0):
        raise ValueError("a torque bias ratio is at least 1: the higher torque over the lower one")
    # Written so that an endless ratio gives 1 and not NaN.
    return 1.0 - 2.0 / (tbr + 1.0)


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


def share_of_slower_output(effect: ArrayLike) -> Floats:
    """Share of the input torque that goes to the slower output.

    T_high/T_in = (1 + LE)/2

    Parameters
    ----------
    effect : array_like
        Locking effect [-], not negative.

    Returns
    -------
    Share [-], a half for an open differential; above 1 where the faster output is driven backward.

    Raises
    ------
    ValueError
        A locking effect is negative or not a number.

    Examples
    --------
    >>> print(share_of_slower_output(0.5).item())
    0.75

    References
    ----------
    T_L + T_R = T_in and |T_L − T_R| = LE |T_in|.
    """
    return (1.0 + not_negative("locking effect", effect)) / 2.0


def whole_from_one_pack(torque: ArrayLike) -> Floats:
    """Locking torque in this project's sense from one in the sense of one pack, half the left-right
    difference.

    Parameters
    ----------
    torque : array_like
        Torque of one pack [N·m]; NaN passes through.

    Returns
    -------
    Locking torque, the whole left-right difference [N·m].

    Examples
    --------
    >>> print(whole_from_one_pack(60.0).item())
    120.0

    References
    ----------
    Equilibrium of the two side gears.
    """
    return 2.0 * floats(torque)


def one_pack_from_whole(locking_torque: ArrayLike) -> Floats:
    """Torque of one pack, which some call the locking torque, from the whole left-right difference.

    Parameters
    ----------
    locking_torque : array_like
        Locking torque, the whole left-right difference [N·m]; NaN passes through.

    Returns
    -------
    Torque of one pack [N·m].

    Examples
    --------
    >>> print(one_pack_from_whole(120.0).item())
    60.0

    References
    ----------
    Equilibrium of the two side gears.
    """
    return floats(locking_torque) / 2.0


def output_torques(
    input_torque: ArrayLike, locking_torque: ArrayLike, speed_difference: ArrayLike
) -> tuple[Floats, Floats]:
    """Torques of both outputs while they slip.

    T_L = (T_in − sgn(Delta omega) T_lock)/2, T_R = (T_in + sgn(Delta omega) T_lock)/2

    Parameters
    ----------
    input_torque : array_like
        Torque at the case [N·m], positive in drive; NaN passes through.
    locking_torque : array_like
        Locking torque, the whole left-right difference [N·m], not negative.
    speed_difference : array_like
        Left minus right output speed [rad/s], not zero: without slip the split is not determined by the
        differential. All broadcast.

    Returns
    -------
    Left and right output torque [N·m].

    Raises
    ------
    ValueError
        A speed difference is zero, or a locking torque negative.

    Examples
    --------
    >>> left, right = output_torques(400.0, 200.0, 3.0)
    >>> print(left.item(), right.item())
    100.0 300.0

    References
    ----------
    Equilibrium of the case; the slower output gets more.
    """
    difference = floats(speed_difference)
    if np.any(difference == 0.0):
        raise ValueError("without slip the differential does not say how the torque splits")
    t_lock = floats(locking_torque)
    if np.any(t_lock < 0.0):
        raise ValueError("a locking torque is not negative")
    t_in, across = floats(input_torque), np.sign(difference) * t_lock
    return (t_in - across) / 2.0, (t_in + across) / 2.0
