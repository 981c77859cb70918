"""What returns add up to: the sums of what was told, and what cannot have been."""

from __future__ import annotations

import pickle
from collections import Counter
from dataclasses import replace
from datetime import timedelta

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from forecast import diary, engine, ledger, luck
from forecast.diary import Telling
from forecast.history import History
from forecast.items import Mould
from forecast.outcome import reduce_record
from forecast.project import Project
from forecast.stages import N_STAGES, Stage
from forecast.weekly import Count, DryingBatch, ExposureDay, Received, WeeklyReturn, WorkedDay
from tests.random_projects import Case, cases, future
from tests.small_projects import MONDAY, Lot, day, per_item, person, small_project

some = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])

STAGES = ("drying", "cleaning", "imaging", "reboxing")
WORK = [per_item(stage, 5.0) for stage in STAGES]


def project(*lots: Lot) -> Project:
    return small_project(lots, WORK, [person("AB", ";".join(STAGES))])


def week(number: int, **sheets: tuple[object, ...]) -> WeeklyReturn:
    told = {"counts": (), **sheets}
    return WeeklyReturn(MONDAY + timedelta(weeks=number), frozenset(told), **told)  # type: ignore[arg-type]


def count(stage: str, items: int | None, outcome: str = "", **told: object) -> Count:
    return Count(Stage[stage.upper()], items=items, outcome=outcome, **told)  # type: ignore[arg-type]


def summed(whose: Project, *returns: WeeklyReturn) -> ledger.Ledger:
    return ledger.of(whose, History.of(returns))


def said(of: ledger.Ledger) -> list[str]:
    return [problem.read for problem in of.problems()]


MOULDY = project(Lot(60, Mould.ACTIVE))


def test_a_ledger_without_returns_is_empty_and_complete() -> None:
    nothing = summed(MOULDY)
    assert nothing.first_passes == (0,) * N_STAGES
    assert nothing.last_day is None
    assert all(nothing.complete)
    assert nothing.problems() == ()


def test_counts_add_up_by_stage_and_category_as_they_were_told() -> None:
    found = summed(
        MOULDY,
        week(0, counts=(count("drying", 4), count("drying", 3, mould=Mould.ACTIVE))),
        week(1, counts=(count("drying", 5), count("cleaning", None))),
    )
    assert found.finished == {
        (Stage.DRYING, None, None, None): 9,
        (Stage.DRYING, None, Mould.ACTIVE, None): 3,
    }
    assert [passes[Stage.DRYING] for _, passes in found.weekly] == [7, 12]


def test_items_set_aside_have_finished_their_stage_and_withdrawn_ones_have_not() -> None:
    found = summed(
        MOULDY,
        week(
            0,
            counts=(
                count("drying", 9),
                count("drying", 2, "set-aside"),
                count("cleaning", 1, "withdrawn"),
                count("imaging", 1, "not-imaged"),
                count("reboxing", 1, "not-imaged"),
            ),
        ),
    )
    assert found.first_passes[Stage.DRYING] == 11
    assert found.first_passes[Stage.CLEANING] == 0
    assert found.first_passes[Stage.IMAGING] == 0
    assert found.first_passes[Stage.REBOXING] == 1
    assert found.ended["set-aside", Stage.DRYING, None, None, None] == 2
    assert found.ended["withdrawn", Stage.CLEANING, None, None, None] == 1


def test_what_came_dry_out_of_batches_stands_in_for_untold_counts() -> None:
    batch = DryingBatch("1", day(0), 10)
    out = DryingBatch("1", day(0), 10, taken_out=day(8), still_damp=3)
    found = summed(MOULDY, week(0, drying=(batch,)), week(1, drying=(out,)))
    assert found.first_passes[Stage.DRYING] == 7
    assert found.drying == ()
    assert found.dried == (out,)
    counted = summed(
        MOULDY, week(0, drying=(batch,)), week(1, drying=(out,), counts=(count("drying", 6),))
    )
    assert counted.first_passes[Stage.DRYING] == 6


def test_a_batch_that_is_still_in_is_on_record_with_its_day() -> None:
    batch = DryingBatch("1", day(2), 10)
    assert summed(MOULDY, week(0, drying=(batch,)), week(1)).drying == (batch,)


def test_a_batch_is_taken_out_as_it_was_put_in() -> None:
    batch = DryingBatch("1", day(0), 10)
    out = DryingBatch("1", day(0), 9, taken_out=day(8))
    other = DryingBatch("2", day(1), 4, taken_out=day(8))
    found = summed(MOULDY, week(0, drying=(batch,)), week(1, drying=(out, other)))
    assert [problem.place for problem in found.problems()] == [
        "drying, batch 1",
        "drying, batch 2",
    ]


def test_nobody_knows_what_was_put_in_in_a_week_that_was_not_told() -> None:
    out = DryingBatch("1", day(0), 9, taken_out=day(15))
    quick = DryingBatch("2", day(14), 9, taken_out=day(15))
    assert summed(MOULDY, week(2, drying=(out, quick))).problems() == ()


