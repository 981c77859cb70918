"""Futures as tidy tables: every number that a report says or draws is made here.

One row is one observation, and every column's name carries its unit or its noun. Columns named
``low``, ``lower``, ``middle``, ``upper`` and ``high`` are the 5, 25, 50, 75 and 95 % order
statistics. A missing date (None) means "not by the horizon", never "unknown".
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.estimates import Estimate
from forecast.items import MOULD_NAMES
from forecast.outcome import (
    NOT_BY_HORIZON,
    Futures,
    finish_odds,
    odds_interval,
    order_statistic_interval,
    promise_odds,
    quantile,
    reached,
)
from forecast.project import Project, TaskTime
from forecast.stages import PLACE_KEYS, STAGE_NAMES, Place, Stage
from forecast.units import SECONDS_PER_HOUR, seconds_from_hours
from forecast.words import long_date, number, plural

__all__ = [
    "BANDS",
    "DOTS",
    "PROMISE_SHARES",
    "ExposureSummary",
    "assumptions",
    "delivery",
    "done_at_start",
    "exposure_by_person",
    "exposure_in_total",
    "exposure_summary",
    "finish_dates",
    "finish_dots",
    "late_drying",
    "monte_carlo_error",
    "place_use",
    "promises",
    "shown_until",
    "stage_use",
    "waiting",
    "warning_texts",
    "weekly_done",
    "without_persons",
]

BANDS: dict[str, float] = {
    "low": 0.05,
    "lower": 0.25,
    "middle": 0.50,
    "upper": 0.75,
    "high": 0.95,
}
DOTS = 20  # equally likely dates that stand for all futures
PROMISE_SHARES: tuple[float, ...] = (0.50, 0.80, 0.90, 0.95)

PLACE_WORDS: dict[Place, str] = {
    Place.SHELF: "Quarantine shelf",
    Place.DRYER: "Drying places",
    Place.BENCH: "Cleaning benches",
    Place.CAMERA: "Camera stations",
    Place.TOOL_SET: "Clean tool sets",
}


def _fan(values: NDArray[Any]) -> dict[str, NDArray[Any]]:
    """The five order statistics along the first axis."""
    return {name: np.asarray(quantile(values, share)) for name, share in BANDS.items()}


def _sunday(week: date) -> date:
    return week + timedelta(days=6)


def shown_until(futures: Futures) -> date:
    """The last date worth drawing: four weeks past what 95 % of the futures and the grant need.

    Futures that never finish would stretch every chart to the horizon and flatten what matters.
    """
    finished = futures.finish_day[futures.finish_day != NOT_BY_HORIZON]
    last = int(quantile(finished, 0.95)) if len(finished) else futures.project.days - 1
    day = futures.project.date_of(max(last, futures.end_day)) + timedelta(weeks=4)
    return min(day, futures.project.grant.horizon)


def _shown_weeks(futures: Futures) -> list[int]:
    """Numbers of the weeks that hold simulated days and are worth drawing."""
    last = shown_until(futures)
    return [
        n
        for n, week in enumerate(futures.weeks)
        if _sunday(week) >= futures.first_day and week <= last
    ]


def _done_at(futures: Futures, day: date) -> NDArray[np.int32]:
    """Items done at the end of a date, a future each; before the grant's start none."""
    number = min(futures.project.day_number(day), futures.project.days - 1)
    if number < 0:
        return np.zeros(futures.replications, np.int32)
    return futures.done_by_day[:, number]


def done_at_start(futures: Futures) -> int:
    """Items that are done before the simulation begins: the same in every future."""
    return int(_done_at(futures, futures.first_day - timedelta(days=1))[0])


def delivery(futures: Futures) -> pd.DataFrame:
    """Items done since the grant's start: ``day`` and the five order statistics.

    One row for the eve of the first simulated day and for each Sunday after it.
    """
    days = [futures.first_day - timedelta(days=1)]
    days += [_sunday(futures.weeks[n]) for n in _shown_weeks(futures)]
    values = np.column_stack([_done_at(futures, day) for day in days])
    return pd.DataFrame({"day": days, **_fan(values)})


def weekly_done(futures: Futures) -> pd.DataFrame:
    """Items that came to count as done in each week: ``week`` (its Monday) and the five."""
    weeks = [futures.weeks[n] for n in _shown_weeks(futures)]
    edges = [weeks[0] - timedelta(days=1), *(_sunday(week) for week in weeks)] if weeks else []
    if not edges:
        return pd.DataFrame({"week": [], **{name: [] for name in BANDS}})
    values = np.diff(np.column_stack([_done_at(futures, day) for day in edges]), axis=1)
    return pd.DataFrame({"week": weeks, **_fan(values)})


