"""What-ifs: a scenario's changes make a new project, checked like any other.

The base is never touched. What a scenario changes is written as the cells and keys of the project's
files, changed there, and read again by the same readers; a row that nobody touched keeps what it
says. Places, people and closures change from a day on; every other number changes for good.

**What keeps people safe is no lever.** A scenario may be stricter about it, never laxer: exposure,
breathing protection, days of quarantine, clothing, clearing, tools' drying, attention in drying and
the report of items that wait for it; nor may it switch receiving, quarantine, drying or
cleaning off.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from types import MappingProxyType
from typing import Any, TypeAlias

from forecast.cells import CellError, Findings, Limits, nearest, parse_date, shorten
from forecast.crosschecks import contradictions, doubts
from forecast.errors import InputError, Problem
from forecast.folder import SCENARIOS_FILE
from forecast.people import TeamRow
from forecast.project import Project
from forecast.rows import WEEKDAYS, Tables, cells_of, read_tables
from forecast.sections import number_of, shown
from forecast.settings import ProjectSettings, settings_from, values_of
from forecast.sheets import Row
from forecast.stages import PLACE_KEYS, Stage

__all__ = [
    "ADDED",
    "ASK_FIRST",
    "AS_PLANNED",
    "REMOVED",
    "SAFETY_KEYS",
    "SCENARIOS_FILE",
    "Add",
    "Change",
    "Remove",
    "Scenario",
    "Set",
    "apply",
    "labelled",
    "more_of",
    "number_of_place",
    "person_like",
    "settable",
    "together",
]

AS_PLANNED = "as planned"  # the project as it is; no scenario has this name
ASK_FIRST = "Change project.toml, and say who approved it."

_TERMS = ("role", *WEEKDAYS, "begins", "mould_work", "stages", "hourly_cost", "line")
_PRIVATE = ("reason", "why", "because", "health", "note")

# What may be added and removed, and which values each takes: the columns of its file.
ADDED: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "person": ("person", "like", *_TERMS),
        "place": ("place", "number"),
        "closure": ("first_day", "last_day", "person", "reason"),
        "delivery": ("date", "series", "items"),
        "dayplan": ("person", "weekday", "stage"),
    }
)
REMOVED: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "person": ("person",),
        "closure": ("first_day", "person"),
        "delivery": ("date", "series"),
        "dayplan": ("person", "weekday"),
    }
)
_SET_PERSON = ("person", *_TERMS, "start", "end")
_DATED = ("person", "place")  # what may be added, set or removed from a day on, or until one

# What keeps people safe, and which way is stricter.
_AT_MOST, _AT_LEAST = "at most", "at least"
_STRICTER: Mapping[tuple[str, str], str] = MappingProxyType(
    {
        ("exposure", "hours_per_day"): _AT_MOST,
        ("exposure", "days_per_week"): _AT_MOST,
        ("breathing_protection", "wear_minutes"): _AT_MOST,
        ("breathing_protection", "rest_minutes"): _AT_LEAST,
        ("quarantine", "minimum_days"): _AT_LEAST,
        ("sessions", "protective_clothing"): _AT_LEAST,
        ("sessions", "clear_bench"): _AT_LEAST,
        ("sessions", "clear_camera"): _AT_LEAST,
        ("places", "tool_drying_hours"): _AT_LEAST,
        ("drying", "attention_minutes"): _AT_LEAST,
        ("drying", "start_within_days"): _AT_MOST,
    }
)
SAFETY_KEYS: tuple[str, ...] = (
    "exposure.week",
    "exposure.approved_by",
    *(".".join(key) for key in _STRICTER),
)
_SAFE_STAGES = (Stage.RECEIVING, Stage.QUARANTINE, Stage.DRYING, Stage.CLEANING)

# What no scenario changes, and what to do instead.
_SAME_DAYS = "Leave it out: all plans are simulated over the same days."
_FIXED: Mapping[str, str] = MappingProxyType(
    {"grant.start": _SAME_DAYS, "grant.horizon": _SAME_DAYS}
)
_SECTIONS = (
    "grant",
    "exposure",
    "breathing_protection",
    "places",
    "sessions",
    "quarantine",
    "drying",
    "checking",
    "outcomes",
    "time",
    "stages",
)
_NOT_NUMBERS = (
    "grant.funder",
    "grant.change",
    "grant.reports_due",
    *_FIXED,
)
_MAY_BE_LEFT_OUT = ("grant.award", "grant.images_promised", "places.tool_sets")
_PROJECT_FIELD = {"breathing_protection": "breathing"}

_MOST = 1_000_000
_ONE_DAY = timedelta(days=1)

Values: TypeAlias = Mapping[str, object]


@dataclass(frozen=True)
class _Dated:
    """What every change has.

    Attributes:
        what: a dotted place of project.toml (``places.cleaning_benches``), or ``person``,
            ``place``, ``closure``, ``delivery``, ``dayplan``.
        values: under the names of the file's columns, as plain values; of a dotted place: ``to``.
        from_, until: first and last day; None: from the start of all plans, for good.
        once, monthly: what the change costs, in the project's currency: on its first day, and from
            its first day to its last or the finish.
    """

    what: str
    values: Values = field(default_factory=dict, hash=False)
    from_: date | None = None
    until: date | None = None
    once: float = 0.0
    monthly: float = 0.0


@dataclass(frozen=True)
class Set(_Dated):
    """Another number, or other hours, stages or dates of a person that there is."""


@dataclass(frozen=True)
class Add(_Dated):
    """Something more. The number of a place is how many more of it; a dayplan row replaces one."""


@dataclass(frozen=True)
class Remove(_Dated):
    """Something less. A person who goes takes their leave along."""


Change: TypeAlias = Set | Add | Remove


@dataclass(frozen=True)
class Scenario:
    """A what-if.

    Attributes:
        name: any text, once in a file. why: what it is meant to show.
        changes: in the order in which they are made.
        once, monthly: what it costs as a whole, from the first simulated day on.
    """

    name: str
    why: str = ""
    changes: tuple[Change, ...] = ()
    once: float = 0.0
    monthly: float = 0.0


def apply(project: Project, scenario: Scenario, not_before: date | None = None) -> Project:
    """The project as it would be under a scenario.

    Args:
        project: the base, from files or not; it stays as it is.
        scenario: what to change.
        not_before: with a record, the first day that is not yet history, the day after the as-of
            date. Changes with a day hold from then on unless they say a later one.

    Returns:
        A new project with its own ``warnings``. Faults that the base has already are not told.

    Raises:
        InputError: every problem; each names the file ``scenarios.toml``, the scenario, and the
            change that made it.
    """
    draft = _Draft(project, scenario.name, not_before)
    for label, change in labelled(scenario):
        draft.make(label, change)
    return draft.read()


def labelled(scenario: Scenario) -> Iterator[tuple[str, Change]]:
    """Each change, and how a message names it: ``scenario A bench more, add 1``."""
    numbers = {Set: 0, Add: 0, Remove: 0}
    for change in scenario.changes:
        numbers[type(change)] += 1
        kind = type(change).__name__.lower()
        yield f"scenario {shorten(scenario.name)}, {kind} {numbers[type(change)]}", change


def settable(project: Project) -> tuple[str, ...]:
    """The dotted places of project.toml that a scenario may set; of some, stricter only."""
    values = values_of(project)
    places = [f"{name}.{key}" for name in _SECTIONS for key in values[name]]
    places += [place for place in _MAY_BE_LEFT_OUT if place not in places]
    return tuple(p for p in places if p not in _NOT_NUMBERS and p != "exposure.approved_by")


# --- scenarios that are often asked for ----------------------------------------------------------


def person_like(
    project: Project,
    person: str,
    name: str = "",
    from_: date | None = None,
    until: date | None = None,
    once: float = 0.0,
    monthly: float = 0.0,
    **values: object,
) -> Scenario:
    """One more person with the hours, stages and dates of one that there is.

    Args:
        project: the base.
        person: whom to take the rota from.
        name: of the new person; default: the role and a number, such as ``conservator 2``.
        from_: first day; default: as the one that there is.
        until: last day; default: as the one that there is.
        once: cost on the first day.
        monthly: cost from then on, beside the wages.
        values: what is different, under the names of team.csv's columns.
    """
    role = next((row.role for row in project.team if row.person == person), "") or person
    post = name or _next_post(project, role)
    change = Add("person", {"person": post, "like": person, **values}, from_, until, once, monthly)
    return Scenario(f"One more {role} like {person}", changes=(change,))


def _next_post(project: Project, role: str) -> str:
    """A role with the first number that nobody has; the one that there is counts as 1."""
    number = 2
    while f"{role} {number}" in project.persons:
        number += 1
    return f"{role} {number}"


def more_of(
    project: Project,
    place: str,
    number: int = 1,
    from_: date | None = None,
    until: date | None = None,
    once: float = 0.0,
    monthly: float = 0.0,
) -> Scenario:
    """More of a place: ``cleaning_benches`` and so on. Costs are those of all that is added.

    Raises:
        ValueError: there is no such place, or it is no limit.
    """
    if place not in PLACE_KEYS:
        raise ValueError(f"{place} is none of {', '.join(PLACE_KEYS)}")
    if number_of_place(project, place) is None:
        raise ValueError(f"{place} are no limit in this project")
    change = Add("place", {"place": place, "number": number}, from_, until, once, monthly)
    return Scenario(f"{number} more {place.replace('_', ' ')}", changes=(change,))


def number_of_place(project: Project, place: str) -> int | None:
    """How many there are of a place on a usual day; None: it is no limit."""
    return project.places.numbers()[PLACE_KEYS.index(place)]


def together(name: str, scenarios: Sequence[Scenario], why: str = "") -> Scenario:
    """Several scenarios as one; costs are added up."""
    return Scenario(
        name,
        why,
        tuple(change for each in scenarios for change in each.changes),
        sum(each.once for each in scenarios),
        sum(each.monthly for each in scenarios),
    )


# --- from changes to files and back --------------------------------------------------------------


@dataclass
class _Line:
    """One row of a file as it is to be.

    Attributes:
        origin: what it said before; it is read again where ``touched`` holds a column, or
            ``origin`` is None.
        label: of the last change that touched it.
    """

    number: int
    cells: dict[str, str]
    origin: Any = None
    touched: set[str] = field(default_factory=set)
    label: str = ""

    def put(self, column: str, text: str, label: str) -> None:
        """Write a cell."""
        self.cells[column] = text
        self.touched.add(column)
        self.label = label

    def days(self, first: str, last: str) -> tuple[date, date]:
        """The days that it covers; a blank last day is the end of days."""
        end = self.cells[last]
        return _day(self.cells[first]), _day(end) if end else date.max


def _day(text: str) -> date:
    """A date that was read before, or the first of days where it was misread."""
    try:
        return parse_date(text)
    except CellError:
        return date.min


def _text(value: object) -> str:
    """A plain value as a cell."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, list | tuple):
        return ";".join(_text(part) for part in value)
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return "" if value is None else shown(value).strip()


