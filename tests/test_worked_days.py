"""Timetables worked out by hand from the rules' words, to the second.

Each table was worked out before it was compared with an engine; both engines give it. The 5th of
January 2026 is a Monday; items are numbered from 0 in the order of work.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from forecast import luck
from forecast.estimates import Estimate
from forecast.events import What
from forecast.exposure import BreathingProtection, ExposureLimits
from forecast.items import Delivery, Mould
from forecast.people import Closure, DayPlan
from forecast.project import (
    Checking,
    Drying,
    Grant,
    PlaceChange,
    Places,
    Project,
    Sessions,
    WorkingTime,
)
from forecast.stages import Place, Stage
from tests.both import record, worked
from tests.small_projects import (
    MONDAY,
    WORK,
    Lot,
    day,
    per_image,
    per_item,
    person,
    share,
    small_project,
    timetable,
)

NONE, INACTIVE, ACTIVE = Mould.NONE, Mould.INACTIVE, Mould.ACTIVE
SESSIONS = frozenset({What.SESSION_BEGINS, What.SESSION_ENDS})
HANDLING = frozenset({What.TAKEN, What.PUT_BACK, What.FINISHED})
EXPOSED = frozenset({What.EXPOSURE_BEGINS, What.EXPOSURE_ENDS})
SHELVES = frozenset({What.SHELF_TAKEN, What.SHELF_FREED})
DRYER = frozenset({What.ROUND_BEGINS, What.ROUND_DUE, What.DRYER_FREED})
ENDS = frozenset({What.DONE, What.SET_ASIDE, What.NOT_IMAGED})
SEVEN_DAYS = (8.0,) * 7


def table(text: str) -> list[str]:
    """The lines of a table; what follows a # is a remark."""
    lines = (line.partition("#")[0].strip() for line in text.splitlines())
    return [line for line in lines if line]


def one_hour(**changes: object) -> ExposureLimits:
    """Limits with an hour of exposure a day: 35 minutes of handling, 25 of clearing the bench."""
    return replace(ExposureLimits(hours_per_day=1.0), **changes)  # type: ignore[arg-type]


def working_time(**changes: object) -> WorkingTime:
    """Working time in which nothing varies, but for the changes."""
    nothing = WorkingTime(
        share(1.0), Estimate.known(0.0), 2.5, share(1.0), 100.0, Estimate.known(0.0)
    )
    return replace(nothing, **changes)  # type: ignore[arg-type]


# Practice such that N finished items divide the minutes by 1 + N: half at each doubling, from 1.
FAST_LEARNERS = working_time(practice=share(0.5), practice_starts_at=1.0)


# Rule R1, time


def test_minutes_become_whole_seconds_half_up_and_at_least_one() -> None:
    # 0.375 minutes are 22.5 seconds, so 23 (rounding to even would say 22); 0.001 minutes are 0.06
    # seconds, so the least there is, 1. Nothing of a clean session needs clearing.
    project = small_project(
        [Lot(1, material="map"), Lot(1, material="photograph")],
        [per_item("reboxing", 0.375, "map"), per_item("reboxing", 0.001, "photograph")],
        [person("AB", "reboxing")],
    )
    assert worked(project, WORK | {What.DONE}) == table("""
        Mon 05 Jan 09:00:00 AB begins reboxing
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:00:23 AB finishes item 0
        Mon 05 Jan 09:00:23 AB takes item 1
        Mon 05 Jan 09:00:23 item 0 is done
        Mon 05 Jan 09:00:24 AB finishes item 1
        Mon 05 Jan 09:00:24 AB ends reboxing
        Mon 05 Jan 09:00:24 item 1 is done
    """)


def test_given_minutes_and_shift_seconds_are_rounded_half_up_too() -> None:
    # Clothing 0.125 minutes: 7.5, so 8 seconds. Clearing 0.375: 23 seconds. A shift of 1.0625 hours
    # is 3,825 seconds, half of it delivered 1,912.5, so 1,913: 31 minutes 53 seconds. Handling may
    # last 1,913 - 8 - 23 = 1,882 seconds, until 09:31:30.
    project = small_project(
        [Lot(1, INACTIVE)],
        [per_item("cleaning", 40.0)],
        [person("AB", "cleaning", hours=1.0625)],
        sessions=Sessions(protective_clothing=0.125, clear_bench=0.375),
        time=working_time(delivered_share=share(0.5)),
    )
    assert worked(project, WORK | EXPOSED) == table("""
        Mon 05 Jan 09:00:00 AB begins cleaning at bench 0
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:00:08 AB is exposed
        Mon 05 Jan 09:31:30 AB puts back item 0
        Mon 05 Jan 09:31:30 AB clears
        Mon 05 Jan 09:31:53 AB is exposed no longer
        Mon 05 Jan 09:31:53 AB ends cleaning
        Tue 06 Jan 09:00:00 AB begins cleaning at bench 0
        Tue 06 Jan 09:00:00 AB takes item 0
        Tue 06 Jan 09:00:08 AB is exposed
        Tue 06 Jan 09:08:46 AB finishes item 0  # 2,400 - 1,882 = 518 seconds were left
        Tue 06 Jan 09:08:46 AB clears
        Tue 06 Jan 09:09:09 AB is exposed no longer
        Tue 06 Jan 09:09:09 AB ends cleaning
    """)


def test_the_first_item_of_a_session_is_fixed_before_clothing() -> None:
    # With N items finished an hour becomes 60 / (1 + N) minutes. CD begins at 10:05 and sees N = 0:
    # the hour of item 1 stays an hour, although item 0 is finished while CD dresses. AB's next
    # items are taken up at N = 1 and N = 2: 30 and 20 minutes.
    project = small_project(
        [Lot(4, INACTIVE)],
        [per_item("cleaning", 60.0)],
        [person("AB", "cleaning"), person("CD", "cleaning", begins="10:05")],
        time=FAST_LEARNERS,
    )
    assert worked(project, WORK - {What.FINISHED} | {What.DONE}) == table("""
        Mon 05 Jan 09:00:00 AB begins cleaning at bench 0
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 10:05:00 CD begins cleaning at bench 1
        Mon 05 Jan 10:05:00 CD takes item 1
        Mon 05 Jan 10:10:00 AB takes item 2
        Mon 05 Jan 10:10:00 item 0 is done
        Mon 05 Jan 10:40:00 AB takes item 3
        Mon 05 Jan 10:40:00 item 2 is done
        Mon 05 Jan 11:00:00 AB clears
        Mon 05 Jan 11:00:00 item 3 is done
        Mon 05 Jan 11:15:00 CD clears
        Mon 05 Jan 11:15:00 item 1 is done
        Mon 05 Jan 11:25:00 AB ends cleaning
        Mon 05 Jan 11:40:00 CD ends cleaning
    """)


# Rule R2, weeks of exposure


def test_the_daily_allowance_is_used_to_the_second() -> None:
    """An hour a day: 35 minutes of handling and 25 of clearing. The item's hour takes two days."""
    project = small_project(
        [Lot(1, INACTIVE)],
        [per_item("cleaning", 60.0)],
        [person("AB", "cleaning")],
        exposure=one_hour(),
    )
    assert worked(project, WORK | EXPOSED) == table("""
        Mon 05 Jan 09:00:00 AB begins cleaning at bench 0
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:10:00 AB is exposed
        Mon 05 Jan 09:45:00 AB puts back item 0
        Mon 05 Jan 09:45:00 AB clears
        Mon 05 Jan 10:10:00 AB is exposed no longer
        Mon 05 Jan 10:10:00 AB ends cleaning
        Tue 06 Jan 09:00:00 AB begins cleaning at bench 0
        Tue 06 Jan 09:00:00 AB takes item 0
        Tue 06 Jan 09:10:00 AB is exposed
        Tue 06 Jan 09:35:00 AB finishes item 0
        Tue 06 Jan 09:35:00 AB clears
        Tue 06 Jan 10:00:00 AB is exposed no longer
        Tue 06 Jan 10:00:00 AB ends cleaning
    """)


def test_any_seven_days_looks_back_six_days() -> None:
    # Two days a week, 35 minutes a day, begun on a Saturday. The six days before Saturday the 17th
    # hold only Sunday the 11th; those before Sunday the 18th only Saturday the 17th.
    project = small_project(
        [Lot(1, INACTIVE)],
        [per_item("cleaning", 140.0)],
        [person("AB", "cleaning", SEVEN_DAYS, start=day(5))],
        exposure=one_hour(days_per_week=2),
    )
    assert worked(project, HANDLING) == table("""
        Sat 10 Jan 09:00:00 AB takes item 0
        Sat 10 Jan 09:45:00 AB puts back item 0
        Sun 11 Jan 09:00:00 AB takes item 0
        Sun 11 Jan 09:45:00 AB puts back item 0
        Sat 17 Jan 09:00:00 AB takes item 0
        Sat 17 Jan 09:45:00 AB puts back item 0
        Sun 18 Jan 09:00:00 AB takes item 0
        Sun 18 Jan 09:45:00 AB finishes item 0
    """)


def test_calendar_weeks_begin_anew_on_monday() -> None:
    # The same work counted from Monday to Sunday: a week ends with Sunday the 11th, the next two
    # days are Monday and Tuesday.
    project = small_project(
        [Lot(1, INACTIVE)],
        [per_item("cleaning", 175.0)],
        [person("AB", "cleaning", SEVEN_DAYS, start=day(5))],
        exposure=one_hour(days_per_week=2, week="calendar"),
    )
    assert worked(project, HANDLING) == table("""
        Sat 10 Jan 09:00:00 AB takes item 0
        Sat 10 Jan 09:45:00 AB puts back item 0
        Sun 11 Jan 09:00:00 AB takes item 0
        Sun 11 Jan 09:45:00 AB puts back item 0
        Mon 12 Jan 09:00:00 AB takes item 0
        Mon 12 Jan 09:45:00 AB puts back item 0
        Tue 13 Jan 09:00:00 AB takes item 0
        Tue 13 Jan 09:45:00 AB puts back item 0
        Mon 19 Jan 09:00:00 AB takes item 0
        Mon 19 Jan 09:45:00 AB finishes item 0
    """)


@pytest.mark.parametrize("week", ["any-7-days", "calendar"])
def test_a_day_that_is_an_exposure_day_already_allows_more(week: str) -> None:
    # One day a week. A mask is worn for 60 minutes: 35 of handling, 25 of clearing. Without a rest
    # the next session begins at once, though the one exposure day has begun.
    project = small_project(
        [Lot(1, INACTIVE)],
        [per_item("cleaning", 70.0)],
        [person("AB", "cleaning")],
        exposure=ExposureLimits(days_per_week=1, week=week),
        breathing=BreathingProtection(wear_minutes=60.0),
    )
    assert worked(project) == table("""
        Mon 05 Jan 09:00:00 AB begins cleaning at bench 0
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:45:00 AB puts back item 0
        Mon 05 Jan 09:45:00 AB clears
        Mon 05 Jan 10:10:00 AB ends cleaning
        Mon 05 Jan 10:10:00 AB begins cleaning at bench 0
        Mon 05 Jan 10:10:00 AB takes item 0
        Mon 05 Jan 10:55:00 AB finishes item 0
        Mon 05 Jan 10:55:00 AB clears
        Mon 05 Jan 11:20:00 AB ends cleaning
    """)


@pytest.mark.parametrize(
    ("week", "begins"), [("any-7-days", "Tue 06 Jan"), ("calendar", "Mon 05 Jan")]
)
def test_exposure_on_record_counts_for_the_first_days(week: str, begins: str) -> None:
    # On record: Tuesday the 30th, Thursday the 1st (one second: a day all the same) and Sunday the
    # 4th. Monday sees three exposure days in the six before it; Tuesday only two, the 30th being
    # the seventh day back. A calendar week begins on Monday, and nothing of it is used.
    project = small_project(
        [Lot(1, INACTIVE)],
        [per_item("cleaning", 30.0)],
        [person("AB", "cleaning")],
        exposure=ExposureLimits(week=week),
    )
    assert worked(project, exposure_before=[[3600, 0, 1, 0, 0, 7200]]) == table(f"""
        {begins} 09:00:00 AB begins cleaning at bench 0
        {begins} 09:00:00 AB takes item 0
        {begins} 09:40:00 AB finishes item 0
        {begins} 09:40:00 AB clears
        {begins} 10:05:00 AB ends cleaning
    """)


@pytest.mark.parametrize(
    ("on_record", "begins"),
    [
        ([0, 0, 0, 0, 600, 600], "Mon 12 Jan"),  # Monday and Tuesday of this very week
        ([600, 600, 0, 0, 0, 0], "Wed 07 Jan"),  # Thursday and Friday of the week before
    ],
)
def test_a_calendar_week_in_progress_counts_its_own_days_on_record(
    on_record: list[int], begins: str
) -> None:
    """Two days a week, and the simulation begins on Wednesday, when the item arrives."""
    project = small_project(
        [Lot(1, INACTIVE)],
        [per_item("cleaning", 30.0)],
        [person("AB", "cleaning")],
        exposure=ExposureLimits(days_per_week=2, week="calendar"),
        deliveries=(Delivery(day(2), "S0", 1),),
    )
    found = worked(project, {What.TAKEN}, first_day=2, exposure_before=[on_record])
    assert found == [f"{begins} 09:00:00 AB takes item 0"]


# Rule R3, breathing protection


