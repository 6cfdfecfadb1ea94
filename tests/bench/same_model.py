"""One model of locking torque for all competitors: six unknowns, two of them not linear.

``y = m(v) (P + K_d w_d + K_c w_c) + c Δω``, ``m = (1 + e exp(−v/v_s)) / (1 + e exp(−v₀/v_s))``; thrusts ``w``
of the ramps, sliding speed ``v`` and speed difference are given with each sample.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from recordings import Unit

Array = NDArray[np.float64]
NAMES = ("preload", "drive", "coast", "viscous", "excess", "speed")
START = {"preload": 60.0, "drive": 0.4, "coast": 0.4, "viscous": 0.5, "excess": 0.05, "speed": 0.05}


@dataclass(frozen=True)
class Samples:
    """Columns (n,): time [s], locking torque [N·m], thrusts [N·m], sliding speed [m/s], speed difference
    [rad/s]; ``reference`` sliding speed at which friction counts as one."""

    time: Array
    torque: Array
    drive: Array
    coast: Array
    sliding: Array
    slip: Array
    reference: float


@dataclass(frozen=True)
class Found:
    """Unknowns in the order of ``NAMES`` and their standard uncertainties."""

    x: Array
    u: Array


def samples(count: int, *, seed: int) -> Samples:
    """Samples at 1 kHz of a sweep of the benchmark's unit, from after each change of speed."""
    unit, rng = Unit(), np.random.default_rng(seed)
    time = np.arange(count) / 1000.0
    torque, rising = unit.input_torque(time)
    drive, coast = np.maximum(torque, 0.0), np.maximum(-torque, 0.0)
    drive = np.where(rising, drive, np.minimum(unit.high, drive * unit.drive_ratio))
    coast = np.where(~rising, coast, np.minimum(-unit.low, coast * unit.coast_ratio))
    levels = np.abs(np.array(unit.levels))
    slip = levels[(time // unit.cycle).astype(np.int64) % levels.size]
    sliding, reference = 0.5 * unit.radius * slip, 0.5 * unit.radius * 4.0
    made = Samples(time, time, drive, coast, sliding, slip, reference)
    true = (unit.preload, unit.drive, unit.coast, unit.viscous, unit.static_excess, unit.stribeck_speed)
    y = model(made, *true) + rng.normal(0.0, 2.0 * unit.noise, count)
    return Samples(time, y, drive, coast, sliding, slip, reference)


def shape(s: Samples, excess: float, speed: float) -> Array:
    """Friction over sliding speed, one at the reference."""
    at = 1.0 + excess * np.exp(-s.reference / speed)
    return np.asarray((1.0 + excess * np.exp(-s.sliding / speed)) / at)


def model(
    s: Samples, preload: float, drive: float, coast: float, viscous: float, excess: float, speed: float
) -> Array:
    """Locking torque at the samples."""
    load = preload + drive * s.drive + coast * s.coast
    return np.asarray(shape(s, excess, speed) * load + viscous * s.slip)


def by_lmfit_model(s: Samples) -> Found:
    """``lmfit.Model`` as its users write it."""
    import lmfit

    fitted = lmfit.Model(model, independent_vars=["s"])
    result = fitted.fit(s.torque, fitted.make_params(**START), s=s)
    return _of_lmfit(result.params)


def by_lmfit_minimize(s: Samples) -> Found:
    """``lmfit.minimize`` of the residual."""
    import lmfit

    parameters = lmfit.Parameters()
    for name, value in START.items():
        parameters.add(name, value=value)
    result = lmfit.minimize(lambda p: s.torque - model(s, **p.valuesdict()), parameters)
    return _of_lmfit(result.params)


def _of_lmfit(parameters: Any) -> Found:
    values = [parameters[name].value for name in NAMES]
    return Found(np.array(values), np.array([parameters[name].stderr for name in NAMES]))


def by_least_squares(s: Samples, least_squares: Callable[..., Any]) -> Found:
    """scipy's ``least_squares`` with the derivatives written out, and the covariance from its Jacobian."""

    def slopes(x: Array) -> Array:
        preload, drive, coast, _, excess, speed = x
        load = preload + drive * s.drive + coast * s.coast
        here, there = np.exp(-s.sliding / speed), float(np.exp(-s.reference / speed))
        over = 1.0 + excess * there
        m = (1.0 + excess * here) / over
        of_excess = (here - m * there) / over
        of_speed = excess * (here * s.sliding - m * there * s.reference) / (over * speed**2)
        return np.stack([m, m * s.drive, m * s.coast, s.slip, of_excess * load, of_speed * load], axis=1)

    result = least_squares(
        lambda x: model(s, *x) - s.torque, np.array(list(START.values())), slopes, method="lm", x_scale="jac"
    )
    variance = 2.0 * result.cost / (s.torque.size - len(NAMES))
    return Found(result.x, np.sqrt(np.diag(np.linalg.inv(result.jac.T @ result.jac)) * variance))


def by_samples(s: Samples) -> Found:
    """diffbench's search and polish on every sample."""
    return _by_diffbench(s, np.ones(s.time.size))


def by_cells(s: Samples) -> Found:
    """The same on averages over cells of 0.1 s, a two-hundredth of a stretch; making them is counted."""
    change = (np.diff(np.floor(s.time / 0.1)) != 0) | (np.diff(s.slip) != 0)
    starts = np.concatenate([[0], np.flatnonzero(change) + 1])
    count = np.diff(np.append(starts, s.time.size)).astype(np.float64)

    def mean(values: Array) -> Array:
        return np.asarray(np.add.reduceat(values, starts) / count)

    return _by_diffbench(
        Samples(
            s.time[starts],
            mean(s.torque),
            mean(s.drive),
            mean(s.coast),
            s.sliding[starts],
            s.slip[starts],
            s.reference,
        ),
        count,
    )


def _by_diffbench(s: Samples, count: Array) -> Found:
    from diffbench.fitting.solver import Problem, polish, search
    from diffbench.fitting.unknowns import Names, Unknown

    names = Names(
        tuple(
            Unknown(
                name,
                start,
                low=1e-4 if name == "speed" else -np.inf,
                linear=name not in {"excess", "speed"},
            )
            for name, start in START.items()
        )
    )
    weight = np.sqrt(count)

    def columns(x: Array) -> tuple[Array, Array]:
        m = shape(s, x[4], x[5]) * weight
        return s.torque * weight, np.stack([m, m * s.drive, m * s.coast, s.slip * weight], axis=1)

    problem = Problem(names, lambda x: (s.torque - model(s, *x)) * weight, columns)
    x, _, _ = search(problem, np.array(list(START.values())), tolerance=1e-8)
    solution = polish(problem, x)
    variance = float(solution.residual @ solution.residual) / (s.torque.size - len(NAMES))
    normal = solution.jacobian.T @ solution.jacobian
    return Found(solution.x, np.sqrt(np.diag(np.linalg.inv(normal)) * variance))
