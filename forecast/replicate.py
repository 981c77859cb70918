"""Many replications of a project, on any executor; the result does not depend on how many work."""

from __future__ import annotations

import math
import multiprocessing
import os
import pickle
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass, field, replace
from datetime import date
from functools import lru_cache

import numpy as np
from tqdm import tqdm

from forecast import compiled, engine, luck, outcome, walkthrough
from forecast.choices import DEFAULT_MODEL, DEFAULT_REPLICATIONS, DEFAULT_SEED, MODELS, READABLE
from forecast.errors import InputError, Problem
from forecast.outcome import Futures, Gathered, Outcome
from forecast.project import Project

__all__ = ["Job", "job_of", "one_future", "one_record", "outcome_of", "prepare", "simulate"]

# Seconds of a replication, roughly: some in any case, and some for each item. Only the length of
# batches hangs on them.
_SECONDS = {"compiled": (0.001, 4e-6), "readable": (0.01, 3e-4)}

# Threads cost nothing to hand work to, so that Ctrl-C and the progress bar need hardly wait. On an
# executor of strangers, perhaps on another machine, a batch must be worth the way there and back.
_BATCH_HERE = 0.02
_BATCH_ELSEWHERE = 0.25
_BATCH_OF_PROCESSES = 4  # replications; on our own processes

# However short a replication is, there are batches enough for a good number of workers, and none
# so long that the progress bar stands still.
_LEAST_BATCHES = 16
_LONGEST_BATCH = 64

_MANY_ITEMS = 20_000
_FEW_ITEMS = 5_000  # what is drawn of some dozens of futures may be kept: some 30 MB at 1,000 items
_DRAWING = threading.Lock()

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
    model: str = DEFAULT_MODEL,
    knowledge: luck.Knowledge | None = None,
) -> Futures:
    """Simulate many futures of a project from an as-of date.

    Args:
        project: what to simulate.
        as_of: the forecast knows nothing later; the simulation begins on the day after, but not
            before the Monday after the last week on record that counts, nor before the grant's
            start (R19). Default: the Sunday of that week; without a record, the day before the
            grant's start. Never today.
        replications: how many futures, 1 or more.
        seed: 0 or more; the same seed gives the same bytes, whatever the workers.
        workers: how many work at once; None: as many as the machine has processors. They are
            threads of this process with the compiled model, and processes with the readable one.
            Ignored with an executor.
        executor: any ``concurrent.futures.Executor``; it is used and left open.
        progress: show a progress bar on standard error.
        standstill: also work out from which date on the promise can hardly be met.
        model: ``compiled`` or ``readable``; they give the same bytes.
        knowledge: what the returns on record say, up to the as-of date: where everything is, and
            what they make of the estimates.

    Raises:
        InputError: an argument is out of its range, in plain words.
    """
    job = job_of(project, as_of, replications, seed, workers, model, knowledge)
    known, first_day = job.as_of, job.plan.first_day
    _prepare(job)
    with _runner(executor, workers, replications, model, progress) as run:
        outcomes = run(job, range(replications), "Futures")
        futures = outcome.collect(project, known, project.date_of(first_day), seed, outcomes)
        if not standstill:
            return futures
        return replace(futures, no_longer_from=_no_longer_from(futures, job, run))


def _first_day(
    project: Project, as_of: date | None, knowledge: luck.Knowledge | None
) -> tuple[date, int]:
    """The as-of date, and the day number of the first simulated day (R19)."""
    beginning = None if knowledge is None else knowledge.beginning
    last_day = None if beginning is None else beginning.last_day
    before = project.default_as_of() if last_day is None else max(last_day, project.default_as_of())
    known = before if as_of is None else as_of
    return known, project.day_number(max(known, before)) + 1


def one_future(
    project: Project,
    as_of: date | None = None,
    seed: int = DEFAULT_SEED,
    index: int = 0,
    model: str = DEFAULT_MODEL,
    knowledge: luck.Knowledge | None = None,
) -> tuple[luck.Plan, luck.Replication, outcome.Ints]:
    """One of the futures that :func:`simulate` with the same arguments sees, to look at.

    Returns:
        The plan, the future's luck, and its event record.

    Raises:
        InputError: an argument is out of its range, in plain words.
    """
    plan = job_of(project, as_of, 1, seed, None, model, knowledge).plan
    return plan, *one_record(plan, seed, index, model)


def one_record(
    plan: luck.Plan, seed: int, index: int, model: str = DEFAULT_MODEL
) -> tuple[luck.Replication, outcome.Ints]:
    """One future's luck and its event record, to look at.

    Args:
        plan: of the project.
        seed: as that of the forecast.
        index: number of the replication, from 0.
        model: ``compiled`` or ``readable``; they write the same rows.
    """
    if model == READABLE:
        drawn = luck.replication(plan, seed, index)
        return drawn, walkthrough.run(drawn)
    _prepare(Job(plan, seed, model))
    drawn = luck.replication(plan, seed, index)
    return drawn, engine.record(drawn)