def test_other_work_fills_the_rest_and_a_rest_that_ends_while_idle_is_over_at_that_second() -> None:
    # A mask is worn for 60 minutes (35 + 25) and rested from for 30. The first rest ends at 10:40
    # inside a reboxing session, which nobody interrupts: cleaning resumes at 11:10. The second ends
    # at 12:50 with AB idle: cleaning resumes at that second. 120 minutes of the allowance of 180
    # are used then, 35 minutes remain for handling, and 30 are needed.
    project = small_project(
        [Lot(1, INACTIVE), Lot(3)],
        [per_item("cleaning", 100.0, mould=INACTIVE), per_item("reboxing", 20.0)],
        [person("AB", "cleaning;reboxing")],
        breathing=BreathingProtection(wear_minutes=60.0, rest_minutes=30.0),
    )
    assert worked(project) == table("""
        Mon 05 Jan 09:00:00 AB begins cleaning at bench 0
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:45:00 AB puts back item 0
        Mon 05 Jan 09:45:00 AB clears
        Mon 05 Jan 10:10:00 AB ends cleaning
        Mon 05 Jan 10:10:00 AB begins reboxing
        Mon 05 Jan 10:10:00 AB takes item 1
        Mon 05 Jan 10:30:00 AB finishes item 1
        Mon 05 Jan 10:30:00 AB takes item 2
        Mon 05 Jan 10:50:00 AB finishes item 2
        Mon 05 Jan 10:50:00 AB takes item 3
        Mon 05 Jan 11:10:00 AB finishes item 3
        Mon 05 Jan 11:10:00 AB ends reboxing
        Mon 05 Jan 11:10:00 AB begins cleaning at bench 0
        Mon 05 Jan 11:10:00 AB takes item 0
        Mon 05 Jan 11:55:00 AB puts back item 0
        Mon 05 Jan 11:55:00 AB clears
        Mon 05 Jan 12:20:00 AB ends cleaning
        Mon 05 Jan 12:50:00 AB begins cleaning at bench 0
        Mon 05 Jan 12:50:00 AB takes item 0
        Mon 05 Jan 13:30:00 AB finishes item 0
        Mon 05 Jan 13:30:00 AB clears
        Mon 05 Jan 13:55:00 AB ends cleaning
        Mon 05 Jan 13:55:00 AB begins reboxing
        Mon 05 Jan 13:55:00 AB takes item 0
        Mon 05 Jan 14:15:00 AB finishes item 0
        Mon 05 Jan 14:15:00 AB ends reboxing
    """)


def test_a_rest_is_due_without_a_limit_to_wear() -> None:
    # Covers end at 09:25 and their clearing (20 minutes) at 09:45. Cleaning would be next, but the
    # rest of 30 minutes lasts until 10:15.
    project = small_project(
        [Lot(1, INACTIVE, bound=True)],
        [per_item("covers", 15.0), per_item("cleaning", 20.0)],
        [person("AB", "covers;cleaning")],
        breathing=BreathingProtection(rest_minutes=30.0),
    )
    assert worked(project) == table("""
        Mon 05 Jan 09:00:00 AB begins covers at camera 0
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:25:00 AB finishes item 0
        Mon 05 Jan 09:25:00 AB clears
        Mon 05 Jan 09:45:00 AB ends covers
        Mon 05 Jan 10:15:00 AB begins cleaning at bench 0
        Mon 05 Jan 10:15:00 AB takes item 0
        Mon 05 Jan 10:45:00 AB finishes item 0
        Mon 05 Jan 10:45:00 AB clears
        Mon 05 Jan 11:10:00 AB ends cleaning
    """)


@pytest.mark.parametrize(
    ("allowance_minutes", "second"), [(104, "Tue 06 Jan 09:00:00"), (105, "Mon 05 Jan 10:10:00")]
)
def test_several_sessions_a_day_share_one_allowance(allowance_minutes: int, second: str) -> None:
    # Wear 60 and no rest: a full session uses 60 minutes of the allowance. Of 105 minutes 45 are
    # left, 20 of handling and 25 of clearing, just the shortest session; of 104 one too few.
    project = small_project(
        [Lot(1, INACTIVE)],
        [per_item("cleaning", 55.0)],
        [person("AB", "cleaning")],
        exposure=ExposureLimits(hours_per_day=allowance_minutes / 60),
        breathing=BreathingProtection(wear_minutes=60.0),
    )
    assert worked(project, {What.TAKEN}) == table(f"""
        Mon 05 Jan 09:00:00 AB takes item 0
        {second} AB takes item 0
    """)


def test_exposure_adds_up_over_all_sessions_of_a_day() -> None:
    # Wear 60, no rest, 3 hours a day: three sessions of 35 + 25 minutes are all that a day allows,
    # 105 minutes of handling. Of 190 minutes 85 are left for Tuesday: 35, 35 and 15.
    project = small_project(
        [Lot(1, INACTIVE)],
        [per_item("cleaning", 190.0)],
        [person("AB", "cleaning")],
        breathing=BreathingProtection(wear_minutes=60.0),
    )
    assert worked(project, HANDLING) == table("""
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:45:00 AB puts back item 0
        Mon 05 Jan 10:10:00 AB takes item 0
        Mon 05 Jan 10:55:00 AB puts back item 0
        Mon 05 Jan 11:20:00 AB takes item 0
        Mon 05 Jan 12:05:00 AB puts back item 0
        Tue 06 Jan 09:00:00 AB takes item 0
        Tue 06 Jan 09:45:00 AB puts back item 0
        Tue 06 Jan 10:10:00 AB takes item 0
        Tue 06 Jan 10:55:00 AB puts back item 0
        Tue 06 Jan 11:20:00 AB takes item 0
        Tue 06 Jan 11:45:00 AB finishes item 0
    """)


def test_attention_at_the_dryer_is_worn_and_rested_from_like_any_other() -> None:
    # Attention until 09:25, then a rest of 30 minutes before cleaning may begin at 09:55.
    project = small_project(
        [Lot(1, ACTIVE)],
        [per_item("drying", 1.0), per_item("cleaning", 30.0)],
        [person("AB", "drying;cleaning")],
        breathing=BreathingProtection(rest_minutes=30.0),
    )
    assert worked(project, SESSIONS) == table("""
        Tue 06 Jan 09:00:00 AB begins drying
        Tue 06 Jan 09:25:00 AB ends drying
        Tue 06 Jan 09:55:00 AB begins cleaning at bench 0
        Tue 06 Jan 11:00:00 AB ends cleaning
    """)


# Rule R4, delivery


def test_materials_of_a_series_come_evenly_mixed() -> None:
    # Two maps stand at 1/4 and 3/4, three photographs at 1/6, 1/2 and 5/6: photograph, map,
    # photograph, map, photograph. A photograph takes 10 minutes, a map 20.
    project = small_project(
        [Lot(2, material="map", series="S"), Lot(3, material="photograph", series="S")],
        [per_item("reboxing", 20.0, "map"), per_item("reboxing", 10.0, "photograph")],
        [person("AB", "reboxing")],
    )
    assert worked(project, {What.DONE}) == table("""
        Mon 05 Jan 09:10:00 item 0 is done
        Mon 05 Jan 09:30:00 item 1 is done
        Mon 05 Jan 09:40:00 item 2 is done
        Mon 05 Jan 10:00:00 item 3 is done
        Mon 05 Jan 10:10:00 item 4 is done
    """)


def test_equal_positions_come_in_the_order_of_the_rows_and_series_follow_each_other() -> None:
    """One map and one photograph both stand at 1/2: the map's row comes first. Series T waits."""
    project = small_project(
        [
            Lot(1, material="map", series="S"),
            Lot(1, material="photograph", series="S"),
            Lot(1, material="photograph", series="T"),
            Lot(1, material="map", series="T"),
        ],
        [per_item("reboxing", 20.0, "map"), per_item("reboxing", 10.0, "photograph")],
        [person("AB", "reboxing")],
    )
    assert worked(project, {What.DONE}) == table("""
        Mon 05 Jan 09:20:00 item 0 is done
        Mon 05 Jan 09:30:00 item 1 is done
        Mon 05 Jan 09:40:00 item 2 is done
        Mon 05 Jan 10:00:00 item 3 is done
    """)


def test_conditions_of_looked_at_items_come_evenly_mixed_too() -> None:
    # Two without mould stand at 1/4 and 3/4, so do two with inactive mould; one with active mould
    # and red rot at 1/2. Ties: none before inactive.
    project = small_project(
        [
            Lot(1, ACTIVE, red_rot=True, series="S"),
            Lot(2, INACTIVE, series="S"),
            Lot(2, series="S"),
        ],
        [per_item("reboxing", 20.0)],
        [person("AB", "reboxing")],
    )
    future = luck.replication(luck.plan(project), 1, 0)
    assert future.mould.tolist() == [NONE, INACTIVE, ACTIVE, NONE, INACTIVE]
    assert future.red_rot.tolist() == [False, False, True, False, False]


def test_equal_positions_of_conditions_put_red_rot_last() -> None:
    """One item of each condition: all stand at 1/2, so the order of ties decides alone."""
    project = small_project(
        [
            Lot(1, mould, red_rot=rot, series="S")
            for rot in (True, False)
            for mould in (ACTIVE, INACTIVE, NONE)
        ],
        [per_item("reboxing", 20.0)],
        [person("AB", "reboxing")],
    )
    future = luck.replication(luck.plan(project), 1, 0)
    assert future.mould.tolist() == [NONE, NONE, INACTIVE, INACTIVE, ACTIVE, ACTIVE]
    assert future.red_rot.tolist() == [False, True] * 3


def test_items_come_at_midnight_of_their_delivery() -> None:
    """The second item comes on Wednesday, and is reboxed when the shift begins."""
    project = small_project(
        [Lot(2)],
        [per_item("reboxing", 30.0)],
        [person("AB", "reboxing")],
        deliveries=(Delivery(MONDAY, "S0", 1), Delivery(day(2), "S0", 1)),
    )
    assert worked(project, HANDLING | {What.DELIVERED, What.WAITS}) == table("""
        Mon 05 Jan 00:00:00 item 0 is delivered
        Mon 05 Jan 00:00:00 item 0 waits for reboxing
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:30:00 AB finishes item 0
        Wed 07 Jan 00:00:00 item 1 is delivered
        Wed 07 Jan 00:00:00 item 1 waits for reboxing
        Wed 07 Jan 09:00:00 AB takes item 1
        Wed 07 Jan 09:30:00 AB finishes item 1
    """)


def test_receiving_is_always_exposure_once_the_survey_has_mould() -> None:
    # Item 0 is mouldy, item 1 is not, but nobody knows before the box is open: one session for
    # both, in protective clothing, by AB only. CD, who does no mould work, reboxes item 1 as soon
    # as it is through. Receiving needs no clearing; item 0 gets its shelf when it is through.
    project = small_project(
        [Lot(1, INACTIVE), Lot(1)],
        [
            per_item("receiving", 15.0),
            per_item("cleaning", 30.0, mould=INACTIVE),
            per_item("reboxing", 10.0),
        ],
        [
            person("CD", "receiving;reboxing", mould_work=False),
            person("AB", "receiving;cleaning"),
        ],
    )
    assert worked(project, WORK | EXPOSED | SHELVES) == table("""
        Mon 05 Jan 09:00:00 AB begins receiving
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:10:00 AB is exposed
        Mon 05 Jan 09:25:00 AB finishes item 0
        Mon 05 Jan 09:25:00 AB takes item 1
        Mon 05 Jan 09:25:00 item 0 goes on shelf 0
        Mon 05 Jan 09:40:00 AB finishes item 1
        Mon 05 Jan 09:40:00 AB is exposed no longer
        Mon 05 Jan 09:40:00 AB ends receiving
        Mon 05 Jan 09:40:00 AB begins cleaning at bench 0
        Mon 05 Jan 09:40:00 AB takes item 0
        Mon 05 Jan 09:40:00 CD begins reboxing
        Mon 05 Jan 09:40:00 CD takes item 1
        Mon 05 Jan 09:50:00 AB is exposed
        Mon 05 Jan 09:50:00 CD finishes item 1
        Mon 05 Jan 09:50:00 CD ends reboxing
        Mon 05 Jan 10:20:00 AB finishes item 0
        Mon 05 Jan 10:20:00 AB clears
        Mon 05 Jan 10:20:00 CD begins reboxing
        Mon 05 Jan 10:20:00 CD takes item 0
        Mon 05 Jan 10:20:00 item 0 leaves shelf 0
        Mon 05 Jan 10:30:00 CD finishes item 0
        Mon 05 Jan 10:30:00 CD ends reboxing
        Mon 05 Jan 10:45:00 AB is exposed no longer
        Mon 05 Jan 10:45:00 AB ends cleaning
    """)


def test_receiving_is_ordinary_work_when_the_survey_saw_no_mould() -> None:
    """The clean item needs no clothing, and CD, who does no mould work, may receive it."""
    project = small_project(
        [Lot(1)],
        [per_item("receiving", 15.0)],
        [person("CD", "receiving", mould_work=False)],
    )
    assert worked(project) == table("""
        Mon 05 Jan 09:00:00 CD begins receiving
        Mon 05 Jan 09:00:00 CD takes item 0
        Mon 05 Jan 09:15:00 CD finishes item 0
        Mon 05 Jan 09:15:00 CD ends receiving
    """)


# Rule R5, shelves


def test_items_with_mould_wait_for_a_shelf_and_hold_up_nobody() -> None:
    # One shelf, two days at least. Item 0 goes on the shelf on Monday and may leave on Wednesday at
    # midnight; its cleaning is finished at 09:40. Item 1 takes the shelf at that second, and
    # Wednesday and two days are Friday at midnight. The clean item 2 is done on Monday.
    project = small_project(
        [Lot(2, INACTIVE), Lot(1)],
        [per_item("cleaning", 30.0, mould=INACTIVE), per_item("reboxing", 30.0, mould=NONE)],
        [person("AB", "cleaning;reboxing")],
        quarantine_days=2,
        places=Places(1, 9, 2, 1),
    )
    found = worked(project, SHELVES | {What.TAKEN, What.FINISHED, What.DONE}, quarantine=True)
    assert found == table("""
        Mon 05 Jan 00:00:00 item 0 goes on shelf 0
        Mon 05 Jan 09:00:00 AB takes item 2
        Mon 05 Jan 09:30:00 AB finishes item 2
        Mon 05 Jan 09:30:00 item 2 is done
        Wed 07 Jan 00:00:00 item 0 may leave quarantine
        Wed 07 Jan 09:00:00 AB takes item 0
        Wed 07 Jan 09:40:00 AB finishes item 0
        Wed 07 Jan 09:40:00 item 0 leaves shelf 0
        Wed 07 Jan 09:40:00 item 0 is done
        Wed 07 Jan 09:40:00 item 1 goes on shelf 0
        Fri 09 Jan 00:00:00 item 1 may leave quarantine
        Fri 09 Jan 09:00:00 AB takes item 1
        Fri 09 Jan 09:40:00 AB finishes item 1
        Fri 09 Jan 09:40:00 item 1 leaves shelf 0
        Fri 09 Jan 09:40:00 item 1 is done
    """)


