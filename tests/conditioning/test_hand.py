"""Hand readings: what each arrangement says of the locking torque, and what is never guessed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from scipy.stats import chi2, norm, t

from diffbench.conditioning import ConditionedVisit, Friction, hand_readings
from diffbench.conditioning.hand import scatter_of, step_of
from diffbench.documents import Rig
from diffbench.errors import RecordingError
from diffbench.recording import Recording

RecordingOf = Callable[..., Recording]
RigOf = Callable[..., Rig]

FREE, HELD = "output-turned-case-free", "output-turned-case-held"
WRENCH = {"unit": "N.m", "u_gain": 0.01, "u_zero": "0.3 N.m"}


@pytest.fixture
def wrench(rig_of: RigOf) -> Rig:
    """Case free unless the readings say otherwise; nothing else is known."""
    return rig_of(FREE, turning_torque=WRENCH)


@pytest.fixture
def readings(recording_of: RecordingOf) -> RecordingOf:
    """Return a function that makes a recording of readings with the labels given."""

    def make(values: list[float], **labels: Any) -> Recording:
        told = {
            name: (words,) * len(values) if isinstance(words, str) else tuple(words)
            for name, words in labels.items()
        }
        torque = np.array(values)
        return recording_of(np.arange(torque.size, dtype=np.float64), labels=told, turning_torque=torque)

    return make


def condition(rig: Rig, recording: Recording) -> ConditionedVisit:
    return hand_readings(rig, recording, rig_key="R", visit_key="V")


def test_case_free_reads_half_the_locking_torque(wrench: Rig, readings: RecordingOf) -> None:
    """No input torque, equal and opposite torques at the outputs: P = 2 W."""
    (run,) = condition(wrench, readings([42.0, 43.0, 44.0], reading="running")).runs
    np.testing.assert_allclose(run.locking, [84.0, 86.0, 88.0])
    np.testing.assert_allclose(run.input_torque, 0.0)
    assert (run.friction_state == Friction.KINETIC).all()
    assert run.history_known


@pytest.mark.parametrize(("direction", "flank"), [("forward", -1.0), ("backward", 1.0)])
def test_case_held_reads_the_locking_torque_at_its_own_input_torque(
    direction: str, flank: float, rig_of: RigOf, readings: RecordingOf
) -> None:
    """W = T_lock(W): forward the coast flank bears, backward the drive flank."""
    rig = rig_of(HELD, turning_torque=WRENCH)
    (run,) = condition(rig, readings([120.0, 124.0], reading="breakaway", direction=direction)).runs
    np.testing.assert_allclose(run.locking, [120.0, 124.0])
    np.testing.assert_allclose(run.input_torque, [flank * 120.0, flank * 124.0])
    assert (run.friction_state == Friction.STATIC).all()


def test_readings_of_one_sheet_fall_into_groups(wrench: Rig, readings: RecordingOf) -> None:
    """Each arrangement, direction and kind is a run; too few repeats say nothing of their scatter."""
    recording = readings(
        [40.0, 42.0, 200.0, 206.0, 120.0],
        arrangement=[FREE, FREE, HELD, HELD, HELD],
        direction=["forward", "forward", "backward", "backward", "forward"],
        reading=["running", "running", "running", "running", "breakaway"],
    )
    runs = condition(wrench, recording).runs
    assert [run.samples for run in runs] == [2, 2, 1]
    # 3 % of the mean reading (common practice, no source), twice with the case free
    assert [run.noise for run in runs] == pytest.approx([2.0 * 0.03 * 41.0, 0.03 * 203.0, 0.03 * 120.0])


def test_scatter_is_pooled_over_all_repeats_as_a_share_of_the_reading(
    wrench: Rig, readings: RecordingOf
) -> None:
    """Deviations of ∓1/40 and ∓2/200 in two groups of two and ∓3/100, 0 in one of three: by hand,
    s² = (2/1600 + 2/10000 + 18/10000)/4."""
    recording = readings(
        [39.0, 41.0, 198.0, 202.0, 97.0, 100.0, 103.0],
        arrangement=[FREE, FREE, HELD, HELD, HELD, HELD, HELD],
        direction=["forward"] * 4 + ["backward"] * 3,
        reading="running",
    )
    visit = condition(wrench, recording)
    share = np.sqrt((2 / 1600 + 2 / 10_000 + 18 / 10_000) / 4)
    assert [run.noise for run in visit.runs] == pytest.approx([2 * share * 40, share * 200, share * 100])
    assert visit.by_hand is not None
    assert visit.by_hand.freedom == 4.0
    assert "pooled over all repeats" in visit.by_hand.told


def test_pooled_repeatability_is_that_of_the_gum(wrench: Rig, readings: RecordingOf) -> None:
    """JCGM 100:2008, Table H.9: five readings on each of ten days about 10 V, with these means and standard
    deviations in µV; pooled 85 µV with 40 degrees of freedom. Of as many torques about 10 N·m."""
    means = [172, 116, 13, 144, 106, 31, 60, 125, 163, 41]
    spreads = [60, 77, 111, 101, 67, 93, 80, 73, 88, 86]
    pattern = np.array([-2.0, -1.0, 0.0, 1.0, 2.0]) / np.sqrt(2.5)  # of standard deviation one
    shapes = [(10.0 + 1e-6 * (m + s * pattern)) * 1.0 for m, s in zip(means, spreads, strict=True)]
    found = scatter_of(
        np.concatenate(shapes), [list(range(5 * i, 5 * i + 5)) for i in range(10)], stated=None, step=0.0
    )
    assert found.freedom == 40.0
    assert 1e6 * 10.0 * found.relative == pytest.approx(85.0, rel=0.005)
    assert not found.doubtful


def test_rounding_is_part_of_what_a_reading_is_worth(rig_of: RigOf, readings: RecordingOf) -> None:
    """JCGM 100:2008, F.2.2.1: a step has the standard uncertainty step/√12. Four repeats that are all rounded
    alike claim no less together; a stated scatter comes beside it."""
    alike = condition(
        rig_of(FREE, turning_torque=WRENCH | {"resolution": "2 N.m"}),
        readings([40.0, 40.0, 40.0, 40.0], reading="running"),
    )
    assert alike.runs[0].noise / np.sqrt(4.0) == pytest.approx(2.0 * 2.0 / np.sqrt(12.0))
    stated = condition(
        rig_of(FREE, turning_torque=WRENCH | {"resolution": "2 N.m", "u_reading": 0.02}),
        readings([40.0, 42.0, 38.0, 40.0], reading="running"),
    )
    assert stated.runs[0].noise == pytest.approx(2.0 * np.hypot(0.02 * 40.0, 2.0 / np.sqrt(12.0)), rel=0.01)
    assert stated.by_hand is not None
    assert "stated" in stated.by_hand.told


def test_a_reading_far_off_is_doubtful_and_stays(wrench: Rig, readings: RecordingOf) -> None:
    """A slip of the pen, 420 for 42.0, counts as little as it is off, and is named by its line."""
    values = [42.0, 42.4, 41.7, 420.0, 42.2, 41.9, 42.1, 42.3]
    visit = condition(wrench, readings(values, reading="running"))
    assert sum(run.samples for run in visit.runs) == len(values)
    assert not any(run.dropped for run in visit.runs)
    clean, apart = visit.runs
    assert clean.noise < 1.0
    assert apart.noise == pytest.approx(2.0 * (420.0 - np.mean([v for v in values if v < 100.0])), rel=0.01)
    (finding,) = (f for f in visit.findings if f.name != "temperature not read")
    assert (finding.name, finding.severity) == ("doubtful reading", "caveat")
    assert "reading 4" in finding.where


def test_turning_speed_is_a_column_or_a_range_or_what_hands_do(
    rig_of: RigOf, recording_of: RecordingOf, readings: RecordingOf
) -> None:
    """With the case held the other output turns back as fast: twice the speed difference."""
    labels = {"reading": ("running",) * 2, "direction": ("forward",) * 2, "arrangement": (FREE, HELD)}
    rig = rig_of(FREE, turning_torque=WRENCH, turning_speed={"unit": "rad/s"})
    told = recording_of(
        np.arange(2.0),
        labels=labels,
        turning_torque=np.array([42.0, 120.0]),
        turning_speed=np.array([0.3, -0.2]),
    )
    visit = condition(rig, told)
    assert [run.cells.speed_difference[0] for run in visit.runs] == pytest.approx([0.3, 0.4])
    assert visit.by_hand is not None
    assert (visit.by_hand.turning_u, visit.by_hand.stated) == (0.0, True)
    plain = condition(rig_of(FREE, turning_torque=WRENCH), readings([42.0], reading="running"))
    assert plain.by_hand is not None
    # half the logarithm of 1/0.05 over √3, a rectangle
    assert plain.by_hand.turning_u == pytest.approx(0.5 * np.log(20.0) / np.sqrt(3.0))
    assert not plain.by_hand.stated
    rest = condition(rig_of(FREE, turning_torque=WRENCH), readings([42.0], reading="breakaway"))
    np.testing.assert_allclose(rest.runs[0].cells.speed_difference, 0.0)


def test_gain_and_zero_of_the_wrench_act_on_torque_and_flank(rig_of: RigOf, readings: RecordingOf) -> None:
    """1 % and 0.3 N·m: on the locking torque once, case held, and on the input torque with the flank's
    sign."""
    rig = rig_of(HELD, turning_torque=WRENCH)
    visit = condition(rig, readings([100.0, 100.0], reading="running", direction="forward"))
    (run,) = visit.runs
    gain, zero = run.effects["R:turning_torque.gain"], run.effects["V:turning_torque.zero"]
    np.testing.assert_allclose(gain.difference, 1.0)
    np.testing.assert_allclose(gain.input_torque, -1.0)
    np.testing.assert_allclose(zero.difference, 0.3)
    np.testing.assert_allclose(zero.input_torque, -0.3)
    assert visit.sources["R:turning_torque.gain"].u == 0.01


def test_a_negative_reading_is_a_way_of_writing(wrench: Rig, readings: RecordingOf) -> None:
    """Some sheets give backward turns a minus: magnitude counts, direction is a label."""
    (run,) = condition(wrench, readings([-43.0, 43.0], reading="running")).runs
    np.testing.assert_allclose(run.locking, 86.0)


def test_stated_calibration_is_applied(rig_of: RigOf, readings: RecordingOf) -> None:
    rig = rig_of(FREE, turning_torque={"gain": 1.05, "zero": "-1 N.m"})
    (run,) = condition(rig, readings([40.0], reading="running")).runs
    np.testing.assert_allclose(run.locking, 2 * (40.0 * 1.05 - 1.0))
    visit = condition(rig, readings([40.0], reading="running"))
    assert any("u_gain of turning_torque is not stated" in note.text for note in visit.notes)


def test_an_empty_cell_is_counted_not_guessed(wrench: Rig, readings: RecordingOf) -> None:
    runs = condition(wrench, readings([42.0, np.nan, 43.0], reading="running")).runs
    assert sum(run.samples for run in runs) == 3
    assert sum(int(run.cells.count.sum()) for run in runs) == 2
    assert runs[0].dropped == {"missing reading": 1}


@pytest.mark.parametrize("missing", ["reading", "direction"])
def test_what_is_not_told_is_refused(missing: str, rig_of: RigOf, readings: RecordingOf) -> None:
    """Breakaway or running, and with the case held the direction: no default looks like a result."""
    rig = rig_of(HELD, turning_torque=WRENCH)
    labels = {"reading": "running", "direction": "forward"}
    del labels[missing]
    with pytest.raises(RecordingError, match=f"nothing says the {missing} of the readings") as caught:
        condition(rig, readings([100.0], **labels))
    (fault,) = caught.value.faults
    assert fault.place.key == f"channel.{missing}"
    assert "never guessed" in fault.mend


def test_arrangement_of_readings_on_a_driven_rig_is_refused(rig_of: RigOf, readings: RecordingOf) -> None:
    """A cell with both outputs says nothing about how a wrench was put on."""
    rig = rig_of(left_torque={}, right_torque={}, left_speed={}, right_speed={}, turning_torque=WRENCH)
    with pytest.raises(RecordingError, match="nothing says the arrangement of the readings"):
        condition(rig, readings([43.0], reading="running"))


def test_a_column_without_numbers_is_refused(wrench: Rig, readings: RecordingOf) -> None:
    with pytest.raises(RecordingError, match="no reading holds a number") as caught:
        condition(wrench, readings([np.nan, np.nan], reading="running"))
    assert caught.value.faults[0].place.file == "sweep.csv"


def test_temperatures_go_with_their_readings(rig_of: RigOf, recording_of: RecordingOf) -> None:
    """A missing one takes the mean of the others."""
    rig = rig_of(FREE, turning_torque=WRENCH, oil_temperature={"u_zero": "1 K"})
    recording = recording_of(
        np.arange(3.0),
        labels={"reading": ("running",) * 3},
        turning_torque=np.array([42.0, 43.0, 44.0]),
        oil_temperature=np.array([20.0, np.nan, 24.0]),
    )
    visit = condition(rig, recording)
    assert visit.runs[0].cells.oil is not None
    np.testing.assert_allclose(visit.runs[0].cells.oil, [20.0, 22.0, 24.0])
    assert visit.temperature_u == 1.0


def test_a_temperature_that_no_unit_has_is_none(rig_of: RigOf, recording_of: RecordingOf) -> None:
    """An open thermocouple: one reading goes with the mean of the others, told; most are refused."""
    rig = rig_of(FREE, turning_torque=WRENCH, oil_temperature={})

    def visit(*oil: float) -> ConditionedVisit:
        labels = {"reading": ("running",) * 3}
        torque = np.array([42.0, 43.0, 44.0])
        return condition(
            rig,
            recording_of(np.arange(3.0), labels=labels, turning_torque=torque, oil_temperature=np.array(oil)),
        )

    found = visit(20.0, 1372.0, 24.0)
    assert "1 of 3 samples" in {f.name: f.evidence for f in found.findings}["open or shorted sensor"]
    assert found.runs[0].cells.oil is not None
    np.testing.assert_allclose(found.runs[0].cells.oil, [20.0, 22.0, 24.0])
    with pytest.raises(RecordingError, match="open or shorted sensor"):
        visit(1372.0, 1372.0, 24.0)


def test_drag_of_the_turned_shaft_is_no_locking_torque(rig_of: RigOf, readings: RecordingOf) -> None:
    """42 N·m less 0.5 N·m, twice; its doubt of 0.1 N·m twice as well."""
    torque = {"unit": "N.m", "drag": {"value": "0.5 N.m", "u": "0.1 N.m"}}
    visit = condition(rig_of(FREE, turning_torque=torque), readings([42.0, 42.0], reading="running"))
    (run,) = visit.runs
    np.testing.assert_allclose(run.locking, 83.0)
    (effect,) = run.effects.values()
    np.testing.assert_allclose(np.abs(effect.difference), 0.2)


def test_readings_outside_the_range_are_left_out_and_counted(rig_of: RigOf, readings: RecordingOf) -> None:
    rig = rig_of(FREE, turning_torque={"unit": "N.m", "range": ["0 N.m", "100 N.m"]})
    (run,) = condition(rig, readings([42.0, 420.0, np.nan, 44.0], reading="running")).runs
    np.testing.assert_allclose(run.locking, [84.0, 88.0])
    assert run.dropped == {"outside the channel's range": 1, "missing reading": 1}
    assert run.samples == 4
    with pytest.raises(RecordingError, match="within the channel's range"):
        condition(rig, readings([420.0, 421.0], reading="running"))


@pytest.mark.parametrize("factor", [0.0, 1e-12])
def test_readings_of_nothing_are_no_preload(factor: float, wrench: Rig, readings: RecordingOf) -> None:
    with pytest.raises(RecordingError, match="no unit that turns reads so little") as caught:
        condition(wrench, readings([factor * 42.0, factor * 43.0], reading="running"))
    assert "unit" in caught.value.faults[0].mend


def test_a_reading_of_nothing_among_others_is_named(wrench: Rig, readings: RecordingOf) -> None:
    with pytest.raises(RecordingError, match="0 N·m at the unit is no reading") as caught:
        condition(wrench, readings([42.0, 0.0, 43.0], reading="running"))
    assert caught.value.faults[0].place.key == "reading 2"


def test_repeats_that_are_all_alike_show_their_scale_by_what_differs(
    rig_of: RigOf, readings: RecordingOf
) -> None:
    """11, 26 and 30 N·m, each five times: a scale of 1 N·m, by no gap of which the others are multiples. Its
    rounding, 1/√12 N·m, is one and the same in five alike: √5 of it each, and the mean has it whole."""
    rig = rig_of(HELD, turning_torque=WRENCH)
    values = [11.0] * 5 + [26.0] * 5 + [30.0] * 5
    labels = {
        "arrangement": [FREE] * 5 + [HELD] * 10,
        "direction": ["forward"] * 10 + ["backward"] * 5,
        "reading": "running",
    }
    visit = hand_readings(rig, readings(values, **labels), rig_key="R", visit_key="V")
    sizes = [
        run.noise / abs(run.difference[0] / run.cells.readings["turning_torque"][0]) for run in visit.runs
    ]
    np.testing.assert_allclose(sizes, np.sqrt(5.0 / 12.0), rtol=0.02)


def test_a_temperature_that_nobody_read_is_a_range(wrench: Rig, readings: RecordingOf) -> None:
    """A unit on a bench is 5 to 35 °C warm (common practice, no source): a rectangle's standard deviation."""
    found = condition(wrench, readings([42.0, 43.0, 44.0], reading="running"))
    assert ("temperature not read", "caveat") in [(f.name, f.severity) for f in found.findings]
    assert found.temperature_u == pytest.approx(30.0 / np.sqrt(12.0))
    oil = found.runs[0].cells.oil
    assert oil is not None
    np.testing.assert_allclose(oil, 20.0)


