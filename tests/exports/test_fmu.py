"""Simulation units: valid, run by FMPy and a plain C host, in both kinds, both versions, on both systems."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import xml.etree.ElementTree as ET
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import fmpy
import numpy as np
import pytest
from benchsim.c_law import Law
from edited import edited
from fmpy.fmi1 import FMICallException
from fmpy.fmi2 import FMU2Model, FMU2Slave
from fmpy.fmi3 import FMU3Model, FMU3Slave
from fmpy.validation import validate_fmu

from diffbench.errors import OutputError
from diffbench.exports import export_map
from diffbench.results import LockingMap

VERSIONS = ("fmi2", "fmi3")
INPUTS = ("input_torque", "left_speed", "right_speed", "oil_temperature")


class Unit:
    """A unit in FMPy's hands, by the names of its variables."""

    def __init__(self, path: Path, folder: Path, *, exchanged: bool = False, **settings: float) -> None:
        self.description = fmpy.read_model_description(str(path))
        folder = Path(fmpy.extract(str(path), str(folder)))
        self.second = self.description.fmiVersion == "2.0"
        kinds = ((FMU2Slave, FMU3Slave), (FMU2Model, FMU3Model))[exchanged]
        self.slave: Any = kinds[0 if self.second else 1](
            guid=self.description.guid,
            unzipDirectory=str(folder),
            modelIdentifier=self.description.coSimulation.modelIdentifier,
            instanceName="unit",
        )
        self.slave.instantiate()
        self.reference = {v.name: v.valueReference for v in self.description.modelVariables}
        self.set_real = self.slave.setReal if self.second else self.slave.setFloat64
        self.get_real = self.slave.getReal if self.second else self.slave.getFloat64
        self.set_whole = self.slave.setInteger if self.second else self.slave.setInt32
        self.time = 0.0
        self.settle(**settings)

    def settle(self, **settings: float) -> None:
        """Set parameters."""
        for name, value in settings.items():
            if name == "branch":
                self.set_whole([self.reference[name]], [value])
            else:
                self.set_real([self.reference[name]], [value])

    def drive(self, *values: float) -> None:
        """Set the inputs."""
        self.set_real([self.reference[name] for name in INPUTS], list(values))

    def read(self, *names: str) -> list[float]:
        """Numbers by name."""
        found: list[float] = self.get_real([self.reference[name] for name in names])
        return found

    def says(self, name: str) -> bool:
        """A boolean by name."""
        return bool(self.slave.getBoolean([self.reference[name]])[0])

    def begin(self, *inputs: float) -> None:
        """Initialize from these inputs."""
        if self.second:
            self.slave.setupExperiment(startTime=0.0)
        self.slave.enterInitializationMode()
        self.drive(*inputs)
        self.slave.exitInitializationMode()

    def step(self, h: float, *inputs: float) -> list[float]:
        """One step; friction torque, locking torque, plates."""
        self.drive(*inputs)
        self.slave.doStep(self.time, h)
        self.time += h
        return self.read("friction_torque", "locking_torque", "plate_temperature")


@pytest.fixture(scope="module")
def units(
    additive: LockingMap, compiled: Callable[..., Path], tmp_path_factory: pytest.TempPathFactory
) -> dict[str, Path]:
    """The unit by version, and the law alone as a library."""
    folder = tmp_path_factory.mktemp("units")
    found = {to: export_map(additive, to, folder / f"q17-{to}.fmu")[0] for to in VERSIONS}
    export_map(additive, "c-law", folder / "q17")
    return found | {"law": compiled(folder, "law.so", ["q17_law.c"], "-shared", "-fPIC")}


@pytest.fixture
def started(units: dict[str, Path], tmp_path: Path) -> Iterator[Callable[..., Unit]]:
    """Units by version, ended after the test."""
    made: list[Unit] = []

    def start(name: str, **settings: Any) -> Unit:
        made.append(Unit(units[name], tmp_path / f"{name}-{len(made)}", **settings))
        return made[-1]

    yield start
    for unit in made:
        unit.slave.freeInstance()


@pytest.mark.parametrize("to", VERSIONS)
def test_is_valid(to: str, units: dict[str, Path]) -> None:
    """Without a single message, and with all that belongs into it."""
    assert validate_fmu(str(units[to])) == []
    with zipfile.ZipFile(units[to]) as archive:
        names = archive.namelist()
        text = archive.read("modelDescription.xml").decode("utf-8")
        assert '"fitted_law"' in archive.read("resources/map.json").decode("utf-8")
    assert "Q17 µ" in text
    assert {"resources/map.json", "documentation/index.html", "sources/unit.h"} <= set(names)
    assert any(name.startswith("binaries/") for name in names)
    assert ("sources/buildDescription.xml" in names) == (to == "fmi3")


@pytest.mark.parametrize("to", VERSIONS)
def test_parameters_carry_what_the_fit_knows(to: str, units: dict[str, Path], additive: LockingMap) -> None:
    """Fitted values as starts, their standard uncertainties as annotations, from the document itself."""
    law = additive.document.fitted_law
    assert law is not None
    with zipfile.ZipFile(units[to]) as archive:
        tree = ET.fromstring(archive.read("modelDescription.xml"))
    told = {}
    for variable in tree.find("ModelVariables") or ():
        for element in variable.iter("{urn:diffbench:uncertainty}StandardUncertainty"):
            told[variable.get("name")] = float(element.get("value") or "nan")
    row = {name: i for i, name in enumerate(law.names)}
    u = {name: law.covariance[i][i] ** 0.5 for name, i in row.items()}
    bias = "ramp_bias_drive_loading", "ramp_bias_coast_loading"
    assert told == {
        "preload_torque": pytest.approx(u["preload_torque"]),
        "drive_bias_scale": pytest.approx(u[bias[0]] / law.values[row[bias[0]]]),
        "coast_bias_scale": pytest.approx(u[bias[1]] / law.values[row[bias[1]]]),
        "heat_capacity": pytest.approx(u["heat_capacity"]),
        "heat_conductance": pytest.approx(u["heat_conductance"]),
    }
    starts = {v.name: v.start for v in fmpy.read_model_description(str(units[to])).modelVariables}
    assert float(starts["preload_torque"]) == law.values[row["preload_torque"]]


