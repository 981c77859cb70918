"""Both models begin in the middle of a project as if they had been there from its beginning."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from forecast import engine, luck, tally, walkthrough
from forecast.events import What
from forecast.items import Mould
from forecast.luck import Replication
from forecast.outcome import Outcome, reduce_record, settled
from forecast.project import Places, Project
from forecast.rules import WHOLE
from forecast.stages import Stage
from forecast.trace import tale
from forecast.units import SECONDS_PER_DAY
from tests import both
from tests.audit import Line, audit
from tests.both import assert_same
from tests.cut import Cut, cut_at, without_numbers
from tests.random_projects import Case, cases, future
from tests.slow_reducer import reduce_slowly
from tests.small_projects import Lot, per_item, person, small_project, timetable
from tests.starts import begun, nothing_yet

Rows = NDArray[np.int64]

BOTH = ("done", "not-imaged")
DAY = SECONDS_PER_DAY

_PROJECTS = 200
_SAME_EVERY_TIME = settings(
    max_examples=_PROJECTS,
    derandomize=True,
    database=None,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)


def continued(case: Case, cut: Cut) -> Rows:
    """The record of the rest, which both models write alike, and the auditor finds right."""
    rows = walkthrough.run(cut.luck)
    assert_same(case.project, rows, engine.record(cut.luck))
    found = audit(rows, cut.luck)
    assert not found.violations, str(found)
    return rows


def happened(rows: Rows) -> Rows:
    """What happened, without what was found before it."""
    return without_numbers(rows[rows[:, 1] < What.FOUND])


def reduced(rows: Rows, drawn: Replication) -> Outcome:
    """The totals of a record, by rows in either way, and by columns."""
    one = reduce_record(rows, drawn, 2, BOTH)
    for other in (
        reduce_slowly(rows, drawn, 2, BOTH),
        settled(engine.run(drawn, 2, BOTH), drawn),
    ):
        for field in fields(Outcome):
            a, b = getattr(one, field.name), getattr(other, field.name)
            np.testing.assert_array_equal(a, b, err_msg=field.name)
    return one


def areas(rows: Rows, drawn: Replication, end: int) -> tuple[Rows, Rows]:
    """Item seconds of waiting by stage, and of use by place, up to a moment."""
    so_far = tally.new_tally(drawn, 2, BOTH)
    tally.absorb(so_far, np.ascontiguousarray(rows), len(rows))
    waiting, in_use = (
        gauge[tally.AREA] + gauge[tally.NUMBER] * end for gauge in (so_far.waiting, so_far.in_use)
    )
    return waiting, in_use


def adds_up(drawn: Replication, whole: Rows, cut: Cut, rest: Rows) -> None:
    """The totals of both parts are those of the whole."""
    before, after = reduce_record(cut.before, drawn, 2, BOTH), reduced(rest, cut.luck)
    together = reduce_record(whole, drawn, 2, BOTH)
    for name in ("done_by_day", "weekly_items", "images", "reimaged", "outcomes"):
        np.testing.assert_array_equal(getattr(after, name), getattr(together, name), err_msg=name)
    if not (cut.luck.start.ended >= 0).all():  # type: ignore[union-attr]
        assert after.finish_day == together.finish_day
    for name in ("weekly_hours", "weekly_exposure", "exposure_days"):
        np.testing.assert_array_equal(
            getattr(before, name) + getattr(after, name), getattr(together, name), err_msg=name
        )
    day = cut.luck.settings.start // SECONDS_PER_DAY
    week = int(drawn.week_of_day[day])
    for name in ("weekly_waiting", "weekly_late_drying"):
        np.testing.assert_array_equal(
            getattr(after, name)[week:], getattr(together, name)[week:], err_msg=name
        )
    _, end = tally.end_of(_tally(whole, drawn))
    if end >= cut.luck.settings.start:
        parts = zip(
            areas(cut.before, drawn, cut.luck.settings.start),
            areas(rest, cut.luck, end),
            areas(whole, drawn, end),
            strict=True,
        )
        for one, other, all_of_it in parts:
            np.testing.assert_array_equal(one + other, all_of_it)


def _again_and_again(drawn: Replication, seed: int) -> Replication:
    """Most items are checked, rejected and still damp, and imaging them again takes long."""
    rng = np.random.default_rng(seed)
    applies = drawn.applies.copy()
    applies[:, Stage.CHECKING] |= applies[:, Stage.IMAGING]
    return replace(
        drawn,
        applies=applies,
        rejections=rng.integers(1, 4, len(applies)) * applies[:, Stage.IMAGING],
        again_seconds=rng.integers(2_000, 12_000, len(applies)).astype(float),
        rounds=rng.integers(1, 4, len(applies)),
    )


# What a start tells, each of which must matter: else the test above would not see it missing.
_FORGOTTEN = (
    "since",
    "passed",
    "shelf",
    "dryer",
    "due_day",
    "rounds",
    "rejections",
    "again",
    "tool_sets_clean_at",
    "put_back",
    "exposure_before",
    "finished_before",
)
_ENOUGH = 2  # cuts of all


def _differs_without(name: str, cut: Cut) -> bool:
    """Whether the rest becomes another when one thing is forgotten."""
    start, empty = cut.luck.start, nothing_yet(cut.luck)
    assert start is not None
    if name in ("exposure_before", "finished_before"):
        forgetful = replace(cut.luck, **{name: np.zeros_like(getattr(cut.luck, name))})
    elif name == "put_back":
        forgetful = replace(cut.luck, start=replace(start, put_back=None, remaining=None))
    else:
        forgetful = replace(cut.luck, start=replace(start, **{name: getattr(empty, name)}))
    if not np.array_equal(happened(engine.record(forgetful)), without_numbers(cut.after)):
        return True
    one, other = (settled(engine.run(each, 2, BOTH), each) for each in (forgetful, cut.luck))
    return one.images != other.images or one.reimaged != other.reimaged


def _tally(rows: Rows, drawn: Replication) -> tally.Tally:
    so_far = tally.new_tally(drawn, 2, BOTH)
    tally.absorb(so_far, rows, len(rows))
    return so_far


def test_a_future_cut_at_any_midnight_goes_on_as_the_uninterrupted_one_did(
    record_property: Callable[[str, object], None],
) -> None:
    reached: Counter[str] = Counter()
    mattered: Counter[str] = Counter()

    @_SAME_EVERY_TIME
    @given(cases(), st.data())
    def holds(case: Case, data: st.DataObject) -> None:
        drawn = future(case)
        if data.draw(st.booleans(), "often rejected, often still damp"):
            drawn = _again_and_again(drawn, case.seed)
        whole = engine.record(drawn)
        first = drawn.settings.start // SECONDS_PER_DAY
        # Mostly while there is something to do, and sometimes after all is over.
        last = min(len(drawn.week_of_day) - 1, int(whole[-1, 0]) // SECONDS_PER_DAY + 1)
        days = data.draw(st.sets(st.integers(first, max(first, last)), min_size=1, max_size=3))
        for day in sorted(days):
            cut = cut_at(whole, drawn, day)
            if cut is None:
                reached["left out: a mask rests over midnight"] += 1
                continue
            rest = continued(case, cut)
            assert_same(case.project, without_numbers(cut.after), happened(rest))
            adds_up(drawn, whole, cut, rest)
            reached.update(cut.reached)
            reached["cuts"] += 1
            for name in _FORGOTTEN:
                if mattered[name] < _ENOUGH:
                    mattered[name] += _differs_without(name, cut)

    holds()
    record_property(
        f"A start in the middle of {_PROJECTS} random projects met",
        ", ".join(f"{name} {times}" for name, times in sorted(reached.items())),
    )
    assert reached["cuts"] > _PROJECTS
    never = [name for name, times in reached.items() if not times]
    assert not never, f"no start ever met: {', '.join(never)}"
    needless = [name for name in _FORGOTTEN if mattered[name] < _ENOUGH]
    assert not needless, f"forgetting it changed next to nothing: {', '.join(needless)}"


# --- by hand -----------------------------------------------------------------------------------

SHELVES = frozenset({What.FOUND, What.ON_SHELF, What.SHELF_TAKEN, What.SHELF_FREED})
DRYERS = frozenset({What.FOUND, What.IN_DRYER, What.ROUND_BEGINS, What.ROUND_DUE})


def _drawn(project: Project, first_day: int = 0) -> Replication:
    return luck.replication(luck.plan(project, first_day), 1, 0)


def _told(project: Project, begins: Replication, show: frozenset[What]) -> list[str]:
    """Both models' record, which the auditor finds right, in words."""
    rows = both.record(begins, project)
    found = audit(rows, begins)
    assert not found.violations, str(found)
    reduced(rows, begins)
    return timetable(project, rows, show, quarantine=True)


