"""What one unit does, as measured: the frozen result of a fit, and its JSON document.

Results hold no library's types: plain numbers and texts, frozen and versioned. The cells behind them
(``evidence``) are for pictures and not written.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, PrivateAttr, SerializerFunctionWrapHandler, model_serializer, model_validator

from diffbench.definitions import DEFINITIONS, name_of, parts_of
from diffbench.documents.build import PreloadLawName
from diffbench.documents.faults import refusal
from diffbench.doubts import Source
from diffbench.errors import FitError, QuantityError
from diffbench.notebook import ShowsItself
from diffbench.plain_text import per_cent
from diffbench.results.conformity import LIMITED
from diffbench.results.discrepancy import NORMAL_95, DiscrepancyState
from diffbench.results.document import ByName, Document, Frozen, Named

if TYPE_CHECKING:
    import lmfit

    from diffbench.documents import Build
    from diffbench.physics.disc_spring import DiscStack
    from diffbench.physics.friction import FrictionLaw

Array = NDArray[np.float64]

#: ``carried``: measured by hand at another temperature and speed, and brought here over plausible ranges.
Status = Literal["measured", "carried", "stated", "not-determined"]


class Parameter(Frozen):
    """One quantity: value, standard uncertainty, 95 % interval, and where the doubt comes from.

    ``budget`` gives the part of ``u`` from each source; their squares add up to that of ``u``. ``needs`` says
    what would determine a quantity that is not, or not well. ``at_input_torque_Nm`` is there where a quantity
    is of one input torque; ``at_temperature_degC`` and ``at_speed_difference_rad_s`` where it is quoted
    elsewhere than at the reference condition.
    """

    value: float | None
    u: float | None
    low: float | None
    high: float | None
    unit: str
    status: Status
    meaning: str
    needs: str | None = None
    budget: dict[str, float] = Field(default_factory=dict)
    at_input_torque_Nm: float | None = None
    at_temperature_degC: float | None = None
    at_speed_difference_rad_s: float | None = None

    @model_serializer(mode="wrap")
    def _without_a_place_that_is_none(self, written: SerializerFunctionWrapHandler) -> dict[str, Any]:
        """Documents of quantities that have no such place, and their hashes, stay as they were."""
        content: dict[str, Any] = written(self)
        for place in ("at_input_torque_Nm", "at_temperature_degC", "at_speed_difference_rad_s"):
            if content.get(place) is None:
                content.pop(place, None)
        return content


class Correlation(Frozen):
    """Correlation matrix of the fitted quantities, row by row."""

    names: list[str]
    matrix: list[list[float]]

    def of(self, kept: dict[str, str]) -> Correlation:
        """Of some of the quantities, by the names that they are to have."""
        at = [i for i, name in enumerate(self.names) if name in kept]
        return Correlation(
            names=[kept[self.names[i]] for i in at], matrix=[[self.matrix[i][j] for j in at] for i in at]
        )


# Kass & Raftery, J. Am. Stat. Assoc. 90 (1995): twice the log Bayes factor above 10 is "very strong", above 6
# "strong".
DECISIVE = 10.0


class LawVerdict(Frozen):
    """Which preload law, and by what evidence.

    ``information`` is the Bayesian information criterion of each law less the best one's, with correlated
    samples counted at their effective number: above 10 is decisive (Kass & Raftery 1995).
    """

    chosen: PreloadLawName
    status: Literal["measured", "stated", "undecided"]
    information: dict[str, float]
    reason: str

    @property
    def contradicted(self) -> bool:
        """Whether the build sheet states a law that the bench decides against."""
        behind = self.information.get(self.chosen, 0.0) - min(self.information.values(), default=0.0)
        return self.status == "stated" and behind > DECISIVE


class FormState(Frozen):
    """One form of the model as fitted: what the map and comparisons are computed from."""

    law: PreloadLawName
    stribeck_exponent: float | None
    """Of friction over speed, where its law has one."""
    friction_law: str = ""
    """Of friction over speed; empty in older results, where the Stribeck exponent says it."""
    weight: float
    names: list[str]
    logarithms: list[bool]
    values: list[float]
    covariance: list[list[float]]
    shares: dict[str, list[list[float]]]
    discrepancy: DiscrepancyState | None = None
    """What the law leaves out; not in older results."""

    @model_validator(mode="after")
    def _has_friction_law(self) -> Self:
        from diffbench.physics.friction import FRICTION_LAWS

        if self.friction_law not in {"", *FRICTION_LAWS}:
            raise refusal(f"the friction law '{self.friction_law}' is not known", "use a newer diffbench")
        if not self.friction_law and self.stribeck_exponent is None:
            raise refusal("neither friction_law nor stribeck_exponent is there", "make it again")
        return self

    @property
    def friction(self) -> FrictionLaw:
        """The law of friction over speed; older results have the Stribeck exponent alone."""
        from diffbench.physics.friction import FRICTION_LAWS, stribeck

        if self.friction_law:
            return FRICTION_LAWS[self.friction_law]
        assert self.stribeck_exponent is not None  # else the file was refused
        return stribeck(self.stribeck_exponent)

    def place(self, quantity: str, build: str) -> int:
        """Where the unknown of one build stands: its own, else that of all, else the one of several builds
        that share it, which bears the names of these; in older files, of the first. Raises ``FitError``."""
        for name in (name_of(quantity, build), quantity):
            if name in self.names:
                return self.names.index(name)
        shared = [i for i, name in enumerate(self.names) if parts_of(name)[0] == quantity]
        if len(shared) != 1:
            raise _unsaid(quantity, build)
        return shared[0]

    @property
    def blocks(self) -> dict[str, Array]:
        """Columns (p, k) of each source of doubt; what is left of the covariance is of the noise (p, p). One
        build of a joint fit brings its own, since two of them share the noise of one fit."""
        blocks = {source: np.array(columns) for source, columns in self.shares.items()}
        if Source.NOISE not in blocks:
            covariance = np.array(self.covariance)
            rest = covariance - sum((block @ block.T for block in blocks.values()), np.zeros_like(covariance))
            values, vectors = np.linalg.eigh((rest + rest.T) / 2.0)  # symmetric but for rounding
            blocks[Source.NOISE] = np.asarray((vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T)
        return blocks

    def of_build(self, build: str, others: set[str]) -> FormState:
        """The unknowns of one build, by the names of quantities alone."""
        at: dict[str, int] = {}
        for i, name in enumerate(self.names):
            quantity, whose = parts_of(name)
            if whose in ("", build):
                at[quantity] = i
            elif whose not in others:
                at[name] = i
        for quantity in dict.fromkeys(parts_of(name)[0] for name in self.names):
            if quantity not in at:
                at[quantity] = self.place(quantity, build)
        rows = list(at.values())
        return self.model_copy(
            update={
                "names": list(at),
                "logarithms": [self.logarithms[i] for i in rows],
                "values": [self.values[i] for i in rows],
                "covariance": np.array(self.covariance)[np.ix_(rows, rows)].tolist(),
                "shares": {source: block[rows].tolist() for source, block in self.blocks.items()},
                "discrepancy": None if self.discrepancy is None else self.discrepancy.of_unknowns(rows),
            }
        )


def _unsaid(quantity: str, build: str) -> FitError:
    return FitError.single(
        f"the file does not say which {quantity} build '{build}' has",
        mend="it was written by an older version: make it again with diffbench fit",
    )


# By how much settings wobble: within the ranges that were reached, a place so little outside the outline
# counts as tested, and of what was held at one level all that is so near to it.
TORQUE_TOLERANCE = 0.012
SPEED_TOLERANCE = 0.03
TEMPERATURE_TOLERANCE = 1.0  # K
DIGITS = 1e-8  # nodes have nine digits behind the point


class Tested(Frozen):
    """What the bench covered: a convex outline over input torque and speed difference, temperatures, and how
    far down the unloading branch of each flank was seen."""

    outline: list[tuple[float, float]]
    temperature_degC: tuple[float, float]
    drive_unloading_Nm: float
    coast_unloading_Nm: float
    drive_ramp_seen: bool
    coast_ramp_seen: bool

    def covers(self, torque: Array, speed: Array, heat: Array, branch: str) -> NDArray[np.bool_]:
        """Whether places [N·m, rad/s, °C] of one shape lie inside what was swept of a branch.

        That is within the ranges of torque, speed difference and temperature, and inside the outline or by
        so little beside it as settings wobble.
        """
        if len(self.outline) < 1:
            return np.zeros(torque.shape, dtype=bool)
        outline = np.array(self.outline)
        slack = TORQUE_TOLERANCE * max(float(np.ptp(outline[:, 0])), 1.0)
        allowed = np.stack([np.full(torque.shape, slack), np.maximum(SPEED_TOLERANCE * np.abs(speed), 0.02)])
        inside = _in_outline(outline, torque, np.abs(speed), allowed)
        for at, ends in ((np.abs(speed), self.speed_ends), (heat, self.temperature_ends)):
            inside &= (at >= ends[0] - DIGITS) & (at <= ends[1] + DIGITS)
        low, high = self.torque_ends(branch)
        level = slack if np.ptp(outline[:, 0]) <= 2.0 * slack else DIGITS
        inside &= (torque >= low - level) & (torque <= high + level)
        return inside

    def torque_ends(self, branch: str) -> tuple[float, float]:
        """Between which input torques a branch was tested [N·m]."""
        torques = [torque for torque, _ in self.outline] or [0.0]
        low, high = min(*torques, 0.0), max(*torques, 0.0)
        if branch == "loading":
            return low, high
        return max(-self.coast_unloading_Nm, low), min(self.drive_unloading_Nm, high)

    @property
    def speed_ends(self) -> tuple[float, float]:
        """Between which speed differences the unit was tested [rad/s]."""
        speeds = [speed for _, speed in self.outline] or [0.0]
        return _level(min(speeds), max(speeds), 0.7 * SPEED_TOLERANCE * max(speeds))

    @property
    def temperature_ends(self) -> tuple[float, float]:
        """Between which temperatures the unit was tested [°C]."""
        return _level(*self.temperature_degC, TEMPERATURE_TOLERANCE)


def _level(low: float, high: float, wobble: float) -> tuple[float, float]:
    """A range that was swept as it is; what was held at one level with the wobble of a setting around it."""
    return (low, high) if high - low > 2.0 * wobble else (low - wobble, high + wobble)


def _in_outline(outline: Array, torque: Array, speed: Array, allowed: Array) -> NDArray[np.bool_]:
    """Whether points lie in a convex outline, or within ``allowed`` (torque, speed) of it: each is moved by
    its own allowance towards the outline's middle first."""
    if len(outline) < 3:
        # speeds are held to their own range, by less than is allowed here
        low, high = outline[:, 0].min(), outline[:, 0].max()
        return np.asarray((torque >= low - allowed[0]) & (torque <= high + allowed[0]))
    middle = outline.mean(axis=0)
    t = torque + np.clip(middle[0] - torque, -allowed[0], allowed[0])
    s = speed + np.clip(middle[1] - speed, -allowed[1], allowed[1])
    inside = np.ones(torque.shape, dtype=bool)
    for a, b in zip(outline, np.roll(outline, -1, axis=0), strict=True):
        inside &= (b[0] - a[0]) * (s - a[1]) - (b[1] - a[1]) * (t - a[0]) >= -1e-9
    return inside


