"""Parts of a result by hand: what was tested to a hair, one build out of two, what would help next."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from diffbench.doubts import Source
from diffbench.results import (
    Characterisation,
    Correlation,
    Evidence,
    FormState,
    Gain,
    LawVerdict,
    LimitVerdict,
    NextTest,
    Parameter,
)
from diffbench.results.discrepancy import DiscrepancyState

Results = Callable[..., Characterisation]
Forms = Callable[..., FormState]
Region = Callable[..., Any]


def quantity(value: float | None, u: float | None = None, **changes: Any) -> Parameter:
    known = {"unit": "1", "status": "measured", "meaning": ""}
    low, high = (None, None) if value is None or u is None else (value - 2.0 * u, value + 2.0 * u)
    return Parameter(**{**known, "value": value, "u": u, "low": low, "high": high, **changes})


class TestCovered:
    """Places beside what was swept, at the least distance that counts and just beyond."""

    @staticmethod
    def of(region: Any, torque: float, speed: float = 5.0, heat: float = 60.0) -> bool:
        found = region.covers(np.array([torque]), np.array([speed]), np.array([heat]), "loading")
        assert found.shape == (1,)
        assert found.dtype == bool
        return bool(found[0])

    @pytest.mark.parametrize("beside", [0.9e-8, 1.1e-8])
    def test_nodes_have_nine_digits(self, beside: float, region_of: Region) -> None:
        region, inside = region_of(), beside < 1e-8
        for place in (
            (600.0 + beside,), (-300.0 - beside,), (0.0, 1.5 - beside), (0.0, 10.0 + beside),
            (0.0, 5.0, 48.0 - beside), (0.0, 5.0, 76.0 + beside),
        ):  # fmt: skip
            assert self.of(region, *place) is inside, place

    @pytest.mark.parametrize(
        ("reach", "beside", "inside"),
        [
            # one torque is held to 1.2 % of a newton metre, so that a range of twice that is one
            (0.0, 0.0119, True), (0.0, 0.0121, False), (0.0239, 0.0119, True), (0.0239, 0.0121, False),
            (0.0245, 0.005, False), (5.0, 0.05, False), (5.0, 0.9e-8, True),
        ],
    )  # fmt: skip
    def test_one_torque_wobbles(self, reach: float, beside: float, inside: bool, region_of: Region) -> None:
        region = region_of(outline=[(250.0, 2.0), (250.0 + reach, 9.0)])
        assert self.of(region, 250.0 + reach + beside) is inside

    def test_a_slanted_edge_is_wide_by_the_wobble_of_both(self, region_of: Region) -> None:
        """An edge from (600, 1.5) to (300, 10): at 10 rad/s by 1.2 % of 900 N·m and 3 % of the speed, towards
        the middle (200, 5.75), so (300 + 10.8 + 0.3 · 300/8.5) there."""
        region = region_of(outline=[(-300.0, 1.5), (600.0, 1.5), (300.0, 10.0), (-300.0, 10.0)])
        end = 300.0 + 10.8 + 0.3 * 300.0 / 8.5
        assert self.of(region, end - 0.01, 10.0)
        assert not self.of(region, end + 0.01, 10.0)
        # what is slow wobbles by a fiftieth of a radian per second at least
        slow = region_of(outline=[(-300.0, 0.1), (600.0, 0.1), (300.0, 1.0), (-300.0, 1.0)])
        for speed, wobble in ((0.4, -0.02), (0.6, 0.02), (0.9, 0.027)):  # towards 0.55 rad/s
            end = 600.0 - 300.0 * (speed - wobble - 0.1) / 0.9 + 10.8
            assert self.of(slow, end - 0.01, speed)
            assert not self.of(slow, end + 0.01, speed)

    def test_of_a_line_its_torques_count(self, region_of: Region) -> None:
        line = region_of(outline=[(-300.0, 5.0), (600.0, 5.0)])
        assert self.of(line, 600.0)
        assert not self.of(line, 600.5)
        assert not self.of(line, -300.5)
        point = region_of(outline=[(250.0, 5.0)])
        assert self.of(point, 250.0)
        assert not self.of(point, 0.0)

    def test_of_nothing_everywhere_alike(self, region_of: Region) -> None:
        grid = np.zeros((2, 3))
        assert not region_of(outline=[]).covers(grid, grid, grid, "mean").any()
        assert region_of(outline=[]).covers(grid, grid, grid, "mean").shape == (2, 3)
        assert region_of(outline=[]).torque_ends("loading") == (0.0, 0.0)


def test_correlations_of_some() -> None:
    every = Correlation(names=["a", "b", "c"], matrix=[[1.0, 0.2, 0.3], [0.2, 1.0, 0.6], [0.3, 0.6, 1.0]])
    some = every.of({"c": "see", "a": "a"})
    assert (some.names, some.matrix) == (["a", "see"], [[1.0, 0.3], [0.3, 1.0]])


class TestShares:
    @pytest.fixture
    def form(self, form_of: Forms) -> FormState:
        """Three unknowns, one source of doubt beside the noise."""
        gain = np.array([[0.4, 0.1], [0.02, -0.03], [0.5, 0.6]])
        noise = np.array([[2.0, 0.1, 0.3], [0.1, 0.7, -0.2], [0.3, -0.2, 1.1]])
        return form_of().model_copy(
            update={
                "names": ["preload_torque[a]", "viscous", "preload_torque[b]"],
                "logarithms": [True, False, False],
                "values": [4.0, 0.2, 88.0],
                "covariance": (noise + gain @ gain.T).tolist(),
                "shares": {Source.TRANSDUCER_GAIN: gain.tolist()},
            }
        )

    def test_what_is_left_is_noise(self, form: FormState) -> None:
        blocks = form.blocks
        assert list(blocks) == [Source.TRANSDUCER_GAIN, Source.NOISE]
        own = blocks[Source.NOISE]
        np.testing.assert_allclose(own @ own.T, [[2.0, 0.1, 0.3], [0.1, 0.7, -0.2], [0.3, -0.2, 1.1]])
        np.testing.assert_allclose(own, own.T, atol=1e-12)  # the symmetric root
        given = form.model_copy(update={"shares": {Source.NOISE: [[3.0], [4.0], [5.0]]}})
        assert {source: block.tolist() for source, block in given.blocks.items()} == {
            Source.NOISE: [[3.0], [4.0], [5.0]]
        }
        # rounding alone makes no doubt, and none below zero
        nothing = form.model_copy(update={"covariance": (np.diag([4.0, -1e-9, 0.0])).tolist(), "shares": {}})
        np.testing.assert_allclose(nothing.blocks[Source.NOISE], np.diag([2.0, 0.0, 0.0]), atol=1e-12)

    def test_one_build_s_own(self, form: FormState) -> None:
        state = DiscrepancyState(
            largest_Nm=640.0, lengths=(0.4, 1.7, 26.0), size=0.03, once=0.004, since=0.006,
            since_response=[1.0, 2.0, 3.0], centres=[[0.1, 0.0, 1.1, 57.0]], mean=[2.3],
            covariance=[[0.8]], response=[[7.0], [8.0], [9.0]],
        )  # fmt: skip
        found = form.model_copy(update={"discrepancy": state}).of_build("b", {"a"})
        # what is of another build alone is not there, but for what this one has in no other way
        assert found.names == ["viscous", "preload_torque"]
        assert (found.logarithms, found.values) == ([False, False], [0.2, 88.0])
        np.testing.assert_allclose(found.covariance, np.array(form.covariance)[1:, 1:])
        np.testing.assert_allclose(found.shares[Source.TRANSDUCER_GAIN], [[0.02, -0.03], [0.5, 0.6]])
        np.testing.assert_allclose(found.shares[Source.NOISE], form.blocks[Source.NOISE][1:])
        assert found.discrepancy is not None
        assert found.discrepancy.response == [[8.0], [9.0]]
        assert found.discrepancy.since_response == [2.0, 3.0]
        assert form.of_build("b", {"a"}).discrepancy is None

    def test_what_builds_share_by_the_names_of_some(self, form: FormState) -> None:
        """A third one's that stands alone is shared with it; one of neither is kept by its whole name."""
        names = ["preload_torque[a]", "viscous[a]", "preload_torque[other]"]
        shared = form.model_copy(update={"names": names})
        found = shared.of_build("a", {"b"})
        assert found.names == ["preload_torque", "viscous", "preload_torque[other]"]
        found = shared.model_copy(update={"names": ["gear_friction", "viscous[a]", "x"]}).of_build("b", {"a"})
        assert found.names == ["gear_friction", "x", "viscous"]
        assert found.values == [4.0, 88.0, 0.2]