def test_repeats_that_tell_against_themselves_are_named(rig_of: RigOf, readings: RecordingOf) -> None:
    """None, all alike to the last digit, or far apart: each is a caveat, and the scatter no smaller than
    what is known of it. Of 42.5 and 4.25, two deviations of 9/11 beside four degrees of freedom of 3 %
    (common practice, no source): s² = (4 · 0.03² + 2 (9/11)²)/5."""

    def condition_of(values: list[float], **stated: object) -> tuple[list[str], float]:
        visit = condition(rig_of(FREE, turning_torque=WRENCH | stated), readings(values, reading="running"))
        found = [f for f in visit.findings if f.name != "temperature not read"]
        assert all(f.severity == "caveat" for f in found)
        return [f.name for f in found], visit.runs[0].noise / 2.0

    names, noise = condition_of([42.5])
    assert names == ["readings not repeated"]
    assert noise == pytest.approx(0.03 * 42.5)
    names, noise = condition_of([42.5] * 6)
    assert names == ["repeats all alike"]
    assert noise / np.sqrt(6) == pytest.approx(0.03 * 42.5)  # of all six together
    assert condition_of([42.5] * 6, resolution="0.5 N.m")[0] == []
    names, noise = condition_of([42.5, 4.25])
    assert names == ["repeats far apart"]
    assert noise == pytest.approx(23.375 * np.sqrt((4 * 0.03**2 + 2 * (9 / 11) ** 2) / 5))
    # a scatter of 4 % where 2 % is stated (χ² = 28 of seven degrees of freedom): what repeats show counts
    apart = [41.5, 38.5] * 4
    names, noise = condition_of(apart, u_reading=0.02)
    assert names == ["repeats far apart"]
    assert noise == pytest.approx(np.std(apart, ddof=1), rel=0.01)
    assert condition_of(apart, u_reading=0.04)[0] == []


