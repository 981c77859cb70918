"""Differences of two plans: intervals against published values and by simulation, and stopping."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy import stats

from forecast.differences import (
    Better,
    Interval,
    Known,
    OpenInterval,
    better_share,
    identical,
    nothing_shown,
    odds_difference,
    paired_t,
    quantile_difference,
    runs_needed,
    until_known,
)

# Law, Simulation Modeling and Analysis [mem].
ONE = np.array([1.53, 1.66, 1.24, 2.34, 2.00, 1.69, 2.69, 2.86, 1.70, 2.60])
PLAN = np.array([126.97, 124.31, 126.68, 122.66, 127.23])
BASE = np.array([118.21, 120.22, 122.45, 122.68, 119.40])


def pairs(both: int, only_plan: int, only_base: int, neither: int) -> tuple[np.ndarray, np.ndarray]:
    """Two columns of a fourfold table of paired outcomes."""
    times = [both, only_plan, only_base, neither]
    return np.repeat([True, True, False, False], times), np.repeat([True, False] * 2, times)


def accepted(trials: int, level: float = 0.95) -> int:
    """The fewest intervals of so many that must cover, if each does with this probability."""
    return int(stats.binom.ppf(0.0005, trials, level))


# --- published values --------------------------------------------------------------------------


def test_a_mean_has_students_interval() -> None:
    """Law's ten values: 2.031 +- .3223 at 90 %."""
    found = paired_t(ONE, 0.90)
    assert found.estimate == pytest.approx(2.031, abs=5e-4)
    assert found.half_width == pytest.approx(0.3223, abs=5e-5)
    again = stats.t.interval(0.90, 9, ONE.mean(), stats.sem(ONE))
    assert (found.low, found.high) == pytest.approx(again)


def test_how_many_runs_make_it_so_narrow() -> None:
    """16 for +-.25; 27 for a relative error of 10 %, which is .1/1.1 of the mean (Law)."""
    assert runs_needed(ONE, 0.25, 0.90) == 16
    assert runs_needed(ONE, 0.1 / 1.1 * ONE.mean(), 0.90) == 27
    assert runs_needed(ONE, 1.0, 0.90) == len(ONE)


def test_the_paired_comparison() -> None:
    """Law's two inventory policies: 4.978, 90 % from 1.649 to 8.307."""
    found = paired_t(PLAN - BASE, 0.90)
    # 1.649 and 8.307 are of rounded intermediate values; the last digit may differ.
    assert (found.estimate, found.low, found.high) == pytest.approx((4.978, 1.649, 8.307), abs=1e-3)
    again = stats.ttest_rel(PLAN, BASE).confidence_interval(0.90)
    assert (found.low, found.high) == pytest.approx((again.low, again.high))


@pytest.mark.parametrize(
    ("table", "low", "high"),
    [
        ((1, 1, 7, 12), -0.507, -0.026),  # Fagerland, Lydersen and Laake 2014 [mem]
        ((14, 5, 0, 22), 0.011, 0.226),  # Altman et al., Statistics with Confidence, p. 52 [mem]
        ((36, 12, 2, 0), 0.0569, 0.3404),  # Newcombe 1998, method 10 [mem]
    ],
)
def test_paired_odds_have_newcombes_interval(
    table: tuple[int, int, int, int], low: float, high: float
) -> None:
    found = odds_difference(*pairs(*table))
    digits = 4 if abs(low) == 0.0569 else 3
    assert (round(found.low, digits), round(found.high, digits)) == (low, high)


# --- coverage, by simulation -------------------------------------------------------------------


def test_the_mean_of_skewed_differences_is_covered() -> None:
    """Exponential less normal, 200 pairs."""
    rng = np.random.default_rng(1)
    draws = rng.exponential(3.0, (2000, 200)) - rng.normal(1.0, 2.0, (2000, 200))
    covered = sum(i.low <= 2.0 <= i.high for i in map(paired_t, draws))
    assert accepted(2000, 0.94) <= covered < 1960  # skewness costs up to a point