def _reboxing(items: int, **changes: Any) -> Project:
    return small_project(
        [Lot(items)], [per_item("reboxing", 60.0)], [person("AB", "reboxing")], **changes
    )


def _active(items: int, **changes: Any) -> Project:
    minutes = [per_item("drying", 2.0), per_item("cleaning", 30.0), per_item("reboxing", 5.0)]
    stages = "drying;cleaning;reboxing"
    return small_project([Lot(items, Mould.ACTIVE)], minutes, [person("AB", stages)], **changes)


def test_where_nothing_has_happened_yet_the_record_is_the_same_to_the_byte() -> None:
    @settings(_SAME_EVERY_TIME, max_examples=40)
    @given(cases())
    def holds(case: Case) -> None:
        drawn = future(case)
        begins = replace(drawn, start=nothing_yet(drawn))
        assert engine.record(begins).tobytes() == engine.record(drawn).tobytes()
        assert walkthrough.run(begins).tobytes() == walkthrough.run(drawn).tobytes()
        one, other = (settled(engine.run(each, 2, BOTH), each) for each in (begins, drawn))
        for field in fields(Outcome):
            a, b = getattr(one, field.name), getattr(other, field.name)
            assert np.asarray(a).tobytes() == np.asarray(b).tobytes(), field.name

    holds()


