"""Fit of readings by hand alone: a likelihood of their own, and what they determine before any prior.

With the case held a wrench reads torque and input torque in one. So the model is solved for the reading,
``T = L(r T)`` with ``L`` the locking torque at an input torque and ``r`` the share of it that goes through
the case, and never takes the noisy reading for its own input torque: that would feign information which the
readings do not have (errors in variables; Fuller, Measurement Error Models, 1987).

What readings determine is seen from their Fisher information without the plausible ranges (Rothenberg,
Econometrica 39, 1971): held readings of both flanks and both kinds are four equations of rank three for the
four unknowns preload, two biases and static friction. Only what carries a quantity from where it was read to
another temperature and speed keeps its plausible range, and a quantity that leans on that is *carried*.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, Literal, cast

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning.findings import Finding
from diffbench.conditioning.hand import SCATTER
from diffbench.conditioning.run import ConditionedVisit, Friction
from diffbench.definitions import BY_FORCE, DEFINITIONS, parts_of
from diffbench.doubts import Source, is_weak
from diffbench.fitting.candidate import Candidate, polished_once
from diffbench.fitting.covariance import Covariance, combine, inverse_of
from diffbench.fitting.data import FitData
from diffbench.fitting.estimates import Condition, Estimate
from diffbench.fitting.model import LEAST_REST, TURNING_SPEED, Form, LockingModel
from diffbench.fitting.noise import CellNoise
from diffbench.fitting.parameters import Combined, not_determined
from diffbench.fitting.setup import Setup
from diffbench.fitting.sheet_estimates import PIN_RADIUS, PRELOAD, PRODUCTS
from diffbench.fitting.solver import jacobian
from diffbench.fitting.unknowns import Names, Unknown
from diffbench.physics.friction import FRICTION_LAWS
from diffbench.physics.preload import PRELOAD_LAWS
from diffbench.plain_text import per_cent
from diffbench.results.characterisation import Gain, LawVerdict, NextTest, Parameter, Status

if TYPE_CHECKING:
    from diffbench.documents.build import PreloadLawName
    from diffbench.fitting.choose import Choice

    LawStatus = Literal["measured", "stated", "undecided"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

# What carries a number from the readings to another condition: a quantity that is determined only with their
# plausible ranges is carried. Small corrections of the readings keep theirs.
SPEEDS = {own.name for law in FRICTION_LAWS.values() for own in law.unknowns if own.logarithm}
EXCESSES = {own.reported for law in FRICTION_LAWS.values() for own in law.unknowns if not own.logarithm}
CARRIERS = ("temperature_coefficient", TURNING_SPEED, *sorted(SPEEDS))
HEATING = ("heat_capacity", "heat_conductance", "relaxation_angle", "plate_excess")
CORRECTIONS = ("viscous", "viscous_exponent", *HEATING)
IDLE = (*HEATING, "unloading_ratio", "ramp_start")
LEANS = 0.2  # of the variance: more of it from plausible ranges, and nobody measured the quantity
HOPELESS = 0.5  # of the value, as for sweeps
FINE = 1e-3  # of the steps of a search
NOTHING = 1e-3  # of u: so small a part of the readings' scatter is none
NULL = 1e-6  # share of a quantity's gradient in directions of which nothing tells
ALIKE_HEAT = 5.0  # K
ALIKE_SPEED = 4.0  # a case that is held doubles the speed of the plates
# cold oil at the speed of a hand: some hundredths to tenths of a newton metre
DRAG_U = 0.3  # N·m·s/rad
SETTLED = 1e-12
# Load factor of a preloaded joint: in design examples below a quarter, as for sweeps (common practice, no
# source). A bias above cannot be one that a closed contact passes on, for no unit that a hand turns has a
# bias of one.
PLAUSIBLE_FRACTION = 0.3
SURE = 2.0  # standard uncertainties
# The range of a friction law's speed in parts, in its standard uncertainties: their middles, as likely as
# leaves the whole as wide as it is, and the width of each.
PARTS = (-1.6, -0.8, 0.0, 0.8, 1.6)
PART_WIDTH = 0.6
LEAST_WEIGHT = 0.01
CONTRADICTED = 1e-3  # chance below which readings contradict each other
NO_NUMBER = 1e-6  # and below which no number can rest on them: one of the groups is not what it is called
FAR = 5.0  # standard uncertainties: about as unlikely
LEAST_HELD = 0.85  # of the locking torque with the case free: as much may speed and temperature take
GEARS = 0.1  # of the input torque: more, their mesh friction never is
AGAIN = (
    "Check that the words for the arrangements and for breakaway and running are not exchanged, how the unit "
    "was held for each reading, and decimal points; take both arrangements again."
)


class HandModel(LockingModel):
    """The model of readings by hand: plates as warm as the oil, and the residual of the reading itself."""

    def on(self, data: FitData) -> HandModel:
        return HandModel(data, self.names, self.form, self.sharing, self.reference)

    @cached_property
    def through_case(self) -> Array:
        """Input torque over locking torque of each reading (c,): how much of it goes through the case."""
        return np.asarray(np.abs(self.data.input_torque) / np.maximum(np.abs(self.data.locking), 1e-9))

    def plate_temperature(self, x: Array) -> Array:
        offset = 0.0
        if "error:temperature" in self.names:
            offset = x[self.names.position["error:temperature"]] * self.data.temperature_u
        return np.where(self._measured_plate, self.data.plate, self._oil) + offset

    def read(self, x: Array) -> Array:
        """Locking torque at the equilibrium with the wrench (c,) [N·m]."""
        names, law = self.names, self.form.preload
        factor = self.friction_factor(x)
        preload, drive, coast = self._strengths(x)
        bias = np.where(self.data.input_torque > 0, drive, coast) * self.through_case
        gear = names.value(x, "gear_friction") * self.through_case
        film = names.value(x, "viscous") * self.viscous(x)
        values = names.values(x, law.unknowns)

        def excess(torque: Array) -> Array:
            return np.asarray(
                factor * law.load(preload, bias * torque, values) + gear * torque + film - torque
            )

        # the laws are made of straight lines: Newton's method ends on the line that holds
        # from one place for all: near locking they end early, and no reading may have its own say in that
        torque = np.full(self.data.locking.size, max(float(np.mean(self.data.locking)), 1e-6))
        for _ in range(1 if law.linear else 6):
            here = excess(torque)
            rest = (here - excess(torque * 1.001)) / (0.001 * torque)
            before, torque = torque, np.maximum(torque + here / np.maximum(rest, LEAST_REST), 1e-6)
            if np.max(np.abs(torque - before)) <= SETTLED * np.max(torque):
                break
        return torque

    def residual(self, x: Array) -> Array:
        apart = self.difference(x) + self.data.direction * self.read(x)
        if not self.source_index.size:
            return apart
        return np.asarray(apart / (1.0 + self.errors(x) @ self.data.noise_share))


@dataclass(frozen=True, eq=False)
class HandCandidate(Candidate):
    """One form, fitted to readings by hand: independent, their scatter known beforehand, none left out;
    ``part`` of the range of the friction law's speed."""

    part: float = field(kw_only=True)

    @property
    def first_preload(self) -> float:
        """Preload torque of the first build, at the reference condition [N·m]."""
        return self.names.value(self.x, self.model.sharing.preloads[0])

    def covariance(
        self, *, left_out: tuple[str, Array] | None = None, explained: Array | None = None
    ) -> Covariance:
        """As `Candidate.covariance`, from the Fisher information."""
        del explained
        data = self.model.data
        told = data.by_hand.told if data.by_hand is not None else ""
        return combine(
            self.names,
            self.sensitivities(),
            None,
            inflation=1.0,
            run=data.run,
            cycle=data.cycle,
            left_out=left_out,
            method=f"scatter of a reading {told}",
        )


