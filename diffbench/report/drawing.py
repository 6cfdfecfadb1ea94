"""From a figure to a drawing that can stand in a page (plain SVG, names of its own, colours that follow the
page), and to a file of its own.

In a page a drawing is laid out once: the legend at the head over the whole width, then the layout, then the
SVG canvas. ``savefig`` would lay out a second time, which was half of a page's time. Colours of the
surroundings become properties of the page, so one drawing serves light, dark and print.
"""

from __future__ import annotations

import base64
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
    from matplotlib.figure import Figure


#: Colours of the surroundings and of filled areas, and the property of the page that each follows.
ROLES = {
    INK: "--ink",
    MUTED: "--muted",
    GRID: "--rule",
    PAPER: "--paper",
    **{colour: f"--fill{i}" for i, colour in enumerate(DARK_FILLS, 1)},
}

MOST_COLUMNS = 4
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
        figure = Figure(figsize=size, dpi=RASTER_DPI, layout="constrained")
        axes = figure.add_subplot()
        figure.patch.set_visible(False)
        paint(axes)
        _lay_out(figure, axes)
        # not by savefig, which lays all out a second time: half of the time of a page
        FigureCanvasSVG(figure).print_svg(  # type: ignore[no-untyped-call]
            buffer, metadata={"Date": None, "Creator": None, "Format": None, "Type": None}
        )
    return _for_page(buffer.getvalue(), prefix, title)


def _lay_out(figure: Figure, axes: Axes) -> None:
    """The legend at the head of the drawing, over its whole width, with as many entries side by side as fit;
    the axes in what is left."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    from diffbench.report.style import legend_above

    engine = figure.get_layout_engine()
    assert isinstance(engine, ConstrainedLayoutEngine)
    renderer = FigureCanvasAgg(figure).get_renderer()  # type: ignore[no-untyped-call]
    before = axes.get_legend()
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
        engine.set(rect=(0.0, 0.0, 1.0, 1.0 - box.height))
    engine.execute(figure)
    figure.set_layout_engine("none")


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
    if name in {"style", "fill", "stroke"}:
        for colour, role in ROLES.items():
            value = value.replace(colour, f"var({role}, {colour})")
        # the page's own type face
        value = re.sub(r"font-family:[^;]*;?", "", value)
        value = re.sub(r"font:\s*(?:[a-z]+ )*([\d.]+px)[^;]*", r"font-size: \1", value)
    return value


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
