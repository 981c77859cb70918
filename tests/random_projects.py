"""Whole random projects: small, and crowded enough to run into everything that can run out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import numpy as np
from hypothesis import strategies as st

from forecast import luck
from forecast.condition import SurveyRow
from forecast.estimates import Estimate
from forecast.exposure import BreathingProtection, ExposureLimits
from forecast.items import Category, CollectionRow, Delivery, Mould
from forecast.luck import Replication
from forecast.people import Closure, DayPlan, TeamRow
from forecast.project import (
    Checking,
    Drying,
    Grant,
    Outcomes,
    PlaceChange,
    Places,
    Project,
    Sessions,
    TaskTime,
    WorkingTime,
)
from forecast.stages import HANDLED_STAGES, N_STAGES, Place, Stage
from tests.small_projects import share

__all__ = ["Case", "cases", "future"]

Draw = Any  # what hypothesis hands to a composite strategy


@dataclass(frozen=True)
class Case:
    """A project, and what its forecast starts from."""

    project: Project
    first_day: int = 0
    seed: int = 1
    exposure_before: tuple[tuple[int, ...], ...] = ()
    finished_before: tuple[int, ...] = (0,) * N_STAGES


def future(case: Case, index: int = 0) -> Replication:
    """The luck of one future of a case."""
    shared = luck.plan(case.project, case.first_day)
    if case.exposure_before:
        shared = replace(shared, exposure_before=np.array(case.exposure_before, dtype=np.int64))
    shared = replace(shared, finished_before=np.array(case.finished_before, dtype=np.int64))
    return luck.replication(shared, case.seed, index)


def _one(draw: Draw, *values: Any) -> Any:
    return draw(st.sampled_from(values))


def _number(draw: Draw, low: int, high: int) -> int:
    return int(draw(st.integers(low, high)))


def _chance(draw: Draw, in_ten: int) -> bool:
    return _number(draw, 1, 10) <= in_ten


def _estimate(draw: Draw, low: float, likely: float, high: float) -> Estimate:
    """Known, or uncertain around the same value."""
    return Estimate(low, likely, high) if _chance(draw, 4) else Estimate.known(likely)


# --- the collection --------------------------------------------------------------------------


def _collection(draw: Draw) -> tuple[CollectionRow, ...]:
    rows = []
    materials = ("volume", "folder", "map")[: _number(draw, 1, 3)]
    for series in ("A", "B", "C")[: _number(draw, 1, 3)]:
        for material in materials:
            if material == materials[0] or _chance(draw, 5):
                images = _one(draw, 1.0, 4.0, 12.5, 40.0)
                uncertain = _chance(draw, 3)
                rows.append(
                    CollectionRow(
                        series,
                        material,
                        _number(draw, 1, 10),
                        images,
                        material == "volume" and _chance(draw, 8),
                        images * (0.5 if uncertain else 1.0),
                        images * (1.5 if uncertain else 1.0),
                    )
                )
    if sum(row.items for row in rows) < 5:
        rows[0] = replace(rows[0], items=5)
    return tuple(rows[:6])


def _condition(draw: Draw, material: str) -> Category:
    """Mould and red rot are frequent: they are what the rules are about."""
    mould = _one(draw, Mould.NONE, Mould.INACTIVE, Mould.INACTIVE, Mould.ACTIVE, Mould.ACTIVE)
    return Category(material, mould, material != "map" and _chance(draw, 4))


def _survey(draw: Draw, collection: tuple[CollectionRow, ...]) -> tuple[SurveyRow, ...]:
    rows = []
    for cell in collection:
        complete = _chance(draw, 5)
        told = complete or _chance(draw, 5)
        left = cell.items if complete else _number(draw, 0, cell.items // 2)
        while left > 0:
            items = _number(draw, 1, left)
            category = _condition(draw, cell.material)
            rows.append(SurveyRow(category, items, cell.series if told else None))
            left -= items
    return tuple(rows)


_MINUTES: dict[Stage, tuple[float, ...]] = {
    Stage.RECEIVING: (2.0, 5.0),
    Stage.COVERS: (3.0, 10.0, 25.0),
    Stage.CLEANING: (8.0, 25.0, 50.0, 130.0),
    Stage.DESCRIBING: (4.0, 15.0),
    Stage.IMAGING: (2.0, 6.0),
    Stage.CHECKING: (1.0, 4.0),
    Stage.REBOXING: (0.005, 2.0, 6.0),
}


def _task_times(draw: Draw) -> tuple[TaskTime, ...]:
    scatter = _one(draw, 0.0, 0.4, 1.0)
    rows = []

    def add(
        stage: Stage,
        average: Estimate,
        material: str | None = None,
        mould: Mould | None = None,
        red_rot: bool | None = None,
        per_image: bool = False,
    ) -> None:
        rows.append(TaskTime(stage, material, mould, red_rot, per_image, average, scatter))

    for stage, minutes in _MINUTES.items():
        if stage in (Stage.RECEIVING, Stage.DESCRIBING) and not _chance(draw, 4):
            continue
        likely = _one(draw, *minutes)
        add(stage, _estimate(draw, likely / 2, likely, likely * 2))
    add(Stage.DRYING, _estimate(draw, 1.0, 2.0, 6.0))
    if _chance(draw, 6):
        add(Stage.IMAGING, Estimate.known(_one(draw, 0.2, 0.5, 2.0)), per_image=True)
    nothing = Estimate.known(0.0)
    if _chance(draw, 2):  # drying does not apply to one material
        add(Stage.DRYING, nothing, material=_one(draw, "volume", "folder"))
    if _chance(draw, 5):  # cleaning applies to what needs it only
        add(Stage.CLEANING, nothing, mould=Mould.NONE, red_rot=False)
    if _chance(draw, 2):  # and not to some that would
        add(Stage.CLEANING, nothing, mould=_one(draw, Mould.INACTIVE, Mould.ACTIVE))
    if _chance(draw, 2):
        add(Stage.CLEANING, nothing, mould=Mould.NONE, red_rot=True)
    if _chance(draw, 3):
        add(Stage.CLEANING, Estimate(20.0, 30.0, 90.0), mould=Mould.ACTIVE, red_rot=True)
    return tuple(rows)


# --- the team --------------------------------------------------------------------------------


def _hours(draw: Draw) -> tuple[float, float, float, float, float, float, float]:
    week = tuple(float(_one(draw, 0.0, 0.55, 2.0, 4.0, 6.0, 8.0, 8.0)) for _ in range(7))
    return week if _chance(draw, 3) else (*week[:5], 0.0, 0.0)  # type: ignore[return-value]


def _team(draw: Draw, start: date, days: int) -> tuple[TeamRow, ...]:
    rows = []
    everything = _chance(draw, 5)
    for person in ("AB", "CD", "EF", "GH", "IJ")[: _number(draw, 1, 5)]:
        first, end = start, None
        stages = draw(st.permutations(HANDLED_STAGES))
        if not (everything or person == "AB"):
            stages = stages[: _number(draw, 1, len(stages))]
        mould_work = person == "AB" or _chance(draw, 7)
        if _chance(draw, 2):
            first = start + timedelta(days=_number(draw, -10, days // 2))
        for _ in range(_one(draw, 1, 1, 2, 3)):
            if _chance(draw, 3):
                end = first + timedelta(days=_number(draw, 0, 30))
            begins = _one(draw, 0, 7 * 3600, 9 * 3600, 9 * 3600, 13 * 3600 + 17, 20 * 3600)
            hours = _hours(draw)
            rows.append(TeamRow(person, "", first, end, hours, begins, mould_work, tuple(stages)))
            if end is None:
                break
            first, end = end + timedelta(days=_number(draw, 1, 5)), None
            if _chance(draw, 5):
                stages = draw(st.permutations(stages))
    return tuple(rows)


def _between(draw: Draw, start: date, days: int, most: int) -> tuple[date, date]:
    first = start + timedelta(days=_number(draw, 0, days - 1))
    return first, first + timedelta(days=_number(draw, 0, most))


def _closures(draw: Draw, team: tuple[TeamRow, ...], start: date, days: int) -> list[Closure]:
    closures = []
    for _ in range(_one(draw, 0, 0, 1, 3)):
        person = _one(draw, None, team[0].person, team[-1].person)
        closures.append(Closure(*_between(draw, start, days, 8), person))
    return closures


def _day_plan(draw: Draw, team: tuple[TeamRow, ...]) -> tuple[DayPlan, ...]:
    plans = {}
    for _ in range(_one(draw, 0, 0, 2, 4)):
        row = _one(draw, *team)
        weekday = _number(draw, 0, 4)
        plans[row.person, weekday] = DayPlan(row.person, weekday, _one(draw, *row.stages))
    return tuple(plans.values())


# --- places ----------------------------------------------------------------------------------


def _places(draw: Draw) -> Places:
    return Places(
        quarantine_items=_one(draw, 1, 2, 4, 8, 60),
        drying_items=_one(draw, 1, 2, 4, 30),
        cleaning_benches=_one(draw, 1, 1, 2, 3),
        camera_stations=_one(draw, 1, 1, 2),
        tool_sets=_one(draw, None, 1, 2, 4),
        tool_drying_hours=_one(draw, 0.0, 0.5, 3.0, 24.0),
    )


def _place_changes(draw: Draw, places: Places, start: date, days: int) -> list[PlaceChange]:
    changes = []
    for place in Place:
        if places.numbers()[place] is not None and _chance(draw, 3):
            first, last = _between(draw, start, min(days, 20), 12)
            changes.append(PlaceChange(place, _one(draw, 0, 0, 1, 2, 5), first, last))
            if _chance(draw, 3):  # another, later range of the same place
                first = last + timedelta(days=_number(draw, 1, 5))
                later = first + timedelta(days=_number(draw, 0, 5))
                changes.append(PlaceChange(place, _number(draw, 0, 3), first, later))
    return changes


def _deliveries(
    draw: Draw, collection: tuple[CollectionRow, ...], start: date, days: int
) -> list[Delivery]:
    """Each series exactly, in one lot or several."""
    if not _chance(draw, 4):
        return []
    deliveries = []
    for series in dict.fromkeys(row.series for row in collection):
        left = sum(row.items for row in collection if row.series == series)
        while left > 0:
            items = _number(draw, 1, left)
            day = start + timedelta(days=_number(draw, 0, days // 2))
            deliveries.append(Delivery(day, series, items))
            left -= items
    return deliveries


# --- the whole -------------------------------------------------------------------------------


def _stages_off(draw: Draw) -> frozenset[Stage]:
    if not _chance(draw, 2):
        return frozenset()
    off = {
        _one(
            draw,
            Stage.QUARANTINE,
            Stage.DRYING,
            Stage.COVERS,
            Stage.CLEANING,
            Stage.IMAGING,
            Stage.CHECKING,
            Stage.REBOXING,
        )
    }
    return frozenset(off)


def _time(draw: Draw) -> WorkingTime:
    absent = _one(draw, 0.0, 0.0, 20.0, 90.0)
    return WorkingTime(
        delivered_share=_one(draw, share(1.0), share(0.7), Estimate(0.5, 0.7, 0.9, True)),
        absence_days_a_year=_estimate(draw, absent / 2, absent, absent * 1.5),
        absence_spell_days=_one(draw, 1.0, 2.5),
        practice=_one(draw, share(1.0), share(0.8), Estimate(0.7, 0.85, 1.0, True)),
        practice_starts_at=_one(draw, 5.0, 100.0),
        week_spread=_one(draw, Estimate.known(0.0), Estimate.known(0.3), Estimate(0.1, 0.2, 0.5)),
    )


def _share(draw: Draw, *likely: float) -> Estimate:
    return share(_one(draw, *likely))


@st.composite
def cases(draw: Draw) -> Case:
    """Random projects of 5 to 60 items, 1 to 5 people, and 4 to 20 weeks to the horizon."""
    start = _one(draw, date(2026, 1, 5), date(2026, 4, 1), date(2026, 8, 30), date(2026, 12, 10))
    days = 7 * _number(draw, 4, 20)
    horizon = start + timedelta(days=days - 1)
    collection = _collection(draw)
    total = sum(row.items for row in collection)
    team = _team(draw, start, days)
    places = _places(draw)
    project = Project(
        title="A random project",
        grant=Grant("", start, start + timedelta(days=days // 2), horizon, total),
        places=places,
        collection=collection,
        survey=_survey(draw, collection),
        task_times=_task_times(draw),
        team=team,
        observe_public_holidays=_chance(draw, 3),
        exposure=ExposureLimits(
            _one(draw, 0.6, 1.0, 2.0, 3.0),
            _one(draw, 1, 2, 3),
            _one(draw, "any-7-days", "any-7-days", "calendar"),
        ),
        breathing=BreathingProtection(_one(draw, 0, 0, 32, 50, 90), _one(draw, 0, 0, 20, 75)),
        sessions=Sessions(
            protective_clothing=_one(draw, 0.0, 5.0, 10.0),
            clear_bench=_one(draw, 0.0, 5.5, 20.0),
            clear_camera=_one(draw, 0.0, 5.5, 20.0),
            shortest=_one(draw, 0.0, 1.0, 10.0, 20.0),
        ),
        quarantine_days=_one(draw, 0, 0, 1, 3, 14),
        drying=Drying(
            attention_minutes=_one(draw, 0.5, 6.0, 15.0, 40.0),
            still_damp=_share(draw, 0.0, 0.2, 0.6),
            month_factor=(1.0, 1.5, 2.0, 1.0, 1.0, 0.8, 0.8, 0.9, 1.3, 1.0, 1.0, 1.2),
        ),
        checking=Checking(_one(draw, 0.0, 0.5, 1.0), _share(draw, 0.0, 0.3, 0.7), 0.25),
        outcomes=Outcomes(_share(draw, 0.0, 0.0, 0.15), _share(draw, 0.0, 0.0, 0.15)),
        time=_time(draw),
        stages_off=_stages_off(draw),
        closures=tuple(_closures(draw, team, start, days)),
        place_changes=tuple(_place_changes(draw, places, start, days)),
        day_plan=_day_plan(draw, team),
        deliveries=tuple(_deliveries(draw, collection, start, days)),
    )
    before: tuple[tuple[int, ...], ...] = ()
    if _chance(draw, 4):
        limit = int(project.exposure.hours_per_day * 3600)
        before = tuple(
            tuple(_one(draw, 0, 0, 600, limit) for _ in range(6)) for _ in project.persons
        )
    practised = _one(draw, 0, 0, 7, 300)
    return Case(
        project=project,
        first_day=_one(draw, 0, 0, 1, 9),
        seed=_number(draw, 0, 2**32),
        exposure_before=before,
        finished_before=(practised,) * N_STAGES,
    )
