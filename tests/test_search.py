"""The cheapest plan that keeps the promise: by hand, against a known best, and in words."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import fields, replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from forecast.compare import Outset, outset
from forecast.errors import InputError
from forecast.folder import read_project
from forecast.outcome import promise_odds
from forecast.people import TeamRow
from forecast.project import Project
from forecast.replicate import simulate
from forecast.scenario import AS_PLANNED, SAFETY_KEYS, Add, Scenario, Set, apply
from forecast.scenario_file import PlaceBounds, PostBounds, Search, read_scenarios
from forecast.search import (
    MOST_PLANS,
    Found,
    candidates,
    dominated,
    search,
    sentences,
    summary,
)
from tests import known_best
from tests.small_projects import Lot, day, per_item, person, small_project

DEMO = Path(__file__).parent.parent / "scenario_data" / "demo"
PAID = "Paid until the work is finished, since no end is given: AB, assistant 2."


def boxing(items: int = 40, **changes: object) -> Project:
    """Nothing varies: one person boxes an item an hour, eight a day from Monday to Friday."""
    alone = replace(person("AB", "reboxing"), role="assistant", hourly_cost=20.0)
    project = small_project([Lot(items)], [per_item("reboxing", 60.0)], [alone], **changes)
    return replace(project, grant=replace(project.grant, end=day(3), items_promised=items))


def posts(most: int, **values: object) -> Search:
    return Search(posts=(PostBounds("AB", most, **values),))  # type: ignore[arg-type]


def run(project: Project, bounds: Search, **values: object) -> Found:
    return search(outset(project), bounds, seconds=None, **values)  # type: ignore[arg-type]


def rota(project: Project, name: str) -> list[TeamRow]:
    return [row for row in project.team if row.person == name]


# --- which plans there are ---------------------------------------------------------------------


def test_every_combination_is_a_plan() -> None:
    bounds = Search(
        posts=(PostBounds("AB", 2, starts=(day(0), day(7)), shares=(0.5, 1.0)),),
        places=(PlaceBounds("cleaning_benches", 1, 3),),
    )
    found = candidates(boxing(), bounds)
    assert len(found) == (1 + 2 * 2 * 2) * 3
    names = [each.name for each in found]
    assert len(set(names)) == len(names)
    assert names[:3] == ["1 cleaning benches", AS_PLANNED, "3 cleaning benches"]
    assert names[-1] == "2 more assistants from 12 January 2026; 3 cleaning benches"
    assert "1 more assistant from 5 January 2026 at 50 % of the hours" in names
    assert found[1] == Scenario(AS_PLANNED)
    for each in found:
        apply(boxing(), each)


def test_people_are_added_with_their_hours_costs_and_dates() -> None:
    half = {"starts": (day(7),), "shares": (0.5,), "until": day(20)}
    bounds = posts(2, least=2, name="helper", once=9, **half)
    (plan,) = candidates(boxing(), bounds)
    made = apply(boxing(), plan)
    assert [row.person for row in made.team] == ["AB", "helper 2", "helper 3"]
    for name in ("helper 2", "helper 3"):
        (row,) = rota(made, name)
        assert (row.start, row.end) == (day(7), day(20))
        assert row.hours == (4.0, 4.0, 4.0, 4.0, 4.0, 0.0, 0.0)
        assert row.hourly_cost == 20.0
    assert [change.once for change in plan.changes] == [9, 9]


def test_two_posts_of_one_role_get_different_names() -> None:
    project = boxing()
    other = replace(project.team[0], person="CD")
    project = replace(project, team=(*project.team, other))
    bounds = Search(posts=(PostBounds("AB", 1), PostBounds("CD", 2)))
    made = apply(project, candidates(project, bounds)[-1])
    assert [row.person for row in made.team][2:] == ["assistant 2", "assistant 3", "assistant 4"]


def test_a_share_of_hours_that_change_is_a_share_of_each() -> None:
    project = boxing()
    (row,) = project.team
    later = replace(row, start=day(14), hours=(6.0,) * 5 + (0.0, 0.0))
    project = replace(project, team=(replace(row, end=day(13)), later))
    (_, plan) = candidates(project, posts(1, shares=(0.5,)))
    made = rota(apply(project, plan), "assistant 2")
    assert [(each.start, each.hours[0]) for each in made] == [(day(0), 4.0), (day(14), 3.0)]
    (_, plan) = candidates(project, posts(1, shares=(0.5,), starts=(day(21),)), day(15))
    (only,) = rota(apply(project, plan, day(15)), "assistant 2")
    assert (only.start, only.hours[0]) == (day(21), 3.0)


def test_places_are_numbers_in_all() -> None:
    place = PlaceBounds("cleaning_benches", 1, 5, step=2, starts=(day(7),), once=100.0, monthly=3.0)
    fewer, more, most = candidates(boxing(), Search(places=(place,)))
    assert fewer.changes == (Set("places.cleaning_benches", {"to": 1}, day(7)),)
    (added,) = most.changes
    assert isinstance(added, Add)
    assert added.values == {"place": "cleaning_benches", "number": 3}
    assert (added.once, added.monthly) == (300.0, 9.0)  # for each that is not there yet
    assert more.name == "3 cleaning benches from 12 January 2026"


def test_too_many_plans_are_refused() -> None:
    starts = tuple(day(n) for n in range(20))
    bounds = Search(posts=(PostBounds("AB", 20, starts=starts), PostBounds("AB", 9)))
    with pytest.raises(InputError) as caught:
        candidates(boxing(), bounds)
    (problem,) = caught.value.problems
    assert (problem.file, problem.place) == ("scenarios.toml", "search")
    assert problem.read == "4,010 combinations"
    assert f"{MOST_PLANS:,}" in problem.expected


def test_what_is_wrong_with_plans_is_said_once() -> None:
    bounds = posts(2, starts=(date(2030, 1, 1),), until=date(2029, 1, 1))
    with pytest.raises(InputError) as caught:
        run(boxing(), bounds)
    texts = [str(problem) for problem in caught.value.problems]
    assert len(texts) == len(set(texts)) > 0


# --- what keeps people safe --------------------------------------------------------------------


def test_the_demo_has_more_than_300_plans_and_none_touches_what_keeps_people_safe() -> None:
    project = read_project(DEMO)
    bounds = read_scenarios(DEMO, project).search
    assert bounds is not None
    plans = candidates(project, bounds)
    assert len(plans) >= 300
    assert len({plan.name for plan in plans}) == len(plans)
    changed = {change.what for plan in plans for change in plan.changes}
    assert changed <= {"person", "place", "places.cleaning_benches", "places.camera_stations"}
    safe = ("exposure", "breathing", "quarantine_days", "sessions", "drying", "stages_off")
    sections = {"exposure", "breathing_protection", "quarantine", "sessions", "drying", "places"}
    assert {key.split(".")[0] for key in SAFETY_KEYS} == sections  # else look at more here
    for plan in plans[:: len(plans) // 25]:
        made = apply(project, plan)
        assert all(getattr(made, name) == getattr(project, name) for name in safe)
        assert made.places.tool_drying_hours == project.places.tool_drying_hours
        masked = {row.person: row.mould_work for row in project.team}
        assert {r.person: r.mould_work for r in made.team if r.person in masked} == masked


def test_a_search_can_only_speak_of_people_and_places() -> None:
    assert {field.name for field in fields(Search)} == {
        "posts",
        "places",
        "confidence",
        "tolerance",
    }


# --- what is found -----------------------------------------------------------------------------


def test_the_cheapest_by_hand() -> None:
    """40 items by Thursday: 32 by one. Two half-timers cost 100 more than one, and are ready too.

    Both people are paid to the finish. With one more at half the hours, 12 a day: Thursday, 4
    days of 12 hours at 20. With one more on full hours: Wednesday, 3 days of 16 hours.
    """
    bounds = posts(2, shares=(0.5, 1.0), once=100.0)
    found = run(boxing(), bounds, confidence=0.9)
    by_name = {each.scenario.name: each for each in found.candidates}
    assert {name: each.odds.estimate for name, each in by_name.items()} == {
        AS_PLANNED: 0.0,
        "1 more assistant at 50 % of the hours": 1.0,
        "1 more assistant": 1.0,
        "2 more assistants at 50 % of the hours": 1.0,
        "2 more assistants": 1.0,
    }
    cost = {name: each.cost.estimate for name, each in by_name.items()}
    assert cost[AS_PLANNED] == 5 * 8 * 20.0
    assert cost["1 more assistant at 50 % of the hours"] == 4 * 12 * 20.0 + 100.0
    assert cost["1 more assistant"] == 3 * 16 * 20.0 + 100.0
    assert cost["2 more assistants"] == 2 * 24 * 20.0 + 200.0
    assert found.plan is not None
    assert found.plan.cost.estimate == 1060.0
    assert found.proved
    assert found.confidence >= 0.95
    assert found.within == pytest.approx(10.6)
    assert found.assumed == (PAID,)
    assert by_name["2 more assistants"].dominated
    assert not by_name[AS_PLANNED].dominated  # nothing is cheaper


def test_nothing_is_found_where_nothing_keeps_the_promise() -> None:
    found = run(boxing(200), posts(1), confidence=0.8)
    assert found.plan is None
    assert found.chosen is None
    assert math.isnan(found.within)
    said = sentences(found)
    assert {each.futures for each in found.candidates} == {20}
    assert said[0] == (
        "None of the 2 plans that were tried keeps the promise in 80 in 100 futures. The one that "
        "keeps it most often does so in fewer than 1 in 20 futures (0 to 16 in 100): as planned."
    )
    assert said[1].endswith("that none of them does.")
    assert summary(found)["chosen"] is None
    assert summary(found)["within"] is None


def test_a_plan_has_the_futures_that_a_forecast_of_it_has() -> None:
    start = replace(outset(known_best.project()), seed=5)
    found = search(start, known_best.bounds(), seconds=None, most=600)
    plan = max(found.candidates, key=lambda each: each.futures)
    assert plan.futures > 20
    same = simulate(start.planned(plan.scenario), replications=plan.futures, seed=5)
    assert plan.odds.estimate == promise_odds(same)


def test_the_same_again_finds_the_same_and_workers_change_nothing() -> None:
    start = outset(known_best.project())
    one = search(start, known_best.bounds(), seconds=None, most=600, workers=1)
    two = search(start, known_best.bounds(), seconds=None, most=600, workers=2)
    assert summary(one) == summary(two)
    assert one.futures <= 600
    assert not one.proved


def test_it_tells_how_far_it_is_and_ends_in_time() -> None:
    start, told = outset(known_best.project()), []

    def tell(done: int, of: int) -> None:
        told.append((done, of))

    found = search(start, known_best.bounds(), seconds=0.0, tell=tell)
    assert all(each.futures == 20 for each in found.candidates)
    done = [at for at, _ in told]
    assert done == sorted(done)
    assert told[-1] == (found.futures, 100_000)
    stopped = search(start, known_best.bounds(), seconds=None, stop=lambda: True)
    assert stopped.futures == found.futures


def test_a_dearer_one_is_as_good_within_the_tolerance() -> None:
    found = run(boxing(), replace(posts(2), tolerance=1_000.0))
    assert found.within == 1_000.0
    assert run(boxing(), replace(posts(1), tolerance=0.0)).within == 0.01


def test_wanted_odds_that_nothing_can_have() -> None:
    with pytest.raises(ValueError, match="wanted odds lie below 1"):
        run(boxing(), posts(1), confidence=1.0)


@given(
    hnp.arrays(np.float64, st.integers(1, 12), elements=st.sampled_from([0.0, 0.5, 0.75, 1.0])),
    st.randoms(use_true_random=False),
)
def test_a_dominated_plan_has_one_that_is_better(odds: np.ndarray, random: object) -> None:
    cost = np.array([float(random.randint(1, 5)) for _ in odds])  # type: ignore[attr-defined]
    found = dominated(odds, cost)
    for plan in range(len(odds)):
        others = [
            (odds[each], -cost[each])
            for each in range(len(odds))
            if odds[each] >= odds[plan] and cost[each] <= cost[plan]
        ]
        assert found[plan] == any(pair != (odds[plan], -cost[plan]) for pair in others)
    assert not found.all()


# --- against a known best ----------------------------------------------------------------------


def test_the_table_of_the_known_best_is_of_this_model() -> None:
    """If this fails, the model has changed: make the table again, as its first line says."""
    start = replace(outset(known_best.project()), seed=3)
    scenarios = candidates(start.project, known_best.bounds())
    truths = known_best.truths()
    assert [each.name for each in truths] == [each.name for each in scenarios]
    for place in (0, 3, len(truths) - 1):
        futures = simulate(start.planned(scenarios[place]), replications=300, seed=3)
        truth = truths[place]
        error = math.sqrt(truth.odds * (1 - truth.odds) * (1 / 300 + 1 / known_best.FUTURES))
        assert abs(promise_odds(futures) - truth.odds) <= 3.3 * error


@pytest.mark.parametrize("seed", [101, 102])
def test_the_known_best_is_found(seed: int) -> None:
    """With 20 seeds: ``python -m tests.known_best 20``."""
    found, truths = known_best.searched(seed), known_best.truths()
    assert known_best.is_right(found, truths)
    assert found.futures <= len(truths) * known_best.FUTURES / 10
    assert found.confidence > 0.8


# --- in words ----------------------------------------------------------------------------------


def said_of(change: Callable[[Found], Found]) -> list[str]:
    return sentences(change(run(boxing(), posts(1, once=100.0))))


def test_what_is_found_in_words() -> None:
    first, second, *assumed = said_of(lambda found: found)
    assert first == (
        "Of 2 plans, the cheapest that keeps the promise in 90 in 100 futures is: 1 more "
        "assistant. It keeps it in over 44 in 45 futures (92 to 100 in 100) and costs 1,060 GBP "
        "on average."
    )
    assert second.startswith("By ")
    assert second.endswith(
        "that it keeps the promise in at least 88 in 100 futures, and that no plan that keeps it "
        "in 90 in 100 is cheaper by more than 11 GBP."
    )
    assert assumed == [PAID]


def test_what_is_hardly_known_is_called_a_guess() -> None:
    said = said_of(lambda found: replace(found, confidence=0.3))
    assert said[1].startswith("That is a guess: ")


def test_programs_get_numbers() -> None:
    start: Outset = outset(boxing())
    found = search(start, posts(1), seconds=None)
    read = json.loads(json.dumps(summary(found), allow_nan=False))
    assert read["chosen"] == "1 more assistant"
    assert [plan["name"] for plan in read["plans"]] == [AS_PLANNED, "1 more assistant"]
    assert read["plans"][1]["odds_95"][1] == 1.0
    assert read["futures"] == sum(plan["futures"] for plan in read["plans"])