class _Draft:
    """The files of a project while a scenario is written into them."""

    def __init__(self, base: Project, name: str, not_before: date | None) -> None:
        self.base = base
        self.name = shorten(name)
        self.not_before = not_before
        self.findings = Findings()
        self.values = values_of(base)
        self.keys: dict[tuple[str, str], str] = {}  # touched keys of project.toml -> label
        self.lines = _lines_of(base)
        self._number = max([1, *(line.number for some in self.lines.values() for line in some)])
        self._periods: dict[str, list[tuple[type, date, date]]] = {}

    # Making changes

    def make(self, label: str, change: Change) -> None:
        """Write one change."""
        if not self._shape(label, change):
            return
        if change.what in ("person", "closure", "delivery", "place", "dayplan"):
            verb = type(change).__name__.lower()
            getattr(self, f"_{verb}_{change.what}")(label, change)
        else:
            self._set_number(label, change)

    def reject(self, label: str, key: str, read: str, expected: str, remedy: str) -> None:
        """Note what is wrong with a change."""
        place = f"{label}, {key}" if key else label
        self.findings.add(SCENARIOS_FILE, place, read, expected, remedy)

    def _shape(self, label: str, change: Change) -> bool:
        """Whether a change has the form of one, and days that can still be changed."""
        before = len(self.findings.problems)
        known = self._known_values(label, change)
        if known is None:
            return False
        for key in change.values:
            if key in known:
                continue
            remedy = nearest(key, known)
            if change.what == "person" and key in _PRIVATE:
                remedy = "Leave it out: why somebody does or does not do something is private."
            self.reject(label, key, key, f"one of the values of {change.what}", remedy)
        self._period(label, change)
        return len(self.findings.problems) == before

    def _known_values(self, label: str, change: Change) -> tuple[str, ...] | None:
        """The values that a change may have; None with the reason noted if it is none at all."""
        if isinstance(change, Set):
            if change.what == "person":
                return _SET_PERSON
            return ("to",) if self._is_settable(label, change.what) else None
        kinds = ADDED if isinstance(change, Add) else REMOVED
        if change.what in kinds:
            return kinds[change.what]
        verb = "added" if isinstance(change, Add) else "removed"
        remedy = nearest(change.what, kinds)
        if isinstance(change, Remove) and change.what == "place":
            remedy = 'Set it to a smaller number: set, what = "places.cleaning_benches", to = 1.'
        self.reject(label, "what", change.what, f"something that can be {verb}", remedy)
        return None

    def _is_settable(self, label: str, what: str) -> bool:
        known = settable(self.base)
        if what in known:
            return True
        section = what.split(".", maxsplit=1)[0]
        if what in _FIXED:
            remedy = _FIXED[what]
        elif what == "exposure.approved_by":
            remedy = ASK_FIRST
        elif section in ("project", "record", "schema") or what in _NOT_NUMBERS:
            remedy = "Leave it out, or change project.toml: it is the same in all plans."
        elif what in ADDED:
            remedy = f"Add or remove a {what} instead."
        else:
            remedy = nearest(what, (*known, "person"))
        expected = "a number of project.toml that a scenario may set, or person"
        self.reject(label, "what", what, expected, remedy)
        return False

    def _period(self, label: str, change: Change) -> None:
        """First and last day: where they mean something, in order, and not yet history."""
        begin, end = change.from_, change.until
        dated = change.what in _DATED or change.what.removeprefix("places.") in PLACE_KEYS
        partly = isinstance(change, Remove) and change.what == "closure"
        if not dated and not partly:
            remedy = "Leave it out: the change holds for the whole plan."
            if change.what == "closure":
                remedy = "Write first_day and last_day instead."
            elif change.what == "delivery":
                remedy = "Leave it out: a delivery has a date."
            for key, day in (("from", begin), ("until", end)):
                if day is not None:
                    self.reject(label, key, str(day), "no such date here", remedy)
            return
        if begin and end and end < begin:
            expected = f"a date on or after from ({begin})"
            self.reject(label, "until", str(end), expected, "Correct one of the dates.")
        for key, day in (("from", begin), ("until", end)):
            if day is not None:
                self._not_history(label, key, day)
        if begin and begin > self.base.grant.horizon:
            expected = f"a date up to the horizon ({self.base.grant.horizon})"
            self.reject(label, "from", str(begin), expected, "Correct the date.")

    def _not_history(self, label: str, key: str, day: date) -> bool:
        """Whether a day can still be changed."""
        if self.not_before is None or day >= self.not_before:
            return True
        self.reject(
            label,
            key,
            str(day),
            f"a date from {self.not_before} on",
            "Write a later date: what lies before it has happened, and no plan changes it.",
        )
        return False

    def _first(self, change: Change) -> date | None:
        """The first day of a change; None: from the beginning."""
        return change.from_ or self.not_before

    def _missing(self, label: str, change: Change, *keys: str) -> bool:
        """Whether one of the values is missing, which is noted."""
        absent = [key for key in keys if key not in change.values]
        for key in absent:
            self.reject(label, key, "", "this value", f"Write {key} = ... beside it.")
        return bool(absent)

    def _line(self, file: str, cells: dict[str, str], label: str) -> None:
        """A new row at the end."""
        self._number += 1
        self.lines[file].append(_Line(self._number, cells, label=label))

    # Numbers

    def _set_number(self, label: str, change: Change) -> None:
        if self._missing(label, change, "to"):
            return
        section, key = change.what.split(".")
        value = change.values["to"]
        first = self._first(change)
        if section == "places" and key in PLACE_KEYS:
            number = self._whole(label, "to", value, 0)
            if number is None or not self._alone(label, key, change):
                return
            if first is not None or change.until is not None:
                self._place_from(label, key, number, first, change.until)
                return
        if (section, key) in self.keys:
            self.reject(label, "what", change.what, "each number once", "Delete one of the two.")
            return
        stricter = self._stricter(section, key, value)
        if stricter:
            expected = f"{stricter}, as in project.toml, since it keeps people safe"
            self.reject(label, "to", shown(value), expected, ASK_FIRST)
            return
        self.values[section][key] = list(value) if isinstance(value, tuple) else value
        self.keys[section, key] = label
        if (section, key) == ("grant", "end"):
            self.values["grant"].pop("change", None)  # what was agreed later does not hold then

    def _stricter(self, section: str, key: str, value: object) -> str:
        """What is expected where people would be less safe than the base has them; else ""."""
        now = self.values[section].get(key)
        if (section, key) == ("exposure", "week"):
            return "any-7-days" if value == "calendar" != now else ""
        if (section, key) == ("stages", "off"):
            return self._stages_kept(value)
        direction = _STRICTER.get((section, key))
        if direction is None or isinstance(value, bool) or not isinstance(value, int | float):
            return ""
        was, asked = (_strictness(each, section, key) for each in (now, value))
        laxer = asked > was if direction is _AT_MOST else asked < was
        return f"{direction} {shown(now)}" if laxer else ""

    def _stages_kept(self, value: object) -> str:
        """Where a stage that keeps people safe would be switched off."""
        said = {str(part).strip() for part in value} if isinstance(value, list | tuple) else set()
        kept = [stage for stage in _SAFE_STAGES if stage not in self.base.stages_off]
        names = [stage.name.lower() for stage in kept if stage.name.lower() in said]
        return f"a list without {', '.join(names)}" if names else ""

    def _whole(self, label: str, key: str, value: object, low: int) -> int | None:
        """A whole number, or None with the reason noted."""
        try:
            return int(number_of(value, Limits(low, _MOST, whole=True)))
        except CellError as misread:
            self.reject(label, key, shown(value), misread.expected, misread.remedy)
            return None

    # Places

    def _alone(self, label: str, place: str, change: Change) -> bool:
        """Whether no other change of this scenario speaks of the same place and days."""
        begin = self._first(change) or date.min
        end = change.until or date.max
        for kind, other_begin, other_end in self._periods.setdefault(place, []):
            both_add = kind is Add and isinstance(change, Add)
            if not both_add and begin <= other_end and other_begin <= end:
                self.reject(
                    label,
                    "",
                    place,
                    "one change of a place on each day",
                    "Bring the two together, or give them days that do not overlap.",
                )
                return False
        self._periods[place].append((type(change), begin, end))
        return True

    def _ranges(self, place: str) -> list[_Line]:
        """The dated numbers of a place, in order."""
        lines = [line for line in self.lines["places.csv"] if line.cells["place"] == place]
        return sorted(lines, key=lambda line: line.cells["first_day"])

    def _place_from(
        self, label: str, place: str, number: int, first: date | None, until: date | None
    ) -> None:
        """Another number on the days on which nothing else is said."""
        begin = first or self.base.grant.start
        last = max(begin, self.base.grant.horizon) if until is None else until
        for line in self._ranges(place):
            covered, end = line.days("first_day", "last_day")
            if begin < covered <= last:
                self._range(label, place, number, begin, covered - _ONE_DAY)
            if end >= begin:
                begin = max(begin, end + _ONE_DAY)
        if begin <= last:
            self._range(label, place, number, begin, last)

    def _range(self, label: str, place: str, number: int, begin: date, end: date) -> None:
        cells = {
            "place": place,
            "number": str(number),
            "first_day": begin.isoformat(),
            "last_day": end.isoformat(),
        }
        self._line("places.csv", cells, label)

    def _add_place(self, label: str, change: Change) -> None:
        """So many more, on top of whatever number holds on a day."""
        if self._missing(label, change, "place", "number"):
            return
        place = _text(change.values["place"])
        if place not in PLACE_KEYS:
            what = "a place, as under [places] in project.toml"
            self.reject(label, "place", place, what, self._other_place(place))
            return
        more = self._whole(label, "number", change.values["number"], 1)
        usual = self.values["places"].get(place)
        if more is None or not self._alone(label, place, change):
            return
        if not isinstance(usual, int):
            remedy = "Leave it out: there is no limit to them in project.toml."
            self.reject(label, "place", place, "a place of which there is a number", remedy)
            return
        first = self._first(change)
        begin, last = first or date.min, change.until or date.max
        ranges = self._ranges(place)
        if first is None and change.until is None:
            self.values["places"][place] = usual + more
            self.keys["places", place] = label
        else:
            self._place_from(label, place, usual + more, first, change.until)
        for line in ranges:
            for part in self._cut(line, "places.csv", ("first_day", "last_day"), begin, last):
                part.put("number", str(int(part.cells["number"]) + more), label)

    def _other_place(self, place: str) -> str:
        safe = any(key.split(".")[-1] == place for key in SAFETY_KEYS)
        return ASK_FIRST if safe else nearest(place, PLACE_KEYS)

    def _cut(
        self, line: _Line, file: str, columns: tuple[str, str], begin: date, last: date
    ) -> list[_Line]:
        """The part of a row inside some days, cut off from what lies before and after; or none."""
        first, end = line.days(*columns)
        if last < first or end < begin:
            return []
        rows = self.lines[file]
        if first < begin:
            line = self._split(rows, line, columns, begin)
        if last < end:
            self._split(rows, line, columns, last + _ONE_DAY)
        return [line]

    def _split(self, rows: list[_Line], line: _Line, columns: tuple[str, str], day: date) -> _Line:
        """Cut a row in two; the second, which is returned, begins on a day."""
        first, last = columns
        self._number += 1
        second = _Line(self._number, dict(line.cells), line.origin, set(line.touched), line.label)
        rows.insert(rows.index(line) + 1, second)
        line.put(last, (day - _ONE_DAY).isoformat(), line.label)
        second.put(first, day.isoformat(), line.label)
        return second

    # People

    def _rows_of(self, label: str, change: Change) -> list[_Line]:
        """A person's rows; none with the reason noted."""
        if self._missing(label, change, "person"):
            return []
        person = _text(change.values["person"])
        rows = [line for line in self.lines["team.csv"] if line.cells["person"] == person]
        if not rows:
            present = dict.fromkeys(line.cells["person"] for line in self.lines["team.csv"])
            self.reject(label, "person", person, "a person of team.csv", nearest(person, present))
        return rows

    def _set_person(self, label: str, change: Change) -> None:
        rows = self._rows_of(label, change)
        values = {key: value for key, value in change.values.items() if key != "person"}
        if rows and not values:
            remedy = "Write what is different, such as fri = 6."
            self.reject(label, "", "", "some value of the person", remedy)
            return
        dates = {key: values.pop(key) for key in ("start", "end") if key in values}
        if dates and (change.from_ or change.until):
            for date_key, value in dates.items():
                remedy = "Leave out from and until, or set the hours from a day on instead."
                self.reject(label, date_key, _text(value), "no from or until beside it", remedy)
            return
        if "start" in dates:
            rows = self._set_start(label, rows, dates["start"])
        if "end" in dates:
            rows = self._set_end(label, rows, dates["end"])
        begin, last = self._first(change) or date.min, change.until or date.max
        parts = [
            part
            for line in rows
            if values
            for part in self._cut(line, "team.csv", ("start", "end"), begin, last)
        ]
        if rows and values and not parts:
            name = rows[0].cells["person"]
            remedy = "Correct the dates, or add somebody instead."
            self.reject(label, "from", str(begin), f"days on which {name} is there", remedy)
        for part in parts:
            for key, value in values.items():
                part.put(key, _text(value), label)

    def _date(self, label: str, key: str, value: object) -> date | None:
        """A date, or None with the reason noted."""
        try:
            return parse_date(_text(value))
        except CellError as misread:
            self.reject(label, key, shown(value), misread.expected, misread.remedy)
            return None

    def _set_start(self, label: str, rows: list[_Line], value: object) -> list[_Line]:
        """A person comes on another day."""
        day = self._date(label, "start", value)
        if day is None or not rows or not self._not_history(label, "start", day):
            return []
        if self.not_before and rows[0].days("start", "end")[0] < self.not_before:
            remedy = "Leave it out: the person has begun already."
            self.reject(label, "start", str(day), "the start of somebody still to come", remedy)
            return []
        kept = [line for line in rows if line.days("start", "end")[1] >= day]
        if not kept:
            remedy = "Give an earlier day, or remove the person."
            self.reject(label, "start", str(day), "a day before the person's last", remedy)
            return []
        self._drop("team.csv", [line for line in rows if line not in kept])
        kept[0].put("start", day.isoformat(), label)
        return kept

    def _set_end(self, label: str, rows: list[_Line], value: object) -> list[_Line]:
        """A person stays longer or shorter; blank: to the horizon."""
        if not rows:
            return []
        if not _text(value):
            rows[-1].put("end", "", label)
            return rows
        day = self._date(label, "end", value)
        if day is None or not self._not_history(label, "end", day):
            return []
        kept = [line for line in rows if line.days("start", "end")[0] <= day]
        if not kept:
            remedy = "Give a later day, or remove the person."
            self.reject(label, "end", str(day), "a day on or after the person's first", remedy)
            return []
        self._drop("team.csv", [line for line in rows if line not in kept])
        if kept[-1] is rows[-1] or kept[-1].days("start", "end")[1] > day:
            kept[-1].put("end", day.isoformat(), label)
        return kept

    def _drop(self, file: str, lines: Sequence[_Line]) -> None:
        self.lines[file] = [line for line in self.lines[file] if line not in lines]

    def _add_person(self, label: str, change: Change) -> None:
        if self._missing(label, change, "person"):
            return
        name = _text(change.values["person"])
        if name in {line.cells["person"] for line in self.lines["team.csv"]}:
            remedy = "Set this person's hours instead, or give the new one another name."
            self.reject(label, "person", name, "a name that nobody has yet", remedy)
            return
        own = {k: _text(v) for k, v in change.values.items() if k not in ("person", "like")}
        first, until = self._first(change), change.until
        if "like" not in change.values:
            begin = first or self.base.grant.start
            usual = dict.fromkeys(WEEKDAYS, "0") | {"start": begin.isoformat(), "role": "-"}
            usual["end"] = until.isoformat() if until else ""
            self._line("team.csv", usual | own | {"person": name}, label)
            return
        for cells in self._rota_like(label, _text(change.values["like"]), change):
            self._line("team.csv", cells | own | {"person": name}, label)

    def _rota_like(self, label: str, like: str, change: Change) -> list[dict[str, str]]:
        """Somebody's rows between two days; a day that is given is kept to."""
        first, until = self._first(change), change.until
        rows = [line for line in self.lines["team.csv"] if line.cells["person"] == like]
        if not rows:
            present = dict.fromkeys(line.cells["person"] for line in self.lines["team.csv"])
            self.reject(label, "like", like, "a person of team.csv", nearest(like, present))
            return []
        begin, last = first or date.min, until or date.max
        spans = [(line, *line.days("start", "end")) for line in rows]
        kept = [span for span in spans if span[1] <= last and span[2] >= begin]
        if not kept and until is None:
            remedy = f"Write until = ... beside it, since {like} is gone by then."
            self.reject(label, "from", str(first), f"a day before {like}'s last", remedy)
            return []
        kept = kept or [spans[-1]]
        copies = [
            dict(line.cells)
            | {
                "start": max(start, begin).isoformat(),
                "end": "" if min(end, last) == date.max else min(end, last).isoformat(),
            }
            for line, start, end in kept
        ]
        if change.from_ is not None:
            copies[0]["start"] = change.from_.isoformat()
        if until is not None:
            copies[-1]["end"] = until.isoformat()
        return copies

    def _remove_person(self, label: str, change: Change) -> None:
        rows = self._rows_of(label, change)
        if not rows:
            return
        begin, last = self._first(change) or date.min, change.until or date.max
        gone = [
            part
            for line in rows
            for part in self._cut(line, "team.csv", ("start", "end"), begin, last)
        ]
        if not gone:
            remedy = "Leave it out, or correct the dates."
            self.reject(label, "from", str(begin), "days on which the person is there", remedy)
        self._drop("team.csv", gone)
        person = rows[0].cells["person"]
        if any(line.cells["person"] == person for line in self.lines["team.csv"]):
            return
        for file in ("closures.csv", "dayplan.csv"):
            self._drop(file, [line for line in self.lines[file] if line.cells["person"] == person])
        if not self.lines["team.csv"]:
            remedy = "Leave somebody, or add somebody first."
            self.reject(label, "person", person, "a team of one at least", remedy)

    # Closures, deliveries and the plan of the week

    def _add_closure(self, label: str, change: Change) -> None:
        if self._missing(label, change, "first_day", "last_day"):
            return
        cells = dict.fromkeys(ADDED["closure"], "")
        cells |= {key: _text(value) for key, value in change.values.items()}
        first = _day(cells["first_day"])
        if first > date.min and not self._not_history(label, "first_day", first):
            return
        self._line("closures.csv", cells, label)

    def _remove_closure(self, label: str, change: Change) -> None:
        day = self._found_by(label, change, "first_day")
        if day is None:
            return
        person = _text(change.values.get("person", ""))
        there = [line for line in self.lines["closures.csv"] if line.cells["person"] == person]
        found = [line for line in there if line.cells["first_day"] == day.isoformat()]
        if not found:
            remedy = nearest(day.isoformat(), [line.cells["first_day"] for line in there])
            whose = person or "everybody"
            self.reject(label, "first_day", str(day), f"first day of a closure of {whose}", remedy)
            return
        begin, last = self._first(change) or date.min, change.until or date.max
        columns = ("first_day", "last_day")
        gone = [
            part for line in found for part in self._cut(line, "closures.csv", columns, begin, last)
        ]
        if not gone:
            remedy = "Leave it out: on these days there is no such closure."
            self.reject(label, "first_day", str(day), f"a closure after {begin}", remedy)
        self._drop("closures.csv", gone)

    def _found_by(self, label: str, change: Change, key: str) -> date | None:
        """The date that says which row is meant."""
        if self._missing(label, change, key):
            return None
        return self._date(label, key, change.values[key])

    def _add_delivery(self, label: str, change: Change) -> None:
        if self._missing(label, change, *ADDED["delivery"]):
            return
        cells = {key: _text(value) for key, value in change.values.items()}
        day = _day(cells["date"])
        if day > date.min and not self._not_history(label, "date", day):
            return
        self._line("deliveries.csv", cells, label)

    def _remove_delivery(self, label: str, change: Change) -> None:
        day = self._found_by(label, change, "date")
        if day is None or self._missing(label, change, "series"):
            return
        series = _text(change.values["series"])
        there = [line for line in self.lines["deliveries.csv"] if line.cells["series"] == series]
        found = [line for line in there if line.cells["date"] == day.isoformat()]
        if not found:
            remedy = nearest(day.isoformat(), [line.cells["date"] for line in there])
            self.reject(label, "date", str(day), f"the date of a delivery of {series}", remedy)
        elif self._not_history(label, "date", day):
            self._drop("deliveries.csv", found)

    def _add_dayplan(self, label: str, change: Change) -> None:
        if self._missing(label, change, *ADDED["dayplan"]):
            return
        cells = {key: _text(value) for key, value in change.values.items()}
        self._drop("dayplan.csv", self._days_of(cells))
        self._line("dayplan.csv", cells, label)

    def _remove_dayplan(self, label: str, change: Change) -> None:
        if self._missing(label, change, *REMOVED["dayplan"]):
            return
        cells = {key: _text(value) for key, value in change.values.items()}
        found = self._days_of(cells)
        if not found:
            days = [
                line.cells["weekday"]
                for line in self.lines["dayplan.csv"]
                if line.cells["person"] == cells["person"]
            ]
            what = f"a weekday of {cells['person']} in dayplan.csv"
            self.reject(label, "weekday", cells["weekday"], what, nearest(cells["weekday"], days))
        self._drop("dayplan.csv", found)

    def _days_of(self, cells: Mapping[str, str]) -> list[_Line]:
        """The rows of dayplan.csv about a person's weekday."""
        which = cells["person"], cells["weekday"]
        lines = self.lines["dayplan.csv"]
        return [line for line in lines if (line.cells["person"], line.cells["weekday"]) == which]

    # Reading what was written

    def read(self) -> Project:
        """The new project, or every problem of the changes."""
        findings = Findings()
        settings, tables = _read(self.base, self.values, self.lines, findings)
        mine = self.findings.problems + self._without_base(findings.problems)
        if self.base.deliveries and not self.lines["deliveries.csv"]:
            mine.append(self._nothing_comes())
        if mine or settings is None:
            raise InputError(mine)
        project = self._put_together(settings, tables)
        defaults = [*self.base.defaults_used, *self._new_defaults(findings)]
        said = {".".join(key) for key in self.keys}
        return replace(
            project,
            warnings=doubts(project),
            defaults_used=tuple(p for p in dict.fromkeys(defaults) if p not in said),
        )

    def _without_base(self, problems: Sequence[Problem]) -> list[Problem]:
        """Problems that the base does not have as well, each at the change that made it."""
        if not problems:
            return []
        before = Findings()
        _read(self.base, values_of(self.base), _lines_of(self.base), before)
        mine = [problem for problem in problems if problem not in before.problems]
        return list(dict.fromkeys(self._relabelled(problem) for problem in mine))

    def _relabelled(self, problem: Problem) -> Problem:
        """A problem of a file, told as one of the scenario."""
        if problem.place == "[grant] horizon" and ("grant", "end") in self.keys:
            horizon = self.base.grant.horizon
            problem = Problem(
                problem.file,
                "[grant] end",
                shown(self.values["grant"]["end"]),
                f"a date up to the horizon ({horizon})",
                "Give an earlier date, or write a later horizon into project.toml first.",
            )
        key = re.fullmatch(r"\[(\w+)\] (\w+)", problem.place)
        if key and (key[1], key[2]) in self.keys:
            label = f"{self.keys[key[1], key[2]]}, to"
            return replace(problem, file=SCENARIOS_FILE, place=label)
        row = re.match(r"row (\d+)(?:, column (\w+))?", problem.place)
        lines = self.lines.get(problem.file, ())
        line = next((x for x in lines if row and x.number == int(row[1])), None)
        if row and line and line.label:
            column = {"start": "from", "end": "until"}.get(row[2] or "", row[2])
            place = f"{line.label}, {column}" if column else line.label
            return replace(problem, file=SCENARIOS_FILE, place=place)
        place = f"scenario {self.name}: {problem.file}, {problem.place}"
        return replace(problem, file=SCENARIOS_FILE, place=place)

    def _put_together(self, settings: ProjectSettings, tables: Tables) -> Project:
        """The base, with what was touched taken from what was read."""
        project = replace(
            self.base,
            team=tuple(
                _kept(line, row)
                for line, row in zip(self.lines["team.csv"], tables.team, strict=True)
            ),
            closures=tables.closures,
            place_changes=tables.place_changes,
            day_plan=tables.day_plan,
            deliveries=tables.deliveries,
        )
        for section, key in self.keys:
            project = _taken(project, settings, section, key)
        return project

    def _nothing_comes(self) -> Problem:
        """Without any delivery everything would come on the first day, which nobody meant."""
        return Problem(
            SCENARIOS_FILE,
            f"scenario {self.name}",
            "no delivery that is left",
            "each series as often as it has items",
            "Add deliveries in place of those that are removed.",
        )

    def _new_defaults(self, findings: Findings) -> list[str]:
        """Defaults that rows of this scenario rely on."""
        touched = {file for file, lines in self.lines.items() if any(x.label for x in lines)}
        return [place for place in findings.defaults if place.split(":")[0] in touched]


