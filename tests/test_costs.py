"""What a plan costs, worked out by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from forecast.costs import costs
from forecast.folder import read_project
from forecast.people import Closure, TeamRow
from forecast.project import Project
from forecast.scenario import Add, Scenario, Set, apply, more_of
from tests.small_projects import MONDAY, Lot, day, per_item, person, small_project

DEMO = read_project(Path(__file__).resolve().parent.parent / "scenario_data" / "demo")


def project(*team: TeamRow, **changes: object) -> Project:
    """Sixty days from a Monday."""
    return small_project([Lot(1)], [per_item("reboxing", 10.0)], team, **changes)


def paid(name: str, rate: float | None, end: date | None = None, start: date = MONDAY) -> TeamRow:
    """Eight hours from Monday to Friday."""
    return replace(person(name, "reboxing", start=start, end=end), hourly_cost=rate)


def test_who_has_no_end_is_paid_to_the_finish() -> None:
    told = costs(project(paid("AB", 10.0)), None, 0)
    # A Monday is 80, a working week 400; Saturday and Sunday cost nothing.
    assert told.by_last_day[[0, 1, 4, 5, 6, 7]].tolist() == [80, 160, 400, 400, 400, 480]
    assert told.assumed == ("Paid until the work is finished, since no end is given: AB.",)


def test_who_has_an_end_is_paid_to_it_whenever_the_work_is_finished() -> None:
    told = costs(project(paid("AB", 10.0, end=day(13))), None, 0)
    assert set(told.by_last_day.tolist()) == {800.0}
    assert told.assumed == ()


def test_only_what_lies_ahead_is_counted() -> None:
    told = costs(project(paid("AB", 10.0), paid("CD", 10.0, end=day(6))), None, 7)
    assert told.by_last_day[[7, 8]].tolist() == [80, 160]
    assert told.by_last_day[0] == 80  # finished before: not a day more than that


def test_work_that_is_not_finished_by_the_horizon_is_paid_to_the_horizon() -> None:
    made = project(paid("AB", 10.0))
    told = costs(made, None, 0)
    horizon = made.days - 1
    # 60 days from a Monday: eight weeks, then Monday to Thursday.
    assert told.at(np.array([0, -1, horizon])).tolist() == [80, 44 * 80, 44 * 80]


def test_closures_and_holidays_are_paid() -> None:
    made = project(
        paid("AB", 10.0),
        closures=(Closure(MONDAY, day(4)), Closure(day(7), day(8), "AB")),
        observe_public_holidays=True,
    )
    assert costs(made, None, 0).by_last_day[11] == 800


def test_a_later_row_without_an_end_makes_the_whole_person_paid_to_the_finish() -> None:
    first = paid("AB", 10.0, end=day(4))
    told = costs(project(first, paid("AB", 20.0, start=day(7))), None, 0)
    assert told.by_last_day[[0, 6, 7]].tolist() == [80, 400, 560]


def test_who_has_no_hourly_cost_is_named_and_costs_nothing() -> None:
    told = costs(project(paid("AB", None, end=day(20)), paid("CD", 0.0, end=day(20))), None, 0)
    assert told.by_last_day.max() == 0
    assert told.assumed == ("Not counted, since no hourly cost is given: AB.",)


def test_who_was_there_before_only_is_not_named() -> None:
    told = costs(project(paid("AB", None, end=day(4)), paid("CD", 1.0, end=day(9))), None, 7)
    assert told.assumed == ()


def test_a_scenario_costs_once_at_the_beginning_and_by_the_month() -> None:
    told = costs(project(), Scenario("S", once=500.0, monthly=365.25), 10)
    # A twelfth of a year is 30.4375 days: 12 a day.
    assert told.by_last_day[[10, 11, 20]] == pytest.approx([512, 524, 632])
    assert told.by_last_day[0] == pytest.approx(512)


def test_a_change_costs_from_its_first_day_to_its_last() -> None:
    made = project(paid("AB", 0.0))
    bench = more_of(made, "cleaning_benches", 1, day(10), day(12), once=100.0, monthly=365.25)
    told = costs(apply(made, bench), bench, 0)
    assert told.by_last_day[[9, 10, 12, 30]] == pytest.approx([0, 112, 136, 136])


def test_a_change_that_began_before_the_first_simulated_day_costs_from_then_on() -> None:
    change = Set("places.cleaning_benches", {"to": 3}, monthly=365.25)
    told = costs(project(), Scenario("S", changes=(change,)), 5)
    assert told.by_last_day[6] == pytest.approx(24)


def test_somebody_more_costs_wages_and_what_a_desk_costs() -> None:
    values = {"person": "X", "like": "AB"}
    scenario = Scenario("S", changes=(Add("person", values, day(7), day(13), once=50.0),))
    made = apply(project(paid("AB", 10.0)), scenario)
    told = costs(made, scenario, 0)
    plain = costs(made, None, 0)
    assert (told.by_last_day - plain.by_last_day)[[6, 7, 30]].tolist() == [0, 50, 50]
    # X has an end, and is paid the week whatever happens.
    assert plain.by_last_day[0] == 80 + 400


def test_the_demo_costs_what_its_rota_says() -> None:
    told = costs(DEMO, None, 0)
    assert told.currency == "GBP"
    assert told.by_last_day.shape == (DEMO.days,)
    week = 24 * 21.5 + 22 * 16.4 + 30 * 17.2 + 12 * 20.8
    fixed = costs(replace(DEMO, team=tuple(r for r in DEMO.team if r.person == "KL")), None, 0)
    # 2026-04-13 to 2026-12-18: 36 weeks of 18 hours; 2027-01-11 to 2027-04-30: 16 weeks of 12.
    assert fixed.by_last_day[0] == pytest.approx(15.9 * (36 * 18 + 16 * 12))
    assert told.by_last_day[6] == pytest.approx(week + fixed.by_last_day[0])
    assert (np.diff(told.by_last_day) >= 0).all()
    assert told.assumed == (
        "Paid until the work is finished, since no end is given: AB, CD, EF, GH, IJ.",
    )
