"""Outcomes: one event record -> totals, by one reducer, and many futures side by side.

Finish: the date of the last item's end, not of the clearing after it. "By" a date includes it.
Weeks are counted at Sunday 24:00. Quantiles are order statistics; "not by the horizon" is later
than any date, and never an invented one. An item waits at the stage that it is ready for.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forecast.errors import InputError, Problem
from forecast.events import What
from forecast.luck import UNLIMITED, Replication
from forecast.project import Project
from forecast.stages import N_PLACES, N_STAGES, Place, Stage
from forecast.units import SECONDS_PER_DAY

__all__ = [
    "NOT_BY_HORIZON",
    "OUTCOME_NAMES",
    "Futures",
    "Outcome",
    "collect",
    "finish_odds",
    "load",
    "odds_interval",
    "order_statistic_interval",
    "promise_odds",
    "quantile",
    "reached",
    "reduce_record",
    "save",
]

NOT_BY_HORIZON = -1  # as a day number: the last item has not left by the horizon

# The columns of Futures.outcomes.
OUTCOME_NAMES = ("done", "set-aside", "not-imaged", "on the way")

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Outcome:
    """What one future came to. Shapes as in :class:`Futures`, without the first axis."""

    finish_day: int
    done_by_day: Ints
    weekly_items: Ints
    weekly_waiting: Ints
    weekly_late_drying: Ints
    late_drying: int
    weekly_exposure: Ints
    exposure_days: Ints
    weekly_hours: Ints
    max_day_exposure: Ints
    place_busy: Floats
    waiting_items: Floats
    waiting_days: Floats
    outcomes: Ints
    reimaged: int
    images: int


@dataclass(frozen=True)
class Futures:
    """Many futures of one project: R replications, D days, W weeks, P persons.

    Day numbers count from the grant's start. All times are in seconds unless a name says days.

    Attributes:
        as_of: the forecast knows nothing later. first_day: the first simulated day.
        grant_end: the grant's end as agreed on the as-of date.
        weeks: W Mondays; week 0 holds the grant's start.
        finish_day: (R,) day number of the last item's end, -1: not by the horizon.
        done_by_day: (R, D) items that count as done, at each day's end.
        weekly_items: (R, W, 9) items that had finished the stage for the first time.
        weekly_waiting: (R, W, 9) items that wait at the stage.
        weekly_late_drying: (R, W) active items that have waited too long for a drying place.
        late_drying: (R,) active items that ever waited too long.
        weekly_exposure: (R, W, P) seconds; exposure_days: (R, W, P) days with any.
        weekly_hours: (R, W, P) seconds in sessions.
        max_day_exposure: (R, P) seconds on the worst day.
        place_busy: (R, 5) share of open time in use up to the finish; NaN where no limit.
        waiting_items: (R, 9) time-average number that waits; waiting_days: (R, 9) mean wait of an
            item that came to the stage (NaN where none came).
        outcomes: (R, 4) items by OUTCOME_NAMES.
        reimaged: (R,) images made again; images: (R,) images made, those not counted.
        no_longer_from: if all work stood still until then, the first date from which the promise
            could hardly be met by the grant's end; None: not worked out.
    """

    project: Project
    as_of: date
    first_day: date
    grant_end: date
    seed: int
    weeks: tuple[date, ...]
    finish_day: NDArray[np.int32]
    done_by_day: NDArray[np.int32]
    weekly_items: NDArray[np.int32]
    weekly_waiting: NDArray[np.int32]
    weekly_late_drying: NDArray[np.int32]
    late_drying: NDArray[np.int32]
    weekly_exposure: Ints
    exposure_days: NDArray[np.int32]
    weekly_hours: Ints
    max_day_exposure: Ints
    place_busy: Floats
    waiting_items: Floats
    waiting_days: Floats
    outcomes: NDArray[np.int32]
    reimaged: Ints
    images: Ints
    no_longer_from: date | None = None

    @property
    def replications(self) -> int:
        """How many futures there are."""
        return len(self.finish_day)

    @property
    def end_day(self) -> int:
        """Day number of the grant's end."""
        return self.project.day_number(self.grant_end)

    def date_of(self, day_number: int | None) -> date | None:
        """A day number's date; None for one that is not by the horizon."""
        if day_number is None or day_number == NOT_BY_HORIZON:
            return None
        return self.project.date_of(day_number)


# --- one record -> one outcome -----------------------------------------------------------------


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
        self.finished = len(ends) == self.items
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
        return self.person[first], self.time[first], self.time[last]


