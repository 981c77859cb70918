"""One event record to totals, row by row.

A tally takes rows in the order in which they happened, however many at a time, and does not grow
with them. For what waits at a stage, and what is in use of a place, it keeps the area below the
number over time: a row adds or takes away the time from then to the end. As the end is not known
yet, the area is kept as if it were second 0, and completed later (:meth:`Tally.area_until`).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from forecast.compiled import entry, part
from forecast.events import What
from forecast.luck import Replication
from forecast.stages import N_PLACES, N_STAGES, Place, Stage
from forecast.units import SECONDS_PER_DAY

__all__ = [
    "CUT",
    "DAYS_EXPOSED",
    "DRIED",
    "ENDS",
    "EXPOSURE",
    "HOURS",
    "IMAGES",
    "LATE",
    "LEFT",
    "NOT_DAMP",
    "REIMAGED",
    "WORST_DAY",
    "Tally",
    "absorb",
    "count_late",
    "new_tally",
]

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

# Where single numbers stand in Tally.numbers.
LEFT = 0  # items that have not ended yet
CUT = 1  # later than this nothing waits or is in use: the horizon, or the last item's end
ENDS = 2  # and the two after it: items by the way in which they ended, as in events.What
IMAGES = 5  # made at first passes
REIMAGED = 6  # made again
LATE = 7  # active items that waited too long for a drying place
_LIMIT = 8  # seconds of waiting for it that are not too long yet
_WEEKDAY = 9  # of day 0
_NOT_IMAGED_COUNTS = 10  # whether what is not imaged counts as done
_NUMBERS = 11

# In Tally.damp_since, where it is no time.
NOT_DAMP = -1  # never waited for a drying place
DRIED = -2  # does so no longer

# The columns of Tally.persons and of Tally.weekly_persons.
_SESSION_SINCE, _SESSION_WEEK = 0, 1
_EXPOSURE_SINCE, _EXPOSURE_WEEK, _EXPOSURE_DAY, _EXPOSURE_TODAY = 2, 3, 4, 5
WORST_DAY = 6
_PERSONS = 7
HOURS, EXPOSURE, DAYS_EXPOSED = 0, 1, 2

# Plain integers: a compiler knows them better than members of an enumeration.
_WAITS, _TAKEN, _PUT_BACK = int(What.WAITS), int(What.TAKEN), int(What.PUT_BACK)
_FINISHED, _ROUND_BEGINS = int(What.FINISHED), int(What.ROUND_BEGINS)
_SHELF_TAKEN, _SHELF_FREED = int(What.SHELF_TAKEN), int(What.SHELF_FREED)
_DRYER_FREED = int(What.DRYER_FREED)
_SESSION_BEGINS, _SESSION_ENDS = int(What.SESSION_BEGINS), int(What.SESSION_ENDS)
_EXPOSURE_BEGINS, _EXPOSURE_ENDS = int(What.EXPOSURE_BEGINS), int(What.EXPOSURE_ENDS)
_TOOL_SET_TAKEN, _TOOL_SET_CLEAN = int(What.TOOL_SET_TAKEN), int(What.TOOL_SET_CLEAN)
_DONE, _NOT_IMAGED = int(What.DONE), int(What.NOT_IMAGED)
_QUARANTINE, _DRYING = int(Stage.QUARANTINE), int(Stage.DRYING)
_COVERS, _CLEANING, _IMAGING = int(Stage.COVERS), int(Stage.CLEANING), int(Stage.IMAGING)
_SHELF, _DRYER, _TOOL_SET = int(Place.SHELF), int(Place.DRYER), int(Place.TOOL_SET)
_BENCH, _CAMERA, _NO_PLACE = int(Place.BENCH), int(Place.CAMERA), N_PLACES


class Tally(NamedTuple):
    """What a record has come to so far, and the tables that this needs.

    Axes: I items, D days, W weeks, P persons. All times in seconds, all arrays of 64-bit integers
    unless they are flags.

    Attributes:
        numbers: single numbers; the constants LEFT, CUT ... say where.
        week_of_day: (D,); images, again_images: (I,), as in :class:`forecast.luck.Replication`.
        passed: (I, 9) flags: the item has finished the stage before.
        damp_since: (I,) since when the item waits for a drying place, or NOT_DAMP, or DRIED.
        done: (D,) items that count as done, on each day.
        came: (9,) how often an item came to wait at the stage.
        weekly_items, weekly_waiting: (W, 9) first passes, and change of the number that waits.
        weekly_late: (W + 1,) change of the number that waits too long for a drying place, by the
            week at whose end it shows; the last stands for later.
        waiting: (2, 9) by stage what waits now, and the area; in_use: (2, 6) the same by place,
            and one more for sessions that take up none.
        persons: (P, 7) begin and week of the last session; begin, week and day of the last
            exposure, and how much that day has; exposure on the worst day.
        weekly_persons: (W, P, 3) time in sessions, exposure, and days with any.
    """

    numbers: Ints
    week_of_day: Ints
    images: Ints
    again_images: Ints
    passed: Flags
    damp_since: Ints
    done: Ints
    came: Ints
    weekly_items: Ints
    weekly_waiting: Ints
    weekly_late: Ints
    waiting: Ints
    in_use: Ints
    persons: Ints
    weekly_persons: Ints


def new_tally(luck: Replication, start_within_days: int, counts_as_done: Sequence[str]) -> Tally:
    """A tally of nothing yet.

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
    numbers[LEFT] = items
    numbers[CUT] = days * SECONDS_PER_DAY if items else luck.settings.start
    numbers[_LIMIT] = start_within_days * SECONDS_PER_DAY
    numbers[_WEEKDAY] = luck.settings.weekday_of_day_0
    numbers[_NOT_IMAGED_COUNTS] = "not-imaged" in counts_as_done
    persons = zeros(people, _PERSONS)
    persons[:, _EXPOSURE_DAY] = -1
    return Tally(
        numbers=numbers,
        week_of_day=_table(luck.week_of_day),
        images=_table(luck.images),
        again_images=_table(luck.again_images),
        passed=np.zeros((items, N_STAGES), dtype=np.bool_),
        damp_since=np.full(items, NOT_DAMP, dtype=np.int64),
        done=zeros(days),
        came=zeros(N_STAGES),
        weekly_items=zeros(weeks, N_STAGES),
        weekly_waiting=zeros(weeks, N_STAGES),
        weekly_late=zeros(weeks + 1),
        waiting=zeros(2, N_STAGES),
        in_use=zeros(2, N_PLACES + 1),
        persons=persons,
        weekly_persons=zeros(weeks, people, 3),
    )


