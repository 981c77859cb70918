"""Little projects in which nothing is left to chance, and their timetables in words."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import date, time, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forecast.condition import SurveyRow
from forecast.estimates import Estimate
from forecast.events import What
from forecast.exposure import ExposureLimits
from forecast.items import Category, CollectionRow, Mould
from forecast.people import TeamRow
from forecast.project import (
    Checking,
    Drying,
    Grant,
    Places,
    Project,
    Sessions,
    TaskTime,
    WorkingTime,
)
from forecast.stages import Stage
from forecast.trace import event_words, moment

__all__ = [
    "ANY_KIND",
    "MONDAY",
    "WORK",
    "Lot",
    "day",
    "per_image",
    "per_item",
    "person",
    "share",
    "small_project",
    "timetable",
]

MONDAY = date(2026, 1, 5)  # every little project begins on this Monday

WORK = frozenset(
    {
        What.SESSION_BEGINS,
        What.TAKEN,
        What.PUT_BACK,
        What.FINISHED,
        What.CLEARING_BEGINS,
        What.SESSION_ENDS,
    }
)
ANY_KIND = frozenset(What)


def day(number: int) -> date:
    """The date that many days after the first Monday."""
    return MONDAY + timedelta(days=number)


@dataclass(frozen=True)
class Lot:
    """Items of one material and condition, all of them looked at.

    Each lot is a series of its own unless it names one.
    """

    items: int
    mould: Mould = Mould.NONE
    red_rot: bool = False
    material: str = "volume"
    bound: bool = False
    images: float = 10.0
    series: str = ""


def share(value: float) -> Estimate:
    """A share that is known."""
    return Estimate(value, value, value, at_most_one=True)


def per_item(
    stage: str,
    minutes: float,
    material: str | None = None,
    mould: Mould | None = None,
    red_rot: bool | None = None,
) -> TaskTime:
    """Minutes (days at drying) an item that are known and never vary."""
    average = Estimate.known(minutes)
    return TaskTime(Stage[stage.upper()], material, mould, red_rot, False, average, scatter=0.0)


def per_image(stage: str, minutes: float, material: str | None = None) -> TaskTime:
    """Minutes an image that are known and never vary."""
    average = Estimate.known(minutes)
    return TaskTime(Stage[stage.upper()], material, None, None, True, average, scatter=0.0)


def person(
    name: str,
    stages: str,
    hours: float | Sequence[float] = 8.0,
    begins: str = "09:00",
    mould_work: bool = True,
    start: date = MONDAY,
    end: date | None = None,
) -> TeamRow:
    """One row of the rota; one number of hours stands for Monday to Friday."""
    week = (hours,) * 5 + (0.0, 0.0) if isinstance(hours, float) else tuple(hours)
    assert len(week) == 7
    clock = time.fromisoformat(begins)
    return TeamRow(
        person=name,
        role="",
        start=start,
        end=end,
        hours=(week[0], week[1], week[2], week[3], week[4], week[5], week[6]),
        begins=(clock.hour * 60 + clock.minute) * 60 + clock.second,
        mould_work=mould_work,
        stages=tuple(Stage[stage.upper()] for stage in stages.split(";")),
    )


_GRANT = Grant("", MONDAY, day(59), day(59), items_promised=1)
_PLACES = Places(quarantine_items=9, drying_items=9, cleaning_benches=2, camera_stations=1)
_NOTHING_VARIES = WorkingTime(
    delivered_share=share(1.0),
    absence_days_a_year=Estimate.known(0.0),
    practice=share(1.0),
    week_spread=Estimate.known(0.0),
)
_ALWAYS_DRY = Drying(still_damp=share(0.0))
_UNCHECKED = Checking(share_checked=0.0, reject_share=share(0.0))


def small_project(
    lots: Sequence[Lot], tasks: Sequence[TaskTime], team: Sequence[TeamRow], **changes: Any
) -> Project:
    """A wholly deterministic project of sixty days; ``changes`` are fields of Project.

    Unless changed: clothing 10 minutes, clear_bench 25, clear_camera 20, shortest 20; exposure at
    most 3 hours a day on 3 of any 7 days; no limit to wear or rest; 9 shelves and drying places,
    2 benches, 1 camera, tool sets no limit; no least quarantine; attention 15 minutes.
    """
    series = [lot.series or f"S{number}" for number, lot in enumerate(lots)]
    rows: dict[tuple[str, str], CollectionRow] = {}
    for name, lot in zip(series, lots, strict=True):
        before = rows.get((name, lot.material))
        items = lot.items + (before.items if before else 0)
        rows[name, lot.material] = CollectionRow(
            name, lot.material, items, lot.images, lot.bound, lot.images, lot.images
        )
    survey = tuple(
        SurveyRow(Category(lot.material, lot.mould, lot.red_rot), lot.items, series=name)
        for name, lot in zip(series, lots, strict=True)
    )
    project = Project(
        title="A small project",
        grant=_GRANT,
        places=_PLACES,
        collection=tuple(rows.values()),
        survey=survey,
        task_times=tuple(tasks),
        team=tuple(team),
        observe_public_holidays=False,
        exposure=ExposureLimits(),
        sessions=Sessions(),
        drying=_ALWAYS_DRY,
        checking=_UNCHECKED,
        time=_NOTHING_VARIES,
    )
    return replace(project, **changes)


def _words(project: Project, row: NDArray[np.int64]) -> tuple[str, str]:
    """Whom a row is about, and the line that says it."""
    who, words = event_words(row)
    subject = project.persons[who] if who >= 0 else f"item {int(row[3]):6d}"
    when = f"{moment(project, int(row[0])):%a %d %b %H:%M:%S}"
    return subject, f"{when} {subject} {words}" if who >= 0 else f"{when} {words}"


def timetable(
    project: Project,
    events: NDArray[np.int64],
    show: Collection[What] = WORK,
    quarantine: bool = False,
) -> list[str]:
    """The chosen kinds of events, a line each, by time; the end of quarantine only if asked for.

    Within one second the lines of each person and of each item keep the engine's order; people
    come first, by name, because the rules do not say which of two of them to write down first.
    """
    lines = [
        (int(row[0]), *_words(project, row))
        for row in events
        if What(int(row[1])) in show
        and (quarantine or row[1] != What.FINISHED or row[2] != Stage.QUARANTINE)
    ]
    lines.sort(key=lambda entry: entry[:2])
    return [line for _, _, line in lines]
