"""Functions of several results at once: a weighted sum over members, with errors in common counted once.

A comparison is decided by provenance. Every source of doubt is a set of columns (what one standard
uncertainty does to the unknowns); columns of two results add before they are squared where provenance makes
them one error: the rig file's digest for the bench, unit and stated gears for the unit, the recordings for
all else.
"""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from diffbench.documents import Build, load_build
from diffbench.doubts import OF_THE_BENCH, OF_THE_UNIT, Source
from diffbench.errors import DiffbenchError, FitError
from diffbench.input_files import PAPER, content_of
from diffbench.physics.preload import PRELOAD_LAWS
from diffbench.physics.steady import UnitQuantities
from diffbench.results.characterisation import BuildFacts, Characterisation, FormState, Parameter, SpringFacts
from diffbench.results.map_limits import unit_of


@dataclass(frozen=True)
class Member:
    """One characterisation of a comparison, of one build: which bench, unit and visit its errors belong to.

    ``bench``, ``unit_key`` and ``visit`` are keys: an error is the same in two members where the key that
    it goes by is. ``sheet`` is the build sheet where it can still be read, as it was when the fit read it:
    for what a characterisation of an older version does not have of it.
    """

    characterisation: Characterisation
    bench: str
    unit_key: str
    visit: str
    sheet: Build | None

    @property
    def facts(self) -> BuildFacts:
        """What the characterisation has of the build sheet."""
        return self.characterisation.builds[0]

    @property
    def springs(self) -> SpringFacts | None:
        """Disc springs of the build."""
        return self.facts.disc_spring or (None if self.sheet is None else SpringFacts.of(self.sheet))

    @property
    def shim(self) -> float | None:
        """Shim of the build [m]."""
        stated = None if self.sheet is None else self.sheet.preload.shim
        return self.facts.shim_m if stated is None or self.facts.shim_m is not None else stated.value

    @property
    def face_wear_limit(self) -> float | None:
        """The most that a face may wear [m]."""
        told = self.facts.face_wear_limit_m
        return told if told is not None or self.sheet is None else self.sheet.limits.face_wear

    def determined(self, name: str) -> Parameter | None:
        """A quantity of the build; None where it is not determined."""
        item = self.characterisation.parameters.get(name)
        return item if item is not None and item.value is not None else None

    def scope(self, source: str) -> str:
        """Key of a source of doubt: where it is equal in two members, its error is one."""
        if source in OF_THE_BENCH:
            return f"bench {self.bench}"
        if source in OF_THE_UNIT:
            return f"unit {self.unit_key}"
        return f"visit {self.visit}"


def member(
    characterisation: Characterisation,
    *,
    build: str | None = None,
    folder: Path | None = None,
    bench: str | None = None,
) -> Member:
    """Read off a characterisation's provenance what its errors belong to.

    Parameters
    ----------
    characterisation : Characterisation
        The result.
    build : str or None
        Which build of a joint fit; may be left out where there is only one.
    folder : Path or None
        Folder of the document, in which papers are looked for too.
    bench : str or None
        A name that is the caller's word on which bench it was, over the digest of the rig file.

    Returns
    -------
    The member.

    Raises
    ------
    DiffbenchError
        There is no build of that name, or there are several and none is named.
    """
    one = characterisation.of_build(build)
    name = one.builds[0].build
    inputs = characterisation.provenance.inputs
    visits = set(characterisation.provenance.visits)
    papers = {p: d for p, d in inputs.items() if p.endswith(".toml") and p not in visits}
    recordings = sorted(d for p, d in inputs.items() if p not in visits and p not in papers)
    rigs, sheet = _papers(papers, name, folder)
    if not rigs and len(visits) == 1 and len(papers) == FEWEST_PAPERS:
        rigs = list(papers.values())[:1]  # a fit names the rig's file before the build sheet
    if bench is None:
        # of several, a paper that cannot be read again may be a rig: all of them together are then the key
        bench = " ".join(sorted(set(rigs or papers.values())))
    digest = hashlib.sha256(" ".join(recordings).encode()).hexdigest()
    return Member(one, bench, _unit_key(one), digest if recordings else "?", sheet)


def one_pack(members: Sequence[Member]) -> None:
    """Ask whether results are of packs with the same faces and radii: else their numbers are of different
    things. Raises `FitError` with what each states."""
    packs: dict[tuple[int, float], Member] = {}
    for who in members:
        packs.setdefault(who.facts.pack, who)
    if len(packs) > 1:
        told = ", ".join(
            f"{pack_text(pack)} on {who.characterisation.date} ({who.facts.build})"
            for pack, who in packs.items()
        )
        raise FitError.single(
            f"the results are of packs with different faces or radii: {told}",
            key="packs",
            mend="name results of one pack: another pack is another build, not wear",
        )