def stage_use(futures: Futures) -> list[Stage]:
    """The stages that any item ever passes or waits at, in their order."""
    passed = (futures.weekly_items + futures.weekly_waiting).sum(axis=(0, 1))
    return [stage for stage in Stage if passed[stage] > 0]


def waiting(futures: Futures) -> pd.DataFrame:
    """Items that wait at Sunday 24:00: ``stage``, ``day``, and the five order statistics."""
    weeks = _shown_weeks(futures)
    frames = [
        pd.DataFrame(
            {
                "stage": STAGE_NAMES[stage],
                "day": [_sunday(futures.weeks[n]) for n in weeks],
                **_fan(futures.weekly_waiting[:, weeks, stage]),
            }
        )
        for stage in stage_use(futures)
    ]
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()


def late_drying(futures: Futures) -> pd.DataFrame:
    """Active items that have waited too long for drying at Sunday 24:00: ``day`` and the five."""
    weeks = _shown_weeks(futures)
    days = [_sunday(futures.weeks[n]) for n in weeks]
    return pd.DataFrame({"day": days, **_fan(futures.weekly_late_drying[:, weeks])})


def place_use(futures: Futures) -> pd.DataFrame:
    """Share of open time that each limited place is in use: ``place``, ``number`` and the five."""
    numbers = futures.project.places.numbers()
    rows = []
    for place in Place:
        shares = futures.place_busy[:, place]
        if numbers[place] is None or np.isnan(shares).any():
            continue
        fan = {name: float(value) for name, value in _fan(shares).items()}
        rows.append({"place": PLACE_WORDS[place], "number": numbers[place], **fan})
    return pd.DataFrame(rows, columns=["place", "number", *BANDS])


def finish_dates(futures: Futures, dots: int = DOTS) -> list[date | None]:
    """Equally likely dates of the last item's end, by order statistics; None: not by the horizon.

    The k-th of n stands for the k-th n-th part of the futures: it is their middle one.
    """
    shares = [(k + 0.5) / dots for k in range(dots)]
    days = [int(quantile(futures.finish_day, share)) for share in shares]
    return [futures.date_of(day) for day in days]


