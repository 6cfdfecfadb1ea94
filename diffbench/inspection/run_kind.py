"""What was done while a recording ran, by its torques and speeds: a proposal for a run sheet's draft."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from diffbench.inspection.channel_guesses import Guess, unit_of
from diffbench.quantities import conversion, knows
from diffbench.readers.protocol import LARGEST, RawColumn

# With no unit in the way, transducers read their zeros and the drag of bearings (common practice, no source).
_TARE = 10.0  # N·m
_HELD = 0.35  # of the locking torque: an input torque that moves by less is held
_CALM = 0.5  # of the travel of the speed difference: a torque that travels less is held
_BLOCKS = 200  # means that noise and ripple do not move
_FEWEST = 20


def run_kind(columns: Sequence[RawColumn], guesses: Sequence[Guess]) -> str:
    """Kind of run, as a run sheet has it; empty where the columns do not tell.

    A tare run has next to no torque; in a sweep of torque the input torque moves, in one of speed it is held,
    or moves far less than the speed difference;
    hand readings have a wrench.

    >>> torque = np.repeat([0.0, 300.0], 500)
    >>> columns = [RawColumn("L", "Nm", 0.5 * torque + 40.0), RawColumn("R", "Nm", 0.5 * torque - 40.0)]
    >>> known = [Guess(f"{side}_torque", "torque", True, ()) for side in ("left", "right")]
    >>> run_kind(columns, known)
    'bias-sweep'
    >>> broken = RawColumn("Ch 7", "Nm", np.where(torque > 0.0, np.nan, 1.0))  # of no channel: left aside
    >>> run_kind([*columns, broken], [*known, Guess(None, "torque", False, ())])
    'bias-sweep'
    """
    found = {
        guess.channel: values
        for column, guess in zip(columns, guesses, strict=True)
        if guess.channel is not None and guess.dimension == "torque"
        for values in [_means(column)]
        if values is not None
    }
    if any(guess.channel in ("turning_torque", "reading", "direction") for guess in guesses):
        return "turning-torque"
    outputs = [found[name] for name in ("left_torque", "right_torque") if name in found]
    whole = found.get("input_torque")
    if not outputs or (len(outputs) == 1 and whole is None) or len({one.size for one in found.values()}) > 1:
        return ""  # columns without some numbers are damaged, and told elsewhere
    if max(float(np.max(np.abs(values))) for values in outputs) < _TARE:
        return "tare"
    if len(outputs) == 2:
        whole, apart = outputs[0] + outputs[1], outputs[0] - outputs[1]
    else:
        assert whole is not None
        guess = next(guess for guess in guesses if guess.channel == "input_torque")
        if guess.ratio is None and "at the pinion" in " ".join(guess.reasons):
            # without its ratio it cannot be held against the output
            return "bias-sweep" if _travel(whole) > 1.0 else ""
        whole = whole * (guess.ratio or 1.0)
        apart = whole - 2.0 * outputs[0]
    moves = float(np.ptp(np.quantile(whole, (0.05, 0.95))))
    if moves <= _HELD * float(np.quantile(np.abs(apart), 0.9)):
        return "speed-sweep"
    slip = _slip(columns, guesses)
    # a torque that a controller holds wanders, and runs up at the start: then the speeds move by far more
    held = slip is not None and _travel(whole) < _CALM * _travel(np.abs(slip))
    return "speed-sweep" if held else "bias-sweep"


def _travel(values: NDArray[np.float64]) -> float:
    """How far the middle four fifths of values go, over their size."""
    low, high = np.quantile(values, (0.1, 0.9))
    return float((high - low) / max(abs(low), abs(high), 1e-9))


def _slip(columns: Sequence[RawColumn], guesses: Sequence[Guess]) -> NDArray[np.float64] | None:
    """Means of the speed difference in the file's own unit; None where no columns tell it."""
    found = {
        guess.channel: values
        for column, guess in zip(columns, guesses, strict=True)
        if guess.channel in ("left_speed", "right_speed", "speed_difference")
        for values in [_means(column, ("angular_speed",))]
        if values is not None
    }
    if "speed_difference" in found:
        return found["speed_difference"]
    if len(found) < 2 or found["left_speed"].size != found["right_speed"].size:
        return None
    return found["left_speed"] - found["right_speed"]


def _means(column: RawColumn, dimensions: Sequence[str] = ("torque", "force")) -> NDArray[np.float64] | None:
    """Means of equal parts [N·m, N at an arm that nobody told, rad/s]; None without such a unit, or with few
    numbers."""
    unit = unit_of(column) or ""
    dimension = next((d for d in dimensions if knows(unit, d)), None)
    if column.is_text or dimension is None:
        return None
    scale = conversion(unit, dimension).scale
    values = column.values.astype(np.float64)
    values = np.where(np.abs(values) < LARGEST, values, np.nan)
    size = max(1, len(values) // _BLOCKS)
    parts = values[: len(values) // size * size].reshape(-1, size)
    there = np.isfinite(parts).any(axis=1)
    return scale * np.nanmean(parts[there], axis=1) if there.sum() >= _FEWEST else None
