"""How the preload spring and the ramps meet: each law a class, in one list; which one holds is decided on the
bench.

The laws work on axial forces and, since both act on the same plates, on locking torques alike: `preload` and
`ramp` are either both forces or both torques. To add one: write its class here, list it in `PRELOAD_LAWS`,
and name it in `diffbench.documents.build.PreloadLawName`.
"""

import math
from abc import ABC, abstractmethod
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike

from diffbench.physics.arguments import Floats, floats
from diffbench.physics.laws import LawUnknown, Values


class PreloadLaw(ABC):
    """One way in which preload and ramp part meet.

    Attributes
    ----------
    name : str
        As a build sheet writes it.
    linear : bool
        Preload and ramp part add, always: a fit then finds both by linear algebra.
    unknowns : tuple of LawUnknown
        What it brings into a fit.
    """

    name: ClassVar[str]
    linear: ClassVar[bool]
    unknowns: ClassVar[tuple[LawUnknown, ...]] = ()

    @abstractmethod
    def load(self, preload: ArrayLike, ramp: ArrayLike, values: Values = ()) -> Floats:
        """What presses the plates.

        Parameters
        ----------
        preload : array_like
            Spring force F_0 [N], or preload torque [N·m].
        ramp : array_like
            Ramp thrust F_ramp [N], or ramp part of the locking torque [N·m]; broadcast.
        values : sequence of float
            Of the law's own unknowns.

        Returns
        -------
        Axial force on the plates [N], or locking torque [N·m].
        """

    def opening(self, preload: float, values: Values = ()) -> float | None:
        """Ramp part at which the law has its corner; None for a law without one. [N] or [N·m], as `load`."""
        del preload, values
        return None

    def closed_share(self, values: Values = ()) -> float:
        """Share of the ramp part that presses the plates below the opening [-]."""
        del values
        return 1.0


class Additive(PreloadLaw):
    """A spring that pushes the rings apart: it acts beside the ramps.

    F = F_0 + F_ramp

    Notes
    -----
    Validity: the travel of the rings is small against the spring's, so that F_0 stays what it is.

    Examples
    --------
    >>> Additive().load(80.0, [0.0, 50.0, 200.0]).tolist()
    [80.0, 130.0, 280.0]

    References
    ----------
    Springs in parallel, mechanics; common practice, no source.
    """

    name = "additive"
    linear = True

    def load(self, preload: ArrayLike, ramp: ArrayLike, values: Values = ()) -> Floats:
        """As `PreloadLaw.load`."""
        del values
        return floats(preload) + floats(ramp)


class GreaterOf(PreloadLaw):
    """A stack clamped against the cover: the ramps first unload the contact between the rings.

    F = F_0 + Phi F_ramp until the contact opens at F_ramp = F_0/(1 − Phi), F = F_ramp from there on

    As the second line is steeper than the first, that is max(F_0 + Phi F_ramp, F_ramp), which is continuous.
    The joint fraction Phi is the share of the ramp thrust that reaches the plates while the contact is
    closed, 0 (the larger of the two wins) to below 1 (both add); beyond that it counts as the nearer end.

    Notes
    -----
    Validity: linear elastic joint; no force across the contact once it is open.

    Examples
    --------
    >>> GreaterOf().load(80.0, [0.0, 50.0, 200.0], [0.0]).tolist()
    [80.0, 80.0, 200.0]
    >>> GreaterOf().load(80.0, [0.0, 50.0, 200.0], [0.25]).tolist()
    [80.0, 92.5, 200.0]
    >>> print(f"{GreaterOf().opening(75.0, [0.25]):.1f}")
    100.0

    References
    ----------
    The preloaded bolted joint under an outer load, e.g. VDI 2230 Part 1, load factor Phi; here turned to
    rings and a disc-spring stack by mechanics.
    """

    name = "greater-of"
    linear = False
    unknowns = (
        LawUnknown(
            "joint_fraction",
            start=0.03,
            low=0.0,
            high=0.6,
            prior=0.1,
            prior_u=0.3,
            source="weak: joint fraction",
            reported="joint_fraction",
            label="joint fraction",
            unit="1",
            meaning="share of the ramp thrust that the plates feel before the preload contact opens",
            needs="slip at input torques below and above the opening of the contact",
            scale=0.1,
            ends=True,  # a contact may pass on nothing
            reach=lambda share: -math.log1p(-min(share, 0.99)),
        ),
    )

    def load(self, preload: ArrayLike, ramp: ArrayLike, values: Values = ()) -> Floats:
        """As `PreloadLaw.load`."""
        f_ramp = np.maximum(floats(ramp), 0.0)
        return np.maximum(floats(preload) + _within(values) * f_ramp, f_ramp)

    def opening(self, preload: float, values: Values = ()) -> float | None:
        """As `PreloadLaw.opening`: a flank whose ramp part stayed below it tells nothing about its ramp."""
        return preload / (1.0 - _within(values))

    def closed_share(self, values: Values = ()) -> float:
        """As `PreloadLaw.closed_share`: the joint fraction."""
        return _within(values)


def _within(values: Values) -> float:
    (joint_fraction,) = values
    return min(max(joint_fraction, 0.0), 0.999)


PRELOAD_LAWS: dict[str, PreloadLaw] = {law.name: law for law in (Additive(), GreaterOf())}
"""The laws by name, the simplest first."""


SOFT = 4.0


def softened(preload: Floats, ramp: Floats) -> Floats:
    """What a joint locks more that opens bit by bit than one that opens at once.

    (P^k + R^k)^(1/k) - max(P, R), k = 4

    Parameters
    ----------
    preload : ndarray
        What the preload alone would lock [N·m], positive.
    ramp : ndarray
        What the ramps alone would lock [N·m], not negative; broadcast.

    Returns
    -------
    Locking torque [N·m], most where both are alike.

    Examples
    --------
    >>> print(f"{softened(np.array(100.0), np.array(100.0)):.2f}")
    18.92

    References
    ----------
    A power mean between the sum (k = 1) and the larger of both (k without end); k is common practice, no
    source.
    """
    larger = np.maximum(np.maximum(preload, ramp), 1e-12)
    smaller = np.minimum(preload, ramp) / larger
    return np.asarray(larger * ((1.0 + smaller**SOFT) ** (1.0 / SOFT) - 1.0))
