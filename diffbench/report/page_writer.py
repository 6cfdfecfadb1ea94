"""What writes a drawing of a page: matplotlib's writer of SVG, with texts measured by
`diffbench.report.scales` and pictures of few tones. Loaded when something is drawn: it needs all of
matplotlib."""

from __future__ import annotations

import base64
import io
from typing import TYPE_CHECKING, Any, TextIO

from matplotlib.backends.backend_mixed import MixedModeRenderer
from matplotlib.backends.backend_svg import RendererSVG
from PIL import Image

from diffbench.report.scales import ASCENT, DESCENT, POINTS, width

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from matplotlib.font_manager import FontProperties


RASTER_DPI = 180
# Points of two colours and one ink, each over the others: that many tones are enough.
RASTER_TONES = 48


class PageWriter(RendererSVG):
    """Writes a figure of 72 dots an inch, so that a dot is a point, as SVG text."""

    def __init__(self, figure: Figure, target: TextIO) -> None:
        wide, high = (POINTS * inches for inches in figure.get_size_inches())
        no_metadata = dict.fromkeys(("Date", "Creator", "Format", "Type"))
        super().__init__(wide, high, target, image_dpi=RASTER_DPI, metadata=no_metadata)  # type: ignore[no-untyped-call]

    def write(self, figure: Figure) -> None:
        """All of a figure; what is to be a picture is drawn in dots first."""
        wide, high = figure.get_size_inches()
        both = MixedModeRenderer(figure, wide, high, RASTER_DPI, self)  # type: ignore[no-untyped-call]
        figure.draw(both)  # type: ignore[arg-type]
        both.finalize()

    def get_text_width_height_descent(
        self, s: str, prop: FontProperties, ismath: Any
    ) -> tuple[float, float, float]:
        """Of a line of text [points]; of mathematics as matplotlib sets it."""
        if ismath:
            found: tuple[float, float, float] = super().get_text_width_height_descent(s, prop, ismath)  # type: ignore[no-untyped-call]
            return found
        size = prop.get_size_in_points()
        return width(s, size), (ASCENT + DESCENT) * size, DESCENT * size

    def draw_image(self, gc: Any, x: float, y: float, im: Any, transform: object = None) -> None:
        """A picture of dots with few tones instead of all: a third of the size."""
        if transform is not None:
            super().draw_image(gc, x, y, im, transform)  # type: ignore[no-untyped-call]
            return
        few = Image.fromarray(im[::-1]).quantize(
            RASTER_TONES, method=Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE
        )
        buffer = io.BytesIO()
        few.save(buffer, format="png", compress_level=6)
        high, wide = (POINTS / RASTER_DPI * side for side in im.shape[:2])
        self.writer.element(  # type: ignore[no-untyped-call]
            "image",
            attrib={
                "xlink:href": "data:image/png;base64," + base64.b64encode(buffer.getvalue()).decode("ascii"),
                "x": f"{x:.2f}", "y": f"{self.height - y - high:.2f}",
                "width": f"{wide:.2f}", "height": f"{high:.2f}",
            },
        )  # fmt: skip
