"""The main job: run sheets in, one characterisation out."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, cast

import numpy as np

from diffbench.conditioning.checks.flanges import WORDS
from diffbench.conditioning.checks.temperature import hot_plates
from diffbench.conditioning.findings import Finding
from diffbench.conditioning.hand import TURNING_SPEEDS
from diffbench.conditioning.run import ConditionedVisit
from diffbench.definitions import name_of, parts_of
from diffbench.documents import Build, Visit, load_visit
from diffbench.documents.visit import readable_runs
from diffbench.errors import DocumentError, Fault, FitError, RecordingError
from diffbench.fitting.adequacy import adequacy, loading_of, misfit_factor
from diffbench.fitting.bench_constants import allowance_of, bench_errors, constants_together
from diffbench.fitting.candidate import SAME, Candidate
from diffbench.fitting.choose import Choice, choose, with_packs_apart
from diffbench.fitting.covariance import Covariance
from diffbench.fitting.data import FitData, gather
from diffbench.fitting.departures import (
    MATTERS,
    departure_findings,
    in_limits,
    may_enter,
    packs_finding,
    settled,
)
from diffbench.fitting.discrepancy import LEAST, Discrepancy, covariance_with, left_out_of
from diffbench.fitting.estimates import Condition, Estimate, direct_estimates, moved_estimates, shim_rates
from diffbench.fitting.hand import (
    NOT_BY_HAND,
    HandCandidate,
    by_hand_alone,
    choose_by_hand,
    condition_as_read,
    contradictions,
    needs_by_hand,
    next_readings,
    reach_of_readings,
    standing_of,
    without_contradicted,
)
from diffbench.fitting.monte_carlo import seed_of
from diffbench.fitting.next_test import next_tests
from diffbench.fitting.parameters import (
    Combined,
    assumed_exact,
    combine_forms,
    correlation,
    not_determined,
    parameter,
    refined,
    switched_off,
    with_exact,
)
from diffbench.fitting.pooling import may_share, refits_apart
from diffbench.fitting.setup import Setup
from diffbench.fitting.sheet_estimates import Split, implausible_friction, overloaded_springs, split
from diffbench.fitting.tested import came_down, excitation_findings, may_be_closed, ramp_seen, tested_region
from diffbench.fitting.visits import condition_visit, once_each, preload_apart, recording_faults
from diffbench.one_thread import one_thread
from diffbench.physics.steady import LAW_UNKNOWNS
from diffbench.plain_text import per_cent
from diffbench.results.characterisation import (
    Adequacy,
    BuildFacts,
    Characterisation,
    Diagnostics,
    Evidence,
    FindingRecord,
    FormState,
    LimitVerdict,
    Parameter,
    Provenance,
    SpringFacts,
    Tested,
    next_steps,
)
from diffbench.results.conformity import LIMITED, decided
from diffbench.results.discrepancy import DiscrepancyState
from diffbench.results.manifest import folder_names

if TYPE_CHECKING:
    from diffbench.documents.build import PreloadLawName


# Ramps may well start fully loaded, and a contact may pass on nothing: no warning is due where these end.
NATURAL_BOUNDS = ("ramp_start", *(own.name for own in LAW_UNKNOWNS if own.ends))
LIKE_PACKS = tuple(WORDS[kind][0] for kind in ("gain", "lag", "hysteresis"))
OPEN_IT = "a sweep to an input torque that clearly overcomes the preload, or the law in the build sheet"
Progress = Callable[[str], None]


@one_thread()
def fit(
    run_sheets: str | Path | Visit | Sequence[str | Path | Visit], *, progress: Progress | None = None
) -> Characterisation:
    """Characterise a unit from one visit to the bench, or from several of one unit, fitted together.

    Parameters
    ----------
    run_sheets : path, Visit, or sequence of them
        Run sheets; or visits made of objects by `Visit.of`: rigs, build sheets, arrays and data frames.
    progress : callable, optional
        Called with a line of text now and then.

    Returns
    -------
    The characterisation, with the cells behind it as ``evidence``.

    Raises
    ------
    DiffbenchError : where a document or a recording cannot serve; it names file, place and mend.
    """
    given = [run_sheets] if isinstance(run_sheets, str | Path | Visit) else list(run_sheets)
    if not given:
        raise FitError.single("no run sheet is given", mend="name at least one run sheet")
    paths = [one.run_sheet_path if isinstance(one, Visit) else one for one in given]
    resolved = [Path(path).resolve() for path in paths]
    twice = sorted(
        {str(path) for path, full in zip(paths, resolved, strict=True) if resolved.count(full) > 1}
    )
    if twice:
        raise FitError.single(
            "the run sheet is named more than once, and would be counted as often",
            file=twice[0],
            mend="name every run sheet once, and give every visit a name of its own",
        )
    say = progress or _silent
    visits = _visits(given)
    _one_unit(visits)
    parts: list[list[ConditionedVisit]] = []
    inputs: dict[str, str] = {}
    faults: dict[Fault, None] = {}
    for visit in visits:
        inputs.update(visit.digests)
        try:
            mine, digests = condition_visit(visit, say)
        except RecordingError as error:
            if len(visits) == 1:
                raise
            faults |= dict.fromkeys(error.faults)
            continue
        inputs.update(digests)
        parts.append(mine)
    if faults:
        raise RecordingError(list(faults))
    once_each(visits, inputs)
    preload_apart(visits, parts)
    noticed = may_share(visits, parts, say)
    return _characterise(visits, parts, noticed, inputs, say)


def _visits(given: Sequence[str | Path | Visit]) -> list[Visit]:
    """The visits; where any paper is faulty, one error with the faults of all papers and recordings."""
    visits: list[Visit] = []
    faults: dict[Fault, None] = {}
    for one in given:
        try:
            visits.append(one if isinstance(one, Visit) else load_visit(one))
        except DocumentError as error:
            faults |= dict.fromkeys(error.faults)
            if not isinstance(one, Visit):
                faults |= dict.fromkeys(recording_faults(readable_runs(one)))
    if faults:
        raise DocumentError(list(faults))
    return visits


def _silent(text: str) -> None:
    """Progress that nobody asked for."""
    del text


def _one_unit(visits: Sequence[Visit]) -> None:
    units = sorted({visit.build.unit for visit in visits})
    if len(units) > 1:
        raise FitError.single(
            f"the run sheets are of different units ({', '.join(units)})",
            file=str(visits[1].run_sheet_path),
            mend="fit builds of one unit together, and each unit by itself",
        )


def _characterise(
    visits: Sequence[Visit],
    parts: Sequence[Sequence[ConditionedVisit]],
    noticed: Sequence[Finding],
    inputs: dict[str, str],
    say: Progress,
) -> Characterisation:
    conditioned = [part for mine in parts for part in mine]
    builds = [visit.build for visit, mine in zip(visits, parts, strict=True) for _ in mine]
    setup = Setup.of(builds, gather(conditioned))
    data, reference = setup.data, setup.reference
    seen = len(data.sources)
    by_hand = by_hand_alone(setup)
    choice = choose_by_hand(setup, progress=say) if by_hand else choose(setup, progress=say)
    best = choice.best
    refits_apart(best, visits, parts)
    say("uncertainty")
    allowance = allowance_of(conditioned)
    left = left_out_of(choice.candidates, allowance)
    departed, terms = departure_findings(best, left[0], allowance)
    if not by_hand and may_enter(terms):
        say("fitting: packs that differ")
        again = with_packs_apart(choice, setup)
        if again is not None:
            beside = left_out_of(again[0].candidates, allowance)
            told, asked = departure_findings(again[0].best, beside[0], allowance)
            if settled(terms, asked):
                (choice, setup), left, departed, terms = again, beside, told, asked
                best, data = choice.best, setup.data
    checked = [] if by_hand else adequacy(best, None if left[0] is None else left[0].cells)
    misfit = max(misfit_factor(checked), 1.0 if left[0] is None else left[0].misfit)
    left = [in_limits(c, found, terms) for c, found in zip(choice.candidates, left, strict=True)]
    # what was alarmed and not resolved is doubt of the unknowns, too
    covariances = [covariance_with(c, found) for c, found in zip(choice.candidates, left, strict=True)]
    departed += packs_finding(best, covariances[0])
    labels, facts, first_visit = _labels(builds)
    torque_range = (float(data.input_torque.min()), float(data.input_torque.max()))
    # from the numbers and not from the files: a recording in another format gives the same draws
    seed = seed_of(run.difference for visit in conditioned for run in visit.runs)
    combined, parameters, splits = _parameters(
        choice, covariances, builds, labels, first_visit, torque_range, seed
    )

    against = contradictions(best)
    contradicted = any(finding.severity == "stop" for finding in against)
    if contradicted:
        parameters = without_contradicted(parameters)

    def tested_in(label: str = "", visits: Sequence[int] | None = None) -> Tested:
        known = {
            flank: any(
                p.status == "measured"
                for name, p in parameters.items()
                if (name if label else parts_of(name)[0]) == f"ramp_bias_{flank}_unloading{label}"
            )
            for flank in ("drive", "coast")
        }
        return tested_region(best, ratio_known=known, temperature_floor=reference.temperature, visits=visits)

    tested = tested_in()
    if len(facts) > 1:
        dates = [str(visit.run_sheet.date) for visit, mine in zip(visits, parts, strict=True) for _ in mine]
        facts = _each_with_its_own(facts, labels, builds, dates, tested_in, best)
    findings = [
        *noticed,
        *(
            finding
            for visit in conditioned
            for finding in visit.findings
            # packs that differ explain it, and nothing of it is taken off
            if len(data.sources) == seen or finding.name not in LIKE_PACKS
        ),
        *excitation_findings(best, tested),
        *constants_together(best),
        *hot_plates(data.read_oil, best.model.plate_temperature(best.x)),
        *_misfit_findings(left[0], checked),
        *departed,
        *against,
        *implausible_friction(
            parameters, [builds[i] for i in first_visit], labels, _torque_units(conditioned)
        ),
        *overloaded_springs([(visit.build, str(visit.build_path)) for visit in visits]),
    ]
    diagnostics = _diagnostics(best, data, conditioned, checked, misfit, covariances[0], terms.unseen)
    assumed = sorted(
        {
            *(note for visit in conditioned for note in visit.notes),
            *assumed_exact(setup),
            *switched_off(allowance_of(conditioned)),
        },
        key=lambda note: note.text,
    )
    parameters = with_exact(parameters, assumed)
    from diffbench._version import __version__

    result = Characterisation(
        unit=builds[0].unit,
        build=builds[0].build if len(facts) == 1 else ", ".join(f.build for f in facts),
        builds=facts,
        date=str(max(visit.run_sheet.date for visit in visits)),
        reference={
            "temperature_degC": reference.temperature,
            "speed_difference_rad_s": reference.speed_difference,
        },
        law=choice.verdict,
        parameters=parameters,
        correlation=correlation(
            {name: item for name, item in combined.items() if parameters[name].status == "measured"},
            covariances[0],
        ),
        sheet_checks=[] if contradicted else list(splits.checks),
        limits=_limit_verdicts([builds[i] for i in first_visit], parameters, labels),
        tested=tested,
        diagnostics=diagnostics,
        findings=[FindingRecord(**vars(finding)) for finding in findings],
        assumed_exact=[note.text for note in assumed],
        next_steps=next_steps(parameters, choice.verdict),
        next_tests=[]
        if contradicted
        else next_readings(best, combined, conditioned)
        if by_hand
        else next_tests(best, combined, conditioned, builds),
        forms=[
            form_state(candidate, weight, covariance, builds, None if found is None else found.state)
            for candidate, weight, covariance, found in zip(
                choice.candidates, choice.weights, covariances, left, strict=True
            )
        ],
        map_axes=_map_axes(builds[0], best),
        provenance=Provenance(
            version=__version__,
            made=dt.datetime.now(tz=dt.UTC).isoformat(timespec="seconds"),
            inputs=inputs,
            visits=[str(visit.run_sheet_path) for visit in visits],
        ),
    )
    return result.with_evidence(evidence_of(best, builds))


def _torque_units(conditioned: Sequence[ConditionedVisit]) -> set[str]:
    """Units that rigs state for their torques."""
    channels = [channel for part in conditioned for channel in part.rig.channel.values()]
    return {c.unit for c in channels if c.unit is not None and c.name.endswith("torque")}


def _each_with_its_own(
    facts: Sequence[BuildFacts],
    labels: Sequence[str],
    builds: Sequence[Build],
    dates: Sequence[str],
    tested_in: Callable[[str, Sequence[int]], Tested],
    best: Candidate,
) -> list[BuildFacts]:
    """Of several builds, what each has of its own; ``builds`` and ``dates`` are by visit."""
    made = []
    for one, label, folder in zip(facts, labels, folder_names([f.build for f in facts]), strict=True):
        mine = [i for i, build in enumerate(builds) if build.build == one.build]
        own = {
            "folder": folder,
            "date": max(dates[i] for i in mine),
            "tested": tested_in(label, mine),
            "map_axes": _map_axes(builds[mine[0]], best),
        }
        made.append(one.model_copy(update=own))
    return made


def _map_axes(build: Build, best: Candidate) -> dict[str, tuple[float, float] | None]:
    """How far a sheet asks the map to reach; of readings by hand alone, else as far as they tell."""
    asked = {
        "input_torque_Nm": build.map.input_torque,
        "speed_difference_rad_s": build.map.speed_difference,
        "temperature_degC": build.map.temperature,
    }
    if not isinstance(best, HandCandidate):
        return asked
    far = reach_of_readings(best)
    return {name: far.get(name) if limits is None else limits for name, limits in asked.items()}


def _labels(builds: Sequence[Build]) -> tuple[list[str], list[BuildFacts], list[int]]:
    """Of each distinct build: suffix of its quantities (none for a single one), facts, first visit."""
    names = list(dict.fromkeys(build.build for build in builds))
    first = [next(i for i, build in enumerate(builds) if build.build == name) for name in names]
    labels = [""] if len(names) == 1 else [name_of("", name) for name in names]

    def degrees(angle: object) -> float | None:
        return None if angle is None else float(np.degrees(angle.value))  # type: ignore[attr-defined]

    facts = [
        BuildFacts(
            unit=b.unit,
            build=b.build,
            distance_m=b.distance,
            faces=b.packs.faces,
            effective_radius_m=b.effective_radius.value,
            pin_radius_m=None if b.ramps.pin_radius is None else b.ramps.pin_radius.value,
            drive_angle_deg=degrees(b.ramps.drive_angle),
            coast_angle_deg=degrees(b.ramps.coast_angle),
            shim_m=None if b.preload.shim is None else b.preload.shim.value,
            shims_in_stock_m=b.preload.shims_in_stock,
            rings_in_stock_deg=b.ramps.rings_in_stock
            and [[math.degrees(angle) for angle in ring] for ring in b.ramps.rings_in_stock],
            disc_spring=SpringFacts.of(b),
            face_wear_limit_m=b.limits.face_wear,
        )
        for b in (builds[i] for i in first)
    ]
    return labels, facts, first


def _parameters(
    choice: Choice,
    covariances: Sequence[Covariance],
    builds: Sequence[Build],
    labels: Sequence[str],
    first_visit: Sequence[int],
    torque_range: tuple[float, float],
    seed: int,
) -> tuple[dict[str, Combined], dict[str, Parameter], Split]:
    dof = choice.best.noise.freedom or max(choice.best.noise.effective - len(choice.best.names), 5.0)
    direct: list[dict[str, Estimate]] = []
    for candidate, covariance in zip(choice.candidates, covariances, strict=True):
        deviation = np.sqrt(np.maximum(np.diag(covariance.total), 0.0))
        found: dict[str, Estimate] = {}
        for visit, label in zip(first_visit, labels, strict=True):
            found.update(
                direct_estimates(candidate, deviation, build=visit, suffix=label, torque_range=torque_range)
            )
            for condition in _conditions(candidate, builds, visit):
                found |= moved_estimates(candidate, deviation, condition, build=visit, suffix=label)
        found.update(shim_rates(found, [builds[i] for i in first_visit], labels))
        direct.append(found)

    combined: dict[str, Combined] = {}
    parameters: dict[str, Parameter] = {}
    # of which one law's ramps may be another's closed contact
    closed = choice.verdict.status != "stated" and may_be_closed(choice.best)
    for name in direct[0]:
        item = combine_forms([found.get(name) for found in direct], choice.weights, covariances, dof)
        assert item is not None
        stated = name == "gear_friction" and choice.best.form.preload.linear
        if name == "gear_friction" and builds[0].gear_friction is None:
            continue  # neither stated nor measured: it is in the list of what counts as exact
        if name == "joint_fraction" and builds[0].preload.joint_fraction is not None:
            stated = True
        combined[name] = item
        parameters[name] = _told(name, item, choice, [found.get(name) for found in direct], stated=stated)
        flank = next((f for f in ("drive", "coast") if name.startswith(f"ramp_bias_{f}")), None)
        followed = "unloading" not in name or flank is None or came_down(choice.best.model.data, flank)
        if flank is not None and (closed or not followed or not ramp_seen(choice.best, flank)):
            estimate, needs = item.estimate, parameters[name].needs or item.estimate.needs
            needs = f"{needs}; {OPEN_IT}" if closed and not isinstance(choice.best, HandCandidate) else needs
            parameters[name] = not_determined(estimate.unit, estimate.meaning, needs)

    reliable = {name: parameters[name].status != "not-determined" for name in combined}
    splits = [
        split(candidate, covariance, [builds[i] for i in first_visit], labels, reliable, first_visit)
        for candidate, covariance in zip(choice.candidates, covariances, strict=True)
    ]
    for name in splits[0].estimates:
        item = combine_forms([s.estimates.get(name) for s in splits], choice.weights, covariances, dof)
        assert item is not None
        combined[name] = item
        parameters[name] = _told(name, item, choice, [s.estimates.get(name) for s in splits])
    parameters |= _not_parted(splits[0], choice)
    for i, label in zip(first_visit, labels, strict=True):
        force = builds[i].preload.spring_force
        if force is not None:
            u = force.u or 0.0
            parameters[f"spring_force{label}"] = Parameter(
                value=force.value,
                u=u,
                low=force.value - 1.96 * u,
                high=force.value + 1.96 * u,
                unit="N",
                status="stated",
                meaning="force of the preload spring as installed, by the build sheet",
                budget={"build sheet": u} if u else {},
            )
    known = ("measured", "carried")
    kept = {name: item for name, item in combined.items() if parameters[name].status in known}
    every = [{**mine, **parts.estimates} for mine, parts in zip(direct, splits, strict=True)]
    for name, item in refined(
        kept, every, choice.candidates, choice.weights, covariances, freedom=dof, seed=seed
    ).items():
        # draws may show more doubt than the first order did
        kept[name], parameters[name] = item, _told(name, item, choice, [mine.get(name) for mine in every])
    return {**combined, **kept}, parameters, splits[0]


def _not_parted(parted: Split, choice: Choice) -> dict[str, Parameter]:
    """What products could not be parted into, each with what it needs."""
    by_hand = isinstance(choice.best, HandCandidate)
    return {
        name: not_determined(
            unit, meaning, needs_by_hand(name, choice.candidates, needs) if by_hand else needs
        )
        for name, (unit, meaning, needs) in parted.undetermined.items()
    }


def _told(
    name: str,
    item: Combined,
    choice: Choice,
    estimates: Sequence[Estimate | None],
    *,
    stated: bool = False,
) -> Parameter:
    """The parameter with its status; of readings by hand, by what they determine before any prior."""
    if stated or not isinstance(choice.best, HandCandidate):
        return parameter(item, stated=stated)
    status = "not-determined" if name in NOT_BY_HAND else standing_of(item, choice.candidates, estimates)
    if status != "not-determined":
        return parameter(item, status=status)
    estimate = item.estimate
    needs = needs_by_hand(name, choice.candidates, estimate.needs)
    return not_determined(estimate.unit, estimate.meaning, needs, at_input_torque=estimate.at_input_torque)


def _conditions(candidate: Candidate, builds: Sequence[Build], visit: int) -> list[Condition]:
    """Where the numbers of a build are quoted beside the reference condition: as they were read by hand, and
    where its sheet's limits are meant."""
    by_hand = isinstance(candidate, HandCandidate)
    same = [i for i, build in enumerate(builds) if build.build == builds[visit].build]
    found = [condition_as_read(candidate, same)] if by_hand else []
    limits, reference = builds[visit].limits, candidate.model.reference
    # what holds at breakaway alone is no limit of a unit that turns
    broke_away = by_hand and found[0].speed_difference == 0.0
    if limits.temperature is None and limits.speed_difference is None and not broke_away:
        return found
    heat, speed = reference.temperature, reference.speed_difference
    if found:
        heat, speed = found[0].temperature, found[0].speed_difference
    heat = heat if limits.temperature is None else limits.temperature
    as_slow = by_hand and limits.speed_difference is None and found[0].by_hand
    if limits.speed_difference is not None:
        speed = limits.speed_difference
    elif broke_away:
        speed = math.sqrt(math.prod(TURNING_SPEEDS))
    words = f"at {heat:.3g} °C and {speed:.2g} rad/s, where its limit is meant"
    return [*found, Condition("at_limit", heat, speed, as_slow, words)]