def by_hand_alone(setup: Setup) -> bool:
    """Whether all that there is was read by hand."""
    return bool(setup.data.read_by_hand.all())


def choose_by_hand(setup: Setup, *, progress: Callable[[str], None]) -> Choice:
    """Fit each preload law to the readings and say which holds.

    Readings alone tell an additive preload from a clamped stack only by a bias larger than a closed contact
    passes on; where none is, and the sheet states none, both stay in.
    """
    from diffbench.fitting.choose import Choice

    stated = setup.builds[0].preload.law
    simplest = next(iter(PRELOAD_LAWS))
    chosen = cast("PreloadLawName", simplest if stated == "undecided" else stated)
    fitted = {chosen: _of_law(setup, chosen, progress)}
    least = _least_bias(fitted[chosen][0])
    if stated != "undecided":
        status, reason = "stated", f"the build sheet states the {stated} law"
    elif least > PLAUSIBLE_FRACTION:
        status = "measured"
        reason = (
            f"a ramp bias above {least:.2f} was read with the case held: a clamped stack whose contact is "
            f"closed passes on no more than {PLAUSIBLE_FRACTION:g} of the ramp thrust (common practice, no "
            "source)"
        )
    else:
        status = "undecided"
        reason = (
            "readings by hand do not tell the preload laws apart here: state the law in the build sheet, or "
            "sweep to an input torque at which the ramps clearly overcome the preload"
        )
        fitted |= {
            cast("PreloadLawName", law): _of_law(setup, law, progress)
            for law in PRELOAD_LAWS
            if law != chosen
        }
    costs = {law: min(one.solution.cost for one in own) for law, own in fitted.items()}
    # an additive law and a closed contact of a clamped stack give the same readings: equal weights
    counted = [pair for own in fitted.values() for pair in _weighed(own)]
    verdict = LawVerdict(
        chosen=chosen,
        status=cast("LawStatus", status),
        information={law: 2.0 * (cost - min(costs.values())) for law, cost in costs.items()},
        reason=reason,
    )
    total = sum(weight for _, weight in counted)
    return Choice(tuple(one for one, _ in counted), tuple(weight / total for _, weight in counted), verdict)