@pytest.mark.parametrize("step", [0.0, 0.5, 2.0])
@pytest.mark.parametrize("stated", [None, 0.012, 0.03])
def test_a_reading_is_doubtful_from_some_distance_on(stated: float | None, step: float) -> None:
    """And stays so however far it is off; three other groups say nothing against it."""
    noise = 0.011 * np.random.default_rng(31).normal(size=13)
    level = np.array([40.0] * 6 + [103.0] * 4 + [71.0] * 3)
    groups = [[*range(6)], [*range(6, 10)], [10, 11], [12]]
    doubts = []
    for factor in np.geomspace(1.01, 1.9, 60):
        torque = level * (1.0 + noise)
        torque[2] = 40.0 * factor
        torque = np.round(torque / step) * step if step else torque
        found = scatter_of(torque, groups, stated=stated, step=step)
        doubts.append(len(found.doubtful))
        assert set(found.doubtful) <= {2}
    assert doubts == sorted(doubts)
    assert (doubts[0], doubts[-1]) == (0, 1)


@pytest.mark.parametrize("repeats", [1, 2, 3, 5])
@pytest.mark.parametrize("keys", [{}, {"u_reading": 0.02}, {"resolution": "1.3 N.m"}])
def test_scatter_that_grows_is_told_of_from_some_size_on(
    repeats: int, keys: dict[str, Any], rig_of: RigOf, readings: RecordingOf
) -> None:
    """Repeats that are alike, few, many, or farther apart than is stated; or one of them is doubtful."""
    rig = rig_of(FREE, turning_torque=WRENCH | keys)
    noise = np.random.default_rng(32).normal(size=2 * repeats)
    level = np.repeat([41.0, 87.0], repeats)
    kinds = ["running"] * repeats + ["breakaway"] * repeats
    apart = []
    for size in (0.0, *np.geomspace(0.002, 0.12, 40)):
        visit = condition(rig, readings((level * (1.0 + size * noise)).tolist(), reading=kinds))
        told = {finding.name for finding in visit.findings}
        apart.append(bool(told & {"repeats far apart", "doubtful reading"}))
        assert visit.by_hand is not None
        assert ("readings not repeated" in told) is (repeats == 1)
    assert not apart[0]
    assert apart[-1] or repeats < 3