def _diagnostics(
    best: Candidate,
    data: FitData,
    conditioned: Sequence[ConditionedVisit],
    checked: list[Adequacy],
    misfit: float,
    covariance: Covariance,
    unseen: dict[str, float | None],
) -> Diagnostics:
    runs = [run for visit in conditioned for run in visit.runs]
    costs = np.array(best.starts)
    # an answer that only one search in three finds may not be the best that there is
    agree = bool(np.mean(costs <= costs.min() + SAME) >= 0.5)
    return Diagnostics(
        converged=best.solution.converged,
        starts_agree=agree,
        at_bound=[
            best.names.unknowns[best.names.position[name]].label or name
            for name in best.solution.at_bound
            if not name.startswith(NATURAL_BOUNDS)
        ],
        residuals_clean=misfit == 1.0,
        residual_rms_Nm=float(np.sqrt(np.mean(best.residual[best.used] ** 2))),
        cells=int(best.used.sum()),
        samples=sum(run.samples for run in runs),
        samples_used=int(data.count[best.used].sum()),
        effective_samples=best.noise.effective,
        dropped={
            run.name: {
                **run.dropped,
                **(
                    {"apart from the fit": int(data.count[(data.run == i) & ~best.used].sum())}
                    if (~best.used[data.run == i]).any()
                    else {}
                ),
            }
            for i, run in enumerate(runs)
        },
        noise_method=covariance.method,
        misfit_factor=misfit,
        detectable=max((size for size in unseen.values() if size is not None), default=None),
        unseen=unseen,
        adequacy=checked,
        bench_errors=bench_errors(best, covariance, conditioned),
    )


