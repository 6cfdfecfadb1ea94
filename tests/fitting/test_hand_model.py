"""The model of a wrench's readings, against its closed form; and which readings would help most."""

from __future__ import annotations

import math
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from diffbench.conditioning import Friction
from diffbench.conditioning.bench import ErrorSource
from diffbench.documents import Build
from diffbench.fitting import Estimate, FitData, Form, Setup, hand
from diffbench.fitting.hand import HandModel
from diffbench.fitting.parameters import Combined
from diffbench.physics.friction import Stribeck
from diffbench.physics.preload import Additive, GreaterOf, PreloadLaw
from diffbench.results import NextTest

KINETIC, STATIC = int(Friction.KINETIC), int(Friction.STATIC)
OWN = {
    "preload_torque": 80.0, "ramp_bias_drive_loading": 0.5, "ramp_bias_coast_loading": 0.3,
    "gear_friction": 0.02, "viscous": 0.25, "viscous_exponent": 0.0, "static_excess": 0.0,
    "temperature_coefficient": 0.0, "joint_fraction": 0.1,
}  # fmt: skip
DRAG = 0.25 * 0.4  # N·m, at 0.4 rad/s
Data = Callable[..., FitData]


def model_of(data: FitData, build: Build, law: PreloadLaw | None = None) -> tuple[HandModel, np.ndarray]:
    """The model with those unknowns, whose friction does not depend on speed or temperature."""
    plain = Setup.of([build], data).model(Form(law or Additive(), Stribeck(1.0)))
    model = HandModel(data, plain.names, plain.form, plain.sharing, plain.reference)
    x = plain.names.start.copy()
    for name, value in OWN.items():
        if name in plain.names:
            x[plain.names.position[name]] = value
    return model, x


def readings(data_of: Data, **changes: Any) -> FitData:
    """Case free, and held so that all of the torque goes through it either way, or a half."""
    given: dict[str, Any] = {
        "difference": np.array([-82.0, 160.0, -115.0, 100.0]),
        "input_torque": np.array([0.0, 160.0, -115.0, 50.0]),
        "direction": np.array([1.0, -1.0, 1.0, -1.0]),
        "speed_difference": np.full(4, 0.4), "friction_state": np.full(4, KINETIC),
    }  # fmt: skip
    return data_of(cells=4, **{**given, **changes})


def test_a_reading_is_the_equilibrium_with_the_wrench(data_of: Data, demo_build: Build) -> None:
    """T = P + K r T + k r T + c Δω, solved for T: nothing goes through a free case, a half or all through a
    held one."""
    model, x = model_of(readings(data_of), demo_build)
    assert model.through_case == pytest.approx([0.0, 1.0, 1.0, 0.5])
    free, drive, coast, half = (
        (80.0 + DRAG) / (1.0 - (bias + 0.02) * share)
        for bias, share in ((0.0, 0.0), (0.5, 1.0), (0.3, 1.0), (0.5, 0.5))
    )
    assert model.read(x) == pytest.approx([free, drive, coast, half])
    # a wrench turns against the slip: what it read less what the model says, with its sign
    assert model.residual(x) == pytest.approx([free - 82.0, 160.0 - drive, coast - 115.0, 100.0 - half])


def test_a_reading_of_a_clamped_stack(data_of: Data, demo_build: Build) -> None:
    """Its contact closed, a tenth of the ramps' thrust shows; open, the ramps alone, and the reading is where
    both meet."""
    model, x = model_of(readings(data_of), demo_build, GreaterOf())
    closed = [
        (80.0 + DRAG) / (1.0 - 0.1 * bias * share - 0.02 * share) for bias, share in ((0.5, 1.0), (0.3, 1.0))
    ]
    assert 0.5 * closed[0] < 80.0 / 0.9  # the thrust of the ramps does not open it
    found = model.read(x)
    assert found[1:3] == pytest.approx(closed)
    x[model.names.position["ramp_bias_drive_loading"]] = 0.97
    x[model.names.position["gear_friction"]] = 0.0
    opened = DRAG / (1.0 - 0.97)
    shut = (80.0 + DRAG) / (1.0 - 0.097)
    assert model.read(x)[1] == pytest.approx(max(opened, shut))