@pytest.mark.parametrize("futures", [100, 200, 1000])
@pytest.mark.parametrize(
    "shares",
    [
        (0.6, 0.1, 0.02, 0.28),
        (0.9, 0.005, 0.001, 0.094),
        (0.96, 0.03, 0.0, 0.01),
        (0.5, 0.0, 0.01, 0.49),
        (0.97, 0.0, 0.003, 0.027),
    ],
)
def test_a_difference_of_odds_is_covered(
    futures: int, shares: tuple[float, float, float, float]
) -> None:
    """Also where hardly a pair differs: there the interval may be wide, never too narrow."""
    tables = np.random.default_rng(2).multinomial(futures, shares, 600)
    found = [odds_difference(*pairs(*map(int, table))) for table in tables]
    truth = shares[1] - shares[2]
    # Newcombe's own study finds single points of the parameters down to about 93 %.
    assert sum(i.low <= truth <= i.high for i in found) >= accepted(600, 0.93)
    paired = np.mean([i.high - i.low for i in found])
    apart = 2 * 1.96 * np.sqrt(2 * 0.25 / futures)  # two samples of their own, at odds of a half
    assert paired < apart


@pytest.mark.parametrize("probability", [0.5, 0.9])
def test_a_difference_of_quantiles_is_covered(probability: float) -> None:
    """Whole days; the plan is earlier by a lognormal number of days with a median of 20."""
    truth_of = np.random.default_rng(3)

    def two(rng: np.random.Generator, futures: int) -> tuple[np.ndarray, np.ndarray]:
        base = 400.0 + rng.gamma(9.0, 10.0, futures)
        plan = base - rng.lognormal(np.log(20.0), 0.4, futures)
        return np.floor(plan).astype(int), np.floor(base).astype(int)

    many = two(truth_of, 400_000)
    truth = np.quantile(many[0], probability) - np.quantile(many[1], probability)
    rng = np.random.default_rng(4)
    found = [quantile_difference(*two(rng, 200), probability, seed=i) for i in range(300)]
    ends = [(i.low, i.high) for i in found if i.low is not None and i.high is not None]
    assert len(ends) == 300
    covered = sum(low <= truth <= high for low, high in ends)
    assert accepted(300) <= covered
    # Not by being wide: one plan alone is not known half as well.
    alone = np.array([np.quantile(two(rng, 200)[0], probability) for _ in range(300)])
    assert np.mean([high - low for low, high in ends]) < 2 * 1.96 * np.sqrt(2) * alone.std()


# --- at the edges ------------------------------------------------------------------------------


def test_nothing_that_differs_is_doubted_unless_all_is_the_same() -> None:
    kept = np.arange(1000) < 900
    found = odds_difference(kept, kept)
    assert found.estimate == 0.0
    assert found.low < -0.003 < 0.003 < found.high  # 3 in n (rule of three) at least
    assert found.high < 0.01
    assert odds_difference(kept, kept, same=True) == Interval(0.0, 0.0, 0.0)
    always = np.ones(1000, dtype=bool)
    assert odds_difference(always, always).low < 0.0


def test_the_interval_of_odds_is_the_other_ones_turned_round() -> None:
    plan, base = pairs(30, 9, 4, 12)
    there, back = odds_difference(plan, base), odds_difference(base, plan)
    assert (there.low, there.high) == pytest.approx((-back.high, -back.low))


def test_a_date_that_is_not_reached_leaves_its_side_open() -> None:
    base, never = np.arange(100, 200), np.full(100, -1)
    assert quantile_difference(base - 30, base, 0.9) == OpenInterval(-30.0, -30.0, -30.0)
    assert quantile_difference(base, never, 0.5) == OpenInterval(None, None, None)
    assert quantile_difference(never, never, 0.5) == OpenInterval(None, None, None)
    some = np.where(np.arange(100) < 52, base, -1)  # the median is known, and hardly
    found = quantile_difference(some, base - 30, 0.5)
    assert found.estimate == 30.0
    assert found.low is not None
    assert found.low <= 30.0
    assert found.high is None  # later by an unknown number of days is possible
    turned = quantile_difference(base - 30, some, 0.5)
    assert (turned.estimate, turned.low) == (-30.0, None)
    assert nothing_shown(OpenInterval(None, None, None))
    assert not nothing_shown(OpenInterval(None, 3.0, None))


