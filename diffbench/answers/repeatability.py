"""The bench's repeatability: what refitting a unit moves, from repeats, ready for the rig file (ISO 5725)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar, Literal

import numpy as np

from diffbench.answers.joint import member, one_pack
from diffbench.answers.observation import cautions_of
from diffbench.errors import FitError
from diffbench.results.characterisation import Characterisation
from diffbench.results.document import ByName, Document, Frozen

# Of the difference of two results, 95 %: 1.96 √2, rounded as the standard does.
LIMIT_FACTOR = 2.8


@dataclass(frozen=True)
class Precision:
    """Precision of a quantity.

    Attributes
    ----------
    mean : float
        Mean over all results, in the quantity's unit.
    repeatability : float
        Repeatability standard deviation s_r.
    low, high : float
        95 % interval of s_r.
    limit : float
        Repeatability limit r = 2.8 s_r, which the difference of two results exceeds once in twenty times.
    reproducibility : float or None
        Standard deviation s_R with the scatter between groups; None for one group.
    degrees : int
        Degrees of freedom of s_r.
    """

    mean: float
    repeatability: float
    low: float
    high: float
    limit: float
    reproducibility: float | None
    degrees: int


def precision(groups: Sequence[Sequence[float]]) -> Precision:
    """Repeatability within groups and reproducibility over groups.

    s_r² = Σ (n_i − 1) s_i²/Σ (n_i − 1); s_L² = (s_d² − s_r²)/n̄ (0 where negative); s_R² = s_L² + s_r²;
    r = 2.8 s_r

    Parameters
    ----------
    groups : sequence of sequences of float
        Results of each group (a unit, a build): repeats under the same conditions, in any numbers.

    Returns
    -------
    The precision.

    Raises
    ------
    ValueError
        No group has two results.

    Notes
    -----
    Validity: repeats are independent; the interval of s_r is that of a normal scatter (chi-squared).

    Examples
    --------
    >>> found = precision([[10.0, 10.2, 9.8]])
    >>> print(f"{found.mean:.1f} {found.repeatability:.1f} {found.limit:.2f} {found.degrees}")
    10.0 0.2 0.56 2

    References
    ----------
    ISO 5725-2:1994, 7.4.5 (basic method); ISO 5725-6:1994, 4.1 (limit).
    """
    from scipy.special import chdtri

    arrays = [np.asarray(group, dtype=np.float64) for group in groups if len(group) > 0]
    counts = np.array([a.size for a in arrays])
    degrees = int((counts - 1).sum()) if arrays else 0
    if degrees < 1:
        raise ValueError("repeatability needs two results of one group or more")
    within = sum(float(((a - a.mean()) ** 2).sum()) for a in arrays) / degrees
    mean = float(np.concatenate(arrays).mean())
    reproducibility = None
    if len(arrays) > 1:
        p, total = len(arrays), float(counts.sum())
        means = np.array([a.mean() for a in arrays])
        between = float((counts * (means - mean) ** 2).sum()) / (p - 1)
        size = (total - float((counts**2).sum()) / total) / (p - 1)
        reproducibility = float(np.sqrt(max((between - within) / size, 0.0) + within))
    s = float(np.sqrt(within))
    low = s * float(np.sqrt(degrees / chdtri(degrees, 0.025)))
    high = s * float(np.sqrt(degrees / chdtri(degrees, 0.975)))
    return Precision(mean, s, low, high, LIMIT_FACTOR * s, reproducibility, degrees)


FEWEST_FOR_GRUBBS = 3


def cochran_statistic(variances: Sequence[float]) -> float:
    """Cochran's statistic: the largest variance over the sum of all.

    C = s²_max/Σ s²

    Parameters
    ----------
    variances : sequence of float
        Variances of the groups, of equal numbers of repeats.

    Returns
    -------
    C [-], 0 where all variances are zero.

    Raises
    ------
    ValueError
        There are fewer than two groups, or a variance is negative.

    Examples
    --------
    >>> cochran_statistic([1.0, 2.0, 5.0])
    0.625

    References
    ----------
    ISO 5725-2, Cochran's test.
    """
    values = np.asarray(variances, dtype=np.float64)
    if values.size < 2 or (values < 0.0).any():
        raise ValueError("Cochran's test compares the variances of two groups or more, none negative")
    total = float(values.sum())
    return float(values.max()) / total if total > 0.0 else 0.0


def cochran_critical(groups: int, repeats: int, level: float) -> float:
    """Value that Cochran's statistic exceeds by chance with probability ``level``.

    C_crit = 1/(1 + (p − 1)/F), F the quantile of Fisher's distribution at 1 − level/p for n − 1 and
    (p − 1)(n − 1) degrees of freedom

    Parameters
    ----------
    groups : int
        Groups p, two or more.
    repeats : int
        Repeats n in each, two or more.
    level : float
        For example 0.05 for a straggler, 0.01 for an outlier.

    Returns
    -------
    Critical value [-].

    Examples
    --------
    >>> print(f"{cochran_critical(10, 2, 0.05):.3f}")
    0.602

    References
    ----------
    ISO 5725-2, table of critical values for Cochran's test; the closed form by the bound of Bonferroni.
    """
    from scipy.special import fdtri

    if groups < 2 or repeats < 2:
        raise ValueError("Cochran's test needs two groups of two repeats or more")
    f = float(fdtri(repeats - 1, (groups - 1) * (repeats - 1), 1.0 - level / groups))
    return 1.0 / (1.0 + (groups - 1) / f)


def grubbs_statistic(values: Sequence[float]) -> tuple[float, int]:
    """Grubbs' statistic: the largest distance from the mean in standard deviations.

    G = max |x − mean|/s

    Parameters
    ----------
    values : sequence of float
        Single values, three or more.

    Returns
    -------
    G [-] and the index of the value it is of; 0 where all values are equal.

    Raises
    ------
    ValueError
        There are fewer than three values.

    Examples
    --------
    >>> g, which = grubbs_statistic([10.0, 10.1, 9.9, 12.0])
    >>> print(f"{g:.3f}", which)
    1.495 3

    References
    ----------
    ISO 5725-2, Grubbs' test for one outlying observation.
    """
    x = np.asarray(values, dtype=np.float64)
    if x.size < FEWEST_FOR_GRUBBS:
        raise ValueError("Grubbs' test needs three values or more")
    deviation = np.abs(x - x.mean())
    spread = float(x.std(ddof=1))
    which = int(np.argmax(deviation))
    return (float(deviation[which]) / spread if spread > 0.0 else 0.0), which


def grubbs_critical(count: int, level: float) -> float:
    """Value that Grubbs' statistic, two-sided, exceeds by chance with probability ``level``.

    G_crit = (n − 1)/√n · √(t²/(n − 2 + t²)), t the quantile of Student's distribution at 1 − level/(2 n) for
    n − 2 degrees of freedom

    Parameters
    ----------
    count : int
        Values n, three or more.
    level : float
        For example 0.05 for a straggler, 0.01 for an outlier.

    Returns
    -------
    Critical value [-].

    Examples
    --------
    >>> print(f"{grubbs_critical(10, 0.05):.3f}")
    2.290

    References
    ----------
    ISO 5725-2, table of critical values for Grubbs' test, one outlying observation.
    """
    from scipy.special import stdtrit

    if count < FEWEST_FOR_GRUBBS:
        raise ValueError("Grubbs' test needs three values or more")
    t = float(stdtrit(count - 2, 1.0 - level / (2.0 * count)))
    return (count - 1) / float(np.sqrt(count)) * float(np.sqrt(t**2 / (count - 2 + t**2)))


Finding = Literal["clean", "straggler", "outlier", "not tested"]

STRAGGLER, OUTLIER = 0.05, 0.01
# Quantities by their names in characterisations; spring force stands for preload over ramp bias.
QUANTITIES = (
    "preload_torque",
    "ramp_bias_drive_loading",
    "ramp_bias_drive_unloading",
    "ramp_bias_coast_loading",
    "ramp_bias_coast_unloading",
)
RELATIVE = "preload_over_ramp_bias"
FEW = 6  # repeats below which a standard deviation is known to a factor of two at best


class Outlying(Frozen):
    """A test for outlying repeats: its statistic, critical values at 5 and 1 %, finding, and of what."""

    test: Literal["Grubbs", "Cochran"]
    statistic: float | None
    critical_5: float | None
    critical_1: float | None
    finding: Finding
    which: str | None
    reason: str


class QuantityPrecision(Frozen):
    """Precision of one quantity (ISO 5725-2); ``relative`` is s_r over the mean."""

    unit: str
    values: list[float]
    mean: float
    repeatability: float
    repeatability_low: float
    repeatability_high: float
    limit: float
    relative: float
    reproducibility: float | None
    degrees: int
    tests: list[Outlying]


class Repeatability(Document):
    """Repeatability of a bench from repeats.

    ``rig`` holds the two numbers of the table ``[repeatability]`` of a rig, ``paste`` the table as text.
    """

    file_name: ClassVar[str] = "repeatability.json"
    made_by: ClassVar[str] = "diffbench repeatability"

    format: Literal["diffbench-repeatability/1"] = "diffbench-repeatability/1"
    groups: list[str]
    repeats: list[str]
    quantities: ByName[QuantityPrecision]
    not_determined: dict[str, str]
    rig: dict[str, float]
    paste: str
    findings: list[str]


def repeatability(
    results: Sequence[Characterisation], *, names: Sequence[str] | None = None
) -> Repeatability:
    """Repeatability standard deviation and limit of each quantity, from visits between which the unit was
    taken off the bench.

    Parameters
    ----------
    results : sequence of Characterisation
        One for each refit, each fitted by itself. Results of one unit and build are one group; several
        groups are pooled, and their variances compared.
    names : sequence of str or None
        What each result is called, for findings; the dates by default.

    Returns
    -------
    Precision by quantity, tests for outlying repeats, and the table for the rig file. Nothing is left out of
    it: an outlier is named, and whoever knows its cause leaves the visit out.

    Raises
    ------
    FitError
        No group has two results, a group's distances differ, a result is of several builds, or one recording
        is in two results.

    References
    ----------
    ISO 5725-2:1994, 7.3 (Cochran at 5 and 1 %, then Grubbs) and 7.4.
    """
    labels = list(names) if names is not None else [f"{c.date} ({c.build})" for c in results]
    _check(results, labels)
    groups: dict[str, list[int]] = {}
    for i, result in enumerate(results):
        groups.setdefault(f"{result.unit} {result.build}", []).append(i)
    for name, group in groups.items():
        ways = {results[i].builds[0].distance_m for i in group}
        if len(ways) > 1:
            told = ", ".join(
                f"{'not stated' if way is None else f'{way / 1000.0:g} km'} in {labels[i]}"
                for i in group
                for way in (results[i].builds[0].distance_m,)
            )
            raise FitError.single(
                f"repeats are of one state, and the distance of {name} differs: {told}",
                mend="name refits with nothing driven in between; or state one distance, if that is so",
            )
        one_pack([member(results[i]) for i in group])
    if max((len(group) for group in groups.values()), default=0) < 2:
        raise FitError.single(
            "repeatability needs two visits of one build or more",
            mend="refit the unit to the bench, test it again, and name both run sheets",
        )
    found: dict[str, QuantityPrecision] = {}
    missing: dict[str, str] = {}
    for name in QUANTITIES:
        items = [result.parameters.get(name) for result in results]
        values = [item.value for item in items if item is not None and item.value is not None]
        if len(values) < len(results):
            missing[name] = f"determined in {len(values)} of {len(results)} visits"
            continue
        unit = items[0].unit if items[0] is not None else "1"
        found[name] = _precision(values, unit, groups, labels)
    bias = _bias_values(found)
    if "preload_torque" in found and bias is not None:
        ratio = (np.array(found["preload_torque"].values) / bias).tolist()
        found[RELATIVE] = _precision(ratio, "N·m", groups, labels)
    if not found:
        raise FitError.single(
            "no quantity is determined in every visit: "
            + "; ".join(f"{name} in {why.removeprefix('determined in ')}" for name, why in missing.items()),
            mend="leave out the visits that determine it not, or test the same in each",
        )
    rig = _rig(found)
    return Repeatability(
        groups=list(groups),
        repeats=labels,
        quantities=found,
        not_determined=missing,
        rig=rig,
        paste=_paste(rig, len(results), len(groups)),
        findings=[*_findings(found, len(results), len(groups)), *cautions_of(results)],
    )


def _check(results: Sequence[Characterisation], labels: Sequence[str]) -> None:
    seen: dict[str, int] = {}
    for i, (result, name) in enumerate(zip(results, labels, strict=True)):
        if len(result.builds) > 1:
            raise FitError.single(
                f"{name} is a fit of several builds together", mend="fit each visit by itself"
            )
        papers = {*result.provenance.visits, *(p for p in result.provenance.inputs if p.endswith(".toml"))}
        for path, digest in result.provenance.inputs.items():
            if path in papers:
                continue
            if seen.get(digest, i) != i and "tare" not in path:
                raise FitError.single(
                    f"the recording {path} is in {labels[seen[digest]]} and in {name}: that is no repeat",
                    mend="name every visit once",
                )
            seen[digest] = i


def _precision(
    values: Sequence[float], unit: str, groups: Mapping[str, list[int]], labels: Sequence[str]
) -> QuantityPrecision:
    parts = [[values[i] for i in group] for group in groups.values()]
    result = precision(parts)
    return QuantityPrecision(
        unit=unit,
        values=list(values),
        mean=result.mean,
        repeatability=result.repeatability,
        repeatability_low=result.low,
        repeatability_high=result.high,
        limit=result.limit,
        relative=_relative(parts, result.degrees),
        reproducibility=result.reproducibility,
        degrees=result.degrees,
        tests=[_cochran(parts, list(groups)), _grubbs(parts, groups, labels)],
    )


def _relative(parts: Sequence[Sequence[float]], degrees: int) -> float:
    """Relative repeatability: each group's scatter over its own mean, pooled."""
    squares = sum(((np.array(p) / np.mean(p) - 1.0) ** 2).sum() for p in parts)
    return float(np.sqrt(squares / degrees))