@pytest.mark.parametrize("digits", [0.0, 0.02, 0.25, 1.0, 2.5])
def test_the_step_of_a_scale_is_what_all_readings_are_multiples_of(digits: float) -> None:
    """By readings of many sizes, with rounding of the numbers themselves; a fine scale shows none."""
    values = np.random.default_rng(33).uniform(30.0, 110.0, 25)
    shown = np.round(values / digits) * digits if digits else values
    assert step_of(shown) == pytest.approx(digits, abs=1e-9)
    assert step_of(np.array([0.0, 0.0, 7.5])) == 0.0


def border(told: Callable[[float], bool], low: float, high: float) -> float:
    """Where something that is not so at the one end and is at the other becomes so."""
    assert not told(low)
    assert told(high)
    for _ in range(50):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if told(middle) else (middle, high)
    return high


def test_a_reading_is_doubtful_beyond_what_chance_does_in_a_thousand_files() -> None:
    """Where 3 % is stated, of twenty readings: |r/r̄ − 1| over 0.03 √(5/6) is the normal deviate that one of
    twenty passes either way by a chance of a thousandth."""
    groups = [[*range(6)], [*range(6, 20)]]

    def readings_of(factor: float) -> np.ndarray:
        return np.concatenate([[40.0 * factor], np.full(5, 40.0), np.full(14, 90.0)])

    at = border(lambda f: bool(scatter_of(readings_of(f), groups, stated=0.03, step=0.0).doubtful), 1.0, 2.0)
    off = at / ((at + 5.0) / 6.0) - 1.0
    assert off / (0.03 * np.sqrt(5.0 / 6.0)) == pytest.approx(norm.isf(1e-3 / 40.0), rel=1e-9)
    found = scatter_of(readings_of(1.5), groups, stated=0.03, step=0.0)
    # named with the mean of the others, by which it is off
    assert found.doubtful == {0: pytest.approx(40.0)}
    assert found.sigma[0] == pytest.approx(20.0)
    assert found.sigma[1] == pytest.approx(0.03 * 40.0)