def test_who_waits_longest_comes_first_also_since_before_the_grants_start() -> None:
    project = _reboxing(4)
    begins = begun(_drawn(project), stage=[8, 8, 8, 8], since=[-1, 5, -2, -1])
    assert _told(project, begins, frozenset({What.TAKEN})) == [
        "Mon 05 Jan 09:00:00 AB takes item 2",
        "Mon 05 Jan 10:00:00 AB takes item 0",
        "Mon 05 Jan 11:00:00 AB takes item 3",
        "Mon 05 Jan 12:00:00 AB takes item 1",
    ]


def test_an_item_put_back_before_the_grants_start_is_unfinished_and_first() -> None:
    project = _reboxing(2)
    begins = begun(
        _drawn(project), stage=[8, 8], since=[-9, -5], put_back=[WHOLE, -1], remaining=[0, 600]
    )
    assert _told(project, begins, frozenset({What.FINISHED})) == [
        "Mon 05 Jan 09:10:00 AB finishes item 1",
        "Mon 05 Jan 10:10:00 AB finishes item 0",
    ]


def test_what_is_found_is_said_first_and_days_that_are_past_are_over_at_once() -> None:
    # Begins on Monday the 12th. Item 0's round was due on Saturday, item 1's is on Wednesday, item
    # 2 waits for attention since Friday; item 3 is on a shelf in quarantine without a day.
    project = _active(4)
    begins = begun(
        _drawn(project, 7),
        stage=[2, 2, 2, 1],
        since=[0, 0, 4 * DAY, 0],
        shelf=[True] * 4,
        dryer=[True, True, True, False],
        due_day=[5, 9, -1, -1],
        passed=[2, 2, 2, 0],
    )
    assert _told(project, begins, DRYERS | {What.ON_SHELF, What.TAKEN})[:13] == [
        "Mon 12 Jan 00:00:00 item 0 is at drying",
        "Mon 12 Jan 00:00:00 item 0 is on shelf 0",
        "Mon 12 Jan 00:00:00 item 0 is in drying place 0",
        "Mon 12 Jan 00:00:00 item 0 is due",
        "Mon 12 Jan 00:00:00 item 1 is at drying",
        "Mon 12 Jan 00:00:00 item 1 is on shelf 1",
        "Mon 12 Jan 00:00:00 item 1 is in drying place 1",
        "Mon 12 Jan 00:00:00 item 2 is at drying",
        "Mon 12 Jan 00:00:00 item 2 is on shelf 2",
        "Mon 12 Jan 00:00:00 item 2 is in drying place 2",
        "Mon 12 Jan 00:00:00 item 3 is at quarantine",
        "Mon 12 Jan 00:00:00 item 3 is on shelf 3",
        "Mon 12 Jan 09:00:00 AB takes item 2",
    ]
    due = [line for line in _told(project, begins, DRYERS) if "is due" in line]
    assert due[1] == "Wed 14 Jan 00:00:00 item 1 is due"


