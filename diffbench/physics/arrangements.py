"""What an arrangement of the bench reads: the same unit gives different readings in different set-ups.

Two hand set-ups are both called 'preload' in a workshop. With the other output held and the case free there
is no input torque, and the wrench reads half the preload torque. With the case held and the other output free
the wrench's own torque loads the ramps, and it reads more than the preload torque. The arrangement is
therefore always stated.
"""

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from diffbench.errors import FitError
from diffbench.physics.arguments import Floats, floats, not_negative
from diffbench.physics.preload import PreloadLaw, closed_contact_share

TurningArrangement = Literal["output-turned-case-free", "output-turned-case-held"]
"""The two arrangements in which one output is turned, as a rig names them."""

Direction = Literal["forward", "backward"]
"""The way an output is turned, by hand or by a slow drive."""

Flank = Literal["drive", "coast"]
"""The flank of the ramps that bears."""


def other_output(input_torque: ArrayLike, output_torque: ArrayLike) -> Floats:
    """Torque of the output that is not measured.

    T_other = T_in − T_one

    Parameters
    ----------
    input_torque : array_like
        Torque at the case [N·m], positive in drive; NaN passes through.
    output_torque : array_like
        Torque of the measured output [N·m]; broadcast.

    Returns
    -------
    Torque of the other output [N·m].

    Notes
    -----
    Validity: steady speeds, or with inertia taken off; at the case, after final drive and its losses.

    Examples
    --------
    >>> print(other_output(400.0, 100.0).item())
    300.0

    References
    ----------
    Equilibrium of the case, T_in = T_L + T_R.
    """
    return floats(input_torque) - floats(output_torque)


def locking_torque(left_torque: ArrayLike, right_torque: ArrayLike, speed_difference: ArrayLike) -> Floats:
    """Locking torque from the torques of both outputs while they slip.

    T_lock = −sgn(Delta omega) (T_L − T_R): the slower output gets more

    Parameters
    ----------
    left_torque : array_like
        Torque that the differential delivers to the left output [N·m]; NaN passes through.
    right_torque : array_like
        Torque that it delivers to the right output [N·m].
    speed_difference : array_like
        Left minus right output speed [rad/s]. All broadcast.

    Returns
    -------
    Locking torque [N·m]; NaN where the speed difference is zero, since there |T_L − T_R| is only a lower
    bound. A negative result is a fault of the recording (swapped sides, a reversed sign), left for the caller
    to see.

    Examples
    --------
    >>> locking_torque([100.0, 300.0, 180.0], [300.0, 100.0, 220.0], [2.0, -2.0, 0.0]).tolist()
    [200.0, 200.0, nan]

    References
    ----------
    Power balance, (T_L − T_R) Delta omega <= 0 for a unit that only brakes.
    """
    direction = np.sign(floats(speed_difference))
    return np.where(direction == 0.0, np.nan, -direction) * (floats(left_torque) - floats(right_torque))


def loaded_flank(direction: Direction) -> Flank:
    """Flank that the wrench loads when the case is held.

    Parameters
    ----------
    direction : {"forward", "backward"}
        "forward" as the car rolls forward, or "backward".

    Returns
    -------
    "coast" for forward, "drive" for backward: a held case is dragged along by the output as by a coasting
    wheel.

    Raises
    ------
    ValueError
        The direction has another name.

    Examples
    --------
    >>> loaded_flank("forward")
    'coast'

    References
    ----------
    T_in = T_L + T_R with T_one = −W and T_other = 0.
    """
    if direction == "forward":
        return "coast"
    if direction == "backward":
        return "drive"
    raise ValueError(f"no direction is called {direction!r}: it is 'forward' or 'backward'")


def locking_torque_of_turning(arrangement: TurningArrangement, reading: ArrayLike) -> Floats:
    """Locking torque that a turning reading stands for.

    T_lock = 2 W with the case free (other output held), T_lock = W with the case held (other output free)

    Parameters
    ----------
    arrangement : {"output-turned-case-free", "output-turned-case-held"}
        "output-turned-case-free" or "output-turned-case-held".
    reading : array_like
        Torque W at the turned output [N·m], its magnitude counts; NaN passes through.

    Returns
    -------
    Locking torque [N·m]: at no input torque with the case free, at an input torque of W with the case held.

    Raises
    ------
    ValueError
        The arrangement is not one of the two.

    Examples
    --------
    >>> locking_torque_of_turning("output-turned-case-free", 40.0).item()
    80.0
    >>> locking_torque_of_turning("output-turned-case-held", 40.0).item()
    40.0

    References
    ----------
    Equilibrium of case and outputs: T_L = −T_R = W, or T_other = 0.
    """
    return (2.0 if _case_is_free(arrangement) else 1.0) * np.abs(floats(reading))


