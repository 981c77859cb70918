"""Plans against the project as it is: by hand where nothing varies, and from a record."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from forecast import compare as plans
from forecast.compare import Outset, Precision, compare, outset
from forecast.errors import InputError
from forecast.estimates import Estimate
from forecast.folder import read_project
from forecast.history import History
from forecast.people import TeamRow
from forecast.project import Project, WorkingTime
from forecast.scenario import AS_PLANNED, Add, Scenario, Set, more_of, person_like
from tests.small_projects import MONDAY, Lot, day, per_item, person, share, small_project

TINY = Path(__file__).parent.parent / "scenario_data" / "tiny"


def rebox(items: int = 40, hourly_cost: float | None = 20.0, **changes: object) -> Project:
    """One person boxes an item an hour, eight a day from Monday to Friday."""
    alone = replace(person("AB", "reboxing"), hourly_cost=hourly_cost)
    return small_project([Lot(items)], [per_item("reboxing", 60.0)], [alone], **changes)


def varied(items: int = 120) -> Project:
    """The same, with items, weeks and people that vary."""
    time = WorkingTime(
        delivered_share=share(0.8),
        absence_days_a_year=Estimate(5.0, 10.0, 30.0),
        practice=share(1.0),
        week_spread=Estimate(0.1, 0.2, 0.4),
    )
    project = rebox(items, time=time)
    grant = replace(project.grant, end=day(24), horizon=day(200), items_promised=items)
    return replace(project, grant=grant)


def start_of(project: Project) -> Outset:
    return outset(project)


def test_a_second_person_halves_the_time_and_costs_the_same_hours() -> None:
    """40 items, one an hour: five days of one person, or two and a half of two."""
    project = rebox()
    grant = replace(project.grant, end=day(3), items_promised=40)
    start = start_of(replace(project, grant=grant))
    found = compare(start, [person_like(start.project, "AB", once=100.0)], most=3)
    (plan,), (change,) = found.plans, found.differences
    assert found.base.name == AS_PLANNED
    assert found.base.finish(0.5) == day(4)  # Friday
    assert plan.finish(0.5) == day(2)  # Wednesday
    assert (change.at_half.estimate, change.at_half.low, change.at_half.high) == (-2.0, -2.0, -2.0)
    assert change.finish_days.estimate == -2.0
    assert change.promise.estimate == 1.0
    assert change.earlier.better == 1.0
    # Five days of 8 hours at 20, and three days of two people, of whom both are paid to the finish.
    assert found.base.money.tolist() == [800.0] * 3
    assert plan.money.tolist() == [960.0 + 100.0] * 3
    assert not change.same
    assert not change.nothing_shown


def test_what_can_be_promised_is_what_was_done_in_so_many_futures() -> None:
    start = start_of(rebox())
    base = compare(start, [], most=4).base
    assert base.safe(0.9, day(1)) == 16
    assert base.safe(0.9) == 40


def test_a_scenario_that_changes_nothing_differs_by_exactly_zero_in_every_future() -> None:
    start = start_of(varied())
    found = compare(start, [Scenario("The same again")], most=60)
    (plan,), (change,) = found.plans, found.differences
    assert change.same
    assert np.array_equal(plan.taken.finish_day, found.base.taken.finish_day)
    for each in (change.finish_days, change.promise, change.money, change.exposure, change.items):
        assert (each.estimate, each.low, each.high) == (0.0, 0.0, 0.0)


def test_where_nothing_can_be_shown_that_is_said() -> None:
    """A second camera where nobody makes images."""
    start = start_of(varied())
    found = compare(start, [more_of(start.project, "camera_stations")], most=40)
    assert found.differences[0].nothing_shown


def test_more_futures_are_run_until_the_difference_is_known() -> None:
    start = start_of(varied())
    rough = compare(
        start, [person_like(start.project, "AB")], most=2000, precision=Precision(5.0, 0.5)
    )
    fine = compare(
        start, [person_like(start.project, "AB")], most=2000, precision=Precision(0.4, 0.5)
    )
    assert rough.reached
    assert rough.replications == 200
    assert fine.reached
    assert rough.replications < fine.replications < 2000
    assert fine.differences[0].finish_days.half_width <= 0.4
    # The first futures are the same ones: more are added, none is drawn anew.
    again = fine.base.taken.finish_day[:200]
    assert np.array_equal(again, rough.base.taken.finish_day)


def test_a_budget_that_does_not_suffice_is_used_up_and_said() -> None:
    start = start_of(varied())
    found = compare(
        start, [person_like(start.project, "AB")], most=210, precision=Precision(0.01, 0.001)
    )
    assert found.replications == 210
    assert not found.reached


def test_the_same_luck_makes_the_difference_better_known_than_fresh_luck() -> None:
    """Common random numbers (Law, Simulation Modeling and Analysis, ch. 11)."""
    project = varied()
    start, other = start_of(project), replace(start_of(project), seed=77)
    plan = person_like(project, "AB")
    paired = compare(start, [plan], most=300)
    fresh = compare(other, [plan], most=300)
    base, ours, theirs = (
        side.finish_or_horizon for side in (paired.base, paired.plans[0], fresh.plans[0])
    )
    # A second person changes half of everything, so that not much luck is left in common.
    assert np.var(ours - base) * 1.5 < np.var(theirs - base)


def test_progress_never_goes_back_and_ends_with_all() -> None:
    start = start_of(varied())
    told: list[tuple[int, int]] = []
    compare(start, [Scenario("A")], most=40, tell=lambda done, of: told.append((done, of)))
    assert told == sorted(told)
    assert told[-1] == (80, 80)


def test_all_problems_of_all_scenarios_come_in_one_go() -> None:
    start = start_of(rebox())
    wrong = [
        Scenario("One", changes=(Set("places.cleaning_bench", {"to": 3}),)),
        Scenario("Two", changes=(Add("person", {"person": "CD", "like": "XY"}),)),
    ]
    with pytest.raises(InputError) as refused:
        compare(start, wrong, most=4)
    places = [problem.place for problem in refused.value.problems]
    assert any("One" in place for place in places)
    assert any("Two" in place for place in places)


def test_a_budget_of_less_than_two_futures_is_refused_in_words() -> None:
    with pytest.raises(InputError, match="2 or more futures"):
        compare(start_of(rebox()), [], most=1)


def test_without_a_record_a_plan_may_change_the_first_day() -> None:
    assert start_of(rebox()).not_before is None


def test_the_summary_is_plain_and_the_same_whoever_works(tmp_path: Path) -> None:
    start = start_of(varied())
    scenarios = [person_like(start.project, "AB"), Scenario("The same again")]
    one, two = tmp_path / "1.json", tmp_path / "2.json"
    plans.write_json(compare(start, scenarios, most=30, workers=1), one)
    plans.write_json(compare(start, scenarios, most=30, workers=2), two)
    assert one.read_bytes() == two.read_bytes()
    told = json.loads(one.read_text(encoding="utf-8"))
    assert [plan["name"] for plan in told["plans"]] == [each.name for each in scenarios]
    assert told["plans"][1]["difference"]["same_in_every_future"] is True
    low, high = told["plans"][0]["difference"]["finish_days"]["interval"]
    assert low <= told["plans"][0]["difference"]["finish_days"]["estimate"] <= high


def test_a_plan_that_promises_fewer_items_keeps_its_own_promise() -> None:
    start = start_of(varied())
    fewer = Scenario("Fewer", changes=(Set("grant.items_promised", {"to": 60}),))
    found = compare(start, [fewer], most=60)
    assert np.array_equal(found.plans[0].taken.finish_day, found.base.taken.finish_day)
    assert found.plans[0].keeps.mean() > found.base.keeps.mean()
    assert found.differences[0].promise.low > 0.0


def test_a_finish_that_is_not_by_the_horizon_counts_as_on_it_and_is_no_date() -> None:
    project = rebox(400)  # fifty days of work, and sixty days to the horizon with weekends
    start = start_of(project)
    found = compare(start, [person_like(project, "AB")], most=3)
    assert found.base.finish(0.5) is None
    assert found.base.finish_or_horizon.tolist() == [float(project.days)] * 3
    assert found.plans[0].finish(0.5) is not None
    assert found.differences[0].at_half.estimate is None


def test_an_hourly_cost_that_is_not_told_is_said() -> None:
    base = compare(start_of(rebox(hourly_cost=None)), [], most=2).base
    assert any("no hourly cost" in sentence for sentence in base.costs.assumed)
    assert base.money.tolist() == [0.0, 0.0]


def test_the_tiny_project_as_a_folder_starts_before_the_grant() -> None:
    project = read_project(TINY)
    start = outset(project, History(()))
    assert start.as_of == project.default_as_of()
    assert start.weeks_on_record == 0
    assert isinstance(project.team[0], TeamRow)
    assert date(2026, 1, 5) == MONDAY
