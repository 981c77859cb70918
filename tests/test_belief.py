"""The belief: without returns the plain forecast, with returns what they say and no more."""

from __future__ import annotations

import math
import pickle
import time
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import optimize, stats
from scipy.special import expit, logit, ndtr, ndtri

from forecast import belief as belief_module
from forecast import diary, luck, replicate
from forecast.belief import Belief, Drawn, learn
from forecast.estimates import Estimate
from forecast.evidence import Composition, blocks
from forecast.folder import read_project
from forecast.history import NOTHING_YET, History
from forecast.items import Mould
from forecast.luck import plan as make_plan
from forecast.planning import Named, Plan
from forecast.project import PilotRow
from forecast.singles import DryingTime, absence, delivered, drying, log_censored_lognormal, share
from forecast.stages import Stage
from forecast.weekly import Count, DryingBatch, ExposureDay, Hours, Received, WeeklyReturn
from tests.small_returns import FIRST, history, uncertain_project, week

Floats = NDArray[np.float64]
Places = NDArray[np.uint64]

DEMO = Path(__file__).resolve().parent.parent / "scenario_data" / "demo"


def named(seed: int) -> tuple[Named, Named]:
    """Normals and uniforms of one replication: the same number for the same name."""

    def normals(names: Sequence[tuple[str, ...]], places: Places | None = None) -> Floats:
        return np.asarray(ndtri(numbers("n", names, places)))

    def uniforms(names: Sequence[tuple[str, ...]], places: Places | None = None) -> Floats:
        return numbers("u", names, places)

    def numbers(of: str, names: Sequence[tuple[str, ...]], places: Places | None) -> Floats:
        if places is None:
            return np.array([luck.stream(1, seed, of, *name).random() for name in names])
        of_places = [("at", str(place)) for place in places]
        return np.array([numbers(of, [(*name, *at) for at in of_places], None) for name in names])

    return normals, uniforms


def quick(seed: int) -> tuple[Named, Named]:
    """The same without names, for many draws of one belief."""
    rng = np.random.default_rng(seed)

    def normals(names: Sequence[tuple[str, ...]], places: Places | None = None) -> Floats:
        return rng.standard_normal((len(names), *(() if places is None else places.shape)))

    def uniforms(names: Sequence[tuple[str, ...]], places: Places | None = None) -> Floats:
        return rng.random((len(names), *(() if places is None else places.shape)))

    return normals, uniforms


@pytest.fixture(scope="module")
def plan() -> Plan:
    return make_plan(uncertain_project())


def values(plan: Plan, belief: Belief, name: tuple[str, ...], number: int = 300) -> Floats:
    """Draws of one estimate."""
    luck_of_all = quick(5)
    place = plan.estimates.number[name]
    return np.array(
        [
            belief.values(plan, belief.coordinates(plan, *luck_of_all)[0])[place]
            for _ in range(number)
        ]
    )


# Without returns


def test_without_returns_a_draw_is_the_plain_forecasts_own(plan: Plan) -> None:
    belief = learn(plan, NOTHING_YET, FIRST + timedelta(days=70))
    normals, uniforms = named(3)
    drawn = belief.drawn(plan, normals, uniforms)
    z = normals([("estimate", *name) for name in plan.estimates.names])
    np.testing.assert_array_equal(drawn.values, plan.estimates.quantiles.at(ndtr(z)))
    assert drawn == replace(Drawn(drawn.values))
    assert belief.learnt(plan) == ()


def test_a_return_counts_from_the_friday_of_its_week(plan: Plan) -> None:
    told = history(week(0, [Count(Stage.REBOXING, items=30)], [Hours("", Stage.REBOXING, 5.0, 0)]))
    assert learn(plan, told, FIRST + timedelta(days=3)).weeks == 0
    assert learn(plan, told, FIRST + timedelta(days=4)).weeks == 1


