"""Where laps begin in a log: by a channel that counts them, a beacon, the distance, or the position; each lap
as its number and when it begins [s]. A part before the first passing is lap 0. Rules are common practice, no
source."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Laps = tuple[tuple[int, float], ...]

SHORTEST_LAP = 5.0  # s: passings nearer than that are one
GATE, AWAY = 25.0, 100.0  # m from the line: within the one it may be passed, beyond the other it was left
EARTH = 6.371e6  # m, mean radius


def by_counter(time: Array, number: Array) -> Laps:
    """Laps of a channel (n,) that counts them.

    >>> by_counter(np.array([0.0, 1.0, 2.0, 3.0]), np.array([4.0, 4.0, 5.0, 5.0]))
    ((4, 0.0), (5, 2.0))
    """
    there = np.flatnonzero(np.isfinite(number))
    whole = np.round(number[there]).astype(np.int64)
    begins = np.flatnonzero(np.concatenate([[True], np.diff(whole) != 0])) if whole.size else whole
    return tuple((int(whole[i]), float(time[there[i]])) for i in begins.tolist())


def by_beacon(time: Array, pulse: Array) -> Laps:
    """Laps of a channel (n,) that rises where the line is passed.

    >>> by_beacon(np.arange(30.0), (np.arange(30) % 10 == 5).astype(float))
    ((0, 0.0), (1, 5.0), (2, 15.0), (3, 25.0))
    """
    clear = np.nan_to_num(pulse)
    high = clear > 0.5 * (float(clear.min()) + float(clear.max()))
    return _numbered(time, time[1:][high[1:] & ~high[:-1]])


def by_distance(time: Array, distance: Array, length: float | None = None) -> Laps:
    """Laps of a distance (n,) [m] that begins again at the line, or goes on, with the length of a lap [m].

    >>> by_distance(np.arange(6.0) * 10, np.array([2900.0, 100.0, 1500.0, 2900.0, 200.0, 1500.0]))
    ((0, 0.0), (1, 10.0), (2, 40.0))
    >>> by_distance(np.arange(4.0) * 10, np.array([0.0, 600.0, 1200.0, 1800.0]), 1000.0)
    ((1, 0.0), (2, 20.0))
    """
    there = np.isfinite(distance)
    time, distance = time[there], distance[there]
    if length is not None:
        return by_counter(time, 1.0 + np.floor(distance / length))
    half = 0.5 * float(np.ptp(distance)) if distance.size else 0.0
    return _numbered(time, time[1:][np.diff(distance) < -half]) if half else ()


def by_position(time: Array, latitude: Array, longitude: Array) -> Laps:
    """Laps of a position (n,) [rad] by its passings of where the log begins: where it comes nearest within
    `GATE`, having been `AWAY`.

    >>> turn = np.arange(0.0, 20.0, 0.01)
    >>> around = 200.0 / 6.371e6
    >>> found = by_position(10 * turn, around * np.sin(turn), around * np.cos(turn))
    >>> [(number, round(start)) for number, start in found]
    [(1, 0), (2, 63), (3, 126), (4, 188)]
    """
    there = np.isfinite(latitude) & np.isfinite(longitude)
    time, latitude, longitude = time[there], latitude[there], longitude[there]
    if time.size == 0:
        return ()
    across = math.cos(float(latitude[0])) * (longitude - longitude[0])
    apart = EARTH * np.hypot(latitude - latitude[0], across)
    passings: list[float] = [float(time[0])]
    nearest, left = math.inf, False
    for when, far in zip(time.tolist(), apart.tolist(), strict=True):
        if far > AWAY:
            left, nearest = True, math.inf
        elif left and far < GATE:
            if nearest == math.inf:
                passings.append(when)
            if far < nearest:
                nearest, passings[-1] = far, when
    return _numbered(time, np.array(passings))


def _numbered(time: Array, passings: Array) -> Laps:
    kept: list[float] = []
    for when in passings.tolist():
        if not kept or when - kept[-1] >= SHORTEST_LAP:
            kept.append(when)
    if not kept:
        return ()
    before = () if kept[0] - time[0] < SHORTEST_LAP else ((0, float(time[0])),)
    return (*before, *((i, when) for i, when in enumerate(kept, start=1)))


def lap_at(laps: Laps, time: float) -> int | None:
    """The number of the lap that is driven at a time [s]; None without laps, or before the first.

    >>> lap_at(((1, 0.0), (2, 60.0)), 61.0), lap_at((), 3.0)
    (2, None)
    """
    begun = [number for number, start in laps if start <= time]
    return begun[-1] if begun else None
