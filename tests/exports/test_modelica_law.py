"""The Modelica class: read by a parser of this test's own, and run beside the law in C."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from benchsim.c_law import Law

from diffbench.errors import OutputError
from diffbench.exports import export_map
from diffbench.results import LockingMap, MapDocument

NAMES = {"abs": abs, "exp": math.exp, "max": max, "min": min}


def conditional(text: str) -> str:
    """An expression of Modelica as one of Python."""
    text = text.replace("^", "**")
    while " then " in text:
        # the innermost first: the last one that opens
        at = [found.start() for found in re.finditer(r"\bif ", text)][-1]
        depth, end = 0, len(text)
        for i in range(at, len(text)):
            depth += {"(": 1, ")": -1}.get(text[i], 0)
            if depth < 0:
                end = i
                break
        parts = re.split(r"\bif | then | elseif | else ", text[at:end])[1:]
        python = parts[-1]
        for condition, value in reversed(list(zip(parts[:-1:2], parts[1:-1:2], strict=True))):
            python = f"(({value}) if_ ({condition}) else_ ({python}))"
        text = text[:at] + python + text[end:]
    return text.replace("if_", "if").replace("else_", "else")


class Model:
    """What stands in a class: numbers by name, and equations in order, each giving one unknown."""

    def __init__(self, text: str, name: str) -> None:
        assert text.startswith("within ;\n")
        assert re.search(rf"^model {name} ", text, re.MULTILINE)
        assert text.rstrip().endswith(f"end {name};")
        text = re.sub(r"//.*", "", text)
        declared, _, stated = text.partition("\nequation\n")
        self.values: dict[str, float] = {}
        self.names: set[str] = set()
        for line in re.findall(
            r"^\s+((?:final )?(?:parameter |constant |input |output )?(?:Real|Integer) .*);$", declared, re.M
        ):
            said = re.match(r"(?:[\w ]+ )?(?:Real|Integer) (\w+)(?:\(([^)]*)\))?(?: = (.+?))? \"", line)
            assert said, line
            self.names.add(said[1])
            if said[3]:
                self.values[said[1]] = eval(said[3], NAMES, self.values)  # noqa: S307 - the class just exported
        self.equations = []
        self.asserted = re.findall(r"^  assert\((\w+ >= [-\d.]+), \"([^\"]+)\"\);$", stated, re.M)
        for line in stated.split("\n"):
            if found := re.fullmatch(r"  (der\(\w+\)|\w+) = (.*);", line):
                left = found[1].replace("der(", "der_").rstrip(")")
                self.equations.append((left, compile(conditional(found[2]), line, "eval")))

    def at(self, **values: float) -> dict[str, float]:
        """Everything at some inputs and states."""
        known = self.values | values
        for condition, words in self.asserted:
            assert eval(condition, {}, known), words  # noqa: S307 - as below
        for name, code in self.equations:
            known[name] = eval(code, NAMES, known)  # noqa: S307 - as above
        return known


@pytest.fixture(scope="module")
def folder(lawful: LockingMap, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("modelica")
    export_map(lawful, "modelica-law", folder / "q17.mo")
    export_map(lawful, "c-law", folder / "q17")
    return folder


def test_every_unknown_has_one_equation(folder: Path) -> None:
    """As many equations as unknowns, each of them declared."""
    model = Model((folder / "q17.mo").read_text(encoding="utf-8"), "q17")
    states = {"twist", "plate_temperature", "ramp_torque", "energy_dissipated"}
    inputs = {"input_torque", "left_speed", "right_speed", "oil_temperature"}
    given = [name for name, _ in model.equations]
    assert len(given) == len(set(given))
    unknowns = model.names - set(model.values) - inputs - states
    assert set(given) == unknowns | {f"der_{state}" for state in states}


def test_below_absolute_zero_is_refused(folder: Path) -> None:
    """Of oil and of plates, in the words of the library."""
    model = Model((folder / "q17.mo").read_text(encoding="utf-8"), "q17")
    heats = {"oil_temperature": 60.0, "plate_temperature": 60.0}
    rest = dict.fromkeys(("input_torque", "left_speed", "right_speed", "twist", "ramp_torque"), 0.0)
    model.at(**rest, **heats, energy_dissipated=0.0)
    for name in heats:
        with pytest.raises(AssertionError, match=f"{name} is below absolute zero: give degrees Celsius"):
            model.at(**rest, **heats | {name: -273.16}, energy_dissipated=0.0)


@pytest.fixture(scope="module")
def library(folder: Path, compiled: Callable[..., Path]) -> Path:
    return compiled(folder, "law.so", ["q17_law.c"], "-shared", "-fPIC")


@pytest.mark.parametrize("branch", [0, 1, 2, 3, 4])
def test_is_the_law_in_c(branch: int, folder: Path, library: Path) -> None:
    """Rates, friction, heat and energy at random places of state and inputs, in all ways of slip and on each
    branch: to 1e-11."""
    model = Model((folder / "q17.mo").read_text(encoding="utf-8"), "q17")
    assert model.values["branch"] == 4
    model.values["branch"] = branch
    held = Law(library, "q17", branch=branch)
    rng, ways = np.random.default_rng(12), set()
    low, high = [-500.0, -3.0, 20.0, -2e-3, 20.0, -600.0], [500.0, 3.0, 120.0, 2e-3, 150.0, 600.0]
    for torque, difference, oil, twist, plates, carried in rng.uniform(low, high, (300, 6)).tolist():
        found = model.at(
            input_torque=torque, left_speed=difference, right_speed=0.0, oil_temperature=oil, twist=twist,
            plate_temperature=plates, ramp_torque=carried, energy_dissipated=7.0,
        )  # fmt: skip
        held.state.twist, held.state.plate_temperature, held.state.ramp_torque = twist, plates, carried
        way = held.way(torque, difference, oil)
        given = held.rates(way, torque, difference, oil)
        ways.add(way)
        for name, wanted in (
            ("friction_torque", given.friction_torque),
            ("locking_torque", given.limit.torque),
            ("heat_flow", given.heat_flow),
            ("der_twist", given.twist_rate),
            ("der_plate_temperature", given.plate_rate),
            ("der_energy_dissipated", given.heat_flow),
            ("left_torque", 0.5 * (torque - given.friction_torque)),
            ("energy_stored", 0.25 * 20.0 * held.setup.half_shaft_stiffness * twist**2),
            ("energy_in", 7.0 + 0.25 * 20.0 * held.setup.half_shaft_stiffness * twist**2),
        ):
            assert found[name] == pytest.approx(wanted, rel=1e-11, abs=1e-9), name
        stands = held.ramps(carried, torque)
        assert found["der_ramp_torque"] == pytest.approx((stands - carried) / 1e-4, rel=1e-12, abs=1e-9)
    assert ways == {-1, 0, 1}


def test_needs_the_law(awkward: LockingMap, tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="not the law that they are of"):
        export_map(awkward, "modelica-law", tmp_path / "q17")


@pytest.mark.parametrize(
    "name", ["model", "end", "der", "connector", "Real", "time", "twist", "abs", "double"]
)
def test_a_word_of_the_language_is_no_name(name: str, lawful: LockingMap, tmp_path: Path) -> None:
    """Modelica 3.4, sections 2.3.3 and 4.8; and what the class itself speaks of keeps its meaning within."""
    (path,) = export_map(lawful, "modelica-law", tmp_path / f"{name}.mo")
    text = path.read_text(encoding="utf-8")
    assert path.name == f"{name}.mo"
    assert re.search(rf"^model {name}_map ", text, re.M)
    assert text.endswith(f"end {name}_map;\n")


def test_what_the_fit_knows_of_a_parameter_stands_beside_it(lawful: LockingMap, tmp_path: Path) -> None:
    """Standard uncertainties to six digits: of biases as shares, of what was not fitted none."""
    (path,) = export_map(lawful, "modelica-law", tmp_path / "q17")
    text = path.read_text(encoding="utf-8")
    law = lawful.document.fitted_law
    assert law is not None
    wanted = [law.u(name) for name in ("preload_torque", "heat_capacity", "heat_conductance")]
    wanted += [
        law.u(name) / law.value(name) for name in ("ramp_bias_drive_loading", "ramp_bias_coast_loading")
    ]
    found = [float(word) for word in re.findall(r"standard uncertainty ([0-9.e+-]+[0-9])", text)]
    assert sorted(found) == pytest.approx(sorted(wanted), rel=1e-5)
    content = lawful.document.model_dump(mode="json")
    kept = [i for i, name in enumerate(law.names) if name not in ("heat_capacity", "heat_conductance")]
    assert len(kept) == len(law.names) - 2
    content["fitted_law"]["covariance"] = [
        [0.0 if name.startswith("ramp_bias") or other.startswith("ramp_bias") else value
         for other, value in zip(law.names, row, strict=True)]
        for name, row in zip(law.names, law.covariance, strict=True)
    ]  # fmt: skip
    content["fitted_law"]["values"][law.names.index("ramp_bias_coast_loading")] = 0.0
    content["sha256"] = None
    (path,) = export_map(LockingMap(MapDocument.model_validate(content)), "modelica-law", tmp_path / "none")
    again = path.read_text(encoding="utf-8")
    assert again.count("standard uncertainty") == text.count("standard uncertainty") - 1
    assert "standard uncertainty 0" in again