@pytest.mark.parametrize("to", VERSIONS)
def test_has_every_function_of_the_standard(to: str, units: dict[str, Path], tmp_path: Path) -> None:
    """By the standard's own header, as it comes with FMPy: no name missing, nothing else exported."""
    header = Path(fmpy.__file__).parent / "c-code" / f"{to}Functions.h"
    wanted = set(re.findall(rf"^#define ({to}[A-Z]\w+)\s+fmi\dFullName", header.read_text(), re.MULTILINE))
    assert len(wanted) > 30
    fmpy.extract(str(units[to]), str(tmp_path))
    (library,) = (tmp_path / "binaries").rglob("q17_*.so")
    listed = subprocess.run(
        ["nm", "-D", "--defined-only", library], capture_output=True, encoding="utf-8", check=True
    )
    assert {line.split()[-1] for line in listed.stdout.splitlines()} == wanted


@pytest.mark.parametrize("to", VERSIONS)
def test_steps_as_the_law_does(
    to: str, started: Callable[..., Unit], units: dict[str, Path], additive: LockingMap
) -> None:
    """A history through zero with every parameter set, against the law called alone: to the last bit. Limits
    are the map's there, as shares of the torque; what was tested is the map's."""
    setup = {"preload_torque": 90.0, "friction_scale": 1.07, "heat_capacity": 700.0, "heat_conductance": 40.0}
    unit = started(
        to, **setup, drive_bias_scale=1.2, coast_bias_scale=0.9, output_inertia=0.8, half_shaft_stiffness=9e3,
        plate_start_excess=4.0,
    )  # fmt: skip
    alone = Law(
        units["law"],
        "q17",
        **setup,
        drive_scale=1.2,
        coast_scale=0.9,
        output_inertia=0.8,
        half_shaft_stiffness=9e3,
    )
    unit.begin(100.0, 12.0, 9.0, 56.0)
    assert unit.read("plate_temperature") == [60.0]
    for n in range(200):
        h, torque = (0.001, 0.0004)[n % 2], 350.0 * np.cos(0.05 * n)
        difference = 2.0 * np.cos(0.08 * n)
        oil = 50.0 + 0.3 * n
        friction, locking, plates = unit.step(h, torque, 10.0 + difference, 10.0, oil)
        assert friction == alone.step(h, torque, (10.0 + difference) - 10.0, oil)
        assert (locking, plates) == (alone.given.limit.torque, alone.state.plate_temperature)
        left, right, one, other = unit.read(
            "left_torque", "right_torque", "left_friction_torque", "right_friction_torque"
        )
        assert (left, right) == (0.5 * (torque - friction), 0.5 * (torque + friction))
        assert (one, other) == (-0.5 * friction, 0.5 * friction)
        taken, dissipated, stored = unit.read("energy_in", "energy_dissipated", "energy_stored")
        assert taken == pytest.approx(dissipated + stored, rel=1e-12)
        low, high = unit.read("locking_torque_low", "locking_torque_high")
        np.testing.assert_allclose([low, high], [0.96 * locking, 1.06 * locking], rtol=1e-9)
        place = (torque, difference, plates)
        assert unit.says("beyond_axes") == additive.read(*place).beyond
        assert not unit.says("inside_tested")
        assert unit.says("locked") == (alone.given.locked == 1)


def test_announces_nothing_within_a_step(units: dict[str, Path], tmp_path: Path) -> None:
    """Events are solved inside: a host may allow early return, and no step returns early; who asks for
    intermediate variables or event mode is refused, and told why (FMI 3.0, 4.2.1)."""
    description = fmpy.read_model_description(str(units["fmi3"]))
    references = {v.name: v.valueReference for v in description.modelVariables}
    folder = fmpy.extract(str(units["fmi3"]), str(tmp_path))

    def made(**asked: Any) -> FMU3Slave:
        unit = FMU3Slave(
            guid=description.guid, unzipDirectory=folder, instanceName="unit",
            modelIdentifier=description.coSimulation.modelIdentifier,
        )  # fmt: skip
        unit.instantiate(logMessage=lambda *told: said.append(told[-1].decode()), **asked)
        return unit

    said: list[str] = []
    for asked, why in (
        ({"eventModeUsed": True}, "co-simulation has no events here"),
        (
            {"requiredIntermediateVariables": [references["locked"]]},
            "the unit has no intermediate variables",
        ),
    ):
        with pytest.raises(Exception, match="Failed to instantiate"):
            made(**asked)
        assert why in said.pop()
    unit = made(earlyReturnAllowed=True)
    unit.enterInitializationMode()
    unit.setFloat64([references["left_speed"]], [1.0])
    unit.exitInitializationMode()
    for n in range(20):  # comes to stick on the way
        unit.setFloat64([references["left_speed"]], [max(1.0 - 0.1 * n, 0.0)])
        assert unit.doStep(0.01 * n, 0.01) == (False, False, False, 0.01 * n + 0.01)
    assert unit.getBoolean([references["locked"]]) == [True]
    unit.terminate()
    unit.freeInstance()


