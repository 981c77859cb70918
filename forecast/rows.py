"""The CSV files of a project: from the rows of each sheet to the trade's nouns.

Here stand the rules for one row and for the rows of one file. Totals that two files must agree
about are in crosschecks.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from types import MappingProxyType
from typing import Any, TypeVar

from forecast.cells import (
    CellError,
    Findings,
    Limits,
    nearest,
    parse_flag,
    parse_stage,
    parse_time,
)
from forecast.condition import SurveyRow
from forecast.items import MOULD_NAMES, Category, CollectionRow, Delivery, Mould
from forecast.people import Closure, DayPlan, TeamRow
from forecast.project import (
    BudgetLine,
    PartPromise,
    PilotRow,
    PlaceChange,
    Project,
    Spend,
    Supply,
    TaskTime,
)
from forecast.sheets import Row
from forecast.stages import PLACE_KEYS, STAGE_NAMES, Place, Stage

__all__ = ["COLUMNS", "WEEKDAYS", "Tables", "cells_of", "read_tables"]

T = TypeVar("T")

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_CONDITION = ("material", "mould", "red_rot")

# Each file's required and optional columns.
COLUMNS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "collection.csv": (
        ("series", "material", "items", "images_per_item", "bound"),
        ("images_low", "images_high"),
    ),
    "survey.csv": ((*_CONDITION, "items"), ("series", "box")),
    "task_times.csv": (
        ("stage", *_CONDITION, "per", "low", "likely", "high"),
        ("scatter", "source"),
    ),
    "team.csv": (
        ("person", "role", "start", *WEEKDAYS, "mould_work", "stages"),
        ("end", "begins", "hourly_cost", "line"),
    ),
    "pilot.csv": (("stage", *_CONDITION, "minutes"), ()),
    "closures.csv": (("first_day", "last_day"), ("person", "reason")),
    "places.csv": (("place", "number", "first_day", "last_day"), ()),
    "dayplan.csv": (("person", "weekday", "stage"), ()),
    "deliveries.csv": (("date", "series", "items"), ()),
    "supplies.csv": (
        (
            "supply",
            "unit",
            "per",
            "stage",
            "amount",
            "in_stock",
            "pack",
            "lead_time_days",
            "unit_cost",
        ),
        ("line",),
    ),
    "budget.csv": (("line", "amount"), ()),
    "spend.csv": (("date", "line", "amount", "note"), ("status",)),
    "promises.csv": (("series", "items", "by"), ("material", "images")),
}

_MINUTES = Limits(0, 100_000)
_MONEY = Limits(0, 1e12)
_IMAGES = Limits(0, 100_000)
_QUARANTINE = (
    "Nobody works at quarantine: items wait there on a shelf. Take it out; the waiting time is "
    "minimum_days under [quarantine] in project.toml."
)


@dataclass(frozen=True)
class Tables:
    """What the CSV files say, under the names of :class:`~forecast.project.Project`."""

    collection: tuple[CollectionRow, ...] = ()
    survey: tuple[SurveyRow, ...] = ()
    task_times: tuple[TaskTime, ...] = ()
    team: tuple[TeamRow, ...] = ()
    closures: tuple[Closure, ...] = ()
    place_changes: tuple[PlaceChange, ...] = ()
    day_plan: tuple[DayPlan, ...] = ()
    deliveries: tuple[Delivery, ...] = ()
    pilot: tuple[PilotRow, ...] = ()
    supplies: tuple[Supply, ...] = ()
    budget: tuple[BudgetLine, ...] = ()
    spend: tuple[Spend, ...] = ()
    promises: tuple[PartPromise, ...] = ()


@dataclass(frozen=True)
class _Names:
    """The names that other files may use, from faulty rows too: one fault, one message."""

    materials: Mapping[str, tuple[str, ...]]  # of each series
    persons: tuple[str, ...]
    lines: tuple[str, ...]

    @cached_property
    def series(self) -> Collection[str]:
        """Every series, once, quick to look up."""
        return dict.fromkeys(name for name in self.materials if name)

    @cached_property
    def all_materials(self) -> Collection[str]:
        """Every material, once."""
        return dict.fromkeys(m for some in self.materials.values() for m in some)


def read_tables(
    sheets: Mapping[str, Sequence[Row]],
    findings: Findings,
    known: Mapping[tuple[str, int], Any] = MappingProxyType({}),
) -> Tables:
    """All tables; what cannot be read is noted, and left out of them.

    Args:
        sheets: the rows of each file that is there.
        findings: notes what is wrong.
        known: what a row of a file, by its number, is known to say; it is not read again.
    """
    names = _names(sheets)

    def rows(name: str, build: Callable[[Row], T]) -> tuple[T, ...]:
        built = [
            (row, known[name, row.number] if (name, row.number) in known else build(row))
            for row in sheets.get(name, ())
        ]
        return tuple(thing for row, thing in built if row.good)

    collection = rows("collection.csv", _collection_row)
    _once(sheets, "collection.csv", ("series", "material"))
    survey = rows("survey.csv", lambda row: _survey_row(row, names))
    _once(sheets, "survey.csv", ("series", "box", *_CONDITION))
    task_times = rows("task_times.csv", lambda row: _task_time(row, names))
    _once(sheets, "task_times.csv", ("stage", *_CONDITION, "per"))
    team = rows("team.csv", lambda row: _team_row(row, names, "budget.csv" in sheets))
    _no_overlap(sheets.get("team.csv", ()), "person", "start", "end")
    trained: dict[str, set[Stage]] = {}
    for member in team:
        trained.setdefault(member.person, set()).update(member.stages)
    tables = Tables(
        collection=collection,
        survey=survey,
        task_times=task_times,
        team=team,
        closures=rows("closures.csv", lambda row: _closure(row, names)),
        place_changes=rows("places.csv", _place_change),
        day_plan=rows("dayplan.csv", lambda row: _day_plan(row, names, trained)),
        deliveries=rows("deliveries.csv", lambda row: _delivery(row, names)),
        pilot=rows("pilot.csv", lambda row: _pilot_row(row, names)),
        supplies=rows("supplies.csv", lambda row: _supply(row, names, "budget.csv" in sheets)),
        budget=rows("budget.csv", _budget_line),
        spend=rows("spend.csv", lambda row: _spend(row, names)),
        promises=rows("promises.csv", lambda row: _promise(row, names)),
    )
    _no_overlap(sheets.get("places.csv", ()), "place", "first_day", "last_day")
    _once(sheets, "closures.csv", ("first_day", "last_day", "person"))
    _once(sheets, "dayplan.csv", ("person", "weekday"))
    _once(sheets, "deliveries.csv", ("date", "series"))
    _once(sheets, "supplies.csv", ("supply", "per", "stage"))
    _once(sheets, "budget.csv", ("line",))
    _once(sheets, "spend.csv", ("date", "line", "amount", "note", "status"))
    _once(sheets, "promises.csv", ("series", "material", "by"))
    if "deliveries.csv" not in sheets:
        findings.assume("deliveries.csv:date")
    return tables


def _names(sheets: Mapping[str, Sequence[Row]]) -> _Names:
    """Names as the files give them.

    A file that could not be read, or leaves a name blank, says so itself. Then the names that
    other files use are taken as they are, lest that one fault be told in each of their rows.
    """
    materials: dict[str, tuple[str, ...]] = {}
    for name in ("collection.csv", *_open_to("collection.csv", ("series", "material"), sheets)):
        for row in sheets.get(name, ()):
            series, material = row.cell("series"), row.cell("material")
            if material and material not in materials.get(series, ()):
                materials[series] = (*materials.get(series, ()), material)

    def column(source: str, key: str) -> tuple[str, ...]:
        files = (source, *_open_to(source, (key,), sheets))
        cells = (row.cell(key) for name in files for row in sheets.get(name, ()))
        return tuple(dict.fromkeys(cell for cell in cells if cell))

    lines = column("budget.csv", "line") if "budget.csv" in sheets else ()
    return _Names(materials, column("team.csv", "person"), lines)


def _open_to(
    source: str, keys: Sequence[str], sheets: Mapping[str, Sequence[Row]]
) -> tuple[str, ...]:
    """The files whose names count as well, since the one that should give them is faulty."""
    rows = sheets.get(source, ())
    if rows and all(row.cell(key) for row in rows for key in keys):
        return ()
    return tuple(name for name in COLUMNS if name != source)


def _once(sheets: Mapping[str, Sequence[Row]], name: str, key: Sequence[str]) -> None:
    """Reject a row that says the same thing as an earlier one."""
    seen: dict[tuple[str, ...], int] = {}
    for row in sheets.get(name, ()):
        found = tuple(row.cell(column) for column in key)
        first = seen.setdefault(found, row.number)
        if first != row.number:
            row.reject(
                "",
                f"each combination of {', '.join(key)} once" if len(key) > 1 else "each line once",
                f"Row {first} says it already: delete one of the two, or bring them together.",
                ", ".join(cell for cell in found if cell),
            )


def _no_overlap(rows: Iterable[Row], key: str, first: str, last: str) -> None:
    """Reject a row whose days another row of the same person or place covers."""
    kept: list[tuple[Row, date, date]] = []
    for row in rows:
        if not row.good:
            continue
        begin = row.day(first)
        end = row.optional_day(last) or date.max
        for other, other_begin, other_end in kept:
            if other.cell(key) == row.cell(key) and begin <= other_end and other_begin <= end:
                row.reject(
                    first,
                    f"days that no other row of {row.cell(key)} covers",
                    f"Row {other.number} covers some of them: write its last day into {last} "
                    "there, or correct the days here.",
                    f"{begin} to {row.cell(last) or 'the horizon'}",
                )
                break
        else:
            kept.append((row, begin, end))


def _condition(row: Row, names: _Names) -> tuple[str | None, Mould | None, bool | None]:
    """Material, mould and red rot, each of which may be blank."""
    material = row.optional_choice(
        "material", names.all_materials, "a material of collection.csv, or blank for any"
    )
    mould = row.optional_choice("mould", MOULD_NAMES, "none, inactive, active, or blank for any")
    unknown: bool | None = None
    red_rot = row.read("red_rot", parse_flag, unknown, optional=True)
    return material, None if mould is None else Mould(MOULD_NAMES.index(mould)), red_rot


def _series(row: Row, names: _Names) -> str:
    """A series of the collection."""
    return row.choice("series", names.series, "a series of collection.csv")


def _line(row: Row, names: _Names, budget: bool) -> str:
    """A line of the award, looked up where there is a budget."""
    if budget:
        return row.optional_choice("line", names.lines, "a line of budget.csv") or ""
    return row.cell("line")


def _collection_row(row: Row) -> CollectionRow:
    average = row.number_in("images_per_item", _IMAGES)
    low = row.number_in("images_low", _IMAGES, average, assumed=True)
    high = row.number_in("images_high", _IMAGES, average, assumed=True)
    built = CollectionRow(
        series=row.text("series"),
        material=row.text("material"),
        items=row.whole("items", low=1),
        images_per_item=average,
        bound=row.flag("bound"),
        images_low=low,
        images_high=high,
    )
    if row.good and not low <= average <= high:
        row.reject(
            "images_per_item",
            "a number between images_low and images_high",
            "Put the three numbers in rising order: images_low, images_per_item, images_high.",
            f"{low:g}, {average:g}, {high:g}",
        )
    return built


def _survey_row(row: Row, names: _Names) -> SurveyRow:
    material = row.choice("material", names.all_materials, "a material of collection.csv")
    series = row.optional_choice("series", names.series, "a series of collection.csv")
    held = names.materials.get(series or "", ())
    if series and material and material not in held:
        row.reject("material", f"a material that {series} holds", nearest(material, held))
    mould = row.choice("mould", MOULD_NAMES, "none, inactive or active") or "none"
    category = Category(material, Mould(MOULD_NAMES.index(mould)), row.flag("red_rot"))
    return SurveyRow(category, row.whole("items"), series, row.cell("box") or None)


def _task_time(row: Row, names: _Names) -> TaskTime:
    stage = row.read("stage", lambda text: parse_stage(text, _QUARANTINE), Stage.CLEANING)
    material, mould, red_rot = _condition(row, names)
    per = row.choice("per", ("item", "image"), "item or image")
    average = row.estimate(_MINUTES)
    scatter = row.number_in("scatter", Limits(0, 10), 0.4, assumed=not average.is_zero)
    if stage is Stage.DRYING and per == "image":
        row.reject("per", "item", "Drying takes days for a whole item: write item.")
    if stage is Stage.DRYING and mould in (Mould.NONE, Mould.INACTIVE) and not average.is_zero:
        row.reject("mould", "active or blank at drying", "Only active mould is dried: correct it.")
    return TaskTime(
        stage, material, mould, red_rot, per == "image", average, scatter, row.cell("source")
    )


def _pilot_row(row: Row, names: _Names) -> PilotRow:
    stage = row.read("stage", lambda text: parse_stage(text, _QUARANTINE), Stage.CLEANING)
    if stage is Stage.DRYING:
        row.reject("stage", "a stage that is timed in minutes", "Leave drying out: it takes days.")
    material, mould, red_rot = _condition(row, names)
    minutes = row.number_in("minutes", Limits(0, 100_000, above=True))
    return PilotRow(stage, material, mould, red_rot, minutes)


def _trained(text: str) -> tuple[Stage, ...]:
    """Stages in order of preference."""
    if not text:
        raise CellError("at least one stage", "Write stages with semicolons: cleaning;imaging.")
    stages = tuple(parse_stage(part.strip(), _QUARANTINE) for part in re.split("[;,]", text))
    if len(set(stages)) < len(stages):
        raise CellError("each stage once", "Delete the second one.")
    return stages


def _team_row(row: Row, names: _Names, budget: bool) -> TeamRow:
    start = row.day("start")
    end = row.optional_day("end", assumed=True)
    if row.good and end is not None and end < start:
        row.reject("end", f"a date on or after start ({start})", "Correct one of the dates.")
    hours = [row.number_in(weekday, Limits(0, 24)) for weekday in WEEKDAYS]
    none: tuple[Stage, ...] = ()
    cost = row.number_in("hourly_cost", _MONEY, -1.0)
    return TeamRow(
        person=row.text("person"),
        role=row.text("role"),
        start=start,
        end=end,
        hours=(hours[0], hours[1], hours[2], hours[3], hours[4], hours[5], hours[6]),
        begins=row.read("begins", parse_time, 9 * 3_600, optional=True, assumed=True),
        mould_work=_mould_work(row),
        stages=row.read("stages", _trained, none),
        hourly_cost=None if cost < 0 else cost,
        line=_line(row, names, budget),
    )


def _mould_work(row: Row) -> bool:
    """Assigned to mould work or not. Whatever else stood there is nobody's business."""
    if row.cell("mould_work").casefold() in ("yes", "no"):
        return parse_flag(row.cell("mould_work"))
    remedy = "Write yes or no and nothing else: a reason does not belong in this file."
    row.reject("mould_work", "yes or no", remedy, "(not shown)" if row.cell("mould_work") else "")
    return False


