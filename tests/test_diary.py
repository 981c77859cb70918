"""A future as weekly returns: they add up to what the same future came to, and tell no more."""

from __future__ import annotations

import math
from collections import Counter
from datetime import date, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from forecast import diary, engine, ledger, luck, replicate, return_files
from forecast.diary import EVERYTHING, Telling
from forecast.estimates import Estimate
from forecast.events import What
from forecast.folder import read_project
from forecast.history import History
from forecast.items import Mould
from forecast.luck import Plan, Replication
from forecast.outcome import Ints, Outcome, reduce_record
from forecast.project import Drying, WorkingTime
from forecast.stages import N_STAGES, Stage
from forecast.weekly import Count, DryingBatch, ExposureDay, Hours, Received, WeeklyReturn
from tests.random_projects import Case, cases, future
from tests.small_projects import MONDAY, Lot, day, per_item, person, share, small_project

DEMO = Path(__file__).resolve().parent.parent / "scenario_data" / "demo"

Lived = tuple[Plan, Replication, Ints]

_NONE = Count(Stage.CHECKING)  # so that there is a greatest also of nothing

some = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def lived(case: Case) -> Lived:
    drawn = future(case)
    return luck.plan(case.project, case.first_day), drawn, engine.record(drawn)


def whole(plan: Plan) -> date:
    """A date that leaves out no week, not even one that the horizon cuts."""
    return plan.project.grant.horizon + timedelta(days=7)


def came_to(drawn: Replication, rows: Ints) -> Outcome:
    return reduce_record(rows, drawn, 2, ("done", "not-imaged"))


def week_of(plan: Plan, told: WeeklyReturn) -> int:
    """The number of a return's week."""
    start = plan.project.grant.start
    return (told.week - (start - timedelta(days=start.weekday()))).days // 7


def seconds(hours: float) -> int:
    exact = hours * 3600.0
    assert abs(exact - round(exact)) < 1e-6
    return round(exact)


# All that a future came to


@given(cases())
@some
def test_first_passes_of_all_rows_are_those_of_the_future(case: Case) -> None:
    plan, drawn, rows = lived(case)
    weekly = np.zeros_like(came_to(drawn, rows).weekly_items)
    for told in diary.returns(plan, drawn, rows, whole(plan)):
        for count in told.counts:
            weekly[week_of(plan, told), count.stage] += count.items or 0
    np.testing.assert_array_equal(weekly.cumsum(axis=0), came_to(drawn, rows).weekly_items)


@given(cases())
@some
def test_images_rejects_and_outcomes_are_those_of_the_future(case: Case) -> None:
    plan, drawn, rows = lived(case)
    all_told = diary.returns(plan, drawn, rows, whole(plan))
    counts = [count for told in all_told for count in told.counts]
    result = came_to(drawn, rows)
    assert sum(count.images or 0 for count in counts) == result.images + result.reimaged
    assert sum(count.rejected or 0 for count in counts) == np.sum(rows[:, 1] == What.REJECTED)
    ended = Counter[str]()
    for count in counts:
        ended[count.outcome] += count.items or 0
    assert ended["set-aside"] == result.outcomes[1]
    # What leaves without a stage behind it has no row to stand in.
    handled = set(rows[rows[:, 1] == What.FINISHED, 3].tolist())
    gone = set(rows[rows[:, 1] == What.NOT_IMAGED, 3].tolist())
    assert ended["not-imaged"] == len(gone & handled)


@given(cases())
@some
def test_every_category_is_that_of_its_items(case: Case) -> None:
    plan, drawn, rows = lived(case)
    told: Counter[tuple[Stage, str | None, Mould | None, bool | None]] = Counter()
    for each in diary.returns(plan, drawn, rows, whole(plan)):
        for c in each.counts:
            told[c.stage, c.material, c.mould, c.red_rot] += c.items or 0
    really: Counter[tuple[Stage, str | None, Mould | None, bool | None]] = Counter()
    finished = rows[rows[:, 1] == What.FINISHED]
    for stage, item in {(int(row[2]), int(row[3])) for row in finished}:
        material = plan.cells[plan.cell_of_item[item]].material
        really[Stage(stage), material, Mould(drawn.mould[item]), bool(drawn.red_rot[item])] += 1
    assert +told == really


