"""The law that a map is of: its parameters with their joint covariance, as the map's document carries them.

What a simulation needs beside the nodes: between the branches, with plates that heat up, and with parameters
that it may change or draw.
"""

from __future__ import annotations

from typing import Self

import numpy as np
from pydantic import model_validator

from diffbench.documents.faults import refusal
from diffbench.physics.friction import FRICTION_LAWS
from diffbench.physics.preload import PRELOAD_LAWS
from diffbench.physics.steady import UnitQuantities
from diffbench.results.document import Frozen

__all__ = ["LAW_PARAMETERS", "PACKS_APART", "PLATE_HEAT", "FittedLaw"]

#: Name in the document, in a fit, and unit; those of the laws follow, and of the plates' heat.
LAW_PARAMETERS = (
    ("preload_torque", "preload_torque", "N·m"),
    ("ramp_bias_drive_loading", "ramp_bias_drive_loading", "1"),
    ("ramp_bias_coast_loading", "ramp_bias_coast_loading", "1"),
    ("unloading_ratio_drive", "unloading_ratio_drive", "1"),
    ("unloading_ratio_coast", "unloading_ratio_coast", "1"),
    ("gear_friction", "gear_friction", "1"),
    ("viscous_coefficient", "viscous", "N·m·s/rad"),
    ("viscous_temperature_coefficient", "viscous_exponent", "1/K"),
    ("friction_temperature_coefficient", "temperature_coefficient", "1/K"),
)
PLATE_HEAT = (("heat_capacity", "heat_capacity", "J/K"), ("heat_conductance", "heat_conductance", "W/K"))

#: Of packs that differ, where the fit has them so: how far each is from the mean of both.
PACKS_APART = (
    ("packs_apart_preload", "packs_apart_preload", "1"),
    ("packs_apart_ramps", "packs_apart_ramps", "1"),
)


class FittedLaw(Frozen):
    """T = m(v, plates) [P ⊕ K w] + gear |T_in| + c(oil) |Δω|, by the fit's best form.

    Attributes
    ----------
    preload_law, friction_law : str
        By name: how preload and ramps meet, and friction over sliding speed.
    names, units, values : tuple
        Of its parameters. The heat capacity and conductance of the plates are among them where the fit has
        them; without them plates are as warm as the oil.
    covariance : tuple of tuples
        Of those values, in those units: noise, bench errors, repeatability, priors. What rival forms and the
        law's own misfit add is in the map's limits.
    effective_radius_m, reference_temperature_degC, reference_speed_difference_rad_s : float
        What the values refer to.
    weight : float
        Of this form among all that were fitted.
    """

    preload_law: str
    friction_law: str
    names: tuple[str, ...]
    units: tuple[str, ...]
    values: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    effective_radius_m: float
    reference_temperature_degC: float
    reference_speed_difference_rad_s: float
    weight: float

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        again = "make the map again with diffbench fit"
        if self.preload_law not in PRELOAD_LAWS or self.friction_law not in FRICTION_LAWS:
            raise refusal(
                f"the law '{self.preload_law}, {self.friction_law}' is not known", "use a newer diffbench"
            )
        n = len(self.names)
        if {len(self.units), len(self.values), len(self.covariance), *map(len, self.covariance)} != {n}:
            raise refusal("names, units, values and covariance of the law differ in size", again)
        wanted = {name for name, _, _ in LAW_PARAMETERS}
        wanted |= {own.name for own in PRELOAD_LAWS[self.preload_law].unknowns}
        wanted |= {own.name for own in FRICTION_LAWS[self.friction_law].unknowns}
        if missing := wanted - set(self.names):
            raise refusal(f"the law has no {', '.join(sorted(missing))}", again)
        return self

    def value(self, name: str, default: float = 0.0) -> float:
        """Value of a parameter; the default where the fit has none of that name."""
        return self.values[self.names.index(name)] if name in self.names else default

    def u(self, name: str) -> float:
        """Standard uncertainty of a parameter."""
        i = self.names.index(name)
        return float(np.sqrt(max(self.covariance[i][i], 0.0)))

    def unit_quantities(self) -> UnitQuantities:
        """What the steady law is computed from."""
        preload, friction = PRELOAD_LAWS[self.preload_law], FRICTION_LAWS[self.friction_law]
        return UnitQuantities(
            preload_law=preload,
            preload_values=tuple(self.value(own.name) for own in preload.unknowns),
            preload_torque=self.value("preload_torque"),
            drive_bias=self.value("ramp_bias_drive_loading"),
            coast_bias=self.value("ramp_bias_coast_loading"),
            drive_ratio=self.value("unloading_ratio_drive"),
            coast_ratio=self.value("unloading_ratio_coast"),
            gear_friction=self.value("gear_friction"),
            viscous=self.value("viscous_coefficient"),
            viscous_exponent=self.value("viscous_temperature_coefficient"),
            friction_law=friction,
            friction_values=tuple(self.value(own.name) for own in friction.unknowns),
            temperature_coefficient=self.value("friction_temperature_coefficient"),
            effective_radius=self.effective_radius_m,
            reference_temperature=self.reference_temperature_degC,
            reference_speed_difference=self.reference_speed_difference_rad_s,
            packs_apart=(self.value("packs_apart_preload"), self.value("packs_apart_ramps")),
        )
