"""The same unit built otherwise: its map at another preload, plate count or ramp angle, by the fitted law.

A prediction is never taken for a measurement: the map is made of the fit's forms with factors on their
unknowns and covariance, no node counts as tested, and ``predicted`` in the document says what was changed. A
preload torque keeps its uncertainty as a share. A ladder stands on the nodes of the map as built, and on
every corner of its rungs: on grids of their own, two maps differ by up to what a lookup may add.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from diffbench.answers.operating_point import Interval, interval_at
from diffbench.errors import Fault, FitError, Place
from diffbench.physics.ramps import log_slope, thrust_per_torque, unloading_ratio
from diffbench.quantities import Quantity
from diffbench.results.characterisation import BuildFacts, Characterisation, FormState
from diffbench.results.locking_map import LockingMap
from diffbench.results.predict import law_corners, make_map, map_on

SWEEP_MEND = "fit a bias sweep that goes through zero input torque"
SPRING_MEND = "state spring_force in the build sheet and fit again, or give the preload torque itself"


@dataclass(frozen=True)
class Rebuild:
    """What is built otherwise; None leaves a part as it is.

    Attributes
    ----------
    preload_torque : float or None
        Preload torque [N·m] at the reference condition; zero takes the spring out.
    spring_force : float or None
        Axial force of the preload stack as installed [N], instead of the preload torque.
    faces : int or None
        Friction faces in one pack.
    drive_angle, coast_angle : float or None
        Nominal ramp angle of a flank from the plane of rotation [rad]; pi/2 gives no thrust.
    """

    preload_torque: float | None = None
    spring_force: float | None = None
    faces: int | None = None
    drive_angle: float | None = None
    coast_angle: float | None = None


@dataclass
class _Change:
    """Factors on the unknowns of the fit: each with its standard uncertainty relative to itself."""

    factors: dict[str, float] = field(default_factory=dict)
    doubts: list[dict[str, float]] = field(default_factory=list)
    words: list[str] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)

    def scale(self, factor: float, *names: str) -> None:
        for name in names:
            self.factors[name] = self.factors.get(name, 1.0) * factor

    def refuse(self, what: str, mend: str) -> None:
        self.faults.append(Fault(what, Place(None), mend))


def _rebuilt(
    characterisation: Characterisation, rebuild: Rebuild, facts: BuildFacts
) -> tuple[Characterisation, str]:
    """The characterisation with the forms as they would be (all else is still that of the unit as measured),
    and what was changed in words; all faults at once."""
    change = _changes(characterisation, rebuild, facts)
    if change.faults:
        raise FitError(change.faults)
    forms = [_changed(form, change, facts.build) for form in characterisation.forms]
    return characterisation.model_copy(update={"forms": forms}), "; ".join(change.words)


def _changes(characterisation: Characterisation, rebuild: Rebuild, facts: BuildFacts) -> _Change:
    change = _Change()
    if rebuild == Rebuild():
        change.refuse("nothing is changed", "name a preload, a number of faces or a ramp angle")
    plates = 1.0
    if rebuild.faces is not None:
        if rebuild.faces < 1:
            change.refuse(
                f"{rebuild.faces} friction faces hold nothing", "count the faces of one pack, 1 or more"
            )
        else:
            plates = rebuild.faces / facts.faces
            change.words.append(f"{rebuild.faces} faces in a pack instead of {facts.faces}")
            change.scale(plates, "ramp_bias_drive_loading", "ramp_bias_coast_loading", "viscous")
    _preload(change, characterisation, rebuild, facts.build, plates)
    for flank, angle, nominal in (
        ("drive", rebuild.drive_angle, facts.drive_angle_deg),
        ("coast", rebuild.coast_angle, facts.coast_angle_deg),
    ):
        if angle is not None:
            _ramp(change, characterisation, flank, angle, nominal, facts.build)
    return change


def _preload(
    change: _Change, characterisation: Characterisation, rebuild: Rebuild, build: str, plates: float
) -> None:
    wanted, force = rebuild.preload_torque, rebuild.spring_force
    if wanted is not None and force is not None:
        change.refuse("preload torque and spring force are both given", "give one of them")
    elif wanted is not None:
        known = _known(characterisation, "preload_torque", build)
        if not (math.isfinite(wanted) and wanted >= 0.0):
            change.refuse(f"a preload torque of {wanted:g} N·m", "give zero or a torque above it")
        elif known is None or known.value <= 0.0:
            change.refuse(
                "the preload torque of this unit is not determined, so that none can be set against it",
                SWEEP_MEND,
            )
        else:
            change.words.append(f"preload torque {wanted:.4g} N·m instead of {known.value:.4g} N·m")
            change.scale(wanted / known.value, "preload_torque")
    elif force is not None:
        stated = _known(characterisation, "spring_force", build)
        if not (math.isfinite(force) and force >= 0.0):
            change.refuse(f"a spring force of {force:g} N", "give zero or a force above it")
        elif stated is None or stated.value <= 0.0:
            change.refuse("the spring force of this unit is not known", SPRING_MEND)
        else:
            change.words.append(f"spring force {force:.4g} N instead of {stated.value:.4g} N")
            change.scale(plates * force / stated.value, "preload_torque")
            change.doubts.append({"preload_torque": (stated.u or 0.0) / stated.value})
    else:
        change.scale(plates, "preload_torque")


def _ramp(
    change: _Change,
    characterisation: Characterisation,
    flank: str,
    angle: float,
    nominal_deg: float | None,
    build: str,
) -> None:
    acts = _known(characterisation, f"effective_ramp_angle_{flank}", build)
    rubs = _known(characterisation, f"ramp_friction_angle_{flank}", build)
    told = ""
    if acts is None and nominal_deg is not None:
        # friction that is known by the nominal angles: these are then what the fit itself went by
        acts, told = Quantity(nominal_deg), ", nominal angles counting as exact"
    if acts is None or rubs is None:
        change.refuse(
            f"the {flank} ramp's angle and its friction angle are not both known",
            "fit sweeps with loading and unloading on that flank and a build sheet with faces, radii, pin "
            "radius and spring force or ramp angles",
        )
        return
    before, friction = math.radians(acts.value), math.radians(rubs.value)
    after = angle if nominal_deg is None else before + angle - math.radians(nominal_deg)
    if not (friction < after and 0.0 < angle <= math.pi / 2.0):
        change.refuse(
            f"a {flank} ramp of {math.degrees(angle):.4g} deg does not work: with a friction angle of "
            f"{rubs.value:.3g} deg it jams from there down, and 90 deg gives no thrust",
            "give the angle from the plane of rotation, above the friction angle and up to 90 deg",
        )
        return
    old = "" if nominal_deg is None else f" instead of {nominal_deg:.4g} deg"
    change.words.append(f"{flank} ramp {math.degrees(angle):.4g} deg{old}{told}")
    names = (f"ramp_bias_{flank}_loading", f"unloading_ratio_{flank}")
    if after + friction >= math.pi / 2.0:
        # the pin cannot drive the rings apart: no thrust while loading, so that none is left to unload
        change.scale(0.0, names[0])
        return

    loading = float(thrust_per_torque(after, friction, 1.0) / thrust_per_torque(before, friction, 1.0))
    ratio = float(unloading_ratio(after, friction) / unloading_ratio(before, friction))
    for name, factor in zip(names, (loading, ratio), strict=True):
        change.scale(factor, name)
    # d ln cot(x)/dx at both ends; a new angle given off the nominal one errs with the one that acts
    new_up, new_down = log_slope([after + friction, after - friction]).tolist()
    old_up, old_down = log_slope([before + friction, before - friction]).tolist()
    moves = 0.0 if nominal_deg is None else 1.0
    by_angle = (moves * new_up - old_up, moves * (new_down - new_up) - (old_down - old_up))
    by_friction = (new_up - old_up, old_down + old_up - new_down - new_up)
    for slopes, u in ((by_angle, acts.u), (by_friction, rubs.u)):
        change.doubts.append(
            {name: slope * math.radians(u or 0.0) for name, slope in zip(names, slopes, strict=True)}
        )


def _known(characterisation: Characterisation, name: str, build: str) -> Quantity | None:
    found = characterisation.parameter(name, build)
    return None if found is None or found.value is None else Quantity(found.value, found.u)


def _changed(form: FormState, change: _Change, build: str) -> FormState:
    """A form with its unknowns scaled: values and covariance, and what the factors' own doubt adds."""
    values, covariance = np.array(form.values), np.array(form.covariance)
    places: dict[str, int] = {}
    slope = np.ones(values.size)
    for name, factor in change.factors.items():
        i = places[name] = form.place(name, build)
        if form.logarithms[i]:
            if factor == 0.0:
                raise FitError.single(f"{name} cannot be taken to zero", mend="give a value above zero")
            values[i] += math.log(factor)
        else:
            values[i] *= factor
            slope[i] = factor
    covariance = covariance * np.outer(slope, slope)
    for doubt in change.doubts:
        column = np.zeros(values.size)
        for name, relative in doubt.items():
            i = places[name]
            column[i] = relative if form.logarithms[i] else relative * values[i]
        covariance = covariance + np.outer(column, column)
    return form.model_copy(update={"values": values.tolist(), "covariance": covariance.tolist()})


