"""The track record: each forecast on file against what came, and against two plain rivals.

A forecast is scored when its week has come. What came is counted from the returns: first passes of
the last stage that applies, and items that ended otherwise where the promise counts them. Between
a forecast and its week no return may be missing, for the items of a missing week are counted
nowhere.

The finish is on record by its week only, so it is scored in weeks. "Not by the horizon" has no
date: both the draws and what came are cut at the horizon, which leaves the score proper (that of
the finish or the horizon, whichever is earlier).

Rivals know the same returns as the forecast, in the form in which they are on file now.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast import charts, ledger, luck, rivals
from forecast.blocks import Block, Heading, Note, Paragraph, Report, Table
from forecast.history import History
from forecast.issued import Draws, Issued, issued_from
from forecast.ledger import Kind
from forecast.outcome import NOT_BY_HORIZON, Futures, quantile
from forecast.project import Project
from forecast.stages import Stage
from forecast.weekly import Count, WeeklyReturn
from forecast.words import long_date, number, plural

__all__ = [
    "AHEAD",
    "ENOUGH",
    "FINISH",
    "LEVELS",
    "RIVALS",
    "Horizon",
    "Marks",
    "OnRecord",
    "Score",
    "TrackRecord",
    "central_range",
    "crps",
    "dots",
    "hindcast",
    "hits_expected",
    "interval_score",
    "on_record",
    "pit",
    "report",
    "score",
    "sentence",
]

AHEAD: tuple[int, ...] = (1, 2, 4, 8, 13, 26)  # weeks
FINISH = 0  # in the place of weeks ahead
LEVELS: tuple[float, ...] = (0.5, 0.8, 0.95)  # of central ranges
ENOUGH = 8  # with fewer nothing can be said
RIVALS: tuple[str, ...] = ("average pace", "past weeks")
_RIVAL_DRAWS = 1000

Numbers = NDArray[Any]


# --- scores of one forecast ----------------------------------------------------------------------


def crps(draws: Numbers, actual: float) -> float:
    """Continuous ranked probability score of an ensemble, in the unit of the draws; 0 is perfect.

    E|X - y| - E|X - X'| / 2 over the draws themselves (Gneiting and Raftery 2007, equation 21).

    Args:
        draws: (R,) equally likely values.
        actual: what came.

    >>> crps(np.array([1.0, 3.0]), 3.0)
    0.5
    """
    ordered = np.sort(np.asarray(draws, dtype=float))
    n = len(ordered)
    # Of all pairs the k-th smallest value is the larger one k - 1 times and the smaller n - k.
    spread = float((2.0 * np.arange(1, n + 1) - n - 1.0) @ ordered) / (n * n)
    return float(np.abs(ordered - actual).mean()) - spread


def pit(draws: Numbers, actual: float, luck_of_ties: float) -> float:
    """Where what came stands among the draws, from 0 (below all) to 1; even if they are right.

    The probability integral transform by ranks, the place among equals drawn: if what came is as
    likely at each rank as any, this is uniform whatever the ties (Czado, Gneiting and Held 2009).

    Args:
        draws: (R,) equally likely values.
        actual: what came.
        luck_of_ties: a number drawn evenly from 0 to 1.

    >>> pit(np.array([1, 2, 2, 5]), 2, 0.5)
    0.5
    """
    below, equal = int((draws < actual).sum()), int((draws == actual).sum())
    return (below + luck_of_ties * (equal + 1)) / (len(draws) + 1)


def central_range(draws: Numbers, level: float) -> tuple[int, int]:
    """The central range that holds a share of the draws: two order statistics.

    >>> central_range(np.arange(1, 11), 0.8)
    (1, 9)
    """
    tail = (1.0 - level) / 2.0
    return int(quantile(draws, tail)), int(quantile(draws, 1.0 - tail))


def interval_score(low: float, high: float, actual: float, level: float) -> float:
    """Width of a central range, and 2 / (1 - level) for each unit by which it was missed.

    Gneiting and Raftery 2007, equation 43.

    >>> interval_score(10, 20, 22, 0.9), interval_score(10, 20, 15, 0.9)
    (50.0, 10.0)
    """
    missed = max(low - actual, 0.0) + max(actual - high, 0.0)
    return round(high - low + 2.0 / (1.0 - level) * missed, 9)


def hits_expected(forecasts: int, level: float) -> tuple[int, int]:
    """Between which counts the hits of independent, true ranges lie in 95 of 100 cases.

    The 2.5 and 97.5 % quantiles of the binomial distribution.

    >>> hits_expected(26, 0.8)
    (17, 24)
    """
    chances = np.array(
        [
            math.exp(
                math.lgamma(forecasts + 1)
                - math.lgamma(hits + 1)
                - math.lgamma(forecasts - hits + 1)
                + hits * math.log(level)
                + (forecasts - hits) * math.log1p(-level)
            )
            for hits in range(forecasts + 1)
        ]
    )
    at_most = chances.cumsum()
    return int((at_most < 0.025).sum()), int((at_most < 0.975).sum())


@dataclass(frozen=True)
class Score:
    """One forecast against what came.

    Attributes:
        week: the Monday of the week after whose return the forecast was made.
        ahead: weeks looked ahead, or FINISH.
        since: what stood in that week: items done, or that week's number.
        actual: what came: items done by the Sunday of the week looked ahead to; for the finish,
            the number of its week. Week 0 holds the grant's start.
        ranges: the central range of each of LEVELS.
        crps: in items, or weeks.
        pit: from 0 to 1.
    """

    week: date
    ahead: int
    since: int
    actual: int
    ranges: tuple[tuple[int, int], ...]
    crps: float
    pit: float

    def held(self, level: float) -> bool:
        """Whether the range held what came."""
        low, high = self.ranges[LEVELS.index(level)]
        return low <= self.actual <= high

    def interval_score(self, level: float) -> float:
        """Of the central range, in items or weeks."""
        low, high = self.ranges[LEVELS.index(level)]
        return interval_score(low, high, self.actual, level)


@dataclass(frozen=True)
class Marks:
    """The scores of one forecaster at one horizon, in the order of their weeks."""

    scores: tuple[Score, ...] = ()

    def __len__(self) -> int:
        return len(self.scores)

    def hits(self, level: float) -> int:
        """How many ranges held what came."""
        return sum(score.held(level) for score in self.scores)

    def coverage(self, level: float) -> float:
        """Share of ranges that held what came; NaN where none was scored."""
        return self.hits(level) / len(self) if self.scores else math.nan

    @cached_property
    def crps(self) -> float:
        """Mean CRPS, in items or weeks; NaN where none was scored."""
        return _mean(score.crps for score in self.scores)

    def interval_score(self, level: float) -> float:
        """Mean interval score, in items or weeks; NaN where none was scored."""
        return _mean(score.interval_score(level) for score in self.scores)

    @property
    def above(self) -> int:
        """How often what came lay in the upper half of the forecast."""
        return sum(score.pit > 0.5 for score in self.scores)


def _mean(values: Iterable[float]) -> float:
    held = list(values)
    return math.fsum(held) / len(held) if held else math.nan


@dataclass(frozen=True)
class Horizon:
    """All that is known at one distance: the forecasts, and each of RIVALS on the same weeks.

    Attributes:
        ahead: weeks, or FINISH.
    """

    ahead: int
    forecast: Marks
    rivals: tuple[Marks, ...]

    @property
    def enough(self) -> bool:
        """Whether there are enough to judge."""
        return len(self.forecast) >= ENOUGH


@dataclass(frozen=True)
class TrackRecord:
    """How right forecasts were.

    Attributes:
        issued: one for each of AHEAD and then FINISH.
        hindcast: the same of hindcasts, which are never counted among the issued.
        gaps: Mondays of weeks that no return tells the items of.
        gap_between: forecasts of items done whose week has come but cannot be scored, because of
            a gap between; issued ones.
        finished: whether all items have ended on record.
    """

    issued: tuple[Horizon, ...]
    hindcast: tuple[Horizon, ...]
    gaps: tuple[date, ...]
    gap_between: int
    finished: bool


# --- what came -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class OnRecord:
    """What came, counted from the returns.

    Attributes:
        done: cumulative items that count as done, by the Monday of each week that tells it.
        ended: the same of items that ended in any way.
        gaps: Mondays from the first to the last week on record that tell no items done.
        finish: the Monday of the week in which the last item ended; None: not yet.
    """

    done: Mapping[date, int]
    ended: Mapping[date, int]
    gaps: tuple[date, ...]
    finish: date | None

    def weekly(self, up_to: date) -> tuple[int, ...]:
        """Items done in each week up to one that tells them, in order."""
        totals = [total for week, total in self.done.items() if week <= up_to]
        return tuple(int(step) for step in np.diff([0, *totals]))

    def done_by(self, week: date) -> int:
        """Items done by the end of a week, as far as returns tell."""
        return _latest(self.done, week)

    def ended_by(self, week: date) -> int:
        """Items that had ended in any way by the end of a week, as far as returns tell."""
        return _latest(self.ended, week)

    def complete(self, after: date, to: date) -> bool:
        """Whether every week after one and up to another is told."""
        weeks = (to - after).days // 7
        return all(after + timedelta(weeks=n) in self.done for n in range(1, weeks + 1))


def _latest(totals: Mapping[date, int], week: date) -> int:
    return max((total for told, total in totals.items() if told <= week), default=0)


def on_record(history: History, project: Project) -> OnRecord:
    """Count what was done, week by week.

    A row of counts without an outcome counts at the last stage that applies to its items; one with
    an outcome, which is told once, where ``counts_as_done`` names it. A week without the sheet, or
    with a row of items of which some end there and others go on, tells no items done.
    """
    leaving = _Leaving(project)
    done: dict[date, int] = {}
    ended: dict[date, int] = {}
    for each in history.returns:
        counted = leaving.of(each)
        if counted is not None:
            done[each.week] = max(done.values(), default=0) + counted[0]
            ended[each.week] = max(ended.values(), default=0) + counted[1]
    untold = (each.week for each in history.returns if each.week not in done)
    return OnRecord(
        done=done,
        ended=ended,
        gaps=tuple(sorted((*history.gaps, *untold))),
        finish=next((week for week, n in ended.items() if n >= project.total_items), None),
    )


class _Leaving:
    """Which rows of a return are of items that leave."""

    def __init__(self, project: Project) -> None:
        self.counts_as_done = project.outcomes.counts_as_done
        self.checked = project.checking.share_checked > 0.0
        self.kinds = ledger.kinds(project)

    def of(self, told: WeeklyReturn) -> tuple[int, int] | None:
        """Items that count as done, and all that ended; None where that is not told."""
        if "counts" not in told.told:
            return None
        done = ended = 0
        for row in told.counts:
            ends = self._ends(row)
            if ends is None:
                return None
            if ends and row.items:
                ended += row.items
                done += row.items if (row.outcome or "done") in self.counts_as_done else 0
        return done, ended

    def _ends(self, row: Count) -> bool | None:
        """Whether a row's items end there; None: some may, and nobody can tell which."""
        if row.outcome or not row.items:
            return bool(row.outcome)
        ends = {self._ends_of(row.stage, kind) for kind in self._fitting(row)} or {False}
        return ends.pop() if len(ends) == 1 else None

    def _fitting(self, row: Count) -> list[Kind]:
        """The kinds of items that a row may mean and that pass its stage."""
        fitting = [k for k in self.kinds if k.fits((row.material, row.mould, row.red_rot))]
        passing = [kind for kind in fitting if kind.route[row.stage]]
        return [kind for kind in passing if not kind.surveyed_out] or passing

    def _ends_of(self, stage: Stage, kind: Kind) -> bool | None:
        way = [s for s in Stage if kind.route[s] and (self.checked or s is not Stage.CHECKING)]
        # Of the last two stages: returns tell neither which items pass the last one by, nor which
        # of those that were checked go back.
        if (way[-1] is Stage.CHECKING or kind.may_skip[way[-1]]) and stage in way[-2:]:
            return None
        return way[-1] is stage


