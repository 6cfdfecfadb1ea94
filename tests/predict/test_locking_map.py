"""The map as others use it: lookup, limits, what is tested, and its file."""

from __future__ import annotations

import copy
import json
import pickle
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy.interpolate import RegularGridInterpolator

from diffbench import load_map
from diffbench.errors import DocumentError, QuantityError
from diffbench.results import BRANCHES, LockingMap, MapDocument
from diffbench.results.grid_lookup import BLOCK

places = st.tuples(st.floats(-400.0, 500.0), st.floats(-15.0, 15.0), st.floats(20.0, 120.0))


@pytest.fixture(scope="module")
def small(small_document: MapDocument) -> LockingMap:
    return LockingMap(small_document)


class TestLookup:
    @pytest.mark.parametrize("branch", BRANCHES)
    def test_is_exact_at_every_node(self, branch: Any, small: LockingMap) -> None:
        """No rounding at all: the weights there are one and zero."""
        torque, speed, heat = np.meshgrid(*small.axes, indexing="ij")
        np.testing.assert_array_equal(
            small.locking_torque(torque, speed, heat, branch=branch), small.values[branch]
        )
        low, high = small.interval(torque, speed, heat, branch=branch)
        np.testing.assert_array_equal(low, small.low[branch])
        np.testing.assert_array_equal(high, small.high[branch])

    def test_is_linear_between_nodes_along_each_axis(self, small: LockingMap) -> None:
        """Midway between two nodes: the mean of both; in the middle of a box: the mean of its eight
        corners."""
        values = small.values["mean"]
        assert small.locking_torque(225.0, 4.0, 60.0) == pytest.approx(values[3:5, 1, 1].mean())
        assert small.locking_torque(50.0, 8.0, 60.0) == pytest.approx(values[3, 1:3, 1].mean())
        assert small.locking_torque(50.0, 4.0, 70.0) == pytest.approx(values[3, 1, 1:3].mean())
        assert small.locking_torque(225.0, 2.5, 52.5) == pytest.approx(values[3:5, 0:2, 0:2].mean())

    @given(st.lists(places, min_size=1, max_size=30))
    def test_numbers_and_arrays_give_the_same(
        self, small: LockingMap, many: list[tuple[float, float, float]]
    ) -> None:
        """One place by a quick path, many at once by another: to rounding of a sum of eight."""
        arrays = [np.array(column) for column in zip(*many, strict=True)]
        for branch in BRANCHES:
            found = small.locking_torque(*arrays, branch=branch)
            one_by_one = [small.locking_torque(*place, branch=branch) for place in many]
            np.testing.assert_allclose(found, one_by_one, rtol=1e-13)
            tested = small.is_tested(*arrays, branch=branch)
            assert tested.tolist() == [small.is_tested(*place, branch=branch) for place in many]

    @given(places)
    def test_stays_within_the_nodes_around(
        self, small: LockingMap, place: tuple[float, float, float]
    ) -> None:
        found = small.locking_torque(min(max(place[0], -300.0), 400.0), *place[1:])
        assert small.values["mean"].min() - 1e-9 <= found <= small.values["mean"].max() + 1e-9

    @given(st.floats(1.0, 12.0), st.floats(45.0, 90.0), st.floats(0.0, 400.0), st.floats(0.0, 400.0))
    def test_rises_where_the_nodes_rise(
        self, small: LockingMap, speed: float, heat: float, one: float, other: float
    ) -> None:
        """Along drive torque every node is above the one before."""
        low, high = sorted((one, other))
        rounding = 1e-9
        assert small.locking_torque(low, speed, heat) <= small.locking_torque(high, speed, heat) + rounding

    def test_only_the_magnitude_of_the_speed_difference_counts(self, small: LockingMap) -> None:
        assert small.locking_torque(100.0, -6.0, 60.0) == small.locking_torque(100.0, 6.0, 60.0)
        both = small.locking_torque(100.0, np.array([-6.0, 6.0]), 60.0)
        assert both[0] == both[1]

    def test_arrays_broadcast(self, small: LockingMap) -> None:
        """A column of torques by a row of speeds, one temperature."""
        torque, speed = np.linspace(-300.0, 400.0, 7)[:, None], np.array([1.0, 3.0, 9.0])
        found = small.locking_torque(torque, speed, 60.0)
        assert found.shape == (7, 3)
        assert found[2, 1] == pytest.approx(small.locking_torque(float(torque[2, 0]), 3.0, 60.0))
        assert small.is_tested(torque, speed, 60.0).shape == (7, 3)
        low, high = small.interval(torque, speed, 60.0)
        assert low.shape == high.shape == (7, 3)

    def test_a_number_gives_a_number(self, small: LockingMap) -> None:
        assert type(small.locking_torque(100, 6, 60)) is float
        assert type(small.is_tested(100.0, 6.0, 60.0)) is bool

    def test_lists_and_integers_are_taken(self, small: LockingMap) -> None:
        found = small.locking_torque([0, 100], [4, 4], 60)
        assert found[0] == small.values["mean"][2, 1, 1]

    def test_no_places_give_no_torques(self, small: LockingMap) -> None:
        assert small.locking_torque(np.array([]), 4.0, 60.0).shape == (0,)

    def test_what_is_not_a_number_stays_none(self, small: LockingMap) -> None:
        """In any of the three, alone and among others; and it is never tested."""
        nan = float("nan")
        for place in ((nan, 4.0, 60.0), (100.0, nan, 60.0), (100.0, 4.0, nan)):
            assert np.isnan(small.locking_torque(*place))
            assert small.is_tested(*place) is False
        found = small.locking_torque(np.array([nan, 0.0]), 4.0, 60.0)
        assert np.isnan(found[0])
        assert found[1] == small.values["mean"][2, 1, 1]
        assert small.is_tested(np.array([nan, 0.0]), 4.0, 60.0).tolist() == [False, True]

    def test_a_reading_holds_all_of_it(self, small: LockingMap) -> None:
        """One call for torque, limits and flags: what the three single calls say."""
        rng = np.random.default_rng(8)
        place = (rng.uniform(-400, 500, 50), rng.uniform(-15, 15, 50), rng.uniform(20, 120, 50))
        for branch in BRANCHES:
            found = small.read(*place, branch=branch)
            np.testing.assert_array_equal(found.locking_torque, small.locking_torque(*place, branch=branch))
            low, high = small.interval(*place, branch=branch)
            np.testing.assert_array_equal((found.low, found.high), (low, high))
            np.testing.assert_array_equal(found.tested, small.is_tested(*place, branch=branch))
            assert found.beyond.any()
            assert not (found.beyond & found.tested).any()
        one = small.read(450.0, 4.0, 60.0)
        assert (one.beyond, one.tested) == (True, False)

    def test_many_places_are_looked_up_block_by_block(self, small: LockingMap) -> None:
        """More places than one block holds, and a last block that is not full."""
        torque = np.linspace(-350.0, 450.0, 2 * BLOCK + 7)
        found = small.locking_torque(torque, 3.0, 55.0)
        picked = range(0, torque.size, 997)
        assert [found[i] for i in picked] == [
            small.locking_torque(float(torque[i]), 3.0, 55.0) for i in picked
        ]

    @given(st.floats(-300.0, 400.0), st.floats(0.9, 12.5), st.floats(44.0, 91.0))
    def test_agrees_with_another_implementation(
        self, small: LockingMap, torque: float, speed: float, heat: float
    ) -> None:
        """SciPy's linear interpolation over a regular grid, at the place held within the axes; to the
        rounding of a blend of eight numbers of some hundred N·m."""
        held = [
            np.clip(v, axis[0], axis[-1]) for v, axis in zip((torque, speed, heat), small.axes, strict=True)
        ]
        other = RegularGridInterpolator(small.axes, small.values["loading"])(held)[0]
        assert small.locking_torque(torque, speed, heat, branch="loading") == pytest.approx(other, rel=1e-13)

    def test_two_close_places_never_fall_where_nodes_rise(self, small: LockingMap) -> None:
        """To the last bit: neighbouring floats on both sides of every node of drive torque and between."""
        edges = [50.0, 77.7, 200.0, 399.9]
        torque = np.sort(np.array([np.nextafter(e, e + s) for e in edges for s in (-1, 0, 1)]))
        found = small.locking_torque(torque, 4.0, 60.0)
        # a node's own value is met exactly, its neighbours to one rounding of it
        assert (np.diff(found) >= -np.spacing(found[1:])).all()

    def test_threads_share_a_map(self, small: LockingMap) -> None:
        torque = np.linspace(-300.0, 400.0, 5000)
        expected = small.locking_torque(torque, 4.0, 60.0)
        with ThreadPoolExecutor(4) as pool:
            answers = list(pool.map(lambda _: small.locking_torque(torque, 4.0, 60.0), range(16)))
        for answer in answers:
            np.testing.assert_array_equal(answer, expected)