@given(cases())
@some
def test_hours_and_exposure_are_those_of_the_future_by_person_and_week(case: Case) -> None:
    plan, drawn, rows = lived(case)
    result = came_to(drawn, rows)
    hours, exposure = np.zeros_like(result.weekly_hours), np.zeros_like(result.weekly_exposure)
    days = np.zeros_like(result.exposure_days)
    number = {name: p for p, name in enumerate(plan.project.persons)}
    sessions = 0
    for told in diary.returns(plan, drawn, rows, whole(plan)):
        week = week_of(plan, told)
        for row in told.hours:
            if row.stage is not None:
                hours[week, number[row.person]] += seconds(row.hours)
                sessions += row.sessions or 0
        for exposed in told.exposure:
            assert told.week <= exposed.day <= told.last_day
            exposure[week, number[exposed.person]] += seconds(exposed.hours)
            days[week, number[exposed.person]] += 1
    np.testing.assert_array_equal(hours, result.weekly_hours)
    np.testing.assert_array_equal(exposure, result.weekly_exposure)
    np.testing.assert_array_equal(days, result.exposure_days)
    assert sessions == np.sum(rows[:, 1] == What.SESSION_ENDS)


@given(cases())
@some
def test_hours_away_are_the_rostered_hours_of_absent_days(case: Case) -> None:
    plan, drawn, rows = lived(case)
    last = int(rows[-1, 0]) if len(rows) else 0
    all_left = np.sum(rows[:, 1] >= What.DONE) == len(drawn.arrival)
    expected = 0.0
    for p in range(len(drawn.shift_begin)):
        for d in range(case.first_day, plan.project.days):
            absent = plan.rota.hours[p, d] > 0 and drawn.shift_end[p, d] == drawn.shift_begin[p, d]
            if absent and (not all_left or d <= last // 86_400):
                expected += float(plan.rota.hours[p, d])
    all_told = diary.returns(plan, drawn, rows, whole(plan))
    away = [row.hours for told in all_told for row in told.hours if row.stage is None]
    assert math.isclose(sum(away), expected, abs_tol=1e-9)
    quiet = diary.returns(plan, drawn, rows, whole(plan), tell=Telling(away=False))
    assert all(row.stage is not None for told in quiet for row in told.hours)


@given(cases())
@some
def test_batches_are_the_rounds_of_drying(case: Case) -> None:
    plan, drawn, rows = lived(case)
    batches: dict[str, DryingBatch] = {}
    for told in diary.returns(plan, drawn, rows, whole(plan)):
        for batch in told.drying:
            before = batches.get(batch.batch)
            if before is not None:  # once more, completed, and only once
                assert before.taken_out is None
                assert batch.taken_out is not None
                assert (before.put_in, before.items) == (batch.put_in, batch.items)
            shown_in = batch.taken_out or batch.put_in
            assert told.week <= shown_in <= told.last_day
            batches[batch.batch] = batch
    begun = rows[rows[:, 1] == What.ROUND_BEGINS]
    assert sum(batch.items for batch in batches.values()) == len(begun)
    freed = rows[rows[:, 1] == What.DRYER_FREED]
    still_in = len(set(begun[:, 3].tolist())) - len(freed)
    assert sum(b.items for b in batches.values() if b.taken_out is None) == still_in
    damp = len(begun) - len(set(begun[:, 3].tolist()))
    assert sum(batch.still_damp or 0 for batch in batches.values()) == damp


@given(cases(), st.integers(1, 7))
@some
def test_what_was_received_is_told_once_in_boxes_of_a_series(case: Case, box_items: int) -> None:
    plan, drawn, rows = lived(case)
    boxes: Counter[tuple[str | None, str | None]] = Counter()
    all_told = diary.returns(plan, drawn, rows, whole(plan), tell=Telling(box_items=box_items))
    for told in all_told:
        for row in told.received:
            boxes[row.series, row.box] += row.items
    receives = drawn.applies[:, Stage.RECEIVING]
    passed = (rows[:, 1] == What.FINISHED) & (rows[:, 2] == Stage.RECEIVING)
    come = rows[rows[:, 1] == What.DELIVERED, 3]
    expected = set(rows[passed, 3].tolist()) | set(come[~receives[come]].tolist())
    assert boxes.total() == len(expected)
    assert all(items <= box_items for items in boxes.values())
    assert {series for series, _ in boxes} <= {cell.series for cell in plan.cells}


# What is told, and how


@given(cases(), st.integers(0, 150))
@some
def test_a_longer_record_tells_the_same_of_its_first_weeks(case: Case, days: int) -> None:
    plan, drawn, rows = lived(case)
    tell = Telling(misbooked=0.2, quarter_hours=True, missing=0.3, seed=5)
    everything = diary.returns(plan, drawn, rows, whole(plan), tell=tell)
    until = plan.project.date_of(days)
    early = diary.returns(plan, drawn, rows, until, tell=tell)
    assert early == tuple(told for told in everything if told.last_day <= until)


@given(cases(), st.sampled_from([0.0, 0.1, 0.5]))
@some
def test_hours_that_stand_at_another_stage_are_not_lost(case: Case, misbooked: float) -> None:
    plan, drawn, rows = lived(case)
    tell = Telling(misbooked=misbooked, seed=case.seed)
    for straight, slipped in zip(
        diary.returns(plan, drawn, rows, whole(plan)),
        diary.returns(plan, drawn, rows, whole(plan), tell=tell),
        strict=True,
    ):
        assert straight.exposure == slipped.exposure
        totals = [Counter[str](), Counter[str]()]
        begun = [Counter[tuple[str, Stage | None]](), Counter[tuple[str, Stage | None]]()]
        for n, told in enumerate((straight, slipped)):
            for row in told.hours:
                totals[n][row.person] += row.hours  # type: ignore[assignment]
                begun[n][row.person, row.stage] += row.sessions or 0
        assert begun[0] == begun[1]
        assert totals[0].keys() == totals[1].keys()
        for name, hours in totals[0].items():
            assert math.isclose(hours, totals[1][name])


@given(cases())
@some
def test_the_day_grid_tells_the_same_hours_and_exposure(case: Case) -> None:
    plan, drawn, rows = lived(case)
    grid = Telling(sheets=frozenset({"counts", "days"}))
    for sheets, days in zip(
        diary.returns(plan, drawn, rows, whole(plan)),
        diary.returns(plan, drawn, rows, whole(plan), tell=grid),
        strict=True,
    ):
        assert not days.hours
        worked = {(row.person, row.stage): row.hours for row in sheets.worked}
        assert {(row.person, row.stage) for row in days.worked} == worked.keys()
        for row in days.worked:
            assert math.isclose(row.hours, worked[row.person, row.stage])
        exposed = {(e.day, e.person): e.hours for e in sheets.exposed}
        told = {(e.day, e.person): e.hours for e in days.exposed if e.hours}
        assert told.keys() == exposed.keys()
        assert all(math.isclose(told[key], exposed[key]) for key in told)


@pytest.fixture(scope="module")
def demo() -> Lived:
    """One future of the invented project."""
    return replicate.one_future(read_project(DEMO), seed=3)


def test_without_categories_and_boxes_only_totals_stand_there(demo: Lived) -> None:
    tell = Telling(sheets=frozenset({"counts", "received"}), categories=False, boxes=False)
    for told in diary.returns(*demo, date(2026, 4, 5), tell=tell):
        assert told.told == {"counts", "received"}
        for row in told.counts:
            assert (row.material, row.mould, row.red_rot) == (None, None, None)
        stages = [(row.stage, row.outcome) for row in told.counts]
        assert len(stages) == len(set(stages))
        for found in told.received:
            assert (found.series, found.box, found.material) == (None, None, None)


def test_hours_are_rounded_to_quarters_and_hardly_change_the_total(demo: Lived) -> None:
    until = date(2026, 12, 27)
    tell = Telling(quarter_hours=True, sessions=False)
    rounded = diary.returns(*demo, until, tell=tell)
    exact = diary.returns(*demo, until)
    hours = [row.hours for told in rounded for row in told.hours]
    assert all(4.0 * each == round(4.0 * each) for each in hours)
    assert {row.sessions for told in rounded for row in told.hours} == {None}
    total = sum(row.hours for told in exact for row in told.hours)
    assert sum(hours) == pytest.approx(total, rel=0.01)
    assert sum(hours) != total


def test_some_weeks_are_missing_and_history_shows_the_gaps(demo: Lived) -> None:
    until = date(2026, 12, 27)
    told = diary.returns(*demo, until, tell=Telling(missing=0.25, seed=2))
    everything = diary.returns(*demo, until)
    assert 0.5 < len(told) / len(everything) < 0.95
    assert set(told) < set(everything)
    assert len(History(told).gaps) > 0


def test_no_session_of_the_demo_crosses_a_limit_and_boxes_hold_what_they_should(
    demo: Lived,
) -> None:
    all_told = diary.returns(*demo, date(2026, 12, 27))
    limit = demo[0].project.exposure.hours_per_day
    assert max(e.hours for told in all_told for e in told.exposure) <= limit + 1e-9
    held = Counter[tuple[str | None, str | None]]()
    for told in all_told:
        for row in told.received:
            held[row.series, row.box] += row.items
    assert max(held.values()) == Telling().box_items


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"sheets": frozenset({"notes"})}, "no record tells of notes"),
        ({"sheets": EVERYTHING | {"days"}}, "days stands in for hours"),
        ({"box_items": 0}, "at least one item, not 0"),
        ({"misbooked": 0.6}, "not 0.6"),
        ({"missing": -0.1}, "-0.1"),
    ],
)
def test_a_way_of_telling_that_makes_no_sense_is_refused(
    wrong: dict[str, object], says: str
) -> None:
    with pytest.raises(ValueError, match=says):
        Telling(**wrong)  # type: ignore[arg-type]


