"""How fast it is, and how large: both models, part by part, beside two outside yardsticks.

Only the ratios mean much: machines differ, and so do the hours of one machine. So what is compared
is measured in turns, in one run, and the least time of several counts.
"""

from __future__ import annotations

import argparse
import importlib
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Generator, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import partial
from itertools import pairwise
from operator import attrgetter
from pathlib import Path
from typing import Any

import numpy as np
import simpy
from numpy.typing import NDArray

from forecast import diary, engine, luck, outcome, recalibrate, replicate, tally, walkthrough
from forecast.condition import SurveyRow
from forecast.events import What
from forecast.folder import read_project
from forecast.history import History
from forecast.paired import side_by_side
from forecast.planning import Knowledge
from forecast.project import Project
from forecast.replicate import simulate
from forecast.return_files import read_return
from forecast.units import SECONDS_PER_DAY

__all__ = ["main"]

_CHECKOUT = Path(__file__).resolve().parent.parent
_DEMO = _CHECKOUT / "scenario_data" / "demo"
_RETURNS = _CHECKOUT / "scenario_data" / "demo_returns"
_SIZES = (500, 5_000, 20_000, 100_000)
_SEED = 1
_ROUNDS = 5  # turns; the least time of each counts
_OFTEN = 5_000  # items up to which the readable model takes its turns, and is not run but once
_PATIENCE = 40.0  # seconds for one future of the readable model
_FUTURES = (10, 30)  # memory must not grow with items from the first number to the second
_MANY = 1_000
_MB = 1e6
_ALONE = (1, 2)  # workers that are compared
_A_FEW = 25  # futures of each plan
_WEEKS, _LIVES = 80, 40  # of returns; futures, of which one lasts so long
_PAIRS = 400  # futures of each plan, for the spread of a difference

# Customers of the yardsticks: enough for a second decimal.
_CUSTOMERS, _CIW_CUSTOMERS = 5_000, 1_000
_STATIONS, _SERVICE = 3, 0.9


def _progress(text: str) -> None:
    print(f"  {text} ...", file=sys.stderr, flush=True)


def _clock() -> tuple[str, Callable[[], float]]:
    """A clock for what one processor does alone, and what it tells.

    Where others keep the machine busy, the least time of a second-long run is too long, while one
    of a millisecond finds a gap: their ratio would flatter. Processor time has no such gaps, but
    on some systems it ticks a few times a second only.
    """
    if time.get_clock_info("process_time").resolution <= 1e-5:
        return "processor time", time.process_time
    return "clock time", time.perf_counter


_CLOCK, _now = _clock()


def _timed(act: Callable[[], Any]) -> tuple[float, Any]:
    begin = _now()
    result = act()
    return _now() - begin, result


# --- projects of all sizes -----------------------------------------------------------------------


def _scaled(project: Project, items: int, futures: int = 1) -> Project:
    """About so many items of the same mix, all there on the first day, and time for all of them.

    The same team does the work for as long as the slowest of so many futures takes: more people
    would make each instant costlier, and a horizon that cut the work off an item cheaper.
    """
    factor = items / project.total_items
    rows = tuple(
        replace(row, items=max(1, round(row.items * factor))) for row in project.collection
    )
    survey = tuple(
        replace(row, items=max(1, round(row.items * factor / 2)))
        for row in _without_boxes(project.survey)
    )
    whole = replace(project, collection=rows, survey=survey, deliveries=())
    return _until_all_end(whole, futures)


def _without_boxes(survey: Iterable[SurveyRow]) -> Iterable[SurveyRow]:
    """One row for each material and condition: in many small rows a share would be lost."""
    total: dict[SurveyRow, int] = {}
    for row in survey:
        kind = replace(row, items=0, series=None, box=None)
        total[kind] = total.get(kind, 0) + row.items
    return [replace(kind, items=items) for kind, items in total.items()]


