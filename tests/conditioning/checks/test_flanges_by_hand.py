"""What a mismatch of two flanges comes to, at its size and word for word; and the algebra that finds it."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from diffbench.conditioning import Finding
from diffbench.conditioning.bench import ErrorSource
from diffbench.conditioning.checks import flanges
from diffbench.conditioning.checks.flanges import (
    KINDS,
    Comparison,
    Mismatch,
    _clusters,
    _hats,
    _jackknife,
    _least_squares,
    _looked,
    _plate_heat,
    _rising,
    _tells,
    judge,
    leverage,
    pattern,
    zero_drift,
)

NAMES = ("left_torque", "right_torque")


def judged(
    monkeypatch: pytest.MonkeyPatch,
    *,
    u: float = 0.0,
    stated: float = 0.0,
    u_zero: float = 0.0,
    **sizes: float,
) -> Any:
    """What a comparison comes to that saw these sizes, each with an uncertainty, over 18 minutes; where each
    flange states so much of every constant. The largest input torque is 400 N·m."""
    rig = SimpleNamespace(
        channel=dict.fromkeys(NAMES, SimpleNamespace(u_zero=u_zero)),
        equilibrium={
            name: SimpleNamespace(difference=side) for name, side in zip(NAMES, (1.0, -1.0), strict=True)
        },
    )
    doubtful = {
        (name, constant): ErrorSource(f"R:{name}.{constant}", "", "", stated)
        for name in NAMES
        for constant in ("gain", "zero", "lag")
        if stated
    }
    found = {kind: Mismatch(sizes.get(kind, 0.0), u) for kind in KINDS}
    monkeypatch.setattr(flanges, "compare", lambda *_: Comparison(NAMES, found, 1080.0))
    runs: Any = [SimpleNamespace(input_torque=np.array([-400.0, 300.0]))]
    chains: Any = dict.fromkeys(NAMES, SimpleNamespace(ratio=1.0))
    return judge(rig, chains, doubtful, runs, [0.0], visit_key="V")  # type: ignore[arg-type]


def rank(found: Any) -> str:
    """Severity of what is told, "doubt" where it is only doubted, nothing else."""
    if found.findings:
        (one,) = found.findings
        return str(one.severity)
    return "doubt" if found.extras else ""


@pytest.mark.parametrize(
    ("kind", "least"),
    # of 400 N·m 0.15, 0.1 and 0.2 hundredths
    [("gain", 0.003), ("lag", 0.005), ("zero", 0.6), ("drift", 0.4), ("hysteresis", 0.8)],
)
def test_a_mismatch_matters_from_its_least_size_on(
    kind: str, least: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where next to nothing is in doubt, to either side."""
    for sign in (1.0, -1.0):
        assert rank(judged(monkeypatch, u=1e-9, **{kind: sign * 1.001 * least})) == "caveat"
        assert rank(judged(monkeypatch, u=1e-9, **{kind: sign * 0.999 * least})) == (
            "doubt" if kind == "gain" else ""
        )


