"""The study of simulated lives: is the state of a unit right, visit after visit, whatever happens to it?

Run by hand: ``python tests/recovery/lives.py --lives 1000``. A life is a unit on a bench: a rebuild, then a
visit each some hundred kilometres. Its plates wear slowly or hardly at all, or something goes at once; it is
rebuilt with another shim; a bench has a bad day, on which the unit is measured twice; a bench is exchanged.
Visits are drawn from the fitted demo as in `wear_study`, errors of bench and unit shared; after each place
all records so far are judged.

A state is right where what it says is true of the simulator's unit:

- *good*, *good with doubt*: the preload torque is within its limits;
- *out of limits*: it is beyond; *worn*: the faces have lost more than their limit;
- *watch*: for a jump, there was one; for the limit ahead, two more stretches like the last break it;
- *cannot be told*: the truth lies so near a limit that one visit shows the side with less than 95 %;
- *records contradict*: one of the visits there was of a bad day.

Promises, each but for chance: right in at least 95 %; *good* said of a unit beyond its limit in at most 0.5 %
of all judgements; *worn* said of an unworn unit in at most 5 %; a jump of 15 per cent or more, after two
places without, named within two visits in at least 90 %. The exit status is 1 where one is not kept.
"""

from __future__ import annotations

import argparse
import datetime as dt
import hashlib
import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from wear_study import DEMO, PRELOAD, SQUEEZE, Drawer, State, kept, line, scenario, template_of

from diffbench.answers import Observation, judge, observations
from diffbench.documents import load_build
from diffbench.doubts import OF_THE_UNIT
from diffbench.results import Characterisation
from diffbench.results import State as Judgement

KINDS = ("steady", "slow", "sudden", "rebuilt", "bad day", "swapped bench")
STRETCH = 600e3  # m between visits
SMALLEST_JUMP = 0.15
MOST_WEAR = 60e-6  # m of a face, as the demo's sheet has it
SCATTER = 0.0155  # of a preload torque from visit to visit: the refit, and what else the visit has
BESIDE = 1.959964 + 1.644854  # standard uncertainties within which one visit does not show the side surely


@dataclass(frozen=True)
class Place:
    """What is true of a unit where it is measured: share of friction and of spring force left, wear of a face
    [m], distance [m] and shim [m] of the build; ``jumped`` in its build so far; ``bad`` where a visit there
    is of a bad day."""

    build: int
    distance: float
    shim: float
    friction: float
    wear: float
    lost: float = 1.0
    jumped: bool = False
    bad: bool = False
    swapped: bool = False

    def spring(self, faces: int) -> float:
        """Spring force left, by the simulator's own springs."""
        stack, more = scenario.Q17_STACK, self.shim - scenario.Q17_SHIM
        return float(stack.force(SQUEEZE + more - faces * self.wear) / stack.force(SQUEEZE)) * self.lost

    def left(self, faces: int) -> float:
        """Share of the preload torque of the template."""
        return self.friction * self.spring(faces)


@dataclass
class Counts:
    """What became of all judgements."""

    judged: int = 0
    right: int = 0
    beyond: int = 0
    good_beyond: int = 0
    unworn: int = 0
    false_worn: int = 0
    jumps: int = 0
    named: int = 0
    states: Counter[tuple[str, str]] = field(default_factory=Counter)
    wrong: Counter[tuple[str, str, str]] = field(default_factory=Counter)


def life_of(kind: str, rng: np.random.Generator) -> list[Place]:
    """The places of one life."""
    count = int(rng.integers(4, 8))
    rate = float(rng.uniform(4e-6, 12e-6)) if kind in {"slow", "rebuilt"} else float(rng.uniform(0.0, 1e-6))
    fading = float(rng.uniform(0.0, 0.01)) if kind in {"slow", "rebuilt"} else 0.0
    at = int(rng.integers(2, count - 1))  # where something happens
    drop = 1.0 - float(rng.uniform(SMALLEST_JUMP, 0.30))
    shim, build, start, lost = scenario.Q17_SHIM, 0, 0, 1.0
    places = []
    for i in range(count):
        if kind == "rebuilt" and i == at:
            build, start, shim = 1, i, shim + 0.05e-3 * int(rng.integers(1, 3))
        jumped = kind == "sudden" and i >= at
        lost = drop if jumped else 1.0
        age = i - start
        places.append(
            Place(
                build,
                age * STRETCH,
                shim,
                1.0 - fading * age,
                rate * age,
                lost,
                jumped,
                bad=kind == "bad day" and i == at,
                swapped=kind == "swapped bench" and i >= at,
            )
        )
    return places


