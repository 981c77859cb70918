"""The cheapest plan with the wanted odds, in invented worlds whose truth is known."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pytest
from scipy import integrate, stats

from forecast.selection import Aim, Sampler, Selected, select, two_stage_h, two_stage_sizes

AIM = Aim()


@dataclass(frozen=True)
class World:
    """Plans whose odds and costs are known; 7 of 10 futures strike all plans alike."""

    odds: Sequence[float]
    cost: Sequence[float]
    spread: float = 0.0

    def sampler(self, seed: int, futures: int = 8_000) -> Sampler:
        rng = np.random.default_rng(seed)
        shape = (len(self.odds), futures)
        luck = np.where(rng.random(shape) < 0.7, rng.random(futures), rng.random(shape))
        kept = luck < np.array(self.odds)[:, None]
        noise = rng.standard_normal(futures) + 0.3 * rng.standard_normal(shape)
        cost = np.array(self.cost, dtype=float)[:, None] + self.spread * noise

        def sample(plans: Sequence[int], start: int, stop: int) -> tuple[np.ndarray, np.ndarray]:
            assert stop <= futures
            return kept[list(plans), start:stop], cost[list(plans), start:stop]

        return sample

    def is_right(self, found: Selected, aim: Aim = AIM) -> bool:
        good = np.array(self.odds) >= aim.wanted
        if found.chosen is None:
            return not good.any()
        cheap = not good.any() or (
            self.cost[found.chosen]
            <= np.array(self.cost)[good].min() + aim.within(self.cost[found.chosen]) + 1e-9
        )
        return bool(cheap and self.odds[found.chosen] >= aim.wanted - aim.zone)


# Odds at both borders of the indifference zone: nothing is harder.
HARD = World([0.88, 0.88, 0.88, 0.9, 0.95, 0.95], [10, 10.5, 11, 13, 14, 15])
JUST = World([0.9, 0.95], [10, 11])
LADDER = World([0.2, 0.5, 0.7, 0.8, 0.88, 0.9, 0.95, 0.99], [10, 11, 12, 13, 14, 15, 16, 17])


def runs(world: World, seeds: int, most: int, aim: Aim = AIM) -> list[Selected]:
    k = len(world.odds)
    return [select(world.sampler(seed), k, aim, most=most) for seed in range(seeds)]


# --- the guarantee -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "world",
    [HARD, JUST, LADDER, replace(HARD, spread=1.0), World([0.88] * 4, [1, 2, 3, 4])],
    ids=["hard", "just", "ladder", "random costs", "none"],
)
def test_what_ends_by_itself_is_right_as_often_as_guaranteed(world: World) -> None:
    k = len(world.odds)
    found = [select(world.sampler(seed, 40_000), k, most=39_000) for seed in range(40)]
    assert all(each.proved and each.confidence >= 0.95 for each in found)
    assert sum(map(world.is_right, found)) >= stats.binom.ppf(0.001, 40, 0.95)


def test_costs_that_are_random_and_close_are_told_apart() -> None:
    """Two good plans whose means differ by more than the tolerance, and less than one future."""
    world = World([0.99, 0.99, 0.99], [102.0, 100.0, 106.0], spread=16.0)
    found = runs(world, 60, most=20_000)
    assert sum(map(world.is_right, found)) >= stats.binom.ppf(0.001, 60, 0.95)
    # With the first sample alone, it would be wrong more often.
    early = [select(world.sampler(seed), 3, AIM, most=60) for seed in range(60)]
    assert sum(map(world.is_right, early)) < sum(map(world.is_right, found))
    assert all(not each.proved for each in early)


# --- what is said when the budget ends it ------------------------------------------------------


def test_over_many_worlds_it_is_right_as_often_as_it_says() -> None:
    """Odds of all kinds, costs that hardly go with them, costs random in every other world."""
    right, said = [], []
    for seed in range(150):
        rng = np.random.default_rng([seed, 5])
        k = int(rng.integers(3, 30))
        odds = np.sort(rng.beta(*[(0.5, 0.5), (1, 1), (9, 1)][seed % 3], k))
        odds = odds[np.argsort(np.arange(k) + rng.normal(0, k / 6, k))]
        world = World(odds.tolist(), np.sort(rng.uniform(100, 200, k)).tolist(), 4.0 * (seed % 2))
        found = select(world.sampler(seed, 4_000), k, AIM, most=60 * k)
        right.append(world.is_right(found))
        said.append(found.confidence)
    assert 0.7 < np.mean(said) < 0.99
    chance = np.clip(said, 0.0, 1.0)
    slack = 3.1 * math.sqrt(float((chance * (1 - chance)).sum()))
    assert sum(right) >= sum(said) - slack


@pytest.mark.parametrize("world", [HARD, JUST, LADDER], ids=["hard", "just", "ladder"])
@pytest.mark.parametrize("each", [60, 400])
def test_where_it_says_to_be_sure_it_is_rarely_wrong(world: World, each: int) -> None:
    """Wrong and yet 95 % sure: in at most 5 % of the runs, also at the border."""
    found = runs(world, 120, most=each * len(world.odds))
    wrong = [one for one in found if not world.is_right(one)]
    for doubt in (0.05, 0.2):
        too_sure = sum(1.0 - one.confidence <= doubt for one in wrong)
        assert too_sure <= stats.binom.ppf(0.999, 120, doubt)
    if each == 60:
        assert wrong  # else this shows nothing


# --- what it does with its replications --------------------------------------------------------


def test_replications_go_where_they_can_change_the_answer() -> None:
    found = select(LADDER.sampler(1), 8, AIM, most=40_000)
    n = found.replications
    assert found.chosen is not None
    assert n[0] < 60 > n[-1]  # hopeless, and too dear to matter
    assert n[4:6].sum() > 0.6 * found.total
    assert found.ruled_out[:4].all()
    assert found.total == n.sum() <= 40_000


def test_the_budget_is_kept_and_progress_told() -> None:
    told: list[int] = []
    found = select(HARD.sampler(3), 6, AIM, most=999, tell=told.append)
    assert found.total <= 999
    assert not found.proved
    assert told == sorted(told)
    assert told[-1] == found.total


def test_it_ends_when_told_to() -> None:
    asked = [0]

    def stop() -> bool:
        asked[0] += 1
        return asked[0] > 3

    found = select(HARD.sampler(3), 6, AIM, stop=stop)
    assert not found.proved
    assert (found.replications >= AIM.first).all()
    assert found.total < 1_000
    at_once = select(HARD.sampler(3), 6, AIM, stop=lambda: True)
    assert (at_once.replications == AIM.first).all()  # without any it would have nothing to say


def test_the_same_luck_gives_the_same_answer() -> None:
    one, other = (select(HARD.sampler(3), 6, AIM, most=5_000) for _ in range(2))
    assert one.chosen == other.chosen
    assert (one.replications == other.replications).all()


# --- at the edges ------------------------------------------------------------------------------


def test_one_plan() -> None:
    good = select(World([0.95], [3.0]).sampler(1), 1)
    assert (good.chosen, good.proved) == (0, True)
    bad = select(World([0.5], [3.0]).sampler(1), 1)
    assert (bad.chosen, bad.proved) == (None, True)
    assert math.isnan(bad.within)


def test_no_plan_is_good_enough() -> None:
    found = select(World([0.1, 0.4, 0.6], [1, 2, 3]).sampler(2), 3)
    assert found.chosen is None
    assert found.confidence > 0.95
    assert found.ruled_out.all()


def test_all_are_good_enough() -> None:
    found = select(World([0.99] * 5, [5, 3, 2, 4, 6]).sampler(2), 5)
    assert found.chosen == 2
    assert (np.delete(found.replications, 2) == AIM.first).all()


def test_of_equal_costs_the_likelier_is_taken() -> None:
    tied = World([0.93, 0.999, 0.6], [4.0, 4.0, 4.0])
    for seed in range(5):
        found = select(tied.sampler(seed), 3, most=500)
        assert found.chosen is not None
        assert found.odds[found.chosen] == found.odds.max()
    nothing = World([0.99, 0.99], [0.0, 0.0])  # a project without hourly costs
    found = select(nothing.sampler(1), 2)
    assert (found.proved, found.within) == (True, 0.0)


def test_always_and_never() -> None:
    found = select(World([0.0, 1.0], [1, 2]).sampler(1), 2)
    assert (found.chosen, found.proved) == (1, True)
    assert found.odds.tolist() == [0.0, 1.0]


def test_a_tolerance_in_money() -> None:
    """7 dearer than the best is no matter if 10 are tolerated: the dear one need not be refuted."""
    world = World([0.89, 0.99], [100.0, 107.0])
    strict = select(world.sampler(4), 2, Aim(money=1.0), most=16_000)
    lax = select(world.sampler(4), 2, Aim(money=10.0), most=16_000)
    assert lax.within == 10.0
    assert lax.total < strict.total


@pytest.mark.parametrize(
    ("aim", "match"),
    [
        ({"wanted": 1.0}, "wanted odds lie below 1"),
        ({"zone": 0.0}, "above their indifference zone"),
        ({"wanted": 0.01, "zone": 0.02}, "above their indifference zone"),
        ({"tolerance": 0.0}, "tolerance lies above 0"),
        ({"money": -1.0}, "tolerance lies above 0"),
        ({"error": 0.0}, "between 0 and 1"),
        ({"first": 5}, "10 at least"),
    ],
)
def test_an_aim_that_cannot_be(aim: dict[str, float], match: str) -> None:
    with pytest.raises(ValueError, match=match):
        Aim(**aim)  # type: ignore[arg-type]


def test_there_must_be_a_plan() -> None:
    with pytest.raises(ValueError, match="no plan"):
        select(JUST.sampler(1), 0)


# --- the two-stage procedure -------------------------------------------------------------------


def test_the_published_two_stage_example() -> None:
    """n0 20, P* .90, d* 1: h 2.747 and N = 110, 61, 72, 63, 47 (Law; Dudewicz and Dalal 1975)."""
    h = two_stage_h(5, 20, 0.90)
    assert round(h, 3) == 2.747
    t = stats.t(19)
    again, _ = integrate.quad(lambda x: t.cdf(x + h) ** 4 * t.pdf(x), -np.inf, np.inf)
    assert again == pytest.approx(0.90, abs=1e-6)
    variances = np.array([14.52, 7.96, 9.45, 8.25, 6.20])
    assert two_stage_sizes(variances, 20, 1.0, h).tolist() == [110, 61, 72, 63, 47]


def test_no_variance_needs_one_more() -> None:
    assert two_stage_sizes(np.array([0.0, 1.0]), 20, 1.0, 2.0).tolist() == [21, 21]


def test_a_zone_half_as_wide_needs_four_times_as_many() -> None:
    one, half = (two_stage_sizes(np.array([50.0]), 20, zone, 2.747) for zone in (1.0, 0.5))
    assert half[0] == pytest.approx(4 * one[0], abs=4)
