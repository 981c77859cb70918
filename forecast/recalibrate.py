"""From what is on record to a forecast: what is believed, where everything is, and on from there.

Refitted from scratch each time, so that a correction of an early week is in everything after it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from forecast import beginning, ledger, luck, replicate
from forecast.belief import Belief, Learning
from forecast.choices import DEFAULT_MODEL, DEFAULT_REPLICATIONS, DEFAULT_SEED
from forecast.diary import hours_by_week
from forecast.estimates import Estimate
from forecast.history import History
from forecast.outcome import Futures
from forecast.planning import Knowledge, Learnt
from forecast.project import Project
from forecast.replicate import one_record, simulate
from forecast.stages import Stage
from forecast.units import SECONDS_PER_HOUR

__all__ = ["default_as_of", "forecast", "in_words", "known", "learnt", "one_future"]

_TRIAL_FUTURES = 20  # to see how much of their shifts people wait for work
_TRIAL_SEED = 1
_LEAST_FELT = 0.05

Floats = NDArray[np.float64]


def default_as_of(project: Project, history: History) -> date:
    """The Sunday of the last recorded week; without one, the day before the grant's start (R19)."""
    return history.last_day or project.default_as_of()


@dataclass(frozen=True)
class _Trial:
    """What simulated people do, where the record does not tell.

    Attributes:
        busy: by Monday, the share of time on shift that is spent in sessions.
        sessions_an_hour: by stage, sessions begun in an hour of sessions.
        shows: the delivered share that this is simulated at, and how much of a change of it shows
            in the hours that are worked: where limits end people's work, little.
    """

    busy: Mapping[date, float]
    sessions_an_hour: Mapping[Stage, float]
    shows: tuple[float, float]


@dataclass(frozen=True)
class _Played:
    """Sums over some futures. W weeks.

    Attributes:
        worked, on_shift: (W,) seconds in sessions, and on shift.
        sessions, at_stage: (9,) sessions, and seconds in them.
        weeks: whole ones before any of the futures ended.
    """

    worked: Floats
    on_shift: Floats
    sessions: Floats
    at_stage: Floats
    weeks: int