def test_a_return_that_tells_nothing_teaches_nothing(plan: Plan) -> None:
    belief = learn(plan, history(week(0)), FIRST + timedelta(days=6))
    normals, uniforms = named(4)
    drawn = belief.drawn(plan, normals, uniforms)
    z = normals([("estimate", *name) for name in plan.estimates.names])
    np.testing.assert_array_equal(drawn.values, plan.estimates.quantiles.at(ndtr(z)))
    assert drawn.week_factor is None
    assert drawn.mix is None


def test_what_returns_do_not_speak_of_stays_as_it_was(plan: Plan) -> None:
    told = history(
        *(
            week(n, [Count(Stage.REBOXING, items=30)], [Hours("", Stage.REBOXING, 6.0, 0)])
            for n in range(8)
        )
    )
    belief = learn(plan, told, FIRST + timedelta(days=60), busy={})
    normals, uniforms = named(5)
    drawn = belief.drawn(plan, normals, uniforms)
    z = normals([("estimate", *name) for name in plan.estimates.names])
    plain = plan.estimates.quantiles.at(ndtr(z))
    moved = {
        name
        for name, number in plan.estimates.number.items()
        if drawn.values[number] != plain[number]
    }
    assert moved == {
        ("task_times.csv", "reboxing/any/any/any/item"),
        ("time.practice",),
        ("time.week_spread",),
    }


# One by one


