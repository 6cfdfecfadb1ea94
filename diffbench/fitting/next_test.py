"""Which run would help most: the fall of each uncertainty that a further run on the same bench would bring.

What the runs so far and the papers know is an information matrix; a run that nobody has made yet adds its
own, computed from the fitted model at the sensitivities that such a run would have (Fedorov 1972, Theory of
Optimal Experiments, section 2.7: information of independent experiments adds up).

Predicted falls are held against what further runs really brought (``tests/fitting/test_next_test.py``).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning import bench
from diffbench.conditioning.cells import CELLS_PER_STRETCH, LONGEST_CELL, Cells, Heat
from diffbench.conditioning.course import History
from diffbench.conditioning.run import ConditionedRun, ConditionedVisit, Friction
from diffbench.definitions import parts_of
from diffbench.documents import Build
from diffbench.doubts import Source
from diffbench.fitting.candidate import Candidate
from diffbench.fitting.covariance import inverse_of
from diffbench.fitting.data import FitData, gather
from diffbench.fitting.model import LockingModel
from diffbench.fitting.parameters import Combined
from diffbench.fitting.solver import jacobian
from diffbench.fitting.unknowns import Names, Unknown
from diffbench.physics.steady import LAW_UNKNOWNS
from diffbench.results.characterisation import Gain, NextTest

Array = NDArray[np.float64]
Index = NDArray[np.int64]


@dataclass(frozen=True)
class Information:
    """Information (p, p) on the unknowns from runs, and what is known beforehand: precision (p,), with the
    standard uncertainty of those that are considered only (0 for the others)."""

    information: Array
    precision: Array
    considered: Array

    def widened(self, more: Sequence[Unknown]) -> Information:
        """The same with further unknowns behind, of which no run tells yet."""
        size, extra = self.precision.size, len(more)
        information = np.zeros((size + extra, size + extra))
        information[:size, :size] = self.information
        return Information(
            information,
            np.concatenate([self.precision, [unknown.precision for unknown in more]]),
            np.concatenate([self.considered, np.zeros(extra)]),
        )

    def plus(self, rows: Array, at: Index) -> Information:
        """With the information of a run: ``rows`` (n, k) its sensitivities in units of the noise of an
        independent cell, ``at`` (k,) the unknowns that they belong to."""
        information = self.information.copy()
        np.add.at(information, np.ix_(at, at), rows.T @ rows)
        return replace(self, information=information)

    def knowing(self, factors: Mapping[int, float]) -> Information:
        """With what is known beforehand of some unknowns more precise by a factor on 1/u²."""
        precision = self.precision.copy()
        for i, factor in factors.items():
            precision[i] *= factor
        return replace(self, precision=precision)

    def variances(self, gradients: Array) -> Array:
        """Variance of each quantity, by its gradient (q, p) with respect to the unknowns."""
        free = np.flatnonzero((self.considered == 0) & (np.diag(self.information) + self.precision > 0))
        normal = self.information[np.ix_(free, free)] + np.diag(self.precision[free])
        inverse = inverse_of(normal)
        g = gradients[:, free]
        found = np.einsum("qi,ij,qj->q", g, inverse, g)
        for i in np.flatnonzero(self.considered > 0):
            shift = gradients[:, i] - g @ (inverse @ self.information[free, i])
            found = found + (shift * self.considered[i]) ** 2
        return np.asarray(found)


STRETCH = 10.0  # s from the lowest input torque to the highest: slow enough that lag and inertia stay small
CASE_SPEED = 60.0  # rad/s, for what drag and inertia of a running bench do


@dataclass(frozen=True)
class PlannedSweep:
    """A sweep as it would be run: input torque between ``torque`` [N·m], once up and down at each speed
    difference of ``levels`` [rad/s], signed, with the oil at ``oil`` [°C]."""

    torque: tuple[float, float]
    levels: tuple[float, ...]
    oil: float


def planned_data(plan: PlannedSweep, visit: ConditionedVisit, candidate: Candidate, place: int) -> FitData:
    """Cells (c,) of a planned sweep on the bench of ``visit``, in the same visit.

    ``candidate`` says how much the unit locks there, and ``place`` of which visit it is; the torques matter
    only to what the bench's doubtful constants do to them. The sweep starts at no input torque, where the
    state of the ramps is known.
    """
    torque, level, stretch, corners = _course(plan)
    n = torque.size
    width = min(STRETCH / CELLS_PER_STRETCH, LONGEST_CELL)
    time: Array = (np.arange(n, dtype=np.float64) + 0.5) * width
    direction = np.sign(level)
    difference = -direction * _rough_locking(candidate, torque, place)
    per_cell = max(float(np.median(candidate.model.data.count)), 1.0)
    rig = visit.rig
    chains = bench.chains_of(rig, None)
    half = {"left_torque": 0.5 * (torque + difference), "right_torque": 0.5 * (torque - difference)}
    readings = {
        name: half[name] if name in half else torque / (chain.ratio * chain.efficiency)
        for name, chain in chains.items()
    }
    cells = _cells(readings, time, level, stretch, oil=plan.oil, width=width, per_cell=per_cell)
    doubtful = {}
    for source in visit.sources.values():
        channel, _, constant = source.key.rpartition(":")[2].partition(".")
        if channel in chains:
            doubtful[channel, constant] = source
        elif source.group == Source.CROSS_TALK:
            doubtful[bench.CROSS_TALK] = source
    slope = np.gradient(torque, time)
    heat_time = np.arange(0.0, n * width, 0.5)
    run = ConditionedRun(
        name="planned",
        kind="bias-sweep",
        cells=cells,
        input_torque=torque,
        difference=difference,
        effects=bench.effects(rig, chains, cells, doubtful),
        input_slope=slope,
        locking_slope=np.gradient(np.abs(difference), time),
        history=History(
            torque=corners,
            begins=np.arange(corners.size) == 0,
            near=np.searchsorted(stretch, np.arange(corners.size)).clip(max=n - 1).astype(np.int64),
            before=stretch,
        ),
        heat=Heat(
            heat_time, np.interp(heat_time, time, 0.5 * np.abs(difference * level)), np.zeros(heat_time.size)
        ),
        dropped={},
        samples=int(n * per_cell),
        noise=float(np.median(candidate.model.data.noise)),
        friction_state=np.full(n, Friction.SLIDING, dtype=np.int64),
    )
    return gather([ConditionedVisit((run,), visit.sources, visit.temperature_u, (), rig)])


def _cells(
    readings: Mapping[str, Array],
    time: Array,
    level: Array,
    stretch: NDArray[np.int64],
    *,
    oil: float,
    width: float,
    per_cell: float,
) -> Cells:
    """Cells (c,) of the planned readings, steady in speed; ``level`` is the signed speed difference."""
    ones = np.ones(time.size)
    speeds = {"left": CASE_SPEED + 0.5 * level, "right": CASE_SPEED - 0.5 * level, "case": CASE_SPEED * ones}
    return Cells(
        time=time,
        count=per_cell * ones,
        width=width * ones,
        direction=np.sign(level),
        speed_difference=level,
        oil=oil * ones,
        plate=None,
        readings=readings,
        rates={name: np.gradient(value, time) for name, value in readings.items()},
        speeds=speeds,
        accelerations=dict.fromkeys(speeds, 0.0 * ones),
        stretch=stretch,
        segment=np.zeros(time.size, dtype=np.int64),
    )


def _course(plan: PlannedSweep) -> tuple[Array, Array, NDArray[np.int64], Array]:
    """Input torque, signed speed difference and stretch of the cells (c,), and the corners (h,)."""
    low, high = plan.torque
    corners = [0.0, low]
    levels = [plan.levels[0]]
    for level in plan.levels:
        corners += [high, low]
        levels += [level, level]
    share = (np.arange(CELLS_PER_STRETCH) + 0.5) / CELLS_PER_STRETCH
    torque = np.concatenate([a + (b - a) * share for a, b in pairwise(corners)])
    stretch = np.repeat(np.arange(len(levels)), CELLS_PER_STRETCH).astype(np.int64)
    return torque, np.repeat(np.array(levels), CELLS_PER_STRETCH), stretch, np.array(corners[:-1])


def _rough_locking(candidate: Candidate, torque: Array, place: int) -> Array:
    names, sharing = candidate.names, candidate.model.sharing
    at = sharing.places[place]
    preload = names.value(candidate.x, sharing.preloads[at.preload])
    drive = names.value(candidate.x, sharing.drive_biases[at.drive])
    coast = names.value(candidate.x, sharing.coast_biases[at.coast])
    ramps = np.where(torque >= 0, drive, coast) * np.abs(torque)
    law = candidate.model.form.preload
    return law.load(preload, ramps, [0.0] * len(law.unknowns))


WORTH = 0.8  # a fall to above that share of the uncertainty is not worth a run
MOST = 4  # runs that are named
TARGETS = (
    "preload_torque",
    "ramp_bias_drive_loading",
    "ramp_bias_drive_unloading",
    "ramp_bias_coast_loading",
    "ramp_bias_coast_unloading",
    "friction_coefficient",
    "effective_ramp_angle_drive",
    "effective_ramp_angle_coast",
)
OTHERS = (
    "viscous_coefficient",
    "viscous_temperature_coefficient",
    "friction_temperature_coefficient",
    *(own.reported for own in LAW_UNKNOWNS),
)
PRESS = 0.01  # relative standard uncertainty of a spring force from a good press (common practice, no source)
OF_ONE_RUN = ("plate_excess[", "ramp_start[")
OF_ONE_VISIT = (".zero", ".tare")


def next_tests(
    candidate: Candidate,
    combined: Mapping[str, Combined],
    visits: Sequence[ConditionedVisit],
    builds: Sequence[Build],
) -> list[NextTest]:
    """The runs that would bring most, the best first, each with the uncertainties now and then.

    Judged by the quantities that the fit is asked for: preload torque, ramp biases, friction coefficient and
    ramp angles first, then the shape of friction. Empty where no run was swept: of hand readings, more of the
    same is all that can be said.
    """
    data = candidate.model.data
    swept = [v for v in range(len(visits)) if data.sliding[data.visit == v].any()]
    names = [n for n in combined if parts_of(n)[0] in (*TARGETS, *OTHERS) and combined[n].u > 0]
    if not swept or not names:
        return []
    place = swept[0]
    known, rows = _known(candidate)
    gradients = np.stack([combined[n].estimate.gradient for n in names])
    sheet = np.array([sum(u**2 for u in combined[n].estimate.sheet.values()) for n in names])
    before = np.maximum(known.variances(gradients) + sheet, 1e-300)

    offers: list[tuple[float, NextTest]] = []
    for text, after in [
        *_repeats(known, rows, gradients, candidate, place),
        *_sweeps(known, gradients, candidate, visits[place], place),
        *_papers(known, gradients, candidate),
    ]:
        offers.append(_offer(text, np.sqrt((after + sheet) / before), names, combined))
    pressed = _pressed(builds[place], names, combined)
    if pressed is not None:
        offers.append(
            _offer(pressed[0], np.sqrt((known.variances(gradients) + pressed[1]) / before), names, combined)
        )
    offers = [offer for offer in offers if offer[1].gains]
    offers.sort(key=lambda offer: -offer[0])
    return [test for _, test in offers[:MOST]]


def _offer(
    text: str, ratios: Array, names: Sequence[str], combined: Mapping[str, Combined]
) -> tuple[float, NextTest]:
    """What a run would bring: its worth, and the quantities of which the uncertainty falls noticeably."""
    worth, gains = 0.0, []
    for name, ratio in zip(names, ratios.tolist(), strict=True):
        item = combined[name]
        # a run more of the same kind neither tells forms apart nor what the law leaves out
        form = float(np.hypot(item.budget.get(Source.FORM, 0.0), item.budget.get(Source.LEFT_OUT, 0.0)))
        then = float(np.sqrt(form**2 + max(item.u**2 - form**2, 0.0) * min(ratio, 1.0) ** 2))
        if then > WORTH * item.u:
            continue
        worth += -np.log(then / item.u) * (1.0 if parts_of(name)[0] in TARGETS else 0.3)
        gains.append(Gain(quantity=name, unit=item.estimate.unit, u_now=item.u, u_then=then))
    return float(worth), NextTest(run=text, gains=gains)


def _known(candidate: Candidate) -> tuple[Information, Array]:
    """What is known so far, and the sensitivities (n, p) of the used cells behind it.

    What a refit did counts as an unknown like others here: a further refit would show it.
    """
    unknowns = candidate.names.unknowns
    rows = candidate.sensitivities() / np.sqrt(candidate.noise.inflation)
    considered = np.array(
        [u.prior_u if u.considered and not u.name.startswith("refit:") else 0.0 for u in unknowns]
    )
    active = np.array([not u.fixed or u.name.startswith("refit:") for u in unknowns])
    rows = rows * (active | (considered > 0))
    precision = np.where(active, candidate.names.precision, 0.0)
    return Information(rows.T @ rows, precision, considered), rows


def _repeats(
    known: Information, rows: Array, gradients: Array, candidate: Candidate, place: int
) -> list[tuple[str, Array]]:
    """The same runs once more: in the same visit, and after a refit where the rig says what a refit does."""
    data, names = candidate.model.data, candidate.names
    here = rows[(data.visit == place)[candidate.used]]
    found = []
    kinds = " and ".join(
        sorted({kind for kind, run in _kinds(data) if (data.visit[data.run == run] == place).all()})
    )
    for text, own in (
        (f"the same runs ({kinds}) once more, without taking the unit out", OF_ONE_RUN),
        (f"take the unit out, fit it to the bench again, and repeat the runs ({kinds})", None),
    ):
        if own is None and not data.refit_spread[place].any():
            continue
        moved = [
            i
            for i, u in enumerate(names.unknowns)
            if u.name.startswith(OF_ONE_RUN)
            or (own is None and (u.name.startswith("refit:") or u.name.endswith(OF_ONE_VISIT)))
        ]
        at = np.arange(len(names))
        at[moved] = len(names) + np.arange(len(moved))
        wide = known.widened([names.unknowns[i] for i in moved]).plus(here, at)
        found.append((text, wide.variances(_padded(gradients, len(moved)))))
    return found


def _kinds(data: FitData) -> list[tuple[str, int]]:
    return [(kind, run) for run, kind in enumerate(data.run_kinds)]


def _sweeps(
    known: Information, gradients: Array, candidate: Candidate, visit: ConditionedVisit, place: int
) -> list[tuple[str, Array]]:
    """Sweeps that go where the runs so far did not."""
    found = []
    for text, plan in _plans(candidate, visit, place):
        data = planned_data(plan, visit, candidate, place)
        model, x, at, more = _planned_model(candidate, data, place)
        sigma = float(np.median(candidate.noise.sigma[candidate.model.data.visit == place]))
        weight = 1.0 / (sigma * np.sqrt(candidate.noise.inflation))
        steps = np.array([_step(u, value) for u, value in zip(model.names.unknowns, x, strict=True)])
        low, high = (np.array([getattr(u, end) for u in model.names.unknowns]) for end in ("low", "high"))
        rows = jacobian(model.residual, x, steps, low, high) * weight
        wide = known.widened(more).plus(rows, at)
        found.append((text, wide.variances(_padded(gradients, len(more)))))
    return found


def _plans(candidate: Candidate, visit: ConditionedVisit, place: int) -> list[tuple[str, PlannedSweep]]:
    """Sweeps that go where the recordings did not."""
    data = candidate.model.data
    here = candidate.used & (data.visit == place) & data.sliding
    torque, speed = data.input_torque[here], data.speed_difference[here]
    low, high = float(torque.min()), float(torque.max())
    slow, middle, fast = (float(v) for v in np.quantile(speed, [0.02, 0.5, 0.98]))
    oil = data.oil[here][np.isfinite(data.oil[here])]
    warm = float(np.median(oil)) if oil.size else candidate.model.reference.temperature
    levels = (middle, -middle, fast, -fast, max(slow, 0.3), -max(slow, 0.3))
    plans: list[tuple[str, PlannedSweep]] = []
    scale = max(-low, high)
    if fast < 5.0 * slow or slow > 1.0:
        bottom = min(slow, 0.3)
        top = max(1.5 * fast, 3.0 * bottom)
        steps = np.geomspace(bottom, top, 5).tolist()
        both = tuple(sign * s for s in steps for sign in (1.0, -1.0))
        plans.append(
            (
                f"a speed sweep at low input torque, {bottom:.2g} to {top:.2g} rad/s, both ways round",
                PlannedSweep((0.05 * scale, 0.2 * scale), both, warm),
            )
        )
    if oil.size:
        for text, to in (("hotter", float(oil.max()) + 20.0), ("colder", float(oil.min()) - 20.0)):
            if to > 0.0:
                run = f"the bias sweep with the oil {text}, at {to:.0f} °C, within the maker's limits"
                plans.append((run, PlannedSweep((low, high), levels, to)))
    if low > -0.1 * scale or high < 0.1 * scale:
        flank, reach = ("coast", (-0.4 * scale, high)) if low > -0.1 * scale else ("drive", (low, scale))
        plans.append((f"a bias sweep under {flank} torque as well", PlannedSweep(reach, levels, warm)))
    more = 1.5 * high
    if high > 0 and all(
        c.range is None or c.range[1] > 0.8 * more
        for c in visit.rig.channel.values()
        if c.name.endswith("torque")
    ):
        plans.append(
            (
                f"a bias sweep up to {more:.0f} N·m, if the limits of unit and bench allow it",
                PlannedSweep((low, more), levels, warm),
            )
        )
    if np.unique(data.direction[here]).size == 1:
        plans.append(
            ("the bias sweep with slip in the other direction", PlannedSweep((low, high), levels, warm))
        )
    return plans


def _planned_model(
    candidate: Candidate, data: FitData, place: int
) -> tuple[LockingModel, Array, Index, list[Unknown]]:
    """The model, its ``x``, where these stand among the fit's unknowns (new ones behind), the new ones."""
    model, names = candidate.model, candidate.names
    sharing = replace(model.sharing, places=(model.sharing.places[place],))
    unknowns, x, at = [], [], []
    for i, unknown in enumerate(names.unknowns):
        if unknown.name.startswith(OF_ONE_RUN):
            continue
        stem, bracket, number = unknown.name.partition("[")
        if stem.startswith("refit:"):
            if number != f"{place}]":
                continue
            unknown = replace(unknown, name=f"{stem}{bracket}0]")  # noqa: PLW2901  # the only visit there
        unknowns.append(unknown)
        x.append(candidate.x[i])
        at.append(i)
    excess = Unknown(
        "plate_excess[0]", 0.0, knowledge="weak", prior_u=2.0, source="weak: plate temperature at the start"
    )
    # flanges that were seen to differ give way to packs that do, and are no unknowns of that fit
    fitted = {source.key for source in model.data.sources}
    data = data.without_sources(tuple(s.key for s in data.sources if s.key not in fitted))
    data = replace(data, temperature_u=model.data.temperature_u)
    planned = LockingModel(data, Names((*unknowns, excess)), model.form, sharing, model.reference)
    return planned, np.array([*x, 0.0]), np.array([*at, len(names)], dtype=np.int64), [excess]


