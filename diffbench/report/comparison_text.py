"""A comparison in the terminal: verdict, what changed, wear, limits, corner entry, and what it rests on."""

from __future__ import annotations

from diffbench.answers.comparison import Change, Comparison, HeldLimit
from diffbench.report.conformity_text import limit_lines
from diffbench.report.layout import headed, item, wrapped
from diffbench.report.rounding import chance_text, interval_text, number_text, with_unit
from diffbench.report.wording import label, printable, source_text

__all__ = ["comparison_summary"]

PER_CENT = 100.0
MICROMETRES = 1e6


def comparison_summary(result: Comparison, *, width: int = 100) -> str:
    """A comparison as text for a terminal.

    Parameters
    ----------
    result : Comparison
        The result.
    width : int
        Columns of a line.

    Returns
    -------
    The text, without a line end at its end.
    """
    blocks = [
        _head(result, width),
        _changes(result, width, main=True),
        _changes(result, width, main=False),
        _wear(result, width),
        _limits(result, width),
        _next_event(result, width),
        _conditions(result, width),
        _list("What that says", result.readings, width),
        _list("What both results share", result.common, width),
        _list("Read with care", result.caveats, width),
        _list(
            "Not determined, and what would determine it",
            [f"{label(name)}: needs {needs}" for name, needs in result.not_determined.items()],
            width,
        ),
        _power(result, width),
    ]
    return "\n\n".join("\n".join(block) for block in blocks if block)


def _head(result: Comparison, width: int) -> list[str]:
    before, after = result.before, result.after
    unit = printable(before.unit, limit=40)

    def side(dates: list[str], build: str) -> str:
        return (
            f"{', '.join(printable(date, limit=20) for date in dates)} (build {printable(build, limit=60)})"
        )

    word = result.verdict.upper()
    text = f"Unit {unit}: {side(before.dates, before.build)} against {side(after.dates, after.build)}"
    reasons = "; ".join(_plain(reason) for reason in result.reasons)
    return [*wrapped(text, width), *wrapped(reasons, width, first=f"{word}  ")]


def _plain(reason: str) -> str:
    for name in (
        "preload_torque",
        "spring_force",
        "face_wear",
        "preload_loss",
        "ramp_bias_drive",
        "ramp_bias_coast",
    ):
        reason = reason.replace(name, label(name))
    return printable(reason)


def _changes(result: Comparison, width: int, *, main: bool) -> list[str]:
    names = ("preload_torque", "friction", "spring_force")
    rows = [_row(name, change) for name, change in result.changes.items() if (name in names) == main]
    if not rows:
        return []
    heading = (
        "What changed, and its 95 % interval"
        if main
        else "Ramps, friction surface and oil, held against the doubt of the fits alone"
    )
    lines = [heading, *headed(("", "before", "after", "change", "95 % interval", ""), rows, width)]
    carried = [
        f"{label(name)} {with_unit(number_text(change.carried, change.carried * change.u), change.unit)}"
        for name, change in result.changes.items()
        if main and name in names and change.carried is not None
    ]
    if carried:
        text = f"carried over from before by that change: {', '.join(carried)}"
        lines += wrapped(
            f"{text}; the numbers of each result itself rest on its own sheet", width, first="  "
        )
    doubts: dict[str, list[str]] = {}
    for name, change in result.changes.items():
        if main and name in names and change.budget:
            doubts.setdefault(source_text(next(iter(change.budget))), []).append(label(name))
    for source, of in doubts.items():
        lines += wrapped(f"largest doubt, {', '.join(of)}: {source}", width, first="  ")
    return lines


def _row(name: str, change: Change) -> tuple[str, ...]:
    if change.relative:
        u = PER_CENT * change.u
        step = f"{number_text(PER_CENT * change.change, u)} %"
        interval = f"{interval_text(PER_CENT * change.low, PER_CENT * change.high, u)} %"
        size = abs(change.before or 0.0) * change.u
    else:
        step = number_text(change.change, change.u)
        interval = interval_text(change.low, change.high, change.u)
        size = change.u
    before = "" if change.before is None else number_text(change.before, size)
    after = "" if change.after is None else number_text(change.after, size)
    name = label(name) if change.unit == "1" else f"{label(name)}, {change.unit}"
    return name, before, after, step, interval, "changed" if change.significant else "as before"


