"""An uncertain little project, and returns of it with a known truth."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

from forecast.condition import SurveyRow
from forecast.estimates import Estimate
from forecast.history import History
from forecast.items import Category, CollectionRow, Mould
from forecast.people import TeamRow
from forecast.project import (
    Checking,
    Drying,
    Grant,
    Outcomes,
    Places,
    Project,
    Sessions,
    TaskTime,
    WorkingTime,
)
from forecast.stages import Stage
from forecast.weekly import Count, Hours, WeeklyReturn

__all__ = ["FIRST", "history", "uncertain_project", "week"]

FIRST = date(2026, 1, 5)


def _share(low: float, likely: float, high: float) -> Estimate:
    return Estimate(low, likely, high, at_most_one=True)


def _work(
    stage: Stage, low: float, likely: float, high: float, mould: Mould | None = None
) -> TaskTime:
    return TaskTime(stage, None, mould, None, False, Estimate(low, likely, high), 0.4)


def uncertain_project(*, practice_known: bool = False) -> Project:
    """Two series of one material, and everything uncertain that returns can tell."""
    practice = _share(0.94, 0.94, 0.94) if practice_known else _share(0.88, 0.94, 1.0)
    spread = Estimate.known(0.12) if practice_known else Estimate(0.05, 0.12, 0.30)
    return Project(
        title="Uncertain",
        grant=Grant("", FIRST, date(2027, 12, 31), date(2028, 6, 30), 2_000),
        places=Places(200, 40, 2, 1),
        collection=(
            CollectionRow("A", "volume", 1_500, 20.0, False, 15.0, 26.0),
            CollectionRow("B", "volume", 1_500, 20.0, False, 15.0, 26.0),
        ),
        survey=tuple(
            SurveyRow(Category("volume", mould, False), items, "A", box)
            for box, counts in (("1", (4, 12, 4)), ("2", (8, 8, 4)))
            for mould, items in zip(Mould, counts, strict=True)
        ),
        task_times=(
            _work(Stage.DRYING, 4.0, 7.0, 12.0),
            _work(Stage.CLEANING, 40.0, 60.0, 95.0),
            _work(Stage.CLEANING, 10.0, 16.0, 26.0, mould=Mould.NONE),
            _work(Stage.IMAGING, 3.0, 5.0, 8.0),
            TaskTime(Stage.IMAGING, None, None, None, True, Estimate(0.4, 0.5, 0.7), 0.2),
            _work(Stage.CHECKING, 2.0, 3.0, 5.0),
            _work(Stage.REBOXING, 6.0, 9.0, 14.0),
        ),
        team=tuple(
            TeamRow(
                person=name,
                role="",
                start=FIRST,
                end=None,
                hours=(7.0, 7.0, 7.0, 7.0, 7.0, 0.0, 0.0),
                begins=32_400,
                mould_work=True,
                stages=(
                    Stage.CLEANING,
                    Stage.DRYING,
                    Stage.IMAGING,
                    Stage.CHECKING,
                    Stage.REBOXING,
                ),
            )
            for name in ("A", "B", "C", "D")
        ),
        observe_public_holidays=False,
        sessions=Sessions(10.0, 25.0, 20.0, 20.0),
        drying=Drying(still_damp=_share(0.02, 0.08, 0.20)),
        checking=Checking(reject_share=_share(0.01, 0.03, 0.08)),
        outcomes=Outcomes(set_aside=_share(0.0, 0.01, 0.04), not_imaged=_share(0.0, 0.01, 0.04)),
        time=WorkingTime(
            delivered_share=_share(0.60, 0.75, 0.85),
            absence_days_a_year=Estimate(3.0, 8.0, 20.0),
            practice=practice,
            practice_starts_at=50.0,
            week_spread=spread,
        ),
    )


def week(
    number: int,
    counts: Sequence[Count] = (),
    hours: Sequence[Hours] = (),
    **sheets: tuple[object, ...],
) -> WeeklyReturn:
    """The return of a week, counted from the first."""
    told = {"counts", "hours", *sheets}
    if not hours:
        told.discard("hours")
    return WeeklyReturn(
        FIRST + timedelta(weeks=number),
        frozenset(told),
        counts=tuple(counts),
        hours=tuple(hours),
        **sheets,  # type: ignore[arg-type]
    )


def history(*returns: WeeklyReturn) -> History:
    return History.of(returns)
