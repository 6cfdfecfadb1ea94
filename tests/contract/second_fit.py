"""The same cells fitted a second time, by a general library and equations of this file alone.

The second fit is told what the first is told, and no more: cells with their weights, the turns of the input
torque, the heat that was read, and what is plausible beforehand. The law, the play of the ramps, the heat of
the plates are written down once more, in another way, and ODRPACK searches (Boggs, Donaldson, Byrd &
Schnabel 1989; package ``odrpack``, ordinary least squares).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from benchsim.unit import Unit
from numpy.typing import NDArray

from diffbench import Characterisation
from diffbench.documents import load_visit
from diffbench.fitting import condition_visit

Array = NDArray[np.float64]

WITHIN = np.array([-1.0, 0.0, 1.0]) / 3.0  # of a cell's width: where its input torque is looked at

#: Of the second fit, in order, with where its search begins and what is plausible beforehand: mean, standard
#: uncertainty (common practice, no source). Heat by its logarithm, the plates' capacity by the sheet to 1 %.
UNKNOWNS: dict[str, tuple[float, tuple[float, float] | None]] = {
    "preload_torque": (70.0, None),
    "ramp_bias_drive_loading": (0.5, None),
    "ramp_bias_drive_unloading": (0.7, None),
    "ramp_bias_coast_loading": (0.25, None),
    "ramp_bias_coast_unloading": (0.4, None),
    "static_friction_excess": (0.15, None),
    "stribeck_speed": (0.05, None),
    "friction_temperature_coefficient": (0.0, (-0.0005, 0.0015)),
    "viscous_coefficient": (1.0, (0.2, 1.0)),
    "viscous_temperature_coefficient": (0.02, (0.03, 0.02)),
    "heat_capacity": (0.0, (0.0, 0.01)),
    "heat_conductance": (-math.log(20.0), (-math.log(20.0), 1.0)),
    "relaxation angle": (0.0, (0.01, 0.015)),
    "ramps at the start": (0.5, (0.5, 0.29)),
}
EXCESS = 2.0  # K: of the plates over the oil where a run begins


@dataclass(frozen=True)
class Second:
    """What the second fit found: values by name; their standard uncertainties by noise and knowledge
    beforehand, and by what the rig allows for, where the first budgets it."""

    values: dict[str, float]
    by_noise: dict[str, float]
    by_rig: dict[str, float]


@dataclass(frozen=True)
class SecondFit:
    """Of a visit that the first fit characterised; ``opens`` where ramp thrust must first overcome the
    spring."""

    runs: Sequence[Any]
    used: Sequence[NDArray[np.bool_]]
    locking: Array
    sigma: Array
    share: float  # of the cells that are worth counting
    unit: Unit
    reference: float
    opens: bool

    @classmethod
    def of(cls, sheet: Path, first: Characterisation, unit: Unit, reference: float) -> SecondFit:
        """Of ``unit`` only what sheets state is looked at, and the exponent of the friction curve."""
        evidence = first.evidence
        assert evidence is not None
        (visit,), _ = condition_visit(load_visit(sheet), lambda text: None)
        times = np.concatenate([run.cells.time for run in visit.runs])
        np.testing.assert_array_equal(times, evidence.time)
        used = [evidence.used[evidence.run == r] for r in range(len(visit.runs))]
        share = first.diagnostics.effective_samples / first.diagnostics.cells
        read = evidence.locking[evidence.used], evidence.sigma[evidence.used]
        return cls(visit.runs, used, *read, share, unit, reference, first.law.chosen == "greater-of")

    @property
    def capacity(self) -> float:
        """Logarithm of the plates' heat capacity [J/K] by the sheet."""
        return math.log(self.unit.heat_capacity)

    def names(self) -> list[str]:
        """Of the unknowns, in order."""
        excess = [f"plates at the start of {r}" for r in range(len(self.runs))]
        return [*UNKNOWNS, *excess, *(["joint_fraction"] if self.opens else [])]

    def of_cells(self, *columns: Array) -> Array:
        """A column of every run's cells, where they are used (c,)."""
        return np.concatenate([column[used] for column, used in zip(columns, self.used, strict=True)])

    def ramps(self, torque: Array, shifts: Sequence[Array], sign: float, play: float, start: float) -> Array:
        """What one flank's ramps bear (c, 3) [N·m of rising torque]: between the torque and ``play`` times
        it they keep what they had."""
        made, first = [], 0
        for run, used, shift in zip(self.runs, self.used, shifts, strict=True):
            turns = np.maximum(sign * (run.history.torque + shift[run.history.near]), 0.0)
            borne, held = np.empty(turns.size), 0.0
            for i, (load, begins) in enumerate(zip(turns.tolist(), run.history.begins.tolist(), strict=True)):
                least = load * (1.0 + start * (play - 1.0)) if begins else load
                held = least if begins else min(max(held, load), play * load)
                borne[i] = held
            last = first + int(used.sum())
            load_here = np.maximum(sign * torque[first:last], 0.0)
            made.append(np.clip(borne[run.history.before[used]][:, None], load_here, play * load_here))
            first = last
        return np.concatenate(made)

    def plates(self, capacity: float, conductance: float, begins: Array) -> Array:
        """Excess of the plates over the oil at the cells (c,) [K]: as measured, or by an exponential step
        from each time to the next."""
        if all(run.cells.plate is not None for run in self.runs):
            return self.of_cells(*(run.cells.plate - run.cells.oil for run in self.runs))
        made = []
        for run, begin in zip(self.runs, begins.tolist(), strict=True):
            heat = run.heat.power - capacity * run.heat.oil_rate
            settled = 0.5 * (heat[1:] + heat[:-1]) / conductance
            stays = np.exp(-conductance / capacity * np.diff(run.heat.time))
            excess = [begin]
            for keep, end in zip(stays.tolist(), settled.tolist(), strict=True):
                excess.append(keep * excess[-1] + (1.0 - keep) * end)
            made.append(np.interp(run.cells.time, run.heat.time, excess))
        return self.of_cells(*made)

    def model(self, beta: Array, shifts: Sequence[Array] | None = None) -> Array:
        """Locking torque of the cells (c,) [N·m]; ``shifts`` [N·m] are added to the input torque of each
        run's."""
        runs, unit = self.runs, self.unit
        shifts = [np.zeros(run.cells.time.size) for run in runs] if shifts is None else shifts
        preload, dl, du, cl, cu, excess, speed, heat, film, thin, warm, way, angle, start = beta[:14]
        course = [run.input_torque + shift for run, shift in zip(runs, shifts, strict=True)]
        slope = self.of_cells(*(run.cells.width * run.input_slope for run in runs))
        torque = self.of_cells(*course)[:, None] + slope[:, None] * WITHIN
        slip = np.abs(self.of_cells(*(run.cells.speed_difference for run in runs)))
        turned = self.of_cells(*(run.locking_slope for run in runs)) / np.maximum(slip, 0.05)
        oil = self.of_cells(*(run.cells.oil for run in runs)) - unit.reference_temperature
        ramp = dl * self.ramps(torque, shifts, 1.0, du / dl, start)
        ramp = ramp + cl * self.ramps(torque, shifts, -1.0, cu / cl, start)
        bears = np.maximum(preload + beta[-1] * ramp, ramp) if self.opens else preload + ramp
        sliding = np.append(slip, self.reference) * unit.effective_radius / 2.0
        curve = 1.0 + excess * np.exp(-((sliding / speed) ** unit.stribeck_exponent))
        plates = self.plates(
            math.exp(self.capacity + warm), math.exp(self.capacity + way), beta[14 : 14 + len(runs)]
        )
        friction = curve[:-1] / curve[-1] * (1.0 + heat * (oil + plates))
        by_torque = friction * bears.mean(axis=1) + unit.gear_friction * np.abs(torque[:, 1])
        return np.asarray(by_torque + film * np.exp(-thin * oil) * slip - angle * turned)

    def fitted(self) -> Second:
        """Values by ODRPACK; uncertainties by its Jacobian's worth (GUM's law of propagation, linear)."""
        import odrpack

        names = self.names()
        start = [begin for begin, _ in UNKNOWNS.values()] + [0.0] * len(self.runs)
        known = {i: prior for i, (_, prior) in enumerate(UNKNOWNS.values()) if prior is not None}
        known |= {len(UNKNOWNS) + r: (0.0, EXCESS) for r in range(len(self.runs))}
        at = list(known)
        mean, doubt = np.array(list(known.values())).T
        weight = np.concatenate([self.share * self.sigma**-2.0, doubt**-2.0])
        read = np.concatenate([self.locking, mean])
        found = odrpack.odr_fit(
            lambda _, beta: np.concatenate([self.model(beta), beta[at]]),
            np.arange(read.size, dtype=float),
            read,
            np.array([*start, *([0.05] if self.opens else [])]),
            weight_y=weight,
            task="OLS",
            maxit=200,
        )
        assert found.success, found.stopreason
        beta = np.asarray(found.beta)
        by_noise, by_rig = self._doubts(beta, at, weight)
        size = np.ones(beta.size)
        for i, name in enumerate(names):
            if name.startswith("heat_"):
                beta[i] = size[i] = math.exp(self.capacity + beta[i])

        def named(column: Array) -> dict[str, float]:
            return {
                name: value for name, value in zip(names, column.tolist(), strict=True) if " " not in name
            }

        return Second(named(beta), named(by_noise * size), named(by_rig * size))

    def _doubts(self, beta: Array, known: Sequence[int], weight: Array) -> tuple[Array, Array]:
        """Standard uncertainties (p,) by independent noise as large as the residual and knowledge
        beforehand, and by the errors that the rig allows for."""
        steps = np.diag(np.maximum(1e-5 * np.abs(beta), 1e-7))
        columns = [(self.model(beta + d) - self.model(beta - d)) / (2.0 * d.max()) for d in steps]
        cells = self.locking.size
        design = np.concatenate([np.stack(columns, axis=1), np.eye(beta.size)[list(known)]])
        residual = self.locking - self.model(beta)
        spread = weight[:cells] @ residual**2 / (cells - beta.size)
        variance = 1.0 / weight
        variance[:cells] *= spread
        gain = np.linalg.inv(design.T @ (weight[:, None] * design)) @ (design.T * weight)
        by_rig = np.zeros(beta.size)
        for key in {key for run in self.runs for key in run.effects}:
            into, apart = (
                [
                    getattr(run.effects[key], part) if key in run.effects else np.zeros(run.cells.time.size)
                    for run in self.runs
                ]
                for part in ("input_torque", "difference")
            )
            moved = self.of_cells(
                *(-run.cells.direction * d for run, d in zip(self.runs, apart, strict=True))
            )
            by_rig += (gain[:, :cells] @ (moved - self.model(beta, into) + self.model(beta))) ** 2
        return np.sqrt((gain**2) @ variance), np.sqrt(by_rig)