class FindingRecord(Frozen):
    """A finding as documented."""

    name: str
    severity: Literal["note", "caveat", "stop"]
    where: str
    evidence: str
    effect: str
    mend: str


class Adequacy(Frozen):
    """Whether the residual has structure along an axis: ``ratio`` of the scatter of its bin means to what
    noise explains; ``share`` of the torque difference there that the worst one is off by."""

    axis: str
    ratio: float
    bins: int
    worst: str
    share: float = 0.0


class Diagnostics(Frozen):
    """How the fit went, each verdict on its own."""

    converged: bool
    starts_agree: bool
    at_bound: list[str]
    residuals_clean: bool
    residual_rms_Nm: float
    cells: int
    samples: int
    samples_used: int
    effective_samples: float
    dropped: dict[str, dict[str, int]]
    noise_method: str
    misfit_factor: float
    adequacy: list[Adequacy]
    detectable: float | None = None
    """Departure from the law, as a share of the locking torque, that each of the tests would have shown nine
    times in ten; None where none was asked for, as in older results."""
    unseen: dict[str, float | None] = Field(default_factory=dict)
    """The same of each departure by its name; None for one that would not have shown at any size."""
    bench_errors: dict[str, dict[str, float]]


class SheetCheck(Frozen):
    """Build sheet against bench: two ways to one number, and how many standard uncertainties they are
    apart."""

    quantity: str
    from_bench: float
    from_sheet: float
    unit: str
    standard_uncertainties: float
    readings: str


