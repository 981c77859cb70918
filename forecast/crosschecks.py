"""What several files must agree about, and what is legal but hardly can work.

A contradiction is a problem that stops a forecast; a doubt is a warning that goes with it.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence

from forecast.cells import Findings
from forecast.errors import Problem
from forecast.items import Category, Mould
from forecast.people import TeamRow
from forecast.project import Grant, Project
from forecast.rows import Tables
from forecast.stages import PLACE_KEYS, Place, Stage

__all__ = ["contradictions", "doubts"]

_MOST_ITEMS = 1_000_000


def contradictions(
    tables: Tables, grant: Grant | None, stages_off: frozenset[Stage], findings: Findings
) -> None:
    """Note where two files contradict each other.

    A total is compared only if its files have no other problem: a row that could not be read is
    missing from it, and the difference would be told twice.
    """
    if not findings.faulty("collection.csv"):
        if not findings.faulty("survey.csv"):
            _survey_totals(tables, findings)
        if not findings.faulty("task_times.csv"):
            _some_task_time(tables, stages_off, findings)
        if tables.deliveries and not findings.faulty("deliveries.csv"):
            _delivery_totals(tables, findings)
        total = sum(row.items for row in tables.collection)
        if total > _MOST_ITEMS:
            findings.add(
                "collection.csv",
                "column items",
                f"{total:,} in all",
                f"at most {_MOST_ITEMS:,} items in all",
                "Split the collection into several projects.",
            )
    if grant is not None and not findings.faulty("project.toml"):
        _dates(tables, grant, findings)


def _survey_totals(tables: Tables, findings: Findings) -> None:
    """Some items of each material looked at, and never more than there are."""
    exist = Counter[tuple[str, str]]()
    seen = Counter[tuple[str, str]]()
    for row in tables.collection:
        exist[row.series, row.material] += row.items
        exist["", row.material] += row.items
    for looked in tables.survey:
        material = looked.category.material
        if looked.series:
            seen[looked.series, material] += looked.items
        seen["", material] += looked.items
    told = set()
    for (series, material), number in seen.items():
        where = f"material {material}" + (f" in {series}" if series else "")
        # Too many in a series is too many in all: told once, where it is nearer to the cause.
        if number > exist[series, material] and material not in told:
            told.add(material)
            findings.add(
                "survey.csv",
                where,
                f"{number} looked-at items",
                f"at most the {exist[series, material]} that collection.csv has",
                "Correct the items here or in collection.csv.",
            )
    for material in dict.fromkeys(row.material for row in tables.collection):
        if not seen["", material]:
            findings.add(
                "survey.csv",
                f"material {material}",
                "no looked-at items",
                "some looked-at items of each material",
                "Look at some and write down what you find. If nobody can yet, write your guess as "
                "if about ten items had been looked at: the forecast is then as wide as that "
                "deserves.",
            )


def _some_task_time(tables: Tables, stages_off: frozenset[Stage], findings: Findings) -> None:
    """Work at one stage at least for each material: otherwise it would be done by itself."""
    worked = {
        row.material
        for row in tables.task_times
        if not row.average.is_zero and row.stage not in stages_off
    }
    for material in dict.fromkeys(row.material for row in tables.collection):
        if not worked & {material, None}:
            findings.add(
                "task_times.csv",
                f"material {material}",
                "no minutes at any stage",
                "minutes of each material at one stage at least",
                f"Add rows for {material}, or rows whose material is blank (any).",
            )


def _delivery_totals(tables: Tables, findings: Findings) -> None:
    """Each series comes exactly."""
    come = Counter[str]()
    exist = Counter[str]()
    for delivery in tables.deliveries:
        come[delivery.series] += delivery.items
    for row in tables.collection:
        exist[row.series] += row.items
    for series, number in exist.items():
        if come[series] != number:
            findings.add(
                "deliveries.csv",
                f"series {series}",
                f"{come[series]} items",
                f"exactly the {number} items that collection.csv has",
                "Correct the items here or in collection.csv; without deliveries.csv everything "
                "comes on the first day.",
            )


def _dates(tables: Tables, grant: Grant, findings: Findings) -> None:
    """Nothing is delivered or promised before the grant begins."""
    for delivery in tables.deliveries:
        if delivery.day < grant.start:
            findings.add(
                "deliveries.csv",
                f"series {delivery.series}",
                str(delivery.day),
                f"a date on or after the grant's start ({grant.start})",
                f"Write {grant.start} for what is there already.",
            )
    for promise in tables.promises:
        if promise.by < grant.start:
            findings.add(
                "promises.csv",
                f"series {promise.series}",
                str(promise.by),
                f"a date on or after the grant's start ({grant.start})",
                "Correct the date.",
            )


def doubts(project: Project) -> tuple[Problem, ...]:
    """Warnings: the project is legal, but cannot finish or hardly."""
    ways = tuple(dict.fromkeys(_ways(project)))
    warnings = Findings()
    _promises(project, warnings)
    _rotas(project, warnings)
    _training(project, ways, warnings)
    _missing_places(project, ways, warnings)
    _too_short(project, ways, warnings)
    for delivery in project.deliveries:
        if delivery.day > project.grant.horizon:
            warnings.add(
                "deliveries.csv",
                f"series {delivery.series}",
                str(delivery.day),
                f"a date up to the horizon ({project.grant.horizon})",
                "These items cannot be done within the forecast: correct the date if it is wrong.",
            )
    return tuple(warnings.problems)


def _promises(project: Project, warnings: Findings) -> None:
    """More promised than there is."""
    if project.grant.items_promised > project.total_items:
        warnings.add(
            "project.toml",
            "[grant] items_promised",
            str(project.grant.items_promised),
            f"at most the {project.total_items} items that collection.csv has",
            "Check both numbers; if they are right, speak with the funder early.",
        )
    for promise in project.promises:
        there = sum(
            row.items
            for row in project.collection
            if row.series == promise.series and promise.material in (None, row.material)
        )
        if promise.items > there:
            material = f", material {promise.material}" if promise.material else ""
            warnings.add(
                "promises.csv",
                f"series {promise.series}{material}",
                str(promise.items),
                f"at most the {there} items that collection.csv has",
                "Check both numbers; if they are right, speak with the funder early.",
            )


def _working(project: Project) -> list[TeamRow]:
    """Rows of the rota with hours, between the grant's start and the horizon."""
    return [
        row
        for row in project.team
        if any(row.hours)
        and row.start <= project.grant.horizon
        and (row.end is None or row.end >= project.grant.start)
    ]


