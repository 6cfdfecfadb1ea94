"""The same unit built otherwise: its map at another preload, plate count or ramp angle, by the fitted law.

A prediction, never a measurement: no node of such a map counts as tested, and the file says what was changed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from diffbench.errors import FitError
from diffbench.results.characterisation import Characterisation
from diffbench.results.locking_map import LockingMap, MapDocument
from diffbench.results.predict import facts_of, law_corners, make_map, map_on
from diffbench.trackside.changes import SWEEP_MEND, Rebuild, measured, rebuilt
from diffbench.trackside.operating_point import Interval, interval_at


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
    facts, label = facts_of(characterisation, build)
    changed, words = rebuilt(characterisation, rebuild, facts, label)
    return _as_predicted(make_map(changed, axes=axes, build=build), words)


def preload_ladder(
    characterisation: Characterisation, preload_torques: Sequence[float], *, beside: LockingMap
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

    Returns
    -------
    One map for each, in that order.

    Raises
    ------
    FitError
        As `predicted_map`.
    """
    build = beside.document.build
    facts, label = facts_of(characterisation, build)
    rungs = [
        rebuilt(characterisation, Rebuild(preload_torque=torque), facts, label) for torque in preload_torques
    ]
    torque, speed, heat = beside.axes
    corners = {round(place, 9) for changed, _ in rungs for place in law_corners(changed)}
    inside = [place for place in corners if torque[0] < place < torque[-1]]
    nodes = (np.unique([*torque.tolist(), *inside]), speed, heat)
    return [_as_predicted(map_on(changed, nodes, build=build), words) for changed, words in rungs]


def preload_of(characterisation: Characterisation, *, build: str | None = None) -> float:
    """Preload torque of one build as measured.

    Parameters
    ----------
    characterisation : Characterisation
        The unit.
    build : str or None
        Which build, where several were fitted together.

    Returns
    -------
    Preload torque [N·m].

    Raises
    ------
    FitError
        There is no such build, or the preload torque is not determined.
    """
    facts, label = facts_of(characterisation, build)
    known = measured(characterisation, "preload_torque", label)
    if known is None:
        raise FitError.single(f"the preload torque of {facts.build} is not determined", mend=SWEEP_MEND)
    return known.value


@dataclass(frozen=True)
class Compared:
    """Locking torque as built and as rebuilt, loading, at one input torque [N·m]."""

    input_torque: float
    as_built: Interval
    rebuilt: Interval


def compared(characterisation: Characterisation, before: LockingMap, after: LockingMap) -> list[Compared]:
    """Both maps beside each other at the reference condition, at the ends of the tested torques and between.

    Parameters
    ----------
    characterisation : Characterisation
        Whose reference condition counts.
    before, after : LockingMap
        As built, and rebuilt.

    Returns
    -------
    Five input torques, or fewer where one flank was not tested, from coast to drive.
    """
    speed = characterisation.reference["speed_difference_rad_s"]
    heat = characterisation.reference["temperature_degC"]
    outline = [torque for torque, _ in characterisation.tested.outline] or [0.0]
    low, high = min(*outline, 0.0), max(*outline, 0.0)
    torques = sorted({float(f"{torque:.2g}") for torque in (low, low / 2.0, 0.0, high / 2.0, high)})
    return [
        Compared(
            torque,
            *(interval_at(each, (torque, speed, heat), "loading") for each in (before, after)),
        )
        for torque in torques
    ]


def _as_predicted(made: LockingMap, words: str) -> LockingMap:
    """A map of which no node counts as tested, and which says so."""
    content = made.document.model_dump()
    for branch in content["branches"].values():
        branch["tested"] = np.zeros(np.shape(branch["tested"]), dtype=bool).tolist()
    content["predicted"] = words
    content["characterisation_sha256"] = None  # made of one that was changed, which is in no file
    content["notes"] = [f"PREDICTED by the fitted law, not measured: {words}", *content["notes"]]
    return LockingMap(MapDocument.model_validate(content))
