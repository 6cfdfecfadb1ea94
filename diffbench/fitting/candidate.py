"""Fit one form of the model (one preload law, one friction law) to the data."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from diffbench.fitting.covariance import Covariance, combine
from diffbench.fitting.model import Form, LockingModel
from diffbench.fitting.noise import CellNoise, first_guess, from_residual, yardstick
from diffbench.fitting.solver import Enough, Problem, Solution, eliminate, polish, search
from diffbench.fitting.unknowns import Names
from diffbench.physics.friction import FrictionLaw

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

SAME = 0.5  # of half χ²: two searches that end within that of each other found one minimum
FAR = 2.0  # times the cost of the best: what stays above that is no rival, whichever cells were looked at
RIVAL = 5.0  # of half χ²: a minimum that far above the best has a weight below one in a hundred
APART = 5.0  # standard errors of one unknown, the others held: minima nearer to each other are one
CURVED = 10.0  # by how many times more than its slopes promise a polish may yet lower the cost
OUTLIER = 8.0  # standard deviations: a cell that far off is a fault of the recording, not noise


@dataclass(frozen=True, eq=False)
class Candidate:
    """One form, fitted.

    ``residual`` (c,) [N·m]; ``used`` (c,) cells that were not rejected; ``noise``; ``chi2`` sum of squares in
    units of the correlated noise; ``starts`` the cost that each start reached; ``rivals``
    other minima that the data cannot rule out.
    """

    model: LockingModel
    solution: Solution
    residual: Array
    used: Flags
    noise: CellNoise
    starts: tuple[float, ...]
    rivals: tuple[Candidate, ...] = ()

    @property
    def form(self) -> Form:
        return self.model.form

    @property
    def names(self) -> Names:
        return self.model.names

    @property
    def x(self) -> Array:
        return self.solution.x

    @property
    def problem(self) -> Problem:
        """What was minimised: its residuals stand at their effective weight."""
        return _problem(self.model, self.noise, self.used)

    @property
    def steps(self) -> Array:
        """Steps for difference quotients at the solution (p,)."""
        return _steps(self.names, self.x)

    def chi2(self, noise: CellNoise) -> float:
        """Weighted sum of squares of data and knowledge beforehand, the data counted at their effective
        number."""
        data = float(np.sum((self.residual / noise.sigma)[self.used] ** 2)) / noise.inflation
        known = self.names.precision > 0
        prior = float(np.sum(((self.x - self.names.prior) ** 2 * self.names.precision)[known]))
        return data + prior

    def sensitivities(self) -> Array:
        """Derivative (n, p) of the used cells' residuals with respect to the unknowns, in units of a cell's
        standard deviation, those that are only considered included."""
        scaled = self.solution.jacobian * np.sqrt(self.noise.inflation)
        for i, unknown in enumerate(self.names.unknowns):
            if unknown.considered:
                ahead, behind = self.x.copy(), self.x.copy()
                ahead[i] += unknown.prior_u
                behind[i] -= unknown.prior_u
                change = self.model.residual(ahead) - self.model.residual(behind)
                scaled[:, i] = (change / self.noise.sigma)[self.used] / (2.0 * unknown.prior_u)
        return np.asarray(scaled)

    def covariance(
        self, *, left_out: tuple[str, Array] | None = None, explained: Array | None = None
    ) -> Covariance:
        """Covariance of the unknowns at the optimum; ``left_out`` the source and the columns (p, k) of what
        the law misses, ``explained`` (n,) [N·m] what of the used cells' residual that is."""
        data = self.model.data
        noise, rest = self.noise, self.residual[self.used]
        quieter = 1.0
        if explained is not None:
            rest = rest - explained
            noise = self.noise_beside(explained)
            quieter = min(yardstick(noise) / yardstick(self.noise), 1.0)
        return combine(
            self.names,
            self.sensitivities(),
            rest / self.noise.sigma[self.used],
            inflation=self.noise.inflation,
            run=data.run[self.used],
            cycle=data.cycle[self.used],
            quieter=quieter,
            left_out=left_out,
        )

    def noise_beside(self, explained: Array) -> CellNoise:
        """The cells' noise without what the law misses, ``explained`` (n,) [N·m] of the used cells."""
        rest = self.residual.copy()
        rest[self.used] -= explained
        return from_residual(self.model.data, rest, unknowns=len(self.names))


def first_look(model: LockingModel) -> Candidate:
    """One search from one start, by a first guess of the noise, nothing rejected: enough to see which law is
    worth fitting first."""
    names, noise = model.names, first_guess(model.data)
    used = np.ones(model.data.difference.size, dtype=bool)
    x, cost, count = _searched(model, noise, used, names.start, tolerance=1e-4)
    residual = model.residual(x)
    empty = np.zeros((0, len(names)))
    found = Solution(
        x, cost, residual, empty, converged=False, at_bound=(), evaluations=count, reason="a first look"
    )
    return Candidate(model, found, residual, used, noise, (cost,))