@pytest.mark.parametrize(
    ("kind", "size", "significant"),
    [
        ("gain", 0.006, 2.5),
        ("lag", 0.012, 3.2),
        ("zero", 9.0, 4.5),
        ("drift", 8.0, 4.0),
        ("hysteresis", 8.0, 3.2),
    ],
)
def test_a_mismatch_counts_beyond_what_is_seen_and_stated(
    kind: str, size: float, significant: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By so many standard uncertainties of what was seen; a rig's own of both flanges, √2 times one, add as
    squares where it states them: of gains, zeros and lags."""
    unit = size / significant
    silent = {"gain": "doubt"}.get(kind, "")
    assert rank(judged(monkeypatch, u=0.999 * unit, **{kind: size})) == "caveat"
    assert rank(judged(monkeypatch, u=1.001 * unit, **{kind: size})) == silent
    if kind in ("gain", "zero", "lag"):
        # 0.6 of it seen, 0.8 stated
        for share, told in ((0.999, "caveat"), (1.001, silent)):
            stated = share * 0.8 * unit / np.sqrt(2.0)
            assert rank(judged(monkeypatch, u=0.6 * share * unit, stated=stated, **{kind: size})) == told


def test_what_the_rig_states_of_a_zero_covers_its_drift(monkeypatch: pytest.MonkeyPatch) -> None:
    """√2 of 1 N·m of each."""
    for kind in ("zero", "drift"):
        assert rank(judged(monkeypatch, u=1e-9, u_zero=1.0, **{kind: 1.41})) == ""
        assert rank(judged(monkeypatch, u=1e-9, u_zero=1.0, **{kind: 1.42})) == "caveat"


def test_a_gain_is_doubted_and_told_before_it_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    """From 1.5 standard uncertainties of both on it is doubted; over 0.9 % it is told, or over 0.7 % where
    the rig hardly allows for it, beyond two; if it is sharp, 3.5 of what was seen. Of u = 0.0001 and stated
    √2 · 0.004."""
    both = float(np.hypot(0.0001, 0.004 * np.sqrt(2.0)))
    for size, told in (
        (1.499 * both, ""), (1.501 * both, "doubt"), (0.0089, "doubt"), (0.0091, "note"),
        (2.499 * both, "note"), (2.501 * both, "caveat"),
    ):  # fmt: skip
        assert rank(judged(monkeypatch, u=0.0001, stated=0.004, gain=size)) == told
    # √2 · 0.0024, of which two are 0.0068 and two and a half 0.0085
    for size, told in ((0.0069, "doubt"), (0.0071, "note")):
        assert rank(judged(monkeypatch, u=0.0001, stated=0.0024, gain=size)) == told
    # less than two of √2 · 0.0026
    assert rank(judged(monkeypatch, u=0.0001, stated=0.0026, gain=0.0072)) == "doubt"
    blunt = {"stated": 0.0045, "gain": 0.0098}
    assert rank(judged(monkeypatch, u=0.0098 / 3.49, **blunt)) == ""
    assert rank(judged(monkeypatch, u=0.0098 / 3.51, **blunt)) == "note"


def test_a_lag_is_told_from_fifteen_milliseconds_on_whatever_is_stated(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """As a note, and it widens nothing."""
    assert rank(judged(monkeypatch, u=0.0001, stated=0.01, lag=0.0149)) == ""
    found = judged(monkeypatch, u=0.0001, stated=0.01, lag=0.0151)
    assert rank(found) == "note"
    assert found.extras == ()


def test_a_gain_is_told_word_for_word(monkeypatch: pytest.MonkeyPatch) -> None:
    """In per cent, with what the rig allows for, √2 · 0.15 %."""
    found = judged(monkeypatch, u=0.0004, stated=0.0015, gain=0.0126)
    assert found.findings == (
        Finding(
            "gain mismatch",
            "caveat",
            "left_torque against right_torque",
            "With slip both ways round, the gains differ by +1.3 ± 0.04 % (left_torque less "
            "right_torque); the "
            "rig allows for 0.21 %.",
            "The fit takes the difference off; which of the two is off the sweeps cannot tell, so every "
            "interval "
            "is widened by what both would have in common.",
            "Calibrate both flanges against one reference; state u_gain as the certificates say. Packs that "
            "differ look alike: exchange left and right of the unit, and what turns with it is the packs.",
        ),
    )
    assert [extra.source.u for extra in found.extras] == [0.0063, 0.0126]
    assert {extra.source.group for extra in found.extras} == {"transducer gain"}
    assert found.extras[0].source.label == "gain common to left_torque and right_torque, as seen"
    assert found.extras[1].source.label == "gain between left_torque and right_torque, as seen"


@pytest.mark.parametrize(
    ("sizes", "said"),
    [
        ({"lag": -0.0213, "u": 0.0012}, "the lags differ by -21 ± 1 ms more than stated"),
        ({"zero": 3.21, "u": 0.3}, "the zeros put the torque difference off by +3.2 ± 0.3 N·m"),
        (
            # 18 minutes: an hour has 10 of 3 N·m in that time
            {"drift": 3.0, "u": 0.3},
            (
                "the zeros drift, and the torque difference with them by +3 ± 0.3 N·m over 18 min, +10 "
                "N·m an "
                "hour"
            ),
        ),
        (
            {"hysteresis": 2.46, "u": 0.3},
            "the torque difference stays behind the load by +2.5 ± 0.3 N·m in the middle of the widest cycle",
        ),
    ],
)
def test_every_kind_of_mismatch_is_told_in_its_unit(
    sizes: dict[str, float], said: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without what nobody states."""
    (told,) = judged(monkeypatch, **sizes).findings
    assert told.evidence == f"With slip both ways round, {said} (left_torque less right_torque)."
    (extra, other) = judged(monkeypatch, **sizes).extras
    assert not extra.source.considered
    groups = {
        "zero": "transducer zero",
        "lag": "lag",
        "drift": "zero drift",
        "hysteresis": "transducer hysteresis",
    }
    (kind,) = (name for name in sizes if name != "u")
    assert (extra.source.group, other.source.group) == (groups[kind], groups[kind])
    assert (extra.share, other.share) == ((1.0, 1.0), (0.5, -0.5))


@pytest.mark.parametrize(
    ("gain", "u", "asked"),
    [(0.0499, 1e-4, False), (0.05, 1e-4, False), (0.0501, 1e-4, True), (0.0501, 0.0063, False)],
)
def test_a_gain_beyond_calibration_is_held_against_units(
    gain: float, u: float, asked: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """5 %, and eight of its standard uncertainties; twelve stop by themselves."""
    seen: list[bool] = []

    def unit(*_: Any) -> Finding:
        seen.append(True)
        return Finding("gain mismatch", "stop", "", "", "", "")

    monkeypatch.setattr(flanges, "_unit", unit)
    found = judged(monkeypatch, u=u, gain=gain)
    assert bool(seen) is asked
    assert all(one.severity != "stop" for one in found.findings)
    for size, stops in ((0.1199, False), (0.1201, True)):
        found = judged(monkeypatch, u=1e-4, gain=-size)
        assert [one.severity == "stop" for one in found.findings] == [stops]


def test_nothing_to_compare_is_nothing_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(flanges, "compare", lambda *_: None)
    found = judge(None, {}, {}, [], [], visit_key="V")  # type: ignore[arg-type]
    assert (found.findings, found.extras) == ((), ())


def moved(
    change: float, *, scatter: float = 0.1, u_zero: float | None = None, between: float = 1800.0
) -> list[Finding]:
    """A zero of 0.3 N·m by ten parts of two tare runs that scatter so about their mean, half an hour
    apart."""
    parts = scatter * np.tile([1.0, -1.0], 5)
    rig = SimpleNamespace(channel={"left_torque": SimpleNamespace(u_zero=u_zero)})
    runs = [{"left_torque": 0.3 + parts}, {}, {"left_torque": 0.3 + change + parts}]
    return zero_drift(rig, runs, ["left_torque", "right_torque"], between=between, largest=500.0)  # type: ignore[arg-type]


def test_a_zero_moves_beyond_five_of_its_standard_uncertainties() -> None:
    """Ten parts of ±0.1 N·m: a variance of 0.1² · 10/9, a tenth of that of each mean, 0.0471 N·m of both;
    five are 0.2357. A thousandth of 500 N·m, or what the rig states, is grave."""
    assert moved(0.235) == []
    (told,) = moved(0.237)
    assert told == Finding(
        "zero drift",
        "note",
        "left_torque",
        "From the first tare run to the last the zero moves by +0.24 ± 0.05 N·m, +0.47 N·m an hour.",
        "The tare is their mean, and half of the change counts as an uncertainty.",
        "Let the amplifiers warm up, and keep tare runs before and after.",
    )
    assert [one.severity for one in moved(-0.499)] == ["note"]
    assert [one.severity for one in moved(-0.501)] == ["caveat"]
    assert [one.severity for one in moved(0.69, u_zero=0.7)] == ["note"]
    assert [one.severity for one in moved(0.71, u_zero=0.7)] == ["caveat"]
    (told,) = moved(0.8, between=0.0)
    assert told.evidence.endswith("moves by +0.8 ± 0.05 N·m.")


def test_hats_share_a_value_between_the_nodes_beside_it() -> None:
    """At 2 and 7 of nodes at 0, 4 and 10: half and half of the first two, half of both others; slopes of a
    quarter and a sixth. Beyond the ends the last straight line goes on."""
    hats, slopes = _hats(np.array([2.0, 7.0, 4.0, 10.0, 13.0, -2.0]), np.array([0.0, 4.0, 10.0]))
    assert hats.tolist() == [
        [0.5, 0.5, 0.0], [0.0, 0.5, 0.5], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [0.0, -0.5, 1.5], [1.5, -0.5,
        0.0], ]  # fmt: skip
    assert slopes[:2].tolist() == [
        [-0.25, 0.25, 0.0],
        [0.0, pytest.approx(-1.0 / 6.0), pytest.approx(1.0 / 6.0)],
    ]


def test_a_stretch_rises_by_its_own_course() -> None:
    """Of three stretches the first rises, the second falls, the third stands: that counts as rising."""
    cells: Any = SimpleNamespace(stretch=np.repeat([3, 5, 6], 4), time=np.arange(12.0))
    torque = np.array([1.0, 3.0, 2.0, 5.0, 9.0, 4.0, 6.0, 2.0, 7.0, 7.0, 7.0, 7.0])
    assert _rising(cells, torque).tolist() == [True] * 4 + [False] * 4 + [True] * 4


def test_plates_warm_as_a_first_order_lag_of_twenty_seconds() -> None:
    """Heat of 300 W from the start on, over its mean of 300: 1 − e^(−t/20) after so long; of 5 s steps."""
    time = np.arange(0.0, 100.0, 5.0)
    run: Any = SimpleNamespace(
        heat=SimpleNamespace(time=time, power=np.full(20, 300.0)),
        cells=SimpleNamespace(time=np.array([0.0, 20.0, 55.0])),
    )  # fmt: skip
    assert _plate_heat(run).tolist() == pytest.approx(
        [1.0 - np.exp(-(t + 5.0) / 20.0) for t in (0.0, 20.0, 55.0)]
    )
    run.heat = SimpleNamespace(time=time, power=np.zeros(20))
    assert _plate_heat(run).tolist() == [0.0, 0.0, 0.0]
    run.heat = SimpleNamespace(time=time[:1], power=np.ones(1))
    assert _plate_heat(run).tolist() == [0.0, 0.0, 0.0]
    later = np.where(time >= 50.0, 600.0, 0.0)
    run.heat = SimpleNamespace(time=time, power=later)
    assert _plate_heat(run)[2] == pytest.approx(2.0 * (1.0 - np.exp(-10.0 / 20.0)))


def test_an_error_s_pattern_is_what_it_adds_to_the_reading() -> None:
    """A gain by the reading, a zero everywhere alike, a lag by its rate, a drift from −½ to ½ of the
    visit."""
    cells: Any = SimpleNamespace(
        readings={"a": np.array([3.0, -5.0])},
        rates={"a": np.array([20.0, -7.0])},
        time=np.array([10.0, 40.0]),
    )
    assert pattern("gain", cells, "a", 30.0, 80.0).tolist() == [3.0, -5.0]
    assert pattern("zero", cells, "a", 30.0, 80.0).tolist() == [1.0, 1.0]
    assert pattern("lag", cells, "a", 30.0, 80.0).tolist() == [-20.0, 7.0]
    assert pattern("drift", cells, "a", 30.0, 80.0).tolist() == [0.0, 0.375]
    rig: Any = SimpleNamespace(equilibrium={"a": SimpleNamespace(difference=-2.0)})
    chains: Any = {"a": SimpleNamespace(ratio=3.42)}
    assert [leverage(rig, chains, "a", kind) for kind in KINDS] == [1.0, pytest.approx(6.84), 1.0] + [
        pytest.approx(6.84)
    ] * 2


def test_the_first_stretch_of_a_history_is_not_looked_at() -> None:
    """Its ramps stand anywhere. Clusters are stretches, parted where the slip turns."""
    cells: Any = SimpleNamespace(
        segment=np.array([0, 0, 0, 0, 1, 1, 1, 1]), stretch=np.array([0, 0, 1, 1, 2, 2, 3, 3]),
        direction=np.array([1, 1, 1, -1, -1, -1, -1, -1]),
    )  # fmt: skip
    look = _looked(cells)
    assert look.tolist() == [False, False, True, True, False, False, True, True]
    assert _clusters(cells, look).tolist() == [1, 2, 4, 4]


@pytest.mark.parametrize(
    ("columns", "ahead", "stretches", "tells"),
    [
        (50, 0.5, 8, True),
        (51, 0.5, 8, False),  # 200 cells are fewer than four a column
        (50, 0.21, 8, True),
        (50, 0.19, 8, False),
        (50, 0.79, 8, True),
        (50, 0.81, 8, False),
        (50, 0.5, 7, False),  # three one way round
        (50, 1.0, 8, False),
    ],
)
def test_a_sweep_tells_with_cells_and_stretches_enough_both_ways_round(
    columns: int, ahead: float, stretches: int, tells: bool
) -> None:
    """Of 200 cells: a fifth and four stretches each way, four cells a column."""
    count = round(200 * ahead)
    both = [round(stretches / 2 + 0.1), stretches - round(stretches / 2 + 0.1)]
    direction = np.repeat([1.0, -1.0], [count, 200 - count])
    cluster = np.concatenate(
        [np.arange(count) % both[0], 100 + np.arange(200 - count) % max(both[1], 1)]
    ).astype(np.int64)
    block: Any = SimpleNamespace(
        difference=np.zeros(200), basis=np.zeros((200, columns)), direction=direction, cluster=cluster
    )
    assert _tells(block) is tells


def test_the_jackknife_leaves_out_one_cluster_after_the_other() -> None:
    """MacKinnon and White (1985), by least squares over what is left each time, of numpy's own; six clusters
    of which one is off by far. Never below what independent noise alone gives, σ² of the normal matrix."""
    rng = np.random.default_rng(11)
    design = np.stack([np.ones(60), np.linspace(-3.0, 5.0, 60)], axis=1)
    cluster = np.repeat(np.arange(6), 10)
    target = design @ np.array([40.0, 7.0]) + rng.normal(size=60) + 3.0 * (cluster == 4)
    prior = np.zeros((1, 2))
    solution, covariance = _jackknife(design, target, prior, cluster)
    whole = np.linalg.lstsq(design, target, rcond=None)[0]
    assert solution == pytest.approx(whole, rel=1e-6)
    left = np.array(
        [np.linalg.lstsq(design[cluster != n], target[cluster != n], rcond=None)[0] for n in range(6)]
    )
    expected = 5.0 / 6.0 * (left - whole).T @ (left - whole)
    np.testing.assert_allclose(covariance, expected, rtol=1e-6)
    # clusters that agree: the noise of the cells, by their residuals' variance
    pattern_ = np.tile([1.0, -1.0], 30)
    calm = design @ np.array([40.0, 7.0]) + pattern_
    _, covariance = _jackknife(design, calm, prior, np.repeat(np.arange(6), 10))
    fitted = np.linalg.lstsq(design, calm, rcond=None)[0]
    noise = float(np.var(calm - design @ fitted))
    np.testing.assert_allclose(
        np.diag(covariance), noise * np.diag(np.linalg.inv(design.T @ design)), rtol=1e-5
    )
    # a row of what is known beforehand holds its column
    held, _ = _jackknife(design, target, np.array([[0.0, 1e6]]), cluster)
    assert held[1] == pytest.approx(0.0, abs=1e-6)
    assert held[0] == pytest.approx(target.mean(), rel=1e-6)


def test_least_squares_of_columns_of_any_size() -> None:
    """A column of nothing has no share; sizes of a million and a millionth are solved alike."""
    x = np.linspace(0.0, 1.0, 30)
    columns = np.stack([1e6 * np.ones(30), 1e-6 * x, np.zeros(30)], axis=1)
    found = _least_squares(columns, 3.0 + 5.0 * x)
    assert found.tolist() == pytest.approx([3e-6, 5e6, 0.0], rel=1e-9)