def preload_from_turning_torque(
    arrangement: TurningArrangement,
    reading: ArrayLike,
    ramp_bias: ArrayLike,
    law: PreloadLaw,
    *,
    joint_fraction: ArrayLike = 0.0,
    gear_friction: ArrayLike = 0.0,
) -> Floats:
    """Preload torque from a turning reading.

    Case free: P = 2 W. Case held: P = (1 − K − k) W additive, P = (1 − Phi K − k) W greater-of

    With the case held, W = T_lock(W) = [P ⊕ K W] + k W. Under greater-of the contact stays closed while
    K + k < 1, so that only the joint fraction of the ramp part adds.

    Parameters
    ----------
    arrangement : {"output-turned-case-free", "output-turned-case-held"}
        "output-turned-case-free" or "output-turned-case-held".
    reading : array_like
        Torque W at the turned output [N·m], its magnitude counts; NaN passes through.
    ramp_bias : array_like
        Ramp bias K of the loaded flank (`loaded_flank`), loading value [-]; of no effect with the case free.
    law : {"additive", "greater-of"}
        "additive" or "greater-of"; of no effect with the case free.
    joint_fraction : array_like
        Joint fraction Phi of the greater-of law [-].
    gear_friction : array_like
        Share k of the input torque that the gear mesh adds [-]. All broadcast.

    Returns
    -------
    Preload torque P [N·m].

    Raises
    ------
    FitError
        The case is held and K + k is 1 or more: such a unit locks, and there is no turning torque.
    ValueError
        An argument is out of its range.

    Notes
    -----
    Validity: sliding slow and steady; friction at the temperature and speed of the reading.

    Examples
    --------
    >>> print(f"{preload_from_turning_torque('output-turned-case-held', 145.45, 0.45, 'additive'):.1f}")
    80.0
    >>> print(f"{preload_from_turning_torque('output-turned-case-free', 40.0, 0.45, 'additive'):.1f}")
    80.0

    References
    ----------
    Equilibrium of case and outputs, with the preload law.
    """
    share = _share_of_reading(arrangement, ramp_bias, law, joint_fraction, gear_friction)
    return np.abs(floats(reading)) * share


def turning_torque(
    arrangement: TurningArrangement,
    direction: Direction,
    preload: ArrayLike,
    bias_drive: ArrayLike,
    bias_coast: ArrayLike,
    law: PreloadLaw,
    *,
    joint_fraction: ArrayLike = 0.0,
    gear_friction: ArrayLike = 0.0,
) -> Floats:
    """Torque that turns one output: `preload_from_turning_torque` turned round.

    Case free: W = P/2. Case held: W = P/(1 − K − k) additive, W = P/(1 − Phi K − k) greater-of; K is the ramp
    bias of the loaded flank.

    Parameters
    ----------
    arrangement : {"output-turned-case-free", "output-turned-case-held"}
        "output-turned-case-free" or "output-turned-case-held".
    direction : {"forward", "backward"}
        "forward" or "backward"; of no effect with the case free.
    preload : array_like
        Preload torque P [N·m], not negative.
    bias_drive : array_like
        Ramp bias of the drive flank, loading value [-], not negative.
    bias_coast : array_like
        Ramp bias of the coast flank, loading value [-], not negative.
    law : {"additive", "greater-of"}
        "additive" or "greater-of".
    joint_fraction : array_like
        Joint fraction Phi of the greater-of law [-].
    gear_friction : array_like
        Share k of the input torque that the gear mesh adds [-]. All broadcast.

    Returns
    -------
    Magnitude of the torque at the turned output [N·m].

    Raises
    ------
    FitError
        The case is held and K + k is 1 or more: such a unit locks, and there is no turning torque.
    ValueError
        An argument is out of its range.

    Notes
    -----
    Validity: as `preload_from_turning_torque`.

    Examples
    --------
    >>> forward = turning_torque("output-turned-case-held", "forward", 80.0, 0.45, 0.30, "additive")
    >>> backward = turning_torque("output-turned-case-held", "backward", 80.0, 0.45, 0.30, "additive")
    >>> print(f"{forward:.1f} {backward:.1f}")
    114.3 145.5

    References
    ----------
    As `preload_from_turning_torque`.
    """
    bias = bias_coast if loaded_flank(direction) == "coast" else bias_drive
    share = _share_of_reading(arrangement, bias, law, joint_fraction, gear_friction)
    return not_negative("preload torque", preload) / share


def _share_of_reading(
    arrangement: TurningArrangement,
    ramp_bias: ArrayLike,
    law: PreloadLaw,
    joint_fraction: ArrayLike,
    gear_friction: ArrayLike,
) -> Floats:
    """P/W of an arrangement; what does not matter in it is checked all the same."""
    bias, gears = not_negative("ramp bias", ramp_bias), not_negative("gear friction", gear_friction)
    passed_on = closed_contact_share(law, joint_fraction)
    if _case_is_free(arrangement):
        return floats(2.0)
    most = np.max(bias + gears)
    if most >= 1.0:
        raise FitError.single(
            f"with the case held, a unit with ramp bias and gear friction of {most:.3g} together locks:"
            " there is no torque that turns its output",
            key="arrangement",
            mend="check ramp angle, faces and arrangement, or take the reading with the case free",
        )
    return 1.0 - gears - passed_on * bias


def _case_is_free(arrangement: TurningArrangement) -> bool:
    if arrangement == "output-turned-case-free":
        return True
    if arrangement == "output-turned-case-held":
        return False
    raise ValueError(
        f"no output is turned in arrangement {arrangement!r}: it is 'output-turned-case-free' or"
        " 'output-turned-case-held'"
    )
