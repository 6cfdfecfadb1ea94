"""From a figure to a drawing that can stand in a page (plain SVG, names of its own, colours that follow the
page), and to a file of its own.

In a page a drawing is laid out here: the legend at the head over the whole width, then its axes in what
their texts leave. Each text is measured once; matplotlib's layout measures it eight times, which was a
third of a page's time. Colours of the surroundings become properties of the page, so one drawing serves
light, dark and print.
"""

from __future__ import annotations

import base64
import functools
import io
import re
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from diffbench.errors import OutputError
from diffbench.report.style import DARK_FILLS, GRID, INK, MUTED, PAPER
from diffbench.whole_files import write_file

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.backends.backend_agg import RendererAgg
    from matplotlib.figure import Figure
    from matplotlib.transforms import BboxBase


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
#: What is left free at the edge of a drawing; left, below, right and above of axes before texts are measured
#: [inch].
EDGE = 0.04
GUESSED = (0.65, 0.5, 0.1, 0.1)
POINTS = 72.0  # of an inch
RASTER_DPI = 180
# Points of two colours and one ink, each over the others: that many tones are enough.
RASTER_TONES = 48
_PNG = "data:image/png;base64,"
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
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    buffer = io.StringIO()
    # settings of the surroundings (a notebook's style sheet) do not reach the page
    with mpl.rc_context(), warnings.catch_warnings():
        # the browser sets the text: of Japanese only the room that it takes is guessed here
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        mpl.rcdefaults()
        mpl.rcParams.update(
            {"svg.fonttype": "none", "svg.hashsalt": prefix, "hatch.linewidth": 0.7, "path.simplify": True}
        )
        figure = Figure(figsize=size, dpi=RASTER_DPI)
        axes = figure.add_subplot()
        figure.patch.set_visible(False)
        paint(axes)
        _lay_out(figure, axes)
        FigureCanvasSVG(figure).print_svg(  # type: ignore[no-untyped-call]
            buffer, metadata={"Date": None, "Creator": None, "Format": None, "Type": None}
        )
    return _for_page(buffer.getvalue(), prefix, title)


def _lay_out(figure: Figure, axes: Axes) -> None:
    """The legend at the head of the drawing, over its whole width, with as many entries side by side as fit;
    the axes in what is left."""
    from diffbench.report.style import legend_above

    renderer = _ruler()
    before, top = axes.get_legend(), 1.0
    if before is not None:
        for columns in range(min(len(before.get_texts()), MOST_COLUMNS), 0, -1):
            legend = legend_above(axes, columns=columns).get_legend()
            assert legend is not None
            legend.set_loc("upper left")
            legend.set_bbox_to_anchor((0.0, 1.0), transform=figure.transFigure)
            legend.set_in_layout(False)
            box = legend.get_window_extent(renderer).transformed(figure.transFigure.inverted())
            if box.width <= 1.0:
                break
        top -= box.height
    _place(figure, axes, renderer, top)


@functools.cache
def _ruler() -> RendererAgg:
    """What texts are measured with: one for all drawings, for it remembers what it has measured."""
    from matplotlib.backends.backend_agg import RendererAgg

    return RendererAgg(1, 1, RASTER_DPI)  # type: ignore[no-untyped-call]


def _place(figure: Figure, axes: Axes, renderer: RendererAgg, top: float) -> None:
    """The axes in what ticks, labels and notes leave below ``top`` [share of the height]; the labels in the
    middle beside them. All in dots of the renderer, from the lower left corner."""
    from matplotlib.transforms import Bbox

    dots, whole = figure.dpi, figure.bbox
    edge, wide, high = EDGE * dots, whole.width, whole.height * top

    def put(left: float, below: float, right: float, above: float) -> Bbox:
        """Where the axes are, with so much around them."""
        box = Bbox.from_extents(left, below, wide - right, high - above)
        axes.set_position(box.transformed(figure.transFigure.inverted()))
        return box

    around = [dots * inches for inches in GUESSED]
    inner = put(*around)
    hung, beside = [], []
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_label_coords(0.5, 0.5)  # else it is pushed about by ticks, which measures all of them anew
        axis.label.set_visible(False)
        ticks = axis.get_tightbbox(renderer) or inner
        axis.label.set_visible(True)
        hung.append(_beyond(ticks, inner))
        beside.append(axis.labelpad * dots / POINTS)
    label = [axis.label.get_window_extent(renderer) for axis in (axes.xaxis, axes.yaxis)]
    below, left = hung[0][1] + beside[0], hung[1][0] + beside[1]
    hung.append([left + label[1].width, below + label[0].height, 0.0, 0.0])
    for _ in range(2):  # what notes reach beyond the axes changes with the axes
        notes = [_beyond(note.get_tightbbox(renderer), inner) for note in axes.texts if note.get_in_layout()]
        inner = put(*(edge + max(0.0, *each) for each in zip(*hung, *notes, strict=True)))
    across = _within(inner.x0 + inner.x1, label[0].width, wide), inner.y0 - below
    upward = inner.x0 - left, _within(inner.y0 + inner.y1, label[1].height, high)
    for axis, (x, y) in ((axes.xaxis, across), (axes.yaxis, upward)):
        axis.set_label_coords(x / dots, y / dots, transform=figure.dpi_scale_trans)


def _beyond(box: BboxBase | None, inner: BboxBase) -> list[float]:
    """How far a box reaches beyond another, left, below, right and above."""
    if box is None:
        return [0.0] * 4
    return [inner.x0 - box.x0, inner.y0 - box.y0, box.x1 - inner.x1, box.y1 - inner.y1]


def _within(both: float, size: float, room: float) -> float:
    """The middle of two ends, moved so that a text of that size stays in the room."""
    return float(min(max(0.5 * both, 0.5 * size), max(room - 0.5 * size, 0.5 * size)))


def _for_page(text: str, prefix: str, title: str) -> str:
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
    for name in ("width", "height", "version"):
        root.attrib.pop(name, None)
    for element in root.iter():
        for name, value in element.attrib.items():
            element.set(name, _attribute(name, value, prefix))
    root.set("class", "plot")
    root.set("role", "img")
    root.set("aria-label", title)
    return ET.tostring(root, encoding="unicode")


def _attribute(name: str, value: str, prefix: str) -> str:
    if name == "id":
        return f"{prefix}-{value}"
    if name == f"{{{_XLINK}}}href":
        return f"#{prefix}-{value[1:]}" if value.startswith("#") else _smaller(value)
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


def _smaller(address: str) -> str:
    """A picture within a drawing with few tones instead of all: a third of the size."""
    if not address.startswith(_PNG):
        return address
    from PIL import Image

    with Image.open(io.BytesIO(base64.b64decode(address.removeprefix(_PNG)))) as picture:
        few = picture.convert("RGBA").quantize(
            RASTER_TONES, method=Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE
        )
    buffer = io.BytesIO()
    few.save(buffer, format="png", compress_level=6)
    return _PNG + base64.b64encode(buffer.getvalue()).decode("ascii")


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