def _closure(row: Row, names: _Names) -> Closure:
    first, last = row.period("first_day", "last_day")
    person = row.optional_choice("person", names.persons, "a person of team.csv, or blank")
    reason = row.cell("reason")
    if row.cell("person") and reason:
        row.reject(
            "reason",
            "no reason beside a person",
            "Empty the cell: why somebody is away is private.",
            "(not shown)",
        )
    return Closure(first, last, person, reason)


def _place_change(row: Row) -> PlaceChange:
    place = row.choice("place", PLACE_KEYS, "a place, as under [places] in project.toml")
    number = row.whole("number")
    first, last = row.period("first_day", "last_day")
    return PlaceChange(Place(PLACE_KEYS.index(place or PLACE_KEYS[0])), number, first, last)


def _day_plan(row: Row, names: _Names, trained: Mapping[str, set[Stage]]) -> DayPlan:
    person = row.choice("person", names.persons, "a person of team.csv")
    weekday = row.choice("weekday", WEEKDAYS, "a weekday from mon to sun")
    stage = row.read("stage", lambda text: parse_stage(text, _QUARANTINE), Stage.CLEANING)
    if row.good and person in trained and stage not in trained[person]:
        names_of = ", ".join(s.name.lower() for s in sorted(trained[person]))
        row.reject(
            "stage",
            f"a stage that {person} is trained for",
            f"Choose one of {names_of}, or add the stage to {person}'s stages in team.csv if the "
            "training has been given.",
        )
    return DayPlan(person, WEEKDAYS.index(weekday or "mon"), stage)


