"""What a record says of one build, as the judgement of a unit needs it: estimates with the part of their
doubt that is the visit's own, limits, and which bench it was."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from statistics import NormalDist
from typing import Any

from pydantic import ValidationError

from diffbench.answers.joint import Member, member
from diffbench.definitions import name_of, parts_of
from diffbench.documents.build import Build
from diffbench.doubts import OF_A_VISIT, OF_THE_BENCH, Source
from diffbench.fitting.pooling import LEVEL, UNSTATED
from diffbench.results.characterisation import Characterisation, LawVerdict
from diffbench.results.conformity import LIMITED
from diffbench.results.discrepancy import NORMAL_95

#: Findings by which the recordings themselves say that the bench was not as its papers state. Others that go
#: with a result say what was not tested, or where the unit leaves the law.
AGAINST_THE_BENCH = frozenset(
    {
        "torque balance",
        "gain mismatch",
        "zero mismatch",
        "lag mismatch",
        "zero drift",
        "transducer hysteresis",
        "clipped readings",
        "stuck channel",
        "loaded tare",
        "same samples twice",
        "speeds contradict each other",
        "speed implausible",
        "temperature implausible",
        "coast further than drive",
        "bench constant not as stated",
        "readings contradict each other",
    }
)


@dataclass(frozen=True)
class Estimate:
    """One quantity in one record: value, standard uncertainty and 95 % interval; ``u_visit`` the part that is
    new at every visit, ``u_shared`` the rest, and ``u_bench`` what of that is the bench's. ``refits``:
    whether the rig stated what a refit moves; ``carried``: whether it was carried to its condition over
    plausible ranges; ``law_misses``: whether most of its variance is what the law leaves out; ``heat`` [°C]
    and ``speed`` [rad/s] where it was read, of one as read;
    ``budget`` its standard uncertainty by source."""

    value: float
    u: float | None
    low: float | None
    high: float | None
    unit: str
    u_visit: float
    u_shared: float
    u_bench: float
    refits: bool
    carried: bool = False
    law_misses: bool = False
    heat: float | None = None
    speed: float | None = None
    budget: Mapping[str, float] = field(default_factory=dict)

    @property
    def interval(self) -> tuple[float, float] | None:
        """The 95 % interval, where there is one."""
        return None if self.low is None or self.high is None else (self.low, self.high)

    @property
    def scatter(self) -> float:
        """Standard deviation from visit to visit; of a rig that does not state it, a usual one."""
        return self.u_visit if self.refits else math.hypot(self.u_visit, UNSTATED * self.value)


#: What of a build sheet is contradicted where the bench decides against the law that it states.
PRELOAD_LAW = "preload law"
#: Findings by which the build sheet contradicts itself.
AGAINST_THE_SHEET = frozenset({"springs cannot carry the force"})
#: Caveats that speak against every number: a unit or a count is wrong.
AGAINST_ALL = frozenset({"friction implausible"})


@dataclass(frozen=True)
class Limit:
    """A limit of the build sheet, either end of which may be missing."""

    low: float | None
    high: float | None
    unit: str


@dataclass(frozen=True, eq=False)
class Observation:
    """One build in one record. ``at_limits`` are estimates of limited quantities where the limit is meant, if
    that is not at the reference condition; ``recordings`` are the digests of what it rests on, ``bench`` that
    of the rig file; ``made`` when it was fitted; ``pack`` faces and effective radius [m]; ``flaws`` names of
    findings that stop or speak against all, and a fit that did not converge; ``cautions`` names of those that
    go with its numbers; ``contradicted`` what the build sheet states and is farther from the bench, or from
    what else it states, than chance explains; ``sheet`` the build sheet, where the caller has it."""

    record: str
    unit: str
    build: str
    measured_as: str
    date: str
    made: str
    distance_m: float | None
    events: int | None
    shim_m: float | None
    pack: tuple[int, float]
    estimates: Mapping[str, Estimate]
    at_limits: Mapping[str, Estimate]
    limits: Mapping[str, Limit]
    bench: str
    recordings: tuple[str, ...]
    flaws: tuple[str, ...]
    cautions: tuple[str, ...]
    contradicted: tuple[str, ...]
    tested_torque_Nm: tuple[float, float] | None
    tested_speed_rad_s: float | None
    source: Characterisation | Mapping[str, Any]
    sheet: Build | None = None

    @property
    def assembly(self) -> tuple[str, float | None, tuple[int, float]]:
        """What is new after a rebuild; another pack is another build, whatever its name."""
        return self.build, self.shim_m, self.pack

    @property
    def place(self) -> tuple[object, ...]:
        """What visits have in common between which nothing was driven; where no sheet tells, the day."""
        told = self.distance_m is not None or self.events is not None
        return (*self.assembly, self.distance_m, self.events, "" if told else self.date)

    @property
    def order(self) -> tuple[str, float, int, str, str]:
        """Where it stands among the visits of its unit."""
        return self.date, self.distance_m or 0.0, self.events or 0, self.made, self.record

    @cached_property
    def member(self) -> Member | None:
        """The whole result; None of one that holds no form of the model."""
        source = self.source
        if not isinstance(source, Characterisation):
            try:
                source = Characterisation.model_validate(source)
            except ValidationError:
                return None  # by another version: its numbers can be judged, what they are made of cannot
        if not source.forms:
            return None
        return replace(member(source, build=self.measured_as, bench=self.bench), sheet=self.sheet)


def observations(
    source: Characterisation | Member | Observation | Mapping[str, Any],
    *,
    record: str | None = None,
    unit: str | None = None,
    date: str | None = None,
    builds: Mapping[str, tuple[str, float | None, int | None]] | None = None,
) -> Iterator[Observation]:
    """Every build of a record.

    Parameters
    ----------
    source : Characterisation, Member, Observation or mapping
        A result, or its document as it was read from JSON.
    record, unit, date : str or None
        Its name among the records, and what a history says otherwise; those of the result by default.
    builds : mapping or None
        Name now, distance [m] and events of the builds to take, by their name in the result; None for all as
        the result has them.

    Yields
    ------
    One observation a build.
    """
    if isinstance(source, Observation):
        yield source
        return
    whole = source.characterisation if isinstance(source, Member) else source
    parts: dict[str, Any]
    if isinstance(whole, Characterisation):
        keys = {
            "unit",
            "build",
            "date",
            "builds",
            "parameters",
            "limits",
            "findings",
            "tested",
            "diagnostics",
            "sheet_checks",
            "law",
        }
        parts = whole.model_dump(include=keys | {"provenance"})
    else:
        parts = dict(whole)
    for facts in parts["builds"]:
        name = facts["build"]
        if builds is None or name in builds:
            told = (name, facts.get("distance_m"), None) if builds is None else builds[name]
            found = _observation(whole, parts, facts, told)
            yield replace(
                found,
                record=record or found.record,
                unit=unit or found.unit,
                date=date or found.date,
                sheet=source.sheet if isinstance(source, Member) else None,
            )


def _observation(
    whole: Characterisation | Mapping[str, Any],
    parts: Mapping[str, Any],
    facts: Mapping[str, Any],
    told: tuple[str, float | None, int | None],
) -> Observation:
    """One build of a result, by what the result itself says; ``told`` are its name now, distance and
    events."""
    provenance, name = parts["provenance"], facts["build"]
    inputs, made = provenance["inputs"], str(provenance.get("made", ""))
    papers = [d for p, d in inputs.items() if p.endswith(".toml") and p not in set(provenance["visits"])]
    # of what a result has before it is written, too: its own hash it gets with the file
    digest = hashlib.sha256(repr((parts["unit"], parts["build"], made, sorted(inputs.items()))).encode())
    outline = (facts.get("tested") or parts["tested"])["outline"]
    return Observation(
        record=digest.hexdigest()[:12],
        unit=parts["unit"],
        build=told[0],
        measured_as=name,
        date=facts.get("date") or parts["date"],
        made=made,
        distance_m=told[1],
        events=told[2],
        shim_m=facts.get("shim_m"),
        pack=(int(facts["faces"]), float(facts["effective_radius_m"])),
        estimates=_estimates(parts["parameters"], name),
        at_limits=_at_limits(parts["parameters"], parts["limits"], name),
        limits=_limits(parts["limits"], name),
        # a fit names the rig's file before the build sheets
        bench=papers[0] if papers else "",
        recordings=tuple(sorted(d for p, d in inputs.items() if not p.endswith(".toml"))),
        flaws=_flaws(parts),
        cautions=_cautions(parts["findings"]),
        contradicted=_contradicted(parts, name),
        tested_torque_Nm=(min(p[0] for p in outline), max(p[0] for p in outline)) if outline else None,
        tested_speed_rad_s=max((abs(p[1]) for p in outline), default=None),
        source=whole,
    )


def _flaws(parts: Mapping[str, Any]) -> tuple[str, ...]:
    stopped = [
        found["name"]
        for found in parts["findings"]
        if found["severity"] == "stop" or found["name"] in AGAINST_ALL
    ]
    return tuple(stopped if parts["diagnostics"]["converged"] else [*stopped, "not converged"])


def _cautions(findings: Sequence[Mapping[str, Any]]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(str(one["name"]) for one in findings if one["severity"] == "caveat"))


def _contradicted(parts: Mapping[str, Any], build: str) -> tuple[str, ...]:
    """What of a build's sheet is contradicted: of checks against the bench those that chance puts so far
    apart once in a thousand times, all of them together. A distance that is no number counts."""
    checks = [check for check in parts["sheet_checks"] if parts_of(check["quantity"])[1] in ("", build)]
    most = NormalDist().inv_cdf(1.0 - 0.5 * LEVEL / max(len(checks), 1))
    far = [check for check in checks if not abs(check["standard_uncertainties"]) <= most]
    itself = (name for name in _cautions(parts["findings"]) if name in AGAINST_THE_SHEET)
    law = (PRELOAD_LAW,) if LawVerdict.model_validate(parts["law"]).contradicted else ()
    return (*law, *(parts_of(check["quantity"])[0] for check in far), *itself)


def cautions_of(results: Sequence[Characterisation], called: str = "the record") -> list[str]:
    """What whoever uses results is to know of each, a line a result: names of findings that go with its
    numbers."""
    lines = []
    for whole in results:
        names = _cautions([found.model_dump() for found in whole.findings])
        if names:
            where = f"{called} of {whole.date} ({whole.build})"
            lines.append(f"{where} is itself to be read with care: {'; '.join(names)}")
    return list(dict.fromkeys(lines))


def _estimates(parameters: Mapping[str, Mapping[str, Any]], build: str) -> dict[str, Estimate]:
    """Determined quantities of one build by their bare names; its own go before those of all."""
    found: dict[str, Estimate] = {}
    for name, item in parameters.items():
        quantity, whose = parts_of(name)
        own = name_of(quantity, build) in parameters
        if item["value"] is None or whose not in ("", build) or (own and not whose):
            continue
        found[quantity] = _estimate(item)
    return found


def _estimate(item: Mapping[str, Any]) -> Estimate:
    budget = item.get("budget") or {}
    of_visit, of_bench = (
        math.sqrt(math.fsum(float(budget.get(source, 0.0)) ** 2 for source in sources))
        for sources in (OF_A_VISIT, OF_THE_BENCH)
    )
    u = item["u"]
    return Estimate(
        value=float(item["value"]),
        u=u,
        low=item["low"],
        high=item["high"],
        unit=item["unit"],
        u_visit=of_visit,
        u_shared=math.sqrt(max((u or 0.0) ** 2 - of_visit**2, 0.0)),
        u_bench=of_bench,
        refits=bool(budget.get(Source.REPEATABILITY)),
        carried=item.get("status") == "carried",
        law_misses=float(budget.get(Source.LEFT_OUT, 0.0)) ** 2 > 0.5 * (u or 0.0) ** 2 > 0.0,
        heat=item.get("at_temperature_degC"),
        speed=item.get("at_speed_difference_rad_s"),
        budget=budget,
    )


def _at_limits(
    parameters: Mapping[str, Mapping[str, Any]], limits: Sequence[Mapping[str, Any]], build: str
) -> dict[str, Estimate]:
    """Limited quantities of one build where their limits are meant, of those not meant at the reference."""
    found = {}
    for limit in limits:
        stem, whose = parts_of(limit["quantity"])
        item = parameters.get(limit.get("judged") or "")
        if whose in ("", build) and item is not None and item["value"] is not None:
            found[LIMITED.get(stem, stem)] = _estimate(item)
    return found


def judged_elsewhere(who: Member) -> dict[str, Estimate]:
    """Limited quantities of a member's build where their limits are meant, of those not meant at the
    reference."""
    whole = who.characterisation
    limits = [one.model_dump() for one in whole.limits if one.judged is not None]
    names = [str(one["judged"]) for one in limits]
    found = {name: whole.parameters[name].model_dump() for name in names if name in whole.parameters}
    return _at_limits(found, limits, who.facts.build)


def _limits(limits: list[Mapping[str, Any]], build: str) -> dict[str, Limit]:
    """Limits of one build by the parameter that each is about."""
    found = {}
    for limit in limits:
        stem, whose = parts_of(limit["quantity"])
        if whose in ("", build):
            found[LIMITED.get(stem, stem)] = Limit(limit["low"], limit["high"], limit["unit"])
    return found


def mean_of(here: Sequence[Estimate]) -> Estimate:
    """The mean of visits at one place: what a refit moves shrinks with their number, the rest stays. A refit
    that nobody stated is in no interval, and shrinks nothing."""
    count, refits = len(here), all(one.refits for one in here)
    value = sum(one.value for one in here) / count
    own = math.sqrt(sum(one.u_visit**2 for one in here)) / count if refits else here[-1].u_visit
    shared = max(one.u_shared for one in here)
    u = math.hypot(own, shared)
    return replace(
        here[-1],
        value=value,
        u=u,
        low=value - NORMAL_95 * u,
        high=value + NORMAL_95 * u,
        u_visit=own,
        u_shared=shared,
        refits=refits,
    )


#: Readings this near to each other in heat [K], and in speed by this factor, are of one condition: friction
#: moves by some 2 % over them (common practice, no source).
ALIKE_HEAT, ALIKE_SPEED = 5.0, 1.5
#: What a wrench reads of a quantity where no limit is meant elsewhere.
AS_READ = {
    "preload_torque": "preload_torque_as_read",
    "ramp_bias_drive_loading": "ramp_bias_drive_as_read",
    "ramp_bias_coast_loading": "ramp_bias_coast_as_read",
}


@dataclass(frozen=True)
class Followed:
    """One quantity through visits, ``seen`` with an estimate each; ``read``: all as their limits judge them,
    or as read at conditions that are alike, and not carried to the reference."""

    seen: tuple[Observation, ...]
    found: tuple[Estimate, ...]
    read: bool

    def held_to(self, name: str) -> bool:
        """Whether it is these numbers that the newest limit on the quantity is about."""
        return self.read or not any(name in one.at_limits for one in self.seen[-1:])


def followed(seen: Sequence[Observation], name: str) -> Followed:
    """A quantity through visits by numbers of one kind: as judged or as read where all have that at alike
    conditions, else at the reference, where what a carried number has not in common with the others is new at
    its visit."""
    limited = any(name in one.limits for one in seen)
    read = [one.at_limits.get(name) if limited else one.estimates.get(AS_READ.get(name, "")) for one in seen]
    any_of = [a is not None or name in one.estimates for one, a in zip(seen, read, strict=True)]
    there = [one for one in read if one is not None]
    if there and len(there) == sum(any_of) and alike(there):
        kept = tuple(one for one, a in zip(seen, read, strict=True) if a is not None)
        return Followed(kept, tuple(there), True)
    kept = tuple(one for one in seen if name in one.estimates)
    return Followed(kept, _apart_from_carrying([one.estimates[name] for one in kept]), False)


def alike(found: Sequence[Estimate]) -> bool:
    """Whether readings were taken at one condition."""
    heats = [one.heat for one in found if one.heat is not None]
    speeds = [max(abs(one.speed), 1e-3) for one in found if one.speed is not None]
    if len(heats) not in (0, len(found)) or len(speeds) not in (0, len(found)):
        return False
    near = not heats or max(heats) - min(heats) <= ALIKE_HEAT
    return near and (not speeds or max(speeds) <= ALIKE_SPEED * min(speeds))


def _apart_from_carrying(found: Sequence[Estimate]) -> tuple[Estimate, ...]:
    """Estimates whose doubt of carrying beyond the least of them counts as new at their visit."""
    if not any(one.carried for one in found):
        return tuple(found)
    least = min(one.u_shared / abs(one.value) if one.carried and one.value else 0.0 for one in found)
    return tuple(_with_own(one, least * abs(one.value)) if one.carried else one for one in found)


def _with_own(one: Estimate, common: float) -> Estimate:
    common = min(common, one.u_shared)
    own = math.sqrt(one.u_shared**2 - common**2)
    return replace(one, u_visit=math.hypot(one.u_visit, own), u_shared=common)