def reduce_record(
    rows: Ints, luck: Replication, start_within_days: int, counts_as_done: Sequence[str]
) -> Outcome:
    """Compute everything that is reported of one future.

    Args:
        rows: the event record, (n, 6).
        luck: what the engine read.
        start_within_days: active items that wait longer for a drying place are counted as late.
        counts_as_done: which of ``done`` and ``not-imaged`` the promise counts.
    """
    r = _Record(rows, luck)
    finished = r.first(r.what == What.FINISHED, r.item * N_STAGES + r.stage)
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
    return Outcome(
        finish_day=last_day if r.finished and last_day < r.days else NOT_BY_HORIZON,
        done_by_day=np.cumsum(done),
        weekly_items=r.by_week_and_stage(finished),
        weekly_waiting=waiting[0],
        weekly_late_drying=weekly_late,
        late_drying=late,
        weekly_exposure=exposure[0],
        exposure_days=exposure[1],
        weekly_hours=_hours(r),
        max_day_exposure=exposure[2],
        place_busy=_busy(r),
        waiting_items=waiting[1],
        waiting_days=waiting[2],
        outcomes=np.array([*ways, r.items - sum(ways)]),
        reimaged=int(luck.again_images[r.item[again]].sum()),
        images=int(luck.images[r.item[imaged]].sum()),
    )


def _waiting(r: _Record) -> tuple[Ints, Floats, Floats]:
    """Waiting by week and stage, its time average, and the mean days of one item's wait.

    Time-average number = rate x mean time holds exactly on the sample path (Little 1961), because
    both are the same area.
    """
    came = r.what == What.WAITS
    begins = came | ((r.what == What.PUT_BACK) & (r.stage != Stage.DRYING))
    ends = ((r.what == What.TAKEN) & (r.stage != Stage.DRYING)) | (r.what == What.SHELF_TAKEN)
    # An item waits for a drying place until its first round; what is in the dryer does not wait.
    ends[r.first(r.what == What.ROUND_BEGINS, r.item)] = True
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


def _late_drying(r: _Record, limit: int) -> tuple[int, Ints]:
    """Active items that waited longer than the limit for a drying place: ever, and by week."""
    came = np.flatnonzero((r.what == What.WAITS) & (r.stage == Stage.DRYING))
    since = dict(zip(r.item[came].tolist(), r.time[came].tolist(), strict=True))
    begun = r.first(r.what == What.ROUND_BEGINS, r.item)
    until = dict(zip(r.item[begun].tolist(), r.time[begun].tolist(), strict=True))
    weekday = r.luck.settings.weekday_of_day_0
    week_ends = (7 * (np.arange(r.weeks) + 1) - weekday) * SECONDS_PER_DAY
    weekly = np.zeros(r.weeks, dtype=np.int64)
    late = 0
    for item, begin in since.items():
        end = until.get(item, r.end)
        if end - begin > limit:
            late += 1
            weekly += (week_ends > begin + limit) & (week_ends <= end)
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
        Place.SHELF: area(r.what == What.SHELF_TAKEN, r.what == What.SHELF_FREED),
        Place.DRYER: area(r.first(r.what == What.ROUND_BEGINS, r.item), r.what == What.DRYER_FREED),
        Place.BENCH: sessions(Stage.CLEANING),
        Place.CAMERA: sessions(Stage.COVERS, Stage.IMAGING),
        Place.TOOL_SET: area(r.what == What.TOOL_SET_TAKEN, r.what == What.TOOL_SET_CLEAN),
    }


# --- many outcomes -> futures ------------------------------------------------------------------


def collect(
    project: Project, as_of: date, first_day: date, seed: int, outcomes: Sequence[Outcome]
) -> Futures:
    """Put outcomes side by side, in the order of their replications."""
    monday = project.grant.start - timedelta(days=project.grant.start.weekday())
    weeks = outcomes[0].weekly_items.shape[0]

    def stacked(name: str) -> Any:
        values = np.array([getattr(outcome, name) for outcome in outcomes])
        if name in _WIDE:
            return values
        return values.astype(np.int32)

    return Futures(
        project=project,
        as_of=as_of,
        first_day=first_day,
        grant_end=project.grant.end_known_on(as_of),
        seed=seed,
        weeks=tuple(monday + timedelta(weeks=week) for week in range(weeks)),
        **{field.name: stacked(field.name) for field in fields(Outcome)},
    )


# Seconds and shares keep 64 bits; counts fit into 32.
_WIDE = frozenset(
    {
        "weekly_exposure",
        "weekly_hours",
        "max_day_exposure",
        "place_busy",
        "waiting_items",
        "waiting_days",
        "reimaged",
        "images",
    }
)


