"""One future as weekly returns: what a team that lived through it would have written down.

From an event record follow the returns that :mod:`forecast.weekly` describes, with the gaps and
slips that :class:`Telling` asks for, and how much of their shifts people spend in sessions.

What is told of an item, and where: each first pass stands in one row of the sheet ``counts``. If
the item is on its way or done, that row's outcome is blank; if it was set aside at this stage, or
has left as not imaged after it, the row has that outcome. So the first passes of a stage are those
of all its rows. Images and rejects are told at imaging and checking, images made again in the week
in which they were made again.

Items that began a round of drying on one day and were taken out on one day are a batch. An item
that was still damp counts there as such, and begins a batch of its own round.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forecast.events import What
from forecast.items import Mould
from forecast.luck import Plan, Replication, stream
from forecast.stages import N_STAGES, Stage
from forecast.units import SECONDS_PER_DAY, SECONDS_PER_HOUR
from forecast.weekly import (
    Count,
    DryingBatch,
    ExposureDay,
    Hours,
    Received,
    WeeklyReturn,
    WorkedDay,
)

__all__ = ["EVERYTHING", "Telling", "WeeklyWork", "hours_by_week", "returns"]

# What follows from a record; the day grid ``days`` may stand in for hours and exposure.
EVERYTHING = frozenset({"counts", "hours", "exposure", "drying", "received"})

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
ByWeek = dict[int, list[Any]]

_UNTOLD = -1  # in the place of a material, mould, red rot, series or box
_NEVER = -1  # in the place of a day: not by the end of the record
_OUTCOMES = ("", "set-aside", "not-imaged")


@dataclass(frozen=True)
class Telling:
    """How a team writes its returns: what it leaves out, and where it slips.

    Attributes:
        sheets: the sheets that are told; ``days`` only without ``hours`` and ``exposure``.
        categories: whether material, mould and red rot stand beside counts and what was received.
        boxes: whether series and box stand beside what was received.
        sessions: whether the number of sessions stands beside hours.
        away: whether rostered hours of absent days are told.
        box_items: items in a box: consecutive ones of a series, in the order of work.
        misbooked: average share of a person's hours at a stage in a week that stands at another
            of the stages at which that person worked in that week, 0 to 0.5; drawn anew for each.
        quarter_hours: whether hours are rounded to quarters, halves upwards.
        missing: chance that a week has no return at all, 0 to 1.
        seed: of slips and missing weeks. Each hangs on its own week: a longer record tells the
            same of its first weeks.
    """

    sheets: frozenset[str] = EVERYTHING
    categories: bool = True
    boxes: bool = True
    sessions: bool = True
    away: bool = True
    box_items: int = 20
    misbooked: float = 0.0
    quarter_hours: bool = False
    missing: float = 0.0
    seed: int = 0

    def __post_init__(self) -> None:
        unknown = self.sheets - EVERYTHING - {"days"}
        if unknown:
            raise ValueError(f"no record tells of {', '.join(sorted(unknown))}")
        if "days" in self.sheets and self.sheets & {"hours", "exposure"}:
            raise ValueError("the sheet days stands in for hours and exposure")
        if self.box_items < 1:
            raise ValueError(f"a box holds at least one item, not {self.box_items}")
        if not (0.0 <= self.misbooked <= 0.5 and 0.0 <= self.missing <= 1.0):
            raise ValueError(
                f"misbooked is a share of at most 0.5 and missing one of at most 1, not "
                f"{self.misbooked} and {self.missing}"
            )

    def hours(self, seconds: float) -> float:
        """Seconds as hours that are written down."""
        hours = float(seconds) / SECONDS_PER_HOUR
        return math.floor(hours * 4.0 + 0.5) / 4.0 if self.quarter_hours else hours


@dataclass(frozen=True)
class WeeklyWork:
    """Time in sessions, and on shift. W weeks (week 0 holds the grant's start), P persons.

    Attributes:
        by_person: (W, P) seconds in sessions, clothing and clearing included.
        by_stage: (W, 9) the same by stage.
        sessions: (W, 9) how many began.
        on_shift: (W, P) seconds of shifts, none before the simulation's start or after the end.
    """

    by_person: Ints
    by_stage: Ints
    sessions: Ints
    on_shift: Ints


# --- what is asked for ---------------------------------------------------------------------------


def returns(
    plan: Plan,
    luck: Replication,
    rows: Ints,
    until: date,
    *,
    tell: Telling | None = None,
) -> tuple[WeeklyReturn, ...]:
    """The returns of all whole weeks of a future up to a date.

    Args:
        plan: of the project, from which ``luck`` was drawn.
        luck: what the engine read.
        rows: (n, 6) the event record.
        until: weeks whose Sunday is later are not told. The week in which the last item left is
            the last one; weeks before the simulation's start have no return either.
        tell: how it is written; None: everything, as it was.
    """
    how = Telling() if tell is None else tell
    happened = _Happened(plan, luck, rows)
    sheets = {name: _WRITERS[name](happened, how) for name in sorted(how.sheets)}
    return tuple(
        WeeklyReturn(
            happened.monday(week),
            how.sheets,
            **{name: tuple(by_week.get(week, ())) for name, by_week in sheets.items()},
        )
        for week in happened.weeks(until)
        if not _is_missing(how, week)
    )


def hours_by_week(rows: Ints, luck: Replication) -> WeeklyWork:
    """Seconds in sessions and on shift by week, and how many sessions began.

    A session belongs to the week in which it began.

    Args:
        rows: (n, 6) the event record.
        luck: what the engine read.
    """
    days = len(luck.week_of_day)
    weeks, people = int(luck.week_of_day[-1]) + 1, len(luck.shift_begin)
    person, stage, begin, end = _spans(rows, What.SESSION_BEGINS, What.SESSION_ENDS)
    week = luck.week_of_day[_day(begin, days)]
    begun = np.flatnonzero(rows[:, 1] == What.SESSION_BEGINS)
    begun_in = luck.week_of_day[_day(rows[begun, 0], days)]
    return WeeklyWork(
        by_person=_table((week, person), (weeks, people), end - begin),
        by_stage=_table((week, stage), (weeks, N_STAGES), end - begin),
        sessions=_table((begun_in, rows[begun, 2]), (weeks, N_STAGES), np.ones_like(begun)),
        on_shift=_on_shift(luck, weeks, _end(rows, luck)),
    )


# --- an event record by columns ------------------------------------------------------------------


def _day(time: Ints, days: int) -> Ints:
    """The day of a moment; 24:00 of the last belongs to it."""
    return np.minimum(time // SECONDS_PER_DAY, days - 1)


def _end(rows: Ints, luck: Replication) -> int:
    """The second of the last event if all items have left, else the horizon."""
    left = int((rows[:, 1] >= What.DONE).sum())
    if left < len(luck.arrival) or not len(rows):
        return len(luck.week_of_day) * SECONDS_PER_DAY
    return int(rows[-1, 0])


def _spans(rows: Ints, begins: What, ends: What) -> tuple[Ints, Ints, Ints, Ints]:
    """Person, stage, begin and end of what a person does once at a time.

    Where a record breaks off, what has begun may have no end: it is left out.
    """
    mine = rows[(rows[:, 1] == begins) | (rows[:, 1] == ends)]
    mine = mine[np.argsort(mine[:, 4], kind="stable")]
    first, last = mine[:-1], mine[1:]
    whole = (first[:, 1] == begins) & (last[:, 1] == ends) & (first[:, 4] == last[:, 4])
    first, last = first[whole], last[whole]
    return first[:, 4], first[:, 2], first[:, 0], last[:, 0]


def _table(at: tuple[Ints, Ints], shape: tuple[int, int], amounts: Ints) -> Ints:
    """Amounts added up in a table of two axes."""
    summed = np.zeros(shape, dtype=np.int64)
    np.add.at(summed, at, amounts)
    return summed


def _on_shift(luck: Replication, weeks: int, end: int) -> Ints:
    """(W, P) seconds of shifts; one that had begun before the simulation is nobody's."""
    begin = np.where(luck.shift_begin >= luck.settings.start, luck.shift_begin, luck.shift_end)
    seconds = np.minimum(luck.shift_end, end) - np.minimum(begin, end)
    summed = np.zeros((weeks, len(seconds)), dtype=np.int64)
    np.add.at(summed, luck.week_of_day, seconds.T)
    return summed


def _sums(keys: Sequence[Ints], amounts: Sequence[NDArray[Any]]) -> tuple[Ints, list[Floats]]:
    """Amounts added up by key: (n, K) different keys in ascending order, and (n,) for each."""
    different, which = np.unique(np.stack(keys, axis=1), axis=0, return_inverse=True)
    which = which.reshape(-1)
    weights = [np.asarray(each, dtype=float) for each in amounts]
    summed = [np.bincount(which, weights=each, minlength=len(different)) for each in weights]
    return different.astype(np.int64), [np.asarray(each, dtype=float) for each in summed]


class _Happened:
    """What a record tells, by item, day and week."""

    def __init__(self, plan: Plan, luck: Replication, rows: Ints) -> None:
        self.plan, self.luck, self.rows = plan, luck, rows
        self.time, self.what, self.stage, self.item = rows[:, :4].T
        self.days = len(luck.week_of_day)
        self.end = _end(rows, luck)

    # --- the calendar

    def day(self, time: Ints) -> Ints:
        return _day(time, self.days)

    def week(self, time: Ints) -> Ints:
        return np.asarray(self.luck.week_of_day[self.day(time)])

    def date_of(self, day: int) -> date:
        return self.plan.project.date_of(day)

    def monday(self, week: int) -> date:
        start = self.plan.project.grant.start
        return start + timedelta(days=7 * week - start.weekday())

    def weeks(self, until: date) -> range:
        """Whole weeks up to a date that the record speaks of."""
        first = int(self.week(np.array([self.luck.settings.start]))[0])
        last = int(self.week(np.array([self.end]))[0])
        told = (until - self.monday(0)).days + 1
        return range(first, min(last + 1, told // 7))

    # --- people

    def person(self, number: int) -> str:
        return self.plan.project.persons[number]

    @cached_property
    def worked(self) -> tuple[Ints, list[Floats]]:
        """Keys day, person, stage; seconds in sessions, of them exposure, and sessions."""
        person, stage, begin, end = _spans(self.rows, What.SESSION_BEGINS, What.SESSION_ENDS)
        exposed = _spans(self.rows, What.EXPOSURE_BEGINS, What.EXPOSURE_ENDS)
        none, no_exposure = np.zeros(len(exposed[0])), np.zeros(len(person))
        return _sums(
            (
                np.concatenate([self.day(begin), self.day(exposed[2])]),
                np.concatenate([person, exposed[0]]),
                np.concatenate([stage, exposed[1]]),
            ),
            (
                np.concatenate([end - begin, none]),
                np.concatenate([no_exposure, exposed[3] - exposed[2]]),
                np.concatenate([np.ones(len(person)), none]),
            ),
        )

    @cached_property
    def away(self) -> tuple[Ints, Ints, Floats]:
        """Day, person and rostered hours of absent days."""
        luck, hours = self.luck, self.plan.rota.hours
        absent = (hours > 0.0) & (luck.shift_begin == luck.shift_end)
        absent[:, : luck.settings.start // SECONDS_PER_DAY] = False
        absent[:, self.end // SECONDS_PER_DAY + 1 :] = False
        day, person = np.nonzero(absent.T)
        return day, person, hours[person, day]

    # --- items

    @cached_property
    def materials(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(cell.material for cell in self.plan.cells))

    @cached_property
    def material(self) -> Ints:
        """(I,) number of the item's material."""
        of_cell = [self.materials.index(cell.material) for cell in self.plan.cells]
        return np.array(of_cell, dtype=np.int64)[self.plan.cell_of_item]

    @cached_property
    def all_series(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(self.plan.series_of_item))

    @cached_property
    def series(self) -> Ints:
        """(I,) number of the item's series, which follow each other in the order of work."""
        of = {name: number for number, name in enumerate(self.all_series)}
        return np.array([of[name] for name in self.plan.series_of_item], dtype=np.int64)

    def box(self, box_items: int) -> Ints:
        """(I,) number of the item's box in its series."""
        first = np.searchsorted(self.series, np.arange(len(self.all_series)))
        return np.asarray((np.arange(len(self.series)) - first[self.series]) // box_items)

    def category(self, item: Ints, *, told: bool) -> list[Ints]:
        """Material, mould and red rot of items."""
        if not told:
            return [np.full(len(item), _UNTOLD)] * 3
        luck = self.luck
        return [
            self.material[item],
            luck.mould[item].astype(np.int64),
            luck.red_rot[item].astype(np.int64),
        ]

    def category_words(self, key: Sequence[int]) -> tuple[str | None, Mould | None, bool | None]:
        material, mould, red_rot = key
        if material == _UNTOLD:
            return None, None, None
        return self.materials[material], Mould(mould), bool(red_rot)

    @cached_property
    def finished(self) -> Ints:
        """Rows in which an item finished a stage, again or for the first time."""
        return np.flatnonzero(self.what == What.FINISHED)

    @cached_property
    def first_passes(self) -> Ints:
        """Rows in which an item finished a stage for the first time."""
        key = self.item[self.finished] * N_STAGES + self.stage[self.finished]
        return np.sort(self.finished[np.unique(key, return_index=True)[1]])

    @cached_property
    def outcome(self) -> Ints:
        """(n,) number among outcomes of each first pass."""
        ended = np.zeros(len(self.luck.arrival), dtype=np.int64)
        for number, what in ((1, What.SET_ASIDE), (2, What.NOT_IMAGED)):
            ended[self.item[self.what == what]] = number
        last = np.full(len(ended), -1)
        np.maximum.at(last, self.item[self.finished], self.finished)
        items = self.item[self.first_passes]
        return np.where(last[items] == self.first_passes, ended[items], 0)


# --- sheets --------------------------------------------------------------------------------------


def _is_missing(tell: Telling, week: int) -> bool:
    """Whether nobody wrote a return for the week."""
    if tell.missing == 0.0:
        return False
    return bool(stream(tell.seed, week, "missing").random() < tell.missing)


def _by_week(rows: Iterable[tuple[int, Any]]) -> ByWeek:
    gathered: ByWeek = {}
    for week, row in rows:
        gathered.setdefault(week, []).append(row)
    return gathered


def _counts(happened: _Happened, tell: Telling) -> ByWeek:
    """First passes, images and rejects by week, stage and category."""
    h, luck = happened, happened.luck
    imaged = h.finished[h.stage[h.finished] == Stage.IMAGING]
    again = np.setdiff1d(imaged, h.first_passes)
    rejected = np.flatnonzero(h.what == What.REJECTED)
    rows = np.concatenate([h.first_passes, again, rejected])
    first, second = len(h.first_passes), len(h.first_passes) + len(again)
    outcome, items, images, rejects = np.zeros((4, len(rows)), dtype=np.int64)
    outcome[:first], items[:first] = h.outcome, 1
    images[:first] = np.where(
        h.stage[h.first_passes] == Stage.IMAGING, luck.images[h.item[h.first_passes]], 0
    )
    images[first:second] = luck.again_images[h.item[again]]
    rejects[second:] = 1
    category = h.category(h.item[rows], told=tell.categories)
    keys, (n_items, n_images, n_rejects) = _sums(
        (h.week(h.time[rows]), h.stage[rows], *category, outcome), (items, images, rejects)
    )

    def written(at: int, stage: Stage, key: Sequence[int]) -> Count:
        return Count(
            stage,
            *h.category_words(key[2:5]),
            items=int(n_items[at]),
            images=int(n_images[at]) if stage is Stage.IMAGING else None,
            rejected=int(n_rejects[at]) if stage is Stage.CHECKING else None,
            outcome=_OUTCOMES[key[5]],
        )

    return _by_week((key[0], written(at, Stage(key[1]), key)) for at, key in _numbered(keys))


def _numbered(keys: Ints) -> Iterable[tuple[int, list[int]]]:
    return enumerate(keys.tolist())


def _worked(happened: _Happened, tell: Telling) -> tuple[Ints, list[Floats]]:
    """Time by day, person and stage as it is told: some of it at another stage."""
    keys, (seconds, mould, sessions) = happened.worked
    if tell.misbooked == 0.0 or not len(keys):
        return keys, [seconds, mould, sessions]
    week = happened.luck.week_of_day[keys[:, 0]]
    moved_share, moved_to = np.zeros(len(keys)), keys[:, 2].copy()
    for number, person in np.unique(np.stack([week, keys[:, 1]], axis=1), axis=0).tolist():
        own = (week == number) & (keys[:, 1] == person)
        stages = np.unique(keys[own, 2])
        slips = stream(tell.seed, number, "misbooked", happened.person(person))
        for stage in stages.tolist() if len(stages) > 1 else ():
            there = own & (keys[:, 2] == stage)
            moved_share[there] = slips.uniform(0.0, 2.0 * tell.misbooked)
            moved_to[there] = slips.choice(stages[stages != stage])
    day, person_of = keys[:, 0], keys[:, 1]
    stays = 1.0 - moved_share
    return _sums(
        (
            np.concatenate([day, day]),
            np.concatenate([person_of, person_of]),
            np.concatenate([keys[:, 2], moved_to]),
        ),
        (
            np.concatenate([seconds * stays, seconds * moved_share]),
            np.concatenate([mould * stays, mould * moved_share]),
            np.concatenate([sessions, np.zeros(len(sessions))]),
        ),
    )


def _hours(happened: _Happened, tell: Telling) -> ByWeek:
    """Hours by week, person and stage; after a person's stages the hours away."""
    h, week_of_day = happened, happened.luck.week_of_day
    daily, (seconds, _, sessions) = _worked(h, tell)
    keys, (worked, begun) = _sums(
        (week_of_day[daily[:, 0]], daily[:, 1], daily[:, 2]), (seconds, sessions)
    )
    rows = [
        (
            week,
            Hours(
                h.person(person),
                Stage(stage),
                tell.hours(worked[at]),
                int(begun[at]) if tell.sessions else None,
            ),
        )
        for at, (week, person, stage) in _numbered(keys)
        if worked[at] > 0.0 or begun[at] > 0.0
    ]
    if tell.away:
        day, person_of, hours = h.away
        keys, (total,) = _sums((week_of_day[day], person_of), (hours,))
        rows += [
            (week, Hours(h.person(person), None, tell.hours(total[at] * SECONDS_PER_HOUR)))
            for at, (week, person) in _numbered(keys)
        ]
    return _by_week(rows)


def _exposure(happened: _Happened, tell: Telling) -> ByWeek:
    """Exposure by date and person."""
    h = happened
    days, (_, mould, _) = h.worked
    keys, (seconds,) = _sums((days[:, 0], days[:, 1]), (mould,))
    return _by_week(
        (
            int(h.luck.week_of_day[day]),
            ExposureDay(h.date_of(day), h.person(person), tell.hours(seconds[at])),
        )
        for at, (day, person) in _numbered(keys)
        if seconds[at] > 0.0
    )


def _days(happened: _Happened, tell: Telling) -> ByWeek:
    """The day grid: date, person, stage, hours, of which mould."""
    h, week_of_day = happened, happened.luck.week_of_day
    keys, (seconds, mould, _) = _worked(h, tell)
    rows = [
        (
            int(week_of_day[day]),
            WorkedDay(
                h.date_of(day),
                h.person(person),
                Stage(stage),
                tell.hours(seconds[at]),
                tell.hours(mould[at]),
            ),
        )
        for at, (day, person, stage) in _numbered(keys)
        if seconds[at] > 0.0
    ]
    if tell.away:
        rows += [
            (
                int(week_of_day[day]),
                WorkedDay(h.date_of(day), h.person(person), None, tell.hours(3600.0 * hours)),
            )
            for day, person, hours in zip(*(each.tolist() for each in h.away), strict=True)
        ]
    return _by_week(rows)


def _drying(happened: _Happened, _: Telling) -> ByWeek:
    """Batches when they were put in, and once more when they were taken out."""
    h = happened
    item, put_in, taken_out, damp = _rounds(h)
    keys, (items, still_damp) = _sums((put_in, taken_out), (np.ones(len(item)), damp))
    week_of_day = h.luck.week_of_day
    rows: list[tuple[int, DryingBatch]] = []
    number, before = 0, _NEVER
    for at, (day_in, day_out) in _numbered(keys):
        number = number + 1 if day_in == before else 1
        before = day_in
        put = h.date_of(day_in)
        begun = DryingBatch(f"{put.isoformat()}/{number}", put, int(items[at]))
        if day_out == _NEVER or week_of_day[day_out] != week_of_day[day_in]:
            rows.append((int(week_of_day[day_in]), begun))
        if day_out != _NEVER:
            out = h.date_of(day_out)
            whole = replace(begun, taken_out=out, still_damp=int(still_damp[at]))
            rows.append((int(week_of_day[day_out]), whole))
    return _by_week(rows)


def _rounds(h: _Happened) -> tuple[Ints, Ints, Ints, Flags]:
    """Item, day put in, day taken out (or never) of each round, and whether it was still damp.

    An item's rounds follow each other, and the last is over when its place is free.
    """
    begins = np.flatnonzero((h.what == What.ROUND_BEGINS) | (h.what == What.DRYER_FREED))
    begins = begins[np.argsort(h.item[begins], kind="stable")]
    begun = h.what[begins] == What.ROUND_BEGINS
    follows = np.append(h.item[begins[1:]] == h.item[begins[:-1]], False)
    day = h.day(h.time[begins])
    out = np.where(follows, np.append(day[1:], _NEVER), _NEVER)
    damp = follows & np.append(begun[1:], False)
    return h.item[begins][begun], day[begun], out[begun], damp[begun]


def _received(happened: _Happened, tell: Telling) -> ByWeek:
    """Items as they were found: at receiving, or where that does not apply, on their delivery."""
    h = happened
    opened = h.luck.applies[:, Stage.RECEIVING]
    first = h.first_passes[h.stage[h.first_passes] == Stage.RECEIVING]
    come = np.flatnonzero(h.what == What.DELIVERED)
    rows = np.concatenate([first, come[~opened[h.item[come]]]])
    item = h.item[rows]
    told = tell.boxes
    series = h.series[item] if told else np.full(len(item), _UNTOLD)
    box = h.box(tell.box_items)[item] if told else series
    keys, (items,) = _sums(
        (h.week(h.time[rows]), series, box, *h.category(item, told=tell.categories)),
        (np.ones(len(rows)),),
    )
    return _by_week(
        (
            key[0],
            Received(
                h.all_series[key[1]] if told else None,
                f"{key[2] + 1:03d}" if told else None,
                *h.category_words(key[3:]),
                items=int(items[at]),
            ),
        )
        for at, key in _numbered(keys)
    )


_WRITERS: dict[str, Callable[[_Happened, Telling], ByWeek]] = {
    "counts": _counts,
    "hours": _hours,
    "exposure": _exposure,
    "days": _days,
    "drying": _drying,
    "received": _received,
}
