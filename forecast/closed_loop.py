"""The whole loop against known truths: a simulated team's returns, and forecasts made from them.

A truth is drawn from the project's own estimates, only wider: each estimate's standard-normal
coordinate is 1.3 times a standard normal, those of one stage's minutes correlated as the belief
supposes, and the mix of conditions is drawn with its evidence divided by 1.3 squared. Our engine
plays it to the end; its returns are written as files week by week and read again; and when 10, 25,
50 and 75 % of the items are done, a forecaster that knows only the project and these returns says
when the last item will be done, and how many items will be done in 4 and in 13 weeks. Two plain
rivals know the same returns.

Beside the world that the model assumes stand worlds that it does not (:data:`WORLDS`).

Ranges are judged by the place of what came among the draws, ties drawn (Czado, Gneiting and Held
2009): near the end most draws of "items in 13 weeks" are equal, and ranges that hold all of them
would be praised for what is certain anyway.
"""

from __future__ import annotations

import math
import multiprocessing
import os
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, field, fields, replace
from datetime import date, timedelta
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr
from scipy.stats import binom
from tqdm import tqdm

from forecast import diary, engine, luck, outcome, pace, replicate, return_files, rivals
from forecast.condition import SurveyRow
from forecast.diary import Telling
from forecast.estimates import Estimate
from forecast.history import History
from forecast.items import Category, CollectionRow, Delivery, Mould
from forecast.luck import Plan, Replication
from forecast.outcome import NOT_BY_HORIZON, Futures, Outcome
from forecast.people import Closure, DayPlan, TeamRow
from forecast.project import Drying, Grant, Outcomes, Places, Project, TaskTime, WorkingTime
from forecast.stages import PRACTISED_STAGES, Stage
from forecast.weekly import WeeklyReturn

__all__ = [
    "LEVELS",
    "PROGRESS",
    "PROJECTS",
    "QUANTITIES",
    "WORLDS",
    "Forecaster",
    "Scored",
    "Truth",
    "World",
    "accepted",
    "coverage",
    "crps",
    "hours_ratio",
    "made_up_project",
    "plain",
    "ratio",
    "run",
    "shortfalls",
    "table",
    "truth_of",
    "varied_project",
    "without_variation",
]

LEVELS = (0.5, 0.8, 0.95)  # of central ranges
PROGRESS = (0.10, 0.25, 0.50, 0.75)  # share of the items done
QUANTITIES = ("finish", "items in 4 weeks", "items in 13 weeks")
RIVALS = ("average pace", "past weeks")

_ASSUMED = "as assumed"
_JUDGED_AT = 0.25  # progress
_MOST_OF_RIVAL = 0.6
_POOLED = (0.76, 0.84)
_LEAST_ELSEWHERE = 0.60

_WEEKS_AHEAD = {"items in 4 weeks": 4, "items in 13 weeks": 13}
_WIDER = 1.3
_ACCEPTED = 0.998
_RIVAL_DRAWS = 1000
_BOOTSTRAPS = 2000
_STEP = 0.3  # of the logarithm of minutes
_STEP_BEFORE = 6  # weeks
_LONG_RUN = 40  # items
_HEAVIEST = 6.0  # of a t with 3 degrees of freedom: an hour must not become a month

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Project, returns, as-of date and seed to futures. On several processes it must be a function of a
# module, or a `functools.partial` of one.
Forecaster = Callable[[Project, History, date, int], Futures]
Changed = Callable[[Plan, Replication, np.random.Generator], Replication]


# --- a project to try it on ----------------------------------------------------------------------


_FULL_WEEK = (7.0, 7.0, 7.0, 7.0, 7.0, 0.0, 0.0)
_START = date(2026, 1, 5)


def _person(
    name: str,
    mould_work: bool,
    *stages: Stage,
    start: date = _START,
    end: date | None = None,
    week: tuple[float, float, float, float, float, float, float] = _FULL_WEEK,
) -> TeamRow:
    return TeamRow(name, "", start, end, week, 9 * 3600, mould_work, stages)


def _minutes(stage: Stage, low: float, likely: float, high: float, **of: Any) -> TaskTime:
    which = (of.get("material"), of.get("mould"), of.get("red_rot"), of.get("image", False))
    return TaskTime(stage, *which, Estimate(low, likely, high), 0.4)