@pytest.mark.parametrize("to", VERSIONS)
def test_half_shafts_inside(to: str, started: Callable[..., Unit], units: dict[str, Path]) -> None:
    """As the law alone, to the last bit, and with its balance; refused while the model is exchanged."""
    setup = {"inner_inertia": 0.02, "half_shaft_damping": 8.0, "half_shaft_stiffness": 9e3}
    unit = started(to, **setup)
    alone = Law(units["law"], "q17", **setup)
    unit.begin(100.0, 12.0, 9.0, 60.0)
    for n in range(100):
        difference = 2.0 * np.cos(0.08 * n)
        friction = unit.step(0.001, 150.0, 10.0 + difference, 10.0, 60.0)[0]
        assert friction == alone.step(0.001, 150.0, (10.0 + difference) - 10.0, 60.0)
        taken, dissipated, stored = unit.read("energy_in", "energy_dissipated", "energy_stored")
        assert taken == pytest.approx(dissipated + stored, rel=1e-12)
        assert unit.read("slip_speed") == [alone.state.inner_speed]
    with pytest.raises(FMICallException, match="xitInitializationMode"):
        started(to, exchanged=True, **setup).begin(100.0, 12.0, 9.0, 60.0)


CHANGED = (
    *("preload_torque", "friction_scale", "drive_bias_scale", "coast_bias_scale"),
    *("heat_capacity", "heat_conductance"),
)


@pytest.mark.parametrize("to", VERSIONS)
class TestInsideWhatWasTested:
    """The bench had one unit, as fitted: tested up to 220 N·m there, from 20 to 130 °C of plates and oil."""

    def says(self, unit: Unit, torque: float = 100.0, oil: float = 60.0) -> bool:
        unit.begin(torque, 12.0, 9.0, oil)
        unit.step(0.001, torque, 12.0, 9.0, oil)
        return unit.says("inside_tested")

    def test_as_fitted(self, to: str, started: Callable[..., Unit], additive: LockingMap) -> None:
        law = additive.document.fitted_law
        assert law is not None
        assert self.says(started(to))
        assert not self.says(started(to), torque=230.0)
        of_host = {"output_inertia": 0.3, "half_shaft_stiffness": 9e3, "plate_start_excess": 9.0}
        assert self.says(started(to, preload_torque=law.value("preload_torque") * (1 + 1e-9), **of_host))

    @pytest.mark.parametrize("name", CHANGED)
    def test_changed(self, name: str, to: str, started: Callable[..., Unit], additive: LockingMap) -> None:
        law = additive.document.fitted_law
        assert law is not None
        fitted = law.value(name) if name in law.names else 1.0
        assert not self.says(started(to, **{name: 1.01 * fitted}))

    def test_far_hotter_oil(self, to: str, started: Callable[..., Unit]) -> None:
        """Plates begin as warm as told, and the film of the oil counts as well."""
        unit = started(to, plate_start_excess=-100.0)
        assert not self.says(unit, oil=160.0)
        assert unit.says("beyond_axes")
        assert unit.read("plate_temperature")[0] < 130.0
        low, high, locking = unit.read("locking_torque_low", "locking_torque_high", "locking_torque")
        assert low < 0.96 * locking - 0.01
        assert high > 1.06 * locking + 0.01


def test_of_a_map_as_measured_has_its_limits(measured: LockingMap, tmp_path: Path) -> None:
    """By the law it is 2.9 % below what was measured; its limits hold what was measured all the same."""
    said = "This is the law alone. The map shows the locking torque as measured, which is up to 2.9 % apart"
    (path,) = export_map(measured, "fmi2", tmp_path / "q17")
    with zipfile.ZipFile(path) as archive:
        assert said in archive.read("documentation/index.html").decode("utf-8")
        assert said in archive.read("modelDescription.xml").decode("utf-8")
    unit = Unit(path, tmp_path / "unit")
    # at a node of the map, oil and plates as warm as each other
    unit.begin(100.0, 4.0, 0.0, 60.0)
    torque = unit.step(1e-9, 100.0, 4.0, 0.0, 60.0)[1]
    low, high = unit.read("locking_torque_low", "locking_torque_high")
    unit.slave.freeInstance()
    place = (100.0, 4.0, 60.0)
    assert torque == pytest.approx(measured.by_the_law(*place, branch="loading"), rel=1e-6)
    assert (low, high) == pytest.approx(measured.interval(*place, branch="loading"), rel=1e-6)


@pytest.mark.parametrize("to", VERSIONS)
def test_says_that_the_stick_is_soft(to: str, started: Callable[..., Unit]) -> None:
    """0.18 J/h² against a half shaft of 15 kN·m/rad: at 0.1 kg·m² 18 kN·m/rad in 1 ms, 180 N·m/rad in 10."""
    unit = started(to, output_inertia=0.1)
    unit.begin(0.0, 1.0, 1.0, 60.0)
    unit.step(0.001, 0.0, 1.0, 1.0, 60.0)
    assert not unit.says("stick_is_soft")
    unit.step(0.01, 0.0, 1.0, 1.0, 60.0)
    assert unit.says("stick_is_soft")
    assert unit.read("stick_stiffness") == [pytest.approx(180.0)]


