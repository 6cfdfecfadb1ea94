"""A line through few records and the limit ahead: against other code and by repeated experiment."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.stats import f, norm, t

from diffbench.answers.line import (
    STATED_FREEDOM,
    axis_over,
    crossing,
    events_between,
    find_jump,
    fit_line,
    place_ahead,
    pooled,
    records_needed,
)
from diffbench.trend.charts import ALARM_RATE, Charts, charts_of, cusum, ewma, limits_for

X = np.array([0.0, 600.0, 1150.0, 1800.0, 2500.0])


def test_intervals_are_those_of_other_code() -> None:
    """Prediction and confidence intervals by statsmodels, to rounding of algebra."""
    y = np.array([82.1, 80.9, 79.2, 78.9, 76.0])
    line = fit_line(X, y)
    assert line is not None
    ahead = np.array([0.0, 900.0, 4000.0])
    frame = (
        sm.OLS(y, sm.add_constant(X)).fit().get_prediction(sm.add_constant(ahead)).summary_frame(alpha=0.05)
    )
    low, high = line.next_record(ahead)
    assert low == pytest.approx(frame["obs_ci_lower"].to_numpy(), rel=1e-10)
    assert high == pytest.approx(frame["obs_ci_upper"].to_numpy(), rel=1e-10)
    assert line.u_at(ahead) == pytest.approx(frame["mean_se"].to_numpy(), rel=1e-10)


def test_crossing_is_the_root_of_the_quadratic() -> None:
    """Analytic: (level + slope d − limit)² = t² (s²/n + s² d²/S + u²) (Fieller 1954)."""
    y = np.array([82.1, 80.9, 79.2, 78.9, 76.0])
    line, shared, limit = fit_line(X, y, stated=1.0), 0.4, 70.0
    assert line is not None
    found = crossing(line, limit, start=2500.0, shared=shared)
    k2 = t.ppf(0.95, line.freedom) ** 2
    over = line.level - limit
    roots = np.roots(
        [
            line.slope**2 - k2 * line.sigma**2 / line.spread,
            2 * line.slope * over,
            over**2 - k2 * (line.sigma**2 / line.count + shared**2),
        ]
    )
    # eighty halvings end at the last bits of a double, of numbers near 5000
    assert (found.not_before, found.reached_by) == pytest.approx(tuple(sorted(roots + line.centre)), rel=1e-9)
    assert found.expected == pytest.approx(line.centre - over / line.slope, rel=1e-9)


def test_no_end_to_a_rising_line() -> None:
    """Nothing is reached, and nothing is said to be."""
    line = fit_line(X, np.array([80.0, 81.0, 82.2, 82.9, 84.1]), stated=0.5)
    assert line is not None
    found = crossing(line, 70.0, start=2500.0)
    assert (found.open_at_start, found.expected, found.reached_by) == (False, None, None)


def test_a_limit_passed_and_a_limit_in_doubt() -> None:
    """Well below the limit: reached where the search begins. Near it: open, in either sense."""
    line = fit_line(X, np.array([82.0, 80.0, 78.0, 76.0, 74.0]), stated=1.0)
    assert line is not None
    assert crossing(line, 78.0, start=2500.0).reached_by == 2500.0
    near = crossing(line, 74.1, start=2500.0)
    assert near.open_at_start
    assert near.not_before == 2500.0
    assert near.reached_by is not None
    assert near.reached_by > 2500.0


def test_chance_to_stand_above_a_limit() -> None:
    """Repeated experiment, 3000 units: where the chance is said to be below a tenth, or above nine tenths,
    the limit is held in such shares of cases, within four standard errors of the mean chance."""
    chance = np.random.default_rng(13)
    truth, sigma = (82.0, -0.004), 1.2
    said, held = [], []
    for _ in range(3000):
        line = fit_line(X, truth[0] + truth[1] * X + sigma * chance.standard_normal(X.size))
        assert line is not None
        limit = float(line.at(3100.0)) + float(line.u_at(3100.0)) * chance.uniform(-3.0, 3.0)
        said.append(line.chance_above(limit, 3100.0))
        held.append(truth[0] + truth[1] * 3100.0 > limit)
    shares = np.array(said)
    for low, high in ((0.0, 0.1), (0.4, 0.6), (0.9, 1.0)):
        chosen = (shares >= low) & (shares <= high)
        error = math.sqrt(np.mean(shares[chosen] * (1.0 - shares[chosen])) / chosen.sum())
        assert np.mean(np.array(held)[chosen]) == pytest.approx(shares[chosen].mean(), abs=4.0 * error)


@pytest.mark.parametrize("stated", [None, 1.2], ids=["unstated", "stated"])
def test_bounds_hold_as_often_as_they_say(stated: float | None) -> None:
    """Repeated experiment, 1500 units with a known fall: the limit is not reached before the lower bound, and
    reached by the upper one, each in 95 % of cases; one more record lies within its interval in 95 %."""
    chance = np.random.default_rng(7)
    truth, sigma, limit, cases = (82.0, -0.004), 1.2, 66.0, 1500
    reached = (limit - truth[0]) / truth[1]
    early = late = inside = 0
    for _ in range(cases):
        line = fit_line(X, truth[0] + truth[1] * X + sigma * chance.standard_normal(X.size), stated=stated)
        assert line is not None
        found = crossing(line, limit, start=float(X[-1]))
        early += found.not_before is None or found.not_before <= reached
        late += found.reached_by is None or found.reached_by >= reached
        low, high = line.next_record(3100.0)
        inside += bool(low <= truth[0] + truth[1] * 3100.0 + sigma * chance.standard_normal() <= high)
    # A share of 0.95 scatters by 0.006 over 1500 cases. With a stated scatter that is exactly right, its
    # eight degrees of freedom make the intervals wider than they need be: never narrower.
    most = 0.968 if stated is None else 0.995
    for share in (early / cases, late / cases, inside / cases):
        assert 0.932 <= share <= most


def test_without_any_scatter_there_is_no_line_and_no_jump() -> None:
    """Records that are all alike to the last bit tell nothing of how far they would part."""
    assert fit_line(X, np.zeros(5)) is None
    assert find_jump(X, np.zeros(5)) is None
    assert find_jump(X, np.zeros(5), stated=0.02) is None


def test_pooled_scatter() -> None:
    """Analytic: between both, by degrees of freedom; where they contradict, the stated one is dropped."""
    both = pooled(1.5, 4, 1.0)
    assert both is not None
    assert both == pytest.approx((math.sqrt((4 * 2.25 + 8 * 1.0) / 12), 12.0))
    assert pooled(5.0, 10, 1.0) == (5.0, 10.0)
    assert pooled(0.1, 10, 1.0) == pytest.approx((math.sqrt((10 * 0.01 + 8) / 18), 18.0))
    assert pooled(None, 0, 1.0) == (1.0, STATED_FREEDOM)
    assert pooled(1.5, 1, 1.2) == pytest.approx((math.sqrt((2.25 + 8 * 1.44) / 9), 9.0))
    assert pooled(1.5, 1, None) == (1.5, 1.0)


@pytest.mark.parametrize("freedom", [1, 4, 20])
def test_a_scatter_that_chance_does_not_explain_stands_alone(freedom: int) -> None:
    """From the F distribution's 99 % on, by other code; up to there both are pooled."""
    ratio = math.sqrt(f.isf(0.01, freedom, 8.0))
    assert pooled(1.3 * ratio * 1.001, freedom, 1.3) == (1.3 * ratio * 1.001, float(freedom))
    both = pooled(1.3 * ratio * 0.999, freedom, 1.3)
    assert both is not None
    assert both[1] == freedom + 8.0


