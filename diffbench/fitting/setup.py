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
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from diffbench.definitions import name_of
from diffbench.documents import Build
from diffbench.doubts import Source
from diffbench.fitting.data import FitData
from diffbench.fitting.model import (
    PACKS_APART,
    REFIT_PARTS,
    TURNING_SPEED,
    Form,
    LockingModel,
    Place,
    Reference,
    Sharing,
)
from diffbench.fitting.unknowns import Knowledge, Names, Unknown
from diffbench.physics.laws import LawUnknown
from diffbench.physics.oil import viscosity_exponent, walther
from diffbench.physics.plate_heat import SPECIFIC_HEAT, SPECIFIC_HEAT_U

REFERENCE_SPEED_DIFFERENCE = 4.0  # rad/s, where the sheet names none
SMALLEST_START = (
    0.03  # of the largest input torque: a history that starts below has no ramp state worth a name
)


def _prior(
    name: str,
    mean: float,
    u: float,
    *,
    low: float,
    high: float,
    source: str,
    start: float | None = None,
    knowledge: Knowledge = "weak",
    linear: bool = False,
    logarithm: bool = False,
) -> Unknown:
    """An unknown of which something is known beforehand: its search begins there, unless it says where."""
    start = mean if start is None else start
    return Unknown(name, start, low, high, linear, logarithm, knowledge, mean, u, source)


# What physics makes plausible of each unknown that no law brings: mean, standard uncertainty, bounds, and
# what a budget calls that. Where the sheet knows better, its own builder below says so.
RAMP_BIAS = _prior("ramp_bias", 0.4, 1.0, low=0.0, high=10.0, source="weak: ramp bias")
UNLOADING_RATIO = _prior("unloading_ratio", 1.35, 0.5, low=1.0, high=6.0, source="weak: unloading ratio")
VISCOUS = _prior("viscous", 0.2, 1.0, low=-5.0, high=50.0, source="weak: viscous drag", linear=True)
# friction surfaces give way elastically over some hundredths of a radian (common practice, no source)
RELAXATION_ANGLE = _prior(
    "relaxation_angle", 0.01, 0.015, low=-0.05, high=0.2, source="weak: relaxation of the plates", linear=True
)
TEMPERATURE_COEFFICIENT = _prior(
    "temperature_coefficient",
    -0.0005,
    0.0015,
    low=-0.02,
    high=0.02,
    source="weak: friction over temperature",
    start=-0.001,
)
PLATE_EXCESS = _prior(
    "plate_excess", 0.0, 2.0, low=-50.0, high=100.0, source="weak: plate temperature at the start"
)
# between loading and unloading, nothing is more likely than anything else: mean and spread of a rectangle
RAMP_START = _prior(
    "ramp_start", 0.5, 0.29, low=0.0, high=1.0, source="weak: state of the ramps at the start"
)
# friction or springs of the packs differ by some 5 % (common practice, no source)
APART = _prior("packs_apart", 0.0, 0.05, low=-0.4, high=0.4, source="weak: packs alike", start=0.01)
# of the bench and of refits to it, in their own standard uncertainties
ERROR = _prior("error", 0.0, 1.0, low=-8.0, high=8.0, source="", knowledge="stated")
TYPICAL_EXPONENT = (0.03, 0.02)  # 1/K: fall of a gear oil's viscosity (common practice, no source)
# plates settle within some ten to a hundred seconds: typical, slowest, quickest [s] (common practice, no
# source)
SETTLING_TIMES = (20.0, 2000.0, 0.5)


@dataclass(frozen=True)
class Setup:
    """What every form of the model begins with: the build of each visit, the cells of all, what builds share,
    and where numbers are quoted."""

    builds: tuple[Build, ...]
    data: FitData
    sharing: Sharing
    reference: Reference

    @classmethod
    def of(cls, builds: Sequence[Build], data: FitData) -> Setup:
        """From the sheets: the first one's reference condition counts."""
        first = builds[0]
        speed = first.reference.speed_difference
        reference = Reference(
            temperature=first.reference.temperature,
            speed_difference=REFERENCE_SPEED_DIFFERENCE if speed is None else speed,
            effective_radius=first.effective_radius.value,
        )
        return cls(tuple(builds), data, sharing_of(builds), reference)

    def model(self, form: Form) -> LockingModel:
        """One form of the model with its unknowns."""
        names = _unknowns(self.builds[0], self.data, form, self.sharing)
        return LockingModel(self.data, names, form, self.sharing, self.reference)


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


