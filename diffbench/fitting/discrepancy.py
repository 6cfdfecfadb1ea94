"""What the law leaves out: a smooth term over torque, branch, speed and plate temperature, with its doubt.

``measured = law(x) + L·δ(z) + noise`` with ``L`` the locking torque and ``δ`` a zero-mean Gaussian process
(Kennedy and O'Hagan 2001). Its size and lengths, a drift over the visit, and the noise from bin to bin and
from cycle to cycle are found together by restricted likelihood over some two hundred bins, the unknowns of
the law projected off: what comes back in cycles at one place is ``δ``, what does not is noise, so a misfit
cannot raise the yardstick that it is measured by.

However well a bench was fitted, once is once: the rig's allowance stands for what no residual can show.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from diffbench.documents.rig import Allowance
from diffbench.doubts import Source
from diffbench.fitting.adequacy import SUSPICIOUS, loading_of
from diffbench.fitting.candidate import Candidate
from diffbench.fitting.covariance import Covariance
from diffbench.fitting.noise import lack_of_fit
from diffbench.results.discrepancy import NEAR_ZERO, SLOWEST, DiscrepancyState, kernel, places

Array = NDArray[np.float64]
Index = NDArray[np.int64]

NOTHING_STATED = Allowance()
MOST_BINS = 240
COARSE = ((1, 7), *((merged, 5) for merged in range(1, 400)))  # cycles in one, levels of torque
MOST_FINE, FINE_LEVELS = 640, 17
# Twice a log likelihood that noise alone brings on one bench in two hundred: of two sizes that are nothing or
# more (half of a chi-squared with one degree of freedom and a quarter of one with two: Self & Liang, J. Am.
# Stat. Assoc. 82 (1987)), the largest over all lengths (Bonferroni).
DECISIVE = 15.7
CENTRES = 24
FEWEST_CELLS = 3
FOLDS, CAPPED = 5, 9.0  # of cross-validation; squares of more than three standard deviations count as that
FEWEST = 12  # bins: fewer tell nothing of a law's misfit
SPEED_STEP = 0.7  # of ln speed difference
LEAST = 7.0e-4  # a relative size that any law may be off by: what is within it is no departure
# Of the locking torque: what a bin's mean is off the law at its mean place, however quiet the bench. Without
# it the smallest kink on a recording without noise would set the size of all.
COARSENESS = 2.0e-4
TIME_LENGTH = 0.35  # of the visit
CYCLE_LENGTH = 0.7  # of the largest torque, along one cycle
AMPLITUDES = 2e-4 * 1.6 ** np.arange(0, 15)
LENGTHS = (np.array([0.15, 0.3, 0.6, 1.2]), np.array([0.7, 1.6, 4.0]), np.array([7.0, 18.0, 45.0]))
STEADY = 4.5  # logarithm of the odds for no drift against any one of its sizes: nine visits in ten show none
EVEN = 2.0  # the same for nothing that turns its sign with slip
# What is known of sizes before a bench is seen, as median and standard deviation of the logarithm.
EXPECTED_LAW, EXPECTED_DRIFT = (LEAST, 1.2), (5e-3, 1.5)
EXPECTED_LENGTHS, LENGTHS_SPREAD = (0.6, 1.6, 18.0), 0.9


@dataclass(frozen=True)
class Bins:
    """Means over the cells of one cycle, branch, and stretch of torque, speed and direction.

    All (b,): ``apart`` measured less modelled locking torque and ``locking`` [N·m]; ``place`` (b, 4) of
    `places`; ``jacobian`` (b, p) of the modelled locking torque; ``white`` [N·m²] variance of the mean by
    neighbouring cells; ``visit``, ``cycle``, ``setting`` (one number where all but the cycle is the same);
    ``time`` (0 to 1 in the visit); ``of_cell`` (n,) bin of each used cell, −1 for none.
    """

    apart: Array
    locking: Array
    place: Array
    jacobian: Array
    white: Array
    count: Array
    visit: Index
    cycle: Index
    setting: Index
    direction: Array
    time: Array
    of_cell: Index

    def some(self, kept: Index | NDArray[np.bool_]) -> Bins:
        """Some of the bins, without their cells."""
        parts = {name: getattr(self, name)[kept] for name in self.__dataclass_fields__ if name != "of_cell"}
        return Bins(**parts, of_cell=np.zeros(0, dtype=np.int64))

    # what covariances (b, b) are made of that no size moves: a search for sizes asks hundreds of times

    @cached_property
    def level(self) -> Array:
        """Product of the locking torques [N·m²]."""
        return np.outer(self.locking, self.locking)

    @cached_property
    def within_cycle(self) -> Array:
        """Correlation of what is smooth along a cycle and does not come back."""
        along = (self.place[:, None, 0] - self.place[None, :, 0]) / CYCLE_LENGTH
        branch = self.place[:, None, 1] != self.place[None, :, 1]
        same = self.cycle[:, None] == self.cycle[None, :]
        return np.asarray(np.exp(-0.5 * along**2 - 0.7 * branch) * same)

    @cached_property
    def within_visit(self) -> Array:
        """Correlation of what is smooth over the time of a visit."""
        later = (self.time[:, None] - self.time[None, :]) / TIME_LENGTH
        return np.asarray(np.exp(-0.5 * later**2) * (self.visit[:, None] == self.visit[None, :]))

    @cached_property
    def turning(self) -> Array:
        """Correlation of what turns its sign with slip, smooth over the visit and over torque."""
        along = (self.place[:, None, 0] - self.place[None, :, 0]) / CYCLE_LENGTH
        smooth = self.within_visit + np.exp(-0.5 * along**2)
        return np.asarray(0.5 * smooth * np.outer(self.direction, self.direction))

    @cached_property
    def smooth(self) -> Callable[[tuple[float, float, float]], Array]:
        """By lengths: covariance of what a law leaves out by a share of one [N·m²], the last ones kept."""
        return lru_cache(maxsize=4)(lambda lengths: kernel(self.place, self.place, 1.0, lengths) * self.level)


@dataclass(frozen=True)
class Sizes:
    """``law`` and ``drift`` relative; ``lengths`` over torque, ln speed, temperature; ``bin`` and ``cycle``
    noise, ``odd`` what turns its sign with slip [N·m]."""

    law: float
    lengths: tuple[float, float, float]
    drift: float
    bin: float
    cycle: float
    odd: float = 0.0


def binned(candidate: Candidate, *, finely: bool = False) -> Bins | None:
    """The used cells of sweeps in some `MOST_BINS` bins; None where there are too few for a law's misfit.

    ``finely``: in up to `MOST_FINE` bins, that are narrow about zero input torque, with single cells where
    the sweep is fast.
    """
    data, used = candidate.model.data, candidate.used
    at = np.flatnonzero(used & data.sliding)
    if at.size < 2 * FEWEST:
        return None
    largest = float(np.abs(data.input_torque[at]).max()) or 1.0
    speed = np.floor(np.log(np.maximum(data.speed_difference[at], SLOWEST)) / SPEED_STEP)
    unloading = (~loading_of(candidate))[at]
    cycle = data.cycle_of_run[at]
    share = data.input_torque[at] / largest
    fewest, most = (1, MOST_FINE) if finely else (FEWEST_CELLS, MOST_BINS)
    place_of = np.sign(share) * np.abs(share) ** NEAR_ZERO
    for merged, parts in [(m, FINE_LEVELS) for m in range(1, 400)] if finely else COARSE:
        settings = _numbered(np.rint(place_of * (parts - 1) / 2.0), unloading, speed, data.direction[at] > 0)
        bins = _numbered(data.run[at], cycle // merged, settings)
        # counts alone first: to number a hundred thousand cells takes ten times as long
        if np.sum(np.unique(bins, return_counts=True)[1] >= fewest) <= most:
            break
    place, count = np.unique(bins, return_inverse=True, return_counts=True)[1:]
    held = count[place] >= fewest
    at = at[held]
    cycle = data.cycle_of_run[at]
    place, count = np.unique(place[held], return_inverse=True, return_counts=True)[1:]
    size = count.size
    if size < FEWEST:
        return None

    def mean(values: Array) -> Array:
        return np.asarray(np.bincount(place, values, minlength=size) / count)

    inside = np.cumsum(used) - 1
    sigma = candidate.noise.sigma
    columns = candidate.sensitivities()[inside[at]] * (sigma * data.direction)[at, None]
    jacobian = np.stack([mean(column) for column in columns.T], axis=1)
    apart = (-data.direction * candidate.residual)[at]
    locking = candidate.model.locking(candidate.x)[at]
    order = np.diff(at) == 1
    steps = np.diff(apart)[order & (np.diff(place) == 0)]
    # of neighbours in one bin, the law and all that is slow is gone
    white = 0.5 * float(np.median(steps**2)) / 0.4549 if steps.size > 20 else float(np.median(sigma) ** 2)
    of_cell = np.full(int(used.sum()), -1, dtype=np.int64)
    of_cell[inside[at]] = place
    first = np.unique(place, return_index=True)[1]
    setting = np.unique(settings[held][first], return_inverse=True)[1].astype(np.int64)
    clock = _clock(data.visit[at], data.run[at], data.time[at])
    return Bins(
        apart=mean(apart),
        locking=np.maximum(mean(locking), 1e-6),
        place=np.stack(
            [
                mean(column)
                for column in places(
                    data.input_torque[at],
                    (~loading_of(candidate))[at].astype(float),
                    data.speed_difference[at],
                    candidate.model.plate_temperature(candidate.x)[at],
                    largest,
                ).T
            ],
            axis=1,
        ),
        jacobian=jacobian,
        white=white / count,
        count=count.astype(np.float64),
        visit=data.visit[at][first],
        cycle=(data.run[at] * 100_000 + cycle // merged)[first],
        setting=setting,
        direction=data.direction[at][first],
        time=mean(clock),
        of_cell=of_cell,
    )


def _numbered(*columns: Array | Index | NDArray[np.bool_]) -> Index:
    """One number for each row of columns of whole numbers, in the order of the rows."""
    number = np.zeros(columns[0].size, dtype=np.int64)
    for column in columns:
        whole = column.astype(np.int64)
        whole -= whole.min()
        number = number * (int(whole.max()) + 1) + whole
    return number


def _clock(visit: Index, run: Index, time: Array) -> Array:
    """Time within each visit, 0 to 1, run after run."""
    clock = np.zeros(time.size)
    for number in np.unique(visit):
        end = 0.0
        here = visit == number
        for one in np.unique(run[here]):
            mine = here & (run == one)
            clock[mine] = end + time[mine] - time[mine].min()
            end = float(clock[mine].max())
        clock[here] /= max(end, 1e-9)
    return clock


class Posterior:
    """Bins under given sizes: their covariance, the likelihood with the unknowns projected off, and what that
    says of the discrepancy."""

    def __init__(self, bins: Bins, candidate: Candidate, sizes: Sizes, *, smooth: bool = True) -> None:
        names = candidate.names
        active = np.array([not u.fixed or u.considered for u in names.unknowns])
        precision = np.array(
            [
                1.0 / u.prior_u**2 if u.considered else p
                for u, p in zip(names.unknowns, names.precision, strict=True)
            ]
        )[active]
        j = bins.jacobian[:, active]
        # flat unknowns to a common size; what is known beforehand pulls to where it was
        size = np.sqrt(np.maximum(np.sum(j**2, axis=0), 1e-300))
        self._precision = precision / size**2 + 1e-10
        known = precision > 0
        away = np.where(known, np.array(names.prior)[active] - candidate.x[active], 0.0)
        self._active, self._size, self._away = active, size, away
        self.j = j / size
        self.y: Array = bins.apart - j @ away
        self.noise = noise_of(bins, sizes)
        whole = self.noise + (law_of(bins, sizes) if smooth else 0.0) + drift_of(bins, sizes)
        whole = whole + odd_of(bins, sizes)
        whole[np.diag_indices_from(whole)] *= 1.0 + 1e-9
        self.root: Array = np.linalg.cholesky(whole).astype(np.float64, copy=False)
        white = _over(self.root, np.column_stack([self.j, self.y]))
        self._white_j, self._white_y = white[:, :-1], white[:, -1]
        normal = self._white_j.T @ self._white_j + np.diag(self._precision)
        self._normal: Array = np.linalg.cholesky(normal).astype(np.float64, copy=False)
        self._met = _over(self._normal, self._white_j.T @ self._white_y)
        self.likelihood = float(
            -0.5 * (self._white_y @ self._white_y - self._met @ self._met)
            - np.sum(np.log(np.diag(self.root)))
            - np.sum(np.log(np.diag(self._normal)))
        )

    @cached_property
    def beta(self) -> Array:
        """Of the unknowns, at a common size, what the bins correct them by (p,)."""
        return _over(self._normal, self._met, transposed=True)

    @cached_property
    def explained(self) -> Array:
        """The inverse covariance, the unknowns projected off, times what the bins are apart (b,)."""
        return self.without(self.y)

    def of_unknowns(self, bins: Bins) -> Array:
        """What the unknowns, as these bins correct them, make of the residual of others (b,) [N·m]."""
        j = bins.jacobian[:, self._active]
        return np.asarray(j @ self._away + (j / self._size) @ self.beta)

    def without(self, columns: Array) -> Array:
        """``M`` times columns (b,) or (b, k): the inverse covariance with the unknowns projected off."""
        return _over(self.root, self.root_of(columns), transposed=True)

    def root_of(self, columns: Array) -> Array:
        """Columns (b,) or (b, k) in units of the noise, beside the unknowns."""
        white = _over(self.root, columns)
        met = _over(self._normal, self._white_j.T @ white)
        return np.asarray(white - self._white_j @ _over(self._normal, met, transposed=True))


def _over(root: Array, columns: Array, *, transposed: bool = False) -> Array:
    """Columns (b,) or (b, k) over a lower triangle (b, b), or over its transpose.

    By LAPACK itself: scipy's own checks took longer than the work.
    """
    from scipy.linalg.lapack import dtrtrs

    found, fault = dtrtrs(root.T, columns, lower=False, trans=not transposed)
    if fault:
        raise np.linalg.LinAlgError("a root of a covariance is singular")
    return np.asarray(found)


def noise_of(bins: Bins, sizes: Sizes) -> Array:
    """Covariance (b, b) of what does not come back: from bin to bin, and smooth along a cycle."""
    rough = bins.white + sizes.bin**2 + (COARSENESS * bins.locking) ** 2
    return np.asarray(np.diag(rough) + sizes.cycle**2 * bins.within_cycle)


def least_of(sizes: Sizes) -> Sizes:
    """What any bench shows and is no departure: small, and nothing else."""
    return replace(sizes, law=LEAST, drift=0.0, odd=0.0)


def law_of(bins: Bins, sizes: Sizes) -> Array:
    """Covariance (b, b) of what the law leaves out [N·m²]."""
    return sizes.law**2 * bins.smooth(sizes.lengths)


def drift_of(bins: Bins, sizes: Sizes) -> Array:
    """Covariance (b, b) of a drift over the visit [N·m²]."""
    if sizes.drift == 0.0:
        return np.zeros((bins.apart.size, bins.apart.size))
    return np.asarray(sizes.drift**2 * bins.within_visit * bins.level)


def odd_of(bins: Bins, sizes: Sizes) -> Array:
    """Covariance (b, b) of what turns its sign with slip, smooth over the visit and over torque [N·m²]: zeros
    that drift, gains and cross-talk of the flanges, packs apart. It is no part of the locking torque, the
    mean of both slip directions; with one of them alone it cannot be told."""
    if sizes.odd == 0.0:
        return np.zeros((bins.apart.size, bins.apart.size))
    return np.asarray(sizes.odd**2 * bins.turning)


def _misfit(bins: Bins, candidate: Candidate, missed: Array) -> float:
    """Mean square of what the law misses over that of pure error: by cycles at one setting as repeats, or by
    what was found smooth, ``missed`` (b,) over its noise, whichever is more; what moves with temperature or
    time within a setting counts as error in the first."""
    groups, size = np.unique(bins.setting).size, bins.apart.size
    smooth = 1.0 + float(np.mean(missed))
    if groups >= size:
        return max(smooth, SUSPICIOUS)
    unknowns = min(sum(not u.fixed for u in candidate.names.unknowns), groups - 1)
    return max(lack_of_fit(bins.apart, bins.setting, unknowns=unknowns).ratio, smooth, SUSPICIOUS)


def _at_the_end(
    bins: Bins, posterior: Posterior, sizes: Sizes, explained: Array | None = None
) -> tuple[float, float]:
    """How far the unit stands from its mean over the visit when it leaves the bench, relative, and the
    doubt of that; of several visits, the last. ``explained`` (b,) for other cells than those."""
    if sizes.drift == 0.0:
        return 0.0, 0.0
    towards = sizes.drift**2 * np.exp(-0.5 * ((1.0 - bins.time) / TIME_LENGTH) ** 2) * bins.locking
    towards = towards * (bins.visit == bins.visit.max())
    variance = sizes.drift**2 - float(towards @ posterior.without(towards))
    seen = posterior.explained if explained is None else explained
    return float(towards @ seen), float(np.sqrt(max(variance, 0.0)))


def expected(sizes: Sizes) -> float:
    """Logarithm of how likely sizes are before a bench is seen."""
    (law, law_spread), (drift, drift_spread) = EXPECTED_LAW, EXPECTED_DRIFT
    found = float((np.log(sizes.law / law) / law_spread) ** 2)
    for length, usual in zip(sizes.lengths, EXPECTED_LENGTHS, strict=True):
        found += float((np.log(length / usual) / LENGTHS_SPREAD) ** 2)
    if sizes.drift > 0.0:
        found += float((np.log(sizes.drift / drift) / drift_spread) ** 2) + 2.0 * STEADY
    if sizes.odd > 0.0:
        found += 2.0 * EVEN
    return -0.5 * found


def sized(bins: Bins, candidate: Candidate) -> Sizes:
    """Sizes by restricted likelihood and `expected`, one after another until none moves; lengths then as
    geometric mean, and those of law and drift as root mean square, over all that the bench leaves likely: a
    bench that says nothing must not jump between them.

    A law whose bins miss it by less than `LEAST` misses nothing. Whatever is smooth, larger, and taken up by
    the unknowns, is then no finding of the bench: a correction would rest on two large parts that cancel.
    """
    scale = float(np.sqrt(np.median(bins.apart**2))) or 1e-9
    noises = scale * 1.6 ** np.arange(-6, 3)
    now = Sizes(EXPECTED_LAW[0], EXPECTED_LENGTHS, 0.0, float(noises[4]), float(noises[4]))

    @cache  # round after round asks for the same sizes again
    def likely(sizes: Sizes) -> float:
        return Posterior(bins, candidate, sizes).likelihood + expected(sizes)

    best = likely(now)
    tried = {
        "law": AMPLITUDES.tolist(),
        "drift": [0.0, *AMPLITUDES[2:12].tolist()],
        "bin": [1e-9, *noises.tolist()],
        "cycle": [0.0, *noises.tolist()],
        "odd": [0.0, *noises.tolist()] if np.unique(bins.direction).size > 1 else [0.0],
    }
    for _ in range(3):
        before = now
        for name in ("bin", "law", "lengths", "law", "cycle", "drift", "odd", "bin", "law"):
            others = (
                [
                    replace(now, lengths=(*now.lengths[:i], value, *now.lengths[i + 1 :]))
                    for i in range(3)
                    for value in LENGTHS[i].tolist()
                ]
                if name == "lengths"
                else [replace(now, **{name: value}) for value in tried[name]]
            )
            for other in others:
                if other == now:
                    continue
                found = likely(other)
                if found > best + 1e-6:
                    now, best = other, found
        if now == before:
            break
    for _ in range(2):
        now = replace(now, lengths=_usual_lengths(now, likely))
    for name in ("drift", "law"):
        values = np.array(tried[name])
        chances = np.array([likely(replace(now, **{name: value})) for value in tried[name]])
        weights = np.exp(chances - chances.max())
        size = float(np.sqrt(weights @ values**2 / weights.sum()))
        now = replace(now, law=size) if name == "law" else replace(now, drift=size)
    missed = float(np.sqrt(np.mean((bins.apart / bins.locking) ** 2)))
    return now if missed > LEAST else least_of(now)


def _usual_lengths(now: Sizes, likely: Callable[[Sizes], float]) -> tuple[float, float, float]:
    """Each length as geometric mean over all that the bench leaves likely beside the other sizes."""
    found = []
    for i, values in enumerate(LENGTHS):
        chances = np.array(
            [
                likely(replace(now, lengths=(*now.lengths[:i], value, *now.lengths[i + 1 :])))
                for value in values.tolist()
            ]
        )
        weights = np.exp(chances - chances.max())
        found.append(float(np.exp(weights @ np.log(values) / weights.sum())))
    return found[0], found[1], found[2]


def by_other_cycles(bins: Bins, candidate: Candidate, sizes: Sizes) -> tuple[bool, float]:
    """Whether the law with what it leaves out tells cycles that it has not seen better than the law alone,
    and how much larger its own error there is than it says (a ratio of squares, 1 at least).

    A fifth of the cycles is left out in turn; squares count over their noise and what the other cycles leave
    unknown there. Better is by more than its standard error over the cycles (Breiman et al., CART, 1984,
    section 3.4.3, from memory); errors of a variance by cross-validation: Bachoc, Comput. Stat. Data Anal. 66
    (2013), from memory.
    """
    cycle = np.unique(bins.cycle, return_inverse=True)[1].ravel()
    part = cycle % FOLDS
    if np.unique(part).size < FOLDS:
        return False, 1.0
    won, error = np.zeros(bins.apart.size), 0.0
    for fold in range(FOLDS):
        seen, new = bins.some(part != fold), bins.some(part == fold)
        joined = np.concatenate([np.flatnonzero(part != fold), np.flatnonzero(part == fold)])
        both = bins.some(joined)
        count = seen.apart.size
        with_it = Posterior(seen, candidate, sizes)
        alone = Posterior(seen, candidate, replace(sizes, drift=0.0), smooth=False)
        smooth = law_of(both, sizes) + drift_of(both, sizes) + odd_of(both, sizes)
        cross = smooth[count:, :count]
        unknown = np.diag(smooth)[count:] - np.sum(cross.T * with_it.without(cross.T), axis=0)
        weight = np.diag(noise_of(new, sizes)) + np.maximum(unknown, 0.0)
        squares = [
            (new.apart - told) ** 2 / weight
            for told in (alone.of_unknowns(new), with_it.of_unknowns(new) + cross @ with_it.explained)
        ]
        # one corner that is missed by far is no reason to move the map where the law holds
        capped = np.minimum(squares, CAPPED)
        won[part == fold] = capped[0] - capped[1]
        error += float(squares[1].sum())
    by_cycle = np.bincount(cycle, won)
    better = float(won.sum()) > float(np.sqrt(by_cycle.size) * np.std(by_cycle, ddof=1))
    # and at most settings: what wins in one corner may lose all around it
    better = better and float(np.median(np.bincount(bins.setting, won))) > 0.0
    return better, max(error / bins.apart.size, 1.0)


@dataclass(frozen=True)
class Discrepancy:
    """What the law leaves out of one form.

    ``state`` as written; ``columns`` (p, k) of the unknowns, whose outer product is its part of their
    covariance; ``cells`` (n,) [N·m] its posterior mean in the used cells' residual; ``gain`` twice the log
    likelihood that it brings over `LEAST`; ``worst`` the largest relative size, and where.
    """

    state: DiscrepancyState
    columns: Array
    cells: Array
    gain: float
    relative: Array
    misfit: float
    bins: Bins
    sizes: Sizes

    @property
    def size(self) -> float:
        """Root mean square of the relative discrepancy."""
        return float(np.sqrt(np.mean(self.relative**2)))

    @property
    def worst(self) -> int:
        """The bin where it is largest."""
        return int(np.argmax(np.abs(self.relative)))


def left_out_of(candidates: Sequence[Candidate], allowance: Allowance) -> list[Discrepancy | None]:
    """What the laws of fitted forms leave out, with the sizes of the first; ``allowance`` of the rig."""
    first = discrepancy(candidates[0], allowance)
    if first is None:
        return [None] * len(candidates)
    others = (discrepancy(c, allowance, first.sizes, correcting=first.state.corrects) for c in candidates[1:])
    return [first, *others]


def covariance_with(candidate: Candidate, left: Discrepancy | None) -> Covariance:
    """Covariance of the unknowns, what the law leaves out included."""
    if left is None:
        return candidate.covariance()
    columns = left.columns
    if left.misfit > 1.0:
        # a law that misses so much may be another law: what the unknowns then mean is as doubtful as if the
        # misfit were noise; the map has its own limits there
        noise = candidate.covariance().noise
        values, vectors = np.linalg.eigh(noise)
        root = vectors * np.sqrt(np.maximum(values, 0.0) * (left.misfit - 1.0))
        columns = np.concatenate([columns, root[:, values > 0.0]], axis=1)
    return candidate.covariance(left_out=(Source.LEFT_OUT, columns), explained=left.cells)


def discrepancy(
    candidate: Candidate,
    allowance: Allowance = NOTHING_STATED,
    sizes: Sizes | None = None,
    *,
    correcting: bool | None = None,
) -> Discrepancy | None:
    """What the law of a fitted form leaves out; ``sizes``, and whether it corrects the map, as found for
    another form."""
    bins = binned(candidate)
    if bins is None:
        return None
    sizes = sizes or sized(bins, candidate)
    posterior = Posterior(bins, candidate, sizes)
    least = Posterior(bins, candidate, replace(sizes, law=LEAST, drift=0.0))
    once = allowance.one_way if np.unique(bins.direction).size == 1 else 0.0
    respond, odd = _response(candidate, bins), odd_of(bins, sizes)
    lasting = law_of(bins, sizes) + drift_of(bins, sizes)
    # what was found in common already is part of what a bench does to a unit fitted once
    rest = max(allowance.fitted_once**2 - float(np.mean(lasting / bins.level)), 0.0)
    whole = lasting + odd + (once**2 + rest) * bins.level
    follows = lasting @ posterior.explained
    explained = follows + odd @ posterior.explained
    gain = 2.0 * (posterior.likelihood - least.likelihood)
    state = _state(bins, candidate, sizes, posterior, respond, once)
    better, larger = by_other_cycles(bins, candidate, sizes) if gain > DECISIVE else (False, 1.0)
    if correcting is None:
        # a healthy bench must not be made worse by what its noise happens to say, nor where nothing is missed
        correcting = better and bool(np.sqrt(np.mean((follows / bins.locking) ** 2)) > LEAST)
    return Discrepancy(
        state.model_copy(
            update={
                "corrects": correcting,
                "floor": allowance.fitted_once,
                "covariance": (larger * np.array(state.covariance)).tolist(),
            }
        ),
        _root(respond @ whole @ respond.T),
        (-candidate.model.data.direction[candidate.used])
        * np.where(bins.of_cell >= 0, explained[np.maximum(bins.of_cell, 0)], 0.0),
        gain,
        follows / bins.locking,
        _misfit(bins, candidate, follows**2 / np.diag(posterior.noise)) if gain > DECISIVE else 1.0,
        bins,
        sizes,
    )


def _state(
    bins: Bins, candidate: Candidate, sizes: Sizes, posterior: Posterior, respond: Array, once: float
) -> DiscrepancyState:
    """What a result keeps of it; ``respond`` (p, b) of the unknowns to the bins."""
    from scipy.linalg import block_diag

    chosen = _spread_out(bins.place, sizes)
    at = bins.place[chosen]
    inner = kernel(at, at, sizes.law, sizes.lengths) + 1e-8 * sizes.law**2 * np.eye(chosen.size)
    cross = kernel(bins.place, at, sizes.law, sizes.lengths) * bins.locking[:, None]
    mean = cross.T @ posterior.explained
    left = inner - cross.T @ posterior.without(cross)
    weights = np.linalg.solve(inner, np.eye(chosen.size))
    odd = odd_of(bins, sizes)
    turned = _root(respond @ (odd - odd @ posterior.without(odd)) @ respond.T)
    wandered = (drift_of(bins, sizes) + odd) @ posterior.explained
    ended, doubt = _at_the_end(bins, posterior, sizes)
    return DiscrepancyState(
        largest_Nm=_largest(candidate),
        lengths=sizes.lengths,
        size=sizes.law,
        # what went with time may have been temperature: all of it is doubt, too
        once=float(np.sqrt(once**2 + doubt**2 + ended**2)),
        since=ended,
        since_response=(respond @ wandered).tolist(),
        centres=at.tolist(),
        mean=[*(weights @ mean).tolist(), *[0.0] * turned.shape[1]],
        covariance=block_diag(weights @ left @ weights, np.eye(turned.shape[1])).tolist(),
        response=np.concatenate([respond @ cross, turned], axis=1).tolist(),
        torque_power=NEAR_ZERO,
    )


def doubting(
    candidate: Candidate, left: Discrepancy, readings: Sequence[tuple[Array, Array]], off: Sequence[Array]
) -> Discrepancy:
    """The same with doubt of as much as the map would be off by under each of ``readings``: what the cells
    would then show (b,) [N·m], and what of it is the unit's own, as a share of the locking torque (b,). The
    unknowns are as doubtful as they follow what is ``off`` (b,) [N·m] under each.

    All is linear: what the smooth term would make of such cells, beside what they then mean.
    """
    bins, sizes, state = left.bins, left.sizes, left.state
    posterior, respond = Posterior(bins, candidate, sizes), _response(candidate, bins)
    at = np.array(state.centres)
    near = kernel(bins.place, at, sizes.law, sizes.lengths)
    inner = kernel(at, at, sizes.law, sizes.lengths) + 1e-8 * sizes.law**2 * np.eye(len(at))
    response = respond @ (near * bins.locking[:, None])
    fast = drift_of(bins, sizes) + odd_of(bins, sizes)
    grown, covariance = np.array(state.response), np.array(state.covariance)
    for shown, own in readings:
        explained = posterior.without(shown)
        mean = np.linalg.solve(inner, near.T @ (bins.locking * explained))
        since, _ = _at_the_end(bins, posterior, sizes, explained)
        apart = near @ mean + since - own
        # the mean of the centres under which the smooth term would be off by as much
        place = np.linalg.solve(
            near.T @ near + 1e-8 * np.trace(near.T @ near) * np.eye(len(at)), near.T @ apart
        )
        taken_up = respond @ (shown - fast @ explained) - response @ mean
        column = np.concatenate([place, np.zeros(len(covariance) - len(at)), [1.0]])
        grown = np.concatenate([grown, -(taken_up + response @ place)[:, None]], axis=1)
        covariance = np.pad(covariance, (0, 1)) + np.outer(column, column)
    more = [0.0] * len(readings)
    update = {"mean": [*state.mean, *more], "covariance": covariance.tolist(), "response": grown.tolist()}
    columns = np.concatenate([left.columns, *((respond @ each)[:, None] for each in off)], axis=1)
    return replace(left, state=state.model_copy(update=update), columns=columns)


def _root(covariance: Array) -> Array:
    """Columns (p, k) whose outer product is a covariance (p, p)."""
    values, vectors = np.linalg.eigh(covariance)
    good = values > 1e-12 * values.max(initial=0.0)
    return np.asarray(vectors[:, good] * np.sqrt(values[good]))


def _largest(candidate: Candidate) -> float:
    data = candidate.model.data
    at = candidate.used & data.sliding
    return float(np.abs(data.input_torque[at]).max()) or 1.0


def _spread_out(place: Array, sizes: Sizes) -> Index:
    """Up to `CENTRES` bins that stand for all, each the one least known by those before (pivoted
    Cholesky)."""
    whole = kernel(place, place, sizes.law, sizes.lengths)
    rest, chosen = np.diag(whole).copy(), list[int]()
    rows = np.zeros((0, place.shape[0]))
    while len(chosen) < min(CENTRES, place.shape[0]) and rest.max() > 1e-4 * sizes.law**2:
        at = int(np.argmax(rest))
        row = (whole[at] - rows[:, at] @ rows) / np.sqrt(rest[at])
        rows = np.vstack([rows, row])
        rest = np.maximum(rest - row**2, 0.0)
        rest[at] = 0.0
        chosen.append(at)
    return np.array(chosen, dtype=np.int64)


def _response(candidate: Candidate, bins: Bins) -> Array:
    """Response (p, b) of the fitted unknowns to what the bins' locking torque is off by [1/N·m]."""
    names, noise = candidate.names, candidate.noise
    active = np.array([not u.fixed for u in names.unknowns])
    columns = candidate.sensitivities()[:, active]
    normal = columns.T @ columns / noise.inflation + np.diag(names.precision[active])
    scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
    inverse = np.linalg.pinv(normal / np.outer(scale, scale), rcond=1e-12, hermitian=True)
    inverse = inverse / np.outer(scale, scale)
    data, used = candidate.model.data, candidate.used
    weight = (data.direction / noise.sigma)[used] / noise.inflation
    inside = bins.of_cell >= 0
    summed = np.zeros((bins.apart.size, int(active.sum())))
    np.add.at(summed, bins.of_cell[inside], (columns * weight[:, None])[inside])
    moved = np.zeros((len(names), bins.apart.size))
    moved[active] = inverse @ summed.T
    return moved
