"""The one thing to read: does the unit hold its limits, and can the fit be relied on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from diffbench.characterisation import Characterisation, LimitVerdict, SheetCheck
from diffbench.report.rounding import interval_text, number_text, with_unit
from diffbench.report.wording import KEY_QUANTITIES, humanised, label, limit_text, printable, split_name

__all__ = [
    "Outcome",
    "Verdict",
    "check_text",
    "coverage_text",
    "disagrees",
    "law_text",
    "limit_lines",
    "limited_name",
    "unit_line",
    "verdict",
]

# Two standard uncertainties: once in twenty times by chance alone.
DISAGREEMENT = 2.0
# Share of the locking torque that a test of the law must be able to see before its silence says anything: as
# SAE J3011 has a rig's torque.
MATTERS = 0.005

Outcome = Literal["within", "outside", "not proven", "no limits"]

WORDS: dict[Outcome, str] = {
    "within": "Within limits",
    "outside": "Out of limits",
    "not proven": "Limits not proven",
    "no limits": "No limits stated",
}


@dataclass(frozen=True)
class Verdict:
    """``outcome`` over all limits, its ``words``, one sentence a limit, and the reasons to read the numbers
    with care."""

    outcome: Outcome
    words: str
    sentences: tuple[str, ...]
    cautions: tuple[str, ...]
    detectable: float | None = None
    """Departure from the law that the tests would have shown, as a share of the locking torque."""

    @property
    def trust(self) -> str:
        """Whether the fit can be relied on, in one sentence."""
        if not self.cautions:
            if self.detectable is None:
                return "Nothing found speaks against these numbers; the law itself was not tested."
            if self.detectable > MATTERS:
                return (
                    "Nothing found speaks against these numbers, but a departure from the law of less than "
                    f"{100 * self.detectable:.1g} % of the locking torque would not have shown."
                )
            return "Nothing in the data or the fit speaks against these numbers."
        return "Read with care: " + "; ".join(self.cautions) + "."


def verdict(characterisation: Characterisation) -> Verdict:
    """Verdict on limits and fit.

    One limit outside makes the whole outside, one not proven leaves the whole not proven. A limit is proven
    to be held or broken only where the whole 95 % interval is on one side (the decision rule of ISO 14253-1).
    """
    outcomes = [limit.verdict for limit in characterisation.limits]
    outcome: Outcome = "within" if outcomes else "no limits"
    if "outside" in outcomes:
        outcome = "outside"
    elif "not proven" in outcomes:
        outcome = "not proven"
    sentences = tuple(line for line, _ in limit_lines(characterisation))
    if not sentences:
        sentences = ("The build sheet states no limits: the numbers stand for themselves.",)
    cautions, detectable = tuple(_cautions(characterisation)), characterisation.diagnostics.detectable
    return Verdict(outcome, WORDS[outcome], sentences, cautions, detectable)


def limit_lines(characterisation: Characterisation) -> list[tuple[str, LimitVerdict]]:
    """One sentence for each limit of the build sheet."""
    lines = []
    for limit in characterisation.limits:
        key = limited_name(characterisation, limit.quantity)
        item = characterisation.parameters.get(key)
        allowed = limit_text(limit.low, limit.high, limit.unit)
        build = split_name(key)[1]
        stem = split_name(limit.quantity)[0]
        name = label(f"{stem}[{build}]" if build else stem)
        if item is None or item.value is None:
            lines.append((f"{name} is not determined: whether it holds {allowed} is open", limit))
            continue
        value = with_unit(number_text(item.value, item.u), item.unit)
        interval = interval_text(item.low, item.high, item.u)
        number = f"{name} {value} (95 %: {interval})"
        if limit.verdict == "within":
            text = f"{number} is within {allowed}"
        elif limit.verdict == "outside":
            side = "below" if item.value < limit.low else "above"
            text = f"{number} is {side} {allowed}"
        else:
            inside = limit.low <= item.value <= limit.high
            text = (
                f"{number} lies {'inside' if inside else 'outside'} {allowed}, but its interval reaches "
                f"{'beyond' if inside else 'into'} it: neither is proven"
            )
        lines.append((text, limit))
    return lines


def limited_name(characterisation: Characterisation, quantity: str) -> str:
    """Name of the parameter that a limit is about: of the build that it names, else of the first; the
    loading one of a ramp bias."""
    stem, build = split_name(quantity)
    wanted = {stem, f"{stem}_loading"}
    return next(
        (
            name
            for name in characterisation.parameters
            if split_name(name)[0] in wanted and (not build or split_name(name)[1] == build)
        ),
        quantity,
    )


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
    found += [
        "build sheet and bench disagree on "
        + humanised(printable(check.quantity, limit=120), characterisation.parameters)
        for check in characterisation.sheet_checks
        if disagrees(check)
    ]
    open_keys = [
        label(name)
        for name, item in characterisation.parameters.items()
        if item.value is None and split_name(name)[0] in KEY_QUANTITIES
    ]
    if open_keys:
        found.append(
            f"{len(open_keys)} of the key numbers {'is' if len(open_keys) == 1 else 'are'} not determined"
        )
    found += [printable(f.name, limit=80) for f in characterisation.findings if f.severity != "note"]
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
    head = {
        "measured": f"{law.chosen}, decided by the sweeps",
        "stated": f"{law.chosen}, stated by the build sheet",
        "undecided": f"undecided ({law.chosen} fits best so far)",
    }[law.status]
    return f"{head}: {printable(law.reason)}"


def coverage_text(characterisation: Characterisation) -> str:
    """What the bench covered."""
    tested = characterisation.tested
    if not tested.outline:
        return "no sweep under slip: nothing of the map is tested"
    torque = [point[0] for point in tested.outline]
    speed = [point[1] for point in tested.outline]
    low, high = tested.temperature_degC
    return (
        f"{min(torque):.0f} to {max(torque):.0f} N·m input torque, {number_text(min(speed), 0.1)} to "
        f"{number_text(max(speed), 1.0)} rad/s speed difference, {low:.0f} to {high:.0f} °C; "
        "unloading seen up to "
        f"{tested.drive_unloading_Nm:.0f} N·m in drive and {tested.coast_unloading_Nm:.0f} N·m in coast"
    )


def unit_line(characterisation: Characterisation) -> str:
    """Which unit and build, made safe to print."""
    unit, build = printable(characterisation.unit, limit=40), printable(characterisation.build, limit=60)
    return f"Unit {unit}, build {build}"