# By hand


def test_a_week_by_hand() -> None:
    """Two items with growing mould dry two days; AB looks after them, cleans and reboxes.

    Monday 09:00: both into the dryer. Wednesday 09:00 both due: a session of 10 + 2 x 15 min.
    Both dry. Cleaning of 30 min each, 10 clothing, 25 clearing: 09:40 to 11:15. Then 2 x 6 min.
    Exposure on Wednesday: 30 + 85 min.
    """
    plan, drawn, rows = replicate.one_future(
        small_project(
            [Lot(2, mould=Mould.ACTIVE, images=0.0)],
            [per_item("drying", 2.0), per_item("cleaning", 30.0), per_item("reboxing", 6.0)],
            [person("AB", "drying;cleaning;reboxing")],
        )
    )
    (week,) = diary.returns(plan, drawn, rows, MONDAY + timedelta(days=13))
    wet = ("volume", Mould.ACTIVE, False)
    assert week == WeeklyReturn(
        MONDAY,
        EVERYTHING,
        counts=(
            Count(Stage.QUARANTINE, *wet, items=2),
            Count(Stage.DRYING, *wet, items=2),
            Count(Stage.CLEANING, *wet, items=2),
            Count(Stage.REBOXING, *wet, items=2),
        ),
        hours=(
            Hours("AB", Stage.DRYING, 40 / 60, 1),
            Hours("AB", Stage.CLEANING, 95 / 60, 1),
            Hours("AB", Stage.REBOXING, 12 / 60, 1),
        ),
        exposure=(ExposureDay(day(2), "AB", 115 / 60),),
        drying=(DryingBatch("2026-01-05/1", MONDAY, 2, day(2), 0),),
        received=(Received("S0", "001", *wet, items=2),),
    )