@pytest.mark.parametrize("kind", ["CoSimulation", "ModelExchange"])
@pytest.mark.parametrize("to", VERSIONS)
def test_simulated_by_fmpy(to: str, kind: str, units: dict[str, Path], additive: LockingMap) -> None:
    """FMPy's own masters and its solver (CVode): slip comes to a stick, is held, and torn loose. The energy
    balance closes, plates warm by the heat, and what sticks carries what twists it."""
    time = np.arange(0.0, 0.3, 0.0005)
    signals = np.zeros(time.size, dtype=[(n, "f8") for n in ("time", *INPUTS)])
    signals["time"], signals["oil_temperature"], signals["input_torque"] = time, 60.0, 150.0
    signals["left_speed"] = 6.0 * np.maximum(1.0 - time / 0.1, 0.0) - 0.4 * (time > 0.2) * (time - 0.2) / 0.1
    names = ["friction_torque", "locking_torque", "energy_in", "energy_dissipated", "energy_stored"]
    found = fmpy.simulate_fmu(
        str(units[to]),
        fmi_type=kind,
        stop_time=0.299,
        step_size=0.0005 if kind == "CoSimulation" else None,
        output_interval=0.001,
        relative_tolerance=1e-7 if kind == "ModelExchange" else None,
        input=signals,
        output=[*names, "locked", "plate_temperature"],
    )
    friction, locking = found["friction_torque"], found["locking_torque"]
    at = found["time"]
    early, held, late = at < 0.09, (at > 0.12) & (at < 0.19), at > 0.25
    np.testing.assert_allclose(friction[early][5:], locking[early][5:], rtol=1e-6)
    np.testing.assert_allclose(friction[late], -locking[late], rtol=1e-6)
    assert found["locked"][held].all()
    assert not found["locked"][early][5:].any()
    np.testing.assert_allclose(
        found["energy_in"], found["energy_dissipated"] + found["energy_stored"], rtol=1e-6, atol=1e-6
    )
    slid = 0.5 * np.trapezoid(np.abs(friction * np.interp(at, time, signals["left_speed"])), at)
    assert found["energy_in"][-1] == pytest.approx(slid, rel=0.01)
    # of it no more than 72 W/K · 0.3 s / 890 J/K, 2.4 %, reaches the oil in that time
    warmed = found["energy_dissipated"][-1] / 890.0
    assert found["plate_temperature"][-1] - 60.0 == pytest.approx(warmed, rel=0.024)


@pytest.mark.parametrize("to", VERSIONS)
class TestModelExchange:
    def test_rates_indicators_and_derivatives_are_those_of_the_law(
        self, to: str, started: Callable[..., Unit], units: dict[str, Path]
    ) -> None:
        """The unit against the law alone, in both modes of slip: to the last bit."""
        unit = started(to, exchanged=True)
        alone = Law(units["law"], "q17")
        unit.begin(120.0, 10.0, 10.0, 60.0)
        (unit.slave.newDiscreteStates if unit.second else unit.slave.updateDiscreteStates)()
        unit.slave.enterContinuousTimeMode()
        rates = unit.slave.getDerivatives if unit.second else unit.slave.getContinuousStateDerivatives
        for twist, difference in ((1e-4, 0.001), (2e-3, 1.5), (-2e-3, -0.7)):
            states = (alone_states := np.array([twist, 71.0, 5.0])).ctypes
            pointer = states.data_as(fmpy.fmi2.POINTER(fmpy.fmi2.c_double))
            unit.slave.setContinuousStates(pointer, 3)
            unit.drive(120.0, 10.0 + difference, 10.0, 60.0)
            unit.slave.enterEventMode()
            (unit.slave.newDiscreteStates if unit.second else unit.slave.updateDiscreteStates)()
            unit.slave.enterContinuousTimeMode()
            alone.state.twist, alone.state.plate_temperature = twist, 71.0
            alone.state.ramp_torque = 0.0
            seen = (10.0 + difference) - 10.0
            way = alone.way(120.0, seen)
            given = alone.rates(way, 120.0, seen)
            found, margins = np.zeros(3), np.zeros(2)
            rates(found.ctypes.data_as(fmpy.fmi2.POINTER(fmpy.fmi2.c_double)), 3)
            unit.slave.getEventIndicators(margins.ctypes.data_as(fmpy.fmi2.POINTER(fmpy.fmi2.c_double)), 2)
            assert found.tolist() == [given.twist_rate, given.plate_rate, given.heat_flow]
            assert margins.tolist() == list(given.margin)
            assert unit.read("friction_torque") == [given.friction_torque]
            unknown = [
                unit.reference[n] for n in ("friction_torque", "der(twist)", "heat_flow", "left_torque")
            ]
            known = [unit.reference[n] for n in ("left_speed", "right_speed", "input_torque")]
            changed = unit.slave.getDirectionalDerivative(unknown, known, [0.7, 0.2, 3.0])
            c = alone.along(way, (3.0, 0.7 - 0.2, 0.0), 0.0, 0.0)
            wanted = [c.friction_torque, c.twist_rate, c.heat_flow, 0.5 * (3.0 - c.friction_torque)]
            np.testing.assert_allclose(changed, wanted, rtol=1e-14)
            limits = [unit.reference[n] for n in ("locking_torque_low", "locking_torque_high")]
            along = unit.slave.getDirectionalDerivative(limits, known[:1], [1.0])
            np.testing.assert_allclose(
                along, np.array([0.96, 1.06]) * alone.along(way, (0.0, 1.0, 0.0), 0.0, 0.0).limit.torque,
                rtol=1e-5, atol=1e-6,
            )  # fmt: skip
            assert alone_states[0] == twist

    def test_ramps_follow_completed_steps_alone(self, to: str, started: Callable[..., Unit]) -> None:
        """What a solver tries and throws away does not move them."""
        unit = started(to, exchanged=True)
        unit.begin(100.0, 15.0, 10.0, 60.0)
        unit.slave.enterContinuousTimeMode()
        first = unit.read("locking_torque")
        unit.drive(300.0, 15.0, 10.0, 60.0)  # a trial
        assert unit.read("locking_torque") > first
        unit.drive(100.0, 15.0, 10.0, 60.0)
        assert unit.read("locking_torque") == first
        unit.drive(300.0, 15.0, 10.0, 60.0)
        unit.slave.completedIntegratorStep()
        unit.drive(280.0, 15.0, 10.0, 60.0)
        assert unit.read("ramp_torque") == [300.0]

    def test_tells_where_a_host_missed_an_event(self, to: str, started: Callable[..., Unit]) -> None:
        unit = started(to, exchanged=True)
        unit.begin(0.0, 10.0, 10.0, 60.0)
        unit.slave.enterContinuousTimeMode()
        assert unit.slave.completedIntegratorStep()[0] == 0
        unit.drive(0.0, 14.0, 10.0, 60.0)
        assert unit.slave.completedIntegratorStep()[0] == 1


