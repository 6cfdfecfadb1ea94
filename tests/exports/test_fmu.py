"""Units for co-simulation: valid, run by FMPy and by a plain C host, sound between stick and slip."""

from __future__ import annotations

import re
import subprocess
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, ClassVar

import fmpy
import numpy as np
import pytest
from benchsim.driveline import Coupling, Ride, ride
from fmpy.fmi1 import FMICallException
from fmpy.fmi2 import FMU2Slave
from fmpy.fmi3 import FMU3Slave
from fmpy.validation import validate_fmu

from diffbench.errors import OutputError
from diffbench.exports import export_map
from diffbench.results import AXES, BRANCHES, LockingMap, MapDocument

VERSIONS = ("fmi2", "fmi3")
# value references, as the description gives them
INPUTS, TORQUES, BRANCH, INERTIA = [1, 2, 3, 4], [5, 6, 7, 8, 9], 11, 10


class Unit:
    """A unit in FMPy's hands, stepped by hand."""

    def __init__(self, path: Path, folder: Path, *, inertia: float = 1.0, branch: int = 0) -> None:
        self.description = fmpy.read_model_description(str(path))
        self.folder = fmpy.extract(str(path), str(folder))
        self.second = self.description.fmiVersion == "2.0"
        self.told: list[str] = []
        kind = FMU2Slave if self.second else FMU3Slave
        self.slave: Any = kind(
            guid=self.description.guid,
            unzipDirectory=self.folder,
            modelIdentifier=self.description.coSimulation.modelIdentifier,
            instanceName="unit",
        )
        self.slave.instantiate()
        self.set_real = self.slave.setReal if self.second else self.slave.setFloat64
        self.get_real = self.slave.getReal if self.second else self.slave.getFloat64
        self.set_whole = self.slave.setInteger if self.second else self.slave.setInt32
        self.time = 0.0
        self.settle(inertia, branch)

    def settle(self, inertia: float, branch: int) -> None:
        """Set it up."""
        self.set_real([INERTIA], [inertia])
        self.set_whole([BRANCH], [branch])

    def begin(self, torque: float, left: float, right: float, oil: float) -> None:
        """Initialize from these inputs."""
        if self.second:
            self.slave.setupExperiment(startTime=0.0)
        self.slave.enterInitializationMode()
        self.set_real(INPUTS, [torque, left, right, oil])
        self.slave.exitInitializationMode()

    def step(
        self, h: float, torque: float, left: float, right: float, oil: float
    ) -> tuple[float, float, bool]:
        """One step; left and right torque, locked."""
        self.set_real(INPUTS, [torque, left, right, oil])
        self.slave.doStep(self.time, h)
        self.time += h
        (locked,) = self.slave.getBoolean([12])
        left_torque, right_torque = self.get_real([5, 6])
        return left_torque, right_torque, bool(locked)


@pytest.fixture(scope="module")
def flat() -> LockingMap:
    """T = 80 + 0.4 |torque|, 15 % more at rest than from 4 rad/s on: friction that invites chatter."""
    torque, speed, heat = (
        np.array([-400.0, 0.0, 400.0]),
        np.array([0.0, 1.0, 4.0, 20.0]),
        np.array([20.0, 100.0]),
    )
    factor = np.array([1.15, 1.08, 1.0, 1.0])
    value = (80.0 + 0.4 * np.abs(torque))[:, None, None] * factor[None, :, None] * np.ones(2)
    branch = {
        "locking_torque_Nm": value.tolist(),
        "low_Nm": (0.95 * value).tolist(),
        "high_Nm": (1.05 * value).tolist(),
        "tested": np.ones(value.shape, dtype=bool).tolist(),
    }
    return LockingMap(
        MapDocument.model_validate(
            {
                "format": "diffbench-map/1",
                "unit": "Q17",
                "build": "Q17-a",
                "law": "additive",
                "confidence": 0.95,
                "axes": {n: a.tolist() for n, a in zip(AXES, (torque, speed, heat), strict=True)},
                "branches": dict.fromkeys(BRANCHES, branch),
                "notes": [],
                "provenance": {},
            }
        )
    )