class LimitVerdict(Frozen):
    """A limit of the build sheet against value and interval."""

    quantity: str
    low: float
    high: float
    unit: str
    verdict: Literal["within", "outside", "not proven"]
    judged: str | None = None
    """The parameter that was judged, where that is not the limited one at the reference condition."""

    @model_serializer(mode="wrap")
    def _without_a_parameter_that_is_none(self, written: SerializerFunctionWrapHandler) -> dict[str, Any]:
        """Documents of limits at the reference condition, and their hashes, stay as they were."""
        content: dict[str, Any] = written(self)
        if content.get("judged") is None:
            content.pop("judged", None)
        return content


class Provenance(Frozen):
    """Where the numbers come from."""

    version: str
    made: str
    inputs: dict[str, str]
    visits: list[str]


class Gain(Frozen):
    """What a further run would do to one quantity: standard uncertainty now, and as predicted then."""

    quantity: str
    unit: str
    u_now: float
    u_then: float


class NextTest(Frozen):
    """A run that would help, and the uncertainties that it would bring down by a fifth or more."""

    run: str
    gains: list[Gain]


class SpringFacts(Frozen):
    """Disc springs of the build sheet: dimensions of one and how the stack is made, and the standard
    uncertainties [m] that the sheet states, by dimension."""

    outer_diameter_m: float
    inner_diameter_m: float
    thickness_m: float
    cone_height_m: float
    parallel: int
    series: int
    u_m: dict[str, float] = Field(default_factory=dict)

    @classmethod
    def of(cls, sheet: Build) -> SpringFacts | None:
        """As a build sheet has them; None where it states none."""
        stated = sheet.preload.disc_spring
        if stated is None:
            return None
        sizes = {
            name: getattr(stated, name)
            for name in ("outer_diameter", "inner_diameter", "thickness", "cone_height")
        }
        return cls(
            **{f"{name}_m": size.value for name, size in sizes.items()},
            parallel=stated.parallel,
            series=stated.series,
            u_m={name: size.u for name, size in sizes.items() if size.u},
        )

    @property
    def stack(self) -> DiscStack:
        """As the formulas of EN 16984 take it."""
        from diffbench.physics.disc_spring import DiscSpring, DiscStack

        disc = DiscSpring(self.outer_diameter_m, self.inner_diameter_m, self.thickness_m, self.cone_height_m)
        return DiscStack(disc, parallel=self.parallel, series=self.series)

    def overloaded_by(self, force: float, u: float) -> str:
        """That these springs cannot carry a force [N], where that is so all through its 95 % interval; else
        an empty text."""
        most = self.stack.most_load
        if not force - NORMAL_95 * u > most:
            return ""
        return f"the disc springs carry {most:.4g} N at most, and the spring force is {force:.4g} N"


