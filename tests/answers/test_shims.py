"""Shim ladder and springs: leave one out and predict it, follow the truth, refuse what cannot be known."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import pytest
from benchsim import scenario
from benchsim.unit import Unit
from wear_study import Drawer, State

from diffbench.answers import Candidate, Member, Way, advise
from diffbench.answers.wear import height_loss
from diffbench.errors import FitError
from diffbench.physics.disc_spring import DiscSpring, DiscStack
from diffbench.results import Characterisation, SpringFacts

STACK = DiscStack(DiscSpring(0.095, 0.072, 0.0016, 0.0014), parallel=3, series=2)
SPRINGS = SpringFacts(
    outer_diameter_m=0.095,
    inner_diameter_m=0.072,
    thickness_m=0.0016,
    cone_height_m=0.0014,
    parallel=3,
    series=2,
)
SHIMS = (0.0, 0.1e-3, 0.2e-3, 0.3e-3)
PER_NEWTON = 81.85 / scenario.Q17_STACK.force(0.0009)


def preload(shim: float) -> float:
    """True preload torque of Q17 with a shim, by the simulator's own springs [N·m]."""
    return PER_NEWTON * scenario.Q17_STACK.force(scenario.Q17_SQUEEZE + shim)


@pytest.fixture(scope="module")
def ladder(drawer_of: Callable[[int], Drawer]) -> list[Member]:
    """Four builds with a shim each, every one tested once; no spring force is stated."""
    drawer = drawer_of(23)
    errors = drawer.errors()
    rungs = []
    for i, shim in enumerate(SHIMS):
        drawn = drawer.visit(State(spring=preload(shim) / preload(0.2e-3)), errors, (1.0, 1.0))
        facts = drawn.characterisation.builds[0].model_copy(update={"build": f"Q17-{i}", "shim_m": shim})
        parameters = {n: p for n, p in drawn.characterisation.parameters.items() if n != "spring_force"}
        result = drawn.characterisation.model_copy(
            update={"builds": [facts], "build": facts.build, "parameters": parameters}
        )
        rungs.append(replace(drawn, characterisation=result, sheet=None))
    return rungs


def at(results: Sequence[Member | Characterisation], shim: float, way: Way | None = None) -> Candidate:
    """What a user who asks for 80 N·m is told of that shim."""
    step = 0.15e-3 if shim == pytest.approx(0.15e-3) else 0.1e-3
    advice = advise(results, target=80.0, step=step, way=way)
    return next(c for c in advice.candidates if c.shim_m == pytest.approx(shim))


@pytest.mark.parametrize("way", ["ladder", "both"])
@pytest.mark.parametrize("out", range(4))
def test_leave_one_shim_out(ladder: list[Member], out: int, way: Way) -> None:
    """The truth of the shim that was left out lies in the interval, and the ends count as extrapolated."""
    rest = [rung for i, rung in enumerate(ladder) if i != out]

    found = at(rest, SHIMS[out], way)
    assert found.low_Nm <= preload(SHIMS[out]) <= found.high_Nm
    assert found.extrapolated == (out in {0, 3})
    inner = at(rest, 0.15e-3, way)
    assert found.u_Nm > inner.u_Nm or out in {1, 2}


def test_another_pack_is_no_rung(ladder: list[Member]) -> None:
    """As a comparison refuses it; what is another pack, and on which day, is told."""
    facts = [ladder[1].characterisation.builds[0].model_copy(update={"faces": 3})]
    other = replace(
        ladder[1], characterisation=ladder[1].characterisation.model_copy(update={"builds": facts})
    )
    with pytest.raises(FitError, match=r"different faces or radii: 4 faces at .* 3 faces at"):
        advise([ladder[0], other, ladder[2]], target=80.0)


def test_a_worn_build_is_no_second_rung(ladder: list[Member]) -> None:
    """Tested again after a season, a build stands as it was seen last: what it gave before is left out, in
    either order, and told; a refit at the same distance stays beside it."""

    def seen(date: str, metres: float, share: float) -> Member:
        one = ladder[2]
        facts = [one.characterisation.builds[0].model_copy(update={"distance_m": metres})]
        parameters = dict(one.characterisation.parameters)
        item = parameters["preload_torque"]
        parameters["preload_torque"] = item.model_copy(update={"value": share * item.value})
        update = {"date": date, "builds": facts, "parameters": parameters}
        return replace(
            one, characterisation=one.characterisation.model_copy(update=update), visit=f"{date} {metres}"
        )

    fresh, worn, again = (
        seen("2026-04-14", 0.0, 1.0),
        seen("2026-09-29", 1860e3, 0.8),
        seen("2026-09-30", 1860e3, 0.8),
    )
    rest = [ladder[0], ladder[3]]
    wanted = advise([*rest, worn], target=70.0)
    for rungs in ([*rest, fresh, worn], [worn, *rest, fresh]):
        found = advise(rungs, target=70.0)
        assert found.rungs == wanted.rungs
        assert found.advised == wanted.advised
        assert any("left out" in note and "of 2026-04-14" in note for note in found.notes)
    assert len(advise([*rest, worn, again], target=70.0).rungs) == 4
    assert not any("left out" in note for note in advise([*rest, worn, again], target=70.0).notes)