def quantile(values: NDArray[Any], probability: float) -> Any:
    """The order statistic below or at which a share of the values lies; -1 is later than any.

    The smallest value x such that at least ``probability`` of the values are at most x (inverse of
    the empirical distribution function; Hyndman and Fan 1996, definition 1), along the first axis.

    Args:
        values: (R, ...) numbers; in integer arrays NOT_BY_HORIZON stands for later than any.
        probability: above 0, at most 1.
    """
    ordered = np.sort(_never_last(values), axis=0)
    at = max(0, math.ceil(probability * len(ordered) - 1e-9) - 1)
    found = ordered[at]
    if np.issubdtype(values.dtype, np.integer):
        found = np.where(found == _LATER, NOT_BY_HORIZON, found)
    return found if found.ndim else found[()]


_LATER = np.iinfo(np.int64).max


def _never_last(values: NDArray[Any]) -> NDArray[Any]:
    if not np.issubdtype(values.dtype, np.integer):
        return values
    wide = values.astype(np.int64)
    return np.where(wide == NOT_BY_HORIZON, _LATER, wide)


def reached(values: NDArray[Any], probability: float) -> Any:
    """The number that is reached or passed in this share of the futures, along the first axis."""
    ordered = np.sort(values, axis=0)[::-1]
    return ordered[max(0, math.ceil(probability * len(ordered) - 1e-9) - 1)]


def finish_odds(futures: Futures, by: date | None = None) -> float:
    """Share of futures whose last item has left by a date (default: the grant's end)."""
    day = futures.end_day if by is None else futures.project.day_number(by)
    return float(np.mean((futures.finish_day != NOT_BY_HORIZON) & (futures.finish_day <= day)))


def promise_odds(futures: Futures, by: date | None = None) -> float:
    """Share of futures that keep the promised number by a date (default: the grant's end)."""
    project = futures.project
    day = futures.end_day if by is None else project.day_number(by)
    day = min(day, project.days - 1)
    if day < 0:
        return 0.0
    return float(np.mean(futures.done_by_day[:, day] >= project.grant.items_promised))


def odds_interval(odds: float, replications: int) -> tuple[float, float]:
    """95 % Monte Carlo interval of simulated odds (Wilson 1927)."""
    z, n = 1.959963984540054, replications
    centre = (odds + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * math.sqrt(odds * (1 - odds) / n + z * z / (4 * n * n))
    return max(0.0, centre - half), min(1.0, centre + half)


def order_statistic_interval(values: NDArray[Any], probability: float) -> tuple[Any, Any]:
    """95 % Monte Carlo interval of a quantile, by order statistics (distribution-free).

    The ranks come from the normal approximation of the binomial (Conover 1999), one further out
    on each side; -1 is later than any.
    """
    n = len(values)
    half = 1.959963984540054 * math.sqrt(n * probability * (1 - probability))
    low = max(1, math.floor(n * probability - half))
    high = min(n, math.ceil(n * probability + half) + 1)
    return quantile(values, low / n), quantile(values, high / n)


# --- to a file and back ------------------------------------------------------------------------


def save(futures: Futures, path: Path) -> None:
    """Write futures, without the project, to one file that :func:`load` reads."""
    arrays = {f.name: getattr(futures, f.name) for f in fields(Outcome)}
    about = {
        "as_of": futures.as_of.isoformat(),
        "first_day": futures.first_day.isoformat(),
        "seed": futures.seed,
        "no_longer_from": futures.no_longer_from and futures.no_longer_from.isoformat(),
        "weeks": [week.isoformat() for week in futures.weeks],
        "input_sha256": futures.project.input_sha256,
    }
    with path.open("wb") as file:
        np.savez_compressed(file, about=np.array(json.dumps(about)), **arrays)


def load(path: Path, project: Project) -> Futures:
    """Read futures of a project back.

    Raises:
        InputError: the file belongs to other inputs than the project's.
    """
    with np.load(path, allow_pickle=False) as stored:
        about = json.loads(str(stored["about"]))
        if about["input_sha256"] != project.input_sha256:
            raise InputError(
                [
                    Problem(
                        path.name,
                        "",
                        about["input_sha256"][:12],
                        "futures of the same project files",
                        "The project folder was changed since: run the forecast again.",
                    )
                ]
            )
        as_of = date.fromisoformat(about["as_of"])
        return Futures(
            project=project,
            as_of=as_of,
            first_day=date.fromisoformat(about["first_day"]),
            grant_end=project.grant.end_known_on(as_of),
            seed=about["seed"],
            weeks=tuple(date.fromisoformat(week) for week in about["weeks"]),
            no_longer_from=(
                date.fromisoformat(about["no_longer_from"]) if about["no_longer_from"] else None
            ),
            **{f.name: stored[f.name] for f in fields(Outcome)},
        )
