"""One event record to totals, row by row.

A tally takes rows in the order in which they happened, however many at a time, and does not grow
with them. Of what waits at a stage and of what is in use of a place it keeps the number, and the
area below it over time: each row adds or takes away the time from then to the end. The end is not
known yet, so the area is kept as if it were second 0, and completed later by number x end.

Where the future begins in the middle of a project, what waits and what is in use comes from the
rows of what is found; what is behind an item no row tells, so a tally begins with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from forecast.beginning import Start
from forecast.compiled import entry, part
from forecast.events import What
from forecast.luck import Replication
from forecast.rules import DONE, NEVER
from forecast.stages import N_PLACES, N_STAGES, Place, Stage
from forecast.units import SECONDS_PER_DAY

__all__ = [
    "AREA",
    "DAYS_WITH_ANY",
    "ENDS",
    "EXPOSURE",
    "IMAGES",
    "LATE",
    "NUMBER",
    "REIMAGED",
    "SECONDS",
    "SESSION",
    "WITHDRAWN",
    "WORST_DAY",
    "Tally",
    "absorb",
    "end_of",
    "late_by",
    "new_tally",
    "open_seconds",
    "stray_row",
]

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

# Plain integers: a compiler knows them better than members of an enumeration.
_WAITS, _TAKEN, _PUT_BACK = int(What.WAITS), int(What.TAKEN), int(What.PUT_BACK)
_FINISHED, _ROUND_BEGINS = int(What.FINISHED), int(What.ROUND_BEGINS)
_SHELF_TAKEN, _SHELF_FREED = int(What.SHELF_TAKEN), int(What.SHELF_FREED)
_SESSION_BEGINS, _SESSION_ENDS = int(What.SESSION_BEGINS), int(What.SESSION_ENDS)
_EXPOSURE_BEGINS, _EXPOSURE_ENDS = int(What.EXPOSURE_BEGINS), int(What.EXPOSURE_ENDS)
_TOOL_SET_TAKEN, _TOOL_SET_CLEAN = int(What.TOOL_SET_TAKEN), int(What.TOOL_SET_CLEAN)
_DRYER_FREED, _DONE, _NOT_IMAGED = int(What.DRYER_FREED), int(What.DONE), int(What.NOT_IMAGED)
_FOUND, _ON_SHELF, _IN_DRYER = int(What.FOUND), int(What.ON_SHELF), int(What.IN_DRYER)
_SET_DRIES = int(What.SET_DRIES)
_QUARANTINE, _DRYING, _IMAGING = int(Stage.QUARANTINE), int(Stage.DRYING), int(Stage.IMAGING)
_DRYER, _BENCH, _CAMERA = int(Place.DRYER), int(Place.BENCH), int(Place.CAMERA)

# Single numbers in Tally.numbers.
ENDS = 0  # three: items that ended as DONE, SET_ASIDE, NOT_IMAGED
IMAGES = 3  # made at first passes
REIMAGED = 4  # made again
LATE = 5  # items that waited too long for a drying place, of those that had their turn
_LEFT = 6  # items that have not ended yet
_CUT = 7  # later than this nothing waits or is in use: the horizon, or the last item's end
_COUNTS = 8  # three, as ENDS: whether it counts as done
_LIMIT = 11  # seconds of waiting for a drying place that are not too long yet
_WEEKDAY = 12  # of day 0
_START = 13
WITHDRAWN = 14  # items that had left as withdrawn or not found
_NUMBERS = 15

# Rows of Tally.waiting and Tally.in_use.
NUMBER, AREA = 0, 1

_ENDINGS = 4  # of Start.ended: done, set aside, not imaged, and withdrawn or not found

# Kinds of span, and what is kept of a person's last of each in Tally.spans, and by week.
SESSION, EXPOSURE = 0, 1
_SINCE, _DAY, _THAT_DAY, WORST_DAY = 0, 1, 2, 3
SECONDS, DAYS_WITH_ANY = 0, 1

_KINDS = len(What)

# In Tally.damp_since, where it is no time: has not come to drying, has a drying place. An item may
# wait since before second 0.
_NOT_DAMP, _DRIED = -NEVER, -NEVER + 1


def _by_kind(*shape: int, of: int = 0) -> Ints:
    """A table by What; a second axis by stage has a last column for rows of no stage, -1."""
    return np.full((_KINDS, *shape), of, dtype=np.int64)


# How many more wait at the row's stage. Nothing waits in hand or in the dryer.
_WAITING = _by_kind(N_STAGES + 1)
_WAITING[[_WAITS, _PUT_BACK, _FOUND]] = 1
_WAITING[[_TAKEN, _SHELF_TAKEN]] = -1
_WAITING[[_TAKEN, _PUT_BACK], _DRYING] = 0
_WAITING[_ON_SHELF, _QUARANTINE] = -1
_WAITING[_IN_DRYER, _DRYING] = -1

# How many more are in use of a kind of place, and of which; the last kind is none.
_USE = _by_kind()
_USE[[_SESSION_BEGINS, _SHELF_TAKEN, _TOOL_SET_TAKEN]] = 1
_USE[[_ON_SHELF, _IN_DRYER, _SET_DRIES]] = 1
_USE[[_SESSION_ENDS, _SHELF_FREED, _TOOL_SET_CLEAN, _DRYER_FREED]] = -1
_PLACE = _by_kind(N_STAGES + 1, of=N_PLACES)
_PLACE[[_SHELF_TAKEN, _SHELF_FREED, _ON_SHELF]] = int(Place.SHELF)
_PLACE[[_TOOL_SET_TAKEN, _TOOL_SET_CLEAN, _SET_DRIES]] = int(Place.TOOL_SET)
_PLACE[[_DRYER_FREED, _IN_DRYER]] = _DRYER
_PLACE[[_SESSION_BEGINS, _SESSION_ENDS], int(Stage.CLEANING)] = _BENCH
_PLACE[[_SESSION_BEGINS, _SESSION_ENDS], int(Stage.COVERS)] = _CAMERA
_PLACE[[_SESSION_BEGINS, _SESSION_ENDS], _IMAGING] = _CAMERA

# Whether a span begins, 1, or ends, -1, and of which kind.
_SPAN = _by_kind()
_SPAN[[_SESSION_BEGINS, _EXPOSURE_BEGINS]] = 1
_SPAN[[_SESSION_ENDS, _EXPOSURE_ENDS]] = -1
_KIND = _by_kind(of=SESSION)
_KIND[[_EXPOSURE_BEGINS, _EXPOSURE_ENDS]] = EXPOSURE


class Tally(NamedTuple):
    """What a record has come to so far, and the tables that this needs.

    Axes: I items, D days, W weeks, P persons. All times in seconds.

    Attributes:
        numbers: single numbers; the constants ENDS, IMAGES ... say where.
        week_of_day: (D,); images, again_images: (I,), as in :class:`forecast.luck.Replication`.
        passed: (I, 9) 1 where the item has finished the stage before.
        damp_since: (I,) since when the item waits for a drying place, or _NOT_DAMP or _DRIED.
        done: (D + 1,) items that count as done, on each day; the last is beyond the horizon.
        came: (9,) how often an item came to wait at the stage, or was found waiting there.
        weekly_items, weekly_waiting: (W, 9) first passes, and change of the number that waits.
        weekly_late: (W + 1,) change of the number that waits too long for a drying place, by the
            week at whose end it shows; the last is beyond all.
        waiting: (2, 9) NUMBER that waits by stage and AREA; in_use: (2, 6) the same by place, and
            one more for none.
        spans: (P, 2, 4) of a person's last SESSION and EXPOSURE: begin, day, seconds on that day,
            and those of the WORST_DAY.
        weekly_spans: (W, P, 2, 2) SECONDS in SESSION and EXPOSURE, and DAYS_WITH_ANY.
    """

    numbers: Ints
    week_of_day: Ints
    images: Ints
    again_images: Ints
    passed: NDArray[np.int8]
    damp_since: Ints
    done: Ints
    came: Ints
    weekly_items: Ints
    weekly_waiting: Ints
    weekly_late: Ints
    waiting: Ints
    in_use: Ints
    spans: Ints
    weekly_spans: Ints


def new_tally(luck: Replication, start_within_days: int, counts_as_done: Sequence[str]) -> Tally:
    """A tally of no row yet: of what was on record when the simulation begins.

    Args:
        luck: what the engine reads.
        start_within_days: active items that wait longer for a drying place are counted as late.
        counts_as_done: which of ``done`` and ``not-imaged`` the promise counts.
    """
    items, (people, days) = len(luck.arrival), luck.shift_begin.shape
    weeks = int(luck.week_of_day[-1]) + 1

    def zeros(*shape: int) -> Ints:
        return np.zeros(shape, dtype=np.int64)

    numbers = zeros(_NUMBERS)
    numbers[_LEFT] = items
    numbers[_CUT] = days * SECONDS_PER_DAY if items else luck.settings.start
    numbers[_COUNTS : _COUNTS + 3] = "done" in counts_as_done, False, "not-imaged" in counts_as_done
    numbers[_LIMIT] = start_within_days * SECONDS_PER_DAY
    numbers[_WEEKDAY] = luck.settings.weekday_of_day_0
    numbers[_START] = luck.settings.start
    tally = Tally(
        numbers=numbers,
        week_of_day=_table(luck.week_of_day),
        images=_table(luck.images),
        again_images=_table(luck.again_images),
        passed=np.zeros((items, N_STAGES), dtype=np.int8),
        damp_since=np.full(items, _NOT_DAMP, dtype=np.int64),
        done=zeros(days + 1),
        came=zeros(N_STAGES),
        weekly_items=zeros(weeks, N_STAGES),
        weekly_waiting=zeros(weeks, N_STAGES),
        weekly_late=zeros(weeks + 1),
        waiting=zeros(2, N_STAGES),
        in_use=zeros(2, N_PLACES + 1),
        spans=zeros(people, 2, 4),
        weekly_spans=zeros(weeks, people, 2, 2),
    )
    if luck.start is not None:
        _begin_with(tally, luck.start)
    return tally


def _begin_with(tally: Tally, start: Start) -> None:
    """What had happened before the first row."""
    numbers, there = tally.numbers, start.is_there
    left = np.bincount(start.ended[start.stage == DONE], minlength=_ENDINGS)
    numbers[ENDS : ENDS + 3], numbers[WITHDRAWN] = left[:3], left[3]
    numbers[_LEFT] -= left.sum()
    if numbers[_LEFT] == 0:
        numbers[_CUT] = numbers[_START]
    numbers[IMAGES], numbers[REIMAGED] = start.images, start.reimaged
    tally.passed[:] = start.has_passed
    drying = there & (start.stage == Stage.DRYING)
    damp = drying & ~start.dryer
    tally.damp_since[damp] = start.since[damp]
    tally.damp_since[drying & start.dryer] = _DRIED
    shelved = (start.stage == Stage.QUARANTINE) & start.shelf
    waits = there & ~shelved & ~(drying & start.dryer)
    tally.came[:] = np.bincount(start.stage[waits], minlength=N_STAGES)


def _table(values: Ints) -> Ints:
    """As compiled code was promised it; what came from another process may be read-only."""
    return np.require(values, np.int64, ["C", "W"])


# --- rows ----------------------------------------------------------------------------------------


@entry
def absorb(tally: Tally, rows: Ints, count: int) -> None:
    """Add the next rows of a record.

    Args:
        tally: what it came to before; changed in place.
        rows: (n, 6) the event record, in the order of time. Nothing is checked here: a row of
            another future would be written wherever it points (:func:`stray_row`).
        count: how many of the rows, from the first, are meant.
    """
    numbers, week_of_day, damp_since = tally.numbers, tally.week_of_day, tally.damp_since
    images, again_images, passed = tally.images, tally.again_images, tally.passed
    came, waiting, weekly_waiting = tally.came, tally.waiting, tally.weekly_waiting
    done, weekly_items, weekly_late = tally.done, tally.weekly_items, tally.weekly_late
    in_use, spans, weekly_spans = tally.in_use, tally.spans, tally.weekly_spans
    today = tomorrow = week = 0
    for n in range(count):
        time, what, stage = rows[n, 0], rows[n, 1], rows[n, 2]
        item, person = rows[n, 3], rows[n, 4]
        if time >= tomorrow or time < today:
            today = time - time % SECONDS_PER_DAY
            tomorrow = today + SECONDS_PER_DAY
            week = week_of_day[_day(week_of_day, time)]
        at = min(time, numbers[_CUT])
        if _WAITING[what, stage] != 0:
            _wait(waiting, weekly_waiting, week, stage, _WAITING[what, stage], at)
        if _USE[what] != 0:
            _change(in_use, _PLACE[what, stage], _USE[what], at)
        if what == _WAITS:
            _come(came, damp_since, stage, item, time)
        elif what == _FINISHED:
            _finish(passed, weekly_items, numbers, images, again_images, week, stage, item)
        elif _SPAN[what] != 0:
            _span(spans, weekly_spans, week_of_day, what, person, time)
        elif _DONE <= what <= _NOT_IMAGED:
            _leave(numbers, done, what, time)
        elif what == _ROUND_BEGINS and damp_since[item] != _DRIED:
            _wait(waiting, weekly_waiting, week, stage, -1, at)
            _change(in_use, _DRYER, 1, at)
            _count_late(numbers, weekly_late, damp_since[item], time)
            damp_since[item] = _DRIED


@entry
def stray_row(tally: Tally, rows: Ints) -> int:
    """The first row that cannot be of the tally's future, or -1."""
    items, people = len(tally.passed), len(tally.spans)
    for n in range(len(rows)):
        known = 0 <= rows[n, 1] < _KINDS and -1 <= rows[n, 2] < N_STAGES
        of_this = -1 <= rows[n, 3] < items and -1 <= rows[n, 4] < people
        if rows[n, 0] < 0 or not known or not of_this:
            return n
    return -1