def _not_cleaned() -> TaskTime:
    """Items without mould and red rot are not cleaned."""
    row = _minutes(Stage.CLEANING, 0.0, 0.0, 0.0, mould=Mould.NONE, red_rot=False)
    return replace(row, scatter=0.0)


def _looked_at(
    material: str, none: int, inactive: int, active: int, series: str | None = None
) -> tuple[SurveyRow, ...]:
    found = ((Mould.NONE, none), (Mould.INACTIVE, inactive), (Mould.ACTIVE, active))
    return tuple(
        SurveyRow(Category(material, mould, red_rot=False), items, series)
        for mould, items in found
    )


def made_up_project() -> Project:
    """An invented project in which nothing that is planned ever changes.

    Four equal series of 150 items, and some 40 weeks for three people: the average pace so far and
    past weeks are as good a guide to what comes as they can be.
    """
    return Project(
        title="An invented project to learn from",
        grant=Grant("", _START, date(2026, 12, 18), date(2028, 12, 31), 600),
        places=Places(120, 24, 2, 1),
        collection=tuple(
            CollectionRow(series, material, 75, images, material == "volume", images, images)
            for series in ("A", "B", "C", "D")
            for material, images in (("volume", 60.0), ("folder", 30.0))
        ),
        survey=(*_looked_at("volume", 14, 18, 6), *_looked_at("folder", 16, 12, 3)),
        task_times=(
            _minutes(Stage.RECEIVING, 2.0, 3.0, 5.0),
            _minutes(Stage.DRYING, 4.0, 7.0, 12.0, mould=Mould.ACTIVE),
            _minutes(Stage.CLEANING, 78.0, 110.0, 165.0, material="volume"),
            _minutes(Stage.CLEANING, 55.0, 80.0, 120.0, material="folder"),
            _not_cleaned(),
            _minutes(Stage.IMAGING, 4.0, 6.0, 9.0),
            _minutes(Stage.IMAGING, 0.4, 0.55, 0.75, image=True),
            _minutes(Stage.CHECKING, 6.0, 9.0, 14.0),
            _minutes(Stage.REBOXING, 8.0, 12.0, 18.0),
        ),
        team=(
            _person("AB", True, Stage.CLEANING, Stage.DRYING, Stage.RECEIVING),
            _person("CD", True, Stage.CLEANING, Stage.RECEIVING, Stage.DRYING, Stage.REBOXING),
            _person("EF", False, Stage.IMAGING, Stage.CHECKING, Stage.REBOXING),
        ),
        observe_public_holidays=False,
        quarantine_days=7,
        drying=Drying(still_damp=Estimate(0.02, 0.08, 0.20, at_most_one=True)),
        outcomes=Outcomes(
            Estimate(0.002, 0.006, 0.015, at_most_one=True),
            Estimate(0.001, 0.004, 0.010, at_most_one=True),
            ("done", "not-imaged"),
        ),
        time=WorkingTime(
            delivered_share=Estimate(0.60, 0.75, 0.85, at_most_one=True),
            absence_days_a_year=Estimate(3.0, 6.0, 15.0),
            practice=Estimate(0.88, 0.94, 1.0, at_most_one=True),
            practice_starts_at=60.0,
            week_spread=Estimate(0.05, 0.12, 0.30),
        ),
        deliveries=tuple(
            Delivery(_START + timedelta(weeks=weeks), series, 150)
            for series, weeks in (("A", 0), ("B", 6), ("C", 12), ("D", 18))
        ),
    )


