"""Flawless recordings through the command, once for all tests: what a user then reads must be the truth."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from benchsim.bench import Bench, write_bench
from benchsim.exact_benches import REFERENCE_SPEED, UNITS, exact_bench, recordings_of
from click.testing import CliRunner

from diffbench import fit
from diffbench.cli import main
from diffbench.results import make_map

CLOSE = 1e-3
SHAPES = {  # relative
    "static_friction_excess": 4e-3,
    "stribeck_speed": 4e-3,
    "friction_slope": 4e-3,
    "friction_temperature_coefficient": 4e-3,
    "viscous_coefficient": 4e-3,
    "viscous_temperature_coefficient": 4e-3,
    "heat_capacity": 1e-2,
    "heat_conductance": 1e-2,
}
BENCHES = tuple(UNITS)
WHOLE = ("additive", "greater-of-squared")  # with page and table: the others are spared those seconds


@dataclass(frozen=True)
class Fitted:
    """What the command wrote of a bench: documents as they stand in their files."""

    bench: Bench
    folder: Path

    @property
    def document(self) -> dict[str, Any]:
        """The characterisation."""
        found: dict[str, Any] = json.loads((self.folder / "characterisation.json").read_text("utf-8"))
        return found

    @property
    def parameters(self) -> dict[str, dict[str, Any]]:
        """Of the characterisation, by name."""
        found: dict[str, dict[str, Any]] = self.document["parameters"]
        return found

    @property
    def map_document(self) -> dict[str, Any]:
        """The map."""
        found: dict[str, Any] = json.loads((self.folder / "map.json").read_text("utf-8"))
        return found

    def truth(self) -> dict[str, float]:
        """Of every quantity, at the input torques at which the document quotes it."""
        torques = {
            flank: item["at_input_torque_Nm"]
            for flank in ("drive", "coast")
            if (item := self.parameters.get(f"locking_effect_{flank}")) is not None
        }
        return self.bench.unit.quantities(REFERENCE_SPEED, **torques)


def command(*words: object) -> int:
    """Run a command and return its exit status."""
    ran = CliRunner().invoke(main, [str(word) for word in words])
    if ran.exception is not None and not isinstance(ran.exception, SystemExit):
        raise ran.exception
    return ran.exit_code


@pytest.fixture(scope="session")
def run() -> Callable[..., int]:
    """The command."""
    return command


@pytest.fixture(scope="session")
def fitted_of(once: Callable[[str, Callable[[Path], None]], Path]) -> Callable[[str], Fitted]:
    """A flawless bench by its name, fitted by the command."""

    def fitted(name: str) -> Fitted:
        bench = exact_bench(name)

        def make(folder: Path) -> None:
            sheet = write_bench(bench, recordings_of([bench])[0], folder / "visit")
            if name in WHOLE:
                assert command("fit", sheet, "--out", folder / "result") == 0
                return
            (folder / "result").mkdir()
            result = fit(sheet)
            for file, document in (("characterisation", result), ("map", make_map(result))):
                (folder / "result" / f"{file}.json").write_text(document.to_json(), encoding="utf-8")

        return Fitted(bench, once(f"flawless-{name}", make) / "result")

    return fitted


@pytest.fixture(scope="session", params=BENCHES)
def fitted(request: pytest.FixtureRequest, fitted_of: Callable[[str], Fitted]) -> Fitted:
    """Each of them."""
    return fitted_of(request.param)


@pytest.fixture(scope="session")
def missed() -> Callable[..., dict[str, Any]]:
    """Parameters of a document that are off their truth: (found, true) by name."""

    def off(parameters: dict[str, dict[str, Any]], truth: dict[str, float]) -> dict[str, Any]:
        known = {name: item["value"] for name, item in parameters.items() if item["value"] is not None}
        assert known.keys() <= truth.keys(), "a quantity that no test knows"
        return {
            name: (value, truth[name])
            for name, value in known.items()
            # a joint that is rigid has no size of its own
            if not math.isclose(
                value, truth[name], rel_tol=SHAPES.get(name, CLOSE), abs_tol=CLOSE * (not truth[name])
            )
        }

    return off