@pytest.fixture(scope="module")
def units(
    awkward: LockingMap,
    flat: LockingMap,
    compiled: Callable[..., Path],
    tmp_path_factory: pytest.TempPathFactory,
) -> dict[str, Path]:
    """Both maps in both versions: ``fmi2``, ``fmi3``, ``flat-fmi2``, ``flat-fmi3``."""
    del compiled  # says that a compiler is there
    folder = tmp_path_factory.mktemp("units")
    found = {to: export_map(awkward, to, folder / f"q17-{to}.fmu")[0] for to in VERSIONS}
    found |= {f"flat-{to}": export_map(flat, to, folder / f"flat-{to}")[0] for to in VERSIONS}
    return found


@pytest.fixture
def started(units: dict[str, Path], tmp_path: Path) -> Iterator[Callable[..., Unit]]:
    """Units by name, ended after the test."""
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
    assert "Q17 µ" in text
    assert {"resources/map.json", "documentation/index.html", "sources/unit.h"} <= set(names)
    assert any(name.startswith("binaries/") for name in names)
    assert ("sources/buildDescription.xml" in names) == (to == "fmi3")


@pytest.mark.parametrize("to", VERSIONS)
def test_has_every_function_of_the_standard(to: str, units: dict[str, Path], tmp_path: Path) -> None:
    """By the standard's own header, as it comes with FMPy: no name missing, nothing else exported."""
    header = Path(fmpy.__file__).parent / "c-code" / f"{to}Functions.h"
    wanted = set(re.findall(rf"^#define ({to}[A-Z]\w+)\s+fmi\dFullName", header.read_text(), re.MULTILINE))
    if to == "fmi2":  # those for model exchange
        wanted -= set(
            re.findall(
                r"fmi2\w*(?:EventMode|ContinuousTime|DiscreteStates|IntegratorStep)\w*", " ".join(wanted)
            )
        )
        wanted -= {
            f"fmi2{name}"
            for name in (
                *("SetTime", "SetContinuousStates", "GetDerivatives", "GetEventIndicators"),
                *("GetContinuousStates", "GetNominalsOfContinuousStates"),
            )
        }
    assert len(wanted) > 30
    fmpy.extract(str(units[to]), str(tmp_path))
    (library,) = (tmp_path / "binaries").rglob("*.so")
    listed = subprocess.run(
        ["nm", "-D", "--defined-only", library], capture_output=True, encoding="utf-8", check=True
    )
    assert {line.split()[-1] for line in listed.stdout.splitlines()} == wanted


@pytest.mark.parametrize("to", VERSIONS)
@pytest.mark.parametrize("h", [0.001, 0.01])
def test_runs_as_the_library_does(
    to: str, h: float, started: Callable[..., Unit], awkward: LockingMap
) -> None:
    """A history through zero, all branches, against the map and the coupling in Python: to the last bit."""
    for index, branch in enumerate(("mean", "loading", "unloading", "either")):
        unit = started(to, inertia=0.8, branch=index)
        unit.begin(100.0, 12.0, 9.0, 60.0)
        mirror = Coupling(awkward, branch, 0.8, 3.0, 100.0, 60.0)
        for n in range(150):
            args = (h, 150.0 * np.cos(0.05 * n), 10.0 + 2.0 * np.cos(0.08 * n), 10.0, 45.0 + 0.3 * n)
            assert unit.step(*args) == mirror.step(*args)
            told = awkward.read(args[1], args[2] - args[3], args[4], branch=branch)
            assert unit.get_real(TORQUES[2:]) == [told.locking_torque, told.low, told.high]
            assert [bool(flag) for flag in unit.slave.getBoolean([13, 14])] == [told.tested, told.beyond]


@pytest.mark.parametrize("to", VERSIONS)
def test_simulated_by_fmpy(to: str, units: dict[str, Path], flat: LockingMap) -> None:
    """FMPy's own master: what is given at a time is asked for one step before. The delay, measured: torque
    jumps at 0.100 s, the locking torque follows at the end of the step that begins there."""
    time = np.arange(0.0, 0.2, 0.001)
    signals = np.zeros(
        time.size,
        dtype=[(n, "f8") for n in ("time", "input_torque", "left_speed", "right_speed", "oil_temperature")],
    )
    signals["time"], signals["left_speed"], signals["oil_temperature"] = time, 8.0, 60.0
    signals["input_torque"] = np.where(time < 0.0995, 0.0, 200.0)
    found = fmpy.simulate_fmu(
        str(units[f"flat-{to}"]),
        stop_time=0.199,
        step_size=0.001,
        output_interval=0.001,
        input=signals,
        output=["input_torque", "left_torque", "right_torque", "locking_torque", "locked"],
    )
    # FMPy's record holds beside an output the input that the step was made with
    np.testing.assert_allclose(found["left_torque"] + found["right_torque"], found["input_torque"])
    jump = int(np.argmax(found["locking_torque"] > 100.0))
    assert found["time"][jump] - 0.100 == pytest.approx(0.001, abs=1e-9)
    assert found["locking_torque"][-1] == flat.locking_torque(200.0, 8.0, 60.0)
    assert not found["locked"].any()