def test_cells_of_one_build() -> None:
    """Runs are counted anew; without names of builds they are of all."""
    run = np.array([0, 1, 2, 2, 1, 3])
    numbers = {
        name: np.arange(6.0) + 10.0 * i
        for i, name in enumerate(
            ("time", "input_torque", "speed_difference", "direction", "oil", "plate", "locking", "model")
        )
    }
    every = Evidence(
        run=run, run_names=("r0", "r1", "r2", "r3"), run_kinds=("k0", "k1", "k2", "k3"), **numbers,
        loading=run > 1, sigma=np.arange(6.0) + 90.0, used=run != 2, run_builds=("a", "b", "a", "b"),
    )  # fmt: skip
    own = every.of_build("b")
    assert own.run.tolist() == [0, 0, 1]
    assert own.run.dtype == np.int64
    assert (own.run_names, own.run_kinds, own.run_builds) == (("r1", "r3"), ("k1", "k3"), ("b", "b"))
    for name, values in numbers.items():
        assert getattr(own, name).tolist() == values[[1, 4, 5]].tolist()
    assert own.sigma.tolist() == [91.0, 94.0, 95.0]
    assert (own.loading.tolist(), own.used.tolist()) == ([False, False, True], [True, True, True])
    assert every.of_build("c") is every


