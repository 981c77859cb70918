"""The same totals computed by columns, to compare with.

A record is taken as a whole, and each total follows from the rows that it needs by sorting,
counting and summing in NumPy: nothing is shared with the reducer that takes rows one by one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forecast.events import What
from forecast.luck import UNLIMITED, Replication
from forecast.outcome import NOT_BY_HORIZON, Outcome
from forecast.stages import N_PLACES, N_STAGES, Place, Stage
from forecast.units import SECONDS_PER_DAY

__all__ = ["reduce_slowly"]

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


class _Record:
    """An event record by columns, with the calendar of its project."""

    def __init__(self, rows: Ints, luck: Replication) -> None:
        self.time, self.what, self.stage, self.item, self.person, self.place = rows.T
        self.luck = luck
        self.people, self.days = luck.shift_begin.shape
        self.items = len(luck.arrival)
        self.weeks = int(luck.week_of_day[-1]) + 1
        self.start = luck.settings.start
        ends = self.time[self.is_any(What.DONE, What.SET_ASIDE, What.NOT_IMAGED)]
        had_left = 0 if luck.start is None else int((luck.start.ended >= 0).sum())
        self.finished = len(ends) + had_left == self.items
        # What has not ended by the horizon is cut there.
        last = int(ends.max(initial=self.start))
        self.end = last if self.finished else self.days * SECONDS_PER_DAY

    def is_any(self, *whats: What) -> NDArray[np.bool_]:
        return np.isin(self.what, whats)

    def first(self, mask: NDArray[np.bool_], key: Ints) -> NDArray[np.intp]:
        """Rows of a mask that are the first of their key."""
        rows = np.flatnonzero(mask)
        return rows[np.unique(key[rows], return_index=True)[1]]

    def week(self, time: Ints) -> Ints:
        days = np.minimum(time // SECONDS_PER_DAY, self.days - 1)
        return np.asarray(self.luck.week_of_day[days])

    def by_week_and_stage(self, rows: NDArray[Any]) -> Ints:
        """How many rows fall by the end of each week, by stage: (W, 9)."""
        at = self.week(self.time[rows]) * N_STAGES + self.stage[rows]
        counts = np.bincount(at, minlength=self.weeks * N_STAGES)
        return np.asarray(counts.reshape(self.weeks, N_STAGES).cumsum(axis=0))

    def spans(self, begins: What, ends: What) -> tuple[Ints, Ints, Ints]:
        """Person, begin and end of what a person does once at a time, from two kinds of rows."""
        first, last = np.flatnonzero(self.what == begins), np.flatnonzero(self.what == ends)
        first = first[np.argsort(self.person[first], kind="stable")]
        last = last[np.argsort(self.person[last], kind="stable")]
        # Where a record breaks off, a person's last beginning may have no end yet.
        begun = np.bincount(self.person[first], minlength=self.people)
        ended = np.bincount(self.person[last], minlength=self.people)
        first = first[np.arange(len(first)) < np.repeat(begun.cumsum() - begun + ended, begun)]
        return self.person[first], self.time[first], self.time[last]


def reduce_slowly(
    rows: Ints, luck: Replication, start_within_days: int, counts_as_done: Sequence[str]
) -> Outcome:
    """What :func:`forecast.outcome.reduce_record` computes, by other means.

    Args:
        rows: the event record, (n, 6).
        luck: what the engine read.
        start_within_days: active items that wait longer for a drying place are counted as late.
        counts_as_done: which of ``done`` and ``not-imaged`` the promise counts.
    """
    r = _Record(rows, luck)
    start = luck.start
    finished = r.first(r.what == What.FINISHED, r.item * N_STAGES + r.stage)
    if start is not None:
        before = start.passed[r.item[finished]] >> r.stage[finished] & 1
        finished = finished[before == 0]
    counted = [What.DONE] + [What.NOT_IMAGED] * ("not-imaged" in counts_as_done)
    done = np.bincount(
        np.minimum(r.time[r.is_any(*counted)] // SECONDS_PER_DAY, r.days), minlength=r.days + 1
    )[: r.days]
    last_day = r.end // SECONDS_PER_DAY
    waiting = _waiting(r)
    late, weekly_late = _late_drying(r, start_within_days * SECONDS_PER_DAY)
    exposure = _exposure(r)
    imaged = finished[r.stage[finished] == Stage.IMAGING]
    all_imaged = np.flatnonzero((r.what == What.FINISHED) & (r.stage == Stage.IMAGING))
    again = np.setdiff1d(all_imaged, imaged)
    ways = [int((r.what == what).sum()) for what in (What.DONE, What.SET_ASIDE, What.NOT_IMAGED)]
    ways.append(0)
    weekly_items, done_by_day = r.by_week_and_stage(finished), np.cumsum(done)
    images, reimaged = luck.images[r.item[imaged]].sum(), luck.again_images[r.item[again]].sum()
    if start is not None:
        ways = [n + int((start.ended == how).sum()) for how, n in enumerate(ways)]
        weekly_items, done_by_day = (
            weekly_items + start.weekly_items,
            done_by_day + start.done_by_day,
        )
        images, reimaged = images + start.images, reimaged + start.reimaged
        if (start.ended >= 0).all():
            grew = np.flatnonzero(done_by_day[1:] > done_by_day[:-1]) + 1
            first = [0] * bool(done_by_day[0])
            last_day = max([*grew.tolist(), *first], default=max(0, last_day - 1))
    return Outcome(
        finish_day=last_day if r.finished and last_day < r.days else NOT_BY_HORIZON,
        done_by_day=done_by_day.astype(np.int32),
        weekly_items=weekly_items.astype(np.int32),
        weekly_waiting=waiting[0].astype(np.int32),
        weekly_late_drying=weekly_late.astype(np.int32),
        late_drying=late,
        weekly_exposure=exposure[0],
        exposure_days=exposure[1].astype(np.int32),
        weekly_hours=_hours(r),
        max_day_exposure=exposure[2],
        place_busy=_busy(r),
        waiting_items=waiting[1],
        waiting_days=waiting[2],
        outcomes=np.array([*ways, r.items - sum(ways)]),
        reimaged=int(reimaged),
        images=int(images),
    )


def _waiting(r: _Record) -> tuple[Ints, Floats, Floats]:
    """Waiting by week and stage, its time average, and the mean days of one item's wait.

    Time-average number = rate x mean time holds exactly on the sample path (Little 1961), because
    both are the same area.
    """
    # What is found on its shelf in quarantine, or in the dryer, does not wait.
    at = {What.ON_SHELF: Stage.QUARANTINE, What.IN_DRYER: Stage.DRYING}
    held = np.logical_or.reduce(
        [(r.what == what) & (r.stage == where) for what, where in at.items()]
    )
    found = (r.what == What.FOUND) & ~np.isin(r.item, r.item[held])
    came = (r.what == What.WAITS) | found
    begins = came | ((r.what == What.PUT_BACK) & (r.stage != Stage.DRYING))
    ends = ((r.what == What.TAKEN) & (r.stage != Stage.DRYING)) | (r.what == What.SHELF_TAKEN)
    # An item waits for a drying place until its first round; what is in the dryer does not wait.
    ends[_begin_to_dry(r, What.ROUND_BEGINS)] = True
    weekly = r.by_week_and_stage(np.flatnonzero(begins)) - r.by_week_and_stage(np.flatnonzero(ends))
    within = r.time <= r.end

    def total(mask: NDArray[np.bool_]) -> Ints:
        lengths = r.end - r.time[mask & within]
        summed = np.zeros(N_STAGES, dtype=np.int64)
        np.add.at(summed, r.stage[mask & within], lengths)
        return summed

    area = (total(begins) - total(ends)).astype(float)
    number = np.bincount(r.stage[came], minlength=N_STAGES)
    span = max(1, r.end - r.start)
    days = np.full(N_STAGES, math.nan)
    np.divide(area, number * SECONDS_PER_DAY, out=days, where=number > 0)
    return weekly, area / span, days


def _begin_to_dry(r: _Record, what: What) -> NDArray[np.intp]:
    """Rows of this kind in which an item first has a drying place."""
    first = r.first(r.is_any(What.ROUND_BEGINS, What.IN_DRYER), r.item)
    return np.asarray(first[r.what[first] == what])


def _late_drying(r: _Record, limit: int) -> tuple[int, Ints]:
    """Active items that waited longer than the limit for a drying place: ever, and by week."""
    came = np.flatnonzero((r.what == What.WAITS) & (r.stage == Stage.DRYING))
    since = dict(zip(r.item[came].tolist(), r.time[came].tolist(), strict=True))
    if r.luck.start is not None:
        found = np.flatnonzero((r.luck.start.stage == Stage.DRYING) & ~r.luck.start.dryer)
        since |= dict(zip(found.tolist(), r.luck.start.since[found].tolist(), strict=True))
    begun = _begin_to_dry(r, What.ROUND_BEGINS)
    until = dict(zip(r.item[begun].tolist(), r.time[begun].tolist(), strict=True))
    weekday = r.luck.settings.weekday_of_day_0
    week_ends = (7 * (np.arange(r.weeks) + 1) - weekday) * SECONDS_PER_DAY
    weekly = np.zeros(r.weeks, dtype=np.int64)
    late = 0
    for item, begin in since.items():
        end = until.get(item, r.end)
        if end - begin > limit:
            late += 1
            weekly += (week_ends > max(begin + limit, r.start)) & (week_ends <= end)
    return late, weekly


def _exposure(r: _Record) -> tuple[Ints, Ints, Ints]:
    """Exposure by week and person, exposure days likewise, and each person's worst day."""
    person, begin, end = r.spans(What.EXPOSURE_BEGINS, What.EXPOSURE_ENDS)
    daily = np.zeros((r.people, r.days), dtype=np.int64)
    np.add.at(daily, (person, np.minimum(begin // SECONDS_PER_DAY, r.days - 1)), end - begin)
    weekly = np.zeros((r.weeks, r.people), dtype=np.int64)
    days = np.zeros((r.weeks, r.people), dtype=np.int64)
    np.add.at(weekly, r.luck.week_of_day, daily.T)
    np.add.at(days, r.luck.week_of_day, (daily.T > 0).astype(np.int64))
    return weekly, days, daily.max(axis=1, initial=0)


def _hours(r: _Record) -> Ints:
    """Seconds in sessions by week and person."""
    person, begin, end = r.spans(What.SESSION_BEGINS, What.SESSION_ENDS)
    weekly = np.zeros((r.weeks, r.people), dtype=np.int64)
    np.add.at(weekly, (r.week(begin), person), end - begin)
    return weekly


def _busy(r: _Record) -> Floats:
    """Share of each kind of place in use, from the start to the last item's end.

    Stations: seconds in sessions against the seconds in which somebody trained for the place is on
    shift. Shelves, drying places and tool sets are in use around the clock.
    """
    busy = np.full(N_PLACES, math.nan)
    open_time = {
        Place.BENCH: _open_seconds(r, (Stage.CLEANING,)),
        Place.CAMERA: _open_seconds(r, (Stage.COVERS, Stage.IMAGING)),
    }
    midnight = np.arange(r.days) * SECONDS_PER_DAY
    clock = np.clip(r.end - np.maximum(midnight, r.start), 0, SECONDS_PER_DAY)
    clock[midnight < r.start - r.start % SECONDS_PER_DAY] = 0
    for place, used in _used_seconds(r).items():
        capacity = r.luck.capacity[place]
        if np.any(capacity >= UNLIMITED):
            continue
        possible = float((open_time.get(place, clock) * capacity).sum())
        busy[place] = used / possible if possible > 0 else math.nan
    return busy


def _open_seconds(r: _Record, stages: tuple[Stage, ...]) -> Ints:
    """Seconds on each day in which somebody trained for one of the stages is on shift."""
    luck = r.luck
    trained = np.logical_or.reduce(luck.trained[:, list(stages)], axis=1)
    can: NDArray[np.bool_] = (luck.list_of >= 0) & trained[luck.list_of]
    begin = np.where(can, luck.shift_begin, r.end)
    end = np.minimum(np.where(can, luck.shift_end, begin), r.end)
    begin = np.minimum(np.maximum(begin, r.start), end)
    # The union of the shifts of a day: sweep them by their beginning.
    order = np.argsort(begin, axis=0, kind="stable")
    begin, end = np.take_along_axis(begin, order, 0), np.take_along_axis(end, order, 0)
    total = np.zeros(r.days, dtype=np.int64)
    covered = np.zeros(r.days, dtype=np.int64)
    for first, last in zip(begin, end, strict=True):
        total += np.maximum(0, last - np.maximum(first, covered))
        covered = np.maximum(covered, last)
    return total


def _used_seconds(r: _Record) -> dict[Place, int]:
    """Seconds of use of each kind of place up to the end, summed over its places."""

    def area(begins: NDArray[Any], ends: NDArray[Any]) -> int:
        first = r.end - r.time[begins]
        last = r.end - r.time[ends]
        return int(np.maximum(first, 0).sum() - np.maximum(last, 0).sum())

    def sessions(*stages: Stage) -> int:
        at = np.isin(r.stage, stages)
        return area(at & (r.what == What.SESSION_BEGINS), at & (r.what == What.SESSION_ENDS))

    return {
        Place.SHELF: area(r.is_any(What.SHELF_TAKEN, What.ON_SHELF), r.what == What.SHELF_FREED),
        Place.DRYER: area(
            r.first(r.is_any(What.ROUND_BEGINS, What.IN_DRYER), r.item), r.what == What.DRYER_FREED
        ),
        Place.BENCH: sessions(Stage.CLEANING),
        Place.CAMERA: sessions(Stage.COVERS, Stage.IMAGING),
        Place.TOOL_SET: area(
            r.is_any(What.TOOL_SET_TAKEN, What.SET_DRIES), r.what == What.TOOL_SET_CLEAN
        ),
    }