def _lines_of(base: Project) -> dict[str, list[_Line]]:
    """The rows of a base, numbered as in a file without comments."""
    nouns: dict[str, Sequence[object]] = {
        "collection.csv": base.collection,
        "team.csv": base.team,
        "closures.csv": base.closures,
        "places.csv": base.place_changes,
        "deliveries.csv": base.deliveries,
        "budget.csv": base.budget,
        "dayplan.csv": [None] * len(base.day_plan),  # whether the stage is trained may change
    }
    return {
        file: [
            _Line(number, cells, noun)
            for number, (cells, noun) in enumerate(zip(rows, nouns[file], strict=True), 2)
        ]
        for file, rows in cells_of(base).items()
    }


def _read(
    base: Project,
    values: Mapping[str, object],
    lines: Mapping[str, Sequence[_Line]],
    findings: Findings,
) -> tuple[ProjectSettings | None, Tables]:
    """Keys and rows through the readers and cross-checks of a folder."""
    settings = settings_from({"schema": 1, **values}, findings)
    sheets = {
        file: [Row(file, line.number, line.cells, findings) for line in some]
        for file, some in lines.items()
        if some
    }
    known = {
        (file, line.number): line.origin
        for file, some in lines.items()
        for line in some
        if line.origin is not None and not line.touched
    }
    tables = read_tables(sheets, findings, known)
    untouched = {
        name: getattr(base, name) for name in ("collection", "survey", "task_times", "promises")
    }
    tables = replace(tables, **untouched)
    contradictions(tables, settings.grant, settings.stages_off, findings)
    return settings, tables


def _kept(line: _Line, row: TeamRow) -> TeamRow:
    """A row that was read, with what nobody touched as it was: no text says it all."""
    if line.origin is None:
        return row
    names = {"hours": WEEKDAYS}
    kept = {
        name: getattr(line.origin, name)
        for name in vars(line.origin)
        if not line.touched & set(names.get(name, (name,)))
    }
    return replace(row, **kept)


def _taken(project: Project, settings: ProjectSettings, section: str, key: str) -> Project:
    """A project with one key of the settings."""
    if section == "quarantine":
        return replace(project, quarantine_days=settings.quarantine_days)
    if section == "stages":
        return replace(project, stages_off=settings.stages_off)
    name = _PROJECT_FIELD.get(section, section)
    read = getattr(settings, name)
    changed: dict[str, Any] = {key: getattr(read, key)}
    if (section, key) == ("grant", "end"):
        changed["changes"] = ()
    return replace(project, **{name: replace(getattr(project, name), **changed)})


def _strictness(value: Any, section: str, key: str) -> float:
    """A number to compare; no limit to wearing a mask is the laxest."""
    if (section, key) == ("breathing_protection", "wear_minutes") and value <= 0:
        return math.inf
    return float(value)