# --- forecasts against it ------------------------------------------------------------------------


def score(issued: Sequence[Issued], history: History, project: Project) -> TrackRecord:
    """Score every forecast whose week has come, but for those made when all was done.

    Of several forecasts for one week the first counts: later ones were made after a correction,
    with more on file. Hindcasts are scored apart.

    Args:
        issued: forecasts on file, hindcasts included, in any order.
        history: all returns that count now.
        project: as it is now.
    """
    came = on_record(history, project)
    judge = _Judge(project, history, came)
    real = _firsts(each for each in issued if not each.hindcast)
    late = _firsts(each for each in issued if each.hindcast)
    return TrackRecord(
        issued=judge.horizons(real),
        hindcast=judge.horizons(late),
        gaps=came.gaps,
        gap_between=sum(judge.lost(each, ahead) for each in real for ahead in AHEAD),
        finished=came.finish is not None,
    )


def _firsts(issued: Iterable[Issued]) -> list[Issued]:
    """The first forecast for each week, in the order of weeks."""
    first: dict[date, Issued] = {}
    for each in sorted(issued, key=lambda each: (each.week, each.issued_at)):
        first.setdefault(each.week, each)
    return list(first.values())


class _Judge:
    """Scores forecasts of one project against one record."""

    def __init__(self, project: Project, history: History, came: OnRecord) -> None:
        self.project, self.came = project, came
        start = project.grant.start
        self.monday = start - timedelta(days=start.weekday())
        self.latest = history.returns[-1].week if history.returns else None

    def horizons(self, issued: Sequence[Issued]) -> tuple[Horizon, ...]:
        """The forecasts and their rivals at each distance."""
        rival_draws = [self._rivals(each) for each in issued]
        return tuple(self._horizon(ahead, issued, rival_draws) for ahead in (*AHEAD, FINISH))

    def _horizon(
        self, ahead: int, issued: Sequence[Issued], rival_draws: Sequence[tuple[Draws, ...]]
    ) -> Horizon:
        known = [
            (each, others)
            for each, others in zip(issued, rival_draws, strict=True)
            if self._can_score(each, ahead)
        ]
        mine = (self._score("forecast", each.draws, each.week, ahead) for each, _ in known)
        theirs = (
            Marks(tuple(self._score(name, others[n], each.week, ahead) for each, others in known))
            for n, name in enumerate(RIVALS)
        )
        return Horizon(ahead, Marks(tuple(mine)), tuple(theirs))

    def lost(self, forecast: Issued, ahead: int) -> bool:
        """Whether its week has come, and a gap between keeps it from being scored."""
        return self._due(forecast, ahead) and not self._told(forecast, ahead)

    def _can_score(self, forecast: Issued, ahead: int) -> bool:
        if ahead == FINISH:
            return self.came.finish is not None and self._open(forecast)
        return self._due(forecast, ahead) and self._told(forecast, ahead)

    def _open(self, forecast: Issued) -> bool:
        """Whether anything was left to forecast: with all done, no forecast can be wrong."""
        return self.came.finish is None or forecast.week < self.came.finish

    def _due(self, forecast: Issued, ahead: int) -> bool:
        """Whether the week that it looked ahead to has come, and it said something of it."""
        week = forecast.week + timedelta(weeks=ahead)
        first = forecast.draws.weeks[0] if forecast.draws.weeks else None
        return (
            self._open(forecast)
            and self.latest is not None
            and first is not None
            and first <= week <= self.latest
            and week <= self.project.grant.horizon
        )

    def _told(self, forecast: Issued, ahead: int) -> bool:
        """Whether no week between is missing."""
        return self.came.complete(forecast.week, forecast.week + timedelta(weeks=ahead))

    def _score(self, name: str, draws: Draws, week: date, ahead: int) -> Score:
        if ahead == FINISH:
            assert self.came.finish is not None
            values = self._finish_weeks(draws)
            since = self._number(week)
            actual = min(self._number(self.came.finish), self._horizon_week + 1)
        else:
            target = week + timedelta(weeks=ahead)
            values = _done_by(draws, target)
            since, actual = self.came.done_by(week), self.came.done_by(target)
        ties = luck.stream(0, 0, "track record", name, week.isoformat(), str(ahead))
        return Score(
            week=week,
            ahead=ahead,
            since=since,
            actual=actual,
            ranges=tuple(central_range(values, level) for level in LEVELS),
            crps=crps(values, actual),
            pit=pit(values, actual, float(ties.random())),
        )

    def _number(self, day: date) -> int:
        return (day - self.monday).days // 7

    @cached_property
    def _horizon_week(self) -> int:
        return self._number(self.project.grant.horizon)

    def _finish_weeks(self, draws: Draws) -> Numbers:
        """(R,) number of the week of the finish, cut at the week after the horizon's."""
        last = self._horizon_week + 1
        weeks = (draws.finish + (draws.start - self.monday).days) // 7
        return np.where(draws.finish == NOT_BY_HORIZON, last, np.minimum(weeks, last))

    def _rivals(self, forecast: Issued) -> tuple[Draws, ...]:
        """What each of RIVALS would have said instead of a forecast."""
        week = forecast.week
        weekly = self.came.weekly(week)
        weeks = max(0, self._horizon_week - self._number(week))
        left = max(0, self.project.total_items - self.came.ended_by(week))
        lucky = luck.stream(0, 0, "track record", "past weeks", week.isoformat())
        return tuple(
            self._as_draws(future, week, self.came.done_by(week), left)
            for future in (
                rivals.average_pace(weekly, left, weeks),
                rivals.past_weeks(weekly, left, weeks, _RIVAL_DRAWS, lucky),
            )
        )

    def _as_draws(self, future: Numbers, week: date, done: int, left: int) -> Draws:
        """Future items by week as draws; all done in a week is done on its Sunday."""
        sunday = (week - self.project.grant.start).days + 6
        ahead = rivals.weeks_to_finish(future, left)
        finish = np.where(ahead == NOT_BY_HORIZON, NOT_BY_HORIZON, sunday + 7 * ahead)
        weeks = tuple(week + timedelta(weeks=n + 1) for n in range(future.shape[1]))
        return Draws(self.project.grant.start, weeks, finish, done + future)