def predicted_map(
    characterisation: Characterisation,
    rebuild: Rebuild,
    *,
    axes: Mapping[str, tuple[float, float] | None] | None = None,
    build: str | None = None,
) -> LockingMap:
    """The map that the unit would have if it were built otherwise.

    P' = P (F_0'/F_0) (n'/n), K' = K (n'/n) cot(β' ± φ)/cot(β ± φ), c' = c (n'/n)

    Parameters
    ----------
    characterisation : Characterisation
        The unit as measured.
    rebuild : Rebuild
        What is changed. A preload torque is that of the finished build, whatever its number of faces.
    axes : mapping or None
        Limits by name, as `diffbench.results.predict.make_map`.
    build : str or None
        Which build, where several were fitted together.

    Returns
    -------
    The map, ``document.predicted`` set and no node tested. Its 95 % limits come from the joint distribution
    of the fit; the uncertainty of a preload torque stays the same share of it (springs and plates that
    spread alike), and that of angles and of a stated spring force is added.

    Raises
    ------
    FitError
        With every fault: nothing is changed, a value is out of its range, or the fit does not determine
        what the change needs.

    Notes
    -----
    Validity: the preload law holds at the other preload as fitted; plates of the same kind with the same
    friction, all faces bearing alike, and the stack shimmed to the same spring force where faces are added;
    ramps of the same finish. The angle that acts may differ from the nominal one: a new nominal angle is
    taken as that many degrees off the angle as it acts; where that is not determined, the nominal angle
    counts, and as exact. An error of the angles is taken as independent of
    that of the ramp bias.

    References
    ----------
    The relations of `diffbench.physics.pack` and `diffbench.physics.ramps`; common practice, no source.
    """
    changed, words = _rebuilt(characterisation, rebuild, characterisation.facts_of(build))
    return make_map(changed, axes=axes, build=build, predicted=words)