def varied_project() -> Project:
    """An invented project as they are: what is planned for one month is not what is for the next.

    Series of different materials, images and mould, one after the other; somebody joins after a
    third of the time, another works half days in the last third; the building is closed for two
    weeks in August, and in the humid months items dry longer.
    """

    def row(
        series: str, material: str, items: int, low: float, images: float, high: float
    ) -> CollectionRow:
        return CollectionRow(series, material, items, images, material == "volume", low, high)

    even = made_up_project()
    joins, half_days = _START + timedelta(weeks=14), _START + timedelta(weeks=26)
    cleaner = Stage.CLEANING, Stage.RECEIVING, Stage.DRYING, Stage.REBOXING
    two_days = (0.0, 7.0, 7.0, 0.0, 0.0, 0.0, 0.0)
    afternoons = (3.5, 3.5, 3.5, 3.5, 3.5, 0.0, 0.0)
    return replace(
        even,
        title="An invented project in which plans change from month to month",
        places=replace(even.places, quarantine_items=260),
        collection=(
            row("Ledgers", "volume", 130, 68.0, 80.0, 94.0),
            row("Letters", "folder", 190, 28.0, 35.0, 44.0),
            row("Letters", "pamphlet", 50, 10.0, 14.0, 19.0),
            row("Photographs", "photograph", 50, 2.0, 2.0, 2.0),
            row("Accounts", "volume", 180, 48.0, 60.0, 74.0),
        ),
        survey=(
            *_looked_at("volume", 9, 10, 6, "Ledgers"),
            *_looked_at("folder", 5, 11, 4, "Letters"),
            *_looked_at("pamphlet", 6, 4, 1, "Letters"),
            *_looked_at("photograph", 13, 6, 2, "Photographs"),
            *_looked_at("volume", 5, 9, 4, "Accounts"),
        ),
        task_times=(
            *even.task_times,
            _minutes(Stage.CLEANING, 18.0, 26.0, 40.0, material="pamphlet"),
            _minutes(Stage.CLEANING, 9.0, 14.0, 22.0, material="photograph"),
        ),
        team=(
            _person("AB", True, Stage.CLEANING, Stage.DRYING, Stage.RECEIVING),
            _person("CD", True, *cleaner, end=half_days - timedelta(days=1)),
            _person("CD", True, *cleaner, start=half_days, week=afternoons),
            _person("EF", False, Stage.IMAGING, Stage.CHECKING, Stage.REBOXING),
            _person("GH", True, *cleaner, start=joins, week=two_days),
        ),
        drying=replace(
            even.drying,
            month_factor=(1.0, 1.0, 1.0, 1.0, 1.1, 1.3, 1.5, 1.6, 1.4, 1.2, 1.0, 1.0),
        ),
        day_plan=(DayPlan("CD", 1, Stage.RECEIVING), DayPlan("GH", 2, Stage.RECEIVING)),
        closures=(Closure(date(2026, 8, 3), date(2026, 8, 16)),),
        deliveries=tuple(
            Delivery(_START + timedelta(weeks=weeks), series, items)
            for weeks, series, items in (
                (0, "Ledgers", 130),
                (5, "Letters", 240),
                (12, "Photographs", 50),
                (16, "Accounts", 180),
            )
        ),
    )


PROJECTS: Mapping[str, Callable[[], Project]] = {
    "varied": varied_project,
    "even": made_up_project,
}


# --- truths --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class World:
    """One way in which the truth may be.

    Attributes:
        what: in words.
        changed: what becomes of the luck that the model would draw.
        tell: how the returns are written.
        practice: whether anybody gets faster.
        together: correlation of the errors of one stage's minutes.
        progress: where forecasts are made.
    """

    what: str
    changed: Changed
    tell: Telling = field(default_factory=Telling)
    practice: bool = True
    together: float = pace.STAGE_CORRELATION
    progress: tuple[float, ...] = PROGRESS


@dataclass(frozen=True)
class Truth:
    """One truth, played to its end. D days from the grant's start to the horizon.

    Attributes:
        plan: of the true project.
        returns: of all its weeks.
        came_to: what it came to.
    """

    plan: Plan
    returns: tuple[WeeklyReturn, ...]
    came_to: Outcome

    def as_of(self, progress: float) -> date:
        """The first Sunday with this share of the items done; the last week's, if never."""
        enough = math.ceil(progress * self.plan.project.total_items)
        for told in self.returns:
            if self.done_by(told.last_day) >= enough:
                return told.last_day
        return self.returns[-1].last_day

    def done_by(self, day: date) -> int:
        """Items done by the end of a day."""
        project = self.plan.project
        number = min(project.day_number(day), project.days - 1)
        return int(self.came_to.done_by_day[number]) if number >= 0 else 0


def truth_of(project: Project, world: World, seed: int, index: int) -> Truth:
    """Draw a truth and play it to its end.

    Args:
        project: as planned.
        world: in which way it is true.
        seed: of all truths.
        index: of this one; the same index has the same estimates and luck in every world.
    """
    z = partial(_z, seed, index)
    plan = luck.plan(_really(project, z, practice=world.practice, together=world.together))
    plan = replace(plan, alpha=plan.alpha / _WIDER**2)
    own = luck.stream(seed, index, "world", world.what)
    drawn = world.changed(plan, luck.replication(plan, seed, index), own)
    return _played(plan, drawn, world.tell)