def _table(values: Ints) -> Ints:
    """As compiled code was promised it; what came from another process may be read-only."""
    return np.require(values, np.int64, ["C", "W"])


@entry
def absorb(tally: Tally, rows: Ints, count: int) -> None:
    """Add the next rows of a record.

    Args:
        tally: what it came to before; changed in place.
        rows: (n, 6) the event record, in the order of time; nothing is checked.
        count: how many of the rows, from the first, are meant.
    """
    # Arrays by names of their own: taken from the tally row by row they would be counted as
    # references each time, which takes longer than all the rest.
    numbers, passed, damp_since = tally.numbers, tally.passed, tally.damp_since
    week_of_day, images, again_images = tally.week_of_day, tally.images, tally.again_images
    weekly_items, weekly_waiting, weekly_late = (
        tally.weekly_items,
        tally.weekly_waiting,
        tally.weekly_late,
    )
    came, waiting, in_use, done = tally.came, tally.waiting, tally.in_use, tally.done
    persons, weekly_persons = tally.persons, tally.weekly_persons
    today = tomorrow = day = week = 0
    for n in range(count):
        time, what, stage = rows[n, 0], rows[n, 1], rows[n, 2]
        item, person = rows[n, 3], rows[n, 4]
        if time >= tomorrow or time < today:
            day = min(time // SECONDS_PER_DAY, len(week_of_day) - 1)  # 24:00 of the last is in it
            week = week_of_day[day]
            today = time - time % SECONDS_PER_DAY
            tomorrow = today + SECONDS_PER_DAY
        at = min(time, numbers[CUT])
        if what == _TAKEN or what == _PUT_BACK:  # noqa: PLR1714 - faster than `in`
            _handled(waiting, weekly_waiting, week, stage, what, at)
        elif what == _WAITS:
            _comes(waiting, weekly_waiting, came, damp_since, week, stage, item, at)
        elif what == _FINISHED:
            first = _passes(passed, weekly_items, week, stage, item)
            if stage == _IMAGING:
                _count_images(numbers, images, again_images, first, item)
        elif what == _SESSION_BEGINS or what == _SESSION_ENDS:
            _session(in_use, persons, weekly_persons, what, time, week, stage, person, at)
        elif what >= _DONE:
            _leaves(numbers, done, time, what)
        elif what == _EXPOSURE_BEGINS:
            _begins_exposure(persons, time, day, week, person)
        elif what == _EXPOSURE_ENDS:
            _ends_exposure(persons, weekly_persons, time, person)
        elif what == _ROUND_BEGINS and damp_since[item] != DRIED:
            # An item waits until its first round; what is in the dryer does not wait.
            _waits(waiting, weekly_waiting, week, stage, -1, at)
            _change(in_use, _DRYER, 1, at)
            count_late(numbers, weekly_late, damp_since[item], time)
            damp_since[item] = DRIED
        else:
            if what == _SHELF_TAKEN:
                _waits(waiting, weekly_waiting, week, stage, -1, at)
            place, by = _place_of(what)
            _change(in_use, place, by, at)


@part
def _change(gauge: Ints, of: int, by: int, at: int) -> None:
    """So many more or fewer from now on."""
    gauge[0, of] += by
    gauge[1, of] -= by * at


@part
def _waits(
    waiting: Ints, weekly_waiting: Ints, week: int, stage: int, by: int, at: int
) -> None:
    """One more or one less waits at a stage."""
    weekly_waiting[week, stage] += by
    _change(waiting, stage, by, at)


@part
def _comes(
    waiting: Ints,
    weekly_waiting: Ints,
    came: Ints,
    damp_since: Ints,
    week: int,
    stage: int,
    item: int,
    time: int,
) -> None:
    """An item comes to a stage, and waits there."""
    _waits(waiting, weekly_waiting, week, stage, 1, time)
    came[stage] += 1
    if stage == _DRYING:
        damp_since[item] = time


@part
def _handled(
    waiting: Ints, weekly_waiting: Ints, week: int, stage: int, what: int, at: int
) -> None:
    """In hand it does not wait, and put back it does; but nothing in the dryer waits."""
    if stage != _DRYING:
        _waits(waiting, weekly_waiting, week, stage, 1 if what == _PUT_BACK else -1, at)


@part
def _passes(passed: Flags, weekly_items: Ints, week: int, stage: int, item: int) -> bool:
    """Whether this is the item's first pass: it counts once at a stage (R17)."""
    if passed[item, stage]:
        return False
    passed[item, stage] = True
    weekly_items[week, stage] += 1
    return True


@part
def _session(
    in_use: Ints,
    persons: Ints,
    weekly_persons: Ints,
    what: int,
    time: int,
    week: int,
    stage: int,
    person: int,
    at: int,
) -> None:
    """A session takes up its station; its time belongs to the week in which it began."""
    if what == _SESSION_BEGINS:
        _change(in_use, _station(stage), 1, at)
        persons[person, _SESSION_SINCE] = time
        persons[person, _SESSION_WEEK] = week
    else:
        _change(in_use, _station(stage), -1, at)
        since, week_then = persons[person, _SESSION_SINCE], persons[person, _SESSION_WEEK]
        weekly_persons[week_then, person, HOURS] += time - since


@part
def _place_of(what: int) -> tuple[int, int]:
    """The kind of place of which this takes one up, 1, or frees one, -1."""
    if what == _SHELF_TAKEN:
        return _SHELF, 1
    if what == _SHELF_FREED:
        return _SHELF, -1
    if what == _TOOL_SET_TAKEN:
        return _TOOL_SET, 1
    if what == _TOOL_SET_CLEAN:
        return _TOOL_SET, -1
    if what == _DRYER_FREED:
        return _DRYER, -1
    return _NO_PLACE, 0


@part
def _station(stage: int) -> int:
    """The kind of place that a session at a stage takes up."""
    if stage in (_IMAGING, _COVERS):
        return _CAMERA
    return _BENCH if stage == _CLEANING else _NO_PLACE


@part
def _count_images(numbers: Ints, images: Ints, again_images: Ints, first: bool, item: int) -> None:
    """Images made again are counted apart (R17)."""
    if first:
        numbers[IMAGES] += images[item]
    else:
        numbers[REIMAGED] += again_images[item]


@part
def count_late(numbers: Ints, weekly_late: Ints, since: int, until: int) -> None:
    """Whether a wait for a drying place was too long, and at which weeks' ends it was already."""
    late_from = since + numbers[_LIMIT]
    if since < 0 or until <= late_from:
        return
    beyond = len(weekly_late) - 1
    weekday = numbers[_WEEKDAY]
    numbers[LATE] += 1
    weekly_late[min((late_from // SECONDS_PER_DAY + weekday) // 7, beyond)] += 1
    weekly_late[min((until // SECONDS_PER_DAY + weekday) // 7, beyond)] -= 1


@part
def _begins_exposure(persons: Ints, time: int, day: int, week: int, person: int) -> None:
    """Exposure belongs to the day on which it begins, and adds up over the day's sessions (R2)."""
    persons[person, _EXPOSURE_SINCE] = time
    persons[person, _EXPOSURE_WEEK] = week
    if day != persons[person, _EXPOSURE_DAY]:
        persons[person, _EXPOSURE_DAY] = day
        persons[person, _EXPOSURE_TODAY] = 0


@part
def _ends_exposure(persons: Ints, weekly_persons: Ints, time: int, person: int) -> None:
    more = time - persons[person, _EXPOSURE_SINCE]
    week = persons[person, _EXPOSURE_WEEK]
    before = persons[person, _EXPOSURE_TODAY]
    if before == 0 and more > 0:
        weekly_persons[week, person, DAYS_EXPOSED] += 1
    weekly_persons[week, person, EXPOSURE] += more
    persons[person, _EXPOSURE_TODAY] = before + more
    persons[person, WORST_DAY] = max(persons[person, WORST_DAY], before + more)


@part
def _leaves(numbers: Ints, done: Ints, time: int, what: int) -> None:
    """An item's end. With the last one nothing waits or is in use any more."""
    numbers[ENDS + what - _DONE] += 1
    day = time // SECONDS_PER_DAY
    counts = what == _DONE or (what == _NOT_IMAGED and numbers[_NOT_IMAGED_COUNTS] != 0)
    if counts and day < len(done):  # 24:00 of the last day is not by the horizon
        done[day] += 1
    numbers[LEFT] -= 1
    if numbers[LEFT] == 0:
        numbers[CUT] = time