def test_batches_over_weeks_by_hand() -> None:
    """One item, rounds of 5 days: in on Monday, out on Saturday? Nobody works: out on Monday.

    It is still damp then, and goes in again as another batch, which is out a week later.
    """
    project = small_project(
        [Lot(1, mould=Mould.ACTIVE, images=0.0)],
        [per_item("drying", 5.0), per_item("reboxing", 6.0)],
        [person("AB", "drying;reboxing")],
        drying=Drying(still_damp=share(0.0)),
    )
    plan = luck.plan(project)
    drawn = luck.replication(plan, 1, 0)
    drawn.rounds[:] = 2
    rows = engine.record(drawn)
    told = diary.returns(plan, drawn, rows, whole(plan))
    assert [week.drying for week in told] == [
        (DryingBatch("2026-01-05/1", day(0), 1),),
        (
            DryingBatch("2026-01-05/1", day(0), 1, day(7), 1),
            DryingBatch("2026-01-12/1", day(7), 1),
        ),
        (DryingBatch("2026-01-12/1", day(7), 1, day(14), 0),),
    ]
    (first,) = diary.returns(plan, drawn, rows, day(6))
    assert first == told[0]


def test_a_week_that_is_not_whole_is_not_told() -> None:
    project = small_project([Lot(1)], [per_item("reboxing", 6.0)], [person("AB", "reboxing")])
    lived_through = replicate.one_future(project)
    assert diary.returns(*lived_through, day(5)) == ()
    assert len(diary.returns(*lived_through, day(6))) == 1