@dataclass(frozen=True)
class Job:
    """What all batches of one run have in common.

    Attributes:
        plan: of the project, from the first simulated day on.
        seed, model: as :func:`simulate` takes them.
        as_of: the forecast knows nothing later.
        kept: what was drawn of each future, where it is to be run again with another beginning.
    """

    plan: luck.Plan
    seed: int
    model: str = DEFAULT_MODEL
    as_of: date = date.min
    kept: dict[int, luck.Shared] | None = field(default=None, repr=False, compare=False)


def job_of(
    project: Project,
    as_of: date | None = None,
    replications: int = DEFAULT_REPLICATIONS,
    seed: int = DEFAULT_SEED,
    workers: int | None = None,
    model: str = DEFAULT_MODEL,
    knowledge: luck.Knowledge | None = None,
) -> Job:
    """What :func:`simulate` with the same arguments runs.

    Raises:
        InputError: an argument is out of its range, in plain words.
    """
    known, first_day = _first_day(project, as_of, knowledge)
    _check(project, as_of, replications, seed, workers, model, first_day)
    return Job(luck.plan(project, first_day, knowledge), seed, model, known)


Run = Callable[[Job, Sequence[int], str], Gathered]


def outcome_of(job: Job, index: int, shared: luck.Shared | None = None) -> Outcome:
    """One future, reduced at once: nothing of an item's size is kept or sent anywhere.

    Args:
        job: what is run.
        index: the replication's number.
        shared: as :func:`forecast.luck.replication` takes it.
    """
    project = job.plan.project
    late_after, counted = project.drying.start_within_days, project.outcomes.counts_as_done
    if job.model == READABLE:
        drawn = luck.replication(job.plan, job.seed, index, shared)
        return outcome.reduce_record(walkthrough.run(drawn), drawn, late_after, counted)
    with _turn(project):
        drawn = luck.replication(job.plan, job.seed, index, shared)
    tally = engine.run(drawn, late_after, counted)
    with _turn(project):
        return outcome.settled(tally, drawn)


def _turn(project: Project) -> AbstractContextManager[object]:
    """Whose turn it is to draw: one thread at a time, while others run compiled code.

    Drawing for few items is many short calls. Two threads that both draw take the interpreter from
    each other at each of them: measured, 1.4 times one thread, and 1.8 to 2.0 with turns. For many
    items NumPy's long calls let others run anyway.
    """
    return _DRAWING if project.total_items < _MANY_ITEMS else nullcontext()


def prepare(project: Project) -> None:
    """Compile all that is compiled for this computer, if need be, by trying it on a project."""
    _prepare(Job(luck.plan(project), DEFAULT_SEED, DEFAULT_MODEL))


def _prepare(job: Job) -> None:
    """Compile all that is compiled, if need be: the readable model's record is added up by it."""

    def one_of_each() -> None:
        outcome_of(replace(job, model=DEFAULT_MODEL), 0)
        drawn = luck.replication(job.plan, job.seed, 0)
        outcome.reduce_record(engine.record(drawn), drawn, 0, ())

    compiled.first_use(one_of_each)


# --- who works -----------------------------------------------------------------------------------
#
# Workers never have threads of their own, so that as many as there are processors do not crowd each
# other out: a replication solves no equations, its longest scalar product has an element a day,
# which no linear algebra library splits up, and nothing is compiled to run in parallel.


def _one(job: Job, index: int) -> Outcome:
    if job.kept is None:
        return outcome_of(job, index)
    return outcome_of(job, index, job.kept.setdefault(index, luck.Shared()))


def _batch(job: Job, indices: Sequence[int]) -> list[Outcome]:
    return [_one(job, index) for index in indices]


def _batch_of_parcel(parcel: bytes, indices: Sequence[int]) -> list[Outcome]:
    return _batch(_unpacked(parcel), indices)


@lru_cache(maxsize=2)
def _unpacked(parcel: bytes) -> Job:
    """A job from elsewhere, with what its plan works out at first use: once a worker, not a batch.

    A plan of any number of items is some 40 kB, so that it may come along with each batch.
    """
    job = pickle.loads(parcel)  # noqa: S301  # simulate() has made it; nobody else calls this
    assert isinstance(job, Job)
    return job


