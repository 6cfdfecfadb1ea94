"""Mains hum, also where a slow logger folds it to another frequency."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.findings import Finding
from diffbench.conditioning.smoothing import white_noise

Array = NDArray[np.float64]

MAINS = (50.0, 60.0)  # Hz
HARMONICS = (1, 2, 3)
# A line counts when it stands this far above its surroundings: over a dozen averaged spectra, chance makes
# such a one in fewer than one recording of a million.
ABOVE = 8.0
# ... and when its amplitude is worth a third of the noise of a sample; less than that averages out.
WORTH = 0.3
# Shaft harmonics up to this order are the bench's own ripple.
ORDERS = 3
SEGMENT = 8.0  # s
LONGEST = 1 << 17  # samples looked at


def folded(frequency: float, rate: float) -> float:
    """Frequency at which a sampler of ``rate`` shows a ``frequency`` (both Hz): folded about half the rate.

    >>> folded(60.0, 50.0), folded(50.0, 1000.0)
    (10.0, 50.0)
    """
    return abs(frequency - rate * round(frequency / rate))


def hum(
    values: Array, rate: float, shafts: Sequence[Array], *, name: str, file: str, averaged: float
) -> list[Finding]:
    """Look for lines at 50 and 60 Hz and twice and three times as much, where this rate shows them.

    Parameters: ``values`` (n,) [N·m] evenly sampled at ``rate`` [Hz]; ``shafts`` speeds (n,) [rad/s], whose
    harmonics are left out; ``averaged`` [s] over which the fit's cells average. Lines that fold to less than
    half a hertz cannot be told from the sweep and are not judged.

    >>> rng = np.random.default_rng(0)
    >>> x = np.arange(6000) / 200.0
    >>> [f.name for f in hum(2 * np.sin(2 * np.pi * 50 * x) + rng.normal(0, 1, 6000), 200.0, [],
    ...                      name="left_torque", file="a.csv", averaged=0.2)]
    ['mains hum']
    """
    piece = values[:LONGEST]
    size = min(round(SEGMENT * rate), piece.size // 4)
    if rate < 20.0 or size < 2.0 * rate:
        return []
    good = np.isfinite(piece)
    if np.mean(good) < 0.9:
        return []
    index = np.arange(piece.size)
    spectrum = _spectrum(np.interp(index, index[good], piece[good]), size)
    noise = max(white_noise(piece), 1e-12)
    best = _strongest(spectrum, rate, size, _turning(shafts), WORTH * noise)
    if best is None:
        return []
    source, at, amplitude = best
    left = amplitude / max(np.pi * at * averaged, 1.0)
    return [
        Finding(
            "mains hum",
            "caveat" if left > 0.5 * noise else "note",
            f"{name}, {file}",
            f"A steady {amplitude:.2g} N·m at {at:.3g} Hz"
            + ("." if abs(at - source) < 0.1 else f": {source:g} Hz, folded by sampling at {rate:.4g} Hz."),
            f"Averages over {averaged:.2g} s keep {left:.1g} N·m of it.",
            "Check shielding and earth of that channel, and set its filter below half the sampling rate.",
        )
    ]


def _turning(shafts: Sequence[Array]) -> list[tuple[float, float]]:
    """Lowest and highest turns a second of each shaft, but for strays."""
    turning: list[tuple[float, float]] = []
    for speed in shafts:
        # a shaft turns no differently from one sample to the next: a few thousand tell its range
        some = np.abs(speed[:LONGEST:25]) / (2.0 * np.pi)
        some = some[np.isfinite(some)]
        if some.size:
            low, high = np.percentile(some, [1.0, 99.0])
            turning.append((float(low), float(high)))
    return turning


def _strongest(
    spectrum: Array, rate: float, size: int, turning: Sequence[tuple[float, float]], least: float
) -> tuple[float, float, float] | None:
    """The mains line of the largest amplitude above ``least``: its frequency, that at which it shows [Hz],
    and the amplitude."""
    frequency = np.arange(spectrum.size) * rate / size
    best: tuple[float, float, float] | None = None
    for mains in MAINS:
        for order in HARMONICS:
            at = folded(order * mains, rate)
            if at < 0.5 or _ripple(at, rate, turning, 3.0 * rate / size):
                continue
            centre = round(at * size / rate)
            near = np.abs(np.arange(spectrum.size) - centre)
            line = float(spectrum[near <= 1].max())
            floor = float(np.median(spectrum[(near > 4) & (near < 40)]))
            if line < ABOVE * floor:
                continue
            # power of a Hann-windowed sine is shared by three bins, two thirds of it in the middle one
            amplitude = float(np.sqrt(2.0 * max(line - floor, 0.0) * 1.5 / size))
            if at > 0.5 * rate - 2.0 * rate / size:
                amplitude /= np.sqrt(2.0)  # at half the rate both sidebands are one
            if amplitude > least and (best is None or amplitude > best[2]):
                best = (order * mains, float(frequency[centre]), amplitude)
    return best


def _spectrum(values: Array, size: int) -> Array:
    """Mean squared magnitude of Hann-windowed, detrended, half-overlapping pieces, per unit of window
    power (Welch 1967)."""
    window = np.hanning(size + 1)[:size]
    ramp = np.linspace(-1.0, 1.0, size)
    total = np.zeros(size // 2 + 1)
    starts = range(0, values.size - size + 1, size // 2)
    for start in starts:
        piece = values[start : start + size]
        piece = piece - piece.mean()
        piece = piece - ramp * float(ramp @ piece) / float(ramp @ ramp)
        total += np.abs(np.fft.rfft(window * piece)) ** 2
    return np.asarray(2.0 * total / len(starts) / float(window @ window))


def _ripple(at: float, rate: float, turning: Sequence[tuple[float, float]], width: float) -> bool:
    """Whether a shaft's own ripple, once to ``ORDERS`` times a turn, passes within ``width`` [Hz] of a
    frequency; ``turning`` lowest and highest turns a second of each shaft."""
    for low, high in turning:
        for order in range(1, ORDERS + 1):
            ends = [folded(order * float(f), rate) for f in (low, 0.5 * (low + high), high)]
            if min(ends) - width <= at <= max(ends) + width:
                return True
    return False
