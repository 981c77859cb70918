"""A plan as a form holds it: text in fields -> a scenario, or what is wrong beside which field.

A form opens a plan (the project as it is, or a scenario) and shows what it says as text. What is
then written into fields is compared with that text: each difference becomes a change of a scenario.
Safety values have no field.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from functools import cached_property
from typing import TypeAlias, TypeVar

from forecast.cells import CellError, Limits, parse_date, parse_number
from forecast.errors import InputError, Problem
from forecast.people import TeamRow
from forecast.project import Project
from forecast.rows import WEEKDAYS
from forecast.scenario import Add, Change, Remove, Scenario, Set, apply, labelled
from forecast.stages import PLACE_KEYS, STAGE_NAMES

__all__ = [
    "NOWHERE",
    "TEAM_FIELDS",
    "UNNAMED",
    "Draft",
    "Field",
    "Opened",
    "Read",
    "change_in_words",
    "one_like",
    "read_draft",
]

# Where a field is: a group (plan, grant, places, team), what in it, and the field's own name.
Field: TypeAlias = tuple[str, str, str]
Draft: TypeAlias = Mapping[Field, str]

NOWHERE: Field = ("plan", "", "")  # for what is wrong with no field in particular
UNNAMED = "This plan"

T = TypeVar("T")

_TERMS = ("role", *WEEKDAYS, "begins", "mould_work", "stages", "hourly_cost")
TEAM_FIELDS = ("person", "start", "end", *_TERMS, "line")
_GRANT = ("items_promised", "end")
_DATES = ("from", "until")
_ONE_DAY = timedelta(days=1)
_MONEY = Limits(0, 1e12)
_COUNT = Limits(0, 1_000_000, whole=True)


@dataclass(frozen=True)
class Opened:
    """A plan as it was opened.

    Attributes:
        base: the project as it is.
        scenario: the plan; None: the project as it is.
        project: the project under the plan.
        not_before: with a record, the first day that is not yet history.
    """

    base: Project
    scenario: Scenario | None
    project: Project
    not_before: date | None = None

    @classmethod
    def of(cls, base: Project, scenario: Scenario | None, not_before: date | None) -> Opened:
        """Open a plan.

        Raises:
            InputError: the scenario does not fit the project.
        """
        under = base if scenario is None else apply(base, scenario, not_before)
        return cls(base, scenario, under, not_before)

    @cached_property
    def keys(self) -> tuple[str, ...]:
        """A key for each row of the team that is not yet history."""
        first = self.not_before or date.min
        return tuple(
            str(n)
            for n, row in enumerate(self.project.team)
            if row.end is None or row.end >= first
        )

    @cached_property
    def texts(self) -> dict[Field, str]:
        """What stands in each field at first."""
        scenario, grant = self.scenario, self.project.grant
        texts = {
            ("plan", "", "name"): scenario.name if scenario else "",
            ("plan", "", "why"): scenario.why if scenario else "",
            ("plan", "", "once"): _amount(scenario.once if scenario else 0.0),
            ("plan", "", "monthly"): _amount(scenario.monthly if scenario else 0.0),
            ("grant", "", "items_promised"): str(grant.items_promised),
            ("grant", "", "end"): grant.end.isoformat(),
        }
        for place in PLACE_KEYS:
            number, first, last = self._of_place(place)
            texts["places", place, "number"] = number
            texts["places", place, "from"] = first
            texts["places", place, "until"] = last
        for key in self.keys:
            row = _row_texts(self.project.team[int(key)])
            texts |= {("team", key, name): text for name, text in row.items()}
        return texts

    def changes_of_place(self, place: str) -> tuple[Change, ...]:
        """The plan's own changes of a place."""
        return tuple(c for c in self._changes if _speaks_of_place(c, place))

    @property
    def _changes(self) -> tuple[Change, ...]:
        return self.scenario.changes if self.scenario else ()

    def _of_place(self, place: str) -> tuple[str, str, str]:
        """A place's number and days as the plan says it, else as the project does."""
        usual = self.base.places.numbers()[PLACE_KEYS.index(place)]
        changes = self.changes_of_place(place)
        if len(changes) == 1:
            (change,) = changes
            to = change.values.get("to")
            if isinstance(change, Add) and usual is not None:
                to = usual + int(str(change.values["number"]))
            return str(to), _day(change.from_), _day(change.until)
        return "" if usual is None else str(usual), "", ""

    def added(self, person: str) -> bool:
        """Whether the plan itself brings a person."""
        return any(isinstance(c, Add) and _speaks_of(c, person) for c in self._changes)


