"""The tally against the same totals by columns: whole, in pieces, broken off, and cut earlier."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from forecast import luck, walkthrough
from forecast.events import What
from forecast.folder import read_project
from forecast.items import Mould
from forecast.luck import Replication
from forecast.outcome import NOT_BY_HORIZON, Outcome, reduce_record, settled
from forecast.project import Places
from forecast.stages import Place, Stage
from forecast.tally import Tally, absorb, new_tally
from tests.random_projects import Case, cases, future
from tests.slow_reducer import reduce_slowly
from tests.small_projects import Lot, per_item, person, small_project

Rows = NDArray[np.int64]

DEMO = Path(__file__).resolve().parent.parent / "scenario_data" / "demo"
DAY = 86_400
BOTH = ("done", "not-imaged")

_SAME_EVERY_TIME = settings(
    max_examples=100,
    derandomize=True,
    database=None,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)


def _differing(mine: Outcome, theirs: Outcome) -> list[str]:
    """Names of what differs in type, shape or any bit; NaN equals itself."""
    names = []
    for field in fields(Outcome):
        a, b = getattr(mine, field.name), getattr(theirs, field.name)
        if isinstance(a, np.ndarray):
            alike = (a.dtype, a.shape) == (b.dtype, b.shape) and a.tobytes() == b.tobytes()
        else:
            alike = type(a) is type(b) and a == b
        if not alike:
            names.append(field.name)
    return names


def _agree(rows: Rows, drawn: Replication, limit: int = 2, counts: Iterable[str] = BOTH) -> Outcome:
    """What the tally makes of a record, after it was found to be what the columns make of it."""
    reduced = reduce_record(rows, drawn, limit, tuple(counts))
    assert not _differing(reduced, reduce_slowly(rows, drawn, limit, tuple(counts)))
    return reduced


def _in_pieces(rows: Rows, drawn: Replication, sizes: Iterable[int]) -> Tally:
    """A tally that took the record through a buffer of its own, as many rows at a time."""
    so_far = new_tally(drawn, 2, BOTH)
    at = 0
    for size in sizes:
        piece = rows[at : at + size]
        buffer = np.full((len(piece) + 3, 6), 2**40)  # what lies behind the rows means nothing
        buffer[: len(piece)] = piece
        absorb(so_far, buffer, len(piece))
        at += size
    rest = np.ascontiguousarray(rows[at:])
    absorb(so_far, rest, len(rest))
    return so_far


def _with_earlier_horizon(drawn: Replication, days: int) -> Replication:
    """The luck of the same future in a project of fewer days."""
    return replace(
        drawn,
        week_of_day=drawn.week_of_day[:days],
        shift_begin=drawn.shift_begin[:, :days],
        shift_end=drawn.shift_end[:, :days],
        list_of=drawn.list_of[:, :days],
        capacity=drawn.capacity[:, :days],
    )


def test_the_demo_comes_to_the_same_totals_by_rows_and_by_columns() -> None:
    plan = luck.plan(read_project(DEMO))
    for index in range(3):
        drawn = luck.replication(plan, 1, index)
        rows = walkthrough.run(drawn)
        whole = _agree(rows, drawn, counts=("done",))
        assert whole.finish_day != NOT_BY_HORIZON
        assert whole.reimaged > 0
        assert not np.isnan(whole.place_busy).any()
        assert _agree(rows, drawn, limit=0).late_drying > 0


def test_random_projects_come_to_the_same_totals_whatever_became_of_their_records() -> None:
    reached: Counter[str] = Counter()

    @_SAME_EVERY_TIME
    @given(cases(), st.data())
    def holds(case: Case, data: st.DataObject) -> None:
        drawn = future(case)
        rows = walkthrough.run(drawn)
        limit = data.draw(st.sampled_from([0, 1, 2, 10]), "limit")
        whole = _agree(rows, drawn, limit)
        left = np.isin(rows[:, 1], [What.DONE, What.SET_ASIDE, What.NOT_IMAGED])
        reached["finished" if whole.finish_day != NOT_BY_HORIZON else "cut at the horizon"] += 1
        reached["late"] += whole.late_drying > 0
        reached["after the end"] += left.sum() == len(drawn.arrival) and not left[-1]

        # Broken off in the middle, wherever that is.
        broken = rows[: data.draw(st.integers(0, len(rows)), "rows")]
        _agree(broken, drawn, limit, ("done",))
        begun = (broken[:, 1] == What.SESSION_BEGINS).sum()
        reached["broken off in a session"] += begun > (broken[:, 1] == What.SESSION_ENDS).sum()

        # Cut at an earlier horizon, where all that waits for 00:00 happens in the last second.
        first = drawn.settings.start // DAY + 1
        days = data.draw(st.integers(first, max(first, len(drawn.week_of_day))), "days")
        cut = rows[rows[:, 0] <= days * DAY]
        _agree(cut, _with_earlier_horizon(drawn, days), limit)
        reached["at the horizon"] += bool((cut[:, 0] == days * DAY).any())

    holds()
    for name in (
        "finished",
        "cut at the horizon",
        "late",
        "after the end",
        "broken off in a session",
        "at the horizon",
    ):
        assert reached[name], f"random records never were: {name}"


@settings(_SAME_EVERY_TIME, max_examples=40)
@given(cases(), st.lists(st.integers(0, 200), max_size=30))
def test_rows_may_come_in_pieces_of_any_size(case: Case, sizes: list[int]) -> None:
    drawn = future(case)
    rows = walkthrough.run(drawn)
    whole, pieces = new_tally(drawn, 2, BOTH), _in_pieces(rows, drawn, sizes)
    absorb(whole, rows, len(rows))
    for name, a, b in zip(Tally._fields, whole, pieces, strict=True):
        np.testing.assert_array_equal(a, b, err_msg=name)
    assert not _differing(settled(pieces, drawn), reduce_slowly(rows, drawn, 2, BOTH))


def _future_with_everything() -> tuple[Rows, Replication]:
    # In days at drying, in minutes elsewhere.
    minutes = {"drying": 2, "covers": 6, "cleaning": 50, "imaging": 21, "reboxing": 4}
    project = small_project(
        [Lot(3, Mould.ACTIVE), Lot(4, Mould.INACTIVE, bound=True), Lot(3)],
        [per_item(stage, number) for stage, number in minutes.items()],
        [person("AB", ";".join(minutes)), person("CD", "imaging;reboxing")],
        places=Places(4, 2, 1, 1, tool_sets=1, tool_drying_hours=2.0),
    )
    drawn = luck.replication(luck.plan(project), 1, 0)
    return walkthrough.run(drawn), drawn


def test_a_tally_does_not_grow_with_rows() -> None:
    rows, drawn = _future_with_everything()
    so_far = new_tally(drawn, 2, BOTH)
    where = [(array.ctypes.data, array.nbytes) for array in so_far]
    for _ in range(100):
        absorb(so_far, rows, len(rows))
    assert [(array.ctypes.data, array.nbytes) for array in so_far] == where


def test_a_tally_takes_a_few_bytes_an_item() -> None:
    _, drawn = _future_with_everything()

    def size(items: int) -> int:
        zeros = np.zeros(items, dtype=np.int64)
        many = replace(drawn, arrival=zeros, images=zeros, again_images=zeros)
        # The tables of images are the future's own.
        return sum(a.nbytes for a in new_tally(many, 2, BOTH) if not np.shares_memory(a, zeros))

    assert size(100_000) - size(10_000) == 90_000 * (8 + 9)


def test_settling_leaves_a_tally_as_it_was() -> None:
    project = small_project(
        [Lot(3, Mould.ACTIVE)],
        [per_item("drying", 4), per_item("reboxing", 5)],
        [person("AB", "drying;reboxing", mould_work=False)],
    )
    drawn = luck.replication(luck.plan(project), 1, 0)
    so_far = _in_pieces(walkthrough.run(drawn), drawn, [])
    first, again = settled(so_far, drawn), settled(so_far, drawn)
    assert first.late_drying == 3  # they wait to the end, which only settling knows
    assert not _differing(first, again)


def test_tables_and_rows_from_another_process_may_be_read_only_or_lie_otherwise() -> None:
    rows, drawn = _future_with_everything()
    expected = reduce_record(rows, drawn, 2, BOTH)
    elsewhere = replace(
        drawn,
        **{
            name: getattr(drawn, name).copy(order="F")
            for name in ("images", "again_images", "week_of_day", "list_of", "shift_begin")
        },
    )
    theirs = np.asfortranarray(rows)
    for array in (theirs, elsewhere.images, elsewhere.week_of_day, elsewhere.list_of):
        array.flags.writeable = False
    assert not _differing(reduce_record(theirs, elsewhere, 2, BOTH), expected)


@pytest.mark.parametrize(
    ("column", "value"),
    [(0, -1), (1, -1), (1, 25), (2, 9), (2, -2), (3, 10), (3, -2), (4, 2), (4, -2)],
)
def test_a_row_that_is_of_no_such_future_is_refused(column: int, value: int) -> None:
    rows, drawn = _future_with_everything()
    rows[7, column] = value
    with pytest.raises(ValueError, match=r"row 7 of the record, \[.*\], is no event of this"):
        reduce_record(rows, drawn, 2, BOTH)


def _session(begin: int, end: int, stage: Stage) -> list[tuple[int, ...]]:
    return [
        (begin, What.SESSION_BEGINS, stage, -1, 0, 0),
        (begin, What.EXPOSURE_BEGINS, stage, -1, 0, -1),
        (end, What.EXPOSURE_ENDS, stage, -1, 0, -1),
        (end, What.SESSION_ENDS, stage, -1, 0, 0),
    ]


def test_what_ends_at_midnight_belongs_to_the_day_and_week_in_which_it_began() -> None:
    _, drawn = _future_with_everything()
    # The first Sunday to 24:00, the Monday after it, and the last day to its 24:00.
    days = len(drawn.week_of_day)
    spans = [(6 * DAY + 80_000, 7 * DAY), (7 * DAY + 30_000, 7 * DAY + 30_100)]
    spans.append((days * DAY - 50, days * DAY))
    rows = np.array([row for span in spans for row in _session(*span, Stage.REBOXING)])
    reduced = _agree(rows, drawn)
    assert reduced.weekly_hours[[0, 1, -1], 0].tolist() == [6_400, 100, 50]
    assert reduced.weekly_exposure[[0, 1, -1], 0].tolist() == [6_400, 100, 50]
    assert reduced.exposure_days[[0, 1, -1], 0].tolist() == [1, 1, 1]
    assert reduced.max_day_exposure.tolist() == [6_400, 0]


def test_an_exposure_of_no_time_makes_no_exposure_day() -> None:
    _, drawn = _future_with_everything()
    spans = [(DAY, DAY), (8 * DAY, 8 * DAY), (8 * DAY + 60, 8 * DAY + 90)]
    rows = np.array([row for span in spans for row in _session(*span, Stage.REBOXING)])
    assert _agree(rows, drawn).exposure_days[:3, 0].tolist() == [0, 1, 0]


def test_clearing_after_the_last_items_end_is_time_of_the_person_but_no_use_of_the_bench() -> None:
    _, drawn = _future_with_everything()
    end = 10 * 3_600  # AB is on shift from 09:00, so the bench was open for an hour
    rows = [
        (end - 100, What.SESSION_BEGINS, Stage.CLEANING, -1, 0, 0),
        *[(end, What.DONE, -1, item, -1, -1) for item in range(10)],
        (end + 900, What.SESSION_ENDS, Stage.CLEANING, -1, 0, 0),
    ]
    reduced = _agree(np.array(rows), drawn)
    assert reduced.finish_day == 0
    assert reduced.weekly_hours[0].tolist() == [1_000, 0]
    assert reduced.place_busy[Place.BENCH] == 100 / 3_600