def _of_law(setup: Setup, law: str, progress: Callable[[str], None]) -> list[HandCandidate]:
    """A preload law with every shape of friction over speed, at every part of the range of its speed.

    A friction that has fallen by so much between breakaway and a slow turn may end there or go on falling: a
    bent ridge of excess and Stribeck speed, of which one optimum sees a sharp end. So the range of that speed
    is a sum of narrower ones, each with an optimum of its own (Gaussian sums: Alspach & Sorenson, IEEE
    Transactions on Automatic Control 17, 1972).
    """
    progress(f"fitting: {law} preload")
    found: list[HandCandidate] = []
    for friction in FRICTION_LAWS.values():
        for part in PARTS:
            begin = [found[-1].x] if found else []
            found.append(_fitted(setup, Form(PRELOAD_LAWS[law], friction), part, begin))
    return found


def _weighed(candidates: Sequence[HandCandidate]) -> list[tuple[HandCandidate, float]]:
    """Those of one law that count, with their weights, which add up to one: the middle one by its preload
    first, then by weight.

    By the probability of the readings under each, its unknowns integrated over their posterior (Laplace's
    approximation), and how likely its part of the range is beforehand.
    """
    scores = np.array([_evidence(one) - 0.5 * one.part**2 / (1.0 - PART_WIDTH**2) for one in candidates])
    weights = np.exp(scores - scores.max())
    weights /= weights.sum()
    ranked = sorted(zip(candidates, weights.tolist(), strict=True), key=lambda pair: -pair[1])
    counted = [(one, weight) for one, weight in ranked if weight > LEAST_WEIGHT]
    total = sum(weight for _, weight in counted)
    counted = [(one, weight / total) for one, weight in counted]
    by_preload = sorted(counted, key=lambda pair: pair[0].first_preload)
    below = np.cumsum([weight for _, weight in by_preload])
    middle = by_preload[int(np.searchsorted(below, 0.5 * below[-1]))]
    return [middle, *(pair for pair in counted if pair[0] is not middle[0])]


def _evidence(candidate: HandCandidate) -> float:
    """Logarithm of the readings' probability, but for a constant; of what nothing is known beforehand, its
    logarithm is as likely anywhere."""
    names, found = candidate.names, candidate.solution
    active = np.array([not unknown.fixed for unknown in names.unknowns])
    size = np.where(names.precision > 0, 1.0, np.maximum(np.abs(found.x), 1e-9))[active]
    columns = found.jacobian[:, active] * size
    information = columns.T @ columns + np.diag(names.precision[active])
    return float(-found.cost - 0.5 * np.linalg.slogdet(information)[1])


def _fitted(setup: Setup, form: Form, part: float, begin: Sequence[Array]) -> HandCandidate:
    """One form, the Stribeck speed about ``part`` standard uncertainties of its plausible range off its
    middle, from where another one ended, or from two biases of the ramps."""
    plain = setup.model(form)
    names = Names(tuple(_for_hands(unknown, part) for unknown in plain.names.unknowns))
    data = setup.data
    model = HandModel(data, names, form, setup.sharing, setup.reference)
    freedom = data.by_hand.freedom if data.by_hand is not None else np.inf
    noise = CellNoise(data.noise, 1.0, float(data.run.size), freedom)
    used = np.ones(data.run.size, dtype=bool)
    starts = list(begin)
    for bias in () if starts else (0.4, 0.1):
        start = names.start.copy()
        for name in (*setup.sharing.drive_biases, *setup.sharing.coast_biases):
            start[names.position[name]] = bias
        if (data.input_torque != 0.0).all():
            # on the ridge of what the readings say; from beside it, its bend takes many steps
            for name in setup.sharing.preloads:
                start[names.position[name]] *= 1.0 - bias
        starts.append(start)
    idle = _idle(names)
    found = [polished_once(model, noise, used, start, idle=idle) for start in starts]
    best = min(found, key=lambda solution: solution.cost)
    costs = tuple(solution.cost for solution in found)
    return HandCandidate(model, best, model.residual(best.x), used, noise, costs, part=part)


def _idle(names: Names) -> Flags:
    """Unknowns that move no reading by hand (p,): it stands on the loading branch, and heats nothing."""
    return np.array([unknown.name.startswith(IDLE) for unknown in names.unknowns])


def _for_hands(unknown: Unknown, part: float) -> Unknown:
    """An unknown as readings by hand need it: a bias may come out below zero by scatter alone, or the bound
    would bend what it is read with; of a speed of the friction law, a ``part`` of its range."""
    if unknown.name == "viscous":
        return replace(unknown, prior_u=DRAG_U)
    if unknown.name in SPEEDS:
        middle, u = unknown.prior + part * unknown.prior_u, PART_WIDTH * unknown.prior_u
        return replace(unknown, start=middle, prior=middle, prior_u=u)
    return replace(unknown, low=-1.0) if unknown.name.startswith("ramp_bias") else unknown