def _finding(statistic: float, at_5: float, at_1: float) -> Finding:
    return "outlier" if statistic > at_1 else "straggler" if statistic > at_5 else "clean"


def _not_tested(test: Literal["Grubbs", "Cochran"], reason: str) -> Outlying:
    return Outlying(
        test=test,
        statistic=None,
        critical_5=None,
        critical_1=None,
        finding="not tested",
        which=None,
        reason=reason,
    )


def _cochran(parts: Sequence[Sequence[float]], groups: Sequence[str]) -> Outlying:
    """Cochran's test on relative variances, where there are groups to compare."""
    sizes = {len(p) for p in parts}
    reason = ""
    if len(parts) < 2:
        reason = "one group only"
    elif min(sizes) < 2:
        reason = "a group has a single result"
    if reason:
        return _not_tested("Cochran", reason)
    variances = [float((np.array(p) / np.mean(p)).var(ddof=1)) for p in parts]
    # unequal numbers: the most frequent one, as the standard allows (7.3.3.2)
    counts = [len(p) for p in parts]
    repeats = max(sizes, key=lambda n: (counts.count(n), n))
    statistic = cochran_statistic(variances)
    at_5, at_1 = (cochran_critical(len(parts), repeats, level) for level in (STRAGGLER, OUTLIER))
    finding = _finding(statistic, at_5, at_1)
    return Outlying(
        test="Cochran",
        statistic=statistic,
        critical_5=at_5,
        critical_1=at_1,
        finding=finding,
        which=None if finding == "clean" else groups[int(np.argmax(variances))],
        reason=f"{len(parts)} groups of {repeats} repeats, variances relative to the means",
    )