@pytest.mark.parametrize(("repeats", "within"), [(4, 0.06), (14, 0.01), (40, 0.002)])
def test_a_reading_is_held_against_its_repeats_by_student_s_t(repeats: int, within: float) -> None:
    """Externally studentised: its own deviation is left out of the scatter of two groups, one of its
    degrees of freedom with it; of n readings t at a thousandth over 2 n."""
    pattern = 1.0 + 0.02 * np.array([1.0, -1.0])
    level = np.concatenate([50.0 * np.resize(pattern, repeats), 90.0 * np.resize(pattern, repeats)])
    groups = [[*range(repeats)], [*range(repeats, 2 * repeats)]]

    def readings_of(factor: float) -> np.ndarray:
        return np.concatenate([[50.0 * factor], level[1:]])

    at = border(lambda f: bool(scatter_of(readings_of(f), groups, stated=None, step=0.0).doubtful), 1.02, 3.0)
    torque = readings_of(at)
    off = [torque[rows] / torque[rows].mean() - 1.0 for rows in groups]
    square, apart = float(sum((part**2).sum() for part in off)), float(off[0][0] ** 2) / (1.0 - 1.0 / repeats)
    freedom = 2.0 * (repeats - 1)
    distance = np.sqrt(apart * (freedom - 1.0) / (square - apart))
    assert distance == pytest.approx(t.isf(1e-3 / (4.0 * repeats), freedom - 1.0), rel=within)


