"""Figures as pictures, held against pictures that were looked at.

Regression, beside the tests of what is drawn. After a change that is meant: ``python
tests/report/test_baselines.py`` draws them anew; look at each before you commit it.
"""

from __future__ import annotations

import importlib.util
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from matplotlib import rc_context, rcdefaults
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from numpy.typing import NDArray
from PIL import Image

from diffbench import figures
from diffbench.results import Correlation, map_on

BASELINES = Path(__file__).with_name("baselines")
SIZE, DPI = (5.2, 4.4), 60
#: Pixels are averaged over squares of that side: another version's anti-aliasing or letter spacing is none of
#: our business.
SQUARE = 6
#: Root mean square of the difference of grey, of 255. Letters set anew by another library give up to 2; a
#: curve moved by a twentieth of its axis, a mark left out or a colour changed gives more than 4.
TOLERANCE = 3.0


def _load(name: str) -> ModuleType:
    # tests are no package: a module beside this one is loaded by its path
    spec = importlib.util.spec_from_file_location(f"baseline_{name}", Path(__file__).with_name(f"{name}.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def every() -> dict[str, Callable[[Axes], Axes]]:
    """All figures by name, of results made by hand."""
    synthetic, comparisons = _load("synthetic"), _load("test_doubt_figures")
    result = synthetic.complete()
    # nodes by hand: which ones the program chooses is tested elsewhere
    nodes = tuple(
        np.array(axis)
        for axis in (
            [-302.0, -217.0, 0.0, 150.0, 350.0, 530.0, 702.0],
            [0.3, 0.6, 1.2, 2.0, 4.0, 7.0, 10.0],
            [50.0, 60.0, 80.0],
        )
    )
    locking_map = map_on(result, nodes)
    known = ["preload_torque", "friction_slope", "gear_friction", "stribeck_speed"]
    matrix = [
        [1.0, 0.25, 0.04, -0.8],
        [0.25, 1.0, -0.6, 0.95],
        [0.04, -0.6, 1.0, 0.5],
        [-0.8, 0.95, 0.5, 1.0],
    ]
    together = result.model_copy(update={"correlation": Correlation(names=known, matrix=matrix)})
    evidence = result.evidence
    both = synthetic.two_builds()
    shims = [b.model_copy(update={"shim_m": s}) for b, s in zip(both.builds, (0.0, 2e-4), strict=True)]
    ladder = both.model_copy(update={"builds": shims})
    other = map_on(synthetic.complete("greater-of", 0.2), nodes)
    return {
        "sweep": lambda a: figures.sweep(result, locking_map, a),
        "recorded": lambda a: figures.recorded(evidence, a),
        "parts": lambda a: figures.parts(result, locking_map, a),
        "residuals": lambda a: figures.residuals(evidence, a, over="input_torque"),
        "contours": lambda a: figures.contours(locking_map, a, branch="unloading", temperature=1),
        "torque-bias": lambda a: figures.torque_bias(result, locking_map, a),
        "friction-speed": lambda a: figures.friction(result, a),
        "friction-plate": lambda a: figures.friction(result, a, over="plate"),
        "temperatures": lambda a: figures.temperatures(evidence, a),
        "plate-heat": lambda a: figures.plate_heat(evidence, a),
        "intervals": lambda a: figures.intervals(result, a),
        "correlation": lambda a: figures.correlation(together, a),
        "before-after": lambda a: figures.before_after(
            locking_map, other, a, speed_difference=4.0, temperature=60.0
        ),
        "changes": lambda a: figures.changes(comparisons.compared(), a),
        "corner-change": lambda a: figures.corner_change(comparisons.compared(), a),
        "difference": lambda a: figures.difference(comparisons.apart(), a, branch="unloading"),
        "shim-ladder": lambda a: figures.shim_ladder(ladder, a, limits=(75.0, 95.0)),
    }


NAMES = (
    "sweep", "recorded", "parts", "residuals", "contours", "torque-bias", "friction-speed", "friction-plate",
    "temperatures", "plate-heat", "intervals", "correlation", "before-after", "changes", "corner-change",
    "difference", "shim-ladder",
)  # fmt: skip


def drawn(paint: Callable[[Axes], Axes]) -> Image.Image:
    """A figure as a grey picture: what it says must be told in grey."""
    with rc_context():
        rcdefaults()
        figure = Figure(figsize=SIZE, dpi=DPI, layout="constrained")
        paint(figure.add_subplot())
        canvas = FigureCanvasAgg(figure)
        canvas.draw()
        return Image.fromarray(np.asarray(canvas.buffer_rgba())[:, :, :3]).convert("L")


def coarse(picture: Image.Image) -> NDArray[np.float64]:
    """Means over squares of pixels."""
    grey = np.asarray(picture, dtype=np.float64)
    high, wide = (side // SQUARE * SQUARE for side in grey.shape)
    blocks = grey[:high, :wide].reshape(high // SQUARE, SQUARE, wide // SQUARE, SQUARE)
    return blocks.mean(axis=(1, 3))


def apart(one: Image.Image, other: Image.Image) -> float:
    """Root mean square difference of two pictures of one size."""
    return float(np.sqrt(np.mean((coarse(one) - coarse(other)) ** 2)))


@pytest.fixture(scope="module")
def figure() -> dict[str, Callable[[Axes], Axes]]:
    """All figures by name."""
    return every()


@pytest.mark.parametrize("name", NAMES)
def test_figure_looks_as_agreed(figure: dict[str, Callable[[Axes], Axes]], name: str) -> None:
    """Within what another version of the drawing library may set otherwise."""
    with Image.open(BASELINES / f"{name}.png") as agreed:
        assert apart(drawn(figure[name]), agreed.convert("L")) < TOLERANCE


def test_every_figure_has_a_picture(figure: dict[str, Callable[[Axes], Axes]]) -> None:
    """None is forgotten."""
    assert tuple(figure) == NAMES
    assert {path.stem for path in BASELINES.glob("*.png")} == set(NAMES)


def test_tolerance_notices_what_matters(figure: dict[str, Callable[[Axes], Axes]]) -> None:
    """A curve that is off, and a legend left out, are further apart than the tolerance."""
    with Image.open(BASELINES / "friction-plate.png") as agreed:
        before = agreed.convert("L")

    def moved(axes: Axes) -> Axes:
        figure["friction-plate"](axes)
        low, high = axes.get_ylim()
        axes.set_ylim(low - 0.05 * (high - low), high - 0.05 * (high - low))
        return axes

    def bare(axes: Axes) -> Axes:
        figure["friction-plate"](axes).get_legend().remove()
        return axes

    assert apart(drawn(moved), before) > TOLERANCE
    assert apart(drawn(bare), before) > TOLERANCE


if __name__ == "__main__":
    BASELINES.mkdir(exist_ok=True)
    for title, paint in every().items():
        drawn(paint).save(BASELINES / f"{title}.png", optimize=True)
