"""Draw the demo's figures in README and guide again: ``python tests/report/guide_figures.py``.

Fits the demo and the ladder of shims, which takes some minutes, and writes small pictures into the guide.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

from matplotlib import rc_context, rcdefaults
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image

from diffbench import Characterisation, LockingMap, figures, fit
from diffbench.guide import FOLDER
from diffbench.results import make_map

FIXTURES = Path(__file__).parents[2] / "fixtures"
PICTURES = FOLDER / "pictures"
SIZE, TALL, DPI = (5.6, 4.2), (5.6, 6.4), 110
TONES = 40  # few tones of few colours: a third of the size


def paints(
    result: Characterisation, locking_map: LockingMap, worn: LockingMap, shims: Characterisation
) -> dict[str, tuple[tuple[float, float], Callable[[Axes], Axes]]]:
    """Size and painter of each picture by its name."""
    middle = int(locking_map.axes[2].size // 2)
    limits = next(
        (limit.low, limit.high) for limit in result.limits if limit.quantity.startswith("preload_torque")
    )
    return {
        "sweep": (SIZE, lambda a: figures.sweep(result, locking_map, a)),
        "parts": (SIZE, lambda a: figures.parts(result, locking_map, a)),
        "map": (SIZE, lambda a: figures.contours(locking_map, a, branch="loading", temperature=middle)),
        "torque-bias": (SIZE, lambda a: figures.torque_bias(result, locking_map, a)),
        "friction": (SIZE, lambda a: figures.friction(result, a)),
        "intervals": (TALL, lambda a: figures.intervals(result, a)),
        "before-after": (
            SIZE,
            lambda a: figures.before_after(locking_map, worn, a, speed_difference=4.0, temperature=60.0),
        ),
        "shims": (SIZE, lambda a: figures.shim_ladder(shims, a, limits=limits)),
    }


def write(folder: Path, name: str, size: tuple[float, float], paint: Callable[[Axes], Axes]) -> None:
    """Draw one picture on white, in few tones."""
    with rc_context():
        rcdefaults()
        figure = Figure(figsize=size, dpi=DPI, layout="constrained", facecolor="white")
        paint(figure.add_subplot())
        buffer = io.BytesIO()
        FigureCanvasAgg(figure).print_png(buffer)
    with Image.open(buffer) as picture:
        few = picture.convert("RGB").quantize(TONES, dither=Image.Dither.NONE)
    few.save(folder / f"{name}.png", optimize=True)


def main() -> None:
    """Fit, draw, write."""
    result = fit(FIXTURES / "demo" / "rebuilt" / "run.toml")
    worn = make_map(fit(FIXTURES / "demo" / "worn" / "run.toml"))
    shims = fit(sorted((FIXTURES / "shims").glob("run-*.toml")))
    for name, (size, paint) in paints(result, make_map(result), worn, shims).items():
        write(PICTURES, name, size, paint)


if __name__ == "__main__":
    main()
