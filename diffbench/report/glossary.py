"""The words of a page: each with its meaning and unit, and a drawing of where they lie on the curve."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from diffbench.report.document import Figure, Table, numbers
from diffbench.report.messages import Say, english
from diffbench.report.style import INK, MIDDLE, MUTED, STATE_COLOURS, STRONG, TEXT_SIZE, dress, level_line

if TYPE_CHECKING:
    from matplotlib.axes import Axes


#: Word, meaning, unit, and its letter in the drawing.
TERMS = (
    ("locking torque", "The largest torque difference left to right that the unit can carry.", "N·m", "A"),
    ("input torque", "Torque that comes in at the case; coast is negative.", "N·m", "B"),
    ("preload torque", "Locking torque that the springs alone give, without input torque.", "N·m", "C"),
    ("ramp bias", "Locking torque that the ramps add, for each N·m of input torque.", "1", "D"),
    ("loading", "While the input torque rises. The page calls it torque rises.", "", "E"),
    ("unloading", "While the input torque falls. Friction on the ramps holds more.", "", "F"),
    ("limits", "What the build sheet allows.", "", "G"),
    ("drive, coast", "The engine pushes the car; the car pushes the engine.", "", "B"),
    ("locking effect", "Torque difference as a share of the input torque (SAE J2817).", "%", ""),
    ("torque bias ratio", "Torque of the slower output over that of the faster.", "1", ""),
    ("speed difference", "Left output speed less right output speed, without its sign.", "rad/s", ""),
    ("95 % interval", "The true value lies in it, 95 times of 100.", "its own", ""),
    ("standard uncertainty", "How far the value is usually off: a quarter of the interval.", "its own", ""),
    ("shim", "A washer that sets how far the springs are pressed.", "mm", ""),
    ("guard band", "Room kept inside a limit, for what the test may be off.", "its own", ""),
    ("extrapolation", "A number beyond what was tested: the law's word, not the bench's.", "", ""),
    ("residual", "What was measured less what the model says.", "N·m", ""),
    ("HAC, cycles", "Two ways to count how much neighbouring samples really tell.", "", ""),
    ("BIC", "A score of two models; ten apart is clear.", "", ""),
    ("SHA-256", "A fingerprint of a file: one changed letter changes it.", "", ""),
)  # fmt: skip


#: Those of a card, as it calls them, in every language.
ON_CARD = (
    *TERMS[:4],
    ("torque rises", "While the input torque rises.", "", "E"),
    ("torque falls", "While the input torque falls. Friction on the ramps holds more.", "", "F"),
    *TERMS[6:9],
    ("95 % interval", "The true value lies in it, 95 times of 100.", "", ""),
    ("speed difference", "Left output speed less right output speed, without its sign.", "rad/s", ""),
    ("shim", "A washer that sets how far the springs are pressed.", "mm", ""),
    ("fingerprint", "SHA-256 of a file: one changed letter changes it.", "", ""),
)  # fmt: skip


def glossary_table() -> Table:
    """Words, meanings and units; letters are those of the drawing."""
    return Table("Words", ("Word", "Meaning", "Unit", "In the drawing"), TERMS)


def card_glossary(say: Say) -> tuple[Table, Figure]:
    """The words of a card and where they lie, in its language, a table and a drawing."""
    rows = tuple((say(word), say(meaning), unit, letter) for word, meaning, unit, letter in ON_CARD)
    head = (say("Word"), say("Meaning"), say("Measured in"), say("In the drawing"))
    sketch = Figure(
        name="words",
        title=say("Where the words lie on the curve of an invented unit"),
        paint=lambda axes: curve_sketch(axes, say=say),
        size=(4.5, 2.9),
        shows=say("Locking torque over input torque: the preload at zero, more with torque."),
    )
    return Table(say("Words"), head, rows), sketch


def curve_sketch(axes: Axes, *, say: Say = english) -> Axes:
    """Where the words lie on the curve of an invented unit."""
    torque = np.array([-200.0, 0.0, 400.0])
    rising, falling = np.array([140.0, 80.0, 280.0]), np.array([160.0, 80.0, 350.0])
    axes.plot(torque, rising, "-", color=INK, linewidth=STRONG)
    axes.plot(torque, falling, "--", color=INK, linewidth=MIDDLE)
    axes.vlines(0.0, 55.0, 105.0, color=STATE_COLOURS["after"], linewidth=MIDDLE)
    axes.hlines([55.0, 105.0], -16.0, 16.0, color=STATE_COLOURS["after"], linewidth=2.8)
    axes.plot([200.0, 400.0, 400.0], [180.0, 180.0, 280.0], ":", color=MUTED, linewidth=MIDDLE)
    for letter, at in (
        ("A", (-232.0, 250.0)), ("B", (100.0, 14.0)), ("C", (-34.0, 62.0)), ("D", (424.0, 222.0)),
        ("E", (290.0, 242.0)), ("F", (265.0, 282.0)), ("G", (-40.0, 124.0)),
    ):  # fmt: skip
        axes.annotate(letter, at, color=INK, size=TEXT_SIZE + 3.0, weight="bold", ha="center", va="center")
    axes.set_xlim(-250.0, 440.0)
    axes.set_ylim(0.0, 380.0)
    level_line(axes, 0.0, along="y")
    return dress(axes, across=say("input torque [N·m]: coast | drive"), upward=say("locking torque [N·m]"))


def glossary_figure() -> Figure:
    """The drawing beside the words."""
    rows = [("-200", "140", "160"), ("0", "80", "80"), ("400", "280", "350")]
    return Figure(
        name="words",
        title="Where the words lie on the curve of an invented unit",
        paint=curve_sketch,
        size=(4.5, 2.9),
        shows=(
            "Locking torque of an invented unit over input torque: 80 N·m of preload at zero; in drive it "
            "rises with the ramp bias, higher while the torque falls."
        ),
        table=numbers(
            "The invented unit", ("Input torque [N·m]", "Torque rises [N·m]", "Torque falls [N·m]"), rows
        ),
    )