def _until_all_end(project: Project, futures: int) -> Project:
    """With a horizon ninety days later than the last item of so many futures."""
    days, latest, index = project.days, 0, 0
    while index < futures:
        longer = _with_days(project, days)
        drawn = luck.replication(luck.plan(longer), _SEED, index)
        finished, end = tally.end_of(_run(longer, drawn))
        if finished:
            latest, index = max(latest, end // SECONDS_PER_DAY), index + 1
        else:
            days *= 2
    return _with_days(project, 90 + latest)


def _with_days(project: Project, days: int) -> Project:
    horizon = project.grant.start + timedelta(days=days - 1)
    return replace(project, grant=replace(project.grant, horizon=horizon))


def _run(project: Project, drawn: luck.Replication) -> tally.Tally:
    return engine.run(drawn, *_counting(project))


def _counting(project: Project) -> tuple[int, tuple[str, ...]]:
    return project.drying.start_within_days, project.outcomes.counts_as_done


# --- one replication, part by part ---------------------------------------------------------------


@dataclass(frozen=True)
class _Cost:
    """Seconds of one replication, part by part, and what happened in it.

    Adding up is the reduction row by row, totals is what is made of it at the end. A service is a
    row TAKEN: a person takes an item in hand, at whatever stage.
    """

    luck: float
    loop: float
    adding: float
    totals: float
    items: int
    ended: int
    events: int
    services: int

    @property
    def reduction(self) -> float:
        return self.adding + self.totals

    @property
    def replication(self) -> float:
        return self.luck + self.loop + self.reduction

    @property
    def event(self) -> float:
        """Of the loop with the adding up: the compiled engine does both at once."""
        return (self.loop + self.adding) / self.events

    @property
    def service(self) -> float:
        return (self.loop + self.adding) / self.services

    @property
    def item(self) -> float:
        return self.replication / self.items


class _Future:
    """One future of a project, that can be simulated again and again."""

    def __init__(self, project: Project) -> None:
        self.project = project
        self.plan = luck.plan(project)
        self.drawn = luck.replication(self.plan, _SEED, 0)
        self.rows = engine.record(self.drawn)
        self.times: dict[str, float] = {}

    def measure(self, part: str, act: Callable[[], Any]) -> Any:
        """Do one part of a replication; the least time of each counts."""
        seconds, result = _timed(act)
        self.times[part] = min(seconds, self.times.get(part, seconds))
        return result

    def turn(self) -> None:
        """All parts once, but for the readable model's loop."""
        self.measure("luck", lambda: luck.replication(self.plan, _SEED, 0))
        done = self.measure("run", lambda: _run(self.project, self.drawn))
        fresh = tally.new_tally(self.drawn, *_counting(self.project))
        self.measure("adding", lambda: tally.absorb(fresh, self.rows, len(self.rows)))
        self.measure("totals", lambda: outcome.settled(done, self.drawn))

    def readable_turn(self) -> None:
        """The readable model's loop; to compare times, the work must be the same."""
        rows = self.measure("walk", lambda: walkthrough.run(self.drawn))
        assert np.array_equal(rows, self.rows), "the two models wrote different records"

    def compiled(self) -> _Cost:
        # The engine adds up as it goes: what is left is the loop.
        return self._cost(self.times["run"] - self.times["adding"])

    def readable(self) -> _Cost | None:
        return self._cost(self.times["walk"]) if "walk" in self.times else None

    def _cost(self, loop: float) -> _Cost:
        what = self.rows[:, 1]
        return _Cost(
            luck=self.times["luck"],
            loop=loop,
            adding=self.times["adding"],
            totals=self.times["totals"],
            items=self.project.total_items,
            ended=int(np.isin(what, (What.DONE, What.SET_ASIDE, What.NOT_IMAGED)).sum()),
            events=len(self.rows),
            services=int((what == What.TAKEN).sum()),
        )


def _readable_once(futures: Sequence[_Future]) -> list[float]:
    """Run the readable model once where it was not run; seconds expected where that is too long."""
    left_out = []
    for smaller, future in pairwise(futures):
        if "walk" in future.times:
            continue
        known = smaller.times.get("walk", _PATIENCE)
        expected = known * len(future.rows) / len(smaller.rows)
        if expected > _PATIENCE:
            left_out.append(expected)
            continue
        _progress(f"the readable model at {future.project.total_items:,} items")
        future.readable_turn()
    return left_out


# --- outside yardsticks: three stations in a row, a server each ----------------------------------


def _simpy_tandem(customers: int = _CUSTOMERS) -> float:
    """Seconds a service, as SimPy's own resources do it."""
    served = 0

    def customer(env: simpy.Environment, number: int) -> Generator[simpy.Event, Any, None]:
        nonlocal served
        yield env.timeout(number)
        for station in stations:
            with station.request() as turn:
                yield turn
                yield env.timeout(_SERVICE)
                served += 1

    env = simpy.Environment()
    stations = [simpy.Resource(env) for _ in range(_STATIONS)]
    for number in range(customers):
        env.process(customer(env, number))
    seconds, _ = _timed(env.run)
    return seconds / served


def _ciw_tandem(customers: int = _CIW_CUSTOMERS) -> float | None:
    """Seconds a service, as Ciw does it; None where it is not installed."""
    try:
        ciw = importlib.import_module("ciw")
    except ImportError:
        return None
    network = ciw.create_network(
        arrival_distributions=[ciw.dists.Deterministic(1.0)] + [None] * (_STATIONS - 1),
        service_distributions=[ciw.dists.Deterministic(_SERVICE)] * _STATIONS,
        number_of_servers=[1] * _STATIONS,
        routing=[[float(to == here + 1) for to in range(_STATIONS)] for here in range(_STATIONS)],
    )
    simulation = ciw.Simulation(network)
    seconds, _ = _timed(lambda: simulation.simulate_until_max_customers(customers, method="Finish"))
    return float(seconds / len(simulation.get_all_records()))


# --- what is measured in a process of its own ----------------------------------------------------


def _child(*arguments: object, cache: str | None = None) -> dict[str, Any]:
    """Another process of this module; what it says, and the seconds from its start to its end."""
    known = os.environ if cache is None else os.environ | {"NUMBA_CACHE_DIR": cache}
    command = [sys.executable, "-m", "forecast.bench", "--child", *map(str, arguments)]
    begin = time.perf_counter()
    done = subprocess.run(  # noqa: S603  # this module, without a shell
        command, env=known, cwd=_CHECKOUT, stdout=subprocess.PIPE, text=True, check=True
    )
    said: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return said | {"seconds": time.perf_counter() - begin}


def _first_result() -> dict[str, Any]:
    """What a process does until it has the first future of the demo."""
    return {"seconds_in_simulate": _simulated(read_project(_DEMO), 1, 1)}


def _memory(items: int, *numbers: int) -> dict[str, Any]:
    """Peak bytes of a worker once it has simulated so many futures, and put them side by side."""
    project = _scaled(read_project(_DEMO), items, min(numbers[-1], _FUTURES[-1]))
    plan = luck.plan(project)
    outcomes = outcome.Gathered(0)
    peaks = []
    for number in numbers:
        gathered = outcome.Gathered(number)
        for each in outcomes:
            gathered.add(each)
        for index in range(len(outcomes), number):
            drawn = luck.replication(plan, _SEED, index)
            gathered.add(outcome.settled(_run(project, drawn), drawn))
        as_of = project.default_as_of()
        outcome.collect(project, as_of, project.grant.start, _SEED, gathered)
        peaks.append(_peak_memory())
        outcomes = gathered
    on_the_way = sum(int(one.outcomes[-1]) for one in outcomes)
    return {"peaks": peaks, "on_the_way": on_the_way, "days": project.days}


def _peak_memory() -> int | None:
    """Most bytes of memory that this process has used; None where the system does not say."""
    try:
        # Elsewhere a process begins with its parent's peak in getrusage; here it does not.
        status = Path("/proc/self/status").read_text(encoding="ascii")
        return 1_024 * int(status.split("VmHWM:")[1].split()[0])
    except (OSError, IndexError):
        pass
    try:
        resource = importlib.import_module("resource")
    except ImportError:
        return None
    peak = int(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
    return peak if sys.platform == "darwin" else 1_024 * peak


# --- workers -------------------------------------------------------------------------------------


def _simulated(project: Project, replications: int, workers: int | None) -> float:
    """Seconds of so many futures, starting the workers included."""
    begin = time.perf_counter()
    _simulate(project, replications, workers)
    return time.perf_counter() - begin


def _simulate(
    project: Project, number: int, workers: int | None = 1, knowledge: Knowledge | None = None
) -> None:
    simulate(
        project,
        replications=number,
        seed=_SEED,
        workers=workers,
        progress=False,
        standstill=False,
        knowledge=knowledge,
    )


def _worth_measuring(project: Project, seconds: float) -> int:
    """A number of futures that takes one worker about so long: at least 16, at most a thousand."""
    each = _simulated(project, 16, 1) / 16
    return min(max(16, round(seconds / each)), _MANY)


# --- plans side by side, and a record ------------------------------------------------------------


def _plans(project: Project) -> list[Project]:
    """A project, and five others with one more of something."""
    places = project.places
    more = (
        replace(places, cleaning_benches=places.cleaning_benches + 1),
        replace(places, camera_stations=places.camera_stations + 1),
        replace(places, drying_items=places.drying_items + 10),
    )
    posts = [replace(row, person=f"{row.person} too") for row in project.team[:2]]
    return [
        project,
        *(replace(project, places=each) for each in more),
        *(replace(project, team=(*project.team, post)) for post in posts),
    ]


def _on_record(project: Project) -> Knowledge:
    """What the demo's returns come to."""
    weeks = sorted(path for path in _RETURNS.iterdir() if path.name.startswith("20"))
    history = History(tuple(read_return(week, project) for week in weeks))
    return recalibrate.known(project, history, recalibrate.default_as_of(project, history))


def _compared(
    project: Project, knowledge: Knowledge | None, number: int, turns: int
) -> tuple[float, float, float]:
    """Seconds of so many futures of the six plans together, of each alone, and of the first."""
    plans = _plans(project)
    side_by_side(plans, range(1), seed=_SEED, knowledge=knowledge, workers=1)
    times = []
    for _ in range(turns):
        together, _ = _timed(
            lambda: side_by_side(
                plans, range(number), seed=_SEED, knowledge=knowledge, workers=1, by_day=False
            )
        )
        alone = [_timed(partial(_simulate, plan, number, knowledge=knowledge))[0] for plan in plans]
        times.append((together, sum(alone), alone[0]))
    return min(t[0] for t in times), min(t[1] for t in times), min(t[2] for t in times)


def _plan_figures(
    plain: tuple[float, float, float], told: tuple[float, float, float]
) -> list[_Figure]:
    """Ratios of what :func:`_compared` measured without and with a record."""
    six = "six plans, each alone / side by side"
    return [
        _Figure(f"{six}, from the plan", plain[1] / plain[0]),
        _Figure(f"{six}, from the record", told[1] / told[0], at_least=1.5),
        _Figure("a future from the record / from the plan", told[2] / plain[2], at_most=2.5),
    ]


def _luck_in_common(project: Project, futures: int = _PAIRS) -> list[_Figure]:
    """How much more the finish of two plans differs where each meets luck of its own.

    Variance of the difference with independent draws over that with common ones, for another
    cleaning bench and for another person like the first (Law, Simulation Modeling and Analysis,
    ch. 11).
    """
    base, bench, *_, person, _ = _plans(project)

    def finishes(seed: int) -> list[NDArray[np.float64]]:
        taken = side_by_side([base, bench, person], range(futures), seed=seed, by_day=False)
        late = float(project.days)
        return [np.where(t.finish_day < 0, late, t.finish_day).astype(float) for t in taken]

    same, fresh = finishes(_SEED), finishes(_SEED + 1)
    what = "variance of a difference, fresh / same luck:"
    named = (("one more bench", 1), (f"one more {project.team[0].role}", 2))
    return [
        _Figure(
            f"{what} {name}",
            float(np.var(fresh[at] - same[0]) / np.var(same[at] - same[0])),
            at_least=10,
        )
        for name, at in named
    ]


def _lived(project: Project, weeks: int) -> tuple[History, date]:
    """The returns of a simulated team after so many weeks, and the as-of date."""
    plan = luck.plan(project)
    as_of = project.grant.start + timedelta(weeks=weeks, days=-1)
    drawn, rows = replicate.one_record(plan, _SEED, 0)
    for index in range(1, _LIVES):
        if rows[-1, 0] > project.day_number(as_of) * SECONDS_PER_DAY:
            break
        drawn, rows = replicate.one_record(plan, _SEED, index)
    return History.of(diary.returns(plan, drawn, rows, as_of)), as_of


def _weekly_figures(project: Project) -> list[_Figure]:
    """Seconds that a week's refit and forecast take late in a project, by the clock."""
    history, as_of = _lived(project, _WEEKS)
    begin = time.perf_counter()
    knowledge = recalibrate.known(project, history, as_of)
    refit = time.perf_counter() - begin
    what = f"after {_WEEKS} weeks of returns:"
    figures = [_Figure(f"{what} refit", refit, "s")]
    for futures in (_MANY // 5, _MANY):
        begin = time.perf_counter()
        recalibrate.forecast(
            project, history, as_of, futures, _SEED, progress=False, knowledge=knowledge
        )
        whole = refit + time.perf_counter() - begin
        figures.append(_Figure(f"{what} refit, {futures:,} futures", whole, "s", at_most=10))
    return figures


# --- what is printed -----------------------------------------------------------------------------


@dataclass(frozen=True)
class _Figure:
    """One line: what was measured, and what is aimed at, which decides nothing."""

    what: str
    value: float
    unit: str = ""
    at_least: float | None = None
    at_most: float | None = None

    def line(self) -> str:
        shown = f"{self.value:,.2f}" if self.value < 10 else f"{self.value:,.0f}"
        return f"  {self.what:<64}{shown:>8} {self.unit:<8}{self._aim()}".rstrip()

    def _aim(self) -> str:
        if self.at_least is not None:
            met = self.value >= self.at_least
            return f"aim: at least {self.at_least:g}, {'met' if met else 'not met in this run'}"
        if self.at_most is not None:
            met = self.value <= self.at_most
            return f"aim: at most {self.at_most:g}, {'met' if met else 'not met in this run'}"
        return ""


def _table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    """Lines of a table: the first column to the left, the others to the right."""
    cells = [list(head), *map(list, rows)]
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    return [
        "  "
        + "  ".join(
            cell.rjust(width) if at else cell.ljust(width)
            for at, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in cells
    ]


_HEAD = (
    *("model", "items", "ended", "events", "luck ms", "loop ms", "reduction ms"),
    *("replication ms", "ns an event", "us an item"),
)


def _row(model: str, cost: _Cost) -> tuple[str, ...]:
    counts = (f"{n:,}" for n in (cost.items, cost.ended, cost.events))
    parts = (cost.luck, cost.loop, cost.reduction, cost.replication)
    return (
        model,
        *counts,
        *(f"{1e3 * seconds:,.2f}" for seconds in parts),
        f"{1e9 * cost.event:,.0f}",
        f"{1e6 * cost.item:,.2f}",
    )


def _against_the_readable(compiled: Sequence[_Cost], readable: Sequence[_Cost]) -> list[_Figure]:
    """How many times faster the compiled engine is, at each size at which both were run."""
    at = {cost.items: cost for cost in compiled}
    return [
        _Figure(
            f"{name}, readable / compiled, at {cost.items:,} items",
            of(cost) / of(at[cost.items]),
            at_least=aim if cost.items == 5_000 else None,
        )
        for cost in readable
        for name, of, aim in (
            ("loop", attrgetter("loop"), 60),
            ("whole replication", attrgetter("replication"), None),
        )
    ]


def _against_the_yardsticks(cost: _Cost, tandem: float, ciw: float | None) -> list[_Figure]:
    """What a service costs elsewhere, in services of the compiled engine at one size."""
    ours = f"a service of the compiled engine at {cost.items:,} items"
    figures = [
        _Figure("a service of the SimPy tandem", 1e6 * tandem, "us"),
        _Figure(ours, 1e6 * cost.service, "us"),
        _Figure("a service, SimPy tandem / compiled", tandem / cost.service, at_least=50),
    ]
    if ciw is not None:
        figures.insert(1, _Figure("a service of the Ciw tandem", 1e6 * ciw, "us"))
        figures.append(_Figure("a service, Ciw tandem / compiled", ciw / cost.service))
    return figures


def _level(compiled: Sequence[_Cost]) -> list[_Figure]:
    """What an item costs in the largest project, against one of 5,000 items (or the smallest)."""
    small = next((cost for cost in compiled if cost.items == 5_000), compiled[0])
    large = compiled[-1]
    what = f"{large.items:,} items / at {small.items:,}"
    loops = (large.loop / large.items) / (small.loop / small.items)
    return [
        _Figure(f"cost of an item at {what}", large.item / small.item, at_most=1.5),
        _Figure(f"cost of an item in the loop alone at {what}", loops),
    ]


def _memory_rows(said: dict[int, dict[str, Any]]) -> list[tuple[str, ...]]:
    """A row a size: peaks, what another future adds to them, and what a thousand come to."""
    few, many = _FUTURES
    rows = []
    for items, found in said.items():
        first, last = found["peaks"]
        more = (last - first) / (many - few)
        counts = (f"{items:,}", f"{found['days']:,}", f"{found['on_the_way']:,}")
        sizes = (first, last, more, last + more * (_MANY - many))
        rows.append((*counts, *(f"{size / _MB:,.1f}" for size in sizes)))
    return rows


# --- all of it -----------------------------------------------------------------------------------


def _print(title: str, lines: Iterable[str]) -> None:
    print(f"\n{title}")
    for line in lines:
        print(line, flush=True)


def _bench_start() -> None:
    with tempfile.TemporaryDirectory() as cache:
        _progress("first use on a computer: compiling, which may take a minute")
        first = _child("first-result", cache=cache)["seconds"]
        _progress("later processes")
        later = min(_child("first-result", cache=cache)["seconds"] for _ in range(3))
    figures = [
        _Figure("first use, nothing compiled yet", first, "s", at_most=60),
        _Figure("a later process", later, "s", at_most=3),
    ]
    _print(
        "From the start of a process to its first future of the demo:",
        [figure.line() for figure in figures],
    )


def _bench_replications(demo: Project, sizes: Sequence[int]) -> None:
    _progress("one replication of each size, and the yardsticks, in turns")
    futures = [_Future(_scaled(demo, items)) for items in sizes]
    tandems, ciws = [], []
    for _ in range(_ROUNDS):
        for future in futures:
            future.turn()
            if future.project.total_items <= _OFTEN:
                future.readable_turn()
        tandems.append(_simpy_tandem())
        ciws.append(_ciw_tandem())
    left_out = _readable_once(futures)
    compiled = [future.compiled() for future in futures]
    readable = [cost for future in futures if (cost := future.readable())]
    rows = [_row("compiled", cost) for cost in compiled]
    rows += [_row("readable", cost) for cost in readable]
    _print(f"One replication, the least {_CLOCK} of each part:", _table(_HEAD, rows))
    print("  The demo's mix of items, all there on the first day, with its own team and places;")
    print("  the horizon is as late as they need. Reduction: adding up row by row, and totals.")
    print("  Nanoseconds an event: loop and adding up. An item's cost: the whole replication.")
    for seconds in left_out:
        print(f"  The readable model was left out where it would take about {seconds:.0f} s.")
    fastest_ciw = min((seconds for seconds in ciws if seconds is not None), default=None)
    middle = next((cost for cost in compiled if cost.items == 5_000), compiled[0])
    figures = [
        *(_event(cost) for cost in compiled),
        *_against_the_readable(compiled, readable),
        *_against_the_yardsticks(middle, min(tandems), fastest_ciw),
        *_level(compiled),
    ]
    _print("Costs and ratios, and what is aimed at:", [figure.line() for figure in figures])
    print("  A service: a person takes an item in hand; in the tandems, a customer at a station.")
    if fastest_ciw is None:
        print("  Ciw is not installed here: that yardstick was skipped.")


def _event(cost: _Cost) -> _Figure:
    what = f"an event of the compiled engine at {cost.items:,} items"
    return _Figure(what, 1e9 * cost.event, "ns", at_most=150)


def _bench_memory(sizes: Sequence[int], thorough: bool) -> None:
    said = {}
    for items in sizes:
        _progress(f"memory at {items:,} items")
        said[items] = _child("memory", items, *_FUTURES)
    if any(None in found["peaks"] for found in said.values()):
        _print("Peak memory of a worker: not measured, this system does not say.", [])
        return
    few, many = _FUTURES
    head = ("items", "days", "not ended", f"{few} futures", f"{many} futures", "each more")
    title = "Peak memory of a worker that keeps what its futures came to, in MB:"
    _print(title, _table((*head, f"{_MANY:,} (reckoned)"), _memory_rows(said)))
    print("  What is kept of a future grows with the project's days and weeks, not with its items.")
    print(f"  The horizon is that of the slowest of {many} futures: of more, some may not end.")
    if thorough:
        _progress(f"memory of {_MANY:,} futures at {sizes[-1]:,} items: some minutes")
        found = _child("memory", sizes[-1], _MANY)
        what = f"measured: {_MANY:,} futures at {sizes[-1]:,} items"
        print(_Figure(what, found["peaks"][0] / 1e9, "GB", at_most=1.5).line())
    else:
        print(f"  --thorough runs {_MANY:,} futures at {sizes[-1]:,} items; aim: at most 1.5 GB.")


def _bench_workers(demo: Project) -> None:
    _progress("workers")
    number = _worth_measuring(demo, seconds=3)
    turns = [[_simulated(demo, number, workers) for workers in _ALONE] for _ in range(3)]
    one, two = (min(times) for times in zip(*turns, strict=True))
    figures = [_Figure(f"{number:,} futures of the demo, one worker / two", one / two)]
    expected = _MANY * two / number
    lines = [figure.line() for figure in figures]
    if expected > _PATIENCE:
        lines.append(f"  {_MANY:,} futures of the demo were left out: about {expected:,.0f} s.")
    else:
        seconds = min(_simulated(demo, _MANY, None) for _ in range(2))
        what = f"{_MANY:,} futures of the demo on {os.cpu_count()} processors"
        lines.append(_Figure(what, seconds, "s", at_most=4).line())
    _print("Workers:", lines)


def _bench_plans(demo: Project) -> None:
    _progress("plans side by side, and from a record")
    known = _on_record(demo)
    plain, told = (_compared(demo, each, _A_FEW, 3) for each in (None, known))
    begin = time.perf_counter()
    side_by_side(_plans(demo), range(4 * _A_FEW), seed=_SEED, knowledge=known, by_day=False)
    seconds = (time.perf_counter() - begin) * _MANY / (4 * _A_FEW)
    what = f"six plans x {_MANY:,} futures on {os.cpu_count()} processors (reckoned)"
    figures = [*_plan_figures(plain, told), _Figure(what, seconds, "s", at_most=40)]
    figures += _luck_in_common(demo)
    _print("Plans side by side:", [figure.line() for figure in figures])
    _progress("a forecast late in a project")
    _print("From the record:", [figure.line() for figure in _weekly_figures(demo)])


def _arguments(given: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="bench", description=__doc__)
    parser.add_argument(
        "--thorough",
        action="store_true",
        help=f"also simulate {_MANY:,} futures of the largest project, to measure their memory",
    )
    parser.add_argument("--child", nargs="+", help=argparse.SUPPRESS)
    return parser.parse_args(given)


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure and print; nothing that comes out is a failure.

    Args:
        arguments: of the command line, without the program's name; None: those it was started with.
    """
    asked = _arguments(arguments)
    if asked.child:
        name, *numbers = asked.child
        found = _first_result() if name == "first-result" else _memory(*map(int, numbers))
        print(json.dumps(found))
        return 0
    demo = read_project(_DEMO)
    _progress("getting ready")
    _simulated(demo, 1, 1)  # says so where it must compile
    print(f"The demo has {demo.total_items:,} items. All times are of this machine, in this hour.")
    _bench_start()
    _bench_replications(demo, _SIZES)
    _bench_memory(_SIZES, asked.thorough)
    _bench_workers(demo)
    _bench_plans(demo)
    return 0


if __name__ == "__main__":
    sys.exit(main())