class BuildFacts(Frozen):
    """What the map and later comparisons need of the build sheet, in SI.

    Of several builds fitted together each also has the ``folder`` of its own set of results, its ``date``,
    what of it was ``tested``, and how far its map shall reach.
    """

    unit: str
    build: str
    distance_m: float | None
    faces: int
    effective_radius_m: float
    pin_radius_m: float | None
    drive_angle_deg: float | None
    coast_angle_deg: float | None
    shim_m: float | None = None
    shims_in_stock_m: list[float] | None = None
    rings_in_stock_deg: list[list[float]] | None = None
    disc_spring: SpringFacts | None = None
    face_wear_limit_m: float | None = None
    folder: str | None = None
    date: str | None = None
    tested: Tested | None = None
    map_axes: dict[str, tuple[float, float] | None] | None = None

    @property
    def pack(self) -> tuple[int, float]:
        """Faces and effective radius [m]: where they differ, another pack was measured."""
        return self.faces, self.effective_radius_m

    @model_serializer(mode="wrap")
    def _as_before(self, write: SerializerFunctionWrapHandler) -> dict[str, Any]:
        """Without keys that results had not at first: else their hashes would change as they are read."""
        content: dict[str, Any] = write(self)
        for key in ("shims_in_stock_m", "rings_in_stock_deg"):
            if content.get(key) is None:
                content.pop(key, None)
        return content


