"""The track record: scores against published values, and forecasts against what came."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
import scoringrules  # type: ignore[import-untyped]  # it ships none
from numpy.typing import NDArray
from scipy import stats

from forecast import diary, luck, replicate
from forecast.blocks import Figure, Heading, Note, Report, Table
from forecast.condition import SurveyRow
from forecast.estimates import Estimate
from forecast.folder import read_project
from forecast.history import NOTHING_YET, History
from forecast.issued import Draws, Issued
from forecast.items import Category, Mould
from forecast.outcome import Futures, reduce_record
from forecast.project import Outcomes, Project, TaskTime
from forecast.stages import Stage
from forecast.track_record import (
    AHEAD,
    ENOUGH,
    FINISH,
    LEVELS,
    RIVALS,
    Horizon,
    TrackRecord,
    central_range,
    crps,
    dots,
    hindcast,
    hits_expected,
    interval_score,
    on_record,
    pit,
    report,
    score,
    sentence,
)
from forecast.weekly import Count, WeeklyReturn
from tests import made_up

TINY = Path(__file__).parent.parent / "scenario_data" / "tiny"
MONDAY = date(2026, 1, 5)
MOMENT = datetime(2026, 3, 16, 9, tzinfo=UTC)

# Half-width of a 99.9 % interval in standard errors.
Z999 = 3.2905


def week(number: int) -> date:
    return MONDAY + timedelta(weeks=number)


@lru_cache
def small(items: int = 640, share_checked: float = 0.1) -> Project:
    """A project whose last stage is reboxing."""
    made = made_up.project()
    first, *_ = made.collection
    timed = (Stage.CHECKING, Stage.REBOXING)
    known = Estimate.known(5.0)
    more = tuple(TaskTime(stage, None, None, None, False, known) for stage in timed)
    return replace(
        made,
        collection=(replace(first, items=items),),
        survey=(),
        task_times=(*made.task_times, *more),
        checking=replace(made.checking, share_checked=share_checked),
    )


def without(project: Project, *stages: Stage) -> Project:
    return replace(project, stages_off=frozenset(stages))


def told(number: int, *rows: Count) -> WeeklyReturn:
    return WeeklyReturn(week(number), frozenset({"counts"}), counts=rows)


def reboxed(items: Sequence[int | None], first: int = 0) -> History:
    """One total of reboxing a week; None: no return."""
    return History(
        tuple(
            told(first + n, Count(Stage.REBOXING, items=each))
            for n, each in enumerate(items)
            if each is not None
        )
    )


def issued(
    made_after: int,
    done: NDArray[np.int64] | Sequence[Sequence[int]],
    finish: Sequence[int] | None = None,
    *,
    afterwards: bool = False,
    at: datetime = MOMENT,
) -> Issued:
    """A forecast made after a week; ``done`` (R, W) from the next week on, ``finish`` in days."""
    table = np.asarray(done, dtype=np.int64)
    days = np.full(len(table), -1) if finish is None else np.asarray(finish)
    weeks = tuple(week(made_after + 1 + n) for n in range(table.shape[1]))
    return Issued(
        week=week(made_after),
        as_of=week(made_after) + timedelta(days=6),
        issued_at=at,
        seed=1,
        replications=len(table),
        version="0",
        input_sha256="",
        returns=(),
        results="{}",
        draws=Draws(MONDAY, weeks, days.astype(np.int64), table),
        hindcast=afterwards,
    )


def at(horizons: Sequence[Horizon], ahead: int) -> Horizon:
    return next(horizon for horizon in horizons if horizon.ahead == ahead)


# --- published values ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("actual", "value"), [(0.0, 0.2336950), (1.0, 0.6024414), (2.0, 1.4527918)]
)
def test_the_crps_of_a_standard_normal_is_the_closed_form(actual: float, value: float) -> None:
    """Gneiting and Raftery 2007, closed form of the normal; scoringrules has it too."""
    assert scoringrules.crps_normal(actual, 0.0, 1.0) == pytest.approx(value, abs=1e-7)
    draws = np.random.default_rng(20261125).normal(size=400_000)
    # How one draw x moves the score: |x - y| less E|x - X'|, known for the normal.
    apart = draws * (2 * stats.norm.cdf(draws) - 1) + 2 * stats.norm.pdf(draws)
    error = Z999 * float(np.std(np.abs(draws - actual) - apart)) / len(draws) ** 0.5
    assert error < 0.02 * value, "else the test could hardly fail"
    assert crps(draws, actual) == pytest.approx(value, abs=error)


@pytest.mark.parametrize("size", [1, 2, 7, 200])
def test_the_crps_is_that_of_the_ensemble_as_it_stands(size: int) -> None:
    """scoringrules.crps_ensemble, estimator nrg: the energy form over all pairs."""
    draws = np.random.default_rng(size).poisson(30, size)
    for actual in (0, 28, 30, 75):
        theirs = scoringrules.crps_ensemble(actual, draws.astype(float), estimator="nrg")
        assert crps(draws, actual) == pytest.approx(float(theirs), abs=1e-9)


@pytest.mark.parametrize(("actual", "value"), [(22, 50.0), (7, 70.0), (10, 10.0), (20, 10.0)])
def test_the_interval_score_is_the_published_one(actual: float, value: float) -> None:
    """Gneiting and Raftery 2007: alpha 0.1, range 10 to 20; 50 at 22 and 70 at 7."""
    assert interval_score(10, 20, actual, 0.9) == pytest.approx(value)
    theirs = scoringrules.interval_score(float(actual), 10.0, 20.0, 0.1)
    assert interval_score(10, 20, actual, 0.9) == pytest.approx(float(theirs))


@pytest.mark.parametrize(
    ("forecasts", "low", "high"), [(26, 17, 24), (52, 36, 47), (104, 75, 91), (500, 382, 417)]
)
def test_hits_of_true_8_in_10_ranges_are_binomial(forecasts: int, low: int, high: int) -> None:
    assert hits_expected(forecasts, 0.8) == (low, high)
    assert stats.binom.interval(0.95, forecasts, 0.8) == (low, high)


@pytest.mark.parametrize("level", LEVELS)
def test_hits_that_are_expected_agree_with_the_binomial_for_any_number(level: float) -> None:
    for forecasts in range(ENOUGH, 120):
        assert hits_expected(forecasts, level) == stats.binom.interval(0.95, forecasts, level)


# --- where what came stands among the draws ------------------------------------------------------


def histogram(places: Sequence[float]) -> NDArray[np.int64]:
    return np.histogram(places, bins=20, range=(0.0, 1.0))[0]


# Talts et al. 2018: a rank histogram of 1000 in 20 bins stays from 33 to 69, each bin with 99 %;
# all twenty together with 99.9 %.
BIN_99 = tuple(int(n) for n in stats.binom.interval(0.99, 1000, 1 / 20))
BIN_ALL = stats.binom.interval(1 - 0.001 / 20, 1000, 1 / 20)


def test_the_bounds_of_a_rank_histogram_are_known() -> None:
    assert BIN_99 == (33, 69)


@pytest.mark.parametrize(("mean", "size"), [(0.7, 60), (40.0, 60), (4000.0, 4), (0.7, 1)])
def test_a_perfect_forecaster_meets_every_place_alike(mean: float, size: int) -> None:
    """Also where most draws are equal, or few: the place among equals, and between, is drawn."""
    rng = np.random.default_rng(7)
    places = [pit(rng.poisson(mean, size), rng.poisson(mean), rng.random()) for _ in range(1000)]
    counts = histogram(places)
    assert BIN_ALL[0] <= counts.min()
    assert counts.max() <= BIN_ALL[1]


@pytest.mark.parametrize("spread", [0.5, 2.0])
def test_a_forecaster_too_sure_or_too_unsure_is_seen(spread: float) -> None:
    rng = np.random.default_rng(8)
    places = [
        pit(rng.normal(0, spread, 60), float(rng.normal()), rng.random()) for _ in range(1000)
    ]
    counts = histogram(places)
    assert counts.max() > BIN_ALL[1]
    ends = counts[0] + counts[-1]
    assert (ends > 2 * BIN_ALL[1]) if spread < 1 else (ends < 2 * BIN_ALL[0])


def test_a_place_is_the_same_on_every_run_and_whatever_else_is_scored() -> None:
    history = reboxed([10] * 30)
    many = [issued(n, [[10 * (n + 2)] * 4] * 3) for n in range(20)]
    all_scored = at(score(many, history, small()).issued, 1).forecast.scores
    alone = at(score(many[7:8], history, small()).issued, 1).forecast.scores
    assert alone[0] == all_scored[7]
    assert len({each.pit for each in all_scored}) == 20


# --- central ranges ------------------------------------------------------------------------------


def test_ranges_are_order_statistics_and_never_between_draws() -> None:
    draws = np.array([40, 10, 20, 30, 50, 60, 70, 80, 90, 1000])
    # 10 % of ten draws is the first; 90 % the ninth. 25 and 75 %: the third and the eighth.
    assert central_range(draws, 0.8) == (10, 90)
    assert central_range(draws, 0.5) == (30, 80)
    assert central_range(draws, 0.95) == (10, 1000)


def test_ranges_of_a_perfect_forecaster_hold_what_they_say() -> None:
    """Of R draws the k-th and the m-th hold the next one with (m - k) / (R + 1)."""
    rng = np.random.default_rng(9)
    rounds, draws = 4000, 199
    values = rng.normal(size=(rounds, draws + 1)) * 1e6
    for level, ranks in zip(LEVELS, (100, 160, 190), strict=True):
        held = 0
        for row in np.rint(values).astype(np.int64):
            low, high = central_range(row[1:], level)
            held += low <= row[0] <= high
        share = ranks / (draws + 1)
        error = Z999 * (share * (1 - share) / rounds) ** 0.5
        assert held / rounds == pytest.approx(share, abs=error)


# --- what came -----------------------------------------------------------------------------------


def test_items_done_are_first_passes_of_the_last_stage() -> None:
    history = History(
        (
            told(0, Count(Stage.IMAGING, items=50, images=900), Count(Stage.REBOXING, items=20)),
            told(1, Count(Stage.REBOXING, "volume", Mould.NONE, False, 5), Count(Stage.REBOXING)),
            told(2),
        )
    )
    came = on_record(history, small())
    assert came.done == {week(0): 20, week(1): 25, week(2): 25}
    assert came.weekly(week(2)) == (20, 5, 0)
    assert came.weekly(week(1)) == (20, 5)
    assert came.finish is None


@pytest.mark.parametrize(
    ("counts_as_done", "done"), [(("done",), 20), (("done", "not-imaged"), 23)]
)
def test_what_ended_otherwise_counts_as_the_project_says(
    counts_as_done: tuple[str, ...], done: int
) -> None:
    project = small(30)
    project = replace(
        project, outcomes=replace(project.outcomes, counts_as_done=counts_as_done)
    )
    rows = [
        Count(Stage.REBOXING, items=20),
        Count(Stage.REBOXING, items=3, outcome="not-imaged"),
        Count(Stage.CLEANING, items=4, outcome="set-aside"),
        Count(Stage.CLEANING, items=2, outcome="withdrawn"),
        Count(Stage.RECEIVING, items=1, outcome="not-found"),
    ]
    came = on_record(History((told(0, *rows),)), project)
    assert came.done == {week(0): done}
    assert came.finish == week(0), "all thirty have ended, one way or another"


def test_without_reboxing_the_last_stage_is_another() -> None:
    project = without(small(share_checked=0.0), Stage.REBOXING)
    history = History(
        (told(0, Count(Stage.CLEANING, items=9), Count(Stage.IMAGING, items=4)),)
    )
    assert on_record(history, project).done == {week(0): 4}


def test_where_some_are_checked_last_nobody_can_tell_what_is_done() -> None:
    project = without(small(), Stage.REBOXING)
    imaged, checked = Count(Stage.IMAGING, items=9), Count(Stage.CHECKING, items=1)
    came = on_record(History((told(0, imaged), told(1, checked), told(2))), project)
    assert came.done == {week(2): 0}
    assert came.gaps == (week(0), week(1))


def test_a_total_of_items_some_of_which_go_on_is_no_count() -> None:
    project = small()
    clean = TaskTime(Stage.REBOXING, None, Mould.NONE, None, False, Estimate.known(0.0))
    clean_too = replace(clean, stage=Stage.CHECKING)
    project = replace(project, task_times=(*project.task_times, clean, clean_too))
    rows = (
        Count(Stage.IMAGING, items=7),
        Count(Stage.IMAGING, mould=Mould.NONE, items=7),
        Count(Stage.REBOXING, items=7),
    )
    came = on_record(History(tuple(told(n, row) for n, row in enumerate(rows))), project)
    assert came.gaps == (week(0),)
    assert came.done == {week(1): 7, week(2): 14}


def test_what_a_complete_survey_did_not_see_makes_no_total_doubtful() -> None:
    project = small(10)
    clean = SurveyRow(Category("volume", Mould.NONE, False), 10)
    no_boxes = TaskTime(Stage.REBOXING, None, Mould.ACTIVE, None, False, Estimate.known(0.0))
    project = replace(
        project, survey=(clean,), task_times=(*project.task_times, no_boxes)
    )
    history = History((told(0, Count(Stage.IMAGING, items=9)),))
    assert on_record(history, project).done == {week(0): 0}
    assert on_record(history, replace(project, survey=())).gaps == (week(0),)


def test_weeks_without_counts_are_gaps_as_missing_weeks_are() -> None:
    only_notes = WeeklyReturn(week(2), frozenset({"notes"}))
    history = History.of([*reboxed([5, 5, None, None, 5]).returns, only_notes])
    came = on_record(history, small())
    assert came.gaps == (week(2), week(3))
    assert not came.complete(week(1), week(2))
    assert not came.complete(week(1), week(4))
    assert came.complete(week(0), week(1))


@pytest.mark.parametrize("counts_as_done", [("done",), ("done", "not-imaged")])
def test_what_returns_tell_is_what_the_simulation_counted(counts_as_done: tuple[str, ...]) -> None:
    """A future of the smallest project, written down week by week, counted from the returns."""
    project = read_project(TINY)
    share = replace(Estimate.known(0.2), at_most_one=True)
    outcomes = Outcomes(set_aside=share, not_imaged=share, counts_as_done=counts_as_done)
    project = replace(project, outcomes=outcomes)
    plan = luck.plan(project)
    drawn, rows = replicate.one_record(plan, seed=5, index=3)
    came = on_record(History(diary.returns(plan, drawn, rows, project.grant.horizon)), project)
    simulated = reduce_record(rows, drawn, 2, counts_as_done)
    sundays = [project.day_number(monday) + 6 for monday in came.done]
    assert list(came.done.values()) == simulated.done_by_day[sundays].tolist()
    done, set_aside, not_imaged, *_ = simulated.outcomes
    assert min(done, set_aside, not_imaged) > 0
    assert max(came.ended.values()) == done + set_aside + not_imaged == project.total_items
    assert came.finish is not None
    finish = project.date_of(simulated.finish_day)
    assert came.finish <= finish <= came.finish + timedelta(days=6)


# --- forecasts against it ------------------------------------------------------------------------


def test_a_small_example_worked_out_by_hand() -> None:
    """Ten a week; after week 1 (20 done) four futures said 26, 28, 30, 36 and then 40, ..., 52."""
    history = reboxed([10, 10, 10, 10])
    forecast = issued(1, [[26, 40], [28, 44], [30, 48], [36, 52]])
    record = score([forecast], history, small())
    first, second = at(record.issued, 1), at(record.issued, 2)
    (one,), (two,) = first.forecast.scores, second.forecast.scores

    # 30 came. Distances 4, 2, 0, 6: mean 3. Pairs 2+4+10+2+8+6 = 32, twice / 16 = 4, half 2.
    assert (one.since, one.actual, one.crps) == (20, 30, 1.0)
    # Order statistics: 25 and 75 % are the first and the third of four; 10 and 90 % the ends.
    assert one.ranges == ((26, 30), (26, 36), (26, 36))
    assert [one.held(level) for level in LEVELS] == [True, True, True]
    assert one.interval_score(0.8) == 10.0
    # Two draws below, one equal: between 2/5 and 4/5.
    assert 0.4 <= one.pit <= 0.8

    # 40 came. Distances 0, 4, 8, 12: mean 6. Pairs 4+8+12+4+8+4 = 40, twice / 16 = 5, half 2.5.
    assert (two.since, two.actual, two.crps) == (20, 40, 3.5)
    assert two.ranges == ((40, 48), (40, 52), (40, 52))
    assert two.held(0.5)
    assert two.pit <= 0.4

    assert first.forecast.coverage(0.5) == 1.0
    assert first.forecast.crps == 1.0
    assert [len(at(record.issued, ahead).forecast) for ahead in AHEAD] == [1, 1, 0, 0, 0, 0]


def test_a_miss_is_counted_as_one() -> None:
    forecast = issued(1, [[26, 40], [28, 44], [30, 48], [36, 52]])
    record = score([forecast], reboxed([10, 10, 25]), small())
    marks = at(record.issued, 1).forecast
    assert [marks.hits(level) for level in LEVELS] == [0, 0, 0]
    assert marks.above == 1
    # 45 came: 9 above a range of 10 that should hold it with 8 in 10.
    assert marks.interval_score(0.8) == 10.0 + 2 / 0.2 * 9


def test_a_forecast_is_scored_when_its_week_comes_and_not_before() -> None:
    forecast = issued(0, [[10 * (n + 2) for n in range(30)]] * 4)
    for weeks in range(1, 29):
        record = score([forecast], reboxed([10] * weeks), small())
        scored = [h.ahead for h in record.issued if len(h.forecast)]
        assert scored == [ahead for ahead in AHEAD if ahead <= weeks - 1]


def test_a_forecast_that_said_all_would_be_done_by_then_is_held_to_it() -> None:
    """Draws end where nothing changes any more; the truth may be slower."""
    forecast = issued(0, [[60, 80], [70, 80]])
    record = score([forecast], reboxed([10] * 9), small())
    (late,) = at(record.issued, 8).forecast.scores
    assert (late.actual, late.ranges[1], late.crps) == (90, (80, 80), 10.0)


def test_nothing_is_scored_across_a_gap_and_the_gap_is_said() -> None:
    history = reboxed([10, 10, 10, None, 10, 10, 10])
    many = [issued(n, [[10 * (n + 2 + k) for k in range(30)]] * 4) for n in range(7)]
    record = score(many, history, small())
    assert record.gaps == (week(3),)
    # One week ahead: after weeks 2 (to 3) the gap; 3 has a forecast, to 4: told.
    assert [s.week for s in at(record.issued, 1).forecast.scores] == [
        week(n) for n in (0, 1, 3, 4, 5)
    ]
    assert [s.week for s in at(record.issued, 2).forecast.scores] == [week(n) for n in (0, 3, 4)]
    assert [s.week for s in at(record.issued, 4).forecast.scores] == []
    # Missed by the gap: 2 -> 3; 1 -> 3, 2 -> 4; 0 -> 4, 1 -> 5, 2 -> 6.
    assert record.gap_between == 6
    said = next(note for note in report(record).of(Note)).text()
    assert "1 week (beginning 26 January 2026)" in said
    assert "6 forecasts left out" in said


def test_hindcasts_are_never_counted_among_the_issued() -> None:
    history = reboxed([10] * 20)
    paths = [[10 * (n + 2 + k) for k in range(9)] for n in range(19)]
    real = [issued(n, [paths[n]] * 4) for n in range(3)]
    late = [issued(n, [paths[n]] * 4, afterwards=True) for n in range(19)]
    record = score([*late, *real], history, small())
    assert len(at(record.issued, 1).forecast) == 3
    assert len(at(record.hindcast, 1).forecast) == 19
    assert sentence(record) == sentence(score(real, history, small()))


def test_of_several_forecasts_for_a_week_the_first_counts() -> None:
    history = reboxed([10, 10])
    first, corrected = issued(0, [[15]]), issued(0, [[20]], at=MOMENT + timedelta(days=9))
    (only,) = at(score([corrected, first], history, small()).issued, 1).forecast.scores
    assert only.ranges[0] == (15, 15)


def test_the_finish_is_scored_in_weeks_once_all_items_have_ended() -> None:
    forecast = issued(0, [[50]] * 4, [20, 27, 28, -1])  # days: weeks 2, 3, 4, and never
    unfinished = score([forecast], reboxed([10, 10, 10, 9]), small(40))
    assert not unfinished.finished
    assert not len(at(unfinished.issued, FINISH).forecast)
    record = score([forecast], reboxed([10, 10, 10, 10, 0]), small(40))
    assert record.finished
    (finish,) = at(record.issued, FINISH).forecast.scores
    assert (finish.since, finish.actual) == (0, 3)
    horizon = (made_up.project().grant.horizon - MONDAY).days // 7
    assert finish.ranges[1] == (2, horizon + 1)
    cut = np.array([2, 3, 4, horizon + 1])
    assert finish.crps == pytest.approx(crps(cut, 3))


def test_forecasts_made_when_all_was_done_cannot_be_wrong_and_do_not_count() -> None:
    made = [issued(2, [[40]], [25]), issued(3, [[40]], [25]), issued(4, [[40]], [25])]
    record = score(made, reboxed([10, 10, 10, 10, 0, 0]), small(40))
    for ahead in (1, 2, FINISH):
        assert [each.week for each in at(record.issued, ahead).forecast.scores] == [week(2)]


def test_without_returns_or_forecasts_there_is_nothing() -> None:
    for forecasts in ([], [issued(0, [[5]])]):
        record = score(forecasts, NOTHING_YET, small())
        assert [len(h.forecast) for h in record.issued] == [0] * (len(AHEAD) + 1)
        assert not record.gaps


# --- rivals --------------------------------------------------------------------------------------


def test_rivals_are_scored_on_the_same_weeks() -> None:
    history = reboxed([10, 12, 8, 11, 9, 10, None, 10, 12, 9, 10])
    many = [issued(n, [[10 * (n + 2 + k) for k in range(30)]] * 4) for n in range(9)]
    for horizon in score(many, history, small()).issued:
        for rival in horizon.rivals:
            assert [s.week for s in rival.scores] == [s.week for s in horizon.forecast.scores]
            assert [s.actual for s in rival.scores] == [s.actual for s in horizon.forecast.scores]


def test_the_average_pace_is_a_single_number_worked_out_by_hand() -> None:
    """10 + 14 in two weeks: 12 a week. After that 9 and 11 came, so it was 3 and then 4 off."""
    record = score([issued(1, [[33, 44]])], reboxed([10, 14, 9, 11]), small())
    for ahead, actual, off in ((1, 33, 3.0), (2, 44, 4.0)):
        (pace,) = at(record.issued, ahead).rivals[0].scores
        assert (pace.actual, pace.crps) == (actual, off)
        assert pace.ranges == ((actual + off, actual + off),) * 3
        assert not pace.held(0.95)
        (perfect,) = at(record.issued, ahead).forecast.scores
        assert perfect.crps == 0.0


def test_past_weeks_resampled_lie_between_the_least_and_the_most() -> None:
    record = score([issued(1, [[33]])], reboxed([10, 14, 9]), small())
    (drawn,) = at(record.issued, 1).rivals[1].scores
    assert drawn.ranges == ((34, 38),) * 3
    # 33 came; 34 or 38 with even odds: distance 3, half the mean distance of two draws 1.
    assert drawn.crps == pytest.approx(2.0, abs=0.2)


def test_rivals_know_nothing_later_and_skip_weeks_that_were_not_told() -> None:
    later = reboxed([10, None, 20, 500, 500])
    record = score([issued(2, [[40]])], later, small(10_000))
    (pace,) = at(record.issued, 1).rivals[0].scores
    assert pace.ranges[0] == (45, 45), "30 done, and the mean of 10 and 20"


def test_rivals_finish_in_the_week_in_which_nothing_is_left() -> None:
    """Ten a week and 25 left: the third week from week 1 on."""
    record = score([issued(1, [[45]], [20])], reboxed([10, 10, 5, 5, 15]), small(45))
    pace, drawn = at(record.issued, FINISH).rivals
    assert pace.scores[0].ranges[0] == drawn.scores[0].ranges[0] == (4, 4)
    assert pace.scores[0].actual == 4


# --- in words ------------------------------------------------------------------------------------


def lucky_and_unlucky(forecasts: int, missed: int) -> TrackRecord:
    """Forecasts of ten a week, give or take 4; what came at four weeks is far off for some."""
    made = []
    for n in range(forecasts):
        off = 50 if n < missed else 0
        middle = np.array([10 * (n + 2 + k) + off for k in range(4)])
        made.append(issued(n, np.array([middle + each for each in range(-4, 5)])))
    return score(made, reboxed([10] * (forecasts + 4)), small(10_000))


def test_the_sentence_tells_of_four_weeks_ahead() -> None:
    assert sentence(lucky_and_unlucky(14, 3)) == (
        "Of 14 forecasts of the items done four weeks later, 11 held the truth in their "
        "8-in-10 range."
    )
    assert "none held the truth" in sentence(lucky_and_unlucky(14, 14))


def test_under_eight_nothing_is_concluded() -> None:
    record = lucky_and_unlucky(ENOUGH - 1, 0)
    assert sentence(record) == (
        "So far 7 forecasts of the items done four weeks later can be held against what came: "
        "too few to judge, for which it takes 8."
    )
    (coverage,) = report(record).of(Table)
    assert [row[:2] for row in coverage.rows if "too few to judge" in row] == [
        ("1 week", "7"),
        ("2 weeks", "7"),
        ("4 weeks", "7"),
        ("8 weeks", "3"),
    ]
    assert "Of 8 forecasts" in sentence(lucky_and_unlucky(ENOUGH, 0))


def test_before_any_week_has_come_that_is_said() -> None:
    made = report(score([], NOTHING_YET, small()))
    assert "how right they are is open" in made.text()
    assert not made.of(Figure)
    assert not made.of(Table)


def test_the_report_tells_scores_rivals_and_what_overlaps() -> None:
    made = report(lucky_and_unlucky(14, 3))
    coverage, off, wide = made.of(Table)
    row = next(row for row in coverage.rows if row[0] == "4 weeks")
    assert row[1] == "14"
    assert row[3] == "11 (8 to 14)"
    assert row[2] == "11"
    assert off.columns[1:] == ("Forecast", "Average pace", "Past weeks")
    assert {row[0] for row in off.rows} == {row[0] for row in wide.rows}
    said = made.of(Note)[0].text()
    assert "not independent" in said
    assert "Of the 10 that look 8 weeks ahead, only 2 can be chosen that do not overlap." in said


def test_hindcasts_stand_apart_under_their_own_heading() -> None:
    history = reboxed([10] * 20)
    late = [issued(n, [[10 * (n + 2)]] * 4, afterwards=True) for n in range(19)]
    made = report(score(late, history, small()))
    headings = [heading.words for heading in made.of(Heading)]
    assert headings == ["How right earlier forecasts were", "Hindcasts: forecasts made afterwards"]
    (chart,) = made.of(Figure)
    assert chart.key == "figure-track-record-hindcast"
    assert "made afterwards" in chart.title
    assert "not counted among the forecasts that were issued" in made.text()
    assert Report.from_json(made.as_json()) == made


def test_the_chart_counts_from_the_day_of_each_forecast() -> None:
    frame = dots(score([issued(1, [[26], [30]])], reboxed([10, 10, 10]), small()).issued)
    (row,) = frame.to_dict("records")
    assert (row["panel"], row["unit"], row["day"]) == ("1 week later", "items", date(2026, 1, 18))
    assert (row["low"], row["high"], row["actual"], row["held"]) == (6, 10, 10, True)


# --- hindcasts -----------------------------------------------------------------------------------


def test_a_hindcast_knows_what_was_on_file_then_and_nothing_later() -> None:
    whole = reboxed([10, 20, None, 30, 40])
    corrected = reboxed([11], first=0)
    asked: list[tuple[History, date, int]] = []

    def on_file(monday: date) -> History:
        # The first week was corrected after week 1 had been recorded.
        if monday <= week(1):
            return whole
        return History.of([*whole.returns, *corrected.returns])

    def forecaster(project: Project, known: History, as_of: date, seed: int) -> Futures:
        asked.append((known, as_of, seed))
        return replace(made_up.futures(20), as_of=as_of, seed=seed)

    weeks = [week(n) for n in range(5)]
    made = hindcast(made_up.project(), on_file, weeks, forecaster, 7, made_at=MOMENT)
    assert [each.week for each in made] == [week(n) for n in (0, 1, 3, 4)], "week 2 has no return"
    assert all(each.hindcast and each.issued_at == MOMENT and each.seed == 7 for each in made)
    assert [each.as_of for each in made] == [each.week + timedelta(days=6) for each in made]
    for (known, as_of, _), each in zip(asked, made, strict=True):
        assert known.last_day == as_of
        assert each.returns == tuple(r.digest for r in known.returns)
    assert asked[1][0].returns == whole.returns[:2]
    assert asked[2][0].returns[0] == corrected.returns[0]


def test_the_rivals_have_names() -> None:
    assert RIVALS == ("average pace", "past weeks")