@pytest.mark.parametrize(("shares", "contradicts"), [((1.0, 0.93, 1.055), True), ((1.0, 1.0, 1.0), False)])
def test_a_new_assembly_scatters_by_no_less_than_these_did(
    drawer_of: Callable[[int], Drawer], shares: tuple[float, ...], contradicts: bool
) -> None:
    """Three refits of one build on a rig that states 1.5 %, which alone moves them in the second case. Where
    they scatter far more, the interval is the prediction interval of one more by Student's t, 4.303 s √(1 +
    1/3) with two degrees of freedom (ISO 16269-8), within a fifth; it holds what was measured."""
    drawer = drawer_of(23)
    errors, force = drawer.errors(), drawer.force()
    refits = [drawer.visit(State(spring=share), errors, force) for share in shares]
    found = advise(refits, target=80.0, limits=(70.0, 90.0))
    now = next(one for one in found.candidates if one.shim_m == pytest.approx(found.rungs[0].shim_m))
    seen = [rung.preload_torque_Nm for rung in found.rungs]
    half = 4.303 * float(np.std(seen, ddof=1)) * np.sqrt(4.0 / 3.0)
    assert any("Student" in note for note in found.notes) == contradicts
    assert now.chance is not None
    if contradicts:
        assert 0.5 * (now.high_Nm - now.low_Nm) == pytest.approx(half, rel=0.2)
        assert all(now.low_Nm <= value <= now.high_Nm for value in seen)
        assert now.chance < 0.9
    else:
        assert 0.5 * (now.high_Nm - now.low_Nm) == pytest.approx(1.96 * now.u_Nm, rel=1e-3)
        assert now.chance > 0.9


def test_advised_shim_is_the_right_one(ladder: list[Member]) -> None:
    """For 80 N·m the simulator's springs want 0.18 mm: 0.2 in steps of a tenth, 0.175 in steps of a
    fortieth."""
    exact = float(np.interp(80.0, [preload(x) for x in np.linspace(0, 3e-4, 301)], np.linspace(0, 3e-4, 301)))
    found = advise(ladder, target=80.0, step=0.1e-3)
    assert found.way == "both"
    assert found.advised.shim_m == pytest.approx(0.2e-3)
    assert found.exact_shim_m == pytest.approx(exact, abs=0.03e-3)
    assert found.advised.low_Nm <= preload(0.2e-3) <= found.advised.high_Nm
    assert [c.shim_m for c in found.candidates] == pytest.approx([0.0, 1e-4, 2e-4, 3e-4, 4e-4, 5e-4])
    assert advise(ladder, target=80.0, step=0.025e-3, limits=(79.9, 80.1)).advised.shim_m == pytest.approx(
        exact, abs=0.03e-3
    )


def test_chance_to_land_within_limits(ladder: list[Member]) -> None:
    """Between 0 and 1, largest where the prediction lies deepest within, and none without limits."""
    found = advise(ladder, target=80.0, limits=(76.0, 84.0))
    chances = [c.chance for c in found.candidates]
    assert all(c is not None and 0.0 <= c <= 1.0 for c in chances)
    assert found.advised.chance == max(c for c in chances if c is not None)
    assert found.advised.u_Nm >= 0.015 * found.advised.preload_torque_Nm  # a refit scatters by that alone


def test_beyond_the_ladder(ladder: list[Member]) -> None:
    """A little beyond is answered with its doubt, far beyond is refused with what can be reached."""
    near = advise(ladder, target=94.0, way="ladder")
    assert near.advised.extrapolated
    assert any("extrapolation" in note for note in near.notes)
    with pytest.raises(FitError, match=r"not within reach: shims from .* give .*; the nearest in reach is"):
        advise(ladder, target=150.0, way="ladder")


def test_far_beyond_the_ladder_both_courses_are_in_the_doubt(ladder: list[Member]) -> None:
    """Springs and bent line part the farther the more; half of that is in the doubt, beside a refit's 1.5 %,
    and none within."""
    alone, both = (at(ladder, 0.5e-3, way) for way in ("ladder", "both"))
    apart = abs(alone.preload_torque_Nm - both.preload_torque_Nm)
    assert apart > 1.0
    assert both.u_Nm >= np.hypot(0.5 * apart, 0.015 * both.preload_torque_Nm)
    within = at(ladder, 0.15e-3, "both")
    assert within.u_Nm < np.hypot(0.5 * apart, 0.015 * within.preload_torque_Nm)


