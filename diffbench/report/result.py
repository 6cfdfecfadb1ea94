"""What a result says: the verdict, the one thing to read; its tables, sentences and limits; the summary."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

from diffbench.answers.conformity import Conformity, conformity
from diffbench.answers.state import gravest, judge_builds
from diffbench.definitions import name_of, parts_of
from diffbench.plain_text import per_cent
from diffbench.report.document import Document, Section, Sentence, Table, Tone, bare, item, items
from diffbench.report.judgement import (
    DOUBTS,
    WORDS,
    judged,
    next_sentence,
    reason_text,
    state_sentences,
    tone_of,
)
from diffbench.report.messages import english
from diffbench.report.rounding import (
    NOT_DETERMINED,
    chance_text,
    interval_text,
    number_text,
    typeset,
    with_unit,
)
from diffbench.report.wording import (
    KEY_QUANTITIES,
    Shown,
    grouped_findings,
    key_names,
    label,
    label_of,
    limit_text,
    names_by_build,
    printable,
    said,
    seen_in,
    share_text,
    shared_names,
    source_text,
)
from diffbench.results.characterisation import (
    Characterisation,
    LimitVerdict,
    Parameter,
    SheetCheck,
    further_steps,
)
from diffbench.results.conformity import LIMITED, SURE, LimitCheck, chance_within
from diffbench.results.state import State

# An axis of a matrix that shows less than that is no news.
WORTH_SHOWING = 0.7
MOST_PAIRS = 12
#: Of the bench's constants, by the first word of their names; gains, ratios and efficiencies have none.
UNITS = {
    "gain": "",
    "zero": "N·m",
    "tare": "N·m",
    "drag": "N·m",
    "drift": "N·m",
    "hysteresis": "N·m",
    "lag": "s",
    "inertia": "kg·m²",
    "ratio": "",
    "efficiency": "",
}
# Two standard uncertainties: once in twenty times by chance alone.
DISAGREEMENT = 2.0
# Share of the locking torque that a test of the law must be able to see before its silence says anything: as
# SAE J3011 has a rig's torque.
MATTERS = 0.005
MOST_UNSEEN = 3  # departures that the verdict names
# Notes under which nobody may say that nothing speaks against the numbers.
SPEAKS_AGAINST = frozenset({"time not told from temperature"})
#: Reasons of a state that a limit's own sentence tells with more of its numbers.
BY_LIMITS = ("within-limits", "beyond-limit", "limit-close", "limit-not-proven", "not-determined")
RUNS_THAT_HELP = "Which run would help most: standard uncertainty now, to what is predicted"
GAINS_SHOWN = 4
DIGITS = 16
MICROMETRES = 1e6
_LIMITS = ("", "value (95 %)", "limits", "acceptance", "guard band", "outcome")


def _table(
    caption: str,
    head: Sequence[str],
    rows: Sequence[Sequence[str]],
    numbers: Sequence[int] = (),
    *,
    literal: bool = False,
) -> Table:
    """A table whose numbers are typeset and whose texts can neither steer nor flood the page."""
    safe = [[printable(cell) for cell in row] for row in rows]
    set_rows = tuple(tuple(typeset(c) if i in numbers else c for i, c in enumerate(row)) for row in safe)
    return Table(caption, tuple(head), set_rows, tuple(numbers), literal)


def key_table(characterisation: Characterisation) -> Table:
    """Key numbers: value with standard uncertainty, 95 % interval, largest source of doubt."""
    return _quantities(characterisation, key_names(characterisation)[0], "Key numbers")


def other_table(characterisation: Characterisation) -> Table:
    """All other quantities, as the key numbers."""
    return _quantities(characterisation, key_names(characterisation)[1], "Friction, oil and heat behind them")


def _quantities(characterisation: Characterisation, names: Sequence[str], caption: str) -> Table:
    rows = []
    for name in names:
        parameter = characterisation.parameters[name]
        seen = seen_in(characterisation, name)
        needs = f"needs {said(characterisation, parameter.needs or 'more data')}"
        rows.append(
            (
                typeset(seen.label),
                seen.full,
                seen.interval or "none",
                seen.doubt if seen.determined else needs,
            )
        )
    head = ("Quantity", "Value ± standard uncertainty", "95 % interval", "Largest doubt, share of variance")
    return _table(caption, head, rows, (1, 2))


def limit_table(characterisation: Characterisation) -> Table | None:
    """Limits of the build sheet and what was found."""
    rows = []
    checks = conformity(characterisation).limits
    for limit, check in zip(characterisation.limits, checks, strict=True):
        key = _limited_name(characterisation, limit.quantity)
        found = seen_in(characterisation, key) if key in characterisation.parameters else None
        low, high = number_text(limit.low), with_unit(number_text(limit.high), limit.unit)
        value, interval = (
            ("not determined", "none") if found is None else (found.full, found.interval or "none")
        )
        zone, guard, outcome = _limit_cells(check)[3:]
        rows.append((label(limit.quantity), f"{low} to {high}", value, interval, zone, guard, outcome))
    head = (
        "Quantity",
        "Limits",
        "Value ± standard uncertainty",
        "95 % interval",
        "Zone of acceptance",
        "Guard band",
        "Outcome (ISO 14253-1)",
    )
    return _table("Limits of the build sheet", head, rows, (1, 2, 3, 4, 5)) if rows else None


def budget_table(characterisation: Characterisation) -> Table:
    """Every quantity's budget: which part of its standard uncertainty comes from where."""
    rows = []
    repeated = shared_names(characterisation)
    for name, parameter in characterisation.parameters.items():
        if parameter.value is None or not parameter.u or name in repeated:
            continue
        for source, size in sorted(parameter.budget.items(), key=lambda item: -item[1]):
            share = (size / parameter.u) ** 2
            if share < 1e-4:
                continue
            part = with_unit(number_text(size, size), parameter.unit)
            rows.append(
                (
                    seen_in(characterisation, name).label,
                    source_text(source),
                    part,
                    share_text(size, parameter.u),
                )
            )
    head = ("Quantity", "Source of doubt", "Part of the standard uncertainty", "Share of variance")
    return _table("Uncertainty budget of every quantity", head, rows, (2, 3))