def _least_bias(candidate: HandCandidate) -> float:
    """The largest ramp bias that the readings prove, over both flanks and all builds; 0 where none is
    determined."""
    information, least = Determined.of(candidate, carried=True), 0.0
    names, sharing = candidate.names, candidate.model.sharing
    for name in (*sharing.drive_biases, *sharing.coast_biases):
        gradient = np.zeros(len(names))
        gradient[names.position[name]] = 1.0
        u = information.u(gradient)
        if u is not None:
            least = max(least, names.value(candidate.x, name) - SURE * u)
    return least


@dataclass(frozen=True)
class Determined:
    """The Fisher information of readings and statements, in units of each unknown's own size: the directions
    (k, p) of which something tells with their precision (k,), and the unknowns' ``size`` (p,)."""

    directions: Array
    precision: Array
    size: Array

    @classmethod
    def of(cls, candidate: Candidate, *, carried: bool = False) -> Determined:
        """Without the plausible ranges, those of `CORRECTIONS` apart, and if ``carried`` those of `CARRIERS`.

        Readings whose temperatures or speeds
        differ by no more than a hand can help count as of one: nobody determines a ramp by a draught."""
        unknowns = candidate.names.unknowns
        ranges = (*CORRECTIONS, *CARRIERS) if carried else CORRECTIONS
        told = np.array(
            [u.precision if u.knowledge == "stated" or u.name.startswith(ranges) else 0.0 for u in unknowns]
        )
        size = np.array(
            [
                1.0 if u.logarithm else max(abs(value), min(u.prior_u, 1.0), 1e-3)
                for u, value in zip(unknowns, candidate.x.tolist(), strict=True)
            ]
        )
        # what is only considered is no unknown here: its doubt is in the budget
        size[[u.fixed for u in unknowns]] = 0.0
        scaled = _slopes_of_one_condition(candidate) / candidate.noise.sigma[:, None] * size
        information = scaled.T @ scaled + np.diag(told * size**2)
        values, vectors = np.linalg.eigh(information)
        kept = values > values.max() * 1e-9
        return cls(vectors[:, kept].T, values[kept], size)

    def u(self, gradient: Array) -> float | None:
        """Standard uncertainty of a quantity by its gradient (p,); None where nothing tells of it."""
        own = gradient * self.size
        length = float(own @ own)
        along = self.directions @ own
        if length == 0.0:
            return 0.0
        if length - float(along @ along) > NULL * length:
            return None
        return float(np.sqrt(np.sum(along**2 / self.precision)))


@lru_cache(maxsize=32)
def _slopes_of_one_condition(candidate: Candidate) -> Array:
    """Derivative (n, p) of the readings' residuals, those alike in temperature and speed taken as at one."""
    names, x = candidate.names, candidate.x.copy()
    for own in candidate.form.preload.unknowns:
        # at the end of its range what it multiplies would not show, and it would seem told apart
        i = names.position[own.name]
        x[i] = max(x[i], own.prior)
    # nor must the oil's drag tell what it corrects
    x[names.position["viscous"]] = 0.0
    # near locking itself a reading bends sharply: wide steps would feign a rank that there is not
    step = np.where(_idle(names), 0.0, FINE * candidate.steps)
    return jacobian(_of_one_condition(candidate.model).residual, x, step, names.low, names.high)


def _of_one_condition(model: LockingModel) -> LockingModel:
    """The same readings, those of a build at one temperature and one speed where theirs differ by little."""
    data = model.data
    plate, speed = np.where(np.isfinite(data.plate), data.plate, data.oil), data.speed_difference.copy()
    build = np.array([place.preload for place in model.sharing.places])[data.visit]
    for one in np.unique(build):
        mine = build == one
        heat, slow, ran = _as_read(data, plate, mine)
        if np.isfinite(plate[mine]).all() and float(np.ptp(plate[mine])) <= ALIKE_HEAT:
            plate[mine] = heat
        if ran.any() and float(speed[ran].max()) <= ALIKE_SPEED * float(speed[ran].min()):
            speed[ran] = slow
    return model.on(replace(data, oil=plate, plate=plate, speed_difference=speed))


def _as_read(data: FitData, heat: Array, mine: Flags) -> tuple[float, float, Flags]:
    """Temperature [°C] and speed difference [rad/s] at which some readings were taken, the running ones if
    there are any, those with the case free first; and which ran (c,)."""
    ran = mine & (data.friction_state == Friction.KINETIC)
    free = ran & (data.input_torque == 0.0)
    chosen = free if free.any() else ran if ran.any() else mine
    speed = float(np.exp(np.mean(np.log(data.speed_difference[chosen])))) if ran.any() else 0.0
    return float(np.mean(heat[chosen])), speed, ran


#: A wrench turns on the steep part of the friction curve, never near the reference speed. What the law makes
#: of the slope there dies out with a speed that nothing tells, exponentially: no first order holds for it.
NOT_BY_HAND = frozenset({"friction_slope"})