def _delivery(row: Row, names: _Names) -> Delivery:
    return Delivery(row.day("date"), _series(row, names), row.whole("items", low=1))


def _supply(row: Row, names: _Names, budget: bool) -> Supply:
    per = row.choice(
        "per", ("session", "item", "box", "drying-item"), "session, item, box or drying-item"
    )
    stage: Stage | None = None
    if row.cell("stage"):
        stage = row.read("stage", lambda text: parse_stage(text, _QUARANTINE), stage)
    return Supply(
        supply=row.text("supply"),
        unit=row.text("unit"),
        per=per,
        stage=stage,
        amount=row.number_in("amount", Limits()),
        in_stock=row.number_in("in_stock", Limits()),
        pack=row.number_in("pack", Limits(0, 1e9, above=True)),
        lead_time_days=row.whole("lead_time_days", high=3_650),
        unit_cost=row.number_in("unit_cost", _MONEY),
        line=_line(row, names, budget),
    )


def _budget_line(row: Row) -> BudgetLine:
    return BudgetLine(row.text("line"), row.number_in("amount", _MONEY))


def _spend(row: Row, names: _Names) -> Spend:
    status = row.optional_choice("status", ("spent", "committed"), "spent or committed")
    return Spend(
        day=row.day("date"),
        line=row.choice("line", names.lines, "a line of budget.csv"),
        amount=row.number_in("amount", Limits(-1e12, 1e12)),  # money paid back is negative
        note=row.cell("note"),
        status=status or "spent",
    )