def _done_by(draws: Draws, week: date) -> Numbers:
    """(R,) items done by the end of a week; nothing changes after the last that is kept."""
    return draws.done_by(min(week, draws.weeks[-1]))


# --- forecasts made afterwards -------------------------------------------------------------------


def hindcast(
    project: Project,
    on_file: Callable[[date], History],
    weeks: Iterable[date],
    forecaster: Callable[[Project, History, date, int], Futures],
    seed: int,
    *,
    made_at: datetime | None = None,
) -> tuple[Issued, ...]:
    """The forecasts that would have been made after past weeks, from what was on file then.

    Args:
        project: as it was on file with these weeks, or as it is now.
        on_file: for the Monday of a week, the returns as they were on file when that week had been
            recorded, without later corrections. What counts only later is left out here (R19).
        weeks: Mondays. A week without a return on file gets no forecast: none would have been made.
        forecaster: makes futures from project, returns, as-of date and seed.
        seed: the same for all.
        made_at: when, in UTC; None: now.
    """
    moment = datetime.now(UTC) if made_at is None else made_at
    made = []
    for week in weeks:
        as_of = week + timedelta(days=6)
        known = on_file(week).up_to(as_of)
        if not known.returns or known.returns[-1].week != week:
            continue
        futures = forecaster(project, known, as_of, seed)
        digests = tuple(each.digest for each in known.returns)
        made.append(issued_from(futures, week, moment, digests, hindcast=True))
    return tuple(made)