def test_the_longest_waiting_for_a_shelf_comes_first_and_is_taken_up_in_the_same_second() -> None:
    # Series S0 (item 0) comes on Tuesday, S1 (items 1, 2) on Monday; there is one shelf and no
    # least stay. Item 2 has waited longer than item 0. Each takes the shelf as the one before is
    # cleaned, and goes on at that second, so AB's session never runs dry.
    project = small_project(
        [Lot(1, INACTIVE), Lot(2, INACTIVE)],
        [per_item("cleaning", 30.0)],
        [person("AB", "cleaning", start=day(1))],
        places=Places(1, 9, 2, 1),
        deliveries=(Delivery(MONDAY, "S1", 2), Delivery(day(1), "S0", 1)),
    )
    assert worked(project, HANDLING | SHELVES) == table("""
        Mon 05 Jan 00:00:00 item 1 goes on shelf 0
        Tue 06 Jan 09:00:00 AB takes item 1
        Tue 06 Jan 09:40:00 AB finishes item 1
        Tue 06 Jan 09:40:00 AB takes item 2
        Tue 06 Jan 09:40:00 item 1 leaves shelf 0
        Tue 06 Jan 09:40:00 item 2 goes on shelf 0
        Tue 06 Jan 10:10:00 AB finishes item 2
        Tue 06 Jan 10:10:00 AB takes item 0
        Tue 06 Jan 10:10:00 item 0 goes on shelf 0
        Tue 06 Jan 10:10:00 item 2 leaves shelf 0
        Tue 06 Jan 10:40:00 AB finishes item 0
        Tue 06 Jan 10:40:00 item 0 leaves shelf 0
    """)


def test_without_cleaning_an_item_stays_mouldy_and_keeps_its_shelf_until_it_is_done() -> None:
    # Imaging (10 minutes) and reboxing (10) of mouldy items: both in clothing, imaging with a
    # camera to clear, reboxing with nothing to clear. The one shelf passes on only at the end.
    project = small_project(
        [Lot(2, INACTIVE)],
        [per_item("imaging", 10.0), per_item("reboxing", 10.0)],
        [person("AB", "imaging;reboxing")],
        places=Places(1, 9, 2, 1),
    )
    assert worked(project, WORK | EXPOSED | SHELVES) == table("""
        Mon 05 Jan 00:00:00 item 0 goes on shelf 0
        Mon 05 Jan 09:00:00 AB begins imaging at camera 0
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:10:00 AB is exposed
        Mon 05 Jan 09:20:00 AB finishes item 0
        Mon 05 Jan 09:20:00 AB clears
        Mon 05 Jan 09:40:00 AB is exposed no longer
        Mon 05 Jan 09:40:00 AB ends imaging
        Mon 05 Jan 09:40:00 AB begins reboxing
        Mon 05 Jan 09:40:00 AB takes item 0
        Mon 05 Jan 09:50:00 AB is exposed
        Mon 05 Jan 10:00:00 AB finishes item 0
        Mon 05 Jan 10:00:00 AB is exposed no longer
        Mon 05 Jan 10:00:00 AB ends reboxing
        Mon 05 Jan 10:00:00 AB begins imaging at camera 0
        Mon 05 Jan 10:00:00 AB takes item 1
        Mon 05 Jan 10:00:00 item 0 leaves shelf 0
        Mon 05 Jan 10:00:00 item 1 goes on shelf 0
        Mon 05 Jan 10:10:00 AB is exposed
        Mon 05 Jan 10:20:00 AB finishes item 1
        Mon 05 Jan 10:20:00 AB clears
        Mon 05 Jan 10:40:00 AB is exposed no longer
        Mon 05 Jan 10:40:00 AB ends imaging
        Mon 05 Jan 10:40:00 AB begins reboxing
        Mon 05 Jan 10:40:00 AB takes item 1
        Mon 05 Jan 10:50:00 AB is exposed
        Mon 05 Jan 11:00:00 AB finishes item 1
        Mon 05 Jan 11:00:00 AB is exposed no longer
        Mon 05 Jan 11:00:00 AB ends reboxing
        Mon 05 Jan 11:00:00 item 1 leaves shelf 0
    """)


def test_active_mould_is_dried_at_once_and_otherwise_waits_like_inactive() -> None:
    # At least three days on the shelf. The map's drying takes 0 days, so drying does not apply to
    # it and it waits until Thursday at midnight. The volume is dried at once: in on Monday at
    # 09:00, due on Tuesday, and cleaned when the 15 minutes of attention are over, before three
    # days.
    project = small_project(
        [Lot(1, ACTIVE, material="map"), Lot(1, ACTIVE)],
        [
            per_item("drying", 1.0),
            per_item("drying", 0.0, "map"),
            per_item("cleaning", 30.0),
        ],
        [person("AB", "cleaning;drying")],
        quarantine_days=3,
    )
    found = worked(project, WORK | DRYER, quarantine=True)
    assert found == table("""
        Mon 05 Jan 00:00:00 item 1 may leave quarantine
        Mon 05 Jan 09:00:00 item 1 begins to dry in place 0
        Tue 06 Jan 00:00:00 item 1 is due
        Tue 06 Jan 09:00:00 AB begins drying
        Tue 06 Jan 09:00:00 AB takes item 1
        Tue 06 Jan 09:25:00 AB finishes item 1
        Tue 06 Jan 09:25:00 AB ends drying
        Tue 06 Jan 09:25:00 AB begins cleaning at bench 0
        Tue 06 Jan 09:25:00 AB takes item 1
        Tue 06 Jan 09:25:00 item 1 leaves drying place 0
        Tue 06 Jan 10:05:00 AB finishes item 1
        Tue 06 Jan 10:05:00 AB clears
        Tue 06 Jan 10:30:00 AB ends cleaning
        Thu 08 Jan 00:00:00 item 0 may leave quarantine
        Thu 08 Jan 09:00:00 AB begins cleaning at bench 0
        Thu 08 Jan 09:00:00 AB takes item 0
        Thu 08 Jan 09:40:00 AB finishes item 0
        Thu 08 Jan 09:40:00 AB clears
        Thu 08 Jan 10:05:00 AB ends cleaning
    """)


def test_red_rot_alone_needs_no_shelf_no_clothing_and_nobody_who_does_mould_work() -> None:
    """There is not one shelf. Cleaning begins with handling and ends with clearing the bench."""
    project = small_project(
        [Lot(1, red_rot=True)],
        [per_item("cleaning", 30.0)],
        [person("CD", "cleaning", mould_work=False)],
        places=Places(0, 9, 2, 1),
        quarantine_days=5,
    )
    assert worked(project, WORK | SHELVES | EXPOSED) == table("""
        Mon 05 Jan 09:00:00 CD begins cleaning at bench 0
        Mon 05 Jan 09:00:00 CD takes item 0
        Mon 05 Jan 09:30:00 CD finishes item 0
        Mon 05 Jan 09:30:00 CD clears
        Mon 05 Jan 09:55:00 CD ends cleaning
    """)


# Rule R6, drying


def test_the_dryer_is_filled_while_somebody_who_may_is_on_shift() -> None:
    # AB does mould work but is not trained for drying; EF is trained but does no mould work; CD is
    # both, from 13:00 on. 1.2 days are two whole days: due on Wednesday at midnight, looked after
    # by CD from 13:00: clothing until 13:10, attention until 13:25. The drying place is free at
    # that second, and AB, idle, begins to clean.
    project = small_project(
        [Lot(1, ACTIVE)],
        [per_item("drying", 1.2), per_item("cleaning", 30.0)],
        [
            person("AB", "cleaning"),
            person("CD", "drying", 3.0, "13:00"),
            person("EF", "drying", mould_work=False),
        ],
    )
    assert worked(project, WORK | DRYER) == table("""
        Mon 05 Jan 13:00:00 item 0 begins to dry in place 0
        Wed 07 Jan 00:00:00 item 0 is due
        Wed 07 Jan 13:00:00 CD begins drying
        Wed 07 Jan 13:00:00 CD takes item 0
        Wed 07 Jan 13:25:00 AB begins cleaning at bench 0
        Wed 07 Jan 13:25:00 AB takes item 0
        Wed 07 Jan 13:25:00 CD finishes item 0
        Wed 07 Jan 13:25:00 CD ends drying
        Wed 07 Jan 13:25:00 item 0 leaves drying place 0
        Wed 07 Jan 14:05:00 AB finishes item 0
        Wed 07 Jan 14:05:00 AB clears
        Wed 07 Jan 14:30:00 AB ends cleaning
    """)


@pytest.mark.parametrize(
    ("days", "due"),
    [(0.2, "Sat 10 Jan"), (3.0000000001, "Mon 12 Jan"), (3.0001, "Tue 13 Jan")],
)
def test_rounds_are_whole_days_of_which_weekends_count(days: float, due: str) -> None:
    # Put in on Friday at 09:00. A fifth of a day is one day. Dust in the tenth decimal place is
    # taken off before rounding up; a ten-thousandth of a day is not dust.
    project = small_project(
        [Lot(1, ACTIVE)],
        [per_item("drying", days)],
        [person("AB", "drying")],
        deliveries=(Delivery(day(4), "S0", 1),),
    )
    assert worked(project, {What.ROUND_BEGINS, What.ROUND_DUE}) == table(f"""
        Fri 09 Jan 09:00:00 item 0 begins to dry in place 0
        {due} 00:00:00 item 0 is due
    """)


def test_the_factor_of_the_month_in_which_a_round_begins_holds_for_all_of_it() -> None:
    # Two days, twice as long in January: in on Friday the 30th, due on Tuesday the 3rd although
    # half of it lies in February. The item that goes in on Monday the 2nd is due on the 4th.
    project = small_project(
        [Lot(2, ACTIVE)],
        [per_item("drying", 2.0)],
        [person("AB", "drying")],
        drying=Drying(still_damp=share(0.0), month_factor=(2.0,) + (1.0,) * 11),
        deliveries=(Delivery(day(25), "S0", 1), Delivery(day(28), "S0", 1)),
    )
    assert worked(project, {What.ROUND_BEGINS, What.ROUND_DUE}) == table("""
        Fri 30 Jan 09:00:00 item 0 begins to dry in place 0
        Mon 02 Feb 09:00:00 item 1 begins to dry in place 1
        Tue 03 Feb 00:00:00 item 0 is due
        Wed 04 Feb 00:00:00 item 1 is due
    """)


def test_a_damp_item_begins_another_round_at_once_in_its_place() -> None:
    # Two rounds of one day. The first attention ends on Tuesday at 09:25, when the second round
    # begins; it is due on Wednesday at midnight. The item in the store has waited for the one
    # place: it goes in at 09:25 on Wednesday, because AB is on shift.
    project = small_project(
        [Lot(2, ACTIVE)],
        [per_item("drying", 1.0)],
        [person("AB", "drying")],
        places=Places(9, 1, 2, 1),
    )
    found = worked(project, SESSIONS | DRYER | {What.TAKEN, What.DONE}, rounds=[2, 1])
    assert found == table("""
        Mon 05 Jan 09:00:00 item 0 begins to dry in place 0
        Tue 06 Jan 00:00:00 item 0 is due
        Tue 06 Jan 09:00:00 AB begins drying
        Tue 06 Jan 09:00:00 AB takes item 0
        Tue 06 Jan 09:25:00 AB ends drying
        Tue 06 Jan 09:25:00 item 0 begins to dry in place 0
        Wed 07 Jan 00:00:00 item 0 is due
        Wed 07 Jan 09:00:00 AB begins drying
        Wed 07 Jan 09:00:00 AB takes item 0
        Wed 07 Jan 09:25:00 AB ends drying
        Wed 07 Jan 09:25:00 item 0 leaves drying place 0
        Wed 07 Jan 09:25:00 item 0 is done
        Wed 07 Jan 09:25:00 item 1 begins to dry in place 0
        Thu 08 Jan 00:00:00 item 1 is due
        Thu 08 Jan 09:00:00 AB begins drying
        Thu 08 Jan 09:00:00 AB takes item 1
        Thu 08 Jan 09:25:00 AB ends drying
        Thu 08 Jan 09:25:00 item 1 leaves drying place 0
        Thu 08 Jan 09:25:00 item 1 is done
    """)


def test_due_items_come_before_preferences_in_one_session_at_a_time() -> None:
    # Both items are due on Wednesday, when two clean ones arrive. AB, first to choose, looks after
    # both (clothing once, 15 minutes each) although reboxing comes first in the list; CD may not
    # begin a second such session and reboxes item 2. AB reboxes item 3 from 09:40.
    project = small_project(
        [Lot(2, ACTIVE), Lot(2)],
        [per_item("drying", 2.0), per_item("reboxing", 60.0, mould=NONE)],
        [person("AB", "reboxing;drying"), person("CD", "reboxing;drying")],
        deliveries=(Delivery(MONDAY, "S0", 2), Delivery(day(2), "S1", 2)),
    )
    assert worked(project) == table("""
        Wed 07 Jan 09:00:00 AB begins drying
        Wed 07 Jan 09:00:00 AB takes item 0
        Wed 07 Jan 09:00:00 CD begins reboxing
        Wed 07 Jan 09:00:00 CD takes item 2
        Wed 07 Jan 09:25:00 AB finishes item 0
        Wed 07 Jan 09:25:00 AB takes item 1
        Wed 07 Jan 09:40:00 AB finishes item 1
        Wed 07 Jan 09:40:00 AB ends drying
        Wed 07 Jan 09:40:00 AB begins reboxing
        Wed 07 Jan 09:40:00 AB takes item 3
        Wed 07 Jan 10:00:00 CD finishes item 2
        Wed 07 Jan 10:00:00 CD ends reboxing
        Wed 07 Jan 10:40:00 AB finishes item 3
        Wed 07 Jan 10:40:00 AB ends reboxing
    """)


