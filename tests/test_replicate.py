"""Many futures: whatever the workers, the same bytes; and what plans have in common."""

from __future__ import annotations

import os
import pickle
import re
import signal
import subprocess
import sys
from collections.abc import Callable
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from time import monotonic
from typing import Any

import numpy as np
import pytest

from forecast import luck, replicate, results
from forecast.clusters import dask_executor
from forecast.errors import InputError
from forecast.estimates import Estimate
from forecast.events import What
from forecast.exposure import ExposureLimits
from forecast.items import Mould
from forecast.outcome import NOT_BY_HORIZON, Futures, quantile
from forecast.project import Grant, Places, Project, TaskTime, WorkingTime
from forecast.replicate import one_record, simulate
from forecast.stages import Stage
from tests.small_projects import MONDAY, Lot, day, per_item, person, share, small_project

ROOT = Path(__file__).parents[1]


def _uncertain(stage: str, low: float, likely: float, high: float) -> TaskTime:
    average = Estimate(low, likely, high)
    return TaskTime(Stage[stage.upper()], None, None, None, False, average, scatter=0.4)


def _project(**changes: Any) -> Project:
    """Thirty-four items, two people, and much that nobody knows."""
    lots = [
        Lot(6, Mould.ACTIVE, bound=True),
        Lot(8, Mould.INACTIVE, red_rot=True, bound=True),
        Lot(20, material="folder"),
    ]
    tasks = [
        _uncertain("drying", 2, 4, 9),
        _uncertain("covers", 3, 5, 10),
        _uncertain("cleaning", 20, 35, 70),
        _uncertain("imaging", 10, 20, 40),
        _uncertain("reboxing", 2, 5, 9),
    ]
    team = [
        person("AB", "drying;cleaning;covers;imaging;reboxing"),
        person("CD", "imaging;reboxing;cleaning;drying;covers"),
    ]
    changes = {
        "grant": Grant("", MONDAY, day(20), day(90), 30),
        "time": WorkingTime(absence_days_a_year=Estimate(10.0, 20.0, 40.0)),
        **changes,
    }
    return small_project(lots, tasks, team, **changes)


def _simulate(project: Project, replications: int = 16, **how: Any) -> Futures:
    how = {"workers": 1, "progress": False, "standstill": False, **how}
    return simulate(project, replications=replications, **how)


def _bytes(futures: Futures, folder: Path) -> tuple[bytes, bytes]:
    results.write_json(futures, folder / "out.json")
    results.write_draws(futures, folder / "draws.csv")
    return (folder / "out.json").read_bytes(), (folder / "draws.csv").read_bytes()


# --- whatever the workers ----------------------------------------------------------------------


@pytest.fixture(scope="module")
def expected(tmp_path_factory: pytest.TempPathFactory) -> tuple[bytes, bytes]:
    """What sixteen futures come to in this process: nobody else may come to anything else."""
    alone = _bytes(_simulate(_project(), standstill=True), tmp_path_factory.mktemp("alone"))
    assert b'"replications": 16' in alone[0]
    assert alone[1].count(b"\n") > 16 * 9
    return alone


@pytest.mark.parametrize(("model", "workers"), [("compiled", 2), ("readable", 1), ("readable", 2)])
def test_either_model_and_any_number_of_workers_give_the_same_bytes(
    model: str, workers: int, expected: tuple[bytes, bytes], tmp_path: Path
) -> None:
    made = _simulate(_project(), standstill=True, model=model, workers=workers)
    assert _bytes(made, tmp_path) == expected


class _Backwards(Executor):
    """An executor that waits for four batches, and runs the last of them first."""

    def __init__(self) -> None:
        self.waiting: list[tuple[Future[Any], Callable[[], Any]]] = []

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        self.waiting.append((future, lambda: fn(*args, **kwargs)))
        if len(self.waiting) == 4:
            for given, work in reversed(self.waiting):
                given.set_result(work())
            self.waiting.clear()
        return future


@pytest.mark.parametrize("make", [lambda: ThreadPoolExecutor(3), _Backwards])
def test_any_executor_gives_the_same_bytes(make: Callable[[], Executor], tmp_path: Path) -> None:
    project = _project()
    with make() as executor:
        given = _bytes(_simulate(project, 12, executor=executor), tmp_path)
    assert given == _bytes(_simulate(project, 12), tmp_path)


class _Counts(ThreadPoolExecutor):
    """An executor that remembers how much it was given at a time."""

    def __init__(self) -> None:
        super().__init__(2)
        self.lengths: list[int] = []
        self.sizes: list[int] = []

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        self.lengths.append(len(args[-1]))
        self.sizes.append(len(pickle.dumps((fn, args, kwargs))))
        return super().submit(fn, *args, **kwargs)


