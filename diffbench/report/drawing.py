"""From a figure to a drawing that can stand in a page (plain SVG, names of its own, colours that follow the
page), and to a file of its own.

In a page a drawing is laid out here: the legend at the head over the whole width, then its axes in what
their texts leave (`diffbench.report.scales`). Colours of the surroundings become properties of the page, so
one drawing serves light, dark and print.
"""

from __future__ import annotations

import functools
import io
import itertools
import re
import warnings
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from diffbench.errors import OutputError
from diffbench.report.scales import POINTS, Box, Words, lay_out, width
from diffbench.report.style import DARK_FILLS, GRID, INK, MUTED, PAPER
from diffbench.whole_files import write_file

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.legend import Legend
    from matplotlib.transforms import BboxBase

    from diffbench.report.page_writer import PageWriter


#: Colours of the surroundings and of filled areas, and the property of the page that each follows.
ROLES = {
    INK: "--ink",
    MUTED: "--muted",
    GRID: "--rule",
    PAPER: "--paper",
    **{colour: f"--fill{i}" for i, colour in enumerate(DARK_FILLS, 1)},
}
_COLOURS = re.compile("|".join(ROLES))

MOST_COLUMNS = 4
_SVG = "http://www.w3.org/2000/svg"
_XLINK = "http://www.w3.org/1999/xlink"
_DECIMALS = re.compile(r"(-?\d+\.\d{2})\d+")
SUFFIXES = (".svg", ".png", ".pdf")
DPI = 150


