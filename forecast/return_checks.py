"""What is wrong with a return, what is doubtful about it, and which limits it shows crossed.

Errors refuse the whole return; only what cannot have been is one. Doubts are shown and kept. A
crossed exposure limit is neither: it is recorded as worked, always, and shown first, without a
score, a ranking or a reason.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from forecast import ledger, working_time
from forecast.errors import Problem
from forecast.exposure import CALENDAR_WEEK
from forecast.history import History
from forecast.project import Project
from forecast.stages import Stage
from forecast.weekly import WeeklyReturn

__all__ = ["Checked", "Crossing", "check", "crossings"]

_TELL = "Tell whoever is responsible for health and safety."
_ROUNDING = 0.005  # hours: what the rounding of a written number may make out of nothing


@dataclass(frozen=True)
class Crossing:
    """More exposure than planned for, as worked.

    Attributes:
        days: the day, or the exposure days that were too many, in order.
        hours: exposure on those days.
        limit: the planning limit, in words.
        sentence: all of it, for people.
    """

    person: str
    days: tuple[date, ...]
    hours: float
    limit: str
    sentence: str


@dataclass(frozen=True)
class Checked:
    """What a look at a return has found; it is recorded if there are no errors."""

    errors: tuple[Problem, ...]
    warnings: tuple[Problem, ...]
    crossings: tuple[Crossing, ...]


def check(
    project: Project,
    history_before: History,
    new_return: WeeklyReturn,
    persons_ever: Collection[str],
    today: date,
) -> Checked:
    """Look at a return before it is recorded.

    Args:
        project: whose record it is.
        history_before: what is on record; a return of the same week is the one to be corrected.
        new_return: the return.
        persons_ever: everybody who was ever in the stored team; today's team is added.
        today: by the clock.
    """
    others = [each for each in history_before.returns if each.week != new_return.week]
    after = History.of([*others, new_return])
    errors, later = _more_than_could_be(project, History.of(others), after, new_return.week)
    return Checked(
        errors=(
            *_outside(project, new_return),
            *_strangers(project, new_return, persons_ever),
            *errors,
        ),
        warnings=(
            *_not_over(new_return, today),
            *_gap(after, new_return),
            *_untold(project, new_return),
            *_beyond_rota(project, new_return),
            *later,
        ),
        crossings=crossings(project, after, new_return.week),
    )


# --- errors --------------------------------------------------------------------------------------


def _name(told: WeeklyReturn) -> str:
    return f"return of {told.week.isoformat()}"


def _outside(project: Project, told: WeeklyReturn) -> Iterable[Problem]:
    """A week in which nobody can have worked on the project."""
    grant = project.grant
    if told.last_day < grant.start:
        expected, remedy = f"the week of {grant.start.isoformat()} or later", "[grant] start"
    elif told.week > grant.horizon:
        expected, remedy = f"a week up to {grant.horizon.isoformat()}", "[grant] horizon"
    else:
        return
    yield Problem(
        _name(told),
        "week",
        told.week.isoformat(),
        expected,
        f"Correct the week, or {remedy} in project.toml.",
    )


def _strangers(
    project: Project, told: WeeklyReturn, persons_ever: Collection[str]
) -> Iterable[Problem]:
    known = {*persons_ever, *project.persons}
    for person in told.persons:
        if person not in known:
            yield Problem(
                _name(told),
                "person",
                person,
                f"one of {', '.join(sorted(known))}",
                "Correct the name, or add the person to team.csv first.",
            )


def _more_than_could_be(
    project: Project, before: History, after: History, week: date
) -> tuple[list[Problem], list[Problem]]:
    """What this return makes impossible: in its own week, and in weeks after it.

    What did not add up without it is not its fault.
    """
    known: dict[object, int] = {}
    for excess in ledger.excesses(project, before):
        known[excess.name] = max(excess.by, known.get(excess.name, 0))
    new = [
        excess
        for excess in ledger.excesses(project, after, week)
        if excess.by > known.get(excess.name, 0)
    ]
    own = [excess for excess in new if excess.week == week]
    named = {excess.name for excess in own}
    later = {e.name: e for e in reversed(new) if e.name not in named}
    errors = [excess.problem() for excess in own]
    doubts = [excess.problem() for excess in later.values()]
    known_strays = set(ledger.batches(before)[2])
    for stray in ledger.batches(after)[2]:
        if stray not in known_strays:
            own_row = stray.file == f"return of {week.isoformat()}"
            (errors if own_row else doubts).append(stray)
    return errors, doubts


# --- doubts --------------------------------------------------------------------------------------


def _not_over(told: WeeklyReturn, today: date) -> Iterable[Problem]:
    if today <= told.last_day:
        yield Problem(
            _name(told),
            "week",
            f"recorded on {today.isoformat()}",
            f"a week that is over (it ends on {told.last_day.isoformat()})",
            "Record a correction if more is done in it.",
        )


def _gap(after: History, told: WeeklyReturn) -> Iterable[Problem]:
    """Missing weeks right before the return's."""
    earlier = [each.week for each in after.returns if each.week < told.week]
    if not earlier:
        return
    missing = [week for week in after.gaps if earlier[-1] < week < told.week]
    if missing:
        yield Problem(
            _name(told),
            "week",
            f"no return of {', '.join(week.isoformat() for week in missing)}",
            "one return a week",
            "Record the missing weeks if anything is known of them.",
        )


