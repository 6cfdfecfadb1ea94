"""Whether several visits are of one state of a unit, before they are averaged."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from diffbench.errors import Fault, FitError, Place
from diffbench.fitting.pooling import LEVEL, UNSTATED, apart
from diffbench.physics.steady import UnitQuantities
from diffbench.wear.joint import has_repeatability, paired, widest
from diffbench.wear.sharing import Member

__all__ = ["check_state"]

_WORDS = {
    "preload_torque": "preload torque",
    "ramp_bias_drive_loading": "ramp bias, drive, loading",
    "ramp_bias_coast_loading": "ramp bias, coast, loading",
}


def check_state(members: Sequence[Member]) -> None:
    """Ask whether visits may be averaged: one build, one distance, and numbers that agree.

    Parameters
    ----------
    members : sequence of Member
        The visits of one state, each fitted by itself.

    Raises
    ------
    FitError
        Their builds or distances differ, or they contradict each other by what a refit to the bench moves:
        in one of a thousand cases by chance.

    References
    ----------
    As `diffbench.fitting.pooling.may_share`.
    """
    if len(members) < 2:
        return
    where = [_where(m) for m in members]
    said = [f"{m.facts.build}{_distance(m.facts.distance_m)}" for m in members]
    if len({(m.facts.build, m.facts.distance_m) for m in members}) > 1:
        told = ", ".join(f"{one} in {place}" for one, place in zip(said, where, strict=True))
        raise FitError.single(
            f"visits of one state are of one build at one distance, and these are not: {told}",
            file=where[-1],
            mend="compare them with each other; or state one distance, if nothing was driven in between",
        )
    names = [name for name in _WORDS if all(_value(m, name) is not None for m in members)]
    if not names:
        return
    one_by_one = list(np.eye(len(members)))
    at = [list(_WORDS).index(name) for name in names]
    joint = widest(paired(members), one_by_one, lambda unit: _logarithms(unit)[at])
    faults = []
    for q, name in enumerate(names):
        rows = np.arange(len(members)) * len(names) + q
        covariance = joint.covariance[np.ix_(rows, rows)]
        unstated = [0.0 if has_repeatability(m) else UNSTATED**2 for m in members]
        _, chance = apart(joint.value[rows], covariance + np.diag(unstated))
        if chance < LEVEL / len(names):
            told = ", ".join(
                f"{_value(m, name):.4g}{' N·m' if name == 'preload_torque' else ''} in {place}"
                for m, place in zip(members, where, strict=True)
            )
            faults.append(
                Fault(
                    f"the visits of one state contradict each other, and their mean would be neither's: "
                    f"{_WORDS[name]} is {told}",
                    Place(where[-1]),
                    "compare them with each other, and leave out what is of another state",
                )
            )
    if faults:
        raise FitError(faults)


def _logarithms(unit: UnitQuantities) -> NDArray[np.float64]:
    return np.log(np.maximum([unit.preload_torque, unit.drive_bias, unit.coast_bias], 1e-9))


def _value(who: Member, name: str) -> float | None:
    item = who.characterisation.parameters.get(name)
    return None if item is None else item.value


def _where(who: Member) -> str:
    return ", ".join(who.characterisation.provenance.visits) or f"the result of {who.characterisation.date}"


def _distance(metres: float | None) -> str:
    return " at an unknown distance" if metres is None else f" at {metres / 1000.0:g} km"
