"""What must always hold, on random projects that are shown to reach the hard cases.

The auditor replays every record and reports by line, so that each line of the model's "what must
always hold" is tested on every project. That it can fail is shown below: records and tables with
one fault each, every one of which has to be caught under its own line.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from numpy.typing import NDArray

from forecast.events import What
from forecast.exposure import BreathingProtection
from forecast.items import Mould
from forecast.luck import Replication
from forecast.outcome import reduce_record
from forecast.project import Checking, Drying, Places, Project
from forecast.stages import Place, Stage
from tests.audit import HARD_CASES, Line, audit
from tests.both import record
from tests.random_projects import Case, cases, future
from tests.small_projects import Lot, per_item, person, share, small_project

Rows = NDArray[np.int64]

EXAMPLES = 200

_SAME_EVERY_TIME = settings(
    max_examples=EXAMPLES,
    derandomize=True,  # what passed here passes on every machine
    database=None,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)


def test_every_line_holds_on_random_projects_that_reach_the_hard_cases(
    record_property: Callable[[str, object], None],
) -> None:
    # One test, so that the counts are whole however the tests are spread over processes.
    reached: Counter[str] = Counter()
    projects: Counter[str] = Counter()

    @_SAME_EVERY_TIME
    @given(cases())
    def holds(case: Case) -> None:
        luck = future(case)
        rows = record(luck, case.project)
        found = audit(rows, luck)
        assert not found.violations, str(found)
        reached.update(found.reached)
        projects.update(name for name, times in found.reached.items() if times)
        _the_reducer_loses_nothing(rows, luck)

    holds()
    record_property(  # conftest.py prints it at the end of every run
        "How often random projects reached the hard cases (in how many of them)",
        ", ".join(f"{n} {reached[n]} ({projects[n]})" for n in sorted({*reached, *HARD_CASES})),
    )
    never = [name for name in HARD_CASES if not reached[name]]
    assert not never, f"random projects never reached: {', '.join(never)}"


def _the_reducer_loses_nothing(rows: Rows, luck: Replication) -> None:
    """Each item is counted once at the end, and no exposure is above the day's allowance."""
    outcome = reduce_record(rows, luck, 2, ("done",))
    assert outcome.outcomes.sum() == len(luck.arrival)
    assert (outcome.outcomes >= 0).all()
    assert (outcome.weekly_waiting >= 0).all()
    assert (outcome.max_day_exposure <= luck.settings.allowance).all()
    assert (np.diff(outcome.weekly_items, axis=0) >= 0).all()
    assert (outcome.weekly_items <= len(luck.arrival)).all()
    busy = outcome.place_busy[~np.isnan(outcome.place_busy)]
    assert (busy >= 0).all()


def test_the_same_luck_gives_the_same_record_to_the_byte() -> None:
    @settings(_SAME_EVERY_TIME, max_examples=10)
    @given(cases())
    def holds(case: Case) -> None:
        first, again = record(future(case)), record(future(case))
        assert first.tobytes() == again.tobytes()

    holds()


# --- the auditor can fail ----------------------------------------------------------------------


def _project() -> Project:
    """Two people, a bench, a camera; mould, red rot and clean volumes; every kind of event."""
    team = [
        person("AB", "drying;cleaning;covers;imaging;checking;reboxing", begins="08:00"),
        person("CD", "imaging;checking;reboxing;covers;cleaning", hours=4.0, mould_work=False),
    ]
    tasks = [
        per_item("drying", 2.0),
        per_item("covers", 6.0),
        per_item("cleaning", 50.0),
        per_item("imaging", 21.0),
        per_item("checking", 3.0),
        per_item("reboxing", 4.0),
    ]
    lots = [
        Lot(3, Mould.ACTIVE, red_rot=True, bound=True),
        Lot(4, Mould.INACTIVE, bound=True),
        Lot(3, red_rot=True, bound=True),
        Lot(6),
    ]
    return small_project(
        lots,
        tasks,
        team,
        places=Places(4, 2, 1, 1, tool_sets=1, tool_drying_hours=2.0),
        breathing=BreathingProtection(wear_minutes=120.0, rest_minutes=30.0),
        drying=Drying(still_damp=share(0.4)),
        checking=Checking(1.0, share(0.4), 0.25),
        quarantine_days=3,
    )


