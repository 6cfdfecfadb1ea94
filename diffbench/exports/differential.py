"""A differential in a simulation loop: the fitted law with its states, for one car or thousands at once."""

from __future__ import annotations

import operator
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from diffbench.errors import OutputError
from diffbench.exports.c_law import constants, law_alone, law_in
from diffbench.quantities import ABSOLUTE_ZERO
from diffbench.results.locking_map import LockingMap

__all__ = ["Differential", "Given"]

Array = NDArray[np.float64]
Branch = Literal["mean", "loading", "unloading", "either", "followed"]
_BRANCHES: tuple[Branch, ...] = ("mean", "loading", "unloading", "either", "followed")

STIFFNESS, DAMPING = 0.18, 0.5  # shares of inertia over step squared, and over step
WINDOW = 64  # steps
FELT = 0.02  # share of the locking torque
SOFTEST = 0.0009  # share of the stick that chatter leaves at least
SAME = 1e-6  # relative: a setting as fitted
_TEMPERATURES = {"oil_temperature", "plate_temperature"}


@dataclass(frozen=True)
class Given:
    """What a step gives, each (cars,).

    Attributes
    ----------
    friction_torque : ndarray
        Right less left torque by friction [N·m]: the outputs get (T_in − F)/2 and (T_in + F)/2.
    locking_torque : ndarray
        Largest left-right difference it can carry [N·m].
    heat_flow : ndarray
        Power lost over the step [W].
    locked : ndarray of bool
        Whether the outputs were held together.
    input_torque : ndarray
        As it was given [N·m].
    """

    friction_torque: Array
    locking_torque: Array
    heat_flow: Array
    locked: NDArray[np.bool_]
    input_torque: Array

    @property
    def left_torque(self) -> Array:
        """To the left output [N·m], (cars,): with an input torque of the simulation's own, take friction
        alone."""
        return np.asarray(0.5 * (self.input_torque - self.friction_torque))

    @property
    def right_torque(self) -> Array:
        """Likewise to the right output [N·m], (cars,)."""
        return np.asarray(0.5 * (self.input_torque + self.friction_torque))