def budget_summary(characterisation: Characterisation) -> Table:
    """The sources that make up nearly all of each key number's variance, in one line each."""
    rows = []
    for name in key_names(characterisation)[0]:
        parameter = characterisation.parameters[name]
        if parameter.value is None:
            continue
        seen = seen_in(characterisation, name)
        ranked = sorted(parameter.budget.items(), key=lambda item: -item[1])
        parts = [
            f"{source_text(source)} {share_text(size, parameter.u)}"
            for source, size in ranked
            if parameter.u and (size / parameter.u) ** 2 >= 0.01
        ]
        rows.append((typeset(seen.label), seen.full, "; ".join(parts) or seen.doubt))
    head = ("Quantity", "Value ± standard uncertainty", "Where the variance comes from")
    return _table("Uncertainty budget of the key numbers", head, rows, (1,))


def adequacy_table(characterisation: Characterisation) -> Table:
    """Whether the residual has a course along any axis."""
    rows = [
        (
            item.axis,
            number_text(item.ratio, 0.1),
            str(item.bins),
            typeset(item.worst) or "too few cells to say",
        )
        for item in characterisation.diagnostics.adequacy
    ]
    head = ("Residual over", "Scatter of bin means, 1 = noise", "Bins", "Largest")
    return _table("Adequacy of the model", head, rows, (1, 2))


def bench_error_table(characterisation: Characterisation) -> Table | None:
    """What the sweeps say about the bench's own constants."""
    rows = [
        (
            name.replace("_", " "),
            " ".join((number_text(item["stated_u"], item["stated_u"]), _unit_of(name))).rstrip(),
            f"{number_text(item['standard_uncertainties'], 0.1)} ± {number_text(item['u'], 0.1)}",
        )
        for name, item in characterisation.diagnostics.bench_errors.items()
    ]
    head = (
        "Constant of the bench",
        "Stated standard uncertainty",
        "Error found, in stated standard uncertainties",
    )
    return _table("Bench errors as the sweeps see them", head, rows, (1, 2)) if rows else None


def _unit_of(constant: str) -> str:
    return UNITS.get(constant.partition(" ")[0], "")


