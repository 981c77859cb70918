"""The week that comes: what its futures do, and what the planning limits leave."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from functools import lru_cache
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecast import diary, luck, recalibrate
from forecast.closed_loop import made_up_project
from forecast.exposure import ExposureLimits
from forecast.folder import read_project
from forecast.history import NOTHING_YET, History
from forecast.items import Mould
from forecast.next_week import mould_hours_left, next_week
from forecast.outcome import Futures
from forecast.planning import Knowledge
from forecast.replicate import one_record, simulate
from forecast.stages import Stage
from forecast.units import SECONDS_PER_HOUR
from forecast.weekly import ExposureDay, WeeklyReturn, WorkedDay
from tests.small_projects import MONDAY, Lot, per_item, person, small_project

TINY = Path(__file__).parent.parent / "scenario_data" / "tiny"
FEW = 5


# --- what futures do


@lru_cache
def on_record() -> tuple[Futures, Knowledge, date]:
    """Futures of a made-up project from its sixth week on, and what they began from."""
    project = made_up_project()
    plan = luck.plan(project)
    drawn, rows = one_record(plan, 3, 0)
    told = diary.returns(plan, drawn, rows, project.grant.start + timedelta(weeks=5, days=-1))
    history = History(told)
    assert history.last_day is not None
    knowledge = recalibrate.known(project, history, history.last_day)
    futures = simulate(
        project, None, FEW, 4, progress=False, standstill=False, knowledge=knowledge
    )
    return futures, knowledge, history.last_day + timedelta(days=1)


@pytest.mark.parametrize("later", [0, 1])
def test_it_is_a_week_of_the_futures_that_the_forecast_sees(later: int) -> None:
    futures, knowledge, first = on_record()
    project, monday = futures.project, first + timedelta(weeks=later)
    coming = next_week(project, knowledge, project.day_number(first), monday, FEW, 4)
    week = futures.weeks.index(monday)
    assert coming.monday == monday
    np.testing.assert_allclose(
        coming.hours.sum(axis=2) * SECONDS_PER_HOUR, futures.weekly_hours[:, week]
    )
    np.testing.assert_array_equal(
        coming.items, futures.weekly_items[:, week] - futures.weekly_items[:, week - 1]
    )
    assert coming.items.any()
    assert not coming.hours[:, :, Stage.QUARANTINE].any()


def test_before_anything_is_on_record_the_first_week_is_the_plans() -> None:
    project = read_project(TINY)
    futures = simulate(project, None, FEW, 1, progress=False, standstill=False)
    coming = next_week(project, None, 0, project.grant.start, FEW)
    np.testing.assert_array_equal(coming.items, futures.weekly_items[:, 0])
    assert (coming.called >= project.places.quarantine_items).all(), "all shelves are empty"
    assert not coming.waiting.any()


def test_items_are_called_and_dried_once() -> None:
    """Three active items, two shelves, a week of drying: worked out by hand.

    Two are called on the first Monday and dry until the next. Then they are cleaned, the third gets
    a shelf, and dries until the Monday after.
    """
    project = small_project(
        [Lot(3, Mould.ACTIVE)],
        [per_item("drying", 7.0), per_item("cleaning", 10.0)],
        [person("AB", "cleaning;drying")],
    )
    project = replace(project, places=replace(project.places, quarantine_items=2))
    weeks = [next_week(project, None, 0, MONDAY + timedelta(weeks=n), 1) for n in range(3)]
    assert [int(week.called[0]) for week in weeks] == [2, 1, 0]
    assert [int(week.to_dry[0]) for week in weeks] == [2, 1, 0]
    assert [int(week.items[0, Stage.CLEANING]) for week in weeks] == [0, 2, 1]


# --- what the limits leave


def exposed(*days: int, hours: float = 1.0, who: str = "AB") -> History:
    """A week on record with exposure on some of its days, 0 is Monday."""
    rows = tuple(ExposureDay(MONDAY + timedelta(days=n), who, hours) for n in days)
    return History((WeeklyReturn(MONDAY, frozenset(("exposure",)), exposure=rows),))


NEXT = MONDAY + timedelta(weeks=1)
TASKS = [per_item("cleaning", 10.0)]


def left(
    history: History,
    hours: float | tuple[float, ...] = 8.0,
    limits: ExposureLimits | None = None,
    *,
    mould_work: bool = True,
) -> tuple[tuple[float, ...], int]:
    project = small_project(
        [Lot(1)],
        TASKS,
        [person("AB", "cleaning", hours, mould_work=mould_work)],
        exposure=limits or ExposureLimits(),
    )
    (found,) = mould_hours_left(project, history, NEXT)
    assert found.person == "AB"
    return found.hours, found.days


def test_without_exposure_behind_each_day_has_its_limit_and_the_week_its_days() -> None:
    assert left(NOTHING_YET) == ((3.0,) * 5 + (0.0, 0.0), 3)


def test_a_short_shift_leaves_no_more_than_itself() -> None:
    assert left(NOTHING_YET, (2.0, 0.0, 3.5, 0.0, 0.0, 0.0, 0.0)) == (
        (2.0, 0.0, 3.0, 0.0, 0.0, 0.0, 0.0),
        2,
    )


def test_days_behind_count_until_they_are_seven_days_ago() -> None:
    """Thursday to Saturday were worked: on Thursday the first of them is a week ago."""
    hours, days = left(exposed(3, 4, 5))
    assert hours == (0.0, 0.0, 0.0, 3.0, 3.0, 0.0, 0.0)
    assert days == 2


def test_the_weekend_before_leaves_one_day_of_the_week() -> None:
    """Saturday and Sunday stay within the six days before until Friday: one day more, not three."""
    hours, days = left(exposed(5, 6))
    assert hours == (3.0,) * 5 + (0.0, 0.0)
    assert days == 1


def test_with_calendar_weeks_nothing_is_carried_over() -> None:
    limits = ExposureLimits(week="calendar")
    assert left(exposed(4, 5, 6), limits=limits) == ((3.0,) * 5 + (0.0, 0.0), 3)


def test_a_day_of_no_exposure_is_none_and_others_days_are_not_mine() -> None:
    assert left(exposed(4, 5, 6, hours=0.0))[1] == 3
    assert left(exposed(4, 5, 6, who="CD"))[1] == 3


def test_the_day_grid_tells_of_exposure_too() -> None:
    rows = tuple(
        WorkedDay(MONDAY + timedelta(days=n), "AB", Stage.CLEANING, 4.0, 2.0) for n in (5, 6)
    )
    history = History((WeeklyReturn(MONDAY, frozenset(("days",)), days=rows),))
    assert left(history)[1] == 1


def test_who_does_no_mould_work_is_not_in_the_table() -> None:
    team = [person("AB", "cleaning"), person("EF", "imaging", mould_work=False)]
    project = small_project([Lot(1)], [*TASKS, per_item("imaging", 1.0)], team)
    assert [each.person for each in mould_hours_left(project, NOTHING_YET, NEXT)] == ["AB"]


@given(
    st.sets(st.integers(0, 6)),
    st.lists(st.sampled_from((0.0, 6.0)), min_size=7, max_size=7),
    st.integers(0, 7),
)
def test_the_most_days_are_those_of_the_best_choice(
    before: set[int], hours: list[float], limit: int
) -> None:
    """Every choice of days is tried against the rule itself."""
    limits = ExposureLimits(days_per_week=limit)
    best = 0
    for chosen in product((False, True), repeat=7):
        days = set(before)
        for n, works in enumerate(chosen):
            if works and hours[n] and sum(7 + n - back in days for back in range(1, 7)) < limit:
                days.add(7 + n)
            elif works:
                break
        else:
            best = max(best, sum(chosen))
    assert left(exposed(*sorted(before)), tuple(hours), limits)[1] == best