@lru_cache
def _sound() -> tuple[Rows, Replication]:
    luck = future(Case(_project(), seed=3))
    return record(luck), luck


def _rows_of(rows: Rows, what: What, **wanted: int) -> NDArray[np.intp]:
    """Numbers of the rows of one kind whose columns hold the wanted values."""
    at = rows[:, 1] == what
    for name, value in wanted.items():
        at &= rows[:, {"stage": 2, "item": 3, "person": 4, "place": 5}[name]] == value
    return np.flatnonzero(at)


def _in_time(rows: Rows) -> Rows:
    return rows[np.argsort(rows[:, 0], kind="stable")]


def test_the_auditor_finds_nothing_in_a_sound_record_of_every_kind_of_event() -> None:
    rows, luck = _sound()
    assert not audit(rows, luck).violations
    # What is found when a future begins in the middle is audited where futures are cut.
    found = {What.FOUND, What.ON_SHELF, What.IN_DRYER, What.SET_DRIES}
    assert set(rows[:, 1].tolist()) == {*What} - {What.SET_ASIDE, What.NOT_IMAGED} - found


def _without_a_clearing(rows: Rows) -> Rows:
    return np.delete(rows, _rows_of(rows, What.CLEARING_BEGINS)[1], axis=0)


def _clearing_cut_short(rows: Rows) -> Rows:
    rows[_rows_of(rows, What.CLEARING_BEGINS)[1], 0] += 60
    return _in_time(rows)


def _persons_swapped(rows: Rows) -> Rows:
    rows[:, 4] = np.where(rows[:, 4] >= 0, 1 - rows[:, 4], rows[:, 4])
    return rows


def _two_sessions_at_once(rows: Rows) -> Rows:
    begins = _rows_of(rows, What.SESSION_BEGINS)[4]
    return np.insert(rows, begins + 2, rows[begins], axis=0)