@pytest.fixture
def joint(characterised: Results, form_of: Forms, region_of: Region) -> Characterisation:
    """Two builds that share all but their preloads, with limits and next tests of each."""
    one = characterised().builds[0]
    own = one.model_copy(
        update={
            "folder": "Q17-a", "date": "2026-02-03", "tested": region_of(drive_unloading_Nm=310.0),
            "map_axes": {"input_torque_Nm": (-700.0, 800.0)},
        }
    )  # fmt: skip
    other = one.model_copy(update={"build": "Q17-b"})
    names = ["preload_torque[Q17-a]", "preload_torque[Q17-b]", "gear_friction"]
    limit = {"low": 70.5, "high": 90.2, "unit": "N·m", "verdict": "within"}
    return characterised(
        form_of().model_copy(
            update={
                "names": ["preload_torque[Q17-a]", "preload_torque[Q17-b]", *list(form_of().names)[1:]],
                "values": [80.0, 100.0, *form_of().values[1:]],
                "logarithms": [False, *form_of().logarithms],
                "covariance": np.zeros((12, 12)).tolist(),
            }
        ),
        builds=[own, other],
        build="Q17-a, Q17-b",
        parameters={
            "preload_torque[Q17-a]": quantity(80.0, 1.0),
            "preload_torque_as_read[Q17-b]": quantity(101.0, 1.2),
            "preload_torque[Q17-b]": quantity(100.0, 2.0),
            "gear_friction": quantity(None, status="not-determined", needs="more torque"),
        },
        correlation=Correlation(names=names, matrix=[[1.0, 0.1, 0.2], [0.1, 1.0, 0.3], [0.2, 0.3, 1.0]]),
        limits=[
            LimitVerdict(quantity="preload_torque[Q17-a]", **limit),
            LimitVerdict(
                quantity="preload_torque[Q17-b]", judged="preload_torque_as_read[Q17-b]", **limit
            ),
            LimitVerdict(quantity="ramp_bias_drive", **limit),
        ],
        next_tests=[
            NextTest(
                run="a sweep",
                gains=[
                    Gain(quantity="preload_torque[Q17-a]", unit="N·m", u_now=1.0, u_then=0.4),
                    Gain(quantity="gear_friction", unit="1", u_now=0.3, u_then=0.1),
                ],
            ),
            NextTest(
                run="another",
                gains=[Gain(quantity="preload_torque[Q17-a]", unit="N·m", u_now=1.0, u_then=0.7)],
            ),
        ],
    )  # fmt: skip