@pytest.mark.parametrize("to", VERSIONS)
class TestInterface:
    def test_outputs_follow_inputs_while_it_is_initialized(
        self, to: str, started: Callable[..., Unit], additive: LockingMap
    ) -> None:
        unit = started(to, branch=1)
        if unit.second:
            unit.slave.setupExperiment(startTime=0.0)
        unit.slave.enterInitializationMode()
        for torque in (100.0, 220.0):
            unit.drive(torque, 11.5, 10.0, 60.0)
            locking = additive.locking_torque(torque, 1.5, 60.0, branch="loading")
            found = unit.read("left_torque", "right_torque", "locking_torque")
            wanted = [0.5 * (torque - locking), 0.5 * (torque + locking), locking]
            np.testing.assert_allclose(found, wanted, rtol=1e-13)

    def test_goes_back_to_a_state_that_was_kept(self, to: str, started: Callable[..., Unit]) -> None:
        """A copy, and bytes of it: the same step gives the same again."""
        unit = started(to)
        unit.begin(100.0, 12.0, 11.9, 60.0)
        for _ in range(5):
            unit.step(0.001, 100.0, 12.0, 11.98, 60.0)
        get, put = ("getFMUstate", "setFMUstate") if unit.second else ("getFMUState", "setFMUState")
        state = getattr(unit.slave, get)()
        first = [unit.step(0.001, 100.0, 12.0, 11.99, 60.0) for _ in range(3)]
        getattr(unit.slave, put)(state)
        assert [unit.step(0.001, 100.0, 12.0, 11.99, 60.0) for _ in range(3)] == first
        serialize, deserialize, free = (
            ("serializeFMUstate", "deSerializeFMUstate", "freeFMUstate")
            if unit.second
            else ("serializeFMUState", "deserializeFMUState", "freeFMUState")
        )
        again = getattr(unit.slave, deserialize)(getattr(unit.slave, serialize)(state))
        getattr(unit.slave, put)(again)
        assert [unit.step(0.001, 100.0, 12.0, 11.99, 60.0) for _ in range(3)] == first
        for kept in (state, again):
            getattr(unit.slave, free)(kept)

    def test_begins_anew_after_a_reset(self, to: str, started: Callable[..., Unit]) -> None:
        unit = started(to)
        unit.begin(100.0, 12.0, 9.0, 60.0)
        first = [unit.step(0.001, 100.0, 12.0, 12.01, 60.0) for _ in range(4)]
        unit.slave.terminate()
        unit.slave.reset()
        unit.begin(100.0, 12.0, 9.0, 60.0)
        assert [unit.step(0.001, 100.0, 12.0, 12.01, 60.0) for _ in range(4)] == first

    @pytest.mark.parametrize("bad", [float("nan"), float("inf")])
    def test_refuses_a_step_on_what_is_no_number(
        self, to: str, bad: float, started: Callable[..., Unit]
    ) -> None:
        unit = started(to)
        unit.begin(100.0, 12.0, 9.0, 60.0)
        with pytest.raises(FMICallException, match="DoStep"):
            unit.step(0.001, bad, 12.0, 9.0, 60.0)
        assert unit.step(0.001, 100.0, 12.0, 9.0, 60.0)[0] > 0.0

    def test_refuses_what_cannot_be(self, to: str, started: Callable[..., Unit]) -> None:
        unit = started(to)
        with pytest.raises(FMICallException, match="fmi"):
            unit.settle(branch=5)
        with pytest.raises(FMICallException, match="fmi"):
            unit.settle(left_torque=1.0)
        with pytest.raises(FMICallException, match="fmi"):
            unit.get_real([77])
        unit.settle(output_inertia=-1.0)
        with pytest.raises(FMICallException, match="fmi"):
            unit.begin(100.0, 12.0, 9.0, 60.0)
        cold = started(to)
        cold.settle(plate_start_excess=-400.0)
        with pytest.raises(FMICallException, match="fmi"):
            cold.begin(100.0, 12.0, 9.0, 60.0)
        whole = started(to)
        whole.begin(100.0, 12.0, 9.0, 60.0)
        with pytest.raises(FMICallException, match="fmi"):
            whole.settle(oil_temperature=-273.16)
        assert whole.read("oil_temperature") == [60.0]
        with pytest.raises(FMICallException, match="DoStep"):
            whole.step(0.0, 100.0, 12.0, 9.0, 60.0)
        with pytest.raises(FMICallException, match="fmi"):
            whole.settle(preload_torque=50.0)
        with pytest.raises(FMICallException, match="fmi"):  # derivatives are for exchanged models
            whole.slave.getDirectionalDerivative([whole.reference["friction_torque"]], [2], [1.0])

    def test_refuses_a_description_that_is_not_its_own(
        self, to: str, units: dict[str, Path], tmp_path: Path
    ) -> None:
        folder = fmpy.extract(str(units[to]), str(tmp_path))
        name = fmpy.read_model_description(folder).coSimulation.modelIdentifier
        kind = FMU2Slave if to == "fmi2" else FMU3Slave
        slave = kind(guid="{other}", unzipDirectory=folder, modelIdentifier=name, instanceName="unit")
        with pytest.raises(Exception, match="nstantiate"):
            slave.instantiate()


