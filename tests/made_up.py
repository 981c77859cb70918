"""A made-up project and made-up futures of it, for tests of reports: nothing is simulated."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from functools import lru_cache

import numpy as np

from forecast.condition import SurveyRow
from forecast.errors import Problem
from forecast.estimates import Estimate
from forecast.exposure import ExposureLimits
from forecast.items import Category, CollectionRow, Mould
from forecast.outcome import Futures
from forecast.people import TeamRow
from forecast.project import Grant, Places, Project, TaskTime
from forecast.stages import N_STAGES, Stage

ALL = tuple(s for s in Stage if s not in (Stage.QUARANTINE, Stage.RECEIVING, Stage.DESCRIBING))
WEEK = (7.0, 7.0, 7.0, 7.0, 7.0, 0.0, 0.0)


def _row(person: str, mould: bool) -> TeamRow:
    return TeamRow(person, "conservator", date(2026, 1, 5), None, WEEK, 9 * 3600, mould, ALL)


def _time(stage: Stage, low: float, likely: float, high: float, source: str = "") -> TaskTime:
    average = Estimate(low, likely, high)
    return TaskTime(stage, None, None, None, stage is Stage.IMAGING, average, 0.4, source)


@lru_cache
def project() -> Project:
    """Three people with initials that no English word holds; two do mould work."""
    return Project(
        title="The flooded library of Nowhere",
        grant=Grant(
            "The Made-up Fund", date(2026, 1, 5), date(2026, 12, 31), date(2028, 12, 31), 600
        ),
        places=Places(80, 20, 1, 1),
        collection=(
            CollectionRow("registers", "volume", 400, 120.0, True, 100.0, 140.0),
            CollectionRow("letters", "folder", 240, 40.0, False, 40.0, 40.0),
        ),
        survey=(
            SurveyRow(Category("volume", Mould.NONE, False), 40),
            SurveyRow(Category("volume", Mould.INACTIVE, True), 20),
            SurveyRow(Category("volume", Mould.ACTIVE, False), 6),
            SurveyRow(Category("folder", Mould.NONE, False), 30),
        ),
        task_times=(
            _time(Stage.DRYING, 4, 7, 14, "trial of two weeks by QX"),
            _time(Stage.CLEANING, 20, 30, 60, "timed on 40 volumes"),
            _time(Stage.IMAGING, 0.5, 0.8, 1.2),
        ),
        team=(_row("QX", True), _row("VZ", True), _row("JW", False)),
        exposure=ExposureLimits(hours_per_day=3.0, days_per_week=3),
        quarantine_days=14,
        defaults_used=("drying.still_damp", "task_times.csv:scatter", "exposure.hours_per_day"),
        warnings=(
            Problem(
                "team.csv",
                "row 3, column stages",
                "JW",
                "somebody trained for checking who does mould work",
                "Train JW, or assign another person",
            ),
            Problem("project.toml", "[grant] items_promised", "", "no more than exist", "Check it"),
        ),
        input_sha256="0" * 64,
    )


@lru_cache
def futures(replications: int = 200, never: int = 4, seed: int = 1) -> Futures:
    """Futures whose finishes scatter around the grant's end; ``never`` of them do not finish."""
    made = project()
    rng = np.random.default_rng(seed)
    first_day = date(2026, 6, 1)
    days, total, done = made.days, made.total_items, 210
    first, end = made.day_number(first_day), made.day_number(made.grant.end)
    finish = np.rint(rng.normal(end - 12, 24, replications)).astype(np.int32)
    finish[:never] = -1
    by_day = np.zeros((replications, days), np.int32)
    by_day[:, :first] = np.rint(np.linspace(0, done, first))
    for r in range(replications):
        last = finish[r] if finish[r] >= 0 else days + 200
        path = done + (total - done) * (np.arange(days - first) + 1) / (last - first + 1)
        by_day[r, first:] = np.minimum(np.floor(path + rng.normal(0, 2)), total)
    by_day = np.minimum.accumulate(np.maximum.accumulate(by_day, axis=1)[:, ::-1], axis=1)[:, ::-1]
    weeks = tuple(made.grant.start + timedelta(weeks=w) for w in range((days + 6) // 7))
    sundays = np.minimum([made.day_number(w) + 6 for w in weeks], days - 1)
    n_weeks, persons = len(weeks), len(made.persons)
    at_sunday = by_day[:, sundays]
    items = np.repeat(at_sunday[:, :, None], N_STAGES, axis=2)
    items[:, :, [Stage.RECEIVING, Stage.DESCRIBING]] = 0
    left = np.maximum(total - at_sunday, 0)
    waiting = np.zeros((replications, n_weeks, N_STAGES), np.int32)
    for n, stage in enumerate((Stage.QUARANTINE, Stage.DRYING, Stage.CLEANING, Stage.IMAGING)):
        bump = rng.integers(0, 4 + 3 * n, (replications, n_weeks))
        waiting[:, :, stage] = np.where(left > 0, np.minimum(left, 60 // (n + 1) + bump), 0)
    late = np.where(left > 20, rng.poisson(1.5, (replications, n_weeks)), 0).astype(np.int32)
    busy_weeks = (left > 0)[:, :, None] * np.array([1.0, 0.9, 0.0])[:persons]
    exposure = np.rint(busy_weeks * rng.uniform(5.0, 9.0, (replications, n_weeks, persons)) * 3600)
    assert persons == 3
    return Futures(
        project=made,
        as_of=date(2026, 5, 31),
        first_day=first_day,
        grant_end=made.grant.end,
        seed=seed,
        weeks=weeks,
        finish_day=finish,
        done_by_day=by_day,
        weekly_items=items.astype(np.int32),
        weekly_waiting=waiting,
        weekly_late_drying=late,
        late_drying=late.max(axis=1).astype(np.int32),
        weekly_exposure=exposure.astype(np.int64),
        exposure_days=np.minimum(np.ceil(exposure / 10_800), 3).astype(np.int32),
        weekly_hours=(exposure * 2).astype(np.int64),
        max_day_exposure=np.tile(np.array([10_800, 10_800, 0], np.int64), (replications, 1)),
        place_busy=np.column_stack(
            [rng.uniform(low, low + 0.1, replications) for low in (0.4, 0.6, 0.8, 0.85)]
            + [np.full(replications, np.nan)]
        ),
        waiting_items=waiting.mean(axis=1),
        waiting_days=waiting.mean(axis=1) / 3.0,
        outcomes=np.tile(np.array([total, 0, 0, 0, 0], np.int32), (replications, 1)),
        reimaged=np.full(replications, 500, np.int64),
        images=np.full(replications, 57_600, np.int64),
        no_longer_from=date(2026, 10, 5),
    )


def without_late_dryers() -> Futures:
    """The same futures, and nothing ever waits too long for drying."""
    made = futures()
    return replace(
        made,
        weekly_late_drying=np.zeros_like(made.weekly_late_drying),
        late_drying=np.zeros_like(made.late_drying),
    )