def _played(plan: Plan, drawn: Replication, tell: Telling) -> Truth:
    rows = engine.record(drawn)
    returns = diary.returns(plan, drawn, rows, plan.project.grant.horizon, tell=tell)
    return Truth(plan, returns, _reduced(plan.project, drawn, rows))


def _reduced(project: Project, drawn: Replication, rows: Ints) -> Outcome:
    late, counted = project.drying.start_within_days, project.outcomes.counts_as_done
    return outcome.reduce_record(rows, drawn, late, counted)


def _z(seed: int, index: int, *name: str) -> float:
    """A coordinate of the truth: wider than what is believed."""
    return _WIDER * float(luck.stream(seed, index, "truth", *name).standard_normal())


def _really(
    project: Project, z: Callable[..., float], *, practice: bool, together: float
) -> Project:
    """The project with each estimate known, at the quantile of its coordinate."""

    def known(estimate: Estimate, *name: str) -> Estimate:
        return at(estimate, z(*name))

    def known_time(row: TaskTime) -> Estimate:
        if row.stage not in PRACTISED_STAGES:
            return known(row.average, row.name)
        common = math.sqrt(together) * z("stage", row.stage.name)
        return at(row.average, common + math.sqrt(1.0 - together) * z(row.name))

    def at(estimate: Estimate, coordinate: float) -> Estimate:
        if estimate.is_known:
            return estimate
        value = estimate.quantile(float(ndtr(coordinate)))
        return Estimate(value, value, value, at_most_one=estimate.at_most_one)

    def all_known(group: Any, name: str) -> Any:
        """A group of settings with each of its estimates known."""
        own = {each.name: getattr(group, each.name) for each in fields(group)}
        return replace(
            group,
            **{
                key: known(value, name, key)
                for key, value in own.items()
                if isinstance(value, Estimate)
            },
        )

    time = all_known(project.time, "time")
    if not practice:
        time = replace(time, practice=Estimate(1.0, 1.0, 1.0, at_most_one=True))
    return replace(
        project,
        task_times=tuple(
            replace(row, average=known_time(row)) for row in project.task_times
        ),
        drying=all_known(project.drying, "drying"),
        checking=all_known(project.checking, "checking"),
        outcomes=all_known(project.outcomes, "outcomes"),
        time=time,
    )


# --- worlds --------------------------------------------------------------------------------------


def _as_assumed(_: Plan, drawn: Replication, __: np.random.Generator) -> Replication:
    return drawn


def _heavy_tails(plan: Plan, drawn: Replication, lucky: np.random.Generator) -> Replication:
    """Good and bad weeks of the same spread, from a t distribution with 3 degrees of freedom."""
    spread = plan.project.time.week_spread.likely
    factor = drawn.week_factor.copy()
    t = lucky.standard_t(3.0, size=factor.shape).clip(-_HEAVIEST, _HEAVIEST)
    practised = list(PRACTISED_STAGES)
    factor[practised] = np.exp(spread * t[practised])
    return replace(drawn, week_factor=factor)


def _step(plan: Plan, drawn: Replication, lucky: np.random.Generator) -> Replication:
    """Cleaning is slower or faster for good, from six weeks before half of the items are done."""
    half = _played(plan, drawn, Telling()).as_of(0.5)
    week = int(drawn.week_of_day[plan.project.day_number(half)]) + 1 - _STEP_BEFORE
    factor = drawn.week_factor.copy()
    factor[Stage.CLEANING, max(0, week) :] *= math.exp(_STEP * lucky.choice((-1.0, 1.0)))
    return replace(drawn, week_factor=factor)


_OF_AN_ITEM = (
    "mould",
    "red_rot",
    "images",
    "applies",
    "base_seconds",
    "again_seconds",
    "again_images",
    "rejections",
    "rounds",
    "round_days",
    "set_aside",
    "not_imaged",
)


def _long_runs(plan: Plan, drawn: Replication, lucky: np.random.Generator) -> Replication:
    """Items of one condition lie together, forty in a row, whatever box they are in."""
    order = np.arange(len(drawn.arrival))
    for cell in range(len(plan.cells)):
        own = np.flatnonzero(plan.cell_of_item == cell)
        alike = own[np.argsort(2 * drawn.mould[own] + drawn.red_rot[own], kind="stable")]
        runs = [alike[at : at + _LONG_RUN] for at in range(0, len(alike), _LONG_RUN)]
        order[own] = np.concatenate([runs[n] for n in lucky.permutation(len(runs))])
    return replace(drawn, **{name: getattr(drawn, name)[order] for name in _OF_AN_ITEM})


