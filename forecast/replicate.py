"""Many replications of a project, on any executor; the result does not depend on how many work."""

from __future__ import annotations

import math
import multiprocessing
import os
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from datetime import date

import numpy as np
from tqdm import tqdm

from forecast import luck, outcome, walkthrough
from forecast.errors import InputError, Problem
from forecast.outcome import Futures, Outcome
from forecast.project import Project

__all__ = ["DEFAULT_REPLICATIONS", "DEFAULT_SEED", "one_record", "simulate"]

DEFAULT_REPLICATIONS = 200
DEFAULT_SEED = 1

# A batch is short, so that Ctrl-C and the progress bar do not wait for long.
_BATCH = 4

# "Can hardly be met": in fewer than 1 of 20 futures.
_HARDLY = 20


def simulate(
    project: Project,
    as_of: date | None = None,
    replications: int = DEFAULT_REPLICATIONS,
    seed: int = DEFAULT_SEED,
    workers: int | None = None,
    executor: Executor | None = None,
    progress: bool = True,
    standstill: bool = True,
) -> Futures:
    """Simulate many futures of a project from an as-of date.

    Args:
        project: what to simulate.
        as_of: the forecast knows nothing later; the simulation begins on the day after, but not
            before the grant's start. Default: the day before the grant's start. Never today.
        replications: how many futures, 1 or more.
        seed: 0 or more; the same seed gives the same bytes, whatever the workers.
        workers: processes; None: as many as the machine has processors. Ignored with an executor.
        executor: any ``concurrent.futures.Executor``; it is used and left open.
        progress: show a progress bar on standard error.
        standstill: also work out from which date on the promise can hardly be met.

    Raises:
        InputError: an argument is out of its range, in plain words.
    """
    _check(project, as_of, replications, seed, workers)
    known = project.default_as_of() if as_of is None else as_of
    first_day = max(0, project.day_number(known) + 1)
    with _runner(executor, workers, replications) as run:
        plan = luck.plan(project, first_day)
        outcomes = run(plan, seed, range(replications), progress, "Futures")
        futures = outcome.collect(project, known, project.date_of(first_day), seed, outcomes)
        if not standstill:
            return futures
        return replace(futures, no_longer_from=_no_longer_from(futures, first_day, run, progress))


def one_record(plan: luck.Plan, seed: int, index: int) -> tuple[luck.Replication, outcome.Ints]:
    """One future's luck and its event record, to look at."""
    drawn = luck.replication(plan, seed, index)
    return drawn, walkthrough.run(drawn)


Run = Callable[[luck.Plan, int, Sequence[int], bool, str], list[Outcome]]


def _batch(plan: luck.Plan, seed: int, indices: Sequence[int]) -> list[Outcome]:
    """What one worker does at a time: reduced to outcomes at once, so that records stay small."""
    project = plan.project
    outcomes = []
    for index in indices:
        drawn, rows = one_record(plan, seed, index)
        outcomes.append(
            outcome.reduce_record(
                rows, drawn, project.drying.start_within_days, project.outcomes.counts_as_done
            )
        )
    return outcomes


