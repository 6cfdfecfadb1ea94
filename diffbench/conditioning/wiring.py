"""Signs and sides of torques and speeds: every sign and swap that would explain readings which cannot be, so
that friction holds back again, ranked by whatever else was recorded and by the build sheet.

Two of them may give other maps: with both torques reversed, and with left and right swapped, friction holds
back, but what is drive in one is coast in the other. So nothing is mended silently, and all that remain are
named.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from diffbench.conditioning import bench
from diffbench.conditioning.bench import TorqueChain, at_cells
from diffbench.conditioning.cells import Cells
from diffbench.conditioning.plausibility import (
    EVEN,
    PASSIVE_SHARE,
    Flanks,
    even_part,
    exchanged_share,
    holds_back,
    impossible_climb,
    other_arrangements,
    passive_share,
)
from diffbench.documents import Build, Rig
from diffbench.documents.arrangements import OUTPUTS
from diffbench.errors import Fault, Place, RecordingError

Array = NDArray[np.float64]

# Two measurements of one torque go together, or against each other, like this at least (as a cosine).
TOGETHER = 0.9
# Engines drive harder than they brake.
FURTHER = 1.2
#: Mistakes at once that are looked for.
MOST_MISTAKES = 3


@dataclass(frozen=True)
class Wiring:
    """One explanation: torques that count the other way (``reversed``), torque columns that are exchanged,
    slip of the other sign (``turned``); with what it makes of the readings, and what speaks for and against.

    ``backwards``: slip turns because both shafts count backwards, and not because they are exchanged.
    ``flanks`` are what the locking torque then does in drive and coast; ``drives``: whether the input torque
    goes further in drive (1), further in coast (-1), or neither (0).
    """

    reversed: tuple[str, ...] = ()
    exchanged: bool = False
    turned: bool = False
    backwards: bool = False
    flanks: Flanks | None = None
    drives: int = 0
    supports: tuple[str, ...] = ()
    refutes: tuple[str, ...] = ()

    @property
    def mistakes(self) -> int:
        """All torques reversed is one convention, not two mistakes."""
        return int(bool(self.reversed)) + int(self.exchanged) + int(self.turned)

    @property
    def rank(self) -> tuple[int, int, int]:
        """Smaller is likelier."""
        weight = len(self.refutes) - len(self.supports)
        return weight, -self.drives, self.mistakes - int(self.backwards)


def wirings(names: Sequence[str]) -> Iterator[Wiring]:
    """All of them, apart from that of the rig. Exchanging both torques and slip names the sides anew and
    changes nothing else."""
    flips = [tuple(some) for n in range(len(names) + 1) for some in combinations(names, n)]
    for flip in flips:
        for exchanged in (False, True) if len(names) == 2 else (False,):
            for turned in (False, True):
                if exchanged and turned and "input_torque" not in names:
                    continue
                wiring = Wiring(flip, exchanged, turned)
                if 1 <= wiring.mistakes <= MOST_MISTAKES:
                    yield wiring


def rewired(
    rig: Rig, chains: Mapping[str, TorqueChain], cells: Cells, wiring: Wiring
) -> tuple[Array, Array, Array]:
    """Input torque, torque difference (c,) [N·m] and direction of slip (c,) as they would be."""
    sides = {"left": "right", "right": "left"} if wiring.turned else {}
    pairs = dict(zip(chains, reversed(list(chains)), strict=True)) if wiring.exchanged else {}

    def torque(values: Mapping[str, Array]) -> dict[str, Array]:
        named = {name: values[pairs.get(name, name)] for name in chains}
        return {name: -value if name in wiring.reversed else value for name, value in named.items()}

    def shaft(values: Mapping[str, Array]) -> dict[str, Array]:
        return {name: values.get(sides.get(name, name), value) for name, value in values.items()}

    input_torque, difference = bench.torques(
        rig,
        chains,
        torque(cells.readings),
        torque(cells.rates),
        shaft(cells.speeds),
        shaft(cells.accelerations),
    )
    return input_torque, difference, -cells.direction if wiring.turned else cells.direction


def explanations(
    rig: Rig, chains: Mapping[str, TorqueChain], cells: Cells, *, noise: float
) -> tuple[Wiring, ...]:
    """The wirings of the fewest mistakes under which friction holds back, likeliest first; of more mistakes,
    where what else is recorded speaks against all of these."""
    found: list[Wiring] = []
    for mistakes in range(1, MOST_MISTAKES + 1):
        for wiring in wirings(tuple(chains)):
            if wiring.mistakes == mistakes:
                found += _judged(rig, chains, cells, wiring, noise)
        if any(not wiring.refutes for wiring in found):
            break
    return tuple(sorted(found, key=lambda wiring: wiring.rank))


def _judged(
    rig: Rig, chains: Mapping[str, TorqueChain], cells: Cells, wiring: Wiring, noise: float
) -> list[Wiring]:
    torque, difference, direction = rewired(rig, chains, cells, wiring)
    locking = -direction * difference
    if not holds_back(direction, difference, noise) or impossible_climb(direction, torque, locking, noise):
        return []
    speed = np.abs(cells.speed_difference) * direction
    even = even_part(direction, speed, torque, difference)
    if even is not None and abs(even) > EVEN:
        return []
    rising = torque * np.gradient(torque, cells.time) > 0.0 if torque.size > 2 else torque > np.inf
    flanks = Flanks.of(torque, locking, rising)
    ahead, back = flanks.reach
    drives = int(ahead > FURTHER * back) - int(back > FURTHER * ahead)
    supports, refutes = _recorded_besides(rig, chains, cells, wiring, torque)
    judged = replace(wiring, flanks=flanks, drives=drives, supports=supports, refutes=refutes)
    both = {"left_speed", "right_speed"} <= set(rig.channel)
    if wiring.turned and both and float(np.median(cells.speeds["case"])) < 0.0:
        return [replace(judged, backwards=True), judged]
    return [judged]


def _recorded_besides(
    rig: Rig, chains: Mapping[str, TorqueChain], cells: Cells, wiring: Wiring, torque: Array
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What columns that the arrangement does not need say for a wiring, and against it."""
    supports: list[str] = []
    refutes: list[str] = []
    if "input_torque" in cells.readings and "input_torque" not in chains:
        chain = bench.chain_of(rig, "input_torque", None)
        still = np.zeros_like(torque)
        speed = cells.speeds.get("case", np.ones_like(torque)) * chain.ratio
        other = chain.at_unit(cells.readings["input_torque"], still, speed, still)
        cosine = float(torque @ other) / max(float(np.linalg.norm(torque) * np.linalg.norm(other)), 1e-12)
        if cosine > TOGETHER:
            supports.append("the recorded input torque agrees")
        else:
            refutes.append("the recorded input torque speaks against it")
    if wiring.turned and {"left_speed", "right_speed", "speed_difference"} <= set(rig.channel):
        refutes.append("the recorded speed difference speaks against it")
    return tuple(supports), tuple(refutes)


