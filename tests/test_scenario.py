"""A scenario makes a new project that is checked like any other, and never a laxer one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecast import replicate
from forecast.cells import Findings
from forecast.costs import costs
from forecast.errors import InputError, Problem
from forecast.estimates import Estimate
from forecast.folder import read_project
from forecast.outcome import promise_odds
from forecast.people import Closure, DayPlan, TeamRow
from forecast.project import GrantChange, PlaceChange, Project
from forecast.results import summary
from forecast.rows import cells_of, read_tables
from forecast.scenario import (
    ASK_FIRST,
    SAFETY_KEYS,
    Add,
    Change,
    Remove,
    Scenario,
    Set,
    apply,
    more_of,
    number_of_place,
    person_like,
    settable,
    together,
)
from forecast.scenario_file import read_scenarios, scenarios_from
from forecast.settings import settings_from, values_of
from forecast.sheets import Row
from forecast.stages import Place, Stage
from forecast.working_time import rota
from tests.random_projects import Case, cases

DATA = Path(__file__).resolve().parent.parent / "scenario_data"
DEMO = read_project(DATA / "demo")
TINY = read_project(DATA / "tiny")
LATER = date(2026, 6, 29)  # a Monday in the middle of the demo


def changed(*changes: Change, base: Project = DEMO, not_before: date | None = None) -> Project:
    return apply(base, Scenario("S", changes=changes), not_before)


def problems(
    *changes: Change, base: Project = DEMO, not_before: date | None = None
) -> tuple[Problem, ...]:
    with pytest.raises(InputError) as caught:
        changed(*changes, base=base, not_before=not_before)
    return caught.value.problems


def rows(project: Project, person: str) -> list[TeamRow]:
    return [row for row in project.team if row.person == person]


def of_place(project: Project, place: Place) -> list[tuple[int, date, date]]:
    found = [(c.number, c.first_day, c.last_day) for c in project.place_changes if c.place is place]
    return sorted(found, key=lambda each: each[1])


# --- there and back ------------------------------------------------------------------------------


def read_again(project: Project) -> tuple[dict[str, Any], list[Problem]]:
    """What a project's own keys and cells say when they are read again."""
    findings = Findings()
    said = settings_from({"schema": 1, **values_of(project)}, findings)
    sheets = {
        file: [Row(file, n, each, findings) for n, each in enumerate(some, 2)]
        for file, some in cells_of(project).items()
        if file not in ("collection.csv", "budget.csv")
    }
    names = ("collection.csv", "budget.csv")
    known = {(name, n): None for name in names for n in range(2, 9999)}
    for name in names:
        some = cells_of(project)[name]
        if some:
            sheets[name] = [Row(name, n, each, findings) for n, each in enumerate(some, 2)]
    tables = read_tables({name: some for name, some in sheets.items() if some}, findings, known)
    which = ("team", "closures", "place_changes", "day_plan", "deliveries")
    return vars(said) | {name: getattr(tables, name) for name in which}, findings.problems


@pytest.mark.parametrize("project", [DEMO, TINY], ids=["demo", "tiny"])
def test_what_a_project_says_can_be_written_and_read_again(project: Project) -> None:
    said, told = read_again(project)
    assert told == []
    assert said == {name: getattr(project, name) for name in said}


