"""Whether visits may share what a joint fit makes them share: each is fitted by itself first, and asked.

A joint fit gives one preload to all visits of a build, one ramp bias to all builds of equal ramps, and one
friction shape to all. It would do so for any recordings, and its refits to the bench would take up whatever
difference there is. So each visit's own estimates are held against each other before, by what a refit to the
bench moves and by the doubts of their own; what they have in common, a flange's gain above all, cancels.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.findings import Finding
from diffbench.conditioning.run import ConditionedVisit
from diffbench.documents import Build, Visit
from diffbench.documents.visit import one_sheet
from diffbench.doubts import Source, is_weak
from diffbench.errors import Fault, FitError, Place
from diffbench.fitting.bench_constants import allowance_of
from diffbench.fitting.candidate import Candidate
from diffbench.fitting.choose import Choice, choose
from diffbench.fitting.covariance import Covariance
from diffbench.fitting.data import FitData, gather
from diffbench.fitting.discrepancy import covariance_with, left_out_of
from diffbench.fitting.estimates import gradient
from diffbench.fitting.parameters import LEANING_SHARE, LEANING_U
from diffbench.fitting.setup import Setup, ramp_key
from diffbench.physics.laws import LawUnknown
from diffbench.physics.steady import LAW_UNKNOWNS
from diffbench.plain_text import per_cent

__all__ = ["LEVEL", "apart", "may_share", "refits_apart"]

Array = NDArray[np.float64]

#: The chance that visits of one and the same state are refused, all questions together.
LEVEL = 0.001
# How the questions divide it: preload, ramp biases, all the rest, and what the joint fit itself shows.
SHARES = {"preload": 0.45, "ramps": 0.3, "shape": 0.15}
OF_THE_REFITS = 0.1
# Where the rig does not say what a refit moves: more than careful benches need (common practice, no source).
UNSTATED = 0.03
# New at every visit; every other unknown of one name is one and the same in all of them.
OF_A_VISIT = ("refit:", "plate_excess", "ramp_start", Source.LEFT_OUT)


@dataclass(frozen=True)
class _Question:
    """A quantity that visits share: ``quantity`` of a fit and its unknowns, on a scale on which a step is a
    relative change of torque; ``size`` and ``unit`` as it is told; ``part`` of the level, and ``key`` of what
    a visit shares it by."""

    words: str
    unit: str
    part: str
    size: Callable[[Candidate, Array], float]
    quantity: Callable[[Candidate, Array], float]
    key: Callable[[Build], Hashable]


@dataclass(frozen=True)
class _Own:
    """A visit fitted by itself: forms with weights and covariances, the best first."""

    visit: Visit
    parts: Sequence[ConditionedVisit]
    choice: Choice
    covariances: Sequence[Covariance]

    @property
    def bench(self) -> str:
        """The rigs behind it: two visits to one bench have its errors in common."""
        return " ".join(sorted({str(part.rig.model_dump()) for part in self.parts}))


def may_share(
    visits: Sequence[Visit], parts: Sequence[Sequence[ConditionedVisit]], say: Callable[[str], None]
) -> list[Finding]:
    """Ask whether several visits may be fitted together.

    Parameters
    ----------
    visits : sequence of Visit
        Their papers.
    parts : sequence of sequences of ConditionedVisit
        The conditioned recordings of each.
    say : callable
        Told of progress.

    Returns
    -------
    What is to be said of visits that may: a caveat where a rig does not state its repeatability.

    Raises
    ------
    FitError
        One build name stands for two sheets, sheets differ in what all builds share, or visits contradict
        each other: in one of a thousand cases by chance.

    References
    ----------
    Homogeneity of several results by χ² about their mean: W. G. Cochran, Biometrics 10, 1954 (from memory);
    against the repeatability of the bench, as ISO 5725-6:1994, 4.1.
    """
    if len(visits) < 2:
        return []
    faults = one_sheet(visits)
    owns = _fitted_alone(visits, parts, say)
    found: list[tuple[float, Fault]] = []
    asked = [(question, group) for question in _QUESTIONS for group in _groups(question, visits)]
    count = {part: sum(question.part == part for question, _ in asked) for part in SHARES}
    for question, group in asked:
        fault = _ask(question, [owns[i] for i in group], SHARES[question.part] * LEVEL / count[question.part])
        if fault is not None:
            found.append(fault)
    faults += [fault for _, fault in sorted(found, key=lambda pair: pair[0])]
    if faults:
        raise FitError(faults)
    return _unstated(owns)


def apart(values: Array, covariance: Array) -> tuple[float, float]:
    """How far several estimates of one quantity are from being one.

    Q = (y − m)ᵀ C⁻¹ (y − m) about their weighted mean m, which follows χ² with k − 1 degrees of freedom where
    they are of one quantity.

    Parameters
    ----------
    values : array, (k,)
        The estimates.
    covariance : array, (k, k)
        Of the estimates, errors in common included.

    Returns
    -------
    Q, and the chance of as much or more.

    Examples
    --------
    >>> q, chance = apart(np.array([1.0, 4.0]), np.diag([1.0, 1.25]))
    >>> print(f"{q:.1f} {chance:.4f}")  # two values 2 standard uncertainties of their difference apart
    4.0 0.0455
    """
    from scipy.special import chdtrc

    # differences to the first one: what all have in common drops out before anything is inverted
    steps = np.asarray(values[1:] - values[0])
    spread = covariance[1:, 1:] - covariance[1:, :1] - covariance[:1, 1:] + covariance[0, 0]
    q = float(steps @ np.linalg.solve(spread, steps))
    return q, float(chdtrc(steps.size, q))


def refits_apart(
    best: Candidate, visits: Sequence[Visit], parts: Sequence[Sequence[ConditionedVisit]]
) -> None:
    """Ask the joint fit itself whether the refits that it needs are those that the rigs state.

    This tells what no visit could tell by itself, as readings that give one equation in preload and bias, and
    two benches of one run sheet. The refits' best values, squared and added up, stay below what χ² with one
    degree of freedom less than there are visits would have them.

    Raises
    ------
    FitError
        They are not.
    """
    from scipy.special import chdtrc

    sheets = [visit.run_sheet_path for visit, mine in zip(visits, parts, strict=True) for _ in mine]
    rigs = [part.rig.name for mine in parts for part in mine]
    asked: list[tuple[str, str, list[int]]] = []
    for part, stems in best.model.sharing.strengths:
        for place, stem in enumerate(stems):
            here = [
                v
                for v, p in enumerate(best.model.sharing.places)
                if getattr(p, part) == place and f"refit:{part}[{v}]" in best.names
            ]
            if len(here) > 1:
                asked.append((part, stem, here))
    faults = []
    for part, stem, here in asked:
        z = np.array([best.names.value(best.x, f"refit:{part}[{v}]") for v in here])
        if chdtrc(z.size - 1, float(z @ z)) >= OF_THE_REFITS * LEVEL / len(asked):
            continue
        worst = here[int(np.argmax(np.abs(z)))]
        spread = best.model.data.refit_spread[:, 0 if part == "preload" else 1]
        told = ", ".join(
            f"{best.names.value(best.x, stem) * (1.0 + spread[v] * one):.4g} in {sheets[v]} ({rigs[v]})"
            for v, one in zip(here, z.tolist(), strict=True)
        )
        words = "preload torque [N·m]" if part == "preload" else f"ramp bias, {part}, loading"
        faults.append(
            Fault(
                f"what is fitted together contradicts itself, and one number for all would be wrong: {words} "
                f"would have to be {told}, {np.abs(z).max():.1f} times what the rig says of a refit",
                Place(str(sheets[worst])),
                "fit them apart and look for the cause: another state, another arrangement, or a rig's "
                "constants; where a refit to the bench moves more than the rig states, measure it with "
                "'diffbench repeatability'",
            )
        )
    if faults:
        raise FitError(faults)


# ---- each visit by itself ------------------------------------------------------------------------------


def _fitted_alone(
    visits: Sequence[Visit], parts: Sequence[Sequence[ConditionedVisit]], say: Callable[[str], None]
) -> list[_Own]:
    """Each visit fitted by itself; by one law for all, that of the visit that tells it best."""
    owns = [
        _alone(visit, visit.build, mine, say, f"{at} of {len(visits)}")
        for at, (visit, mine) in enumerate(zip(visits, parts, strict=True), start=1)
    ]
    laws = {own.choice.verdict.chosen for own in owns}
    if len(laws) > 1:
        best = max(owns, key=lambda own: max(own.choice.verdict.information.values(), default=0.0))
        law = best.choice.verdict.chosen
        for i, own in enumerate(owns):
            if own.choice.verdict.chosen != law:
                build = own.visit.build
                stated = build.preload.model_copy(update={"law": law})
                build = build.model_copy(update={"preload": stated})
                owns[i] = _alone(own.visit, build, own.parts, say, f"{i + 1} of {len(visits)}")
    return owns


def _alone(
    visit: Visit, build: Build, parts: Sequence[ConditionedVisit], say: Callable[[str], None], which: str
) -> _Own:
    choice = choose(
        Setup.of([build] * len(parts), gather(parts)),
        progress=lambda text: say(f"visit {which} by itself, {text}"),
    )
    left = left_out_of(choice.candidates, allowance_of(parts))
    covariances = [covariance_with(c, found) for c, found in zip(choice.candidates, left, strict=True)]
    return _Own(visit, parts, choice, covariances)


# ---- the questions -------------------------------------------------------------------------------------


def _groups(question: _Question, visits: Sequence[Visit]) -> list[list[int]]:
    """The visits that share a quantity, two or more each."""
    groups: dict[Hashable, list[int]] = {}
    for i, visit in enumerate(visits):
        groups.setdefault(question.key(visit.build), []).append(i)
    return [group for group in groups.values() if len(group) > 1]


def _ask(question: _Question, owns: Sequence[_Own], level: float) -> tuple[float, Fault] | None:
    """The fault of visits that do not have a quantity in common, and its chance; None where they may."""
    told = [answer for own in owns if (answer := _answer(question, own)) is not None]
    if len(told) < 2:
        return None  # no visit, or a single one, tells it: there is nothing to contradict
    values = np.array([value for _, value, _, _ in told])
    common: dict[Hashable, Array] = {}
    for i, (_, _, columns, _) in enumerate(told):
        for key, size in columns.items():
            common.setdefault(key, np.zeros(values.size))[i] = size
    covariance = np.diag([own_variance for *_, own_variance in told])
    covariance += sum((np.outer(c, c) for c in common.values()), np.zeros_like(covariance))
    _, chance = apart(values, covariance)
    if chance >= level:
        return None
    order = np.argsort(values)
    lines = [
        f"{_number(question, own)} in {own.visit.run_sheet_path}"
        for own in (told[i][0] for i in order[::-1].tolist())
    ]
    low, high = int(order[0]), int(order[-1])
    spread = covariance[low, low] + covariance[high, high] - 2.0 * covariance[low, high]
    away = float((values[high] - values[low]) / np.sqrt(spread))
    builds = {own.visit.build.build for own in owns}
    first, last = (told[i][0].visit.run_sheet_path for i in sorted((low, high)))
    fault = Fault(
        f"the visits contradict each other, and one number for all would be wrong: {question.words} is "
        f"{', '.join(lines)}, each by itself; that is {away:.1f} standard uncertainties apart, "
        f"{_yardstick(question, [own for own, *_ in told])}",
        Place(str(told[max(low, high)][0].visit.run_sheet_path)),
        f"hold them against each other: diffbench compare {first} {last}; "
        + (
            "if the unit changed in between, give the later state a build name of its own"
            if len(builds) == 1
            else "builds that are fitted together must be of one unit in one state: fit them apart"
        ),
    )
    return chance, fault


def _yardstick(question: _Question, owns: Sequence[_Own]) -> str:
    stated = [_refit(question, own) for own in owns]
    if None in stated:
        return f"were a refit to the bench to move {100 * UNSTATED:g} %, as the rig does not say"
    sizes = sorted({f"{per_cent(size, 3)} %" for size in stated if size is not None})
    return f"by the rig's repeatability ({' and '.join(sizes)}) and the doubts of each"


def _number(question: _Question, own: _Own) -> str:
    value = question.size(own.choice.best, own.choice.best.x)
    return f"{value:.4g} {question.unit}".strip()


def _answer(question: _Question, own: _Own) -> tuple[_Own, float, Mapping[Hashable, float], float] | None:
    """What a visit by itself says: value, what one standard uncertainty of each error in common does to it,
    and the variance that is its own. None where it rests on what is merely plausible."""
    best, covariance = own.choice.best, own.covariances[0]
    deviation = np.sqrt(np.maximum(np.diag(covariance.total), 0.0))
    value = question.quantity(best, best.x)
    slope = gradient(lambda x: np.array([question.quantity(best, x)]), best, deviation)[0]
    columns: dict[Hashable, float] = {}
    alone = float(slope @ covariance.noise @ slope)
    weak = 0.0
    for source, block in covariance.shares.items():
        for name, size in zip(covariance.origins[source], (slope @ block).tolist(), strict=True):
            weak += size**2 if is_weak(source) else 0.0
            if name.startswith(OF_A_VISIT):
                alone += size**2
            else:
                columns[_key(name, own)] = size
    total = alone + sum(size**2 for size in columns.values())
    if weak > LEANING_SHARE * total and total > LEANING_U**2:
        return None
    for candidate, weight in zip(own.choice.candidates[1:], own.choice.weights[1:], strict=True):
        alone += weight * (question.quantity(candidate, candidate.x) - value) ** 2
    refit = _refit(question, own)
    if refit is None or question.part == "shape":
        # no rig states what a refit does to the shape of friction: no less than to the biases
        alone += (UNSTATED if refit is None else refit) ** 2
    return own, value, columns, alone


def _key(name: str, own: _Own) -> Hashable:
    """What an error goes by: those of a flange and those of a visit tell themselves by their names."""
    return (name, own.bench) if name == "error:temperature" else name


def _refit(question: _Question, own: _Own) -> float | None:
    """What a refit to the bench moves, by the rig; None where it does not say."""
    sizes = [
        part.rig.repeatability.preload_torque
        if question.part == "preload"
        else part.rig.repeatability.ramp_bias
        for part in own.parts
    ]
    stated = [size for size in sizes if size]
    return max(stated) if len(stated) == len(sizes) else None


def _unstated(owns: Sequence[_Own]) -> list[Finding]:
    """A caveat where visits are averaged whose scatter nobody states."""
    rigs = sorted({p.rig.name for own in owns for p in own.parts if not p.rig.repeatability.preload_torque})
    if not rigs:
        return []
    return [
        Finding(
            "repeatability not stated",
            "caveat",
            f"rig {', '.join(rigs)}",
            f"{len(owns)} visits are fitted together, and the rig does not say what a refit moves.",
            "No interval holds it: all are too narrow by as much.",
            "Fit each visit by itself, run 'diffbench repeatability' over the results, and put what it "
            "prints into the rig.",
        )
    ]


def _unknown(name: str) -> Callable[[Candidate, Array], float]:
    return lambda candidate, x: candidate.names.value(x, name)


def _log(name: str) -> Callable[[Candidate, Array], float]:
    return lambda candidate, x: float(np.log(max(candidate.names.value(x, name), 1e-9)))


def _oil_span(data: FitData) -> float:
    """Range of the oil's temperature [K], 0 where it is not on record."""
    oil = data.oil[np.isfinite(data.oil)]
    return float(np.ptp(oil)) if oil.size else 0.0