def test_of_two_that_differ_nobody_knows_which() -> None:
    """Nor of fewer than six degrees of freedom in all, where no scatter is stated; and two steps of a
    scale are never far."""
    pair = np.array([40.0, 80.0, *np.full(6, 90.0 + 1.0), 89.0])
    assert scatter_of(pair, [[0, 1], [*range(2, 9)]], stated=0.01, step=0.0).doubtful == {}
    # seven of one kind are six degrees of freedom, six are five
    steady = np.array([70.0, 50.0, 50.1, 49.9, 50.05, 49.95, 50.02])
    for count, told in ((7, True), (6, False)):
        found = scatter_of(steady[:count], [[*range(count)]], stated=None, step=0.0)
        assert bool(found.doubtful) is told
    coarse = np.array([40.0, 40.0, 40.0, 40.0, 40.0, 44.0])
    # 3.33 N·m off the mean of all
    assert scatter_of(coarse, [[*range(6)]], stated=0.01, step=1.67).doubtful == {}
    assert scatter_of(coarse, [[*range(6)]], stated=0.01, step=1.66).doubtful == {5: pytest.approx(40.0)}


def test_at_most_a_tenth_of_the_readings_are_doubtful() -> None:
    """Or one, of fewer than ten: more are no accidents. The farthest first."""
    for count, many in ((9, 1), (19, 1), (20, 2), (30, 3)):
        torque = np.full(count, 40.0)
        torque[:4] = [90.0, 80.0, 70.0, 60.0]
        found = scatter_of(torque, [[*range(count)]], stated=0.01, step=0.0)
        assert sorted(found.doubtful) == list(range(many))