def sharing_of(builds: Sequence[Build]) -> Sharing:
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
    return Sharing(
        preloads=names("preload_torque", preload_first),
        drive_biases=names("ramp_bias_drive_loading", drive_first),
        coast_biases=names("ramp_bias_coast_loading", coast_first),
        drive_ratios=names("unloading_ratio_drive", drive_first),
        coast_ratios=names("unloading_ratio_coast", coast_first),
        places=tuple(Place(*three) for three in zip(preload_place, drive_place, coast_place, strict=True)),
    )


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


def _unknowns(build: Build, data: FitData, form: Form, sharing: Sharing) -> Names:
    """The unknowns of one form of the model."""
    linear = form.preload.linear
    largest = max(float(np.percentile(np.abs(data.input_torque), 99)), 1.0)
    moved = np.flatnonzero(np.abs(data.segment_torque) > SMALLEST_START * largest)
    return Names(
        (
            *_named(
                Unknown("preload", _preload_start(data), low=0.0, high=1e5, linear=linear), sharing.preloads
            ),
            # a bias that never shows (a greater-of flank below its preload) is kept where ramps are made at
            # all
            *_named(replace(RAMP_BIAS, linear=linear), (*sharing.drive_biases, *sharing.coast_biases)),
            *_refits(data, sharing, linear=linear),
            *_named(UNLOADING_RATIO, (*sharing.drive_ratios, *sharing.coast_ratios)),
            *(_of_preload_law(own, build) for own in form.preload.unknowns),
            # while a greater-of contact is closed, the gears alone follow the input torque: there they show
            _gear_friction(build, searched=not linear),
            VISCOUS,
            RELAXATION_ANGLE,
            _viscous_exponent(build),
            *(_of_law(own) for own in form.friction.unknowns),
            TEMPERATURE_COEFFICIENT,
            *_plate_heat(build),
            *(
                replace(
                    PLATE_EXCESS,
                    name=f"plate_excess[{run}]",
                    label=f"plate temperature at the start of {data.run_names[run]}",
                )
                for run in np.unique(data.heat_run)
            ),
            *(
                replace(RAMP_START, name=f"ramp_start[{segment}]", label="state of the ramps at the start")
                for segment in moved
            ),
            *_turning_speed(data),
            *(_named(APART, PACKS_APART) if data.apart is not None else ()),
            *_bench_errors(data),
        )
    )


def _turning_speed(data: FitData) -> list[Unknown]:
    """How fast hands turned, where they ran at a speed that nobody wrote down."""
    told = data.by_hand
    if told is None or told.turning_u == 0.0:
        return []
    return [
        _prior(
            TURNING_SPEED,
            0.0,
            told.turning_u,
            low=-3.0,
            high=3.0,
            source=Source.TURNING_SPEED if told.stated else "weak: turning speed",
            knowledge="stated" if told.stated else "weak",
            logarithm=True,
        )
    ]


def _named(row: Unknown, names: Iterable[str]) -> list[Unknown]:
    """The same of each name."""
    return [replace(row, name=name) for name in names]


def _preload_start(data: FitData) -> float:
    """Where the search for a preload begins [N·m]: the locking torque at little input torque."""
    size = np.abs(data.input_torque)
    return max(float(np.median(data.locking[size <= np.percentile(size, 20)])), 1.0)


