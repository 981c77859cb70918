"""Little projects in which nothing is left to chance, and their timetables in words."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forecast import luck, walkthrough
from forecast.condition import SurveyRow
from forecast.estimates import Estimate
from forecast.events import What
from forecast.exposure import ExposureLimits
from forecast.items import Category, CollectionRow, Mould
from forecast.luck import Replication
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
from forecast.stages import STAGE_NAMES, Stage

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
    "worked",
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


_STATIONS = {Stage.COVERS: "camera", Stage.CLEANING: "bench", Stage.IMAGING: "camera"}
_PERSONAL = {
    What.TAKEN: "takes item {item}",
    What.EXPOSURE_BEGINS: "is exposed",
    What.PUT_BACK: "puts back item {item}",
    What.FINISHED: "finishes item {item}",
    What.CLEARING_BEGINS: "clears",
    What.EXPOSURE_ENDS: "is exposed no longer",
    What.SESSION_ENDS: "ends {stage}",
    What.TOOL_SET_TAKEN: "takes tool set {place}",
}
_IMPERSONAL = {
    What.DELIVERED: "item {item} is delivered",
    What.WAITS: "item {item} waits for {stage}",
    What.SHELF_TAKEN: "item {item} goes on shelf {place}",
    What.SHELF_FREED: "item {item} leaves shelf {place}",
    What.ROUND_BEGINS: "item {item} begins to dry in place {place}",
    What.ROUND_DUE: "item {item} is due",
    What.FINISHED: "item {item} may leave quarantine",
    What.DRYER_FREED: "item {item} leaves drying place {place}",
    What.REJECTED: "item {item} is rejected",
    What.TOOL_SET_CLEAN: "tool set {place} is clean",
    What.DONE: "item {item} is done",
    What.SET_ASIDE: "item {item} is set aside",
    What.NOT_IMAGED: "item {item} is done without images",
}


def _words(project: Project, row: NDArray[np.int64]) -> tuple[str, str]:
    """Whom a row is about, and the line that says it."""
    seconds, what, stage, item, who, place = (int(value) for value in row)
    name = STAGE_NAMES[stage] if stage >= 0 else "?"
    kind = What(what)
    if kind is What.SESSION_BEGINS:
        text = f"begins {name}"
        if stage in _STATIONS:
            text += f" at {_STATIONS[Stage(stage)]} {place}"
    elif kind in _IMPERSONAL and (kind not in _PERSONAL or who < 0):
        text, who = _IMPERSONAL[kind], -1
    else:
        text = _PERSONAL[kind]
    text = text.format(item=item, stage=name, place=place)
    subject = project.persons[who] if who >= 0 else f"item {item:6d}"
    moment = datetime.combine(project.grant.start, time()) + timedelta(seconds=seconds)
    line = f"{moment:%a %d %b %H:%M:%S} {project.persons[who] + ' ' if who >= 0 else ''}{text}"
    return subject, line


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


def worked(
    project: Project,
    show: Collection[What] = WORK,
    first_day: int = 0,
    quarantine: bool = False,
    **own_luck: Any,
) -> list[str]:
    """Run a project and return its timetable; ``own_luck`` replaces arrays of the replication."""
    future = luck.replication(luck.plan(project, first_day), 1, 0)
    future = _with_luck(future, own_luck)
    return timetable(project, walkthrough.run(future), show, quarantine)


def _with_luck(future: Replication, own_luck: Mapping[str, Any]) -> Replication:
    """The replication with some arrays replaced, in the types that it had.

    Whether imaging and checking apply follows from ``not_imaged``, as it does in a drawn future.
    """
    arrays: dict[str, Any] = {
        name: np.asarray(value, dtype=getattr(future, name).dtype)
        for name, value in own_luck.items()
    }
    if "not_imaged" in arrays:
        applies = future.applies.copy()
        applies[np.ix_(arrays["not_imaged"], [Stage.IMAGING, Stage.CHECKING])] = False
        arrays["applies"] = applies
    return replace(future, **arrays)