def by_another(
    path: Path, folder: Path, rows: list[tuple[float, ...]], outputs: list[str]
) -> list[list[float]]:
    """What an importer that shares no code with FMPy reads after each step."""
    module = "fmi2" if path.stem.endswith("fmi2") else "fmi3"
    importer: Any = pytest.importorskip(f"fmuloader.{module}", reason="the second importer is not installed")
    described = ET.fromstring(zipfile.ZipFile(path).read("modelDescription.xml"))
    references = {
        v.get("name"): int(v.get("valueReference", "")) for v in described.find("ModelVariables") or ()
    }
    (name,) = {part.get("modelIdentifier") for part in described.iter("CoSimulation")}
    loaded = (importer.Fmi2Slave if module == "fmi2" else importer.Fmi3Slave)(
        path, model_identifier=name, unpack_dir=folder
    )
    assert loaded.get_version() == ("2.0" if module == "fmi2" else "3.0")
    if module == "fmi2":
        # its own allocation cuts addresses to 32 bits: the unit's
        guid = described.get("guid")
        loaded.instantiate(
            "unit",
            importer.Fmi2Type.CO_SIMULATION,
            guid=guid,
            cannot_use_memory_management_functions=True,
        )
        loaded.setup_experiment(start_time=0.0)
        put, get = loaded.set_real, loaded.get_real
    else:
        token = described.get("instantiationToken")
        with pytest.raises(Exception, match="NULL"):
            loaded.instantiate_co_simulation("unit", instantiation_token=token, event_mode_used=True)
        with pytest.raises(Exception, match="NULL"):
            loaded.instantiate_co_simulation(
                "unit", instantiation_token=token, required_intermediate_variables=[references["locked"]]
            )
        loaded.instantiate_co_simulation("unit", instantiation_token=token, early_return_allowed=True)
        put, get = loaded.set_float64, loaded.get_float64
    inputs, wanted = ([references[n] for n in names] for names in (INPUTS, outputs))
    put([references["preload_torque"]], [93.0])
    loaded.enter_initialization_mode()
    put(inputs, list(rows[0][1:]))
    loaded.exit_initialization_mode()
    t, seen = 0.0, []
    for h, *driven in rows:
        put(inputs, driven)
        loaded.do_step(t, h)
        t += h
        flags = loaded.get_boolean([references["locked"], references["inside_tested"]])
        seen.append([*get(wanted), *(float(flag) for flag in flags)])
    loaded.terminate()
    loaded.free_instance()
    return seen


@pytest.mark.parametrize("to", VERSIONS)
def test_a_second_importer_reads_the_same(
    to: str, started: Callable[..., Unit], units: dict[str, Path], tmp_path: Path
) -> None:
    """fmuloader, by code of its own, against FMPy over 300 steps through stick and slip: to the last bit. It
    cannot have what the unit does not announce, events and intermediate variables."""
    rows = [
        (
            (0.001, 0.0004)[n % 2],
            *(300.0 * np.cos(0.05 * n), 10.0 + 2.0 * np.cos(0.08 * n), 10.0, 60.0 + 0.1 * n),
        )
        for n in range(300)
    ]
    outputs = ["friction_torque", "locking_torque", "plate_temperature", "energy_in", "locking_torque_high"]
    there = by_another(units[to], tmp_path / "another", rows, outputs)
    unit = started(to, preload_torque=93.0)
    unit.begin(*rows[0][1:])
    here = []
    for h, *driven in rows:
        unit.step(h, *driven)
        here.append([*unit.read(*outputs), *(float(unit.says(n)) for n in ("locked", "inside_tested"))])
    assert there == here
    assert {row[-2] for row in here} == {0.0, 1.0}