def _bench_errors(data: FitData) -> list[Unknown]:
    """The bench's doubtful constants, in their standard uncertainties."""
    errors = [
        replace(
            ERROR,
            name=f"error:{source.key}",
            # eliminated with the others, a considered one would drag them along before it is put back
            linear=not source.considered,
            source=source.group,
            considered=source.considered,
            label=source.label,
        )
        for source in data.sources
    ]
    if data.temperature_u > 0:
        reading = Source.TEMPERATURE_ALLOWED if data.temperature_allowed else Source.TEMPERATURE
        errors.append(
            replace(ERROR, name="error:temperature", source=reading, considered=True, label=reading)
        )
    return errors


def _refits(data: FitData, sharing: Sharing, *, linear: bool) -> list[Unknown]:
    """What each refit to the bench did to preload and biases, in the rig's standard deviations.

    Where several visits share a quantity their differences show it, and it is searched; a single one cannot
    tell its refit from the unit itself: then it is passed on as it is stated.
    """
    refits: list[Unknown] = []
    for visit, spread in enumerate(data.refit_spread):
        for part, size in zip(REFIT_PARTS, (spread[0], spread[1], spread[1]), strict=True):
            if size == 0.0:
                continue
            here = getattr(sharing.places[visit], part)
            sharers = sum(getattr(place, part) == here for place in sharing.places)
            refits.append(
                replace(
                    ERROR,
                    name=f"refit:{part}[{visit}]",
                    linear=linear,
                    source=Source.REPEATABILITY,
                    label=f"refit to the bench of visit {visit + 1}",
                    considered=sharers == 1,
                )
            )
    return refits


def _of_law(own: LawUnknown) -> Unknown:
    """An unknown that a law brings."""
    return _prior(
        own.name,
        own.prior,
        own.prior_u,
        low=own.low,
        high=own.high,
        source=own.source,
        start=own.start,
        logarithm=own.logarithm,
    )


def _of_preload_law(own: LawUnknown, build: Build) -> Unknown:
    """The same of the preload law: the sheet may state the joint fraction, which is fixed then."""
    stated = build.preload.joint_fraction
    if own.name == "joint_fraction" and stated is not None:
        return Unknown(own.name, stated.value, low=stated.value, high=stated.value)
    return _of_law(own)


def _gear_friction(build: Build, *, searched: bool) -> Unknown:
    """As the sheet states it. Where the bench cannot tell it from others it is kept so, and its uncertainty
    passed on; where it can, it is searched."""
    stated = build.gear_friction
    value, u = (0.0, 0.0) if stated is None else (stated.value, stated.u or 0.0)
    if u == 0.0:
        return Unknown("gear_friction", value, low=value, high=value)
    source = Source.GEAR_FRICTION
    known = _prior(
        "gear_friction", value, u, low=-0.5, high=0.5, source=source, knowledge="stated", linear=True
    )
    return replace(known, considered=not searched)


def _viscous_exponent(build: Build) -> Unknown:
    """By the sheet's two viscosities; drag of a thin film follows them loosely, hence the wide doubt."""
    (exponent, u), oil = TYPICAL_EXPONENT, build.oil
    if oil.viscosity_40 is not None and oil.viscosity_100 is not None:
        line = walther(oil.viscosity_40.value, oil.viscosity_100.value)
        exponent = viscosity_exponent(build.reference.temperature, line)
    source = "weak: oil viscosity over temperature"
    return _prior("viscous_exponent", exponent, u, low=-0.1, high=0.2, source=source)


def _plate_heat(build: Build) -> tuple[Unknown, Unknown]:
    """Heat capacity of the plates and conductance to the oil, which settle in a typical time."""
    capacity, u, stated = heat_capacity(build)
    typical, slowest, quickest = (capacity - math.log(time) for time in SETTLING_TIMES)
    return (
        _prior(
            "heat_capacity",
            capacity,
            u,
            low=capacity - 3,
            high=capacity + 3,
            source=Source.HEAT_CAPACITY if stated else "weak: plate heat",
            knowledge="stated" if stated else "weak",
            logarithm=True,
        ),
        _prior(
            "heat_conductance",
            typical,
            1.0,
            low=slowest,
            high=quickest,
            source="weak: plate heat",
            logarithm=True,
        ),
    )