def _rotas(project: Project, warnings: Findings) -> None:
    """Nobody there while the grant lasts."""
    end = max([project.grant.end, *(change.end for change in project.grant.changes)])
    if not any(row.start <= end for row in _working(project)):
        warnings.add(
            "team.csv",
            "columns start and end",
            "nobody's hours inside the grant",
            f"hours of somebody between {project.grant.start} and {end}",
            "Check the years of start and end, and the hours from mon to sun.",
        )


def _ways(project: Project) -> Iterator[tuple[Stage, bool, bool]]:
    """Stages that looked-at items need: the stage, whether mouldy, whether affected there."""
    bound = {row.material for row in project.collection if row.bound}
    for seen in project.survey:
        if not seen.items:
            continue
        category, cleaned = seen.category, False
        for stage in Stage:
            if not _applies(project, stage, category, category.material in bound):
                continue
            mouldy = category.mould is not Mould.NONE and not cleaned
            if stage is Stage.RECEIVING:
                mouldy = project.survey_has_mould  # nobody knows what a box holds
            yield stage, mouldy, category.affected and not cleaned
            cleaned = cleaned or stage is Stage.CLEANING


def _applies(project: Project, stage: Stage, category: Category, bound: bool) -> bool:
    """Whether items of a category pass a stage."""
    if stage in project.stages_off:
        return False
    if stage is Stage.QUARANTINE:
        return category.mould is not Mould.NONE
    if stage is Stage.DRYING and category.mould is not Mould.ACTIVE:
        return False
    if stage is Stage.COVERS and not (bound and category.affected):
        return False
    if stage is Stage.CHECKING and project.checking.share_checked == 0.0:
        return False
    rows = (project.task_time(stage, category, per_image) for per_image in (False, True))
    return any(row is not None and not row.average.is_zero for row in rows)