def standing_of(
    combined: Combined, candidates: Sequence[Candidate], estimates: Sequence[Estimate | None]
) -> Status:
    """Whether readings and statements determine a quantity under every form that stays in.

    ``measured``; ``carried`` where only plausible ranges bring it from where it was read to where it is
    quoted, or have more than a fifth of its variance; ``stated`` where no reading tells of it, and the sheet
    does; else ``not-determined``.
    """
    size = HOPELESS * max(abs(combined.value), combined.estimate.scale)
    leans = False
    for candidate, estimate in zip(candidates, estimates, strict=True):
        if estimate is None:
            return "not-determined"
        slope = _slope(candidate, estimate)
        alone = _determined(candidate, carried=True).u(slope)
        if alone is None or max(alone, combined.u) > size:
            return "not-determined"
        alone = _determined(candidate, carried=False).u(slope)
        leans = leans or alone is None or alone > size
    # nor has anybody measured which form it is
    weak = sum(
        part**2 for source, part in combined.budget.items() if is_weak(source) or source == Source.FORM
    )
    leans = leans or weak > LEANS * combined.u**2
    if combined.budget.get(Source.NOISE, 0.0) <= NOTHING * combined.u:
        return "not-determined" if leans else "stated"
    return "carried" if leans else "measured"


def _slope(candidate: Candidate, estimate: Estimate) -> Array:
    """The gradient (p,) of a quantity at the solution, as local as that of the readings."""
    quantity = estimate.quantity
    if quantity is None:
        return estimate.gradient
    names = candidate.names
    step = FINE * candidate.steps
    own = jacobian(lambda x: np.array([quantity(x)]), candidate.x, step, names.low, names.high)
    return np.asarray(own[0])


@lru_cache(maxsize=32)
def _determined(candidate: Candidate, *, carried: bool) -> Determined:
    """`Determined.of`, once for all quantities."""
    return Determined.of(candidate, carried=carried)


def condition_as_read(candidate: Candidate, visits: Sequence[int]) -> Condition:
    """As warm and as slow as the running readings of some visits were; where there are none, at breakaway."""
    data = candidate.model.data
    plate = candidate.model.plate_temperature(candidate.x)
    heat, speed, ran = _as_read(data, plate, np.isin(data.visit, visits))
    told = data.by_hand
    warm = f"{heat:.3g} °C"
    if told is not None and not told.temperature_read:
        warm = f"about {warm}, which nobody read"
    if not ran.any():
        return Condition("as_read", heat, 0.0, False, f"at breakaway, {warm}, as read")
    words = f"{speed:.2g} rad/s" if told is None or told.turning_u == 0.0 else f"about {speed:.2g} rad/s"
    return Condition("as_read", heat, speed, True, f"at {warm} and {words}, as read")


def reach_of_readings(candidate: HandCandidate) -> dict[str, tuple[float, float]]:
    """Limits of a map that readings by hand can fill, by axis: over the torque that went through the case,
    from standing to the reference speed and from the readings' temperature to the reference's. Nothing of it
    counts as tested: what is not at the readings' own condition is carried."""
    data, reference = candidate.model.data, candidate.model.reference
    heat = [*candidate.model.plate_temperature(candidate.x).tolist(), reference.temperature]
    reach = {
        "input_torque_Nm": (float(data.input_torque.min()), float(data.input_torque.max())),
        "speed_difference_rad_s": (0.0, reference.speed_difference),
        "temperature_degC": (float(min(heat)), float(max(heat))),
    }
    return {name: limits for name, limits in reach.items() if limits[0] < limits[1]}


def needs_by_hand(name: str, candidates: Sequence[Candidate], needs: str) -> str:
    """What would determine a quantity, for somebody with a wrench; ``needs`` says it for a bench."""
    quantity = parts_of(name)[0]
    flank = next((f for f in ("drive", "coast") if f in quantity), "")
    if quantity.startswith(("preload_torque", "locking_effect")) or needs.startswith(PRELOAD):
        return _needs_of_preload(quantity, candidates)
    if needs.startswith(PRODUCTS):
        return _needs_of_bias(f"ramp_bias_{flank}_as_read", flank, candidates)
    if quantity.startswith("ramp_bias") and not quantity.endswith("_unloading"):
        return _needs_of_bias(quantity, flank, candidates)
    if needs.startswith((BY_FORCE, PIN_RADIUS)) and quantity != "spring_force":
        return needs if quantity.endswith("_loading") else f"{needs}; a wrench shows loading alone"
    states = set(candidates[0].model.data.friction_state.tolist())
    if quantity in EXCESSES and len(states) == 1:
        return NEEDS_BREAKAWAY if Friction.KINETIC in states else NEEDS_RUNNING
    return BY_QUANTITY.get(quantity, f"a bench, not a wrench: {needs}")