def _promise(row: Row, names: _Names) -> PartPromise:
    series = _series(row, names)
    held = names.materials.get(series, ())
    what = f"a material that {series} holds, or blank for all of it"
    material = row.optional_choice("material", held, what) if series else None
    images = row.number_in("images", Limits(0, 1_000_000_000, whole=True), -1.0)
    return PartPromise(
        series, material, row.whole("items"), None if images < 0 else int(images), row.day("by")
    )


# --- backwards -----------------------------------------------------------------------------------


def cells_of(project: Project) -> dict[str, list[dict[str, str]]]:
    """The cells of the files that say who works when, where, and on what: the reader backwards.

    Of collection.csv and budget.csv there are only the names that other files use. Read again they
    say what the project says, but for what no file can say: seconds in ``begins``, and a person
    without a role, who gets a dash.
    """
    return {
        "collection.csv": [
            {"series": row.series, "material": row.material} for row in project.collection
        ],
        "team.csv": [_team_cells(row) for row in project.team],
        "closures.csv": [
            {
                "first_day": row.first_day.isoformat(),
                "last_day": row.last_day.isoformat(),
                "person": row.person or "",
                "reason": row.reason,
            }
            for row in project.closures
        ],
        "places.csv": [
            {
                "place": PLACE_KEYS[row.place],
                "number": str(row.number),
                "first_day": row.first_day.isoformat(),
                "last_day": row.last_day.isoformat(),
            }
            for row in project.place_changes
        ],
        "dayplan.csv": [
            {
                "person": row.person,
                "weekday": WEEKDAYS[row.weekday],
                "stage": STAGE_NAMES[row.stage],
            }
            for row in project.day_plan
        ],
        "deliveries.csv": [
            {"date": row.day.isoformat(), "series": row.series, "items": str(row.items)}
            for row in project.deliveries
        ],
        "budget.csv": [{"line": row.line} for row in project.budget],
    }


def _team_cells(row: TeamRow) -> dict[str, str]:
    """The cells of a row of the rota."""
    hours, minutes = divmod(row.begins // 60, 60)
    return {
        "person": row.person,
        "role": row.role or "-",
        "start": row.start.isoformat(),
        "end": row.end.isoformat() if row.end else "",
        **{day: repr(float(h)) for day, h in zip(WEEKDAYS, row.hours, strict=True)},
        "begins": f"{hours:02}:{minutes:02}",
        "mould_work": "yes" if row.mould_work else "no",
        "stages": ";".join(STAGE_NAMES[stage] for stage in row.stages),
        "hourly_cost": "" if row.hourly_cost is None else repr(float(row.hourly_cost)),
        "line": row.line,
    }