def test_the_longest_due_item_is_looked_after_first() -> None:
    # The map is due on Wednesday, the volume on Tuesday, and AB is there on Monday and Wednesday
    # only. The volume, item 1, comes first.
    project = small_project(
        [Lot(1, ACTIVE, material="map"), Lot(1, ACTIVE)],
        [per_item("drying", 2.0, "map"), per_item("drying", 1.0, "volume")],
        [person("AB", "drying", (8.0, 0.0, 8.0, 0.0, 0.0, 0.0, 0.0))],
    )
    assert worked(project, HANDLING) == table("""
        Wed 07 Jan 09:00:00 AB takes item 1
        Wed 07 Jan 09:25:00 AB finishes item 1
        Wed 07 Jan 09:25:00 AB takes item 0
        Wed 07 Jan 09:40:00 AB finishes item 0
    """)


def test_no_practice_shortens_attention() -> None:
    """Where everything else would take half as long for the second item, attention does not."""
    project = small_project(
        [Lot(2, ACTIVE)],
        [per_item("drying", 1.0)],
        [person("AB", "drying")],
        time=FAST_LEARNERS,
    )
    assert worked(project, HANDLING) == table("""
        Tue 06 Jan 09:00:00 AB takes item 0
        Tue 06 Jan 09:25:00 AB finishes item 0
        Tue 06 Jan 09:25:00 AB takes item 1
        Tue 06 Jan 09:40:00 AB finishes item 1
    """)


def test_filling_the_dryer_is_no_exposure() -> None:
    # One exposure day in seven. AB spends Monday's on cleaning; the item of Tuesday goes into the
    # dryer on Tuesday all the same, and is looked after on Monday the 12th, when AB may again.
    project = small_project(
        [Lot(1, INACTIVE), Lot(1, ACTIVE)],
        [per_item("drying", 1.0), per_item("cleaning", 30.0, mould=INACTIVE)],
        [person("AB", "cleaning;drying")],
        exposure=ExposureLimits(days_per_week=1),
        deliveries=(Delivery(MONDAY, "S0", 1), Delivery(day(1), "S1", 1)),
    )
    assert worked(project, SESSIONS | DRYER) == table("""
        Mon 05 Jan 09:00:00 AB begins cleaning at bench 0
        Mon 05 Jan 10:05:00 AB ends cleaning
        Tue 06 Jan 09:00:00 item 1 begins to dry in place 0
        Wed 07 Jan 00:00:00 item 1 is due
        Mon 12 Jan 09:00:00 AB begins drying
        Mon 12 Jan 09:25:00 AB ends drying
        Mon 12 Jan 09:25:00 item 1 leaves drying place 0
    """)


def test_when_one_session_at_the_dryer_ends_another_person_may_begin() -> None:
    # A mask is worn for 25 minutes: item 0 takes 15, item 1 is put back after 10. CD begins at that
    # second: 10 of clothing, 5 of handling.
    project = small_project(
        [Lot(2, ACTIVE)],
        [per_item("drying", 1.0)],
        [person("AB", "drying"), person("CD", "drying")],
        breathing=BreathingProtection(wear_minutes=25.0, rest_minutes=60.0),
    )
    assert worked(project) == table("""
        Tue 06 Jan 09:00:00 AB begins drying
        Tue 06 Jan 09:00:00 AB takes item 0
        Tue 06 Jan 09:25:00 AB finishes item 0
        Tue 06 Jan 09:25:00 AB takes item 1
        Tue 06 Jan 09:35:00 AB puts back item 1
        Tue 06 Jan 09:35:00 AB ends drying
        Tue 06 Jan 09:35:00 CD begins drying
        Tue 06 Jan 09:35:00 CD takes item 1
        Tue 06 Jan 09:50:00 CD finishes item 1
        Tue 06 Jan 09:50:00 CD ends drying
    """)


def test_a_later_round_has_the_factor_of_its_own_month() -> None:
    # A day, twice as long in January. In on Friday the 30th, due on Sunday the 1st, looked after on
    # Monday the 2nd; the second round begins in February and takes one day.
    project = small_project(
        [Lot(1, ACTIVE)],
        [per_item("drying", 1.0)],
        [person("AB", "drying")],
        drying=Drying(still_damp=share(0.0), month_factor=(2.0,) + (1.0,) * 11),
        deliveries=(Delivery(day(25), "S0", 1),),
    )
    assert worked(project, DRYER, rounds=[2]) == table("""
        Fri 30 Jan 09:00:00 item 0 begins to dry in place 0
        Sun 01 Feb 00:00:00 item 0 is due
        Mon 02 Feb 09:25:00 item 0 begins to dry in place 0
        Tue 03 Feb 00:00:00 item 0 is due
        Tue 03 Feb 09:25:00 item 0 leaves drying place 0
    """)


def test_what_was_put_back_at_one_round_is_attended_to_whole_at_the_next() -> None:
    # Half-hour shifts: clothing until 09:10, attention until 09:30. On Tuesday item 1 gets 5 of its
    # 15 minutes, on Wednesday the other 10; still damp, it has 15 minutes again on Thursday.
    project = small_project(
        [Lot(2, ACTIVE)], [per_item("drying", 1.0)], [person("AB", "drying", hours=0.5)]
    )
    assert worked(project, HANDLING | DRYER, rounds=[1, 2]) == table("""
        Mon 05 Jan 09:00:00 item 0 begins to dry in place 0
        Mon 05 Jan 09:00:00 item 1 begins to dry in place 1
        Tue 06 Jan 00:00:00 item 0 is due
        Tue 06 Jan 00:00:00 item 1 is due
        Tue 06 Jan 09:00:00 AB takes item 0
        Tue 06 Jan 09:25:00 AB finishes item 0
        Tue 06 Jan 09:25:00 AB takes item 1
        Tue 06 Jan 09:25:00 item 0 leaves drying place 0
        Tue 06 Jan 09:30:00 AB puts back item 1
        Wed 07 Jan 09:00:00 AB takes item 1
        Wed 07 Jan 09:20:00 item 1 begins to dry in place 1
        Thu 08 Jan 00:00:00 item 1 is due
        Thu 08 Jan 09:00:00 AB takes item 1
        Thu 08 Jan 09:25:00 AB finishes item 1
        Thu 08 Jan 09:25:00 item 1 leaves drying place 1
    """)


# Rule R7, kinds of session


def test_an_item_with_mould_and_red_rot_is_mouldy_until_it_is_cleaned() -> None:
    # CD comes first and would clean red rot, but does no mould work. AB puts on clothing until
    # 09:10, cleans until 09:40 and clears the bench until 10:05. CD reboxes what is clean by then.
    project = small_project(
        [Lot(1, INACTIVE, red_rot=True)],
        [per_item("cleaning", 30.0), per_item("reboxing", 5.0)],
        [person("CD", "cleaning;reboxing", mould_work=False), person("AB", "cleaning")],
    )
    assert worked(project, SESSIONS | HANDLING | EXPOSED) == table("""
        Mon 05 Jan 09:00:00 AB begins cleaning at bench 0
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:10:00 AB is exposed
        Mon 05 Jan 09:40:00 AB finishes item 0
        Mon 05 Jan 09:40:00 CD begins reboxing
        Mon 05 Jan 09:40:00 CD takes item 0
        Mon 05 Jan 09:45:00 CD finishes item 0
        Mon 05 Jan 09:45:00 CD ends reboxing
        Mon 05 Jan 10:05:00 AB is exposed no longer
        Mon 05 Jan 10:05:00 AB ends cleaning
    """)


def test_a_session_keeps_to_one_kind() -> None:
    # Items 0 and 3 are mouldy, 1 has red rot, 2 is clean. The first-ranked decides: mouldy. Item 3
    # follows in the same session; after clearing the bench come red rot, clearing, and clean.
    project = small_project(
        [Lot(1, INACTIVE), Lot(1, red_rot=True), Lot(1), Lot(1, INACTIVE)],
        [per_item("cleaning", 10.0)],
        [person("AB", "cleaning")],
    )
    assert worked(project) == table("""
        Mon 05 Jan 09:00:00 AB begins cleaning at bench 0
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:20:00 AB finishes item 0
        Mon 05 Jan 09:20:00 AB takes item 3
        Mon 05 Jan 09:30:00 AB finishes item 3
        Mon 05 Jan 09:30:00 AB clears
        Mon 05 Jan 09:55:00 AB ends cleaning
        Mon 05 Jan 09:55:00 AB begins cleaning at bench 0
        Mon 05 Jan 09:55:00 AB takes item 1
        Mon 05 Jan 10:05:00 AB finishes item 1
        Mon 05 Jan 10:05:00 AB clears
        Mon 05 Jan 10:30:00 AB ends cleaning
        Mon 05 Jan 10:30:00 AB begins cleaning at bench 0
        Mon 05 Jan 10:30:00 AB takes item 2
        Mon 05 Jan 10:40:00 AB finishes item 2
        Mon 05 Jan 10:40:00 AB ends cleaning
    """)


def test_the_kind_is_that_of_the_first_item_that_this_person_may_do() -> None:
    """CD does no mould work: the first-ranked item that CD may do is item 1, with red rot."""
    project = small_project(
        [Lot(1, INACTIVE), Lot(1, red_rot=True), Lot(1), Lot(1, INACTIVE)],
        [per_item("cleaning", 10.0)],
        [person("AB", "cleaning"), person("CD", "cleaning", mould_work=False)],
    )
    assert worked(project) == table("""
        Mon 05 Jan 09:00:00 AB begins cleaning at bench 0
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:00:00 CD begins cleaning at bench 1
        Mon 05 Jan 09:00:00 CD takes item 1
        Mon 05 Jan 09:10:00 CD finishes item 1
        Mon 05 Jan 09:10:00 CD clears
        Mon 05 Jan 09:20:00 AB finishes item 0
        Mon 05 Jan 09:20:00 AB takes item 3
        Mon 05 Jan 09:30:00 AB finishes item 3
        Mon 05 Jan 09:30:00 AB clears
        Mon 05 Jan 09:35:00 CD ends cleaning
        Mon 05 Jan 09:35:00 CD begins cleaning at bench 1
        Mon 05 Jan 09:35:00 CD takes item 2
        Mon 05 Jan 09:45:00 CD finishes item 2
        Mon 05 Jan 09:45:00 CD ends cleaning
        Mon 05 Jan 09:55:00 AB ends cleaning
    """)


def test_when_the_allowance_is_used_up_the_next_kind_has_its_turn() -> None:
    # After 35 + 25 minutes AB may do no more mould today. Item 0 heads the stage, but the first
    # item that AB may do is the clean item 1.
    project = small_project(
        [Lot(1, INACTIVE), Lot(1)],
        [per_item("cleaning", 60.0, mould=INACTIVE), per_item("cleaning", 10.0, mould=NONE)],
        [person("AB", "cleaning")],
        exposure=one_hour(),
    )
    assert worked(project, WORK - {What.CLEARING_BEGINS}) == table("""
        Mon 05 Jan 09:00:00 AB begins cleaning at bench 0
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:45:00 AB puts back item 0
        Mon 05 Jan 10:10:00 AB ends cleaning
        Mon 05 Jan 10:10:00 AB begins cleaning at bench 0
        Mon 05 Jan 10:10:00 AB takes item 1
        Mon 05 Jan 10:20:00 AB finishes item 1
        Mon 05 Jan 10:20:00 AB ends cleaning
        Tue 06 Jan 09:00:00 AB begins cleaning at bench 0
        Tue 06 Jan 09:00:00 AB takes item 0
        Tue 06 Jan 09:35:00 AB finishes item 0
        Tue 06 Jan 10:00:00 AB ends cleaning
    """)


def test_red_rot_that_nobody_cleans_stays_dirty_to_the_end() -> None:
    # Cleaning is off, so item 0 and 2 are dirty at the camera: one session for both, with the
    # camera cleared after it, then one for the clean item 1. Reboxing has nothing to clear, but
    # keeps the kinds apart all the same: 0 and 2 at once, then 1.
    project = small_project(
        [Lot(1, red_rot=True), Lot(1), Lot(1, red_rot=True)],
        [per_item("cleaning", 10.0), per_item("imaging", 10.0), per_item("reboxing", 5.0)],
        [person("AB", "imaging;reboxing", mould_work=False)],
        stages_off=frozenset({Stage.CLEANING}),
    )
    assert worked(project) == table("""
        Mon 05 Jan 09:00:00 AB begins imaging at camera 0
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:10:00 AB finishes item 0
        Mon 05 Jan 09:10:00 AB takes item 2
        Mon 05 Jan 09:20:00 AB finishes item 2
        Mon 05 Jan 09:20:00 AB clears
        Mon 05 Jan 09:40:00 AB ends imaging
        Mon 05 Jan 09:40:00 AB begins imaging at camera 0
        Mon 05 Jan 09:40:00 AB takes item 1
        Mon 05 Jan 09:50:00 AB finishes item 1
        Mon 05 Jan 09:50:00 AB ends imaging
        Mon 05 Jan 09:50:00 AB begins reboxing
        Mon 05 Jan 09:50:00 AB takes item 0
        Mon 05 Jan 09:55:00 AB finishes item 0
        Mon 05 Jan 09:55:00 AB takes item 2
        Mon 05 Jan 10:00:00 AB finishes item 2
        Mon 05 Jan 10:00:00 AB ends reboxing
        Mon 05 Jan 10:00:00 AB begins reboxing
        Mon 05 Jan 10:00:00 AB takes item 1
        Mon 05 Jan 10:05:00 AB finishes item 1
        Mon 05 Jan 10:05:00 AB ends reboxing
    """)


# Rule R8, what a session is made of


