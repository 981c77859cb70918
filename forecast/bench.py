"""How fast it is: milliseconds a replication by part, against a bare tandem in SimPy, in one run.

Only the ratios mean much: machines differ, and so do the hours of one machine.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Generator
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median
from typing import Any

import simpy

from forecast import luck, outcome, walkthrough
from forecast.folder import read_project
from forecast.project import Project
from forecast.replicate import simulate

__all__ = ["main"]

_DEMO = Path(__file__).resolve().parent.parent / "scenario_data" / "demo"
_RUNS = 3
_CUSTOMERS = 5_000


@dataclass(frozen=True)
class _Cost:
    """Seconds of one replication, part by part, and its events and items."""

    luck: float
    loop: float
    reduce: float
    events: int
    items: int


def _timed(act: Callable[[], Any]) -> tuple[float, Any]:
    begin = time.perf_counter()
    result = act()
    return time.perf_counter() - begin, result


def _replication(project: Project, index: int) -> _Cost:
    plan = luck.plan(project)
    drawing, drawn = _timed(lambda: luck.replication(plan, 1, index))
    looping, rows = _timed(lambda: walkthrough.run(drawn))
    reducing, _ = _timed(lambda: outcome.reduce_record(rows, drawn, 2, ("done",)))
    return _Cost(drawing, looping, reducing, len(rows), project.total_items)


def _scaled(project: Project, factor: float) -> Project:
    """The project with a share of its items: nothing of it promised, surveyed or delivered."""
    rows = tuple(
        replace(row, items=max(1, round(row.items * factor))) for row in project.collection
    )
    survey = tuple(
        replace(row, items=max(1, round(row.items * factor / 2)), series=None)
        for row in project.survey
    )
    return replace(project, collection=rows, survey=survey, deliveries=())


def _tandem() -> tuple[float, int]:
    """Seconds of three stations in a row, as SimPy's own resources do it, and its services."""

    def run() -> int:
        env = simpy.Environment()
        stations = [simpy.Resource(env) for _ in range(3)]

        def customer(number: int) -> Generator[simpy.Event, Any, None]:
            yield env.timeout(number)
            for station in stations:
                with station.request() as turn:
                    yield turn
                    yield env.timeout(0.9)

        for number in range(_CUSTOMERS):
            env.process(customer(number))
        env.run()
        return 3 * _CUSTOMERS

    return _timed(run)


def _with_workers(project: Project, workers: int) -> float:
    """Seconds of sixteen futures, starting the workers included."""
    seconds, _ = _timed(
        lambda: simulate(
            project, replications=16, workers=workers, progress=False, standstill=False
        )
    )
    return seconds


def main() -> int:
    """Measure and print."""
    demo = read_project(_DEMO)
    print("One replication of the readable model (median of runs):")
    print("   items   events     luck     loop   reduce   us an event   ms an item")
    costs: list[_Cost] = []
    for factor in (0.2, 0.5, 1.0):
        project = _scaled(demo, factor)
        runs = [_replication(project, index) for index in range(_RUNS)]
        cost = sorted(runs, key=lambda run: run.loop)[_RUNS // 2]
        costs.append(cost)
        print(
            f"{cost.items:8,}{cost.events:9,}"
            f"{1e3 * cost.luck:7.1f}ms{1e3 * cost.loop:7.0f}ms{1e3 * cost.reduce:7.1f}ms"
            f"{1e6 * cost.loop / cost.events:14.1f}{1e3 * cost.loop / cost.items:13.3f}"
        )
    tandem = median(seconds for seconds, _ in (_tandem() for _ in range(_RUNS)))
    service, event = tandem / (3 * _CUSTOMERS), costs[-1].loop / costs[-1].events
    print(f"A bare tandem of three stations in SimPy: {1e6 * service:.1f} us a service.")
    print("Ratios:")
    print(f"  an event of the model / a service of the bare tandem: {event / service:.2f}")
    level = (costs[-1].loop / costs[-1].items) / (costs[0].loop / costs[0].items)
    print(f"  cost an item at {costs[-1].items:,} / at {costs[0].items:,} items: {level:.2f}")
    one, two = _with_workers(demo, 1), _with_workers(demo, 2)
    print(f"  16 futures with one worker / with two: {one / two:.2f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