def _needs_of_bias(quantity: str, flank: str, candidates: Sequence[Candidate]) -> str:
    data, bench = candidates[0].model.data, DEFINITIONS[f"ramp_bias_{flank}_loading"].needs
    free = bool((data.input_torque == 0.0).any())
    loaded = bool(((data.input_torque if flank == "drive" else -data.input_torque) > 0).any())
    if loaded and not free:
        return NEEDS_FREE
    linear = {one.form.preload.linear for one in candidates}
    if loaded and True not in linear:
        return f"a bench, not a wrench: {bench}"
    if loaded and False in linear:
        return f"{NEEDS_LAW}: under additive, these readings tell it; under greater-of only a bench: {bench}"
    if loaded and not quantity.endswith("_as_read"):
        return NEEDS_NEARER
    way = "backward" if flank == "drive" else "forward"
    beside = "" if free else ", and with the case free beside them"
    return f"{'more ' if loaded else ''}readings with the case held, turned {way}{beside} ({NEEDS_CAUTION})"


def _needs_of_preload(quantity: str, candidates: Sequence[Candidate]) -> str:
    data = candidates[0].model.data
    free, ran = data.input_torque == 0.0, data.friction_state == Friction.KINETIC
    if not ran.any():
        return NEEDS_RUNNING
    if free.any() and not (free & ran).any():
        return NEEDS_FREE_RUNNING
    if not free.any():
        return NEEDS_FREE
    if not free.all() and len({one.form.law for one in candidates}) > 1:
        return NEEDS_LAW
    return NEEDS_MORE if quantity == "preload_torque_as_read" else NEEDS_NEARER


NEEDS_FREE = "readings with the case free and the other output held, beside those with the case held"
NEEDS_RUNNING = "running readings, slowly turned, beside those at breakaway"
NEEDS_BREAKAWAY = "breakaway readings, from rest, beside the running ones"
NEEDS_FREE_RUNNING = "running readings with the case free, slowly turned, beside those at breakaway"
NEEDS_LAW = "the preload law in the build sheet"
NEEDS_MORE = "more readings of each kind and of less scatter, at one temperature and speed"
NEEDS_NEARER = (
    "a bench that turns as fast and as warm as the reference; or, in [reference] of the build sheet, a "
    "temperature and a speed_difference nearer to those of the readings"
)
NEEDS_AGREEMENT = "readings that do not contradict each other: take both arrangements again"
BY_QUANTITY = {  # what helps more than a bench
    "gear_friction": "a value in the build sheet, or a build with other ramps",
    "heat_capacity": "the plates' mass in the build sheet",
    "spring_force": "the force from a press in the build sheet",
    "friction_temperature_coefficient": "readings of each kind with the unit 20 K and more warmer or colder, "
    "beside those as it is",
    **dict.fromkeys(EXCESSES, "a bench, not a wrench: a speed sweep through low speed differences"),
    **{
        f"torque_bias_ratio_{flank}": "a locking effect clearly below 1, or better known: near 1 the ratio "
        "has no bound"
        for flank in ("drive", "coast")
    },
}
BY_WRENCH = (  # what readings by hand can tell
    "preload_torque",
    "friction_coefficient",
    *(f"ramp_bias_{flank}_{at}" for flank in ("drive", "coast") for at in ("loading", "as_read", "at_limit")),
    *(f"effective_ramp_angle_{flank}_loading" for flank in ("drive", "coast")),
)
NEEDS_CAUTION = "with the case held a wrench reads several times more: mind its range"
MORE = 10  # readings at a time
WORTH = 0.9  # a fall to above that share is not worth the readings
SHOWN = 4
FORESEEN = 2.0  # of the largest reading of a flank: no law is trusted farther
CAUTION_HELD = "the wrench reads {reading} there: mind its range, and what holds the case"
CAUTION_BREAKAWAY = "breakaway comes suddenly: pull evenly, with a firm stand"


def next_readings(
    candidate: Candidate, combined: Mapping[str, Combined], visits: Sequence[ConditionedVisit]
) -> list[NextTest]:
    """Which readings would help most, by what ten more of a kind add to the information (Fedorov 1972).

    Each with its cautions; none beyond the wrench's range. Judged by the quantities as they were read.
    """
    targets = {
        name: item
        for name, item in combined.items()
        if parts_of(name)[0]
        in ("preload_torque_as_read", "ramp_bias_drive_as_read", "ramp_bias_coast_as_read")
    }
    if not isinstance(candidate.model, HandModel) or not targets:
        return []
    channel = visits[0].rig.channel["turning_torque"]
    most = np.inf if channel.range is None else channel.range[1]
    names = candidate.names
    known = candidate.solution.jacobian
    precision = np.where([u.fixed for u in names.unknowns], 0.0, names.precision)
    gain = np.array([u.name.startswith("error:") and u.name.endswith(".gain") for u in names.unknowns])
    before = inverse_of(known.T @ known + np.diag(precision))
    plans = [
        (
            "have the wrench calibrated, to half of the stated uncertainty of its gain",
            inverse_of(known.T @ known + np.diag(np.where(gain, 4.0, 1.0) * precision)),
        )
    ]
    for case, direction, flank in (
        ("free", "either way", 0.0),
        ("held", "backward", 1.0),
        ("held", "forward", -1.0),
    ):
        for state in (Friction.KINETIC, Friction.STATIC):
            model, reading = _more(candidate, flank, state)
            if reading < most:
                rows = jacobian(model.residual, candidate.x, candidate.steps, names.low, names.high)
                rows /= model.data.noise[:, None]
                after = inverse_of(known.T @ known + rows.T @ rows + np.diag(precision))
                told = _foretold(candidate, flank, reading)
                plans.append((_words(case, direction, state, told), after))
    offers = [_offer(text, before - after, targets) for text, after in plans]
    # where both flanks are worth the same, the last bit shall not say which comes first
    ranked = sorted(offers, key=lambda offer: -round(offer[0], 6))
    return [test for worth, test in ranked if worth > 0.0][:SHOWN]