def test_clearing_fits_in_the_shift() -> None:
    # A shift of 90 minutes leaves 65 for handling before 25 of clearing: item 1 is put back at
    # 10:05 after 5 of its 60 minutes.
    project = small_project(
        [Lot(2, red_rot=True)],
        [per_item("cleaning", 60.0)],
        [person("AB", "cleaning", hours=1.5)],
    )
    assert worked(project) == table("""
        Mon 05 Jan 09:00:00 AB begins cleaning at bench 0
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 10:00:00 AB finishes item 0
        Mon 05 Jan 10:00:00 AB takes item 1
        Mon 05 Jan 10:05:00 AB puts back item 1
        Mon 05 Jan 10:05:00 AB clears
        Mon 05 Jan 10:30:00 AB ends cleaning
        Tue 06 Jan 09:00:00 AB begins cleaning at bench 0
        Tue 06 Jan 09:00:00 AB takes item 1
        Tue 06 Jan 09:55:00 AB finishes item 1
        Tue 06 Jan 09:55:00 AB clears
        Tue 06 Jan 10:20:00 AB ends cleaning
    """)


def test_the_camera_is_cleared_after_covers_by_the_person_who_made_it_dirty() -> None:
    # Covers of a bound volume with red rot, 15 minutes, then 20 of clearing by AB. CD has a clean
    # item for the same camera and begins when it is clear: 2 minutes and 10 images of 1 minute. A
    # clean session has nothing to clear. Nothing but covers applies to the volume.
    project = small_project(
        [Lot(1, red_rot=True, bound=True), Lot(1, material="map", bound=True)],
        [
            per_item("covers", 15.0),
            per_item("imaging", 2.0, "map"),
            per_image("imaging", 1.0, "map"),
        ],
        [person("AB", "covers"), person("CD", "imaging")],
    )
    assert worked(project) == table("""
        Mon 05 Jan 09:00:00 AB begins covers at camera 0
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:15:00 AB finishes item 0
        Mon 05 Jan 09:15:00 AB clears
        Mon 05 Jan 09:35:00 AB ends covers
        Mon 05 Jan 09:35:00 CD begins imaging at camera 0
        Mon 05 Jan 09:35:00 CD takes item 1
        Mon 05 Jan 09:47:00 CD finishes item 1
        Mon 05 Jan 09:47:00 CD ends imaging
    """)


def test_what_arrives_while_a_bench_is_cleared_waits_for_a_new_session() -> None:
    # AB finds nothing at 09:30 and clears until 09:55. Item 1 comes from covers at 09:40: AB puts
    # on clothing anew at 09:55, and again clears at the end.
    project = small_project(
        [Lot(1, INACTIVE, material="folder"), Lot(1, INACTIVE, bound=True)],
        [per_item("covers", 30.0), per_item("cleaning", 20.0)],
        [person("AB", "cleaning"), person("CD", "covers")],
    )
    assert [line for line in worked(project) if " AB " in line] == table("""
        Mon 05 Jan 09:00:00 AB begins cleaning at bench 0
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:30:00 AB finishes item 0
        Mon 05 Jan 09:30:00 AB clears
        Mon 05 Jan 09:55:00 AB ends cleaning
        Mon 05 Jan 09:55:00 AB begins cleaning at bench 0
        Mon 05 Jan 09:55:00 AB takes item 1
        Mon 05 Jan 10:25:00 AB finishes item 1
        Mon 05 Jan 10:25:00 AB clears
        Mon 05 Jan 10:50:00 AB ends cleaning
    """)


# Rule R9, beginning and ending


def test_a_session_needs_room_for_the_shortest_and_stops_at_the_limit() -> None:
    # Mould: 10 of clothing and 25 of clearing. Monday's 54 minutes leave 19: less than 20, no
    # session. Tuesday's 55 leave exactly 20: item 0 is finished just then, and item 1 is not taken
    # up, because no second is left.
    hours = (54 / 60, 55 / 60, 0.0, 0.0, 0.0, 0.0, 0.0)
    project = small_project(
        [Lot(2, INACTIVE)],
        [per_item("cleaning", 20.0)],
        [person("AB", "cleaning", hours, end=day(4))],
    )
    assert worked(project) == table("""
        Tue 06 Jan 09:00:00 AB begins cleaning at bench 0
        Tue 06 Jan 09:00:00 AB takes item 0
        Tue 06 Jan 09:30:00 AB finishes item 0
        Tue 06 Jan 09:30:00 AB clears
        Tue 06 Jan 09:55:00 AB ends cleaning
    """)


def test_room_for_one_second_is_the_least_when_no_shortest_is_given() -> None:
    """Monday: 35 minutes and a second, so one second of handling. Tuesday: 35 minutes, so none."""
    hours = (2101 / 3600, 2100 / 3600, 0.0, 0.0, 0.0, 0.0, 0.0)
    project = small_project(
        [Lot(1, INACTIVE)],
        [per_item("cleaning", 20.0)],
        [person("AB", "cleaning", hours, end=day(4))],
        sessions=Sessions(shortest=0.0),
    )
    assert worked(project) == table("""
        Mon 05 Jan 09:00:00 AB begins cleaning at bench 0
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:10:01 AB puts back item 0
        Mon 05 Jan 09:10:01 AB clears
        Mon 05 Jan 09:35:01 AB ends cleaning
    """)


@pytest.mark.parametrize(
    ("minutes", "begins"), [(40.0, "Mon 05 Jan 09:40:00"), (41.0, "Tue 06 Jan 09:00:00")]
)
def test_how_much_work_waits_does_not_matter_to_the_shortest(minutes: float, begins: str) -> None:
    # A shift of one hour. When describing ends at 09:40, 20 minutes are left: AB begins although
    # the one item needs only 10. At 09:41 they are 19, and AB waits until Tuesday.
    project = small_project(
        [Lot(1)],
        [per_item("describing", minutes), per_item("reboxing", 10.0)],
        [person("CD", "describing"), person("AB", "reboxing", hours=1.0)],
    )
    found = worked(project, SESSIONS)
    assert [line for line in found if "AB begins" in line] == [f"{begins} AB begins reboxing"]


def test_handling_in_a_running_session_may_be_shorter_than_the_shortest() -> None:
    # Item 1 is taken up at 09:45 with 15 minutes left, put back at 10:00, and finished first thing
    # on Tuesday, before item 2.
    project = small_project(
        [Lot(3)], [per_item("reboxing", 45.0)], [person("AB", "reboxing", hours=1.0)]
    )
    assert worked(project) == table("""
        Mon 05 Jan 09:00:00 AB begins reboxing
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:45:00 AB finishes item 0
        Mon 05 Jan 09:45:00 AB takes item 1
        Mon 05 Jan 10:00:00 AB puts back item 1
        Mon 05 Jan 10:00:00 AB ends reboxing
        Tue 06 Jan 09:00:00 AB begins reboxing
        Tue 06 Jan 09:00:00 AB takes item 1
        Tue 06 Jan 09:30:00 AB finishes item 1
        Tue 06 Jan 09:30:00 AB takes item 2
        Tue 06 Jan 10:00:00 AB puts back item 2
        Tue 06 Jan 10:00:00 AB ends reboxing
        Wed 07 Jan 09:00:00 AB begins reboxing
        Wed 07 Jan 09:00:00 AB takes item 2
        Wed 07 Jan 09:15:00 AB finishes item 2
        Wed 07 Jan 09:15:00 AB ends reboxing
    """)


# Rule R10, unfinished items


@pytest.mark.parametrize(
    ("benches", "begins", "bench", "finishes"),
    [(2, "09:50:00", 1, "10:25:00"), (1, "10:10:00", 0, "10:45:00")],
)
def test_an_unfinished_item_may_go_on_elsewhere_while_its_bench_is_cleared(
    benches: int, begins: str, bench: int, finishes: str
) -> None:
    # AB's allowance of an hour ends handling at 09:45; 25 minutes of the item remain. CD, from
    # 09:50 on, takes it up ahead of item 1 at another bench at once, but at the only bench not
    # before AB has cleared it at 10:10. Then 10 minutes of clothing and 25 of handling.
    project = small_project(
        [Lot(2, INACTIVE)],
        [per_item("cleaning", 60.0)],
        [person("AB", "cleaning", end=MONDAY), person("CD", "cleaning", 7.0, "09:50", end=MONDAY)],
        exposure=one_hour(),
        places=Places(9, 9, benches, 1),
    )
    first = table(f"""
        Mon 05 Jan 09:00:00 AB begins cleaning at bench 0
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:45:00 AB puts back item 0
        Mon 05 Jan 09:45:00 AB clears
        Mon 05 Jan 10:10:00 AB ends cleaning
        Mon 05 Jan {begins} CD begins cleaning at bench {bench}
        Mon 05 Jan {begins} CD takes item 0
        Mon 05 Jan {finishes} CD finishes item 0
    """)
    found = worked(project)
    assert sorted(first) == sorted(found[: len(first)])


def test_the_item_put_back_longest_ago_comes_first() -> None:
    # CD puts item 1 back at 12:00 after 3 of its 9 hours, AB item 0 at 17:00 after 8. On Tuesday AB
    # takes item 1 (6 hours left), then item 0 (1 hour left), and only then item 2.
    project = small_project(
        [Lot(3)],
        [per_item("reboxing", 540.0)],
        [person("AB", "reboxing"), person("CD", "reboxing", 3.0, end=MONDAY)],
    )
    assert worked(project, HANDLING)[:9] == table("""
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:00:00 CD takes item 1
        Mon 05 Jan 12:00:00 CD puts back item 1
        Mon 05 Jan 17:00:00 AB puts back item 0
        Tue 06 Jan 09:00:00 AB takes item 1
        Tue 06 Jan 15:00:00 AB finishes item 1
        Tue 06 Jan 15:00:00 AB takes item 0
        Tue 06 Jan 16:00:00 AB finishes item 0
        Tue 06 Jan 16:00:00 AB takes item 2
    """)


def test_items_put_back_at_the_same_second_keep_their_order_of_waiting() -> None:
    # Item 1 came on Monday, item 0 on Tuesday. Both are put back on Tuesday at 17:00 after 8 of 10
    # hours: the one that has waited longer at the stage, item 1, comes first on Wednesday.
    project = small_project(
        [Lot(1), Lot(1)],
        [per_item("reboxing", 600.0)],
        [
            person("AB", "reboxing", start=day(1)),
            person("CD", "reboxing", start=day(1), end=day(1)),
        ],
        deliveries=(Delivery(MONDAY, "S1", 1), Delivery(day(1), "S0", 1)),
    )
    assert worked(project, HANDLING) == table("""
        Tue 06 Jan 09:00:00 AB takes item 1
        Tue 06 Jan 09:00:00 CD takes item 0
        Tue 06 Jan 17:00:00 AB puts back item 1
        Tue 06 Jan 17:00:00 CD puts back item 0
        Wed 07 Jan 09:00:00 AB takes item 1
        Wed 07 Jan 11:00:00 AB finishes item 1
        Wed 07 Jan 11:00:00 AB takes item 0
        Wed 07 Jan 13:00:00 AB finishes item 0
    """)


def test_attention_that_does_not_fit_goes_on_another_day_and_is_booked_at_its_end() -> None:
    # A shift of an hour: 10 of clothing, 50 of handling, nothing to clear. Three items of 20
    # minutes: the third is put back after 10 and taken up first on Wednesday. It stays in its
    # drying place and becomes dry only when all its attention is given.
    project = small_project(
        [Lot(3, ACTIVE)],
        [per_item("drying", 1.0)],
        [person("AB", "drying", hours=1.0)],
        drying=Drying(attention_minutes=20.0, still_damp=share(0.0)),
    )
    assert worked(project, HANDLING | {What.DRYER_FREED}) == table("""
        Tue 06 Jan 09:00:00 AB takes item 0
        Tue 06 Jan 09:30:00 AB finishes item 0
        Tue 06 Jan 09:30:00 AB takes item 1
        Tue 06 Jan 09:30:00 item 0 leaves drying place 0
        Tue 06 Jan 09:50:00 AB finishes item 1
        Tue 06 Jan 09:50:00 AB takes item 2
        Tue 06 Jan 09:50:00 item 1 leaves drying place 1
        Tue 06 Jan 10:00:00 AB puts back item 2
        Wed 07 Jan 09:00:00 AB takes item 2
        Wed 07 Jan 09:20:00 AB finishes item 2
        Wed 07 Jan 09:20:00 item 2 leaves drying place 2
    """)


# Rule R11, flow


def test_stages_follow_each_other_to_the_second() -> None:
    # A bound volume with red rot passes covers, cleaning and imaging by AB, CD and EF; the camera
    # is cleared until 09:35, so imaging, ready at 09:35, begins at once. Cleaning begins at 09:15,
    # when covers end, and lasts 20 minutes. A clean item is imaged without clearing.
    project = small_project(
        [Lot(1, red_rot=True, bound=True)],
        [per_item("covers", 15.0), per_item("cleaning", 20.0), per_item("imaging", 5.0)],
        [person("AB", "covers"), person("CD", "cleaning"), person("EF", "imaging")],
    )
    assert worked(project, WORK | {What.WAITS, What.DONE}) == table("""
        Mon 05 Jan 00:00:00 item 0 waits for covers
        Mon 05 Jan 09:00:00 AB begins covers at camera 0
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:15:00 AB finishes item 0
        Mon 05 Jan 09:15:00 AB clears
        Mon 05 Jan 09:15:00 CD begins cleaning at bench 0
        Mon 05 Jan 09:15:00 CD takes item 0
        Mon 05 Jan 09:15:00 item 0 waits for cleaning
        Mon 05 Jan 09:35:00 AB ends covers
        Mon 05 Jan 09:35:00 CD finishes item 0
        Mon 05 Jan 09:35:00 CD clears
        Mon 05 Jan 09:35:00 EF begins imaging at camera 0
        Mon 05 Jan 09:35:00 EF takes item 0
        Mon 05 Jan 09:35:00 item 0 waits for imaging
        Mon 05 Jan 09:40:00 EF finishes item 0
        Mon 05 Jan 09:40:00 EF ends imaging
        Mon 05 Jan 09:40:00 item 0 is done
        Mon 05 Jan 10:00:00 CD ends cleaning
    """)