def test_what_is_no_difference() -> None:
    assert nothing_shown(Interval(0.0, 0.0, 0.0))
    assert nothing_shown(Interval(1.0, -1.0, 3.0))
    assert not nothing_shown(Interval(1.0, 0.5, 1.5))
    assert not nothing_shown(Interval(-1.0, -1.5, -0.5))


def test_equal_futures_are_split_out() -> None:
    plan, base = np.array([5, 9, -1, 7, -1, 8]), np.array([6, 8, -1, -1, 3, 8])
    found = better_share(plan, base, "earlier")
    assert (found.better, found.equal, found.worse) == pytest.approx((2 / 6, 2 / 6, 2 / 6))
    again = stats.binomtest(2, 6).proportion_ci(method="wilson")
    assert (found.low, found.high) == pytest.approx((again.low, again.high))
    money = better_share(np.array([1.0, 2.0]), np.array([1.5, 2.0]), "less")
    assert (money.better, money.equal, money.worse) == (0.5, 0.5, 0.0)
    assert isinstance(money, Better)
    items = better_share(np.array([10, 2]), np.array([9, 1]), "more")
    assert (items.better, items.worse) == (1.0, 0.0)


def test_identical_is_every_replication() -> None:
    busy = np.array([[0.5, np.nan], [0.25, 1.0]])
    assert identical(busy, busy.copy())
    assert not identical(busy, busy + 1e-12)
    assert identical(np.array([1, -1]), np.array([1, -1]))
    assert not identical(np.array([1, 2]), np.array([1, 3]))


@pytest.mark.parametrize(
    "ask",
    [
        odds_difference,
        lambda a, b: quantile_difference(a, b, 0.5),
        lambda a, b: better_share(a, b, "more"),
    ],
)
def test_pairs_are_pairs(ask: Callable[[np.ndarray, np.ndarray], object]) -> None:
    with pytest.raises(ValueError, match="same replications, one at least: 2 and 3"):
        ask(np.ones(2), np.ones(3))
    with pytest.raises(ValueError, match="one at least: 0 and 0"):
        ask(np.ones(0), np.ones(0))
    with pytest.raises(ValueError, match="two replications"):
        paired_t(np.ones(1))


# --- when to stop ------------------------------------------------------------------------------


def run(
    draw: Callable[[np.random.Generator, int], np.ndarray], width: float, seed: int, most: int
) -> tuple[Known, Interval]:
    values = draw(np.random.default_rng(seed), most)
    known = until_known(lambda n: [paired_t(values[:n])], width, first=100, most=most)
    return known, paired_t(values[: known.replications])


@pytest.mark.parametrize("skewed", [False, True])
def test_the_sequential_interval_covers(*, skewed: bool) -> None:
    """Mean 5, sd 3: at 95 % and +-.25, 554 replications by the normal formula."""

    def draw(rng: np.random.Generator, size: int) -> np.ndarray:
        return 2.0 + rng.exponential(3.0, size) if skewed else rng.normal(5.0, 3.0, size)

    ended = [run(draw, 0.25, seed, 3_000) for seed in range(1000)]
    assert all(known.reached and i.half_width <= 0.25 for known, i in ended)
    assert sum(i.low <= 5.0 <= i.high for _, i in ended) >= accepted(1000, 0.94)
    runs = np.array([known.replications for known, _ in ended])
    assert 0.9 * 554 < np.median(runs) < 1.25 * 554


def test_a_budget_ends_it_and_says_so() -> None:
    known, found = run(lambda rng, size: rng.normal(0.0, 3.0, size), 0.01, 1, 1000)
    assert known == Known(1000, reached=False)
    assert found.half_width > 0.01


def test_the_first_sample_is_the_smallest() -> None:
    looks: list[int] = []

    def intervals(n: int) -> list[Interval]:
        looks.append(n)
        return [Interval(0.0, 0.0, 0.0), Interval(1.0, 1.0 - 40 / n, 1.0 + 20 / n)]

    assert until_known(intervals, [0.1, 0.1], first=100, most=5000) == Known(400, reached=True)
    assert looks == [100, 200, 400]
    assert until_known(intervals, 0.5, first=100, most=5000) == Known(100, reached=True)
    assert until_known(lambda _: [], 0.5) == Known(200, reached=True)
    with pytest.raises(ValueError, match="within the budget"):
        until_known(intervals, 0.5, first=100, most=50)