@dataclass(frozen=True, eq=False)
class Evidence:
    """The cells behind the fit, for pictures: all (c,); torque in N·m, speed in rad/s, temperature in °C,
    time in s. ``run_builds``: the build that each run is of."""

    run: NDArray[np.int64]
    run_names: tuple[str, ...]
    run_kinds: tuple[str, ...]
    time: Array
    input_torque: Array
    speed_difference: Array
    direction: Array
    oil: Array
    plate: Array
    loading: NDArray[np.bool_]
    locking: Array
    model: Array
    sigma: Array
    used: NDArray[np.bool_]
    run_builds: tuple[str, ...] = ()

    def of_build(self, build: str) -> Evidence:
        """The cells of the runs of one build."""
        runs = [i for i, name in enumerate(self.run_builds) if name == build]
        if not runs:
            return self
        here = np.isin(self.run, runs)
        cut = {
            field.name: getattr(self, field.name)[here]
            for field in fields(self)
            if isinstance(getattr(self, field.name), np.ndarray)
        }
        return replace(
            self,
            **{**cut, "run": np.searchsorted(runs, self.run[here]).astype(np.int64)},
            run_names=tuple(self.run_names[i] for i in runs),
            run_kinds=tuple(self.run_kinds[i] for i in runs),
            run_builds=tuple(self.run_builds[i] for i in runs),
        )


class UndeterminedError(QuantityError, ValueError):
    """A number that a result does not have, because its tests do not determine it."""