def _untold(project: Project, told: WeeklyReturn) -> Iterable[Problem]:
    """Sheets that a forecast would learn from and that are not there."""
    grid = "days" in told.told
    mould = project.survey_has_mould
    dries = any(kind.route[Stage.DRYING] for kind in ledger.kinds(project))
    wanted = {
        "counts": True,
        "hours": not grid,
        "exposure": mould and not grid,
        "drying": mould and dries,
        "received": True,
    }
    for sheet, needed in wanted.items():
        if needed and sheet not in told.told:
            yield Problem(
                _name(told),
                sheet,
                "",
                "the sheet, if need be without rows",
                "Not told is not the same as none: leave it empty if there was nothing to tell.",
            )


def _beyond_rota(project: Project, told: WeeklyReturn) -> Iterable[Problem]:
    """Hours, those away among them, against rostered hours by person and week."""
    hours: dict[str, float] = {}
    for row in told.worked:
        hours[row.person] = hours.get(row.person, 0.0) + row.hours
    if not hours:
        return
    rostered = _rostered(project, told.week)
    for person, worked in hours.items():
        plan = sum(rostered.values()) if person == "" else rostered.get(person, 0.0)
        if worked > plan + _ROUNDING:
            who = person or "the team"
            yield Problem(
                _name(told),
                f"hours, {who}",
                f"{worked:g} hours",
                f"at most the {plan:g} that the rota has for {who} in that week",
                "Recorded as written. Correct the rota in team.csv if it has changed.",
            )


def _rostered(project: Project, monday: date) -> Mapping[str, float]:
    """Rostered hours of a week by person."""
    sunday = monday + timedelta(days=6)
    off: frozenset[date] = frozenset()
    if project.observe_public_holidays:
        off = working_time.public_holidays(project.country, project.subdivision, monday, sunday)
    week = working_time.rota(project.team, project.closures, off, monday, 7)
    return dict(zip(project.persons, week.hours.sum(axis=1).tolist(), strict=True))


# --- crossings -----------------------------------------------------------------------------------


def crossings(project: Project, history: History, week: date) -> tuple[Crossing, ...]:
    """Where the exposure of a week crosses a limit, with the weeks beside it.

    Args:
        project: whose planning limits they are.
        history: with the return of that week.
        week: its Monday.
    """
    hours: dict[str, dict[date, float]] = {}
    for each in history.returns:
        if abs(each.week - week) <= timedelta(weeks=1):
            for row in each.exposed:
                if row.person and row.hours > 0.0:
                    mine = hours.setdefault(row.person, {})
                    mine[row.day] = mine.get(row.day, 0.0) + row.hours
    found = [
        crossing
        for person, days in hours.items()
        for crossing in (*_long_days(project, person, days, week), *_many_days(
            project, person, days, week
        ))
    ]
    return tuple(sorted(found, key=lambda crossing: (crossing.days, crossing.person)))


def _is_in(day: date, week: date) -> bool:
    return week <= day < week + timedelta(weeks=1)


def _long_days(
    project: Project, person: str, days: Mapping[date, float], week: date
) -> Iterable[Crossing]:
    most = project.exposure.hours_per_day
    limit = f"{most:g} hours a day"
    for day, hours in days.items():
        if _is_in(day, week) and hours > most + 1e-9:
            yield Crossing(
                person,
                (day,),
                hours,
                limit,
                f"{person} worked {_hours(hours)} with mouldy items on {day.isoformat()}; the "
                f"planning limit is {limit}. {_TELL}",
            )


def _many_days(
    project: Project, person: str, days: Mapping[date, float], week: date
) -> Iterable[Crossing]:
    """The fullest seven days (or the week) with a day of this return, if they hold too many."""
    most = project.exposure.days_per_week
    calendar = project.exposure.week_rule == CALENDAR_WEEK
    span = [week] if calendar else [week + timedelta(days=n) for n in range(-6, 7)]
    windows = [[d for d in sorted(days) if _is_in(d, first)] for first in span]
    windows = [each for each in windows if any(_is_in(day, week) for day in each)]
    fullest: Sequence[date] = max(windows, key=len, default=[])
    if len(fullest) <= most:
        return
    limit = f"{most} exposure days {'from Monday to Sunday' if calendar else 'in any seven days'}"
    hours = sum(days[day] for day in fullest)
    yield Crossing(
        person,
        tuple(fullest),
        hours,
        limit,
        f"{person} worked with mouldy items on {len(fullest)} days from {fullest[0].isoformat()} "
        f"to {fullest[-1].isoformat()}, {_hours(hours)} in all; the planning limit is {limit}. "
        f"{_TELL}",
    )


def _hours(hours: float) -> str:
    """Hours in words, without hiding what is little above a limit."""
    return f"{hours:.6g} hours"