# Time in sessions


@given(cases())
@some
def test_time_in_sessions_by_week_is_that_of_the_future(case: Case) -> None:
    _, drawn, rows = lived(case)
    work = diary.hours_by_week(rows, drawn)
    np.testing.assert_array_equal(work.by_person, came_to(drawn, rows).weekly_hours)
    np.testing.assert_array_equal(work.by_stage.sum(axis=1), work.by_person.sum(axis=1))
    assert work.sessions.sum() == np.sum(rows[:, 1] == What.SESSION_BEGINS)
    assert work.sessions.shape == work.by_stage.shape == (len(work.by_person), N_STAGES)
    assert (work.by_person <= work.on_shift).all()
    assert work.on_shift.sum() <= (drawn.shift_end - drawn.shift_begin).sum()


def test_time_on_shift_by_hand() -> None:
    """AB works eight hours a day; the one item of ten hours is done on Tuesday at 11:00."""
    project = small_project([Lot(1)], [per_item("reboxing", 600.0)], [person("AB", "reboxing")])
    _, drawn, rows = replicate.one_future(project)
    work = diary.hours_by_week(rows, drawn)
    assert work.on_shift[0].tolist() == [10 * 3600]
    assert work.by_stage[0, Stage.REBOXING] == 10 * 3600
    assert work.sessions[0].sum() == 2
    assert not work.on_shift[1:].any()


def test_absent_people_are_away_and_others_are_not() -> None:
    """With as many days lost as there are, AB is away all week: 40 hours."""
    project = small_project(
        [Lot(1)],
        [per_item("reboxing", 6.0)],
        [person("AB", "reboxing"), person("CD", "reboxing", hours=4.0)],
        time=WorkingTime(
            delivered_share=share(1.0),
            absence_days_a_year=Estimate.known(400.0),
            practice=share(1.0),
            week_spread=Estimate.known(0.0),
        ),
    )
    lived_through = replicate.one_future(project)
    (week,) = diary.returns(*lived_through, day(6))
    assert week.hours == (Hours("AB", None, 40.0), Hours("CD", None, 20.0))
    assert week.told_hours()


# As files


@given(cases(), st.sampled_from([Telling(), Telling(sheets=frozenset({"counts", "days"}))]))
@settings(some, max_examples=15)
def test_every_return_is_read_back_from_its_files_as_it_was(case: Case, tell: Telling) -> None:
    plan, drawn, rows = lived(case)
    for told in diary.returns(plan, drawn, rows, whole(plan), tell=tell):
        # Nobody rejects more items in a week than there are, but some of these projects do.
        assume(max(row.rejected or 0 for row in (*told.counts, _NONE)) <= plan.project.total_items)
        with TemporaryDirectory() as folder:
            return_files.write_return(told, Path(folder) / "week")
            back = return_files.read_return(Path(folder) / "week", plan.project)
        assert back == told
        assert back.digest == told.digest


def test_numbers_are_plain_ones_whatever_they_were_computed_with(demo: Lived) -> None:
    kinds = {str, int, float, bool, date, Stage, Mould, type(None)}
    for tell in (Telling(), Telling(sheets=frozenset({"days"}), quarter_hours=True)):
        for told in diary.returns(*demo, date(2026, 6, 28), tell=tell):
            for sheet in told.told:
                for row in getattr(told, sheet):
                    assert {type(value) for value in vars(row).values()} <= kinds


@given(cases(), st.sampled_from([Telling(), Telling(categories=False, boxes=False)]))
@some
def test_what_really_happened_adds_up(case: Case, tell: Telling) -> None:
    plan, drawn, rows = lived(case)
    told = History.of(diary.returns(plan, drawn, rows, whole(plan), tell=tell))
    sums = ledger.of(plan.project, told)
    assert sums.problems() == ()
    if told.returns:
        assert sums.first_passes == tuple(came_to(drawn, rows).weekly_items[-1])