def _ignore_interrupt() -> None:
    """Ctrl-C reaches every process of a terminal: the parent alone decides what to do."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


@contextmanager
def _runner(executor: Executor | None, workers: int | None, replications: int) -> Iterator[Run]:
    """How to run batches: in this process, on an executor of ours, or on the one given."""
    if executor is not None:
        yield _on(executor)
        return
    number = min(workers or os.cpu_count() or 1, max(1, replications // _BATCH))
    if number == 1:
        yield _here
        return
    # `spawn` works alike on every system, and starts clean whatever the parent has loaded.
    pool = ProcessPoolExecutor(
        number, multiprocessing.get_context("spawn"), initializer=_ignore_interrupt
    )
    try:
        yield _on(pool)
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _here(
    plan: luck.Plan, seed: int, indices: Sequence[int], progress: bool, what: str
) -> list[Outcome]:
    bar = tqdm(indices, desc=what, unit="future", disable=not progress, leave=False)
    return [outcome for index in bar for outcome in _batch(plan, seed, [index])]


def _on(executor: Executor) -> Run:
    def run(
        plan: luck.Plan, seed: int, indices: Sequence[int], progress: bool, what: str
    ) -> list[Outcome]:
        batches = [indices[at : at + _BATCH] for at in range(0, len(indices), _BATCH)]
        pending = [executor.submit(_batch, plan, seed, batch) for batch in batches]
        outcomes: list[Outcome] = []
        try:
            with tqdm(
                total=len(indices), desc=what, unit="future", disable=not progress, leave=False
            ) as bar:
                # In the order of their indices, so that nothing depends on who was faster.
                for future, batch in zip(pending, batches, strict=True):
                    outcomes.extend(future.result())
                    bar.update(len(batch))
        except BaseException:
            for future in pending:
                future.cancel()
            raise
        return outcomes

    return run


def _check(
    project: Project, as_of: date | None, replications: int, seed: int, workers: int | None
) -> None:
    """All arguments that are out of range, in one go."""
    problems = []
    if replications < 1:
        problems.append(
            Problem(
                "replications", "", str(replications), "1 or more", "Leave it out for the default."
            )
        )
    if not 0 <= seed < 2**63:
        problems.append(
            Problem("seed", "", str(seed), "a whole number from 0", "Any such number will do.")
        )
    if workers is not None and workers < 1:
        problems.append(
            Problem("workers", "", str(workers), "1 or more", "Leave it out for all processors.")
        )
    if as_of is not None and as_of >= project.grant.horizon:
        problems.append(
            Problem(
                "as-of date",
                "",
                as_of.isoformat(),
                f"a date before the horizon ({project.grant.horizon.isoformat()})",
                "Give an earlier date, or a later `horizon` in project.toml.",
            )
        )
    if problems:
        raise InputError(problems)


def _promise_day(futures: Futures) -> outcome.Ints:
    """Day number on which each future reaches the promised items; a day past all if never."""
    kept = futures.done_by_day >= futures.project.grant.items_promised
    return np.where(kept.any(axis=1), kept.argmax(axis=1), futures.project.days)


def _no_longer_from(futures: Futures, first_day: int, run: Run, progress: bool) -> date | None:
    """The first Monday from which the promise can hardly be met by the grant's end.

    All work, drying and quarantine stand still until that Monday; then fewer than 1 in 20 futures
    reach the promised items by the grant's end. Only the fastest futures can decide that, so only
    they are simulated again, with the same luck and a later beginning.
    """
    project, end = futures.project, futures.end_day
    days = _promise_day(futures)
    enough = math.ceil(len(days) / _HARDLY)
    fastest = sorted(np.argsort(days, kind="stable")[: enough + math.ceil(enough / 2)].tolist())
    if np.sum(days <= end) < enough:
        return project.date_of(first_day)

    def met(monday: int) -> bool:
        if monday > end:
            return False
        plan = luck.plan(project, monday)
        what = f"Standing still until {project.date_of(monday).isoformat()}"
        outcomes = run(plan, futures.seed, fastest, progress, what)
        kept = [o.done_by_day[end] >= project.grant.items_promised for o in outcomes]
        return bool(sum(kept) >= enough)

    weekday = project.date_of(first_day).weekday()
    mondays = range(first_day + (-weekday) % 7, end + 8, 7)
    # A later beginning moves the day of the promise by about as much: look around there first.
    slack = int(end - np.sort(days)[enough - 1]) // 7
    low, high = -1, len(mondays) - 1
    for guess in (slack - 2, slack + 2):
        at = min(max(guess, low + 1), high - 1)
        if low < at < high:
            low, high = (at, high) if met(mondays[at]) else (low, at)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if met(mondays[middle]) else (low, middle)
    return project.date_of(mondays[high]) if mondays else None