class Bench:
    """Makes the records of a life."""

    def __init__(self, drawer: Drawer) -> None:
        self.drawer = drawer
        self.errors = drawer.errors()
        other = drawer.errors()
        self.other = {s: self.errors[s] if s in OF_THE_UNIT else move for s, move in other.items()}
        self.force = drawer.force()
        self.number = 0
        self.day = dt.date(2026, 1, 5)

    def visit(self, place: Place, off: float = 1.0) -> Characterisation:
        """One record; ``off`` is what a bad day makes of every torque."""
        drawer = self.drawer
        state = State(place.friction * off, place.spring(drawer.template.builds[0].faces))
        drawn = drawer.visit(state, self.other if place.swapped else self.errors, self.force).characterisation
        self.number += 1
        self.day += dt.timedelta(days=1)
        key = f"visit {self.number}"
        papers = {"rig.toml": f"rig {place.swapped}", "build.toml": f"build {place}", "run.toml": key}
        inputs = {
            name: hashlib.sha256(text.encode()).hexdigest()
            for name, text in {**papers, "sweep.csv": key}.items()
        }
        name = f"Q17-{place.build}"
        facts = drawn.builds[0].model_copy(
            update={"build": name, "distance_m": place.distance, "shim_m": place.shim}
        )
        return drawn.model_copy(
            update={
                "build": name,
                "builds": [facts],
                "date": self.day.isoformat(),
                "provenance": drawn.provenance.model_copy(update={"inputs": inputs, "visits": ["run.toml"]}),
                "sha256": hashlib.sha256(key.encode()).hexdigest(),
            }
        )


def is_right(found: Judgement, life: Sequence[Place], preload: float, faces: int) -> bool:
    """Whether what a state says is true at the last place so far."""
    now = life[-1]
    low, high = next((c.low, c.high) for c in found.limits if c.quantity == PRELOAD)
    true = preload * now.left(faces)
    within = low <= true <= high
    own = [place for place in life if place.build == now.build]
    slope = preload * (own[-1].left(faces) - own[-2].left(faces)) if len(own) > 1 else 0.0
    u = SCATTER * true
    true_of = {
        "good": within,
        "good-with-doubt": within,
        "out-of-limits": not within,
        "worn": now.wear > MOST_WEAR,
        "records-contradict": now.bad,
        "cannot-be-told": min(abs(true - low), abs(true - high)) < BESIDE * u,
        "watch": now.jumped if found.reason.kind == "jump" else not low <= true + 2.0 * slope <= high,
    }
    return bool(true_of[found.state])


def live(drawer: Drawer, kind: str, counts: Counts) -> None:
    """One life, judged after each place."""
    rng, bench = drawer.rng, Bench(drawer)
    faces = drawer.template.builds[0].faces
    preload = drawer.template.value(PRELOAD)
    life, since, named = life_of(kind, rng), 0, False
    records: list[Observation] = []  # made once: a record is judged at every later visit, too
    for i, place in enumerate(life):
        twice = place.bad or (i == 0 and rng.random() < 0.5)
        off = 1.0 + float(rng.choice([-1.0, 1.0])) * float(rng.uniform(0.08, 0.15)) if place.bad else 1.0
        new = [bench.visit(place, off)] + ([bench.visit(place)] if twice else [])
        records += [one for record in new for one in observations(record)]
        found = judge(records)
        counts.judged += 1
        true = preload * place.left(faces)
        low, high = next((c.low, c.high) for c in found.limits if c.quantity == PRELOAD)
        beyond = not low <= true <= high
        counts.beyond += beyond
        counts.good_beyond += beyond and found.state == "good"
        worn = place.wear > MOST_WEAR
        counts.unworn += not worn
        counts.false_worn += found.state == "worn" and not worn
        right = is_right(found, life[: i + 1], preload, faces)
        counts.right += right
        counts.states[kind, found.state] += 1
        if not right:
            counts.wrong[kind, found.state, found.reason.kind] += 1
        if place.jumped:
            since += 1
            first = next(r for r in records if r.distance_m == place.distance - (since - 1) * STRETCH)
            named = named or any(
                reason.kind == "jump" and reason.dates[-1] == first.date for reason in found.reasons
            )
            if since == 2:
                counts.jumps += 1
                counts.named += named


def study(drawer: Drawer, lives: int) -> Counts:
    """So many lives, of each kind in turn."""
    counts = Counts()
    for number in range(lives):
        live(drawer, KINDS[number % len(KINDS)], counts)
    return counts


def report(counts: Counts) -> tuple[str, bool]:
    """Lines, and whether the promises are kept."""
    lines = [
        line("states right", counts.right, counts.judged),
        line("good, of a unit beyond its limit", counts.good_beyond, counts.judged),
        line("the same, among units beyond", counts.good_beyond, max(counts.beyond, 1)),
        line("worn, of an unworn unit", counts.false_worn, counts.unworn),
        line("a jump named within two visits", counts.named, max(counts.jumps, 1)),
        *(f"  {kind:<14s} {state:<20s} {n}" for (kind, state), n in sorted(counts.states.items())),
        *(f"  wrong: {' / '.join(key)}: {n}" for key, n in counts.wrong.most_common()),
    ]
    good = (
        kept(counts.right, counts.judged, least=0.95)
        and kept(counts.good_beyond, counts.judged, most=0.005)
        and kept(counts.false_worn, counts.unworn, most=0.05)
        and kept(counts.named, counts.jumps, least=0.90)
    )
    return "\n".join(lines), good


def drawer_of(template: Characterisation, seed: int) -> Drawer:
    """Draws visits of the demo's unit."""
    sheet = load_build(DEMO / "unit-q17-rebuilt.toml")
    return Drawer(template, sheet, np.random.default_rng([20_261_129, seed]))


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the study and print it."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n\n")[0])
    parser.add_argument("--lives", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1, help="seed of the draws")
    parser.add_argument("--template", type=Path, help="characterisation.json of the fitted demo")
    given = parser.parse_args(arguments)
    counts = study(drawer_of(template_of(given.template), given.seed), given.lives)
    text, good = report(counts)
    print(text)
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())