def finish_dots(futures: Futures, columns: int = 24) -> pd.DataFrame:
    """The dots of the finish chart: ``day`` (the middle of a bin), ``height``, ``when``.

    ``when`` is ``by the grant's end``, ``later`` or ``not by the horizon``; the last have no day.
    A bin never holds dates from both sides of the grant's end.
    """
    dates = finish_dates(futures)
    known = [day for day in dates if day is not None]
    span = max((known[-1] - known[0]).days, 1) if known else 1
    width = max(1, -(-span // columns))
    rows: list[dict[str, Any]] = []
    heights: dict[Any, int] = {}
    for day in dates:
        if day is None:
            middle, when = None, "not by the horizon"
        else:
            past = (day - futures.grant_end).days
            # Bins are laid outwards from the grant's end, which is the last day of one of them.
            bin_end = futures.grant_end + timedelta(days=-(-past // width) * width)
            middle = bin_end - timedelta(days=width // 2)
            when = "by the grant's end" if past <= 0 else "later"
        heights[middle] = heights.get(middle, 0) + 1
        rows.append({"day": middle, "date": day, "height": heights[middle], "when": when})
    return pd.DataFrame(rows)


def _month_ends(first: date, last: date) -> Iterator[date]:
    """The last days of the months from a date on, up to but not including another date."""
    day = first.replace(day=1)
    while True:
        following = (day + timedelta(days=32)).replace(day=1)
        end = following - timedelta(days=1)
        if end >= last:
            return
        yield end
        day = following


def promises(futures: Futures) -> pd.DataFrame:
    """What can be promised: ``day`` and, for each share of futures, the items reached or passed.

    Rows: each month end from the first simulated day on, then the grant's end. The columns are
    named by the share in hundredths: ``50``, ``80``, ``90``, ``95``.
    """
    days = [*_month_ends(futures.first_day, futures.grant_end), futures.grant_end]
    return pd.DataFrame(
        [
            {"day": day}
            | {f"{s * 100:.0f}": int(reached(_done_at(futures, day), s)) for s in PROMISE_SHARES}
            for day in days
        ]
    )


# --- exposure ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class ExposureSummary:
    """The whole team's exposure against the limits: no figure belongs to a person.

    Attributes:
        people: people assigned to mould work at any time.
        largest_day_seconds: the largest exposure of anybody on any day in any future.
        limit_day_seconds: the limit for a day.
        largest_days_a_week: the most exposure days of anybody in any calendar week.
        limit_days_a_week: the limit for a week.
        week_hours: 5, 50 and 95 % of the team's exposure hours in a week with any exposure.
    """

    people: int
    largest_day_seconds: int
    limit_day_seconds: int
    largest_days_a_week: int
    limit_days_a_week: int
    week_hours: tuple[float, float, float]


def _mould_workers(project: Project, first: date, last: date) -> set[str]:
    """Who is assigned to mould work on any day of some days."""
    return {
        row.person
        for row in project.team
        if row.mould_work and row.start <= last and (row.end is None or row.end >= first)
    }


def exposure_summary(futures: Futures) -> ExposureSummary:
    """The largest day and week of anybody, and what the team takes on in a week."""
    limits = futures.project.exposure
    total = futures.weekly_exposure.sum(axis=2)
    weeks = total[total > 0] / SECONDS_PER_HOUR
    low, middle, high = (
        float(quantile(weeks, share)) if len(weeks) else 0.0 for share in (0.05, 0.50, 0.95)
    )
    workers = _mould_workers(futures.project, futures.first_day, futures.project.grant.horizon)
    return ExposureSummary(
        people=len(workers),
        largest_day_seconds=int(futures.max_day_exposure.max(initial=0)),
        limit_day_seconds=seconds_from_hours(limits.hours_per_day),
        largest_days_a_week=int(futures.exposure_days.max(initial=0)),
        limit_days_a_week=limits.days_per_week,
        week_hours=(low, middle, high),
    )


def exposure_in_total(futures: Futures) -> pd.DataFrame:
    """The team's exposure hours a week: ``week``, the five, and ``limit`` for all together.

    The limit is hours a day x days a week x the people assigned to mould work in that week.
    """
    weeks = _shown_weeks(futures)
    hours = futures.weekly_exposure[:, weeks, :].sum(axis=2) / SECONDS_PER_HOUR
    limits = futures.project.exposure
    mondays = [futures.weeks[n] for n in weeks]
    people = [len(_mould_workers(futures.project, day, _sunday(day))) for day in mondays]
    limit = [n * limits.hours_per_day * limits.days_per_week for n in people]
    return pd.DataFrame({"week": mondays, **_fan(hours), "limit": limit})


def exposure_by_person(futures: Futures) -> pd.DataFrame:
    """Each person's exposure hours a week: ``person``, ``week``, the five, and ``limit``.

    For the team's own eyes only. People who never do mould work have no rows.
    """
    weeks = _shown_weeks(futures)
    project, limits = futures.project, futures.project.exposure
    workers = _mould_workers(project, futures.first_day, project.grant.horizon)
    frames = []
    for n, person in enumerate(project.persons):
        if person not in workers:
            continue
        hours = futures.weekly_exposure[:, weeks, n] / SECONDS_PER_HOUR
        mondays = [futures.weeks[w] for w in weeks]
        limit = limits.hours_per_day * limits.days_per_week
        frame = {"person": person, "week": mondays, **_fan(hours), "limit": limit}
        frames.append(pd.DataFrame(frame))
    columns = ["person", "week", *BANDS, "limit"]
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=columns)


# --- how sure the simulation itself is ---------------------------------------------------------


def monte_carlo_error(futures: Futures) -> pd.DataFrame:
    """What another run with other luck could have shown: ``figure``, ``value``, ``low``, ``high``.

    95 % intervals: Wilson's for odds (as shares), order statistics for dates (None: not by the
    horizon).
    """
    rows: list[dict[str, Any]] = []
    for figure, share in (
        ("The promise is kept by the grant's end", promise_odds(futures)),
        ("The last item is finished by the grant's end", finish_odds(futures)),
    ):
        low, high = odds_interval(share, futures.replications)
        rows.append({"figure": figure, "value": share, "low": low, "high": high})
    for figure, share in (
        ("Half of the futures are finished by", 0.5),
        ("9 in 10 futures are finished by", 0.9),
    ):
        first, last = order_statistic_interval(futures.finish_day, share)
        days = (quantile(futures.finish_day, share), first, last)
        names = ("value", "low", "high")
        dates = (futures.date_of(int(day)) for day in days)
        rows.append({"figure": figure, **dict(zip(names, dates, strict=True))})
    return pd.DataFrame(rows, dtype=object)


# --- what the forecast rests on ----------------------------------------------------------------


def without_persons(text: str, persons: Sequence[str]) -> str:
    """A text that people wrote, with every person's name or initials taken out.

    >>> without_persons("timed by QX on 40 volumes", ["QX"])
    'timed by a team member on 40 volumes'
    """
    for person in sorted((p for p in persons if p), key=len, reverse=True):
        text = re.sub(rf"(?<!\w){re.escape(person)}(?!\w)", "a team member", text)
    return text


def warning_texts(project: Project, with_persons: bool) -> list[str]:
    """The project's warnings in words; without people unless the readers are the team itself."""
    if with_persons:
        return [str(warning) for warning in project.warnings]
    texts = []
    for warning in project.warnings:
        about_people = warning.file in {"team.csv", "dayplan.csv", "closures.csv"}
        where = "The plan for the team" if about_people else f"{warning.file}, {warning.place}"
        said = f"{where.rstrip(', ')}: expected {warning.expected}. {warning.remedy}"
        texts.append(without_persons(said.rstrip(".") + ".", project.persons))
    return texts


def _three(estimate: Estimate, unit: str, scale: float = 1.0) -> str:
    """An estimate in words."""
    low, likely, high = (
        f"{value * scale:,.4g}" for value in (estimate.low, estimate.likely, estimate.high)
    )
    if estimate.is_known:
        return f"{low}{unit}, taken as known"
    return f"{likely}{unit} ({low} to {high})"


def _count(number_of: int | None) -> str:
    return "no limit" if number_of is None else number(number_of)


def _minutes(value: float) -> str:
    return f"{value:g} minutes"


def _no_limit(minutes: float) -> str:
    return _minutes(minutes) if minutes else "no limit set"


# What stands where in project.toml, how it is called, and how it reads: one row an assumption.
_Row = tuple[str, str, Callable[[Project], str]]


def _place_row(place: Place) -> _Row:
    about = f"{PLACE_WORDS[place]}: how many"
    return f"places.{PLACE_KEYS[place]}", about, lambda p: _count(p.places.numbers()[place])


_SETTINGS: tuple[_Row, ...] = (
    ("grant.horizon", "Horizon of the simulation", lambda p: long_date(p.grant.horizon)),
    ("grant.items_promised", "Items promised", lambda p: number(p.grant.items_promised)),
    (
        "project.observe_public_holidays",
        "Public holidays are days off",
        lambda p: f"yes ({p.country})" if p.observe_public_holidays else "no",
    ),
    (
        "project.subdivision",
        "Part of the country, for its own public holidays",
        lambda p: p.subdivision or "none told: only those of all parts",
    ),
    (
        "exposure.hours_per_day",
        "Planning limit: exposure of a person in a day",
        lambda p: f"{p.exposure.hours_per_day:g} hours",
    ),
    (
        "exposure.days_per_week",
        "Planning limit: days with exposure of a person",
        lambda p: f"{p.exposure.days_per_week} in a week",
    ),
    (
        "exposure.week",
        "What a week of exposure is",
        lambda p: "Monday to Sunday" if p.exposure.week == "calendar" else "any seven days",
    ),
    (
        "breathing_protection.wear_minutes",
        "Breathing protection: longest wear",
        lambda p: _no_limit(p.breathing.wear_minutes),
    ),
    (
        "breathing_protection.rest_minutes",
        "Breathing protection: rest after it",
        lambda p: _minutes(p.breathing.rest_minutes) if p.breathing.rest_minutes else "none set",
    ),
    *(_place_row(place) for place in Place),
    (
        "places.tool_drying_hours",
        "Drying of a tool set after use",
        lambda p: f"{p.places.tool_drying_hours:g} hours",
    ),
    (
        "sessions.protective_clothing",
        "Putting on protective clothing",
        lambda p: _minutes(p.sessions.protective_clothing),
    ),
    ("sessions.clear_bench", "Clearing a bench", lambda p: _minutes(p.sessions.clear_bench)),
    (
        "sessions.clear_camera",
        "Clearing a camera station",
        lambda p: _minutes(p.sessions.clear_camera),
    ),
    (
        "sessions.shortest",
        "Shortest session worth beginning",
        lambda p: _minutes(p.sessions.shortest),
    ),
    (
        "quarantine.minimum_days",
        "Least time in quarantine",
        lambda p: plural(p.quarantine_days, "day"),
    ),
    (
        "drying.attention_minutes",
        "Attention to a drying item in a round",
        lambda p: _minutes(p.drying.attention_minutes),
    ),
    (
        "drying.still_damp",
        "Items still damp after a round of drying",
        lambda p: _three(p.drying.still_damp, " in 100", 100),
    ),
    (
        "drying.start_within_days",
        "Growing mould should begin to dry within",
        lambda p: plural(p.drying.start_within_days, "day"),
    ),
    (
        "drying.month_factor",
        "Drying takes longer in some months",
        lambda p: (
            "no"
            if set(p.drying.month_factor) == {1.0}
            else f"up to {max(p.drying.month_factor):g} times as long"
        ),
    ),
    (
        "checking.share_checked",
        "Items whose images are checked",
        lambda p: f"{p.checking.share_checked * 100:g} in 100",
    ),
    (
        "checking.reject_share",
        "Checked items that are rejected",
        lambda p: _three(p.checking.reject_share, " in 100", 100),
    ),
    (
        "checking.reimaged_share",
        "Images of a rejected item that are made again",
        lambda p: f"{p.checking.reimaged_share * 100:g} in 100",
    ),
    (
        "outcomes.set_aside",
        "Items set aside for a specialist",
        lambda p: _three(p.outcomes.set_aside, " in 100", 100),
    ),
    (
        "outcomes.not_imaged",
        "Items too fragile to be imaged",
        lambda p: _three(p.outcomes.not_imaged, " in 100", 100),
    ),
    (
        "outcomes.counts_as_done",
        "What the promise counts",
        lambda p: " and ".join(f"items that are {name}" for name in p.outcomes.counts_as_done),
    ),
    (
        "time.delivered_share",
        "Rostered hours that reach the work",
        lambda p: _three(p.time.delivered_share, " in 100", 100),
    ),
    (
        "time.absence_days_a_year",
        "Absence of a full-time person in a year",
        lambda p: _three(p.time.absence_days_a_year, " days"),
    ),
    (
        "time.absence_spell_days",
        "Length of a spell of absence, on average",
        lambda p: f"{p.time.absence_spell_days:g} days",
    ),
    (
        "time.practice",
        "Minutes after each doubling of practice",
        lambda p: _three(p.time.practice, " in 100 of those before", 100),
    ),
    (
        "time.practice_starts_at",
        "Practice that the team brings along",
        lambda p: f"{p.time.practice_starts_at:g} items' worth",
    ),
    (
        "time.week_spread",
        "Good and bad weeks: spread of the minutes",
        lambda p: _three(p.time.week_spread, " in 100", 100),
    ),
)


def _task_name(row: TaskTime) -> str:
    """A row of the task times in words."""
    parts = [
        row.material or "any material",
        "" if row.mould is None else f"mould {MOULD_NAMES[row.mould]}",
        "" if row.red_rot is None else ("with red rot" if row.red_rot else "without red rot"),
    ]
    return f"{STAGE_NAMES[row.stage].capitalize()}: {', '.join(part for part in parts if part)}"


def _task_value(row: TaskTime) -> str:
    """A row's time in words, with what it is counted for."""
    if row.average.is_zero:
        return "does not apply"
    unit = "days a round" if row.stage is Stage.DRYING else "minutes"
    per = "" if row.stage is Stage.DRYING else (" an image" if row.per_image else " an item")
    return _three(row.average, f" {unit}{per}")


def assumptions(project: Project, with_persons: bool = False) -> pd.DataFrame:
    """What the forecast rests on: ``about``, ``value``, ``source`` and ``default`` (yes or no).

    ``source`` is ``project.toml``, ``documented default``, or what the column source of
    task_times.csv says; people are taken out of it unless ``with_persons``.
    """
    used = set(project.defaults_used)
    rows = []
    for key, about, value in _SETTINGS:
        default = key in used
        source = "documented default" if default else "project.toml"
        rows.append((about, value(project), source, default))
    for row in project.task_times:
        said = row.source if with_persons else without_persons(row.source, project.persons)
        source = f"task_times.csv: {said or 'no source given'}"
        rows.append((_task_name(row), _task_value(row), source, False))
    if "task_times.csv:scatter" in used:
        about = "Spread of single items around the average, where none is given"
        rows.append((about, "0.4 of the average", "documented default", True))
    looked_at = sum(row.items for row in project.survey)
    survey = f"{plural(looked_at, 'item')} of {number(project.total_items)} looked at"
    rows.insert(0, ("Condition of the collection", survey, "survey.csv", False))
    return pd.DataFrame(rows, columns=["about", "value", "source", "default"])