WORLDS: Mapping[str, World] = {
    world.what: world
    for world in (
        World(_ASSUMED, _as_assumed),
        World("heavy-tailed weeks", _heavy_tails),
        World("a step six weeks before", _step, progress=(0.5,)),
        World("misbooked hours", _as_assumed, Telling(misbooked=0.15, quarter_hours=True)),
        World("boxes in long runs", _long_runs),
        World("nobody gets faster", _as_assumed, practice=False),
        World("estimates that err apart", _as_assumed, together=0.0),
    )
}


# --- forecasts and their scores ------------------------------------------------------------------


@dataclass(frozen=True)
class Scored:
    """One forecast of one quantity against what came.

    Attributes:
        world, index: which truth.
        progress: where it was made.
        quantity: one of QUANTITIES.
        place: of what came among the draws, from 0 to 1, ties drawn.
        crps: of the forecast and of each rival, in days or items.
    """

    world: str
    index: int
    progress: float
    quantity: str
    place: float
    crps: tuple[float, ...]

    def held(self, level: float) -> bool:
        """Whether the central range held what came."""
        return abs(self.place - 0.5) <= level / 2.0


def plain(
    project: Project, history: History, as_of: date, seed: int, replications: int = 200
) -> Futures:
    """A forecaster that learns nothing from returns: the plan, as if nothing was done yet."""
    del history
    return replicate.simulate(
        project, as_of, replications, seed, workers=1, progress=False, standstill=False
    )


def crps(draws: NDArray[Any], actual: float) -> float:
    """Continuous ranked probability score of equally likely draws, in their unit; 0 is perfect.

    E|X - y| - E|X - X'| / 2 over the draws themselves (Gneiting and Raftery 2007, equation 21).

    >>> crps(np.array([1.0, 3.0]), 3.0)
    0.5
    """
    ordered = np.sort(np.asarray(draws, dtype=float))
    n = len(ordered)
    weights = 2.0 * np.arange(1, n + 1) - n - 1.0
    return float(np.abs(ordered - actual).mean() - (weights @ ordered) / (n * n))


def _place(draws: NDArray[Any], actual: float, lucky: np.random.Generator) -> float:
    below, equal = int((draws < actual).sum()), int((draws == actual).sum())
    return float((below + lucky.random() * (equal + 1)) / (len(draws) + 1))


def _through_files(returns: Iterable[WeeklyReturn], project: Project) -> Iterator[WeeklyReturn]:
    """Each return as it is read from the files that were written of it."""
    with TemporaryDirectory() as folder:
        for told in returns:
            place = Path(folder) / told.week.isoformat()
            return_files.write_return(told, place)
            yield return_files.read_return(place, project)


def _one_truth(
    project: Project,
    forecaster: Forecaster,
    seed: int,
    task: tuple[str, int],
    *,
    knowing: bool = False,
) -> list[Scored]:
    """All forecasts of one truth."""
    what, index = task
    world = WORLDS[what]
    truth = truth_of(project, world, seed, index)
    given = truth.plan.project if knowing else project
    on_file = History.of(_through_files(truth.returns, project))
    scored = []
    for progress in world.progress:
        day = truth.as_of(progress)
        history = on_file.up_to(day)
        # Another seed than that of the truths, whose luck nobody may know.
        futures = forecaster(given, history, day, 1_000_003 * (seed + 1) + index)
        others = _rivals(project, history, luck.stream(seed, index, "rivals", what, str(progress)))
        ties = luck.stream(seed, index, "ties", what, str(progress))
        for quantity, actual in _came(truth, day).items():
            draws = _drawn(futures, day, quantity)
            scores = (crps(each, actual) for each in (draws, *(o[quantity] for o in others)))
            place = _place(draws, actual, ties)
            scored.append(Scored(what, index, progress, quantity, place, tuple(scores)))
    return scored


def _came(truth: Truth, day: date) -> dict[str, float]:
    """What came of each quantity after a date."""
    finish = truth.came_to.finish_day
    done = truth.done_by(day)
    came = {"finish": float(truth.plan.project.days if finish == NOT_BY_HORIZON else finish)}
    for quantity, weeks in _WEEKS_AHEAD.items():
        came[quantity] = float(truth.done_by(day + timedelta(weeks=weeks)) - done)
    return came


