"""Working time: rotas, closures, public holidays and how often people are absent.

Days are counted from a first date (day 0); P persons stand in the order of their first rows in
team.csv. Nothing in this file is random.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from difflib import get_close_matches
from functools import lru_cache

import holidays as calendars
import numpy as np
from numpy.typing import NDArray

from forecast.errors import InputError, Problem
from forecast.people import Closure, TeamRow, persons

__all__ = [
    "Rota",
    "absence_probability",
    "check_spell",
    "public_holidays",
    "rota",
    "working_days_a_year",
]

_FRIDAY = 4
_SUBSTITUTE_WITHIN = timedelta(days=14)


def _calendar(
    country: str, subdivision: str | None, years: Iterable[int], observed: bool
) -> calendars.HolidayBase:
    """The library's calendar, with names in the country's own language on every machine."""
    if not re.fullmatch("[A-Z]{2}", country):
        raise _unknown("country", country, "two capital letters (ISO 3166-1), as in GB", ())
    try:
        whole = calendars.country_holidays(country)
    except NotImplementedError:
        known = calendars.list_supported_countries(include_aliases=False)
        raise _unknown(
            "country", country, "a country whose public holidays are known", tuple(known)
        ) from None
    # Unless told, the library translates into the language of the machine it runs on.
    language = whole.default_language
    code = subdivision.removeprefix(f"{country}-") if subdivision else None
    try:
        return calendars.country_holidays(
            country,
            subdiv=code,
            years=years,
            expand=False,  # a look-up must not add years while the days are gone through
            observed=observed,
            language=language,
        )
    except NotImplementedError:
        parts = (*whole.subdivisions, *whole.subdivisions_aliases)
        expected = f"a part of {country} that has holidays of its own (ISO 3166-2)"
        raise _unknown("subdivision", str(subdivision), expected, parts) from None


def _unknown(key: str, read: str, expected: str, known: Sequence[str]) -> InputError:
    """The error about a key of [project] that names no calendar."""
    near = get_close_matches(read, known, n=1, cutoff=0.5)
    hint = f"Did you mean {near[0]!r}?" if near else ""
    if not hint and known and len(known) <= 60:
        hint = f"Known are {', '.join(known)}."
    otherwise = "set observe_public_holidays = false and list the days off in closures.csv."
    remedy = f"{hint} Otherwise {otherwise}" if hint else f"Correct it, or {otherwise}"
    return InputError([Problem("project.toml", f"[project] {key}", read, expected, remedy)])


def _labels(calendar: calendars.HolidayBase) -> tuple[str, ...]:
    """How the library names a substitute, ``"%s (observed)"``; a bare ``"%s"`` marks nothing."""
    names = ("observed_label", "observed_label_before", "observed_estimated_label")
    labels = (getattr(calendar, name, None) or "" for name in names)
    return tuple(label for label in labels if "%s" in label and label != "%s")


def _replaced_names(calendar: calendars.HolidayBase, name: str) -> frozenset[str]:
    """The names that a substitute called ``name`` may stand for (none: it is no substitute)."""
    estimated = getattr(calendar, "estimated_label", None) or "%s"
    found: set[str] = set()
    for label in _labels(calendar):
        before, after = label.split("%s", 1)
        if name.startswith(before) and name.endswith(after):
            base = name[len(before) : len(name) - len(after)]
            found |= {base, estimated.replace("%s", base)}
    return frozenset(found)


def _replaced(observed: calendars.HolidayBase, actual: calendars.HolidayBase) -> frozenset[date]:
    """Weekend days that are listed beside the substitute that is given for them.

    A day goes only if each of its names has a substitute of its own: one that also stands in
    for another day, or has a second holiday on it, stays.
    """
    names = {day: set(observed.get_list(day)) for day in observed}
    left = {day: set(of_day) for day, of_day in names.items() if day.weekday() in observed.weekend}
    for day in sorted(names):
        for name in sorted(names[day] - set(actual.get_list(day))):
            wanted = _replaced_names(observed, name)
            near = [
                (abs(day - other), other, shared)
                for other, of_day in left.items()
                for shared in of_day & wanted
                if abs(day - other) <= _SUBSTITUTE_WITHIN
            ]
            if near:
                _, other, shared = min(near)
                left[other].discard(shared)
    return frozenset(day for day, of_day in left.items() if not of_day)


@lru_cache(maxsize=64)
def public_holidays(
    country: str, subdivision: str | None, first: date, last: date
) -> frozenset[date]:
    """The published days off of a country, or of a part of it, both dates included.

    The ``holidays`` library lists a weekend day beside its substitute (Saturday 25 and Monday 27
    December 2027); lists that governments publish give the substitute only. So a weekend day is
    dropped when the library names a substitute for it, and a rota of seven days gets the
    published number of days. Where both are days off by law and the substitute has a name of its
    own (Japan), both stay.

    Args:
        country: ISO 3166-1 alpha-2, as ``GB``.
        subdivision: ISO 3166-2, with or without the country (``ENG``, ``GB-ENG``), or None: the
            days that the library gives for the whole country. For ``GB`` these are the days that
            all four nations share: no Easter Monday and no late summer holiday.
        first: the first day asked for.
        last: the last day asked for. Before ``first``: no days.

    Raises:
        InputError: the library knows no such country, or no such part of it.

    >>> days = public_holidays("GB", "ENG", date(2027, 12, 1), date(2027, 12, 31))
    >>> [day.isoformat() for day in sorted(days)]
    ['2027-12-27', '2027-12-28']
    """
    # A substitute may lie across New Year from the day that it is given for.
    years = range(first.year - 1, last.year + 2)
    observed = _calendar(country, subdivision, years, observed=True)
    actual = _calendar(country, subdivision, years, observed=False)
    days = frozenset(observed) - _replaced(observed, actual)
    return frozenset(day for day in days if first <= day <= last)


def working_days_a_year(country: str, subdivision: str | None, years: Iterable[int]) -> float:
    """A full-time person's working days: Monday to Friday without public holidays.

    Args:
        country: ISO 3166-1 alpha-2.
        subdivision: ISO 3166-2, or None.
        years: calendar years over which the number is averaged, at least one.

    Raises:
        InputError: the country, or the part of it, is not known.
        ValueError: there are no years.

    >>> working_days_a_year("GB", "ENG", [2024])
    254.0
    """
    counts = []
    for year in years:
        first, last = date(year, 1, 1), date(year, 12, 31)
        off = public_holidays(country, subdivision, first, last)
        days = (first + timedelta(days=n) for n in range((last - first).days + 1))
        counts.append(sum(day.weekday() <= _FRIDAY and day not in off for day in days))
    if not counts:
        raise ValueError("working days a year need at least one year")
    return sum(counts) / len(counts)


@dataclass(frozen=True)
class Rota:
    """Who is rostered when, before absence. P persons, D days from a first date.

    Attributes:
        hours: (P, D) rostered hours; 0 on closures, holidays and leave, and outside every row.
        begins: (P, D) seconds after midnight at which the row in force begins; 0 outside every
            row. It does not look at days off: only ``hours`` says who works.
        row: (P, D) index into ``team`` of the row in force, days off included; -1 is none.
    """

    hours: NDArray[np.float64]
    begins: NDArray[np.int64]
    row: NDArray[np.int64]


def rota(
    team: Sequence[TeamRow],
    closures: Sequence[Closure],
    holidays: Collection[date],
    first: date,
    days: int,
) -> Rota:
    """Lay the team's rows, their leave and everybody's days off over the calendar.

    Args:
        team: dated rows; one without an ``end`` holds to the last day.
        closures: days off; of nobody on the team, or outside the days: without effect.
        holidays: days on which nobody is rostered.
        first: the date of day 0.
        days: how many days, 0 or more.

    Raises:
        ValueError: two rows of one person are in force on the same day.
    """
    people = persons(team)
    row = np.full((len(people), days), -1, dtype=np.int64)
    hours = np.zeros((len(people), days))
    begins = np.zeros((len(people), days), dtype=np.int64)
    weekdays = (np.arange(days) + first.weekday()) % 7
    last = first + timedelta(days=days - 1)
    for number, member in enumerate(team):
        p = people.index(member.person)
        covered = _days_between(member.start, member.end or last, first, days)
        if (row[p, covered] >= 0).any():
            raise ValueError(f"two rows of {member.person} are in force on the same day")
        row[p, covered] = number
        begins[p, covered] = member.begins
        hours[p, covered] = np.array(member.hours, dtype=float)[weekdays[covered]]
    for closure in closures:
        off = _days_between(closure.first_day, closure.last_day, first, days)
        if closure.person is None:
            hours[:, off] = 0.0
        elif closure.person in people:
            hours[people.index(closure.person), off] = 0.0
    for day in holidays:
        hours[:, _days_between(day, day, first, days)] = 0.0
    return Rota(hours, begins, row)


def _days_between(begin: date, end: date, first: date, days: int) -> slice:
    """The numbers of the days from one date to another, both included, cut to those there are."""
    start = min(max(0, (begin - first).days), days)
    return slice(start, max(start, min(days, (end - first).days + 1)))


def absence_probability(days_a_year: float, spell_days: float, working_days: float) -> float:
    """The chance that absence begins on a working day on which one is not already absent.

    In the long run a person should be absent on a share ``f = days_a_year / working_days`` of the
    working days. Spells last ``L = spell_days`` working days on average. After a spell each day
    begins another with probability ``p``, so ``(1 - p) / p`` days on average are worked in
    between (a geometric number of failures; it may be none). A renewal cycle has ``L`` days of
    absence in ``L + (1 - p) / p`` days, and

        f = L / (L + (1 - p) / p)    gives    1/p = L/f - L + 1.

    Args:
        days_a_year: working days lost in a year by a full-time person, 0 or more.
        spell_days: average length of a spell in working days, at least 1.
        working_days: working days in a year, above 0.

    Returns:
        The probability: 0 without absence; 1 when as many days are lost as there are, or more.

    Raises:
        ValueError: a number is outside its range.

    >>> absence_probability(25.0, 1.0, 250.0)
    0.1
    """
    if not days_a_year >= 0.0 or not working_days > 0.0:
        raise ValueError(
            f"absence needs days_a_year of at least 0 and working_days above 0, not "
            f"{days_a_year} and {working_days}"
        )
    check_spell(spell_days)
    share = days_a_year / working_days
    if share <= 0.0:
        return 0.0
    if share >= 1.0:
        return 1.0
    return 1.0 / (spell_days / share - spell_days + 1.0)


def check_spell(spell_days: float) -> None:
    """Raise ValueError where spells of absence are shorter than a day on average."""
    if not 1.0 <= spell_days < math.inf:
        raise ValueError(f"absence_spell_days must be at least 1, not {spell_days}")