def test_what_small_steps_and_scatters_tell() -> None:
    """Counted in tenths, with a scatter of hundredths: nothing is rounded, and what is not said is none."""
    x, y = np.array([0.0, 0.05, 0.08]), np.array([1.0, 1.03, 1.01])
    line = fit_line(x, y, stated=0.01)
    assert line is not None
    assert line.u_intercept == pytest.approx(line.sigma * math.sqrt(1 / 3 + x.mean() ** 2 / line.spread))
    assert line.u_at(0.05) == pytest.approx(line.u_at(0.05, shared=0.0))
    half = t.ppf(0.975, line.freedom) * float(line.u_at(0.09))
    assert line.interval(0.09) == pytest.approx((float(line.at(0.09)) - half, float(line.at(0.09)) + half))
    over = (float(line.at(0.09)) - 1.0) / float(line.u_at(0.09))
    assert line.chance_above(1.0, 0.09) == pytest.approx(t.cdf(over, line.freedom))
    near = fit_line([0.0, 0.05], [1.0, 0.999], stated=0.01)
    assert near is not None
    assert crossing(near, 0.9, start=0.05) == crossing(near, 0.9, start=0.05, shared=0.0)
    found = find_jump([0.0, 0.02, 0.04, 0.06], [1.0, 1.0002, 1.0001, 1.5], stated=0.001)
    assert found is not None
    assert found.at == 3
    assert found.before == pytest.approx(1.0002, abs=1e-4)  # of the line, which goes on by its slope