def pack_text(pack: tuple[int, float]) -> str:
    """Faces and effective radius [m] of a pack.

    >>> pack_text((4, 0.04625))
    '4 faces at 46.25 mm'
    """
    return f"{pack[0]} faces at {1e3 * pack[1]:.4g} mm"


def shared_text(pair: Paired) -> list[str]:
    """In words, what the members before and after have in common and what that does."""
    members, one, other = pair.members, pair.earlier, pair.later

    def common(key: str) -> bool:
        return len({getattr(m, key) for m in members}) == 1

    lines = []
    if {m.visit for m in one} & {m.visit for m in other}:
        lines.append("the same recordings: noise, zero and refit are one in both and cancel")
    if common("bench"):
        lines.append(
            "the same rig file, to the byte: gains, lags, inertias and temperature reading of its channels "
            "count as one error in both, which cancels as far as both results feel it alike"
        )
    else:
        lines.append("not the same rig file: errors of the transducers count as independent")
    if common("unit_key"):
        lines.append("one unit with equal statements on its gears: gear friction counts as one error in both")
    else:
        lines.append("another unit or other statements on its gears: gear friction counts as independent")
    return lines


def _unit_key(characterisation: Characterisation) -> str:
    """Unit and what its sheet says of the gears, as the fit took it."""
    form = characterisation.forms[0]
    facts = characterisation.builds[0]
    share = form.shares.get(Source.GEAR_FRICTION)
    if share is None or "gear_friction" not in form.names:
        return f"{facts.unit} {facts.build}"
    i = form.names.index("gear_friction")
    if not PRELOAD_LAWS[form.law].linear:
        # searched there, so that its value is not the sheet's
        return f"{facts.unit} {facts.build}"
    return f"{facts.unit} {form.values[i]!r} {max(abs(c) for c in share[i])!r}"


def _papers(papers: dict[str, str], build: str, folder: Path | None) -> tuple[list[str], Build | None]:
    """Digests of the papers that are rigs, and the build sheet; of those that still are as they were."""
    rigs: list[str] = []
    sheet: Build | None = None
    unread = False
    for path, digest in papers.items():
        places = [Path(path)]
        if folder is not None:
            places += [
                folder / path,
                folder / Path(path).name,
                folder.parent / path,
                folder.parent / Path(path).name,
            ]
        found = next((place for place in places if _digest(place) == digest), None)
        if found is None:
            unread = True
            continue
        try:
            kind = str(tomllib.loads(content_of(found, most=PAPER).decode("utf-8-sig")).get("format", ""))
        except (DiffbenchError, OSError, ValueError, RecursionError):
            unread = True
            continue
        if kind.startswith("diffbench-rig/"):
            rigs.append(digest)
        elif kind.startswith("diffbench-build/"):
            try:
                loaded = load_build(found)
            except DiffbenchError:
                unread = True
                continue
            if loaded.build == build:
                sheet = loaded
    return ([] if unread and not rigs else rigs), sheet


def _digest(path: Path) -> str | None:
    try:
        return hashlib.sha256(content_of(path, most=PAPER)).hexdigest()
    except (DiffbenchError, OSError):
        return None


Array = NDArray[np.float64]
#: Beside its run sheet, a visit has a rig and a build sheet.
FEWEST_PAPERS = 2
#: Quantities (m,) of one unit.
Quantities = Callable[[UnitQuantities], Array]
#: What one standard uncertainty of each source and scope does, (p, k) or (m, k).
Columns = Mapping[tuple[str, str], Array]


@dataclass(frozen=True)
class Joint:
    """A vector of quantities (m,): value, covariance (m, m), and the part of each source of doubt (m, m)."""

    value: Array
    covariance: Array
    shares: Mapping[str, Array]

    @property
    def u(self) -> Array:
        """Standard uncertainties (m,)."""
        return np.sqrt(np.maximum(np.diag(self.covariance), 0.0))

    def refits(self, i: int) -> float:
        """Variance of one quantity that refits to the bench make."""
        share = self.shares.get(Source.REPEATABILITY)
        return 0.0 if share is None else float(share[i, i])

    def budget(self, i: int) -> dict[str, float]:
        """Standard uncertainty of one quantity by source, the largest first."""
        total = max(float(self.covariance[i, i]), 0.0)
        parts = {s: float(c[i, i]) for s, c in self.shares.items() if c[i, i] > 1e-6 * total}
        return {s: float(np.sqrt(v)) for s, v in sorted(parts.items(), key=lambda p: -p[1])}


