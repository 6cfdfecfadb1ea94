"""From the reading to the torque at the unit: gain, zero, lag, tare or drag, inertia, final drive.

Every step is written for one time series and its rate of change, so that the same lines serve single samples,
averages over cells, and the same averages with one of the bench's constants off by its standard uncertainty.

What one standard uncertainty of a constant does to every cell is half the difference of the whole chain with
the constant too high and too low; the fit shifts along it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class TorqueChain:
    """What stands between one torque transducer and the unit, beyond the stated gain, zero and sign of the
    reading.

    ``gain`` relative and ``zero`` [N·m] are corrections to the reading in N·m (0 = as stated); ``lag`` [s];
    ``tare`` [N·m] is the reading with the unit out, which holds zero and drag together; ``drag`` [N·m] where
    no tare run says it; ``inertia`` [kg·m²] between transducer and unit; ``ratio`` and ``efficiency`` of a
    final drive (1 = none). ``side``: +1 for an output, whose transducer reads *less* than the unit delivers,
    -1 for the input, which reads more than the case gets.
    """

    side: Literal[1, -1]
    gain: float = 0.0
    zero: float = 0.0
    lag: float = 0.0
    tare: float = 0.0
    drag: float = 0.0
    inertia: float = 0.0
    ratio: float = 1.0
    efficiency: float = 1.0

    def at_unit(self, reading: Array, rate: Array, speed: Array, acceleration: Array) -> Array:
        """Torque at the unit (at the case, for an input) [N·m].

        Parameters: ``reading`` (n,) [N·m] after stated gain, zero and sign; ``rate`` (n,) its change [N·m/s];
        ``speed`` and ``acceleration`` (n,) of the transducer's own shaft [rad/s, rad/s²].

        ``T = reading·(1 + gain) + zero − tare + lag·rate``, then ``± (drag·sgn ω + J dω/dt)``, then the final
        drive: the case gets ``ratio·efficiency`` times the pinion's torque while power flows to it,
        ``ratio/efficiency`` while power flows back (common practice for gear pairs, no source).

        >>> pinion = TorqueChain(side=-1, ratio=3.0, efficiency=0.96)
        >>> one = np.ones(2)
        >>> pinion.at_unit(np.array([100.0, -100.0]), 0 * one, 60 * one, 0 * one).round(1).tolist()
        [288.0, -312.5]
        """
        # what is not there is not computed: readings may be millions, and adding nothing takes as long
        torque = reading * (1.0 + self.gain) if self.gain else reading
        if self.zero or self.tare or self.lag:
            torque = torque + self.zero - self.tare + self.lag * rate
        if self.drag or self.inertia:
            torque = torque + self.side * (self.drag * np.sign(speed) + self.inertia * acceleration)
        if self.ratio == 1.0 and self.efficiency == 1.0:
            return torque
        driving = torque * np.where(speed == 0, 1.0, np.sign(speed)) >= 0
        return torque * self.ratio * np.where(driving, self.efficiency, 1.0 / self.efficiency)

    def with_error(self, constant: str, by: float) -> TorqueChain:
        """The same chain with one constant off by ``by``."""
        return replace(self, **{constant: getattr(self, constant) + by})
