"""Makes the invented returns in demo_returns from a known truth that differs from the plan.

From the folder above this one:

    python scenario_data/make_demo_returns.py

writes them anew, with the same bytes each time. The truth is the demo project with other numbers
(:func:`truth`): nothing there is uncertain, and what a forecast has to find out is known.

    cleaning of volumes   a fifth slower than planned
    growing mould         three times as frequent among unseen volumes of the first series
    delivered share       0.70 in place of 0.75
    drying                9 days a round in place of 7
    all else              as likely as the project says

One future of it, up to May, is told as a team would: in quarter hours, boxes of twelve, and with
what happens in any real record (:func:`written`): a week that nobody wrote up, one with totals
only, one on a day grid, a crossed limit that is recorded as worked, a note, and a slip that a
later correction puts right.
"""

# ruff: noqa: INP001  # a script beside data, no package

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from forecast import diary, luck, replicate, return_files
from forecast.diary import EVERYTHING, Telling
from forecast.estimates import Estimate
from forecast.folder import read_project
from forecast.items import Mould
from forecast.planning import Plan
from forecast.project import Project, TaskTime
from forecast.stages import Stage
from forecast.weekly import Count, ExposureDay, Hours, Note, WeeklyReturn

__all__ = ["CORRECTED", "WEEKS", "Written", "truth", "truth_plan", "write", "written"]

HERE = Path(__file__).resolve().parent
PLAN = HERE / "demo"
RETURNS = HERE / "demo_returns"
CORRECTIONS = "corrections"

SEED = 2026
WEEKS = 20

MISSING = date(2026, 2, 16)
CORRECTED = date(2026, 3, 2)  # the first return says three items too many at imaging
TOTALS_ONLY = date(2026, 3, 16)
NOTED = date(2026, 3, 23)
DAY_GRID = date(2026, 4, 20)
CROSSED = date(2026, 4, 27)

SLIP = 3  # items
LONGER = 0.75  # hours of cleaning on one day, beyond the limit of the plan
NOTE = "Softer brushes and a second vacuum cleaner since Tuesday."

SLOWER = 1.2
MORE_ACTIVE = 3.0
FIRST_SERIES = "Quay ledgers"
DELIVERED = 0.70
DRYING_DAYS = 9.0

TELLING = Telling(quarter_hours=True, box_items=12)


# --- the truth -----------------------------------------------------------------------------------


def truth(plan: Project) -> Project:
    """The project as it really is; the mix of conditions is in :func:`truth_plan`."""
    time, drying = plan.time, plan.drying
    return replace(
        plan,
        collection=tuple(
            replace(row, images_low=row.images_per_item, images_high=row.images_per_item)
            for row in plan.collection
        ),
        task_times=tuple(_really(row) for row in plan.task_times),
        drying=replace(drying, still_damp=_likely(drying.still_damp)),
        checking=replace(plan.checking, reject_share=_likely(plan.checking.reject_share)),
        outcomes=replace(
            plan.outcomes,
            set_aside=_likely(plan.outcomes.set_aside),
            not_imaged=_likely(plan.outcomes.not_imaged),
        ),
        time=replace(
            time,
            delivered_share=Estimate(DELIVERED, DELIVERED, DELIVERED, at_most_one=True),
            absence_days_a_year=_likely(time.absence_days_a_year),
            practice=_likely(time.practice),
            week_spread=_likely(time.week_spread),
        ),
    )


def _likely(estimate: Estimate) -> Estimate:
    """As likely as it was thought to be, and known."""
    value = estimate.likely
    return Estimate(value, value, value, at_most_one=estimate.at_most_one)


def _really(row: TaskTime) -> TaskTime:
    """A row of task_times.csv as it really is."""
    value = row.average.likely
    if row.stage is Stage.CLEANING and row.material == "volume":
        value *= SLOWER
    if row.stage is Stage.DRYING and row.material is None:
        value = DRYING_DAYS
    return replace(row, average=Estimate.known(value))