# --- in words and tables -------------------------------------------------------------------------

_WORDS = {1: "one", 2: "two", 4: "four", 8: "eight"}
_SENTENCE_FIRST = (4, 2, 1, 8, 13, 26)  # weeks ahead, in the order in which they tell most
_NAMED = 6  # weeks with a gap
_TOO_FEW = "too few to judge"


def _weeks_later(ahead: int) -> str:
    return f"{_WORDS.get(ahead, ahead)} {'week' if ahead == 1 else 'weeks'} later"


def _distance(ahead: int) -> str:
    return "The finish" if ahead == FINISH else plural(ahead, "week")


def sentence(track_record: TrackRecord) -> str:
    """The track record in one sentence, for every report. Hindcasts never enter it."""
    by_weeks = {horizon.ahead: horizon for horizon in track_record.issued}
    for ahead in _SENTENCE_FIRST:
        marks = by_weeks[ahead].forecast
        if len(marks) >= ENOUGH:
            return (
                f"Of {number(len(marks))} forecasts of the items done {_weeks_later(ahead)}, "
                f"{number(marks.hits(0.8)) if marks.hits(0.8) else 'none'} held the truth in "
                "their 8-in-10 range."
            )
    most = max((by_weeks[ahead] for ahead in _SENTENCE_FIRST), key=lambda h: len(h.forecast))
    if not len(most.forecast):
        return "No issued forecast could be held against what came yet: how right they are is open."
    return (
        f"So far {plural(len(most.forecast), 'forecast')} of the items done "
        f"{_weeks_later(most.ahead)} can be held against what came: {_TOO_FEW}, "
        f"for which it takes {ENOUGH}."
    )