class Differential:
    """Friction between the outputs of many differentials, step by step.

    The same law and the same stick as the exported C and simulation units: play of the ramps, plates that
    heat up, a spring and a damper in series with the plates, stepped by backward Euler, so that for any row
    of steps ``energy_in`` is ``energy_dissipated`` and what the spring holds, and neither is negative.

    Parameters
    ----------
    locking_map : LockingMap
        A map that carries its law.
    cars : int
        How many, at least one.
    oil_temperature : array_like
        At the start, for the plates as well unless ``plate_temperature`` is stated [°C].
    output_inertia : array_like
        That turns with one output [kg·m²], harmonic mean where they differ.
    friction_delay : array_like
        Steps until friction acts: 0 where a simulation adds it to the very step that it was asked for, 1
        where to the next one, as hosts do that step side by side. The locking torque is foreseen for then.
    preload_torque : array_like, optional
        [N·m]; as fitted where left out.
    friction_scale, drive_bias_scale, coast_bias_scale : array_like
        Over the fitted values [-].
    plate_temperature : array_like, optional
        Of the plates at the start [°C].
    heat_capacity, heat_conductance : array_like, optional
        Of the plates [J/K], and from them to the oil [W/K]; as fitted where left out. Without capacity, 0,
        they are as warm as the oil.
    branch : str
        "followed": the ramps as the input torque leaves them; or "mean", "loading", "unloading", "either".

    Each of the arrays is one number or one a car, (cars,).

    Attributes
    ----------
    plate_temperature, twist, ramp_torque : ndarray (cars,)
        Of the plates [°C]; of the stick [rad]; where the ramps stand, with the sign of the flank [N·m].
    said : tuple of str
        Where its law is not what the map shows, in what and by how much; else nothing.
    energy_in, energy_dissipated : ndarray (cars,)
        Taken from both outputs, and turned into heat of it [J].

    Raises
    ------
    OutputError
        The map carries no law, or a parameter cannot be: it is named.

    Examples
    --------
    >>> from diffbench.results import load_map
    >>> held = load_map("demo-result/map.json")  # doctest: +SKIP
    >>> pair = Differential(held, cars=2, preload_torque=[70.0, 90.0])  # doctest: +SKIP
    >>> pair.step(0.001, input_torque=200.0, speed_difference=4.0, oil_temperature=70.0)  # doctest: +SKIP
    """

    def __init__(
        self,
        locking_map: LockingMap,
        *,
        cars: int = 1,
        oil_temperature: ArrayLike = 60.0,
        output_inertia: ArrayLike = 1.0,
        friction_delay: ArrayLike = 0.0,
        preload_torque: ArrayLike | None = None,
        friction_scale: ArrayLike = 1.0,
        drive_bias_scale: ArrayLike = 1.0,
        coast_bias_scale: ArrayLike = 1.0,
        plate_temperature: ArrayLike | None = None,
        heat_capacity: ArrayLike | None = None,
        heat_conductance: ArrayLike | None = None,
        branch: Branch = "followed",
    ) -> None:
        if not isinstance(locking_map, LockingMap):
            raise OutputError.single(
                f"locking_map is {_kind_of(locking_map, 'map')}", mend="give what diffbench.load_map reads"
            )
        fitted = constants(law_in(locking_map))
        cars = _how_many(cars)
        if not isinstance(branch, str) or branch not in _BRANCHES:
            raise OutputError.single(f"'{branch}' is no branch", mend=f"write one of {', '.join(_BRANCHES)}")
        as_fitted = {
            "preload_torque": fitted["PRELOAD"],
            **dict.fromkeys(("friction_scale", "drive_bias_scale", "coast_bias_scale"), 1.0),
            "heat_capacity": fitted["HEAT_CAPACITY"],
            "heat_conductance": fitted["HEAT_CONDUCTANCE"],
        }
        given = {
            "output_inertia": output_inertia,
            "friction_delay": friction_delay,
            "preload_torque": preload_torque,
            "friction_scale": friction_scale,
            "drive_bias_scale": drive_bias_scale,
            "coast_bias_scale": coast_bias_scale,
            "heat_capacity": heat_capacity,
            "heat_conductance": heat_conductance,
        }
        held = _settings(given, as_fitted, cars)
        self._map, self._fitted, self._held, self._branch = locking_map, fitted, held, branch
        self.said = law_alone(locking_map)
        self._as_fitted = np.all([np.isclose(held[k], v, SAME, 0.0) for k, v in as_fitted.items()], axis=0)
        oil = _each("oil_temperature", oil_temperature, cars)
        plates = oil if plate_temperature is None else _each("plate_temperature", plate_temperature, cars)
        self.plate_temperature = plates.copy()
        self.twist, self.ramp_torque = np.zeros(cars), np.zeros(cars)
        self.energy_in, self.energy_dissipated = np.zeros(cars), np.zeros(cars)
        self._stiffness, self._softened = np.zeros(cars), np.ones(cars)
        self._torque_early, self._torque_late = np.zeros(cars), np.zeros(cars)
        self._since_early, self._since_late = 0.0, 0.0
        self._longest, self._longest_now, self._counted = 0.0, 0.0, 0
        self._turned, self._since, self._turns = (np.zeros(cars, dtype=np.int64) for _ in range(3))

    def __repr__(self) -> str:
        return f"<Differential of {self.twist.size} cars, ramps {self._branch}>"

    @property
    def energy_stored(self) -> Array:
        """Energy that the stick holds [J], (cars,)."""
        stored: Array = 0.25 * self._stiffness * self.twist**2
        return stored

    def step(
        self, step: float, input_torque: ArrayLike, speed_difference: ArrayLike, oil_temperature: ArrayLike
    ) -> Given:
        """Friction over the next step, from what drives it at its beginning.

        Parameters
        ----------
        step : float
            [s], positive; any row of steps is passive.
        input_torque, speed_difference, oil_temperature : array_like
            [N·m], left less right [rad/s], [°C]; each one number or one a car, (cars,).

        Returns
        -------
        Given
            Each of its arrays (cars,).

        Raises
        ------
        OutputError
            The step is not positive, or something that drives it is no number: it is named, and nothing is
            changed then.
        """
        torque, speed, oil = self._driven(input_torque, speed_difference, oil_temperature)
        step = float(_each("step", step, 1)[0])
        if step <= 0.0:
            raise OutputError.single(
                "a step must be positive", mend="give the time in seconds that the friction acts over"
            )
        inertia = self._softened * self._held["output_inertia"]
        longest = self._longest_of(step)
        stiffness = STIFFNESS * inertia / (longest * longest)
        slope = stiffness * step + DAMPING * inertia / longest
        self.ramp_torque = self._ramps(torque)
        limit = self._locking(self._foreseen(step, longest, torque), np.abs(speed), oil)
        before = self.energy_stored
        rises = stiffness > self._stiffness  # at the force that the spring has; falls at its twist
        self.twist = np.where(rises, self.twist * (self._stiffness / stiffness), self.twist)
        asked = stiffness * self.twist + slope * speed
        friction = np.minimum(np.maximum(asked, -limit), limit)
        way = (asked > limit).astype(np.int64) - (asked < -limit)
        rate = np.where(way == 0, speed, (friction - stiffness * self.twist) / slope)
        self.twist += step * rate
        self._stiffness = stiffness
        taken = 0.5 * friction * speed * step
        heat = np.maximum(taken + before - self.energy_stored, 0.0)
        self.energy_in += taken
        self.energy_dissipated += heat
        self._heat(heat / step, oil, step)
        felt = np.abs(slope * speed) > FELT * limit
        self._listen(np.where(felt, np.sign(speed), 0.0).astype(np.int64))
        return Given(friction, limit, heat / step, way == 0, torque)

    def is_tested(
        self, input_torque: ArrayLike, speed_difference: ArrayLike, oil_temperature: ArrayLike
    ) -> NDArray[np.bool_]:
        """Whether the bench tested that, of the unit as fitted: ramps and plates as they are now.

        Parameters
        ----------
        input_torque, speed_difference, oil_temperature : array_like
            [N·m], left less right [rad/s], [°C]; each one number or one a car, (cars,).

        Returns
        -------
        ndarray of bool (cars,)
            True where the map's nodes around that place were tested, both at the plates' temperature and at
            the oil's. False for every car whose preload torque, scales or heat are not as fitted: no bench
            had that unit.

        Raises
        ------
        OutputError
            As `step`.
        """
        torque, speed, oil = self._driven(input_torque, speed_difference, oil_temperature)
        inside = self._as_fitted.copy()
        followed = self._branch == "followed"
        for heat in (self._plates(oil), oil):
            branch: Any = "loading" if followed else self._branch
            inside &= self._map.is_tested(torque, speed, heat, branch)
            if followed:
                loading = np.abs(self._ramps(torque)) <= np.abs(torque)
                inside &= loading | self._map.is_tested(torque, speed, heat, "unloading")
        return np.asarray(inside)

    def _driven(self, *given: ArrayLike) -> list[Array]:
        names = ("input_torque", "speed_difference", "oil_temperature")
        return [_each(name, value, self.twist.size) for name, value in zip(names, given, strict=True)]

    def _plates(self, oil: Array) -> Array:
        """What friction follows."""
        return np.where(self._held["heat_capacity"] > 0.0, self.plate_temperature, oil)

    def _longest_of(self, step: float) -> float:
        """The longest of the last steps: one long step does not leave the stick soft for good."""
        self._longest_now = max(self._longest_now, step)
        self._counted += 1
        if self._counted >= WINDOW:
            self._longest, self._longest_now, self._counted = self._longest_now, step, 0
        return max(self._longest, self._longest_now)

    def _foreseen(self, step: float, longest: float, torque: Array) -> Array:
        """Input torque in the middle of the time in which friction acts, straight on from where it was the
        longest step ago or a little more, and never past zero."""
        if self._since_late >= longest:
            self._torque_early, self._since_early = self._torque_late, self._since_late
        if self._since_late >= longest or self._since_late <= 0.0:
            self._torque_late, self._since_late = torque.copy(), 0.0
        there = torque
        if self._since_early >= longest:
            share = (0.5 + self._held["friction_delay"]) * (step / self._since_early)
            there = torque + share * (torque - self._torque_early)
            there = np.where(there * torque > 0.0, there, 0.0)
        self._since_late += step
        self._since_early += step if self._since_early > 0.0 else 0.0
        return there

    def _ramps(self, torque: Array) -> Array:
        flank = np.where(torque < 0.0, -1.0, 1.0)
        least = np.abs(torque)
        most = least * np.where(torque < 0.0, self._fitted["COAST_RATIO"], self._fitted["DRIVE_RATIO"])
        if self._branch == "loading":
            return np.asarray(flank * least)
        if self._branch == "unloading":
            return np.asarray(flank * most)
        return np.asarray(flank * np.minimum(np.maximum(flank * self.ramp_torque, least), most))

    def _locking(self, torque: Array, speed: Array, oil: Array) -> Array:
        f, held, coast = self._fitted, self._held, torque < 0.0
        bias = np.where(
            coast, f["COAST_BIAS"] * held["coast_bias_scale"], f["DRIVE_BIAS"] * held["drive_bias_scale"]
        )
        relative = 0.5 * f["EFFECTIVE_RADIUS"] * speed / f["STRIBECK_SPEED"]
        decayed = f["STATIC_EXCESS"] * np.exp(-(relative if f["STRIBECK_EXPONENT"] < 1.5 else relative**2))
        heat = self._plates(oil) - f["REFERENCE_TEMPERATURE"]
        friction = held["friction_scale"] * (1.0 + f["TEMPERATURE_COEFFICIENT"] * heat) * (1.0 + decayed)
        film = f["VISCOUS"] * np.exp(-f["VISCOUS_EXPONENT"] * (oil - f["REFERENCE_TEMPERATURE"]))
        if self._branch in {"mean", "either"}:
            ratio = np.where(coast, f["COAST_RATIO"], f["DRIVE_RATIO"])
            load = 0.5 * (self._load(bias * np.abs(torque)) + self._load(bias * ratio * np.abs(torque)))
        else:
            load = self._load(bias * np.abs(self._ramps(torque)))
        total = friction / f["AT_REFERENCE"] * load + f["GEAR_FRICTION"] * np.abs(torque) + film * speed
        return np.asarray(np.maximum(total, 0.0))

    def _load(self, ramp: Array) -> Array:
        loaded: Array = np.maximum(self._held["preload_torque"] + self._fitted["CLOSED_SHARE"] * ramp, ramp)
        return loaded

    def _heat(self, flow: Array, oil: Array, step: float) -> None:
        held = self._held["heat_capacity"] > 0.0
        capacity = np.where(held, self._held["heat_capacity"], 1.0)
        x = self._held["heat_conductance"] * step / capacity
        fallen = -np.expm1(-x)
        rise = np.divide(fallen, x, out=np.ones(x.shape), where=x > 0.0)
        warmer = (self.plate_temperature - oil) * (1.0 - fallen) + flow * step / capacity * rise
        self.plate_temperature = np.where(held, oil + warmer, oil)

    def _listen(self, way: NDArray[np.int64]) -> None:
        """What chatters is softened: a speed difference that turns round three times, each within six
        steps."""
        self._since += 1
        turned = (way != 0) & (way == -self._turned)
        if turned.any():
            self._turns = np.where(turned, np.where(self._since <= 6, self._turns + 1, 1), self._turns)
            self._since[turned] = 0
            soften = (self._turns >= 3) & (self._softened > SOFTEST)
            self._softened = np.where(soften, 0.5 * self._softened, self._softened)
            self._turns[soften] = 0
        self._turned = np.where(way != 0, way, self._turned)