def sheet_table(characterisation: Characterisation) -> Table | None:
    """Build sheet against bench."""
    rows = []
    for check in characterisation.sheet_checks:
        numbers, agreement = check_text(check)
        if disagrees(check):
            agreement += f"; {said(characterisation, check.readings)}"
        rows.append((said(characterisation, check.quantity), typeset(numbers), agreement))
    head = ("Quantity", "Bench and sheet", "Verdict")
    return _table("Build sheet against bench", head, rows, (1,)) if rows else None


def dropped_table(characterisation: Characterisation) -> Table | None:
    """Samples that the fit does not use, by recording and reason."""
    rows = [
        (run, reason, str(count))
        for run, reasons in characterisation.diagnostics.dropped.items()
        for reason, count in reasons.items()
    ]
    head = ("Recording", "Reason", "Samples")
    return _table("Samples not used, and why", head, rows, (2,), literal=True) if rows else None


def correlation_table(characterisation: Characterisation) -> Table | None:
    """The pairs of quantities that the data tell apart least."""
    names, matrix = characterisation.correlation.names, characterisation.correlation.matrix
    pairs = [
        (abs(matrix[i][j]), label(names[i]), label(names[j]), number_text(matrix[i][j], 0.01))
        for i in range(len(names))
        for j in range(i)
    ]
    pairs = sorted((p for p in pairs if p[0] >= WORTH_SHOWING), reverse=True)[:MOST_PAIRS]
    if not pairs:
        return None
    head = ("Quantity", "With", "Correlation")
    return _table("Quantities that go together", head, [pair[1:] for pair in pairs], (2,))


def form_table(characterisation: Characterisation) -> Table:
    """Forms of the model that count, and the evidence for the preload law."""
    rows = [
        (
            f"{form.law}, {form.friction.words}",
            f"{100 * form.weight:.0f} %",
            _behind(characterisation.law.information.get(form.law)),
        )
        for form in characterisation.forms
    ]
    rows += [
        (law, "0 %", _behind(behind))
        for law, behind in characterisation.law.information.items()
        if all(form.law != law for form in characterisation.forms)
    ]
    head = ("Form of the model", "Weight", "Bayesian information behind the best law")
    return _table("Forms of the model", head, rows, (1, 2))


def _behind(information: float | None) -> str:
    """In the words of the verdict: of a law that is hopeless, which is not searched to the end, digits mean
    nothing."""
    return "more than 1000" if information is not None and information >= 1000.0 else number_text(information)


def input_table(characterisation: Characterisation) -> Table:
    """Every file that went in, by its digest."""
    rows = list(characterisation.provenance.inputs.items())
    return _table("Files that went in", ("File", "SHA-256"), rows, literal=True)


@dataclass(frozen=True)
class Verdict:
    """The ``words`` of the state and the ``tone`` that sets them off, its reasons with one sentence a limit,
    and why to read the numbers with care."""

    words: str
    tone: Tone
    sentences: tuple[str, ...]
    cautions: tuple[str, ...]
    detectable: float | None = None
    """Departure from the law that the tests would have shown, as a share of the locking torque."""
    unseen: Mapping[str, float | None] = field(default_factory=dict)
    """The same of each departure that may matter unseen."""

    @property
    def trust(self) -> str:
        """Whether the fit can be relied on, in one sentence."""
        if not self.cautions:
            if self.detectable is None:
                return "Nothing found speaks against these numbers; the law itself was not tested."
            if self.unseen:
                sizes = sorted(self.unseen.items(), key=lambda item: -(item[1] or math.inf))
                words = [
                    name if size is None else f"{name} below {per_cent(size, 1)} %" for name, size in sizes
                ]
                more = f", and {len(words) - MOST_UNSEEN} more" if len(words) > MOST_UNSEEN else ""
                return (
                    "Nothing found speaks against these numbers; what would not have shown: "
                    f"{', '.join(words[:MOST_UNSEEN])}{more}."
                )
            if self.detectable > MATTERS:
                return (
                    "Nothing found speaks against these numbers, but a departure from the law of less than "
                    f"{per_cent(self.detectable, 1)} % of the locking torque would not have shown."
                )
            return "Nothing in the data or the fit speaks against these numbers."
        return "Read with care: " + "; ".join(self.cautions) + "."


