"""Outcomes: one event record -> totals, by one reducer, and many futures side by side.

Finish: the date of the last item's end, not of the clearing after it. "By" a date includes it.
Weeks are counted at Sunday 24:00. Quantiles are order statistics; "not by the horizon" is later
than any date, and never an invented one. An item waits at the stage that it is ready for.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from datetime import date, timedelta
from pathlib import Path
from typing import Any, overload

import numpy as np
from numpy.typing import NDArray

from forecast import tally
from forecast.errors import InputError, Problem
from forecast.luck import UNLIMITED, Replication
from forecast.planning import Learnt
from forecast.project import Project
from forecast.rules import DONE
from forecast.stages import N_PLACES, N_STAGES, Place, Stage
from forecast.tally import Tally
from forecast.units import SECONDS_PER_DAY

__all__ = [
    "NOT_BY_HORIZON",
    "OUTCOME_NAMES",
    "Futures",
    "Gathered",
    "Outcome",
    "collect",
    "finish_odds",
    "load",
    "mostly_first_estimates",
    "odds_interval",
    "order_statistic_interval",
    "promise_odds",
    "quantile",
    "reached",
    "reduce_record",
    "save",
    "settled",
]

NOT_BY_HORIZON = -1  # as a day number: the last item has not left by the horizon

_MOSTLY = 0.5  # of the first estimates' uncertainty: above it, a figure mostly rests on them

# The columns of Futures.outcomes.
OUTCOME_NAMES = ("done", "set-aside", "not-imaged", "withdrawn", "on the way")

Ints = NDArray[np.int64]
Counts = NDArray[np.int32]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Outcome:
    """What one future came to. Shapes as in :class:`Futures`, without the first axis."""

    finish_day: int
    done_by_day: Counts
    weekly_items: Counts
    weekly_waiting: Counts
    weekly_late_drying: Counts
    late_drying: int
    weekly_exposure: Ints
    exposure_days: Counts
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

    Where a forecast begins in the middle of a project, ``done_by_day``, ``weekly_items``,
    ``outcomes``, images and a finish that lies behind include what was on record before. Hours,
    exposure, use of places and waiting count from the first simulated day on, 0 before it; an item
    that waits then waits from then on, but is late for drying by all that it has waited.

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
        outcomes: (R, 5) items by OUTCOME_NAMES; those not found are among the withdrawn.
        reimaged: (R,) images made again; images: (R,) images made, those not counted.
        no_longer_from: if all work stood still until then, the first date from which the promise
            could hardly be met by the grant's end; None: not worked out.
        weeks_on_record: returns that it knows; 0: it is made from the plan alone.
        last_week: the Monday of the last of them; None where there is none.
        learnt: the figures that they speak of, before and after.
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
    weeks_on_record: int = 0
    last_week: date | None = None
    learnt: tuple[Learnt, ...] = ()

    @property
    def replications(self) -> int:
        """How many futures there are."""
        return len(self.finish_day)

    @property
    def mostly_first_estimates(self) -> int:
        """How many figures that the returns speak of still rest mostly on the first estimates."""
        return mostly_first_estimates(self.learnt)

    @property
    def end_day(self) -> int:
        """Day number of the grant's end."""
        return self.project.day_number(self.grant_end)

    def date_of(self, day_number: int | None) -> date | None:
        """A day number's date; None for one that is not by the horizon."""
        if day_number is None or day_number == NOT_BY_HORIZON:
            return None
        return self.project.date_of(day_number)


def mostly_first_estimates(learnt: Sequence[Learnt]) -> int:
    """How many figures that the returns speak of still rest mostly on the first estimates."""
    return sum(each.still_estimate > _MOSTLY for each in learnt)


# --- one record -> one outcome -----------------------------------------------------------------


