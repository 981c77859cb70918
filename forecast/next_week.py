"""The week that comes: hours, items and shelves of many futures in their first week."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from forecast import luck
from forecast.events import What
from forecast.exposure import CALENDAR_WEEK
from forecast.history import History
from forecast.people import TeamRow
from forecast.planning import Knowledge, Plan
from forecast.project import Project
from forecast.replicate import one_record
from forecast.stages import N_STAGES, Stage
from forecast.units import SECONDS_PER_DAY, SECONDS_PER_HOUR
from forecast.working_time import public_holidays, rota

__all__ = ["MouldHours", "NextWeek", "mould_hours_left", "next_week"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class NextWeek:
    """What R futures do in one week. P persons.

    Attributes:
        monday: of the week.
        hours: (R, P, 9) in sessions, clothing and clearing included.
        items: (R, 9) that finish the stage for the first time.
        called: (R,) that are called from the store on to a quarantine shelf.
        to_dry: (R,) active items that begin their first round of drying.
        waiting: (R, 9) items that wait at the stage when the futures begin: for a shelf, for a
            drying place, or for somebody to take them up.
        in_place: (R, 9) items that rest on a quarantine shelf or in a drying place then.
    """

    monday: date
    hours: Floats
    items: Ints
    called: Ints
    to_dry: Ints
    waiting: Ints
    in_place: Ints


def next_week(
    project: Project,
    knowledge: Knowledge | None,
    first_day: int,
    monday: date,
    replications: int = 200,
    seed: int = 1,
) -> NextWeek:
    """Look at one week of the futures that a forecast with the same arguments sees.

    Args:
        project: the project.
        knowledge: what is on record; None: nothing.
        first_day: day number from which it is simulated.
        monday: of the week.
        replications: how many futures.
        seed: of the forecast.
    """
    plan = luck.plan(project, first_day, knowledge)
    begin = project.day_number(monday) * SECONDS_PER_DAY
    weeks = [_Week(plan, seed, index, begin) for index in range(replications)]
    return NextWeek(
        monday=monday,
        hours=np.array([week.hours() for week in weeks]),
        items=np.array([week.items() for week in weeks]),
        called=np.array([week.count(What.SHELF_TAKEN) for week in weeks]),
        to_dry=np.array([week.first_rounds() for week in weeks]),
        waiting=np.array([week.there(resting=False) for week in weeks]),
        in_place=np.array([week.there(resting=True) for week in weeks]),
    )


class _Week:
    """One future's week, cut out of its event record."""

    def __init__(self, plan: Plan, seed: int, index: int, begin: int) -> None:
        self.people = len(plan.project.persons)
        drawn, rows = one_record(plan, seed, index)
        found = rows[:, 1] == What.FOUND
        self.start = drawn.start
        time = rows[:, 0]
        within = (time >= begin) & (time < begin + 7 * SECONDS_PER_DAY) & ~found
        self.rows = rows[within]
        self.earlier = rows[(time < begin) & ~found]

    def of(self, what: What) -> Ints:
        return np.asarray(self.rows[self.rows[:, 1] == what])

    def count(self, what: What) -> int:
        return len(self.of(what))

    def hours(self) -> Floats:
        """(P, 9) hours from a session's begin to its end, by person and stage."""
        hours = np.zeros((self.people, N_STAGES))
        # A shift ends on its own day, so no session reaches into another week.
        for sign, what in ((-1, What.SESSION_BEGINS), (1, What.SESSION_ENDS)):
            rows = self.of(what)
            np.add.at(hours, (rows[:, 4], rows[:, 2]), sign * rows[:, 0] / SECONDS_PER_HOUR)
        return hours

    def items(self) -> Ints:
        """(9,) first passes."""
        done = self.of(What.FINISHED)
        key = np.unique(done[:, 3] * N_STAGES + done[:, 2])
        before = self.earlier[self.earlier[:, 1] == What.FINISHED]
        key = np.setdiff1d(key, before[:, 3] * N_STAGES + before[:, 2])
        item, stage = key // N_STAGES, key % N_STAGES
        if self.start is not None:
            stage = stage[~self.start.has_passed[item, stage]]
        return np.bincount(stage, minlength=N_STAGES)

    def first_rounds(self) -> int:
        """Active items put into a drying place; not those that go into another round."""
        begun = np.unique(self.of(What.ROUND_BEGINS)[:, 3])
        earlier = self.earlier[self.earlier[:, 1] == What.ROUND_BEGINS][:, 3]
        first = np.setdiff1d(begun, earlier)
        if self.start is not None:
            first = first[(self.start.rounds[first] == 0) & ~self.start.dryer[first]]
        return len(first)

    def there(self, *, resting: bool) -> Ints:
        """(9,) items at each stage at the start: those that rest in a place, or the others."""
        if self.start is None:
            return np.zeros(N_STAGES, dtype=np.int64)
        start = self.start
        in_place = np.where(start.stage == Stage.DRYING, start.dryer & (start.due_day >= 0), False)
        in_place = np.where(start.stage == Stage.QUARANTINE, start.shelf, in_place)
        of_these = start.is_there & (in_place if resting else ~in_place)
        return np.bincount(start.stage[of_these], minlength=N_STAGES)