def draw(paint: Callable[[Axes], object], *, size: tuple[float, float], prefix: str, title: str) -> str:
    """Draw into new axes, ``size`` [inch], and return the drawing as an SVG element that shows a ``title``;
    all its ids begin with ``prefix``, unique within a page.

    The same figure gives the same text; text stays text; colours of the surroundings are properties of the
    page (``--ink``, ``--muted``, ``--rule``, ``--paper``), with the light ones as default.

    >>> text = draw(lambda axes: axes.plot([0, 1], [0, 1]), size=(3.0, 2.0), prefix="line", title="A line")
    >>> text.startswith("<svg"), 'role="img"' in text, "A line" in text
    (True, True, True)
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    from diffbench.report.page_writer import PageWriter

    buffer = io.StringIO()
    # settings of the surroundings (a notebook's style sheet) do not reach the page
    with mpl.rc_context(), warnings.catch_warnings():
        # the browser sets the text: of Japanese only the room that it takes is guessed here
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        mpl.rcdefaults()
        mpl.rcParams.update(
            {"svg.fonttype": "none", "svg.hashsalt": prefix, "hatch.linewidth": 0.7, "path.simplify": True}
        )
        figure = Figure(figsize=size, dpi=POINTS)
        axes = figure.add_subplot()
        figure.patch.set_visible(False)
        paint(axes)
        writer = PageWriter(figure, buffer)
        words = _lay_out(figure, axes, writer)
        writer.write(figure)
    return _for_page(buffer.getvalue(), words, prefix, title)


def _lay_out(figure: Figure, axes: Axes, writer: PageWriter) -> list[Words]:
    """The legend at the head of the drawing, over its whole width, with as many entries side by side as fit;
    the axes in what is left. Gives the texts beside them."""
    wide, high = (POINTS * inches for inches in figure.get_size_inches())
    legend = _legend(axes, wide)
    if legend is not None:
        legend.set_loc("upper left")
        legend.set_bbox_to_anchor((0.0, 1.0), transform=figure.transFigure)
        high -= legend.get_window_extent(writer).height

    def notes(inner: Box) -> list[list[float]]:
        found = (text.get_tightbbox(writer) for text in axes.texts if text.get_in_layout())
        return [_beyond(box, inner) for box in found]

    return lay_out(axes, (wide, high), notes)


def _legend(axes: Axes, room: float) -> Legend | None:
    """The legend anew, with as many columns as fit into a room."""
    from diffbench.report.style import LEGEND, TICK_SIZE, legend_above

    before = axes.get_legend()
    if before is None:
        return None
    texts = [text.get_text() for text in before.get_texts()]
    if texts != axes.get_legend_handles_labels()[1]:
        return before  # of what is drawn nowhere: it stands as it was made
    wide = [width(text, TICK_SIZE) / TICK_SIZE for text in texts]
    key = LEGEND["handlelength"] + LEGEND["handletextpad"]
    for columns in range(min(len(texts), MOST_COLUMNS), 0, -1):
        rows, longer = divmod(len(texts), columns)
        starts = [i * rows + min(i, longer) for i in range(columns + 1)]
        held = sum(key + max(wide[i:j]) for i, j in itertools.pairwise(starts))
        needed = held + LEGEND["columnspacing"] * (columns - 1) + 2.0 * LEGEND["borderpad"]
        if needed * TICK_SIZE <= room:
            break
    return legend_above(axes, columns=columns).get_legend()


def _beyond(box: BboxBase | None, inner: Box) -> list[float]:
    """How far a box reaches beyond another, left, below, right and above."""
    if box is None:
        return [0.0] * 4
    return [inner[0] - box.x0, inner[1] - box.y0, box.x1 - inner[2], box.y1 - inner[3]]


def _for_page(text: str, words: Sequence[Words], prefix: str, title: str) -> str:
    from xml.etree import ElementTree as ET

    ET.register_namespace("", _SVG)
    ET.register_namespace("xlink", _XLINK)
    root = ET.fromstring(text)
    for child in list(root):
        if child.tag == f"{{{_SVG}}}metadata":
            root.remove(child)
    for parent in root.iter():
        # a style sheet within a drawing would reach the whole page
        for child in list(parent):
            if child.tag == f"{{{_SVG}}}style":
                parent.remove(child)
    _write(root, words)
    for name in ("width", "height", "version"):
        root.attrib.pop(name, None)
    for element in root.iter():
        for name, value in element.attrib.items():
            element.set(name, _attribute(name, value, prefix))
    root.set("class", "plot")
    root.set("role", "img")
    root.set("aria-label", title)
    return ET.tostring(root, encoding="unicode")


def _write(root: Element, words: Sequence[Words]) -> None:
    """The texts of the scales, over all else."""
    from xml.etree import ElementTree as ET

    high = float(root.attrib["viewBox"].split()[3])
    group = ET.SubElement(root, f"{{{_SVG}}}g", {"id": "scales"})
    for each in words:
        x, y = f"{each.at[0]:.2f}", f"{high - each.at[1]:.2f}"
        style = f"font-size: {each.size:g}px; text-anchor: {each.anchor}; fill: {each.colour}"
        attributes = {"style": style, "x": x, "y": y}
        if each.turned:
            attributes["transform"] = f"rotate({each.turned:g} {x} {y})"
        ET.SubElement(group, f"{{{_SVG}}}text", attributes).text = each.text


def _attribute(name: str, value: str, prefix: str) -> str:
    if name == "id":
        return f"{prefix}-{value}"
    if name == f"{{{_XLINK}}}href":
        return f"#{prefix}-{value[1:]}" if value.startswith("#") else value
    if name in {"d", "points"}:
        return _DECIMALS.sub(r"\1", value)
    value = re.sub(r"url\(#([^)]*)\)", rf"url(#{prefix}-\1)", value)
    return _style(value) if name in {"style", "fill", "stroke"} else value


@functools.lru_cache(maxsize=4096)
def _style(value: str) -> str:
    """The page's own colours and type face; the same few styles come in hundreds."""
    value = _COLOURS.sub(lambda found: f"var({ROLES[found[0]]}, {found[0]})", value)
    value = re.sub(r"font-family:[^;]*;?", "", value)
    return re.sub(r"font:\s*(?:[a-z]+ )*([\d.]+px)[^;]*", r"font-size: \1", value)


def check_suffix(path: Path) -> str:
    """Format of a picture by the end of its name. Raises ``OutputError`` where it is none of `SUFFIXES`.

    >>> check_suffix(Path("worn.PNG"))
    'png'
    """
    if path.suffix.lower() not in SUFFIXES:
        raise OutputError.single(
            "is no picture", file=str(path), mend=f"name a file that ends in {', '.join(SUFFIXES)}"
        )
    return path.suffix.lower()[1:]


def put_picture(figure: Figure, path: Path) -> None:
    """Write a figure into a file; its suffix, ``.svg``, ``.png`` or ``.pdf``, says the format. Raises
    ``OutputError`` for another suffix, or where the file cannot be written; then nothing is left."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format=check_suffix(path), dpi=DPI)
    write_file(path, buffer.getvalue(), replace=True)
