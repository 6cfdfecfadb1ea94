"""Noise of a channel, spikes, and local means: what sweeps need before their turning points can be seen."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# 1.4826 MAD is the standard deviation of a normal sample (Hampel 1974; memory)
MAD_TO_SIGMA = 1.4826


def white_noise(values: Array) -> float:
    """Standard deviation of the sample-to-sample noise, from second differences, which cancel any linear
    trend.

    The variance of ``x[i-1] - 2 x[i] + x[i+1]`` is 6 times that of white noise. The median keeps steps and
    spikes out.

    Parameters: ``values`` (n,), any unit, NaN = missing. Returns the standard deviation in the same unit, 0
    for fewer than three finite neighbours. Source: difference-based variance estimation, common practice, no
    source.

    >>> rng = np.random.default_rng(1)
    >>> bool(abs(white_noise(np.linspace(0, 900, 20_000) + rng.normal(0, 2, 20_000)) - 2) < 0.05)
    True
    """
    second = values[:-2] - 2 * values[1:-1] + values[2:]
    second = second[np.isfinite(second)]
    if second.size == 0:
        return 0.0
    return float(MAD_TO_SIGMA * np.median(np.abs(second)) / np.sqrt(6.0))


def running_median(values: Array, width: int) -> Array:
    """Median over ``width`` samples (odd) around each sample, NaN left out; ends use what is there. Shape
    (n,)."""
    half = width // 2
    padded = np.concatenate([np.full(half, np.nan), values, np.full(half, np.nan)])
    windows = np.lib.stride_tricks.sliding_window_view(padded, width)
    if np.isnan(values).any() or values.size < width:
        out = np.full(values.size, np.nan)
        some = np.isfinite(windows).any(axis=1)
        out[some] = np.nanmedian(windows[some], axis=1)
        return out
    out = np.median(windows, axis=1)
    for index in [*range(half), *range(values.size - half, values.size)]:
        out[index] = np.nanmedian(windows[index])
    return np.asarray(out, dtype=np.float64)


def spikes(
    values: Array, *, width: int = 9, threshold: float = 8.0, resolution: float = 0.0
) -> NDArray[np.bool_]:
    """Samples that stand apart from their neighbours on both sides.

    A spike lies more than ``threshold`` noise standard deviations from the running median, and so far from it
    that the neighbourhood's own spread (a step, a steep ramp) does not explain it. Shape (n,), True at a
    spike; NaN is no spike.

    >>> x = np.sin(np.linspace(0, 3, 400)); x[200] += 5
    >>> np.flatnonzero(spikes(x + np.random.default_rng(0).normal(0, 0.01, 400))).tolist()
    [200]
    """
    if values.size < width:
        return np.zeros(values.size, dtype=bool)
    noise = max(white_noise(values), resolution)
    if noise == 0.0:
        # a coarse logger shows no noise: its smallest step stands in for it
        steps = np.abs(np.diff(values))
        steps = steps[np.isfinite(steps) & (steps > 0)]
        if steps.size == 0:
            return np.zeros(values.size, dtype=bool)
        noise = float(steps.min())
    median = running_median(values, width)
    suspects = np.isfinite(values) & (np.abs(values - median) > threshold * noise)
    # A step is no spike: next to a step, the neighbourhood itself spreads as far as the suspect does.
    half = width // 2
    for index in np.flatnonzero(suspects).tolist():
        window = values[max(0, index - half) : index + half + 1]
        others = np.delete(window, min(index, half))
        others = others[np.isfinite(others)]
        if others.size == 0:
            continue
        centre = np.median(others)
        spread = np.percentile(np.abs(others - centre), 75)
        suspects[index] = abs(values[index] - centre) > threshold * noise + 3.0 * spread
    return suspects


def local_mean(values: Array, width: int) -> Array:
    """Centred moving average over ``width`` samples (made odd), NaN left out, shorter at the ends so that no
    lag arises.

    Shape (n,); NaN only where the whole window is missing.
    """
    half = max(int(width) // 2, 0)
    if half == 0 or values.size == 0:
        return values.copy()
    good = np.isfinite(values)
    total = np.concatenate([[0.0], np.cumsum(np.where(good, values, 0.0))])
    count = np.concatenate([[0], np.cumsum(good)])
    index = np.arange(values.size)
    # the window shrinks symmetrically towards the ends: a one-sided mean would lag a ramp
    reach = np.minimum(np.minimum(index, values.size - 1 - index), half)
    lower, upper = index - reach, index + reach + 1
    n = count[upper] - count[lower]
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = (total[upper] - total[lower]) / n
    return np.where(n > 0, mean, np.nan)