def history(unit: Unit | Coupling, h: float, *, side_by_side: bool) -> Ride:
    """From slip to stick, held against a load, torn loose, reversed through zero, and held again. The load on
    the right less that on the left rises to 0.6 and 1.4, then −1.4 times the locking torque."""
    limit = 80.0 + 0.4 * 200.0

    def loads(t: float) -> tuple[float, float]:
        points = [0.0, 1.0, 1.5, 3.5, 3.8, 4.0, 4.5, 4.9, 5.1, 9.0]
        share = [0.0, 0.0, 0.6, 0.6, 1.4, 1.4, -1.4, -1.4, 0.0, 0.0]
        apart = limit * float(np.interp(t, points, share))
        return 0.5 * (200.0 - apart), 0.5 * (200.0 + apart)

    return ride(
        unit,
        h=h,
        duration=9.0,
        inertia=1.0,
        torque=lambda t: 200.0,
        loads=loads,
        start=(14.0, 10.0),
        side_by_side=side_by_side,
    )


@pytest.mark.parametrize("side_by_side", [False, True], ids=["one after the other", "side by side"])
@pytest.mark.parametrize("h", [0.001, 0.01], ids=["1 kHz", "100 Hz"])
@pytest.mark.parametrize("to", VERSIONS)
class TestStickAndSlip:
    RIDES: ClassVar[dict[tuple[str, float, bool], Ride]] = {}

    def ridden(self, started: Callable[..., Unit], to: str, h: float, side_by_side: bool) -> Ride:
        """The same ride serves all tests of one case."""
        if (to, h, side_by_side) not in self.RIDES:
            unit = started(f"flat-{to}")
            unit.begin(200.0, 14.0, 10.0, 60.0)
            self.RIDES[to, h, side_by_side] = history(unit, h, side_by_side=side_by_side)
        return self.RIDES[to, h, side_by_side]

    def test_energy_balance_closes(
        self, started: Callable[..., Unit], to: str, h: float, side_by_side: bool
    ) -> None:
        """What is put in is what turns and what became heat, at every step; and heat comes back only as far
        as the spring of the stick can have stored it: T² h²/(0.18 J), T here 184 N·m at most."""
        found = self.ridden(started, to, h, side_by_side)
        lack = found.kinetic[0] + found.put_in - found.kinetic - found.heat
        assert np.max(np.abs(lack)) < 1e-6 * found.kinetic[0]
        stored = 184.0**2 * h**2 / 0.18
        assert np.max(np.maximum.accumulate(found.heat) - found.heat) <= stored
        assert found.heat[-1] > 10.0

    def test_locked_state_is_right(
        self, started: Callable[..., Unit], to: str, h: float, side_by_side: bool
    ) -> None:
        """Five changes, no more: held, torn loose, caught for a moment as the slip reverses, loose, held.
        While it is held against a load, friction is that load; while it slips, the locking torque."""
        found = self.ridden(started, to, h, side_by_side)
        assert np.count_nonzero(np.diff(found.locked.astype(int))) == 5
        held = (found.time > 3.2) & (found.time < 3.5)
        assert found.locked[held].all()
        assert np.max(np.abs(found.friction[held] - 0.6 * 160.0)) < 1e-6 * 160.0
        for window, sign in (((3.9, 4.0), 1.0), ((4.8, 4.9), -1.0)):
            slipping = (found.time > window[0]) & (found.time < window[1])
            assert not found.locked[slipping].any()
            assert (np.sign(found.difference[slipping]) == sign).all()
            assert (sign * found.friction[slipping] >= 160.0 - 1e-9).all()

    def test_nothing_chatters(
        self, started: Callable[..., Unit], to: str, h: float, side_by_side: bool
    ) -> None:
        """Held means at rest, although friction falls with speed; and when the first slip ends, zero is
        passed by no more than 1.1 times what one step at the locking torque changes."""
        found = self.ridden(started, to, h, side_by_side)
        for begin, end in ((3.2, 3.5), (8.5, 9.0)):
            held = (found.time > begin) & (found.time < end)
            assert np.max(np.abs(found.difference[held])) < 1e-6
        first = found.time < 1.0
        assert np.min(found.difference[first]) > -1.1 * h * 160.0 / 1.0