# --- mould hours ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class MouldHours:
    """What the planning limits leave to one person on each day of a week.

    Attributes:
        hours: seven, from Monday: 0 where the person is not rostered, not assigned to mould
            work, or has used up the days; before anything is worked in that week.
        days: on how many of these days the person may work with mould altogether, at most.
    """

    person: str
    hours: tuple[float, ...]
    days: int


def mould_hours_left(project: Project, history: History, monday: date) -> tuple[MouldHours, ...]:
    """The planning limits' rest for everybody who does mould work, from the record (R2).

    Args:
        project: whose limits and rota count.
        history: the returns on record.
        monday: of the week.
    """
    off: frozenset[date] = frozenset()
    sunday = monday + timedelta(days=6)
    if project.observe_public_holidays:
        off = public_holidays(project.country, project.subdivision, monday, sunday)
    rostered = rota(project.team, project.closures, off, monday, 7)
    exposed = {
        (row.person, row.day) for each in history.returns for row in each.exposed if row.hours > 0
    }
    found = []
    for number, person in enumerate(project.persons):
        days = [monday + timedelta(days=n) for n in range(7)]
        assigned = [any(r.covers(d) and r.mould_work for r in _rows(project, person)) for d in days]
        if not any(assigned):
            continue
        left = [_days_left(project, exposed, person, day) for day in days]
        hours = tuple(
            min(project.exposure.hours_per_day, float(rostered.hours[number, n]))
            if assigned[n] and left[n] > 0
            else 0.0
            for n in range(7)
        )
        found.append(MouldHours(person, hours, _most_days(hours, left)))
    return tuple(found)


def _most_days(hours: Sequence[float], left: Sequence[int]) -> int:
    """How many exposure days fit into the week.

    The n-th of them needs n left. Earlier ones of the same week stay within the six days before,
    and what is on record drops out of these with time, so the last days of the week fit best.
    """
    open_days = [n for n in range(7) if hours[n] > 0.0]
    for most in range(len(open_days), 0, -1):
        last = open_days[-most:]
        if all(left[day] >= place for place, day in enumerate(last, start=1)):
            return most
    return 0


def _rows(project: Project, person: str) -> list[TeamRow]:
    return [row for row in project.team if row.person == person]


def _days_left(
    project: Project, exposed: set[tuple[str, date]], person: str, day: date
) -> int:
    """Days of exposure that are left on a day, by what is on record."""
    limit = project.exposure.days_per_week
    if project.exposure.week_rule == CALENDAR_WEEK:
        return limit
    before = [day - timedelta(days=n) for n in range(1, 7)]
    return limit - sum((person, each) in exposed for each in before)
