"""The weekly return: what the team did in one week, as it was told.

What is not told is None (or "" for a name), which is never the same as a written 0. A sheet that
is among those told and has no rows says that nothing of it happened; in files, where an empty sheet
is only one that nobody filled in, a row of 0 says so (:mod:`forecast.return_files`).
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date, timedelta
from functools import cached_property
from hashlib import sha256
from typing import Any

from forecast.items import MOULD_NAMES, Mould
from forecast.stages import STAGE_NAMES, Stage

__all__ = [
    "AWAY",
    "ENDINGS",
    "SHEETS",
    "Count",
    "DryingBatch",
    "ExposureDay",
    "Hours",
    "Note",
    "Received",
    "WeeklyReturn",
    "WorkedDay",
]

AWAY = "away"  # in the place of a stage: rostered hours that were not worked

# Ways in which an item ends other than done; blank: on its way, or done.
ENDINGS = ("set-aside", "not-imaged", "withdrawn", "not-found")


@dataclass(frozen=True)
class Count:
    """Items that finished a stage for the first time in the week, or ended otherwise at it.

    Attributes:
        items: None is not told (a row of images or rejects alone).
        images: made in the week, those made again included.
        rejected: items that checking sent back.
        outcome: one of ENDINGS, or "".
    """

    stage: Stage
    material: str | None = None
    mould: Mould | None = None
    red_rot: bool | None = None
    items: int | None = None
    images: int | None = None
    rejected: int | None = None
    outcome: str = ""


@dataclass(frozen=True)
class Hours:
    """Hours at a stage in the week, clothing and clearing included; ``stage`` None is away.

    ``person`` "" is the whole team. ``sessions`` None is not told.
    """

    person: str
    stage: Stage | None
    hours: float
    sessions: int | None = None


@dataclass(frozen=True)
class ExposureDay:
    """Hours of handling and clearing of mouldy items by one person on one day."""

    day: date
    person: str
    hours: float


@dataclass(frozen=True)
class WorkedDay:
    """One line of the day grid, which stands in for hours and exposure; ``stage`` None is away."""

    day: date
    person: str
    stage: Stage | None
    hours: float
    mould_hours: float | None = None


@dataclass(frozen=True)
class DryingBatch:
    """Items put into drying places together; ``taken_out`` None: they are still drying.

    ``still_damp`` of them went into another round, as a new batch.
    """

    batch: str
    put_in: date
    items: int
    taken_out: date | None = None
    still_damp: int | None = None


@dataclass(frozen=True)
class Received:
    """Items that had come, as they were found when boxes were opened."""

    series: str | None
    box: str | None
    material: str | None
    mould: Mould | None
    red_rot: bool | None
    items: int


@dataclass(frozen=True)
class Note:
    """What changed: a tool, a broken camera, a way of working. Stays with the team."""

    stage: Stage | None
    note: str


# Sheets and columns, as files have them.
SHEETS: dict[str, tuple[str, ...]] = {
    "counts": (
        "week",
        "stage",
        "material",
        "mould",
        "red_rot",
        "items",
        "images",
        "rejected",
        "outcome",
    ),
    "hours": ("week", "person", "stage", "hours", "sessions"),
    "exposure": ("date", "person", "hours"),
    "days": ("date", "person", "stage", "hours", "mould_hours"),
    "drying": ("batch", "put_in", "taken_out", "items", "still_damp"),
    "received": ("week", "series", "box", "material", "mould", "red_rot", "items"),
    "notes": ("week", "stage", "note"),
}

# What a column is called in the rows above, where the two differ.
_FIELD = {"date": "day"}


@dataclass(frozen=True)
class WeeklyReturn:
    """What was told of the week that begins on Monday ``week``.

    Attributes:
        told: the sheets that were there; a sheet that is not among them has no rows.
    """

    week: date
    told: frozenset[str]
    counts: tuple[Count, ...] = ()
    hours: tuple[Hours, ...] = ()
    exposure: tuple[ExposureDay, ...] = ()
    days: tuple[WorkedDay, ...] = ()
    drying: tuple[DryingBatch, ...] = ()
    received: tuple[Received, ...] = ()
    notes: tuple[Note, ...] = ()

    def __post_init__(self) -> None:
        if self.week.weekday() != 0:
            raise ValueError(f"a week begins on a Monday, not on {self.week.isoformat()}")
        untold = [name for name in SHEETS if getattr(self, name) and name not in self.told]
        if untold:
            raise ValueError(f"rows in sheets that were not told: {', '.join(untold)}")

    @property
    def last_day(self) -> date:
        """The Sunday of the week."""
        return self.week + timedelta(days=6)

    @cached_property
    def persons(self) -> tuple[str, ...]:
        """Each person that is named, once."""
        rows: tuple[Hours | ExposureDay | WorkedDay, ...] = (
            *self.hours,
            *self.exposure,
            *self.days,
        )
        return tuple(dict.fromkeys(row.person for row in rows if row.person))

    @cached_property
    def worked(self) -> tuple[Hours, ...]:
        """Hours by person and stage, whether told as such or by the day grid.

        The grid tells no sessions. Hours away are in it as well, with stage None.
        """
        if self.hours:
            return self.hours
        totals: dict[tuple[str, Stage | None], float] = {}
        for row in self.days:
            key = row.person, row.stage
            totals[key] = totals.get(key, 0.0) + row.hours
        return tuple(Hours(person, stage, hours) for (person, stage), hours in totals.items())

    @cached_property
    def exposed(self) -> tuple[ExposureDay, ...]:
        """Exposure by date and person, whether told as such or by the day grid."""
        if self.exposure:
            return self.exposure
        totals: dict[tuple[date, str], float] = {}
        for row in self.days:
            if row.mould_hours is not None:
                key = row.day, row.person
                totals[key] = totals.get(key, 0.0) + row.mould_hours
        return tuple(ExposureDay(day, person, hours) for (day, person), hours in totals.items())

    def told_hours(self) -> bool:
        """Whether anything was told about hours."""
        return bool(self.told & {"hours", "days"})

    def told_exposure(self) -> bool:
        """Whether anything was told about exposure."""
        if "exposure" in self.told:
            return True
        return any(row.mould_hours is not None for row in self.days)

    def table(self, sheet: str) -> list[dict[str, str]]:
        """The rows of a sheet as plain text, column by column; blank is not told.

        Raises:
            KeyError: there is no such sheet.
        """
        columns = SHEETS[sheet]
        return [self._texts(row, columns) for row in getattr(self, sheet)]

    def _texts(self, row: Any, columns: Sequence[str]) -> dict[str, str]:
        week = {"week": self.week} if "week" in columns else {}
        values: Mapping[str, Any] = {f.name: getattr(row, f.name) for f in fields(row)} | week
        if isinstance(row, (Hours, WorkedDay)) and row.stage is None:
            values = {**values, "stage": AWAY}
        return {column: _text(column, values[_FIELD.get(column, column)]) for column in columns}

    def in_order(self) -> WeeklyReturn:
        """The same with the rows of each sheet in one order, whatever order they were told in."""

        def by_text(sheet: str) -> tuple[Any, ...]:
            keys = [[*row.values()] for row in self.table(sheet)]
            rows = getattr(self, sheet)
            return tuple(rows[n] for n in sorted(range(len(rows)), key=keys.__getitem__))

        ordered: dict[str, Any] = {sheet: by_text(sheet) for sheet in SHEETS}
        return replace(self, **ordered)

    @cached_property
    def content(self) -> str:
        """Everything that was told, in one order: equal content is the same return."""
        sheets = {
            name: sorted(self.table(name), key=lambda row: [*row.values()])
            for name in SHEETS
            if name in self.told
        }
        return json.dumps(
            {"week": self.week.isoformat(), "sheets": sheets}, ensure_ascii=False, sort_keys=True
        )

    @cached_property
    def digest(self) -> str:
        """SHA-256 of the content, in hexadecimal."""
        return sha256(self.content.encode()).hexdigest()


def _text(column: str, value: Any) -> str:
    """A value as a file has it, without loss."""
    if column == "red_rot" and value is not None:
        return "yes" if value else "no"
    for kind, words in _WORDS:
        if isinstance(value, kind):
            return words(value)
    return str(value)


_WORDS: tuple[tuple[type, Callable[[Any], str]], ...] = (
    (type(None), lambda _: ""),
    (Stage, lambda stage: STAGE_NAMES[stage]),
    (Mould, lambda mould: MOULD_NAMES[mould]),
    (date, date.isoformat),
    (float, lambda number: repr(number).removesuffix(".0")),
)
