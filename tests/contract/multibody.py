"""A differential in a general multibody library: stick-slip between case and outputs, shafts, a bevel gear.

``exudyn`` (Gerstmayr 2023) holds the outputs to the case by two of its bristle connectors, the packs; ties
case and spider to both side gears by a vector constraint, the bevel gear; drives both outputs through elastic
shafts, whose torque the flanges read; and steps it all by its implicit generalised-alpha solver. Only how
hard the packs are pressed is set from outside, by the closed form of spring and wedge. Angles are those
beside the case's steady turning: large ones would cost digits.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from benchsim.protocol import Protocol
from benchsim.unit import Unit
from numpy.typing import NDArray

Array = NDArray[np.float64]

STEP = 0.01  # s
CASE, SPIDER, SIDE = 0.02, 0.002, 0.004  # kg·m²
SHAFT, DAMPING = 6e4, 60.0  # N·m/rad, N·m·s/rad
BRISTLE, BRISTLE_DAMPING = 4e5, 40.0  # of each pack, the same
SIDES = (1.0, -1.0)  # left, right


def recorded(unit: Unit, run: Protocol) -> dict[str, Array]:
    """What a stand logs that reads true, at 50 Hz: torque of both shafts, speeds, oil (SI, °C). The run
    begins at rest; its plates are as warm as the oil."""
    import exudyn as exu
    from exudyn import itemInterface as items  # noqa: N813  a module

    system = exu.SystemContainer()  # holds all that follows
    mbs: Any = system.AddSystem()
    sensors = _assembled(mbs, unit, run, exu, items)
    settings = exu.SimulationSettings()
    stepping = settings.timeIntegration
    stepping.numberOfSteps = round(run.duration / STEP)
    stepping.endTime = run.duration
    stepping.generalizedAlpha.spectralRadius = 0.5
    stepping.newton.useModifiedNewton = False
    stepping.newton.relativeTolerance = 1e-6
    stepping.adaptiveStep = False
    stepping.verboseMode = 0
    settings.solution.file.write = False
    settings.solution.sensors.writePeriod = 2.0 * STEP
    mbs.SolveDynamic(settings)
    left, right, speeds = (np.asarray(mbs.GetSensorStoredData(one)) for one in sensors)
    time = left[:, 0]
    case_speed = run.case_speed.at(time)
    return {
        "time": time,
        "left_torque": left[:, 1],
        "right_torque": right[:, 1],
        "left_speed": case_speed + speeds[:, 1],
        "right_speed": case_speed + speeds[:, 2],
        "oil_temperature": run.oil_temperature.at(time),
        "plate_temperature": run.oil_temperature.at(time),
    }


def _assembled(mbs: Any, unit: Unit, run: Protocol, exu: Any, items: Any) -> list[int]:
    """The bodies and what joins them; sensors of both shafts' torques and of the outputs' speeds."""
    ground = mbs.AddNode(items.NodePointGround())
    wall = mbs.AddMarker(items.MarkerNodeCoordinate(nodeNumber=ground, coordinate=0))
    inside, outside = (
        mbs.AddNode(
            items.NodeGenericODE2(
                referenceCoordinates=[0.0] * 2,
                initialCoordinates=[0.0] * 2,
                initialCoordinates_t=[0.0] * 2,
                numberOfODE2Coordinates=2,
            )
        )
        for _ in range(2)
    )
    for node, inertias in ((inside, [CASE, SPIDER]), (outside, [SIDE, SIDE])):
        mbs.AddObject(items.ObjectGenericODE2(nodeNumbers=[node], massMatrix=np.diag(inertias)))
    mbs.AddObject(  # case + spider = left, case - spider = right
        items.ObjectConnectorCoordinateVector(
            markerNumbers=[
                mbs.AddMarker(items.MarkerNodeCoordinates(nodeNumber=n)) for n in (inside, outside)
            ],
            scalingMarker0=np.array([[1.0, 1.0], [1.0, -1.0]]),
            scalingMarker1=np.eye(2),
            velocityLevel=True,
        )
    )
    case, *sides = (
        mbs.AddMarker(items.MarkerNodeCoordinate(nodeNumber=n, coordinate=c))
        for n, c in ((inside, 0), (outside, 0), (outside, 1))
    )
    drive = mbs.AddLoad(items.LoadCoordinate(markerNumber=case, load=0.0))
    joint = items.ObjectConnectorCoordinateSpringDamperExt
    packs = [
        mbs.AddObject(
            joint(
                markerNumbers=[case, side],
                nodeNumber=mbs.AddNode(
                    items.NodeGenericData(initialCoordinates=[0.0] * 3, numberOfDataCoordinates=3)
                ),
                dynamicFrictionForce=1.0,  # set before every step
                staticFrictionOffsetForce=1.0,
                stickingStiffness=BRISTLE,
                stickingDamping=BRISTLE_DAMPING,
                exponentialDecayStatic=unit.stribeck_speed / unit.effective_radius,
                viscousFrictionFactor=unit.viscous,
            )
        )
        for side in sides
    ]
    shafts = [
        mbs.AddObject(
            joint(markerNumbers=[wall, side], stiffness=SHAFT, damping=DAMPING, frictionProportionalZone=1.0)
        )
        for side in sides
    ]
    _imposed(mbs, unit, run, drive, packs, shafts)
    stored: dict[str, Any] = {"storeInternal": True}
    force, turning = exu.OutputVariableType.Force, exu.OutputVariableType.Coordinates_t
    sensors = [
        mbs.AddSensor(items.SensorObject(objectNumber=one, outputVariableType=force, **stored))
        for one in shafts
    ]
    sensors.append(mbs.AddSensor(items.SensorNode(nodeNumber=outside, outputVariableType=turning, **stored)))
    mbs.Assemble()
    return sensors


def _imposed(mbs: Any, unit: Unit, run: Protocol, drive: int, packs: list[int], shafts: list[int]) -> None:
    """Before each step: torque at the case, where the shafts' far ends are, and how hard packs are
    pressed."""
    time = np.arange(0.0, run.duration + 1.5 * STEP, STEP)
    torque, slip = run.input_torque.at(time), run.speed_difference.at(time)
    half = np.concatenate([[0.0], np.cumsum(0.25 * STEP * (slip[1:] + slip[:-1]))])
    kinetic, extra = pressed(unit, torque, run.oil_temperature.at(time))
    steps = np.stack([torque, kinetic, extra, half, 0.5 * slip], axis=1).tolist()

    def impose(mbs: Any, time: float) -> bool:
        load, friction, more, angle, speed = steps[round(time / STEP)]
        mbs.SetLoadParameter(drive, "load", load)
        for pack, shaft, sign in zip(packs, shafts, SIDES, strict=True):
            mbs.SetObjectParameter(pack, "dynamicFrictionForce", friction)
            mbs.SetObjectParameter(pack, "staticFrictionOffsetForce", more)
            mbs.SetObjectParameter(shaft, "offset", sign * angle)
            mbs.SetObjectParameter(shaft, "velocityOffset", sign * speed)
        return True

    impose(mbs, 0.0)
    mbs.SetPreStepUserFunction(impose)


def pressed(unit: Unit, torque: Array, plate: Array) -> tuple[Array, Array]:
    """Kinetic friction torque of one pack (n,) [N·m], and by how much static friction is above it; ``torque``
    (n,) [N·m] of the case, ``plate`` (n,) [°C]."""
    thrust, found = 0.0, []
    per = {
        (flank, branch): unit.thrust_per_torque(flank, branch)
        for flank in ("drive", "coast")
        for branch in ("loading", "unloading")
    }
    for load in torque.tolist():
        flank = "drive" if load >= 0.0 else "coast"
        thrust = min(max(thrust, abs(load) * per[flank, "loading"]), abs(load) * per[flank, "unloading"])
        found.append(thrust)
    each = 0.5 * unit.torque_per_force * unit.pack_force(np.array(found)) * unit.temperature_factor(plate)
    return unit.friction_kinetic * each, (unit.friction_static - unit.friction_kinetic) * each
