"""A small project of which every plan has been tried 20,000 times, so that the best one is known.

``python -m tests.known_best`` simulates all of them again and writes ``known_best.csv`` (about six
minutes of one processor). ``python -m tests.known_best 20`` searches with so many seeds, each with
10 times fewer futures at most, and prints what each came to beside the best.
"""

from __future__ import annotations

import csv
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from forecast.compare import Outset, outset
from forecast.costs import costs
from forecast.estimates import Estimate
from forecast.paired import side_by_side
from forecast.project import Project, WorkingTime
from forecast.scenario_file import PostBounds, Search
from forecast.search import Found, candidates, search
from tests.small_projects import Lot, day, per_item, person, share, small_project

__all__ = ["FUTURES", "Truth", "best", "bounds", "is_right", "project", "searched", "truths"]

FUTURES = 20_000
TABLE = Path(__file__).parent / "known_best.csv"
_SEED = 987_654_321  # of the enumeration; no search has it


@dataclass(frozen=True)
class Truth:
    """One plan, tried 20,000 times: its odds of keeping the promise and its mean cost."""

    name: str
    odds: float
    cost: float


def project() -> Project:
    """150 items to be boxed, an hour each, in 31 days: too much for one who boxes eight a day."""
    alone = replace(person("AB", "reboxing"), role="assistant", hourly_cost=20.0)
    time = WorkingTime(
        delivered_share=share(0.8),
        absence_days_a_year=Estimate(5.0, 10.0, 30.0),
        practice=share(1.0),
        week_spread=Estimate(0.1, 0.2, 0.4),
    )
    small = small_project([Lot(150)], [per_item("reboxing", 60.0)], [alone], time=time)
    grant = replace(small.grant, end=day(30), horizon=day(120), items_promised=150)
    return replace(small, grant=grant)


def bounds() -> Search:
    """Up to two more, from three days on, with a quarter or half of the hours: 13 plans."""
    starts = (day(0), day(7), day(14))
    post = PostBounds("AB", 2, starts=starts, shares=(0.25, 0.5), until=day(30), once=100.0)
    return Search(posts=(post,), confidence=0.9)


def truths() -> list[Truth]:
    """The stored table."""
    with TABLE.open(encoding="utf-8", newline="") as file:
        rows = csv.DictReader(line for line in file if not line.startswith("#"))
        return [Truth(row["plan"], float(row["odds"]), float(row["cost"])) for row in rows]


def best(all_plans: list[Truth], wanted: float = 0.9) -> Truth:
    """The cheapest that keeps the promise as often as wanted."""
    return min((each for each in all_plans if each.odds >= wanted), key=lambda each: each.cost)


def searched(seed: int) -> Found:
    """A search with 10 times fewer futures than the enumeration, at most."""
    start = replace(outset(project()), seed=seed)
    most = len(candidates(start.project, bounds())) * FUTURES // 10
    return search(start, bounds(), zone=0.01, seconds=None, most=most)


def is_right(found: Found, all_plans: list[Truth]) -> bool:
    """Odds of at least the wanted ones less a point, and a cost within 1 % of the best."""
    if found.plan is None:
        return False
    truth = next(each for each in all_plans if each.name == found.plan.scenario.name)
    return truth.odds >= 0.89 and truth.cost <= 1.01 * best(all_plans).cost


def enumerated(start: Outset) -> list[Truth]:
    """Every plan, tried 20,000 times."""
    scenarios = candidates(start.project, bounds())
    plans = [start.planned(scenario) for scenario in scenarios]
    found = []
    takens = side_by_side(plans, range(FUTURES), as_of=start.as_of, seed=start.seed, by_day=False)
    for scenario, taken in zip(scenarios, takens, strict=True):
        kept = taken.done_by_end >= taken.project.grant.items_promised
        money = costs(taken.project, scenario, taken.first_day).at(taken.finish_day)
        found.append(Truth(scenario.name, float(kept.mean()), float(np.mean(money))))
    return found


def _written(found: list[Truth]) -> None:
    with TABLE.open("w", encoding="utf-8", newline="") as file:
        file.write(f"# {FUTURES} futures of each plan; made by: python -m tests.known_best\n")
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["plan", "odds", "cost"])
        writer.writerows((each.name, f"{each.odds:.5f}", f"{each.cost:.2f}") for each in found)


def _told(seeds: int) -> None:
    all_plans = truths()
    right = 0
    sys.stdout.write(f"the best: {best(all_plans)}\n")
    for seed in range(seeds):
        found = searched(seed)
        right += is_right(found, all_plans)
        name = "none" if found.plan is None else found.plan.scenario.name
        words = "right" if is_right(found, all_plans) else "WRONG"
        sure = f"sure {found.confidence:.3f}, {'proved' if found.proved else 'by budget'}"
        sys.stdout.write(f"seed {seed}: {words}, {sure}, {found.futures} futures: {name}\n")
        sys.stdout.flush()
    sys.stdout.write(f"right with {right} of {seeds} seeds\n")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        _told(int(sys.argv[1]))
    else:
        _written(enumerated(replace(outset(project()), seed=_SEED)))