@dataclass(frozen=True)
class Prepared:
    """One form of one member, made ready: its unit, the units half a standard uncertainty to either side of
    each unknown (index, both units, distance), and what one standard uncertainty of each source does to the
    unknowns: by source and scope, columns (p, k), for refits that move each number by itself and for refits
    that move them together."""

    unit: UnitQuantities
    sides: tuple[tuple[int, UnitQuantities, UnitQuantities, float], ...]
    apart: Columns
    together: Columns

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return int(next(iter(self.apart.values())).shape[0])


@dataclass(frozen=True)
class Paired:
    """Members with the forms of the model that all of them have, and the weight of each set of forms.

    ``alike`` is False where the members have no form in common, so that the best of each stands against the
    best of the other. The first ``before`` members are of the earlier of two states.
    """

    members: tuple[Member, ...]
    forms: tuple[tuple[Prepared, ...], ...]
    weights: tuple[float, ...]
    alike: bool
    before: int = 0

    @property
    def earlier(self) -> tuple[Member, ...]:
        """The members of the earlier state."""
        return self.members[: self.before]

    @property
    def later(self) -> tuple[Member, ...]:
        """The members of the later state."""
        return self.members[self.before :]

    def means(self, earlier: float, later: float) -> list[float]:
        """Factors of the members in a sum of both states' means, for example −1 and 1 for what changed."""
        counts = (earlier, len(self.earlier)), (later, len(self.later))
        return [factor / count for factor, count in counts for _ in range(count)]

    def known(self, quantity: str) -> bool:
        """Whether all members determine a quantity."""
        return all(m.determined(quantity) is not None for m in self.members)


def paired(members: Sequence[Member], *, before: int = 0) -> Paired:
    """Put like forms of the members side by side: a change of law is no change of the unit.

    The weight of a set is the product of the members' weights, the largest first.
    """
    by_key = [
        {(form.law, form.friction.name): form for form in reversed(m.characterisation.forms)} for m in members
    ]
    keys = [key for key in by_key[0] if all(key in forms for forms in by_key)]
    if not keys:
        best = tuple(_prepared(m, m.characterisation.forms[0]) for m in members)
        return Paired(tuple(members), (best,), (1.0,), alike=False, before=before)
    weight = {key: float(np.prod([forms[key].weight for forms in by_key])) for key in keys}
    keys.sort(key=lambda key: -weight[key])
    total = sum(weight.values())
    shares = [weight[key] / total if total > 0 else 1.0 / len(keys) for key in keys]
    ready = (
        tuple(_prepared(m, forms[key]) for m, forms in zip(members, by_key, strict=True)) for key in keys
    )
    return Paired(tuple(members), tuple(ready), tuple(shares), alike=True, before=before)


def combined(
    pair: Paired, factors: Sequence[float | Array], quantities: Quantities, *, together: bool
) -> Joint:
    """``Σ_k c_k q(x_k)`` over members k, with its covariance.

    Every source of doubt of every member is a set of columns, what one standard uncertainty does to its
    unknowns. Columns of one source are one error where the members' scopes agree, and add before they are
    squared; else they count as independent. What the forms of the model differ by is added.

    Parameters
    ----------
    pair : Paired
        The members and their forms.
    factors : sequence of float or array_like
        c_k, for example −1 before and +1 after. Arrays (r,) give r such sums side by side, (r m,).
    quantities : callable
        q, from a unit to an array (m,).
    together : bool
        Whether a refit to the bench moves preload and ramp biases together, as friction would, or each by
        itself. The rig states how far each moves, not which.

    Returns
    -------
    Value and covariance.

    References
    ----------
    JCGM 102:2011, 6.2 (law of propagation for several outputs), with correlated inputs by common errors.
    """
    return _summed(pair, factors, _evaluated(pair, quantities), together=together)


def valued(pair: Paired, factors: Sequence[float | Array], quantities: Quantities) -> Array:
    """The value of `combined` alone, which takes no slopes."""
    values = [
        np.multiply.outer(f, quantities(one.unit)).ravel()
        for one, f in zip(pair.forms[0], factors, strict=True)
    ]
    return np.asarray(np.sum(values, axis=0))


def widest(pair: Paired, factors: Sequence[float | Array], quantities: Quantities) -> Joint:
    """`combined` under both assumptions on the refit; for each quantity the one with the larger doubt.

    The covariance between quantities is that of refits which move each number by itself, scaled up where
    the other assumption is the wider.
    """
    evaluated = _evaluated(pair, quantities)
    apart = _summed(pair, factors, evaluated, together=False)
    joined = _summed(pair, factors, evaluated, together=True)
    scale = np.ones(apart.value.size)
    good = apart.u > 0
    scale[good] = np.maximum(joined.u[good] / apart.u[good], 1.0)
    shares = {}
    for source, part in apart.shares.items():
        wider = np.diag(joined.shares[source]) if source in joined.shares else np.diag(part)
        own = np.where(scale > 1.0, wider, np.diag(part))
        before = np.sqrt(np.maximum(np.diag(part), 1e-300))
        stretch = np.sqrt(np.maximum(own, 0.0)) / before
        shares[source] = part * np.outer(stretch, stretch)
    return Joint(apart.value, apart.covariance * np.outer(scale, scale), shares)


