"""The compiled engine writes the record of the readable model, to the last row.

Whole random projects are compared, and the places where two event loops most easily part: many
things at one second, too little room for what is kept, the first and the last second.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings

from forecast import engine, luck
from forecast.engine_state import MANY, SETS, Room
from forecast.events import What
from forecast.exposure import BreathingProtection, ExposureLimits
from forecast.folder import read_project
from forecast.items import Mould
from forecast.luck import UNLIMITED, Replication
from forecast.outcome import Outcome, reduce_record, settled
from forecast.project import Checking, Drying, Places, Project, Sessions
from forecast.stages import N_STAGES, Place, Stage
from forecast.units import SECONDS_PER_DAY
from tests.audit import HARD_CASES, audit
from tests.both import Rows, assert_same, record, with_luck, worked
from tests.random_projects import Case, cases, future
from tests.small_projects import (
    Lot,
    per_item,
    person,
    share,
    small_project,
)

DEMO = Path(__file__).resolve().parent.parent / "scenario_data" / "demo"
INACTIVE, ACTIVE = Mould.INACTIVE, Mould.ACTIVE
HANDLING = frozenset({What.TAKEN, What.PUT_BACK, What.FINISHED})
TOOL_SETS = frozenset({What.TOOL_SET_TAKEN, What.TOOL_SET_CLEAN})

_PROJECTS = 500


def same(drawn: Replication, project: Project | None = None) -> Rows:
    """The record of both models, whose totals are the same too, by either way of adding up."""
    rows = record(drawn, project)
    kept = reduce_record(rows, drawn, 2, ("done", "not-imaged"))
    at_once = settled(engine.run(drawn, 2, ("done", "not-imaged")), drawn)
    for field in fields(Outcome):
        one, other = getattr(kept, field.name), getattr(at_once, field.name)
        np.testing.assert_array_equal(one, other, err_msg=field.name)
    return rows


def drawn_of(project: Project, **own_luck: Any) -> Replication:
    return with_luck(luck.replication(luck.plan(project), 1, 0), own_luck)


def of_kind(rows: Rows, *what: What) -> Rows:
    return rows[np.isin(rows[:, 1], what)]


# Where they differ


def _three_items() -> tuple[Project, Rows]:
    project = small_project([Lot(3)], [per_item("reboxing", 10.0)], [person("AB", "reboxing")])
    return project, record(drawn_of(project), project)


def test_where_two_records_differ_ten_rows_before_are_told_of_each_in_words() -> None:
    project, rows = _three_items()
    doctored = rows.copy()
    doctored[11, 0] += 60
    with pytest.raises(AssertionError) as told:
        assert_same(project, rows, doctored)
    before = """
       1  Mon 05 Jan 00:00:00 item 0 waits for reboxing
       2  Mon 05 Jan 00:00:00 item 1 is delivered
       3  Mon 05 Jan 00:00:00 item 1 waits for reboxing
       4  Mon 05 Jan 00:00:00 item 2 is delivered
       5  Mon 05 Jan 00:00:00 item 2 waits for reboxing
       6  Mon 05 Jan 09:00:00 AB begins reboxing
       7  Mon 05 Jan 09:00:00 AB takes item 0
       8  Mon 05 Jan 09:10:00 AB finishes item 0
       9  Mon 05 Jan 09:10:00 item 0 is done
      10  Mon 05 Jan 09:10:00 AB takes item 1