class WiringError(RecordingError):
    """Readings that cannot be, with every wiring that would explain them."""

    def __init__(
        self,
        rig: Rig,
        what: str,
        found: Sequence[Wiring],
        *,
        file: str | None,
        key: str,
        others: Sequence[str],
    ) -> None:
        self.rig, self.what, self.found, self.others = rig, what, tuple(found), tuple(others)
        self.file, self.key = file, key
        super().__init__(Fault(what, Place(file, key=key), self._mend()))

    def with_sheet(self, build: Build) -> WiringError:
        """The same, ranked by the sheet's ramps as well."""
        found = []
        for wiring in self.found:
            share = exchanged_share(build, wiring.flanks)
            supports, refutes = wiring.supports, wiring.refutes
            if share is not None and share > 0.5:
                supports = (*supports, "the ramps of the build sheet agree")
            elif share is not None and share < -0.5:
                refutes = (*refutes, "the ramps of the build sheet speak against it")
            found.append(replace(wiring, supports=supports, refutes=refutes))
        found.sort(key=lambda wiring: wiring.rank)
        return WiringError(self.rig, self.what, found, file=self.file, key=self.key, others=self.others)

    def _mend(self) -> str:
        named = [_words(self.rig, wiring) + _besides(wiring, self.found) for wiring in self.found]
        named += self.others
        if not named:
            return (
                "no swap or sign explains it: check which column is which, that both speeds are live, and "
                "that all torques are in the units that the rig says (lbf.ft taken as N.m on one side does "
                "this, too)"
            )
        if len(named) == 1:
            return named[0]
        listed = "; or ".join(f"({number}) {text}" for number, text in enumerate(named, 1))
        remain = [wiring for wiring in self.found if not wiring.refutes] or list(self.found)
        return f"likeliest first: {listed}. {_settled_by(self.rig, remain)}".strip()


def _besides(wiring: Wiring, found: Sequence[Wiring]) -> str:
    """What speaks for and against a wiring, where there are several."""
    if len(found) == 1:
        return ""
    said = [*wiring.supports, *wiring.refutes]
    if len({other.drives for other in found}) > 1 and wiring.drives:
        said.append(f"the sweep would go further in {'drive' if wiring.drives > 0 else 'coast'}")
    return f" [{', '.join(said)}]" if said else ""


