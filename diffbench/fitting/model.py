"""The locking torque of the unit at every cell, as a function of the fit's unknowns.

``T_lock = m(v, Θ)·[P ⊕ (K_drive w_drive + K_coast w_coast)] + k_gear |T_in| + c(Θ_oil) |Δω|`` with the
friction factor ``m = 1`` at the reference condition, ``w`` the thrust torque of each flank's play operator,
and the plates heated by ``½ T_lock |Δω|``. All relations come from ``diffbench.physics``; here they are only
put together.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.run import Friction
from diffbench.fitting.data import FitData
from diffbench.fitting.unknowns import Names
from diffbench.physics.friction import FrictionLaw, sliding_speed, temperature_factor
from diffbench.physics.oil import viscous_factor
from diffbench.physics.plate_heat import Times
from diffbench.physics.preload import PreloadLaw
from diffbench.physics.ramps import at_turns, between_turns

Array = NDArray[np.float64]
Index = NDArray[np.int64]
Part = TypeVar("Part")

KEPT = 8  # a search walks on: older arguments do not come back


class KeptPart(Generic[Part]):
    """A part of the model, ``make(x)``, that only the unknowns ``reads`` move, kept for their last values.

    A difference quotient moves one unknown at a time, and most move only the cheap parts. Nobody may write to
    what is made; the function sees not-a-number in place of every unknown that it did not name.
    """

    def __init__(self, names: Names, reads: Sequence[str], make: Callable[[Array], Part]) -> None:
        self._index = np.array([names.position[name] for name in dict.fromkeys(reads)], dtype=np.int64)
        unknown = np.full(len(names), np.nan)

        def made(values: bytes) -> Part:
            x = unknown.copy()
            x[self._index] = np.frombuffer(values)
            return make(x)

        self._made = lru_cache(maxsize=KEPT)(made)

    def __call__(self, x: Array) -> Part:
        """The part for a vector of unknowns (p,)."""
        return self._made(x[self._index].tobytes())


LEAST_REST = 0.02  # of a reading: nearer to locking itself, no hand would turn it
TURNING_SPEED = "turning_speed"  # by what factor hands turned faster than it is told
HEATING = ("heat_capacity", "heat_conductance")
PACKS_APART = ("packs_apart_preload", "packs_apart_ramps")
REFIT_PARTS = ("preload", "drive", "coast")  # what a refit to the bench moves, each by itself


@dataclass(frozen=True)
class Reference:
    """Where one number is quoted, and the radius that turns speed difference into sliding speed."""

    temperature: float
    speed_difference: float
    effective_radius: float


@dataclass(frozen=True)
class Place:
    """Which of the shared unknowns hold for one visit."""

    preload: int
    drive: int
    coast: int


@dataclass(frozen=True)
class Sharing:
    """Names of the preloads and of the ramps' unknowns, and which of them hold in each visit."""

    preloads: tuple[str, ...]
    drive_biases: tuple[str, ...]
    coast_biases: tuple[str, ...]
    drive_ratios: tuple[str, ...]
    coast_ratios: tuple[str, ...]
    places: tuple[Place, ...]

    @property
    def strengths(self) -> tuple[tuple[str, tuple[str, ...]], ...]:
        """What a refit to the bench moves, each by itself, with the names of its unknowns."""
        return ("preload", self.preloads), ("drive", self.drive_biases), ("coast", self.coast_biases)

    def flanks(self, visit: int) -> tuple[tuple[str, str, str], tuple[str, str, str]]:
        """Drive and coast, each with the names of its bias and of its ratio in a visit."""
        place = self.places[visit]
        return (
            ("drive", self.drive_biases[place.drive], self.drive_ratios[place.drive]),
            ("coast", self.coast_biases[place.coast], self.coast_ratios[place.coast]),
        )


@dataclass(frozen=True)
class Thrust:
    """Thrust torques of both flanks (places, c) [N·m], and the cells' input torque (c,) with the bench's
    errors off. Cells run along the rows: numpy takes ten times as long over rows of three."""

    drive: Array
    coast: Array
    input_torque: Array

    @cached_property
    def means(self) -> tuple[Array, Array]:
        """Of both over the places (c,): all that a law sees under which preload and ramps add."""
        return self.drive.mean(axis=0), self.coast.mean(axis=0)


