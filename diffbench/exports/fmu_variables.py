"""The variables of a simulation unit: the table that its descriptions and the numbers in its C come from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from diffbench.results.fitted_law import FittedLaw

__all__ = ["VARIABLES", "Variable", "c_references"]

Causality = Literal["independent", "input", "output", "local", "parameter"]


@dataclass(frozen=True)
class Variable:
    """A variable of the unit.

    Attributes
    ----------
    name, kind, unit, words : str
        ``kind`` by FMI 3.0; no unit where it has none.
    causality : str
        By FMI.
    start : str or callable or None
        As written, or from the law.
    symbol : str
        In C, after ``V_``; from the name where left out.
    rate_of : str or None
        The state that it is the rate of.
    u : callable or None
        Standard uncertainty by the law.
    """

    name: str
    causality: Causality
    unit: str | None
    start: str | Callable[[FittedLaw], float] | None
    words: str
    kind: str = "Float64"
    symbol: str = ""
    rate_of: str | None = None
    u: Callable[[FittedLaw], float] | None = None

    @property
    def reference(self) -> int:
        """Its number in both versions."""
        return VARIABLES.index(self)

    @property
    def is_state(self) -> bool:
        """Whether a host integrates it."""
        return any(other.rate_of == self.name for other in VARIABLES)


def _u(name: str) -> Callable[[FittedLaw], float]:
    return lambda law: law.u(name) if name in law.names else 0.0


def _relative_u(name: str) -> Callable[[FittedLaw], float]:
    return lambda law: law.u(name) / law.value(name) if law.value(name) > 0.0 else 0.0


# Numbers first, in the order that c/unit.h counts on: inputs, outputs, states, their rates, indicators,
# parameters; then the branch, then booleans.
VARIABLES: tuple[Variable, ...] = (
    Variable("time", "independent", "s", None, "time"),
    Variable("input_torque", "input", "N.m", "0", "torque at the case, positive in drive"),
    Variable("left_speed", "input", "rad/s", "0", "speed of the left output"),
    Variable("right_speed", "input", "rad/s", "0", "speed of the right output"),
    Variable("oil_temperature", "input", "degC", "OIL", "temperature of the oil"),
    Variable(
        "left_torque",
        "output",
        "N.m",
        None,
        "half the input torque and left_friction_torque; in co-simulation "
        "the input torque in it lags by one step: add friction alone to an input torque of your own",
    ),
    Variable("right_torque", "output", "N.m", None, "likewise to the right output"),
    Variable(
        "friction_torque",
        "output",
        "N.m",
        None,
        "friction between the outputs, signed: right less left torque, positive while the left one is faster",
    ),
    Variable("left_friction_torque", "output", "N.m", None, "what friction adds to the left output"),
    Variable("right_friction_torque", "output", "N.m", None, "what friction adds to the right output"),
    Variable(
        "locking_torque",
        "output",
        "N.m",
        None,
        "largest left-right difference it can carry; in co-simulation in the middle of the step over which "
        "friction acts",
    ),
    Variable("locking_torque_low", "output", "N.m", None, "lower 95 % limit of that"),
    Variable("locking_torque_high", "output", "N.m", None, "upper 95 % limit of that"),
    Variable("heat_flow", "output", "W", None, "power that friction turns into heat"),
    Variable("energy_in", "output", "J", None, "energy that friction took from both outputs; never negative"),
    Variable("energy_stored", "output", "J", None, "of it, what the stick holds and gives back"),
    Variable("ramp_torque", "local", "N.m", None, "where the ramps stand, as torque while loading"),
    Variable("stick_stiffness", "local", "N.m/rad", None, "of the stick between both outputs"),
    Variable("twist", "local", "rad", "0", "twist of the stick"),
    Variable("plate_temperature", "output", "degC", None, "temperature of the plates"),
    Variable(
        "energy_dissipated",
        "output",
        "J",
        "0",
        "energy that friction, and half shafts inside, turned into heat; with energy_stored it adds up to "
        "energy_in",
    ),
    Variable("der(twist)", "local", "rad/s", None, "rate of twist", symbol="TWIST_RATE", rate_of="twist"),
    Variable(
        "der(plate_temperature)",
        "local",
        "K/s",
        None,
        "rate of plate_temperature",
        symbol="PLATE_RATE",
        rate_of="plate_temperature",
    ),
    Variable(
        "der(energy_dissipated)",
        "local",
        "W",
        None,
        "rate of energy_dissipated",
        symbol="POWER_DISSIPATED",
        rate_of="energy_dissipated",
    ),
    Variable(
        "forward_margin", "local", "N.m", None, "what the stick has left before the left output slips ahead"
    ),
    Variable("backward_margin", "local", "N.m", None, "what it has left before the left output falls behind"),
    Variable(
        "slip_speed",
        "output",
        "rad/s",
        None,
        "left less right speed at the plates: of both outputs, or behind half shafts that are inside",
    ),
    Variable(
        "output_inertia",
        "parameter",
        "kg.m2",
        "1",
        "for co-simulation: inertia that turns with one output, the "
        "harmonic mean where they differ; too large a value costs some chatter, then the stick is softened",
    ),
    Variable(
        "half_shaft_stiffness",
        "parameter",
        "N.m/rad",
        "15000",
        "of one half shaft: the stick is 20 times as stiff "
        "while the model is exchanged; a co-simulation step that makes it softer than this is warned of",
    ),
    Variable(
        "friction_delay",
        "parameter",
        None,
        "0",
        "for co-simulation: steps until friction acts, 0 in a host that steps one unit after the other, 1 in "
        "one that steps side by side; the locking torque is foreseen for then",
    ),
    Variable(
        "inner_inertia",
        "parameter",
        "kg.m2",
        "0",
        "for co-simulation: inertia between one half shaft and the plates; above 0 what is odd in both half "
        "shafts is inside: speeds and friction are then the wheels', and output_inertia is that of one wheel",
    ),
    Variable("half_shaft_damping", "parameter", "N.m.s/rad", "0", "of one half shaft that is inside"),
    Variable(
        "preload_torque",
        "parameter",
        "N.m",
        lambda law: law.value("preload_torque"),
        "preload torque",
        u=_u("preload_torque"),
    ),
    Variable(
        "friction_scale",
        "parameter",
        None,
        "1",
        "friction of the plates over the fitted one; what is in doubt "
        "about it is in preload torque and ramp bias",
    ),
    Variable(
        "drive_bias_scale",
        "parameter",
        None,
        "1",
        "ramp bias in drive over the fitted one",
        u=_relative_u("ramp_bias_drive_loading"),
    ),
    Variable(
        "coast_bias_scale",
        "parameter",
        None,
        "1",
        "ramp bias in coast over the fitted one",
        u=_relative_u("ramp_bias_coast_loading"),
    ),
    Variable("plate_start_excess", "parameter", "K", "0", "plates above the oil at the start"),
    Variable(
        "heat_capacity",
        "parameter",
        "J/K",
        lambda law: law.value("heat_capacity"),
        "of the plates; 0: plates as warm as the oil",
        u=_u("heat_capacity"),
    ),
    Variable(
        "heat_conductance",
        "parameter",
        "W/K",
        lambda law: law.value("heat_conductance"),
        "from plates to oil",
        u=_u("heat_conductance"),
    ),
    Variable(
        "branch",
        "parameter",
        None,
        "4",
        "ramps: 0 mean, 1 loading, 2 unloading, 3 either: not known which, limits "
        "around both, 4 followed: as the input torque leaves them",
        kind="Int32",
    ),
    Variable("locked", "output", None, None, "holds the outputs together", kind="Boolean"),
    Variable(
        "inside_tested",
        "output",
        None,
        None,
        "inside what the bench tested: this place, plates and oil, of the unit as fitted; false where "
        "preload torque, a scale or the plates' heat was set to something else",
        kind="Boolean",
    ),
    Variable(
        "beyond_axes",
        "output",
        None,
        None,
        "outside the axes of the map, by plates or by oil",
        kind="Boolean",
    ),
    Variable(
        "stick_is_soft",
        "output",
        None,
        None,
        "the stick is softer than a half shaft at this step",
        kind="Boolean",
    ),
)


def c_references() -> str:
    """The numbers of the variables, for C."""
    lines = [
        f"#define V_{variable.symbol or variable.name.upper()} {reference}U"
        for reference, variable in enumerate(VARIABLES)
    ]
    numbers = sum(variable.kind == "Float64" for variable in VARIABLES)
    return "\n".join([*lines, f"#define N_NUMBERS {numbers}U"])
