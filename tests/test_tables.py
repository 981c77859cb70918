"""The numbers of a report, on futures that were made up so that they can be counted by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from forecast import tables
from forecast.outcome import Futures
from forecast.project import Project
from tests.made_up import futures, project


def with_finishes(*days: int) -> Futures:
    """Futures that differ in nothing but the day number of their finish."""
    made = futures(len(days), 0)
    return replace(made, finish_day=np.array(days, np.int32))


def test_twenty_dates_are_the_twenty_futures_in_order() -> None:
    days = [200 + n for n in range(20)]
    shuffled = with_finishes(*np.random.default_rng(1).permutation(days))
    expected = [project().date_of(day) for day in days]
    assert tables.finish_dates(shuffled) == expected


def test_a_dot_is_the_middle_of_its_part_of_the_futures() -> None:
    hundred = with_finishes(*range(200, 300))  # parts of five: their third is the middle one
    expected = [project().date_of(202 + 5 * n) for n in range(20)]
    assert tables.finish_dates(hundred) == expected


def test_never_stays_never_and_stands_behind_every_date() -> None:
    some = with_finishes(*[-1] * 5, *range(200, 215))
    dates = tables.finish_dates(some)
    assert dates[-5:] == [None] * 5
    assert None not in dates[:-5]
    dots = tables.finish_dots(some)
    lost = dots[dots["when"] == "not by the horizon"]
    assert len(lost) == 5
    assert lost["day"].isna().all()


def test_the_error_of_a_date_that_is_never_reached_is_never() -> None:
    error = tables.monte_carlo_error(with_finishes(*[-1] * 20))
    late = error[error["figure"] == "Half of the futures are finished by"]
    assert late[["value", "low", "high"]].isna().all(axis=None)
    assert error["value"].iloc[1] == 0.0


def test_a_bin_of_dots_lies_on_one_side_of_the_end_of_the_grant() -> None:
    made = futures()
    end = made.project.day_number(made.grant_end)
    dots = tables.finish_dots(with_finishes(*range(end - 9, end + 11)), columns=5)
    assert list(dots["when"]).count("by the grant's end") == 10
    assert list(dots["when"]).count("later") == 10
    sides = dots.groupby("day")["when"].nunique()
    assert (sides == 1).all()
    early = dots[dots["when"] == "by the grant's end"]
    assert (early["day"] <= made.grant_end).all()
    assert dots.groupby("day")["height"].max().sum() == 20


def test_the_fan_is_made_of_order_statistics_and_ordered() -> None:
    made = futures()
    frame = tables.delivery(made)
    assert frame["day"].iloc[0] == made.first_day - timedelta(days=1)
    assert all(day.weekday() == 6 for day in frame["day"])
    for low, high in zip(list(tables.BANDS), list(tables.BANDS)[1:], strict=False):
        assert (frame[low] <= frame[high]).all()
    day = made.project.day_number(frame["day"].iloc[9])
    ordered = np.sort(made.done_by_day[:, day])
    row = frame.iloc[9]
    assert [row["low"], row["middle"], row["high"]] == [ordered[9], ordered[99], ordered[189]]


def test_weekly_items_add_up_to_what_was_done() -> None:
    one = futures(1, 0)
    weekly = tables.weekly_done(one)
    fan = tables.delivery(one)
    assert tables.done_at_start(one) + weekly["middle"].sum() == fan["middle"].iloc[-1]


def test_a_promise_of_nine_in_ten_was_reached_or_passed_in_nine_of_ten() -> None:
    made = futures()
    table = tables.promises(made)
    assert list(table.columns) == ["day", "50", "80", "90", "95"]
    assert table["day"].iloc[0] == date(2026, 6, 30)
    assert table["day"].iloc[-1] == made.grant_end
    assert table["day"].is_unique
    for _, row in table.iterrows():
        done = made.done_by_day[:, made.project.day_number(row["day"])]
        for share in (50, 80, 90, 95):
            assert np.mean(done >= row[str(share)]) >= share / 100
            assert np.mean(done >= row[str(share)] + 1) < share / 100


def test_places_without_a_limit_are_not_shown() -> None:
    frame = tables.place_use(futures())
    assert "Clean tool sets" not in set(frame["place"])
    assert len(frame) == 4


def test_exposure_in_total_is_held_against_all_limits_together() -> None:
    made = futures()
    frame = tables.exposure_in_total(made)
    assert (frame["limit"] == 2 * 3.0 * 3).all()
    summary = tables.exposure_summary(made)
    assert summary.people == 2
    assert summary.largest_day_seconds == summary.limit_day_seconds == 10_800


def test_only_people_who_do_mould_work_have_a_chart_of_their_own() -> None:
    assert list(tables.exposure_by_person(futures())["person"].unique()) == ["QX", "VZ"]


def test_an_assumption_says_where_it_comes_from() -> None:
    frame = tables.assumptions(project(), with_persons=True).set_index("about")
    damp = "Items still damp after a round of drying"
    assert frame.loc[damp, "source"] == "documented default"
    assert frame.loc[damp, "value"] == "8 in 100 (2 to 20)"
    assert frame.loc["Items promised", "source"] == "project.toml"
    assert not frame.loc["Items promised", "default"]
    assert frame.loc["Cleaning: any material", "source"] == "task_times.csv: timed on 40 volumes"
    assert frame.loc["Imaging: any material", "source"] == "task_times.csv: no source given"
    assert "QX" in str(frame.loc["Drying: any material", "source"])


def test_texts_that_people_wrote_lose_their_names_for_outsiders() -> None:
    frame = tables.assumptions(project())
    assert not frame["source"].str.contains("QX").any()
    outside = " ".join(tables.warning_texts(project(), with_persons=False))
    inside = " ".join(tables.warning_texts(project(), with_persons=True))
    assert "JW" not in outside
    assert "row 3" not in outside
    assert "JW" in inside
    assert tables.without_persons("AB and CABLE", ["AB"]) == "a team member and CABLE"


def test_drawings_end_soon_after_all_is_done() -> None:
    made = futures()
    end = tables.shown_until(made)
    assert made.grant_end < end < made.project.grant.horizon
    never = replace(made, finish_day=np.full_like(made.finish_day, -1))
    assert tables.shown_until(never) == made.project.grant.horizon


@pytest.mark.parametrize(
    "table", [tables.waiting, tables.late_drying, tables.exposure_in_total, tables.weekly_done]
)
def test_weekly_tables_begin_with_the_first_simulated_week(table: object) -> None:
    made = futures()
    frame: pd.DataFrame = table(made)  # type: ignore[operator]  # one of the functions above
    column = "day" if "day" in frame else "week"
    first = frame[column].min()
    assert made.first_day - timedelta(days=6) <= first <= made.first_day + timedelta(days=6)


def test_a_project_that_states_everything_has_no_defaults() -> None:
    stated: Project = replace(project(), defaults_used=())
    assert not tables.assumptions(stated)["default"].any()