def _grubbs(
    parts: Sequence[Sequence[float]], groups: Mapping[str, list[int]], labels: Sequence[str]
) -> Outlying:
    """Grubbs' test within each group; the worst of them is reported."""
    worst: tuple[float, float, float, str] | None = None
    for part, group in zip(parts, groups.values(), strict=True):
        if len(part) < FEWEST_FOR_GRUBBS:
            continue
        statistic, which = grubbs_statistic(part)
        at_5, at_1 = (grubbs_critical(len(part), level) for level in (STRAGGLER, OUTLIER))
        if worst is None or statistic / at_5 > worst[0] / worst[1]:
            worst = (statistic, at_5, at_1, labels[group[which]])
    if worst is None:
        return _not_tested("Grubbs", "no group has three results")
    finding = _finding(*worst[:3])
    return Outlying(
        test="Grubbs",
        statistic=worst[0],
        critical_5=worst[1],
        critical_1=worst[2],
        finding=finding,
        which=None if finding == "clean" else worst[3],
        reason="the result furthest from its group's mean, two-sided",
    )


def _bias_values(found: Mapping[str, QuantityPrecision]) -> np.ndarray[Any, np.dtype[np.float64]] | None:
    """Ramp bias of each visit: the geometric mean of the loading biases that are determined."""
    names = [n for n in ("ramp_bias_drive_loading", "ramp_bias_coast_loading") if n in found]
    if not names:
        return None
    return np.asarray(np.exp(np.mean([np.log(found[n].values) for n in names], axis=0)))