def test_one_build_and_its_stated_force(drawer_of: Callable[[int], Drawer]) -> None:
    """The curve of the springs through one build; without the force nobody knows how far they are
    pressed."""
    drawer = drawer_of(31)
    one = drawer.visit(State(), drawer.errors(), drawer.force())
    found = at([one], 0.3e-3)
    assert found.low_Nm <= preload(0.3e-3) <= found.high_Nm
    bare = replace(
        one,
        characterisation=one.characterisation.model_copy(
            update={
                "parameters": {
                    n: p for n, p in one.characterisation.parameters.items() if n != "spring_force"
                }
            }
        ),
    )
    with pytest.raises(FitError, match="state the spring force"):
        advise([bare], target=80.0)
    with pytest.raises(FitError, match="two different shims"):
        advise([one], target=80.0, way="ladder")


def test_springs_that_the_ladder_disproves_are_left_out(ladder: list[Member]) -> None:
    """A third of the cone height: such discs are flat long before; told, never in silence."""
    wrong = []
    for rung in ladder:
        assert rung.springs is not None
        flat = rung.springs.model_copy(update={"cone_height_m": 0.16e-3})
        facts = rung.facts.model_copy(update={"disc_spring": flat})
        result = rung.characterisation.model_copy(update={"builds": [facts]})
        wrong.append(replace(rung, characterisation=result))
    found = advise(wrong, target=80.0)
    assert found.way == "ladder"
    assert any("left out" in note for note in found.notes)


def test_height_lost_by_the_simulator_s_springs() -> None:
    """Forces by independent code, at 0.9 mm and at 0.9 mm less 150 µm: the height comes back to a thousandth
    of a micrometre."""
    before, after = (scenario.Q17_STACK.force(s) for s in (0.9e-3, 0.75e-3))
    found = height_loss(STACK, force=before, force_u=0.0, ratio=after / before, ratio_u=0.0)
    assert found.value == pytest.approx(150e-6, abs=1e-9)
    assert found.u == 0.0
    doubtful = height_loss(STACK, force=before, force_u=60.0, ratio=after / before, ratio_u=0.02)
    assert doubtful.u == pytest.approx(np.hypot(*doubtful.budget.values()))


@pytest.fixture(scope="module")
def exact_rungs(measure: Callable[..., Characterisation], true_unit: Unit) -> list[Characterisation]:
    """Builds with the simulator's springs, each preload known to 0.01 N·m."""
    rungs = []
    for i, shim in enumerate(SHIMS):
        unit = replace(true_unit, spring_force=scenario.Q17_STACK.force(scenario.Q17_SQUEEZE + shim))
        result = measure(unit, u={"preload_torque": 0.01})
        facts = result.builds[0].model_copy(
            update={"build": f"Q17-{i}", "shim_m": shim, "disc_spring": SPRINGS}
        )
        visit = result.provenance.model_copy(update={"inputs": {f"sweep-{i}.csv": f"{i:064x}"}})
        told = {"builds": [facts], "build": f"Q17-{i}", "limits": [], "provenance": visit}
        rungs.append(result.model_copy(update=told))
    return rungs


def test_builds_of_one_visit_are_no_ladder(exact_rungs: list[Characterisation]) -> None:
    """Told in words, not in those of the library that cannot invert a matrix."""
    one = exact_rungs[0].provenance
    alike = [rung.model_copy(update={"provenance": one}) for rung in exact_rungs]
    for way in ("ladder", "both"):
        with pytest.raises(FitError, match=r"whole doubt in common.* Mend: name results of a visit each"):
            advise(alike, target=80.0, way=way)  # type: ignore[arg-type]


@pytest.mark.parametrize(("way", "within"), [("both", 0.02), ("ladder", 0.2)])
def test_courses_pass_through_exact_rungs(
    exact_rungs: list[Characterisation], true_unit: Unit, way: Way, within: float
) -> None:
    """The springs' curve finds the preload in between to a hundredth or two of a newton metre, the bent line
    within its own doubt, and both within their intervals."""
    found = at(exact_rungs, 0.15e-3, way)
    between = replace(true_unit, spring_force=scenario.Q17_STACK.force(scenario.Q17_SQUEEZE + 0.15e-3))
    true = between.derived(4.0)["preload_torque_Nm"]
    assert found.preload_torque_Nm == pytest.approx(true, abs=within)
    assert found.low_Nm <= true <= found.high_Nm