def verdict(characterisation: Characterisation, state: State | None = None) -> Verdict:
    """The state in a headline, as every command has it, and whether the fit can be relied on.

    ``state`` is how the unit stands; by this result alone unless it is given, of several builds the one that
    stands worst. Limits are held or broken by the decision rule of ISO 14253-1: only where the whole 95 %
    interval is on one side.
    """
    state = state or gravest(judge_builds([characterisation]))
    sentences = (*_why(characterisation, state), *_limit_lines(characterisation))
    if not characterisation.limits:
        sentences += ("The build sheet states no limits: the numbers stand for themselves.",)
    cautions, diagnostics = tuple(_cautions(characterisation)), characterisation.diagnostics
    unseen = {name: size for name, size in diagnostics.unseen.items() if size is None or size > MATTERS}
    return Verdict(WORDS[state.state], tone_of(state), sentences, cautions, diagnostics.detectable, unseen)


def _why(characterisation: Characterisation, state: State) -> Iterator[str]:
    """The reason that decides, where no limit's own sentence tells it."""
    reason = state.reason
    told = {parts_of(limit.quantity) for limit in characterisation.limits}
    # a limit that names no build is of the first
    of = {state.build, ""} if state.build == characterisation.builds[0].build else {state.build}
    by_limits = reason.kind in BY_LIMITS and reason.at is None
    if not (
        (by_limits and any((reason.quantity, build) in told for build in of))
        or reason.kind in ("no-limits", *DOUBTS)  # told beside the numbers
    ):
        name = f"{printable(state.build, limit=60)}: " if len(characterisation.builds) > 1 else ""
        yield name + " ".join(reason_text(reason, english))


def _limit_lines(characterisation: Characterisation) -> Iterator[str]:
    """One sentence for each limit of the build sheet."""
    for limit in characterisation.limits:
        key = _limited_name(characterisation, limit.quantity)
        item = characterisation.parameters.get(key)
        allowed = limit_text(limit.low, limit.high, limit.unit)
        name = label_of(parts_of(limit.quantity)[0], parts_of(key)[1])
        if item is None or item.value is None:
            yield f"{name} is not determined: whether it holds {allowed} is open"
            continue
        value = with_unit(number_text(item.value, item.u), item.unit)
        interval = interval_text(item.low, item.high, item.u)
        number = f"{name} {value} (95 %: {interval})"
        elsewhere = _elsewhere(characterisation, limit.quantity, key)
        if item.at_temperature_degC is not None:
            number = f"{name} {value} at {_place_text(item)} (95 %: {interval})"
        if limit.verdict == "within":
            yield f"{number} is within {allowed}{elsewhere}"
        elif limit.verdict == "outside":
            side = "below" if item.value < limit.low else "above"
            yield f"{number} is {side} {allowed}{elsewhere}"
        elif (chance := _chance(item, limit)) >= SURE:
            yield (
                f"{number} is inside {allowed} with a chance of {chance_text(chance)}: likely, but not "
                f"proven, as its interval reaches beyond{elsewhere}"
            )
        else:
            inside = limit.low <= item.value <= limit.high
            yield (
                f"{number} lies {'inside' if inside else 'outside'} {allowed}, but its interval reaches "
                f"{'beyond' if inside else 'into'} it: neither is proven{elsewhere}"
            )


def _chance(item: Parameter, limit: LimitVerdict) -> float:
    """The chance that a quantity holds its limit, as the state has it."""
    if item.value is None or item.low is None or item.high is None:
        return 0.0
    return chance_within(item.value, (item.low, item.high), limit.low, limit.high)


def _place_text(item: Parameter) -> str:
    """Temperature and speed at which a quantity is quoted."""
    return f"{item.at_temperature_degC:.3g} °C and {item.at_speed_difference_rad_s:.2g} rad/s"


def _elsewhere(characterisation: Characterisation, limit: str, judged: str) -> str:
    """What a quantity that was judged elsewhere would be at the reference condition."""
    stem, build = parts_of(limit)
    item = characterisation.parameters.get(name_of(LIMITED.get(stem, stem), build))
    if item is None or item.value is None or judged == name_of(LIMITED.get(stem, stem), build):
        return ""
    reference = characterisation.reference
    value = with_unit(number_text(item.value, item.u), item.unit)
    return (
        f"; at {reference['temperature_degC']:g} °C and {reference['speed_difference_rad_s']:g} rad/s it "
        f"would be {value} (95 %: {interval_text(item.low, item.high, item.u)})"
    )


