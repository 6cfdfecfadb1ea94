"""Stacks of disc springs: discs nested in parallel add their loads, in series their deflections."""

from dataclasses import dataclass

from numpy.typing import ArrayLike

from diffbench.physics.arguments import Floats, not_negative, within
from diffbench.physics.disc_spring import DiscSpring, deflection, load


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