def test_covers_are_for_bound_and_dirty_items_only() -> None:
    """Bound and clean: no covers. Unbound with red rot: no covers. Bound with red rot: covers."""
    project = small_project(
        [
            Lot(1, bound=True),
            Lot(1, red_rot=True, material="folder"),
            Lot(1, red_rot=True, material="ledger", bound=True),
        ],
        [per_item("covers", 10.0), per_item("reboxing", 5.0)],
        [person("AB", "covers")],
    )
    assert worked(project, {What.WAITS}) == table("""
        Mon 05 Jan 00:00:00 item 0 waits for reboxing
        Mon 05 Jan 00:00:00 item 1 waits for reboxing
        Mon 05 Jan 00:00:00 item 2 waits for covers
        Mon 05 Jan 09:10:00 item 2 waits for reboxing
    """)


def test_no_minutes_no_row_or_a_stage_that_is_off_mean_that_a_stage_does_not_apply() -> None:
    # Imaging a map takes 0 minutes; describing is off; nothing says how long checking takes, and no
    # item is checked. The most specific row wins: the map's 0 over the 5 for anything.
    project = small_project(
        [Lot(1, material="map"), Lot(1)],
        [
            per_item("describing", 9.0),
            per_item("imaging", 5.0),
            per_item("imaging", 0.0, "map"),
            per_item("reboxing", 10.0),
        ],
        [person("AB", "describing;imaging;checking;reboxing")],
        stages_off=frozenset({Stage.DESCRIBING}),
    )
    assert worked(project) == table("""
        Mon 05 Jan 09:00:00 AB begins imaging at camera 0
        Mon 05 Jan 09:00:00 AB takes item 1
        Mon 05 Jan 09:05:00 AB finishes item 1
        Mon 05 Jan 09:05:00 AB ends imaging
        Mon 05 Jan 09:05:00 AB begins reboxing
        Mon 05 Jan 09:05:00 AB takes item 0
        Mon 05 Jan 09:15:00 AB finishes item 0
        Mon 05 Jan 09:15:00 AB takes item 1
        Mon 05 Jan 09:25:00 AB finishes item 1
        Mon 05 Jan 09:25:00 AB ends reboxing
    """)


def test_mouldy_items_wait_for_somebody_who_does_mould_work() -> None:
    # CD is there all day but does no mould work; AB comes at 14:00. Cleaned, the item is anybody's:
    # CD reboxes it at once, while AB clears.
    project = small_project(
        [Lot(1, INACTIVE)],
        [per_item("cleaning", 30.0), per_item("reboxing", 5.0)],
        [
            person("CD", "cleaning;reboxing", mould_work=False),
            person("AB", "cleaning", 3.0, "14:00"),
        ],
    )
    assert worked(project) == table("""
        Mon 05 Jan 14:00:00 AB begins cleaning at bench 0
        Mon 05 Jan 14:00:00 AB takes item 0
        Mon 05 Jan 14:40:00 AB finishes item 0
        Mon 05 Jan 14:40:00 AB clears
        Mon 05 Jan 14:40:00 CD begins reboxing
        Mon 05 Jan 14:40:00 CD takes item 0
        Mon 05 Jan 14:45:00 CD finishes item 0
        Mon 05 Jan 14:45:00 CD ends reboxing
        Mon 05 Jan 15:05:00 AB ends cleaning
    """)


# Rule R12, tool sets

TOOLS = frozenset({What.TOOL_SET_TAKEN, What.TOOL_SET_CLEAN})


@pytest.mark.parametrize(("hours", "second_session"), [(2.0, "11:35:00"), (0.0, "09:35:00")])
def test_every_cleaning_session_takes_a_clean_set(hours: float, second_session: str) -> None:
    # One set. The session with red rot ends at 09:35 after clearing, and the set dries for two
    # hours (or not at all) from then; the clean item needs a set of its own session too.
    project = small_project(
        [Lot(1, red_rot=True), Lot(1)],
        [per_item("cleaning", 10.0)],
        [person("AB", "cleaning")],
        places=Places(9, 9, 2, 1, tool_sets=1, tool_drying_hours=hours),
    )
    assert worked(project, {What.SESSION_BEGINS, What.TOOL_SET_TAKEN}) == table(f"""
        Mon 05 Jan 09:00:00 AB begins cleaning at bench 0
        Mon 05 Jan 09:00:00 AB takes tool set 0
        Mon 05 Jan {second_session} AB begins cleaning at bench 0
        Mon 05 Jan {second_session} AB takes tool set 0
    """)


def test_sets_run_out_and_are_clean_again_a_day_after_the_session() -> None:
    # AB takes set 0 and CD set 1, both until 10:05; the clean item 2 finds none and waits until
    # they are clean, 24 hours later. The lower number goes first. A future ends with its last item,
    # so nobody records that the set is clean again on Wednesday.
    project = small_project(
        [Lot(2, red_rot=True), Lot(1)],
        [
            per_item("cleaning", 40.0, red_rot=True),
            per_item("cleaning", 10.0, red_rot=False),
        ],
        [person("AB", "cleaning"), person("CD", "cleaning")],
        places=Places(9, 9, 3, 1, tool_sets=2),
    )
    found = worked(project, SESSIONS | TOOLS)
    assert found == table("""
        Mon 05 Jan 09:00:00 AB begins cleaning at bench 0
        Mon 05 Jan 09:00:00 AB takes tool set 0
        Mon 05 Jan 09:00:00 CD begins cleaning at bench 1
        Mon 05 Jan 09:00:00 CD takes tool set 1
        Mon 05 Jan 10:05:00 AB ends cleaning
        Mon 05 Jan 10:05:00 CD ends cleaning
        Tue 06 Jan 10:05:00 AB begins cleaning at bench 0
        Tue 06 Jan 10:05:00 AB takes tool set 0
        Tue 06 Jan 10:05:00 tool set 0 is clean
        Tue 06 Jan 10:05:00 tool set 1 is clean
        Tue 06 Jan 10:15:00 AB ends cleaning
    """)


# Rule R13, choosing


def test_a_person_stays_with_the_stage_of_the_last_session_while_it_has_work() -> None:
    # Imaging comes first in AB's list but has nothing at 09:00. After the dirty cleaning session
    # item 0 waits for imaging (since 09:10), yet cleaning still has the clean item 1: AB stays.
    # When cleaning has nothing left, imaging takes both, longest waiting first.
    project = small_project(
        [Lot(1, red_rot=True), Lot(1)],
        [per_item("cleaning", 10.0), per_item("imaging", 10.0)],
        [person("AB", "imaging;cleaning")],
    )
    assert worked(project) == table("""
        Mon 05 Jan 09:00:00 AB begins cleaning at bench 0
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:10:00 AB finishes item 0
        Mon 05 Jan 09:10:00 AB clears
        Mon 05 Jan 09:35:00 AB ends cleaning
        Mon 05 Jan 09:35:00 AB begins cleaning at bench 0
        Mon 05 Jan 09:35:00 AB takes item 1
        Mon 05 Jan 09:45:00 AB finishes item 1
        Mon 05 Jan 09:45:00 AB ends cleaning
        Mon 05 Jan 09:45:00 AB begins imaging at camera 0
        Mon 05 Jan 09:45:00 AB takes item 0
        Mon 05 Jan 09:55:00 AB finishes item 0
        Mon 05 Jan 09:55:00 AB takes item 1
        Mon 05 Jan 10:05:00 AB finishes item 1
        Mon 05 Jan 10:05:00 AB ends imaging
    """)


def test_a_new_shift_forgets_the_last_stage() -> None:
    # Shifts of an hour. Monday ends inside cleaning with item 1 unfinished; Tuesday begins with
    # imaging, first in the list, all the same. Cleaning ends on Tuesday at 09:50, and 10 minutes
    # are less than `shortest`: item 1 is imaged on Wednesday.
    project = small_project(
        [Lot(2)],
        [per_item("cleaning", 50.0), per_item("imaging", 10.0)],
        [person("AB", "imaging;cleaning", hours=1.0)],
    )
    assert worked(project) == table("""
        Mon 05 Jan 09:00:00 AB begins cleaning at bench 0
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:50:00 AB finishes item 0
        Mon 05 Jan 09:50:00 AB takes item 1
        Mon 05 Jan 10:00:00 AB puts back item 1
        Mon 05 Jan 10:00:00 AB ends cleaning
        Tue 06 Jan 09:00:00 AB begins imaging at camera 0
        Tue 06 Jan 09:00:00 AB takes item 0
        Tue 06 Jan 09:10:00 AB finishes item 0
        Tue 06 Jan 09:10:00 AB ends imaging
        Tue 06 Jan 09:10:00 AB begins cleaning at bench 0
        Tue 06 Jan 09:10:00 AB takes item 1
        Tue 06 Jan 09:50:00 AB finishes item 1
        Tue 06 Jan 09:50:00 AB ends cleaning
        Wed 07 Jan 09:00:00 AB begins imaging at camera 0
        Wed 07 Jan 09:00:00 AB takes item 1
        Wed 07 Jan 09:10:00 AB finishes item 1
        Wed 07 Jan 09:10:00 AB ends imaging
    """)


def test_the_day_plan_puts_its_stage_first_on_its_weekday() -> None:
    # A map (reboxing only) and a photograph (imaging only) come on Tuesday and on Wednesday. By
    # preference imaging comes first; on Tuesdays the day plan says reboxing.
    project = small_project(
        [Lot(2, material="photograph"), Lot(2, material="map")],
        [per_item("imaging", 30.0, "photograph"), per_item("reboxing", 30.0, "map")],
        [person("AB", "imaging;reboxing")],
        day_plan=(DayPlan("AB", 1, Stage.REBOXING),),
        deliveries=tuple(
            Delivery(day(number), series, 1) for number in (1, 2) for series in ("S0", "S1")
        ),
    )
    assert worked(project, SESSIONS) == table("""
        Tue 06 Jan 09:00:00 AB begins reboxing
        Tue 06 Jan 09:30:00 AB ends reboxing
        Tue 06 Jan 09:30:00 AB begins imaging at camera 0
        Tue 06 Jan 10:00:00 AB ends imaging
        Wed 07 Jan 09:00:00 AB begins imaging at camera 0
        Wed 07 Jan 09:30:00 AB ends imaging
        Wed 07 Jan 09:30:00 AB begins reboxing
        Wed 07 Jan 10:00:00 AB ends reboxing
    """)


def test_people_choose_in_the_order_of_the_team() -> None:
    # ZZ stands first in the team and takes item 0 and bench 0; AB comes next. A person's first row
    # counts: ZZ's second row, in force from Tuesday, stands last, yet ZZ still chooses first.
    project = small_project(
        [Lot(4)],
        [per_item("cleaning", 60.0)],
        [
            person("ZZ", "cleaning", hours=1.0, end=MONDAY),
            person("AB", "cleaning", hours=1.0),
            person("ZZ", "cleaning", hours=1.0, start=day(1)),
        ],
    )
    assert worked(project, {What.SESSION_BEGINS, What.TAKEN}) == table("""
        Mon 05 Jan 09:00:00 AB begins cleaning at bench 1
        Mon 05 Jan 09:00:00 AB takes item 1
        Mon 05 Jan 09:00:00 ZZ begins cleaning at bench 0
        Mon 05 Jan 09:00:00 ZZ takes item 0
        Tue 06 Jan 09:00:00 AB begins cleaning at bench 1
        Tue 06 Jan 09:00:00 AB takes item 3
        Tue 06 Jan 09:00:00 ZZ begins cleaning at bench 0
        Tue 06 Jan 09:00:00 ZZ takes item 2
    """)


def test_people_in_a_session_take_their_next_item_before_idle_people_choose() -> None:
    # CD stands first in the team and comes at 09:30, just when AB finishes item 0. AB goes on with
    # item 1, the last; CD finds nothing.
    project = small_project(
        [Lot(2)],
        [per_item("reboxing", 30.0)],
        [person("CD", "reboxing", begins="09:30"), person("AB", "reboxing")],
    )
    assert worked(project, HANDLING) == table("""
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:30:00 AB finishes item 0
        Mon 05 Jan 09:30:00 AB takes item 1
        Mon 05 Jan 10:00:00 AB finishes item 1
    """)


def test_what_ends_at_an_instant_is_there_for_everybody_at_that_instant() -> None:
    # AB and CD finish at 09:10, imaging and reboxing. AB, first in the team, has none left to
    # image; CD's session goes on with the item that AB finished at that very second.
    project = small_project(
        [Lot(1, material="photograph"), Lot(1, material="map")],
        [per_item("imaging", 10.0, "photograph"), per_item("reboxing", 10.0)],
        [person("CD", "reboxing"), person("AB", "imaging;reboxing")],
    )
    assert worked(project) == table("""
        Mon 05 Jan 09:00:00 AB begins imaging at camera 0
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:00:00 CD begins reboxing
        Mon 05 Jan 09:00:00 CD takes item 1
        Mon 05 Jan 09:10:00 AB finishes item 0
        Mon 05 Jan 09:10:00 AB ends imaging
        Mon 05 Jan 09:10:00 CD finishes item 1
        Mon 05 Jan 09:10:00 CD takes item 0
        Mon 05 Jan 09:20:00 CD finishes item 0
        Mon 05 Jan 09:20:00 CD ends reboxing
    """)


def test_a_session_that_ends_leaves_its_bench_to_somebody_idle_at_the_same_second() -> None:
    # One bench. AB, first in the team, does no mould work and cleans the clean item 0 until 09:10;
    # AB is idle then and may do nothing more. CD begins with the mouldy item 1 at 09:10.
    project = small_project(
        [Lot(1), Lot(1, INACTIVE)],
        [per_item("cleaning", 10.0)],
        [person("AB", "cleaning", mould_work=False), person("CD", "cleaning")],
        places=Places(9, 9, 1, 1),
    )
    assert worked(project) == table("""
        Mon 05 Jan 09:00:00 AB begins cleaning at bench 0
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:10:00 AB finishes item 0
        Mon 05 Jan 09:10:00 AB ends cleaning
        Mon 05 Jan 09:10:00 CD begins cleaning at bench 0
        Mon 05 Jan 09:10:00 CD takes item 1
        Mon 05 Jan 09:30:00 CD finishes item 1
        Mon 05 Jan 09:30:00 CD clears
        Mon 05 Jan 09:55:00 CD ends cleaning
    """)


