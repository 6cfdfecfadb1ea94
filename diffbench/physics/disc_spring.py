"""Disc springs by EN 16984 (Almen and Laszlo): one disc, and stacks, in which nested discs add their loads
and groups their deflections."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from diffbench.physics.arguments import Floats, floats, not_negative, positive, unwrapped, within


@dataclass(frozen=True)
class DiscSpring:
    """Dimensions of one disc, without contact flats (groups 1 and 2 of EN 16983).

    Attributes
    ----------
    outer_diameter : float
        Outside diameter De [m].
    inner_diameter : float
        Inside diameter Di [m].
    thickness : float
        Thickness t [m].
    cone_height : float
        Cone height h0, the free height less the thickness [m].
    elastic_modulus : float
        Modulus of elasticity E [Pa], by default that of spring steel in EN 16984.
    poisson_ratio : float
        Poisson's ratio [-], by default as in EN 16984.

    Raises
    ------
    ValueError
        A dimension is not positive, the inner diameter is not below the outer one, or Poisson's ratio lies
        outside 0 to 0.5.
    """

    outer_diameter: float
    inner_diameter: float
    thickness: float
    cone_height: float
    elastic_modulus: float = 206e9
    poisson_ratio: float = 0.3

    def __post_init__(self) -> None:
        for name in ("outer_diameter", "inner_diameter", "thickness", "cone_height", "elastic_modulus"):
            positive(name.replace("_", " "), getattr(self, name))
        within("poisson ratio", self.poisson_ratio, 0.0, 0.5)
        if not self.inner_diameter < self.outer_diameter:
            raise ValueError("inner diameter must be below outer diameter")

    @property
    def steepness(self) -> float:
        """Cone height over thickness, h0/t; above √2 the load falls before the disc is flat."""
        return self.cone_height / self.thickness

    @property
    def k1(self) -> float:
        """K1 of EN 16984, a function of delta = De/Di.

        Some books print it in the older form 6/(pi ln delta) ((delta − 1)/delta)², which is 0.5 to 0.9 %
        smaller.

        Examples
        --------
        >>> print(f"{DiscSpring(0.100, 0.050, 0.004, 0.003).k1:.7f}")
        0.6943332
        """
        delta = self.outer_diameter / self.inner_diameter
        log = float(np.log(delta))
        return float(((delta - 1.0) / delta) ** 2 / ((delta + 1.0) / (delta - 1.0) - 2.0 / log) / np.pi)

    @property
    def unit_stress(self) -> float:
        """4 E/(1 − nu²) · t²/(K1 De²) [Pa], the scale of all stresses; times t², that of the load."""
        scale = 4.0 * self.elastic_modulus / (1.0 - self.poisson_ratio**2)
        return scale * (self.thickness / self.outer_diameter) ** 2 / self.k1

    @property
    def most_load(self) -> float:
        """The most that the disc carries on its way to flat [N]: flat up to h0/t = √2, above at its peak."""
        eta = self.steepness
        peak = (max(eta**2 - 2.0, 0.0) / 3.0) ** 1.5
        return float((eta + peak) * self.unit_stress * self.thickness**2)


def load(spring: DiscSpring, deflection: ArrayLike) -> Floats:
    """Load of one disc at a deflection.

    F = 4E/(1 − nu²) · t⁴/(K1 De²) · s/t · [(h0/t − s/t)(h0/t − s/(2t)) + 1]

    Parameters
    ----------
    spring : DiscSpring
        The disc.
    deflection : array_like
        Deflection s [m], any shape, 0 to the cone height (flat).

    Returns
    -------
    Load [N].

    Raises
    ------
    ValueError
        A deflection lies outside 0 to the cone height.

    Notes
    -----
    Validity: steel discs of rectangular section, loaded at the edges, without friction. Above about 0.75 h0 a
    real disc rolls on its neighbour and gets stiffer than the formula.

    Examples
    --------
    >>> print(f"{load(DiscSpring(0.050, 0.0254, 0.003, 0.0011), 0.000825):.0f}")
    11976

    References
    ----------
    EN 16984 (DIN 2092), load of a disc without contact flats; Almen & Laszlo, Transactions of the ASME 58,
    1936.
    """
    t, eta = spring.thickness, spring.steepness
    x = within("deflection", deflection, 0.0, spring.cone_height, unit=" m") / t
    return spring.unit_stress * t**2 * x * ((eta - x) * (eta - x / 2.0) + 1.0)


def deflection(spring: DiscSpring, force: ArrayLike) -> Floats:
    """Deflection of one disc under a load: `load` turned round, in closed form.

    With y = (s − h0)/t and G = F (1 − nu²) K1 De²/(4 E t⁴): y³ + (2 − (h0/t)²) y + 2 (h0/t − G) = 0

    The curve is symmetric about the flat disc. Up to h0/t = √2 it rises all the way. Above, it has a peak,
    and the smallest deflection, the one met when pressing from the free height, is returned.

    Parameters
    ----------
    spring : DiscSpring
        The disc.
    force : array_like
        Load F [N], any shape, not negative, up to the load when flat (h0/t up to √2) or to the peak.

    Returns
    -------
    Deflection s [m].

    Raises
    ------
    ValueError
        A load is negative or above what the disc can carry before it is flat, or past its peak.

    Notes
    -----
    Validity: as `load`.

    Examples
    --------
    >>> print(f"{1e3 * deflection(DiscSpring(0.050, 0.0254, 0.003, 0.0011), 11976.0):.4f}")
    0.8250

    References
    ----------
    As `load`; Cardano's formula in hyperbolic form, the trigonometric one past √2.
    """
    t, eta = spring.thickness, spring.steepness
    target = not_negative("load", force) / (spring.unit_stress * t**2)
    p, q = 2.0 - eta**2, 2.0 * (eta - target)
    # Half a unit in the last place of the load at the end of the range must not refuse it.
    if np.any(target * (spring.unit_stress * t**2) > spring.most_load * (1.0 + 1e-12)):
        raise ValueError(
            f"load must not exceed {spring.most_load:.6g} N, the most that this disc carries on its way to "
            "flat"
        )
    if p > 0.0:
        y = -2.0 * np.sqrt(p / 3.0) * np.sinh(np.arcsinh(1.5 * q / p * np.sqrt(3.0 / p)) / 3.0)
    else:  # p is never exactly zero: no double squares to 2
        y = _lowest_root(p, q)
    found: Floats = t * np.clip(eta + y, 0.0, eta)
    return found


def _lowest_root(p: float, q: Floats) -> Floats:
    """Lowest real root of y³ + p y + q for p below zero."""
    radius = 2.0 * np.sqrt(-p / 3.0)
    z = floats(1.5 * q / p * np.sqrt(-3.0 / p))
    # Within |z| <= 1 there are three roots; above, one, and it is the lowest for a positive q (a small load).
    three = radius * np.cos((np.arccos(np.clip(z, -1.0, 1.0)) + 2.0 * np.pi) / 3.0)
    one = -radius * np.cosh(np.arccosh(np.maximum(np.abs(z), 1.0)) / 3.0)
    return unwrapped(np.where(np.abs(z) <= 1.0, three, one))


@dataclass(frozen=True)
class DiscStack:
    """A stack: `series` groups one behind the other, of `parallel` nested discs each.

    Attributes
    ----------
    spring : DiscSpring
        One disc.
    parallel : int
        Discs nested in one group.
    series : int
        Groups.
    surface_friction : float
        Friction factor w_M between nested discs [-], 0.005 to 0.03 in EN 16984; zero leaves it out.
    edge_friction : float
        Friction factor w_R of the edges of a group [-], 0.02 to 0.04; zero leaves it out.

    Raises
    ------
    ValueError
        A number of discs is below one, or the friction factors are out of range.
    """

    spring: DiscSpring
    parallel: int = 1
    series: int = 1
    surface_friction: float = 0.0
    edge_friction: float = 0.0

    def __post_init__(self) -> None:
        if self.parallel < 1 or self.series < 1:
            raise ValueError("a stack has at least one disc in parallel and one group in series")
        not_negative("surface friction", self.surface_friction)
        not_negative("edge friction", self.edge_friction)
        if self.friction >= 1.0:
            raise ValueError("stack friction must leave some of the load: w_M (n − 1) + w_R is 1 or more")

    @property
    def friction(self) -> float:
        """w_M (n − 1) + w_R: share of the load that friction takes or gives."""
        return self.surface_friction * (self.parallel - 1) + self.edge_friction

    @property
    def travel(self) -> float:
        """Deflection at which the stack is flat [m]."""
        return self.series * self.spring.cone_height

    @property
    def most_load(self) -> float:
        """The most that the stack carries on its way to flat [N], while it is pressed together."""
        return self.gain() * self.spring.most_load

    def gain(self, *, unloading: bool = False) -> float:
        """Load of the stack over load of one disc without friction: n/(1 ∓ w), minus while it is pressed
        together.

        Parameters
        ----------
        unloading : bool
            The stack is let out.
        """
        return self.parallel / (1.0 + self.friction if unloading else 1.0 - self.friction)


def stack_load(stack: DiscStack, deflection: ArrayLike, *, unloading: bool = False) -> Floats:
    """Load of a stack at a deflection.

    F = n F_1(s/i) / (1 ∓ w_M (n − 1) ∓ w_R), minus while it is pressed together, plus while it is let out

    Parameters
    ----------
    stack : DiscStack
        The stack, of i groups of n discs.
    deflection : array_like
        Deflection s of the whole stack [m], any shape, 0 to i h0.
    unloading : bool
        The stack is let out.

    Returns
    -------
    Load [N].

    Raises
    ------
    ValueError
        A deflection lies outside 0 to i h0.

    Notes
    -----
    Validity: as `disc_spring.load`; friction at a guide rod is left out.

    Examples
    --------
    >>> pair = DiscStack(DiscSpring(0.100, 0.080, 0.002, 0.0012), series=2)
    >>> print(f"{stack_load(pair, 0.0010):.0f}")
    1233

    References
    ----------
    EN 16984 (DIN 2092), combination of disc springs, friction.
    """
    share = within("deflection", deflection, 0.0, stack.travel, unit=" m") / stack.series
    # Rounding of the division must not push a flat disc past flat.
    share = share.clip(max=stack.spring.cone_height)
    return stack.gain(unloading=unloading) * load(stack.spring, share)


def stack_deflection(stack: DiscStack, force: ArrayLike, *, unloading: bool = False) -> Floats:
    """Deflection of a stack under a load: `stack_load` turned round.

    A worn pack lets the stack out: the deflection lost between two loads is the height that the pack has
    lost.

    Parameters
    ----------
    stack : DiscStack
        The stack.
    force : array_like
        Load [N], any shape, not negative, up to the load when flat (see `disc_spring.deflection`).
    unloading : bool
        The stack is let out.

    Returns
    -------
    Deflection of the whole stack [m].

    Raises
    ------
    ValueError
        As for `disc_spring.deflection`.

    Examples
    --------
    >>> pair = DiscStack(DiscSpring(0.100, 0.080, 0.002, 0.0012), series=2)
    >>> print(f"{1e3 * stack_deflection(pair, 1232.8):.2f}")
    1.00

    References
    ----------
    As `stack_load`.
    """
    single = not_negative("load", force) / stack.gain(unloading=unloading)
    return stack.series * deflection(stack.spring, single)