def reduce_record(
    rows: Ints, luck: Replication, start_within_days: int, counts_as_done: Sequence[str]
) -> Outcome:
    """Compute everything that is reported of one future.

    Args:
        rows: the event record, (n, 6), in the order of time.
        luck: what the engine read.
        start_within_days: active items that wait longer for a drying place are counted as late.
        counts_as_done: which of ``done`` and ``not-imaged`` the promise counts.

    Raises:
        ValueError: a row is none of this future's.
    """
    so_far = tally.new_tally(luck, start_within_days, counts_as_done)
    whole = np.require(rows, np.int64, ["C", "W"])
    stray = tally.stray_row(so_far, whole)
    if stray >= 0:
        row = whole[stray].tolist()
        raise ValueError(f"row {stray} of the record, {row}, is no event of this future")
    tally.absorb(so_far, whole, len(whole))
    return settled(so_far, luck)


def settled(so_far: Tally, luck: Replication) -> Outcome:
    """Compute everything that is reported of one future from a tally of its whole record.

    Args:
        so_far: a tally that has absorbed all rows; it is left as it is.
        luck: what the engine read.
    """
    finished, end = tally.end_of(so_far)
    numbers, spans, start = so_far.numbers, so_far.weekly_spans, luck.start
    ways = [*numbers[tally.ENDS : tally.ENDS + 3].tolist(), int(numbers[tally.WITHDRAWN])]
    done, items = so_far.done[:-1].cumsum(), so_far.weekly_items.cumsum(axis=0)
    if start is not None:
        done, items = done + start.done_by_day, items + start.weekly_items
    late, weekly_late = tally.late_by(so_far, end)
    # Time-average number = rate x mean time holds exactly on the sample path (Little 1961),
    # because both are the same area.
    waited = _area(so_far.waiting, end).astype(float)
    waiting_days = np.full(N_STAGES, math.nan)
    np.divide(waited, so_far.came * SECONDS_PER_DAY, out=waiting_days, where=so_far.came > 0)
    return Outcome(
        finish_day=_finish_day(luck, end) if finished else NOT_BY_HORIZON,
        done_by_day=_counts(done),
        weekly_items=_counts(items),
        weekly_waiting=_counts(so_far.weekly_waiting.cumsum(axis=0)),
        weekly_late_drying=_counts(weekly_late),
        late_drying=late,
        weekly_exposure=spans[:, :, tally.EXPOSURE, tally.SECONDS].copy(),
        exposure_days=_counts(spans[:, :, tally.EXPOSURE, tally.DAYS_WITH_ANY]),
        weekly_hours=spans[:, :, tally.SESSION, tally.SECONDS].copy(),
        max_day_exposure=so_far.spans[:, tally.EXPOSURE, tally.WORST_DAY].copy(),
        place_busy=_busy(_area(so_far.in_use, end), luck, end),
        waiting_items=waited / max(1, end - luck.settings.start),
        waiting_days=waiting_days,
        outcomes=np.array([*ways, len(luck.arrival) - sum(ways)]),
        reimaged=int(numbers[tally.REIMAGED]),
        images=int(numbers[tally.IMAGES]),
    )


def _counts(values: Ints) -> Counts:
    """Counts take half the memory of seconds, which tells where a thousand futures are kept."""
    return values.astype(np.int32)


def _finish_day(luck: Replication, end: int) -> int:
    """The day of the last item's end; where all had left, the last on record that had one."""
    start, day = luck.start, end // SECONDS_PER_DAY
    if start is not None and len(start.stage) and (start.stage == DONE).all():
        ends = np.flatnonzero(np.diff(start.done_by_day, prepend=0))
        return int(ends[-1]) if len(ends) else max(0, day - 1)
    return day if day < len(luck.week_of_day) else NOT_BY_HORIZON


def _area(gauges: Ints, end: int) -> Ints:
    """The area below each number over time, to the end."""
    return np.asarray(gauges[tally.AREA] + gauges[tally.NUMBER] * end)