@pytest.mark.parametrize("share", [0.25, 0.5, 2.0])
@pytest.mark.parametrize("side_by_side", [False, True])
def test_an_inertia_that_is_not_the_true_one(share: float, side_by_side: bool, flat: LockingMap) -> None:
    """From a quarter of it to twice as much it is held in the end, and no energy is made of nothing."""
    found = history(Coupling(flat, "mean", share, 4.0, 200.0, 60.0), 0.001, side_by_side=side_by_side)
    assert np.max(np.abs(found.difference[found.time > 8.5])) < 1e-6
    assert np.count_nonzero(np.diff(found.locked.astype(int))) == 5
    stored = 184.0**2 * 0.001**2 / (0.18 * share)
    assert np.max(np.maximum.accumulate(found.heat) - found.heat) <= stored


@pytest.mark.parametrize("seed", range(5))
def test_no_energy_is_made_under_random_loads(seed: int, flat: LockingMap) -> None:
    """Loads that jump at random: friction takes energy over any stretch, but for what the spring stored."""
    rng = np.random.default_rng(seed)
    jumps = rng.uniform(-250.0, 250.0, 60)

    def loads(t: float) -> tuple[float, float]:
        apart = float(jumps[int(t / 0.05)])
        return 0.5 * (100.0 - apart), 0.5 * (100.0 + apart)

    for side_by_side in (False, True):
        found = ride(
            Coupling(flat, "mean", 1.0, 0.5, 100.0, 60.0),
            h=0.001,
            duration=2.9,
            inertia=1.0,
            torque=lambda t: 100.0,
            loads=loads,
            start=(10.5, 10.0),
            side_by_side=side_by_side,
        )
        stored = 138.0**2 * 0.001**2 / 0.18
        assert np.max(np.maximum.accumulate(found.heat) - found.heat) <= stored
        lack = found.kinetic[0] + found.put_in - found.kinetic - found.heat
        assert np.max(np.abs(lack)) < 1e-9 * max(found.kinetic.max(), 1.0)


@pytest.mark.parametrize("to", VERSIONS)
class TestInterface:
    def test_outputs_follow_inputs_while_it_is_initialized(
        self, to: str, started: Callable[..., Unit], awkward: LockingMap
    ) -> None:
        unit = started(to, branch=1)
        if unit.second:
            unit.slave.setupExperiment(startTime=0.0)
        unit.slave.enterInitializationMode()
        for torque in (50.0, 120.0):
            unit.set_real(INPUTS, [torque, 10.0, 14.0, 66.0])
            locking = awkward.locking_torque(torque, 4.0, 66.0, branch="loading")
            assert unit.get_real(TORQUES[:3]) == [0.5 * (torque + locking), 0.5 * (torque - locking), locking]

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
        unit.settle(1.0, 0)
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
        assert unit.step(0.001, 100.0, 12.0, 9.0, 60.0)[2] is False

    def test_refuses_a_step_that_is_none(self, to: str, started: Callable[..., Unit]) -> None:
        unit = started(to)
        unit.begin(100.0, 12.0, 9.0, 60.0)
        with pytest.raises(FMICallException, match="DoStep"):
            unit.step(0.0, 100.0, 12.0, 9.0, 60.0)

    def test_refuses_settings_that_cannot_be(self, to: str, started: Callable[..., Unit]) -> None:
        unit = started(to)
        with pytest.raises(FMICallException, match="fmi"):
            unit.set_whole([BRANCH], [4])
        with pytest.raises(FMICallException, match="fmi"):
            unit.set_real([TORQUES[0]], [1.0])
        with pytest.raises(FMICallException, match="fmi"):
            unit.get_real([77])
        unit.set_real([INERTIA], [-1.0])
        with pytest.raises(FMICallException, match="fmi"):
            unit.begin(100.0, 12.0, 9.0, 60.0)

    def test_refuses_a_description_that_is_not_its_own(
        self, to: str, units: dict[str, Path], tmp_path: Path
    ) -> None:
        folder = fmpy.extract(str(units[to]), str(tmp_path))
        text = (tmp_path / "modelDescription.xml").read_text(encoding="utf-8")
        name = fmpy.read_model_description(folder).coSimulation.modelIdentifier
        assert text
        kind = FMU2Slave if to == "fmi2" else FMU3Slave
        slave = kind(guid="{other}", unzipDirectory=folder, modelIdentifier=name, instanceName="unit")
        with pytest.raises(Exception, match="nstantiate"):
            slave.instantiate()


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
    const unsigned int in[4] = {1, 2, 3, 4}, out[3] = {5, 6, 7};
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
    const uint32_t in[4] = {1, 2, 3, 4}, out[3] = {5, 6, 7};
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