def _step(unknown: Unknown, value: float) -> float:
    return 1e-2 * unknown.prior_u if unknown.knowledge != "none" else max(1e-4 * abs(value), 1e-6)


def _papers(known: Information, gradients: Array, candidate: Candidate) -> list[tuple[str, Array]]:
    """What needs no sweep: a tare run, a calibration."""
    unknowns = candidate.names.unknowns
    data = candidate.model.data
    found = []
    # a tare run tells the zero to its own noise, in some fifty independent pieces
    noise = float(np.median(data.noise)) / np.sqrt(50.0)
    stated = {f"error:{source.key}": source.u for source in data.sources}
    zeros = {
        i: max((stated[u.name] / noise) ** 2, 1.0)
        for i, u in enumerate(unknowns)
        if u.name.startswith("error:") and u.name.endswith((".zero", ".drag"))
    }
    if zeros:
        found.append(
            ("a tare run before and after, with the unit out", known.knowing(zeros).variances(gradients))
        )
    gains = {
        i: 4.0 for i, u in enumerate(unknowns) if u.name.startswith("error:") and u.name.endswith(".gain")
    }
    if gains:
        found.append(
            (
                "calibrate the torque transducers to half of the stated uncertainty of gain",
                known.knowing(gains).variances(gradients),
            )
        )
    return found


def _pressed(
    build: Build, names: Sequence[str], combined: Mapping[str, Combined]
) -> tuple[str, Array] | None:
    """The sheet's part of each variance if the spring force came from a press."""
    force = build.preload.spring_force
    if force is None or not force.u or force.u <= PRESS * force.value:
        return None
    share = PRESS * force.value / force.u
    parts = []
    for name in names:
        sheet = dict(combined[name].estimate.sheet)
        if Source.SPRING_FORCE in sheet:
            sheet[Source.SPRING_FORCE] *= share
        parts.append(sum(u**2 for u in sheet.values()))
    return f"measure the spring's force on a press, to {100 * PRESS:g} %", np.array(parts)


def _padded(gradients: Array, more: int) -> Array:
    return np.pad(gradients, ((0, 0), (0, more)))