def test_how_far_a_limit_is_looked_for() -> None:
    """A thousand times the way so far, and none much farther; a bound that comes below a limit for a while
    only is reached where it first does."""
    line = fit_line([0.0, 3.0], [80.0, 79.0], stated=1e-9)
    assert line is not None
    for far, found in ((990.0, True), (1300.0, False)):
        limit = float(line.at(3.0 + far * 3.0))
        assert (crossing(line, limit, start=3.0).expected is not None) is found
    line = fit_line([0.0, 1.0, 2.0, 3.0], [80.0, 79.0, 78.4, 77.2], stated=0.9)
    assert line is not None
    k = t.ppf(0.95, line.freedom)
    assert -line.slope / line.u_slope / k == pytest.approx(1.21, abs=0.3)
    flat = replace(line, slope=-0.9 * k * line.u_slope)
    limit = flat.level + k * flat.sigma / 2.0 * math.sqrt(1.0 - 0.9**2) + 0.01
    roots = np.roots(
        [
            flat.slope**2 - k**2 * flat.sigma**2 / flat.spread,
            2.0 * flat.slope * (flat.level - limit),
            (flat.level - limit) ** 2 - k**2 * flat.sigma**2 / 4.0,
        ]
    )
    found = crossing(flat, limit, start=flat.centre)
    assert found.reached_by == pytest.approx(flat.centre + min(roots.real), rel=1e-6)


def test_most_records_that_are_asked_for() -> None:
    """Two hundred; a fall that takes one more is not promised."""
    line = fit_line([0.0, 600.0], [82.0, 81.0], stated=1.2)
    assert line is not None

    def shown(more: int) -> float:
        x = 600.0 * np.arange(2.0 + more)
        factor = t.ppf(0.975, line.freedom + more) + norm.ppf(0.9)
        return float(factor * line.sigma / math.sqrt(np.sum((x - x.mean()) ** 2)))

    assert records_needed(line, [0.0, 600.0], shown(200) * (1.0 + 1e-9)) == 200
    assert records_needed(line, [0.0, 600.0], shown(200) * (1.0 - 1e-9)) is None
    assert records_needed(line, [0.0, 600.0], shown(1) * (1.0 + 1e-9)) == 1


def test_where_the_next_record_is_expected() -> None:
    """By hand: as far on as from place to place so far, or by stretches; one further where each counts."""
    assert place_ahead([0.0, 600.0], one_by_one=False) == 1200.0
    assert place_ahead([0.0, 600.0], one_by_one=True) == 601.0
    assert place_ahead([200.0, 200.0, 900.0], one_by_one=False, stretches=4) == 1075.0
    assert place_ahead([200.0, 200.0], one_by_one=False) is None
    assert [events_between(*pair) for pair in ((2, 3), (3, 3), (3, 2), (None, 3), (3, None))] == [
        1,
        *[None] * 4,
    ]
    assert axis_over([(5.0, 1)]) == "distance"
    assert axis_over([(None, 1)]) == "events"
    assert axis_over([(5.0, 1), (5.0, 1)]) == "visits"


