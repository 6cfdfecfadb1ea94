"""The card of a unit: verdict, the one next step, the locking curve with its limits, four numbers.

One telephone screen or one sheet of A4, for the workshop. It is the head of the page, and a file of its own.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diffbench.definitions import parts_of
from diffbench.errors import OutputError
from diffbench.report.document import Figure
from diffbench.report.judgement import Judged, judged, name_text, three_digits
from diffbench.report.locking_torque import BranchCurve, branch_curve, place_of_reference
from diffbench.report.map_contours import BRANCHES, torques_to_draw
from diffbench.report.messages import Say, english
from diffbench.report.rounding import typeset
from diffbench.report.style import (
    ABOVE,
    BESIDE,
    CURVE,
    INK,
    MIDDLE,
    STATE_COLOURS,
    STRONG,
    draw_band,
    dress,
    legend_above,
    level_line,
)
from diffbench.report.wording import IN_PER_CENT, printable
from diffbench.results.characterisation import Characterisation, Parameter
from diffbench.results.conformity import LIMITED
from diffbench.results.locking_map import LockingMap
from diffbench.results.predict import map_on
from diffbench.results.state import State

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure as Sheet


#: The numbers of a card, in the order in which they are read.
ON_CARD = (
    "preload_torque",
    "ramp_bias_drive_loading",
    "ramp_bias_coast_loading",
    "locking_effect_drive",
)
#: Of the curve [inch]: at 358 px its text is 11 px, and it leaves a telephone room for the words.
SIZE = (4.5, 2.5)
#: Nodes of the curve on a card.
NODES = 31
#: Half the width of a limit's mark, as a share of the axis.
MARK = 0.025
LONGEST_NAME = 60
#: The sheet, its margin [inch], and points of an inch.
A4 = (8.27, 11.69)
MARGIN = 0.7
POINTS = 72.0
#: Matplotlib's own type face, and those that have Japanese signs on one system or another.
FONT = "DejaVu Sans"
JAPANESE = ("Noto Sans CJK JP", "Noto Sans JP", "IPAexGothic", "IPAGothic", "Yu Gothic", "Hiragino Sans")
LINES = {"loading": "-", "unloading": "--"}


@dataclass(frozen=True)
class Number:
    """One number of a card in words: what it is, its value, the 95 % interval, what is allowed, and what it
    was before; "" where there is no such thing."""

    name: str
    value: str
    interval: str
    allowed: str
    before: str


@dataclass(frozen=True)
class Card:
    """What a card says, in words. ``digest`` is the hash of the full result, ``language`` a BCP 47 tag."""

    unit: str
    build: str
    date: str
    before_date: str
    judged: Judged
    numbers: tuple[Number, ...]
    figure: Figure | None
    digest: str
    language: str
    say: Say


@dataclass(frozen=True)
class LimitMark:
    """Where limits lie on the curve: input torque [N·m], and the lowest and highest locking torque [N·m]."""

    at: float
    low: float
    high: float


def card_of(
    characterisation: Characterisation,
    locking_map: LockingMap,
    state: State,
    *,
    before: tuple[Characterisation, LockingMap] | None = None,
    language: str = "en",
    say: Say = english,
) -> Card:
    """The card of a result.

    Parameters
    ----------
    characterisation, locking_map : Characterisation, LockingMap
        The result; of several builds the card is of the one that the map is of.
    state : State
        How the unit stands; its unit, build and date are those of the card.
    before : pair or None
        An earlier result and its map, to stand beside.
    language, say : str, callable
        The language and its catalogue of messages.

    Returns
    -------
    The card, in words.
    """
    build = locking_map.document.build
    numbers = tuple(_numbers(characterisation, build, None if before is None else before[0], say))
    drawn = torques_to_draw(locking_map).size > 1
    return Card(
        unit=printable(state.unit, limit=LONGEST_NAME),
        build=printable(state.build, limit=LONGEST_NAME),
        date=printable(state.date, limit=40),
        before_date="" if before is None else printable(before[0].date, limit=40),
        judged=judged(state, say),
        numbers=numbers,
        figure=_figure(characterisation, locking_map, before, say) if drawn else None,
        digest=characterisation.digest,
        language=language,
        say=say,
    )


def curve_map(result: Characterisation, build: str) -> LockingMap:
    """A map of one speed difference and temperature, the reference condition: enough for a card."""
    of_build = result.of_build(build)
    ends = of_build.tested.torque_ends("loading")
    torque = np.unique([*np.linspace(*ends, NODES), 0.0])
    speed, heat = (of_build.reference[name] for name in ("speed_difference_rad_s", "temperature_degC"))
    return map_on(result, (torque, np.array([speed]), np.array([heat])), build=build)


def _numbers(
    result: Characterisation, build: str, before: Characterisation | None, say: Say
) -> Iterator[Number]:
    allowed = {parts_of(limit.quantity): limit for limit in result.limits}
    for stem in ON_CARD:
        item = result.parameter(stem, build)
        if item is None:
            continue
        factor, unit = (100.0, "%") if stem in IN_PER_CENT else (1.0, "" if item.unit == "1" else item.unit)
        names = [name for name, key in LIMITED.items() if key == stem]
        limit = next(
            (allowed[key] for name in names for key in ((name, build), (name, "")) if key in allowed), None
        )
        judged = None if limit is None else result.parameters.get(limit.judged or "")
        item = judged or item
        last = None if before is None else _same(before, stem)
        if last is not None and _place(last) != _place(item):
            last = None  # not one number before and after
        yield Number(
            name=" · ".join([name_text(stem, say), *map(say.number, _place(item))]),
            value=say.number(three_digits(_times(factor, item.value), _times(factor, item.u), unit))
            if item.value is not None
            else say("not determined"),
            interval=_range(_times(factor, item.low), _times(factor, item.high), _times(factor, item.u), say),
            allowed=""
            if limit is None
            else say("allowed {range}").format(range=_range(limit.low, limit.high, None, say)),
            before=""
            if last is None
            else say.number(three_digits(_times(factor, last.value), _times(factor, last.u), unit)),
        )


def _place(item: Parameter) -> list[str]:
    """Where a quantity is quoted that is not quoted at the reference condition, or over all torques."""
    heat, torque = item.at_temperature_degC, item.at_input_torque_Nm
    return [
        *([] if heat is None else [f"{heat:.3g} °C"]),
        *([] if torque is None else [f"{torque:.2g} N·m" if abs(torque) < 10 else f"{torque:.0f} N·m"]),
    ]


def _same(before: Characterisation, stem: str) -> Parameter | None:
    """The quantity of the newest build of an earlier result."""
    return before.where_judged(stem, before.builds[-1].build)


def _times(factor: float, number: float | None) -> float | None:
    return None if number is None else factor * number


def _range(low: float | None, high: float | None, u: float | None, say: Say) -> str:
    if low is None or high is None:
        return ""
    ends = (say.number(three_digits(end, u)) for end in (low, high))
    return say("{low} to {high}").format(**dict(zip(("low", "high"), ends, strict=True)))


def limit_marks(characterisation: Characterisation, build: str, curve: BranchCurve) -> list[LimitMark]:
    """Where the limits of the build sheet lie on the curve while the torque rises.

    The curve moved by limit less value: that of the preload torque at no input torque, those of the ramp bias
    at both ends of the curve, where a bias of dK makes dK |T_in| of locking torque. Plates and speed
    difference at the reference condition.
    """
    torque, marks = curve.input_torque, []
    places = {
        "preload_torque": 0.0,
        "ramp_bias_drive": float(torque.max()),
        "ramp_bias_coast": float(torque.min()),
    }
    for limit in characterisation.limits:
        stem, of = parts_of(limit.quantity)
        if stem not in places or of not in {"", build}:
            continue
        item = characterisation.parameter(LIMITED[stem], build)
        at = places[stem]
        if item is None or item.value is None or (stem != "preload_torque" and at == 0.0):
            continue
        reach = 1.0 if stem == "preload_torque" else abs(at)
        here = float(np.interp(at, torque, curve.value))
        low, high = (here + (end - item.value) * reach for end in (limit.low, limit.high))
        marks.append(LimitMark(at, low, high))
    return marks


def locking_curve(
    characterisation: Characterisation,
    locking_map: LockingMap,
    axes: Axes,
    *,
    before: LockingMap | None = None,
    say: Say = english,
) -> Axes:
    """Locking torque over input torque at the reference condition: while the torque rises with its 95 % band,
    while it falls dashed, what it was ``before`` in colour, and the limits of the build sheet as brackets."""
    speed, heat = place_of_reference(characterisation, None, None)
    curves = {
        branch: branch_curve(locking_map, branch, speed_difference=speed, temperature=heat)
        for branch in BRANCHES
    }
    rising = curves["loading"]
    words = {"loading": say("torque rises"), "unloading": say("torque falls")}
    for branch, curve in curves.items():
        wide = STRONG if branch == "loading" else MIDDLE
        axes.plot(
            curve.input_torque, curve.value, LINES[branch], color=INK, linewidth=wide, zorder=CURVE,
            label=words[branch],
        )  # fmt: skip
    draw_band(axes, rising.input_torque, rising.low, rising.high, label=say("95 % band"))
    if before is not None:
        earlier = branch_curve(before, "loading", speed_difference=speed, temperature=heat)
        axes.plot(
            earlier.input_torque, earlier.value, "-.", color=STATE_COLOURS["before"], linewidth=2.0,
            zorder=BESIDE, label=say("before"),
        )  # fmt: skip
    _draw_limits(axes, limit_marks(characterisation, locking_map.document.build, rising), rising, say)
    axes.set_ylim(bottom=0.0)
    level_line(axes, 0.0, along="y")
    dress(axes, across=say("input torque [N·m]: coast | drive"), upward=say("locking torque [N·m]"))
    return legend_above(axes, columns=3)


def _draw_limits(axes: Axes, marks: Sequence[LimitMark], curve: BranchCurve, say: Say) -> None:
    """A bracket for each pair of limits: two bars and the line between them."""
    half = MARK * float(np.ptp(curve.input_torque))
    colour = STATE_COLOURS["after"]
    for i, mark in enumerate(marks):
        axes.vlines(mark.at, mark.low, mark.high, color=colour, linewidth=MIDDLE, zorder=ABOVE)
        axes.hlines(
            [mark.low, mark.high], mark.at - half, mark.at + half, color=colour, linewidth=2.8, zorder=ABOVE,
            label="" if i else say("limits"),
        )  # fmt: skip


def _figure(
    characterisation: Characterisation,
    locking_map: LockingMap,
    before: tuple[Characterisation, LockingMap] | None,
    say: Say,
) -> Figure:
    speed, heat = place_of_reference(characterisation, None, None)
    curve = branch_curve(locking_map, "loading", speed_difference=speed, temperature=heat)
    places = (0, int(np.argmin(np.abs(curve.input_torque))), curve.input_torque.size - 1)
    course = ", ".join(
        say("{locking} at {input} N·m").format(
            locking=f"{curve.value[i]:.0f}", input=f"{curve.input_torque[i]:.0f}"
        )
        for i in dict.fromkeys(places)
    )
    place = say("{temperature} °C, {speed} rad/s").format(
        temperature=say.number(f"{heat:g}"), speed=say.number(f"{speed:g}")
    )
    return Figure(
        name="locking-curve",
        title=say("Locking torque at {place}").format(place=place),
        paint=lambda axes: locking_curve(
            characterisation, locking_map, axes, before=None if before is None else before[1], say=say
        ),
        size=SIZE,
        shows=typeset(say("Locking torque in N·m at {place}: {course}").format(place=place, course=course)),
    )


def card_pdf(card: Card) -> bytes:
    """The card on one sheet of A4, as PDF, drawn here: no browser is needed.

    The same card gives the same bytes. Raises ``OutputError`` where no type face has the signs of the card's
    language.
    """
    import matplotlib as mpl
    from matplotlib.backends.backend_pdf import FigureCanvasPdf
    from matplotlib.figure import Figure as Sheet

    fonts, buffer = _fonts(card.language), io.BytesIO()
    with mpl.rc_context():
        mpl.rcdefaults()
        # type 42 would first take the whole font apart: two thirds of the time of a card
        mpl.rcParams.update({"pdf.fonttype": 3, "font.family": fonts})
        sheet = Sheet(figsize=A4, facecolor="white")
        _Setter(sheet).set(card)
        about = {
            "Title": card.say("Card of unit {unit}").format(unit=card.unit),
            "Subject": card.digest,
            "CreationDate": None,
        }
        FigureCanvasPdf(sheet).print_pdf(buffer, metadata=about)  # type: ignore[no-untyped-call]
    return buffer.getvalue()


def _fonts(language: str) -> list[str]:
    """Type faces of a language, the first that has a sign draws it."""
    if language != "ja":
        return [FONT]
    from matplotlib.font_manager import fontManager

    there = set(fontManager.get_font_names())
    found = next((name for name in JAPANESE if name in there), None)
    if found is None:
        raise OutputError.single(
            "no type face on this machine has Japanese signs",
            mend="install one (Debian: apt-get install fonts-noto-cjk), or write the card as HTML",
        )
    return [FONT, found]


class _Setter:
    """Sets a card on a sheet from the top down; lengths in inches from the upper left corner."""

    def __init__(self, sheet: Sheet) -> None:
        from matplotlib.backends.backend_agg import FigureCanvasAgg

        self._sheet = sheet
        self._renderer = FigureCanvasAgg(sheet).get_renderer()  # type: ignore[no-untyped-call]
        self._down = MARGIN

    def set(self, card: Card) -> None:
        """All of it."""
        say, judged = card.say, card.judged
        self._text(f"{say('Unit')} {card.unit}", size=26, weight="bold")
        self._text(f"{say('Build')} {card.build}, {say('tested')} {card.date}", size=13)
        self._rule(4.0)
        self._text(judged.word, size=30, weight="bold")
        self._text(" ".join(judged.reasons), size=14)
        self._text(f"{say('Next:')} {' '.join(judged.step)}", size=16, weight="bold")
        if judged.caution:
            self._text(f"{say('Caution:')} {' '.join(judged.caution)}", size=14)
        self._rule(1.0)
        self._numbers(card)
        if card.figure is not None:
            self._curve(card)
        self._down = A4[1] - MARGIN - 0.1
        self._text(f"{say('Full result, SHA-256:')} {card.digest}", size=8)

    def _text(self, text: str, *, size: float, weight: str = "normal") -> None:
        for line in self._wrapped(text, size, weight, A4[0] - 2.0 * MARGIN):
            self._line(line, size, weight, MARGIN, self._down)
            self._down += 1.3 * size / POINTS
        self._down += 0.3 * size / POINTS

    def _line(self, text: str, size: float, weight: str, left: float, down: float) -> None:
        self._sheet.text(
            left / A4[0], 1.0 - down / A4[1], text, size=size, weight=weight, color=INK, va="top",
            parse_math=False,
        )  # fmt: skip

    def _wrapped(self, text: str, size: float, weight: str, room: float) -> Iterator[str]:
        line = ""
        # a language without spaces breaks after any sign
        words = text.split(" ") if " " in text else list(text)
        joint = " " if " " in text else ""
        for word in words:
            longer = f"{line}{joint}{word}" if line else word
            if line and self._width(longer, size, weight) > room:
                yield line
                line = word
            else:
                line = longer
        yield line

    def _width(self, text: str, size: float, weight: str) -> float:
        from matplotlib.font_manager import FontProperties

        font = FontProperties(size=size, weight=weight)
        width, _, _ = self._renderer.get_text_width_height_descent(text, font, ismath=False)
        return float(width) / self._sheet.dpi

    def _rule(self, width: float) -> None:
        from matplotlib.lines import Line2D

        ends = (MARGIN / A4[0], 1.0 - MARGIN / A4[0])
        level = 1.0 - (self._down + 0.03) / A4[1]
        self._sheet.add_artist(Line2D(ends, (level, level), color=INK, linewidth=width))
        self._down += 0.2

    def _numbers(self, card: Card) -> None:
        """Side by side in two columns, each value above what goes with it."""
        wide = (A4[0] - 2.0 * MARGIN) / 2.0
        for i, number in enumerate(card.numbers):
            left = MARGIN + wide * (i % 2)
            beside = [
                number.allowed,
                card.say("before {value}").format(value=number.before) if number.before else "",
                card.say("95 %: {range}").format(range=number.interval) if number.interval else "",
            ]
            self._line(number.name, 11, "normal", left, self._down)
            self._line(number.value, 20, "bold", left, self._down + 0.2)
            for row, text in enumerate(filter(None, beside)):
                self._line(text, 10, "normal", left, self._down + 0.56 + 0.18 * row)
            if i % 2 or i == len(card.numbers) - 1:
                self._down += 1.25

    def _curve(self, card: Card) -> None:
        assert card.figure is not None
        # legend above, label of the axis, title and hash below
        top = self._down + 0.45
        high = min(A4[1] - MARGIN - 1.1 - top, 3.6)
        left, width = MARGIN + 0.65, A4[0] - 2.0 * MARGIN - 0.75
        axes = self._sheet.add_axes((left / A4[0], 1.0 - (top + high) / A4[1], width / A4[0], high / A4[1]))
        card.figure.paint(axes)
        self._down = top + high + 0.5
        before = card.say("before: {date}").format(date=card.before_date) if card.before_date else ""
        self._text("; ".join(filter(None, (card.figure.title, before))), size=10)
