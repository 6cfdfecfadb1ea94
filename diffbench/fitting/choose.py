"""Which form of the model: preload law and friction law, by evidence, and how much each form counts.

The form is part of the doubt. Forms, and other minima of one form that the data cannot rule out, are weighed
by BIC at the effective number of independent cells; a lead above 10 decides the law (Kass and Raftery 1995),
else both stay in. A law is given up only by a polish by the noise and the cells of the law that leads, over
once it stays far off whatever it may gain: a first look ends early, and left the right law far behind on two
of 300 benches. A greater-of law that never
opened is, with a joint fraction, an additive one with smaller ramps: no evidence, and the simpler law stands
for both. A law that the sheet states is kept, and the result says when the sweeps speak against it.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import cast

import numpy as np

from diffbench.documents.build import PreloadLawName
from diffbench.fitting.candidate import Candidate, first_look, fit_form, in_the_light_of
from diffbench.fitting.model import Form, LockingModel
from diffbench.fitting.noise import CellNoise
from diffbench.fitting.setup import Setup
from diffbench.fitting.tested import ramp_seen
from diffbench.physics.friction import FRICTION_LAWS
from diffbench.physics.preload import PRELOAD_LAWS
from diffbench.results.characterisation import DECISIVE, LawVerdict

# A form this far behind is not worth fitting to the end: its weight is below exp(-30).
HOPELESS = 60.0
# Load factor of a preloaded joint: in design examples below a quarter (common practice, no source).
PLAUSIBLE_FRACTION = 0.3
# How two flanges were seen to differ before the fit, that packs which differ look like: ends of keys.
AS_SEEN = tuple(
    f":{kind}.{part}" for kind in ("gain", "lag", "hysteresis") for part in ("common", "mismatch")
)
SIMPLEST, *MORE_FRICTION = FRICTION_LAWS.values()


@dataclass(frozen=True)
class Choice:
    """Candidates that count, with weights that add up to one (the best first), and the verdict on the law."""

    candidates: tuple[Candidate, ...]
    weights: tuple[float, ...]
    verdict: LawVerdict

    @property
    def best(self) -> Candidate:
        return self.candidates[0]


def choose(setup: Setup, *, progress: Callable[[str], None]) -> Choice:
    """Fit the forms that have a chance and weigh them.

    The information criterion is ``χ² + k ln n`` (BIC) with χ² and n at the effective number of independent
    cells, so that correlated samples do not feign evidence. The law counts as measured when it leads by more
    than ``DECISIVE``; within that, both stay in, and their difference goes into the uncertainty.
    """
    stated, model = setup.builds[0].preload.law, functools.cache(setup.model)

    looks = []
    for law in PRELOAD_LAWS.values():
        progress(f"searching: {law.name} preload")
        looks.append(first_look(model(Form(law, SIMPLEST))))
    looks.sort(key=lambda look: (stated not in ("undecided", look.form.law), look.solution.cost))
    candidates: list[Candidate] = []
    information: dict[str, float] = {}  # of the laws, behind the best
    leader = looks[0]
    for look in looks:
        progress(f"fitting: {look.form.law} preload")
        begin = look
        if any(_stands(c) for c in candidates):
            # a first look ends early, and may leave the right law far behind: it is polished before it is
            # given up
            begin = in_the_light_of(look, leader)
            noise = leader.noise
            behind = _information(begin, noise) - min(_information(c, noise) for c in candidates)
            if behind > HOPELESS:
                information[look.form.law] = behind
                continue
        first = look is looks[0]
        candidates += _of_law(model, begin)
        noise = candidates[0].noise
        leader = min(candidates, key=lambda c: c.chi2(c.noise) if first else _information(c, noise))
    return _weighed(stated, candidates, information, leader.noise)


def with_packs_apart(choice: Choice, setup: Setup) -> tuple[Choice, Setup] | None:
    """The same forms with packs that may differ, where slip went both ways round and the sweeps pay for both
    unknowns by more than ``DECISIVE``; else nothing.

    Packs that differ look like flanges that do: what was seen of those before the fit, by a comparison that
    knows no packs, stays only where the sweeps cannot do without (``HOPELESS``).
    """
    if np.unique(setup.data.direction).size == 1:
        return None
    apart, found = _with_packs(choice.candidates, setup)
    bare = setup.data.without_sources(AS_SEEN)
    if len(bare.sources) < len(setup.data.sources):
        other, alone = _with_packs(choice.candidates, replace(setup, data=bare))
        if _information(alone[0], found[0].noise) < _information(found[0], found[0].noise) + HOPELESS:
            apart, found = other, alone
    before, noise = choice.best, found[0].noise
    if _information(before, noise) - _information(found[0], noise) < DECISIVE:
        return None
    stated = setup.builds[0].preload.law
    forms = {c.form.law for c in found}
    given_up = {law: far for law, far in choice.verdict.information.items() if law not in forms}
    return _weighed(stated, found, given_up, noise), apart


def _with_packs(candidates: Sequence[Candidate], setup: Setup) -> tuple[Setup, list[Candidate]]:
    """What the packs differ by is on the ramps: it is taken from the fit so far, and once more from the one
    after."""
    found, start = list(candidates), candidates[0].model.packs(candidates[0].x)
    for _ in range(2):
        apart = replace(setup, data=replace(setup.data, apart=start))
        found = [fit_form(apart.model(c.form), start=c) for c in found]
        start = found[0].model.packs(found[0].x)
    return apart, found


def _of_law(model: Callable[[Form], LockingModel], begin: Candidate) -> list[Candidate]:
    """A preload law with each friction law, the simplest first, and the rivals of each."""
    first = fit_form(begin.model, start=begin, starts=True)
    found = [first, *first.rivals]
    for friction in MORE_FRICTION:
        form = Form(first.form.preload, friction)
        other = fit_form(model(form), start=first)
        if _information(other, first.noise) < _information(first, first.noise):
            other = fit_form(other.model, start=other, starts=True)
        found += [other, *other.rivals]
    return found


def _weighed(
    stated: str, candidates: Sequence[Candidate], information: dict[str, float], noise: CellNoise
) -> Choice:
    """The candidates that count, by one noise; ``information`` of the laws that were given up."""
    # A greater-of preload that no flank ever overcame, with a joint fraction, *is* an additive one with
    # smaller ramps: the simpler law stands for both.
    stands = [_stands(c) or stated == c.form.law for c in candidates]
    aside = [c for c, good in zip(candidates, stands, strict=True) if any(stands) and not good]
    candidates = [c for c, good in zip(candidates, stands, strict=True) if good or not any(stands)]
    scores = np.array([_information(c, noise) for c in candidates])
    best = float(scores.min())
    for name in PRELOAD_LAWS:
        own = [s for s, c in zip(scores, candidates, strict=True) if c.form.law == name]
        if own:
            information[name] = min(own) - best
    verdict = _verdict(stated, information, [(c, _information(c, noise) - best) for c in aside])
    kept = [
        i for i, c in enumerate(candidates) if verdict.status == "undecided" or c.form.law == verdict.chosen
    ]
    kept.sort(key=lambda i: scores[i])
    weights = np.exp(-0.5 * (scores[kept] - scores[kept[0]]))
    weights /= weights.sum()
    counted = [(candidates[i], float(w)) for i, w in zip(kept, weights, strict=True) if w > 1e-3]
    total = sum(w for _, w in counted)
    return Choice(tuple(c for c, _ in counted), tuple(w / total for _, w in counted), verdict)


def _verdict(stated: str, information: dict[str, float], aside: list[tuple[Candidate, float]]) -> LawVerdict:
    """The verdict on the law; ``aside`` are candidates whose contact never opened, and how far behind."""
    if stated != "undecided":
        return _stated_verdict(stated, information)
    if aside and all(candidate.form.law not in information for candidate, _ in aside):
        return _never_opened(*min(aside, key=lambda pair: pair[1]))
    lead = min((v for v in information.values() if v > 0), default=np.inf)
    chosen = cast("PreloadLawName", min(PRELOAD_LAWS, key=lambda name: information.get(name, np.inf)))
    if lead > DECISIVE:
        return LawVerdict(
            chosen=chosen,
            status="measured",
            information=information,
            reason=f"the {chosen} law explains the sweeps better, by {_lead_text(lead)} in BIC (above "
            f"{DECISIVE:g} is decisive)",
        )
    return LawVerdict(
        chosen=chosen,
        status="undecided",
        information=information,
        reason=(
            f"the sweeps do not tell the laws apart (BIC differs by {lead:.2g}, {DECISIVE:g} is needed): "
            "sweep to an input torque at which the ramps clearly overcome the preload, or state the law in "
            "the build sheet"
        ),
    )


def _lead_text(lead: float) -> str:
    return f"{lead:.3g}" if lead < 1000.0 else "more than 1000"


def _never_opened(rival: Candidate, behind: float) -> LawVerdict:
    """Verdict where a law could only stand in for the simplest one, its contact never open."""
    law, simplest = rival.form.preload, cast("PreloadLawName", next(iter(PRELOAD_LAWS)))
    fraction = law.closed_share(rival.names.values(rival.x, law.unknowns))
    needs = (
        f"a {law.name} contact would have to pass on {100 * fraction:.0f} % of the ramp thrust and never open"
    )
    doubtful = behind < DECISIVE and fraction <= PLAUSIBLE_FRACTION
    return LawVerdict(
        chosen=simplest,
        status="undecided" if doubtful else "measured",
        information={simplest: 0.0, law.name: max(behind, 0.0)},
        reason=(
            f"{needs}: a clamped stack may do that, so sweep to a higher input torque, or state the law in "
            "the build sheet; the numbers hold for both laws as far as was swept"
            if doubtful
            else f"{needs}, which is no clamped stack"
        ),
    )


def _stands(candidate: Candidate) -> bool:
    """Whether a candidate is what it says: not a law whose contact never opened."""
    return candidate.form.preload.linear or ramp_seen(candidate, "drive") or ramp_seen(candidate, "coast")


def _information(candidate: Candidate, noise: CellNoise) -> float:
    """χ² + k ln n at the effective number of independent cells."""
    free = sum(1 for u in candidate.names.unknowns if not u.fixed)
    return candidate.chi2(noise) + free * float(np.log(max(noise.effective, 2.0)))


def _stated_verdict(stated: str, information: dict[str, float]) -> LawVerdict:
    other = min((law for law in PRELOAD_LAWS if law != stated), key=lambda law: information.get(law, np.inf))
    ahead = information.get(stated, 0.0) - information.get(other, np.inf)
    doubt = (
        f"; the sweeps speak against it: the {other} law is ahead by {ahead:.3g} in BIC"
        if ahead > DECISIVE
        else ""
    )
    return LawVerdict(
        chosen=cast("PreloadLawName", stated),
        status="stated",
        information=information,
        reason=f"the build sheet states the {stated} law{doubt}",
    )