def dots(horizons: Sequence[Horizon]) -> pd.DataFrame:
    """Each scored forecast as a row, for the chart.

    Columns: ``panel`` and ``unit``, ``day`` (the Sunday after which it was made), the ranges
    ``low`` to ``high`` (8 in 10) and ``lower`` to ``upper`` (5 in 10), ``actual`` and ``held``
    (whether the 8-in-10 range held it). Numbers count from the day on which it was made.
    """
    rows = []
    for horizon in horizons:
        finish = horizon.ahead == FINISH
        for each in horizon.forecast.scores:
            half, most = each.ranges[LEVELS.index(0.5)], each.ranges[LEVELS.index(0.8)]
            rows.append(
                {
                    "panel": "the finish" if finish else f"{plural(horizon.ahead, 'week')} later",
                    "unit": "weeks" if finish else "items",
                    "day": each.week + timedelta(days=6),
                    "low": most[0] - each.since,
                    "lower": half[0] - each.since,
                    "upper": half[1] - each.since,
                    "high": most[1] - each.since,
                    "actual": each.actual - each.since,
                    "held": each.held(0.8),
                }
            )
    return pd.DataFrame(rows)


def _coverage_table(horizons: Sequence[Horizon]) -> Table:
    rows = []
    for horizon in horizons:
        marks = horizon.forecast
        counts = [_TOO_FEW] * 4
        if horizon.enough:
            low, high = hits_expected(len(marks), 0.8)
            counts = [
                number(marks.hits(0.5)),
                f"{number(marks.hits(0.8))} ({number(low)} to {number(high)})",
                number(marks.hits(0.95)),
                number(marks.above),
            ]
        rows.append((_distance(horizon.ahead), number(len(marks)), *counts))
    return Table(
        "How many ranges held what came",
        (
            "Looking ahead",
            "Scored",
            "5-in-10 range",
            "8-in-10 range",
            "95-in-100 range",
            "More than the middle",
        ),
        tuple(rows),
        numeric=(1, 2, 3, 4, 5),
        note="In brackets: between which counts the hits would lie in 95 of 100 cases if the "
        "ranges were right and the forecasts did not overlap. The last column counts how often "
        "what came was more, or later, than the middle of the forecast: about half of them, if "
        "forecasts lean neither way.",
    )