def _foretold(candidate: Candidate, flank: float, reading: float) -> str:
    """What the wrench will read, where readings of that flank tell it and nothing there is near locking."""
    data = candidate.model.data
    own = np.abs(data.difference[data.input_torque * flank > 0.0])
    if own.size and reading < FORESEEN * float(own.max()):
        return f"about {reading:.0f} N·m"
    return "several times more than with the case free"


def _words(case: str, direction: str, state: Friction, reading: str) -> str:
    """Readings to take, with the cautions that belong to them."""
    kind = "running" if state is Friction.KINETIC else "breakaway"
    holds = f"the case {case} and the other output {'held' if case == 'free' else 'free'}"
    cautions = [CAUTION_HELD.format(reading=reading)] if case == "held" else []
    cautions += [CAUTION_BREAKAWAY] if kind == "breakaway" else []
    text = f"{MORE} {kind} readings more with {holds}, turned {direction}"
    return f"{text} ({'; '.join(cautions)})" if cautions else text


def _offer(text: str, fall: Array, targets: Mapping[str, Combined]) -> tuple[float, NextTest]:
    """What a plan brings: its worth, and the quantities that it sharpens, by the ``fall`` (p, p) of the
    unknowns' covariance; what no reading can mend stays."""
    worth, gains = 0.0, []
    for name, item in targets.items():
        gradient = item.estimate.gradient
        then = float(np.sqrt(max(item.u**2 - float(gradient @ fall @ gradient), 0.0)))
        if then < WORTH * item.u:
            gains.append(Gain(quantity=name, unit=item.estimate.unit, u_now=item.u, u_then=then))
            worth -= float(np.log(max(then, 1e-3 * item.u) / item.u))
    return worth, NextTest(run=text, gains=gains)


def _more(candidate: Candidate, flank: float, state: Friction) -> tuple[LockingModel, float]:
    """The model of further readings as they would be taken, and what the wrench would read [N·m]."""
    data = candidate.model.data
    like = np.zeros(MORE, dtype=np.int64)
    cells = data.only(like)
    counts = 2.0 if flank == 0.0 else 1.0  # what a newton metre of the wrench counts in locking torque
    before = 2.0 if data.input_torque[0] == 0.0 else 1.0
    ran = data.speed_difference[data.friction_state == Friction.KINETIC]
    speed = float(np.exp(np.mean(np.log(ran)))) if ran.size else 0.2
    ones = np.ones(MORE)

    def of(torque: float) -> LockingModel:
        scaled = data.noise_share[:, :1] > 0
        effects = np.where(
            scaled,
            data.noise_share[:, :1] * torque * ones,
            data.effect_difference[:, :1] * counts / before * ones,
        )
        scatter = data.by_hand.scatter if data.by_hand is not None else SCATTER
        changed = replace(
            cells,
            difference=torque * ones,
            input_torque=flank * torque * ones,
            speed_difference=(0.0 if state is Friction.STATIC else speed) * ones,
            friction_state=np.full(MORE, state, dtype=np.int64),
            effect_difference=effects,
            noise_share=data.noise_share[:, :1] * ones,
            noise=max(scatter * torque, float(np.min(data.noise)) * counts / 2.0) * ones,
        )
        return candidate.model.on(changed)

    trial = of(1.0)
    assert isinstance(trial, HandModel)
    torque = float(trial.read(candidate.x)[0])
    return of(torque), torque / counts