def test_censored_lognormal_is_that_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 8.4.1.3: ten failures, ten still running at 500 hours.

    The likelihood that drying uses, as narrow intervals around the failures, has its maximum
    there.
    """
    failed = np.array([54.0, 187, 216, 240, 244, 335, 361, 373, 375, 386])
    running = np.full(10, 500.0)
    half = 1e-4

    def deviance(parameters: Floats) -> float:
        mu, sigma = parameters[0], math.exp(parameters[1])
        exact = log_censored_lognormal(failed - half, failed + half, mu, sigma)
        left = log_censored_lognormal(running, np.full(10, math.inf), mu, sigma)
        return -float((exact - math.log(2.0 * half)).sum() + left.sum())

    found = optimize.minimize(deviance, np.array([6.0, 0.0]), method="Nelder-Mead", tol=1e-10)
    assert found.x[0] == pytest.approx(6.226015, abs=2e-4)
    assert math.exp(found.x[1]) == pytest.approx(0.908914, abs=2e-4)
    assert 2.0 * found.fun + 4.0 == pytest.approx(154.39, abs=0.01)


def test_logs_of_censored_probabilities_keep_their_digits_in_both_tails() -> None:
    low, high = np.array([1.0, 1e4, 2.0, 0.0]), np.array([1.1, 1.1e4, math.inf, 3.0])
    found = log_censored_lognormal(low, high, np.array(4.0), 0.5)
    own = stats.lognorm(0.5, scale=math.exp(4.0))
    for n in range(4):
        exact = own.cdf(high[n]) - own.cdf(low[n])
        if low[n] > 100.0:
            exact = own.sf(low[n]) - own.sf(high[n])
        assert found[n] == pytest.approx(math.log(exact), rel=1e-6)


def test_batches_that_still_dry_are_not_batches_that_are_dry() -> None:
    estimate = Estimate(3.0, 7.0, 16.0)
    rng = np.random.default_rng(6)
    days = 9.0 * np.exp(0.3 * rng.standard_normal(200) - 0.045)
    seen = 9.0  # nobody has looked later
    whole = [DryingTime(math.ceil(d) - 1.0, math.ceil(d), 1.0, (1.0,)) for d in days]
    cut = [w if w.at_most <= seen else DryingTime(seen, math.inf, 1.0, (1.0,)) for w in whole]
    ignored = [w for w in whole if w.at_most <= seen]
    done = [w if w.at_most <= seen else DryingTime(8.0, 9.0, 1.0, (1.0,)) for w in whole]

    def middle(times: Sequence[DryingTime]) -> float:
        number = drying([estimate], [0.3], times)[0]
        assert number is not None
        return estimate.quantile(float(ndtr(number.at(0.0))))

    assert middle(whole) == pytest.approx(9.0, rel=0.05)
    assert middle(cut) == pytest.approx(9.0, rel=0.06)
    assert middle(ignored) < 8.2
    assert middle(done) < 8.6


def test_days_of_drying_that_are_known_need_no_learning_and_help_to_tell_others() -> None:
    known, unknown = Estimate(6.0, 6.0, 6.0), Estimate(12.0, 20.0, 32.0)
    times = [DryingTime(days - 1.0, days, 5.0, (0.5, 0.5)) for days in (6.0, 24.0) * 8]
    first, second = drying([known, unknown], [0.1, 0.1], times)
    assert first is None
    assert second is not None
    assert unknown.quantile(float(ndtr(second.at(0.0)))) == pytest.approx(24.0, rel=0.05)


def test_two_kinds_of_drying_are_told_apart_by_what_was_put_in() -> None:
    slow, fast = Estimate(5.0, 8.0, 14.0), Estimate(1.0, 3.0, 6.0)
    rng = np.random.default_rng(7)
    times = []
    for n in range(120):
        kind = n % 2
        day = math.ceil((10.0, 2.5)[kind] * math.exp(0.25 * rng.standard_normal()))
        shares = (0.8, 0.2) if kind == 0 else (0.2, 0.8)
        times.append(DryingTime(day - 1.0, float(day), 1.0, shares))
    found = drying([slow, fast], [0.25, 0.25], times)
    middles = []
    for estimate, number in zip((slow, fast), found, strict=True):
        assert number is not None
        middles.append(estimate.quantile(float(ndtr(number.at(0.0)))))
    assert middles == [pytest.approx(10.0, rel=0.08), pytest.approx(2.5, rel=0.15)]


def test_shares_are_counted_and_the_estimate_weighs_less_and_less() -> None:
    estimate = Estimate(0.02, 0.08, 0.20, at_most_one=True)
    few = share(estimate, [1], [4])
    many = share(estimate, [15] * 40, [100] * 40)
    assert few is not None
    assert many is not None
    of_few = [estimate.quantile(float(ndtr(few.at(z)))) for z in (-1.645, 0.0, 1.645)]
    of_many = [estimate.quantile(float(ndtr(many.at(z)))) for z in (-1.645, 0.0, 1.645)]
    assert of_few[2] - of_few[0] > 0.14
    assert of_many[1] == pytest.approx(0.15, abs=0.005)
    assert of_many[2] - of_many[0] < 0.03
    assert share(estimate, [0], [0]) is None
    assert share(Estimate.known(0.0), [0], [10]) is None


def test_weeks_that_differ_pass_for_less_than_weeks_that_do_not() -> None:
    estimate = Estimate(0.02, 0.08, 0.20, at_most_one=True)
    even = share(estimate, [8] * 20, [100] * 20)
    wild = share(estimate, [0, 16] * 10, [100] * 20)
    assert even is not None
    assert wild is not None
    assert wild.at(1.0) - wild.at(-1.0) > 1.3 * (even.at(1.0) - even.at(-1.0))


def test_absence_is_learnt_from_days_and_spells_count_as_spells() -> None:
    estimate = Estimate(3.0, 6.0, 15.0)
    short = absence(estimate, 60.0, 1_500.0, 250.0, 1.0)
    long = absence(estimate, 60.0, 1_500.0, 250.0, 5.0)
    assert short is not None
    assert long is not None
    assert estimate.quantile(float(ndtr(short.at(0.0)))) == pytest.approx(10.0, rel=0.05)
    assert long.at(1.0) - long.at(-1.0) > 1.5 * (short.at(1.0) - short.at(-1.0))


def test_delivered_time_is_a_share_of_each_week_and_weeks_may_drift() -> None:
    estimate = Estimate(0.60, 0.75, 0.85, at_most_one=True)
    steady = delivered(estimate, range(30), [0.70] * 30, 1.0, [0.0] * 30, [0.0] * 30)
    assert steady is not None
    middle = estimate.quantile(float(ndtr(steady.number.at(0.0))))
    assert middle == pytest.approx(0.70, abs=0.01)
    late = [0.75] * 20 + [0.55] * 10
    sunk = delivered(estimate, range(30), late, 1.0, [0.0] * 30, [0.0] * 30)
    assert sunk is not None
    weeks = np.arange(30.0, 34.0)
    level = math.log(0.7 / 0.3)
    next_weeks = [
        sunk.deviations(level, weeks, u, np.zeros(5))[0] for u in np.linspace(0.02, 0.98, 25)
    ]
    assert np.mean(next_weeks) < -0.2  # they go on as they were lately
    assert sunk.number.at(1.0) - sunk.number.at(-1.0) > 1.5 * (
        steady.number.at(1.0) - steady.number.at(-1.0)
    )


def test_where_limits_end_peoples_work_their_hours_do_not_tell_the_delivered_share() -> None:
    """Of a share that shows by half in the hours, half of what they moved by is seen."""
    estimate = Estimate(0.60, 0.75, 0.85, at_most_one=True)
    true = 0.68
    at = estimate.quantile(0.5)
    found = {}
    for felt in (1.0, 0.5, 0.05):
        seen = expit(logit(at) + felt * (logit(true) - logit(at)))
        one = delivered(estimate, range(40), [seen] * 40, 1.0, [0.0] * 40, [0.3] * 40, (at, felt))
        assert one is not None
        points = [estimate.quantile(float(ndtr(one.number.at(z)))) for z in (-1.28, 0.0, 1.28)]
        found[felt] = points[1], points[2] - points[0]
    assert found[1.0][0] == pytest.approx(true, abs=0.015)
    assert true < found[1.0][0] < found[0.5][0] < found[0.05][0] < at + 0.01
    prior = estimate.quantile(0.9) - estimate.quantile(0.1)
    assert found[1.0][1] < found[0.5][1] < found[0.05][1]
    assert found[0.05][1] > 0.95 * prior


def test_hours_of_weeks_with_idle_people_say_less_of_the_delivered_share() -> None:
    estimate = Estimate(0.60, 0.75, 0.85, at_most_one=True)
    widths = []
    for idle in (0.0, 1.0):
        found = delivered(estimate, range(20), [0.70] * 20, 1.0, [0.0] * 20, [idle] * 20)
        assert found is not None
        widths.append(found.number.at(1.0) - found.number.at(-1.0))
    assert widths[1] > 1.5 * widths[0]


# What returns leave out


def rebox(n: int, hours: float | None, items: int | None = 40) -> WeeklyReturn:
    counts = [] if items is None else [Count(Stage.REBOXING, items=items)]
    return week(n, counts, [] if hours is None else [Hours("", Stage.REBOXING, hours, 0)])


def reboxing(plan: Plan, *returns: WeeklyReturn) -> tuple[float, ...]:
    """Minutes an item of each stretch, and first passes before it."""
    middle = plan.estimates.quantiles.at(np.full(len(plan.estimates.names), 0.5))
    composition = Composition(plan)
    images = np.zeros(len(composition.cell))
    found = blocks(composition, history(*returns), Stage.REBOXING, middle, images)
    return tuple(
        number
        for block in found
        for number in (round(block.minutes / block.items.sum(), 3), round(block.before, 1))
    )


def test_items_without_hours_count_as_practice_only(plan: Plan) -> None:
    assert reboxing(plan, rebox(0, 6.0), rebox(1, None), rebox(2, 6.0)) == (9.0, 20.0, 9.0, 100.0)


def test_hours_before_the_first_finished_item_belong_to_it(plan: Plan) -> None:
    assert reboxing(plan, rebox(0, 2.0, 0), rebox(1, 4.0)) == (9.0, 20.0)


def test_a_missing_week_is_a_gap(plan: Plan) -> None:
    assert reboxing(plan, rebox(0, 6.0), rebox(5, 6.0)) == (9.0, 20.0, 9.0, 60.0)


def cleaning(plan: Plan, told: WeeklyReturn) -> float:
    """Handling hours of one week at cleaning."""
    middle = plan.estimates.quantiles.at(np.full(len(plan.estimates.names), 0.5))
    composition = Composition(plan)
    images = np.zeros(len(composition.cell))
    (block,) = blocks(composition, history(told), Stage.CLEANING, middle, images)
    return block.minutes / 60.0


MOULDY = Count(Stage.CLEANING, "volume", Mould.INACTIVE, False, 20)


def test_clothing_and_clearing_are_taken_out_as_told(plan: Plan) -> None:
    told = week(0, [MOULDY], [Hours("A", Stage.CLEANING, 24.0, 12)])
    assert cleaning(plan, told) == pytest.approx(24.0 - 12 * 35.0 / 60.0)


def test_untold_sessions_follow_from_exposure_or_from_the_limits(plan: Plan) -> None:
    hours = [Hours("A", Stage.CLEANING, 12.0), Hours("B", Stage.CLEANING, 12.0)]
    days = tuple(
        ExposureDay(FIRST + timedelta(days=d), person, 2.5) for d in range(4) for person in "AB"
    )
    by_exposure = cleaning(plan, week(0, [MOULDY], hours, exposure=days))
    assert by_exposure == pytest.approx(24.0 - 8 * 35.0 / 60.0)
    by_limits = cleaning(plan, week(0, [MOULDY], hours))
    assert by_limits == pytest.approx(24.0 - 24.0 / (190.0 / 60.0 * 0.8) * 35.0 / 60.0, rel=1e-6)


def test_clean_items_have_no_overhead(plan: Plan) -> None:
    row = Count(Stage.CLEANING, "volume", Mould.NONE, False, 40)
    told = week(0, [row], [Hours("", Stage.CLEANING, 12.0, 6)])
    assert cleaning(plan, told) == pytest.approx(12.0)


def test_a_stage_total_is_shared_out_as_the_survey_lets_one_expect(plan: Plan) -> None:
    composition = Composition(plan)
    items = composition.of(Count(Stage.CLEANING, items=100), 0.0)
    assert items.sum() == pytest.approx(100.0)
    shares = np.array([plan.alpha[0, m] / plan.alpha[0].sum() for m in range(3)])
    # All near the beginning are of the first series.
    np.testing.assert_allclose(items[:3], 100.0 * shares)
    # An item with active mould is dried; nothing else is.
    dried = composition.of(Count(Stage.DRYING, items=10), 0.0)
    np.testing.assert_allclose(dried[[2, 5]].sum(), 10.0)


def test_items_timed_before_the_start_count_as_soon_as_there_is_a_return(plan: Plan) -> None:
    slow = tuple(
        PilotRow(Stage.REBOXING, "volume", Mould.NONE, False, minutes)
        for minutes in (12.0, 13.5, 12.5, 14.0, 13.0, 12.0, 13.0, 14.0)
    )
    timed = make_plan(replace(uncertain_project(), pilot=slow))
    nothing = learn(timed, NOTHING_YET, FIRST)
    assert nothing.pace is None
    name = "task_times.csv", "reboxing/any/any/any/item"
    told = history(rebox(0, 6.0))
    after = [
        float(np.median(values(each, learn(each, told, FIRST + timedelta(days=6)), name)))
        for each in (plan, timed)
    ]
    assert after[1] > 1.05 * after[0]


# Everything together


@pytest.fixture(scope="module")
def demo() -> tuple[Plan, tuple[WeeklyReturn, ...], luck.Replication]:
    """A future of the demo as returns: about seventy weeks."""
    project = read_project(DEMO)
    made = make_plan(project)
    drawn, rows = replicate.one_record(made, 1, 3)
    told = diary.returns(made, drawn, rows, project.grant.horizon)
    return made, told, drawn


Demo = tuple[Plan, tuple[WeeklyReturn, ...], luck.Replication]


def test_the_order_of_what_is_told_does_not_matter(demo: Demo) -> None:
    made, told, _ = demo
    some = told[:10]
    turned = tuple(
        replace(each, counts=each.counts[::-1], hours=each.hours[::-1], drying=each.drying[::-1])
        for each in some
    )
    first, second = (learn(made, History.of(each), some[-1].last_day) for each in (some, turned))
    normals, uniforms = named(1)
    np.testing.assert_allclose(
        first.drawn(made, normals, uniforms).values,
        second.drawn(made, normals, uniforms).values,
        rtol=1e-6,
    )


def test_what_comes_later_is_not_known(demo: Demo) -> None:
    made, told, _ = demo
    whole, cut = History.of(told), History.of(told[:10])
    as_of = told[9].last_day
    first, second = (learn(made, each, as_of) for each in (whole, cut))
    normals, uniforms = named(2)
    np.testing.assert_array_equal(
        first.drawn(made, normals, uniforms).values, second.drawn(made, normals, uniforms).values
    )


def test_a_belief_can_be_sent_to_a_worker(demo: Demo) -> None:
    made, told, _ = demo
    belief = learn(made, History.of(told[:12]), told[11].last_day)
    sent = pickle.loads(pickle.dumps(belief))
    normals, uniforms = named(3)
    here, there = (each.drawn(made, normals, uniforms) for each in (belief, sent))
    np.testing.assert_array_equal(here.values, there.values)
    assert here.week_factor is not None
    np.testing.assert_array_equal(here.week_factor, there.week_factor)
    assert len(pickle.dumps(belief)) < 5_000_000


def test_tables_fit_the_plan_and_begin_with_the_first_simulated_week(demo: Demo) -> None:
    made, told, _ = demo
    belief = learn(made, History.of(told[:26]), told[25].last_day)
    later = make_plan(made.project, made.project.day_number(told[25].last_day) + 1)
    drawn = belief.drawn(later, *quick(1))
    assert drawn.practice is not None
    assert drawn.practice.shape == (9, len(later.doublings))
    assert (np.diff(drawn.practice, axis=1) <= 0.0).all()
    assert drawn.week_factor is not None
    assert drawn.week_factor.shape == (9, len(later.week_place))
    assert (drawn.week_factor[:, :26] == 1.0).all()
    assert (drawn.week_factor[Stage.CLEANING, 26:] != 1.0).all()
    assert drawn.share is not None
    assert drawn.share.shape == (made.project.days,)
    assert ((drawn.share > 0.0) & (drawn.share < 1.0)).all()
    assert drawn.mix is not None
    np.testing.assert_allclose(drawn.mix[:, -1], 1.0)
    assert (np.diff(drawn.mix, axis=1) >= 0.0).all()


def test_two_beliefs_with_the_same_luck_differ_by_what_was_learnt(demo: Demo) -> None:
    """One more week moves a draw far less than other luck does."""
    made, told, _ = demo
    beliefs = [learn(made, History.of(told[:n]), told[n - 1].last_day) for n in (30, 31)]
    name = "task_times.csv", "cleaning/volume/any/any/item"
    place = made.estimates.number[name]
    drawn = []
    for seed in range(40):
        normals, uniforms = named(seed)
        drawn.append([b.drawn(made, normals, uniforms).values[place] for b in beliefs])
    table = np.log(drawn)
    assert (table[:, 1] - table[:, 0]).std() < 0.6 * table[:, 0].std()


def test_estimates_that_the_plan_has_changed_since_keep_their_coordinates(demo: Demo) -> None:
    made, told, _ = demo
    belief = learn(made, History.of(told[:8]), told[7].last_day)
    rows = made.project.task_times
    more = replace(rows[0], stage=Stage.DESCRIBING, material="map")
    other = make_plan(replace(made.project, task_times=(*rows, more)))
    drawn = belief.drawn(other, *named(4))
    plain = belief.drawn(made, *named(4))
    for name in made.estimates.names:
        assert drawn.values[other.estimates.number[name]] == pytest.approx(
            plain.values[made.estimates.number[name]]
        ), name


def test_it_says_what_was_learnt_in_the_units_of_a_team(demo: Demo) -> None:
    made, told, _ = demo
    belief = learn(made, History.of(told[:26]), told[25].last_day)
    table = {each.name: each for each in belief.learnt(made)}
    volumes = table["cleaning/volume/any/any/item"]
    assert volumes.unit == "minutes an item at the present practice"
    assert volumes.evidence == 26
    assert volumes.prior[0] < volumes.posterior[0] < volumes.posterior[2] < volumes.prior[2]
    assert volumes.still_estimate < 0.5 < table["cleaning/map/any/any/item"].still_estimate
    assert "drying/any/active/any/item" in table


def test_only_the_product_is_learnt_where_absence_is_not_told_apart(demo: Demo) -> None:
    made, told, _ = demo
    silent = tuple(
        replace(each, hours=tuple(row for row in each.hours if row.stage is not None))
        for each in told[:30]
    )
    belief = learn(made, History.of(silent), silent[-1].last_day)
    assert not belief.away_told
    luck_of_all = quick(8)
    number = made.estimates.number
    both = np.array(
        [
            belief.values(made, belief.coordinates(made, *luck_of_all)[0])[
                [number["time.delivered_share",], number["time.absence_days_a_year",]]
            ]
            for _ in range(300)
        ]
    )
    present = 1.0 - both[:, 1] / made.absence_days
    assert np.corrcoef(both[:, 0], present)[0, 1] < -0.2
    assert (both[:, 0] * present).std() < both[:, 0].std()


def test_a_refit_at_seventy_weeks_of_the_demo_takes_seconds(demo: Demo) -> None:
    made, told, _ = demo
    learn(made, History.of(told[:2]), told[1].last_day)
    begin = time.process_time()
    learn(made, History.of(told), told[-1].last_day)
    assert time.process_time() - begin < 3.0


def test_true_minutes_and_days_of_a_simulated_future_are_found_again(demo: Demo) -> None:
    made, told, _ = demo
    belief = learn(made, History.of(told), told[-1].last_day)
    true = luck._believed(made, luck._Draws(1, 3), luck.Shared())
    for row, tolerance in (("drying/any/active/any/item", 0.08),):
        found = np.median(values(made, belief, ("task_times.csv", row)))
        assert found == pytest.approx(true("task_times.csv", row), rel=tolerance)
    images = np.median(values(made, belief, ("collection.csv", "Quay ledgers", "folder")))
    assert images == pytest.approx(true("collection.csv", "Quay ledgers", "folder"), rel=0.02)


def test_received_and_drying_rows_of_a_slip_are_left_out(plan: Plan) -> None:
    batch = DryingBatch("1", FIRST, 4, FIRST, 0)  # out on the day on which it went in
    told = week(0, drying=(batch,), received=(Received("X", "1", "volume", Mould.NONE, False, 3),))
    belief = learn(plan, history(told), FIRST + timedelta(days=6))
    assert ("task_times.csv", "drying/any/any/any/item") not in belief.numbers


def drying_known_to(*told: WeeklyReturn) -> dict[str, date]:
    return belief_module._batches(history(*told))[1]


def test_a_batch_may_have_come_out_in_a_week_that_nobody_told_of() -> None:
    """Its row is lost then, and it is no batch that dries for ever."""
    batch = DryingBatch("1", FIRST + timedelta(days=2), 4)
    other = DryingBatch("2", FIRST + timedelta(days=16), 4)
    sundays = [FIRST + timedelta(days=7 * n + 6) for n in range(5)]
    nothing = frozenset({"drying"})
    told = [
        week(0, drying=(batch,)),
        replace(week(1), told=nothing),
        week(3, drying=(other,)),
        replace(week(4), told=nothing),
    ]
    assert drying_known_to(*told) == {"1": sundays[1], "2": sundays[4]}
    listed_again = week(3, drying=(other, batch))
    assert drying_known_to(*told[:2], listed_again)["1"] == sundays[3]


def test_what_is_due_waits_for_somebody_who_may_do_mould_work(plan: Plan) -> None:
    """Limits may leave no mould work on a day of the rota: then nobody sees to what dries."""
    by_rota = belief_module._attended(plan, history())
    day = int(np.flatnonzero(by_rota[:7])[0])
    person = next(row.person for row in plan.project.team if row.mould_work)
    exposed = ExposureDay(plan.project.date_of(day), person, 2.0)
    told = belief_module._attended(plan, history(week(0, exposure=(exposed,))))
    assert np.flatnonzero(told[:7]).tolist() == [day]
    np.testing.assert_array_equal(told[7:], by_rota[7:])