class TestOutside:
    """What stands in `results.beyond_axes`, worked out by hand from the nodes and the file's numbers."""

    @pytest.mark.parametrize(
        ("place", "held"),
        [
            ((100.0, 0.1, 60.0), (100.0, 1.0, 60.0)),
            ((100.0, 40.0, 60.0), (100.0, 12.0, 60.0)),
            ((100.0, 4.0, -20.0), (100.0, 4.0, 45.0)),
            ((100.0, 4.0, 150.0), (100.0, 4.0, 90.0)),
        ],
    )
    def test_along_speed_and_temperature_the_value_is_held_and_the_limits_part(
        self, place: tuple[float, float, float], held: tuple[float, float, float], small: LockingMap
    ) -> None:
        """By their share of the value for each rad/s and kelvin; a tenth of the value at least to
        stand-still, for each time the highest speed again and for 30 K."""
        rule = small.beyond
        share = sum(
            ends[0] * max(inside - at, 0.0) + ends[1] * max(at - inside, 0.0)
            for ends, at, inside in (
                (rule.half_width_share_per_rad_s, place[1], held[1]),
                (rule.half_width_share_per_K, place[2], held[2]),
            )
        )
        least = 0.1 * max(
            0.9 if place[1] == 0.1 else (place[1] - 12.0) / 12.0, abs(place[2] - held[2]) / 30.0
        )
        assert share >= least
        for branch in BRANCHES:
            found, edge = small.read(*place, branch), small.read(*held, branch)
            assert found.locking_torque == edge.locking_torque == small.locking_torque(*place, branch)
            assert (found.tested, found.beyond) == (False, True)
            wider = share * edge.locking_torque
            assert (found.low, found.high) == pytest.approx((max(edge.low - wider, 0.0), edge.high + wider))
        as_array = small.locking_torque(np.array([place[0]]), np.array([place[1]]), np.array([place[2]]))
        assert as_array[0] == small.locking_torque(*held)

    @pytest.mark.parametrize(("torque", "end", "inner"), [(900.0, 4, 3), (-900.0, 0, 1)])
    def test_along_torque_the_value_goes_on_straight(
        self, torque: float, end: int, inner: int, small: LockingMap
    ) -> None:
        """From the last two nodes; limits move along and part by a tenth of the change, or by what the
        half-widths at the end and at zero torque allow over the distance between both."""
        for branch in BRANCHES:
            values, axis = small.values[branch][:, 1, 1], small.axes[0]
            slope = (values[end] - values[inner]) / (axis[end] - axis[inner])
            change = slope * (torque - axis[end])
            low, high = small.low[branch], small.high[branch]
            half = np.maximum(high - small.values[branch], small.values[branch] - low)
            doubt = float((half[end] + half[2]).max()) / abs(axis[end])
            wider = max(doubt * abs(torque - axis[end]), 0.1 * abs(change))
            found = small.read(torque, 4.0, 60.0, branch)
            assert found.locking_torque == pytest.approx(values[end] + change, rel=1e-12)
            expected = (low[end, 1, 1] + change - wider, high[end, 1, 1] + change + wider)
            assert (found.low, found.high) == pytest.approx(expected, rel=1e-12)
            assert (found.tested, found.beyond) == (False, True)

    @given(
        # of temperature no further than there is one
        st.tuples(st.floats(0.0, 3.0), st.floats(0.0, 3.0), st.floats(0.0, 2.0)),
        st.sampled_from([(e, f, g) for e in (0, 1) for f in (0, 1) for g in (0, 1)]),
        st.floats(0.0, 2.0),
    )
    @example((0.0, 0.0, 3.0), (0, 0, 0), 2.0)  # no further than to absolute zero
    def test_further_out_is_less_sure(
        self, small: LockingMap, far: tuple[float, float, float], ends: tuple[int, int, int], more: float
    ) -> None:
        """Along a ray out of any corner of the axes: limits part, hold the value, and nothing is negative."""

        def at(times: float) -> tuple[float, float, float]:
            where = []
            for axis, end, reach in zip(small.axes, ends, far, strict=True):
                span = float(axis[-1] - axis[0])
                where.append(float(axis[-end]) + (1.0 if end else -1.0) * times * reach * span)
            return where[0], max(where[1], 0.0), max(where[2], -273.15)

        near, out = small.read(*at(1.0)), small.read(*at(1.0 + more))
        assert out.high - out.locking_torque >= (near.high - near.locking_torque) * (1.0 - 1e-12)
        for found in (near, out):
            assert 0.0 <= found.low <= found.locking_torque <= found.high

    @pytest.mark.parametrize("branch", BRANCHES)
    def test_nothing_jumps_at_the_edge(self, branch: Any, small: LockingMap) -> None:
        """One float further out than a corner of the axes: the same to a few roundings."""
        for ends in ((0, 0, 0), (-1, -1, -1), (0, -1, 0)):
            inside = [float(axis[end]) for axis, end in zip(small.axes, ends, strict=True)]
            outside = [
                np.nextafter(x, -1e9 if end == 0 else 1e9) for x, end in zip(inside, ends, strict=True)
            ]
            one, other = small.read(*inside, branch), small.read(*outside, branch)
            assert other.beyond
            for name in ("locking_torque", "low", "high"):
                assert getattr(other, name) == pytest.approx(getattr(one, name), rel=1e-12)

    def test_a_falling_line_ends_at_zero(self, document_of: Callable[..., dict[str, Any]]) -> None:
        document = document_of()
        for branch in document["branches"].values():
            for name in ("locking_torque_Nm", "low_Nm", "high_Nm"):
                branch[name][-1] = branch[name][2]  # lower at 400 N·m than at 50
        found = LockingMap(MapDocument.model_validate(document)).read(1e5, 4.0, 60.0)
        assert (found.locking_torque, found.low) == (0.0, 0.0)
        assert found.high > 0.0

    def test_an_infinite_place_is_none(self, small: LockingMap) -> None:
        for place in ((np.inf, 4.0, 60.0), (0.0, -np.inf, 60.0), (0.0, 4.0, np.inf)):
            assert np.isnan(small.locking_torque(*place))
            found = small.read(*place)
            assert np.isnan([found.locking_torque, found.low, found.high]).all()
            assert np.isnan(small.locking_torque(*(np.array([at]) for at in place))).all()

    @pytest.mark.parametrize("heat", [-300.0, -300, np.float64(-273.2), [60.0, -300.0]])
    def test_below_absolute_zero_is_refused(self, heat: Any, small: LockingMap) -> None:
        """As the command does; absolute zero itself is a place, however far beyond the axes."""
        for ask in (small.locking_torque, small.interval, small.read, small.is_tested):
            with pytest.raises(
                QuantityError, match=r"temperature: -\d+(\.2)? degC is below.* Mend: give degrees"
            ):
                ask(400.0, 4.0, heat)
        assert small.locking_torque(400.0, 4.0, -273.15) == small.locking_torque(400.0, 4.0, small.axes[2][0])

    def test_a_flank_that_is_not_in_the_map_holds_its_end(
        self, document_of: Callable[..., dict[str, Any]]
    ) -> None:
        """A map from 0 to 400 N·m says nothing of coast: the torque at zero is held, and limits part by the
        slope of the other flank, for as much may come."""
        document = document_of()
        document["axes"]["input_torque_Nm"] = [0.0, 50.0, 400.0]
        for branch in document["branches"].values():
            for name, table in branch.items():
                branch[name] = table[2:]
        drive = LockingMap(MapDocument.model_validate(document))
        at_zero, coast = drive.read(0.0, 4.0, 60.0, "loading"), drive.read(-200.0, 4.0, 60.0, "loading")
        assert coast.locking_torque == at_zero.locking_torque
        values = drive.values["loading"][:, 1, 1]
        assert coast.high - at_zero.high >= 200.0 * (values[2] - values[1]) / 350.0

    def test_tested_needs_all_nodes_around(self, small: LockingMap) -> None:
        """The last layer, 400 N·m, was not tested: nothing beyond 50 N·m is."""
        assert small.is_tested(50.0, 4.0, 60.0) is True
        assert small.is_tested(51.0, 4.0, 60.0) is False
        assert small.is_tested(-300.0, 1.0, 45.0) is True

    def test_a_single_node_along_an_axis_is_the_map_there(
        self, document_of: Callable[..., dict[str, Any]]
    ) -> None:
        """One temperature tested: the map has one layer, and says of any other that it wasn't tested."""
        document = document_of()
        document["axes"]["temperature_degC"] = [60.0]
        for branch in document["branches"].values():
            for name, table in branch.items():
                branch[name] = [[[row[1]] for row in sheet] for sheet in table]
        one = LockingMap(MapDocument.model_validate(document))
        assert one.locking_torque(0.0, 4.0, 60.0) == one.values["mean"][2, 1, 0]
        assert one.locking_torque(0.0, 4.0, 20.0) == one.values["mean"][2, 1, 0]
        assert one.locking_torque(np.array([0.0]), 4.0, 20.0)[0] == one.values["mean"][2, 1, 0]
        assert np.isnan(one.locking_torque(np.array([0.0]), 4.0, np.nan)[0])
        assert one.is_tested(0.0, 4.0, 60.0) is True
        assert one.is_tested(0.0, 4.0, 61.0) is False


