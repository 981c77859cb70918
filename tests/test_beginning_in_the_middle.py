"""Both models begin in the middle of a project as if they had been there from its beginning."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import fields, replace

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from forecast import engine, tally, walkthrough
from forecast.events import What
from forecast.luck import Replication
from forecast.outcome import Outcome, reduce_record, settled
from forecast.stages import Stage
from forecast.units import SECONDS_PER_DAY
from tests.audit import audit
from tests.both import assert_same
from tests.cut import Cut, cut_at, without_numbers
from tests.random_projects import Case, cases, future
from tests.slow_reducer import reduce_slowly

Rows = NDArray[np.int64]

BOTH = ("done", "not-imaged")

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


def reduced(rows: Rows, luck: Replication) -> Outcome:
    """The totals of a record, by rows in either way, and by columns."""
    one = reduce_record(rows, luck, 2, BOTH)
    for other in (
        reduce_slowly(rows, luck, 2, BOTH),
        settled(engine.run(luck, 2, BOTH), luck),
    ):
        for field in fields(Outcome):
            a, b = getattr(one, field.name), getattr(other, field.name)
            np.testing.assert_array_equal(a, b, err_msg=field.name)
    return one


def areas(rows: Rows, luck: Replication, end: int) -> tuple[Rows, Rows]:
    """Item seconds of waiting by stage, and of use by place, up to a moment."""
    so_far = tally.new_tally(luck, 2, BOTH)
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
    rng = np.random.default_rng(seed)
    applies = drawn.applies.copy()
    applies[:, Stage.CHECKING] |= applies[:, Stage.IMAGING]
    return replace(
        drawn,
        applies=applies,
        rejections=rng.integers(0, 4, len(applies)) * applies[:, Stage.IMAGING],
        rounds=rng.integers(1, 4, len(applies)),
    )


def _tally(rows: Rows, luck: Replication) -> tally.Tally:
    so_far = tally.new_tally(luck, 2, BOTH)
    tally.absorb(so_far, rows, len(rows))
    return so_far


def test_a_future_cut_at_any_midnight_goes_on_as_the_uninterrupted_one_did(
    record_property: Callable[[str, object], None],
) -> None:
    reached: Counter[str] = Counter()

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

    holds()
    record_property(
        f"A start in the middle of {_PROJECTS} random projects met",
        ", ".join(f"{name} {times}" for name, times in sorted(reached.items())),
    )
    assert reached["cuts"] > _PROJECTS
    never = [name for name, times in reached.items() if not times]
    assert not never, f"no start ever met: {', '.join(never)}"
