"""Sums over results and their covariance: by matrices of a few numbers, worked out by hand."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from diffbench.answers.joint import Joint, Paired, Prepared, _as_friction, combined, pack_text, valued, widest

REFIT, NOISE, GAIN = "bench repeatability", "noise", "transducer gain"


def quantities(unit: Any) -> np.ndarray:
    """Two quantities of an invented unit."""
    return np.array([2.0 * unit.a + unit.b, unit.a * unit.b])


def form(a: float, b: float, visit: str, *, together: float = 1.0) -> Prepared:
    """A unit of two unknowns, known to 0.2 and 0.4; noise and refits are its visit's, a gain the bench's."""

    def at(a: float, b: float) -> Any:
        return SimpleNamespace(a=a, b=b)

    apart = {
        (NOISE, visit): np.array([[0.1, 0.0], [0.0, 0.2]]),
        (REFIT, visit): np.array([[0.3], [0.0]]),
        (GAIN, "bench"): np.array([[0.2], [-0.1]]),
    }
    joined = {**apart, (REFIT, visit): together * np.array([[0.3, 0.0], [0.2, 0.1]])}
    sides = ((0, at(a + 0.1, b), at(a - 0.1, b), 0.2), (1, at(a, b + 0.2), at(a, b - 0.2), 0.4))
    return Prepared(at(a, b), sides, apart, joined)  # type: ignore[arg-type]


def slope(a: float, b: float) -> np.ndarray:
    """Of both quantities over both unknowns."""
    return np.array([[2.0, 1.0], [b, a]])


def pair_of(*sets: tuple[Prepared, ...], weights: tuple[float, ...] = (1.0,), before: int = 0) -> Paired:
    members = tuple(SimpleNamespace() for _ in sets[0])
    return Paired(members, sets, weights, alike=True, before=before)  # type: ignore[arg-type]


def test_what_is_common_cancels_and_what_is_not_adds() -> None:
    """The later result less the earlier one: gains are one error in both, noise and refits two."""
    one, other = (3.0, 5.0), (4.0, 4.5)
    found = combined(pair_of((form(*one, "v1"), form(*other, "v2"))), [-1.0, 1.0], quantities, together=False)
    assert found.value == pytest.approx([2.0 * 4.0 + 4.5 - 11.0, 4.0 * 4.5 - 15.0])
    noise, refit = np.diag([0.1, 0.2]), np.array([[0.3], [0.0]])
    parts = {
        NOISE: sum(slope(*at) @ noise @ noise.T @ slope(*at).T for at in (one, other)),
        REFIT: sum(slope(*at) @ refit @ refit.T @ slope(*at).T for at in (one, other)),
    }
    moved = (slope(*other) - slope(*one)) @ np.array([0.2, -0.1])
    parts[GAIN] = np.outer(moved, moved)
    for source, part in parts.items():
        assert found.shares[source] == pytest.approx(part, abs=1e-12)
    whole = sum(parts.values())
    assert found.covariance == pytest.approx(whole, abs=1e-12)
    assert found.u == pytest.approx(np.sqrt(np.diag(whole)))
    assert found.refits(1) == pytest.approx(parts[REFIT][1, 1])
    assert Joint(found.value, found.covariance, {}).refits(0) == 0.0
    assert found.budget(1) == pytest.approx({s: math.sqrt(p[1, 1]) for s, p in parts.items()})
    assert list(found.budget(1)) == sorted(parts, key=lambda s: -parts[s][1, 1])
    # a gain moves the first quantity of both by as much: it is not listed
    assert GAIN not in found.budget(0)
    assert valued(pair_of((form(*one, "v1"), form(*other, "v2"))), [-1.0, 1.0], quantities) == pytest.approx(
        found.value
    )


def test_sums_side_by_side() -> None:
    """Factors in rows give the quantities of each row, one after the other."""
    pair = pair_of((form(3.0, 5.0, "v1"), form(4.0, 4.5, "v2")))
    rows: list[float | np.ndarray] = [np.array([1.0, -1.0]), np.array([0.0, 1.0])]
    found = combined(pair, rows, quantities, together=False)
    assert found.value == pytest.approx([11.0, 15.0, 1.5, 3.0])
    alone = combined(pair, [1.0, 0.0], quantities, together=False)
    assert found.covariance[:2, :2] == pytest.approx(alone.covariance)
    assert found.covariance.shape == (4, 4)


def test_forms_of_the_model_differ_by_a_doubt_of_their_own() -> None:
    """Each by its weight: the best of them is the value, what the others say otherwise is doubt."""
    pair = pair_of((form(3.0, 5.0, "v"),), (form(3.1, 5.2, "v"),), weights=(0.7, 0.3))
    found = combined(pair, [1.0], quantities, together=False)
    assert found.value == pytest.approx([11.0, 15.0])
    apart = np.array([2.0 * 3.1 + 5.2 - 11.0, 3.1 * 5.2 - 15.0])
    assert found.shares["form of the model"] == pytest.approx(0.3 * np.outer(apart, apart))
    noise = np.diag([0.1, 0.2])
    mixed = sum(
        share * slope(*at) @ noise @ noise.T @ slope(*at).T
        for share, at in ((0.7, (3.0, 5.0)), (0.3, (3.1, 5.2)))
    )
    assert found.shares[NOISE] == pytest.approx(mixed)


@pytest.mark.parametrize("together", [0.1, 3.0])
def test_the_wider_of_two_ways_to_refit(together: float) -> None:
    """For each quantity by itself; what lies between them is stretched with them, source by source."""
    pair = pair_of((form(3.0, 5.0, "v", together=together),))
    apart, joined = (combined(pair, [1.0], quantities, together=way) for way in (False, True))
    found = widest(pair, [1.0], quantities)
    scale = np.maximum(joined.u / apart.u, 1.0)
    assert (scale > 1.0).all() == (together > 1.0)
    assert found.u == pytest.approx(np.maximum(apart.u, joined.u))
    assert found.covariance == pytest.approx(apart.covariance * np.outer(scale, scale))
    for source in (NOISE, GAIN):
        assert found.shares[source] == pytest.approx(apart.shares[source])
    wider = joined if together > 1.0 else apart
    assert np.diag(found.shares[REFIT]) == pytest.approx(np.diag(wider.shares[REFIT]))
    stretch = np.sqrt(np.diag(wider.shares[REFIT]) / np.diag(apart.shares[REFIT]))
    assert found.shares[REFIT] == pytest.approx(apart.shares[REFIT] * np.outer(stretch, stretch))


def test_means_of_both_states() -> None:
    """A factor shared by the members of each."""
    pair = pair_of(tuple(form(3.0, 5.0, str(i)) for i in range(5)), before=2)
    assert pair.means(-1.0, 1.5) == [-0.5, -0.5, 0.5, 0.5, 0.5]
    assert (len(pair.earlier), len(pair.later)) == (2, 3)


def test_a_refit_as_friction() -> None:
    """Both flanks and the preload move with the larger flank's share; what the preload moves by beyond is its
    own, and it never moves with friction by more than it does."""
    names = ("viscous", "preload_torque", "ramp_bias_drive_loading", "ramp_bias_coast_loading")
    values = (0.2, 80.0, 0.5, -0.25)
    for preload, common in ((2.4, 0.02), (0.8, 0.01)):
        block = np.array([[0.0, 0.0], [preload, 0.0], [0.006, 0.008], [0.003, 0.0]])
        stated = SimpleNamespace(names=names, values=values)
        made = _as_friction(block, stated)  # type: ignore[arg-type]
        own = math.sqrt(max((preload / 80.0) ** 2 - 0.02**2, 0.0))
        assert made == pytest.approx(
            np.array([[0.0, 0.0], [80.0 * common, 80.0 * own], [0.5 * 0.02, 0.0], [-0.25 * 0.012, 0.0]])
        )
    alone = SimpleNamespace(names=names[:2], values=values[:2])
    made = _as_friction(np.array([[0.0], [2.4]]), alone)  # type: ignore[arg-type]
    assert made == pytest.approx(np.array([[0.0, 0.0], [0.0, 2.4]]))


def test_a_pack_in_words() -> None:
    assert pack_text((6, 0.0463)) == "6 faces at 46.3 mm"