def test_a_missing_week_makes_sums_into_lower_bounds() -> None:
    drying = (count("drying", 1),)
    assert summed(MOULDY, week(0, counts=drying), week(1)).complete[Stage.DRYING]
    assert not summed(MOULDY, week(0, counts=drying), week(2)).complete[Stage.DRYING]
    assert not summed(MOULDY, week(1, counts=drying)).complete[Stage.DRYING]
    later = replace(MOULDY, team=(replace(MOULDY.team[0], start=day(7)),))
    assert summed(later, week(1, counts=drying)).complete[Stage.DRYING]
    # Quarantine passes by itself: a week between two returns is missed whoever has begun.
    much_later = replace(MOULDY, team=(replace(MOULDY.team[0], start=day(28)),))
    told = (week(0, counts=drying), week(2))
    assert not summed(much_later, *told).complete[Stage.DRYING]
    assert not summed(MOULDY, week(0, counts=drying)).complete[Stage.CLEANING]


def test_exposure_is_that_of_the_grid_where_the_sheet_is_not_told() -> None:
    row = WorkedDay(day(3), "AB", Stage.CLEANING, 5.0, 2.5)
    found = summed(MOULDY, week(0, days=(row,)))
    assert found.exposure == {(day(3), "AB"): 2.5}
    assert found.exposure_told == {MOULDY.grant.start}
    assert found.cleaned == {(day(3), "AB"): 5.0}
    told = summed(MOULDY, week(0, exposure=(ExposureDay(day(1), "AB", 1.0),)))
    assert told.exposure == {(day(1), "AB"): 1.0}


# What cannot have been


def test_more_cleaned_than_came_out_of_drying_is_said_so() -> None:
    found = summed(MOULDY, week(0, counts=(count("drying", 30), count("cleaning", 50))))
    assert said(found) == ["50 were cleaned when 30 had come out of drying"]


def test_items_of_an_untold_category_may_have_gone_another_way() -> None:
    mixed = project(Lot(60, Mould.ACTIVE), Lot(60, Mould.INACTIVE, series="B"))
    counts = (count("drying", 30), count("cleaning", 50))
    assert said(summed(mixed, week(0, counts=counts))) == []
    told = (count("drying", 30), count("cleaning", 50, mould=Mould.ACTIVE))
    assert said(summed(mixed, week(0, counts=told))) == [
        "50 (mould active) were cleaned when 30 had come out of drying"
    ]


def test_a_week_that_is_missing_may_hold_what_is_missing() -> None:
    counts = (count("drying", 30), count("cleaning", 50))
    assert said(summed(MOULDY, week(0), week(2, counts=counts))) == []


def test_more_of_a_material_than_there_is_is_said_so() -> None:
    two = project(Lot(60), Lot(10, material="map", series="B"))
    found = summed(two, week(0, counts=(count("imaging", 11, material="map"),)))
    assert "11 (map) were imaged when 10 had come by then" in said(found)


def test_items_that_never_go_to_a_stage_cannot_have_finished_it() -> None:
    clean = project(Lot(60), Lot(60, Mould.ACTIVE, series="B"))
    found = summed(clean, week(0, counts=(count("drying", 1, mould=Mould.NONE),)))
    assert "1 (mould none) were dried when the project has none that go there" in said(found)


def test_more_received_than_there_is_is_said_so() -> None:
    come = (Received("volume 1", None, "volume", None, None, 61),)
    series = MOULDY.collection[0].series
    come = (Received(series, None, "volume", None, None, 61),)
    found = summed(MOULDY, week(0, received=come))
    assert "61 received so far" in said(found)


def test_an_item_ends_once() -> None:
    counts = (count("drying", 60), count("cleaning", 59), count("cleaning", 2, "withdrawn"))
    ended = (count("imaging", 59), count("reboxing", 59))
    assert said(summed(MOULDY, week(0, counts=(*counts, *ended)))) == [
        "61 done or ended otherwise so far"
    ]


@given(cases(), st.booleans(), st.sampled_from([0.0, 0.3]), st.booleans())
@some
def test_a_future_told_as_returns_adds_up_to_itself(
    case: Case, categories: bool, missing: float, drying: bool
) -> None:
    plan, drawn = luck.plan(case.project, case.first_day), future(case)
    rows = engine.record(drawn)
    sheets = diary.EVERYTHING if drying else diary.EVERYTHING - {"drying"}
    tell = Telling(sheets=sheets, categories=categories, missing=missing)
    told = diary.returns(plan, drawn, rows, case.project.grant.horizon, tell=tell)
    found = ledger.of(case.project, History.of(told))
    assert found.problems() == ()
    assert pickle.loads(pickle.dumps(found)) == found
    if missing == 0.0 and told:
        weekly = reduce_record(rows, drawn, 2, ("done",)).weekly_items
        last = (told[-1].week - case.project.grant.start).days // 7 + (
            case.project.grant.start.weekday() > 0
        )
        np.testing.assert_array_equal(found.first_passes, weekly[last])
        by_stage = Counter[int]()
        for (stage, *_), items in found.finished.items():
            by_stage[stage] += items
        assert [by_stage[stage] for stage in Stage] == list(found.first_passes)