@dataclass(frozen=True)
class Read:
    """What fields say.

    Attributes:
        scenario: None: nothing differs from the project as it is, or something is wrong.
        project: the project under it; None: something is wrong.
        wrong: sentences by the field that they belong beside.
    """

    scenario: Scenario | None
    project: Project | None
    wrong: Mapping[Field, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True)
class _Made:
    """A change, and where what is wrong with it is to be said.

    Attributes:
        beside: the field for each name that a problem may give; of other names, that for "".
    """

    change: Change
    beside: Mapping[str, Field]


def one_like(
    texts: Mapping[str, str], people: Sequence[str], not_before: date | None
) -> dict[str, str]:
    """The row of one more person like another: a post with the first number that nobody has.

    Args:
        texts: the other's row.
        people: names that are taken.
        not_before: the first day that is not yet history, if there is a record.
    """
    role, number = texts["role"] or "person", 2
    while f"{role} {number}" in people:
        number += 1
    start = texts["start"]
    if not_before is not None:
        start = max(start, not_before.isoformat())
    return {**texts, "person": f"{role} {number}", "start": start}


def read_draft(opened: Opened, draft: Draft) -> Read:
    """The scenario that fields say, checked as one of a file is.

    Args:
        opened: the plan that the fields were filled with.
        draft: what stands in them now; rows of the team that are absent were removed.
    """
    reader = _Reader(opened, draft)
    made = reader.made()
    scenario = replace(reader.scenario(), changes=tuple(each.change for each in made))
    if opened.scenario is None and not _says_something(scenario) and not reader.wrong:
        return Read(None, opened.base)
    try:
        project = apply(opened.base, scenario, opened.not_before)
    except InputError as error:
        found = _all(_beside(error.problems, scenario, made))
        # Beside a value that cannot be read stands that, and not what would follow from it.
        return Read(None, None, {**found, **_all(reader.wrong)})
    if reader.wrong:
        return Read(None, None, _all(reader.wrong))
    return Read(scenario, project)


def _says_something(scenario: Scenario) -> bool:
    return bool(scenario.changes or scenario.once or scenario.monthly)


# --- from fields to changes ----------------------------------------------------------------------