def _rival_table(
    caption: str, note: str, horizons: Sequence[Horizon], of: Callable[[Marks], float]
) -> Table:
    rows = []
    for horizon in horizons:
        everyone = (horizon.forecast, *horizon.rivals)
        values = [number(of(m), 1) if horizon.enough else _TOO_FEW for m in everyone]
        unit = "weeks" if horizon.ahead == FINISH else "items"
        rows.append((f"{_distance(horizon.ahead)}, in {unit}", *values))
    heads = tuple(name[:1].upper() + name[1:] for name in RIVALS)
    return Table(
        caption,
        ("Looking ahead", "Forecast", *heads),
        tuple(rows),
        numeric=tuple(range(1, 2 + len(RIVALS))),
        note=note,
    )


def _tables(horizons: Sequence[Horizon]) -> list[Block]:
    """The tables of the horizons at which anything was scored."""
    scored = [horizon for horizon in horizons if len(horizon.forecast)]
    coverage = _coverage_table(scored)
    if not any(horizon.enough for horizon in scored):
        return [coverage]
    return [
        coverage,
        _rival_table(
            "How far off, against two plain ways to forecast: mean score (CRPS)",
            "How far the futures lay from what came on average, less what they may differ among "
            "themselves. Smaller is better; 0 is a forecast that knew. Average pace: the mean week "
            "so far goes on. Past weeks: any of the weeks so far may come again.",
            scored,
            lambda marks: marks.crps,
        ),
        _rival_table(
            "How wide, and how often wrong: mean score of the 8-in-10 range",
            "The width of the range, and ten times the distance by which it was missed where it "
            "was missed. Smaller is better.",
            scored,
            lambda marks: marks.interval_score(0.8),
        ),
    ]