def _limited_name(characterisation: Characterisation, quantity: str) -> str:
    """Name of the parameter that a limit is about: of the build that it names, else of the first; the
    loading one of a ramp bias."""
    judged = next((one.judged for one in characterisation.limits if one.quantity == quantity), None)
    if judged is not None and judged in characterisation.parameters:
        return judged
    stem, build = parts_of(quantity)
    fitting = (
        name
        for (own, of), name in names_by_build(characterisation).items()
        if own in {stem, f"{stem}_loading"} and build in {"", of}
    )
    return next(fitting, quantity)


def _bound(name: str) -> str:
    """An unknown in words; results of earlier versions hold the program's own key of a bench constant.

    >>> _bound("error:6b53:left_torque.gain"), _bound("joint_fraction")
    ('gain of left torque', 'joint fraction')
    """
    if not name.startswith("error:"):
        return label(name)
    channel, _, constant = name.rpartition(":")[2].partition(".")
    return label(f"{constant} of {channel}" if constant else channel)


def _cautions(characterisation: Characterisation) -> list[str]:
    found: list[str] = []
    diagnostics = characterisation.diagnostics
    if not diagnostics.converged:
        found.append("the search did not converge, so the numbers are provisional")
    if not diagnostics.starts_agree:
        found.append("searches from different starts ended at different answers")
    if diagnostics.at_bound:
        found.append(
            "ended on a bound of what is plausible: " + ", ".join(_bound(n) for n in diagnostics.at_bound)
        )
    misses = [f.severity for f in characterisation.findings if f.name == "model misses"]
    if not diagnostics.residuals_clean and set(misses) != {"note"}:
        found.append(
            "the residual has structure that noise does not explain, and the limits are wider where the law "
            "misses"
        )
    if characterisation.law.status == "undecided":
        found.append("the preload law is undecided")
    if characterisation.law.contradicted:
        by_what = "readings" if read_by_hand(characterisation) else "sweeps"
        found.append(f"the {by_what} speak against the preload law of the build sheet")
    found += [
        "build sheet and bench disagree on " + said(characterisation, check.quantity, limit=120)
        for check in characterisation.sheet_checks
        if disagrees(check)
    ]
    open_keys = [
        label(name)
        for name, item in characterisation.parameters.items()
        if item.value is None and parts_of(name)[0] in KEY_QUANTITIES
    ]
    if open_keys:
        found.append(
            f"{len(open_keys)} of the key numbers {'is' if len(open_keys) == 1 else 'are'} not determined"
        )
    if any(item.status == "carried" for item in characterisation.parameters.values()):
        found.append("what is not quoted as read is carried to there over plausible ranges")
    found += [
        printable(f.name, limit=80)
        for f in characterisation.findings
        if f.severity != "note" or f.name in SPEAKS_AGAINST
    ]
    return found


def disagrees(check: SheetCheck) -> bool:
    """Whether build sheet and bench are further apart than chance explains."""
    return not abs(check.standard_uncertainties) <= DISAGREEMENT


def check_text(check: SheetCheck) -> tuple[str, str]:
    """Both numbers of a check, and what their distance says."""
    apart = abs(check.standard_uncertainties)
    gap = abs(check.from_bench - check.from_sheet)
    # the combined standard uncertainty, from the distance that was found
    u = gap / apart if apart > 0 and gap > 0 else None
    sheet = with_unit(number_text(check.from_sheet, u), check.unit)
    numbers = f"bench {number_text(check.from_bench, u)}, sheet {sheet}"
    how = f"{apart:.1f} standard uncertainties apart"
    return numbers, f"disagree, {how}" if disagrees(check) else f"agree, {how}"


def law_text(characterisation: Characterisation) -> str:
    """Which preload law, and by what evidence."""
    law = characterisation.law
    by_what = "readings" if read_by_hand(characterisation) else "sweeps"
    head = {
        "measured": f"{law.chosen}, decided by the {by_what}",
        "stated": f"{law.chosen}, stated by the build sheet",
        "undecided": f"undecided ({law.chosen} fits best so far)",
    }[law.status]
    return f"{head}: {printable(law.reason)}"


def read_by_hand(characterisation: Characterisation) -> bool:
    """Whether all numbers come from readings by hand."""
    return any(parts_of(name)[0] == "preload_torque_as_read" for name in characterisation.parameters)