class _Reader:
    """Compares fields with what they were filled with."""

    def __init__(self, opened: Opened, draft: Draft) -> None:
        self.opened, self.now, self.then = opened, draft, opened.texts
        self.wrong: list[tuple[Field, str]] = []

    def scenario(self) -> Scenario:
        """Name, why and money."""
        name, why = (self.now["plan", "", key].strip() for key in ("name", "why"))
        return Scenario(
            name or UNNAMED,
            why,
            once=self._money(("plan", "", "once")),
            monthly=self._money(("plan", "", "monthly")),
        )

    def made(self) -> list[_Made]:
        """The opened plan's own changes, as far as no field says otherwise, and the new ones."""
        self.scenario()  # notes what is wrong with the money
        own: list[Change] = list(self.opened.scenario.changes if self.opened.scenario else ())
        new: list[_Made] = []
        for place in PLACE_KEYS:
            if self._differs("places", place, ("number", *_DATES)):
                dropped = self.opened.changes_of_place(place)
                own = [change for change in own if change not in dropped]
                new += self._place(place, dropped)
        for key in _GRANT:
            if self._differs("grant", "", (key,)):
                own = [change for change in own if change.what != f"grant.{key}"]
                new += self._grant(key)
        gone = [key for key in self.opened.keys if ("team", key, "person") not in self.now]
        for key in gone:
            person = self.then["team", key, "person"]
            if self.opened.added(person):
                own = [change for change in own if not _speaks_of(change, person)]
            else:
                new.append(self._removed(key))
        for key in self._people():
            new += self._added(key) if key not in self.opened.keys else self._set(key)
        return [*(_Made(change, {"": NOWHERE}) for change in own), *new]

    def _people(self) -> list[str]:
        found = (key for group, key, name in self.now if (group, name) == ("team", "person"))
        return list(dict.fromkeys(found))

    def _differs(self, group: str, key: str, names: Sequence[str]) -> list[str]:
        """The names of the fields that differ."""
        return [
            name
            for name in names
            if self.now.get((group, key, name), "") != self.then.get((group, key, name), "")
        ]

    # Values

    def _money(self, at: Field) -> float:
        return self._read(at, lambda text: parse_number(text, _MONEY)) or 0.0

    def _date(self, at: Field) -> date | None:
        return self._read(at, parse_date)

    def _whole(self, at: Field) -> int | None:
        return self._required(at, lambda text: int(parse_number(text, _COUNT)))

    def _required(self, at: Field, parse: Callable[[str], T]) -> T | None:
        """A value that may not be blank."""
        if not self.now.get(at, "").strip():
            self.wrong.append((at, _sentence("", "a value", "Fill in the field.")))
            return None
        return self._read(at, parse)

    def _read(self, at: Field, parse: Callable[[str], T]) -> T | None:
        """A value that may be blank; what is wrong with it is noted once."""
        text = self.now.get(at, "").strip()
        try:
            return parse(text) if text else None
        except CellError as misread:
            said = (at, _sentence(text, misread.expected, misread.remedy))
            if said not in self.wrong:
                self.wrong.append(said)
            return None

    # Places and the promise

    def _place(self, place: str, dropped: Sequence[Change]) -> list[_Made]:
        at = {name: ("places", place, name) for name in ("number", *_DATES)}
        number = self.now[at["number"]].strip()
        first, last = self._date(at["from"]), self._date(at["until"])
        usual = self.opened.base.places.numbers()[PLACE_KEYS.index(place)]
        if number == ("" if usual is None else str(usual)) and not (first or last):
            return []
        to = self._whole(at["number"])
        if to is None:
            return []
        change = Set(
            f"places.{place}",
            {"to": to},
            first,
            last,
            sum(each.once for each in dropped),
            sum(each.monthly for each in dropped),
        )
        beside = {"": at["number"], "from": at["from"], "until": at["until"]}
        return [_Made(change, beside)]

    def _grant(self, key: str) -> list[_Made]:
        at = ("grant", "", key)
        text = self.now[at].strip()
        usual = getattr(self.opened.base.grant, key)
        if text == str(usual):
            return []
        to = self._whole(at) if key == "items_promised" else self._required(at, parse_date)
        return [] if to is None else [_Made(Set(f"grant.{key}", {"to": to}), {"": at})]

    # People

    def _row(self, key: str) -> TeamRow:
        return self.opened.project.team[int(key)]

    def _of_several(self, key: str) -> tuple[bool, bool]:
        """Whether the same person has rows before this one, and after it."""
        row = self._row(key)
        others = [each for each in self.opened.project.team if each.person == row.person]
        return (
            any(each.start < row.start for each in others),
            any(each.start > row.start for each in others),
        )

    def _days_of(self, key: str) -> tuple[date | None, date | None]:
        """The days that say that this row is meant and no other of the person; None: all."""
        row = self._row(key)
        before, after = self._of_several(key)
        first = row.start if before else None
        if first and self.opened.not_before and first < self.opened.not_before:
            first = None
        return first, row.end if after else None

    def _removed(self, key: str) -> _Made:
        person = self.then["team", key, "person"]
        return _Made(Remove("person", {"person": person}, *self._days_of(key)), {"": NOWHERE})

    def _added(self, key: str) -> list[_Made]:
        at = {name: ("team", key, name) for name in TEAM_FIELDS}
        values = {
            name: _plain_of(name, self.now.get(at[name], "").strip())
            for name in ("person", *_TERMS, "line")
        }
        told = {name: value for name, value in values.items() if value != "" or name == "person"}
        first, last = self._date(at["start"]), self._date(at["end"])
        beside = {**at, "from": at["start"], "until": at["end"], "": ("team", key, "")}
        return [_Made(Add("person", told, first, last), beside)]

    def _set(self, key: str) -> Iterator[_Made]:
        """Changes of a row that there was."""
        at = {name: ("team", key, name) for name in (*TEAM_FIELDS, *_DATES, "")}
        for name in self._differs("team", key, ("start", "end")):
            yield from self._moved(key, name, at)
        differ = self._differs("team", key, _TERMS)
        first, last = self._days_of(key)
        first, last = self._date(at["from"]) or first, self._date(at["until"]) or last
        if differ:
            values: dict[str, object] = {"person": self._row(key).person}
            values |= {name: _plain_of(name, self.now[at[name]].strip()) for name in differ}
            yield _Made(Set("person", values, first, last), at)
        elif self.now.get(at["from"]) or self.now.get(at["until"]):
            said = "Nothing is changed on these days: change hours or stages, or empty the dates."
            self.wrong.append((at["from"] if self.now.get(at["from"]) else at["until"], said))

    def _moved(self, key: str, name: str, at: Mapping[str, Field]) -> Iterator[_Made]:
        """Another first or last day."""
        row, text = self._row(key), self.now[at[name]].strip()
        beside = {**at, "from": at["start"], "until": at["end"], "": at[name]}
        day = self._date(at[name])
        before, after = self._of_several(key)
        if not (before if name == "start" else after):
            if text and day is None:
                return  # it is no date, which was noted
            yield _Made(Set("person", {"person": row.person, name: day or ""}), beside)
            return
        # A row among several can only become shorter: what lies beside it is another row's.
        if name == "start" and day is not None and day > row.start:
            gone = (row.start, day - _ONE_DAY)
        elif name == "end" and day is not None and row.end is not None and day < row.end:
            gone = (day + _ONE_DAY, row.end)
        elif day is None and text:
            return
        else:
            said = f"{row.person} has another row beside this one: change the days there."
            self.wrong.append((at[name], said))
            return
        yield _Made(Remove("person", {"person": row.person}, *gone), beside)


