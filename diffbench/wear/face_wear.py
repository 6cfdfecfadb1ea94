"""From a loss of spring force to a loss of height, and to micrometres a friction face."""

from __future__ import annotations

from dataclasses import dataclass, replace

from diffbench.physics.disc_spring import DiscSpring
from diffbench.physics.disc_stack import DiscStack, stack_deflection
from diffbench.results.characterisation import SpringFacts


@dataclass(frozen=True)
class HeightLoss:
    """Height lost at the spring stack [m], its standard uncertainty, and the budget of that by source."""

    value: float
    u: float
    budget: dict[str, float]


def stack_of(springs: SpringFacts) -> DiscStack:
    """The disc-spring stack of a build."""
    disc = DiscSpring(
        springs.outer_diameter_m, springs.inner_diameter_m, springs.thickness_m, springs.cone_height_m
    )
    return DiscStack(disc, parallel=springs.parallel, series=springs.series)


def height_loss(
    stack: DiscStack,
    *,
    force: float,
    force_u: float,
    ratio: float,
    ratio_u: float,
    dimensions_u: dict[str, float] | None = None,
) -> HeightLoss:
    """Height that the stack has been let out by, from its force before and the ratio after/before.

    Δs = s(F) − s(ρ F), with s the deflection of the stack at a load (EN 16984)

    Parameters
    ----------
    stack : DiscStack
        The stack.
    force, force_u : float
        Force before F [N] and its standard uncertainty.
    ratio, ratio_u : float
        Force after over before ρ [-] and its standard uncertainty.
    dimensions_u : dict of str to float or None
        Standard uncertainties of the disc's dimensions [m] by name.

    Returns
    -------
    The loss, negative for a stack that is pressed further.

    Raises
    ------
    ValueError
        A force is more than the stack can carry.

    Notes
    -----
    Validity: as `disc_spring.load`; the stack works on one branch of its curve, without friction. Slopes
    are taken over one standard uncertainty to each side.

    Examples
    --------
    >>> pair = DiscStack(DiscSpring(0.095, 0.072, 0.0016, 0.0014), parallel=3, series=2)
    >>> found = height_loss(pair, force=1970.3, force_u=60.0, ratio=0.85, ratio_u=0.0)
    >>> print(f"{1e6 * found.value:.0f} {1e6 * found.u:.0f}")
    163 7

    References
    ----------
    EN 16984; propagation by JCGM 100:2008, 5.1.2.
    """

    def loss(stack: DiscStack, force: float, ratio: float) -> float:
        return float(stack_deflection(stack, force) - stack_deflection(stack, ratio * force))

    parts = {
        "spring force": 0.5 * abs(loss(stack, force + force_u, ratio) - loss(stack, force - force_u, ratio)),
        "change of spring force": 0.5
        * abs(loss(stack, force, ratio + ratio_u) - loss(stack, force, ratio - ratio_u)),
    }
    for name, u in (dimensions_u or {}).items():
        sides = [
            loss(
                replace(stack, spring=replace(stack.spring, **{name: getattr(stack.spring, name) + step})),
                force,
                ratio,
            )
            for step in (u, -u)
        ]
        parts[f"{name.replace('_', ' ')} of the disc"] = 0.5 * abs(sides[0] - sides[1])
    budget = {source: part for source, part in sorted(parts.items(), key=lambda p: -p[1]) if part > 0.0}
    return HeightLoss(loss(stack, force, ratio), sum(p**2 for p in parts.values()) ** 0.5, budget)