def coverage_text(characterisation: Characterisation) -> str:
    """What the bench covered, rounded so that nothing else is called tested."""
    tested = characterisation.tested
    if not tested.outline:
        if read_by_hand(characterisation):
            return "readings by hand, no sweep under slip: the map is carried from them, none of it tested"
        return "no sweep under slip: nothing of the map is tested"
    torque = [point[0] for point in tested.outline]
    left, right = _inward(min(torque), max(torque))
    slow, fast = tested.speed_ends
    cold, hot = _inward(*tested.temperature_ends)
    drive, coast = (_inward(0.0, end)[1] for end in (tested.drive_unloading_Nm, tested.coast_unloading_Nm))
    slowest = number_text(_inward(slow, fast, 10.0 * slow)[0], 0.1)
    fastest = number_text(_inward(slow, fast, fast)[1], 1.0)
    return (
        f"{left:g} to {right:g} N·m input torque, {slowest} to {fastest} rad/s speed difference, {cold:g} to "
        f"{hot:g} °C; unloading seen up to {drive:g} N·m in drive and {coast:g} N·m in coast"
    )


def _inward(low: float, high: float, size: float = 100.0) -> tuple[float, float]:
    """Ends rounded inwards to three digits of a size; to four where nothing would be left between them."""
    ends = low, high
    for digits in (2, 3):
        step = 10.0 ** (math.floor(math.log10(max(size, 1e-3))) - digits)
        ends = math.ceil(low / step - 1e-9) * step, math.floor(high / step + 1e-9) * step
        if ends[0] <= ends[1]:
            break
    return ends


def unit_line(characterisation: Characterisation) -> str:
    """Which unit and build, made safe to print."""
    unit, build = printable(characterisation.unit, limit=40), printable(characterisation.build, limit=60)
    return f"Unit {unit}, build {build}"


def needs_text(characterisation: Characterisation) -> list[tuple[str, list[str]]]:
    """What would determine what is not determined: each need once, with the quantities that wait for it."""
    waiting: dict[str, list[str]] = {}
    repeated = shared_names(characterisation)
    for name, parameter in characterisation.parameters.items():
        if parameter.value is None and name not in repeated:
            needs = said(characterisation, parameter.needs or "more data")
            waiting.setdefault(needs, []).append(seen_in(characterisation, name).label)
    return list(waiting.items())


def next_tests_text(characterisation: Characterisation) -> list[str]:
    """Runs that would help, each with the standard uncertainties that it would bring down most, now and
    then."""
    lines = []
    for test in characterisation.next_tests:
        gains = sorted(test.gains, key=lambda gain: gain.u_then / gain.u_now)[:GAINS_SHOWN]
        parts = []
        for gain in gains:
            now, then = (number_text(u, u) for u in (gain.u_now, gain.u_then))
            parts.append(f"{label(gain.quantity)} {now} to {with_unit(then, gain.unit)}")
        more = len(test.gains) - len(gains)
        also = f"; and {more} more" if more else ""
        lines.append(f"{test.run}: {'; '.join(parts)}{also}")
    return lines


def fit_text(characterisation: Characterisation) -> str:
    """How the fit went, in one sentence."""
    diagnostics = characterisation.diagnostics
    return (
        f"{'converged' if diagnostics.converged else 'not converged'}; starts "
        f"{'agree' if diagnostics.starts_agree else 'disagree'}; residual "
        f"{number_text(diagnostics.residual_rms_Nm, 0.1)} N·m rms, "
        f"{'like noise' if diagnostics.residuals_clean else 'with structure'}; {diagnostics.cells} cells "
        f"from {diagnostics.samples_used} of {diagnostics.samples} samples, worth "
        f"{diagnostics.effective_samples:.0f} independent ones; "
        f"noise by {printable(diagnostics.noise_method)}"
    )


def conformity_document(result: Conformity) -> Document:
    """Every limit of a build with its guard bands and the outcome."""
    head = f"Unit {printable(result.unit, limit=40)}, build {printable(result.build, limit=60)}"
    title = Sentence(f"{head}, tested {printable(result.date, limit=20)}")
    over_all = "nothing to conform to" if result.outcome is None else f"{result.outcome} over all"
    sections = (
        Section("", (title, *(() if result.state is None else state_sentences(result.state)))),
        Section("", (limits_table(result.limits),)),
        Section(
            "", (Sentence(f"By {result.rule.partition(':')[0]}: {over_all}."), Sentence(f"{result.rule}."))
        ),
    )
    return Document("Conformity", sections)


