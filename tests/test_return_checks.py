"""A return before it is recorded: what refuses it, what is doubtful, and limits that it crosses."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from forecast import diary, engine, luck, return_checks
from forecast.diary import Telling
from forecast.exposure import ExposureLimits
from forecast.history import NOTHING_YET, History
from forecast.items import Delivery, Mould
from forecast.project import Project
from forecast.return_checks import Checked
from forecast.stages import Stage
from forecast.weekly import Count, DryingBatch, ExposureDay, Hours, WeeklyReturn, WorkedDay
from tests.random_projects import Case, cases, future
from tests.small_projects import MONDAY, Lot, day, per_item, person, small_project

some = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])

STAGES = ("drying", "cleaning", "imaging", "reboxing")
LATER = MONDAY + timedelta(weeks=50)
EVERYTHING = ("counts", "hours", "exposure", "drying", "received")


def project(*lots: Lot) -> Project:
    work = [per_item(stage, 5.0) for stage in STAGES]
    return small_project(lots, work, [person("AB", ";".join(STAGES))])


MOULDY = project(Lot(60, Mould.ACTIVE))


def week(number: int, **sheets: tuple[object, ...]) -> WeeklyReturn:
    told = {**dict.fromkeys(EVERYTHING, ()), **sheets}
    return WeeklyReturn(MONDAY + timedelta(weeks=number), frozenset(told), **told)  # type: ignore[arg-type]


def count(stage: str, items: int) -> Count:
    return Count(Stage[stage.upper()], items=items)


def exposed(*days: int, hours: float = 1.0, who: str = "AB") -> tuple[ExposureDay, ...]:
    return tuple(ExposureDay(day(number), who, hours) for number in days)


def check(
    told: WeeklyReturn, *before: WeeklyReturn, whose: Project = MOULDY, today: date = LATER
) -> Checked:
    return return_checks.check(whose, History.of(before), told, {"XY"}, today)


def test_a_plain_return_has_nothing_wrong_and_nothing_doubtful() -> None:
    assert check(week(0, counts=(count("drying", 5),))) == Checked((), (), ())


# Errors


def test_more_cleaned_than_came_out_of_drying_refuses_the_return() -> None:
    dried = week(0, counts=(count("drying", 30),))
    (error,) = check(week(1, counts=(count("cleaning", 50),)), dried).errors
    assert "50 were cleaned when 30 had come out of drying" in str(error)


def test_somebody_who_was_never_in_the_team_refuses_the_return_and_a_leaver_does_not() -> None:
    (error,) = check(week(0, hours=(Hours("QQ", Stage.CLEANING, 1.0),))).errors
    assert (error.place, error.read, error.expected) == ("person", "QQ", "one of AB, XY")
    assert not check(week(0, hours=(Hours("XY", Stage.CLEANING, 1.0),))).errors


def test_a_week_outside_the_grant_refuses_the_return() -> None:
    assert check(week(-1)).errors[0].place == "week"
    after = (MOULDY.grant.horizon - MONDAY).days // 7 + 1
    assert check(week(after)).errors[0].place == "week"
    assert not check(week(after - 1)).errors


def test_an_unknown_batch_refuses_the_return() -> None:
    out = DryingBatch("1", day(0), 10, taken_out=day(8))
    (error,) = check(week(1, drying=(out,)), week(0)).errors
    assert error.place == "drying, batch 1"


def test_items_that_nobody_has_delivered_yet_refuse_the_return() -> None:
    series = MOULDY.collection[0].series
    listed = replace(
        MOULDY, deliveries=(Delivery(day(0), series, 20), Delivery(day(7), series, 40))
    )
    first = week(0, counts=(count("drying", 21),))
    (error,) = check(first, whose=listed).errors
    assert "21 were dried when 20 had come by then" in str(error)
    assert not check(week(1, counts=(count("drying", 21),)), week(0), whose=listed).errors


def test_what_was_wrong_before_does_not_refuse_the_next_return() -> None:
    wrong = week(0, counts=(count("drying", 30), count("cleaning", 50)))
    assert not check(week(1, counts=(count("drying", 5),)), wrong).errors
    assert check(week(1, counts=(count("cleaning", 1),)), wrong).errors


# Doubts


def test_hours_beyond_the_rota_are_doubtful() -> None:
    hours = (Hours("AB", Stage.CLEANING, 39.0), Hours("AB", None, 1.0))
    assert not check(week(0, hours=hours)).warnings
    (warning,) = check(week(0, hours=(*hours, Hours("AB", Stage.IMAGING, 0.5)))).warnings
    assert warning.read == "40.5 hours"
    assert "at most the 40 that the rota has for AB" in warning.expected


def test_a_gap_an_early_return_and_untold_sheets_are_doubtful() -> None:
    (gap,) = check(week(3), week(0)).warnings
    assert gap.read == "no return of 2026-01-12, 2026-01-19"
    (early,) = check(week(0), today=day(6)).warnings
    assert early.read == "recorded on 2026-01-11"
    assert not check(week(0), today=day(7)).warnings
    counts = WeeklyReturn(MONDAY, frozenset({"counts"}))
    assert [w.place for w in check(counts).warnings] == ["hours", "exposure", "drying", "received"]


def test_a_correction_that_makes_a_later_week_impossible_says_which() -> None:
    dried = week(0, counts=(count("drying", 50),))
    cleaned = week(1, counts=(count("cleaning", 50),))
    corrected = check(week(0, counts=(count("drying", 30),)), dried, cleaned)
    assert not corrected.errors
    (warning,) = corrected.warnings
    assert warning.file == "return of 2026-01-12"
    assert "50 were cleaned when 30 had come out of drying" in str(warning)


# Crossings


def test_a_day_above_the_limit_is_a_crossing_and_refuses_nothing() -> None:
    found = check(week(0, exposure=exposed(1, hours=3.25) + exposed(3, hours=3.0)))
    assert found.errors == ()
    (crossing,) = found.crossings
    assert (crossing.person, crossing.days, crossing.hours) == ("AB", (day(1),), 3.25)
    assert crossing.sentence == (
        "AB worked 3.25 hours with mouldy items on 2026-01-06; the planning limit is 3 hours a "
        "day. Tell whoever is responsible for health and safety."
    )


def test_exposure_days_count_in_any_seven_days_with_the_week_before() -> None:
    before = week(0, exposure=exposed(3, 4))
    assert not check(week(1, exposure=exposed(9, 10)), before).crossings
    assert not check(week(1, exposure=exposed(8, 11)), before).crossings
    (crossing,) = check(week(1, exposure=exposed(8, 9)), before).crossings
    assert crossing.days == (day(3), day(4), day(8), day(9))
    assert "on 4 days from 2026-01-08 to 2026-01-14, 4 hours in all" in crossing.sentence
    assert "3 exposure days in any seven days" in crossing.limit


def test_with_calendar_weeks_the_days_from_monday_to_sunday_count() -> None:
    calendar = replace(MOULDY, exposure=ExposureLimits(3.0, 3, "calendar"))
    before = week(0, exposure=exposed(3, 4))
    assert not check(week(1, exposure=exposed(7, 8, 9)), before, whose=calendar).crossings
    (crossing,) = check(week(1, exposure=exposed(7, 8, 9, 13)), before, whose=calendar).crossings
    assert crossing.days == (day(7), day(8), day(9), day(13))


def test_a_correction_sees_the_week_after_it() -> None:
    after = week(1, exposure=exposed(7, 8))
    (crossing,) = check(week(0, exposure=exposed(3, 4)), week(0), after).crossings
    assert crossing.days == (day(3), day(4), day(7), day(8))


def test_a_day_without_exposure_is_no_exposure_day() -> None:
    none = exposed(2, hours=0.0)
    assert not check(week(0, exposure=(*none, *exposed(0, 3, 4)))).crossings


def test_crossings_stand_by_day_and_say_nothing_else_of_anybody() -> None:
    rows = (*exposed(2, hours=4.0, who="XY"), *exposed(1, hours=9.0), *exposed(2, hours=5.0))
    found = check(week(0, exposure=rows)).crossings
    assert [(each.days, each.person) for each in found] == [
        ((day(1),), "AB"),
        ((day(2),), "AB"),
        ((day(2),), "XY"),
    ]


def test_the_grid_shows_crossings_as_well() -> None:
    row = WorkedDay(day(1), "AB", Stage.CLEANING, 5.0, 4.0)
    told = WeeklyReturn(MONDAY, frozenset({"counts", "days"}), days=(row,))
    (crossing,) = check(told).crossings
    assert crossing.hours == 4.0


@given(cases(), st.booleans(), st.booleans(), st.sampled_from([0.0, 0.3]))
@some
def test_what_really_happened_is_never_refused_and_crosses_no_limit(
    case: Case, categories: bool, boxes: bool, missing: float
) -> None:
    plan, drawn = luck.plan(case.project, case.first_day), future(case)
    tell = Telling(categories=categories, boxes=boxes, missing=missing)
    rows = engine.record(drawn)
    history = NOTHING_YET
    for whole in diary.returns(plan, drawn, rows, case.project.grant.horizon, tell=tell):
        told = replace(whole, counts=tuple(_blanked(n, row) for n, row in enumerate(whole.counts)))
        found = return_checks.check(case.project, history, told, (), told.last_day)
        assert found.errors == ()
        assert found.crossings == ()
        history = History.of([*history.returns, told])


def _blanked(number: int, row: Count) -> Count:
    """Every other row with something left out."""
    blanks = ((), ("material",), (), ("mould",), (), ("red_rot",), (), ("material", "mould"))
    return replace(row, **dict.fromkeys(blanks[number % len(blanks)]))  # type: ignore[arg-type]