def in_the_light_of(candidate: Candidate, other: Candidate) -> Candidate:
    """A first look searched on and polished with the noise and the cells of another candidate, by which both
    then compare: over some of the cells, without a Jacobian, good enough to be given up by; no further than
    until it is seen to stay far off."""
    model, noise, used = candidate.model, other.noise, other.used
    x, _, _ = _searched(model, noise, used, candidate.x, tolerance=1e-4)
    found = _polished(model, noise, used, x, lambda _, cost, gain: _stays_far(other.solution, cost, gain))
    return replace(candidate, solution=found, residual=model.residual(found.x), noise=noise, used=used)


def fit_form(model: LockingModel, *, start: Candidate, starts: bool = False) -> Candidate:
    """Fit one form: search, estimate the noise, reject what stands apart, polish, until nothing changes.

    ``start`` is a candidate of this or another form to begin from; with ``starts`` the search is repeated
    from starts that differ where the surface is not convex.
    """
    names = model.names
    begin = _carried(names, start)
    x, _, _ = _searched(model, start.noise, start.used, begin, tolerance=1e-4)
    solution, noise, used = _settle(model, start.noise, start.used, x)
    minima = [solution]
    if starts:
        # judged with the settled noise: before, a wrong minimum can look as good as the right one
        for other in _starts(names, model.form.friction, begin):
            x, _, _ = _searched(model, noise, used, other, tolerance=1e-4)
            # a search sees some of the cells, and bench errors in part: only polished do costs compare
            minima.append(_polished(model, noise, used, x, _no_news(names, solution)))
        best = min(minima, key=lambda found: found.cost)
        if best.cost < solution.cost - SAME:
            solution, noise, used = _settle(model, noise, used, best.x)
            others, told = [found for found in minima if found is not best], _no_news(names, solution)
            minima = [solution, *(_polished(model, noise, used, found.x, told) for found in others)]
    rivals = [
        polish(_problem(model, noise, used), found.x, steps=_steps(names, found.x))
        for found in _rivals(names, solution, minima)
    ]
    costs = [found.cost for found in minima]

    def candidate(found: Solution, rivals: tuple[Candidate, ...] = ()) -> Candidate:
        return Candidate(model, found, model.residual(found.x), used, noise, tuple(costs), rivals)

    return candidate(solution, tuple(candidate(found) for found in rivals))


def polished_once(
    model: LockingModel, noise: CellNoise, used: Flags, start: Array, *, idle: Flags
) -> Solution:
    """The solution that polishing leads to from a start near it, by a noise that is known; ``idle`` (p,)
    unknowns move no residual, and are not asked."""
    return polish(_problem(model, noise, used), start, steps=np.where(idle, 0.0, _steps(model.names, start)))


def _searched(
    model: LockingModel, noise: CellNoise, used: Flags, start: Array, *, tolerance: float
) -> tuple[Array, float, int]:
    """A search over some of the cells, and where it ended as all cells see it."""
    whole, some = _problem(model, noise, used), _of_some_cells(model, noise, used)
    if some is None:
        return search(whole, start, tolerance=tolerance)
    x, _, count = search(some, start, tolerance=tolerance)
    x = eliminate(whole, x)
    return x, 0.5 * float(np.sum(whole.with_priors(x) ** 2)), count + 1


def _of_some_cells(model: LockingModel, noise: CellNoise, used: Flags) -> Problem | None:
    """The problem that some of the cells make; None where there are no more than that takes."""
    some, kept = thinned(model, ENOUGH_CELLS)
    if some is model:
        return None
    # each of the cells stands for several, so that knowledge beforehand keeps its weight
    share = noise.inflation * kept.size / used.size
    return _problem(some, CellNoise(noise.sigma[kept], share, noise.effective), used[kept])


def _polished(model: LockingModel, noise: CellNoise, used: Flags, x: Array, enough: Enough) -> Solution:
    """Where polishing leads from ``x``, over some of the cells, and at what cost as all see it."""
    whole, some = _problem(model, noise, used), _of_some_cells(model, noise, used)
    found = polish(some or whole, x, steps=_steps(model.names, x), on_the_way=True, enough=enough)
    if some is None:
        return found
    residual = whole.residual(found.x)
    return replace(found, cost=0.5 * float(np.sum(whole.with_priors(found.x) ** 2)), residual=residual)


def _settle(
    model: LockingModel, noise: CellNoise, used: Flags, x: Array
) -> tuple[Solution, CellNoise, Flags]:
    """Polish, estimate the noise, reject what stands apart, until nothing changes."""
    names, data = model.names, model.data

    def polished(start: Array, *, on_the_way: bool) -> Solution:
        steps = _steps(names, start)
        return polish(_problem(model, noise, used), start, steps=steps, on_the_way=on_the_way)

    solution = polished(x, on_the_way=True)
    for last in (False, False, False, True):
        residual = model.residual(solution.x)
        previous = noise
        noise = from_residual(data, residual, unknowns=len(names))
        # a reading by hand is doubtful at most, and then it has its own scatter
        keep = (np.abs(residual) <= OUTLIER * noise.sigma) | data.read_by_hand
        settled = np.array_equal(keep, used) and abs(noise.inflation / previous.inflation - 1) < 0.05
        used = keep
        solution = polished(solution.x, on_the_way=not (settled or last))
        if settled:
            break
    return solution, noise, used