def test_strangers_get_batches_worth_the_way_but_never_one_huge_batch() -> None:
    def lengths(project: Project, replications: int, model: str) -> list[int]:
        with _Counts() as executor:
            _simulate(project, replications, executor=executor, model=model)
        assert sum(executor.lengths) == replications
        assert max(executor.sizes) < 100_000  # bytes
        return executor.lengths

    assert max(lengths(_project(), 64, "compiled")) == 4  # sixteen batches at least
    assert max(lengths(_project(), 320, "compiled")) == 20
    assert max(lengths(_many_items(3000), 32, "compiled")) == 2
    assert max(lengths(_many_items(3000), 2, "readable")) == 1  # each lasts long by itself


def _many_items(items: int) -> Project:
    tasks = [_uncertain("imaging", 10, 20, 40)]
    return small_project([Lot(items)], tasks, [person("AB", "imaging")])


def test_what_a_worker_hands_back_does_not_grow_with_the_items() -> None:
    def handed_back(items: int) -> int:
        plan = luck.plan(_many_items(items))
        return len(pickle.dumps(replicate.outcome_of(replicate.Job(plan, 1), 0)))

    assert handed_back(4000) - handed_back(40) < 100  # bytes: some numbers are written longer


def test_an_executor_that_was_given_is_left_open() -> None:
    with ThreadPoolExecutor(1) as executor:
        _simulate(_project(), 4, executor=executor)
        assert executor.submit(int, "7").result() == 7


def test_more_futures_begin_with_the_same_ones() -> None:
    few, many = _simulate(_project(), 5), _simulate(_project(), 9)
    assert np.array_equal(few.done_by_day, many.done_by_day[:5])


def test_another_seed_gives_other_futures() -> None:
    one, other = _simulate(_project(), 8), _simulate(_project(), 8, seed=2)
    assert not np.array_equal(one.done_by_day, other.done_by_day)