def _drawn(futures: Futures, day: date, quantity: str) -> NDArray[Any]:
    """What each future came to after a date; later than the horizon is the horizon."""
    project = futures.project
    if quantity == "finish":
        finish = futures.finish_day
        return np.where(finish == NOT_BY_HORIZON, project.days, finish)
    at = project.day_number(day)
    ahead = min(at + 7 * _WEEKS_AHEAD[quantity], project.days - 1)
    before = futures.done_by_day[:, at] if at >= 0 else 0
    return np.asarray(futures.done_by_day[:, ahead] - before)


def _rivals(
    project: Project, history: History, lucky: np.random.Generator
) -> tuple[dict[str, Floats], ...]:
    """What each of RIVALS draws for each quantity, from what the returns tell."""
    weekly, left = _done_each_week(project, history)
    last = history.last_day
    assert last is not None
    days = project.day_number(last)
    weeks = max(*_WEEKS_AHEAD.values(), (project.days - days) // 7)
    drawn = []
    for future in (
        rivals.average_pace(weekly, left, weeks),
        rivals.past_weeks(weekly, left, weeks, _RIVAL_DRAWS, lucky),
    ):
        until = rivals.weeks_to_finish(future, left)
        finish = np.where(until == NOT_BY_HORIZON, project.days, days + 7 * until)
        own = {"finish": np.minimum(finish, project.days).astype(float)}
        for quantity, ahead in _WEEKS_AHEAD.items():
            own[quantity] = future[:, ahead - 1].astype(float)
        drawn.append(own)
    return tuple(drawn)


def _done_each_week(project: Project, history: History) -> tuple[list[int], int]:
    """Items done in each week on record, and how many are left."""
    weekly, left = [], project.total_items
    for told in history.returns:
        ended = [
            row
            for row in told.counts
            if row.stage is Stage.REBOXING or row.outcome in ("set-aside", "not-imaged")
        ]
        left -= sum(row.items or 0 for row in ended)
        weekly.append(sum(row.items or 0 for row in ended if row.outcome != "set-aside"))
    return weekly, left


def run(
    project: Project,
    forecaster: Forecaster,
    runs: int = 300,
    other_runs: int | None = None,
    seed: int = 1,
    workers: int | None = None,
    worlds: Sequence[str] = tuple(WORLDS),
    *,
    progress: bool = True,
    knowing: bool = False,
    done: Collection[tuple[str, int]] = (),
    tell: Callable[[Sequence[Scored]], None] | None = None,
) -> list[Scored]:
    """Forecast many truths, and score all forecasts.

    Args:
        project: as planned.
        forecaster: project, returns up to the as-of date, that date and a seed to futures. With
            more than one worker it must be picklable.
        runs: truths of the world that the model assumes.
        other_runs: truths of each other world; None: as many.
        seed: of the truths; forecasts have seeds of their own.
        workers: processes; None: as many as there are processors. 1: this one.
        worlds: names in WORLDS.
        progress: show a bar on standard error.
        knowing: give the forecaster the true project, to see what could be reached at best.
        done: worlds and truths that were scored before, and are left out.
        tell: is told the scores of each truth as soon as there are some.

    Returns:
        In the order of worlds, truths, progress and quantities, however many work.
    """
    others = runs if other_runs is None else other_runs
    tasks = [
        (what, index)
        for what in worlds
        for index in range(runs if what == _ASSUMED else others)
        if (what, index) not in done
    ]
    one = partial(_one_truth, project, forecaster, seed, knowing=knowing)
    number = min(workers or os.cpu_count() or 1, len(tasks))
    bar = partial(tqdm, total=len(tasks), unit="truth", disable=not progress, leave=False)
    with ExitStack() as until_done:
        each_truth: Callable[..., Iterable[list[Scored]]] = map
        if number > 1:  # in the order of the tasks, whoever was faster
            pool = ProcessPoolExecutor(number, multiprocessing.get_context("spawn"))
            each_truth = until_done.enter_context(pool).map
        found: list[Scored] = []
        for scored in bar(each_truth(one, tasks)):
            found += scored
            if tell is not None:
                tell(scored)
        return found


# --- what it comes to ----------------------------------------------------------------------------


def accepted(number: int, level: float, share: float = _ACCEPTED) -> tuple[float, float]:
    """Between which shares coverage lies with 99.8 %, if the ranges are true (binomial).

    >>> [round(each, 3) for each in accepted(300, 0.8)]
    [0.727, 0.867]
    """
    tail = (1.0 - share) / 2.0
    low, high = (float(binom.ppf(each, number, level)) for each in (tail, 1.0 - tail))
    return low / number, high / number


def coverage(scored: Sequence[Scored], level: float) -> float:
    """Share of ranges that held what came."""
    return sum(each.held(level) for each in scored) / len(scored)


def ratio(scored: Sequence[Scored], seed: int = 1) -> tuple[float, float, float]:
    """Mean CRPS over that of the better rival, with a 95 % interval; infinite if that is 0.

    The better rival is the one with the smaller mean over all truths. Truths are drawn again with
    replacement, with the scores of all three (Efron's percentile interval, 2,000 times).

    Args:
        scored: of one quantity at one progress.
        seed: of the interval.
    """
    scores = np.array([each.crps for each in scored])
    lucky = np.random.default_rng(seed)
    again = lucky.integers(len(scores), size=(_BOOTSTRAPS, len(scores)))

    def of(means: Floats) -> Floats:
        better = np.asarray(means[..., 1:].min(axis=-1), dtype=float)
        over = np.full(better.shape, math.inf)
        np.divide(means[..., 0], better, out=over, where=better > 0.0)
        return over

    # Order statistics: between two infinite values there is no other.
    drawn = np.sort(of(scores[again].mean(axis=1)))
    low, high = drawn[[_BOOTSTRAPS // 40, _BOOTSTRAPS - 1 - _BOOTSTRAPS // 40]]
    return float(of(scores.mean(axis=0))), float(low), float(high)


def table(scored: Sequence[Scored]) -> str:
    """Coverage and CRPS by world, progress and quantity, as Markdown."""
    lines = []
    for world in dict.fromkeys(each.world for each in scored):
        own = [each for each in scored if each.world == world]
        lines += [f"**{world}** ({len({each.index for each in own})} truths)", "", _HEAD, _RULE]
        for progress in dict.fromkeys(each.progress for each in own):
            for quantity in QUANTITIES:
                cell = [e for e in own if (e.progress, e.quantity) == (progress, quantity)]
                lines += [_line(f"{100 * progress:.0f} %", quantity, cell)] if cell else []
        for quantity in QUANTITIES:
            every = [e for e in own if e.quantity == quantity]
            lines += [_line("all", quantity, every)] if every else []
        lines += [_line("all", "all", own), ""]
    return "\n".join(lines)


_HEAD = (
    "| done | quantity | 50 % | 80 % | accepted | 95 % | CRPS | average pace | past weeks | "
    "of the better | 95 % interval |"
)
_RULE = "|---|---|---|---|---|---|---|---|---|---|---|"


def _line(done: str, quantity: str, cell: Sequence[Scored]) -> str:
    held = [f"{100 * coverage(cell, level):.0f}" for level in LEVELS]
    low, high = (f"{100 * each:.0f}" for each in accepted(len(cell), 0.8))
    # Forecasts of one truth are not independent: no binomial range for what is pooled.
    within = f"{low}-{high}" if done != "all" else ""
    shown = [*held[:2], within, held[2]]
    if quantity == "all":  # days and items have no common mean
        return f"| {' | '.join([done, quantity, *shown, *[''] * 5])} |"
    scores = np.array([each.crps for each in cell])
    means = [f"{scores[:, forecaster].mean():.1f}" for forecaster in range(scores.shape[1])]
    of_better, least, most = map(_shown, ratio(cell))
    shown += [*means, of_better, f"{least}-{most}"]
    return f"| {' | '.join([done, quantity, *shown])} |"


def shortfalls(scored: Sequence[Scored]) -> list[str]:
    """What is not as it should be, in words; nothing where all is.

    In the world that the model assumes: the coverage of 80 % ranges lies in its 99.8 % binomial
    range in each cell, and pooled between 76 and 84 %; where a quarter of the items is done, the
    CRPS is at most 0.6 of the better rival's, and so is its interval. In each other world every
    cell's coverage is above 60 %.
    """
    found = []
    for (world, progress, quantity), cell in _cells(scored).items():
        place = f"{world}, {100 * progress:.0f} % done, {quantity}"
        held = coverage(cell, 0.8)
        low, high = accepted(len(cell), 0.8)
        if world != _ASSUMED:
            if held <= _LEAST_ELSEWHERE:
                found.append(f"{place}: 80 % ranges held {100 * held:.0f} %")
            continue
        if not low <= held <= high:
            found.append(
                f"{place}: 80 % ranges held {100 * held:.0f} %, not {100 * low:.0f} to "
                f"{100 * high:.0f} %"
            )
        of_better, _, most = ratio(cell)
        if progress == _JUDGED_AT and max(of_better, most) > _MOST_OF_RIVAL:
            found.append(f"{place}: CRPS {of_better:.2f} of the better rival's, up to {most:.2f}")
    assumed = [each for each in scored if each.world == _ASSUMED]
    pooled = coverage(assumed, 0.8) if assumed else 0.8
    if not _POOLED[0] <= pooled <= _POOLED[1]:
        found.append(f"{_ASSUMED}, pooled: 80 % ranges held {100 * pooled:.1f} %, not 76 to 84 %")
    return found


def _cells(scored: Sequence[Scored]) -> dict[tuple[str, float, str], list[Scored]]:
    cells: dict[tuple[str, float, str], list[Scored]] = {}
    for each in scored:
        cells.setdefault((each.world, each.progress, each.quantity), []).append(each)
    return cells


def _shown(over: float) -> str:
    """A ratio to read; where a rival is hardly ever wrong it says nothing."""
    return f"{over:.2f}" if over < 100.0 else "over 99"


# --- nothing varies ------------------------------------------------------------------------------


def without_variation(slower: float = 1.2) -> tuple[Project, Truth]:
    """A project in which only minutes are uncertain, and a truth in which nothing varies.

    No scatter, no good and bad weeks, no absence, no practice; all shifts are worked whole, and the
    survey has looked at every item. The minutes really are ``slower`` times the likely ones. Then
    the hours of work that are left follow from the returns, and whoever counts clothing and
    clearing twice, or not at all, is found out.

    Returns:
        The project as planned, and the truth.
    """
    plan = made_up_project()
    one, none = Estimate(1.0, 1.0, 1.0, at_most_one=True), Estimate.known(0.0)
    never = Estimate(0.0, 0.0, 0.0, at_most_one=True)
    shares = {Mould.NONE: 25, Mould.INACTIVE: 35, Mould.ACTIVE: 15}
    planned = replace(
        plan,
        survey=tuple(
            SurveyRow(Category(row.material, mould, red_rot=False), items, row.series)
            for row in plan.collection
            for mould, items in shares.items()
        ),
        task_times=tuple(_without_scatter(row) for row in plan.task_times),
        drying=Drying(still_damp=never),
        checking=replace(plan.checking, share_checked=1.0, reject_share=never),
        outcomes=Outcomes(never, never, plan.outcomes.counts_as_done),
        time=replace(
            plan.time,
            delivered_share=one,
            absence_days_a_year=none,
            practice=one,
            week_spread=none,
        ),
    )
    really = replace(
        planned,
        task_times=tuple(
            replace(
                row,
                average=Estimate.known(
                    row.average.likely * (1.0 if row.stage is Stage.DRYING else slower)
                ),
            )
            for row in planned.task_times
        ),
    )
    true_plan = luck.plan(really)
    return planned, _played(true_plan, luck.replication(true_plan, 1, 0), Telling())


def _without_scatter(row: TaskTime) -> TaskTime:
    """Days of drying are known, minutes are not."""
    average = Estimate.known(row.average.likely) if row.stage is Stage.DRYING else row.average
    return replace(row, average=average, scatter=0.0)


def hours_ratio(
    forecaster: Forecaster, progress: float = 0.5, seed: int = 1, slower: float = 1.2
) -> float:
    """Forecast hours in sessions that are left, over true ones, where nothing varies.

    Args:
        forecaster: as for :func:`run`.
        progress: share of the items done when the forecast is made.
        seed: of the forecast.
        slower: true minutes over likely ones.
    """
    planned, truth = without_variation(slower)
    day = truth.as_of(progress)
    history = History.of(truth.returns).up_to(day)
    futures = forecaster(planned, history, day, seed)
    week = futures.weeks.index(day - timedelta(days=6)) + 1
    return float(
        futures.weekly_hours[:, week:].sum(axis=(1, 2)).mean()
        / truth.came_to.weekly_hours[week:].sum()
    )