""".strip("\n")
    assert str(told.value) == (
        "The records differ from row 11 on.\n"
        f"The model to read:\n{before}\n>     11  Mon 05 Jan 09:20:00 AB finishes item 1\n"
        f"The model to run:\n{before}\n>     11  Mon 05 Jan 09:21:00 AB finishes item 1"
    )


def test_a_record_that_ends_early_differs_at_its_end() -> None:
    project, rows = _three_items()
    assert_same(project, rows, rows.copy())
    with pytest.raises(AssertionError, match=r"> +9  \(the record ends\)\nThe model to run:"):
        assert_same(project, rows[:9], rows)
    with pytest.raises(AssertionError, match=r"> +9  \(the record ends\)$"):
        assert_same(project, rows, rows[:9])


# Random projects


def test_random_projects_that_reach_the_hard_cases_give_the_same_record_and_totals(
    record_property: Callable[[str, object], None],
) -> None:
    # One test, so that the counts are whole however the tests are spread over processes.
    reached: Counter[str] = Counter()
    projects: Counter[str] = Counter()

    @settings(
        max_examples=_PROJECTS,
        derandomize=True,  # what passed here passes on every machine
        database=None,
        deadline=None,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )
    @given(cases())
    def holds(case: Case) -> None:
        drawn = future(case)
        found = audit(same(drawn, case.project), drawn)
        reached.update(found.reached)
        projects.update(name for name, times in found.reached.items() if times)
        projects["all"] += 1

    holds()
    record_property(  # conftest.py prints it at the end of every run
        f"Hard cases of {projects['all']} random projects in both models (in how many of them)",
        ", ".join(f"{n} {reached[n]} ({projects[n]})" for n in sorted({*reached, *HARD_CASES})),
    )
    never = [name for name in HARD_CASES if not reached[name]]
    assert not never, f"random projects never reached: {', '.join(never)}"
    assert projects["all"] >= _PROJECTS


def test_the_demo_gives_the_same_record_and_totals_in_twenty_futures() -> None:
    project = read_project(DEMO)
    plan = luck.plan(project)
    for index in range(20):
        assert len(same(luck.replication(plan, 1, index), project)) > 10 * project.total_items


# Many things at one second

TEAM = [
    person("AB", "drying;cleaning;covers;imaging;checking;reboxing;receiving", begins="08:00"),
    person("CD", "reboxing;checking;imaging;covers;cleaning;drying"),
    person("EF", "covers;imaging;cleaning;describing;reboxing", mould_work=False),
    person("GH", "cleaning;imaging;drying;reboxing", hours=6.0),
    person("IJ", "checking;describing;receiving;imaging;covers;reboxing"),
]


def _by_the_bell() -> Project:
    """Everybody's work begins and ends at full ten minutes."""
    lots = [
        Lot(7, ACTIVE, red_rot=True, bound=True, series="A"),
        Lot(8, INACTIVE, bound=True, series="A"),
        Lot(6, red_rot=True, series="B", material="folder"),
        Lot(9, series="B", material="map"),
    ]
    minutes = {"drying": 1.0, "covers": 10.0, "cleaning": 30.0, "describing": 10.0}
    minutes |= {"imaging": 20.0, "checking": 10.0, "reboxing": 10.0, "receiving": 10.0}
    return small_project(
        lots,
        [per_item(stage, number) for stage, number in minutes.items()],
        TEAM,
        places=Places(9, 3, 3, 2, tool_sets=3, tool_drying_hours=1.0),
        sessions=Sessions(10.0, 20.0, 10.0, 10.0),
        breathing=BreathingProtection(wear_minutes=80.0, rest_minutes=30.0),
        drying=Drying(attention_minutes=10.0, still_damp=share(0.5)),
        checking=Checking(1.0, share(0.3), 0.25),
    )