def _overlong_exposure(rows: Rows) -> Rows:
    """The worst day's last exposure goes on for a quarter of an hour."""
    ends = _rows_of(rows, What.EXPOSURE_ENDS)
    last = next(n for n in ends if n == ends[-1] or rows[n, 0] // 86_400 < rows[n + 1, 0] // 86_400)
    late = [last, last + 1]
    assert rows[last + 1, 1] == What.SESSION_ENDS
    rows[late, 0] += 7_200
    return _in_time(rows)


def _taken_out_of_rank(rows: Rows) -> Rows:
    """Two clean volumes that are alike change places from the first's TAKEN on."""
    taken = _rows_of(rows, What.TAKEN, stage=Stage.IMAGING)
    first, second = (n for n in taken[:2])
    a, b = rows[first, 3], rows[second, 3]
    later = rows[first:, 3]
    rows[first:, 3] = np.where(later == a, b, np.where(later == b, a, later))
    return rows


def _lost(rows: Rows) -> Rows:
    """An item is never heard of again once it was cleaned."""
    cleaned = _rows_of(rows, What.FINISHED, stage=Stage.CLEANING)[0]
    item = rows[cleaned, 3]
    gone = (rows[:, 3] == item) & (np.arange(len(rows)) > cleaned)
    kept: Rows = rows[~gone]
    return kept


def _done_twice(rows: Rows) -> Rows:
    done = _rows_of(rows, What.DONE)[2]
    return np.insert(rows, done + 1, rows[done], axis=0)


def _made_twice(rows: Rows) -> Rows:
    finished = _rows_of(rows, What.FINISHED, stage=Stage.REBOXING)[0]
    return np.insert(rows, finished + 1, rows[finished], axis=0)


def _cut_off(rows: Rows) -> Rows:
    return rows[: len(rows) * 2 // 3]


def _the_same_camera_twice(rows: Rows) -> Rows:
    rows[_rows_of(rows, What.SESSION_BEGINS, stage=Stage.IMAGING), 5] += 1
    return rows


def _a_stage_left_out(rows: Rows) -> Rows:
    rows[_rows_of(rows, What.WAITS, stage=Stage.COVERS)[0], 2] = Stage.CLEANING
    return rows


def _a_reject_forgotten(rows: Rows) -> Rows:
    return np.delete(rows, _rows_of(rows, What.REJECTED)[0], axis=0)


def _a_second_too_many(rows: Rows) -> Rows:
    rows[rows[:, 0] > rows[_rows_of(rows, What.TAKEN)[3], 0], 0] += 1
    return rows


def _out_of_quarantine_a_day_early(rows: Rows) -> Rows:
    early = [
        n
        for n in _rows_of(rows, What.FINISHED, stage=Stage.QUARANTINE)
        if rows[n, 0] % 86_400 == 0 and rows[n, 0] > 0
    ][:1]
    assert early
    rows[[early[0], early[0] + 1], 0] -= 86_400
    return _in_time(rows)


def _due_a_day_late(rows: Rows) -> Rows:
    rows[_rows_of(rows, What.ROUND_DUE)[0], 0] += 86_400
    return _in_time(rows)


def _a_drying_place_kept_empty(rows: Rows) -> Rows:
    rows[_rows_of(rows, What.ROUND_BEGINS)[0], 0] += 600
    return _in_time(rows)


def _a_tool_set_wet_for_longer(rows: Rows) -> Rows:
    rows[_rows_of(rows, What.TOOL_SET_CLEAN)[0], 0] += 600
    return _in_time(rows)


def _begins_ten_minutes_late(rows: Rows) -> Rows:
    """Everything from the second day on happens ten minutes late: people idle in between."""
    rows[(rows[:, 0] > 86_400) & (rows[:, 0] % 86_400 > 0), 0] += 600
    return rows


def _a_mixed_session(rows: Rows) -> Rows:
    """Boards of mouldy volumes and of one with red rot alone are photographed in one session."""
    mouldy = _sound()[1].mould > 0
    taken = next(
        n
        for n in _rows_of(rows, What.TAKEN, stage=Stage.COVERS)
        if rows[n - 1, 1] != What.SESSION_BEGINS and mouldy[rows[n, 3]]
    )
    other = np.flatnonzero(~mouldy)[0]
    waits = np.array([rows[taken, 0], What.WAITS, Stage.COVERS, other, -1, -1])
    rows[taken, 3] = other
    return np.insert(rows, taken, waits, axis=0)


def _chosen_too_early(rows: Rows) -> Rows:
    """Somebody chooses before the items that are finished at that very second are written down."""
    for begins in _rows_of(rows, What.SESSION_BEGINS):
        if rows[begins - 1, 0] == rows[begins, 0] and rows[begins - 1, 1] == What.SESSION_ENDS:
            rows[[begins - 1, begins]] = rows[[begins, begins - 1]]
            return rows
    raise AssertionError("no session begins at the second at which another ends")


@pytest.mark.parametrize(
    ("fault", "line"),
    [
        (_without_a_clearing, Line.CLEARING),
        (_clearing_cut_short, Line.CLEARING),
        (_persons_swapped, Line.TRAINED),
        (_two_sessions_at_once, Line.ONE_STAGE),
        (_overlong_exposure, Line.LIMITS),
        (_taken_out_of_rank, Line.RANK),
        (_lost, Line.ITEMS),
        (_done_twice, Line.ITEMS),
        (_made_twice, Line.ITEMS),
        (_cut_off, Line.ITEMS),
        (_the_same_camera_twice, Line.PLACES),
        (_a_stage_left_out, Line.STAGES),
        (_a_reject_forgotten, Line.STAGES),
        (_a_second_too_many, Line.SECONDS),
        (_out_of_quarantine_a_day_early, Line.DAYS),
        (_due_a_day_late, Line.DAYS),
        (_a_drying_place_kept_empty, Line.IDLE),
        (_a_tool_set_wet_for_longer, Line.DAYS),
        (_begins_ten_minutes_late, Line.IDLE),
        (_a_mixed_session, Line.KINDS),
        (_chosen_too_early, Line.INSTANT),
    ],
    ids=lambda value: value.__name__.strip("_") if callable(value) else value.name,
)
def test_a_record_with_one_fault_is_caught(fault: Callable[[Rows], Rows], line: Line) -> None:
    rows, luck = _sound()
    found = audit(fault(rows.copy()), luck)
    assert found.violations[line], str(found)


def _settings(luck: Replication, **changes: Any) -> Replication:
    return replace(luck, settings=replace(luck.settings, **changes))


def _fewer(luck: Replication, place: Place) -> Replication:
    capacity = luck.capacity.copy()
    capacity[place] -= 1
    return replace(luck, capacity=capacity)


def _changed(luck: Replication, name: str, value: Any) -> Replication:
    return replace(luck, **{name: np.full_like(getattr(luck, name), value)})


@pytest.mark.parametrize(
    ("stricter", "line"),
    [
        (lambda luck: _changed(luck, "mould_work", False), Line.TRAINED),
        (lambda luck: _changed(luck, "trained", False), Line.TRAINED),
        (lambda luck: replace(luck, shift_end=luck.shift_end - 60), Line.SHIFT),
        (lambda luck: replace(luck, shift_begin=luck.shift_begin + 60), Line.SHIFT),
        (lambda luck: _settings(luck, allowance=luck.settings.allowance - 1), Line.LIMITS),
        (lambda luck: _settings(luck, wear=luck.settings.wear - 1), Line.LIMITS),
        (lambda luck: _settings(luck, rest=3 * 3600), Line.LIMITS),
        (lambda luck: _settings(luck, days_limit=2), Line.LIMITS),
        (lambda luck: _changed(luck, "exposure_before", 1), Line.LIMITS),
        (lambda luck: _settings(luck, clear_bench=luck.settings.clear_bench + 1), Line.CLEARING),
        (lambda luck: _settings(luck, clear_camera=0), Line.CLEARING),
        (lambda luck: _fewer(luck, Place.SHELF), Line.PLACES),
        (lambda luck: _fewer(luck, Place.DRYER), Line.PLACES),
        (lambda luck: _fewer(luck, Place.BENCH), Line.PLACES),
        (lambda luck: _fewer(luck, Place.CAMERA), Line.PLACES),
        (lambda luck: _fewer(luck, Place.TOOL_SET), Line.PLACES),
        (lambda luck: _changed(luck, "rejections", 0), Line.STAGES),
        (lambda luck: replace(luck, rounds=luck.rounds + 1), Line.STAGES),
        (lambda luck: replace(luck, base_seconds=luck.base_seconds + 1.0), Line.SECONDS),
        (lambda luck: replace(luck, practice=luck.practice * 0.9), Line.SECONDS),
        (lambda luck: replace(luck, round_days=luck.round_days + 1.0), Line.DAYS),
        (lambda luck: replace(luck, arrival=luck.arrival + 86_400), Line.DAYS),
        (lambda luck: _settings(luck, minimum_days=2), Line.DAYS),
        (lambda luck: _settings(luck, tool_drying=3600), Line.DAYS),
        (lambda luck: replace(luck, preferences=luck.preferences[:, ::-1]), Line.CHOICE),
    ],
)
def test_a_record_is_held_against_its_own_tables(
    stricter: Callable[[Replication], Replication], line: Line
) -> None:
    rows, luck = _sound()
    found = audit(rows, stricter(luck))
    assert found.violations[line], str(found)
