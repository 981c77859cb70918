"""From the record to a forecast: the same as the plan's without one, and what travels with it."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date, timedelta
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from forecast import diary, luck, recalibrate
from forecast.belief import Belief
from forecast.blocks import Heading, Paragraph
from forecast.closed_loop import made_up_project
from forecast.errors import InputError
from forecast.folder import read_project
from forecast.history import NOTHING_YET, History
from forecast.outcome import Futures, load, save
from forecast.planning import Knowledge, Learnt
from forecast.project import Project
from forecast.replicate import one_record, simulate
from forecast.results import summary, write_json
from forecast.schedule_forecast import rests_on_sentences, schedule_report, section_rests_on

TINY = Path(__file__).parent.parent / "scenario_data" / "tiny"
FEW = 6
WEEKS = 6


@lru_cache
def project() -> Project:
    return made_up_project()


@lru_cache
def history() -> History:
    plan = luck.plan(project())
    drawn, rows = one_record(plan, 5, 0)
    until = project().grant.start + timedelta(weeks=WEEKS, days=-1)
    return History(diary.returns(plan, drawn, rows, until))


@lru_cache
def known() -> Knowledge:
    return recalibrate.known(project(), history(), last_day())


@lru_cache
def futures() -> Futures:
    return recalibrate.forecast(
        project(), history(), None, FEW, progress=False, standstill=False, knowledge=known()
    )


def last_day() -> date:
    last = history().last_day
    assert last is not None
    return last


def as_bytes(of: Futures, folder: Path) -> bytes:
    write_json(of, folder / "out.json")
    return (folder / "out.json").read_bytes()


# --- without a record nothing is different


def test_without_any_return_it_is_the_plain_forecast_to_the_byte(tmp_path: Path) -> None:
    tiny = read_project(TINY)
    plain = simulate(tiny, None, FEW, progress=False)
    ours = recalibrate.forecast(tiny, NOTHING_YET, None, FEW, progress=False)
    assert as_bytes(ours, tmp_path) == as_bytes(plain, tmp_path)
    assert "record" not in summary(ours)
    assert ours.as_of == tiny.default_as_of()
    assert section_rests_on(ours).blocks == ()
    assert "How much rests on first estimates" not in _headings(ours)


def test_before_the_first_return_counts_it_is_the_plain_forecast_too(tmp_path: Path) -> None:
    thursday = project().grant.start + timedelta(days=3)
    ours = recalibrate.forecast(
        project(), history(), thursday, FEW, progress=False, standstill=False
    )
    plain = simulate(project(), thursday, FEW, progress=False, standstill=False)
    assert as_bytes(ours, tmp_path) == as_bytes(plain, tmp_path)


def test_to_know_that_nothing_is_on_record_changes_no_future() -> None:
    """The explanation of the first forecast begins here."""
    before = project().default_as_of()
    nothing = recalibrate.known(project(), NOTHING_YET, before)
    told = simulate(
        project(), before, FEW, progress=False, standstill=False, knowledge=nothing
    )
    plain = simulate(project(), before, FEW, progress=False, standstill=False)
    np.testing.assert_array_equal(told.finish_day, plain.finish_day)
    np.testing.assert_array_equal(told.weekly_items, plain.weekly_items)


# --- with one


def test_it_begins_after_the_last_week_on_record() -> None:
    assert recalibrate.default_as_of(project(), history()) == last_day()
    assert futures().as_of == last_day()
    assert futures().first_day == last_day() + timedelta(days=1)
    done = diary_total()
    week = futures().weeks.index(history().returns[-1].week)
    np.testing.assert_array_equal(futures().weekly_items[:, week], np.tile(done, (FEW, 1)))


def diary_total() -> list[int]:
    total = [0] * 9
    for told in history().returns:
        for row in told.counts:
            if row.outcome not in ("withdrawn", "not-found"):
                total[row.stage] += row.items or 0
    return total


def test_later_returns_are_not_known_on_an_earlier_date() -> None:
    friday = history().returns[2].week + timedelta(days=4)
    then = recalibrate.forecast(project(), history(), friday, FEW, progress=False, standstill=False)
    cut = History(history().returns[:3])
    same = recalibrate.forecast(project(), cut, friday, FEW, progress=False, standstill=False)
    np.testing.assert_array_equal(then.finish_day, same.finish_day)
    assert (then.weeks_on_record, then.last_week) == (3, history().returns[2].week)
    assert then.first_day == history().returns[3].week, "R19"


def test_what_was_known_before_need_not_be_worked_out_again(tmp_path: Path) -> None:
    again = recalibrate.forecast(project(), history(), None, FEW, progress=False, standstill=False)
    assert as_bytes(again, tmp_path) == as_bytes(futures(), tmp_path)


def test_a_correction_of_the_first_week_is_in_everything_after_it() -> None:
    first, *others = history().returns
    slower = replace(
        first,
        hours=tuple(
            row if row.stage is None else replace(row, hours=row.hours * 2) for row in first.hours
        ),
    )
    other = recalibrate.forecast(
        project(), History((slower, *others)), None, FEW, progress=False, standstill=False
    )
    assert not np.array_equal(other.finish_day, futures().finish_day)


def test_one_future_is_the_one_that_the_forecast_saw() -> None:
    plan, drawn, rows = recalibrate.one_future(project(), history(), None, 1, 2)
    assert plan.first_day == project().day_number(futures().first_day)
    assert drawn.start is not None
    last = int(rows[:, 0].max()) // 86_400
    assert last >= futures().finish_day[2] > plan.first_day
    _, plain, _ = recalibrate.one_future(project(), NOTHING_YET, None, 1, 2)
    assert plain.start is None


def test_a_record_that_contradicts_the_project_is_refused_in_words() -> None:
    late = replace(project(), grant=replace(project().grant, horizon=last_day()))
    with pytest.raises(InputError, match="before the horizon"):
        recalibrate.forecast(late, history(), None, FEW, progress=False)


# --- how much rests on first estimates


def test_the_results_say_how_many_weeks_they_know_and_what_is_still_first_estimate() -> None:
    told = summary(futures())["record"]
    assert list(told) == ["weeks", "last_week", "still_first_estimates"]
    assert told["weeks"] == len(history().returns)
    assert told["last_week"] == history().returns[-1].week.isoformat()
    mostly = sum(each.still_estimate > 0.5 for each in futures().learnt)
    assert 0 < mostly < len(futures().learnt)
    assert told["still_first_estimates"] == round(mostly / len(futures().learnt), 6)
    assert json.dumps(told)


def test_the_figures_learnt_are_those_of_the_belief() -> None:
    assert isinstance(known().belief, Belief)
    assert futures().learnt == recalibrate.in_words(project(), known())
    assert recalibrate.in_words(project(), Knowledge()) == ()


def test_what_a_forecast_knows_of_the_record_comes_back_from_its_file(tmp_path: Path) -> None:
    save(futures(), tmp_path / "futures.npz")
    back = load(tmp_path / "futures.npz", project())
    assert back.learnt == futures().learnt
    assert (back.weeks_on_record, back.last_week) == (WEEKS, history().returns[-1].week)
    assert as_bytes(back, tmp_path) == as_bytes(futures(), tmp_path)


def learnt(still: float) -> Learnt:
    return Learnt("time.practice", "share", (0.8, 0.9, 1.0), (0.8, 0.9, 1.0), 4.0, still)


@pytest.mark.parametrize(
    ("still", "said"),
    [
        ((0.9, 0.2, 0.6), "Of 3 figures that the returns speak of, 2 still rest mostly on "),
        ((0.9, 0.2), "Of 2 figures that the returns speak of, 1 still rests mostly on "),
        ((0.2,), "Of 1 figure that the returns speak of, none still rest mostly on "),
        ((), "What they do not speak of rests on the first estimates."),
    ],
)
def test_how_much_rests_on_first_estimates_is_said_in_words(
    still: tuple[float, ...], said: str
) -> None:
    some = replace(futures(), learnt=tuple(map(learnt, still)))
    first, second, third = rests_on_sentences(some)
    assert first == (
        "The forecast knows the returns of 6 weeks, the last of them of the week of 9 February "
        "2026."
    )
    assert second.startswith(said)
    assert second.endswith("What they do not speak of rests on the first estimates.")
    assert third == "No forecast covers a change of the work that has not happened yet."
    shown = [block.words for block in section_rests_on(some) if isinstance(block, Paragraph)]
    assert shown == [first, second, third]
    assert "How much rests on first estimates" in _headings(some)


def _headings(some: Futures) -> list[str]:
    return [block.words for block in schedule_report(some) if isinstance(block, Heading)]