def _overlap(horizons: Sequence[Horizon]) -> list[str]:
    """That forecasts are not independent, with the longest distance that can be judged."""
    judged = [h for h in horizons if h.enough and h.ahead > 1]
    dependent = (
        "Forecasts overlap, so they are not independent: those of two weeks running look ahead "
        "at nearly the same weeks, and one bad month makes many of them miss together."
    )
    said = [dependent]
    if judged:
        longest = max(judged, key=lambda h: h.ahead)
        apart = _apart([each.week for each in longest.forecast.scores], longest.ahead)
        said.append(
            f"Of the {number(len(longest.forecast))} that look "
            f"{plural(longest.ahead, 'week')} ahead, only {number(apart)} can be chosen that do "
            "not overlap."
        )
    if any(h.ahead == FINISH and len(h.forecast) for h in horizons):
        said.append(
            "The finish comes once: all forecasts of it are held against the same week. It counts "
            "in whole weeks, and a future that does not finish counts as the week after the "
            "horizon."
        )
    return said


def _apart(weeks: Sequence[date], ahead: int) -> int:
    """How many of some weeks, in order, can be chosen that lie at least so many weeks apart."""
    chosen: list[date] = []
    for week in weeks:
        if not chosen or week >= chosen[-1] + timedelta(weeks=ahead):
            chosen.append(week)
    return len(chosen)


def _not_scored(track_record: TrackRecord) -> list[str]:
    """Which weeks are missing, and what they cost."""
    said = []
    if track_record.gaps:
        weeks = [long_date(week) for week in track_record.gaps[:_NAMED]]
        more = len(track_record.gaps) - len(weeks)
        listed = ", ".join(weeks) + (f" and {number(more)} more" if more else "")
        said.append(
            "No return tells how many items were done in "
            f"{plural(len(track_record.gaps), 'week')} (beginning {listed}). What was forecast "
            "across such a week cannot be scored: "
            f"{plural(track_record.gap_between, 'forecast')} left out."
        )
    return said


def report(track_record: TrackRecord) -> Report:
    """The track record as a section of a report: the sentence, tables and a chart."""
    blocks: list[Block] = [
        Heading("How right earlier forecasts were"),
        Paragraph(sentence(track_record), lead=True),
    ]
    missing = _not_scored(track_record)
    if any(len(horizon.forecast) for horizon in track_record.issued):
        blocks += [
            Paragraph(
                "Each issued forecast is held against what came as soon as its week is on record. "
                "A range called 8 in 10 should hold the truth about 8 times in 10: if it does "
                "less often, forecasts were too sure of themselves; if more often, they could "
                "have been narrower."
            ),
            charts.track_record_chart(dots(track_record.issued)),
            *_tables(track_record.issued),
            Note("Before anything is concluded", (*_overlap(track_record.issued), *missing)),
        ]
    elif missing:
        blocks.append(Note("Before anything is concluded", tuple(missing)))
    return Report([*blocks, *_hindcast_blocks(track_record)])


def _hindcast_blocks(track_record: TrackRecord) -> list[Block]:
    """Hindcasts, apart from what was issued and labelled."""
    if not any(len(horizon.forecast) for horizon in track_record.hindcast):
        return []
    return [
        Heading("Hindcasts: forecasts made afterwards"),
        Paragraph(
            "These were made later, by the program as it is today, from what was on file when each "
            "week was recorded. Nobody could rely on them at the time, and they are not counted "
            "among the forecasts that were issued."
        ),
        charts.track_record_chart(dots(track_record.hindcast), hindcast=True),
        *_tables(track_record.hindcast),
        Note("Before anything is concluded", tuple(_overlap(track_record.hindcast))),
    ]
