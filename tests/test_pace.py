"""Pace: practice as published tables have it, and what weeks of returns say about minutes."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from forecast import pace
from forecast.evidence import Block
from forecast.luck import plan as make_plan
from forecast.pace import (
    PaceBelief,
    StageEvidence,
    doublings,
    learn_pace,
    log_mean_week,
    shapes,
    week_shock,
)
from forecast.planning import Plan
from forecast.stages import Stage
from tests.small_returns import uncertain_project

Floats = NDArray[np.float64]

# Crawford's unit curve, as tables of learning curves print it: factor a doubling, the tenth unit
# and the total of ten where the first is 1.
CRAWFORD = ((0.80, 0.4765, 6.3154), (0.85, 0.5828, 7.1161), (0.90, 0.7047, 7.9945))


@pytest.mark.parametrize(("factor", "tenth", "total"), CRAWFORD)
def test_practice_is_the_unit_learning_curve(factor: float, tenth: float, total: float) -> None:
    before = np.arange(10.0)
    units = factor ** doublings(before, 1.0)
    assert units[9] == pytest.approx(tenth, abs=5e-5)
    assert units.sum() == pytest.approx(total, abs=5e-5)


def test_practice_at_85_percent_of_100_units_that_begin_at_100() -> None:
    # The worked example of the CRAN package learningCurve (unit model): a = 100, n = 125.
    units = 100.0 * 0.85 ** doublings(np.arange(125.0), 1.0)
    assert units[124] == pytest.approx(32.2365, abs=5e-5)
    assert units.sum() == pytest.approx(5201.085, abs=5e-4)


def test_practice_ends_where_it_saturates() -> None:
    passes = np.array([0.0, 50.0, 1_000.0, 5_000.0])
    told = doublings(passes, 100.0, 1_000.0)
    np.testing.assert_allclose(told[:3], doublings(passes, 100.0)[:3])
    assert told[3] == told[2]


def test_all_shapes_of_practice_agree_where_half_is_done() -> None:
    found = shapes(100.0, 3_000)
    half = [float(shape.of(np.array(1_500.0))) for shape in found[:-1]]
    np.testing.assert_allclose(half, math.log2(16.0))
    assert found[0].scale == 1.0
    assert found[-1].of(np.array(1_500.0)) == 0.0
    assert sum(shape.weight for shape in found) == pytest.approx(1.0)


@pytest.mark.parametrize("sigma", [0.02, 0.12, 0.4])
def test_good_and_bad_weeks_to_come_have_mean_1(sigma: float) -> None:
    # 400,000 even probabilities stand for chance.
    from scipy.special import ndtri

    z = ndtri((np.arange(400_000) + 0.5) / 400_000)
    shocks = week_shock(z, sigma)
    assert np.exp(shocks).mean() == pytest.approx(1.0, abs=2e-3 * sigma)
    # In the middle they are as wide as the normal that fits the same weeks.
    assert np.quantile(shocks, 0.9) - np.quantile(shocks, 0.1) == pytest.approx(
        2 * 1.2816 * sigma, rel=0.03
    )
    assert log_mean_week(np.array([sigma]))[0] > 0.0


# What stretches of weeks say


def stretches(
    plan: Plan,
    stage: Stage,
    minutes: Sequence[float],
    practice: float = 1.0,
    first_week: int = 105_700,
) -> tuple[Block, ...]:
    """A week of 40 items of the first category after another, each at its minutes."""
    items = np.zeros(len(plan.mould))
    items[0] = 40.0
    found = []
    for n, each in enumerate(minutes):
        before = 40.0 * n + 20.0
        factor = practice ** float(doublings(np.array(before), 50.0))
        found.append(
            Block(
                week=float(first_week + n),
                minutes=40.0 * each * factor,
                items=items,
                images=np.zeros(len(items)),
                before=before,
                variance=0.1**2 / 40.0,
                weeks=1,
                told=True,
            )
        )
    return tuple(found)


def draws(plan: Plan, found: PaceBelief, passes: float, number: int = 400) -> Floats:
    """(number, 3) minutes of an item at reboxing at present, practice, spread."""
    rng = np.random.default_rng(1)
    table = []
    names = plan.estimates.names
    for _ in range(number):
        drawn = found.drawn(
            rng.standard_normal(len(found.names)), rng.random(len(found.uniform_names))
        )
        z = np.array([drawn.z.get(name, 0.0) for name in names])
        from scipy.special import ndtr

        values = plan.estimates.quantiles.at(ndtr(z))
        practice = float(values[plan.estimates.number[pace.PRACTICE]])
        own = float(values[plan.estimates.number["task_times.csv", "reboxing/any/any/any/item"]])
        logs = math.log(practice) * float(drawn.shape.of(np.array(passes)))
        logs += drawn.level[Stage.REBOXING] + drawn.drift[Stage.REBOXING]
        table.append((own * math.exp(logs), practice, drawn.sigma))
    return np.array(table)


@pytest.fixture(scope="module")
def plan() -> Plan:
    return make_plan(uncertain_project())


def noise(weeks: int, sigma: float, seed: int) -> Floats:
    rng = np.random.default_rng(seed)
    return np.exp(sigma * rng.standard_normal(weeks) - sigma**2 / 2.0)


def fitted(plan: Plan, minutes: Sequence[float], practice: float = 1.0) -> PaceBelief:
    blocks = stretches(plan, Stage.REBOXING, minutes, practice)
    found = learn_pace(plan, [(Stage.REBOXING, blocks)])
    assert found is not None
    return found


def test_without_weeks_nothing_is_learnt(plan: Plan) -> None:
    assert learn_pace(plan, []) is None
    assert learn_pace(plan, [(Stage.CLEANING, ()), (Stage.REBOXING, ())]) is None


def test_minutes_practice_and_spread_of_synthetic_weeks_are_found_again(plan: Plan) -> None:
    minutes = 11.5 * noise(60, 0.10, seed=3)
    table = draws(plan, fitted(plan, minutes.tolist(), practice=0.93), passes=2_400.0)
    truth = (11.5 * 0.93 ** float(doublings(np.array(2_400.0), 50.0)), 0.93, 0.10)
    for column, true in zip(table.T, truth, strict=True):
        low, high = np.quantile(column, (0.005, 0.995))
        assert low < true < high
    # Known within a few percent after 60 weeks, where the estimate alone said within 40.
    assert np.log(table[:, 0]).std() < 0.05
    assert abs(np.median(table[:, 2]) - 0.10) < 0.03


def test_more_weeks_leave_less_uncertain(plan: Plan) -> None:
    minutes = (9.0 * noise(60, 0.10, seed=5)).tolist()
    widths = [
        np.log(draws(plan, fitted(plan, minutes[:n]), passes=40.0 * n)[:, 0]).std()
        for n in (2, 8, 60)
    ]
    # Drift and steps keep the present pace from being known ever better.
    assert widths[0] > 1.2 * widths[1]
    assert widths[0] > 1.5 * widths[2]


def test_constant_under_reporting_cannot_be_seen(plan: Plan) -> None:
    """Hours that are always a tenth short are minutes that are a tenth less, and as sure."""
    minutes = 10.0 * noise(40, 0.08, seed=7)
    whole = draws(plan, fitted(plan, minutes.tolist()), passes=1_600.0)
    short = draws(plan, fitted(plan, (0.9 * minutes).tolist()), passes=1_600.0)
    assert np.median(short[:, 0]) / np.median(whole[:, 0]) == pytest.approx(0.9, abs=0.01)
    assert np.log(short[:, 0]).std() == pytest.approx(np.log(whole[:, 0]).std(), rel=0.25)


def unfinished(plan: Plan, weeks: Sequence[int], people: int, stage: Stage) -> StageEvidence:
    """Weeks of 8 items whose only noise is what people leave unfinished."""
    items = np.zeros(len(plan.mould))
    items[0] = 8.0
    blocks = [
        Block(
            week=float(week),
            minutes=800.0,
            items=items,
            images=np.zeros(len(items)),
            before=8.0 * n + 4.0,
            variance=people / (6.0 * 64.0),
            weeks=1,
            told=True,
            people=people,
        )
        for n, week in enumerate(weeks)
    ]
    return StageEvidence.of(plan, stage, blocks)


def test_what_is_left_unfinished_does_not_add_up_over_weeks(plan: Plan) -> None:
    mean, variance = pace.IN_HAND[Stage.CLEANING]
    for number in (1, 5, 40):
        found = unfinished(plan, range(105_700, 105_700 + number), 2, Stage.CLEANING)
        # In items: nothing before the first week, so that only the last one's end is left.
        assert 8.0**2 * found.covariance.sum() == pytest.approx(2 * variance)
        usual = math.log(800.0) - np.array([math.log1p(2 * mean / 8.0), *[0.0] * (number - 1)])
        np.testing.assert_allclose(found.log_minutes, usual)
        assert (np.linalg.eigvalsh(found.covariance) > 0.0).all()


def test_months_without_returns_part_what_is_left_unfinished(plan: Plan) -> None:
    _, variance = pace.IN_HAND[Stage.CLEANING]
    found = unfinished(plan, [105_700, 105_701, 105_800, 105_801], 1, Stage.CLEANING)
    assert abs(found.covariance[1, 2]) < 1e-6 < abs(found.covariance[0, 1])
    ends = found.covariance[:2, :2].sum(), found.covariance[2:, 2:].sum()
    # Later weeks begin with something in hand that nobody told of: two ends, two weeks apart.
    apart = 2.0 * variance * (1.0 - pace.IN_HAND_LEFT**2)
    assert 64.0 * np.array(ends) == pytest.approx([variance, apart])


def test_items_timed_before_the_start_leave_nothing_unfinished(plan: Plan) -> None:
    found = unfinished(plan, range(105_700, 105_703), 0, Stage.CLEANING)
    assert not found.covariance.any()
    np.testing.assert_allclose(found.log_minutes, math.log(800.0))


def test_one_wild_week_hardly_moves_the_pace(plan: Plan) -> None:
    minutes = (9.0 * noise(30, 0.08, seed=9)).tolist()
    calm = np.median(draws(plan, fitted(plan, minutes), passes=1_200.0)[:, 0])
    wild = minutes.copy()
    wild[15] *= 3.0
    moved = np.median(draws(plan, fitted(plan, wild), passes=1_200.0)[:, 0])
    # An average to date would move by 2 / 30.
    assert abs(moved / calm - 1.0) < 0.025


def test_a_step_six_weeks_ago_is_followed(plan: Plan) -> None:
    minutes = 9.0 * noise(40, 0.08, seed=11)
    minutes[34:] *= 1.35
    at_present = np.median(draws(plan, fitted(plan, minutes.tolist()), passes=1_600.0)[:, 0])
    before = np.median(draws(plan, fitted(plan, minutes[:34].tolist()), passes=1_360.0)[:, 0])
    # Six weeks at a spread of 0.08 tell a step of 0.30 within 0.04 or so.
    assert at_present / before == pytest.approx(1.35, abs=0.12)


def test_a_pace_outside_the_three_numbers_is_found(plan: Plan) -> None:
    # Reboxing is estimated at 6, 9 and 14 minutes: no estimate reaches 20.
    minutes = (20.0 * noise(50, 0.08, seed=13)).tolist()
    at_present = draws(plan, fitted(plan, minutes), passes=2_000.0)[:, 0]
    assert np.median(at_present) == pytest.approx(20.0, rel=0.08)


def test_nobody_getting_faster_is_believed_after_a_while(plan: Plan) -> None:
    minutes = (9.0 * noise(60, 0.06, seed=15)).tolist()
    found = fitted(plan, minutes)
    table = draws(plan, found, passes=2_400.0)
    assert np.median(table[:, 0]) == pytest.approx(9.0, rel=0.04)
    weight = np.exp(found.log_weight).sum(axis=(1, 2))
    assert weight[-1] > 0.10  # more than before anything was known
    assert found.shapes[-1].scale == 0.0


def test_weeks_without_conditions_leave_more_uncertain(plan: Plan) -> None:
    minutes = (9.0 * noise(40, 0.08, seed=17)).tolist()
    told = stretches(plan, Stage.REBOXING, minutes)
    untold = [Block(**{**block.__dict__, "told": False}) for block in told]
    widths = []
    for blocks in (told, untold):
        found = learn_pace(plan, [(Stage.REBOXING, blocks)])
        assert found is not None
        widths.append(np.log(draws(plan, found, passes=1_600.0)[:, 0]).std())
    assert widths[1] > 1.2 * widths[0]


def test_a_known_practice_and_spread_stay_what_they_are() -> None:
    known = make_plan(uncertain_project(practice_known=True))
    found = fitted(known, (9.0 * noise(20, 0.12, seed=19)).tolist(), practice=0.94)
    table = draws(known, found, passes=800.0)
    np.testing.assert_allclose(table[:, 1], 0.94)
    np.testing.assert_allclose(table[:, 2], 0.12)


def test_a_gap_of_weeks_is_only_a_gap(plan: Plan) -> None:
    minutes = (9.0 * noise(30, 0.08, seed=21)).tolist()
    early = stretches(plan, Stage.REBOXING, minutes[:15])
    late = stretches(plan, Stage.REBOXING, minutes, first_week=105_720)[15:]
    found = learn_pace(plan, [(Stage.REBOXING, (*early, *late))])
    assert found is not None
    table = draws(plan, found, passes=1_200.0)
    assert np.median(table[:, 0]) == pytest.approx(9.0, rel=0.06)
    assert (found.stages[0].last_week - 105_700) == 20 + 29


def test_the_same_luck_gives_the_same_draw_and_more_practice_less_minutes(plan: Plan) -> None:
    found = fitted(plan, (9.0 * noise(12, 0.1, seed=23)).tolist())
    rng = np.random.default_rng(2)
    normals, uniforms = rng.standard_normal(len(found.names)), rng.random(2)
    assert found.drawn(normals, uniforms) == found.drawn(normals, uniforms)
    more = normals.copy()
    more[found.names.index(("estimate", *pace.PRACTICE))] += 1.0
    first, second = found.drawn(normals, uniforms), found.drawn(more, uniforms)
    assert second.z[pace.PRACTICE] > first.z[pace.PRACTICE]