class Characterisation(Document, ShowsItself):
    """What one unit does. ``parameters`` by name; the rest is how sure that is and why.

    ``sha256`` is of the content (`content_digest`); a file without it was written by an older version.
    """

    file_name: ClassVar[str] = "characterisation.json"
    made_by: ClassVar[str] = "diffbench fit"

    format: Literal["diffbench-characterisation/1"] = "diffbench-characterisation/1"
    unit: str
    build: str
    builds: list[BuildFacts]
    date: str
    reference: dict[str, float]
    law: LawVerdict
    parameters: ByName[Parameter]
    correlation: Correlation
    sheet_checks: list[SheetCheck]
    limits: list[LimitVerdict]
    tested: Tested
    diagnostics: Diagnostics
    findings: list[FindingRecord]
    assumed_exact: list[str]
    next_steps: list[str]
    next_tests: list[NextTest] = Field(default_factory=list)
    forms: list[FormState]
    map_axes: dict[str, tuple[float, float] | None]
    provenance: Provenance
    sha256: str | None = None
    _evidence: Evidence | None = PrivateAttr(default=None)

    @property
    def evidence(self) -> Evidence | None:
        """The cells behind the fit; None when the characterisation was read from a file."""
        return self._evidence

    def with_evidence(self, evidence: Evidence) -> Characterisation:
        """The same characterisation with the cells behind it (not written to files)."""
        other = self.model_copy()
        other._evidence = evidence
        return other

    def value(self, name: str) -> float:
        """Value of a quantity [SI]. Raises ``UnknownNameError`` for a name that it does not have,
        ``UndeterminedError`` where it is not determined."""
        parameter = self.parameters[name]
        if parameter.value is None:
            what = f"{name} is not determined: {parameter.needs}"
            raise UndeterminedError.single(what, mend="test that, and fit again")
        return parameter.value

    def parameter(self, quantity: str, build: str) -> Parameter | None:
        """A quantity of one build, or of all; None where it is not determined."""
        for name in (name_of(quantity, build), quantity):
            found = self.parameters.get(name)
            if found is not None and found.value is not None:
                return found
        return None

    def where_judged(self, quantity: str, build: str) -> Parameter | None:
        """A quantity of one build where its limit is meant, else as `parameter` has it."""
        for limit in self.limits:
            stem, whose = parts_of(limit.quantity)
            found = self.parameters.get(limit.judged or "")
            same = LIMITED.get(stem, stem) == quantity and whose in ("", build)
            if same and found is not None and found.value is not None:
                return found
        return self.parameter(quantity, build)

    def lmfit_parameters(self) -> lmfit.Parameters:
        """What is determined, as lmfit's users have it.

        Values, standard uncertainties as ``stderr`` and correlations as ``correl``; what the sheet states
        does not vary. The interval, which need not be symmetric, and the unit are in ``user_data``: bounds of
        a search it is not. Of several builds, a name bears its build behind a low line.
        """
        import lmfit

        known = {name: item for name, item in self.parameters.items() if item.value is not None}
        made, named = lmfit.Parameters(), dict[str, str]()
        for name, item in known.items():
            # lmfit takes names of Python variables alone
            plain = re.sub(r"\W", "_", name, flags=re.ASCII).rstrip("_")
            while plain in made:
                plain += "_"
            named[name] = plain
            told = {"unit": item.unit, "low": item.low, "high": item.high}
            made[plain] = lmfit.Parameter(plain, item.value, vary=item.status == "measured", user_data=told)
            made[plain].stderr = item.u
        for name, row in zip(self.correlation.names, self.correlation.matrix, strict=True):
            others = zip(self.correlation.names, row, strict=True)
            made[named[name]].correl = {named[other]: r for other, r in others if other != name}
        return made

    def facts_of(self, build: str | None) -> BuildFacts:
        """One build; the only one where none is named. Raises ``FitError`` where several were fitted together
        and none is named, or there is none of that name."""
        builds = [facts.build for facts in self.builds]
        if build is None and len(builds) > 1:
            raise FitError.single(
                f"several builds were fitted together ({', '.join(builds)}), and it is not said which is "
                "meant",
                mend="name the folder of its own result beside that one, or the build",
            )
        if build is not None and build not in builds:
            raise FitError.single(f"there is no build '{build}'", mend=f"name one of {', '.join(builds)}")
        return self.builds[builds.index(build) if build else 0]

    def of_build(self, build: str | None) -> Characterisation:
        """What a joint fit says of one of its builds, under the names of a fit of that build alone.

        Parameters
        ----------
        build : str or None
            Name of the build; None for the only one, and then the result is returned as it is.

        Returns
        -------
        Its quantities and those that all builds share, its limits and what of it was tested; diagnostics,
        findings and provenance are those of the joint fit, on which the numbers rest. The noise of the fit is
        among the shares of the forms, so that two builds of one fit still know of each other.

        Raises
        ------
        FitError
            There is no such build, or there are several and none is named.
        """
        facts = self.facts_of(build)
        build = facts.build
        if len(self.builds) == 1:
            return self
        others = {other.build for other in self.builds} - {build}

        def own(name: str) -> str | None:
            """A quantity's name in the build's own result; None for another build's."""
            quantity, whose = parts_of(name)
            if whose in others:
                return None
            return quantity if whose == build else name

        def mine(items: list[Any]) -> list[Any]:
            return [
                item.model_copy(update={"quantity": name} | _judged_as(item, own))
                for item in items
                if (name := own(item.quantity)) is not None
            ]

        kept = {name: new for name in self.parameters if (new := own(name)) is not None}
        parameters = Named({new: self.parameters[name] for name, new in kept.items()})
        alone = {"folder": None, "date": None, "tested": None, "map_axes": None}
        made = self.model_copy(
            update={
                "build": build,
                "builds": [facts.model_copy(update=alone)],
                "date": facts.date or self.date,
                "parameters": parameters,
                "correlation": self.correlation.of(kept),
                "limits": mine(self.limits),
                "tested": facts.tested or self.tested,
                "next_steps": next_steps(parameters, self.law),
                "next_tests": [
                    test.model_copy(update={"gains": gains})
                    for test in self.next_tests
                    if (gains := mine(test.gains))
                ],
                "forms": [form.of_build(build, others) for form in self.forms],
                "map_axes": facts.map_axes or self.map_axes,
            }
        )
        return made if self.evidence is None else made.with_evidence(self.evidence.of_build(build))

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Key and fault of what the numbers of a well-formed characterisation cannot be."""
        for name, item in self.parameters.items():
            if item.u is not None and item.u < 0.0:
                yield f"parameters.{name}.u", "the uncertainty is negative"
            low = -math.inf if item.low is None else item.low
            high = math.inf if item.high is None else item.high
            if item.value is not None and not low <= item.value <= high:
                yield f"parameters.{name}", "the value is not within its own interval"

    @classmethod
    def published_schema(cls) -> dict[str, Any]:
        """JSON Schema of ``characterisation.json``, with every quantity that there may be."""
        schema = super().published_schema()
        named = {"$ref": "#/$defs/Parameter"}
        schema["properties"]["parameters"]["properties"] = {
            name: {**named, "description": f"{one.described} [{one.unit}]"}
            for name, one in DEFINITIONS.items()
            if one.in_result
        }
        return schema


def _judged_as(item: Any, own: Callable[[str], str | None]) -> dict[str, str | None]:
    """The parameter that a limit was judged by, under the name that it has in a build's own result."""
    judged = getattr(item, "judged", None)
    return {} if judged is None else {"judged": own(judged)}