@pytest.mark.parametrize("to", VERSIONS)
@pytest.mark.parametrize(
    "sanitized", [False, True], ids=["as exported", "built from its source, with sanitizers"]
)
def test_in_a_plain_c_host(
    to: str,
    sanitized: bool,
    units: dict[str, Path],
    compiled: Callable[..., Path],
    awkward: LockingMap,
    tmp_path: Path,
) -> None:
    """A host in C that loads the library and knows nothing of Python; the same answers to the last bit. Built
    once more from the source within, every warning an error, and watched for wrong accesses and leaks."""
    folder = Path(fmpy.extract(str(units[to]), str(tmp_path)))
    description = fmpy.read_model_description(str(folder))
    identifier = description.coSimulation.modelIdentifier
    options: list[str] = []
    (library,) = (folder / "binaries").rglob("*.so")
    if sanitized:
        options = ["-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"]
        files = [f"{identifier}.c", f"{to}.c"]
        library = compiled(
            folder / "sources", "own.so", files, "-shared", "-fPIC", "-Wno-missing-prototypes", *options
        )
    (folder / "host.c").write_text(HOSTS[to], encoding="utf-8")
    host = compiled(folder, "host", ["host.c"], "-std=gnu99", "-w", *options, "-ldl")
    rng = np.random.default_rng(4)
    places = [(80.0, 11.0, 9.0, 60.0)]
    for _ in range(300):
        torque, left, right, oil = places[-1]
        places.append(
            (torque + rng.normal(0, 9), left + rng.normal(0, 0.2), right + rng.normal(0, 0.2), oil + 0.1)
        )
    lines = "\n".join(" ".join(float(value).hex() for value in place) for place in places)
    ran = subprocess.run(
        [host, library, description.guid], input=lines, capture_output=True, encoding="utf-8", check=False
    )
    assert ran.returncode == 0, ran.stderr
    found = [[float.fromhex(word) for word in line.split()] for line in ran.stdout.splitlines()]
    mirror = Coupling(awkward, "either", 1.0, 2.0, 80.0, 60.0)
    assert len(found) == len(places)
    for (left, right, locking), place in zip(found[1:], places[1:], strict=True):
        assert mirror.step(0.001, *place)[:2] == (left, right)
        assert locking == awkward.locking_torque(place[0], place[1] - place[2], place[3])


@pytest.mark.parametrize("to", VERSIONS)
class TestCompiler:
    def test_none_gives_source_alone(
        self, to: str, awkward: LockingMap, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setenv("CC", "none-such-compiler")
        (path,) = export_map(awkward, to, tmp_path / "q17.fmu")
        with zipfile.ZipFile(path) as archive:
            assert not any(name.startswith("binaries/") for name in archive.namelist())
            assert "sources/q17.c" in archive.namelist()
        assert validate_fmu(str(path)) == []

    def test_one_that_refuses_is_told(
        self, to: str, awkward: LockingMap, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        refuses = tmp_path.parent / f"{tmp_path.name}-refuses"
        refuses.write_text("#!/bin/sh\nexit 1\n", encoding="utf-8")
        refuses.chmod(0o755)
        monkeypatch.setenv("CC", str(refuses))
        with pytest.raises(OutputError, match="-refuses' refuses"):
            export_map(awkward, to, tmp_path / "q17.fmu")
        assert list(tmp_path.iterdir()) == []