def has_repeatability(member: Member) -> bool:
    """Whether the rig of a member stated what a refit to the bench moves."""
    return all(Source.REPEATABILITY in form.shares for form in member.characterisation.forms)


def _evaluated(pair: Paired, quantities: Quantities) -> list[list[tuple[Array, Array]]]:
    """Quantities (m,) and their slopes over the unknowns (m, p): for each set of forms, each member."""
    found = []
    for forms in pair.forms:
        members = []
        for form in forms:
            value = quantities(form.unit)
            slope = np.zeros((value.size, form.size))
            for i, ahead, behind, width in form.sides:
                slope[:, i] = (quantities(ahead) - quantities(behind)) / width
            members.append((value, slope))
        found.append(members)
    return found


def _summed(
    pair: Paired,
    factors: Sequence[float | Array],
    evaluated: Sequence[Sequence[tuple[Array, Array]]],
    *,
    together: bool,
) -> Joint:
    """`combined` of what was evaluated."""
    best: Array | None = None
    shares: dict[str, Array] = {}

    def add(source: str, part: Array) -> None:
        shares[source] = shares[source] + part if source in shares else part

    for forms, members, weight in zip(pair.forms, evaluated, pair.weights, strict=True):
        total: Array | None = None
        moves: dict[tuple[str, str], Array] = {}
        for form, (value, slope), factor in zip(forms, members, factors, strict=True):
            part = np.multiply.outer(factor, value).ravel()
            total = part if total is None else total + part
            for key, block in (form.together if together else form.apart).items():
                move = np.multiply.outer(factor, slope @ block).reshape(part.size, -1)
                moves[key] = _added(moves[key], move) if key in moves else move
        assert total is not None
        best = total if best is None else best
        for (source, _), move in moves.items():
            add(source, weight * (move @ move.T))
        if total is not best:
            add(Source.FORM, weight * np.outer(total - best, total - best))
    assert best is not None
    covariance = sum(shares.values(), np.zeros((best.size, best.size)))
    return Joint(best, covariance, shares)


def _added(one: Array, other: Array) -> Array:
    """Sum of columns, number by number; one of both may have more of them."""
    if one.shape[1] < other.shape[1]:
        one, other = other, one
    total = one.copy()
    total[:, : other.shape[1]] += other
    return total


def _prepared(who: Member, form: FormState) -> Prepared:
    """Make a form of a member ready."""

    def at(x: Array) -> UnitQuantities:
        return unit_of(form, x, who.facts, reference=who.characterisation.reference)

    x, covariance = np.array(form.values), np.array(form.covariance)
    deviation = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    sides = []
    for i in np.flatnonzero(deviation > 0.0).tolist():
        ahead, behind = x.copy(), x.copy()
        ahead[i] += 0.5 * deviation[i]
        behind[i] -= 0.5 * deviation[i]
        sides.append((i, at(ahead), at(behind), float(deviation[i])))
    blocks = form.blocks
    joined = dict(blocks)
    if Source.REPEATABILITY in blocks:
        joined[Source.REPEATABILITY] = _as_friction(blocks[Source.REPEATABILITY], form)
    return Prepared(at(x), tuple(sides), _keyed(who, blocks), _keyed(who, joined))


def _keyed(who: Member, blocks: Mapping[str, Array]) -> Columns:
    return {(source, who.scope(source)): block for source, block in blocks.items()}


def _as_friction(block: Array, form: FormState) -> Array:
    """Columns of the refit as if it moved friction, and with it both flanks and the preload.

    What a refit moves the preload by beyond friction stays its own: ``√(s_P² − s_K²)``.
    """

    rows = {
        stem: form.names.index(stem) if stem in form.names else None
        for stem in ("preload_torque", "ramp_bias_drive_loading", "ramp_bias_coast_loading")
    }
    size: dict[str, float] = {}
    for stem, i in rows.items():
        value = 0.0 if i is None else abs(form.values[i])
        size[stem] = 0.0 if i is None or value == 0.0 else float(np.linalg.norm(block[i]) / value)
    bias = max(size["ramp_bias_drive_loading"], size["ramp_bias_coast_loading"])
    seat = float(np.sqrt(max(size["preload_torque"] ** 2 - bias**2, 0.0)))
    made = np.zeros((block.shape[0], 2))
    for stem, i in rows.items():
        if i is not None:
            preload = stem == "preload_torque"
            made[i, 0] = form.values[i] * (min(bias, size[stem]) if preload else size[stem])
            made[i, 1] = form.values[i] * seat if preload else 0.0
    return made
