"""Plans side by side: the same futures under each, so that what differs is the plans and not luck.

Under every plan the same number of a replication meets the same items, illnesses and rejects
(common random numbers). What plans have in common is drawn once (:class:`forecast.luck.Shared`).
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, fields, replace
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forecast import luck
from forecast.choices import DEFAULT_SEED
from forecast.outcome import NOT_BY_HORIZON, Outcome
from forecast.planning import Knowledge
from forecast.progress import Tell
from forecast.project import Project
from forecast.replicate import Job, job_of, outcome_of, prepare
from forecast.stages import N_PLACES, N_STAGES
from forecast.units import SECONDS_PER_HOUR

__all__ = ["Taken", "side_by_side", "together"]

# Futures that a worker takes at a time, all plans together: few, so that stopping and telling need
# hardly wait. One future is run under all plans at once, so that its luck is drawn once.
_IN_A_BATCH = 8
_OFTEN = 0.2  # seconds between two questions whether to stop

Ints = NDArray[np.int64]
Counts = NDArray[np.int32]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Taken:
    """R futures of one plan; the same place meets the same luck under every plan.

    All are as in :class:`forecast.outcome.Futures`, and D days from the grant's start.

    Attributes:
        project: the plan.
        first_day: number of the first simulated day.
        end_day: of the grant's end as agreed on the as-of date.
        finish_day: (R,) -1: not by the horizon.
        done_by_end: (R,) items that count as done by the end of the grant's last day.
        promise_day: (R,) the first day at whose end the promise is kept; -1: never.
        done_by_day: (R, D), or None where it was not asked for.
        exposure_hours: (R,) of all persons together, from the first simulated day on.
        place_busy: (R, 5).
        waiting_days, waiting_items: (R, 9).
        images: (R,).
    """

    project: Project
    first_day: int
    end_day: int
    finish_day: Counts
    done_by_end: Counts
    promise_day: Counts
    done_by_day: Counts | None
    exposure_hours: Floats
    place_busy: Floats
    waiting_days: Floats
    waiting_items: Floats
    images: Ints

    @property
    def replications(self) -> int:
        """How many futures there are."""
        return len(self.finish_day)

    def joined(self, other: Taken) -> Taken:
        """These futures and then others of the same plan.

        Raises:
            ValueError: the others are of another plan, or begin on another day; or only one of the
                two tells of every day.
        """
        same = (self.first_day, self.end_day) == (other.first_day, other.end_day)
        if not same or self.project != other.project:
            raise ValueError("only futures of one plan from one day can be joined")
        if (self.done_by_day is None) != (other.done_by_day is None):
            raise ValueError("futures with and without every day cannot be joined")
        pairs = {name: (getattr(self, name), getattr(other, name)) for name in _arrays(self)}
        both: dict[str, Any] = {name: np.concatenate(pair) for name, pair in pairs.items()}
        return replace(self, **both)

    def first(self, number: int) -> Taken:
        """The first so many of the futures, or all if there are no more."""
        some: dict[str, Any] = {name: getattr(self, name)[:number] for name in _arrays(self)}
        return replace(self, **some)


def _arrays(taken: Taken) -> list[str]:
    """The fields with a place for each future."""
    return [f.name for f in fields(Taken) if isinstance(getattr(taken, f.name), np.ndarray)]


def side_by_side(
    projects: Sequence[Project],
    indices: range,
    *,
    as_of: date | None = None,
    seed: int = DEFAULT_SEED,
    knowledge: Knowledge | None = None,
    workers: int | None = None,
    by_day: bool = True,
    tell: Tell | None = None,
    stop: Callable[[], bool] | None = None,
) -> list[Taken]:
    """Simulate the same futures under several plans.

    For each plan the results are those of :func:`forecast.replicate.simulate` with the same seed,
    whatever the other plans, and whatever the number of workers.

    Args:
        projects: the plans, one or more.
        indices: numbers of the replications, from 0; more can be run later and joined.
        as_of: as :func:`forecast.replicate.simulate` takes it.
        seed: likewise.
        knowledge: likewise: what is known by then, the same for all plans.
        workers: threads; None: as many as the machine has processors.
        by_day: also keep the items done by each day, which takes most of the memory.
        tell: is told, from the calling thread, how many futures are done and of how many, all
            plans together; at the beginning, and then with each step.
        stop: is asked now and then, from the calling thread, whether to stop. What is then
            returned are the first futures that are done under all plans: it may be none.

    Returns:
        A plan after the other, as given.

    Raises:
        InputError: an argument is out of its range, in plain words.
    """
    jobs = [
        job_of(project, as_of, len(indices), seed, workers, knowledge=knowledge)
        for project in projects
    ]
    return together(jobs, indices, workers=workers, by_day=by_day, tell=tell, stop=stop)


def together(
    jobs: Sequence[Job],
    indices: range,
    *,
    workers: int | None = None,
    by_day: bool = True,
    tell: Tell | None = None,
    stop: Callable[[], bool] | None = None,
) -> list[Taken]:
    """As :func:`side_by_side`, where each plan may have a date and knowledge of its own.

    Args:
        jobs: of :func:`forecast.replicate.job_of`, with the same seed.
        indices: as :func:`side_by_side` takes them.
        workers: likewise.
        by_day: likewise.
        tell: likewise.
        stop: likewise.

    Raises:
        ValueError: the jobs have more than one seed.
    """
    if not jobs:
        return []
    if len({job.seed for job in jobs}) > 1:
        raise ValueError("plans side by side need the same luck: one seed")
    prepare(jobs[0].plan.project)
    run = _Run(jobs, indices, by_day)
    if not run.all_done(workers or os.cpu_count() or 1, tell, stop):
        return [taken.first(run.whole) for taken in run.taken]
    return run.taken


def _room(job: Job, number: int, by_day: bool) -> Taken:
    """Room for so many futures of a plan."""
    project = job.plan.project
    return Taken(
        project=project,
        first_day=job.plan.first_day,
        end_day=project.day_number(project.grant.end_known_on(job.as_of)),
        finish_day=np.empty(number, dtype=np.int32),
        done_by_end=np.empty(number, dtype=np.int32),
        promise_day=np.empty(number, dtype=np.int32),
        done_by_day=np.empty((number, project.days), dtype=np.int32) if by_day else None,
        exposure_hours=np.empty(number),
        place_busy=np.empty((number, N_PLACES)),
        waiting_days=np.empty((number, N_STAGES)),
        waiting_items=np.empty((number, N_STAGES)),
        images=np.empty(number, dtype=np.int64),
    )


def _take(taken: Taken, place: int, outcome: Outcome) -> None:
    """Put one future in its place."""
    done, end = outcome.done_by_day, min(taken.end_day, len(outcome.done_by_day) - 1)
    kept = done >= taken.project.grant.items_promised
    found: dict[str, Any] = {
        "finish_day": outcome.finish_day,
        "done_by_end": done[end] if end >= 0 else 0,
        "promise_day": kept.argmax() if kept[-1] else NOT_BY_HORIZON,
        "exposure_hours": outcome.weekly_exposure.sum() / SECONDS_PER_HOUR,
        "place_busy": outcome.place_busy,
        "waiting_days": outcome.waiting_days,
        "waiting_items": outcome.waiting_items,
        "images": outcome.images,
    }
    if taken.done_by_day is not None:
        found["done_by_day"] = done
    for name, value in found.items():
        getattr(taken, name)[place] = value


class _Run:
    """All plans and futures, and what has come of them so far."""

    def __init__(self, jobs: Sequence[Job], indices: range, by_day: bool) -> None:
        self.jobs, self.indices = jobs, indices
        self.taken = [_room(job, len(indices), by_day) for job in jobs]
        self.done = np.zeros(len(indices), dtype=bool)
        self.stopped = threading.Event()

    @property
    def whole(self) -> int:
        """How many futures, from the first, are done under all plans."""
        return len(self.done) if self.done.all() else int(self.done.argmin())

    def all_done(
        self,
        workers: int,
        tell: Tell | None,
        stop: Callable[[], bool] | None,
    ) -> bool:
        """Run all; whether they were not stopped."""
        places, size = range(len(self.indices)), max(1, _IN_A_BATCH // len(self.jobs))
        batches = [places[at : at + size] for at in places[::size]]
        with ThreadPoolExecutor(max(1, min(workers, len(batches))), "plans") as pool:
            pending = {pool.submit(self._batch, batch) for batch in batches}
            try:
                self._watch(pending, tell, stop)
            except BaseException:
                self.stopped.set()
                raise
            finally:
                if self.stopped.is_set():
                    pool.shutdown(wait=True, cancel_futures=True)
        return not self.stopped.is_set()

    def _watch(
        self,
        pending: set[Future[None]],
        tell: Tell | None,
        stop: Callable[[], bool] | None,
    ) -> None:
        """Wait for all, telling how far they are."""
        plans = len(self.jobs)
        while True:
            if tell is not None:
                tell(plans * int(self.done.sum()), plans * len(self.done))
            if not pending:
                return
            if stop is not None and stop():
                self.stopped.set()
                return
            over, pending = wait(
                pending, None if stop is None else _OFTEN, return_when=FIRST_COMPLETED
            )
            for each in over:
                each.result()

    def _batch(self, places: range) -> None:
        for place in places:
            shared = luck.Shared()
            for job, taken in zip(self.jobs, self.taken, strict=True):
                if self.stopped.is_set():
                    return
                _take(taken, place, outcome_of(job, self.indices[place], shared))
            self.done[place] = True
