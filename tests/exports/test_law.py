"""The law in C and in Python: against the physics that a fit uses, against each other, and its energy."""

from __future__ import annotations

import math
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from benchsim.c_law import Law

from diffbench.errors import OutputError
from diffbench.exports import Differential, export_map
from diffbench.physics.plate_heat import excess_temperature
from diffbench.physics.ramps import at_turns
from diffbench.physics.steady import steady_locking_torque
from diffbench.results import LockingMap, MapDocument

Make = Callable[..., Law]
BRANCH = {"mean": 0, "loading": 1, "unloading": 2}


@pytest.fixture(scope="session")
def built(
    lawful: LockingMap, compiled: Callable[..., Path], tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """The exported source, compiled with every warning an error."""
    folder = tmp_path_factory.mktemp("law")
    written = export_map(lawful, "c-law", folder / "q17")
    assert [path.name for path in written] == ["q17_law.h", "q17_law.c"]
    return compiled(folder, "law.so", ["q17_law.c"], "-shared", "-fPIC")


@pytest.fixture
def make(built: Path) -> Make:
    """A differential by that library, with settings of its own."""
    return lambda **settings: Law(built, "q17", **settings)


@pytest.fixture(scope="session")
def built_additive(
    additive: LockingMap, compiled: Callable[..., Path], tmp_path_factory: pytest.TempPathFactory
) -> Make:
    """As `make`, of the additive law."""
    folder = tmp_path_factory.mktemp("additive")
    export_map(additive, "c-law", folder / "q17")
    library = compiled(folder, "law.so", ["q17_law.c"], "-shared", "-fPIC")
    return lambda **settings: Law(library, "q17", **settings)


def test_is_the_law_of_the_fit(make: Make, lawful: LockingMap) -> None:
    """On each branch, both flanks, near stand-still and fast, cold and hot. To 1e-13: exp is its own."""
    rng = np.random.default_rng(2)
    law = lawful.document.fitted_law
    assert law is not None
    unit = law.unit_quantities()
    for branch, number in BRANCH.items():
        held = make(branch=number)
        for torque, speed, heat in rng.uniform([-600.0, -9.0, -10.0], [700.0, 9.0, 180.0], (200, 3)).tolist():
            wanted = float(steady_locking_torque(unit, torque, speed, heat, branch))
            found = held.locking(0.0, heat, torque, speed, heat).torque
            assert found == pytest.approx(wanted, rel=1e-13)


def test_is_the_map_at_its_nodes(make: Make, lawful: LockingMap) -> None:
    """What a map carries is the law that its tables are of."""
    held = make(branch=1)
    for torque in lawful.axes[0].tolist():
        found = held.locking(0.0, 60.0, torque, 1.5, 60.0).torque
        assert found == pytest.approx(lawful.locking_torque(torque, 1.5, 60.0, "loading"), rel=1e-13)


def test_plates_and_oil_each_have_their_part(make: Make, lawful: LockingMap) -> None:
    """Friction follows the plates, the film the oil: by hand from the relations of the design."""
    law = lawful.document.fitted_law
    assert law is not None
    held = make(branch=1)
    base = held.locking(0.0, 60.0, 200.0, 4.0, 60.0).torque
    hot = held.locking(0.0, 100.0, 200.0, 4.0, 60.0).torque
    thin = held.locking(0.0, 60.0, 200.0, 4.0, 100.0).torque
    film = law.value("viscous_coefficient") * 4.0
    gear = law.value("gear_friction") * 200.0
    factor = 1.0 + 40.0 * law.value("friction_temperature_coefficient")
    assert hot - film - gear == pytest.approx(factor * (base - film - gear), rel=1e-12)
    decay = math.exp(-40.0 * law.value("viscous_temperature_coefficient"))
    assert base - thin == pytest.approx(film * (1.0 - decay), rel=1e-10)


def test_ramps_play(make: Make, lawful: LockingMap) -> None:
    """Against the play operator of the physics, over a history through zero on both flanks."""
    law = lawful.document.fitted_law
    assert law is not None
    torque = np.cumsum(np.random.default_rng(4).normal(0.0, 60.0, 400))
    held, carried, found = make(), 0.0, []
    for at in torque.tolist():
        carried = held.ramps(carried, at)
        found.append(carried)
    for sign, name in ((1.0, "unloading_ratio_drive"), (-1.0, "unloading_ratio_coast")):
        flank = np.maximum(sign * torque, 0.0)
        wanted = at_turns(flank, law.value(name) * flank)
        np.testing.assert_allclose(np.maximum(sign * np.array(found), 0.0), wanted, rtol=1e-15)
    assert (
        len({round(a / b, 6) for a, b in zip(found, torque.tolist(), strict=True)}) > 50
    )  # between both, too


@pytest.mark.parametrize(("delay", "ahead"), [(0.0, 0.5), (1.0, 1.5)])
def test_foresees_when_friction_acts(delay: float, ahead: float, make: Make) -> None:
    """The locking torque is that of the middle of the step over which friction acts.

    Exactly so for a torque that rises evenly, whatever the steps, as soon as it was known for the longest of
    them; never past zero; and the ramps stand where they were taken."""

    def locking(torque: float) -> float:
        return held.locking(0.0, 60.0, torque, 3.0, 60.0).torque

    held = make(branch=1, heat_capacity=0.0, friction_delay=delay)
    held.step(0.001, 100.0, 3.0)
    assert held.given.limit.torque == locking(100.0)
    t = 0.001
    for h in (0.001, 0.0001, 0.001, 0.0001, 0.0001, 0.0006, 0.001):
        torque = 100.0 + 4e4 * t
        held.step(h, torque, 3.0)
        assert held.given.limit.torque == pytest.approx(locking(torque + 4e4 * ahead * h), rel=1e-13)
        assert held.state.ramp_torque == torque
        t += h
    held.step(0.001, 4.0, 3.0)
    assert held.given.limit.torque == locking(0.0)
    held.step(0.01, 50.0, 3.0)  # longer than anything known
    assert held.given.limit.torque == locking(50.0)


def test_plates_heat_up_as_the_physics_has_it(make: Make, lawful: LockingMap) -> None:
    """Heat even over each step: exact for any row of steps."""
    rng = np.random.default_rng(5)
    held = make(branch=1)
    steps, heats, plates = rng.uniform(1e-4, 0.02, 3000), [], [60.0]
    for h in steps.tolist():
        held.step(h, 150.0, 3.0, 60.0)
        heats.append(held.given.heat_flow)
        plates.append(held.state.plate_temperature)
    time = np.concatenate([[0.0], np.cumsum(steps)])
    law = lawful.document.fitted_law
    assert law is not None
    wanted = excess_temperature(time, heats, law.value("heat_conductance"), law.value("heat_capacity"))
    np.testing.assert_allclose(np.array(plates) - 60.0, wanted, rtol=1e-9, atol=1e-9)
    assert plates[-1] > 62.0


def test_exp_is_its_own(make: Make, lawful: LockingMap) -> None:
    """Over all temperatures that may be, through the oil film: within three units of the last place."""
    law = lawful.document.fitted_law
    assert law is not None
    held = make(friction_scale=0.0)
    b, c = law.value("viscous_temperature_coefficient"), law.value("viscous_coefficient")
    for oil in np.linspace(-273.0, 2000.0, 801).tolist():
        found = held.locking(0.0, 60.0, 0.0, 1.0, oil).torque
        assert found == pytest.approx(c * math.exp(-(b * (oil - 60.0))), rel=8e-16)


@pytest.mark.parametrize("way", [0, 1, -1])
def test_derivatives_are_those_of_differences(way: int, make: Make) -> None:
    """Of rates and friction along each input and state, sticking and slipping, ramps on limits or between."""
    rng = np.random.default_rng(6 + way)
    for _ in range(30):
        held = make()
        place = np.array(
            [*rng.uniform([20.0, 0.5, 40.0], [400.0, 5.0, 90.0]), rng.uniform(-1e-3, 1e-3), 75.0]
        )
        place[:2] *= rng.choice([-1.0, 1.0], 2)
        carried = float(rng.choice([0.0, 1.1, 3.0])) * float(place[0])
        held.state.ramp_torque = carried

        def at(x: Any, held: Law = held) -> np.ndarray:
            held.state.twist, held.state.plate_temperature = float(x[3]), float(x[4])
            g = held.rates(way, *(float(part) for part in x[:3]))
            return np.array(
                [g.friction_torque, g.heat_flow, g.twist_rate, g.plate_rate, *g.margin, g.limit.torque]
            )

        for i in range(5):
            seed = np.zeros(5)
            seed[i] = 1.0
            size = 1e-6 * max(abs(place[i]), 1e-3)
            wanted = (at(place + size * seed) - at(place - size * seed)) / (2.0 * size)
            at(place)
            c = held.along(way, tuple(seed[:3]), seed[3], seed[4])
            found = [c.friction_torque, c.heat_flow, c.twist_rate, c.plate_rate, *c.margin, c.limit.torque]
            # differences lose some eight of sixteen digits of the largest part
            np.testing.assert_allclose(found, wanted, rtol=2e-6, atol=1e-7 * (1.0 + np.abs(wanted).max()))


def test_python_steps_thousands_alike(make: Make, lawful: LockingMap) -> None:
    """Each of several cars as C steps it alone: random histories, steps and parameters of their own."""
    rng = np.random.default_rng(7)
    cars = 7
    preload, inertia = rng.uniform(40.0, 150.0, cars), rng.uniform(0.02, 2.0, cars)
    scale, delay = rng.uniform(0.8, 1.2, cars), rng.uniform(0.0, 1.0, cars)
    fleet = Differential(
        lawful, cars=cars, preload_torque=preload, output_inertia=inertia, friction_scale=scale,
        friction_delay=delay, drive_bias_scale=1.1, coast_bias_scale=0.9,
    )  # fmt: skip
    single = [
        make(
            preload_torque=p, output_inertia=j, friction_scale=s, friction_delay=d, drive_scale=1.1,
            coast_scale=0.9,
        )
        for p, j, s, d in zip(preload, inertia, scale, delay, strict=True)
    ]  # fmt: skip
    torque, speed = np.zeros(cars), np.zeros(cars)
    for h in rng.choice([1e-4, 1e-3, 4e-3], 600).tolist():
        torque, speed = torque + rng.normal(0, 30, cars), 0.8 * speed + rng.normal(0, 0.3, cars)
        given = fleet.step(h, torque, speed, 70.0)
        alone = [one.step(h, t, w, 70.0) for one, t, w in zip(single, torque, speed, strict=True)]
        np.testing.assert_allclose(given.friction_torque, alone, rtol=1e-9, atol=1e-9)
        assert given.locked.tolist() == [one.given.locked == 1 for one in single]
    for name in ("plate_temperature", "energy_in", "energy_dissipated", "ramp_torque", "twist"):
        wanted = [getattr(one.state, name) for one in single]
        np.testing.assert_allclose(getattr(fleet, name), wanted, rtol=1e-9, atol=1e-12)
    assert {one.given.locked for one in single} == {0, 1} or given.locked.any()


RANDOM = r"""
#include <stdio.h>
#include "q17_law.h"
static uint64_t seed = 88172645463325252ULL;
static double drawn(void)
{
    seed ^= seed << 13; seed ^= seed >> 7; seed ^= seed << 17;
    return (double)(seed >> 11) / 9007199254740992.0;
}
/* 10,000 rows of 200 steps, of any length from 0.01 ms to 1 s, of anything: worst over all. */
int main(void)
{
    double given_back = 0.0, unbalanced = 0.0, cooled = 0.0;
    long n;
    int i;
    for (n = 0; n < 10000; n++)
    {
        q17_setup setup; q17_state state; q17_given given;
        double flowed = 0.0, taken = 0.0, size = 0.02 + 5.0 * drawn();
        q17_as_fitted(&setup);
        setup.output_inertia = 0.01 + 3.0 * drawn();
        setup.friction_delay = drawn();
        if (n % 2 == 1) /* half shafts inside */
        {
            setup.inner_inertia = 0.001 + 0.1 * drawn();
            setup.half_shaft_damping = 20.0 * drawn();
            setup.half_shaft_stiffness = 1e3 + 3e4 * drawn();
        }
        q17_begin(&state, 60.0);
        for (i = 0; i < 200; i++)
        {
            const double h = 1e-5 * (drawn() < 0.5 ? 1.0 : 1e5 * drawn() * drawn() * drawn());
            const q17_drive drive = {1000.0 * (drawn() - 0.5), size * (drawn() - 0.5), 200.0 * drawn()};
            const double before = state.energy_dissipated;
            double stored;
            if (i == 0) /* what turns inside brings that */
            {
                flowed = taken = 0.25 * setup.inner_inertia * drive.speed_difference * drive.speed_difference;
            }
            if (q17_step(&setup, &state, h, &drive, &given) != 1 || given.heat_flow < 0.0) { return 2; }
            taken += 0.5 * given.friction_torque * drive.speed_difference * h;
            flowed += 0.5 * (given.friction_torque > 0 ? given.friction_torque : -given.friction_torque) *
                      (drive.speed_difference > 0 ? drive.speed_difference : -drive.speed_difference) * h;
            stored = q17_stored(&setup, &state);
            if (-taken > given_back * flowed) { given_back = -taken / flowed; }
            if ((taken - state.energy_dissipated - stored) * (taken - state.energy_dissipated - stored) >
                unbalanced * unbalanced * flowed * flowed)
            {
                const double off = taken - state.energy_dissipated - stored;
                unbalanced = (off < 0.0 ? -off : off) / flowed;
            }
            if (before - state.energy_dissipated > cooled) { cooled = before - state.energy_dissipated; }
        }
    }
    printf("%.17g %.17g %.17g\n", given_back, unbalanced, cooled);
    return 0;
}
"""


def test_gives_back_no_more_than_it_took(
    lawful: LockingMap, tmp_path: Path, compiled: Callable[..., Path]
) -> None:
    """Passive over 10,000 random rows of 200 steps each, at every step of each: energy out never exceeds
    energy in, and what was taken is what was dissipated and what is stored, to 1e-12 of what flowed; in
    half of them half shafts are inside."""
    export_map(lawful, "c-law", tmp_path / "q17")
    (tmp_path / "host.c").write_text(RANDOM, encoding="utf-8")
    host = compiled(tmp_path, "host", ["host.c", "q17_law.c"], "-Wno-conversion")
    given_back, unbalanced, cooled = (
        float(word) for word in subprocess.run([host], capture_output=True, check=True).stdout.split()
    )
    assert given_back <= 0.0
    assert cooled <= 0.0
    assert unbalanced < 1e-12


def test_what_cannot_be_changes_nothing(make: Make) -> None:
    held = make()
    held.step(0.001, 100.0, 2.0)
    before = bytes(held.state)
    nan, inf = float("nan"), float("inf")
    for args in (
        *((0.0, 1.0, 1.0, 60.0), (-0.001, 1.0, 1.0, 60.0), (nan, 1.0, 1.0, 60.0), (inf, 1.0, 1.0, 60.0)),
        *((0.001, nan, 1.0, 60.0), (0.001, 1.0, inf, 60.0), (0.001, 1.0, 1.0, nan)),
        (0.001, 1.0, 1.0, -273.16),
    ):
        assert held.refuses(*args)
        assert bytes(held.state) == before
    held.state.plate_temperature = -274.0
    assert held.refuses(0.001, 1.0, 1.0, 60.0)
    assert np.isnan(held.locking(0.0, -274.0, 100.0, 2.0, 60.0).torque)


def test_settings_that_cannot_be(built: Path) -> None:
    for name, value in (
        ("preload_torque", -1.0), ("friction_scale", float("nan")), ("output_inertia", 0.0),
        ("half_shaft_stiffness", float("inf")), ("inner_inertia", -0.1),
        ("half_shaft_damping", float("nan")), ("branch", 5), ("branch", -1), ("friction_delay", -0.1),
        ("friction_delay", 1.1),
    ):  # fmt: skip
        with pytest.raises(AssertionError):
            Law(built, "q17", **{name: value})


def test_only_the_unit_that_the_bench_had_is_as_fitted(make: Make, lawful: LockingMap) -> None:
    """A host's own settings leave it so, and digits that a page of parameters drops; a hundredth does not."""
    law = lawful.document.fitted_law
    assert law is not None
    preload = law.value("preload_torque")
    assert make().is_as_fitted()
    assert make(output_inertia=0.2, half_shaft_stiffness=1e4, friction_delay=1.0, branch=2).is_as_fitted()
    assert make(preload_torque=preload * (1.0 + 1e-9)).is_as_fitted()
    for name in ("preload_torque", "heat_capacity", "heat_conductance"):
        assert not make(**{name: 1.01 * law.value(name)}).is_as_fitted()
    for name in ("friction_scale", "drive_scale", "coast_scale"):
        assert not make(**{name: 0.99}).is_as_fitted()


class TestInPython:
    def test_says_what_it_is(self, additive: LockingMap) -> None:
        assert repr(Differential(additive, cars=3)) == "<Differential of 3 cars, ramps followed>"

    @pytest.mark.parametrize(
        ("settings", "said"),
        [
            ({"branch": "up"}, "'up' is no branch"),
            ({"branch": 3}, "'3' is no branch"),
            ({"output_inertia": 0.0}, "output_inertia is negative"),
            ({"heat_capacity": -1.0}, "heat_capacity is negative"),
            ({"friction_delay": 2.0}, "friction_delay is more than one step"),
            (
                {"cars": 3, "preload_torque": [1.0, 2.0]},
                r"preload_torque has 2 numbers of shape \(2,\) for 3",
            ),
            ({"cars": 2, "friction_scale": [[1.0, 2.0]]}, r"friction_scale has 2 numbers of shape \(1, 2\)"),
            (
                {"cars": 2, "drive_bias_scale": [1.0, math.nan]},
                "drive_bias_scale is no finite number for car 1",
            ),
            ({"oil_temperature": math.inf}, "oil_temperature is no finite number"),
            ({"oil_temperature": -273.2}, "oil_temperature is below absolute zero"),
            ({"cars": 2, "plate_temperature": [60.0, -300.0]}, "plate_temperature is below .* for car 1"),
            ({"oil_temperature": "60"}, "oil_temperature is '60', no number"),
            ({"plate_temperature": ["60"]}, "plate_temperature is a list, no number"),
            ({"coast_bias_scale": [[1.0], [1.0, 2.0]]}, "coast_bias_scale is a list, no number"),
            ({"output_inertia": None}, "output_inertia is a NoneType, no number"),
            ({"heat_conductance": 1j}, "heat_conductance is a complex, no number"),
            ({"cars": 0}, "cars is 0"),
            ({"cars": -2}, "cars is -2"),
            ({"cars": 1.5}, "cars is 1.5"),
            ({"cars": "two"}, "cars is 'two'"),
        ],
    )
    def test_refuses_what_cannot_be(self, settings: Any, said: str, additive: LockingMap) -> None:
        with pytest.raises(OutputError, match=said):
            Differential(additive, **settings)

    @pytest.mark.parametrize(
        ("given", "said"),
        [
            ((0.0, 100.0, 1.0, 60.0), "a step must be positive"),
            (("fast", 100.0, 1.0, 60.0), "step is 'fast', no number"),
            (([0.001, 0.001], 100.0, 1.0, 60.0), "step has 2 numbers"),
            ((math.nan, 100.0, 1.0, 60.0), "step is no finite number"),
            ((0.001, "100", 1.0, 60.0), "input_torque is '100', no number"),
            ((0.001, 100.0, [1.0, 2.0, 3.0], 60.0), r"speed_difference has 3 numbers of shape \(3,\) for 2"),
            ((0.001, 100.0, 1.0, [60.0, math.inf]), "oil_temperature is no finite number for car 1"),
            ((0.001, 400.0, 4.0, -400.0), "oil_temperature is below absolute zero"),
            ((0.001, 100.0, 1.0, [60.0, -300.0]), "oil_temperature is below absolute zero for car 1"),
            ((0.001, 100.0, None, 60.0), "speed_difference is a NoneType, no number"),
        ],
    )
    def test_refuses_a_step_that_cannot_be(self, given: Any, said: str, additive: LockingMap) -> None:
        held = Differential(additive, cars=2)
        with pytest.raises(OutputError, match=said):
            held.step(*given)
        assert held.energy_in.tolist() == [0.0, 0.0]
        assert held.ramp_torque.tolist() == [0.0, 0.0]

    def test_refuses_what_is_no_map(self) -> None:
        held: Any = "demo-result/map.json"
        with pytest.raises(OutputError, match=r"locking_map is .*demo-result.*, no map"):
            Differential(held)

    def test_heat_is_a_setting(self, additive: LockingMap, built_additive: Make) -> None:
        """Of each car: capacity, conductance and start, as C heats one alone; without capacity as the oil."""
        capacity, conductance = [300.0, 0.0, 2000.0], [0.0, 10.0, 500.0]
        held = Differential(
            additive, cars=3, heat_capacity=capacity, heat_conductance=conductance, plate_temperature=80.0
        )
        assert held.plate_temperature.tolist() == [80.0] * 3
        alone = [
            built_additive(heat_capacity=c, heat_conductance=h)
            for c, h in zip(capacity, conductance, strict=True)
        ]
        for one in alone:
            one.state.plate_temperature = 80.0
        for _ in range(400):
            held.step(0.01, 300.0, 5.0, 60.0)
            for one in alone:
                one.step(0.01, 300.0, 5.0, 60.0)
        wanted = [one.state.plate_temperature for one in alone]
        np.testing.assert_allclose(held.plate_temperature, wanted, rtol=1e-9)
        assert held.plate_temperature[1] == 60.0
        assert held.plate_temperature[0] > 85.0

    def test_outputs_share_the_input_torque(self, additive: LockingMap) -> None:
        """The sum is the input torque; the slower one gets more, by the friction torque."""
        given = Differential(additive, cars=2).step(0.01, [300.0, -100.0], [4.0, -4.0], 60.0)
        np.testing.assert_allclose(given.left_torque + given.right_torque, [300.0, -100.0])
        np.testing.assert_allclose(given.right_torque - given.left_torque, given.friction_torque)
        assert given.left_torque[0] < given.right_torque[0]
        assert given.left_torque[1] > given.right_torque[1]

    def test_only_what_was_tested_is_called_so(self, additive: LockingMap) -> None:
        """Up to 220 N·m as fitted, 20 to 130 °C of plates and of oil; no car that was changed."""
        law = additive.document.fitted_law
        assert law is not None
        plain = Differential(additive, cars=4, plate_temperature=[60.0, 60.0, 140.0, 60.0])
        found = plain.is_tested([100.0, 230.0, 100.0, 100.0], 3.0, [60.0, 60.0, 60.0, 135.0])
        assert found.tolist() == [True, False, False, False]
        scales = ("friction_scale", "drive_bias_scale", "coast_bias_scale")
        for name in ("preload_torque", *scales, "heat_capacity", "heat_conductance"):
            fitted = 1.0 if name in scales else law.value(name)
            settings: Any = {name: [fitted, 1.02 * fitted]}
            changed = Differential(additive, cars=2, **settings)
            assert changed.is_tested(100.0, 3.0, 60.0).tolist() == [True, False], name
        with pytest.raises(OutputError, match="input_torque is 'low', no number"):
            plain.is_tested("low", 3.0, 60.0)

    def test_ramps_that_come_down_need_the_unloading_branch(self, additive: LockingMap) -> None:
        """What was tested while loading alone is not while the ramps stand above."""
        held = additive.document.model_dump(mode="json")
        unloading = held["branches"]["unloading"]
        unloading["tested"] = np.zeros_like(unloading["tested"]).tolist()
        car = Differential(LockingMap(MapDocument.model_validate(held)))
        car.step(0.001, 100.0, 3.0, 60.0)
        assert car.is_tested(150.0, 3.0, 60.0).tolist() == [True]
        assert car.is_tested(90.0, 3.0, 60.0).tolist() == [False]

    def test_refuses_a_map_without_its_law(self, awkward: LockingMap) -> None:
        with pytest.raises(OutputError, match="not the law that they are of"):
            Differential(awkward)


class TestInPythonByHand:
    @pytest.mark.parametrize("branch", ["mean", "loading", "unloading", "either", "followed"])
    def test_each_branch_is_the_law_at_the_start(self, branch: Any, lawful: LockingMap) -> None:
        """Of the first step, from plates at their own temperature: by the physics that a fit uses. Ramps that
        are followed begin on the loading branch; what is not known is the mean."""
        law = lawful.document.fitted_law
        assert law is not None
        unit = law.unit_quantities()
        rng = np.random.default_rng(3)
        torque, speed = rng.uniform(-600.0, 700.0, 60), rng.uniform(-9.0, 9.0, 60)
        heat = rng.uniform(-10.0, 180.0, 60)
        held = Differential(lawful, cars=60, branch=branch, oil_temperature=heat)
        asked = {"followed": "loading", "either": "mean"}.get(branch, branch)
        given = held.step(0.001, torque, speed, heat)
        wanted = steady_locking_torque(unit, torque, speed, heat, asked)
        np.testing.assert_allclose(given.locking_torque, wanted, rtol=1e-12)
        stand = {"unloading": np.where(torque < 0.0, unit.coast_ratio, unit.drive_ratio)}.get(branch, 1.0)
        if branch not in {"mean", "either"}:
            np.testing.assert_allclose(held.ramp_torque, torque * stand, rtol=1e-12)
        assert repr(held) == f"<Differential of 60 cars, ramps {branch}>"

    def test_what_is_left_out_is_as_fitted_and_what_the_guide_says(self, additive: LockingMap) -> None:
        """One car at 60 °C, an inertia of one, friction in the step that asks for it, ramps followed."""
        law = additive.document.fitted_law
        assert law is not None
        plain = Differential(additive)
        stated = Differential(
            additive, cars=1, oil_temperature=60.0, output_inertia=1.0, friction_delay=0.0,
            preload_torque=law.value("preload_torque"), friction_scale=1.0, drive_bias_scale=1.0,
            coast_bias_scale=1.0, plate_temperature=60.0, heat_capacity=law.value("heat_capacity"),
            heat_conductance=law.value("heat_conductance"), branch="followed",
        )  # fmt: skip
        assert plain.plate_temperature.tolist() == [60.0]
        for i in range(40):
            one, other = (
                held.step(0.002, (1 if i % 9 < 6 else -1) * (80.0 + 9.0 * i), 0.4 * math.sin(i), 70.0)
                for held in (plain, stated)
            )
            assert one.friction_torque.tolist() == other.friction_torque.tolist()
        assert plain.plate_temperature.tolist() == stated.plate_temperature.tolist()
        assert plain.plate_temperature[0] != 60.0

    def test_settings_may_be_nothing_where_that_is_something(self, additive: LockingMap) -> None:
        """No preload, no bias, a delay of one step, and plates as cold as anything is."""
        held = Differential(
            additive, preload_torque=0.0, drive_bias_scale=0.0, coast_bias_scale=0, friction_delay=1,
            oil_temperature=-273.15, heat_conductance=0.0,
        )  # fmt: skip
        law = additive.document.fitted_law
        assert law is not None
        given = held.step(0.001, 100.0, 0.0, 60.0)
        assert given.locking_torque[0] == pytest.approx(100.0 * law.value("gear_friction"), rel=1e-12)
        for settings, said in (
            ({"preload_torque": -1e-9}, "preload_torque is negative or none"),
            ({"friction_delay": 1.0 + 1e-9}, "friction_delay is more than one step"),
            ({"cars": True}, "cars is True"),
            ({"friction_scale": True}, "friction_scale is a bool, no number"),
            ({"oil_temperature": [-273.16]}, "oil_temperature is below absolute zero"),
            ({"cars": 3, "friction_scale": [1.0, 2.0, math.inf]}, "no finite number for car 2"),
            ({"cars": 3, "plate_temperature": [-300.0, 20.0, -274.0]}, "below absolute zero for car 0"),
        ):
            with pytest.raises(OutputError, match=said):
                Differential(additive, **settings)  # type: ignore[arg-type]

    def test_a_stick_by_hand(self, additive: LockingMap) -> None:
        """Two steps of h = 0.01 s at an inertia of two: k = 0.18 J/h², d = 0.5 J/h. Held, friction is
        k (twist + h w) + d w; a quarter of k twist² is stored, half of friction times w times h is taken, and
        the rest is heat."""
        held = Differential(additive, output_inertia=2.0)
        stiffness, damping = 0.18 * 2.0 / 1e-4, 0.5 * 2.0 / 0.01
        twist, stored, taken, lost = 0.0, 0.0, 0.0, 0.0
        for speed in (0.05, 0.02):
            given = held.step(0.01, 100.0, speed, 60.0)
            friction = stiffness * (twist + 0.01 * speed) + damping * speed
            twist += 0.01 * speed
            before, stored = stored, 0.25 * stiffness * twist**2
            work = 0.5 * friction * speed * 0.01
            taken, heat = taken + work, work + before - stored
            lost += heat
            assert given.locked.tolist() == [True]
            assert given.friction_torque[0] == pytest.approx(friction, rel=1e-12)
            assert given.heat_flow[0] == pytest.approx(heat / 0.01, rel=1e-9)
            assert held.twist[0] == pytest.approx(twist, rel=1e-12)
            assert held.energy_stored[0] == pytest.approx(stored, rel=1e-12)
        assert held.energy_in[0] == pytest.approx(taken, rel=1e-12)
        assert held.energy_dissipated[0] == pytest.approx(lost, rel=1e-9)
        # faster than the plates hold: all of the locking torque, against the way
        given = held.step(0.01, 100.0, -40.0, 60.0)
        assert given.locked.tolist() == [False]
        assert given.friction_torque[0] == -given.locking_torque[0]
        assert held.twist[0] == pytest.approx(
            twist + 0.01 * (given.friction_torque[0] - stiffness * twist) / (stiffness * 0.01 + damping)
        )

    def test_what_chatters_is_softened(self, additive: LockingMap) -> None:
        """A speed that turns round in each step: behind the third turn, and every third after it, half as
        stiff; as well where it turns every six steps, and not every seven. The stick holds k twist² / 4."""
        for every, halved in ((1, [0, 0, 0, 0, 1, 1, 1, 2, 2, 2, 3]), (6, [0] * 19 + [1]), (7, [0] * 40)):
            held, found = Differential(additive), []
            for i in range(len(halved)):
                held.step(0.001, 100.0, 4.0 if (i // every) % 2 == 0 else -4.0, 60.0)
                stiffness = 4.0 * held.energy_stored[0] / held.twist[0] ** 2
                found.append(math.log2(0.18 / 0.001**2 / stiffness))
            assert found == pytest.approx(halved, abs=1e-9)
