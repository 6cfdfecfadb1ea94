"""What each number of a paper may be: at its bounds, and a hundredth beyond, in the unit of a bare number."""

from __future__ import annotations

import math
from collections.abc import Iterator

import pytest
from pydantic import BaseModel, ValidationError
from pydantic_core import PydanticCustomError

from diffbench.documents import build, car, log, rig
from diffbench.documents.fields import Amount, AmountWithDoubt, Measured, PairOf

INFINITE = math.inf
#: By hand: lowest, whether that is refused, highest, whether that is; and which numbers.
BOUNDS = {
    (0.0, True, INFINITE, False): """
        rig.FileSettings.sample_rate rig.Channel.ratio rig.Channel.tick rig.Channel.rolls_over
        rig.Channel.gain rig.Rig.turning_speed build.Packs.plate_mass build.Packs.specific_heat
        build.DiscSpring.outer_diameter
        build.DiscSpring.inner_diameter build.DiscSpring.thickness build.DiscSpring.cone_height
        build.Preload.spring_force build.Oil.viscosity_40 build.Oil.viscosity_100
        build.Reference.speed_difference build.Limits.speed_difference build.Limits.face_wear
        car.Tyre.load car.Tyre.friction car.Body.mass car.Body.wheelbase car.Body.air_speed
        car.Phase.duration car.Phase.outer_tyre_limit car.Phase.inner_tyre_limit
        log.LogChannel.gain log.LogChannel.rolling_radius log.LogRun.preload log.LogSheet.steering_ratio
        log.LogSheet.brake_torque_per_pressure log.LogSheet.lap_length""",
    (0.0, False, INFINITE, False): """
        rig.Channel.u_ratio rig.Channel.u_lag rig.Channel.lag rig.Channel.inertia build.Preload.shim
        build.Limits.preload_torque build.Limits.ramp_bias_drive build.Limits.ramp_bias_coast
        build.MapAxes.speed_difference build.Build.distance car.Axle.wheel_inertia car.Body.height
        car.Body.drag car.Phase.engine_braking car.Phase.drive_torque car.Phase.brake_torque
        log.LogRun.engine_braking""",
    (0.0, False, 1.0, True): """
        rig.Channel.u_gain rig.Channel.u_reading rig.Repeatability.preload_torque rig.Repeatability.ramp_bias
        rig.Allowance.fitted_once rig.Allowance.one_way rig.Allowance.cross_talk rig.Allowance.oil_sensor
        rig.Allowance.hysteresis rig.Allowance.running_in rig.Rig.cross_talk build.Ramps.gear_friction
        build.Preload.joint_fraction build.Limits.gear_friction build.Build.gear_friction_stated
        log.LogChannel.u_gain""",
    (0.0, True, 1.0, False): "rig.Channel.efficiency",
    (0.0, True, 1.0, True): "car.Body.weight_share",
    (0.0, False, 1.0, False): "car.Body.roll_share",
    (0.0, True, 10.0, False): "rig.Channel.arm",
    (10.0, False, 2000.0, False): "rig.Channel.rolling_radius",
    (1.0, False, 1000.0, False): "build.Packs.inner_radius build.Packs.outer_radius build.Ramps.pin_radius",
    (-60.0, False, 600.0, False): """
        build.Reference.temperature build.Limits.temperature build.MapAxes.temperature
        car.Phase.temperature""",
    (-40.0, False, 220.0, False): "log.LogRun.temperature",
    (0.1, False, 10.0, False): "car.Axle.track",
    (20.0, False, 2000.0, False): "car.Axle.rolling_radius",
    (-0.05, False, 0.05, False): "car.Axle.radius_difference",
    (10.0, False, 1e7, False): "car.Tyre.slip_stiffness",
    (0.0, False, 1.5, False): "car.Tyre.load_exponent",
    (0.0, True, 200.0, False): "car.Phase.speed",
    (1.0, False, 1e5, False): "car.Phase.radius",
    (-INFINITE, False, INFINITE, False): """
        build.Ramps.drive_angle build.Ramps.coast_angle build.MapAxes.input_torque car.Body.lift
        car.Phase.longitudinal_acceleration log.LogSheet.understeer_gradient""",
}
MARKS = (Amount, AmountWithDoubt, Measured, PairOf)


