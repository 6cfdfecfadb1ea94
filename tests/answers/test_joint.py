"""Sums over results and their covariance: by matrices of a few numbers, worked out by hand."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from diffbench.answers import Member, member
from diffbench.answers.joint import (
    Joint,
    Paired,
    Prepared,
    _as_friction,
    combined,
    pack_text,
    paired,
    valued,
    widest,
)
from diffbench.doubts import OF_THE_BENCH, OF_THE_UNIT, Source
from diffbench.results import Characterisation

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


Recorded = Callable[..., Characterisation]
RIG = 'format = "diffbench-rig/1"\n'


def result_of(recorded: Recorded, folder: Path, *papers: str, **written: bytes) -> Any:
    """A result that was made from those papers, in that order, and a recording; files that still stand."""
    for name, content in written.items():
        (folder / f"{name}.toml").write_bytes(content)
    digests = {name: hashlib.sha256(written.get(name, name.encode())).hexdigest() for name in papers}
    inputs = {
        "run.toml": "0" * 64,
        **{f"{name}.toml": digests[name] for name in papers},
        "sweep.csv": "5" * 64,
    }
    one = recorded()
    provenance = one.provenance.model_copy(update={"inputs": inputs, "visits": ["run.toml"]})
    return one.model_copy(update={"provenance": provenance}), digests


def test_which_bench_it_was_by_the_papers(recorded: Recorded, tmp_path: Path) -> None:
    """The digest of the rig's file where that can still be read, whatever it lies beside; else the first of
    two papers, which a fit names first; of several that cannot be read, all of them together."""
    folder = tmp_path / "result"
    folder.mkdir()

    def bench(*papers: str, **written: bytes) -> tuple[str, dict[str, str]]:
        for old in [*folder.iterdir(), *tmp_path.glob("*.toml")]:
            old.unlink()
        one, digests = result_of(recorded, folder, *papers, **written)
        return member(one, folder=folder).bench, digests

    found, digests = bench("sheet", "rig", "other", rig=RIG.encode())
    assert found == digests["rig"]
    found, digests = bench("rig", "sheet")
    assert found == digests["rig"]
    found, digests = bench("rig", "sheet", "more")
    assert found == " ".join(sorted(digests.values()))
    # no paper of ours, and none that is text at all: it may have been a rig
    for content in (b"format = [", b"\xff\xfe", b'format = "diffbench-build/1"\n'):
        found, digests = bench("rig", "sheet", sheet=content)
        assert found == digests["rig"]
    # edited since, and so another one
    one, digests = result_of(recorded, folder, "sheet", "rig", rig=RIG.encode())
    (folder / "rig.toml").write_text(RIG + "# edited\n", encoding="utf-8")
    assert member(one, folder=folder).bench == digests["sheet"]
    assert member(one, folder=folder, bench="ours").bench == "ours"
    # beside the folder of the result, where a run sheet lies
    one, digests = result_of(recorded, tmp_path, "sheet", "rig", rig=RIG.encode())
    assert member(one, folder=folder).bench == digests["rig"]
    assert member(one).bench == digests["sheet"]


def test_which_visit_and_unit_it_was(recorded: Recorded) -> None:
    """By the recordings, in any order; none without one. By unit and build, or by what is stated of gears."""

    def visit(**inputs: str) -> str:
        one = recorded()
        told = {"run.toml": "0", **{name.replace("_", "."): digest for name, digest in inputs.items()}}
        provenance = one.provenance.model_copy(update={"inputs": told})
        return member(one.model_copy(update={"provenance": provenance})).visit

    assert visit(a_csv="1", b_csv="2") == visit(b_csv="1", a_csv="2") != visit(a_csv="1", b_csv="3")
    assert visit(a_csv="1") == visit(a_csv="1", rig_toml="9")
    assert visit() == "?"
    one = recorded()
    assert member(one).unit_key == "Q17 Q17-a"
    (form,) = one.forms
    columns = np.zeros((len(form.names), 2))
    columns[form.names.index("gear_friction")] = (0.003, -0.008)
    shares = {**form.shares, "gear friction (build sheet)": columns.tolist()}

    def key(**update: Any) -> str:
        return member(
            one.model_copy(update={"forms": [form.model_copy(update={"shares": shares, **update})]})
        ).unit_key

    assert key() == "Q17 0.0 0.008"
    assert key(law="greater-of") == "Q17 Q17-a"
    names = ["other" if name == "gear_friction" else name for name in form.names]
    assert key(names=names) == "Q17 Q17-a"


def test_an_error_is_one_where_its_key_is(recorded: Recorded) -> None:
    """Of the bench by the rig, of gears and radii by the unit, of all else by the recordings."""
    one = Member(recorded(), "rig", "unit", "day", None)
    scopes = {source: one.scope(source) for source in Source}
    assert {scopes[source] for source in OF_THE_BENCH} == {"bench rig"}
    assert {scopes[source] for source in OF_THE_UNIT} == {"unit unit"}
    assert {scopes[source] for source in Source if source not in {*OF_THE_BENCH, *OF_THE_UNIT}} == {
        "visit day"
    }


def test_forms_side_by_side(recorded: Recorded) -> None:
    """Those that all results have, by the product of their weights; where none has any, alike; else the best
    of each."""
    one, two = recorded(), recorded(70.0, date="2026-04-01")
    (form,), (other,) = one.forms, two.forms
    bent = {"stribeck_exponent": 2.0}

    def made(*weights: float | None, of: Any = form) -> list[Any]:
        forms = [of, of.model_copy(update=bent)]
        return [
            f.model_copy(update={"weight": w}) for f, w in zip(forms, weights, strict=True) if w is not None
        ]

    def pair(first: list[Any], last: list[Any]) -> Paired:
        results = (one.model_copy(update={"forms": first}), two.model_copy(update={"forms": last}))
        return paired([member(each) for each in results], before=1)

    found = pair(made(0.6, 0.4), made(0.2, 0.8, of=other))
    assert found.weights == pytest.approx((0.32 / 0.44, 0.12 / 0.44))
    assert [forms[0].unit.friction_law.exponent for forms in found.forms] == [2.0, 1.0]
    assert (found.alike, found.before) == (True, 1)
    assert pair(made(0.6, 0.4), made(None, 1.0, of=other)).weights == (1.0,)
    assert pair(made(1.0, 0.0), made(0.0, 1.0, of=other)).weights == (0.5, 0.5)
    apart = pair(made(0.6, None), made(None, 1.0, of=other))
    assert (apart.alike, apart.weights, apart.before) == (False, (1.0,), 1)
    assert [each.unit.preload_torque for each in apart.forms[0]] == [80.0, 70.0]
    ready = apart.forms[0][0]
    assert ready.size == len(form.names)
    # half a standard uncertainty to either side of what is in doubt
    i, ahead, behind, width = ready.sides[0]
    assert (form.names[i], width) == ("preload_torque", pytest.approx(80.0 * math.hypot(0.015, 0.002)))
    assert (ahead.preload_torque, behind.preload_torque) == pytest.approx(
        (80.0 + 0.5 * width, 80.0 - 0.5 * width)
    )
    assert {form.names[i] for i, *_ in ready.sides} == {
        name for name, value in zip(form.names, form.values, strict=True) if value
    }
