"""The reducer, by hand and through the walkthrough; odds, quantiles, and the way to disk."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import fields, replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats

from forecast import luck, outcome, walkthrough
from forecast.errors import InputError
from forecast.events import What
from forecast.items import Mould
from forecast.luck import Replication
from forecast.outcome import NOT_BY_HORIZON, Futures, Outcome, reduce_record
from forecast.project import Checking, Drying, Grant, Outcomes, Places, Project
from forecast.stages import Place, Stage
from tests.audit import audit
from tests.random_projects import Case, cases, future
from tests.small_projects import MONDAY, Lot, day, per_item, person, share, small_project

DAY, HOUR = 86_400, 3_600


def _luck(project: Project, first_day: int = 0, **changes: Any) -> Replication:
    return replace(luck.replication(luck.plan(project, first_day), 1, 0), **changes)


def _row(time: int, what: What, **columns: int) -> tuple[int, ...]:
    order = ("stage", "item", "person", "place")
    return (time, what, *(columns.get(name, -1) for name in order))


def _reduce(
    rows: Sequence[tuple[int, ...]], luck_: Replication, counts: Sequence[str] = ("done",)
) -> Outcome:
    return reduce_record(np.array(rows, dtype=np.int64).reshape(-1, 6), luck_, 2, counts)


def _walked(project: Project, first_day: int = 0) -> Outcome:
    future_ = _luck(project, first_day)
    return reduce_record(walkthrough.run(future_), future_, 2, ("done",))


def _two_volumes(**changes: Any) -> Project:
    return small_project(
        [Lot(2)], [per_item("reboxing", 60)], [person("AB", "reboxing")], **changes
    )


# --- finish ------------------------------------------------------------------------------------


def test_the_finish_is_the_date_of_the_last_items_end_and_not_of_the_clearing_after_it() -> None:
    rows = [
        _row(5 * DAY - 1 - HOUR, What.SESSION_BEGINS, stage=6, person=0, place=0),
        _row(5 * DAY - 60, What.DONE, item=0),
        _row(5 * DAY - 1, What.DONE, item=1),
        _row(5 * DAY + HOUR, What.SESSION_ENDS, stage=6, person=0, place=0),
    ]
    assert _reduce(rows, _luck(_two_volumes())).finish_day == 4


def test_what_happens_at_midnight_belongs_to_the_date_that_begins() -> None:
    rows = [_row(5 * DAY, What.DONE, item=0), _row(5 * DAY, What.DONE, item=1)]
    reduced = _reduce(rows, _luck(_two_volumes()))
    assert reduced.finish_day == 5
    assert reduced.done_by_day[4:6].tolist() == [0, 2]


def test_an_item_that_is_still_on_its_way_leaves_the_finish_open() -> None:
    reduced = _reduce([_row(DAY, What.DONE, item=0)], _luck(_two_volumes()))
    assert reduced.finish_day == NOT_BY_HORIZON
    assert reduced.outcomes.tolist() == [1, 0, 0, 0, 1]


def test_items_that_end_otherwise_count_for_the_finish_and_apart_from_what_is_done() -> None:
    project = small_project(
        [Lot(3)], [per_item("reboxing", 60)], [person("AB", "reboxing")], outcomes=Outcomes()
    )
    rows = [
        _row(1 * DAY, What.DONE, item=0),
        _row(2 * DAY, What.SET_ASIDE, item=1),
        _row(3 * DAY, What.NOT_IMAGED, item=2),
    ]
    reduced = _reduce(rows, _luck(project))
    assert reduced.finish_day == 3
    assert reduced.outcomes.tolist() == [1, 1, 1, 0, 0]
    assert reduced.done_by_day[[0, 1, 2, 3, 59]].tolist() == [0, 1, 1, 1, 1]
    also = _reduce(rows, _luck(project), ("done", "not-imaged"))
    assert also.done_by_day[[0, 1, 2, 3, 59]].tolist() == [0, 1, 1, 2, 2]


def test_a_shift_that_ends_at_24_00_of_the_last_day_is_not_by_the_horizon() -> None:
    # "By" the horizon's date includes that day; its 24:00 is the 00:00 of a date beyond it.
    rows = [_row(60 * DAY, What.DONE, item=0), _row(60 * DAY, What.DONE, item=1)]
    reduced = _reduce(rows, _luck(_two_volumes()))
    assert reduced.finish_day == NOT_BY_HORIZON
    assert reduced.done_by_day[-1] == 0


# --- weeks --------------------------------------------------------------------------------------


def test_weeks_are_counted_at_sunday_24_00() -> None:
    finished = {"stage": int(Stage.REBOXING), "person": 0}
    rows = [
        _row(7 * DAY - 1, What.FINISHED, item=0, **finished),
        _row(7 * DAY, What.FINISHED, item=1, **finished),
    ]
    weekly = _reduce(rows, _luck(_two_volumes())).weekly_items[:, Stage.REBOXING]
    assert weekly[:3].tolist() == [1, 2, 2]


def test_a_grant_that_begins_on_a_wednesday_has_a_first_week_of_five_days() -> None:
    start = date(2026, 1, 7)
    project = _two_volumes(grant=Grant("", start, day(59), day(59), 1))
    finished = {"stage": int(Stage.REBOXING), "person": 0}
    rows = [
        _row(5 * DAY - 1, What.FINISHED, item=0, **finished),
        _row(5 * DAY, What.FINISHED, item=1, **finished),
    ]
    weekly = _reduce(rows, _luck(project)).weekly_items[:, Stage.REBOXING]
    assert weekly[:2].tolist() == [1, 2]


def test_no_item_counts_twice_at_a_stage_and_images_made_again_are_counted_apart() -> None:
    # 10 images each; the first volume is rejected twice and a quarter, rounded up, made again.
    project = small_project(
        [Lot(2)],
        [per_item("imaging", 10), per_item("checking", 5)],
        [person("AB", "imaging;checking")],
        checking=Checking(1.0, share(0.0), 0.25),
    )
    drawn = _luck(project, rejections=np.array([2, 0]))
    reduced = reduce_record(walkthrough.run(drawn), drawn, 2, ("done",))
    assert reduced.weekly_items[-1, [Stage.IMAGING, Stage.CHECKING]].tolist() == [2, 2]
    assert reduced.images == 20
    assert reduced.reimaged == 2 * 3


def test_hours_and_exposure_by_week_and_person_by_hand() -> None:
    # Session 09:00 to 12:10 with 10 minutes of clothing: 3 h of exposure, on two Mondays.
    def session(begin: int) -> list[tuple[int, ...]]:
        who = {"stage": int(Stage.REBOXING), "person": 0}
        return [
            _row(begin, What.SESSION_BEGINS, **who),
            _row(begin + 600, What.EXPOSURE_BEGINS, **who),
            _row(begin + 600 + 3 * HOUR, What.EXPOSURE_ENDS, **who),
            _row(begin + 600 + 3 * HOUR, What.SESSION_ENDS, **who),
        ]

    rows = [*session(9 * HOUR), *session(13 * HOUR), *session(7 * DAY + 9 * HOUR)]
    reduced = _reduce(rows, _luck(_two_volumes()))
    assert reduced.weekly_exposure[:3, 0].tolist() == [6 * HOUR, 3 * HOUR, 0]
    assert reduced.weekly_hours[:3, 0].tolist() == [6 * HOUR + 1_200, 3 * HOUR + 600, 0]
    assert reduced.exposure_days[:3, 0].tolist() == [1, 1, 0]
    assert reduced.max_day_exposure.tolist() == [6 * HOUR]


def test_a_person_without_exposure_has_none() -> None:
    reduced = _walked(_two_volumes())
    assert reduced.max_day_exposure.tolist() == [0]
    assert reduced.exposure_days.sum() == 0


# --- waiting -----------------------------------------------------------------------------------


def test_waiting_by_hand() -> None:
    # Two volumes wait from 00:00; one is taken up at 09:00, the other at 10:00, both by 11:00.
    reduced = _walked(_two_volumes())
    assert reduced.waiting_days[Stage.REBOXING] == pytest.approx((9 + 10) / 2 / 24)
    assert reduced.waiting_items[Stage.REBOXING] == pytest.approx((9 + 10) / 11)
    assert reduced.weekly_waiting.sum() == 0
    assert math.isnan(reduced.waiting_days[Stage.IMAGING])
    assert reduced.waiting_items[Stage.IMAGING] == 0.0


def test_unfinished_items_wait_again_from_the_second_that_they_are_put_back() -> None:
    # 60 minutes in shifts of 40: put back on Monday at 09:40, taken up on Tuesday at 09:00.
    project = small_project(
        [Lot(1)], [per_item("reboxing", 60)], [person("AB", "reboxing", hours=2 / 3)]
    )
    reduced = _walked(project)
    waited = 9 * HOUR + (24 * HOUR - 40 * 60)
    assert reduced.waiting_days[Stage.REBOXING] == pytest.approx(waited / DAY)


@settings(max_examples=25, derandomize=True, deadline=None, database=None)
@given(cases())
def test_the_time_average_number_is_exactly_rate_times_mean_time(case: Case) -> None:
    """Little 1961, on the sample path, counted by a sweep of its own."""
    drawn = future(case)
    rows = walkthrough.run(drawn)
    reduced = reduce_record(rows, drawn, 2, ("done",))
    left = np.isin(rows[:, 1], [What.DONE, What.SET_ASIDE, What.NOT_IMAGED])
    all_left = left.sum() == len(drawn.arrival)
    end = int(rows[left, 0].max()) if all_left else len(drawn.week_of_day) * DAY
    span = max(1, end - drawn.settings.start)
    for stage in Stage:
        area, came = _swept(rows, stage, end)
        assert reduced.waiting_items[stage] == pytest.approx(area / span, rel=1e-12)
        if came:
            mean_time = reduced.waiting_days[stage] * DAY
            assert reduced.waiting_items[stage] == pytest.approx(came / span * mean_time, rel=1e-12)


def _swept(rows: NDArray[np.int64], stage: Stage, end: int) -> tuple[int, int]:
    """Item-seconds of waiting at a stage, and how often an item came to it."""
    area = number = last = came = 0
    dried: set[int] = set()
    for row in rows.tolist():
        time, what, at, item = row[:4]
        if at != stage or time > end:
            continue
        step = 0
        if what == What.WAITS:
            step, came = 1, came + 1
        elif stage == Stage.QUARANTINE:
            step = -(what == What.SHELF_TAKEN)
        elif stage == Stage.DRYING:
            if what == What.ROUND_BEGINS and item not in dried:
                dried.add(item)
                step = -1
        else:
            step = (what == What.PUT_BACK) - (what == What.TAKEN)
        if step:
            area += number * (time - last)
            number, last = number + step, time
    return area + number * (end - last), came


# --- late drying -------------------------------------------------------------------------------


def _wet(count: int, dryers: int, **changes: Any) -> Project:
    return small_project(
        [Lot(count, Mould.ACTIVE)],
        [per_item("drying", 4), per_item("reboxing", 5)],
        [person("AB", "drying;reboxing")],
        places=Places(9, dryers, 1, 1),
        **changes,
    )


def test_active_items_that_wait_longer_than_two_days_for_drying_by_hand() -> None:
    # One place and rounds of 4 days. All three wait from Monday 00:00. The first goes in at 09:00
    # on Monday; it is due on Friday 00:00 and its attention ends at 09:25, when the second goes in
    # (waited more than 4 days); the third after Tuesday 00:00 and its attention, 8 days and more.
    reduced = _walked(_wet(3, 1))
    assert reduced.late_drying == 2
    # At Sunday 24:00 of the first week the third is still waiting, the second no longer.
    assert reduced.weekly_late_drying[:3].tolist() == [1, 0, 0]


def test_an_item_that_waits_for_exactly_the_limit_is_not_late() -> None:
    waits = {"stage": int(Stage.DRYING), "item": 0}
    project = _wet(1, 1)
    for begins, late in ((2 * DAY, 0), (2 * DAY + 1, 1)):
        rows = [_row(0, What.WAITS, **waits), _row(begins, What.ROUND_BEGINS, place=0, **waits)]
        assert _reduce(rows, _luck(project)).late_drying == late


def test_an_item_that_is_never_dried_is_late_in_every_week() -> None:
    project = small_project(
        [Lot(1, Mould.ACTIVE)],
        [per_item("drying", 4), per_item("reboxing", 5)],
        [person("AB", "drying;reboxing", mould_work=False)],
    )
    reduced = _walked(project)
    assert reduced.late_drying == 1
    # Sixty days: eight whole weeks and a half.
    assert reduced.weekly_late_drying[:8].tolist() == [1] * 8


def test_a_second_round_is_no_second_wait() -> None:
    project = _wet(1, 1, drying=Drying(still_damp=share(0.0)))
    drawn = _luck(project, rounds=np.array([3]))
    assert reduce_record(walkthrough.run(drawn), drawn, 2, ("done",)).late_drying == 0


# --- use of places -----------------------------------------------------------------------------


def test_the_bench_is_busy_for_its_sessions_while_somebody_trained_for_it_is_on_shift() -> None:
    # Two clean volumes, 2 h each, from 09:00 to 13:00. Open time ends with the last item at 13:00:
    # AB from 09:00, CD from 11:00, together 4 h; two benches make 8.
    team = [
        person("AB", "cleaning"),
        person("CD", "cleaning", begins="11:00"),
        person("EF", "reboxing", begins="06:00"),
    ]
    project = small_project(
        [Lot(2)], [per_item("cleaning", 120)], team, places=Places(1, 1, 2, 1, tool_sets=1)
    )
    busy = _walked(project).place_busy
    assert busy[Place.BENCH] == pytest.approx(4 / 8)
    assert busy[Place.TOOL_SET] == pytest.approx(4 / 13)  # in use, around the clock since 00:00
    assert busy[Place.SHELF] == 0.0
    assert math.isnan(busy[Place.CAMERA])  # nobody is trained for it: it is never open


def test_places_without_a_limit_have_no_share() -> None:
    project = small_project([Lot(2)], [per_item("cleaning", 120)], [person("AB", "cleaning")])
    assert math.isnan(_walked(project).place_busy[Place.TOOL_SET])


def test_shelves_and_dryer_are_in_use_around_the_clock() -> None:
    # On a shelf from 00:00 to the end of reboxing; in the dryer from Monday 09:00 to Friday 09:25.
    project = _wet(1, 2)
    reduced = _walked(project)
    end = 4 * DAY + 9 * HOUR + 25 * 60 + 15 * 60  # attention, then reboxing 10 + 5 minutes
    assert reduced.finish_day == 4
    assert reduced.place_busy[Place.SHELF] == pytest.approx(1 / 9)
    assert reduced.place_busy[Place.DRYER] == pytest.approx(
        (4 * DAY + 25 * 60) / (2 * end), rel=1e-9
    )


# --- quantiles and odds ------------------------------------------------------------------------


@given(
    st.lists(st.integers(0, 40), min_size=1, max_size=60), st.sampled_from([0.025, 0.1, 0.5, 0.95])
)
@settings(max_examples=100, derandomize=True, database=None, deadline=None)
def test_a_quantile_is_numpys_inverse_of_the_distribution_function(
    values: list[int], probability: float
) -> None:
    expected = np.quantile(values, probability, method="inverted_cdf")
    assert outcome.quantile(np.array(values), probability) == expected


def test_not_by_the_horizon_is_later_than_any_date_in_every_quantile() -> None:
    finish = np.array([NOT_BY_HORIZON, 30, 10, 20], dtype=np.int32)
    told = [int(outcome.quantile(finish, q)) for q in (0.25, 0.5, 0.75, 0.76, 1.0)]
    assert told == [10, 20, 30, NOT_BY_HORIZON, NOT_BY_HORIZON]


def test_the_number_reached_in_a_share_of_the_futures_by_hand() -> None:
    done = np.array([100, 60, 90, 80, 70])
    # 80 in 3 of 5; 70 in 4 of 5; 60 in all of them.
    told = [int(outcome.reached(done, p)) for p in (0.2, 0.6, 0.8, 0.81, 1.0)]
    assert told == [100, 80, 70, 60, 60]


@given(
    st.lists(st.integers(0, 40), min_size=1, max_size=60), st.sampled_from([0.5, 0.8, 0.9, 0.95])
)
@settings(max_examples=100, derandomize=True, database=None, deadline=None)
def test_at_least_that_share_reaches_the_number_and_fewer_reach_one_more(
    values: list[int], probability: float
) -> None:
    done = np.array(values)
    number = outcome.reached(done, probability)
    mirrored = -np.quantile(-done, probability, method="inverted_cdf")
    assert number == mirrored
    assert np.mean(done >= number) >= probability - 1e-12
    assert np.mean(done >= number + 1) < probability


def test_quantiles_and_numbers_reached_go_along_the_first_axis() -> None:
    values = np.array([[1, 10], [3, 30], [2, 20]])
    assert outcome.quantile(values, 0.5).tolist() == [2, 20]
    assert outcome.reached(values, 0.5).tolist() == [2, 20]


def test_the_interval_of_simulated_odds_is_wilsons() -> None:
    # Newcombe, Statistics in Medicine 17 (1998), table I, method 3 (recalled; the arithmetic was
    # redone): 81 of 263, 15 of 148, 0 of 20, 1 of 29.
    known = {
        (81, 263): (0.2553, 0.3662),
        (15, 148): (0.0624, 0.1605),
        (0, 20): (0.0000, 0.1611),
        (1, 29): (0.0061, 0.1718),
    }
    for (hits, runs), interval in known.items():
        assert outcome.odds_interval(hits / runs, runs) == pytest.approx(interval, abs=5e-5)


@pytest.mark.parametrize(("hits", "runs"), [(0, 200), (3, 200), (166, 200), (200, 200)])
def test_the_interval_of_simulated_odds_is_scipys(hits: int, runs: int) -> None:
    expected = stats.binomtest(hits, runs).proportion_ci(method="wilson")
    low, high = outcome.odds_interval(hits / runs, runs)
    assert (low, high) == pytest.approx((expected.low, expected.high), abs=1e-12)


def test_the_interval_of_a_quantile_covers_it_as_often_as_it_says() -> None:
    rng = np.random.default_rng(20260105)
    times, n = 2_000, 200
    for probability in (0.1, 0.5, 0.9):
        true = stats.norm.ppf(probability)
        hits = 0
        for sample in rng.standard_normal((times, n)):
            low, high = outcome.order_statistic_interval(sample, probability)
            hits += low <= true <= high
        # Discrete ranks cover a little more than 95 %; less than that is an error.
        assert hits / times > 0.95 - stats.norm.ppf(0.9995) * math.sqrt(0.95 * 0.05 / times)
        assert hits / times < 0.985


def test_the_interval_of_a_quantile_keeps_what_is_not_by_the_horizon_last() -> None:
    finish = np.array([*range(90), *[NOT_BY_HORIZON] * 10])
    low, high = outcome.order_statistic_interval(finish, 0.9)
    assert 0 <= low < 90
    assert high == NOT_BY_HORIZON


def _futures(finish: Sequence[int], promised: int = 2) -> Futures:
    """Two volumes in each future: the first done on day 1, the second on its finish."""
    project = _two_volumes(grant=Grant("", MONDAY, day(10), day(59), promised))
    drawn = _luck(project)
    reduced = []
    for last in finish:
        rows = [_row(DAY, What.DONE, item=0)]
        if last != NOT_BY_HORIZON:
            rows.append(_row(last * DAY + HOUR, What.DONE, item=1))
        reduced.append(_reduce(rows, drawn))
    return outcome.collect(project, day(-1), MONDAY, 1, reduced)


def test_by_a_date_includes_the_day() -> None:
    futures = _futures([9, 10, 11, NOT_BY_HORIZON])
    assert outcome.finish_odds(futures) == 0.5
    assert outcome.finish_odds(futures, day(9)) == 0.25
    assert outcome.finish_odds(futures, day(11)) == 0.75
    assert outcome.finish_odds(futures, day(59)) == 0.75
    assert outcome.promise_odds(futures) == 0.5
    assert outcome.promise_odds(futures, day(9)) == 0.25


def test_the_odds_of_a_smaller_promise_are_not_the_odds_of_the_last_item() -> None:
    futures = _futures([9, 30, NOT_BY_HORIZON, NOT_BY_HORIZON], promised=1)
    assert outcome.promise_odds(futures) == 1.0
    assert outcome.finish_odds(futures) == 0.25
    assert outcome.promise_odds(futures, day(0)) == 0.0
    assert outcome.promise_odds(futures, day(-3)) == 0.0
    assert outcome.promise_odds(futures, day(5_000)) == 1.0


def test_a_day_number_that_is_not_by_the_horizon_has_no_date() -> None:
    futures = _futures([9])
    assert futures.date_of(NOT_BY_HORIZON) is None
    assert futures.date_of(None) is None
    assert futures.date_of(9) == day(9)


def test_futures_keep_the_order_of_their_replications() -> None:
    assert _futures([5, NOT_BY_HORIZON, 3]).finish_day.tolist() == [5, NOT_BY_HORIZON, 3]


# --- to a file and back ------------------------------------------------------------------------


def test_futures_come_back_from_a_file_as_they_were(tmp_path: Path) -> None:
    made = replace(_futures([5, NOT_BY_HORIZON, 3]), no_longer_from=day(7))
    path = tmp_path / "with a space" / "futures.npz"
    path.parent.mkdir()
    outcome.save(made, path)
    back = outcome.load(path, made.project)
    for field in fields(Futures):
        mine, theirs = getattr(made, field.name), getattr(back, field.name)
        if isinstance(mine, np.ndarray):
            assert mine.dtype == theirs.dtype, field.name
            np.testing.assert_array_equal(mine, theirs)
        else:
            assert mine == theirs, field.name


def test_futures_of_other_inputs_are_refused_with_a_remedy(tmp_path: Path) -> None:
    made = _futures([5])
    outcome.save(made, tmp_path / "futures.npz")
    changed = replace(made.project, input_sha256="f" * 64)
    with pytest.raises(InputError, match=r"futures\.npz.*run the forecast again"):
        outcome.load(tmp_path / "futures.npz", changed)


# --- the whole record -------------------------------------------------------------------------


def test_a_record_of_nothing_reduces_to_nothing() -> None:
    reduced = _reduce([], _luck(_two_volumes()))
    assert reduced.finish_day == NOT_BY_HORIZON
    assert reduced.outcomes.tolist() == [0, 0, 0, 0, 2]
    assert reduced.done_by_day.sum() == 0


@settings(max_examples=15, derandomize=True, deadline=None, database=None)
@given(cases())
def test_the_reducer_agrees_with_a_count_by_hand_on_random_projects(case: Case) -> None:
    drawn = future(case)
    rows = walkthrough.run(drawn)
    reduced = reduce_record(rows, drawn, 2, ("done",))
    found = audit(rows, drawn).reached
    ways = [found["done"], found["set aside"], found["not imaged"]]
    assert reduced.outcomes.tolist() == [*ways, 0, len(drawn.arrival) - sum(ways)]
    exposed = {}
    for row in rows.tolist():
        time, what, _, _, who, _ = row
        if what == What.EXPOSURE_BEGINS:
            exposed[who] = time
        elif what == What.EXPOSURE_ENDS:
            exposed["sum", who] = exposed.get(("sum", who), 0) + time - exposed[who]
    for who in range(len(case.project.persons)):
        assert reduced.weekly_exposure[:, who].sum() == exposed.get(("sum", who), 0)
    last = max((r[0] for r in rows.tolist() if r[1] in _ENDS), default=0)
    if sum(ways) == len(drawn.arrival):
        assert reduced.finish_day == last // DAY
    else:
        assert reduced.finish_day == NOT_BY_HORIZON


_ENDS = {int(What.DONE), int(What.SET_ASIDE), int(What.NOT_IMAGED)}