class TestEither:
    """Which branch is not known."""

    def test_its_limits_hold_both_branches(self, small: LockingMap) -> None:
        rng = np.random.default_rng(4)
        place = (rng.uniform(-300, 400, 200), rng.uniform(1, 12, 200), rng.uniform(45, 90, 200))
        found = small.read(*place)
        assert small.read(*place, "either").low.tolist() == found.low.tolist()  # the default
        for branch in ("loading", "unloading"):
            one = small.read(*place, branch)
            assert (found.low <= one.low + 1e-9).all()
            assert (found.high >= one.high - 1e-9).all()
        np.testing.assert_array_equal(found.locking_torque, small.locking_torque(*place, branch="mean"))

    def test_beyond_the_axes_too(self, small: LockingMap) -> None:
        """Where both go on along lines of their own."""
        place = (np.array([-2000.0, -500.0, 600.0, 3000.0]), 4.0, 60.0)
        found = small.read(*place)
        for branch in ("loading", "unloading"):
            value = small.locking_torque(*place, branch=branch)
            assert ((found.low < value) & (value < found.high)).all()


class TestOfBefore:
    """A file from before there was a rule and a branch ``either``."""

    @pytest.fixture
    def old(self, document_of: Callable[..., dict[str, Any]], tmp_path: Path) -> Path:
        document = document_of()
        del document["branches"]["either"]
        document["branches"]["mean"]["tested"][0][0][0] = False
        path = tmp_path / "map.json"
        path.write_text(json.dumps(document), encoding="utf-8")
        return path

    def test_says_the_same_inside(self, old: Path, small: LockingMap) -> None:
        found = load_map(old)
        rng = np.random.default_rng(4)
        place = (rng.uniform(-300, 400, 200), rng.uniform(1, 12, 200), rng.uniform(45, 90, 200))
        for branch in ("loading", "unloading", "mean"):
            for name in ("locking_torque", "low", "high"):
                np.testing.assert_array_equal(
                    getattr(found.read(*place, branch), name), getattr(small.read(*place, branch), name)
                )

    def test_the_branch_follows_from_the_others(self, old: Path) -> None:
        """Value of the mean, limits around both (4 below loading, 5 above unloading), tested where both."""
        found = load_map(old)
        np.testing.assert_array_equal(found.values["either"], found.values["mean"])
        lows = [found.low[branch] for branch in ("loading", "unloading")]
        highs = [found.high[branch] for branch in ("loading", "unloading")]
        np.testing.assert_array_equal(found.low["either"], np.minimum(*lows))
        np.testing.assert_array_equal(found.high["either"], np.maximum(*highs))
        assert found.tested["either"][0, 0, 0]
        assert not found.tested["either"][-1].any()

    def test_stays_what_it_was(self, old: Path) -> None:
        """Written again it is the same content: its hash names it."""
        found = load_map(old)
        assert list(found.document.branches) == ["loading", "unloading", "mean"]
        assert found.document.beyond is None
        assert found.beyond.half_width_per_Nm["either"][1] > 0.0
        assert "beyond" not in json.loads(found.to_json())

    def test_a_corner_that_it_may_not_show_is_doubted(
        self, document_of: Callable[..., dict[str, Any]]
    ) -> None:
        """A greater-of map whose coast is level may open beyond its end: limits allow the slope of the other
        flank; an additive one cannot."""
        document = document_of()
        for branch in document["branches"].values():
            for name in ("locking_torque_Nm", "low_Nm", "high_Nm"):
                branch[name][0] = branch[name][1] = branch[name][2]
        additive = LockingMap(MapDocument.model_validate(document))
        greater = LockingMap(MapDocument.model_validate({**document, "law": "greater-of"}))
        level = additive.read(-1000.0, 4.0, 60.0, "loading")
        found = greater.read(-1000.0, 4.0, 60.0, "loading")
        assert found.locking_torque == level.locking_torque
        values = additive.values["loading"][:, 1, 1]
        assert found.high - level.high >= 700.0 * (values[4] - values[3]) / 350.0