def test_attention_counts_as_the_last_stage_of_the_shift() -> None:
    # Items 0 and 1 are due on Tuesday, when the rest arrives. A mask is worn for 25 minutes, so CD
    # puts item 1 back at 09:35 and rests. AB, kept from the dryer by CD, cleans item 2 (red rot)
    # and is free at 09:45: the due item first, until 10:00. The last stage is now drying, with
    # nothing due, so AB's list decides: imaging (item 2), and not cleaning, though item 3 waits
    # there.
    project = small_project(
        [Lot(2, ACTIVE), Lot(1, red_rot=True), Lot(1)],
        [
            per_item("drying", 1.0),
            per_item("cleaning", 20.0, mould=NONE),
            per_item("imaging", 10.0, mould=NONE),
        ],
        [person("CD", "drying"), person("AB", "imaging;cleaning;drying")],
        breathing=BreathingProtection(wear_minutes=25.0, rest_minutes=600.0),
        deliveries=(
            Delivery(MONDAY, "S0", 2),
            Delivery(day(1), "S1", 1),
            Delivery(day(1), "S2", 1),
        ),
    )
    assert [line for line in worked(project, SESSIONS | HANDLING) if " AB " in line] == table("""
        Tue 06 Jan 09:00:00 AB begins cleaning at bench 0
        Tue 06 Jan 09:00:00 AB takes item 2
        Tue 06 Jan 09:20:00 AB finishes item 2
        Tue 06 Jan 09:45:00 AB ends cleaning
        Tue 06 Jan 09:45:00 AB begins drying
        Tue 06 Jan 09:45:00 AB takes item 1
        Tue 06 Jan 10:00:00 AB finishes item 1
        Tue 06 Jan 10:00:00 AB ends drying
        Tue 06 Jan 10:00:00 AB begins imaging at camera 0
        Tue 06 Jan 10:00:00 AB takes item 2
        Tue 06 Jan 10:10:00 AB finishes item 2
        Tue 06 Jan 10:10:00 AB ends imaging
        Tue 06 Jan 10:10:00 AB begins cleaning at bench 0
        Tue 06 Jan 10:10:00 AB takes item 3
        Tue 06 Jan 10:30:00 AB finishes item 3
        Tue 06 Jan 10:30:00 AB ends cleaning
        Tue 06 Jan 10:30:00 AB begins imaging at camera 0
        Tue 06 Jan 10:30:00 AB takes item 3
        Tue 06 Jan 10:40:00 AB finishes item 3
        Tue 06 Jan 10:40:00 AB ends imaging
    """)


def test_an_item_due_at_the_dryer_comes_before_the_list() -> None:
    # Item 0 is due on Tuesday. When its attention is over, cleaning is first in the list.
    project = small_project(
        [Lot(1, ACTIVE), Lot(1)],
        [
            per_item("drying", 1.0),
            per_item("cleaning", 30.0, mould=ACTIVE),
            per_item("reboxing", 30.0, mould=NONE),
        ],
        [person("AB", "cleaning;reboxing;drying")],
        deliveries=(Delivery(MONDAY, "S0", 1), Delivery(day(1), "S1", 1)),
    )
    assert worked(project, SESSIONS) == table("""
        Tue 06 Jan 09:00:00 AB begins drying
        Tue 06 Jan 09:25:00 AB ends drying
        Tue 06 Jan 09:25:00 AB begins cleaning at bench 0
        Tue 06 Jan 10:30:00 AB ends cleaning
        Tue 06 Jan 10:30:00 AB begins reboxing
        Tue 06 Jan 11:00:00 AB ends reboxing
    """)


# Rule R14, working time


def test_half_of_the_hours_delivered_ends_the_shift_half_way() -> None:
    """8 hours from 09:00, half of them delivered: until 13:00."""
    project = small_project(
        [Lot(1)],
        [per_item("reboxing", 300.0)],
        [person("AB", "reboxing")],
        time=working_time(delivered_share=share(0.5)),
    )
    assert worked(project, HANDLING) == table("""
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 13:00:00 AB puts back item 0
        Tue 06 Jan 09:00:00 AB takes item 0
        Tue 06 Jan 10:00:00 AB finishes item 0
    """)


def test_nobody_works_on_closures_and_leave() -> None:
    # Closed on Monday and Tuesday; AB's leave lasts until Thursday. CD works on Wednesday and
    # Thursday, AB from Friday on.
    project = small_project(
        [Lot(2)],
        [per_item("reboxing", 960.0)],
        [person("AB", "reboxing"), person("CD", "reboxing", end=day(3))],
        closures=(Closure(MONDAY, day(1)), Closure(day(1), day(3), "AB")),
    )
    assert worked(project, SESSIONS) == table("""
        Wed 07 Jan 09:00:00 CD begins reboxing
        Wed 07 Jan 17:00:00 CD ends reboxing
        Thu 08 Jan 09:00:00 CD begins reboxing
        Thu 08 Jan 17:00:00 CD ends reboxing
        Fri 09 Jan 09:00:00 AB begins reboxing
        Fri 09 Jan 17:00:00 AB ends reboxing
        Mon 12 Jan 09:00:00 AB begins reboxing
        Mon 12 Jan 17:00:00 AB ends reboxing
    """)


def test_each_day_has_the_rota_row_that_is_in_force() -> None:
    # Until Tuesday two hours in the morning, reboxing; from Wednesday the afternoon, describing
    # first. Describing of the second item comes with the second row.
    project = small_project(
        [Lot(1, material="map"), Lot(1, material="folder")],
        [per_item("reboxing", 180.0, "map"), per_item("describing", 60.0, "folder")],
        [
            person("AB", "reboxing", 2.0, end=day(1)),
            person("AB", "describing;reboxing", 4.0, "13:00", start=day(2)),
        ],
    )
    assert worked(project, SESSIONS) == table("""
        Mon 05 Jan 09:00:00 AB begins reboxing
        Mon 05 Jan 11:00:00 AB ends reboxing
        Tue 06 Jan 09:00:00 AB begins reboxing
        Tue 06 Jan 10:00:00 AB ends reboxing
        Wed 07 Jan 13:00:00 AB begins describing
        Wed 07 Jan 14:00:00 AB ends describing
    """)


def test_mould_work_may_begin_with_a_later_row_of_the_rota() -> None:
    # AB is assigned to mould work from Wednesday on. Until then neither the dryer is filled nor the
    # mouldy item 0 cleaned. 10 of clothing, 20 of handling, 25 of clearing the bench.
    project = small_project(
        [Lot(1, INACTIVE), Lot(1, ACTIVE)],
        [per_item("drying", 1.0), per_item("cleaning", 20.0, mould=INACTIVE)],
        [
            person("AB", "cleaning;drying", mould_work=False, end=day(1)),
            person("AB", "cleaning;drying", start=day(2)),
        ],
    )
    assert worked(project, SESSIONS | DRYER) == table("""
        Wed 07 Jan 09:00:00 AB begins cleaning at bench 0
        Wed 07 Jan 09:00:00 item 1 begins to dry in place 0
        Wed 07 Jan 09:55:00 AB ends cleaning
        Thu 08 Jan 00:00:00 item 1 is due
        Thu 08 Jan 09:00:00 AB begins drying
        Thu 08 Jan 09:25:00 AB ends drying
        Thu 08 Jan 09:25:00 item 1 leaves drying place 0
    """)


def test_published_public_holidays_are_free() -> None:
    """England and Wales, published government list: Thursday the 1st of January 2026."""
    first = date(2025, 12, 31)
    project = small_project(
        [Lot(1)],
        [per_item("reboxing", 600.0)],
        [person("AB", "reboxing", start=first)],
        grant=Grant("", first, date(2026, 1, 31), date(2026, 1, 31), 1),
        observe_public_holidays=True,
        country="GB",
        subdivision="ENG",
    )
    assert worked(project, HANDLING) == table("""
        Wed 31 Dec 09:00:00 AB takes item 0
        Wed 31 Dec 17:00:00 AB puts back item 0
        Fri 02 Jan 09:00:00 AB takes item 0
        Fri 02 Jan 11:00:00 AB finishes item 0
    """)


def test_a_shift_ends_on_its_own_day() -> None:
    # Four hours from 22:00 are two, because the day ends. Handling stops at 24:00, which is written
    # as 00:00 of Tuesday; the rest is done on Tuesday evening.
    project = small_project(
        [Lot(1)], [per_item("reboxing", 150.0)], [person("AB", "reboxing", 4.0, "22:00")]
    )
    assert worked(project, HANDLING | SESSIONS) == table("""
        Mon 05 Jan 22:00:00 AB begins reboxing
        Mon 05 Jan 22:00:00 AB takes item 0
        Tue 06 Jan 00:00:00 AB puts back item 0
        Tue 06 Jan 00:00:00 AB ends reboxing
        Tue 06 Jan 22:00:00 AB begins reboxing
        Tue 06 Jan 22:00:00 AB takes item 0
        Tue 06 Jan 22:30:00 AB finishes item 0
        Tue 06 Jan 22:30:00 AB ends reboxing
    """)


def test_work_goes_on_after_the_grants_end_and_stops_with_the_horizon() -> None:
    # The grant ends on Monday and the horizon is Tuesday: AB, without an end, works on both and
    # leaves the item unfinished for ever.
    project = small_project(
        [Lot(1)],
        [per_item("reboxing", 1000.0)],
        [person("AB", "reboxing")],
        grant=Grant("", MONDAY, MONDAY, day(1), 1),
    )
    assert worked(project, HANDLING) == table("""
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 17:00:00 AB puts back item 0
        Tue 06 Jan 09:00:00 AB takes item 0
        Tue 06 Jan 17:00:00 AB puts back item 0
    """)


def test_a_day_of_absence_has_no_shift() -> None:
    """AB is ill on Tuesday and Wednesday: the shifts of these days are empty."""
    project = small_project([Lot(1)], [per_item("reboxing", 600.0)], [person("AB", "reboxing")])
    future = luck.replication(luck.plan(project), 1, 0)
    ends = future.shift_end.copy()
    ends[0, 1:3] = future.shift_begin[0, 1:3]
    assert worked(project, HANDLING, shift_end=ends) == table("""
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 17:00:00 AB puts back item 0
        Thu 08 Jan 09:00:00 AB takes item 0
        Thu 08 Jan 11:00:00 AB finishes item 0
    """)


# Rule R15, places change


def test_a_place_that_is_away_is_not_used_on_its_days() -> None:
    """The only camera is away on Monday and Tuesday, the last day included."""
    project = small_project(
        [Lot(1)],
        [per_item("imaging", 30.0)],
        [person("AB", "imaging")],
        place_changes=(PlaceChange(Place.CAMERA, 0, MONDAY, day(1)),),
    )
    assert worked(project, SESSIONS) == table("""
        Wed 07 Jan 09:00:00 AB begins imaging at camera 0
        Wed 07 Jan 09:30:00 AB ends imaging
    """)


def test_a_dryer_cut_under_use_keeps_what_is_in_it_but_takes_nothing_new() -> None:
    # Two places on Monday, one from Tuesday to Friday. Items 0 and 1 dry for two days and stay. On
    # Wednesday item 0 comes out at 09:25, one place is still in use and one is allowed: item 2
    # waits. At 09:40 none is in use: item 2 goes in, into the lowest free place.
    project = small_project(
        [Lot(3, ACTIVE)],
        [per_item("drying", 2.0)],
        [person("AB", "drying")],
        places=Places(9, 2, 2, 1),
        place_changes=(PlaceChange(Place.DRYER, 1, day(1), day(4)),),
    )
    assert worked(project, DRYER)[:7] == table("""
        Mon 05 Jan 09:00:00 item 0 begins to dry in place 0
        Mon 05 Jan 09:00:00 item 1 begins to dry in place 1
        Wed 07 Jan 00:00:00 item 0 is due
        Wed 07 Jan 00:00:00 item 1 is due
        Wed 07 Jan 09:25:00 item 0 leaves drying place 0
        Wed 07 Jan 09:40:00 item 1 leaves drying place 1
        Wed 07 Jan 09:40:00 item 2 begins to dry in place 0
    """)


def test_shelves_that_come_back_are_filled_at_midnight() -> None:
    """One shelf until Tuesday, then three: items 1 and 2 move in at midnight of Wednesday."""
    project = small_project(
        [Lot(3, INACTIVE)],
        [per_item("cleaning", 30.0)],
        [person("AB", "cleaning", start=day(7))],
        places=Places(3, 9, 2, 1),
        place_changes=(PlaceChange(Place.SHELF, 1, MONDAY, day(1)),),
    )
    assert worked(project, {What.SHELF_TAKEN}) == table("""
        Mon 05 Jan 00:00:00 item 0 goes on shelf 0
        Wed 07 Jan 00:00:00 item 1 goes on shelf 1
        Wed 07 Jan 00:00:00 item 2 goes on shelf 2
    """)


def test_a_cut_in_tool_sets_counts_those_that_dry() -> None:
    # Two sets on Monday, one on Tuesday. AB's set of Monday is wet until Tuesday 09:35, and one in
    # use or drying is all that Tuesday allows: though set 1 is clean, the next session begins only
    # when set 0 is clean.
    project = small_project(
        [Lot(1, red_rot=True), Lot(1)],
        [per_item("cleaning", 10.0)],
        [person("AB", "cleaning")],
        places=Places(9, 9, 2, 1, tool_sets=2),
        place_changes=(PlaceChange(Place.TOOL_SET, 1, day(1), day(1)),),
        deliveries=(Delivery(MONDAY, "S0", 1), Delivery(day(1), "S1", 1)),
    )
    assert worked(project, SESSIONS | {What.TOOL_SET_TAKEN}) == table("""
        Mon 05 Jan 09:00:00 AB begins cleaning at bench 0
        Mon 05 Jan 09:00:00 AB takes tool set 0
        Mon 05 Jan 09:35:00 AB ends cleaning
        Tue 06 Jan 09:35:00 AB begins cleaning at bench 0
        Tue 06 Jan 09:35:00 AB takes tool set 0
        Tue 06 Jan 09:45:00 AB ends cleaning
    """)