def _rivals(names: Names, best: Solution, minima: Sequence[Solution]) -> list[Solution]:
    """Other minima that the data cannot rule out, each once: within ``RIVAL`` of the best cost, elsewhere."""
    found: list[Solution] = []
    weight = _weight(names, best)
    for other in sorted(minima, key=lambda m: m.cost):
        apart = all(float(np.max(np.abs((other.x - known.x) * weight))) > APART for known in [best, *found])
        if apart and other.cost - best.cost < RIVAL:
            found.append(other)
    return found


def _weight(names: Names, solution: Solution) -> Array:
    """One over each unknown's standard error, the others held (p,)."""
    return np.asarray(np.sqrt(np.sum(solution.jacobian**2, axis=0) + names.precision))


def _no_news(names: Names, known: Solution) -> Enough:
    """Whether a polish has come to a minimum that is known, or to a place that stays far above it."""
    weight = _weight(names, known)

    def told(x: Array, cost: float, gain: float) -> bool:
        is_near = float(np.max(np.abs((x - known.x) * weight))) < APART
        return (is_near and CURVED * gain < SAME) or _stays_far(known, cost, gain)

    return told


def _stays_far(known: Solution, cost: float, gain: float) -> bool:
    """Whether what is left of a cost, after all that a polish may gain, is no rival of a known one."""
    return cost - CURVED * gain > FAR * known.cost + RIVAL


def _problem(model: LockingModel, noise: CellNoise, used: Flags) -> Problem:
    """Residuals at their effective weight, so that data and knowledge beforehand meet on equal terms."""
    weight = (1.0 / (noise.sigma * np.sqrt(noise.inflation)))[used]

    def residual(x: Array) -> Array:
        return np.asarray(model.residual(x)[used] * weight)

    def columns(x: Array) -> tuple[Array, Array]:
        observed, design = model.columns(x)
        return observed[used] * weight, design[used] * weight[:, None]

    return Problem(model.names, residual, columns)


def _steps(names: Names, x: Array) -> Array:
    """Steps for difference quotients: a hundredth of what is known beforehand, or 1e-4 of the value."""
    steps = np.maximum(1e-4 * np.abs(x), 1e-6)
    for i, unknown in enumerate(names.unknowns):
        if unknown.knowledge != "none":
            steps[i] = max(1e-2 * unknown.prior_u, 1e-7)
        if unknown.logarithm:
            steps[i] = 1e-3
    return steps


def _starts(names: Names, friction: FrictionLaw, begin: Array) -> list[Array]:
    """Where the surface is not convex: plates that answer quickly or slowly, starts of the friction law, and
    ramps with hardly any play. With much of it they stand still, and nothing then tells how much."""
    made = []
    capacity = names.unknowns[names.position["heat_capacity"]].start
    play = [i for name, i in names.position.items() if name.startswith("unloading_ratio")]
    for number, (settling_time, ratio) in enumerate(((8.0, HARDLY_ANY_PLAY), (50.0, None))):
        x = begin.copy()
        if ratio is not None:
            x[play] = np.minimum(x[play], ratio)
        for name in ("temperature_coefficient", "heat_capacity"):
            x[names.position[name]] = names.start[names.position[name]]
        for own in friction.unknowns:
            if own.starts:
                start = own.starts[number]
                x[names.position[own.name]] = np.log(start) if own.logarithm else start
        x[names.position["heat_conductance"]] = capacity - np.log(settling_time)
        made.append(np.clip(x, names.low, names.high))
    return made


def _carried(names: Names, other: Candidate) -> Array:
    """Start from another form's answer, where both have the unknown."""
    x = names.start.copy()
    for name, i in names.position.items():
        if name in other.names:
            x[i] = other.x[other.names.position[name]]
    return np.clip(x, names.low, names.high)


Index = NDArray[np.int64]
HARDLY_ANY_PLAY = 1.05  # unloading over loading ramp bias

#: Cells that a search looks at; an hour's sweep has ten thousand.
ENOUGH_CELLS = 2000


def thinned(model: LockingModel, enough: int) -> tuple[LockingModel, Index]:
    """The same model on every k-th cell of each run, ``enough`` to twice as many in all, and which cells
    these are.

    An even k is made odd: stretches of a sweep often have an even count of cells, and their ends should all
    be seen at times.
    """
    data = model.data
    every = data.difference.size // enough
    if every < 2:
        return model, np.arange(data.difference.size, dtype=np.int64)
    every -= every % 2 == 0 and every > 2
    kept = np.concatenate([np.flatnonzero(data.run == run)[::every] for run in range(len(data.run_names))])
    return model.on(data.only(kept)), kept