def test_what_scales_a_reading_scales_its_weight(data_of: Data, demo_build: Build) -> None:
    """A gain of 2 % that is 1.5 standard uncertainties off: the residual is weighed at the reading's own
    size, and temperatures that nobody read well move all plates together."""
    source = ErrorSource("g", "gain of the wrench", "transducer gain", 0.02)
    share = np.full((1, 4), 0.02)
    data = readings(
        data_of, sources=(source,), effect_input=np.zeros((1, 4)),
        effect_difference=0.02 * readings(data_of).difference[None, :], noise_share=share, temperature_u=3.0,
        oil=np.array([60.0, 50.0, np.nan, 60.0]), plate=np.array([np.nan, np.nan, np.nan, 70.0]),
    )  # fmt: skip
    model, x = model_of(data, demo_build)
    x[model.names.position["error:g"]] = 1.5
    x[model.names.position["error:temperature"]] = 2.0
    assert model.plate_temperature(x) == pytest.approx([66.0, 56.0, 66.0, 76.0])
    apart = model.difference(x) + data.direction * model.read(x)
    assert model.residual(x) == pytest.approx(apart / 1.03)
    plain, x = model_of(readings(data_of), demo_build)
    assert plain.plate_temperature(x) == pytest.approx([60.0] * 4)


def candidate_of(model: HandModel, x: np.ndarray) -> Any:
    return SimpleNamespace(model=model, x=x, names=model.names)


@pytest.mark.parametrize(("flank", "bias", "counts"), [(0.0, 0.0, 2.0), (1.0, 0.5, 1.0), (-1.0, 0.3, 1.0)])
@pytest.mark.parametrize("state", [Friction.KINETIC, Friction.STATIC])
def test_readings_that_nobody_took_yet(
    data_of: Data, demo_build: Build, flank: float, bias: float, counts: float, state: Friction
) -> None:
    """Ten at the equilibrium that the model foretells: a newton metre of the wrench counts twice with the
    case free. Running as slowly as the others did on the mean, or from rest; with their scatter, and the
    least noise of those read."""
    by_hand: Any = SimpleNamespace(
        scatter=0.03, freedom=9.0, told="", turning_u=0.0, stated=True, temperature_read=True
    )
    speeds = np.array([0.2, 0.8, 0.4, 0.4])
    data = readings(
        data_of, by_hand=by_hand, speed_difference=speeds, noise=0.5,
        sources=(
            ErrorSource("g", "gain of the wrench", "transducer gain", 0.02),
            ErrorSource("z", "zero of the wrench", "transducer zero", 0.3),
        ),
        effect_input=np.zeros((2, 4)),
        effect_difference=np.array([[1.6, 3.2, 2.3, 2.0], [0.6, 0.3, 0.3, 0.3]]),
        noise_share=np.array([[0.02] * 4, [0.0] * 4]),
    )  # fmt: skip
    model, x = model_of(data, demo_build)
    made, reading = hand._more(candidate_of(model, x), flank, state)
    drag = 0.25 * (0.0 if state is Friction.STATIC else 0.4)
    torque = (80.0 + drag) / (1.0 - (bias + 0.02) * abs(flank))
    assert reading == pytest.approx(torque / counts, rel=1e-3)
    told = made.data
    assert told.difference == pytest.approx(np.full(10, torque), rel=1e-3)
    assert told.input_torque == pytest.approx(np.full(10, flank * torque), rel=1e-3)
    assert set(told.friction_state) == {int(state)}
    assert told.speed_difference == pytest.approx(
        np.full(10, 0.0 if state is Friction.STATIC else (0.2 * 0.8 * 0.4 * 0.4) ** 0.25)
    )
    assert told.noise == pytest.approx(np.full(10, max(0.03 * torque, 0.5 * counts / 2.0)), rel=1e-3)
    # a gain scales with the reading; a zero is of the wrench, and counts as its newton metres do
    assert told.effect_difference == pytest.approx(
        np.array([[0.02 * torque] * 10, [0.6 * counts / 2.0] * 10]), rel=1e-3
    )
    assert told.noise_share == pytest.approx(np.array([[0.02] * 10, [0.0] * 10]))