@part
def _day(week_of_day: Ints, time: int) -> int:
    """The day of a moment; 24:00 of the last belongs to it."""
    return min(time // SECONDS_PER_DAY, len(week_of_day) - 1)


@part
def _change(gauge: Ints, of: int, by: int, at: int) -> None:
    """So many more from now on."""
    gauge[NUMBER, of] += by
    gauge[AREA, of] -= by * at


@part
def _wait(waiting: Ints, weekly_waiting: Ints, week: int, stage: int, by: int, at: int) -> None:
    """So many more wait at a stage."""
    weekly_waiting[week, stage] += by
    _change(waiting, stage, by, at)


@part
def _come(came: Ints, damp_since: Ints, stage: int, item: int, time: int) -> None:
    """An item comes to wait at a stage."""
    came[stage] += 1
    if stage == _DRYING:
        damp_since[item] = time


@part
def _finish(
    passed: NDArray[np.int8],
    weekly_items: Ints,
    numbers: Ints,
    images: Ints,
    again_images: Ints,
    week: int,
    stage: int,
    item: int,
) -> None:
    """No item counts twice at a stage, and images made again are counted apart (R17)."""
    again = passed[item, stage] != 0
    if not again:
        passed[item, stage] = 1
        weekly_items[week, stage] += 1
    if stage == _IMAGING and again:
        numbers[REIMAGED] += again_images[item]
    elif stage == _IMAGING:
        numbers[IMAGES] += images[item]


@part
def _span(
    spans: Ints, weekly_spans: Ints, week_of_day: Ints, what: int, person: int, time: int
) -> None:
    """A session or an exposure begins or ends: it belongs to the day on which it began (R2)."""
    kind = _KIND[what]
    since = spans[person, kind, _SINCE]
    if _SPAN[what] > 0:
        spans[person, kind, _SINCE] = time
        return
    day = _day(week_of_day, since)
    week = week_of_day[day]
    if day != spans[person, kind, _DAY]:
        spans[person, kind, _DAY] = day
        spans[person, kind, _THAT_DAY] = 0
    if spans[person, kind, _THAT_DAY] == 0 and time > since:
        weekly_spans[week, person, kind, DAYS_WITH_ANY] += 1
    spans[person, kind, _THAT_DAY] += time - since
    weekly_spans[week, person, kind, SECONDS] += time - since
    spans[person, kind, WORST_DAY] = max(
        spans[person, kind, WORST_DAY], spans[person, kind, _THAT_DAY]
    )


@part
def _leave(numbers: Ints, done: Ints, what: int, time: int) -> None:
    """An item's end. With the last one nothing waits or is in use any more."""
    numbers[ENDS + what - _DONE] += 1
    done[min(time // SECONDS_PER_DAY, len(done) - 1)] += numbers[_COUNTS + what - _DONE]
    numbers[_LEFT] -= 1
    if numbers[_LEFT] == 0:
        numbers[_CUT] = min(time, numbers[_CUT])


@part
def _count_late(numbers: Ints, weekly_late: Ints, since: int, until: int) -> None:
    """Whether a wait for a drying place was too long, and at which weeks' ends it already was."""
    late_from = since + numbers[_LIMIT]
    if since > _DRIED and until > late_from:
        numbers[LATE] += 1
        late_from = max(late_from, numbers[_START])
        weekly_late[_next_week(weekly_late, numbers, late_from)] += 1
        weekly_late[_next_week(weekly_late, numbers, until)] -= 1


@part
def _next_week(weekly_late: Ints, numbers: Ints, time: int) -> int:
    """The first week that ends later than a moment; weeks end at Sunday 24:00."""
    week: int = (time // SECONDS_PER_DAY + numbers[_WEEKDAY]) // 7
    return min(week, len(weekly_late) - 1)


# --- the end -------------------------------------------------------------------------------------


def end_of(tally: Tally) -> tuple[bool, int]:
    """Whether all items have ended, and the second of the last one's end or of the horizon."""
    return bool(tally.numbers[_LEFT] == 0), int(tally.numbers[_CUT])


def late_by(tally: Tally, end: int) -> tuple[int, Ints]:
    """Active items that waited too long for a drying place, those included that wait to the end.

    Returns:
        How many, and (W,) how many of them wait at each week's end.
    """
    numbers, weekly = tally.numbers.copy(), tally.weekly_late.copy()
    _count_waiting_to_the_end(numbers, weekly, tally.damp_since, end)
    return int(numbers[LATE]), weekly[:-1].cumsum()


@entry
def _count_waiting_to_the_end(numbers: Ints, weekly_late: Ints, damp_since: Ints, end: int) -> None:
    for item in range(len(damp_since)):
        _count_late(numbers, weekly_late, damp_since[item], end)


def open_seconds(luck: Replication, stages: Sequence[Stage], end: int) -> Ints:
    """Seconds on each day, (D,), in which somebody trained for one of the stages is on shift.

    Args:
        luck: what the engine reads.
        stages: training for any of them will do.
        end: nothing after this second counts, and nothing before the start.
    """
    seconds = np.zeros(len(luck.week_of_day), dtype=np.int64)
    trained: Flags = np.asarray(luck.trained[:, list(stages)].any(axis=1))
    tables = (_table(luck.shift_begin), _table(luck.shift_end), _table(luck.list_of))
    _add_union_of_shifts(seconds, *tables, trained, luck.settings.start, end)
    return seconds


@entry
def _add_union_of_shifts(
    seconds: Ints,
    shift_begin: Ints,
    shift_end: Ints,
    list_of: Ints,
    trained: Flags,
    start: int,
    end: int,
) -> None:
    """Add up each day's seconds in some trained person's shift; a shift is within its day (R14)."""
    people, days = list_of.shape
    for day in range(start // SECONDS_PER_DAY, min(end // SECONDS_PER_DAY + 1, days)):
        covered = max(start, day * SECONDS_PER_DAY)
        while covered < end:
            # Of all shifts that go on later than what is covered, the one that begins first.
            since = until = end
            for person in range(people):
                number = list_of[person, day]
                last = min(shift_end[person, day], end)
                if number >= 0 and trained[number] and last > covered:
                    first = max(shift_begin[person, day], covered)
                    if first < since:
                        since, until = first, last
            seconds[day] += until - since
            covered = until