class TestImmutable:
    def test_tables_and_axes_refuse_writing(self, small: LockingMap) -> None:
        for array in (*small.axes, *small.values.values(), *small.low.values(), *small.tested.values()):
            with pytest.raises(ValueError, match="read-only"):
                array[...] = 0

    def test_names_refuse_setting(self, small: LockingMap) -> None:
        with pytest.raises(AttributeError, match="immutable"):
            small.axes = ()  # type: ignore[assignment]
        with pytest.raises(TypeError):
            small.values["mean"] = small.values["loading"]  # type: ignore[index]
        assert isinstance(small.document.axes.input_torque_Nm, tuple)

    def test_its_document_is_frozen(self, small: LockingMap) -> None:
        with pytest.raises(ValueError, match="frozen"):
            small.document.unit = "other"

    def test_a_lookup_changes_nothing_of_the_callers(self, small: LockingMap) -> None:
        speed = np.array([-4.0, 4.0])
        small.locking_torque(np.zeros(2), speed, np.full(2, 60.0))
        assert speed.tolist() == [-4.0, 4.0]


def test_travels_between_processes(small: LockingMap) -> None:
    """Pickled and copied, it answers the same."""
    for other in (pickle.loads(pickle.dumps(small)), copy.deepcopy(small)):  # noqa: S301  # our own bytes
        assert other.locking_torque(123.0, 3.0, 55.0) == small.locking_torque(123.0, 3.0, 55.0)
        assert other.document == small.document