def _misfit_findings(left: Discrepancy | None, checked: list[Adequacy]) -> list[Finding]:
    if left is None or left.misfit == 1.0:
        factor = misfit_factor(checked)
        return [
            Finding(
                "model misses",
                "caveat" if worst.share > MATTERS else "note",
                f"residual over {worst.axis}",
                f"bin means scatter {worst.ratio:.3g} times more than noise explains, most {worst.worst}, "
                f"{per_cent(worst.share)} % of the torque difference there.",
                "The limits hold what comes back in every cycle, not this.",
                "Look at the residual picture of the report; check lag and plate temperature.",
            )
            for worst in checked
            # however sure, what is within the size that any law may be off by is no misfit
            if factor > 1.0 and worst.ratio == factor and worst.share > LEAST
        ]
    torque, unloading, speed, heat = left.bins.place[left.worst].tolist()
    share, branch = abs(left.relative[left.worst]), "unloading" if unloading > 0.5 else "loading"
    shown = (
        "The map shows what was measured, the law corrected by this, and the law alone beside it; all "
        "numbers and copies of the law are the law's, and wider by what it can do to them."
        if left.state.corrects
        else "The limits of the map are wider there, and all numbers by what it can do to them."
    )
    return [
        Finding(
            "model misses",
            "caveat" if share > MATTERS else "note",
            "residual over torque, speed, temperature and time",
            f"What is the same in every cycle misses the law by {per_cent(left.size)} % of the locking "
            f"torque, most at {torque * left.state.largest_Nm:.4g} N·m {branch}, {np.exp(speed):.2g} rad/s, "
            f"{heat:.3g} °C: {per_cent(left.relative[left.worst], sign=True)} %.",
            shown,
            "Look at the residual picture of the report; check lag, plate temperature and the stated law.",
        )
    ]


