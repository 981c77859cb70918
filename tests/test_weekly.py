"""A week's return, and what is on record up to a date."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from forecast.history import NOTHING_YET, History
from forecast.items import Mould
from forecast.stages import Stage
from forecast.weekly import (
    SHEETS,
    Count,
    DryingBatch,
    ExposureDay,
    Hours,
    Note,
    Received,
    WeeklyReturn,
    WorkedDay,
)

WEEK = date(2026, 3, 9)


def full_return() -> WeeklyReturn:
    return WeeklyReturn(
        WEEK,
        frozenset(SHEETS) - {"days"},
        counts=(
            Count(Stage.CLEANING, "volume", Mould.ACTIVE, True, items=3),
            Count(Stage.CHECKING, rejected=0),
            Count(Stage.IMAGING, "map", items=2, images=4, outcome="not-imaged"),
        ),
        hours=(Hours("AB", Stage.CLEANING, 5.25, 2), Hours("AB", None, 6.0)),
        exposure=(ExposureDay(WEEK, "AB", 2.5),),
        drying=(DryingBatch("b1", date(2026, 3, 2), 8, date(2026, 3, 12), 1),),
        received=(Received("Letters", "7", "volume", Mould.NONE, False, 12),),
        notes=(Note(None, "New lamps"),),
    )


def test_a_return_as_a_file_has_it() -> None:
    tables = {name: full_return().table(name) for name in SHEETS}
    assert tables["counts"][0] == {
        "week": "2026-03-09",
        "stage": "cleaning",
        "material": "volume",
        "mould": "active",
        "red_rot": "yes",
        "items": "3",
        "images": "",
        "rejected": "",
        "outcome": "",
    }
    assert tables["counts"][1]["rejected"] == "0", "a written 0 is not a blank"
    assert [row["stage"] for row in tables["hours"]] == ["cleaning", "away"]
    assert [row["hours"] for row in tables["hours"]] == ["5.25", "6"]
    assert tables["drying"][0]["taken_out"] == "2026-03-12"
    assert tables["received"][0]["red_rot"] == "no"
    assert tables["notes"] == [{"week": "2026-03-09", "stage": "", "note": "New lamps"}]


def test_columns_stand_in_the_order_of_the_contract() -> None:
    for sheet, columns in SHEETS.items():
        for row in full_return().table(sheet):
            assert tuple(row) == columns


def test_the_order_of_rows_says_nothing() -> None:
    one = full_return()
    other = replace(one, counts=one.counts[::-1], hours=one.hours[::-1])
    assert other.digest == one.digest
    assert other.in_order() == one.in_order()
    assert one.in_order().digest == one.digest


@pytest.mark.parametrize(
    "change",
    [
        {"week": WEEK + timedelta(weeks=1)},
        {"notes": ()},
        {"hours": (Hours("AB", Stage.CLEANING, 5.25, 3), Hours("AB", None, 6.0))},
        {"exposure": (ExposureDay(WEEK, "AB", 2.500001),)},
    ],
)
def test_other_content_is_another_return(change: dict[str, object]) -> None:
    one = full_return()
    assert replace(one, **change).digest != one.digest  # type: ignore[arg-type]


def test_told_and_empty_is_not_untold() -> None:
    told = WeeklyReturn(WEEK, frozenset({"counts", "notes"}))
    assert told.digest != WeeklyReturn(WEEK, frozenset({"counts"})).digest


def test_rows_of_an_untold_sheet_are_a_slip() -> None:
    with pytest.raises(ValueError, match="hours"):
        WeeklyReturn(WEEK, frozenset({"counts"}), hours=(Hours("AB", None, 1.0),))


def test_a_week_begins_on_monday() -> None:
    with pytest.raises(ValueError, match="2026-03-10"):
        WeeklyReturn(date(2026, 3, 10), frozenset())


def test_the_day_grid_stands_in_for_hours_and_exposure() -> None:
    tuesday = WEEK + timedelta(days=1)
    grid = WeeklyReturn(
        WEEK,
        frozenset({"days"}),
        days=(
            WorkedDay(WEEK, "AB", Stage.CLEANING, 4.0, 2.5),
            WorkedDay(WEEK, "AB", Stage.COVERS, 1.0, 0.5),
            WorkedDay(tuesday, "AB", Stage.CLEANING, 2.0),
            WorkedDay(tuesday, "CD", None, 6.0),
        ),
    )
    assert set(grid.worked) == {
        Hours("AB", Stage.CLEANING, 6.0),
        Hours("AB", Stage.COVERS, 1.0),
        Hours("CD", None, 6.0),
    }
    assert grid.exposed == (ExposureDay(WEEK, "AB", 3.0),)
    assert grid.told_hours() and grid.told_exposure()  # noqa: PT018  # one sentence
    assert grid.persons == ("AB", "CD")


def a_return(week: date, items: int = 1) -> WeeklyReturn:
    return WeeklyReturn(week, frozenset({"counts"}), counts=(Count(Stage.COVERS, items=items),))


def test_a_later_return_of_a_week_takes_the_place_of_an_earlier() -> None:
    later = WEEK + timedelta(weeks=1)
    history = History.of([a_return(later), a_return(WEEK), a_return(WEEK, items=2)])
    assert [each.week for each in history.returns] == [WEEK, later]
    assert history.returns[0].counts[0].items == 2
    assert history.last_day == date(2026, 3, 22)


def test_a_return_counts_from_the_friday_of_its_week() -> None:
    """R19: a return of the week beginning on W counts if W + 4 days is not after the as-of date."""
    history = History.of([a_return(WEEK)])
    assert history.up_to(date(2026, 3, 13)) == history
    assert history.up_to(date(2026, 3, 12)) == NOTHING_YET


def test_missing_weeks_are_named() -> None:
    history = History.of([a_return(WEEK), a_return(WEEK + timedelta(weeks=3))])
    assert history.gaps == (date(2026, 3, 16), date(2026, 3, 23))
    assert NOTHING_YET.gaps == ()
    assert NOTHING_YET.last_day is None


def test_one_return_a_week_in_their_order() -> None:
    with pytest.raises(ValueError, match="order of their weeks"):
        History((a_return(WEEK), a_return(WEEK)))
