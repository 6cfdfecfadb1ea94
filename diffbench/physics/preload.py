"""How the preload spring and the ramps meet: two laws, and which one holds is decided on the bench.

The laws work on axial forces and, since both act on the same plates, on locking torques alike: `preload` and
`ramp` are either both forces or both torques.
"""

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from diffbench.physics.arguments import Floats, floats, not_negative

PreloadLaw = Literal["additive", "greater-of"]
"""The name of a preload law, as a build sheet writes it."""


def additive(preload: ArrayLike, ramp: ArrayLike) -> Floats:
    """Preload law of a spring that pushes the rings apart: it acts beside the ramps.

    F = F_0 + F_ramp

    Parameters
    ----------
    preload : array_like
        Spring force F_0 [N], or preload torque [N·m].
    ramp : array_like
        Ramp thrust F_ramp [N], or ramp part of the locking torque [N·m]; broadcast.

    Returns
    -------
    Axial force on the plates [N], or locking torque [N·m].

    Notes
    -----
    Validity: the travel of the rings is small against the spring's, so that F_0 stays what it is.

    Examples
    --------
    >>> additive(80.0, [0.0, 50.0, 200.0]).tolist()
    [80.0, 130.0, 280.0]

    References
    ----------
    Springs in parallel, mechanics; common practice, no source.
    """
    return floats(preload) + floats(ramp)


def greater_of(preload: ArrayLike, ramp: ArrayLike, joint_fraction: ArrayLike = 0.0) -> Floats:
    """Preload law of a stack clamped against the cover: the ramps first unload the contact between the rings.

    F = F_0 + Phi F_ramp until the contact opens at F_ramp = F_0/(1 − Phi), F = F_ramp from there on

    As the second line is steeper than the first, that is max(F_0 + Phi F_ramp, F_ramp), which is continuous.

    Parameters
    ----------
    preload : array_like
        Spring force F_0 [N], or preload torque [N·m].
    ramp : array_like
        Ramp thrust F_ramp [N], or ramp part of the locking torque [N·m]; broadcast.
    joint_fraction : array_like
        Share Phi of the ramp thrust that reaches the plates while the contact is closed [-], 0 (the larger of
        the two wins) to below 1 (both add).

    Returns
    -------
    Axial force on the plates [N], or locking torque [N·m].

    Raises
    ------
    ValueError
        The joint fraction lies outside 0 to below 1.

    Notes
    -----
    Validity: linear elastic joint; no force across the contact once it is open.

    Examples
    --------
    >>> greater_of(80.0, [0.0, 50.0, 200.0]).tolist()
    [80.0, 80.0, 200.0]
    >>> greater_of(80.0, [0.0, 50.0, 200.0], 0.25).tolist()
    [80.0, 92.5, 200.0]

    References
    ----------
    The preloaded bolted joint under an outer load, e.g. VDI 2230 Part 1, load factor Phi; here turned to
    rings and a disc-spring stack by mechanics.
    """
    f_0, f_ramp, phi = floats(preload), floats(ramp), _fraction(joint_fraction)
    return np.maximum(f_0 + phi * f_ramp, f_ramp)


def contact_opening(preload: ArrayLike, joint_fraction: ArrayLike = 0.0) -> Floats:
    """Ramp part at which the ramps have unloaded the contact, under the greater-of law.

    F_ramp = F_0 / (1 − Phi)

    A flank whose ramp part stayed below it tells nothing about its ramp when Phi is zero.

    Parameters
    ----------
    preload : array_like
        Spring force F_0 [N], or preload torque [N·m].
    joint_fraction : array_like
        Joint fraction Phi [-], 0 to below 1; broadcast.

    Returns
    -------
    Ramp thrust [N], or ramp part of the locking torque [N·m].

    Raises
    ------
    ValueError
        The joint fraction lies outside 0 to below 1.

    Examples
    --------
    >>> print(f"{contact_opening(75.0, 0.25):.1f}")
    100.0

    References
    ----------
    As `greater_of`.
    """
    return floats(preload) / (1.0 - _fraction(joint_fraction))


def combine(law: PreloadLaw, preload: ArrayLike, ramp: ArrayLike, joint_fraction: ArrayLike = 0.0) -> Floats:
    """Join preload and ramp part by the law of that name.

    Parameters
    ----------
    law : {"additive", "greater-of"}
        "additive" or "greater-of".
    preload : array_like
        Spring force [N], or preload torque [N·m].
    ramp : array_like
        Ramp thrust [N], or ramp part of the locking torque [N·m]; broadcast.
    joint_fraction : array_like
        Joint fraction of the greater-of law [-]; must be zero for the additive law, which has none.

    Returns
    -------
    Axial force on the plates [N], or locking torque [N·m].

    Raises
    ------
    ValueError
        The law has another name, or the joint fraction does not belong to it.

    Examples
    --------
    >>> combine("additive", 80.0, 50.0).item(), combine("greater-of", 80.0, 50.0).item()
    (130.0, 80.0)

    References
    ----------
    As `additive` and `greater_of`.
    """
    if law == "additive":
        closed_contact_share(law, joint_fraction)  # refuses a joint fraction, which this law has not
        return additive(preload, ramp)
    return greater_of(preload, ramp, closed_contact_share(law, joint_fraction))


def closed_contact_share(law: PreloadLaw, joint_fraction: ArrayLike = 0.0) -> Floats:
    """Share of the ramp part that adds to the preload while the contact of the rings is closed.

    1 under the additive law, Phi under the greater-of law

    Parameters
    ----------
    law : {"additive", "greater-of"}
        "additive" or "greater-of".
    joint_fraction : array_like
        Joint fraction Phi of the greater-of law [-]; must be zero for the additive law.

    Returns
    -------
    Share [-].

    Raises
    ------
    ValueError
        The law has another name, or the joint fraction does not belong to it.

    Examples
    --------
    >>> closed_contact_share("additive").item(), closed_contact_share("greater-of", 0.2).item()
    (1.0, 0.2)

    References
    ----------
    As `additive` and `greater_of`.
    """
    phi = _fraction(joint_fraction)
    if law == "greater-of":
        return phi
    if law == "additive":
        if np.any(phi > 0.0):
            raise ValueError("the additive preload law has no joint fraction: leave it at zero")
        return np.ones_like(phi)
    raise ValueError(f"no preload law is called {law!r}: it is 'additive' or 'greater-of'")


def _fraction(joint_fraction: ArrayLike) -> Floats:
    phi = not_negative("joint fraction", joint_fraction)
    if not np.all(phi < 1.0):
        raise ValueError("joint fraction must be below 1: at 1 the contact never opens")
    return phi