@pytest.mark.parametrize(("repeats", "within"), [(4, 0.018), (8, 0.009), (21, 0.004)])
def test_repeats_scatter_by_more_than_is_stated_beyond_chance(repeats: int, within: float) -> None:
    """χ² of n − 1 degrees of freedom at a thousandth, the nearer the more there are; the rounding of a
    scale counts beside what is stated."""
    pattern = np.resize(np.array([1.0, -1.0]), repeats)
    pattern = pattern - pattern.mean()

    for step in (0.0, 3.0):

        def beyond(size: float, step: float = step) -> bool:
            found = scatter_of(40.0 * (1.0 + size * pattern), [[*range(repeats)]], stated=0.02, step=step)
            return found.relative != 0.02

        size = border(beyond, 0.001, 0.3)
        square = float(((size * pattern) ** 2).sum())
        allowed = 0.02**2 + (step / np.sqrt(12.0) / 40.0) ** 2
        assert square / allowed == pytest.approx(chi2.isf(1e-3, repeats - 1.0), rel=within)


def test_how_the_scatter_is_known_is_told() -> None:
    """By the rig, by repeats, by few of them beside what hands do, or by that alone."""
    none = scatter_of(np.array([40.0]), [[0]], stated=None, step=0.0)
    assert (none.relative, none.freedom) == (0.03, 4.0)
    assert none.told == "3 % of the reading, as too little repeats (common practice, no source)"
    stated = scatter_of(np.array([40.0]), [[0]], stated=0.012, step=0.0)
    assert (stated.relative, stated.freedom, stated.told) == (
        0.012,
        np.inf,
        "stated for one reading in the rig",
    )
    # 40 ± 4 N·m: two deviations of a tenth, one degree of freedom beside four of 3 %
    few = scatter_of(np.array([44.0, 36.0]), [[0, 1]], stated=None, step=0.0)
    both = np.sqrt((4.0 * 0.03**2 + 2.0 * 0.1**2) / 5.0)
    assert (few.relative, few.freedom) == (pytest.approx(both), 5.0)
    assert few.told == "6.9 % of the reading, as few repeats show"
    calm = scatter_of(np.array([40.4, 39.6]), [[0, 1]], stated=None, step=0.0)
    assert (calm.relative, calm.freedom) == (0.03, 4.0)
    pooled = scatter_of(np.array([40.4, 39.6, 40.4, 39.6]), [[0, 1, 2, 3]], stated=None, step=0.0)
    assert (pooled.relative, pooled.freedom) == (pytest.approx(0.01 * np.sqrt(4.0 / 3.0)), 3.0)
    assert pooled.told == "pooled over all repeats, 3 degrees of freedom"
    alike = scatter_of(np.full(4, 40.0), [[0, 1, 2, 3]], stated=None, step=0.0)
    assert (alike.relative, alike.freedom) == (0.03, 4.0)
    assert (
        alike.told
        == "3 % of the reading for repeats together, as they are all alike (common practice, no source)"
    )
    # four worth one: two of the scatter each
    assert alike.sigma.tolist() == pytest.approx([2.0 * 0.03 * 40.0] * 4)


def test_no_reading_is_better_than_a_thousandth() -> None:
    """However alike its repeats are, but for a step of the scale."""
    nearly = scatter_of(np.array([40.0, 40.0, 40.0, 40.0001]), [[0, 1, 2, 3]], stated=None, step=0.0)
    assert nearly.sigma.tolist() == pytest.approx([0.04] * 4, rel=1e-5)