def test_one_build_out_of_two(joint: Characterisation) -> None:
    first, second = joint.of_build("Q17-a"), joint.of_build("Q17-b")
    assert list(first.parameters) == ["preload_torque", "gear_friction"]
    assert list(second.parameters) == ["preload_torque_as_read", "preload_torque", "gear_friction"]
    assert second.parameters["preload_torque"].value == 100.0
    assert second.correlation.names == ["preload_torque", "gear_friction"]
    assert second.correlation.matrix == [[1.0, 0.3], [0.3, 1.0]]
    assert [(one.quantity, one.judged) for one in first.limits] == [
        ("preload_torque", None), ("ramp_bias_drive", None),
    ]  # fmt: skip
    assert [(one.quantity, one.judged) for one in second.limits] == [
        ("preload_torque", "preload_torque_as_read"), ("ramp_bias_drive", None),
    ]  # fmt: skip
    assert [[gain.quantity for gain in one.gains] for one in first.next_tests] == [
        ["preload_torque", "gear_friction"], ["preload_torque"],
    ]  # fmt: skip
    assert [[gain.quantity for gain in one.gains] for one in second.next_tests] == [["gear_friction"]]
    assert first.map_axes == {"input_torque_Nm": (-700.0, 800.0)}
    assert second.map_axes == joint.map_axes
    assert second.builds[0].folder is second.builds[0].map_axes is None
    assert (first.forms[0].values[0], second.forms[0].values[0]) == (80.0, 100.0)
    assert first.next_steps == ["gear_friction: needs more torque"]
    assert first.of_build("Q17-a") is first
    assert first.evidence is None


def test_a_quantity_of_one_build_and_where_its_limit_is_meant(joint: Characterisation) -> None:
    """Its own, else that of all, if it is determined; by its limit, where that says where."""
    assert joint.parameter("preload_torque", "Q17-b") is joint.parameters["preload_torque[Q17-b]"]
    assert joint.parameter("gear_friction", "Q17-b") is None
    assert joint.parameter("preload_torque", "Q17-c") is None
    known = joint.model_copy(update={"parameters": {**joint.parameters, "gear_friction": quantity(0.02)}})
    assert known.parameter("gear_friction", "Q17-b") is known.parameters["gear_friction"]
    as_read = joint.parameters["preload_torque_as_read[Q17-b]"]
    assert joint.where_judged("preload_torque", "Q17-b") is as_read
    assert joint.where_judged("preload_torque", "Q17-a") is joint.parameters["preload_torque[Q17-a]"]
    # a limit of all builds, by the name of the limit
    found = quantity(0.4, 0.01)
    limit = joint.limits[2].model_copy(update={"judged": "ramp_bias_drive_at_limit"})
    elsewhere = joint.model_copy(
        update={"limits": [limit], "parameters": {"ramp_bias_drive_at_limit": found}}
    )
    assert elsewhere.where_judged("ramp_bias_drive_loading", "Q17-a") is found
    assert elsewhere.where_judged("ramp_bias_coast_loading", "Q17-a") is None
    open_one = elsewhere.model_copy(update={"parameters": {"ramp_bias_drive_at_limit": quantity(None)}})
    assert open_one.where_judged("ramp_bias_drive_loading", "Q17-a") is None