def preload_ladder(
    characterisation: Characterisation,
    preload_torques: Sequence[float],
    *,
    beside: LockingMap,
    ramps: tuple[float, float] | None = None,
) -> list[LockingMap]:
    """Predicted maps of one unit at several preload torques, to be held against the map as built.

    All stand on the nodes of that map, and on those where the law of any rung has a corner, so that what
    differs between two of them is the preload and not where their nodes are: more preload never looks up
    less locking torque.

    Parameters
    ----------
    characterisation : Characterisation
        The unit as measured.
    preload_torques : sequence of float
        Preload torques [N·m], not negative.
    beside : LockingMap
        Its map as built.
    ramps : tuple of float or None
        With other rings: their nominal drive and coast angle [rad].

    Returns
    -------
    One map for each, in that order.

    Raises
    ------
    FitError
        As `predicted_map`.
    """
    build = beside.document.build
    facts = characterisation.facts_of(build)
    drive, coast = ramps or (None, None)
    rungs = [
        _rebuilt(
            characterisation,
            Rebuild(preload_torque=torque, drive_angle=drive, coast_angle=coast),
            facts,
        )
        for torque in preload_torques
    ]
    torque, speed, heat = beside.axes
    corners = {round(place, 9) for changed, _ in rungs for place in law_corners(changed)}
    inside = [place for place in corners if torque[0] < place < torque[-1]]
    nodes = (np.unique([*torque.tolist(), *inside]), speed, heat)
    return [map_on(changed, nodes, build=build, predicted=words) for changed, words in rungs]


def preload_of(characterisation: Characterisation, *, build: str | None = None) -> float:
    """Preload torque of one build as measured [N·m]; the only one where none is named.

    Raises ``FitError`` where there is no such build, or it is not determined.
    """
    build = characterisation.facts_of(build).build
    known = _known(characterisation, "preload_torque", build)
    if known is None:
        raise FitError.single(f"the preload torque of {build} is not determined", mend=SWEEP_MEND)
    return known.value


@dataclass(frozen=True)
class Compared:
    """Locking torque as built and as rebuilt, loading, at one input torque [N·m]."""

    input_torque: float
    as_built: Interval
    rebuilt: Interval


def compared(characterisation: Characterisation, before: LockingMap, after: LockingMap) -> list[Compared]:
    """Both maps beside each other at the reference condition, at the ends of the tested torques and between:
    five input torques, or fewer where one flank was not tested, from coast to drive."""
    speed = characterisation.reference["speed_difference_rad_s"]
    heat = characterisation.reference["temperature_degC"]
    outline = [torque for torque, _ in characterisation.tested.outline] or [0.0]
    low, high = min(*outline, 0.0), max(*outline, 0.0)
    torques = sorted({float(f"{torque:.2g}") for torque in (low, low / 2.0, 0.0, high / 2.0, high)})
    return [
        Compared(torque, *(interval_at(each, (torque, speed, heat), "loading") for each in (before, after)))
        for torque in torques
    ]