def marked() -> Iterator[tuple[str, Amount | AmountWithDoubt | Measured | PairOf]]:
    """Every number of a paper with what reads it."""
    for module in (rig, build, car, log):
        for model in vars(module).values():
            if (
                isinstance(model, type)
                and issubclass(model, BaseModel)
                and model.__module__ == module.__name__
            ):
                for name, field in model.model_fields.items():
                    place = f"{module.__name__.rpartition('.')[2]}.{model.__name__}.{name}"
                    yield from ((place, mark) for mark in field.metadata if isinstance(mark, MARKS))


def test_every_number_has_its_bounds() -> None:
    named = [name for names in BOUNDS.values() for name in names.split()]
    assert sorted(named) == sorted(place for place, _ in marked())


@pytest.mark.parametrize(
    ("place", "mark"), list(marked()), ids=lambda one: one if isinstance(one, str) else ""
)
def test_a_number_is_taken_up_to_its_bounds(
    place: str, mark: Amount | AmountWithDoubt | Measured | PairOf
) -> None:
    ((low, open_low, high, open_high),) = (
        bounds for bounds, names in BOUNDS.items() if place in names.split()
    )

    def taken(value: float) -> bool:
        beside = value + 1e-3 if value < high else value - 1e-3
        try:
            mark.read(sorted([value, beside]) if isinstance(mark, PairOf) else value)
        except (PydanticCustomError, ValidationError):
            return False
        return True

    for bound, refused, outwards in ((low, open_low, -0.01), (high, open_high, 0.01)):
        if math.isinf(bound):
            assert taken(outwards * 1e9)
            continue
        away = outwards * (abs(bound) or 1.0)
        assert (taken(bound), taken(bound + away)) == (not refused, False)
        assert taken(bound - 0.01 * away)


@pytest.mark.parametrize(
    ("mark", "value", "u", "said"),
    [
        # 1.959964 standard uncertainties, of the normal distribution: to zero, or up to what is whole
        (AmountWithDoubt("force", "N", car.POSITIVE), 1.95997, 1.0, None),
        (AmountWithDoubt("force", "kN", car.POSITIVE), 1.9599, 1.0, "-6.4e-05 kN: zero or less is none"),
        (AmountWithDoubt("length", "m", car._TRACK), 1.95, 1.0, "-0.009964 m: zero or less is none"),
        (AmountWithDoubt("dimensionless", "1", car._OPEN_SHARE), 0.9, 0.051, None),
        (AmountWithDoubt("dimensionless", "1", car._OPEN_SHARE), 0.9, 0.0511, "is 1: 1 or more is none"),
        (
            AmountWithDoubt("dimensionless", "1", car._OPEN_SHARE),
            0.1,
            0.0511,
            "-0.0001542: zero or less is none",
        ),
        (AmountWithDoubt("dimensionless", "1", car._CLOSED_SHARE), 0.9, 0.5, None),
        (AmountWithDoubt("dimensionless", "1", car._SMALL), 0.04, 0.05, None),
        (AmountWithDoubt("mass", "kg", car.NOT_NEGATIVE), 1.0, 5.0, None),
        (AmountWithDoubt("mass", "kg", car.POSITIVE), 1.959964, 1.0, " 0 kg: zero or less is none"),
        (AmountWithDoubt("dimensionless", "1", car._OPEN_SHARE), 0.510009, 0.25, "is 1: 1 or more is none"),
        (AmountWithDoubt("mass", "kg", car.POSITIVE), 1.0, None, None),
        (AmountWithDoubt("mass", "kg", car.POSITIVE), 1.0, 0, None),
    ],
)
def test_a_doubt_leaves_what_can_be(
    mark: AmountWithDoubt, value: float, u: float | None, said: str | None
) -> None:
    raw = {"value": value} if u is None else {"value": value, "u": u}
    if said is None:
        read, factor = mark.read(raw), mark.read(1.0) if mark.bounds.high > 1.0 else 1.0
        assert (read, read.u) == (value * factor, None if u is None else u * factor)
        return
    with pytest.raises(ValidationError) as caught:
        mark.read(raw)
    (error,) = caught.value.errors()
    assert error["loc"] == ("u",)
    assert error["ctx"]["what"].startswith(
        f"the uncertainty '{u}' of '{value}' is so large that its 95 % limit is "
    )
    assert error["ctx"]["what"].endswith(said)