def test_rounding_is_the_same_in_repeats_that_scatter_by_less_than_a_step() -> None:
    """Of scatter σ the share e^(−4π²σ²/s²) of s²/12: 4 repeats of 40 N·m within 1 %, a step of 2 N·m. Repeats
    hold their rounding already: 0.4² · 4/3 − 4/12 N²·m² is less than nothing."""
    stated = scatter_of(np.full(4, 40.0), [[0, 1, 2, 3]], stated=0.01, step=2.0)
    same = np.exp(-4.0 * np.pi**2 * 0.4**2 / 4.0)
    assert stated.sigma.tolist() == pytest.approx([np.sqrt(0.16 + 4.0 / 12.0 * (1.0 + 3.0 * same))] * 4)
    pooled = scatter_of(np.array([44.0, 40.0, 36.0, 40.0]), [[0, 1, 2, 3]], stated=None, step=2.0)
    hand = 32.0 / 3.0 - 4.0 / 12.0  # the repeats' own variance, less the rounding in it
    same = np.exp(-4.0 * np.pi**2 * hand / 4.0)
    assert pooled.sigma.tolist() == pytest.approx([np.sqrt(hand + 4.0 / 12.0 * (1.0 + 3.0 * same))] * 4)


@pytest.mark.parametrize(
    ("values", "step"),
    [
        ([11.0, 26.0, 30.0], 1.0),
        ([12.5, 17.5, 40.0], 2.5),
        ([7.5, 7.5, 7.5], 0.0),
        ([4.0, 4.0, 10.0], 2.0),
        # ten times what conversions leave, a hundred-thousandth of the largest: 0.00425 of 42.5
        ([42.5012, 42.5055], 0.0043),
        ([42.4998, 42.504], 0.0),
    ],
)
def test_the_step_of_a_scale_by_hand(values: list[float], step: float) -> None:
    """The largest that all are multiples of, from nothing on."""
    assert step_of(np.array(values)) == pytest.approx(step, abs=2e-4)


def test_what_is_told_of_repeats_is_told_word_for_word(rig_of: RigOf, readings: RecordingOf) -> None:
    """Which kind, by how much, from where to where, and what to do."""

    def told(values: list[float], kinds: list[str] | str = "running", **keys: object) -> dict[str, Any]:
        visit = condition(rig_of(FREE, turning_torque=WRENCH | keys), readings(values, reading=kinds))
        return {f.name: f for f in visit.findings if f.name != "temperature not read"}

    again = "Take each kind five times, each from rest, and write every one down as it was read."
    single = told([42.5])["readings not repeated"]
    assert single.evidence == "No kind of reading was taken twice."
    assert single.effect == (
        "A slip of the pen or of the hand would not show; how much a reading scatters is as is common."
    )
    assert single.mend == again
    assert told([42.5], u_reading=0.02)["readings not repeated"].effect.endswith("scatters is as stated.")
    alike = told([42.5] * 4)["repeats all alike"]
    assert alike.evidence == "3 repeats differ from none of their kind in any digit."
    assert alike.effect == "They are worth one reading a kind, to 3 % (common practice, no source)."
    assert alike.mend == f"State resolution in [channel.turning_torque] if the scale is so coarse. {again}"
    scale = told([11.0] * 3 + [26.0] * 3, ["running"] * 3 + ["breakaway"] * 3)["repeats all alike"]
    assert scale.effect == (
        "They are worth what the step of the scale leaves, which all readings together show."
    )
    assert told([42.5] * 3) == {}  # two degrees of freedom say nothing
    kinds = ["running"] * 4 + ["breakaway"] * 4
    apart = told([40.0, 41.0, 40.0, 41.0, 70.0, 100.0, 70.0, 100.0], kinds)["repeats far apart"]
    share = np.sqrt((4 * (0.5 / 40.5) ** 2 + 4 * (15.0 / 85.0) ** 2) / 6.0)
    assert apart.evidence == (
        f"Repeats scatter by {100 * share:.3g} % of the reading: from 70 to 100 N·m here."
    )
    assert apart.where == f"sweep.csv ({FREE}, forward, breakaway)"
    assert apart.mend == f"Look for a decimal point, a unit or a kind that was mistaken. {again}"
    stated = told([40.0, 48.0] * 4, u_reading=0.02)["repeats far apart"]
    assert stated.evidence == (
        f"Repeats scatter by {100 * np.sqrt(8.0 / 7.0) / 11.0:.3g} % of the reading, and 2 % is stated: "
        f"from 40 "
        "to 48 N·m here."
    )
    # 8 % is the border
    for size, found in ((0.0692, False), (0.0694, True)):
        values = [40.0 * (1.0 + size * sign) for sign in (1, -1, 1, -1)]
        assert bool(told(values)) is found
    slip = told([42.0, 42.4, 41.7, 420.0, 42.2, 41.9, 42.1, 42.3])["doubtful reading"]
    assert slip.where == "sweep.csv, reading 4"
    assert slip.evidence.startswith("It is 420 N·m, its repeats are 42.09 N·m and scatter by ")
    assert slip.effect == "It counts as little as it is off."
