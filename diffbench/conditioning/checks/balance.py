"""Input torque against the sum of the outputs, where a bench measures all three."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning import bench
from diffbench.conditioning.checks.flanges import TORQUE_FACTORS
from diffbench.conditioning.checks.speeds import factor_name
from diffbench.conditioning.findings import Finding
from diffbench.conditioning.samples import Samples
from diffbench.documents import Rig
from diffbench.documents.arrangements import OUTPUTS

Array = NDArray[np.float64]

# Where nobody states a gain's uncertainty, a flange of class 0.5; a final drive within some per cent.
CLASS = 0.005
EFFICIENCY_U = 0.03
SIGNIFICANT = 4.0
# A hundredth matters at all; a tenth is no calibration.
LEAST, BEYOND_CALIBRATION = 0.01, 0.1


def torque_balance(rig: Rig, samples: Samples, outputs: Array, *, file: str) -> list[Finding]:
    """Hold the input torque, brought to the case, against the sum of both outputs.

    ``T_in = g (T_L + T_R) + z`` by least squares over averages of half a second, with a g for drive and
    one for coast. The input torque takes no part in the fit of this arrangement, so a small error is told
    only.

    Parameters: ``outputs`` (n,) [N·m], sum of both outputs at the unit, NaN = missing.
    """
    if set(rig.equilibrium) != set(OUTPUTS) or "input_torque" not in samples.torques:
        return []
    channel = rig.channel["input_torque"]
    chain = bench.chain(rig, "input_torque", None)
    reading = samples.torques["input_torque"]
    speed = samples.speeds.get("case", np.ones_like(reading)) * chain.ratio
    still = np.zeros_like(reading)
    size = max(1, round(0.5 / samples.step))
    measured = _means(chain.at_unit(reading, still, speed, still), size)
    total = _means(outputs, size)
    good = np.isfinite(measured) & np.isfinite(total)
    x, y = total[good], measured[good]
    flanks = [side for side in (np.maximum(x, 0.0), np.minimum(x, 0.0)) if np.count_nonzero(side) >= 20]
    if not flanks or float(np.ptp(x)) == 0.0:
        return []
    columns = np.stack([*flanks, np.ones_like(x)], axis=1)
    slopes = np.linalg.lstsq(columns, y, rcond=None)[0][:-1]
    variance = sum((rig.channel[name].u_gain or CLASS) ** 2 for name in ("left_torque", "input_torque"))
    if chain.ratio != 1.0:
        variance += (channel.efficiency.u or EFFICIENCY_U) ** 2
        variance += ((channel.ratio.u or 0.0) / channel.ratio.value) ** 2
    worst = float(slopes[np.argmax(np.abs(slopes - 1.0))])
    if abs(worst - 1.0) < max(SIGNIFICANT * float(np.sqrt(variance)), LEAST):
        return []
    grave = abs(worst - 1.0) > BEYOND_CALIBRATION
    factors = dict(TORQUE_FACTORS)
    if chain.ratio != 1.0:
        factors["torque at the case taken as at the pinion"] = 1.0 / chain.ratio
    middle = float(np.mean(slopes))
    input_unit = factor_name(1.0 / middle, factors) if middle > 0.0 else None
    output_unit = factor_name(middle, factors) if middle > 0.0 else None
    guesses = [f"{input_unit} in input_torque"] if input_unit else []
    guesses += [f"{output_unit} in both outputs"] if output_unit and "pinion" not in output_unit else []
    return [
        Finding(
            "torque balance",
            "stop" if grave else "caveat",
            f"input_torque, {file}",
            f"The input torque is {worst:.4g} times the sum of the outputs"
            + (f": {', or '.join(guesses)}." if guesses else "."),
            "Either the input torque is wrong, which the fit does not use, or the outputs are, and all "
            "of the result with them."
            if grave
            else "The fit uses the outputs only; their common gain may be off by as much.",
            "Check unit, sign, ratio, efficiency and gain of input_torque and of both outputs; leave "
            "[channel.input_torque] out of the rig where it is known to be the wrong one.",
        )
    ]


def _means(values: Array, size: int) -> Array:
    """Means of ``size`` samples, NaN where one is missing."""
    return np.asarray(values[: values.size // size * size].reshape(-1, size).mean(axis=1))