@dataclass(frozen=True)
class Form:
    """The discrete choices of a model: the preload law, and the law of friction over speed."""

    preload: PreloadLaw
    friction: FrictionLaw

    @property
    def law(self) -> str:
        """Name of the preload law."""
        return self.preload.name


class LockingModel:
    """Evaluates the model on fit data. ``x`` is the vector of ``names``."""

    def __init__(
        self, data: FitData, names: Names, form: Form, sharing: Sharing, reference: Reference
    ) -> None:
        self.data = data
        self.names = names
        self.form = form
        self.sharing = sharing
        self.reference = reference
        self.source_index = np.array(
            [names.position[f"error:{source.key}"] for source in data.sources], dtype=np.int64
        )
        self.sliding = sliding_speed(data.speed_difference, reference.effective_radius)
        self.reference_sliding = float(sliding_speed(reference.speed_difference, reference.effective_radius))
        begun = [(k, f"ramp_start[{k}]") for k in range(data.segment_torque.size)]
        self._start_segment = np.array([k for k, name in begun if name in names], dtype=np.int64)
        begins = [name for _, name in begun if name in names]
        self._start_index = np.array([names.position[name] for name in begins], dtype=np.int64)
        self._places = np.ascontiguousarray(data.places)
        at_places = {name: np.array([getattr(p, name) for p in sharing.places]) for name in REFIT_PARTS}
        self._of_cell = {name: places[data.visit] for name, places in at_places.items()}
        self._is_error = np.array([u.name.startswith("error:") for u in names.unknowns])
        self._source_row = {f"error:{source.key}": row for row, source in enumerate(data.sources)}
        grids = [np.flatnonzero(data.heat_run == i) for i in range(len(data.run_names))]
        self._refits = [self._refit_index(column, part) for column, part in enumerate(REFIT_PARTS)]
        self._plates = [
            self._plates_of_a_run(i, slice(int(at[0]), int(at[-1]) + 1)) for i, at in enumerate(grids)
        ]
        below = np.clip(np.floor(data.cell_heat).astype(np.int64), 0, max(data.heat_power.size - 2, 0))
        self._heat_below, self._heat_share = below, data.cell_heat - below
        # plates follow a change of load only after sliding on by a small angle: a lag that is long where
        # sliding is slow
        slow = np.maximum(data.speed_difference, 0.05)
        self._delay = np.where(data.sliding, data.locking_slope / slow, 0.0)
        self._measured_plate = np.isfinite(data.plate)
        self._oil = np.where(np.isfinite(data.oil), data.oil, reference.temperature)
        # many errors are of the torque difference alone, and leave the ramps as they are
        self._on_ramps = np.flatnonzero(data.effect_input.any(axis=1))
        sources = [f"error:{data.sources[row].key}" for row in self._on_ramps.tolist()]
        moving = [*sharing.drive_ratios, *sharing.coast_ratios, *begins]
        moving += PACKS_APART if data.apart is not None else ()
        first = np.searchsorted(data.turn_before, np.arange(data.turn_torque.size))
        self._about_turn = np.clip(first + np.array([[-1], [0], [1]]), 0, max(data.input_torque.size - 1, 0))
        heating = [*HEATING, *(f"plate_excess[{i}]" for i in range(len(grids)))]
        offset = ["error:temperature"] if "error:temperature" in names else []
        strong = [*sharing.preloads, *sharing.drive_biases, *sharing.coast_biases]
        refits = [names.unknowns[i].name for at, _, _ in self._refits for i in at.tolist()]
        own = [unknown.name for unknown in form.preload.unknowns]
        size = np.abs(data.difference)
        in_one = (size > 0.0) & (np.abs(np.abs(data.input_torque) - size) <= 1e-9 * size)
        self._loads_itself = np.flatnonzero(data.read_by_hand & in_one)
        self.thrust = KeptPart(names, [*moving, *sources], self._thrust)
        self._excess = KeptPart(names, heating, self._excess_of_plates)
        self._strengths = KeptPart(names, [*strong, *refits], self._strengths_of_cells)
        self._load = KeptPart(names, [*moving, *sources, *strong, *refits, *own], self._load_of_cells)
        by_speed = [unknown.name for unknown in form.friction.unknowns]
        by_speed += [TURNING_SPEED] if TURNING_SPEED in names else []
        self._by_speed = KeptPart(names, by_speed, self._friction_by_speed)
        self._by_heat = KeptPart(
            names, [*heating, *offset, "temperature_coefficient"], self._friction_by_temperature
        )
        self.viscous = KeptPart(names, ["viscous_exponent"], self._viscous)

    def on(self, data: FitData) -> LockingModel:
        """The same model on other cells of the same visits."""
        return LockingModel(data, self.names, self.form, self.sharing, self.reference)

    def _refit_index(self, column: int, part: str) -> tuple[Index, Array, Index]:
        """Of a part's refits (k,): their places among the unknowns, spreads, and visits."""
        spread = self.data.refit_spread[:, min(column, 1)]
        names = [f"refit:{part}[{visit}]" for visit in range(spread.size)]
        visits = np.array([v for v, name in enumerate(names) if name in self.names], dtype=np.int64)
        at = np.array([self.names.position[names[v]] for v in visits.tolist()], dtype=np.int64)
        return at, spread[visits], visits

    # ---- parts ---------------------------------------------------------------------------------------

    def errors(self, x: Array) -> Array:
        """The bench's errors in standard uncertainties (sources,)."""
        return x[self.source_index]

    def difference(self, x: Array) -> Array:
        """Torque difference with the errors in ``x`` corrected (c,) [N·m]."""
        if not self.source_index.size:
            return self.data.difference
        return self.data.difference + self.errors(x) @ self.data.effect_difference

    def _thrust(self, x: Array) -> Thrust:
        """Thrust torque of each flank, from the history of the input torque."""
        data = self.data
        cell, turn = data.input_torque, data.turn_torque
        if self._on_ramps.size:
            correction = self.errors(x)[self._on_ramps] @ data.effect_input[self._on_ramps]
            cell, turn = cell + correction, turn + correction[data.turn_near]
        torque, turns = cell + self._places, np.stack([turn, turn])
        if data.apart is not None:
            # slip that turns round where the torque does: the ramps bear first one, then the other
            apart = np.array([self.names.value(x, name) for name in PACKS_APART]) @ data.apart
            torque, about = torque + apart, (cell + apart)[self._about_turn]
            about[0] = turn + apart[self._about_turn[0]]
            turns = np.sort(about, axis=0)[[0, -1]]
        sharing = self.sharing
        drive = self._play(x, turns, torque, sharing.drive_ratios, self._of_cell["drive"])
        coast = self._play(x, -turns[::-1], -torque, sharing.coast_ratios, self._of_cell["coast"])
        return Thrust(_for_reading(drive), _for_reading(coast), cell)

    def _play(
        self, x: Array, turns: Array, torque: Array, ratios: tuple[str, ...], ratio_of_cell: Index
    ) -> Array:
        """Over starts and turns alone, least and most (2, h) of what each bears, then within each monotone
        stretch from the carried value."""
        data = self.data
        values = np.array([self.names.value(x, name) for name in ratios])
        ratio = values[ratio_of_cell]
        least, lower = np.maximum(turns, 0.0)
        upper = least * ratio[data.turn_near]
        # where a history begins, the ramps stand somewhere between their two limits
        starts = np.flatnonzero(data.turn_begins)
        begin = lower[starts] + self._start_share(x) * (upper[starts] - lower[starts])
        lower[starts] = begin
        upper[starts] = begin
        carried = at_turns(lower, upper)[data.turn_before]
        return between_turns(torque, ratio, carried)

    def _start_share(self, x: Array) -> Array:
        share = np.zeros(self.data.segment_torque.size)
        if self._start_index.size:
            share[self._start_segment] = x[self._start_index]
        return share

    def plate_temperature(self, x: Array) -> Array:
        """Plate temperature at the cells [°C]: as measured, or the oil's plus what friction heat makes of
        it."""
        offset = 0.0
        if "error:temperature" in self.names:
            offset = x[self.names.position["error:temperature"]] * self.data.temperature_u
        if self._measured_plate.all():
            return self.data.plate + offset
        excess = self._excess(x)
        return np.where(self._measured_plate, self.data.plate, self._oil + excess) + offset

    def _excess_of_plates(self, x: Array) -> Array:
        """Excess of the plates over the oil at the cells (c,) [K]."""
        grid = np.concatenate([plates(x) for plates in self._plates])
        excess = grid[self._heat_below]
        if grid.size > 1:
            excess = excess + self._heat_share * (grid[self._heat_below + 1] - excess)
        return _for_reading(excess)

    def _plates_of_a_run(self, number: int, run: slice) -> KeptPart[Array]:
        """The same over the times of one run, each by itself: where each of many runs begins with plates of
        its own, a search moves one beginning at a time."""
        names, times, begin = self.names, Times(self.data.heat_time[run]), f"plate_excess[{number}]"
        power, oil_rate = self.data.heat_power[run], self.data.oil_rate[run]

        def excess(x: Array) -> Array:
            capacity, conductance = (names.value(x, name) for name in HEATING)
            # C dΘ/dt = q − h (Θ − Θ_oil), written for the excess: the oil's own rise counts against it
            heat = power - capacity * oil_rate
            return _for_reading(times.excess(heat, conductance, capacity, names.value(x, begin)))

        return KeptPart(names, [*HEATING, begin], excess)

    def friction_factor(self, x: Array) -> Array:
        """``m(v, Θ)``, 1 at the reference condition (c,)."""
        return self._by_speed(x) * self._by_heat(x)

    def _friction_by_speed(self, x: Array) -> Array:
        law = self.form.friction
        values = self.names.values(x, law.unknowns)
        state = self.data.friction_state
        speed = np.where(state == Friction.STATIC, 0.0, self.sliding)
        if TURNING_SPEED in self.names:
            speed = np.where(state == Friction.KINETIC, speed * self.names.value(x, TURNING_SPEED), speed)
        return _for_reading(law.relative(speed, values, self.reference_sliding))

    def _friction_by_temperature(self, x: Array) -> Array:
        coefficient = self.names.value(x, "temperature_coefficient")
        return _for_reading(
            temperature_factor(self.plate_temperature(x), coefficient, self.reference.temperature)
        )

    def _viscous(self, x: Array) -> Array:
        """Of a coefficient of one at the reference temperature (c,) [N·m per N·m·s]."""
        exponent = self.names.value(x, "viscous_exponent")
        by_heat = viscous_factor(self._oil, exponent, self.reference.temperature)
        return _for_reading(by_heat * self.data.speed_difference)

    def refit(self, x: Array, part: int) -> Array:
        """By what factor preload or a flank's bias stands apart in the cells' visit (c,), 1 for the unit's
        own."""
        at, spread, visits = self._refits[part]
        factor = np.ones(len(self.sharing.places))
        factor[visits] += spread * x[at]
        return factor[self.data.visit]

    # ---- the model -----------------------------------------------------------------------------------

    def locking(self, x: Array) -> Array:
        """Locking torque at the cells (c,) [N·m]."""
        names = self.names
        return np.asarray(
            self.friction_factor(x) * self._load(x)
            + names.value(x, "gear_friction") * np.abs(self.thrust(x).input_torque)
            + names.value(x, "viscous") * self.viscous(x)
            - names.value(x, "relaxation_angle") * self._delay
        )

    def _load_of_cells(self, x: Array) -> Array:
        """What presses the plates, as locking torque at the reference friction (c,) [N·m]."""
        thrust = self.thrust(x)
        preload, drive, coast = self._strengths(x)
        law, values = self.form.preload, self.names.values(x, self.form.preload.unknowns)
        if law.linear:
            on_drive, on_coast = thrust.means
            return _for_reading(law.load(preload, drive * on_drive + coast * on_coast, values))
        ramp = drive * thrust.drive + coast * thrust.coast
        return _for_reading(law.load(preload, ramp, values).mean(axis=0))

    def parts(self, x: Array) -> tuple[Array, Array, Array]:
        """What preload and ramps would each lock alone at the friction of the cells (c,) [N·m], and by how
        much the locking torque follows the latter (c,)."""
        thrust, law = self.thrust(x), self.form.preload
        preload, drive, coast = self._strengths(x)
        ramp = (drive * thrust.drive + coast * thrust.coast).mean(axis=0)
        values, step = self.names.values(x, law.unknowns), 1e-3 * (float(np.max(ramp)) + 1.0)
        follows = (law.load(preload, ramp + step, values) - law.load(preload, ramp, values)) / step
        factor = self.friction_factor(x)
        return factor * preload, factor * ramp, follows

    def packs(self, x: Array) -> Array:
        """What packs that differ load the ramps by (2, c) [N·m], for a share of one of what the preload locks
        and of what the ramps do: by the law, and of the ramps what it leaves of the measured torque."""
        data = self.data
        _, ramp, follows = self.parts(x)
        plates = self.friction_factor(x) * self._load(x)
        held = plates - follows * ramp
        measured = plates + (-data.direction * self.difference(x) - self.locking(x))
        return np.asarray(data.direction * np.stack([held, measured - held]))

    def _strengths_of_cells(self, x: Array) -> tuple[Array, Array, Array]:
        """Preload torque and both ramp biases of each cell's visit, three times (c,)."""
        preload, drive, coast = (
            np.array([self.names.value(x, name) for name in stems])[self._of_cell[part]] * self.refit(x, i)
            for i, (part, stems) in enumerate(self.sharing.strengths)
        )
        return preload, drive, coast

    def residual(self, x: Array) -> Array:
        """Measured less modelled torque difference (c,) [N·m], at the size that its noise has in the
        readings.

        A wrench that loads the ramps itself reads the torque and what it loads them with in one: its noise
        moves both sides, so that the rest, ``1 - dT_lock/dT``, alone shows.
        """
        apart = self.difference(x) + self.data.direction * self.locking(x)
        if self._loads_itself.size:
            rest = np.ones(apart.size)
            rest[self._loads_itself] = self._rest(x)
            apart = apart / rest
        if not self.source_index.size:
            return apart
        return apart / (1.0 + self.errors(x) @ self.data.noise_share)

    def _rest(self, x: Array) -> Array:
        """What is left of a change of a reading once the ramps have answered to it, of those cells."""
        at, thrust = self._loads_itself, self.thrust(x)
        preload, drive, coast = self._strengths(x)
        values = self.names.values(x, self.form.preload.unknowns)
        ramp = (drive * thrust.drive + coast * thrust.coast)[:, at].mean(axis=0)
        preload, load = preload[at], self.form.preload.load
        answer = (load(preload, 1.001 * ramp, values) - load(preload, ramp, values)) / 0.001
        torque = np.maximum(np.abs(thrust.input_torque[at]), 1e-9)
        answer = self.friction_factor(x)[at] * answer / torque + self.names.value(x, "gear_friction")
        return np.asarray(np.maximum(1.0 - answer, LEAST_REST))

    def columns(self, x: Array) -> tuple[Array, Array]:
        """Observations (c,) and columns (c, p) of the linear unknowns, for the nonlinear ones in ``x``.

        The bench's errors enter here by what they do to the torque difference; what they do to the input
        torque comes in when all unknowns are polished together. Under a law that is not linear the biases
        are searched, not eliminated.
        """
        names, data = self.names, self.data
        thrust = self.thrust(np.where(self._is_error, 0.0, x))
        factor = self.friction_factor(x)
        minus = -data.direction
        made: dict[str, Array] = {}
        law = self.form.preload
        if not law.linear:
            preload, drive, coast = self._strengths(x)
            ramp = drive * thrust.drive + coast * thrust.coast
            fixed = factor * law.load(preload, ramp, names.values(x, law.unknowns)).mean(axis=0)
        else:
            fixed = np.zeros_like(factor)
            loads = (factor, *(factor * mean for mean in thrust.means))
            for (part, stems), load in zip(self.sharing.strengths, loads, strict=True):
                made |= {name: load * (self._of_cell[part] == i) for i, name in enumerate(stems)}
            made |= self._refit_columns(x, made)
        made["gear_friction"] = np.abs(thrust.input_torque)
        made["viscous"] = self.viscous(x)
        made["relaxation_angle"] = -self._delay
        columns = []
        for unknown in names.unknowns:
            if not unknown.linear:
                continue
            if unknown.name in made:
                columns.append(minus * made[unknown.name])
            else:
                row = self._source_row[unknown.name]
                columns.append(-data.effect_difference[row])
        return data.difference - minus * fixed, np.stack(columns, axis=1)

    def _refit_columns(self, x: Array, made: dict[str, Array]) -> dict[str, Array]:
        """For strengths as they stand in ``x``: the polish, which knows the product, ends it."""
        sharing = self.sharing
        columns: dict[str, Array] = {}
        for (at, spread, visits), (part, stems) in zip(self._refits, sharing.strengths, strict=True):
            for i, size, visit in zip(at.tolist(), spread.tolist(), visits.tolist(), strict=True):
                stem = stems[getattr(sharing.places[visit], part)]
                here = self.data.visit == visit
                columns[self.names.unknowns[i].name] = size * self.names.value(x, stem) * made[stem] * here
        return columns


def _for_reading(values: Array) -> Array:
    """The same array, safe to be handed out again."""
    made = np.asarray(values)
    made.flags.writeable = False
    return made