def _busy(used: Ints, luck: Replication, end: int) -> Floats:
    """Share of each kind of place in use, from the start to the last item's end.

    Stations: seconds in sessions against the seconds in which somebody trained for the place is on
    shift. Shelves, drying places and tool sets are in use around the clock.
    """
    busy = np.full(N_PLACES, math.nan)
    midnights = np.arange(len(luck.week_of_day) + 1) * SECONDS_PER_DAY
    around_the_clock = np.diff(np.clip(midnights, luck.settings.start, end))
    for place in Place:
        capacity = luck.capacity[place]
        if capacity.max() >= UNLIMITED:
            continue
        stages = _STAGES_AT.get(place)
        seconds = tally.open_seconds(luck, stages, end) if stages else around_the_clock
        possible = float(seconds @ capacity)
        busy[place] = used[place] / possible if possible > 0 else math.nan
    return busy


# Places that are open while somebody can use them; the others are so around the clock.
_STAGES_AT = {
    Place.BENCH: (Stage.CLEANING,),
    Place.CAMERA: (Stage.COVERS, Stage.IMAGING),
}


class Gathered(Sequence[Outcome]):
    """Outcomes side by side, in arrays that have room for all of them from the first on.

    An outcome's own arrays become rows of these: else all futures would lie in memory twice.
    """

    def __init__(self, number: int) -> None:
        self.arrays: dict[str, Any] = {}
        self._number = number
        self._outcomes: list[Outcome] = []

    @classmethod
    def of(cls, outcomes: Sequence[Outcome]) -> Gathered:
        """These and no more."""
        gathered = cls(len(outcomes))
        for outcome in outcomes:
            gathered.add(outcome)
        return gathered

    def add(self, outcome: Outcome) -> None:
        """The next one; all have the same shapes."""
        place = len(self._outcomes)
        for field in fields(Outcome):
            value = np.asarray(getattr(outcome, field.name))
            if field.name not in self.arrays:
                kind = value.dtype if field.name in _WIDE else np.int32
                self.arrays[field.name] = np.empty((self._number, *value.shape), dtype=kind)
            self.arrays[field.name][place] = value
            if value.ndim:
                object.__setattr__(outcome, field.name, self.arrays[field.name][place])
        self._outcomes.append(outcome)

    def __len__(self) -> int:
        return len(self._outcomes)

    @overload
    def __getitem__(self, at: int) -> Outcome: ...

    @overload
    def __getitem__(self, at: slice) -> Sequence[Outcome]: ...

    def __getitem__(self, at: int | slice) -> Outcome | Sequence[Outcome]:
        return self._outcomes[at]


# --- many outcomes -> futures ------------------------------------------------------------------


def collect(
    project: Project, as_of: date, first_day: date, seed: int, outcomes: Sequence[Outcome]
) -> Futures:
    """Put outcomes side by side, in the order of their replications."""
    monday = project.grant.start - timedelta(days=project.grant.start.weekday())
    weeks = outcomes[0].weekly_items.shape[0]
    gathered = outcomes if isinstance(outcomes, Gathered) else Gathered.of(outcomes)
    return Futures(
        project=project,
        as_of=as_of,
        first_day=first_day,
        grant_end=project.grant.end_known_on(as_of),
        seed=seed,
        weeks=tuple(monday + timedelta(weeks=week) for week in range(weeks)),
        **gathered.arrays,
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
        "weeks_on_record": futures.weeks_on_record,
        "last_week": futures.last_week and futures.last_week.isoformat(),
        "learnt": [asdict(each) for each in futures.learnt],
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
            weeks_on_record=about["weeks_on_record"],
            last_week=date.fromisoformat(about["last_week"]) if about["last_week"] else None,
            learnt=tuple(_learnt(each) for each in about["learnt"]),
            **{f.name: stored[f.name] for f in fields(Outcome)},
        )


def _learnt(values: dict[str, Any]) -> Learnt:
    """A figure as :func:`save` has written it."""
    points = {name: tuple(values[name]) for name in ("prior", "posterior")}
    return Learnt(**(values | points))