def _played(project: Project, belief: Belief | None, share: float) -> _Played:
    """Play the project from its start a few times, with what is believed but the share."""
    time = replace(project.time, delivered_share=Estimate.known(share))
    plan = luck.plan(replace(project, time=time), 0, Knowledge(None, belief))
    every = []
    for index in range(_TRIAL_FUTURES // 2):
        drawn, rows = one_record(plan, _TRIAL_SEED, index)
        every.append(hours_by_week(rows, drawn))
    return _Played(
        np.sum([work.by_person.sum(axis=1) for work in every], axis=0, dtype=float),
        np.sum([work.on_shift.sum(axis=1) for work in every], axis=0, dtype=float),
        np.sum([work.sessions.sum(axis=0) for work in every], axis=0, dtype=float),
        np.sum([work.by_stage.sum(axis=0) for work in every], axis=0, dtype=float),
        min(int(np.flatnonzero(work.on_shift.any(axis=1)).max(initial=0)) for work in every),
    )


def _trial(project: Project, belief: Belief | None, as_of: date) -> _Trial:
    """Play the project with two delivered shares and the same luck."""
    estimate = project.time.delivered_share
    shares = estimate.quantile(0.2), estimate.quantile(0.8)
    low, high = (_played(project, belief, share) for share in shares)
    worked, on_shift = low.worked + high.worked, low.on_shift + high.on_shift
    busy = np.full(worked.shape, math.nan)
    np.divide(worked, on_shift, out=busy, where=on_shift > 0.0)
    monday = project.grant.start - timedelta(days=project.grant.start.weekday())
    at_stage, sessions = low.at_stage + high.at_stage, low.sessions + high.sessions
    weeks = slice(0, max(1, min(low.weeks, high.weeks, (as_of - monday).days // 7 + 1)))
    sums = low.worked[weeks].sum(), high.worked[weeks].sum()
    felt = 1.0
    if shares[1] > shares[0] and min(sums) > 0.0:
        felt = math.log(sums[1] / sums[0]) / math.log(shares[1] / shares[0])
    return _Trial(
        {
            monday + timedelta(weeks=week): float(each)
            for week, each in enumerate(busy)
            if not math.isnan(each)
        },
        {
            stage: float(sessions[stage] * SECONDS_PER_HOUR / at_stage[stage])
            for stage in Stage
            if at_stage[stage] > 0
        },
        (math.sqrt(shares[0] * shares[1]), min(max(felt, _LEAST_FELT), 1.0)),
    )


def _counting(history: History, as_of: date) -> History:
    """The returns that count (R19), so that the order of their rows changes no sum's last digit."""
    return History(tuple(told.in_order() for told in history.up_to(as_of).returns))


def learnt(project: Project, history: History, as_of: date) -> Belief:
    """What the returns up to a date make of the project's estimates.

    How long people wait for work, and how many sessions an hour of work has, follow from what is
    believed; so a first belief plays the past a few times, and a second one rests on that.

    Args:
        project: the project.
        history: all returns; later ones are left out.
        as_of: the date.
    """
    on_file = _counting(history, as_of)
    learning = Learning(luck.plan(project), on_file, as_of)
    # In the first belief no hours are taken for time that never reached the stages: people may have
    # waited for work instead.
    first = learning.belief(busy={}, roughly=True)
    if not on_file.returns:
        return first
    trial = _trial(project, first, as_of)
    return learning.belief(trial.busy, trial.sessions_an_hour, trial.shows)


def known(project: Project, history: History, as_of: date) -> Knowledge:
    """What is believed on a date, and where everything is.

    Raises:
        InputError: the returns contradict the project.
    """
    on_file = _counting(history, as_of)
    belief = learnt(project, on_file, as_of)
    sums = ledger.of(project, on_file)
    known_to = max(as_of, sums.last_day or as_of, project.default_as_of())
    where = beginning.of(luck.plan(project, project.day_number(known_to) + 1), sums)
    return Knowledge(where, belief)


def in_words(project: Project, knowledge: Knowledge) -> tuple[Learnt, ...]:
    """Each figure that the returns speak of, before and after."""
    if not isinstance(knowledge.belief, Belief):
        return ()
    return knowledge.belief.learnt(luck.plan(project))


def forecast(
    project: Project,
    history: History,
    as_of: date | None = None,
    replications: int = DEFAULT_REPLICATIONS,
    seed: int = DEFAULT_SEED,
    workers: int | None = None,
    executor: Executor | None = None,
    progress: bool = True,
    standstill: bool = True,
    model: str = DEFAULT_MODEL,
    knowledge: Knowledge | None = None,
) -> Futures:
    """A forecast from what is on record; without any return, the plain forecast of the plan.

    Arguments as :func:`forecast.replicate.simulate`, but for ``history``, all returns on record, of
    which those that do not count on the as-of date are left out; and ``knowledge``, which is
    :func:`known` of the same where that was worked out before.

    Raises:
        InputError: an argument is out of its range, or the returns contradict the project.
    """
    day = default_as_of(project, history) if as_of is None else as_of
    on_file = history.up_to(day).returns
    if knowledge is None:
        knowledge = _known_if_told(project, history, day)
    futures = simulate(
        project,
        day,
        replications,
        seed,
        workers,
        executor,
        progress,
        standstill,
        model,
        knowledge=knowledge,
    )
    if not on_file or knowledge is None:
        return futures
    return replace(
        futures,
        weeks_on_record=len(on_file),
        last_week=on_file[-1].week,
        learnt=in_words(project, knowledge),
    )


def one_future(
    project: Project,
    history: History,
    as_of: date | None = None,
    seed: int = DEFAULT_SEED,
    index: int = 0,
    model: str = DEFAULT_MODEL,
) -> tuple[luck.Plan, luck.Replication, NDArray[np.int64]]:
    """One of the futures that :func:`forecast` with the same arguments sees, to look at.

    Returns:
        The plan, the future's luck, and its event record.

    Raises:
        InputError: as :func:`forecast`.
    """
    day = default_as_of(project, history) if as_of is None else as_of
    knowledge = _known_if_told(project, history, day)
    return replicate.one_future(project, day, seed, index, model, knowledge)


def _known_if_told(project: Project, history: History, as_of: date) -> Knowledge | None:
    return known(project, history, as_of) if history.up_to(as_of).returns else None
