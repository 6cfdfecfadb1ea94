"""The unknowns of a fit, from the build sheets, the bench's doubtful constants and the form of the model.

What physics makes plausible is written down here, once, as wide distributions. They keep the algebra regular
where the data are silent; every quantity that leans on them shows it in its budget and is then reported as
not determined.

A quantity whose standard uncertainty exceeds half of its size, or that is not sharp to 15 % and has most of
its variance from weak knowledge, is not determined: a property of the problem at hand, not of a list.

A change of load takes an angle to show: friction surfaces give way elastically, so at slow sliding the
reading lags a sweep by an angle over the speed, which looks like hysteresis of the ramps. That is one
unknown, ``relaxation_angle``, times the measured slope over the speed.

Considered, not searched, are gear friction under the additive law and the offset of the temperature: only a
misfit could pull them. The covariance carries what their uncertainty does to all others (Schmidt 1966). While
a greater-of contact is closed the gears alone follow the torque, and there gear friction is searched.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from diffbench.definitions import name_of
from diffbench.documents import Build
from diffbench.doubts import Source
from diffbench.fitting.data import FitData
from diffbench.fitting.model import REFIT_PARTS, Form, Place, Reference, Sharing
from diffbench.fitting.unknowns import Names, Unknown
from diffbench.physics.laws import LawUnknown
from diffbench.physics.oil import kinematic_viscosity, walther

# Steel at 60 °C: 466 J/(kg·K) by EN 1993-1-2; 5 % for alloy, lining and the oil carried along (common
# practice, no source)
SPECIFIC_HEAT = 475.0
SPECIFIC_HEAT_U = 0.05
REFERENCE_SPEED_DIFFERENCE = 4.0  # rad/s, where the sheet names none
SMALLEST_START = (
    0.03  # of the largest input torque: a history that starts below has no ramp state worth a name
)


def reference_of(build: Build) -> Reference:
    """The reference condition of a build sheet."""
    speed = build.reference.speed_difference
    return Reference(
        temperature=build.reference.temperature,
        speed_difference=REFERENCE_SPEED_DIFFERENCE if speed is None else speed,
        effective_radius=build.effective_radius.value,
    )


def ramp_key(build: Build, flank: str) -> tuple[object, ...]:
    """What the ramp bias of a flank hangs on, by the sheet: where it is equal, builds share one bias."""
    angle = build.ramps.drive_angle if flank == "drive" else build.ramps.coast_angle
    pin = build.ramps.pin_radius
    return (
        None if angle is None else angle.value,
        build.packs.faces,
        build.effective_radius.value,
        None if pin is None else pin.value,
    )


def sharing_of(builds: Sequence[Build], data: FitData) -> Sharing:
    """What the builds share: each has a preload of its own, and a ramp bias unless angle, faces or radii are
    another's.

    One build gives plain names; several get the distinguishing build's name in brackets.
    """

    def groups(keys: list[tuple[object, ...]]) -> tuple[list[int], list[int]]:
        seen: dict[tuple[object, ...], int] = {}
        place = [seen.setdefault(key, len(seen)) for key in keys]
        first = [place.index(number) for number in range(len(seen))]
        return place, first

    def names(stem: str, first: list[int]) -> tuple[str, ...]:
        return (stem,) if len(first) == 1 else tuple(name_of(stem, builds[i].build) for i in first)

    # two visits with one build sheet are one assembly; another build always has its own preload
    preload_place, preload_first = groups([(b.build,) for b in builds])
    drive_place, drive_first = groups([ramp_key(b, "drive") for b in builds])
    coast_place, coast_first = groups([ramp_key(b, "coast") for b in builds])
    visit = data.visit
    return Sharing(
        preloads=names("preload_torque", preload_first),
        drive_biases=names("ramp_bias_drive_loading", drive_first),
        coast_biases=names("ramp_bias_coast_loading", coast_first),
        drive_ratios=names("unloading_ratio_drive", drive_first),
        coast_ratios=names("unloading_ratio_coast", coast_first),
        preload_of_cell=np.array(preload_place)[visit],
        drive_of_cell=np.array(drive_place)[visit],
        coast_of_cell=np.array(coast_place)[visit],
        places=tuple(Place(*three) for three in zip(preload_place, drive_place, coast_place, strict=True)),
    )


def viscosity_exponent(build: Build) -> tuple[float, float]:
    """Relative fall of oil viscosity per kelvin near the reference temperature, and its standard uncertainty.

    From the two viscosities of the sheet where it has them (ASTM D341); drag of a thin film follows it
    loosely, hence the wide uncertainty. Without them a gear oil's typical value (common practice, no source).
    """
    oil = build.oil
    if oil.viscosity_40 is None or oil.viscosity_100 is None:
        return 0.03, 0.02
    law = walther(oil.viscosity_40.value, oil.viscosity_100.value)
    nu = kinematic_viscosity([build.reference.temperature - 10, build.reference.temperature + 10], law)
    return float(np.log(nu[0] / nu[1]) / 20.0), 0.02


def heat_capacity(build: Build) -> tuple[float, float, bool]:
    """Natural logarithm of the plates' heat capacity [J/K], its standard uncertainty, and whether the sheet
    states it."""
    mass = build.packs.plate_mass
    if mass is None:
        return math.log(1000.0), 0.7, False
    given = build.packs.specific_heat
    specific = SPECIFIC_HEAT if given is None else given.value
    u = SPECIFIC_HEAT_U if given is None else (given.u or 0.01 * given.value) / given.value
    return math.log(mass.value * specific), math.hypot(u, (mass.u or 0.0) / mass.value), True


def unknowns(
    builds: Sequence[Build],
    data: FitData,
    form: Form,
    sharing: Sharing,
    *,
    temperature_u: float,
    joint_fraction: float | None = None,
) -> Names:
    """The unknowns of one form of the model."""
    build = builds[0]
    locking = data.locking
    scale = max(float(np.percentile(np.abs(data.input_torque), 99)), 1.0)
    low_torque = np.abs(data.input_torque) <= np.percentile(np.abs(data.input_torque), 20)
    preload = max(float(np.median(locking[low_torque])), 1.0)
    bias = 0.4
    linear = form.preload.linear
    made: list[Unknown] = [
        Unknown(name, preload, low=0.0, high=1e5, linear=linear) for name in sharing.preloads
    ]
    # a bias that never shows (a greater-of flank below its preload) is kept where ramps are made at all
    made += [
        Unknown(
            name,
            bias,
            low=0.0,
            high=10.0,
            linear=linear,
            knowledge="weak",
            prior=0.4,
            prior_u=1.0,
            source="weak: ramp bias",
        )
        for name in (*sharing.drive_biases, *sharing.coast_biases)
    ]
    made += _refits(data, sharing, linear=linear)
    made += [
        Unknown(
            name,
            1.35,
            low=1.0,
            high=6.0,
            knowledge="weak",
            prior=1.35,
            prior_u=0.5,
            source="weak: unloading ratio",
        )
        for name in (*sharing.drive_ratios, *sharing.coast_ratios)
    ]
    for own in form.preload.unknowns:
        if own.name == "joint_fraction" and joint_fraction is not None:
            made.append(Unknown(own.name, joint_fraction, low=joint_fraction, high=joint_fraction))
        else:
            made.append(_of_law(own))
    gear = build.gear_friction
    gear_value, gear_u = (0.0, 0.0) if gear is None else (gear.value, gear.u or 0.0)
    # while a greater-of contact is closed, the gears alone follow the input torque: there they do show
    made.append(_stated("gear_friction", gear_value, gear_u, Source.GEAR_FRICTION, searched=not linear))
    made.append(
        Unknown(
            "viscous",
            0.2,
            low=-5.0,
            high=50.0,
            linear=True,
            knowledge="weak",
            prior=0.2,
            prior_u=1.0,
            source="weak: viscous drag",
        )
    )
    made.append(
        Unknown(
            # friction surfaces give way elastically over some hundredths of a radian (common practice, no
            # source)
            "relaxation_angle",
            0.01,
            low=-0.05,
            high=0.2,
            linear=True,
            knowledge="weak",
            prior=0.01,
            prior_u=0.015,
            source="weak: relaxation of the plates",
        )
    )
    exponent, exponent_u = viscosity_exponent(build)
    made.append(
        Unknown(
            "viscous_exponent",
            exponent,
            low=-0.1,
            high=0.2,
            knowledge="weak",
            prior=exponent,
            prior_u=exponent_u,
            source="weak: oil viscosity over temperature",
        )
    )
    made += [
        *(_of_law(own) for own in form.friction.unknowns),
        Unknown(
            "temperature_coefficient",
            -0.001,
            low=-0.02,
            high=0.02,
            knowledge="weak",
            prior=-0.0005,
            prior_u=0.0015,
            source="weak: friction over temperature",
        ),
    ]
    capacity, capacity_u, capacity_stated = heat_capacity(build)
    made += [
        Unknown(
            "heat_capacity",
            capacity,
            low=capacity - 3,
            high=capacity + 3,
            logarithm=True,
            knowledge="stated" if capacity_stated else "weak",
            prior=capacity,
            prior_u=capacity_u,
            source=Source.HEAT_CAPACITY if capacity_stated else "weak: plate heat",
        ),
        Unknown(
            # plates settle within some ten to a hundred seconds (common practice, no source)
            "heat_conductance",
            capacity - math.log(20.0),
            low=capacity - math.log(2000.0),
            high=capacity - math.log(0.5),
            logarithm=True,
            knowledge="weak",
            prior=capacity - math.log(20.0),
            prior_u=1.0,
            source="weak: plate heat",
        ),
    ]
    made += [
        Unknown(
            f"plate_excess[{run}]",
            0.0,
            low=-50.0,
            high=100.0,
            knowledge="weak",
            prior=0.0,
            prior_u=2.0,
            source="weak: plate temperature at the start",
            label=f"plate temperature at the start of {data.run_names[run]}",
        )
        for run in np.unique(data.heat_run)
    ]
    made += [
        Unknown(
            # between loading and unloading, nothing is more likely than anything else: mean and spread of a
            # rectangle
            f"ramp_start[{segment}]",
            0.5,
            low=0.0,
            high=1.0,
            knowledge="weak",
            prior=0.5,
            prior_u=0.29,
            source="weak: state of the ramps at the start",
            label="state of the ramps at the start",
        )
        for segment in np.flatnonzero(np.abs(data.segment_torque) > SMALLEST_START * scale)
    ]
    made += [
        Unknown(
            f"error:{source.key}",
            0.0,
            low=-8.0,
            high=8.0,
            # eliminated with the others, a considered one would drag them along before it is put back
            linear=not source.considered,
            knowledge="stated",
            prior=0.0,
            prior_u=1.0,
            source=source.group,
            considered=source.considered,
            label=source.label,
        )
        for source in data.sources
    ]
    if temperature_u > 0:
        made.append(
            Unknown(
                "error:temperature",
                0.0,
                low=-8.0,
                high=8.0,
                knowledge="stated",
                prior=0.0,
                prior_u=1.0,
                source=Source.TEMPERATURE,
                considered=True,
                label=Source.TEMPERATURE,
            )
        )
    return Names(tuple(made))


def _refits(data: FitData, sharing: Sharing, *, linear: bool) -> list[Unknown]:
    """What each refit to the bench did to preload and biases, in the rig's standard deviations.

    Where several visits share a quantity their differences show it, and it is searched; a single one cannot
    tell its refit from the unit itself: then it is passed on as it is stated.
    """
    made: list[Unknown] = []
    for visit, spread in enumerate(data.refit_spread):
        for part, size in zip(REFIT_PARTS, (spread[0], spread[1], spread[1]), strict=True):
            if size == 0.0:
                continue
            here = getattr(sharing.places[visit], part)
            sharers = sum(getattr(place, part) == here for place in sharing.places)
            made.append(
                Unknown(
                    f"refit:{part}[{visit}]",
                    0.0,
                    low=-8.0,
                    high=8.0,
                    linear=linear,
                    knowledge="stated",
                    prior=0.0,
                    prior_u=1.0,
                    source=Source.REPEATABILITY,
                    label=f"refit to the bench of visit {visit + 1}",
                    considered=sharers == 1,
                )
            )
    return made


def _of_law(own: LawUnknown) -> Unknown:
    """An unknown that a law brings."""
    return Unknown(
        own.name,
        own.start,
        low=own.low,
        high=own.high,
        logarithm=own.logarithm,
        knowledge="weak",
        prior=own.prior,
        prior_u=own.prior_u,
        source=own.source,
    )


def _stated(name: str, value: float, u: float, source: str, *, searched: bool) -> Unknown:
    """A constant from a sheet. Where the bench cannot tell it from others it is kept as stated, and its
    uncertainty passed on; where it can, it is searched."""
    if u == 0.0:
        return Unknown(name, value, low=value, high=value)
    return Unknown(
        name,
        value,
        low=-0.5,
        high=0.5,
        linear=True,
        knowledge="stated",
        prior=value,
        prior_u=u,
        source=source,
        considered=not searched,
    )