def _settled_by(rig: Rig, remain: Sequence[Wiring]) -> str:
    """What would decide between those that remain."""
    told = []
    # all torques reversed exchanges drive and coast, a swap does not
    if len({bool(wiring.reversed) for wiring in remain}) > 1:
        record = "" if "input_torque" in rig.channel else "record input_torque, or "
        told.append(
            "Drive and coast hang on which it is: load the unit in drive and see whether the torques then "
            f"read positive, or {record}state both ramp angles in the build sheet"
        )
    swaps = [(wiring.exchanged, wiring.turned) for wiring in remain if not wiring.reversed]
    if (True, False) in swaps and (False, True) in swaps and set(rig.equilibrium) == set(OUTPUTS):
        told.append(
            "Which pair is swapped: turn one output by hand, and see whose torque and speed read "
            "(either gives the same numbers)"
        )
    return ". ".join(told)


def _words(rig: Rig, wiring: Wiring) -> str:
    """A wiring in words, with the lines to write into the rig."""
    names = list(bench.needed_torques(rig))
    parts: list[str] = []
    if wiring.exchanged:
        first, second = names
        words = "left and right are swapped" if "input_torque" not in names else "both torques are swapped"
        parts.append(
            f"{words} (exchange the columns of {first} and {second}: {_columns(rig, first, second)})"
        )
    if wiring.turned:
        parts.append(_backwards(rig) if wiring.backwards else _turned(rig))
    if wiring.reversed:
        lines = " and ".join(
            f"sign = {-rig.channel[name].sign:g} in [channel.{name}]" for name in wiring.reversed
        )
        if len(wiring.reversed) == 1:
            parts.append(f"the sign of {wiring.reversed[0]} is reversed (set {lines})")
        else:
            parts.append(f"all torques count the other way, as reactions do (set {lines})")
    return ", and ".join(parts)


def _backwards(rig: Rig) -> str:
    lines = " and ".join(
        f"sign = {-rig.channel[name].sign:g} in [channel.{name}]" for name in ("left_speed", "right_speed")
    )
    return f"both speeds count backwards, as their sum does (set {lines})"


def _turned(rig: Rig) -> str:
    if "left_speed" in rig.channel and "right_speed" in rig.channel:
        lines = _columns(rig, "left_speed", "right_speed")
        mend = f"exchange the columns of left_speed and right_speed: {lines}"
    elif "speed_difference" in rig.channel:
        mend = (
            f"the sign of speed_difference: set sign = {-rig.channel['speed_difference'].sign:g} in "
            "[channel.speed_difference]"
        )
    else:
        own, other = (
            ("left_speed", "right_speed") if "left_speed" in rig.channel else ("right_speed", "left_speed")
        )
        mend = f"name [channel.{own}] {other}"
    one = next((name for name in ("left_torque", "right_torque") if name in rig.channel), None)
    if set(rig.equilibrium) != set(OUTPUTS) and one is not None:
        other = "right_torque" if one == "left_torque" else "left_torque"
        mend += f"; or name the measured output the other side: [channel.{other}] for [channel.{one}]"
    return f"left and right are swapped ({mend})"


def _columns(rig: Rig, first: str, second: str) -> str:
    """The lines that exchange two columns; their signs go with them."""
    lines = []
    for name, other in ((first, second), (second, first)):
        sign = rig.channel[other].sign
        also = f", sign = {sign:g}" if sign != rig.channel[name].sign else ""
        lines.append(f'column = "{rig.channel[other].column}"{also} in [channel.{name}]')
    return ", ".join(lines)


def check_signs(
    rig: Rig, chains: Mapping[str, TorqueChain], cells: Cells, *, noise: float, file: str
) -> None:
    """Refuse a run whose torques and speeds cannot belong together, naming what would make them fit.

    Raises ``WiringError`` when more than a tenth of the torque difference drives instead of holding back,
    when part of the input torque is in it whatever way the outputs slip, or when a one-sided run climbs as
    none can. Every wiring that would explain the readings is named. Never mended silently: a swap of the
    torques and a reversal of both cannot be told apart by them, and give other maps.
    """
    whole, difference = at_cells(rig, chains, cells)
    even, others = other_arrangements(rig, cells, whole, difference)
    noise = float(
        np.hypot(
            noise, sum((rig.channel[name].u_zero or 0.0) * chain.ratio for name, chain in chains.items())
        )
    )
    share = passive_share(cells.direction, difference, noise)
    slope = impossible_climb(cells.direction, whole, -cells.direction * difference, noise)
    if share < PASSIVE_SHARE:
        what = (
            f"{100 * (1 - share):.0f} % of the torque difference drives instead of holding back: while the "
            "outputs slip, the slower one must get more torque"
        )
    elif others:
        what = (
            f"{100 * even:.0f} % of the input torque is in the torque difference whatever way the outputs "
            f"slip: the arrangement {rig.arrangement!r} can't be true"
        )
    elif slope is not None:
        what = f"the locking torque climbs by {slope:.3g} of the input torque: no unit that slips can do so"
    else:
        return
    found = explanations(rig, chains, cells, noise=noise)
    key = "arrangement" if others and share >= PASSIVE_SHARE else "channel"
    raise WiringError(rig, what, found, file=file, key=key, others=others)
