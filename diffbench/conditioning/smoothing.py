"""Noise of a channel, spikes, and local means: what sweeps need before their turning points can be seen."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from diffbench.recording import even_step

Array = NDArray[np.float64]

# So many samples, spread evenly over a recording, tell its noise and its step to half a hundredth.
ENOUGH = 1 << 16
BLOCK = 16  # samples that are judged together before any is looked at by itself

# 1.4826 MAD is the standard deviation of a normal sample (Hampel 1974; memory)
MAD_TO_SIGMA = 1.4826


def white_noise(values: Array) -> float:
    """Standard deviation of the sample-to-sample noise, from second differences, which cancel any linear
    trend.

    The variance of ``x[i-1] - 2 x[i] + x[i+1]`` is 6 times that of white noise. The median keeps steps and
    spikes out.

    Parameters: ``values`` (n,), any unit, NaN = missing. Returns the standard deviation in the same unit, 0
    for fewer than three finite neighbours. Of a long recording, ``ENOUGH`` places spread evenly tell. Source:
    difference-based variance estimation, common practice, no source.

    >>> rng = np.random.default_rng(1)
    >>> bool(abs(white_noise(np.linspace(0, 900, 20_000) + rng.normal(0, 2, 20_000)) - 2) < 0.05)
    True
    """
    every = max(1, values.size // ENOUGH)
    second = values[:-2:every] - 2 * values[1:-1:every] + values[2::every]
    second = second[np.isfinite(second)]
    if second.size == 0:
        return 0.0
    return float(MAD_TO_SIGMA * np.median(np.abs(second)) / np.sqrt(6.0))


def usual_step(time: Array) -> float:
    """Median step of a clock (n,) [s], n at least 2; of a long recording, of ``ENOUGH`` steps spread evenly.
    Of a clock that is written coarsely the even step (`even_step`).

    >>> usual_step(np.array([0.0, 0.1, 0.2, 0.5]))
    0.1
    >>> round(usual_step(np.round(np.arange(600) / 60.0, 2)), 4)  # 60 samples a second, in hundredths
    0.0167
    """
    every = max(1, time.size // ENOUGH)
    usual = float(np.median(time[1::every] - time[:-1:every]))
    return even_step(usual, np.diff(time[:ENOUGH]))  # in a row: the lengths take turns


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
    suspects = np.zeros(values.size, dtype=bool)
    looked_at = _uneven(values, threshold * noise, width // 2)
    apart = np.abs(values[looked_at] - _median_around(values, looked_at, width))
    suspects[looked_at] = apart > threshold * noise
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


def _uneven(values: Array, limit: float, reach: int) -> NDArray[np.int64]:
    """Samples in whose neighbourhood of ``reach`` samples and more the values span more than ``limit``: no
    other one can stand that far from its neighbours' median."""
    size = max(BLOCK, reach)
    whole = values.size // size * size
    if whole == 0:
        return np.arange(values.size)
    blocks = values[:whole].reshape(-1, size)
    high, low = np.fmax.reduce(blocks, axis=1), np.fmin.reduce(blocks, axis=1)
    if whole < values.size:
        high = np.append(high, np.fmax.reduce(values[whole:]))
        low = np.append(low, np.fmin.reduce(values[whole:]))
    # with both neighbours, as a window reaches over the edge of a block
    high = np.fmax(np.fmax(high, np.append(high[1:], np.nan)), np.append(np.nan, high[:-1]))
    low = np.fmin(np.fmin(low, np.append(low[1:], np.nan)), np.append(np.nan, low[:-1]))
    uneven = np.flatnonzero(high - low > limit)
    index = (uneven[:, None] * size + np.arange(size)).ravel()
    return index[index < values.size]


def _median_around(values: Array, index: NDArray[np.int64], width: int) -> Array:
    """What `running_median` gives at some samples alone."""
    if index.size == 0:
        return np.empty(0)
    half = width // 2
    around = index[:, None] + np.arange(-half, half + 1)
    windows = values[np.clip(around, 0, values.size - 1)]
    windows[(around < 0) | (around >= values.size)] = np.nan
    missing = np.isnan(windows)
    out = np.median(windows, axis=1)  # NaN where any is missing
    some = np.flatnonzero(missing.any(axis=1) & ~missing.all(axis=1))
    if some.size:
        out[some] = np.nanmedian(windows[some], axis=1)
    return np.asarray(out)


def rate_of_change(time: Array, values: Array, width: int) -> Array:
    """Rate of change (n,) of a series, per second: that of means over ``width`` samples, from the one before
    to the one after; what is missing is bridged.

    Averaged over a run of samples, it is the change from one end of the run to the other over its length,
    whatever happened in between: the mean of a signal before a first-order lag is that of the lagged one
    plus lag times this.

    >>> time = np.arange(100) / 50.0
    >>> corner = np.abs(time - 1.0)
    >>> rate = rate_of_change(time, corner, 3)
    >>> [round(float(rate[i]), 6) + 0.0 for i in (10, 50, 90)], round(float(rate[30:70].mean()), 3)
    ([-1.0, 0.0, 1.0], -0.025)
    """
    good = np.isfinite(values)
    if values.size < 2 or not good.any():
        return np.zeros(values.size)
    whole = values if good.all() else np.interp(time, time[good], values[good])
    # over lost rows a mean is of its own time, not of its middle sample's
    mean, at = local_mean(whole, width), local_mean(time, width)
    rate = np.empty(values.size)
    np.divide(mean[2:] - mean[:-2], at[2:] - at[:-2], out=rate[1:-1])
    rate[0] = (mean[1] - mean[0]) / (at[1] - at[0])
    rate[-1] = (mean[-1] - mean[-2]) / (at[-1] - at[-2])
    return rate


def local_mean(values: Array, width: int) -> Array:
    """Centred moving average over ``width`` samples (made odd), NaN left out, shorter at the ends so that no
    lag arises.

    Shape (n,); NaN only where the whole window is missing.
    """
    half = max(int(width) // 2, 0)
    if half == 0 or values.size == 0:
        return values.copy()
    good = np.isfinite(values)
    whole = bool(good.all())
    n = values.size
    total = np.zeros(n + 1)
    np.cumsum(values if whole else np.where(good, values, 0.0), out=total[1:])
    mean = np.empty(n)
    # slices where the window is whole, places looked up one by one only towards the ends
    inner = slice(min(half, n), max(n - half, min(half, n)))
    ends = np.concatenate([np.arange(inner.start), np.arange(inner.stop, n)])
    # the window shrinks symmetrically towards the ends: a one-sided mean would lag a ramp
    reach = np.minimum(ends, n - 1 - ends)
    lower, upper = ends - reach, ends + reach + 1
    if inner.stop > inner.start:
        np.subtract(total[2 * half + 1 :], total[: n - 2 * half], out=mean[inner])
    mean[ends] = total[upper] - total[lower]
    if whole:
        mean[inner] /= 2 * half + 1
        mean[ends] /= upper - lower
        return mean
    count = np.zeros(n + 1)
    np.cumsum(good, out=count[1:])
    present = np.empty(n)
    if inner.stop > inner.start:
        np.subtract(count[2 * half + 1 :], count[: n - 2 * half], out=present[inner])
    present[ends] = count[upper] - count[lower]
    with np.errstate(invalid="ignore", divide="ignore"):
        mean /= present
    mean[present == 0] = np.nan
    return mean