def limits_table(limits: Sequence[LimitCheck]) -> Table:
    """One row a limit: quantity, value with interval, limits, zone of acceptance, guard band, outcome; where
    there is no room for columns, each cell says what it is."""
    return Table("Limits", _LIMITS, tuple(_limit_cells(limit) for limit in limits), named=(2, 3, 4))


def _limit_cells(limit: LimitCheck) -> tuple[str, ...]:
    """Cells of one limit."""
    factor, unit = (MICROMETRES, "µm") if limit.unit == "m" else (1.0, limit.unit)

    def scaled(number: float | None) -> float | None:
        return None if number is None else factor * number

    name = label(limit.quantity)
    allowed = _range(scaled(limit.low), scaled(limit.high), None, unit)
    if limit.value is None or limit.guard_low is None or limit.guard_high is None:
        return name, NOT_DETERMINED, allowed, "", "", limit.outcome
    value = factor * limit.value
    below, above = factor * limit.guard_low, factor * limit.guard_high
    u = max(below, above) / 2.0
    found = f"{number_text(value, u)} ({interval_text(value - below, value + above, u)})"
    if not limit.provable:
        zone = "none"
    else:
        zone = _range(scaled(limit.accept_low), scaled(limit.accept_high), u, "")
    guard = number_text(max(below, above), u)
    return name, found, allowed, zone, guard, limit.outcome


def _range(low: float | None, high: float | None, u: float | None, unit: str) -> str:
    if low is None:
        return f"up to {with_unit(number_text(high, u), unit)}"
    if high is None:
        return f"from {with_unit(number_text(low, u), unit)}"
    return with_unit(f"{number_text(low, u)} to {number_text(high, u)}", unit)


def summary(characterisation: Characterisation, *, verbose: bool = False) -> Document:
    """What a person reads at a glance, then what it rests on.

    Parameters
    ----------
    characterisation : Characterisation
        The result.
    verbose : bool
        Whether the budget of every quantity, the checks of the model, the bench errors and the closest
        correlations follow.

    Returns
    -------
    Verdict and key numbers come first, each with its 95 % interval and the largest source of doubt, then
    limits with their guard bands; then preload law, checks, what is not determined, findings, what counts as
    exact, what to do next, and how the fit went.
    """
    words = partial(said, characterisation)
    needs = (f"{'; '.join(names)}: needs {needs}" for needs, names in needs_text(characterisation))
    sections = (
        Section("", _head(characterisation)),
        Section("", tuple(_next(characterisation))),
        _key_numbers(characterisation),
        Section(
            "Limits, with guard bands (ISO 14253-1)", (limits_table(conformity(characterisation).limits),)
        ),
        _more_numbers(characterisation),
        _ground(characterisation),
        items("Not determined, and what would determine it", needs),
        _findings(characterisation),
        items("Counts as exact", map(words, characterisation.assumed_exact)),
        items("What would sharpen the numbers", map(words, further_steps(characterisation))),
        items(RUNS_THAT_HELP, map(words, next_tests_text(characterisation))),
        Section("", (Sentence(fit_text(characterisation), first="Fit: "),)),
        *(_behind_it(characterisation) if verbose else ()),
    )
    return Document(unit_line(characterisation), sections)


def _head(characterisation: Characterisation) -> tuple[Sentence, ...]:
    """Unit and date at the ends of one line, then the state, its word set off."""
    found = verdict(characterisation)
    word = f"{found.words.upper()}  "
    first, *others = found.sentences
    beside = " " * len(word)
    return (
        Sentence(
            unit_line(characterisation),
            aside=f"tested {printable(characterisation.date, limit=20)}",
            tone="title",
        ),
        Sentence(first, first=word, tone=found.tone),
        *(Sentence(text, first=beside) for text in (*others, found.trust)),
    )