def _limit_verdicts(
    builds: Sequence[Build], parameters: dict[str, Parameter], labels: Sequence[str]
) -> list[LimitVerdict]:
    """Limits of each build's sheet: proven within or outside by the 95 % interval, else not proven."""
    words = {"conforming": "within", "not conforming": "outside", "not proven": "not proven"}
    found: list[LimitVerdict] = []
    for build, label in zip(builds, labels, strict=True):
        for name, key in LIMITED.items():
            item, pair = parameters.get(f"{key}{label}"), getattr(build.limits, name)
            if pair is None or item is None:
                continue
            low, high = pair
            judged = next(
                (own for at in ("at_limit", "as_read") if (own := f"{name}_{at}{label}") in parameters), None
            )
            item = item if judged is None else parameters[judged]
            interval = None if item.low is None or item.high is None else (item.low, item.high)
            verdict = words[decided(interval, low, high)]
            found.append(
                LimitVerdict(
                    quantity=f"{name}{label}",
                    low=low,
                    high=high,
                    unit=item.unit,
                    verdict=verdict,
                    judged=judged,
                )
            )
    return found


def form_state(
    candidate: Candidate,
    weight: float,
    covariance: Covariance,
    builds: Sequence[Build],
    left_out: DiscrepancyState | None = None,
) -> FormState:
    """What is kept of a form. What some of the builds share, but not all, is there under each one's name."""
    unknown = candidate.names.unknowns
    kept = {
        u.name: i
        for i, u in enumerate(unknown)
        if not u.name.startswith(
            ("plate_excess", "ramp_start", "relaxation", "turning_speed", "error:", "refit:")
        )
    }
    sharing = candidate.model.sharing
    for build, place in zip(builds, sharing.places, strict=True):
        for names, at in (
            (sharing.drive_biases, place.drive),
            (sharing.coast_biases, place.coast),
            (sharing.drive_ratios, place.drive),
            (sharing.coast_ratios, place.coast),
        ):
            quantity, of_some = parts_of(names[at])
            if of_some:
                kept.setdefault(name_of(quantity, build.build), candidate.names.position[names[at]])
    rows = list(kept.values())
    return FormState(
        law=cast("PreloadLawName", candidate.form.law),
        friction_law=candidate.form.friction.name,
        stribeck_exponent=candidate.form.friction.exponent,
        weight=weight,
        names=list(kept),
        logarithms=[unknown[i].logarithm for i in rows],
        values=[float(candidate.x[i]) for i in rows],
        covariance=covariance.total[np.ix_(rows, rows)].tolist(),
        shares={source: columns[rows].tolist() for source, columns in covariance.shares.items()},
        discrepancy=None if left_out is None else left_out.of_unknowns(rows),
    )


def evidence_of(best: Candidate, builds: Sequence[Build]) -> Evidence:
    """The cells behind a fit, and the build that each run is of."""
    data = best.model.data
    first = np.unique(data.run, return_index=True)[1]
    return Evidence(
        run=data.run,
        run_names=data.run_names,
        run_kinds=data.run_kinds,
        time=data.time,
        input_torque=data.input_torque,
        speed_difference=data.speed_difference,
        direction=data.direction,
        oil=data.oil,
        plate=best.model.plate_temperature(best.x),
        loading=loading_of(best),
        locking=-data.direction * best.model.difference(best.x),
        model=best.model.locking(best.x),
        sigma=best.noise.sigma,
        used=best.used,
        run_builds=tuple(builds[visit].build for visit in data.visit[first].tolist()),
    )