def load_characterisation(path: str | Path) -> Characterisation:
    """Read ``characterisation.json``, or that of the folder of a result. Raises ``DocumentError`` naming
    file, key and mend where it is not one, or is not as it was written."""
    return Characterisation.load(path)


_MENDS: dict[str, str] = {
    Source.NOISE: "record more cycles",
    Source.TRANSDUCER_GAIN: "calibrate the torque transducers: their gain limits it",
    Source.TRANSDUCER_ZERO: "take a tare run with the unit out: the transducers' zeros limit it",
    Source.TARE: "take a longer tare run before and after",
    Source.FINAL_DRIVE: "measure torque at the case or at both outputs: the final drive's efficiency limits "
    "it",
    Source.REPEATABILITY: "average several refits to the bench: refitting limits it",
    Source.GEAR_FRICTION: "fit other ramps once, or state the gear friction better: ramps and "
    "gears cannot be told apart",
    Source.SPRING_FORCE: "measure the spring force better: it limits the friction coefficient",
    Source.TEMPERATURE: "calibrate the temperature channel, or measure at the plates",
    Source.TEMPERATURE_ALLOWED: "state u_zero of the oil channel, or measure at the plates",
    Source.CROSS_TALK: "load each flange alone and read the other, and state cross_talk",
    Source.CROSS_TALK_ALLOWED: "load each flange alone and read the other, and state cross_talk",
    Source.HYSTERESIS: "calibrate the transducers up and down, and state hysteresis",
    Source.HYSTERESIS_ALLOWED: "calibrate the transducers up and down, and state hysteresis",
    Source.LAG: "determine the channels' lag better, or sweep more slowly",
    Source.INERTIA: "state the inertia better, or change speeds more slowly",
    Source.LEFT_OUT: "sweep at further speeds and temperatures, and the first sweep again at the end: what "
    "the law leaves out limits it",
    Source.FORM: "sweep through low speed differences and to higher torque: the form of the model limits it",
}


_MENDS_BY_HAND: dict[str, str] = {
    Source.NOISE: "take more readings of each kind",
    Source.TRANSDUCER_GAIN: "have the wrench calibrated: its gain limits it",
    Source.TRANSDUCER_ZERO: "check the wrench at no load and with a weight on an arm: its zero limits it",
    Source.TURNING_SPEED: "turn at a steady speed and write it down, a column turning_speed",
    Source.DRAG: "state the drag of the turned shaft better, from a turn with the unit out",
}


def next_steps(parameters: dict[str, Parameter], law: LawVerdict) -> list[str]:
    """What would help most, in order: what is not determined, then what limits the preload and the biases."""
    steps: list[str] = []
    if law.status == "undecided":
        steps.append(law.reason)
    for name, item in parameters.items():
        if item.status == "not-determined" and item.needs:
            steps.append(_need(name, item))
    by_hand = any(parts_of(name)[0] == "preload_torque_as_read" for name in parameters)
    mends = _MENDS | (_MENDS_BY_HAND if by_hand else {})
    for name in (
        "preload_torque_as_read",
        "ramp_bias_drive_as_read",
        "ramp_bias_coast_as_read",
        "preload_torque",
        "ramp_bias_drive_loading",
        "ramp_bias_coast_loading",
        "friction_coefficient",
    ):
        found = next(
            (p for key, p in parameters.items() if parts_of(key)[0] == name and p.status == "measured"), None
        )
        if found is None or not found.budget or not found.u or not found.value:
            continue
        source, size = next(iter(found.budget.items()))
        share = (size / found.u) ** 2
        if share > 0.3 and found.u / abs(found.value) > 0.002 and source in mends:
            steps.append(
                f"{name} (u = {per_cent(found.u / abs(found.value))} %, {100 * share:.0f} % of its "
                f"variance is {source}): {mends[source]}"
            )
    return steps


def further_steps(characterisation: Characterisation) -> list[str]:
    """The next steps of a result without those that say what an undetermined quantity needs."""
    needs = {_need(name, item) for name, item in characterisation.parameters.items() if item.value is None}
    return [step for step in characterisation.next_steps if step not in needs]


def _need(name: str, item: Parameter) -> str:
    return f"{name}: needs {item.needs}"