class TestFile:
    @pytest.fixture
    def write(self, tmp_path: Path) -> Callable[[Any], Path]:
        def write_it(content: Any) -> Path:
            path = tmp_path / "map.json"
            path.write_text(content if isinstance(content, str) else json.dumps(content), encoding="utf-8")
            return path

        return write_it

    def test_written_and_read_is_the_same_map(self, small: LockingMap, write: Callable[[Any], Path]) -> None:
        """Numbers in full: no digit is lost."""
        read = load_map(write(small.to_json()))
        assert read.document == small.document
        for branch in BRANCHES:
            np.testing.assert_array_equal(read.values[branch], small.values[branch])
            np.testing.assert_array_equal(read.tested[branch], small.tested[branch])

    def refuse(self, path: Path, key: str | None, what: str) -> None:
        """The file is refused, and told: file, key and mend."""
        with pytest.raises(DocumentError) as caught:
            load_map(path)
        assert caught.value.exit_status == 2
        for fault in caught.value.faults:
            assert fault.place.file == str(path)
            assert fault.mend
        assert any(fault.place.key == key and what in fault.what for fault in caught.value.faults), str(
            caught.value
        )

    def test_a_truncated_file(self, small: LockingMap, write: Callable[[Any], Path]) -> None:
        text = small.to_json()
        self.refuse(write(text[: len(text) // 2]), None, "Invalid JSON")

    def test_an_empty_file(self, write: Callable[[Any], Path]) -> None:
        self.refuse(write(""), None, "Invalid JSON")

    def test_a_file_that_is_not_there(self, tmp_path: Path) -> None:
        self.refuse(tmp_path / "none.json", None, "cannot be read")

    def test_a_folder(self, tmp_path: Path) -> None:
        """The map in it is read; one without is refused by the map's own path."""
        with pytest.raises(DocumentError, match="cannot be read") as caught:
            load_map(tmp_path)
        assert caught.value.faults[0].place.file == str(tmp_path / "map.json")

    def test_bytes_that_are_no_text(self, tmp_path: Path) -> None:
        path = tmp_path / "map.json"
        path.write_bytes(b"\xff\xfe\x00map")
        self.refuse(path, None, "not UTF-8")

    def test_a_newer_format(
        self, document_of: Callable[..., dict[str, Any]], write: Callable[[Any], Path]
    ) -> None:
        path = write(document_of(format="diffbench-map/2"))
        self.refuse(path, "format", "'diffbench-map/2' is another version of the format")
        with pytest.raises(DocumentError, match="newer diffbench"):
            load_map(path)

    def test_an_edited_number(self, small: LockingMap, write: Callable[[Any], Path]) -> None:
        """One digit in one node, the text still a map: the hash says it."""
        document = json.loads(small.to_json())
        document["branches"]["loading"]["high_Nm"][1][2][0] += 0.001
        self.refuse(write(document), "sha256", "does not match its hash")

    def test_an_edited_note(self, small: LockingMap, write: Callable[[Any], Path]) -> None:
        document = json.loads(small.to_json())
        document["unit"] = "Q18"
        self.refuse(write(document), "sha256", "edited or damaged")

    def test_written_anew_by_another_program(self, small: LockingMap, write: Callable[[Any], Path]) -> None:
        """Other order, spaces, and whole numbers without a point: the content is the same, so is its hash."""
        document = json.loads(
            small.to_json(), parse_float=lambda t: int(float(t)) if float(t) % 1 == 0 else float(t)
        )
        text = json.dumps(dict(reversed(document.items())), indent=3)
        assert load_map(write(text)).document == small.document

    def test_a_file_without_hash_is_taken_as_it_is(
        self, document_of: Callable[..., dict[str, Any]], write: Callable[[Any], Path]
    ) -> None:
        assert load_map(write(document_of())).document.unit == "Q17"

    def test_a_negative_torque(
        self, document_of: Callable[..., dict[str, Any]], write: Callable[[Any], Path]
    ) -> None:
        document = document_of()
        document["branches"]["loading"]["low_Nm"][0][0][0] = -0.5
        self.refuse(write(document), "branches.loading.low_Nm", "never negative")

    def test_a_node_outside_its_limits(
        self, document_of: Callable[..., dict[str, Any]], write: Callable[[Any], Path]
    ) -> None:
        document = document_of()
        document["branches"]["mean"]["high_Nm"][0][0][0] = 1.0
        self.refuse(write(document), "branches.mean.locking_torque_Nm", "within its own limits")

    def test_a_signed_speed_axis(
        self, document_of: Callable[..., dict[str, Any]], write: Callable[[Any], Path]
    ) -> None:
        document = document_of()
        document["axes"]["speed_difference_rad_s"] = [-1.0, 4.0, 12.0]
        self.refuse(write(document), "axes.speed_difference_rad_s", "magnitude")

    def test_another_document(self, write: Callable[[Any], Path]) -> None:
        self.refuse(write({"format": "diffbench-characterisation/1"}), "format", "diffbench-map/1 is wanted")

    def test_an_unknown_key(
        self, document_of: Callable[..., dict[str, Any]], write: Callable[[Any], Path]
    ) -> None:
        self.refuse(write(document_of(colour="red")), "colour", "not permitted")

    @pytest.mark.parametrize("number", ["NaN", "Infinity"])
    def test_a_node_without_a_number(
        self, number: str, document_of: Callable[..., dict[str, Any]], write: Callable[[Any], Path]
    ) -> None:
        document = document_of()
        document["branches"]["loading"]["low_Nm"][1][2][0] = float(number)
        self.refuse(write(document), "branches.loading.low_Nm", "holds no number")

    def test_a_text_in_a_node(
        self, document_of: Callable[..., dict[str, Any]], write: Callable[[Any], Path]
    ) -> None:
        document = document_of()
        document["branches"]["mean"]["locking_torque_Nm"][1][2][0] = "much"
        self.refuse(write(document), "branches.mean.locking_torque_Nm.1.2.0", "number")

    def test_a_layer_too_few(
        self, document_of: Callable[..., dict[str, Any]], write: Callable[[Any], Path]
    ) -> None:
        document = document_of()
        document["branches"]["unloading"]["tested"].pop()
        self.refuse(write(document), "branches.unloading.tested", "(4, 3, 4)")

    def test_rows_of_different_lengths(
        self, document_of: Callable[..., dict[str, Any]], write: Callable[[Any], Path]
    ) -> None:
        document = document_of()
        document["branches"]["unloading"]["high_Nm"][0][0].pop()
        self.refuse(write(document), "branches.unloading.high_Nm", "different lengths")

    @pytest.mark.parametrize("axis", [[4.0, 1.0, 12.0], [1.0, 1.0, 12.0], []])
    def test_an_axis_that_does_not_rise(
        self, axis: list[float], document_of: Callable[..., dict[str, Any]], write: Callable[[Any], Path]
    ) -> None:
        document = document_of()
        document["axes"]["speed_difference_rad_s"] = axis
        self.refuse(write(document), "axes.speed_difference_rad_s", "not a rising list")

    def test_an_axis_with_a_hole(
        self, document_of: Callable[..., dict[str, Any]], write: Callable[[Any], Path]
    ) -> None:
        document = document_of()
        document["axes"]["temperature_degC"][1] = float("nan")
        self.refuse(write(document), "axes.temperature_degC", "not a rising list")

    def test_a_branch_that_is_missing(
        self, document_of: Callable[..., dict[str, Any]], write: Callable[[Any], Path]
    ) -> None:
        document = document_of()
        del document["branches"]["unloading"]
        self.refuse(write(document), "branches.unloading", "the branch is missing")

    def test_all_faults_are_told_at_once(
        self, document_of: Callable[..., dict[str, Any]], write: Callable[[Any], Path]
    ) -> None:
        document = document_of()
        document["branches"]["loading"]["low_Nm"].pop()
        document["branches"]["mean"]["high_Nm"].pop()
        with pytest.raises(DocumentError) as caught:
            load_map(write(document))
        assert len(caught.value.faults) == 2


class TestBorders:
    """What a map may just say, and what it may not."""

    @pytest.mark.parametrize(
        ("confidence", "sound"), [(0.0, False), (0.02, True), (0.98, True), (1.0, False), (1.04, False)]
    )
    def test_a_confidence_is_between_none_and_certainty(
        self, confidence: float, sound: bool, document_of: Callable[..., dict[str, Any]]
    ) -> None:
        told = list(MapDocument.model_validate(document_of(confidence=confidence)).contradictions())
        assert told == ([] if sound else [("confidence", "no confidence lies outside 0 to 1")])

    def test_an_exact_map_from_stand_still_on_with_a_node_of_nothing(
        self, document_of: Callable[..., dict[str, Any]]
    ) -> None:
        """Limits at the value, a speed difference and a torque of zero, and of next to it."""
        for least in (0.0, 0.05):
            document = document_of()
            document["axes"]["speed_difference_rad_s"] = [least, 4.0, 12.0]
            for branch in document["branches"].values():
                branch["locking_torque_Nm"][0][0][0] = least
                branch["low_Nm"] = branch["high_Nm"] = branch["locking_torque_Nm"]
            assert list(MapDocument.model_validate(document).contradictions()) == []

    def test_what_it_does_not_say_is_no_key(self, small: LockingMap) -> None:
        content = json.loads(small.to_json())
        assert set(content["branches"]["mean"]) == {"locking_torque_Nm", "low_Nm", "high_Nm", "tested"}
        assert not {"predicted", "shows", "interpolation", "fitted_law"} & content.keys()

    def test_a_unit_as_it_would_be_says_so(
        self, small: LockingMap, document_of: Callable[..., dict[str, Any]]
    ) -> None:
        told = LockingMap(MapDocument.model_validate(document_of(predicted="another shim")))
        assert repr(told).endswith("temperature_degC 45 to 90, predicted: another shim)")
        assert repr(small).endswith("temperature_degC 45 to 90)")

    def test_the_folder_of_several_builds_names_theirs(self, tmp_path: Path) -> None:
        """Where their maps are; of one build, or of what is no such result, that the file is not there."""
        place = tmp_path / "characterisation.json"
        place.write_text(json.dumps({"builds": [{"folder": "a"}, {"folder": "b"}, {"folder": None}, {}]}))
        with pytest.raises(DocumentError, match=r"each has a map in a folder of its own") as caught:
            load_map(tmp_path)
        (fault,) = caught.value.faults
        assert fault.place.file == str(tmp_path / "map.json")
        assert fault.mend == f"name one of {tmp_path / 'a'}, {tmp_path / 'b'}"
        for content in ({"builds": [{}]}, {"builds": 3}, [], {}):
            place.write_text(json.dumps(content))
            with pytest.raises(DocumentError, match="cannot be read"):
                load_map(tmp_path)