HOSTS = {
    "fmi2": r"""
#include <dlfcn.h>
#include <stdio.h>
#include <stdlib.h>
typedef void *(*instantiate_t)(const char *, int, const char *, const char *, const void *, int, int);
typedef int (*setup_t)(void *, int, double, double, int, double);
typedef int (*simple_t)(void *);
typedef int (*get_t)(void *, const unsigned int[], size_t, double[]);
typedef int (*set_t)(void *, const unsigned int[], size_t, const double[]);
typedef int (*step_t)(void *, double, double, int);
static struct
{
    void *logger;
    void *(*take)(size_t, size_t);
    void (*give)(void *);
    void *finished;
    void *environment;
} callbacks = {NULL, calloc, free, NULL, NULL};
#define GET(type, name) (*(type *)&(void *){dlsym(library, name)})
int main(int count, char **words)
{
    void *library = dlopen(words[1], RTLD_NOW);
    void *unit;
    const unsigned int in[4] = {1, 2, 3, 4}, out[3] = {7, 11, 19};
    double given[3], asked[4];
    int n;
    if (count < 3 || library == NULL) { return 3; }
    unit = GET(instantiate_t, "fmi2Instantiate")("unit", 1, words[2], "", &callbacks, 0, 0);
    if (unit == NULL) { return 4; }
    if (GET(setup_t, "fmi2SetupExperiment")(unit, 0, 0.0, 0.0, 0, 0.0) != 0) { return 5; }
    if (GET(simple_t, "fmi2EnterInitializationMode")(unit) != 0) { return 6; }
    for (n = 0; scanf("%la %la %la %la", &asked[0], &asked[1], &asked[2], &asked[3]) == 4; n++)
    {
        if (GET(set_t, "fmi2SetReal")(unit, in, 4, asked) != 0) { return 7; }
        if (n == 0) { if (GET(simple_t, "fmi2ExitInitializationMode")(unit) != 0) { return 8; } }
        else if (GET(step_t, "fmi2DoStep")(unit, 0.001 * (n - 1), 0.001, 1) != 0) { return 9; }
        if (GET(get_t, "fmi2GetReal")(unit, out, 3, given) != 0) { return 10; }
        printf("%a %a %a\n", given[0], given[1], given[2]);
    }
    GET(simple_t, "fmi2Terminate")(unit);
    (*(void (**)(void *))&(void *){dlsym(library, "fmi2FreeInstance")})(unit);
    dlclose(library);
    return 0;
}
""",
    "fmi3": r"""
#include <dlfcn.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
typedef void *(*instantiate_t)(const char *, const char *, const char *, bool, bool, bool, bool,
                               const uint32_t[], size_t, void *, void *, void *);
typedef int (*begin_t)(void *, bool, double, double, bool, double);
typedef int (*simple_t)(void *);
typedef int (*get_t)(void *, const uint32_t[], size_t, double[], size_t);
typedef int (*set_t)(void *, const uint32_t[], size_t, const double[], size_t);
typedef int (*step_t)(void *, double, double, bool, bool *, bool *, bool *, double *);
#define GET(type, name) (*(type *)&(void *){dlsym(library, name)})
int main(int count, char **words)
{
    void *library = dlopen(words[1], RTLD_NOW);
    void *unit;
    const uint32_t in[4] = {1, 2, 3, 4}, out[3] = {7, 11, 19};
    double given[3], asked[4], last;
    bool event, terminate, early;
    int n;
    if (count < 3 || library == NULL) { return 3; }
    unit = GET(instantiate_t, "fmi3InstantiateCoSimulation")(
        "unit", words[2], "", false, false, false, false, NULL, 0, NULL, NULL, NULL);
    if (unit == NULL) { return 4; }
    if (GET(begin_t, "fmi3EnterInitializationMode")(unit, false, 0.0, 0.0, false, 0.0) != 0) { return 6; }
    for (n = 0; scanf("%la %la %la %la", &asked[0], &asked[1], &asked[2], &asked[3]) == 4; n++)
    {
        if (GET(set_t, "fmi3SetFloat64")(unit, in, 4, asked, 4) != 0) { return 7; }
        if (n == 0) { if (GET(simple_t, "fmi3ExitInitializationMode")(unit) != 0) { return 8; } }
        else if (GET(step_t, "fmi3DoStep")(
                     unit, 0.001 * (n - 1), 0.001, true, &event, &terminate, &early, &last) != 0)
        {
            return 9;
        }
        if (GET(get_t, "fmi3GetFloat64")(unit, out, 3, given, 3) != 0) { return 10; }
        printf("%a %a %a\n", given[0], given[1], given[2]);
    }
    GET(simple_t, "fmi3Terminate")(unit);
    (*(void (**)(void *))&(void *){dlsym(library, "fmi3FreeInstance")})(unit);
    dlclose(library);
    return 0;
}
""",
}


def rows(count: int = 300) -> list[tuple[float, float, float, float]]:
    """A random history of inputs, through stick and slip."""
    rng = np.random.default_rng(4)
    places = [(80.0, 11.0, 9.0, 60.0)]
    for _ in range(count):
        torque, left, right, oil = places[-1]
        left, right = (0.9 * speed + 1.0 + rng.normal(0, 0.2) for speed in (left, right))
        places.append((torque + rng.normal(0, 9), left, right, oil + 0.01))
    return places


def told_by(command: list[str | Path], places: list[tuple[float, float, float, float]]) -> list[list[float]]:
    """What a host prints for rows of inputs."""
    lines = "\n".join(" ".join(float(value).hex() for value in place) for place in places)
    ran = subprocess.run(command, input=lines, capture_output=True, encoding="utf-8", check=False)
    assert ran.returncode == 0, ran.stderr
    found = [[float.fromhex(word) for word in line.split()] for line in ran.stdout.splitlines()]
    assert len(found) == len(places)
    return found[1:]


@pytest.mark.parametrize("to", VERSIONS)
@pytest.mark.parametrize(
    "sanitized", [False, True], ids=["as exported", "built from its source, with sanitizers"]
)
def test_in_a_plain_c_host(
    to: str, sanitized: bool, units: dict[str, Path], compiled: Callable[..., Path], tmp_path: Path
) -> None:
    """A host in C that loads the library and knows nothing of Python; the same answers to the last bit. Built
    once more from the source within, every warning an error, and watched for wrong accesses and leaks."""
    folder = Path(fmpy.extract(str(units[to]), str(tmp_path)))
    description = fmpy.read_model_description(str(folder))
    identifier = description.coSimulation.modelIdentifier
    options: list[str] = []
    (library,) = (folder / "binaries").rglob(f"{identifier}.so")
    if sanitized:
        options = ["-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"]
        files = [f"{identifier}.c", f"{identifier}_law.c", f"{to}.c"]
        library = compiled(
            folder / "sources", "own.so", files, "-shared", "-fPIC", "-Wno-missing-prototypes", *options
        )
    (folder / "host.c").write_text(HOSTS[to], encoding="utf-8")
    host = compiled(folder, "host", ["host.c"], "-std=gnu99", "-w", *options, "-ldl")
    alone = Law(units["law"], "q17")
    places = rows()
    for (friction, low, plates), place in zip(told_by([host, library, description.guid], places), places[1:],
                                              strict=True):  # fmt: skip
        assert alone.step(0.001, place[0], place[1] - place[2], place[3]) == friction
        assert plates == alone.state.plate_temperature
        assert low == pytest.approx(0.96 * alone.given.limit.torque, rel=1e-9)