def test_which_readings_would_help_most(
    data_of: Data, demo_build: Build, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By what ten more of a kind add to the information: none beyond the wrench's range, four at most, and
    the calibration beside them; nothing of what was not read."""
    source = ErrorSource("r:wrench.gain", "gain of the wrench", "transducer gain", 0.02)
    data = readings(
        data_of, sources=(source,), effect_input=np.zeros((1, 4)), effect_difference=np.full((1, 4), 1.6),
        noise_share=np.full((1, 4), 0.02),
    )  # fmt: skip
    model, x = model_of(data, demo_build)
    size = len(model.names)
    at = model.names.position["preload_torque"]
    gain = model.names.position["error:r:wrench.gain"]
    known = np.zeros((4, size))
    known[:, at], known[:, gain] = 0.5, 0.4
    candidate: Any = SimpleNamespace(
        model=model, x=x, names=model.names, steps=np.zeros(size), solution=SimpleNamespace(jacobian=known)
    )
    weight = {0.0: 0.9, 1.0: 0.3, -1.0: 0.2}
    read = {0.0: 41.0, 1.0: 170.0, -1.0: 120.0}

    def more(_: Any, flank: float, state: Friction) -> tuple[Any, float]:
        rows = np.zeros((10, size))
        rows[:, at] = weight[flank] * (1.0 if state is Friction.KINETIC else 0.5)
        return SimpleNamespace(residual=rows, data=SimpleNamespace(noise=np.ones(10))), read[flank]

    monkeypatch.setattr(hand, "_more", more)
    monkeypatch.setattr(hand, "jacobian", lambda residual, *_: residual.copy())
    monkeypatch.setattr(hand, "_foretold", lambda _, __, reading: f"{reading:g} N·m")
    gradient = np.zeros(size)
    gradient[at] = 1.0

    def precision(**changes: float) -> np.ndarray:
        told = np.array([0.0 if u.fixed else u.precision for u in model.names.unknowns])
        told[gain] *= changes.get("gain", 1.0)
        return np.diag(told)

    def variance(rows: np.ndarray, **changes: float) -> float:
        both = [at, gain]
        normal = (known.T @ known + rows.T @ rows + precision(**changes))[np.ix_(both, both)]
        return float(np.linalg.inv(normal)[0, 0])

    now = variance(np.zeros((1, size)))
    item = Combined(80.0, math.sqrt(now), {}, math.inf, Estimate(80.0, gradient, "N·m", "", "", 1.0))

    def asked(most: float | None) -> list[NextTest]:
        channel = SimpleNamespace(range=None if most is None else (0.0, most))
        visit: Any = SimpleNamespace(rig=SimpleNamespace(channel={"turning_torque": channel}))
        told = {"preload_torque_as_read[a]": item, "friction_coefficient": item}
        return hand.next_readings(candidate, told, [visit])

    found = asked(None)
    assert len(found) == 4
    falls = {test.run: test.gains[0].u_then for test in found}
    assert [test.gains[0].quantity for test in found] == ["preload_torque_as_read[a]"] * 4
    calibrated = "have the wrench calibrated, to half of the stated uncertainty of its gain"
    assert calibrated not in falls  # the fifth
    (told,) = [test.gains[0].u_then for test in asked(119.0) if test.run == calibrated]
    assert told == pytest.approx(math.sqrt(variance(np.zeros((1, size)), gain=4.0)))
    rows, _ = more(None, 0.0, Friction.KINETIC)
    text = "10 running readings more with the case free and the other output held, turned either way"
    assert falls[text] == pytest.approx(math.sqrt(variance(rows.residual)))
    assert list(falls.values()) == sorted(falls.values())
    # a wrench that ends before 170 N·m, at them, or before all held ones
    assert any("turned backward" in test.run for test in asked(170.1))
    assert not any("turned backward" in test.run for test in asked(170.0))
    assert not any("case held" in test.run for test in asked(119.0))
    assert (
        any("the wrench reads 120 N·m there" in test.run for test in asked(121.0)) or len(asked(121.0)) == 4
    )


def test_no_further_readings_of_what_was_not_read(data_of: Data, demo_build: Build) -> None:
    """Of a quantity that no reading is of, and of a bench that sweeps."""
    model, x = model_of(readings(data_of), demo_build)
    item: Any = SimpleNamespace(u=1.0)
    visit: Any = SimpleNamespace(rig=None)
    assert hand.next_readings(candidate_of(model, x), {"friction_coefficient": item}, [visit]) == []
    swept: Any = SimpleNamespace(model=SimpleNamespace())
    assert hand.next_readings(swept, {"preload_torque_as_read": item}, [visit]) == []


def test_where_a_search_by_hand_begins(
    data_of: Data, demo_build: Build, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From two biases of the ramps, or from where another form ended; with the case held in all readings, on
    the ridge that these say: less preload the more bias. The better one counts, and both costs are kept; the
    scatter is what is known of readings, and none is left out."""
    asked: list[Any] = []

    def polished(model: Any, noise: Any, used: Any, start: np.ndarray, *, idle: np.ndarray) -> Any:
        asked.append((model.names, noise, used, start, idle))
        return SimpleNamespace(x=start, cost=9.0 if len(asked) == 1 else 4.0)

    monkeypatch.setattr(hand, "polished_once", polished)
    by_hand: Any = SimpleNamespace(
        scatter=0.03, freedom=9.0, told="", turning_u=0.0, stated=True, temperature_read=True
    )
    form = Form(Additive(), Stribeck(1.0))

    def begun(part: float = 0.8, begin: Any = (), **changes: Any) -> Any:
        asked.clear()
        setup = Setup.of([demo_build], readings(data_of, noise=0.5, **changes))
        found = hand._fitted(setup, form, part, begin)
        names = asked[0][0]
        at = [names.position[name] for name in ("preload_torque", "ramp_bias_drive_loading")]
        return found, [start[at].tolist() for _, _, _, start, _ in asked], names.start[at].tolist()

    found, starts, (preload, _) = begun()
    assert starts == [[preload, 0.4], [preload, 0.1]]
    assert (found.starts, found.part, found.solution.cost) == ((9.0, 4.0), 0.8, 4.0)
    names, noise, used, start, idle = asked[1]
    assert found.x is start
    assert (noise.sigma.tolist(), noise.inflation, noise.effective) == ([0.5] * 4, 1.0, 4.0)
    assert noise.freedom == math.inf
    assert used.all()
    assert start[names.position["ramp_bias_coast_loading"]] == 0.1
    assert idle.tolist() == [unknown.name.startswith(hand.IDLE) for unknown in names.unknowns]
    assert found.residual == pytest.approx(found.model.residual(start))
    speed = next(one for one in names.unknowns if one.name in hand.SPEEDS)
    plain = Setup.of([demo_build], readings(data_of)).model(form).names.unknowns
    wide = next(one for one in plain if one.name == speed.name)
    assert speed.prior == pytest.approx(wide.prior + 0.8 * wide.prior_u)
    held = np.array([30.0, 160.0, -115.0, 50.0])
    found, starts, _ = begun(input_torque=held, by_hand=by_hand)
    assert starts == [
        [pytest.approx(0.6 * preload), 0.4], [pytest.approx(0.9 * preload), 0.1],
    ]  # fmt: skip
    assert asked[0][1].freedom == 9.0
    ended = asked[0][3] + 1.0
    found, starts, _ = begun(begin=[ended])
    assert (len(starts), found.starts) == (1, (9.0,))
    assert asked[0][3] is ended


def test_each_part_of_a_speed_s_range_begins_where_the_last_one_ended(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Every shape of friction over speed with each of the parts; only the first begins anew."""
    asked: list[Any] = []

    def fitted(setup: str, form: Any, part: float, begin: Any) -> Any:
        asked.append((form.preload.name, form.friction.name, part, [float(one) for one in begin]))
        return SimpleNamespace(x=float(len(asked)))

    monkeypatch.setattr(hand, "_fitted", fitted)
    said: list[str] = []
    found: Any = hand._of_law("setup", "greater-of", said.append)  # type: ignore[arg-type]
    assert said == ["fitting: greater-of preload"]
    parts = [-1.6, -0.8, 0.0, 0.8, 1.6]
    friction = [law.name for law in hand.FRICTION_LAWS.values()]
    assert asked == [
        ("greater-of", law, part, [] if i + j == 0 else [float(5 * i + j)])
        for i, law in enumerate(friction)
        for j, part in enumerate(parts)
    ]
    assert [one.x for one in found] == [float(i + 1) for i in range(5 * len(friction))]


def test_the_doubt_of_readings_is_that_of_their_scatter(monkeypatch: pytest.MonkeyPatch) -> None:
    """Known beforehand: nothing of the residual is asked, and where it is from is told."""
    told: dict[str, Any] = {}

    def combined(names: str, sensitivities: str, rest: Any, **given: Any) -> str:
        told.update(given, names=names, sensitivities=sensitivities, rest=rest)
        return "covariance"

    monkeypatch.setattr(hand, "combine", combined)
    monkeypatch.setattr(hand.HandCandidate, "sensitivities", lambda _: "rows")
    data = SimpleNamespace(run="runs", cycle="cycles", by_hand=SimpleNamespace(told="of 3 %, as stated"))
    made = object.__new__(hand.HandCandidate)
    object.__setattr__(made, "model", SimpleNamespace(data=data, names="names"))
    left_out = ("law", np.ones((2, 1)))
    assert made.covariance(left_out=left_out, explained=np.ones(3)) == "covariance"  # type: ignore[comparison-overlap]
    assert told == {
        "names": "names", "sensitivities": "rows", "rest": None, "inflation": 1.0, "run": "runs",
        "cycle": "cycles", "left_out": left_out, "method": "scatter of a reading of 3 %, as stated",
    }  # fmt: skip
    data.by_hand = None
    made.covariance()
    assert told["method"] == "scatter of a reading "