def _speaks_of(change: Change, person: str) -> bool:
    return change.values.get("person") == person


def _speaks_of_place(change: Change, place: str) -> bool:
    return change.what == f"places.{place}" or (
        change.what == "place" and change.values.get("place") == place
    )


def _row_texts(row: TeamRow) -> dict[str, str]:
    """A row of the team as text."""
    hours, minutes = divmod(row.begins // 60, 60)
    return {
        "person": row.person,
        "role": row.role,
        "start": row.start.isoformat(),
        "end": _day(row.end),
        **{day: _amount(h) for day, h in zip(WEEKDAYS, row.hours, strict=True)},
        "begins": f"{hours:02}:{minutes:02}",
        "mould_work": "yes" if row.mould_work else "no",
        "stages": ", ".join(STAGE_NAMES[stage] for stage in row.stages),
        "hourly_cost": "" if row.hourly_cost is None else _amount(row.hourly_cost),
        "line": row.line,
    }


def _day(day: date | None) -> str:
    return day.isoformat() if day else ""


def _amount(value: float) -> str:
    return f"{value:.10g}"


def _plain(text: str) -> str | int | float:
    """A number where the text is one; else the text, which the reader of scenarios will refuse."""
    try:
        value = parse_number(text, Limits(-1e12, 1e12))
    except CellError:
        return text
    return int(value) if value.is_integer() else value


def _plain_of(name: str, text: str) -> str | int | float:
    """A cell of a row of the team as a scenario has it."""
    if name == "stages":
        return ";".join(part.strip() for part in re.split("[;,]", text) if part.strip())
    return _plain(text) if name in (*WEEKDAYS, "hourly_cost") else text


# --- from problems to fields ---------------------------------------------------------------------


def _sentence(read: str, expected: str, remedy: str) -> str:
    """What is wrong, as it is said beside a field: the field itself says where."""
    there = f"Here stands {read!r}; expected" if read else "Expected"
    return f"{there} {expected}. {remedy}".strip()


def _beside(
    problems: Sequence[Problem], scenario: Scenario, made: Sequence[_Made]
) -> list[tuple[Field, str]]:
    """Each problem of a scenario at the field that it comes from."""
    labels = [label for label, _ in labelled(scenario)]
    found = []
    for problem in problems:
        # The longest first: "set 1" begins "set 12" as well.
        at = max(
            (n for n, label in enumerate(labels) if _is_of(problem.place, label)),
            key=lambda n: len(labels[n]),
            default=None,
        )
        if at is None:
            found.append((NOWHERE, str(problem)))
            continue
        key = problem.place[len(labels[at]) :].removeprefix(", ")
        beside = made[at].beside
        place = beside.get(key, beside[""])
        words = _sentence(problem.read, problem.expected, problem.remedy)
        found.append((place, str(problem) if place == NOWHERE else words))
    return found


def _is_of(place: str, label: str) -> bool:
    return place == label or place.startswith(f"{label},")


def _all(wrong: Sequence[tuple[Field, str]]) -> dict[Field, tuple[str, ...]]:
    found: dict[Field, tuple[str, ...]] = {}
    for at, words in wrong:
        found[at] = (*found.get(at, ()), words)
    return found


# --- words ---------------------------------------------------------------------------------------

_VERBS = {Set: "Change", Add: "Add", Remove: "Remove"}


def change_in_words(change: Change) -> str:
    """A change of a plan as a form lists it.

    >>> change_in_words(Set("places.cleaning_benches", {"to": 3}, date(2026, 9, 1)))
    'Change cleaning benches: 3, from 2026-09-01'
    """
    values = dict(change.values)
    named = [str(values.pop(key)) for key in ("person", "place", "series") if key in values]
    what = change.what.rpartition(".")[2] if not named or change.what == "delivery" else named[0]
    told = [
        str(value) if key == "to" else f"{key.replace('_', ' ')} {value}"
        for key, value in values.items()
    ]
    told += [f"from {change.from_}"] if change.from_ else []
    told += [f"until {change.until}"] if change.until else []
    whose = "the grant's " if change.what.startswith("grant.") else ""
    words = f"{_VERBS[type(change)]} {whose}{what.replace('_', ' ')}"
    return f"{words}: {', '.join(told)}" if told else words