def truth_plan(project: Project) -> Plan:
    """The plan of the true project, with more growing mould among what nobody looked at."""
    plan = luck.plan(truth(project))
    alpha = plan.alpha.copy()
    for number, cell in enumerate(plan.cells):
        if (cell.series, cell.material) == (FIRST_SERIES, "volume"):
            own = slice(cell.first_category, None)
            active = plan.mould[own][: alpha.shape[1]] == Mould.ACTIVE
            alpha[number, : len(active)] *= np.where(active, MORE_ACTIVE, 1.0)
    return replace(plan, alpha=alpha)


# --- as it was written ---------------------------------------------------------------------------


@dataclass(frozen=True)
class Written:
    """The returns as they were handed in, and the corrections that came later."""

    returns: tuple[WeeklyReturn, ...]
    corrections: tuple[WeeklyReturn, ...]


def written(project: Project) -> Written:
    """What the team of the demo wrote down, in the order of the weeks.

    Args:
        project: as planned.
    """
    plan = truth_plan(project)
    drawn, rows = replicate.one_record(plan, SEED, 0)
    last_day = project.grant.start + timedelta(weeks=WEEKS, days=-1)

    def told(tell: Telling) -> dict[date, WeeklyReturn]:
        return {each.week: each for each in diary.returns(plan, drawn, rows, last_day, tell=tell)}

    usual = told(TELLING)
    totals = replace(TELLING, sheets=frozenset({"counts"}), categories=False)
    grid = replace(TELLING, sheets=EVERYTHING - {"hours", "exposure"} | {"days"})
    right = usual[CORRECTED]
    usual[TOTALS_ONLY] = told(totals)[TOTALS_ONLY]
    usual[DAY_GRID] = told(grid)[DAY_GRID]
    for week, change in _CHANGES.items():
        usual[week] = change(usual[week])
    del usual[MISSING]
    return Written(tuple(usual[week] for week in sorted(usual)), (right,))


def _with_a_slip(told: WeeklyReturn) -> WeeklyReturn:
    """A few items too many in the first row of imaging."""
    wrong = next(row for row in told.counts if row.stage is Stage.IMAGING and row.items)
    assert wrong.items is not None
    instead = replace(wrong, items=wrong.items + SLIP)
    counts: tuple[Count, ...] = tuple(instead if row is wrong else row for row in told.counts)
    return replace(told, counts=counts)


def _with_a_note(told: WeeklyReturn) -> WeeklyReturn:
    return replace(told, told=told.told | {"notes"}, notes=(Note(Stage.CLEANING, NOTE),))


def _with_a_crossing(told: WeeklyReturn) -> WeeklyReturn:
    """A cleaning session that went on longer than the plan's limit, told as it was worked."""
    longest = max(told.exposure, key=lambda row: row.hours)
    exposure: tuple[ExposureDay, ...] = tuple(
        replace(row, hours=row.hours + LONGER) if row is longest else row for row in told.exposure
    )
    hours: tuple[Hours, ...] = tuple(
        replace(row, hours=row.hours + LONGER)
        if row.person == longest.person and row.stage is Stage.CLEANING
        else row
        for row in told.hours
    )
    return replace(told, exposure=exposure, hours=hours)


_CHANGES: Mapping[date, Callable[[WeeklyReturn], WeeklyReturn]] = {
    CORRECTED: _with_a_slip,
    NOTED: _with_a_note,
    CROSSED: _with_a_crossing,
}


# --- files ---------------------------------------------------------------------------------------


def write(what: Written, folder: Path) -> None:
    """Write returns, a folder a week, and corrections into a folder of their own.

    Args:
        what: to write.
        folder: its folders of weeks and of corrections are replaced; other files stay.
    """
    for old in sorted(folder.glob("20??-??-??")):
        shutil.rmtree(old)
    shutil.rmtree(folder / CORRECTIONS, ignore_errors=True)
    for told in what.returns:
        return_files.write_return(told, folder / told.week.isoformat())
    for told in what.corrections:
        return_files.write_return(told, folder / CORRECTIONS / told.week.isoformat())


if __name__ == "__main__":
    write(written(read_project(PLAN)), RETURNS)
