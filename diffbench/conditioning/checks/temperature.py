"""Temperatures that cannot be, and plates far hotter than the oil that is read."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.findings import Finding
from diffbench.conditioning.smoothing import local_mean, running_median, usual_step, white_noise

Array = NDArray[np.float64]

# Gear oils are not run above 150 °C, nor is a bench frozen (common practice, no source).
HOTTEST, COLDEST = 150.0, -40.0
# Warm enough on a bench to ask whether the logger writes °F; what is ordinary in °F: 50 to 120 °C.
WARM = 115.0
# Ten kilowatts into a kilogram of oil (2000 J/(kg·K)) warm it by 5 K a second; nothing on a bench does more.
FASTEST = 5.0  # K/s
# Plates that run this much above the oil move friction by several per cent (0.1 % a kelvin, common practice).
HOT = 40.0  # K
# Heat that must warm some kilograms of oil by kelvins.
HEAT_THAT_SHOWS = 50e3  # J
UNITS: Mapping[str, Callable[[float], float]] = {
    "°F": lambda reading: (reading - 32.0) / 1.8,
    "K": lambda reading: reading - 273.15,
}


def temperature(time: Array, values: Array, *, name: str, file: str, heat: float = 0.0) -> list[Finding]:
    """Findings about one temperature channel.

    Parameters: ``time`` (n,) [s]; ``values`` (n,) [°C], NaN = missing; ``heat`` [J] that friction made in
    this recording.

    >>> t = np.arange(0.0, 100.0, 0.1)
    >>> [f.evidence for f in temperature(t, 330.0 + 0.1 * t, name="oil_temperature", file="a.csv")]
    ['It reads 330.1 to 339.9 °C. Were it K, it would be 56.9 to 66.7 °C.']
    """
    good = np.isfinite(values)
    if good.sum() < 20:
        return []
    step, at, course = _course(time, values)
    low, high = (float(v) for v in np.percentile(local_mean(course, max(1, round(1.0 / step))), [1.0, 99.0]))
    where = f"{name}, {file}"
    effect = "Friction over temperature and the drag of the oil would be read at a wrong temperature."
    found: list[Finding] = []
    beyond = high > HOTTEST or low < COLDEST
    if beyond or (name == "oil_temperature" and low > WARM):
        unit = next((unit for unit, read in UNITS.items() if read(low) > 0.0 and read(high) < 110.0), None)
        read = UNITS.get(unit or "")
        guess = (
            "" if read is None else f" Were it {unit}, it would be {read(low):.3g} to {read(high):.3g} °C."
        )
        found.append(
            Finding(
                "temperature implausible",
                "caveat" if beyond else "note",
                where,
                f"It reads {low:.4g} to {high:.4g} °C.{guess}",
                effect,
                "Check the sensor and state the unit of the column in the rig"
                + (f', unit = "{"degF" if unit == "°F" else "K"}".' if unit else "."),
            )
        )
    else:
        found += _jump(at, local_mean(course, max(1, round(0.5 / step))), step, name, where, effect)
    if heat > HEAT_THAT_SHOWS and float(np.ptp(values[good])) == 0.0:
        found.append(
            Finding(
                "stuck channel",
                "caveat",
                where,
                f"It reads {low:.4g} °C from start to end, while friction made {heat / 1e3:.3g} kJ.",
                effect,
                "Check the sensor; a value typed in by hand is none.",
            )
        )
    return found


def _course(time: Array, values: Array) -> tuple[float, Array, Array]:
    """Medians over a tenth of a second and over a second of them, with their step and their times [s]: no
    spike is left."""
    good = np.isfinite(values)
    step = usual_step(time)
    size = max(1, round(0.1 / step))
    filled = values if good.all() else np.interp(time, time[good], values[good])
    whole = filled.size // size * size
    blocks = np.median(filled[:whole].reshape(-1, size), axis=1)
    return step * size, time[:whole:size], running_median(blocks, 2 * max(1, round(0.5 / (step * size))) + 1)


def _jump(at: Array, smooth: Array, step: float, name: str, where: str, effect: str) -> list[Finding]:
    """A change of oil temperature faster than any heat could make it: a sensor that came off, or a plug.

    Over lost rows more time passes, in which it may well have changed.
    """
    if name != "oil_temperature":
        return []
    width = max(1, round(2.0 / step))
    if smooth.size <= width:
        return []
    change = smooth[width:] - smooth[:-width]
    change = change[np.isfinite(change) & _unbroken(at, width, step)]
    if change.size == 0:
        return []
    most = float(change[np.argmax(np.abs(change))])
    if abs(most) < FASTEST * 2.0 + 8.0 * white_noise(smooth):
        return []
    return [
        Finding(
            "temperature implausible",
            "caveat",
            where,
            f"It changes by {most:+.3g} K within 2 s.",
            effect,
            "Look for a sensor that came off or a loose plug; leave the channel out of the rig if it stays "
            "doubtful.",
        )
    ]


def _unbroken(at: Array, width: int, step: float) -> NDArray[np.bool_]:
    """Whether ``width`` blocks on from each (n − width,) nothing is missing on the way, nor within the second
    and a half on either side over which blocks are averaged."""
    beside = max(1, round(1.5 / step))
    first = np.maximum(np.arange(at.size - width) - beside, 0)
    last = np.minimum(np.arange(width, at.size) + beside, at.size - 1)
    return np.asarray(at[last] - at[first] < (last - first) * step + 1.0)


def hot_plates(oil: Array, plates: Array) -> list[Finding]:
    """Plates of which the oil reading says little: they run ``HOT`` or more above it.

    Parameters: ``oil`` and ``plates`` (c,) [°C] of each cell, the plates as the heat balance has them.

    >>> hot_plates(np.full(100, 60.0), np.full(100, 75.0))
    []
    """
    good = np.isfinite(oil) & np.isfinite(plates)
    if not good.any():
        return []
    excess = float(np.percentile(plates[good] - oil[good], 95.0))
    if excess < HOT:
        return []
    return [
        Finding(
            "plates far hotter than the oil",
            "caveat",
            "all sweeps",
            f"By the heat balance, the plates run up to {excess:.0f} K above the oil that is read.",
            "Friction follows the plates: what the balance assumes of heat capacity and cooling weighs in "
            "every number.",
            "Sweep slower or with pauses, or measure at the plates (plate_temperature).",
        )
    ]