def test_records_needed_are_enough() -> None:
    """Repeated experiment: with as many more records as it says, the fall shows in nine of ten cases."""
    chance = np.random.default_rng(11)
    sigma, fall = 1.2, 0.0012
    line = fit_line(X[:3], [82.0, 82.5, 81.0], stated=sigma)
    assert line is not None
    more = records_needed(line, X[:3], fall)
    assert more is not None
    # The number is for the scatter as it was found, so that is what the experiment takes.
    gap = float(np.median(np.diff(X[:3])))
    every = np.append(X[:3], X[2] + gap * np.arange(1, more + 1))
    shown = 0
    for _ in range(2000):
        again = fit_line(
            every, -fall * every + line.sigma * chance.standard_normal(every.size), stated=line.sigma
        )
        assert again is not None
        shown += again.slope + again.factor * again.u_slope < 0.0
    # 0.9 scatters by 0.007; whole records make it a little more, never much less
    assert 0.88 <= shown / 2000 <= 0.99
    assert records_needed(line, X[:3], 1e-9) is None


@pytest.mark.parametrize(("count", "baseline", "freedom"), [(1, 1, 8.0), (4, 2, 12.0), (12, 3, 20.0)])
def test_charts_speak_against_one_unchanged_series_in_a_hundred(
    count: int, baseline: int, freedom: float
) -> None:
    """Repeated experiment with other random numbers, target and scatter estimated as the charts are used."""
    chance = np.random.default_rng(5)
    cases, alarms = 4000, [0, 0]
    for _ in range(cases):
        values = 80.0 + 1.5 * chance.standard_normal(baseline + count)
        sigma = 1.5 * math.sqrt(chance.chisquare(freedom) / freedom)
        charts = charts_of(values, baseline=baseline, sigma=sigma, freedom=freedom)
        alarms[0] += charts.average_signal is not None
        alarms[1] += charts.sum_signal is not None
    assert ALARM_RATE == 0.01  # as the guide promises; by counting, 1.1 % would take ten times the cases
    for number in alarms:
        # 40 alarms are expected, with a standard deviation of 6.3; the limits' own simulation adds a little
        assert ALARM_RATE * cases - 25 <= number <= ALARM_RATE * cases + 25


def test_one_value_against_a_target() -> None:
    """Analytic: one value, one degree of chance: Student's factor at 99 %, whatever the baseline, for the
    average in its own deviations; for the sum in those of a value, less the slack of a half."""
    for baseline, freedom in ((1, 8.0), (5, 8.0), (3, math.inf)):
        width, decision = limits_for(1, baseline, freedom)
        factor = t.ppf(0.995, freedom) if math.isfinite(freedom) else norm.ppf(0.995)
        # the 99 % quantile of 40 000 draws scatters by 1 %
        assert width == pytest.approx(factor, rel=0.03)
        assert decision == pytest.approx(factor * math.sqrt(1.0 + 1.0 / baseline) - 0.5, rel=0.04)


def test_charts_by_hand() -> None:
    """Four values after a target of two, (50 + 51)/2: weight 0.3 for the average and 0.5 deviations of slack
    for the sums, each from its own beginning; the average's deviation by its weights 0.3 and 0.21, and the
    target's by what is left of it."""
    found = charts_of([50.0, 51.0, 53.5, 47.5, 48.5, 45.5], baseline=2, sigma=2.0, freedom=20.0)
    assert (found.target, found.sigma, found.baseline) == (50.5, 2.0, 2)
    assert found.average == pytest.approx([51.4, 50.23, 49.711, 48.4477], rel=1e-12)
    assert found.up == pytest.approx([1.0, 0.0, 0.0, 0.0])
    assert found.down == pytest.approx([0.0, 1.0, 1.5, 3.5])
    spread = [math.sqrt(0.09 + 0.3**2 / 2), math.sqrt(0.09 + 0.0441 + 0.51**2 / 2)]
    assert (found.high - 50.5)[:2] == pytest.approx([2.0 * found.width * one for one in spread], rel=1e-12)
    assert found.high + found.low == pytest.approx(np.full(4, 101.0))
    assert (found.width, found.decision) == limits_for(4, 2, 20.0)
    up, down = cusum([13.0, 6.0], target=10.0, slack=0.5)
    assert (up.tolist(), down.tolist()) == ([2.5, 0.0], [0.0, 3.5])
    assert cusum([7.0], target=10.0, slack=0.5)[1].tolist() == [2.5]
    assert ewma([4.0, 6.0], target=5.0, weight=1.0).tolist() == [4.0, 6.0]
    assert ewma([4.0], target=5.0, weight=0.05).tolist() == [pytest.approx(4.95)]
    for weight in (0.0, 1.01):
        with pytest.raises(ValueError, match="above 0 and is at most 1"):
            ewma([1.0], target=0.0, weight=weight)