def _ignore_interrupt() -> None:
    """Ctrl-C reaches every process of a terminal: the parent alone decides what to do."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


@contextmanager
def _runner(
    executor: Executor | None, workers: int | None, replications: int, model: str, progress: bool
) -> Iterator[Run]:
    """How to run batches: in this process, on an executor of ours, or on the one given."""
    if executor is not None:
        yield _elsewhere(executor, None, progress)
        return
    number = min(workers or os.cpu_count() or 1, max(1, replications // _BATCH_OF_PROCESSES))
    if number == 1:
        yield _here(progress)
        return
    pool: Executor
    if model == READABLE:
        # `spawn` works alike on every system, and starts clean whatever the parent has loaded.
        pool = ProcessPoolExecutor(
            number, multiprocessing.get_context("spawn"), initializer=_ignore_interrupt
        )
        run = _elsewhere(pool, _BATCH_OF_PROCESSES, progress)
    else:
        # Compiled code lets other threads run, and most of NumPy does: no start, nothing to send.
        pool = ThreadPoolExecutor(number)
        run = _on_threads(pool, progress)
    try:
        yield run
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _here(progress: bool) -> Run:
    def run(job: Job, indices: Sequence[int], what: str) -> Gathered:
        gathered = Gathered(len(indices))
        for index in _bar(indices, what, progress):
            gathered.add(_one(job, index))
        return gathered

    return run


def _on_threads(pool: Executor, progress: bool) -> Run:
    def run(job: Job, indices: Sequence[int], what: str) -> Gathered:
        batches = _batches(indices, _batch_size(job, len(indices), _BATCH_HERE))
        pending = [pool.submit(_batch, job, batch) for batch in batches]
        return _in_order(pending, batches, _bar(indices, what, progress))

    return run


def _elsewhere(executor: Executor, size: int | None, progress: bool) -> Run:
    def run(job: Job, indices: Sequence[int], what: str) -> Gathered:
        parcel = pickle.dumps(replace(job, kept=None))  # drawing again is less than sending
        batches = _batches(indices, size or _batch_size(job, len(indices), _BATCH_ELSEWHERE))
        pending = [executor.submit(_batch_of_parcel, parcel, batch) for batch in batches]
        return _in_order(pending, batches, _bar(indices, what, progress))

    return run


def _batch_size(job: Job, replications: int, seconds: float) -> int:
    """How many replications last about so long, in reason."""
    fixed, an_item = _SECONDS[job.model]
    fitting = int(seconds / (fixed + an_item * job.plan.project.total_items))
    return max(1, min(fitting, _LONGEST_BATCH, math.ceil(replications / _LEAST_BATCHES)))


def _batches(indices: Sequence[int], size: int) -> list[Sequence[int]]:
    return [indices[at : at + size] for at in range(0, len(indices), size)]


def _bar(indices: Sequence[int], what: str, progress: bool) -> tqdm[int]:
    return tqdm(indices, desc=what, unit="future", disable=not progress, leave=False)


def _in_order(
    pending: list[Future[list[Outcome]]], batches: Sequence[Sequence[int]], bar: tqdm[int]
) -> Gathered:
    """Outcomes in the order of their indices, so that nothing depends on who was faster."""
    gathered = Gathered(sum(map(len, batches)))
    try:
        with bar:
            for batch, future in zip(batches, pending, strict=True):
                for each in future.result():
                    gathered.add(each)
                bar.update(len(batch))
    except BaseException:
        for future in pending:
            future.cancel()
        raise
    return gathered


def _check(
    project: Project,
    as_of: date | None,
    replications: int,
    seed: int,
    workers: int | None,
    model: str,
    first_day: int,
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
    if first_day >= project.days:
        problems.append(
            Problem(
                "as-of date",
                "",
                (as_of or project.date_of(first_day - 1)).isoformat(),
                f"a date before the horizon ({project.grant.horizon.isoformat()})",
                "Give an earlier date, or a later `horizon` in project.toml.",
            )
        )
    if model not in MODELS:
        problems.append(Problem("model", "", model, " or ".join(MODELS), "Choose one of them."))
    if problems:
        raise InputError(problems)


def _promise_day(futures: Futures) -> outcome.Ints:
    """Day number on which each future reaches the promised items; a day past all if never."""
    kept = futures.done_by_day >= futures.project.grant.items_promised
    return np.where(kept.any(axis=1), kept.argmax(axis=1), futures.project.days)


def _no_longer_from(futures: Futures, whole: Job, run: Run) -> date | None:
    """The first Monday from which the promise can hardly be met by the grant's end, if any.

    All work stands still until that Monday; then fewer than 1 in 20 futures reach the promised
    items by the grant's end. Only the fastest futures can decide that, so only they are simulated
    again, with the same luck and a later beginning, from the same places: what is in quarantine
    or drying goes on meanwhile, so its days may be over by then.
    """
    project, end = futures.project, futures.end_day
    first_day = whole.plan.first_day
    days = _promise_day(futures)
    enough = math.ceil(len(days) / _HARDLY)
    if np.sum(days < first_day) >= enough:
        return None  # it is kept already
    if project.total_items <= _FEW_ITEMS:
        whole = replace(whole, kept={})
    fastest = sorted(np.argsort(days, kind="stable")[: enough + math.ceil(enough / 2)].tolist())
    if np.sum(days <= end) < enough:
        return project.date_of(first_day)

    def met(monday: int) -> bool:
        if monday > end:
            return False
        plan = luck.plan(project, monday, whole.plan.knowledge, first_day)
        job = replace(whole, plan=plan)
        outcomes = run(job, fastest, f"Standing still until {project.date_of(monday).isoformat()}")
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