def _settings(given: dict[str, Any], as_fitted: dict[str, float], cars: int) -> dict[str, Array]:
    """Each setting for each car, as fitted where none is given."""
    held = {
        name: _each(name, as_fitted[name] if value is None and name in as_fitted else value, cars)
        for name, value in given.items()
    }
    for name, values in held.items():
        least = values.min()
        if least < 0.0 or (least == 0.0 and name == "output_inertia"):
            raise OutputError.single(f"{name} is negative or none", mend="state a positive number")
    if held["friction_delay"].max() > 1.0:
        raise OutputError.single("friction_delay is more than one step", mend="state 0, or 1 side by side")
    return held


def _how_many(cars: Any) -> int:
    try:
        number = 0 if isinstance(cars, bool) else operator.index(cars)
    except TypeError:
        number = 0
    if number < 1:
        raise OutputError.single(f"cars is {cars!r}", mend="state how many, a whole number from 1 up")
    return number


def _each(name: str, value: Any, cars: int) -> Array:
    """One number a car, or the error that names what is none."""
    try:
        found = np.asarray(value)
    except ValueError:  # rows of different lengths
        found = np.asarray(None)
    if found.dtype.kind not in "fiu":
        raise OutputError.single(f"{name} is {_kind_of(value)}", mend="give a number, or one a car")
    if found.shape not in {(), (1,), (cars,)}:
        raise OutputError.single(
            f"{name} has {found.size} numbers of shape {found.shape} for {cars} cars",
            mend=f"give one, or one a car: shape ({cars},)",
        )
    values: Array = np.broadcast_to(found.astype(np.float64, copy=False), (cars,))
    if not np.isfinite(values).all():
        where = "" if found.size == 1 else f" for car {int(np.argmin(np.isfinite(values)))}"
        raise OutputError.single(f"{name} is no finite number{where}", mend="look at where it comes from")
    if name in _TEMPERATURES and values.min() < ABSOLUTE_ZERO:
        where = "" if found.size == 1 else f" for car {int(np.argmin(values))}"
        raise OutputError.single(
            f"{name} is below absolute zero{where}", mend="give degrees Celsius; check the unit and the sign"
        )
    return values


def _kind_of(value: Any, wanted: str = "number") -> str:
    return f"'{value}', no {wanted}" if isinstance(value, str) else f"a {type(value).__name__}, no {wanted}"