# Rule R16, practice and weeks


def test_minutes_shrink_with_the_items_that_the_team_has_finished() -> None:
    """60 / (1 + N) minutes: 60, 30, 20, 15, 12, 10, and 60 / 7 minutes are 514.29 seconds."""
    project = small_project(
        [Lot(7)], [per_item("reboxing", 60.0)], [person("AB", "reboxing")], time=FAST_LEARNERS
    )
    assert worked(project, {What.FINISHED}) == table("""
        Mon 05 Jan 10:00:00 AB finishes item 0
        Mon 05 Jan 10:30:00 AB finishes item 1
        Mon 05 Jan 10:50:00 AB finishes item 2
        Mon 05 Jan 11:05:00 AB finishes item 3
        Mon 05 Jan 11:17:00 AB finishes item 4
        Mon 05 Jan 11:27:00 AB finishes item 5
        Mon 05 Jan 11:35:34 AB finishes item 6
    """)


def test_practice_on_record_counts() -> None:
    """Five items are on record at reboxing: the first of this forecast takes 60 / 6 minutes."""
    project = small_project(
        [Lot(2)], [per_item("reboxing", 60.0)], [person("AB", "reboxing")], time=FAST_LEARNERS
    )
    on_record = np.zeros(9, dtype=np.int64)
    on_record[Stage.REBOXING] = 5
    future = luck.replication(replace(luck.plan(project), finished_before=on_record), 1, 0)
    assert timetable(project, record(future, project), {What.FINISHED}) == table("""
        Mon 05 Jan 09:10:00 AB finishes item 0
        Mon 05 Jan 09:18:34 AB finishes item 1
    """)


def test_the_week_in_which_an_item_is_taken_up_sets_its_pace_to_the_end() -> None:
    # Shifts of an hour, items of 90 minutes; the second week is half as slow again. Item 0 is taken
    # up on Friday and keeps its 90 minutes: 60 on Friday, 30 on Monday. Item 1 belongs to the
    # second week: 135 minutes, 30 + 60 + 45.
    project = small_project(
        [Lot(2)],
        [per_item("reboxing", 90.0)],
        [person("AB", "reboxing", hours=1.0, start=day(4))],
    )
    weeks = luck.replication(luck.plan(project), 1, 0).week_factor.copy()
    weeks[Stage.REBOXING, 1] = 1.5
    assert worked(project, HANDLING, week_factor=weeks) == table("""
        Fri 09 Jan 09:00:00 AB takes item 0
        Fri 09 Jan 10:00:00 AB puts back item 0
        Mon 12 Jan 09:00:00 AB takes item 0
        Mon 12 Jan 09:30:00 AB finishes item 0
        Mon 12 Jan 09:30:00 AB takes item 1
        Mon 12 Jan 10:00:00 AB puts back item 1
        Tue 13 Jan 09:00:00 AB takes item 1
        Tue 13 Jan 10:00:00 AB puts back item 1
        Wed 14 Jan 09:00:00 AB takes item 1
        Wed 14 Jan 09:45:00 AB finishes item 1
    """)


# Rule R17, checking, and items that end otherwise


def all_checked(project: Project) -> Project:
    """The same project with every item checked; a quarter of the images is made again."""
    return replace(
        project,
        checking=Checking(share_checked=1.0, reject_share=share(0.0), reimaged_share=0.25),
    )


IMAGING_AND_AFTER = (
    per_item("imaging", 2.0),
    per_image("imaging", 1.0),
    per_item("checking", 5.0),
    per_item("reboxing", 5.0),
)


def test_a_rejected_item_is_imaged_in_part_and_checked_again() -> None:
    # Imaging: 2 + 10 x 1 = 12 minutes. A quarter of 10 images, rounded up, is 3: the second time
    # imaging takes 2 + 3 = 5 minutes. The second check lets it pass.
    project = all_checked(
        small_project([Lot(1)], IMAGING_AND_AFTER, [person("AB", "imaging;checking;reboxing")])
    )
    assert luck.replication(luck.plan(project), 1, 0).again_images.tolist() == [3]
    assert worked(project, WORK | {What.REJECTED, What.DONE}, rejections=[1]) == table("""
        Mon 05 Jan 09:00:00 AB begins imaging at camera 0
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:12:00 AB finishes item 0
        Mon 05 Jan 09:12:00 AB ends imaging
        Mon 05 Jan 09:12:00 AB begins checking
        Mon 05 Jan 09:12:00 AB takes item 0
        Mon 05 Jan 09:17:00 AB finishes item 0
        Mon 05 Jan 09:17:00 AB ends checking
        Mon 05 Jan 09:17:00 AB begins imaging at camera 0
        Mon 05 Jan 09:17:00 AB takes item 0
        Mon 05 Jan 09:17:00 item 0 is rejected
        Mon 05 Jan 09:22:00 AB finishes item 0
        Mon 05 Jan 09:22:00 AB ends imaging
        Mon 05 Jan 09:22:00 AB begins checking
        Mon 05 Jan 09:22:00 AB takes item 0
        Mon 05 Jan 09:27:00 AB finishes item 0
        Mon 05 Jan 09:27:00 AB ends checking
        Mon 05 Jan 09:27:00 AB begins reboxing
        Mon 05 Jan 09:27:00 AB takes item 0
        Mon 05 Jan 09:32:00 AB finishes item 0
        Mon 05 Jan 09:32:00 AB ends reboxing
        Mon 05 Jan 09:32:00 item 0 is done
    """)


def test_work_done_again_counts_as_no_further_practice() -> None:
    # Minutes / (1 + N), N counting first passes only. Item 0 is rejected once, item 2 comes on
    # Tuesday. Imaging: 12, then 12 / 2; again at N = 2: 5 / 3 minutes, which are 100 seconds.
    # Checking: 5, 5 / 2, again at N = 2: 100 seconds. Reboxing: item 1 has waited longer, 5
    # minutes, then item 0, 5 / 2. On Tuesday N = 2 everywhere: 4 minutes, 100 and 100 seconds.
    project = replace(
        all_checked(
            small_project([Lot(3)], IMAGING_AND_AFTER, [person("AB", "imaging;checking;reboxing")])
        ),
        time=FAST_LEARNERS,
        deliveries=(Delivery(MONDAY, "S0", 2), Delivery(day(1), "S0", 1)),
    )
    assert worked(project, HANDLING, rejections=[1, 0, 0]) == table("""
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:12:00 AB finishes item 0
        Mon 05 Jan 09:12:00 AB takes item 1
        Mon 05 Jan 09:18:00 AB finishes item 1
        Mon 05 Jan 09:18:00 AB takes item 0    # checking
        Mon 05 Jan 09:23:00 AB finishes item 0
        Mon 05 Jan 09:23:00 AB takes item 1
        Mon 05 Jan 09:25:30 AB finishes item 1
        Mon 05 Jan 09:25:30 AB takes item 0    # imaging again
        Mon 05 Jan 09:27:10 AB finishes item 0
        Mon 05 Jan 09:27:10 AB takes item 0    # checking again
        Mon 05 Jan 09:28:50 AB finishes item 0
        Mon 05 Jan 09:28:50 AB takes item 1    # reboxing
        Mon 05 Jan 09:33:50 AB finishes item 1
        Mon 05 Jan 09:33:50 AB takes item 0
        Mon 05 Jan 09:36:20 AB finishes item 0
        Tue 06 Jan 09:00:00 AB takes item 2
        Tue 06 Jan 09:04:00 AB finishes item 2
        Tue 06 Jan 09:04:00 AB takes item 2
        Tue 06 Jan 09:05:40 AB finishes item 2
        Tue 06 Jan 09:05:40 AB takes item 2
        Tue 06 Jan 09:07:20 AB finishes item 2
    """)


def test_a_rejected_item_joins_the_end_of_the_line_at_imaging() -> None:
    # CD checks item 0 from 09:12 to 09:17 and rejects it. Items 1 and 2 have waited at imaging
    # since midnight: AB images item 1 until 09:24, item 2 until 09:36, and only then item 0 again.
    project = all_checked(
        small_project(
            [Lot(3)],
            IMAGING_AND_AFTER,
            [person("AB", "imaging"), person("CD", "checking"), person("EF", "reboxing")],
        )
    )
    found = worked(project, HANDLING, rejections=[1, 0, 0])
    assert [line for line in found if " AB takes" in line or " CD takes" in line] == table("""
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:12:00 AB takes item 1
        Mon 05 Jan 09:12:00 CD takes item 0
        Mon 05 Jan 09:24:00 AB takes item 2
        Mon 05 Jan 09:24:00 CD takes item 1
        Mon 05 Jan 09:36:00 AB takes item 0
        Mon 05 Jan 09:36:00 CD takes item 2
        Mon 05 Jan 09:41:00 CD takes item 0
    """)


def test_an_item_that_is_not_checked_goes_straight_on() -> None:
    """Nothing is checked: from imaging to reboxing."""
    project = small_project(
        [Lot(1)], IMAGING_AND_AFTER, [person("AB", "checking;imaging;reboxing")]
    )
    assert worked(project, {What.WAITS}) == table("""
        Mon 05 Jan 00:00:00 item 0 waits for imaging
        Mon 05 Jan 09:12:00 item 0 waits for reboxing
    """)


def test_an_item_for_the_specialist_leaves_at_its_first_handling() -> None:
    # One shelf. Item 0 is found wet while it is cleaned: its 30 minutes are spent, then it leaves,
    # and its shelf goes to item 1 at that second.
    project = small_project(
        [Lot(2, INACTIVE)],
        [per_item("cleaning", 30.0), per_item("reboxing", 10.0)],
        [person("AB", "cleaning"), person("CD", "reboxing")],
        places=Places(1, 9, 2, 1),
    )
    found = worked(project, HANDLING | SHELVES | ENDS, set_aside=[True, False])
    assert found == table("""
        Mon 05 Jan 00:00:00 item 0 goes on shelf 0
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:40:00 AB finishes item 0
        Mon 05 Jan 09:40:00 AB takes item 1
        Mon 05 Jan 09:40:00 item 0 leaves shelf 0
        Mon 05 Jan 09:40:00 item 0 is set aside
        Mon 05 Jan 09:40:00 item 1 goes on shelf 0
        Mon 05 Jan 10:10:00 AB finishes item 1
        Mon 05 Jan 10:10:00 CD takes item 1
        Mon 05 Jan 10:10:00 item 1 leaves shelf 0
        Mon 05 Jan 10:20:00 CD finishes item 1
        Mon 05 Jan 10:20:00 item 1 is done
    """)


def test_a_set_aside_item_leaves_its_drying_place_too() -> None:
    # The first handling of item 0 is the attention on Tuesday. Then it leaves the shelf and the
    # dryer, although its luck has three rounds for it, and item 1 goes in at that second.
    project = small_project(
        [Lot(2, ACTIVE)],
        [per_item("drying", 1.0), per_item("cleaning", 30.0)],
        [person("AB", "drying")],
        places=Places(2, 1, 2, 1),
    )
    found = worked(project, DRYER | SHELVES | ENDS, set_aside=[True, False], rounds=[3, 1])
    assert found == table("""
        Mon 05 Jan 00:00:00 item 0 goes on shelf 0
        Mon 05 Jan 00:00:00 item 1 goes on shelf 1
        Mon 05 Jan 09:00:00 item 0 begins to dry in place 0
        Tue 06 Jan 00:00:00 item 0 is due
        Tue 06 Jan 09:25:00 item 0 leaves drying place 0
        Tue 06 Jan 09:25:00 item 0 leaves shelf 0
        Tue 06 Jan 09:25:00 item 0 is set aside
        Tue 06 Jan 09:25:00 item 1 begins to dry in place 0
        Wed 07 Jan 00:00:00 item 1 is due
        Wed 07 Jan 09:25:00 item 1 leaves drying place 0
    """)


def test_a_set_aside_item_never_sees_a_shelf_when_boxes_are_opened_first() -> None:
    """Receiving is the first handling: the item leaves at its end, at 09:25."""
    project = small_project(
        [Lot(1, INACTIVE)],
        [per_item("receiving", 15.0), per_item("cleaning", 30.0)],
        [person("AB", "receiving;cleaning")],
    )
    assert worked(project, HANDLING | SHELVES | ENDS, set_aside=[True]) == table("""
        Mon 05 Jan 09:00:00 AB takes item 0
        Mon 05 Jan 09:25:00 AB finishes item 0
        Mon 05 Jan 09:25:00 item 0 is set aside
    """)


def test_an_item_too_fragile_for_the_camera_is_treated_and_reboxed() -> None:
    # From cleaning straight to reboxing, past imaging and checking; its end is counted apart. Item
    # 1 takes the usual way.
    project = all_checked(
        small_project(
            [Lot(2, red_rot=True)],
            (per_item("cleaning", 20.0), *IMAGING_AND_AFTER),
            [person("AB", "cleaning"), person("CD", "imaging;checking;reboxing")],
        )
    )
    found = worked(project, {What.WAITS, *ENDS}, not_imaged=[True, False])
    assert found == table("""
        Mon 05 Jan 00:00:00 item 0 waits for cleaning
        Mon 05 Jan 00:00:00 item 1 waits for cleaning
        Mon 05 Jan 09:20:00 item 0 waits for reboxing
        Mon 05 Jan 09:25:00 item 0 is done without images
        Mon 05 Jan 09:40:00 item 1 waits for imaging
        Mon 05 Jan 09:52:00 item 1 waits for checking
        Mon 05 Jan 09:57:00 item 1 waits for reboxing
        Mon 05 Jan 10:02:00 item 1 is done
    """)
