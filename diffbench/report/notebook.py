"""Results as they show themselves in a notebook: a table and a figure, in one piece of HTML."""

from __future__ import annotations

import itertools

from markupsafe import Markup

from diffbench.report.document import Table, typeset
from diffbench.report.doubt import interval_names, intervals
from diffbench.report.drawing import draw
from diffbench.report.map_contours import contours, speeds_to_draw, torques_to_draw
from diffbench.report.page import templates
from diffbench.report.result import key_table, unit_line, verdict
from diffbench.report.style import GRID, INK, MUTED
from diffbench.report.wording import printable
from diffbench.results.characterisation import Characterisation
from diffbench.results.locking_map import LockingMap

__all__ = ["characterisation_html", "map_html"]

LONGEST_NAME = 120
ROW, FRAME, WIDTH = 0.44, 1.25, 6.0
CONTOURS = (6.0, 4.2)
#: Drawings of one notebook must not share ids, whatever is shown how often.
_COUNT = itertools.count(1)
_BOX = (
    f"--ink:{INK};--muted:{MUTED};--rule:{GRID};--paper:#fdfcf9;background:#fdfcf9;color:{INK};"
    "max-width:46rem;padding:.75rem 1rem;font-family:sans-serif"
)
# of our own making: it goes into the tags of a table
_LEFT = Markup(' style="text-align:left"')


def characterisation_html(characterisation: Characterisation) -> str:
    """A characterisation as a table of key numbers and a figure of their intervals.

    Returns
    -------
    HTML; every text of the result is escaped.
    """
    found = verdict(characterisation)
    lines = [unit_line(characterisation), f"{found.words}: {'; '.join(found.sentences)}."]
    if found.cautions:
        lines.append(found.trust)
    keys, _ = interval_names(characterisation)
    drawing = ""
    if keys:
        drawing = draw(
            lambda axes: intervals(characterisation, axes, names=keys),
            size=(WIDTH, FRAME + ROW * len(keys)),
            prefix=f"notebook-{next(_COUNT)}",
            title=f"95 % intervals of {len(keys)} key numbers",
        )
    return _box(lines, key_table(characterisation), drawing)


def map_html(locking_map: LockingMap) -> str:
    """A map as a table of what it covers and its contours, where it has more than one torque and speed.

    Returns
    -------
    HTML; every text of the map is escaped.
    """
    document = locking_map.document
    torque, speed, heat = locking_map.axes
    middle = int(heat.size // 2)
    unit, build = (printable(text, limit=LONGEST_NAME) for text in (document.unit, document.build))
    names = ("Input torque [N·m]", "Speed difference [rad/s]", "Temperature [°C]")
    rows = tuple(
        (name, typeset(f"{float(axis[0]):.4g} to {float(axis[-1]):.4g}"), str(axis.size))
        for name, axis in zip(names, (torque, speed, heat), strict=True)
    )
    tested = 100.0 * float(locking_map.tested["loading"].mean())
    place = f"{heat[middle]:.0f} °C, loading"
    drawing = ""
    prefix = f"notebook-{next(_COUNT)}"
    if torques_to_draw(locking_map).size > 1 and speeds_to_draw(locking_map).size > 1:
        drawing = draw(
            lambda axes: contours(locking_map, axes, branch="loading", temperature=middle),
            size=CONTOURS,
            prefix=prefix,
            title=f"Locking torque over input torque and speed difference at {place}",
        )
    title = f"Locking-torque map of unit {unit}, build {build}"
    law = document.law.capitalize()
    said = (
        f"{law} preload law; {tested:.0f} % of the nodes are tested while loading; locking torque in N·m at "
        f"{place}, hatched where it is an extrapolation."
    )
    return _box([title, said], Table("What it covers", ("Axis", "Range", "Nodes"), rows, (1, 2)), drawing)


def _box(lines: list[str], table: Table, drawing: str) -> str:
    """Lines, a table and a drawing on the page's own light paper, whatever the notebook's."""
    return (
        templates()
        .get_template("notebook.html.j2")
        .render(lines=lines, data=table, drawing=Markup(drawing), box=_BOX, left=_LEFT)
    )