def test_what_is_on_a_limit_is_within() -> None:
    """Beyond it, below or above, is a signal, at the first such record."""
    on, far = np.array([78.0, 82.0, 80.0]), np.array([70.0, 70.0, 70.0])
    charts = Charts(80.0, 1.5, 2, on, on, far + 20.0, np.array([4.1, 0.0, 0.2]), far - 66.2, 4.1, 3.0)
    assert (charts.average_signal, charts.sum_signal) == (None, None)
    assert replace(charts, low=far, high=on).average_signal is None
    below = replace(charts, low=on + np.array([0.0, 1e-9, 1e-9]))
    assert below.average_signal == 1
    assert replace(charts, low=far, high=on - np.array([0.0, 0.0, 1e-9])).average_signal == 2
    assert replace(charts, down=np.array([0.0, 4.1, 4.2])).sum_signal == 2


def test_how_often_a_jump_is_seen_that_is_none() -> None:
    """Straight lines with a stated scatter of 1, and without: at most 1 % show a jump (Bonferroni is on the
    safe side). 600 series each: 1 % is 6 of them, and 14 would be exceeded once in a thousand times."""
    chance = np.random.default_rng(20_260_815)
    for stated, count in ((1.0, 4), (1.0, 8), (None, 6)):
        x = np.arange(float(count))
        seen = sum(
            find_jump(x, 82.0 - 1.5 * x + chance.standard_normal(count), stated=stated) is not None
            for _ in range(600)
        )
        assert seen <= 14


@pytest.mark.parametrize("at", [1, 3])
@pytest.mark.parametrize("stated", [None, 0.4])
def test_a_jump_is_that_of_other_code(at: int, stated: float | None) -> None:
    """Size and interval by statsmodels, of five records, the fewest that show one unasked; with a stated
    scatter, its variance pooled with that by their 2 and 8 degrees of freedom."""
    x = np.array([0.0, 500.0, 1100.0, 1500.0, 2300.0])
    y = 82.0 - 0.002 * x - 40.0 * (np.arange(5) >= at) + np.array([0.2, -0.1, 0.15, -0.3, 0.1])
    found = find_jump(x, y, stated=stated)
    assert found is not None
    assert found.at == at
    columns = np.stack([np.ones(5), np.arange(5) >= at, x - x[at]], axis=1).astype(float)
    other = sm.OLS(y, columns).fit()
    sigma, freedom = math.sqrt(other.mse_resid), 2.0
    if stated is not None:
        sigma, freedom = math.sqrt((2.0 * sigma**2 + 8.0 * stated**2) / 10.0), 10.0
    reach = t.ppf(0.975, freedom) * other.bse[1] * sigma / math.sqrt(other.mse_resid)
    size = other.params[1]
    assert (found.before, found.size) == pytest.approx((other.params[0], size))
    assert (found.low, found.high) == pytest.approx((size - reach, size + reach))
    assert (found.sigma, found.freedom) == pytest.approx((sigma, freedom))
    assert find_jump(x[:4], y[:4], stated=None) is None


def test_a_jump_must_be_beyond_one_chance_in_a_hundred_over_all_places() -> None:
    """Records at one distance, stepwise by the last: Student's factor at 0.01 of two sides, shared by the
    places that it may be at; its doubt is that of one value against the mean of the others."""
    for others in (1, 2):
        limit = t.ppf(1.0 - 0.005 / others, 8.0) * 1.3 * math.sqrt(1.0 + 1.0 / others)
        for share in (0.999, 1.001):
            y = np.append(np.full(others, 80.0), 80.0 - share * limit)
            assert (find_jump(np.zeros(others + 1), y, stated=1.3) is not None) is (share > 1.0)


def test_where_a_jump_is_found() -> None:
    """At every place of a falling line, by twelve times the scatter; its size within its
    interval."""
    x = np.arange(7.0)
    noise = np.array([0.3, -0.8, 0.5, 0.9, -0.6, -0.4, 0.2])
    for at in range(1, 7):
        found = find_jump(x, 82.0 - 0.5 * x - 12.0 * (x >= at) + noise, stated=1.0)
        assert found is not None
        assert found.at == at
        assert found.low < -12.0 < found.high
