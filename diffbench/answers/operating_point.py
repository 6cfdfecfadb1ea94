"""Map arithmetic at one operating point: what a unit can hold across, how it splits its torque, and whether
it slips; and such results as plain data, every key with its unit."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, is_dataclass
from typing import Any, Literal

import numpy as np

from diffbench.errors import QuantityError
from diffbench.physics.steady import locking_effect_from_locking_torque, ratio_from_locking_effect
from diffbench.results.conformity import Outcome, decided
from diffbench.results.document import Frozen
from diffbench.results.locking_map import Branch, LockingMap

SlipState = Literal["slipping", "locked", "not proven"]
# whether what the unit can hold across lies above the difference, by the decision rule of limits
_STATES: dict[Outcome, SlipState] = {
    "conforming": "locked",
    "not conforming": "slipping",
    "not proven": "not proven",
}


@dataclass(frozen=True)
class Interval:
    """A value and its 95 % limits, in one unit; None where a number has no meaning."""

    value: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True)
class TorqueSplit:
    """How a slipping unit splits its input torque at one operating point.

    Attributes
    ----------
    input_torque : float
        At the case [N·m].
    speed_difference : float
        Its magnitude [rad/s].
    temperature : float
        Of plates and oil [°C].
    branch : str
        Of the map.
    locking_torque : Interval
        The whole difference between both outputs [N·m].
    locking_effect : Interval
        LE [-], None without input torque.
    torque_bias_ratio : Interval
        TBR [-], None where the locking effect is 1 or more: the ratio has no meaning there. Where only the
        upper limit is, that alone is None.
    slower_output, faster_output : float
        Torques of both outputs [N·m], signed as the input torque is.
    tested : bool
        Whether the bench covered the place.
    predicted : str or None
        What was changed, where the map is of no measured unit.
    beyond : bool
        Whether the place is beyond the axes of the map.
    """

    input_torque: float
    speed_difference: float
    temperature: float
    branch: Branch
    locking_torque: Interval
    locking_effect: Interval
    torque_bias_ratio: Interval
    slower_output: float
    faster_output: float
    tested: bool
    predicted: str | None
    beyond: bool


@dataclass(frozen=True)
class SlipVerdict:
    """Whether both outputs turn alike under given torques.

    Attributes
    ----------
    left_torque, right_torque : float
        As given [N·m].
    input_torque, torque_difference : float
        Their sum, and the magnitude of their difference [N·m].
    locking_torque : Interval
        What the unit can hold across at that input torque [N·m].
    speed_difference : float
        Where the map was asked [rad/s].
    state : {"slipping", "locked", "not proven"}
        "locked" where the whole interval holds the difference, "slipping" where the difference lies above it.
    share_of_locking_torque : float
        Difference over locking torque [-]; None where there is none.
    tested : bool
        Whether the bench covered the place.
    predicted : str or None
        As `TorqueSplit`.
    beyond : bool
        As `TorqueSplit`.
    """

    left_torque: float
    right_torque: float
    input_torque: float
    torque_difference: float
    locking_torque: Interval
    speed_difference: float
    state: SlipState
    share_of_locking_torque: float | None
    tested: bool
    predicted: str | None
    beyond: bool


def torque_split(
    locking_map: LockingMap,
    input_torque: float,
    speed_difference: float,
    temperature: float,
    *,
    branch: Branch = "either",
) -> TorqueSplit:
    """Locking torque, locking effect and torque bias ratio at an operating point.

    LE = T_lock/|T_in|, TBR = (1 + LE)/(1 − LE), T_slower = (T_in + T_lock)/2, T_faster = (T_in − T_lock)/2

    Parameters
    ----------
    locking_map : LockingMap
        The map.
    input_torque : float
        At the case [N·m], negative in coast.
    speed_difference : float
        Of the outputs [rad/s]; the magnitude counts.
    temperature : float
        Of plates and oil [°C].
    branch : {"either", "mean", "loading", "unloading"}
        Of the map; by default it is not known which, and the limits hold both real ones.

    Returns
    -------
    The split, with 95 % limits.

    Raises
    ------
    QuantityError
        A number is not finite.

    Notes
    -----
    Validity: the outputs slip. The slower output gets more in drive and in coast: under engine braking it is
    the one that is braked less.

    References
    ----------
    SAE J2817, definitions of torque bias ratio and locking effect.
    """
    _finite(input_torque=input_torque, speed_difference=speed_difference, temperature=temperature)
    place = (float(input_torque), abs(float(speed_difference)), float(temperature))
    read = locking_map.read(*place, branch)
    effects = [_effect(limit, place[0]) for limit in (read.locking_torque, read.low, read.high)]
    return TorqueSplit(
        input_torque=place[0],
        speed_difference=place[1],
        temperature=place[2],
        branch=branch,
        locking_torque=Interval(read.locking_torque, read.low, read.high),
        locking_effect=Interval(*effects),
        torque_bias_ratio=Interval(*map(_ratio, effects)),
        slower_output=(place[0] + read.locking_torque) / 2.0,
        faster_output=(place[0] - read.locking_torque) / 2.0,
        tested=read.tested,
        predicted=locking_map.document.predicted,
        beyond=read.beyond,
    )


def slip_state(
    locking_map: LockingMap,
    left_torque: float,
    right_torque: float,
    temperature: float,
    *,
    speed_difference: float | None = None,
    branch: Branch = "either",
) -> SlipVerdict:
    """Locked or slipping for a given left and right torque.

    locked while |T_L − T_R| < T_lock(T_L + T_R)

    Parameters
    ----------
    locking_map : LockingMap
        The map.
    left_torque, right_torque : float
        What both outputs deliver [N·m], positive in drive.
    temperature : float
        Of plates and oil [°C].
    speed_difference : float or None
        At which sliding the unit is asked to hold [rad/s]; None asks at the lowest speed difference that was
        tested there (else anywhere, else the lowest of the map): a unit at rest is nearest to it.
    branch : {"either", "mean", "loading", "unloading"}
        Of the map; by default it is not known which, and the limits hold both real ones.

    Returns
    -------
    The verdict: proven where the difference lies outside the whole 95 % interval, else "not proven".

    Raises
    ------
    QuantityError
        A number is not finite.

    Notes
    -----
    Validity: steady torques. A map holds sliding friction; breakaway from rest may lie above or below it.
    A unit cannot be given more than its locking torque in steady slip: "slipping" then means that the
    outputs speed up against each other.

    References
    ----------
    Equilibrium of the case; decision rule of ISO 14253-1.
    """
    _finite(left_torque=left_torque, right_torque=right_torque, temperature=temperature)
    whole = float(left_torque) + float(right_torque)
    if speed_difference is None:
        nodes = [float(node) for node in locking_map.axes[1]]
        tested = [node for node in nodes if locking_map.is_tested(whole, node, float(temperature), branch)]
        anywhere = [node for i, node in enumerate(nodes) if np.any(locking_map.tested[branch][:, i])]
        at = min(tested or anywhere or nodes)
    else:
        _finite(speed_difference=speed_difference)
        at = abs(float(speed_difference))
    place = (whole, at, float(temperature))
    read = locking_map.read(*place, branch)
    difference = abs(float(left_torque) - float(right_torque))
    return SlipVerdict(
        left_torque=float(left_torque),
        right_torque=float(right_torque),
        input_torque=place[0],
        torque_difference=difference,
        locking_torque=Interval(read.locking_torque, read.low, read.high),
        speed_difference=at,
        state=_STATES[decided((read.low, read.high), difference, None)],
        share_of_locking_torque=difference / read.locking_torque if read.locking_torque > 0.0 else None,
        tested=read.tested,
        predicted=locking_map.document.predicted,
        beyond=read.beyond,
    )


def interval_at(locking_map: LockingMap, place: tuple[float, float, float], branch: Branch) -> Interval:
    """Locking torque [N·m] of a map at one place [N·m, rad/s, °C], with its limits."""
    low, high = locking_map.interval(*place, branch)
    return Interval(float(locking_map.locking_torque(*place, branch)), float(low), float(high))


def _effect(locking_torque: float, input_torque: float) -> float | None:
    if input_torque == 0.0:
        return None
    return float(locking_effect_from_locking_torque(locking_torque, input_torque))


def _ratio(effect: float | None) -> float | None:
    if effect is None:
        return None
    ratio = float(ratio_from_locking_effect(effect))
    return None if math.isnan(ratio) else ratio


def _finite(**values: float) -> None:
    for name, value in values.items():
        if not math.isfinite(value):
            raise QuantityError.single(
                f"the {name.replace('_', ' ')} is {value}", mend="give a finite number"
            )


#: Unit at the end of a key; a name that stands here with an empty one has none, and is a share or a text.
UNITS = {
    "as_built": "Nm",
    "bench_preload": "Nm",
    "end": "s",
    "equivalent_preload": "Nm",
    "faster_output": "Nm",
    "free_difference": "rad_s",
    "inner_force": "N",
    "input_torque": "Nm",
    "left_force": "N",
    "left_torque": "Nm",
    "locking_effect": "",
    "locking_torque": "Nm",
    "mean_difference_kept": "rad_s",
    "mean_share_kept": "",
    "mean_speed_difference": "rad_s",
    "open_share": "",
    "predicted": "",
    "radius_ratio": "",
    "start": "s",
    "stiffness_ratio": "",
    "mean_share_kept_by_car": "",
    "mean_share_kept_by_map": "",
    "outer_force": "N",
    "rebuilt": "Nm",
    "right_force": "N",
    "right_torque": "Nm",
    "share_kept": "",
    "share_kept_by_car": "",
    "share_kept_by_map": "",
    "share_of_locking_torque": "",
    "slower_output": "Nm",
    "speed_difference": "rad_s",
    "temperature": "degC",
    "torque_bias_ratio": "",
    "torque_difference": "Nm",
    "yaw_moment": "Nm",
    "yaw_moment_to_the_left": "Nm",
}


def with_units(result: Any) -> Any:
    """A result as dicts, lists and numbers, keys with units.

    Parameters
    ----------
    result : object
        A dataclass of an answer, or what one holds.

    Returns
    -------
    Plain data for `json.dumps`; an interval is ``{"value": ..., "low": ..., "high": ...}`` in the unit of its
    key.

    Examples
    --------
    >>> with_units(Interval(80.0, 78.0, 82.0))
    {'value': 80.0, 'low': 78.0, 'high': 82.0}
    """
    if isinstance(result, Frozen):
        return result.model_dump(mode="json")
    if isinstance(result, Interval):
        return {"value": result.value, "low": result.low, "high": result.high}
    if is_dataclass(result) and not isinstance(result, type):
        return {key_of(field.name): with_units(getattr(result, field.name)) for field in fields(result)}
    if isinstance(result, tuple | list):
        return [with_units(part) for part in result]
    return result


def key_of(name: str) -> str:
    """The key of an answer's field, with its unit.

    >>> key_of("input_torque"), key_of("share_kept")
    ('input_torque_Nm', 'share_kept')
    """
    unit = UNITS.get(name, "")
    return f"{name}_{unit}" if unit else name