def contradictions(candidate: Candidate) -> list[Finding]:
    """Whether the groups of readings by hand contradict each other, or the sweeps beside them, under the law,
    by what repeats; or go together under no plausible unit."""
    data = candidate.model.data
    hand = data.read_by_hand
    if not hand.any() or data.by_hand is None:
        return []
    standard = (candidate.residual / candidate.noise.sigma)[hand]
    groups, place = np.unique(data.run[hand], return_inverse=True)
    count = np.bincount(place)
    mean = np.bincount(place, standard) / count
    freedom = groups.size
    if hand.all():
        slopes = candidate.solution.jacobian
        rank = int(np.linalg.matrix_rank(slopes, tol=1e-6 * np.linalg.norm(slopes)))
        freedom -= min(rank, groups.size)
    from scipy.special import fdtrc

    square, chance = float(np.sum(count * mean**2)), 1.0
    if freedom > 0:
        chance = float(fdtrc(freedom, min(data.by_hand.freedom, 1e6), square / freedom))
    if chance >= NO_NUMBER and hand.all() and (reason := _impossible(candidate, groups.size)):
        file = data.run_names[0].partition(" (")[0]
        effect = "No number rests on them, and no limit is judged."
        return [Finding("readings contradict each other", "stop", file, reason, effect, AGAIN)]
    if chance >= CONTRADICTED:
        return []
    grave = bool(hand.all()) and chance < NO_NUMBER
    others = "other readings" if hand.all() else "sweeps and the other readings"
    worst = int(np.argmax(np.abs(mean) * np.sqrt(count)))
    run = int(groups[worst])
    off = float(
        np.mean(candidate.residual[data.run == run]) / np.mean(np.abs(data.difference[data.run == run]))
    )
    return [
        Finding(
            "readings contradict each other",
            "stop" if grave else "caveat",
            data.run_names[run],
            f"Their mean is {per_cent(abs(off), 3)} % off what the {others} say under the law; by scatter "
            f"alone that has a chance of {_rarely(chance)}.",
            "No number rests on them, and no limit is judged."
            if grave
            else "Numbers that rest on them are off by more than their intervals say.",
            AGAIN,
        )
    ]


def _impossible(candidate: Candidate, groups: int) -> str:
    """Why no unit gives readings that contradict each other under no law: empty where one may."""
    data, names = candidate.model.data, candidate.names
    build = np.array([place.preload for place in candidate.model.sharing.places])[data.visit]
    clamped = 1.0 / (1.0 - min(_passed_on(candidate) + GEARS, 0.9))
    kinds = zip(build.tolist(), data.friction_state.tolist(), strict=True)
    for one, state in sorted(set(kinds)):
        alike = (build == one) & (data.friction_state == state)
        free = alike & (data.input_torque == 0.0)
        for flank, bears in (("drive", data.input_torque > 0.0), ("coast", data.input_torque < 0.0)):
            held = alike & bears
            if not (free.any() and held.any()):
                continue
            most, least = float(np.mean(data.locking[held])), float(np.mean(data.locking[free]))
            u = float(np.hypot(LEAST_HELD * _of_mean(candidate, free), _of_mean(candidate, held)))
            if LEAST_HELD * least - most > FAR * u:
                return (
                    "With the case held a wrench reads at least twice what it reads with the case free; here "
                    f"{most:.4g} N·m with the case held ({flank}), {0.5 * least:.4g} N·m with the case free."
                )
            if not candidate.form.preload.linear and most - clamped * least > FAR * clamped * u:
                return (
                    f"Under the {candidate.form.law} law of the build sheet a wrench reads about twice as "
                    f"much with the case held as with the case free; here {most:.4g} N·m with the case held "
                    f"({flank}), {0.5 * least:.4g} N·m with the case free: the law may be the fault."
                )
    # what is known beforehand counts as observed (predictive check: Box, Journal of the Royal Statistical
    # Society A 143, 1980)
    from scipy.special import chdtrc

    off = (candidate.x - names.prior) * np.sqrt(names.precision)
    if chdtrc(max(groups - len(candidate.model.sharing.preloads), 1), float(off @ off)) >= NO_NUMBER:
        return ""
    return (
        "They go together only with friction, oil or ramps far outside what any unit has: by chance that is "
        "less than one in a million."
    )


def _passed_on(candidate: Candidate) -> float:
    """The largest share of the ramp thrust that a closed contact passes on, as stated or plausible."""
    own = {unknown.name for unknown in candidate.form.preload.unknowns}
    stated = [u for u in candidate.names.unknowns if u.name in own and u.knowledge == "stated"]
    return max((u.prior + SURE * u.prior_u for u in stated), default=PLAUSIBLE_FRACTION)


def _of_mean(candidate: Candidate, which: Flags) -> float:
    """What some readings' scatter does to their mean [N·m]."""
    return float(np.sqrt(np.sum(candidate.noise.sigma[which] ** 2))) / int(which.sum())


def _rarely(chance: float) -> str:
    return "less than one in a million" if chance < 1e-6 else f"one in {1.0 / chance:,.0f}"


def without_contradicted(parameters: Mapping[str, Parameter]) -> dict[str, Parameter]:
    """Parameters where no number can rest on the readings: what the sheet states stays."""
    return {
        name: item
        if item.status == "stated"
        or (item.status == "not-determined" and not parts_of(name)[0].startswith(BY_WRENCH))
        else not_determined(item.unit, item.meaning, NEEDS_AGREEMENT, at_input_torque=item.at_input_torque_Nm)
        for name, item in parameters.items()
    }