def test_numbers_that_cannot_be(joint: Characterisation) -> None:
    """An interval that is open on one side holds what lies on that side."""
    items = {
        "sound": quantity(2.0, 0.5), "at_its_end": quantity(3.0, low=1.0, high=3.0),
        "exact": quantity(3.0, 0.0),
        "open_above": quantity(7.0, low=1.0), "open_below": quantity(-7.0, high=1.0),
        "not_there": quantity(None, low=1.0, high=2.0), "negative": quantity(2.0, -0.5, low=1.0, high=3.0),
        "too_low": quantity(0.9, low=1.0, high=2.0), "too_high": quantity(2.1, low=1.0, high=2.0),
        "below_the_open": quantity(0.9, low=1.0), "above_the_open": quantity(2.1, high=2.0),
    }  # fmt: skip
    told = list(joint.model_copy(update={"parameters": items}).contradictions())
    outside = "the value is not within its own interval"
    assert told == [
        ("parameters.negative.u", "the uncertainty is negative"),
        *((f"parameters.{name}", outside) for name in ("too_low", "too_high")),
        *((f"parameters.{name}", outside) for name in ("below_the_open", "above_the_open")),
    ]


class TestNextSteps:
    """What would help, of a build among two: in order, and at the borders of what is worth a word."""

    @staticmethod
    def of(joint: Characterisation, law: str = "measured", **items: Parameter) -> list[str]:
        verdict = LawVerdict(chosen="additive", status=law, information={}, reason="state the law")
        changed = joint.model_copy(update={"parameters": items, "law": verdict})
        return changed.of_build("Q17-a").next_steps

    def test_the_law_then_what_is_not_determined_then_what_limits(self, joint: Characterisation) -> None:
        found = self.of(
            joint,
            "undecided",
            ramp_bias_coast_loading=quantity(0.3, 0.02, budget={Source.GEAR_FRICTION: 0.016, "noise": 0.012}),
            preload_torque=quantity(80.0, 0.5, budget={"noise": 0.4, "tare": 0.3}),
            gear_friction=quantity(None, status="not-determined", needs="more torque"),
            viscous_coefficient=quantity(None, status="not-determined"),
            heat_capacity=quantity(None, status="stated", needs="a press"),
        )
        assert found == [
            "state the law",
            "gear_friction: needs more torque",
            "preload_torque (u = 0.62 %, 64 % of its variance is noise): record more cycles",
            (
                "ramp_bias_coast_loading (u = 6.7 %, 64 % of its variance is gear friction (build "
                "sheet)): "
                "fit other ramps once, or state the gear friction better: ramps and gears cannot be told "
                "apart"
            ),
        ]

    @pytest.mark.parametrize(
        ("share", "relative", "source", "told"),
        [
            (0.31, 0.0021, "noise", True), (0.29, 0.0021, "noise", False), (0.31, 0.0019, "noise", False),
            (0.31, 0.0021, "weak: viscous drag", False),
        ],
    )  # fmt: skip
    @pytest.mark.parametrize("sign", [1.0, -1.0])
    def test_what_is_a_third_of_a_doubt_that_matters(
        self, share: float, relative: float, source: str, told: bool, sign: float, joint: Characterisation
    ) -> None:
        """More than three tenths of the variance, and more than two thousandths of the value."""
        u = relative * 80.0
        item = quantity(sign * 80.0, u, budget={source: np.sqrt(share) * u})
        steps = self.of(joint, preload_torque=item)
        assert bool(steps) is told
        assert not steps or "31 % of its variance is noise" in steps[0]

    def test_who_has_a_wrench_is_told_what_a_wrench_can(self, joint: Characterisation) -> None:
        by_noise = {"u": 1.0, "budget": {"noise": 1.0}}
        found = self.of(
            joint,
            preload_torque_as_read=quantity(80.0, **by_noise),
            preload_torque=quantity(85.0, **by_noise, status="carried"),
            friction_coefficient=quantity(0.1, u=0.01, budget={Source.SPRING_FORCE: 0.01}),
        )
        assert found == [
            (
                "preload_torque_as_read (u = 1.2 %, 100 % of its variance is noise): take more readings of "
                "each "
                "kind"
            ),
            (
                "friction_coefficient (u = 10 %, 100 % of its variance is spring force (build sheet)): "
                "measure "
                "the spring force better: it limits the friction coefficient"
            ),
        ]
        for without in ({"budget": {}}, {"u": None}, {"u": 0.0}, {"value": 0.0}, {"value": None}):
            item = quantity(80.0, **by_noise).model_copy(update=without)
            assert self.of(joint, preload_torque=item) == []