def test_more_are_found_on_shelves_than_there_are_now_and_each_is_freed() -> None:
    project = _active(6, places=Places(2, 1, 1, 1))
    begins = begun(
        _drawn(project),
        stage=[4] * 5 + [1],
        since=[0] * 6,
        passed=[6] * 5 + [0],
        shelf=[True] * 5 + [False],
    )
    told = _told(project, begins, SHELVES)
    assert [line for line in told if "on shelf 4" in line] == [
        "Mon 05 Jan 00:00:00 item 4 is on shelf 4"
    ]
    # Of two shelves none is free before the fourth of five has left.
    assert told.index("Mon 05 Jan 11:10:00 item 3 leaves shelf 3") < min(
        n for n, line in enumerate(told) if "item 5 goes on shelf" in line
    )
    assert sum("leaves shelf" in line for line in told) == 6


def test_tool_sets_that_dry_come_back_when_they_are_clean() -> None:
    # Of three sets one was clean yesterday; one comes back at 10:00, one at 11:30.
    project = small_project(
        [Lot(8, Mould.INACTIVE)],
        [per_item("cleaning", 60.0)],
        [person(name, "cleaning") for name in ("AB", "CD", "EF")],
        places=Places(9, 9, 3, 1, tool_sets=3, tool_drying_hours=24.0),
    )
    begins = begun(
        _drawn(project, 7),
        stage=[4] * 8,
        passed=[2] * 8,
        shelf=[True] * 8,
        tool_sets_clean_at=[7 * DAY + 41_400, 7 * DAY - 60, 7 * DAY + 36_000],
    )
    show = frozenset({What.SET_DRIES, What.TOOL_SET_CLEAN, What.TOOL_SET_TAKEN})
    assert _told(project, begins, show)[:7] == [
        "Mon 12 Jan 00:00:00 tool set 0 is drying",
        "Mon 12 Jan 00:00:00 tool set 1 is drying",
        "Mon 12 Jan 09:00:00 AB takes tool set 2",
        "Mon 12 Jan 10:00:00 CD takes tool set 0",
        "Mon 12 Jan 10:00:00 tool set 0 is clean",
        "Mon 12 Jan 11:30:00 EF takes tool set 1",
        "Mon 12 Jan 11:30:00 tool set 1 is clean",
    ]


def test_an_item_beyond_cleaning_is_cleaned_only_where_cleaning_applies_to_it() -> None:
    project = small_project(
        [Lot(1, Mould.INACTIVE), Lot(1, Mould.INACTIVE, material="map")],
        [per_item("cleaning", 60.0, material="map"), per_item("reboxing", 60.0)],
        [person("AB", "reboxing")],
    )
    # Nobody's clothing is on for the map; for the volume there are ten minutes of it.
    begins = begun(_drawn(project), stage=[8, 8], since=[1, 0], shelf=[True, False])
    show = frozenset({What.TAKEN, What.EXPOSURE_BEGINS, What.FINISHED})
    assert _told(project, begins, show)[:4] == [
        "Mon 05 Jan 09:00:00 AB takes item 1",
        "Mon 05 Jan 10:00:00 AB finishes item 1",
        "Mon 05 Jan 10:00:00 AB takes item 0",
        "Mon 05 Jan 10:10:00 AB is exposed",
    ]