def _wear(result: Comparison, width: int) -> list[str]:
    found = result.wear
    if found is None:
        return []
    face, u = MICROMETRES * found.face_wear_m, MICROMETRES * found.face_wear_u_m
    ends = MICROMETRES * found.face_wear_low_m, MICROMETRES * found.face_wear_high_m
    height, height_u = MICROMETRES * found.height_loss_m, MICROMETRES * found.height_loss_u_m
    text = (
        f"Height lost at the spring {number_text(height, height_u)} µm; mean wear of a face "
        f"{number_text(face, u)} µm (95 %: {interval_text(*ends, u)}), over {found.faces} faces of a pack"
    )
    if found.shim_change_m:
        text += f", with {MICROMETRES * found.shim_change_m:+.0f} µm of shim"
    return wrapped(text, width)


def _limits(result: Comparison, width: int) -> list[str]:
    if not result.limits:
        return []
    return ["Limits (ISO 14253-1)", *limit_lines(result.limits, width)]


def _next_event(result: Comparison, width: int) -> list[str]:
    found = result.next_event
    if found is None:
        return []
    between = found.events_between
    stretch = "stretch like that" if between == 1 else f"event like the {between}"
    way = "" if found.distance_m is None else f" ({found.distance_m / 1000.0:.4g} km)"
    text = f"after one more {stretch} between both states{way}, if wear goes on in a straight line as there:"
    return [
        f"Will it last the next event? {found.answer.upper()}",
        *wrapped(text, width, first="  "),
        *(line for limit in found.limits for line in item(_held(limit), width)),
    ]


def _held(limit: HeldLimit) -> str:
    factor, unit = (MICROMETRES, "µm") if limit.unit == "m" else (1.0, limit.unit)
    if limit.quantity == "preload_loss":
        factor, unit = PER_CENT, "%"
    end = limit.low if limit.low is not None else limit.high or 0.0
    u = factor * limit.u
    value = f"{number_text(factor * limit.value, u)} ± {number_text(u, u)}"
    side = "from" if limit.low is not None else "up to"
    return (
        f"{label(limit.quantity)} {with_unit(value, unit)}; the limit, {side} "
        f"{with_unit(number_text(factor * end), unit)}, is held with a chance of {chance_text(limit.chance)}"
    )


def _conditions(result: Comparison, width: int) -> list[str]:
    if not result.conditions:
        return []
    one = result.conditions[0]
    heading = (
        f"Locking torque at corner entry, {number_text(one.speed_difference_rad_s, 0.1)} rad/s speed "
        f"difference, {one.temperature_degC:g} °C"
    )
    rows = []
    for c in result.conditions:
        u = max((c.high_Nm - c.low_Nm) / 3.92, 1e-9)
        rows.append(
            (
                f"{number_text(c.input_torque_Nm, 1.0)} N·m",
                number_text(c.before_Nm, u),
                number_text(c.after_Nm, u),
                number_text(c.change_Nm, u),
                interval_text(c.low_Nm, c.high_Nm, u),
                "tested" if c.tested else "extrapolated",
            )
        )
    head = ("engine braking", "before", "after", "change, N·m", "95 % interval", "")
    return [*wrapped(heading, width), *headed(head, rows, width, right=(1, 2, 3))]


def _list(heading: str, texts: list[str], width: int) -> list[str]:
    lines = [line for text in texts for line in item(printable(text), width)]
    return [heading, *lines] if lines else []


def _power(result: Comparison, width: int) -> list[str]:
    if result.detectable_loss is None:
        return []
    text = (
        f"A loss of preload of {PER_CENT * result.detectable_loss:.1f} % or more would be shown with a "
        "chance of 95 %; false alarms are held at 5 % over all questions. "
    )
    if result.visits_for_5_percent is None:
        text += "No number of refits shows a loss of 5 % with these doubts."
    elif result.visits_for_5_percent > 1:
        visits = result.visits_for_5_percent
        text += f"To show 5 % so surely, test each state {visits} times, refitted in between."
    return wrapped(text.strip(), width)