@given(cases())
@settings(max_examples=60, deadline=None)
def test_random_projects_can_be_written_and_read_again(case: Case) -> None:
    # No file says seconds of a clock time or a blank role; a file says the same only once.
    come = {(each.day, each.series): each for each in case.project.deliveries}
    team = tuple(replace(row, begins=row.begins // 60 * 60, role="x") for row in case.project.team)
    project = replace(
        case.project,
        team=team,
        closures=tuple(dict.fromkeys(case.project.closures)),
        deliveries=tuple(come.values()),
    )
    said, told = read_again(project)
    assert told == []
    assert said == {name: getattr(project, name) for name in said}


@given(cases())
@settings(max_examples=60, deadline=None)
def test_a_scenario_that_changes_nothing_gives_the_same_project(case: Case) -> None:
    project = replace(case.project, defaults_used=("drying.still_damp",), input_sha256="x")
    made = apply(project, Scenario("Nothing"))
    assert replace(made, warnings=()) == replace(project, warnings=())


def test_nothing_changed_simulates_to_the_same_bytes() -> None:
    made = apply(TINY, Scenario("Nothing"))
    kept = [
        summary(replicate.simulate(project, replications=20, progress=False))
        for project in (TINY, made)
    ]
    assert kept[0] == kept[1]
    assert made == TINY


def test_the_base_is_never_touched() -> None:
    before = repr(DEMO)
    changed(
        Remove("person", {"person": "KL"}),
        Add("place", {"place": "drying_items", "number": 5}, LATER),
        Set("person", {"person": "AB", "fri": 6}, LATER),
        Set("grant.items_promised", {"to": 2000}),
    )
    assert repr(DEMO) == before


# --- numbers -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("what", "to", "field", "expected"),
    [
        ("grant.items_promised", 2000, "grant.items_promised", 2000),
        ("grant.images_promised", 9, "grant.images_promised", 9),
        ("grant.end", date(2027, 9, 30), "grant.end", date(2027, 9, 30)),
        ("places.tool_drying_hours", 30, "places.tool_drying_hours", 30),
        ("quarantine.minimum_days", 21, "quarantine_days", 21),
        ("exposure.hours_per_day", 2.5, "exposure.hours_per_day", 2.5),
        ("breathing_protection.wear_minutes", 120, "breathing.wear_minutes", 120),
        ("drying.still_damp", (0.1, 0.1, 0.1), "drying.still_damp", Estimate(0.1, 0.1, 0.1, True)),
        ("outcomes.counts_as_done", ["done"], "outcomes.counts_as_done", ("done",)),
        ("stages.off", ("describing",), "stages_off", frozenset({Stage.DESCRIBING})),
        ("time.absence_days_a_year", [1, 2, 3], "time.absence_days_a_year", Estimate(1, 2, 3)),
    ],
)
def test_any_number_of_the_project_may_be_set(
    what: str, to: object, field: str, expected: object
) -> None:
    made: Any = changed(Set(what, {"to": to}))
    base: Any = DEMO
    names = field.split(".")
    for name in names[:-1]:
        made, base = getattr(made, name), getattr(base, name)
    assert getattr(made, names[-1]) == expected
    assert replace(made, **{names[-1]: getattr(base, names[-1])}).__dict__.keys() >= {names[-1]}
    if len(names) == 2:  # nothing beside it has moved
        assert replace(made, **{names[-1]: getattr(base, names[-1])}) == base


def test_every_place_that_may_be_set_can_be_set_to_what_it_is() -> None:
    values = values_of(DEMO)
    for place in settable(DEMO):
        section, key = place.split(".")
        made = changed(Set(place, {"to": values[section][key]}))
        assert replace(made, defaults_used=DEMO.defaults_used) == DEMO, place


def test_an_end_that_is_set_is_the_end_whatever_was_agreed_before() -> None:
    later = GrantChange(date(2026, 9, 1), date(2027, 12, 31), "the fund")
    base = replace(DEMO, grant=replace(DEMO.grant, changes=(later,)))
    made = changed(Set("grant.end", {"to": date(2027, 9, 30)}), base=base)
    assert made.grant.end_known_on(date(2026, 12, 1)) == date(2027, 9, 30)


def test_a_number_that_is_set_is_assumed_no_more() -> None:
    base = replace(DEMO, defaults_used=("drying.still_damp", "team.csv:end"))
    made = changed(Set("drying.still_damp", {"to": [0.1, 0.1, 0.1]}), base=base)
    assert made.defaults_used == ("team.csv:end",)


def test_warnings_are_those_of_the_new_project() -> None:
    made = changed(Set("grant.items_promised", {"to": 99_999}))
    assert [warning.place for warning in made.warnings] == ["[grant] items_promised"]


def test_numbers_change_for_good_so_that_from_is_refused_beside_them() -> None:
    (problem,) = problems(Set("checking.share_checked", {"to": 0.2}, from_=LATER))
    assert problem.place == "scenario S, set 1, from"
    assert "whole plan" in problem.remedy


# --- what keeps people safe ----------------------------------------------------------------------

STRICTER: Mapping[str, tuple[object, object]] = {  # of the demo: stricter, laxer
    "exposure.hours_per_day": (2.5, 3.1),
    "exposure.days_per_week": (2, 4),
    "breathing_protection.wear_minutes": (149, 0),
    "breathing_protection.rest_minutes": (31, 29),
    "quarantine.minimum_days": (15, 13),
    "sessions.protective_clothing": (11, 9),
    "sessions.clear_bench": (26, 24.9),
    "sessions.clear_camera": (21, 0),
    "places.tool_drying_hours": (25, 23),
    "drying.attention_minutes": (16, 14),
    "drying.start_within_days": (1, 3),
}


def test_every_key_that_keeps_people_safe_is_tried_here() -> None:
    assert {*STRICTER, "exposure.week", "exposure.approved_by"} == set(SAFETY_KEYS)


@pytest.mark.parametrize("what", STRICTER)
def test_stricter_is_allowed_and_laxer_refused_with_one_sentence(what: str) -> None:
    stricter, laxer = STRICTER[what]
    changed(Set(what, {"to": stricter}))
    (problem,) = problems(Set(what, {"to": laxer}))
    assert problem.remedy == ASK_FIRST == "Change project.toml, and say who approved it."
    assert problem.place == "scenario S, set 1, to"


def test_days_by_the_calendar_are_laxer_and_never_the_other_way_round() -> None:
    (problem,) = problems(Set("exposure.week", {"to": "calendar"}))
    assert problem.remedy == ASK_FIRST
    weekly = replace(DEMO, exposure=replace(DEMO.exposure, week="calendar"))
    assert changed(Set("exposure.week", {"to": "any-7-days"}), base=weekly).exposure.week_rule == 0


def test_a_first_limit_to_wearing_a_mask_is_stricter() -> None:
    free = replace(DEMO, breathing=replace(DEMO.breathing, wear_minutes=0.0))
    made = changed(Set("breathing_protection.wear_minutes", {"to": 240}), base=free)
    assert made.breathing.wear_minutes == 240


@pytest.mark.parametrize("stage", ["receiving", "quarantine", "drying", "cleaning"])
def test_no_scenario_switches_off_a_stage_that_keeps_people_safe(stage: str) -> None:
    (problem,) = problems(Set("stages.off", {"to": ["describing", stage]}))
    assert problem.remedy == ASK_FIRST
    assert stage in problem.expected
    off = replace(DEMO, stages_off=frozenset({Stage[stage.upper()]}))
    changed(Set("stages.off", {"to": [stage]}), base=off)  # it is off in the base already
    assert changed(Set("stages.off", {"to": []}), base=off).stages_off == frozenset()


def test_a_laxer_value_is_told_beside_every_other_problem() -> None:
    told = problems(
        Set("quarantine.minimum_days", {"to": 1}),
        Set("places.cleaning_benches", {"to": -1}),
        Add("person", {"person": "X", "like": "nobody"}),
        Set("checking.share_checked", {"to": 3}),
    )
    assert [problem.place.split(", ", 1)[1] for problem in told] == [
        "set 1, to",
        "set 2, to",
        "add 1, like",
        "set 3, to",
    ]


@given(st.sampled_from(sorted(STRICTER)), st.floats(0, 500))
@settings(max_examples=300, deadline=None)
def test_whatever_is_written_no_project_is_laxer_than_its_base(what: str, to: float) -> None:
    try:
        made = values_of(changed(Set(what, {"to": to})))
    except InputError:
        return
    section, key = what.split(".")
    before: Any = values_of(DEMO)[section][key]
    after: Any = made[section][key]
    stricter, _ = STRICTER[what]
    assert isinstance(stricter, int | float)
    assert after == before or (after < before) == (stricter < before)
    assert what != "breathing_protection.wear_minutes" or after > 0


# --- places --------------------------------------------------------------------------------------


def test_a_number_is_that_of_usual_days_and_exceptions_stay() -> None:
    made = changed(Set("places.camera_stations", {"to": 2}))
    assert made.places.camera_stations == 2
    assert made.place_changes == DEMO.place_changes


def test_a_number_from_a_day_on_leaves_exceptions_as_they_are() -> None:
    made = changed(Set("places.camera_stations", {"to": 2}, from_=LATER))
    assert made.places.camera_stations == 1
    assert of_place(made, Place.CAMERA) == [
        (2, LATER, date(2026, 9, 13)),
        (0, date(2026, 9, 14), date(2026, 10, 2)),
        (2, date(2026, 10, 3), DEMO.grant.horizon),
    ]


def test_what_is_added_stands_beside_whatever_there_is_on_a_day() -> None:
    change = Add("place", {"place": "drying_items", "number": 10}, date(2026, 11, 10), LATER)
    assert "until" in problems(change)[0].place
    made = changed(replace(change, until=date(2026, 11, 25)))
    assert of_place(made, Place.DRYER) == [
        (24, date(2026, 11, 2), date(2026, 11, 9)),
        (34, date(2026, 11, 10), date(2026, 11, 20)),
        (58, date(2026, 11, 21), date(2026, 11, 25)),
    ]
    assert made.places == DEMO.places


def test_what_is_added_for_good_is_added_to_exceptions_too() -> None:
    made = apply(DEMO, more_of(DEMO, "drying_items", 10))
    assert made.places.drying_items == 58
    assert of_place(made, Place.DRYER) == [(34, date(2026, 11, 2), date(2026, 11, 20))]


def test_two_additions_of_one_place_add_up_day_by_day() -> None:
    both = together(
        "S",
        [
            more_of(DEMO, "cleaning_benches", 1, LATER),
            more_of(DEMO, "cleaning_benches", 2, date(2026, 9, 1)),
        ],
    )
    assert of_place(apply(DEMO, both), Place.BENCH) == [
        (3, LATER, date(2026, 8, 31)),
        (5, date(2026, 9, 1), DEMO.grant.horizon),
    ]


def test_more_of_what_is_no_limit_is_refused() -> None:
    base = replace(DEMO, places=replace(DEMO.places, tool_sets=None))
    assert number_of_place(base, "tool_sets") is None
    with pytest.raises(ValueError, match="no limit"):
        more_of(base, "tool_sets")
    (problem,) = problems(Add("place", {"place": "tool_sets", "number": 1}), base=base)
    assert "no limit" in problem.remedy
    assert changed(Set("places.tool_sets", {"to": 3}), base=base).places.tool_sets == 3


def test_a_set_number_can_begin_where_an_exception_is_in_force() -> None:
    base = replace(DEMO, place_changes=(PlaceChange(Place.BENCH, 1, date(2026, 6, 1), LATER),))
    made = changed(Set("places.cleaning_benches", {"to": 4}, date(2026, 6, 8)), base=base)
    assert of_place(made, Place.BENCH) == [
        (1, date(2026, 6, 1), LATER),
        (4, date(2026, 6, 30), DEMO.grant.horizon),
    ]


# --- people --------------------------------------------------------------------------------------


def test_hours_change_from_a_day_to_another() -> None:
    made = changed(
        Set("person", {"person": "AB", "fri": 6, "begins": "08:15"}, LATER, date(2026, 9, 30))
    )
    before, inside, after = rows(made, "AB")
    assert (before.end, inside.start, inside.end) == (date(2026, 6, 28), LATER, date(2026, 9, 30))
    assert (after.start, after.end) == (date(2026, 10, 1), None)
    assert inside.hours == (6, 6, 6, 6, 6, 0, 0)
    assert inside.begins == 8 * 3600 + 15 * 60
    assert before.hours == after.hours == rows(DEMO, "AB")[0].hours
    assert made.persons == DEMO.persons  # the order in which people choose is the same


def test_stages_mould_work_and_cost_of_somebody_may_be_set() -> None:
    values = {"person": "EF", "stages": ["imaging"], "mould_work": True, "hourly_cost": 18}
    (row,) = rows(changed(Set("person", values)), "EF")
    assert (row.stages, row.mould_work, row.hourly_cost) == ((Stage.IMAGING,), True, 18.0)


def test_a_change_of_somebody_with_several_rows_touches_those_of_its_days_only() -> None:
    made = changed(Set("person", {"person": "GH", "mon": 7}, date(2026, 8, 3)))
    hours = [(row.start, row.end, row.hours[0]) for row in rows(made, "GH")]
    assert hours == [
        (date(2026, 1, 5), date(2026, 8, 2), 0.0),
        (date(2026, 8, 3), date(2026, 8, 31), 7.0),
        (date(2026, 9, 1), None, 7.0),
    ]


@pytest.mark.parametrize(
    ("person", "values", "expected"),
    [
        ("AB", {"end": date(2026, 9, 30)}, [("2026-01-05", "2026-09-30")]),
        ("KL", {"end": date(2026, 12, 18)}, [("2026-04-13", "2026-12-18")]),
        ("KL", {"end": date(2026, 12, 27)}, [("2026-04-13", "2026-12-18")]),
        ("KL", {"end": "2026-10-01"}, [("2026-04-13", "2026-10-01")]),
        ("KL", {"end": ""}, [("2026-04-13", "2026-12-18"), ("2027-01-11", "None")]),
        (
            "KL",
            {"end": date(2027, 6, 30)},
            [("2026-04-13", "2026-12-18"), ("2027-01-11", "2027-06-30")],
        ),
        (
            "KL",
            {"start": date(2026, 2, 2)},
            [("2026-02-02", "2026-12-18"), ("2027-01-11", "2027-04-30")],
        ),
        ("KL", {"start": date(2027, 2, 1)}, [("2027-02-01", "2027-04-30")]),
    ],
)
def test_people_come_and_go_on_other_days(
    person: str, values: dict[str, object], expected: list[tuple[str, str]]
) -> None:
    made = changed(Set("person", {"person": person, **values}))
    assert [(str(row.start), str(row.end)) for row in rows(made, person)] == expected


def test_one_more_person_has_the_hours_of_one_there_is_and_chooses_last() -> None:
    made = apply(DEMO, person_like(DEMO, "CD", from_=LATER, once=400.0))
    (row,) = rows(made, "conservation assistant 2")
    assert replace(row, person="CD", start=date(2026, 1, 5)) == rows(DEMO, "CD")[0]
    assert row.start == LATER
    assert made.persons == (*DEMO.persons, "conservation assistant 2")
    third = person_like(made, "CD")
    assert third.changes[0].values["person"] == "conservation assistant 3"


def test_one_more_person_like_somebody_with_several_rows_has_them_all() -> None:
    made = apply(DEMO, person_like(DEMO, "KL", "X", LATER, date(2027, 6, 30), wed=0))
    found = [(str(row.start), str(row.end), row.hours[2]) for row in rows(made, "X")]
    assert found == [("2026-06-29", "2026-12-18", 0.0), ("2027-01-11", "2027-06-30", 0.0)]


def test_somebody_like_a_person_who_is_gone_stays_as_long_as_it_says() -> None:
    last = date(2027, 12, 31)
    made = apply(DEMO, person_like(DEMO, "KL", "X", date(2027, 6, 1), last))
    assert [(row.start, row.end) for row in rows(made, "X")] == [(date(2027, 6, 1), last)]


def test_somebody_new_needs_no_model() -> None:
    values = {"person": "X", "mon": 5, "mould_work": "no", "stages": "imaging;checking"}
    (row,) = rows(changed(Add("person", values, LATER)), "X")
    assert row.hours == (5, 0, 0, 0, 0, 0, 0)
    assert (row.start, row.end, row.begins) == (LATER, None, 9 * 3600)
    assert row.stages == (Stage.IMAGING, Stage.CHECKING)


def test_who_goes_takes_leave_and_plans_along() -> None:
    made = changed(Remove("person", {"person": "CD"}))
    assert "CD" not in made.persons
    assert not [closure for closure in made.closures if closure.person == "CD"]
    assert not [plan for plan in made.day_plan if plan.person == "CD"]


def test_who_goes_for_a_while_comes_back() -> None:
    made = changed(Remove("person", {"person": "AB"}, LATER, date(2026, 8, 31)))
    assert [(row.start, row.end) for row in rows(made, "AB")] == [
        (date(2026, 1, 5), date(2026, 6, 28)),
        (date(2026, 9, 1), None),
    ]


def test_somebody_can_be_replaced_on_one_day() -> None:
    made = changed(
        Remove("person", {"person": "KL"}, LATER),
        Add("person", {"person": "conservator 2", "like": "AB"}, LATER),
    )
    assert rows(made, "KL")[0].end == date(2026, 6, 28)
    assert rows(made, "conservator 2")[0].start == LATER


def test_the_last_person_cannot_go() -> None:
    told = problems(*(Remove("person", {"person": person}) for person in DEMO.persons))
    assert [problem.remedy for problem in told] == ["Leave somebody, or add somebody first."]


def test_a_reason_beside_a_person_is_never_repeated() -> None:
    told = problems(
        Set("person", {"person": "AB", "mould_work": "asthma"}),
        Add("closure", {"first_day": LATER, "last_day": LATER, "person": "AB", "reason": "asthma"}),
        Add("person", {"person": "X", "like": "AB", "why": "asthma"}),
    )
    assert len(told) == 3
    assert "asthma" not in "".join(str(problem) for problem in told)


# --- closures, deliveries, the plan of the week --------------------------------------------------


def test_a_closure_comes_and_another_goes() -> None:
    made = changed(
        Remove("closure", {"first_day": date(2026, 4, 7)}),
        Add("closure", {"first_day": LATER, "last_day": date(2026, 7, 3), "reason": "new floor"}),
    )
    assert Closure(date(2026, 4, 7), date(2026, 4, 8), None, "building closed after Easter") in (
        set(DEMO.closures) - set(made.closures)
    )
    assert made.closures[-1] == Closure(LATER, date(2026, 7, 3), None, "new floor")


def test_part_of_a_leave_can_be_given_up() -> None:
    change = Remove("closure", {"first_day": date(2026, 7, 20), "person": "EF"}, date(2026, 7, 27))
    kept = [closure for closure in changed(change).closures if closure.person == "EF"]
    assert kept[0] == Closure(date(2026, 7, 20), date(2026, 7, 26), "EF")


def test_a_delivery_can_be_moved_and_must_come_in_full() -> None:
    gone = Remove("delivery", {"date": date(2026, 11, 16), "series": "Water board letters"})
    earlier = {"date": date(2026, 10, 19), "series": "Water board letters", "items": 340}
    made = changed(gone, Add("delivery", earlier))
    assert {delivery.day for delivery in made.deliveries} ^ {
        delivery.day for delivery in DEMO.deliveries
    } == {date(2026, 11, 16), date(2026, 10, 19)}
    (problem,) = problems(gone, Add("delivery", earlier | {"items": 339}))
    assert problem.place == "scenario S: deliveries.csv, series Water board letters"


def test_nobody_can_take_all_deliveries_away() -> None:
    told = problems(
        *(Remove("delivery", {"date": d.day, "series": d.series}) for d in DEMO.deliveries)
    )
    assert [problem.read for problem in told] == ["no delivery that is left"]


def test_a_plan_of_the_week_is_added_replaced_and_taken_away() -> None:
    made = changed(
        Remove("dayplan", {"person": "IJ", "weekday": "fri"}),
        Add("dayplan", {"person": "CD", "weekday": "fri", "stage": "cleaning"}),
        Add("dayplan", {"person": "AB", "weekday": "mon", "stage": "covers"}),
    )
    assert set(made.day_plan) == {
        DayPlan("GH", 2, Stage.CHECKING),
        DayPlan("CD", 4, Stage.CLEANING),
        DayPlan("AB", 0, Stage.COVERS),
    }


# --- with a record -------------------------------------------------------------------------------


def test_without_from_a_change_holds_from_the_first_day_that_is_not_history() -> None:
    made = changed(
        Set("person", {"person": "AB", "fri": 6}),
        Set("places.cleaning_benches", {"to": 4}),
        Add("person", {"person": "X", "like": "IJ"}),
        Remove("person", {"person": "KL"}),
        not_before=LATER,
    )
    assert [row.start for row in rows(made, "AB")] == [date(2026, 1, 5), LATER]
    assert of_place(made, Place.BENCH) == [(4, LATER, DEMO.grant.horizon)]
    assert rows(made, "X")[0].start == LATER
    assert [row.end for row in rows(made, "KL")] == [date(2026, 6, 28)]


def test_somebody_like_a_person_still_to_come_comes_no_earlier() -> None:
    base = replace(DEMO, team=(*DEMO.team[:-2], replace(DEMO.team[-1], start=date(2026, 9, 7))))
    made = changed(Add("person", {"person": "X", "like": "KL"}), base=base, not_before=LATER)
    assert rows(made, "X")[0].start == date(2026, 9, 7)


def test_a_closure_that_is_half_over_keeps_its_past() -> None:
    change = Remove("closure", {"first_day": date(2026, 6, 15), "person": "AB"})
    made = changed(change, not_before=date(2026, 6, 22))
    assert Closure(date(2026, 6, 15), date(2026, 6, 21), "AB") in made.closures


def test_what_is_history_is_refused() -> None:
    (problem,) = problems(
        Set("person", {"person": "AB", "fri": 6}, date(2026, 3, 2)), not_before=LATER
    )
    assert problem.place == "scenario S, set 1, from"
    assert "has happened" in problem.remedy


def _changes(draw: Any, base: Project) -> Change:
    """A change that is often possible."""
    start = base.grant.start
    begin = draw(st.none() | st.integers(0, 150).map(lambda n: start + timedelta(n)))
    until = draw(st.none() | st.integers(0, 60).map(lambda n: (begin or start) + timedelta(n)))
    person = draw(st.sampled_from(base.persons))
    place = draw(st.sampled_from(("quarantine_items", "drying_items", "camera_stations")))
    number = draw(st.integers(1, 9))
    day = begin or start
    closures = [Closure(day, day), *base.closures]
    closure = draw(st.sampled_from(closures))
    leave = {"first_day": closure.first_day, "person": closure.person or ""}
    possible: list[Change] = [
        Set("person", {"person": person, "mon": number}, begin, until),
        Set("person", {"person": person, "end": day}),
        Set("person", {"person": person, "start": day}),
        Set(f"places.{place}", {"to": number}, begin, until),
        Add("person", {"person": "X", "like": person, "role": "r"}, begin, until),
        Add("place", {"place": place, "number": number}, begin, until),
        Add("closure", {"first_day": day, "last_day": until or day}),
        Remove("person", {"person": person}, begin, until),
        Remove("closure", leave, begin, until),
    ]
    change: Change = draw(st.sampled_from(possible))
    return change


def _past(project: Project, days: int) -> tuple[dict[str, list[float]], list[list[int | None]]]:
    """Everybody's hours and all numbers of places on the first days."""
    made = rota(project.team, project.closures, (), project.grant.start, days)
    hours = {p: made.hours[n].tolist() for n, p in enumerate(project.persons)}
    numbers = [[number] * days for number in project.places.numbers()]
    for each in project.place_changes:
        for n in range(days):
            if each.first_day <= project.date_of(n) <= each.last_day:
                numbers[each.place][n] = each.number
    return {p: some for p, some in hours.items() if any(some)}, numbers


@given(cases(), st.integers(1, 60), st.data())
@settings(max_examples=150, deadline=None)
def test_no_scenario_changes_what_is_history(case: Case, days: int, data: st.DataObject) -> None:
    base = case.project
    change = _changes(data.draw, base)
    try:
        made = changed(change, base=base, not_before=base.date_of(days))
    except InputError:
        return
    assert _past(made, days) == _past(base, days)


# --- projects without files ----------------------------------------------------------------------


@given(cases())
@settings(max_examples=60, deadline=None)
def test_faults_of_a_base_that_no_file_could_have_are_not_told_at_a_change(case: Case) -> None:
    base = case.project
    made = changed(
        Add("place", {"place": "cleaning_benches", "number": 1}),
        Add("person", {"person": "X", "like": base.persons[0]}),
        Set("checking.share_checked", {"to": 0.25}),
        base=base,
    )
    assert made.places.cleaning_benches == base.places.cleaning_benches + 1
    assert made.team[: len(base.team)] == base.team  # also seconds in begins, and blank roles
    new = [
        replace(row, person="X", role=first.role)
        for row, first in zip(made.team[len(base.team) :], rows(base, base.persons[0]), strict=True)
    ]
    assert [row.hours for row in new] == [row.hours for row in rows(base, base.persons[0])]
    assert replace(made.checking, share_checked=base.checking.share_checked) == base.checking


def test_a_row_that_is_cut_keeps_what_no_file_can_say() -> None:
    odd = replace(DEMO.team[0], begins=9 * 3600 + 17, role="")
    base = replace(DEMO, team=(odd, *DEMO.team[1:]))
    made = changed(Set("person", {"person": "AB", "fri": 6}, LATER), base=base)
    assert [(row.begins, row.role) for row in rows(made, "AB")] == [(9 * 3600 + 17, "")] * 2


def test_costs_of_scenarios_put_together_add_up() -> None:
    both = together("Both", [Scenario("a", once=5.0), Scenario("b", once=7.0, monthly=1.0)])
    assert (both.once, both.monthly) == (12.0, 1.0)


# --- what the demo teaches -----------------------------------------------------------------------


def odds(scenario: Scenario) -> float:
    """Of the demo's promise, in the same 200 futures."""
    made = apply(DEMO, scenario)
    futures = replicate.simulate(made, replications=200, progress=False, standstill=False)
    return promise_odds(futures)


def test_the_scenarios_of_the_demo_do_what_they_say() -> None:
    found = read_scenarios(DATA / "demo", DEMO).scenarios
    assistant, drying, operator, fridays, mix = found
    station = more_of(DEMO, "camera_stations", 1, LATER)
    base = odds(Scenario("As it is"))
    assert odds(assistant) > base + 0.10
    assert odds(drying) == pytest.approx(base, abs=0.01)
    assert odds(operator) == pytest.approx(base, abs=0.03)
    assert odds(station) == pytest.approx(base, abs=0.04)
    assert odds(together("Both", [operator, station])) > base + 0.08
    assert odds(fridays) < 0.65 * base
    assert odds(mix) > base + 0.08
    money = [
        float(costs(apply(DEMO, each), each, 0).by_last_day[540])
        for each in (*found, Scenario("As it is"))
    ]
    assert money[1] > money[-1] + 15_000


def test_the_line_to_try_in_the_demo_can_be_used() -> None:
    text = (DATA / "demo" / "scenarios.toml").read_text(encoding="utf-8")
    used = text.replace("    # { what", "    { what")
    assert used != text
    operator = scenarios_from(used.encode(), DEMO).scenarios[2]
    assert [change.what for change in operator.changes] == ["place", "person"]