def _training(
    project: Project, ways: Sequence[tuple[Stage, bool, bool]], warnings: Findings
) -> None:
    """A stage without trained people, and mould without people who do mould work."""
    working = _working(project)
    mould_work = [row for row in working if row.mould_work]
    if project.survey_has_mould and not mould_work:
        warnings.add(
            "team.csv",
            "column mould_work",
            "nobody assigned to mould work",
            "somebody assigned to mould work, since the survey found mould",
            "Items with mould will not be finished: plan who is to be assigned to that work.",
        )
    for stage in Stage:
        if stage is Stage.QUARANTINE or not any(way[0] is stage for way in ways):
            continue
        if not any(stage in row.stages for row in working):
            warnings.add(
                "team.csv",
                "column stages",
                f"nobody trained for {stage.name.lower()}",
                f"somebody trained for {stage.name.lower()}, which some items need",
                "Plan who is to be trained, or switch the stage off if it is not part of the "
                "project ([stages] off in project.toml).",
            )
        elif (
            mould_work
            and any(way[0] is stage and way[1] for way in ways)
            and not any(stage in row.stages for row in mould_work)
        ):
            warnings.add(
                "team.csv",
                "columns stages and mould_work",
                f"nobody for {stage.name.lower()} of items with mould",
                f"one person both trained for {stage.name.lower()} and assigned to mould work",
                "Items with mould will stop there: plan who of those who do mould work is to be "
                "trained.",
            )


def _missing_places(
    project: Project, ways: Sequence[tuple[Stage, bool, bool]], warnings: Findings
) -> None:
    """No place of a kind that items need, at any time."""
    needed: dict[Place, bool] = {
        Place.SHELF: any(way[0] is Stage.QUARANTINE for way in ways),
        Place.DRYER: any(way[0] is Stage.DRYING for way in ways),
        Place.BENCH: any(way[0] is Stage.CLEANING for way in ways),
        Place.CAMERA: any(way[0] in (Stage.COVERS, Stage.IMAGING) for way in ways),
        Place.TOOL_SET: any(way[0] is Stage.CLEANING for way in ways),
    }
    for place, number in zip(Place, project.places.numbers(), strict=True):
        later = any(c.place is place and c.number for c in project.place_changes)
        if needed[place] and number == 0 and not later:
            warnings.add(
                "project.toml",
                f"[places] {PLACE_KEYS[place]}",
                "0",
                "at least 1, since some items need it",
                "Write how many there are; items that need one will not be finished.",
            )


def _too_short(
    project: Project, ways: Sequence[tuple[Stage, bool, bool]], warnings: Findings
) -> None:
    """A session with mouldy items that could never begin, whoever is there."""
    sessions = project.sessions
    clearing = {
        Stage.CLEANING: sessions.clear_bench,
        Stage.COVERS: sessions.clear_camera,
        Stage.IMAGING: sessions.clear_camera,
    }
    wear = project.breathing.wear_minutes or math.inf
    most = min(project.exposure.hours_per_day * 60.0, wear)
    for stage in sorted({way[0] for way in ways if way[1]} - {Stage.QUARANTINE}):
        room = most - clearing.get(stage, 0.0)
        if room < max(sessions.shortest, 1 / 60):
            warnings.add(
                "project.toml",
                "[sessions] shortest",
                f"{sessions.shortest:g} minutes, of which {max(room, 0.0):g} are left",
                f"room for a session of {stage.name.lower()} with items that have mould",
                "Within the limits no such session can begin: check the minutes for clearing and "
                "for the shortest session.",
            )