def _next(characterisation: Characterisation) -> Iterator[Sentence]:
    """The one thing to do next, with what can hurt in the same line; of several builds for each, beside its
    state."""
    states = judge_builds([characterisation])
    several = len(states) > 1
    for state in states:
        of = f" ({printable(state.build, limit=24)})" if several else ""
        yield next_sentence(judged(state), first=f"NEXT{of}  ", named=several)


def _key_numbers(characterisation: Characterisation) -> Section:
    """Value, 95 % interval and largest source of doubt of each; in a narrow terminal the sources follow
    below."""
    reference = characterisation.reference
    heading = (
        f"Key numbers, at {reference['temperature_degC']:g} °C plate temperature and "
        f"{reference['speed_difference_rad_s']:g} rad/s speed difference"
    )
    named = [(name, seen_in(characterisation, name)) for name in key_names(characterisation)[0]]
    rows = tuple(
        (q.label, with_unit(q.value, q.unit), q.interval, _short(q.doubt))
        if q.determined
        else (q.label, f"{NOT_DETERMINED}, see below", "", "")
        for _, q in named
    )
    head = ("", "value", "95 % interval", "largest doubt, share of u²")
    return Section(heading, (Table("Key numbers", head, rows, point=(1, 2), below=_sources(named)),))


def _sources(named: list[tuple[str, Shown]]) -> tuple[Sentence, ...]:
    """Largest sources of doubt, each with the quantities that it is the largest of; a quantity of several
    builds once, where one source is the largest for all of them."""
    of_stem: dict[str, set[str]] = {}
    for name, quantity in named:
        if quantity.determined:
            of_stem.setdefault(parts_of(name)[0], set()).add(quantity.source)
    sources: dict[str, dict[str, None]] = {}
    for name, quantity in named:
        if quantity.determined:
            stem, build = parts_of(name)
            words = label(stem) if build and len(of_stem[stem]) == 1 else quantity.label
            sources.setdefault(_short(quantity.source), {})[words] = None
    return (
        Sentence("largest source of doubt:", first="  "),
        *(
            Sentence(f"{source}: {'; '.join(names)}", first="    ", rest="      ")
            for source, names in sources.items()
        ),
    )


def _more_numbers(characterisation: Characterisation) -> Section:
    seen = (seen_in(characterisation, name) for name in key_names(characterisation)[1])
    rows = tuple((q.label, q.full, _short(q.doubt)) for q in seen if q.determined)
    heading = "Friction, oil and heat behind them, ± one standard uncertainty"
    return Section(heading, (Table("", (), rows, point=(1,)),))


def _short(source: str) -> str:
    """A source of doubt for a narrow column."""
    return source.replace("(build sheet)", "(sheet)")


def _ground(characterisation: Characterisation) -> Section:
    rows = [("preload law", law_text(characterisation)), ("tested", coverage_text(characterisation))]
    for check in characterisation.sheet_checks:
        numbers, agreement = check_text(check)
        text = f"{said(characterisation, check.quantity)}: {numbers}; {agreement}"
        if disagrees(check):
            text += f"; {said(characterisation, check.readings)}"
        rows.append(("sheet against bench", text))
    return Section("What it rests on", (replace(bare(rows), firsts="once"),))


def _findings(characterisation: Characterisation) -> Section:
    listed = []
    for finding in grouped_findings(characterisation):
        text = f"{finding.name} ({finding.where}): {finding.evidence} {finding.effect} {finding.mend}"
        mark = "-" if finding.severity == "note" else "!"
        listed.append(item(f"{finding.severity}: {said(characterisation, text)}", mark=mark))
    return Section("Findings in the data", tuple(listed))


def _behind_it(characterisation: Characterisation) -> Iterator[Section]:
    """Every budget, the checks of the model, bench errors, closest correlations; the tables of the page."""
    budgets = budget_table(characterisation)
    yield Section(f"{budgets.caption}: part of u, share of u²", (replace(budgets, firsts="above"),))
    files = input_table(characterisation)
    # digests as far as they are compared by eye; in full in the document
    short = replace(files, rows=tuple((name, f"{digest[:DIGITS]}...") for name, digest in files.rows))
    for table in (
        adequacy_table(characterisation),
        bench_error_table(characterisation),
        correlation_table(characterisation),
        form_table(characterisation),
        dropped_table(characterisation),
        short,
    ):
        if table is not None:
            yield Section(table.caption, (replace(table, firsts="once"),))