@pytest.mark.parametrize("capacity_varies", [False, True])
def test_what_happens_by_the_bell_happens_in_the_same_order(capacity_varies: bool) -> None:
    # Minutes are full tens, so several people finish, put back, clear or arrive at one second. With
    # a number of places that is drawn for each day anew, it is often cut below what is in use.
    shared = luck.plan(_by_the_bell())
    busiest = reduced = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        drawn = luck.replication(shared, seed, 0)
        own_luck = {
            "base_seconds": 600 * rng.integers(1, 5, drawn.base_seconds.shape),
            "again_seconds": 600 * rng.integers(1, 3, len(drawn.arrival)),
        }
        if capacity_varies:
            own_luck["capacity"] = rng.integers(0, 4, drawn.capacity.shape)
        drawn = with_luck(drawn, own_luck)
        rows = same(drawn, _by_the_bell())
        finished = of_kind(rows, What.FINISHED)
        busiest = max(busiest, int(np.bincount(finished[finished[:, 4] >= 0, 0] // 600).max()))
        reduced += audit(rows, drawn).reached["a place reduced under use"]
    assert busiest == len(TEAM)  # all five at the same second
    assert (reduced > 0) == capacity_varies


def test_who_finishes_first_at_a_second_does_not_send_a_higher_number_ahead() -> None:
    # Describing takes ten minutes for items 0 and 2, twenty for item 1: at 09:20 AB finishes item 2
    # and after that CD item 1. Both wait since 09:20, so the lower number comes first.
    project = small_project(
        [Lot(3)],
        [per_item("describing", 10.0), per_item("reboxing", 10.0)],
        [person("AB", "describing"), person("CD", "describing"), person("EF", "reboxing")],
    )
    base = np.zeros((3, N_STAGES))
    base[:, Stage.DESCRIBING] = 600, 1200, 600
    base[:, Stage.REBOXING] = 600
    found = worked(project, HANDLING, base_seconds=base)
    assert [line for line in found if "EF" in line or "09:20" in line] == [
        "Mon 05 Jan 09:10:00 EF takes item 0",
        "Mon 05 Jan 09:20:00 AB finishes item 2",
        "Mon 05 Jan 09:20:00 CD finishes item 1",
        "Mon 05 Jan 09:20:00 EF finishes item 0",
        "Mon 05 Jan 09:20:00 EF takes item 1",
        "Mon 05 Jan 09:30:00 EF finishes item 1",
        "Mon 05 Jan 09:30:00 EF takes item 2",
        "Mon 05 Jan 09:40:00 EF finishes item 2",
    ]


def test_of_two_put_back_at_a_second_the_longer_waiting_comes_first_then_the_lower_number() -> None:
    # An hour's shift. AB finishes item 0 at 09:10 and begins another; CD has its own since 09:00.
    # Both put back at 10:00, AB first; yet what CD had comes first in rank, and AB takes it on
    # Tuesday: its number is lower or, where item 1 came at 09:05 only, it has waited for longer.
    project = small_project(
        [Lot(3)],
        [per_item("reboxing", 90.0)],
        [person("AB", "reboxing", hours=1.0), person("CD", "reboxing", hours=1.0)],
    )
    base = np.zeros((3, N_STAGES))
    base[:, Stage.REBOXING] = 600, 5400, 5400
    for arrival, of_cd, of_ab in (([0, 0, 0], 1, 2), ([0, 9 * 3600 + 300, 0], 2, 1)):
        found = worked(project, HANDLING, base_seconds=base, arrival=arrival)
        assert [line for line in found if " 10:00" in line or "Tue" in line][:4] == [
            f"Mon 05 Jan 10:00:00 AB puts back item {of_ab}",
            f"Mon 05 Jan 10:00:00 CD puts back item {of_cd}",
            f"Tue 06 Jan 09:00:00 AB takes item {of_cd}",
            f"Tue 06 Jan 09:00:00 CD takes item {of_ab}",
        ]


def test_thousands_of_items_move_at_the_first_midnight() -> None:
    # More rows at one second than are otherwise added up at a time.
    project = small_project(
        [Lot(1500), Lot(1500, INACTIVE)],
        [per_item("imaging", 1.0)],
        [person("AB", "imaging")],
        places=Places(1000, 9, 2, 1),
    )
    rows = same(drawn_of(project), project)
    assert np.count_nonzero(rows[:, 0] == 0) == 2 * 1500 + 2 * 1500 + 3 * 1000 > MANY


# Too little room


@pytest.mark.parametrize("hours", [0.0, 2.0])
def test_more_tool_sets_than_there_was_room_for_are_used_and_dry(hours: float) -> None:
    # Only one far day has a limit, so nobody knows beforehand how many sets there are: 150 people
    # take one each, which is more than twice the first guess, and bring all of them back at once.
    people = 150
    assert people > 2 * SETS
    project = small_project(
        [Lot(2 * people, INACTIVE)],
        [per_item("cleaning", 60.0)],
        [person(f"P{number:03d}", "cleaning", hours=2.0) for number in range(people)],
        places=Places(2 * people, 9, people, 1, tool_sets=1, tool_drying_hours=hours),
    )
    drawn = drawn_of(project)
    capacity = drawn.capacity.copy()
    capacity[Place.TOOL_SET, :50] = UNLIMITED
    rows = same(replace(drawn, capacity=capacity), project)
    assert of_kind(rows, What.TOOL_SET_TAKEN)[:, 5].max() == people - 1
    assert len(of_kind(rows, What.TOOL_SET_TAKEN)) == 2 * people
    # The sets of the last day would be clean when all is over.
    assert len(of_kind(rows, What.TOOL_SET_CLEAN)) == people * (1 if hours else 2)


def test_a_record_longer_than_the_first_guess_is_whole() -> None:
    # One item is rejected five hundred times.
    project = small_project(
        [Lot(1)],
        [per_item("imaging", 0.1), per_item("checking", 0.1)],
        [person("AB", "imaging;checking")],
        checking=Checking(share_checked=1.0, reject_share=share(0.0)),
    )
    drawn = drawn_of(project, rejections=[500])
    rows = same(drawn, project)
    assert len(of_kind(rows, What.REJECTED)) == 500
    assert len(rows) > Room.of(drawn).for_all_rows(drawn).rows


# The first and the last second


@pytest.mark.parametrize(
    ("lot", "quarantine_days", "last", "rows"),
    [
        (Lot(2), 0, "Mon 05 Jan", 4),
        (Lot(2, INACTIVE), 0, "Mon 05 Jan", 12),
        (Lot(2, INACTIVE), 3, "Thu 08 Jan", 12),
    ],
)
def test_items_that_need_no_hands_are_done_and_that_is_all(
    lot: Lot, quarantine_days: int, last: str, rows: int
) -> None:
    project = small_project(
        [lot], [], [person("AB", "cleaning")], quarantine_days=quarantine_days
    )
    assert worked(project, {What.DONE}) == [
        f"{last} 00:00:00 item 0 is done",
        f"{last} 00:00:00 item 1 is done",
    ]
    assert len(same(drawn_of(project), project)) == rows


def test_nothing_is_written_at_the_last_second_after_all_is_over() -> None:
    # AB's session with item 0 lasts from 09:00 to 10:00: 10 minutes of clothing, 25 of cleaning, 25
    # of clearing. The tool set would be clean at 11:00, when CD has cleared the camera station and
    # all is over.
    project = small_project(
        [Lot(1, INACTIVE), Lot(1, red_rot=True, bound=True)],
        [per_item("cleaning", 25.0, mould=INACTIVE), per_item("covers", 100.0, mould=Mould.NONE)],
        [person("AB", "cleaning"), person("CD", "covers")],
        places=Places(9, 9, 2, 1, tool_sets=2, tool_drying_hours=1.0),
    )
    assert worked(project, TOOL_SETS | {What.SESSION_ENDS}) == [
        "Mon 05 Jan 09:00:00 AB takes tool set 0",
        "Mon 05 Jan 10:00:00 AB ends cleaning",
        "Mon 05 Jan 11:00:00 CD ends covers",
    ]


def _to_the_horizon() -> Project:
    """Somebody works from 22:00 to 24:00 on every one of sixty days, and never gets ready."""
    return small_project(
        [Lot(1, ACTIVE), Lot(30, INACTIVE)],
        [per_item("drying", 2.0), per_item("cleaning", 600.0)],
        [person("AB", "cleaning;drying", hours=(2.0,) * 7, begins="22:00")],
        places=Places(40, 1, 1, 1, tool_sets=4, tool_drying_hours=0.5),
        exposure=ExposureLimits(hours_per_day=2.0, days_per_week=7),
    )


def test_the_last_session_ends_with_the_horizon_and_its_tool_set_is_never_clean() -> None:
    project = _to_the_horizon()
    rows = same(drawn_of(project), project)
    assert rows[-1, :2].tolist() == [60 * SECONDS_PER_DAY, What.SESSION_ENDS]
    taken, clean = of_kind(rows, What.TOOL_SET_TAKEN), of_kind(rows, What.TOOL_SET_CLEAN)
    assert len(clean) == len(taken) - 1 > 50


@pytest.mark.parametrize(("days", "rounds_due"), [(59.0, 1), (60.0, 0), (61.0, 0)])
def test_a_round_that_is_due_at_the_horizon_is_never_heard_of_again(
    days: float, rounds_due: int
) -> None:
    project = _to_the_horizon()
    drawn = drawn_of(project)
    lasts = with_luck(
        drawn,
        {
            "round_days": np.full_like(drawn.round_days, days),
            "month_factor": np.ones_like(drawn.month_factor),
        },
    )
    rows = same(lasts, project)
    assert of_kind(rows, What.ROUND_BEGINS)[:, 0].tolist() == [22 * 3600]
    assert len(of_kind(rows, What.ROUND_DUE)) == rounds_due


def test_a_start_in_the_middle_has_exposure_and_practice_behind_it() -> None:
    project = _by_the_bell()
    case = Case(
        project,
        first_day=9,
        exposure_before=((0, 0, 0, 600, 600, 600),) * len(TEAM),
        finished_before=(7,) * N_STAGES,
    )
    rows = same(future(case), project)
    # Wednesday the 14th. The three days before it were exposure days, so nobody may be exposed
    # before Sunday, when the six days before hold but two of them; people come on Monday, day 14.
    assert rows[0, 0] == 9 * SECONDS_PER_DAY
    assert of_kind(rows, What.EXPOSURE_BEGINS)[0, 0] // SECONDS_PER_DAY == 14


# Settings of nought, and luck of one's own


@pytest.mark.parametrize("clothing", [0.0, 10.0])
@pytest.mark.parametrize("clearing", [0.0, 5.0])
@pytest.mark.parametrize("tool_hours", [0.0, 0.5])
@pytest.mark.parametrize("shortest", [0.0, 20.0])
def test_settings_of_nought(
    clothing: float, clearing: float, tool_hours: float, shortest: float
) -> None:
    project = replace(
        _by_the_bell(),
        places=Places(9, 3, 3, 2, tool_sets=2, tool_drying_hours=tool_hours),
        sessions=Sessions(clothing, clearing, clearing, shortest),
        breathing=BreathingProtection(wear_minutes=30.0 * (shortest > 0), rest_minutes=0.0),
        quarantine_days=1,
    )
    rows = same(drawn_of(project), project)
    assert len(of_kind(rows, What.DONE)) == 30
    assert bool(len(of_kind(rows, What.CLEARING_BEGINS))) == (clearing > 0)


def test_luck_of_ones_own() -> None:
    project = _by_the_bell()
    rng = np.random.default_rng(7)
    weeks = drawn_of(project).week_factor.shape
    for _ in range(20):
        drawn = drawn_of(
            project,
            rounds=rng.integers(1, 4, 30),
            rejections=rng.integers(0, 3, 30),
            set_aside=rng.random(30) < 0.2,
            not_imaged=rng.random(30) < 0.2,
            week_factor=rng.uniform(0.5, 2.0, weeks),
            exposure_before=rng.choice([0, 600], (len(TEAM), 6)),
        )
        rows = same(drawn, project)
        assert {What.SET_ASIDE, What.NOT_IMAGED, What.REJECTED} <= set(rows[:, 1].tolist())