def _rig(found: Mapping[str, QuantityPrecision]) -> dict[str, float]:
    """The rig's two numbers: preload, and the root mean square of both flanks' loading biases."""
    made = {}
    if "preload_torque" in found:
        made["preload_torque"] = found["preload_torque"].relative
    biases = [found[n].relative for n in ("ramp_bias_drive_loading", "ramp_bias_coast_loading") if n in found]
    if biases:
        made["ramp_bias"] = float(np.sqrt(np.mean(np.square(biases))))
    return made


def _paste(rig: Mapping[str, float], visits: int, groups: int) -> str:
    of = f"{visits} visits" + (f" in {groups} groups" if groups > 1 else "")
    lines = [f"[repeatability]              # relative, one standard deviation, from {of} (ISO 5725-2)"]
    lines += [f"{key} = {value:.3g}" for key, value in rig.items()]
    return "\n".join(lines) + "\n"


def _findings(found: Mapping[str, QuantityPrecision], visits: int, groups: int) -> list[str]:
    lines = []
    for name, item in found.items():
        for test in item.tests:
            if test.finding in {"straggler", "outlier"}:
                level = "1 %" if test.finding == "outlier" else "5 %"
                whose = {"Cochran": "Cochran's", "Grubbs": "Grubbs'"}[test.test]
                lines.append(
                    f"{name}: {test.which} is {'an outlier' if test.finding == 'outlier' else 'a straggler'} "
                    f"by {whose} test at {level}; look for the cause before you leave it out"
                )
    degrees = visits - groups
    if degrees < FEW - 1:
        lines.append(
            f"{degrees} degrees of freedom: such a standard deviation is known within a factor of about "
            "two, see its interval; six visits or more serve better"
        )
    return lines
