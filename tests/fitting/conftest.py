"""Fit data by hand, and the fits of the committed fixtures, made once for all tests."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from edited import edited
from numpy.typing import ArrayLike, NDArray

from diffbench import Characterisation
from diffbench.documents import Build, load_build
from diffbench.fitting import Candidate, FitData, Form, LockingModel, Setup, fit
from diffbench.fitting.noise import CellNoise
from diffbench.fitting.solver import Solution
from diffbench.physics.friction import Stribeck
from diffbench.physics.preload import Additive

Array = NDArray[np.float64]
FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


def make_data(
    *,
    cells: int,
    noise: float = 1.0,
    count: ArrayLike = 10.0,
    difference: ArrayLike = 100.0,
    run: NDArray[np.int64] | None = None,
    **given: Any,
) -> FitData:
    """Cells of one run (or as ``run`` says), at 4 rad/s, 60 °C and no input torque, unless ``given``
    otherwise."""
    numbers = np.zeros(cells, dtype=np.int64) if run is None else run
    runs = int(numbers.max()) + 1
    fields: dict[str, Any] = {
        "difference": np.broadcast_to(np.asarray(difference, dtype=np.float64), cells).copy(),
        "input_torque": np.zeros(cells),
        "direction": -np.ones(cells),
        "speed_difference": np.full(cells, 4.0),
        "oil": np.full(cells, 60.0),
        "plate": np.full(cells, np.nan),
        "count": np.broadcast_to(np.asarray(count, dtype=np.float64), cells).copy(),
        "width": np.full(cells, 0.1),
        "time": np.arange(cells) * 0.1,
        "run": numbers,
        "visit": np.zeros(cells, dtype=np.int64),
        "refit_spread": np.zeros((1, 2)),
        "stretch": np.zeros(cells, dtype=np.int64),
        "noise": np.full(cells, noise),
        "sources": (),
        "effect_input": np.zeros((0, cells)),
        "effect_difference": np.zeros((0, cells)),
        "noise_share": np.zeros((0, cells)),
        "locking_slope": np.zeros(cells),
        "places": np.zeros((3, cells)),
        "turn_torque": np.zeros(runs),
        "turn_begins": np.ones(runs, dtype=bool),
        "turn_near": np.searchsorted(numbers, np.arange(runs)),
        "turn_before": numbers.copy(),
        "heat_time": np.tile(np.array([0.0, 0.5]), runs),
        "heat_power": np.zeros(2 * runs),
        "oil_rate": np.zeros(2 * runs),
        "heat_run": np.repeat(np.arange(runs), 2),
        "cell_heat": 2.0 * numbers,
        "friction_state": np.zeros(cells, dtype=np.int64),
        "segment_torque": np.zeros(runs),
        "run_names": tuple(f"run {i}" for i in range(runs)),
        "run_kinds": ("bias-sweep",) * runs,
    }
    return FitData(**{**fields, **given})


def make_candidate(
    model: LockingModel,
    residual: Array,
    *,
    sigma: float = 1.0,
    inflation: float = 1.0,
    x: Array | None = None,
    used: NDArray[np.bool_] | None = None,
) -> Candidate:
    """A form as if fitted, with a residual of choice: nothing was searched."""
    cells, names = residual.size, model.names
    x = names.start if x is None else x
    solution = Solution(x, 1.0, residual, np.zeros((cells, len(names))), True, (), 1, "")
    noise = CellNoise(np.full(cells, sigma), inflation, cells / inflation)
    used = np.ones(cells, dtype=bool) if used is None else used
    return Candidate(model, solution, residual, used, noise, (1.0,))


@pytest.fixture(scope="session")
def candidate_of() -> Callable[..., Candidate]:
    return make_candidate


@pytest.fixture(scope="session")
def data_of() -> Callable[..., FitData]:
    return make_data


@pytest.fixture(scope="session")
def demo_build() -> Build:
    return load_build(FIXTURES / "demo" / "unit-q17-rebuilt.toml")


@pytest.fixture(scope="session")
def cycles_of(demo_build: Build) -> Callable[..., Candidate]:
    """Return a function that makes a candidate with a residual of choice over sixteen cycles of torque at 100
    N·m of locking torque; nothing was searched."""
    cells = 3200
    time = np.arange(cells) * 0.1
    data = make_data(
        cells=cells,
        time=time,
        input_torque=700.0 * np.abs((time / 10.0) % 2.0 - 1.0) - 200.0,
        direction=np.where(np.floor(time / 20.0) % 2 == 0, 1.0, -1.0),
        speed_difference=np.array([1.5, 4.0])[np.floor(time / 40.0).astype(int) % 2],
        oil=np.linspace(45.0, 75.0, cells),
        stretch=np.floor(time / 10.0).astype(np.int64),
    )

    def make(
        structure: Callable[[FitData], Array] | None = None, *, noise: float = 1.0, seed: int = 1
    ) -> Candidate:
        form = Form(Additive(), Stribeck(1.0))
        setup = Setup.of([demo_build], data)

        class Level(LockingModel):
            """Of 100 N·m whatever the unknowns."""

            def locking(self, x: Array) -> Array:
                return np.full(cells, 100.0)

        names = setup.model(form).names
        model = Level(data, names, form, setup.sharing, setup.reference)
        residual = np.random.default_rng(seed).normal(0.0, noise, cells)
        if structure is not None:
            residual = residual - data.direction * structure(data)
        return make_candidate(model, residual, sigma=noise)

    return make


Fitted = Callable[[str, Callable[[], Characterisation]], Characterisation]


def fit_of(*names: str) -> Callable[[], Characterisation]:
    return lambda: fit([FIXTURES / f"{name}.toml" for name in names])


@pytest.fixture(scope="session")
def rebuilt(demo: Any) -> Characterisation:
    """Both outputs, additive: twelve cycles and a speed sweep, with a tare run; as the README's command
    fits it."""
    result: Characterisation = demo.characterisation
    return result


@pytest.fixture(scope="session")
def worn(fitted: Fitted) -> Characterisation:
    """The same unit after a season; nobody measured its spring."""
    return fitted("worn", fit_of("demo/worn/run"))


@pytest.fixture(scope="session")
def pinion(fitted: Fitted) -> Characterisation:
    """Torque at the pinion and one output, greater-of, spikes and gaps."""
    return fitted("pinion", fit_of("pinion-stand/run"))


@pytest.fixture(scope="session")
def hand(fitted: Fitted) -> Characterisation:
    """Wrench readings in both arrangements."""
    return fitted("hand", fit_of("hand-readings/run"))


@pytest.fixture(scope="session")
def shims(fitted: Fitted) -> Characterisation:
    """Four builds of one unit, fitted together."""
    return fitted("shims", fit_of(*(f"shims/run-shim-0.{i}mm" for i in range(4))))


@pytest.fixture(scope="session")
def refits(fitted: Fitted) -> Characterisation:
    """One build, taken out and put back between four visits, fitted together."""
    return fitted("refits", fit_of(*(f"repeats/run-refit-{i}" for i in range(1, 5))))


Columns = dict[str, NDArray[np.float64]]
Change = Callable[[Columns], Columns]


@dataclass(frozen=True)
class ShortVisit:
    """A bias sweep of six cycles of 16 s on the demo's cell, at +1.5, −1.5, +4, −4, +10 and −10 rad/s, and
    its papers.

    ``write`` puts it into a folder with its columns changed (time [s], torques [N·m], speeds [1/min], oil
    [°C]) and with texts of the papers replaced; ``fit`` fits that.
    """

    root: Path

    def write(self, name: str, change: Change | None = None, *replaced: tuple[str, str]) -> Path:
        folder = self.root / name
        folder.mkdir()
        source = FIXTURES / "shims"
        papers = ("twin-flange-cell.toml", "build-shim-0.2mm.toml", "run-shim-0.2mm.toml")
        texts = {paper: (source / paper).read_text(encoding="utf-8") for paper in papers}
        for old, new in replaced:
            holding = [paper for paper in papers if old in texts[paper]]
            assert holding, f"nothing to change: {old!r} stands in no paper"
            texts.update({paper: edited(texts[paper], old, new) for paper in holding})
        for paper, text in texts.items():
            (folder / paper).write_text(text, encoding="utf-8")
        recording = source / "shim-0.2mm.csv"
        header = recording.read_text(encoding="utf-8").partition("\n")[0]
        table = np.loadtxt(recording, delimiter=",", skiprows=1)
        names = ("time", "left_torque", "right_torque", "left_speed", "right_speed", "oil")
        columns = {name: table[:, i].copy() for i, name in enumerate(names)}
        if change is not None:
            columns = change(columns)
        rows = np.stack([columns[name] for name in names], axis=1)
        np.savetxt(
            folder / recording.name, rows, "%.4f", delimiter=",", header=header, comments="", encoding="utf-8"
        )
        return folder / "run-shim-0.2mm.toml"

    def fit(self, name: str, change: Change | None = None, *replaced: tuple[str, str]) -> Characterisation:
        return fit(self.write(name, change, *replaced))


@pytest.fixture(scope="session")
def short_visit(tmp_path_factory: pytest.TempPathFactory) -> ShortVisit:
    return ShortVisit(tmp_path_factory.mktemp("visits"))


@pytest.fixture(scope="session")
def short(short_visit: ShortVisit, fitted: Fitted) -> Characterisation:
    """The short visit as it is: no spring force, nominal angles."""
    return fitted("short", lambda: short_visit.fit("as-it-is"))


@pytest.fixture(scope="session")
def drive_only(short_visit: ShortVisit, fitted: Fitted) -> Characterisation:
    """The short visit without its coast torque."""

    def driving(columns: Columns) -> Columns:
        keep = columns["left_torque"] + columns["right_torque"] > 5.0
        return {name: values[keep] for name, values in columns.items()}

    return fitted("drive-only", lambda: short_visit.fit("drive-only", driving))