# As in a terminal: who starts the tests in the background may have told all of them to ignore it.
_SCRIPT = """
import signal
from tests.test_replicate import _project, simulate
if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.default_int_handler)
    simulate(_project(), replications=REPLICATIONS, workers=2, progress=True, model=MODEL)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no SIGINT for another process")
@pytest.mark.parametrize(
    ("model", "replications", "processes"), [("readable", 4000, 2), ("compiled", 40_000, 0)]
)
def test_ctrl_c_ends_it_at_once_and_leaves_no_process_behind(
    model: str, replications: int, processes: int, tmp_path: Path
) -> None:
    psutil: Any = pytest.importorskip("psutil")  # comes with ipykernel
    script = tmp_path / "long run.py"
    text = _SCRIPT.replace("REPLICATIONS", str(replications)).replace("MODEL", repr(model))
    script.write_text(text, encoding="utf-8")
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    command = [sys.executable, str(script)]
    # A session of its own, so that the signal reaches the whole group as a terminal's would.
    with subprocess.Popen(
        command, env=env, cwd=ROOT, stderr=subprocess.PIPE, start_new_session=True
    ) as process:
        assert process.stderr is not None
        seen = b""
        while not re.search(rb" [1-9]\d*/%d" % replications, seen):  # the workers are at work
            read = os.read(process.stderr.fileno(), 65_536)
            assert read, seen.decode()
            seen += read
        children = psutil.Process(process.pid).children(recursive=True)
        assert len(children) >= processes
        os.killpg(process.pid, signal.SIGINT)
        began = monotonic()
        _, rest = process.communicate(timeout=60)
        assert monotonic() - began < 30  # all of them would take minutes
    assert process.returncode not in (0, None)
    assert b"KeyboardInterrupt" in rest
    _, alive = psutil.wait_procs(children, timeout=10)
    assert not alive


# --- several machines --------------------------------------------------------------------------


class _Deadly(Executor):
    """Hands batches on to a cluster, and kills one of its workers once some came back."""

    def __init__(self, given: Executor, pid: int) -> None:
        self.given, self.pid = given, pid
        self.ended = 0
        self.killed_at: int | None = None

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        future = self.given.submit(fn, *args, **kwargs)
        future.add_done_callback(self._one_came_back)
        return future

    def _one_came_back(self, _: Future[Any]) -> None:
        self.ended += 1
        if self.ended == 2:
            os.kill(self.pid, signal.SIGKILL)
            self.killed_at = self.ended


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no SIGKILL")
def test_a_cluster_gives_the_same_bytes_also_when_a_worker_is_killed(
    expected: tuple[bytes, bytes], tmp_path: Path
) -> None:
    distributed: Any = pytest.importorskip("distributed", reason="needs the extra dask")
    with dask_executor("local", 2) as cluster:
        whole = _bytes(_simulate(_project(), standstill=True, executor=cluster), tmp_path)
        assert whole == expected
        pids = distributed.get_client().run(os.getpid)
        assert len(set(pids.values())) == 2
        deadly = _Deadly(cluster, next(iter(pids.values())))
        survived = _bytes(_simulate(_project(), standstill=True, executor=deadly), tmp_path)
    assert survived == expected
    assert deadly.killed_at == 2
    assert deadly.ended > 16  # sixteen batches of one future each, and those of the standstill


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:1", "nonsense"])
def test_a_scheduler_that_does_not_answer_is_told_in_words(
    address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("distributed", reason="needs the extra dask")
    monkeypatch.setattr("forecast.clusters._SECONDS_TO_ANSWER", 1)
    with pytest.raises(InputError, match="answers within 1 seconds"), dask_executor(address):
        raise AssertionError


def test_a_cluster_without_its_package_is_told_in_words(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match="which is not installed"), dask_executor("local"):
        raise AssertionError


# --- arguments ---------------------------------------------------------------------------------


def test_all_wrong_arguments_are_told_in_one_go() -> None:
    with pytest.raises(InputError) as told:
        simulate(_project(), as_of=day(90), replications=0, seed=-1, workers=0, model="fast")
    where = [problem.file for problem in told.value.problems]
    assert where == ["replications", "seed", "workers", "as-of date", "model"]
    for words in (
        "1 or more",
        "a whole number from 0",
        "a date before the horizon",
        "compiled or readable",
    ):
        assert words in str(told.value)


def test_the_as_of_date_is_never_today_unless_given() -> None:
    future = date.today() + timedelta(days=400)  # noqa: DTZ011 - the point is that it is not used
    for start in (MONDAY, date(2011, 3, 1), future):
        end = start + timedelta(days=60)
        made = _simulate(replace(_project(), grant=Grant("", start, end, end, 1)), 1)
        assert made.as_of == start - timedelta(days=1)
        assert made.first_day == start


def test_the_simulation_begins_on_the_day_after_the_as_of_date() -> None:
    made = _simulate(_project(), 2, as_of=day(8))
    assert made.first_day == day(9)
    assert (made.done_by_day[:, :9] == 0).all()
    assert made.done_by_day[:, -1].min() > 0


def test_the_simulation_begins_not_before_the_grants_start() -> None:
    assert _simulate(_project(), 1, as_of=day(-40)).first_day == MONDAY


def test_a_grants_end_that_is_agreed_later_is_not_known_yet() -> None:
    from forecast.project import GrantChange

    grant = replace(_project().grant, changes=(GrantChange(day(10), day(40)),))
    project = _project(grant=grant)
    assert _simulate(project, 1, as_of=day(9)).grant_end == day(20)
    assert _simulate(project, 1, as_of=day(10)).grant_end == day(40)


# --- from when on the end cannot be met --------------------------------------------------------


def _days_of_work(days: int, end: int) -> Project:
    """So many days of eight hours, promised whole by a day number."""
    return small_project(
        [Lot(days)],
        [per_item("reboxing", 480)],
        [person("AB", "reboxing")],
        grant=Grant("", MONDAY, day(end), day(59), days),
    )


@pytest.mark.parametrize(
    ("work", "end", "expected"),
    [
        # Five days, by a Friday: from the Monday of that week it can be met, from the next not.
        (5, 11, 14),
        (5, 25, 28),
        # Six days end on the Monday of the week after the one in which they begin.
        (6, 11, 7),
        (6, 14, 14),
        # No slack: begun on Monday the 5th they are ready on the very day.
        (10, 11, 7),
        # One day's work can wait until the Monday of the last week.
        (1, 53, 56),
        # It cannot be met at all: not even from the first day.
        (11, 11, 0),
    ],
)
def test_the_first_date_from_which_the_grants_end_can_no_longer_be_met(
    work: int, end: int, expected: int
) -> None:
    made = _simulate(_days_of_work(work, end), 1, standstill=True)
    assert made.no_longer_from == day(expected)


def test_an_uncertain_project_can_wait_longer_the_later_its_end() -> None:
    def told(end: int) -> date:
        grant = Grant("", MONDAY, day(end), day(90), 30)
        found = _simulate(_project(grant=grant), 20, standstill=True).no_longer_from
        assert found is not None
        return found

    assert MONDAY <= told(18) < told(46) <= day(46 + 7)


def test_the_date_is_worked_out_only_when_asked_for() -> None:
    assert _simulate(_project(), 1).no_longer_from is None


# --- what plans have in common -----------------------------------------------------------------


def _minutes(project: Project) -> dict[tuple[int, int], int]:
    """Seconds in hand of each clean item and stage, from the record."""
    _, rows = one_record(luck.plan(project), 1, 0)
    in_hand: dict[tuple[int, int], int] = {}
    total: dict[tuple[int, int], int] = {}
    for time, what, stage, item, *_ in rows.tolist():
        if what == What.TAKEN:
            in_hand[item, stage] = time
        elif what in (What.PUT_BACK, What.FINISHED) and (item, stage) in in_hand:
            spent = time - in_hand.pop((item, stage))
            total[item, stage] = total.get((item, stage), 0) + spent
    return total


def test_another_person_changes_no_items_own_minutes() -> None:
    steady = WorkingTime(
        share(1.0), Estimate.known(0.0), 1.0, share(1.0), 100.0, Estimate.known(0.0)
    )
    tasks = [_uncertain("cleaning", 20, 35, 70), _uncertain("imaging", 10, 20, 40)]
    team = [person("AB", "cleaning;imaging")]
    alone = small_project([Lot(12)], tasks, team, time=steady)
    both = replace(alone, team=(person("ZZ", "imaging;cleaning"), *alone.team))
    assert _minutes(alone) == _minutes(both)
    assert len(_minutes(alone)) == 24


def test_lifting_the_limits_where_they_bind_brings_the_median_finish_forward() -> None:
    # In a test only: nothing that people can reach raises a limit to gain time.
    limited = _project(exposure=ExposureLimits(1.5, 2))
    lifted = replace(limited, exposure=ExposureLimits(24.0, 7))
    slow, fast = _simulate(limited, 40), _simulate(lifted, 40)
    assert slow.max_day_exposure.max() == 1.5 * 3600
    assert fast.max_day_exposure.max() > 1.5 * 3600
    assert slow.exposure_days.max() == 2
    assert quantile(fast.finish_day, 0.5) < quantile(slow.finish_day, 0.5)
    assert quantile(slow.finish_day, 0.5) != NOT_BY_HORIZON


def test_without_anybody_who_does_mould_work_mouldy_items_never_leave_their_shelves() -> None:
    project = _project(places=Places(9, 9, 2, 1))
    project = replace(project, team=tuple(replace(row, mould_work=False) for row in project.team))
    made = _simulate(project, 3)
    assert (made.finish_day == NOT_BY_HORIZON).all()
    assert made.outcomes.tolist() == [[20, 0, 0, 0, 14]] * 3
    assert made.weekly_exposure.sum() == 0
    _, rows = one_record(luck.plan(project), 1, 0)
    kinds = rows[:, 1].tolist()
    assert kinds.count(What.SHELF_TAKEN) == 9  # all there are; the other five wait in the store
    assert kinds.count(What.SHELF_FREED) == 0
    assert kinds.count(What.EXPOSURE_BEGINS) == 0


def _last_seconds(project: Project, seed: int, count: int) -> Any:
    """When the last item has left, in seconds, in each future."""
    plan = luck.plan(project)
    last = []
    for index in range(count):
        drawn, rows = one_record(plan, seed, index)
        done = rows[rows[:, 1] == What.DONE, 0]
        assert len(done) == len(drawn.arrival)
        last.append(int(done.max()))
    return np.array(last, dtype=float)


def test_two_plans_on_the_same_items_differ_ten_times_less_than_on_independent_ones() -> None:
    # Common random numbers: Law, Simulation Modeling and Analysis, ch. 11.
    count = 40
    base = _project(grant=Grant("", MONDAY, day(200), day(400), 30))
    first = _last_seconds(base, 1, count)
    for other in (
        replace(base, places=Places(9, 9, 2, 2)),
        replace(base, exposure=replace(base.exposure, hours_per_day=2.75)),
    ):
        common = np.var(_last_seconds(other, 1, count) - first, ddof=1)
        independent = np.var(_last_seconds(other, 2, count) - first, ddof=1)
        assert common > 0
        assert independent / common > 10


def test_more_of_a_resource_meets_the_same_luck_in_every_future() -> None:
    base = _project()
    more = replace(base, places=Places(30, 30, 3, 3))
    for index in range(3):
        one, other = (luck.replication(luck.plan(p), 1, index) for p in (base, more))
        assert np.array_equal(one.base_seconds, other.base_seconds)
        assert np.array_equal(one.shift_end, other.shift_end)


def test_the_public_names_are_those_that_can_be_imported() -> None:
    assert replicate.__all__ == sorted(replicate.__all__)
    assert all(hasattr(replicate, name) for name in replicate.__all__)