def _drag(candidate: Candidate, x: Array) -> float:
    """Viscous drag at the highest speed, as a share of the locking torque."""
    data = candidate.model.data
    return candidate.names.value(x, "viscous") * float(
        np.max(data.speed_difference) / max(np.median(data.locking), 1.0)
    )


def _ramp(words: str, name: str, flank: str, part: str = "ramps") -> _Question:
    return _Question(words, "", part, _unknown(name), _log(name), lambda build: ramp_key(build, flank))


def _shape(
    words: str,
    unit: str,
    size: Callable[[Candidate, Array], float],
    effect: Callable[[Candidate, Array], float],
) -> _Question:
    return _Question(words, unit, "shape", size, effect, lambda build: build.unit)


def _of_law(own: LawUnknown, reach: Callable[[float], float]) -> _Question:
    """What a law brings; a visit whose law does not bring it has none."""

    def size(candidate: Candidate, x: Array) -> float:
        return candidate.names.value(x, own.name) if own.name in candidate.names else 0.0

    return _shape(own.label, own.unit.removeprefix("1"), size, lambda c, x: reach(size(c, x)))


_QUESTIONS = (
    _Question(
        "preload torque",
        "N·m",
        "preload",
        _unknown("preload_torque"),
        _log("preload_torque"),
        lambda build: build.build,
    ),
    _ramp("ramp bias, drive, loading", "ramp_bias_drive_loading", "drive"),
    _ramp("ramp bias, coast, loading", "ramp_bias_coast_loading", "coast"),
    _ramp("unloading over loading ramp bias, drive", "unloading_ratio_drive", "drive", "shape"),
    _ramp("unloading over loading ramp bias, coast", "unloading_ratio_coast", "coast", "shape"),
    _shape(
        "friction slope, temperature",
        "1/K",
        _unknown("temperature_coefficient"),
        lambda c, x: c.names.value(x, "temperature_coefficient") * _oil_span(c.model.data),
    ),
    _shape("viscous drag coefficient", "N·m·s/rad", _unknown("viscous"), _drag),
    *(_of_law(own, own.reach) for own in LAW_UNKNOWNS if own.reach is not None),
)