def test_what_had_left_counts_and_a_finish_that_lies_behind_is_the_last_day_on_record() -> None:
    project = _reboxing(5)
    drawn = _drawn(project, 21)
    days = np.zeros(60, dtype=np.int64)
    days[4:], days[11:] = 2, 3
    weekly = np.zeros((9, 9), dtype=np.int64)
    weekly[1:, Stage.REBOXING] = 4
    begins = begun(
        drawn,
        stage=[9] * 5,
        ended=[0, 0, 2, 1, 3],
        done_by_day=days,
        weekly_items=weekly,
        images=40,
        reimaged=7,
    )
    assert len(both.record(begins, project)) == 0
    made = reduced(both.record(begins, project), begins)
    assert made.finish_day == 11
    assert made.outcomes.tolist() == [2, 1, 1, 1, 0]
    assert made.done_by_day[[3, 4, 10, 11, 59]].tolist() == [0, 2, 2, 3, 3]
    assert made.weekly_items[:3, Stage.REBOXING].tolist() == [0, 4, 4]
    assert (made.images, made.reimaged) == (40, 7)
    # Where nothing of it was done: the day before the start.
    aside = begun(drawn, stage=[9] * 5, ended=[1] * 5)
    assert reduced(both.record(aside, project), aside).finish_day == 20


def test_one_that_is_left_decides_about_the_finish() -> None:
    project = _reboxing(3)
    begins = begun(
        _drawn(project, 7),
        stage=[9, 9, 8],
        ended=[0, 3, -1],
        done_by_day=[0] * 5 + [1] * 55,
        since=[0, 0, 3 * DAY],
    )
    made = reduced(both.record(begins, project), begins)
    assert made.finish_day == 7
    assert made.outcomes.tolist() == [2, 0, 0, 1, 0]
    assert made.done_by_day[[4, 5, 6, 7]].tolist() == [0, 1, 1, 2]
    # It waits from the start on, from 00:00 to 09:00.
    assert made.waiting_days[Stage.REBOXING] == pytest.approx(9 / 24)


def test_an_item_is_late_for_drying_by_all_that_it_has_waited() -> None:
    # Nobody fills the dryer. Since the Tuesday of a week before the grant's start; since Sunday.
    nobody = replace(_active(2), team=(person("AB", "reboxing"),))
    begins = begun(_drawn(nobody, 7), stage=[2, 2], since=[-6 * DAY, 6 * DAY], shelf=[True, True])
    made = reduced(both.record(begins, nobody), begins)
    assert made.weekly_late_drying[:3].tolist() == [0, 2, 2]
    assert made.late_drying == 2


def test_an_items_way_is_told_from_where_it_was_found() -> None:
    project = _reboxing(3)
    begins = begun(
        _drawn(project, 7), stage=[9, 8, 8], ended=[0, -1, -1], done_by_day=[0] * 6 + [1] * 54
    )
    plan, rows = luck.plan(project, 7), both.record(begins, project)
    assert tale(plan, begins, rows, 0)[1:] == [
        "  It had left before the first simulated day: done."
    ]
    assert tale(plan, begins, rows, 1)[1] == "  Mon 2026-01-12 00:00:00  item 1 is at reboxing"


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (lambda rows: rows[1:], Line.ITEMS),  # an item was not found
        (lambda rows: np.delete(rows, 1, axis=0), Line.PLACES),  # nor its shelf
        (lambda rows: np.delete(rows, 2, axis=0), Line.PLACES),  # nor its drying place
        (lambda rows: rows[[3, 4, 5, 0, 1, 2, *range(6, len(rows))]], Line.INSTANT),
    ],
)
def test_the_auditor_misses_what_is_not_found(change: Callable[[Rows], Rows], line: Line) -> None:
    project = _active(2)
    begins = begun(
        _drawn(project),
        stage=[2, 2],
        passed=[2, 2],
        shelf=[True, True],
        dryer=[True, True],
        due_day=[1, 2],
    )
    rows = both.record(begins, project)
    assert not audit(rows, begins).violations
    assert line in audit(change(rows), begins).violations