def needed(program: str, package: str) -> str:
    """A program of the system: skipped without it, but where the machine is set up for tests."""
    found = shutil.which(program) or shutil.which(program, path="/usr/lib/wine")
    if found is None:
        if os.environ.get("CI") == "true":
            pytest.fail(f"no {program}: .ci/run installs Debian's package {package}")
        pytest.skip(f"needs {program}: Debian's package {package}")
    return found


@pytest.fixture(scope="module")
def wine(tmp_path_factory: pytest.TempPathFactory) -> list[str | Path]:
    """What runs a program for Windows, in a home of its own that is made once."""
    program = needed("wine64", "wine64")
    home = str(tmp_path_factory.mktemp("wine"))
    quiet = {"WINEDEBUG": "-all", "WINEPREFIX": home, "HOME": home, "PATH": os.defpath}
    return ["env", *(f"{name}={value}" for name, value in quiet.items()), program]


@pytest.mark.parametrize("to", VERSIONS)
def test_on_windows(
    to: str, units: dict[str, Path], compiled: Callable[..., Path], wine: list[str | Path], tmp_path: Path
) -> None:
    """The library for Windows, in a host for Windows, run by wine: bit for bit what Linux gives, over 1,000
    steps."""
    compiler = needed("x86_64-w64-mingw32-gcc", "gcc-mingw-w64-x86-64")
    folder = Path(fmpy.extract(str(units[to]), str(tmp_path)))
    description = fmpy.read_model_description(str(folder))
    (library,) = (folder / "binaries").rglob("*.dll")
    (linux,) = (folder / "binaries").rglob("x86_64-linux/*.so" if to == "fmi3" else "linux64/*.so")
    (folder / "host.c").write_text(HOSTS[to], encoding="utf-8")
    windows = edited(HOSTS[to], "#include <dlfcn.h>", WINDOWS)
    (folder / "windows.c").write_text(windows, encoding="utf-8")
    subprocess.run([compiler, "-w", "-O2", "-o", "host.exe", "windows.c"], cwd=folder, check=True)
    host = compiled(folder, "host", ["host.c"], "-std=gnu99", "-w", "-ldl")
    places = rows(1000)
    here = told_by([host, linux, description.guid], places)
    assert told_by([*wine, folder / "host.exe", library, description.guid], places) == here


WINDOWS = """
#define __USE_MINGW_ANSI_STDIO 1
#include <windows.h>
#define RTLD_NOW 0
#define dlopen(path, how) ((void *)LoadLibraryA(path))
#define dlsym(library, name) ((void *)GetProcAddress((HMODULE)(library), name))
#define dlclose(library) FreeLibrary((HMODULE)(library))
"""


@pytest.fixture
def hurried(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """Compilers that do not optimise, for whether a source builds; for what it then does they are as ever."""
    folder = tmp_path_factory.mktemp("hurried")
    for name in ("cc", "x86_64-w64-mingw32-gcc", "aarch64-linux-gnu-gcc"):
        if (real := shutil.which(name)) is not None:
            (folder / name).write_text(f'#!/bin/sh\nexec {real} "$@" -O0\n', encoding="utf-8")
            (folder / name).chmod(0o755)
    monkeypatch.setenv("PATH", str(folder), prepend=os.pathsep)


@pytest.mark.parametrize("to", VERSIONS)
class TestCompiler:
    def test_none_gives_source_alone(
        self, to: str, additive: LockingMap, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setenv("CC", "none-such-compiler")
        (path,) = export_map(additive, to, tmp_path / "q17.fmu")
        with zipfile.ZipFile(path) as archive:
            assert not any(name.startswith("binaries/") for name in archive.namelist())
            assert "sources/q17.c" in archive.namelist()
        assert validate_fmu(str(path)) == []

    def test_one_that_refuses_is_told(
        self, to: str, additive: LockingMap, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        refuses = tmp_path.parent / f"{tmp_path.name}-refuses"
        refuses.write_text("#!/bin/sh\nexit 1\n", encoding="utf-8")
        refuses.chmod(0o755)
        monkeypatch.setenv("CC", str(refuses))
        with pytest.raises(OutputError, match="-refuses' refuses"):
            export_map(additive, to, tmp_path / "q17.fmu")
        assert list(tmp_path.iterdir()) == []

    def test_one_for_another_machine_is_refused(
        self, to: str, additive: LockingMap, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A library for Windows never stands where one for Linux belongs."""
        needed("x86_64-w64-mingw32-gcc", "gcc-mingw-w64-x86-64")
        monkeypatch.setenv("CC", "x86_64-w64-mingw32-gcc")
        with pytest.raises(OutputError, match="makes code for win32 x86_64, and not for linux x86_64"):
            export_map(additive, to, tmp_path / "q17.fmu")
        assert list(tmp_path.iterdir()) == []

    def test_a_map_without_its_law_is_refused(self, to: str, awkward: LockingMap, tmp_path: Path) -> None:
        with pytest.raises(OutputError, match="not the law that they are of"):
            export_map(awkward, to, tmp_path / "q17.fmu")
        assert list(tmp_path.iterdir()) == []

    @pytest.mark.usefixtures("hurried")
    @pytest.mark.parametrize("name", ["unit", "UNIT", "fmi2", "fmi3", "string"])
    def test_a_file_beside_its_own_is_no_name(
        self, name: str, to: str, additive: LockingMap, tmp_path: Path
    ) -> None:
        """The sources are all there, and are built."""
        (path,) = export_map(additive, to, tmp_path / f"{name}.fmu")
        with zipfile.ZipFile(path) as archive:
            held = archive.namelist()
        assert {f"sources/{file}" for file in ("unit.h", f"{to}.c", f"{name}_map.c", f"{name}_map.h")} <= set(
            held
        )
        assert len({each.lower() for each in held}) == len(held)
        assert any(each.startswith("binaries/") for each in held)
        assert validate_fmu(str(path)) == []
